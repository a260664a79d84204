//! Compares two tracks and finds how their clocks relate.
//!
//! The steps are modules, in the order in which the data flows:
//!
//! 1. `long_probe`, `search` find candidates: places where the tracks may lie. A few long probes of all the sound come
//!    first. Short probes of the sound above its noise floor follow, then long probes at larger drifts, then many of
//!    them. The search ends when one candidate is sure.
//! 2. `path`, `jump` fit a straight line (offset and drift) to each candidate, and follow it block by block. The result is
//!    a path. It may bend, because clocks wander, and jump.
//! 3. `confidence` computes the probability that the place is right. It weighs three alternatives: the match is chance,
//!    another candidate is right, or the common sound was played twice, at different times.
//! 4. `measure`, `fit` measure the delay along the path to microseconds, and fit the clock to these measurements.
//! 5. `sources` tells the voices from other sound. The drift comes from everything that both tracks hear, for example an
//!    engine. The offset comes from the voices, because sound of the engine arrives with another delay. If the voices
//!    cannot be told, `uncertainty_s` is larger.
//!
//! The confidence also depends on five assumptions, which no sound of the two tracks can check. They are constants in
//! `confidence`, and each says what half and double of it would do:
//!
//! - `PROMPTS` and `PIECES`: how often a short sound, and how often a long piece, is played again;
//! - `COINCIDENCE`: how rarely two of them keep their distance;
//! - `LOST_S`: how much sound a device loses at once;
//! - `REPEATS_DIFFER`: by how much the correlations of a repeated sound differ.

use std::sync::Arc;

use crate::clock::ClockMap;
use crate::error::{Error, ErrorKind, Result};
use crate::options::OptionTable as _;
use crate::progress::{Progress, step};
use crate::track::{TRACK_RATE_HZ, Track};
use coeval_transform::Plans;

mod confidence;
mod fit;
mod jump;
mod long_probe;
mod measure;
mod path;
mod search;
mod sources;

use confidence::{CommonSounds, Preference};
pub(crate) use fit::count_places;
use fit::{ONE_PLACE_S, PairFit, between, utterances};
use long_probe::{Look, places, spread};
use measure::{Measure, Measurements, WINDOW_S, flat, measure};
use path::{LINE_STANDS, Line, Path, PathPoint, trace, verify};
use search::{Candidate, ShortProbes, candidates_of_either, unevenness};
use sources::Sources;

crate::options! {
    /// How two tracks are compared.
    #[derive(Debug, Clone)]
    #[non_exhaustive]
    pub struct PairOptions {
        /// Largest difference of the two clocks that is searched, in ppm, either way. 0 to 1200.
        pub max_drift_ppm: f64 = 500.0, 0.0..=1200.0;
    } and {
        /// Where the user's own knowledge puts the offset (`a` time minus `b` time at the start of `b`):
        /// lowest and highest value in seconds. `None`: anywhere.
        pub offset_range_s: Option<(f64, f64)> = None;
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
    /// They share sound, but their clocks differ by more than [`PairOptions::max_drift_ppm`].
    BeyondDriftLimit,
}

impl Unplaced {
    /// The reason in words.
    pub fn as_str(self) -> &'static str {
        match self {
            Unplaced::NoCommonSound => "no common sound",
            Unplaced::TooShort => "too short",
            Unplaced::OnlyPeriodicSound => "only periodic sound",
            Unplaced::Silent => "silent",
            Unplaced::BeyondDriftLimit => "clocks that differ by more than the limit of the search",
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

/// One of the ways by which sound that is common reaches the two devices.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundPath {
    /// `a` hears what comes this way so much later than where the placement puts it, seconds; 0 for the way that the
    /// placement follows.
    pub delay_s: f64,
    /// Probability that this is the way of the people's voices; 0 for what goes on while nobody speaks (an engine).
    pub voices: f64,
}

/// Another place at which two tracks might lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RivalPlace {
    /// So much later in `a` than the placement puts it, seconds.
    pub shift_s: f64,
    /// Probability that it is the right place, as it stood when the placement was judged.
    pub probability: f64,
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
    /// Between which moments of `b` it lies: sound tells no more where nothing was heard. With a probability of 0.998.
    pub within_s: (f64, f64),
}

impl PairJump {
    /// One whose moment is known.
    pub fn at(a_s: f64, b_s: f64, step_s: f64) -> Self {
        Self { a_s, b_s, step_s, within_s: (b_s, b_s) }
    }
}

/// A stretch of a file in which its place is known equally well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// First and last moment in the file, seconds.
    pub from_s: f64,
    /// See `from_s`.
    pub to_s: f64,
    /// Probability that the map is right in this stretch. Before the first and after the last measurement it is that of
    /// the whole file, reduced by the probability of a jump that nobody could hear.
    pub confidence: f64,
    /// One standard deviation of the place's error at the stretch's worst moment, seconds. Where a jump may lie sooner or later
    /// in a silence, and before the first and after the last measurement of a clock that jumps, it allows for its step.
    pub uncertainty_s: f64,
}

impl Stretch {
    /// A file of so many seconds that is known equally well from its first to its last moment.
    pub fn whole(duration_s: f64, confidence: f64, uncertainty_s: f64) -> Self {
        Self { from_s: 0.0, to_s: duration_s, confidence, uncertainty_s }
    }
}

/// How often a clock jumps, one jump in so many seconds (ten hours), before anything is heard of it. A guess, no
/// measurement: five minutes at a file's end in which nothing is common are then known to 99.2 %; with half of it
/// to 98.4 %, with double to 99.6 %. A clock that was seen to jump goes on as often as it was seen to.
const JUMPS_EVERY_S: f64 = 36_000.0;
/// Two sources are heard so far apart at the most, seconds: 3.4 m of air. A guess. Of 200 clips of 5 to 30 s (tune half of the
/// benchmark, class b-roll) one is 7 ms off with three quarters of it, by a jump that is none; with all of it, half as much
/// more, and three times it, none is. But with half as much more, 14 ms that are lost 5 s before the end of a file pass for
/// another way.
const PATHS_S: f64 = 0.010;
/// A jump nearer to where it is said to be than this makes no stretch of its own, seconds: less than a syllable.
const NOWHERE_ELSE_S: f64 = 0.16;

/// A jump of one file.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FileJump {
    pub(crate) at_s: f64,
    pub(crate) step_s: f64,
    /// Between which moments it lies.
    pub(crate) within_s: (f64, f64),
}

/// The stretches of a file from `whole.0` to `whole.1`: before what was measured, between jumps, where jumps may lie sooner or
/// later, and after what was measured. `beyond`: log odds, from the sound before and after it, that the clock goes on
/// rather than has jumped.
pub(crate) fn stretches(
    whole: (f64, f64),
    measured: (f64, f64),
    jumps: &[FileJump],
    beyond: [f64; 2],
    confidence: f64,
    sigma_s: impl Fn(f64) -> f64,
) -> Vec<Stretch> {
    let (first, last) = (measured.0.clamp(whole.0, whole.1), measured.1.clamp(whole.0, whole.1));
    let mut edges = vec![whole.0, first];
    // Where a jump may lie, and its step: on either side of it the error is the whole step or none.
    let mut amid: Vec<((f64, f64), f64)> = Vec::new();
    for jump in jumps.iter().filter(|j| j.at_s > first && j.at_s < last) {
        let (from, to) = (jump.within_s.0.clamp(first, jump.at_s), jump.within_s.1.clamp(jump.at_s, last));
        match amid.last_mut() {
            _ if to - from < NOWHERE_ELSE_S => edges.push(jump.at_s),
            Some((before, step_s)) if from < before.1 => {
                before.1 = before.1.max(to);
                *step_s = step_s.hypot(jump.step_s);
            }
            _ => amid.push(((from, to), jump.step_s)),
        }
    }
    edges.retain(|&e| e <= first || amid.iter().all(|(within, _)| e <= within.0 || e >= within.1));
    edges.extend(amid.iter().flat_map(|(within, _)| [within.0, within.1]));
    edges.extend([last, whole.1]);
    edges.sort_by(f64::total_cmp);
    let per_s = (jumps.len() as f64 / (last - first).max(1.0)).max(1.0 / JUMPS_EVERY_S);
    let usual_s = (jumps.iter().map(|j| j.step_s.powi(2)).sum::<f64>() / jumps.len().max(1) as f64).sqrt();
    let stretch = |w: &[f64]| {
        let (unseen_s, log_odds) = match (w[1] <= first, w[0] >= last) {
            (true, _) => (first - whole.0, beyond[0]),
            (_, true) => (whole.1 - last, beyond[1]),
            _ => (0.0, 0.0),
        };
        let jumps = unseen_s * per_s;
        let known = 1.0 / (1.0 + jumps * (-log_odds).exp());
        // The root of the mean square, as below: so far off with that probability, or not at all.
        let moved_s = jumps.max(1.0) * usual_s * (1.0 - known).sqrt();
        let amid_s = amid.iter().find(|(within, _)| w[0] >= within.0 && w[1] <= within.1).map_or(0.0, |a| a.1.abs());
        // Half way through, the chance is one half.
        let moved_s = moved_s.hypot(amid_s * 0.5f64.sqrt());
        let uncertainty_s = sigma_s(w[0]).max(sigma_s(w[1])).hypot(moved_s);
        Stretch { from_s: w[0], to_s: w[1], confidence: confidence * known, uncertainty_s }
    };
    edges.windows(2).filter(|w| w[1] > w[0]).map(stretch).collect()
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
    /// Standard deviation of a constant error of the map, seconds: it may follow another source than the voices (an
    /// engine), whose sound takes a path of another length. Part of `uncertainty_s`.
    pub source_s: f64,
    /// The ways by which common sound comes, that of the placement first, then by how probably the voices come by them.
    /// None where no voices could be told from the rest.
    pub paths: Vec<SoundPath>,
    /// Variance that the drift between them gathers, ppm^2 per second; 0 where constant drift suffices.
    pub wander_q: f64,
    /// For each measurement, the number of the place that its voice speaks from, from 0. Each utterance is a place of its
    /// own, unless few but exact measurements tell seats apart.
    pub places: Vec<usize>,
    /// Standard deviation of the error that measurements of one place share, because no voice is at the distance
    /// of another, seconds.
    pub place_s: f64,
    /// The drift is 999 to 1001 ppm: a 1000/1001 mix-up of rates, not a bad clock.
    pub rate_mixup: bool,
    /// How well the place is known by stretches of the overlap, in time order, seconds of `b`.
    pub stretches: Vec<Stretch>,
    /// Other places that are not ruled out, the most probable first; three at the most. What is left of the probability is
    /// that what is common is chance, or a sound that was played again.
    pub rivals: Vec<RivalPlace>,
    /// Log odds, from what both heard before the first and after the last measurement, that the clock goes on there
    /// rather than has jumped; 0 where nothing tells.
    pub(crate) beyond: [f64; 2],
}

impl PairAlignment {
    /// One standard deviation of the placement's error where it is known best, seconds. Where a clock jumped in a silence
    /// it is known worst, and no better by other means.
    pub fn least_uncertainty_s(&self) -> f64 {
        self.stretches.iter().map(|s| s.uncertainty_s).reduce(f64::min).unwrap_or(self.uncertainty_s)
    }

    /// An alignment from its measurements alone, as markers or the user's own correspondences give:
    /// confidence 1, no wander, uncertainty from the first measurement.
    pub fn from_parts(map: ClockMap, evidence: Vec<Evidence>, jumps: Vec<PairJump>) -> Self {
        let residual = |e: &Evidence| (map.forward(e.b_s) - e.a_s).powi(2);
        Self {
            confidence: 1.0,
            uncertainty_s: evidence.first().map_or(0.0, |e| e.sigma_s),
            overlap_s: evidence.last().zip(evidence.first()).map_or(0.0, |(l, f)| l.b_s - f.b_s),
            residual_rms_s: (evidence.iter().map(residual).sum::<f64>() / evidence.len().max(1) as f64).sqrt(),
            inverted: false,
            source_s: 0.0,
            paths: Vec::new(),
            wander_q: 0.0,
            places: utterances(&evidence),
            place_s: 0.0,
            rate_mixup: false,
            stretches: Vec::new(),
            rivals: Vec::new(),
            beyond: [0.0; 2],
            map,
            evidence,
            jumps,
        }
    }
}

impl PairAlignment {
    /// The same clock, moved onto the voices' path.
    fn moved(mut self, voices: sources::Voices) -> Self {
        let sources::Voices { delay_s, sigma_s, paths } = voices;
        self.paths = paths;
        let knots = self.map.knots().iter().map(|k| (k.0, k.1 + delay_s)).collect();
        if let Ok(map) = ClockMap::from_knots(knots) {
            self.map = map;
        }
        self.evidence.iter_mut().for_each(|e| e.a_s += delay_s);
        self.jumps.iter_mut().for_each(|j| j.a_s += delay_s);
        self.by_source(sigma_s)
    }

    /// A copy with another confidence.
    fn surer(mut self, confidence: f64) -> Self {
        let doubt = (1.0 - confidence) / (1.0 - self.confidence).max(1e-9);
        self.rivals.iter_mut().for_each(|r| r.probability *= doubt.min(1.0));
        self.stretches.iter_mut().for_each(|s| s.confidence *= confidence / self.confidence);
        self.confidence = confidence;
        self
    }

    /// The same, less certain because it may follow another source than the voices.
    fn by_source(mut self, sigma_s: f64) -> Self {
        self.source_s = sigma_s;
        self.uncertainty_s = self.uncertainty_s.hypot(sigma_s);
        self.stretches.iter_mut().for_each(|s| s.uncertainty_s = s.uncertainty_s.hypot(sigma_s));
        self
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

/// What a first look at two tracks finds.
#[derive(Debug, Clone)]
pub enum FirstLook {
    /// All that there is to find: the outcome is that of a thorough comparison.
    Enough(PairOutcome),
    /// Nothing so far.
    Open {
        /// What the best place says for itself beyond what any place does, nats, from 0 on. Of two tracks that have
        /// nothing in common it is 12 in the middle and more than 17 in one of ten; of those that only a thorough
        /// comparison places, it is more than 17 in six of ten (tune half of the benchmark).
        nats: f64,
    },
}

/// Compares tracks; keeps what can be kept between comparisons.
#[derive(Default)]
pub struct Aligner {
    options: PairOptions,
    plans: Arc<Plans>,
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
        Self::default().with_options(options)
    }

    /// An aligner with other options that shares what this one keeps.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn with_options(&self, options: PairOptions) -> Result<Self> {
        options.check_ranges()?;
        if let Some((low, high)) = options.offset_range_s
            && !(low <= high && low.is_finite() && high.is_finite())
        {
            let what = format!("offset_range_s is {low} to {high}, not a range of finite numbers");
            return Err(Error::new(ErrorKind::InvalidArgument, what));
        }
        Ok(Self { options, plans: Arc::clone(&self.plans) })
    }

    /// Its options.
    pub fn options(&self) -> &PairOptions {
        &self.options
    }

    /// Compares two tracks.
    ///
    /// # Errors
    /// [`Cancelled`](ErrorKind::Cancelled) when `progress` says so; [`Io`](ErrorKind::Io) when the
    /// [`Scratch`](crate::track::Scratch) of a long track could not be read.
    pub fn align(&self, a: &Track, b: &Track, progress: &dyn Progress) -> Result<PairOutcome> {
        match self.compare(a, b, false, progress)? {
            FirstLook::Enough(outcome) => Ok(outcome),
            FirstLook::Open { .. } => Ok(PairOutcome::Unplaced(Unplaced::NoCommonSound)),
        }
    }

    /// Compares two tracks by the first search alone, which costs some twentieth of all of them: a few long probes of the
    /// shorter track.
    ///
    /// # Errors
    /// As [`align`](Self::align).
    pub fn first_look(&self, a: &Track, b: &Track, progress: &dyn Progress) -> Result<FirstLook> {
        self.compare(a, b, true, progress)
    }

    fn compare(&self, a: &Track, b: &Track, first_only: bool, progress: &dyn Progress) -> Result<FirstLook> {
        let outcome = self.searched(a, b, first_only, progress)?;
        a.check()?;
        b.check()?;
        Ok(outcome)
    }

    fn searched(&self, a: &Track, b: &Track, first_only: bool, progress: &dyn Progress) -> Result<FirstLook> {
        let unplaced = |why| Ok(FirstLook::Enough(PairOutcome::Unplaced(why)));
        if a.is_silent() || b.is_silent() {
            return unplaced(Unplaced::Silent);
        }
        let shortest_s = a.duration_s().min(b.duration_s());
        if shortest_s < SHORTEST_S {
            return unplaced(Unplaced::TooShort);
        }
        let (mut seen, mut judged): (Vec<Line>, Vec<Line>) = Default::default();
        // The best so far, and what its line scored.
        let mut best: Option<(Box<PairAlignment>, f64)> = None;
        let mut repeats = 0;
        // The first probes leave nothing of the shorter track out.
        let probed = shortest_s <= PROBES as f64 * Look::near(shortest_s).probe_s();
        let middle_s = b.duration_s() / 2.0;
        // Turned round, a line is still the same place; and so is one that a clock which jumps comes to later.
        let near = |x: &Line, y: &Line| (x.at(middle_s) - y.at(middle_s)).abs() < DISTINCT_S;
        let passes = |map: &ClockMap, line: &Line| {
            let mut moments = (0..=MOMENTS).map(|i| b.duration_s() * f64::from(i) / f64::from(MOMENTS));
            moments.any(|t| (map.forward(t) - line.at(t)).abs() < DISTINCT_S)
        };
        for pass in self.passes(a, b) {
            let view = pass.view.of(a, b);
            let mut found = self.candidates(view, &pass, progress)?;
            // Where one candidate leaves the others far behind, these are chance.
            let least = FOREMOST * found.first().map_or(0.0, |c| c.score);
            found.retain(|c| c.score >= least);
            let soft = first_only && found.first().is_some_and(|c| c.score < SOFT);
            let lines = self.verified(view, &found[..if soft { 1 } else { found.len() }], progress)?;
            seen.extend(&lines);
            let worth_while = |l: &&Line| l.stands >= LINE_STANDS && l.score >= LINE_SCORE;
            let mut waiting: Vec<Line> = lines.iter().filter(worth_while).take(2).copied().collect();
            waiting.reverse();
            while let Some(line) = waiting.pop() {
                let line = &line;
                // The same place by another search is the same place.
                let again = |score: f64| score >= 0.8 * line.score;
                let passed = best.as_ref().is_some_and(|(b, score)| passes(&b.map, line) && again(*score));
                if passed || judged.iter().any(|j| near(j, line) && again(j.score)) {
                    continue;
                }
                judged.push(*line);
                match self.judge((a, b), view, line, (&seen, &found), progress)? {
                    Verdict::Placed(mut placed, here) => {
                        // Of two ways to one place the one on which more of what both heard matches is taken, as sure as
                        // the surer.
                        if let Some((before, _)) = best.take_if(|b| passes(&b.0.map, line))
                            && self.matching(a, b, &before) > self.matching(a, b, &placed)
                        {
                            let confidence = placed.confidence.max(before.confidence);
                            placed = Box::new(before.surer(confidence));
                        }
                        // Stop also if the only doubt left is a sound that was played again: no search can settle that.
                        if placed.confidence >= SURE_ENOUGH || (probed && here >= SURE_ENOUGH) {
                            return Ok(FirstLook::Enough(PairOutcome::Placed(placed)));
                        }
                        if best.as_ref().is_none_or(|b| placed.confidence > b.0.confidence) {
                            best = Some((placed, line.score));
                        }
                    }
                    Verdict::Repeats(better_s) => {
                        // On to the place that its blocks prefer, if that was not judged yet: by then the same sound tells
                        // where it does not repeat.
                        repeats += 1;
                        let better_s = better_s.filter(|_| repeats < REPEATS_MOST);
                        let better = better_s.and_then(|shift_s| self.moved(view, line, shift_s, line.drift_ppm));
                        waiting
                            .extend(better.filter(|next| worth_while(&next) && !judged.iter().any(|j| near(j, next))));
                    }
                    Verdict::BeyondLimit => return unplaced(Unplaced::BeyondDriftLimit),
                    Verdict::Nothing => {}
                }
            }
            // What fits in so many places will fit in more.
            if repeats >= REPEATS_MOST {
                break;
            }
            if first_only && repeats == 0 && best.is_none() {
                return Ok(FirstLook::Open { nats: lines.first().map_or(0.0, |line| line.score.max(0.0)) });
            }
        }
        match best {
            Some((placed, _)) if placed.confidence >= LEAST_CONFIDENCE => {
                Ok(FirstLook::Enough(PairOutcome::Placed(placed)))
            }
            _ if repeats > 0 || best.is_some() => unplaced(Unplaced::OnlyPeriodicSound),
            _ => unplaced(Unplaced::NoCommonSound),
        }
    }

    /// What the seconds of an overlap say for a way, together, nats.
    fn matching(&self, a: &Track, b: &Track, way: &PairAlignment) -> f32 {
        let seconds = (0..b.duration_s() as usize).map(|second| second as f64 + 0.5);
        let points = seconds.map(|b_s| PathPoint { b_s, a_s: way.map.forward(b_s), weight: 0.0 });
        let points: Vec<PathPoint> = points.filter(|p| (0.0..=a.duration_s()).contains(&p.a_s)).collect();
        path::weights(a, b, &points, way.inverted, &self.plans).iter().sum()
    }

    /// From cheap to thorough.
    fn passes(&self, a: &Track, b: &Track) -> Vec<SearchPass> {
        let max = self.options.max_drift_ppm;
        let shortest_s = a.duration_s().min(b.duration_s());
        let from_shorter = b.duration_s() <= a.duration_s();
        let search = |view, from_b, how| SearchPass { view, from_b, how };
        let (near, wide) = (Look::near(shortest_s), Look::wide(shortest_s, max));
        // Short probes come from where speech stands out: there a few seconds tell most. Over the whole of a long track
        // they are many: the little that two files share may be lost among what one heard before or after.
        let (uneven_a, uneven_b) = (unevenness(a), unevenness(b));
        let (from_b, view) = (
            uneven_b >= uneven_a,
            if uneven_a.max(uneven_b) > BURSTS { TrackVariant::AboveFloor } else { TrackVariant::All },
        );
        let (probed_s, other_s) =
            if from_b { (b.duration_s(), a.duration_s()) } else { (a.duration_s(), b.duration_s()) };
        let parts = (probed_s / PART_S).min(PARTS_EFFORT_S / other_s).max(1.0).floor();
        let part = |i: usize| (probed_s * i as f64 / parts, probed_s * (i + 1) as f64 / parts);
        let tiles = (shortest_s / TILE_S).ceil().min(TILES) as usize;
        let mut passes = vec![search(TrackVariant::All, from_shorter, SearchMethod::Long(near.clone(), PROBES))];
        passes.extend((0..parts as usize).map(|i| search(view, from_b, SearchMethod::Short(SHORT, part(i)))));
        if !wide.drifts_ppm.is_empty() {
            passes.push(search(TrackVariant::All, from_shorter, SearchMethod::Long(wide, PROBES)));
        }
        // One probe of all of the shorter track was the first pass already.
        if !near.covers(shortest_s) {
            passes.push(search(TrackVariant::All, from_shorter, SearchMethod::Long(near, tiles)));
        }
        passes
    }

    /// Where the tracks of a view may lie.
    fn candidates(
        &self,
        (a, b): (&Track, &Track),
        pass: &SearchPass,
        progress: &dyn Progress,
    ) -> Result<Vec<Candidate>> {
        let max = self.options.max_drift_ppm;
        let range = self.options.offset_range_s;
        // What no offset of the range brings together is not asked.
        let (low, high) = range.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        let meets = match pass.from_b {
            true => (-high, a.duration_s() - low),
            false => (low, b.duration_s() + high),
        };
        match &pass.how {
            SearchMethod::Short(short, part) => {
                let within_s = (part.0.max(meets.0), part.1.min(meets.1));
                candidates_of_either(a, b, *short, pass.from_b, max, range, within_s, &self.plans, progress)
            }
            SearchMethod::Long(look, count) => {
                let length_s = if pass.from_b { b } else { a }.duration_s();
                let starts = spread((meets.0.max(0.0), meets.1.min(length_s)), look, *count);
                if pass.from_b {
                    return places((a.band(), b.band()), look, &starts, max, range, &self.plans, progress);
                }
                let turned = range.map(|(low, high)| (-high, -low));
                let found = places((b.band(), a.band()), look, &starts, max, turned, &self.plans, progress)?;
                Ok(found.into_iter().map(Candidate::turned).collect())
            }
        }
    }

    /// The lines through the foremost candidates, best first.
    fn verified(&self, (a, b): (&Track, &Track), found: &[Candidate], progress: &dyn Progress) -> Result<Vec<Line>> {
        let mut lines: Vec<Line> = Vec::new();
        for (i, candidate) in found.iter().take(VERIFIED).enumerate() {
            step(progress, "verify", i as f64 / VERIFIED as f64)?;
            lines.extend(verify(a, b, candidate, (0.0, b.duration_s()), &self.plans));
        }
        lines.sort_by(|x, y| y.score.total_cmp(&x.score));
        Ok(lines)
    }

    /// The line through a place that is so much later in `a`, near a drift.
    fn moved(&self, (a, b): (&Track, &Track), line: &Line, shift_s: f64, drift_ppm: f64) -> Option<Line> {
        let middle_s = (line.heard_s.0 + line.heard_s.1) / 2.0;
        let candidate = Candidate {
            a_s: line.at(middle_s) + shift_s,
            b_s: middle_s,
            drift_ppm: (drift_ppm - SLOPE_PPM, drift_ppm + SLOPE_PPM),
            inverted: line.inverted,
            signed: true,
            score: line.score,
        };
        verify(a, b, &candidate, (0.0, b.duration_s()), &self.plans)
    }

    /// The path along a line, and the line as the path's own slope tells it: a search that knows the drift to a few
    /// hundred ppm may leave a line that its path crosses again and again.
    fn followed(&self, view: (&Track, &Track), line: &Line, progress: &dyn Progress) -> Result<Option<(Line, Path)>> {
        let whole = (0.0, view.1.duration_s());
        let mut line = *line;
        let mut path = trace(view.0, view.1, &line, whole, &[], &self.plans, progress)?;
        for _ in 0..TURNS {
            let Some(slope_ppm) = path.as_ref().and_then(Path::slope_ppm) else { break };
            if (slope_ppm - line.drift_ppm).abs() < SLOPE_PPM {
                break;
            }
            match self.moved(view, &line, 0.0, slope_ppm) {
                Some(turned) if turned.score > line.score => line = turned,
                _ => break,
            }
            path = trace(view.0, view.1, &line, whole, &[], &self.plans, progress)?;
        }
        Ok(path.map(|p| (line, p)))
    }

    /// Whether a line is right, and if so how the tracks lie.
    fn judge(
        &self,
        (a, b): (&Track, &Track),
        view: (&Track, &Track),
        line: &Line,
        (seen, found): (&[Line], &[Candidate]),
        progress: &dyn Progress,
    ) -> Result<Verdict> {
        // Following one for hours is worth while only if it says what chance never does, or stands near where it was found.
        let near_s = ((line.b_s - NEAR_S).max(0.0), (line.b_s + NEAR_S).min(b.duration_s()));
        let doubtful = line.score < LINE_BLOCK_SCORE * line.blocks as f64;
        if doubtful
            && near_s.1 - near_s.0 < b.duration_s() / 2.0
            && !trace(view.0, view.1, line, near_s, &[], &self.plans, progress)?.is_some_and(|path| path.stands())
        {
            return Ok(Verdict::Nothing);
        }
        let Some((line, path)) = self.followed(view, line, progress)?.filter(|(_, path)| path.stands()) else {
            return Ok(Verdict::Nothing);
        };
        let line = &line;
        // Other places at which the same blocks might fit, and others that meet other sound.
        let middle_s = (line.heard_s.0 + line.heard_s.1) / 2.0;
        let shift_s = |l: &Line| l.at(middle_s) - line.at(middle_s);
        let rival = |shift_s: &f64| !path.passes(line, *shift_s);
        let seen: Vec<&Line> = seen.iter().filter(|l| shift_s(l).abs() <= DISTINCT_S || rival(&shift_s(l))).collect();
        let mut shifts_s: Vec<f64> = path.aside_s.iter().copied().filter(rival).collect();
        let lines = seen.iter().filter(|l| l.inverted == line.inverted).map(|l| shift_s(l));
        // Whatever was found at all may be the right place, though it was not made a line; and so may where its sounds come again.
        let found = found.iter().map(|c| c.a_s - line.at(c.b_s));
        let again = confidence::comes_again(a, b, line.inverted, &path, &self.plans);
        for shift_s in lines.chain(found.chain(again).filter(rival)) {
            if shift_s.abs() > DISTINCT_S && shifts_s.iter().all(|s| (s - shift_s).abs() > DISTINCT_S) {
                shifts_s.push(shift_s);
            }
        }
        let preferences = confidence::preferences(a, b, line, &path, &shifts_s, &self.plans);
        let same = |l: &Line, p: &Preference| (shift_s(l) - p.shift_s).abs() <= DISTINCT_S;
        let reached = preferences.iter().map(|p| {
            // Near this place, this line itself is no line of the other.
            let nearer = |l: &Line| same(l, p) && (shift_s(l) - p.shift_s).abs() < shift_s(l).abs();
            let scores = seen.iter().filter(|l| nearer(l)).map(|l| l.score);
            (p.shift_s, p.of_scores(line.score, scores.reduce(f64::max)))
        });
        // Places that have no block in common with this one.
        let apart = seen.iter().filter(|l| shift_s(l).abs() > DISTINCT_S && !preferences.iter().any(|p| same(l, p)));
        let apart = apart.map(|l| (shift_s(l), confidence::by_scores(line.score, l.score)));
        let odds: Vec<(f64, f64)> = reached.chain(apart).map(|(shift_s, l)| (shift_s, (-l).exp())).collect();
        let others: f64 = odds.iter().map(|o| o.1).sum();
        let heard = CommonSounds::along((a, b), &path, line.inverted, &preferences, &self.plans);
        let again = (-heard.log_odds()).exp();
        let chance = confidence::chance(path.standing);
        let (confidence, here) = (chance / (1.0 + others + again), chance / (1.0 + others));
        if confidence < LEAST_CONFIDENCE {
            let most = preferences.iter().min_by(|x, y| x.log_odds.total_cmp(&y.log_odds));
            return Ok(Verdict::Repeats(most.filter(|p| p.log_odds < 0.0).map(|p| p.shift_s)));
        }
        let Some(mut fitted) = self.fitted(view, line, &path, progress)? else { return Ok(Verdict::Nothing) };
        if fitted.fit.map()?.drift_ppm().abs() > self.options.max_drift_ppm + BEYOND_PPM {
            return Ok(Verdict::BeyondLimit);
        }
        let sources = Sources::new(a, b, path.block_s, &self.plans);
        let points = |fit: &PairFit| -> Vec<PathPoint> {
            path.all.iter().map(|p| PathPoint { a_s: fit.at(p.b_s), ..*p }).collect()
        };
        // Before the first and after the last measurement the clock may have jumped once more.
        let mut between = points(&fitted.fit);
        let (first_s, last_s) = fitted.measured_s();
        between.retain(|p| p.b_s >= first_s && p.b_s <= last_s);
        fitted.put_right(a, b, &sources.off_the_rest_s(&between, &fitted.fit.jumps));
        let apart_s = fitted.take_back_changes_of_source(a, b);
        fitted.know_jumps(&jump::Frames { a, b, inverted: line.inverted, plans: &self.plans }, &path.sources_s);
        // The clock comes from whatever is common; where the file lies, from the voices.
        let found = sources.voices(&points(&fitted.fit), line.inverted);
        let mut placed = fitted.alignment(a, b, line, &path, &heard, confidence)?;
        let rivals = odds.iter().map(|&(shift_s, odds)| RivalPlace { shift_s, probability: confidence * odds });
        placed.rivals = rivals.filter(|r| r.probability >= RIVAL_LEAST).collect();
        placed.rivals.sort_by(|x, y| y.probability.total_cmp(&x.probability).then(x.shift_s.total_cmp(&y.shift_s)));
        placed.rivals.truncate(RIVALS);
        let placed = match found {
            Some(voices) => placed.moved(voices),
            None => placed.by_source(sources::UNKNOWN_S.hypot(apart_s * 0.5f64.sqrt())),
        };
        Ok(Verdict::Placed(Box::new(placed), here))
    }

    /// Measures along a path and fits the clock.
    fn fitted(
        &self,
        (a, b): (&Track, &Track),
        line: &Line,
        path: &Path,
        progress: &dyn Progress,
    ) -> Result<Option<Fitted>> {
        let mut within_s = 0.003;
        let mut found = jump::runs(a, b, line, path, &self.plans, progress)?;
        let frames = jump::Frames { a, b, inverted: line.inverted, plans: &self.plans };
        let rough = |runs: &[jump::Run]| PairFit::rough(&frames, &path.sources_s, runs);
        let Some(mut fit) = rough(&found) else { return Ok(None) };
        for _ in 0..DIVISIONS {
            if !fit.divide(&frames, &mut found) {
                break;
            }
            fit = match rough(&found) {
                Some(fit) => fit,
                None => return Ok(None),
            };
        }
        let mut jumps = fit.jumps.clone();
        let mut map = fit.map()?;
        let mut weighting = flat();
        let mut last: Option<(PairFit, Vec<Evidence>, usize)> = None;
        let mut weak = false;
        let (from, to) = line.overlap(a, (0.0, b.duration_s()));
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
            let own = measured.evidence.len();
            jump::complete(&mut measured.evidence, &jumps, &found);
            jumps = between(&jumps, &measured.evidence);
            let Some(mut fit) = PairFit::with_jumps(&frames, &path.sources_s, &measured.evidence, &jumps) else {
                break;
            };
            if fit.places.shared_s <= ONE_PLACE_S && !measured.long.is_empty() {
                measured.evidence.append(&mut measured.long);
                measured.evidence.sort_by(|x, y| x.b_s.total_cmp(&y.b_s));
                fit = match PairFit::with_jumps(&frames, &path.sources_s, &measured.evidence, &fit.jumps) {
                    Some(fit) => fit,
                    None => break,
                };
            }
            within_s = 0.0004 + 4.0 * fit.places.shared_s;
            map = fit.map()?;
            weighting = measured.weighting;
            jumps.clone_from(&fit.jumps);
            last = Some((fit, measured.evidence, own));
        }
        let least = if beyond_doubt { 2 } else { EVIDENCE_LEAST };
        let enough = last.filter(|l| l.1.len() >= least);
        Ok(enough.map(|(fit, evidence, own)| Fitted { fit, evidence, own, within_s: Vec::new() }))
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
    ) -> Result<Measurements> {
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

/// What was measured along a path, and the clock that it tells.
struct Fitted {
    fit: PairFit,
    evidence: Vec<Evidence>,
    /// How many measurements there are besides the blocks that the line was found by.
    own: usize,
    /// Between which `b` times each jump lies.
    within_s: Vec<(f64, f64)>,
}

impl Fitted {
    /// First and last moment of `b` that was measured, seconds.
    fn measured_s(&self) -> (f64, f64) {
        (self.evidence[0].b_s, self.evidence[self.evidence.len() - 1].b_s)
    }

    /// Moves what was measured in each stretch between jumps by so many seconds, and fits anew where that moves anything.
    fn put_right(&mut self, a: &Track, b: &Track, off_s: &[f64]) {
        if off_s.iter().all(|&off_s| off_s == 0.0) {
            return;
        }
        let jumps = self.fit.jumps.clone();
        let mut evidence = self.evidence.clone();
        evidence.iter_mut().for_each(|e| e.a_s += off_s[jumps.partition_point(|&jump| jump < e.b_s)]);
        if let Some(fit) = PairFit::pruned(a, b, &evidence, &jumps) {
            (self.fit, self.evidence) = (fit, evidence);
        }
    }

    /// Takes a jump for what it may be as well: from there on another source is measured, whose way is longer or shorter. Says
    /// how far apart the two are, seconds, at the most.
    ///
    /// A clock jumps once in ten hours. A source changes often, and that it does so once, and never back, is one
    /// order of the utterances on either side out of all: the fewer they are, the likelier.
    fn take_back_changes_of_source(&mut self, a: &Track, b: &Track) -> f64 {
        let mut apart_s: f64 = 0.0;
        loop {
            let (jumps, step_s) = (&self.fit.jumps, |j: &usize| self.fit.step_s(*j).abs());
            let others_per_s = (jumps.len() as f64 - 1.0) / b.duration_s();
            let per_s = others_per_s.max(1.0 / JUMPS_EVERY_S);
            let utterances = utterances(&self.evidence);
            let heard = |i: usize| {
                let (from, to) = jump::stretch(jumps, i);
                let within = self.evidence.iter().zip(&utterances).filter(|(e, _)| e.b_s > from && e.b_s <= to);
                let mut of: Vec<usize> = within.map(|(_, &utterance)| utterance).collect();
                of.dedup();
                of.len()
            };
            let log_odds =
                |j: &usize| confidence::in_order(heard(*j), heard(j + 1), 0) + (b.duration_s() * per_s).min(1.0).ln();
            let changes = (0..jumps.len()).filter(|j| step_s(j) <= PATHS_S && log_odds(j) < 0.0);
            let Some(j) = changes.min_by(|x, y| step_s(x).total_cmp(&step_s(y))) else { return apart_s };
            let (at_s, step_s) = (jumps[j], self.fit.step_s(j));
            let fewer: Vec<f64> = jumps.iter().copied().filter(|&jump| jump != at_s).collect();
            // The clock comes from all of them, the place from the more.
            let (before, after): (Vec<Evidence>, Vec<Evidence>) = self.evidence.iter().partition(|e| e.b_s <= at_s);
            let [before_s, after_s] = if before.len() >= after.len() { [0.0, -step_s] } else { [step_s, 0.0] };
            let moved =
                |all: Vec<Evidence>, by_s: f64| all.into_iter().map(move |e| Evidence { a_s: e.a_s + by_s, ..e });
            let evidence: Vec<Evidence> = moved(before, before_s).chain(moved(after, after_s)).collect();
            let Some(fit) = PairFit::pruned(a, b, &evidence, &fewer) else { return apart_s };
            (self.fit, self.evidence) = (fit, evidence);
            apart_s = apart_s.max(step_s.abs());
        }
    }

    /// Puts each jump where it is as probably later as sooner, and finds how well its place is known.
    fn know_jumps(&mut self, frames: &jump::Frames<'_>, sources_s: &[f64]) {
        if self.fit.jumps.is_empty() {
            return;
        }
        let around = self.fit.measured_around(&self.evidence);
        let known = self.fit.located(frames, sources_s, &around);
        let jumps: Vec<f64> = known.iter().map(|k| k.at_s).collect();
        if jumps.is_sorted_by(|x, y| x < y)
            && between(&jumps, &self.evidence) == jumps
            && let Some(fit) = PairFit::best(frames.a, frames.b, &self.evidence, &jumps)
        {
            self.fit = fit;
        }
        self.within_s = known.iter().map(|k| k.within_s).collect();
    }

    /// `confidence` is that of the line.
    fn alignment(
        self,
        a: &Track,
        b: &Track,
        line: &Line,
        path: &Path,
        heard: &CommonSounds,
        confidence: f64,
    ) -> Result<PairAlignment> {
        let measured_s = self.measured_s();
        let Self { fit, evidence, own, within_s } = self;
        let map = fit.map()?;
        let (from, to) = line.overlap(a, (0.0, b.duration_s()));
        // The blocks that a stretch is completed with are what made the line: they cannot also confirm it.
        let confirmed = own >= if path.standing.without_best > SURE { 2 } else { EVIDENCE_LEAST };
        let most = if confirmed { 1.0 } else { UNCONFIRMED };
        let n = evidence.len() as f64;
        let residual_rms_s = (evidence.iter().map(|e| (map.forward(e.b_s) - e.a_s).powi(2)).sum::<f64>() / n).sqrt();
        let uncertainty_s = [from, (from + to) / 2.0, to].iter().map(|&t| fit.sigma_s(t)).fold(0.0, f64::max);
        let jump = |(j, (&at_s, &within_s))| FileJump { at_s, step_s: fit.step_s(j), within_s };
        let jumps: Vec<FileJump> = fit.jumps.iter().zip(&within_s).enumerate().map(jump).collect();
        let pair_jump =
            |j: &FileJump| PairJump { within_s: j.within_s, ..PairJump::at(map.forward(j.at_s), j.at_s, j.step_s) };
        let drift_ppm = map.drift_ppm();
        let confidence = confidence.min(most);
        let beyond = heard.beyond(measured_s);
        let stretches = stretches((from, to), measured_s, &jumps, beyond, confidence, |t| fit.sigma_s(t));
        let uncertainty_s = stretches.iter().map(|s| s.uncertainty_s).fold(uncertainty_s, f64::max);
        Ok(PairAlignment {
            confidence,
            stretches,
            beyond,
            uncertainty_s,
            overlap_s: to - from,
            residual_rms_s,
            jumps: jumps.iter().map(pair_jump).collect(),
            inverted: line.inverted,
            source_s: 0.0,
            paths: Vec::new(),
            rivals: Vec::new(),
            wander_q: fit.wander_q,
            place_s: fit.places.shared_s,
            evidence: fit.places.widened(&evidence),
            places: fit.places.of,
            rate_mixup: (999.0..=1001.0).contains(&drift_ppm.abs()),
            map,
        })
    }
}

enum Verdict {
    /// How they lie, and how probable it is that they lie nowhere else, whether or not what is common was played again.
    Placed(Box<PairAlignment>, f64),
    /// Something is common, but it fits elsewhere as well, or was played again; and how much later in `a` it fits best, if
    /// not here, seconds.
    Repeats(Option<f64>),
    /// The clocks differ by more than the options allow.
    BeyondLimit,
    Nothing,
}

/// What of the tracks is compared.
#[derive(Debug, Clone, Copy)]
enum TrackVariant {
    /// All sound.
    All,
    /// Of the more uneven track what stands out of its floor.
    AboveFloor,
}

impl TrackVariant {
    fn of<'t>(self, a: &'t Track, b: &'t Track) -> (&'t Track, &'t Track) {
        match self {
            TrackVariant::All => (a, b),
            TrackVariant::AboveFloor if unevenness(b) >= unevenness(a) => (a, b.above_floor()),
            TrackVariant::AboveFloor => (a.above_floor(), b),
        }
    }
}

/// One way to search: in which view, and with probes of which track (`from_b`).
struct SearchPass {
    view: TrackVariant,
    from_b: bool,
    how: SearchMethod,
}

enum SearchMethod {
    /// So many long probes, evenly spread.
    Long(Look, usize),
    /// Short probes of the moments that stand out in a part of the track that they are taken from, seconds.
    Short(ShortProbes, (f64, f64)),
}

/// Other places that are told of, at the most, and the least probability of one: what a percentage with one decimal shows.
const RIVALS: usize = 3;
const RIVAL_LEAST: f64 = 0.001;
/// A placement of this confidence is not searched further; one of less than the last is none.
const SURE_ENOUGH: f64 = 0.99;
const LEAST_CONFIDENCE: f64 = 0.7;
/// Places of a sound that comes again after which no more are looked for.
const REPEATS_MOST: usize = 6;
/// The least that the blocks of a line must say for it together, nats, to be followed: twice what chance alone gives. Of 123
/// lines of the tune half that came to nothing this spares 51, half of it 9, double of it 68; all that led to a place have ten
/// times as much.
const LINE_SCORE: f64 = 2.0 * confidence::CHANCE;
/// What a line must say on average for each block that it was searched by, nats, to be followed from end to end at once. The
/// best that chance gives of all lines is 0.4; those that led to a place have 1.8 and more (tune half). Half of it
/// lets some of chance's lines pass, double of it would lose no place.
const LINE_BLOCK_SCORE: f64 = 0.5;
/// A line that says less is first followed so far to either side of where it was found, seconds. There it has to stand.
const NEAR_S: f64 = 300.0;
/// A line is fitted again along its path's slope if their drifts differ by more than this, ppm: a bin over the seconds that
/// the slope is taken from.
const SLOPE_PPM: f64 = 100.0;
/// And this many times at the most.
const TURNS: usize = 4;
/// How far beyond the limit a clock difference may be measured, ppm.
const BEYOND_PPM: f64 = 5.0;
/// Long probes of the first search.
const PROBES: usize = 3;
/// The last search looks for a stretch in common of this length, seconds, by at most so many probes. Half a minute would
/// double what two tracks cost that have nothing in common.
const TILE_S: f64 = 60.0;
const TILES: f64 = 60.0;
/// Short probes of a part of a track.
const SHORT: ShortProbes = ShortProbes { probes: 48, probe_s: 2.5, drift_ppm: 0.0, step_ppm: 125.0 };
/// The track that they are taken from is searched in parts of this length, seconds.
const PART_S: f64 = 300.0;
/// In fewer parts if their number times the length of the other track exceeds this, seconds.
const PARTS_EFFORT_S: f64 = 900.0;
/// Unevenness from which a track is taken for a voice line.
const BURSTS: f64 = 1.5;
/// A candidate that scores less than this share of the best one is not looked at; of the others, so many are made lines.
const FOREMOST: f64 = 0.25;
const VERIFIED: usize = 6;
/// If at a first look the best candidate scores less, only that one is made a line. Chance gives 21 among five minutes of both
/// tracks and 32 in one case of a hundred; those that led to a place at the first look have 70 and more (tune half). Half of
/// it spares nothing, double of it would lose places.
const SOFT: f64 = 35.0;
/// Windows that are measured, the richest first, and how far they must stand out: to find the clock, to know it,
/// and once more where that gave few measurements.
const ROUNDS: [(usize, f64); 3] = [(500, 6.5), (1500, 5.5), (1500, 5.5)];
/// Shorter tracks are not compared, seconds.
const SHORTEST_S: f64 = 0.5;
/// Lines further apart than this are different placements, seconds; and at how many moments of a file a clock that jumps
/// is held against one.
const DISTINCT_S: f64 = 0.05;
const MOMENTS: u32 = 100;
/// Fewest measurements that confirm a line.
const EVIDENCE_LEAST: usize = 3;
/// Highest confidence of a line that fewer measurements confirm.
const UNCONFIRMED: f64 = 0.95;
/// A line that stands out this far without its best blocks is placed by two measurements.
const BEYOND_DOUBT: f64 = 15.0;
/// And from here on two measurements confirm it.
const SURE: f64 = 25.0;
/// The peaks of such a line need to stand out only this far from the correlation close by.
const LEAST_CLOSE: f64 = 3.5;
/// How often what was found as one jump is held for two: after so many times it is up to sixteen.
const DIVISIONS: usize = 4;
/// Measurements that are enough to outvote wrong ones.
const MANY: usize = 20;

/// Starts of the windows to measure, samples of `b`: those in which the runs' blocks say most, and of those
/// that say as much as can be said, some everywhere (a golden section of the indices).
fn windows(from_s: f64, to_s: f64, runs: &[jump::Run], most: usize) -> Vec<i64> {
    let first = (from_s * TRACK_RATE_HZ).ceil() as i64;
    let hop = (WINDOW_S * TRACK_RATE_HZ) as i64;
    let windows = (to_s - from_s) / WINDOW_S;
    // The last one reaches past the end of a file, whose edge pulls at it: where there are many it is not missed.
    let count = if windows > MANY as f64 { windows.floor() } else { windows.ceil().max(1.0) } as usize;
    let mut said = vec![0.0f32; count];
    for p in runs.iter().flat_map(jump::Run::points) {
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

#[cfg(test)]
pub(crate) mod tests;
