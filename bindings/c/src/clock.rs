//! Maps between clocks.

use std::ffi::c_char;

use coeval::clock::ClockMap;
use coeval::{Error, ErrorKind};

use crate::handle::{self, c_text, copy_out, copy_text, handle, invalid, slice, text};
use crate::panics::answer;
use crate::status::{coeval_error, coeval_status, guard};

/// A moment of a file and the timeline moment it lies at, both in seconds.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_knot {
    /// File time, seconds; 0 is the first moment that a player presents.
    pub file_s: f64,
    /// Timeline time, seconds.
    pub timeline_s: f64,
}

impl From<&(f64, f64)> for coeval_knot {
    fn from(&(file_s, timeline_s): &(f64, f64)) -> Self {
        Self { file_s, timeline_s }
    }
}

/// A sudden change of offset in a file.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_jump {
    /// Where in the file, seconds.
    pub file_s: f64,
    /// Seconds of sound that the file lost there; negative: that it repeated.
    pub lost_s: f64,
}

/// Piecewise-linear map from one file's time to the timeline. Never changes: any number of threads may use one.
pub struct coeval_clock_map {
    _opaque: [u8; 0],
}

handle!(coeval_clock_map, ClockMap, b"cv clock");

/// A map from two or more knots, ascending in file time; two knots at one file time are a jump. Written to `*out`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_from_knots(
    knots: *const coeval_knot,
    count: usize,
    out: *mut *mut coeval_clock_map,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let knots = slice(knots, count, "the list of knots")?;
                ClockMap::from_knots(knots.iter().map(|k| (k.file_s, k.timeline_s)).collect())
            })
        })
    }
}

/// A straight map over `duration_s` seconds. `offset_s` is timeline time minus file time at the file's start,
/// `drift_ppm` is (timeline seconds per file second - 1) * 1e6. Written to `*out`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_linear(
    offset_s: f64,
    drift_ppm: f64,
    duration_s: f64,
    out: *mut *mut coeval_clock_map,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let drifts = drift_ppm > -1e6 && drift_ppm.is_finite();
                if !(drifts && offset_s.is_finite() && duration_s.is_finite() && duration_s > 0.0) {
                    return Err(invalid(format!(
                        "offset_s {offset_s}, drift_ppm {drift_ppm}, duration_s {duration_s} do not make a clock map"
                    )));
                }
                Ok(ClockMap::linear(offset_s, drift_ppm, duration_s))
            })
        })
    }
}

/// Timeline time of a moment of the file, seconds; NaN if `map` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_to_timeline(map: *const coeval_clock_map, file_s: f64) -> f64 {
    // SAFETY: the caller keeps the header's rules.
    answer(f64::NAN, || Ok(unsafe { handle::get(map) }?.forward(file_s)))
}

/// File time of a timeline moment, seconds; NaN if `map` is invalid. Inside a gap that the file lost, the moment of the
/// jump; in time that it repeated, the earlier of the two places.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_to_file(map: *const coeval_clock_map, timeline_s: f64) -> f64 {
    // SAFETY: the caller keeps the header's rules.
    answer(f64::NAN, || Ok(unsafe { handle::get(map) }?.inverse(timeline_s)))
}

/// Copies the first `capacity` knots to `out` and returns how many there are; 0 if `map` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_knots(
    map: *const coeval_clock_map,
    out: *mut coeval_knot,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe { Ok(copy_out(handle::get(map)?.knots().iter().map(coeval_knot::from), out, capacity)) })
}

/// The value of `schema` in a map's JSON text.
const SCHEMA: &str = "coeval.clock-map/1";

/// Writes the map as JSON text to `out`, which has room for `capacity` bytes, and returns its length without the NUL at
/// its end. What does not fit is cut off, so ask with (NULL, 0) first. 0 if `map` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_to_json(
    map: *const coeval_clock_map,
    out: *mut c_char,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let json = serde_json::json!({"schema": SCHEMA, "knots": handle::get(map)?.knots()});
        Ok(copy_text(&c_text(json.to_string()), out, capacity))
    })
}

/// Reads again, to `*out`, what `coeval_clock_map_to_json` wrote, to the last bit.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_from_json(
    json: *const c_char,
    out: *mut *mut coeval_clock_map,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let no_map = || Error::new(ErrorKind::Damaged, format!("the text is not a clock map of {SCHEMA}"));
                let mut value: serde_json::Value =
                    serde_json::from_str(text(json, "the JSON text")?).map_err(|e| no_map().with_source(e))?;
                if value["schema"] != SCHEMA {
                    return Err(no_map());
                }
                let knots = serde_json::from_value(value["knots"].take()).map_err(|e| no_map().with_source(e))?;
                ClockMap::from_knots(knots)
            })
        })
    }
}

/// Frees the map and sets `*map` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_clock_map_free(map: *mut *mut coeval_clock_map) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(map) }
}
