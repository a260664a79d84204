//! Progress to a C callback.

use std::ffi::{c_char, c_void};
use std::sync::Mutex;

use coeval::progress::Progress;

use crate::handle::c_text;

/// Progress callback: `stage` in words (valid during the call only), and `done` from 0 to 1 within the stage. Returns
/// 0 to go on, anything else to stop: then the work soon ends with `COEVAL_CANCELLED`.
///
/// Called from the calling thread or from threads of the library, but never twice at a time within one piece of
/// work. It must return soon, and must not call a function that takes a callback. No C++ exception or `longjmp` may
/// leave it.
pub type coeval_progress_fn = Option<unsafe extern "C" fn(user: *mut c_void, stage: *const c_char, done: f64) -> i32>;

/// A callback and its user pointer, called by one thread at a time.
pub(crate) struct Listener {
    call: coeval_progress_fn,
    user: Mutex<User>,
}

struct User(*mut c_void);

// SAFETY: the pointer is only handed back to the caller's function, one thread at a time; the header says that this
// may be any thread.
unsafe impl Send for User {}

impl Listener {
    pub(crate) fn new(call: coeval_progress_fn, user: *mut c_void) -> Self {
        Self { call, user: Mutex::new(User(user)) }
    }
}

impl Progress for Listener {
    fn report(&self, stage: &str, done: f64) -> bool {
        let Some(call) = self.call else { return true };
        let stage = c_text(stage);
        let user = self.user.lock().unwrap_or_else(|e| e.into_inner());
        // SAFETY: the caller gave function and pointer to be called like this.
        unsafe { call(user.0, stage.as_ptr(), done) == 0 }
    }
}
