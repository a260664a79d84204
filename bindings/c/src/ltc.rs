//! Timecode in sound.

use std::ffi::c_char;

use coeval::Result;
use coeval_listen::ltc::{LtcDecoder, LtcFrame};

use crate::handle::{self, fill, growing, handle, invalid};
use crate::panics::answer;
use crate::sound::Fed;
use crate::status::{coeval_error, coeval_status, guard};

/// Reads linear timecode (LTC, SMPTE ST 12-1) from one channel of sound that arrives in blocks, and keeps its frames. One
/// thread at a time.
pub struct coeval_ltc_decoder {
    _opaque: [u8; 0],
}

handle!(coeval_ltc_decoder, Fed<Decoded>, b"cv ltcde");

/// A decoder and what it has read.
pub(crate) struct Decoded {
    /// `None` once the sound has ended.
    decoder: Option<LtcDecoder>,
    frames: Vec<LtcFrame>,
}

/// One frame of timecode. Set `struct_size` to `sizeof(coeval_ltc_frame)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_ltc_frame {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Where it begins, seconds after the first sample that was pushed.
    pub start_s: f64,
    /// How long it is, seconds.
    pub length_s: f64,
    /// 0 to 23.
    pub hours: i32,
    /// 0 to 59.
    pub minutes: i32,
    /// 0 to 59.
    pub seconds: i32,
    /// Frame within the second, from 0.
    pub frames: i32,
    /// Frames are counted to this number: 24, 25 or 30.
    pub fps: i32,
    /// 1: drop-frame, which skips labels to keep 30000/1001 fps near clock time. 0: not.
    pub drop_frame: i32,
    /// The eight groups of user bits, the first group lowest.
    pub user_bits: u32,
    /// As written, with a zero at its end: `01:02:03:04`, with `;` before the frames of drop-frame.
    pub label: [c_char; 12],
}

growing!(coeval_ltc_frame, label: [c_char; 12]);

impl From<&LtcFrame> for coeval_ltc_frame {
    fn from(f: &LtcFrame) -> Self {
        let mut label = [0; 12];
        label.iter_mut().zip(f.label().bytes().take(11)).for_each(|(to, c)| *to = c as c_char);
        Self {
            struct_size: 0,
            start_s: f.start_s,
            length_s: f.length_s,
            hours: f.hours.into(),
            minutes: f.minutes.into(),
            seconds: f.seconds.into(),
            frames: f.frames.into(),
            fps: f.fps.into(),
            drop_frame: f.drop_frame.into(),
            user_bits: f.user_bits,
            label,
        }
    }
}

/// A decoder for one channel at `rate_hz` (22050 to 768000), written to `*out`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_ltc_decoder_new(
    rate_hz: f64,
    out: *mut *mut coeval_ltc_decoder,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                Ok(Fed::new(Decoded { decoder: Some(LtcDecoder::new(rate_hz)?), frames: Vec::new() }, 1))
            })
        })
    }
}

/// Takes the next `frames` samples. NaN and infinite samples count as silence.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_ltc_decoder_push_interleaved(
    decoder: *mut coeval_ltc_decoder,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    let push = |decoded: &mut Decoded, block: &[f32]| -> Result<()> {
        let decoder = decoded.decoder.as_mut().ok_or_else(|| invalid("the sound has ended for this decoder"))?;
        decoder.push(block);
        decoded.frames.extend(decoder.take());
        Ok(())
    };
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(decoder)?.interleaved(samples, frames, push)) }
}

/// Says that the sound has ended: the last frame becomes certain. The decoder takes no more sound.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_ltc_decoder_end(
    decoder: *mut coeval_ltc_decoder,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let decoded = &mut handle::get_mut(decoder)?.sink;
            decoded.frames.extend(decoded.decoder.take().map_or_else(Vec::new, LtcDecoder::finish));
            Ok(())
        })
    }
}

/// Number of frames that are certain by now; 0 for sound without timecode, and if `decoder` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_ltc_decoder_count(decoder: *const coeval_ltc_decoder) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(decoder) }?.sink.frames.len()))
}

/// Fills `*frame` with the frame of this number, in time order from 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_ltc_decoder_get(
    decoder: *const coeval_ltc_decoder,
    index: usize,
    frame: *mut coeval_ltc_frame,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let frames = &handle::get(decoder)?.sink.frames;
            let of = frames.len();
            fill(frame, frames.get(index).ok_or_else(|| invalid(format!("frame {index} of {of}")))?.into())
        })
    }
}

/// Frees the decoder and sets `*decoder` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_ltc_decoder_free(decoder: *mut *mut coeval_ltc_decoder) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(decoder) }
}
