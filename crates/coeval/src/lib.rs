#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

// The types that most programs need, in the order of the work: sound becomes a track, two tracks give an alignment, all
// alignments together give one map for each file, and a resampler moves sound along its map.
pub use track::{Track, TrackBuilder};

pub use pair::{
    Aligner, FirstLook, PairAlignment, PairOptions, PairOutcome, RivalPlace, SoundPath, Unplaced, align_pair,
};

pub use lag::{LagCurve, Rival, lag_curve, lag_strength};

pub use network::{Link, Node, Solution, solve};

pub use clock::ClockMap;

pub use resample::{ResampleOptions, Resampler, Route};

pub use marker::{Marker, MarkerDetector, MarkerMatch, MarkerOptions, MatchOptions, find_markers, match_markers};

#[doc(no_inline)]
pub use coeval_error as error;
pub use coeval_error::{Error, ErrorKind, Result};
pub use progress::Progress;

pub mod _docs;
pub mod clock;
mod filter;
mod fit;
pub mod lag;
pub mod marker;
pub mod network;
pub mod options;
mod outcome;
pub mod pair;
pub mod progress;
pub mod resample;
pub mod samples;
mod store;
pub mod track;

/// The version of this crate.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
