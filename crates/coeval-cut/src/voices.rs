//! Reads when someone speaks from a finished alignment, what else happens, and what a plan needs besides.

use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

use coeval::marker::{Marker, MarkerDetector};
use coeval::progress::{Progress, step};
use coeval::{Error, ErrorKind, Result};
use coeval_listen::level::LevelMeter;
use coeval_listen::moment::{FoundMoment, MomentMeter};
use coeval_listen::speech::{
    CameraEvidence, Origin, OriginSpan, RATE_HZ, Reception, SharedMeter, SpeechBuilder, SpeechCurve, SpeechOptions,
    SpeechSegment, origins, spoken,
};
use coeval_media::{OpenOptions, SoundReader};
use coeval_shoot::alignment::{File, Recording};
use coeval_shoot::conform::{ConformOptions, Conformed};
use coeval_shoot::{Alignment, Kind, for_all, guarded, shown_claps};
use serde::{Deserialize, Serialize};

use crate::tighten::{Angle, Facts, Moment, Voice};

/// The value of `schema`.
pub const SCHEMA: &str = "coeval.speech/1";

/// When someone speaks, and for which alignment that was found. It is kept as text in the folder of results, so that a plan
/// can be made again with other options without reading any sound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpeechMap {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Name and knots of each placed file.
    pub placed: Vec<(String, Vec<[f64; 2]>)>,
    /// Id of the recording that was heard.
    pub recorder: String,
    /// Integrated loudness of what is said there, LUFS (ITU-R BS.1770); `None` when nobody speaks.
    pub loudness_lufs: Option<f64>,
    /// When someone speaks, in time order.
    pub voices: Vec<Voice>,
    /// What may be speech, in time order: not certain, but a cut there might lose a word.
    #[serde(default)]
    pub doubts: Vec<Moment>,
    /// Claps that two recordings heard, and what stands out in the cameras' sound while nobody speaks, in time order.
    pub events: Vec<Moment>,
}

impl SpeechMap {
    /// From JSON; `None` when it is not one of this alignment: then it must be read anew.
    pub fn from_json(text: &str, alignment: &Alignment) -> Option<Self> {
        let map: Self = serde_json::from_str(text).ok()?;
        (map.schema == SCHEMA && map.is_of(alignment)).then_some(map)
    }

    /// Is it of this alignment?
    pub fn is_of(&self, alignment: &Alignment) -> bool {
        self.placed == placed(alignment)
    }

    /// Whether a text is a speech map, of whatever alignment and version of this program.
    pub fn is_speech_map(text: &str) -> bool {
        let value: serde_json::Value = serde_json::from_str(text).unwrap_or_default();
        value["schema"].as_str().is_some_and(|s| s.starts_with("coeval.speech/"))
    }

    /// As JSON text.
    ///
    /// # Errors
    /// [`Internal`](ErrorKind::Internal) when a number in it is not finite.
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self)
            .map_err(|e| Error::new(ErrorKind::Internal, "cannot write the speech map as JSON").with_source(e))
    }
}

/// The files that it is made from: those of the first event, and their maps.
fn placed(alignment: &Alignment) -> Vec<(String, Vec<[f64; 2]>)> {
    alignment.first_event().files().filter(|f| f.is_placed()).map(|f| (f.path.clone(), f.knots.clone())).collect()
}

fn span(file: &File) -> Option<(f64, f64)> {
    let (first, last) = (file.knots.first()?, file.knots.last()?);
    file.has_sound().then_some((first[1], last[1]))
}

/// A stretch of the timeline, and the file that voices are heard in there.
struct ListeningSpan<'a> {
    recording: &'a Recording,
    file: &'a File,
    from_s: f64,
    to_s: f64,
    /// Is it heard because the recorder does not run?
    stands_in: bool,
}

impl ListeningSpan<'_> {
    /// Its length, frames at [`RATE_HZ`].
    fn frames(&self) -> u64 {
        ((self.to_s - self.from_s) * RATE_HZ).floor().max(0.0) as u64
    }

    /// The first frame of a stretch, and the one after its last.
    fn frames_of(&self, span: &OriginSpan) -> (u64, u64) {
        let frame = |s: f64| ((s * RATE_HZ) as u64).min(self.frames());
        (frame(span.start_s), frame(span.end_s))
    }

    fn voice(&self, span: &OriginSpan, heard_by: Vec<(String, f64)>) -> Voice {
        // What a camera hears by itself does not come out of headsets.
        let radio = (!(self.stands_in && self.recording.kind == Kind::Camera)).then_some(span.radio);
        Voice {
            start_s: self.from_s + span.start_s,
            end_s: self.from_s + span.end_s,
            origin: radio.map_or(Origin::Local, Origin::of),
            radio,
            confidence: f64::from(span.confidence),
            heard_by,
        }
    }

    /// A stretch in which somebody may speak.
    fn doubt(&self, stretch: &SpeechSegment) -> Moment {
        Moment {
            start_s: self.from_s + stretch.start_s,
            end_s: self.from_s + stretch.end_s,
            what: format!("may be speech ({})", self.recording.id),
        }
    }
}

/// Shorter gaps between a recorder's files are not heard in another file, seconds: they are joins of chapters (a guess).
const GAP_S: f64 = 1.0;

/// All of the recorder, and where it does not run one of the others, longest first.
fn ears<'a>(alignment: &'a Alignment, recorder: &'a Recording) -> Vec<ListeningSpan<'a>> {
    let files = |r: &'a Recording| r.listened().filter_map(move |f| Some((r, f, span(f)?)));
    let others = alignment.recordings.iter().filter(|r| r.id != recorder.id).flat_map(files);
    // A file that may lie elsewhere says nothing of this moment.
    let mut others: Vec<_> = others.filter(|(_, file, _)| !alignment.is_doubtful(file)).collect();
    others.sort_by(|a, b| (b.2.1 - b.2.0).total_cmp(&(a.2.1 - a.2.0)).then_with(|| a.1.path.cmp(&b.1.path)));
    let mut ears: Vec<ListeningSpan<'a>> = Vec::new();
    for (recording, file, (from_s, to_s)) in files(recorder).chain(others) {
        let mut free = vec![(from_s, to_s)];
        let stands_in = recording.id != recorder.id;
        for heard in ears.iter().filter(|_| stands_in) {
            free = free
                .into_iter()
                .flat_map(|(a, b)| [(a, b.min(heard.from_s)), (a.max(heard.to_s), b)])
                .filter(|(a, b)| b - a > GAP_S)
                .collect();
        }
        ears.extend(free.into_iter().map(|(from_s, to_s)| ListeningSpan { recording, file, from_s, to_s, stands_in }));
    }
    ears
}

/// The recorder with the most sound, or the recording of any kind if there is none.
fn heard_first(alignment: &Alignment) -> Option<&Recording> {
    let heard_s = |files: &[File]| files.iter().filter_map(span).map(|s| s.1 - s.0).sum::<f64>();
    let longest = |kind: Option<Kind>| {
        let these = alignment.recordings.iter().filter(|r| kind.is_none_or(|k| r.kind == k) && heard_s(&r.files) > 0.0);
        these.max_by(|a, b| heard_s(&a.files).total_cmp(&heard_s(&b.files)).then(b.id.cmp(&a.id)))
    };
    longest(Some(Kind::Recorder)).or_else(|| longest(None))
}

/// Mono sound at [`RATE_HZ`], on disk, since it may last for hours.
struct SoundOnDisk(std::fs::File);

impl SoundOnDisk {
    fn new() -> Result<Self> {
        tempfile::tempfile().map(Self).map_err(Self::failed)
    }

    fn failed(e: std::io::Error) -> Error {
        Error::io(std::env::temp_dir(), e)
    }

    fn append(&mut self, mono: &[f32]) -> Result<()> {
        let bytes: Vec<u8> = mono.iter().flat_map(|x| x.to_le_bytes()).collect();
        self.0.write_all(&bytes).map_err(Self::failed)
    }

    fn seek(&mut self, frame: u64) -> Result<()> {
        self.0.seek(SeekFrom::Start(4 * frame)).map(|_| ()).map_err(Self::failed)
    }

    /// The next `frames`.
    fn read(&mut self, frames: usize) -> Result<Vec<f32>> {
        let mut bytes = vec![0; 4 * frames];
        self.0.read_exact(&mut bytes).map_err(Self::failed)?;
        Ok(bytes.as_chunks().0.iter().map(|b| f32::from_le_bytes(*b)).collect())
    }
}

/// Whose files are heard, and how they are read.
struct Hearing<'a> {
    alignment: &'a Alignment,
    folder: &'a Path,
    options: ConformOptions,
    progress: &'a dyn Progress,
}

impl Hearing<'_> {
    /// Hands `frames` of the file, from `from_s` of the timeline on, to `take`: mono at [`RATE_HZ`].
    fn read(
        &self,
        file: &File,
        (from_s, frames): (f64, u64),
        stage: &str,
        take: &mut dyn FnMut(&[f32]) -> Result<()>,
    ) -> Result<()> {
        let conformed = Conformed::of_file(file, from_s, RATE_HZ as u32, frames);
        let report = &|_: &str, done: f64| self.progress.report(stage, done);
        let mut mono = Vec::new();
        conformed.render(self.alignment, self.folder, &self.options, report, &mut |block| {
            downmix(block, conformed.channels, &mut mono);
            take(&mono)
        })
    }

    /// The ear's sound, and where it may be speech.
    fn listen(&self, ear: &ListeningSpan<'_>) -> Result<(SoundOnDisk, SpeechCurve)> {
        let mut sound = SoundOnDisk::new()?;
        let mut builder = SpeechBuilder::new(RATE_HZ, 1)?;
        self.read(ear.file, (ear.from_s, ear.frames()), "hearing voices", &mut |mono| {
            sound.append(mono)?;
            builder.push(mono)
        })?;
        Ok((sound, builder.finish()))
    }

    /// What the camera hears of each stretch of the ear's sound, `None` where it does not run, and what that says of where the
    /// voices come from.
    fn ask(
        &self,
        camera: &Recording,
        ear: &ListeningSpan<'_>,
        sound: &mut SoundOnDisk,
        segments: &[SpeechSegment],
    ) -> Result<(Vec<Option<Reception>>, CameraEvidence)> {
        let mut heard: Vec<Option<Reception>> = vec![None; segments.len()];
        let mut evidence = CameraEvidence::default();
        for clip in &camera.files {
            let Some((clip_from, clip_to)) = span(clip) else { continue };
            // On a sample of the recorder's sound.
            let skip = ((clip_from - ear.from_s).max(0.0) * RATE_HZ).ceil() as u64;
            let start_s = ear.from_s + skip as f64 / RATE_HZ;
            let count = ((clip_to.min(ear.to_s) - start_s) * RATE_HZ).floor();
            if count < RATE_HZ {
                continue;
            }
            let length_s = count / RATE_HZ;
            let shift_s = start_s - ear.from_s;
            let mine: Vec<usize> = (0..segments.len())
                .filter(|&i| segments[i].start_s >= shift_s && segments[i].end_s <= shift_s + length_s)
                .collect();
            let moved = mine
                .iter()
                .map(|&i| SpeechSegment::new(segments[i].start_s - shift_s, segments[i].end_s - shift_s))
                .collect::<Result<Vec<_>>>()?;
            let mut meter = SharedMeter::new(&moved)?;
            sound.seek(skip)?;
            self.read(clip, (start_s, count as u64), "comparing with cameras", &mut |mono| {
                meter.push(&sound.read(mono.len())?, mono)
            })?;
            let (answers, own) = meter.finish_with_evidence();
            evidence.append(&own, shift_s);
            for (i, answer) in mine.into_iter().zip(answers) {
                heard[i] = answer.or(heard[i]);
            }
        }
        Ok((heard, evidence))
    }
}

/// Stretches of speech, and those that only may be speech, in time order, each with whether it is sure.
fn stretches(curve: &SpeechCurve) -> Result<Vec<(SpeechSegment, bool)>> {
    let found = curve.segments(&SpeechOptions::default())?;
    let mut stretches: Vec<_> = curve.doubtful(&found).into_iter().map(|s| (s, false)).collect();
    stretches.extend(found.into_iter().map(|s| (s, true)));
    stretches.sort_by(|a, b| a.0.start_s.total_cmp(&b.0.start_s));
    Ok(stretches)
}

/// A stretch is spared though a camera says that it is the engine, if the probability of speech in it is this or more.
const ALMOST_SURE: f32 = 0.75;

/// Finds when someone speaks. Reads the recorder once, and each camera once, as streams. Where the recorder does not run,
/// the longest other file that does takes its place. `folder` is the one that the alignment's names are relative to. If
/// there are several events, the first is used. The recorder is the recording of that kind with the most sound, or the
/// reference recording if there is none.
///
/// # Errors
/// [`NoSound`](ErrorKind::NoSound) when no placed file has sound; what reading a file may answer;
/// [`Cancelled`](ErrorKind::Cancelled).
pub fn speech_map(
    alignment: &Alignment,
    folder: &Path,
    open: &OpenOptions,
    progress: &dyn Progress,
) -> Result<SpeechMap> {
    let first = alignment.first_event();
    let alignment: &Alignment = &first;
    let recorder = heard_first(alignment).ok_or_else(|| Error::new(ErrorKind::NoSound, "no placed file has sound"))?;
    let mut options = ConformOptions::default();
    options.open = open.clone();
    let hearing = Hearing { alignment, folder, options, progress };
    let mut voices: Vec<Voice> = Vec::new();
    let mut doubts: Vec<Moment> = Vec::new();
    let mut loudness = LevelMeter::new(RATE_HZ as u32, 1)?;
    for ear in ears(alignment, recorder) {
        let (mut sound, curve) = hearing.listen(&ear)?;
        // What may be speech is asked of the cameras as well.
        let (segments, sure): (Vec<SpeechSegment>, Vec<bool>) = stretches(&curve)?.into_iter().unzip();
        let others = alignment.recordings.iter().filter(|r| r.kind == Kind::Camera && r.id != ear.recording.id);
        let cameras: Vec<&Recording> = others.collect();
        let asked = cameras.iter().map(|c| hearing.ask(c, &ear, &mut sound, &segments)).collect::<Result<Vec<_>>>()?;
        let (heard, evidence): (Vec<Vec<Option<Reception>>>, Vec<CameraEvidence>) = asked.into_iter().unzip();
        let speech = spoken(&segments, &heard);
        // What a camera has said to be the engine is a doubt where the map is fairly sure of a voice.
        let is_doubt = |i: usize| if sure[i] { !speech[i] && segments[i].confidence >= ALMOST_SURE } else { speech[i] };
        doubts.extend((0..sure.len()).filter(|&i| is_doubt(i)).map(|i| ear.doubt(&segments[i])));
        let own: Vec<usize> = (0..sure.len()).filter(|&i| sure[i]).collect();
        let own_segments: Vec<SpeechSegment> = own.iter().map(|&i| segments[i]).collect();
        // Which are speech is asked of what is sure; what is cut must spare the faint words as well.
        let drawn = curve.with_faint_ends(&own_segments);
        let own: Vec<(usize, SpeechSegment)> = own.into_iter().zip(drawn).filter(|s| speech[s.0]).collect();
        let said: Vec<SpeechSegment> = own.iter().map(|(i, _)| segments[*i]).collect();
        for mut span in origins(&curve, &said, &evidence) {
            let (i, drawn) = own[span.segment];
            let (is_first, is_last) = (span.start_s <= segments[i].start_s, span.end_s >= segments[i].end_s);
            let shared = |(answers, evidence): (&Vec<Option<Reception>>, &CameraEvidence)| match is_first && is_last {
                true => Some(answers[i]?.shared),
                false => evidence.shared(span.start_s, span.end_s),
            };
            let heard = cameras.iter().zip(heard.iter().zip(&evidence));
            let heard_by = heard.filter_map(|(c, own)| Some((c.id.clone(), shared(own)?))).collect();
            span.start_s = if is_first { drawn.start_s } else { span.start_s };
            span.end_s = if is_last { drawn.end_s } else { span.end_s };
            // Another hears them at its own level.
            if !ear.stands_in {
                let (from, to) = ear.frames_of(&span);
                sound.seek(from)?;
                loudness.push(&sound.read((to - from) as usize)?)?;
            }
            voices.push(ear.voice(&span, heard_by));
        }
    }
    step(progress, "hearing voices", 1.0)?;
    voices.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    doubts.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let events = happenings(alignment, folder, &voices, open, progress)?;
    let (schema, placed, recorder) = (SCHEMA.to_owned(), placed(alignment), recorder.id.clone());
    let loudness_lufs = loudness.finish()?.integrated_lufs;
    Ok(SpeechMap { schema, placed, recorder, loudness_lufs, voices, doubts, events })
}

/// Claps of two recordings no further apart than this are one, seconds: sound takes 29 ms for ten metres.
const ONE_CLAP_S: f64 = 0.05;

/// What happens besides speech, on the timeline: each file's sound is read once, several at a time. A file that cannot
/// be read has no events.
fn happenings(
    alignment: &Alignment,
    folder: &Path,
    voices: &[Voice],
    open: &OpenOptions,
    progress: &dyn Progress,
) -> Result<Vec<Moment>> {
    let all = alignment.recordings.iter().flat_map(|r| r.listened().map(move |f| (r, f)));
    let files: Vec<_> = all.filter(|(_, f)| span(f).is_some()).collect();
    let with_cameras = files.iter().any(|(r, _)| r.kind == Kind::Camera);
    let length = |(_, f): &(&Recording, &File)| f.duration_s.unwrap_or(0.0);
    let heard = for_all("looking for events", &files, length, progress, |(recording, file), progress| {
        let path = folder.join(&file.path);
        // A recorder's line opens and shuts: its level says little where a camera can be asked.
        let level = recording.kind == Kind::Camera || !with_cameras;
        match guarded(&path, || events_in(&path, level, &file.opened(open), progress)) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            other => Ok(other.unwrap_or_default()),
        }
    })?;
    let (mut claps, mut events): (Vec<(f64, &str)>, Vec<Moment>) = (Vec::new(), Vec::new());
    for ((recording, file), (own_claps, own_events)) in files.iter().zip(heard) {
        let Some(map) = file.map() else { continue };
        claps.extend(own_claps.iter().map(|c| (map.forward(c.time_s), recording.id.as_str())));
        events.extend(own_events.iter().map(|e| {
            let (start_s, end_s) = (map.forward(e.start_s), map.forward(e.end_s));
            let what = format!("{} ({:+.0} dB, {})", e.kind.as_str(), e.over_db, recording.id);
            Moment { start_s, end_s, what }
        }));
    }
    // A voice is a reason of its own.
    events.retain(|e| voices.iter().all(|v| v.end_s < e.start_s || v.start_s > e.end_s));
    claps.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut last_s: Option<f64> = None;
    for (i, &(at_s, by)) in claps.iter().enumerate() {
        // What one microphone alone heard may be a knock at it, or the first letter of a word.
        let another = claps[i + 1..].iter().take_while(|c| c.0 - at_s <= ONE_CLAP_S).find(|c| c.1 != by);
        let known = last_s.is_some_and(|last_s| at_s - last_s <= ONE_CLAP_S);
        if let Some((_, other)) = another.filter(|_| !known) {
            last_s = Some(at_s);
            let what = format!("clap in {by} and {other}");
            events.push(Moment { start_s: at_s, end_s: at_s, what });
        }
    }
    events.sort_by(|a, b| a.start_s.total_cmp(&b.start_s).then(a.end_s.total_cmp(&b.end_s)));
    Ok(events)
}

fn events_in(
    path: &Path,
    level: bool,
    open: &OpenOptions,
    progress: &dyn Progress,
) -> Result<(Vec<Marker>, Vec<FoundMoment>)> {
    let mut reader = SoundReader::open(path, open)?;
    let sound = reader.sound()?;
    let (rate_hz, channels) = (f64::from(sound.rate_hz), sound.channels);
    let mut detector = MarkerDetector::new(rate_hz, channels, &shown_claps())?;
    let mut meter = MomentMeter::new(rate_hz, channels)?;
    let mut claps = Vec::new();
    reader.read_to_end(|block, done| {
        claps.extend(detector.push(block)?);
        if level {
            meter.push(block)?;
        }
        step(progress, "looking for events", done)
    })?;
    claps.extend(detector.finish());
    Ok((claps, meter.finish()))
}

fn downmix(block: &[f32], channels: usize, mono: &mut Vec<f32>) {
    mono.clear();
    mono.extend(block.chunks_exact(channels).map(|f| f.iter().sum::<f32>() / channels as f32));
}

impl Facts {
    /// What a plan needs of an alignment: its length in frames, its cameras in order, the reference recording first, who
    /// speaks in it and what was found to happen. `events` are the user's.
    pub fn of(alignment: &Alignment, speech: &SpeechMap, events: Vec<Moment>) -> Self {
        let first = alignment.first_event();
        let alignment: &Alignment = &first;
        let frame_rate = alignment.frame_rate();
        let frame_s = f64::from(frame_rate[1]) / f64::from(frame_rate[0]);
        let end_s = alignment.end_s();
        let clock = &alignment.timeline.clock;
        let cameras = alignment.recordings.iter().filter(|r| r.kind == Kind::Camera);
        let (first, others): (Vec<_>, Vec<_>) = cameras.partition(|r| r.id == *clock);
        let angles = first.into_iter().chain(others).map(|r| {
            let frames = r.files.iter().filter(|f| !alignment.is_doubtful(f)).filter_map(|f| {
                let (map, picture) = (f.map()?, f.picture.as_ref()?);
                // A frame less on either side: the picture lies on frames to half of one.
                let from = (map.forward(picture.start_s) / frame_s).ceil() as i64 + 1;
                let to = (map.forward(picture.start_s + picture.duration_s) / frame_s).floor() as i64 - 1;
                (from < to).then_some((from.max(0), to))
            });
            Angle { camera: r.id.clone(), frames: frames.collect() }
        });
        let frames = (end_s / frame_s).ceil() as i64;
        Self {
            frame_rate,
            frames,
            voices: speech.voices.clone(),
            events,
            found: speech.events.clone(),
            doubts: speech.doubts.clone(),
            angles: angles.collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{alignment, recording};

    #[test]
    fn where_the_recorder_does_not_run_another_is_heard() {
        let heard = |recordings: &[serde_json::Value]| -> Vec<(String, f64, f64)> {
            let alignment = alignment(recordings);
            let recorder = alignment.recordings.iter().find(|r| r.kind == Kind::Recorder).unwrap();
            ears(&alignment, recorder).iter().map(|e| (e.recording.id.clone(), e.from_s, e.to_s)).collect()
        };
        let camera = |id: &str, s: [f64; 2]| recording(id, "camera", &format!("{id}.MP4"), 48_000, s);
        let recorder = |s: [f64; 2]| recording("rec-1", "recorder", "R.WAV", 48_000, s);
        let ear = |id: &str, from_s: f64, to_s: f64| (id.to_owned(), from_s, to_s);
        // The recorder hears all.
        assert_eq!(heard(&[camera("cam-a", [0.5, 60.0]), recorder([0.0, 100.0])]), [ear("rec-1", 0.0, 100.0)]);
        // It came late and stopped early; of two cameras the one that ran longer is heard, each moment once.
        assert_eq!(
            heard(&[camera("cam-a", [0.0, 90.0]), camera("cam-b", [60.0, 120.0]), recorder([20.0, 80.0])]),
            [ear("rec-1", 20.0, 80.0), ear("cam-a", 0.0, 20.0), ear("cam-a", 80.0, 90.0), ear("cam-b", 90.0, 120.0)]
        );
    }
}
