//! Listening checks: a few seconds of two recordings side by side, as a person would have laid them
//! by hand and as the alignment lays them.
//!
//! **By hand** means: the second recording is laid on the camera's once, at the first moment at which
//! both run, to the nearest picture frame, and plays on at its own speed from there, without any
//! correction. Everything that an alignment is for, drift, wander, lost sound, then shows.
//!
//! Each check lies where both recordings have much to hear, near the start, the middle or the end of
//! what they share.

use std::path::Path;

use coeval::clock::ClockMap;
use coeval::progress::Progress;
use coeval::resample::{Leg, ResampleOptions, Resampler, Route};
use coeval::samples::mix_down;
use coeval::{Error, ErrorKind, Result};
use coeval_media::{OpenOptions, SoundReader};

use crate::alignment::{Alignment, File, Kind, Recording};
use crate::feed::feed;
use crate::parallel::for_all;

/// How listening checks are made. The defaults serve.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct ListenOptions {
    /// Samples that all checks together may hold. Where there are many, they get shorter and duller, and at last
    /// fewer. Default 4.8 million: 9.6 MB at 16 bits.
    pub samples: usize,
    /// How files are opened.
    pub open: OpenOptions,
}

impl Default for ListenOptions {
    fn default() -> Self {
        Self { samples: 4_800_000, open: OpenOptions::default() }
    }
}

/// Where in the common time of two files a check lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Near its start.
    Start,
    /// Near its middle.
    Middle,
    /// Near its end.
    End,
}

impl Place {
    /// The word for it.
    pub fn as_str(self) -> &'static str {
        match self {
            Place::Start => "start",
            Place::Middle => "middle",
            Place::End => "end",
        }
    }
}

/// What is to be heard against each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Couple {
    /// The clip: a camera's file, where there is a camera.
    pub clip: String,
    /// The file that is laid under it.
    pub other: String,
    /// Common time, in the clip's presentation time, seconds.
    pub common_s: (f64, f64),
}

/// One check. All sound is mono at `rate_hz`, equally long, and equally loud.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Check {
    /// Whose sound.
    pub couple: Couple,
    /// Near the start, middle or end of what they share.
    pub place: Place,
    /// Where it starts in the clip, seconds of presentation time.
    pub clip_s: f64,
    /// Where it starts on the timeline, seconds.
    pub timeline_s: f64,
    /// Rate, Hz.
    pub rate_hz: u32,
    /// The clip's own sound.
    pub clip: Vec<f32>,
    /// The other's, laid by hand.
    pub before: Vec<f32>,
    /// The other's, as the alignment lays it.
    pub after: Vec<f32>,
    /// How early the other's sound comes in `before`, seconds; negative: late.
    pub before_early_s: f64,
}

/// Rate in Hz and length in seconds, the best first.
const QUALITIES: [(u32, f64); 5] = [(16_000, 4.0), (16_000, 3.0), (12_000, 3.0), (8_000, 3.0), (8_000, 2.0)];
/// How far from its place a check may move to where there is something to hear, seconds.
const SEARCH_S: f64 = 15.0;
/// Steps of that search, seconds.
const STEP_S: f64 = 0.25;
/// Level that both sounds are brought to, root mean square.
const LEVEL: f32 = 0.1;

/// Which files are to be heard against each other: each camera file with the recorder that ran longest with it, else
/// with the recording that did; without cameras, each file with the reference clock's. Of several events the first counts.
pub fn couples(alignment: &Alignment) -> Vec<Couple> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let clock = &alignment.timeline.clock;
    let any_camera = alignment.recordings.iter().any(|r| r.kind == Kind::Camera && r.files.iter().any(File::is_placed));
    let is_clip = |r: &&Recording| if any_camera { r.kind == Kind::Camera } else { r.id == *clock };
    let mut all: Vec<Couple> = Vec::new();
    for recording in alignment.recordings.iter().filter(is_clip) {
        for file in recording.listened() {
            let others = alignment.recordings.iter().filter(|r| r.id != recording.id);
            let shared = others.flat_map(|r| r.listened().map(move |f| (r.kind, f))).filter_map(|(kind, other)| {
                let couple = Couple {
                    clip: file.path.clone(),
                    other: other.path.clone(),
                    common_s: common(&file.map()?, file.sound.as_ref()?.rate_hz, &other.map()?)?,
                };
                (file.has_sound() && other.has_sound()).then_some((kind == Kind::Recorder, couple))
            });
            let longest = |a: &(bool, Couple), b: &(bool, Couple)| {
                let length = |c: &Couple| c.common_s.1 - c.common_s.0;
                a.0.cmp(&b.0).then(length(&a.1).total_cmp(&length(&b.1)))
            };
            if any_camera {
                all.extend(shared.max_by(longest).map(|s| s.1));
            } else {
                all.extend(shared.map(|s| s.1));
            }
        }
    }
    all
}

/// The part of a clip, in its own time, during which the other file runs too; at least 2 s.
fn common(clip: &ClockMap, rate_hz: u32, other: &ClockMap) -> Option<(f64, f64)> {
    let ends = |m: &ClockMap| (m.knots()[0], m.knots()[m.knots().len() - 1]);
    let (clip_ends, other_ends) = (ends(clip), ends(other));
    let from_s = clip.inverse(other_ends.0.1.max(clip_ends.0.1)).max(0.0);
    let to_s = clip.inverse(other_ends.1.1.min(clip_ends.1.1)).min(clip_ends.1.0);
    (rate_hz > 0 && to_s - from_s >= 2.0).then_some((from_s, to_s))
}

/// The second file laid under the first by hand, see the module: the moment of the other file that sounds at moment
/// zero of the clip, seconds. `None` when one of them has no place.
pub fn by_hand(alignment: &Alignment, couple: &Couple) -> Option<f64> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let camera = alignment.recordings.iter().find(|r| r.files.iter().any(|f| f.path == couple.clip))?;
    let other = alignment.map(&couple.other)?;
    let (other_from, other_to) = (other.knots()[0].1, other.knots()[other.knots().len() - 1].1);
    let placed: Vec<(&File, ClockMap)> = camera.files.iter().filter_map(|f| Some((f, f.map()?))).collect();
    // The camera's own clock from its first file on.
    let origin_s = placed.first()?.1.knots()[0].1;
    let speed = 1.0 + placed.first()?.1.drift_ppm() * 1e-6;
    let base_s = |map: &ClockMap| (map.forward(0.0) - origin_s) / speed;
    // Its first file that the other shares time with.
    let (file, map) =
        placed.iter().find(|(_, m)| m.knots()[0].1 < other_to && other_from < m.knots()[m.knots().len() - 1].1)?;
    let met_s = map.knots()[0].1.max(other_from);
    let [num, den] = file.picture.as_ref().map_or_else(|| alignment.frame_rate(), |p| p.frame_rate);
    let frame_s = if num > 0 && den > 0 { f64::from(den) / f64::from(num) } else { 0.04 };
    let lead_s = base_s(map) + map.inverse(met_s) - other.inverse(met_s);
    let lead_s = (lead_s / frame_s).round() * frame_s;
    Some(base_s(&alignment.map(&couple.clip)?) - lead_s)
}

/// Cuts all checks. `folder` is the one that the alignment's names are relative to. A couple whose files cannot be
/// read is left out.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only.
pub fn listen(
    alignment: &Alignment,
    folder: &Path,
    options: &ListenOptions,
    progress: &dyn Progress,
) -> Result<Vec<Check>> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let mut jobs: Vec<(Couple, Place)> = Vec::new();
    for couple in couples(alignment) {
        let long = couple.common_s.1 - couple.common_s.0 >= 12.0;
        let places: &[Place] = if long { &[Place::Start, Place::Middle, Place::End] } else { &[Place::Middle] };
        jobs.extend(places.iter().map(|&p| (couple.clone(), p)));
    }
    // A check holds three mono sounds but is heard as two pairs.
    let samples = |(rate, seconds): (u32, f64)| (4.0 * f64::from(rate) * seconds) as usize;
    let fits = |q: &(u32, f64)| samples(*q) * jobs.len() <= options.samples;
    let quality = QUALITIES.into_iter().find(fits).unwrap_or(QUALITIES[QUALITIES.len() - 1]);
    // The rest falls where it must: evenly, not all at the end.
    let most = (options.samples / samples(quality)).max(1);
    if jobs.len() > most {
        let step = jobs.len() as f64 / most as f64;
        jobs = (0..most).map(|i| jobs[(i as f64 * step) as usize].clone()).collect();
    }
    let checks = for_all(
        "cutting listening checks",
        &jobs,
        |_| 1.0,
        progress,
        |(couple, place), _| match check(alignment, folder, couple, *place, quality, options) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            other => Ok(other.ok()),
        },
    )?;
    Ok(checks.into_iter().flatten().collect())
}

fn check(
    alignment: &Alignment,
    folder: &Path,
    couple: &Couple,
    place: Place,
    (rate_hz, seconds): (u32, f64),
    options: &ListenOptions,
) -> Result<Check> {
    let placed = |path: &str| alignment.map(path).ok_or_else(|| Error::invalid("not placed").with_path(path));
    let (clip_map, other_map) = (placed(&couple.clip)?, placed(&couple.other)?);
    let (from_s, to_s) = couple.common_s;
    let seconds = seconds.min(to_s - from_s);
    let search_s = SEARCH_S.min((to_s - from_s) / 3.0).max(seconds);
    let region_s = match place {
        Place::Start => from_s,
        Place::Middle => (from_s + to_s - search_s) / 2.0,
        Place::End => to_s - search_s,
    };
    let own = Leg { from_s: f64::NEG_INFINITY, to_s: f64::INFINITY, at_s: 0.0, source_s: 0.0, speed: 1.0 };
    let by_hand_s = by_hand(alignment, couple).ok_or_else(|| Error::invalid("not placed"))?;
    let length = |s: f64| (s * f64::from(rate_hz)).round() as usize;
    let cut = |path: &str, route: &Route, at_s: f64, s: f64| {
        let open = alignment.file(path).map_or_else(|| options.open.clone(), |f| f.opened(&options.open));
        mono(&folder.join(path), route, at_s, length(s), rate_hz, &open)
    };
    let under = Route::under_clip(&other_map, &clip_map);
    let clip = cut(&couple.clip, &Route::from_legs(vec![own])?, region_s, search_s)?;
    let after = cut(&couple.other, &under, region_s, search_s)?;
    let at = busiest(&clip, &after, length(STEP_S), length(seconds));
    let clip_s = region_s + at as f64 / f64::from(rate_hz);
    let part = |x: &[f32]| x[at..at + length(seconds)].to_vec();
    let hand = Leg { source_s: by_hand_s, ..own };
    let mut check = Check {
        couple: couple.clone(),
        place,
        clip_s,
        timeline_s: clip_map.forward(clip_s),
        rate_hz,
        clip: part(&clip),
        before: cut(&couple.other, &Route::from_legs(vec![hand])?, clip_s, seconds)?,
        after: part(&after),
        before_early_s: {
            let middle_s = clip_s + seconds / 2.0;
            other_map.forward(by_hand_s + middle_s) - clip_map.forward(middle_s)
        },
    };
    let gain = |x: &[f32]| {
        let rms = (x.iter().map(|v| v * v).sum::<f32>() / x.len().max(1) as f32).sqrt();
        let peak = x.iter().fold(0.0f32, |m, v| m.max(v.abs()));
        if rms > 0.0 { (LEVEL / rms).min(0.9 / peak) } else { 1.0 }
    };
    let (clip_gain, other_gain) = (gain(&check.clip), gain(&check.after));
    check.clip.iter_mut().for_each(|v| *v *= clip_gain);
    check.after.iter_mut().for_each(|v| *v *= other_gain);
    check.before.iter_mut().for_each(|v| *v = (*v * other_gain).clamp(-1.0, 1.0));
    Ok(check)
}

/// Where a stretch of `length` samples has most to hear in both: the largest mean of the product of both powers, each
/// over its own median, in blocks of `step`.
fn busiest(a: &[f32], b: &[f32], step: usize, length: usize) -> usize {
    let powers = |x: &[f32]| -> Vec<f64> {
        let power = |c: &[f32]| c.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() + 1e-12;
        let powers: Vec<f64> = x.chunks_exact(step).map(power).collect();
        let mut sorted = powers.clone();
        sorted.sort_by(f64::total_cmp);
        let median = sorted.get(sorted.len() / 2).copied().unwrap_or(1.0);
        // A single bang must not outweigh seconds of talk.
        powers.iter().map(|p| (p / median).min(30.0)).collect()
    };
    let product: Vec<f64> = powers(a).iter().zip(powers(b)).map(|(x, y)| x * y).collect();
    let blocks = length.div_ceil(step);
    let best = (0..=product.len().saturating_sub(blocks))
        .max_by(|&i, &j| {
            let sum = |i: usize| product[i..(i + blocks).min(product.len())].iter().sum::<f64>();
            sum(i).total_cmp(&sum(j)).then(j.cmp(&i))
        })
        .unwrap_or(0);
    (best * step).min(a.len().min(b.len()).saturating_sub(length))
}

/// Some seconds of a file along a route, all channels as one.
fn mono(path: &Path, route: &Route, at_s: f64, frames: usize, rate_hz: u32, open: &OpenOptions) -> Result<Vec<f32>> {
    let mut reader = SoundReader::open(path, open)?;
    let sound = reader.sound()?;
    let channels = sound.channels;
    let options = ResampleOptions::new(f64::from(sound.rate_hz), f64::from(rate_hz), channels, frames as u64);
    let mut resampler = Resampler::new(route, &options.starting_at(at_s)).map_err(|e| e.with_path(path))?;
    let (mut input, mut block, mut out) = (Vec::new(), Vec::new(), Vec::with_capacity(frames));
    let mut at = 0;
    loop {
        feed(&mut resampler, &mut reader, &mut at, &mut input)?;
        if resampler.pull(&mut block) == 0 {
            return Ok(out);
        }
        mix_down(&block, channels, &mut out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conform::tests::{alignment, file, picture, record, voice};

    /// A camera of two chapters whose clock runs -40 ppm, and a recorder at +60 ppm that loses half a second.
    fn shoot(folder: &Path) -> Alignment {
        let first = ClockMap::linear(10.0, -40.0, 60.0);
        let second = ClockMap::linear(80.0, -40.0, 50.0);
        let knots = vec![(0.0, 2.345), (90.0, 92.3504), (90.0, 92.8504), (140.0, 142.8534)];
        let recorder = ClockMap::from_knots(knots).unwrap();
        // A voice that comes and goes, so that some places have more to hear than others.
        let talk = |t: f64| voice(t) * (0.05 + (0.4 * t).sin().max(0.0));
        record(folder, "C1.WAV", 48_000, 2, &first, talk);
        record(folder, "C2.WAV", 48_000, 2, &second, talk);
        record(folder, "R.WAV", 44_100, 1, &recorder, talk);
        let camera =
            |name: &str, map: &ClockMap, seconds: f64| File { picture: picture(seconds), ..file(name, 48_000, 2, map) };
        alignment(
            vec![camera("C1.WAV", &first, 60.0), camera("C2.WAV", &second, 50.0)],
            vec![file("R.WAV", 44_100, 1, &recorder)],
        )
    }

    #[test]
    fn what_is_heard_is_what_lies_there() {
        let dir = tempfile::tempdir().unwrap();
        let alignment = shoot(dir.path());
        let checks = listen(&alignment, dir.path(), &ListenOptions::default(), &()).unwrap();
        let places: Vec<_> = checks.iter().map(|c| (c.couple.clip.as_str(), c.place.as_str())).collect();
        let both = ["start", "middle", "end"];
        assert_eq!(places, [both.map(|p| ("C1.WAV", p)), both.map(|p| ("C2.WAV", p))].concat());
        for check in &checks {
            assert_eq!((check.rate_hz, check.couple.other.as_str()), (16_000, "R.WAV"));
            assert_eq!([check.clip.len(), check.before.len(), check.after.len()], [64_000; 3]);
            let map = alignment.map(&check.couple.clip).unwrap();
            assert!((map.forward(check.clip_s) - check.timeline_s).abs() < 1e-9);
            // The clip's two channels are the voice and half of it turned round; levels are made equal.
            let rms = |x: &[f32]| (x.iter().map(|v| v * v).sum::<f32>() / x.len() as f32).sqrt();
            assert!((rms(&check.clip) - LEVEL).abs() < 1e-4 && (rms(&check.after) - LEVEL).abs() < 1e-4);
            // Both voices are the same sound at the same sample, a sample apart they are not. Where a file begins, the
            // band limit rings for half its filter's length.
            let apart = |shift: usize| {
                let both = check.clip[300 + shift..].iter().zip(&check.after[300..63_700]);
                both.map(|(a, b)| (a - b).abs()).fold(0.0, f32::max)
            };
            assert!(apart(0) < 1e-5, "{}", apart(0));
            assert!(apart(1) > 2e-2, "{}", apart(1));
        }
    }

    #[test]
    fn by_hand_is_right_to_half_a_frame_where_both_begin_and_runs_off_from_there() {
        let dir = tempfile::tempdir().unwrap();
        let alignment = shoot(dir.path());
        let couples = couples(&alignment);
        assert_eq!(couples.len(), 2);
        let recorder = alignment.map("R.WAV").unwrap();
        let early = |couple: &Couple, clip_s: f64| {
            let sounds_s = by_hand(&alignment, couple).unwrap() + clip_s;
            recorder.forward(sounds_s) - alignment.map(&couple.clip).unwrap().forward(clip_s)
        };
        let at_first = early(&couples[0], 0.0);
        assert!(at_first.abs() <= 0.5 / 25.0 + 1e-6, "{at_first}");
        // 100 ppm between the two clocks: 6 ms in a minute.
        assert!((early(&couples[0], 60.0) - at_first - 6e-3).abs() < 1e-4);
        // The second chapter follows the first on the camera's clock; after the lost half second the sound is early by it.
        assert!((early(&couples[1], 0.0) - at_first - 7e-3).abs() < 1e-3, "{}", early(&couples[1], 0.0) - at_first);
        assert!((early(&couples[1], 30.0) - at_first - 0.51).abs() < 2e-3, "{}", early(&couples[1], 30.0) - at_first);
        // What a check says of its own sound is the same.
        let checks = listen(&alignment, dir.path(), &ListenOptions::default(), &()).unwrap();
        for check in checks {
            let middle_s = check.clip_s + 2.0;
            assert!((check.before_early_s - early(&check.couple, middle_s)).abs() < 1e-9);
        }
    }

    #[test]
    fn many_checks_get_smaller_and_then_fewer() {
        let dir = tempfile::tempdir().unwrap();
        let alignment = shoot(dir.path());
        for samples in [1_540_000, 700_000, 400_000, 200_000] {
            let options = ListenOptions { samples, ..ListenOptions::default() };
            let checks = listen(&alignment, dir.path(), &options, &()).unwrap();
            let held: usize = checks.iter().map(|c| 4 * c.clip.len()).sum();
            assert!(!checks.is_empty() && held <= samples && held > samples / 4, "{held} of {samples}");
        }
        std::fs::remove_file(dir.path().join("R.WAV")).unwrap();
        assert!(listen(&alignment, dir.path(), &ListenOptions::default(), &()).unwrap().is_empty());
    }
}
