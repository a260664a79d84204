//! Candidates: what rises suddenly above the levels before and after it, in sound that arrives in blocks.

use std::collections::VecDeque;

use coeval_transform::Forward;

use super::{CountIn, Grouping, Marker, MarkerOptions};
use crate::error::{Error, ErrorKind, Result};
use crate::samples::{check_channels, check_frames, check_rate, greater, mix_down};

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
pub(super) const LEVEL_INPUTS: usize = LEVEL_BANDS * EDGES.len();
/// Candidate threshold on the sum of normalised excesses, in its own standard deviations.
const CANDIDATE: f32 = 2.0;
/// Logistic weights of the first five of [`MEASURES`](super::MEASURES) and their bias: log odds at first look.
const FIRST_LOOK: [f64; 5] = [1.172, 0.263, -0.47, -0.613, 0.038];
const FIRST_BIAS: f64 = -7.767;
/// What looks worse at first is no marker: some 14,000 candidates an hour under engines do not.
pub(super) const PROMISING: f64 = -7.0;
/// How much less like a clap the fellows of a periodic sound may be, in [`Marker::score`].
pub(super) const ALIKE: f64 = 4.0;
/// Strength and rise of what is reported with [`MarkerOptions::all`] though it does not look like a marker.
const STRONG: [f64; 2] = [3.6, 2.2];

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
        let wanted = shares.map(|share| share * self.total as f32);
        let mut slots = self.counts.iter().enumerate();
        let (mut slot, mut seen) = (0, 0);
        wanted.map(|wanted| {
            while (seen as f32) < wanted {
                let Some((next, count)) = slots.next() else { break };
                slot = next;
                seen += count;
            }
            LEVEL_MIN_DB + (slot as f32 + 0.5) * LEVEL_STEP_DB
        })
    }
}

/// Halves, thirds, ... the rate with a raised-cosine kernel: all its weights are positive, so that it
/// cannot ring ahead of an onset; the aliasing it lets through does not matter here.
#[derive(Debug)]
struct Decimator {
    factor: usize,
    kernel: Vec<f32>,
    /// The last inputs, oldest first; one fewer than the kernel has taps.
    recent: Vec<f32>,
    /// Inputs before the next output.
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
        Self { factor, kernel, recent: vec![0.0; taps - 1], phase: factor - 1 }
    }
    /// The indices of the next inputs, so many, at which an output comes.
    fn outputs(&self, inputs: usize) -> impl Iterator<Item = usize> {
        (self.phase..inputs).step_by(self.factor)
    }

    fn push(&mut self, inputs: &[f32], out: &mut VecDeque<f32>) {
        if self.factor == 1 {
            out.extend(inputs);
            return;
        }
        self.recent.extend_from_slice(inputs);
        let outputs = self.outputs(inputs.len());
        // Half the rate, that of most recordings, by weights whose number the compiler knows.
        match self.kernel[..] {
            [a, b, c] => out.extend(outputs.map(|at| {
                let x = &self.recent[at..at + 3];
                x[0] * a + x[1] * b + x[2] * c
            })),
            _ => out.extend(outputs.map(|at| {
                let taps = self.recent[at..].iter().zip(&self.kernel);
                taps.map(|(a, b)| a * b).sum::<f32>()
            })),
        }
        let passed = self.outputs(inputs.len()).count();
        self.phase = self.phase + passed * self.factor - inputs.len();
        self.recent.drain(..inputs.len());
    }
}

/// Finds markers in sound that arrives in blocks. Memory is bounded: some ten seconds of sound.
pub struct MarkerDetector {
    pub(super) options: MarkerOptions,
    channels: usize,
    pub(super) rate: f64,
    decimator: Decimator,
    /// Sound at the working rate; `sound[0]` is sample `sound_start`.
    pub(super) sound: VecDeque<f32>,
    pub(super) sound_start: usize,
    /// Sound at the rate that onsets are timed at: 32 kHz to 50 kHz, or the recording's where that is lower.
    pub(super) fine: VecDeque<f32>,
    pub(super) fine_start: usize,
    pub(super) fine_rate: f64,
    fine_decimator: Decimator,
    /// Largest magnitude at the full rate within each sample of `sound`.
    pub(super) peaks: VecDeque<f32>,
    peak: f32,
    /// Scratch space: the mean of a block's channels.
    mono: Vec<f32>,
    pub(super) fft: Forward,
    pub(super) window: Vec<f32>,
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
            mono: Vec::new(),
            fft: coeval_transform::real(length).0,
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
        for part in interleaved.chunks(self.channels * 8192) {
            let mut mono = std::mem::take(&mut self.mono);
            mono.clear();
            mix_down(part, self.channels, &mut mono);
            self.take(&mono);
            self.mono = mono;
            self.advance();
            self.report(&mut out);
        }
        Ok(out)
    }

    /// The markers not yet returned.
    pub fn finish(mut self) -> Vec<Marker> {
        // The decimator's half kernel, then silence of the background's own kind is not invented:
        // the last frames are judged with what follows them, however little.
        self.take(&vec![0.0; self.decimator.factor - 1]);
        self.ended = true;
        self.advance();
        let mut out = Vec::new();
        self.report(&mut out);
        out
    }

    fn take(&mut self, mono: &[f32]) {
        let mut from = 0;
        for at in self.decimator.outputs(mono.len()) {
            self.peaks.push_back(largest(self.peak, &mono[from..=at]));
            (self.peak, from) = (0.0, at + 1);
        }
        self.peak = largest(self.peak, &mono[from..]);
        self.decimator.push(mono, &mut self.sound);
        self.fine_decimator.push(mono, &mut self.fine);
    }

    pub(super) fn sound_end(&self) -> usize {
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
            let (first, second) = self.sound.as_slices();
            // The sound lies in one or two pieces.
            let cut = first.len().clamp(at, at + length) - at;
            let head = first.get(at..at + cut).unwrap_or(&[]);
            let tail = &second[(at + cut).saturating_sub(first.len())..];
            for (part, from) in [(head, 0), (&tail[..length - cut], cut)] {
                for ((b, x), w) in block[from..].iter_mut().zip(part).zip(&self.window[from..]) {
                    *b = x * w;
                }
            }
            // The lengths are the plan's own, so it cannot fail.
            if self.fft.process(&mut block, &mut spectrum).is_err() {
                break;
            }
            let power = |band: &std::ops::Range<usize>| {
                let power: f32 = spectrum[band.clone()].iter().map(|c| c.norm_sqr()).sum();
                power * norm + FLOOR
            };
            let mut levels: Vec<f32> = self.bands.iter().map(power).collect();
            self.add_voice(&levels);
            levels.iter_mut().for_each(|power| *power = 10.0 * power.log10());
            self.levels.push_back(levels);
        }
    }

    /// Level of 350 Hz to 4 kHz, averaged over 10 ms, from the power of each band.
    fn add_voice(&mut self, powers: &[f32]) {
        let power: f64 = powers.iter().take(7).map(|&power| f64::from(power)).sum();
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

    /// Three beats of speech or claps before `time_s`, evenly spaced, the marker on the fourth.
    pub(super) fn count_in(&self, time_s: f64) -> Option<CountIn> {
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

/// Six or more in a row round `time` whose distances agree within 2.5 %.
fn is_periodic(times: &[f64], time: f64) -> bool {
    let near: Vec<f64> = times.iter().copied().filter(|t| (t - time).abs() <= GROUP_S).collect();
    near.windows(6).any(|w| {
        let interval = (w[5] - w[0]) / 5.0;
        w[0] <= time && time <= w[5] && w.windows(2).all(|p| ((p[1] - p[0]) - interval).abs() <= 0.025 * interval)
    })
}

fn largest(least: f32, sound: &[f32]) -> f32 {
    sound.iter().fold(least, |m, x| greater(x.abs(), m))
}

/// How many bands stand far above their background.
fn levels_over(levels: &[f32], background: &[[f32; 2]]) -> f64 {
    levels.iter().zip(background).filter(|(l, [median, high])| **l > high + 0.5 * (high - median).max(1.5)).count()
        as f64
}
