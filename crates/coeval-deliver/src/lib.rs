#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

pub mod edl;
pub mod frames;
pub mod handover;
pub mod layout;
pub mod lists;
pub mod otio;
pub mod report;
pub mod rough;
pub mod timecode;
