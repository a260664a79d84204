//! Why the engine is as it is: a page for each choice, with what else there was and what was measured.
//!
//! There is nothing to call here.

#[doc = include_str!("../docs/search.md")]
pub mod search {}

#[doc = include_str!("../docs/evidence.md")]
pub mod evidence {}

#[doc = include_str!("../docs/tracks.md")]
pub mod tracks {}

#[doc = include_str!("../docs/resampler.md")]
pub mod resampler {}
