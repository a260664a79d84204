//! Work on arrays: tracks, pairs, maps, resampling, markers, speech, levels, the limiter.

use coeval::Error;
use coeval::marker::{CountIn, Grouping, MarkerDetector, MarkerMatch, MarkerOptions, MatchOptions, Shape};
use coeval::pair::{PairAlignment, PairOptions, PairOutcome, align_pair};
use coeval::progress::{Progress, step};
use coeval::resample::{ResampleOptions, Resampler, Route};
use coeval_listen::level::{LevelMeter, LevelReport, LevelStretch};
use coeval_listen::limit::Limiter;
use coeval_listen::ltc::LtcDecoder;
use coeval_listen::speech::{SharedMeter, SpeechBuilder, SpeechOptions, SpeechSegment};
use numpy::{IntoPyArray, PyArray1, PyArray2, PyArrayMethods, PyReadonlyArray1, PyReadonlyArray2};
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict, PyList};

use crate::options::{Numbers, set};
use crate::run::{raise, run};
use crate::samples::{BLOCK, Frames, Samples};

/// An analysis track.
#[pyclass(frozen, module = "coeval._native")]
pub(crate) struct Track(pub(crate) coeval::track::Track);

#[pymethods]
impl Track {
    #[getter]
    fn duration_s(&self) -> f64 {
        self.0.duration_s()
    }

    #[getter]
    fn is_silent(&self) -> bool {
        self.0.is_silent()
    }

    fn __len__(&self) -> usize {
        self.0.len()
    }

    fn to_bytes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyBytes>> {
        Ok(PyBytes::new(py, &self.0.to_bytes().map_err(|e| raise(py, &e))?))
    }

    #[staticmethod]
    fn from_bytes(py: Python<'_>, bytes: &[u8]) -> PyResult<Self> {
        coeval::track::Track::from_bytes(bytes).map(Self).map_err(|e| raise(py, &e))
    }

    /// All samples, float32, at 8 kHz.
    fn samples<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f32>> {
        let mut out = vec![0.0; self.0.len()];
        self.0.read(0, &mut out);
        out.into_pyarray(py)
    }
}

/// Makes a track of blocks.
#[pyclass(module = "coeval._native")]
pub(crate) struct TrackBuilder {
    /// `None` once it is finished.
    builder: Option<coeval::track::TrackBuilder>,
    channels: usize,
}

#[pymethods]
impl TrackBuilder {
    #[new]
    fn new(py: Python<'_>, rate_hz: f64, channels: usize) -> PyResult<Self> {
        let builder = coeval::track::TrackBuilder::new(rate_hz, channels).map_err(|e| raise(py, &e))?;
        Ok(Self { builder: Some(builder), channels })
    }

    /// Takes the next block; the caller has seen that it has so many channels.
    fn push(&mut self, py: Python<'_>, samples: Samples<'_>) -> PyResult<()> {
        let frames = samples.view()?;
        if frames.channels() != self.channels {
            let what = format!("the block has {} channels, not {}", frames.channels(), self.channels);
            return Err(raise(py, &Error::invalid(what)));
        }
        let Some(builder) = &mut self.builder else { return Err(raise(py, &Error::invalid("the track is finished"))) };
        py.detach(|| frames.blocks(|block, _| builder.push(block))).map_err(|e| raise(py, &e))
    }

    fn finish(&mut self, py: Python<'_>) -> PyResult<Track> {
        let builder = self.builder.take().ok_or_else(|| raise(py, &Error::invalid("the track is finished")))?;
        Ok(Track(py.detach(|| builder.finish())))
    }
}

fn build_track(frames: &Frames<'_>, rate_hz: f64, progress: &dyn Progress) -> coeval::Result<coeval::track::Track> {
    let mut builder = coeval::track::TrackBuilder::new(rate_hz, frames.channels())?;
    frames.blocks(|block, done| {
        step(progress, "reading sound", done)?;
        builder.push(block)
    })?;
    Ok(builder.finish())
}

/// Makes the analysis track of an array.
#[pyfunction]
pub(crate) fn track(
    py: Python<'_>,
    samples: Samples<'_>,
    rate_hz: f64,
    progress: Option<Py<PyAny>>,
) -> PyResult<Track> {
    let frames = samples.view()?;
    run(py, progress.as_ref(), 1, |progress| build_track(&frames, rate_hz, progress)).map(Track)
}

pub(crate) fn pair_options(max_drift_ppm: f64, offset_range_s: Option<(f64, f64)>) -> PairOptions {
    let mut options = PairOptions::default();
    options.max_drift_ppm = max_drift_ppm;
    options.offset_range_s = offset_range_s;
    options
}

/// Compares two tracks; a dictionary with the fields of `coeval.PairAlignment`.
#[pyfunction]
pub(crate) fn align<'py>(
    py: Python<'py>,
    a: &Track,
    b: &Track,
    max_drift_ppm: f64,
    offset_range_s: Option<(f64, f64)>,
    threads: usize,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyDict>> {
    let options = pair_options(max_drift_ppm, offset_range_s);
    let outcome = run(py, progress.as_ref(), threads, |progress| align_pair(&a.0, &b.0, &options, progress))?;
    outcome_dict(py, &outcome)
}

pub(crate) fn outcome_dict<'py>(py: Python<'py>, outcome: &PairOutcome) -> PyResult<Bound<'py, PyDict>> {
    let out = PyDict::new(py);
    match outcome {
        PairOutcome::Unplaced(reason) => out.set_item("reason", reason.as_str())?,
        PairOutcome::Placed(pair) => placed_into(py, pair, &out)?,
    }
    Ok(out)
}

fn placed_into(py: Python<'_>, pair: &PairAlignment, out: &Bound<'_, PyDict>) -> PyResult<()> {
    out.set_item("offset_s", pair.map.offset_s())?;
    out.set_item("drift_ppm", pair.map.drift_ppm())?;
    out.set_item("confidence", pair.confidence)?;
    out.set_item("uncertainty_s", pair.uncertainty_s)?;
    out.set_item("overlap_s", pair.overlap_s)?;
    out.set_item("residual_rms_s", pair.residual_rms_s)?;
    out.set_item("inverted", pair.inverted)?;
    out.set_item("rate_mixup", pair.rate_mixup)?;
    out.set_item("knots", table(py, pair.map.knots().iter().flat_map(|k| [k.0, k.1]).collect(), 2)?)?;
    let rows = pair.evidence.iter().flat_map(|e| [e.a_s, e.b_s, e.sigma_s]).collect();
    out.set_item("evidence", table(py, rows, 3)?)?;
    let jumps: Vec<(f64, f64, f64)> = pair.jumps.iter().map(|j| (j.a_s, j.b_s, j.step_s)).collect();
    out.set_item("jumps", jumps)?;
    let stretches: Vec<_> = pair.stretches.iter().map(|s| (s.from_s, s.to_s, s.confidence, s.uncertainty_s)).collect();
    out.set_item("stretches", stretches)?;
    out.set_item("paths", pair.paths.iter().map(|p| (p.delay_s, p.voices)).collect::<Vec<_>>())?;
    out.set_item("rivals", pair.rivals.iter().map(|r| (r.shift_s, r.probability)).collect::<Vec<_>>())
}

fn table(py: Python<'_>, rows: Vec<f64>, columns: usize) -> PyResult<Bound<'_, PyArray2<f64>>> {
    let count = rows.len() / columns;
    rows.into_pyarray(py).reshape([count, columns])
}

/// Lags, their correlations, and rows of a rival's lag and correlation.
type Curve<'py> = (Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<f32>>, Bound<'py, PyArray2<f64>>);

/// Correlation over lags from a map, one for each sample of a track; and its rivals, rows of lag and correlation.
#[pyfunction]
pub(crate) fn lag_curve<'py>(
    py: Python<'py>,
    a: &Track,
    b: &Track,
    map: &ClockMap,
    reach_s: f64,
    progress: Option<Py<PyAny>>,
) -> PyResult<Curve<'py>> {
    let curve = run(py, progress.as_ref(), 1, |progress| coeval::lag_curve(&a.0, &b.0, &map.0, reach_s, progress))?;
    let rivals = curve.rivals().iter().flat_map(|r| [r.lag_s, f64::from(r.correlation)]).collect();
    let lags_s: Vec<f64> = curve.lags_s().collect();
    Ok((lags_s.into_pyarray(py), curve.correlation.into_pyarray(py), table(py, rivals, 2)?))
}

/// A piecewise-linear map from file time to timeline time.
#[pyclass(frozen, module = "coeval._native")]
pub(crate) struct ClockMap(pub(crate) coeval::clock::ClockMap);

#[pymethods]
impl ClockMap {
    #[new]
    fn new(py: Python<'_>, knots: PyReadonlyArray2<'_, f64>) -> PyResult<Self> {
        let rows = knots.as_array();
        let pairs = rows.rows().into_iter().filter(|r| r.len() == 2).map(|r| (r[0], r[1])).collect();
        coeval::clock::ClockMap::from_knots(pairs).map(Self).map_err(|e| raise(py, &e))
    }

    #[staticmethod]
    fn linear(offset_s: f64, drift_ppm: f64, duration_s: f64) -> Self {
        Self(coeval::clock::ClockMap::linear(offset_s, drift_ppm, duration_s))
    }

    #[getter]
    fn knots<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        table(py, self.0.knots().iter().flat_map(|k| [k.0, k.1]).collect(), 2)
    }

    #[getter]
    fn offset_s(&self) -> f64 {
        self.0.offset_s()
    }

    #[getter]
    fn drift_ppm(&self) -> f64 {
        self.0.drift_ppm()
    }

    #[getter]
    fn jumps(&self) -> Vec<(f64, f64)> {
        self.0.jumps().collect()
    }

    fn to_timeline<'py>(&self, py: Python<'py>, file_s: PyReadonlyArray1<'_, f64>) -> Bound<'py, PyArray1<f64>> {
        file_s.as_array().mapv(|t| self.0.forward(t)).into_pyarray(py)
    }

    fn to_file<'py>(&self, py: Python<'py>, timeline_s: PyReadonlyArray1<'_, f64>) -> Bound<'py, PyArray1<f64>> {
        timeline_s.as_array().mapv(|t| self.0.inverse(t)).into_pyarray(py)
    }
}

/// Resamples an array along a map; interleaved frames, float32.
#[pyfunction]
#[expect(clippy::too_many_arguments, reason = "the Python half names them, with defaults")]
pub(crate) fn resample<'py>(
    py: Python<'py>,
    samples: Samples<'_>,
    rate_hz: f64,
    map: &ClockMap,
    under: Option<&ClockMap>,
    target_rate_hz: f64,
    start_s: f64,
    frames: u64,
    fade_s: f64,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyArray2<f32>>> {
    let source = samples.view()?;
    let channels = source.channels();
    let route = under.map_or_else(|| Route::onto_timeline(&map.0), |clip| Route::under_clip(&map.0, &clip.0));
    let options = ResampleOptions::new(rate_hz, target_rate_hz, channels, frames)
        .starting_at(start_s)
        .fading_over(fade_s)
        .of_source_frames(source.frames() as u64);
    let output = run(py, progress.as_ref(), 1, |progress| {
        let mut resampler = Resampler::new(&route, &options)?;
        let (mut output, mut block, mut scratch) = (Vec::new(), Vec::new(), Vec::new());
        let total = frames.saturating_mul(channels as u64).max(1);
        loop {
            while let Some(frame) = resampler.next_frame() {
                let from = (frame as usize).min(source.frames());
                let to = (from + BLOCK).min(source.frames());
                if from == to {
                    resampler.end_of_source();
                } else {
                    resampler.push(source.read(from, to, &mut scratch))?;
                }
            }
            if resampler.pull(&mut block) == 0 {
                return Ok(output);
            }
            output.extend_from_slice(&block);
            step(progress, "resampling", output.len() as f64 / total as f64)?;
        }
    })?;
    let count = output.len() / channels.max(1);
    output.into_pyarray(py).reshape([count, channels])
}

/// A short sharp sound.
#[pyclass(frozen, module = "coeval")]
pub(crate) struct Marker(coeval::marker::Marker);

#[pymethods]
impl Marker {
    #[getter]
    fn time_s(&self) -> f64 {
        self.0.time_s
    }

    #[getter]
    fn uncertainty_s(&self) -> f64 {
        self.0.uncertainty_s
    }

    #[getter]
    fn sharpness_db(&self) -> f64 {
        self.0.sharpness_db
    }

    #[getter]
    fn peak_dbfs(&self) -> f64 {
        self.0.peak_dbfs
    }

    #[getter]
    fn snr_db(&self) -> f64 {
        self.0.snr_db
    }

    #[getter]
    fn score(&self) -> f64 {
        self.0.score
    }

    #[getter]
    fn shape(&self) -> &'static str {
        match self.0.shape {
            Shape::Clap => "clap",
            Shape::Click => "click",
            Shape::Burst => "burst",
            Shape::Thud => "thud",
            _ => "other",
        }
    }

    #[getter]
    fn grouping(&self) -> &'static str {
        match self.0.grouping {
            Grouping::Isolated => "isolated",
            Grouping::Series => "series",
            Grouping::Periodic => "periodic",
            _ => "other",
        }
    }

    #[getter]
    fn count_in_interval_s(&self) -> Option<f64> {
        self.0.count_in.map(|CountIn { interval_s, .. }| interval_s)
    }

    fn __reduce__<'py>(slf: &Bound<'py, Self>) -> PyResult<(Bound<'py, PyAny>, (Bound<'py, PyBytes>,))> {
        let again = slf.py().import("coeval._native")?.getattr("marker_from_bytes")?;
        Ok((again, (PyBytes::new(slf.py(), &slf.get().0.to_bytes()),)))
    }

    fn __eq__(&self, other: &Bound<'_, PyAny>) -> bool {
        other.cast::<Self>().is_ok_and(|other| other.get().0.to_bytes() == self.0.to_bytes())
    }

    fn __hash__(&self) -> u64 {
        self.0.time_s.to_bits() ^ self.0.score.to_bits().rotate_left(32)
    }

    fn __repr__(&self) -> String {
        let shape = self.shape();
        format!("Marker(time_s={:.6}, uncertainty_s={:.6}, shape='{shape}')", self.0.time_s, self.0.uncertainty_s)
    }
}

/// A marker from the bytes that pickle keeps of it.
#[pyfunction]
pub(crate) fn marker_from_bytes(py: Python<'_>, bytes: &[u8]) -> PyResult<Marker> {
    coeval::marker::Marker::from_bytes(bytes).map(Marker).map_err(|e| raise(py, &e))
}

/// Finds the markers of an array.
#[pyfunction]
pub(crate) fn find_markers(
    py: Python<'_>,
    samples: Samples<'_>,
    rate_hz: f64,
    numbers: Numbers,
    progress: Option<Py<PyAny>>,
) -> PyResult<Vec<Marker>> {
    let frames = samples.view()?;
    let mut options = MarkerOptions::default();
    set(py, &mut options, &numbers)?;
    let found = run(py, progress.as_ref(), 1, |progress| {
        let mut detector = MarkerDetector::new(rate_hz, frames.channels(), &options)?;
        let mut found = Vec::new();
        frames.blocks(|block, done| {
            step(progress, "finding markers", done)?;
            found.extend(detector.push(block)?);
            Ok(())
        })?;
        found.extend(detector.finish());
        Ok(found)
    })?;
    Ok(found.into_iter().map(Marker).collect())
}

/// Matches the markers of two recordings; a dictionary with the fields of `coeval.MarkerMatch`, or `None`.
#[pyfunction]
pub(crate) fn match_markers<'py>(
    py: Python<'py>,
    a: Vec<PyRef<'py, Marker>>,
    b: Vec<PyRef<'py, Marker>>,
    max_drift_ppm: f64,
    offset_range_s: Option<(f64, f64)>,
    durations_s: Option<(f64, f64)>,
    min_confidence: f64,
) -> PyResult<Option<Bound<'py, PyDict>>> {
    let mut options = MatchOptions::default();
    options.max_drift_ppm = max_drift_ppm;
    options.offset_range_s = offset_range_s;
    options.durations_s = durations_s;
    options.min_confidence = min_confidence;
    let own = |markers: &[PyRef<'_, Marker>]| markers.iter().map(|m| m.0.clone()).collect::<Vec<_>>();
    let (a, b) = (own(&a), own(&b));
    let found = run(py, None, 1, |_| coeval::marker::match_markers(&a, &b, &options))?;
    found.map(|found| match_dict(py, &found)).transpose()
}

fn match_dict<'py>(py: Python<'py>, found: &MarkerMatch) -> PyResult<Bound<'py, PyDict>> {
    let out = PyDict::new(py);
    out.set_item("offset_s", found.offset_s)?;
    out.set_item("drift_ppm", found.drift_ppm)?;
    out.set_item("drift_sigma_ppm", found.drift_sigma_ppm)?;
    out.set_item("uncertainty_s", found.uncertainty_s)?;
    out.set_item("residual_rms_s", found.residual_rms_s)?;
    out.set_item("chance", found.chance)?;
    out.set_item("confidence", found.confidence)?;
    let pairs: Vec<(usize, usize, f64, f64, f64)> =
        found.pairs.iter().map(|p| (p.ia, p.ib, p.a_s, p.b_s, p.sigma_s)).collect();
    out.set_item("pairs", pairs)?;
    Ok(out)
}

/// The fields of `coeval.SpeechSegment`.
type SegmentRow = (f64, f64, f32, Option<f64>);

/// Probability of speech over time.
#[pyclass(frozen, module = "coeval._native")]
pub(crate) struct SpeechCurve(coeval_listen::speech::SpeechCurve);

#[pymethods]
impl SpeechCurve {
    #[staticmethod]
    fn from_values(py: Python<'_>, probability: PyReadonlyArray1<'_, f32>) -> PyResult<Self> {
        let values = probability.as_array().to_vec();
        coeval_listen::speech::SpeechCurve::from_values(values).map(Self).map_err(|e| raise(py, &e))
    }

    fn probability<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f32>> {
        PyArray1::from_slice(py, self.0.probability())
    }

    fn segments(
        &self,
        py: Python<'_>,
        enter: Option<f32>,
        leave: Option<f32>,
        min_speech_s: Option<f64>,
        min_pause_s: Option<f64>,
        hang_over_s: Option<f64>,
    ) -> PyResult<Vec<SegmentRow>> {
        let mut options = SpeechOptions::default();
        options.enter = enter.unwrap_or(options.enter);
        options.leave = leave.unwrap_or(options.leave);
        options.min_speech_s = min_speech_s.unwrap_or(options.min_speech_s);
        options.min_pause_s = min_pause_s.unwrap_or(options.min_pause_s);
        options.hang_over_s = hang_over_s.unwrap_or(options.hang_over_s);
        let found = self.0.segments(&options).map_err(|e| raise(py, &e))?;
        Ok(found.iter().map(|s| (s.start_s, s.end_s, s.confidence, s.outside_band_db)).collect())
    }
}

/// Frames of timecode in the first channel: the fields of `coeval.LtcFrame` in their order.
#[pyfunction]
pub(crate) fn ltc<'py>(
    py: Python<'py>,
    samples: Samples<'_>,
    rate_hz: f64,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyList>> {
    let frames = samples.view()?;
    let found = run(py, progress.as_ref(), 1, |progress| {
        let mut decoder = LtcDecoder::new(rate_hz)?;
        frames.blocks(|block, done| {
            step(progress, "reading timecode", done)?;
            decoder.push(block);
            Ok(())
        })?;
        Ok(decoder.finish())
    })?;
    let rows = found.iter().map(|f| {
        let counted = (f.hours, f.minutes, f.seconds, f.frames, f.fps);
        (f.start_s, f.length_s, f.label(), counted, f.drop_frame, f.user_bits)
    });
    PyList::new(py, rows.collect::<Vec<_>>())
}

/// Hears an array.
#[pyfunction]
pub(crate) fn speech(
    py: Python<'_>,
    samples: Samples<'_>,
    rate_hz: f64,
    progress: Option<Py<PyAny>>,
) -> PyResult<SpeechCurve> {
    let frames = samples.view()?;
    let curve = run(py, progress.as_ref(), 1, |progress| {
        let mut builder = SpeechBuilder::new(rate_hz, frames.channels())?;
        frames.blocks(|block, done| {
            step(progress, "hearing voices", done)?;
            builder.push(block)
        })?;
        Ok(builder.finish())
    })?;
    Ok(SpeechCurve(curve))
}

/// Where the voice of a stretch comes from.
#[pyfunction]
pub(crate) fn speech_origin(
    py: Python<'_>,
    start_s: f64,
    end_s: f64,
    outside_band_db: Option<f64>,
    shared: Option<f64>,
) -> PyResult<&'static str> {
    let mut segment = SpeechSegment::new(start_s, end_s).map_err(|e| raise(py, &e))?;
    segment.outside_band_db = outside_band_db;
    Ok(segment.origin(shared).as_str())
}

/// For each stretch, from where to where, how surely a camera hears what the recorder has. Both are mono, of one
/// length, at the rate of the core's meter.
#[pyfunction]
pub(crate) fn shared_speech(
    py: Python<'_>,
    stretches: Vec<(f64, f64)>,
    recorder: Samples<'_>,
    camera: Samples<'_>,
    progress: Option<Py<PyAny>>,
) -> PyResult<Vec<Option<f64>>> {
    let (recorder, camera) = (recorder.view()?, camera.view()?);
    run(py, progress.as_ref(), 1, |progress| {
        let segments = stretches.iter().map(|s| SpeechSegment::new(s.0, s.1)).collect::<coeval::Result<Vec<_>>>()?;
        let mut meter = SharedMeter::new(&segments)?;
        let (frames, mut own, mut other) = (recorder.frames(), Vec::new(), Vec::new());
        for from in (0..frames).step_by(BLOCK) {
            let to = (from + BLOCK).min(frames);
            step(progress, "comparing with cameras", from as f64 / frames as f64)?;
            meter.push(recorder.read(from, to, &mut own), camera.read(from, to, &mut other))?;
        }
        Ok(meter.finish().into_iter().map(|heard| Some(heard?.shared)).collect())
    })
}

/// Keeps the true peaks of an array under a limit; frames by channels, float32.
#[pyfunction]
pub(crate) fn limit<'py>(
    py: Python<'py>,
    samples: Samples<'_>,
    rate_hz: f64,
    limit_dbtp: f64,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyArray2<f32>>> {
    let frames = samples.view()?;
    let channels = frames.channels();
    let output = run(py, progress.as_ref(), 1, |progress| {
        let mut limiter = Limiter::new(rate_hz, channels, limit_dbtp)?;
        let mut output = Vec::with_capacity(frames.frames() * channels);
        frames.blocks(|block, done| {
            step(progress, "limiting peaks", done)?;
            limiter.push(block, &mut output)
        })?;
        limiter.finish(&mut output);
        Ok(output)
    })?;
    output.into_pyarray(py).reshape([frames.frames(), channels])
}

/// Measures the levels of an array; a dictionary with the fields of `coeval.LevelReport`.
#[pyfunction]
pub(crate) fn levels<'py>(
    py: Python<'py>,
    samples: Samples<'_>,
    rate_hz: u32,
    progress: Option<Py<PyAny>>,
) -> PyResult<Bound<'py, PyDict>> {
    let frames = samples.view()?;
    let report = run(py, progress.as_ref(), 1, |progress| {
        let mut meter = LevelMeter::new(rate_hz, frames.channels())?;
        frames.blocks(|block, done| {
            step(progress, "measuring levels", done)?;
            meter.push(block)
        })?;
        meter.finish()
    })?;
    report_dict(py, &report)
}

fn report_dict<'py>(py: Python<'py>, report: &LevelReport) -> PyResult<Bound<'py, PyDict>> {
    let out = PyDict::new(py);
    let channels = PyList::empty(py);
    for c in &report.channels {
        let one = PyDict::new(py);
        one.set_item("sample_peak_dbfs", c.sample_peak_dbfs)?;
        one.set_item("true_peak_dbtp", c.true_peak_dbtp)?;
        one.set_item("dc", c.dc)?;
        one.set_item("rms_dbfs", c.rms_dbfs)?;
        one.set_item("clipped_runs", c.clipped_runs)?;
        one.set_item("clipped_samples", c.clipped_samples)?;
        one.set_item("active_level_dbfs", c.active_level_dbfs)?;
        one.set_item("activity", c.activity)?;
        channels.append(one)?;
    }
    let stretches = |list: &[LevelStretch]| list.iter().map(|s| (s.start_s, s.length_s)).collect::<Vec<_>>();
    out.set_item("duration_s", report.duration_s)?;
    out.set_item("channels", channels)?;
    out.set_item("integrated_lufs", report.integrated_lufs)?;
    out.set_item("momentary_max_lufs", report.momentary_max_lufs)?;
    out.set_item("short_term_max_lufs", report.short_term_max_lufs)?;
    out.set_item("loudness_range_lu", report.loudness_range_lu)?;
    out.set_item("noise_floor_dbfs", report.noise_floor_dbfs)?;
    out.set_item("hum_hz", report.hum.as_ref().map(|h| h.base_hz))?;
    out.set_item("hum_dbfs", report.hum.as_ref().map(|h| h.level_dbfs))?;
    out.set_item("clipping", stretches(&report.clipping))?;
    out.set_item("silence", stretches(&report.silence))?;
    out.set_item("silence_total_s", report.silence_total_s)?;
    out.set_item("dropouts", stretches(&report.dropouts))?;
    out.set_item("dropout_count", report.dropout_count)?;
    let advice: Vec<(bool, String)> = report.advice().into_iter().map(|a| (a.serious, a.text)).collect();
    out.set_item("advice", advice)?;
    Ok(out)
}
