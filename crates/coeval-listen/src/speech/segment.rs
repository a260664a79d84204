//! A stretch of speech, and where its voice comes from.

use coeval::{Error, Result};
use serde::{Deserialize, Serialize};

/// Where a voice on the recorder's track comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Origin {
    /// A local voice: any voice that does not come over the radio. Files call it `intercom`.
    Local,
    /// The radio.
    Radio,
    /// Nothing tells one from the other.
    Unknown,
}

impl Origin {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Local, Self::Radio, Self::Unknown];

    /// The word used for it everywhere.
    pub fn as_str(self) -> &'static str {
        match self {
            Origin::Local => "intercom",
            Origin::Radio => "radio",
            Origin::Unknown => "unknown",
        }
    }

    /// That of a voice with this probability of coming over the radio, 0 to 1: unknown from 0.1 to 0.9.
    pub fn of(radio: f64) -> Self {
        match radio {
            ..UNSURE_FROM => Origin::Local,
            UNSURE_TO.. => Origin::Radio,
            _ => Origin::Unknown,
        }
    }
}

/// A stretch of speech.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SpeechSegment {
    /// Where it begins, seconds.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
    /// Mean probability of speech in it, 0 to 1.
    pub confidence: f32,
    /// Power below 280 Hz and above 3.6 kHz over that between 450 Hz and 2.5 kHz, dB, floors taken off: low for a
    /// radio. `None` when nothing is known of it.
    pub outside_band_db: Option<f64>,
}

impl SpeechSegment {
    /// A stretch found elsewhere, in seconds; its end must lie after its start.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when it does not, or a number is not finite.
    pub fn new(start_s: f64, end_s: f64) -> Result<Self> {
        if !(start_s.is_finite() && end_s.is_finite() && start_s < end_s) {
            return Err(Error::invalid(format!("a stretch from {start_s} to {end_s} s has no length")));
        }
        Ok(Self { start_s, end_s, confidence: 1.0, outside_band_db: None })
    }

    /// Where the voice comes from by two thresholds, local or the radio; [`origins`](super::origins) weighs more, cuts
    /// where the origin changes, and gives a probability. `shared` is the greatest that the
    /// [`SharedMeter`](super::SharedMeter)s of the cameras that ran meanwhile [heard](super::Reception::shared), `None`
    /// when none did.
    ///
    /// A camera that hears the same sound at the same moment hears somebody aboard; where cameras ran and none
    /// does, it is the radio. Sound in a radio's narrow band must be heard by a camera more surely; without a camera
    /// the band alone decides.
    pub fn origin(&self, shared: Option<f64>) -> Origin {
        let narrow = self.is_narrow();
        let aboard = match shared {
            Some(shared) => shared >= if narrow { SHARED_NARROW } else { SHARED },
            None => !narrow,
        };
        if aboard { Origin::Local } else { Origin::Radio }
    }

    /// Whether it has a radio's band.
    pub(super) fn is_narrow(&self) -> bool {
        self.outside_band_db.is_some_and(|db| db < RADIO_BAND_DB)
    }
}

/// Between these probabilities of the radio the origin is unknown.
const UNSURE_FROM: f64 = 0.1;
const UNSURE_TO: f64 = 0.9;
/// Less power than this outside a radio's band, over that within, is a radio's, dB.
const RADIO_BAND_DB: f64 = -14.0;
/// A peak of the common sound so many standard deviations above its background is no chance: by the benchmark's
/// radio calls, which reach 5.6 and which no camera hears.
pub(super) const SHARED: f64 = 5.7;
/// The same for sound in a narrow band: fewer frequencies take part, so chance reaches higher.
pub(super) const SHARED_NARROW: f64 = 9.0;
