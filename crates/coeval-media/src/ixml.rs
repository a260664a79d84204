//! `iXML`: what a recorder writes of a take and of its tracks (iXML 1.52; names of its elements from memory).

use roxmltree::{Document, Node};

/// Bytes of a text that are read; an honest one has some thousand.
pub(crate) const MOST_BYTES: u64 = 1 << 20;
/// Channels that are named at most: those of a file.
const MOST_CHANNELS: usize = 64;

/// What an `iXML` chunk says. What it does not say is empty.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Ixml {
    /// What is filmed.
    pub project: String,
    /// The scene.
    pub scene: String,
    /// The take.
    pub take: String,
    /// The tape or sound roll.
    pub tape: String,
    /// User bits, as written.
    pub user_bits: String,
    /// What the files of one take have in common (`FAMILY_UID`).
    pub family: String,
    /// Names of the file's channels, in their order; as many as go up to the last that has one.
    pub tracks: Vec<String>,
    /// Number of each channel on the recorder, from 1, in the same order; 0 where it is not said.
    pub numbers: Vec<u32>,
    /// First sample, counted from midnight, and the rate in Hz at which it is counted.
    pub timestamp: Option<(u64, u32)>,
}

impl Ixml {
    /// Reads the text of a chunk; `None` where it is no `iXML`.
    pub(crate) fn read(bytes: &[u8]) -> Option<Self> {
        let text = String::from_utf8_lossy(bytes);
        // Recorders leave room for more behind it.
        let document = Document::parse(text.trim_matches(|c: char| c == '\0' || c == '\u{feff}' || c.is_whitespace()));
        let document = document.ok()?;
        let root = document.root_element();
        if !root.has_tag_name("BWFXML") {
            return None;
        }
        let mut read = Self {
            project: line(root, "PROJECT"),
            scene: line(root, "SCENE"),
            take: line(root, "TAKE"),
            tape: line(root, "TAPE"),
            user_bits: line(root, "UBITS"),
            family: child(root, "FILE_SET").map_or_else(String::new, |set| line(set, "FAMILY_UID")),
            timestamp: child(root, "SPEED").and_then(timestamp),
            ..Self::default()
        };
        let tracks = child(root, "TRACK_LIST").into_iter().flat_map(|list| list.children());
        for (track, place) in tracks.filter(|t| t.has_tag_name("TRACK")).zip(1..) {
            let number = |name: &str| line(track, name).parse::<usize>().ok();
            let channel = number("INTERLEAVE_INDEX").unwrap_or(place);
            if (1..=MOST_CHANNELS).contains(&channel) {
                if read.tracks.len() < channel {
                    read.tracks.resize(channel, String::new());
                    read.numbers.resize(channel, 0);
                }
                read.tracks[channel - 1] = line(track, "NAME");
                read.numbers[channel - 1] = number("CHANNEL_INDEX").and_then(|n| n.try_into().ok()).unwrap_or(0);
            }
        }
        Some(read)
    }
}

fn child<'a, 'i>(node: Node<'a, 'i>, name: &str) -> Option<Node<'a, 'i>> {
    node.children().find(|c| c.has_tag_name(name))
}

/// The text of an element, as one line.
fn line(node: Node<'_, '_>, name: &str) -> String {
    let text = child(node, name).and_then(|c| c.text()).unwrap_or_default();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn timestamp(speed: Node<'_, '_>) -> Option<(u64, u32)> {
    let number = |name: &str| line(speed, name).parse::<u32>().ok();
    let high = u64::from(number("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI")?);
    let low = u64::from(number("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO")?);
    let rate_hz = number("TIMESTAMP_SAMPLE_RATE").or_else(|| number("FILE_SAMPLE_RATE")).filter(|r| *r > 0)?;
    Some((high << 32 | low, rate_hz))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_take_and_its_tracks_are_read() {
        let text = "\u{feff}<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<BWFXML><PROJECT>Soundings</PROJECT>
            <SCENE>3 &amp; 4</SCENE><TAKE>7</TAKE><TAPE>roll\n 2</TAPE><UBITS>$00000000</UBITS>
            <FILE_SET><FAMILY_UID>A1</FAMILY_UID></FILE_SET>
            <SPEED><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
            <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>5</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>
            <FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE></SPEED>
            <TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>
            <TRACK><CHANNEL_INDEX>7</CHANNEL_INDEX><INTERLEAVE_INDEX>3</INTERLEAVE_INDEX><NAME>Skipper</NAME></TRACK>
            <TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>Mix</NAME></TRACK>
            <TRACK><INTERLEAVE_INDEX>4000000000</INTERLEAVE_INDEX><NAME>x</NAME></TRACK>
            </TRACK_LIST></BWFXML>\0\0\0";
        let read = Ixml::read(text.as_bytes()).unwrap();
        let named = [&read.project, &read.scene, &read.take, &read.tape, &read.user_bits, &read.family];
        assert_eq!(named, ["Soundings", "3 & 4", "7", "roll 2", "$00000000", "A1"]);
        assert_eq!(
            (&read.tracks[..], &read.numbers[..]),
            (&["Mix", "", "Skipper"].map(String::from)[..], &[1, 0, 7][..])
        );
        assert_eq!(read.timestamp, Some(((1 << 32) + 5, 48_000)));
    }

    #[test]
    fn what_is_none_is_passed_over() {
        // Entities that grow are refused with the declaration that they need.
        let bomb = b"<!DOCTYPE x [<!ENTITY a \"aaaa\">]><BWFXML><SCENE>&a;</SCENE></BWFXML>";
        for bytes in [&b""[..], b"\0\0", b"<BWFXML>", b"<OTHER/>", b"\xff\xfe", bomb] {
            assert_eq!(Ixml::read(bytes), None, "{bytes:?}");
        }
        assert_eq!(Ixml::read(b"<BWFXML/>"), Some(Ixml::default()));
        // Deep nesting costs memory in proportion, and no stack.
        assert_eq!(Ixml::read(&b"<a>".repeat(300_000)), None);
    }
}
