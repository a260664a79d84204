//! How alike two tracks are at lags around a clock map: the curve that shows why a placement was chosen, and its rivals.

use std::sync::LazyLock;

use coeval_transform::{Complex32, Complex64, Plans};

use crate::clock::ClockMap;
use crate::error::{Error, Result};
use crate::progress::{Progress, step};
use crate::track::{TRACK_RATE_HZ, Track};

/// Lags of less than this from the map belong to the placement itself, seconds: a voice and its echo.
const APART_S: f64 = 0.02;
/// Longest block that is correlated at once, seconds.
const BLOCK_MOST_S: f64 = 4.0;
/// Shortest block, seconds.
const BLOCK_LEAST_S: f64 = 0.25;
/// Within a block the clocks may part by this many samples of a track. Half a sample costs a tenth of what is common at
/// the upper end of the band.
const PART_SAMPLES: f64 = 0.5;
/// A rival stands out of the curve by this many standard deviations. Chance exceeds it at one lag in 26 million, which is
/// in one curve of 160 that reach 10 s each way.
const STANDS_OUT: f64 = 5.5;
/// Median of the absolute value of a normal distribution, in standard deviations.
const MEDIAN_OF_NORMAL: f32 = 0.674_49;

/// A place beside the map at which two tracks are alike too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rival {
    /// Time of `a` minus the time that the map gives, seconds.
    pub lag_s: f64,
    /// Correlation there, -1 to 1.
    pub correlation: f32,
}

/// Correlation of two tracks over the lag from a map.
#[derive(Debug, Clone, PartialEq)]
pub struct LagCurve {
    /// Correlation coefficients, -1 to 1, from the lowest lag to the highest, one for each sample of a track. A lag at
    /// which the two have no sound in common has 0.
    pub correlation: Vec<f32>,
}

impl LagCurve {
    /// The lag of each value, seconds: time of `a` minus the time that the map gives.
    pub fn lags_s(&self) -> impl Iterator<Item = f64> + '_ {
        let reach = (self.correlation.len() / 2) as f64;
        (0..self.correlation.len()).map(move |i| (i as f64 - reach) / TRACK_RATE_HZ)
    }

    /// Other places at which the tracks are alike, the strongest first: peaks of the curve, of either sign, more than
    /// 20 ms from the map and from each other, that chance does not explain.
    pub fn rivals(&self) -> Vec<Rival> {
        let size: Vec<f32> = self.correlation.iter().map(|c| c.abs()).collect();
        let mut sorted: Vec<f32> = size.iter().copied().filter(|c| *c > 0.0).collect();
        if sorted.is_empty() {
            return Vec::new();
        }
        let middle = sorted.len() / 2;
        let median = *sorted.select_nth_unstable_by(middle, f32::total_cmp).1;
        let least = STANDS_OUT as f32 * median / MEDIAN_OF_NORMAL;
        let peak = |i: usize| size[i] > least && size[i] >= size[i - 1] && size[i] > size[i + 1];
        let mut peaks: Vec<(usize, f64)> =
            self.lags_s().enumerate().take(size.len() - 1).skip(1).filter(|&(i, _)| peak(i)).collect();
        peaks.sort_by(|x, y| size[y.0].total_cmp(&size[x.0]));
        let mut rivals: Vec<Rival> = Vec::new();
        for (i, lag_s) in peaks {
            if lag_s.abs() > APART_S && rivals.iter().all(|r| (r.lag_s - lag_s).abs() > APART_S) {
                rivals.push(Rival { lag_s, correlation: self.correlation[i] });
            }
        }
        rivals
    }
}

/// Correlates `b`, laid on `a` by a map from time of `b` to time of `a`, with `a` at lags of up to `reach_s` (0.02 to 60)
/// each way. The map's drift and jumps are followed, so all that is common adds up at lag 0.
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) for a reach out of range; otherwise as
/// [`Aligner::align`](crate::pair::Aligner::align).
pub fn lag_curve(a: &Track, b: &Track, map: &ClockMap, reach_s: f64, progress: &dyn Progress) -> Result<LagCurve> {
    if !(APART_S..=60.0).contains(&reach_s) {
        return Err(Error::invalid(format!("reach_s is {reach_s}, not within {APART_S} to 60")));
    }
    let reach = (reach_s * TRACK_RATE_HZ).round() as usize;
    let block = block_samples(map);
    let plan = Plans::default().get((block + 2 * reach).next_power_of_two());
    let lags = 2 * reach + 1;
    let mut sum = vec![Complex32::default(); plan.len / 2 + 1];
    let (mut power_b, mut power_a) = (0.0, vec![0.0f64; lags]);
    let (mut from_b, mut from_a) = (vec![0.0f32; plan.len], vec![0.0f32; plan.len]);
    let count = b.len().div_ceil(block);
    for i in 0..count {
        step(progress, "correlating", i as f64 / count as f64)?;
        let start = i * block;
        let length = block.min(b.len() - start);
        // The block's middle is laid exactly; its ends part from it by half of what the clocks part within the block.
        let half = length as f64 / 2.0;
        let at = map.forward((start as f64 + half) / TRACK_RATE_HZ) * TRACK_RATE_HZ - half;
        let (whole, part) = (at.floor(), at - at.floor());
        from_b.fill(0.0);
        b.read(start as i64, &mut from_b[..length]);
        let heard = power(&from_b[..length]);
        from_a.fill(0.0);
        let wide = length + 2 * reach;
        a.read(whole as i64 - reach as i64, &mut from_a[..wide]);
        if heard == 0.0 || from_a[..wide].iter().all(|x| *x == 0.0) {
            continue;
        }
        power_b += heard;
        let mut within = power(&from_a[..length]);
        for (lag, power_a) in power_a.iter_mut().enumerate() {
            *power_a += within.max(0.0);
            if lag + 1 < lags {
                within += f64::from(from_a[lag + length]).powi(2) - f64::from(from_a[lag]).powi(2);
            }
        }
        let (x, y) = (plan.spectrum(&mut from_a), plan.spectrum(&mut from_b));
        // Turned by the part of a sample that the block lies between two of `a`'s.
        let turn = Complex64::from_polar(1.0, std::f64::consts::TAU * part / plan.len as f64);
        let mut phase = Complex64::new(1.0, 0.0);
        for ((sum, x), y) in sum.iter_mut().zip(&x).zip(&y) {
            *sum += x * y.conj() * Complex32::new(phase.re as f32, phase.im as f32);
            phase *= turn;
        }
    }
    a.check()?;
    b.check()?;
    let mut out = vec![0.0; plan.len];
    plan.invert(&mut sum, &mut out);
    let scale = 1.0 / plan.len as f64;
    let coefficient = |(c, power_a): (&f32, &f64)| {
        let full = (power_a * power_b).sqrt();
        if full > 0.0 { (f64::from(*c) * scale / full).clamp(-1.0, 1.0) as f32 } else { 0.0 }
    };
    Ok(LagCurve { correlation: out.iter().zip(&power_a).map(coefficient).collect() })
}

/// [`lag_strength`] is asked again and again for stretches of one length, and a plan costs more than its use.
static PLANS: LazyLock<Plans> = LazyLock::new(Plans::default);

/// How far each lag from `-reach` to `reach` samples stands out of its background: the cross-correlation of two stretches of
/// one rate and length with phase transform (Knapp and Carter 1976, "The generalized correlation method for estimation of
/// time delay", PHAT), in standard deviations of the correlation at all lags. A positive lag: `a` is the later.
///
/// Chance exceeds 4.5 at one lag in 150 000. Silence has 0 at every lag.
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) for stretches that differ in length or are not longer than twice
/// the reach.
pub fn lag_strength(a: &[f32], b: &[f32], reach: usize) -> Result<Vec<f32>> {
    if a.len() != b.len() || a.len() <= 2 * reach {
        return Err(Error::invalid(format!(
            "stretches of {} and {} samples, for lags of up to {reach}: they must be equally long, and longer than that twice",
            a.len(),
            b.len()
        )));
    }
    let plan = PLANS.at_least(a.len() + reach);
    let spectrum = |sound: &[f32]| {
        let mut padded: Vec<f32> = sound.iter().map(|x| if x.is_finite() { *x } else { 0.0 }).collect();
        padded.resize(plan.len, 0.0);
        plan.spectrum(&mut padded)
    };
    let product = |(x, y): (&Complex32, &Complex32)| {
        let product = x * y.conj();
        let size = product.norm();
        if size > 0.0 && size.is_finite() { product / size } else { Complex32::default() }
    };
    let mut cross: Vec<Complex32> = spectrum(a).iter().zip(&spectrum(b)).map(product).collect();
    let mut out = vec![0.0; plan.len];
    plan.invert(&mut cross, &mut out);
    let mut size: Vec<f32> = out.iter().map(|c| c.abs()).collect();
    let median = *size.select_nth_unstable_by(plan.len / 2, f32::total_cmp).1;
    let scale = if median > 0.0 { MEDIAN_OF_NORMAL / median } else { 0.0 };
    let lags = (plan.len - reach..plan.len).chain(0..=reach);
    Ok(lags.map(|i| out[i] * scale).collect())
}

/// Samples of a block: the fewer the more the clocks part.
fn block_samples(map: &ClockMap) -> usize {
    let slopes = map.knots().windows(2).filter(|k| k[1].0 > k[0].0).map(|k| (k[1].1 - k[0].1) / (k[1].0 - k[0].0));
    let parting = slopes.map(|s| (s - 1.0).abs()).fold(0.0, f64::max);
    let samples = (PART_SAMPLES / parting).clamp(BLOCK_LEAST_S * TRACK_RATE_HZ, BLOCK_MOST_S * TRACK_RATE_HZ);
    samples as usize
}

fn power(samples: &[f32]) -> f64 {
    samples.iter().map(|x| f64::from(*x).powi(2)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(seed: u64, count: usize) -> Vec<f32> {
        let mut state = seed;
        let next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1 << 24) as f32 - 0.5
        };
        std::iter::repeat_with(next).take(count).collect()
    }

    fn track(samples: &[f32], rate_hz: f64) -> Track {
        Track::from_samples(samples, rate_hz, 1).expect("sound")
    }

    /// The same by its definition: each lag a sum over time.
    fn slowly(a: &Track, b: &Track, shift: i64, reach: i64) -> Vec<f64> {
        let mut sound_b = vec![0.0; b.len()];
        b.read(0, &mut sound_b);
        let coefficient = |lag: i64| {
            let mut sound_a = vec![0.0; b.len()];
            a.read(shift + lag, &mut sound_a);
            let product: f64 = sound_a.iter().zip(&sound_b).map(|(x, y)| f64::from(x * y)).sum();
            product / (power(&sound_a) * power(&sound_b)).sqrt()
        };
        (-reach..=reach).map(coefficient).collect()
    }

    #[test]
    fn it_is_the_correlation_by_definition() {
        let common = noise(1, 100_000);
        let (a, b) = (track(&common, 8000.0), track(&common[20_000..80_000], 8000.0));
        let map = ClockMap::linear(2.5, 0.0, b.duration_s());
        let found = lag_curve(&a, &b, &map, 0.1, &()).expect("a curve");
        let wanted = slowly(&a, &b, 20_000, 800);
        assert_eq!(found.correlation.len(), wanted.len());
        for ((lag_s, found), wanted) in found.lags_s().zip(&found.correlation).zip(wanted) {
            assert!((f64::from(*found) - wanted).abs() < 1e-4, "at {lag_s}: {found}, not {wanted}");
        }
    }

    #[test]
    fn drift_and_parts_of_a_sample_are_followed() {
        // The second clock is 400 ppm off, and its file begins between two samples.
        let common = noise(2, 48_000 * 40);
        let (a, b) = (track(&common, 48_000.0), track(&common[48_003..], 48_000.0 * (1.0 + 400e-6)));
        let map = ClockMap::linear(48_003.0 / 48_000.0, 400.0, b.duration_s());
        let curve = lag_curve(&a, &b, &map, 1.0, &()).expect("a curve");
        assert!(curve.correlation[8000] > 0.9, "{}", curve.correlation[8000]);
        // A quarter of a sample to one side is as unlike as to the other.
        assert!((curve.correlation[7999] - curve.correlation[8001]).abs() < 0.05);
        assert_eq!(curve.rivals(), []);
        let aside = ClockMap::linear(48_003.0 / 48_000.0, 0.0, b.duration_s());
        let smeared = lag_curve(&a, &b, &aside, 1.0, &()).expect("a curve");
        assert!(smeared.correlation[8000] < 0.3);
    }

    #[test]
    fn sound_that_comes_again_is_a_rival() {
        let mut common = noise(3, 8000 * 60);
        // 5 s of it come again 7 s later, turned round.
        let again: Vec<f32> = common[80_000..120_000].iter().map(|x| -x).collect();
        common[136_000..176_000].copy_from_slice(&again);
        let (a, b) = (track(&common, 8000.0), track(&common, 8000.0));
        let curve = lag_curve(&a, &b, &ClockMap::linear(0.0, 0.0, b.duration_s()), 10.0, &()).expect("a curve");
        let rivals = curve.rivals();
        let mut lags_s: Vec<f64> = rivals.iter().map(|r| r.lag_s).collect();
        lags_s.sort_by(f64::total_cmp);
        assert_eq!(lags_s, [-7.0, 7.0]);
        assert!(rivals.iter().all(|r| (r.correlation + 5.0 / 60.0).abs() < 0.03), "{rivals:?}");
        assert!((curve.correlation[80_000] - 1.0).abs() < 1e-3);
        let unlike = lag_curve(&a, &track(&noise(9, 8000 * 60), 8000.0), &ClockMap::linear(0.0, 0.0, 60.0), 10.0, &());
        assert_eq!(unlike.expect("a curve").rivals(), []);
    }

    #[test]
    fn common_sound_stands_out_at_its_lag_and_nothing_else_does() {
        let common = noise(6, 17_000);
        let other = noise(7, 17_000);
        // The common part is 10 dB under what each hears alone.
        let mixed = |from: usize, own: &[f32]| -> Vec<f32> {
            common[from..from + 16_000].iter().zip(own).map(|(c, o)| 0.3 * c + o).collect()
        };
        let (a, b) = (mixed(100, &other), mixed(137, &noise(8, 17_000)));
        // What is at 137 of the common sound comes first in `b`, and 37 samples later in `a`.
        let strength = lag_strength(&a, &b, 300).expect("lags");
        assert_eq!(strength.len(), 601);
        let over: Vec<i64> = (-300..=300).filter(|l| strength[(l + 300) as usize].abs() > 4.5).collect();
        assert_eq!(over, [37], "{:?}", strength.iter().copied().fold(0.0f32, f32::max));
        let turned = lag_strength(&b, &a, 300).expect("lags");
        assert!((turned[263] - strength[337]).abs() < 1e-2);
        let unlike = lag_strength(&a, &noise(9, 16_000), 300).expect("lags");
        assert!(unlike.iter().all(|s| s.abs() < 4.5));
        assert!(lag_strength(&a, &[0.0; 16_000], 300).expect("lags").iter().all(|s| *s == 0.0));
        assert!(lag_strength(&a, &b[1..], 300).is_err() && lag_strength(&a[..600], &b[..600], 300).is_err());
    }

    #[test]
    fn what_cannot_be_is_refused_and_nothing_common_is_zero() {
        let (a, b) = (track(&noise(4, 40_000), 8000.0), track(&noise(5, 40_000), 8000.0));
        let map = ClockMap::linear(0.0, 0.0, 5.0);
        for reach_s in [0.0, f64::NAN, 61.0, -1.0] {
            assert!(lag_curve(&a, &b, &map, reach_s, &()).is_err());
        }
        let far = lag_curve(&a, &b, &ClockMap::linear(1e6, 0.0, 5.0), 1.0, &()).expect("a curve");
        assert!(far.correlation.iter().all(|c| *c == 0.0) && far.rivals().is_empty());
        let silent = lag_curve(&a, &track(&[0.0; 40_000], 8000.0), &map, 1.0, &()).expect("a curve");
        assert!(silent.rivals().is_empty());
        let cancelled = lag_curve(&a, &b, &map, 1.0, &|_: &str, _: f64| false);
        assert!(cancelled.is_err());
    }
}
