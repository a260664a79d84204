//! A rough cut as sound.

use std::ffi::{c_char, c_void};
use std::path::PathBuf;

use coeval_cut::mix::{Layers, RenderOptions, render};

use crate::handle::{self, fill, growing, handle, path};
use crate::panics::answer;
use crate::progress::{Listener, coeval_progress_fn};
use crate::shoot::{coeval_alignment, yes_or_no};
use crate::status::{coeval_error, coeval_status, guard};
use crate::tighten::coeval_plan;
use crate::voices::coeval_voices;

/// Levels of a rough cut's sound, and its voice-overs. One thread at a time.
pub struct coeval_mix_options {
    _opaque: [u8; 0],
}

handle!(coeval_mix_options, MixOptions, b"cv mixed");

/// What a `coeval_mix_options` holds.
#[derive(Default)]
pub(crate) struct MixOptions {
    render: RenderOptions,
    /// Voice-overs: they are measured when the sound is made.
    over: Vec<(PathBuf, f64)>,
}

/// Options with their defaults. What is set is checked by `coeval_plan_render`.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_mix_options_new() -> *mut coeval_mix_options {
    answer(std::ptr::null_mut(), || Ok(handle::new(MixOptions::default())))
}

/// Frees the options and sets `*options` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_mix_options_free(options: *mut *mut coeval_mix_options) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(options) }
}

/// Loudness of the result, LUFS, -40 to -5, default -14; and the limit of its true peaks, dBTP, -20 to 0, default -1.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_mix_options_set_loudness(
    options: *mut coeval_mix_options,
    loudness_lufs: f64,
    true_peak_dbtp: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let levels = &mut handle::get_mut(options)?.render.levels;
            (levels.loudness_lufs, levels.true_peak_dbtp) = (loudness_lufs, true_peak_dbtp);
            Ok(())
        })
    }
}

/// Level of the sound of the camera shown, where nobody speaks, relative to the recording, dB, -120 to 24, default -12; and
/// how much that sound is lowered under a voice, dB, -120 to 0, default -12.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_mix_options_set_camera(
    options: *mut coeval_mix_options,
    camera_db: f64,
    duck_db: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let levels = &mut handle::get_mut(options)?.render.levels;
            (levels.camera_db, levels.duck_db) = (camera_db, duck_db);
            Ok(())
        })
    }
}

/// Adds a file of mono or stereo sound as a voice-over that starts `at_s` seconds into the cut. It gets the loudness of the
/// result, and other sound is lowered under it. May be called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_mix_options_add_voice_over(
    options: *mut coeval_mix_options,
    file: *const c_char,
    at_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let file = path(file, "the voice-over's file")?;
            handle::get_mut(options)?.over.push((file, at_s));
            Ok(())
        })
    }
}

/// 0, the default: recorder, camera shown, and voice-overs. 1: the recorder alone.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_mix_options_set_voice_only(
    options: *mut coeval_mix_options,
    voice_only: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.render.layers = if yes_or_no(voice_only)? { Layers::Voice } else { Layers::All };
            Ok(())
        })
    }
}

/// 0, the default: a file that is there already is left alone, and the call fails. 1: it is replaced.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_mix_options_set_replace(
    options: *mut coeval_mix_options,
    replace: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.render.replace = yes_or_no(replace)?;
            Ok(())
        })
    }
}

/// As for `coeval_shoot_set_allow_ffmpeg`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_mix_options_set_allow_ffmpeg(
    options: *mut coeval_mix_options,
    allow: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.render.open.allow_ffmpeg = yes_or_no(allow)?;
            Ok(())
        })
    }
}

/// Levels of a rough cut's sound. Set `struct_size` to `sizeof(coeval_rendered)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_rendered {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Gain before the limiter, dB.
    pub gain_db: f64,
    /// Integrated loudness, LUFS; NaN for silence.
    pub loudness_lufs: f64,
    /// Highest true peak, dBTP.
    pub true_peak_dbtp: f64,
    /// Length, seconds.
    pub duration_s: f64,
}

growing!(coeval_rendered, duration_s: f64);

const NOTHING: coeval_rendered = coeval_rendered {
    struct_size: 0,
    gain_db: f64::NAN,
    loudness_lufs: f64::NAN,
    true_peak_dbtp: f64::NAN,
    duration_s: 0.0,
};

/// Writes the sound of a rough cut to `file`, as WAV: stereo, 48 kHz, 24 bits, as long as the cut, silent where time
/// is sped up. It appears whole or not at all. `voices` are those of the alignment. `folder` is the one that the
/// alignment's file names are relative to. `options` may be NULL for the defaults. `rendered` and `progress` may be NULL;
/// `user` is handed to `progress`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_render(
    plan: *const coeval_plan,
    alignment: *const coeval_alignment,
    voices: *const coeval_voices,
    folder: *const c_char,
    options: *const coeval_mix_options,
    file: *const c_char,
    progress: coeval_progress_fn,
    user: *mut c_void,
    rendered: *mut coeval_rendered,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            if !rendered.is_null() {
                // Before the work, so that nobody waits to hear that there is no room for the answer.
                fill(rendered, NOTHING)?;
            }
            let (plan, alignment) = (handle::get(plan)?.plan(), handle::get(alignment)?.alignment());
            let speech = handle::get(voices)?.of(alignment)?;
            let (folder, file) = (path(folder, "the folder")?, path(file, "the file to write")?);
            let default = MixOptions::default();
            let options = handle::optional(options)?.unwrap_or(&default);
            let progress = Listener::new(progress, user);
            let mut rendering = options.render.clone();
            rendering.measure_over(&options.over, &progress)?;
            let made = render(alignment, &folder, speech, plan, &rendering, &file, &progress)?;
            if rendered.is_null() {
                return Ok(());
            }
            let value = coeval_rendered {
                struct_size: 0,
                gain_db: made.gain_db,
                loudness_lufs: made.loudness_lufs.unwrap_or(f64::NAN),
                true_peak_dbtp: made.true_peak_dbtp,
                duration_s: made.duration_s,
            };
            fill(rendered, value)
        })
    }
}
