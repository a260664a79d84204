//! Any sound -> an analysis track.

use crate::error::{Error, ErrorKind, Result};

/// Rate of every analysis track, in Hz. Speech keeps what aligns it below 4 kHz.
pub const TRACK_RATE_HZ: f64 = 8000.0;

/// Mono sound at [`TRACK_RATE_HZ`]; sample 0 is the presentation zero of its file.
#[derive(Debug, Clone, Default)]
pub struct Track {
    samples: Vec<f32>,
}

impl Track {
    /// A track from samples that are already mono and at [`TRACK_RATE_HZ`].
    pub fn from_samples(samples: Vec<f32>) -> Self {
        Self { samples }
    }

    /// The samples.
    pub fn samples(&self) -> &[f32] {
        &self.samples
    }

    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / TRACK_RATE_HZ
    }
}

/// Makes a [`Track`] from sound that arrives in blocks, in bounded memory apart from the track itself.
#[derive(Debug)]
pub struct TrackBuilder {
    channels: usize,
    mono: Vec<f32>,
}

impl TrackBuilder {
    /// For interleaved sound at `rate_hz` (1000 to 768000) with `channels` (1 to 64).
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(rate_hz: f64, channels: usize) -> Result<Self> {
        if !(1000.0..=768_000.0).contains(&rate_hz) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("rate_hz is {rate_hz}, not within 1000 to 768000"),
            ));
        }
        if !(1..=64).contains(&channels) {
            return Err(Error::new(ErrorKind::InvalidArgument, format!("channels is {channels}, not within 1 to 64")));
        }
        Ok(Self { channels, mono: Vec::new() })
    }

    /// Takes the next block, interleaved, whole frames. NaN and infinite samples count as silence.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        self.mono.extend(interleaved.chunks_exact(self.channels).map(|f| f.iter().sum::<f32>()));
        Ok(())
    }

    /// The finished track.
    pub fn finish(self) -> Track {
        Track { samples: self.mono }
    }
}
