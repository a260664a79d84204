//! How failures and panics reach C.

use std::ffi::{CString, c_char};

use coeval::{ErrorKind, Result};

use crate::handle::{self, c_text, handle, pointer};
use crate::log::{coeval_log_level, say};
use crate::panics::{answer, caught};

/// Result of a call. Numbers never change; later versions may add some, so treat an unknown one as a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(i32)]
pub enum coeval_status {
    /// Done.
    COEVAL_OK = 0,
    /// An argument is NULL, out of its range, or two arguments contradict each other.
    COEVAL_INVALID_ARGUMENT = 1,
    /// A file or folder does not exist.
    COEVAL_NOT_FOUND = 2,
    /// The system refuses access.
    COEVAL_PERMISSION_DENIED = 3,
    /// Reading or writing failed part-way.
    COEVAL_IO = 4,
    /// The content is not a media file of a known format.
    COEVAL_UNKNOWN_FORMAT = 5,
    /// The format is known, but not this variety of it.
    COEVAL_UNSUPPORTED = 6,
    /// The file breaks its own format's rules, or is cut short before its index.
    COEVAL_DAMAGED = 7,
    /// The file has no sound track, or the sound track has no samples.
    COEVAL_NO_SOUND = 8,
    /// The output exists already and may not be replaced.
    COEVAL_OUTPUT_EXISTS = 9,
    /// The progress callback asked to stop.
    COEVAL_CANCELLED = 10,
    /// A fault in Coeval itself.
    COEVAL_INTERNAL = 11,
    /// A failure that this version of the C library has no number for; its text says what.
    COEVAL_OTHER = 1000,
}

use coeval_status::*;

impl coeval_status {
    const ALL: [Self; 13] = [
        COEVAL_OK,
        COEVAL_INVALID_ARGUMENT,
        COEVAL_NOT_FOUND,
        COEVAL_PERMISSION_DENIED,
        COEVAL_IO,
        COEVAL_UNKNOWN_FORMAT,
        COEVAL_UNSUPPORTED,
        COEVAL_DAMAGED,
        COEVAL_NO_SOUND,
        COEVAL_OUTPUT_EXISTS,
        COEVAL_CANCELLED,
        COEVAL_INTERNAL,
        COEVAL_OTHER,
    ];

    fn of(kind: ErrorKind) -> Self {
        match kind {
            ErrorKind::InvalidArgument => COEVAL_INVALID_ARGUMENT,
            ErrorKind::NotFound => COEVAL_NOT_FOUND,
            ErrorKind::PermissionDenied => COEVAL_PERMISSION_DENIED,
            ErrorKind::Io => COEVAL_IO,
            ErrorKind::UnknownFormat => COEVAL_UNKNOWN_FORMAT,
            ErrorKind::Unsupported => COEVAL_UNSUPPORTED,
            ErrorKind::Damaged => COEVAL_DAMAGED,
            ErrorKind::NoSound => COEVAL_NO_SOUND,
            ErrorKind::OutputExists => COEVAL_OUTPUT_EXISTS,
            ErrorKind::Cancelled => COEVAL_CANCELLED,
            ErrorKind::Internal => COEVAL_INTERNAL,
            _ => COEVAL_OTHER,
        }
    }

    fn in_words(self) -> &'static std::ffi::CStr {
        match self {
            COEVAL_OK => c"ok",
            COEVAL_INVALID_ARGUMENT => c"invalid argument",
            COEVAL_NOT_FOUND => c"not found",
            COEVAL_PERMISSION_DENIED => c"permission denied",
            COEVAL_IO => c"reading or writing failed",
            COEVAL_UNKNOWN_FORMAT => c"unknown format",
            COEVAL_UNSUPPORTED => c"unsupported variety of a format",
            COEVAL_DAMAGED => c"damaged file",
            COEVAL_NO_SOUND => c"no sound",
            COEVAL_OUTPUT_EXISTS => c"output exists",
            COEVAL_CANCELLED => c"cancelled",
            COEVAL_INTERNAL => c"internal fault",
            COEVAL_OTHER => c"other failure",
        }
    }
}

/// The text of the last failure of the calls that were given this handle. One thread at a time.
pub struct coeval_error {
    _opaque: [u8; 0],
}

handle!(coeval_error, Failure, b"cv error");

/// What a `coeval_error` holds. A success holds no text: none of them allocates.
#[derive(Default)]
pub(crate) struct Failure {
    status: Option<coeval_status>,
    text: Option<CString>,
    message: Option<CString>,
    path: Option<CString>,
    remedy: Option<CString>,
}

/// Runs an export's work: a failure or panic becomes a status and, when `error` is a handle, a text.
///
/// # Safety
/// `error` is NULL or points to a handle that no other thread uses.
pub(crate) unsafe fn guard(error: *mut coeval_error, work: impl FnOnce() -> Result<()>) -> coeval_status {
    let done = caught(work);
    if let Err(e) = &done {
        say(coeval_log_level::COEVAL_LOG_FAILURE, || e.to_string());
    }
    let failure = match done {
        Ok(()) => Failure { status: Some(COEVAL_OK), ..Failure::default() },
        Err(e) => Failure {
            status: Some(coeval_status::of(e.kind())),
            text: Some(c_text(e.to_string())),
            message: Some(c_text(e.message())),
            path: e.path().map(|p| c_text(p.as_os_str().as_encoded_bytes())),
            remedy: e.remedy().map(c_text),
        },
    };
    let status = failure.status.unwrap_or(COEVAL_OTHER);
    if !error.is_null() {
        // SAFETY: the caller's promise is the same. What is no error handle is left alone.
        if let Ok(slot) = unsafe { handle::get_mut(error) } {
            *slot = failure;
        }
    }
    status
}

/// The status in words, such as "not found"; "unknown status" for any other number. Lives as long as the library.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_status_text(status: i32) -> *const c_char {
    let known = coeval_status::ALL.iter().find(|s| **s as i32 == status);
    known.map_or(c"unknown status", |s| s.in_words()).as_ptr()
}

/// A handle for the texts of failures. Every function takes one as its last argument, or NULL.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_error_new() -> *mut coeval_error {
    answer(std::ptr::null_mut(), || Ok(handle::new(Failure::default())))
}

/// Frees the handle and sets `*error` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_error_free(error: *mut *mut coeval_error) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(error) }
}

/// Status of the last call that was given this handle; `COEVAL_OK` when there was none.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_error_status(error: *const coeval_error) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    answer(COEVAL_INVALID_ARGUMENT, || Ok(unsafe { handle::get(error) }?.status.unwrap_or(COEVAL_OK)))
}

/// The failure in one line: "path: what was wrong; what to do". Empty when there was none. Valid until the handle is
/// used again.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_error_text(error: *const coeval_error) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(c"".as_ptr(), || Ok(unsafe { handle::get(error) }?.text.as_deref().unwrap_or_default().as_ptr()))
}

/// What was wrong, without path and remedy. Empty when nothing was. Valid until the handle is used again.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_error_message(error: *const coeval_error) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(c"".as_ptr(), || Ok(unsafe { handle::get(error) }?.message.as_deref().unwrap_or_default().as_ptr()))
}

/// The file that the failure is about, or NULL. Valid until the handle is used again.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_error_path(error: *const coeval_error) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(error) }?.path.as_ref())))
}

/// What the user can do about it, or NULL. Valid until the handle is used again.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_error_remedy(error: *const coeval_error) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(error) }?.remedy.as_ref())))
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn every_kind_has_a_status_of_its_own() {
        let seen: HashSet<_> = ErrorKind::ALL.iter().map(|&k| coeval_status::of(k)).collect();
        assert_eq!(seen.len(), ErrorKind::ALL.len());
        assert!(!seen.contains(&COEVAL_OK) && !seen.contains(&COEVAL_OTHER), "{seen:?}");
    }

    #[test]
    fn numbers_never_change() {
        let numbers = coeval_status::ALL.map(|s| s as i32);
        assert_eq!(numbers, [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 1000]);
        let texts: HashSet<_> = coeval_status::ALL.iter().map(|s| s.in_words()).collect();
        assert_eq!(texts.len(), numbers.len());
    }

    #[test]
    fn a_panic_becomes_a_status_and_its_text_is_kept() {
        let mut error = coeval_error_new();
        // SAFETY: the handle is live and used here only.
        unsafe {
            assert_eq!(guard(error, || panic!("{} broke", "it")), COEVAL_INTERNAL);
            let text = std::ffi::CStr::from_ptr(coeval_error_text(error)).to_str().unwrap();
            assert!(text.contains("it broke"), "{text}");
            assert_eq!(guard(error, || Ok(())), COEVAL_OK);
            assert_eq!(std::ffi::CStr::from_ptr(coeval_error_text(error)), c"");
            coeval_error_free(&raw mut error);
        }
        assert!(error.is_null());
        assert_eq!(answer(7, || panic!("again")), 7);
    }
}
