//! Progress of long work, and the way to stop it.

use crate::error::{Error, Result};

/// Hears how far long work has come, and may stop it.
///
/// Called from worker threads, at least every 0.2 s of work and at most some hundred times a second.
pub trait Progress: Sync {
    /// `done` is the share of `stage` that is finished, 0 to 1. Returning `false` cancels: the work
    /// ends soon with [`ErrorKind::Cancelled`](crate::ErrorKind::Cancelled) and leaves nothing half done.
    fn report(&self, stage: &str, done: f64) -> bool;
}

/// Reports to nobody, never cancels.
impl Progress for () {
    fn report(&self, _stage: &str, _done: f64) -> bool {
        true
    }
}

/// Any function of stage and share will do.
impl<F: Fn(&str, f64) -> bool + Sync> Progress for F {
    fn report(&self, stage: &str, done: f64) -> bool {
        self(stage, done)
    }
}

/// Reports, and turns a wish to stop into an error that `?` carries up.
///
/// # Errors
/// [`ErrorKind::Cancelled`](crate::ErrorKind::Cancelled) when the listener returns `false`.
pub fn step(progress: &dyn Progress, stage: &str, done: f64) -> Result<()> {
    if progress.report(stage, done.clamp(0.0, 1.0)) { Ok(()) } else { Err(Error::cancelled()) }
}
