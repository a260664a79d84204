//! Short sharp sounds.

use coeval::Result;
use coeval::marker::{
    Grouping, Marker, MarkerDetector, MarkerMatch, MarkerOptions, MatchOptions, Shape, match_markers,
};

use crate::handle::{self, copy_out, fill, growing, handle, invalid};
use crate::pair::coeval_pair_options;
use crate::panics::answer;
use crate::sound::Fed;
use crate::status::{coeval_error, coeval_status, guard};

/// How the energy of a marker changes over time. Numbers never change; later versions may add some.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_shape {
    /// Starts suddenly and dies away: a clap, a slate, a knock.
    COEVAL_CLAP = 1,
    /// Over within a millisecond: a switch, a digital click.
    COEVAL_CLICK = 2,
    /// Starts suddenly and goes on: radio squelch, a horn.
    COEVAL_BURST = 3,
    /// Sudden, but only in the low octaves: a wave against the hull, wind.
    COEVAL_THUD = 4,
    /// A shape that this version of the C library has no number for.
    COEVAL_OTHER_SHAPE = 1000,
}

/// Whether a marker stands alone. Numbers never change; later versions may add some.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_grouping {
    /// No other marker within 1.5 s.
    COEVAL_ISOLATED = 1,
    /// One of a few, such as three claps.
    COEVAL_SERIES = 2,
    /// One of six or more at equal intervals: a machine, not a marker.
    COEVAL_PERIODIC = 3,
    /// A grouping that this version of the C library has no number for.
    COEVAL_OTHER_GROUPING = 1000,
}

/// A short sharp sound. Set `struct_size` to `sizeof(coeval_marker)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_marker {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Its onset, seconds after the first frame that was pushed.
    pub time_s: f64,
    /// One standard deviation of `time_s`, seconds.
    pub uncertainty_s: f64,
    /// Energy of the 3 ms after the onset relative to the 10 ms before it, whitened, dB.
    pub sharpness_db: f64,
    /// Largest sample magnitude within 20 ms of the onset, dB relative to full scale.
    pub peak_dbfs: f64,
    /// Largest energy in 1 ms relative to the noise before it, whitened, dB.
    pub snr_db: f64,
    /// How much it is like a clap or a knock: log odds.
    pub score: f64,
    /// How its energy changes over time, a `coeval_shape`.
    pub shape: i32,
    /// Whether it stands alone, a `coeval_grouping`.
    pub grouping: i32,
    /// Interval between the beats of the count-in before it, seconds; NaN without a count-in.
    pub count_in_interval_s: f64,
}

growing!(coeval_marker, count_in_interval_s: f64);

impl From<&Marker> for coeval_marker {
    fn from(m: &Marker) -> Self {
        let shape = match m.shape {
            Shape::Clap => coeval_shape::COEVAL_CLAP,
            Shape::Click => coeval_shape::COEVAL_CLICK,
            Shape::Burst => coeval_shape::COEVAL_BURST,
            Shape::Thud => coeval_shape::COEVAL_THUD,
            _ => coeval_shape::COEVAL_OTHER_SHAPE,
        };
        let grouping = match m.grouping {
            Grouping::Isolated => coeval_grouping::COEVAL_ISOLATED,
            Grouping::Series => coeval_grouping::COEVAL_SERIES,
            Grouping::Periodic => coeval_grouping::COEVAL_PERIODIC,
            _ => coeval_grouping::COEVAL_OTHER_GROUPING,
        };
        Self {
            struct_size: 0,
            time_s: m.time_s,
            uncertainty_s: m.uncertainty_s,
            sharpness_db: m.sharpness_db,
            peak_dbfs: m.peak_dbfs,
            snr_db: m.snr_db,
            score: m.score,
            shape: shape as i32,
            grouping: grouping as i32,
            count_in_interval_s: m.count_in.map_or(f64::NAN, |c| c.interval_s),
        }
    }
}

/// Options for finding markers. One thread at a time.
pub struct coeval_marker_options {
    _opaque: [u8; 0],
}

handle!(coeval_marker_options, MarkerOptions, b"cv marko");

/// Options with their defaults.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_marker_options_new() -> *mut coeval_marker_options {
    answer(std::ptr::null_mut(), || Ok(handle::new(MarkerOptions::default())))
}

/// Frees the options and sets `*options` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_options_free(options: *mut *mut coeval_marker_options) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(options) }
}

/// Minimum peak, dB relative to full scale. Quieter sounds are left out. Default -60.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_options_set_min_peak_dbfs(
    options: *mut coeval_marker_options,
    min_peak_dbfs: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.min_peak_dbfs = number(min_peak_dbfs, "min_peak_dbfs")?;
            Ok(())
        })
    }
}

/// Minimum score of a marker (log odds). Default 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_options_set_min_score(
    options: *mut coeval_marker_options,
    min_score: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(options)?.min_score = number(min_score, "min_score")?;
            Ok(())
        })
    }
}

fn number(value: f64, name: &str) -> Result<f64> {
    if value.is_nan() { Err(invalid(format!("{name} is not a number"))) } else { Ok(value) }
}

/// Finds markers in sound that arrives in blocks, and keeps them (some kilobytes each). One thread at a time.
pub struct coeval_marker_detector {
    _opaque: [u8; 0],
}

handle!(coeval_marker_detector, Fed<Detection>, b"cv marks");

/// A detector and what it found.
pub(crate) struct Detection {
    /// `None` once the sound has ended.
    detector: Option<MarkerDetector>,
    found: Vec<Marker>,
}

impl Detection {
    fn push(&mut self, block: &[f32]) -> Result<()> {
        let detector = self.detector.as_mut().ok_or_else(|| invalid("the sound has ended for this detector"))?;
        self.found.extend(detector.push(block)?);
        Ok(())
    }
}

/// A detector for sound at `rate_hz` (8000 to 192000) with `channels` (1 to 64), written to `*out`. `options` may be
/// NULL for the defaults.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_detector_new(
    rate_hz: f64,
    channels: usize,
    options: *const coeval_marker_options,
    out: *mut *mut coeval_marker_detector,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let options = handle::optional(options)?.cloned().unwrap_or_default();
                let detector = MarkerDetector::new(rate_hz, channels, &options)?;
                Ok(Fed::new(Detection { detector: Some(detector), found: Vec::new() }, channels))
            })
        })
    }
}

/// Takes the next `frames` frames, interleaved. A marker is certain about 7 s after it sounded. NaN and infinite samples
/// count as silence.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_detector_push_interleaved(
    detector: *mut coeval_marker_detector,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(detector)?.interleaved(samples, frames, Detection::push)) }
}

/// As `coeval_marker_detector_push_interleaved`, with one pointer for each channel.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_detector_push_planar(
    detector: *mut coeval_marker_detector,
    channels: *const *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(detector)?.planar(channels, frames, 0, Detection::push)) }
}

/// Says that the sound has ended: the last markers become certain. The detector takes no more sound.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_detector_end(
    detector: *mut coeval_marker_detector,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let detection = &mut handle::get_mut(detector)?.sink;
            detection.found.extend(detection.detector.take().map_or_else(Vec::new, MarkerDetector::finish));
            Ok(())
        })
    }
}

/// Number of markers that are certain by now. 0 if `detector` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_detector_count(detector: *const coeval_marker_detector) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(detector) }?.sink.found.len()))
}

/// Fills `*marker` with the marker of this number, in time order from 0.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_detector_get(
    detector: *const coeval_marker_detector,
    index: usize,
    marker: *mut coeval_marker,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let found = &handle::get(detector)?.sink.found;
            let of = found.len();
            fill(marker, found.get(index).ok_or_else(|| invalid(format!("marker {index} of {of}")))?.into())
        })
    }
}

/// Frees the detector and sets `*detector` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_detector_free(detector: *mut *mut coeval_marker_detector) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(detector) }
}

/// Offset and drift of two recordings, from their markers alone. Never changes: any number of threads may use one.
pub struct coeval_marker_match {
    _opaque: [u8; 0],
}

handle!(coeval_marker_match, Option<MarkerMatch>, b"cv match");

/// The figures of a `coeval_marker_match`. Set `struct_size` to `sizeof(coeval_marker_match_summary)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_marker_match_summary {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// 1: they match. 0: chance alone could explain it; then every figure is NaN or 0.
    pub matched: i32,
    /// Not used yet, 0.
    pub reserved: i32,
    /// `a` time minus `b` time at the start of `b`, seconds.
    pub offset_s: f64,
    /// (seconds of `a` per second of `b` - 1) * 1e6.
    pub drift_ppm: f64,
    /// One standard deviation of `drift_ppm`.
    pub drift_sigma_ppm: f64,
    /// One standard deviation of the offset in the middle of the matched markers, seconds.
    pub uncertainty_s: f64,
    /// Root mean square of the pairs against the line, seconds.
    pub residual_rms_s: f64,
    /// Probability that the match is right.
    pub confidence: f64,
    /// Number of matched markers, see `coeval_marker_match_pairs`.
    pub pair_count: usize,
}

growing!(coeval_marker_match_summary, pair_count: usize);

/// One marker of each recording that are the same sound.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_marker_pair {
    /// Number of the marker in `a`.
    pub a_index: usize,
    /// Number of the marker in `b`.
    pub b_index: usize,
    /// Its time in `a`, seconds, after comparing the two waveforms.
    pub a_s: f64,
    /// Its time in `b`, seconds.
    pub b_s: f64,
    /// One standard deviation of `a_s` given `b_s`, seconds.
    pub sigma_s: f64,
}

/// Looks for the offset and drift at which most markers of `b` coincide with those of `a`, and writes the result to `*out`.
/// If they do not match, this is a result, not a failure. `options` may be NULL; the detectors are not changed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_match_new(
    a: *const coeval_marker_detector,
    b: *const coeval_marker_detector,
    options: *const coeval_pair_options,
    out: *mut *mut coeval_marker_match,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let mut how = MatchOptions::default();
                if let Some(options) = handle::optional(options)? {
                    how.max_drift_ppm = options.pair.max_drift_ppm;
                    how.offset_range_s = options.pair.offset_range_s;
                }
                match_markers(&handle::get(a)?.sink.found, &handle::get(b)?.sink.found, &how)
            })
        })
    }
}

/// The earlier name of `coeval_marker_match_new`.
#[deprecated(note = "use coeval_marker_match_new")]
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_match_markers(
    a: *const coeval_marker_detector,
    b: *const coeval_marker_detector,
    options: *const coeval_pair_options,
    out: *mut *mut coeval_marker_match,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { coeval_marker_match_new(a, b, options, out, error) }
}

/// Fills `*summary` with the figures.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_match_get_summary(
    found: *const coeval_marker_match,
    summary: *mut coeval_marker_match_summary,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let found = handle::get(found)?.as_ref();
            let figure = |of: fn(&MarkerMatch) -> f64| found.map_or(f64::NAN, of);
            let value = coeval_marker_match_summary {
                struct_size: 0,
                matched: i32::from(found.is_some()),
                reserved: 0,
                offset_s: figure(|m| m.offset_s),
                drift_ppm: figure(|m| m.drift_ppm),
                drift_sigma_ppm: figure(|m| m.drift_sigma_ppm),
                uncertainty_s: figure(|m| m.uncertainty_s),
                residual_rms_s: figure(|m| m.residual_rms_s),
                confidence: figure(|m| m.confidence),
                pair_count: found.map_or(0, |m| m.pairs.len()),
            };
            fill(summary, value)
        })
    }
}

/// Copies the first `capacity` matched markers, in time order, to `out` and returns how many there are. 0 if `found` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_match_pairs(
    found: *const coeval_marker_match,
    out: *mut coeval_marker_pair,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let pairs = handle::get(found)?.as_ref().map_or(&[][..], |m| &m.pairs);
        let pairs = pairs.iter().map(|p| coeval_marker_pair {
            a_index: p.ia,
            b_index: p.ib,
            a_s: p.a_s,
            b_s: p.b_s,
            sigma_s: p.sigma_s,
        });
        Ok(copy_out(pairs, out, capacity))
    })
}

/// Frees the match and sets `*found` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_marker_match_free(found: *mut *mut coeval_marker_match) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(found) }
}
