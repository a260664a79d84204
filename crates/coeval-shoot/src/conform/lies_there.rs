//! Conformed sound that an earlier run has written already.
//!
//! The cache keeps, for each file that was written and all that it was made from, the identity that the file had then. A
//! file that still has it is what would be written now, to within [`SAME_KNOT_S`].

use std::path::Path;

use coeval_media::{Identity, restamp};
use serde::{Deserialize, Serialize};

use super::{ConformOptions, Conformed, SoundPlacement};
use crate::alignment::Alignment;
use crate::kept::{self, Kept};
use crate::write::resolved;

/// Each knot of a map may lie so far from where it lay when a sound was made, seconds, and the sound is left as it is. Under a
/// clip two maps count, so that it lies within a microsecond of where it belongs, a twentieth of a sample. One anchor that
/// agrees with the sound has moved the maps of an hour's shoot by 0.06 us, and made three hours of sound be written anew. The
/// bound is a guess; half or twice of it would serve as well.
const SAME_KNOT_S: f64 = 0.5e-6;

type Knots = Vec<(f64, f64)>;

/// What is kept of a file that was written.
#[derive(Serialize, Deserialize)]
struct Record {
    identity: [u8; 32],
    time_reference: u64,
    clipped: u64,
    /// The maps that it was made by.
    maps: Vec<Knots>,
}

/// All that a conformed sound at a path is made from, but for its time reference; `None` where nothing is kept.
pub(crate) struct Recipe<'a> {
    /// Its key holds all but the maps.
    kept: Kept,
    maps: Vec<Knots>,
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
        let how = (options.format, options.camera_level_db, options.open.allow_ffmpeg);
        let mut key = kept::key("conformed").with(resolved(path).as_os_str().as_encoded_bytes());
        key = key.with(format!("{unstamped:?} {how:?}").as_bytes());
        let mut maps = Vec::new();
        for file in conformed.sources.iter().chain(clip) {
            let identity = Identity::of(&folder.join(file)).ok()?;
            key = key.with(format!("{:?}", alignment.file(file)?.sound_channels()).as_bytes()).with(identity.bytes());
            maps.push(alignment.map(file)?.knots().to_vec());
        }
        Some(Self { kept: (cache, key), maps, path, conformed, options })
    }

    /// What was made by this lies there, unchanged since.
    fn record(&self) -> Option<Record> {
        let record: Record = kept::get(&self.kept)?;
        if !same(&record.maps, &self.maps) {
            return None;
        }
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
            // The maps stay those that it was made by: many small steps do not add up.
            self.keep_made_by(record.maps, record.clipped);
        }
        Some(record.clipped)
    }

    /// Keeps that it was written just now.
    pub(crate) fn keep(&self, clipped: u64) {
        self.keep_made_by(self.maps.clone(), clipped);
    }

    fn keep_made_by(&self, maps: Vec<Knots>, clipped: u64) {
        let Ok(identity) = Identity::of(self.path) else { return };
        let time_reference = self.conformed.time_reference;
        kept::put(&self.kept, &Record { identity: *identity.bytes(), time_reference, clipped, maps });
    }
}

/// Do maps say the same, as far as sound is concerned?
fn same(a: &[Knots], b: &[Knots]) -> bool {
    let near = |x: f64, y: f64| (x - y).abs() <= SAME_KNOT_S;
    a.len() == b.len()
        && a.iter()
            .zip(b)
            .all(|(a, b)| a.len() == b.len() && a.iter().zip(b).all(|(a, b)| near(a.0, b.0) && near(a.1, b.1)))
}

#[cfg(test)]
mod tests {
    use coeval::clock::ClockMap;
    use coeval_media::Cache;

    use crate::conform::ConformOptions;
    use crate::conform::tests::{alignment, file, record, voice};
    use crate::conform::{conform, lie_there, plan};

    #[test]
    fn what_moved_by_less_than_a_microsecond_stays_and_small_steps_do_not_add_up() {
        let dir = tempfile::tempdir().unwrap();
        let (out, kept) = (dir.path().join("out"), dir.path().join("kept"));
        std::fs::create_dir(&out).unwrap();
        let clip = ClockMap::linear(0.0, 0.0, 3.0);
        record(dir.path(), "CAM.MOV", 48_000, 1, &clip, voice);
        record(dir.path(), "R.WAV", 44_100, 1, &ClockMap::linear(0.5, 40.0, 2.0), voice);
        let mut options = ConformOptions { replace: true, ..ConformOptions::default() };
        options.open.cache = Some(Cache::new(&kept, 1 << 20));
        let at = |moved_s: f64| {
            let recorder = ClockMap::linear(0.5 + moved_s, 40.0, 2.0);
            alignment(vec![file("CAM.MOV", 48_000, 1, &clip)], vec![file("R.WAV", 44_100, 1, &recorder)])
        };
        let stays = |moved_s: f64| {
            let jobs: Vec<_> =
                plan(&at(moved_s), &options).unwrap().into_iter().map(|c| (out.join(&c.name), c)).collect();
            lie_there(&jobs, &at(moved_s), dir.path(), &options)
        };
        let write = |moved_s: f64| conform(&at(moved_s), dir.path(), &out, &options, &()).unwrap();
        assert_eq!(stays(0.0), [false, false]);
        write(0.0);
        for (moved_s, expected) in [(0.0, true), (0.4e-6, true), (-0.4e-6, true), (0.6e-6, false), (0.01, false)] {
            assert_eq!(stays(moved_s), [expected; 2], "{moved_s}");
        }
        write(0.4e-6);
        assert_eq!(stays(0.8e-6), [false; 2], "it was made for 0.0");
        write(0.8e-6);
        assert_eq!((stays(0.0), stays(0.8e-6)), (vec![false; 2], vec![true; 2]));
    }
}
