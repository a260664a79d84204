//! Files -> tracks -> pairs.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use coeval::pair::{Aligner, PairAlignment, PairOptions, PairOutcome, Unplaced};
use coeval::progress::{Progress, step};
use coeval::track::{NewScratch, TRACK_RATE_HZ, Track, TrackBuilder};
use coeval::{Error, ErrorKind, Result};
use coeval_media::{OpenOptions, SoundReader};

use crate::alignment::{EvidenceKind, Kind};
use crate::chapters::Group;
use crate::find::Found;
use crate::guard::guarded;
use crate::headers::Probed;
use crate::kept::{self, Kept};
use crate::parallel::for_all;
use crate::says::{self, Listener, Said};
use crate::{ltc, scratch};

/// A file's sound as the comparison needs it.
#[derive(Debug)]
#[non_exhaustive]
pub struct Sound {
    /// The analysis track.
    pub track: Track,
    /// The file's length on presentation time, seconds.
    pub duration_s: f64,
    /// What was found wrong but could be read past.
    pub warnings: Vec<String>,
    /// Where the track is kept, if it is.
    pub(crate) kept: Option<Kept>,
    /// Timecode on a channel that the track leaves out.
    pub(crate) ltc: Option<ltc::Read>,
    /// The channels that the track is made of, from 0; `None`: all.
    pub(crate) channels: Option<Vec<usize>>,
    /// What each channel says.
    pub(crate) said: Vec<Said>,
}

impl Sound {
    /// The channels that are compared, counted from 1; `None`: all.
    pub(crate) fn compared(&self) -> Option<Vec<usize>> {
        let some = self.channels.as_ref().filter(|c| c.len() < self.said.len());
        some.map(|channels| channels.iter().map(|c| c + 1).collect())
    }

    pub(crate) fn of(file: &TrackFile) -> Self {
        Self {
            track: file.track.clone(),
            duration_s: file.track.duration_s(),
            warnings: Vec::new(),
            kept: None,
            ltc: None,
            channels: None,
            said: Vec::new(),
        }
    }
}

/// A file whose sound the caller has read itself.
#[derive(Debug, Clone)]
pub struct TrackFile {
    /// What the result calls the file; unique.
    pub name: String,
    /// Id of its recording. Files of one recording are its chapters, in the order in which they are given.
    pub recording: String,
    /// What kind of device made it.
    pub kind: Kind,
    /// Its sound, from the file's presentation zero on.
    pub track: Track,
}

/// What became of reading a file's sound: `Ok(None)` when its headers could not be read in the first place.
pub type Analysed = Result<Option<Sound>>;

/// A file's sound, if there is any to hear.
pub(crate) fn audible(heard: &Analysed) -> Option<&Sound> {
    heard.as_ref().ok()?.as_ref().filter(|s| !s.track.is_silent())
}

/// How two files lie on each other.
#[derive(Debug)]
#[non_exhaustive]
pub struct Compared {
    /// Index of the first file.
    pub a: usize,
    /// Index of the second file, greater than `a`.
    pub b: usize,
    /// What came of it.
    pub outcome: PairOutcome,
    /// By what.
    pub by: EvidenceKind,
}

impl Compared {
    /// What the common sound says of files `a` < `b`.
    pub fn new(a: usize, b: usize, outcome: PairOutcome) -> Self {
        Self { a, b, outcome, by: EvidenceKind::Sound }
    }

    /// Do they share sound?
    pub fn is_placed(&self) -> bool {
        matches!(self.outcome, PairOutcome::Placed(_))
    }
}

/// Reads the sound of all files, each once, as a stream into its analysis track.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only; what is wrong with a file stands in its [`Analysed`].
pub fn analyse(
    found: &Found,
    probed: &[Probed],
    options: &OpenOptions,
    progress: &dyn Progress,
) -> Result<Vec<Analysed>> {
    let files: Vec<(&Path, &Probed)> = found.sources.iter().map(|s| s.path.as_path()).zip(probed).collect();
    let length = |file: &(&Path, &Probed)| file.1.info.as_ref().map_or(0.0, |i| i.duration_s);
    let place = scratch::temporary_files();
    for_all("reading sound", &files, length, progress, |&(path, probed), progress| match &probed.info {
        Err(_) => Ok(Ok(None)),
        Ok(_) => match guarded(path, || analysed(path, options, &place, progress)) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            other => Ok(other.map(Some)),
        },
    })
}

/// A file's sound, of this run or an earlier one; that of a long one lies in a part of `place`.
fn analysed(path: &Path, options: &OpenOptions, place: &NewScratch, progress: &dyn Progress) -> Result<Sound> {
    let about = |(cache, key): &Kept| (cache.clone(), key.clone().with(b"about"));
    let load = |kept: &Kept| {
        let (duration_s, warnings, ltc, channels, said) = kept::get(&about(kept))?;
        let (mut bytes, length) = kept.0.read(&kept.1)?;
        let spill = Some((scratch::AFTER_S, place.clone()));
        let track = Track::read_from(&mut bytes, length, spill).ok()?;
        Some(Sound { track, duration_s, warnings, kept: None, ltc, channels, said })
    };
    let save = |kept: &Kept, sound: &Sound| {
        kept::put(&about(kept), &(sound.duration_s, &sound.warnings, &sound.ltc, &sound.channels, &sound.said));
        kept.0.write(&kept.1, |out| sound.track.write_to(out).map_err(std::io::Error::other));
    };
    let work = || analyse_one(path, options, place, progress);
    let (mut sound, kept) = kept::measured(path, options, "track", load, save, work)?;
    sound.kept = kept;
    Ok(sound)
}

fn analyse_one(path: &Path, options: &OpenOptions, place: &NewScratch, progress: &dyn Progress) -> Result<Sound> {
    let (mut sound, carriers) = analyse_channels(path, options, &[], place, progress)?;
    let mut channels: Vec<usize> = (0..sound.said.len()).collect();
    if !carriers.is_empty() {
        // Timecode sounds from beginning to end, and would be all that is heard.
        (channels, sound.ltc) = ltc::read(path, options, &carriers, progress)?;
    }
    let many = channels.len() > FEW;
    if many {
        let said: Vec<Said> = channels.iter().map(|&c| sound.said[c]).collect();
        channels = says::which(&said).into_iter().map(|i| channels[i]).collect();
    }
    if channels.len() == sound.said.len() && !many {
        return Ok(sound);
    }
    sound.track = match channels.as_slice() {
        [] => silence(sound.track.len(), place)?,
        _ => {
            let (mut options, again) = (options.clone(), |_: &str, _: f64| progress.report("reading sound", 1.0));
            options.channels = Some(channels.clone());
            // The loudest would be all that is heard of many.
            let alike = |&c: &usize| (1.0 / sound.said[c].rms.max(LEAST_RMS)) as f32;
            let gains: Vec<f32> = if many { channels.iter().map(alike).collect() } else { Vec::new() };
            analyse_channels(path, &options, &gains, place, &again)?.0.track
        }
    };
    sound.channels = Some(channels);
    Ok(sound)
}

/// A track of so many samples of silence.
fn silence(length: usize, place: &NewScratch) -> Result<Track> {
    let mut builder = TrackBuilder::new(TRACK_RATE_HZ, 1)?.spilling(scratch::AFTER_S, place.clone());
    let block = [0.0; 8192];
    for from in (0..length).step_by(block.len()) {
        builder.push(&block[..block.len().min(length - from)])?;
    }
    Ok(builder.finish())
}

/// The sound of the channels that `options` open, each at its gain (none: as it is), and the channels that some timecode
/// was heard on.
fn analyse_channels(
    path: &Path,
    options: &OpenOptions,
    gains: &[f32],
    place: &NewScratch,
    progress: &dyn Progress,
) -> Result<(Sound, Vec<usize>)> {
    let mut reader = SoundReader::open(path, options)?;
    let (info, sound) = (reader.info().clone(), reader.sound()?);
    let (rate_hz, channels) = (f64::from(sound.rate_hz), sound.channels);
    let builder = TrackBuilder::new(rate_hz, channels).map_err(|e| e.with_path(path))?;
    let (mut look, mut listener) = (ltc::Look::new(rate_hz, channels), Listener::new(rate_hz, channels));
    let mut builder = builder.spilling(scratch::AFTER_S, place.clone());
    let frames = reader.read_to_end(|block, done| {
        if gains.is_empty() {
            look.push(block);
            listener.push(block);
            builder.push(block).map_err(|e| e.with_path(path))?;
        } else {
            let louder: Vec<f32> = block.iter().zip(gains.iter().cycle()).map(|(x, gain)| gain * x).collect();
            builder.push(&louder).map_err(|e| e.with_path(path))?;
        }
        step(progress, "reading sound", done)
    })?;
    if frames == 0 {
        return Err(Error::new(ErrorKind::NoSound, "the sound track has no samples")
            .with_path(path)
            .with_remedy("the device wrote no sound; leave the file out"));
    }
    let mut warnings = reader.warnings().to_vec();
    if !sound.start_is_exact {
        warnings.push("the format does not say its encoder delay, so the sound may be up to 25 ms late (common practice, no source)".to_owned());
    }
    let heard_s = frames as f64 / rate_hz;
    // Pictures may go on without sound; sound alone is as long as what could be read of it.
    let duration_s =
        if info.picture.is_some() && info.duration_s.is_finite() { info.duration_s.max(heard_s) } else { heard_s };
    let track = builder.finish();
    let said = listener.finish();
    Ok((Sound { track, duration_s, warnings, kept: None, ltc: None, channels: None, said }, look.found()))
}

/// Of so many channels each is heard as it is; of more, those that say something, each as loud as the others.
const FEW: usize = 2;
/// What is quieter is not made louder any more.
const LEAST_RMS: f64 = 1e-6;

/// How sure both of two placements must be to tell how their files lie to each other.
const SURE: f64 = 0.99;
/// Files that lie further apart than this share nothing, seconds; an overlap shorter than this is too little to be found
/// anywhere but where it is expected, to so many seconds.
const APART_S: f64 = 5.0;
const SHORT_S: f64 = 120.0;
const EXPECTED_S: f64 = 2.0;
/// From so many seconds in common on, a sure pair tells how two devices' clocks differ: to so many ppm, since clocks change
/// with temperature.
const LEARNT_FROM_S: f64 = 300.0;
const LEARNT_PPM: f64 = 30.0;

/// How two files lie to each other, by a third that both were placed on.
enum Expected {
    Anywhere,
    Within((f64, f64)),
    Apart,
}

/// Where a file lies on a hub: the hub's file, and from when to when the file runs on its clock.
type Span = (usize, (f64, f64));
/// For each file, its sure places on hubs.
type Spans = BTreeMap<usize, Vec<Span>>;

/// Sure pairs, as map from `b`'s time to `a`'s.
fn sure(compared: &[Compared]) -> impl Iterator<Item = (&Compared, &PairAlignment)> {
    compared.iter().filter_map(|c| match &c.outcome {
        PairOutcome::Placed(placed) if placed.confidence >= SURE => Some((c, &**placed)),
        _ => None,
    })
}

fn spans<'c>(
    sure: impl Iterator<Item = (&'c Compared, &'c PairAlignment)>,
    hubs: &[usize],
    length_s: impl Fn(usize) -> f64,
) -> Spans {
    let mut spans = Spans::new();
    for (c, placed) in sure {
        if hubs.contains(&c.a) {
            let on_hub = |s: f64| placed.map.forward(s);
            spans.entry(c.b).or_default().push((c.a, (on_hub(0.0), on_hub(length_s(c.b)))));
        }
        if hubs.contains(&c.b) {
            let on_hub = |s: f64| placed.map.inverse(s);
            spans.entry(c.a).or_default().push((c.b, (on_hub(0.0), on_hub(length_s(c.a)))));
        }
    }
    spans
}

/// What their places on hubs say of two files. `follow` tells whether two hub files are chapters that do not overlap.
/// `thorough`: two that have much time in common have been looked for anywhere already.
fn expected(
    spans: &Spans,
    (a, b): (usize, usize),
    length_s: impl Fn(usize) -> f64,
    follow: impl Fn(usize, usize) -> bool,
    thorough: bool,
) -> Expected {
    let of = |file: usize| spans.get(&file).map_or(&[][..], Vec::as_slice);
    let inside = |span: &Span| span.1.0 >= 0.0 && span.1.1 <= length_s(span.0);
    for x in of(a) {
        if let Some(y) = of(b).iter().find(|y| y.0 == x.0) {
            let overlap_s = x.1.1.min(y.1.1) - x.1.0.max(y.1.0);
            if overlap_s < -APART_S {
                return Expected::Apart;
            }
            if thorough || overlap_s < SHORT_S {
                let offset_s = y.1.0 - x.1.0;
                return Expected::Within((offset_s - EXPECTED_S, offset_s + EXPECTED_S));
            }
        }
        // Each within another chapter of one take.
        if of(b).iter().any(|y| follow(x.0, y.0) && inside(x) && inside(y)) {
            return Expected::Apart;
        }
    }
    Expected::Anywhere
}

/// What is known of how devices' clocks differ: for each recording, seconds that it counts more than the first hub in a
/// million, lowest and highest.
type Learnt = BTreeMap<usize, (f64, f64)>;

fn learnt<'c>(
    sure: impl Iterator<Item = (&'c Compared, &'c PairAlignment)>,
    recording_of: &[usize],
    hub: usize,
) -> Learnt {
    let mut learnt = Learnt::new();
    for (c, placed) in sure.filter(|(_, p)| p.overlap_s >= LEARNT_FROM_S) {
        let drift_ppm = placed.map.drift_ppm();
        let (other, more_ppm) = match (recording_of[c.a] == hub, recording_of[c.b] == hub) {
            (true, false) => (recording_of[c.b], -drift_ppm),
            (false, true) => (recording_of[c.a], drift_ppm),
            _ => continue,
        };
        let range = learnt.entry(other).or_insert((more_ppm, more_ppm));
        *range = (range.0.min(more_ppm), range.1.max(more_ppm));
    }
    if !learnt.is_empty() {
        learnt.insert(hub, (0.0, 0.0));
    }
    learnt
}

/// Lowest and highest drift of files of recording `y` against files of `x`, ppm, if both clocks are known.
fn drift_range_ppm(learnt: &Learnt, x: usize, y: usize) -> Option<(f64, f64)> {
    let (x, y) = (learnt.get(&x)?, learnt.get(&y)?);
    Some((x.0 - y.1 - LEARNT_PPM, x.1 - y.0 + LEARNT_PPM))
}

/// Compares every two files of different recordings, but for those that are in `known` already.
///
/// Two files of one recording do not overlap, and are compared only where nothing but their names joins one to the next. A
/// silent file has nothing to compare. Two files for which `range_s` tells the lowest and highest offset (time in the
/// first minus time in the second at its start, seconds) are looked for there only.
///
/// First each pair is glanced at, which finds what has much in common; where that finds something, it is looked into at
/// once. Thorough searches follow where a file has no sure place yet, and, of two sets of files that belong together each by
/// itself, between the longest of each. So what costs most is spent on what belongs nowhere.
///
/// The longest recording goes first, as a hub; then the longest that has a file without a sure place on a hub, and so
/// on. Files that both have a sure place on a hub, but no time in common there, are not searched from end to end. Where
/// the hub has shown how two devices' clocks differ, no other difference is searched.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled), and [`InvalidArgument`](ErrorKind::InvalidArgument) for options out of range.
pub fn compare(
    heard: &[Analysed],
    groups: &[Group],
    known: &[Compared],
    options: &PairOptions,
    range_s: &(dyn Fn(usize, usize) -> Option<(f64, f64)> + Sync),
    progress: &dyn Progress,
) -> Result<Vec<Compared>> {
    let place = places(heard.len(), groups);
    let asked = |a: usize, b: usize| {
        let ((group_a, i), (group_b, j)) = (place[a], place[b]);
        group_a != group_b || i.abs_diff(j) == 1 && groups[group_a].by_names(i.min(j), i.max(j))
    };
    compare_asked(heard, groups, known, &asked, options, range_s, progress)
}

/// For each file, its recording and its place in it. Every file is in one.
pub(crate) fn places(files: usize, groups: &[Group]) -> Vec<(usize, usize)> {
    let mut place = vec![(0, 0); files];
    for (index, group) in groups.iter().enumerate() {
        group.files.iter().enumerate().for_each(|(i, &f)| place[f] = (index, i));
    }
    place
}

/// As [`compare`], for the files `a` < `b` that `asked` names.
pub(crate) fn compare_asked(
    heard: &[Analysed],
    groups: &[Group],
    known: &[Compared],
    asked: &dyn Fn(usize, usize) -> bool,
    options: &PairOptions,
    range_s: &(dyn Fn(usize, usize) -> Option<(f64, f64)> + Sync),
    progress: &dyn Progress,
) -> Result<Vec<Compared>> {
    let track = |file: usize| audible(&heard[file]).map(|sound| &sound.track);
    let length_s = |file: usize| track(file).map_or(0.0, Track::duration_s);
    let place = places(heard.len(), groups);
    let recording_of: Vec<usize> = place.iter().map(|p| p.0).collect();
    let follow = |x: usize, y: usize| {
        let ((group_x, i), (group_y, j)) = (place[x], place[y]);
        x != y && group_x == group_y && !groups[group_x].by_names(i.min(j), i.max(j))
    };
    let usable: Vec<usize> = (0..heard.len()).filter(|&f| track(f).is_some()).collect();
    let done: BTreeSet<(usize, usize)> = known.iter().map(|k| (k.a, k.b)).collect();
    let mut open = Vec::new();
    for (i, &a) in usable.iter().enumerate() {
        for &b in &usable[i + 1..] {
            if asked(a, b) && !done.contains(&(a, b)) {
                open.extend(track(a).zip(track(b)).map(|(x, y)| (a, b, x, y)));
            }
        }
    }
    let sound_s = |g: usize| groups[g].files.iter().map(|&f| length_s(f)).sum::<f64>();
    let mut by_length: Vec<usize> = (0..groups.len()).collect();
    by_length.sort_by(|&x, &y| sound_s(y).total_cmp(&sound_s(x)).then(groups[x].id.cmp(&groups[y].id)));
    // Options are checked even where there is nothing to compare.
    let aligner = Aligner::new(options.clone())?;
    let work = |p: &(usize, usize, &Track, &Track)| p.2.duration_s() + p.3.duration_s();
    let mut compared: Vec<Compared> = Vec::new();
    let mut hubs: Vec<usize> = Vec::new();
    for (thorough, share) in [(false, (0.0, GLANCES)), (true, (GLANCES, 1.0))] {
        let mut left = Vec::new();
        let all = open.iter().map(work).sum::<f64>().max(1e-9);
        let (mut from, mut tried) = (0.0, vec![false; groups.len()]);
        while !open.is_empty() {
            let sure = || sure(known).chain(sure(&compared));
            let seen = spans(sure(), &hubs, length_s);
            let sets = &sets(heard.len(), sure().map(|(c, _)| (c.a, c.b)));
            let others = |f: usize| (0..heard.len()).filter(move |&g| g != f && sets[g] == sets[f]);
            let alone = |f: usize| others(f).next().is_none();
            let longest = |f: usize| others(f).all(|g| (length_s(f), g) > (length_s(g), f));
            let lost = |f: usize| match thorough {
                true => alone(f),
                false => !hubs.contains(&f) && !seen.contains_key(&f),
            };
            let is_hub = |g: usize| !tried[g] && groups[g].files.iter().any(|&f| track(f).is_some() && lost(f));
            let pairs = match by_length.iter().copied().find(|&g| is_hub(g)) {
                Some(hub) => {
                    tried[hub] = true;
                    hubs.extend(&groups[hub].files);
                    let touches = |p: &mut (usize, usize, &Track, &Track)| {
                        groups[hub].files.contains(&p.0) || groups[hub].files.contains(&p.1)
                    };
                    open.extract_if(.., touches).collect()
                }
                None => std::mem::take(&mut open),
            };
            if pairs.is_empty() {
                continue;
            }
            let part = pairs.iter().map(work).sum::<f64>() / all;
            let progress = &|stage: &str, done: f64| {
                progress.report(stage, (share.0 + (share.1 - share.0) * (from + part * done)).min(1.0))
            };
            let clocks = by_length.first().map_or_else(Learnt::new, |&hub| learnt(sure(), &recording_of, hub));
            let none = || Some(PairOutcome::Unplaced(Unplaced::NoCommonSound));
            let found = for_all("comparing", &pairs, work, progress, |&(a, b, x, y), progress| {
                let place = match range_s(a, b) {
                    Some(range) => Expected::Within(range),
                    None => expected(&seen, (a, b), length_s, follow, thorough),
                };
                let mut narrowed = options.clone();
                let devices = (recording_of[a], recording_of[b]);
                // Names may have joined two devices to one recording.
                let range_ppm =
                    (devices.0 != devices.1).then(|| drift_range_ppm(&clocks, devices.0, devices.1)).flatten();
                if let Some((low, high)) = range_ppm {
                    // The place for a range of drift, once a comparison takes one.
                    narrowed.max_drift_ppm = narrowed.max_drift_ppm.min(low.abs().max(high.abs()));
                }
                let anywhere = match place {
                    Expected::Apart => return Ok(none()),
                    Expected::Within(range) => {
                        narrowed.offset_range_s = Some(range);
                        false
                    }
                    Expected::Anywhere => true,
                };
                // Of two sets of files that belong together, each by itself, the longest speak for all.
                if thorough && anywhere && !(alone(a) || alone(b) || longest(a) && longest(b)) {
                    return Ok(none());
                }
                let as_asked = (narrowed.max_drift_ppm, narrowed.offset_range_s)
                    == (options.max_drift_ppm, options.offset_range_s);
                let own = (!as_asked).then(|| Aligner::new(narrowed.clone())).transpose()?;
                let aligner = own.as_ref().unwrap_or(&aligner);
                let glance = anywhere && !thorough;
                outcome_of(heard, (a, b), &narrowed, glance, || match glance {
                    true => aligner.glance(x, y, progress),
                    false => aligner.align(x, y, progress).map(Some),
                })
            })?;
            from += part;
            for (pair, outcome) in pairs.into_iter().zip(found) {
                match outcome {
                    Some(outcome) => compared.push(Compared::new(pair.0, pair.1, outcome)),
                    None => left.push(pair),
                }
            }
        }
        open = left;
    }
    compared.sort_by_key(|c| (c.a, c.b));
    Ok(compared)
}

/// Share of the work that the first look at all pairs is taken for, in the progress.
const GLANCES: f64 = 0.3;

/// For each file, the number of the set that it belongs to by these pairs; a file that is in none is a set by itself.
fn sets(files: usize, pairs: impl Iterator<Item = (usize, usize)>) -> Vec<usize> {
    let mut set: Vec<usize> = (0..files).collect();
    for (a, b) in pairs {
        let (from, to) = (set[b], set[a]);
        set.iter_mut().filter(|s| **s == from).for_each(|s| *s = to);
    }
    set
}

/// What came of comparing two files, at a glance or not, by an earlier run where both are kept, or else by `work`. `None`
/// where a glance finds nothing.
fn outcome_of(
    heard: &[Analysed],
    (a, b): (usize, usize),
    options: &PairOptions,
    glance: bool,
    work: impl FnOnce() -> Result<Option<PairOutcome>>,
) -> Result<Option<PairOutcome>> {
    let kept = |file: usize| audible(&heard[file]).and_then(|sound| sound.kept.as_ref());
    let Some(((cache, a), (_, b))) = kept(a).zip(kept(b)) else { return work() };
    // Written out, numbers are exact and no option is forgotten.
    let kind = if glance { "glance" } else { "pair" };
    let key = kept::key(kind).with(&a.bytes()).with(&b.bytes()).with(format!("{options:?}").as_bytes());
    // Nothing found is no bytes.
    match cache.get(&key).map(|bytes| (bytes.is_empty(), PairOutcome::from_bytes(&bytes))) {
        Some((true, _)) if glance => return Ok(None),
        Some((_, Ok(known))) => return Ok(Some(known)),
        _ => {}
    }
    let outcome = work()?;
    cache.put(&key, &outcome.as_ref().map_or_else(Vec::new, PairOutcome::to_bytes));
    Ok(outcome)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use coeval::clock::ClockMap;
    use coeval::pair::PairAlignment;

    #[test]
    fn files_with_sure_places_on_a_third_are_looked_for_where_they_meet() {
        // File 1 is the hub, an hour long; 0, 2 and 3 are ten minutes each, and start 100, 690 and 3000 s into it.
        let at = |a: usize, b: usize, offset_s: f64, confidence: f64| {
            let map = ClockMap::linear(offset_s, 40.0, 600.0);
            let mut placed = PairAlignment::from_parts(map, Vec::new(), Vec::new());
            placed.confidence = confidence;
            Compared::new(a, b, PairOutcome::Placed(Box::new(placed)))
        };
        let all = [at(0, 1, -100.0, 1.0), at(1, 2, 690.0, 1.0), at(1, 3, 3000.0, 1.0)];
        let on = |links: &[Compared], hubs: &[usize], a: usize, b: usize| {
            expected(&spans(sure(links), hubs, |_| 600.0), (a, b), |_| 3600.0, |_, _| false, false)
        };
        let Expected::Within(range) = on(&all, &[1], 0, 2) else { panic!("ten seconds in common") };
        assert!(range.0 < 590.0 && range.1 > 590.0 && range.1 - range.0 < 10.0, "{range:?}");
        assert!(matches!(on(&all, &[1], 0, 3), Expected::Apart));
        // Where one of the two is not sure, not placed, or the third is another, they may lie anywhere.
        let unsure = [at(0, 1, -100.0, 0.95), at(1, 3, 3000.0, 1.0)];
        let unplaced = [at(0, 1, -100.0, 1.0), Compared::new(1, 3, PairOutcome::Unplaced(Unplaced::NoCommonSound))];
        for (links, hub) in [(&unsure[..], 1), (&unplaced, 1), (&all, 2)] {
            assert!(matches!(on(links, &[hub], 0, 3), Expected::Anywhere));
        }
        // Each within another chapter of a take that does not overlap: files 1 and 4.
        let chapters = [at(0, 1, -100.0, 1.0), at(3, 4, -500.0, 1.0)];
        let seen = spans(sure(&chapters), &[1, 4], |_| 600.0);
        let follow = |x: usize, y: usize| (x, y) == (1, 4);
        assert!(matches!(expected(&seen, (0, 3), |_| 3600.0, follow, false), Expected::Apart));
        assert!(matches!(expected(&seen, (0, 3), |_| 900.0, follow, false), Expected::Anywhere));
        assert!(matches!(expected(&seen, (0, 3), |_| 3600.0, |_, _| false, false), Expected::Anywhere));
        // Much in common is found anywhere.
        let near = [at(0, 1, -100.0, 1.0), at(1, 3, 300.0, 1.0)];
        assert!(matches!(on(&near, &[1], 0, 3), Expected::Anywhere));
    }

    #[test]
    fn clocks_that_the_hub_has_shown_narrow_what_is_searched() {
        // Recordings 0 to 3 have a file each; recording 1 is the hub.
        let at = |a: usize, b: usize, drift_ppm: f64, overlap_s: f64| {
            let map = ClockMap::linear(0.0, drift_ppm, 600.0);
            let mut placed = PairAlignment::from_parts(map, Vec::new(), Vec::new());
            placed.overlap_s = overlap_s;
            Compared::new(a, b, PairOutcome::Placed(Box::new(placed)))
        };
        let compared = [at(0, 1, 40.0, 600.0), at(1, 2, 15.0, 600.0), at(1, 3, 90.0, 60.0)];
        let clocks = learnt(sure(&compared), &[0, 1, 2, 3], 1);
        // File 0 counts 40 ppm more than the hub, file 2 15 ppm less: 55 ppm between them.
        let near = |range: Option<(f64, f64)>, middle: f64| {
            let (low, high) = range.unwrap();
            assert!((low + 30.0 - middle).abs() < 1e-6 && (high - 30.0 - middle).abs() < 1e-6, "{low} {high}");
        };
        near(drift_range_ppm(&clocks, 0, 2), 55.0);
        near(drift_range_ppm(&clocks, 2, 0), -55.0);
        near(drift_range_ppm(&clocks, 0, 1), 40.0);
        near(drift_range_ppm(&clocks, 1, 2), 15.0);
        // A minute in common says too little.
        assert_eq!(drift_range_ppm(&clocks, 0, 3), None);
        assert!(learnt(sure(&compared[2..]), &[0, 1, 2, 3], 1).is_empty());
    }
}
