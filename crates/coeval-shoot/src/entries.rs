//! The solved shoot as the result contract has it: an entry for each recording, file, pair, anchor, loop and event.

use std::collections::BTreeMap;

use coeval::clock::ClockMap;
use coeval::network::{AnchorReport, Force, Link, LinkReport, LoopClosure, Node, Placement};
use coeval::pair::PairOutcome;

use crate::alignment::{
    Alignment, AnchorCheck, Event, EvidenceKind, File, Generator, Jump, Loop, Pair, PlacedBy, Recording, RivalPlace,
    SCHEMA, SoundPath, Status, Stretch, Timeline,
};
use crate::anchors::Resolved;
use crate::chapters::Group;
use crate::compare::Compared;
use crate::headers::{Probed, slowed_words};
use crate::places::{EventNodes, Places, Reports, Shoot};
use crate::proof::{self, Residual};
use crate::sound::{Analysed, Sound};

/// Timecode that differs by less is one clock's, seconds (own choice).
const AGREE_S: f64 = 1.0;

/// A solved shoot.
pub(crate) struct Entries<'a> {
    pub(crate) shoot: &'a Shoot<'a>,
    pub(crate) places: &'a Places,
    pub(crate) found: &'a [EventNodes],
    pub(crate) reports: &'a Reports,
    /// Links between events that say too little to join them.
    pub(crate) refused: &'a [&'a Link],
}

impl Entries<'_> {
    /// The contract. `main` is the recording that the user chose for the clock.
    pub(crate) fn alignment(&self, main: Option<usize>) -> Alignment {
        let Shoot { probed, groups, compared, files, nodes, links, anchors, .. } = self.shoot;
        let maps: Vec<Option<&ClockMap>> = files.iter().map(|&f| self.places.own_map(f)).collect();
        let by: Vec<EvidenceKind> = compared.iter().filter(|c| c.is_placed()).map(|c| c.by).collect();
        let measured = measurements(links, &by, |link| self.reports.links[link].used, &maps);
        let checks = anchors.iter().zip(&self.reports.anchors).map(|(x, r)| anchor_entry(x, r, probed)).collect();
        // Without anything that could be placed the clock is a name only.
        let clock = self.clock(1).or_else(|| groups.get(main.unwrap_or(0)).map(|g| g.id.clone()));
        let several = self.found.len() > 1;
        let timecode: Vec<_> = (1..=self.found.len()).map(|event| self.timecode_reference(event)).collect();
        Alignment {
            schema: SCHEMA.to_owned(),
            generator: Generator { name: "coeval".to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() },
            timeline: Timeline { clock: clock.unwrap_or_default(), duration_s: self.places.end_s(1) },
            recordings: groups.iter().map(|group| self.recording(group, &measured, &timecode)).collect(),
            pairs: pair_entries(groups, nodes, links, &self.reports.links, &maps),
            anchors: checks,
            loops: loop_entries(&self.reports.loops, files, probed),
            events: (1..=self.found.len()).filter(|_| several).map(|number| self.event(number)).collect(),
            photos: Vec::new(),
        }
    }

    /// The recording whose clock an event's timeline takes.
    fn clock(&self, event: usize) -> Option<String> {
        self.found.get(event - 1).and_then(|e| self.shoot.groups.get(e.clock)).map(|g| g.id.clone())
    }

    fn event(&self, event: usize) -> Event {
        let has_part = |g: &&Group| g.files.iter().any(|&f| self.places.events[f] == Some(event));
        Event {
            event,
            clock: self.clock(event).unwrap_or_default(),
            duration_s: self.places.end_s(event),
            recordings: self.shoot.groups.iter().filter(has_part).map(|g| g.id.clone()).collect(),
        }
    }

    fn recording(&self, group: &Group, measured: &[Vec<Residual>], timecode: &[Option<(usize, f64)>]) -> Recording {
        Recording {
            id: group.id.clone(),
            kind: group.kind,
            event: only_event(group.files.iter().filter_map(|&f| self.places.events[f])).filter(|&e| e > 1),
            files: group.files.iter().map(|&f| self.file(f, measured, timecode)).collect(),
        }
    }

    /// Timecode of the timeline's zero by a file, seconds.
    fn zero_s(&self, f: usize) -> Option<f64> {
        let at_s = self.shoot.probed[f].info.as_ref().ok()?.timecode_s?;
        Some(at_s - self.places.placements[f].as_ref().ok()?.map.forward(0.0))
    }

    /// The file whose timecode others of the event are held against, and the timecode of the timeline's zero by it: the
    /// clock's first that has one. Where the clock has none, the first of those with which most others agree.
    fn timecode_reference(&self, event: usize) -> Option<(usize, f64)> {
        let with = |f: usize| Some((f, self.zero_s(f)?));
        let of_clock = self.shoot.clock_files(self.found, Some(event)).iter().find_map(|&f| with(f));
        let by_sound = |f: &usize| self.places.events[*f] == Some(event) && self.places.lent[*f].is_none();
        of_clock.or_else(|| {
            let all: Vec<_> = (0..self.shoot.probed.len()).filter(by_sound).filter_map(with).collect();
            let agree = |s: f64| all.iter().filter(|o| within_half_a_day(o.1 - s).abs() < AGREE_S).count();
            all.iter().rev().max_by_key(|o| agree(o.1)).copied()
        })
    }

    /// A file's entry; `measured` is of each node of the solver.
    fn file(&self, f: usize, measured: &[Vec<Residual>], timecode: &[Option<(usize, f64)>]) -> File {
        let Shoot { probed, heard, compared, anchors, node_of, lengths_s, .. } = self.shoot;
        let mut entry = file_entry(&probed[f], &heard[f], &self.places.placements[f], f, compared);
        let reports = &self.reports.anchors;
        let mine = anchors.iter().zip(reports).filter(|(x, _)| x.anchor.b == f);
        entry.warnings.extend(mine.filter_map(|(x, r)| anchor_warning(x, r)));
        entry.event = self.places.events[f].filter(|&e| e > 1);
        entry.warnings.extend(self.refused.iter().filter_map(|link| self.refused_words(f, link)));
        let lent = self.places.lent[f];
        entry.placed_by = lent;
        match lent {
            Some(PlacedBy::Times) => entry.warnings.push(by_times_words(&entry)),
            Some(PlacedBy::Neighbours) => entry.warnings.push(BY_NEIGHBOURS.to_owned()),
            Some(PlacedBy::Timecode) | None => {}
        }
        if let Ok(placement) = &self.places.placements[f] {
            let clock = self.shoot.clock_files(self.found, self.places.events[f]);
            let mut claims = anchor_claims(f, anchors, reports);
            let reference = self.places.events[f].and_then(|event| timecode.get(event - 1).copied().flatten());
            if let Some(((_, zero_s), mine_s)) = reference.filter(|r| r.0 != f).zip(self.zero_s(f)) {
                claims.push((EvidenceKind::Timecode, within_half_a_day(mine_s - zero_s)));
            }
            let is_clock = clock.contains(&f) && lent.is_none();
            let mine = node_of[f].and_then(|node| measured.get(node)).map_or(&[][..], Vec::as_slice);
            entry.proof = Some(proof::of(placement, lengths_s[f], is_clock, mine, &claims));
        }
        entry
    }

    /// What is said of a file that shares a little with one of another event.
    fn refused_words(&self, file: usize, link: &Link) -> Option<String> {
        let (a, b) = (self.shoot.files[link.a], self.shoot.files[link.b]);
        let other = if b == file { a } else { b };
        (a == file || b == file).then(|| {
            format!(
                "may share sound with {} of another event (confidence {:.1} %), but this is not sure enough to join the two events; to join them, give an anchor",
                self.shoot.probed[other].name,
                (link.alignment.confidence * 1e3).floor() / 10.0
            )
        })
    }
}

/// What is said of a file that its take carries.
const BY_NEIGHBOURS: &str = "placed between the files before and after it in its take, not by its own sound";

/// What is said of a file that its device's times place.
fn by_times_words(file: &File) -> String {
    let sigma_s = file.uncertainty_s.unwrap_or(0.0);
    let slowed =
        file.picture.as_ref().and_then(slowed_words).map(|words| format!("; {words}: only its start is placed"));
    format!(
        "placed by the time in the file and the clock of its device, to within about {sigma_s:.1} s, not by its own sound{}",
        slowed.unwrap_or_default()
    )
}

/// The one event among these; `None` where there is none, or several.
fn only_event(mut events: impl Iterator<Item = usize>) -> Option<usize> {
    let first = events.next()?;
    events.all(|e| e == first).then_some(first)
}

/// For each file of the solver, its measurements against the result.
fn measurements(
    links: &[Link],
    by: &[EvidenceKind],
    used: impl Fn(usize) -> bool,
    maps: &[Option<&ClockMap>],
) -> Vec<Vec<Residual>> {
    let mut of_file: Vec<Vec<Residual>> = vec![Vec::new(); maps.len()];
    for ((_, link), &by) in links.iter().enumerate().zip(by).filter(|((i, _), _)| used(*i)) {
        if let (Some(a), Some(b)) = (maps[link.a], maps[link.b]) {
            for e in &link.alignment.evidence {
                let off = a.forward(e.a_s) - b.forward(e.b_s);
                of_file[link.a].push(Residual { file_s: e.a_s, residual_s: -off, by });
                of_file[link.b].push(Residual { file_s: e.b_s, residual_s: off, by });
            }
        }
    }
    of_file
}

/// What anchors say about a file's timeline time, minus the result.
fn anchor_claims(file: usize, anchors: &[Resolved], reports: &[AnchorReport]) -> Vec<(EvidenceKind, f64)> {
    let mut claims = Vec::new();
    for (x, r) in anchors.iter().zip(reports) {
        if let Some(off) = r.misfit_s {
            if x.anchor.b == file {
                claims.push((EvidenceKind::Anchors, off));
            } else if x.anchor.a == file {
                claims.push((EvidenceKind::Anchors, -off));
            }
        }
    }
    claims
}

/// A difference of two times of day, seconds: clocks of the day pass midnight.
fn within_half_a_day(s: f64) -> f64 {
    (s + 43_200.0).rem_euclid(86_400.0) - 43_200.0
}

fn anchor_entry(resolved: &Resolved, report: &AnchorReport, probed: &[Probed]) -> AnchorCheck {
    let anchor = &resolved.anchor;
    AnchorCheck {
        a: probed[anchor.a].name.clone(),
        a_s: anchor.a_s,
        b: probed[anchor.b].name.clone(),
        b_s: anchor.b_s,
        hard: anchor.force == Force::Hard,
        uncertainty_s: anchor.uncertainty_s,
        used: report.used,
        contradicted: report.contradicts,
        disagreement_s: report.disagreement_s,
        misfit_s: report.misfit_s,
    }
}

/// What a person must know about an anchor that is not in order.
fn anchor_warning(resolved: &Resolved, report: &AnchorReport) -> Option<String> {
    let what = format!("the anchor {} = {}", resolved.a_words, resolved.b_words);
    match (report.disagreement_s, report.used) {
        (Some(off), used) if report.contradicts => Some(format!(
            "the sound contradicts {what} by {off:+.3} s (std. dev. {:.3} s); {}",
            report.uncertainty_s,
            match (used, resolved.anchor.force) {
                (true, _) => "the anchor is used anyway, because it is hard",
                (false, Force::Soft) => "the sound decides, and the anchor is not used",
                (false, Force::Hard) => "the anchor is hard, but it is not used: other anchors contradict it as well",
            }
        )),
        (_, true) => None,
        (_, false) => Some(match report.misfit_s {
            Some(off) => format!("{what} is not used: other anchors contradict it by {off:+.3} s"),
            None => format!("{what} is not used: other anchors contradict it, and there is no sound to decide"),
        }),
    }
}

/// Loops to tell, at the most: the worst.
const LOOPS: usize = 50;

fn loop_entries(loops: &[LoopClosure], files: &[usize], probed: &[Probed]) -> Vec<Loop> {
    let mut loops = loops.to_vec();
    loops.sort_by(|x, y| y.closure_s.abs().total_cmp(&x.closure_s.abs()).then(x.files.cmp(&y.files)));
    loops.truncate(LOOPS);
    loops
        .iter()
        .map(|l| Loop { files: l.files.map(|node| probed[files[node]].name.clone()), closure_s: l.closure_s })
        .collect()
}

fn file_entry(
    probed: &Probed,
    heard: &Analysed,
    placement: &Result<Placement, String>,
    file: usize,
    compared: &[Compared],
) -> File {
    let info = probed.info.as_ref().ok();
    let sound = heard.as_ref().ok().and_then(Option::as_ref);
    let mut warnings = sound.map_or_else(Vec::new, |s| s.warnings.clone());
    let pairs = |told: fn(&coeval::pair::PairAlignment) -> bool| {
        let mine = compared.iter().filter(|c| c.a == file || c.b == file);
        let mut placed = mine.filter_map(|c| match &c.outcome {
            PairOutcome::Placed(p) => Some(told(p)),
            PairOutcome::Unplaced(_) => None,
        });
        // Only when every partner says so is this file, and not the partner, the odd one.
        placed.next() == Some(true) && placed.all(|told| told)
    };
    if pairs(|p| p.rate_mixup) {
        warnings.push(
            "its clock is 1000 ppm off: two rates were mixed up (1000/1001); the clock itself is good".to_owned(),
        );
    }
    if info.and_then(|i| i.picture.as_ref()).is_some_and(|p| p.variable_rate) {
        warnings.push(
            "its picture has a variable frame rate, so single frames may be off; convert it to a constant rate before you cut"
                .to_owned(),
        );
    }
    let map = placement.as_ref().ok().map(|p| &p.map);
    File {
        path: probed.name.clone(),
        status: if map.is_some() { Status::Placed } else { Status::Unplaced },
        reason: placement.as_ref().err().cloned(),
        duration_s: sound.map(|s| s.duration_s).or(info.map(|i| i.duration_s)).filter(|d| d.is_finite()),
        confidence: placement.as_ref().ok().map(|p| p.confidence),
        uncertainty_s: placement.as_ref().ok().map(|p| p.uncertainty_s),
        offset_s: map.map(ClockMap::offset_s),
        drift_ppm: map.map(ClockMap::drift_ppm),
        knots: map.map_or_else(Vec::new, |m| m.knots().iter().map(|&(file, line)| [file, line]).collect()),
        jumps: map.map_or_else(Vec::new, |m| m.jumps().map(|(file_s, lost_s)| Jump { file_s, lost_s }).collect()),
        stretches: placement.as_ref().map_or_else(|_| Vec::new(), |p| p.stretches.iter().map(stretch_entry).collect()),
        event: None,
        placed_by: None,
        copy_of: None,
        better_sound_of: None,
        track_of: None,
        compared: sound.and_then(Sound::compared),
        picture: info.and_then(|i| i.picture.clone()),
        sound: info.and_then(|i| i.sound.clone()),
        created_unix_s: info.and_then(|i| i.created_unix_s),
        timecode: info.and_then(|i| i.timecode.clone()),
        ltc: None,
        ixml: info.and_then(|i| i.ixml.clone()),
        proof: None,
        warnings,
    }
}

fn stretch_entry(s: &coeval::pair::Stretch) -> Stretch {
    Stretch { from_s: s.from_s, to_s: s.to_s, confidence: s.confidence, uncertainty_s: s.uncertainty_s }
}

/// Residuals that a pair of recordings keeps.
const RESIDUALS: usize = 400;

/// File pairs summed up by recordings.
fn pair_entries(
    groups: &[Group],
    nodes: &[Node],
    links: &[Link],
    reports: &[LinkReport],
    maps: &[Option<&ClockMap>],
) -> Vec<Pair> {
    #[derive(Default)]
    struct Sum {
        overlap_s: f64,
        confidence: f64,
        squares: f64,
        evidence: usize,
        contradicted: bool,
        residuals: Vec<[f64; 2]>,
        paths: Vec<SoundPath>,
        rivals: Vec<RivalPlace>,
    }
    let mut sums: BTreeMap<(usize, usize), Sum> = BTreeMap::new();
    for (link, report) in links.iter().zip(reports) {
        let (a, b) = (nodes[link.a].recording, nodes[link.b].recording);
        let sum = sums.entry((a.min(b), a.max(b))).or_default();
        if !report.used {
            sum.contradicted = true;
            continue;
        }
        let evidence = &link.alignment.evidence;
        let sign = if a < b { 1.0 } else { -1.0 };
        // Written to a microsecond, and to one in a million.
        let round = |x: f64| (x * 1e6).round() / 1e6;
        // Those of the two files that say most.
        if link.alignment.confidence > sum.confidence {
            let rival = |r: &coeval::RivalPlace| RivalPlace {
                shift_s: round(sign * r.shift_s),
                probability: round(r.probability),
            };
            sum.rivals = link.alignment.rivals.iter().map(rival).collect();
        }
        if link.alignment.confidence > sum.confidence && link.alignment.paths.len() > 1 {
            let path = |p: &coeval::SoundPath| SoundPath { delay_s: round(sign * p.delay_s), voices: round(p.voices) };
            sum.paths = link.alignment.paths.iter().map(path).collect();
        }
        sum.overlap_s += link.alignment.overlap_s;
        sum.confidence = sum.confidence.max(link.alignment.confidence);
        sum.squares += report.misfit_s * report.misfit_s * evidence.len() as f64;
        sum.evidence += evidence.len();
        if let (Some(map_a), Some(map_b)) = (maps[link.a], maps[link.b]) {
            sum.residuals.extend(evidence.iter().map(|e| {
                let at_s = map_b.forward(e.b_s);
                // Written to a millisecond and a microsecond.
                [(at_s * 1e3).round() / 1e3, (sign * (map_a.forward(e.a_s) - at_s) * 1e6).round() / 1e6]
            }));
        }
    }
    sums.into_iter()
        .map(|((a, b), mut sum)| {
            sum.residuals.sort_by(|x, y| x[0].total_cmp(&y[0]));
            let step = sum.residuals.len().div_ceil(RESIDUALS).max(1);
            Pair {
                a: groups[a].id.clone(),
                b: groups[b].id.clone(),
                overlap_s: sum.overlap_s,
                confidence: sum.confidence,
                residual_rms_s: if sum.evidence > 0 { (sum.squares / sum.evidence as f64).sqrt() } else { 0.0 },
                evidence: sum.evidence,
                contradicted: sum.contradicted,
                residuals: sum.residuals.into_iter().step_by(step).collect(),
                paths: sum.paths,
                rivals: sum.rivals,
            }
        })
        .collect()
}
