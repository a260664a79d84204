//! Peaks kept under a limit.

use coeval::Result;
use coeval_listen::limit::Limiter;

use crate::handle::{self, handle, invalid, place, slice};
use crate::panics::answer;
use crate::sound::{Fed, PIECE};
use crate::status::{coeval_error, coeval_status, guard};

/// Keeps true peaks under a limit, in blocks of any size. It turns all channels down alike just before a peak, and
/// slowly up again after it. Push sound, and pull what is ready. As many frames come out as went in. One thread at a
/// time.
pub struct coeval_limiter {
    _opaque: [u8; 0],
}

handle!(coeval_limiter, Fed<Limited>, b"cv limit");

/// A limiter and what has come out of it.
pub(crate) struct Limited {
    /// `None` once the sound has ended.
    limiter: Option<Limiter>,
    ready: Vec<f32>,
    /// Frames by which it comes out late.
    latency: usize,
    /// Samples of `ready` that have been handed out.
    used: usize,
}

impl Limited {
    fn push(&mut self, block: &[f32]) -> Result<()> {
        let limiter = self.limiter.as_mut().ok_or_else(|| invalid("the sound has ended for this limiter"))?;
        self.ready.drain(..std::mem::take(&mut self.used));
        limiter.push(block, &mut self.ready)
    }

    /// The next samples, no more than `most`.
    fn pull(&mut self, most: usize) -> &[f32] {
        let from = self.used;
        self.used = self.ready.len().min(from.saturating_add(most));
        &self.ready[from..self.used]
    }
}

/// A limiter for sound at `rate_hz` (8000 to 768000) with `channels` (1 to 64), written to `*out`. No true peak shall be
/// above `limit_dbtp` (-60 to 0 dB relative to full scale).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_new(
    rate_hz: f64,
    channels: usize,
    limit_dbtp: f64,
    out: *mut *mut coeval_limiter,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let limiter = Limiter::new(rate_hz, channels, limit_dbtp)?;
                let (latency, limiter) = (limiter.latency(), Some(limiter));
                Ok(Fed::new(
                    Limited { limiter, ready: Vec::with_capacity(2 * PIECE * channels), latency, used: 0 },
                    channels,
                ))
            })
        })
    }
}

/// Takes the next `frames` frames, interleaved. NaN and infinite samples count as silence.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_push_interleaved(
    limiter: *mut coeval_limiter,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(limiter)?.interleaved(samples, frames, Limited::push)) }
}

/// As `coeval_limiter_push_interleaved`, with one pointer for each channel.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_push_planar(
    limiter: *mut coeval_limiter,
    channels: *const *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(limiter)?.planar(channels, frames, 0, Limited::push)) }
}

/// Ends the sound: the rest becomes ready. The limiter takes no more sound.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_end(limiter: *mut coeval_limiter, error: *mut coeval_error) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let limited = &mut handle::get_mut(limiter)?.sink;
            if let Some(limiter) = limited.limiter.take() {
                limiter.finish(&mut limited.ready);
            }
            Ok(())
        })
    }
}

/// Writes up to `capacity` frames that are ready, interleaved, to `samples`, and their number to `*frames`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_pull_interleaved(
    limiter: *mut coeval_limiter,
    samples: *mut f32,
    capacity: usize,
    frames: *mut usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(limiter)?;
            let channels = fed.channels();
            let frames = place(frames, "the place for the number of frames")?;
            if capacity > 0 {
                place(samples, "the place for the samples")?;
            }
            let block = fed.sink.pull(capacity.saturating_mul(channels));
            if !block.is_empty() {
                std::ptr::copy_nonoverlapping(block.as_ptr(), samples, block.len());
            }
            frames.write(block.len() / channels);
            Ok(())
        })
    }
}

/// As `coeval_limiter_pull_interleaved`, with one pointer for each channel, each with room for `capacity` samples.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_pull_planar(
    limiter: *mut coeval_limiter,
    channels: *const *mut f32,
    capacity: usize,
    frames: *mut usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(limiter)?;
            let count = fed.channels();
            let frames = place(frames, "the place for the number of frames")?;
            let planes = slice(channels, count, "the list of channels")?;
            if capacity > 0 {
                planes.iter().try_for_each(|&p| place(p, "a channel's place for samples").map(drop))?;
            }
            let block = fed.sink.pull(capacity.saturating_mul(count));
            for (c, &plane) in planes.iter().enumerate() {
                for (i, sample) in block.iter().skip(c).step_by(count).enumerate() {
                    plane.add(i).write(*sample);
                }
            }
            frames.write(block.len() / count);
            Ok(())
        })
    }
}

/// Delay of the output in frames; 0 if `limiter` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_latency_frames(limiter: *const coeval_limiter) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(limiter) }?.sink.latency))
}

/// Frees the limiter and sets `*limiter` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_limiter_free(limiter: *mut *mut coeval_limiter) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(limiter) }
}
