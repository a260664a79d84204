//! What files' headers say.

use std::path::Path;

use coeval::progress::Progress;
use coeval::{Error, ErrorKind, Result};
use coeval_media::{MediaInfo, OpenOptions, Rational};
use serde::Serialize;

use crate::alignment::{Ixml, Picture, SoundTrack};
use crate::find::Found;
use crate::guard::{guarded, repeat};
use crate::parallel::for_all;

/// A source whose headers were read.
#[derive(Debug)]
#[non_exhaustive]
pub struct Probed {
    /// The source's name.
    pub name: String,
    /// What the headers say, or why they cannot be read.
    pub info: Result<Headers>,
}

/// What a file's headers say, as far as a shoot needs it.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Headers {
    /// Container in words.
    pub container: String,
    /// Length of the presentation, seconds.
    pub duration_s: f64,
    /// The sound track that will be read.
    pub sound: Option<SoundTrack>,
    /// The picture track.
    pub picture: Option<Picture>,
    /// When the file says it was made, seconds since 1970-01-01.
    pub created_unix_s: Option<i64>,
    /// Timecode of the first moment, seconds since midnight.
    pub timecode_s: Option<f64>,
    /// Timecode of the first frame as written.
    pub timecode: Option<String>,
    /// What the recorder wrote of the take and its tracks.
    pub ixml: Option<Ixml>,
    /// The device that made it, in its own words.
    pub device: Option<String>,
}

impl From<MediaInfo> for Headers {
    fn from(info: MediaInfo) -> Self {
        Self {
            container: info.container.to_owned(),
            duration_s: info.duration_s,
            sound: info.sound.map(|s| SoundTrack {
                codec: s.codec,
                rate_hz: s.rate_hz,
                channels: s.channels,
                bits: s.bits,
            }),
            picture: info.picture.map(|p| Picture {
                frame_rate: [p.frame_rate.num, p.frame_rate.den],
                variable_rate: p.variable_rate,
                capture_rate: filmed_otherwise(p.capture_rate, p.frame_rate),
                size: [p.size.0, p.size.1],
                start_s: p.start_s,
                duration_s: p.duration_s,
            }),
            created_unix_s: info.created_unix_s,
            ixml: info.ixml.map(Ixml::from),
            device: info.device,
            timecode_s: info.timecode_s,
            timecode: info.timecode,
        }
    }
}

/// Rates that differ by less than this factor are one: phones film at 30 a second and show a mean of 29 (own choice).
const OTHER_RATE: f64 = 1.5;

fn filmed_otherwise(filmed: Option<Rational>, shown: Rational) -> Option<[u32; 2]> {
    let filmed = filmed.filter(|f| f.num > 0 && shown.num > 0)?;
    let factor = filmed.as_f64() / shown.as_f64();
    (factor.max(1.0 / factor) >= OTHER_RATE).then_some([filmed.num, filmed.den])
}

impl Headers {
    /// For how long it was filmed, seconds: the length of the file, but for slow motion and time lapse.
    pub fn lasted_s(&self) -> f64 {
        self.duration_s * self.picture.as_ref().map_or(1.0, Picture::speed)
    }
}

/// How it was filmed, where it is not shown so.
pub(crate) fn slowed_words(picture: &Picture) -> Option<String> {
    let rate = |[num, den]: [u32; 2]| {
        let text = format!("{:.2}", f64::from(num) / f64::from(den));
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    let (filmed, shown) = (rate(picture.capture_rate?), rate(picture.frame_rate));
    let what = if picture.speed() < 1.0 { "slow motion" } else { "time lapse" };
    Some(format!("{what}, filmed at {filmed} fps and shown at {shown}"))
}

impl Probed {
    /// A source that cannot be read, and why.
    pub fn unreadable(name: impl Into<String>, error: Error) -> Self {
        Self { name: name.into(), info: Err(error) }
    }

    /// A source with these headers.
    pub fn new(name: impl Into<String>, headers: Headers) -> Self {
        Self { name: name.into(), info: Ok(headers) }
    }
}

/// Reads the headers of all sources.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only; what is wrong with a file stands in its [`Probed`].
pub fn probe(found: &Found, options: &OpenOptions, progress: &dyn Progress) -> Result<Vec<Probed>> {
    for_all(
        "reading headers",
        &found.sources,
        |_| 1.0,
        progress,
        |source, _| {
            let info = match &source.problem {
                Some(problem) => Err(repeat(problem)),
                None => guarded(&source.path, || headers(&source.path, options)),
            };
            Ok(Probed { name: source.name.clone(), info })
        },
    )
}

fn headers(path: &Path, options: &OpenOptions) -> Result<Headers> {
    match coeval_media::probe(path, options) {
        // A picture without sound can still be placed, by an anchor or by what it shows.
        Err(e) if e.kind() == ErrorKind::NoSound => match coeval_media::probe_picture(path) {
            Ok(Some(info)) => Ok(Headers::from(info)),
            _ => Err(e),
        },
        other => other.map(Headers::from),
    }
}

/// The headers of some once more.
pub(crate) fn again(probed: &[Probed], which: impl Fn(usize) -> bool) -> Vec<Probed> {
    let some = probed.iter().enumerate().filter(|(i, _)| which(*i));
    some.map(|(_, p)| Probed { name: p.name.clone(), info: p.info.as_ref().map(Headers::clone).map_err(repeat) })
        .collect()
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A camera's file: 25 frames a second, stereo AAC at 48 kHz.
    pub(crate) fn camera(name: &str, duration_s: f64, created_unix_s: Option<i64>) -> Probed {
        let sound = SoundTrack { codec: "AAC-LC".into(), rate_hz: 48_000, channels: 2, bits: None };
        let headers = Headers {
            container: "MP4".into(),
            duration_s,
            sound: Some(sound),
            picture: crate::conform::tests::picture(duration_s),
            created_unix_s,
            ..Headers::default()
        };
        Probed::new(name, headers)
    }

    /// A recorder's file: mono PCM at 44.1 kHz, no times.
    pub(crate) fn recorder(name: &str, duration_s: f64) -> Probed {
        let sound = SoundTrack { codec: "PCM 24-bit".into(), rate_hz: 44_100, channels: 1, bits: Some(24) };
        let headers = Headers { container: "WAV".into(), duration_s, sound: Some(sound), ..Headers::default() };
        Probed::new(name, headers)
    }
}
