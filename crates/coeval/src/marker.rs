//! Short sharp sounds: found, timed, measured, and matched between two recordings.
//!
//! # Finding
//! A hand clap, a slate or a knock is a sudden rise of power over many octaves that dies away within
//! some tens of milliseconds. It is looked for in three stages.
//!
//! 1. *Candidates*: the levels of half-octave bands (frames of 8 to 13 ms, four to a frame length) are
//!    each compared with their own running median and 90th percentile over the 2 s before and 0.5 s
//!    after, an order-statistic constant-false-alarm-rate test (Rohling, IEEE TAES 19(4), 1983; from
//!    memory), so that an engine's knock raises its own threshold. The clipped, normalised excesses are
//!    added over the bands; a candidate is a local maximum that stands out from what is round it.
//! 2. *Examination*: the sound round the candidate is whitened by an autoregressive model of the sound
//!    just before it, at up to 50 kHz, because the highest octaves have the least engine in them and tell
//!    the first stroke apart. In the residual the onset is the change of variance that the AR-AIC picker finds
//!    (Maeda 1985; Sleeman & van Eck, PEPI 113, 1999; both from memory): of all splits of the window
//!    into noise and event, the likeliest. The splits' Akaike weights give the onset as their mean, to a
//!    fraction of a sample, and its uncertainty as their spread. Rise, decay, bandwidth and repetition
//!    are then measured, and decide what kind of sound it is.
//! 3. *Weighing*: these measures and the course of the bands' levels from 250 ms before to 200 ms after
//!    go through a network of two hidden layers (128 and 32 rectified units), which has learnt what claps and
//!    knocks are from drum samples in simulated rooms under engines, wind, radio, talk and switches
//!    (`benches/scripts/fit_markers.py`). Its output is the [score](Marker::score).
//!
//! # Matching
//! [`match_markers`] looks for the offset and drift under which most markers of two recordings fall
//! together, and says how many such coincidences chance alone would have produced.

use std::collections::VecDeque;
use std::sync::{Arc, OnceLock};

use realfft::{RealFftPlanner, RealToComplex};

use crate::error::{Error, ErrorKind, Result};
use crate::samples::{check_channels, check_frames, check_rate, sanitize};

/// What a short sound is, by the measured course of its energy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Shape {
    /// Starts suddenly and dies away: a clap, a slate, a knock.
    Clap,
    /// Over within a millisecond: a switch, a digital click, a mains pulse.
    Click,
    /// Starts suddenly and goes on: radio squelch, a horn, the start of a word.
    Burst,
    /// Sudden, but only in the low octaves: a backfire, a wave against the hull, wind.
    Thud,
}

/// Whether a marker stands alone, by the times between it and its neighbours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Grouping {
    /// No other marker within 1.5 s.
    Isolated,
    /// One of a few, as three claps are.
    Series,
    /// One of six or more whose times repeat within 2.5 %: a machine, no marker.
    Periodic,
}

/// A spoken or clapped count before a marker: three beats, then the marker on the fourth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountIn {
    /// Time from beat to beat, seconds.
    pub interval_s: f64,
    /// How far the beats stand above the moments between them, dB.
    pub contrast_db: f64,
}

/// A short sharp sound.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Marker {
    /// Its onset, seconds after the first sample that was fed.
    pub time_s: f64,
    /// One standard deviation of `time_s`, seconds.
    pub uncertainty_s: f64,
    /// Whitened energy of the 3 ms after the onset over that of the 10 ms before, dB.
    pub sharpness_db: f64,
    /// Largest sample magnitude within 20 ms of the onset, dB relative to full scale.
    pub peak_dbfs: f64,
    /// Largest whitened energy of 1 ms over the energy of the noise before, dB.
    pub snr_db: f64,
    /// Time until half of its energy (of the first 120 ms, above the noise) has come, seconds.
    pub decay_s: f64,
    /// Width of the part of its spectrum that stands above the noise, Hz.
    pub bandwidth_hz: f64,
    /// Centre of gravity of its spectrum above the noise, Hz.
    pub centre_hz: f64,
    /// Course of its energy.
    pub shape: Shape,
    /// Its neighbourhood.
    pub grouping: Grouping,
    /// The count before it, if there was one.
    pub count_in: Option<CountIn>,
    /// The sound round the onset, kept so that two recordings' markers can be compared to a fraction
    /// of a sample: mono at [`WAVEFORM_RATE_HZ`], its first sample at `waveform_start_s`.
    pub waveform: Vec<f32>,
    /// Time of the first sample of `waveform`, seconds.
    pub waveform_start_s: f64,
    /// How much it is like a clap or a knock: log odds by a small network on `measures` and `levels`, which has learnt
    /// from drum samples and knocks under engines, wind, radio and talk; 0 where the engines, wind and radio of the
    /// benchmark give two false alarms in three hours; under an engine that it has not learnt there may be more.
    pub score: f64,
    /// What was measured, in the order of [`MEASURES`].
    pub measures: [f64; MEASURES.len()],
    /// The levels of ten half-octave bands from 350 Hz in 24 stretches of time from 250 ms before to 200 ms after the
    /// onset, the shortest (2.7 ms) next to it: how far each lies above its median of 2.5 s, in units of the distance
    /// from there to the 90th percentile (at least 1.5 dB), within -4 and 12; all bands of the first stretch, then of
    /// the second, and so on. After them, per band, a third of that unit in dB.
    pub levels: Vec<f32>,
}

/// Rate of [`Marker::waveform`], Hz.
pub const WAVEFORM_RATE_HZ: f64 = 16_000.0;

/// What [`Marker::measures`] holds.
pub const MEASURES: [&str; 14] = [
    "strength: sum of the bands' normalised excesses at the peak, standard deviations",
    "rise: strength less its mean 60 to 8 ms before",
    "before: largest strength 60 to 12 ms before",
    "after: largest strength 100 to 250 ms after",
    "bands: number of half-octave bands far above their background",
    "early: whitened energy of the first 15 ms over the noise, dB",
    "over_before: loudest millisecond over the loudest of the 150 ms before, dB",
    "over_after: loudest millisecond over the loudest 60 to 200 ms after, dB",
    "over_after again, no more than 3 dB: what goes on is no clap",
    "mid: energy 20 to 50 ms after the onset over that of the first 15 ms, dB",
    "late: energy 60 to 120 ms after the onset over that of the first 15 ms, dB",
    "decay: time until half of the energy has come, ms",
    "gain: log of the log-likelihood gained by the onset",
    "width: log2 of the bandwidth in Hz + 100",
];

crate::options! {
    /// How markers are looked for.
    #[derive(Debug, Clone)]
    #[non_exhaustive]
    pub struct MarkerOptions {
        /// Sounds whose peak lies below this are left out, dB relative to full scale.
        pub min_peak_dbfs: f64 = -60.0, f64::NEG_INFINITY..=f64::INFINITY;
        /// Score that a marker needs. A lower value than the default finds more faint claps and more of what is none; 2
        /// is better where nothing else vouches for a clap.
        pub min_score: f64 = 0.0, f64::NEG_INFINITY..=f64::INFINITY;
        /// Report every candidate, whatever its shape, grouping and score, not only what can serve as a marker.
        pub all: bool = false, 0.0..=1.0;
    } and {}
}

/// Length of a frame; the power of two nearest to it is taken.
const FRAME_S: f64 = 0.0107;
const BAND_LOW_HZ: f64 = 350.0;
const BAND_HIGH_HZ: f64 = 11_500.0;
/// Seconds of levels behind and ahead of a frame from which its background is taken.
const BACK_S: f64 = 2.0;
const AHEAD_S: f64 = 0.5;
/// A marker is reported when this much later sound is known: its neighbours decide its grouping.
const GROUP_S: f64 = 6.0;
/// Edges of the stretches of [`Marker::levels`], in units of [`EDGE_S`] seconds from the frame of the onset.
const EDGES: [f64; 25] = [
    -94.0, -64.0, -44.0, -30.0, -20.0, -13.0, -8.0, -5.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 11.0,
    15.0, 20.0, 27.0, 37.0, 52.0, 75.0,
];
const EDGE_S: f64 = 0.008 / 3.0;
const LEVEL_BANDS: usize = 10;
const LEVEL_INPUTS: usize = LEVEL_BANDS * EDGES.len();
/// Candidate threshold on the sum of normalised excesses, in its own standard deviations.
const CANDIDATE: f32 = 2.0;
/// Logistic weights of the first five of [`MEASURES`] and their bias: log odds at first look.
const FIRST_LOOK: [f64; 5] = [1.172, 0.263, -0.47, -0.613, 0.038];
const FIRST_BIAS: f64 = -7.767;
/// What looks worse at first is no marker: some 14,000 candidates an hour under engines do not.
const PROMISING: f64 = -7.0;
/// The onset is looked for from this much before the candidate: several hands do not meet at once.
const FIRST_BACK_S: f64 = 0.05;
/// The first stroke of a clap is this much louder than what was heard before it, and no fainter than this share of the
/// loudest, in energy of 0.7 ms.
const FIRST_OVER: f64 = 3.0;
const FIRST_LEAST: f64 = 0.04;
/// Order of the autoregressive models that whiten.
const WHITEN_ORDER: usize = 20;
/// How much less like a clap the fellows of a periodic sound may be, in [`Marker::score`].
const ALIKE: f64 = 4.0;
/// Strength and rise of what is reported with [`MarkerOptions::all`] though it does not look like a marker.
const STRONG: [f64; 2] = [3.6, 2.2];
/// Sizes of the layers that weigh a candidate: [`Marker::measures`] and [`Marker::levels`] go in, its score comes out.
const LAYERS: [usize; 4] = [MEASURES.len() + LEVEL_INPUTS, 128, 32, 1];
/// What `benches/scripts/fit_markers.py` has learnt: mean and one over the spread of every input, 32-bit floats; then for
/// every unit of every layer its scale and its bias, 32-bit floats, and one signed byte per input. Little-endian.
static LEARNT: &[u8; LEARNT_BYTES] = include_bytes!("marker_network.bin");
const LEARNT_BYTES: usize = {
    let [inputs, first, second, last] = LAYERS;
    8 * inputs + first * (8 + inputs) + second * (8 + first) + last * (8 + second)
};

/// A network of two hidden layers of rectified units.
struct Network {
    /// Mean and one over the spread of every input.
    inputs: Vec<[f32; 2]>,
    /// Per layer and unit: its bias, then its weights.
    layers: Vec<Vec<Vec<f32>>>,
}

impl Network {
    fn learnt() -> &'static Self {
        static NETWORK: OnceLock<Network> = OnceLock::new();
        NETWORK.get_or_init(|| {
            let floats = |bytes: &[u8]| -> Vec<f32> {
                bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()
            };
            let (means, rest) = LEARNT.split_at(4 * LAYERS[0]);
            let (narrows, mut rest) = rest.split_at(4 * LAYERS[0]);
            let inputs = floats(means).into_iter().zip(floats(narrows)).map(|(m, n)| [m, n]).collect();
            let mut layers = Vec::new();
            for sizes in LAYERS.windows(2) {
                let (layer, later) = rest.split_at(sizes[1] * (8 + sizes[0]));
                let unit = |unit: &[u8]| {
                    let (head, weights) = unit.split_at(8);
                    let head = floats(head);
                    let weights = weights.iter().map(|w| head[0] * f32::from(*w as i8));
                    std::iter::once(head[1]).chain(weights).collect()
                };
                layers.push(layer.chunks_exact(8 + sizes[0]).map(unit).collect());
                rest = later;
            }
            Network { inputs, layers }
        })
    }

    /// Log odds that a candidate is a clap or a knock.
    fn score(&self, measures: &[f64], levels: &[f32]) -> f64 {
        let all = measures.iter().map(|m| *m as f32).chain(levels.iter().copied());
        let mut values: Vec<f32> = all.zip(&self.inputs).map(|(v, [mean, narrow])| (v - mean) * narrow).collect();
        for (i, layer) in self.layers.iter().enumerate() {
            let last = i + 1 == self.layers.len();
            values = layer
                .iter()
                .map(|unit| {
                    let sum = unit[0] + unit[1..].iter().zip(&values).map(|(w, v)| w * v).sum::<f32>();
                    if last { sum } else { sum.max(0.0) }
                })
                .collect();
        }
        f64::from(values[0])
    }
}

/// Power floor of a band, as -110 dB: digital silence has a background too.
const FLOOR: f32 = 1e-11;
const LEVEL_MIN_DB: f32 = -112.0;
const LEVEL_STEP_DB: f32 = 0.5;
const LEVELS: usize = 272;

/// Sliding distribution of a band's level.
#[derive(Debug, Clone)]
struct Levels {
    counts: Vec<u32>,
    total: u32,
}

impl Levels {
    fn new() -> Self {
        Self { counts: vec![0; LEVELS], total: 0 }
    }
    fn slot(level_db: f32) -> usize {
        (((level_db - LEVEL_MIN_DB) / LEVEL_STEP_DB) as usize).min(LEVELS - 1)
    }
    fn add(&mut self, level_db: f32) {
        self.counts[Self::slot(level_db)] += 1;
        self.total += 1;
    }
    fn remove(&mut self, level_db: f32) {
        self.counts[Self::slot(level_db)] -= 1;
        self.total -= 1;
    }
    /// Level below which the given shares of the frames lie; shares ascend.
    fn quantiles<const N: usize>(&self, shares: [f32; N]) -> [f32; N] {
        let mut out = [LEVEL_MIN_DB; N];
        let mut at = 0;
        let mut seen = 0;
        for (slot, &count) in self.counts.iter().enumerate() {
            seen += count;
            while at < N && seen as f32 >= shares[at] * self.total as f32 {
                out[at] = LEVEL_MIN_DB + (slot as f32 + 0.5) * LEVEL_STEP_DB;
                at += 1;
            }
        }
        out
    }
}

/// Halves, thirds, ... the rate with a raised-cosine kernel: all its weights are positive, so that it
/// cannot ring ahead of an onset; the aliasing it lets through does not matter here.
#[derive(Debug)]
struct Decimator {
    factor: usize,
    kernel: Vec<f32>,
    /// The last inputs, oldest first; as many as the kernel has taps.
    recent: VecDeque<f32>,
    phase: usize,
}

impl Decimator {
    fn new(factor: usize) -> Self {
        let half = factor as f64;
        let taps = 2 * factor - 1;
        let mut kernel: Vec<f32> = (0..taps)
            .map(|i| {
                let x = (i as f64 - (factor as f64 - 1.0)) / half;
                (0.5 + 0.5 * (std::f64::consts::PI * x).cos()) as f32
            })
            .collect();
        let sum: f32 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= sum);
        // Output m is centred on input m * factor: the first comes after factor - 1 inputs more.
        Self { factor, kernel, recent: VecDeque::from(vec![0.0; taps]), phase: factor - 1 }
    }
    fn push(&mut self, x: f32) -> Option<f32> {
        if self.factor == 1 {
            return Some(x);
        }
        self.recent.pop_front();
        self.recent.push_back(x);
        if self.phase == 0 {
            self.phase = self.factor - 1;
            Some(self.recent.iter().zip(&self.kernel).map(|(a, b)| a * b).sum())
        } else {
            self.phase -= 1;
            None
        }
    }
}

/// Finds markers in sound that arrives in blocks. Memory is bounded: some ten seconds of sound.
pub struct MarkerDetector {
    options: MarkerOptions,
    channels: usize,
    rate: f64,
    decimator: Decimator,
    /// Sound at the working rate; `sound[0]` is sample `sound_start`.
    sound: VecDeque<f32>,
    sound_start: usize,
    /// Sound at the rate that onsets are timed at: 32 kHz to 50 kHz, or the recording's where that is lower.
    fine: VecDeque<f32>,
    fine_start: usize,
    fine_rate: f64,
    fine_decimator: Decimator,
    /// Largest magnitude at the full rate within each sample of `sound`.
    peaks: VecDeque<f32>,
    peak: f32,
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    hop: usize,
    bands: Vec<std::ops::Range<usize>>,
    /// Band levels per frame in dB, flat; frame `frame_start` first.
    levels: VecDeque<Vec<f32>>,
    frame_start: usize,
    histograms: Vec<Levels>,
    /// Frames whose levels are in the histograms: up to here (exclusive).
    counted_to: usize,
    counted_from: usize,
    background: Vec<[f32; 2]>,
    /// The candidate statistic, from `stat_start`.
    stats: VecDeque<f32>,
    stat_start: usize,
    /// Frames below this one have been examined for candidates.
    examined_to: usize,
    /// Voice-band level every 10 ms, for count-ins; entry `k` belongs to 10 ms x (k + `voice_start`).
    voice: VecDeque<f32>,
    voice_start: usize,
    voice_sum: (f64, usize),
    found: VecDeque<Marker>,
    reported: usize,
    ended: bool,
}

impl std::fmt::Debug for MarkerDetector {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("MarkerDetector")
            .field("rate", &self.rate)
            .field("found", &self.found.len())
            .finish_non_exhaustive()
    }
}

impl MarkerDetector {
    /// For interleaved sound at `rate_hz` (8000 to 192000) with `channels` (1 to 64).
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(rate_hz: f64, channels: usize, options: &MarkerOptions) -> Result<Self> {
        check_rate("rate_hz", rate_hz, 8000.0..=192_000.0)?;
        check_channels(channels)?;
        if options.min_peak_dbfs.is_nan() {
            return Err(Error::new(ErrorKind::InvalidArgument, "min_peak_dbfs is not a number"));
        }
        let factor = (rate_hz / 32_000.0).ceil() as usize;
        let rate = rate_hz / factor as f64;
        let fine_factor = (rate_hz / 50_000.0).ceil() as usize;
        let length = 1 << ((rate * FRAME_S).log2().round() as u32).max(6);
        let bin = rate / length as f64;
        let mut bands = Vec::new();
        let mut low = BAND_LOW_HZ;
        while low * 1.2 < BAND_HIGH_HZ.min(0.47 * rate) {
            let high = (low * std::f64::consts::SQRT_2).min(BAND_HIGH_HZ).min(0.48 * rate);
            let from = (low / bin).round() as usize;
            let to = ((high / bin).round() as usize).max(from + 1).min(length / 2);
            if bands.last().is_none_or(|b: &std::ops::Range<usize>| from >= b.end) && to > from {
                bands.push(from..to);
            }
            low *= std::f64::consts::SQRT_2;
        }
        let window = (0..length)
            .map(|i| (0.5 - 0.5 * (2.0 * std::f64::consts::PI * (i as f64 + 0.5) / length as f64).cos()) as f32)
            .collect();
        Ok(Self {
            options: options.clone(),
            channels,
            rate,
            decimator: Decimator::new(factor),
            sound: VecDeque::new(),
            sound_start: 0,
            fine: VecDeque::new(),
            fine_start: 0,
            fine_rate: rate_hz / fine_factor as f64,
            fine_decimator: Decimator::new(fine_factor),
            peaks: VecDeque::new(),
            peak: 0.0,
            fft: RealFftPlanner::new().plan_fft_forward(length),
            window,
            hop: length / 4,
            histograms: vec![Levels::new(); bands.len()],
            background: vec![[0.0; 2]; bands.len()],
            bands,
            levels: VecDeque::new(),
            frame_start: 0,
            counted_to: 0,
            counted_from: 0,
            stats: VecDeque::new(),
            stat_start: 0,
            examined_to: 0,
            voice: VecDeque::new(),
            voice_start: 0,
            voice_sum: (0.0, 0),
            found: VecDeque::new(),
            reported: 0,
            ended: false,
        })
    }

    /// Takes the next block, interleaved, whole frames; returns the markers that are now certain, in
    /// time order, some 7 s after they sounded. NaN and infinite samples count as silence.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<Vec<Marker>> {
        check_frames(interleaved.len(), self.channels)?;
        let mut out = Vec::new();
        let scale = 1.0 / self.channels as f32;
        for part in interleaved.chunks(self.channels * 8192) {
            for frame in part.chunks_exact(self.channels) {
                let sum: f32 = frame.iter().map(|x| sanitize(*x)).sum();
                self.take(sum * scale);
            }
            self.advance();
            self.report(&mut out);
        }
        Ok(out)
    }

    /// The markers not yet returned.
    pub fn finish(mut self) -> Vec<Marker> {
        // The decimator's half kernel, then silence of the background's own kind is not invented:
        // the last frames are judged with what follows them, however little.
        for _ in 0..self.decimator.factor - 1 {
            self.take(0.0);
        }
        self.ended = true;
        self.advance();
        let mut out = Vec::new();
        self.report(&mut out);
        out
    }

    fn take(&mut self, x: f32) {
        self.peak = self.peak.max(x.abs());
        self.fine.extend(self.fine_decimator.push(x));
        if let Some(y) = self.decimator.push(x) {
            self.sound.push_back(y);
            self.peaks.push_back(self.peak);
            self.peak = 0.0;
        }
    }

    fn sound_end(&self) -> usize {
        self.sound_start + self.sound.len()
    }

    fn frames_in(&self, seconds: f64) -> usize {
        (seconds * self.rate / self.hop as f64).round() as usize
    }

    /// Frames -> statistic -> candidates -> markers, as far as the sound reaches.
    fn advance(&mut self) {
        self.add_frames();
        self.add_stats();
        // Drop what no later step needs.
        let keep = self.stat_start * self.hop;
        let back = keep.saturating_sub((0.6 * self.rate) as usize);
        let drop = back.saturating_sub(self.sound_start).min(self.sound.len());
        self.sound.drain(..drop);
        self.peaks.drain(..drop);
        self.sound_start += drop;
        let fine_keep = (self.sound_start as f64 / self.rate * self.fine_rate) as usize;
        let drop = fine_keep.saturating_sub(self.fine_start).min(self.fine.len());
        self.fine.drain(..drop);
        self.fine_start += drop;
    }

    fn add_frames(&mut self) {
        let length = self.window.len();
        let mut block = self.fft.make_input_vec();
        let mut spectrum = self.fft.make_output_vec();
        let norm = 2.0 / (length as f32 * self.window.iter().map(|w| w * w).sum::<f32>());
        loop {
            let frame = self.frame_start + self.levels.len();
            let from = frame * self.hop;
            if from + length > self.sound_end() {
                break;
            }
            let at = from - self.sound_start;
            for (i, (b, w)) in block.iter_mut().zip(&self.window).enumerate() {
                *b = self.sound[at + i] * w;
            }
            // The lengths are the plan's own, so it cannot fail.
            if self.fft.process(&mut block, &mut spectrum).is_err() {
                break;
            }
            let levels: Vec<f32> = self
                .bands
                .iter()
                .map(|band| {
                    let power: f32 = spectrum[band.clone()].iter().map(|c| c.norm_sqr()).sum();
                    10.0 * (power * norm + FLOOR).log10()
                })
                .collect();
            self.add_voice(&levels);
            self.levels.push_back(levels);
        }
    }

    /// Level of 350 Hz to 4 kHz, averaged over 10 ms.
    fn add_voice(&mut self, levels: &[f32]) {
        let power: f64 = levels.iter().take(7).map(|l| 10f64.powf(f64::from(*l) / 10.0)).sum();
        self.voice_sum.0 += power;
        self.voice_sum.1 += 1;
        let frame = self.frame_start + self.levels.len();
        let end = ((frame + 1) as f64 * self.hop as f64 / self.rate / 0.01) as usize;
        if end > self.voice_start + self.voice.len() {
            let mean = (10.0 * (self.voice_sum.0 / self.voice_sum.1 as f64).log10()) as f32;
            self.voice_sum = (0.0, 0);
            self.voice.push_back(mean);
            if self.voice.len() > 700 {
                self.voice.pop_front();
                self.voice_start += 1;
            }
        }
    }

    fn add_stats(&mut self) {
        let back = self.frames_in(BACK_S);
        let ahead = self.frames_in(AHEAD_S);
        let frames_end = self.frame_start + self.levels.len();
        loop {
            let frame = self.stat_start + self.stats.len();
            // At the very start, what follows stands in for what went before.
            let to = (frame + ahead).max(back / 2);
            let known = if self.ended { frame < frames_end } else { to <= frames_end };
            if !known {
                break;
            }
            let to = to.min(frames_end);
            let from = frame.saturating_sub(back);
            let changed = self.counted_to < to || self.counted_from < from;
            while self.counted_to < to {
                let levels = &self.levels[self.counted_to - self.frame_start];
                self.histograms.iter_mut().zip(levels).for_each(|(h, l)| h.add(*l));
                self.counted_to += 1;
            }
            while self.counted_from < from {
                let levels = &self.levels[0];
                self.histograms.iter_mut().zip(levels).for_each(|(h, l)| h.remove(*l));
                self.counted_from += 1;
                self.levels.pop_front();
                self.frame_start += 1;
            }
            // Every 8 frames (11 ms) is often enough for a background of 2.5 s.
            if frame.is_multiple_of(8) && changed || frame == 0 {
                for (b, h) in self.background.iter_mut().zip(&self.histograms) {
                    *b = h.quantiles([0.5, 0.9]);
                }
            }
            let levels = &self.levels[frame - self.frame_start];
            let sum: f32 = levels
                .iter()
                .zip(&self.background)
                .map(|(l, [median, high])| ((l - median) / (high - median).max(1.5)).clamp(-1.0, 5.0))
                .sum();
            self.stats.push_back(sum / (0.78 * (levels.len() as f32).sqrt()));
            // At once, while the background is that of this moment: what is found does not depend on how the sound
            // is cut into blocks.
            self.add_markers(false);
        }
        if self.ended {
            self.add_markers(true);
        }
    }

    /// Judges the frames whose next 250 ms are known, or all that are left.
    fn add_markers(&mut self, all: bool) {
        let side = self.frames_in(0.015).max(2);
        let look = self.frames_in(0.25);
        let before = self.frames_in(0.06);
        let gap = self.frames_in(0.008).max(2);
        let end = if all { self.stats.len() } else { self.stats.len().saturating_sub(look) };
        for at in self.examined_to - self.stat_start..end.max(self.examined_to - self.stat_start) {
            let frame = self.stat_start + at;
            self.examined_to = frame + 1;
            let s = self.stats[at];
            if s < CANDIDATE {
                continue;
            }
            let lo = at.saturating_sub(side);
            let hi = (at + side + 1).min(self.stats.len());
            let is_peak = (lo..at).all(|i| self.stats[i] < s) && (at + 1..hi).all(|i| self.stats[i] <= s);
            if !is_peak {
                continue;
            }
            let from = at.saturating_sub(before);
            let to = at.saturating_sub(gap);
            let earlier = if to > from { self.stats.range(from..to).sum::<f32>() / (to - from) as f32 } else { 0.0 };
            let centre = frame * self.hop + self.window.len() / 2;
            let most = |a: f64, b: f64| {
                let place = |s: f64| {
                    (at as f64 + s * self.rate / self.hop as f64).round().clamp(0.0, self.stats.len() as f64) as usize
                };
                let (a, b) = (place(a), place(b));
                if b > a { f64::from(self.stats.range(a..b).fold(-5.0f32, |m, v| m.max(*v))) } else { -5.0 }
            };
            let wide = levels_over(&self.levels[frame - self.frame_start], &self.background);
            let context = [f64::from(s), f64::from(s - earlier), most(-0.06, -0.012), most(0.1, 0.25), wide];
            let first_look = FIRST_BIAS + FIRST_LOOK.iter().zip(&context).map(|(w, m)| w * m).sum::<f64>();
            let strong = context[0] >= STRONG[0] && context[1] >= STRONG[1];
            if first_look < PROMISING && !(self.options.all && strong) {
                continue;
            }
            if let Some(marker) = self.examine(centre, &context, first_look, self.picture(frame)) {
                // One sound may raise two candidates; the sharper stays.
                let waiting = self.found.len() > self.reported;
                match self.found.back_mut() {
                    Some(last) if marker.time_s - last.time_s < 0.03 => {
                        if waiting && marker.score > last.score {
                            *last = marker;
                        }
                    }
                    _ => self.found.push_back(marker),
                }
            }
        }
        // Keep the frames before the next one that it will be compared with.
        let drop = (self.examined_to - self.stat_start).saturating_sub(before);
        self.stats.drain(..drop);
        self.stat_start += drop;
    }

    /// The levels round a frame as [`Marker::levels`] has them.
    fn picture(&self, frame: usize) -> Vec<f32> {
        let step = self.hop as f64 / self.rate;
        let end = self.frame_start + self.levels.len();
        let place = |edge: f64| (frame as f64 + (edge * EDGE_S / step).round()).max(self.frame_start as f64) as usize;
        let mut out = Vec::with_capacity(LEVEL_INPUTS);
        let scale = |band: usize| {
            let [median, high] = self.background[band];
            (median, (high - median).max(1.5))
        };
        // A slow recording has fewer bands; its last stands for those that it has not.
        let bands = (0..LEVEL_BANDS).map(|band| band.min(self.bands.len() - 1));
        for pair in EDGES.windows(2) {
            let from = place(pair[0]).min(end - 1);
            let to = place(pair[1]).clamp(from + 1, end);
            for band in bands.clone() {
                let frames = self.levels.range(from - self.frame_start..to - self.frame_start);
                let mean = frames.map(|l| l[band]).sum::<f32>() / (to - from) as f32;
                let (median, scale) = scale(band);
                out.push(((mean - median) / scale).clamp(-4.0, 12.0));
            }
        }
        out.extend(bands.map(|band| (scale(band).1 / 3.0).min(12.0)));
        out
    }

    /// Measures the sound round a sample; `None` when nothing starts there.
    fn examine(&self, centre: usize, context: &[f64], first_look: f64, levels: Vec<f32>) -> Option<Marker> {
        let rate = self.rate;
        let n = |seconds: f64| (seconds * rate).round() as usize;
        let start = self.sound_start;
        let from = centre.saturating_sub(n(0.30)).max(start);
        let to = (centre + n(0.22)).min(self.sound_end());
        let x: Vec<f64> = self.sound.range(from - start..to - start).map(|v| f64::from(*v)).collect();
        let c = centre - from;
        let noise_end = c.saturating_sub(n(0.045));
        let white = Whitened::new(&x, noise_end, rate);
        let mean = |a: usize, b: usize| white.mean(a, b);
        let length = x.len();
        let noise = white.noise();
        let near = c.saturating_sub(n(0.040))..(c + n(0.008)).min(length.saturating_sub(white.short));
        if near.len() <= white.short {
            return None;
        }
        let strongest = white.loudest(near.clone());
        // The first millisecond-scale rise hereabouts that is loud enough.
        let (onset, _, gain) = white.pick(near, (0.3 * strongest).max(8.0 * noise).min(0.5 * strongest))?;
        let k = onset.round() as usize;

        let after = mean(k, k + n(0.003));
        let before = mean(k.saturating_sub(n(0.010)), k.saturating_sub(n(0.0003)));
        let sharpness_db = 10.0 * (after.max(1e-14) / before.max(0.25 * noise).max(1e-14)).log10();
        let ms = n(0.001).max(4);
        let loudest = (k..(k + n(0.02)).min(length)).map(|i| mean(i, i + ms)).fold(0.0, f64::max);
        let snr_db = 10.0 * (loudest / noise).max(1e-9).log10();
        let loud = (from - start + k).min(self.peaks.len())..(from - start + k + n(0.02)).min(self.peaks.len());
        let peak_sample = self.peaks.range(loud).fold(0.0f32, |m, v| m.max(*v));
        let peak_dbfs = 20.0 * f64::from(peak_sample).max(1e-9).log10();

        // Course of the energy above the noise, by milliseconds over 120 ms.
        let course: Vec<f64> =
            (0..120).map(|i| mean(k + n(i as f64 * 0.001), k + n((i + 1) as f64 * 0.001)) - noise).collect();
        let total: f64 = course.iter().sum::<f64>().max(1e-15);
        let share = |part: f64| {
            let mut sum = 0.0;
            for (i, v) in course.iter().enumerate() {
                if sum + v >= part * total {
                    return (i as f64 + ((part * total - sum) / v.max(1e-18)).clamp(0.0, 1.0)) * 0.001;
                }
                sum += v;
            }
            0.120
        };
        let decay_s = share(0.5);
        let (bandwidth_hz, centre_hz) = self.spectrum_above_noise(&x, k, noise_end);
        let top =
            |a: usize, b: usize| (a..b.min(length)).step_by(ms / 2).map(|i| mean(i, i + ms)).fold(1e-14, f64::max);
        let db = |v: f64| 10.0 * v.max(1e-14).log10();
        let early = mean(k, k + n(0.015)) - noise;
        let over_early = |from: f64, to: f64| {
            db((mean(k + n(from), k + n(to)) - noise).max(0.02 * early.max(0.0)) / early.max(1e-14)).clamp(-17.0, 10.0)
        };
        let measures = [
            context[0].clamp(0.0, 12.0),
            context[1].clamp(0.0, 10.0),
            context[2].clamp(0.0, 8.0),
            context[3].clamp(0.0, 8.0),
            context[4],
            db(early / noise).clamp(-5.0, 30.0),
            db(loudest / top(k.saturating_sub(n(0.15)), k.saturating_sub(n(0.003)))).clamp(-3.0, 20.0),
            db(loudest / top(k + n(0.06), k + n(0.2))).clamp(-3.0, 20.0),
            db(loudest / top(k + n(0.06), k + n(0.2))).clamp(-3.0, 3.0),
            over_early(0.02, 0.05),
            over_early(0.06, 0.12),
            (decay_s * 1e3).clamp(0.0, 80.0),
            gain.max(1.0).ln(),
            (bandwidth_hz + 100.0).log2(),
        ];
        let shape = classify(&Measures {
            decay_s,
            ninety_s: share(0.9),
            late: over_early(0.06, 0.12),
            bandwidth_hz,
            centre_hz,
        });
        let score = if first_look < PROMISING { first_look } else { Network::learnt().score(&measures, &levels) };
        // What is far below the least score is neither reported nor a fellow of anything that is.
        if peak_dbfs < self.options.min_peak_dbfs || !self.options.all && score < self.options.min_score - ALIKE {
            return None;
        }
        let (time_s, spread_s) = self.first_stroke(centre as f64 / rate)?;
        let (waveform, waveform_start_s) = waveform(&x, from as f64 / rate, rate, time_s);
        Some(Marker {
            time_s,
            // Rooms, and what one calls the onset, differ by a tenth of a millisecond.
            uncertainty_s: spread_s.hypot(1e-4),
            sharpness_db,
            peak_dbfs,
            snr_db,
            decay_s,
            bandwidth_hz,
            centre_hz,
            shape,
            grouping: Grouping::Isolated,
            count_in: self.count_in(time_s),
            waveform,
            waveform_start_s,
            score,
            measures,
            levels,
        })
    }

    /// When the sound round `centre_s` starts, and the standard deviation of that, seconds. Hands may meet more than
    /// once: it is the first rise that nothing just before comes near. All octaves are heard here, for the highest have
    /// the least noise.
    fn first_stroke(&self, centre_s: f64) -> Option<(f64, f64)> {
        let n = |seconds: f64| (seconds * self.fine_rate).round() as usize;
        let centre = n(centre_s);
        let from = centre.saturating_sub(n(0.30)).max(self.fine_start);
        let to = (centre + n(0.01)).min(self.fine_start + self.fine.len());
        let x: Vec<f64> =
            self.fine.range(from - self.fine_start..to - self.fine_start).map(|v| f64::from(*v)).collect();
        let first = centre.saturating_sub(from + n(FIRST_BACK_S));
        let noise_end = first.saturating_sub(n(0.005));
        let white = Whitened::new(&x, noise_end, self.fine_rate);
        let near = first..(centre - from + n(0.008)).min(x.len().saturating_sub(white.short));
        let strongest = white.loudest(near.clone());
        let before = white.loudest(WHITEN_ORDER..noise_end.saturating_sub(white.short));
        let enough = (FIRST_OVER * before).clamp(FIRST_LEAST * strongest, 0.9 * strongest);
        let (onset, spread, _) = white.pick(near, enough)?;
        Some(((from as f64 + onset) / self.fine_rate, spread / self.fine_rate))
    }

    /// Where the spectrum of the first 10 ms stands above that of the noise: width and centre in Hz.
    fn spectrum_above_noise(&self, x: &[f64], onset: usize, noise_end: usize) -> (f64, f64) {
        let length = self.window.len();
        let mut block = self.fft.make_input_vec();
        let mut spectrum = self.fft.make_output_vec();
        let mut power = |from: usize, frames: usize| {
            let mut total = vec![0.0f64; spectrum.len()];
            let mut count = 0;
            for f in 0..frames {
                let at = from + f * length / 2;
                if at + length > x.len() {
                    break;
                }
                for (i, (b, w)) in block.iter_mut().zip(&self.window).enumerate() {
                    *b = x[at + i] as f32 * w;
                }
                if self.fft.process(&mut block, &mut spectrum).is_ok() {
                    total.iter_mut().zip(&spectrum).for_each(|(t, c)| *t += f64::from(c.norm_sqr()));
                    count += 1;
                }
            }
            total.iter_mut().for_each(|t| *t /= f64::from(count.max(1)));
            total
        };
        let event = power(onset.saturating_sub(length / 4), 2);
        let frames = (2 * noise_end / length).saturating_sub(1).min(60);
        let noise = power(noise_end.saturating_sub((frames + 1) * length / 2), frames);
        let bin = self.rate / length as f64;
        let (mut width, mut weight, mut moment) = (0.0, 0.0, 0.0);
        for k in 1..event.len() {
            let ratio = event[k] / noise[k].max(1e-14);
            if ratio > 4.0 {
                width += bin;
                let w = event[k] - noise[k];
                weight += w;
                moment += w * k as f64 * bin;
            }
        }
        (width, if weight > 0.0 { moment / weight } else { 0.0 })
    }

    /// Three beats of speech or claps before `time_s`, evenly spaced, the marker on the fourth.
    fn count_in(&self, time_s: f64) -> Option<CountIn> {
        let level = |t: f64| {
            // Loudest of 90 ms: a word's vowel comes some time after its start.
            let i = (t / 0.01).round() as i64 - self.voice_start as i64;
            (i - 4..=i + 4)
                .filter_map(|k| usize::try_from(k).ok().and_then(|k| self.voice.get(k)))
                .fold(-120.0f32, |m, v| m.max(*v))
        };
        let quiet = |t: f64| {
            let i = (t / 0.01).round() as i64 - self.voice_start as i64;
            let all: Vec<f32> = (i - 6..=i + 6)
                .filter_map(|k| usize::try_from(k).ok().and_then(|k| self.voice.get(k)).copied())
                .collect();
            all.iter().copied().fold(f32::INFINITY, f32::min)
        };
        if self.voice_start as f64 * 0.01 > time_s - 4.5 && time_s > 4.5 && self.voice_start > 0 {
            return None;
        }
        let mut best: Option<CountIn> = None;
        for step in 30..=120 {
            let interval = f64::from(step) * 0.01;
            if time_s < 3.2 * interval {
                break;
            }
            // A spoken beat may lie a little off; its loudest part lies after the beat.
            let beats = (1..=3).map(|j| level(time_s - f64::from(j) * interval + 0.05));
            let gaps = (0..=3).map(|j| quiet(time_s - (f64::from(j) + 0.42) * interval));
            let lowest = beats.fold(f32::INFINITY, f32::min);
            let highest = gaps.fold(f32::NEG_INFINITY, f32::max);
            let contrast_db = f64::from(lowest - highest);
            if contrast_db > 8.0 && best.is_none_or(|b| contrast_db > b.contrast_db) {
                best = Some(CountIn { interval_s: interval, contrast_db });
            }
        }
        best
    }

    /// Gives each marker its grouping once its later neighbours are known, and hands it over.
    fn report(&mut self, out: &mut Vec<Marker>) {
        let now = (self.stat_start + self.stats.len()) as f64 * self.hop as f64 / self.rate;
        while self.reported < self.found.len() {
            let time = self.found[self.reported].time_s;
            if !self.ended && now < time + GROUP_S + 0.5 {
                break;
            }
            // A machine's knocks are much alike; what is far less like a clap may lie between them.
            let min_score = self.options.min_score;
            let alike = self.found[self.reported].score.min(min_score) - ALIKE;
            let times_from =
                |least: f64| -> Vec<f64> { self.found.iter().filter(|m| m.score >= least).map(|m| m.time_s).collect() };
            let (times, claps) = (times_from(alike), times_from(min_score));
            let grouping = if is_periodic(&times, time) {
                Grouping::Periodic
            } else if claps.iter().any(|t| (t - time).abs() < 1.5 && *t != time) {
                Grouping::Series
            } else {
                Grouping::Isolated
            };
            let marker = &mut self.found[self.reported];
            marker.grouping = grouping;
            let good = marker.score >= min_score && grouping != Grouping::Periodic;
            if self.options.all || good {
                out.push(marker.clone());
            }
            self.reported += 1;
        }
        while self.reported > 0 && self.found[0].time_s < now - 2.0 * GROUP_S - 1.0 {
            self.found.pop_front();
            self.reported -= 1;
        }
    }
}

/// Finds the markers of a whole mono recording; times in seconds from its first sample.
///
/// ```
/// use coeval::marker::{MarkerOptions, find_markers};
///
/// // A hiss (a congruential generator), and 4 s into it 10 ms of something like a clap.
/// let mut state = 1u32;
/// let mut noise = || {
///     state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
///     (state >> 8) as f32 / (1 << 23) as f32 - 1.0
/// };
/// let sound: Vec<f32> = (0..8 * 48_000)
///     .map(|n| match n as f32 / 48_000.0 - 4.0 {
///         t if t >= 0.0 => (0.001 + 0.5 * (-t / 0.01).exp()) * noise(),
///         _ => 0.001 * noise(),
///     })
///     .collect();
/// let found = find_markers(&sound, 48_000.0, &MarkerOptions::default())?;
/// assert_eq!(found.len(), 1);
/// assert!((found[0].time_s - 4.0).abs() < 1e-3);
/// # Ok::<(), coeval::Error>(())
/// ```
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) when `rate_hz` is not within 8000 to 192000.
pub fn find_markers(mono: &[f32], rate_hz: f64, options: &MarkerOptions) -> Result<Vec<Marker>> {
    let mut detector = MarkerDetector::new(rate_hz, 1, options)?;
    let mut out = detector.push(mono)?;
    out.extend(detector.finish());
    Ok(out)
}

/// How many bands stand far above their background.
fn levels_over(levels: &[f32], background: &[[f32; 2]]) -> f64 {
    levels.iter().zip(background).filter(|(l, [median, high])| **l > high + 0.5 * (high - median).max(1.5)).count()
        as f64
}

struct Measures {
    decay_s: f64,
    ninety_s: f64,
    late: f64,
    bandwidth_hz: f64,
    centre_hz: f64,
}

/// The kind of sound by the course and the place of its energy.
fn classify(m: &Measures) -> Shape {
    if m.ninety_s < 0.0015 {
        Shape::Click
    } else if m.bandwidth_hz < 500.0 || m.centre_hz < 350.0 {
        Shape::Thud
    } else if m.late > 0.0 || m.decay_s > 0.065 {
        Shape::Burst
    } else {
        Shape::Clap
    }
}

/// Six or more in a row round `time` whose distances agree within 2.5 %.
fn is_periodic(times: &[f64], time: f64) -> bool {
    let near: Vec<f64> = times.iter().copied().filter(|t| (t - time).abs() <= GROUP_S).collect();
    near.windows(6).any(|w| {
        let interval = (w[5] - w[0]) / 5.0;
        w[0] <= time && time <= w[5] && w.windows(2).all(|p| ((p[1] - p[0]) - interval).abs() <= 0.025 * interval)
    })
}

/// Autoregressive coefficients by the autocorrelation method (Levinson-Durbin), with a white-noise
/// correction of -50 dB. `x[t]` is predicted by the sum of `a[i] * x[t - 1 - i]`.
fn autoregression(x: &[f64], order: usize) -> Vec<f64> {
    // The cosine by its recurrence: cos(k + 1) = 2 cos(1) cos(k) - cos(k - 1).
    let step = 2.0 * std::f64::consts::PI / x.len() as f64;
    let twice = 2.0 * step.cos();
    let (mut before, mut now) = ((-0.5 * step).cos(), (0.5 * step).cos());
    let tapered: Vec<f64> = x
        .iter()
        .map(|v| {
            let w = 0.5 - 0.5 * now;
            (before, now) = (now, twice * now - before);
            v * w
        })
        .collect();
    let mut r: Vec<f64> = (0..=order).map(|lag| dot(&tapered[lag..], &tapered)).collect();
    r[0] = r[0] * (1.0 + 1e-5) + 1e-12;
    let mut a = vec![0.0; order];
    let mut error = r[0];
    for i in 0..order {
        let acc = r[i + 1] - (0..i).map(|j| a[j] * r[i - j]).sum::<f64>();
        let k = acc / error;
        let previous = a.clone();
        a[i] = k;
        for j in 0..i {
            a[j] = previous[j] - k * previous[i - 1 - j];
        }
        error *= 1.0 - k * k;
    }
    a
}

/// Sum of products, in four parts that a processor adds at once; as far as the shorter reaches. Not `track`'s: a model
/// of order 20 wants double precision.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (fours, others) = a[..a.len().min(b.len())].as_chunks::<4>();
    let mut sums = [0.0; 4];
    for (x, y) in fours.iter().zip(b.as_chunks::<4>().0) {
        for k in 0..4 {
            sums[k] += x[k] * y[k];
        }
    }
    let done = 4 * fours.len();
    sums.iter().sum::<f64>() + others.iter().zip(&b[done..]).map(|(x, y)| x * y).sum::<f64>()
}

/// What the model `a` of [`autoregression`] does not predict of `x`.
fn residual(x: &[f64], a: &[f64]) -> Vec<f64> {
    let backward: Vec<f64> = a.iter().rev().copied().collect();
    (0..x.len())
        .map(|t| {
            let known = t.min(a.len());
            x[t] - dot(&backward[a.len() - known..], &x[t - known..t])
        })
        .collect()
}

/// The energy of sound that is whitened by an autoregressive model of its beginning.
struct Whitened {
    /// Running sums of squares, one more than samples.
    sum: Vec<f64>,
    noise_end: usize,
    /// Samples in a second.
    rate: f64,
    /// 0.7 ms, in samples.
    short: usize,
}

impl Whitened {
    /// Whitens by what comes before `noise_end`; where that is too short, not at all.
    fn new(x: &[f64], noise_end: usize, rate: f64) -> Self {
        let coefficients = if noise_end as f64 > 0.04 * rate {
            autoregression(&x[..noise_end], WHITEN_ORDER)
        } else {
            vec![0.0; WHITEN_ORDER]
        };
        let mut sum = vec![0.0; x.len() + 1];
        for (i, v) in residual(x, &coefficients).iter().enumerate() {
            sum[i + 1] = sum[i] + v * v;
        }
        Self { sum, noise_end, rate, short: ((0.0007 * rate).round() as usize).max(3) }
    }

    /// Mean energy from `a` to `b`, as far as there is sound; 0 for none.
    fn mean(&self, a: usize, b: usize) -> f64 {
        let last = self.sum.len() - 1;
        let (a, b) = (a.min(last), b.min(last));
        if b > a { (self.sum[b] - self.sum[a]) / (b - a) as f64 } else { 0.0 }
    }

    /// Mean energy of the beginning, never 0.
    fn noise(&self) -> f64 {
        self.mean(WHITEN_ORDER.min(self.noise_end), self.noise_end.max(WHITEN_ORDER + 1)).max(1e-12)
    }

    fn loudness(&self, i: usize) -> f64 {
        self.mean(i, i + self.short)
    }

    fn loudest(&self, range: std::ops::Range<usize>) -> f64 {
        range.map(|i| self.loudness(i)).fold(0.0, f64::max)
    }

    /// The onset of the first rise in `range` that is loud enough: mean, standard deviation and gain as [`pick_onset`].
    fn pick(&self, mut range: std::ops::Range<usize>, enough: f64) -> Option<(f64, f64, f64)> {
        let n = |seconds: f64| (seconds * self.rate).round() as usize;
        let end = range.end;
        let rise = range.find(|&i| self.loudness(i) >= enough)?;
        // On to the top of that rise.
        let top =
            (rise..(rise + 2 * self.short).min(end)).max_by(|&i, &j| self.loudness(i).total_cmp(&self.loudness(j)))?;
        let window = top.saturating_sub(n(0.012))..(top + self.short + n(0.0006)).min(self.sum.len() - 1);
        pick_onset(&self.sum, window, n(0.0005).max(4))
    }
}

/// AIC onset: `sum` are running sums of squares; `window` is searched, leaving `margin` samples on each
/// side. Returns mean and standard deviation of the split under the Akaike weights, in samples.
fn pick_onset(sum: &[f64], window: std::ops::Range<usize>, margin: usize) -> Option<(f64, f64, f64)> {
    let (a, b) = (window.start, window.end);
    if b < a + 2 * margin + 2 {
        return None;
    }
    let splits = a + margin..b - margin;
    let cost: Vec<f64> = splits
        .clone()
        .map(|k| {
            let before = ((sum[k] - sum[a]) / (k - a) as f64).max(1e-16);
            let after = ((sum[b] - sum[k]) / (b - k) as f64).max(1e-16);
            (k - a) as f64 * before.ln() + (b - k) as f64 * after.ln()
        })
        .collect();
    let least = cost.iter().copied().fold(f64::INFINITY, f64::min);
    let (mut weight, mut first, mut second) = (0.0, 0.0, 0.0);
    for (k, c) in splits.zip(&cost) {
        let w = (-0.5 * (c - least)).exp();
        weight += w;
        first += w * k as f64;
        second += w * (k as f64) * (k as f64);
    }
    let mean = first / weight;
    let spread = (second / weight - mean * mean).max(0.0).sqrt();
    let whole = ((sum[b] - sum[a]) / (b - a) as f64).max(1e-16);
    Some((mean, spread.max(0.5), (b - a) as f64 * whole.ln() - least))
}

/// The sound from 4 ms before `time_s` to 12 ms after, at [`WAVEFORM_RATE_HZ`].
fn waveform(x: &[f64], x_start_s: f64, rate: f64, time_s: f64) -> (Vec<f32>, f64) {
    let start_s = time_s - 0.004;
    let count = (0.016 * WAVEFORM_RATE_HZ) as usize;
    let wave = (0..count)
        .map(|i| {
            interpolate(
                x,
                (start_s + i as f64 / WAVEFORM_RATE_HZ - x_start_s) * rate,
                (WAVEFORM_RATE_HZ / rate).min(1.0),
            ) as f32
        })
        .collect();
    (wave, start_s)
}

/// Band-limited interpolation at a fractional sample: a sinc of 8 lobes a side under a raised cosine.
fn interpolate(x: &[f64], at: f64, cutoff: f64) -> f64 {
    let half = 8.0 / cutoff;
    let from = (at - half).ceil().max(0.0) as usize;
    let to = ((at + half).floor().max(0.0) as usize + 1).min(x.len());
    (from..to.max(from))
        .map(|i| {
            let d = i as f64 - at;
            let arg = std::f64::consts::PI * d * cutoff;
            let sinc = if arg.abs() < 1e-9 { 1.0 } else { arg.sin() / arg };
            x[i] * cutoff * sinc * (0.5 + 0.5 * (std::f64::consts::PI * d / half).cos())
        })
        .sum()
}

/// How two recordings' markers are matched.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct MatchOptions {
    /// Largest difference of the two clocks, in ppm, either way. 0 to 1200.
    pub max_drift_ppm: f64,
    /// Where the offset (`a` time minus `b` time at the start of `b`) is known to lie: lowest and highest
    /// value in seconds. `None`: anywhere.
    pub offset_range_s: Option<(f64, f64)>,
    /// Lengths of the two recordings, seconds; they tell how likely a chance coincidence is. `None`: from
    /// the first marker to the last.
    pub durations_s: Option<(f64, f64)>,
    /// Matches less certain than this are not returned, 0 to 1.
    pub min_confidence: f64,
}

impl Default for MatchOptions {
    fn default() -> Self {
        Self { max_drift_ppm: 500.0, offset_range_s: None, durations_s: None, min_confidence: 0.9 }
    }
}

/// One marker of each recording that are the same sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarkerPair {
    /// Index into the markers of `a`.
    pub ia: usize,
    /// Index into the markers of `b`.
    pub ib: usize,
    /// Its time in `a`, seconds, after comparing the two waveforms.
    pub a_s: f64,
    /// Its time in `b`, seconds.
    pub b_s: f64,
    /// One standard deviation of `a_s` given `b_s`, seconds.
    pub sigma_s: f64,
    /// The waveforms agreed and refined the times; otherwise the onsets stand as they were found.
    pub refined: bool,
}

/// How `b`'s clock relates to `a`'s by their markers alone.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct MarkerMatch {
    /// `a` time minus `b` time at the start of `b`, seconds.
    pub offset_s: f64,
    /// (seconds of `a` per second of `b` - 1) * 1e6.
    pub drift_ppm: f64,
    /// One standard deviation of `drift_ppm`.
    pub drift_sigma_ppm: f64,
    /// One standard deviation of the offset in the middle of the matched markers, seconds.
    pub uncertainty_s: f64,
    /// Root mean square of the pairs against the line, seconds.
    pub residual_rms_s: f64,
    /// Expected number of equally good matches by chance, for independent markers at these rates.
    pub chance: f64,
    /// Probability that the match is right: `exp(-chance)`, shared between rivals where there are any.
    pub confidence: f64,
    /// The matched markers, in time order.
    pub pairs: Vec<MarkerPair>,
}

/// Two markers of one sound may differ by this much more than their uncertainties say: paths differ.
const PATH_S: f64 = 0.002;
/// At most this many markers of each recording enter the search, the strongest first.
const MATCH_MOST: usize = 64;

/// Looks for the offset and drift under which the markers of `b` fall on those of `a`; `None` where chance
/// would do as well. Needs two matching markers or more: one clap in each recording proves nothing.
///
/// Every two pairs whose implied drift is allowed propose a line; the line with most markers in common
/// wins. The number of lines as good that unrelated markers would give is the number of proposals times
/// the binomial chance that as many further markers fall together by accident.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) for options out of range.
pub fn match_markers(a: &[Marker], b: &[Marker], options: &MatchOptions) -> Result<Option<MarkerMatch>> {
    if !(0.0..=1200.0).contains(&options.max_drift_ppm) {
        return Err(Error::new(
            ErrorKind::InvalidArgument,
            format!("max_drift_ppm is {}, not within 0 to 1200", options.max_drift_ppm),
        ));
    }
    if options.offset_range_s.is_some_and(|(low, high)| low > high || low.is_nan() || high.is_nan()) {
        return Err(Error::new(ErrorKind::InvalidArgument, "offset_range_s: the lowest value is above the highest"));
    }
    let strongest = |m: &[Marker]| {
        let mut order: Vec<usize> = (0..m.len()).filter(|&i| m[i].time_s.is_finite()).collect();
        order.sort_by(|&i, &j| m[j].snr_db.total_cmp(&m[i].snr_db).then(i.cmp(&j)));
        order.truncate(MATCH_MOST);
        order.sort_by(|&i, &j| m[i].time_s.total_cmp(&m[j].time_s));
        order
    };
    let (ka, kb) = (strongest(a), strongest(b));
    if ka.len() < 2 || kb.len() < 2 {
        return Ok(None);
    }
    let ta: Vec<f64> = ka.iter().map(|&i| a[i].time_s).collect();
    let tb: Vec<f64> = kb.iter().map(|&i| b[i].time_s).collect();
    let span = |t: &[f64]| t[t.len() - 1] - t[0];
    let (da, db) = options.durations_s.unwrap_or((span(&ta), span(&tb)));
    let (da, db) = (da.max(span(&ta)).max(1.0), db.max(span(&tb)).max(1.0));
    let slope_most = options.max_drift_ppm * 1e-6;
    let allowed = |offset: f64| options.offset_range_s.is_none_or(|(low, high)| low <= offset && offset <= high);
    let tolerance = |i: usize, j: usize| {
        3.0 * (a[ka[i]].uncertainty_s.powi(2) + b[kb[j]].uncertainty_s.powi(2)).sqrt().min(0.003) + PATH_S
    };

    let mut pairs: Vec<(f64, usize, usize)> =
        (0..ta.len()).flat_map(|i| (0..tb.len()).map(move |j| (i, j))).map(|(i, j)| (ta[i] - tb[j], i, j)).collect();
    pairs.sort_by(|p, q| p.0.total_cmp(&q.0).then(p.1.cmp(&q.1)));
    let reach = slope_most * (tb[tb.len() - 1] - tb[0]) + 2.0 * PATH_S + 0.02;
    let mut best: Vec<(usize, f64, f64, f64)> = Vec::new();
    let mut budget = 400_000usize;
    for (p, &(d1, i1, j1)) in pairs.iter().enumerate() {
        for &(d2, i2, j2) in pairs[p + 1..].iter().take_while(|q| q.0 - d1 <= reach) {
            if i1 == i2 || j1 == j2 || budget == 0 {
                continue;
            }
            let gap = tb[j2] - tb[j1];
            let slack = tolerance(i1, j1) + tolerance(i2, j2);
            if (d2 - d1).abs() > slope_most * gap.abs() + slack {
                continue;
            }
            budget -= 1;
            // Close together, two markers say nothing about drift.
            let slope = if (slope_most * gap.abs()) > 0.5 * slack { (d2 - d1) / gap } else { 0.0 };
            let slope = slope.clamp(-slope_most, slope_most);
            let offset = 0.5 * (d1 + d2) - slope * 0.5 * (tb[j1] + tb[j2]);
            if !allowed(offset) {
                continue;
            }
            let (count, misfit) = coincidences(&ta, &tb, offset, slope, &tolerance);
            best.push((count, misfit, offset, slope));
        }
    }
    best.sort_by(|p, q| q.0.cmp(&p.0).then(p.1.total_cmp(&q.1)));
    // A line through two markers, its slope held within the range, may pass one of them by.
    let Some(&(count, _, offset, slope)) = best.first().filter(|line| line.0 >= 2) else {
        return Ok(None);
    };
    // Chance: how many of the other markers lie in the common time, and how likely each meets one.
    let (from, to) = (offset.max(0.0), (offset + db * (1.0 + slope)).min(da));
    let inside = |t: &f64| *t >= from - 0.1 && *t <= to + 0.1;
    let na = ta.iter().filter(|t| inside(t)).count();
    let nb = tb.iter().filter(|t| inside(&(*t * (1.0 + slope) + offset))).count();
    let common = (to - from).max(1.0);
    let meets = (2.0 * (PATH_S + 0.001) * nb as f64 / common).min(1.0);
    let window = 2.0 * (slope_most * span(&tb) + 2.0 * PATH_S);
    // Proposals expected of unrelated markers, whatever was seen: pairs of pairs times the allowed share.
    let pairs_of_pairs = 0.5 * (ta.len() * (ta.len() - 1)) as f64 * (tb.len() * (tb.len() - 1)) as f64;
    let range = options.offset_range_s.map_or(1.0, |(low, high)| ((high - low) / (da + db)).clamp(1e-6, 1.0));
    let by_chance = (pairs_of_pairs * (window / da.max(db)).min(1.0) * range).max(0.0);
    let chance = by_chance * binomial_tail(na.min(nb).max(count) - 2, meets, count - 2) / triples(count);
    // A rival elsewhere with as many coincidences shares the certainty.
    let mut rivals: Vec<f64> = Vec::new();
    for r in best.iter().take_while(|r| r.0 == count) {
        let far = |o: f64| (r.2 - o).abs() > 0.05 + 2.0 * slope_most * span(&tb);
        if far(offset) && rivals.iter().all(|&o| far(o)) {
            rivals.push(r.2);
        }
    }
    let confidence = (-chance).exp() / (1 + rivals.len()) as f64;
    if confidence < options.min_confidence {
        return Ok(None);
    }
    let mut matched = Vec::new();
    for (i, j) in partners(&ta, &tb, offset, slope, &tolerance) {
        matched.push(refine(&a[ka[i]], &b[kb[j]], ka[i], kb[j]));
    }
    Ok(Some(fit_pairs(matched, options.max_drift_ppm, chance, confidence)))
}

/// Each set of `count` markers is proposed by every two of its members.
fn triples(count: usize) -> f64 {
    (count * (count - 1) / 2).max(1) as f64
}

/// Nearest partners within tolerance, each marker used once.
fn partners(
    ta: &[f64],
    tb: &[f64],
    offset: f64,
    slope: f64,
    tolerance: &dyn Fn(usize, usize) -> f64,
) -> Vec<(usize, usize)> {
    let mut out: Vec<(usize, usize)> = Vec::new();
    let mut i = 0;
    for (j, t) in tb.iter().enumerate() {
        let at = t * (1.0 + slope) + offset;
        while i < ta.len() && ta[i] < at - 0.02 {
            i += 1;
        }
        let near = (i..ta.len())
            .take_while(|&k| ta[k] <= at + 0.02)
            .filter(|&k| (ta[k] - at).abs() <= tolerance(k, j))
            .min_by(|&k, &l| (ta[k] - at).abs().total_cmp(&(ta[l] - at).abs()));
        if let Some(k) = near.filter(|k| out.last().is_none_or(|l| l.0 < *k)) {
            out.push((k, j));
        }
    }
    out
}

fn coincidences(
    ta: &[f64],
    tb: &[f64],
    offset: f64,
    slope: f64,
    tolerance: &dyn Fn(usize, usize) -> f64,
) -> (usize, f64) {
    let met = partners(ta, tb, offset, slope, tolerance);
    let misfit = met.iter().map(|&(i, j)| (ta[i] - tb[j] * (1.0 + slope) - offset).powi(2)).sum();
    (met.len(), misfit)
}

/// Probability of `k` or more successes among `n` at `p` each.
fn binomial_tail(n: usize, p: f64, k: usize) -> f64 {
    if k == 0 {
        return 1.0;
    }
    if p >= 1.0 {
        return if k <= n { 1.0 } else { 0.0 };
    }
    let mut term = (1.0 - p).powi(n as i32);
    let mut below = 0.0;
    let mut tail = 0.0;
    for i in 0..=n {
        if i < k {
            below += term;
        } else {
            tail += term;
        }
        term *= (n - i) as f64 / (i + 1) as f64 * p / (1.0 - p);
    }
    // The direct sum keeps small tails; where the first term underflows, the complement does.
    if below + tail > 0.5 { tail } else { (1.0 - below).clamp(0.0, 1.0) }
}

/// The pair's times, refined by correlating the two waveforms round their onsets where they agree.
fn refine(a: &Marker, b: &Marker, ia: usize, ib: usize) -> MarkerPair {
    let plain = MarkerPair {
        ia,
        ib,
        a_s: a.time_s,
        b_s: b.time_s,
        sigma_s: (a.uncertainty_s.powi(2) + b.uncertainty_s.powi(2) + 0.0002f64.powi(2)).sqrt(),
        refined: false,
    };
    // The first 4 ms carry the direct sound; later the two places hear different echoes.
    let count = (0.0055 * WAVEFORM_RATE_HZ) as usize;
    let lead = 0.0015;
    let high = |m: &Marker| -> Vec<f64> {
        // Less its mean over 2 ms: what wind and engine put below the clap.
        let x: Vec<f64> = m.waveform.iter().map(|v| f64::from(*v)).collect();
        let half = (0.001 * WAVEFORM_RATE_HZ) as usize;
        (0..x.len())
            .map(|i| {
                let near = &x[i.saturating_sub(half)..(i + half + 1).min(x.len())];
                x[i] - near.iter().sum::<f64>() / near.len() as f64
            })
            .collect()
    };
    let (xa, xb) = (high(a), high(b));
    let cut = |x: &[f64], m: &Marker, shift: f64| -> Vec<f64> {
        let at = (m.time_s - lead + shift - m.waveform_start_s) * WAVEFORM_RATE_HZ;
        (0..count).map(|i| interpolate(x, at + i as f64, 1.0)).collect()
    };
    let fixed = cut(&xb, b, 0.0);
    let energy: f64 = fixed.iter().map(|v| v * v).sum();
    if energy <= 0.0 {
        return plain;
    }
    let likeness = |shift: f64| {
        let moved = cut(&xa, a, shift);
        let e: f64 = moved.iter().map(|v| v * v).sum();
        moved.iter().zip(&fixed).map(|(p, q)| p * q).sum::<f64>() / (e * energy).sqrt().max(1e-30)
    };
    let step = 0.5 / WAVEFORM_RATE_HZ;
    let reach = 48i32;
    let curve: Vec<f64> = (-reach..=reach).map(|i| likeness(f64::from(i) * step)).collect();
    let Some(top) = (1..curve.len() - 1).max_by(|&i, &j| curve[i].total_cmp(&curve[j])) else {
        return plain;
    };
    let (l, c, r) = (curve[top - 1], curve[top], curve[top + 1]);
    if c < 0.6 || l > c || r > c {
        return plain;
    }
    let bend = 2.0 * c - l - r;
    let fraction = if bend > 1e-12 { 0.5 * (r - l) / bend } else { 0.0 };
    let shift = (f64::from(top as i32 - reach) + fraction.clamp(-0.5, 0.5)) * step;
    // Spread of a correlation peak from its curvature and from what does not agree, over the number of
    // independent samples; no better than a fiftieth of a millisecond.
    let curvature = bend / (step * step);
    let sigma_s = ((1.0 - c * c).max(1e-4) / (curvature.max(1.0) * count as f64 * 0.5)).sqrt().max(2e-5);
    MarkerPair { a_s: a.time_s + shift, sigma_s, refined: true, ..plain }
}

/// Weighted straight line through the pairs, drift held by what was allowed where the pairs do not tell.
fn fit_pairs(pairs: Vec<MarkerPair>, max_drift_ppm: f64, chance: f64, confidence: f64) -> MarkerMatch {
    let middle = pairs.iter().map(|p| p.b_s).sum::<f64>() / pairs.len() as f64;
    let mut weights: Vec<f64> = pairs.iter().map(|p| p.sigma_s.powi(-2)).collect();
    let prior = (0.5 * max_drift_ppm.max(1e-3) * 1e-6).powi(-2);
    let (mut level, mut slope, mut information) = (0.0, 0.0, [0.0; 3]);
    // Huber weights (k = 1.345), a few rounds: one wrong partner must not tilt the line.
    for _ in 0..8 {
        let (mut s0, mut s1, mut s2, mut y0, mut y1) = (0.0, 0.0, prior, 0.0, 0.0);
        for (p, w) in pairs.iter().zip(&weights) {
            let (t, y) = (p.b_s - middle, p.a_s - p.b_s);
            s0 += w;
            s1 += w * t;
            s2 += w * t * t;
            y0 += w * y;
            y1 += w * t * y;
        }
        let det = s0 * s2 - s1 * s1;
        level = (s2 * y0 - s1 * y1) / det;
        slope = (s0 * y1 - s1 * y0) / det;
        information = [s0, s1, s2];
        for (w, p) in weights.iter_mut().zip(&pairs) {
            let misfit = (p.a_s - p.b_s - level - slope * (p.b_s - middle)).abs() / p.sigma_s;
            *w = p.sigma_s.powi(-2) * if misfit > 1.345 { 1.345 / misfit } else { 1.0 };
        }
    }
    let det = information[0] * information[2] - information[1] * information[1];
    let misfit = |p: &MarkerPair| p.a_s - p.b_s - level - slope * (p.b_s - middle);
    let square: f64 = pairs.iter().map(|p| misfit(p).powi(2)).sum();
    let normal: f64 = pairs.iter().map(|p| (misfit(p) / p.sigma_s).powi(2)).sum();
    // Pairs that scatter more than they claim widen the band; fewer than four cannot tell.
    let scale = if pairs.len() > 3 { (normal / (pairs.len() - 2) as f64).sqrt().max(1.0) } else { 1.0 };
    MarkerMatch {
        offset_s: level - slope * middle,
        drift_ppm: slope * 1e6,
        drift_sigma_ppm: scale * (information[0] / det).sqrt() * 1e6,
        uncertainty_s: scale * (information[2] / det).sqrt(),
        residual_rms_s: (square / pairs.len() as f64).sqrt(),
        chance,
        confidence,
        pairs,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seeded noise, uniform, zero mean, +-1.
    struct Noise(u64);

    impl Noise {
        fn next(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        }
    }

    /// A clap: noise from a sharp start, dying away in `decay_s`, with a room's fainter tail. Starts at
    /// `at_s` exactly, between samples too, because the noise is made finely and thinned.
    fn add_clap(x: &mut [f32], rate: f64, at_s: f64, peak: f64, seed: u64) {
        let fine = 8.0;
        let step = 1.0 / (48_000.0 * fine);
        let mut noise = Noise(seed);
        let mut low = 0.0;
        // One source of sound whatever the rate: it is low-passed near 6 kHz and read by interpolation.
        let course: Vec<f64> = (0..(0.25 / step) as usize)
            .map(|i| {
                let t = i as f64 * step;
                low += 0.1 * (noise.next() * fine.sqrt() - low);
                low * ((-t / 0.006).exp() + 0.12 * (-t / 0.05).exp())
            })
            .collect();
        let most = course.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let from = (at_s * rate).ceil() as usize;
        for (i, v) in x.iter_mut().enumerate().skip(from).take((0.24 * rate) as usize) {
            let place = (i as f64 / rate - at_s) / step;
            let k = place as usize;
            let part = place - k as f64;
            *v += (peak / most * (course[k] * (1.0 - part) + course[k + 1] * part)) as f32;
        }
    }

    /// An engine: low-passed noise with a firing frequency, and a little noise above.
    fn engine(seconds: f64, rate: f64, rms: f64, seed: u64) -> Vec<f32> {
        let mut noise = Noise(seed);
        let (mut l1, mut l2) = (0.0, 0.0);
        let c = 1.0 - (-2.0 * std::f64::consts::PI * 400.0 / rate).exp();
        let mut x: Vec<f64> = (0..(seconds * rate) as usize)
            .map(|i| {
                let n = noise.next();
                l1 += c * (n - l1);
                l2 += c * (l1 - l2);
                let t = i as f64 / rate;
                l2 + 0.05 * (2.0 * std::f64::consts::PI * 46.3 * t).sin() + 0.004 * n
            })
            .collect();
        let now = (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
        x.iter_mut().for_each(|v| *v *= rms / now);
        x.iter().map(|v| *v as f32).collect()
    }

    #[test]
    fn a_first_stroke_that_only_the_highest_octave_shows_is_the_onset() {
        let rate = 48_000.0;
        let mut x = engine(9.0, rate, 0.02, 5);
        add_clap(&mut x, rate, 5.004, 0.1, 11);
        for (i, v) in x.iter_mut().enumerate().skip((5.0 * rate) as usize).take((0.001 * rate) as usize) {
            *v += 0.015 * (2.0 * std::f64::consts::PI * 20_000.0 * i as f64 / rate).sin() as f32;
        }
        let found = find_markers(&x, rate, &MarkerOptions::default()).expect("a good rate");
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].time_s - 5.0).abs() < 2e-4, "{}", found[0].time_s);
    }

    #[test]
    fn finds_a_clap_in_engine_noise_to_a_fifth_of_a_millisecond_at_every_rate() {
        for rate in [8000.0, 16_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            let mut x = engine(9.0, rate, 0.02, 5);
            let at = 4.123_456_7;
            add_clap(&mut x, rate, at, 0.2, 77);
            let found = find_markers(&x, rate, &MarkerOptions::default()).unwrap();
            assert_eq!(found.len(), 1, "at {rate} Hz: {found:?}");
            let m = &found[0];
            assert!((m.time_s - at).abs() < 0.0002, "at {rate} Hz: {} ms off", (m.time_s - at) * 1e3);
            assert_eq!(m.shape, Shape::Clap);
            assert_eq!(m.grouping, Grouping::Isolated);
            // Slower rates miss the peak itself, 44.1 kHz by a decibel; the engine under it takes or adds 1.6 dB.
            assert!(rate < 44_100.0 || (-15.3..=-12.4).contains(&m.peak_dbfs), "at {rate} Hz: {} dBFS", m.peak_dbfs);
        }
    }

    #[test]
    fn blocks_do_not_matter_and_channels_are_mixed() {
        let mut x = engine(12.0, 48_000.0, 0.02, 9);
        add_clap(&mut x, 48_000.0, 3.3, 0.3, 1);
        add_clap(&mut x, 48_000.0, 8.8, 0.3, 2);
        let whole = find_markers(&x, 48_000.0, &MarkerOptions::default()).unwrap();
        assert_eq!(whole.len(), 2);
        let stereo: Vec<f32> = x.iter().flat_map(|v| [*v, *v]).collect();
        let mut detector = MarkerDetector::new(48_000.0, 2, &MarkerOptions::default()).unwrap();
        let mut parts = Vec::new();
        for block in stereo.chunks(2 * 331) {
            parts.extend(detector.push(block).unwrap());
        }
        parts.extend(detector.finish());
        assert_eq!(format!("{whole:?}"), format!("{parts:?}"));
    }

    #[test]
    fn a_series_is_a_series_and_a_machine_is_periodic() {
        let mut x = engine(30.0, 48_000.0, 0.01, 3);
        let claps: Vec<f64> = (0..3u32).map(|i| 5.0 + 0.61 * f64::from(i) + 0.03 * f64::from(i * i)).collect();
        let knocks: Vec<f64> = (0..12).map(|i| 15.0 + 0.8 * f64::from(i)).collect();
        claps.iter().zip(10..).for_each(|(t, seed)| add_clap(&mut x, 48_000.0, *t, 0.3, seed));
        knocks.iter().for_each(|t| add_clap(&mut x, 48_000.0, *t, 0.3, 50));
        let options = MarkerOptions { all: true, ..MarkerOptions::default() };
        let found = find_markers(&x, 48_000.0, &options).unwrap();
        let groupings = |times: &[f64]| -> Vec<Option<Grouping>> {
            let near = |t: &f64| found.iter().find(|m| (m.time_s - t).abs() < 0.002).map(|m| m.grouping);
            times.iter().map(near).collect()
        };
        assert_eq!(groupings(&claps), [Some(Grouping::Series); 3]);
        assert_eq!(groupings(&knocks), [Some(Grouping::Periodic); 12]);
        assert_eq!(find_markers(&x, 48_000.0, &MarkerOptions::default()).unwrap().len(), 3);
    }

    #[test]
    fn a_click_of_one_sample_and_a_burst_are_no_claps() {
        let rate = 48_000.0;
        let mut x = engine(20.0, rate, 0.01, 4);
        for at in [3.0, 9.0] {
            x[(at * rate) as usize] += 0.5;
        }
        let mut noise = Noise(8);
        for v in &mut x[(15.0 * rate) as usize..(15.6 * rate) as usize] {
            *v += 0.1 * noise.next() as f32;
        }
        let options = MarkerOptions { all: true, ..MarkerOptions::default() };
        let found = find_markers(&x, rate, &options).unwrap();
        let shape = |at: f64| found.iter().find(|m| (m.time_s - at).abs() < 0.005).map(|m| m.shape);
        assert_eq!(shape(3.0), Some(Shape::Click));
        assert_eq!(shape(9.0), Some(Shape::Click));
        assert_eq!(shape(15.0), Some(Shape::Burst));
        assert!(find_markers(&x, rate, &MarkerOptions::default()).unwrap().is_empty());
    }

    #[test]
    fn silence_and_odd_input_are_answered() {
        assert!(find_markers(&[], 48_000.0, &MarkerOptions::default()).unwrap().is_empty());
        assert!(find_markers(&[0.0; 100_000], 48_000.0, &MarkerOptions::default()).unwrap().is_empty());
        assert!(find_markers(&[f32::NAN; 100_000], 8000.0, &MarkerOptions::default()).unwrap().is_empty());
        // Far beyond full scale, with silence round it.
        let mut loud = vec![0.0; 100_000];
        loud[50_000..50_200].fill(f32::MAX);
        loud[50_100] = f32::MIN;
        let all = MarkerOptions { all: true, ..MarkerOptions::default() };
        for m in find_markers(&loud, 48_000.0, &all).unwrap() {
            assert!([m.time_s, m.sharpness_db, m.peak_dbfs, m.snr_db, m.score].iter().all(|f| f.is_finite()), "{m:?}");
        }
        assert!(find_markers(&[1.0; 100_000], 8000.0, &MarkerOptions::default()).unwrap().is_empty());
        assert!(find_markers(&[0.0; 10], 7999.0, &MarkerOptions::default()).is_err());
        assert!(MarkerDetector::new(48_000.0, 0, &MarkerOptions::default()).is_err());
        assert!(MarkerDetector::new(48_000.0, 2, &MarkerOptions::default()).unwrap().push(&[0.0; 3]).is_err());
    }

    /// Three claps, nothing else in common: noises differ, clocks differ by 37.5 ppm, rates differ.
    #[test]
    fn three_claps_an_hour_apart_give_drift_to_one_ppm() {
        let (drift, offset) = (37.5e-6, 812.25);
        let claps = [100.0, 3700.0, 7300.0];
        let (mut a, mut b) = (Vec::new(), Vec::new());
        for (i, t) in claps.iter().enumerate() {
            // Only the seconds round each clap are made; times are put right afterwards.
            let seed = i as u64;
            let b_at = t - 40.0;
            let a_at = offset + b_at * (1.0 + drift);
            for (list, at, rate, noise) in [(&mut a, a_at, 48_000.0, 100 + seed), (&mut b, b_at, 44_100.0, 200 + seed)]
            {
                let mut x = engine(9.0, rate, 0.02, noise);
                let base = at - 4.0;
                let base = (base * rate).floor() / rate;
                add_clap(&mut x, rate, at - base, 0.2, 1000 + seed);
                for mut m in find_markers(&x, rate, &MarkerOptions::default()).unwrap() {
                    m.time_s += base;
                    m.waveform_start_s += base;
                    list.push(m);
                }
            }
        }
        let options = MatchOptions { durations_s: Some((9000.0, 8000.0)), ..MatchOptions::default() };
        let m = match_markers(&a, &b, &options).unwrap().expect("three claps match");
        assert_eq!(m.pairs.len(), 3);
        assert!((m.drift_ppm - 37.5).abs() < 0.1, "{} ppm", m.drift_ppm);
        assert!((m.offset_s - offset).abs() < 0.0003, "{} s", m.offset_s - offset);
        assert!(m.drift_sigma_ppm < 0.1 && m.chance < 1e-3, "{m:?}");
        assert!(m.pairs.iter().all(|p| p.refined));
        // The other way round.
        let r = match_markers(&b, &a, &options).unwrap().expect("and the other way round");
        assert!((r.drift_ppm + 37.5).abs() < 0.1 && (r.offset_s + offset / (1.0 + drift)).abs() < 0.0005);
    }

    fn bare(time_s: f64, seed: u64) -> Marker {
        let mut noise = Noise(seed);
        Marker {
            time_s,
            uncertainty_s: 1e-4,
            sharpness_db: 20.0,
            peak_dbfs: -10.0,
            snr_db: 20.0 + noise.next(),
            decay_s: 0.01,
            bandwidth_hz: 5000.0,
            centre_hz: 2000.0,
            shape: Shape::Clap,
            grouping: Grouping::Isolated,
            count_in: None,
            waveform: (0..256).map(|_| noise.next() as f32).collect(),
            waveform_start_s: time_s - 0.004,
            score: 5.0,
            measures: [0.0; MEASURES.len()],
            levels: Vec::new(),
        }
    }

    /// Of 300 pairs of unrelated lists none may be matched with confidence; the stated chance must not be
    /// smaller than what happens.
    #[test]
    fn unrelated_markers_do_not_match() {
        let mut noise = Noise(42);
        let mut wrong = 0;
        for round in 0..300u64 {
            let mut list = |seconds: f64, seed: u64| {
                let mut t: Vec<f64> = (0..3 + (round % 30)).map(|_| (noise.next() + 1.0) * 0.5 * seconds).collect();
                t.sort_by(f64::total_cmp);
                t.iter().enumerate().map(|(i, t)| bare(*t, seed + i as u64)).collect::<Vec<_>>()
            };
            let (a, b) = (list(3600.0, round * 1000), list(3000.0, round * 1000 + 500));
            let options =
                MatchOptions { durations_s: Some((3600.0, 3000.0)), min_confidence: 0.99, ..MatchOptions::default() };
            if match_markers(&a, &b, &options).unwrap().is_some() {
                wrong += 1;
            }
        }
        assert!(wrong <= 3, "{wrong} of 300 unrelated pairs matched at 0.99");
    }

    #[test]
    fn one_clap_each_proves_nothing_and_bad_options_are_refused() {
        let options = MatchOptions::default();
        assert!(match_markers(&[bare(1.0, 1)], &[bare(5.0, 1)], &options).unwrap().is_none());
        assert!(match_markers(&[], &[], &options).unwrap().is_none());
        assert!(match_markers(&[], &[], &MatchOptions { max_drift_ppm: 2000.0, ..options.clone() }).is_err());
        assert!(match_markers(&[], &[], &MatchOptions { offset_range_s: Some((1.0, 0.0)), ..options }).is_err());
    }

    #[test]
    fn a_count_before_the_clap_is_heard() {
        let rate = 48_000.0;
        let mut x = engine(14.0, rate, 0.003, 6);
        // Three words of some 250 ms each, 0.6 s apart, then the clap on the fourth beat.
        for beat in 0..3 {
            let from = 6.0 + 0.6 * f64::from(beat);
            for i in 0..(0.25 * rate) as usize {
                let t = i as f64 / rate;
                let swell = (std::f64::consts::PI * t / 0.25).sin();
                let voice: f64 = (1..=12)
                    .map(|h| (2.0 * std::f64::consts::PI * 140.0 * f64::from(h) * t).sin() / f64::from(h))
                    .sum();
                x[(from * rate) as usize + i] += (0.05 * swell * voice) as f32;
            }
        }
        add_clap(&mut x, rate, 7.8, 0.4, 3);
        let found = find_markers(&x, rate, &MarkerOptions::default()).unwrap();
        let clap = found.iter().find(|m| (m.time_s - 7.8).abs() < 0.001).expect("the clap is found");
        let count = clap.count_in.expect("and its count");
        assert!((count.interval_s - 0.6).abs() < 0.05, "{count:?}");
    }
}
