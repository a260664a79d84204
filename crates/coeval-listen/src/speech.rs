//! When someone speaks on a recorder's track: the people aboard, the radio, or nobody.
//!
//! 1. [`SpeechBuilder`] hears the sound once, as a stream, and gives a [`SpeechCurve`]: the probability
//!    of speech for every 10 ms.
//! 2. [`SpeechCurve::segments`] makes stretches of it: two thresholds, a hang-over, shortest lengths.
//! 3. [`SharedMeter`] asks of each stretch whether a camera hears the same sound at the same moment, which the
//!    alignment makes a sharp question: the radio comes out of headsets, no camera hears it.
//! 4. [`spoken`] tells which stretches are of nobody: an engine that both hear alike, from where no voice comes.
//! 5. [`origins`] weighs what cameras hear, and should hear of a local voice, with the band that the sound fills, for every
//!    10 ms: stretches are cut where the origin changes, each with the probability that it is the radio.
//!
//! # How the probability is made
//! Two small networks answer, their weights inside: FireRedVAD's, which hears 1.5 s before and 1.6 s after every 10 ms,
//! and that of the `earshot` library for every 16 ms. The second alone takes an engine for speech at 10 dB and below. What
//! an engine does not do is change as speech does, so both answers are judged against what they usually are within
//! 6 s, and stand beside six measures of the same kind: how far bands of the spectrum stand above their own floor (a low
//! quantile within 6 s, after the idea of minimum statistics, R. Martin, IEEE Trans. Speech Audio Process. 9(5), 2001, from
//! memory), and how harmonic what stands above it is. Each is averaged over 50, 210 and 610 ms; a logistic
//! regression weighs the 30. Its weights come out of `cargo run --release -p coeval-benches --bin speech -- --fit`,
//! on voices and engines that the benchmark does not use. `docs/decisions/voices.md` has what else was tried.
//!
//! An engine that swings lifts the odds of all that it covers, a faint voice has low ones: where the line lies between
//! the two is a matter of the recording. It is drawn halfway between the means of two soft clusters of the odds within
//! 5 min (k-means with two means and a logistic membership, from memory), held by a prior worth 10 s. Where the two are
//! near each other nobody speaks, and it stays where it is.
//!
//! # Caution
//! To detect speech is to process what people said: those recorded must agree. Radio traffic may be
//! unlawful to record or publish where you are (ITU Radio Regulations, article 18.4).

mod curve;
mod listener;
mod network;
mod origin;
mod segment;
mod shared;
#[cfg(test)]
mod tests;

pub use curve::{SpeechCurve, SpeechOptions};
pub use listener::SpeechBuilder;
pub use origin::{CameraEvidence, OriginSpan, origins};
pub use segment::{Origin, SpeechSegment};
pub use shared::{Reception, SharedMeter, spoken};

/// Time from one probability to the next, seconds.
pub const STEP_S: f64 = 0.01;
/// Rate at which speech is judged and sound compared, Hz.
pub const RATE_HZ: f64 = 16_000.0;
