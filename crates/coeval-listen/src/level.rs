//! Level check: is this recording loud enough, clean enough, and whole?
//!
//! [`LevelMeter`] takes blocks and keeps counts, not sound. It measures, per channel, sample peak, true
//! peak (ITU-R BS.1770, four times oversampled below 96 kHz, twice below 192 kHz), offset from zero, runs of
//! clipped samples and the active speech level (ITU-T P.56, method B); and over the whole, loudness (ITU-R
//! BS.1770, EBU Tech 3341 and 3342), stretches of digital silence, drop-outs, mains hum and the noise floor.

use std::collections::VecDeque;

use coeval_transform::Forward;
use ebur128::{Channel, EbuR128, Mode};
use serde::{Deserialize, Serialize};

use coeval::Result;
use coeval::samples::{check_channels, check_frames, check_rate, greater};

use crate::true_peak::{TruePeak, internal};

/// Samples at or above this magnitude count as clipped, three or more in a row: -0.1 dB below full scale.
const CLIP: f32 = 0.988_55;
const CLIP_RUN: u64 = 3;
/// At most this many places of each kind are listed; the counts go on.
const LISTED: usize = 1000;
/// Shorter stretches of zeros than this are drop-outs when there is sound before them, longer ones silence.
const SILENCE_S: f64 = 0.1;
const DROPOUT_S: f64 = 0.001;
/// The sound before a drop-out: a 16-bit recording of a quiet room holds zeros too.
const DROPOUT_ABOVE: f64 = 1e-5;

/// A stretch of a file.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LevelStretch {
    /// Where it starts, seconds after the first sample.
    pub start_s: f64,
    /// How long it is, seconds.
    pub length_s: f64,
}

/// One channel's readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ChannelLevel {
    /// Largest sample magnitude, dB relative to full scale; minus infinity for silence.
    pub sample_peak_dbfs: f64,
    /// Largest magnitude between samples too, dB relative to full scale (dBTP).
    pub true_peak_dbtp: f64,
    /// Mean of the samples, full scale is 1.
    pub dc: f64,
    /// Root mean square, dB relative to full scale (a full-scale square wave is 0).
    pub rms_dbfs: f64,
    /// Number of runs of three or more clipped samples.
    pub clipped_runs: u64,
    /// Number of samples in them.
    pub clipped_samples: u64,
    /// Level of the active part by ITU-T P.56 method B, dB relative to full scale; `None` when the sound
    /// never rises 15.9 dB over a threshold, as silence does not.
    pub active_level_dbfs: Option<f64>,
    /// Share of the time that the active part takes, 0 to 1.
    pub activity: f64,
}

/// Lines of the mains in the sound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Hum {
    /// The mains frequency that the lines belong to, as measured, Hz.
    pub base_hz: f64,
    /// Level of all lines together, dB relative to full scale.
    pub level_dbfs: f64,
    /// Frequency in Hz, level in dBFS and height above the neighbouring spectrum in dB of each line found.
    pub lines: Vec<(f64, f64, f64)>,
}

/// What [`LevelMeter`] found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct LevelReport {
    /// Length of the sound, seconds.
    pub duration_s: f64,
    /// Each channel's readings.
    pub channels: Vec<ChannelLevel>,
    /// Integrated loudness, LUFS; a single channel counts as both ears. `None`: nothing above the gate.
    pub integrated_lufs: Option<f64>,
    /// Largest momentary loudness (0.4 s), LUFS.
    pub momentary_max_lufs: Option<f64>,
    /// Largest short-term loudness (3 s), LUFS.
    pub short_term_max_lufs: Option<f64>,
    /// Loudness range, LU.
    pub loudness_range_lu: Option<f64>,
    /// Level that the quietest tenth of the 50 ms frames stays below, all channels together, without digital
    /// silence; dB relative to full scale.
    pub noise_floor_dbfs: Option<f64>,
    /// Mains hum.
    pub hum: Option<Hum>,
    /// The first thousand clipped runs of all channels.
    pub clipping: Vec<LevelStretch>,
    /// Digital silence of 0.1 s or more in every channel, the first thousand stretches.
    pub silence: Vec<LevelStretch>,
    /// All digital silence together, seconds.
    pub silence_total_s: f64,
    /// Zeros for 1 to 100 ms in every channel amid sound, the first thousand.
    pub dropouts: Vec<LevelStretch>,
    /// Number of drop-outs.
    pub dropout_count: u64,
}

/// What a person should know or do about a recording's level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Advice {
    /// It spoils the recording, rather than being worth knowing.
    pub serious: bool,
    /// In words.
    pub text: String,
}

/// ITU-T P.56 method B for one channel.
#[derive(Debug)]
struct ActiveLevel {
    keep: f64,
    /// What a block leaves of the means before it, and what each of its samples adds to the mean of magnitudes and to the mean
    /// of that.
    kept: f64,
    once: Vec<f64>,
    twice: Vec<f64>,
    hang: u64,
    p: f64,
    q: f64,
    count: u64,
    square: f64,
    active: [u64; Self::STEPS],
    since: [u64; Self::STEPS],
}

impl ActiveLevel {
    /// Thresholds at full scale / 2, / 4, ... / 2^16.
    const STEPS: usize = 16;
    /// The active level lies this far above its threshold: ITU-T P.56, the margin of method B (from memory).
    const MARGIN_DB: f64 = 15.9;

    /// The envelope is held against the thresholds at every so many samples: it moves by 2 % of itself meanwhile, while
    /// sixteen comparisons a sample would cost more than all else that is measured.
    fn every(rate_hz: f64) -> usize {
        (rate_hz / 1500.0).floor().max(1.0) as usize
    }

    fn new(rate_hz: f64) -> Self {
        let every = Self::every(rate_hz);
        let hang = (0.2 * rate_hz / every as f64).round() as u64;
        let keep = (-1.0 / (0.03 * rate_hz)).exp();
        let after = |i: usize| (1.0 - keep) * keep.powi((every - 1 - i) as i32);
        Self {
            keep,
            kept: keep.powi(every as i32),
            once: (0..every).map(after).collect(),
            twice: (0..every).map(|i| after(i) * (1.0 - keep) * (every - i) as f64).collect(),
            hang,
            p: 0.0,
            q: 0.0,
            count: 0,
            square: 0.0,
            active: [0; Self::STEPS],
            since: [hang; Self::STEPS],
        }
    }

    /// The next [`every`](Self::every) samples, and the sum of their squares; at the end fewer.
    ///
    /// The two exponential means are not run through: after a block each is a weighted sum of what it was before and of the
    /// magnitudes, with weights that are known.
    fn push(&mut self, block: &[f32], square: f64) {
        self.square += square;
        self.count += block.len() as u64;
        if block.len() < self.once.len() {
            return;
        }
        let (mut once, mut twice) = ([0.0; LANES], [0.0; LANES]);
        let (eights, rest) = block.as_chunks::<LANES>();
        let weights = self.once.as_chunks::<LANES>().0.iter().zip(self.twice.as_chunks::<LANES>().0);
        for (x, (v, w)) in eights.iter().zip(weights) {
            for i in 0..LANES {
                let magnitude = f64::from(x[i].abs());
                once[i] += v[i] * magnitude;
                twice[i] += w[i] * magnitude;
            }
        }
        let from = block.len() - rest.len();
        for (i, (x, (v, w))) in rest.iter().zip(self.once[from..].iter().zip(&self.twice[from..])).enumerate() {
            let magnitude = f64::from(x.abs());
            once[i] += v * magnitude;
            twice[i] += w * magnitude;
        }
        self.q = self.kept * (self.q + block.len() as f64 * (1.0 - self.keep) * self.p) + twice.iter().sum::<f64>();
        self.p = self.kept * self.p + once.iter().sum::<f64>();
        let mut threshold = 1.0;
        for (active, since) in self.active.iter_mut().zip(&mut self.since) {
            threshold *= 0.5;
            if self.q >= threshold {
                *active += 1;
                *since = 0;
            } else if *since < self.hang {
                *active += 1;
                *since += 1;
            }
        }
    }

    /// Active level in dBFS and activity.
    fn result(&self) -> (Option<f64>, f64) {
        let levels: Vec<(f64, f64)> = (0..Self::STEPS)
            .filter(|&j| self.active[j] > 0)
            .map(|j| {
                (
                    10.0 * (self.square / (self.once.len() as u64 * self.active[j]) as f64).log10(),
                    -6.020_599_913 * (j + 1) as f64,
                )
            })
            .collect();
        // From the highest threshold down, the level's height over it grows; it is read where that is the margin.
        for w in levels.windows(2) {
            let (above, below) = (w[0].0 - w[0].1, w[1].0 - w[1].1);
            if above <= Self::MARGIN_DB && below >= Self::MARGIN_DB && below > above {
                let part = (Self::MARGIN_DB - above) / (below - above);
                let level = w[0].0 + part * (w[1].0 - w[0].0);
                let whole = 10.0 * (self.square / self.count as f64).log10();
                return (Some(level), 10f64.powf((whole - level) / 10.0).min(1.0));
            }
        }
        (None, 0.0)
    }
}

#[derive(Debug, Default, Clone)]
struct ChannelState {
    peak: f32,
    sum: f64,
    square: f64,
    run: u64,
    runs: u64,
    clipped: u64,
}

/// Mean spectrum of 4 s frames at some 2 to 4 kHz, for the mains' lines.
struct HumFinder {
    rate: f64,
    /// Two running means of so many samples in cascade keep what lies above out well enough for lines: a triangle, whose
    /// rising half lies on the samples of one turn and whose falling half on those of the next.
    rising: Vec<f64>,
    /// The samples of a turn that is not whole yet, and the sum under the rising half of the turn before.
    turn: Vec<f64>,
    before: f64,
    samples: Vec<f32>,
    fft: Forward,
    window: Vec<f32>,
    power: Vec<f64>,
    frames: u64,
}

impl HumFinder {
    fn new(rate_hz: f64) -> Self {
        let factor = ((rate_hz / 2000.0).floor() as usize).max(1);
        let rate = rate_hz / factor as f64;
        let length = 2 * (2.0 * rate).round() as usize;
        let window = (0..length)
            .map(|i| (0.5 - 0.5 * (2.0 * std::f64::consts::PI * i as f64 / length as f64).cos()) as f32)
            .collect();
        let fft = coeval_transform::real(length).0;
        let power = vec![0.0; length / 2 + 1];
        Self {
            rate,
            rising: (0..factor).map(|i| i as f64).collect(),
            turn: Vec::new(),
            before: 0.0,
            samples: Vec::new(),
            fft,
            window,
            power,
            frames: 0,
        }
    }

    fn push(&mut self, mut mono: &[f64]) {
        let factor = self.rising.len();
        let mut turn = std::mem::take(&mut self.turn);
        if !turn.is_empty() {
            let (first, rest) = mono.split_at(mono.len().min(factor - turn.len()));
            turn.extend_from_slice(first);
            mono = rest;
            if turn.len() == factor {
                self.whole_turn(&turn);
                turn.clear();
            }
        }
        let whole = mono.chunks_exact(factor);
        turn.extend_from_slice(whole.remainder());
        whole.for_each(|mono| self.whole_turn(mono));
        self.turn = turn;
    }

    fn whole_turn(&mut self, mono: &[f64]) {
        let factor = mono.len() as f64;
        let rising = sum_of_products(mono, &self.rising);
        let falling = factor * sum(mono) - rising;
        let before = std::mem::replace(&mut self.before, rising);
        self.take((falling + before) / (factor * factor));
    }

    fn take(&mut self, sample: f64) {
        self.samples.push(sample as f32);
        if self.samples.len() == self.window.len() {
            let mut block: Vec<f32> = self.samples.iter().zip(&self.window).map(|(a, b)| a * b).collect();
            let mut spectrum = self.fft.make_output_vec();
            if self.fft.process(&mut block, &mut spectrum).is_ok() {
                self.power.iter_mut().zip(&spectrum).for_each(|(p, c)| *p += f64::from(c.norm_sqr()));
                self.frames += 1;
            }
            self.samples.drain(..self.window.len() / 2);
        }
    }

    /// Three or more of the first eight multiples of 50 or 60 Hz, each a line no wider than the window's own
    /// and 10 dB above what lies 2 to 6 Hz beside it. An engine's orders wander by more than that.
    fn result(&self) -> Option<Hum> {
        if self.frames == 0 {
            return None;
        }
        let length = self.window.len() as f64;
        let bin = self.rate / length;
        // A line of amplitude A sums to A^2/2 over its main lobe with this scale (Hann: sum of w^2 = 3/8 N).
        let scale = 2.0 / (length * length * 0.375) / self.frames as f64;
        let line = |hz: f64| -> Option<(f64, f64, f64)> {
            let reach = (0.003 * hz / bin).ceil().max(1.0) as usize;
            let centre = (hz / bin).round() as usize;
            let side = (6.0 / bin) as usize;
            if centre < side + 2 || centre + side + 2 >= self.power.len() || hz > 0.45 * self.rate {
                return None;
            }
            let top = (centre - reach..=centre + reach).max_by(|&i, &j| self.power[i].total_cmp(&self.power[j]))?;
            let near = (2.0 / bin) as usize;
            let mut beside: Vec<f64> = (near..side)
                .flat_map(|d| [self.power[top - d.min(top)], self.power[(top + d).min(self.power.len() - 1)]])
                .collect();
            let middle = beside.len() / 2;
            let floor = *beside.select_nth_unstable_by(middle, f64::total_cmp).1;
            let lobe: f64 = self.power[top - 2..=top + 2].iter().sum();
            let skirt: f64 = (3..=6).map(|d| self.power[top - d] + self.power[top + d]).sum::<f64>();
            let height = 10.0 * (self.power[top] / floor.max(1e-30)).log10();
            let narrow = lobe > 8.0 * skirt;
            let (l, c, r) = (self.power[top - 1].sqrt(), self.power[top].sqrt(), self.power[top + 1].sqrt());
            let shift = if 2.0 * c > l + r { 0.5 * (r - l) / (2.0 * c - l - r) } else { 0.0 };
            (height >= 10.0 && narrow).then(|| {
                ((top as f64 + shift.clamp(-0.5, 0.5)) * bin, 10.0 * (lobe * scale).max(1e-30).log10(), height)
            })
        };
        let hum = [50.0, 60.0].map(|base| {
            let lines: Vec<(f64, f64, f64)> = (1..=8).filter_map(|h| line(base * f64::from(h))).collect();
            let power: f64 = lines.iter().map(|l| 10f64.powf(l.1 / 10.0)).sum();
            (base, lines, power)
        });
        let (base, lines, power) =
            hum.into_iter().max_by(|a, b| a.1.len().cmp(&b.1.len()).then(a.2.total_cmp(&b.2)))?;
        let level_dbfs = 10.0 * power.max(1e-30).log10();
        if lines.len() < 3 || level_dbfs < -90.0 {
            return None;
        }
        let base_hz = lines.iter().map(|l| l.0 / (l.0 / base).round()).sum::<f64>() / lines.len() as f64;
        Some(Hum { base_hz, level_dbfs, lines })
    }
}

/// Measures a recording's levels as its blocks go by.
///
/// ```
/// use coeval_listen::level::LevelMeter;
///
/// // EBU Tech 3341, test signal 1: a sine of 1 kHz in both channels, peaks at -23 dBFS, is as loud as -23 LUFS.
/// let mut meter = LevelMeter::new(48_000, 2)?;
/// let step = std::f32::consts::TAU * 1000.0 / 48_000.0;
/// for second in 0..20 {
///     let sine = (0..48_000).map(|n| 10f32.powf(-23.0 / 20.0) * ((second * 48_000 + n) as f32 * step).sin());
///     meter.push(&sine.flat_map(|x| [x, x]).collect::<Vec<f32>>())?;
/// }
/// let report = meter.finish()?;
/// assert!((report.integrated_lufs.unwrap() + 23.0).abs() < 0.1);
/// assert!(report.dropouts.is_empty() && report.channels.iter().all(|c| c.clipped_samples == 0));
/// # Ok::<(), coeval::Error>(())
/// ```
pub struct LevelMeter {
    rate: f64,
    frames: u64,
    channels: Vec<ChannelState>,
    speech: Vec<ActiveLevel>,
    loudness: EbuR128,
    peaks: TruePeak,
    /// Energy of the last tenths of a second, the latest first.
    tenths: VecDeque<f64>,
    momentary_max: f64,
    short_term_max: f64,
    until_reading: usize,
    hum: HumFinder,
    frame_power: (f64, usize, bool),
    levels: Vec<u64>,
    zeros: u64,
    /// Exponential mean of the power, without digital silence; what a frame leaves of it, and what each frame of a block adds.
    power_before: f64,
    remember: f64,
    recent: Vec<f64>,
    clipping: Vec<LevelStretch>,
    silence: Vec<LevelStretch>,
    silence_total: u64,
    dropouts: Vec<LevelStretch>,
    dropout_count: u64,
    clean: Vec<f32>,
    /// Frames of a block that is not whole yet, interleaved.
    pending: Vec<f32>,
    mix: Mix,
}

/// Scratch space for a block.
#[derive(Default)]
struct Mix {
    /// The samples of one channel.
    one: Vec<f32>,
    /// Of each frame, the sum of the squares of all channels, and the sum.
    power: Vec<f64>,
    sum: Vec<f64>,
}

impl Mix {
    /// Takes a channel out of interleaved frames, and adds it to what is kept of all channels.
    fn take_channel(&mut self, frames: &[f32], channel: usize, channels: usize) {
        self.one.clear();
        match channels {
            1 => self.one.extend_from_slice(frames),
            2 => self.one.extend(frames.as_chunks::<2>().0.iter().map(|frame| frame[channel])),
            _ => self.one.extend(frames.iter().skip(channel).step_by(channels)),
        }
        let samples = self.one.iter().map(|x| f64::from(*x));
        if channel == 0 {
            self.power.clear();
            self.sum.clear();
            self.power.extend(samples.clone().map(|v| v * v));
            self.sum.extend(samples);
        } else {
            for (v, (power, sum)) in samples.zip(self.power.iter_mut().zip(&mut self.sum)) {
                *power += v * v;
                *sum += v;
            }
        }
    }
}

/// Sums are kept in so many parts, which the processor adds at once.
const LANES: usize = 8;
/// Blocks that are taken apart into channels at once: what lies between them stays in the processor's nearest cache.
const BLOCKS: usize = 32;

fn sum(values: &[f64]) -> f64 {
    let (eights, rest) = values.as_chunks::<LANES>();
    let mut sums = [0.0; LANES];
    for x in eights {
        sums.iter_mut().zip(x).for_each(|(sum, x)| *sum += x);
    }
    sums.iter().chain(rest).sum()
}

/// Of two lists of one length.
fn sum_of_products(values: &[f64], weights: &[f64]) -> f64 {
    let (eights, rest) = values.as_chunks::<LANES>();
    let (eight_weights, other_weights) = weights.as_chunks::<LANES>();
    let mut sums = [0.0; LANES];
    for (x, w) in eights.iter().zip(eight_weights) {
        for i in 0..LANES {
            sums[i] += x[i] * w[i];
        }
    }
    sums.iter().sum::<f64>() + rest.iter().zip(other_weights).map(|(x, w)| x * w).sum::<f64>()
}

/// Largest magnitude, sum, and sum of squares of some samples.
fn statistics(samples: &[f32]) -> (f32, f64, f64) {
    let (eights, rest) = samples.as_chunks::<LANES>();
    let (mut peaks, mut sums, mut squares) = ([0.0f32; LANES], [0.0f64; LANES], [0.0f64; LANES]);
    let mut add = |i: usize, x: f32| {
        let v = f64::from(x);
        peaks[i] = greater(x.abs(), peaks[i]);
        sums[i] += v;
        squares[i] += v * v;
    };
    for x in eights {
        (0..LANES).for_each(|i| add(i, x[i]));
    }
    rest.iter().enumerate().for_each(|(i, &x)| add(i, x));
    (peaks.into_iter().fold(0.0, greater), sums.iter().sum(), squares.iter().sum())
}

impl std::fmt::Debug for LevelMeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LevelMeter").field("rate", &self.rate).field("frames", &self.frames).finish_non_exhaustive()
    }
}

impl LevelMeter {
    /// For interleaved sound at `rate_hz` (8000 to 192000, a whole number) with `channels` (1 to 64). The
    /// channels of 4- to 6-channel sound are taken as left, right, centre, (low-frequency,) surrounds.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(rate_hz: u32, channels: usize) -> Result<Self> {
        check_rate("rate_hz", f64::from(rate_hz), 8000.0..=192_000.0)?;
        check_channels(channels)?;
        let count = channels as u32;
        let mut loudness = EbuR128::new(count, rate_hz, Mode::I | Mode::LRA).map_err(internal)?;
        if channels == 1 {
            // A mono file is heard from both loudspeakers.
            loudness.set_channel(0, Channel::DualMono).map_err(internal)?;
        }
        let peaks = TruePeak::new(rate_hz, channels)?;
        let rate = f64::from(rate_hz);
        let (block, remember) = (ActiveLevel::every(rate), 1.0 - 1.0 / (0.02 * rate));
        Ok(Self {
            rate,
            frames: 0,
            channels: vec![ChannelState::default(); channels],
            speech: (0..channels).map(|_| ActiveLevel::new(rate)).collect(),
            loudness,
            peaks,
            tenths: VecDeque::new(),
            momentary_max: f64::NEG_INFINITY,
            short_term_max: f64::NEG_INFINITY,
            until_reading: 0,
            hum: HumFinder::new(rate),
            frame_power: (0.0, 0, true),
            levels: vec![0; 300],
            zeros: 0,
            power_before: 0.0,
            remember,
            recent: (0..block).map(|i| (1.0 - remember) * remember.powi((block - 1 - i) as i32)).collect(),
            clipping: Vec::new(),
            silence: Vec::new(),
            silence_total: 0,
            dropouts: Vec::new(),
            dropout_count: 0,
            clean: Vec::new(),
            pending: Vec::new(),
            mix: Mix::default(),
        })
    }

    /// Takes the next block, interleaved, whole frames. NaN and infinite samples count as zero.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        let channels = self.channels.len();
        check_frames(interleaved.len(), channels)?;
        // Momentary and short-term maxima are read every 100 ms at least, as the standard's meters do.
        let hop = (0.1 * self.rate) as usize;
        let mut rest = interleaved;
        while !rest.is_empty() {
            if self.until_reading == 0 {
                self.until_reading = hop;
            }
            let frames = (rest.len() / channels).min(self.until_reading);
            let (part, later) = rest.split_at(frames * channels);
            let mut clean = std::mem::take(&mut self.clean);
            clean.clear();
            clean.extend(part.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
            self.measure(&clean);
            self.loudness.add_frames_f32(&clean).map_err(internal)?;
            self.peaks.push(&clean)?;
            self.clean = clean;
            self.until_reading -= frames;
            if self.until_reading == 0 {
                // Whole windows read anew would cost thirty times as much as their tenths of a second kept.
                let lufs = self.loudness.loudness_window(100).map_err(internal)?;
                self.tenths.push_front(10f64.powf(0.1 * lufs));
                self.tenths.truncate(30);
                let mean = |tenths: usize| {
                    let sum: f64 = self.tenths.iter().take(tenths).sum();
                    if self.tenths.len() < tenths { f64::NEG_INFINITY } else { 10.0 * (sum / tenths as f64).log10() }
                };
                self.momentary_max = self.momentary_max.max(mean(4));
                self.short_term_max = self.short_term_max.max(mean(30));
            }
            rest = later;
        }
        Ok(())
    }

    /// In blocks that lie where they lie in the sound, whatever it is handed over in.
    fn measure(&mut self, mut frames: &[f32]) {
        let block = self.recent.len() * self.channels.len();
        let mut pending = std::mem::take(&mut self.pending);
        if !pending.is_empty() {
            let (first, rest) = frames.split_at(frames.len().min(block - pending.len()));
            pending.extend_from_slice(first);
            frames = rest;
            if pending.len() == block {
                self.measure_blocks(&pending);
                pending.clear();
            }
        }
        let (whole, rest) = frames.split_at(frames.len() / block * block);
        pending.extend_from_slice(rest);
        whole.chunks(BLOCKS * block).for_each(|frames| self.measure_blocks(frames));
        self.pending = pending;
    }

    /// Whole blocks; the last may be shorter where the sound ends.
    fn measure_blocks(&mut self, frames: &[f32]) {
        let (count, block) = (self.channels.len(), self.recent.len());
        let mut mix = std::mem::take(&mut self.mix);
        for (c, state) in self.channels.iter_mut().enumerate() {
            mix.take_channel(frames, c, count);
            let mut most = 0.0f32;
            for x in mix.one.chunks(block) {
                let (peak, sum, square) = statistics(x);
                most = most.max(peak);
                state.sum += sum;
                state.square += square;
                self.speech[c].push(x, square);
            }
            state.peak = state.peak.max(most);
            if most >= CLIP || state.run > 0 {
                for (i, x) in mix.one.iter().enumerate() {
                    if x.abs() >= CLIP {
                        state.run += 1;
                    } else if state.run > 0 {
                        end_run(state, self.frames + i as u64, self.rate, &mut self.clipping);
                    }
                }
            }
        }
        let share = 1.0 / count as f64;
        mix.power.iter_mut().chain(&mut mix.sum).for_each(|x| *x *= share);
        self.hum.push(&mix.sum);
        mix.power.chunks(block).for_each(|power| self.whole_frames(power));
        self.mix = mix;
    }

    /// What is measured of all channels together: their mean power, frame by frame.
    fn whole_frames(&mut self, power: &[f64]) {
        let frame_length = (0.05 * self.rate) as usize;
        let mut rest = power;
        while !rest.is_empty() {
            let (part, later) = rest.split_at(rest.len().min(frame_length - self.frame_power.1));
            let (so_far, n, silent) = &mut self.frame_power;
            *so_far += sum(part);
            *n += part.len();
            *silent &= part.iter().all(|&p| p == 0.0);
            if *n == frame_length {
                if !*silent {
                    let db = 10.0 * (*so_far / *n as f64).max(1e-15).log10();
                    self.levels[((db + 145.0) / 0.5).clamp(0.0, 299.0) as usize] += 1;
                }
                self.frame_power = (0.0, 0, true);
            }
            rest = later;
        }
        let remember = self.remember;
        if self.zeros == 0 && power.iter().all(|&p| p != 0.0) {
            // The same as below for all of them at once.
            let weighted = sum_of_products(power, &self.recent[self.recent.len() - power.len()..]);
            self.power_before = remember.powi(power.len() as i32) * self.power_before + weighted;
            self.frames += power.len() as u64;
            return;
        }
        for &power in power {
            if power == 0.0 {
                self.zeros += 1;
            } else {
                if self.zeros > 0 {
                    self.end_zeros();
                }
                self.power_before = remember * self.power_before + (1.0 - remember) * power;
            }
            self.frames += 1;
        }
    }

    fn end_zeros(&mut self) {
        let length_s = self.zeros as f64 / self.rate;
        let place = LevelStretch { start_s: (self.frames - self.zeros) as f64 / self.rate, length_s };
        if length_s >= SILENCE_S {
            self.silence_total += self.zeros;
            if self.silence.len() < LISTED {
                self.silence.push(place);
            }
            self.power_before = 0.0;
        } else if length_s >= DROPOUT_S && self.power_before > DROPOUT_ABOVE {
            self.dropout_count += 1;
            if self.dropouts.len() < LISTED {
                self.dropouts.push(place);
            }
        }
        self.zeros = 0;
    }

    /// The readings.
    ///
    /// # Errors
    /// [`Internal`](coeval::ErrorKind::Internal) when the loudness meter contradicts itself.
    pub fn finish(mut self) -> Result<LevelReport> {
        let rest = std::mem::take(&mut self.pending);
        self.measure_blocks(&rest);
        if self.zeros > 0 {
            self.end_zeros();
        }
        for state in self.channels.iter_mut().filter(|s| s.run > 0) {
            end_run(state, self.frames, self.rate, &mut self.clipping);
        }
        self.clipping.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        let peaks = self.peaks.finish()?;
        let finite = |x: f64| x.is_finite().then_some(x);
        let n = self.frames.max(1) as f64;
        let db = |v: f64| 20.0 * v.log10();
        let channels = self
            .channels
            .iter()
            .zip(&self.speech)
            .zip(&peaks)
            .map(|((state, speech), true_peak)| {
                let (active_level_dbfs, activity) = speech.result();
                Ok(ChannelLevel {
                    sample_peak_dbfs: db(f64::from(state.peak)),
                    true_peak_dbtp: db(f64::from(*true_peak)),
                    dc: state.sum / n,
                    rms_dbfs: 10.0 * (state.square / n).log10(),
                    clipped_runs: state.runs,
                    clipped_samples: state.clipped,
                    active_level_dbfs,
                    activity,
                })
            })
            .collect::<Result<Vec<_>>>()?;
        let counted: u64 = self.levels.iter().sum();
        let mut seen = 0;
        let floor = self.levels.iter().position(|c| {
            seen += c;
            seen > 0 && seen * 10 >= counted
        });
        Ok(LevelReport {
            duration_s: self.frames as f64 / self.rate,
            channels,
            integrated_lufs: finite(self.loudness.loudness_global().map_err(internal)?),
            momentary_max_lufs: finite(self.momentary_max),
            short_term_max_lufs: finite(self.short_term_max),
            loudness_range_lu: if self.frames as f64 >= 3.0 * self.rate {
                finite(self.loudness.loudness_range().map_err(internal)?)
            } else {
                None
            },
            noise_floor_dbfs: floor.map(|slot| (slot as f64 + 0.5) * 0.5 - 145.0),
            hum: self.hum.result(),
            clipping: self.clipping,
            silence: self.silence,
            silence_total_s: self.silence_total as f64 / self.rate,
            dropouts: self.dropouts,
            dropout_count: self.dropout_count,
        })
    }
}

fn end_run(state: &mut ChannelState, frame: u64, rate: f64, list: &mut Vec<LevelStretch>) {
    if state.run >= CLIP_RUN {
        state.runs += 1;
        state.clipped += state.run;
        if list.len() < LISTED {
            list.push(LevelStretch { start_s: (frame - state.run) as f64 / rate, length_s: state.run as f64 / rate });
        }
    }
    state.run = 0;
}

impl LevelReport {
    /// The readings as advice, the serious first. The target of -12 dBFS for the peaks of recorded voice, and
    /// the limits of what is called low, noisy or humming, are common practice, no source.
    pub fn advice(&self) -> Vec<Advice> {
        let mut out = Vec::new();
        let mut say = |serious: bool, text: String| out.push(Advice { serious, text });
        let peak = self.channels.iter().map(|c| c.sample_peak_dbfs).fold(f64::NEG_INFINITY, f64::max);
        let true_peak = self.channels.iter().map(|c| c.true_peak_dbtp).fold(f64::NEG_INFINITY, f64::max);
        if !peak.is_finite() {
            say(true, "Nothing was recorded: every sample is zero. Check the cable, the input and its switch.".into());
            return out;
        }
        let runs: u64 = self.channels.iter().map(|c| c.clipped_runs).sum();
        if runs > 0 {
            let first = self.clipping.first().map_or(0.0, |c| c.start_s);
            say(
                true,
                format!(
                    "Clipped in {runs} places, first at {first:.1} s. Lower the input gain, or use a pad, until the peaks stay near -12 dBFS."
                ),
            );
        } else if true_peak > -1.0 {
            say(
                false,
                format!("Peaks reach {true_peak:.1} dBTP, so there is no headroom left. Aim for peaks near -12 dBFS."),
            );
        } else if peak < -30.0 {
            say(false, format!("Peaks reach only {peak:.1} dBFS. Raise the input gain until they come near -12 dBFS."));
        }
        for (i, c) in self.channels.iter().enumerate() {
            if !c.sample_peak_dbfs.is_finite() && self.channels.len() > 1 {
                say(true, format!("Channel {} is silent.", i + 1));
            }
            if c.dc.abs() > 0.01 {
                say(
                    false,
                    format!(
                        "Channel {} has a DC offset of {:+.1} % of full scale. This is a fault of the input, and costs headroom.",
                        i + 1,
                        100.0 * c.dc
                    ),
                );
            }
        }
        if self.dropout_count > 0 {
            let first = self.dropouts.first().map_or(0.0, |d| d.start_s);
            say(
                true,
                format!(
                    "Sound drops out {} times, first at {first:.1} s. Check the card, the radio link and the plugs.",
                    self.dropout_count
                ),
            );
        }
        if self.silence_total_s > 0.0 {
            say(
                false,
                format!("{:.1} s of digital silence in {} stretches.", self.silence_total_s, self.silence.len()),
            );
        }
        if let Some(hum) = self.hum.as_ref().filter(|h| h.level_dbfs > -70.0) {
            let (base, level) = (hum.base_hz, hum.level_dbfs);
            let what = format!("Mains hum at {base:.0} Hz and its multiples, {level:.0} dBFS together.");
            say(false, what + " Look for a charger or a ground loop.");
        }
        let voice = self.channels.iter().filter_map(|c| c.active_level_dbfs).fold(f64::NEG_INFINITY, f64::max);
        if let Some(floor) = self.noise_floor_dbfs.filter(|f| voice.is_finite() && voice - f < 15.0) {
            say(
                false,
                format!(
                    "The loud parts are only {:.0} dB above the noise floor ({floor:.0} dBFS). Put the microphone nearer to the voices.",
                    voice - floor
                ),
            );
        }
        out.sort_by_key(|a| !a.serious);
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    #[test]
    fn blocks_give_what_every_sample_by_itself_does() {
        for rate_hz in [8000.0, 44_100.0, 48_000.0] {
            let mut x = 1.0f32;
            let sound: Vec<f32> = (0..20_000)
                .map(|_| {
                    x = (x * 16_807.0) % 2_147_483.6;
                    x / 1_073_741.8 - 1.0
                })
                .collect();
            let mut level = ActiveLevel::new(rate_hz);
            let mut hum = HumFinder::new(rate_hz);
            let every = ActiveLevel::every(rate_hz);
            for block in sound.chunks_exact(every) {
                level.push(block, block.iter().map(|x| f64::from(*x).powi(2)).sum());
                hum.push(&block.iter().map(|x| f64::from(*x)).collect::<Vec<f64>>());
            }
            let whole = &sound[..sound.len() / every * every];
            let (mut p, mut q) = (0.0, 0.0);
            for x in whole {
                p = level.keep * p + (1.0 - level.keep) * f64::from(x.abs());
                q = level.keep * q + (1.0 - level.keep) * p;
            }
            assert!((level.p / p - 1.0).abs() < 1e-12 && (level.q / q - 1.0).abs() < 1e-12, "{rate_hz} Hz");
            // A mean of as many means as each has samples.
            let factor = hum.rising.len();
            let at = |t: usize| -> f64 {
                whole[(t + 1).saturating_sub(factor)..=t].iter().map(|x| f64::from(*x)).sum::<f64>() / factor as f64
            };
            for (k, found) in hum.samples.iter().enumerate() {
                let mean = (k * factor..(k + 1) * factor).map(at).sum::<f64>() / factor as f64;
                assert!((f64::from(*found) - mean).abs() < 1e-7, "{rate_hz} Hz, {k}: {found}, {mean}");
            }
            assert!(hum.samples.len() > 500, "{rate_hz} Hz");
        }
    }

    fn sine(dbfs: f64, hz: f64, seconds: f64) -> Vec<f64> {
        let amplitude = 10f64.powf(dbfs / 20.0);
        (0..(seconds * f64::from(RATE)).round() as usize)
            .map(|i| amplitude * (2.0 * std::f64::consts::PI * hz * i as f64 / f64::from(RATE)).sin())
            .collect()
    }

    fn stereo(mono: &[f64]) -> Vec<f32> {
        mono.iter().flat_map(|v| [*v as f32; 2]).collect()
    }

    fn report(interleaved: &[f32], channels: usize) -> LevelReport {
        let mut meter = LevelMeter::new(RATE, channels).unwrap();
        for block in interleaved.chunks(channels * 1777) {
            meter.push(block).unwrap();
        }
        meter.finish().unwrap()
    }

    fn steps(parts: &[(f64, f64)]) -> LevelReport {
        let mono: Vec<f64> = parts.iter().flat_map(|&(dbfs, s)| sine(dbfs, 1000.0, s)).collect();
        report(&stereo(&mono), 2)
    }

    /// EBU Tech 3341, table 1, cases 1 to 5 (signals recalled): integrated loudness within 0.1 LU.
    #[test]
    fn ebu_tech_3341_cases_1_to_5() {
        let cases: [(&[(f64, f64)], f64); 5] = [
            (&[(-23.0, 20.0)], -23.0),
            (&[(-33.0, 20.0)], -33.0),
            (&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
            (&[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
            (&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
        ];
        for (i, (parts, expected)) in cases.iter().enumerate() {
            let r = steps(parts);
            let got = r.integrated_lufs.unwrap();
            assert!((got - expected).abs() <= 0.1, "case {}: {got} instead of {expected}", i + 1);
            if i < 2 {
                assert!((r.momentary_max_lufs.unwrap() - expected).abs() <= 0.1, "case {} M", i + 1);
                assert!((r.short_term_max_lufs.unwrap() - expected).abs() <= 0.1, "case {} S", i + 1);
            }
        }
    }

    /// EBU Tech 3341, table 1, case 6 (signal recalled): 5.0 sound, surrounds weighted.
    #[test]
    fn ebu_tech_3341_case_6() {
        let tones = [-28.0, -28.0, -24.0, -30.0, -30.0].map(|dbfs| sine(dbfs, 1000.0, 20.0));
        let frames: Vec<f32> = (0..tones[0].len()).flat_map(|i| [0, 1, 2, 3, 4].map(|c| tones[c][i] as f32)).collect();
        let got = report(&frames, 5).integrated_lufs.unwrap();
        assert!((got + 23.0).abs() <= 0.1, "{got}");
    }

    /// EBU Tech 3341, table 1, case 9 (signal recalled): short-term loudness steady at -23 LUFS.
    #[test]
    fn ebu_tech_3341_case_9() {
        let parts: Vec<(f64, f64)> = (0..5).flat_map(|_| [(-20.0, 1.34), (-30.0, 1.66)]).collect();
        let got = steps(&parts).short_term_max_lufs.unwrap();
        assert!((got + 23.0).abs() <= 0.1, "{got}");
    }

    /// EBU Tech 3341, table 1, cases 15 to 19 (signals recalled): a quarter, sixth and eighth of the rate at
    /// several phases; true peak within +0.2/-0.4 dB.
    #[test]
    fn ebu_tech_3341_cases_15_to_19() {
        for (case, amplitude, divisor, degrees, expected) in [
            (15, 0.50, 4.0, 0.0, -6.0),
            (16, 0.50, 4.0, 45.0, -6.0),
            (17, 0.50, 6.0, 60.0, -6.0),
            (18, 0.50, 8.0, 67.5, -6.0),
            (19, 1.41, 4.0, 45.0, 3.0),
        ] {
            // Faded in and out over a tenth of a second: a tone cut off hard has overshoots of its own.
            let n = RATE as usize;
            let tone: Vec<f64> = (0..n)
                .map(|i| {
                    let edge = (i.min(n - 1 - i) as f64 / 4800.0).min(1.0);
                    amplitude
                        * edge
                        * (2.0 * std::f64::consts::PI * (i as f64 / divisor) + f64::to_radians(degrees)).sin()
                })
                .collect();
            let got = report(&stereo(&tone), 2).channels[0].true_peak_dbtp;
            assert!((-0.4..=0.2).contains(&(got - expected)), "case {case}: {got} dBTP instead of {expected}");
        }
    }

    /// EBU Tech 3342, table 1, cases 1 to 4 (signals recalled): loudness range within 1 LU.
    #[test]
    fn ebu_tech_3342_cases_1_to_4() {
        let cases: [(&[f64], f64); 4] = [
            (&[-20.0, -30.0], 10.0),
            (&[-20.0, -15.0], 5.0),
            (&[-40.0, -20.0], 20.0),
            (&[-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
        ];
        for (levels, expected) in cases {
            let parts: Vec<(f64, f64)> = levels.iter().map(|l| (*l, 20.0)).collect();
            let got = steps(&parts).loudness_range_lu.unwrap();
            assert!((got - expected).abs() <= 1.0, "{levels:?}: {got} LU instead of {expected}");
        }
    }

    #[test]
    fn mono_counts_for_both_ears() {
        let mono: Vec<f32> = sine(-23.0, 1000.0, 10.0).iter().map(|v| *v as f32).collect();
        let got = report(&mono, 1).integrated_lufs.unwrap();
        assert!((got + 23.0).abs() <= 0.1, "{got}");
    }

    /// ITU-T P.56, method B: a tone that is on half of the time in long stretches has the level of the tone,
    /// not of the whole (which lies 3 dB lower); hangover and smoothing take part of a decibel.
    #[test]
    fn active_level_leaves_the_pauses_out() {
        let mut mono = Vec::new();
        for _ in 0..5 {
            mono.extend(sine(-20.0, 500.0, 4.0));
            mono.extend(vec![0.0; 4 * RATE as usize]);
        }
        let mono: Vec<f32> = mono.iter().map(|v| *v as f32).collect();
        let c = &report(&mono, 1).channels[0];
        let tone_rms = -23.01;
        let got = c.active_level_dbfs.unwrap();
        assert!((got - tone_rms).abs() < 0.5, "{got}");
        assert!((c.rms_dbfs - (tone_rms - 3.01)).abs() < 0.05);
        assert!((c.activity - 0.5).abs() < 0.06, "{}", c.activity);
    }

    #[test]
    fn finds_clipping_silence_dropouts_dc_and_hum() {
        let rate = f64::from(RATE);
        let mut noise = 12345u32;
        let mut x: Vec<f32> = (0..20 * RATE as usize)
            .map(|i| {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let n = f64::from(noise >> 8) / f64::from(1u32 << 24) - 0.5;
                let t = i as f64 / rate;
                let mains: f64 = (1..=5)
                    .map(|h| 0.004 / f64::from(h) * (2.0 * std::f64::consts::PI * 50.02 * f64::from(h) * t).sin())
                    .sum();
                (0.03 * n + mains + 0.02) as f32
            })
            .collect();
        x[96_000..96_005].fill(1.0);
        x[97_000..97_002].fill(1.0);
        x[200_000..200_480].fill(0.0);
        x[300_000..348_000].fill(0.0);
        let r = report(&x, 1);
        let c = &r.channels[0];
        assert_eq!((c.clipped_runs, c.clipped_samples), (1, 5));
        assert!((r.clipping[0].start_s - 2.0).abs() < 1e-9);
        assert_eq!(r.dropout_count, 1);
        assert!(
            (r.dropouts[0].start_s - 200_000.0 / rate).abs() < 1e-9 && (r.dropouts[0].length_s - 0.01).abs() < 1e-9
        );
        assert_eq!(r.silence.len(), 1);
        assert!((r.silence_total_s - 1.0).abs() < 1e-9);
        assert!((c.dc - 0.019).abs() < 0.001, "{}", c.dc);
        let hum = r.hum.as_ref().unwrap();
        assert!((hum.base_hz - 50.02).abs() < 0.05, "{}", hum.base_hz);
        // Amplitudes 4, 2, 1.33, 1, 0.8 thousandths: -49.3 dBFS together (rms).
        assert!((hum.level_dbfs + 49.3).abs() < 0.7, "{}", hum.level_dbfs);
        assert!(r.advice().iter().any(|a| a.serious && a.text.starts_with("Clipped")));
    }

    #[test]
    fn noise_alone_has_no_hum() {
        let mut noise = 1u32;
        let x: Vec<f32> = (0..20 * RATE as usize)
            .map(|_| {
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (f64::from(noise >> 8) / f64::from(1u32 << 24) - 0.5) as f32 * 0.1
            })
            .collect();
        let r = report(&x, 1);
        assert!(r.hum.is_none());
        // Uniform noise of 0.1 peak to peak: 20 lg (0.1 / sqrt(12)) = -30.8 dBFS.
        assert!((r.noise_floor_dbfs.unwrap() + 30.8).abs() < 0.6);
    }

    #[test]
    fn silence_and_odd_input_are_answered() {
        let r = report(&vec![0.0; RATE as usize], 1);
        assert_eq!(r.integrated_lufs, None);
        assert!(r.advice()[0].serious);
        assert!(LevelMeter::new(RATE, 2).unwrap().push(&[0.0; 3]).is_err());
        assert!(LevelMeter::new(4000, 1).is_err());
        let r = report(&[f32::NAN, f32::INFINITY, 0.1], 1);
        assert!((r.channels[0].sample_peak_dbfs + 20.0).abs() < 1e-3);
        assert!(LevelMeter::new(RATE, 1).unwrap().finish().unwrap().channels[0].active_level_dbfs.is_none());
    }

    #[test]
    fn block_size_does_not_matter() {
        let mono: Vec<f32> = sine(-12.0, 321.0, 5.0).iter().map(|v| *v as f32).collect();
        let whole = {
            let mut m = LevelMeter::new(RATE, 1).unwrap();
            m.push(&mono).unwrap();
            m.finish().unwrap()
        };
        assert_eq!(whole, report(&mono, 1));
    }
}
