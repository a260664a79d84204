//! Work on files: reading, whole shoots, conforming, voices, rough cuts, timelines, the command.

use std::io::Write as _;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};

use coeval::network::Force;
use coeval::progress::step;
use coeval::{Error, ErrorKind};
use coeval_cut::mix::{Layers, RenderOptions};
use coeval_cut::tighten::{EditAction, Entry, Moment, Plan};
use coeval_cut::voices::SpeechMap;
use coeval_cut::{RoughCutOptions, rough_cut};
use coeval_deliver::otio::{Extras, References, to_otio};
use coeval_listen::activity::ActivityCurve;
use coeval_media::{Cache, OpenOptions, SampleFormat, SoundReader, WavOptions, WavWriter};
use coeval_shoot::chapters::Chapters;
use coeval_shoot::conform::{ConformOptions, SoundPlacement};
use coeval_shoot::{Alignment, Anchor, At, Kind, Options};
use numpy::{IntoPyArray, PyArray2, PyArrayMethods};
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyList};

use crate::options::{Numbers, set};
use crate::run::{raise, run};
use crate::signals::{outcome_dict, pair_options};

fn open_options(allow_ffmpeg: bool) -> OpenOptions {
    let mut options = OpenOptions::default();
    options.allow_ffmpeg = allow_ffmpeg;
    options
}

fn invalid(what: String) -> Error {
    Error::new(ErrorKind::InvalidArgument, what)
}

/// What the headers of a file say; a dictionary with the fields of `coeval.MediaInfo`.
#[pyfunction]
pub(crate) fn probe(py: Python<'_>, path: PathBuf, allow_ffmpeg: bool) -> PyResult<Bound<'_, PyDict>> {
    let info = run(py, None, 1, |_| coeval_media::probe(&path, &open_options(allow_ffmpeg)))?;
    let out = PyDict::new(py);
    out.set_item("container", info.container)?;
    out.set_item("duration_s", info.duration_s)?;
    out.set_item("rate_hz", info.sound.as_ref().map(|s| s.rate_hz))?;
    out.set_item("channels", info.sound.as_ref().map(|s| s.channels))?;
    out.set_item("codec", info.sound.as_ref().map(|s| s.codec.as_str()))?;
    out.set_item("bits", info.sound.as_ref().and_then(|s| s.bits))?;
    out.set_item("frames", info.sound.as_ref().and_then(|s| s.frames))?;
    out.set_item("start_is_exact", info.sound.as_ref().is_none_or(|s| s.start_is_exact))?;
    out.set_item("frame_rate", info.picture.as_ref().map(|p| (p.frame_rate.num, p.frame_rate.den)))?;
    out.set_item("picture_size", info.picture.as_ref().map(|p| p.size))?;
    out.set_item("created_unix_s", info.created_unix_s)?;
    out.set_item("timecode_s", info.timecode_s)?;
    out.set_item("timecode", info.timecode)?;
    Ok(out)
}

/// The samples of a file from `start_s` on, frames by channels, with their rate and the reader's warnings.
#[pyfunction]
pub(crate) fn read(
    py: Python<'_>,
    path: PathBuf,
    start_s: f64,
    duration_s: Option<f64>,
    allow_ffmpeg: bool,
    progress: Option<Py<PyAny>>,
) -> PyResult<(Bound<'_, PyArray2<f32>>, u32, Vec<String>)> {
    let (samples, channels, rate_hz, warnings) = run(py, progress.as_ref(), 1, |progress| {
        let mut reader = SoundReader::open(&path, &open_options(allow_ffmpeg))?;
        let sound = reader.sound()?;
        let rate = f64::from(sound.rate_hz);
        let good = |seconds: f64| (0.0..=3.2e7).contains(&seconds);
        if !good(start_s) || !duration_s.is_none_or(good) {
            return Err(invalid(format!("start_s is {start_s} and duration_s {duration_s:?}, not within 0 to a year")));
        }
        if start_s > 0.0 {
            reader.seek((start_s * rate).round() as u64)?;
        }
        let most = duration_s.map_or(usize::MAX, |s| (s * rate).round() as usize).saturating_mul(sound.channels);
        let expected = duration_s.unwrap_or((reader.info().duration_s - start_s).max(1e-3)).max(1e-3);
        let (mut samples, mut block) = (Vec::new(), Vec::new());
        while samples.len() < most && reader.read(&mut block)? > 0 {
            samples.extend_from_slice(&block[..block.len().min(most - samples.len())]);
            step(progress, "reading sound", samples.len() as f64 / sound.channels as f64 / rate / expected)?;
        }
        Ok((samples, sound.channels, sound.rate_hz, reader.warnings().to_vec()))
    })?;
    let frames = samples.len() / channels;
    Ok((samples.into_pyarray(py).reshape([frames, channels])?, rate_hz, warnings))
}

/// Compares two files as a shoot of these two does.
#[pyfunction]
#[expect(clippy::too_many_arguments, reason = "the Python half names them, with defaults")]
pub(crate) fn align_files<'py>(
    py: Python<'py>,
    a: PathBuf,
    b: PathBuf,
    max_drift_ppm: f64,
    offset_range_s: Option<(f64, f64)>,
    allow_ffmpeg: bool,
    threads: usize,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyDict>> {
    let mut options = Options::default();
    options.open = open_options(allow_ffmpeg);
    options.pair = pair_options(max_drift_ppm, offset_range_s);
    options.threads = std::num::NonZeroUsize::new(threads);
    // It makes threads of its own.
    let outcome = run(py, progress.as_ref(), 1, |progress| coeval_shoot::align_two(&a, &b, &options, progress))?;
    outcome_dict(py, &outcome)
}

/// Aligns a shoot; the contract's JSON and the folder that its paths are relative to.
#[pyfunction]
#[expect(clippy::too_many_arguments, reason = "the Python half names them, with defaults")]
pub(crate) fn align_shoot(
    py: Python<'_>,
    paths: Vec<PathBuf>,
    numbers: Numbers,
    main: Option<String>,
    exclude: Vec<String>,
    recordings: Vec<(String, String)>,
    kinds: Vec<(String, String)>,
    keep_apart: bool,
    anchor_file: Option<PathBuf>,
    anchors: Vec<(String, String, String, String, bool, Option<f64>)>,
    distances_m: Vec<(String, f64)>,
    max_drift_ppm: f64,
    allow_ffmpeg: bool,
    cache: Option<PathBuf>,
    threads: usize,
    progress: Option<Py<PyAny>>,
) -> PyResult<(String, PathBuf)> {
    let mut options = Options::default();
    set(py, &mut options, &numbers)?;
    options.open = open_options(allow_ffmpeg);
    options.open.cache = cache.map(|folder| Cache::new(folder, Cache::MOST_BYTES));
    options.pair = pair_options(max_drift_ppm, None);
    options.main = main;
    options.exclude = exclude;
    options.distances_m = distances_m;
    options.threads = std::num::NonZeroUsize::new(threads);
    options.grouping.recordings = recordings;
    if keep_apart {
        options.grouping.chapters = Chapters::KeepApart;
    }
    for (target, kind) in kinds {
        options.grouping.kinds.push((target, known_kind(&kind).map_err(|e| raise(py, &e))?));
    }
    if let Some(path) = anchor_file {
        options.anchors = coeval_shoot::read_anchors(&path).map_err(|e| raise(py, &e))?;
    }
    for (a, a_at, b, b_at, hard, uncertainty_s) in anchors {
        let moment = |text: &str| text.parse::<At>().map_err(|e| raise(py, &e));
        let mut anchor = Anchor::new(a, moment(&a_at)?, b, moment(&b_at)?);
        anchor.force = if hard { Force::Hard } else { Force::Soft };
        anchor.uncertainty_s = uncertainty_s;
        options.anchors.push(anchor);
    }
    // The shoot makes threads of its own.
    run(py, progress.as_ref(), 1, |progress| {
        let found = coeval_shoot::find_without(&paths, &options.exclude)?;
        let alignment = coeval_shoot::align_found(&found, &options, progress)?;
        Ok((alignment.to_json()?, found.root))
    })
}

/// Puts tracks that the caller has made on one clock; the contract's JSON.
#[pyfunction]
pub(crate) fn align_tracks(
    py: Python<'_>,
    tracks: Vec<(String, PyRef<'_, crate::signals::Track>)>,
    main: Option<String>,
    kinds: Vec<(String, String)>,
    max_drift_ppm: f64,
    threads: usize,
    progress: Option<Py<PyAny>>,
) -> PyResult<String> {
    let mut options = Options::default();
    options.pair = pair_options(max_drift_ppm, None);
    options.main = main;
    options.threads = std::num::NonZeroUsize::new(threads);
    let kind_of = |name: &str| match kinds.iter().find(|k| k.0 == name) {
        None => Ok(Kind::Other),
        Some((_, kind)) => known_kind(kind).map_err(|e| raise(py, &e)),
    };
    let mut files = Vec::new();
    for (number, (name, track)) in tracks.iter().enumerate() {
        files.push(coeval_shoot::TrackFile {
            name: name.clone(),
            recording: recording_id(name, number),
            kind: kind_of(name)?,
            track: track.0.clone(),
        });
    }
    // The shoot makes threads of its own.
    run(py, progress.as_ref(), 1, |progress| {
        coeval_shoot::align_with(&[] as &[PathBuf], &files, &options, progress)?.to_json()
    })
}

/// The id of a recording with this name: letters, digits, `-`, `_` and `.` stay.
fn recording_id(name: &str, number: usize) -> String {
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    if !name.is_empty() && name.chars().all(fits) { name.to_owned() } else { format!("track-{}", number + 1) }
}

fn known_kind(kind: &str) -> coeval::Result<Kind> {
    let known = [Kind::Camera, Kind::Recorder, Kind::Other].into_iter().find(|k| k.as_str() == kind);
    known.ok_or_else(|| invalid(format!("{kind:?} is not camera, recorder or other")))
}

/// Writes an array as a WAV file; how many samples were beyond full scale.
#[pyfunction]
pub(crate) fn write_wav(
    py: Python<'_>,
    path: PathBuf,
    samples: crate::samples::Samples<'_>,
    rate_hz: u32,
    sample_format: &str,
    replace: bool,
) -> PyResult<u64> {
    let frames = samples.view()?;
    let mut options = WavOptions::new(rate_hz, frames.channels());
    options.format = sample_format_of(sample_format).map_err(|e| raise(py, &e))?;
    options.overwrite = replace;
    run(py, None, 1, |_| {
        let mut writer = WavWriter::create(&path, options.clone())?;
        frames.blocks(|block, _| writer.write(block))?;
        let clipped = writer.clipped();
        writer.finish()?;
        Ok(clipped)
    })
}

fn sample_format_of(name: &str) -> coeval::Result<SampleFormat> {
    match name {
        "int16" => Ok(SampleFormat::Int16),
        "int24" => Ok(SampleFormat::Int24),
        "float32" => Ok(SampleFormat::Float32),
        other => Err(invalid(format!("sample_format is {other:?}, not int16, int24 or float32"))),
    }
}

/// Refuses JSON that breaks the contract.
#[pyfunction]
pub(crate) fn check_alignment(py: Python<'_>, json: &str) -> PyResult<()> {
    Alignment::from_json(json).map(drop).map_err(|e| raise(py, &e))
}

/// One event of an alignment, as JSON.
#[pyfunction]
pub(crate) fn event(py: Python<'_>, json: &str, number: usize) -> PyResult<String> {
    let one = Alignment::from_json(json).and_then(|alignment| {
        let one = alignment.event(number);
        one.ok_or_else(|| invalid(format!("there is no event {number}")))?.to_json()
    });
    one.map_err(|e| raise(py, &e))
}

/// The JSON Schema of the contract.
#[pyfunction]
pub(crate) fn schema() -> &'static str {
    coeval_shoot::alignment::SCHEMA_JSON
}

/// OpenTimelineIO JSON of an alignment, media referred to by absolute URL below `root`.
#[pyfunction]
pub(crate) fn otio(py: Python<'_>, json: &str, name: &str, root: PathBuf) -> PyResult<String> {
    let made = std::path::absolute(&root).map_err(|e| Error::io(&root, e)).and_then(|media| {
        to_otio(&Alignment::from_json(json)?, name, &References::Absolute { media }, &Extras::default())
    });
    made.map_err(|e| raise(py, &e))
}

/// Makes the conformed sound of an alignment; a list of dictionaries with the fields of `coeval.Conformed`.
#[pyfunction]
#[expect(clippy::too_many_arguments, reason = "the Python half names them, with defaults")]
pub(crate) fn conform<'py>(
    py: Python<'py>,
    json: &str,
    root: PathBuf,
    out: PathBuf,
    rate_hz: u32,
    frame_rate: Option<[u32; 2]>,
    timeline_start_s: f64,
    camera_level_db: Option<f64>,
    tracks: Vec<String>,
    own_sound: bool,
    format: &str,
    replace: bool,
    allow_ffmpeg: bool,
    threads: usize,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyList>> {
    let format = sample_format_of(format).map_err(|e| raise(py, &e))?;
    let mut options = ConformOptions::default();
    options.rate_hz = rate_hz;
    options.frame_rate = frame_rate;
    options.timeline_start_s = timeline_start_s;
    options.camera_level_db = camera_level_db;
    options.tracks = tracks;
    options.own_sound = own_sound;
    options.format = format;
    options.replace = replace;
    options.open = open_options(allow_ffmpeg);
    let alignment = Alignment::from_json(json).map_err(|e| raise(py, &e))?;
    let written = run(py, progress.as_ref(), threads, |progress| {
        coeval_shoot::conform::conform(&alignment, &root, &out, &options, progress)
    })?;
    let list = PyList::empty(py);
    for one in &written {
        let made = PyDict::new(py);
        let (c, clip) = (
            &one.conformed,
            match &one.conformed.placement {
                SoundPlacement::UnderClip(clip) => Some(clip.as_str()),
                SoundPlacement::OnTimeline => None,
            },
        );
        made.set_item("name", &c.name)?;
        made.set_item("path", one.path.as_ref().ok())?;
        made.set_item("problem", one.path.as_ref().err().map(ToString::to_string))?;
        made.set_item("under_clip", clip)?;
        made.set_item("recording", &c.recording)?;
        made.set_item("sources", &c.sources)?;
        made.set_item("start_s", c.start_s)?;
        made.set_item("rate_hz", c.rate_hz)?;
        made.set_item("channels", c.channels)?;
        made.set_item("frames", c.frames)?;
        made.set_item("time_reference", c.time_reference)?;
        made.set_item("clipped", one.clipped)?;
        list.append(made)?;
    }
    Ok(list)
}

/// When someone speaks in a shoot, as JSON.
#[pyfunction]
pub(crate) fn hear(
    py: Python<'_>,
    json: &str,
    root: PathBuf,
    allow_ffmpeg: bool,
    progress: Option<Py<PyAny>>,
) -> PyResult<String> {
    let alignment = Alignment::from_json(json).map_err(|e| raise(py, &e))?;
    run(py, progress.as_ref(), 1, |progress| {
        coeval_cut::voices::speech_map(&alignment, &root, &open_options(allow_ffmpeg), progress)?.to_json()
    })
}

fn speech_map(py: Python<'_>, speech: &str, alignment: &Alignment) -> PyResult<SpeechMap> {
    SpeechMap::from_json(speech, alignment)
        .ok_or_else(|| raise(py, &invalid("the text is not a speech map of this alignment".to_owned())))
}

/// Refuses JSON that is not a speech map of this alignment.
#[pyfunction]
pub(crate) fn check_voices(py: Python<'_>, speech: &str, json: &str) -> PyResult<()> {
    let alignment = Alignment::from_json(json).map_err(|e| raise(py, &e))?;
    speech_map(py, speech, &alignment).map(drop)
}

/// Plans a rough cut; a dictionary with the fields of `coeval.Plan`. `None`: as Rust has it by default.
#[pyfunction]
#[expect(clippy::too_many_arguments, reason = "the Python half names them, with defaults")]
pub(crate) fn tighten<'py>(
    py: Python<'py>,
    json: &str,
    speech: &str,
    numbers: Numbers,
    events: Vec<(f64, f64, String)>,
    keep_events: bool,
    motion: Vec<(String, Vec<f64>, Vec<f32>)>,
    protect_s: Vec<(f64, f64)>,
    see: Vec<(f64, f64, String)>,
) -> PyResult<Bound<'py, PyDict>> {
    let alignment = Alignment::from_json(json).map_err(|e| raise(py, &e))?;
    let speech = speech_map(py, speech, &alignment)?;
    let mut options = RoughCutOptions::default();
    set(py, &mut options.tighten, &numbers)?;
    options.tighten.protect_s = protect_s;
    options.tighten.see = see;
    options.moments = events.into_iter().map(|(start_s, end_s, what)| Moment { start_s, end_s, what }).collect();
    options.ignore_found = !keep_events;
    for (file, times_s, moved) in motion {
        let brightness = vec![0.0; times_s.len()];
        let curve = ActivityCurve::from_values(times_s, moved, brightness).map_err(|e| raise(py, &e))?;
        options.motion.push((file, curve));
    }
    let planned = run(py, None, 1, |_| rough_cut(&alignment, &speech, &options).map(|cut| cut.plan))?;
    let entries = PyList::empty(py);
    for entry in &planned.entries {
        let (action, speed) = match entry.action {
            EditAction::Show => ("show", 1),
            EditAction::Pass(speed) => ("pass", speed),
            EditAction::Drop => ("drop", 0),
        };
        let one = PyDict::new(py);
        one.set_item("from_frame", entry.from)?;
        one.set_item("to_frame", entry.to)?;
        one.set_item("fate", action)?;
        one.set_item("speed", speed)?;
        one.set_item("camera", &entry.camera)?;
        one.set_item("shown_frames", entry.shown_frames())?;
        one.set_item("dissolve_frames", entry.dissolve)?;
        one.set_item("reason", &entry.reason)?;
        entries.append(one)?;
    }
    let out = PyDict::new(py);
    out.set_item("frame_rate", (planned.frame_rate[0], planned.frame_rate[1]))?;
    out.set_item("entries", entries)?;
    out.set_item("shown_s", planned.shown_s())?;
    out.set_item("notes", planned.notes)?;
    Ok(out)
}

/// A stretch of a plan as Python has it: first frame, the one after the last, how many times faster it is shown (0:
/// dropped), the camera that is seen.
type Stretch = (i64, i64, u32, Option<String>);

/// Writes the sound of a rough cut; a dictionary with the fields of `coeval.Rendered`. `None`: as Rust has it by default.
#[pyfunction]
#[expect(clippy::too_many_arguments, reason = "the Python half names them, with defaults")]
pub(crate) fn render<'py>(
    py: Python<'py>,
    json: &str,
    speech: &str,
    root: PathBuf,
    frame_rate: [u32; 2],
    stretches: Vec<Stretch>,
    path: PathBuf,
    voice_only: bool,
    numbers: Numbers,
    voice_over: Vec<(PathBuf, f64)>,
    replace: bool,
    allow_ffmpeg: bool,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyDict>> {
    let alignment = Alignment::from_json(json).map_err(|e| raise(py, &e))?;
    let speech = speech_map(py, speech, &alignment)?;
    let entry = |(from, to, speed, camera)| {
        let action = match speed {
            0 => EditAction::Drop,
            1 => EditAction::Show,
            speed => EditAction::Pass(speed),
        };
        Entry::new(from, to, action, camera)
    };
    let plan =
        Plan { frame_rate, entries: stretches.into_iter().map(entry).collect(), notes: Vec::new(), doubt_s: None };
    let mut options = RenderOptions::default();
    options.layers = if voice_only { Layers::Voice } else { Layers::All };
    options.replace = replace;
    options.open = open_options(allow_ffmpeg);
    set(py, &mut options.levels, &numbers)?;
    let made = run(py, progress.as_ref(), 1, |progress| {
        options.measure_over(&voice_over, progress)?;
        coeval_cut::mix::render(&alignment, &root, &speech, &plan, &options, &path, progress)
    })?;
    let out = PyDict::new(py);
    out.set_item("gain_db", made.gain_db)?;
    out.set_item("loudness_lufs", made.loudness_lufs)?;
    out.set_item("true_peak_dbtp", made.true_peak_dbtp)?;
    out.set_item("duration_s", made.duration_s)?;
    Ok(out)
}

/// Runs the command line and returns its exit code.
#[pyfunction]
pub(crate) fn command(py: Python<'_>, arguments: Vec<std::ffi::OsString>, bar: bool) -> PyResult<u8> {
    let stop = AtomicBool::new(false);
    let code = py.detach(|| {
        std::thread::scope(|scope| {
            let worker = scope.spawn(|| {
                let progress = if bar { coeval_cli::ShownAs::Bar } else { coeval_cli::ShownAs::Nothing };
                let (out, err) = (&mut std::io::stdout(), &mut std::io::stderr());
                let mut console = coeval_cli::Console { out, err, progress, stop: &stop };
                coeval_cli::run(arguments, &mut console)
            });
            // Any signal whose handler raises, Ctrl-C above all, asks the command to end in order.
            while !worker.is_finished() {
                std::thread::sleep(std::time::Duration::from_millis(20));
                if Python::attach(|py| py.check_signals()).is_err() {
                    stop.store(true, Ordering::SeqCst);
                }
            }
            worker.join()
        })
    });
    let _ = std::io::stdout().flush();
    code.map_err(|_| raise(py, &Error::new(ErrorKind::Internal, "a fault in coeval itself stopped the command")))
}
