//! Short sharp sounds: found, timed, measured, and matched between two recordings.
//!
//! # Finding
//! A hand clap, a slate or a knock is a sudden rise of power over many octaves that dies away within
//! some tens of milliseconds. It is looked for in three stages.
//!
//! 1. *Candidates*: the levels of half-octave bands (frames of 8 to 13 ms, four to a frame length) are
//!    each compared with their own running median and 90th percentile over the 2 s before and 0.5 s
//!    after, an order-statistic constant-false-alarm-rate test (Rohling, IEEE TAES 19(4), 1983; from
//!    memory), so that an engine's knock raises its own threshold. The clipped, normalised excesses are
//!    added over the bands; a candidate is a local maximum that stands out from what is round it.
//! 2. *Examination*: the sound round the candidate is whitened by an autoregressive model of the sound
//!    just before it, at up to 50 kHz, because the highest octaves have the least engine in them and tell
//!    the first stroke apart. In the residual the onset is the change of variance that the AR-AIC picker finds
//!    (Maeda 1985; Sleeman & van Eck, PEPI 113, 1999; both from memory): of all splits of the window
//!    into noise and event, the likeliest. The splits' Akaike weights give the onset as their mean, to a
//!    fraction of a sample, and its uncertainty as their spread. Rise, decay, bandwidth and repetition
//!    are then measured, and decide what kind of sound it is.
//! 3. *Weighing*: these measures and the course of the bands' levels from 250 ms before to 200 ms after
//!    go through a network of two hidden layers (128 and 32 rectified units), which has learnt what claps and
//!    knocks are from drum samples in simulated rooms under engines, wind, radio, talk and switches
//!    (`benches/scripts/fit_markers.py`). Its output is the [score](Marker::score).
//!
//! # Matching
//! [`match_markers`] looks for the offset and drift under which most markers of two recordings fall
//! together, and says how many such coincidences chance alone would have produced.

mod bytes;
mod detect;
mod matching;
mod network;
mod onset;
#[cfg(test)]
mod tests;

use crate::error::Result;

pub use detect::MarkerDetector;
pub use matching::{MATCH_FEWEST, MarkerMatch, MarkerPair, MatchOptions, match_markers};

/// What a short sound is, by the measured course of its energy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Shape {
    /// Starts suddenly and dies away: a clap, a slate, a knock.
    Clap,
    /// Over within a millisecond: a switch, a digital click, a mains pulse.
    Click,
    /// Starts suddenly and goes on: radio squelch, a horn, the start of a word.
    Burst,
    /// Sudden, but only in the low octaves: a backfire, a wave against the hull, wind.
    Thud,
}

/// Whether a marker stands alone, by the times between it and its neighbours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Grouping {
    /// No other marker within 1.5 s.
    Isolated,
    /// One of a few, as three claps are.
    Series,
    /// One of six or more whose times repeat within 2.5 %: a machine, no marker.
    Periodic,
}

/// A spoken or clapped count before a marker: three beats, then the marker on the fourth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountIn {
    /// Time from beat to beat, seconds.
    pub interval_s: f64,
    /// How far the beats stand above the moments between them, dB.
    pub contrast_db: f64,
}

/// A short sharp sound.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Marker {
    /// Its onset, seconds after the first sample that was fed.
    pub time_s: f64,
    /// One standard deviation of `time_s`, seconds.
    pub uncertainty_s: f64,
    /// Whitened energy of the 3 ms after the onset over that of the 10 ms before, dB.
    pub sharpness_db: f64,
    /// Largest sample magnitude within 20 ms of the onset, dB relative to full scale.
    pub peak_dbfs: f64,
    /// Largest whitened energy of 1 ms over the energy of the noise before, dB.
    pub snr_db: f64,
    /// Time until half of its energy (of the first 120 ms, above the noise) has come, seconds.
    pub decay_s: f64,
    /// Width of the part of its spectrum that stands above the noise, Hz.
    pub bandwidth_hz: f64,
    /// Centre of gravity of its spectrum above the noise, Hz.
    pub centre_hz: f64,
    /// Course of its energy.
    pub shape: Shape,
    /// Its neighbourhood.
    pub grouping: Grouping,
    /// The count before it, if there was one.
    pub count_in: Option<CountIn>,
    /// The sound round the onset, kept so that two recordings' markers can be compared to a fraction
    /// of a sample: mono at [`WAVEFORM_RATE_HZ`], its first sample at `waveform_start_s`.
    pub waveform: Vec<f32>,
    /// Time of the first sample of `waveform`, seconds.
    pub waveform_start_s: f64,
    /// How much it is like a clap or a knock: log odds by a small network on `measures` and `levels`, which has learnt
    /// from drum samples and knocks under engines, wind, radio and talk; 0 where the engines, wind and radio of the
    /// benchmark give two false alarms in three hours; under an engine that it has not learnt there may be more.
    pub score: f64,
    /// What was measured, in the order of [`MEASURES`].
    pub measures: [f64; MEASURES.len()],
    /// The levels of ten half-octave bands from 350 Hz in 24 stretches of time from 250 ms before to 200 ms after the
    /// onset, the shortest (2.7 ms) next to it: how far each lies above its median of 2.5 s, in units of the distance
    /// from there to the 90th percentile (at least 1.5 dB), within -4 and 12; all bands of the first stretch, then of
    /// the second, and so on. After them, per band, a third of that unit in dB.
    pub levels: Vec<f32>,
}

/// Rate of [`Marker::waveform`], Hz.
pub const WAVEFORM_RATE_HZ: f64 = 16_000.0;

/// What [`Marker::measures`] holds.
pub const MEASURES: [&str; 14] = [
    "strength: sum of the bands' normalised excesses at the peak, standard deviations",
    "rise: strength less its mean 60 to 8 ms before",
    "before: largest strength 60 to 12 ms before",
    "after: largest strength 100 to 250 ms after",
    "bands: number of half-octave bands far above their background",
    "early: whitened energy of the first 15 ms over the noise, dB",
    "over_before: loudest millisecond over the loudest of the 150 ms before, dB",
    "over_after: loudest millisecond over the loudest 60 to 200 ms after, dB",
    "over_after again, no more than 3 dB: what goes on is no clap",
    "mid: energy 20 to 50 ms after the onset over that of the first 15 ms, dB",
    "late: energy 60 to 120 ms after the onset over that of the first 15 ms, dB",
    "decay: time until half of the energy has come, ms",
    "gain: log of the log-likelihood gained by the onset",
    "width: log2 of the bandwidth in Hz + 100",
];

crate::options! {
    /// How markers are looked for.
    #[derive(Debug, Clone)]
    #[non_exhaustive]
    pub struct MarkerOptions {
        /// Sounds whose peak lies below this are left out, dB relative to full scale.
        pub min_peak_dbfs: f64 = -60.0, f64::NEG_INFINITY..=f64::INFINITY;
        /// Score that a marker needs. A lower value than the default finds more faint claps and more of what is none; 2
        /// is better where nothing else vouches for a clap.
        pub min_score: f64 = 0.0, f64::NEG_INFINITY..=f64::INFINITY;
        /// Report every candidate, whatever its shape, grouping and score, not only what can serve as a marker.
        pub all: bool = false, 0.0..=1.0;
    } and {}
}

/// Finds the markers of a whole mono recording; times in seconds from its first sample.
///
/// ```
/// use coeval::marker::{MarkerOptions, find_markers};
///
/// // A hiss (a congruential generator), and 4 s into it 10 ms of something like a clap.
/// let mut state = 1u32;
/// let mut noise = || {
///     state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
///     (state >> 8) as f32 / (1 << 23) as f32 - 1.0
/// };
/// let sound: Vec<f32> = (0..8 * 48_000)
///     .map(|n| match n as f32 / 48_000.0 - 4.0 {
///         t if t >= 0.0 => (0.001 + 0.5 * (-t / 0.01).exp()) * noise(),
///         _ => 0.001 * noise(),
///     })
///     .collect();
/// let found = find_markers(&sound, 48_000.0, &MarkerOptions::default())?;
/// assert_eq!(found.len(), 1);
/// assert!((found[0].time_s - 4.0).abs() < 1e-3);
/// # Ok::<(), coeval::Error>(())
/// ```
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) when `rate_hz` is not within 8000 to 192000.
pub fn find_markers(mono: &[f32], rate_hz: f64, options: &MarkerOptions) -> Result<Vec<Marker>> {
    let mut detector = MarkerDetector::new(rate_hz, 1, options)?;
    let mut out = detector.push(mono)?;
    out.extend(detector.finish());
    Ok(out)
}
