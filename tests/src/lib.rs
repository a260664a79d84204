//! Whole-job tests across the crates.
