//! Places recordings of one event on one clock.
//!
//! Every device that records an event starts at its own moment and runs on its own clock. This
//! crate takes their sound as plain samples and finds, for each file, the map from its time to one
//! common timeline: offset, drift, wander, jumps, or the honest answer that there is none.
//!
//! The modules are the steps of the job, in the order in which the data flows:
//!
//! 1. [`track`]: any sound -> an analysis [`Track`](track::Track) (mono, 8 kHz, spectrally levelled).
//! 2. [`pair`]: two tracks -> offset, drift, jumps, confidence, uncertainty.
//! 3. [`network`]: all pairs -> one [`ClockMap`](clock::ClockMap) per file.
//! 4. [`marker`]: short sharp sounds, found and matched between recordings.
//! 5. [`activity`]: what a camera without usable sound has seen, laid on the markers.
//! 6. [`level`]: is the sound loud enough, clean and whole?
//! 7. [`speech`]: who speaks when: the people aboard, the radio, nobody.
//! 8. [`event`]: what happens besides: loud moments, engines opened up, pictures that move.
//! 9. [`limit`]: no true peak above a limit.
//!
//! It opens no file and prints nothing; what is too long for memory goes to a [`Scratch`](track::Scratch) of the
//! caller's. Long work reports to a [`Progress`](progress::Progress) and
//! can be cancelled there. Failures are one [`Error`] with a [`kind`](Error::kind).
#![forbid(unsafe_code)]

pub mod activity;
pub mod clock;
mod correlate;
mod drift;
pub mod error;
pub mod event;
mod fit;
mod follow;
mod jump;
pub mod level;
pub mod limit;
pub mod marker;
pub mod network;
mod offset;
pub mod pair;
pub mod progress;
pub mod resample;
pub mod speech;
mod store;
pub mod track;

pub use error::{Error, ErrorKind, Result};
