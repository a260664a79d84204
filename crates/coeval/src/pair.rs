//! Two tracks -> how their clocks relate.

use crate::clock::ClockMap;
use crate::correlate::Plans;
use crate::drift::{Measure, WINDOW_S, flat, measure};
use crate::error::{Error, ErrorKind, Result};
use crate::fit::{Clock, File, Observation, Problem, Solved};
use crate::follow::{BIN_S, Line, Path, PathPoint, trace, verify};
use crate::offset::{Pass, candidates, unevenness};
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
    /// [`Cancelled`](ErrorKind::Cancelled) when `progress` says so.
    pub fn align(&self, a: &Track, b: &Track, progress: &dyn Progress) -> Result<PairOutcome> {
        if a.is_silent() || b.is_silent() {
            return Ok(PairOutcome::Unplaced(Unplaced::Silent));
        }
        if a.duration_s().min(b.duration_s()) < SHORTEST_S {
            return Ok(PairOutcome::Unplaced(Unplaced::TooShort));
        }
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

    /// From cheap to thorough.
    fn passes(&self, a: &Track, b: &Track) -> Vec<(Pass, bool)> {
        let max = self.options.max_drift_ppm;
        // Probes come from where speech stands out: there a few seconds tell most.
        let from_b = unevenness(b) >= unevenness(a);
        let quick = Pass { probes: 8, probe_s: 2.5, drift_ppm: 0.0, step_ppm: 125.0 };
        let long = Pass { probes: 12, probe_s: 8.0, drift_ppm: max.min(160.0), step_ppm: 40.0 };
        let wide = Pass { probes: 16, probe_s: 4.0, drift_ppm: max, step_ppm: 80.0 };
        vec![(quick, from_b), (quick, !from_b), (long, from_b), (wide, from_b), (long, !from_b)]
    }

    fn try_pass(
        &self,
        a: &Track,
        b: &Track,
        (pass, from_b): &(Pass, bool),
        seen: &mut Vec<Line>,
        progress: &dyn Progress,
    ) -> Result<Found> {
        let max = self.options.max_drift_ppm;
        let range = self.options.offset_range_s;
        let found = if *from_b {
            candidates(a, b, *pass, max, range, &self.plans, progress)?
        } else {
            let turned = range.map(|(low, high)| (-high, -low));
            let mut found = candidates(b, a, *pass, max, turned, &self.plans, progress)?;
            for c in &mut found {
                (c.a_s, c.b_s) = (c.b_s, c.a_s);
                c.drift_ppm = (-c.drift_ppm.1, -c.drift_ppm.0);
            }
            found
        };
        let mut lines: Vec<Line> = Vec::new();
        for candidate in found.iter().take(6) {
            step(progress, "verify", lines.len() as f64 / 6.0)?;
            lines.extend(verify(a, b, candidate, &self.plans));
        }
        lines.sort_by(|x, y| y.score.total_cmp(&x.score));
        seen.extend(&lines);
        let mut periodic = false;
        for line in lines.iter().take(2) {
            let Some(path) = trace(a, b, line, &self.plans, progress)? else { continue };
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
            let rival = seen.iter().filter(|l| (l.at(line.b_s) - line.a_s).abs() > DISTINCT_S).map(|l| l.score);
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
        let (jumps, rough) = pieces(path, line);
        let Some(fit) = PairFit::new(a, b, &rough, &jumps, 0.01) else { return Ok(None) };
        let mut map = fit.map()?;
        let mut weighting = flat();
        let mut last = None;
        let (from, to) = line.overlap(a, b);
        let starts = windows(from, to);
        for (within_s, least) in [(0.003, 7.0), (0.0004, 6.0)] {
            let how = Measure {
                map: &map,
                inverted: line.inverted,
                within_s,
                least,
                weighting: &weighting,
                breaks_s: &jumps,
            };
            let measured = measure(a, b, &starts, &how, &self.plans, progress)?;
            if measured.evidence.is_empty() {
                break;
            }
            let Some(fit) = PairFit::best(a, b, &measured.evidence, &jumps) else { break };
            map = fit.map()?;
            weighting = measured.weighting;
            last = Some((fit, measured.evidence));
        }
        let Some((fit, evidence)) = last.filter(|l| l.1.len() >= EVIDENCE_LEAST) else { return Ok(None) };
        let n = evidence.len() as f64;
        let residual_rms_s =
            (evidence.iter().map(|e| (map.to_timeline(e.b_s) - e.a_s).powi(2)).sum::<f64>() / n).sqrt();
        let uncertainty_s = [from, (from + to) / 2.0, to].iter().map(|&t| fit.sigma_s(t)).fold(0.0, f64::max);
        let pair_jumps = jumps
            .iter()
            .enumerate()
            .map(|(j, &b_s)| PairJump { a_s: map.to_timeline(b_s), b_s, step_s: fit.step_s(j) })
            .collect();
        let drift_ppm = map.drift_ppm();
        Ok(Some(PairAlignment {
            confidence: confidence(path),
            uncertainty_s,
            overlap_s: to - from,
            residual_rms_s,
            jumps: pair_jumps,
            inverted: line.inverted,
            wander_q: fit.wander_q,
            rate_mixup: (999.0..=1001.0).contains(&drift_ppm.abs()),
            map,
            evidence,
        }))
    }
}

enum Found {
    Placed(Box<PairAlignment>),
    Periodic,
    Nothing,
}

/// Shorter tracks are not compared, seconds.
const SHORTEST_S: f64 = 0.5;
/// Least standing of a path over the same path shifted aside.
const STANDING: f64 = 8.0;
const STANDING_WITHOUT_BEST: f64 = 5.0;
/// A shifted path that reaches this share of the path's own excess makes it one of many.
const RIVALRY: f64 = 0.7;
/// Lines further apart than this are different placements, seconds.
const DISTINCT_S: f64 = 0.05;
/// Chance alone gives lines of scores up to about this.
const RIVAL_LINE_LEAST: f64 = 12.0;
/// Fewest measurements that make a placement.
const EVIDENCE_LEAST: usize = 3;

fn confidence(path: &Path) -> f64 {
    1.0 - (-(path.standing.height - 4.0).max(0.0)).exp()
}

fn windows(from_s: f64, to_s: f64) -> Vec<i64> {
    let first = (from_s * TRACK_RATE_HZ).ceil() as i64;
    let hop = (WINDOW_S * TRACK_RATE_HZ) as i64;
    let count = ((to_s - from_s) / WINDOW_S).ceil().max(1.0) as i64;
    (0..count).map(|i| first + i * hop).collect()
}

/// Jumps of a path, and its points as rough evidence.
fn pieces(path: &Path, line: &Line) -> (Vec<f64>, Vec<Evidence>) {
    let jumps = path.pieces.windows(2).map(|w| (w[0][w[0].len() - 1].b_s + w[1][0].b_s) / 2.0).collect();
    let sigma_s = |weight: f32| BIN_S / f64::from(weight).sqrt();
    let mut rough: Vec<Evidence> = Vec::new();
    for piece in &path.pieces {
        let strong: Vec<&PathPoint> = piece.iter().filter(|p| p.weight >= 6.0).collect();
        if strong.len() >= 8 {
            rough.extend(strong.iter().map(|p| Evidence { a_s: p.a_s, b_s: p.b_s, sigma_s: sigma_s(p.weight) }));
        } else {
            // Between its few strong points a path follows chance: the straight line is the better guess.
            let mut off: Vec<f64> = piece.iter().map(|p| p.a_s - line.at(p.b_s)).collect();
            off.sort_by(f64::total_cmp);
            let off = off[off.len() / 2];
            rough.extend([&piece[0], &piece[piece.len() - 1]].map(|p| Evidence {
                a_s: line.at(p.b_s) + off,
                b_s: p.b_s,
                sigma_s: BIN_S,
            }));
        }
    }
    (jumps, rough)
}

/// The clock of `b` against that of `a`.
struct PairFit {
    solved: Solved,
    jumps: Vec<f64>,
    duration_s: f64,
    misfit: f64,
    observations: usize,
    wander_q: f64,
}

impl PairFit {
    fn new(a: &Track, b: &Track, evidence: &[Evidence], jumps: &[f64], wander_q: f64) -> Option<Self> {
        let clock = |span_s: f64, fixed| Clock { span_s, wander_q, fixed };
        let file = |clock, duration_s, jumps: &[f64], fixed| File {
            clock,
            start_s: 0.0,
            duration_s,
            jumps: jumps.to_vec(),
            fixed,
        };
        let problem = Problem {
            clocks: vec![clock(a.duration_s(), true), clock(b.duration_s(), false)],
            files: vec![file(0, a.duration_s(), &[], true), file(1, b.duration_s(), jumps, false)],
            observations: evidence
                .iter()
                .map(|e| Observation { a: 0, a_s: e.a_s, b: 1, b_s: e.b_s, sigma_s: e.sigma_s, link: 0 })
                .collect(),
            link_bias_s: vec![0.0],
            link_weight: vec![1.0],
        };
        let solved = problem.solve()?;
        let n = evidence.len() as f64;
        // Bayesian information criterion on the bounded misfit, both in units of the sigmas' own scale.
        let misfit = solved.misfit * solved.scale.powi(2) + solved.freedom * n.ln();
        Some(Self {
            solved,
            jumps: jumps.to_vec(),
            duration_s: b.duration_s(),
            misfit,
            observations: evidence.len(),
            wander_q,
        })
    }

    /// Constant drift, unless the evidence asks for wander.
    fn best(a: &Track, b: &Track, evidence: &[Evidence], jumps: &[f64]) -> Option<Self> {
        let mut best = Self::new(a, b, evidence, jumps, 0.0)?;
        if best.observations >= 12 {
            for wander_q in [1e-4, 1e-3, 1e-2, 1e-1] {
                if let Some(fit) = Self::new(a, b, evidence, jumps, wander_q)
                    && fit.misfit < best.misfit
                {
                    best = fit;
                }
            }
        }
        Some(best)
    }

    fn map(&self) -> Result<ClockMap> {
        let mut moments = vec![0.0];
        moments.extend(self.solved.bends(1));
        moments.push(self.duration_s);
        let mut knots: Vec<(f64, f64)> = moments.iter().map(|&t| (t, self.solved.timeline_s(1, t))).collect();
        for (j, &t) in self.jumps.iter().enumerate() {
            knots.retain(|k| (k.0 - t).abs() > 1e-3);
            knots.push((t, self.solved.timeline_before_s(1, j)));
            knots.push((t, self.solved.timeline_s(1, t)));
        }
        knots.sort_by(|x, y| x.0.total_cmp(&y.0));
        ClockMap::from_knots(knots)
    }

    fn sigma_s(&self, b_s: f64) -> f64 {
        self.solved.sigma_s(1, b_s)
    }

    fn step_s(&self, jump: usize) -> f64 {
        self.solved.size_of_jump(1, jump)
    }
}

#[cfg(test)]
pub(crate) mod tests;
