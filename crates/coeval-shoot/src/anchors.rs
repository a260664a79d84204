//! The user's own correspondences: this moment of one file is that moment of another.
//!
//! They come from a host, or from a small file ([`read_anchors`]): JSON, or TOML when its name ends in `.toml`.
//!
//! ```toml
//! [[anchor]]
//! a = "CAM_A_001.MP4"
//! a_at = "00:03:20.5"
//! b = "REC_0007.WAV"
//! b_at = 724.2
//! hard = true            # default: false
//! uncertainty_s = 0.05   # default: 0.1, or one frame where a moment is a timecode
//! ```
//! In JSON the same keys stand in `{"anchor": [{...}]}`.
//!
//! A moment is seconds from the file's start (`200.5`), a clock time from its start (`00:03:20.5`, `3:20.5`), or a
//! timecode label (`01:03:20:12`, with `;` before the frames in drop-frame): by the file's own timecode where it has
//! one, else counted in its picture's frames from its start.

use std::fmt;
use std::path::Path;

use coeval::network::{self, Force};
use coeval::{Error, ErrorKind, Result};
use serde::Deserialize;

use crate::chapters::matching;
use crate::headers::{Headers, Probed};
use crate::write::read_text;

/// This moment of one file is that moment of another.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Anchor {
    /// One file: its name as in the result, or a pattern that only it fits.
    pub a: String,
    /// The moment in it.
    pub a_at: At,
    /// The other file.
    pub b: String,
    /// The same moment in it.
    pub b_at: At,
    /// What happens where the sound says otherwise.
    pub force: Force,
    /// One standard deviation of the reading, seconds. `None`: 0.1, or one frame where a moment is a timecode.
    pub uncertainty_s: Option<f64>,
}

impl Anchor {
    /// A soft anchor of default uncertainty.
    pub fn new(a: impl Into<String>, a_at: impl Into<At>, b: impl Into<String>, b_at: impl Into<At>) -> Self {
        Self { a: a.into(), a_at: a_at.into(), b: b.into(), b_at: b_at.into(), force: Force::Soft, uncertainty_s: None }
    }
}

/// A moment of a file as a person writes it.
#[derive(Debug, Clone, PartialEq)]
pub enum At {
    /// Seconds from the file's start.
    Seconds(f64),
    /// Hours, minutes, seconds and frames as a label shows them.
    Label([u32; 4]),
}

impl From<f64> for At {
    fn from(seconds: f64) -> Self {
        At::Seconds(seconds)
    }
}

impl fmt::Display for At {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            At::Seconds(s) => {
                // Rounded before it is taken apart: there is no second 60.
                let (sign, ms) = (if *s < 0.0 { "-" } else { "" }, (s.abs() * 1000.0).round() as u64);
                let (h, m, s, ms) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000);
                write!(f, "{sign}{h:02}:{m:02}:{s:02}.{ms:03}")
            }
            At::Label([h, m, s, frames]) => write!(f, "{h:02}:{m:02}:{s:02}:{frames:02}"),
        }
    }
}

impl std::str::FromStr for At {
    type Err = Error;

    /// `200.5`, `3:20.5`, `00:03:20.5` or `01:03:20:12` (also `01:03:20;12`).
    fn from_str(text: &str) -> Result<Self> {
        let bad = || {
            Error::invalid(format!("{text:?} is not a time"))
                .with_remedy("write seconds (200.5), a clock time (00:03:20.5) or a timecode (01:03:20:12)")
        };
        let parts: Vec<&str> = text.trim().split([':', ';']).collect();
        let whole = |s: &str| match s.bytes().all(|b| b.is_ascii_digit()) {
            true => s.parse::<u32>().ok(),
            false => None,
        };
        let drop = text.contains(';');
        match parts[..] {
            [h, m, s, f] => {
                let label = [h, m, s, f].map(whole);
                match label {
                    [Some(h), Some(m @ 0..60), Some(s @ 0..60), Some(f)] if h < 24 => Ok(At::Label([h, m, s, f])),
                    _ => Err(bad()),
                }
            }
            _ if drop || parts.len() > 3 => Err(bad()),
            _ => {
                let (last, before) = parts.split_last().ok_or_else(bad)?;
                let plain = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit() || b == b'.');
                let mut seconds =
                    Some(*last).filter(|s| plain(s)).and_then(|s| s.parse::<f64>().ok()).ok_or_else(bad)?;
                if !before.is_empty() && seconds >= 60.0 {
                    return Err(bad());
                }
                for (part, unit) in before.iter().rev().zip([60.0, 3600.0]) {
                    let count = whole(part).ok_or_else(bad)?;
                    if unit < 100.0 && before.len() > 1 && count >= 60 {
                        return Err(bad());
                    }
                    seconds += f64::from(count) * unit;
                }
                Ok(At::Seconds(seconds))
            }
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Listed {
    anchor: Vec<Written>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    a: String,
    a_at: Moment,
    b: String,
    b_at: Moment,
    #[serde(default)]
    hard: bool,
    uncertainty_s: Option<f64>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Moment {
    Seconds(f64),
    Text(String),
}

impl Moment {
    fn at(self) -> Result<At> {
        match self {
            Moment::Seconds(s) => Ok(At::Seconds(s)),
            Moment::Text(text) => text.parse(),
        }
    }
}

/// Files of anchors are small; what is larger is something else.
const MOST_BYTES: u64 = 1 << 20;

/// Reads anchors from a file: TOML when its name ends in `.toml`, else JSON.
///
/// # Errors
/// [`NotFound`](ErrorKind::NotFound) and its like when it cannot be read, [`Damaged`](ErrorKind::Damaged) when it is not
/// what this module describes.
pub fn read_anchors(path: &Path) -> Result<Vec<Anchor>> {
    let text = read_text(path, MOST_BYTES)?;
    let is_toml = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"));
    parse(&text, is_toml).map_err(|e| match e.remedy() {
        Some(remedy) => Error::new(ErrorKind::Damaged, e.message()).with_remedy(remedy).with_path(path),
        None => e.with_path(path),
    })
}

fn parse(text: &str, is_toml: bool) -> Result<Vec<Anchor>> {
    let bad = |what: String| {
        Error::new(ErrorKind::Damaged, format!("not a list of anchors: {}", what.trim()))
            .with_remedy("each anchor needs a, a_at, b and b_at; hard and uncertainty_s are optional")
    };
    let listed: Listed = match is_toml {
        true => toml::from_str(text).map_err(|e| bad(e.to_string()))?,
        false => serde_json::from_str(text).map_err(|e| bad(e.to_string()))?,
    };
    listed
        .anchor
        .into_iter()
        .map(|w| {
            let mut anchor = Anchor::new(w.a, w.a_at.at()?, w.b, w.b_at.at()?);
            anchor.force = if w.hard { Force::Hard } else { Force::Soft };
            anchor.uncertainty_s = w.uncertainty_s;
            Ok(anchor)
        })
        .collect()
}

/// Uncertainty of a moment read from a display in tenths of a second.
const READ_S: f64 = 0.1;

/// An anchor with its files and moments found: indices of files, seconds from their starts.
#[derive(Debug, Clone)]
pub(crate) struct Resolved {
    pub(crate) anchor: network::Anchor,
    pub(crate) a_words: String,
    pub(crate) b_words: String,
}

/// Finds the files and moments that anchors name; `length_s` tells how long a file is where that is known.
pub(crate) fn resolve(
    anchors: &[Anchor],
    probed: &[Probed],
    length_s: impl Fn(usize) -> Option<f64>,
) -> Result<Vec<Resolved>> {
    anchors
        .iter()
        .map(|anchor| {
            let (a, a_s, a_frame_s) = moment(&anchor.a, &anchor.a_at, probed, &length_s)?;
            let (b, b_s, b_frame_s) = moment(&anchor.b, &anchor.b_at, probed, &length_s)?;
            if a == b {
                return Err(Error::invalid(format!("an anchor joins {} with itself", probed[a].name))
                    .with_remedy("name two files"));
            }
            let uncertainty_s = anchor.uncertainty_s.unwrap_or(match (a_frame_s, b_frame_s) {
                (Some(a), Some(b)) => f64::max(a, b),
                _ => READ_S,
            });
            if !(1e-6..=3600.0).contains(&uncertainty_s) {
                return Err(Error::invalid(format!(
                    "an anchor's uncertainty_s is {uncertainty_s}, not within 1e-6 to 3600"
                )));
            }
            Ok(Resolved {
                anchor: network::Anchor { a, a_s, b, b_s, uncertainty_s, force: anchor.force },
                a_words: format!("{} at {}", probed[a].name, anchor.a_at),
                b_words: format!("{} at {}", probed[b].name, anchor.b_at),
            })
        })
        .collect()
}

/// A file's index, seconds from its start, and the length of a frame if the moment is told in frames.
fn moment(
    name: &str,
    at: &At,
    probed: &[Probed],
    length_s: impl Fn(usize) -> Option<f64>,
) -> Result<(usize, f64, Option<f64>)> {
    let exact = probed.iter().position(|p| p.name == name);
    let file = match (exact, matching(probed, name)?.as_slice()) {
        (Some(file), _) | (None, &[file]) => file,
        (None, files) => {
            return Err(Error::invalid(format!("an anchor's `{name}` fits {} files", files.len()))
                .with_remedy("name one file, with its folder if several files have this name"));
        }
    };
    let headers = probed[file].info.as_ref().map_err(|e| {
        Error::invalid(format!("an anchor names {}, which cannot be read: {}", probed[file].name, e.message()))
            .with_remedy("leave the anchor out")
    })?;
    let (seconds, frame_s) = match at {
        At::Seconds(s) => (*s, None),
        At::Label(label) => {
            let (seconds, frame_s) = label_seconds(*label, headers, &probed[file].name)?;
            (seconds, Some(frame_s))
        }
    };
    let length = length_s(file).ok_or_else(|| {
        Error::invalid(format!("an anchor names {}, whose length is not known", probed[file].name))
            .with_remedy("leave the anchor out")
    })?;
    if !(0.0..=length).contains(&seconds) {
        return Err(Error::invalid(format!(
            "an anchor names {} at {at}, which is {seconds:.3} s from its start; it is {length:.3} s long",
            probed[file].name
        ))
        .with_remedy("count times from the start of the file, and timecodes from the file's own timecode"));
    }
    Ok((file, seconds, frame_s))
}

/// Seconds from the file's start to a label, and the length of a frame, seconds.
fn label_seconds(label: [u32; 4], headers: &Headers, name: &str) -> Result<(f64, f64)> {
    let Some([num, den]) = headers.picture.as_ref().map(|p| p.frame_rate).filter(|[n, d]| *n > 0 && *d > 0) else {
        return Err(Error::invalid(format!("an anchor gives a timecode in {name}, which has no frames"))
            .with_remedy("give seconds or a clock time for files without picture"));
    };
    let nominal = (f64::from(num) / f64::from(den)).round() as i64;
    if i64::from(label[3]) >= nominal {
        return Err(Error::invalid(format!("frame {} of an anchor does not exist at {num}/{den} fps", label[3])));
    }
    let start = headers.timecode.as_deref();
    let drop = start.is_some_and(|t| t.contains(';'));
    let count = |[h, m, s, f]: [u32; 4]| {
        // SMPTE ST 12-1: labels are left out at each minute but every tenth.
        let minutes = i64::from(h) * 60 + i64::from(m);
        let left_out = if drop { nominal / 15 } else { 0 };
        (minutes * 60 + i64::from(s)) * nominal + i64::from(f) - left_out * (minutes - minutes / 10)
    };
    let first = match start.map(str::parse::<At>) {
        Some(Ok(At::Label(start))) => count(start),
        _ => 0,
    };
    let mut frames = count(label) - first;
    if frames < 0 {
        // Past midnight.
        frames += count([23, 59, 59, nominal as u32 - 1]) + 1;
    }
    let frame_s = f64::from(den) / f64::from(num);
    let lead = headers.picture.as_ref().map_or(0.0, |p| p.start_s);
    Ok((lead + frames as f64 * frame_s, frame_s))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::headers::tests::{camera, recorder};

    #[test]
    fn moments_are_read_and_written() {
        let at = |s: &str| s.parse::<At>();
        assert_eq!(at("200.5").unwrap(), At::Seconds(200.5));
        assert_eq!(at("3:20.5").unwrap(), At::Seconds(200.5));
        assert_eq!(at(" 00:03:20.5 ").unwrap(), At::Seconds(200.5));
        assert_eq!(at("100:00").unwrap(), At::Seconds(6000.0));
        assert_eq!(at("01:03:20:12").unwrap(), At::Label([1, 3, 20, 12]));
        assert_eq!(at("01:03:20;12").unwrap(), At::Label([1, 3, 20, 12]));
        assert_eq!(At::Seconds(3800.5).to_string(), "01:03:20.500");
        assert_eq!(At::Seconds(59.9996).to_string(), "00:01:00.000");
        assert_eq!(At::Seconds(-5.25).to_string(), "-00:00:05.250");
        assert_eq!(At::Seconds(1e10).to_string(), "2777777:46:40.000");
        for bad in
            ["", "x", "1:60.0", "1:60:00", "-3", "1e3", "nan", "inf", "1:2:3:4:5", "3;4", "25:00:00:00", ":", "1::2"]
        {
            assert!(at(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn lists_are_read_from_both_formats() {
        let toml = "[[anchor]]\na = 'A.MP4'\na_at = '00:03:20.5'\nb = 'R.WAV'\nb_at = 724.2\nhard = true\n";
        let json = r#"{"anchor": [{"a": "A.MP4", "a_at": "00:03:20.5", "b": "R.WAV", "b_at": 724.2, "hard": true}]}"#;
        let mut want = Anchor::new("A.MP4", 200.5, "R.WAV", 724.2);
        want.force = Force::Hard;
        assert_eq!(parse(toml, true).unwrap(), [want.clone()]);
        assert_eq!(parse(json, false).unwrap(), [want]);
        for bad in ["", "[]", r#"{"anchor": [{"a": "A.MP4"}]}"#, r#"{"anchor": [], "more": 1}"#] {
            assert_eq!(parse(bad, false).unwrap_err().kind(), ErrorKind::Damaged, "{bad}");
        }
        assert!(parse(&json.replace("20.5", "99.5"), false).is_err());
    }

    #[test]
    fn files_and_timecodes_are_found() {
        let mut probed = vec![camera("day/A.MP4", 600.0, None), camera("B.MP4", 600.0, None), recorder("R.WAV", 900.0)];
        if let Ok(headers) = &mut probed[1].info {
            headers.timecode = Some("09:59:59;28".into());
            headers.picture.as_mut().unwrap().frame_rate = [30_000, 1001];
        }
        let length = |f: usize| [Some(600.0), Some(600.0), Some(900.0)][f];
        let label = |text: &str| text.parse::<At>().unwrap();
        let one = |a: Anchor| resolve(&[a], &probed, length).map(|r| r[0].anchor);
        // Two frames before the hour; no label is left out at a tenth minute.
        let found = one(Anchor::new("A.MP4", label("00:00:10:05"), "B.MP4", label("10:00:01:00"))).unwrap();
        assert_eq!((found.a, found.b), (0, 1));
        assert!((found.a_s - 10.2).abs() < 1e-9);
        assert!((found.b_s - 32.0 * 1001.0 / 30_000.0).abs() < 1e-9 && (found.uncertainty_s - 0.04).abs() < 1e-12);
        assert_eq!(one(Anchor::new("A.MP4", 1.0, "R.WAV", 2.0)).unwrap().uncertainty_s, READ_S);
        for bad in [
            Anchor::new("C.MP4", 1.0, "R.WAV", 2.0),
            Anchor::new("*.MP4", 1.0, "R.WAV", 2.0),
            Anchor::new("A.MP4", 601.0, "R.WAV", 2.0),
            Anchor::new("A.MP4", 1.0, "A.MP4", 2.0),
            Anchor::new("A.MP4", 1.0, "R.WAV", label("00:00:01:00")),
            Anchor::new("A.MP4", label("00:00:01:25"), "R.WAV", 1.0),
            Anchor { uncertainty_s: Some(0.0), ..Anchor::new("A.MP4", 1.0, "R.WAV", 2.0) },
        ] {
            assert_eq!(one(bad.clone()).unwrap_err().kind(), ErrorKind::InvalidArgument, "{bad:?}");
        }
    }
}
