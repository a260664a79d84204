//! Two tracks -> how their clocks relate.

use std::ffi::{CString, c_char, c_void};
use std::num::NonZeroUsize;

use coeval::clock::ClockMap;
use coeval::pair::{
    Aligner, Evidence, PairAlignment, PairJump, PairOptions, PairOutcome, RivalPlace, SoundPath, Stretch, Unplaced,
    align_pair,
};
use coeval::{Error, ErrorKind, Result};
use coeval_shoot::on_threads;
use serde_json::Value;

use crate::clock::{coeval_clock_map, coeval_knot};
use crate::handle::{self, c_text, copy_out, fill, growing, handle, invalid, text};
use crate::panics::answer;
use crate::progress::{Listener, coeval_progress_fn};
use crate::status::{coeval_error, coeval_status, guard};
use crate::track::coeval_track;

/// Why two tracks have no placement. Numbers never change; later versions may add some.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_unplaced {
    /// They have one.
    COEVAL_IS_PLACED = 0,
    /// Nothing in one matches anything in the other.
    COEVAL_NO_COMMON_SOUND = 1,
    /// Too little sound to tell.
    COEVAL_TOO_SHORT = 2,
    /// The common sound repeats, so many places fit equally well.
    COEVAL_ONLY_PERIODIC_SOUND = 3,
    /// One of them holds digital silence only.
    COEVAL_SILENT = 4,
    /// They share sound, but their clocks differ by more than the largest drift that was searched.
    COEVAL_BEYOND_DRIFT_LIMIT = 5,
    /// A reason that this version of the C library has no number for.
    COEVAL_UNPLACED_OTHERWISE = 1000,
}

impl coeval_unplaced {
    fn of(reason: Unplaced) -> Self {
        match reason {
            Unplaced::NoCommonSound => Self::COEVAL_NO_COMMON_SOUND,
            Unplaced::TooShort => Self::COEVAL_TOO_SHORT,
            Unplaced::OnlyPeriodicSound => Self::COEVAL_ONLY_PERIODIC_SOUND,
            Unplaced::Silent => Self::COEVAL_SILENT,
            Unplaced::BeyondDriftLimit => Self::COEVAL_BEYOND_DRIFT_LIMIT,
            _ => Self::COEVAL_UNPLACED_OTHERWISE,
        }
    }
}

/// Options for comparing two tracks. One thread at a time.
pub struct coeval_pair_options {
    _opaque: [u8; 0],
}

handle!(coeval_pair_options, Comparison, b"cv pairo");

/// What a `coeval_pair_options` holds.
#[derive(Clone, Default)]
pub(crate) struct Comparison {
    pub(crate) pair: PairOptions,
    threads: Option<NonZeroUsize>,
}

/// Options with their defaults: +-500 ppm, any offset.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_pair_options_new() -> *mut coeval_pair_options {
    answer(std::ptr::null_mut(), || Ok(handle::new(Comparison::default())))
}

/// Frees the options and sets `*options` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_options_free(options: *mut *mut coeval_pair_options) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(options) }
}

/// Largest drift between the two clocks to search for, in ppm, either way: 0 to 1200. Default 500.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_options_set_max_drift_ppm(
    options: *mut coeval_pair_options,
    max_drift_ppm: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || change(&mut handle::get_mut(options)?.pair, |o| o.max_drift_ppm = max_drift_ppm)) }
}

/// Where the offset (`a` time minus `b` time at the start of `b`) is known to lie: lowest and highest value in seconds.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_options_set_offset_range_s(
    options: *mut coeval_pair_options,
    lowest_s: f64,
    highest_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || change(&mut handle::get_mut(options)?.pair, |o| o.offset_range_s = Some((lowest_s, highest_s))))
    }
}

/// How many threads one comparison uses, 0 to 1024; 0, the default: as many as the machine has cores. They end before
/// the call returns. For a shoot, use `coeval_shoot_set_threads`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_options_set_threads(
    options: *mut coeval_pair_options,
    threads: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.threads = thread_count(threads)?;
            Ok(())
        })
    }
}

/// A number of threads as C gives it, where 0 stands for as many as there are cores.
pub(crate) fn thread_count(threads: usize) -> Result<Option<NonZeroUsize>> {
    if threads > 1024 {
        return Err(invalid(format!("threads is {threads}, more than 1024")));
    }
    Ok(NonZeroUsize::new(threads))
}

/// Changes options, unless they would be invalid then.
fn change(options: &mut PairOptions, change: impl FnOnce(&mut PairOptions)) -> Result<()> {
    let mut changed = options.clone();
    change(&mut changed);
    Aligner::new(changed.clone())?;
    *options = changed;
    Ok(())
}

/// Result of comparing two tracks: a placement, or the reason why there is none. Never changes: any number of threads
/// may use one.
pub struct coeval_pair {
    _opaque: [u8; 0],
}

handle!(coeval_pair, Paired, b"cv pair.");

/// What a `coeval_pair` holds.
pub(crate) struct Paired {
    outcome: PairOutcome,
    json: CString,
}

impl Paired {
    fn placed(&self) -> Option<&PairAlignment> {
        match &self.outcome {
            PairOutcome::Placed(placed) => Some(placed),
            PairOutcome::Unplaced(_) => None,
        }
    }
}

/// The figures of a `coeval_pair`. Set `struct_size` to `sizeof(coeval_pair_summary)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_pair_summary {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// 1: placed. 0: not; then every figure but `reason` is NaN or 0.
    pub placed: i32,
    /// Why it is not placed: a `coeval_unplaced`.
    pub reason: i32,
    /// `a` time minus `b` time at the start of `b`, seconds.
    pub offset_s: f64,
    /// (seconds of `a` per second of `b` - 1) * 1e6, mean over `b` without its jumps.
    pub drift_ppm: f64,
    /// Probability that the placement is right.
    pub confidence: f64,
    /// One standard deviation of the placement's error at its worst moment in the overlap, seconds.
    pub uncertainty_s: f64,
    /// Seconds during which both recorded.
    pub overlap_s: f64,
    /// Root mean square of the evidence against the map, seconds.
    pub residual_rms_s: f64,
    /// 1: the polarity of `b` is opposite to that of `a`.
    pub inverted: i32,
    /// 1: the drift is 999 to 1001 ppm, because rates were mixed up (1000/1001); the clock is not at fault.
    pub rate_mixup: i32,
    /// Number of knots, see `coeval_pair_knots`.
    pub knot_count: usize,
    /// Number of jumps, see `coeval_pair_jumps`.
    pub jump_count: usize,
    /// Number of measurements, see `coeval_pair_evidence`.
    pub evidence_count: usize,
}

growing!(coeval_pair_summary, evidence_count: usize);

/// A sudden change of offset between two tracks.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_pair_jump {
    /// Where in `a`, seconds.
    pub a_s: f64,
    /// Where in `b`, seconds.
    pub b_s: f64,
    /// Change of `a` time minus `b` time there, seconds: > 0 is sound that `b` lost or `a` repeated.
    pub step_s: f64,
}

impl From<&PairJump> for coeval_pair_jump {
    fn from(j: &PairJump) -> Self {
        Self { a_s: j.a_s, b_s: j.b_s, step_s: j.step_s }
    }
}

/// A part of `b` throughout which its place is equally well known: before the first measurement, between jumps, where
/// a jump lies sooner or later in a silence, after the last.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_pair_stretch {
    /// First moment in `b`, seconds.
    pub from_s: f64,
    /// Last moment in `b`, seconds.
    pub to_s: f64,
    /// Probability that `b` lies where its map says, here.
    pub confidence: f64,
    /// One standard deviation of the error in its place, at the worse end of the stretch, seconds.
    pub uncertainty_s: f64,
}

impl From<&Stretch> for coeval_pair_stretch {
    fn from(s: &Stretch) -> Self {
        Self { from_s: s.from_s, to_s: s.to_s, confidence: s.confidence, uncertainty_s: s.uncertainty_s }
    }
}

/// One measurement: this moment of `b` is that moment of `a`.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_evidence {
    /// Time in `a`, seconds.
    pub a_s: f64,
    /// Time in `b`, seconds.
    pub b_s: f64,
    /// One standard deviation of `a_s` given `b_s`, seconds.
    pub sigma_s: f64,
}

impl From<&Evidence> for coeval_evidence {
    fn from(e: &Evidence) -> Self {
        Self { a_s: e.a_s, b_s: e.b_s, sigma_s: e.sigma_s }
    }
}

/// Compares two tracks and writes the result to `*out`. If there is no placement, this is a result, not a failure.
/// `options` may be NULL for the defaults. `progress` may be NULL; `user` is handed to it.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_align(
    a: *const coeval_track,
    b: *const coeval_track,
    options: *const coeval_pair_options,
    progress: coeval_progress_fn,
    user: *mut c_void,
    out: *mut *mut coeval_pair,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let options = handle::optional(options)?.cloned().unwrap_or_default();
                let (a, b) = (handle::get(a)?, handle::get(b)?);
                let progress = Listener::new(progress, user);
                let outcome = on_threads(options.threads, || align_pair(a, b, &options.pair, &progress))?;
                Ok(Paired { json: json(&outcome)?, outcome })
            })
        })
    }
}

/// The earlier name of `coeval_pair_align`.
#[deprecated(note = "use coeval_pair_align")]
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_align_pair(
    a: *const coeval_track,
    b: *const coeval_track,
    options: *const coeval_pair_options,
    progress: coeval_progress_fn,
    user: *mut c_void,
    out: *mut *mut coeval_pair,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { coeval_pair_align(a, b, options, progress, user, out, error) }
}

/// The value of `schema` in a pair's JSON text.
const SCHEMA: &str = "coeval.pair/1";

const REASONS: [Unplaced; 5] = [
    Unplaced::NoCommonSound,
    Unplaced::TooShort,
    Unplaced::OnlyPeriodicSound,
    Unplaced::Silent,
    Unplaced::BeyondDriftLimit,
];

fn from_json(text: &str) -> Result<PairOutcome> {
    let none = |what: &str| Error::new(ErrorKind::Damaged, format!("the text is not a pair of {SCHEMA}: {what}"));
    let value: Value = serde_json::from_str(text).map_err(|e| none("it is not JSON").with_source(e))?;
    if value["schema"] != SCHEMA {
        return Err(none(&format!("its schema is {}", value["schema"])));
    }
    if value["status"] != "placed" {
        let reason = REASONS.into_iter().find(|r| value["reason"] == r.as_str());
        return reason.map(PairOutcome::Unplaced).ok_or_else(|| none(&format!("its reason is {}", value["reason"])));
    }
    fn read<T: serde::de::DeserializeOwned>(value: &Value, key: &str) -> Result<T> {
        serde_json::from_value(value[key].clone())
            .map_err(|e| Error::new(ErrorKind::Damaged, format!("the text is not a pair: {key}: {e}")).with_source(e))
    }
    let measurements: Vec<(f64, f64, f64)> = read(&value, "measurements")?;
    let steps: Vec<(f64, f64, f64)> = read(&value, "steps")?;
    // Texts of an earlier version do not tell how well a jump's moment is known.
    let within: Option<Vec<(f64, f64)>> = read(&value, "steps_within")?;
    let within = within.unwrap_or_default().into_iter().map(Some).chain(std::iter::repeat(None));
    let jump = |((a_s, b_s, step_s), within): (_, Option<(f64, f64)>)| {
        let jump = PairJump::at(a_s, b_s, step_s);
        PairJump { within_s: within.unwrap_or(jump.within_s), ..jump }
    };
    let mut pair = PairAlignment::from_parts(
        ClockMap::from_knots(read(&value, "knots")?)?,
        measurements.into_iter().map(|(a_s, b_s, sigma_s)| Evidence { a_s, b_s, sigma_s }).collect(),
        steps.into_iter().zip(within).map(jump).collect(),
    );
    pair.places = read(&value, "places")?;
    if pair.places.len() != pair.evidence.len() {
        return Err(none("places and measurements are not of one length"));
    }
    // Texts of an earlier version tell of no stretches, paths or rivals.
    let stretches: Option<Vec<[f64; 4]>> = read(&value, "stretches")?;
    let stretch =
        |[from_s, to_s, confidence, uncertainty_s]: [f64; 4]| Stretch { from_s, to_s, confidence, uncertainty_s };
    pair.stretches = stretches.unwrap_or_default().into_iter().map(stretch).collect();
    let paths: Option<Vec<[f64; 2]>> = read(&value, "paths")?;
    pair.paths = paths.unwrap_or_default().into_iter().map(|[delay_s, voices]| SoundPath { delay_s, voices }).collect();
    let rivals: Option<Vec<[f64; 2]>> = read(&value, "rivals")?;
    let rival = |[shift_s, probability]: [f64; 2]| RivalPlace { shift_s, probability };
    pair.rivals = rivals.unwrap_or_default().into_iter().map(rival).collect();
    (pair.confidence, pair.uncertainty_s) = (read(&value, "confidence")?, read(&value, "uncertainty_s")?);
    (pair.overlap_s, pair.residual_rms_s) = (read(&value, "overlap_s")?, read(&value, "residual_rms_s")?);
    (pair.inverted, pair.rate_mixup) = (read(&value, "inverted")?, read(&value, "rate_mixup")?);
    (pair.place_s, pair.source_s, pair.wander_q) =
        (read(&value, "place_s")?, read(&value, "source_s")?, read(&value, "wander_q")?);
    Ok(PairOutcome::Placed(Box::new(pair)))
}

/// Reads again, to `*out`, what `coeval_pair_to_json` wrote, to the last bit.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_from_json(
    json_text: *const c_char,
    out: *mut *mut coeval_pair,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let outcome = from_json(text(json_text, "the JSON text")?)?;
                Ok(Paired { json: json(&outcome)?, outcome })
            })
        })
    }
}

/// As JSON, with the keys that the result contract uses for a file.
fn json(outcome: &PairOutcome) -> Result<CString> {
    let value = match outcome {
        PairOutcome::Placed(p) => serde_json::json!({
            "schema": SCHEMA,
            "status": "placed",
            "reason": null,
            "offset_s": p.map.offset_s(),
            "drift_ppm": p.map.drift_ppm(),
            "confidence": p.confidence,
            "uncertainty_s": p.uncertainty_s,
            "overlap_s": p.overlap_s,
            "residual_rms_s": p.residual_rms_s,
            "evidence": p.evidence.len(),
            "inverted": p.inverted,
            "rate_mixup": p.rate_mixup,
            "knots": p.map.knots(),
            "jumps": p.map.jumps().map(|(file_s, lost_s)| serde_json::json!({"file_s": file_s, "lost_s": lost_s}))
                .collect::<Vec<_>>(),
            "stretches": p.stretches.iter().map(|s| [s.from_s, s.to_s, s.confidence, s.uncertainty_s]).collect::<Vec<_>>(),
            "steps": p.jumps.iter().map(|j| (j.a_s, j.b_s, j.step_s)).collect::<Vec<_>>(),
            "steps_within": p.jumps.iter().map(|j| j.within_s).collect::<Vec<_>>(),
            "measurements": p.evidence.iter().map(|e| (e.a_s, e.b_s, e.sigma_s)).collect::<Vec<_>>(),
            "places": p.places,
            "place_s": p.place_s,
            "source_s": p.source_s,
            "paths": p.paths.iter().map(|p| [p.delay_s, p.voices]).collect::<Vec<_>>(),
            "rivals": p.rivals.iter().map(|r| [r.shift_s, r.probability]).collect::<Vec<_>>(),
            "wander_q": p.wander_q,
        }),
        PairOutcome::Unplaced(reason) => serde_json::json!({
            "schema": SCHEMA, "status": "unplaced", "reason": reason.as_str(), "knots": [], "jumps": [],
        }),
    };
    let text = serde_json::to_string(&value)
        .map_err(|e| Error::new(ErrorKind::Internal, "cannot write the pair as JSON").with_source(e))?;
    Ok(c_text(text))
}

/// Fills `*summary` with the figures.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_get_summary(
    pair: *const coeval_pair,
    summary: *mut coeval_pair_summary,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let value = match &handle::get(pair)?.outcome {
                PairOutcome::Placed(p) => coeval_pair_summary {
                    struct_size: 0,
                    placed: 1,
                    reason: coeval_unplaced::COEVAL_IS_PLACED as i32,
                    offset_s: p.map.offset_s(),
                    drift_ppm: p.map.drift_ppm(),
                    confidence: p.confidence,
                    uncertainty_s: p.uncertainty_s,
                    overlap_s: p.overlap_s,
                    residual_rms_s: p.residual_rms_s,
                    inverted: i32::from(p.inverted),
                    rate_mixup: i32::from(p.rate_mixup),
                    knot_count: p.map.knots().len(),
                    jump_count: p.jumps.len(),
                    evidence_count: p.evidence.len(),
                },
                PairOutcome::Unplaced(reason) => coeval_pair_summary {
                    struct_size: 0,
                    placed: 0,
                    reason: coeval_unplaced::of(*reason) as i32,
                    offset_s: f64::NAN,
                    drift_ppm: f64::NAN,
                    confidence: f64::NAN,
                    uncertainty_s: f64::NAN,
                    overlap_s: f64::NAN,
                    residual_rms_s: f64::NAN,
                    inverted: 0,
                    rate_mixup: 0,
                    knot_count: 0,
                    jump_count: 0,
                    evidence_count: 0,
                },
            };
            fill(summary, value)
        })
    }
}

/// Why the two have no placement, in words, or NULL when they have one. Valid as long as the library.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_reason(pair: *const coeval_pair) -> *const c_char {
    answer(std::ptr::null(), || {
        // SAFETY: the caller keeps the header's rules.
        Ok(match unsafe { handle::get(pair) }?.outcome {
            PairOutcome::Placed(_) => std::ptr::null(),
            PairOutcome::Unplaced(Unplaced::NoCommonSound) => c"no common sound".as_ptr(),
            PairOutcome::Unplaced(Unplaced::TooShort) => c"too short".as_ptr(),
            PairOutcome::Unplaced(Unplaced::OnlyPeriodicSound) => c"only periodic sound".as_ptr(),
            PairOutcome::Unplaced(Unplaced::Silent) => c"silent".as_ptr(),
            PairOutcome::Unplaced(Unplaced::BeyondDriftLimit) => {
                c"clocks that differ by more than the limit of the search".as_ptr()
            }
            PairOutcome::Unplaced(_) => c"another reason".as_ptr(),
        })
    })
}

/// Copies the first `capacity` knots of the map from `b`'s time (`file_s`) to `a`'s time (`timeline_s`) to `out` and
/// returns how many there are. 0 if `pair` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_knots(pair: *const coeval_pair, out: *mut coeval_knot, capacity: usize) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let knots = handle::get(pair)?.placed().map_or(&[][..], |p| p.map.knots());
        Ok(copy_out(knots.iter().map(coeval_knot::from), out, capacity))
    })
}

/// Copies the first `capacity` jumps to `out` and returns how many there are. 0 if `pair` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_jumps(
    pair: *const coeval_pair,
    out: *mut coeval_pair_jump,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let jumps = handle::get(pair)?.placed().map_or(&[][..], |p| &p.jumps);
        Ok(copy_out(jumps.iter().map(coeval_pair_jump::from), out, capacity))
    })
}

/// Copies the first `capacity` stretches of the overlap, in time order, to `out` and returns how many there are. 0 if `pair`
/// is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_stretches(
    pair: *const coeval_pair,
    out: *mut coeval_pair_stretch,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let stretches = handle::get(pair)?.placed().map_or(&[][..], |p| &p.stretches);
        Ok(copy_out(stretches.iter().map(coeval_pair_stretch::from), out, capacity))
    })
}

/// Copies the first `capacity` measurements, in time order, to `out` and returns how many there are. 0 if `pair` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_evidence(
    pair: *const coeval_pair,
    out: *mut coeval_evidence,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let evidence = handle::get(pair)?.placed().map_or(&[][..], |p| &p.evidence);
        Ok(copy_out(evidence.iter().map(coeval_evidence::from), out, capacity))
    })
}

/// Writes the map from `b`'s time to `a`'s time to `*out`, a handle of its own. Fails when they have no placement.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_clock_map(
    pair: *const coeval_pair,
    out: *mut *mut coeval_clock_map,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let placed = handle::get(pair)?.placed();
                placed.map(|p| p.map.clone()).ok_or_else(|| invalid("the pair has no placement, so it has no map"))
            })
        })
    }
}

/// The result as JSON text. Valid until the pair is freed; NULL if `pair` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_to_json(pair: *const coeval_pair) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(unsafe { handle::get(pair) }?.json.as_ptr()))
}

/// Frees the pair and sets `*pair` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_pair_free(pair: *mut *mut coeval_pair) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(pair) }
}
