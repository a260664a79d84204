//! Where the samples of recordings lie meanwhile: a temporary file that has no name, and that the system clears away whatever
//! happens to the process.

use std::fs::File;
use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use coeval::track::{NewScratch, Scratch};

/// Recordings longer than this are kept in a temporary file, seconds: what is compared of one takes up to 37 kB a second, so
/// that a thousand clips of this length take less than 400 MB of memory.
pub(crate) const AFTER_S: f64 = 10.0;
/// Bytes of the file that a recording is given at a time.
const EXTENT: u64 = 1 << 20;

/// One file for all: a shoot may have more recordings than a process may have files open.
struct Shared {
    file: File,
    /// Where the next extent begins.
    end: AtomicU64,
}

/// What lies in the file for one of its users.
struct Part {
    shared: Arc<Shared>,
    /// Where each extent of it begins.
    extents: Vec<u64>,
    length: u64,
}

impl Scratch for Part {
    fn append(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        while !bytes.is_empty() {
            let (extent, within) = ((self.length / EXTENT) as usize, self.length % EXTENT);
            if extent == self.extents.len() {
                self.extents.push(self.shared.end.fetch_add(EXTENT, Ordering::Relaxed));
            }
            let (now, later) = bytes.split_at(bytes.len().min((EXTENT - within) as usize));
            system::write_all_at(&self.shared.file, now, self.extents[extent] + within)?;
            self.length += now.len() as u64;
            bytes = later;
        }
        Ok(())
    }

    fn read_at(&self, mut offset: u64, mut out: &mut [u8]) -> io::Result<()> {
        while !out.is_empty() {
            let within = offset % EXTENT;
            let begin = self.extents.get((offset / EXTENT) as usize).ok_or(io::ErrorKind::UnexpectedEof)?;
            let (now, later) = out.split_at_mut(out.len().min((EXTENT - within) as usize));
            system::read_exact_at(&self.shared.file, now, begin + within)?;
            offset += now.len() as u64;
            out = later;
        }
        Ok(())
    }
}

#[cfg(unix)]
mod system {
    use std::fs::File;
    use std::io;
    use std::os::unix::fs::FileExt;

    pub(super) fn write_all_at(file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
        file.write_all_at(bytes, offset)
    }

    pub(super) fn read_exact_at(file: &File, out: &mut [u8], offset: u64) -> io::Result<()> {
        file.read_exact_at(out, offset)
    }
}

#[cfg(windows)]
mod system {
    use std::fs::File;
    use std::io;
    use std::os::windows::fs::FileExt;

    pub(super) fn write_all_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
        while !bytes.is_empty() {
            match file.seek_write(bytes, offset)? {
                0 => return Err(io::ErrorKind::WriteZero.into()),
                n => (bytes, offset) = (&bytes[n..], offset + n as u64),
            }
        }
        Ok(())
    }

    pub(super) fn read_exact_at(file: &File, mut out: &mut [u8], mut offset: u64) -> io::Result<()> {
        while !out.is_empty() {
            match file.seek_read(out, offset)? {
                0 => return Err(io::ErrorKind::UnexpectedEof.into()),
                n => (out, offset) = (&mut out[n..], offset + n as u64),
            }
        }
        Ok(())
    }
}

/// WebAssembly, where nothing else runs between the two.
#[cfg(not(any(unix, windows)))]
mod system {
    use std::fs::File;
    use std::io::{self, Read, Seek, SeekFrom, Write};

    pub(super) fn write_all_at(mut file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
        file.seek(SeekFrom::Start(offset))?;
        file.write_all(bytes)
    }

    pub(super) fn read_exact_at(mut file: &File, out: &mut [u8], offset: u64) -> io::Result<()> {
        file.seek(SeekFrom::Start(offset))?;
        file.read_exact(out)
    }
}

/// A temporary file in the system's folder for them (`TMPDIR`), for
/// [`TrackBuilder::spilling`](coeval::track::TrackBuilder::spilling). It is made when it is first needed; all that is made
/// of one answer, and of its clones, lies in the same file.
pub fn temporary_files() -> NewScratch {
    let shared: Mutex<Option<Arc<Shared>>> = Mutex::default();
    Arc::new(move || {
        let mut shared = shared.lock().unwrap_or_else(|e| e.into_inner());
        let shared = match &*shared {
            Some(shared) => shared,
            None => shared.insert(Arc::new(Shared { file: tempfile::tempfile()?, end: AtomicU64::new(0) })),
        };
        Ok(Box::new(Part { shared: Arc::clone(shared), extents: Vec::new(), length: 0 }) as Box<dyn Scratch>)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_one_file_do_not_touch_each_other() {
        let new = temporary_files();
        let mut parts: Vec<_> = (0..3).map(|_| new().unwrap()).collect();
        let byte = |part: usize, at: u64| (at.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 56) as u8 ^ part as u8;
        // Unlike lengths, over the ends of extents.
        let lengths = [3 * EXTENT + 17, EXTENT, 2 * EXTENT - 1];
        let mut written = [0; 3];
        while written != lengths {
            for (i, part) in parts.iter_mut().enumerate() {
                let until = lengths[i].min(written[i] + 300_007);
                part.append(&(written[i]..until).map(|at| byte(i, at)).collect::<Vec<_>>()).unwrap();
                written[i] = until;
            }
        }
        for (i, part) in parts.iter().enumerate() {
            for (from, length) in [(0, lengths[i]), (EXTENT - 5, 5), (lengths[i] - 9, 9), (EXTENT / 2, EXTENT / 2)] {
                let mut out = vec![0; length as usize];
                part.read_at(from, &mut out).unwrap();
                assert!(out.iter().zip(from..).all(|(b, at)| *b == byte(i, at)), "part {i} from {from}");
            }
            assert!(part.read_at(lengths[i].next_multiple_of(EXTENT), &mut [0]).is_err());
        }
    }
}
