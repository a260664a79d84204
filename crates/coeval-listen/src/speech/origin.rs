//! Local voice or radio, step by step, with a probability: one hidden Markov chain over every stretch of speech.
//!
//! The chain has two states and a step of 10 ms ([`STEP_S`]). Two things are observed.
//!
//! **What a camera hears of a local voice, and should hear.** In every bin in which the recorder's voice stands out of the
//! recorder's noise, a local voice gives the camera a part with a known phase: that of the recorder, moved by the lag of the
//! speaker's seat. Given the two amplitudes the phase between the devices has a von Mises distribution about it, with a
//! concentration of twice the expected amplitude over the camera's whole amplitude there; a voice that the camera does not
//! hear leaves the phase uniform. The logarithm of the ratio of the two is positive where the camera hears the voice, negative
//! where it should and does not, and near nought where it could not hear it anyway. How loud local voices are at
//! the camera (a gain for each of eight bands) and at which lags they come is fitted to the recording itself, with the chain's
//! own answer as weights (expectation and maximisation; A. P. Dempster, N. M. Laird, D. B. Rubin, J. R. Stat. Soc. B 39(1),
//! 1977). A camera that hears nobody gets a gain near nought, and says nothing.
//!
//! **The band.** A radio has little below 280 Hz and above 3.6 kHz. How the power outside is distributed is known of both
//! beforehand, and learnt further from the recording: where cameras hear a local voice in a narrow band, a narrow band
//! soon says nothing.
//!
//! L. R. Rabiner, Proc. IEEE 77(2), 1989, has the chain's forward and backward passes.

use super::curve::SpeechCurve;
use super::segment::{Origin, SpeechSegment};
use super::{RATE_HZ, STEP_S};
use coeval_transform::{Complex, Forward, Inverse};

/// Samples of a block in which a recorder and a camera are compared.
pub(super) const SHARED_WINDOW: usize = 2048;
/// 150 Hz to 6 kHz: what a headset and a camera both take.
pub(super) const SHARED_BINS: std::ops::Range<usize> = 19..768;
/// Lags within which a voice may come, and lags that show what chance does, samples.
pub(super) const NEAR_LAGS: usize = 64;
pub(super) const FAR_LAGS: std::ops::Range<usize> = 240..960;

// What half and double do is said of 16 tuning scenes with a camera that hears people at -9 dB (`speech -- --origin
// --tuning`). As it was then, 0.7 % of the radio is called local, 0.2 % of local voices the radio, and 9 cuts are too many.

/// Mean length of a turn before the other origin follows in the same stretch, seconds (a guess). A change costs 6.2 nats. Half:
/// 22 cuts too many; double: 7.
const TURN_S: f64 = 5.0;
/// Seconds from one block of a camera's evidence to the next: every second block of the meter.
const BLOCK_S: f64 = 1024.0 / RATE_HZ;
/// Independent measures for every bin and block. Neighbours in a Hann window's spectrum are correlated by 2/3 and 1/6,
/// blocks that overlap by half by 1/6: the variance of a sum grows 1.94 and 1.06 times. Half and double: 0.9 % of the
/// radio is called local.
const INDEPENDENT: f32 = 0.49;
/// One block speaks for a local voice with no more than this and against it with no more than that, nats: once in 50
/// blocks chance or a loudspeaker gives a camera what looks like the voice, once in 7 it misses a voice, as when a head
/// turns away (guesses). Half and double of the first change nothing; half of the second: 1.6 % of the radio is called
/// local; double: 0.7 % of local voices the radio.
const BLOCK_FOR: f32 = 4.0;
const BLOCK_AGAINST: f32 = 2.0;
/// What stands for one in a stored phase.
const PHASE: f32 = 63.0;
/// Bands with a gain of their own.
const BANDS: usize = 8;
/// Lags at which voices may reach the camera: within 4 ms.
const LAGS: usize = 2 * NEAR_LAGS + 1;
/// Blocks whose voice is taken to come from one place, 1 s.
const PLACE_BLOCKS: usize = 16;
/// The gains and lags are fitted to no more blocks than this, in so many rounds.
const FIT_BLOCKS: usize = 2048;
const ROUNDS: usize = 8;
/// Mean distance of voices from where the alignment has them, samples: 0.5 ms, 17 cm (a guess). Half and double change nothing.
const USUAL_LAG: f32 = 8.0;
/// Share of voices that come from any lag, whatever was learnt of the others (a guess). Half and double change nothing.
const ANYWHERE: f32 = 0.1;

/// Power outside a radio's band over that within, dB: the first class ends at `OUTSIDE_FROM_DB`, each next one 4 dB higher.
const OUTSIDE_FROM_DB: f32 = -28.0;
const OUTSIDE_STEP_DB: f32 = 4.0;
const CLASSES: usize = 10;
/// How often each class comes in steps of local speech and of the radio: tuning voices.
const USUAL_LOCAL: [f32; CLASSES] = [0.08, 0.01, 0.01, 0.01, 0.02, 0.04, 0.1, 0.19, 0.25, 0.29];
const USUAL_RADIO: [f32; CLASSES] = [0.49, 0.08, 0.08, 0.07, 0.07, 0.07, 0.07, 0.05, 0.01, 0.01];
/// Steps of speech that these are worth against the recording's own. Half: 0.5 % of the radio is called local; double: 1.0 %.
const USUAL_STEPS: f32 = 2000.0;
/// Independent measures in every step: a sound of speech lasts some 100 ms. At -6 dB half: 0.9 % of local voices are
/// called the radio and not 0.3; double: 2.6 % of the radio is called local and not 0.5.
const BAND_INDEPENDENT: f32 = 0.1;

/// What a camera hears of a recorder's speech, block by block of 64 ms. Some 0.5 kB for every block.
#[derive(Debug, Clone, Default)]
pub struct CameraEvidence {
    blocks: Vec<Block>,
    bins: Vec<Bin>,
}

/// A bin of a block in which the recorder's voice stands out of the noise.
pub(super) struct Heard {
    pub(super) bin: usize,
    /// Phase of the recorder's sound against the camera's, magnitude one, and what it is of the noise that both hear: its
    /// magnitude is how surely.
    pub(super) phase: Complex<f32>,
    pub(super) noise: Complex<f32>,
    /// Amplitude of the voice at the recorder, of all at the camera, and of all at the camera near this frequency.
    pub(super) voice: f32,
    pub(super) camera: f32,
    pub(super) near: f32,
}

#[derive(Debug, Clone, Copy)]
struct Block {
    /// Its middle on the recorder's clock, seconds.
    at_s: f64,
    /// The bins before its last.
    end: usize,
}

/// The same in eight bytes.
#[derive(Debug, Clone, Copy)]
struct Bin {
    bin: u16,
    /// Phase of the recorder's sound against the camera's without the noise: real and imaginary part in parts of [`PHASE`].
    phase: [i8; 2],
    /// The voice at the recorder over all that the camera hears near this frequency: half decibels from -40 dB up.
    ratio: u8,
    /// The camera's amplitude here over that near this frequency: 64 being one.
    camera: u8,
}

impl CameraEvidence {
    /// Takes a block. What of a band's phases fits the noise that both hear is taken away from them: an engine is no voice.
    pub(super) fn push(&mut self, at_s: f64, heard: &[Heard]) {
        for heard in heard.chunk_by(|a, b| band_of(a.bin) == band_of(b.bin)) {
            let fits: f32 = heard.iter().map(|h| h.camera / h.near * (h.phase * h.noise.conj()).re).sum();
            let whole: f32 = heard.iter().map(|h| h.camera / h.near * h.noise.norm_sqr()).sum();
            let part = (fits / whole.max(1e-20)).clamp(0.0, 1.0);
            self.bins.extend(heard.iter().map(|heard| {
                let phase = heard.phase - heard.noise * part;
                Bin {
                    bin: heard.bin as u16,
                    phase: [(PHASE * phase.re) as i8, (PHASE * phase.im) as i8],
                    // Out of range it saturates.
                    ratio: (2.0 * (20.0 * (heard.voice / heard.near).max(1e-9).log10() + 40.0)).round() as u8,
                    camera: (64.0 * heard.camera / heard.near).round() as u8,
                }
            }));
        }
        self.blocks.push(Block { at_s, end: self.bins.len() });
    }

    /// Adds what the camera heard in another of its files, whose times are counted from `later_s` on.
    pub fn append(&mut self, other: &Self, later_s: f64) {
        let from = self.bins.len();
        self.bins.extend_from_slice(&other.bins);
        self.blocks.extend(other.blocks.iter().map(|b| Block { at_s: b.at_s + later_s, end: b.end + from }));
    }

    /// How surely the camera hears the same sound as the recorder between two moments of the recorder's clock, seconds:
    /// the peak of the common sound within 4 ms, in standard deviations of what lies at 15 to 60 ms. `None` where it did
    /// not run.
    pub fn shared(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let mut scorer = Scorer::new();
        let inside = |block: &usize| (from_s..to_s).contains(&self.blocks[*block].at_s);
        let mut blocks = (0..self.blocks.len()).filter(inside).peekable();
        blocks.peek()?;
        for bin in blocks.flat_map(|b| self.bins_of(b)) {
            scorer.spectrum[usize::from(bin.bin)] += bin.phase() * bin.camera();
        }
        scorer.inverse.process(&mut scorer.spectrum, &mut scorer.time).expect("buffers come from the plan");
        let at = |lag: i64| scorer.time[lag.rem_euclid(SHARED_WINDOW as i64) as usize];
        let peak = (0..LAGS).map(|i| at(Scorer::lag(i)).abs()).fold(0.0, f32::max);
        let far: f32 = FAR_LAGS.flat_map(|lag| [at(lag as i64), at(-(lag as i64))]).map(|x| x * x).sum();
        Some(f64::from(peak / (far / (2 * FAR_LAGS.len()) as f32).sqrt().max(1e-20)))
    }

    fn bins_of(&self, block: usize) -> &[Bin] {
        let from = block.checked_sub(1).map_or(0, |before| self.blocks[before].end);
        &self.bins[from..self.blocks[block].end]
    }
}

impl Bin {
    fn band(self) -> usize {
        band_of(usize::from(self.bin))
    }

    fn ratio(self) -> f32 {
        10f32.powf((0.5 * f32::from(self.ratio) - 40.0) / 20.0)
    }

    fn camera(self) -> f32 {
        f32::from(self.camera) / 64.0
    }

    fn phase(self) -> Complex<f32> {
        Complex::new(f32::from(self.phase[0]), f32::from(self.phase[1])) * (1.0 / PHASE)
    }
}

/// The band of a bin.
fn band_of(bin: usize) -> usize {
    let width = (SHARED_BINS.end as f32 / SHARED_BINS.start as f32).ln();
    let at = (bin as f32 / SHARED_BINS.start as f32).ln();
    ((at / width * BANDS as f32) as usize).min(BANDS - 1)
}

/// Probability of every lag before anything is known.
fn usual_lags() -> Vec<f32> {
    let mut lags: Vec<f32> = (0..LAGS).map(|i| (-(Scorer::lag(i).abs() as f32) / USUAL_LAG).exp()).collect();
    let sum: f32 = lags.iter().sum();
    lags.iter_mut().for_each(|lag| *lag /= sum);
    lags
}

/// How local voices reach a camera.
struct Path {
    /// Amplitude at the camera over that at the recorder, by band.
    gains: [f32; BANDS],
    /// Probability of each lag.
    lags: Vec<f32>,
}

/// A block's evidence for a local voice at every lag, nats.
struct Scorer {
    forward: Forward,
    inverse: Inverse,
    spectrum: Vec<Complex<f32>>,
    time: Vec<f32>,
    scores: Vec<f32>,
}

impl Scorer {
    fn new() -> Self {
        let (forward, inverse) = coeval_transform::real(SHARED_WINDOW);
        let (spectrum, time) = (inverse.make_input_vec(), inverse.make_output_vec());
        Self { forward, inverse, spectrum, time, scores: vec![0.0; LAGS] }
    }

    /// Lags in the order of `scores`.
    fn lag(index: usize) -> i64 {
        index as i64 - NEAR_LAGS as i64
    }

    /// Mean phase of every bin for these probabilities of the lags.
    fn turns(&mut self, lags: &[f32]) -> &[Complex<f32>] {
        self.time.fill(0.0);
        for (i, p) in lags.iter().enumerate() {
            self.time[Self::lag(i).rem_euclid(SHARED_WINDOW as i64) as usize] = *p;
        }
        self.forward.process(&mut self.time, &mut self.spectrum).expect("buffers come from the plan");
        &self.spectrum
    }

    fn score(&mut self, bins: &[Bin], gains: &[f32; BANDS]) -> &[f32] {
        self.spectrum.fill(Complex::default());
        let mut all = 0.0;
        for bin in bins {
            let sharp = concentration(*bin, gains);
            all += price(sharp);
            self.spectrum[usize::from(bin.bin)] = bin.phase() * (0.5 * sharp);
        }
        self.inverse.process(&mut self.spectrum, &mut self.time).expect("buffers come from the plan");
        for (i, score) in self.scores.iter_mut().enumerate() {
            *score = INDEPENDENT * (self.time[Self::lag(i).rem_euclid(SHARED_WINDOW as i64) as usize] - all);
        }
        &self.scores
    }
}

/// Concentration of the phase of a local voice.
fn concentration(bin: Bin, gains: &[f32; BANDS]) -> f32 {
    2.0 * (gains[bin.band()] * bin.ratio()).min(1.0) * bin.camera()
}

/// Mean cosine about the mean of a von Mises distribution of this concentration, I1 / I0, within 0.03.
fn alignment(concentration: f32) -> f32 {
    concentration / (4.0 + concentration * concentration).sqrt()
}

/// What a phase of this concentration pays for it, the logarithm of the Bessel function I0: the integral of `alignment`.
fn price(concentration: f32) -> f32 {
    (4.0 + concentration * concentration).sqrt() - 2.0
}

/// Logarithm of a weighted sum of exponentials.
fn log_sum(weights: &[f32], exponents: &[f32]) -> f32 {
    let most = exponents.iter().copied().fold(f32::MIN, f32::max);
    let sum: f32 = weights.iter().zip(exponents).map(|(w, e)| w * (e - most).exp()).sum();
    most + sum.max(1e-30).ln()
}

impl Path {
    /// Nothing is known: a voice is half of what the camera hears, and comes from anywhere.
    fn unknown(evidence: &CameraEvidence, blocks: &[usize]) -> Self {
        let mut ratios: [Vec<f32>; BANDS] = Default::default();
        for bin in blocks.iter().flat_map(|&b| evidence.bins_of(b)) {
            ratios[bin.band()].push(bin.ratio());
        }
        let gains = ratios.map(|mut ratios| {
            ratios.sort_by(f32::total_cmp);
            0.5 / ratios.get(ratios.len() / 2).copied().unwrap_or(1.0).max(1e-6)
        });
        Self { gains, lags: usual_lags() }
    }

    /// Fits gains and lags, `local` being the probability of a local voice in each of the blocks.
    fn fit(&mut self, evidence: &CameraEvidence, blocks: &[usize], local: &[f32], scorer: &mut Scorer) {
        let (mut aligned, mut expected, mut chance) = ([0f32; BANDS], [1e-3f32; BANDS], [0f32; BANDS]);
        let mut places = vec![0.0; LAGS];
        for (place, local) in blocks.chunks(PLACE_BLOCKS).zip(local.chunks(PLACE_BLOCKS)) {
            let mut scores = vec![0.0; LAGS];
            for (&block, local) in place.iter().zip(local) {
                let own = scorer.score(evidence.bins_of(block), &self.gains);
                scores.iter_mut().zip(own).for_each(|(s, o)| *s += local * o);
            }
            let all = log_sum(&self.lags, &scores);
            let heard: f32 = local.iter().sum();
            for ((score, lag), place) in scores.iter_mut().zip(&self.lags).zip(&mut places) {
                *score = lag * (*score - all).exp();
                *place += heard * *score;
            }
            let turns = scorer.turns(&scores);
            for (&block, local) in place.iter().zip(local) {
                for bin in evidence.bins_of(block) {
                    let (band, sharp) = (bin.band(), concentration(*bin, &self.gains));
                    let weight = local * sharp;
                    aligned[band] += weight * (bin.phase() * turns[usize::from(bin.bin)].conj()).re;
                    expected[band] += weight * alignment(sharp);
                    chance[band] += 0.5 * weight * weight / INDEPENDENT;
                }
            }
        }
        for (band, gain) in self.gains.iter_mut().enumerate() {
            // Less by a standard error: the lags are those at which chance helps most.
            *gain *= ((aligned[band] - chance[band].sqrt()) / expected[band]).clamp(0.25, 4.0);
        }
        // A lag's neighbours are as likely: heads move.
        let sum: f32 = places.iter().sum();
        if sum > 0.0 {
            for (i, (lag, usual)) in self.lags.iter_mut().zip(usual_lags()).enumerate() {
                let near = &places[i.saturating_sub(1)..(i + 2).min(LAGS)];
                let mean = near.iter().sum::<f32>() / near.len() as f32;
                *lag = (1.0 - ANYWHERE) * mean / sum + ANYWHERE * usual;
            }
        }
    }

    /// Evidence of a block for a local voice, nats.
    fn heard(&self, bins: &[Bin], scorer: &mut Scorer) -> f32 {
        let scores = scorer.score(bins, &self.gains);
        log_sum(&self.lags, scores).clamp(-BLOCK_AGAINST, BLOCK_FOR)
    }
}

/// Steps of a curve that a stretch covers.
fn steps_of(segment: &SpeechSegment, steps: usize) -> std::ops::Range<usize> {
    let step = |s: f64| ((s / STEP_S).round().max(0.0) as usize).min(steps);
    step(segment.start_s)..step(segment.end_s)
}

/// Class of each step's power outside a radio's band; `None` where nothing stands out of the floor.
fn classes(curve: &SpeechCurve) -> Vec<Option<usize>> {
    let class = |[inside, outside]: &[f32; 2]| {
        let db = 10.0 * (outside / inside).max(1e-6).log10();
        let class = ((db - OUTSIDE_FROM_DB) / OUTSIDE_STEP_DB + 1.0).max(0.0) as usize;
        (*inside > 0.0).then_some(class.min(CLASSES - 1))
    };
    curve.band_power.iter().map(class).collect()
}

/// Probability of the radio in every step of every stretch, from the evidence of each step for a local voice, nats.
fn smoothed(local: &[f32], stretches: &[std::ops::Range<usize>]) -> Vec<f32> {
    let change = STEP_S / TURN_S;
    let mut radio = vec![0.5; local.len()];
    for stretch in stretches {
        let likely = |step: usize| {
            let local = f64::from(local[step]);
            // Both divided by the greater.
            [(local.min(0.0)).exp(), (-local.max(0.0)).exp()]
        };
        // As often to the radio as from it: the same in both directions of time.
        let moved = |p: [f64; 2]| [p[0] + change * (p[1] - p[0]), p[1] + change * (p[0] - p[1])];
        let normal = |p: [f64; 2]| [p[0] / (p[0] + p[1]), p[1] / (p[0] + p[1])];
        let mut forward = Vec::with_capacity(stretch.len());
        let mut now = [0.5, 0.5];
        for step in stretch.clone() {
            let seen = likely(step);
            now = normal([now[0] * seen[0], now[1] * seen[1]]);
            forward.push(now);
            now = moved(now);
        }
        let mut later = [0.5, 0.5];
        for (step, before) in stretch.clone().zip(forward).rev() {
            radio[step] = normal([before[0] * later[0], before[1] * later[1]])[1] as f32;
            let seen = likely(step);
            later = normal(moved([later[0] * seen[0], later[1] * seen[1]]));
        }
    }
    radio
}

/// How the power outside the band is distributed: of local voices and of the radio.
struct BandHabits([[f32; CLASSES]; 2]);

impl BandHabits {
    fn usual() -> Self {
        Self([USUAL_LOCAL, USUAL_RADIO])
    }

    fn learnt(classes: &[Option<usize>], radio: &[f32], stretches: &[std::ops::Range<usize>]) -> Self {
        let mut habits = Self::usual().0.map(|habit| habit.map(|share| share * USUAL_STEPS));
        for step in stretches.iter().flat_map(Clone::clone) {
            if let Some(class) = classes[step] {
                habits[0][class] += 1.0 - radio[step];
                habits[1][class] += radio[step];
            }
        }
        Self(habits.map(|habit| habit.map(|n| n / habit.iter().sum::<f32>())))
    }

    /// Evidence of each step for a local voice, nats.
    fn evidence(&self, classes: &[Option<usize>]) -> Vec<f32> {
        let of = |class: &Option<usize>| {
            class.map_or(0.0, |class| BAND_INDEPENDENT * (self.0[0][class] / self.0[1][class]).ln())
        };
        classes.iter().map(of).collect()
    }
}

/// A stretch of speech, or a part of it, with one origin.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct OriginSpan {
    /// Which of the stretches it is a part of.
    pub segment: usize,
    /// Where it begins, seconds.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
    /// Mean probability of speech in it, 0 to 1.
    pub confidence: f32,
    /// Probability that the voice comes over the radio, 0 to 1.
    pub radio: f64,
}

impl OriginSpan {
    /// Where the voice comes from: unknown between the probabilities 0.1 and 0.9 of the radio.
    pub fn origin(&self) -> Origin {
        Origin::of(self.radio)
    }
}

/// Where the voices of these stretches, in time order, come from: each stretch whole, or cut where the origin changes.
/// `cameras` is what each of the cameras heard of the stretches; without any the band alone says something.
pub fn origins(curve: &SpeechCurve, segments: &[SpeechSegment], cameras: &[CameraEvidence]) -> Vec<OriginSpan> {
    let steps = curve.probability.len();
    let stretches: Vec<_> = segments.iter().map(|s| steps_of(s, steps)).collect();
    let mut classes = classes(curve);
    classes.resize(steps, None);
    let mut heard = vec![0.0; steps];
    let usual = BandHabits::usual().evidence(&classes);
    for camera in cameras {
        heard_by(camera, &usual, &stretches).into_iter().zip(&mut heard).for_each(|(own, all)| *all += own);
    }
    let together = |band: Vec<f32>| -> Vec<f32> { band.iter().zip(&heard).map(|(b, h)| b + h).collect() };
    let mut radio = smoothed(&together(usual), &stretches);
    for _ in 0..ROUNDS {
        let band = BandHabits::learnt(&classes, &radio, &stretches).evidence(&classes);
        radio = smoothed(&together(band), &stretches);
    }
    let mut spans = Vec::new();
    for (i, (segment, stretch)) in segments.iter().zip(stretches).enumerate() {
        let sides = &radio[stretch.clone()];
        let cuts = (1..sides.len()).filter(|&k| (sides[k] > 0.5) != (sides[k - 1] > 0.5));
        let edges: Vec<usize> = std::iter::once(0).chain(cuts).chain([sides.len()]).collect();
        for edge in edges.windows(2) {
            let mean = |x: &[f32]| {
                let part = &x[stretch.start + edge[0]..stretch.start + edge[1]];
                part.iter().sum::<f32>() / part.len().max(1) as f32
            };
            let at_s = |k: usize| (stretch.start + k) as f64 * STEP_S;
            let start_s = if edge[0] == 0 { segment.start_s } else { at_s(edge[0]) };
            let end_s = if edge[1] == sides.len() { segment.end_s } else { at_s(edge[1]) };
            let (radio, confidence) = match sides.is_empty() {
                true => (0.5, segment.confidence),
                false => (f64::from(mean(&radio)), mean(&curve.probability)),
            };
            spans.push(OriginSpan { segment: i, start_s, end_s, confidence, radio });
        }
    }
    spans
}

/// A camera's evidence for a local voice in every step, nats. `band` is that of the band.
fn heard_by(camera: &CameraEvidence, band: &[f32], stretches: &[std::ops::Range<usize>]) -> Vec<f32> {
    let inside = |block: &usize| {
        let step = (camera.blocks[*block].at_s / STEP_S) as usize;
        stretches.iter().any(|s| s.contains(&step))
    };
    let all: Vec<usize> = (0..camera.blocks.len()).filter(inside).collect();
    // Some seconds here and there.
    let places = all.chunks(PLACE_BLOCKS);
    let apart = (all.len() / FIT_BLOCKS).max(1);
    let some: Vec<usize> = places.step_by(apart).flatten().copied().collect();
    let mut scorer = Scorer::new();
    let mut path = Path::unknown(camera, &some);
    let mut evidence = band.to_vec();
    let steps_of_block = |block: usize| {
        let from_s = camera.blocks[block].at_s - 0.5 * BLOCK_S;
        let step = |s: f64| ((s / STEP_S).round().max(0.0) as usize).min(band.len());
        step(from_s)..step(from_s + BLOCK_S)
    };
    let said = |path: &Path, blocks: &[usize], scorer: &mut Scorer| {
        let mut heard = vec![0.0; band.len()];
        for &block in blocks {
            let nats = path.heard(camera.bins_of(block), scorer) * (STEP_S / BLOCK_S) as f32;
            heard[steps_of_block(block)].iter_mut().for_each(|h| *h += nats);
        }
        heard
    };
    for _ in 0..ROUNDS {
        let radio = smoothed(&evidence, stretches);
        let local = |block: usize| {
            let steps = steps_of_block(block);
            1.0 - radio[steps.clone()].iter().sum::<f32>() / steps.len().max(1) as f32
        };
        let local: Vec<f32> = some.iter().map(|&b| local(b)).collect();
        path.fit(camera, &some, &local, &mut scorer);
        let heard = said(&path, &some, &mut scorer);
        evidence.iter_mut().zip(band).zip(heard).for_each(|((e, b), h)| *e = b + h);
    }
    said(&path, &all, &mut scorer)
}
