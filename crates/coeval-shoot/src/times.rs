//! Clips without sound: where the times of their own device put them.
//!
//! A time in a file errs by its device's clock, and by what it means: the moment when the file was begun, or when it was
//! closed. Both are learnt from the files of the same device that sound has placed. What remains open is in the
//! uncertainty, which is seconds; where it is more than [`NO_CLOCK_S`] the clip stays unplaced.

use std::collections::BTreeMap;

use coeval::clock::ClockMap;
use coeval::network::Placement;
use coeval::pair::Stretch;
use coeval::{Error, ErrorKind};

use crate::chapters::same_device;
use crate::headers::{Headers, Probed, slowed_words};
use crate::neighbours::Carried;
use crate::sound::Analysed;
use crate::words::length;

/// Creation times count whole seconds, some even ones. Such a time errs by 0.58 s (uniform over 2 s), and so does the one that
/// it is held against: one standard deviation, seconds.
const DATE_SIGMA_S: f64 = 0.82;
/// Two readings of creation times that differ by no more than this may be one, seconds.
const DATE_STEP_S: f64 = 2.0;
/// Timecode of files is that of a clock where it agrees with the sound to this, seconds, for files that began further apart.
const TIMECODE_S: (f64, f64) = (0.1, 2.0);
/// Half a frame of timecode, seconds.
const FRAME_S: f64 = 0.02;
/// What is known no better is no place, seconds (own choice).
const NO_CLOCK_S: f64 = 10.0;
/// Probability that a clip lies where its device's times put it: a guess.
const SURE: f64 = 0.9;

/// What a file's time means.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Means {
    Begun,
    Closed,
    Timecode,
}

impl Means {
    /// When a file began by its device's clock, seconds.
    fn begins_s(self, stamp: &Stamp) -> Option<f64> {
        match self {
            Means::Begun => stamp.created_s,
            Means::Closed => Some(stamp.created_s? - stamp.lasted_s),
            Means::Timecode => stamp.timecode_s,
        }
    }
}

/// What a file says of when it ran.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stamp {
    /// Creation time, seconds since 1970-01-01.
    pub(crate) created_s: Option<f64>,
    /// Timecode of the first moment, seconds since midnight.
    pub(crate) timecode_s: Option<f64>,
    /// For how long it was filmed, seconds.
    pub(crate) lasted_s: f64,
}

impl Stamp {
    fn of(info: &Headers) -> Self {
        let created_s = info.created_unix_s.map(|s| s as f64);
        Self { created_s, timecode_s: info.timecode_s, lasted_s: info.lasted_s() }
    }
}

/// A file of a device, whose place tells how the device's clock differs from the timeline.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mate {
    pub(crate) stamp: Stamp,
    /// Where it begins on the timeline, seconds.
    pub(crate) at_s: f64,
    pub(crate) drift_ppm: f64,
}

/// From when to when each event lasts on its timeline, seconds.
pub(crate) type Spans = BTreeMap<usize, (f64, f64)>;

/// The sound of slow motion and of time lapse, if there is any, is heard by nobody: it ran at another speed.
pub(crate) fn silence_slowed(probed: &[Probed], heard: &mut [Analysed]) {
    for (probed, heard) in probed.iter().zip(heard) {
        let picture = probed.info.as_ref().ok().and_then(|i| i.picture.as_ref());
        if let Some(words) = picture.and_then(slowed_words) {
            *heard = Err(Error::new(ErrorKind::NoSound, format!("{words}, so its sound cannot be compared")));
        }
    }
}

/// Places clips without sound, and says why others have no place. `silent` tells which files these are, and `placed` where
/// sound has put others: on the timeline of which event.
pub(crate) fn placed<'a>(
    probed: &[Probed],
    silent: impl Fn(usize) -> bool,
    placed: impl Fn(usize) -> Option<(&'a Placement, usize)>,
) -> (Vec<Carried>, Vec<(usize, String)>) {
    let mut spans = Spans::new();
    for (placement, event) in (0..probed.len()).filter_map(&placed) {
        let knots = placement.map.knots();
        let span = spans.entry(event).or_insert((f64::INFINITY, f64::NEG_INFINITY));
        *span = (span.0.min(knots[0].1), span.1.max(knots[knots.len() - 1].1));
    }
    let (mut places, mut notes) = (Vec::new(), Vec::new());
    for file in (0..probed.len()).filter(|&f| silent(f)) {
        let Ok(info) = &probed[file].info else { continue };
        let mates = |event: usize| -> Vec<Mate> {
            let mate = |f: usize| {
                let (placement, of) = placed(f)?;
                let stamp = Stamp::of(probed[f].info.as_ref().ok()?);
                let (at_s, drift_ppm) = (placement.map.knots()[0].1, placement.map.drift_ppm());
                (of == event && same_device(&probed[f], &probed[file])).then_some(Mate { stamp, at_s, drift_ppm })
            };
            (0..probed.len()).filter_map(mate).collect()
        };
        match best(&Stamp::of(info), &spans, mates, 0.0) {
            Ok((event, place)) => places.push(Carried { file, event, placement: place.placement(info) }),
            Err(nowhere) => notes.push((file, words(&nowhere))),
        }
    }
    (places, notes)
}

/// Where a clip begins on a timeline, one standard deviation, and the drift of its device.
pub(crate) struct Place {
    pub(crate) at_s: f64,
    pub(crate) sigma_s: f64,
    drift_ppm: f64,
}

impl Place {
    fn placement(&self, info: &Headers) -> Placement {
        let (length_s, lasted_s) = (info.duration_s, info.lasted_s());
        let played = ClockMap::linear(self.at_s, self.drift_ppm, length_s);
        let slowed = || ClockMap::from_knots(vec![(0.0, self.at_s), (length_s, self.at_s + lasted_s)]).ok();
        Placement {
            map: if lasted_s == length_s { played } else { slowed().unwrap_or(played) },
            stretches: vec![Stretch::whole(length_s, SURE, self.sigma_s)],
            confidence: SURE,
            uncertainty_s: self.sigma_s,
            ends_uncertainty_s: [self.sigma_s; 2],
            drift_sigma_ppm: 0.0,
            without_best_third_s: None,
        }
    }
}

/// Why times put a file on no timeline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Nowhere {
    /// It says none.
    NoTime,
    /// No file of its device tells how the clock differs.
    NoMates,
    /// It began so many seconds after the last file had ended.
    After(f64),
    /// It ended so many seconds before the first file began.
    Before(f64),
    /// One standard deviation, seconds.
    NoBetter(f64),
}

/// Why a clip lies on no timeline.
fn words(nowhere: &Nowhere) -> String {
    match nowhere {
        Nowhere::NoTime => "its file does not say when it was made".to_owned(),
        Nowhere::NoMates => {
            "how far the clock of its device is off is unknown: no other file of this device is placed and says when it was made".to_owned()
        }
        Nowhere::After(s) => format!("by the clock of its device it began {} after everything else had ended", length(*s)),
        Nowhere::Before(s) => format!("by the clock of its device it ended {} before everything else began", length(*s)),
        Nowhere::NoBetter(sigma_s) => {
            format!("the times of its device place it only to within {} (one standard deviation)", length(*sigma_s))
        }
    }
}

/// The event whose timeline a file lies on, and where; or why on none. `beyond_s`: one standard deviation of how the clock of
/// the file differs from that of its mates, seconds.
pub(crate) fn best(
    stamp: &Stamp,
    spans: &Spans,
    mates: impl Fn(usize) -> Vec<Mate>,
    beyond_s: f64,
) -> Result<(usize, Place), Nowhere> {
    if stamp.created_s.is_none() && stamp.timecode_s.is_none() {
        return Err(Nowhere::NoTime);
    }
    let (mut here, mut open, mut off): (Vec<(usize, Place)>, Option<f64>, Option<f64>) = (Vec::new(), None, None);
    for (&event, &(from_s, to_s)) in spans {
        let Some(mut place) = learnt(stamp, &mates(event)) else { continue };
        place.sigma_s = place.sigma_s.hypot(beyond_s);
        let before_s = from_s - (place.at_s + stamp.lasted_s);
        let after_s = place.at_s - to_s;
        if place.sigma_s > NO_CLOCK_S {
            open = Some(open.map_or(place.sigma_s, |s| s.min(place.sigma_s)));
        } else if before_s.max(after_s) < 3.0 * place.sigma_s {
            here.push((event, place));
        } else {
            let away_s = if after_s > 0.0 { after_s } else { -before_s };
            off = Some(off.filter(|o: &f64| o.abs() < away_s.abs()).unwrap_or(away_s));
        }
    }
    let surest = here.into_iter().min_by(|x, y| x.1.sigma_s.total_cmp(&y.1.sigma_s));
    surest.ok_or(match (off, open) {
        (Some(after_s), _) if after_s > 0.0 => Nowhere::After(after_s),
        (Some(before_s), _) => Nowhere::Before(-before_s),
        (None, Some(sigma_s)) => Nowhere::NoBetter(sigma_s),
        (None, None) => Nowhere::NoMates,
    })
}

/// Where a clip began, by what the files of its device that sound has placed say of its clock.
fn learnt(stamp: &Stamp, mates: &[Mate]) -> Option<Place> {
    let drift_ppm = mates.first()?.drift_ppm;
    // Where the clip begins if a time means this: lowest and highest.
    let range = |means: Means| {
        let mine = means.begins_s(stamp)?;
        let all = mates.iter().filter_map(|mate| {
            let later_s = mine - means.begins_s(&mate.stamp)?;
            // Clocks of the day pass midnight.
            let later_s = match means {
                Means::Timecode => (later_s + 43_200.0).rem_euclid(86_400.0) - 43_200.0,
                _ => later_s,
            };
            Some(mate.at_s + later_s)
        });
        bounds(all)
    };
    let middle = |r: (f64, f64)| (r.0 + r.1) / 2.0;
    let spread = |r: (f64, f64)| r.1 - r.0;
    let apart = bounds(mates.iter().filter(|m| m.stamp.timecode_s.is_some()).map(|m| m.at_s));
    if let (Some(by_timecode), Some(apart)) = (range(Means::Timecode), apart)
        && spread(by_timecode) <= TIMECODE_S.0
        && spread(apart) > TIMECODE_S.1
    {
        let sigma_s = FRAME_S.hypot(spread(by_timecode));
        return Some(Place { at_s: middle(by_timecode), sigma_s, drift_ppm });
    }
    let by_date: Vec<(f64, f64)> = [Means::Begun, Means::Closed].into_iter().filter_map(range).collect();
    let least = by_date.iter().map(|r| spread(*r)).fold(f64::INFINITY, f64::min);
    // What these files cannot tell apart is open.
    let possible = || by_date.iter().copied().filter(|r| spread(*r) <= least.max(DATE_STEP_S));
    let meant = bounds(possible().map(middle))?;
    let sigma_s = DATE_SIGMA_S.hypot(spread(meant) / 2.0).hypot(possible().map(spread).fold(0.0, f64::max) / 2.0);
    Some(Place { at_s: middle(meant), sigma_s, drift_ppm })
}

/// The lowest and the highest; `None` of none.
fn bounds(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    (low <= high).then_some((low, high))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::headers::tests::camera;
    use crate::neighbours::tests::drifting;

    /// Files of one camera: length, creation time, start on the timeline where sound has placed it. The last has no sound.
    fn place(files: &[(f64, Option<i64>, Option<f64>)]) -> Result<(f64, f64), String> {
        let probed: Vec<Probed> =
            files.iter().zip(1..).map(|(f, n)| camera(&format!("V{n:04}.MP4"), f.0, f.1)).collect();
        let places: Vec<Option<Placement>> = files.iter().map(|f| f.2.map(|s| drifting(s, 0.0, f.0))).collect();
        let known = |f: usize| places[f].as_ref().map(|p| (p, 1));
        let (mut places, mut notes) = placed(&probed, |f| f + 1 == files.len(), known);
        match places.pop() {
            Some(c) => Ok((c.placement.map.knots()[0].1, c.placement.uncertainty_s)),
            None => Err(notes.pop().unwrap().1),
        }
    }

    #[test]
    fn several_files_tell_what_a_time_means() {
        // Begun: the clock shows 1000 at timeline zero. Closed: the same, with other lengths.
        let (start_s, sigma_s) =
            place(&[(100.0, Some(1000), Some(0.4)), (40.0, Some(1200), Some(200.0)), (10.0, Some(1150), None)])
                .unwrap();
        assert!((start_s - 150.0).abs() < 1.0 && sigma_s < 1.0, "{start_s} {sigma_s}");
        let (start_s, sigma_s) =
            place(&[(100.0, Some(1100), Some(0.4)), (40.0, Some(1240), Some(200.0)), (10.0, Some(1160), None)])
                .unwrap();
        assert!((start_s - 150.0).abs() < 1.0 && sigma_s < 1.0, "{start_s} {sigma_s}");
    }

    #[test]
    fn what_one_file_cannot_tell_is_uncertain() {
        // 12 s against 10 s: it may lie 2 s earlier or later.
        let (start_s, sigma_s) = place(&[(12.0, Some(1000), Some(0.0)), (10.0, Some(1005), None)]).unwrap();
        assert!((start_s - 6.0).abs() < 1e-9 && (1.2..1.4).contains(&sigma_s), "{start_s} {sigma_s}");
        // 600 s against 10 s is no place at all.
        let note = place(&[(600.0, Some(1000), Some(0.0)), (10.0, Some(1200), None)]).unwrap_err();
        assert!(note.contains("only to within"), "{note}");
    }

    #[test]
    fn what_ran_at_another_time_or_has_no_time_stays_out() {
        let two = [(100.0, Some(1000), Some(0.0)), (40.0, Some(1200), Some(200.0))];
        let of = |last| place(&[two[0], two[1], last]);
        assert!(of((10.0, Some(2000), None)).unwrap_err().contains("after everything else had ended"));
        assert!(of((10.0, Some(500), None)).unwrap_err().contains("before everything else began"));
        assert!(of((10.0, None, None)).unwrap_err().contains("does not say when it was made"));
        assert!(place(&[(10.0, Some(500), None)]).unwrap_err().contains("no other file of this device"));
        // Two clocks that the files of one device cannot both have.
        let note = place(&[two[0], (40.0, Some(1200), Some(100.0)), (10.0, Some(1050), None)]).unwrap_err();
        assert!(note.contains("only to within"), "{note}");
    }

    #[test]
    fn timecode_that_the_sound_confirms_is_good_to_a_frame() {
        let file = |name: &str, timecode_s: f64| {
            let mut file = camera(name, 20.0, Some(7));
            file.info.as_mut().unwrap().timecode_s = Some(timecode_s);
            file
        };
        let (a, b) = (drifting(0.0, 0.0, 20.0), drifting(100.0, 0.0, 20.0));
        let starts = |second: f64| {
            let probed = [file("V1.MP4", 86_390.0), file("V2.MP4", second), file("V3.MP4", 40.0)];
            placed(&probed, |f| f == 2, |f| [Some((&a, 1)), Some((&b, 1)), None][f]).0.pop().map(|c| c.placement)
        };
        let sure = starts(90.0).unwrap();
        assert!((sure.map.knots()[0].1 - 50.0).abs() < 1e-6 && sure.uncertainty_s < 0.03, "{sure:?}");
        // Timecode that stands still between takes is no clock; dates that are all the same are none either.
        assert!(starts(10.0).is_none());
    }
}
