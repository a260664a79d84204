//! The report for people: one HTML file that needs nothing else.
//!
//! [`page`] makes it from an alignment and what was measured for it. The page is a template
//! (`report/page.html`) with its own style and script; every name that comes from a file is escaped
//! by the template engine, and a content security policy lets nothing but this script run and
//! nothing be fetched. Curves are drawn here (`plot`), so that the page is complete without script
//! and on paper.

mod plot;
mod wave;

use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use coeval::clock::ClockMap;
use coeval::{Error, ErrorKind, Result};
use coeval_shoot::alignment::{Alignment, File, Kind, Recording};
use coeval_shoot::listen::{Check, Couple, by_hand, couples};
use coeval_shoot::{Measured, clock_time};
use minijinja::{AutoEscape, Environment};
use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::layout::{Content, Layout, SourceRate};
use crate::lists::Mark;
use crate::timecode::Timecode;
use plot::{Series, Shape, plot};

/// What a report is made from.
#[derive(Debug)]
pub struct Report<'a> {
    /// What it is called.
    pub title: &'a str,
    /// The result.
    pub alignment: &'a Alignment,
    /// The result on frames.
    pub layout: &'a Layout,
    /// Timecode of timeline zero.
    pub start: Timecode,
    /// What was measured, by file; empty: the report has no levels.
    pub measured: &'a [(String, Result<Measured>)],
    /// Listening checks, couple by couple; empty: the report has no such part.
    pub checks: &'a [Check],
    /// Markers on the timeline.
    pub marks: &'a [Mark],
    /// Other events of the shoot, which have reports of their own.
    pub others: &'a [Elsewhere],
}

/// The report of another event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Elsewhere {
    /// What it is called: `Event 2`.
    pub name: String,
    /// What it holds, in words.
    pub words: String,
    /// Where its report is, relative to this one, with `/` between folders.
    pub href: String,
}

/// EBU R 37: sound early and late, over the whole chain, seconds.
const R37_CHAIN_S: (f64, f64) = (0.040, 0.060);
/// EBU R 37: what one stage may add.
const R37_STAGE_S: (f64, f64) = (0.005, 0.015);
/// ITU-R BT.1359-1: where it begins to be noticed, and where it is no longer accepted.
const NOTICED_S: (f64, f64) = (0.045, 0.125);
const UNACCEPTABLE_S: (f64, f64) = (0.090, 0.185);
/// A recording that ends so much before the last one stopped early: as a share of the timeline, and seconds.
const EARLY: (f64, f64) = (0.02, 10.0);
/// Picture without a recorder for so long is worth a line, seconds.
const MISSED_S: f64 = 1.0;
/// Rows of the table of markers.
const MARKS: usize = 200;
/// Curves are drawn for a phone, a tablet or paper, and a desk.
const WIDTHS: [usize; 3] = [360, 720, 1180];
/// Below this a placement must be looked at.
const SURE: f64 = 0.99;

/// Sound so early (negative: late) against picture, in words.
fn lip_sync(early_s: f64) -> (&'static str, &'static str) {
    let within = |limit: (f64, f64)| early_s <= limit.0 && early_s >= -limit.1;
    if within(R37_STAGE_S) {
        ("good", "in sync")
    } else if within(R37_CHAIN_S) {
        ("good", "in sync by EBU R 37")
    } else if within(NOTICED_S) {
        ("mid", "beyond EBU R 37, seldom noticed")
    } else if within(UNACCEPTABLE_S) {
        ("bad", "noticed")
    } else {
        ("bad", "unacceptable")
    }
}

/// A probability in words.
fn in_words(confidence: f64) -> &'static str {
    if confidence >= 0.999 {
        "as good as certain: of a thousand like it one may be wrong"
    } else if confidence >= SURE {
        "sure: of a hundred like it one may be wrong"
    } else if confidence >= 0.9 {
        "likely, not sure: listen to it before you cut"
    } else {
        "doubtful: do not use it before you have listened"
    }
}

/// A length of time in words.
fn length(seconds: f64) -> String {
    match seconds {
        s if s < 0.9995 => format!("{:.0} ms", s * 1e3),
        s if s < 59.95 => format!("{s:.1} s"),
        s if s < 3599.5 => format!("{} min {} s", s.round() as u64 / 60, s.round() as u64 % 60),
        s => format!("{} h {} min", (s / 60.0).round() as u64 / 60, (s / 60.0).round() as u64 % 60),
    }
}

/// Seconds as signed milliseconds, plus for early.
fn signed_ms(seconds: f64) -> String {
    let ms = seconds * 1e3;
    let digits = if ms.abs() < 9.95 { 1 } else { 0 };
    let text = format!("{:.digits$}", ms.abs());
    // Nothing is neither early nor late.
    let sign = if text.trim_matches(['0', '.']).is_empty() {
        ""
    } else if ms > 0.0 {
        "+"
    } else {
        "\u{2212}"
    };
    format!("{sign}{text} ms")
}

/// Seconds as milliseconds, early or late in words.
fn early_or_late(seconds: f64) -> String {
    let text = signed_ms(seconds);
    match text.strip_prefix('+') {
        Some(ms) => format!("{ms} early"),
        None => text.strip_prefix('\u{2212}').map_or_else(|| "on the spot".to_owned(), |ms| format!("{ms} late")),
    }
}

/// Seconds as milliseconds that something is within: never rounded down.
fn within_ms(seconds: f64) -> String {
    format!("{:.1} ms", ((seconds * 1e4 - 1e-6).ceil() / 10.0).max(0.1))
}

/// A small time as milliseconds.
fn small_ms(seconds: f64) -> String {
    if seconds < 0.95e-4 { "under 0.1 ms".to_owned() } else { format!("{:.1} ms", seconds * 1e3) }
}

#[derive(Serialize)]
struct Problem {
    serious: bool,
    what: String,
    then: String,
    /// What its link is called, and where it leads.
    link: Option<(&'static str, String)>,
}

#[derive(Serialize)]
struct LaneView {
    id: String,
    colour: usize,
    words: String,
    clips: Vec<ClipView>,
}

#[derive(Serialize)]
struct ClipView {
    name: String,
    href: String,
    words: String,
    left: f64,
    width: f64,
    missed: Vec<Span>,
    jumps: Vec<f64>,
}

#[derive(Serialize)]
struct Span {
    left: f64,
    width: f64,
}

#[derive(Serialize)]
struct LeftOut {
    name: String,
    href: String,
}

#[derive(Serialize)]
struct OtherEvent {
    name: String,
    words: String,
    href: String,
}

#[derive(Serialize)]
struct Block {
    class: &'static str,
    left: f64,
    width: f64,
}

#[derive(Serialize)]
struct Tick {
    left: f64,
    label: String,
    level: usize,
}

#[derive(Serialize)]
struct Coverage {
    id: String,
    words: &'static str,
    from: String,
    to: String,
    ran: String,
    share: String,
    missed: String,
}

#[derive(Serialize)]
struct CheckView {
    anchor: String,
    name: String,
    id: String,
    other: String,
    words: String,
    places: Vec<PlaceView>,
}

#[derive(Serialize)]
struct PlaceView {
    place: &'static str,
    at: String,
    versions: Vec<Version>,
}

#[derive(Serialize)]
struct Version {
    class: &'static str,
    label: &'static str,
    verdict: &'static str,
    words: String,
    early_s: f64,
    gauge_left: f64,
    gauge_width: f64,
    bins: usize,
    up: String,
    down: String,
    wav: String,
}

#[derive(Serialize)]
struct SyncRow {
    name: String,
    other: String,
    hand: String,
    hand_class: &'static str,
    frames: String,
    frames_class: &'static str,
    conformed: String,
    conformed_class: &'static str,
    words: String,
}

#[derive(Serialize)]
struct PairRow {
    a: String,
    b: String,
    overlap: String,
    evidence: usize,
    rms: String,
    words: &'static str,
}

#[derive(Serialize)]
struct FileRow {
    anchor: String,
    name: String,
    id: String,
    at: String,
    drift: String,
    sd: String,
    confidence: String,
    words: String,
}

#[derive(Serialize)]
struct AdviceView {
    serious: bool,
    text: String,
}

#[derive(Serialize)]
struct LevelRow {
    name: String,
    peak: String,
    loudness: String,
    speech: String,
    noise: String,
    advice: Vec<AdviceView>,
}

#[derive(Serialize)]
struct MarkRow {
    at: String,
    timecode: String,
    kind: String,
    name: String,
}

#[derive(Serialize)]
struct Page {
    title: String,
    version: String,
    style: &'static str,
    script: &'static str,
    script_hash: String,
    headline: String,
    lede: Vec<String>,
    others: Vec<OtherEvent>,
    duration: String,
    duration_s: f64,
    clock: String,
    rate: String,
    start: String,
    problems: Vec<Problem>,
    border: Vec<Block>,
    ticks: Vec<Tick>,
    lanes: Vec<LaneView>,
    any_missed: bool,
    any_jump: bool,
    coverage: Vec<Coverage>,
    left_out: Vec<LeftOut>,
    listen_note: String,
    clips: Vec<CheckView>,
    sync: Vec<SyncRow>,
    drift: Vec<String>,
    has_residuals: bool,
    residual_words: String,
    residual: Vec<String>,
    pairs: Vec<PairRow>,
    files: Vec<FileRow>,
    levels: Vec<LevelRow>,
    marks: Vec<MarkRow>,
    marks_left: usize,
}

pub(crate) const STYLE: &str = include_str!("report/page.css");
const SCRIPT: &str = include_str!("report/page.js");

/// Makes the page.
///
/// # Errors
/// [`Internal`](ErrorKind::Internal) when the template does not fit, which no input can bring about.
pub fn page(report: &Report<'_>) -> Result<String> {
    let failed = |e: minijinja::Error| Error::new(ErrorKind::Internal, "cannot make the report").with_source(e);
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.add_template("page", include_str!("report/page.html")).map_err(failed)?;
    let template = environment.get_template("page").map_err(failed)?;
    let first = report.alignment.first_event();
    let report = Report { alignment: &first, ..*report };
    template.render(minijinja::value::Serde(View::new(&report).page())).map_err(failed)
}

/// Where a rough cut goes in the page, and the link to it. Names cannot hold these: they are escaped.
const CUT: [(&str, &str); 2] = [("<!-- cut link -->", "<!-- /cut link -->"), ("<!-- cut -->", "<!-- /cut -->")];
const CUT_LINK: &str = "<li><a href=\"#cut\">Rough cut</a></li>";

/// What lies between two words that both are there once.
fn between(page: &str, (from, to): (&str, &str)) -> Option<std::ops::Range<usize>> {
    let begin = page.find(from)? + from.len();
    let end = begin + page[begin..].find(to)?;
    Some(begin..end)
}

/// A page with this rough cut, in place of one that it may have; `None` when it has no place for it.
pub(crate) fn with_cut(page: &str, section: &str) -> Option<String> {
    let mut page = page.to_owned();
    for (place, content) in CUT.into_iter().zip([CUT_LINK, section]) {
        page.replace_range(between(&page, place)?, content);
    }
    Some(page)
}

/// The rough cut in a page, if it is made as ours are: the page may have come from elsewhere, and been changed.
pub(crate) fn cut_in(page: &str) -> Option<&str> {
    between(page, CUT[1]).map(|range| &page[range]).filter(|section| !section.is_empty() && is_plain(section))
}

/// Does a section hold nothing but the tags and attributes of the rough cut's template? None of them runs, loads or leads
/// anywhere.
fn is_plain(section: &str) -> bool {
    const TAGS: &str = " section h2 p svg rect title span i code div table caption thead tbody tr th td ";
    const ATTRIBUTES: &str = " id class role aria-label aria-labelledby tabindex scope data-l x y width height viewBox \
                              preserveAspectRatio ";
    let listed = |list: &str, word: &str| !word.contains(' ') && list.contains(&format!(" {word} "));
    section.split('<').skip(1).all(|rest| {
        let Some((tag, _)) = rest.split_once('>') else { return false };
        let tag = tag.strip_suffix('/').unwrap_or(tag);
        if let Some(name) = tag.strip_prefix('/') {
            return listed(TAGS, name);
        }
        let (name, mut rest) = tag.split_once(' ').unwrap_or((tag, ""));
        while let Some((attribute, value)) = rest.split_once("=\"") {
            let Some((_, after)) = value.split_once('"') else { return false };
            if !listed(ATTRIBUTES, attribute) {
                return false;
            }
            rest = after.trim_start_matches(' ');
        }
        listed(TAGS, name) && rest.is_empty()
    })
}

/// A placed file and where it lies.
struct Placed<'a> {
    recording: &'a Recording,
    file: &'a File,
    map: ClockMap,
    from_s: f64,
    to_s: f64,
}

struct View<'a> {
    report: &'a Report<'a>,
    alignment: &'a Alignment,
    placed: Vec<Placed<'a>>,
    couples: Vec<Couple>,
    duration_s: f64,
}

impl<'a> View<'a> {
    fn new(report: &'a Report<'a>) -> Self {
        let alignment = report.alignment;
        let files = alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f)));
        let placed: Vec<Placed<'a>> = files
            .filter_map(|(recording, file)| {
                let map = file.map()?;
                let (from_s, to_s) = (map.knots()[0].1, map.knots()[map.knots().len() - 1].1);
                Some(Placed { recording, file, map, from_s, to_s })
            })
            .collect();
        let duration_s = placed.iter().map(|p| p.to_s).fold(1.0, f64::max);
        Self { report, alignment, placed, couples: couples(alignment), duration_s }
    }

    fn page(&self) -> Page {
        let all = self.alignment.files().count();
        let placed = self.placed.len();
        let headline = match all - placed {
            0 => format!("All {all} files lie on one clock."),
            1 => format!("{placed} of {all} files lie on one clock; one has no place."),
            n => format!("{placed} of {all} files lie on one clock; {n} have no place."),
        };
        let sync = self.sync();
        let lanes = self.lanes();
        let pairs = self.alignment.pairs.iter().filter(|p| !p.residuals.is_empty());
        let spread: Vec<f64> = pairs.flat_map(|p| p.residuals.iter().map(|r| r[1].abs())).collect();
        let hash = BASE64.encode(Sha256::digest(SCRIPT));
        let marks = self.report.marks;
        Page {
            title: self.report.title.to_owned(),
            version: self.alignment.generator.version.clone(),
            style: STYLE,
            script: SCRIPT,
            script_hash: format!("sha256-{hash}"),
            headline,
            lede: self.lede(),
            others: self
                .report
                .others
                .iter()
                .map(|o| OtherEvent { name: o.name.clone(), words: o.words.clone(), href: o.href.clone() })
                .collect(),
            duration: length(self.duration_s),
            duration_s: self.duration_s,
            clock: self.alignment.timeline.clock.clone(),
            rate: self.report.layout.rate.to_string(),
            start: self.report.start.to_string(),
            problems: self.problems(),
            border: self.border(),
            ticks: self.ticks(),
            any_missed: lanes.iter().flat_map(|l| &l.clips).any(|c| !c.missed.is_empty()),
            any_jump: lanes.iter().flat_map(|l| &l.clips).any(|c| !c.jumps.is_empty()),
            lanes,
            coverage: self.coverage(),
            left_out: self
                .alignment
                .files()
                .filter(|f| !f.is_placed())
                .map(|f| LeftOut { name: f.path.clone(), href: self.file_anchor(&f.path) })
                .collect(),
            listen_note: self.listen_note(),
            clips: self.clips(),
            sync,
            drift: WIDTHS.map(|w| self.drift(w)).into(),
            has_residuals: !spread.is_empty(),
            residual_words: residual_words(spread),
            residual: WIDTHS.map(|w| self.residuals(w)).into(),
            pairs: self.pairs(),
            files: self.files(),
            levels: self.levels(),
            marks: marks.iter().take(MARKS).filter_map(|m| self.mark(m)).collect(),
            marks_left: marks.len().saturating_sub(MARKS),
        }
    }

    fn lede(&self) -> Vec<String> {
        let mut lede = Vec::new();
        let worst = |f: &dyn Fn(&Couple) -> Option<f64>| {
            self.couples.iter().filter_map(f).max_by(|a, b| a.abs().total_cmp(&b.abs()))
        };
        if let Some(hand_s) = worst(&|c| self.worst_by_hand(c)) {
            let conformed_s = worst(&|c| Some(2.0 * self.uncertainty_s(c))).unwrap_or(0.0);
            lede.push(format!(
                "Conformed sound keeps within {} of the picture, nineteen times of twenty. Laid by hand it would have been up to {} off.",
                within_ms(conformed_s),
                length(hand_s.abs()),
            ));
        }
        let serious = self.problems().iter().filter(|p| p.serious).count();
        lede.push(match serious {
            0 => "Nothing has to be done before you cut.".to_owned(),
            1 => "One thing should be looked at before you cut.".to_owned(),
            n => format!("{n} things should be looked at before you cut."),
        });
        lede
    }

    fn file_anchor(&self, path: &str) -> String {
        let index = self.alignment.files().position(|f| f.path == path).unwrap_or(0);
        format!("file-{}", index + 1)
    }

    fn check_anchor(&self, couple: &Couple) -> Option<String> {
        let mut seen: Vec<&Couple> = Vec::new();
        for check in self.report.checks {
            if seen.last() != Some(&&check.couple) {
                seen.push(&check.couple);
            }
        }
        seen.iter().position(|c| *c == couple).map(|i| format!("check-{}", i + 1))
    }

    /// Where a reader goes from a file, and what the link is called: to its listening checks, else to its line in the
    /// table.
    fn link(&self, path: &str) -> (&'static str, String) {
        let couple = self.couples.iter().find(|c| c.clip == path).or(self.couples.iter().find(|c| c.other == path));
        let check = couple.and_then(|c| self.check_anchor(c)).map(|anchor| ("Listen", anchor));
        check.unwrap_or_else(|| ("Its line", self.file_anchor(path)))
    }

    fn problems(&self) -> Vec<Problem> {
        let mut all = Vec::new();
        let mut say = |serious: bool, what: String, then: String, link: Option<(&'static str, String)>| {
            all.push(Problem { serious, what, then, link });
        };
        let section = |name: &'static str, id: &str| Some((name, id.to_owned()));
        for (recording, file) in self.alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f))) {
            let line = Some(("Its line", self.file_anchor(&file.path)));
            if !file.is_placed() {
                let why = file.reason.as_deref().unwrap_or("no reason is given");
                say(true, format!("{} has no place.", file.path), sentence(why), line);
                continue;
            }
            if file.confidence.is_some_and(|c| c < SURE) {
                let words = in_words(file.confidence.unwrap_or(0.0));
                say(true, format!("{} may lie wrong.", file.path), sentence(words), Some(self.link(&file.path)));
            }
            for jump in &file.jumps {
                let what = if jump.lost_s >= 0.0 { "lost" } else { "repeated" };
                let at = self.placed.iter().find(|p| p.file.path == file.path);
                say(
                    false,
                    format!("{} {what} {} of sound.", file.path, length(jump.lost_s.abs())),
                    format!(
                        "About {} on the timeline, as closely as there was sound to compare. It is split there; listen across the split.",
                        clock_time(at.map_or(0.0, |p| p.map.forward(jump.file_s)))
                    ),
                    Some(self.link(&file.path)),
                );
            }
            for warning in &file.warnings {
                say(false, format!("{}:", file.path), sentence(warning), None);
            }
            let missed_s: f64 = self.missed(recording, file).iter().map(|m| m.1 - m.0).sum();
            if missed_s >= MISSED_S {
                say(
                    false,
                    format!("{} has picture without a recorder for {}.", file.path, length(missed_s)),
                    "Its own sound is all there is for that time.".to_owned(),
                    section("Coverage", "when"),
                );
            }
        }
        for pair in self.alignment.pairs.iter().filter(|p| p.contradicted) {
            say(
                true,
                format!("{} and {} contradict the rest.", pair.a, pair.b),
                "Their comparison was left out; listen to both before you cut.".to_owned(),
                section("Evidence", "clocks"),
            );
        }
        for recording in &self.alignment.recordings {
            if let Some(early_s) = self.stopped_early_s(recording) {
                say(
                    false,
                    format!("{} stopped {} before the last.", recording.id, length(early_s)),
                    "Was the card full, or the battery empty?".to_owned(),
                    section("Coverage", "when"),
                );
            }
        }
        for (path, measured) in self.report.measured {
            match measured {
                Ok(measured) => {
                    for advice in measured.level.advice().into_iter().filter(|a| a.serious) {
                        say(true, format!("{}:", path), advice.text, section("Levels", "levels"));
                    }
                }
                Err(e) => say(true, format!("{path}: its level could not be read."), sentence(e.message()), None),
            }
        }
        // The serious first, otherwise in the order found.
        all.sort_by_key(|p| !p.serious);
        all
    }

    /// Stretches of a camera's file during which no recorder ran, on the timeline; none where there is no recorder.
    fn missed(&self, recording: &Recording, file: &File) -> Vec<(f64, f64)> {
        let recorders: Vec<&Placed<'_>> = self.placed.iter().filter(|p| p.recording.kind == Kind::Recorder).collect();
        let mine = self.placed.iter().find(|p| p.file.path == file.path);
        let Some(mine) = mine.filter(|_| recording.kind == Kind::Camera && !recorders.is_empty()) else {
            return Vec::new();
        };
        let mut ran: Vec<(f64, f64)> = recorders.iter().map(|p| (p.from_s, p.to_s)).collect();
        ran.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut missed = Vec::new();
        let mut at = mine.from_s;
        for (from, to) in ran {
            if from > at {
                missed.push((at, from.min(mine.to_s)));
            }
            at = at.max(to);
            if at >= mine.to_s {
                break;
            }
        }
        if at < mine.to_s {
            missed.push((at, mine.to_s));
        }
        missed.retain(|m| m.1 - m.0 >= MISSED_S.min(0.5));
        missed
    }

    fn stopped_early_s(&self, recording: &Recording) -> Option<f64> {
        let end = |r: &Recording| {
            let mine = self.placed.iter().filter(|p| p.recording.id == r.id);
            mine.map(|p| p.to_s).fold(f64::NEG_INFINITY, f64::max)
        };
        let early_s = self.duration_s - end(recording);
        (early_s.is_finite() && early_s > EARLY.1.max(EARLY.0 * self.duration_s)).then_some(early_s)
    }

    fn share(&self, seconds: f64) -> f64 {
        // Four digits are a tenth of a pixel at the largest zoom.
        (seconds / self.duration_s * 1e6).round() / 1e4
    }

    /// Distance of ticks for about `count` of them, seconds.
    fn step_s(&self, count: f64) -> f64 {
        const STEPS: [f64; 16] = [
            1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10_800.0,
            21_600.0,
        ];
        STEPS.into_iter().find(|s| self.duration_s / s <= count).unwrap_or(86_400.0)
    }

    fn border(&self) -> Vec<Block> {
        let step = self.step_s(40.0);
        let blocks = (self.duration_s / step).ceil() as usize;
        let block = |i: usize| {
            let (from, to) = (i as f64 * step, ((i + 1) as f64 * step).min(self.duration_s));
            Block {
                class: if i.is_multiple_of(2) { "full" } else { "" },
                left: self.share(from),
                width: self.share(to - from),
            }
        };
        (0..blocks).map(block).collect()
    }

    fn ticks(&self) -> Vec<Tick> {
        let steps = [self.step_s(8.0), self.step_s(24.0), self.step_s(80.0)];
        let mut ticks: Vec<Tick> = Vec::new();
        let mut seen: Vec<i64> = Vec::new();
        for (level, step) in steps.into_iter().enumerate() {
            let mut at = 0.0;
            while at < self.duration_s * 0.96 {
                if !seen.contains(&(at as i64)) {
                    seen.push(at as i64);
                    ticks.push(Tick { left: self.share(at), label: clock_time(at), level });
                }
                at += step;
            }
        }
        ticks
    }

    /// Colour of a recording: its place among those that are on the timeline.
    fn colour(&self, id: &str) -> usize {
        self.lane_order().iter().position(|r| r.id == id).unwrap_or(0) % 6
    }

    fn lane_order(&self) -> Vec<&'a Recording> {
        let clock = self.alignment.recording(&self.alignment.timeline.clock);
        let others = self.alignment.recordings.iter().filter(|r| r.id != self.alignment.timeline.clock);
        clock.into_iter().chain(others).filter(|r| r.files.iter().any(File::is_placed)).collect()
    }

    fn lanes(&self) -> Vec<LaneView> {
        let lane = |recording: &Recording| {
            let clips = self.placed.iter().filter(|p| p.recording.id == recording.id).map(|p| {
                let length_s = (p.to_s - p.from_s).max(1e-3);
                let within = |s: f64| ((s - p.from_s) / length_s * 1e4).round() / 100.0;
                let missed = self.missed(recording, p.file);
                let mut words = format!("{}, from {} to {}", p.file.path, clock_time(p.from_s), clock_time(p.to_s));
                if !missed.is_empty() {
                    words.push_str(&format!(", {} without a recorder", length(missed.iter().map(|m| m.1 - m.0).sum())));
                }
                if !p.file.jumps.is_empty() {
                    words.push_str(&format!(", {} jumps", p.file.jumps.len()));
                }
                ClipView {
                    name: p.file.path.clone(),
                    href: self.link(&p.file.path).1,
                    words,
                    left: self.share(p.from_s),
                    width: self.share(p.to_s - p.from_s),
                    missed: missed
                        .iter()
                        .map(|m| Span { left: within(m.0), width: within(m.1) - within(m.0) })
                        .collect(),
                    jumps: p.file.jumps.iter().map(|j| within(p.map.forward(j.file_s))).collect(),
                }
            });
            let clock = if recording.id == self.alignment.timeline.clock { ", the clock" } else { "" };
            LaneView {
                id: recording.id.clone(),
                colour: self.colour(&recording.id),
                words: format!("{}{clock}", recording.kind.as_str()),
                clips: clips.collect(),
            }
        };
        self.lane_order().into_iter().map(lane).collect()
    }

    fn coverage(&self) -> Vec<Coverage> {
        let row = |recording: &Recording| {
            let mine: Vec<&Placed<'_>> = self.placed.iter().filter(|p| p.recording.id == recording.id).collect();
            let from = mine.iter().map(|p| p.from_s).fold(f64::INFINITY, f64::min);
            let to = mine.iter().map(|p| p.to_s).fold(0.0, f64::max);
            let ran: f64 = mine.iter().map(|p| p.to_s - p.from_s).sum();
            let mut missed = Vec::new();
            if from > 1.0 {
                missed.push(format!("the first {}", length(from)));
            }
            let mut ends: Vec<(f64, f64)> = mine.iter().map(|p| (p.from_s, p.to_s)).collect();
            ends.sort_by(|a, b| a.0.total_cmp(&b.0));
            for w in ends.windows(2).filter(|w| w[1].0 - w[0].1 > 0.04) {
                missed.push(format!("{} at {}", length(w[1].0 - w[0].1), clock_time(w[0].1)));
            }
            if self.duration_s - to > 1.0 {
                missed.push(format!("the last {}", length(self.duration_s - to)));
            }
            let missed = match missed.len() {
                0 => "nothing".to_owned(),
                n if n > 6 => format!("{}, and {} more stretches", missed[..5].join(", "), n - 5),
                _ => missed.join(", "),
            };
            Coverage {
                id: recording.id.clone(),
                words: recording.kind.as_str(),
                from: clock_time(from),
                to: clock_time(to),
                ran: length(ran),
                share: format!("{:.0} %", 100.0 * ran / self.duration_s),
                missed,
            }
        };
        self.lane_order().into_iter().map(row).collect()
    }

    fn listen_note(&self) -> String {
        let Some(check) = self.report.checks.first() else { return String::new() };
        let mut note = format!(
            "Both sides are made equally loud, {} kHz, {} each.",
            check.rate_hz / 1000,
            length(check.clip.len() as f64 / f64::from(check.rate_hz))
        );
        let heard = |c: &&Couple| self.check_anchor(c).is_some();
        let all = self.couples.iter().filter(heard).count();
        if all < self.couples.len() {
            note.push_str(&format!(" To keep this page small, {all} of {} clips are here.", self.couples.len()));
        }
        note
    }

    fn clips(&self) -> Vec<CheckView> {
        let mut views: Vec<CheckView> = Vec::new();
        for checks in self.report.checks.chunk_by(|a, b| a.couple == b.couple) {
            let couple = &checks[0].couple;
            let id = self.placed.iter().find(|p| p.file.path == couple.clip).map_or("", |p| &p.recording.id);
            let sd_s = self.uncertainty_s(couple);
            let hand_s = self.worst_by_hand(couple).unwrap_or(0.0);
            let confidence =
                [&couple.clip, &couple.other].map(|p| self.alignment.file(p).and_then(|f| f.confidence).unwrap_or(0.0));
            views.push(CheckView {
                anchor: format!("check-{}", views.len() + 1),
                name: couple.clip.clone(),
                id: id.to_owned(),
                other: couple.other.clone(),
                words: format!(
                    "By hand {} at worst: {}. Aligned within {}, nineteen times of twenty. The placement is {}.",
                    early_or_late(hand_s),
                    lip_sync(hand_s).1,
                    within_ms(2.0 * sd_s),
                    in_words(confidence[0].min(confidence[1])),
                ),
                places: checks.iter().map(|c| place(c, sd_s)).collect(),
            });
        }
        views
    }

    /// One standard deviation of how two files lie on each other, seconds.
    fn uncertainty_s(&self, couple: &Couple) -> f64 {
        let of = |path: &str| self.alignment.file(path).and_then(|f| f.uncertainty_s).unwrap_or(0.0);
        of(&couple.clip).hypot(of(&couple.other))
    }

    /// How early the other file would be if it were laid by hand, at the worst moment that both share.
    fn worst_by_hand(&self, couple: &Couple) -> Option<f64> {
        let (clip, other) = (self.alignment.map(&couple.clip)?, self.alignment.map(&couple.other)?);
        let at_zero = by_hand(self.alignment, couple)?;
        let (from_s, to_s) = couple.common_s;
        let early = |t: f64| other.forward(at_zero + t) - clip.forward(t);
        (0..=200)
            .map(|i| early(from_s + (to_s - from_s) * f64::from(i) / 200.0))
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
    }

    /// How far a clip's picture is off on whole frames, at worst, seconds: positive where sound would be early.
    fn on_frames_s(&self, path: &str) -> Option<f64> {
        let layout = self.report.layout;
        let file = self.alignment.file(path)?;
        let (map, picture) = (file.map()?, file.picture.as_ref()?);
        let lanes = layout.lanes.iter().filter(|l| l.content == Content::Picture);
        let pieces = lanes.flat_map(|l| &l.pieces).filter(|p| p.path == path);
        let ends = pieces.flat_map(|piece| {
            let SourceRate::Frames(own) = piece.source_rate else { return Vec::new() };
            // Residuals are straight between; the last frame is where they end.
            let late = |k: i64| {
                let source_s = picture.start_s + own.seconds(piece.source_start) + layout.rate.seconds(k - piece.start);
                layout.rate.seconds(k) - map.forward(source_s)
            };
            vec![late(piece.start), late(piece.end() - 1)]
        });
        ends.max_by(|a, b| a.abs().total_cmp(&b.abs()))
    }

    fn sync(&self) -> Vec<SyncRow> {
        let row = |couple: &Couple| {
            let hand_s = self.worst_by_hand(couple)?;
            let frames_s = self.on_frames_s(&couple.clip);
            let conformed_s = 2.0 * self.uncertainty_s(couple);
            let (hand_class, words) = lip_sync(hand_s);
            Some(SyncRow {
                name: couple.clip.clone(),
                other: couple.other.clone(),
                hand: signed_ms(hand_s),
                hand_class,
                frames: frames_s.map_or("no picture".to_owned(), signed_ms),
                frames_class: frames_s.map_or("", |s| lip_sync(s).0),
                conformed: format!("\u{b1}{}", within_ms(conformed_s)),
                // The less forgiving side.
                conformed_class: lip_sync(conformed_s).0,
                words: format!("By hand {words}; conformed {}.", lip_sync(conformed_s).1),
            })
        };
        self.couples.iter().filter_map(row).collect()
    }

    /// Each recording's deviation from its own straight clock, as `plot` draws it.
    fn drift(&self, width: usize) -> String {
        let mut series = Vec::new();
        for recording in self.lane_order() {
            let mut points: Vec<(f64, f64)> = Vec::new();
            let mut off_s = 0.0;
            for p in self.placed.iter().filter(|p| p.recording.id == recording.id) {
                let first = p.map.knots()[0];
                if points.is_empty() {
                    // The clock itself never is off.
                    points.push((first.1, 0.0));
                }
                let base = off_s - (first.1 - first.0);
                points.extend(p.map.knots().iter().map(|k| (k.1, base + k.1 - k.0)));
                off_s = points[points.len() - 1].1;
            }
            let colour = self.colour(&recording.id);
            series.push(Series { name: recording.id.clone(), colour, shape: Shape::Line, points });
        }
        let worst = series.iter().flat_map(|s| &s.points).map(|p| p.1.abs()).fold(0.0, f64::max);
        let limits: &[(f64, &str)] =
            if worst > 0.02 { &[(R37_CHAIN_S.0, "EBU R 37, early"), (-R37_CHAIN_S.1, "EBU R 37, late")] } else { &[] };
        let last: Vec<String> =
            series.iter().filter_map(|s| Some(format!("{} ends {}", s.name, signed_ms(s.points.last()?.1)))).collect();
        let words = format!("How far each clock runs off, over the timeline. {}.", last.join(", "));
        plot(&words, width, self.duration_s, &series, limits)
    }

    fn residuals(&self, width: usize) -> String {
        let series: Vec<Series> = self
            .alignment
            .pairs
            .iter()
            .filter(|p| !p.residuals.is_empty())
            .enumerate()
            .map(|(i, p)| Series {
                name: format!("{} and {}", p.a, p.b),
                colour: i % 6,
                shape: Shape::Dots,
                points: p.residuals.iter().map(|r| (r[0], r[1])).collect(),
            })
            .collect();
        plot("What is left between measurements and result, over the timeline.", width, self.duration_s, &series, &[])
    }

    fn pairs(&self) -> Vec<PairRow> {
        let row = |p: &coeval_shoot::alignment::Pair| PairRow {
            a: p.a.clone(),
            b: p.b.clone(),
            overlap: length(p.overlap_s),
            evidence: p.evidence,
            rms: small_ms(p.residual_rms_s),
            words: match (p.contradicted, p.evidence) {
                (true, _) => "contradicts the rest, at least in part; left out there",
                (_, 0) => "no measurement was used",
                (_, 1..10) => "few measurements: it hangs by a thread",
                _ if p.residual_rms_s > 0.005 => "spread out: little common sound, or much echo",
                _ => "steady",
            },
        };
        self.alignment.pairs.iter().map(row).collect()
    }

    fn files(&self) -> Vec<FileRow> {
        let files = self.alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f)));
        files
            .map(|(recording, file)| {
                let none = || "\u{2013}".to_owned();
                FileRow {
                    anchor: self.file_anchor(&file.path),
                    name: file.path.clone(),
                    id: recording.id.clone(),
                    at: file.knots.first().map_or_else(none, |k| format!("{:.4} s", k[1])),
                    drift: file.drift_ppm.map_or_else(none, |d| format!("{d:+.2} ppm").replace('-', "\u{2212}")),
                    sd: file.uncertainty_s.map_or_else(none, small_ms),
                    confidence: file.confidence.map_or_else(none, percent),
                    words: match (file.confidence, &file.reason) {
                        (Some(confidence), _) if file.is_placed() => {
                            let proof = file.proof.as_ref().map(|p| sentence(&p.verdict));
                            [Some(sentence(in_words(confidence))), proof]
                                .into_iter()
                                .flatten()
                                .collect::<Vec<_>>()
                                .join(" ")
                        }
                        (_, reason) => format!("No place: {}", reason.as_deref().unwrap_or("no reason is given")),
                    },
                }
            })
            .collect()
    }

    fn levels(&self) -> Vec<LevelRow> {
        let row = |(path, measured): &(String, Result<Measured>)| {
            let level = &measured.as_ref().ok()?.level;
            let number = |x: Option<f64>| {
                x.filter(|x| x.is_finite())
                    .map_or("\u{2013}".to_owned(), |x| format!("{x:.1}").replace('-', "\u{2212}"))
            };
            let peak = level.channels.iter().map(|c| c.sample_peak_dbfs).fold(f64::NEG_INFINITY, f64::max);
            let speech = level.channels.iter().filter_map(|c| c.active_level_dbfs).reduce(f64::max);
            Some(LevelRow {
                name: path.clone(),
                peak: number(Some(peak)),
                loudness: number(level.integrated_lufs),
                speech: number(speech),
                noise: number(level.noise_floor_dbfs),
                advice: level.advice().into_iter().map(|a| AdviceView { serious: a.serious, text: a.text }).collect(),
            })
        };
        self.report.measured.iter().filter_map(row).collect()
    }

    fn mark(&self, mark: &Mark) -> Option<MarkRow> {
        mark.at_s.is_finite().then(|| MarkRow {
            at: clock_time(mark.at_s),
            timecode: self
                .report
                .start
                .plus((self.report.layout.rate.frames(mark.at_s) + 1e-6).floor() as i64)
                .to_string(),
            kind: mark.kind.clone(),
            name: if mark.length_s > 0.0 {
                format!("{}, {}", mark.name, length(mark.length_s))
            } else {
                mark.name.clone()
            },
        })
    }
}

fn residual_words(mut spread: Vec<f64>) -> String {
    spread.sort_by(f64::total_cmp);
    match spread.get(spread.len() * 19 / 20) {
        Some(&s) => format!("Nineteen of twenty are within {}.", within_ms(s)),
        None => String::new(),
    }
}

fn place(check: &Check, sd_s: f64) -> PlaceView {
    let version = |other: &[f32], class, label, early_s: f64, wide_s: f64, words: String| {
        // A mark that can be seen, on a bar of 400 ms.
        let width = (2e3 * wide_s).max(4.0);
        let gauge = ((1e3 * early_s).clamp(-198.0, 198.0) - width / 2.0, width);
        let (bins, up, down) = wave::outline(&check.clip, other);
        Version {
            class,
            label,
            verdict: lip_sync(early_s).0,
            words,
            early_s,
            gauge_left: gauge.0,
            gauge_width: gauge.1,
            bins,
            up,
            down,
            wav: BASE64.encode(wave::stereo(&check.clip, other, check.rate_hz)),
        }
    };
    let hand = format!("{}: {}", early_or_late(check.before_early_s), lip_sync(check.before_early_s).1);
    let aligned = format!("\u{b1}{}: {}", within_ms(2.0 * sd_s), lip_sync(2.0 * sd_s).1);
    PlaceView {
        place: check.place.as_str(),
        at: format!("at {}", clock_time(check.timeline_s)),
        versions: vec![
            version(&check.before, "before", "By hand", check.before_early_s, 0.0, hand),
            version(&check.after, "after", "Aligned", 0.0, 2.0 * sd_s, aligned),
        ],
    }
}

/// A probability without rounding it up to certainty.
fn percent(p: f64) -> String {
    if p > 0.9999 { "over 99.99 %".to_owned() } else { format!("{:.2} %", (p * 1e4).floor() / 100.0) }
}

/// With a capital at its start and a full stop at its end.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let mut text: String =
        letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect());
    if !text.ends_with(['.', '?', '!']) {
        text.push('.');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::tests::example;
    use crate::lists::marks;

    fn html(alignment: &Alignment, title: &str, checks: &[Check]) -> String {
        let layout = Layout::of(alignment).unwrap();
        let start = Timecode::from_label([1, 0, 0, 0], layout.rate, layout.rate.counting()).unwrap();
        let marks = marks(alignment, &[]);
        let measured = [("R.FLAC".to_owned(), Err(Error::new(ErrorKind::NoSound, "<b>no</b> sound")))];
        let (measured, marks) = (&measured, &marks);
        page(&Report { title, alignment, layout: &layout, start, measured, checks, marks, others: &[] }).unwrap()
    }

    #[test]
    fn verdicts_follow_the_published_limits() {
        // EBU R 37 (whole chain +40/-60 ms, one stage +5/-15) and ITU-R BT.1359-1 (+45/-125, +90/-185 ms).
        for (early_ms, words) in [
            (5.0, "in sync"),
            (-15.0, "in sync"),
            (5.1, "in sync by EBU R 37"),
            (40.0, "in sync by EBU R 37"),
            (-60.0, "in sync by EBU R 37"),
            (44.0, "beyond EBU R 37, seldom noticed"),
            (-124.0, "beyond EBU R 37, seldom noticed"),
            (46.0, "noticed"),
            (-126.0, "noticed"),
            (90.1, "unacceptable"),
            (-186.0, "unacceptable"),
            (f64::NAN, "unacceptable"),
        ] {
            assert_eq!(lip_sync(early_ms / 1e3).1, words, "{early_ms}");
        }
    }

    #[test]
    fn numbers_are_said_as_people_say_them() {
        assert_eq!([0.0853, 24.0, 90.0, 3661.0].map(length), ["85 ms", "24.0 s", "1 min 30 s", "1 h 1 min"]);
        assert_eq!([0.0231, -0.0046, 0.000_01].map(early_or_late), ["23 ms early", "4.6 ms late", "on the spot"]);
        assert_eq!([0.000_03, 0.0011, 0.001_11].map(within_ms), ["0.1 ms", "1.1 ms", "1.2 ms"]);
        assert_eq!(percent(1.0), "over 99.99 %");
    }

    #[test]
    fn problems_come_first_and_the_worst_of_them_before_the_rest() {
        let mut alignment = example();
        alignment.recordings[0].files[0].confidence = Some(0.93);
        let page = html(&alignment, "day 1", &[]);
        let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} is not there"));
        let (unplaced, doubtful) = (at("X.MP4 has no place."), at("b&#x2f;C 1.MP4 may lie wrong."));
        let jump = at("b&#x2f;C 1.MP4 lost 500 ms of sound.");
        assert!(
            at("What needs attention") < doubtful
                && doubtful.max(unplaced) < jump
                && jump < at("Who recorded when</h2>")
        );
        // cam-b ran from 30.0 s to 130.5 s, cam-a to 174.2 s, the recorder to 199.0 s.
        assert!(page.contains("cam-a stopped 24.8 s before the last."), "{page}");
        assert!(page.contains("its level could not be read."));
    }

    #[test]
    fn no_name_becomes_markup() {
        let evil = "\"><img src=x onerror=alert(1)>'</script><script>alert(2)</script>&{{ 7 * 7 }}";
        let mut alignment = example();
        for recording in &mut alignment.recordings {
            for file in &mut recording.files {
                file.path = format!("{evil}{}", file.path);
                file.warnings.push(evil.to_owned());
                file.reason = file.reason.as_ref().map(|_| evil.to_owned());
            }
            recording.id = format!("{evil}{}", recording.id);
        }
        alignment.timeline.clock = format!("{evil}cam-a");
        alignment.pairs.push(coeval_shoot::alignment::Pair {
            a: alignment.recordings[0].id.clone(),
            b: alignment.recordings[1].id.clone(),
            overlap_s: 60.0,
            confidence: 1.0,
            residual_rms_s: 1e-4,
            evidence: 2,
            contradicted: true,
            residuals: vec![[31.0, 1e-4], [80.0, -1e-4]],
        });
        let page = html(&alignment, evil, &[]);
        assert_eq!(page.matches("<script").count(), 1);
        assert_eq!(page.matches("</script").count(), 1);
        assert!(!page.contains("<img") && !page.contains("<b>no</b>") && !page.contains("49&#x27;"));
        assert!(page.contains("&lt;img"));
        // Attributes of the page itself only: a quote in a name ends none.
        assert!(!page.contains("\" onerror") && !page.contains("\"><img"));
    }

    #[test]
    fn an_hour_with_fifteen_clips_stays_below_fifteen_megabytes() {
        let mut alignment = example();
        let clip = alignment.recordings[1].files[0].clone();
        alignment.recordings[1].files = (0..15)
            .map(|i| {
                let at = f64::from(i) * 240.0;
                let mut file = clip.clone();
                file.path = format!("A_{i:02}.MOV");
                file.knots = vec![[0.0, at], [81.081, at + 81.081]];
                file
            })
            .collect();
        alignment.recordings[2].files[0].knots = vec![[0.0, 0.0], [3600.0, 3600.18]];
        alignment.recordings[2].files[0].duration_s = Some(3600.0);
        let dir = tempfile::tempdir().unwrap();
        for (name, rate_hz, seconds) in
            (0..15).map(|i| (format!("A_{i:02}.MOV"), 8000, 82)).chain([("R.FLAC".to_owned(), 8000, 3600)])
        {
            let mut wav =
                coeval_media::WavWriter::create(&dir.path().join(name), coeval_media::WavOptions::new(rate_hz, 1))
                    .unwrap();
            // Noise: the least that could be packed.
            let mut state = 1u32;
            let block: Vec<f32> = (0..rate_hz * seconds)
                .map(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    (state >> 8) as f32 / (1u32 << 24) as f32 - 0.5
                })
                .collect();
            wav.write(&block).unwrap();
            wav.finish().unwrap();
        }
        alignment.recordings.truncate(3);
        alignment.recordings.remove(0);
        let checks = coeval_shoot::listen::listen(&alignment, dir.path(), &Default::default(), &()).unwrap();
        assert_eq!(checks.len(), 45);
        let page = html(&alignment, "an hour", &checks);
        assert!(page.len() < 15_000_000, "{} bytes", page.len());
        assert_eq!(page.matches("src=\"data:audio/wav;base64,").count(), 90);
    }
}
