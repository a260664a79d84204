//! The outline of a sound, to be drawn: its largest sample, step by step.

use coeval::samples::greater;
use coeval::{Error, Result};
use serde::{Deserialize, Serialize};

/// Length of a step, seconds. A screen that shows 20 s has a pixel for each (own choice).
pub const STEP_S: f64 = 0.02;
/// What silence has.
const SILENT: u8 = u8::MAX;

/// The largest sample of each step of [`STEP_S`], all channels together.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Outline {
    /// How far it lies below full scale, whole dB.
    below_db: Vec<u8>,
}

impl Outline {
    /// The largest sample of all steps that a span touches, dB relative to full scale; minus infinity for silence, and where
    /// there is no sound. Times are seconds from the first sample.
    pub fn peak_dbfs(&self, from_s: f64, to_s: f64) -> f64 {
        // A span that ends where a step begins does not touch it, however its time was rounded.
        const ROUNDED: f64 = 1e-6;
        let first = (from_s / STEP_S + ROUNDED).max(0.0) as usize;
        let end = ((to_s / STEP_S - ROUNDED).ceil().max(0.0) as usize).max(first + 1).min(self.below_db.len());
        match self.below_db.get(first.min(end)..end).and_then(|steps| steps.iter().min()) {
            Some(&below) if below != SILENT => -f64::from(below),
            _ => f64::NEG_INFINITY,
        }
    }

    /// Length, seconds, in whole steps.
    pub fn duration_s(&self) -> f64 {
        self.below_db.len() as f64 * STEP_S
    }
}

/// Makes an [`Outline`] from blocks of sound.
#[derive(Debug)]
pub struct OutlineBuilder {
    channels: usize,
    step: f64,
    frames: u64,
    peak: f32,
    outline: Outline,
}

impl OutlineBuilder {
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for no channels, and for a rate at which a step has no frame.
    pub fn new(rate_hz: f64, channels: usize) -> Result<Self> {
        let step = rate_hz * STEP_S;
        if channels == 0 || !step.is_finite() || step < 1.0 {
            return Err(Error::invalid(format!("{channels} channels at {rate_hz} Hz have no outline")));
        }
        Ok(Self { channels, step, frames: 0, peak: 0.0, outline: Outline::default() })
    }

    /// Takes the next frames, interleaved. What is no number counts as silence.
    pub fn push(&mut self, interleaved: &[f32]) {
        let mut rest = interleaved;
        while !rest.is_empty() {
            let end = ((self.outline.below_db.len() + 1) as f64 * self.step).ceil() as u64;
            let frames = (rest.len() / self.channels).min((end - self.frames) as usize);
            let (part, later) = rest.split_at((frames * self.channels).clamp(1, rest.len()));
            self.peak = largest(self.peak, part);
            self.frames += frames as u64;
            rest = later;
            if self.frames == end {
                self.close();
            }
        }
    }

    /// The outline of all that was taken.
    pub fn finish(mut self) -> Outline {
        if self.frames as f64 > self.outline.below_db.len() as f64 * self.step {
            self.close();
        }
        self.outline
    }

    fn close(&mut self) {
        // A cast from float saturates: silence lies infinitely far below.
        self.outline.below_db.push((-20.0 * self.peak.log10()).round().max(0.0) as u8);
        self.peak = 0.0;
    }
}

/// The largest magnitude of some samples, in parts that the processor compares at once.
fn largest(so_far: f32, samples: &[f32]) -> f32 {
    let (eights, rest) = samples.as_chunks::<8>();
    let mut lanes = [0.0f32; 8];
    let finite = |x: f32| if x.is_finite() { x.abs() } else { 0.0 };
    for x in eights {
        lanes.iter_mut().zip(x).for_each(|(m, x)| *m = greater(finite(*x), *m));
    }
    rest.iter().map(|x| finite(*x)).chain(lanes).fold(so_far, greater)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A click of known size in each of some steps, the rest silent; blocks end anywhere.
    #[test]
    fn a_click_is_in_its_own_step() {
        for (rate_hz, channels, block) in [(8000.0, 1, 1), (44_100.0, 2, 777), (11_025.0, 3, 100_000)] {
            let frames = (rate_hz * 2.0) as usize;
            let mut sound = vec![0.0f32; frames * channels];
            // On whole frames.
            let clicks = [(0.0, 1.0), (0.5, 0.1), (1.2345, 0.5), (1.99, 0.01)]
                .map(|(about_s, size): (f64, f32)| ((about_s * rate_hz).floor() / rate_hz, size));
            for (at_s, size) in clicks {
                sound[(at_s * rate_hz).round() as usize * channels + channels - 1] = -size;
            }
            sound[channels * 100] = f32::NAN;
            let mut builder = OutlineBuilder::new(rate_hz, channels).unwrap();
            sound.chunks(block * channels).for_each(|part| builder.push(part));
            let outline = builder.finish();
            assert!((outline.duration_s() - 2.0).abs() < STEP_S, "{}", outline.duration_s());
            for (at_s, size) in clicks {
                let peak = outline.peak_dbfs(at_s, at_s + 1.0 / rate_hz);
                assert!((peak - 20.0 * f64::from(size).log10()).abs() <= 0.5, "{at_s} s: {peak} dBFS");
                assert_eq!(outline.peak_dbfs(at_s + 2.0 * STEP_S, at_s + 3.0 * STEP_S), f64::NEG_INFINITY);
            }
            assert_eq!(outline.peak_dbfs(0.3, 1.5), -6.0);
            assert_eq!(outline.peak_dbfs(5.0, 6.0), f64::NEG_INFINITY);
        }
        assert!(OutlineBuilder::new(10.0, 1).is_err() && OutlineBuilder::new(48_000.0, 0).is_err());
    }
}
