//! Files -> headers -> tracks -> pairs.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use coeval::level::{LevelMeter, LevelReport};
use coeval::marker::{Marker, MarkerDetector, MarkerOptions};
use coeval::pair::{Aligner, PairOptions, PairOutcome, Unplaced};
use coeval::progress::{Progress, step};
use coeval::speech::{SpeechBuilder, SpeechOptions, SpeechSegment};
use coeval::track::{Track, TrackBuilder};
use coeval::{Error, ErrorKind, Result};
use coeval_media::{MediaInfo, OpenOptions, SoundReader};
use serde::Serialize;

use crate::alignment::{Alignment, File, Kind, Means, Picture, SoundTrack};
use crate::chapters::Group;
use crate::find::Found;
use crate::parallel::for_all;
use crate::scratch;

/// A source whose headers were read.
#[derive(Debug)]
#[non_exhaustive]
pub struct Probed {
    /// The source's name.
    pub name: String,
    /// What the headers say, or why they cannot be read.
    pub info: Result<Headers>,
}

/// What a file's headers say, as far as a shoot needs it.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Headers {
    /// Container in words.
    pub container: String,
    /// Length of the presentation, seconds.
    pub duration_s: f64,
    /// The sound track that will be read.
    pub sound: Option<SoundTrack>,
    /// The picture track.
    pub picture: Option<Picture>,
    /// When the file says it was made, seconds since 1970-01-01.
    pub created_unix_s: Option<i64>,
    /// Timecode of the first moment, seconds since midnight.
    pub timecode_s: Option<f64>,
    /// Timecode of the first frame as written.
    pub timecode: Option<String>,
}

impl From<MediaInfo> for Headers {
    fn from(info: MediaInfo) -> Self {
        Self {
            container: info.container.to_owned(),
            duration_s: info.duration_s,
            sound: info.sound.map(|s| SoundTrack {
                codec: s.codec,
                rate_hz: s.rate_hz,
                channels: s.channels,
                bits: s.bits,
            }),
            picture: info.picture.map(|p| Picture {
                frame_rate: [p.frame_rate.num, p.frame_rate.den],
                variable_rate: p.variable_rate,
                size: [p.size.0, p.size.1],
                start_s: p.start_s,
                duration_s: p.duration_s,
            }),
            created_unix_s: info.created_unix_s,
            timecode_s: info.timecode_s,
            timecode: info.timecode,
        }
    }
}

impl Probed {
    /// A source that cannot be read, and why.
    pub fn unreadable(name: impl Into<String>, error: Error) -> Self {
        Self { name: name.into(), info: Err(error) }
    }

    /// A source with these headers.
    pub fn new(name: impl Into<String>, headers: Headers) -> Self {
        Self { name: name.into(), info: Ok(headers) }
    }
}

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
}

impl Sound {
    pub(crate) fn of(file: &TrackFile) -> Self {
        Self { track: file.track.clone(), duration_s: file.track.duration_s(), warnings: Vec::new() }
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
pub type Heard = Result<Option<Sound>>;

/// A file's sound, if there is any to hear.
pub(crate) fn audible(heard: &Heard) -> Option<&Sound> {
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
    pub by: Means,
}

impl Compared {
    /// What the common sound says of files `a` < `b`.
    pub fn new(a: usize, b: usize, outcome: PairOutcome) -> Self {
        Self { a, b, outcome, by: Means::Sound }
    }
}

/// Reads the headers of all sources.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only; what is wrong with a file stands in its [`Probed`].
pub fn probe(found: &Found, options: &OpenOptions, progress: &dyn Progress) -> Result<Vec<Probed>> {
    for_all(
        "reading headers",
        &found.sources,
        |_| 1.0,
        progress,
        |source, _| {
            let info = match &source.problem {
                Some(problem) => Err(repeat(problem)),
                None => guarded(&source.path, || headers(&source.path, options)),
            };
            Ok(Probed { name: source.name.clone(), info })
        },
    )
}

fn headers(path: &Path, options: &OpenOptions) -> Result<Headers> {
    match coeval_media::probe(path, options) {
        // A picture without sound can still be placed, by an anchor or by what it shows.
        Err(e) if e.kind() == ErrorKind::NoSound => match coeval_media::probe_picture(path) {
            Ok(Some(info)) => Ok(Headers::from(info)),
            _ => Err(e),
        },
        other => other.map(Headers::from),
    }
}

/// Reads the sound of all files, each once, as a stream into its analysis track.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only; what is wrong with a file stands in its [`Heard`].
pub fn hear(found: &Found, probed: &[Probed], options: &OpenOptions, progress: &dyn Progress) -> Result<Vec<Heard>> {
    let files: Vec<(&Path, &Probed)> = found.sources.iter().map(|s| s.path.as_path()).zip(probed).collect();
    let length = |file: &(&Path, &Probed)| file.1.info.as_ref().map_or(0.0, |i| i.duration_s);
    for_all("reading sound", &files, length, progress, |&(path, probed), progress| match &probed.info {
        Err(_) => Ok(Ok(None)),
        Ok(_) => match guarded(path, || hear_one(path, options, progress)) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            other => Ok(other.map(Some)),
        },
    })
}

fn hear_one(path: &Path, options: &OpenOptions, progress: &dyn Progress) -> Result<Sound> {
    let mut reader = SoundReader::open(path, options)?;
    let info = reader.info().clone();
    let Some(sound) = &info.sound else {
        return Err(Error::new(ErrorKind::NoSound, "no sound track").with_path(path));
    };
    let (rate_hz, channels) = (f64::from(sound.rate_hz), sound.channels);
    let builder = TrackBuilder::new(rate_hz, channels).map_err(|e| e.with_path(path))?;
    let mut builder = builder.spilling(scratch::AFTER_S, scratch::temporary_files());
    let mut block = Vec::new();
    let mut frames = 0u64;
    loop {
        let read = reader.read(&mut block)?;
        if read == 0 {
            break;
        }
        builder.push(&block).map_err(|e| e.with_path(path))?;
        frames += read as u64;
        step(progress, "reading sound", frames as f64 / rate_hz / info.duration_s.max(1e-3))?;
    }
    if frames == 0 {
        return Err(Error::new(ErrorKind::NoSound, "the sound track has no samples")
            .with_path(path)
            .with_remedy("the device wrote no sound; leave the file out"));
    }
    let mut warnings = reader.warnings().to_vec();
    if !sound.start_is_exact {
        warnings.push("the format does not say how late its sound starts: up to 25 ms".to_owned());
    }
    let heard_s = frames as f64 / rate_hz;
    // Pictures may go on without sound; sound alone is as long as what could be read of it.
    let duration_s =
        if info.picture.is_some() && info.duration_s.is_finite() { info.duration_s.max(heard_s) } else { heard_s };
    Ok(Sound { track: builder.finish(), duration_s, warnings })
}

/// What is measured of a file's sound besides its place.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Measured {
    /// Its levels.
    pub level: LevelReport,
    /// Claps and knocks, in order; their times are presentation time.
    pub claps: Vec<Marker>,
    /// Where somebody speaks, in order, presentation time; pauses of less than 2 s are part of it. Of a
    /// recorder's files only: at a camera engine and wind speak too.
    pub speech: Vec<SpeechSegment>,
}

/// Who pauses for longer ends a turn, seconds.
const TURN_S: f64 = 2.0;

/// Measures the sound of all files of an alignment that have any, each read once, as a stream; in the alignment's
/// order. `folder` is the one that its names are relative to.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only; what is wrong with a file stands in its place.
pub fn measure(
    alignment: &Alignment,
    folder: &Path,
    options: &OpenOptions,
    progress: &dyn Progress,
) -> Result<Vec<(String, Result<Measured>)>> {
    let all = alignment.recordings.iter().flat_map(|r| r.files.iter().map(|f| (r.kind, f)));
    let files: Vec<(Kind, &File)> = all.filter(|(_, f)| f.sound.is_some()).collect();
    let length = |(_, file): &(Kind, &File)| file.duration_s.unwrap_or(0.0);
    for_all("measuring sound", &files, length, progress, |(kind, file), progress| {
        let path = folder.join(&file.path);
        match guarded(&path, || measure_one(&path, *kind, options, progress)) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            other => Ok((file.path.clone(), other)),
        }
    })
}

/// How claps are found that are shown to a person, or kept in a cut: surer than those that only count where another
/// file has the same, since an engine that the score has not learnt gives more false alarms than those it has.
pub(crate) fn shown_claps() -> MarkerOptions {
    let mut options = MarkerOptions::default();
    options.min_score = 2.0;
    options
}

fn measure_one(path: &Path, kind: Kind, options: &OpenOptions, progress: &dyn Progress) -> Result<Measured> {
    let mut reader = SoundReader::open(path, options)?;
    let info = reader.info().clone();
    let sound = info.sound.ok_or_else(|| Error::new(ErrorKind::NoSound, "no sound track").with_path(path))?;
    let (rate_hz, channels) = (f64::from(sound.rate_hz), sound.channels);
    let mut meter = LevelMeter::new(sound.rate_hz, channels).map_err(|e| e.with_path(path))?;
    let mut detector = MarkerDetector::new(rate_hz, channels, &shown_claps()).map_err(|e| e.with_path(path))?;
    let mut voices = match kind {
        Kind::Recorder => Some(SpeechBuilder::new(rate_hz, channels).map_err(|e| e.with_path(path))?),
        _ => None,
    };
    let mut turns = SpeechOptions::default();
    turns.min_pause_s = TURN_S;
    let mut claps = Vec::new();
    let (mut block, mut frames) = (Vec::new(), 0u64);
    loop {
        let read = reader.read(&mut block)?;
        if read == 0 {
            claps.extend(detector.finish());
            let speech = voices.map_or_else(|| Ok(Vec::new()), |v| v.finish().segments(&turns))?;
            return Ok(Measured { level: meter.finish()?, claps, speech });
        }
        meter.push(&block)?;
        claps.extend(detector.push(&block)?);
        if let Some(voices) = &mut voices {
            voices.push(&block)?;
        }
        frames += read as u64;
        step(progress, "measuring sound", frames as f64 / rate_hz / info.duration_s.max(1e-3))?;
    }
}

/// The claps and knocks in a file's sound, in order, on presentation time.
pub(crate) fn find_claps(path: &Path, options: &OpenOptions, progress: &dyn Progress) -> Result<Vec<Marker>> {
    let mut reader = SoundReader::open(path, options)?;
    let info = reader.info().clone();
    let sound = info.sound.ok_or_else(|| Error::new(ErrorKind::NoSound, "no sound track").with_path(path))?;
    let rate_hz = f64::from(sound.rate_hz);
    let mut detector =
        MarkerDetector::new(rate_hz, sound.channels, &MarkerOptions::default()).map_err(|e| e.with_path(path))?;
    let (mut claps, mut block, mut frames) = (Vec::new(), Vec::new(), 0u64);
    loop {
        let read = reader.read(&mut block)?;
        if read == 0 {
            claps.extend(detector.finish());
            return Ok(claps);
        }
        claps.extend(detector.push(&block)?);
        frames += read as u64;
        step(progress, "listening for claps", frames as f64 / rate_hz / info.duration_s.max(1e-3))?;
    }
}

/// How sure both of two placements must be to tell how their files lie to each other.
const SURE: f64 = 0.99;
/// Files that lie further apart than this share nothing, seconds; an overlap shorter than this is too little to be found
/// anywhere but where it is expected, to so many seconds.
const APART_S: f64 = 5.0;
const SHORT_S: f64 = 120.0;
const EXPECTED_S: f64 = 2.0;

/// How two files lie to each other, by a third that both were placed on.
enum Expected {
    Anywhere,
    Within((f64, f64)),
    Apart,
}

/// For each file that has a sure place on one of the files `hubs`: which, and from when to when it runs on its clock.
type Spans = BTreeMap<usize, Vec<(usize, (f64, f64))>>;

fn spans<'c>(compared: impl Iterator<Item = &'c Compared>, hubs: &[usize], length_s: impl Fn(usize) -> f64) -> Spans {
    let mut spans = Spans::new();
    for c in compared {
        let PairOutcome::Placed(placed) = &c.outcome else { continue };
        if placed.confidence < SURE {
            continue;
        }
        if hubs.contains(&c.a) {
            let on_hub = |s: f64| placed.map.to_timeline(s);
            spans.entry(c.b).or_default().push((c.a, (on_hub(0.0), on_hub(length_s(c.b)))));
        } else if hubs.contains(&c.b) {
            let on_hub = |s: f64| placed.map.to_file(s);
            spans.entry(c.a).or_default().push((c.b, (on_hub(0.0), on_hub(length_s(c.a)))));
        }
    }
    spans
}

/// What their places on a third say of two files.
fn expected(spans: &Spans, a: usize, b: usize) -> Expected {
    let of = |file: usize| spans.get(&file).map_or(&[][..], Vec::as_slice);
    for &(hub, a) in of(a) {
        if let Some(&(_, b)) = of(b).iter().find(|b| b.0 == hub) {
            let overlap_s = a.1.min(b.1) - a.0.max(b.0);
            if overlap_s < -APART_S {
                return Expected::Apart;
            }
            if overlap_s < SHORT_S {
                let offset_s = b.0 - a.0;
                return Expected::Within((offset_s - EXPECTED_S, offset_s + EXPECTED_S));
            }
        }
    }
    Expected::Anywhere
}

/// Compares every two files of different recordings, but for those that are in `known` already.
///
/// Two files of one recording never overlap and are not compared. A silent file has nothing to compare. Two files for
/// which `range_s` tells the lowest and highest offset (time in the first minus time in the second at its start,
/// seconds) are looked for there only. The longest recording goes first: files that both have a sure place on it, but
/// no time in common, are not searched from end to end.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled), and [`InvalidArgument`](ErrorKind::InvalidArgument) for options out of range.
pub fn compare(
    heard: &[Heard],
    groups: &[Group],
    known: &[Compared],
    options: &PairOptions,
    range_s: &(dyn Fn(usize, usize) -> Option<(f64, f64)> + Sync),
    progress: &dyn Progress,
) -> Result<Vec<Compared>> {
    let track = |file: usize| match &heard[file] {
        Ok(Some(sound)) if !sound.track.is_silent() => Some(&sound.track),
        _ => None,
    };
    let length_s = |file: usize| track(file).map_or(0.0, Track::duration_s);
    let mut recording_of = vec![usize::MAX; heard.len()];
    for (index, group) in groups.iter().enumerate() {
        group.files.iter().for_each(|&f| recording_of[f] = index);
    }
    let usable: Vec<usize> = (0..heard.len()).filter(|&f| track(f).is_some()).collect();
    let mut pairs = Vec::new();
    for (i, &a) in usable.iter().enumerate() {
        for &b in &usable[i + 1..] {
            let is_known = known.iter().any(|k| (k.a, k.b) == (a, b));
            if recording_of[a] != recording_of[b] && !is_known {
                pairs.extend(track(a).zip(track(b)).map(|(x, y)| (a, b, x, y)));
            }
        }
    }
    let sound_s = |g: &Group| g.files.iter().map(|&f| length_s(f)).sum::<f64>();
    let hubs = groups.iter().max_by(|x, y| sound_s(x).total_cmp(&sound_s(y)).then(y.id.cmp(&x.id)));
    let hubs: &[usize] = hubs.map_or(&[], |g| &g.files);
    let aligner = Aligner::new(options.clone())?;
    let work = |p: &(usize, usize, &Track, &Track)| p.2.duration_s() + p.3.duration_s();
    let all: f64 = pairs.iter().map(work).sum();
    let (first, later): (Vec<_>, Vec<_>) = pairs.into_iter().partition(|p| hubs.contains(&p.0) || hubs.contains(&p.1));
    let share = first.iter().map(work).sum::<f64>() / all.max(1e-9);
    let mut compared: Vec<Compared> = Vec::new();
    for (pairs, from, part) in [(first, 0.0, share), (later, share, 1.0 - share)] {
        if pairs.is_empty() {
            continue;
        }
        let progress = &|stage: &str, done: f64| progress.report(stage, from + part * done);
        let sure = spans(known.iter().chain(&compared), hubs, length_s);
        let found = for_all("comparing", &pairs, work, progress, |&(a, b, x, y), progress| {
            let place = match range_s(a, b) {
                Some(range) => Expected::Within(range),
                None => expected(&sure, a, b),
            };
            let outcome = match place {
                Expected::Anywhere => aligner.align(x, y, progress)?,
                Expected::Apart => PairOutcome::Unplaced(Unplaced::NoCommonSound),
                Expected::Within(range) => {
                    let mut options = options.clone();
                    options.offset_range_s = Some(range);
                    Aligner::new(options)?.align(x, y, progress)?
                }
            };
            Ok(Compared::new(a, b, outcome))
        })?;
        compared.extend(found);
    }
    compared.sort_by_key(|c| (c.a, c.b));
    Ok(compared)
}

/// Decoders are many and files are hostile: a panic in one becomes this file's failure.
pub(crate) fn guarded<T>(path: &Path, work: impl FnOnce() -> Result<T>) -> Result<T> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        Err(Error::new(ErrorKind::Internal, "its reader failed on this content")
            .with_path(path)
            .with_remedy("convert it to WAV, and please report the file"))
    })
}

/// The same failure once more; errors hold their causes and cannot be cloned.
fn repeat(error: &Error) -> Error {
    let mut again = Error::new(error.kind(), error.message());
    if let Some(path) = error.path() {
        again = again.with_path(path);
    }
    if let Some(remedy) = error.remedy() {
        again = again.with_remedy(remedy);
    }
    again
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
            expected(&spans(links.iter(), hubs, |_| 600.0), a, b)
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
        // Much in common is found anywhere.
        let near = [at(0, 1, -100.0, 1.0), at(1, 3, 300.0, 1.0)];
        assert!(matches!(on(&near, &[1], 0, 3), Expected::Anywhere));
    }

    /// A camera's file: 25 frames a second, stereo AAC at 48 kHz.
    pub(crate) fn camera(name: &str, duration_s: f64, created_unix_s: Option<i64>) -> Probed {
        let sound = SoundTrack { codec: "AAC-LC".into(), rate_hz: 48_000, channels: 2, bits: None };
        let picture = Picture { frame_rate: [25, 1], variable_rate: false, size: [320, 180], start_s: 0.0, duration_s };
        let headers = Headers {
            container: "MP4".into(),
            duration_s,
            sound: Some(sound),
            picture: Some(picture),
            created_unix_s,
            ..Headers::default()
        };
        Probed::new(name, headers)
    }

    /// A recorder's file: mono PCM at 44.1 kHz, no times.
    pub(crate) fn recorder(name: &str, duration_s: f64) -> Probed {
        let sound = SoundTrack { codec: "PCM 24-bit".into(), rate_hz: 44_100, channels: 1, bits: Some(24) };
        let headers = Headers { container: "WAV".into(), duration_s, sound: Some(sound), ..Headers::default() };
        Probed::new(name, headers)
    }
}
