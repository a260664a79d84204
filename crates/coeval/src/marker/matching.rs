//! Matching: the offset and drift under which most markers of two recordings fall together.

use super::onset::interpolate;
use super::{Marker, WAVEFORM_RATE_HZ};
use crate::error::{Error, ErrorKind, Result};
use crate::options::OptionTable as _;

crate::options! {
    /// How two recordings' markers are matched.
    #[derive(Debug, Clone)]
    #[non_exhaustive]
    pub struct MatchOptions {
        /// Largest difference of the two clocks, in ppm, either way. 0 to 1200.
        pub max_drift_ppm: f64 = 500.0, 0.0..=1200.0;
        /// Matches less certain than this are not returned, 0 to 1.
        pub min_confidence: f64 = 0.9, 0.0..=1.0;
    } and {
        /// Where the offset (`a` time minus `b` time at the start of `b`) is known to lie: lowest and highest
        /// value in seconds. `None`: anywhere.
        pub offset_range_s: Option<(f64, f64)> = None;
        /// Lengths of the two recordings, seconds; they tell how likely a chance coincidence is. `None`: from
        /// the first marker to the last.
        pub durations_s: Option<(f64, f64)> = None;
    }
}

/// One marker of each recording that are the same sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarkerPair {
    /// Index into the markers of `a`.
    pub ia: usize,
    /// Index into the markers of `b`.
    pub ib: usize,
    /// Its time in `a`, seconds, after comparing the two waveforms.
    pub a_s: f64,
    /// Its time in `b`, seconds.
    pub b_s: f64,
    /// One standard deviation of `a_s` given `b_s`, seconds.
    pub sigma_s: f64,
    /// The waveforms agreed and refined the times; otherwise the onsets stand as they were found.
    pub refined: bool,
}

/// How `b`'s clock relates to `a`'s by their markers alone.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct MarkerMatch {
    /// `a` time minus `b` time at the start of `b`, seconds.
    pub offset_s: f64,
    /// (seconds of `a` per second of `b` - 1) * 1e6.
    pub drift_ppm: f64,
    /// One standard deviation of `drift_ppm`.
    pub drift_sigma_ppm: f64,
    /// One standard deviation of the offset in the middle of the matched markers, seconds.
    pub uncertainty_s: f64,
    /// Root mean square of the pairs against the line, seconds.
    pub residual_rms_s: f64,
    /// Expected number of equally good matches by chance, for independent markers at these rates.
    pub chance: f64,
    /// Probability that the match is right: `exp(-chance)`, shared with rivals where what both hear comes again.
    pub confidence: f64,
    /// The matched markers, in time order.
    pub pairs: Vec<MarkerPair>,
}

/// Two markers of one sound may differ by this much more than their uncertainties say: paths differ.
const PATH_S: f64 = 0.002;
/// Fewest markers of a recording that can be matched: one clap in each of two recordings proves nothing.
pub const MATCH_FEWEST: usize = 2;
/// At most this many markers of each recording enter the search, the strongest first.
const MATCH_MOST: usize = 64;
/// A line is no rival if the probability that chance did not make it is less, and so many are weighed at the most. With ten
/// times the first a rival takes 0.001 less of the confidence.
const LEAST_RIVAL: f64 = 1e-3;
const RIVALS_MOST: usize = 64;
/// Fewest markers that meet again elsewhere to be a pattern.
const PATTERN_FEWEST: usize = 3;
/// Odds that a device misses a marker where none is missed on the best line: 1 in 20. A guess: four claps at even distances, of
/// which three meet one interval further as well, then have 0.995; with half of it 0.999, with double 0.98.
const MISSED: f64 = 0.05;

/// Looks for the offset and drift under which the markers of `b` fall on those of `a`; `None` where chance
/// would do as well. Needs [two](MATCH_FEWEST) matching markers or more.
///
/// Every two pairs whose implied drift is allowed propose a line; the line with most markers in common
/// wins. The number of lines as good that unrelated markers would give is the number of proposals times
/// the binomial chance that as many further markers fall together by accident.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) for options out of range.
pub fn match_markers(a: &[Marker], b: &[Marker], options: &MatchOptions) -> Result<Option<MarkerMatch>> {
    options.check_ranges()?;
    if options.offset_range_s.is_some_and(|(low, high)| low > high || low.is_nan() || high.is_nan()) {
        return Err(Error::new(ErrorKind::InvalidArgument, "offset_range_s: the lowest value is above the highest"));
    }
    let strongest = |m: &[Marker]| {
        let mut order: Vec<usize> = (0..m.len()).filter(|&i| m[i].time_s.is_finite()).collect();
        order.sort_by(|&i, &j| m[j].snr_db.total_cmp(&m[i].snr_db).then(i.cmp(&j)));
        order.truncate(MATCH_MOST);
        order.sort_by(|&i, &j| m[i].time_s.total_cmp(&m[j].time_s));
        order
    };
    let (ka, kb) = (strongest(a), strongest(b));
    if ka.len() < MATCH_FEWEST || kb.len() < MATCH_FEWEST {
        return Ok(None);
    }
    let ta: Vec<f64> = ka.iter().map(|&i| a[i].time_s).collect();
    let tb: Vec<f64> = kb.iter().map(|&i| b[i].time_s).collect();
    let span = |t: &[f64]| t[t.len() - 1] - t[0];
    let (da, db) = options.durations_s.unwrap_or((span(&ta), span(&tb)));
    let (da, db) = (da.max(span(&ta)).max(1.0), db.max(span(&tb)).max(1.0));
    let slope_most = options.max_drift_ppm * 1e-6;
    let tolerance = |i: usize, j: usize| {
        3.0 * (a[ka[i]].uncertainty_s.powi(2) + b[kb[j]].uncertainty_s.powi(2)).sqrt().min(0.003) + PATH_S
    };

    let mut best = lines(&ta, &tb, options, &tolerance);
    best.sort_by(|p, q| q.0.cmp(&p.0).then(p.1.total_cmp(&q.1)));
    // A line through two markers, its slope held within the range, may pass one of them by.
    if best.first().is_none_or(|line| line.0 < MATCH_FEWEST) {
        return Ok(None);
    }
    // Proposals expected of unrelated markers, whatever was seen: pairs of pairs times the allowed share.
    let window = 2.0 * (slope_most * span(&tb) + 2.0 * PATH_S);
    let pairs_of_pairs = 0.5 * (ta.len() * (ta.len() - 1)) as f64 * (tb.len() * (tb.len() - 1)) as f64;
    let range = options.offset_range_s.map_or(1.0, |(low, high)| ((high - low) / (da + db)).clamp(1e-6, 1.0));
    let by_chance = (pairs_of_pairs * (window / da.max(db)).min(1.0) * range).max(0.0);
    // How many markers of each lie in the common time.
    let common = |&(_, _, offset, slope): &Proposal| {
        let (from, to) = (offset.max(0.0), (offset + db * (1.0 + slope)).min(da));
        let inside = |t: &f64| *t >= from - 0.1 && *t <= to + 0.1;
        let na = ta.iter().filter(|t| inside(t)).count();
        let nb = tb.iter().filter(|t| inside(&(*t * (1.0 + slope) + offset))).count();
        (na, nb, (to - from).max(1.0))
    };
    // Chance: how likely each of the others meets one.
    let chance = |line: &Proposal| {
        let (count, (na, nb, common_s)) = (line.0, common(line));
        let meets = (2.0 * (PATH_S + 0.001) * nb as f64 / common_s).min(1.0);
        by_chance * binomial_tail(na.min(nb).max(count) - 2, meets, count - 2) / triples(count)
    };
    // A rival that has no pair in common with it and that chance does not explain either: what both hear comes again (a
    // loop, a machine), and one of the two is right. Two markers are one interval that comes again, and no pattern.
    let (na, nb, _) = common(&best[0]);
    let all_met = na.max(nb) <= best[0].0;
    let met = |line: &Proposal| partners(&ta, &tb, line.2, line.3, &tolerance);
    let here = met(&best[0]);
    // Pairs of markers that meet on a line so far.
    let mut taken = vec![false; ta.len() * tb.len()];
    here.iter().for_each(|&(i, j)| taken[i * tb.len() + j] = true);
    let (mut rivals, mut odds) = (0, 0.0);
    for rival in best.iter().skip(1).take_while(|r| r.0 >= PATTERN_FEWEST || r.0 == best[0].0) {
        let real = (-chance(rival)).exp();
        if real < LEAST_RIVAL || rivals == RIVALS_MOST {
            break;
        }
        let there = met(rival);
        if there.iter().any(|&(i, j)| taken[i * tb.len() + j]) {
            continue;
        }
        let alone = |of: &[(usize, usize)], others: &[(usize, usize)]| {
            let in_a = of.iter().filter(|p| others.iter().all(|o| o.0 != p.0)).count();
            in_a + of.iter().filter(|p| others.iter().all(|o| o.1 != p.1)).count()
        };
        odds += real
            * match all_met {
                true => MISSED.powi(2 * (best[0].0 - rival.0) as i32),
                false => against(alone(&here, &there), alone(&there, &here)),
            };
        there.iter().for_each(|&(i, j)| taken[i * tb.len() + j] = true);
        rivals += 1;
    }
    let chance = chance(&best[0]);
    let confidence = (-chance).exp() / (1.0 + odds);
    if confidence < options.min_confidence {
        return Ok(None);
    }
    let matched = here.iter().map(|&(i, j)| refine(&a[ka[i]], &b[kb[j]], ka[i], kb[j])).collect();
    Ok(Some(fit_pairs(matched, options.max_drift_ppm, chance, confidence)))
}

/// Each set of `count` markers is proposed by every two of its members.
fn triples(count: usize) -> f64 {
    (count * (count - 1) / 2).max(1) as f64
}

/// How many markers meet along a line, the sum of their squared misfits, its offset (seconds) and its slope.
type Proposal = (usize, f64, f64, f64);

/// The odds of a line against another where `only` markers meet on the other one alone, and `there` on this one alone. On
/// the right line a marker meets its partner more often than not, on a wrong one the sounds that come again do;
/// how much more often nobody knows: all shares from a half to one are as probable.
fn against(only: usize, there: usize) -> f64 {
    const STEPS: i32 = 1000;
    let likely = |hits: usize, misses: usize| -> f64 {
        let share = |i: i32| 0.5 + 0.5 * (f64::from(i) + 0.5) / f64::from(STEPS);
        (0..STEPS).map(|i| share(i).powi(hits as i32) * (1.0 - share(i)).powi(misses as i32)).sum()
    };
    likely(there, only) / likely(only, there)
}

/// Every line through two pairs of markers that the options permit.
fn lines(ta: &[f64], tb: &[f64], options: &MatchOptions, tolerance: &dyn Fn(usize, usize) -> f64) -> Vec<Proposal> {
    let slope_most = options.max_drift_ppm * 1e-6;
    let allowed = |offset: f64| options.offset_range_s.is_none_or(|(low, high)| low <= offset && offset <= high);
    let mut pairs: Vec<(f64, usize, usize)> =
        (0..ta.len()).flat_map(|i| (0..tb.len()).map(move |j| (i, j))).map(|(i, j)| (ta[i] - tb[j], i, j)).collect();
    pairs.sort_by(|p, q| p.0.total_cmp(&q.0).then(p.1.cmp(&q.1)));
    let reach = slope_most * (tb[tb.len() - 1] - tb[0]) + 2.0 * PATH_S + 0.02;
    let mut lines = Vec::new();
    let mut budget = 400_000usize;
    for (p, &(d1, i1, j1)) in pairs.iter().enumerate() {
        for &(d2, i2, j2) in pairs[p + 1..].iter().take_while(|q| q.0 - d1 <= reach) {
            if i1 == i2 || j1 == j2 || budget == 0 {
                continue;
            }
            let gap = tb[j2] - tb[j1];
            let slack = tolerance(i1, j1) + tolerance(i2, j2);
            if (d2 - d1).abs() > slope_most * gap.abs() + slack {
                continue;
            }
            budget -= 1;
            // Close together, two markers say nothing about drift.
            let slope = if (slope_most * gap.abs()) > 0.5 * slack { (d2 - d1) / gap } else { 0.0 };
            let slope = slope.clamp(-slope_most, slope_most);
            let offset = 0.5 * (d1 + d2) - slope * 0.5 * (tb[j1] + tb[j2]);
            if allowed(offset) {
                let (count, misfit) = coincidences(ta, tb, offset, slope, tolerance);
                lines.push((count, misfit, offset, slope));
            }
        }
    }
    lines
}

/// Nearest partners within tolerance, each marker used once.
fn partners(
    ta: &[f64],
    tb: &[f64],
    offset: f64,
    slope: f64,
    tolerance: &dyn Fn(usize, usize) -> f64,
) -> Vec<(usize, usize)> {
    let mut out: Vec<(usize, usize)> = Vec::new();
    let mut i = 0;
    for (j, t) in tb.iter().enumerate() {
        let at = t * (1.0 + slope) + offset;
        while i < ta.len() && ta[i] < at - 0.02 {
            i += 1;
        }
        let near = (i..ta.len())
            .take_while(|&k| ta[k] <= at + 0.02)
            .filter(|&k| (ta[k] - at).abs() <= tolerance(k, j))
            .min_by(|&k, &l| (ta[k] - at).abs().total_cmp(&(ta[l] - at).abs()));
        if let Some(k) = near.filter(|k| out.last().is_none_or(|l| l.0 < *k)) {
            out.push((k, j));
        }
    }
    out
}

fn coincidences(
    ta: &[f64],
    tb: &[f64],
    offset: f64,
    slope: f64,
    tolerance: &dyn Fn(usize, usize) -> f64,
) -> (usize, f64) {
    let met = partners(ta, tb, offset, slope, tolerance);
    let misfit = met.iter().map(|&(i, j)| (ta[i] - tb[j] * (1.0 + slope) - offset).powi(2)).sum();
    (met.len(), misfit)
}

/// Probability of `k` or more successes among `n` at `p` each.
fn binomial_tail(n: usize, p: f64, k: usize) -> f64 {
    if k == 0 {
        return 1.0;
    }
    if p >= 1.0 {
        return if k <= n { 1.0 } else { 0.0 };
    }
    let mut term = (1.0 - p).powi(n as i32);
    let mut below = 0.0;
    let mut tail = 0.0;
    for i in 0..=n {
        if i < k {
            below += term;
        } else {
            tail += term;
        }
        term *= (n - i) as f64 / (i + 1) as f64 * p / (1.0 - p);
    }
    // The direct sum keeps small tails; where the first term underflows, the complement does.
    if below + tail > 0.5 { tail } else { (1.0 - below).clamp(0.0, 1.0) }
}

/// The pair's times, refined by correlating the two waveforms round their onsets where they agree.
fn refine(a: &Marker, b: &Marker, ia: usize, ib: usize) -> MarkerPair {
    let plain = MarkerPair {
        ia,
        ib,
        a_s: a.time_s,
        b_s: b.time_s,
        sigma_s: (a.uncertainty_s.powi(2) + b.uncertainty_s.powi(2) + 0.0002f64.powi(2)).sqrt(),
        refined: false,
    };
    // The first 4 ms carry the direct sound; later the two places hear different echoes.
    let count = (0.0055 * WAVEFORM_RATE_HZ) as usize;
    let lead = 0.0015;
    let high = |m: &Marker| -> Vec<f64> {
        // Less its mean over 2 ms: what wind and engine put below the clap.
        let x: Vec<f64> = m.waveform.iter().map(|v| f64::from(*v)).collect();
        let half = (0.001 * WAVEFORM_RATE_HZ) as usize;
        (0..x.len())
            .map(|i| {
                let near = &x[i.saturating_sub(half)..(i + half + 1).min(x.len())];
                x[i] - near.iter().sum::<f64>() / near.len() as f64
            })
            .collect()
    };
    let (xa, xb) = (high(a), high(b));
    let cut = |x: &[f64], m: &Marker, shift: f64| -> Vec<f64> {
        let at = (m.time_s - lead + shift - m.waveform_start_s) * WAVEFORM_RATE_HZ;
        (0..count).map(|i| interpolate(x, at + i as f64, 1.0)).collect()
    };
    let fixed = cut(&xb, b, 0.0);
    let energy: f64 = fixed.iter().map(|v| v * v).sum();
    if energy <= 0.0 {
        return plain;
    }
    let likeness = |shift: f64| {
        let moved = cut(&xa, a, shift);
        let e: f64 = moved.iter().map(|v| v * v).sum();
        moved.iter().zip(&fixed).map(|(p, q)| p * q).sum::<f64>() / (e * energy).sqrt().max(1e-30)
    };
    let step = 0.5 / WAVEFORM_RATE_HZ;
    let reach = 48i32;
    let curve: Vec<f64> = (-reach..=reach).map(|i| likeness(f64::from(i) * step)).collect();
    let Some(top) = (1..curve.len() - 1).max_by(|&i, &j| curve[i].total_cmp(&curve[j])) else {
        return plain;
    };
    let (l, c, r) = (curve[top - 1], curve[top], curve[top + 1]);
    if c < 0.6 || l > c || r > c {
        return plain;
    }
    let bend = 2.0 * c - l - r;
    let fraction = if bend > 1e-12 { 0.5 * (r - l) / bend } else { 0.0 };
    let shift = (f64::from(top as i32 - reach) + fraction.clamp(-0.5, 0.5)) * step;
    // Spread of a correlation peak from its curvature and from what does not agree, over the number of
    // independent samples; no better than a fiftieth of a millisecond.
    let curvature = bend / (step * step);
    let sigma_s = ((1.0 - c * c).max(1e-4) / (curvature.max(1.0) * count as f64 * 0.5)).sqrt().max(2e-5);
    MarkerPair { a_s: a.time_s + shift, sigma_s, refined: true, ..plain }
}

/// Weighted straight line through the pairs, drift held by what was allowed where the pairs do not tell.
fn fit_pairs(pairs: Vec<MarkerPair>, max_drift_ppm: f64, chance: f64, confidence: f64) -> MarkerMatch {
    let middle = pairs.iter().map(|p| p.b_s).sum::<f64>() / pairs.len() as f64;
    let mut weights: Vec<f64> = pairs.iter().map(|p| p.sigma_s.powi(-2)).collect();
    let prior = (0.5 * max_drift_ppm.max(1e-3) * 1e-6).powi(-2);
    let (mut level, mut slope, mut information) = (0.0, 0.0, [0.0; 3]);
    // Huber weights (k = 1.345), a few rounds: one wrong partner must not tilt the line.
    for _ in 0..8 {
        let (mut s0, mut s1, mut s2, mut y0, mut y1) = (0.0, 0.0, prior, 0.0, 0.0);
        for (p, w) in pairs.iter().zip(&weights) {
            let (t, y) = (p.b_s - middle, p.a_s - p.b_s);
            s0 += w;
            s1 += w * t;
            s2 += w * t * t;
            y0 += w * y;
            y1 += w * t * y;
        }
        let det = s0 * s2 - s1 * s1;
        level = (s2 * y0 - s1 * y1) / det;
        slope = (s0 * y1 - s1 * y0) / det;
        information = [s0, s1, s2];
        for (w, p) in weights.iter_mut().zip(&pairs) {
            let misfit = (p.a_s - p.b_s - level - slope * (p.b_s - middle)).abs() / p.sigma_s;
            *w = p.sigma_s.powi(-2) * if misfit > 1.345 { 1.345 / misfit } else { 1.0 };
        }
    }
    let det = information[0] * information[2] - information[1] * information[1];
    let misfit = |p: &MarkerPair| p.a_s - p.b_s - level - slope * (p.b_s - middle);
    let square: f64 = pairs.iter().map(|p| misfit(p).powi(2)).sum();
    let normal: f64 = pairs.iter().map(|p| (misfit(p) / p.sigma_s).powi(2)).sum();
    // Pairs that scatter more than they claim widen the band; fewer than four cannot tell.
    let scale = if pairs.len() > 3 { (normal / (pairs.len() - 2) as f64).sqrt().max(1.0) } else { 1.0 };
    MarkerMatch {
        offset_s: level - slope * middle,
        drift_ppm: slope * 1e6,
        drift_sigma_ppm: scale * (information[0] / det).sqrt() * 1e6,
        uncertainty_s: scale * (information[2] / det).sqrt(),
        residual_rms_s: (square / pairs.len() as f64).sqrt(),
        chance,
        confidence,
        pairs,
    }
}
