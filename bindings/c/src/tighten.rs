//! From when someone speaks to a rough cut.

use std::ffi::{CString, c_char};

use coeval::Result;
use coeval_cut::tighten::{EditAction, Moment, Plan};
use coeval_cut::{RoughCutOptions, rough_cut};
use coeval_listen::activity::ActivityCurve;

use crate::handle::{self, c_text, fill, growing, handle, invalid, place, pointer, slice, text};
use crate::panics::answer;
use crate::shoot::{coeval_alignment, yes_or_no};
use crate::status::{coeval_error, coeval_status, guard};
use crate::voices::coeval_voices;

/// Options of a rough cut, and what to keep besides speech. One thread at a time.
pub struct coeval_tighten_options {
    _opaque: [u8; 0],
}

handle!(coeval_tighten_options, RoughCutOptions, b"cv tight");

/// Options with their defaults. What is set is checked by `coeval_tighten`.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_tighten_options_new() -> *mut coeval_tighten_options {
    answer(std::ptr::null_mut(), || Ok(handle::new(RoughCutOptions::default())))
}

/// Frees the options and sets `*options` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_free(options: *mut *mut coeval_tighten_options) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(options) }
}

/// Pause left between two sentences where time is removed, seconds, 0.2 to 30. Default 0.8.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_pause_s(
    options: *mut coeval_tighten_options,
    pause_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.pause_s = pause_s;
            Ok(())
        })
    }
}

/// Minimum time between a cut and speech, seconds, 0.08 to 5. Default 0.2.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_handle_s(
    options: *mut coeval_tighten_options,
    handle_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.handle_s = handle_s;
            Ok(())
        })
    }
}

/// Minimum length of dead air (a part without speech, clap or other loud moment), seconds, 0.2 to 600. Default 2.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_dead_s(
    options: *mut coeval_tighten_options,
    dead_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.dead_s = dead_s;
            Ok(())
        })
    }
}

/// Minimum length of a shot, seconds, 0 to 60. A shot may be shorter where the camera or the kept stretch ends.
/// Default 2.5.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_min_shot_s(
    options: *mut coeval_tighten_options,
    min_shot_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.min_shot_s = min_shot_s;
            Ok(())
        })
    }
}

/// Length of the dissolve that hides a jump cut within one camera, seconds, 0 to 5. Default 0.5.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_dissolve_s(
    options: *mut coeval_tighten_options,
    dissolve_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.dissolve_s = dissolve_s;
            Ok(())
        })
    }
}

/// Target length of the result, seconds, 1 or more; 0, the default: all speech is kept.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_target_s(
    options: *mut coeval_tighten_options,
    target_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.target_s = (target_s != 0.0).then_some(target_s);
            Ok(())
        })
    }
}

/// Dead air of at least `from_s` seconds (0.2 or more) is shown `speed` times faster (2 to 100) instead of dropped. If
/// `from_s` is 0, the default, it is dropped, and `speed` is not used.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_pass(
    options: *mut coeval_tighten_options,
    from_s: f64,
    speed: u32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let options = &mut handle::get_mut(options)?.tighten;
            options.pass_from_s = (from_s != 0.0).then_some(from_s);
            if options.pass_from_s.is_some() {
                options.pass_speed = speed;
            }
            Ok(())
        })
    }
}

/// 1, the default: radio calls are kept. 0: they are dropped.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_keep_radio(
    options: *mut coeval_tighten_options,
    keep: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.keep_radio = yes_or_no(keep)?;
            Ok(())
        })
    }
}

/// Always keeps this stretch of the timeline, seconds. May be called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_add_protected(
    options: *mut coeval_tighten_options,
    from_s: f64,
    to_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.tighten.protect_s.push((from_s, to_s));
            Ok(())
        })
    }
}

/// Keeps something that happens although nobody speaks: its start and end on the timeline, seconds (equal for a moment),
/// and what it is, in words. May be called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_add_event(
    options: *mut coeval_tighten_options,
    start_s: f64,
    end_s: f64,
    what: *const c_char,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let what = text(what, "what happens")?.to_owned();
            handle::get_mut(options)?.moments.push(Moment { start_s, end_s, what });
            Ok(())
        })
    }
}

/// 1, the default: claps, loud moments and revving engines are kept. 0: they are not.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_set_keep_events(
    options: *mut coeval_tighten_options,
    keep: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.ignore_found = !yes_or_no(keep)?;
            Ok(())
        })
    }
}

/// Shows the camera of this id while someone speaks in this stretch of the timeline, seconds, where that camera runs. May be
/// called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_add_seen(
    options: *mut coeval_tighten_options,
    from_s: f64,
    to_s: f64,
    camera: *const c_char,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let camera = text(camera, "the camera")?.to_owned();
            handle::get_mut(options)?.tighten.see.push((from_s, to_s, camera));
            Ok(())
        })
    }
}

/// How much the picture of a file moves: `count` moments in file time, seconds, ascending, and the motion at each, in
/// any unit, 0 for no motion. Stretches with unusual motion are kept. May be called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten_options_add_motion(
    options: *mut coeval_tighten_options,
    file: *const c_char,
    times_s: *const f64,
    motion: *const f32,
    count: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let file = text(file, "the file's name")?.to_owned();
            let (times_s, motion) = (slice(times_s, count, "the list of times")?, slice(motion, count, "the motion")?);
            let curve = ActivityCurve::from_values(times_s.to_vec(), motion.to_vec(), vec![0.0; count])?;
            handle::get_mut(options)?.motion.push((file, curve));
            Ok(())
        })
    }
}

/// A plan of a rough cut: stretches end to end, each shown, sped up or dropped. Never changes: any number of threads
/// may use one.
pub struct coeval_plan {
    _opaque: [u8; 0],
}

handle!(coeval_plan, Planned, b"cv plans");

/// What a `coeval_plan` holds: the plan, and its texts as C reads them.
pub(crate) struct Planned {
    plan: Plan,
    /// Camera and reason of each entry.
    texts: Vec<(Option<CString>, CString)>,
    notes: Vec<CString>,
    json: CString,
}

impl Planned {
    pub(crate) fn plan(&self) -> &Plan {
        &self.plan
    }

    fn new(plan: Plan) -> Result<Self> {
        let texts = plan.entries.iter().map(|e| (e.camera.as_deref().map(c_text), c_text(e.reason.as_str())));
        let (texts, notes) = (texts.collect(), plan.notes.iter().map(|n| c_text(n.as_str())).collect());
        Ok(Self { json: c_text(plan.to_json()?), plan, texts, notes })
    }
}

/// Plans a rough cut of an alignment and writes it to `*out`. `voices` are those of the same alignment. `options` may
/// be NULL for the defaults.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_tighten(
    alignment: *const coeval_alignment,
    voices: *const coeval_voices,
    options: *const coeval_tighten_options,
    out: *mut *mut coeval_plan,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let (alignment, voices) = (handle::get(alignment)?.alignment(), handle::get(voices)?);
                let speech = voices.of(alignment)?;
                let default = RoughCutOptions::default();
                let options = handle::optional(options)?.unwrap_or(&default);
                Planned::new(rough_cut(alignment, speech, options)?.plan)
            })
        })
    }
}

/// The plan as JSON text. Valid until the plan is freed; NULL if `plan` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_to_json(plan: *const coeval_plan) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(unsafe { handle::get(plan) }?.json.as_ptr()))
}

/// Reads again, to `*out`, what `coeval_plan_to_json` or the command (`plan.json`) wrote.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_from_json(
    json: *const c_char,
    out: *mut *mut coeval_plan,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Planned::new(Plan::from_json(text(json, "the JSON text")?)?))) }
}

/// Frees the plan and sets `*plan` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_free(plan: *mut *mut coeval_plan) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(plan) }
}

/// Frame rate (fps) of the timeline, as a ratio.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_frame_rate(
    plan: *const coeval_plan,
    numerator: *mut u32,
    denominator: *mut u32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let [num, den] = handle::get(plan)?.plan.frame_rate;
            place(numerator, "the place for the numerator")?.write(num);
            place(denominator, "the place for the denominator")?.write(den);
            Ok(())
        })
    }
}

/// Length of the result, seconds; NaN if `plan` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_shown_s(plan: *const coeval_plan) -> f64 {
    // SAFETY: the caller keeps the header's rules.
    answer(f64::NAN, || Ok(unsafe { handle::get(plan) }?.plan.shown_s()))
}

/// Number of stretches. 0 if `plan` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_entry_count(plan: *const coeval_plan) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(plan) }?.plan.entries.len()))
}

/// Whether a stretch is shown, sped up or dropped. Numbers never change; later versions may add some.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_fate {
    /// It is shown.
    COEVAL_SHOW = 1,
    /// It is shown faster, without its sound.
    COEVAL_PASS = 2,
    /// It is dropped.
    COEVAL_DROP = 3,
}

/// A stretch of the timeline, and whether it is shown, sped up or dropped. Set `struct_size` to
/// `sizeof(coeval_plan_entry)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_plan_entry {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// First timeline frame.
    pub from_frame: i64,
    /// The frame after the last.
    pub to_frame: i64,
    /// Frames that it takes in the result.
    pub shown_frames: i64,
    /// Frames of the dissolve from the previous shown stretch into this one; 0: a cut.
    pub dissolve_frames: i64,
    /// What becomes of it, a `coeval_fate`.
    pub fate: i32,
    /// How many times faster it is shown; 1 for normal speed, 0 when it is dropped.
    pub speed: u32,
    /// Id of the camera shown; NULL if no camera ran, or nothing is shown. Valid until the plan is freed.
    pub camera: *const c_char,
    /// Why, in words. Valid until the plan is freed.
    pub reason: *const c_char,
}

growing!(coeval_plan_entry, reason: *const c_char);

/// Fills `*entry` with the stretch of this number, in time order from 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_get_entry(
    plan: *const coeval_plan,
    index: usize,
    entry: *mut coeval_plan_entry,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let Planned { plan, texts, .. } = handle::get(plan)?;
            let of = plan.entries.len();
            let found = plan.entries.get(index).ok_or_else(|| invalid(format!("entry {index} of {of}")))?;
            let (action, speed) = match found.action {
                EditAction::Show => (coeval_fate::COEVAL_SHOW, 1),
                EditAction::Pass(speed) => (coeval_fate::COEVAL_PASS, speed),
                EditAction::Drop => (coeval_fate::COEVAL_DROP, 0),
            };
            let (camera, reason) = &texts[index];
            let value = coeval_plan_entry {
                struct_size: 0,
                from_frame: found.from,
                to_frame: found.to,
                shown_frames: found.shown_frames(),
                dissolve_frames: found.dissolve,
                fate: action as i32,
                speed,
                camera: pointer(camera.as_ref()),
                reason: reason.as_ptr(),
            };
            fill(entry, value)
        })
    }
}

/// A note for people, for example that the target length could not be met; NULL when there is no note of this number. Valid
/// until the plan is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_plan_note(plan: *const coeval_plan, index: usize) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(plan) }?.notes.get(index))))
}
