//! Sound on another clock.

use coeval::Result;
use coeval::resample::{ResampleOptions, Resampler, Route};

use crate::clock::coeval_clock_map;
use crate::handle::{self, handle, invalid, place, slice};
use crate::panics::answer;
use crate::sound::{Fed, PIECE};
use crate::status::{coeval_error, coeval_status, guard};

/// Options of a resampler. One thread at a time.
pub struct coeval_resample_options {
    _opaque: [u8; 0],
}

handle!(coeval_resample_options, ResampleOptions, b"cv resao");

/// Output length that is not known yet: the output ends where the source ends.
pub const COEVAL_OPEN_END: u64 = 0xFFFF_FFFF_FFFF_FFFF;
const _: () = assert!(COEVAL_OPEN_END == coeval::resample::OPEN_END);

/// Options for `frames` frames of output at `target_rate_hz` from a source at `source_rate_hz`. `COEVAL_OPEN_END` frames:
/// as many as the source has. Rates are 1000 to 768000, `channels` 1 to 64; they are checked by `coeval_resampler_new`.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_resample_options_new(
    source_rate_hz: f64,
    target_rate_hz: f64,
    channels: usize,
    frames: u64,
) -> *mut coeval_resample_options {
    answer(std::ptr::null_mut(), || {
        Ok(handle::new(ResampleOptions::new(source_rate_hz, target_rate_hz, channels, frames)))
    })
}

/// Frees the options and sets `*options` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resample_options_free(options: *mut *mut coeval_resample_options) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(options) }
}

/// Output time of output frame 0, seconds, within a year of zero. Default 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resample_options_set_start_s(
    options: *mut coeval_resample_options,
    start_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            if !start_s.is_finite() {
                return Err(invalid(format!("start_s is {start_s}")));
            }
            handle::get_mut(options)?.start_s = start_s;
            Ok(())
        })
    }
}

/// Length of the source in frames, if known. The resampler then wants no sound after its end.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resample_options_set_source_frames(
    options: *mut coeval_resample_options,
    source_frames: u64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.source_frames = Some(source_frames);
            Ok(())
        })
    }
}

/// Length of the fades at a jump, seconds, 0 to 1. Default 0.005.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resample_options_set_fade_s(
    options: *mut coeval_resample_options,
    fade_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            if !(0.0..=1.0).contains(&fade_s) {
                return Err(invalid(format!("fade_s is {fade_s}, not within 0 to 1")));
            }
            handle::get_mut(options)?.fade_s = fade_s;
            Ok(())
        })
    }
}

/// Resamples sound along clock maps, in blocks of any size and bounded memory. One thread at a time.
///
/// Push while it wants sound, and pull while it has output:
///
///     coeval_status status = COEVAL_OK;
///     do {
///         while (status == COEVAL_OK && coeval_resampler_wants(r, &frame)) {
///             // read up to `count` frames of the source, starting at that frame
///             if (count == 0) status = coeval_resampler_end_of_source(r, error);
///             else status = coeval_resampler_push_interleaved(r, block, count, error);
///         }
///         if (status == COEVAL_OK)
///             status = coeval_resampler_pull_interleaved(r, out, capacity, NULL, &frames, error);
///     } while (status == COEVAL_OK && frames > 0);
///
/// If your host delivers sound at its own pace, push it with its place in the source:
/// `coeval_resampler_push_at_interleaved`. Blocks of up to 4096 frames are pushed and pulled without an allocation.
pub struct coeval_resampler {
    _opaque: [u8; 0],
}

handle!(coeval_resampler, Fed<Pulled>, b"cv resam");

impl Fed<Pulled> {
    /// Refuses sound that nobody can say the place of.
    fn wanting(&mut self, frames: usize) -> Result<&mut Self> {
        if frames > 0 && self.sink.resampler.next_frame().is_none() {
            return Err(invalid("nothing is wanted now")
                .with_remedy("pull output first, then push the frames that coeval_resampler_wants names"));
        }
        Ok(self)
    }

    /// How many of `frames` frames, whose first is source frame `frame`, lie before what is wanted. `None`: all of them,
    /// or nothing more is wanted.
    fn before(&self, frame: u64, frames: usize) -> Result<Option<usize>> {
        let resampler = &self.sink.resampler;
        let Some(wanted) = resampler.next_frame() else {
            return if resampler.available() > 0 {
                Err(invalid("nothing is wanted now").with_remedy("pull output first"))
            } else {
                Ok(None)
            };
        };
        let skip = wanted.checked_sub(frame).ok_or_else(|| {
            invalid(format!("the block begins at source frame {frame}, after frame {wanted}, which is wanted next"))
        })?;
        Ok(usize::try_from(skip).ok().filter(|&skip| skip < frames))
    }
}

/// A resampler and the rest of the last block that it gave.
pub(crate) struct Pulled {
    resampler: Resampler,
    block: Vec<f32>,
    /// Frames of the block that have been handed out.
    used: usize,
    /// Frames of the block.
    frames: usize,
}

/// A resampler, written to `*out`. `source` maps the source's time to the timeline. With `clip`, the map of another
/// file, the output lies under that clip: output time is the clip's own time. With NULL the output lies on the
/// timeline. Maps and options may be freed afterwards.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_new(
    source: *const coeval_clock_map,
    clip: *const coeval_clock_map,
    options: *const coeval_resample_options,
    out: *mut *mut coeval_resampler,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let source = handle::get(source)?;
                let route = match handle::optional(clip)? {
                    Some(clip) => Route::under_clip(source, clip),
                    None => Route::onto_timeline(source),
                };
                let options = handle::get(options)?;
                let resampler = Resampler::new(&route, options)?;
                Ok(Fed::new(
                    Pulled { resampler, block: Vec::with_capacity(PIECE * options.channels), used: 0, frames: 0 },
                    options.channels,
                ))
            })
        })
    }
}

/// Returns 1 and writes the source frame to push next to `*frame`. Returns 0 when nothing is wanted now: then pull. The
/// frame is mostly the one after the last that was pushed. After a jump it may be further on: the sound in between is not
/// needed. If a clip repeats time, it may be further back: read the source from there again.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_wants(resampler: *const coeval_resampler, frame: *mut u64) -> i32 {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let frame = place(frame, "the place for the frame")?;
        let Some(wanted) = handle::get(resampler)?.sink.resampler.next_frame() else { return Ok(0) };
        frame.write(wanted);
        Ok(1)
    })
}

/// Takes the next source frames, interleaved. The first must be the frame that `coeval_resampler_wants` names. NaN and
/// infinite samples count as silence. Fails when nothing is wanted.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_push_interleaved(
    resampler: *mut coeval_resampler,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(resampler)?.wanting(frames)?;
            fed.interleaved(samples, frames, |sink, block| sink.resampler.push(block))
        })
    }
}

/// As `coeval_resampler_push_interleaved`, with one pointer for each channel.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_push_planar(
    resampler: *mut coeval_resampler,
    channels: *const *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(resampler)?.wanting(frames)?;
            fed.planar(channels, frames, 0, |sink, block| sink.resampler.push(block))
        })
    }
}

/// Takes source frames, interleaved; the first is source frame `frame`. Frames before the one that
/// `coeval_resampler_wants` names are skipped. Fails if the block begins after that frame, and if output must be pulled
/// first. When all output has been made, the block is ignored. For a host that delivers sound at its own pace:
///
///     status = coeval_resampler_push_at_interleaved(r, at, block, count, error);
///     at += count;
///     do {
///         if (status == COEVAL_OK)
///             status = coeval_resampler_pull_interleaved(r, out, capacity, NULL, &frames, error);
///     } while (status == COEVAL_OK && frames > 0);
///
/// If there is a jump within a block, the same block is wanted again, from a later frame on. So ask
/// `coeval_resampler_wants` after pulling, and push the block again as long as the wanted frame lies in it.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_push_at_interleaved(
    resampler: *mut coeval_resampler,
    frame: u64,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(resampler)?;
            let (skip, channels) = (fed.before(frame, frames)?, fed.channels());
            fed.interleaved(samples, frames, |sink, block| {
                skip.map_or(Ok(()), |skip| sink.resampler.push(&block[skip * channels..]))
            })
        })
    }
}

/// As `coeval_resampler_push_at_interleaved`, with one pointer for each channel.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_push_at_planar(
    resampler: *mut coeval_resampler,
    frame: u64,
    channels: *const *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(resampler)?;
            let skip = fed.before(frame, frames)?.unwrap_or(frames);
            fed.planar(channels, frames, skip, |sink, block| sink.resampler.push(block))
        })
    }
}

/// Begins again at another moment, such as after a seek: output frame 0 is then at output time `start_s`. Maps, length
/// and a known end of the source stay the same. This takes microseconds; a new resampler takes milliseconds.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_reset(
    resampler: *mut coeval_resampler,
    start_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let pulled = &mut handle::get_mut(resampler)?.sink;
            pulled.resampler.reset(start_s)?;
            (pulled.used, pulled.frames) = (0, 0);
            Ok(())
        })
    }
}

/// Number of frames that can be pulled, at least, before more source is wanted; 0 if `resampler` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_available(resampler: *const coeval_resampler) -> u64 {
    answer(0, || {
        // SAFETY: the caller keeps the header's rules.
        let pulled = &unsafe { handle::get(resampler) }?.sink;
        Ok((pulled.frames - pulled.used) as u64 + pulled.resampler.available())
    })
}

/// 1 when all frames have been pulled or `resampler` is invalid, else 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_done(resampler: *const coeval_resampler) -> i32 {
    answer(1, || {
        // SAFETY: the caller keeps the header's rules.
        let pulled = &unsafe { handle::get(resampler) }?.sink;
        Ok(i32::from(pulled.used == pulled.frames && pulled.resampler.is_done()))
    })
}

/// Number of source frames after its own position that an output frame needs before it can be pulled; 0 if `resampler` is
/// invalid. This does not delay the output: each frame keeps its position.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_latency_frames(resampler: *const coeval_resampler) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(resampler) }?.sink.resampler.look_ahead()))
}

/// Says that the source ends at the frame that `coeval_resampler_wants` names.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_end_of_source(
    resampler: *mut coeval_resampler,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(resampler)?.sink.resampler.end_of_source();
            Ok(())
        })
    }
}

/// Writes up to `capacity` output frames, interleaved, to `samples`, and their number to `*frames`: 0 when all are
/// out, or when the resampler wants sound. `presence` (NULL, or room for `capacity` values) receives how much of
/// each frame comes from the source: 1 where the source has sound, 0 where it has none, and between in a fade. To fill
/// the gaps with other sound, mix it in with the gain 1 minus presence.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_pull_interleaved(
    resampler: *mut coeval_resampler,
    samples: *mut f32,
    capacity: usize,
    presence: *mut f32,
    frames: *mut usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(resampler)?;
            let channels = fed.channels();
            if capacity > 0 {
                place(samples, "the place for the samples")?;
            }
            pull(&mut fed.sink, channels, capacity, presence, frames, |at, block| {
                std::ptr::copy_nonoverlapping(block.as_ptr(), samples.add(at * channels), block.len());
            })
        })
    }
}

/// As `coeval_resampler_pull_interleaved`, with one pointer for each channel, each with room for `capacity` samples.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_pull_planar(
    resampler: *mut coeval_resampler,
    channels: *const *mut f32,
    capacity: usize,
    presence: *mut f32,
    frames: *mut usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let fed = handle::get_mut(resampler)?;
            let count = fed.channels();
            let planes = slice(channels, count, "the list of channels")?;
            if capacity > 0 {
                planes.iter().try_for_each(|&p| place(p, "a channel's place for samples").map(drop))?;
            }
            pull(&mut fed.sink, count, capacity, presence, frames, |at, block| {
                for (c, &plane) in planes.iter().enumerate() {
                    for (i, sample) in block[c..].iter().step_by(count).enumerate() {
                        plane.add(at + i).write(*sample);
                    }
                }
            })
        })
    }
}

/// Hands out blocks until `capacity` frames are out or there are none; `write` takes the frame they start at.
///
/// # Safety
/// `presence` is NULL or has room for `capacity` values, `frames` is NULL or has room for one.
unsafe fn pull(
    pulled: &mut Pulled,
    channels: usize,
    capacity: usize,
    presence: *mut f32,
    frames: *mut usize,
    mut write: impl FnMut(usize, &[f32]),
) -> Result<()> {
    let frames = place(frames, "the place for the number of frames")?;
    if !presence.is_null() {
        place(presence, "the place for the presence")?;
    }
    let mut done = 0;
    while done < capacity {
        if pulled.used == pulled.frames {
            pulled.frames = pulled.resampler.pull(&mut pulled.block);
            pulled.used = 0;
            if pulled.frames == 0 {
                break;
            }
        }
        let (from, count) = (pulled.used, (pulled.frames - pulled.used).min(capacity - done));
        write(done, &pulled.block[from * channels..(from + count) * channels]);
        if !presence.is_null() {
            let part = &pulled.resampler.presence()[from..from + count];
            // SAFETY: `done + count` is at most `capacity`, for which the caller vouches.
            unsafe { std::ptr::copy_nonoverlapping(part.as_ptr(), presence.add(done), count) };
        }
        pulled.used += count;
        done += count;
    }
    // SAFETY: not null and aligned; the caller vouches for the room.
    unsafe { frames.write(done) };
    Ok(())
}

/// Frees the resampler and sets `*resampler` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_resampler_free(resampler: *mut *mut coeval_resampler) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(resampler) }
}
