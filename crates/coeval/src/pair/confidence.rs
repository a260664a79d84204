//! Is a place right? What speaks for it, what speaks against it, and what else would look like it.
//!
//! A place is right, or it is one of three other things, and each has a quantity of its own:
//!
//! * *Chance*: two sounds that have nothing in common match somewhere. The path's standing over the same path shifted
//!   aside tells ([`chance`]).
//! * *Another place*: the same sound comes again (a metronome, a loop, a prompt), so that several places fit. Wherever
//!   two places both find their sound, the right one fits better, because what else the devices heard matches there as
//!   well; where nothing but the repeated sound is common, neither fits better on average ([`preferences`]).
//! * *A sound that was played again*: the recordings are of different times, but hold the same prompt or piece. Then
//!   one stretch matches, and what sounds as loud beside it does not ([`CommonSounds`]).

use rayon::prelude::*;

use super::path::{Line, Path, PathPoint, Standing};
use super::search::{distinct, unevenness};
use super::{DISTINCT_S, JUMPS_EVERY_S};
use crate::filter::dot;
use crate::track::{LEVEL_HOP, TRACK_RATE_HZ, Track, highest, resampled};
use coeval_transform::{Complex32, Plan, Plans};

/// Length of the blocks by which places are compared, samples (half a second), and how many are, at the most.
const BLOCK: usize = 4000;
const BLOCKS: usize = 160;
/// A block's own lag may lie so far from the path's, samples (5 ms): sounds of one place come by several paths.
const AROUND: usize = 40;

/// Probability that a line which stands out so far is not chance. The exponent is on the safe side of the share of
/// chance lines seen in the false-placement benchmark; half of it would make 0.99 of today's 0.9999.
pub(super) fn chance(standing: Standing) -> f64 {
    let height = standing.height.min(standing.without_best + 2.0);
    1.0 - (-0.8 * (height - 6.0).max(0.0)).exp()
}

/// Blocks of `b` whose sound is compared with what places put beside it: a moment of a path each, and its spectrum.
struct Blocks<'t> {
    a: &'t Track,
    points: Vec<PathPoint>,
    spectra: Vec<Vec<Complex32>>,
    plan: Plan,
    /// Samples of each.
    length: usize,
    /// They are looked for so far to either side of a place, samples.
    around: usize,
}

impl<'t> Blocks<'t> {
    fn new(a: &'t Track, b: &Track, points: Vec<PathPoint>, length: usize, around: usize, plans: &Plans) -> Self {
        let plan = plans.at_least(length + 2 * around);
        let spectrum = |p: &PathPoint| {
            let mut block = vec![0.0; plan.len];
            resampled(b, p.b_s * TRACK_RATE_HZ, 1.0, &mut block[..length]);
            let power = power(&block[..length]).sqrt();
            // A silent block correlates with nothing.
            let scale = if power > 0.0 { 1.0 / power } else { 0.0 };
            block[..length].iter_mut().for_each(|x| *x *= scale);
            plan.spectrum(&mut block)
        };
        let spectra = points.par_iter().map(spectrum).collect();
        Self { a, points, spectra, plan, length, around }
    }

    /// First sample of `a` that a block lies on where the path, moved by `shift_s` in `a`, puts it.
    fn start(&self, p: &PathPoint, shift_s: f64) -> f64 {
        (p.a_s + shift_s) * TRACK_RATE_HZ - self.length as f64 / 2.0
    }

    /// Correlation coefficients of one of them with `a` from so many samples before the place of [`start`](Self::start) on to
    /// as many after it.
    fn course(&self, p: &PathPoint, spectrum: &[Complex32], inverted: bool, shift_s: f64) -> Vec<f32> {
        let sign = if inverted { -1.0 } else { 1.0 };
        let whole_len = self.length + 2 * self.around;
        let middle = self.start(p, shift_s) + whole_len as f64 / 2.0 - self.around as f64;
        let mut stretch = vec![0.0; self.plan.len];
        resampled(self.a, middle, 1.0, &mut stretch[..whole_len]);
        // The power of each window that the block may lie on, from that of the one before.
        let mut within = f64::from(power(&stretch[..self.length]));
        let mut powers = vec![within];
        for (first, next) in stretch[..2 * self.around].iter().zip(&stretch[self.length..whole_len]) {
            within += f64::from(next * next) - f64::from(first * first);
            powers.push(within.max(0.0));
        }
        // The transform's rounding is that of the whole stretch: a window far below it, by 60 dB, tells nothing.
        let least = 1e-6 * f64::from(power(&stretch[..whole_len]));
        let (mut product, mut correlation) = (Vec::new(), Vec::new());
        let whole = self.plan.spectrum(&mut stretch);
        self.plan.correlogram(&whole, spectrum, &mut product, &mut correlation);
        let of_window = |(c, power): (&f32, &f64)| if *power > least { sign * c / power.sqrt() as f32 } else { 0.0 };
        correlation.iter().zip(&powers).map(of_window).collect()
    }

    /// Those that say most for a path.
    fn foremost(a: &'t Track, b: &Track, path: &Path, around: usize, plans: &Plans) -> Self {
        let mut points = path.all.clone();
        points.sort_by(|x, y| y.weight.total_cmp(&x.weight).then(x.b_s.total_cmp(&y.b_s)));
        points.truncate(AGAIN_BLOCKS);
        Self::new(a, b, points, (path.block_s * TRACK_RATE_HZ) as usize, around, plans)
    }

    /// What all of them say for each lag around the path, moved by `shift_s` in `a`: sums of squared coefficients.
    fn together(&self, inverted: bool, shift_s: f64) -> Vec<f32> {
        let courses = self.points.par_iter().zip(&self.spectra).map(|(p, s)| self.course(p, s, inverted, shift_s));
        sums(courses.collect::<Vec<_>>().iter(), 2 * self.around + 1)
    }

    /// Where they fit best near another place, seconds of `a` later than the path. Searches find places by what each
    /// hears, and an engine, a loudspeaker and voices arrive milliseconds apart.
    fn best_near(&self, inverted: bool, shift_s: f64) -> f64 {
        let alike = self.together(inverted, shift_s);
        let best = (0..alike.len()).fold(self.around, |best, i| if alike[i] > alike[best] { i } else { best });
        shift_s + (best as f64 - self.around as f64) / TRACK_RATE_HZ
    }

    /// The course of each where the path, moved by `shift_s` in `a`, puts it. `None`: `a` does not reach there.
    fn courses(&self, inverted: bool, shift_s: f64) -> Vec<Option<Vec<f32>>> {
        let course = |(p, spectrum): (&PathPoint, &Vec<Complex32>)| {
            let (start, reach) = (self.start(p, shift_s), self.around as f64);
            let is_inside = start >= reach && start + self.length as f64 + reach <= self.a.len() as f64;
            is_inside.then(|| self.course(p, spectrum, inverted, shift_s))
        };
        self.points.par_iter().zip(&self.spectra).map(course).collect()
    }
}

/// How far from a place its own sounds are looked for, samples (8 s): of a period of four seconds, that of the slowest metronomes
/// (a guess), two on either side. Twice and four times as much finds the same among sixty tickers.
const AGAIN_WITHIN: usize = 64_000;
/// Blocks that are looked for, those that say most for the place (half and double find the same among these); and places near it
/// that are held against it, at the most.
const AGAIN_BLOCKS: usize = 8;
const AGAIN_PLACES: usize = 4;
/// Nearer ones are the same place, samples.
const AGAIN_APART: usize = (DISTINCT_S * TRACK_RATE_HZ) as usize;

/// Where else near a place the very sounds that speak for it fit, seconds of `a` later than it. Long probes hear up to 1.25 kHz:
/// of a ticker above that, one beat may be all that a search has found.
pub(super) fn comes_again(a: &Track, b: &Track, inverted: bool, path: &Path, plans: &Plans) -> Vec<f64> {
    let alike = Blocks::foremost(a, b, path, AGAIN_WITHIN, plans).together(inverted, 0.0);
    let is_top = |&i: &usize| alike[i] >= alike[i - 1] && alike[i] > alike[i + 1];
    let mut tops: Vec<usize> =
        (1..2 * AGAIN_WITHIN).filter(|i| i.abs_diff(AGAIN_WITHIN) > AGAIN_APART).filter(is_top).collect();
    tops.sort_by(|x, y| alike[*y].total_cmp(&alike[*x]).then(x.cmp(y)));
    let apart = distinct(tops, AGAIN_PLACES, |k, i| k.abs_diff(*i) <= AGAIN_APART);
    apart.into_iter().map(|i| (i as f64 - AGAIN_WITHIN as f64) / TRACK_RATE_HZ).collect()
}

/// What courses of so many lags say for each lag, together: sums of squared coefficients.
fn sums<'c>(courses: impl Iterator<Item = &'c Vec<f32>>, lags: usize) -> Vec<f32> {
    let mut alike = vec![0.0f32; lags];
    for course in courses {
        alike.iter_mut().zip(course).for_each(|(sum, r)| *sum += r.max(0.0).powi(2));
    }
    alike
}

/// How far such sums rise at one lag above their mean: what a place explains, and chance gives to no lag.
fn rise(sums: &[f32]) -> f64 {
    f64::from(highest(sums)) - f64::from(sums.iter().sum::<f32>()) / sums.len() as f64
}

fn power(samples: &[f32]) -> f32 {
    dot(samples, samples)
}

/// Is a place so far from another one that its own best within [`DISTINCT_S`] is not that one's?
fn is_elsewhere(shift_s: f64) -> bool {
    shift_s.abs() > 2.0 * DISTINCT_S
}

/// How a place compares with another one.
#[derive(Debug, Clone)]
pub(super) struct Preference {
    /// How far the other place is from it, seconds of `a`.
    pub(super) shift_s: f64,
    /// Natural logarithm of the odds that it, and not the other, is the right one of the two; negative for the other.
    pub(super) log_odds: f64,
    /// Share of what the blocks say for it that lies within the other's reach.
    pub(super) share: f64,
    /// How well the other place fits there, as a share of how well this one does: by power, beyond what chance gives.
    pub(super) alike: f64,
    /// For each block that both reach when in `b`, seconds, and by how many standard deviations it prefers this place.
    says: Vec<(f64, f64)>,
}

impl Preference {
    /// Probability, beside that of this place, that the sound of a stretch of `b` is that of the other one, by the stretch
    /// alone; 0 for a place that is hardly another, or of which nothing is known there.
    fn fits_as_well(&self, from_s: f64, to_s: f64) -> f64 {
        let within = self.says.iter().filter(|s| s.0 >= from_s && s.0 <= to_s);
        let differences: Vec<f64> = within.map(|s| s.1).collect();
        if differences.is_empty() || !is_elsewhere(self.shift_s) {
            return 0.0;
        }
        (-log_odds(&differences).max(0.0)).exp()
    }

    /// Log odds of the line against the other place, which scores `other` where it is known: by the blocks that both
    /// reach, or by the scores, because a line may also meet sound that the other does not.
    pub(super) fn of_scores(&self, score: f64, other: Option<f64>) -> f64 {
        let within = self.share * score;
        // A line at the other place may follow less of its sound than is there.
        let other = other.unwrap_or(0.0).max(self.alike * within);
        // A sound that fits both places is one that comes again. Then what this line meets beyond the other's reach says
        // less for it, by as much as lies within that reach.
        let again = (1.0 - self.share) * other.min(within);
        let by_scores = by_scores(score, other + again);
        if self.log_odds < -1.0 { self.log_odds } else { self.log_odds.max(by_scores) }
    }
}

/// Blocks of a path by which places are compared, in time order: half of them those in which most sounds in `b`, half
/// evenly spread. Not those that say most for this path, for they were chosen by it.
fn telling(b: &Track, line: &Line, path: &Path) -> Vec<PathPoint> {
    let level = |p: &PathPoint| {
        let first = ((p.b_s - 0.25) * TRACK_RATE_HZ / LEVEL_HOP as f64).round().max(0.0) as usize;
        b.levels().get(first..first + 2).map_or(0.0, |l| l.iter().sum::<f32>())
    };
    let count = path.all.len();
    let step = count.div_ceil(BLOCKS / 2).max(1);
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by(|&x, &y| level(&path.all[y]).total_cmp(&level(&path.all[x])).then(x.cmp(&y)));
    let mut chosen: Vec<usize> = (0..count).step_by(step).chain(order.into_iter().take(BLOCKS / 2)).collect();
    chosen.sort_unstable();
    chosen.dedup();
    // Where the path has left its line for good, the line itself is read: sound that only the path explains counts against
    // the line.
    let on_line = |p: &PathPoint| {
        let at_s = line.at(p.b_s);
        PathPoint { a_s: if (p.a_s - at_s).abs() < WANDERS_S { p.a_s } else { at_s }, ..*p }
    };
    chosen.into_iter().map(|i| on_line(&path.all[i])).collect()
}

/// A clock that wanders takes a path so far from its line, seconds; what is further has jumped.
const WANDERS_S: f64 = 0.05;

/// Whether a path's place is right, or one of others so far from it, by the blocks that both places reach.
///
/// Where only a repeated sound is common, a block's two coefficients differ by estimation noise, (1 - r^2) / sqrt(N)
/// for each (Fisher; N independent values), and by what the repeats themselves differ ([`REPEATS_DIFFER`]). Where a
/// place is right, some blocks differ by more and always to its side (words, which come once), or all of them do by a
/// little (a background).
pub(super) fn preferences(
    a: &Track,
    b: &Track,
    line: &Line,
    path: &Path,
    shifts_s: &[f64],
    plans: &Plans,
) -> Vec<Preference> {
    let blocks = Blocks::new(a, b, telling(b, line, path), BLOCK, AROUND, plans);
    let points = &blocks.points;
    let own = blocks.courses(line.inverted, 0.0);
    let foremost = Blocks::foremost(a, b, path, AGAIN_APART, plans);
    let compare = |&shift_s: &f64| {
        let shift_s = if is_elsewhere(shift_s) { foremost.best_near(line.inverted, shift_s) } else { shift_s };
        let other = blocks.courses(line.inverted, shift_s);
        let reached = points.iter().zip(own.iter().zip(&other));
        let both: Vec<(f64, &Vec<f32>, &Vec<f32>)> =
            reached.filter_map(|(p, (x, y))| Some((p.b_s, x.as_ref()?, y.as_ref()?))).collect();
        let said = |p: &PathPoint| f64::from((p.weight - path.usual).max(0.0));
        let in_common = points.iter().zip(&other).filter(|(_, y)| y.is_some()).map(|(p, _)| said(p)).sum::<f64>();
        let share = in_common / points.iter().map(said).sum::<f64>().max(1e-9);
        let lags = 2 * AROUND + 1;
        let rises = [sums(both.iter().map(|b| b.1), lags), sums(both.iter().map(|b| b.2), lags)].map(|s| rise(&s));
        let alike = (rises[1] / rises[0].max(1e-9)).min(1.0);
        let noise = |r: f64| (1.0 - r * r) / VALUES.sqrt();
        let differs = |x: f64, y: f64| (x - y) / noise(x).hypot(noise(y)).hypot(REPEATS_DIFFER * x.min(y));
        let best = |course: &[f32]| f64::from(highest(course).max(0.0));
        let says: Vec<(f64, f64)> = both.into_iter().map(|(b_s, x, y)| (b_s, differs(best(x), best(y)))).collect();
        let differences: Vec<f64> = says.iter().map(|s| s.1).collect();
        let length_s = path.all.len() as f64 * path.block_s;
        let log_odds = log_odds(&differences).max(jumped(&says, length_s));
        (differences.len() >= REACHED).then_some(Preference { shift_s, log_odds, share, alike, says })
    };
    shifts_s.iter().filter_map(compare).collect()
}

/// Natural logarithm of the odds that one place is right up to a moment and the other from then on, one clock that
/// jumps, against that their sounds only happen to come in this order. `says`: when, seconds of `b`, and by how many
/// standard deviations a block prefers the one place or, below zero, the other; `length_s`: of what.
///
/// Of k sounds that prefer the one place and m that prefer the other, all of the one kind come first by chance in 2 of
/// (k + m)! / (k! m!) orders; any w of them may be an exception, at the price of which they are.
fn jumped(says: &[(f64, f64)], length_s: f64) -> f64 {
    // Blocks that follow each other and prefer the same place are of one sound.
    let mut sounds: Vec<(f64, bool)> = Vec::new();
    for &(b_s, d) in says.iter().filter(|s| s.1.abs() > TELLS) {
        match sounds.last_mut() {
            Some(last) if last.1 == (d > 0.0) && b_s - last.0 <= APART_S => last.0 = b_s,
            _ => sounds.push((b_s, d > 0.0)),
        }
    }
    let (all, ours) = (sounds.len(), sounds.iter().filter(|s| s.1).count());
    // Exceptions to "the other one first, then ours" for every moment, and the same the other way round.
    let mut fewest = ours.min(all - ours);
    let mut wrong = all - ours;
    for s in &sounds {
        wrong = if s.1 { wrong + 1 } else { wrong - 1 };
        fewest = fewest.min(wrong).min(all - wrong);
    }
    in_order(ours, all - ours, fewest) + (length_s / JUMPS_EVERY_S).min(1.0).ln()
}

/// Of so many sounds of one kind and so many of another, how rarely all of the one kind come first by chance, but for so many
/// exceptions: the natural logarithm of one over the probability.
pub(super) fn in_order(one: usize, other: usize, exceptions: usize) -> f64 {
    let ln_choose = |n: usize, k: usize| ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k);
    ln_choose(one + other, one) - 2f64.ln() - ln_choose(one + other, exceptions)
}

/// Standard deviations from which a block prefers a place.
const TELLS: f64 = 3.0;
/// Fewer blocks that both places reach tell nothing of them.
const REACHED: usize = 2;
/// Independent values in a block: twice its length times the bandwidth of a levelled track.
const VALUES: f64 = 2.0 * 0.5 * 3680.0;
/// Standard deviation by which coefficients of one sound that comes again differ, as a share of themselves: what else
/// sounds over it, automatic gain. A guess; twice it asks for twice as many words to tell two places, half of it may take
/// the louder of two repeats for the right place.
const REPEATS_DIFFER: f64 = 0.3;
/// Shares of the blocks in which words prefer the right place: nobody knows which, each is as probable.
const WORDS: [f64; 5] = [0.01, 0.03, 0.1, 0.3, 0.9];
/// By how much such a block prefers it, standard deviations of the noise: the width of a normal distribution. Half and
/// double of it move log odds by 0.7 for every such block.
const BROAD: f64 = 10.0;

/// Log odds of a shift to the one side against the other, for differences of unit noise.
fn log_odds(differences: &[f64]) -> f64 {
    let n = differences.len() as f64;
    // Half a normal distribution of this width against the unit one, at `z`.
    let says = |z: f64, share: f64| {
        let wide = 1.0 + BROAD * BROAD;
        let beyond =
            if z > 0.0 { 2.0 * (0.5 * z * z * (1.0 - 1.0 / wide)).min(700.0).exp() / wide.sqrt() } else { 0.0 };
        (1.0 - share + share * beyond).ln()
    };
    // All blocks by as much as each other: the mean, less half the logarithm of their number because it was not known
    // before (Schwarz, Annals of Statistics 6(2), 1978).
    let sum = differences.iter().sum::<f64>();
    let background = 0.5 * sum * sum / n - 0.5 * n.ln();
    let side = |sign: f64| {
        let by_share = WORDS.map(|share| differences.iter().map(|d| says(sign * d, share)).sum::<f64>());
        let words = by_share.into_iter().fold(f64::NEG_INFINITY, f64::max) - (WORDS.len() as f64).ln();
        if sign * sum > 0.0 { words.max(background) } else { words }
    };
    // That neither is preferred is as probable as either.
    let with_none = |x: f64| x.max(0.0) + (-x.abs()).exp().ln_1p();
    let (own, other) = (with_none(side(1.0)), with_none(side(-1.0)));
    // If blocks speak for both places, each matches something that the other lacks. So sounds come again, and the odds
    // are known no better than repeats differ.
    (own - other) / (1.0 + REPEATS_DIFFER * own.min(other))
}

/// Natural logarithm of the odds that a line which scores `score` is right against one that meets other sound, and
/// scores `other`: a repeat differs from its like by [`REPEATS_DIFFER`], and chance reaches [`CHANCE`].
pub(super) fn by_scores(score: f64, other: f64) -> f64 {
    let z = (score - other) / (REPEATS_DIFFER * score.min(other).max(0.0)).hypot(CHANCE);
    0.5 * z * z.abs()
}

/// What chance alone gives a line, as a score.
pub(super) const CHANCE: f64 = 12.0;

/// What two recordings heard along a path.
#[derive(Debug, Clone, Default)]
pub(super) struct CommonSounds {
    /// The unbroken stretches that match, on those runs of the path on which they say most that no jump of more than
    /// [`LOST_S`] parts.
    pub(super) matched: Vec<Matched>,
    /// Sounds that one recording should have in common with the other if any are, in time order: when in `b`, seconds, and
    /// whether they match.
    pub(super) sounds: Vec<(f64, bool)>,
    /// How many of them match, where all that lie in one stretch that matches are one.
    pub(super) matching: usize,
}

/// An unbroken stretch that matches.
#[derive(Debug, Clone, Copy)]
pub(super) struct Matched {
    length_s: f64,
    /// At how many other places it fits as well.
    elsewhere: f64,
}

/// Evidence that makes a stretch match, nats: three of its blocks by chance in a million.
const MATCHES: f32 = 18.0;
/// Nats that are taken off each block before they are summed: about the scatter of what a lane says by chance. At half, a
/// stretch that matches runs on into the next pause; at double, an engine that is barely heard is missed.
const SPARE: f32 = 1.0;
/// Blocks further apart than this are of two stretches, seconds.
const APART_S: f64 = 3.0;
/// Longest step between stretches of one clock whose device loses sound, seconds: buffers are of tens of milliseconds, and
/// a few may go at once (common practice, no source). With half of it as many of 60 files with lost buffers are placed
/// and sized (tune half of the benchmark); with double, one of 18 prompts of another event is placed, below 0.9.
const LOST_S: f64 = 0.25;
/// Mean power of what is left above a track's floor, in units of its usual power, from which a second is a sound.
///
/// Among six simulated shoots of ten minutes that share sentences of 14 to 16 s, cameras of two of them are still placed
/// on one at 0.98 and 0.993 with 0.5, at 0.98 with 0.25, and nowhere with 0.1 and 0.03.
const LOUD: f32 = 0.1;
/// Seconds softer than the softest quarter of those that match are not counted against the placement.
const SOFTER: f64 = 0.25;
/// Seconds that are compared for that, at the most.
const SECONDS: usize = 160;
/// What such a second says, nats, from which it matches.
const SECOND_MATCHES: f32 = 6.0;

impl CommonSounds {
    /// In a clear recording (a voice line, or the camera that stands nearer), all that is as loud as what matches should
    /// match as well, unless the other device cannot have heard it (radio). The share of such sounds is one unknown rate.
    pub(super) fn along(
        (a, b): (&Track, &Track),
        path: &Path,
        inverted: bool,
        preferences: &[Preference],
        plans: &Plans,
    ) -> Self {
        let matched =
            |spare: f32| -> Vec<Vec<(f64, f64)>> { path.runs.iter().map(|run| stretches(run, path, spare)).collect() };
        // Where no stretch matches by itself, but the path stands out, a little matches everywhere.
        let clear = matched(SPARE);
        let matched = if clear.iter().all(Vec::is_empty) { matched(0.0) } else { clear };
        let stretch = |p: &PathPoint| {
            let half_s = path.block_s / 2.0;
            matched.iter().flatten().position(|m| p.b_s >= m.0 - half_s && p.b_s <= m.1 + half_s)
        };
        // Runs that lost buffers part keep their distance; a sound that was played again keeps it by coincidence.
        let lag_s = |p: &PathPoint| p.a_s - p.b_s;
        let near = |before: &[PathPoint], after: &[PathPoint]| match (before.last(), after.first()) {
            (Some(last), Some(first)) => (lag_s(first) - lag_s(last)).abs() <= LOST_S,
            _ => false,
        };
        let matched_stretch = |m: &(f64, f64)| {
            let (from_s, to_s) = (m.0 - path.block_s / 2.0, m.1 + path.block_s / 2.0);
            let elsewhere = preferences.iter().map(|p| p.fits_as_well(from_s, to_s)).sum();
            Matched { length_s: to_s - from_s, elsewhere }
        };
        let mut chains: Vec<Vec<Matched>> = Vec::new();
        for (i, run) in matched.iter().enumerate() {
            let run = run.iter().map(matched_stretch);
            match chains.last_mut() {
                Some(chain) if near(&path.runs[i - 1], &path.runs[i]) => chain.extend(run),
                _ => chains.push(run.collect()),
            }
        }
        let most = |x: &Vec<Matched>, y: &Vec<Matched>| played_again(y).total_cmp(&played_again(x));
        let best = chains.into_iter().max_by(most).unwrap_or_default();
        let (fa, fb) = (a.above_floor(), b.above_floor());
        let from_b = unevenness(b) >= unevenness(a);
        let level = |p: &PathPoint| if from_b { fb.level_at(p.b_s) } else { fa.level_at(p.a_s) };
        let mut matching: Vec<f32> = path.all.iter().filter(|p| stretch(p).is_some()).map(level).collect();
        matching.sort_by(f32::total_cmp);
        let softest = matching.get((SOFTER * matching.len() as f64) as usize).copied().unwrap_or(0.0);
        let loud: Vec<PathPoint> = path.all.iter().filter(|p| level(p) > LOUD.max(softest)).copied().collect();
        let step = loud.len().div_ceil(SECONDS).max(1);
        let loud: Vec<PathPoint> = loud.into_iter().step_by(step).collect();
        let mut sounds: Vec<(f64, bool)> = Vec::new();
        let (mut matching, mut last) = (0, None);
        for (p, weight) in loud.iter().zip(super::path::weights(fa, fb, &loud, inverted, plans)) {
            let within = stretch(p);
            let matches = within.is_some() || weight >= SECOND_MATCHES;
            // Neighbouring seconds are of one sound.
            if sounds.last().is_none_or(|l| p.b_s - l.0 > APART_S || l.1 != matches) {
                sounds.push((p.b_s, matches));
                if matches && (within.is_none() || within != last) {
                    matching += 1;
                    last = within;
                }
            }
        }
        Self { matched: best, sounds, matching }
    }

    /// Natural logarithm of the odds that the recordings are of one time against those that sounds were played again.
    pub(super) fn log_odds(&self) -> f64 {
        let others = self.matching(|_| true).1;
        // Any one of the sounds may be the one that was played again.
        one_rate((self.matching, others)) - played_again(&self.matched) + (1.0 + others as f64).ln()
    }

    /// How many of the sounds of some moments match, and how many do not.
    fn matching(&self, when: impl Fn(f64) -> bool) -> (usize, usize) {
        let matches = self.sounds.iter().filter(|s| when(s.0)).map(|s| s.1);
        let (mut yes, mut no) = (0, 0);
        matches.for_each(|m| if m { yes += 1 } else { no += 1 });
        (yes, no)
    }

    /// Before the first and after the last measurement: natural logarithm of the odds, by what both hear there, that the
    /// clock goes on as in between against that it has jumped. 0 where nothing stands out of both.
    pub(super) fn beyond(&self, measured_s: (f64, f64)) -> [f64; 2] {
        let within = self.matching(|t| t >= measured_s.0 && t <= measured_s.1);
        let says = |(m, x): (usize, usize)| {
            let on = one_rate((within.0 + m, within.1 + x)) - one_rate(within);
            let jumped = m as f64 * MATCH_BY_CHANCE.ln() + x as f64 * (1.0 - MATCH_BY_CHANCE).ln();
            on - jumped
        };
        [self.matching(|t| t < measured_s.0), self.matching(|t| t > measured_s.1)].map(says)
    }
}

/// Natural logarithm of the probability that so many sounds match and so many do not, if each does with a probability
/// that is the same for all. Nobody knows it; it is the likelier the greater it is, because these are as loud as what
/// matches: integrated from 0 to 1 with that weight (a beta distribution of 2 and 1).
fn one_rate((matching, other): (usize, usize)) -> f64 {
    2f64.ln() + ln_factorial(matching + 1) + ln_factorial(other) - ln_factorial(matching + other + 2)
}

/// How often sounds match that are not of one moment. A guess, on the safe side: half and double move the log odds by 0.7
/// for each sound that matches, and hardly for one that does not.
const MATCH_BY_CHANCE: f64 = 0.02;

/// How often a short stretch that matches is a sound that was played again rather than the same moment, how fast that
/// falls with its length, seconds; the same for pieces of music. Guesses, no measurement: twice the first makes
/// 0.81 of a lone two-second match 0.68, half of it 0.90.
const PROMPTS: f64 = 0.3;
const PROMPT_S: f64 = 3.0;
const PIECES: f64 = 1e-3;
const PIECE_S: f64 = 100.0;
/// Probability that a second sound was played again with the same distance in time. A guess.
const COINCIDENCE: f64 = 0.05;

/// Natural logarithm of the probability of stretches that match if sounds were played again: each is one of them, short
/// ones are common, long ones are rare, and a second one at the same distance in time as the first is a coincidence.
///
/// Of several, one that fits elsewhere as well has been played again, however long it is, and at each of these places the
/// others may have joined it by coincidence. Of one alone the other places tell themselves: they are its rivals.
fn played_again(matched: &[Matched]) -> f64 {
    let unseen = |m: &Matched| PROMPTS * (-m.length_s / PROMPT_S).exp() + PIECES * (-m.length_s / PIECE_S).exp();
    match matched {
        [] => 0.0,
        [alone] => unseen(alone).ln(),
        several => {
            let often = |m: &Matched| unseen(m).max(m.elsewhere / (1.0 + m.elsewhere)).ln();
            let places = 1.0 + several.iter().map(|m| m.elsewhere).fold(0.0, f64::max);
            several.iter().map(often).sum::<f64>() + (several.len() - 1) as f64 * COINCIDENCE.ln() + places.ln()
        }
    }
}

fn ln_factorial(n: usize) -> f64 {
    (1..=n).map(|k| (k as f64).ln()).sum()
}

/// The stretches of a path's run that match, by their first and last block in `b`, seconds: where what the blocks say
/// beyond chance, and `spare` nats each, adds up, from where it begins to where it is most (the cumulative sums of Page,
/// Biometrika 41, 1954).
fn stretches(run: &[PathPoint], path: &Path, spare: f32) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    // First block of the stretch so far, what it says, and the block up to which it says most, and how much.
    let mut open: Option<(f64, f32, f64, f32)> = None;
    let close = |open: &mut Option<(f64, f32, f64, f32)>, found: &mut Vec<(f64, f64)>| {
        if let Some((first, _, last, most)) = open.take()
            && most >= MATCHES
        {
            found.push((first, last));
        }
    };
    for p in run {
        let says = p.weight - path.usual - spare;
        if open.is_some_and(|o| o.1 + says <= 0.0 || p.b_s - o.2 > APART_S) {
            close(&mut open, &mut found);
        }
        match &mut open {
            Some((_, sum, last, most)) => {
                *sum += says;
                if *sum > *most {
                    (*last, *most) = (p.b_s, *sum);
                }
            }
            None if says > 0.0 => open = Some((p.b_s, says, p.b_s, says)),
            None => {}
        }
    }
    close(&mut open, &mut found);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_jumps_by_the_odds_of_the_order_of_sounds() {
        // Every ten seconds a sound that prefers the one place or the other.
        let odds = |order: &str| {
            let says = order.chars().enumerate().map(|(i, c)| (10.0 * i as f64, if c == '+' { 9.0 } else { -9.0 }));
            jumped(&says.collect::<Vec<_>>(), 600.0)
        };
        // Few sounds come in any order by chance, which is likelier than a jump.
        assert!(odds("+++---") < 0.0 && odds("---+++") < 0.0);
        let many = odds("++++++++++++----------");
        assert!(many > 5.0);
        // 12 of 22 that come first: 22! / (12! 10!) / 2 orders; a jump in ten hours, and ten minutes.
        assert!((many - (646_646.0f64 / 2.0).ln() - (600.0f64 / 36_000.0).ln()).abs() < 1e-9);
        assert!(odds("++++++++++++---------+") < many && odds("+-+-+-+-+-+-+-+-+-+-") < 0.0);
    }

    #[test]
    fn a_place_that_fits_as_well_is_as_probable_whatever_its_line_scores() {
        let fits = |alike| Preference { shift_s: 60.0, log_odds: 0.1, share: 1.0, alike, says: Vec::new() };
        // A line at the other place followed next to nothing of what its blocks find there.
        assert!(fits(0.95).of_scores(240.0, Some(20.0)) < 0.2);
        assert!(fits(0.05).of_scores(240.0, Some(20.0)) > 20.0);
    }

    #[test]
    fn a_place_is_compared_where_it_fits_best() {
        let mut state = 7u32;
        let mut noise = |length: usize| -> Vec<f32> {
            let mut next = || {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1u32 << 23) as f32 - 1.0
            };
            (0..length).map(|_| next()).collect()
        };
        // Ten seconds that `a` holds twice, 20 s apart.
        let (own, between) = (noise(80_000), noise(80_000));
        let (a, b) = (Track::raw(&[&own[..], &between, &own].concat()), Track::raw(&own));
        let points: Vec<PathPoint> =
            (1..9).map(|s| f64::from(s) + 0.5).map(|b_s| PathPoint { b_s, a_s: b_s, weight: 1.0 }).collect();
        let blocks = Blocks::new(&a, &b, points, 8000, AGAIN_APART, &Plans::default());
        for beside_s in [-0.04, -0.008, 0.0, 0.008, 0.04] {
            assert!((blocks.best_near(false, 20.0 + beside_s) - 20.0).abs() < 1e-3, "{beside_s}");
        }
    }

    #[test]
    fn a_second_stretch_at_the_same_distance_is_a_coincidence_more() {
        let [unseen, seen] = [0.0, 5.0].map(|elsewhere| Matched { length_s: 3.0, elsewhere });
        assert!(played_again(&[unseen, unseen]) < 2.0 * played_again(&[unseen]) - 2.0);
        // Nor does it tell much that sounds match which come again and again.
        assert!(played_again(&[seen, seen]) > played_again(&[unseen, unseen]) + 5.0);
        assert!((played_again(&[seen]) - played_again(&[unseen])).abs() < 1e-12);
    }
}
