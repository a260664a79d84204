//! See [`coeval_fuzz::anchors`].
#![no_main]
libfuzzer_sys::fuzz_target!(init: coeval_fuzz::prepare(), |data: &[u8]| coeval_fuzz::anchors(data));
