//! Whole-job tests across the crates, and what they share.

pub mod clicks;
pub mod ltc;
pub mod mp4;
pub mod photo;
pub mod shoot;
