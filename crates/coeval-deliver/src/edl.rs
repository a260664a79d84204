//! Edit decision lists of the CMX 3600 kind: one track, one list.
//!
//! No free text of the format is at hand: layout and `FROM CLIP NAME` lines are as editors
//! read them (from memory; common practice, no source). A list holds events 001 to 999, reels of
//! eight characters, and no media paths; out points are exclusive. Where a clip's rate is not the list's, its source timecode still counts the list's frames, because a list has one rate and what reads it refuses
//! others: from the label that the clip's own timecode begins with, in real time.
//!
//! A dissolve is one event of two lines: the clip that goes, a cut without length where it stops, and the clip that
//! comes, `D` with the number of frames, from the dissolve's first frame on.

use std::collections::{HashMap, HashSet};
use std::fmt::Write;

use coeval::{Error, ErrorKind, Result};
use coeval_shoot::conform::{Conformed, SoundPlacement};
use coeval_shoot::{Alignment, one_line};

use crate::layout::{Content, Layout, Piece, SourceRate, TimelineTrack};
use crate::timecode::{Counting, FrameRate, Timecode};

/// Events that one list can number.
const EVENTS_PER_LIST: usize = 999;
/// Characters of a reel name.
const REEL_LENGTH: usize = 8;
/// Frames of the longest dissolve (common practice, no source).
pub(crate) const LONGEST_DISSOLVE: i64 = 255;

/// What a list carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channel {
    /// Picture, `V`.
    Picture,
    /// Sound, `AA`: two channels.
    Sound,
}

/// One cut or dissolve.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Name of the file, for the comment and for its reel.
    pub clip: String,
    /// Timecode of the first source frame, at the list's rate.
    pub source_in: Timecode,
    /// Length of the source, frames at the list's rate.
    pub source_frames: i64,
    /// First frame on the timeline, counted from the timeline's start.
    pub record_in: i64,
    /// Length in timeline frames.
    pub record_frames: i64,
    /// So many of its first frames are a dissolve from the event before, which must touch it; 0: it is cut to.
    pub dissolve: i64,
}

/// Writes one track of a layout. `start` is the timecode of timeline zero, at the layout's rate.
///
/// Source timecode is the file's own where it has one, else it counts from zero. A track of sound
/// alone refers to the conformed sound on the timeline where `conformed` has it: its source timecode
/// is its place on the timeline, as its time reference says when it was conformed with
/// [`timeline_start_s`](coeval_shoot::conform::ConformOptions::timeline_start_s) at `start`, and it
/// needs no slips. Without it the list can only name the nearest frame of the recorder's own file.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) when `start` is of another rate.
pub fn to_edl(
    alignment: &Alignment,
    layout: &Layout,
    track: &TimelineTrack,
    title: &str,
    start: Timecode,
    conformed: &[Conformed],
) -> Result<Vec<String>> {
    if start.rate() != layout.rate {
        return Err(Error::new(
            ErrorKind::InvalidArgument,
            format!("the start timecode counts {} fps, the timeline {}", start.rate(), layout.rate),
        ));
    }
    let whole = |piece: &Piece| {
        conformed
            .iter()
            .find(|c| c.placement == SoundPlacement::OnTimeline && c.sources.iter().eq(std::iter::once(&piece.path)))
    };
    let mut events: Vec<Event> = Vec::new();
    for piece in &track.pieces {
        let event = match piece.source_rate {
            SourceRate::Frames(own) => {
                let (source_in, source_frames) = source_span(alignment, piece, own, start)?;
                Event {
                    clip: piece.path.clone(),
                    source_in,
                    source_frames,
                    record_in: piece.start,
                    record_frames: piece.frames,
                    dissolve: 0,
                }
            }
            SourceRate::Samples(hz) => {
                let whole = whole(piece);
                let source_s = piece.source_start as f64 / f64::from(hz);
                Event {
                    clip: whole.map_or(&piece.path, |c| &c.name).clone(),
                    source_in: match whole {
                        Some(_) => start.plus(piece.start),
                        None => Timecode::from_frame(
                            layout.rate.frames(source_s).round() as i64,
                            layout.rate,
                            start.counting(),
                        )?,
                    },
                    source_frames: piece.frames,
                    record_in: piece.start,
                    record_frames: piece.frames,
                    dissolve: 0,
                }
            }
        };
        // Conformed sound needs no slips: pieces that touch are one event.
        let conformed = matches!(piece.source_rate, SourceRate::Samples(_)) && whole(piece).is_some();
        match events.last_mut() {
            Some(last)
                if conformed && last.clip == event.clip && last.record_in + last.record_frames == event.record_in =>
            {
                last.source_frames += event.source_frames;
                last.record_frames += event.record_frames;
            }
            _ => events.push(event),
        }
    }
    let channel = match track.content {
        Content::Picture => Channel::Picture,
        Content::Sound => Channel::Sound,
    };
    edl(title, channel, start, &events)
}

/// Where a piece of picture begins in its file, by the file's own timecode, else counted from zero, and how many frames it
/// takes: of the file where its rate `own` is that of the list that begins at `start`, else of the list.
pub(crate) fn source_span(
    alignment: &Alignment,
    piece: &Piece,
    own: FrameRate,
    start: Timecode,
) -> Result<(Timecode, i64)> {
    let rate = start.rate();
    let file = alignment.file(&piece.path);
    let written = file.and_then(|f| f.timecode.as_deref()).and_then(|text| Timecode::parse(text, own).ok());
    if own == rate {
        let first = written.map_or_else(|| Timecode::from_frame(0, own, Counting::NonDropFrame), Ok)?;
        return Ok((first.plus(piece.source_start), piece.frames.min(piece.source_length - piece.source_start).max(1)));
    }
    let first = match written {
        Some(written) => {
            let [h, m, s, f] = written.label();
            let f = f * rate.nominal() / own.nominal();
            // Drop-frame counting may skip this very label.
            Timecode::from_label([h, m, s, f], rate, start.counting())
                .or_else(|_| Timecode::from_label([h, m, s, f + rate.dropped_labels()], rate, start.counting()))?
        }
        None => Timecode::from_frame(0, rate, start.counting())?,
    };
    // The frame of the list nearest to the truth: rounding what is already on frames of the file would add to it.
    let at_s = file.and_then(|f| Some((f.laid()?, f.picture.as_ref()?.start_s))).map_or_else(
        || own.seconds(piece.source_start),
        |(map, picture_s)| map.inverse(rate.seconds(piece.start)) - picture_s,
    );
    Ok((first.plus((rate.frames(at_s).round() as i64).max(0)), piece.frames))
}

/// Writes one track. `start` is the timecode of timeline frame 0; it decides rate and counting of
/// the list. More than 999 events become several lists.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) when an event has no length, starts before the
/// timeline, overlaps the one before it, or counts its source at another rate; for a dissolve out of nothing, longer than its event or than 255 frames.
pub fn edl(title: &str, channel: Channel, start: Timecode, events: &[Event]) -> Result<Vec<String>> {
    let mut free_from = 0;
    for event in events {
        if event.source_in.rate() != start.rate() {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("a list counts one rate, {} fps, not {}", start.rate(), event.source_in.rate()),
            )
            .with_path(&event.clip));
        }
        if event.record_frames < 1 || event.source_frames < 1 || event.record_in < free_from {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!(
                    "an event of {} frames at frame {} does not fit after frame {free_from}",
                    event.record_frames, event.record_in
                ),
            )
            .with_path(&event.clip));
        }
        let longest = if event.record_in == free_from && free_from > 0 { event.record_frames } else { 0 };
        if !(0..=longest.min(LONGEST_DISSOLVE)).contains(&event.dissolve) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("a dissolve of {} frames at frame {} does not fit", event.dissolve, event.record_in),
            )
            .with_path(&event.clip));
        }
        free_from = event.record_in + event.record_frames;
    }
    let reels = reels(events);
    let lists = events.len().div_ceil(EVENTS_PER_LIST).max(1);
    (0..lists)
        .map(|i| {
            let part = if lists > 1 { format!(" {} OF {lists}", i + 1) } else { String::new() };
            let from = i * EVENTS_PER_LIST;
            let to = events.len().min(from + EVENTS_PER_LIST);
            Ok(list(&format!("{title}{part}"), channel, start, &events[..to], from, &reels))
        })
        .collect()
}

/// The list that begins with event `from`.
fn list(
    title: &str,
    channel: Channel,
    start: Timecode,
    events: &[Event],
    from: usize,
    reels: &HashMap<&str, String>,
) -> String {
    let mode = match start.counting() {
        Counting::DropFrame => "DROP FRAME",
        Counting::NonDropFrame => "NON-DROP FRAME",
    };
    let channel = match channel {
        Channel::Picture => "V",
        Channel::Sound => "AA",
    };
    let mut text = format!("TITLE: {}\r\nFCM: {mode}\r\n\r\n", one_line(title));
    for (i, event) in events.iter().enumerate().skip(from) {
        let (number, reel) = (i - from + 1, &reels[event.clip.as_str()]);
        let record_in = start.plus(event.record_in);
        let goes = i.checked_sub(1).map(|before| &events[before]).filter(|_| event.dissolve > 0);
        let transition = match goes {
            Some(goes) => {
                let (reel, stops) = (&reels[goes.clip.as_str()], goes.source_in.plus(goes.source_frames));
                // Writing to a String cannot fail.
                let _ = write!(
                    text,
                    "{number:03}  {reel:<8} {channel:<5} C        {stops} {stops} {record_in} {record_in}\r\n"
                );
                format!("D    {:03}", event.dissolve)
            }
            None => "C       ".to_owned(),
        };
        let _ = write!(
            text,
            "{number:03}  {reel:<8} {channel:<5} {transition} {} {} {record_in} {}\r\n",
            event.source_in,
            event.source_in.plus(event.source_frames),
            record_in.plus(event.record_frames),
        );
        if let Some(goes) = goes {
            let _ = write!(
                text,
                "* FROM CLIP NAME: {}\r\n* TO CLIP NAME: {}\r\n",
                one_line(&goes.clip),
                one_line(&event.clip)
            );
        } else {
            let _ = write!(text, "* FROM CLIP NAME: {}\r\n", one_line(&event.clip));
        }
    }
    text
}

/// A reel of its own for each file: the end of its name in capitals and digits, since devices count there.
fn reels(events: &[Event]) -> HashMap<&str, String> {
    let mut reels: HashMap<&str, String> = HashMap::new();
    // Reserved: auxiliary source and black.
    let mut taken: HashSet<String> = ["AX", "BL"].map(str::to_owned).into();
    for event in events {
        if reels.contains_key(event.clip.as_str()) {
            continue;
        }
        let name = event.clip.rsplit(['/', '\\']).next().unwrap_or_default();
        let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
        // Conformed sound bears the reel of what it was made from.
        let stem = stem.strip_suffix(".on-timeline").unwrap_or(stem);
        let letters: Vec<char> =
            stem.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect();
        let mut reel: String = letters[letters.len().saturating_sub(REEL_LENGTH)..].iter().collect();
        let mut count = 1;
        while reel.is_empty() || taken.contains(&reel) {
            reel = format!("R{count:07}");
            count += 1;
        }
        taken.insert(reel.clone());
        reels.insert(&event.clip, reel);
    }
    reels
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(label: &str, rate: FrameRate) -> Timecode {
        Timecode::parse(label, rate).unwrap()
    }

    fn event(clip: &str, source_in: Timecode, record_in: i64, frames: i64) -> Event {
        Event { clip: clip.into(), source_in, source_frames: frames, record_in, record_frames: frames, dissolve: 0 }
    }

    #[test]
    fn a_drop_frame_list_reads_as_it_should() {
        let rate = FrameRate::FPS_29_97;
        let source = at("00:00:00;00", rate);
        let events = [event("launch/CAM_A_001.MOV", source, 0, 1800), event("launch/CAM_A_002.MOV", source, 17_982, 1)];
        let lists = edl("Survey launch, cam-a", Channel::Picture, at("01:00:00;00", rate), &events).unwrap();
        assert_eq!(
            lists,
            ["TITLE: Survey launch, cam-a\r\n\
              FCM: DROP FRAME\r\n\
              \r\n\
              001  CAMA001  V     C        00:00:00;00 00:01:00;02 01:00:00;00 01:01:00;02\r\n\
              * FROM CLIP NAME: launch/CAM_A_001.MOV\r\n\
              002  CAMA002  V     C        00:00:00;00 00:00:00;01 01:10:00;00 01:10:00;01\r\n\
              * FROM CLIP NAME: launch/CAM_A_002.MOV\r\n"]
        );
    }

    #[test]
    fn a_dissolve_has_two_lines() {
        let rate = FrameRate::FPS_25;
        let source = at("00:00:10:00", rate);
        let events = [
            event("A.MOV", source, 0, 100),
            Event { dissolve: 12, ..event("B.MOV", at("00:01:00:00", rate), 100, 50) },
            event("A.MOV", source, 150, 10),
        ];
        assert_eq!(
            edl("t", Channel::Picture, at("01:00:00:00", rate), &events).unwrap()[0].split_once("\r\n\r\n").unwrap().1,
            "001  A        V     C        00:00:10:00 00:00:14:00 01:00:00:00 01:00:04:00\r\n\
             * FROM CLIP NAME: A.MOV\r\n\
             002  A        V     C        00:00:14:00 00:00:14:00 01:00:04:00 01:00:04:00\r\n\
             002  B        V     D    012 00:01:00:00 00:01:02:00 01:00:04:00 01:00:06:00\r\n\
             * FROM CLIP NAME: A.MOV\r\n\
             * TO CLIP NAME: B.MOV\r\n\
             003  A        V     C        00:00:10:00 00:00:10:10 01:00:06:00 01:00:06:10\r\n\
             * FROM CLIP NAME: A.MOV\r\n"
        );
        // The first event of a second list may be a dissolve from the last of the first.
        let mut many: Vec<Event> = (0..1000).map(|i| event("A.MOV", source, i * 20, 20)).collect();
        many[999].dissolve = 20;
        let lists = edl("t", Channel::Picture, source, &many).unwrap();
        assert_eq!(lists[1].lines().filter(|l| l.starts_with("001 ")).count(), 2, "{}", lists[1]);
    }

    #[test]
    fn a_clip_of_another_rate_is_counted_at_the_lists() {
        let mut alignment = crate::layout::tests::example();
        // cam-b has 25 frames a second on a timeline of 30000/1001.
        alignment.recordings[0].files[0].timecode = Some("10:00:59:24".to_owned());
        let layout = Layout::of(&alignment).unwrap();
        let track = layout.tracks.iter().find(|l| l.recording == "cam-b").unwrap();
        let start = at("01:00:00;00", layout.rate);
        let lists = to_edl(&alignment, &layout, track, "b", start, &[]).unwrap();
        let events: Vec<&str> = lists[0].lines().filter(|l| l.starts_with("00")).collect();
        assert!(!lists[0].contains("M2"), "{}", lists[0]);
        // 24 of 25 frames are 28 of 30. The second piece is the file's second 40.0008: 1199 frames on.
        assert_eq!(&events[0][29..52], "10:00:59;28 10:01:39;29", "{}", lists[0]);
        assert_eq!(&events[1][29..40], "10:01:39;29", "{}", lists[0]);
        let other = event("b.mp4", at("10:00:00:00", FrameRate::FPS_50), 25, 50);
        assert!(edl("b", Channel::Sound, start, &[other]).is_err());
    }

    #[test]
    fn reels_differ_and_long_lists_are_split() {
        let rate = FrameRate::FPS_25;
        let source = at("00:00:00:00", rate);
        let conformed = [event("REC_0003.on-timeline.wav", source, 0, 10)];
        assert!(edl("c", Channel::Sound, source, &conformed).unwrap()[0].contains("001  REC0003  AA "));
        let names = ["x/ax.mov", "y/CAMERA_A_0001.MP4", "z/CAMERA_B_A0001.MP4", "ä.mov", "ö\n001 X.mov"];
        let events: Vec<Event> = (0..1200).map(|i| event(names[i % 5], source, i as i64 * 10, 10)).collect();
        let lists = edl("many", Channel::Picture, source, &events).unwrap();
        assert_eq!(lists.len(), 2);
        let cuts = |list: &str| list.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())).count();
        assert_eq!((cuts(&lists[0]), cuts(&lists[1])), (999, 201));
        let reels: HashSet<&str> =
            lists[0].lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())).map(|l| &l[5..13]).collect();
        assert_eq!(reels.len(), 5);
        assert!(!reels.contains("AX      "));
    }

    #[test]
    fn refuses_events_that_do_not_fit() {
        let source = at("00:00:00:00", FrameRate::FPS_25);
        for events in [
            vec![event("a", source, 0, 0)],
            vec![event("a", source, -1, 5)],
            vec![event("a", source, 0, 5), event("a", source, 4, 5)],
            vec![Event { dissolve: 2, ..event("a", source, 0, 5) }],
            vec![event("a", source, 0, 5), Event { dissolve: 2, ..event("a", source, 6, 5) }],
            vec![event("a", source, 0, 5), Event { dissolve: 6, ..event("a", source, 5, 5) }],
            vec![event("a", source, 0, 5), Event { dissolve: -1, ..event("a", source, 5, 5) }],
            vec![event("a", source, 0, 900), Event { dissolve: 256, ..event("a", source, 900, 900) }],
        ] {
            assert!(edl("t", Channel::Picture, source, &events).is_err());
        }
    }
}
