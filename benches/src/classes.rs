//! Classes of recordings on which the aligner's evidence is judged, each made from seeds with exact truth.
//!
//! A [`Class`] turns a seed into a [`Case`]: files with truth, and what is asked of them. Voices, engines and seeds are
//! divided into two [`Split`]s that share no sound. [`cache`] keeps what was made, [`judge`] aligns it, [`table`] counts.

pub mod cache;
mod events;
pub mod judge;
mod pairs;
mod repeats;
pub mod split;
mod stage;
pub mod table;

use std::io;

use serde::{Deserialize, Serialize};

use self::split::{Sounds, Split};

/// Version of the generators: what a cache holds of another one is made anew.
pub const VERSION: u32 = 1;

/// Files and what is asked of them.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Case {
    /// The files.
    pub takes: Vec<Take>,
    /// The question.
    pub job: Job,
}

/// A file with its truth.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Take {
    /// Name, unique in the case.
    pub name: String,
    /// Recording that it is a chapter of.
    pub recording: String,
    /// Has picture in real life.
    pub is_camera: bool,
    /// Which event it belongs to. A foreign file has one of its own.
    pub event: usize,
    /// It belongs to no event.
    pub foreign: bool,
    /// Nothing in it is heard by any other device.
    pub silent: bool,
    /// Rate, Hz.
    pub rate_hz: u32,
    /// Knots from file time to the true time of the voices.
    pub truth: Vec<(f64, f64)>,
    /// How much longer the sound of other sources is on its way than that of the voices, seconds: engine, loudspeaker.
    pub later_s: [f64; 2],
    /// Channels beside the first.
    #[serde(default)]
    pub more_channels: usize,
    /// The sound, interleaved. It is kept beside the rest.
    #[serde(skip)]
    pub samples: Vec<i16>,
}

impl Take {
    /// Length, seconds.
    pub fn duration_s(&self) -> f64 {
        (self.samples.len() / self.channels()) as f64 / f64::from(self.rate_hz)
    }

    /// Channels of the sound.
    pub fn channels(&self) -> usize {
        1 + self.more_channels
    }
}

/// What is asked.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub enum Job {
    /// How does `b` lie on `a`, for each of these?
    Pairs(Vec<Question>),
    /// Where does each file lie? Through files on a disk, or with sound handed over.
    Folder {
        /// Through WAV files; names say which belong together.
        on_disk: bool,
    },
}

/// How does `b` lie on `a`?
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Question {
    /// Index of one file.
    pub a: usize,
    /// Index of the other.
    pub b: usize,
    /// Is there an answer?
    pub answer: Answer,
    /// Which sources both hear besides the voices: engine, loudspeaker.
    pub common: [bool; 2],
    /// Stretches in which the two hear nothing in common, true seconds: where in them a clock jumps, nothing tells.
    #[serde(default)]
    pub nothing_s: Vec<(f64, f64)>,
    /// Largest drift that is searched, ppm; nothing: the default.
    pub max_drift_ppm: Option<f64>,
    /// What is special about it, in words.
    pub note: String,
}

/// Whether two files have a place on each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Answer {
    /// They have, and it should be found.
    Placed,
    /// They have, but there may be too little to tell.
    Perhaps,
    /// They have none: any placement is wrong.
    Nowhere,
}

/// What must hold for a class.
#[derive(Debug, Clone, Copy, Default)]
pub struct Limits {
    /// Least share of those that have an answer that is placed rightly, percent.
    pub right_percent: Option<f64>,
    /// No wrong placement from this confidence on.
    pub none_wrong_from: Option<f64>,
    /// Largest error against the voices' path, 98th percentile of files, ms.
    pub error_ms: Option<f64>,
    /// Largest error of all against the voices' path, ms.
    pub largest_ms: Option<f64>,
    /// Largest median error of a file against the voices' path, ms.
    pub voices_ms: Option<f64>,
    /// Files without evidence of their own are within three times what is claimed.
    pub silent_within: bool,
    /// Least share of jumps found and sized within 2 ms, percent.
    pub jumps_percent: Option<f64>,
    /// No jump is reported where there is none.
    pub no_false_jump: bool,
}

/// A class of recordings.
#[derive(Clone, Copy)]
pub struct Class {
    /// Name in plain words.
    pub name: &'static str,
    /// Seeds in a full run.
    pub seeds: usize,
    /// Only every so many seeds that are asked for are run: long ones.
    pub every: usize,
    /// A placement is right within this of one of the paths, seconds.
    pub right_s: f64,
    /// What must hold.
    pub limits: Limits,
    folder: bool,
    make: fn(&Order<'_>) -> io::Result<Case>,
}

/// What a generator works from.
struct Order<'a> {
    sounds: &'a Sounds,
    seed: u64,
    /// Recorders of 41 minutes where it matters.
    long: bool,
}

impl Class {
    /// Its cases are folders, each of which takes all cores.
    pub fn is_folder(&self) -> bool {
        self.folder
    }

    /// Makes the case of a seed.
    ///
    /// # Errors
    /// When ffmpeg is missing or fails.
    pub fn make(&self, sounds: &Sounds, seed: u64, long: bool) -> io::Result<Case> {
        (self.make)(&Order { sounds, seed: self.own_seed(sounds.split, seed), long })
    }

    /// Another one for each class, split and seed: FNV-1a of all three.
    fn own_seed(&self, split: Split, seed: u64) -> u64 {
        let bytes = self.name.bytes().chain(split.as_str().bytes()).chain(seed.to_le_bytes());
        bytes.fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3))
    }
}

/// The classes in the order in which they are reported.
pub fn classes() -> Vec<Class> {
    let none = Limits { no_false_jump: true, ..Limits::default() };
    let sure = Limits { none_wrong_from: Some(0.99), ..none };
    let placed = |percent| Limits { right_percent: Some(percent), ..sure };
    let repeats = |percent| Limits { right_percent: Some(percent), none_wrong_from: Some(0.9), ..none };
    let class =
        |name, seeds, right_s, limits, make| Class { name, seeds, every: 1, right_s, limits, folder: false, make };
    let paths = Limits { voices_ms: Some(2.0), ..placed(98.0) };
    let (near, near_enough) = (0.005, 0.020);
    vec![
        class("b-roll", 20, near, placed(98.0), pairs::b_roll),
        class("leaking line", 40, near, paths, pairs::leaking_line),
        class("open microphone", 40, near, paths, pairs::open_microphone_beside),
        class("prompts, same event", 40, near_enough, repeats(100.0), repeats::prompts_same_event),
        class("prompts, other event", 40, near_enough, repeats(100.0), repeats::prompts_other_event),
        class("loops", 40, near_enough, repeats(100.0), repeats::loops),
        class("music twice", 40, near_enough, repeats(100.0), repeats::music_twice),
        class("metronomes", 40, near_enough, repeats(100.0), repeats::metronomes),
        class(
            "lost buffers",
            40,
            near_enough,
            Limits { jumps_percent: Some(95.0), error_ms: Some(3.0), ..placed(100.0) },
            pairs::lost_buffers,
        ),
        class("lost buffers, shoot", 20, near_enough, placed(100.0), events::losing_shoot),
        Class { folder: true, ..class("one useful channel", 20, near, placed(98.0), events::one_useful_channel) },
        class("jumps of all kinds", 20, near_enough, placed(100.0), events::jumps_of_all_kinds_in_a_shoot),
        class(
            "drift sweep, within",
            7,
            near_enough,
            Limits { largest_ms: Some(0.1), ..placed(100.0) },
            pairs::drift_within,
        ),
        class("drift sweep, beyond", 7, 0.001, Limits { none_wrong_from: Some(0.0), ..none }, pairs::drift_beyond),
        class("nothing common", 60, near_enough, sure, pairs::nothing_common),
        class("weak, -16 dB", 20, near_enough, placed(98.0), pairs::weak_16),
        class("weak, -20 dB", 10, near_enough, sure, pairs::weak_20),
        class("weak, 3-6 s of talk", 20, near_enough, placed(100.0), pairs::weak_seconds),
        Class { every: 2, folder: true, ..class("events", 12, near_enough, repeats(98.0), events::events) },
        Class {
            every: 2,
            folder: true,
            ..class("events, from files", 12, near_enough, repeats(98.0), events::events_on_disk)
        },
        Class {
            every: 2,
            folder: true,
            ..class(
                "silent chapters",
                20,
                near_enough,
                Limits { silent_within: true, ..placed(100.0) },
                events::silent_chapters,
            )
        },
        Class {
            every: 3,
            ..class("wander", 10, near_enough, Limits { error_ms: Some(3.0), ..placed(100.0) }, pairs::wander)
        },
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seeds_differ_between_classes_and_splits() {
        let mut seen = std::collections::BTreeSet::new();
        for class in classes() {
            for split in [Split::Tune, Split::Test] {
                for seed in 0..50 {
                    assert!(seen.insert(class.own_seed(split, seed)), "{} {seed}", class.name);
                }
            }
        }
    }
}
