//! Results in words and columns.

use std::io::{self, Write};
use std::path::Path;

use coeval_deliver::handover::{Item, SoundProblem};
use coeval_shoot::Alignment;
use coeval_shoot::alignment::{AnchorCheck, File, Photo, Picture, Recording};

/// So many files that were removed are named.
const REMOVED: usize = 8;

/// Text from outside (a file's name) as one line, with control characters escaped.
pub(crate) fn printable(text: &str) -> String {
    text.chars().flat_map(|c| if is_obeyed(c) { c.escape_default().collect() } else { vec![c] }).collect()
}

/// JSON as text that a terminal shows and does not obey: what its own grammar leaves as it is, DEL and what lies beyond
/// ASCII, can stand in strings only, and is escaped there.
pub(crate) fn json(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\n' | '\t' | '\r' => safe.push(c),
            c if is_obeyed(c) => safe.push_str(&format!("\\u{:04x}", u32::from(c))),
            c => safe.push(c),
        }
    }
    safe
}

/// Would a terminal act on this character, or write backwards from it on?
fn is_obeyed(c: char) -> bool {
    c.is_control() || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A path for people.
pub(crate) fn path(path: &Path) -> String {
    printable(&path.display().to_string())
}

/// Prints each file, whether it is placed and why not, offset, drift, uncertainty and confidence. `extra` adds a
/// column: a heading for `None`, a cell for each file.
pub(crate) fn table(
    out: &mut dyn Write,
    alignment: &Alignment,
    extra: impl Fn(Option<&File>) -> Option<String>,
) -> io::Result<()> {
    let placed = alignment.files().filter(|f| f.is_placed()).count();
    let all = alignment.files().filter(|f| f.copy_of.is_none()).count();
    let copies = match alignment.files().count() - all {
        0 => String::new(),
        1 => "; 1 copy is not used".to_owned(),
        n => format!("; {n} copies are not used"),
    };
    let doubtful = match alignment.files().filter(|f| alignment.is_doubtful(f)).count() {
        0 => String::new(),
        n => format!(", {n} of them to be checked"),
    };
    let check = |f: &File| alignment.is_doubtful(f);
    if alignment.events.is_empty() {
        let words = timeline(&alignment.timeline.clock, alignment.timeline.duration_s);
        writeln!(out, "{placed} of {all} files placed{doubtful}{copies}; {words}\n")?;
        rows(out, alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f))), &check, &extra)?;
    } else {
        let events = &alignment.events;
        writeln!(out, "{placed} of {all} files placed{doubtful}{copies}; {} events that share no sound", events.len())?;
        let files = |number: Option<usize>| {
            let all = alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f)));
            all.filter(move |(_, f)| f.event_number() == number)
        };
        for event in events {
            let words = timeline(&event.clock, event.duration_s);
            writeln!(out, "\nEvent {}; {words}\n", event.event)?;
            rows(out, files(Some(event.event)), &check, &extra)?;
        }
        if files(None).next().is_some() {
            writeln!(out, "\nUnplaced\n")?;
            rows(out, files(None), &check, &extra)?;
        }
    }
    if !alignment.anchors.is_empty() {
        writeln!(out, "\nAnchors:")?;
        for anchor in &alignment.anchors {
            writeln!(out, "  {}", printable(&anchor_line(anchor)))?;
        }
    }
    photos(out, &alignment.photos)?;
    let notes: Vec<String> = alignment.files().flat_map(notes).collect();
    if !notes.is_empty() {
        writeln!(out, "\nNotes:")?;
        for note in notes {
            writeln!(out, "  {}", printable(&note))?;
        }
    }
    Ok(())
}

/// How many photos have a place, and why the others have none.
fn photos(out: &mut dyn Write, photos: &[Photo]) -> io::Result<()> {
    let marked = photos.iter().filter(|p| p.timeline_s.is_some()).count();
    if !photos.is_empty() {
        let about_s = photos.iter().filter_map(|p| p.uncertainty_s).fold(0.0, f64::max);
        let how = if marked > 0 { format!(", to within about {about_s:.1} s") } else { String::new() };
        writeln!(out, "\n{marked} of {} photos marked by the times in their files{how}", photos.len())?;
    }
    for (photo, reason) in photos.iter().filter_map(|p| Some((p, p.reason.as_ref()?))) {
        writeln!(out, "  {}: {}", printable(&photo.path), printable(reason))?;
    }
    Ok(())
}

fn timeline(clock: &str, duration_s: f64) -> String {
    format!("reference clock: {}; length: {duration_s:.3} s", printable(clock))
}

/// Files in columns.
fn rows<'a>(
    out: &mut dyn Write,
    files: impl Iterator<Item = (&'a Recording, &'a File)>,
    check: &impl Fn(&File) -> bool,
    extra: &impl Fn(Option<&File>) -> Option<String>,
) -> io::Result<()> {
    let mut rows = vec![Row {
        cells: ["recording", "file", "offset", "drift", "std. dev.", "confidence"].map(str::to_owned).to_vec(),
        tail: None,
    }];
    rows[0].cells.extend(extra(None));
    for (recording, file) in files {
        let mut cells = vec![printable(&recording.id), printable(&file.path)];
        let tail = if file.is_placed() {
            cells.extend([
                format!("{:.4} s", file.offset_s.unwrap_or(f64::NAN)),
                match file.picture.as_ref().map_or(1.0, Picture::speed) {
                    1.0 => format!("{:+.2} ppm", file.drift_ppm.unwrap_or(f64::NAN)),
                    slower if slower < 1.0 => format!("{:.1} x slower", 1.0 / slower),
                    faster => format!("{faster:.1} x faster"),
                },
                format!("{:.2} ms", file.uncertainty_s.unwrap_or(f64::NAN) * 1e3),
                percent(file.confidence.unwrap_or(f64::NAN)),
            ]);
            cells.extend(extra(Some(file)));
            let sound = file.better_sound_of.as_ref().map(|clip| format!("better sound of {}", printable(clip)));
            let words: Vec<String> = check(file).then(|| "to be checked".to_owned()).into_iter().chain(sound).collect();
            (!words.is_empty()).then(|| words.join("; "))
        } else if let Some(original) = &file.copy_of {
            Some(format!("copy of {}", printable(original)))
        } else {
            Some(format!("unplaced: {}", printable(file.reason.as_deref().unwrap_or("no reason given"))))
        };
        rows.push(Row { cells, tail });
    }
    let columns = rows.iter().map(|r| r.cells.len()).max().unwrap_or(0);
    let width = |column: usize| rows.iter().filter_map(|r| r.cells.get(column)).map(|c| c.chars().count()).max();
    let widths: Vec<usize> = (0..columns).map(|c| width(c).unwrap_or(0)).collect();
    for row in &rows {
        let mut line = String::new();
        for (column, (cell, &width)) in row.cells.iter().zip(&widths).enumerate() {
            // Names to the left, numbers to the right.
            if column < 2 {
                line.push_str(&format!("{cell:width$}  "));
            } else {
                line.push_str(&format!("{cell:>width$}  "));
            }
        }
        line.push_str(row.tail.as_deref().unwrap_or(""));
        writeln!(out, "{}", line.trim_end())?;
    }
    Ok(())
}

/// Lines of their own after the table.
pub(crate) fn lines(out: &mut dyn Write, lines: &[String]) -> io::Result<()> {
    if !lines.is_empty() {
        writeln!(out)?;
    }
    lines.iter().try_for_each(|line| writeln!(out, "{}", printable(line)))
}

/// Names of an earlier result's files that are gone because the alignment has changed.
pub(crate) fn removed(err: &mut dyn Write, names: &[&str]) -> io::Result<()> {
    if names.is_empty() {
        return Ok(());
    }
    let few: Vec<String> = names.iter().take(REMOVED).map(|n| printable(n)).collect();
    let more = if names.len() > REMOVED { format!(" and {} more", names.len() - REMOVED) } else { String::new() };
    writeln!(
        err,
        "coeval: removed, because the alignment has changed: {}{more}; run again without --only to write them again",
        few.join(", ")
    )
}

/// Names and sizes of files to write or written.
pub(crate) fn items(out: &mut dyn Write, items: &[Item]) -> io::Result<()> {
    let width = items.iter().map(|i| printable(&i.name).chars().count()).max().unwrap_or(0);
    for item in items {
        let name = printable(&item.name);
        match item.bytes {
            Some(bytes) => writeln!(out, "  {name:width$}  {:>8}", size(bytes))?,
            None => writeln!(out, "  {name}")?,
        }
    }
    Ok(())
}

/// Bytes for people.
fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{} kB", bytes.div_ceil(1000)),
        1_000_000..10_000_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        _ => format!("{:.1} GB", bytes as f64 / 1e9),
    }
}

/// What could not be made; `true` if that is nothing.
pub(crate) fn problems(err: &mut dyn Write, problems: &[SoundProblem]) -> io::Result<bool> {
    for problem in problems {
        let what = match &problem.error {
            Some(e) => format!("was not written: {e}"),
            None => format!(
                "{} samples were above full scale and were clipped; use --bit-depth 32 or a lower --camera-level",
                problem.clipped
            ),
        };
        writeln!(err, "coeval: {}: {}", printable(&problem.name), printable(&what))?;
    }
    Ok(problems.iter().all(|t| t.error.is_none()))
}

struct Row {
    cells: Vec<String>,
    tail: Option<String>,
}

fn anchor_line(anchor: &AnchorCheck) -> String {
    let force = if anchor.hard { "hard" } else { "soft" };
    let sound = match anchor.disagreement_s {
        Some(off) if anchor.contradicted => format!(
            "the sound contradicts it: it puts the first moment {:.3} s {} than the second",
            off.abs(),
            if off < 0.0 { "earlier" } else { "later" }
        ),
        Some(off) => format!("the sound agrees within {:.3} s", off.abs()),
        None => "the sound gives no evidence".to_owned(),
    };
    let used = if anchor.used { "used" } else { "not used" };
    format!("{} {:.3} s = {} {:.3} s, {force}, {used}; {sound}", anchor.a, anchor.a_s, anchor.b, anchor.b_s)
}

fn notes(file: &File) -> Vec<String> {
    let jumps = file.jumps.iter().map(|j| {
        let what = if j.lost_s >= 0.0 { "lost" } else { "repeated" };
        format!("{}: {what} {:.1} ms of sound at {:.2} s of the file", file.path, j.lost_s.abs() * 1e3, j.file_s)
    });
    jumps.chain(file.warnings.iter().map(|w| format!("{}: {w}", file.path))).collect()
}

/// A probability without rounding it up to certainty.
fn percent(p: f64) -> String {
    if p > 0.9999 { "> 99.99 %".to_owned() } else { format!("{:.2} %", (p * 1e4).floor() / 100.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_steer_the_terminal() {
        assert_eq!(printable("a\u{1b}[31m\nb"), "a\\u{1b}[31m\\nb");
        assert_eq!(printable("a\u{202e}b"), "a\\u{202e}b");
        assert_eq!(json("{\n\"a\": \"\u{9b}31m\u{7f}\u{e9}\"}"), "{\n\"a\": \"\\u009b31m\\u007f\u{e9}\"}");
    }

    #[test]
    fn certainty_is_never_claimed() {
        assert_eq!(percent(1.0), "> 99.99 %");
        assert_eq!(percent(0.99987), "99.98 %");
        assert_eq!(percent(0.5), "50.00 %");
    }
}
