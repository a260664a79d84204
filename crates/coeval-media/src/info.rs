//! What a file's headers say.

use crate::ixml::Ixml;

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
    pub(crate) fn reduced(num: u64, den: u64) -> Self {
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
    pub(crate) fn near(rate: f64, snap: bool) -> Self {
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

/// A device's name as headers have it, which may end in zeros or blanks; `None` where that is no name.
pub(crate) fn device_name(bytes: &[u8]) -> Option<String> {
    let text = std::str::from_utf8(bytes.split(|b| *b == 0).next()?).ok()?.trim();
    (text.contains(char::is_alphanumeric) && !text.contains(char::is_control)).then(|| text.to_owned())
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
    /// What a recorder wrote of the take and its tracks.
    pub ixml: Option<Ixml>,
    /// The device that made it, in its own words: the model that a film's metadata names, or the originator of a broadcast
    /// WAV file.
    pub device: Option<String>,
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
    /// Frame rate (fps), if all frames last equally long; else the mean. 0/1 where the file does not tell.
    pub frame_rate: Rational,
    /// Frames differ in length by more than a tick of the track's clock.
    pub variable_rate: bool,
    /// Frames a second at which it was filmed, where the file says so: more than `frame_rate` in slow motion, less in time
    /// lapse.
    pub capture_rate: Option<Rational>,
    /// Width and height in pixels.
    pub size: (u32, u32),
    /// Length in seconds, and where the picture starts on presentation time.
    pub duration_s: f64,
    /// Start of the picture on presentation time, seconds.
    pub start_s: f64,
}
