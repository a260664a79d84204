#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

pub mod activity;
pub mod level;
pub mod limit;
pub mod ltc;
pub mod moment;
pub mod outline;
pub mod speech;
mod true_peak;

/// The version of this crate.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
