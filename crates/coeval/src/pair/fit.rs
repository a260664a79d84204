//! Measurements of one pair -> how the clocks relate.

use rayon::prelude::*;

use super::jump::{self, Frames, Located};
use super::{EVIDENCE_LEAST, Evidence, MANY};
use crate::clock::ClockMap;
use crate::error::Result;
use crate::fit::{Clock, File, Observation, Problem, Solved};
use crate::track::Track;

/// For each measurement, in time order, the utterance that it belongs to.
pub(super) fn utterances(evidence: &[Evidence]) -> Vec<usize> {
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
pub(super) fn between(jumps: &[f64], evidence: &[Evidence]) -> Vec<f64> {
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
pub(crate) fn count_places(places: &[usize]) -> usize {
    places.iter().max().map_or(0, |last| last + 1)
}

/// Where the voices speak from: measurements of one place go astray together.
#[derive(Debug, Clone)]
pub(super) struct Places {
    /// For each measurement, its place.
    pub(super) of: Vec<usize>,
    /// Standard deviation of what all measurements of a place share, and of what each has of its own, seconds.
    pub(super) shared_s: f64,
    pub(super) own_s: f64,
}

impl Places {
    pub(super) fn utterances(evidence: &[Evidence], shared_s: f64, own_s: f64) -> Self {
        Self { of: utterances(evidence), shared_s, own_s }
    }

    /// The measurements with the errors that they have of their own.
    pub(super) fn widened(&self, evidence: &[Evidence]) -> Vec<Evidence> {
        evidence.iter().map(|e| Evidence { sigma_s: e.sigma_s.hypot(self.own_s), ..*e }).collect()
    }

    /// Places by how far measurements lie off a map: those nearer to each other than [`SEATS_APART_S`] are of one.
    /// Measurements that are not exact join the nearest place.
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
    fn deviance(&self, evidence: &[Evidence], utterances: &[usize]) -> f64 {
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
pub(super) struct PairFit {
    solved: Solved,
    pub(super) jumps: Vec<f64>,
    duration_s: f64,
    pub(super) wander_q: f64,
    pub(super) places: Places,
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
pub(super) const UNKNOWN_PLACE_S: f64 = 0.3e-3;
/// Measurements better than this tell seats apart, which are further from each other than this, seconds.
const EXACT_S: f64 = 0.1e-3;
const SEATS_APART_S: f64 = 0.1e-3;
/// Standard deviations of the places of seats and of one voice in its seat, seconds: 20 cm and 1 cm of air.
const SEATS_S: f64 = 0.6e-3;
pub(super) const SEAT_S: f64 = 0.03e-3;
/// How probable it is that the next measurement is of the same seat, of one heard before, of a new one: within an
/// utterance and from one to the next. Guesses, no measurement.
const WITHIN: [f64; 3] = [0.8, 0.1, 0.1];
const NEXT: [f64; 3] = [0.45, 0.35, 0.2];
/// Voices whose measurements scatter less are all at one place, seconds.
pub(super) const ONE_PLACE_S: f64 = 0.02e-3;
/// Measurements through which lines are tried, two at a time, at the most.
const LINES: usize = 40;
/// Seats are believed where the readings that they compete with, each by its probability, spread no further than
/// this from theirs, seconds.
const SEATS_SPREAD_S: f64 = 1.1e-3;
/// Measurements nearer in time tell no drift, seconds; nor does any tell one further than this from the rest's, ppm.
const LEVER_S: f64 = 1.5;
const DRIFT_AROUND_PPM: f64 = 300.0;
/// What is smaller is a voice from another place, not lost sound, seconds.
pub(super) const JUMP_LEAST_S: f64 = 0.004;
/// Larger steps cannot be another source of the same sound, seconds: 7 m of air.
pub(super) const JUMP_LARGE_S: f64 = 0.02;
/// How much less likely (-2 ln of the ratio) the measurements must be without a jump: jumps are rare.
const JUMP_DEVIANCE: f64 = 25.0;
/// Candidates for the variance that drift gathers, ppm^2 per second, and how probable each is.
const WANDERS: [(f64, f64); 5] = [(0.0, 0.6), (1e-4, 0.15), (1e-3, 0.12), (1e-2, 0.1), (1e-1, 0.03)];
/// Measurements by which models are chosen, at the most.
const CHOICE: usize = 240;

impl PairFit {
    pub(super) fn new(
        a: &Track,
        b: &Track,
        evidence: &[Evidence],
        jumps: &[f64],
        wander_q: f64,
        places: Places,
    ) -> Option<Self> {
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
            group_error_s: vec![places.shared_s; count_places(&places.of)],
            link_weight: vec![1.0],
        };
        let solved = problem.solve()?;
        let chosen_at = solved.deviance;
        Some(Self { solved, jumps: jumps.to_vec(), duration_s: b.duration_s(), wander_q, places, chosen_at })
    }

    /// The first fit, by the blocks of runs of a path: its jumps each where it is.
    pub(super) fn rough(frames: &Frames<'_>, sources_s: &[f64], runs: &[jump::Run]) -> Option<Self> {
        let fit = |jumps: &[f64]| {
            let rough = jump::rough(runs, jumps);
            Self::new(frames.a, frames.b, &rough, jumps, 0.01, Places::utterances(&rough, 0.0, 0.0))
        };
        let between_s = jump::between(runs);
        let middles: Vec<f64> = between_s.iter().map(|b| (b.0 + b.1) / 2.0).collect();
        let first = fit(&middles)?;
        if middles.is_empty() {
            Some(first)
        } else {
            fit(&first.in_order(&first.located(frames, sources_s, &between_s)))
        }
    }

    /// Constant drift unless the evidence asks for wander, and the error of place that its scatter
    /// shows. The choice is by marginal likelihood.
    pub(super) fn best(a: &Track, b: &Track, evidence: &[Evidence], jumps: &[f64]) -> Option<Self> {
        let chosen: Vec<Evidence> = evidence.iter().copied().step_by(evidence.len().div_ceil(CHOICE).max(1)).collect();
        let spoken = utterances(&chosen);
        let several = count_places(&spoken) >= SEVERAL;
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
                    let deviance = fit.solved.deviance - 2.0 * f64::ln(likely_place * likely_wander);
                    if best.is_none_or(|b| deviance < b.0) {
                        best = Some((deviance, wander_q, place_s));
                    }
                }
            }
        }
        let (deviance, wander_q, place_s) = best?;
        let mut fit = Self::new(a, b, evidence, jumps, wander_q, Places::utterances(evidence, place_s, own_s))?;
        fit.places.shared_s = place_s.max(own_s);
        fit.chosen_at = deviance;
        Some(fit)
    }

    /// The best, with those of the jumps that there must be.
    pub(super) fn pruned(a: &Track, b: &Track, evidence: &[Evidence], jumps: &[f64]) -> Option<Self> {
        let mut fit = Self::best(a, b, evidence, jumps)?;
        // The least of the jumps that need not be any, one at a time: each changes the others.
        while let Some(least) = fit.least_jump() {
            let mut fewer = fit.jumps.clone();
            fewer.remove(least);
            let Some(without) = Self::best(a, b, evidence, &fewer) else { break };
            let unlikely = without.deviance() - fit.deviance() >= JUMP_DEVIANCE;
            if fit.step_s(least).abs() >= JUMP_LEAST_S && (unlikely || fit.must_jump(least, evidence)) {
                break;
            }
            fit = without;
        }
        Some(fit)
    }

    /// The same, with each jump where it is.
    pub(super) fn with_jumps(
        frames: &Frames<'_>,
        sources_s: &[f64],
        evidence: &[Evidence],
        jumps: &[f64],
    ) -> Option<Self> {
        let (a, b) = (frames.a, frames.b);
        let mut fit = Self::pruned(a, b, evidence, jumps)?;
        if !fit.jumps.is_empty() {
            // The rough maps may have been too far off for the last words before and after a jump.
            let around = fit.measured_around(evidence);
            let moved = fit.in_order(&fit.located(frames, sources_s, &around));
            fit = Self::best(a, b, evidence, &moved).unwrap_or(fit);
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
                let before = seats.deviance(evidence, &usual.places.of);
                readings.extend(Self::new(a, b, evidence, &[], 0.0, seats).map(|f| (f.solved.deviance + before, f)));
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
    pub(super) fn at(&self, b_s: f64) -> f64 {
        self.solved.timeline_s(1, b_s)
    }

    pub(super) fn map(&self) -> Result<ClockMap> {
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

    pub(super) fn sigma_s(&self, b_s: f64) -> f64 {
        self.solved.sigma_s(1, b_s)
    }

    /// The maps before and after a jump, each beyond it as well.
    fn beside(&self, jump: usize) -> [impl Fn(f64) -> f64 + Sync; 2] {
        let (at_s, step_s) = (self.jumps[jump], self.step_s(jump));
        [false, true].map(|after| {
            move |t: f64| match (t >= at_s, after) {
                (true, false) => self.at(t) - step_s,
                (false, true) => self.at(t) + step_s,
                _ => self.at(t),
            }
        })
    }

    /// Where its jumps are, each sought between two `b` times or so, and between its neighbours.
    pub(super) fn located(&self, frames: &Frames<'_>, sources_s: &[f64], between_s: &[(f64, f64)]) -> Vec<Located> {
        let place = |(j, &between_s): (usize, &(f64, f64))| {
            let [before, after] = self.beside(j);
            let limits_s = (jump::stretch(&self.jumps, j).0, jump::stretch(&self.jumps, j + 1).1);
            frames.locate(sources_s, [&before, &after], between_s, limits_s)
        };
        between_s.par_iter().enumerate().map(place).collect()
    }

    /// The last measurement before each jump, and the first after it, `b` seconds.
    pub(super) fn measured_around(&self, evidence: &[Evidence]) -> Vec<(f64, f64)> {
        let around = |&jump: &f64| {
            let after = evidence.partition_point(|e| e.b_s <= jump);
            let before_s = after.checked_sub(1).map_or(jump, |last| evidence[last].b_s);
            (before_s, evidence.get(after).map_or(jump, |first| first.b_s))
        };
        self.jumps.iter().map(around).collect()
    }

    /// The moments of jumps that were sought each by itself, in their order: two that lie close together may have changed
    /// places, and stay where they were.
    fn in_order(&self, located: &[Located]) -> Vec<f64> {
        let mut places: Vec<f64> = located.iter().map(|l| l.at_s).collect();
        for _ in 0..places.len() {
            let Some(j) = (1..places.len()).find(|&j| places[j] <= places[j - 1]) else { return places };
            places[j - 1..=j].copy_from_slice(&self.jumps[j - 1..=j]);
        }
        self.jumps.clone()
    }

    /// Puts between the runs of [`rough`](Self::rough) what lies between two jumps that were found as one: is there any?
    pub(super) fn divide(&self, frames: &Frames<'_>, runs: &mut Vec<jump::Run>) -> bool {
        let found = runs.len();
        let divided = |j: usize| {
            let [before, after] = self.beside(j);
            let others_s = (jump::stretch(&self.jumps, j).0, jump::stretch(&self.jumps, j + 1).1);
            frames.divided([&before, &after], self.jumps[j], others_s)
        };
        let divided: Vec<_> = (0..self.jumps.len()).into_par_iter().map(divided).collect();
        for (j, points) in divided.into_iter().enumerate().rev() {
            if let Some(points) = points {
                jump::insert(runs, j, points);
            }
        }
        runs.len() > found
    }

    /// Whether a jump is too large for any other reading, and what it parts too exact, or heard too often, for chance.
    pub(super) fn must_jump(&self, which: usize, evidence: &[Evidence]) -> bool {
        let fitting = |(from, to): (f64, f64)| {
            // A window finds something near the map in any case; a block of a run is there because it speaks.
            let telling = |e: &&Evidence| e.sigma_s < EXACT_S || e.sigma_s >= jump::BLOCK_S;
            let fits = |e: &&Evidence| (self.at(e.b_s) - e.a_s).abs() < JUMP_LEAST_S;
            evidence.iter().filter(|e| e.b_s > from && e.b_s <= to).filter(telling).filter(fits).count()
        };
        let sides = [which, which + 1].map(|i| fitting(jump::stretch(&self.jumps, i)));
        self.step_s(which).abs() >= JUMP_LARGE_S && sides.into_iter().all(|count| count >= EVIDENCE_LEAST)
    }

    fn least_jump(&self) -> Option<usize> {
        (0..self.jumps.len()).min_by(|&x, &y| self.step_s(x).abs().total_cmp(&self.step_s(y).abs()))
    }

    fn deviance(&self) -> f64 {
        self.solved.deviance
    }

    pub(super) fn step_s(&self, jump: usize) -> f64 {
        self.solved.size_of_jump(1, jump)
    }
}
