//! From when someone speaks to a rough cut: dead air, cuts, angles, levels.
//!
//! [`plan`] is arithmetic on plain structs and opens no file. It cuts the timeline into [`Entry`]s without gap or
//! overlap. Each is shown, sped up or dropped, and has its reason. A person can change them without losing anything.
//! All recordings are cut by the same entries, so that no cut can put them out of step.
//!
//! Times of the timeline are counted in its frames: a cut lies on a frame. Cuts keep [`TightenOptions::handle_s`]
//! from every voice, breaths included; half of [`TightenOptions::pause_s`] is left on either side of one.

use coeval::options::OptionTable as _;
use coeval::{Error, ErrorKind, Result};
use coeval_listen::activity::ActivityCurve;
use coeval_listen::moment::{FoundMoment, find_motion};
use coeval_listen::speech::Origin;
use coeval_shoot::{Alignment, Kind, clock_time_ms};
use serde::{Deserialize, Serialize};

/// A stretch in which somebody speaks, on the timeline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Voice {
    /// Where it begins, seconds.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
    /// Where the voice comes from: local, the radio, or unknown. Files say `intercom` for local.
    #[serde(with = "origin_text")]
    pub origin: Origin,
    /// Probability that it comes over the radio, 0 to 1: the origin is unknown from 0.1 to 0.9. `None` where it was not
    /// asked: a camera heard it by itself, or an earlier version made the file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub radio: Option<f64>,
    /// Mean probability of speech, 0 to 1.
    pub confidence: f64,
    /// How surely each camera hears it, in standard deviations: the camera's id and the value. Cameras that did not run
    /// are left out.
    pub heard_by: Vec<(String, f64)>,
}

/// An [`Origin`] as the word that files have for it.
mod origin_text {
    use coeval_listen::speech::Origin;
    use serde::de::{Deserialize, Deserializer, Error};
    use serde::ser::Serializer;

    pub(super) fn serialize<S: Serializer>(origin: &Origin, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(origin.as_str())
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Origin, D::Error> {
        let word = String::deserialize(deserializer)?;
        let known = Origin::ALL.into_iter().find(|o| o.as_str() == word);
        known.ok_or_else(|| D::Error::custom(format!("{word:?} is not an origin of a voice")))
    }
}

impl Voice {
    fn is_radio(&self) -> bool {
        self.origin == Origin::Radio
    }

    /// The camera that hears it best.
    fn best_camera(&self) -> Option<&str> {
        let best = self.heard_by.iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))?;
        (!self.is_radio()).then_some(best.0.as_str())
    }
}

/// A stretch to keep although nobody speaks in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Moment {
    /// Where it begins, seconds.
    pub start_s: f64,
    /// Where it ends, seconds; the same for a moment.
    pub end_s: f64,
    /// What it is, in words: `clap in cam-a and rec-1`, `loud (+14 dB, cam-a)`, `moving picture`.
    pub what: String,
}

/// A camera, and where it has picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Angle {
    /// Id of its recording.
    pub camera: String,
    /// First timeline frame and the one after the last, in order.
    pub frames: Vec<(i64, i64)>,
}

/// The facts that a plan is made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Frame rate of the timeline (fps), as a ratio.
    pub frame_rate: [u32; 2],
    /// Length of the timeline, frames.
    pub frames: i64,
    /// When someone speaks, in time order.
    pub voices: Vec<Voice>,
    /// The user's moments, which are kept at any target length.
    pub events: Vec<Moment>,
    /// Moments that were found. They compete with speech for the target length.
    pub found: Vec<Moment>,
    /// What may be speech: it is kept while there is room, and dropped before anything else.
    #[serde(default)]
    pub doubts: Vec<Moment>,
    /// The cameras, the reference recording first.
    pub angles: Vec<Angle>,
}

/// Where the picture of a file moves more than it usually does, on the timeline: for [`Facts::found`].
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when no placed file is called `file`.
pub fn moving(alignment: &Alignment, file: &str, curve: &ActivityCurve) -> Result<Vec<Moment>> {
    let map = alignment.first_event().map(file);
    let map = map.ok_or_else(|| Error::invalid(format!("no placed file is called {file:?}")))?;
    let event = |e: &FoundMoment| {
        let (start_s, end_s) = (map.forward(e.start_s), map.forward(e.end_s));
        Moment { start_s, end_s, what: format!("{} ({file})", e.kind.as_str()) }
    };
    Ok(find_motion(curve).iter().map(event).collect())
}

coeval::options! {
    /// How a shoot is tightened. The defaults are common practice, no source.
    #[derive(Debug, Clone, PartialEq)]
    #[non_exhaustive]
    pub struct TightenOptions {
        /// Pause left between two sentences where time is removed, seconds, 0.2 to 30.
        pub pause_s: f64 = 0.8, 0.2..=30.0;
        /// Minimum time between a cut and speech, seconds, 0.08 to 5.
        pub handle_s: f64 = 0.2, 0.08..=5.0;
        /// Minimum length of dead air (a part without speech, clap or other loud moment), seconds, 0.2 to 600.
        pub dead_s: f64 = 2.0, 0.2..=600.0;
        /// Target length of the rough cut, seconds. `None`: all speech is kept.
        pub target_s: Option<f64> = None, 1.0..=1e6;
        /// Dead air of at least this length is sped up instead of dropped, seconds. By default it is dropped.
        pub pass_from_s: Option<f64> = None, 0.2..=1e6;
        /// How many times faster dead air is sped up, 2 to 100.
        pub pass_speed: u32 = 8, 2.0..=100.0;
        /// Keep radio calls.
        pub keep_radio: bool = true, 0.0..=1.0;
        /// Minimum length of a shot, seconds, 0 to 60. A shot may be shorter where the camera or the kept stretch ends.
        pub min_shot_s: f64 = 2.5, 0.0..=60.0;
        /// Length of the dissolve that hides a jump cut within one camera, seconds, 0 to 5.
        pub dissolve_s: f64 = 0.5, 0.0..=5.0;
    } and {
        /// Stretches that are always kept, `(from, to)` in seconds.
        pub protect_s: Vec<(f64, f64)> = Vec::new();
        /// Which camera is shown while someone speaks in a stretch, `(from, to, camera)` in seconds. This takes precedence
        /// over what the cameras hear. Where that camera does not run, another is shown.
        pub see: Vec<(f64, f64, String)> = Vec::new();
    }
}

impl TightenOptions {
    /// Refuses a camera to be seen that the alignment does not have: [`plan`] would pass over it.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument), naming it.
    pub fn check_cameras(&self, alignment: &Alignment) -> Result<()> {
        let first = alignment.first_event();
        let known = |camera: &str| first.recording(camera).is_some_and(|r| r.kind == Kind::Camera);
        match self.see.iter().find(|s| !known(&s.2)) {
            Some((.., camera)) => Err(Error::invalid(format!("there is no camera called {camera:?}"))),
            None => Ok(()),
        }
    }

    fn check(&self) -> Result<()> {
        self.check_ranges()?;
        let spans = self.protect_s.iter().copied().chain(self.see.iter().map(|s| (s.0, s.1)));
        match spans.into_iter().find(|p| !(p.0.is_finite() && p.1.is_finite() && p.0 <= p.1)) {
            Some(p) => Err(Error::invalid(format!("a stretch from {} to {} s has no length", p.0, p.1))),
            None => Ok(()),
        }
    }
}

/// What becomes of an entry: shown, sped up or dropped.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum EditAction {
    /// It is shown.
    Show,
    /// It is sped up by this factor, without its sound.
    Pass(u32),
    /// It is removed.
    Drop,
}

/// A stretch of the timeline, and what becomes of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// First timeline frame.
    pub from: i64,
    /// The frame after the last.
    pub to: i64,
    /// What becomes of it. Files say `fate`.
    #[serde(rename = "fate")]
    pub action: EditAction,
    /// Which camera is shown; `None` if no camera ran, or nothing is shown.
    pub camera: Option<String>,
    /// Frames of the dissolve from the entry shown before into this one; 0: a cut.
    pub dissolve: i64,
    /// Why, in words.
    pub reason: String,
}

impl Entry {
    /// A stretch from frame `from` to before frame `to`, cut to without a dissolve, with no reason given.
    pub fn new(from: i64, to: i64, action: EditAction, camera: Option<String>) -> Self {
        Self { from, to, action, camera, dissolve: 0, reason: String::new() }
    }

    /// Frames that it takes in the result.
    pub fn shown_frames(&self) -> i64 {
        match self.action {
            EditAction::Show => self.to - self.from,
            EditAction::Pass(speed) => (self.to - self.from + i64::from(speed) - 1) / i64::from(speed.max(1)),
            EditAction::Drop => 0,
        }
    }
}

/// A plan of a rough cut.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Frame rate (fps), as a ratio.
    pub frame_rate: [u32; 2],
    /// From the first frame to the last, without gap or overlap.
    pub entries: Vec<Entry>,
    /// Notes for people, for example that the target length could not be met.
    pub notes: Vec<String>,
    /// Seconds of the result that are kept only because somebody may speak there; `None` in a plan made by hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub doubt_s: Option<f64>,
}

/// The value of `schema` in a plan's JSON text.
pub const PLAN_SCHEMA: &str = "coeval.plan/1";

impl Plan {
    /// As JSON text, with the keys `schema` and `plan`.
    ///
    /// # Errors
    /// [`Internal`](ErrorKind::Internal) when it cannot be written.
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string(&serde_json::json!({"schema": PLAN_SCHEMA, "plan": self}))
            .map_err(|e| Error::new(ErrorKind::Internal, "cannot write the plan as JSON").with_source(e))
    }

    /// From what [`to_json`](Self::to_json) or the command (`plan.json`) wrote.
    ///
    /// # Errors
    /// [`Damaged`](ErrorKind::Damaged) when it is not a plan of this version, or its entries leave gaps or overlap.
    pub fn from_json(text: &str) -> Result<Self> {
        let bad = |what: &str| Error::new(ErrorKind::Damaged, format!("the text is not a plan: {what}"));
        let mut value: serde_json::Value =
            serde_json::from_str(text).map_err(|e| bad("it is not JSON").with_source(e))?;
        if value["schema"] != PLAN_SCHEMA {
            return Err(bad(&format!("its schema is {}, not \"{PLAN_SCHEMA}\"", value["schema"])));
        }
        let plan: Self =
            serde_json::from_value(value["plan"].take()).map_err(|e| bad(&e.to_string()).with_source(e))?;
        if plan.frame_rate.contains(&0) {
            return Err(bad("its frame rate is 0"));
        }
        if plan.entries.iter().any(|e| e.to <= e.from || e.dissolve < 0 || e.action == EditAction::Pass(0)) {
            return Err(bad("an entry has no length or no speed"));
        }
        if plan.entries.windows(2).any(|w| w[0].to != w[1].from) {
            return Err(bad("its entries have gaps or overlap"));
        }
        Ok(plan)
    }

    /// Frames of the result.
    pub fn shown_frames(&self) -> i64 {
        self.entries.iter().map(Entry::shown_frames).sum()
    }

    /// Length of the result, seconds.
    pub fn shown_s(&self) -> f64 {
        self.shown_frames() as f64 * self.frame_s()
    }

    /// Length of a frame, seconds.
    pub fn frame_s(&self) -> f64 {
        f64::from(self.frame_rate[1]) / f64::from(self.frame_rate[0])
    }

    /// The moment at which a frame of the full timeline begins, as `H:MM:SS.mmm`.
    pub fn clock(&self, frame: i64) -> String {
        clock_time_ms((frame as f64 * self.frame_s() * 1000.0).round() as u64)
    }

    /// Stretches that are kept, joined if they touch: first frame, the one after the last, and how many times faster.
    pub fn kept(&self) -> Vec<(i64, i64, u32)> {
        let mut kept: Vec<(i64, i64, u32)> = Vec::new();
        for entry in &self.entries {
            let speed = match entry.action {
                EditAction::Show => 1,
                EditAction::Pass(speed) => speed,
                EditAction::Drop => continue,
            };
            match kept.last_mut() {
                Some(last) if last.1 == entry.from && last.2 == speed && speed == 1 => last.1 = entry.to,
                _ => kept.push((entry.from, entry.to, speed)),
            }
        }
        kept
    }

    /// Checks that the entries lie end to end, each with a length and a speed.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument), naming the entry by its number from 1.
    pub fn check(&self) -> Result<()> {
        if self.frame_rate.contains(&0) {
            return Err(Error::invalid(format!("{}/{} is not a frame rate", self.frame_rate[0], self.frame_rate[1])));
        }
        let mut at = self.entries.first().map_or(0, |e| e.from);
        for (i, entry) in self.entries.iter().enumerate() {
            let bad = |what: &str| Err(Error::invalid(format!("entry {}: {what}", i + 1)));
            if entry.from != at {
                return bad("it does not start where the previous entry ends");
            }
            if entry.to <= entry.from {
                return bad("it has no length");
            }
            if matches!(entry.action, EditAction::Pass(0 | 1 | 101..)) {
                return bad("its speed is not within 2 to 100");
            }
            if entry.dissolve < 0 || entry.dissolve > entry.shown_frames() {
                return bad("its dissolve is longer than the entry");
            }
            at = entry.to;
        }
        Ok(())
    }
}

/// What is kept on either side of an event, seconds.
const EVENT_S: f64 = 1.0;

/// What may be speech is worth less than any voice.
const DOUBT_SCORE: f64 = 0.0;

/// A stretch that stays, before it is put on frames.
#[derive(Debug, Clone)]
struct Item {
    start_s: f64,
    end_s: f64,
    /// Infinite: stays, or goes, whatever the length.
    score: f64,
    /// Is it only what may be speech?
    doubt: bool,
    reason: String,
}

/// Plans the cut. The same facts and options give the same plan.
///
/// With a target length voices are dropped from the lowest score up until what is left fits; pauses are then drawn
/// out alike until the length is met to the frame. A voice's score is its confidence, less for the radio, more
/// where much is said around it and where something happens meanwhile; what was [found](Facts::found) to happen is
/// worth as much as a voice that is beyond doubt. Where the material or what is protected makes the length
/// impossible, [`Plan::notes`] says so.
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for options out of their ranges, a frame rate that is none, or voices and
/// events that are not finite or end before they begin.
pub fn plan(facts: &Facts, options: &TightenOptions) -> Result<Plan> {
    options.check()?;
    let [num, den] = facts.frame_rate;
    if num == 0 || den == 0 || facts.frames < 0 {
        return Err(Error::invalid(format!(
            "{num}/{den} is not a frame rate, or {} frames is not a length",
            facts.frames
        )));
    }
    let events = facts.events.iter().chain(&facts.found).chain(&facts.doubts).map(|e| (e.start_s, e.end_s));
    let spans = facts.voices.iter().map(|v| (v.start_s, v.end_s)).chain(events);
    for (from, to) in spans {
        if !(from.is_finite() && to.is_finite() && from <= to) {
            return Err(Error::invalid(format!("a stretch from {from} to {to} s has no length")));
        }
    }
    let work = Work { facts, options, frame_s: f64::from(den) / f64::from(num), items: items(facts, options) };
    let Choice { stays, pause_s, note } = work.choice();
    let mut notes: Vec<String> = note.into_iter().collect();
    let kept = work.keep(&work.items, &stays, pause_s);
    if kept.first().is_some_and(|k| k.from < first_picture(facts)) {
        notes.push("The cut starts before any camera ran, because something there must be kept.".to_owned());
    }
    let doubt_s = work.doubt_frames(&kept, &stays, pause_s) as f64 * work.frame_s;
    if doubt_s > 0.0 {
        notes.push(format!("{doubt_s:.1} s are kept only because somebody may speak there."));
    }
    let entries = work.entries(&kept, &stays);
    let mut plan = Plan { frame_rate: facts.frame_rate, entries, notes, doubt_s: Some(doubt_s) };
    angles(&mut plan, facts, options);
    plan.check()?;
    Ok(plan)
}

/// What a plan is made from.
struct Work<'a> {
    facts: &'a Facts,
    options: &'a TightenOptions,
    frame_s: f64,
    items: Vec<Item>,
}

/// Which items stay, the pause left between them, and what a person is told of it.
struct Choice {
    stays: Vec<bool>,
    pause_s: f64,
    note: Option<String>,
}

/// The first frame that any camera has; 0 without cameras. A cut that began before it would begin in black.
fn first_picture(facts: &Facts) -> i64 {
    let starts = facts.angles.iter().flat_map(|a| a.frames.iter().map(|f| f.0));
    starts.min().unwrap_or(0).clamp(0, facts.frames)
}

/// Where what can be sped up begins: with the first picture, or with what must stay before it.
fn head(kept: &[Kept], facts: &Facts) -> i64 {
    kept.first().map_or(i64::MAX, |k| k.from).min(first_picture(facts))
}

/// Stretches between what is kept, from the [`head`] on.
fn gaps(kept: &[Kept], facts: &Facts) -> impl Iterator<Item = (i64, i64)> {
    let starts = std::iter::once(head(kept, facts)).chain(kept.iter().map(|k| k.to));
    let ends = kept.iter().map(|k| k.from).chain(std::iter::once(facts.frames));
    starts.zip(ends).filter(|g| g.0 < g.1)
}

fn items(facts: &Facts, options: &TightenOptions) -> Vec<Item> {
    let mut items = Vec::new();
    for voice in &facts.voices {
        // How much is said within a quarter of a minute.
        let (from, to) = (voice.start_s - 15.0, voice.end_s + 15.0);
        let said: f64 = facts.voices.iter().map(|v| (v.end_s.min(to) - v.start_s.max(from)).max(0.0)).sum();
        let mut events = facts.events.iter().chain(&facts.found);
        let happens = events.any(|e| e.start_s < voice.end_s + 2.0 && e.end_s > voice.start_s - 2.0);
        let source = if voice.is_radio() { 0.6 } else { 1.0 };
        let score = voice.confidence.clamp(0.0, 1.0) * source * (0.5 + 0.5 * said / (to - from))
            + if happens { 1.0 } else { 0.0 };
        let score = if voice.is_radio() && !options.keep_radio { f64::NEG_INFINITY } else { score };
        items.push(Item {
            start_s: voice.start_s,
            end_s: voice.end_s,
            score,
            doubt: false,
            reason: match voice.origin {
                Origin::Radio => "speech (radio)".to_owned(),
                Origin::Unknown => "speech (origin unknown)".to_owned(),
                _ => "speech (local)".to_owned(),
            },
        });
    }
    for (events, score) in [(&facts.events, f64::INFINITY), (&facts.found, 1.0)] {
        items.extend(events.iter().map(|e| {
            let (start_s, end_s) = (e.start_s - EVENT_S, e.end_s + EVENT_S);
            Item { start_s, end_s, score, doubt: false, reason: e.what.clone() }
        }));
    }
    items.extend(facts.doubts.iter().map(|d| Item {
        start_s: d.start_s,
        end_s: d.end_s,
        score: DOUBT_SCORE,
        doubt: true,
        reason: d.what.clone(),
    }));
    items.extend(options.protect_s.iter().map(|p| {
        let reason = "protected".to_owned();
        Item { start_s: p.0, end_s: p.1, score: f64::INFINITY, doubt: false, reason }
    }));
    items.sort_by(|a, b| a.start_s.total_cmp(&b.start_s).then(a.end_s.total_cmp(&b.end_s)));
    items
}

/// A stretch that stays, on frames.
#[derive(Debug, Clone, Copy)]
struct Kept {
    from: i64,
    to: i64,
}

impl Work<'_> {
    /// All that is worth keeping, or what of it meets the target length.
    fn choice(&self) -> Choice {
        let mut pause_s = self.options.pause_s;
        let all: Vec<bool> = self.items.iter().map(|i| i.score > f64::NEG_INFINITY).collect();
        let Some(target_s) = self.options.target_s else { return Choice { stays: all, pause_s, note: None } };
        let target = (target_s / self.frame_s).round() as i64;
        let minutes = |frames: i64| format!("{:.1} min", frames as f64 * self.frame_s / 60.0);
        let everything = self.length(&all, pause_s);
        let least: Vec<bool> = self.items.iter().map(|i| i.score == f64::INFINITY).collect();
        let must = self.length(&least, pause_s);
        if everything < target {
            let note = format!(
                "The target was {}, but all that is worth keeping is {}. Allow longer pauses, or protect more.",
                minutes(target),
                minutes(everything)
            );
            return Choice { stays: all, pause_s, note: Some(note) };
        }
        if must > target {
            let note = format!(
                "The target was {}, but what must be kept is already {}. Protect less.",
                minutes(target),
                minutes(must)
            );
            return Choice { stays: least, pause_s, note: Some(note) };
        }
        let stays = self.best_within(target, least);
        // Pauses drawn out alike take up the rest.
        let mut long = self.facts.frames as f64 * self.frame_s + 1.0;
        for _ in 0..50 {
            let middle = 0.5 * (pause_s + long);
            if self.length(&stays, middle) <= target { pause_s = middle } else { long = middle }
        }
        let met = self.length(&stays, pause_s);
        let missed = (target - met) as f64 > 0.02 * target as f64;
        let note = missed
            .then(|| format!("The target was {}; the nearest possible length is {}.", minutes(target), minutes(met)));
        Choice { stays, pause_s, note }
    }

    /// Of what need not stay the best-scored come in first; one that no longer fits stays out, a shorter one after it may
    /// not.
    fn best_within(&self, target: i64, mut stays: Vec<bool>) -> Vec<bool> {
        let score = |i: usize| self.items[i].score;
        let mut order: Vec<usize> = (0..self.items.len()).filter(|&i| score(i).is_finite()).collect();
        order.sort_by(|&a, &b| score(b).total_cmp(&score(a)).then(a.cmp(&b)));
        for i in order {
            stays[i] = true;
            if self.length(&stays, self.options.pause_s) > target {
                stays[i] = false;
            }
        }
        stays
    }

    /// Frames of the result if these items stay.
    fn length(&self, stays: &[bool], pause_s: f64) -> i64 {
        self.shown(&self.keep(&self.items, stays, pause_s))
    }

    /// Frames of the result.
    fn shown(&self, kept: &[Kept]) -> i64 {
        let shown: i64 = kept.iter().map(|k| k.to - k.from).sum();
        let speed = i64::from(self.options.pass_speed);
        let passed = self.options.pass_from_s.map_or(0, |from_s| {
            gaps(kept, self.facts)
                .filter(|g| (g.1 - g.0) as f64 * self.frame_s >= from_s)
                .map(|g| (g.1 - g.0 + speed - 1) / speed)
                .sum()
        });
        shown + passed
    }

    /// Frames of the result that are there only because somebody may speak.
    fn doubt_frames(&self, kept: &[Kept], stays: &[bool], pause_s: f64) -> i64 {
        let sure = self.items.iter().zip(stays).filter(|(item, _)| !item.doubt);
        let (sure, sure_stays): (Vec<Item>, Vec<bool>) = sure.map(|(item, stays)| (item.clone(), *stays)).unzip();
        (self.shown(kept) - self.shown(&self.keep(&sure, &sure_stays, pause_s))).max(0)
    }

    /// What stays, in order, nothing touching.
    ///
    /// Items too close to each other for a cut between them stay or go together; so there is room for a cut, with its
    /// handles, between any two of the clusters that this makes. Items that begin before any camera ran go, unless they must stay.
    fn keep(&self, items: &[Item], stays: &[bool], pause_s: f64) -> Vec<Kept> {
        let Self { facts, options, frame_s, .. } = *self;
        // A frame more, for the rounding.
        let handle_s = options.handle_s + frame_s;
        let room_s = (0.5 * pause_s).max(handle_s);
        let (frames, first) = (facts.frames, first_picture(facts));
        let mut must_s = f64::INFINITY;
        let mut clusters: Vec<(f64, f64, bool)> = Vec::new();
        for (item, stays) in items.iter().zip(stays) {
            match clusters.last_mut() {
                Some(last) if item.start_s - last.1 < 2.0 * handle_s => {
                    last.1 = last.1.max(item.end_s);
                    last.2 |= *stays;
                }
                _ => clusters.push((item.start_s, item.end_s, *stays)),
            }
            if item.score == f64::INFINITY {
                must_s = must_s.min(clusters[clusters.len() - 1].0);
            }
        }
        let before_pictures = |start_s: f64| start_s < first as f64 * frame_s + handle_s && first > 0;
        for c in clusters.iter_mut().filter(|c| c.0 < must_s && before_pictures(c.0)) {
            // What of it begins with a picture stays, where the film can begin there without cutting into a voice.
            let spoken_s = |start_s: f64| {
                let before = facts.voices.iter().filter(|v| v.start_s < start_s);
                before.map(|v| v.end_s).fold(0.0, f64::max)
            };
            let seen = |i: &&Item| {
                let begins_s = spoken_s(i.start_s) + room_s + handle_s;
                i.start_s >= c.0.max(begins_s) && i.start_s <= c.1 && !before_pictures(i.start_s)
            };
            match items.iter().zip(stays).filter(|i| *i.1).map(|i| i.0).find(seen) {
                Some(item) => c.0 = item.start_s,
                None => c.2 = false,
            }
        }
        let first = if before_pictures(must_s) { 0 } else { first };
        let mut kept: Vec<(f64, f64)> = Vec::new();
        for (i, &(start_s, end_s, _)) in clusters.iter().enumerate().filter(|c| c.1.2) {
            let before = i.checked_sub(1).map(|b| clusters[b]);
            if let (Some(last), Some((_, before_s, true))) = (kept.last_mut(), before)
                && start_s - before_s < options.dead_s.max(2.0 * room_s)
            {
                // What lies between is not long enough to be dead air.
                last.1 = end_s + room_s;
            } else {
                let free_s = before.map_or(f64::NEG_INFINITY, |b| b.1 + handle_s);
                kept.push(((start_s - room_s).max(free_s), end_s + room_s));
            }
            if let (Some(last), Some(after)) = (kept.last_mut(), clusters.get(i + 1)) {
                last.1 = last.1.min(after.0 - handle_s);
            }
        }
        let mut out: Vec<Kept> = Vec::new();
        for (from, to) in kept {
            // Outwards, so that rounding never comes nearer to what stays.
            let from = ((from / frame_s).floor().max(0.0) as i64).max(first).min(frames);
            let to = ((to / frame_s).ceil().max(0.0) as i64).min(frames);
            match out.last_mut() {
                Some(last) if from <= last.to => last.to = last.to.max(to),
                _ if from < to => out.push(Kept { from, to }),
                _ => {}
            }
        }
        out
    }

    fn entries(&self, kept: &[Kept], stays: &[bool]) -> Vec<Entry> {
        let Self { facts, options, frame_s, .. } = *self;
        let mut entries: Vec<Entry> = kept
            .iter()
            .map(|k| {
                let within = |i: &Item| i.start_s < k.to as f64 * frame_s && i.end_s >= k.from as f64 * frame_s;
                let mut why: Vec<&str> = Vec::new();
                for (item, _) in self.items.iter().zip(stays).filter(|(i, s)| **s && within(i)) {
                    if !why.contains(&item.reason.as_str()) {
                        why.push(&item.reason);
                    }
                }
                Entry { reason: why.join(", "), ..Entry::new(k.from, k.to, EditAction::Show, None) }
            })
            .collect();
        let head = head(kept, facts);
        if head > 0 {
            let reason = format!("no camera ran yet, {:.1} s, removed", head as f64 * frame_s);
            entries.push(Entry { reason, ..Entry::new(0, head, EditAction::Drop, None) });
        }
        entries.extend(gaps(kept, facts).map(|(from, to)| {
            let length_s = (to - from) as f64 * frame_s;
            let said = facts.voices.iter().any(|v| v.start_s < to as f64 * frame_s && v.end_s > from as f64 * frame_s);
            let what = if said { "less important speech" } else { "dead air" };
            let (action, done) = match options.pass_from_s {
                Some(from_s) if length_s >= from_s => (EditAction::Pass(options.pass_speed), "sped up"),
                _ => (EditAction::Drop, "removed"),
            };
            let reason = format!("{what}, {length_s:.1} s, {done}");
            Entry { reason, ..Entry::new(from, to, action, None) }
        }));
        entries.sort_by_key(|e| e.from);
        entries
    }
}

/// Which camera is shown when.
struct Cameras<'a> {
    facts: &'a Facts,
    options: &'a TightenOptions,
    frame_s: f64,
    /// Frames of the shortest shot.
    least: i64,
}

impl<'a> Cameras<'a> {
    /// Frames at which the angle may change, in order.
    fn moments(&self) -> Vec<i64> {
        let mut moments: Vec<i64> = Vec::new();
        self.facts.angles.iter().flat_map(|a| &a.frames).for_each(|&(from, to)| moments.extend([from, to]));
        // A change of angle lies in the pause before the voice.
        let before = |v: &Voice| ((v.start_s - self.options.handle_s) / self.frame_s).floor() as i64;
        moments.extend(self.facts.voices.iter().map(before));
        moments.sort_unstable();
        moments.dedup();
        moments
    }

    /// The cameras that run all the while.
    fn running(&self, from: i64, to: i64) -> Vec<&'a str> {
        let angles = &self.facts.angles;
        let runs = |camera: &str| {
            angles.iter().any(|a| a.camera == camera && a.frames.iter().any(|f| f.0 <= from && f.1 >= to))
        };
        angles.iter().map(|a| a.camera.as_str()).filter(|c| runs(c)).collect()
    }

    /// Who speaks meanwhile, else who is next before the frame `end`: what leads up to a voice and is too short for a
    /// shot belongs to it.
    fn voice(&self, (from, to): (i64, i64), end: i64) -> Option<&'a Voice> {
        let frame = |s: f64| s / self.frame_s;
        let middle = |v: &&Voice| frame(v.start_s) < to as f64 && frame(v.end_s) > from as f64;
        let next = |v: &&Voice| {
            let begins = frame(v.start_s) as i64;
            begins >= to && begins < end && begins - from < self.least
        };
        let voices = &self.facts.voices;
        voices.iter().find(middle).or_else(|| voices.iter().find(next))
    }

    /// The camera for a stretch, and why. `on`: the one before, and for how many frames it has been on.
    fn choose(
        &self,
        (from, to): (i64, i64),
        voice: Option<&Voice>,
        on: Option<&(String, i64)>,
        after_cut: bool,
    ) -> (Option<String>, &'static str) {
        let free = self.running(from, to);
        let asked = voice.and_then(|v| self.options.see.iter().find(|s| s.0 < v.end_s && s.1 > v.start_s));
        let asked = asked.map(|s| s.2.as_str()).filter(|c| free.contains(c));
        let speaker = asked.or_else(|| voice.and_then(Voice::best_camera).filter(|c| free.contains(c)));
        let stays = on.filter(|o| free.contains(&o.0.as_str()));
        let (camera, why) = match (stays, speaker) {
            (_, _) if free.is_empty() => (None, "no camera ran"),
            (Some((now, age)), _) if *age < self.least => (Some(now.as_str()), "the shot would be too short"),
            (Some((now, _)), _) if after_cut && free.len() > 1 => {
                let other = speaker.filter(|s| s != now).or_else(|| free.iter().copied().find(|c| c != now));
                (other, "hides a jump cut")
            }
            (_, Some(speaker)) if asked.is_some() => (Some(speaker), "chosen by the user for this speech"),
            (_, Some(speaker)) => (Some(speaker), "this camera hears the speaker best"),
            (Some((now, _)), None) => (Some(now.as_str()), "no reason to change the camera"),
            (None, None) => (free.first().copied(), "first camera that runs"),
        };
        (camera.map(str::to_owned), why)
    }
}

/// Gives every shown stretch its camera, splitting entries where the angle changes.
///
/// While somebody speaks it is the camera that [`TightenOptions::see`] names, or that hears them best. A cut in time
/// on one camera is hidden by another that runs, or by a dissolve. No shot is left before `min_shot_s`, unless its camera ends.
pub fn angles(plan: &mut Plan, facts: &Facts, options: &TightenOptions) {
    let frame_s = plan.frame_s();
    let dissolve = (options.dissolve_s / frame_s).round() as i64;
    let cameras = Cameras { facts, options, frame_s, least: (options.min_shot_s / frame_s).ceil() as i64 };
    let moments = cameras.moments();
    let mut out: Vec<Entry> = Vec::new();
    // The camera that is on, and for how many frames of the result.
    let mut on: Option<(String, i64)> = None;
    let mut jumped = false;
    for entry in std::mem::take(&mut plan.entries) {
        if entry.action == EditAction::Drop {
            jumped = !out.is_empty();
            out.push(entry);
            continue;
        }
        // What is sped up has one angle: its frames cannot be counted in parts.
        let shown = entry.action == EditAction::Show;
        let inner = moments.iter().copied().filter(|m| shown && *m > entry.from && *m < entry.to);
        let bounds: Vec<i64> = std::iter::once(entry.from).chain(inner).chain([entry.to]).collect();
        for (i, w) in bounds.windows(2).enumerate() {
            let (from, to) = (w[0], w[1]);
            let after_cut = i == 0 && jumped;
            let voice = cameras.voice((from, to), entry.to);
            let (camera, why) = cameras.choose((from, to), voice, on.as_ref(), after_cut);
            let mut shot = Entry { from, to, camera: camera.clone(), dissolve: 0, ..entry.clone() };
            let frames = shot.shown_frames();
            let same = camera.is_some() && on.as_ref().is_some_and(|o| Some(&o.0) == camera.as_ref());
            if same && after_cut {
                shot.dissolve = dissolve;
            }
            shot.reason = format!("{}; {why}", entry.reason);
            on = match (camera, on.take()) {
                (Some(camera), Some((_, age))) if same => Some((camera, age + frames)),
                (camera, _) => camera.map(|c| (c, frames)),
            };
            match out.last_mut() {
                Some(last)
                    if i > 0
                        && last.to == from
                        && last.camera == shot.camera
                        && last.action == EditAction::Show
                        && shot.action == EditAction::Show =>
                {
                    last.to = to;
                }
                _ => out.push(shot),
            }
        }
        jumped = matches!(entry.action, EditAction::Pass(_));
    }
    // Half of it lies in each of the two shots.
    out.iter_mut().for_each(|e| e.dissolve = e.dissolve.min(e.shown_frames() / 2));
    plan.entries = out;
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn voice(start_s: f64, end_s: f64, camera: &str) -> Voice {
        Voice {
            start_s,
            end_s,
            origin: Origin::Local,
            radio: None,
            confidence: 0.9,
            heard_by: vec![(camera.into(), 20.0)],
        }
    }

    fn facts(frames: i64, voices: Vec<Voice>) -> Facts {
        let angle = |camera: &str| Angle { camera: camera.into(), frames: vec![(0, frames)] };
        Facts {
            frame_rate: [25, 1],
            frames,
            voices,
            events: vec![],
            found: vec![],
            doubts: vec![],
            angles: vec![angle("cam-a"), angle("cam-b")],
        }
    }

    #[test]
    fn what_may_be_speech_stays_while_there_is_room_and_goes_first() {
        let mut facts = facts(25 * 120, vec![voice(10.0, 20.0, "cam-a"), voice(90.0, 100.0, "cam-a")]);
        let without = plan(&facts, &TightenOptions::default()).unwrap();
        assert_eq!((without.doubt_s, without.notes.len()), (Some(0.0), 0));
        facts.doubts.push(Moment { start_s: 50.0, end_s: 51.0, what: "may be speech (rec-1)".into() });
        let with = plan(&facts, &TightenOptions::default()).unwrap();
        let doubt_s = with.doubt_s.unwrap();
        assert!((doubt_s - (with.shown_s() - without.shown_s())).abs() < 1e-9 && doubt_s > 1.0, "{doubt_s}");
        assert_eq!(with.notes, [format!("{doubt_s:.1} s are kept only because somebody may speak there.")]);
        assert!(
            with.entries.iter().any(|e| e.action == EditAction::Show && e.reason.contains("may be speech (rec-1)"))
        );
        // It is worth less than any voice.
        let options = TightenOptions { target_s: Some(without.shown_s() + 0.1), ..TightenOptions::default() };
        let short = plan(&facts, &options).unwrap();
        assert_eq!(short.doubt_s, Some(0.0));
        assert!(short.entries.iter().any(|e| e.action == EditAction::Show && e.reason.contains("speech (local)")));
        assert_eq!(Plan::from_json(&with.to_json().unwrap()).unwrap(), with);
    }

    /// No cut is nearer than this to any voice, and a plan covers its timeline.
    fn holds(facts: &Facts, options: &TightenOptions, plan: &Plan) -> Result<(), TestCaseError> {
        plan.check().map_err(|e| TestCaseError::fail(e.to_string()))?;
        prop_assert_eq!(plan.entries.iter().map(|e| e.to - e.from).sum::<i64>(), facts.frames);
        let frame_s = plan.frame_s();
        for (from, to, speed) in plan.kept() {
            for cut in [from, to].into_iter().filter(|c| speed == 1 && *c > 0 && *c < facts.frames) {
                for v in &facts.voices {
                    let at = cut as f64 * frame_s;
                    let away = (v.start_s - at).max(at - v.end_s);
                    prop_assert!(
                        away > options.handle_s - 1e-6,
                        "cut at {} s, voice {} to {} s",
                        at,
                        v.start_s,
                        v.end_s
                    );
                }
            }
        }
        Ok(())
    }

    #[test]
    fn dead_air_goes_and_pauses_stay() {
        let facts =
            facts(2500, vec![voice(10.0, 12.0, "cam-a"), voice(13.0, 15.0, "cam-b"), voice(60.0, 64.0, "cam-a")]);
        let plan = plan(&facts, &TightenOptions::default()).unwrap();
        // Half of 0.8 s before and after; the second between the sentences is no dead air.
        assert_eq!(plan.kept(), [(240, 385, 1), (1490, 1610, 1)]);
        let options = TightenOptions { pass_from_s: Some(20.0), ..TightenOptions::default() };
        let passed = super::plan(&facts, &options).unwrap();
        assert_eq!(passed.kept(), [(240, 385, 1), (385, 1490, 8), (1490, 1610, 1), (1610, 2500, 8)]);
        assert_eq!(passed.shown_frames(), 145 + 139 + 120 + 112);
        let options = TightenOptions { protect_s: vec![(30.0, 31.0)], ..TightenOptions::default() };
        let entry = super::plan(&facts, &options).unwrap().entries.into_iter().find(|e| e.reason.contains("protected"));
        assert_eq!(entry.map(|e| (e.from, e.to)), Some((740, 785)));
    }

    #[test]
    fn a_cut_does_not_begin_in_black() {
        let mut facts = facts(2500, vec![voice(10.0, 12.0, "cam-a"), voice(30.0, 34.0, "cam-a")]);
        // Cameras from second 11 and 20 on: the first sentence has no picture for its beginning.
        facts.angles[0].frames = vec![(500, 2500)];
        facts.angles[1].frames = vec![(275, 2500)];
        let first = |facts: &Facts, options: &TightenOptions| plan(facts, options).unwrap();
        let cut = first(&facts, &TightenOptions::default());
        assert_eq!(cut.kept(), [(740, 860, 1)]);
        let black = &cut.entries[0];
        assert_eq!((black.from, black.to, &black.action), (0, 275, &EditAction::Drop));
        assert!(black.reason.starts_with("no camera ran yet, 11.0 s"), "{}", black.reason);
        // A sentence with its picture stays, though a noise before it is too close for a cut.
        let noise = Moment { start_s: 14.0, end_s: 14.2, what: "loud".into() };
        facts.voices.insert(1, voice(15.0, 17.0, "cam-a"));
        facts.found = vec![noise];
        facts.angles[1].frames = vec![(365, 2500)];
        let kept = plan(&facts, &TightenOptions::default()).unwrap().kept()[0];
        assert!((365..=375).contains(&kept.0) && kept.1 >= 425, "{kept:?}");
        facts.voices.remove(1);
        facts.found.clear();
        facts.angles[1].frames = vec![(275, 2500)];
        // What is sped up begins with the first picture too.
        let passed = first(&facts, &TightenOptions { pass_from_s: Some(5.0), ..TightenOptions::default() });
        assert_eq!(passed.kept()[0], (275, 740, 8));
        // The user's word goes before, and is said.
        let protect = first(&facts, &TightenOptions { protect_s: vec![(5.0, 6.0)], ..TightenOptions::default() });
        assert!(protect.kept()[0].0 < 125 && protect.notes[0].contains("before any camera ran"), "{protect:?}");
    }

    #[test]
    fn one_camera_hides_its_jump_by_a_dissolve_and_two_by_a_change() {
        let mut facts = facts(5000, vec![voice(10.0, 20.0, "cam-a"), voice(60.0, 70.0, "cam-a")]);
        let shots = |facts: &Facts| -> Vec<(Option<String>, i64)> {
            let plan = plan(facts, &TightenOptions::default()).unwrap();
            plan.entries
                .iter()
                .filter(|e| e.action == EditAction::Show)
                .map(|e| (e.camera.clone(), e.dissolve))
                .collect()
        };
        assert_eq!(shots(&facts)[0], (Some("cam-a".into()), 0));
        assert!(shots(&facts)[1..].iter().any(|s| s.0.as_deref() == Some("cam-b")));
        facts.angles.truncate(1);
        // Half a second is 12.5 frames.
        assert_eq!(shots(&facts), [(Some("cam-a".into()), 0), (Some("cam-a".into()), 13)]);
        facts.angles.clear();
        assert_eq!(shots(&facts), [(None, 0), (None, 0)]);
    }

    #[test]
    fn the_users_word_and_events_go_before_what_is_heard() {
        let mut facts = facts(5000, vec![voice(10.0, 20.0, "cam-a"), voice(60.0, 70.0, "cam-a")]);
        let shown = |facts: &Facts, options: &TightenOptions| -> Vec<(f64, f64, Option<String>, String)> {
            let plan = plan(facts, options).unwrap();
            let shown = plan.entries.iter().filter(|e| e.action == EditAction::Show);
            shown.map(|e| (e.from as f64 / 25.0, e.to as f64 / 25.0, e.camera.clone(), e.reason.clone())).collect()
        };
        let see = vec![(0.0, 30.0, "cam-b".to_owned()), (55.0, 90.0, "cam-x".to_owned())];
        let asked = shown(&facts, &TightenOptions { see, ..TightenOptions::default() });
        assert_eq!(asked[0].2.as_deref(), Some("cam-b"));
        assert!(asked[0].3.ends_with("chosen by the user for this speech"), "{asked:?}");
        // A camera that is not there is not seen.
        assert!(asked[1..].iter().all(|s| s.2.as_deref() == Some("cam-a")), "{asked:?}");

        let event = |at| Moment { start_s: at, end_s: at, what: format!("event at {at}") };
        (facts.found, facts.events) = (vec![event(120.0)], vec![event(150.0)]);
        let kept = shown(&facts, &TightenOptions::default());
        assert!(kept.iter().any(|s| s.0 <= 119.0 && s.1 >= 121.0 && s.3.starts_with("event at 120")), "{kept:?}");
        // When there is room for little, what must stay does.
        let short = shown(&facts, &TightenOptions { target_s: Some(4.0), ..TightenOptions::default() });
        assert!(short.iter().any(|s| s.3.starts_with("event at 150")), "{short:?}");
        assert!(!short.iter().any(|s| s.3.contains("event at 120") || s.3.contains("speech")), "{short:?}");
    }

    /// An hour of known talk: what may go is all that is farther from every voice than half the pause, in stretches
    /// that are dead air. At least 95 % of it must go.
    #[test]
    fn of_an_hour_all_dead_air_goes() {
        let mut state = 7u64;
        let mut unit = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / (1u64 << 24) as f64
        };
        let (mut voices, mut at) = (Vec::new(), 5.0);
        while at < 3580.0 {
            let length = 0.5 + 6.0 * unit();
            voices.push(voice(at, at + length, if unit() < 0.5 { "cam-a" } else { "cam-b" }));
            // Mostly talk, now and then minutes of nothing.
            at += length + if unit() < 0.1 { 120.0 * unit() } else { 3.0 * unit() };
        }
        let mut facts = facts(108_000, voices);
        facts.frame_rate = [30, 1];
        let options = TightenOptions::default();
        let plan = plan(&facts, &options).unwrap();
        let edges: Vec<(f64, f64)> = facts.voices.iter().map(|v| (v.start_s, v.end_s)).collect();
        let gaps = edges.windows(2).map(|w| w[1].0 - w[0].1).filter(|g| *g >= options.dead_s);
        let ends = edges[0].0 + (3600.0 - edges[edges.len() - 1].1) - options.pause_s;
        let removable = gaps.map(|g| g - options.pause_s).sum::<f64>() + ends;
        let removed = 3600.0 - plan.shown_s();
        assert!(removable > 900.0 && removed >= 0.95 * removable, "{removed} of {removable} s");
        assert!(removed <= removable + 1e-6);
        holds(&facts, &options, &plan).unwrap();
    }

    #[test]
    fn lengths_that_cannot_be_met_are_said() {
        let facts = facts(
            90_000,
            (0..200).map(|i| voice(10.0 + 15.0 * f64::from(i), 14.0 + 15.0 * f64::from(i), "cam-a")).collect(),
        );
        let ask = |target_s: f64| {
            let options = TightenOptions {
                target_s: Some(target_s),
                protect_s: vec![(100.0, 160.0)],
                ..TightenOptions::default()
            };
            plan(&facts, &options).unwrap()
        };
        for target_s in [100.0, 300.0, 780.0] {
            let plan = ask(target_s);
            assert!(
                (plan.shown_s() - target_s).abs() < 0.02 * target_s,
                "{} of {target_s}: {:?}",
                plan.shown_s(),
                plan.notes
            );
            assert!(plan.notes.is_empty());
        }
        assert!(ask(3000.0).notes[0].contains("worth keeping"));
        assert!(ask(30.0).notes[0].contains("must be kept"));
    }

    #[test]
    fn refuses_what_is_out_of_range() {
        let good = facts(100, vec![voice(1.0, 2.0, "cam-a")]);
        for options in [
            TightenOptions { handle_s: 0.01, ..TightenOptions::default() },
            TightenOptions { pause_s: f64::NAN, ..TightenOptions::default() },
            TightenOptions { target_s: Some(-1.0), ..TightenOptions::default() },
            TightenOptions { pass_speed: 1, ..TightenOptions::default() },
            TightenOptions { protect_s: vec![(2.0, 1.0)], ..TightenOptions::default() },
        ] {
            assert!(plan(&good, &options).is_err(), "{options:?}");
        }
        assert!(plan(&facts(100, vec![voice(2.0, 1.0, "a")]), &TightenOptions::default()).is_err());
        assert!(plan(&Facts { frame_rate: [25, 0], ..good }, &TightenOptions::default()).is_err());
    }

    prop_compose! {
        fn any_facts()(
            rate in prop::sample::select(vec![[25u32, 1], [30_000, 1001], [24, 1], [60_000, 1001]]),
            spans in prop::collection::vec((0.05..30.0f64, 0.05..12.0f64, any::<bool>(), 0.3..1.0f64, 0..3usize), 0..60),
            tail_s in 0.0..60.0f64,
            covers in prop::collection::vec((0.0..0.6f64, 0.4..1.0f64), 0..3),
        ) -> Facts {
            let mut at = 0.0;
            let mut voices = Vec::new();
            for (pause, length, radio, confidence, heard) in spans {
                at += pause;
                voices.push(Voice {
                    start_s: at,
                    end_s: at + length,
                    origin: if radio { Origin::Radio } else { Origin::Local },
                    radio: None,
                    confidence,
                    heard_by: (0..heard).map(|c| (format!("cam-{c}"), 6.0 + c as f64)).collect(),
                });
                at += length;
            }
            let frames = ((at + tail_s) * f64::from(rate[0]) / f64::from(rate[1])).ceil() as i64;
            let angles = covers.iter().enumerate().map(|(c, &(from, to))| Angle {
                camera: format!("cam-{c}"),
                frames: vec![((from * frames as f64) as i64, ((from + (1.0 - from) * to) * frames as f64) as i64 + 1)],
            }).collect();
            Facts { frame_rate: rate, frames, voices, events: vec![], found: vec![], doubts: vec![], angles }
        }
    }

    proptest! {
        #[test]
        fn no_cut_is_near_a_voice(
            facts in any_facts(),
            pause_s in 0.2..4.0f64,
            handle_s in 0.08..1.0f64,
            dead_s in 0.3..10.0f64,
            target in prop::option::of(1.0..600.0f64),
            pass in prop::option::of(2.0..20.0f64),
            keep_radio in any::<bool>(),
        ) {
            let options = TightenOptions {
                pause_s, handle_s, dead_s, target_s: target, pass_from_s: pass, keep_radio, ..TightenOptions::default()
            };
            let plan = plan(&facts, &options).unwrap();
            holds(&facts, &options, &plan)?;
            prop_assert_eq!(&plan, &super::plan(&facts, &options).unwrap());
            // It does not begin in black: nothing here must stay.
            if let Some(first) = facts.angles.iter().flat_map(|a| a.frames.iter().map(|f| f.0)).min() {
                prop_assert!(plan.kept().first().is_none_or(|k| k.0 >= first));
            }
            // A camera is shown only where it runs.
            for e in plan.entries.iter().filter(|e| e.action == EditAction::Show) {
                if let Some(camera) = &e.camera {
                    let angle = facts.angles.iter().find(|a| a.camera == *camera).unwrap();
                    prop_assert!(angle.frames.iter().any(|f| f.0 <= e.from && f.1 >= e.to), "{:?} {:?}", e, angle);
                }
            }
            // Nobody who stays is clipped: a voice is shown whole or not at all.
            for v in &facts.voices {
                let (a, b) = (v.start_s / plan.frame_s(), v.end_s / plan.frame_s());
                let shown: Vec<_> = plan.kept().into_iter().filter(|k| k.2 == 1 && (k.0 as f64) < b && (k.1 as f64) > a).collect();
                prop_assert!(shown.is_empty() || (shown.len() == 1 && shown[0].0 as f64 <= a && shown[0].1 as f64 >= b));
            }
        }

        #[test]
        fn no_shot_is_left_too_early(facts in any_facts()) {
            let mut facts = facts;
            // Cameras that run throughout: then nothing excuses a short shot but the end.
            facts.angles.iter_mut().for_each(|a| a.frames = vec![(0, facts.frames)]);
            let options = TightenOptions::default();
            let plan = plan(&facts, &options).unwrap();
            let least = (options.min_shot_s / plan.frame_s()).ceil() as i64;
            let mut shots: Vec<(Option<String>, i64)> = Vec::new();
            for e in plan.entries.iter().filter(|e| e.action == EditAction::Show) {
                match shots.last_mut() {
                    Some(last) if last.0 == e.camera => last.1 += e.shown_frames(),
                    _ => shots.push((e.camera.clone(), e.shown_frames())),
                }
            }
            shots.pop();
            prop_assert!(shots.iter().all(|s| s.1 >= least), "{:?}", shots);
        }
    }
}
