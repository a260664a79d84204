//! A file's failure, kept from the others.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use coeval::{Error, ErrorKind, Result};

/// Decoders are many and files are hostile: a panic in one becomes this file's failure.
pub fn guarded<T>(path: &Path, work: impl FnOnce() -> Result<T>) -> Result<T> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        Err(Error::new(ErrorKind::Internal, "its reader failed on this content")
            .with_path(path)
            .with_remedy("convert it to WAV, and please report the file"))
    })
}

/// The same failure once more; errors hold their causes and cannot be cloned.
pub(crate) fn repeat(error: &Error) -> Error {
    let mut again = Error::new(error.kind(), error.message());
    if let Some(path) = error.path() {
        again = again.with_path(path);
    }
    if let Some(remedy) = error.remedy() {
        again = again.with_remedy(remedy);
    }
    again
}
