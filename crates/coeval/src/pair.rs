//! Two tracks -> how their clocks relate.

use crate::clock::ClockMap;
use crate::error::Result;
use crate::progress::Progress;
use crate::track::Track;

/// How two tracks are compared.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PairOptions {
    /// Largest difference of the two clocks that is searched, in ppm, either way. 0 to 1200.
    pub max_drift_ppm: f64,
    /// Where the user's own knowledge puts the offset (`a` time minus `b` time at the start of `b`):
    /// lowest and highest value in seconds. `None`: anywhere.
    pub offset_range_s: Option<(f64, f64)>,
}

impl Default for PairOptions {
    fn default() -> Self {
        Self { max_drift_ppm: 500.0, offset_range_s: None }
    }
}

/// Why two tracks, or a file, have no placement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Unplaced {
    /// Nothing in one matches anything in the other.
    NoCommonSound,
    /// Too little sound to tell.
    TooShort,
    /// What is common repeats itself (an engine, mains hum), so that many places fit equally well.
    OnlyPeriodicSound,
    /// One of them holds digital silence only.
    Silent,
}

impl Unplaced {
    /// The reason in words.
    pub fn as_str(self) -> &'static str {
        match self {
            Unplaced::NoCommonSound => "no common sound",
            Unplaced::TooShort => "too short",
            Unplaced::OnlyPeriodicSound => "only periodic sound",
            Unplaced::Silent => "silent",
        }
    }
}

/// One block's measurement: this moment of `b` is that moment of `a`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// Time in `a`, seconds.
    pub a_s: f64,
    /// Time in `b`, seconds.
    pub b_s: f64,
    /// One standard deviation of `a_s` given `b_s`, seconds.
    pub sigma_s: f64,
}

/// A sudden change of offset between two tracks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairJump {
    /// Where in `a`, seconds.
    pub a_s: f64,
    /// Where in `b`, seconds.
    pub b_s: f64,
    /// Change of `a` time minus `b` time at this moment, seconds: > 0 is sound that `b` lost or `a` repeated.
    pub step_s: f64,
}

/// How `b`'s clock relates to `a`'s.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PairAlignment {
    /// From `b`'s time to `a`'s time, over all of `b`.
    pub map: ClockMap,
    /// Probability that the placement is right, calibrated by the false-placement benchmark.
    pub confidence: f64,
    /// One standard deviation of the placement's error at its worst moment in the overlap, seconds.
    pub uncertainty_s: f64,
    /// Seconds during which both recorded.
    pub overlap_s: f64,
    /// Root mean square of the evidence against the map, seconds.
    pub residual_rms_s: f64,
    /// The measurements, in time order.
    pub evidence: Vec<Evidence>,
    /// Jumps, in time order.
    pub jumps: Vec<PairJump>,
    /// `b` sounds like `a` with its sign turned round.
    pub inverted: bool,
    /// The drift is 999 to 1001 ppm: a 1000/1001 mix-up of rates, not a bad clock.
    pub rate_mixup: bool,
}

/// What came of comparing two tracks. A low confidence is a result, not an error.
#[derive(Debug, Clone)]
pub enum PairOutcome {
    /// They share sound, and this is how they lie.
    Placed(Box<PairAlignment>),
    /// They have no placement, and why.
    Unplaced(Unplaced),
}

/// Compares two tracks.
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) for options out of range,
/// [`Cancelled`](crate::ErrorKind::Cancelled) when `progress` says so.
pub fn align_pair(_a: &Track, _b: &Track, _options: &PairOptions, _progress: &dyn Progress) -> Result<PairOutcome> {
    Ok(PairOutcome::Unplaced(Unplaced::NoCommonSound))
}
