//! A track's lower voice band as its complex envelope: what a search over hours can afford.
//!
//! Two clocks that run apart by `d` turn a common sound of frequency `f` by `f d T` cycles within `T` seconds. Above
//! 1.2 kHz a block of four seconds therefore says nothing of a common sound at 150 ppm, and reading it at the full
//! rate costs eight times as much. The envelope's correlation has no carrier: its peak is a millisecond wide, and no
//! lag falls between two samples.

use std::sync::LazyLock;

use coeval_transform::Complex32;

use super::{TRACK_RATE_HZ, Track};
use crate::error::Result;
use crate::filter::{kaiser, sinc};
use crate::store::{SampleWriter, Samples};

/// Rate of the envelope, Hz, complex.
pub(crate) const BAND_RATE_HZ: f64 = 1000.0;
/// Middle of the band, Hz: it reaches from 250 to 1250 Hz. Three quarters of the rate, so that the carrier turns by
/// three quarters of a cycle from one sample to the next.
pub(crate) const CENTRE_HZ: f64 = 750.0;
/// Track samples for each sample of the envelope.
const STEP: usize = 8;
/// Filter length, track samples, and Kaiser's shape parameter for 50 dB (Kaiser 1974).
const TAPS: usize = 64;
const BETA: f64 = 4.55;
/// A levelled track has unit spread; its envelope is stored in steps of 1/1024.
const STEPS: f32 = 1024.0;

/// The envelope of a whole track; sample `n` is at `n` / [`BAND_RATE_HZ`] seconds.
#[derive(Debug, Clone, Default)]
pub(crate) struct Band(Samples);

static FILTER: LazyLock<[Complex32; TAPS]> = LazyLock::new(|| {
    std::array::from_fn(|k| {
        let x = k as f64 - TAPS as f64 / 2.0;
        let low_pass = sinc(x / STEP as f64) * kaiser(x / (TAPS as f64 / 2.0), BETA) / STEP as f64;
        let turn = -std::f64::consts::TAU * CENTRE_HZ / TRACK_RATE_HZ * (k as f64 - TAPS as f64 / 2.0);
        Complex32::new((low_pass * turn.cos()) as f32, (low_pass * turn.sin()) as f32)
    })
});

impl Band {
    /// Filters a track; where the track's samples spill, so do these.
    pub(crate) fn of(track: &Track, mut out: SampleWriter) -> Self {
        const PIECE: usize = 4096;
        let len = track.len() / STEP;
        let mut buffer = vec![0.0f32; PIECE * STEP + TAPS];
        let mut kept: Result<()> = Ok(());
        for first in (0..len).step_by(PIECE) {
            let count = PIECE.min(len - first);
            track.read((first * STEP) as i64 - TAPS as i64 / 2, &mut buffer);
            let value = |i: usize| {
                let sum = FILTER.iter().zip(&buffer[i * STEP..]).fold(Complex32::default(), |s, (h, x)| s + h * x);
                // The carrier has turned by so many quarters backwards, which is one forwards for each sample.
                match (first + i) % 4 {
                    0 => sum,
                    1 => Complex32::new(-sum.im, sum.re),
                    2 => -sum,
                    _ => Complex32::new(sum.im, -sum.re),
                }
            };
            out.extend((0..count).flat_map(|i| {
                let v = value(i) * STEPS;
                [v.re.round() as i16, v.im.round() as i16]
            }));
            kept = kept.and_then(|()| out.flush());
        }
        let samples = out.finish(2 * len);
        if let Err(e) = kept {
            samples.failed(e);
        }
        Self(samples)
    }

    /// Number of complex samples.
    pub(crate) fn len(&self) -> usize {
        self.0.len() / 2
    }

    /// Samples from `start` on; what lies outside is 0. `scratch` is used up.
    pub(crate) fn read(&self, start: i64, scratch: &mut Vec<f32>, out: &mut [Complex32]) {
        scratch.resize(2 * out.len(), 0.0);
        self.0.read(2 * start, 1.0 / STEPS, scratch);
        for (o, s) in out.iter_mut().zip(scratch.as_chunks::<2>().0) {
            *o = Complex32::new(s[0], s[1]);
        }
    }

    /// See [`Track::check`].
    pub(crate) fn check(&self) -> Result<()> {
        self.0.check()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_becomes_its_distance_from_the_middle_and_stays_where_it_was() {
        // 870 Hz turn 120 times a second against the middle.
        let samples: Vec<f32> =
            (0..16_000).map(|i| (std::f64::consts::TAU * 870.0 / 8000.0 * f64::from(i)).cos() as f32).collect();
        let band = Band::of(&Track::raw(&samples), SampleWriter::default());
        assert_eq!(band.len(), 2000);
        let mut out = vec![Complex32::default(); 4];
        band.read(1000, &mut Vec::new(), &mut out);
        for (n, v) in out.iter().enumerate() {
            let turn = std::f64::consts::TAU * 0.12 * (1000 + n) as f64;
            let want = Complex32::new(turn.cos() as f32, turn.sin() as f32) * 0.5;
            // Half a track sample off at this frequency would be 0.17.
            assert!((v - want).norm() < 0.03, "{n}: {v} {want}");
        }
        // Out of the band: 25 dB down at least.
        let low: Vec<f32> = (0..16_000).map(|i| (std::f64::consts::TAU * 0.005 * f64::from(i)).cos() as f32).collect();
        Band::of(&Track::raw(&low), SampleWriter::default()).read(1000, &mut Vec::new(), &mut out);
        assert!(out.iter().all(|v| v.norm() < 0.03), "{out:?}");
    }
}
