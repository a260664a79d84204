//! Writes WAV files, streamed.
//!
//! RIFF/WAVE with a `bext` chunk (EBU Tech 3285 v2). Room for a `ds64` chunk is kept from the start
//! in a `JUNK` chunk, and the file becomes RF64 if it outgrows 4 GiB (EBU Tech 3306, section 4;
//! ITU-R BS.2088).

use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use coeval_error::{Error, ErrorKind, Result};
use tempfile::NamedTempFile;

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum SampleFormat {
    /// 16-bit integers.
    Int16,
    /// 24-bit integers.
    Int24,
    /// 32-bit floating point.
    Float32,
}

impl SampleFormat {
    fn bytes(self) -> u64 {
        match self {
            SampleFormat::Int16 => 2,
            SampleFormat::Int24 => 3,
            SampleFormat::Float32 => 4,
        }
    }
}

/// The `bext` chunk (EBU Tech 3285 v2, section 2.3). Texts are cut to their fields' lengths.
#[derive(Debug, Clone, Default)]
pub struct Bext {
    /// What the sound is; 256 characters.
    pub description: String,
    /// Who made it; 32 characters.
    pub originator: String,
    /// A reference of the originator's; 32 characters.
    pub originator_reference: String,
    /// `yyyy-mm-dd`.
    pub origination_date: String,
    /// `hh:mm:ss`.
    pub origination_time: String,
    /// The first sample's place, in samples since midnight.
    pub time_reference: u64,
    /// What was done to the sound, one line each.
    pub coding_history: String,
}

/// How a WAV file is written.
#[derive(Debug, Clone)]
pub struct WavOptions {
    /// Sampling rate in Hz, 1000 to 768000.
    pub rate_hz: u32,
    /// Channels, 1 to 64.
    pub channels: usize,
    /// How samples are stored.
    pub format: SampleFormat,
    /// Adds triangular noise of two quantisation steps' width before rounding to integers, so that the
    /// rounding error is independent of the sound (Lipshitz, Wannamaker, Vanderkooy, J. AES 40(5),
    /// 1992, named from memory). The noise is the same on every run.
    pub dither: bool,
    /// The broadcast extension.
    pub bext: Option<Bext>,
    /// The text of an `iXML` chunk.
    pub ixml: Option<String>,
    /// Replace a file that is already there?
    pub overwrite: bool,
}

impl WavOptions {
    /// 24 bits with dither, nothing else, no overwriting.
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        Self { rate_hz, channels, format: SampleFormat::Int24, dither: true, bext: None, ixml: None, overwrite: false }
    }
}

/// Streams interleaved samples into a WAV file.
///
/// The sound goes to a temporary file beside the target, which [`finish`](Self::finish) gives its
/// name. Dropped before that, it leaves nothing behind.
#[derive(Debug)]
pub struct WavWriter {
    out: BufWriter<NamedTempFile>,
    path: PathBuf,
    options: WavOptions,
    /// Offset of the first sample, and of the `fact` chunk's count where there is one.
    data_start: u64,
    fact_at: Option<u64>,
    samples: u64,
    clipped: u64,
    noise: u64,
    /// Largest RIFF size that still fits plain WAV.
    riff_limit: u64,
}

/// Payload of a `ds64` chunk without a table: three 64-bit sizes and a count (EBU Tech 3306, section 3; from memory).
const DS64_BYTES: u32 = 28;
/// Bytes of a page of the usual systems, at least.
const PAGE: usize = 4096;
/// Samples that are put into bytes at a time.
const BLOCK: usize = 8192;

impl WavWriter {
    /// Begins a file.
    ///
    /// # Errors
    /// `InvalidArgument` for a rate or channel count out of range, `OutputExists` if something has the
    /// name already and may not be replaced, and what the system says about the folder.
    pub fn create(path: &Path, options: WavOptions) -> Result<Self> {
        if !(1000..=768_000).contains(&options.rate_hz) || !(1..=64).contains(&options.channels) {
            let message = format!(
                "a WAV file of {} Hz and {} channels cannot be written (1000 to 768000 Hz, 1 to 64 channels)",
                options.rate_hz, options.channels
            );
            return Err(Error::new(ErrorKind::InvalidArgument, message).with_path(path));
        }
        if !options.overwrite && path.symlink_metadata().is_ok() {
            return Err(exists(path));
        }
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut builder = tempfile::Builder::new();
        builder.prefix(".coeval-").suffix(".part");
        #[cfg(unix)]
        {
            // Readable by others as the user's mask allows; temporary files are private by default.
            use std::os::unix::fs::PermissionsExt;
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let file = builder.tempfile_in(folder).map_err(|e| Error::io(path, e))?;
        let mut writer = Self {
            out: BufWriter::with_capacity(256 * 1024, file),
            path: path.to_path_buf(),
            options,
            data_start: 0,
            fact_at: None,
            samples: 0,
            clipped: 0,
            noise: 0x9E37_79B9_7F4A_7C15,
            riff_limit: u32::MAX.into(),
        };
        let (header, fact_at) = header(&writer.options);
        writer.data_start = header.len() as u64;
        writer.fact_at = fact_at;
        writer.out.write_all(&header).map_err(|e| Error::io(path, e))?;
        Ok(writer)
    }

    /// Appends interleaved samples, 1.0 = full scale. Integers clip; what is not a number becomes zero.
    ///
    /// # Errors
    /// `InvalidArgument` if the length is no multiple of the channels; what the system says about writing.
    pub fn write(&mut self, interleaved: &[f32]) -> Result<()> {
        if !interleaved.len().is_multiple_of(self.options.channels) {
            let message =
                format!("{} samples do not divide into {} channels", interleaved.len(), self.options.channels);
            return Err(Error::new(ErrorKind::InvalidArgument, message).with_path(&self.path));
        }
        let mut bytes = Vec::new();
        for part in interleaved.chunks(BLOCK) {
            bytes.resize(part.len() * self.options.format.bytes() as usize, 0);
            match self.options.format {
                SampleFormat::Int16 => {
                    self.put(part, &mut bytes, |w, x| (w.quantise(x, 32768.0) as i16).to_le_bytes());
                }
                SampleFormat::Int24 => self.put(part, &mut bytes, |w, x| {
                    let [low, middle, high, _] = w.quantise(x, 8_388_608.0).to_le_bytes();
                    [low, middle, high]
                }),
                SampleFormat::Float32 => self.put(part, &mut bytes, |_, x| x.to_le_bytes()),
            }
            self.out.write_all(&bytes).map_err(|e| Error::io(&self.path, e))?;
        }
        self.samples += interleaved.len() as u64;
        Ok(())
    }

    /// Frames written so far.
    pub fn frames(&self) -> u64 {
        self.samples / self.options.channels as u64
    }

    /// Samples that had to be clipped so far.
    pub fn clipped(&self) -> u64 {
        self.clipped
    }

    /// Completes the headers and gives the file its name.
    ///
    /// # Errors
    /// `OutputExists` if something took the name meanwhile; what the system says about writing.
    pub fn finish(mut self) -> Result<()> {
        let path = self.path.clone();
        let failed = |e: std::io::Error| Error::io(&path, e);
        let data_bytes = self.samples * self.options.format.bytes();
        if data_bytes & 1 == 1 {
            self.out.write_all(&[0]).map_err(failed)?;
        }
        let riff_bytes = self.data_start - 8 + data_bytes + (data_bytes & 1);
        let frames = self.frames();
        let mut patches: Vec<(u64, Vec<u8>)> = Vec::new();
        if riff_bytes <= self.riff_limit {
            patches.push((4, (riff_bytes as u32).to_le_bytes().to_vec()));
            patches.push((self.data_start - 4, (data_bytes as u32).to_le_bytes().to_vec()));
            patches.extend(self.fact_at.map(|at| (at, (frames as u32).to_le_bytes().to_vec())));
        } else {
            let mut ds64 = b"ds64".to_vec();
            ds64.extend(DS64_BYTES.to_le_bytes());
            for v in [riff_bytes, data_bytes, frames] {
                ds64.extend(v.to_le_bytes());
            }
            ds64.extend(0u32.to_le_bytes());
            let unknown = u32::MAX.to_le_bytes().to_vec();
            patches.push((0, [b"RF64".to_vec(), unknown.clone()].concat()));
            patches.push((12, ds64));
            patches.push((self.data_start - 4, unknown.clone()));
            patches.extend(self.fact_at.map(|at| (at, unknown)));
        }
        let mut file = self.out.into_inner().map_err(|e| failed(e.into_error()))?;
        for (at, bytes) in patches {
            let f: &mut File = file.as_file_mut();
            f.seek(SeekFrom::Start(at)).and_then(|_| f.write_all(&bytes)).map_err(failed)?;
        }
        file.as_file().sync_all().map_err(failed)?;
        let named = if self.options.overwrite { file.persist(&path) } else { file.persist_noclobber(&path) };
        match named {
            Ok(_) => Ok(()),
            Err(e) if e.error.kind() == std::io::ErrorKind::AlreadyExists => Err(exists(&path)),
            Err(e) => Err(failed(e.error)),
        }
    }

    /// The samples as bytes, `N` each.
    fn put<const N: usize>(&mut self, samples: &[f32], out: &mut [u8], bytes: impl Fn(&mut Self, f32) -> [u8; N]) {
        for (out, &x) in out.as_chunks_mut::<N>().0.iter_mut().zip(samples) {
            *out = bytes(self, if x.is_finite() { x } else { 0.0 });
        }
    }

    fn quantise(&mut self, sample: f32, scale: f64) -> i32 {
        let mut v = f64::from(sample) * scale;
        if self.options.dither {
            v += self.triangular();
        }
        // Halves away from zero. `f64::round` is a call into the C library on processors that have no instruction for it.
        let rounded = (v + 0.5f64.copysign(v)) as i32;
        let scale = scale as i32;
        if !(-scale..scale).contains(&rounded) {
            self.clipped += 1;
        }
        rounded.clamp(-scale, scale - 1)
    }

    /// Noise from -1 to 1 with a triangular distribution: two uniform numbers of 26 bits from the high bits of one step of a
    /// linear congruential generator (multiplier from L'Ecuyer, Math. Comp. 68, 1999, from memory), repeatable and fast.
    fn triangular(&mut self) -> f64 {
        const BITS: u32 = 26;
        self.noise = self.noise.wrapping_mul(2_862_933_555_777_941_757).wrapping_add(3_037_000_493);
        let high = self.noise >> (64 - BITS);
        let low = (self.noise >> (64 - 2 * BITS)) & ((1 << BITS) - 1);
        (high + low) as f64 / (1u64 << BITS) as f64 - 1.0
    }
}

/// Gives a file that was written with the options `old` the texts and the time reference of `new`, in place; whether that
/// could be done. Not where the two differ in length or far apart, where the file does not have what `old` says, and not
/// where it has several names, of which one may be somebody else's.
///
/// # Errors
/// What the system says about opening, reading and writing the file.
pub fn restamp(path: &Path, old: &WavOptions, new: &WavOptions) -> Result<bool> {
    let ((old, _), (new, _)) = (header(old), header(new));
    let differs = |i: &usize| old[*i] != new[*i];
    if old.len() != new.len() {
        return Ok(false);
    }
    let Some(from) = (0..old.len()).find(differs) else { return Ok(true) };
    let to = (0..old.len()).rfind(differs).map_or(from, |last| last + 1);
    // One write within a page: whoever reads sees all of it or nothing, and so does who is killed.
    if to > PAGE {
        return Ok(false);
    }
    let failed = |e| Error::io(path, e);
    let mut file = File::options().read(true).write(true).open(path).map_err(failed)?;
    #[cfg(unix)]
    if std::os::unix::fs::MetadataExt::nlink(&file.metadata().map_err(failed)?) != 1 {
        return Ok(false);
    }
    let mut there = vec![0; to - from];
    file.seek(SeekFrom::Start(from as u64)).and_then(|_| file.read_exact(&mut there)).map_err(failed)?;
    if there != old[from..to] {
        return Ok(false);
    }
    file.seek(SeekFrom::Start(from as u64)).and_then(|_| file.write_all(&new[from..to])).map_err(failed)?;
    Ok(true)
}

fn exists(path: &Path) -> Error {
    Error::new(ErrorKind::OutputExists, "something with this name is already there")
        .with_path(path)
        .with_remedy("choose another name, or allow overwriting")
}

/// Everything before the first sample, and where the count in `fact` stands.
fn header(o: &WavOptions) -> (Vec<u8>, Option<u64>) {
    let mut h = b"RIFF\0\0\0\0WAVE".to_vec();
    let chunk = |h: &mut Vec<u8>, name: &[u8; 4], body: &[u8]| {
        h.extend(name);
        h.extend((body.len() as u32).to_le_bytes());
        h.extend(body);
        h.extend(std::iter::repeat_n(0, body.len() & 1));
    };
    chunk(&mut h, b"JUNK", &[0; DS64_BYTES as usize]);
    if let Some(b) = &o.bext {
        chunk(&mut h, b"bext", &bext(b));
    }
    if let Some(text) = &o.ixml {
        chunk(&mut h, b"iXML", text.as_bytes());
    }
    let bytes = o.format.bytes() as u32;
    let align = bytes * o.channels as u32;
    let tag: u16 = if o.format == SampleFormat::Float32 { 3 } else { 1 };
    // More than two channels call for the extensible form (WAVEFORMATEXTENSIBLE), without assigned places.
    let extensible = o.channels > 2;
    let mut f = Vec::new();
    f.extend((if extensible { 0xFFFE } else { tag }).to_le_bytes());
    f.extend((o.channels as u16).to_le_bytes());
    f.extend(o.rate_hz.to_le_bytes());
    f.extend((o.rate_hz * align).to_le_bytes());
    f.extend((align as u16).to_le_bytes());
    f.extend((bytes as u16 * 8).to_le_bytes());
    if extensible {
        f.extend(22u16.to_le_bytes());
        f.extend((bytes as u16 * 8).to_le_bytes());
        f.extend(0u32.to_le_bytes());
        f.extend(tag.to_le_bytes());
        f.extend(*b"\0\0\0\0\x10\0\x80\0\0\xAA\0\x38\x9B\x71");
    } else if tag == 3 {
        f.extend(0u16.to_le_bytes());
    }
    chunk(&mut h, b"fmt ", &f);
    let mut fact_at = None;
    if tag == 3 {
        fact_at = Some(h.len() as u64 + 8);
        chunk(&mut h, b"fact", &[0; 4]);
    }
    h.extend(b"data\0\0\0\0");
    (h, fact_at)
}

fn bext(b: &Bext) -> Vec<u8> {
    let mut out = Vec::with_capacity(602 + b.coding_history.len());
    let mut field = |text: &str, len: usize| {
        // The fields are ASCII (section 2.3).
        let ascii = text.chars().map(|c| if c.is_ascii() { c as u8 } else { b'?' });
        let start = out.len();
        out.extend(ascii.take(len));
        out.resize(start + len, 0);
    };
    field(&b.description, 256);
    field(&b.originator, 32);
    field(&b.originator_reference, 32);
    field(&b.origination_date, 10);
    field(&b.origination_time, 8);
    out.extend(b.time_reference.to_le_bytes());
    // Version 2; no UMID. 0x7FFF marks each of the five loudness values as not given.
    out.extend(2u16.to_le_bytes());
    out.resize(out.len() + 64, 0);
    for _ in 0..5 {
        out.extend(0x7FFFu16.to_le_bytes());
    }
    out.resize(602, 0);
    out.extend(b.coding_history.replace("\r\n", "\n").replace('\n', "\r\n").bytes().filter(u8::is_ascii));
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{OpenOptions, SoundReader};

    fn read(path: &Path) -> (SoundReader, Vec<f32>) {
        let mut reader = SoundReader::open(path, &OpenOptions::default()).expect("opens");
        let (mut all, mut block) = (Vec::new(), Vec::new());
        while reader.read(&mut block).expect("reads") > 0 {
            all.extend_from_slice(&block);
        }
        (reader, all)
    }

    fn ramp(n: usize) -> Vec<f32> {
        (0..n).map(|i| ((i as f32 * 0.7).sin() * 0.9 * 32768.0).round() / 32768.0).collect()
    }

    #[test]
    fn what_is_written_is_read_back() {
        let dir = tempfile::tempdir().expect("dir");
        for (format, channels) in
            [(SampleFormat::Int16, 1), (SampleFormat::Int24, 1), (SampleFormat::Int24, 3), (SampleFormat::Float32, 2)]
        {
            let path = dir.path().join(format!("{format:?}{channels}.wav"));
            let sound = ramp(999 * channels);
            let options = WavOptions { format, dither: false, ..WavOptions::new(44_100, channels) };
            let mut w = WavWriter::create(&path, options).expect("creates");
            w.write(&sound).expect("writes");
            assert_eq!((w.frames(), w.clipped()), (999, 0));
            w.finish().expect("finishes");
            let (reader, back) = read(&path);
            assert_eq!(back, sound, "{format:?}");
            let info = reader.info().sound.as_ref().expect("sound");
            assert_eq!((info.rate_hz, info.channels, info.frames), (44_100, channels, Some(999)));
            assert!(reader.warnings().is_empty(), "{:?}", reader.warnings());
        }
    }

    #[test]
    fn bext_fields_stand_where_the_standard_puts_them() {
        let dir = tempfile::tempdir().expect("dir");
        let path = dir.path().join("b.wav");
        let bext = Bext {
            description: "skipper and surveyor".into(),
            originator: "Recorder Six".into(),
            origination_date: "2024-05-17".into(),
            origination_time: "10:00:00".into(),
            // Past the low word: 25 hours at 48 kHz.
            time_reference: 25 * 3600 * 48_000,
            ..Bext::default()
        };
        let options = WavOptions { bext: Some(bext), ixml: Some("<BWFXML/>".into()), ..WavOptions::new(48_000, 1) };
        let mut w = WavWriter::create(&path, options).expect("creates");
        w.write(&[0.0; 480]).expect("writes");
        w.finish().expect("finishes");
        let raw = std::fs::read(&path).expect("raw");
        let at = raw.windows(4).position(|w| w == b"bext").expect("bext") + 8;
        // EBU Tech 3285 v2, section 2.3: 256 + 32 + 32 bytes of text, 10 of date, 8 of time, then the reference (8), then
        // the version.
        assert_eq!(&raw[at..at + 20], b"skipper and surveyor");
        assert_eq!(raw[at + 338..at + 346], (25u64 * 3600 * 48_000).to_le_bytes());
        assert_eq!(raw[at + 346], 2);
        let (reader, _) = read(&path);
        assert_eq!(reader.info().timecode_s, Some(90_000.0));
        assert_eq!(reader.info().device.as_deref(), Some("Recorder Six"));
        // 2024-05-17 10:00:00, by `date -u -d '2024-05-17 10:00:00' +%s`.
        assert_eq!(reader.info().created_unix_s, Some(1_715_940_000));
    }

    #[test]
    fn another_time_reference_changes_nothing_else() {
        let dir = tempfile::tempdir().expect("dir");
        let (path, fresh) = (dir.path().join("b.wav"), dir.path().join("fresh.wav"));
        let stamped = |time_reference| WavOptions {
            bext: Some(Bext { time_reference, ..Bext::default() }),
            ixml: Some(format!("<BWFXML>{time_reference:05}</BWFXML>")),
            ..WavOptions::new(48_000, 1)
        };
        let write = |path: &Path, options: WavOptions| {
            let mut w = WavWriter::create(path, options).expect("creates");
            w.write(&ramp(4800)).expect("writes");
            w.finish().expect("finishes");
        };
        write(&path, stamped(48_000));
        write(&fresh, stamped(96_000));
        assert!(restamp(&path, &stamped(48_000), &stamped(96_000)).expect("restamps"));
        assert_eq!(std::fs::read(&path).expect("reads"), std::fs::read(&fresh).expect("reads"));
        let before = std::fs::read(&path).expect("reads");
        assert!(!restamp(&path, &stamped(48_000), &stamped(72_000)).expect("reads"), "it was not 48000 any more");
        assert!(!restamp(&path, &stamped(96_000), &stamped(960_000)).expect("reads"), "longer by a digit");
        #[cfg(unix)]
        {
            std::fs::hard_link(&path, dir.path().join("theirs.wav")).expect("links");
            assert!(!restamp(&path, &stamped(96_000), &stamped(72_000)).expect("reads"), "it has two names");
        }
        assert_eq!(std::fs::read(&path).expect("reads"), before);
    }

    #[test]
    fn past_its_limit_the_file_becomes_rf64() {
        let dir = tempfile::tempdir().expect("dir");
        let path = dir.path().join("long.wav");
        let sound = ramp(5000);
        for format in [SampleFormat::Int24, SampleFormat::Float32] {
            let options = WavOptions { format, dither: false, overwrite: true, ..WavOptions::new(48_000, 1) };
            let mut w = WavWriter::create(&path, options).expect("creates");
            w.riff_limit = 10_000;
            w.write(&sound).expect("writes");
            w.finish().expect("finishes");
            let raw = std::fs::read(&path).expect("raw");
            // EBU Tech 3306, section 3 (from memory): `ds64` comes first, and begins with the size of the whole.
            assert_eq!((&raw[..8], &raw[12..16]), (&b"RF64\xFF\xFF\xFF\xFF"[..], &b"ds64"[..]));
            assert_eq!(raw[20..28], (raw.len() as u64 - 8).to_le_bytes());
            let (reader, back) = read(&path);
            assert_eq!(reader.info().container, "RF64");
            assert_eq!(back, sound);
            assert!(reader.warnings().is_empty(), "{:?}", reader.warnings());
        }
    }

    #[test]
    fn dither_is_triangular_and_repeatable() {
        let dir = tempfile::tempdir().expect("dir");
        let level = 0.3 / 32768.0;
        let mut first = Vec::new();
        for name in ["a.wav", "b.wav"] {
            let path = dir.path().join(name);
            let options = WavOptions { format: SampleFormat::Int16, ..WavOptions::new(48_000, 1) };
            let mut w = WavWriter::create(&path, options).expect("creates");
            w.write(&vec![level; 200_000]).expect("writes");
            w.finish().expect("finishes");
            let (_, back) = read(&path);
            let steps: Vec<f64> = back.iter().map(|v| f64::from(*v) * 32768.0).collect();
            let mean = steps.iter().sum::<f64>() / steps.len() as f64;
            let power = steps.iter().map(|v| (v - 0.3).powi(2)).sum::<f64>() / steps.len() as f64;
            // The mean of the rounded values is the value itself, and the error's power is a quarter of a
            // squared step (1/6 of the dither + 1/12 of rounding) at any level; without dither both fail. Theory of
            // triangular dither (Lipshitz and others, as above, from memory); the tolerances are own targets.
            assert!((mean - 0.3).abs() < 0.005, "{mean}");
            assert!((power - 0.25).abs() < 0.005, "{power}");
            if first.is_empty() {
                first = back;
            } else {
                assert_eq!(first, back);
            }
        }
    }

    #[test]
    fn clipping_is_counted_and_bad_numbers_are_silent() {
        let dir = tempfile::tempdir().expect("dir");
        let path = dir.path().join("c.wav");
        let options = WavOptions { format: SampleFormat::Int16, dither: false, ..WavOptions::new(48_000, 1) };
        let mut w = WavWriter::create(&path, options).expect("creates");
        w.write(&[2.0, -2.0, f32::NAN, f32::INFINITY, -1.0]).expect("writes");
        assert_eq!(w.clipped(), 2);
        w.finish().expect("finishes");
        assert_eq!(read(&path).1, [32767.0 / 32768.0, -1.0, 0.0, 0.0, -1.0]);
    }

    #[test]
    fn nothing_is_left_behind_and_nothing_overwritten() {
        let dir = tempfile::tempdir().expect("dir");
        let path = dir.path().join("x.wav");
        let mut w = WavWriter::create(&path, WavOptions::new(48_000, 2)).expect("creates");
        assert_eq!(w.write(&[0.0; 3]).expect_err("odd").kind(), ErrorKind::InvalidArgument);
        w.write(&[0.0; 4000]).expect("writes");
        drop(w);
        assert_eq!(std::fs::read_dir(dir.path()).expect("dir").count(), 0);

        let late = WavWriter::create(&path, WavOptions::new(48_000, 2)).expect("creates");
        std::fs::write(&path, "mine").expect("writes");
        assert_eq!(late.finish().expect_err("taken").kind(), ErrorKind::OutputExists);
        let e = WavWriter::create(&path, WavOptions::new(48_000, 2)).expect_err("taken");
        assert_eq!(e.kind(), ErrorKind::OutputExists);
        assert_eq!(std::fs::read(&path).expect("still there"), b"mine");
        assert_eq!(std::fs::read_dir(dir.path()).expect("dir").count(), 1);
        let e = WavWriter::create(&dir.path().join("none/x.wav"), WavOptions::new(48_000, 2)).expect_err("no folder");
        assert_eq!(e.kind(), ErrorKind::NotFound);
        let e = WavWriter::create(&path, WavOptions::new(48_000, 0)).expect_err("no channels");
        assert_eq!(e.kind(), ErrorKind::InvalidArgument);
    }
}
