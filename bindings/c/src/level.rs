//! Is the sound loud enough, clean and whole?

use std::ffi::{CString, c_char};

use coeval::Result;
use coeval_listen::level::{LevelMeter, LevelReport, LevelStretch};

use crate::handle::{self, c_text, copy_out, fill, growing, handle, invalid, pointer};
use crate::panics::answer;
use crate::sound::Fed;
use crate::status::{coeval_error, coeval_status, guard};

/// Measures levels, block by block. One thread at a time.
pub struct coeval_level_meter {
    _opaque: [u8; 0],
}

handle!(coeval_level_meter, Fed<LevelMeter>, b"cv meter");

/// A meter for sound at `rate_hz` (8000 to 192000, whole) with `channels` (1 to 64), written to `*out`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_meter_new_hz(
    rate_hz: f64,
    channels: usize,
    out: *mut *mut coeval_level_meter,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                if !(rate_hz.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&rate_hz)) {
                    return Err(invalid(format!("rate_hz is {rate_hz}, not a whole number within 8000 to 192000")));
                }
                Ok(Fed::new(LevelMeter::new(rate_hz as u32, channels)?, channels))
            })
        })
    }
}

/// The earlier form of `coeval_level_meter_new_hz`, with the rate as a whole number.
#[deprecated(note = "use coeval_level_meter_new_hz")]
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_meter_new(
    rate_hz: u32,
    channels: usize,
    out: *mut *mut coeval_level_meter,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { coeval_level_meter_new_hz(f64::from(rate_hz), channels, out, error) }
}

/// Takes the next `frames` frames, interleaved. NaN and infinite samples count as zero.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_meter_push_interleaved(
    meter: *mut coeval_level_meter,
    samples: *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(meter)?.interleaved(samples, frames, |sink, block| sink.push(block))) }
}

/// As `coeval_level_meter_push_interleaved`, with one pointer for each channel.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_meter_push_planar(
    meter: *mut coeval_level_meter,
    channels: *const *const f32,
    frames: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::get_mut(meter)?.planar(channels, frames, 0, |sink, block| sink.push(block))) }
}

/// Writes the readings to `*out`. The meter is used up: `*meter` becomes NULL.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_meter_finish(
    meter: *mut *mut coeval_level_meter,
    out: *mut *mut coeval_level_report,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Ok(Readings::new(handle::take(meter)?.sink.finish()?)))) }
}

/// Frees the meter and sets `*meter` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_meter_free(meter: *mut *mut coeval_level_meter) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(meter) }
}

/// Result of a level meter. Never changes: any number of threads may use one.
pub struct coeval_level_report {
    _opaque: [u8; 0],
}

handle!(coeval_level_report, Readings, b"cv level");

/// What a `coeval_level_report` holds.
pub(crate) struct Readings {
    report: LevelReport,
    advice: Vec<(bool, CString)>,
}

impl Readings {
    fn new(report: LevelReport) -> Self {
        let advice = report.advice().into_iter().map(|a| (a.serious, c_text(a.text))).collect();
        Self { report, advice }
    }
}

/// The readings of all channels together. Set `struct_size` to `sizeof(coeval_level_summary)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_level_summary {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Length of the sound, seconds.
    pub duration_s: f64,
    /// Number of channels.
    pub channel_count: usize,
    /// Integrated loudness, LUFS; NaN: nothing above the gate.
    pub integrated_lufs: f64,
    /// Largest momentary loudness (0.4 s), LUFS, or NaN.
    pub momentary_max_lufs: f64,
    /// Largest short-term loudness (3 s), LUFS, or NaN.
    pub short_term_max_lufs: f64,
    /// Loudness range, LU, or NaN.
    pub loudness_range_lu: f64,
    /// Level below which the quietest tenth of the sound stays, dB relative to full scale, or NaN.
    pub noise_floor_dbfs: f64,
    /// Mains frequency whose multiples are in the sound, Hz; NaN without hum.
    pub hum_hz: f64,
    /// Level of this hum, all multiples together, dB relative to full scale, or NaN.
    pub hum_dbfs: f64,
    /// All digital silence together, seconds.
    pub silence_total_s: f64,
    /// Number of drop-outs.
    pub dropout_count: u64,
    /// Number of lines of advice, see `coeval_level_report_advice`.
    pub advice_count: usize,
}

growing!(coeval_level_summary, advice_count: usize);

/// Fills `*summary` with the readings of all channels together.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_report_get_summary(
    report: *const coeval_level_report,
    summary: *mut coeval_level_summary,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let Readings { report, advice } = handle::get(report)?;
            let value = coeval_level_summary {
                struct_size: 0,
                duration_s: report.duration_s,
                channel_count: report.channels.len(),
                integrated_lufs: report.integrated_lufs.unwrap_or(f64::NAN),
                momentary_max_lufs: report.momentary_max_lufs.unwrap_or(f64::NAN),
                short_term_max_lufs: report.short_term_max_lufs.unwrap_or(f64::NAN),
                loudness_range_lu: report.loudness_range_lu.unwrap_or(f64::NAN),
                noise_floor_dbfs: report.noise_floor_dbfs.unwrap_or(f64::NAN),
                hum_hz: report.hum.as_ref().map_or(f64::NAN, |h| h.base_hz),
                hum_dbfs: report.hum.as_ref().map_or(f64::NAN, |h| h.level_dbfs),
                silence_total_s: report.silence_total_s,
                dropout_count: report.dropout_count,
                advice_count: advice.len(),
            };
            fill(summary, value)
        })
    }
}

/// One channel's readings. Set `struct_size` to `sizeof(coeval_channel_level)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_channel_level {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Largest sample magnitude, dB relative to full scale; minus infinity for silence.
    pub sample_peak_dbfs: f64,
    /// Largest magnitude between samples too, dBTP; minus infinity for silence.
    pub true_peak_dbtp: f64,
    /// Mean of the samples, full scale is 1.
    pub dc: f64,
    /// Root mean square, dB relative to full scale.
    pub rms_dbfs: f64,
    /// Number of runs of three or more clipped samples.
    pub clipped_runs: u64,
    /// Number of samples in them.
    pub clipped_samples: u64,
    /// Level of the active part (such as speech), dB relative to full scale; NaN without one.
    pub active_level_dbfs: f64,
    /// Share of the time that the active part takes, 0 to 1.
    pub activity: f64,
}

growing!(coeval_channel_level, activity: f64);

/// Fills `*level` with one channel's readings.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_report_get_channel(
    report: *const coeval_level_report,
    channel: usize,
    level: *mut coeval_channel_level,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let channels = &handle::get(report)?.report.channels;
            let of = channels.len();
            let c = channels.get(channel).ok_or_else(|| invalid(format!("channel {channel} of {of}")))?;
            let value = coeval_channel_level {
                struct_size: 0,
                sample_peak_dbfs: c.sample_peak_dbfs,
                true_peak_dbtp: c.true_peak_dbtp,
                dc: c.dc,
                rms_dbfs: c.rms_dbfs,
                clipped_runs: c.clipped_runs,
                clipped_samples: c.clipped_samples,
                active_level_dbfs: c.active_level_dbfs.unwrap_or(f64::NAN),
                activity: c.activity,
            };
            fill(level, value)
        })
    }
}

/// What a list of stretches is about. Numbers never change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_stretches {
    /// Clipped runs of all channels.
    COEVAL_CLIPPING = 0,
    /// Digital silence of 0.1 s or more in every channel.
    COEVAL_SILENCE = 1,
    /// Zeros for 1 to 100 ms in every channel amid sound.
    COEVAL_DROPOUTS = 2,
}

/// A stretch of the sound.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_stretch {
    /// Where it starts, seconds after the first frame.
    pub start_s: f64,
    /// How long it is, seconds.
    pub length_s: f64,
}

impl From<&LevelStretch> for coeval_stretch {
    fn from(s: &LevelStretch) -> Self {
        Self { start_s: s.start_s, length_s: s.length_s }
    }
}

/// Copies the first `capacity` stretches of a kind, a `coeval_stretches`, to `out` and returns how many there are: the
/// first thousand are kept. 0 for an unknown kind, and if `report` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_report_stretches(
    report: *const coeval_level_report,
    what: i32,
    out: *mut coeval_stretch,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let list = list(&handle::get(report)?.report, what)?;
        Ok(copy_out(list.iter().map(coeval_stretch::from), out, capacity))
    })
}

fn list(report: &LevelReport, what: i32) -> Result<&[LevelStretch]> {
    let lists = [
        (coeval_stretches::COEVAL_CLIPPING, &report.clipping),
        (coeval_stretches::COEVAL_SILENCE, &report.silence),
        (coeval_stretches::COEVAL_DROPOUTS, &report.dropouts),
    ];
    let found = lists.into_iter().find(|l| l.0 as i32 == what);
    found.map(|l| &l.1[..]).ok_or_else(|| invalid(format!("{what} is no coeval_stretches")))
}

/// A line of advice, the serious first, or NULL when there is no line of this number. `*serious` (may be NULL) is set
/// to 1 when it spoils the recording, else to 0. Valid until the report is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_report_advice(
    report: *const coeval_level_report,
    index: usize,
    serious: *mut i32,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || unsafe {
        let line = handle::get(report)?.advice.get(index);
        if !serious.is_null() {
            handle::place(serious, "the place for `serious`")?.write(i32::from(line.is_some_and(|l| l.0)));
        }
        Ok(pointer(line.map(|l| &l.1)))
    })
}

/// Frees the report and sets `*report` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_level_report_free(report: *mut *mut coeval_level_report) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(report) }
}
