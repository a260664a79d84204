//! Whether a camera hears the same as the recorder at the same moment.

use std::collections::VecDeque;

use super::RATE_HZ;
use super::origin::{CameraEvidence, FAR_LAGS, Heard, NEAR_LAGS, SHARED_BINS, SHARED_WINDOW};
use super::segment::{SHARED_NARROW, SpeechSegment};
use coeval::{Error, Result};
use coeval_transform::{Complex, Forward, Inverse};

const SHARED_HOP: usize = 512;
/// Power over the mean noise from which a bin counts: noise by itself is above it once in 400 times.
const VOICE_OVER_NOISE: f32 = 6.0;
/// Bins over which the engine's part is one number.
const SHARED_GROUP: usize = 48;
/// Bins on either side that tell how much a camera hears near a frequency.
const NEAR_BINS: usize = 4;
/// 300 Hz to 3.4 kHz, which a radio's voice fills as well; bands of it in which the two levels are compared, and over how
/// many blocks (16 s) the usual difference is found.
const LEVEL_BINS: std::ops::Range<usize> = 38..435;
const LEVEL_BANDS: usize = 12;
const LEVEL_BLOCKS: f32 = 500.0;

/// What a camera hears of a stretch of the recorder's sound.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Reception {
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

impl Reception {
    /// An answer made elsewhere.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when a number is not finite.
    pub fn new(shared: f64, later_s: f64, over_db: f64, under_db: f64) -> Result<Self> {
        let all = [shared, later_s, over_db, under_db];
        match all.iter().all(|x| x.is_finite()) {
            true => Ok(Self { shared, later_s, over_db, under_db }),
            false => Err(Error::invalid(format!("what a camera hears is {all:?}, not finite numbers"))),
        }
    }
}

/// Cameras know voices where so many of them stand so far above the noise, by the median, dB.
const VOICES_LEAST: usize = 5;
const VOICES_OVER_DB: f64 = 4.0;
/// Share of that which an engine's turn does not reach, and how far a camera may hear what the recorder does not, dB.
const ENGINE_OVER: f64 = 0.5;
pub(super) const ENGINE_UNDER_DB: f64 = 6.0;
/// An engine's turn is never called speech more surely than this.
const ENGINE_CONFIDENCE: f32 = 0.88;
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
pub fn spoken(segments: &[SpeechSegment], heard: &[Vec<Option<Reception>>]) -> Vec<bool> {
    let mut engine = vec![false; segments.len()];
    let clear = |s: &SpeechSegment| s.confidence > ENGINE_CONFIDENCE || s.is_narrow();
    let mut voice: Vec<bool> = segments.iter().map(clear).collect();
    for camera in heard {
        let sure = |h: &&Reception| h.shared >= SHARED_NARROW;
        let mut over: Vec<f64> = camera.iter().flatten().filter(sure).map(|h| h.over_db).collect();
        over.sort_by(f64::total_cmp);
        let usual = if over.len() < VOICES_LEAST { 0.0 } else { over[over.len() / 2] };
        if usual < VOICES_OVER_DB {
            voice.iter_mut().zip(camera).filter(|v| v.1.is_some()).for_each(|v| *v.0 = true);
            continue;
        }
        let above = |h: &Reception| h.over_db >= ENGINE_OVER * usual;
        let places: Vec<f64> = camera.iter().flatten().filter(sure).filter(|h| above(h)).map(|h| h.later_s).collect();
        let from = |h: &Reception| places.iter().filter(|p| (*p - h.later_s).abs() <= SAME_PLACE_S).count();
        let known = |h: &Reception| from(h) as f64 >= SAME_PLACE * places.len() as f64;
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
struct LevelHistogram([u32; 320]);

impl LevelHistogram {
    pub(super) fn new() -> Self {
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
    pub(super) spans: Vec<(usize, usize)>,
    next_span: usize,
    recorder: VecDeque<f32>,
    pub(super) camera: VecDeque<f32>,
    pub(super) at: usize,
    pub(super) noise: Vec<f32>,
    /// Mean square of the noise's power over five seconds, and the root of half of that, of which each bin has the
    /// greatest near it.
    noise_square: Vec<f32>,
    noise_peak: Vec<f32>,
    /// Mean phase between the two where nobody speaks.
    pub(super) usual: Vec<Complex<f32>>,
    weights: Vec<f32>,
    quiet: usize,
    pub(super) sums: Vec<Complex<f32>>,
    blocks: usize,
    /// Level of the recorder over the camera's where nobody speaks, dB, and how far above it the stretch at work is: its
    /// bands, and its blocks by the mean of theirs.
    usual_db: [f32; LEVEL_BANDS],
    bands_db: LevelHistogram,
    blocks_db: LevelHistogram,
    /// Bins of each of these bands.
    level_bands: [std::ops::Range<usize>; LEVEL_BANDS],
    pub(super) answers: Vec<Option<Reception>>,
    evidence: CameraEvidence,
    pub(super) forward: Forward,
    pub(super) inverse: Inverse,
    pub(super) hann: Vec<f32>,
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
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when they are not in order.
    pub fn new(segments: &[SpeechSegment]) -> Result<Self> {
        if let Some(w) = segments.windows(2).find(|w| w[1].start_s < w[0].end_s) {
            return Err(Error::invalid(format!(
                "a stretch begins at {} s, before the end of the one before",
                w[1].start_s
            )));
        }
        let sample = |t: f64| (t.max(0.0) * RATE_HZ) as usize;
        let (forward, inverse) = coeval_transform::real(SHARED_WINDOW);
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
            noise_square: vec![0.0; bins],
            noise_peak: Vec::new(),
            usual: vec![Complex::default(); bins],
            weights: vec![0.0; bins],
            quiet: 0,
            sums: vec![Complex::default(); bins],
            blocks: 0,
            usual_db: [0.0; LEVEL_BANDS],
            level_bands: std::array::from_fn(|band| edge(band)..edge(band + 1)),
            bands_db: LevelHistogram::new(),
            blocks_db: LevelHistogram::new(),
            answers: vec![None; segments.len()],
            evidence: CameraEvidence::default(),
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
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when they differ in length.
    pub fn push(&mut self, recorder: &[f32], camera: &[f32]) -> Result<()> {
        if recorder.len() != camera.len() {
            return Err(Error::invalid(format!(
                "{} samples of the recorder, {} of the camera",
                recorder.len(),
                camera.len()
            )));
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

    pub(super) fn block(&mut self) {
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
            self.noise_peak.clear();
            let fast = (1.0 / self.quiet as f32).max(0.03);
            let slow = (1.0 / self.quiet as f32).max(0.006);
            for k in SHARED_BINS {
                let power = own[k].norm_sqr();
                self.noise[k] += fast * (power - self.noise[k]);
                self.noise_square[k] += slow * (power * power - self.noise_square[k]);
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
        if (self.at / SHARED_HOP).is_multiple_of(2) {
            self.witness(middle, &own, &other);
        }
        over.into_iter().for_each(|db| self.bands_db.add(db));
        self.blocks_db.add(over.iter().sum::<f32>() / LEVEL_BANDS as f32);
        self.blocks += 1;
    }

    /// Keeps what this block says of the voice's origin.
    fn witness(&mut self, middle: usize, own: &[Complex<f32>], other: &[Complex<f32>]) {
        let near = |k: usize| {
            let around = &other[k - NEAR_BINS..=k + NEAR_BINS];
            (around.iter().map(|c| c.norm_sqr()).sum::<f32>() / around.len() as f32).sqrt().max(1e-20)
        };
        if self.noise_peak.is_empty() {
            let near =
                |k: usize| &self.noise_square[k.saturating_sub(NEAR_BINS)..(k + NEAR_BINS + 1).min(SHARED_BINS.end)];
            let most = |k: usize| near(k).iter().copied().fold(0.0, f32::max);
            self.noise_peak = (0..SHARED_BINS.end).map(|k| (0.5 * most(k)).sqrt().max(self.noise[k])).collect();
        }
        let stands_out = |k: &usize| own[*k].norm_sqr() > VOICE_OVER_NOISE * self.noise_peak[*k];
        let heard = SHARED_BINS.filter(stands_out).map(|k| {
            let cross = own[k] * other[k].conj();
            let voice = (own[k].norm_sqr() - self.noise[k]).sqrt();
            let phase = cross * (1.0 / cross.norm().max(1e-20));
            Heard { bin: k, phase, noise: self.usual[k], voice, camera: other[k].norm(), near: near(k) }
        });
        let heard: Vec<Heard> = heard.collect();
        self.evidence.push(middle as f64 / RATE_HZ, &heard);
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
            self.answers[self.next_span] = Some(Reception {
                shared: f64::from(peak / spread.max(1e-20)),
                // The peak lies where the recorder's sound would have to be moved to.
                later_s: -lag as f64 / RATE_HZ,
                over_db: self.blocks_db.quantile(0.9),
                under_db: -self.bands_db.quantile(0.1),
            });
        }
        (self.bands_db, self.blocks_db) = (LevelHistogram::new(), LevelHistogram::new());
        self.sums.fill(Complex::default());
        self.weights.fill(0.0);
        self.blocks = 0;
        self.next_span += 1;
    }

    /// For each stretch, what the camera hears of it; `None` where it did not run.
    pub fn finish(self) -> Vec<Option<Reception>> {
        self.finish_with_evidence().0
    }

    /// The same, and what [`origins`](super::origins) needs.
    pub fn finish_with_evidence(mut self) -> (Vec<Option<Reception>>, CameraEvidence) {
        while self.next_span < self.spans.len() {
            self.close();
        }
        (self.answers, self.evidence)
    }
}
