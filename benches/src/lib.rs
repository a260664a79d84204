//! Accuracy and speed measurements.

pub mod sim;
pub mod sim_sound;
