//! Reads the sound of media files on presentation time.
//!
//! Sample zero is what a player plays first: the container's edit list, the encoder's delay and
//! padding, a late start and holes in the timestamps are already applied (holes read as silence).
//!
//! ```no_run
//! use coeval_media::{OpenOptions, SoundReader};
//!
//! let mut sound = SoundReader::open("CAM_A_001.MP4".as_ref(), &OpenOptions::default())?;
//! let mut block = Vec::new();
//! while sound.read(&mut block)? > 0 { /* interleaved samples, 1.0 = full scale */ }
//! # Ok::<(), coeval_media::Error>(())
//! ```
//!
//! # How a file is read
//! 1. The first bytes name the container (never the file's name).
//! 2. A *track* (one per container family) hands out coded packets, each with its place on the
//!    track's own time, in frames of the sound's rate: `riff` for WAV and its 64-bit relatives,
//!    `isobmff` for MP4 and MOV, `foreign` for what Symphonia takes apart, `ffmpeg` on request.
//! 3. A *decoder* (`codec`) turns packets into samples.
//! 4. [`SoundReader`] lays the samples out on presentation time, segment by segment of the edit
//!    list, and fills with silence what no packet covers.
//!
//! # How to add a reader
//! Write a module with `open(Source) -> Result<Opened>`: fill [`MediaInfo`], make a decoder, list the
//! presentation's segments, and implement the trait `Track` (`next` hands out packets in order of
//! time, `seek` jumps to the packet that holds a frame, or to an earlier one). Add the magic bytes to
//! `sniff`. Then add the container to `tests/fixtures/make.py` with a click at a known time, and to
//! the table in `tests/tests/presentation_time.rs`; the true time must follow from how the file was
//! made, not from another reader.
#![forbid(unsafe_code)]

mod codec;
mod ebml;
mod ffmpeg;
mod foreign;
mod isobmff;
mod riff;
mod source;
mod writer;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

pub use coeval_error::{Error, ErrorKind, Result};

use codec::{Decoder, Packet};
use foreign::Kind;
use source::Source;

pub use ffmpeg::luma_frames;
pub use writer::{Bext, SampleFormat, WavOptions, WavWriter};

/// An exact ratio, for frame rates: 30000/1001.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Rational {
    /// Numerator.
    pub num: u32,
    /// Denominator, not zero.
    pub den: u32,
}

impl Rational {
    /// `num / den` in lowest terms. A value that does not fit is rounded.
    fn reduced(num: u64, den: u64) -> Self {
        let (mut a, mut b) = (num, den);
        while b != 0 {
            (a, b) = (b, a % b);
        }
        let a = a.max(1);
        match (u32::try_from(num / a), u32::try_from(den / a)) {
            (Ok(num), Ok(den)) if den > 0 => Self { num, den },
            _ => Self::near(num as f64 / den.max(1) as f64, false),
        }
    }

    /// The rate as a ratio; `snap` takes the customary rate that lies within 1 in 5000.
    fn near(rate: f64, snap: bool) -> Self {
        if !rate.is_finite() || rate <= 0.0 {
            return Self { num: 0, den: 1 };
        }
        if snap {
            for whole in [24, 25, 30, 48, 50, 60, 100, 120, 200, 240] {
                for (num, den) in [(whole, 1), (whole * 1000, 1001)] {
                    if (rate * f64::from(den) / f64::from(num) - 1.0).abs() < 2e-4 {
                        return Self { num, den };
                    }
                }
            }
        }
        Self::reduced((rate.min(4_000_000.0) * 1000.0).round() as u64, 1000)
    }

    /// As a number.
    pub fn as_f64(self) -> f64 {
        f64::from(self.num) / f64::from(self.den)
    }
}

/// What a file holds, read from its headers.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct MediaInfo {
    /// Container in words: `WAV`, `MP4`, `Matroska`, ...
    pub container: &'static str,
    /// Length of the presentation in seconds.
    pub duration_s: f64,
    /// The sound track that will be read.
    pub sound: Option<SoundInfo>,
    /// The picture track.
    pub picture: Option<PictureInfo>,
    /// When the file says it was made, in seconds since 1970-01-01 UTC (or local time where the format knows no zone).
    pub created_unix_s: Option<i64>,
    /// Timecode of the presentation's first moment, in seconds since midnight: samples over rate, or frames
    /// counted since midnight times a frame's length (so that drop-frame labels come out as time).
    pub timecode_s: Option<f64>,
    /// Timecode of the first frame as written (`tmcd`), where there is one.
    pub timecode: Option<String>,
}

/// A sound track.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct SoundInfo {
    /// Codec in words: `AAC-LC`, `PCM 24-bit`, ...
    pub codec: String,
    /// Sampling rate in Hz.
    pub rate_hz: u32,
    /// Number of channels.
    pub channels: usize,
    /// Bits a sample, for lossless codecs.
    pub bits: Option<u32>,
    /// `false` where the format cannot say how much delay its encoder added (MP3 without a gapless
    /// header, ADTS): the start may be late by some 25 ms.
    pub start_is_exact: bool,
    /// Number of frames on presentation time, leading silence included, where the headers tell it
    /// exactly. A damaged file may end earlier.
    pub frames: Option<u64>,
}

/// A picture track.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PictureInfo {
    /// Frames a second, if all frames last equally long; else the mean. 0/1 where the file does not tell.
    pub frame_rate: Rational,
    /// Frames differ in length by more than a tick of the track's clock.
    pub variable_rate: bool,
    /// Width and height in pixels.
    pub size: (u32, u32),
    /// Length in seconds, and where the picture starts on presentation time.
    pub duration_s: f64,
    /// Start of the picture on presentation time, seconds.
    pub start_s: f64,
}

/// How files are opened.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct OpenOptions {
    /// May an `ffmpeg` on PATH read what pure Rust cannot?
    pub allow_ffmpeg: bool,
}

/// Reads headers only.
///
/// # Errors
/// Names the file, what was wrong and what to do.
pub fn probe(path: &Path, options: &OpenOptions) -> Result<MediaInfo> {
    Ok(SoundReader::open(path, options)?.info().clone())
}

/// What the headers say of a file whose picture has no sound beside it ([`probe`] refuses it with `NoSound`). `None`
/// where there is no picture either, or the container is none of the MP4 family.
///
/// # Errors
/// As for [`SoundReader::open`].
pub fn probe_picture(path: &Path) -> Result<Option<MediaInfo>> {
    let mut source = Source::open(path)?;
    match sniff(&mut source)? {
        Family::IsoBmff => isobmff::picture_alone(source),
        _ => Ok(None),
    }
}

/// A stretch of timestamps without sound, read as silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hole {
    /// Where it starts on presentation time, seconds.
    pub start_s: f64,
    /// How long it is, seconds.
    pub length_s: f64,
}

/// Frames of silence handed out at once.
const SILENCE_BLOCK: u64 = 8192;
/// Holes longer than this many seconds are not believed.
const MAX_HOLE_S: u64 = 24 * 3600;
/// Holes and warnings remembered at most.
const MAX_NOTES: usize = 1000;

/// A stretch of presentation that shows media: frames of the sound's rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Segment {
    start: u64,
    len: u64,
    media_start: i64,
}

/// Packets of one sound track, in order of time.
trait Track: Send {
    /// Replaces `packet` by the next one; `false` at the end. What was wrong but could be read past
    /// goes to `notes`.
    fn next(&mut self, packet: &mut Packet, notes: &mut Vec<String>) -> Result<bool>;

    /// Goes to the packet that holds this frame of the track's own time, or to an earlier one.
    fn seek(&mut self, frame: i64) -> Result<()>;
}

/// What a container's reader hands over.
struct Opened {
    info: MediaInfo,
    track: Box<dyn Track>,
    decoder: Decoder,
    segments: Vec<Segment>,
    /// Frames by which a packet's timestamp may be off its counted place without being believed;
    /// 0 where timestamps count samples.
    tolerance: i64,
    warnings: Vec<String>,
}

/// Streams a file's sound from presentation zero.
pub struct SoundReader {
    info: MediaInfo,
    track: Box<dyn Track>,
    decoder: Decoder,
    segments: Vec<Segment>,
    tolerance: i64,
    holes: Vec<Hole>,
    warnings: Vec<String>,
    bytes_read: Arc<AtomicU64>,
    rate_hz: u32,
    channels: usize,
    /// Next frame of presentation to hand out, and the segment it is in or comes before.
    at: u64,
    segment: usize,
    /// The decoded block in hand: its samples and its first frame on the track's time.
    block: Vec<f32>,
    block_start: i64,
    /// Where the next packet stands if it follows by count; `None` after a seek.
    expected: Option<i64>,
    /// Known pairs of a packet's stamped and counted place, for seeks where timestamps are rounded.
    counted: Vec<(i64, i64)>,
    packet: Packet,
    ended: bool,
    decoded: u64,
    failures: u64,
    path: std::path::PathBuf,
}

impl std::fmt::Debug for SoundReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SoundReader").field("path", &self.path).field("info", &self.info).field("at", &self.at).finish()
    }
}

impl SoundReader {
    /// Opens a file's first sound track (the default one, where the container marks one).
    ///
    /// # Errors
    /// Names the file, what was wrong and what to do: `NotFound`, `PermissionDenied`,
    /// `InvalidArgument` (a folder), `UnknownFormat`, `Unsupported` (a codec by name), `Damaged`
    /// (cut before its index), `NoSound`.
    pub fn open(path: &Path, options: &OpenOptions) -> Result<Self> {
        let mut source = Source::open(path)?;
        let bytes_read = source.counter();
        // Streams meant for broadcast have no timeline of their own: they start with their first picture or sound.
        let own_timeline = !matches!(sniff(&mut source)?, Family::Refused(MPEG_TS | MPEG_PS));
        let opened = match open_native(source) {
            Err(e) if e.kind() == ErrorKind::Unsupported && options.allow_ffmpeg => ffmpeg::open(path, own_timeline)?,
            other => other?,
        };
        Self::over(path, opened, bytes_read)
    }

    fn over(path: &Path, opened: Opened, bytes_read: Arc<AtomicU64>) -> Result<Self> {
        let Opened { info, track, decoder, segments, tolerance, warnings } = opened;
        let (rate_hz, channels) = info.sound.as_ref().map_or((0, 0), |s| (s.rate_hz, s.channels));
        let mut reader = Self {
            info,
            track,
            decoder,
            segments,
            tolerance,
            holes: Vec::new(),
            warnings,
            bytes_read,
            rate_hz,
            channels,
            at: 0,
            segment: 0,
            block: Vec::new(),
            block_start: i64::MIN,
            expected: None,
            counted: Vec::new(),
            packet: Packet::default(),
            ended: false,
            decoded: 0,
            failures: 0,
            path: path.to_path_buf(),
        };
        if reader.segments.first().is_some_and(|s| s.media_start > 0) {
            reader.seek_media(reader.segments[0].media_start)?;
        }
        Ok(reader)
    }

    /// What the headers say.
    pub fn info(&self) -> &MediaInfo {
        &self.info
    }

    /// Bytes taken from the disk so far, headers included.
    pub fn bytes_read(&self) -> u64 {
        self.bytes_read.load(Ordering::Relaxed)
    }

    /// Replaces `out` by the next block of interleaved samples (-1 to 1 at full scale), some thousand
    /// frames. Returns the number of frames; 0 at the end.
    ///
    /// # Errors
    /// A file that breaks off in the middle ends with what could be read; see [`warnings`](Self::warnings).
    pub fn read(&mut self, out: &mut Vec<f32>) -> Result<usize> {
        out.clear();
        loop {
            let Some(&segment) = self.segments.get(self.segment) else { return Ok(0) };
            if self.at < segment.start {
                return self.silence(out, segment.start - self.at);
            }
            let used = self.at - segment.start;
            if used >= segment.len {
                self.segment += 1;
                if let Some(next) = self.segments.get(self.segment) {
                    let follows = self.block_start <= next.media_start
                        && self.block_end() + 65_536 > next.media_start
                        && self.block_start > i64::MIN;
                    if !follows {
                        self.seek_media(next.media_start)?;
                    }
                }
                continue;
            }
            let wanted = segment.media_start + used as i64;
            let left = segment.len - used;
            if !self.fetch(wanted)? {
                // The track has ended: what the edit list still promises is not there.
                self.segment += 1;
                if self.segment >= self.segments.len() {
                    return Ok(0);
                }
                continue;
            }
            if self.block_start > wanted {
                return self.silence(out, left.min(self.block_start.abs_diff(wanted)));
            }
            let from = (wanted - self.block_start) as usize;
            let frames = ((self.block_end() - wanted) as u64).min(left) as usize;
            out.extend_from_slice(&self.block[from * self.channels..(from + frames) * self.channels]);
            self.at += frames as u64;
            return Ok(frames);
        }
    }

    /// Moves to a frame on presentation time; the next [`read`](Self::read) starts exactly there.
    /// A place past the end reads as the end.
    ///
    /// # Errors
    /// As for reading.
    pub fn seek(&mut self, frame: u64) -> Result<()> {
        self.at = frame;
        self.segment = self.segments.partition_point(|s| s.start + s.len <= frame);
        let Some(segment) = self.segments.get(self.segment) else { return Ok(()) };
        let media = segment.media_start + frame.saturating_sub(segment.start) as i64;
        if media >= self.block_start && media < self.block_end() {
            return Ok(());
        }
        self.seek_media(media)
    }

    /// Holes met so far.
    pub fn holes(&self) -> &[Hole] {
        &self.holes
    }

    /// What was found wrong but could be read past, so far: one line each.
    pub fn warnings(&self) -> &[String] {
        &self.warnings
    }

    fn block_end(&self) -> i64 {
        self.block_start.saturating_add((self.block.len() / self.channels) as i64)
    }

    /// Hands out silence and notes it as a hole.
    fn silence(&mut self, out: &mut Vec<f32>, frames: u64) -> Result<usize> {
        if frames / u64::from(self.rate_hz) > MAX_HOLE_S {
            let at_s = self.at / u64::from(self.rate_hz);
            return Err(Error::new(ErrorKind::Damaged, format!("the timestamps leap by more than a day at {at_s} s"))
                .with_path(&self.path)
                .with_remedy("copy it again from the device, or convert its sound to WAV"));
        }
        let n = frames.min(SILENCE_BLOCK);
        out.resize(n as usize * self.channels, 0.0);
        let rate = f64::from(self.rate_hz);
        let hole = Hole { start_s: self.at as f64 / rate, length_s: n as f64 / rate };
        let half_frame = 0.5 / rate;
        let known =
            |h: &Hole| hole.start_s > h.start_s - half_frame && hole.start_s < h.start_s + h.length_s - half_frame;
        if let Some(last) = self.holes.last_mut().filter(|h| (h.start_s + h.length_s - hole.start_s).abs() < half_frame)
        {
            last.length_s = (self.at + n) as f64 / rate - last.start_s;
        } else if !self.holes.iter().any(known) && self.holes.len() < MAX_NOTES {
            self.holes.push(hole);
        }
        self.at += n;
        Ok(n as usize)
    }

    /// Decodes on until the block in hand ends after `frame`; `false` at the end of the track.
    fn fetch(&mut self, frame: i64) -> Result<bool> {
        while self.block_end() <= frame || self.block.is_empty() {
            if self.ended || !self.decode_next()? {
                self.ended = true;
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Decodes one packet into the block in hand, which stays empty if that fails.
    fn decode_next(&mut self) -> Result<bool> {
        self.block.clear();
        let before = self.warnings.len();
        let more = self.track.next(&mut self.packet, &mut self.warnings)?;
        if before >= MAX_NOTES {
            self.warnings.truncate(before);
        }
        if !more {
            return Ok(false);
        }
        let stamp = self.packet.frame;
        let start = match self.expected {
            Some(e) if (stamp - e).abs() <= self.tolerance => e,
            _ => stamp,
        };
        match self.decoder.decode(&self.packet, &mut self.block) {
            Ok(()) => self.decoded += 1,
            Err(e) => {
                self.block.clear();
                self.failures += 1;
                if self.failures == 1 {
                    let at_s = stamp as f64 / f64::from(self.rate_hz);
                    self.warnings.push(format!(
                        "a packet near {at_s:.3} s could not be decoded ({e}); such places read as silence"
                    ));
                }
                if self.decoded == 0 && self.failures >= 200 {
                    return Err(Error::new(
                        ErrorKind::Damaged,
                        format!("none of the first 200 packets could be decoded ({e})"),
                    )
                    .with_path(&self.path)
                    .with_remedy("copy it again from the device"));
                }
                self.expected = None;
                return Ok(true);
            }
        }
        let mut broken = false;
        for s in &mut self.block {
            if !s.is_finite() {
                *s = 0.0;
                broken = true;
            }
        }
        if broken && !self.warnings.iter().any(|w| w.starts_with(NOT_NUMBERS)) {
            self.warnings.push(format!("{NOT_NUMBERS} (NaN or infinite); they read as silence"));
        }
        self.block_start = start;
        let end = self.block_end();
        self.expected = Some(end);
        if self.tolerance > 0 && self.counted.last().is_none_or(|l| start > l.1 + 2 * i64::from(self.rate_hz)) {
            self.counted.push((stamp, start));
        }
        Ok(true)
    }

    /// Goes to a frame of the track's own time, early enough for the decoder to come out right.
    fn seek_media(&mut self, frame: i64) -> Result<()> {
        let target = frame.saturating_sub(self.decoder.pre_roll);
        // Where timestamps are rounded, only counting on from a known packet gives the same place twice.
        let known = self.counted.partition_point(|c| c.1 <= target).checked_sub(1).map(|i| self.counted[i]);
        let read_on = self.expected.is_some_and(|e| e <= target) && !self.ended;
        if self.tolerance > 0 && read_on && known.is_none_or(|(stamp, _)| stamp <= self.packet.frame) {
            return Ok(());
        }
        self.block.clear();
        self.block_start = i64::MIN;
        self.expected = None;
        self.ended = false;
        self.decoder.reset();
        if self.tolerance == 0 {
            return self.track.seek(target);
        }
        if let Some((stamp, start)) = known {
            self.track.seek(stamp)?;
            while self.track.next(&mut self.packet, &mut Vec::new())? && self.packet.frame <= stamp {
                if self.packet.frame == stamp {
                    let decoded = self.decoder.decode(&self.packet, &mut self.block);
                    self.block_start = start;
                    self.expected = decoded.is_ok().then(|| self.block_end());
                    return Ok(());
                }
            }
        }
        self.track.seek(i64::MIN)
    }
}

const NOT_NUMBERS: &str = "some samples are not numbers";

/// Reads what pure Rust can read.
fn open_native(mut source: Source) -> Result<Opened> {
    match sniff(&mut source)? {
        Family::Riff => riff::open(source),
        Family::IsoBmff => isobmff::open(source),
        Family::Foreign(kind, start) => foreign::open(source, kind, start),
        Family::Refused(name) => Err(unsupported(&source, name)),
        Family::Unknown(what) => Err(source.error(
            ErrorKind::UnknownFormat,
            what,
            "leave it out, or copy it again if it should be a recording",
        )),
    }
}

const MPEG_TS: &str = "MPEG transport stream";
const MPEG_PS: &str = "MPEG program stream";

/// What the first bytes say.
enum Family {
    Riff,
    IsoBmff,
    /// The container, and where it begins.
    Foreign(Kind, u64),
    Refused(&'static str),
    Unknown(&'static str),
}

fn sniff(source: &mut Source) -> Result<Family> {
    let mut at = 0;
    // ID3v2 tags may stand before MP3, ADTS, FLAC: ten bytes and a length of four times seven bits.
    for _ in 0..8 {
        match source.slice(at, 10, 4096)? {
            [b'I', b'D', b'3', _, _, _, a, b, c, d] => {
                let size = [a, b, c, d].iter().fold(0u64, |v, b| v << 7 | u64::from(**b & 0x7F));
                at += 10 + size;
            }
            _ => break,
        }
    }
    let b = source.slice(at, 1024, 4096)?;
    let is = |offset: usize, magic: &[u8]| b.get(offset..).is_some_and(|b| b.starts_with(magic));
    let sync = |distance: usize, first: usize| (0..4).all(|i| b.get(first + i * distance) == Some(&0x47));
    Ok(if (is(0, b"RIFF") || is(0, b"RF64") || is(0, b"BW64")) && is(8, b"WAVE") || is(0, b"riff\x2E\x91\xCF\x11") {
        Family::Riff
    } else if is(0, b"RIFF") && is(8, b"AVI ") {
        Family::Refused("AVI")
    } else if is(0, b"RIFX") {
        Family::Refused("big-endian WAV (RIFX)")
    } else if is(0, b"fLaC") {
        Family::Foreign(Kind::Flac, at)
    } else if is(0, b"OggS") {
        Family::Foreign(Kind::Ogg, at)
    } else if is(0, b"\x1A\x45\xDF\xA3") {
        Family::Foreign(Kind::Matroska, at)
    } else if is(0, b"FORM") && (is(8, b"AIFF") || is(8, b"AIFC")) {
        Family::Foreign(Kind::Aiff, at)
    } else if is(0, b"caff") {
        Family::Foreign(Kind::Caf, at)
    } else if [b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"styp", b"sidx", b"moof", b"uuid"]
        .iter()
        .any(|name| is(4, *name))
    {
        Family::IsoBmff
    } else if sync(188, 0) || sync(192, 4) {
        Family::Refused(MPEG_TS)
    } else if is(0, b"\x00\x00\x01\xBA") {
        Family::Refused(MPEG_PS)
    } else if is(0, b"\x0B\x77") {
        Family::Refused("AC-3")
    } else if is(0, b"FLV\x01") {
        Family::Refused("Flash video")
    } else if is(0, b"\x30\x26\xB2\x75\x8E\x66\xCF\x11") {
        Family::Refused("Windows Media (ASF)")
    } else if is(0, b"wvpk") {
        Family::Refused("WavPack")
    } else if is(0, b"MAC ") {
        Family::Refused("Monkey's Audio")
    } else if is(0, b"DSD ") || is(0, b"FRM8") {
        Family::Refused("DSD")
    } else if is(0, b"#!AMR") {
        Family::Refused("AMR")
    } else if is(0, b"\x06\x0E\x2B\x34") {
        Family::Refused("MXF")
    } else if b.len() >= 2 && b[0] == 0xFF && b[1] & 0xF6 == 0xF0 {
        Family::Foreign(Kind::Adts, at)
    } else if b.len() >= 4 && b[0] == 0xFF && b[1] & 0xE0 == 0xE0 && b[1] & 0x06 != 0 && b[2] & 0xF0 != 0xF0 {
        Family::Foreign(Kind::Mpeg, at)
    } else if !b.is_empty() && std::str::from_utf8(&b[..b.len().min(256) / 4 * 3]).is_ok_and(|t| !t.contains('\0')) {
        Family::Unknown("this is text, not a recording")
    } else {
        Family::Unknown("this is not a sound or video format known here")
    })
}

/// A known format in a variety that is not read here.
fn unsupported(source: &Source, name: &str) -> Error {
    source.error(
        ErrorKind::Unsupported,
        format!("{name} is not read here"),
        "allow reading it through ffmpeg, or convert its sound to WAV",
    )
}

fn check_rate(source: &Source, rate_hz: u64) -> Result<()> {
    if (1000..=768_000).contains(&rate_hz) {
        return Ok(());
    }
    Err(source.error(
        ErrorKind::Damaged,
        format!("the header gives a sampling rate of {rate_hz} Hz (1000 to 768000 are read)"),
        "copy it again from the device",
    ))
}

fn check_channels(source: &Source, channels: usize) -> Result<()> {
    if (1..=64).contains(&channels) {
        return Ok(());
    }
    Err(source.error(
        ErrorKind::Damaged,
        format!("the header gives {channels} channels (1 to 64 are read)"),
        "copy it again from the device",
    ))
}
