//! The C face: `include/coeval.h` is made from these files by `cargo xtask header`.
//!
//! Names are those that C sees. Every export goes through [`status::guard`] or [`panics::answer`],
//! which catch panics; pointers are checked in [`handle`] before they are used. Nothing is computed
//! here: each file hands over to the module of the core whose name it bears.
#![allow(unsafe_code, reason = "a foreign boundary is made of pointers")]
#![allow(non_camel_case_types, reason = "types bear the names that C sees")]
#![allow(clippy::missing_safety_doc, reason = "the header's opening chapter is the contract of every function")]
#![allow(unreachable_pub, reason = "exports are reached from C")]

mod abi;
mod clock;
mod handle;
mod level;
mod limit;
mod log;
mod ltc;
mod marker;
mod mix;
mod pair;
mod panics;
mod progress;
mod resample;
mod shoot;
mod sound;
mod speech;
mod status;
#[cfg(feature = "test-exports")]
mod test_exports;
mod tighten;
mod track;
mod voices;

use std::ffi::c_char;

pub use abi::COEVAL_ABI_VERSION;

/// Version of the library that this header belongs to: `COEVAL_VERSION_MAJOR.COEVAL_VERSION_MINOR.COEVAL_VERSION_PATCH`.
pub const COEVAL_VERSION_MAJOR: u32 = 0;
/// Its second number. Before version 1 it grows when something that worked no longer does.
pub const COEVAL_VERSION_MINOR: u32 = 1;
/// Its third number.
pub const COEVAL_VERSION_PATCH: u32 = 0;
/// The three as one number that can be compared: 1000000 times the first, 1000 times the second, and the third.
pub const COEVAL_VERSION_NUMBER: u32 = 1000;

// The header cannot be made from what cargo knows.
const _: () = {
    const fn number(text: &str) -> u32 {
        match u32::from_str_radix(text, 10) {
            Ok(number) => number,
            Err(_) => panic!("a version number"),
        }
    }
    assert!(COEVAL_VERSION_MAJOR == number(env!("CARGO_PKG_VERSION_MAJOR")));
    assert!(COEVAL_VERSION_MINOR == number(env!("CARGO_PKG_VERSION_MINOR")));
    assert!(COEVAL_VERSION_PATCH == number(env!("CARGO_PKG_VERSION_PATCH")));
    assert!(
        COEVAL_VERSION_NUMBER == COEVAL_VERSION_MAJOR * 1_000_000 + COEVAL_VERSION_MINOR * 1000 + COEVAL_VERSION_PATCH
    );
};

/// Version of the binary interface of the library that is loaded. When it is not `COEVAL_ABI_VERSION`, the header and
/// the library do not belong together and nothing else may be called.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_abi_version() -> u32 {
    COEVAL_ABI_VERSION
}

/// Version of the library as text, such as "0.1.0". Lives as long as the library.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_version() -> *const c_char {
    const { concat!(env!("CARGO_PKG_VERSION"), "\0") }.as_ptr().cast()
}
