//! Hostile input for every reader, parser and number of the library: one function for each fuzz target.
//!
//! A target takes any bytes and must come back: without a panic, soon, and in little memory. Where it can, it checks
//! more than that: what was written reads back, and what was read is what the documentation promises. The targets of
//! `fuzz_targets/` hand the fuzzer's bytes over to here; `tests/replay.rs` runs the same functions on all seeds and
//! regressions, and on random damage to them, without a fuzzer.
#![allow(clippy::missing_panics_doc, reason = "a panic is how a target says that it has found something")]

mod c_api;
mod feed;
mod media;
mod numbers;
mod text;

pub use c_api::c_api;
pub use media::{foreign, isobmff, matroska, riff};
pub use numbers::{activity, clock, level, limit, marker, match_markers, network, pair, resample, speech, track};
pub use text::{anchors, edits, json, timecode};

/// A target: its name and its function.
pub type Target = (&'static str, fn(&[u8]));

/// All of them.
pub const TARGETS: [Target; 19] = [
    ("riff", riff),
    ("isobmff", isobmff),
    ("matroska", matroska),
    ("foreign", foreign),
    ("anchors", anchors),
    ("edits", edits),
    ("json", json),
    ("timecode", timecode),
    ("clock", clock),
    ("track", track),
    ("pair", pair),
    ("marker", marker),
    ("match_markers", match_markers),
    ("resample", resample),
    ("level", level),
    ("limit", limit),
    ("activity", activity),
    ("speech", speech),
    ("network", network),
];

/// The target that calls the C library; by itself, since its functions are unsafe to call.
pub const C_API: Target = ("c_api", c_api);

/// To be called once before a target. The fuzzer ends the process at every panic; those inside the decoders that others
/// wrote are caught by the reader and are one file's failure, so they may unwind.
pub fn prepare() {
    // WebAssembly has no folder for temporary files but what its host calls so.
    #[cfg(target_os = "wasi")]
    let _ = tempfile::env::override_temp_dir(std::path::Path::new("/.tmp"));
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        let foreign = info.location().is_some_and(|l| l.file().contains("symphonia") || l.file().contains("opus-rs"));
        if !foreign {
            before(info);
        }
    }));
}
