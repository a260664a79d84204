//! A rough cut as sound: cut as the plan says, brought to a loudness, its true peaks limited.
//!
//! [`render`] makes it: the recorder alone, or with the sound of the camera that is seen and the user's voice-over, each
//! at its gain.

use std::fs::File as Disk;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use coeval::options::OptionTable;
use coeval::progress::{Progress, step};
use coeval::resample::{Leg, ResampleOptions, Resampler, Route};
use coeval::{Error, Result};
use coeval_listen::level::{LevelMeter, LevelReport};
use coeval_listen::limit::Limiter;
use coeval_media::{OpenOptions, SampleFormat, SoundReader, WavOptions, WavWriter};
use coeval_shoot::Alignment;
use coeval_shoot::conform::{ConformOptions, Conformed};

use crate::tighten::{EditAction, Plan, Voice};
use crate::voices::SpeechMap;

const RATE: u32 = 48_000;
const CHANNELS: usize = 2;
const BLOCK: usize = 4096;
/// Length of the fades where time was taken out, seconds.
const FADE_S: f64 = 0.005;
/// How close the loudness must come, LU.
const CLOSE_LU: f64 = 0.05;
/// How often gain and ceiling are set anew at most.
const ROUNDS: usize = 8;
/// A meter's interpolation may see so much more than ours, dB.
const MARGIN_DB: f64 = 0.1;

/// Levels of the sound that was made.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Rendered {
    /// Gain before the limiter, dB.
    pub gain_db: f64,
    /// Integrated loudness, LUFS (ITU-R BS.1770); `None` for silence.
    pub loudness_lufs: Option<f64>,
    /// Highest true peak, dBTP.
    pub true_peak_dbtp: f64,
    /// Length, seconds.
    pub duration_s: f64,
}

/// Which sound of a rough cut to make.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Layers {
    /// The recorder, the camera shown, and voice-overs.
    #[default]
    All,
    /// The recorder alone.
    Voice,
}

/// How the sound of a rough cut is made and written. The defaults serve.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct RenderOptions {
    /// Which sound it contains.
    pub layers: Layers,
    /// Gains, loudness, true peak, voice-overs.
    pub levels: MixLevels,
    /// May a file of the same name be replaced?
    pub replace: bool,
    /// How files are opened.
    pub open: OpenOptions,
}

impl RenderOptions {
    /// Reads voice-overs, each with its start on the shorter timeline in seconds, and adds them to the levels. They are
    /// not read when only the recorder's sound is made.
    ///
    /// # Errors
    /// As for [`OptionTable::check_ranges`] and [`VoiceOver::measure`].
    pub fn measure_over(&mut self, files: &[(PathBuf, f64)], progress: &dyn Progress) -> Result<()> {
        self.levels.check_ranges()?;
        for (path, at_s) in files.iter().filter(|_| self.layers == Layers::All) {
            let over = VoiceOver::measure(path, *at_s, self.levels.loudness_lufs, &self.open, progress)?;
            self.levels.voice_over.push(over);
        }
        Ok(())
    }
}

/// Writes the sound of a rough cut to `path` as WAV: stereo, 48 kHz, 24 bits, as long as the shorter timeline, silent
/// where time is sped up. The file appears whole or not at all. `folder` is the one that the alignment's names are
/// relative to; `speech` says which recording is the voice and how loud it is.
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for levels out of their ranges or a plan that
/// breaks [`Plan::check`]; [`OutputExists`](coeval::ErrorKind::OutputExists) when the file is there and `replace` is
/// not set; what reading and writing may answer; [`Cancelled`](coeval::ErrorKind::Cancelled).
pub fn render(
    alignment: &Alignment,
    folder: &Path,
    speech: &SpeechMap,
    plan: &Plan,
    options: &RenderOptions,
    path: &Path,
    progress: &dyn Progress,
) -> Result<Rendered> {
    let mut levels = options.levels.clone();
    levels.speech_lufs = speech.loudness_lufs;
    levels.check_ranges()?;
    plan.check()?;
    let recorder = &speech.recorder;
    let frames = length(plan);
    let mut sound = blank(frames)?;
    let material = Material { alignment, folder, open: &options.open };
    match options.layers {
        Layers::Voice => {
            let cutting = &|_: &str, done: f64| progress.report("cutting the voice", done);
            material.lay(&mut sound, recorder, &kept(plan), &[], cutting)?;
        }
        Layers::All => material.mix(&mut sound, recorder, plan, &levels.mix(plan, &speech.voices), progress)?,
    }
    level(sound, frames, (levels.loudness_lufs, levels.true_peak_dbtp), path, options.replace, progress)
}

/// A voice-over.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct VoiceOver {
    /// Its file, absolute.
    pub path: PathBuf,
    /// Where it begins on the shorter timeline, seconds, 0 or later.
    pub at_s: f64,
    /// How long it is, seconds.
    pub length_s: f64,
    /// Gain that brings it to its loudness, dB.
    pub gain_db: f64,
}

impl VoiceOver {
    /// Reads a file of mono or stereo sound through and finds the gain that brings it to `lufs`; silence keeps its own.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for a moment before the start or more than two
    /// channels; what reading may answer; [`Cancelled`](coeval::ErrorKind::Cancelled).
    pub fn measure(path: &Path, at_s: f64, lufs: f64, open: &OpenOptions, progress: &dyn Progress) -> Result<Self> {
        if !(0.0..=1e6).contains(&at_s) {
            return Err(Error::invalid(format!("a voice-over at {at_s} s: it must start between 0 and 1e6 s")));
        }
        let path = std::fs::canonicalize(path).map_err(|e| Error::io(path, e))?;
        let mut reader = SoundReader::open(&path, open)?;
        let sound = reader.sound()?;
        if sound.channels > CHANNELS {
            return Err(Error::invalid(format!("{} channels: a voice-over must be mono or stereo", sound.channels))
                .with_path(&path));
        }
        let mut meter = LevelMeter::new(sound.rate_hz, sound.channels)?;
        let frames = reader.read_to_end(|block, done| {
            meter.push(block)?;
            step(progress, "measuring the voice-over", done)
        })?;
        let gain_db = meter.finish()?.integrated_lufs.map_or(0.0, |own| lufs - own);
        Ok(Self { path, at_s, length_s: frames as f64 / f64::from(sound.rate_hz), gain_db })
    }
}

coeval::options! {
    /// Levels of the tracks. The defaults are common practice, no source.
    #[derive(Debug, Clone, PartialEq)]
    #[non_exhaustive]
    pub struct MixLevels {
        /// Loudness of the voice, LUFS, -40 to -5. The default is common for streaming; no standard says so.
        pub loudness_lufs: f64 = -14.0, -40.0..=-5.0;
        /// Maximum true peak of the result, dBTP, -20 to 0.
        pub true_peak_dbtp: f64 = -1.0, -20.0..=0.0;
        /// Level of the camera's own sound where no one speaks, relative to its level as recorded, dB, -120 to 24.
        pub camera_db: f64 = -12.0, -120.0..=24.0;
        /// Change of the camera's level under a voice, dB, -120 to 0: -12 leaves a quarter of the amplitude.
        pub duck_db: f64 = -12.0, -120.0..=0.0;
    } and {
        /// Length of a change of level, seconds.
        pub ramp_s: f64 = 0.3;
        /// Integrated loudness of the recorder's voices, LUFS, as
        /// [`SpeechMap::loudness_lufs`](crate::voices::SpeechMap): from it follows their gain.
        pub speech_lufs: Option<f64> = None;
        /// Voice-overs, on a separate track; cameras and recorder are ducked under them.
        pub voice_over: Vec<VoiceOver> = Vec::new();
    }
}

impl MixLevels {
    /// Gain that brings the recorder's voices to their loudness, dB; `None` when theirs is not known.
    pub fn voice_gain_db(&self) -> Option<f64> {
        self.speech_lufs.map(|own| self.loudness_lufs - own)
    }

    /// Gain of a camera's sound on the shorter timeline: `[second, dB]`, linear between. It goes down under voices and
    /// voice-overs.
    pub fn ducking(&self, plan: &Plan, voices: &[Voice]) -> Vec<[f64; 2]> {
        let frame_s = plan.frame_s();
        let mut spans: Vec<(f64, f64)> = self.over_spans(plan);
        let mut at = 0;
        for entry in &plan.entries {
            let (from_s, to_s) = (entry.from as f64 * frame_s, entry.to as f64 * frame_s);
            if entry.action == EditAction::Show {
                for v in voices.iter().filter(|v| v.start_s < to_s && v.end_s > from_s) {
                    let moved = at as f64 * frame_s - from_s;
                    spans.push((v.start_s.max(from_s) + moved, v.end_s.min(to_s) + moved));
                }
            }
            at += entry.shown_frames();
        }
        self.curve(spans, self.camera_db)
    }

    /// Gain of the recorder's sound on the shorter timeline, besides [`MixLevels::voice_gain_db`]: `[second, dB]`, linear
    /// between. It goes down under voice-overs.
    pub fn voice_ducking(&self, plan: &Plan) -> Vec<[f64; 2]> {
        self.curve(self.over_spans(plan), 0.0)
    }

    /// The gains of a whole mix.
    fn mix(&self, plan: &Plan, voices: &[Voice]) -> Mix<'_> {
        Mix {
            voice_gain_db: self.voice_gain_db().unwrap_or(0.0),
            voice_db: self.voice_ducking(plan),
            camera_db: self.ducking(plan, voices),
            voice_over: &self.voice_over,
        }
    }

    /// Where voice-overs lie within the shorter timeline.
    fn over_spans(&self, plan: &Plan) -> Vec<(f64, f64)> {
        let end_s = plan.shown_s();
        let spans = self.voice_over.iter().map(|v| (v.at_s, (v.at_s + v.length_s).min(end_s)));
        spans.filter(|s| s.0 < s.1).collect()
    }

    /// Down by `duck_db` within `spans`, with a ramp before and after each.
    fn curve(&self, mut spans: Vec<(f64, f64)>, high: f64) -> Vec<[f64; 2]> {
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut joined: Vec<(f64, f64)> = Vec::new();
        for (a, b) in spans {
            match joined.last_mut() {
                // Up and down again within a breath would be heard.
                Some(last) if a - last.1 < 4.0 * self.ramp_s => last.1 = last.1.max(b),
                _ => joined.push((a, b)),
            }
        }
        let low = high + self.duck_db;
        let mut points = vec![[0.0, high]];
        for (a, b) in joined {
            let down = (a - self.ramp_s).max(points.last().map_or(0.0, |p| p[0]));
            points.extend([[down, high], [a, low], [b, low], [b + self.ramp_s, high]]);
        }
        points
    }
}

/// Gains of the layers of a mix. Curves are `[second of the shorter timeline, dB]`, linear between, held at the ends; an
/// empty one is 0 dB.
struct Mix<'a> {
    /// Gain of the recorder, dB, before its curve.
    voice_gain_db: f64,
    /// Curve of the recorder.
    voice_db: Vec<[f64; 2]>,
    /// Curve of the sound of the camera that is seen.
    camera_db: Vec<[f64; 2]>,
    /// Laid over it.
    voice_over: &'a [VoiceOver],
}

/// What a cut's sound is read from.
struct Material<'a> {
    alignment: &'a Alignment,
    folder: &'a Path,
    open: &'a OpenOptions,
}

impl Material<'_> {
    /// Adds the recorder, the cameras where each is seen, and what is laid over.
    fn mix(&self, disk: &mut Disk, recorder: &str, plan: &Plan, mix: &Mix<'_>, progress: &dyn Progress) -> Result<()> {
        let mixing = &|_: &str, done: f64| progress.report("mixing", done);
        let mut voice_db = mix.voice_db.clone();
        if voice_db.is_empty() {
            voice_db.push([0.0, 0.0]);
        }
        voice_db.iter_mut().for_each(|p| p[1] += mix.voice_gain_db);
        self.lay(disk, recorder, &kept(plan), &voice_db, mixing)?;
        let mut cameras: Vec<&str> = plan.entries.iter().filter_map(|e| e.camera.as_deref()).collect();
        cameras.sort_unstable();
        cameras.dedup();
        // Where there is no recorder a camera is the voice already.
        for camera in cameras.into_iter().filter(|c| *c != recorder) {
            self.lay(disk, camera, &seen(plan, camera), &mix.camera_db, mixing)?;
        }
        for over in mix.voice_over {
            lay_over(disk, length(plan), over, self.open, mixing)?;
        }
        Ok(())
    }

    /// Adds a recording's sound where `moves` take it, with short fades at the ends of each, at the gain of a curve.
    fn lay(
        &self,
        disk: &mut Disk,
        recording: &str,
        moves: &[Move],
        gain_db: &[[f64; 2]],
        progress: &dyn Progress,
    ) -> Result<()> {
        let first = self.alignment.first_event();
        let alignment: &Alignment = &first;
        let found = alignment.recording(recording);
        let recording = found.ok_or_else(|| Error::invalid(format!("there is no recording called {recording:?}")))?;
        let rate = f64::from(RATE);
        let fade = (FADE_S * rate) as i64;
        for file in recording.listened() {
            let (Some(first), Some(last), true) = (file.knots.first(), file.knots.last(), file.has_sound()) else {
                continue;
            };
            // On a sample of the timeline.
            let start = (first[1] * rate).floor() as i64;
            let frames = ((last[1] * rate).ceil() as i64 - start).max(0) as u64;
            let conformed = Conformed::of_file(file, start as f64 / rate, RATE, frames);
            let channels = conformed.channels;
            let mut options = ConformOptions::default();
            options.open = self.open.clone();
            let mut from = start;
            let mut laid = Vec::new();
            conformed.render(alignment, self.folder, &options, progress, &mut |block| {
                let to = from + (block.len() / channels) as i64;
                for &(a, b, target) in moves.iter().filter(|m| m.0 < to && m.1 > from) {
                    let (begin, end) = (a.max(from), b.min(to));
                    laid.clear();
                    for (k, frame) in
                        (begin..end).zip(block[(begin - from) as usize * channels..].chunks_exact(channels))
                    {
                        let edge = ((k - a + 1).min(b - k) as f32 / fade as f32).min(1.0);
                        let gain = edge * gain_at(gain_db, (target + k - a) as f64 / rate);
                        laid.extend(stereo(frame).map(|x| gain * x));
                    }
                    add(disk, (target + begin - a) as u64, &laid)?;
                }
                from = to;
                Ok(())
            })?;
        }
        Ok(())
    }
}

/// The sample of a moment.
fn sample(plan: &Plan, frame: i64) -> i64 {
    (frame as f64 * plan.frame_s() * f64::from(RATE)).round() as i64
}

/// Samples of the result.
fn length(plan: &Plan) -> u64 {
    sample(plan, plan.shown_frames()) as u64
}

fn disk_failed(e: std::io::Error) -> Error {
    Error::io(std::env::temp_dir(), e)
}

/// Silence, 32-bit floating point, in a file that is gone when it is closed, since it may last for hours.
fn blank(frames: u64) -> Result<Disk> {
    let disk = tempfile::tempfile().map_err(disk_failed)?;
    disk.set_len(frames * CHANNELS as u64 * 4).map_err(disk_failed)?;
    Ok(disk)
}

/// A stretch of the full timeline in samples, and the sample of the shorter one where it goes.
type Move = (i64, i64, i64);

/// What stays at its own speed.
fn kept(plan: &Plan) -> Vec<Move> {
    let mut at = 0;
    let mut moves = Vec::new();
    for (from, to, speed) in plan.kept() {
        let length = (to - from + i64::from(speed) - 1) / i64::from(speed);
        if speed == 1 {
            let (begin, end) = (sample(plan, at), sample(plan, at + length));
            moves.push((sample(plan, from), sample(plan, from) + end - begin, begin));
        }
        at += length;
    }
    moves
}

/// Where a camera is seen at its own speed.
fn seen(plan: &Plan, camera: &str) -> Vec<Move> {
    let mut at = 0;
    let mut moves = Vec::new();
    for entry in &plan.entries {
        let length = entry.shown_frames();
        if entry.action == EditAction::Show && entry.camera.as_deref() == Some(camera) {
            let (begin, end) = (sample(plan, at), sample(plan, at + length));
            moves.push((sample(plan, entry.from), sample(plan, entry.from) + end - begin, begin));
        }
        at += length;
    }
    moves
}

/// A gain curve at a moment, as a factor.
fn gain_at(curve: &[[f64; 2]], s: f64) -> f32 {
    let after = curve.partition_point(|p| p[0] <= s);
    let db = match (after.checked_sub(1).map(|i| curve[i]), curve.get(after)) {
        (None, None) => 0.0,
        (Some(before), None) => before[1],
        (None, Some(next)) => next[1],
        (Some(before), Some(next)) => before[1] + (next[1] - before[1]) * (s - before[0]) / (next[0] - before[0]),
    };
    10f64.powf(db / 20.0) as f32
}

/// Adds a block of stereo sound at a frame.
fn add(disk: &mut Disk, at: u64, block: &[f32]) -> Result<()> {
    let place = SeekFrom::Start(at * CHANNELS as u64 * 4);
    let mut bytes = vec![0; 4 * block.len()];
    disk.seek(place).map_err(disk_failed)?;
    disk.read_exact(&mut bytes).map_err(disk_failed)?;
    for (old, new) in bytes.chunks_exact_mut(4).zip(block) {
        let sum = f32::from_le_bytes([old[0], old[1], old[2], old[3]]) + new;
        old.copy_from_slice(&sum.to_le_bytes());
    }
    disk.seek(place).map_err(disk_failed)?;
    disk.write_all(&bytes).map_err(disk_failed)
}

fn stereo(frame: &[f32]) -> [f32; 2] {
    match frame {
        [l, r] => [*l, *r],
        _ => [frame.iter().sum::<f32>() / frame.len() as f32; 2],
    }
}

/// Adds a voice-over, resampled where it must be.
fn lay_over(disk: &mut Disk, frames: u64, over: &VoiceOver, open: &OpenOptions, progress: &dyn Progress) -> Result<()> {
    let mut reader = SoundReader::open(&over.path, open)?;
    let sound = reader.sound()?;
    let wanted = (over.length_s * f64::from(RATE)).floor() as u64;
    let whole = Leg { from_s: f64::NEG_INFINITY, to_s: f64::INFINITY, at_s: 0.0, source_s: 0.0, speed: 1.0 };
    let options = ResampleOptions::new(f64::from(sound.rate_hz), f64::from(RATE), sound.channels, wanted);
    let mut resampler = Resampler::new(&Route::from_legs(vec![whole])?, &options)?;
    let gain = 10f64.powf(over.gain_db / 20.0) as f32;
    let mut at = (over.at_s * f64::from(RATE)).round() as u64;
    let (mut block, mut out) = (Vec::new(), Vec::new());
    loop {
        let read = reader.read(&mut block)?;
        if read == 0 {
            resampler.end_of_source();
        } else {
            resampler.push(&block)?;
        }
        while resampler.pull(&mut out) > 0 {
            let laid: Vec<f32> = out.chunks_exact(sound.channels).flat_map(stereo).map(|x| gain * x).collect();
            let room = frames.saturating_sub(at).min((laid.len() / CHANNELS) as u64);
            add(disk, at, &laid[..room as usize * CHANNELS])?;
            at += (laid.len() / CHANNELS) as u64;
        }
        if read == 0 {
            return Ok(());
        }
        step(progress, "mixing", (at as f64 / frames.max(1) as f64).min(1.0))?;
    }
}

/// Finds gain and ceiling, and writes the file.
fn level(
    mut sound: Disk,
    frames: u64,
    (lufs, limit_dbtp): (f64, f64),
    path: &Path,
    replace: bool,
    progress: &dyn Progress,
) -> Result<Rendered> {
    let mut gain_db = 0.0;
    let mut ceiling = limit_dbtp - MARGIN_DB;
    let measure = |sound: &mut Disk, gain_db: f64, ceiling: f64| {
        let mut meter = LevelMeter::new(RATE, CHANNELS)?;
        limited(sound, frames, gain_db, ceiling, &mut |block| meter.push(block))?;
        meter.finish()
    };
    let peak = |report: &LevelReport| report.channels.iter().map(|c| c.true_peak_dbtp).fold(f64::MIN, f64::max);
    let mut report = measure(&mut sound, gain_db, ceiling)?;
    for round in 0..ROUNDS {
        step(progress, "levelling the voice", round as f64 / ROUNDS as f64)?;
        let Some(now) = report.integrated_lufs else { break };
        let over = peak(&report) - limit_dbtp;
        if (lufs - now).abs() < CLOSE_LU && over <= 0.0 {
            break;
        }
        if over > 0.0 {
            ceiling -= over + 0.02;
        }
        // The limiter takes some of it back: the next round sees how much.
        gain_db = (gain_db + lufs - now).clamp(-60.0, 60.0);
        report = measure(&mut sound, gain_db, ceiling)?;
    }
    let mut wav = WavOptions::new(RATE, CHANNELS);
    wav.format = SampleFormat::Int24;
    wav.overwrite = replace;
    // Dither would lift a true peak above the limit by its own height only: 24 bits, -138 dB.
    let mut writer = WavWriter::create(path, wav)?;
    limited(&mut sound, frames, gain_db, ceiling, &mut |block| writer.write(block))?;
    writer.finish()?;
    step(progress, "levelling the voice", 1.0)?;
    Ok(Rendered {
        gain_db,
        loudness_lufs: report.integrated_lufs,
        true_peak_dbtp: peak(&report),
        duration_s: frames as f64 / f64::from(RATE),
    })
}

/// Reads the cut sound through gain and limiter.
fn limited(
    sound: &mut Disk,
    frames: u64,
    gain_db: f64,
    ceiling: f64,
    sink: &mut dyn FnMut(&[f32]) -> Result<()>,
) -> Result<()> {
    sound.seek(SeekFrom::Start(0)).map_err(disk_failed)?;
    let gain = 10f64.powf(gain_db / 20.0) as f32;
    let mut limiter = Limiter::new(f64::from(RATE), CHANNELS, ceiling)?;
    let (mut bytes, mut block, mut out) = (Vec::new(), Vec::new(), Vec::new());
    let mut left = frames;
    while left > 0 {
        let count = left.min(BLOCK as u64);
        bytes.resize(count as usize * CHANNELS * 4, 0);
        sound.read_exact(&mut bytes).map_err(disk_failed)?;
        block.clear();
        block.extend(bytes.chunks_exact(4).map(|b| gain * f32::from_le_bytes([b[0], b[1], b[2], b[3]])));
        out.clear();
        limiter.push(&block, &mut out)?;
        sink(&out)?;
        left -= count;
    }
    out.clear();
    limiter.finish(&mut out);
    sink(&out)
}

#[cfg(test)]
mod tests {
    use coeval_listen::speech::Origin;

    use super::*;
    use crate::testing;
    use crate::tighten::Entry;

    #[test]
    fn camera_sound_goes_down_under_a_voice_and_up_again() {
        let voice = |start_s, end_s| Voice {
            start_s,
            end_s,
            origin: Origin::Local,
            radio: None,
            confidence: 1.0,
            heard_by: vec![],
        };
        let entry = |from: i64, to: i64, action: EditAction| Entry::new(from, to, action, None);
        let plan = Plan {
            frame_rate: [25, 1],
            entries: vec![entry(0, 250, EditAction::Drop), entry(250, 750, EditAction::Show)],
            notes: vec![],
            doubt_s: None,
        };
        let points = MixLevels::default().ducking(&plan, &[voice(12.0, 14.0), voice(14.5, 15.0), voice(40.0, 41.0)]);
        assert_eq!(points, [[0.0, -12.0], [1.7, -12.0], [2.0, -24.0], [5.0, -24.0], [5.3, -12.0]]);
    }

    #[test]
    fn a_mix_holds_each_layer_where_and_as_loud_as_it_should_be() {
        let dir = tempfile::tempdir().unwrap();
        testing::tone(dir.path(), "C.WAV", 48_000, 40.0, 1000.0);
        testing::tone(dir.path(), "R.WAV", 44_100, 40.0, 2000.0);
        testing::tone(dir.path(), "OVER.WAV", 32_000, 4.0, 3000.0);
        let alignment = testing::alignment(&[
            testing::recording("cam-a", "camera", "C.WAV", 48_000, [0.0, 40.0]),
            testing::recording("rec-1", "recorder", "R.WAV", 44_100, [0.0, 40.0]),
        ]);
        let entry = Entry::new;
        let entries = vec![
            entry(0, 250, EditAction::Show, Some("cam-a".to_owned())),
            entry(250, 500, EditAction::Drop, None),
            entry(500, 750, EditAction::Show, None),
        ];
        let plan = Plan { frame_rate: [25, 1], entries, notes: vec![], doubt_s: None };
        let open = OpenOptions::default();
        let over = VoiceOver::measure(&dir.path().join("OVER.WAV"), 12.0, -20.0, &open, &()).unwrap();
        assert!((over.length_s - 4.0).abs() < 1e-3);
        let mix = Mix {
            voice_gain_db: 3.0,
            voice_db: vec![[11.0, 0.0], [12.0, -12.0], [16.0, -12.0], [17.0, 0.0]],
            camera_db: vec![[0.0, -6.0], [4.0, -6.0], [5.0, -18.0]],
            voice_over: &[over],
        };
        let path = dir.path().join("mix.wav");
        let mut disk = blank(length(&plan)).unwrap();
        let material = Material { alignment: &alignment, folder: dir.path(), open: &open };
        material.mix(&mut disk, "rec-1", &plan, &mix, &()).unwrap();
        let got = level(disk, length(&plan), (-20.0, -1.0), &path, false, &()).unwrap();
        assert!((got.loudness_lufs.unwrap() + 20.0).abs() < 0.1, "{got:?}");
        let mut reader = SoundReader::open(&path, &open).unwrap();
        let (mut sound, mut block) = (Vec::new(), Vec::new());
        while reader.read(&mut block).unwrap() > 0 {
            sound.extend(block.chunks_exact(2).map(|f| f64::from(f[0])));
        }
        assert_eq!(sound.len(), 20 * 48_000);
        // Level of a tone within a second from `from`, dB.
        let level = |from: f64, hz: f64| {
            let first = (from * 48_000.0) as usize;
            let (mut re, mut im) = (0.0, 0.0);
            for (i, x) in sound[first..first + 48_000].iter().enumerate() {
                let (sin, cos) = (std::f64::consts::TAU * hz * i as f64 / 48_000.0).sin_cos();
                (re, im) = (re + x * cos, im + x * sin);
            }
            20.0 * (2.0 * f64::hypot(re, im) / 48_000.0).max(1e-9).log10()
        };
        let voice = level(1.0, 2000.0);
        for (from, hz, db) in [
            (1.0, 1000.0, -9.0),   // The camera at -6, the voice at +3.
            (6.0, 1000.0, -21.0),  // Ducked.
            (13.0, 2000.0, -12.0), // The voice ducks under the voice-over.
            (18.0, 2000.0, 0.0),
        ] {
            assert!((level(from, hz) - voice - db).abs() < 0.2, "{hz} Hz at {from} s: {}", level(from, hz) - voice);
        }
        assert!(level(13.0, 3000.0) > voice - 12.0 && level(10.5, 3000.0) < voice - 60.0);
        assert!(level(13.0, 1000.0) < voice - 60.0, "no camera is seen there");
    }
}
