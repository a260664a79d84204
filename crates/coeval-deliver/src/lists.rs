//! Markers and chapters as lists: CSV for tables, WebVTT for players.

use std::fmt::Write;

use coeval_shoot::Alignment;
use coeval_shoot::alignment::{File, Photo, Recording};
use coeval_shoot::clock_time_ms;

use crate::layout::{Content, Layout, Piece};
use crate::timecode::{FrameRate, Timecode};

/// Something worth finding again on the timeline.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Mark {
    /// Where it begins on the timeline, seconds.
    pub at_s: f64,
    /// How long it is, seconds; 0 for a moment.
    pub length_s: f64,
    /// What it is in one word: `clap`, `speech`, `anchor`, `chapter`, `photo`, ...
    pub kind: String,
    /// What a person would call it.
    pub name: String,
    /// The file it was found in, if it belongs to one.
    pub file: Option<String>,
    /// Where it is in that file, seconds of presentation time.
    pub file_s: Option<f64>,
    /// The frame of the timeline at which a piece of that file begins there, where one does: [`on_frames`]. `None`: the
    /// frame that it falls in.
    pub frame: Option<i64>,
}

impl Mark {
    /// The frame of the timeline that bears it: every list and page says this one. A moment that rounding put a hair before
    /// its frame is in the frame.
    pub fn frame(&self, rate: FrameRate) -> i64 {
        self.frame.unwrap_or_else(|| (rate.frames(self.at_s) + 1e-6).floor() as i64)
    }
}

/// Something in a file that is worth a mark.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Moment {
    /// The file's name in the alignment.
    pub file: String,
    /// Where it begins, seconds of the file's presentation time.
    pub file_s: f64,
    /// How long it is, seconds; 0 for a moment.
    pub length_s: f64,
    /// As in [`Mark::kind`].
    pub kind: String,
    /// What a person would call it; empty: its kind, who recorded it, and whether others could have.
    pub name: String,
}

/// Moments of one kind and name in different recordings that lie no further apart than this are one, seconds. Sound
/// takes 29 ms for ten metres, and the claps of a series come further apart.
const ONE_S: f64 = 0.05;

/// What is worth finding again, in order of time: where each placed file of an alignment lies (`clip`), its jumps
/// (`jump`), its photos (`photo`), and `moments`. A moment that several recordings hold is marked once, where it was heard first; one in a
/// file without a place is left out. Of several events the first counts.
pub fn marks(alignment: &Alignment, moments: &[Moment]) -> Vec<Mark> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let mut marks = heard(alignment, moments);
    for (recording, file) in alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f))) {
        let Some(map) = file.map() else { continue };
        marks.extend(clip(file, format!("{}: {}", recording.id, file.path)));
        marks.extend(file.jumps.iter().map(|jump| {
            let what = if jump.lost_s >= 0.0 { "lost" } else { "repeated" };
            Mark {
                // Where the sound goes on after it.
                at_s: map.forward(jump.file_s),
                length_s: 0.0,
                kind: "jump".to_owned(),
                name: format!("{} {what} {:.0} ms of sound", file.path, jump.lost_s.abs() * 1e3),
                file: Some(file.path.clone()),
                file_s: Some(jump.file_s),
                frame: None,
            }
        }));
    }
    marks.extend(alignment.photos.iter().filter_map(photo));
    marks.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    marks
}

/// A photo lies where its time puts it, which says how well that is known.
fn photo(photo: &Photo) -> Option<Mark> {
    let about_s = photo.uncertainty_s.unwrap_or(0.0);
    Some(Mark {
        at_s: photo.timeline_s?,
        length_s: 0.0,
        kind: "photo".to_owned(),
        name: format!("photo {}, by its time, to within about {about_s:.1} s", photo.path),
        file: Some(photo.path.clone()),
        file_s: None,
        frame: None,
    })
}

/// Moments on the timeline, each once.
fn heard(alignment: &Alignment, moments: &[Moment]) -> Vec<Mark> {
    let mut placed: Vec<(f64, &str, &Moment)> = moments
        .iter()
        .filter_map(|moment| {
            let recording = alignment.recordings.iter().find(|r| r.files.iter().any(|f| f.path == moment.file))?;
            let at_s = alignment.map(&moment.file)?.forward(moment.file_s);
            Some((at_s, recording.id.as_str(), moment))
        })
        .collect();
    placed.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut marks: Vec<(Mark, Vec<&str>)> = Vec::new();
    for (at_s, recording, moment) in placed {
        let same = marks
            .iter_mut()
            .rev()
            .take_while(|(mark, _)| at_s - mark.at_s <= ONE_S)
            .find(|(mark, by)| mark.kind == moment.kind && mark.name == moment.name && !by.contains(&recording));
        match same {
            Some((mark, by)) => {
                mark.length_s = mark.length_s.max(moment.length_s);
                by.push(recording);
            }
            None => marks.push((
                Mark {
                    at_s,
                    length_s: moment.length_s,
                    kind: moment.kind.clone(),
                    name: moment.name.clone(),
                    file: Some(moment.file.clone()),
                    file_s: Some(moment.file_s),
                    frame: None,
                },
                vec![recording],
            )),
        }
    }
    let in_a_row = |names: &[&str]| match names {
        [most @ .., last] if !most.is_empty() => format!("{} and {last}", most.join(", ")),
        _ => names.join(", "),
    };
    let ran = |recording: &Recording, at_s: f64| {
        let mut maps = recording.files.iter().filter_map(File::map);
        maps.any(|m| m.knots()[0].1 <= at_s && at_s <= m.knots()[m.knots().len() - 1].1)
    };
    let named = |(mut mark, by): (Mark, Vec<&str>)| {
        if mark.name.is_empty() {
            // What is loud enough to be found once is often a knock at that one microphone, or a word's first letter.
            let alone = by.len() == 1 && alignment.recordings.iter().any(|r| r.id != by[0] && ran(r, mark.at_s));
            mark.name = match alone {
                true => format!("possible {}, in {} only", mark.kind, by[0]),
                false => format!("{} in {}", mark.kind, in_a_row(&by)),
            };
        }
        mark
    };
    marks.into_iter().map(named).collect()
}

/// Marks as captions: a clip's only where it begins, so that none covers the others.
pub fn captions(marks: &[Mark]) -> Vec<Mark> {
    let short = |mark: &Mark| Mark { length_s: if mark.kind == "clip" { 0.0 } else { mark.length_s }, ..mark.clone() };
    marks.iter().map(short).collect()
}

/// The clips of the reference recording as chapters for a player: none reaches into the next.
pub fn chapters(alignment: &Alignment) -> Vec<Mark> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let clock = alignment.recording(&alignment.timeline.clock);
    let mut marks: Vec<Mark> = clock.iter().flat_map(|r| &r.files).filter_map(|f| clip(f, f.path.clone())).collect();
    marks.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    for i in 1..marks.len() {
        marks[i - 1].length_s = marks[i - 1].length_s.min(marks[i].at_s - marks[i - 1].at_s);
    }
    marks
}

fn clip(file: &File, name: String) -> Option<Mark> {
    let map = file.map()?;
    let (from, to) = (map.knots()[0], map.knots()[map.knots().len() - 1]);
    Some(Mark {
        at_s: from.1,
        length_s: to.1 - from.1,
        kind: "clip".to_owned(),
        name,
        file: Some(file.path.clone()),
        file_s: Some(from.0),
        frame: None,
    })
}

/// Puts marks of clips and jumps on the frames at which the layout begins their pieces, so that a list of marks and the edit
/// lists say one timecode: clips are laid on the nearest frame, which may be the one after that in which they start.
pub fn on_frames(marks: &mut [Mark], layout: &Layout) {
    // Picture where there is any: it is what an editor looks at.
    let mut tracks: Vec<_> = layout.tracks.iter().collect();
    tracks.sort_by_key(|t| t.content != Content::Picture);
    for mark in marks.iter_mut().filter(|m| m.at_s.is_finite()) {
        let Some(path) = mark.file.as_deref() else { continue };
        let pieces = || tracks.iter().flat_map(|t| &t.pieces).filter(|p| p.path == path);
        let exact = layout.rate.frames(mark.at_s);
        let beside = |p: &&Piece| (p.start as f64 - exact).abs() <= 1.0;
        mark.frame = match mark.kind.as_str() {
            "clip" => pieces().next().map(|p| p.start),
            "jump" => pieces().find(beside).map(|p| p.start),
            _ => None,
        };
    }
}

/// Marks as CSV (RFC 4180): a header line, then one line a mark in the order given.
///
/// Columns: `timeline_s` and `length_s` in seconds to a tenth of a millisecond, `timecode` of the
/// timeline frame that bears the mark ([`Mark::frame`]; `start` is the timecode of timeline zero), `kind`, `name`,
/// `file`, `file_s`. A mark at a time that is not a finite number is left out. Control characters of names are spaces, and
/// a name that a spreadsheet would take for a formula has an apostrophe before it, as is common practice.
pub fn marks_csv(marks: &[Mark], start: Timecode) -> String {
    let mut text = String::from("timeline_s,length_s,timecode,kind,name,file,file_s\r\n");
    for mark in marks.iter().filter(|m| m.at_s.is_finite()) {
        let timecode = start.plus(mark.frame(start.rate()));
        // Writing to a String cannot fail.
        let _ = write!(
            text,
            "{:.4},{:.4},{timecode},{},{},{},{}\r\n",
            mark.at_s,
            mark.length_s,
            quoted(&mark.kind),
            quoted(&mark.name),
            quoted(mark.file.as_deref().unwrap_or_default()),
            mark.file_s.map(|s| format!("{s:.4}")).unwrap_or_default(),
        );
    }
    text
}

/// A field of CSV: in quotes where it needs them, quotes doubled.
fn quoted(field: &str) -> String {
    let mut field: String = field.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if field.starts_with(['=', '+', '-', '@']) {
        field.insert(0, '\'');
    }
    if field.contains([',', '"', '\r', '\n']) || field.starts_with(' ') || field.ends_with(' ') {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field
    }
}

/// Marks as WebVTT (W3C, *WebVTT: The Web Video Text Tracks Format*, section 4), one cue each, in
/// order of time. A moment is shown for `shortest_s`. What lies before zero is left out.
///
/// For chapters give marks whose lengths reach from one chapter to the next: cues of a chapter track
/// must not overlap.
pub fn marks_webvtt(marks: &[Mark], shortest_s: f64) -> String {
    let mut marks: Vec<&Mark> = marks.iter().filter(|m| m.at_s.is_finite() && m.at_s >= 0.0).collect();
    marks.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut text = String::from("WEBVTT\n");
    for mark in marks {
        let from_ms = milliseconds(mark.at_s);
        // A cue's end must be after its start.
        let to_ms = milliseconds(mark.at_s + mark.length_s.max(shortest_s)).max(from_ms + 1);
        let name = if mark.name.is_empty() { &mark.kind } else { &mark.name };
        let _ = write!(text, "\n{} --> {}\n{}\n", timestamp(from_ms), timestamp(to_ms), cue_text(name));
    }
    text
}

fn milliseconds(seconds: f64) -> u64 {
    // A cast from float saturates.
    (seconds * 1000.0).round() as u64
}

fn timestamp(ms: u64) -> String {
    // Captions have two digits of hours at the least.
    format!("{:0>12}", clock_time_ms(ms))
}

/// One line of cue text: markup and the arrow are escaped, a line break becomes a space.
fn cue_text(text: &str) -> String {
    let line: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let escaped = line.trim().replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    if escaped.is_empty() { "-".to_owned() } else { escaped }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::timecode::FrameRate;
    use proptest::prelude::*;

    fn mark(at_s: f64, length_s: f64, kind: &str, name: &str) -> Mark {
        Mark { at_s, length_s, kind: kind.into(), name: name.into(), ..Mark::default() }
    }

    #[test]
    fn csv_has_timecode_and_quotes() {
        let marks = [
            Mark { file: Some("a, b.mov".into()), file_s: Some(1.5), ..mark(60.06, 0.0, "clap", "three \"claps\"") },
            mark(f64::NAN, 0.0, "clap", "nowhere"),
            mark(0.04 * 3.0, 2.0, "speech", ""),
        ];
        let start = Timecode::parse("01:00:00;00", FrameRate::FPS_29_97).unwrap();
        assert_eq!(
            marks_csv(&marks[..2], start),
            "timeline_s,length_s,timecode,kind,name,file,file_s\r\n\
             60.0600,0.0000,01:01:00;02,clap,\"three \"\"claps\"\"\",\"a, b.mov\",1.5000\r\n"
        );
        let start = Timecode::parse("01:00:00:00", FrameRate::FPS_25).unwrap();
        assert!(marks_csv(&marks[2..], start).ends_with("0.1200,2.0000,01:00:00:03,speech,,,\r\n"));
    }

    /// A clip that starts late in a frame is laid on the next one: every list says that one.
    #[test]
    fn marks_of_clips_and_jumps_say_what_the_edit_lists_say() {
        let mut alignment = crate::layout::tests::example();
        // 30.02 s are 899.7 frames.
        alignment.recordings[0].files[0].knots = vec![[0.0, 30.02], [40.0, 70.02], [40.0, 70.503], [100.0, 130.503]];
        let layout = Layout::of(&alignment).unwrap();
        let start = Timecode::parse("01:00:00;00", FrameRate::FPS_29_97).unwrap();
        let mut marks = marks(&alignment, &[]);
        let cut_off: Vec<i64> = marks.iter().map(|m| m.frame(layout.rate)).collect();
        on_frames(&mut marks, &layout);
        let lists =
            layout.tracks.iter().map(|t| crate::edl::to_edl(&alignment, &layout, t, "t", start, &[]).unwrap().concat());
        // Number, reel, track, cut, source in and out, record in and out.
        let begins: Vec<String> = lists
            .flat_map(|text| {
                text.lines().filter_map(|l| l.split_whitespace().nth(6).map(str::to_owned)).collect::<Vec<_>>()
            })
            .collect();
        for mark in &marks {
            let timecode = start.plus(mark.frame(layout.rate)).to_string();
            assert!(begins.contains(&timecode), "{} at {timecode} is not in {begins:?}", mark.name);
        }
        let found: Vec<(&str, i64)> = marks.iter().map(|m| (m.kind.as_str(), m.frame(layout.rate))).collect();
        assert_eq!(found, [("clip", 1), ("clip", 360), ("clip", 900), ("jump", 2113), ("clip", 2790)]);
        assert_eq!(cut_off, [0, 360, 899, 2112, 2790], "the frames they fall in");
    }

    #[test]
    fn webvtt_is_sorted_escaped_and_never_empty() {
        let marks = [
            mark(3599.9996, 10.0, "chapter", "Second <leg> & \nback --> port"),
            mark(1.0, 0.0, "clap", ""),
            mark(-1.0, 0.0, "clap", "before"),
        ];
        assert_eq!(
            marks_webvtt(&marks, 0.5),
            "WEBVTT\n\n00:00:01.000 --> 00:00:01.500\nclap\n\n\
             01:00:00.000 --> 01:00:10.000\nSecond &lt;leg&gt; &amp;  back --&gt; port\n"
        );
        assert!(marks_webvtt(&[mark(1.0, 0.0, "", "")], 0.0).contains("00:00:01.000 --> 00:00:01.001\n-\n"));
    }

    #[test]
    fn what_several_recordings_heard_is_marked_once_where_it_was_first() {
        let alignment = crate::layout::tests::example();
        let moment =
            |file: &str, file_s: f64| Moment { file: file.into(), file_s, kind: "clap".into(), ..Moment::default() };
        // cam-a's first file lies at 12.012 s, cam-b's at 30.003 s, the recorder at 0.01 s and 50 ppm slow.
        let moments = [
            moment("b/C 1.MP4", 10.005),
            moment("A_1.MOV", 28.001),
            moment("R.FLAC", 39.991),
            // Claps of a series stay apart, in one recording at any distance.
            moment("A_1.MOV", 28.301),
            moment("A_1.MOV", 28.321),
            moment("X.MP4", 1.0),
        ];
        let marks = marks(&alignment, &moments);
        let claps: Vec<&Mark> = marks.iter().filter(|m| m.kind == "clap").collect();
        assert_eq!(claps.len(), 3, "{claps:?}");
        assert_eq!(claps[0].name, "clap in rec-1, cam-b and cam-a");
        assert_eq!(claps[1].name, "possible clap, in cam-a only");
        assert_eq!((claps[0].file.as_deref(), claps[0].file_s), (Some("R.FLAC"), Some(39.991)));
        assert!((claps[0].at_s - (0.01 + 39.991 * 1.000_05)).abs() < 1e-9);
        assert!((claps[1].at_s - 40.313).abs() < 1e-9 && (claps[2].at_s - 40.333).abs() < 1e-9);
        assert!(marks.windows(2).all(|w| w[0].at_s <= w[1].at_s));
        assert!(captions(&marks).iter().all(|m| m.length_s == 0.0));
    }

    #[test]
    fn a_name_is_no_formula_and_no_command() {
        let start = Timecode::parse("00:00:00:00", FrameRate::FPS_25).unwrap();
        let csv = marks_csv(&[mark(1.0, 0.0, "clap", "=1+1"), mark(2.0, 0.0, "clap", "\u{1b}[31mred\u{9b}")], start);
        assert!(csv.contains(",'=1+1,") && csv.contains(",\" [31mred \","), "{csv}");
        assert!(!csv.contains(['\u{1b}', '\u{9b}']));
    }

    proptest! {
        #[test]
        fn any_name_stays_in_its_field(name in ".{0,20}", at_s in 0.0..1e5f64) {
            let marks = [mark(at_s, 0.0, "note", &name)];
            let vtt = marks_webvtt(&marks, 1.0);
            prop_assert_eq!(vtt.lines().count(), 4);
            prop_assert_eq!(vtt.matches("-->").count(), 1);
            let start = Timecode::parse("00:00:00:00", FrameRate::FPS_25).unwrap();
            let csv = marks_csv(&marks, start);
            // Read back by the rules of RFC 4180.
            let mut fields = vec![String::new()];
            let mut inside = false;
            let row = csv.split_once("\r\n").unwrap().1.strip_suffix("\r\n").unwrap();
            for c in row.chars() {
                match c {
                    '"' => inside = !inside,
                    ',' if !inside => fields.push(String::new()),
                    _ => {}
                }
                if c != ',' || inside {
                    fields.last_mut().unwrap().push(c);
                }
            }
            prop_assert_eq!(fields.len(), 7);
            let field = &fields[4];
            let read = match field.strip_prefix('"').and_then(|f| f.strip_suffix('"')) {
                Some(inner) => inner.replace("\"\"", "\""),
                None => field.clone(),
            };
            let shown: String = name.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
            let is_formula = shown.starts_with(['=', '+', '-', '@']);
            prop_assert_eq!(read, if is_formula { format!("'{shown}") } else { shown });
        }
    }
}
