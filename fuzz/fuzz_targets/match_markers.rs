//! See [`coeval_fuzz::match_markers`].
#![no_main]
libfuzzer_sys::fuzz_target!(init: coeval_fuzz::prepare(), |data: &[u8]| coeval_fuzz::match_markers(data));
