//! See [`coeval_fuzz::edits`].
#![no_main]
libfuzzer_sys::fuzz_target!(init: coeval_fuzz::prepare(), |data: &[u8]| coeval_fuzz::edits(data));
