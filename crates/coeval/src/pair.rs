//! Two tracks -> how their clocks relate.

use crate::clock::ClockMap;
use crate::correlate::Plans;
use crate::drift::{Measure, Measured, WINDOW_S, flat, measure};
use crate::error::{Error, ErrorKind, Result};
use crate::fit::{Clock, File, Observation, Problem, Solved};
use crate::follow::{Line, Path, trace, verify};
use crate::jump;
use crate::offset::{Pass, candidates_of_either, unevenness};
use crate::progress::{Progress, step};
use crate::track::{TRACK_RATE_HZ, Track};

/// How two tracks are compared.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PairOptions {
    /// Largest difference of the two clocks that is searched, in ppm, either way. 0 to 1200.
    pub max_drift_ppm: f64,
    /// Where the user's own knowledge puts the offset (`a` time minus `b` time at the start of `b`):
    /// lowest and highest value in seconds. `None`: anywhere.
    pub offset_range_s: Option<(f64, f64)>,
}

impl Default for PairOptions {
    fn default() -> Self {
        Self { max_drift_ppm: 500.0, offset_range_s: None }
    }
}

/// Why two tracks, or a file, have no placement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Unplaced {
    /// Nothing in one matches anything in the other.
    NoCommonSound,
    /// Too little sound to tell.
    TooShort,
    /// What is common repeats itself (an engine, mains hum), so that many places fit equally well.
    OnlyPeriodicSound,
    /// One of them holds digital silence only.
    Silent,
}

impl Unplaced {
    /// The reason in words.
    pub fn as_str(self) -> &'static str {
        match self {
            Unplaced::NoCommonSound => "no common sound",
            Unplaced::TooShort => "too short",
            Unplaced::OnlyPeriodicSound => "only periodic sound",
            Unplaced::Silent => "silent",
        }
    }
}

/// One block's measurement: this moment of `b` is that moment of `a`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// Time in `a`, seconds.
    pub a_s: f64,
    /// Time in `b`, seconds.
    pub b_s: f64,
    /// One standard deviation of `a_s` given `b_s`, seconds.
    pub sigma_s: f64,
}

/// A sudden change of offset between two tracks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairJump {
    /// Where in `a`, seconds.
    pub a_s: f64,
    /// Where in `b`, seconds.
    pub b_s: f64,
    /// Change of `a` time minus `b` time at this moment, seconds: > 0 is sound that `b` lost or `a` repeated.
    pub step_s: f64,
}

/// How `b`'s clock relates to `a`'s.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PairAlignment {
    /// From `b`'s time to `a`'s time, over all of `b`.
    pub map: ClockMap,
    /// Probability that the placement is right, calibrated by the false-placement benchmark.
    pub confidence: f64,
    /// One standard deviation of the placement's error at its worst moment in the overlap, seconds.
    pub uncertainty_s: f64,
    /// Seconds during which both recorded.
    pub overlap_s: f64,
    /// Root mean square of the evidence against the map, seconds.
    pub residual_rms_s: f64,
    /// The measurements, in time order.
    pub evidence: Vec<Evidence>,
    /// Jumps, in time order.
    pub jumps: Vec<PairJump>,
    /// `b` sounds like `a` with its sign turned round.
    pub inverted: bool,
    /// Variance that the drift between them gathers, ppm^2 per second; 0 where constant drift suffices.
    pub wander_q: f64,
    /// For each measurement, which place its voice speaks from, counted from zero: an utterance each, or the
    /// seats that few but exact measurements tell apart.
    pub places: Vec<usize>,
    /// Standard deviation of the error that measurements of one place share, because no voice is at the distance
    /// of another, seconds.
    pub place_s: f64,
    /// The drift is 999 to 1001 ppm: a 1000/1001 mix-up of rates, not a bad clock.
    pub rate_mixup: bool,
}

impl PairAlignment {
    /// An alignment from its measurements alone, as markers or the user's own correspondences give:
    /// confidence 1, no wander, uncertainty from the first measurement.
    pub fn from_parts(map: ClockMap, evidence: Vec<Evidence>, jumps: Vec<PairJump>) -> Self {
        let residual = |e: &Evidence| (map.to_timeline(e.b_s) - e.a_s).powi(2);
        Self {
            confidence: 1.0,
            uncertainty_s: evidence.first().map_or(0.0, |e| e.sigma_s),
            overlap_s: evidence.last().zip(evidence.first()).map_or(0.0, |(l, f)| l.b_s - f.b_s),
            residual_rms_s: (evidence.iter().map(residual).sum::<f64>() / evidence.len().max(1) as f64).sqrt(),
            inverted: false,
            wander_q: 0.0,
            places: utterances(&evidence),
            place_s: 0.0,
            rate_mixup: false,
            map,
            evidence,
            jumps,
        }
    }
}

/// What came of comparing two tracks. A low confidence is a result, not an error.
#[derive(Debug, Clone)]
pub enum PairOutcome {
    /// They share sound, and this is how they lie.
    Placed(Box<PairAlignment>),
    /// They have no placement, and why.
    Unplaced(Unplaced),
}

/// Compares tracks; keeps what can be kept between comparisons.
#[derive(Default)]
pub struct Aligner {
    options: PairOptions,
    plans: Plans,
}

/// Compares two tracks once; see [`Aligner`] for many.
///
/// # Errors
/// As [`Aligner::align`].
pub fn align_pair(a: &Track, b: &Track, options: &PairOptions, progress: &dyn Progress) -> Result<PairOutcome> {
    Aligner::new(options.clone())?.align(a, b, progress)
}

impl Aligner {
    /// An aligner with options.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) for options out of range.
    pub fn new(options: PairOptions) -> Result<Self> {
        if !(0.0..=1200.0).contains(&options.max_drift_ppm) {
            let what = format!("max_drift_ppm is {}, not within 0 to 1200", options.max_drift_ppm);
            return Err(Error::new(ErrorKind::InvalidArgument, what));
        }
        if let Some((low, high)) = options.offset_range_s
            && !(low <= high && low.is_finite() && high.is_finite())
        {
            let what = format!("offset_range_s is {low} to {high}, not a range of finite numbers");
            return Err(Error::new(ErrorKind::InvalidArgument, what));
        }
        Ok(Self { options, plans: Plans::default() })
    }

    /// Compares two tracks.
    ///
    /// # Errors
    /// [`Cancelled`](ErrorKind::Cancelled) when `progress` says so; [`Io`](ErrorKind::Io) when the
    /// [`Scratch`](crate::track::Scratch) of a long track could not be read.
    pub fn align(&self, a: &Track, b: &Track, progress: &dyn Progress) -> Result<PairOutcome> {
        let outcome = self.compare(a, b, progress)?;
        a.check()?;
        b.check()?;
        Ok(outcome)
    }

    fn compare(&self, a: &Track, b: &Track, progress: &dyn Progress) -> Result<PairOutcome> {
        if a.is_silent() || b.is_silent() {
            return Ok(PairOutcome::Unplaced(Unplaced::Silent));
        }
        if a.duration_s().min(b.duration_s()) < SHORTEST_S {
            return Ok(PairOutcome::Unplaced(Unplaced::TooShort));
        }
        let (uneven_a, uneven_b) = (unevenness(a), unevenness(b));
        let (a, b) = match uneven_a.max(uneven_b) > BURSTS {
            true if uneven_b >= uneven_a => (a, b.above_floor()),
            true => (a.above_floor(), b),
            false => (a, b),
        };
        let mut periodic = false;
        let mut seen: Vec<Line> = Vec::new();
        for pass in self.passes(a, b) {
            match self.try_pass(a, b, &pass, &mut seen, progress)? {
                Found::Placed(placed) => return Ok(PairOutcome::Placed(placed)),
                Found::Periodic => periodic = true,
                Found::Nothing => {}
            }
        }
        let reason = if periodic { Unplaced::OnlyPeriodicSound } else { Unplaced::NoCommonSound };
        Ok(PairOutcome::Unplaced(reason))
    }

    /// From cheap to thorough: each with the track that probes are taken from (`true`: `b`) and the stretch of it.
    fn passes(&self, a: &Track, b: &Track) -> Vec<(Pass, bool, (f64, f64))> {
        let max = self.options.max_drift_ppm;
        // Probes come from where speech stands out: there a few seconds tell most.
        let from_b = unevenness(b) >= unevenness(a);
        let quick = Pass { probes: 8, probe_s: 2.5, drift_ppm: 0.0, step_ppm: 125.0 };
        // The little that two files share may be all but lost among what the longer one heard before or after.
        let many = Pass { probes: 48, ..quick };
        let long = Pass { probes: 8, probe_s: 8.0, drift_ppm: max.min(160.0), step_ppm: 40.0 };
        let wide = Pass { probes: 8, probe_s: 4.0, drift_ppm: max, step_ppm: 80.0 };
        let whole = |from_b: bool| (0.0, if from_b { b.duration_s() } else { a.duration_s() });
        let (probed_s, other_s) = (whole(from_b).1, whole(!from_b).1);
        let parts = (probed_s / PART_S).min(PARTS_EFFORT_S / other_s).max(1.0).floor();
        let part = |i: usize| (probed_s * i as f64 / parts, probed_s * (i + 1) as f64 / parts);
        let mut passes = vec![(quick, from_b, whole(from_b)), (quick, !from_b, whole(!from_b))];
        passes.extend((0..parts as usize).map(|i| (many, from_b, part(i))));
        passes.extend([(long, from_b), (wide, from_b), (long, !from_b)].map(|(p, from_b)| (p, from_b, whole(from_b))));
        passes
    }

    fn try_pass(
        &self,
        a: &Track,
        b: &Track,
        (pass, from_b, within_s): &(Pass, bool, (f64, f64)),
        seen: &mut Vec<Line>,
        progress: &dyn Progress,
    ) -> Result<Found> {
        let max = self.options.max_drift_ppm;
        let range = self.options.offset_range_s;
        let whole = (0.0, b.duration_s());
        // What no offset of the range brings together is not asked.
        let (low, high) = range.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        let meets = match from_b {
            true => (-high, a.duration_s() - low),
            false => (low, b.duration_s() + high),
        };
        let within_s = (within_s.0.max(meets.0), within_s.1.min(meets.1));
        let found = candidates_of_either(a, b, *pass, *from_b, max, range, within_s, &self.plans, progress)?;
        let mut lines: Vec<Line> = Vec::new();
        let foremost = found.first().map_or(0.0, |c| c.score);
        for (i, candidate) in found.iter().take(6).enumerate() {
            // Where one candidate leaves the others far behind, these are chance.
            if i > 0 && candidate.score < FOREMOST * foremost {
                break;
            }
            step(progress, "verify", i as f64 / 6.0)?;
            lines.extend(verify(a, b, candidate, whole, &self.plans));
        }
        lines.sort_by(|x, y| y.score.total_cmp(&x.score));
        seen.extend(&lines);
        let mut periodic = false;
        for line in lines.iter().take(2) {
            let Some(path) = trace(a, b, line, whole, &self.plans, progress)? else { continue };
            if path.standing.height < STANDING || path.standing.without_best < STANDING_WITHOUT_BEST {
                continue;
            }
            if path.standing.rivalry > RIVALRY {
                periodic = true;
                continue;
            }
            if path.pieces.is_empty() {
                continue;
            }
            // Another line far from this one that fits nearly as well: the sound comes round again.
            // One that speaks before this one starts or after it ends is its continuation across a jump.
            let elsewhere = |l: &&Line| {
                (line.at(l.b_s) - l.a_s).abs() > DISTINCT_S
                    && l.heard_s.0 < line.heard_s.1
                    && l.heard_s.1 > line.heard_s.0
                    && !l.may_continue(line)
            };
            let rival = seen.iter().filter(elsewhere).map(|l| l.score);
            if rival.fold(RIVAL_LINE_LEAST, f64::max) > RIVALRY * line.score {
                periodic = true;
                continue;
            }
            if let Some(placed) = self.place(a, b, line, &path, progress)? {
                return Ok(Found::Placed(Box::new(placed)));
            }
        }
        Ok(if periodic { Found::Periodic } else { Found::Nothing })
    }

    /// Measures along a path and fits the clock.
    fn place(
        &self,
        a: &Track,
        b: &Track,
        line: &Line,
        path: &Path,
        progress: &dyn Progress,
    ) -> Result<Option<PairAlignment>> {
        let mut found = jump::pieces(a, b, line, path, &self.plans, progress)?;
        let fit = loop {
            let Some(fit) = PairFit::rough(a, b, line.inverted, &found) else { return Ok(None) };
            let steps_s: Vec<f64> = (0..fit.jumps.len()).map(|j| fit.step_s(j)).collect();
            if !jump::one_source(a, b, &mut found, steps_s) {
                break fit;
            }
        };
        let mut jumps = fit.jumps.clone();
        let mut map = fit.map()?;
        let mut weighting = flat();
        let mut last: Option<(PairFit, Vec<Evidence>, usize)> = None;
        let mut weak = false;
        let (from, to) = line.overlap(a, (0.0, b.duration_s()));
        let mut within_s = 0.003;
        let beyond_doubt = path.standing.without_best > BEYOND_DOUBT;
        for (round, (most, least)) in ROUNDS.into_iter().enumerate() {
            let before = last.as_ref().map_or(0, |l| l.1.len());
            // Few measurements, and sums of windows, may have come of a clock and a weighting not yet right.
            if round == 2 && before >= MANY && !weak {
                break;
            }
            let starts = windows(from, to, &found, most);
            let how = Measure {
                map: &map,
                inverted: line.inverted,
                within_s,
                least,
                least_close: least,
                weighting: &weighting,
                breaks_s: &jumps,
            };
            let mut measured = self.measured(a, b, &starts, how, beyond_doubt, progress)?;
            let fewer = round == 2 && before < MANY && measured.evidence.len() < before;
            if measured.evidence.is_empty() || fewer {
                break;
            }
            weak = measured.weak;
            let itself = measured.evidence.len();
            jump::complete(&mut measured.evidence, &jumps, &found);
            jumps = between(&jumps, &measured.evidence);
            let Some(mut fit) = PairFit::with_jumps(a, b, line.inverted, &measured.evidence, &jumps) else { break };
            if fit.places.shared_s <= ONE_PLACE_S && !measured.long.is_empty() {
                measured.evidence.append(&mut measured.long);
                measured.evidence.sort_by(|x, y| x.b_s.total_cmp(&y.b_s));
                fit = match PairFit::with_jumps(a, b, line.inverted, &measured.evidence, &fit.jumps) {
                    Some(fit) => fit,
                    None => break,
                };
            }
            within_s = 0.0004 + 4.0 * fit.places.shared_s;
            map = fit.map()?;
            weighting = measured.weighting;
            jumps.clone_from(&fit.jumps);
            last = Some((fit, measured.evidence, itself));
        }
        let least = if beyond_doubt { 2 } else { EVIDENCE_LEAST };
        let Some((fit, evidence, itself)) = last.filter(|l| l.1.len() >= least) else { return Ok(None) };
        // The blocks that a stretch is completed with are what made the line: they cannot also confirm it.
        let confirmed = itself >= if path.standing.without_best > SURE { 2 } else { EVIDENCE_LEAST };
        let most = if confirmed { 1.0 } else { UNCONFIRMED };
        let n = evidence.len() as f64;
        let residual_rms_s =
            (evidence.iter().map(|e| (map.to_timeline(e.b_s) - e.a_s).powi(2)).sum::<f64>() / n).sqrt();
        let uncertainty_s = [from, (from + to) / 2.0, to].iter().map(|&t| fit.sigma_s(t)).fold(0.0, f64::max);
        let pair_jumps = fit
            .jumps
            .iter()
            .enumerate()
            .map(|(j, &b_s)| PairJump { a_s: map.to_timeline(b_s), b_s, step_s: fit.step_s(j) })
            .collect();
        let drift_ppm = map.drift_ppm();
        Ok(Some(PairAlignment {
            confidence: confidence(path).min(most),
            uncertainty_s,
            overlap_s: to - from,
            residual_rms_s,
            jumps: pair_jumps,
            inverted: line.inverted,
            wander_q: fit.wander_q,
            place_s: fit.places.shared_s,
            evidence: fit.places.widened(&evidence),
            places: fit.places.of,
            rate_mixup: (999.0..=1001.0).contains(&drift_ppm.abs()),
            map,
        }))
    }

    /// Takes evidence from windows at `starts`.
    fn measured(
        &self,
        a: &Track,
        b: &Track,
        starts: &[i64],
        how: Measure<'_>,
        beyond_doubt: bool,
        progress: &dyn Progress,
    ) -> Result<Measured> {
        if beyond_doubt {
            let all = Measure { least_close: LEAST_CLOSE, ..how.clone() };
            let all = measure(a, b, starts, &all, &self.plans, progress)?;
            if all.evidence.len() >= MANY {
                return Ok(all);
            }
            // Few cannot outvote the wrong ones among them: take the clear ones only.
            let clear = measure(a, b, starts, &how, &self.plans, progress)?;
            return Ok(if clear.evidence.len() >= EVIDENCE_LEAST { clear } else { all });
        }
        measure(a, b, starts, &how, &self.plans, progress)
    }
}

enum Found {
    Placed(Box<PairAlignment>),
    Periodic,
    Nothing,
}

/// Unevenness from which a track is taken for a voice line.
const BURSTS: f64 = 1.5;
/// A candidate that scores less than this share of the best one is not looked at.
const FOREMOST: f64 = 0.25;
/// Windows that are measured, the richest first, and how far they must stand out: to find the clock, to know it,
/// and once more where that gave few measurements.
const ROUNDS: [(usize, f64); 3] = [(500, 6.5), (1500, 5.5), (1500, 5.5)];
/// The track that probes are taken from is searched in parts of this length, seconds; in fewer where the other, as
/// often as there are parts, would be longer than the second.
const PART_S: f64 = 300.0;
const PARTS_EFFORT_S: f64 = 900.0;
/// Shorter tracks are not compared, seconds.
const SHORTEST_S: f64 = 0.5;
/// Least standing of a path over the same path shifted aside.
const STANDING: f64 = 8.0;
const STANDING_WITHOUT_BEST: f64 = 6.0;
/// A shifted path that reaches this share of the path's own excess makes it one of many.
const RIVALRY: f64 = 0.7;
/// Lines further apart than this are different placements, seconds.
const DISTINCT_S: f64 = 0.05;
/// Chance alone gives lines of scores up to about this.
const RIVAL_LINE_LEAST: f64 = 12.0;
/// Fewest measurements that confirm a line.
const EVIDENCE_LEAST: usize = 3;
/// Most that a line is worth which no such number confirms.
const UNCONFIRMED: f64 = 0.95;
/// A line that stands out this far without its best blocks is placed without a third measurement; its peaks may need
/// to stand out only this far from the correlation close by. From where on two measurements confirm it.
const BEYOND_DOUBT: f64 = 15.0;
const SURE: f64 = 25.0;
const LEAST_CLOSE: f64 = 3.5;
/// How far from where it was first placed a jump is sought again, seconds.
const NEAR_JUMP_S: f64 = 2.0;
/// Measurements that are enough to outvote wrong ones.
const MANY: usize = 20;

/// Probability that a line which stands out so far is right. The exponent is on the safe side of the
/// share of chance lines seen in the false-placement benchmark.
fn confidence(path: &Path) -> f64 {
    let standing = path.standing.height.min(path.standing.without_best + 2.0);
    1.0 - (-0.8 * (standing - 6.0).max(0.0)).exp()
}

/// Starts of the windows to measure, samples of `b`: those in which the pieces' blocks say most, and of those
/// that say as much as can be said, some everywhere (a golden section of the indices).
fn windows(from_s: f64, to_s: f64, pieces: &[jump::Piece], most: usize) -> Vec<i64> {
    let first = (from_s * TRACK_RATE_HZ).ceil() as i64;
    let hop = (WINDOW_S * TRACK_RATE_HZ) as i64;
    let windows = (to_s - from_s) / WINDOW_S;
    // The last one reaches past the end of a file, whose edge pulls at it: where there are many it is not missed.
    let count = if windows > MANY as f64 { windows.floor() } else { windows.ceil().max(1.0) } as usize;
    let mut said = vec![0.0f32; count];
    for p in pieces.iter().flat_map(jump::Piece::points) {
        let i = ((p.b_s - from_s) / WINDOW_S) as usize;
        for said in said.iter_mut().take((i + 2).min(count)).skip(i.saturating_sub(1)) {
            *said = said.max(p.weight);
        }
    }
    let mut order: Vec<usize> = (0..count).collect();
    let turn = |i: usize| (i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    order.sort_by(|&x, &y| said[y].total_cmp(&said[x]).then(turn(x).cmp(&turn(y))));
    order.truncate(most);
    order.sort_unstable();
    order.into_iter().map(|i| first + i as i64 * hop).collect()
}

/// For each measurement, in time order, the utterance that it belongs to.
fn utterances(evidence: &[Evidence]) -> Vec<usize> {
    let (mut utterance, mut from) = (0, 0);
    (0..evidence.len())
        .map(|i| {
            let b_s = evidence[i].b_s;
            if i > 0 && (b_s - evidence[i - 1].b_s > PAUSE_S || b_s - evidence[from].b_s > UTTERANCE_S) {
                (utterance, from) = (utterance + 1, i);
            }
            utterance
        })
        .collect()
}

/// Jumps with two measurements or more on either side, up to the next jump: others cannot be sized.
fn between(jumps: &[f64], evidence: &[Evidence]) -> Vec<f64> {
    let count = |from: f64, to: f64| evidence.iter().filter(|e| e.b_s > from && e.b_s <= to).count();
    let mut kept: Vec<f64> = Vec::new();
    for (i, &at) in jumps.iter().enumerate() {
        let before = kept.last().copied().unwrap_or(f64::NEG_INFINITY);
        let after = jumps.get(i + 1).copied().unwrap_or(f64::INFINITY);
        if count(before, at) >= 2 && count(at, after) >= 2 {
            kept.push(at);
        }
    }
    kept
}

/// How many places there are, counted from zero.
pub(crate) fn count(places: &[usize]) -> usize {
    places.iter().max().map_or(0, |last| last + 1)
}

/// Where the voices speak from: measurements of one place go astray together.
#[derive(Debug, Clone)]
struct Places {
    /// For each measurement, its place.
    of: Vec<usize>,
    /// Standard deviation of what all measurements of a place share, and of what each has of its own, seconds.
    shared_s: f64,
    own_s: f64,
}

impl Places {
    fn utterances(evidence: &[Evidence], shared_s: f64, own_s: f64) -> Self {
        Self { of: utterances(evidence), shared_s, own_s }
    }

    /// The measurements with the errors that they have of their own.
    fn widened(&self, evidence: &[Evidence]) -> Vec<Evidence> {
        evidence.iter().map(|e| Evidence { sigma_s: e.sigma_s.hypot(self.own_s), ..*e }).collect()
    }

    /// Places by how far measurements lie off a map: those nearer to each other than [`SEATS_APART_S`] are of one.
    /// Others than exact ones go with the nearest.
    fn beside(map: &dyn Fn(f64) -> f64, evidence: &[Evidence]) -> Self {
        let off = |e: &Evidence| e.a_s - map(e.b_s);
        let mut sorted: Vec<f64> = evidence.iter().filter(|e| e.sigma_s < EXACT_S).map(off).collect();
        sorted.sort_by(f64::total_cmp);
        let seats: Vec<&[f64]> = sorted.chunk_by(|x, y| y - x < SEATS_APART_S).collect();
        let away = |off_s: f64, seat: &[f64]| (seat[0] - off_s).max(off_s - seat[seat.len() - 1]);
        let nearest = |off_s: f64| {
            let by_distance = |&i: &usize, &j: &usize| away(off_s, seats[i]).total_cmp(&away(off_s, seats[j]));
            (0..seats.len()).min_by(by_distance).unwrap_or(0)
        };
        Self { of: evidence.iter().map(|e| nearest(off(e))).collect(), shared_s: SEATS_S, own_s: SEAT_S }
    }

    /// -2 ln of how probable it is, before anything is measured, that voices change places so.
    fn surprise(&self, evidence: &[Evidence], utterances: &[usize]) -> f64 {
        let exact: Vec<usize> = (0..evidence.len()).filter(|&i| evidence[i].sigma_s < EXACT_S).collect();
        let share = |k: usize| {
            let (i, before) = (exact[k], exact[k - 1]);
            let heard = exact[..k].iter().any(|&j| self.of[j] == self.of[i]);
            let [same, other, new] = if utterances[i] == utterances[before] { WITHIN } else { NEXT };
            if self.of[i] == self.of[before] {
                same
            } else if heard {
                other
            } else {
                new
            }
        };
        (1..exact.len()).map(|k| -2.0 * f64::ln(share(k))).sum()
    }
}

/// The clock of `b` against that of `a`.
struct PairFit {
    solved: Solved,
    jumps: Vec<f64>,
    duration_s: f64,
    wander_q: f64,
    places: Places,
    /// -2 ln of the probability of these measurements and of this choice of errors, up to a constant.
    chosen_at: f64,
}

/// Measurements nearer than this to the one before are of one utterance, which lasts no longer than this, seconds.
const PAUSE_S: f64 = 2.0;
const UTTERANCE_S: f64 = 6.0;
/// Candidates for the standard deviation of an utterance's own error (two speakers sit at different
/// distances, heads turn), seconds, and how probable each is before the scatter is seen.
const PLACE_ERRORS: [(f64, f64); 7] =
    [(0.0, 0.005), (0.02e-3, 0.01), (0.06e-3, 0.04), (0.15e-3, 0.3), (0.3e-3, 0.4), (0.6e-3, 0.2), (1.2e-3, 0.045)];
/// Utterances that show by themselves how far apart the voices sit.
const SEVERAL: usize = 6;
/// Standard deviation of a measurement's own error of place where too few show it, seconds.
const UNKNOWN_PLACE_S: f64 = 0.3e-3;
/// Measurements better than this tell seats apart, which are further from each other than this, seconds.
const EXACT_S: f64 = 0.1e-3;
const SEATS_APART_S: f64 = 0.1e-3;
/// Standard deviations of the places of seats and of one voice in its seat, seconds: 20 cm and 1 cm of air.
const SEATS_S: f64 = 0.6e-3;
const SEAT_S: f64 = 0.03e-3;
/// How probable it is that the next measurement is of the same seat, of one heard before, of a new one: within an
/// utterance and from one to the next. Guesses, no measurement.
const WITHIN: [f64; 3] = [0.8, 0.1, 0.1];
const NEXT: [f64; 3] = [0.45, 0.35, 0.2];
/// Voices whose measurements scatter less are all at one place, seconds.
const ONE_PLACE_S: f64 = 0.02e-3;
/// Measurements through which lines are tried, two at a time, at the most.
const LINES: usize = 40;
/// Seats are believed where the readings that they compete with, each by its probability, spread no further than
/// this from theirs, seconds.
const SEATS_SPREAD_S: f64 = 1.1e-3;
/// Measurements nearer in time tell no drift, seconds; nor does any tell one further than this from the rest's, ppm.
const LEVER_S: f64 = 1.5;
const DRIFT_AROUND_PPM: f64 = 300.0;
/// What is smaller is a voice from another place, not lost sound, seconds.
const JUMP_LEAST_S: f64 = 0.004;
/// What is larger is no other source of the same sound either, seconds: 7 m of air.
const JUMP_LARGE_S: f64 = 0.02;
/// How much less likely (-2 ln of the ratio) the measurements must be without a jump: jumps are rare.
const JUMP_SURPRISE: f64 = 25.0;
/// Candidates for the variance that drift gathers, ppm^2 per second, and how probable each is.
const WANDERS: [(f64, f64); 5] = [(0.0, 0.6), (1e-4, 0.15), (1e-3, 0.12), (1e-2, 0.1), (1e-1, 0.03)];
/// Measurements by which models are chosen, at the most.
const CHOICE: usize = 240;

impl PairFit {
    fn new(a: &Track, b: &Track, evidence: &[Evidence], jumps: &[f64], wander_q: f64, places: Places) -> Option<Self> {
        let clock = |span_s: f64, fixed| Clock { span_s, wander_q, fixed };
        let file = |clock, duration_s, jumps: &[f64], fixed| File {
            clock,
            start_s: 0.0,
            duration_s,
            jumps: jumps.to_vec(),
            fixed,
        };
        let observe = |(e, &group): (Evidence, &usize)| Observation {
            a: 0,
            a_s: e.a_s,
            b: 1,
            b_s: e.b_s,
            sigma_s: e.sigma_s,
            link: 0,
            group,
        };
        let observations = places.widened(evidence).into_iter().zip(&places.of).map(observe).collect();
        let problem = Problem {
            clocks: vec![clock(a.duration_s(), true), clock(b.duration_s(), false)],
            files: vec![file(0, a.duration_s(), &[], true), file(1, b.duration_s(), jumps, false)],
            observations,
            link_bias_s: vec![0.0],
            group_error_s: vec![places.shared_s; count(&places.of)],
            link_weight: vec![1.0],
        };
        let solved = problem.solve()?;
        let chosen_at = solved.surprise;
        Some(Self { solved, jumps: jumps.to_vec(), duration_s: b.duration_s(), wander_q, places, chosen_at })
    }

    /// The first fit, by the blocks of pieces of a path: its jumps each where it is.
    fn rough(a: &Track, b: &Track, inverted: bool, pieces: &[jump::Piece]) -> Option<Self> {
        let fit = |jumps: &[f64]| {
            let rough = jump::rough(pieces, jumps);
            Self::new(a, b, &rough, jumps, 0.01, Places::utterances(&rough, 0.0, 0.0))
        };
        let between_s = jump::between(pieces);
        let middles: Vec<f64> = between_s.iter().map(|b| (b.0 + b.1) / 2.0).collect();
        let first = fit(&middles)?;
        if middles.is_empty() { Some(first) } else { fit(&first.located(a, b, inverted, &between_s)) }
    }

    /// Constant drift unless the evidence asks for wander, and the error of place that its scatter
    /// shows. The choice is by marginal likelihood.
    fn best(a: &Track, b: &Track, evidence: &[Evidence], jumps: &[f64]) -> Option<Self> {
        let chosen: Vec<Evidence> = evidence.iter().copied().step_by(evidence.len().div_ceil(CHOICE).max(1)).collect();
        let spoken = utterances(&chosen);
        let several = count(&spoken) >= SEVERAL;
        // Too few to show how far apart the voices sit: each measurement may be of another one.
        let few = !several && evidence.len() < MANY;
        let own_s = if few { UNKNOWN_PLACE_S } else { 0.0 };
        let mut best: Option<(f64, f64, f64)> = None;
        for (place_s, likely_place) in PLACE_ERRORS {
            for (wander_q, likely_wander) in WANDERS {
                if wander_q > 0.0 && !several {
                    continue;
                }
                let places = Places { of: spoken.clone(), shared_s: place_s, own_s };
                if let Some(fit) = Self::new(a, b, &chosen, jumps, wander_q, places) {
                    let surprise = fit.solved.surprise - 2.0 * f64::ln(likely_place * likely_wander);
                    if best.is_none_or(|b| surprise < b.0) {
                        best = Some((surprise, wander_q, place_s));
                    }
                }
            }
        }
        let (surprise, wander_q, place_s) = best?;
        let mut fit = Self::new(a, b, evidence, jumps, wander_q, Places::utterances(evidence, place_s, own_s))?;
        fit.places.shared_s = place_s.max(own_s);
        fit.chosen_at = surprise;
        Some(fit)
    }

    /// The best, with those of the jumps that there must be, each where it is.
    fn with_jumps(a: &Track, b: &Track, inverted: bool, evidence: &[Evidence], jumps: &[f64]) -> Option<Self> {
        let mut fit = Self::best(a, b, evidence, jumps)?;
        // The least of the jumps that need not be any, one at a time: each changes the others.
        while let Some(least) = fit.least_jump() {
            let mut fewer = fit.jumps.clone();
            fewer.remove(least);
            let Some(without) = Self::best(a, b, evidence, &fewer) else { break };
            let unlikely = without.surprise() - fit.surprise() >= JUMP_SURPRISE;
            if fit.step_s(least).abs() >= JUMP_LEAST_S && (unlikely || fit.must_jump(least, evidence)) {
                break;
            }
            fit = without;
        }
        if !fit.jumps.is_empty() {
            // The rough maps may have been too far off for the last words before and after a jump.
            let near_s: Vec<(f64, f64)> = fit.jumps.iter().map(|&j| (j - NEAR_JUMP_S, j + NEAR_JUMP_S)).collect();
            let moved = fit.located(a, b, inverted, &near_s);
            if moved.windows(2).all(|w| w[0] < w[1])
                && let Some(better) = Self::best(a, b, evidence, &moved)
            {
                fit = better;
            }
        }
        // A small jump must not pass for another seat: seats are looked for where there is none.
        if fit.jumps.is_empty() && fit.wander_q == 0.0 && evidence.len() <= CHOICE {
            return Self::by_seats(a, b, evidence, &fit).or(Some(fit));
        }
        Some(fit)
    }

    /// Few measurements, but exact ones: which of them are of one voice in one seat shows in how they lie on a line,
    /// even where the voices are too far from each other, and too few, to tell drift from distance by their scatter.
    /// `None` where no such reading is clearly better than any other.
    fn by_seats(a: &Track, b: &Track, evidence: &[Evidence], usual: &Self) -> Option<Self> {
        let exact: Vec<&Evidence> = evidence.iter().filter(|e| e.sigma_s < EXACT_S).collect();
        let exact: Vec<&Evidence> = exact.iter().copied().step_by(exact.len().div_ceil(LINES).max(1)).collect();
        let slope = |x: &Evidence, y: &Evidence| (y.a_s - x.a_s) / (y.b_s - x.b_s);
        let about = usual.map().ok()?.drift_ppm();
        let mut readings: Vec<(f64, Self)> = Vec::new();
        for (i, x) in exact.iter().enumerate() {
            for y in exact[i + 1..].iter().filter(|y| y.b_s - x.b_s >= LEVER_S) {
                let line = |t: f64| x.a_s + (t - x.b_s) * slope(x, y);
                if ((slope(x, y) - 1.0) * 1e6 - about).abs() > DRIFT_AROUND_PPM {
                    continue;
                }
                // Once more by the line that these seats give.
                let first = Self::new(a, b, evidence, &[], 0.0, Places::beside(&line, evidence));
                let seats = first.map(|f| Places::beside(&|t| f.at(t), evidence));
                let Some(seats) = seats.filter(|s| readings.iter().all(|r| r.1.places.of != s.of)) else { continue };
                let before = seats.surprise(evidence, &usual.places.of);
                readings.extend(Self::new(a, b, evidence, &[], 0.0, seats).map(|f| (f.solved.surprise + before, f)));
            }
        }
        let (least, _) = readings.iter().enumerate().min_by(|x, y| x.1.0.total_cmp(&y.1.0))?;
        let (score, best) = readings.swap_remove(least);
        if score >= usual.chosen_at {
            return None;
        }
        let ends = [0.0, b.duration_s()];
        let away_s = |f: &Self| ends.iter().map(|&t| (f.at(t) - best.at(t)).abs()).fold(0.0, f64::max);
        let others = readings.iter().map(|r| (r.0, &r.1)).chain([(usual.chosen_at, usual)]);
        let (mut total, mut square) = (1.0, 0.0);
        for (other, fit) in others {
            let odds = ((score - other) / 2.0).exp();
            total += odds;
            square += odds * away_s(fit).powi(2);
        }
        (f64::sqrt(square / total) <= SEATS_SPREAD_S).then_some(best)
    }

    /// `a` time of a moment of `b`.
    fn at(&self, b_s: f64) -> f64 {
        self.solved.timeline_s(1, b_s)
    }

    fn map(&self) -> Result<ClockMap> {
        let mut moments = vec![0.0];
        moments.extend(self.solved.bends(1));
        moments.push(self.duration_s);
        let mut knots: Vec<(f64, f64)> = moments.iter().map(|&t| (t, self.at(t))).collect();
        for (j, &t) in self.jumps.iter().enumerate() {
            knots.retain(|k| (k.0 - t).abs() > 1e-3);
            knots.push((t, self.solved.timeline_before_s(1, j)));
            knots.push((t, self.at(t)));
        }
        knots.sort_by(|x, y| x.0.total_cmp(&y.0));
        ClockMap::from_knots(knots)
    }

    fn sigma_s(&self, b_s: f64) -> f64 {
        self.solved.sigma_s(1, b_s)
    }

    /// Where its jumps are, each sought between two `b` times.
    fn located(&self, a: &Track, b: &Track, inverted: bool, between_s: &[(f64, f64)]) -> Vec<f64> {
        let places = between_s.iter().enumerate().map(|(j, &between_s)| {
            let (at, step_s) = (self.jumps[j], self.step_s(j));
            let map = |t: f64| self.at(t);
            let before = |t: f64| if t >= at { map(t) - step_s } else { map(t) };
            let after = |t: f64| if t >= at { map(t) } else { map(t) + step_s };
            jump::locate(a, b, inverted, &before, &after, between_s)
        });
        places.collect()
    }

    /// Whether a jump is too large for any other reading, and what it parts too exact and too much for chance.
    fn must_jump(&self, which: usize, evidence: &[Evidence]) -> bool {
        let exact = |(from, to): (f64, f64)| {
            let fits = |e: &&Evidence| e.sigma_s < EXACT_S && (self.at(e.b_s) - e.a_s).abs() < JUMP_LEAST_S;
            evidence.iter().filter(|e| e.b_s > from && e.b_s <= to).filter(fits).count()
        };
        let sides = [which, which + 1].map(|i| exact(jump::stretch(&self.jumps, i)));
        self.step_s(which).abs() >= JUMP_LARGE_S && sides.into_iter().all(|count| count >= EVIDENCE_LEAST)
    }

    fn least_jump(&self) -> Option<usize> {
        (0..self.jumps.len()).min_by(|&x, &y| self.step_s(x).abs().total_cmp(&self.step_s(y).abs()))
    }

    fn surprise(&self) -> f64 {
        self.solved.surprise
    }

    fn step_s(&self, jump: usize) -> f64 {
        self.solved.size_of_jump(1, jump)
    }
}

#[cfg(test)]
pub(crate) mod tests;
