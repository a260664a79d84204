//! Open timeline formats from an alignment.
//!
//! An editor's timeline has whole frames only. [`layout::Layout`] is the one place where an
//! [`Alignment`](coeval_shoot::Alignment) is put on frames; every format is written from it, so that
//! they agree. [`handover`] writes all of them, and the conformed sound, into one folder; [`rough`] writes a rough cut
//! beside.
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
