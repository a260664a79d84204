//! For this library's own tests.

use crate::status::{coeval_error, coeval_status, guard};

/// Panics inside, as a fault would.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_test_panic(error: *mut coeval_error) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || panic!("a fault on request")) }
}
