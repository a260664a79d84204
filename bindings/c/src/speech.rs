//! When someone speaks.

use coeval::Result;
use coeval_listen::speech::{
    Origin, RATE_HZ, STEP_S, SharedMeter, SpeechBuilder, SpeechCurve, SpeechOptions, SpeechSegment,
};

use crate::handle::{self, copy_out, fill, growing, handle, invalid, place, slice};
use crate::panics::answer;
use crate::sound::Fed;
use crate::status::{coeval_error, coeval_status, guard};

/// Time from one probability of speech to the next, seconds.
pub const COEVAL_SPEECH_STEP_S: f64 = 0.01;
/// Rate of the sound that a `coeval_shared_meter` compares, Hz.
pub const COEVAL_SPEECH_RATE_HZ: f64 = 16000.0;

const _: () = assert!(COEVAL_SPEECH_STEP_S == STEP_S && COEVAL_SPEECH_RATE_HZ == RATE_HZ, "the core's own figures");

/// Where a voice on the recorder's track comes from. Numbers never change; later versions may add some.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_origin {
    /// A local voice: any voice that does not come over the radio. JSON calls it `intercom`.
    COEVAL_INTERCOM = 1,
    /// The radio.
    COEVAL_RADIO = 2,
    /// Nothing tells one from the other.
    COEVAL_UNKNOWN_ORIGIN = 3,
    /// An origin that this version of the C library has no number for.
    COEVAL_OTHER_ORIGIN = 1000,
}

impl From<Origin> for coeval_origin {
    fn from(origin: Origin) -> Self {
        match origin {
            Origin::Local => Self::COEVAL_INTERCOM,
            Origin::Radio => Self::COEVAL_RADIO,
            Origin::Unknown => Self::COEVAL_UNKNOWN_ORIGIN,
            _ => Self::COEVAL_OTHER_ORIGIN,
        }
    }
}

/// Detects when someone speaks, in sound that arrives in blocks. One thread at a time.
///
/// To detect speech is to process what people said: those recorded must agree. Radio traffic may be unlawful to record
/// or publish where you are.
pub struct coeval_speech_builder {
    _opaque: [u8; 0],
}

handle!(coeval_speech_builder, Fed<SpeechBuilder>, b"cv hears");

/// A builder for sound at `rate_hz` (1000 to 768000, need not be whole) with `channels` (1 to 64), which are averaged,
/// written to `*out`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_builder_new(
    rate_hz: f64,
    channels: usize,
    out: *mut *mut coeval_speech_builder,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Ok(Fed::new(SpeechBuilder::new(rate_hz, channels)?, channels)))) }
}

/// Takes the next `frames` frames, interleaved. NaN and infinite samples count as silence.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_builder_push_interleaved(
    builder: *mut coeval_speech_builder,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(builder)?.interleaved(samples, frames, |sink, block| sink.push(block))) }
}

/// As `coeval_speech_builder_push_interleaved`, with one pointer for each channel.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_builder_push_planar(
    builder: *mut coeval_speech_builder,
    channels: *const *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(builder)?.planar(channels, frames, 0, |sink, block| sink.push(block))) }
}

/// Writes the finished curve to `*out`. The builder is used up: `*builder` becomes NULL.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_builder_finish(
    builder: *mut *mut coeval_speech_builder,
    out: *mut *mut coeval_speech_curve,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Ok(handle::take(builder)?.sink.finish()))) }
}

/// Frees the builder and sets `*builder` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_builder_free(builder: *mut *mut coeval_speech_builder) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(builder) }
}

/// Probability of speech over time. Never changes: any number of threads may use one.
pub struct coeval_speech_curve {
    _opaque: [u8; 0],
}

handle!(coeval_speech_curve, SpeechCurve, b"cv curve");

/// A curve made elsewhere, of `count` probabilities, each 0 to 1, one for every `COEVAL_SPEECH_STEP_S`, written to
/// `*out`. It carries no evidence about radio.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_curve_from_values(
    probability: *const f32,
    count: usize,
    out: *mut *mut coeval_speech_curve,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || SpeechCurve::from_values(slice(probability, count, "the list of values")?.to_vec()))
        })
    }
}

/// Copies the first `capacity` probabilities, each 0 to 1, one for every `COEVAL_SPEECH_STEP_S`, to `out` and returns
/// how many there are; a begun last step counts. 0 if `curve` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_curve_probability(
    curve: *const coeval_speech_curve,
    out: *mut f32,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe { Ok(copy_out(handle::get(curve)?.probability().iter().copied(), out, capacity)) })
}

/// Frees the curve and sets `*curve` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_curve_free(curve: *mut *mut coeval_speech_curve) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(curve) }
}

/// Options for making stretches of speech from probabilities. One thread at a time.
pub struct coeval_speech_options {
    _opaque: [u8; 0],
}

handle!(coeval_speech_options, SpeechOptions, b"cv speak");

/// Options with their defaults. What is set is checked by `coeval_speech_curve_segments`.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_speech_options_new() -> *mut coeval_speech_options {
    answer(std::ptr::null_mut(), || Ok(handle::new(SpeechOptions::default())))
}

/// Frees the options and sets `*options` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_options_free(options: *mut *mut coeval_speech_options) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(options) }
}

/// Probability that a stretch must reach, 0 to 1 (default 0.88), and the one below which it ends, 0 to `enter`
/// (default 0.5).
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_options_set_thresholds(
    options: *mut coeval_speech_options,
    enter: f32,
    leave: f32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let options = handle::get_mut(options)?;
            (options.enter, options.leave) = (enter, leave);
            Ok(())
        })
    }
}

/// Minimum time above the first threshold, seconds, 0 to 10. Default 0.1.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_options_set_min_speech_s(
    options: *mut coeval_speech_options,
    min_speech_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.min_speech_s = min_speech_s;
            Ok(())
        })
    }
}

/// Shorter pauses are part of the speech, seconds, 0 to 10. Default 0.3.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_options_set_min_pause_s(
    options: *mut coeval_speech_options,
    min_pause_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.min_pause_s = min_pause_s;
            Ok(())
        })
    }
}

/// Each stretch is extended at its end by this, seconds, 0 to 10. Default 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_options_set_hang_over_s(
    options: *mut coeval_speech_options,
    hang_over_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.hang_over_s = hang_over_s;
            Ok(())
        })
    }
}

/// Stretches of speech, in time order. Never changes: any number of threads may use one.
pub struct coeval_speech_segments {
    _opaque: [u8; 0],
}

handle!(coeval_speech_segments, Vec<SpeechSegment>, b"cv spoke");

/// Makes stretches of speech from a curve and writes them to `*out`. A stretch begins where the probability rises above the
/// second threshold, if it reaches the first before it falls below the second again. `options` may be NULL for the defaults.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_curve_segments(
    curve: *const coeval_speech_curve,
    options: *const coeval_speech_options,
    out: *mut *mut coeval_speech_segments,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let options = handle::optional(options)?.cloned().unwrap_or_default();
                handle::get(curve)?.segments(&options)
            })
        })
    }
}

/// Number of stretches. 0 if `segments` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_segments_count(segments: *const coeval_speech_segments) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(segments) }?.len()))
}

/// A stretch of speech. Set `struct_size` to `sizeof(coeval_speech_segment)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_speech_segment {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Where it begins, seconds after the first frame that was pushed.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
    /// Mean probability of speech in it, 0 to 1.
    pub confidence: f64,
    /// Power outside a radio's band over power inside it, without the noise floor, dB. It is low for a radio; NaN if
    /// unknown.
    pub outside_band_db: f64,
}

growing!(coeval_speech_segment, outside_band_db: f64);

fn segment(segments: &[SpeechSegment], index: usize) -> Result<&SpeechSegment> {
    segments.get(index).ok_or_else(|| invalid(format!("stretch {index} of {}", segments.len())))
}

/// Fills `*out` with the stretch of this number, in time order from 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_segments_get(
    segments: *const coeval_speech_segments,
    index: usize,
    out: *mut coeval_speech_segment,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let found = segment(handle::get(segments)?, index)?;
            let value = coeval_speech_segment {
                struct_size: 0,
                start_s: found.start_s,
                end_s: found.end_s,
                confidence: f64::from(found.confidence),
                outside_band_db: found.outside_band_db.unwrap_or(f64::NAN),
            };
            fill(out, value)
        })
    }
}

/// Where the voice of a stretch comes from by two thresholds, `COEVAL_INTERCOM` or `COEVAL_RADIO`; -1 when there is no such
/// stretch. `coeval_alignment_hear` weighs more, cuts where the origin changes, and gives a probability. `shared` is the
/// largest value that the `coeval_shared_meter`s of the cameras that ran meanwhile give for it. If it is NaN, because none
/// ran, only the frequency band decides.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_segments_origin(
    segments: *const coeval_speech_segments,
    index: usize,
    shared: f64,
) -> i32 {
    answer(-1, || {
        // SAFETY: the caller keeps the header's rules.
        let found = segment(unsafe { handle::get(segments) }?, index)?;
        Ok(coeval_origin::from(found.origin((!shared.is_nan()).then_some(shared))) as i32)
    })
}

/// Frees the stretches and sets `*segments` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_speech_segments_free(segments: *mut *mut coeval_speech_segments) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(segments) }
}

/// Measures whether a camera hears the same speech as the recorder, at the same moment. A radio call is heard in headsets
/// only, so no camera hears it. One thread at a time.
pub struct coeval_shared_meter {
    _opaque: [u8; 0],
}

handle!(coeval_shared_meter, Comparison, b"cv share");

/// What a `coeval_shared_meter` holds.
pub(crate) struct Comparison {
    meter: SharedMeter,
    /// Number of stretches.
    count: usize,
}

/// A meter for stretches of the recorder's sound, written to `*out`. The stretches may be freed afterwards.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shared_meter_new(
    segments: *const coeval_speech_segments,
    out: *mut *mut coeval_shared_meter,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let segments = handle::get(segments)?;
                Ok(Comparison { meter: SharedMeter::new(segments)?, count: segments.len() })
            })
        })
    }
}

/// Takes the next `samples` samples of both, mono, at `COEVAL_SPEECH_RATE_HZ`, from the start of the recorder's sound on.
/// The camera's samples must be on the recorder's clock: use a `coeval_resampler`. They are NaN where the camera did not run.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shared_meter_push(
    meter: *mut coeval_shared_meter,
    recorder: *const f32,
    camera: *const f32,
    samples: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let recorder = slice(recorder, samples, "the recorder's samples")?;
            let camera = slice(camera, samples, "the camera's samples")?;
            handle::get_mut(meter)?.meter.push(recorder, camera)
        })
    }
}

/// Writes to `out`, for each stretch, how surely the camera hears the same, in standard deviations; NaN where it did
/// not run. `capacity` must be the number of stretches or more. The meter is used up: `*meter` becomes NULL.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shared_meter_finish(
    meter: *mut *mut coeval_shared_meter,
    out: *mut f64,
    capacity: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let count = handle::get(*place(meter, "a pointer to a handle")?)?.count;
            if capacity < count {
                return Err(invalid(format!("room for {capacity} answers, and there are {count}")));
            }
            if count > 0 {
                place(out, "the place for the answers")?;
            }
            let answers = handle::take(meter)?.meter.finish();
            copy_out(answers.into_iter().map(|heard| heard.map_or(f64::NAN, |h| h.shared)), out, capacity);
            Ok(())
        })
    }
}

/// Frees the meter and sets `*meter` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shared_meter_free(meter: *mut *mut coeval_shared_meter) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(meter) }
}
