//! Open timeline formats from an alignment.
//!
//! An editor's timeline has whole frames only. [`layout::Layout`] is the one place where an
//! [`Alignment`](coeval_shoot::Alignment) is put on frames; every format is written from it, so that
//! they agree. [`otio::to_otio`] writes OpenTimelineIO JSON.
#![forbid(unsafe_code)]

pub mod edl;
pub mod frames;
pub mod layout;
pub mod lists;
pub mod otio;
pub mod timecode;
