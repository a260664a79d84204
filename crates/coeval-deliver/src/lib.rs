//! Open timeline formats from an alignment.
#![forbid(unsafe_code)]

pub mod frames;
pub mod timecode;
