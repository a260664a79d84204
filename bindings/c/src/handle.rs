//! Pointers from C: checked, then used.

use std::ffi::{CStr, CString, c_char};
use std::mem::{align_of, size_of};
use std::path::PathBuf;
use std::ptr;

use coeval::{Error, ErrorKind, Result};

/// A type that C knows by pointer only.
pub(crate) trait Handle {
    /// What stands behind the pointer.
    type Value;
    /// Tells handles of different types apart, and dead ones.
    const TAG: u64;
    /// The type's name in C.
    const NAME: &'static str;
}

/// Ties an opaque C type to its value.
macro_rules! handle {
    ($name:ident, $value:ty, $tag:literal) => {
        impl $crate::handle::Handle for $name {
            type Value = $value;
            const TAG: u64 = u64::from_le_bytes(*$tag);
            const NAME: &'static str = stringify!($name);
        }
    };
}
pub(crate) use handle;

#[repr(C)]
struct Tagged<T> {
    tag: u64,
    value: T,
}

const DEAD: u64 = u64::from_le_bytes(*b"cv freed");

pub(crate) fn invalid(what: impl Into<String>) -> Error {
    Error::new(ErrorKind::InvalidArgument, what)
}

/// A new handle; it lives until [`free`] or [`take`].
pub(crate) fn new<H: Handle>(value: H::Value) -> *mut H {
    Box::into_raw(Box::new(Tagged { tag: H::TAG, value })).cast()
}

fn tagged<H: Handle>(handle: *const H) -> Result<*mut Tagged<H::Value>> {
    let tagged = handle.cast_mut().cast::<Tagged<H::Value>>();
    if tagged.is_null() {
        return Err(invalid(format!("a {} is NULL", H::NAME)));
    }
    if !tagged.is_aligned() {
        return Err(invalid(format!("a pointer to {} does not point to one", H::NAME)));
    }
    // SAFETY: not null and aligned; the caller of the C function vouches that it points to a handle. The tag is
    // first in every handle, whatever its type.
    if unsafe { (*tagged).tag } != H::TAG {
        return Err(invalid(format!("a pointer to {} points to another handle or a freed one", H::NAME)));
    }
    Ok(tagged)
}

/// What stands behind a handle.
///
/// # Safety
/// `handle` is NULL or points to a handle that no other thread changes or frees during `'a`.
pub(crate) unsafe fn get<'a, H: Handle>(handle: *const H) -> Result<&'a H::Value> {
    let tagged = tagged(handle)?;
    // SAFETY: it is a live handle of this type, and the caller promises that it is left alone.
    Ok(unsafe { &(*tagged).value })
}

/// As [`get`], or `None` for NULL.
///
/// # Safety
/// As for [`get`].
pub(crate) unsafe fn optional<'a, H: Handle>(handle: *const H) -> Result<Option<&'a H::Value>> {
    if handle.is_null() {
        return Ok(None);
    }
    // SAFETY: the caller's promise is the same.
    unsafe { get(handle) }.map(Some)
}

/// What stands behind a handle, to change it.
///
/// # Safety
/// `handle` is NULL or points to a handle that no other thread uses during `'a`.
pub(crate) unsafe fn get_mut<'a, H: Handle>(handle: *mut H) -> Result<&'a mut H::Value> {
    let tagged = tagged(handle)?;
    // SAFETY: it is a live handle of this type, and the caller promises that nobody else uses it.
    Ok(unsafe { &mut (*tagged).value })
}

/// Takes the value out of a handle, which is gone then; the caller's pointer becomes NULL.
///
/// # Safety
/// `slot` is NULL or points to a pointer that is NULL or a handle that nobody uses.
pub(crate) unsafe fn take<H: Handle>(slot: *mut *mut H) -> Result<H::Value> {
    let slot = place(slot, "a pointer to a handle")?;
    // SAFETY: not null and aligned.
    let tagged = tagged(unsafe { *slot })?;
    // SAFETY: the handle is live, made by `new`, and nobody uses it: it may be taken apart. The mark is written
    // although the memory goes away, so that a copy of the pointer is recognised as long as the memory rests.
    let boxed = unsafe {
        *slot = ptr::null_mut();
        ptr::write_volatile(&raw mut (*tagged).tag, DEAD);
        Box::from_raw(tagged)
    };
    Ok(boxed.value)
}

/// Frees a handle and sets the caller's pointer to NULL. Does nothing for NULL or what is no such handle: to leak is
/// better than to corrupt.
///
/// # Safety
/// As for [`take`].
pub(crate) unsafe fn free<H: Handle>(slot: *mut *mut H) {
    crate::panics::answer((), || {
        // SAFETY: the caller's promise is the same.
        unsafe { take(slot) }.map(drop)
    });
}

/// A place of the caller's to write to, checked but for its size.
pub(crate) fn place<T>(to: *mut T, what: &str) -> Result<*mut T> {
    if to.is_null() {
        return Err(invalid(format!("{what} is NULL")));
    }
    if !to.is_aligned() {
        return Err(invalid(format!("{what} is not aligned to {} bytes", align_of::<T>())));
    }
    Ok(to)
}

/// Runs `make` and writes a handle of what it made to `out`; on failure NULL.
///
/// # Safety
/// `out` is NULL or points to room for a pointer.
pub(crate) unsafe fn make<H: Handle>(out: *mut *mut H, make: impl FnOnce() -> Result<H::Value>) -> Result<()> {
    let out = place(out, "the place for the new handle")?;
    // SAFETY: not null and aligned; the caller vouches for the room.
    unsafe { out.write(ptr::null_mut()) };
    let made = new::<H>(make()?);
    // SAFETY: as above.
    unsafe { out.write(made) };
    Ok(())
}

/// `count` values of the caller's.
///
/// # Safety
/// `from` is NULL or points to `count` values that nobody changes during `'a`.
pub(crate) unsafe fn slice<'a, T>(from: *const T, count: usize, what: &str) -> Result<&'a [T]> {
    if count == 0 {
        return Ok(&[]);
    }
    place(from.cast_mut(), what)?;
    if count > isize::MAX as usize / size_of::<T>() {
        return Err(invalid(format!("{what}: {count} values are more than memory can hold")));
    }
    // SAFETY: not null, aligned, no larger than memory; the caller vouches for the values.
    Ok(unsafe { std::slice::from_raw_parts(from, count) })
}

/// Copies as many `items` as fit into the caller's buffer and returns how many there are.
///
/// # Safety
/// `to` is NULL or has room for `capacity` values.
pub(crate) unsafe fn copy_out<T>(items: impl ExactSizeIterator<Item = T>, to: *mut T, capacity: usize) -> usize {
    let count = items.len();
    if !to.is_null() && to.is_aligned() {
        for (i, item) in items.take(capacity).enumerate() {
            // SAFETY: `i` is less than `capacity`, for which the caller vouches.
            unsafe { to.add(i).write(item) };
        }
    }
    count
}

/// A struct that begins with `struct_size` and may get members at its end.
pub(crate) trait Growing: Copy {
    /// Its size in the first version of the binary interface: no caller knows less of it.
    const FIRST: usize;
}

/// Says which member was the struct's last in the first version of the binary interface. Never changes.
macro_rules! growing {
    ($name:ty, $last:ident: $last_type:ty) => {
        impl $crate::handle::Growing for $name {
            const FIRST: usize =
                (std::mem::offset_of!($name, $last) + size_of::<$last_type>()).next_multiple_of(align_of::<$name>());
        }
    };
}
pub(crate) use growing;

/// Copies as much of a text as fits into the caller's buffer, ends it with a NUL, and returns its length without that.
///
/// # Safety
/// `to` is NULL or has room for `capacity` bytes.
pub(crate) unsafe fn copy_text(text: &CStr, to: *mut c_char, capacity: usize) -> usize {
    let bytes = text.to_bytes();
    if !to.is_null() && capacity > 0 {
        let count = bytes.len().min(capacity - 1);
        // SAFETY: that and the NUL are no more than `capacity` bytes, for which the caller vouches.
        unsafe {
            ptr::copy_nonoverlapping(bytes.as_ptr(), to.cast(), count);
            to.add(count).write(0);
        }
    }
    bytes.len()
}

/// Fills a struct of the caller's whose first member, `struct_size`, says how much of it the caller knows: a caller that
/// was built with an earlier header gets the members that it knows. `struct_size` then holds how much was filled.
///
/// # Safety
/// `to` is NULL or points to as many bytes as its `struct_size` says. `T` is `repr(C)` and starts with that member.
pub(crate) unsafe fn fill<T: Growing>(to: *mut T, value: T) -> Result<()> {
    let to = place(to, "the struct to fill")?;
    // SAFETY: not null and aligned, and the struct starts with this member.
    let known = unsafe { *to.cast::<usize>() };
    if known < T::FIRST {
        return Err(invalid(format!("struct_size is {known}, less than {}", T::FIRST))
            .with_remedy("set it to sizeof the struct before the call"));
    }
    let filled = known.min(size_of::<T>());
    // SAFETY: the caller vouches for `known` bytes, and these are no more.
    unsafe {
        ptr::copy_nonoverlapping((&raw const value).cast::<u8>(), to.cast::<u8>(), filled);
        to.cast::<usize>().write(filled);
    }
    Ok(())
}

/// Text of the caller's.
///
/// # Safety
/// `text` is NULL or ends in a NUL, and nobody changes it during `'a`.
pub(crate) unsafe fn text<'a>(text: *const c_char, what: &str) -> Result<&'a str> {
    place(text.cast_mut(), what)?;
    // SAFETY: not null; the caller vouches for its end.
    let text = unsafe { CStr::from_ptr(text) };
    text.to_str().map_err(|e| invalid(format!("{what} is not UTF-8")).with_source(e))
}

/// A path of the caller's: bytes as the system takes them, on Windows UTF-8.
///
/// # Safety
/// As for [`text`].
pub(crate) unsafe fn path(from: *const c_char, what: &str) -> Result<PathBuf> {
    #[cfg(unix)]
    {
        use std::os::unix::ffi::OsStrExt;
        place(from.cast_mut(), what)?;
        // SAFETY: not null; the caller vouches for its end.
        let bytes = unsafe { CStr::from_ptr(from) }.to_bytes();
        Ok(PathBuf::from(std::ffi::OsStr::from_bytes(bytes)))
    }
    #[cfg(not(unix))]
    {
        // SAFETY: the caller's promise is the same.
        Ok(PathBuf::from(unsafe { text(from, what) }?))
    }
}

/// Text for C. A NUL inside, which no text of ours has, would end it early.
pub(crate) fn c_text(text: impl Into<Vec<u8>>) -> CString {
    let mut bytes: Vec<u8> = text.into();
    bytes.retain(|&b| b != 0);
    CString::new(bytes).unwrap_or_default()
}

/// The text for C, or NULL.
pub(crate) fn pointer(text: Option<&CString>) -> *const c_char {
    text.map_or(ptr::null(), |t| t.as_ptr())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Clone, Copy, PartialEq)]
    #[repr(C)]
    struct Grown {
        struct_size: usize,
        first: f64,
        later: f64,
    }

    growing!(Grown, first: f64);

    const VALUE: Grown = Grown { struct_size: 0, first: 1.5, later: 2.5 };

    #[test]
    fn a_caller_of_an_earlier_header_gets_what_it_knows() {
        let earlier = Grown::FIRST;
        assert_eq!(earlier, size_of::<usize>() + 8);
        for (known, later) in [(earlier, -1.0), (size_of::<Grown>(), 2.5), (1000, 2.5)] {
            let mut to = Grown { struct_size: known, first: -1.0, later: -1.0 };
            // SAFETY: no more is written than there is.
            unsafe { fill(&raw mut to, VALUE) }.unwrap();
            assert_eq!(to, Grown { struct_size: known.min(size_of::<Grown>()), first: 1.5, later });
        }
        let mut less = Grown { struct_size: earlier - 1, ..VALUE };
        // SAFETY: as above.
        let refused = unsafe { fill(&raw mut less, VALUE) }.unwrap_err();
        assert!(refused.to_string().contains("struct_size"), "{refused}");
    }
}
