//! What is heard in a recording, and what moves in its picture: samples in, plain structs out.
//!
//! - [`speech`]: who speaks when: the people aboard, the radio, nobody.
//! - [`moment`]: what happens besides: loud moments, engines opened up, pictures that move.
//! - [`level`]: is the sound loud enough, clean and whole? Loudness, true peaks, noise, faults.
//! - [`limit`]: no true peak above a limit.
//! - [`activity`]: what a camera without usable sound has seen, laid on the sharp sounds that others heard.
//!
//! Nothing here places recordings on one clock: that is the crate `coeval`, whose errors and resampler are used here.
//!
//! Each module takes sound in blocks of any length, as a decoder hands it out:
//!
//! ```
//! use coeval_listen::level::LevelMeter;
//!
//! let mut meter = LevelMeter::new(48_000, 1)?;
//! for block in vec![0.1f32; 48_000].chunks(1024) {
//!     meter.push(block)?;
//! }
//! assert!((meter.finish()?.channels[0].sample_peak_dbfs + 20.0).abs() < 0.01);
//! # Ok::<(), coeval::Error>(())
//! ```
#![forbid(unsafe_code)]

pub mod activity;
pub mod level;
pub mod limit;
pub mod moment;
pub mod speech;
