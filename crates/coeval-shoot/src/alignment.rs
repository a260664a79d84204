//! The result contract: `coeval.alignment/1`.
//!
//! What these structs hold is what `alignment.json` holds, key by key; its JSON Schema is in
//! [`SCHEMA_JSON`]. Times are seconds. Keys may be added in later versions, none of these will be
//! removed or change their meaning; readers pass over keys that they do not know.

use std::borrow::Cow;

use coeval::clock::ClockMap;
use coeval::{Error, ErrorKind, Result};
use coeval_media::OpenOptions;
use serde::{Deserialize, Serialize};

/// The value of `schema`.
pub const SCHEMA: &str = "coeval.alignment/1";
/// The JSON Schema (draft 2020-12) of an alignment.
pub const SCHEMA_JSON: &str = include_str!("../schema/alignment.schema.json");

/// All recordings of a shoot, each event on one clock.
///
/// Most shoots are one event: then all times are on one timeline. A folder may hold several, which share no sound. Each
/// has a timeline of its own, and two of them must not be mixed: [`event`](Self::event) takes one out as an alignment
/// by itself, [`first_event`](Self::first_event) the first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Alignment {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// What made it.
    pub generator: Generator,
    /// The clock that all results are expressed on; where there are several events, those of the first.
    pub timeline: Timeline,
    /// Recordings in natural order of their first files. A file that cannot be read is in here too.
    pub recordings: Vec<Recording>,
    /// Pairs of recordings that share sound.
    pub pairs: Vec<Pair>,
    /// The user's anchors, held against the sound.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub anchors: Vec<AnchorCheck>,
    /// Loops of three files that were compared with each other, the worst first, 50 at the most.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub loops: Vec<Loop>,
    /// All events, in order of their numbers, where there are two or more. The first is the one of most files, or the
    /// one whose recording the user chose as the clock.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub events: Vec<Event>,
    /// Photos of the folder, where they were asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub photos: Vec<Photo>,
}

/// A photo, and when it was taken: by times, so to seconds at best.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Photo {
    /// Relative to the folder that was given, with `/` between folders.
    pub path: String,
    /// When it was taken, as its camera's clock showed it: ISO 8601, with the distance from UTC where the file says it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken: Option<String>,
    /// The same on the timeline, seconds; `None` where it has no place.
    pub timeline_s: Option<f64>,
    /// One standard deviation of that, seconds.
    pub uncertainty_s: Option<f64>,
    /// What tells how its clock differs from the timeline.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock: Option<PhotoClock>,
    /// The event on whose timeline it lies; `None`: the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<usize>,
    /// Why it has no place; `None` where it has one.
    pub reason: Option<String>,
}

impl Photo {
    /// The number of its event, from 1; `None` where it has no place.
    pub fn event_number(&self) -> Option<usize> {
        self.timeline_s.map(|_| self.event.unwrap_or(1))
    }
}

/// What told how the clock of a photo differs from the timeline.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PhotoClock {
    /// The clips of the same device.
    Device,
    /// All clips, since none is known to be of the same device.
    Clips,
}

/// Files that share sound among themselves, and none with the rest of the shoot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Event {
    /// Its number, from 1.
    pub event: usize,
    /// Id of the recording whose clock its timeline is.
    pub clock: String,
    /// Where its last placed file ends on its timeline, seconds.
    pub duration_s: f64,
    /// Ids of the recordings of which it has files.
    pub recordings: Vec<String>,
}

/// Three files, each pair of which was compared by itself: what the three comparisons say of each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Loop {
    /// Their names.
    pub files: [String; 3],
    /// Time gained by going round once, in the middle of what all three recorded, seconds; 0 if all agree. It is
    /// measured before the solution, which leaves a pair that contradicts the others out.
    pub closure_s: f64,
}

/// An anchor of the user's, and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct AnchorCheck {
    /// One file.
    pub a: String,
    /// The moment in it, seconds.
    pub a_s: f64,
    /// The other file.
    pub b: String,
    /// The same moment in it, seconds.
    pub b_s: f64,
    /// It is to be obeyed, whatever the sound says.
    pub hard: bool,
    /// One standard deviation of the user's reading, seconds.
    pub uncertainty_s: f64,
    /// The result goes by it.
    pub used: bool,
    /// The sound says otherwise, beyond three standard deviations.
    pub contradicted: bool,
    /// Where the sound alone puts the moment of `a` minus where it puts that of `b`, seconds; `None` where it cannot tell.
    pub disagreement_s: Option<f64>,
    /// The same in the result; `None` where one of the files is unplaced.
    pub misfit_s: Option<f64>,
}

/// What made an alignment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Generator {
    /// `coeval`.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// The timeline.
///
/// Its zero is the start of the earliest placed file, or up to one frame of the clock's picture
/// before it, so that the clock's own picture lies on whole frames.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Timeline {
    /// Id of the recording whose clock it is.
    pub clock: String,
    /// Where the last placed file ends, seconds.
    pub duration_s: f64,
}

/// What one device made in one unbroken take.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Recording {
    /// Short name, unique.
    pub id: String,
    /// What made it.
    pub kind: Kind,
    /// Its chapters in order; one for most devices.
    pub files: Vec<File>,
    /// The event that all its placed files belong to; `None`: the first, or several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<usize>,
}

impl Recording {
    /// Its files, those together that the recorder wrote at once: the first of them, then those that are
    /// [tracks of it](File::track_of).
    pub fn sets(&self) -> Vec<Vec<&File>> {
        let mut sets = Vec::new();
        for first in self.files.iter().filter(|f| f.track_of.is_none()) {
            let further = self.files.iter().filter(|f| f.track_of.as_ref() == Some(&first.path));
            sets.push(std::iter::once(first).chain(further).collect());
        }
        sets
    }

    /// Its files to listen to: of those that were written at once the first that says anything.
    pub fn listened(&self) -> impl Iterator<Item = &File> {
        let says = |f: &&File| f.compared.as_ref().is_none_or(|channels| !channels.is_empty());
        self.sets().into_iter().filter_map(move |set| set.iter().copied().find(says).or(set.first().copied()))
    }
}

/// Kind of device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Has picture.
    Camera,
    /// Sound only.
    Recorder,
    /// Neither is known.
    Other,
}

impl Kind {
    /// The word used for it everywhere.
    pub fn as_str(self) -> &'static str {
        match self {
            Kind::Camera => "camera",
            Kind::Recorder => "recorder",
            Kind::Other => "other",
        }
    }
}

/// Has a file a place on the timeline?
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Status {
    /// It has a map.
    Placed,
    /// It has none; `reason` says why.
    Unplaced,
}

/// One file and its place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct File {
    /// Relative to the folder that was given, with `/` between folders.
    pub path: String,
    /// Placed or not.
    pub status: Status,
    /// Why it is unplaced, in words; `None` when placed.
    pub reason: Option<String>,
    /// Length on presentation time, seconds; `None` when the file cannot be read.
    pub duration_s: Option<f64>,
    /// Probability that the placement is right.
    pub confidence: Option<f64>,
    /// One standard deviation of the placement's error, seconds.
    pub uncertainty_s: Option<f64>,
    /// Timeline time minus file time at the file's start, seconds.
    pub offset_s: Option<f64>,
    /// (timeline seconds per file second - 1) * 1e6, mean over the file without its jumps.
    pub drift_ppm: Option<f64>,
    /// `[file_s, timeline_s]`, from the file's first to its last moment, linear between; two knots at one `file_s`
    /// are a jump. Empty when unplaced.
    pub knots: Vec<[f64; 2]>,
    /// Sudden changes of offset.
    pub jumps: Vec<Jump>,
    /// How well its place is known by stretches, in time order, from its first to its last moment: before the first
    /// measurement, between jumps, where its clock jumped in a silence, after the last measurement. Empty when unplaced.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stretches: Vec<Stretch>,
    /// The event whose timeline it is placed on; `None`: the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub event: Option<usize>,
    /// The file that the recorder wrote at the same time, sample for sample: this one holds further tracks of it, and lies
    /// where that one lies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub track_of: Option<String>,
    /// The channels whose sound was compared, counted from 1, where these are not all: the others say nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub compared: Option<Vec<usize>>,
    /// What placed it, where that is not sound of its own, a clap or an anchor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub placed_by: Option<PlacedBy>,
    /// The file that this one is a copy of: the same bytes, or the same sound as a proxy, a transcode or a safety track has
    /// it. A copy has no place of its own; that of its original is its.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub copy_of: Option<String>,
    /// The clip that this sound was recorded beside, by a recorder on the camera or by the camera itself: the two are called
    /// alike, and by their sound they ran together.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub better_sound_of: Option<String>,
    /// Its picture track.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub picture: Option<Picture>,
    /// Its sound track.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sound: Option<SoundTrack>,
    /// When the file says it was made, seconds since 1970-01-01.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub created_unix_s: Option<i64>,
    /// Timecode of its first frame as written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub timecode: Option<String>,
    /// Timecode that its sound carries; it is the file's own then, and `timecode` follows from it where the headers have
    /// none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ltc: Option<Ltc>,
    /// What the recorder wrote of the take and its tracks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ixml: Option<Ixml>,
    /// What speaks for its place; `None` when unplaced.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proof: Option<Proof>,
    /// What was found wrong but could be dealt with, one line each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
}

impl File {
    /// From this file's time to timeline time; `None` when it is unplaced.
    pub fn map(&self) -> Option<ClockMap> {
        ClockMap::from_knots(self.knots.iter().map(|k| (k[0], k[1])).collect()).ok()
    }

    /// Where it is laid on a timeline, file time against timeline time: by its map. Slow motion and time lapse begin where
    /// they belong, and are shown at the rate of their file; `None` when it is unplaced.
    pub fn laid(&self) -> Option<ClockMap> {
        let map = self.map()?;
        let knots = map.knots();
        let shown = self.is_slowed().then(|| ClockMap::linear(knots[0].1, 0.0, knots[knots.len() - 1].0));
        Some(shown.unwrap_or(map))
    }

    /// Is it slow motion or time lapse?
    fn is_slowed(&self) -> bool {
        self.picture.as_ref().is_some_and(|p| p.speed() != 1.0)
    }

    /// The channels of its sound that hold something to listen to, from 0: all but those that carry timecode. None where the
    /// picture is slow motion or time lapse.
    pub fn sound_channels(&self) -> Vec<usize> {
        if self.is_slowed() {
            return Vec::new();
        }
        let all = self.sound.as_ref().map_or(0, |s| s.channels);
        self.ltc.as_ref().map_or_else(|| (0..all).collect(), |ltc| ltc.others(all))
    }

    /// Those of them that say anything, as far as that is known.
    pub fn telling_channels(&self) -> Vec<usize> {
        let channels = self.sound_channels();
        let says = |c: &usize| self.compared.as_ref().is_none_or(|compared| compared.contains(&(c + 1)));
        let telling: Vec<usize> = channels.iter().copied().filter(says).collect();
        if telling.is_empty() { channels } else { telling }
    }

    /// Does it hold sound to listen to, and not timecode alone?
    pub fn has_sound(&self) -> bool {
        !self.sound_channels().is_empty()
    }

    /// How its sound is opened, for these channels alone.
    pub fn opened(&self, options: &OpenOptions) -> OpenOptions {
        let mut options = options.clone();
        options.channels = self.ltc.as_ref().map(|_| self.sound_channels());
        options
    }

    /// Is it left without a place, although no other file stands for it?
    pub fn is_left_out(&self) -> bool {
        !self.is_placed() && self.copy_of.is_none()
    }

    /// Is it placed?
    pub fn is_placed(&self) -> bool {
        self.status == Status::Placed
    }

    /// Its stretches that may lie elsewhere: their confidence is below [`SURE`].
    pub fn doubtful(&self) -> impl Iterator<Item = &Stretch> {
        self.stretches.iter().filter(|s| s.confidence < SURE)
    }

    /// One standard deviation of its place's error at the worst moment, but for where its clock jumped unheard; seconds. `None`
    /// when it is unplaced.
    pub fn uncertainty_heard_s(&self) -> Option<f64> {
        let unheard = |s: &&Stretch| self.jumps.iter().any(|j| s.from_s < j.file_s && j.file_s < s.to_s);
        let heard = self.stretches.iter().filter(|s| !unheard(s)).map(|s| s.uncertainty_s);
        heard.reduce(f64::max).or(self.uncertainty_s)
    }

    /// The number of its event, from 1; `None` when it is unplaced.
    pub fn event_number(&self) -> Option<usize> {
        self.is_placed().then(|| self.event.unwrap_or(1))
    }
}

/// What placed a file, where it has no evidence of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[non_exhaustive]
pub enum PlacedBy {
    /// The chapters before and after it in its take.
    Neighbours,
    /// The timecode in its sound, against that in others'.
    Timecode,
    /// The time that its file says, and its device's clock as the sound of the device's other files shows it. Good to
    /// seconds.
    Times,
}

/// What speaks for a file's place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Proof {
    /// Number of measurements of this file against others.
    pub evidence: usize,
    /// Root mean square of all its measurements against the result, seconds.
    pub residual_rms_s: f64,
    /// Nineteen of twenty of them lie within this, seconds.
    pub residual_p95_s: f64,
    /// First and last moment that was measured, file seconds; `None` when nothing was. Beyond, the clock is extrapolated.
    pub evidence_span_s: Option<[f64; 2]>,
    /// One standard deviation of `drift_ppm`.
    pub drift_sigma_ppm: f64,
    /// One standard deviation of the placement's error at the file's first and last moment, seconds.
    pub ends_uncertainty_s: [f64; 2],
    /// How far the file moves at most when its recording loses the best third of its evidence, seconds; `None`: it
    /// cannot be placed without.
    pub without_best_third_s: Option<f64>,
    /// Each kind of evidence against the result.
    pub agreement: Vec<Agreement>,
    /// All of this in words.
    pub verdict: String,
}

/// One kind of evidence against the result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Agreement {
    /// Which kind.
    pub by: EvidenceKind,
    /// How many measurements.
    pub count: usize,
    /// Median of what it says about timeline time, minus the result, seconds.
    pub difference_s: f64,
}

/// Timecode on a channel of sound (SMPTE ST 12-1).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Ltc {
    /// The channel, counted from 1. It is left out of what is compared, measured and conformed.
    pub channel: usize,
    /// Further channels that carry timecode, counted from 1. They are left out too, and what they say is not used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<usize>,
    /// What is written on the first frame that was read: `01:02:03:04`, with `;` before the frames of drop-frame.
    pub first: String,
    /// Where that frame begins, file seconds.
    pub first_s: f64,
    /// Frames a second as an exact ratio.
    pub rate: [u32; 2],
    /// How many frames were read.
    pub frames: u64,
}

impl Ltc {
    /// The channels of so many that carry no timecode, from 0.
    pub(crate) fn others(&self, channels: usize) -> Vec<usize> {
        (0..channels).filter(|c| self.channel != c + 1 && !self.also.contains(&(c + 1))).collect()
    }
}

/// What a recorder wrote of a take and its tracks (`iXML`). What it did not write is empty.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
#[non_exhaustive]
pub struct Ixml {
    /// What is filmed.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub project: String,
    /// The scene.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub scene: String,
    /// The take.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub take: String,
    /// The tape or sound roll.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub tape: String,
    /// User bits, as written.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub user_bits: String,
    /// What the files of one take have in common.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub family: String,
    /// Names of the file's channels, in their order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tracks: Vec<String>,
    /// Number of each channel on the recorder, from 1, in the same order; 0 where it is not said.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub numbers: Vec<u32>,
}

impl From<coeval_media::Ixml> for Ixml {
    fn from(read: coeval_media::Ixml) -> Self {
        let coeval_media::Ixml { project, scene, take, tape, user_bits, family, tracks, numbers, .. } = read;
        Self { project, scene, take, tape, user_bits, family, tracks, numbers }
    }
}

/// A kind of evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum EvidenceKind {
    /// Common sound.
    #[default]
    Sound,
    /// Claps and knocks heard in both.
    Markers,
    /// A clap seen in one and heard in the other.
    Picture,
    /// The user's correspondences.
    Anchors,
    /// Timecode in the files, against that of the reference clock's recording.
    Timecode,
}

/// A stretch of a file in which its place is known equally well.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Stretch {
    /// First and last moment, file seconds.
    pub from_s: f64,
    /// See `from_s`.
    pub to_s: f64,
    /// Probability that the file lies where its map says, here. Before the first and after the last measurement its
    /// clock may have jumped unseen.
    pub confidence: f64,
    /// One standard deviation of the place's error, seconds.
    pub uncertainty_s: f64,
}

/// A sudden change of offset.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Jump {
    /// Where in the file, seconds.
    pub file_s: f64,
    /// Seconds of sound that the file lost there; negative: that it repeated.
    pub lost_s: f64,
}

/// A picture track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Picture {
    /// Frame rate (fps) as an exact ratio: `[30000, 1001]`. The mean where frames differ in length.
    pub frame_rate: [u32; 2],
    /// Frames differ in length.
    pub variable_rate: bool,
    /// Frames a second at which it was filmed, as an exact ratio, where the file says so and that is another rate than it is
    /// shown at: slow motion or time lapse.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capture_rate: Option<[u32; 2]>,
    /// Width and height in pixels.
    pub size: [u32; 2],
    /// Where the picture starts on the file's presentation time, seconds.
    pub start_s: f64,
    /// Length of the picture, seconds.
    pub duration_s: f64,
}

impl Picture {
    /// Seconds that passed in a second of it: less than 1 in slow motion, more in time lapse; 1 where it is shown as it was
    /// filmed.
    pub fn speed(&self) -> f64 {
        let rate = |[num, den]: [u32; 2]| f64::from(num) / f64::from(den);
        let speed = self.capture_rate.map_or(1.0, |filmed| rate(self.frame_rate) / rate(filmed));
        if speed.is_finite() && speed > 0.0 { speed } else { 1.0 }
    }
}

/// A sound track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SoundTrack {
    /// Codec in words.
    pub codec: String,
    /// Sampling rate, Hz.
    pub rate_hz: u32,
    /// Number of channels.
    pub channels: usize,
    /// Bits a sample, for lossless codecs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bits: Option<u32>,
}

/// What two recordings share.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Pair {
    /// Id of one recording.
    pub a: String,
    /// Id of the other.
    pub b: String,
    /// Seconds during which both ran.
    pub overlap_s: f64,
    /// Probability that they lie as they were put: that of the surest two files.
    pub confidence: f64,
    /// Root mean square misfit of the evidence to the result, seconds.
    pub residual_rms_s: f64,
    /// Number of measurements.
    pub evidence: usize,
    /// Two of their files contradict the rest of the shoot and were left out.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub contradicted: bool,
    /// `[timeline_s, residual_s]` of measurements, in order of time, thinned to some hundreds: what the sound said
    /// minus what the result says about timeline time in `a` for the same sound in `b`, seconds.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub residuals: Vec<[f64; 2]>,
    /// The ways by which their common sound comes, where several were told apart: that of the result first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub paths: Vec<SoundPath>,
    /// Other places at which these two might lie to each other, the most probable first, where any is not ruled out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub rivals: Vec<RivalPlace>,
}

/// Another place at which two recordings might lie to each other.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct RivalPlace {
    /// So much later in `a` than the result puts it, seconds.
    pub shift_s: f64,
    /// Probability that it is the right place, by the sound of two of their files alone.
    pub probability: f64,
}

/// One of the ways by which the common sound of two recordings comes: voices straight, an engine from elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct SoundPath {
    /// `a` hears what comes this way so much later than where the result puts it, seconds.
    pub delay_s: f64,
    /// Probability that this is the way of the people's voices.
    pub voices: f64,
}

/// Probability of a placement below which it is to be checked (own target).
pub const SURE: f64 = 0.99;
/// Thirty years, seconds: what is further away is no time of a recording, and would be worked through frame by frame.
const FURTHEST_S: f64 = 1e9;
/// A map may end so much later than its file, seconds.
const BEYOND_S: f64 = 1.0;

impl Alignment {
    /// All files, recording by recording.
    pub fn files(&self) -> impl Iterator<Item = &File> {
        self.recordings.iter().flat_map(|r| &r.files)
    }

    /// The file of this name (relative to the folder given).
    pub fn file(&self, path: &str) -> Option<&File> {
        self.files().find(|f| f.path == path)
    }

    /// Is a file placed, but less sure than [`SURE`]? It is then to be checked, and lies on a track of its own. Where the
    /// user's word was obeyed there is no doubt.
    pub fn is_doubtful(&self, file: &File) -> bool {
        let obeyed = |a: &&AnchorCheck| a.hard && a.used && (a.a == file.path || a.b == file.path);
        file.is_placed() && file.confidence.is_some_and(|c| c < SURE) && !self.anchors.iter().any(|a| obeyed(&a))
    }

    /// The map of the file of this name; `None` when there is no such file or it is unplaced.
    pub fn map(&self, path: &str) -> Option<ClockMap> {
        self.file(path)?.map()
    }

    /// The events' numbers: 1 alone where all is one event.
    pub fn event_numbers(&self) -> std::ops::RangeInclusive<usize> {
        1..=self.events.len().max(1)
    }

    /// Event `number` (from 1) as an alignment of its own, in which files of other events do not appear; `None` where
    /// there is no such event. Files without a place go with the first.
    pub fn event(&self, number: usize) -> Option<Alignment> {
        if !self.event_numbers().contains(&number) {
            return None;
        }
        let mut one = self.clone();
        if let Some(event) = self.events.iter().find(|e| e.event == number) {
            one.timeline = Timeline { clock: event.clock.clone(), duration_s: event.duration_s };
        }
        one.events.clear();
        for recording in &mut one.recordings {
            recording.files.retain(|f| f.event_number().unwrap_or(1) == number);
            recording.files.iter_mut().for_each(|f| f.event = None);
            recording.event = None;
        }
        one.recordings.retain(|r| !r.files.is_empty());
        let (recordings, pairs) = (&one.recordings, &mut one.pairs);
        let is_placed = |id: &str| recordings.iter().any(|r| r.id == id && r.files.iter().any(File::is_placed));
        pairs.retain(|p| is_placed(&p.a) && is_placed(&p.b));
        let names: std::collections::BTreeSet<&str> =
            one.recordings.iter().flat_map(|r| &r.files).map(|f| f.path.as_str()).collect();
        one.anchors.retain(|a| names.contains(a.a.as_str()) && names.contains(a.b.as_str()));
        one.photos.retain(|p| p.event_number().unwrap_or(1) == number);
        one.photos.iter_mut().for_each(|p| p.event = None);
        one.loops.retain(|l| l.files.iter().all(|f| names.contains(f.as_str())));
        Some(one)
    }

    /// The first event as an alignment of its own: this one where it has no other. Whatever lays files on a timeline
    /// starts from it.
    pub fn first_event(&self) -> Cow<'_, Alignment> {
        match self.events.is_empty() {
            true => Cow::Borrowed(self),
            false => self.event(1).map_or(Cow::Borrowed(self), Cow::Owned),
        }
    }

    /// Frame rate of the timeline (fps), as an exact ratio: that of the reference clock's picture, else of the first
    /// placed file's that has picture, else 25. What is not within 1 to 1000 counts for none. Of several events the first
    /// counts.
    pub fn frame_rate(&self) -> [u32; 2] {
        let clock = self.recording(&self.timeline.clock);
        let files = clock.into_iter().flat_map(|r| &r.files).chain(self.files());
        let mut rates =
            files.filter(|f| f.event_number() == Some(1)).filter_map(|f| Some(f.picture.as_ref()?.frame_rate));
        let usual = |&[num, den]: &[u32; 2]| den > 0 && num >= den && u64::from(num) <= 1000 * u64::from(den);
        rates.find(usual).unwrap_or([25, 1])
    }

    /// Where the last placed file ends on the timeline, seconds, by the files' maps; 0 when none is placed. Of several
    /// events the first counts.
    pub fn end_s(&self) -> f64 {
        self.files()
            .filter(|f| f.event_number() == Some(1))
            .filter_map(|f| f.knots.last())
            .map(|k| k[1])
            .fold(0.0, f64::max)
    }

    /// The recording of this id.
    pub fn recording(&self, id: &str) -> Option<&Recording> {
        self.recordings.iter().find(|r| r.id == id)
    }

    /// As JSON text, indented, ending in a line feed.
    ///
    /// # Errors
    /// [`Internal`](ErrorKind::Internal) when a number in it is not finite.
    pub fn to_json(&self) -> Result<String> {
        let mut text = serde_json::to_string_pretty(self)
            .map_err(|e| Error::new(ErrorKind::Internal, "cannot write the alignment as JSON").with_source(e))?;
        text.push('\n');
        Ok(text)
    }

    /// From JSON text. Unknown keys are passed over.
    ///
    /// # Errors
    /// [`Damaged`](ErrorKind::Damaged) when it is not JSON, another schema, or breaks the contract (a placed file
    /// without valid knots, two recordings of one id, a clock that is no recording, a file of an event that is not
    /// there, a frame rate over zero, a time of thirty years, knots beyond the end of their file).
    pub fn from_json(text: &str) -> Result<Self> {
        let bad = |what: String| {
            Error::new(ErrorKind::Damaged, what).with_remedy("write it again with this version of coeval")
        };
        let read: Alignment = serde_json::from_str(text).map_err(|e| bad(format!("not an alignment: {e}")))?;
        if read.schema != SCHEMA {
            return Err(bad(format!("schema is {:?}, not {SCHEMA:?}", read.schema)));
        }
        let mut ids = std::collections::BTreeSet::new();
        if let Some(twice) = read.recordings.iter().find(|r| !ids.insert(r.id.as_str())) {
            return Err(bad(format!("two recordings are called {:?}", twice.id)));
        }
        if !ids.contains(read.timeline.clock.as_str()) {
            return Err(bad(format!("the reference clock {:?} is not a recording", read.timeline.clock)));
        }
        let counted = read.events.iter().enumerate().all(|(i, e)| e.event == i + 1);
        if read.events.len() == 1 || !counted {
            return Err(bad("its events are not numbered from 1 to two or more".to_owned()));
        }
        if let Some(event) = read.events.iter().find(|e| !ids.contains(e.clock.as_str())) {
            return Err(bad(format!("the clock {:?} of event {} is not a recording", event.clock, event.event)));
        }
        for photo in &read.photos {
            if photo.event.is_some_and(|e| !(1..=read.events.len()).contains(&e)) {
                return Err(bad(format!("{}: there is no such event", photo.path)));
            }
            if photo.timeline_s.is_some() == photo.reason.is_some() {
                return Err(bad(format!("{}: a photo has a place or a reason why not", photo.path)));
            }
            if photo.timeline_s.into_iter().chain(photo.uncertainty_s).any(|t| t.abs() > FURTHEST_S) {
                return Err(bad(format!("{}: a time in it is further from zero than {FURTHEST_S} s", photo.path)));
            }
        }
        for file in read.files() {
            if file.event.is_some_and(|e| !(1..=read.events.len()).contains(&e)) {
                return Err(bad(format!("{}: there is no such event", file.path)));
            }
            if file.is_placed() != file.map().is_some() {
                return Err(bad(format!("{}: its knots do not fit its status", file.path)));
            }
            if file.picture.as_ref().is_some_and(|p| p.frame_rate[1] == 0) {
                return Err(bad(format!("{}: its frame rate divides by zero", file.path)));
            }
            let picture_s = file.picture.iter().flat_map(|p| [p.start_s, p.duration_s]);
            let mut times_s = file.knots.iter().flatten().copied().chain(picture_s).chain(file.duration_s);
            if times_s.any(|t| t.abs() > FURTHEST_S) {
                return Err(bad(format!("{}: a time in it is further from zero than {FURTHEST_S} s", file.path)));
            }
            let ends_s = file.knots.last().map_or(0.0, |k| k[0]);
            if file.duration_s.is_some_and(|length_s| ends_s > length_s + BEYOND_S) {
                return Err(bad(format!("{}: its knots reach beyond its end", file.path)));
            }
        }
        Ok(read)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The contract's own example.
    const EXAMPLE: &str = r#"{"schema": "coeval.alignment/1",
 "generator": {"name": "coeval", "version": "0.1.0"},
 "timeline": {"clock": "cam-a", "duration_s": 3612.4},
 "recordings": [
  {"id": "cam-a", "kind": "camera", "files": [
    {"path": "CAM_A_001.MP4", "status": "placed", "reason": null,
     "duration_s": 530.4, "confidence": 0.9999, "uncertainty_s": 0.0004,
     "offset_s": 28.1234, "drift_ppm": -31.8, "later_key": 1,
     "knots": [[0.0, 28.1234], [530.4, 558.5065]],
     "jumps": [{"file_s": 301.0, "lost_s": 0.120}]}]}],
 "pairs": [{"a": "cam-a", "b": "rec-1", "overlap_s": 3480.0, "confidence": 1.0, "residual_rms_s": 0.0002, "evidence": 311}]}"#;

    #[test]
    fn reads_the_contract_and_writes_it_back() {
        let read = Alignment::from_json(EXAMPLE).unwrap();
        let again = Alignment::from_json(&read.to_json().unwrap()).unwrap();
        assert_eq!(read, again);
        let map = read.map("CAM_A_001.MP4").unwrap();
        assert_eq!(map.forward(0.0), 28.1234);
        assert!(read.map("gone.mp4").is_none());
    }

    /// A shoot of two events: two files in each, one recording that the user named over both, and one unplaced file.
    fn two_events() -> Alignment {
        let file = |path: &str, event: &str| {
            format!(
                r#"{{"path": "{path}", "status": "placed", "reason": null, "duration_s": 10.0, "confidence": 0.9,
                "uncertainty_s": 0.001, "offset_s": 0.0, "drift_ppm": 0.0, "knots": [[0, 0], [10, 10]], "jumps": []{event}}}"#
            )
        };
        let second = r#", "event": 2"#;
        let text = format!(
            r#"{{"schema": "coeval.alignment/1", "generator": {{"name": "coeval", "version": "0.1.0"}},
            "timeline": {{"clock": "bow", "duration_s": 10.0}}, "recordings": [
            {{"id": "bow", "kind": "recorder", "files": [{}, {}]}},
            {{"id": "cam-a", "kind": "camera", "files": [{}]}},
            {{"id": "cam-b", "kind": "camera", "event": 2, "files": [{}]}},
            {{"id": "cam-c", "kind": "camera", "files": [{{"path": "c", "status": "unplaced", "reason": "no common sound",
              "duration_s": 3.0, "confidence": null, "uncertainty_s": null, "offset_s": null, "drift_ppm": null,
              "knots": [], "jumps": []}}]}}],
            "pairs": [{}, {}, {}],
            "events": [{{"event": 1, "clock": "bow", "duration_s": 10.0, "recordings": ["bow", "cam-a"]}},
                       {{"event": 2, "clock": "cam-b", "duration_s": 10.0, "recordings": ["bow", "cam-b"]}}]}}"#,
            file("bow1", ""),
            file("bow2", second),
            file("a", ""),
            file("b", second),
            pair("bow", "cam-a"),
            pair("bow", "cam-b"),
            pair("cam-a", "cam-b"),
        );
        Alignment::from_json(&text).unwrap()
    }

    fn pair(a: &str, b: &str) -> String {
        format!(
            r#"{{"a": "{a}", "b": "{b}", "overlap_s": 9.0, "confidence": 1.0, "residual_rms_s": 0.0, "evidence": 9}}"#
        )
    }

    #[test]
    fn an_event_is_an_alignment_by_itself() {
        let all = two_events();
        assert_eq!(Alignment::from_json(&all.to_json().unwrap()).unwrap(), all);
        let names = |x: &Alignment| x.files().map(|f| f.path.clone()).collect::<Vec<_>>();
        let pairs = |x: &Alignment| x.pairs.iter().map(|p| format!("{} {}", p.a, p.b)).collect::<Vec<_>>();
        let (first, second) = (all.event(1).unwrap(), all.event(2).unwrap());
        assert_eq!(names(&first), ["bow1", "a", "c"]);
        assert_eq!(names(&second), ["bow2", "b"]);
        assert_eq!(pairs(&first), ["bow cam-a"]);
        assert_eq!(pairs(&second), ["bow cam-b"]);
        assert_eq!((first.timeline.clock.as_str(), second.timeline.clock.as_str()), ("bow", "cam-b"));
        for one in [&first, &second] {
            assert!(one.events.is_empty() && one.files().all(|f| f.event.is_none()));
            assert_eq!(Alignment::from_json(&one.to_json().unwrap()).unwrap(), *one);
            assert_eq!(one.event(1).as_ref(), Some(one));
            assert_eq!(one.event(2), None);
        }
        assert_eq!(*all.first_event(), first);
        assert_eq!((all.event(0), all.event(3)), (None, None));
    }

    #[test]
    fn events_that_are_not_there_are_refused() {
        let broken = |change: &dyn Fn(&mut Alignment)| {
            let mut changed = two_events();
            change(&mut changed);
            Alignment::from_json(&changed.to_json().unwrap()).map_err(|e| e.kind())
        };
        assert!(broken(&|_| {}).is_ok());
        assert_eq!(broken(&|a| a.events.truncate(1)), Err(ErrorKind::Damaged));
        assert_eq!(broken(&|a| a.events[1].event = 3), Err(ErrorKind::Damaged));
        assert_eq!(broken(&|a| a.events[1].clock = "cam-z".into()), Err(ErrorKind::Damaged));
        assert_eq!(broken(&|a| a.recordings[1].files[0].event = Some(3)), Err(ErrorKind::Damaged));
        assert_eq!(broken(&|a| a.recordings[1].files[0].event = Some(0)), Err(ErrorKind::Damaged));
    }

    #[test]
    fn numbers_come_back_to_their_last_bit() {
        let mut alignment = Alignment::from_json(EXAMPLE).unwrap();
        for i in 0..2000 {
            alignment.timeline.duration_s = 100.0 * (f64::from(i) + 0.5).sqrt();
            let again = Alignment::from_json(&alignment.to_json().unwrap()).unwrap();
            assert_eq!(again.timeline.duration_s.to_bits(), alignment.timeline.duration_s.to_bits());
        }
    }

    #[test]
    fn refuses_what_breaks_the_contract() {
        for (from, to) in [
            ("coeval.alignment/1", "coeval.alignment/2"),
            ("\"clock\": \"cam-a\"", "\"clock\": \"cam-z\""),
            ("[[0.0, 28.1234], [530.4, 558.5065]]", "[]"),
            ("[[0.0, 28.1234], [530.4, 558.5065]]", "[[5.0, 28.1234], [0.0, 558.5065]]"),
            ("\"status\": \"placed\"", "\"status\": \"unplaced\""),
            ("\"status\": \"placed\"", "\"status\": \"perhaps\""),
            ("{\"schema\"", "[{\"schema\""),
            (
                "\"later_key\": 1",
                r#""picture": {"frame_rate": [25, 0], "variable_rate": false, "size": [0, 0], "start_s": 0, "duration_s": 9}"#,
            ),
        ] {
            assert_eq!(
                Alignment::from_json(&EXAMPLE.replace(from, to)).unwrap_err().kind(),
                ErrorKind::Damaged,
                "{to}"
            );
        }
    }
}
