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
