//! Conformed sound that an earlier run has written already.
//!
//! The cache keeps, for each file that was written and all that it was made from, the identity that the file had then. A
//! file that still has it is what would be written now.

use std::path::Path;

use coeval_media::{Identity, restamp};
use serde::{Deserialize, Serialize};

use super::{ConformOptions, Conformed, SoundPlacement};
use crate::alignment::Alignment;
use crate::kept::{self, Kept};
use crate::write::resolved;

/// What is kept of a file that was written.
#[derive(Serialize, Deserialize)]
struct Record {
    identity: [u8; 32],
    time_reference: u64,
    clipped: u64,
}

/// All that a conformed sound at a path is made from, but for its time reference; `None` where nothing is kept.
pub(crate) struct Recipe<'a> {
    kept: Kept,
    path: &'a Path,
    conformed: &'a Conformed,
    options: &'a ConformOptions,
}

impl<'a> Recipe<'a> {
    pub(crate) fn of(
        conformed: &'a Conformed,
        alignment: &Alignment,
        folder: &Path,
        path: &'a Path,
        options: &'a ConformOptions,
    ) -> Option<Self> {
        let cache = options.open.cache.clone()?;
        let clip = match &conformed.placement {
            SoundPlacement::UnderClip(clip) => Some(clip),
            SoundPlacement::OnTimeline => None,
        };
        // Written out, numbers are exact and no field is forgotten.
        let unstamped = Conformed { time_reference: 0, ..conformed.clone() };
        // What only says where files go, or is stamped into them afterwards, changes no sample.
        let mut decisive = ConformOptions { replace: false, timeline_start_s: 0.0, ..options.clone() };
        decisive.open.cache = None;
        let mut key = kept::key("conformed").with(resolved(path).as_os_str().as_encoded_bytes());
        key = key.with(format!("{unstamped:?} {decisive:?}").as_bytes());
        for file in conformed.sources.iter().chain(clip) {
            let identity = Identity::of(&folder.join(file)).ok()?;
            let (map, channels) = (alignment.map(file)?, alignment.file(file)?.sound_channels());
            key = key.with(format!("{:?} {channels:?}", map.knots()).as_bytes()).with(identity.bytes());
        }
        Some(Self { kept: (cache, key), path, conformed, options })
    }

    /// What was made by this lies there, unchanged since.
    fn record(&self) -> Option<Record> {
        let record: Record = kept::get(&self.kept)?;
        let plain = std::fs::symlink_metadata(self.path).is_ok_and(|about| about.is_file());
        (plain && Identity::of(self.path).is_ok_and(|now| *now.bytes() == record.identity)).then_some(record)
    }

    /// Are both made from the same?
    pub(crate) fn is(&self, other: &Self) -> bool {
        self.kept.1.bytes() == other.kept.1.bytes()
    }

    /// Does it lie there, but perhaps for its time reference?
    pub(crate) fn lies_there(&self) -> bool {
        self.record().is_some()
    }

    /// Makes sure that what lies there has its time reference; how many of its samples were clipped. `None` where it must
    /// be written anew.
    pub(crate) fn stamped(&self) -> Option<u64> {
        let record = self.record()?;
        if record.time_reference != self.conformed.time_reference {
            let before = Conformed { time_reference: record.time_reference, ..self.conformed.clone() };
            let [old, new] = [&before, self.conformed].map(|c| c.wav(self.options));
            if !restamp(self.path, &old, &new).is_ok_and(|done| done) {
                return None;
            }
            self.keep(record.clipped);
        }
        Some(record.clipped)
    }

    /// Keeps that it was written just now.
    pub(crate) fn keep(&self, clipped: u64) {
        let Ok(identity) = Identity::of(self.path) else { return };
        let record = Record { identity: *identity.bytes(), time_reference: self.conformed.time_reference, clipped };
        kept::put(&self.kept, &record);
    }
}
