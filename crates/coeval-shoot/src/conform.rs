//! Sound that lies sample for sample on a clip or on the timeline.
//!
//! Two kinds of sound come out of an alignment:
//! - **under a clip**: a recorder's sound for one camera chapter, as long as the chapter and in step
//!   with it from the first sample to the last, silent where the recorder did not run; the camera's
//!   own sound may be mixed in;
//! - **on the timeline**: one recorder file whole, on the reference clock. It starts on a frame of
//!   the timeline, so that an editor can put it there; what is left of a frame is silence at its
//!   start.
//!
//! [`plan`] says what there is to make without reading a sample; [`Conformed::render`] makes one as
//! a stream of blocks; [`conform`] writes files.

mod lies_there;
mod tracks;

use std::collections::HashSet;
use std::fmt::Write;
use std::path::{Path, PathBuf};

use coeval::clock::ClockMap;
use coeval::options::OptionTable as _;
use coeval::progress::{Progress, step};
use coeval::resample::{Leg, ResampleOptions, Resampler, Route};
use coeval::{Error, ErrorKind, Result};
use coeval_media::{Bext, OpenOptions, SampleFormat, SoundReader, WavOptions, WavWriter};

use crate::alignment::{Alignment, File, Ixml, Kind, PlacedBy, Recording};
use crate::feed::feed;
use crate::parallel::for_all;
use crate::write::plain_name;
use lies_there::Recipe;
pub use tracks::check_tracks;

/// Frames that are made at a time.
const BLOCK: usize = 4096;
/// A timeline frame's edge may be missed by this share of a frame through rounding.
const SAME_FRAME: f64 = 1e-6;

coeval::options! {
    /// How sound is conformed. The defaults serve.
    #[derive(Debug, Clone)]
    #[non_exhaustive]
    pub struct ConformOptions {
        /// Rate of what is made, Hz.
        pub rate_hz: u32 = 48_000, 8000.0..=192_000.0;
        /// Moment of the day that timeline zero stands for in time references, seconds since midnight. An editor's
        /// timeline often starts at one hour.
        pub timeline_start_s: f64 = 0.0, -1e9..=1e9;
        /// Level of the camera's own sound under the recorder's, dB (0: as recorded, -12: a quarter of
        /// its amplitude); `None`: the recorder alone.
        pub camera_level_db: Option<f64> = None, f64::NEG_INFINITY..=1e9;
        /// Under a clip that has [better sound](File::better_sound_of) in a file of its own goes that sound alone, and this
        /// goes under no other clip. Default: every recorder's that ran meanwhile.
        pub own_sound: bool = false, 0.0..=1.0;
        /// May files of the same names be replaced?
        pub replace: bool = false, 0.0..=1.0;
    } and {
        /// Frame rate of the timeline as a ratio; `None`: [`Alignment::frame_rate`].
        pub frame_rate: Option<[u32; 2]> = None;
        /// The recorders' tracks that go under clips, in this order: numbers from 1, or names; `*` stands for any
        /// characters. Empty: all of a recorder that has one or two; else those called a mix, or the first two that say
        /// anything. The same of a recorder that has none of them.
        pub tracks: Vec<String> = Vec::new();
        /// How samples are written; integers get triangular dither.
        pub format: SampleFormat = SampleFormat::Int24;
        /// How files are opened.
        pub open: OpenOptions = OpenOptions::default();
    }
}

/// Where conformed sound lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SoundPlacement {
    /// Under this camera file.
    UnderClip(String),
    /// On the timeline.
    OnTimeline,
}

/// A conformed sound, to be made or made.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Conformed {
    /// A file name for it, unlike the others of its plan.
    pub name: String,
    /// Where it lies.
    pub placement: SoundPlacement,
    /// Id of the recorder's recording.
    pub recording: String,
    /// The recorder's files that sound in it, in order.
    pub sources: Vec<String>,
    /// Where its first sample lies on the timeline, seconds. Under a clip: where the clip lies, on
    /// the frame that its picture is put on.
    pub start_s: f64,
    /// Rate, Hz.
    pub rate_hz: u32,
    /// Channels: as many as the recorder's files have besides timecode, or the camera's where it is mixed in.
    pub channels: usize,
    /// Length, samples of each channel.
    pub frames: u64,
    /// First sample counted from midnight at `rate_hz`, as `bext` has it.
    pub time_reference: u64,
    /// Frame rate (fps) of the timeline, as a ratio.
    pub frame_rate: [u32; 2],
    /// What the recorder wrote of the take, with the names of these channels.
    pub ixml: Ixml,
    /// For each of `sources` its channels that are heard, and the channel that each goes to; `None`: to all.
    routes: Vec<Vec<(usize, Option<usize>)>>,
}

/// Everything that can be conformed: under each placed camera file the sound of each recorder that
/// ran meanwhile, then each placed recorder file on the timeline. Of several events the first counts.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) for a rate not within 8000 to 192000 Hz, a frame
/// rate that is none, a level that is not a number, or a track that no recorder has.
pub fn plan(alignment: &Alignment, options: &ConformOptions) -> Result<Vec<Conformed>> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    options.check_ranges()?;
    let [num, den] = options.frame_rate.unwrap_or_else(|| alignment.frame_rate());
    if num == 0 || den == 0 {
        return Err(Error::invalid(format!("{num}/{den} is not a frame rate")));
    }
    let frame_s = f64::from(den) / f64::from(num);
    let rate = f64::from(options.rate_hz);
    let time_reference = |start_s: f64| ((options.timeline_start_s + start_s) * rate).round().max(0.0) as u64;
    let recorders: Vec<&Recording> = alignment.recordings.iter().filter(|r| r.kind == Kind::Recorder).collect();
    let chosen = tracks::choose(&recorders, &options.tracks)?;
    let mut taken = HashSet::new();
    let mut all = Vec::new();
    for camera in alignment.recordings.iter().filter(|r| r.kind == Kind::Camera) {
        // Sound under a clip that lies there to seconds only would say that it fits.
        for clip in camera.files.iter().filter(|f| f.placed_by != Some(PlacedBy::Times)) {
            let Some(span) = Span::of(clip) else { continue };
            let is_of = |f: &File| f.better_sound_of.as_ref() == Some(&clip.path);
            let has_own = alignment.files().any(is_of);
            let serves = |f: &File| !options.own_sound || if has_own { is_of(f) } else { f.better_sound_of.is_none() };
            for (recorder, chosen) in recorders.iter().zip(&chosen) {
                let runs = |f: &File| Span::of(f).is_some_and(|s| s.meets(&span));
                let (heard, ixml): (Vec<_>, Vec<_>) =
                    chosen.iter().filter(|s| runs(s.file) && serves(s.file)).map(|s| (s, &s.file.ixml)).unzip();
                let Some(mut channels) = heard.iter().map(|s| s.of).max() else { continue };
                let names = tracks::names(heard.iter().flat_map(|s| &s.tracks), channels);
                if options.camera_level_db.is_some() {
                    channels = channels.max(clip.sound_channels().len());
                }
                let picture_s = clip.picture.as_ref().map_or(0.0, |p| p.start_s);
                let start_s = (span.map.forward(picture_s) / frame_s).round() * frame_s - picture_s;
                let what = format!("sound-of-{}", plain_name(&recorder.id));
                all.push(Conformed {
                    name: name(&camera.id, &clip.path, &what, &mut taken),
                    placement: SoundPlacement::UnderClip(clip.path.clone()),
                    recording: recorder.id.clone(),
                    sources: heard.iter().map(|s| s.file.path.clone()).collect(),
                    routes: heard.iter().map(|s| s.routes()).collect(),
                    ixml: tracks::take(ixml, names),
                    start_s,
                    rate_hz: options.rate_hz,
                    channels,
                    frames: (span.duration_s * rate).round() as u64,
                    time_reference: time_reference(start_s),
                    frame_rate: [num, den],
                });
            }
        }
    }
    for recorder in &recorders {
        for file in &recorder.files {
            let (Some(span), true) = (Span::of(file), file.has_sound()) else { continue };
            let start_s = (span.from_s / frame_s + SAME_FRAME).floor() * frame_s;
            all.push(Conformed {
                name: name(&recorder.id, &file.path, "on-timeline", &mut taken),
                placement: SoundPlacement::OnTimeline,
                recording: recorder.id.clone(),
                sources: vec![file.path.clone()],
                routes: vec![each(&file.sound_channels())],
                ixml: tracks::of_file(file),
                start_s,
                rate_hz: options.rate_hz,
                channels: file.sound_channels().len(),
                frames: ((span.to_s - start_s) * rate).ceil() as u64,
                time_reference: time_reference(start_s),
                frame_rate: [num, den],
            });
        }
    }
    Ok(all)
}

impl Conformed {
    /// The sound of one placed file on the timeline: `frames` samples of each channel at `rate_hz`, the first at `start_s`
    /// on the timeline, of the channels that say anything. Where the file does not run there is silence. It has no name and
    /// no time reference: it is for [`render`](Self::render), not for writing.
    pub fn of_file(file: &File, start_s: f64, rate_hz: u32, frames: u64) -> Self {
        let channels = file.telling_channels();
        Self {
            name: String::new(),
            placement: SoundPlacement::OnTimeline,
            recording: String::new(),
            sources: vec![file.path.clone()],
            start_s,
            rate_hz,
            channels: channels.len().max(1),
            frames,
            time_reference: 0,
            frame_rate: [25, 1],
            ixml: Ixml::default(),
            routes: vec![each(&channels)],
        }
    }

    /// Makes the sound: `sink` is given one interleaved block after the other, [`frames`](Self::frames)
    /// frames in all. `folder` is the one that the alignment's names are relative to. Files are read
    /// once, as far as they are needed, in bounded memory.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when the alignment does not hold these files;
    /// what reading a file may answer; [`Cancelled`](ErrorKind::Cancelled); and what `sink` answers.
    pub fn render(
        &self,
        alignment: &Alignment,
        folder: &Path,
        options: &ConformOptions,
        progress: &dyn Progress,
        sink: &mut dyn FnMut(&[f32]) -> Result<()>,
    ) -> Result<()> {
        let mut files = Vec::new();
        for (source, channels) in self.sources.iter().zip(&self.routes) {
            let route = self.route(source, alignment)?;
            files.push(SoundingFile::open(&folder.join(source), &route, channels, self, options, 1.0)?);
        }
        if let (SoundPlacement::UnderClip(clip), Some(level_db)) = (&self.placement, options.camera_level_db)
            && let Some(channels) = alignment.file(clip).map(File::sound_channels).filter(|c| !c.is_empty())
        {
            let own = Leg { from_s: f64::NEG_INFINITY, to_s: f64::INFINITY, at_s: 0.0, source_s: 0.0, speed: 1.0 };
            let gain = 10f64.powf(level_db / 20.0) as f32;
            let route = Route::from_legs(vec![own])?;
            files.push(SoundingFile::open(&folder.join(clip), &route, &each(&channels), self, options, gain)?);
        }
        let mut mix = Vec::new();
        let mut done = 0;
        while done < self.frames {
            step(progress, "conforming sound", done as f64 / self.frames as f64)?;
            let frames = (self.frames - done).min(BLOCK as u64) as usize;
            mix.clear();
            mix.resize(frames * self.channels, 0.0);
            for file in &mut files {
                file.add_to(&mut mix, self.channels, frames)?;
            }
            sink(&mix)?;
            done += frames as u64;
        }
        Ok(())
    }
}

/// A conformed sound on disk, or why it is not there.
#[derive(Debug)]
#[non_exhaustive]
pub struct Written {
    /// What it is.
    pub conformed: Conformed,
    /// Where it is.
    pub path: Result<PathBuf>,
    /// Samples that were beyond full scale and had to be clipped.
    pub clipped: u64,
}

/// Makes everything of the [`plan`] into WAV files in the folder `out`, which must be there.
///
/// Each file has a `bext` chunk with its time reference (EBU Tech 3285) and an `iXML` chunk with the
/// timeline's frame rate, becomes RF64 past 4 GiB, and appears whole or not at all. A file that
/// cannot be made does not stop the others.
///
/// # Errors
/// As for [`plan`]; [`Cancelled`](ErrorKind::Cancelled).
pub fn conform(
    alignment: &Alignment,
    folder: &Path,
    out: &Path,
    options: &ConformOptions,
    progress: &dyn Progress,
) -> Result<Vec<Written>> {
    let jobs = plan(alignment, options)?.into_iter().map(|c| (out.join(&c.name), c)).collect::<Vec<_>>();
    write_all(&jobs, alignment, folder, options, progress)
}

/// Which sounds of a [`plan`] lie at their paths already, made from the same, as [`write_all`] would leave them but perhaps
/// for their time reference, and for 5 us by which their places may have moved since. None without a [cache](OpenOptions::cache).
pub fn lie_there(
    jobs: &[(PathBuf, Conformed)],
    alignment: &Alignment,
    folder: &Path,
    options: &ConformOptions,
) -> Vec<bool> {
    let recipe = |(path, conformed): &'_ (PathBuf, Conformed)| {
        Recipe::of(conformed, alignment, folder, path, options).is_some_and(|recipe| recipe.lies_there())
    };
    jobs.iter().map(recipe).collect()
}

/// Makes sounds of a [`plan`] into WAV files, each at its path; as [`conform`] does. With
/// [`replace`](ConformOptions::replace) and a [cache](OpenOptions::cache), what [lies there](lie_there) is not made again.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only; what is wrong with a file stands in its [`Written`].
pub fn write_all(
    jobs: &[(PathBuf, Conformed)],
    alignment: &Alignment,
    folder: &Path,
    options: &ConformOptions,
    progress: &dyn Progress,
) -> Result<Vec<Written>> {
    let weight = |job: &(PathBuf, Conformed)| job.1.frames as f64 * (job.1.channels + 1) as f64;
    for_all("conforming sound", jobs, weight, progress, |(path, conformed), progress| {
        let recipe = Recipe::of(conformed, alignment, folder, path, options).filter(|_| options.replace);
        if let Some(clipped) = recipe.as_ref().and_then(Recipe::stamped) {
            return Ok(Written { conformed: conformed.clone(), path: Ok(path.clone()), clipped });
        }
        let written = conformed.write(alignment, folder, path, options, progress);
        if let (Ok(clipped), Some(recipe)) = (&written, recipe) {
            // A source that was changed meanwhile is another file now.
            if Recipe::of(conformed, alignment, folder, path, options).is_some_and(|now| now.is(&recipe)) {
                recipe.keep(*clipped);
            }
        }
        match written {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            Err(e) => Ok(Written { conformed: conformed.clone(), path: Err(e), clipped: 0 }),
            Ok(clipped) => Ok(Written { conformed: conformed.clone(), path: Ok(path.clone()), clipped }),
        }
    })
}

impl Conformed {
    /// Makes one WAV file, whole or not at all, and returns how many samples had to be clipped.
    ///
    /// # Errors
    /// As for [`render`](Self::render); [`OutputExists`](ErrorKind::OutputExists) when something has
    /// the name and may not be replaced; what the system says about writing.
    pub fn write(
        &self,
        alignment: &Alignment,
        folder: &Path,
        path: &Path,
        options: &ConformOptions,
        progress: &dyn Progress,
    ) -> Result<u64> {
        let mut writer = WavWriter::create(path, self.wav(options))?;
        self.render(alignment, folder, options, progress, &mut |block| writer.write(block))?;
        let clipped = writer.clipped();
        writer.finish()?;
        Ok(clipped)
    }

    /// Which moment of a source sounds when: in time from its first sample under a clip, in time on the timeline else.
    fn route(&self, source: &str, alignment: &Alignment) -> Result<Route> {
        let placed = |path: &str| {
            let map = alignment.map(path);
            map.ok_or_else(|| Error::invalid("this file is not placed in the alignment").with_path(path))
        };
        let map = placed(source)?;
        Ok(match &self.placement {
            SoundPlacement::UnderClip(clip) => Route::under_clip(&map, &placed(clip)?),
            SoundPlacement::OnTimeline => Route::onto_timeline(&map),
        })
    }

    /// When its first sample sounds, in time of its [`route`](Self::route), seconds.
    fn first_s(&self) -> f64 {
        if self.placement == SoundPlacement::OnTimeline { self.start_s } else { 0.0 }
    }

    /// How it is written.
    pub(crate) fn wav(&self, options: &ConformOptions) -> WavOptions {
        let mut wav = WavOptions::new(self.rate_hz, self.channels);
        wav.format = options.format;
        wav.overwrite = options.replace;
        wav.bext = Some(self.bext(options.format));
        wav.ixml = Some(self.ixml());
        wav
    }

    fn describe(&self) -> String {
        let from = self.sources.join(", ");
        match &self.placement {
            SoundPlacement::UnderClip(clip) => format!("Lies under {clip}, sample for sample. From {from}"),
            SoundPlacement::OnTimeline => format!("On the reference clock. From {from}"),
        }
    }

    fn bext(&self, format: SampleFormat) -> Bext {
        let bits = match format {
            SampleFormat::Int16 => "16",
            SampleFormat::Float32 => "32",
            _ => "24",
        };
        let mode = match self.channels {
            1 => "mono",
            2 => "stereo",
            _ => "multi",
        };
        Bext {
            description: self.describe(),
            originator: "Coeval".to_owned(),
            time_reference: self.time_reference,
            // EBU R 98 names these fields.
            coding_history: format!(
                "A=PCM,F={},W={bits},M={mode},T=coeval {}\n",
                self.rate_hz,
                env!("CARGO_PKG_VERSION")
            ),
            ..Bext::default()
        }
    }

    fn ixml(&self) -> String {
        let [num, den] = self.frame_rate;
        let flag = if den == 1001 && num.is_multiple_of(30_000) { "DF" } else { "NDF" };
        let mut text = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<BWFXML>\n");
        let [high, low] = [self.time_reference >> 32, self.time_reference & 0xFFFF_FFFF].map(|n| n.to_string());
        // The text is as long whatever these numbers are, so that a file can be given another time reference in place.
        let padding = " ".repeat(20 - high.len() - low.len());
        let Ixml { project, scene, take, tape, user_bits, family: _, tracks, numbers } = &self.ixml;
        let about = [("PROJECT", project), ("SCENE", scene), ("TAKE", take), ("TAPE", tape), ("UBITS", user_bits)];
        let about: String =
            about.iter().filter(|(_, said)| !said.is_empty()).map(|(name, said)| element(name, said)).collect();
        let mut list = String::new();
        if tracks.iter().any(|name| !name.is_empty()) {
            list = format!("<TRACK_LIST>\n<TRACK_COUNT>{}</TRACK_COUNT>\n", tracks.len());
            for ((name, number), channel) in tracks.iter().zip(numbers).zip(1..) {
                let _ = write!(
                    list,
                    "<TRACK><CHANNEL_INDEX>{number}</CHANNEL_INDEX><INTERLEAVE_INDEX>{channel}</INTERLEAVE_INDEX>\n{}</TRACK>\n",
                    element("NAME", name)
                );
            }
            list += "</TRACK_LIST>\n";
        }
        let note = element("NOTE", &self.describe());
        // Writing to a String cannot fail.
        let _ = write!(
            text,
            "<IXML_VERSION>1.52</IXML_VERSION>\n{about}{note}<SPEED>\n\
             <TIMECODE_RATE>{num}/{den}</TIMECODE_RATE>\n<TIMECODE_FLAG>{flag}</TIMECODE_FLAG>\n\
             <FILE_SAMPLE_RATE>{rate}</FILE_SAMPLE_RATE>\n<TIMESTAMP_SAMPLE_RATE>{rate}</TIMESTAMP_SAMPLE_RATE>\n\
             <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{high}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>\n\
             <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{low}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>\n</SPEED>\n{list}</BWFXML>\n\
             {padding}",
            rate = self.rate_hz,
        );
        text
    }
}

fn element(name: &str, text: &str) -> String {
    let safe: String = text.chars().filter(|c| !c.is_control()).collect();
    let safe = safe.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    format!("<{name}>{safe}</{name}>\n")
}

/// These channels of a file, each to its own; a single one to all.
fn each(channels: &[usize]) -> Vec<(usize, Option<usize>)> {
    let alone = channels.len() == 1;
    channels.iter().enumerate().map(|(i, c)| (*c, (!alone).then_some(i))).collect()
}

/// One file that sounds in a conformed sound.
struct SoundingFile {
    reader: SoundReader,
    /// The frame that the reader gives next.
    at: u64,
    resampler: Resampler,
    /// Where each of its channels goes; `None`: to all.
    goes: Vec<Option<usize>>,
    gain: f32,
    input: Vec<f32>,
    block: Vec<f32>,
    ready: Vec<f32>,
}

impl SoundingFile {
    fn open(
        path: &Path,
        route: &Route,
        channels: &[(usize, Option<usize>)],
        target: &Conformed,
        options: &ConformOptions,
        gain: f32,
    ) -> Result<Self> {
        let mut open = options.open.clone();
        open.channels = Some(channels.iter().map(|c| c.0).collect());
        let reader = SoundReader::open(path, &open)?;
        let sound = reader.info().sound.as_ref();
        let sound = sound.ok_or_else(|| Error::new(ErrorKind::NoSound, "no sound track").with_path(path))?;
        let goes: Vec<Option<usize>> = channels.iter().map(|c| c.1).collect();
        let resample =
            ResampleOptions::new(f64::from(sound.rate_hz), f64::from(target.rate_hz), goes.len(), target.frames)
                .starting_at(target.first_s());
        let resampler = Resampler::new(route, &resample).map_err(|e| e.with_path(path))?;
        Ok(Self { reader, at: 0, resampler, goes, gain, input: Vec::new(), block: Vec::new(), ready: Vec::new() })
    }

    /// Adds the next `frames` frames.
    fn add_to(&mut self, mix: &mut [f32], channels: usize, frames: usize) -> Result<()> {
        while self.ready.len() < frames * self.goes.len() {
            feed(&mut self.resampler, &mut self.reader, &mut self.at, &mut self.input)?;
            if self.resampler.pull(&mut self.block) == 0 {
                return Err(Error::new(ErrorKind::Internal, "the resampler ended before its length"));
            }
            self.ready.extend_from_slice(&self.block);
        }
        let own = &self.ready[..frames * self.goes.len()];
        if self.goes.iter().copied().eq((0..channels).map(Some)) {
            // Each channel goes to its own.
            mix.iter_mut().zip(own).for_each(|(y, x)| *y += self.gain * x);
        } else {
            for (frame, out) in own.chunks_exact(self.goes.len()).zip(mix.chunks_exact_mut(channels)) {
                for (x, goes) in frame.iter().zip(&self.goes) {
                    match goes {
                        Some(channel) => out[*channel] += self.gain * x,
                        None => out.iter_mut().for_each(|y| *y += self.gain * x),
                    }
                }
            }
        }
        self.ready.drain(..frames * self.goes.len());
        Ok(())
    }
}

/// A placed file on the timeline.
struct Span {
    map: ClockMap,
    duration_s: f64,
    from_s: f64,
    to_s: f64,
}

impl Span {
    fn of(file: &File) -> Option<Self> {
        let map = file.map()?;
        let duration_s = file.duration_s.unwrap_or(map.knots()[map.knots().len() - 1].0);
        let (from_s, to_s) = (map.forward(0.0), map.forward(duration_s));
        Some(Self { map, duration_s, from_s, to_s })
    }

    fn meets(&self, other: &Self) -> bool {
        self.from_s < other.to_s && other.from_s < self.to_s
    }
}

/// `STEM.WHAT.wav`, with the recording's id or a number before it where that name is taken.
fn name(recording: &str, path: &str, what: &str, taken: &mut HashSet<String>) -> String {
    let file = path.rsplit('/').next().unwrap_or(path);
    let stem = plain_name(file.rsplit_once('.').map_or(file, |(stem, _)| stem));
    let mut name = format!("{stem}.{what}.wav");
    let mut count = 1;
    // On some systems names that differ in case only are one.
    while !taken.insert(name.to_lowercase()) {
        let mark = if count == 1 { plain_name(recording) } else { format!("{}-{count}", plain_name(recording)) };
        name = format!("{mark}.{stem}.{what}.wav");
        count += 1;
    }
    name
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::alignment::{Generator, Jump, Picture, SoundTrack, Status, Timeline};

    /// What was to be heard at each moment of the timeline.
    pub(crate) fn voice(t: f64) -> f64 {
        let tau = std::f64::consts::TAU;
        0.2 * (tau * 217.3 * t).sin()
            + 0.15 * (tau * 1031.7 * t + 3.0 * (0.37 * t).sin()).sin()
            + 0.1 * (tau * 2503.1 * t).sin()
    }

    /// Writes what a device with this clock heard.
    pub(crate) fn record(
        folder: &Path,
        name: &str,
        rate_hz: u32,
        channels: usize,
        map: &ClockMap,
        sound: impl Fn(f64) -> f64,
    ) {
        let knots = map.knots();
        let frames = (knots[knots.len() - 1].0 * f64::from(rate_hz)).round() as usize;
        let mut writer = WavWriter::create(&folder.join(name), WavOptions::new(rate_hz, channels)).unwrap();
        let mut block = Vec::new();
        for n in 0..frames {
            let x = sound(map.forward(n as f64 / f64::from(rate_hz))) as f32;
            block.extend((0..channels).map(|c| x * if c == 0 { 1.0 } else { -0.5 }));
        }
        writer.write(&block).unwrap();
        writer.finish().unwrap();
    }

    pub(crate) fn file(path: &str, rate_hz: u32, channels: usize, map: &ClockMap) -> File {
        let knots = map.knots();
        File {
            path: path.into(),
            status: Status::Placed,
            reason: None,
            duration_s: Some(knots[knots.len() - 1].0),
            confidence: Some(1.0),
            uncertainty_s: Some(1e-4),
            offset_s: Some(map.offset_s()),
            drift_ppm: Some(map.drift_ppm()),
            knots: knots.iter().map(|k| [k.0, k.1]).collect(),
            jumps: map.jumps().map(|(file_s, lost_s)| Jump { file_s, lost_s }).collect(),
            stretches: Vec::new(),
            event: None,
            placed_by: None,
            copy_of: None,
            better_sound_of: None,
            track_of: None,
            compared: None,
            picture: None,
            sound: Some(SoundTrack { codec: "PCM".into(), rate_hz, channels, bits: Some(24) }),
            created_unix_s: None,
            timecode: None,
            ltc: None,
            ixml: None,
            proof: None,
            warnings: Vec::new(),
        }
    }

    pub(crate) fn picture(duration_s: f64) -> Option<Picture> {
        Some(Picture {
            frame_rate: [25, 1],
            variable_rate: false,
            capture_rate: None,
            size: [320, 180],
            start_s: 0.0,
            duration_s,
        })
    }

    pub(crate) fn alignment(cameras: Vec<File>, recorder: Vec<File>) -> Alignment {
        let recording = |id: &str, kind, files| Recording { id: id.into(), kind, files, event: None };
        Alignment {
            schema: crate::alignment::SCHEMA.into(),
            generator: Generator { name: "coeval".into(), version: "0".into() },
            timeline: Timeline { clock: "cam-a".into(), duration_s: 100.0 },
            recordings: vec![recording("cam-a", Kind::Camera, cameras), recording("rec-1", Kind::Recorder, recorder)],
            pairs: Vec::new(),
            anchors: Vec::new(),
            loops: Vec::new(),
            events: Vec::new(),
            photos: Vec::new(),
        }
    }

    fn read(path: &Path) -> (usize, Vec<f32>) {
        let mut reader = SoundReader::open(path, &OpenOptions::default()).unwrap();
        let channels = reader.info().sound.as_ref().unwrap().channels;
        let (mut all, mut block) = (Vec::new(), Vec::new());
        while reader.read(&mut block).unwrap() > 0 {
            all.extend_from_slice(&block);
        }
        (channels, all)
    }

    /// Largest difference from `truth` over the seconds `from..to`, when read `shift` samples late.
    fn worst(sound: &[f32], rate: f64, (from, to): (f64, f64), shift: usize, truth: impl Fn(f64) -> f64) -> f64 {
        let range = (from * rate).ceil() as usize..(to * rate) as usize;
        range.map(|n| (f64::from(sound[n + shift]) - truth(n as f64 / rate)).abs()).fold(0.0, f64::max)
    }

    #[test]
    fn lies_under_the_clip_from_the_first_sample_to_the_last() {
        let dir = tempfile::tempdir().unwrap();
        let clip = ClockMap::linear(20.0, -30.0, 12.34);
        // The recorder starts 2 s into the clip, changes file with a gap of 1.5 s, and loses 0.3 s.
        let first = ClockMap::from_knots(vec![(0.0, 22.0), (2.0, 24.000_17), (4.0, 26.000_32)]).unwrap();
        let second =
            ClockMap::from_knots(vec![(0.0, 27.5), (1.0, 28.500_08), (1.0, 28.800_08), (9.0, 36.800_7)]).unwrap();
        record(dir.path(), "R1.WAV", 44_100, 1, &first, voice);
        record(dir.path(), "R2.WAV", 44_100, 1, &second, voice);
        let mut camera = file("CAM.MOV", 48_000, 2, &clip);
        camera.picture = picture(12.34);
        let alignment =
            alignment(vec![camera], vec![file("R1.WAV", 44_100, 1, &first), file("R2.WAV", 44_100, 1, &second)]);
        let options = ConformOptions { timeline_start_s: 3600.0, ..Default::default() };
        let out = tempfile::tempdir().unwrap();
        let written = conform(&alignment, dir.path(), out.path(), &options, &()).unwrap();
        assert_eq!(written.len(), 3);
        let under = &written[0].conformed;
        assert_eq!(under.placement, SoundPlacement::UnderClip("CAM.MOV".into()));
        assert_eq!((under.sources.len(), under.frames, under.channels), (2, 592_320, 1));
        assert_eq!(under.time_reference, (3600 + 20) * 48_000);
        let path = written[0].path.as_ref().unwrap();
        assert_eq!(path.file_name().unwrap(), "CAM.sound-of-rec-1.wav");
        let (channels, sound) = read(path);
        assert_eq!((channels, sound.len()), (1, 592_320));
        let truth = |t: f64| voice(clip.forward(t));
        // Clip time is timeline time minus 20 s but for the drift.
        for range in [(2.01, 5.99), (7.51, 8.49), (8.81, 12.33)] {
            assert!(worst(&sound, 48_000.0, range, 0, truth) < 2e-4, "{range:?}");
            assert!(worst(&sound, 48_000.0, range, 1, truth) > 2e-2, "a shift of one sample is not seen");
        }
        for range in [(0.0, 1.99), (6.01, 7.49), (8.51, 8.79)] {
            assert!(worst(&sound, 48_000.0, range, 0, |_| 0.0) < 1e-6, "not silent in {range:?}");
        }
    }

    #[test]
    fn keeps_step_through_an_hour_of_drift_wander_and_a_jump() {
        let dir = tempfile::tempdir().unwrap();
        let rate = 8000;
        let clip = ClockMap::linear(3.21, -31.8, 3600.0);
        // 85 ppm with a wander of +-25 ppm; at 1700 s of file 40 ms are lost.
        let mut knots = vec![(0.0, 1.5)];
        for i in 0..60 {
            let (file, at): (f64, f64) = knots[knots.len() - 1];
            let next = file + 61.0;
            if file < 1700.0 && next > 1700.0 {
                knots.push((1700.0, at + 1700.0 - file));
                knots.push((1700.0, at + 1700.0 - file + 0.04));
            }
            let (file, at) = knots[knots.len() - 1];
            knots.push((next, at + (next - file) * (1.0 + (85.0 + 25.0 * (f64::from(i) / 6.0).sin()) * 1e-6)));
        }
        let recorder = ClockMap::from_knots(knots).unwrap();
        let low = |t: f64| 0.3 * (std::f64::consts::TAU * 407.3 * t + 2.0 * (0.011 * t).sin()).sin();
        record(dir.path(), "R.WAV", rate, 1, &recorder, low);
        let mut camera = file("CAM.MOV", rate, 1, &clip);
        camera.picture = picture(3600.0);
        let alignment = alignment(vec![camera], vec![file("R.WAV", rate, 1, &recorder)]);
        let options = ConformOptions { rate_hz: rate, ..Default::default() };
        let job = &plan(&alignment, &options).unwrap()[0];
        let mut sound: Vec<f32> = Vec::new();
        let sink = &mut |block: &[f32]| {
            sound.extend_from_slice(block);
            Ok(())
        };
        job.render(&alignment, dir.path(), &options, &(), sink).unwrap();
        assert_eq!(sound.len(), 3600 * 8000);
        for minute in 0..60 {
            let from = f64::from(minute) * 60.0 + 1.0;
            let late = |s: f64| worst(&sound, 8000.0, (from, from + 2.0), 0, |t| low(clip.forward(t) + s));
            assert!(late(0.0) < 1e-3, "minute {minute}: {}", late(0.0));
            assert!(late(20e-6) > 1e-3, "20 us are not seen");
        }
    }

    #[test]
    fn on_the_timeline_a_recorder_file_is_whole_and_starts_on_a_frame() {
        let dir = tempfile::tempdir().unwrap();
        let clip = ClockMap::linear(0.0, 0.0, 10.0);
        let recorder = ClockMap::linear(1.234, 85.0, 3.0);
        record(dir.path(), "R.WAV", 48_000, 2, &recorder, voice);
        let mut camera = file("CAM.MOV", 48_000, 1, &clip);
        camera.picture = picture(10.0);
        let mut alignment = alignment(vec![camera], vec![file("R.WAV", 48_000, 2, &recorder)]);
        alignment.recordings[0].files[0].picture.as_mut().unwrap().frame_rate = [30_000, 1001];
        let out = tempfile::tempdir().unwrap();
        let written = conform(&alignment, dir.path(), out.path(), &ConformOptions::default(), &()).unwrap();
        let whole = &written[1].conformed;
        // Frame 36 of 30000/1001 is the last before 1.234 s.
        let start_s = 36.0 * 1001.0 / 30_000.0;
        assert!((whole.start_s - start_s).abs() < 1e-9);
        assert_eq!(whole.time_reference, (start_s * 48_000.0).round() as u64);
        assert_eq!(whole.frames, ((recorder.forward(3.0) - start_s) * 48_000.0).ceil() as u64);
        let (channels, sound) = read(written[1].path.as_ref().unwrap());
        assert_eq!((channels, sound.len() as u64), (2, 2 * whole.frames));
        let left: Vec<f32> = sound.iter().copied().step_by(2).collect();
        let right: Vec<f32> = sound.iter().copied().skip(1).step_by(2).collect();
        let range = (1.24 - start_s, 4.2 - start_s);
        assert!(worst(&left, 48_000.0, range, 0, |t| voice(start_s + t)) < 2e-4);
        assert!(worst(&right, 48_000.0, range, 0, |t| -0.5 * voice(start_s + t)) < 2e-4);
        assert!(worst(&left, 48_000.0, range, 1, |t| voice(start_s + t)) > 2e-2);
    }

    #[test]
    fn the_camera_is_mixed_in_at_its_level() {
        let dir = tempfile::tempdir().unwrap();
        let clip = ClockMap::linear(5.0, 40.0, 3.0);
        let recorder = ClockMap::linear(0.0, -20.0, 20.0);
        let engine = |t: f64| 0.4 * (std::f64::consts::TAU * 88.0 * t).sin();
        record(dir.path(), "CAM.WAV", 48_000, 2, &clip, engine);
        record(dir.path(), "R.WAV", 48_000, 1, &recorder, voice);
        let alignment = alignment(vec![file("CAM.WAV", 48_000, 2, &clip)], vec![file("R.WAV", 48_000, 1, &recorder)]);
        let options =
            ConformOptions { camera_level_db: Some(-20.0), format: SampleFormat::Float32, ..Default::default() };
        let out = tempfile::tempdir().unwrap();
        let written = conform(&alignment, dir.path(), out.path(), &options, &()).unwrap();
        let (channels, sound) = read(written[0].path.as_ref().unwrap());
        assert_eq!((channels, sound.len()), (2, 2 * 144_000));
        for (channel, sign) in [(0, 1.0), (1, -0.5)] {
            let one: Vec<f32> = sound.iter().copied().skip(channel).step_by(2).collect();
            let truth = |t: f64| voice(clip.forward(t)) + 0.1 * sign * engine(clip.forward(t));
            assert!(worst(&one, 48_000.0, (0.0, 2.99), 0, truth) < 2e-4);
        }
    }

    #[test]
    fn what_cannot_be_made_stops_nothing_and_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let map = ClockMap::linear(0.0, 10.0, 2.0);
        record(dir.path(), "R.WAV", 48_000, 1, &map, voice);
        std::fs::write(dir.path().join("S.WAV"), b"no sound").unwrap();
        let clip = file("CAM.MOV", 48_000, 1, &ClockMap::linear(10.0, 0.0, 2.0));
        let alignment = alignment(
            vec![clip],
            vec![file("R.WAV", 48_000, 1, &map), file("S.WAV", 48_000, 1, &map), file("T.WAV", 48_000, 1, &map)],
        );
        let out = tempfile::tempdir().unwrap();
        let options = ConformOptions::default();
        let names = || {
            let mut names: Vec<String> =
                std::fs::read_dir(out.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
            names.sort();
            names
        };
        assert!(matches!(conform(&alignment, dir.path(), out.path(), &options, &|_: &str, done: f64| done < 0.2),
            Err(e) if e.kind() == ErrorKind::Cancelled));
        assert_eq!(names(), Vec::<String>::new());
        // The camera ran at another time: nothing lies under it.
        let written = conform(&alignment, dir.path(), out.path(), &options, &()).unwrap();
        let kinds: Vec<Option<ErrorKind>> = written.iter().map(|w| w.path.as_ref().err().map(Error::kind)).collect();
        assert_eq!(kinds, [None, Some(ErrorKind::UnknownFormat), Some(ErrorKind::NotFound)]);
        assert_eq!(names(), ["R.on-timeline.wav"]);
        let again = conform(&alignment, dir.path(), out.path(), &options, &()).unwrap();
        assert_eq!(again[0].path.as_ref().unwrap_err().kind(), ErrorKind::OutputExists);
    }

    #[test]
    fn names_never_clash() {
        let map = ClockMap::linear(0.0, 0.0, 2.0);
        let files = ["a/C1.MP4", "b/c1.MP4", "b/C1.MOV", "C?1.MOV"].map(|n| file(n, 48_000, 1, &map));
        let alignment =
            alignment(files.into(), vec![file("x/R.WAV", 48_000, 1, &map), file("y/R.WAV", 48_000, 1, &map)]);
        let plan = plan(&alignment, &ConformOptions::default()).unwrap();
        let names: HashSet<String> = plan.iter().map(|c| c.name.to_lowercase()).collect();
        assert_eq!(names.len(), 6);
        assert!(names.iter().all(|n| !n.contains(['/', '?'])));
        assert!(super::plan(&alignment, &ConformOptions { frame_rate: Some([0, 1]), ..Default::default() }).is_err());
        assert!(super::plan(&alignment, &ConformOptions { rate_hz: 0, ..Default::default() }).is_err());
    }
}
