//! OpenTimelineIO JSON.
//!
//! Schemas as the reference library writes them: Timeline.1, Stack.1, Track.1, Clip.2, Gap.1,
//! ExternalReference.1, TimeRange.1, RationalTime.1 (value and rate are doubles). One track for each of the layout's;
//! in OpenTimelineIO the first track lies at the bottom. All lengths on the timeline are whole frames
//! at the timeline's rate, so that every clip lies on a frame whatever its own rate is; where a clip
//! starts within its media is counted at the media's rate.
//!
//! # Which sound a clip refers to
//! Where conformed sound is at hand ([`Extras::conformed`]) the recorder's track refers to it and not
//! to the recorder's own file: it starts on a frame and runs on the reference clock, so that it needs
//! no slips and is right to the sample at the last minute as at the first, which whole frames cannot
//! say. The recorder's own file stays in the clip's metadata. Below the tracks of the recordings
//! there is one more for each camera and recorder with the sound that was conformed to the camera's
//! clips, cut as the camera's own; it is switched off, because the whole recording would sound with
//! it. Without conformed sound the recorder's own file is slipped before it is half a frame off.
//!
//! Files that are less than 99 % sure lie on tracks of their own, "to be checked", which are switched off.

use std::path::{Component, Path, PathBuf};

use coeval::{Error, ErrorKind, Result};
use coeval_shoot::conform::{Conformed, SoundPlacement};
use coeval_shoot::{Alignment, Kind};
use serde::Serialize;
use serde_json::{Value, json};

use crate::layout::{Content, Layout, Piece, SourceRate, TimelineTrack};
use crate::lists::Mark;
use crate::timecode::{FrameRate, Timecode};

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
    /// The URL of a file of the alignment, or of one given by its absolute path.
    fn url(&self, path: impl AsRef<Path>) -> String {
        match self {
            References::Absolute { media } => absolute_url(&media.join(path)),
            References::Relative { media, timeline } => {
                let path = media.join(path);
                relative_url(&path, timeline).unwrap_or_else(|| absolute_url(&path))
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
    #[serde(rename = "Transition.1")]
    Transition {
        name: String,
        metadata: Value,
        in_offset: RationalTime,
        out_offset: RationalTime,
        transition_type: &'static str,
    },
    #[serde(rename = "LinearTimeWarp.1")]
    LinearTimeWarp { name: String, metadata: Value, effect_name: &'static str, time_scalar: f64 },
    #[serde(rename = "Marker.2")]
    Marker { name: String, metadata: Value, color: &'static str, marked_range: TimeRange },
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

/// Rates that the reference library counts timecode at (OpenTimelineIO 0.18, `RationalTime.is_smpte_timecode_rate`).
const TIMECODE_RATES: [f64; 10] =
    [24_000.0 / 1001.0, 24.0, 25.0, 30_000.0 / 1001.0, 30.0, 48_000.0 / 1001.0, 48.0, 50.0, 60_000.0 / 1001.0, 60.0];

/// `hz` where timecode can count it; else the largest such rate that divides it (120: 60) or the smallest that it
/// divides (12.5: 25), else 60.
fn countable(hz: f64) -> f64 {
    let same = |a: f64, b: f64| (a - b).abs() < 1e-9 * b;
    let known = |hz: f64| TIMECODE_RATES.into_iter().find(|r| same(*r, hz));
    let mut parts = (1..=40).map(|k| hz / f64::from(k)).chain((2..=60).map(|k| hz * f64::from(k)));
    parts.find_map(known).unwrap_or(60.0)
}

/// `count` frames or samples of which there are `hz` a second, at a rate that timecode can count.
fn time(count: f64, hz: f64) -> RationalTime {
    let rate = countable(hz);
    RationalTime { rate, value: if rate == hz { count } else { count * rate / hz } }
}

/// `count` frames.
fn framed(count: i64, rate: FrameRate) -> RationalTime {
    time(count as f64, rate.hz())
}

/// What a timeline may hold besides the recordings.
#[derive(Debug, Clone, Copy, Default)]
pub struct Extras<'a> {
    /// Timecode of timeline zero, at the layout's rate; `None`: it starts at zero.
    pub start: Option<Timecode>,
    /// The alignment on frames, if it is to be another than [`Layout::of`] makes.
    pub layout: Option<&'a Layout>,
    /// Markers on the timeline.
    pub marks: &'a [Mark],
    /// Conformed sound that is there, and each one's absolute path.
    pub conformed: &'a [(PathBuf, Conformed)],
}

/// What clips are written from.
pub(crate) struct Sources<'a> {
    pub(crate) alignment: &'a Alignment,
    /// The timeline's.
    pub(crate) rate: FrameRate,
    pub(crate) references: &'a References,
    pub(crate) extras: &'a Extras<'a>,
}

fn failed(e: serde_json::Error) -> Error {
    Error::new(ErrorKind::Internal, "cannot write the timeline as JSON").with_source(e)
}

/// Writes an alignment, of several events the first, as an OpenTimelineIO timeline called `name`.
///
/// Each track and clip carries what Coeval knows of it under the metadata key `coeval`, the timeline the whole
/// alignment. Markers hang on the stack of tracks.
///
/// # Errors
/// [`Internal`](ErrorKind::Internal) when a number in the alignment is not finite, and as for [`Layout::of`].
pub fn to_otio(alignment: &Alignment, name: &str, references: &References, extras: &Extras<'_>) -> Result<String> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let own;
    let layout = match extras.layout {
        Some(layout) => layout,
        None => {
            own = Layout::of(alignment)?;
            &own
        }
    };
    let sources = Sources { alignment, rate: layout.rate, references, extras };
    let own = layout.tracks.iter().map(|laid| {
        let mut metadata = json!({"recording": laid.recording});
        if laid.doubtful {
            metadata["to_be_checked"] = true.into();
        }
        let children = sources.children(laid.pieces.iter().map(|piece| sources.shown(piece)), &laid.recording);
        track(laid.name(), laid.content, !laid.doubtful, metadata, children)
    });
    let mut tracks: Vec<Object> = own.collect();
    for laid in layout.tracks.iter().filter(|l| l.content == Content::Sound && !l.doubtful) {
        let is_camera = alignment.recording(&laid.recording).is_some_and(|r| r.kind == Kind::Camera);
        for recorder in alignment.recordings.iter().filter(|r| is_camera && r.kind == Kind::Recorder) {
            let clips: Vec<Shown> = sources.under_clips(laid, &recorder.id);
            if !clips.is_empty() {
                let name = format!("{} with {}", laid.recording, recorder.id);
                let metadata = json!({"recording": laid.recording, "sound_of": recorder.id});
                let children = sources.children(clips.into_iter(), &laid.recording);
                tracks.push(track(name, Content::Sound, false, metadata, children));
            }
        }
    }
    sources.timeline(name, json!({"coeval": serde_json::to_value(alignment).map_err(failed)?}), tracks)
}

/// A track of a cut timeline.
#[derive(Debug, Clone)]
pub(crate) struct CutTrack {
    pub(crate) name: String,
    pub(crate) content: Content,
    pub(crate) enabled: bool,
    /// More for its metadata.
    pub(crate) metadata: Value,
    /// In order of `at`, without overlap.
    pub(crate) cuts: Vec<Cut>,
}

/// A piece of the full timeline on a cut one.
#[derive(Debug, Clone)]
pub(crate) struct Cut {
    /// As it lies on the full timeline.
    pub(crate) piece: Piece,
    /// First frame on the cut timeline, and length there.
    pub(crate) at: i64,
    pub(crate) frames: i64,
    /// How many times faster.
    pub(crate) speed: u32,
    /// Frames of the dissolve from the cut before.
    pub(crate) dissolve: i64,
    pub(crate) metadata: Value,
}

/// Writes a cut timeline of `frames` frames: every track is as long as every other.
pub(crate) fn cut_to_otio(sources: &Sources<'_>, name: &str, tracks: &[CutTrack], frames: i64) -> Result<String> {
    let rate = sources.rate;
    let tracks = tracks.iter().map(|t| {
        let mut children = Vec::new();
        let mut end = 0;
        for cut in &joined(&t.cuts, sources.extras.conformed) {
            if cut.at > end {
                children.push(gap(cut.at - end, rate));
            } else if cut.dissolve > 0 && end > 0 {
                children.push(dissolve(cut.dissolve, rate));
            }
            children.push(sources.cut_clip(cut, &t.metadata["recording"]));
            end = cut.at + cut.frames;
        }
        if end < frames {
            children.push(gap(frames - end, rate));
        }
        track(t.name.clone(), t.content, t.enabled, t.metadata.clone(), children)
    });
    sources.timeline(name, json!({}), tracks.collect())
}

/// Cuts of which those are one that follow each other in the same conformed sound: it needs no slips.
pub(crate) fn joined(cuts: &[Cut], conformed: &[(PathBuf, Conformed)]) -> Vec<Cut> {
    let mut out: Vec<Cut> = Vec::new();
    for cut in cuts {
        match out.last_mut() {
            Some(last)
                if last.piece.path == cut.piece.path
                    && last.at + last.frames == cut.at
                    && last.piece.end() == cut.piece.start
                    && conformed_of(&cut.piece, conformed).is_some() =>
            {
                last.frames += cut.frames;
                last.piece.frames += cut.piece.frames;
            }
            _ => out.push(cut.clone()),
        }
    }
    out
}

/// A clip on a track: frames of the timeline, and what of which medium they show.
struct Shown {
    /// The file of the alignment that it stands for.
    path: String,
    start: i64,
    frames: i64,
    name: String,
    url: String,
    /// What the source is counted in; a rate of timecode.
    source_hz: f64,
    /// Count of its first moment: its timecode, where it has one.
    source_first: f64,
    /// Counts from there to where the clip starts.
    source_start: f64,
    source_length: f64,
    /// More for the metadata.
    conformed: Option<Value>,
}

impl Sources<'_> {
    /// A piece by its own file.
    fn raw(&self, piece: &Piece) -> Shown {
        let own_hz = piece.source_rate.hz();
        let (source_hz, first) = match piece.source_rate {
            SourceRate::Frames(own) => {
                let written = self.alignment.file(&piece.path).and_then(|f| f.timecode.as_deref());
                let first = written.and_then(|text| Timecode::parse(text, own).ok());
                (countable(own_hz), first.map_or(0, Timecode::frame))
            }
            SourceRate::Samples(_) => (countable(self.rate.hz()), 0),
        };
        // Rates that are equal leave counts as they are.
        let count = |own: i64| if source_hz == own_hz { own as f64 } else { own as f64 * source_hz / own_hz };
        Shown {
            path: piece.path.clone(),
            start: piece.start,
            frames: piece.frames,
            name: piece.path.rsplit('/').next().unwrap_or(&piece.path).to_owned(),
            url: self.references.url(&piece.path),
            source_hz,
            source_first: count(first),
            source_start: count(piece.source_start),
            source_length: count(piece.source_length),
            conformed: None,
        }
    }

    /// A piece that shows conformed sound from `source_s` on.
    fn conformed(&self, piece: &Piece, (path, sound): &(PathBuf, Conformed), source_s: f64) -> Shown {
        let (hz, own_hz) = (countable(self.rate.hz()), f64::from(sound.rate_hz));
        // To the sample: what rounding of the arithmetic leaves is none of the sound's.
        let count = |samples: f64| samples * hz / own_hz;
        Shown {
            name: sound.name.clone(),
            url: self.references.url(path),
            source_hz: hz,
            source_first: count(sound.time_reference as f64),
            source_start: count((source_s * own_hz).round().max(0.0)),
            source_length: count(sound.frames as f64),
            conformed: Some(json!({"sources": sound.sources, "time_reference": sound.time_reference})),
            ..self.raw(piece)
        }
    }

    /// A piece of a recorder by its sound on the reference clock, if that is there; else by its own file.
    fn shown(&self, piece: &Piece) -> Shown {
        let Some(sound) = conformed_of(piece, self.extras.conformed) else { return self.raw(piece) };
        self.conformed(piece, sound, self.rate.seconds(piece.start) - sound.1.start_s)
    }

    /// The sound that lies under a camera's clips, cut as the clips are.
    fn under_clips(&self, laid: &TimelineTrack, recorder: &str) -> Vec<Shown> {
        let shown = |piece: &Piece| {
            let is_it =
                |c: &Conformed| c.recording == recorder && c.placement == SoundPlacement::UnderClip(piece.path.clone());
            let sound = self.extras.conformed.iter().find(|(_, c)| is_it(c))?;
            // Frames count from the first picture, the sound from presentation zero.
            let picture = self.alignment.file(&piece.path).and_then(|f| f.picture.as_ref());
            let first_s = match piece.source_rate {
                SourceRate::Frames(_) => picture.map_or(0.0, |p| p.start_s),
                SourceRate::Samples(_) => 0.0,
            };
            let source_s = first_s + piece.source_start as f64 / piece.source_rate.hz();
            let mut clip = self.conformed(piece, sound, source_s);
            // Picture may go on by a part of a frame where the sound has ended.
            let left_s = (clip.source_length - clip.source_start) / clip.source_hz;
            clip.frames = clip.frames.min((self.rate.frames(left_s) + 1.0).floor() as i64);
            (clip.frames > 0).then_some(clip)
        };
        laid.pieces.iter().filter_map(shown).collect()
    }

    /// Clips and the gaps between them, as a track holds them.
    fn children(&self, clips: impl Iterator<Item = Shown>, recording: &str) -> Vec<Object> {
        let mut joined: Vec<Shown> = Vec::new();
        for clip in clips {
            match joined.last_mut() {
                // On the reference clock a recorder needs no slips: pieces that touch are one clip.
                Some(last)
                    if clip.conformed.is_some()
                        && last.url == clip.url
                        && last.start + last.frames == clip.start
                        && runs_on(last, &clip, self.rate) =>
                {
                    last.frames += clip.frames;
                }
                _ => joined.push(clip),
            }
        }
        let mut children = Vec::new();
        let mut at = 0;
        for shown in &joined {
            if shown.start > at {
                children.push(gap(shown.start - at, self.rate));
            }
            children.push(self.clip(shown, &json!(recording)));
            at = shown.start + shown.frames;
        }
        children
    }

    /// A cut as a clip, without the dissolve into it.
    fn cut_clip(&self, cut: &Cut, recording: &Value) -> Object {
        let shown = Shown { start: cut.at, frames: cut.frames, ..self.shown(&cut.piece) };
        let mut object = self.clip(&shown, recording);
        if let Object::Clip { metadata, effects, .. } = &mut object {
            metadata["coeval"]["cut"] = cut.metadata.clone();
            if cut.speed > 1 {
                effects.push(Object::LinearTimeWarp {
                    name: String::new(),
                    metadata: json!({}),
                    effect_name: "LinearTimeWarp",
                    time_scalar: f64::from(cut.speed),
                });
            }
        }
        object
    }

    fn clip(&self, shown: &Shown, recording: &Value) -> Object {
        let file = self.alignment.file(&shown.path);
        let reference = Object::ExternalReference {
            name: shown.name.clone(),
            metadata: json!({}),
            available_range: TimeRange {
                duration: time(shown.source_length, shown.source_hz),
                start_time: time(shown.source_first, shown.source_hz),
            },
            available_image_bounds: None,
            target_url: shown.url.clone(),
        };
        Object::Clip {
            name: shown.name.clone(),
            metadata: json!({"coeval": {
                "recording": recording,
                "path": shown.path,
                "conformed": shown.conformed,
                "confidence": file.and_then(|f| f.confidence),
                "uncertainty_s": file.and_then(|f| f.uncertainty_s),
                "offset_s": file.and_then(|f| f.offset_s),
                "drift_ppm": file.and_then(|f| f.drift_ppm),
                "warnings": file.map(|f| f.warnings.as_slice()).unwrap_or_default(),
            }}),
            source_range: TimeRange {
                duration: framed(shown.frames, self.rate),
                start_time: time(shown.source_first + shown.source_start, shown.source_hz),
            },
            effects: Vec::new(),
            markers: Vec::new(),
            enabled: true,
            media_references: MediaReferences { default: Box::new(reference) },
            active_media_reference_key: "DEFAULT_MEDIA",
        }
    }

    /// The whole as text: markers hang on the stack of tracks, of which the last lies on top.
    fn timeline(&self, name: &str, metadata: Value, tracks: Vec<Object>) -> Result<String> {
        let stack = Object::Stack {
            name: "tracks".to_owned(),
            metadata: json!({}),
            source_range: None,
            effects: Vec::new(),
            markers: self.extras.marks.iter().filter_map(|m| marker(m, self.rate)).collect(),
            enabled: true,
            children: tracks,
        };
        let timeline = Object::Timeline {
            name: name.to_owned(),
            metadata,
            global_start_time: self.extras.start.map(|t| framed(t.frame(), t.rate())),
            tracks: Box::new(stack),
        };
        let mut text = serde_json::to_string_pretty(&timeline).map_err(failed)?;
        text.push('\n');
        Ok(text)
    }
}

/// The sound on the reference clock that was made of a recorder's piece.
pub(crate) fn conformed_of<'a>(piece: &Piece, all: &'a [(PathBuf, Conformed)]) -> Option<&'a (PathBuf, Conformed)> {
    let is_it =
        |c: &Conformed| c.placement == SoundPlacement::OnTimeline && c.sources.iter().eq(std::iter::once(&piece.path));
    let is_sound = matches!(piece.source_rate, SourceRate::Samples(_));
    all.iter().find(|(_, c)| is_sound && is_it(c))
}

fn track(name: String, content: Content, enabled: bool, metadata: Value, children: Vec<Object>) -> Object {
    Object::Track {
        name,
        metadata: json!({"coeval": metadata}),
        source_range: None,
        effects: Vec::new(),
        markers: Vec::new(),
        enabled,
        kind: match content {
            Content::Picture => "Video",
            Content::Sound => "Audio",
        },
        children,
    }
}

fn dissolve(frames: i64, rate: FrameRate) -> Object {
    let before = frames / 2;
    Object::Transition {
        name: String::new(),
        metadata: json!({}),
        in_offset: framed(before, rate),
        out_offset: framed(frames - before, rate),
        transition_type: "SMPTE_Dissolve",
    }
}

/// Does the second clip go on in its medium where the first ends, to the sample?
fn runs_on(first: &Shown, second: &Shown, rate: FrameRate) -> bool {
    let end_s = first.source_start / first.source_hz + rate.seconds(first.frames);
    // A sample at the rates that sound has here.
    (end_s - second.source_start / second.source_hz).abs() <= 1.0 / 44_100.0
}

fn marker(mark: &Mark, rate: FrameRate) -> Option<Object> {
    if !mark.at_s.is_finite() || !mark.length_s.is_finite() {
        return None;
    }
    let at = mark.frame(rate);
    // A marker is a frame long at least.
    let frames = (rate.frames(mark.length_s).round() as i64).max(1);
    Some(Object::Marker {
        name: if mark.name.is_empty() { mark.kind.clone() } else { mark.name.clone() },
        metadata: json!({"coeval": {
            "kind": mark.kind, "timeline_s": mark.at_s, "length_s": mark.length_s,
            "path": mark.file, "file_s": mark.file_s,
        }}),
        color: match mark.kind.as_str() {
            "jump" => "RED",
            "clap" => "YELLOW",
            "photo" => "CYAN",
            _ => "GREEN",
        },
        marked_range: TimeRange { duration: framed(frames, rate), start_time: framed(at, rate) },
    })
}

fn gap(length: i64, rate: FrameRate) -> Object {
    Object::Gap {
        name: String::new(),
        metadata: json!({}),
        source_range: TimeRange { duration: framed(length, rate), start_time: framed(0, rate) },
        effects: Vec::new(),
        markers: Vec::new(),
        enabled: true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::tests::example;

    #[test]
    fn tracks_hold_gaps_and_clips_on_whole_frames() {
        let references = References::Relative { media: "/shoot".into(), timeline: "/results/day 1".into() };
        let text = to_otio(&example(), "day 1", &references, &Extras::default()).unwrap();
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
    fn every_rate_is_one_that_timecode_counts() {
        for (hz, rate) in [(25.0, 25.0), (120.0, 60.0), (120_000.0 / 1001.0, 60_000.0 / 1001.0), (100.0, 50.0)] {
            assert!((countable(hz) - rate).abs() < 1e-9, "{hz}");
        }
        for (hz, rate) in [(12.5, 25.0), (15.0, 30.0), (1000.0, 50.0), (27.3, 60.0)] {
            assert!((countable(hz) - rate).abs() < 1e-9, "{hz}");
        }
        assert_eq!(time(7.0, 120.0).value, 3.5);
    }

    #[test]
    fn urls_are_encoded() {
        let absolute = References::Absolute { media: "/a b".into() };
        assert_eq!(absolute.url("ü#?/%.wav"), "file:///a%20b/%C3%BC%23%3F/%25.wav");
        let relative = References::Relative { media: "/m".into(), timeline: "/m/out".into() };
        assert_eq!(relative.url("x.wav"), "../x.wav");
    }
}
