//! Sound as a host decodes it -> analysis tracks.

use coeval::track::{Track, TrackBuilder};

use crate::handle::{self, copy_out, handle, slice};
use crate::panics::answer;
use crate::sound::Fed;
use crate::status::{coeval_error, coeval_status, guard};

/// One file's sound, ready to be compared. Never changes: any number of threads may use one.
pub struct coeval_track {
    _opaque: [u8; 0],
}

handle!(coeval_track, Track, b"cv track");

/// Makes a `coeval_track` from blocks of sound. One thread at a time.
pub struct coeval_track_builder {
    _opaque: [u8; 0],
}

handle!(coeval_track_builder, Fed<TrackBuilder>, b"cv build");

/// A builder for sound at `rate_hz` (1000 to 768000, need not be whole) with `channels` (1 to 64), written to `*out`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_builder_new(
    rate_hz: f64,
    channels: usize,
    out: *mut *mut coeval_track_builder,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Ok(Fed::new(TrackBuilder::new(rate_hz, channels)?, channels)))) }
}

/// Takes the next `frames` frames, interleaved. The very first frame must be the first that a player presents. NaN and
/// infinite samples count as silence.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_builder_push_interleaved(
    builder: *mut coeval_track_builder,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(builder)?.interleaved(samples, frames, |sink, block| sink.push(block))) }
}

/// As `coeval_track_builder_push_interleaved`, with one pointer for each channel.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_builder_push_planar(
    builder: *mut coeval_track_builder,
    channels: *const *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(builder)?.planar(channels, frames, 0, |sink, block| sink.push(block))) }
}

/// Writes the finished track to `*out`. The builder is used up: `*builder` becomes NULL.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_builder_finish(
    builder: *mut *mut coeval_track_builder,
    out: *mut *mut coeval_track,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Ok(handle::take(builder)?.sink.finish()))) }
}

/// Frees the builder and sets `*builder` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_builder_free(builder: *mut *mut coeval_track_builder) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(builder) }
}

/// Length of the sound, seconds; NaN if `track` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_duration_s(track: *const coeval_track) -> f64 {
    // SAFETY: the caller keeps the header's rules.
    answer(f64::NAN, || Ok(unsafe { handle::get(track) }?.duration_s()))
}

/// 1 if the sound is one constant value throughout (digital silence) or `track` is invalid, else 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_is_silent(track: *const coeval_track) -> i32 {
    // SAFETY: the caller keeps the header's rules.
    answer(1, || Ok(i32::from(unsafe { handle::get(track) }?.is_silent())))
}

/// Copies the first `capacity` bytes of the track to `out`, for storing or sending, and returns how many there are. 0 if
/// `track` is invalid or cannot be read from its temporary file.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_to_bytes(track: *const coeval_track, out: *mut u8, capacity: usize) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let track = handle::get(track)?;
        if out.is_null() {
            return Ok(track.byte_count());
        }
        Ok(copy_out(track.to_bytes()?.into_iter(), out, capacity))
    })
}

/// Reads again, to `*out`, what `coeval_track_to_bytes` wrote, by this version or an earlier one: the track gives the same
/// results to the last bit.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_from_bytes(
    bytes: *const u8,
    count: usize,
    out: *mut *mut coeval_track,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Track::from_bytes(slice(bytes, count, "the list of bytes")?))) }
}

/// Frees the track and sets `*track` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_track_free(track: *mut *mut coeval_track) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(track) }
}
