//! What is measured in a file's sound: levels, claps, where somebody speaks.

use std::path::Path;

use coeval::marker::{Marker, MarkerDetector, MarkerOptions};
use coeval::progress::{Progress, step};
use coeval::{ErrorKind, Result};
use coeval_listen::level::{LevelMeter, LevelReport};
use coeval_listen::outline::{Outline, OutlineBuilder};
use coeval_listen::speech::{SpeechBuilder, SpeechOptions, SpeechSegment};
use coeval_media::{OpenOptions, SoundReader};

use crate::alignment::{Alignment, File, Kind};
use crate::guard::guarded;
use crate::kept::{self, Kept};
use crate::parallel::for_all;

/// What is measured of a file's sound besides its place.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Measured {
    /// Its levels.
    pub level: LevelReport,
    /// How loud it is over time, to be drawn.
    pub outline: Outline,
    /// Claps and knocks, in order; their times are presentation time. Of files that a recorder wrote at once only
    /// [one](crate::alignment::Recording::listened) has claps and speech.
    pub claps: Vec<Marker>,
    /// Where somebody speaks, in order, presentation time; pauses of less than 2 s are part of it. Of a
    /// recorder's files only: at a camera engine and wind speak too.
    pub speech: Vec<SpeechSegment>,
}

/// Who pauses for longer ends a turn, seconds.
const TURN_S: f64 = 2.0;

/// Measures the sound of all files of an alignment that have any besides timecode, each read once, as a stream; in the alignment's
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
    let mut files: Vec<(Kind, bool, &File)> = Vec::new();
    for recording in &alignment.recordings {
        let listened: Vec<&str> = recording.listened().map(|f| f.path.as_str()).collect();
        let known = |f: &File| f.copy_of.is_some() || listened.contains(&f.path.as_str());
        files.extend(recording.files.iter().filter(|f| f.has_sound()).map(|f| (recording.kind, known(f), f)));
    }
    // Several tracks of one recorder hear the same: of all but one only the levels are of use.
    let what = |(kind, listened, _): &(Kind, bool, &File)| match (listened, kind) {
        (false, _) => What::Levels,
        (true, Kind::Recorder) => What::ClapsAndSpeech,
        (true, _) => What::Claps,
    };
    let effort = |file: &(Kind, bool, &File)| file.2.duration_s.unwrap_or(0.0) * what(file).effort();
    for_all("measuring sound", &files, effort, progress, |measured_file, progress| {
        let (what, file) = (what(measured_file), measured_file.2);
        let path = folder.join(&file.path);
        match guarded(&path, || measured(&path, what, &file.opened(options), progress)) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            other => Ok((file.path.clone(), other)),
        }
    })
}

/// What is measured of a file: its levels, and beside them these.
#[derive(Debug, Clone, Copy, PartialEq)]
enum What {
    Levels,
    Claps,
    ClapsAndSpeech,
}

impl What {
    /// Seconds that an hour takes on one core, about.
    fn effort(self) -> f64 {
        match self {
            What::Levels => 4.0,
            What::Claps => 7.0,
            What::ClapsAndSpeech => 16.0,
        }
    }
}

/// What is measured of a file, by this run or an earlier one.
fn measured(path: &Path, what: What, options: &OpenOptions, progress: &dyn Progress) -> Result<Measured> {
    let name = match what {
        What::Levels => "levels",
        What::Claps => "measured",
        What::ClapsAndSpeech => "measured-recorder",
    };
    let load = |kept: &Kept| {
        let (level, outline, claps, speech): (_, _, Vec<Vec<u8>>, _) = kept::get(kept)?;
        Some(Measured { level, outline, claps: markers(&claps)?, speech })
    };
    let save = |kept: &Kept, m: &Measured| kept::put(kept, &(&m.level, &m.outline, bytes_of(&m.claps), &m.speech));
    Ok(kept::measured(path, options, name, load, save, || measure_one(path, what, options, progress))?.0)
}

fn bytes_of(markers: &[Marker]) -> Vec<Vec<u8>> {
    markers.iter().map(Marker::to_bytes).collect()
}

fn markers(bytes: &[Vec<u8>]) -> Option<Vec<Marker>> {
    bytes.iter().map(|b| Marker::from_bytes(b).ok()).collect()
}

/// How claps are found that are shown to a person, or kept in a cut: surer than those that only count where another
/// file has the same, since an engine that the score has not learnt gives more false alarms than those it has.
pub fn shown_claps() -> MarkerOptions {
    let mut options = MarkerOptions::default();
    options.min_score = 2.0;
    options
}

fn measure_one(path: &Path, what: What, options: &OpenOptions, progress: &dyn Progress) -> Result<Measured> {
    let mut reader = SoundReader::open(path, options)?;
    let sound = reader.sound()?;
    let (rate_hz, channels) = (f64::from(sound.rate_hz), sound.channels);
    let mut meter = LevelMeter::new(sound.rate_hz, channels).map_err(|e| e.with_path(path))?;
    let mut outline = OutlineBuilder::new(rate_hz, channels).map_err(|e| e.with_path(path))?;
    let detector = (what != What::Levels).then(|| MarkerDetector::new(rate_hz, channels, &shown_claps()));
    let mut detector = detector.transpose().map_err(|e| e.with_path(path))?;
    let voices = (what == What::ClapsAndSpeech).then(|| SpeechBuilder::new(rate_hz, channels));
    let mut voices = voices.transpose().map_err(|e| e.with_path(path))?;
    let mut turns = SpeechOptions::default();
    turns.min_pause_s = TURN_S;
    let mut claps = Vec::new();
    reader.read_to_end(|block, done| {
        let clapped = || detector.as_mut().map_or_else(|| Ok(Vec::new()), |d| d.push(block));
        let spoken = || voices.as_mut().map_or(Ok(()), |v| v.push(block));
        outline.push(block);
        let (spoken, (metered, clapped)) = rayon::join(spoken, || rayon::join(|| meter.push(block), clapped));
        metered?;
        spoken?;
        claps.extend(clapped?);
        step(progress, "measuring sound", done)
    })?;
    claps.extend(detector.map_or_else(Vec::new, |d| d.finish()));
    let speech = voices.map_or_else(|| Ok(Vec::new()), |v| v.finish().segments(&turns))?;
    Ok(Measured { level: meter.finish()?, outline: outline.finish(), claps, speech })
}

/// The claps and knocks in a file's sound, in order, on presentation time, by this run or an earlier one.
pub(crate) fn find_claps(path: &Path, options: &OpenOptions, progress: &dyn Progress) -> Result<Vec<Marker>> {
    let load = |kept: &Kept| markers(&kept::get::<Vec<Vec<u8>>>(kept)?);
    let save = |kept: &Kept, claps: &Vec<Marker>| kept::put(kept, &bytes_of(claps));
    Ok(kept::measured(path, options, "claps", load, save, || find_claps_now(path, options, progress))?.0)
}

fn find_claps_now(path: &Path, options: &OpenOptions, progress: &dyn Progress) -> Result<Vec<Marker>> {
    let mut reader = SoundReader::open(path, options)?;
    let sound = reader.sound()?;
    let detector = MarkerDetector::new(f64::from(sound.rate_hz), sound.channels, &MarkerOptions::default());
    let mut detector = detector.map_err(|e| e.with_path(path))?;
    let mut claps = Vec::new();
    reader.read_to_end(|block, done| {
        claps.extend(detector.push(block)?);
        step(progress, "listening for claps", done)
    })?;
    claps.extend(detector.finish());
    Ok(claps)
}
