//! What the report says of an alignment.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use coeval::Result;
use coeval::clock::ClockMap;
use coeval_shoot::alignment::{Alignment, EvidenceKind, File, Kind, Pair, Recording, SURE};
use coeval_shoot::lag_map::LagMap;
use coeval_shoot::listen::{Check, Couple, by_hand, couples};
use coeval_shoot::{LIP_SYNC_R37_S, Measured, clock_time, milliseconds};
use sha2::{Digest as _, Sha256};

use super::plot::{Series, Shape, cells, plot};
use super::rows::{
    AdviceView, CheckView, FileRow, LagMapView, LeftOut, LevelRow, Link, MarkRow, OtherEvent, Page, PairRow, PlaceView,
    Problem, SyncRow, Version, WhyView,
};
use super::words::{
    EARLY, difference, early_or_late, evidence_kind, in_words, length, lip_sync, moment, other_paths, percent,
    residual_words, rivals, sentence, signed_ms, whole,
};
use super::{Report, SCRIPT, STYLE, wave};
use crate::layout::{Content, SourceRate};
use crate::lists::Mark;

/// Picture without a recorder for so long is worth a line, seconds.
const MISSED_S: f64 = 1.0;
/// Recordings that stopped early are named one by one up to so many.
const STOPPED_EARLY: usize = 3;
/// A message names up to so many files.
const NAMED: usize = 4;
/// Rows of the table of markers.
const MARKS: usize = 200;
/// Files whose offset is drawn, for the size of the page (own choice).
const OFFSET_PLOTS: usize = 200;
/// Width of that picture, which stands in a cell of a table.
const WHY_WIDTH: usize = 480;
/// Curves are drawn for a phone, a tablet or paper, and a desk.
const WIDTHS: [usize; 3] = [360, 720, 1180];

/// A placed file and where it lies.
pub(super) struct Placed<'a> {
    pub(super) recording: &'a Recording,
    pub(super) file: &'a File,
    pub(super) map: ClockMap,
    pub(super) from_s: f64,
    pub(super) to_s: f64,
}

pub(super) struct View<'a> {
    pub(super) report: &'a Report<'a>,
    pub(super) alignment: &'a Alignment,
    pub(super) placed: Vec<Placed<'a>>,
    pub(super) couples: Vec<Couple>,
    pub(super) duration_s: f64,
}

impl<'a> View<'a> {
    pub(super) fn new(report: &'a Report<'a>) -> Self {
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

    pub(super) fn page(&self) -> Page {
        let all = self.alignment.files().filter(|f| f.copy_of.is_none()).count();
        let placed = self.placed.len();
        let headline = match all - placed {
            0 => format!("All {all} files are placed on one timeline."),
            1 => format!("{placed} of {all} files are placed on one timeline; 1 is unplaced."),
            n => format!("{placed} of {all} files are placed on one timeline; {n} are unplaced."),
        };
        let sync = self.sync();
        let tracks = self.tracks();
        let heard = || tracks.iter().flat_map(|l| &l.clips).filter_map(|c| c.heard.as_ref());
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
            any_doubtful: tracks.iter().flat_map(|l| &l.clips).any(|c| !c.doubtful.is_empty()),
            any_missed: tracks.iter().flat_map(|l| &l.clips).any(|c| !c.missed.is_empty()),
            any_heard: heard().next().is_some(),
            any_speech: heard().any(|h| !h.speech.is_empty()),
            any_clap: heard().any(|h| !h.claps.is_empty()),
            pictures_every: tracks.iter().any(|t| !t.pictures.is_empty()).then(|| whole(self.report.pictures.every_s)),
            any_jump: tracks.iter().flat_map(|l| &l.clips).any(|c| !c.jumps.is_empty()),
            tracks,
            coverage: self.coverage(),
            left_out: self
                .alignment
                .files()
                .filter(|f| f.is_left_out())
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

    pub(super) fn lede(&self) -> Vec<String> {
        let mut lede = Vec::new();
        let worst = |f: &dyn Fn(&Couple) -> Option<f64>| {
            self.couples.iter().filter_map(f).max_by(|a, b| a.abs().total_cmp(&b.abs()))
        };
        if let Some(uncorrected_s) = worst(&|c| self.worst_uncorrected(c)) {
            let conformed_s = worst(&|c| Some(2.0 * self.uncertainty_s(c))).unwrap_or(0.0);
            lede.push(format!(
                "The sound made for each clip stays within {} of the picture (95 % of cases). Placed once on the nearest frame, \
                 without correction for drift, it would be up to {} off.",
                milliseconds(conformed_s),
                length(uncorrected_s.abs()),
            ));
        }
        let serious = self.problems().iter().filter(|p| p.serious).count();
        lede.push(match serious {
            0 => "No action is needed before you cut.".to_owned(),
            1 => "One thing needs action before you cut.".to_owned(),
            n => format!("{n} things need action before you cut."),
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
    pub(super) fn link(&self, path: &str) -> (&'static str, String) {
        let couple = self.couples.iter().find(|c| c.clip == path).or(self.couples.iter().find(|c| c.other == path));
        let check = couple.and_then(|c| self.check_anchor(c)).map(|anchor| ("Listen", anchor));
        check.unwrap_or_else(|| ("Details", self.file_anchor(path)))
    }

    pub(super) fn problems(&self) -> Vec<Problem> {
        let pictures = self.report.pictures.note.iter().map(|why| {
            let remedy = "They only help to find your way: all else is complete.";
            Problem::slight(why.clone(), remedy, section("Chart", "when"))
        });
        let parts =
            [self.file_problems(), self.contradictions(), self.early_ends(), self.level_problems(), pictures.collect()];
        let mut all: Vec<Problem> = parts.into_iter().flatten().collect();
        // The serious first, otherwise in the order found.
        all.sort_by_key(|p| !p.serious);
        all
    }

    fn file_problems(&self) -> Vec<Problem> {
        let mut all = Vec::new();
        let (mut unplaced, mut warned) = (Grouped::default(), Grouped::default());
        let mut bare: Vec<(&str, f64)> = Vec::new();
        for (recording, file) in self.alignment.recordings.iter().flat_map(|r| r.files.iter().map(move |f| (r, f))) {
            let line = Some(("Details", self.file_anchor(&file.path)));
            if let Some(original) = &file.copy_of {
                let what = format!("{} is a copy of {original}.", file.path);
                all.push(Problem::slight(what, "The copy is not used.", line));
                continue;
            }
            if !file.is_placed() {
                let why = file.reason.as_deref().unwrap_or("no reason is given");
                unplaced.add(sentence(why), &file.path, line);
                continue;
            }
            if let Some(confidence) = file.confidence.filter(|c| *c < SURE) {
                let what = format!("{} may be in the wrong place.", file.path);
                all.push(Problem::serious(what, sentence(in_words(confidence)), Some(self.link(&file.path))));
            }
            all.extend(self.jumps(file));
            for warning in &file.warnings {
                warned.add(sentence(warning), &file.path, None);
            }
            let missed_s: f64 = self.missed(recording, file).iter().map(|m| m.1 - m.0).sum();
            if missed_s >= MISSED_S {
                bare.push((&file.path, missed_s));
            }
        }
        all.extend(unplaced.0.into_iter().map(|(then, paths, link)| {
            let are = if paths.len() == 1 { "is" } else { "are" };
            Problem::serious(format!("{} {are} unplaced.", few(&paths)), then, link)
        }));
        let words = |paths: &[&str]| format!("{}:", few(paths));
        all.extend(warned.0.into_iter().map(|(then, paths, link)| Problem::slight(words(&paths), then, link)));
        if !bare.is_empty() {
            let (paths, missed_s): (Vec<&str>, Vec<f64>) = bare.into_iter().unzip();
            let what = format!("No recorder ran during {} of {}.", length(missed_s.iter().sum()), few(&paths));
            all.push(Problem::slight(what, "There is only the camera's own sound.", section("Coverage", "when")));
        }
        all
    }

    fn jumps(&self, file: &File) -> impl Iterator<Item = Problem> {
        let placed = self.placed.iter().find(|p| p.file.path == file.path);
        file.jumps.iter().map(move |jump| {
            let what = if jump.lost_s >= 0.0 { "lost" } else { "repeated" };
            let then = format!(
                "The jump is at about {} on the timeline. The clip is split there: listen across the split.",
                clock_time(placed.map_or(0.0, |p| p.map.forward(jump.file_s)))
            );
            let what = format!("{} {what} {} of sound.", file.path, length(jump.lost_s.abs()));
            Problem::slight(what, then, Some(self.link(&file.path)))
        })
    }

    fn contradictions(&self) -> Vec<Problem> {
        let pairs = self.alignment.pairs.iter().filter(|p| p.contradicted);
        let problem = |pair: &Pair| {
            let what = format!("The comparison of {} and {} contradicts the other comparisons.", pair.a, pair.b);
            let then = "It was not used. Listen to both before you cut.".to_owned();
            Problem::serious(what, then, section("Evidence", "clocks"))
        };
        pairs.map(problem).collect()
    }

    fn early_ends(&self) -> Vec<Problem> {
        let early = self.alignment.recordings.iter().filter_map(|r| Some((&r.id, self.stopped_early_s(r)?)));
        let early: Vec<(&String, f64)> = early.collect();
        let problem = |what: String, then: &str| Problem::slight(what, then, section("Coverage", "when"));
        // Whoever films short clips stops early every time.
        if early.len() > STOPPED_EARLY {
            let all = self.alignment.recordings.len();
            return vec![problem(
                format!("{} of {all} recordings stopped long before the last one.", early.len()),
                "This is normal for short clips. If one stopped too soon: was its card full, or its battery empty?",
            )];
        }
        let one = |(id, early_s): (&String, f64)| {
            let what = format!("{id} stopped {} before the last device stopped.", length(early_s));
            problem(what, "Was the card full, or the battery empty?")
        };
        early.into_iter().map(one).collect()
    }

    fn level_problems(&self) -> Vec<Problem> {
        let mut all = Vec::new();
        for (path, measured) in self.report.measured {
            match measured {
                Ok(measured) => {
                    let serious = measured.level.advice().into_iter().filter(|a| a.serious);
                    let problem = |text| Problem::serious(format!("{path}:"), text, section("Levels", "levels"));
                    all.extend(serious.map(|a| problem(a.text)));
                }
                Err(e) => {
                    let what = format!("{path}: its level could not be measured.");
                    all.push(Problem::serious(what, sentence(e.message()), None));
                }
            }
        }
        all
    }

    /// Stretches of a camera's file during which no recorder ran, on the timeline; none where there is no recorder.
    pub(super) fn missed(&self, recording: &Recording, file: &File) -> Vec<(f64, f64)> {
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

    pub(super) fn listen_note(&self) -> String {
        let Some(check) = self.report.checks.first() else { return String::new() };
        let mut note = format!(
            "Both sides are set to the same loudness. Each excerpt is {1} long, at {0} kHz.",
            check.rate_hz / 1000,
            length(check.clip.len() as f64 / f64::from(check.rate_hz))
        );
        let heard = |c: &&Couple| self.check_anchor(c).is_some();
        let all = self.couples.iter().filter(heard).count();
        if all < self.couples.len() {
            note.push_str(&format!(" To keep this page small, it has only {all} of {} clips.", self.couples.len()));
        }
        note
    }

    pub(super) fn clips(&self) -> Vec<CheckView> {
        let mut views: Vec<CheckView> = Vec::new();
        for checks in self.report.checks.chunk_by(|a, b| a.couple == b.couple) {
            let couple = &checks[0].couple;
            let id = self.placed.iter().find(|p| p.file.path == couple.clip).map_or("", |p| &p.recording.id);
            let sd_s = self.uncertainty_s(couple);
            let uncorrected_s = self.worst_uncorrected(couple).unwrap_or(0.0);
            let confidence =
                [&couple.clip, &couple.other].map(|p| self.alignment.file(p).and_then(|f| f.confidence).unwrap_or(0.0));
            views.push(CheckView {
                anchor: format!("check-{}", views.len() + 1),
                name: couple.clip.clone(),
                id: id.to_owned(),
                other: couple.other.clone(),
                words: format!(
                    "Uncorrected: at worst {}, {}. Aligned: within {} (95 % of cases). The placement is {}.",
                    early_or_late(uncorrected_s),
                    lip_sync(uncorrected_s).1,
                    milliseconds(2.0 * sd_s),
                    in_words(confidence[0].min(confidence[1])),
                ),
                places: checks.iter().map(|c| place(c, sd_s)).collect(),
            });
        }
        views
    }

    /// One standard deviation of how two files lie on each other, where they are heard, seconds.
    fn uncertainty_s(&self, couple: &Couple) -> f64 {
        let of = |path: &str| self.alignment.file(path).and_then(|f| f.uncertainty_heard_s()).unwrap_or(0.0);
        of(&couple.clip).hypot(of(&couple.other))
    }

    /// How early the other file would be without correction, at the worst moment that both share.
    fn worst_uncorrected(&self, couple: &Couple) -> Option<f64> {
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
        let (map, picture) = (file.laid()?, file.picture.as_ref()?);
        let tracks = layout.tracks.iter().filter(|t| t.content == Content::Picture);
        let pieces = tracks.flat_map(|l| &l.pieces).filter(|p| p.path == path);
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

    pub(super) fn sync(&self) -> Vec<SyncRow> {
        let row = |couple: &Couple| {
            let uncorrected_s = self.worst_uncorrected(couple)?;
            let frames_s = self.on_frames_s(&couple.clip);
            let conformed_s = 2.0 * self.uncertainty_s(couple);
            let (uncorrected_class, words) = lip_sync(uncorrected_s);
            Some(SyncRow {
                name: couple.clip.clone(),
                other: couple.other.clone(),
                uncorrected: signed_ms(uncorrected_s),
                uncorrected_class,
                frames: frames_s.map_or("no picture".to_owned(), signed_ms),
                frames_class: frames_s.map_or("", |s| lip_sync(s).0),
                conformed: format!("\u{b1}{}", milliseconds(conformed_s)),
                // The less forgiving side.
                conformed_class: lip_sync(conformed_s).0,
                words: format!("Uncorrected: {words}. Conformed: {}.", lip_sync(conformed_s).1),
            })
        };
        self.couples.iter().filter_map(row).collect()
    }

    /// Each recording's deviation from its own straight clock, as `plot` draws it.
    pub(super) fn drift(&self, width: usize) -> String {
        let mut series = Vec::new();
        for recording in self.track_order() {
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
        let limits: &[(f64, &str)] = if worst > 0.02 {
            &[(LIP_SYNC_R37_S.0, "EBU R 37, early"), (-LIP_SYNC_R37_S.1, "EBU R 37, late")]
        } else {
            &[]
        };
        let last: Vec<String> = series
            .iter()
            .filter_map(|s| Some(format!("{} ends at {}", s.name, signed_ms(s.points.last()?.1))))
            .collect();
        let words = format!("Drift of each clock over the timeline. {}.", last.join(", "));
        plot(&words, width, (0.0, self.duration_s), &series, limits)
    }

    pub(super) fn residuals(&self, width: usize) -> String {
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
        plot("Residuals of the measurements over the timeline.", width, (0.0, self.duration_s), &series, &[])
    }

    pub(super) fn pairs(&self) -> Vec<PairRow> {
        let row = |p: &coeval_shoot::alignment::Pair| PairRow {
            a: p.a.clone(),
            b: p.b.clone(),
            overlap: length(p.overlap_s),
            evidence: p.evidence,
            rms: milliseconds(p.residual_rms_s),
            words: {
                let fits = match (p.contradicted, p.evidence) {
                    (true, _) => "contradicts the other pairs, at least in part; what contradicts them is not used",
                    (_, 0) => "no measurement was used",
                    (_, 1..10) => "few measurements",
                    _ if p.residual_rms_s > 0.005 => "scattered: little common sound, or strong echo",
                    _ => "consistent",
                };
                [fits.to_owned()].into_iter().chain(other_paths(p)).chain(rivals(p)).collect::<Vec<_>>().join("; ")
            },
        };
        self.alignment.pairs.iter().map(row).collect()
    }

    pub(super) fn files(&self) -> Vec<FileRow> {
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
                    sd: file.uncertainty_s.map_or_else(none, milliseconds),
                    confidence: file.confidence.map_or_else(none, percent),
                    why: self.why(recording, file),
                    by_hand: file.copy_of.is_none().then(|| self.by_hand(recording, file)).flatten(),
                    words: match (file.confidence, &file.reason) {
                        (Some(confidence), _) if file.is_placed() => {
                            let proof = file.proof.as_ref().map(|p| sentence(&p.verdict));
                            let clip = file.better_sound_of.as_ref();
                            let sound = clip.map(|clip| format!("Better sound of {clip}."));
                            [Some(sentence(in_words(confidence))), proof, sound]
                                .into_iter()
                                .flatten()
                                .collect::<Vec<_>>()
                                .join(" ")
                        }
                        (_, reason) => format!("Unplaced: {}", reason.as_deref().unwrap_or("no reason is given")),
                    },
                }
            })
            .collect()
    }

    /// Why a file lies where it lies: its offset over time with the measurements, and what else speaks for it or against it.
    fn why(&self, recording: &Recording, file: &File) -> Option<WhyView> {
        let index = self.placed.iter().position(|p| p.file.path == file.path)?;
        let proof = file.proof.as_ref()?;
        let mut lines = Vec::new();
        if proof.evidence > 0 {
            let span = proof.evidence_span_s.map_or_else(String::new, |[from_s, to_s]| {
                format!(", from {} to {} of the file", clock_time(from_s), clock_time(to_s))
            });
            lines.push(format!(
                "{} measurements{span}. 95 % of them lie within {} of the placement.",
                proof.evidence,
                milliseconds(proof.residual_p95_s)
            ));
        }
        let [start_s, end_s] = proof.ends_uncertainty_s;
        lines.push(format!(
            "Standard deviation: {} at the start, {} at the end; of the drift {:.2} ppm.",
            milliseconds(start_s),
            milliseconds(end_s),
            proof.drift_sigma_ppm
        ));
        // Sound against itself is in the measurements.
        for other in proof.agreement.iter().filter(|a| a.by != EvidenceKind::Sound) {
            lines.push(format!("{}: {} than the placement.", evidence_kind(other), difference(other.difference_s)));
        }
        let worst = self.alignment.loops.iter().filter(|l| l.files.contains(&file.path));
        if let Some(round) = worst.max_by(|x, y| x.closure_s.abs().total_cmp(&y.closure_s.abs())) {
            let others: Vec<&str> = round.files.iter().filter(|f| **f != file.path).map(String::as_str).collect();
            lines.push(format!(
                "Check: this file, {} were compared in pairs. The three results agree within {}.",
                others.join(" and "),
                milliseconds(round.closure_s.abs())
            ));
        }
        for doubt in file.doubtful() {
            lines.push(format!(
                "In doubt from {} to {} of the file: confidence {}, standard deviation {}.",
                clock_time(doubt.from_s),
                clock_time(doubt.to_s),
                percent(doubt.confidence),
                milliseconds(doubt.uncertainty_s)
            ));
        }
        let plots = (index < OFFSET_PLOTS).then(|| self.offset(recording, &self.placed[index]));
        let clip = &self.placed[index];
        let map = self.report.maps.iter().find(|m| m.couple.clip == file.path);
        let map = map.filter(|_| plots.is_some()).map(|map| self.lag_map(recording, clip, map));
        Some(WhyView { plots, map, lines })
    }

    /// A clip's offset over time, from that at its start, with what each other recording says of it; and the same without
    /// the offset of the placement.
    fn offset(&self, recording: &Recording, clip: &Placed<'_>) -> [String; 2] {
        let start_s = clip.map.knots()[0].1 - clip.map.knots()[0].0;
        let off_s = |timeline_s: f64| timeline_s - clip.map.inverse(timeline_s) - start_s;
        let map = clip.map.knots().iter().map(|k| (k.1, k.1 - k.0 - start_s)).collect();
        let colour = self.colour(&recording.id);
        let mut series = vec![Series { name: "placement".to_owned(), colour, shape: Shape::Line, points: map }];
        let mut rests = Vec::new();
        for pair in &self.alignment.pairs {
            let (other, sign) = match recording.id.as_str() {
                id if id == pair.a => (&pair.b, -1.0),
                id if id == pair.b => (&pair.a, 1.0),
                _ => continue,
            };
            let inside = pair.residuals.iter().filter(|r| clip.from_s <= r[0] && r[0] <= clip.to_s);
            let rest: Vec<(f64, f64)> = inside.map(|r| (r[0], sign * r[1])).collect();
            if !rest.is_empty() {
                let dots = |points| Series {
                    name: format!("against {other}"),
                    colour: self.colour(other),
                    shape: Shape::Dots,
                    points,
                };
                series.push(dots(rest.iter().map(|r| (r.0, off_s(r.0) + r.1)).collect()));
                rests.push(dots(rest));
            }
        }
        let words = format!("Offset of {} over time, from that at its start.", clip.file.path);
        let rest_words = format!("Residuals of {} over time.", clip.file.path);
        let span_s = (clip.from_s, clip.to_s);
        [plot(&words, WHY_WIDTH, span_s, &series, &[]), plot(&rest_words, WHY_WIDTH, span_s, &rests, &[])]
    }

    /// How alike a clip and its recorder sound at lags around the placement.
    fn lag_map(&self, recording: &Recording, clip: &Placed<'_>, map: &LagMap) -> LagMapView {
        let (from_s, to_s) = map.couple.common_s;
        let part_s = (to_s - from_s) / map.columns().max(1) as f64;
        let edge_s = |column: usize| clip.map.forward(from_s + column as f64 * part_s);
        let other = &map.couple.other;
        let words =
            format!("How alike {} and {other} sound, over time and over the lag from the placement.", clip.file.path);
        let svg = cells(&words, WHY_WIDTH, self.colour(&recording.id), &map.strength, &edge_s);
        LagMapView { svg, other: other.clone(), column: format!("{part_s:.1} s") }
    }

    /// A list of one anchor for `--anchors`. Of a placed file it is true as it stands: the middle of what it and another
    /// file share. Of an unplaced file nobody knows two times that match: the command refuses the lines until they are
    /// filled in.
    fn by_hand(&self, recording: &Recording, file: &File) -> Option<String> {
        let others = || self.placed.iter().filter(|p| p.recording.id != recording.id);
        let length_s = |p: &Placed| p.to_s - p.from_s;
        let (other, own, its) = match self.placed.iter().find(|p| p.file.path == file.path) {
            Some(mine) => {
                let shared = |p: &&Placed| mine.to_s.min(p.to_s) - mine.from_s.max(p.from_s);
                let other = others().max_by(|x, y| shared(x).total_cmp(&shared(y)))?;
                let (from_s, to_s) = (mine.from_s.max(other.from_s), mine.to_s.min(other.to_s));
                let middle_s = (from_s + to_s.max(from_s)) / 2.0;
                let at = |map: &ClockMap| format!("{:.3}", map.inverse(middle_s));
                (other, at(&mine.map), at(&other.map))
            }
            None => {
                let blank = || "\"?\"".to_owned();
                (others().max_by(|x, y| length_s(x).total_cmp(&length_s(y)))?, blank(), blank())
            }
        };
        // What is escaped in JSON is escaped so in TOML.
        let quoted = |name: &str| serde_json::to_string(name).ok();
        Some(format!(
            "[[anchor]]\na = {}\na_at = {own}  # from its start: seconds, or \"0:34.5\"\nb = {}\nb_at = {its}  # the same moment in b\n",
            quoted(&file.path)?,
            quoted(&other.file.path)?
        ))
    }

    pub(super) fn levels(&self) -> Vec<LevelRow> {
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
            at: moment(mark),
            timecode: self.report.start.plus(mark.frame(self.report.layout.rate)).to_string(),
            kind: mark.kind.clone(),
            name: if mark.length_s > 0.0 {
                format!("{}, {}", mark.name, length(mark.length_s))
            } else {
                mark.name.clone()
            },
        })
    }
}

fn section(name: &'static str, id: &str) -> Option<Link> {
    Some((name, id.to_owned()))
}

/// Messages that files share, each once, with its files and the link of the first.
#[derive(Default)]
struct Grouped<'a>(Vec<(String, Vec<&'a str>, Option<Link>)>);

impl<'a> Grouped<'a> {
    fn add(&mut self, message: String, path: &'a str, link: Option<Link>) {
        match self.0.iter_mut().find(|g| g.0 == message) {
            Some(group) => group.1.push(path),
            None => self.0.push((message, vec![path], link)),
        }
    }
}

/// Names of files in a sentence; of many the first.
fn few(paths: &[&str]) -> String {
    match paths {
        [only] => (*only).to_owned(),
        [most @ .., last] if paths.len() <= NAMED => format!("{} and {last}", most.join(", ")),
        _ => format!("{} and {} more", paths[..NAMED - 1].join(", "), paths.len() - NAMED + 1),
    }
}

pub(super) fn place(check: &Check, sd_s: f64) -> PlaceView {
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
    let uncorrected = format!("{}: {}", early_or_late(check.before_early_s), lip_sync(check.before_early_s).1);
    let aligned = format!("\u{b1}{}: {}", milliseconds(2.0 * sd_s), lip_sync(2.0 * sd_s).1);
    PlaceView {
        place: check.place.as_str(),
        at: format!("at {}", clock_time(check.timeline_s)),
        clip_s: check.clip_s,
        versions: vec![
            version(&check.before, "before", "Uncorrected", check.before_early_s, 0.0, uncorrected),
            version(&check.after, "after", "Aligned", 0.0, 2.0 * sd_s, aligned),
        ],
    }
}
