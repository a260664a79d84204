//! True peak (ITU-R BS.1770, annex 2), computed only where it can decide.
//!
//! What lies between samples is a weighted sum of the samples around: it cannot exceed the largest of them by more than the
//! sum of the weights' magnitudes. Where even that stays below a peak that was found already, nothing is computed. What is
//! found is the same to the last bit.

use coeval::samples::{self, greater};
use coeval::{Error, ErrorKind, Result};
use ebur128::{EbuR128, Mode};

/// The largest sum of magnitudes of the interpolating filter's weights, rounded up: 1.864 where it oversamples four times,
/// 2.307 where twice. It is a sinc of 48 taps under a Hann window.
const LARGEST_SUM: f32 = 2.31;
/// Frames that are held against the bound at once.
const BLOCK: usize = 128;
/// Frames before its own that the filter sees at most.
const BEFORE: usize = 24;

pub(crate) struct TruePeak {
    meter: EbuR128,
    channels: usize,
    /// Of each channel, the largest magnitude so far, of samples and between them.
    peaks: Vec<f32>,
    /// The same of a block.
    here: Vec<f32>,
    /// The last frames, interleaved, and whether the meter has seen them.
    before: Vec<f32>,
    seen: bool,
}

impl TruePeak {
    pub(crate) fn new(rate_hz: u32, channels: usize) -> Result<Self> {
        Ok(Self {
            meter: EbuR128::new(channels as u32, rate_hz, Mode::TRUE_PEAK).map_err(internal)?,
            channels,
            peaks: vec![0.0; channels],
            here: vec![0.0; channels],
            before: vec![0.0; BEFORE * channels],
            seen: true,
        })
    }

    /// Takes the next frames, interleaved; samples are finite.
    pub(crate) fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        for block in interleaved.chunks(BLOCK * self.channels) {
            self.here.fill(0.0);
            largest(block, &mut self.here);
            self.peaks.iter_mut().zip(&self.here).for_each(|(peak, here)| *peak = peak.max(*here));
            largest(&self.before, &mut self.here);
            let can_decide = self.peaks.iter().zip(&self.here).any(|(peak, here)| here * LARGEST_SUM > *peak);
            if can_decide {
                if !self.seen {
                    // What it makes of the place where these follow on something else is not looked at.
                    self.meter.add_frames_f32(&self.before).map_err(internal)?;
                }
                self.meter.add_frames_f32(block).map_err(internal)?;
                for (c, peak) in self.peaks.iter_mut().enumerate() {
                    *peak = peak.max(self.meter.prev_true_peak(c as u32).map_err(internal)? as f32);
                }
            }
            self.seen = can_decide;
            let keep = self.before.len().saturating_sub(block.len());
            self.before.drain(..self.before.len() - keep);
            self.before.extend_from_slice(&block[block.len().saturating_sub(BEFORE * self.channels)..]);
        }
        Ok(())
    }

    /// The peak of each channel; full scale is 1.
    pub(crate) fn finish(mut self) -> Result<Vec<f32>> {
        // The filter looks ahead: it must see past the end.
        self.push(&vec![0.0; BEFORE * self.channels])?;
        Ok(self.peaks)
    }
}

pub(crate) fn internal(e: ebur128::Error) -> Error {
    Error::new(ErrorKind::Internal, format!("the loudness meter refused its input: {e:?}"))
}

fn greatest<const N: usize>(so_far: f32, peaks: [f32; N]) -> f32 {
    peaks.into_iter().fold(so_far, greater)
}

/// Adds to each channel's largest magnitude what a block holds.
fn largest(interleaved: &[f32], peaks: &mut [f32]) {
    match peaks {
        [peak] => *peak = greatest(*peak, samples::peaks::<8>(interleaved)),
        [left, right] => {
            let [a, b, c, d, e, f, g, h] = samples::peaks::<8>(interleaved);
            (*left, *right) = (greatest(*left, [a, c, e, g]), greatest(*right, [b, d, f, h]));
        }
        peaks => {
            for frame in interleaved.chunks_exact(peaks.len()) {
                peaks.iter_mut().zip(frame).for_each(|(peak, x)| *peak = greater(x.abs(), *peak));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every frame goes through the filter.
    fn exhaustive(sound: &[f32], rate_hz: u32, channels: usize) -> Vec<f32> {
        let mut meter = EbuR128::new(channels as u32, rate_hz, Mode::TRUE_PEAK).unwrap();
        meter.add_frames_f32(sound).unwrap();
        meter.add_frames_f32(&vec![0.0; 32 * channels]).unwrap();
        (0..channels as u32).map(|c| meter.true_peak(c).unwrap() as f32).collect()
    }

    /// Bursts of noise, from -60 dB to full scale, with single samples and steps that overshoot most.
    fn bursts(frames: usize, channels: usize, mut seed: u32) -> Vec<f32> {
        let mut next = || {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) as f32 / (1u32 << 23) as f32 - 1.0
        };
        let mut gain = 0.0;
        (0..frames * channels)
            .map(|i| {
                if i % 700 == 0 {
                    gain = 10f32.powf(-1.5 * (next() + 1.0));
                }
                let x = gain * next();
                if i % 5 == 0 { gain.copysign(x) } else { x }
            })
            .collect()
    }

    #[test]
    fn is_what_the_whole_computation_finds_to_the_last_bit() {
        for (rate_hz, channels) in [(8000, 1), (48_000, 1), (48_000, 2), (44_100, 3), (96_000, 2), (192_000, 1)] {
            for seed in 0..8 {
                let sound = bursts(30_000, channels, seed);
                for block in [sound.len(), 700, 7 * channels] {
                    let mut peak = TruePeak::new(rate_hz, channels).unwrap();
                    sound.chunks(block / channels * channels).for_each(|part| peak.push(part).unwrap());
                    let found = peak.finish().unwrap();
                    assert_eq!(found, exhaustive(&sound, rate_hz, channels), "{rate_hz} Hz, seed {seed}, {block}");
                }
            }
        }
    }

    #[test]
    fn nothing_between_samples_exceeds_the_bound() {
        // The signs of the weights themselves are the worst case; they alternate but around the middle.
        for (rate_hz, sum) in [(48_000, 1.8641), (96_000, 2.3068)] {
            let worst: Vec<f32> =
                (-24i32..24).map(|n| if (n + i32::from(n >= 0)).rem_euclid(2) == 0 { 1.0 } else { -1.0 }).collect();
            let peak = exhaustive(&worst, rate_hz, 1)[0];
            assert!((f64::from(peak) - sum).abs() < 1e-4 && peak < LARGEST_SUM, "{rate_hz} Hz: {peak}");
        }
    }

    #[test]
    fn most_of_speech_is_passed_over() {
        // A loud moment, then sound 6 dB below it and less.
        let mut peak = TruePeak::new(48_000, 1).unwrap();
        peak.push(&[0.0, 1.0, -1.0, 0.0]).unwrap();
        for part in bursts(48_000, 1, 1).chunks(480) {
            peak.push(&part.iter().map(|x| 0.4 * x).collect::<Vec<_>>()).unwrap();
            assert!(!peak.seen);
        }
    }
}
