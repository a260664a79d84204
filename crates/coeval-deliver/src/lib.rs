//! Open timeline formats from an alignment.
#![forbid(unsafe_code)]

pub mod edl;
pub mod frames;
pub mod lists;
pub mod timecode;
