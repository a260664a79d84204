//! When someone speaks in a shoot.

use std::ffi::{CString, c_char, c_void};

use ::coeval_shoot::{Alignment, Options, on_threads};
use coeval::Result;
use coeval_cut::tighten::Voice;
use coeval_cut::voices::{SpeechMap, speech_map};

use crate::handle::{self, c_text, fill, growing, handle, invalid, path, place, pointer, text};
use crate::panics::answer;
use crate::progress::{Listener, coeval_progress_fn};
use crate::shoot::{coeval_alignment, yes_or_no};
use crate::speech::coeval_origin;
use crate::status::{coeval_error, coeval_status, guard};

/// When someone speaks in a shoot, from the recorder's sound. Never changes: any number of threads may use one.
pub struct coeval_voices {
    _opaque: [u8; 0],
}

handle!(coeval_voices, Voices, b"cv voice");

/// What a `coeval_voices` holds: the map, and its texts as C reads them.
pub(crate) struct Voices {
    map: SpeechMap,
    json: CString,
    recorder: CString,
    /// Ids of the cameras that ran during each voice.
    cameras: Vec<Vec<CString>>,
}

impl Voices {
    fn new(map: SpeechMap) -> Result<Self> {
        let cameras = |voice: &Voice| voice.heard_by.iter().map(|h| c_text(h.0.as_str())).collect();
        Ok(Self {
            json: c_text(map.to_json()?),
            recorder: c_text(map.recorder.as_str()),
            cameras: map.voices.iter().map(cameras).collect(),
            map,
        })
    }

    fn voice(&self, index: usize) -> Result<&Voice> {
        let of = self.map.voices.len();
        self.map.voices.get(index).ok_or_else(|| invalid(format!("voice {index} of {of}")))
    }

    /// The map, when it is one of this alignment.
    pub(crate) fn of(&self, alignment: &Alignment) -> Result<&SpeechMap> {
        if self.map.is_of(alignment) {
            Ok(&self.map)
        } else {
            Err(invalid("the voices are not of this alignment")
                .with_remedy("call coeval_alignment_hear for this alignment"))
        }
    }
}

/// Finds when someone speaks, and writes it to `*out`. The recorder's sound is read once, and each camera's once.
/// `folder` is the one that the alignment's file names are relative to. `allow_ffmpeg`: as for
/// `coeval_shoot_set_allow_ffmpeg`. `progress` may be NULL; `user` is handed to it.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_hear(
    alignment: *const coeval_alignment,
    folder: *const c_char,
    allow_ffmpeg: i32,
    progress: coeval_progress_fn,
    user: *mut c_void,
    out: *mut *mut coeval_voices,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let (alignment, folder) = (handle::get(alignment)?.alignment(), path(folder, "the folder")?);
                let mut open = Options::default().open;
                open.allow_ffmpeg = yes_or_no(allow_ffmpeg)?;
                let progress = Listener::new(progress, user);
                Voices::new(on_threads(None, || speech_map(alignment, &folder, &open, &progress))?)
            })
        })
    }
}

/// Reads again, to `*out`, what `coeval_voices_to_json` wrote. It must be of this alignment.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_voices_from_json(
    json: *const c_char,
    alignment: *const coeval_alignment,
    out: *mut *mut coeval_voices,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let alignment = handle::get(alignment)?.alignment();
                let map = SpeechMap::from_json(text(json, "the JSON text")?, alignment);
                Voices::new(map.ok_or_else(|| invalid("the text is not a speech map of this alignment"))?)
            })
        })
    }
}

/// Frees the voices and sets `*voices` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_voices_free(voices: *mut *mut coeval_voices) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(voices) }
}

/// The voices as JSON text. Valid until they are freed; NULL if `voices` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_voices_to_json(voices: *const coeval_voices) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(unsafe { handle::get(voices) }?.json.as_ptr()))
}

/// Id of the recording that was heard. Valid until the voices are freed; NULL if `voices` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_voices_recorder(voices: *const coeval_voices) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(unsafe { handle::get(voices) }?.recorder.as_ptr()))
}

/// Number of stretches in which somebody speaks. 0 if `voices` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_voices_count(voices: *const coeval_voices) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(voices) }?.map.voices.len()))
}

/// A stretch in which somebody speaks. Set `struct_size` to `sizeof(coeval_voice)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_voice {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Where it begins on the timeline, seconds.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
    /// Mean probability of speech, 0 to 1.
    pub confidence: f64,
    /// Where the voice comes from, a `coeval_origin`.
    pub origin: i32,
    /// Not used yet, 0.
    pub reserved: i32,
    /// Number of cameras that ran at that time, see `coeval_voices_camera`.
    pub camera_count: usize,
    /// Probability that it comes over the radio, 0 to 1; NaN where it was not asked: a camera heard it by itself, or an
    /// earlier version found it.
    pub radio: f64,
}

growing!(coeval_voice, camera_count: usize);

/// Fills `*voice` with the stretch of this number, in time order from 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_voices_get(
    voices: *const coeval_voices,
    index: usize,
    voice: *mut coeval_voice,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let found = handle::get(voices)?.voice(index)?;
            let value = coeval_voice {
                struct_size: 0,
                start_s: found.start_s,
                end_s: found.end_s,
                confidence: found.confidence,
                origin: coeval_origin::from(found.origin) as i32,
                reserved: 0,
                camera_count: found.heard_by.len(),
                radio: found.radio.unwrap_or(f64::NAN),
            };
            fill(voice, value)
        })
    }
}

/// Id of a camera that ran during a voice, or NULL when there is no camera of this number. `*shared` (may be NULL) is set
/// to how surely it hears the voice, in standard deviations. Valid until the voices are freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_voices_camera(
    voices: *const coeval_voices,
    index: usize,
    camera: usize,
    shared: *mut f64,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || unsafe {
        let voices = handle::get(voices)?;
        let heard = voices.voice(index)?.heard_by.get(camera);
        if !shared.is_null() {
            place(shared, "the place for `shared`")?.write(heard.map_or(f64::NAN, |h| h.1));
        }
        Ok(pointer(voices.cameras[index].get(camera)))
    })
}
