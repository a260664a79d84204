//! Files -> analysis tracks.

use std::path::Path;

use coeval::progress::{Progress, step};
use coeval::track::{NewScratch, TRACK_RATE_HZ, Track, TrackBuilder};
use coeval::{Error, ErrorKind, Result};
use coeval_media::{OpenOptions, SoundReader};

use crate::alignment::Kind;
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
        warnings.push("the format does not state its encoder delay, so the sound may be up to 25 ms late (common practice, no source)".to_owned());
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
