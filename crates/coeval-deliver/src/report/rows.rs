//! What the template is given: plain structs, all of whose text is ready.

use serde::Serialize;

#[derive(Serialize)]
pub(super) struct Problem {
    pub(super) serious: bool,
    pub(super) what: String,
    pub(super) then: String,
    pub(super) link: Option<Link>,
}

/// What a link is called, and where it leads.
pub(super) type Link = (&'static str, String);

impl Problem {
    pub(super) fn serious(what: String, then: String, link: Option<Link>) -> Self {
        Self { serious: true, what, then, link }
    }

    pub(super) fn slight(what: String, then: impl Into<String>, link: Option<Link>) -> Self {
        Self { serious: false, what, then: then.into(), link }
    }
}

#[derive(Serialize)]
pub(super) struct TrackView {
    pub(super) id: String,
    pub(super) colour: usize,
    pub(super) words: String,
    pub(super) clips: Vec<ClipView>,
    pub(super) pictures: Vec<PictureView>,
}

/// A small picture on the timeline.
#[derive(Serialize)]
pub(super) struct PictureView {
    pub(super) left: f64,
    pub(super) width: f64,
    /// A JPEG as base64.
    pub(super) jpeg: String,
}

#[derive(Serialize)]
pub(super) struct ClipView {
    pub(super) name: String,
    pub(super) href: String,
    pub(super) words: String,
    pub(super) left: f64,
    pub(super) width: f64,
    pub(super) missed: Vec<Span>,
    pub(super) doubtful: Vec<Span>,
    pub(super) jumps: Vec<f64>,
    /// What is heard in it; none where that was not measured.
    pub(super) heard: Option<HeardView>,
}

/// Paths over a clip, in a box of so many columns by [`HEIGHT`](super::wave::HEIGHT).
#[derive(Serialize)]
pub(super) struct HeardView {
    pub(super) columns: f64,
    pub(super) level: String,
    pub(super) speech: String,
    pub(super) claps: String,
}

#[derive(Serialize)]
pub(super) struct Span {
    pub(super) left: f64,
    pub(super) width: f64,
}

#[derive(Serialize)]
pub(super) struct LeftOut {
    pub(super) name: String,
    pub(super) href: String,
}

#[derive(Serialize)]
pub(super) struct OtherEvent {
    pub(super) name: String,
    pub(super) words: String,
    pub(super) href: String,
}

#[derive(Serialize)]
pub(super) struct Block {
    pub(super) class: &'static str,
    pub(super) left: f64,
    pub(super) width: f64,
}

#[derive(Serialize)]
pub(super) struct Tick {
    pub(super) left: f64,
    pub(super) label: String,
    pub(super) level: usize,
}

#[derive(Serialize)]
pub(super) struct Coverage {
    pub(super) id: String,
    pub(super) words: &'static str,
    pub(super) from: String,
    pub(super) to: String,
    pub(super) ran: String,
    pub(super) share: String,
    pub(super) missed: String,
}

#[derive(Serialize)]
pub(super) struct CheckView {
    pub(super) anchor: String,
    pub(super) name: String,
    pub(super) id: String,
    pub(super) other: String,
    pub(super) words: String,
    pub(super) places: Vec<PlaceView>,
}

#[derive(Serialize)]
pub(super) struct PlaceView {
    pub(super) place: &'static str,
    pub(super) at: String,
    /// Where it starts in the clip, seconds.
    pub(super) clip_s: f64,
    pub(super) versions: Vec<Version>,
}

#[derive(Serialize)]
pub(super) struct Version {
    pub(super) class: &'static str,
    pub(super) label: &'static str,
    pub(super) verdict: &'static str,
    pub(super) words: String,
    pub(super) early_s: f64,
    pub(super) gauge_left: f64,
    pub(super) gauge_width: f64,
    pub(super) bins: usize,
    pub(super) up: String,
    pub(super) down: String,
    pub(super) wav: String,
}

#[derive(Serialize)]
pub(super) struct SyncRow {
    pub(super) name: String,
    pub(super) other: String,
    pub(super) uncorrected: String,
    pub(super) uncorrected_class: &'static str,
    pub(super) frames: String,
    pub(super) frames_class: &'static str,
    pub(super) conformed: String,
    pub(super) conformed_class: &'static str,
    pub(super) words: String,
}

#[derive(Serialize)]
pub(super) struct PairRow {
    pub(super) a: String,
    pub(super) b: String,
    pub(super) overlap: String,
    pub(super) evidence: usize,
    pub(super) rms: String,
    pub(super) words: String,
}

#[derive(Serialize)]
pub(super) struct FileRow {
    pub(super) anchor: String,
    pub(super) name: String,
    pub(super) id: String,
    pub(super) at: String,
    pub(super) drift: String,
    pub(super) sd: String,
    pub(super) confidence: String,
    pub(super) words: String,
    /// A list of one anchor for it, to be changed by hand; none where no other file is placed.
    pub(super) by_hand: Option<String>,
    /// Why it lies where it lies; none for an unplaced file.
    pub(super) why: Option<WhyView>,
}

#[derive(Serialize)]
pub(super) struct WhyView {
    /// Its offset over time and its residuals, as SVG; none of a file too many.
    pub(super) plots: Option<[String; 2]>,
    pub(super) map: Option<LagMapView>,
    pub(super) lines: Vec<String>,
}

#[derive(Serialize)]
pub(super) struct LagMapView {
    pub(super) svg: String,
    /// The file that the clip is compared with.
    pub(super) other: String,
    /// How long a column is, in words.
    pub(super) column: String,
}

#[derive(Serialize)]
pub(super) struct AdviceView {
    pub(super) serious: bool,
    pub(super) text: String,
}

#[derive(Serialize)]
pub(super) struct LevelRow {
    pub(super) name: String,
    pub(super) peak: String,
    pub(super) loudness: String,
    pub(super) speech: String,
    pub(super) noise: String,
    pub(super) advice: Vec<AdviceView>,
}

#[derive(Serialize)]
pub(super) struct MarkRow {
    pub(super) at: String,
    pub(super) timecode: String,
    pub(super) kind: String,
    pub(super) name: String,
}

#[derive(Serialize)]
pub(super) struct Page {
    pub(super) title: String,
    pub(super) version: String,
    pub(super) style: &'static str,
    pub(super) script: &'static str,
    pub(super) script_hash: String,
    pub(super) headline: String,
    pub(super) lede: Vec<String>,
    pub(super) others: Vec<OtherEvent>,
    pub(super) duration: String,
    pub(super) duration_s: f64,
    pub(super) clock: String,
    pub(super) rate: String,
    pub(super) start: String,
    pub(super) problems: Vec<Problem>,
    pub(super) border: Vec<Block>,
    pub(super) ticks: Vec<Tick>,
    pub(super) tracks: Vec<TrackView>,
    pub(super) any_missed: bool,
    pub(super) any_doubtful: bool,
    pub(super) any_jump: bool,
    pub(super) any_heard: bool,
    /// How much of a file each small picture stands for; none where there are none.
    pub(super) pictures_every: Option<String>,
    pub(super) any_speech: bool,
    pub(super) any_clap: bool,
    pub(super) coverage: Vec<Coverage>,
    pub(super) left_out: Vec<LeftOut>,
    pub(super) listen_note: String,
    pub(super) clips: Vec<CheckView>,
    pub(super) sync: Vec<SyncRow>,
    pub(super) drift: Vec<String>,
    pub(super) has_residuals: bool,
    pub(super) residual_words: String,
    pub(super) residual: Vec<String>,
    pub(super) pairs: Vec<PairRow>,
    pub(super) files: Vec<FileRow>,
    pub(super) levels: Vec<LevelRow>,
    pub(super) marks: Vec<MarkRow>,
    pub(super) marks_left: usize,
}
