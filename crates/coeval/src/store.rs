//! A track's samples: in memory, or, where they are many and the caller gives a place for them, outside of it.

use std::fmt;
use std::io;
use std::sync::{Arc, OnceLock};

use crate::error::{Error, ErrorKind, Result};

/// A place outside memory for the samples of long tracks, such as a temporary file: bytes are appended, then read at
/// any place, by several threads at once.
pub trait Scratch: Send + Sync {
    /// Adds bytes at the end. After a failure what was added before must still be readable.
    ///
    /// # Errors
    /// What the system answers, for instance that the disk is full.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Fills `out` with the bytes from `offset` on; they have been appended before.
    ///
    /// # Errors
    /// What the system answers.
    fn read_at(&self, offset: u64, out: &mut [u8]) -> io::Result<()>;
}

/// Makes a new, empty [`Scratch`].
pub type NewScratch = Arc<dyn Fn() -> io::Result<Box<dyn Scratch>> + Send + Sync>;

/// Samples that are moved or read at once.
const PIECE: usize = 1 << 14;
/// Samples that wait in memory until they are worth a write.
const WAITING: usize = 1 << 17;

/// Finished samples. A clone is another name for the same ones.
#[derive(Clone, Default)]
pub(crate) struct Samples(Arc<Held>);

#[derive(Default)]
struct Held {
    /// The first `outside` samples.
    scratch: Option<Box<dyn Scratch>>,
    outside: usize,
    /// What follows them.
    inside: Vec<i16>,
    /// Why they could not be read; what could not be read was silence.
    fault: OnceLock<Error>,
}

impl fmt::Debug for Samples {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Samples").field("len", &self.len()).field("outside", &self.0.outside).finish()
    }
}

impl From<Vec<i16>> for Samples {
    fn from(inside: Vec<i16>) -> Self {
        Self(Arc::new(Held { inside, ..Held::default() }))
    }
}

impl Samples {
    pub(crate) fn len(&self) -> usize {
        self.0.outside + self.0.inside.len()
    }

    /// Samples from `start` on, times `scale`; what lies outside is 0.
    pub(crate) fn read(&self, start: i64, scale: f32, out: &mut [f32]) {
        out.fill(0.0);
        let len = self.len() as i64;
        let (from, to) = (start.clamp(0, len), (start.saturating_add(out.len() as i64)).clamp(0, len));
        if from >= to {
            return;
        }
        let out = &mut out[(from - start) as usize..(to - start) as usize];
        let (from, outside) = (from as usize, self.0.outside);
        let (first, rest) = out.split_at_mut(outside.saturating_sub(from).min(out.len()));
        if !first.is_empty() {
            self.read_outside(from, scale, first);
        }
        for (o, &s) in rest.iter_mut().zip(self.0.inside.get(from.saturating_sub(outside)..).unwrap_or_default()) {
            *o = f32::from(s) * scale;
        }
    }

    fn read_outside(&self, from: usize, scale: f32, out: &mut [f32]) {
        let Some(scratch) = &self.0.scratch else { return };
        let mut bytes = vec![0u8; 2 * PIECE.min(out.len())];
        let mut at = from;
        for piece in out.chunks_mut(PIECE) {
            let bytes = &mut bytes[..2 * piece.len()];
            if let Err(e) = scratch.read_at(2 * at as u64, bytes) {
                self.failed(lost(e));
                return;
            }
            for (o, b) in piece.iter_mut().zip(bytes.as_chunks::<2>().0) {
                *o = f32::from(i16::from_le_bytes(*b)) * scale;
            }
            at += piece.len();
        }
    }

    /// Notes that these samples are not what they should be.
    pub(crate) fn failed(&self, error: Error) {
        // The first failure says most.
        let _ = self.0.fault.set(error);
    }

    /// # Errors
    /// [`Io`](ErrorKind::Io) when some could not be read or kept since they were made.
    pub(crate) fn check(&self) -> Result<()> {
        match self.0.fault.get() {
            Some(e) => Err(Error::new(e.kind(), e.message()).with_remedy(ROOM)),
            None => Ok(()),
        }
    }
}

const ROOM: &str = "make room where temporary files go, or name another place for them";

fn lost(e: io::Error) -> Error {
    Error::new(ErrorKind::Io, format!("the sound of a long recording, kept in a temporary file, cannot be read: {e}"))
        .with_remedy(ROOM)
        .with_source(e)
}

/// Takes samples one after the other.
#[derive(Default)]
pub(crate) struct SampleWriter {
    scratch: Option<Box<dyn Scratch>>,
    outside: usize,
    inside: Vec<i16>,
    /// Where samples go once there are so many.
    spill: Option<(usize, NewScratch)>,
}

impl SampleWriter {
    /// Samples go to a new scratch once there are `from` of them.
    pub(crate) fn new(spill: Option<(usize, NewScratch)>) -> Self {
        Self { spill, ..Self::default() }
    }

    pub(crate) fn spill(&self) -> Option<(usize, NewScratch)> {
        self.spill.clone()
    }

    pub(crate) fn len(&self) -> usize {
        self.outside + self.inside.len()
    }

    pub(crate) fn extend(&mut self, samples: impl Iterator<Item = i16>) {
        self.inside.extend(samples);
    }

    /// Moves samples out of memory when there are enough of them. Where that fails all stay, or come back to, there.
    ///
    /// # Errors
    /// [`Io`](ErrorKind::Io) when those outside cannot be read back.
    pub(crate) fn flush(&mut self) -> Result<()> {
        let Some((from, new)) = &self.spill else { return Ok(()) };
        let due =
            if self.scratch.is_some() { self.inside.len() >= WAITING } else { self.inside.len() >= (*from).max(1) };
        if !due {
            return Ok(());
        }
        if self.scratch.is_none() {
            self.scratch = new().ok();
        }
        let Some(scratch) = &mut self.scratch else {
            self.spill = None;
            return Ok(());
        };
        if append(scratch.as_mut(), &self.inside).is_err() {
            return self.come_back();
        }
        self.outside += self.inside.len();
        // A new one, so that the memory goes back.
        self.inside = Vec::with_capacity(WAITING + PIECE);
        Ok(())
    }

    /// What was outside before the last, failed write goes before what is in memory still.
    fn come_back(&mut self) -> Result<()> {
        self.spill = None;
        let (Some(scratch), outside) = (self.scratch.take(), std::mem::take(&mut self.outside)) else { return Ok(()) };
        let mut all = Vec::with_capacity(outside + self.inside.len());
        let mut bytes = vec![0u8; 2 * PIECE];
        for at in (0..outside).step_by(PIECE) {
            let bytes = &mut bytes[..2 * PIECE.min(outside - at)];
            scratch.read_at(2 * at as u64, bytes).map_err(lost)?;
            all.extend(bytes.as_chunks::<2>().0.iter().map(|b| i16::from_le_bytes(*b)));
        }
        all.append(&mut self.inside);
        self.inside = all;
        Ok(())
    }

    /// The first `len` samples; no more than those of the last [`flush`](Self::flush) may be missing.
    pub(crate) fn finish(mut self, len: usize) -> Samples {
        self.inside.truncate(len.saturating_sub(self.outside));
        // Many short tracks would keep much in memory; what does not fit any more stays there.
        if let Some(scratch) = &mut self.scratch
            && append(scratch.as_mut(), &self.inside).is_ok()
        {
            self.outside += self.inside.len();
            self.inside.clear();
        }
        self.inside.shrink_to_fit();
        Samples(Arc::new(Held {
            scratch: self.scratch,
            outside: self.outside,
            inside: self.inside,
            fault: OnceLock::new(),
        }))
    }
}

/// Adds samples at the end of a scratch.
fn append(scratch: &mut dyn Scratch, samples: &[i16]) -> io::Result<()> {
    let mut bytes = Vec::with_capacity(2 * PIECE.min(samples.len()));
    for piece in samples.chunks(PIECE) {
        bytes.clear();
        bytes.extend(piece.iter().flat_map(|s| s.to_le_bytes()));
        scratch.append(&bytes)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;
    use crate::track::{Track, TrackBuilder};

    /// A disk with so much room, which can break.
    #[derive(Default)]
    struct Disk {
        bytes: Mutex<Vec<u8>>,
        room: usize,
        reads_left: AtomicUsize,
    }

    struct Part(Arc<Disk>, Vec<u8>);

    impl Scratch for Part {
        fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
            let mut used = self.0.bytes.lock().unwrap();
            used.extend(bytes);
            // A disk that fills up takes a part of what it is given.
            let taken = bytes.len().saturating_sub(used.len().saturating_sub(self.0.room));
            self.1.extend(&bytes[..taken]);
            if taken < bytes.len() { Err(io::ErrorKind::StorageFull.into()) } else { Ok(()) }
        }

        fn read_at(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
            if self.0.reads_left.fetch_sub(1, Ordering::Relaxed) == 0 {
                self.0.reads_left.store(0, Ordering::Relaxed);
                return Err(io::Error::other("the disk is broken"));
            }
            let from = offset as usize;
            out.copy_from_slice(self.1.get(from..from + out.len()).ok_or(io::ErrorKind::UnexpectedEof)?);
            Ok(())
        }
    }

    fn disk(room: usize, reads: usize) -> NewScratch {
        let disk = Arc::new(Disk { room, reads_left: AtomicUsize::new(reads), ..Disk::default() });
        Arc::new(move || Ok(Box::new(Part(Arc::clone(&disk), Vec::new())) as Box<dyn Scratch>))
    }

    fn sound() -> Vec<f32> {
        let mut noise = crate::pair::tests::Noise::new(5);
        (0..90 * 8000).map(|i| noise.gauss() * if i / 4000 % 3 == 0 { 0.3 } else { 0.01 }).collect()
    }

    fn track(sound: &[f32], spill: Option<(f64, NewScratch)>) -> Result<Track> {
        let mut builder = TrackBuilder::new(8000.0, 1)?;
        if let Some((after_s, scratch)) = spill {
            builder = builder.spilling(after_s, scratch);
        }
        for block in sound.chunks(5001) {
            builder.push(block)?;
        }
        Ok(builder.finish())
    }

    fn same(a: &Track, b: &Track) {
        assert_eq!(a.len(), b.len());
        assert_eq!(a.levels(), b.levels());
        let (mut x, mut y) = (vec![0.0; 70_001], vec![0.0; 70_001]);
        for start in (-90_000..a.len() as i64 + 20_000).step_by(33_333).chain([i64::MIN, i64::MAX]) {
            a.read(start, &mut x);
            b.read(start, &mut y);
            assert_eq!(x, y, "from {start}");
        }
    }

    #[test]
    fn outside_memory_a_track_is_the_same_to_the_last_bit() {
        let sound = sound();
        let inside = track(&sound, None).unwrap();
        for after_s in [0.0, 1.0, 30.0, 89.9, 90.0, 1e9] {
            let outside = track(&sound, Some((after_s, disk(usize::MAX, usize::MAX)))).unwrap();
            same(&inside, &outside);
            same(inside.above_floor(), outside.above_floor());
            outside.check().unwrap();
        }
    }

    #[test]
    fn a_full_disk_brings_it_back_into_memory() {
        let sound = sound();
        let inside = track(&sound, None).unwrap();
        // Nothing fits, a part of the first write, some writes, the track but not the one above its floor.
        for room in [0, 1001, 400_000, 1_000_000, 1_600_000] {
            let outside = track(&sound, Some((10.0, disk(room, usize::MAX)))).unwrap();
            same(&inside, &outside);
            same(inside.above_floor(), outside.above_floor());
            outside.check().unwrap();
        }
        let none: NewScratch = Arc::new(|| Err(io::ErrorKind::PermissionDenied.into()));
        same(&inside, &track(&sound, Some((10.0, none))).unwrap());
    }

    #[test]
    fn a_broken_disk_is_an_error_and_no_result() {
        let sound = sound();
        let broken = track(&sound, Some((10.0, disk(usize::MAX, 40)))).unwrap();
        let whole = track(&sound, None).unwrap();
        for (a, b) in [(&broken, &whole), (&whole, &broken)] {
            let error = crate::pair::align_pair(a, b, &Default::default(), &()).unwrap_err();
            assert_eq!(error.kind(), ErrorKind::Io, "{error}");
            assert!(error.remedy().is_some() && error.to_string().contains("broken"), "{error}");
        }
        // Full, and then it cannot be read back either.
        let lost = track(&sound, Some((10.0, disk(1_000_000, 0)))).unwrap_err();
        assert_eq!(lost.kind(), ErrorKind::Io, "{lost}");
    }
}
