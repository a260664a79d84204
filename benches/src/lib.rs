//! Accuracy and speed measurements.

#[cfg(test)]
mod bars;
pub mod bounds;
pub mod claps;
pub mod classes;
pub mod origins;
pub mod shoots;
pub mod sim;
pub mod sim_sound;
pub mod unrelated;
