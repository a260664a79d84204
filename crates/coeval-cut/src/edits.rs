//! The edit list: a plan as text that a person can change.
//!
//! One line an entry, from the first moment to the last: `show FROM TO CAMERA` (`-` for none),
//! `pass FROM TO CAMERA SPEEDx`, `drop FROM TO`; times are `H:MM:SS.mmm` on the full timeline. `dissolve N` after the
//! camera dissolves into it over N frames. What follows a `|` is the reason.

use std::fmt::Write;

use coeval::{Error, ErrorKind, Result};
use coeval_shoot::alignment::File;
use coeval_shoot::{Alignment, Kind, one_line};

use crate::tighten::{EditAction, Entry, Plan};

/// The first word of an edit list, with its version.
const HEADER: &str = "coeval edit list 1";

/// An edit list of ten thousand entries has a tenth of it, bytes.
pub const LARGEST_LIST: u64 = 1 << 24;
/// A camera may be missing for so long within a shot, seconds: between chapters, and at parts of frames (own target).
const UNSEEN_S: f64 = 0.5;

/// A plan as text: one line an entry, from the first moment to the last.
///
/// `show FROM TO CAMERA` (`-` for none), `pass FROM TO CAMERA SPEEDx`, `drop FROM TO`; times are `H:MM:SS.mmm` on the
/// full timeline. `dissolve N` after the camera dissolves into it over N frames. What follows a `|` is the reason.
pub fn edit_list(plan: &Plan) -> String {
    let mut text = format!(
        "{HEADER}\n\
         # Each line is a stretch of the full timeline, and what to do with it: show, pass (speed up), drop.\n\
         # Change, split or join lines; each must start where the previous one ends. Then: coeval tighten RESULTS --edits FILE\n\
         rate {}/{}\n",
        plan.frame_rate[0], plan.frame_rate[1]
    );
    for note in &plan.notes {
        let _ = writeln!(text, "note {}", trimmed(note));
    }
    for e in &plan.entries {
        let (from, to) = (plan.clock(e.from), plan.clock(e.to));
        let camera = e.camera.as_deref().map_or("-".to_owned(), quoted);
        // Writing to a String cannot fail.
        let _ = match e.action {
            EditAction::Show => write!(text, "show {from} {to} {camera}"),
            EditAction::Pass(speed) => write!(text, "pass {from} {to} {camera} {speed}x"),
            EditAction::Drop => write!(text, "drop {from} {to}"),
        };
        if e.dissolve > 0 {
            let _ = write!(text, " dissolve {}", e.dissolve);
        }
        let _ = writeln!(text, " | {}", trimmed(&e.reason));
    }
    text
}

fn trimmed(text: &str) -> String {
    one_line(text).trim().to_owned()
}

/// A camera's id as one word: what would be taken for something else is written as `%XX`.
fn quoted(camera: &str) -> String {
    match camera {
        // By itself it stands for none.
        "-" => "%2D".to_owned(),
        _ => camera.bytes().fold(String::new(), |mut word, b| {
            if b.is_ascii_graphic() && !b"%|#".contains(&b) {
                word.push(char::from(b));
            } else {
                let _ = write!(word, "%{b:02X}");
            }
            word
        }),
    }
}

fn unquoted(word: &str) -> Option<String> {
    let mut bytes = Vec::new();
    let mut rest = word.as_bytes();
    while let Some((&b, after)) = rest.split_first() {
        rest = after;
        if b == b'%' {
            let hex = std::str::from_utf8(rest.get(..2)?).ok()?;
            bytes.push(u8::from_str_radix(hex, 16).ok()?);
            rest = &rest[2..];
        } else {
            bytes.push(b);
        }
    }
    String::from_utf8(bytes).ok()
}

/// 1 to 1000 fps.
fn is_frame_rate([num, den]: [u32; 2]) -> bool {
    den > 0 && num >= den && u64::from(num) <= 1000 * u64::from(den)
}

/// Reads an [`edit_list`] back. Times are put on the nearest frame.
///
/// # Errors
/// [`Damaged`](ErrorKind::Damaged) with the number of the line and what is wrong with it.
pub fn read_edit_list(text: &str) -> Result<Plan> {
    read_lines(text).map(|(plan, _)| plan)
}

/// Reads an [`edit_list`] of this alignment back: its frame rate must be the timeline's, and its cameras must be there.
///
/// # Errors
/// As for [`read_edit_list`].
pub fn read_edit_list_of(text: &str, alignment: &Alignment) -> Result<Plan> {
    let (plan, lines) = read_lines(text)?;
    if plan.frame_rate != alignment.frame_rate() {
        let [num, den] = alignment.frame_rate();
        let number = text.lines().position(|l| l.trim().starts_with("rate")).map_or(1, |i| i + 1);
        return Err(Error::new(ErrorKind::Damaged, format!("line {number}: the timeline has {num}/{den} fps"))
            .with_remedy(
                "this list belongs to another alignment: run coeval tighten without --edits to write a new one",
            ));
    }
    let end_s = alignment.end_s();
    // The last frame may be a part of one; nobody is to count them.
    let end = ((end_s + 1.0) / plan.frame_s()).ceil() as i64;
    for (entry, line) in plan.entries.iter().zip(&lines) {
        if entry.to > end {
            let ends = (end_s / plan.frame_s()).ceil() as i64;
            let what = format!(
                "line {line}: it ends at {}, but the timeline ends at {}",
                plan.clock(entry.to),
                plan.clock(ends)
            );
            return Err(
                Error::new(ErrorKind::Damaged, what).with_remedy("correct the time, or use a list of this alignment")
            );
        }
    }
    if plan.entries.is_empty() && end_s > 0.0 {
        let what = format!("line {}: there is no entry", text.lines().count().max(1));
        return Err(
            Error::new(ErrorKind::Damaged, what).with_remedy("run coeval tighten without --edits to write a new one")
        );
    }
    let is_camera = |id: &str| alignment.recording(id).is_some_and(|r| r.kind == Kind::Camera);
    let frame_s = plan.frame_s();
    let ids = || alignment.recordings.iter().map(|r| r.id.as_str()).filter(|id| is_camera(id)).collect::<Vec<_>>();
    for (entry, line) in plan.entries.iter().zip(&lines) {
        if let Some(camera) = entry.camera.as_deref().filter(|c| !is_camera(c)) {
            return Err(Error::new(ErrorKind::Damaged, format!("line {line}: there is no camera called {camera:?}"))
                .with_remedy(match ids()[..] {
                    [] => "there is no camera; write - for none".to_owned(),
                    _ => format!("the cameras are {}; write - for none", ids().join(", ")),
                }));
        }
        let Some(camera) = entry.camera.as_deref().and_then(|id| alignment.recording(id)) else { continue };
        let ran = camera.files.iter().filter_map(File::map).map(|map| {
            let knots = map.knots();
            (knots[0].1, knots[knots.len() - 1].1)
        });
        let (from_s, to_s) = (entry.from as f64 * frame_s, entry.to as f64 * frame_s);
        if let Some((a, b)) = without(from_s, to_s, ran) {
            let clock = |s: f64| plan.clock((s / frame_s).round() as i64);
            let what = format!("line {line}: {} did not run from {} to {}", camera.id, clock(a), clock(b));
            return Err(Error::new(ErrorKind::Damaged, what)
                .with_remedy("choose a camera that ran, write `-` for none, or split the line"));
        }
    }
    // An entry less, or a last line cut off in its middle, is no wish: what goes is said by `drop`.
    if let (Some(last), Some(line)) = (plan.entries.last(), lines.last())
        && (last.to as f64) * plan.frame_s() < end_s - 1.0
    {
        let ends = plan.clock((end_s / plan.frame_s()).ceil() as i64);
        let what = format!("line {line}: the list ends at {}, but the timeline ends at {ends}", plan.clock(last.to));
        return Err(Error::new(ErrorKind::Damaged, what)
            .with_remedy(format!("to drop the rest, add `drop {} {ends}`", plan.clock(last.to))));
    }
    Ok(plan)
}

/// The first part of a stretch that none of `ran` covers, if it is longer than [`UNSEEN_S`].
fn without(from_s: f64, to_s: f64, ran: impl Iterator<Item = (f64, f64)>) -> Option<(f64, f64)> {
    let mut ran: Vec<(f64, f64)> = ran.collect();
    ran.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut at_s = from_s;
    for (start_s, end_s) in ran.into_iter().chain([(f64::INFINITY, f64::INFINITY)]) {
        let until_s = start_s.min(to_s);
        if until_s - at_s > UNSEEN_S {
            return Some((at_s, until_s));
        }
        at_s = at_s.max(end_s);
    }
    None
}

fn bad_line(line: usize, what: &str) -> Error {
    // A line may be as long as the file.
    let what: String = what.chars().take(300).collect();
    Error::new(ErrorKind::Damaged, format!("line {line}: {what}")).with_remedy(
        "write `show FROM TO CAMERA`, `pass FROM TO CAMERA 8x` or `drop FROM TO`, with times like 0:12:34.567",
    )
}

/// A plan, and the line of each entry.
fn read_lines(text: &str) -> Result<(Plan, Vec<usize>)> {
    let mut lines = text.lines().enumerate().map(|(i, l)| (i + 1, l.trim()));
    match lines.next() {
        Some((_, line)) if line.trim_start_matches('\u{feff}') == HEADER => {}
        other => return Err(bad_line(1, &format!("it is {:?}, not {HEADER:?}", other.map_or("", |l| l.1)))),
    }
    let mut plan = Plan { frame_rate: [0, 0], entries: Vec::new(), notes: Vec::new(), doubt_s: None };
    let mut numbers = Vec::new();
    for (number, line) in lines.filter(|l| !l.1.is_empty() && !l.1.starts_with('#')) {
        let bad = |what: String| bad_line(number, &what);
        let (statement, reason) = line.split_once('|').unwrap_or((line, ""));
        let mut words = statement.split_whitespace();
        match words.next().unwrap_or_default() {
            "note" => plan.notes.push(trimmed(&line["note".len()..])),
            "rate" => {
                let word = words.next().unwrap_or_default();
                let rate = word.split_once('/').and_then(|(n, d)| Some([n.parse().ok()?, d.parse().ok()?]));
                plan.frame_rate = rate
                    .filter(|rate| is_frame_rate(*rate) && plan.entries.is_empty())
                    .ok_or_else(|| bad(format!("{word:?} is not a frame rate, or comes after an entry")))?;
            }
            "show" | "pass" | "drop" if plan.frame_rate[0] == 0 => {
                return Err(bad("an entry comes before the frame rate".to_owned()));
            }
            verb @ ("show" | "pass" | "drop") => {
                let entry = read_entry(&plan, verb, &mut words).map_err(bad)?;
                plan.entries.push(Entry { reason: trimmed(reason), ..entry });
                numbers.push(number);
            }
            verb => return Err(bad(format!("{verb:?} is not show, pass or drop"))),
        }
    }
    if plan.frame_rate[0] == 0 {
        return Err(bad_line(text.lines().count().max(1), "there is no frame rate"));
    }
    plan.check().map_err(|e| Error::new(ErrorKind::Damaged, e.message().to_owned()))?;
    Ok((plan, numbers))
}

/// The entry that continues the plan, or what is wrong with it. `words`: what follows `verb`.
fn read_entry<'a>(plan: &Plan, verb: &str, words: &mut impl Iterator<Item = &'a str>) -> Result<Entry, String> {
    let mut moment = |what: &str| {
        let word = words.next().unwrap_or_default();
        let seconds = seconds(word).ok_or_else(|| format!("{what} {word:?} is not a time"))?;
        Ok::<i64, String>((seconds / plan.frame_s()).round() as i64)
    };
    let (from, to) = (moment("FROM")?, moment("TO")?);
    let mut entry = Entry::new(from, to, EditAction::Drop, None);
    if verb != "drop" {
        let word = words.next().ok_or("the camera is missing")?;
        if word != "-" {
            entry.camera = Some(unquoted(word).ok_or_else(|| format!("{word:?} is not a camera"))?);
        }
        entry.action = EditAction::Show;
    }
    if verb == "pass" {
        let word = words.next().unwrap_or_default();
        let speed = word.strip_suffix('x').and_then(|s| s.parse().ok()).filter(|s| (2..=100).contains(s));
        entry.action = EditAction::Pass(speed.ok_or_else(|| format!("{word:?} is not a speed from 2x to 100x"))?);
    }
    match (words.next(), words.next(), words.next()) {
        (None, ..) => {}
        (Some("dissolve"), Some(n), None) if verb != "drop" => {
            let frames = n.parse().ok().filter(|n| (0..=entry.shown_frames()).contains(n));
            entry.dissolve = frames.ok_or_else(|| format!("a dissolve of {n:?} frames does not fit"))?;
        }
        (Some(word), ..) => return Err(format!("{word:?} does not belong here")),
    }
    if entry.to <= entry.from {
        return Err("it ends before it starts".to_owned());
    }
    let at = plan.entries.last().map_or(0, |e| e.to);
    if entry.from != at {
        return Err(format!("it starts at {}, but the previous one ends at {}", plan.clock(from), plan.clock(at)));
    }
    Ok(entry)
}

/// `H:MM:SS.mmm`, no longer than a hundred hours.
fn seconds(text: &str) -> Option<f64> {
    let parts: Vec<&str> = text.split(':').collect();
    let [h, m, s] = parts[..] else { return None };
    let whole =
        |t: &str, below: u32| t.parse::<u32>().ok().filter(|n| *n < below && t.bytes().all(|b| b.is_ascii_digit()));
    let (h, m) = (whole(h, 100)?, whole(m, 60)?);
    let s: f64 = s.bytes().all(|b| b.is_ascii_digit() || b == b'.').then(|| s.parse().ok())??;
    (s < 60.0).then_some(f64::from(h) * 3600.0 + f64::from(m) * 60.0 + s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::shoot;
    use proptest::prelude::*;

    fn entry(from: i64, to: i64, action: EditAction, camera: Option<&str>) -> Entry {
        let reason = "speech (local); why".into();
        Entry { reason, ..Entry::new(from, to, action, camera.map(str::to_owned)) }
    }

    fn some_plan() -> Plan {
        let mut entries = vec![
            entry(0, 300, EditAction::Drop, None),
            entry(300, 900, EditAction::Show, Some("cam a|#%")),
            entry(900, 1500, EditAction::Pass(8), Some("-")),
            entry(1500, 1501, EditAction::Show, None),
        ];
        entries[1].dissolve = 12;
        Plan { frame_rate: [30_000, 1001], entries, notes: vec!["the target was 13 min".into()], doubt_s: None }
    }

    #[test]
    fn an_edit_list_comes_back() {
        let text = edit_list(&some_plan());
        assert_eq!(read_edit_list(&text).unwrap(), some_plan());
        assert!(
            text.contains("show 0:00:10.010 0:00:30.030 cam%20a%7C%23%25 dissolve 12 | speech (local); why"),
            "{text}"
        );
    }

    #[test]
    fn a_malformed_edit_list_is_refused_with_its_line() {
        let good = edit_list(&some_plan());
        let line = |n: usize| good.lines().nth(n - 1).unwrap().to_owned();
        assert!(line(7).starts_with("show") && line(9).starts_with("show"), "{good}");
        for (number, with, says) in [
            (1, "something else", "line 1"),
            (4, "rate 30/0", "line 4: \"30/0\" is not a frame rate"),
            (6, "keep 0:00:00.000 0:00:10.010", "line 6: \"keep\""),
            (6, "drop 0:00:00.000", "line 6: TO"),
            (6, "drop 0:00:00.000 0:00:99.000", "line 6: TO \"0:00:99.000\" is not a time"),
            (6, "drop 0:00:00.000 9:99:00", "line 6: TO \"9:99:00\" is not a time"),
            (6, "drop 0:00:00.000 1:75", "line 6: TO \"1:75\" is not a time"),
            (6, "drop 0:00:00.000 0:00:09.000", "line 7: it starts at"),
            (6, "drop 0:00:10.000 0:00:01.000", "line 6: it ends before"),
            (7, "show 0:00:10.010 0:00:30.030", "line 7: the camera is missing"),
            (7, "show 0:00:10.010 0:00:30.030 %zz", "line 7: \"%zz\" is not a camera"),
            (7, "show 0:00:10.010 0:00:30.030 a dissolve 700", "line 7: a dissolve"),
            (7, "show 0:00:10.010 0:00:30.030 a b", "line 7: \"b\""),
            (8, "pass 0:00:30.030 0:00:50.050 a 1x", "line 8: \"1x\" is not a speed"),
        ] {
            let text: Vec<String> = good
                .lines()
                .enumerate()
                .map(|(i, l)| if i + 1 == number { with.into() } else { l.to_owned() })
                .collect();
            let error = read_edit_list(&text.join("\n")).unwrap_err();
            assert_eq!(error.kind(), ErrorKind::Damaged);
            assert!(error.message().starts_with(says), "{error}, not {says}");
        }
        assert!(read_edit_list("").is_err());
        assert!(read_edit_list(HEADER).is_err());
        let refused = read_edit_list_of(&good, &shoot()).unwrap_err();
        assert_eq!(refused.message(), "line 7: there is no camera called \"cam a|#%\"");
        let refused = read_edit_list_of(&good.replace("rate 30000/1001", "rate 25/1"), &shoot()).unwrap_err();
        assert!(refused.message().starts_with("line 4: the timeline has 30000/1001"), "{refused}");
        // cam-b ran from 30.003 to 130.503 s.
        let of = |entries| read_edit_list_of(&edit_list(&Plan { entries, ..some_plan() }), &shoot());
        let show = |from, to| entry(from, to, EditAction::Show, Some("cam-b"));
        let drop = |from, to| entry(from, to, EditAction::Drop, None);
        assert!(of(vec![drop(0, 900), show(900, 3900), drop(3900, 5965)]).is_ok());
        let refused = of(vec![drop(0, 900), show(900, 4200), drop(4200, 5965)]).unwrap_err();
        assert_eq!(refused.message(), "line 7: cam-b did not run from 0:02:10.497 to 0:02:20.140");
        assert!(of(vec![show(0, 300), drop(300, 5965)]).unwrap_err().message().contains("did not run from 0:00:00"));
        // Cut off: what is missing is not meant to go.
        let refused = of(vec![drop(0, 900), show(900, 3900)]).unwrap_err();
        assert!(
            refused.message().starts_with("line 7: the list ends at 0:02:10.130, but the timeline ends at"),
            "{refused}"
        );
        assert!(refused.remedy().is_some_and(|r| r.contains("drop 0:02:10.130 ")), "{refused}");
    }

    #[test]
    fn a_list_that_leaves_the_timeline_is_refused_with_its_line() {
        let alignment = shoot();
        let list = |to: &str| format!("{HEADER}\nrate 30000/1001\nshow 0:00:00 0:01:00 -\ndrop 0:01:00 {to}\n");
        read_edit_list_of(&list("0:03:19"), &alignment).unwrap();
        let refused = read_edit_list_of(&list("1:03:19"), &alignment).unwrap_err();
        assert!(
            refused.message().starts_with("line 4: it ends at 1:03:18.995, but the timeline ends at 0:03:19.0"),
            "{refused}"
        );
        let empty = read_edit_list_of(&format!("{HEADER}\nrate 30000/1001\n"), &alignment).unwrap_err();
        assert!(empty.message().contains("no entry"), "{empty}");
        // A line may be as long as the file, an error may not.
        let long = format!("{HEADER}\nrate 30000/1001\nshow 0:00:00 {} -\n", "9".repeat(100_000));
        assert!(read_edit_list_of(&long, &alignment).unwrap_err().message().len() < 500);
    }

    prop_compose! {
        fn any_plan()(
            lengths in prop::collection::vec((1..400i64, 0..4u32, prop::option::of(0..2usize), 0..300i64), 1..30),
        ) -> Plan {
            let mut at = 0;
            let entries = lengths.into_iter().map(|(length, action, camera, dissolve)| {
                let action = match action { 0 => EditAction::Drop, 1 => EditAction::Pass(7), _ => EditAction::Show };
                let camera = camera.filter(|_| action != EditAction::Drop).map(|c| ["cam-a", "cam-b"][c]);
                at += length;
                let mut entry = entry(at - length, at, action, camera);
                entry.dissolve = dissolve.min(entry.shown_frames());
                entry
            }).collect();
            Plan { frame_rate: [30_000, 1001], entries, notes: vec![], doubt_s: None }
        }
    }

    proptest! {
        #[test]
        fn any_edit_list_comes_back(plan in any_plan()) {
            prop_assert_eq!(read_edit_list(&edit_list(&plan)).unwrap(), plan);
        }

        #[test]
        fn any_text_is_read_or_refused(text in ".{0,200}", cut in 0..400usize) {
            if let Ok(plan) = read_edit_list(&text) {
                prop_assert_eq!(read_edit_list(&edit_list(&plan)).unwrap(), plan);
            }
            let whole = edit_list(&some_plan());
            let _ = read_edit_list(whole.get(..cut.min(whole.len())).unwrap_or_default());
        }
    }
}
