//! Blocks of sound from C.

use coeval::Result;

use crate::handle::{invalid, slice};

/// Frames that are interleaved at a time.
pub(crate) const PIECE: usize = 4096;
/// Whatever takes sound takes no more channels.
const MOST_CHANNELS: usize = 64;

/// Something that takes blocks of interleaved sound, and what it takes to feed it planar ones.
pub(crate) struct Fed<T> {
    pub(crate) sink: T,
    channels: usize,
    scratch: Vec<f32>,
}

impl<T> Fed<T> {
    pub(crate) fn new(sink: T, channels: usize) -> Self {
        Self { sink, channels, scratch: Vec::with_capacity(PIECE * channels) }
    }

    pub(crate) fn channels(&self) -> usize {
        self.channels
    }

    /// Feeds `frames` frames of interleaved sound.
    ///
    /// # Safety
    /// `samples` is NULL or points to `frames` times channels samples.
    pub(crate) unsafe fn interleaved(
        &mut self,
        samples: *const f32,
        frames: usize,
        push: impl FnOnce(&mut T, &[f32]) -> Result<()>,
    ) -> Result<()> {
        let count =
            frames.checked_mul(self.channels).ok_or_else(|| invalid(format!("{frames} frames in one block")))?;
        // SAFETY: the caller's promise is the same.
        push(&mut self.sink, unsafe { slice(samples, count, "the block of samples") }?)
    }

    /// Feeds `frames` frames of planar sound, but for the first `skip`.
    ///
    /// # Safety
    /// `planes` is NULL or points to as many pointers as there are channels, each NULL or to `frames` samples.
    pub(crate) unsafe fn planar(
        &mut self,
        planes: *const *const f32,
        frames: usize,
        skip: usize,
        mut push: impl FnMut(&mut T, &[f32]) -> Result<()>,
    ) -> Result<()> {
        if frames == 0 {
            return Ok(());
        }
        let mut all = [&[][..]; MOST_CHANNELS];
        let sound = &mut all[..self.channels];
        // SAFETY: the caller vouches for the pointers and for what they point to.
        for (sound, &plane) in sound.iter_mut().zip(unsafe { slice(planes, self.channels, "the list of channels") }?) {
            // SAFETY: as above.
            *sound = unsafe { slice(plane, frames, "a channel's block of samples") }?;
        }
        for from in (skip..frames).step_by(PIECE) {
            let to = frames.min(from + PIECE);
            self.scratch.clear();
            self.scratch.resize((to - from) * self.channels, 0.0);
            for (c, plane) in sound.iter().enumerate() {
                for (frame, sample) in self.scratch.chunks_exact_mut(self.channels).zip(&plane[from..to]) {
                    frame[c] = *sample;
                }
            }
            push(&mut self.sink, &self.scratch)?;
        }
        Ok(())
    }
}
