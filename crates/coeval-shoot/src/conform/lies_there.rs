//! Conformed sound that an earlier run has written already.
//!
//! The cache keeps, for each file that was written and all that it was made from, the identity that the file had then. A
//! file that still has it is what would be written now, but for places that have moved by next to nothing since: they do
//! for all files whenever one is added or an anchor set, and writing sound takes longer than all else.

use std::path::Path;

use coeval::resample::Leg;
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
    /// For each source, what sounds in each unbroken stretch.
    sounding: Vec<Vec<Sounding>>,
}

/// First and last moment of an unbroken stretch, and the moments of the source that sound then, seconds.
type Sounding = [f64; 4];

/// Sound that would move by less than this is not written again, seconds: a quarter of a sample at 48 kHz (own choice). No
/// place is claimed to a tenth as much. One clip more moves an hour's maps by 1 to 2 us, so half of it would do;
/// double of it could not be heard or seen either. It is counted from where the sound lay when it was written, so that small steps
/// do not add up.
const NEAR_S: f64 = 5e-6;

/// Of a sound, which moments of each source sound when.
fn sounding(conformed: &Conformed, alignment: &Alignment) -> Option<Vec<Vec<Sounding>>> {
    let length_s = conformed.frames as f64 / f64::from(conformed.rate_hz);
    let first_s = conformed.first_s();
    let of = |source: &String| {
        let route = conformed.route(source, alignment).ok()?;
        let stretch = |leg: &Leg| {
            let (from_s, to_s) = ((leg.from_s - first_s).max(0.0), (leg.to_s - first_s).min(length_s));
            let source_at = |s: f64| leg.source_s + (s + first_s - leg.at_s) * leg.speed;
            (to_s > from_s).then(|| [from_s, to_s, source_at(from_s), source_at(to_s)])
        };
        Some(route.legs().iter().filter_map(stretch).collect())
    };
    conformed.sources.iter().map(of).collect()
}

/// Do the same moments sound at the same time, but for [`NEAR_S`]?
fn near(old: &[Vec<Sounding>], new: &[Vec<Sounding>]) -> bool {
    let same = |x: &Sounding, y: &Sounding| x.iter().zip(y).all(|(x, y)| (x - y).abs() < NEAR_S);
    let all = |x: &Vec<Sounding>, y: &Vec<Sounding>| x.len() == y.len() && x.iter().zip(y).all(|(x, y)| same(x, y));
    old.len() == new.len() && old.iter().zip(new).all(|(x, y)| all(x, y))
}

/// All that a conformed sound at a path is made from, but for its time reference; `None` where nothing is kept.
pub(crate) struct Recipe<'a> {
    kept: Kept,
    path: &'a Path,
    conformed: &'a Conformed,
    sounding: Vec<Vec<Sounding>>,
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
        let unstamped = Conformed { time_reference: 0, start_s: 0.0, ..conformed.clone() };
        // What only says where files go, or is stamped into them afterwards, changes no sample.
        let mut decisive = ConformOptions { replace: false, timeline_start_s: 0.0, ..options.clone() };
        decisive.open.cache = None;
        let mut key = kept::key("conformed").with(resolved(path).as_os_str().as_encoded_bytes());
        key = key.with(format!("{unstamped:?} {decisive:?}").as_bytes());
        for file in conformed.sources.iter().chain(clip) {
            let identity = Identity::of(&folder.join(file)).ok()?;
            let channels = alignment.file(file)?.sound_channels();
            key = key.with(format!("{channels:?}").as_bytes()).with(identity.bytes());
        }
        Some(Self { kept: (cache, key), path, conformed, sounding: sounding(conformed, alignment)?, options })
    }

    /// What was made by this lies there, unchanged since.
    fn record(&self) -> Option<Record> {
        let record: Record = kept::get(&self.kept)?;
        let plain = std::fs::symlink_metadata(self.path).is_ok_and(|about| about.is_file());
        (plain
            && near(&record.sounding, &self.sounding)
            && Identity::of(self.path).is_ok_and(|now| *now.bytes() == record.identity))
        .then_some(record)
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
            self.keep_as(record.clipped, record.sounding);
        }
        Some(record.clipped)
    }

    /// Keeps that it was written just now.
    pub(crate) fn keep(&self, clipped: u64) {
        self.keep_as(clipped, self.sounding.clone());
    }

    fn keep_as(&self, clipped: u64, sounding: Vec<Vec<Sounding>>) {
        let Ok(identity) = Identity::of(self.path) else { return };
        let time_reference = self.conformed.time_reference;
        kept::put(&self.kept, &Record { identity: *identity.bytes(), time_reference, clipped, sounding });
    }
}

#[cfg(test)]
mod tests {
    use coeval::clock::ClockMap;
    use coeval_media::Cache;

    use super::super::tests::{alignment, file, picture, record, voice};
    use super::super::{conform, lie_there, plan};
    use super::*;

    #[test]
    fn sound_is_written_again_where_it_has_moved_since_it_was_written() {
        let (dir, out, kept) =
            (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let clip = ClockMap::linear(1.0, -30.0, 3.0);
        record(dir.path(), "CAM.MOV", 48_000, 1, &clip, voice);
        record(dir.path(), "R.WAV", 48_000, 1, &ClockMap::linear(1.5, 20.0, 2.0), voice);
        // The recorder may lie elsewhere by some seconds, and jump by some more.
        let placed = |moved_s: f64, jump_s: f64| {
            let knots = vec![(0.0, 1.5 + moved_s), (1.0, 2.500_02 + moved_s), (1.0, 2.500_02 + moved_s + jump_s)];
            let knots = [knots, vec![(2.0, 3.500_04 + moved_s + jump_s)]].concat();
            let mut camera = file("CAM.MOV", 48_000, 1, &clip);
            camera.picture = picture(3.0);
            alignment(vec![camera], vec![file("R.WAV", 48_000, 1, &ClockMap::from_knots(knots).unwrap())])
        };
        let mut options = ConformOptions { replace: true, ..Default::default() };
        options.open.cache = Some(Cache::new(kept.path(), 1 << 30));
        let there = |alignment: &Alignment| {
            let jobs = plan(alignment, &options).unwrap().into_iter().map(|c| (out.path().join(&c.name), c));
            let there = lie_there(&jobs.collect::<Vec<_>>(), alignment, dir.path(), &options);
            assert_eq!(there.len(), 2);
            there[0]
        };
        let write = |alignment: &Alignment| {
            let written = conform(alignment, dir.path(), out.path(), &options, &()).unwrap();
            std::fs::metadata(written[0].path.as_ref().unwrap()).unwrap().modified().unwrap()
        };
        assert!(!there(&placed(0.0, 0.04)));
        let first = write(&placed(0.0, 0.04));
        assert!(there(&placed(0.0, 0.04)) && there(&placed(3e-6, 0.04)) && there(&placed(-3e-6, 0.04)));
        assert!(!there(&placed(1e-5, 0.04)) && !there(&placed(0.0, 0.040_01)) && !there(&placed(0.0, 0.0)));
        // Steps do not add up: it stays where it was written, until it is too far from there.
        assert_eq!(write(&placed(3e-6, 0.04)), first);
        assert!(!there(&placed(6e-6, 0.04)));
        assert!(write(&placed(6e-6, 0.04)) > first);
        assert!(there(&placed(6e-6, 0.04)) && !there(&placed(0.0, 0.04)));
    }
}
