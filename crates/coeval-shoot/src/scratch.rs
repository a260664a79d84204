//! Where the samples of long recordings lie meanwhile: temporary files that have no name, and that the system clears
//! away whatever happens to the process.

use std::fs::File;
use std::io::{self, Write};
#[cfg(not(any(unix, windows)))]
use std::io::{Read, Seek, SeekFrom};
use std::sync::Arc;

use coeval::track::{NewScratch, Scratch};

/// Recordings longer than this are kept in temporary files, seconds: two hours are 115 MB in memory.
pub(crate) const AFTER_S: f64 = 2.0 * 3600.0;

struct Temporary(File);

impl Scratch for Temporary {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        // Reading has moved the place, where a system has one place only.
        #[cfg(not(any(unix, windows)))]
        self.0.seek(SeekFrom::End(0))?;
        self.0.write_all(bytes)
    }

    #[cfg(unix)]
    fn read_at(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        std::os::unix::fs::FileExt::read_exact_at(&self.0, out, offset)
    }

    #[cfg(windows)]
    fn read_at(&self, mut offset: u64, mut out: &mut [u8]) -> io::Result<()> {
        while !out.is_empty() {
            match std::os::windows::fs::FileExt::seek_read(&self.0, out, offset)? {
                0 => return Err(io::ErrorKind::UnexpectedEof.into()),
                n => {
                    offset += n as u64;
                    out = &mut out[n..];
                }
            }
        }
        Ok(())
    }

    /// WebAssembly, where nothing else runs between the two.
    #[cfg(not(any(unix, windows)))]
    fn read_at(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        let mut file = &self.0;
        file.seek(SeekFrom::Start(offset))?;
        file.read_exact(out)
    }
}

/// Temporary files in the system's folder for them (`TMPDIR`), for
/// [`TrackBuilder::spilling`](coeval::track::TrackBuilder::spilling).
pub fn temporary_files() -> NewScratch {
    Arc::new(|| Ok(Box::new(Temporary(tempfile::tempfile()?)) as Box<dyn Scratch>))
}
