//! What the library has to say besides its results.

use std::ffi::{c_char, c_void};
use std::sync::{Mutex, Once, PoisonError};

use crate::handle::c_text;

/// How much a message matters. Numbers never change; later versions may add some.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_log_level {
    /// A fault in Coeval itself, with the place in its source.
    COEVAL_LOG_FAULT = 1,
    /// A call failed; the text is that of its `coeval_error`.
    COEVAL_LOG_FAILURE = 2,
}

/// Receives a message: `level` is a `coeval_log_level`, `text` is valid during the call only. It may be called from
/// any thread, one at a time. It must not call this library, and no C++ exception or `longjmp` may leave it.
pub type coeval_log_fn = Option<unsafe extern "C" fn(user: *mut c_void, level: i32, text: *const c_char)>;

struct Hook {
    call: coeval_log_fn,
    user: *mut c_void,
}

// SAFETY: the pointer is only handed back to the caller's function, one thread at a time; the header says that this
// may be any thread.
unsafe impl Send for Hook {}

static HOOK: Mutex<Hook> = Mutex::new(Hook { call: None, user: std::ptr::null_mut() });

/// Sends messages of all handles to `log` from now on, with `user`. NULL, the default: messages go nowhere, and only
/// faults go to standard error. When it returns, no earlier function is called any more.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_set_log(log: coeval_log_fn, user: *mut c_void) {
    static LISTEN: Once = Once::new();
    LISTEN.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |fault| {
            if !say(coeval_log_level::COEVAL_LOG_FAULT, || fault.to_string()) {
                before(fault);
            }
        }));
    });
    let mut hook = HOOK.lock().unwrap_or_else(PoisonError::into_inner);
    *hook = Hook { call: log, user };
}

/// Hands a message on; whether somebody listens.
pub(crate) fn say(level: coeval_log_level, text: impl FnOnce() -> String) -> bool {
    let hook = HOOK.lock().unwrap_or_else(PoisonError::into_inner);
    let Some(call) = hook.call else { return false };
    let text = c_text(text());
    // SAFETY: the caller gave function and pointer to be called like this.
    unsafe { call(hook.user, level as i32, text.as_ptr()) };
    true
}
