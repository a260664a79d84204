//! No panic crosses into C.

use std::panic::{AssertUnwindSafe, catch_unwind};

use coeval::{Error, ErrorKind, Result};

/// Runs the work of an export that returns a value: a failure or panic becomes `otherwise`.
pub(crate) fn answer<T>(otherwise: T, work: impl FnOnce() -> Result<T>) -> T {
    caught(work).unwrap_or(otherwise)
}

/// Runs work that may panic: then it fails with [`ErrorKind::Internal`].
pub(crate) fn caught<T>(work: impl FnOnce() -> Result<T>) -> Result<T> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|payload| {
        let text = payload.downcast_ref::<&str>().copied().map(str::to_owned);
        let text = text.or_else(|| payload.downcast_ref::<String>().cloned()).unwrap_or_else(|| "no message".into());
        // A payload's drop may panic in its turn; what that leaves is leaked.
        let _ = catch_unwind(AssertUnwindSafe(|| drop(payload))).map_err(std::mem::forget);
        Err(Error::new(ErrorKind::Internal, format!("a fault in coeval: {text}"))
            .with_remedy("free the handles of this call, and please report it"))
    })
}
