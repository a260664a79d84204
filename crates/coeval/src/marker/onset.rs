//! Examination of a candidate: its onset to a fraction of a sample, and what is measured around it.

use super::detect::{ALIKE, MarkerDetector, PROMISING};
use super::network::Network;
use super::{Grouping, Marker, Shape, WAVEFORM_RATE_HZ};
use crate::filter::sinc;

/// The onset is looked for from this much before the candidate: several hands do not meet at once.
const FIRST_BACK_S: f64 = 0.05;
/// The first stroke of a clap is this much louder than what was heard before it, and no fainter than this share of the
/// loudest, in energy of 0.7 ms.
const FIRST_OVER: f64 = 3.0;
const FIRST_LEAST: f64 = 0.04;
/// Order of the autoregressive models that whiten.
const WHITEN_ORDER: usize = 20;

impl MarkerDetector {
    /// Measures the sound round a sample; `None` when nothing starts there.
    pub(super) fn examine(&self, centre: usize, context: &[f64], first_look: f64, levels: Vec<f32>) -> Option<Marker> {
        let rate = self.rate;
        let n = |seconds: f64| (seconds * rate).round() as usize;
        let start = self.sound_start;
        let from = centre.saturating_sub(n(0.30)).max(start);
        let to = (centre + n(0.22)).min(self.sound_end());
        let x: Vec<f64> = self.sound.range(from - start..to - start).map(|v| f64::from(*v)).collect();
        let c = centre - from;
        let noise_end = c.saturating_sub(n(0.045));
        let white = Whitened::new(&x, noise_end, rate);
        let length = x.len();
        let noise = white.noise();
        let near = c.saturating_sub(n(0.040))..(c + n(0.008)).min(length.saturating_sub(white.short));
        if near.len() <= white.short {
            return None;
        }
        let strongest = white.loudest(near.clone());
        // The first millisecond-scale rise hereabouts that is loud enough.
        let (onset, _, gain) = white.pick(near, (0.3 * strongest).max(8.0 * noise).min(0.5 * strongest))?;
        let k = onset.round() as usize;

        let stroke = Stroke::new(&white, k);
        let (bandwidth_hz, centre_hz) = self.spectrum_above_noise(&x, k, noise_end);
        let shape = stroke.shape(bandwidth_hz, centre_hz);
        let (sharpness_db, snr_db, decay_s) = (stroke.sharpness_db(), stroke.snr_db(), stroke.reached_s(0.5));
        let loud = (from - start + k).min(self.peaks.len())..(from - start + k + n(0.02)).min(self.peaks.len());
        let peak_sample = self.peaks.range(loud).fold(0.0f32, |m, v| m.max(*v));
        let peak_dbfs = 20.0 * f64::from(peak_sample).max(1e-9).log10();
        let over_later_db = stroke.over_later_db();
        let measures = [
            context[0].clamp(0.0, 12.0),
            context[1].clamp(0.0, 10.0),
            context[2].clamp(0.0, 8.0),
            context[3].clamp(0.0, 8.0),
            context[4],
            stroke.early_db().clamp(-5.0, 30.0),
            stroke.over_earlier_db().clamp(-3.0, 20.0),
            over_later_db.clamp(-3.0, 20.0),
            over_later_db.clamp(-3.0, 3.0),
            stroke.course_db(0.02, 0.05),
            stroke.course_db(0.06, 0.12),
            (decay_s * 1e3).clamp(0.0, 80.0),
            gain.max(1.0).ln(),
            (bandwidth_hz + 100.0).log2(),
        ];
        let score = if first_look < PROMISING { first_look } else { Network::learnt().score(&measures, &levels) };
        // What is far below the least score is neither reported nor a fellow of anything that is.
        if peak_dbfs < self.options.min_peak_dbfs || !self.options.all && score < self.options.min_score - ALIKE {
            return None;
        }
        let (time_s, spread_s) = self.first_stroke(centre as f64 / rate)?;
        let (waveform, waveform_start_s) = waveform(&x, from as f64 / rate, rate, time_s);
        Some(Marker {
            time_s,
            // Rooms, and what one calls the onset, differ by a tenth of a millisecond.
            uncertainty_s: spread_s.hypot(1e-4),
            sharpness_db,
            peak_dbfs,
            snr_db,
            decay_s,
            bandwidth_hz,
            centre_hz,
            shape,
            grouping: Grouping::Isolated,
            count_in: self.count_in(time_s),
            waveform,
            waveform_start_s,
            score,
            measures,
            levels,
        })
    }

    /// When the sound round `centre_s` starts, and the standard deviation of that, seconds. Hands may meet more than
    /// once: it is the first rise that nothing just before comes near. All octaves are heard here, for the highest have
    /// the least noise.
    fn first_stroke(&self, centre_s: f64) -> Option<(f64, f64)> {
        let n = |seconds: f64| (seconds * self.fine_rate).round() as usize;
        let centre = n(centre_s);
        let from = centre.saturating_sub(n(0.30)).max(self.fine_start);
        let to = (centre + n(0.01)).min(self.fine_start + self.fine.len());
        let x: Vec<f64> =
            self.fine.range(from - self.fine_start..to - self.fine_start).map(|v| f64::from(*v)).collect();
        let first = centre.saturating_sub(from + n(FIRST_BACK_S));
        let noise_end = first.saturating_sub(n(0.005));
        let white = Whitened::new(&x, noise_end, self.fine_rate);
        let near = first..(centre - from + n(0.008)).min(x.len().saturating_sub(white.short));
        let strongest = white.loudest(near.clone());
        let before = white.loudest(WHITEN_ORDER..noise_end.saturating_sub(white.short));
        let enough = (FIRST_OVER * before).clamp(FIRST_LEAST * strongest, 0.9 * strongest);
        let (onset, spread, _) = white.pick(near, enough)?;
        Some(((from as f64 + onset) / self.fine_rate, spread / self.fine_rate))
    }

    /// Where the spectrum of the first 10 ms stands above that of the noise: width and centre in Hz.
    fn spectrum_above_noise(&self, x: &[f64], onset: usize, noise_end: usize) -> (f64, f64) {
        let length = self.window.len();
        let mut block = self.fft.make_input_vec();
        let mut spectrum = self.fft.make_output_vec();
        let mut power = |from: usize, frames: usize| {
            let mut total = vec![0.0f64; spectrum.len()];
            let mut count = 0;
            for f in 0..frames {
                let at = from + f * length / 2;
                if at + length > x.len() {
                    break;
                }
                for (i, (b, w)) in block.iter_mut().zip(&self.window).enumerate() {
                    *b = x[at + i] as f32 * w;
                }
                if self.fft.process(&mut block, &mut spectrum).is_ok() {
                    total.iter_mut().zip(&spectrum).for_each(|(t, c)| *t += f64::from(c.norm_sqr()));
                    count += 1;
                }
            }
            total.iter_mut().for_each(|t| *t /= f64::from(count.max(1)));
            total
        };
        let event = power(onset.saturating_sub(length / 4), 2);
        let frames = (2 * noise_end / length).saturating_sub(1).min(60);
        let noise = power(noise_end.saturating_sub((frames + 1) * length / 2), frames);
        let bin = self.rate / length as f64;
        let (mut width, mut weight, mut moment) = (0.0, 0.0, 0.0);
        for k in 1..event.len() {
            let ratio = event[k] / noise[k].max(1e-14);
            if ratio > 4.0 {
                width += bin;
                let w = event[k] - noise[k];
                weight += w;
                moment += w * k as f64 * bin;
            }
        }
        (width, if weight > 0.0 { moment / weight } else { 0.0 })
    }
}

/// The energy from an onset on.
struct Stroke<'w> {
    white: &'w Whitened,
    onset: usize,
    noise: f64,
    /// Of a millisecond within the first 20 ms.
    loudest: f64,
    /// What stands above the noise in each of the first 120 ms.
    above: Vec<f64>,
}

impl<'w> Stroke<'w> {
    fn new(white: &'w Whitened, onset: usize) -> Self {
        let noise = white.noise();
        let stroke = Self { white, onset, noise, loudest: 0.0, above: Vec::new() };
        let last = (onset + white.samples(0.02)).min(white.len());
        let loudest = (onset..last).map(|i| stroke.millisecond(i)).fold(0.0, f64::max);
        let above = (0..120).map(|i| stroke.mean(i as f64 * 0.001, (i + 1) as f64 * 0.001) - noise).collect();
        Self { loudest, above, ..stroke }
    }

    /// Mean energy between two times after the onset.
    fn mean(&self, from_s: f64, to_s: f64) -> f64 {
        self.white.mean(self.onset + self.white.samples(from_s), self.onset + self.white.samples(to_s))
    }

    fn millisecond(&self, from: usize) -> f64 {
        self.white.mean(from, from + self.white.samples(0.001).max(4))
    }

    /// Loudest millisecond between two samples.
    fn most(&self, from: usize, to: usize) -> f64 {
        let step = self.white.samples(0.001).max(4) / 2;
        (from..to.min(self.white.len())).step_by(step).map(|i| self.millisecond(i)).fold(1e-14, f64::max)
    }

    /// The first 3 ms over the 10 ms before them.
    fn sharpness_db(&self) -> f64 {
        let n = |seconds: f64| self.white.samples(seconds);
        let before = self.white.mean(self.onset.saturating_sub(n(0.010)), self.onset.saturating_sub(n(0.0003)));
        10.0 * (self.mean(0.0, 0.003).max(1e-14) / before.max(0.25 * self.noise).max(1e-14)).log10()
    }

    fn snr_db(&self) -> f64 {
        10.0 * (self.loudest / self.noise).max(1e-9).log10()
    }

    /// When this share of the energy above the noise has come, seconds after the onset; at most 0.12.
    fn reached_s(&self, share: f64) -> f64 {
        let wanted = share * self.above.iter().sum::<f64>().max(1e-15);
        let mut sum = 0.0;
        for (i, v) in self.above.iter().enumerate() {
            if sum + v >= wanted {
                return (i as f64 + ((wanted - sum) / v.max(1e-18)).clamp(0.0, 1.0)) * 0.001;
            }
            sum += v;
        }
        0.120
    }

    /// What the first 15 ms hold above the noise.
    fn early(&self) -> f64 {
        self.mean(0.0, 0.015) - self.noise
    }

    /// The first 15 ms over the noise.
    fn early_db(&self) -> f64 {
        db(self.early() / self.noise)
    }

    /// The loudest millisecond over that of the 150 ms before.
    fn over_earlier_db(&self) -> f64 {
        let n = |seconds: f64| self.onset.saturating_sub(self.white.samples(seconds));
        db(self.loudest / self.most(n(0.15), n(0.003)))
    }

    /// The loudest millisecond over that of 60 to 200 ms after.
    fn over_later_db(&self) -> f64 {
        let n = |seconds: f64| self.onset + self.white.samples(seconds);
        db(self.loudest / self.most(n(0.06), n(0.2)))
    }

    /// What is heard between two times after the onset, over the first 15 ms.
    fn course_db(&self, from_s: f64, to_s: f64) -> f64 {
        let early = self.early();
        db((self.mean(from_s, to_s) - self.noise).max(0.02 * early.max(0.0)) / early.max(1e-14)).clamp(-17.0, 10.0)
    }

    /// The kind of sound by the course and the place of its energy.
    fn shape(&self, bandwidth_hz: f64, centre_hz: f64) -> Shape {
        if self.reached_s(0.9) < 0.0015 {
            Shape::Click
        } else if bandwidth_hz < 500.0 || centre_hz < 350.0 {
            Shape::Thud
        } else if self.course_db(0.06, 0.12) > 0.0 || self.reached_s(0.5) > 0.065 {
            Shape::Burst
        } else {
            Shape::Clap
        }
    }
}

fn db(power: f64) -> f64 {
    10.0 * power.max(1e-14).log10()
}

/// Autoregressive coefficients by the autocorrelation method (Levinson-Durbin), with a white-noise
/// correction of -50 dB. `x[t]` is predicted by the sum of `a[i] * x[t - 1 - i]`.
fn autoregression(x: &[f64], order: usize) -> Vec<f64> {
    // The cosine by its recurrence, cos(k + 4) = 2 cos(4) cos(k) - cos(k - 4), which a processor does for four at once.
    let step = 2.0 * std::f64::consts::PI / x.len() as f64;
    let twice = 2.0 * (4.0 * step).cos();
    let (mut before, mut now) = ([-3.5, -2.5, -1.5, -0.5].map(cosine(step)), [0.5, 1.5, 2.5, 3.5].map(cosine(step)));
    let mut tapered = x.to_vec();
    for four in tapered.chunks_mut(4) {
        four.iter_mut().zip(now).for_each(|(v, now)| *v *= 0.5 - 0.5 * now);
        let next: [f64; 4] = std::array::from_fn(|i| twice * now[i] - before[i]);
        (before, now) = (now, next);
    }
    let mut r: Vec<f64> = (0..=order).map(|lag| dot(&tapered[lag..], &tapered)).collect();
    r[0] = r[0] * (1.0 + 1e-5) + 1e-12;
    let mut a = vec![0.0; order];
    let mut error = r[0];
    for i in 0..order {
        let acc = r[i + 1] - (0..i).map(|j| a[j] * r[i - j]).sum::<f64>();
        let k = acc / error;
        let previous = a.clone();
        a[i] = k;
        for j in 0..i {
            a[j] = previous[j] - k * previous[i - 1 - j];
        }
        error *= 1.0 - k * k;
    }
    a
}

fn cosine(step: f64) -> impl Fn(f64) -> f64 {
    move |at| (at * step).cos()
}

/// Sum of products, in four parts that a processor adds at once; as far as the shorter reaches. Not `track`'s: a model
/// of order 20 wants double precision.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (fours, others) = a[..a.len().min(b.len())].as_chunks::<4>();
    let mut sums = [0.0; 4];
    for (x, y) in fours.iter().zip(b.as_chunks::<4>().0) {
        for k in 0..4 {
            sums[k] += x[k] * y[k];
        }
    }
    let done = 4 * fours.len();
    sums.iter().sum::<f64>() + others.iter().zip(&b[done..]).map(|(x, y)| x * y).sum::<f64>()
}

/// What the model `a` of [`autoregression`] does not predict of `x`: of several samples at once, coefficient by coefficient.
fn residual(x: &[f64], a: &[f64]) -> Vec<f64> {
    const AT_ONCE: usize = 8;
    let mut left = x.to_vec();
    // The first samples have too few before them, and the last are too few.
    let one = |t: usize| a.iter().zip(x[..t].iter().rev()).fold(x[t], |left, (a, x)| left - a * x);
    let first = a.len().min(x.len());
    let (blocks, rest) = left[first..].as_chunks_mut::<AT_ONCE>();
    let last = x.len() - rest.len();
    for (block, left) in blocks.iter_mut().enumerate() {
        let at = first + block * AT_ONCE;
        for (i, a) in a.iter().enumerate() {
            let earlier = &x[at - 1 - i..][..AT_ONCE];
            left.iter_mut().zip(earlier).for_each(|(left, x)| *left -= a * x);
        }
    }
    (0..first).chain(last..x.len()).for_each(|t| left[t] = one(t));
    left
}

/// The energy of sound that is whitened by an autoregressive model of its beginning.
struct Whitened {
    /// Running sums of squares, one more than samples.
    sum: Vec<f64>,
    noise_end: usize,
    /// Samples in a second.
    rate: f64,
    /// 0.7 ms, in samples.
    short: usize,
}

impl Whitened {
    /// Whitens by what comes before `noise_end`; where that is too short, not at all.
    fn new(x: &[f64], noise_end: usize, rate: f64) -> Self {
        let coefficients = if noise_end as f64 > 0.04 * rate {
            autoregression(&x[..noise_end], WHITEN_ORDER)
        } else {
            vec![0.0; WHITEN_ORDER]
        };
        let mut sum = vec![0.0; x.len() + 1];
        for (i, v) in residual(x, &coefficients).iter().enumerate() {
            sum[i + 1] = sum[i] + v * v;
        }
        Self { sum, noise_end, rate, short: ((0.0007 * rate).round() as usize).max(3) }
    }

    fn samples(&self, seconds: f64) -> usize {
        (seconds * self.rate).round() as usize
    }

    /// How many there are.
    fn len(&self) -> usize {
        self.sum.len() - 1
    }

    /// Mean energy from `a` to `b`, as far as there is sound; 0 for none.
    fn mean(&self, a: usize, b: usize) -> f64 {
        let (a, b) = (a.min(self.len()), b.min(self.len()));
        if b > a { (self.sum[b] - self.sum[a]) / (b - a) as f64 } else { 0.0 }
    }

    /// Mean energy of the beginning, never 0.
    fn noise(&self) -> f64 {
        self.mean(WHITEN_ORDER.min(self.noise_end), self.noise_end.max(WHITEN_ORDER + 1)).max(1e-12)
    }

    fn loudness(&self, i: usize) -> f64 {
        self.mean(i, i + self.short)
    }

    fn loudest(&self, range: std::ops::Range<usize>) -> f64 {
        range.map(|i| self.loudness(i)).fold(0.0, f64::max)
    }

    /// The onset of the first rise in `range` that is loud enough: mean, standard deviation and gain as [`pick_onset`].
    fn pick(&self, mut range: std::ops::Range<usize>, enough: f64) -> Option<(f64, f64, f64)> {
        let n = |seconds: f64| self.samples(seconds);
        let end = range.end;
        let rise = range.find(|&i| self.loudness(i) >= enough)?;
        // On to the top of that rise.
        let top =
            (rise..(rise + 2 * self.short).min(end)).max_by(|&i, &j| self.loudness(i).total_cmp(&self.loudness(j)))?;
        let window = top.saturating_sub(n(0.012))..(top + self.short + n(0.0006)).min(self.len());
        pick_onset(&self.sum, window, n(0.0005).max(4))
    }
}

/// AIC onset: `sum` are running sums of squares; `window` is searched, leaving `margin` samples on each
/// side. Returns mean and standard deviation of the split under the Akaike weights, in samples.
fn pick_onset(sum: &[f64], window: std::ops::Range<usize>, margin: usize) -> Option<(f64, f64, f64)> {
    let (a, b) = (window.start, window.end);
    if b < a + 2 * margin + 2 {
        return None;
    }
    let splits = a + margin..b - margin;
    let cost: Vec<f64> = splits
        .clone()
        .map(|k| {
            let before = ((sum[k] - sum[a]) / (k - a) as f64).max(1e-16);
            let after = ((sum[b] - sum[k]) / (b - k) as f64).max(1e-16);
            (k - a) as f64 * before.ln() + (b - k) as f64 * after.ln()
        })
        .collect();
    let least = cost.iter().copied().fold(f64::INFINITY, f64::min);
    let (mut weight, mut first, mut second) = (0.0, 0.0, 0.0);
    for (k, c) in splits.zip(&cost) {
        let w = (-0.5 * (c - least)).exp();
        weight += w;
        first += w * k as f64;
        second += w * (k as f64) * (k as f64);
    }
    let mean = first / weight;
    let spread = (second / weight - mean * mean).max(0.0).sqrt();
    let whole = ((sum[b] - sum[a]) / (b - a) as f64).max(1e-16);
    Some((mean, spread.max(0.5), (b - a) as f64 * whole.ln() - least))
}

/// The sound from 4 ms before `time_s` to 12 ms after, at [`WAVEFORM_RATE_HZ`].
fn waveform(x: &[f64], x_start_s: f64, rate: f64, time_s: f64) -> (Vec<f32>, f64) {
    let start_s = time_s - 0.004;
    let count = (0.016 * WAVEFORM_RATE_HZ) as usize;
    let wave = (0..count)
        .map(|i| {
            interpolate(
                x,
                (start_s + i as f64 / WAVEFORM_RATE_HZ - x_start_s) * rate,
                (WAVEFORM_RATE_HZ / rate).min(1.0),
            ) as f32
        })
        .collect();
    (wave, start_s)
}

/// Band-limited interpolation at a fractional sample: a sinc of 8 lobes a side under a raised cosine.
pub(super) fn interpolate(x: &[f64], at: f64, cutoff: f64) -> f64 {
    let half = 8.0 / cutoff;
    let from = (at - half).ceil().max(0.0) as usize;
    let to = ((at + half).floor().max(0.0) as usize + 1).min(x.len());
    (from..to.max(from))
        .map(|i| {
            let d = i as f64 - at;
            x[i] * cutoff * sinc(d * cutoff) * (0.5 + 0.5 * (std::f64::consts::PI * d / half).cos())
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_what_the_model_does_not_predict() {
        let x: Vec<f64> = (0..61).map(|t| f64::from(t * t % 17) - 8.0).collect();
        for (length, order) in [(61, 20), (61, 3), (21, 20), (20, 20), (7, 20), (0, 20)] {
            let (x, a) = (&x[..length], (0..order).map(|i| 0.5 / f64::from(i + 1)).collect::<Vec<f64>>());
            let predicted = |t: usize| (0..a.len().min(t)).map(|i| a[i] * x[t - 1 - i]).sum::<f64>();
            let left = residual(x, &a);
            assert_eq!(left.len(), length);
            assert!((0..length).all(|t| (left[t] - (x[t] - predicted(t))).abs() < 1e-12), "{length}, {order}");
        }
    }
}
