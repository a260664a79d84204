//! From sound to the probability of speech: a small network's answer beside measures of the spectrum, weighed.

use std::collections::VecDeque;

use super::RATE_HZ;
use super::curve::SpeechCurve;
use super::network::{AFTER, BEFORE, INPUTS, Network};
use coeval::Result;
use coeval::resample::{Leg, ResampleOptions, Resampler, Route};
use coeval::samples::{check_channels, check_frames, mix_down};
use coeval_transform::{Complex, Forward, Inverse};
use earshot::Detector;

const STEP: usize = 160;
const WINDOW: usize = 512;
/// Frames before the first sample, so that a frame's middle is the middle of its step.
const LEAD: usize = (WINDOW - STEP) / 2;
const EAR: usize = 256;
const BANDS: usize = 20;
/// What a floor is kept of: the bands, then the detector's answers.
const LEVELS: usize = BANDS + 1;
/// The frame that the network hears: so many samples, in the middle of a step's [`WINDOW`].
const VOICE_FRAME: usize = 400;
/// Steps that it answers for at once.
const VOICE_STEPS: usize = 1500;
/// The loudness that it is given, whatever that of the recording: mean square, full scale +-1.
const VOICE_POWER: f32 = 0.01;
/// A floor is found every so many steps, from so many before and after.
const KNOT: usize = 50;
const REACH: usize = 600;
/// Quantile that counts as the floor.
const FLOOR: f64 = 0.2;
/// Bins of the spectrum that may be harmonics, 94 Hz to 4 kHz.
const HARMONIC_BINS: std::ops::Range<usize> = 3..128;
/// Lags of a voice's pitch, samples: 75 to 400 Hz.
const PITCH_LAGS: std::ops::Range<usize> = 40..214;
pub(super) const MEASURES: usize = 10;
/// The measure of how harmonic it is, which is given its floor last.
const HARMONIC: usize = 5;
/// The network's answer over its floor; the answer itself is the next.
const VOICE: usize = 8;
const WIDTHS: [usize; 3] = [5, 21, 61];

#[rustfmt::skip]
const WEIGHTS: [f32; MEASURES * WIDTHS.len()] = [
    -0.0207, -1.0647, 1.0799,
    -0.0684, 0.2563, -0.1861,
    -0.0522, 0.4062, -0.4245,
    0.1382, -0.1957, 0.4461,
    0.0913, -0.0689, -0.1621,
    -0.0049, 10.7288, 12.1824,
    0.7317, 0.8403, -1.9989,
    -0.7827, 0.1156, 1.7611,
    0.5461, -1.5877, 1.3023,
    1.0777, -0.6635, 0.5503,
];

const BIAS: f32 = -1.6881;
/// Where the line between speech and the rest lies is found every so many steps, from so many before and after.
const LINE_KNOT: usize = 1000;
const LINE_REACH: usize = 30_000;
/// Of every so many steps.
const LINE_STEP: usize = 10;
/// Log odds of the rest and of speech while nothing is known, and how many steps that is worth.
const USUAL_ODDS: [f32; 2] = [-4.0, 4.0];
const USUAL_STEPS: f32 = 1000.0;
/// The network's log odds further from nought say no more: one in ten thousand.
const SURE_VOICE: f32 = 9.2;
/// Log odds further from nought say no more.
const SURE_ODDS: f32 = 8.0;
/// How far the line lies below the middle.
pub(super) const LINE_BELOW: f32 = 0.5;
/// Two clusters no further apart than this are one, and one more apart are two for sure.
const APART: f32 = 3.5;

/// Hears sound block by block and judges it. Keeps some 70 bytes for every 10 ms, and what it needs of the last 27 s.
///
/// ```
/// use coeval_listen::speech::{SpeechBuilder, SpeechOptions};
///
/// # let file = std::fs::read("../../tests/fixtures/voice.wav").expect("of the project's tests");
/// # let samples = file[44..].chunks_exact(2).map(|b| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0);
/// # let voice: Vec<f32> = samples.collect();
/// // A hiss (a congruential generator), and over it from 2 s on a voice, 1.5 s at 16 kHz.
/// let mut state = 1u32;
/// let mut listener = SpeechBuilder::new(16_000.0, 1)?;
/// for n in 0..6 * 16_000usize {
///     state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
///     let hiss = ((state >> 8) as f32 / (1 << 23) as f32 - 1.0) / 100.0;
///     let said = n.checked_sub(32_000).and_then(|n| voice.get(n));
///     listener.push(&[hiss + 0.25 * said.unwrap_or(&0.0)])?;
/// }
/// let stretches = listener.finish().segments(&SpeechOptions::default())?;
/// assert_eq!(stretches.len(), 1);
/// assert!((stretches[0].start_s - 2.0).abs() < 0.1 && (stretches[0].end_s - 3.5).abs() < 0.1);
/// # Ok::<(), coeval::Error>(())
/// ```
pub struct SpeechBuilder {
    pub(super) channels: usize,
    resampler: Option<Resampler>,
    rate_hz: f64,
    frames: u64,
    listener: Listener,
    mono: Vec<f32>,
    pub(super) block: Vec<f32>,
}

impl std::fmt::Debug for SpeechBuilder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SpeechBuilder").field("rate_hz", &self.rate_hz).field("frames", &self.frames).finish()
    }
}

impl SpeechBuilder {
    /// For interleaved sound of `rate_hz` (1000 to 768000 Hz) and `channels` (1 to 64); the channels are averaged.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(rate_hz: f64, channels: usize) -> Result<Self> {
        check_channels(channels)?;
        let resampler = if rate_hz == RATE_HZ {
            None
        } else {
            let whole = Leg { from_s: f64::NEG_INFINITY, to_s: f64::INFINITY, at_s: 0.0, source_s: 0.0, speed: 1.0 };
            // Longer than any recording; it ends where the sound does.
            let endless = ResampleOptions::new(rate_hz, RATE_HZ, 1, (3e7 * RATE_HZ) as u64);
            Some(Resampler::new(&Route::from_legs(vec![whole])?, &endless)?)
        };
        Ok(Self {
            channels,
            resampler,
            rate_hz,
            frames: 0,
            listener: Listener::new(),
            mono: Vec::new(),
            block: Vec::new(),
        })
    }

    /// Takes the next block, full scale +-1. NaN and infinite samples count as silence.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        check_frames(interleaved.len(), self.channels)?;
        self.mono.clear();
        mix_down(interleaved, self.channels, &mut self.mono);
        self.frames += self.mono.len() as u64;
        match &mut self.resampler {
            None => self.listener.hear(&self.mono),
            Some(resampler) => {
                // It wants sound whenever nothing is left to pull.
                resampler.push(&self.mono)?;
                while resampler.pull(&mut self.block) > 0 {
                    self.listener.hear(&self.block);
                }
            }
        }
        Ok(())
    }

    /// The finished curve: as many values as the sound has whole or begun steps of 10 ms.
    pub fn finish(mut self) -> SpeechCurve {
        let samples = (self.frames as f64 * RATE_HZ / self.rate_hz).round() as usize;
        if let Some(resampler) = &mut self.resampler {
            resampler.end_of_source();
            while self.listener.heard < samples && resampler.pull(&mut self.block) > 0 {
                let left = samples - self.listener.heard;
                self.listener.hear(&self.block[..self.block.len().min(left)]);
            }
        }
        self.listener.finish(samples.div_ceil(STEP))
    }
}

/// What is kept of a step until its floor is known.
struct Step {
    levels: [f32; LEVELS],
    /// Power in [`HARMONIC_BINS`].
    spectrum: Vec<f32>,
}

/// The work on sound at [`RATE_HZ`].
struct Listener {
    /// What of the sound is still needed, and some more.
    sound: Vec<f32>,
    /// Samples heard.
    heard: usize,
    /// Where in `sound` the next step's window begins.
    sound_at: usize,
    detector: Box<Detector>,
    ear: Vec<f32>,
    answers: Vec<f32>,
    forward: Forward,
    inverse: Inverse,
    hann: Vec<f32>,
    bands: Vec<Band>,
    band_bins: [f32; BANDS],
    /// What the network has heard and not answered for, from step `voice_from` on: levels, and power.
    voice_levels: Vec<f32>,
    voice_power: Vec<f32>,
    voice_from: usize,
    /// Its answers so far.
    voice: Vec<f32>,
    mel: Vec<Band>,
    povey: Vec<f32>,
    steps: VecDeque<Step>,
    /// The step that `steps` begins with, and the one that is judged next.
    steps_from: usize,
    next: usize,
    smooth: VecDeque<[f32; LEVELS]>,
    smooth_from: usize,
    floor: Option<[f32; LEVELS]>,
    measures: Vec<[f32; MEASURES]>,
    /// Power above the floor within the band of a radio, and outside it.
    band_power: Vec<[f32; 2]>,
    time: Vec<f32>,
    bins: Vec<Complex<f32>>,
    /// Power in the bins.
    power: Vec<f32>,
}

/// Bins of a [`WINDOW`]'s spectrum, and what each of them weighs.
struct Band {
    first: usize,
    weights: Vec<f32>,
}

impl Band {
    fn new(weight: impl Fn(usize) -> f64) -> Self {
        let inside = |k: &usize| weight(*k) > 0.0;
        let first = (0..=WINDOW / 2).find(inside).unwrap_or_default();
        Self { first, weights: (first..=WINDOW / 2).take_while(inside).map(|k| weight(k) as f32).collect() }
    }

    fn of(&self, power: &[f32]) -> f32 {
        self.weights.iter().zip(&power[self.first..]).map(|(w, p)| w * p).sum()
    }
}

/// The network's bands, triangles on the mel scale from 20 Hz to 8 kHz.
fn voice_bands() -> Vec<Band> {
    let mel = |hz: f64| 1127.0 * (hz / 700.0).ln_1p();
    let (low, high) = (mel(20.0), mel(0.5 * RATE_HZ));
    let width = (high - low) / (INPUTS + 1) as f64;
    let bands = (0..INPUTS).map(|band| {
        let top = low + (band + 1) as f64 * width;
        Band::new(|k| 1.0 - (mel(k as f64 * RATE_HZ / WINDOW as f64) - top).abs() / width)
    });
    bands.collect()
}

fn mel(hz: f64) -> f64 {
    2595.0 * (1.0 + hz / 700.0).log10()
}

impl Listener {
    pub(super) fn new() -> Self {
        let (forward, inverse) = coeval_transform::real(WINDOW);
        let (low, high) = (mel(150.0), mel(6000.0));
        let edge = |i: usize| {
            let m = low + (high - low) * i as f64 / (BANDS + 1) as f64;
            700.0 * (10f64.powf(m / 2595.0) - 1.0) / RATE_HZ * WINDOW as f64
        };
        let bands = (0..BANDS).map(|b| {
            let (from, top, to) = (edge(b), edge(b + 1), edge(b + 2));
            let weight = |k: usize| ((k as f64 - from) / (top - from)).min((to - k as f64) / (to - top)).max(0.0);
            let sum: f64 = (0..=WINDOW / 2).map(weight).sum();
            Band::new(|k| weight(k) / sum)
        });
        let bands = bands.collect();
        Self {
            sound: vec![0.0; LEAD],
            heard: 0,
            sound_at: 0,
            detector: Detector::default_boxed(),
            ear: Vec::new(),
            answers: Vec::new(),
            time: forward.make_input_vec(),
            bins: forward.make_output_vec(),
            power: vec![0.0; WINDOW / 2 + 1],
            forward,
            inverse,
            hann: (0..WINDOW)
                .map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / (WINDOW - 1) as f64).cos()) as f32)
                .collect(),
            bands,
            band_bins: std::array::from_fn(|b| edge(b + 1) as f32),
            voice_levels: Vec::new(),
            voice_power: Vec::new(),
            voice_from: 0,
            voice: Vec::new(),
            mel: voice_bands(),
            povey: (0..VOICE_FRAME)
                .map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / (VOICE_FRAME - 1) as f64).cos()).powf(0.85))
                .map(|w| w as f32)
                .collect(),
            steps: VecDeque::new(),
            steps_from: 0,
            next: 0,
            smooth: VecDeque::new(),
            smooth_from: 0,
            floor: None,
            measures: Vec::new(),
            band_power: Vec::new(),
        }
    }

    pub(super) fn hear(&mut self, sound: &[f32]) {
        let mut left = sound;
        while !left.is_empty() {
            let (now, rest) = left.split_at(left.len().min(EAR - self.ear.len()));
            self.ear.extend(now.iter().map(|x| x.clamp(-1.0, 1.0)));
            left = rest;
            if self.ear.len() == EAR {
                let p = self.detector.predict_f32(&self.ear).clamp(1e-4, 1.0 - 1e-4);
                self.answers.push((p / (1.0 - p)).ln());
                self.ear.clear();
            }
        }
        self.sound.extend_from_slice(sound);
        self.heard += sound.len();
        self.advance();
        self.sound.drain(..self.sound_at);
        self.sound_at = 0;
    }

    /// Takes in every step that all its sound is there for, and judges what can be judged.
    fn advance(&mut self) {
        loop {
            let step = self.steps_from + self.steps.len();
            let answer = (step * STEP + STEP / 2) / EAR;
            if self.sound.len() - self.sound_at < WINDOW || self.answers.len() <= answer {
                break;
            }
            let sound = &self.sound[self.sound_at..self.sound_at + WINDOW];
            for ((t, x), w) in self.time.iter_mut().zip(sound).zip(&self.hann) {
                *t = x * w;
            }
            self.transform();
            let mut levels = [0.0; LEVELS];
            for (level, band) in levels.iter_mut().zip(&self.bands) {
                *level = 10.0 * (band.of(&self.power) + 1e-10).log10();
            }
            levels[BANDS] = self.answers[answer];
            self.steps.push_back(Step { levels, spectrum: self.power[HARMONIC_BINS].to_vec() });
            self.hear_voice();
            self.sound_at += STEP;
            let steps = self.steps_from + self.steps.len();
            if steps >= 3 {
                self.smooth_up_to(steps - 2);
            }
            while (self.smooth_from + self.smooth.len()) >= self.next + KNOT + REACH {
                self.judge(KNOT);
            }
            if self.next >= self.voice.len() + VOICE_STEPS + AFTER {
                self.answer(VOICE_STEPS);
            }
        }
    }

    /// The power of `time` in every bin.
    fn transform(&mut self) {
        self.forward.process(&mut self.time, &mut self.bins).expect("buffers come from the plan");
        self.power.iter_mut().zip(&self.bins).for_each(|(p, b)| *p = b.norm_sqr());
    }

    /// What the network is given of a step, as it was taught: levels of a frame without its mean, with its high frequencies
    /// raised, at the amplitude of 16-bit samples.
    fn hear_voice(&mut self) {
        const AMPLITUDE: f32 = 32_768.0;
        const RAISED: f32 = 0.97;
        let from = self.sound_at + (WINDOW - VOICE_FRAME) / 2;
        let frame = &self.sound[from..from + VOICE_FRAME];
        let mean = frame.iter().sum::<f32>() / VOICE_FRAME as f32;
        self.time.fill(0.0);
        let before = std::iter::once(&frame[0]).chain(frame);
        for (((t, x), before), w) in self.time.iter_mut().zip(frame).zip(before).zip(&self.povey) {
            *t = w * AMPLITUDE * ((x - mean) - RAISED * (before - mean));
        }
        self.transform();
        self.voice_levels.extend(self.mel.iter().map(|band| band.of(&self.power).max(f32::EPSILON).ln()));
        let step = &self.sound[self.sound_at + LEAD..self.sound_at + LEAD + STEP];
        let power = step.iter().map(|x| x * x).sum::<f32>() / STEP as f32;
        self.voice_power.push(power.min(1e9));
    }

    /// Asks the network about the next `count` steps.
    fn answer(&mut self, count: usize) {
        let skip = self.voice.len() - self.voice_from;
        let heard = (skip + count + AFTER).min(self.voice_power.len());
        let power = self.voice_power[..heard].iter().sum::<f32>() / heard.max(1) as f32;
        let louder = (VOICE_POWER / power.max(1e-10)).ln();
        let levels = &self.voice_levels[..heard * INPUTS];
        let odds = Network::learnt().odds(levels, louder, skip..skip + count);
        self.voice.extend(odds.into_iter().map(|odds| odds.clamp(-SURE_VOICE, SURE_VOICE)));
        let drop = self.voice.len().saturating_sub(BEFORE).saturating_sub(self.voice_from);
        self.voice_levels.drain(..drop * INPUTS);
        self.voice_power.drain(..drop);
        self.voice_from += drop;
    }

    /// Levels averaged over five steps, fewer at the ends.
    fn smooth_up_to(&mut self, end: usize) {
        for step in self.smooth_from + self.smooth.len()..end {
            let at = step - self.steps_from;
            let around = at.saturating_sub(2)..(at + 3).min(self.steps.len());
            let share = 1.0 / around.len() as f32;
            let mut mean = [0.0; LEVELS];
            for s in self.steps.range(around) {
                mean.iter_mut().zip(&s.levels).for_each(|(m, l)| *m += share * l);
            }
            self.smooth.push_back(mean);
        }
    }

    /// The floor around a step: of every fourth step within reach.
    fn floor_at(&self, step: usize) -> [f32; LEVELS] {
        let from = step.saturating_sub(REACH).max(self.smooth_from) - self.smooth_from;
        let to = (step + REACH).min(self.smooth_from + self.smooth.len()) - self.smooth_from;
        let mut column = Vec::with_capacity((to - from) / 4 + 1);
        std::array::from_fn(|l| {
            column.clear();
            column.extend(self.smooth.range(from..to).step_by(4).map(|s| s[l]));
            let at = (FLOOR * column.len().saturating_sub(1) as f64) as usize;
            *column.select_nth_unstable_by(at, f32::total_cmp).1
        })
    }

    /// Measures the next `count` steps against the floor.
    fn judge(&mut self, count: usize) {
        let before = self.floor.unwrap_or_else(|| self.floor_at(self.next));
        let after = self.floor_at((self.next + KNOT).min(self.smooth_from + self.smooth.len() - 1));
        for i in 0..count {
            let f = i as f32 / KNOT as f32;
            let floor: [f32; LEVELS] = std::array::from_fn(|l| before[l] + f * (after[l] - before[l]));
            self.measure(self.next + i, &floor);
        }
        self.floor = Some(after);
        self.next += count;
        let keep = self.next.saturating_sub(3);
        while self.steps_from < keep {
            self.steps.pop_front();
            self.steps_from += 1;
        }
        while self.smooth_from < (self.next + KNOT).saturating_sub(REACH) {
            self.smooth.pop_front();
            self.smooth_from += 1;
        }
    }

    fn measure(&mut self, step: usize, floor: &[f32; LEVELS]) {
        let smooth = &self.smooth[step - self.smooth_from];
        let above: [f32; BANDS] = std::array::from_fn(|b| smooth[b] - floor[b]);
        let mean = |from: usize, to: usize| {
            above[from..to].iter().map(|a| a.clamp(0.0, 15.0)).sum::<f32>() / (to - from) as f32
        };
        let mut sorted = above;
        sorted.sort_by(f32::total_cmp);
        let top = (sorted[BANDS - 5..].iter().sum::<f32>() / 5.0).clamp(0.0, 25.0);
        let own = &self.steps[step - self.steps_from];
        let power = |db: f32| 10f32.powf(0.1 * db);
        let floor_power: [f32; BANDS] = std::array::from_fn(|b| power(floor[b]));
        let mut band_power = [0.0; 2];
        for b in 0..BANDS {
            let hz = self.band_bins[b] * (RATE_HZ / WINDOW as f64) as f32;
            // Noise swings to some 5 dB above its floor.
            let excess = (power(smooth[b]) - 3.0 * floor_power[b]).max(0.0);
            match hz {
                450.0..2500.0 => band_power[0] += excess,
                ..280.0 | 3600.0.. => band_power[1] += excess,
                _ => {}
            }
        }
        self.band_power.push(band_power);

        self.bins.iter_mut().for_each(|b| *b = Complex::default());
        let mut band = 0;
        for (k, p) in HARMONIC_BINS.zip(&own.spectrum) {
            while band + 2 < BANDS && self.band_bins[band + 1] < k as f32 {
                band += 1;
            }
            let (low, high) = (self.band_bins[band], self.band_bins[band + 1]);
            let f = ((k as f32 - low) / (high - low)).clamp(0.0, 1.0);
            let floor = floor_power[band] * (1.0 - f) + floor_power[band + 1] * f;
            self.bins[k].re = (p / floor.max(1e-12) - 3.0).clamp(0.0, 50.0).sqrt();
        }
        self.inverse.process(&mut self.bins, &mut self.time).expect("buffers come from the plan");
        let scale = 1.0 / WINDOW as f32;
        let peak = self.time[PITCH_LAGS].iter().copied().fold(0f32, f32::max) * scale;
        let harmonic = peak / (0.3 + self.time[0] * scale);

        let answer = smooth[BANDS];
        self.measures.push([
            mean(0, BANDS),
            mean(2, 8),
            mean(8, 14),
            mean(14, BANDS),
            top,
            harmonic,
            (answer - floor[BANDS]).clamp(-2.0, 8.0),
            answer,
            0.0,
            0.0,
        ]);
    }

    pub(super) fn finish(mut self, steps: usize) -> SpeechCurve {
        // Silence, so that the last steps are whole; they are taken away again.
        self.hear(&[0.0; 2 * WINDOW]);
        let have = self.steps_from + self.steps.len();
        self.smooth_up_to(have.min(steps.max(1)));
        while self.next < steps.min(have) {
            self.judge(KNOT.min(steps.min(have) - self.next));
        }
        while self.voice.len() < self.next {
            self.answer(VOICE_STEPS.min(self.next - self.voice.len()));
        }
        let mut measures = self.measures;
        for (step, m) in measures.iter_mut().enumerate() {
            // As the levels are: averaged over five steps, fewer at the ends.
            let around = &self.voice[step.saturating_sub(2)..(step + 3).min(self.next)];
            let mean = around.iter().sum::<f32>() / around.len() as f32;
            (m[VOICE], m[VOICE + 1]) = (mean, mean);
        }
        relative(&mut measures, HARMONIC);
        relative(&mut measures, VOICE);
        measures.iter_mut().for_each(|m| m[VOICE] = m[VOICE].clamp(-2.0, 8.0));
        let probability = weigh(&measures).into_iter().map(|x| 1.0 / (1.0 + (-x).exp())).collect();
        SpeechCurve { probability, band_power: self.band_power, measures }
    }
}

/// Takes a measure's floor away from it: how harmonic a voice is over how harmonic the engine is by itself.
fn relative(measures: &mut [[f32; MEASURES]], which: usize) {
    let raw: Vec<f32> = measures.iter().map(|m| m[which]).collect();
    let floor = |step: usize| {
        let around = step.saturating_sub(REACH)..(step + REACH).min(raw.len());
        let mut column: Vec<f32> = raw[around].iter().step_by(4).copied().collect();
        let at = (FLOOR * column.len().saturating_sub(1) as f64) as usize;
        *column.select_nth_unstable_by(at, f32::total_cmp).1
    };
    for from in (0..raw.len()).step_by(KNOT) {
        let (before, after) = (floor(from), floor((from + KNOT).min(raw.len() - 1)));
        for (i, m) in measures[from..].iter_mut().take(KNOT).enumerate() {
            m[which] -= before + i as f32 / KNOT as f32 * (after - before);
        }
    }
}

/// Each measure averaged over each width, every one in turn given to `take` with its index.
pub(super) fn averaged(measures: &[[f32; MEASURES]], mut take: impl FnMut(usize, &[f32])) {
    let n = measures.len();
    let mut sums = vec![0f64; n + 1];
    let mut mean = vec![0f32; n];
    for m in 0..MEASURES {
        for (i, row) in measures.iter().enumerate() {
            sums[i + 1] = sums[i] + f64::from(row[m]);
        }
        for (w, width) in WIDTHS.into_iter().enumerate() {
            for (i, out) in mean.iter_mut().enumerate() {
                let (from, to) = (i.saturating_sub(width / 2), (i + width / 2 + 1).min(n));
                *out = ((sums[to] - sums[from]) / (to - from) as f64) as f32;
            }
            take(m * WIDTHS.len() + w, &mean);
        }
    }
}

/// Log odds of speech.
fn weigh(measures: &[[f32; MEASURES]]) -> Vec<f32> {
    let mut odds = vec![BIAS; measures.len()];
    averaged(measures, |k, mean| odds.iter_mut().zip(mean).for_each(|(o, x)| *o += WEIGHTS[k] * x));
    let raw: Vec<f32> = odds.iter().step_by(LINE_STEP).map(|o| o.clamp(-SURE_ODDS, SURE_ODDS)).collect();
    let line = |step: usize| {
        let (reach, at) = (LINE_REACH / LINE_STEP, step / LINE_STEP);
        line_in(&raw[at.saturating_sub(reach)..(at + reach).min(raw.len())])
    };
    for from in (0..odds.len()).step_by(LINE_KNOT) {
        let (before, after) = (line(from), line((from + LINE_KNOT).min(measures.len() - 1)));
        for (i, o) in odds[from..].iter_mut().take(LINE_KNOT).enumerate() {
            *o -= before + i as f32 / LINE_KNOT as f32 * (after - before);
        }
    }
    odds
}

/// Where the line between speech and the rest lies: by the means of the two.
///
/// It may always be higher than usual. Lower it may be only where there are two clusters beyond doubt: the noise of an
/// hour in which nobody speaks falls into two as well, near each other.
pub(super) fn line_in(odds: &[f32]) -> f32 {
    let usual = USUAL_STEPS / LINE_STEP as f32;
    let mut means = USUAL_ODDS;
    for _ in 0..8 {
        let line = 0.5 * (means[0] + means[1]);
        let (mut speech, mut sum, mut all) = (0.0f32, 0.0f32, 0.0f32);
        for &o in odds {
            let belongs = 1.0 / (1.0 + (line - o).exp());
            speech += belongs;
            sum += belongs * o;
            all += o;
        }
        let rest = odds.len() as f32 - speech;
        means[0] = (all - sum + usual * USUAL_ODDS[0]) / (rest + usual);
        means[1] = (sum + usual * USUAL_ODDS[1]) / (speech + usual);
    }
    let sure = (means[1] - means[0] - APART).clamp(0.0, 1.0);
    let middle = 0.5 * (means[0] + means[1]);
    middle.max(0.0) + sure * (middle.min(0.0) - LINE_BELOW)
}
