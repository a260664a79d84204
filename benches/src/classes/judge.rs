//! A case through the aligner, held against its truth.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::time::Instant;

use coeval::clock::ClockMap;
use coeval::pair::{Aligner, PairOptions, PairOutcome};
use coeval::track::{Track, TrackBuilder};
use coeval_shoot::{Alignment, Kind, TrackFile};
use rayon::prelude::*;
use serde::Serialize;

use super::cache::write_wav;
use super::{Answer, Case, Class, Job, Question, Take};

/// A reported jump belongs to a true one within this time, seconds; so much around each is left out of the errors.
const JUMP_NEAR_S: f64 = 1.0;
/// And is of the right size within this, seconds.
const JUMP_SIZE_S: f64 = 0.002;

/// What came of one pair, or of one file of a folder.
#[derive(Debug, Clone, Serialize)]
pub struct Record {
    /// Class.
    pub class: String,
    /// Seed.
    pub seed: u64,
    /// `tune` or `test`.
    pub split: String,
    /// The file.
    pub file: String,
    /// What is special about it.
    pub note: String,
    /// Whether it has a place.
    pub answer: Answer,
    /// It was placed.
    pub placed: bool,
    /// Why not.
    pub reason: Option<String>,
    /// What the engine says about its place.
    pub confidence: Option<f64>,
    /// It is placed, and within the class's tolerance of one of the paths.
    pub right: bool,
    /// It is placed on a timeline of another event.
    pub wrong_event: bool,
    /// Error against the voices' path over the overlap; nothing where it is unplaced or has no truth.
    pub error: Option<FileError>,
    /// One standard deviation that the engine claims, ms.
    pub uncertainty_ms: Option<f64>,
    /// Error against the voices' path over what is claimed at that moment, which 95 % of the overlap keep.
    pub sigmas: Option<f64>,
    /// Share of moments of the overlap beyond three times what is claimed there.
    pub beyond: Option<f64>,
    /// Jumps.
    pub jumps: JumpCount,
    /// It holds no evidence of its own.
    pub silent: bool,
    /// Seconds of the comparison without the tracks. For a folder, the whole's seconds over its files; with the tracks
    /// where it is read from a disk.
    pub seconds: f64,
    /// Length of the file, seconds.
    pub length_s: f64,
}

impl Record {
    /// Placed where it does not belong.
    pub fn is_wrong(&self) -> bool {
        self.placed && !self.right
    }
}

/// How far off a placed file is, ms.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FileError {
    /// Median, against the voices' path.
    pub median_ms: f64,
    /// What 95 % of the overlap keep, against the voices' path.
    pub p95_ms: f64,
    /// Largest, against the voices' path.
    pub largest_ms: f64,
    /// Median against the nearest path.
    pub nearest_ms: f64,
}

/// Jumps in one file.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct JumpCount {
    /// True ones in the overlap.
    pub real: usize,
    /// Of these, found within a second.
    pub found: usize,
    /// Of these, sized within 2 ms.
    pub sized: usize,
    /// Reported where there is none.
    pub false_ones: usize,
}

/// Aligns a case.
///
/// # Errors
/// When the engine reports a fault, or a folder cannot be written.
pub fn run(
    class: &Class,
    case: &Case,
    split: &str,
    seed: u64,
    threads: Option<NonZeroUsize>,
) -> Result<Vec<Record>, String> {
    let blank = |take: &Take| Record {
        class: class.name.to_owned(),
        seed,
        split: split.to_owned(),
        file: take.name.clone(),
        note: String::new(),
        answer: if take.foreign { Answer::Nowhere } else { Answer::Placed },
        placed: false,
        reason: None,
        confidence: None,
        right: false,
        wrong_event: false,
        error: None,
        uncertainty_ms: None,
        sigmas: None,
        beyond: None,
        jumps: JumpCount::default(),
        silent: take.silent,
        seconds: 0.0,
        length_s: take.duration_s(),
    };
    match &case.job {
        Job::Pairs(questions) => {
            let tracks: Vec<Track> = case.takes.par_iter().map(track).collect::<Result<_, _>>()?;
            let ask = |q: &Question| {
                let mut record = blank(&case.takes[q.b]);
                (record.answer, record.note) = (q.answer, q.note.clone());
                pair(class, case, &tracks, q, &mut record)?;
                Ok(record)
            };
            questions.iter().map(ask).collect()
        }
        Job::Folder { on_disk } => {
            let mut records: Vec<Record> = case.takes.iter().map(blank).collect();
            let (alignment, seconds) = if *on_disk { from_files(case, threads)? } else { from_sound(case, threads)? };
            folder(class, case, &alignment, &mut records)?;
            let each = seconds / records.len().max(1) as f64;
            records.iter_mut().for_each(|r| r.seconds = each);
            Ok(records)
        }
    }
}

fn track(take: &Take) -> Result<Track, String> {
    let mut builder = TrackBuilder::new(f64::from(take.rate_hz), take.channels()).map_err(|e| e.to_string())?;
    for block in take.samples.chunks(take.channels() << 16) {
        let block: Vec<f32> = block.iter().map(|&x| f32::from(x) / 32768.0).collect();
        builder.push(&block).map_err(|e| e.to_string())?;
    }
    Ok(builder.finish())
}

fn pair(class: &Class, case: &Case, tracks: &[Track], q: &Question, record: &mut Record) -> Result<(), String> {
    let mut options = PairOptions::default();
    options.max_drift_ppm = q.max_drift_ppm.unwrap_or(options.max_drift_ppm);
    let aligner = Aligner::new(options).map_err(|e| e.to_string())?;
    let began = Instant::now();
    let outcome = aligner.align(&tracks[q.a], &tracks[q.b], &()).map_err(|e| e.to_string())?;
    record.seconds = began.elapsed().as_secs_f64();
    match outcome {
        PairOutcome::Unplaced(why) => record.reason = Some(why.as_str().to_owned()),
        PairOutcome::Placed(found) => {
            (record.placed, record.confidence) = (true, Some(found.confidence));
            record.uncertainty_ms = Some(found.uncertainty_s * 1e3);
            if q.answer != Answer::Nowhere {
                let jumps: Vec<_> = found.map.jumps().collect();
                let map = |t: f64| found.map.forward(t);
                let common = (q.common, &q.nothing_s[..]);
                let stretches: Vec<_> = found.stretches.iter().map(|s| (s.from_s, s.to_s, s.uncertainty_s)).collect();
                let claimed_s = |t: f64| claimed_s(&stretches, t);
                let answer = Found { map: &map, jumps: &jumps, claimed_s: &claimed_s };
                compare(class, (&case.takes[q.a], &case.takes[q.b]), common, answer, record)?;
            }
        }
    }
    Ok(())
}

/// The standard deviation that stretches (from, to, what they claim; seconds) claim at a moment; none beyond them.
fn claimed_s(stretches: &[(f64, f64, f64)], at_s: f64) -> Option<f64> {
    let at = stretches.iter().filter(|(from_s, to_s, _)| (*from_s..=*to_s).contains(&at_s));
    at.map(|s| s.2).reduce(f64::max)
}

/// What the engine answered: a map from the second take's time to the first one's, its jumps, and what it claims.
struct Found<'a> {
    map: &'a dyn Fn(f64) -> f64,
    jumps: &'a [(f64, f64)],
    claimed_s: &'a dyn Fn(f64) -> Option<f64>,
}

/// Holds it against the truth.
fn compare(
    class: &Class,
    (a, b): (&Take, &Take),
    (common, nothing_s): ([bool; 2], &[(f64, f64)]),
    Found { map, jumps: found, claimed_s }: Found<'_>,
    record: &mut Record,
) -> Result<(), String> {
    let (true_a, true_b) = (truth(a)?, truth(b)?);
    let real = jumps_between(&true_a, &true_b, a.duration_s(), b.duration_s());
    let nothing_s: Vec<(f64, f64)> = nothing_s.iter().map(|n| (true_b.inverse(n.0), true_b.inverse(n.1))).collect();
    let real = told_apart(&real, &nothing_s);
    let ends = [0.0, a.duration_s()].map(|t| true_b.inverse(true_a.forward(t)));
    // Before the first sound that both heard, and after the last, no jump shows.
    let (first, last) = ends.map(|t| t.clamp(0.0, b.duration_s())).into();
    let shows = |j: &&Jumps| j.within_s.0 > first && j.within_s.1 < last;
    record.jumps = count_jumps(&real.iter().filter(shows).copied().collect::<Vec<_>>(), found);
    let paths = (0..2).filter(|&s| common[s]).map(|s| a.later_s[s] - b.later_s[s]);
    let paths: Vec<f64> = std::iter::once(0.0).chain(paths).collect();
    let steps = ((2.0 * b.duration_s()).ceil() as usize).max(20);
    let moments = (0..=steps).map(|i| b.duration_s() * i as f64 / steps as f64);
    let errors: Vec<(f64, f64)> = moments
        .map(|t| (t, true_a.inverse(true_b.forward(t))))
        .filter(|m| (0.0..=a.duration_s()).contains(&m.1))
        .map(|(t, true_s)| (t, map(t) - true_s))
        .collect();
    let of_claimed = errors.iter().filter_map(|(t, error_s)| Some(error_s.abs() / claimed_s(*t)?.max(1e-12)));
    let mut sigmas: Vec<f64> = of_claimed.collect();
    sigmas.sort_by(f64::total_cmp);
    if !sigmas.is_empty() {
        let beyond = sigmas.iter().filter(|&&s| s > 3.0).count();
        (record.sigmas, record.beyond) = (Some(percentile(&sigmas, 0.95)), Some(beyond as f64 / sigmas.len() as f64));
    }
    // What is claimed holds near a jump too; how exact the rest is, is told without.
    let clear =
        |t: f64| real.iter().all(|j| j.away_s(t) > JUMP_NEAR_S) && found.iter().all(|j| (t - j.0).abs() > JUMP_NEAR_S);
    let errors: Vec<f64> = errors.into_iter().filter(|m| clear(m.0)).map(|m| m.1).collect();
    record.error = error_of(&errors, &paths);
    record.right = record.error.is_some_and(|e| e.nearest_ms <= class.right_s * 1e3);
    Ok(())
}

fn truth(take: &Take) -> Result<ClockMap, String> {
    ClockMap::from_knots(take.truth.clone()).map_err(|e| e.to_string())
}

/// Signed errors in seconds, and by how much each path is off the voices'.
fn error_of(errors: &[f64], paths: &[f64]) -> Option<FileError> {
    let sorted_against = |path: f64| {
        let mut against: Vec<f64> = errors.iter().map(|e| (e - path).abs() * 1e3).collect();
        against.sort_by(f64::total_cmp);
        against
    };
    let voices = sorted_against(0.0);
    let nearest = paths.iter().map(|&p| percentile(&sorted_against(p), 0.5)).fold(f64::INFINITY, f64::min);
    Some(FileError {
        median_ms: percentile(&voices, 0.5),
        p95_ms: percentile(&voices, 0.95),
        largest_ms: *voices.last()?,
        nearest_ms: nearest,
    })
}

/// Value at a share of sorted values, nearest rank; 0 for none.
pub(super) fn percentile(sorted: &[f64], share: f64) -> f64 {
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.saturating_sub(1)).copied().unwrap_or(0.0)
}

/// Jumps of either clock as `b` sees them: its time, and what `a`'s time gains on its own there.
fn jumps_between(a: &ClockMap, b: &ClockMap, length_a_s: f64, length_b_s: f64) -> Vec<(f64, f64)> {
    let in_a = |t: f64| (0.0..=length_a_s).contains(&a.inverse(t));
    let own = b.jumps().filter(|j| in_a(b.forward(j.0)));
    // What `a` lost it jumps over: in `b` its time stands still for a while.
    let others = a.jumps().map(|(at, lost)| (b.inverse(a.forward(at) - 0.5 * lost), -lost));
    let mut all: Vec<(f64, f64)> = own.chain(others.filter(|j| (0.0..=length_b_s).contains(&j.0))).collect();
    all.sort_by(|x, y| x.0.total_cmp(&y.0));
    all
}

/// Jumps that nothing tells apart.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Jumps {
    /// Between which times of `b` they lie; one moment where something common tells it.
    within_s: (f64, f64),
    /// What `a`'s time gains on its own by all of them.
    step_s: f64,
    /// How many they are.
    count: usize,
}

impl Jumps {
    fn away_s(&self, b_s: f64) -> f64 {
        (self.within_s.0 - b_s).max(b_s - self.within_s.1).max(0.0)
    }
}

/// True jumps, those together that lie in one stretch in which nothing is common.
fn told_apart(real: &[(f64, f64)], nothing_s: &[(f64, f64)]) -> Vec<Jumps> {
    let mut all: Vec<Jumps> = Vec::new();
    for &(at_s, step_s) in real {
        let stretch = nothing_s.iter().find(|n| (n.0..=n.1).contains(&at_s));
        let within_s = stretch.copied().unwrap_or((at_s, at_s));
        match all.last_mut() {
            Some(last) if stretch.is_some() && last.within_s == within_s => {
                last.step_s += step_s;
                last.count += 1;
            }
            _ => all.push(Jumps { within_s, step_s, count: 1 }),
        }
    }
    all
}

fn count_jumps(real: &[Jumps], found: &[(f64, f64)]) -> JumpCount {
    let mut count = JumpCount { real: real.len(), ..JumpCount::default() };
    // What was found belongs to the nearest true ones.
    let mut of: Vec<Vec<f64>> = vec![Vec::new(); real.len()];
    for &(at_s, step_s) in found {
        let away = |k: &usize| real[*k].away_s(at_s);
        let size = |k: &usize| (real[*k].step_s - step_s).abs();
        let near = (0..real.len()).filter(|k| away(k) <= JUMP_NEAR_S);
        match near.min_by(|x, y| away(x).total_cmp(&away(y)).then(size(x).total_cmp(&size(y)))) {
            Some(k) => of[k].push(step_s),
            None => count.false_ones += 1,
        }
    }
    for (real, found) in real.iter().zip(&of) {
        count.found += usize::from(!found.is_empty());
        let sized = (found.iter().sum::<f64>() - real.step_s).abs() <= JUMP_SIZE_S;
        count.sized += usize::from(!found.is_empty() && sized);
        count.false_ones += found.len().saturating_sub(real.count);
    }
    count
}

fn how(threads: Option<NonZeroUsize>) -> coeval_shoot::Options {
    let mut options = coeval_shoot::Options::default();
    options.threads = threads;
    options
}

/// The seconds are those without the tracks.
fn from_sound(case: &Case, threads: Option<NonZeroUsize>) -> Result<(Alignment, f64), String> {
    let tracks: Vec<Track> = case.takes.par_iter().map(track).collect::<Result<_, _>>()?;
    let tracks = case.takes.iter().zip(tracks).map(|(take, track)| TrackFile {
        name: take.name.clone(),
        recording: take.recording.clone(),
        kind: if take.is_camera { Kind::Camera } else { Kind::Recorder },
        track,
    });
    let tracks: Vec<TrackFile> = tracks.collect();
    let began = Instant::now();
    let none: &[&str] = &[];
    let alignment = coeval_shoot::align_with(none, &tracks, &how(threads), &()).map_err(|e| e.to_string())?;
    Ok((alignment, began.elapsed().as_secs_f64()))
}

/// The seconds are those with the tracks.
fn from_files(case: &Case, threads: Option<NonZeroUsize>) -> Result<(Alignment, f64), String> {
    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    let mut options = how(threads);
    for take in &case.takes {
        let path: PathBuf = folder.path().join(&take.name);
        write_wav(&path, take).map_err(|e| e.to_string())?;
        let kind = if take.is_camera { Kind::Camera } else { Kind::Recorder };
        options.grouping.kinds.push((take.name.clone(), kind));
    }
    let began = Instant::now();
    let paths: [&Path; 1] = [folder.path()];
    let alignment = coeval_shoot::align(&paths, &options, &()).map_err(|e| e.to_string())?;
    Ok((alignment, began.elapsed().as_secs_f64()))
}

/// Which event the result says that each file belongs to: an optional key `event` of a file or its recording. Without
/// it, all that is placed lies on one timeline.
fn events(alignment: &Alignment) -> Result<BTreeMap<String, String>, String> {
    let text = alignment.to_json().map_err(|e| e.to_string())?;
    let json: serde_json::Value = serde_json::from_str(&text).map_err(|e| e.to_string())?;
    let list = |v: &serde_json::Value, key: &str| v[key].as_array().cloned().unwrap_or_default();
    let mut events = BTreeMap::new();
    for recording in list(&json, "recordings") {
        for file in list(&recording, "files") {
            let event = if file["event"].is_null() { &recording["event"] } else { &file["event"] };
            events.insert(file["path"].as_str().unwrap_or_default().to_owned(), event.to_string());
        }
    }
    Ok(events)
}

fn folder(class: &Class, case: &Case, alignment: &Alignment, records: &mut [Record]) -> Result<(), String> {
    let event_of = events(alignment)?;
    let mut timelines: BTreeMap<&str, Vec<(usize, ClockMap)>> = BTreeMap::new();
    let stretches = |i: usize| -> Vec<(f64, f64, f64)> {
        let all = alignment.file(&case.takes[i].name).map_or(&[][..], |f| &f.stretches);
        all.iter().map(|s| (s.from_s, s.to_s, s.uncertainty_s)).collect()
    };
    for (i, take) in case.takes.iter().enumerate() {
        let file = alignment.file(&take.name).ok_or_else(|| format!("{} is not in the result", take.name))?;
        records[i].reason.clone_from(&file.reason);
        records[i].note = format!("event {}{}", take.event, if take.foreign { ", foreign" } else { "" });
        if let Some(map) = file.map() {
            (records[i].confidence, records[i].uncertainty_ms) = (file.confidence, file.uncertainty_s.map(|u| u * 1e3));
            timelines.entry(event_of.get(&take.name).map_or("", String::as_str)).or_default().push((i, map));
        }
    }
    for files in timelines.values() {
        // A file alone on its timeline is placed on nothing.
        if files.len() < 2 {
            continue;
        }
        let count = |event: usize| files.iter().filter(|f| case.takes[f.0].event == event).count();
        let most = files.iter().map(|f| case.takes[f.0].event).max_by_key(|&e| (count(e), std::cmp::Reverse(e)));
        let own = |f: &&(usize, ClockMap)| Some(case.takes[f.0].event) == most;
        // Held against the event's recorder, or against its longest file without one.
        let weight = |i: usize| (!case.takes[i].is_camera, case.takes[i].samples.len() / case.takes[i].channels());
        let Some((reference, to_timeline)) = files.iter().filter(own).max_by_key(|f| weight(f.0)) else { continue };
        for (i, map) in files {
            let record = &mut records[*i];
            record.placed = true;
            if Some(case.takes[*i].event) != most {
                record.wrong_event = true;
            } else if i == reference {
                record.right = true;
            } else {
                let (a, b) = (&case.takes[*reference], &case.takes[*i]);
                let jumps = jumps_between(to_timeline, map, a.duration_s(), b.duration_s());
                let relative = |t: f64| to_timeline.inverse(map.forward(t));
                let (own, of_reference) = (stretches(*i), stretches(*reference));
                let claimed_s = |t: f64| {
                    let of_reference_s = claimed_s(&of_reference, relative(t)).unwrap_or(0.0);
                    Some(claimed_s(&own, t)?.hypot(of_reference_s))
                };
                let answer = Found { map: &relative, jumps: &jumps, claimed_s: &claimed_s };
                compare(class, (a, b), ([true, false], &[]), answer, record)?;
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jumps_of_either_file_are_seen_from_the_second() {
        let jumping = |at: f64, lost: f64| {
            ClockMap::from_knots(vec![(0.0, 0.0), (at, at), (at, at + lost), (100.0, 100.0 + lost)]).unwrap()
        };
        let (plain, jumps) = (ClockMap::linear(0.0, 0.0, 100.0), jumping(40.0, 0.1));
        let [(at, step)] = jumps_between(&plain, &jumps, 100.0, 100.0)[..] else { panic!() };
        assert!(at == 40.0 && (step - 0.1).abs() < 1e-9);
        let [(at, step)] = jumps_between(&jumps, &plain, 100.0, 100.0)[..] else { panic!() };
        assert!((at - 40.05).abs() < 1e-9 && (step + 0.1).abs() < 1e-9);
        assert!(jumps_between(&plain, &jumps, 30.0, 100.0).is_empty());
        // The map between them has the same step.
        let through = |t: f64| jumps.inverse(plain.forward(t)) - t;
        assert!((through(60.0) - through(20.0) - step).abs() < 1e-9);
        let found = [(10.4, 0.051), (50.2, 0.11), (70.0, 0.02)];
        let count = count_jumps(&told_apart(&[(10.0, 0.05), (50.0, 0.1)], &[]), &found);
        assert_eq!(count, JumpCount { real: 2, found: 2, sized: 1, false_ones: 1 });
        // Two in one pause are one, wherever in it; a third jump there is one too many.
        let real = told_apart(&[(30.0, 0.05), (38.0, 0.1), (50.0, 0.1)], &[(25.0, 40.0)]);
        let count = count_jumps(&real, &[(26.0, 0.151), (50.2, 0.1)]);
        assert_eq!(count, JumpCount { real: 2, found: 2, sized: 2, false_ones: 0 });
        let count = count_jumps(&real, &[(26.0, 0.1), (28.0, 0.02), (30.0, 0.03)]);
        assert_eq!(count, JumpCount { real: 2, found: 1, sized: 1, false_ones: 1 });
    }

    #[test]
    fn the_nearest_path_is_found_on_its_own_side() {
        let errors = [0.0081; 30];
        let near = error_of(&errors, &[0.0, 0.008]).unwrap();
        let far = error_of(&errors, &[0.0, -0.008]).unwrap();
        assert!((near.nearest_ms - 0.1).abs() < 1e-9 && (near.median_ms - 8.1).abs() < 1e-9);
        assert!((far.nearest_ms - 8.1).abs() < 1e-9);
        assert_eq!(error_of(&[], &[0.0]), None);
    }
}
