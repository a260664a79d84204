//! A rough cut: a second, shorter timeline beside the full one, and a list that a person can change.
//!
//! ```text
//! edits.txt                   the cut as text: change it, and give it back with `--edits`
//! rough-cut.otio              the shorter timeline: the chosen angles, every camera (switched off), the sound
//! edl/angles.picture.edl      the chosen angles as an edit decision list; the others follow the same cuts
//! chapters.vtt                a chapter for every stretch that stays
//! rough-cut.html              the whole timeline as a strip: what goes, what stays, why
//! plan.json                   all of it as data, with gains, and the names of what was written
//! ```
//!
//! All tracks are cut by the same stretches: what lay in step stays in step, and all are of one length. The page is a
//! part of `report.html` too, where that lies beside ([`into_report`]).
//!
//! A person works on `edits.txt`: [`check_folder`] tells whether anybody has, and what is in the folder besides.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use coeval::{Error, ErrorKind, Result};
use coeval_cut::edits::{LARGEST_LIST, edit_list, read_edit_list};
use coeval_cut::mix::{MixLevels, VoiceOver};
use coeval_cut::tighten::{EditAction, Facts, PLAN_SCHEMA, Plan, Voice};
use coeval_listen::speech::Origin;
use coeval_shoot::conform::Conformed;
use coeval_shoot::{
    Alignment, Kind, LARGEST_TEXT, ResultNames, clear_unfinished, clock_time, files_below, not_through_links,
    plain_name, read_text, remove, resolved, write_whole,
};
use minijinja::{AutoEscape, Environment};
use serde_json::{Value, json};

use crate::edl::{Channel, Event, LONGEST_DISSOLVE, edl, source_span};
use crate::layout::{Content, Layout, Piece, SourceRate, TimelineTrack};
use crate::lists::{Mark, marks_webvtt};
use crate::otio::{Cut, CutTrack, Extras, References, Sources, conformed_of, cut_to_otio, joined};
use crate::report;
use crate::timecode::{FrameRate, Timecode};

/// The folder of a rough cut beside its alignment.
pub const FOLDER: &str = "rough-cut";
/// When someone speaks, beside the alignment: what a rough cut is made of.
pub const SPEECH: &str = "speech.json";
const EDITS: &str = "edits.txt";
const PLAN: &str = "plan.json";
const TIMELINE: &str = "rough-cut.otio";
const CHAPTERS: &str = "chapters.vtt";
const PAGE: &str = "rough-cut.html";
/// Names of the sound that a caller may add: the recorder's, and a mix of all.
pub const SOUNDS: [&str; 2] = ["voice.wav", "mix.wav"];
/// The rows of a page; beyond them is the edit list.
const ROWS: usize = 1000;

/// The pieces of a track within what stays, each where it lies on the shorter timeline.
fn cut_track(alignment: &Alignment, laid: &TimelineTrack, plan: &Plan, rate: FrameRate, sound: bool) -> Vec<Cut> {
    let mut cuts = Vec::new();
    let mut at = 0;
    for (from, to, speed) in plan.kept() {
        let frames = if speed == 1 { to - from } else { (to - from + i64::from(speed) - 1) / i64::from(speed) };
        // Where time is sped up there is picture only.
        if speed == 1 || !sound {
            cuts.extend(laid.pieces.iter().filter_map(|p| cut_piece(alignment, p, from, to, speed, at, frames, rate)));
        }
        at += frames;
    }
    cuts
}

#[expect(clippy::too_many_arguments, reason = "each is one plain thing, and nothing else takes them together")]
fn cut_piece(
    alignment: &Alignment,
    piece: &Piece,
    from: i64,
    to: i64,
    speed: u32,
    at: i64,
    frames: i64,
    rate: FrameRate,
) -> Option<Cut> {
    let (a, b) = (piece.start.max(from), piece.end().min(to));
    if a >= b {
        return None;
    }
    let speed_i = i64::from(speed);
    // Whole frames of the result that lie within the piece.
    let (first, last) = ((a - from + speed_i - 1) / speed_i, ((b - from + speed_i - 1) / speed_i).min(frames));
    if first >= last {
        return None;
    }
    let into_s = rate.seconds(from + first * speed_i - piece.start);
    let counts = into_s * piece.source_rate.hz();
    let start = from + first * speed_i;
    let mut source_start = piece.source_start + counts.round() as i64;
    if let SourceRate::Frames(own) = piece.source_rate
        && own != rate
    {
        // Frames of another rate do not begin where the timeline's do. What the piece is off already and what rounding
        // adds could be more than half a frame together: the nearest to the truth never is.
        let file = alignment.file(&piece.path);
        if let Some((map, picture)) = file.and_then(|f| Some((f.map()?, f.picture.as_ref()?))) {
            let true_start = own.frames(map.inverse(rate.seconds(start)) - picture.start_s).round() as i64;
            source_start = true_start.clamp(piece.source_start, piece.source_length - 1);
        }
    }
    let cut = Piece { start, frames: last - first, source_start, ..piece.clone() };
    Some(Cut { piece: cut, at: at + first, frames: last - first, speed, dissolve: 0, metadata: Value::Null })
}

/// The tracks of the shorter timeline: the chosen angles on top, then every recording.
fn tracks(alignment: &Alignment, layout: &Layout, plan: &Plan, voices: &[Voice], levels: &MixLevels) -> Vec<CutTrack> {
    let mut tracks = Vec::new();
    // What is to be checked is no part of a cut.
    for laid in layout.tracks.iter().filter(|l| !l.doubtful) {
        let is_sound = laid.content == Content::Sound;
        let is_camera = alignment.recording(&laid.recording).is_some_and(|r| r.kind == Kind::Camera);
        let gain_db = is_sound.then(|| match is_camera {
            true => levels.ducking(plan, voices),
            false => levels.voice_ducking(plan),
        });
        let is_voice = is_sound && !is_camera;
        tracks.push(CutTrack {
            name: laid.recording.clone(),
            content: laid.content,
            enabled: is_sound,
            metadata: json!({
                "recording": laid.recording,
                "gain_db": gain_db,
                "voice_lufs": is_voice.then_some(levels.loudness_lufs),
                "voice_gain_db": levels.voice_gain_db().filter(|_| is_voice),
            }),
            cuts: cut_track(alignment, laid, plan, layout.rate, is_sound),
        });
    }
    let mut angles = Vec::new();
    let mut at = 0;
    for entry in &plan.entries {
        let frames = entry.shown_frames();
        let speed = if let EditAction::Pass(speed) = entry.action { speed } else { 1 };
        let laid = layout.tracks.iter().find(|l| {
            l.content == Content::Picture && !l.doubtful && Some(l.recording.as_str()) == entry.camera.as_deref()
        });
        if let Some(laid) = laid.filter(|_| frames > 0) {
            let cuts = laid
                .pieces
                .iter()
                .filter_map(|p| cut_piece(alignment, p, entry.from, entry.to, speed, at, frames, layout.rate));
            for (i, mut cut) in cuts.enumerate() {
                cut.dissolve = if i == 0 { entry.dissolve } else { 0 };
                cut.metadata = json!({"camera": entry.camera, "why": entry.reason});
                angles.push(cut);
            }
        }
        at += frames;
    }
    if !levels.voice_over.is_empty() {
        tracks.push(CutTrack {
            name: "voice-over".to_owned(),
            content: Content::Sound,
            enabled: true,
            metadata: json!({"recording": Value::Null, "voice_lufs": levels.loudness_lufs}),
            cuts: over_cuts(plan, layout.rate, levels),
        });
    }
    // In OpenTimelineIO the last track lies on top.
    tracks.push(CutTrack {
        name: "angles".to_owned(),
        content: Content::Picture,
        enabled: true,
        metadata: json!({"recording": Value::Null}),
        cuts: angles,
    });
    tracks
}

/// Voice-overs on their track, each from a whole frame on, as far as the cut and the next one allow.
fn over_cuts(plan: &Plan, rate: FrameRate, levels: &MixLevels) -> Vec<Cut> {
    const RATE_HZ: u32 = 48_000;
    let mut sorted: Vec<&VoiceOver> = levels.voice_over.iter().collect();
    sorted.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let starts: Vec<i64> = sorted.iter().map(|v| rate.frames(v.at_s).round() as i64).collect();
    let ends = starts.iter().skip(1).copied().chain([plan.shown_frames()]);
    let cuts = sorted.iter().zip(&starts).zip(ends).map(|((over, &at), end)| {
        let frames = (rate.frames(over.length_s).floor() as i64).min(end.min(plan.shown_frames()) - at);
        let piece = Piece {
            path: over.path.to_string_lossy().into_owned(),
            start: at,
            frames,
            source_start: 0,
            source_rate: SourceRate::Samples(RATE_HZ),
            source_length: (over.length_s * f64::from(RATE_HZ)).floor() as i64,
        };
        Cut { piece, at, frames, speed: 1, dissolve: 0, metadata: json!({"gain_db": over.gain_db}) }
    });
    cuts.filter(|c| c.frames > 0).collect()
}

/// What stays as chapters of the shorter timeline, one each; those shorter than `least_s` join the one before.
fn chapters(plan: &Plan, least_s: f64) -> Vec<Mark> {
    let frame_s = plan.frame_s();
    let mut marks: Vec<Mark> = Vec::new();
    let mut at_s = 0.0;
    for (from, to, speed) in plan.kept() {
        let length_s = ((to - from + i64::from(speed) - 1) / i64::from(speed)) as f64 * frame_s;
        match marks.last_mut() {
            Some(last) if last.length_s < least_s => last.length_s += length_s,
            _ => marks.push(Mark {
                at_s,
                length_s,
                kind: "chapter".to_owned(),
                name: format!("From {}", plan.clock(from)),
                ..Mark::default()
            }),
        }
        at_s += length_s;
    }
    marks
}

/// Makes sure, before any work, that a rough cut may go to `out`: whatever lies there is an earlier one's, and nobody has
/// worked on its `edits.txt`, unless `edited` is what it says. Hidden files count for nothing.
///
/// # Errors
/// [`OutputExists`](ErrorKind::OutputExists), naming what is in the way; what the system answers.
pub fn check_folder(out: &Path, edited: Option<&Plan>) -> Result<()> {
    let taken = |what: String, remedy: &str| {
        Err(Error::new(ErrorKind::OutputExists, what).with_path(out).with_remedy(remedy.to_owned()))
    };
    let (own, plan) = earlier(out);
    for name in files_below(out)? {
        if name != EDITS && !own.contains(&name) {
            return taken(
                format!("the folder holds {name:?}, which is not part of an earlier rough cut"),
                "choose another folder with -o, or use --replace to overwrite files with the same names",
            );
        }
        if name != EDITS {
            continue;
        }
        let (text, untouched) = edits_in(out, plan.as_ref());
        if !untouched && (edited.is_none() || read_edit_list(&text).ok().as_ref() != edited) {
            return taken(
                format!("{EDITS} has been changed"),
                "use it with --edits, choose another folder with -o, or use --replace to overwrite it",
            );
        }
    }
    Ok(())
}

/// Names of the files in the folder that an earlier rough cut has written, with `/` between folders, and its plan;
/// nothing when there is none.
fn earlier(out: &Path) -> (Vec<String>, Option<Plan>) {
    let text = read_text(&out.join(PLAN), LARGEST_TEXT).unwrap_or_default();
    let mut value: Value = serde_json::from_str(&text).unwrap_or_default();
    if value["schema"] != PLAN_SCHEMA {
        return (Vec::new(), None);
    }
    let names = serde_json::from_value::<Vec<String>>(value["files"].take()).unwrap_or_default();
    // The list may come from elsewhere: it names nothing that a rough cut does not write.
    (names.into_iter().filter(|n| is_ours(n)).collect(), serde_json::from_value(value["plan"].take()).ok())
}

/// The edit list in the folder of a rough cut, and whether it is as the plan's own was written: nobody has changed it.
fn edits_in(out: &Path, plan: Option<&Plan>) -> (String, bool) {
    let text = read_text(&out.join(EDITS), LARGEST_LIST).unwrap_or_default();
    let untouched = plan.is_some_and(|p| edit_list(p) == text);
    (text, untouched)
}

/// May a rough cut have written a file of this name?
fn is_ours(name: &str) -> bool {
    match name.split_once('/') {
        None => [EDITS, PLAN, TIMELINE, CHAPTERS, PAGE].contains(&name) || SOUNDS.contains(&name),
        Some((folder, list)) => {
            folder == "edl" && list.ends_with(".edl") && !list.starts_with('.') && !list.contains(['/', '\\'])
        }
    }
}

/// Names, within the folder of an alignment, of what a rough cut has put there: for
/// [`OutFolder::check`](coeval_shoot::OutFolder::check).
pub(crate) fn names(results: &Path) -> ResultNames {
    let folder = results.join(FOLDER);
    let (own, plan) = earlier(&folder);
    let own = own.into_iter().filter(|n| n != EDITS).map(|n| format!("{FOLDER}/{n}"));
    let mut names = ResultNames { made: own.chain([SPEECH.to_owned()]).collect(), changed: Vec::new() };
    if edits_in(&folder, plan.as_ref()).1 { &mut names.made } else { &mut names.changed }
        .push(format!("{FOLDER}/{EDITS}"));
    names
}

/// Refuses an `out` that holds what the cut is made of: it could be removed with an earlier cut.
fn check_sources(alignment: &Alignment, levels: &MixLevels, media: &Path, out: &Path) -> Result<()> {
    let here = resolved(out);
    let read = alignment.files().map(|f| media.join(&f.path)).chain(levels.voice_over.iter().map(|v| v.path.clone()));
    match read.map(|path| resolved(&path)).find(|path| path.starts_with(&here)) {
        Some(path) => Err(Error::new(
            ErrorKind::InvalidArgument,
            "this file is in the folder of the rough cut, and could be removed",
        )
        .with_path(path)
        .with_remedy("move it, or choose another folder with -o")),
        None => Ok(()),
    }
}

/// Name and text of each edit decision list, one a track or more.
fn edit_lists(
    alignment: &Alignment,
    tracks: &[CutTrack],
    start: Timecode,
    conformed: &[(PathBuf, Conformed)],
) -> Result<Vec<(String, String)>> {
    let mut files = Vec::new();
    let mut taken = HashSet::new();
    for track in tracks {
        let (channel, what) = match track.content {
            Content::Picture => (Channel::Picture, "picture"),
            Content::Sound => (Channel::Sound, "sound"),
        };
        let events = events(alignment, track, start, conformed)?;
        let lists = edl(&format!("rough cut {}", track.name), channel, start, &events)?;
        let stem = untaken(format!("{}.{what}", plain_name(&track.name)), &mut taken);
        files.extend(lists.into_iter().enumerate().map(|(i, text)| {
            let number = if i > 0 { format!(".{}", i + 1) } else { String::new() };
            (format!("edl/{stem}{number}.edl"), text)
        }));
    }
    Ok(files)
}

/// Writes the rough cut into the folder `out`, which is made if it is missing, and answers with the names of its files.
/// What an earlier one left there and this one does not write is removed. An `edits.txt` that says this very plan
/// stays as a person has written it; else it is written over: [`check_folder`] comes first. `media` is the folder that
/// the alignment's names are relative to, absolute as `out`. `conformed` is the recorders' sound on the reference clock
/// that is there ([`conformed_in`](crate::handover::conformed_in)): the cut uses it in place of their own files. `sound`
/// are those of [`SOUNDS`] that the caller will add.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) when the plan is of another frame rate than the alignment or
/// breaks [`Plan::check`], or a recording or voice-over lies in `out`; what the system says about writing.
#[expect(clippy::too_many_arguments, reason = "each is one plain thing, and nothing else takes them together")]
pub fn write(
    alignment: &Alignment,
    facts: &Facts,
    plan: &Plan,
    levels: &MixLevels,
    media: &Path,
    out: &Path,
    conformed: &[(PathBuf, Conformed)],
    sound: &[&str],
) -> Result<Vec<String>> {
    plan.check()?;
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let layout = Layout::of(alignment)?;
    let rate = layout.rate;
    if [rate.num(), rate.den()] != plan.frame_rate {
        return Err(Error::new(
            ErrorKind::InvalidArgument,
            format!("the plan has {}/{} fps, but the timeline has {rate}", plan.frame_rate[0], plan.frame_rate[1]),
        ));
    }
    check_sources(alignment, levels, media, out)?;
    let start = Timecode::from_label([1, 0, 0, 0], rate, rate.counting())?;
    let tracks = tracks(alignment, &layout, plan, &facts.voices, levels);
    let references = References::Relative { media: media.to_path_buf(), timeline: out.to_path_buf() };
    let chapters = chapters(plan, 20.0);
    let extras = Extras { start: Some(start), marks: &chapters, conformed, ..Extras::default() };
    let sources = Sources { alignment, rate, references: &references, extras: &extras };
    let otio = cut_to_otio(&sources, "rough cut", &tracks, plan.shown_frames())?;
    let mut files = vec![
        (TIMELINE.to_owned(), otio),
        (CHAPTERS.to_owned(), marks_webvtt(&chapters, 0.001)),
        (PAGE.to_owned(), page(plan, facts)?),
    ];
    files.extend(edit_lists(alignment, &tracks, start, conformed)?);
    let mut names: Vec<String> = [EDITS, PLAN].map(str::to_owned).into();
    names.extend(files.iter().map(|f| f.0.clone()));
    names.extend(sound.iter().map(|s| (*s).to_owned()));
    let outdated = earlier(out).0;
    for name in names.iter().chain(&outdated) {
        not_through_links(out, name)?;
    }
    std::fs::create_dir_all(out.join("edl")).map_err(|e| Error::io(out, e))?;
    clear_unfinished(out)?;
    // First, so that whatever stops the rest, the next run knows what is its own.
    let known: Vec<&String> = names.iter().chain(outdated.iter().filter(|n| !names.contains(n))).collect();
    write_whole(&out.join(PLAN), data(plan, facts, levels, &known)?.as_bytes())?;
    for name in outdated.iter().filter(|n| *n != EDITS && (sound.contains(&n.as_str()) || !names.contains(n))) {
        remove(out, name)?;
    }
    let said = read_text(&out.join(EDITS), LARGEST_LIST).ok().and_then(|text| read_edit_list(&text).ok());
    if said.as_ref() != Some(plan) {
        write_whole(&out.join(EDITS), edit_list(plan).as_bytes())?;
    }
    for (name, text) in &files {
        write_whole(&out.join(name), text.as_bytes())?;
    }
    let known: Vec<&String> = names.iter().collect();
    write_whole(&out.join(PLAN), data(plan, facts, levels, &known)?.as_bytes())?;
    names.truncate(names.len() - sound.len());
    Ok(names)
}

/// `stem`, or with a number where that is taken. On some systems names that differ in case only are one.
pub(crate) fn untaken(stem: String, taken: &mut HashSet<String>) -> String {
    let numbered = (2..).map(|n| format!("{stem}-{n}"));
    let mut names = std::iter::once(stem.clone()).chain(numbered);
    names.find(|name| taken.insert(name.to_lowercase())).unwrap_or(stem)
}

/// A track as events of an edit decision list.
fn events(
    alignment: &Alignment,
    track: &CutTrack,
    start: Timecode,
    conformed: &[(PathBuf, Conformed)],
) -> Result<Vec<Event>> {
    let rate = start.rate();
    let mut events: Vec<Event> = Vec::new();
    let mut before: Option<Piece> = None;
    // The list has no speeds: what is sped up is left out of it.
    for cut in joined(&track.cuts, conformed).into_iter().filter(|c| c.speed == 1) {
        let piece = cut.piece;
        let whole = conformed_of(&piece, conformed).map(|c| &c.1);
        let at_s = |frame: f64| Timecode::from_frame(frame.round() as i64, rate, start.counting());
        let (source_in, source_frames) = match (piece.source_rate, whole) {
            (SourceRate::Frames(own), _) => source_span(alignment, &piece, own, start)?,
            (SourceRate::Samples(_), Some(sound)) => {
                let first_s = sound.time_reference as f64 / f64::from(sound.rate_hz) - sound.start_s;
                (at_s(rate.frames(first_s) + piece.start as f64)?, cut.frames)
            }
            (SourceRate::Samples(hz), None) => {
                (at_s(rate.frames(piece.source_start as f64 / f64::from(hz)))?, cut.frames)
            }
        };
        let mut event = Event {
            clip: whole.map_or(&piece.path, |c| &c.name).clone(),
            source_in,
            source_frames,
            record_in: cut.at,
            record_frames: cut.frames,
            dissolve: 0,
        };
        if let (Some(goes), Some(old)) = (events.last_mut(), &before)
            && goes.record_in + goes.record_frames == cut.at
        {
            dissolve(goes, old, &mut event, &piece, cut.dissolve, rate);
        }
        events.push(event);
        before = Some(piece);
    }
    Ok(events)
}

/// Makes a dissolve of `frames` about the cut between two events, as far as their files reach: half of it before the
/// cut, as in the timeline. An event of a list begins where its dissolve does.
fn dissolve(goes: &mut Event, old: &Piece, comes: &mut Event, new: &Piece, frames: i64, rate: FrameRate) {
    let (SourceRate::Frames(old_rate), SourceRate::Frames(new_rate)) = (old.source_rate, new.source_rate) else {
        return;
    };
    let frames = frames.min(LONGEST_DISSOLVE);
    let count = |own: FrameRate, source: i64| (rate.frames(own.seconds(source)) + 1e-6).floor() as i64;
    let head = count(new_rate, new.source_start).min(goes.record_frames - goes.dissolve.max(1));
    // Where the list counts other frames than the file, its first may be later by a part of one.
    let part = i64::from(old_rate != rate);
    let tail = count(old_rate, old.source_length - old.source_start) - goes.source_frames - part;
    let before = (frames / 2).min(head);
    let after = (frames - frames / 2).min(tail).min(comes.record_frames);
    if before < 0 || after < 0 || before + after < 1 {
        return;
    }
    goes.record_frames -= before;
    goes.source_frames = (goes.source_frames - before).max(1);
    comes.source_in = comes.source_in.plus(-before);
    comes.source_frames += before;
    (comes.record_in, comes.record_frames) = (comes.record_in - before, comes.record_frames + before);
    comes.dissolve = before + after;
}

fn data(plan: &Plan, facts: &Facts, levels: &MixLevels, files: &[&String]) -> Result<String> {
    let failed = |e: serde_json::Error| Error::new(ErrorKind::Internal, "cannot write the plan as JSON").with_source(e);
    let value = json!({
        "schema": PLAN_SCHEMA,
        "before_s": facts.frames as f64 * plan.frame_s(),
        "after_s": plan.shown_s(),
        "plan": serde_json::to_value(plan).map_err(failed)?,
        "gains": {
            "voice_lufs": levels.loudness_lufs,
            "true_peak_dbtp": levels.true_peak_dbtp,
            "voice_gain_db": levels.voice_gain_db(),
            "voice_db": levels.voice_ducking(plan),
            "camera_db": levels.ducking(plan, &facts.voices),
            "voice_over": levels.voice_over.iter().map(|v| {
                json!({"path": v.path, "at_s": v.at_s, "length_s": v.length_s, "gain_db": v.gain_db})
            }).collect::<Vec<_>>(),
        },
        "files": files,
    });
    let mut text = serde_json::to_string_pretty(&value).map_err(failed)?;
    text.push('\n');
    Ok(text)
}

/// The page: the section with all of the report's style, by itself.
fn page(plan: &Plan, facts: &Facts) -> Result<String> {
    let view = json!({ "style": report::STYLE, "section": section(plan, facts)? });
    render(include_str!("report/rough.html"), view)
}

/// Puts the rough cut into a report that lies beside it, in place of an earlier one. Answers whether there is a report
/// that takes it.
///
/// # Errors
/// What the system says about writing.
pub fn into_report(report: &Path, plan: &Plan, facts: &Facts) -> Result<bool> {
    let text = read_text(report, LARGEST_TEXT).unwrap_or_default();
    match report::with_cut(&text, &section(plan, facts)?) {
        Some(text) => write_whole(report, text.as_bytes()).map(|()| true),
        None => Ok(false),
    }
}

fn render(template: &str, view: Value) -> Result<String> {
    let failed = |e: minijinja::Error| Error::new(ErrorKind::Internal, "cannot make the page").with_source(e);
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.add_template("page", template).map_err(failed)?;
    environment.get_template("page").and_then(|t| t.render(minijinja::value::Serde(view))).map_err(failed)
}

/// The timeline as a strip, then every entry and why.
fn section(plan: &Plan, facts: &Facts) -> Result<String> {
    let total = facts.frames.max(1) as f64;
    let minutes = |frames: i64| clock_time(frames as f64 * plan.frame_s());
    let place = |x: f64| format!("{:.3}", 1000.0 * x / total);
    let rows: Vec<Value> = plan
        .entries
        .iter()
        .map(|e| {
            let (action, word) = match e.action {
                EditAction::Show => ("show", "kept".to_owned()),
                EditAction::Pass(speed) => ("pass", format!("sped up {speed} times")),
                EditAction::Drop => ("drop", "dropped".to_owned()),
            };
            json!({
                "fate": action, "word": word, "from": plan.clock(e.from), "to": plan.clock(e.to),
                "camera": e.camera, "why": e.reason, "x": place(e.from as f64), "w": place((e.to - e.from) as f64),
            })
        })
        .collect();
    // What lies side by side and has one action is one bar: its shots are in the table.
    let mut bars: Vec<(&str, i64, i64)> = Vec::new();
    for (row, e) in rows.iter().zip(&plan.entries) {
        let action = row["fate"].as_str().unwrap_or_default();
        match bars.last_mut() {
            Some(last) if last.0 == action => last.2 = e.to,
            _ => bars.push((action, e.from, e.to)),
        }
    }
    let bars = bars
        .into_iter()
        .map(|(action, from, to)| json!({"fate": action, "x": place(from as f64), "w": place((to - from) as f64)}));
    let at = |s: f64| s / plan.frame_s();
    let voices = facts.voices.iter().map(|v| {
        let told = match (v.origin, v.radio) {
            (Origin::Radio, Some(p)) => format!("radio, {:.0} % likely", 100.0 * p),
            (Origin::Local, Some(p)) => format!("local, {:.0} % likely", 100.0 * (1.0 - p)),
            (_, Some(p)) => format!("local or radio ({:.0} % likely)", 100.0 * p),
            (origin, None) => if origin == Origin::Radio { "radio" } else { "local" }.to_owned(),
        };
        let (x, w) = (place(at(v.start_s)), place(at(v.end_s - v.start_s)));
        json!({"x": x, "w": w, "origin": v.origin.as_str(), "told": told})
    });
    let events = facts
        .events
        .iter()
        .chain(&facts.found)
        .map(|e| json!({"x": place(at(0.5 * (e.start_s + e.end_s))), "what": e.what}));
    let view = json!({
        "before": minutes(facts.frames), "after": minutes(plan.shown_frames()), "notes": plan.notes,
        "bars": bars.collect::<Vec<_>>(), "voices": voices.collect::<Vec<_>>(), "events": events.collect::<Vec<_>>(),
        "left": rows.len().saturating_sub(ROWS), "rows": rows.into_iter().take(ROWS).collect::<Vec<_>>(),
    });
    render(include_str!("report/cut.html"), view)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::tests::example;
    use coeval_cut::tighten::Entry;
    use proptest::prelude::*;

    fn entry(from: i64, to: i64, action: EditAction, camera: Option<&str>) -> Entry {
        let reason = "speech; <why> & \"how\"".into();
        Entry { reason, ..Entry::new(from, to, action, camera.map(str::to_owned)) }
    }

    fn some_plan() -> Plan {
        let entries = vec![
            entry(0, 300, EditAction::Drop, None),
            entry(300, 900, EditAction::Show, Some("cam a|#%")),
            entry(900, 1501, EditAction::Pass(8), Some("-")),
        ];
        Plan { frame_rate: [30_000, 1001], entries, notes: vec!["a note".into()], doubt_s: None }
    }

    #[test]
    fn voices_laid_over_have_a_track_and_duck_the_others() {
        let alignment = example();
        let layout = Layout::of(&alignment).unwrap();
        let plan = Plan { entries: vec![entry(0, 900, EditAction::Show, Some("cam-a"))], ..some_plan() };
        // What a file says of itself comes from reading it; here it stands for one of four seconds.
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("over.wav");
        let mut writer = coeval_media::WavWriter::create(&path, coeval_media::WavOptions::new(8000, 1)).unwrap();
        let tone: Vec<f32> = (0..32_000).map(|i| 0.1 * (f64::from(i) * 0.3).sin() as f32).collect();
        writer.write(&tone).unwrap();
        writer.finish().unwrap();
        let over = |at_s| VoiceOver::measure(&path, at_s, -14.0, &Default::default(), &()).unwrap();
        let mut levels = MixLevels::default();
        levels.voice_over = vec![over(28.0), over(10.01), over(12.0)];
        let tracks = tracks(&alignment, &layout, &plan, &[], &levels);
        let track = tracks.iter().find(|t| t.name == "voice-over").unwrap();
        let cuts: Vec<(i64, i64)> = track.cuts.iter().map(|c| (c.at, c.frames)).collect();
        // 10.01 s is frame 300; the next begins at frame 360 and cuts it off; the end of the cut the last.
        assert_eq!(cuts, [(300, 60), (360, 119), (839, 61)]);
        assert!(track.cuts[0].metadata["gain_db"].as_f64().unwrap() > 5.0);
        let ducked = levels.voice_ducking(&plan);
        for (got, is) in ducked[1..4].iter().zip([[9.71, 0.0], [10.01, -12.0], [16.0, -12.0]]) {
            assert!((got[0] - is[0]).abs() < 1e-9 && got[1] == is[1], "{ducked:?}");
        }
    }

    /// A timeline of so many frames in which nothing happens.
    fn empty_facts(frames: i64) -> Facts {
        Facts {
            frame_rate: [30_000, 1001],
            frames,
            voices: vec![],
            events: vec![],
            found: vec![],
            doubts: vec![],
            angles: vec![],
        }
    }

    #[test]
    fn a_folder_is_written_again_unless_it_holds_something_of_a_persons() {
        let dir = tempfile::tempdir().unwrap();
        let (alignment, out) = (example(), dir.path().join(FOLDER));
        let facts = empty_facts(900);
        let plan = |to: i64| Plan {
            entries: vec![entry(0, to, EditAction::Show, Some("cam-a")), entry(to, 900, EditAction::Drop, None)],
            ..some_plan()
        };
        let write = |plan: &Plan, sound: &[&str]| {
            write(&alignment, &facts, plan, &MixLevels::default(), dir.path(), &out, &[], sound).unwrap()
        };
        check_folder(&out, None).unwrap();
        let mut names = write(&plan(300), &["voice.wav"]);
        std::fs::write(out.join("voice.wav"), "sound").unwrap();
        check_folder(&out, None).unwrap();
        let mut there = files_below(&out).unwrap();
        names.push("voice.wav".into());
        names.sort();
        there.sort();
        assert_eq!(names, there);
        assert!(names.iter().all(|n| super::names(dir.path()).made.contains(&format!("rough-cut/{n}"))));
        // Another cut without sound: what was of the first goes.
        write(&plan(400), &[]);
        assert!(!out.join("voice.wav").exists());
        check_folder(&out, None).unwrap();
        // A person's hand.
        let text = std::fs::read_to_string(out.join(EDITS)).unwrap();
        let changed = text.replace("# Change", "# I like the waves. Change").replace("0:00:13.347", "0:00:20.020");
        assert_ne!(changed, text);
        std::fs::write(out.join(EDITS), &changed).unwrap();
        let refused = check_folder(&out, None).unwrap_err();
        assert!(refused.kind() == ErrorKind::OutputExists && refused.message().contains(EDITS), "{refused}");
        assert!(check_folder(&out, Some(&plan(400))).is_err(), "that is another list");
        let edited = read_edit_list(&changed).unwrap();
        check_folder(&out, Some(&edited)).unwrap();
        write(&edited, &[]);
        assert_eq!(std::fs::read_to_string(out.join(EDITS)).unwrap(), changed);
        std::fs::write(out.join("edl/mine.edl"), "mine").unwrap();
        assert!(check_folder(&out, Some(&edited)).unwrap_err().message().contains("edl/mine.edl"));
    }

    #[test]
    fn a_list_from_elsewhere_removes_nothing_but_what_a_rough_cut_writes() {
        let dir = tempfile::tempdir().unwrap();
        let (alignment, out) = (example(), dir.path().join(FOLDER));
        let facts = empty_facts(900);
        let plan = Plan { entries: vec![entry(0, 900, EditAction::Show, Some("cam-a"))], ..some_plan() };
        let write = |media: &Path| write(&alignment, &facts, &plan, &MixLevels::default(), media, &out, &[], &[]);
        write(dir.path()).unwrap();
        let mine = ["notes.txt", ".bashrc", "edl/.hid.edl", "x/y.edl", "a.wav"];
        std::fs::create_dir(out.join("x")).unwrap();
        let text = std::fs::read_to_string(out.join(PLAN)).unwrap();
        let mut value: Value = serde_json::from_str(&text).unwrap();
        for name in mine {
            std::fs::write(out.join(name), "mine").unwrap();
            value["files"].as_array_mut().unwrap().push(name.into());
        }
        value["files"].as_array_mut().unwrap().extend(["edl/old.edl", "voice.wav", "../out.wav"].map(Value::from));
        for name in ["edl/old.edl", "voice.wav", ".coeval-1.part"] {
            std::fs::write(out.join(name), "ours").unwrap();
        }
        std::fs::write(out.join(PLAN), value.to_string()).unwrap();
        assert!(check_folder(&out, None).is_err(), "it holds somebody's files");
        write(dir.path()).unwrap();
        assert!(mine.iter().all(|name| out.join(name).exists()));
        assert!(["edl/old.edl", "voice.wav", ".coeval-1.part"].iter().all(|name| !out.join(name).exists()));
        // Recordings in it would be in danger.
        let refused = write(&out).unwrap_err();
        assert!(refused.kind() == ErrorKind::InvalidArgument && refused.message().contains("could be removed"));
    }

    #[test]
    fn a_report_takes_the_rough_cut_in_and_another_in_its_place() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("report.html");
        let facts = empty_facts(1501);
        assert!(!into_report(&path, &some_plan(), &facts).unwrap(), "there is none");
        std::fs::write(&path, "somebody's page").unwrap();
        assert!(!into_report(&path, &some_plan(), &facts).unwrap());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody's page");
        let empty = include_str!("report/page.html");
        std::fs::write(&path, empty).unwrap();
        assert!(into_report(&path, &some_plan(), &facts).unwrap());
        let once = std::fs::read_to_string(&path).unwrap();
        assert!(once.contains("Rough cut: 0:00:50 cut to") && once.contains("cam a|#%") && once.contains("#cut"));
        assert!(into_report(&path, &some_plan(), &facts).unwrap());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), once);
        assert_eq!(report::with_cut(empty, report::cut_in(&once).unwrap()).unwrap(), once);
        // What somebody put into it is not carried over.
        let own = report::cut_in(&once).unwrap();
        for tag in ["<script>", "<meta http-equiv=\"refresh\">", "<form>", "<p onclick=\"x\">", "<p style=x>", "<"] {
            let changed = once.replacen(own, &format!("{own}{tag}"), 1);
            assert!(report::cut_in(&changed).is_none(), "{tag}");
        }
        let hostile = Plan { notes: vec!["<!-- /cut --><script>".into()], ..some_plan() };
        into_report(&path, &hostile, &facts).unwrap();
        assert!(into_report(&path, &some_plan(), &facts).unwrap());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), once);
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

    /// Which frame or sample of which file a track shows at a frame of its timeline.
    fn shown_at(pieces: &[(Piece, i64)], frame: i64, rate: FrameRate) -> Option<(String, i64)> {
        let (piece, at) = pieces.iter().find(|(p, at)| frame >= *at && frame < at + p.frames)?;
        let counts = rate.seconds(frame - at) * piece.source_rate.hz();
        Some((piece.path.clone(), piece.source_start + (counts + 1e-6).floor() as i64))
    }

    proptest! {
        #[test]
        fn any_plan_keeps_everything_in_step(plan in any_plan()) {
            let alignment = example();
            let layout = Layout::of(&alignment).unwrap();
            let tracks = tracks(&alignment, &layout, &plan, &[], &MixLevels::default());
            for (laid, track) in layout.tracks.iter().zip(&tracks) {
                let full: Vec<(Piece, i64)> = laid.pieces.iter().map(|p| (p.clone(), p.start)).collect();
                let cut: Vec<(Piece, i64)> = track.cuts.iter().map(|c| (c.piece.clone(), c.at)).collect();
                let mut at = 0;
                for (from, to, speed) in plan.kept() {
                    for k in (0..to - from).filter(|_| speed == 1) {
                        let (a, b) = (shown_at(&full, from + k, layout.rate), shown_at(&cut, at + k, layout.rate));
                        // The same frame, or the same sample but for the rounding of where it is counted from.
                        prop_assert_eq!(a.as_ref().map(|a| &a.0), b.as_ref().map(|b| &b.0));
                        if let (Some(a), Some(b)) = (a, b) {
                            prop_assert!((a.1 - b.1).abs() <= 1, "{} and {} at {}", a.1, b.1, from + k);
                        }
                    }
                    at += if speed == 1 { to - from } else { (to - from + i64::from(speed) - 1) / i64::from(speed) };
                }
                prop_assert_eq!(at, plan.shown_frames());
            }
            // What is shown is within half a frame of where the alignment has it.
            for track in &tracks {
                let mut at = 0;
                for (from, to, speed) in plan.kept() {
                    let frames = (to - from + i64::from(speed) - 1) / i64::from(speed);
                    for cut in track.cuts.iter().filter(|c| speed == 1 && c.at >= at && c.at < at + frames) {
                        let file_s = cut.piece.source_start as f64 / cut.piece.source_rate.hz();
                        let map = alignment.map(&cut.piece.path).unwrap();
                        let belongs_s = map.forward(file_s);
                        let half_s = match cut.piece.source_rate {
                            SourceRate::Frames(own) => 0.5 * own.seconds(1).max(plan.frame_s()) + 1e-4,
                            SourceRate::Samples(_) => 0.5 * plan.frame_s() + 1e-4,
                        };
                        let lies_s = layout.rate.seconds(from + cut.at - at);
                        prop_assert!((belongs_s - lies_s).abs() <= half_s, "{}: {}", cut.piece.path, belongs_s - lies_s);
                    }
                    at += frames;
                }
            }
            // A list shows what the track does at its own speed, whatever dissolves; no dissolve reaches beyond a file.
            let start = Timecode::from_label([1, 0, 0, 0], layout.rate, layout.rate.counting()).unwrap();
            let angles = tracks.last().unwrap();
            let events = events(&alignment, angles, start, &[]).unwrap();
            edl("t", Channel::Picture, start, &events).unwrap();
            let shown = |spans: &mut dyn Iterator<Item = (i64, i64)>| spans.flat_map(|(at, n)| at..at + n).collect::<Vec<_>>();
            prop_assert_eq!(
                shown(&mut events.iter().map(|e| (e.record_in, e.record_frames))),
                shown(&mut angles.cuts.iter().filter(|c| c.speed == 1).map(|c| (c.at, c.frames)))
            );
            for (goes, comes) in events.iter().zip(&events[1.min(events.len())..]).filter(|e| e.1.dissolve > 0) {
                let piece = |e: &Event| layout.tracks.iter().flat_map(|l| &l.pieces).find(|p| p.path == e.clip).unwrap();
                let first = |e: &Event| {
                    let written = alignment.file(&e.clip).and_then(|f| f.timecode.as_deref());
                    let written = written.and_then(|t| Timecode::parse(t, e.source_in.rate()).ok());
                    e.source_in.frame() - written.map_or(0, |t| t.frame())
                };
                let length = goes.source_in.rate().frames(layout.rate.seconds(comes.dissolve));
                prop_assert!(first(comes) >= 0, "{:?}", comes);
                let used = first(goes) + goes.source_frames + length.floor() as i64;
                let SourceRate::Frames(own) = piece(goes).source_rate else { panic!("{goes:?}") };
                let there = layout.rate.frames(own.seconds(piece(goes).source_length));
                prop_assert!(used as f64 <= there + 1e-6, "{:?} {:?}: {} of {}", goes, comes, used, there);
            }
            // Every track of what is written is as long as every other.
            let references = References::Absolute { media: "/m".into() };
            let extras = Extras::default();
            let sources = Sources { alignment: &alignment, rate: layout.rate, references: &references, extras: &extras };
            let text = cut_to_otio(&sources, "t", &tracks, plan.shown_frames()).unwrap();
            let read: Value = serde_json::from_str(&text).unwrap();
            for track in read["tracks"]["children"].as_array().unwrap() {
                let lengths = track["children"].as_array().unwrap().iter().filter(|c| c["OTIO_SCHEMA"] != "Transition.1");
                let sum: f64 = lengths.map(|c| c["source_range"]["duration"]["value"].as_f64().unwrap()).sum();
                prop_assert_eq!(sum, plan.shown_frames() as f64);
            }
        }
    }
}
