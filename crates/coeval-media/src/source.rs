//! The file that is read: bounded windows at given offsets, and a count of what was read.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use coeval_error::{Error, ErrorKind, Result};

/// Bytes read ahead at most.
const READ_AHEAD: u64 = 64 * 1024;

/// An open file with one window of bytes in memory.
pub(crate) struct Source {
    file: File,
    path: PathBuf,
    len: u64,
    window: Vec<u8>,
    window_start: u64,
    bytes_read: Arc<AtomicU64>,
}

impl Source {
    /// Opens a regular file that is not empty.
    pub(crate) fn open(path: &Path) -> Result<Self> {
        let wrong =
            |kind, message: &str, remedy: &str| Err(Error::new(kind, message).with_path(path).with_remedy(remedy));
        let meta = match std::fs::metadata(path) {
            Ok(meta) => meta,
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                return wrong(ErrorKind::NotFound, "there is no such file", "check the name and the folder");
            }
            Err(e) => return Err(Error::io(path, e).with_remedy("check that the folder may be read")),
        };
        if meta.is_dir() {
            return wrong(ErrorKind::InvalidArgument, "this is a folder, not a file", "name the files in it");
        }
        if !meta.is_file() {
            return wrong(
                ErrorKind::InvalidArgument,
                "this is not a regular file",
                "copy the recording to a disk first",
            );
        }
        if meta.len() == 0 {
            return wrong(ErrorKind::Damaged, "the file is empty (0 bytes)", "copy it again from the device");
        }
        let file = File::open(path).map_err(|e| match e.kind() {
            io::ErrorKind::PermissionDenied => Error::new(ErrorKind::PermissionDenied, "reading it is not permitted")
                .with_path(path)
                .with_remedy("give yourself read permission on the file")
                .with_source(e),
            _ => Error::io(path, e),
        })?;
        Ok(Self {
            file,
            path: path.to_path_buf(),
            len: meta.len(),
            window: Vec::new(),
            window_start: 0,
            bytes_read: Arc::default(),
        })
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    pub(crate) fn len(&self) -> u64 {
        self.len
    }

    /// Shared counter of bytes read from the disk.
    pub(crate) fn counter(&self) -> Arc<AtomicU64> {
        Arc::clone(&self.bytes_read)
    }

    /// The same file once more, with the same counter.
    pub(crate) fn reopen(&self) -> Result<Self> {
        let mut again = Self::open(&self.path)?;
        again.bytes_read = self.counter();
        Ok(again)
    }

    /// Up to `want` bytes from `offset`, fewer only at the end of the file. When the disk is touched,
    /// up to `ahead` bytes (at most 64 KiB) are fetched in one go. `want` must have been checked by
    /// the caller: so much is allocated, or what the file holds.
    pub(crate) fn slice(&mut self, offset: u64, want: usize, ahead: u64) -> Result<&[u8]> {
        let want = (want as u64).min(self.len.saturating_sub(offset));
        let window_end = self.window_start + self.window.len() as u64;
        if offset < self.window_start || offset + want > window_end {
            let fetch = want.max(ahead.min(READ_AHEAD)).min(self.len.saturating_sub(offset));
            self.window.clear();
            self.window_start = offset;
            let got = self
                .file
                .seek(SeekFrom::Start(offset))
                .and_then(|_| broken(offset, fetch))
                .and_then(|()| Read::by_ref(&mut self.file).take(fetch).read_to_end(&mut self.window))
                .map_err(|e| Error::io(&self.path, e))?;
            self.bytes_read.fetch_add(got as u64, Ordering::Relaxed);
        }
        let at = (offset - self.window_start) as usize;
        let end = (at + want as usize).min(self.window.len());
        Ok(&self.window[at.min(end)..end])
    }

    /// Exactly `N` bytes, or `None` at the end of the file.
    pub(crate) fn array<const N: usize>(&mut self, offset: u64, ahead: u64) -> Result<Option<[u8; N]>> {
        Ok(self.slice(offset, N, ahead)?.try_into().ok())
    }

    /// A failure about this file.
    pub(crate) fn error(&self, kind: ErrorKind, message: impl Into<String>, remedy: &str) -> Error {
        Error::new(kind, message).with_path(&self.path).with_remedy(remedy)
    }

    /// The file from `start` on, for readers that do their own buffering; their bytes count too.
    pub(crate) fn into_stream(mut self, start: u64) -> Result<CountingFile> {
        self.file.seek(SeekFrom::Start(start)).map_err(|e| Error::io(&self.path, e))?;
        Ok(CountingFile { file: self.file, start, len: self.len.saturating_sub(start), bytes_read: self.bytes_read })
    }
}

/// Stands for a disk with a bad place: an error when the stretch of a file that is read now reaches it.
#[cfg(test)]
fn broken(from: u64, len: u64) -> io::Result<()> {
    if (from..from.saturating_add(len)).contains(&tests::BAD_PLACE.get()) {
        return Err(io::Error::other("the disk is broken"));
    }
    Ok(())
}

#[cfg(not(test))]
#[allow(clippy::unnecessary_wraps, reason = "in tests a disk can break")]
fn broken(_from: u64, _len: u64) -> io::Result<()> {
    Ok(())
}

/// A file, or its part behind a tag, that counts the bytes taken from it.
pub(crate) struct CountingFile {
    file: File,
    start: u64,
    len: u64,
    bytes_read: Arc<AtomicU64>,
}

impl Read for CountingFile {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let at = self.file.stream_position()?;
        // A file that grows is read as far as it reached when it was opened.
        let left = (self.start + self.len).saturating_sub(at);
        let most = (buf.len() as u64).min(left);
        broken(at, most)?;
        let got = self.file.read(&mut buf[..most as usize])?;
        self.bytes_read.fetch_add(got as u64, Ordering::Relaxed);
        Ok(got)
    }
}

impl Seek for CountingFile {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let to = match to {
            SeekFrom::Start(n) => SeekFrom::Start(n.saturating_add(self.start)),
            relative => relative,
        };
        self.file.seek(to).map(|at| at.saturating_sub(self.start))
    }
}

impl symphonia::core::io::MediaSource for CountingFile {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.len)
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::*;
    use crate::{OpenOptions, SoundReader};

    thread_local! {
        /// Where a file cannot be read.
        pub(super) static BAD_PLACE: Cell<u64> = const { Cell::new(u64::MAX) };
    }

    fn frames(path: &Path) -> Result<u64> {
        let mut reader = SoundReader::open(path, &OpenOptions::default())?;
        let (mut all, mut block) = (0, Vec::new());
        loop {
            match reader.read(&mut block)? as u64 {
                0 => return Ok(all),
                n => all += n,
            }
        }
    }

    /// Every container with a bad place at every twentieth part of it: either that place is not needed, or reading ends
    /// with the system's own error. What cannot be read must not pass for the end of the sound.
    #[test]
    fn a_read_error_is_no_end_of_file() {
        let mut met = 0;
        for entry in std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fixtures")).unwrap() {
            let path = entry.unwrap().path();
            BAD_PLACE.set(u64::MAX);
            let Ok(whole) = frames(&path) else { continue };
            let len = std::fs::metadata(&path).unwrap().len();
            for part in 0..20 {
                BAD_PLACE.set(len * part / 20 + 5);
                match frames(&path) {
                    Ok(n) => assert_eq!(n, whole, "{} with a bad place at {part}/20", path.display()),
                    Err(e) => {
                        met += 1;
                        assert_eq!(e.kind(), ErrorKind::Io, "{e}");
                        assert!(e.path() == Some(path.as_path()) && e.to_string().contains("broken"), "{e}");
                    }
                }
            }
        }
        assert!(met > 300, "only {met} reads met the bad place");
    }
}
