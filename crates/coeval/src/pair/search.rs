//! Where could two tracks lie? Short probes of one are looked for everywhere in the other.
//!
//! A probe is short enough for its own drift not to smear its correlation peak; longer probes are
//! tried at several drifts. Every probe is correlated with the whole other track, its peaks are
//! judged against the spread of the correlation around them, and peaks of different probes that one
//! clock could explain together make a candidate. Nothing is assumed about where recordings start.
//! (Semi-coherent search: coherent within a probe, incoherent between probes.)

use coeval_transform::{Complex32, Plan, Plans};
use rayon::prelude::*;

use crate::error::Result;
use crate::filter::dot;
use crate::progress::{Progress, step};
use crate::track::{LEVEL_HOP, TRACK_RATE_HZ, Track, resampled};

/// How one pass of the search looks.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ShortProbes {
    pub(crate) probes: usize,
    pub(crate) probe_s: f64,
    /// Largest drift that is tried, ppm.
    pub(crate) drift_ppm: f64,
    /// Steps between tried drifts, ppm.
    pub(crate) step_ppm: f64,
}

/// A moment of `b` that may be a moment of `a`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Candidate {
    pub(crate) a_s: f64,
    pub(crate) b_s: f64,
    /// Range in which the drift must lie, ppm, (a seconds per b second - 1) * 1e6.
    pub(crate) drift_ppm: (f64, f64),
    /// The peak is negative: one of the two has its sign turned round.
    pub(crate) inverted: bool,
    /// Whether the sign is known at all.
    pub(crate) signed: bool,
    pub(crate) score: f64,
}

impl Candidate {
    /// The same seen from `a`.
    pub(crate) fn turned(self) -> Self {
        Self { a_s: self.b_s, b_s: self.a_s, drift_ppm: (-self.drift_ppm.1, -self.drift_ppm.0), ..self }
    }
}

/// Peaks kept for each probe, and the least height that is kept (in spreads of the correlation around it).
const PEAKS: usize = 32;
const LEAST: f32 = 4.5;
/// Lags over which the spread of a correlation is taken: about 1 s.
const LOCAL: usize = 8192;

#[derive(Debug, Clone, Copy)]
struct Peak {
    /// Middle of the probe in its own track, and the moment in the other track, seconds.
    probe_s: f64,
    found_s: f64,
    drift_ppm: f64,
    height: f32,
}

/// Looks for probes of `probe_track` in `whole`; `a_s` of the result is in `whole`.
///
/// `window_s`: lowest and highest offset (whole time minus probe time) that is looked at. `within_s`: the
/// stretch of the probe track that probes are taken from.
#[allow(clippy::too_many_arguments, reason = "two ranges that callers choose independently")]
fn candidates(
    whole: &Track,
    probe_track: &Track,
    pass: ShortProbes,
    max_drift_ppm: f64,
    window_s: Option<(f64, f64)>,
    within_s: (f64, f64),
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Vec<Candidate>> {
    let available = ((within_s.1 - within_s.0) * TRACK_RATE_HZ).max(0.0) as usize;
    let length = ((pass.probe_s * TRACK_RATE_HZ) as usize).min(probe_track.len()).min(available);
    if length < 800 || whole.len() < 800 {
        return Ok(Vec::new());
    }
    let starts = informative(probe_track, length, pass.probes, within_s);
    let steps = (pass.drift_ppm / pass.step_ppm).ceil() as i64;
    let drifts: Vec<f64> = (-steps..=steps).map(|i| i as f64 * pass.step_ppm).collect();
    let size = ((4 * length).next_power_of_two().max(1 << 15)).min((whole.len() + length).next_power_of_two());
    let plan = plans.get(size);
    let probe = |(start, drift_ppm): (i64, f64)| {
        let mut buffer = vec![0.0; size];
        let middle = start as f64 + length as f64 / 2.0;
        resampled(probe_track, middle, 1.0 / (1.0 + drift_ppm * 1e-6), &mut buffer[..length]);
        Probe { middle_s: middle / TRACK_RATE_HZ, drift_ppm, spectrum: plan.spectrum(&mut buffer) }
    };
    let each = starts.par_iter().flat_map_iter(|&start| drifts.iter().map(move |&drift_ppm| (start, drift_ppm)));
    let probes = Probes { all: each.map(probe).collect(), length, window_s, plan };

    // Chunks of the whole track; each yields lags at which the probe lies fully within the chunk.
    let valid = size - length + 1;
    let first = -(length as i64) + 1;
    let chunks = (whole.len() + length).div_ceil(valid);
    let done = std::sync::atomic::AtomicUsize::new(0);
    let found: Vec<Vec<Vec<Peak>>> = (0..chunks)
        .into_par_iter()
        .map(|chunk| {
            let count = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            step(progress, "search", count as f64 / chunks as f64)?;
            Ok(probes.peaks(whole, first + (chunk * valid) as i64, valid))
        })
        .collect::<Result<_>>()?;

    let per_start = drifts.len();
    let peaks: Vec<Vec<Peak>> = (0..starts.len())
        .map(|i| {
            let mut all: Vec<Peak> = (i * per_start..(i + 1) * per_start)
                .flat_map(|p| found.iter().flat_map(move |chunk| chunk[p].iter().copied()))
                .collect();
            all.sort_by(|x, y| y.height.abs().total_cmp(&x.height.abs()).then(x.found_s.total_cmp(&y.found_s)));
            distinct(all, PEAKS, |k, peak| (k.found_s - peak.found_s).abs() <= 0.005)
        })
        .collect();
    Ok(group(&peaks, max_drift_ppm, pass))
}

/// A stretch of one track at one rate, to be found in the other.
struct Probe {
    middle_s: f64,
    drift_ppm: f64,
    spectrum: Vec<Complex32>,
}

/// All probes of a pass.
struct Probes {
    all: Vec<Probe>,
    /// Samples in a probe.
    length: usize,
    /// Least and largest lag that is asked for, seconds.
    window_s: Option<(f64, f64)>,
    plan: Plan,
}

impl Probes {
    /// Where each probe may lie when it begins at one of so many samples from `origin`.
    fn peaks(&self, whole: &Track, origin: i64, starts: usize) -> Vec<Vec<Peak>> {
        let middle = origin as f64 + self.length as f64 / 2.0;
        let wanted = |probe: &Probe| match self.window_s {
            Some((low, high)) => {
                let at = origin as f64 / TRACK_RATE_HZ + self.length as f64 / 2.0 / TRACK_RATE_HZ;
                let end = at + starts as f64 / TRACK_RATE_HZ;
                at <= probe.middle_s + high && end >= probe.middle_s + low
            }
            None => true,
        };
        if !self.all.iter().any(wanted) {
            return vec![Vec::new(); self.all.len()];
        }
        let mut buffer = vec![0.0; self.plan.len];
        whole.read(origin, &mut buffer);
        let spectrum = self.plan.spectrum(&mut buffer);
        let (mut product, mut correlation) = (Vec::new(), Vec::new());
        let mut peaks = |probe: &Probe| {
            let mut peaks = Vec::new();
            if wanted(probe) {
                self.plan.correlogram(&spectrum, &probe.spectrum, &mut product, &mut correlation);
                local_peaks(&correlation[..starts], &mut |lag, height| {
                    let &Probe { middle_s: probe_s, drift_ppm, .. } = probe;
                    let found_s = (middle + lag) / TRACK_RATE_HZ;
                    if self.window_s.is_none_or(|(low, high)| (low..=high).contains(&(found_s - probe_s))) {
                        peaks.push(Peak { probe_s, found_s, drift_ppm, height });
                    }
                });
            }
            peaks
        };
        self.all.iter().map(&mut peaks).collect()
    }
}

/// [`candidates`] with probes taken from `b`, or from `a` and the result turned round: `a_s` is in `a` either way.
/// `within_s`: the stretch of that track which probes are taken from.
#[allow(clippy::too_many_arguments, reason = "as `candidates`")]
pub(crate) fn candidates_of_either(
    a: &Track,
    b: &Track,
    pass: ShortProbes,
    from_b: bool,
    max_drift_ppm: f64,
    window_s: Option<(f64, f64)>,
    within_s: (f64, f64),
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Vec<Candidate>> {
    if from_b {
        return candidates(a, b, pass, max_drift_ppm, window_s, within_s, plans, progress);
    }
    let turned = window_s.map(|(low, high)| (-high, -low));
    let found = candidates(b, a, pass, max_drift_ppm, turned, within_s, plans, progress)?;
    Ok(found.into_iter().map(Candidate::turned).collect())
}

/// Lags that are asked at once whether any of them is high.
const GROUP: usize = 64;

/// Local maxima of a correlation, in spreads of the correlation around them.
fn local_peaks(correlation: &[f32], take: &mut dyn FnMut(f64, f32)) {
    let spreads: Vec<f32> = correlation.chunks(LOCAL).map(|c| (dot(c, c) / c.len() as f32).sqrt()).collect();
    let mut sorted = spreads.clone();
    sorted.sort_by(f32::total_cmp);
    // A stretch of near-silence is not allowed to raise its own rounding noise to peaks.
    let floor = sorted[sorted.len() / 2] * 0.5;
    for (i, (part, &spread)) in correlation.chunks(LOCAL).zip(&spreads).enumerate() {
        let spread = spread.max(floor);
        if spread <= 0.0 {
            continue;
        }
        let least = LEAST * spread;
        // Nearly all lags are lower: they are asked several at once.
        for (j, group) in part.chunks(GROUP).enumerate() {
            if !group.iter().fold(false, |any, v| any | (v.abs() >= least)) {
                continue;
            }
            for (k, &v) in group.iter().enumerate().filter(|(_, v)| v.abs() >= least) {
                let at = i * LOCAL + j * GROUP + k;
                let before = if at > 0 { correlation[at - 1].abs() } else { 0.0 };
                let after = correlation.get(at + 1).map_or(0.0, |v| v.abs());
                if v.abs() >= before && v.abs() > after {
                    take(at as f64, v / spread);
                }
            }
        }
    }
}

/// The drifts that explain all places of probes so far.
pub(crate) struct Clock {
    /// Least and largest drift, ppm.
    drift_ppm: (f64, f64),
    /// How exactly a place is known, seconds.
    place_s: f64,
}

impl Clock {
    pub(crate) fn near(drift_ppm: f64, reach_ppm: f64, max_drift_ppm: f64, place_s: f64) -> Self {
        let drift_ppm = ((drift_ppm - reach_ppm).max(-max_drift_ppm), (drift_ppm + reach_ppm).min(max_drift_ppm));
        Self { drift_ppm, place_s }
    }

    /// May two probes that are `apart_s` from each other be found further apart by `slide_s`?
    pub(crate) fn explains(&self, slide_s: f64, apart_s: f64) -> bool {
        let (x, y) = (apart_s * self.drift_ppm.0 * 1e-6, apart_s * self.drift_ppm.1 * 1e-6);
        slide_s >= x.min(y) - self.place_s && slide_s <= x.max(y) + self.place_s
    }

    /// Keeps the drifts at which they are.
    pub(crate) fn narrow(&mut self, slide_s: f64, apart_s: f64) {
        let (slide_ppm, slack_ppm) = (slide_s / apart_s * 1e6, self.place_s / apart_s.abs() * 1e6 + 30.0);
        self.drift_ppm = (self.drift_ppm.0.max(slide_ppm - slack_ppm), self.drift_ppm.1.min(slide_ppm + slack_ppm));
    }

    /// What is left, unless places contradict each other.
    pub(crate) fn drift_ppm(&self) -> Option<(f64, f64)> {
        Some(self.drift_ppm).filter(|d| d.0 <= d.1)
    }
}

/// Joins peaks that one clock could explain and ranks them.
fn group(peaks: &[Vec<Peak>], max_drift_ppm: f64, pass: ShortProbes) -> Vec<Candidate> {
    let gain = |p: &Peak| f64::from(p.height * p.height) - 20.0;
    let mut ranked: Vec<Candidate> = Vec::new();
    for (i, seeds) in peaks.iter().enumerate() {
        for seed in seeds {
            let mut score = f64::from(seed.height * seed.height);
            // A probe that was stretched by one drift does not find another that is far from it.
            let reach = 2.0 * pass.step_ppm;
            let mut clock = Clock::near(seed.drift_ppm, reach, max_drift_ppm, 0.002);
            // Nearest probes first: each agreeing peak narrows the drift for those further away.
            let mut others: Vec<usize> = (0..peaks.len()).filter(|&j| j != i && !peaks[j].is_empty()).collect();
            others.sort_by(|&x, &y| {
                let distance = |j: usize| (peaks[j][0].probe_s - seed.probe_s).abs();
                distance(x).total_cmp(&distance(y))
            });
            for j in others {
                let apart = peaks[j][0].probe_s - seed.probe_s;
                let slide = |p: &Peak| (p.found_s - seed.found_s) - apart;
                let agrees = |p: &&Peak| clock.explains(slide(p), apart) && (p.height > 0.0) == (seed.height > 0.0);
                if let Some(p) = peaks[j].iter().find(agrees) {
                    score += gain(p).max(0.0);
                    // Only peaks that cannot be chance may narrow the drift.
                    if p.height.abs() > 8.0 && seed.height.abs() > 8.0 {
                        clock.narrow(slide(p), apart);
                    }
                }
            }
            if let Some(drift_ppm) = clock.drift_ppm() {
                ranked.push(Candidate {
                    a_s: seed.found_s,
                    b_s: seed.probe_s,
                    drift_ppm,
                    inverted: seed.height < 0.0,
                    signed: true,
                    score,
                });
            }
        }
    }
    foremost(ranked, FEW, 0.004, max_drift_ppm)
}

/// As many candidates as are kept of chance's.
pub(crate) const FEW: usize = 12;

/// The best candidates, best first, at most so many, each further than `apart_s` from the others at any drift that is
/// allowed.
pub(crate) fn foremost(mut ranked: Vec<Candidate>, most: usize, apart_s: f64, max_drift_ppm: f64) -> Vec<Candidate> {
    ranked.sort_by(|x, y| y.score.total_cmp(&x.score).then(x.a_s.total_cmp(&y.a_s)));
    distinct(ranked, most, |k, c| {
        ((k.a_s - k.b_s) - (c.a_s - c.b_s)).abs() <= apart_s + max_drift_ppm * 1e-6 * (k.b_s - c.b_s).abs()
    })
}

/// Of what is ranked, best first, the first `most` that are not the same as one before.
pub(crate) fn distinct<T>(ranked: impl IntoIterator<Item = T>, most: usize, same: impl Fn(&T, &T) -> bool) -> Vec<T> {
    let mut kept: Vec<T> = Vec::new();
    for x in ranked {
        if kept.len() == most {
            break;
        }
        if !kept.iter().any(|k| same(k, &x)) {
            kept.push(x);
        }
    }
    kept
}

/// Starts of the stretches that tell most: half of them the richest of all, half the richest of equal parts.
fn informative(track: &Track, length: usize, count: usize, within_s: (f64, f64)) -> Vec<i64> {
    let hops = |seconds: f64| (seconds * TRACK_RATE_HZ / LEVEL_HOP as f64).max(0.0);
    let first = hops(within_s.0).ceil() as usize;
    let last = (hops(within_s.1) as usize).min(track.levels().len());
    let levels = track.levels().get(first..last).unwrap_or(&[]);
    let span = (length / LEVEL_HOP).max(1);
    if levels.len() <= span {
        return vec![(first * LEVEL_HOP) as i64];
    }
    let spans = levels.len() - span + 1;
    let energy: Vec<f32> = (0..spans).map(|i| levels[i..i + span].iter().sum()).collect();
    let mut order: Vec<usize> = (0..spans).collect();
    order.sort_by(|&x, &y| energy[y].total_cmp(&energy[x]).then(x.cmp(&y)));
    let free = |i: usize, kept: &[usize]| kept.iter().all(|&k| i.abs_diff(k) >= span);
    let mut kept: Vec<usize> = Vec::new();
    for &i in &order {
        if kept.len() >= count.div_ceil(2) {
            break;
        }
        if free(i, &kept) {
            kept.push(i);
        }
    }
    let sections = count.saturating_sub(kept.len()).max(1);
    for section in 0..sections {
        if let Some(&i) = order.iter().find(|&&i| i * sections / spans == section && free(i, &kept)) {
            kept.push(i);
        }
    }
    kept.sort_unstable();
    kept.into_iter().map(|i| ((first + i) * LEVEL_HOP) as i64).collect()
}

/// How unevenly a track's sound is spread over time: mean square of its levels over the square of
/// their mean. Speech over silence is uneven, an engine is even (near 1).
pub(crate) fn unevenness(track: &Track) -> f64 {
    let n = track.levels().len().max(1) as f64;
    let (sum, square) = track.levels().iter().fold((0.0, 0.0), |(s, q), &l| (s + f64::from(l), q + f64::from(l * l)));
    if sum > 0.0 { square * n / (sum * sum) } else { 0.0 }
}
