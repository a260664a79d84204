//! Markers and chapters as lists: CSV for tables, WebVTT for players.

use std::fmt::Write;

use coeval_shoot::Alignment;
use coeval_shoot::alignment::File;

use crate::timecode::Timecode;

/// Something worth finding again on the timeline.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Mark {
    /// Where it begins on the timeline, seconds.
    pub at_s: f64,
    /// How long it is, seconds; 0 for a moment.
    pub length_s: f64,
    /// What it is in one word: `clap`, `speech`, `anchor`, `chapter`, ...
    pub kind: String,
    /// What a person would call it.
    pub name: String,
    /// The file it was found in, if it belongs to one.
    pub file: Option<String>,
    /// Where it is in that file, seconds of presentation time.
    pub file_s: Option<f64>,
}

/// What an alignment holds that is worth finding again, in order of time: where each placed file lies (`clip`), and
/// its jumps (`jump`).
pub fn marks(alignment: &Alignment) -> Vec<Mark> {
    let mut marks = Vec::new();
    for (recording, file) in alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f))) {
        let Some(map) = file.map() else { continue };
        marks.extend(clip(file, format!("{}: {}", recording.id, file.path)));
        marks.extend(file.jumps.iter().map(|jump| {
            let what = if jump.lost_s >= 0.0 { "lost" } else { "repeated" };
            Mark {
                // Where the sound goes on after it.
                at_s: map.to_timeline(jump.file_s),
                length_s: 0.0,
                kind: "jump".to_owned(),
                name: format!("{} {what} {:.0} ms of sound", file.path, jump.lost_s.abs() * 1e3),
                file: Some(file.path.clone()),
                file_s: Some(jump.file_s),
            }
        }));
    }
    marks.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    marks
}

/// The clips of the timeline's clock as chapters for a player: none reaches into the next.
pub fn chapters(alignment: &Alignment) -> Vec<Mark> {
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
    })
}

/// Marks as CSV (RFC 4180): a header line, then one line a mark in the order given.
///
/// Columns: `timeline_s` and `length_s` in seconds to a tenth of a millisecond, `timecode` of the
/// timeline frame that the mark falls in (`start` is the timecode of timeline zero), `kind`, `name`,
/// `file`, `file_s`. A mark at a time that is not a finite number is left out.
pub fn marks_csv(marks: &[Mark], start: Timecode) -> String {
    let mut text = String::from("timeline_s,length_s,timecode,kind,name,file,file_s\r\n");
    for mark in marks.iter().filter(|m| m.at_s.is_finite()) {
        // A moment that rounding put a hair before its frame is in the frame.
        let timecode = start.plus((start.rate().frames(mark.at_s) + 1e-6).floor() as i64);
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
    if field.contains([',', '"', '\r', '\n']) || field.starts_with(' ') || field.ends_with(' ') {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
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
    format!("{:02}:{:02}:{:02}.{:03}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000)
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
            prop_assert_eq!(read, name);
        }
    }
}
