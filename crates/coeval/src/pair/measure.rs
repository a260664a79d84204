//! Measures what is left between two tracks once one is read on the other's clock.
//!
//! `a` is resampled by the map found so far, so that a matching pair lies at lag zero whatever the
//! drift. Cross-spectra of successive windows are summed until their correlation peak stands out;
//! its place, by Newton's method on the weighted cross-spectrum, is one piece of evidence. A window across a jump is cut
//! there, and its parts are measured each by itself. The
//! weighting is the maximum-likelihood one (Hannan-Thomson in Knapp & Carter, IEEE TASSP 24(4), 1976),
//! C / (|G12| (1 - C)) with C the magnitude-squared coherence, estimated from the windows that matched.

use coeval_transform::{Complex32, Plan, Plans};
use rayon::prelude::*;

use crate::clock::ClockMap;
use crate::error::Result;
use crate::pair::Evidence;
use crate::progress::{Progress, step};
use crate::track::{TRACK_RATE_HZ, Track, on_phase, resampled};

/// Transform length, lags kept to either side (8 ms), and window length that makes these lags linear.
const SIZE: usize = 8192;
const REACH: usize = 64;
const WINDOW: usize = SIZE - 2 * REACH;
pub(crate) const WINDOW_S: f64 = WINDOW as f64 / TRACK_RATE_HZ;
/// The shortest part of a window that is measured, samples (50 ms): a syllable.
const PART: i64 = 400;
/// Lags nearer than this to the peak are its own (2.5 ms).
const OWN: usize = 20;
/// Windows are summed over this long at the most: longer, and a wandering clock smears them.
const PATIENCE_S: f64 = 90.0;
/// A sum no longer than this is of one voice.
const SHORT_S: f64 = 3.0;
/// Width of the bands in which coherence is taken (62.5 Hz).
const BAND: usize = 64;
/// A band whose power is this share of the strongest one's is empty: tracks are levelled.
const EMPTY: f32 = 0.05;
/// Ratio of the spread near the peak to that far away from which the two count as different.
const TELLS: f64 = 1.2;
/// Fewer curvatures learn nothing from each other.
const POOL_LEAST: usize = 8;
/// No peak is known better than this, seconds: rooms and codecs bend phases by more than noise does.
const FLOOR_S: f64 = 3e-6;

/// How evidence is taken.
#[derive(Debug, Clone)]
pub(crate) struct Measure<'m> {
    pub(crate) map: &'m ClockMap,
    pub(crate) inverted: bool,
    /// Farthest residual that is believed, seconds, at most 7 ms.
    pub(crate) within_s: f64,
    /// Least height of a peak, in spreads of the correlation far from it, and of the correlation close by:
    /// a room and a voice's pitch raise the latter, so does an engine that fits at every turn.
    pub(crate) least: f64,
    pub(crate) least_close: f64,
    /// Factor for every frequency bin.
    pub(crate) weighting: &'m [f32],
    /// Moments at which summing starts afresh, `b` seconds.
    pub(crate) breaks_s: &'m [f64],
}

/// Evidence, and the weighting that it suggests.
pub(crate) struct Measurements {
    pub(crate) evidence: Vec<Evidence>,
    /// What windows that lie far from each other say together, where others speak by themselves: it may be of two
    /// voices at two distances and lie between them.
    pub(crate) long: Vec<Evidence>,
    /// Most of what was found needed several windows.
    pub(crate) weak: bool,
    pub(crate) weighting: Vec<f32>,
}

/// No preference among frequencies.
pub(crate) fn flat() -> Vec<f32> {
    vec![1.0; SIZE / 2 + 1]
}

/// A window, or what lies of one between two breaks, samples of `b`.
struct Part {
    window: i64,
    samples: (i64, i64),
    /// How many breaks lie before it.
    after: usize,
}

/// The windows at `starts`, cut at breaks (samples of `b`, ascending). What is cut too short is left out.
fn parts(starts: &[i64], breaks: &[i64]) -> Vec<Part> {
    let cut = |&window: &i64| {
        let (first, last) = (window, window + WINDOW as i64);
        let before = breaks.partition_point(|&t| t <= first);
        let within = &breaks[before..before + breaks[before..].partition_point(|&t| t < last)];
        let edges: Vec<i64> = std::iter::once(first).chain(within.iter().copied()).chain([last]).collect();
        (0..=within.len()).map(move |i| Part { window, samples: (edges[i], edges[i + 1]), after: before + i })
    };
    starts.iter().flat_map(cut).filter(|p| p.samples.1 - p.samples.0 >= PART).collect()
}

struct Window {
    middle_s: f64,
    /// How many breaks lie before it.
    after: usize,
    /// How far `a` was read off the place that the map names, samples.
    shift: f64,
    cross: Vec<Complex32>,
    power_a: Vec<f32>,
    power_b: Vec<f32>,
}

/// Cross-spectra that are being summed.
struct Sum {
    cross: Vec<Complex32>,
    power_a: Vec<f32>,
    power_b: Vec<f32>,
    time: f64,
    shift: f64,
    mass: f64,
    first_s: f64,
    windows: usize,
}

impl Sum {
    fn new() -> Self {
        let bins = SIZE / 2 + 1;
        Self {
            cross: vec![Complex32::default(); bins],
            power_a: vec![0.0; bins / BAND + 1],
            power_b: vec![0.0; bins / BAND + 1],
            time: 0.0,
            shift: 0.0,
            mass: 0.0,
            first_s: f64::NAN,
            windows: 0,
        }
    }

    fn add(&mut self, w: &Window) {
        if self.windows == 0 {
            self.first_s = w.middle_s;
        }
        for (s, c) in self.cross.iter_mut().zip(&w.cross) {
            *s += c;
        }
        for (s, p) in self.power_a.iter_mut().zip(&w.power_a) {
            *s += p;
        }
        for (s, p) in self.power_b.iter_mut().zip(&w.power_b) {
            *s += p;
        }
        // A window's time is weighted by what the window can contribute to the peak.
        let mass = w.power_a.iter().zip(&w.power_b).map(|(a, b)| f64::from((a * b).sqrt())).sum::<f64>();
        self.time += w.middle_s * mass;
        self.shift += w.shift * mass;
        self.mass += mass;
        self.windows += 1;
    }

    /// Adds a sum whose peak lies at `lag` samples as if it lay at zero: voices at two distances would cancel each
    /// other at some frequencies.
    fn absorb(&mut self, other: &Sum, lag: f64) {
        let step = std::f64::consts::TAU / SIZE as f64 * lag;
        for (k, (s, c)) in self.cross.iter_mut().zip(&other.cross).enumerate() {
            let (sin, cos) = (step * k as f64).sin_cos();
            *s += c * Complex32::new(cos as f32, sin as f32);
        }
        for (s, p) in self.power_a.iter_mut().zip(&other.power_a) {
            *s += p;
        }
        for (s, p) in self.power_b.iter_mut().zip(&other.power_b) {
            *s += p;
        }
        self.windows += other.windows;
    }
}

/// Takes evidence from windows at `starts` (samples of `b`, ascending).
pub(crate) fn measure(
    a: &Track,
    b: &Track,
    starts: &[i64],
    how: &Measure<'_>,
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Measurements> {
    let plan = plans.get(SIZE);
    let mut result = Measurements { evidence: Vec::new(), long: Vec::new(), weak: false, weighting: Vec::new() };
    let mut matched = Sum::new();
    let mut pending = Sum::new();
    let mut spans: Vec<f64> = Vec::new();
    let mut heard: Vec<PeakFit> = Vec::new();
    let breaks: Vec<i64> = how.breaks_s.iter().map(|t| (t * TRACK_RATE_HZ).round() as i64).collect();
    let parts = parts(starts, &breaks);
    let mut after = 0;
    let peak = Peak { plan: &plan, how };
    let mut scratch = (Vec::new(), Vec::new());
    for (i, batch) in parts.chunks(64).enumerate() {
        step(progress, "measure", (i * 64) as f64 / parts.len() as f64)?;
        let windows: Vec<Window> = batch.par_iter().map(|part| window(a, b, part, how, &plan)).collect();
        for w in &windows {
            if std::mem::replace(&mut after, w.after) != w.after {
                pending = Sum::new();
            }
            if w.middle_s - pending.first_s > PATIENCE_S {
                pending = Sum::new();
            }
            let mut own = Sum::new();
            own.add(w);
            // A window that stands out by itself is taken by itself: it says most about its moment.
            let alone = peak.find(&own, how.least + 2.0, &mut scratch);
            let taken = if alone.is_some() {
                alone
            } else {
                pending.add(w);
                if pending.windows > 1 { peak.find(&pending, how.least, &mut scratch) } else { None }
            };
            if let Some(found) = taken {
                let sum = if alone.is_some() { own } else { std::mem::replace(&mut pending, Sum::new()) };
                let b_s = sum.time / sum.mass;
                let lag_s = (found.lag + sum.shift / sum.mass) / TRACK_RATE_HZ;
                result.evidence.push(Evidence { a_s: how.map.forward(b_s) + lag_s, b_s, sigma_s: 0.0 });
                heard.push(found);
                spans.push(w.middle_s - sum.first_s);
                matched.absorb(&sum, found.lag);
            }
        }
    }
    for (e, h) in result.evidence.iter_mut().zip(pooled(&heard)) {
        e.sigma_s = h.sigma_s();
    }
    result.weak = 2 * spans.iter().filter(|&&s| s > 0.0).count() > spans.len();
    if spans.iter().filter(|&&s| s <= SHORT_S).count() >= 3 {
        let mut span = spans.iter();
        result.long = result.evidence.extract_if(.., |_| span.next().is_some_and(|&s| s > SHORT_S)).collect();
    }
    result.evidence.sort_by(|x, y| x.b_s.total_cmp(&y.b_s));
    result.weighting = if matched.windows > 0 { weighting(&matched) } else { how.weighting.to_vec() };
    Ok(result)
}

/// The spectra of a part of `b`, and of `a` where the map puts it.
fn window(a: &Track, b: &Track, part: &Part, how: &Measure<'_>, plan: &Plan) -> Window {
    let window_s = (part.window as f64 + WINDOW as f64 / 2.0) / TRACK_RATE_HZ;
    let (first, last) = part.samples;
    let middle_s = (first + last) as f64 / 2.0 / TRACK_RATE_HZ;
    let mut block = vec![0.0; SIZE];
    // Placed so that lag zero is the correlation's index zero.
    let at = |sample: i64| REACH + (sample - part.window) as usize;
    b.read(first, &mut block[at(first)..at(last)]);
    let half_s = (last - first) as f64 / TRACK_RATE_HZ / 4.0;
    let (near, far) = (middle_s - half_s, middle_s + half_s);
    let slope = (how.map.forward(far) - how.map.forward(near)) / (far - near);
    // Across a jump the slope means nothing: such a window is read at the plain rate.
    let slope = if (slope - 1.0).abs() < 2e-3 { slope } else { 1.0 };
    let mut stretch = vec![0.0; SIZE];
    // On a place that the interpolation table knows exactly; the remainder is added to the result.
    let wanted = (how.map.forward(middle_s) + (window_s - middle_s) * slope) * TRACK_RATE_HZ;
    let middle = on_phase(wanted);
    resampled(a, middle, slope, &mut stretch[..WINDOW + 2 * REACH]);
    let (x, y) = (plan.spectrum(&mut stretch), plan.spectrum(&mut block));
    let power = |s: &[Complex32]| s.chunks(BAND).map(|c| c.iter().map(|v| v.norm_sqr()).sum::<f32>()).collect();
    let sign = if how.inverted { -1.0 } else { 1.0 };
    let cross = x.iter().zip(&y).map(|(x, y)| x * y.conj() * sign).collect();
    // What `a` holds beside a part of a window is no part of what is compared.
    let share = (last - first) as f32 / WINDOW as f32;
    let mut power_a: Vec<f32> = power(&x);
    power_a.iter_mut().for_each(|p| *p *= share);
    Window { middle_s, after: part.after, shift: middle - wanted, power_a, power_b: power(&y), cross }
}

/// A correlation peak that was found.
#[derive(Debug, Clone, Copy)]
struct PeakFit {
    /// Where, samples.
    lag: f64,
    /// Standard deviation of the correlation's slope there, and its curvature.
    slope_noise: f64,
    curvature: f64,
    /// In spreads of chance.
    height: f64,
    /// What the sum weighs by its level.
    mass: f64,
}

impl PeakFit {
    fn sigma_s(&self) -> f64 {
        (self.slope_noise / self.curvature / TRACK_RATE_HZ).hypot(FLOOR_S)
    }
}

/// Curvatures that have learnt from each other. One by itself is known to one part in its height only, and a peak
/// that is high by luck looks exact; by how much curvatures differ more than that, each is left its own (empirical
/// Bayes on their logarithms against the sums' levels: Efron & Morris, JASA 70, 1975, from memory).
fn pooled(heard: &[PeakFit]) -> Vec<PeakFit> {
    let ratio = |h: &PeakFit| (h.curvature / h.mass).ln();
    let noise = |h: &PeakFit| h.height.powi(-2);
    let n = heard.len() as f64;
    let mean = heard.iter().map(ratio).sum::<f64>() / n;
    let scatter = heard.iter().map(|h| (ratio(h) - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let differ = (scatter - heard.iter().map(noise).sum::<f64>() / n).max(0.0);
    let pool = |h: &PeakFit| {
        let own = differ / (differ + noise(h));
        PeakFit { curvature: h.mass * (mean + own * (ratio(h) - mean)).exp(), ..*h }
    };
    if heard.len() < POOL_LEAST || !differ.is_finite() { heard.to_vec() } else { heard.iter().map(pool).collect() }
}

struct Peak<'p> {
    plan: &'p coeval_transform::Plan,
    how: &'p Measure<'p>,
}

impl Peak<'_> {
    /// A sum's correlation peak, if it is high enough.
    fn find(&self, summed: &Sum, least: f64, scratch: &mut (Vec<Complex32>, Vec<f32>)) -> Option<PeakFit> {
        let (product, correlation) = scratch;
        product.clear();
        product.extend(summed.cross.iter().zip(self.how.weighting).map(|(c, w)| c * w));
        correlation.resize(SIZE, 0.0);
        let weighted = product.clone();
        self.plan.invert(product, correlation);
        let mut lags = [0.0f32; 2 * REACH + 1];
        lags[..REACH].copy_from_slice(&correlation[SIZE - REACH..]);
        lags[REACH..].copy_from_slice(&correlation[..=REACH]);
        let within = ((self.how.within_s * TRACK_RATE_HZ).ceil() as usize).clamp(2, REACH - 8);
        let (at, top) = lags
            .iter()
            .enumerate()
            .filter(|(i, _)| i.abs_diff(REACH) <= within)
            .fold((0, f32::NEG_INFINITY), |m, (i, &v)| if v > m.1 { (i, v) } else { m });
        let (mut sum, mut count) = (0.0f64, 0);
        for (i, &v) in lags.iter().enumerate() {
            if i.abs_diff(at) > OWN {
                sum += f64::from(v * v);
                count += 1;
            }
        }
        let spread = (sum / f64::from(count)).sqrt();
        // What independent sound of these spectra shows, from lags far away; near the peak the voice's own
        // pitch and the room's reflections stand, which must not hide it but do blur it.
        let far = &correlation[2 * REACH..SIZE - 2 * REACH];
        let chance = (far.iter().map(|v| f64::from(v * v)).sum::<f64>() / far.len() as f64).sqrt();
        let height = f64::from(top) / chance;
        // At the edge of what is believed it is not a peak but a flank of one further out.
        if !(height >= least && height.is_finite() && f64::from(top) >= self.how.least_close * spread)
            || at.abs_diff(REACH) == within
        {
            return None;
        }
        // The few lags close by tell their own spread to a tenth.
        let spread = if spread > TELLS * chance { spread } else { chance };
        let (lag, curvature) = newton(&weighted, at as f64 - REACH as f64)?;
        // Noise of the slope over curvature of the peak; the noise has the spectrum of the weighted product.
        let power = |f: &dyn Fn(f64) -> f64| {
            weighted
                .iter()
                .enumerate()
                .map(|(k, c)| f(std::f64::consts::TAU * k as f64 / SIZE as f64) * f64::from(c.norm_sqr()))
                .sum::<f64>()
        };
        let slope_noise = spread * (power(&|w| w * w) / power(&|_| 1.0)).sqrt();
        Some(PeakFit { lag, slope_noise, curvature, height, mass: summed.mass })
    }
}

/// Maximum near `lag` (samples) of the correlation with this spectrum, and minus its second derivative there.
fn newton(spectrum: &[Complex32], lag: f64) -> Option<(f64, f64)> {
    let mut at = lag;
    let mut curvature = 0.0;
    for _ in 0..6 {
        let step = std::f64::consts::TAU / SIZE as f64;
        let (mut first, mut second) = (0.0, 0.0);
        let mut turn = (1.0, 0.0);
        let (cos, sin) = ((step * at).cos(), (step * at).sin());
        for (k, c) in spectrum.iter().enumerate() {
            let w = step * k as f64;
            let (re, im) = (f64::from(c.re), f64::from(c.im));
            let (r, i) = (re * turn.0 - im * turn.1, re * turn.1 + im * turn.0);
            first -= w * i;
            second -= w * w * r;
            turn = (turn.0 * cos - turn.1 * sin, turn.0 * sin + turn.1 * cos);
        }
        // Twice the sum over positive frequencies is the real signal; the inverse transform has the same factor.
        (first, second) = (2.0 * first, 2.0 * second);
        if second >= 0.0 {
            return None;
        }
        curvature = -second;
        let move_by = (first / curvature).clamp(-0.5, 0.5);
        at += move_by;
        if move_by.abs() < 1e-7 {
            break;
        }
    }
    ((at - lag).abs() <= 1.0).then_some((at, curvature))
}

/// Maximum-likelihood weighting from the sums that matched.
fn weighting(sum: &Sum) -> Vec<f32> {
    let bins = SIZE / 2 + 1;
    let mut out = vec![0.0; bins];
    let averages = (sum.windows * BAND) as f32;
    let powers: Vec<f32> = sum.power_a.iter().zip(&sum.power_b).map(|(a, b)| a * b).collect();
    let least = powers.iter().copied().fold(0.0, f32::max) * EMPTY * EMPTY;
    for (band, chunk) in sum.cross.chunks(BAND).enumerate() {
        let power = powers[band];
        // Levelling steeply beside a band that a device left empty bends phases there.
        if powers[band.saturating_sub(1)..(band + 2).min(powers.len())].iter().any(|&p| p <= least) {
            continue;
        }
        let cross = chunk.iter().sum::<Complex32>().norm_sqr();
        // Independent noise alone shows a coherence of one over the number of averages.
        let coherence = (cross / power - 2.0 / averages).clamp(0.0, 0.98);
        let weight = coherence.sqrt() / (1.0 - coherence) / power.sqrt();
        out[band * BAND..(band * BAND + chunk.len())].fill(weight);
    }
    let top = out.iter().copied().fold(0.0f32, f32::max);
    if top > 0.0 { out.iter().map(|w| w / top).collect() } else { vec![1.0; bins] }
}
