//! OpenTimelineIO JSON.
//!
//! Schemas as the reference library writes them: Timeline.1, Stack.1, Track.1, Clip.2, Gap.1,
//! ExternalReference.1, TimeRange.1, RationalTime.1 (value and rate are doubles). One track a lane;
//! in OpenTimelineIO the first track lies at the bottom. All lengths on the timeline are whole frames
//! at the timeline's rate, so that every clip lies on a frame whatever its own rate is; where a clip
//! starts within its media is counted at the media's rate.

use std::path::{Component, Path, PathBuf};

use coeval::{Error, ErrorKind, Result};
use coeval_shoot::Alignment;
use serde::Serialize;
use serde_json::{Value, json};

use crate::layout::{Content, Layout, Piece};
use crate::timecode::FrameRate;

/// How a timeline refers to its media. Both folders are absolute.
#[derive(Debug, Clone)]
pub enum References {
    /// From the folder that the timeline is written into: still right when both are moved together.
    Relative {
        /// The folder that the alignment's names are relative to.
        media: PathBuf,
        /// The folder that the timeline will lie in.
        timeline: PathBuf,
    },
    /// By `file:` URL.
    Absolute {
        /// The folder that the alignment's names are relative to.
        media: PathBuf,
    },
}

impl References {
    /// The URL of a file of the alignment.
    fn url(&self, path: &str) -> String {
        match self {
            References::Absolute { media } => absolute_url(&media.join(path)),
            References::Relative { media, timeline } => {
                relative_url(&media.join(path), timeline).unwrap_or_else(|| absolute_url(&media.join(path)))
            }
        }
    }
}

fn absolute_url(path: &Path) -> String {
    let text = path.to_string_lossy().replace('\\', "/");
    format!("file://{}{}", if text.starts_with('/') { "" } else { "/" }, percent_encoded(&text))
}

/// The way from `folder` to `path`; `None` when they have no root in common.
fn relative_url(path: &Path, folder: &Path) -> Option<String> {
    let (to, from): (Vec<_>, Vec<_>) = (path.components().collect(), folder.components().collect());
    let shared = to.iter().zip(&from).take_while(|(a, b)| a == b).count();
    if shared == 0 {
        return None;
    }
    let up = from[shared..].iter().filter(|c| **c != Component::CurDir).map(|_| "..".to_owned());
    let down = to[shared..].iter().map(|c| percent_encoded(&c.as_os_str().to_string_lossy()));
    Some(up.chain(down).collect::<Vec<_>>().join("/"))
}

/// RFC 3986, section 2.3: all but unreserved characters and the slash are written as `%XX`.
fn percent_encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

#[derive(Serialize)]
#[serde(tag = "OTIO_SCHEMA")]
enum Object {
    #[serde(rename = "Timeline.1")]
    Timeline { name: String, metadata: Value, global_start_time: Option<RationalTime>, tracks: Box<Object> },
    #[serde(rename = "Stack.1")]
    Stack {
        name: String,
        metadata: Value,
        source_range: Option<TimeRange>,
        effects: Vec<Object>,
        markers: Vec<Object>,
        enabled: bool,
        children: Vec<Object>,
    },
    #[serde(rename = "Track.1")]
    Track {
        name: String,
        metadata: Value,
        source_range: Option<TimeRange>,
        effects: Vec<Object>,
        markers: Vec<Object>,
        enabled: bool,
        kind: &'static str,
        children: Vec<Object>,
    },
    #[serde(rename = "Clip.2")]
    Clip {
        name: String,
        metadata: Value,
        source_range: TimeRange,
        effects: Vec<Object>,
        markers: Vec<Object>,
        enabled: bool,
        media_references: MediaReferences,
        active_media_reference_key: &'static str,
    },
    #[serde(rename = "Gap.1")]
    Gap {
        name: String,
        metadata: Value,
        source_range: TimeRange,
        effects: Vec<Object>,
        markers: Vec<Object>,
        enabled: bool,
    },
    #[serde(rename = "ExternalReference.1")]
    ExternalReference {
        name: String,
        metadata: Value,
        available_range: TimeRange,
        available_image_bounds: Option<()>,
        target_url: String,
    },
}

#[derive(Serialize)]
struct MediaReferences {
    #[serde(rename = "DEFAULT_MEDIA")]
    default: Box<Object>,
}

#[derive(Serialize)]
#[serde(tag = "OTIO_SCHEMA", rename = "TimeRange.1")]
struct TimeRange {
    duration: RationalTime,
    start_time: RationalTime,
}

#[derive(Serialize)]
#[serde(tag = "OTIO_SCHEMA", rename = "RationalTime.1")]
struct RationalTime {
    rate: f64,
    value: f64,
}

fn time(count: i64, hz: f64) -> RationalTime {
    RationalTime { rate: hz, value: count as f64 }
}

/// Writes an alignment as an OpenTimelineIO timeline called `name`.
///
/// Each track and clip carries what Coeval knows of it under the metadata key `coeval`, the timeline the whole
/// alignment.
///
/// # Errors
/// [`Internal`](ErrorKind::Internal) when a number in the alignment is not finite, and as for [`Layout::of`].
pub fn to_otio(alignment: &Alignment, name: &str, references: &References) -> Result<String> {
    let failed =
        |e: serde_json::Error| Error::new(ErrorKind::Internal, "cannot write the timeline as JSON").with_source(e);
    let layout = Layout::of(alignment)?;
    let tracks = layout.lanes.iter().map(|lane| {
        let mut children = Vec::new();
        let mut at = 0;
        for piece in &lane.pieces {
            if piece.start > at {
                children.push(gap(piece.start - at, layout.rate));
            }
            children.push(clip(alignment, piece, &lane.recording, layout.rate, references));
            at = piece.end();
        }
        Object::Track {
            name: lane.recording.clone(),
            metadata: json!({"coeval": {"recording": lane.recording}}),
            source_range: None,
            effects: Vec::new(),
            markers: Vec::new(),
            enabled: true,
            kind: match lane.content {
                Content::Picture => "Video",
                Content::Sound => "Audio",
            },
            children,
        }
    });
    let stack = Object::Stack {
        name: "tracks".to_owned(),
        metadata: json!({}),
        source_range: None,
        effects: Vec::new(),
        markers: Vec::new(),
        enabled: true,
        children: tracks.collect(),
    };
    let timeline = Object::Timeline {
        name: name.to_owned(),
        metadata: json!({"coeval": serde_json::to_value(alignment).map_err(failed)?}),
        global_start_time: None,
        tracks: Box::new(stack),
    };
    let mut text = serde_json::to_string_pretty(&timeline).map_err(failed)?;
    text.push('\n');
    Ok(text)
}

fn gap(frames: i64, rate: FrameRate) -> Object {
    Object::Gap {
        name: String::new(),
        metadata: json!({}),
        source_range: TimeRange { duration: time(frames, rate.hz()), start_time: time(0, rate.hz()) },
        effects: Vec::new(),
        markers: Vec::new(),
        enabled: true,
    }
}

fn clip(alignment: &Alignment, piece: &Piece, recording: &str, rate: FrameRate, references: &References) -> Object {
    let base = piece.path.rsplit('/').next().unwrap_or(&piece.path).to_owned();
    let file = alignment.file(&piece.path);
    let reference = Object::ExternalReference {
        name: base.clone(),
        metadata: json!({}),
        available_range: TimeRange {
            duration: time(piece.source_length, piece.source_rate.hz()),
            start_time: time(0, piece.source_rate.hz()),
        },
        available_image_bounds: None,
        target_url: references.url(&piece.path),
    };
    Object::Clip {
        name: base,
        metadata: json!({"coeval": {
            "recording": recording,
            "path": piece.path,
            "confidence": file.and_then(|f| f.confidence),
            "uncertainty_s": file.and_then(|f| f.uncertainty_s),
            "offset_s": file.and_then(|f| f.offset_s),
            "drift_ppm": file.and_then(|f| f.drift_ppm),
        }}),
        source_range: TimeRange {
            duration: time(piece.frames, rate.hz()),
            start_time: time(piece.source_start, piece.source_rate.hz()),
        },
        effects: Vec::new(),
        markers: Vec::new(),
        enabled: true,
        media_references: MediaReferences { default: Box::new(reference) },
        active_media_reference_key: "DEFAULT_MEDIA",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::tests::example;

    #[test]
    fn tracks_hold_gaps_and_clips_on_whole_frames() {
        let references = References::Relative { media: "/shoot".into(), timeline: "/results/day 1".into() };
        let text = to_otio(&example(), "day 1", &references).unwrap();
        let read: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(read["OTIO_SCHEMA"], "Timeline.1");
        let tracks = read["tracks"]["children"].as_array().unwrap();
        let kinds: Vec<_> = tracks.iter().map(|t| (t["name"].as_str().unwrap(), t["kind"].as_str().unwrap())).collect();
        let expected =
            [("cam-a", "Video"), ("cam-a", "Audio"), ("cam-b", "Video"), ("cam-b", "Audio"), ("rec-1", "Audio")];
        assert_eq!(kinds, expected);
        let children = tracks[2]["children"].as_array().unwrap();
        let shape: Vec<_> = children.iter().map(|c| c["OTIO_SCHEMA"].as_str().unwrap()).collect();
        assert_eq!(shape, ["Gap.1", "Clip.2", "Gap.1", "Clip.2"]);
        let lengths: Vec<_> = children.iter().map(|c| &c["source_range"]["duration"]).collect();
        assert!(lengths.iter().all(|d| d["rate"].as_f64() == Some(30000.0 / 1001.0)));
        let counts: Vec<_> = lengths.iter().map(|d| d["value"].as_f64().unwrap()).collect();
        assert_eq!(counts, [899.0, 1199.0, 15.0, 1798.0]);
        assert_eq!(children[3]["source_range"]["start_time"]["rate"], 25.0);
        assert_eq!(children[3]["media_references"]["DEFAULT_MEDIA"]["target_url"], "../../shoot/b/C%201.MP4");
        assert_eq!(read["metadata"]["coeval"]["schema"], "coeval.alignment/1");
    }

    #[test]
    fn urls_are_encoded() {
        let absolute = References::Absolute { media: "/a b".into() };
        assert_eq!(absolute.url("ü#?/%.wav"), "file:///a%20b/%C3%BC%23%3F/%25.wav");
        let relative = References::Relative { media: "/m".into(), timeline: "/m/out".into() };
        assert_eq!(relative.url("x.wav"), "../x.wav");
    }
}
