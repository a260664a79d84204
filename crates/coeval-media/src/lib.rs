//! Reads the sound of media files on presentation time.
//!
//! Sample zero is what a player plays first: the container's edit list, the encoder's delay and
//! padding, a late start and holes in the timestamps are already applied (holes read as silence).
#![forbid(unsafe_code)]

use std::path::{Path, PathBuf};

use coeval::Result;

/// An exact ratio, for frame rates: 30000/1001.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Rational {
    /// Numerator.
    pub num: u32,
    /// Denominator, not zero.
    pub den: u32,
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
    /// Timecode of the presentation's first moment, in seconds since midnight.
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
}

/// A picture track.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PictureInfo {
    /// Frames a second, if all frames last equally long; else the mean.
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

/// A stretch of timestamps without sound, read as silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hole {
    /// Where it starts on presentation time, seconds.
    pub start_s: f64,
    /// How long it is, seconds.
    pub length_s: f64,
}

/// Streams a file's sound from presentation zero.
pub struct SoundReader {
    _path: PathBuf,
    info: MediaInfo,
}

impl SoundReader {
    /// Opens a file's first sound track (the default one, where the container marks one).
    ///
    /// # Errors
    /// Names the file, what was wrong and what to do.
    pub fn open(path: &Path, _options: &OpenOptions) -> Result<Self> {
        Err(coeval::Error::new(coeval::ErrorKind::Unsupported, "no reader").with_path(path))
    }

    /// What the headers say.
    pub fn info(&self) -> &MediaInfo {
        &self.info
    }

    /// Replaces `out` by the next block of interleaved samples (-1 to 1 at full scale), some thousand
    /// frames. Returns the number of frames; 0 at the end.
    ///
    /// # Errors
    /// A file that breaks off in the middle ends with what could be read; see [`warnings`](Self::warnings).
    pub fn read(&mut self, out: &mut Vec<f32>) -> Result<usize> {
        out.clear();
        Ok(0)
    }

    /// Moves to a frame on presentation time; the next [`read`](Self::read) starts exactly there.
    ///
    /// # Errors
    /// As for reading.
    pub fn seek(&mut self, _frame: u64) -> Result<()> {
        Ok(())
    }

    /// Holes met so far.
    pub fn holes(&self) -> &[Hole] {
        &[]
    }

    /// What was found wrong but could be read past, so far: one line each.
    pub fn warnings(&self) -> &[String] {
        &[]
    }
}
