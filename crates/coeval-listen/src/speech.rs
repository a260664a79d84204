//! Who speaks when on a recorder's track: the people aboard, the radio, or nobody.
//!
//! 1. [`SpeechBuilder`] hears the sound once, as a stream, and gives a [`SpeechCurve`]: the probability
//!    of speech for every 10 ms.
//! 2. [`SpeechCurve::segments`] makes stretches of it: two thresholds, a hang-over, shortest lengths.
//! 3. [`SharedMeter`] asks of each stretch whether a camera hears the same sound at the same moment, which the
//!    alignment makes a sharp question: the radio comes out of headsets, no camera hears it.
//! 4. [`SpeechSegment::origin`] weighs that with the band that the sound fills; [`spoken`] tells which stretches are of
//!    nobody: an engine that both hear alike, from where no voice comes.
//!
//! # How the probability is made
//! The `earshot` library (a small network, its weights inside) answers for every 16 ms. Alone it is right over
//! quiet, but takes an engine for speech at 10 dB and below. What an engine does not do is change as
//! speech does, so its answer is judged against its own usual answer within 6 s, and stands beside seven
//! measures of the same kind: how far bands of the spectrum stand above their own floor (a low quantile within 6 s,
//! after the idea of minimum statistics, R. Martin, IEEE Trans. Speech Audio Process. 9(5), 2001, from memory),
//! and how harmonic what stands above it is. Each is averaged over 50, 210 and 610 ms; a logistic
//! regression weighs the 24. Its weights come out of `cargo run --release -p coeval-benches --bin speech -- --fit`,
//! on voices and engines that the benchmark does not use.
//!
//! An engine that swings lifts the odds of all that it covers, a faint voice has low ones: where the line lies between
//! the two is a matter of the recording. It is drawn halfway between the means of two soft clusters of the odds within
//! 5 min (k-means with two means and a logistic membership, from memory), held by a prior worth 10 s. Where the two are
//! near each other nobody speaks, and it stays where it is.
//!
//! # Caution
//! To find out who spoke when is to process what people said: those recorded must agree. Radio traffic may be
//! unlawful to record or publish where you are (ITU Radio Regulations, article 18.4).

use std::collections::VecDeque;
use std::sync::Arc;

use earshot::Detector;
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use coeval::resample::{Leg, ResampleOptions, Resampler, Route};
use coeval::samples::{check_channels, check_frames, sanitize};
use coeval::{Error, ErrorKind, Result};

/// Time from one probability to the next, seconds.
pub const STEP_S: f64 = 0.01;
/// Rate at which speech is judged and sound compared, Hz.
pub const RATE_HZ: f64 = 16_000.0;

const STEP: usize = 160;
const WINDOW: usize = 512;
/// Frames before the first sample, so that a frame's middle is the middle of its step.
const LEAD: usize = (WINDOW - STEP) / 2;
const EAR: usize = 256;
const BANDS: usize = 20;
/// What a floor is kept of: the bands, then the network's answer.
const LEVELS: usize = BANDS + 1;
/// A floor is found every so many steps, from so many before and after.
const KNOT: usize = 50;
const REACH: usize = 600;
/// Quantile that counts as the floor.
const FLOOR: f64 = 0.2;
/// Bins of the spectrum that may be harmonics, 94 Hz to 4 kHz.
const HARMONIC_BINS: std::ops::Range<usize> = 3..128;
/// Lags of a voice's pitch, samples: 75 to 400 Hz.
const PITCH_LAGS: std::ops::Range<usize> = 40..214;
const MEASURES: usize = 8;
/// The measure that is given its floor last.
const HARMONIC: usize = 5;
const WIDTHS: [usize; 3] = [5, 21, 61];
#[rustfmt::skip]
const WEIGHTS: [f32; MEASURES * WIDTHS.len()] = [
    0.2052, -0.9056, -0.8582,
    -0.1809, 0.2825, -0.4436,
    -0.1150, 0.2410, 0.1666,
    0.0294, -0.0165, 0.6109,
    0.1815, -0.0574, 0.6436,
    -1.5928, 5.8390, 49.7749,
    0.2964, 0.6079, -0.7297,
    -0.2398, -0.2043, 2.2648,
];
const BIAS: f32 = -5.6438;
/// Where the line between speech and the rest lies is found every so many steps, from so many before and after.
const LINE_KNOT: usize = 200;
const LINE_REACH: usize = 30_000;
/// Of every so many steps.
const LINE_STEP: usize = 10;
/// Log odds of the rest and of speech while nothing is known, and how many steps that is worth.
const USUAL_ODDS: [f32; 2] = [-4.0, 4.0];
const USUAL_STEPS: f32 = 1000.0;
/// Log odds further from nought say no more.
const SURE_ODDS: f32 = 8.0;
/// How far the line lies below the middle.
const LINE_BELOW: f32 = 0.5;
/// Two clusters no further apart than this are one, and one more apart are two for sure.
const APART: f32 = 3.5;
fn invalid(what: impl Into<String>) -> Error {
    Error::new(ErrorKind::InvalidArgument, what)
}

/// Hears sound block by block and judges it. Keeps some 60 bytes for every 10 ms, and 8 s of sound.
///
/// ```
/// use coeval_listen::speech::{SpeechBuilder, SpeechOptions};
///
/// // A hiss (a congruential generator), and from 2 to 4 s a harmonic tone in syllables over it.
/// let mut state = 1u32;
/// let mut listener = SpeechBuilder::new(16_000.0, 1)?;
/// for n in 0..6 * 16_000usize {
///     state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
///     let hiss = ((state >> 8) as f32 / (1 << 23) as f32 - 1.0) / 100.0;
///     let voiced = n / 32_000 == 1 && n / 2000 % 2 == 0;
///     listener.push(&[if voiced { hiss + ((n % 107) as f32 / 107.0 - 0.5) / 4.0 } else { hiss }])?;
/// }
/// let stretches = listener.finish().segments(&SpeechOptions::default())?;
/// assert_eq!(stretches.len(), 1);
/// assert!((stretches[0].start_s - 2.0).abs() < 0.1 && (stretches[0].end_s - 4.0).abs() < 0.3);
/// # Ok::<(), coeval::Error>(())
/// ```
pub struct SpeechBuilder {
    channels: usize,
    resampler: Option<Resampler>,
    rate_hz: f64,
    frames: u64,
    listener: Listener,
    mono: Vec<f32>,
    block: Vec<f32>,
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
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) outside these ranges.
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
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        check_frames(interleaved.len(), self.channels)?;
        let share = 1.0 / self.channels as f32;
        self.mono.clear();
        self.mono.extend(
            interleaved.chunks_exact(self.channels).map(|f| f.iter().map(|x| sanitize(*x)).sum::<f32>() * share),
        );
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
    sound: VecDeque<f32>,
    /// Samples heard.
    heard: usize,
    /// The sample that `sound` begins with, less [`LEAD`].
    sound_from: usize,
    detector: Box<Detector>,
    ear: Vec<f32>,
    answers: Vec<f32>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    hann: Vec<f32>,
    bands: Vec<Vec<(usize, f32)>>,
    band_bins: [f32; BANDS],
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
}

fn mel(hz: f64) -> f64 {
    2595.0 * (1.0 + hz / 700.0).log10()
}

impl Listener {
    fn new() -> Self {
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, inverse) = (planner.plan_fft_forward(WINDOW), planner.plan_fft_inverse(WINDOW));
        let (low, high) = (mel(150.0), mel(6000.0));
        let edge = |i: usize| {
            let m = low + (high - low) * i as f64 / (BANDS + 1) as f64;
            700.0 * (10f64.powf(m / 2595.0) - 1.0) / RATE_HZ * WINDOW as f64
        };
        let bands: Vec<Vec<(usize, f32)>> = (0..BANDS)
            .map(|b| {
                let (from, top, to) = (edge(b), edge(b + 1), edge(b + 2));
                let weight = |k: f64| ((k - from) / (top - from)).min((to - k) / (to - top)).max(0.0);
                let raw: Vec<(usize, f64)> =
                    (0..=WINDOW / 2).map(|k| (k, weight(k as f64))).filter(|w| w.1 > 0.0).collect();
                let sum: f64 = raw.iter().map(|w| w.1).sum();
                raw.into_iter().map(|(k, w)| (k, (w / sum) as f32)).collect()
            })
            .collect();
        Self {
            sound: std::iter::repeat_n(0.0, LEAD).collect(),
            heard: 0,
            sound_from: 0,
            detector: Detector::default_boxed(),
            ear: Vec::new(),
            answers: Vec::new(),
            time: forward.make_input_vec(),
            bins: forward.make_output_vec(),
            forward,
            inverse,
            hann: (0..WINDOW)
                .map(|i| (0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / (WINDOW - 1) as f64).cos()) as f32)
                .collect(),
            bands,
            band_bins: std::array::from_fn(|b| edge(b + 1) as f32),
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

    fn hear(&mut self, sound: &[f32]) {
        for &x in sound {
            self.ear.push(x.clamp(-1.0, 1.0));
            if self.ear.len() == EAR {
                let p = self.detector.predict_f32(&self.ear).clamp(1e-4, 1.0 - 1e-4);
                self.answers.push((p / (1.0 - p)).ln());
                self.ear.clear();
            }
        }
        self.sound.extend(sound);
        self.heard += sound.len();
        self.advance();
    }

    /// Takes in every step that all its sound is there for, and judges what can be judged.
    fn advance(&mut self) {
        loop {
            let step = self.steps_from + self.steps.len();
            let answer = (step * STEP + STEP / 2) / EAR;
            if self.sound.len() < WINDOW || self.answers.len() <= answer {
                break;
            }
            for ((t, x), w) in self.time.iter_mut().zip(&self.sound).zip(&self.hann) {
                *t = x * w;
            }
            self.sound.drain(..STEP);
            self.sound_from += STEP;
            self.forward.process(&mut self.time, &mut self.bins).expect("buffers come from the plan");
            let mut levels = [0.0; LEVELS];
            for (level, band) in levels.iter_mut().zip(&self.bands) {
                let power: f32 = band.iter().map(|&(k, w)| w * self.bins[k].norm_sqr()).sum();
                *level = 10.0 * (power + 1e-10).log10();
            }
            levels[BANDS] = self.answers[answer];
            let spectrum = self.bins[HARMONIC_BINS].iter().map(|b| b.norm_sqr()).collect();
            self.steps.push_back(Step { levels, spectrum });
            let steps = self.steps_from + self.steps.len();
            if steps >= 3 {
                self.smooth_up_to(steps - 2);
            }
            if (self.smooth_from + self.smooth.len()) >= self.next + KNOT + REACH {
                self.judge(KNOT);
            }
        }
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
        ]);
    }

    fn finish(mut self, steps: usize) -> SpeechCurve {
        // Silence, so that the last steps are whole; they are taken away again.
        self.hear(&[0.0; 2 * WINDOW]);
        let have = self.steps_from + self.steps.len();
        self.smooth_up_to(have.min(steps.max(1)));
        while self.next < steps.min(have) {
            self.judge(KNOT.min(steps.min(have) - self.next));
        }
        let mut measures = self.measures;
        relative(&mut measures, HARMONIC);
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
fn averaged(measures: &[[f32; MEASURES]], mut take: impl FnMut(usize, &[f32])) {
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
fn line_in(odds: &[f32]) -> f32 {
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

/// Probability of speech over time, one value for every 10 ms.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpeechCurve {
    probability: Vec<f32>,
    band_power: Vec<[f32; 2]>,
    measures: Vec<[f32; MEASURES]>,
}

impl SpeechCurve {
    /// A curve made elsewhere: a probability, 0 to 1, for every [`STEP_S`]. It knows nothing of the band.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when a value is not within 0 to 1.
    pub fn from_values(probability: Vec<f32>) -> Result<Self> {
        match probability.iter().position(|p| !(0.0..=1.0).contains(p)) {
            Some(i) => Err(invalid(format!("probability {} at step {i} is not within 0 to 1", probability[i]))),
            None => Ok(Self { probability, ..Self::default() }),
        }
    }

    /// Probability of speech in each step of [`STEP_S`], 0 to 1.
    pub fn probability(&self) -> &[f32] {
        &self.probability
    }

    /// What the regression weighs, one column after the other, each as long as the curve: for fitting it anew.
    pub fn evidence(&self) -> Vec<Vec<f32>> {
        let mut columns = Vec::new();
        averaged(&self.measures, |_, mean| columns.push(mean.to_vec()));
        columns
    }

    /// Stretches of speech, in time order, none touching another.
    ///
    /// A stretch begins where the probability rises above `leave` and reaches `enter` before it falls below
    /// `leave` again; stretches closer than `min_pause_s` become one; shorter ones than `min_speech_s` are none;
    /// each is drawn out by `hang_over_s` at its end, which falls away slowly in every voice.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) for options out of their ranges.
    pub fn segments(&self, options: &SpeechOptions) -> Result<Vec<SpeechSegment>> {
        options.check()?;
        let p = &self.probability;
        let mut found: Vec<(usize, usize)> = Vec::new();
        let mut i = 0;
        while i < p.len() {
            if p[i] < options.leave {
                i += 1;
                continue;
            }
            let end = (i..p.len()).find(|&k| p[k] < options.leave).unwrap_or(p.len());
            let sure = p[i..end].iter().filter(|&&p| p >= options.enter).count();
            if sure as f64 * STEP_S >= options.min_speech_s {
                found.push((i, end));
            }
            i = end;
        }
        let (hang, pause) = (step_count(options.hang_over_s), step_count(options.min_pause_s));
        let mut joined: Vec<(usize, usize)> = Vec::new();
        for (from, to) in found {
            let to = (to + hang).min(p.len());
            match joined.last_mut() {
                Some(last) if from <= last.1 + pause => last.1 = last.1.max(to),
                _ => joined.push((from, to)),
            }
        }
        Ok(joined
            .into_iter()
            .map(|(from, to)| {
                let mean = p[from..to].iter().sum::<f32>() / (to - from) as f32;
                let power = self.band_power.get(from..to).unwrap_or_default();
                let sum = |k: usize| power.iter().map(|b| f64::from(b[k])).sum::<f64>();
                let (inside, outside) = (sum(0), sum(1));
                SpeechSegment {
                    start_s: from as f64 * STEP_S,
                    end_s: to as f64 * STEP_S,
                    confidence: mean,
                    outside_band_db: (inside > 0.0).then(|| 10.0 * (outside / inside).max(1e-6).log10()),
                }
            })
            .collect())
    }

    /// The same stretches with what may be faint words at their ends, for whoever cuts: half of what the map misses
    /// falls away at the end of a sentence. Each end moves on by up to a second, over pauses of 0.3 s, while the
    /// probability comes back to a quarter, and never into another stretch.
    pub fn with_faint_ends(&self, segments: &[SpeechSegment]) -> Vec<SpeechSegment> {
        let step = |s: f64| step_count(s).min(self.probability.len());
        let (most, pause) = (step_count(FAINT_S), step_count(FAINT_PAUSE_S));
        let reach = |faint: &mut dyn Iterator<Item = &f32>| {
            let mut last = 0;
            for (i, p) in faint.take(most).enumerate() {
                if *p >= FAINT {
                    last = i + 1;
                } else if i - last >= pause {
                    break;
                }
            }
            last
        };
        let mut drawn: Vec<SpeechSegment> = Vec::with_capacity(segments.len());
        for (i, segment) in segments.iter().enumerate() {
            let before = drawn.last().map_or(0, |d: &SpeechSegment| step(d.end_s));
            let after = segments.get(i + 1).map_or(self.probability.len(), |s| step(s.start_s));
            let (from, to) = (step(segment.start_s), step(segment.end_s));
            let earlier = reach(&mut self.probability[before.min(from)..from].iter().rev());
            let later = reach(&mut self.probability[to.min(after)..after].iter());
            let (start_s, end_s) = ((from - earlier) as f64 * STEP_S, (to + later) as f64 * STEP_S);
            drawn.push(SpeechSegment {
                start_s: segment.start_s.min(start_s),
                end_s: segment.end_s.max(end_s),
                ..*segment
            });
        }
        drawn
    }
}

/// Steps in a time, the nearest number of them; none in a negative one.
fn step_count(s: f64) -> usize {
    (s / STEP_S).round() as usize
}

/// How far a stretch is drawn out into what may be faint words at its ends, seconds; what must be likely there, and how
/// long a pause in it may last.
const FAINT_S: f64 = 1.0;
const FAINT: f32 = 0.25;
const FAINT_PAUSE_S: f64 = 0.3;

/// How stretches are made of probabilities. The defaults are what the benchmark measures.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct SpeechOptions {
    /// Probability that a stretch must reach, 0 to 1.
    pub enter: f32,
    /// Probability below which it ends, 0 to `enter`.
    pub leave: f32,
    /// Least time above `enter`, seconds, 0 to 10.
    pub min_speech_s: f64,
    /// Pauses shorter than this are part of the speech, seconds, 0 to 10.
    pub min_pause_s: f64,
    /// Drawn out at the end by this, seconds, 0 to 10.
    pub hang_over_s: f64,
}

impl Default for SpeechOptions {
    fn default() -> Self {
        Self { enter: 0.88, leave: 0.5, min_speech_s: 0.2, min_pause_s: 0.3, hang_over_s: 0.0 }
    }
}

impl SpeechOptions {
    fn check(&self) -> Result<()> {
        if !(0.0..=1.0).contains(&self.enter) || !(0.0..=self.enter).contains(&self.leave) {
            return Err(invalid(format!(
                "thresholds {} and {}: they must be within 0 to 1, the second no higher than the first",
                self.enter, self.leave
            )));
        }
        for (name, s) in
            [("min_speech_s", self.min_speech_s), ("min_pause_s", self.min_pause_s), ("hang_over_s", self.hang_over_s)]
        {
            if !(0.0..=10.0).contains(&s) {
                return Err(invalid(format!("{name} is {s}, not within 0 to 10")));
            }
        }
        Ok(())
    }
}

/// Where a voice on the recorder's track comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Origin {
    /// Somebody aboard, over the intercom.
    Intercom,
    /// The radio.
    Radio,
}

impl Origin {
    /// The word used for it everywhere.
    pub fn as_str(self) -> &'static str {
        match self {
            Origin::Intercom => "intercom",
            Origin::Radio => "radio",
        }
    }
}

/// A stretch of speech.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct SpeechSegment {
    /// Where it begins, seconds.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
    /// Mean probability of speech in it, 0 to 1.
    pub confidence: f32,
    /// Power below 280 Hz and above 3.6 kHz over that between 450 Hz and 2.5 kHz, dB, floors taken off: low for a
    /// radio. `None` when nothing is known of it.
    pub outside_band_db: Option<f64>,
}

impl SpeechSegment {
    /// A stretch found elsewhere, in seconds; its end must lie after its start.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when it does not, or a number is not finite.
    pub fn new(start_s: f64, end_s: f64) -> Result<Self> {
        if !(start_s.is_finite() && end_s.is_finite() && start_s < end_s) {
            return Err(invalid(format!("a stretch from {start_s} to {end_s} s has no length")));
        }
        Ok(Self { start_s, end_s, confidence: 1.0, outside_band_db: None })
    }

    /// Where the voice comes from. `shared` is the greatest that the [`SharedMeter`]s of the cameras that ran meanwhile
    /// [heard](Heard::shared), `None` when none did.
    ///
    /// A camera that hears the same sound at the same moment hears somebody aboard; where cameras ran and none
    /// does, it is the radio. Sound in a radio's narrow band must be heard by a camera more surely; without a camera
    /// the band alone decides.
    pub fn origin(&self, shared: Option<f64>) -> Origin {
        let narrow = self.is_narrow();
        let aboard = match shared {
            Some(shared) => shared >= if narrow { SHARED_NARROW } else { SHARED },
            None => !narrow,
        };
        if aboard { Origin::Intercom } else { Origin::Radio }
    }

    /// Whether it has a radio's band.
    fn is_narrow(&self) -> bool {
        self.outside_band_db.is_some_and(|db| db < RADIO_BAND_DB)
    }
}

/// Less power than this outside a radio's band, over that within, is a radio's, dB.
const RADIO_BAND_DB: f64 = -14.0;
/// A peak of the common sound so many standard deviations above its background is no chance: by the benchmark's
/// radio calls, which reach 5.6 and which no camera hears.
const SHARED: f64 = 5.7;
/// The same for sound in a narrow band: fewer frequencies take part, so chance reaches higher.
const SHARED_NARROW: f64 = 9.0;
const SHARED_WINDOW: usize = 2048;
const SHARED_HOP: usize = 512;
/// Power over the mean noise from which a bin counts: noise by itself is above it once in 400 times.
const VOICE_OVER_NOISE: f32 = 6.0;
/// 150 Hz to 6 kHz: what a headset and a camera both take.
const SHARED_BINS: std::ops::Range<usize> = 19..768;
/// Bins over which the engine's part is one number.
const SHARED_GROUP: usize = 48;
/// Lags within which a voice may come, and lags that show what chance does, samples.
const NEAR_LAGS: usize = 64;
const FAR_LAGS: std::ops::Range<usize> = 240..960;
/// 300 Hz to 3.4 kHz, which a radio's voice fills as well; bands of it in which the two levels are compared, and over how
/// many blocks (16 s) the usual difference is found.
const LEVEL_BINS: std::ops::Range<usize> = 38..435;
const LEVEL_BANDS: usize = 12;
const LEVEL_BLOCKS: f32 = 500.0;

/// What a camera hears of a stretch of the recorder's sound.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Heard {
    /// How surely it hears the same sound at the same moment: the peak of the common sound, in standard deviations.
    pub shared: f64,
    /// By how much the camera hears it later than the alignment says, seconds, within 4 ms: the voice's own distance.
    pub later_s: f64,
    /// How far the recorder's sound stands above what the camera's would have it, were it the noise that both hear
    /// between the stretches, dB: exceeded in a tenth of the stretch, on average over the bands.
    pub over_db: f64,
    /// The other way round, dB: by how much the camera's stands above the recorder's in a tenth of all bands and
    /// moments, as wind and knocks at it do.
    pub under_db: f64,
}

impl Heard {
    /// An answer made elsewhere.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when a number is not finite.
    pub fn new(shared: f64, later_s: f64, over_db: f64, under_db: f64) -> Result<Self> {
        let all = [shared, later_s, over_db, under_db];
        match all.iter().all(|x| x.is_finite()) {
            true => Ok(Self { shared, later_s, over_db, under_db }),
            false => Err(invalid(format!("what a camera hears is {all:?}, not finite numbers"))),
        }
    }
}

/// Cameras know voices where so many of them stand so far above the noise, by the median, dB.
const VOICES_LEAST: usize = 5;
const VOICES_OVER_DB: f64 = 4.0;
/// Share of that which an engine's turn does not reach, and how far a camera may hear what the recorder does not, dB.
const ENGINE_OVER: f64 = 0.5;
const ENGINE_UNDER_DB: f64 = 6.0;
/// An engine's turn is never called speech more surely than this.
const ENGINE_CONFIDENCE: f32 = 0.91;
/// Less shared sound is chance; more is a voice's if at least this share of voices come from as far, to so many seconds.
const ENGINE_SHARED: f64 = 8.0;
const SAME_PLACE: f64 = 0.1;
const SAME_PLACE_S: f64 = 0.5e-3;

/// Which of a recorder's stretches are speech. `heard` has, for each camera, its answer for every stretch, in their
/// order (`None` where it did not run).
///
/// The map is made of the recorder's sound alone and takes an engine that swings for vowels now and then. A stretch
/// is nobody's when a camera hears in it no more than the noise that both hear: the recorder's sound stands less than
/// half as far above that as where voices are, the camera's not above the recorder's, what they share is no more
/// than chance or comes from where no voice does, the map is none too sure, and the band is not a radio's. Any camera
/// that hears a voice overrules that; without a camera, or where voices hardly stand above the noise, everything is
/// speech. The thresholds come from the tuning voices and engines of `cargo run --release -p coeval-benches --bin
/// tighten -- --tuning`.
pub fn spoken(segments: &[SpeechSegment], heard: &[Vec<Option<Heard>>]) -> Vec<bool> {
    let mut engine = vec![false; segments.len()];
    let clear = |s: &SpeechSegment| s.confidence > ENGINE_CONFIDENCE || s.is_narrow();
    let mut voice: Vec<bool> = segments.iter().map(clear).collect();
    for camera in heard {
        let sure = |h: &&Heard| h.shared >= SHARED_NARROW;
        let mut over: Vec<f64> = camera.iter().flatten().filter(sure).map(|h| h.over_db).collect();
        over.sort_by(f64::total_cmp);
        let usual = if over.len() < VOICES_LEAST { 0.0 } else { over[over.len() / 2] };
        if usual < VOICES_OVER_DB {
            voice.iter_mut().zip(camera).filter(|v| v.1.is_some()).for_each(|v| *v.0 = true);
            continue;
        }
        let above = |h: &Heard| h.over_db >= ENGINE_OVER * usual;
        let places: Vec<f64> = camera.iter().flatten().filter(sure).filter(|h| above(h)).map(|h| h.later_s).collect();
        let from = |h: &Heard| places.iter().filter(|p| (*p - h.later_s).abs() <= SAME_PLACE_S).count();
        let known = |h: &Heard| from(h) as f64 >= SAME_PLACE * places.len() as f64;
        for ((h, engine), voice) in camera.iter().zip(&mut engine).zip(&mut voice) {
            let Some(h) = h else { continue };
            let alike = h.shared < ENGINE_SHARED || !known(h);
            let noise = !above(h) && alike && h.under_db < ENGINE_UNDER_DB;
            *(if noise { engine } else { voice }) = true;
        }
    }
    engine.into_iter().zip(voice).map(|(engine, voice)| voice || !engine).collect()
}

/// How often each of many levels came, in steps of a quarter of a decibel, from -40 to 40 dB.
#[derive(Debug, Clone)]
struct Levels([u32; 320]);

impl Levels {
    fn new() -> Self {
        Self([0; 320])
    }

    fn add(&mut self, db: f32) {
        self.0[(((db + 40.0) * 4.0).max(0.0) as usize).min(319)] += 1;
    }

    /// The level that this share of them does not reach.
    fn quantile(&self, share: f64) -> f64 {
        let all: u32 = self.0.iter().sum();
        let mut below = 0;
        let at = self.0.iter().position(|n| {
            below += n;
            f64::from(below) > share * f64::from(all)
        });
        at.unwrap_or(0) as f64 / 4.0 - 40.0 + 0.125
    }
}

/// Asks of stretches of a recorder's sound whether a camera hears the same at the same moment.
///
/// Both sounds are fed in step, at [`RATE_HZ`], the camera's moved to the recorder's time by the alignment. For each
/// stretch the cross-spectra of blocks of 128 ms are added up with unit magnitude (the phase transform; Knapp &
/// Carter, IEEE TASSP 24(4), 1976), each bin weighted by how far the recorder's voice stands above its own noise
/// between the stretches, so that the engine, which both may hear, counts little. The answer is the highest peak of
/// the correlation within 4 ms, in standard deviations of the correlation at 15 to 60 ms. Beside it stand the levels
/// of the two, against each other and against what they are between the stretches.
pub struct SharedMeter {
    spans: Vec<(usize, usize)>,
    next_span: usize,
    recorder: VecDeque<f32>,
    camera: VecDeque<f32>,
    at: usize,
    noise: Vec<f32>,
    /// Mean phase between the two where nobody speaks.
    usual: Vec<Complex<f32>>,
    weights: Vec<f32>,
    quiet: usize,
    sums: Vec<Complex<f32>>,
    blocks: usize,
    /// Level of the recorder over the camera's where nobody speaks, dB, and how far above it the stretch at work is: its
    /// bands, and its blocks by the mean of theirs.
    usual_db: [f32; LEVEL_BANDS],
    bands_db: Levels,
    blocks_db: Levels,
    /// Bins of each of these bands.
    level_bands: [std::ops::Range<usize>; LEVEL_BANDS],
    answers: Vec<Option<Heard>>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    hann: Vec<f32>,
}

impl std::fmt::Debug for SharedMeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SharedMeter").field("segments", &self.spans.len()).finish_non_exhaustive()
    }
}

impl SharedMeter {
    /// For these stretches, in time order.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when they are not in order.
    pub fn new(segments: &[SpeechSegment]) -> Result<Self> {
        if let Some(w) = segments.windows(2).find(|w| w[1].start_s < w[0].end_s) {
            return Err(invalid(format!("a stretch begins at {} s, before the end of the one before", w[1].start_s)));
        }
        let sample = |t: f64| (t.max(0.0) * RATE_HZ) as usize;
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, inverse) = (planner.plan_fft_forward(SHARED_WINDOW), planner.plan_fft_inverse(SHARED_WINDOW));
        let bins = SHARED_WINDOW / 2 + 1;
        // Each band as much wider than the one before.
        let width = (LEVEL_BINS.end as f32 / LEVEL_BINS.start as f32).powf(1.0 / LEVEL_BANDS as f32);
        let edge = |band: usize| (LEVEL_BINS.start as f32 * width.powi(band as i32)).round() as usize;
        Ok(Self {
            spans: segments.iter().map(|s| (sample(s.start_s), sample(s.end_s))).collect(),
            next_span: 0,
            recorder: VecDeque::new(),
            camera: VecDeque::new(),
            at: 0,
            noise: vec![0.0; bins],
            usual: vec![Complex::default(); bins],
            weights: vec![0.0; bins],
            quiet: 0,
            sums: vec![Complex::default(); bins],
            blocks: 0,
            usual_db: [0.0; LEVEL_BANDS],
            level_bands: std::array::from_fn(|band| edge(band)..edge(band + 1)),
            bands_db: Levels::new(),
            blocks_db: Levels::new(),
            answers: vec![None; segments.len()],
            forward,
            inverse,
            hann: (0..SHARED_WINDOW)
                .map(|i| (std::f32::consts::PI * (i as f32 + 0.5) / SHARED_WINDOW as f32).sin().powi(2))
                .collect(),
        })
    }

    /// Takes the next block of both, as long as each other. Where the camera does not run its samples are NaN.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when they differ in length.
    pub fn push(&mut self, recorder: &[f32], camera: &[f32]) -> Result<()> {
        if recorder.len() != camera.len() {
            return Err(invalid(format!("{} samples of the recorder, {} of the camera", recorder.len(), camera.len())));
        }
        self.recorder.extend(recorder.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        self.camera.extend(camera);
        while self.recorder.len() >= SHARED_WINDOW {
            self.block();
            self.recorder.drain(..SHARED_HOP);
            self.camera.drain(..SHARED_HOP);
            self.at += SHARED_HOP;
        }
        Ok(())
    }

    fn block(&mut self) {
        let middle = self.at + SHARED_WINDOW / 2;
        while self.spans.get(self.next_span).is_some_and(|s| s.1 <= middle) {
            self.close();
        }
        let inside = self.spans.get(self.next_span).is_some_and(|s| s.0 <= middle);
        if self.camera.iter().take(SHARED_WINDOW).any(|x| !x.is_finite()) {
            return;
        }
        let spectrum = |sound: &VecDeque<f32>| {
            let mut time: Vec<f32> = sound.iter().zip(&self.hann).map(|(x, w)| x * w).collect();
            let mut bins = self.forward.make_output_vec();
            self.forward.process(&mut time, &mut bins).expect("buffers come from the plan");
            bins
        };
        let (own, other) = (spectrum(&self.recorder), spectrum(&self.camera));
        let phase = |k: usize| {
            let cross: Complex<f32> = own[k] * other[k].conj();
            cross * (1.0 / cross.norm().max(1e-20))
        };
        let over: [f32; LEVEL_BANDS] = std::array::from_fn(|band| {
            let bins = self.level_bands[band].clone();
            let power = |s: &[Complex<f32>]| s[bins.clone()].iter().map(|c| c.norm_sqr()).sum::<f32>().max(1e-12);
            10.0 * (power(&own) / power(&other)).log10() - self.usual_db[band]
        });
        if !inside {
            // The noise between the stretches, over about a second; what both hear of it, over five.
            self.quiet += 1;
            let share = (1.0 / self.quiet as f32).max(1.0 / LEVEL_BLOCKS);
            self.usual_db.iter_mut().zip(over).for_each(|(usual, over)| *usual += share * over);
            let fast = (1.0 / self.quiet as f32).max(0.03);
            let slow = (1.0 / self.quiet as f32).max(0.006);
            for k in SHARED_BINS {
                self.noise[k] += fast * (own[k].norm_sqr() - self.noise[k]);
                let usual = self.usual[k];
                self.usual[k] = usual + (phase(k) - usual) * slow;
            }
            return;
        }
        for k in SHARED_BINS {
            let power = own[k].norm_sqr();
            let weight = (1.0 - VOICE_OVER_NOISE * self.noise[k] / power.max(1e-20)).max(0.0);
            self.sums[k] += phase(k) * weight;
            self.weights[k] += weight;
        }
        over.into_iter().for_each(|db| self.bands_db.add(db));
        self.blocks_db.add(over.iter().sum::<f32>() / LEVEL_BANDS as f32);
        self.blocks += 1;
    }

    /// The answer for the stretch at work.
    fn close(&mut self) {
        if self.blocks > 0 {
            // What both hear between the stretches, the engine, is no voice: it is taken out as far as it fits.
            for from in SHARED_BINS.step_by(SHARED_GROUP) {
                let group = from..(from + SHARED_GROUP).min(SHARED_BINS.end);
                let engine = |k: usize| self.usual[k] * self.weights[k];
                let dot: f32 = group.clone().map(|k| (self.sums[k] * engine(k).conj()).re).sum();
                let own: f32 = group.clone().map(|k| engine(k).norm_sqr()).sum();
                let part = (dot / own.max(1e-20)).max(0.0);
                for k in group {
                    let engine = self.usual[k] * self.weights[k];
                    self.sums[k] -= engine * part;
                }
            }
            let mut time = self.inverse.make_output_vec();
            self.inverse.process(&mut self.sums, &mut time).expect("buffers come from the plan");
            let at = |lag: i64| time[lag.rem_euclid(SHARED_WINDOW as i64) as usize].abs();
            let near = -(NEAR_LAGS as i64)..=NEAR_LAGS as i64;
            let (lag, peak) = near.map(|l| (l, at(l))).fold((0, 0f32), |m, x| if x.1 > m.1 { x } else { m });
            let far: Vec<f32> = FAR_LAGS.flat_map(|l| [at(l as i64), at(-(l as i64))]).collect();
            let spread = (far.iter().map(|x| x * x).sum::<f32>() / far.len() as f32).sqrt();
            self.answers[self.next_span] = Some(Heard {
                shared: f64::from(peak / spread.max(1e-20)),
                // The peak lies where the recorder's sound would have to be moved to.
                later_s: -lag as f64 / RATE_HZ,
                over_db: self.blocks_db.quantile(0.9),
                under_db: -self.bands_db.quantile(0.1),
            });
        }
        (self.bands_db, self.blocks_db) = (Levels::new(), Levels::new());
        self.sums.fill(Complex::default());
        self.weights.fill(0.0);
        self.blocks = 0;
        self.next_span += 1;
    }

    /// For each stretch, what the camera hears of it; `None` where it did not run.
    pub fn finish(mut self) -> Vec<Option<Heard>> {
        while self.next_span < self.spans.len() {
            self.close();
        }
        self.answers
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seeded noise, -1 to 1.
    fn noise(seed: u64) -> impl FnMut() -> f32 {
        let mut state = seed;
        move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
        }
    }

    #[test]
    fn a_curve_is_as_long_as_its_sound_at_any_rate_and_in_any_blocks() {
        for (rate, block) in [(16_000.0, 777), (48_000.0, 4096), (44_100.0, 100_000), (8_000.0, 1)] {
            let mut next = noise(1);
            let sound: Vec<f32> = (0..(2.345 * rate) as usize).map(|_| 0.1 * next()).collect();
            let mut builder = SpeechBuilder::new(rate, 1).unwrap();
            sound.chunks(block).for_each(|b| builder.push(b).unwrap());
            let curve = builder.finish();
            assert_eq!(curve.probability().len(), 235, "{rate}");
            assert!(curve.probability().iter().all(|p| (0.0..=1.0).contains(p)));
        }
        assert!(SpeechBuilder::new(16_000.0, 1).unwrap().finish().probability().is_empty());
    }

    #[test]
    fn blocks_do_not_matter() {
        let mut next = noise(2);
        let sound: Vec<f32> = (0..16_000 * 20).map(|i| if i / 40_000 % 2 == 0 { next() } else { 0.01 }).collect();
        let hear = |block: usize| {
            let mut builder = SpeechBuilder::new(16_000.0, 1).unwrap();
            sound.chunks(block).for_each(|b| builder.push(b).unwrap());
            builder.finish()
        };
        assert_eq!(hear(160), hear(50_001));
    }

    #[test]
    fn hostile_samples_and_arguments() {
        let mut builder = SpeechBuilder::new(16_000.0, 2).unwrap();
        builder.push(&[f32::NAN, f32::INFINITY, 1e30, 2e38, -1e38, 0.0].repeat(5000)).unwrap();
        assert!(builder.push(&[0.0; 3]).is_err());
        assert!(builder.finish().probability().iter().all(|p| p.is_finite()));
        for (rate, channels) in [(0.0, 1), (f64::NAN, 1), (16_000.0, 0), (16_000.0, 65)] {
            assert!(SpeechBuilder::new(rate, channels).is_err());
        }
        assert!(SpeechCurve::from_values(vec![0.0, f32::NAN]).is_err());
        assert!(SpeechCurve::from_values(vec![1.5]).is_err());
        let curve = SpeechCurve::from_values(vec![0.5]).unwrap();
        for options in [
            SpeechOptions { enter: 2.0, ..SpeechOptions::default() },
            SpeechOptions { leave: 0.9, ..SpeechOptions::default() },
            SpeechOptions { min_pause_s: -1.0, ..SpeechOptions::default() },
            SpeechOptions { hang_over_s: f64::NAN, ..SpeechOptions::default() },
        ] {
            assert_eq!(curve.segments(&options).unwrap_err().kind(), ErrorKind::InvalidArgument);
        }
    }

    #[test]
    fn the_line_follows_the_recording_and_stays_where_nobody_speaks() {
        let mut next = noise(4);
        let mut odds = |rest: f32, speech: f32, share: usize| -> Vec<f32> {
            (0..2000).map(|i| if i % 100 < share { speech } else { rest } + next()).collect()
        };
        assert!((line_in(&odds(-4.0, 4.0, 30)) + LINE_BELOW).abs() < 0.3);
        // A faint voice, and an engine that looks like one: the line lies in the gap between the two.
        for (rest, speech) in [(-5.0, 1.0), (-0.5, 4.0)] {
            let line = line_in(&odds(rest, speech, 30));
            assert!(line > rest + 1.0 && line < speech - 1.0, "{line} between {rest} and {speech}");
        }
        // Not a word, in quiet or noise: the line is not lowered to it.
        for rest in [-6.0, -4.0, -2.0, 0.0] {
            assert!(line_in(&odds(rest, 0.0, 0)) > -0.01, "{rest}");
        }
        assert!(line_in(&[]).is_finite());
    }

    #[test]
    fn segments_follow_the_thresholds() {
        let mut p = vec![0.0f32; 1000];
        p[100..200].fill(0.9);
        p[220..300].fill(0.9); // A pause of 0.2 s is part of the speech.
        p[500..505].fill(0.99); // 50 ms are no speech.
        p[600..700].fill(0.6); // Never sure.
        p[800..900].fill(0.6);
        p[840..860].fill(0.9); // Sure in its middle: from where it rose to where it fell.
        let options = SpeechOptions { hang_over_s: 0.05, ..SpeechOptions::default() };
        let found = SpeechCurve::from_values(p).unwrap().segments(&options).unwrap();
        let spans: Vec<(i64, i64)> =
            found.iter().map(|s| ((s.start_s * 1e3).round() as i64, (s.end_s * 1e3).round() as i64)).collect();
        assert_eq!(spans, [(1000, 3050), (8000, 9050)]);
    }

    #[test]
    fn a_camera_that_hears_the_same_is_told_from_one_that_does_not() {
        let mut next = noise(3);
        let n = 16_000 * 8;
        let voice: Vec<f32> = (0..n).map(|i| if i / 32_000 % 2 == 1 { next() } else { 0.0 }).collect();
        let own: Vec<f32> = voice.iter().map(|v| v + 0.05 * next()).collect();
        // 9 dB below its noise, 4 ms late; in the second stretch it hears something else; then it has stopped.
        let camera: Vec<f32> = (0..n)
            .map(|i| match i {
                ..64_000 => 0.35 * voice[i.max(64) - 64] + next(),
                64_000..112_000 => next(),
                _ => f32::NAN,
            })
            .collect();
        let spans = [(2.0, 4.0), (6.0, 6.9), (7.2, 8.0)].map(|(a, b)| SpeechSegment::new(a, b).unwrap());
        let mut meter = SharedMeter::new(&spans).unwrap();
        for (a, b) in own.chunks(999).zip(camera.chunks(999)) {
            meter.push(a, b).unwrap();
        }
        let answers = meter.finish();
        let shared = |i: usize| answers[i].map(|h| h.shared);
        assert!(shared(0).unwrap() > 2.0 * SHARED && shared(1).unwrap() < SHARED, "{answers:?}");
        assert!((answers[0].unwrap().later_s - 0.004).abs() < 1e-4, "{answers:?}");
        assert_eq!(answers[2], None);
        assert_eq!(spans[0].origin(shared(0)), Origin::Intercom);
        assert_eq!(spans[1].origin(shared(1)), Origin::Radio);
        let wide = SpeechSegment { outside_band_db: Some(-3.0), ..spans[2] };
        assert_eq!((wide.origin(None), wide.origin(Some(1.0))), (Origin::Intercom, Origin::Radio));
    }

    #[test]
    fn what_both_hear_louder_is_told_from_what_one_hears() {
        // Both hear an engine, three times as loud from 4 to 6 s; from 8 to 10 s the recorder hears a voice as well, and
        // from 12 to 14 s the camera the wind.
        let mut next = noise(5);
        let n = 16_000 * 16;
        let louder = |i: usize| if (64_000..96_000).contains(&i) { 3.0 } else { 1.0 };
        let engine: Vec<f32> = (0..n).map(|i| 0.1 * louder(i) * next()).collect();
        let own: Vec<f32> = (0..n).map(|i| engine[i] + if i / 32_000 == 4 { 0.4 * next() } else { 0.0 }).collect();
        let camera: Vec<f32> = (0..n).map(|i| 2.0 * engine[i] + if i / 32_000 == 6 { next() } else { 0.0 }).collect();
        let spans = [(4.1, 5.9), (8.1, 9.9), (12.1, 13.9)].map(|(a, b)| SpeechSegment::new(a, b).unwrap());
        let mut meter = SharedMeter::new(&spans).unwrap();
        meter.push(&own, &camera).unwrap();
        let heard: Vec<Heard> = meter.finish().into_iter().flatten().collect();
        assert!(heard[0].over_db.abs() < 1.5 && heard[0].under_db.abs() < 3.0, "{heard:?}");
        assert!(heard[1].over_db > 9.0, "{heard:?}");
        assert!(heard[2].over_db < -6.0 && heard[2].under_db > ENGINE_UNDER_DB, "{heard:?}");
    }

    #[test]
    fn an_engine_that_a_camera_hears_alike_is_nobody() {
        let at = |i: usize| SpeechSegment { confidence: 0.85, ..SpeechSegment::new(i as f64, i as f64 + 0.5).unwrap() };
        let mut segments: Vec<SpeechSegment> = (0..9).map(at).collect();
        // Six voices from two seats, the engine from elsewhere, then a radio, and a voice among the engine's noise.
        let answer = |shared, later_s, over_db, under_db| Some(Heard::new(shared, later_s, over_db, under_db).unwrap());
        let voice = |i: usize| answer(30.0, if i < 3 { 0.001 } else { 0.002 }, 8.0, 2.0);
        let mut camera: Vec<Option<Heard>> = (0..6).map(voice).collect();
        camera.extend([answer(25.0, -0.002, 2.0, 3.0), answer(3.0, 0.0, 7.0, 3.0), answer(20.0, 0.0021, 2.0, 3.0)]);
        let nobody = |segments: &[SpeechSegment], heard: &[Vec<Option<Heard>>]| -> Vec<usize> {
            spoken(segments, heard).iter().enumerate().filter(|s| !s.1).map(|s| s.0).collect()
        };
        assert_eq!(nobody(&segments, &[camera.clone()]), [6]);
        // Another camera that hears a voice overrules, one that did not run does not.
        let mut other = camera.clone();
        other[6] = answer(30.0, 0.001, 8.0, 2.0);
        assert_eq!(nobody(&segments, &[camera.clone(), other]), [0; 0]);
        assert_eq!(nobody(&segments, &[camera.clone(), vec![None; 9]]), [6]);
        assert_eq!(nobody(&segments, &[]), [0; 0]);
        // A gust at the camera, a voice hardly above the noise, and a map that is sure: speech.
        let mut gust = camera.clone();
        gust[6] = answer(25.0, -0.002, 2.0, 9.0);
        assert_eq!(nobody(&segments, &[gust]), [0; 0]);
        let faint = |h: Heard| Heard { over_db: 0.4 * h.over_db, ..h };
        assert_eq!(nobody(&segments, &[camera.iter().map(|h| h.map(faint)).collect()]), [0; 0]);
        segments[6].outside_band_db = Some(-20.0);
        assert_eq!(nobody(&segments, &[camera.clone()]), [0; 0]);
        segments[6] = SpeechSegment { confidence: 0.95, outside_band_db: None, ..segments[6] };
        assert_eq!(nobody(&segments, &[camera]), [0; 0]);
    }

    #[test]
    fn faint_ends_are_drawn_out_but_not_into_another_stretch() {
        let mut p = vec![0.0f32; 1000];
        p[100..200].fill(0.9);
        p[225..240].fill(0.3); // A faint syllable after a short pause; then nothing for too long.
        p[280..290].fill(0.3);
        p[400..500].fill(0.9);
        p[500..540].fill(0.3); // Faint up to the next stretch.
        p[540..600].fill(0.9);
        p[600..800].fill(0.3); // Longer than a word.
        let curve = SpeechCurve::from_values(p).unwrap();
        let drawn = curve.with_faint_ends(&curve.segments(&SpeechOptions::default()).unwrap());
        let spans: Vec<(i64, i64)> =
            drawn.iter().map(|s| ((s.start_s * 1e2).round() as i64, (s.end_s * 1e2).round() as i64)).collect();
        assert_eq!(spans, [(100, 240), (400, 540), (540, 700)]);
        assert!(curve.with_faint_ends(&[]).is_empty());
        let beyond = SpeechSegment::new(9.0, 20.0).unwrap();
        assert_eq!(curve.with_faint_ends(&[beyond]), [beyond]);
    }
}
