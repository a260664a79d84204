//! The C library is no Rust library: its exports are compiled here once more, where a fuzzer can call them.
#![allow(unsafe_code, reason = "the sources are those of a foreign boundary")]
#![allow(non_camel_case_types, reason = "types bear the names that C sees")]
#![allow(clippy::missing_safety_doc, reason = "the header's opening chapter is the contract of every function")]

#[path = "../../../bindings/c/src/clock.rs"]
pub mod clock;
#[path = "../../../bindings/c/src/handle.rs"]
mod handle;
#[path = "../../../bindings/c/src/level.rs"]
pub mod level;
#[path = "../../../bindings/c/src/limit.rs"]
pub mod limit;
#[path = "../../../bindings/c/src/log.rs"]
pub mod log;
#[path = "../../../bindings/c/src/marker.rs"]
pub mod marker;
#[path = "../../../bindings/c/src/mix.rs"]
pub mod mix;
#[path = "../../../bindings/c/src/pair.rs"]
pub mod pair;
#[path = "../../../bindings/c/src/panics.rs"]
mod panics;
#[path = "../../../bindings/c/src/progress.rs"]
pub mod progress;
#[path = "../../../bindings/c/src/resample.rs"]
pub mod resample;
#[path = "../../../bindings/c/src/shoot.rs"]
pub mod shoot;
#[path = "../../../bindings/c/src/sound.rs"]
mod sound;
#[path = "../../../bindings/c/src/speech.rs"]
pub mod speech;
#[path = "../../../bindings/c/src/status.rs"]
pub mod status;
#[path = "../../../bindings/c/src/tighten.rs"]
pub mod tighten;
#[path = "../../../bindings/c/src/track.rs"]
pub mod track;
#[path = "../../../bindings/c/src/voices.rs"]
pub mod voices;
