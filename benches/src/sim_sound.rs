//! The sounds that a simulated shoot is mixed from: real voices and engines, rooms, wind, gain control.
//!
//! Everything here runs at [`WORLD_RATE_HZ`], mono. Filters that shape a voice on its way into a
//! recorder are zero-phase, so that they move nothing in time.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock};

use coeval_transform::{Forward, Inverse, real};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;

use crate::origins::{Part, part_of};

/// Rate at which the world is mixed before the devices sample it, in Hz.
pub const WORLD_RATE_HZ: f64 = 16_000.0;

/// Speed of sound at 20 degrees Celsius, m/s.
pub const SPEED_OF_SOUND_M_S: f64 = 343.2;

/// Frame by which speech is called active: 20 ms.
pub(crate) const FRAME: usize = 320;

/// What lies among the prompts and is no speech: sixteen seconds of monkeys.
pub(crate) const NO_SPEECH: [&str; 1] = ["tt-monkeys"];

/// One speaker's sentences.
#[derive(Debug, Clone)]
pub struct Voice {
    /// Name of the speaker's folder in the package it comes from.
    pub name: String,
    /// Sentences without the silence around them, each at unit root mean square over its active frames.
    pub prompts: Vec<Arc<Vec<f32>>>,
    /// The name of each.
    pub names: Vec<String>,
}

/// One engine's running sound.
#[derive(Debug, Clone)]
pub struct Engine {
    /// File name without its ending.
    pub name: String,
    /// A steady stretch, unit root mean square.
    pub sound: Vec<f32>,
}

impl Engine {
    /// The same revving: its speed and its level swing within seconds.
    pub fn revving(&self, phase: f64) -> Self {
        let mut at = 0.0f64;
        let sound = (0..40 * 16_000)
            .map(|i| {
                let t = i as f64 / 16_000.0;
                let swing = (t * 2.1 + phase).sin() + (t * 0.73 + 2.0 * phase).sin();
                at = (at + 1.0 + 0.2 * swing) % (self.sound.len() - 1) as f64;
                let level = 10f64.powf(0.2 * swing + 0.1 * (t * 5.3 + phase).sin());
                let (k, f) = (at as usize, at.fract());
                (level * (f64::from(self.sound[k]) * (1.0 - f) + f64::from(self.sound[k + 1]) * f)) as f32
            })
            .collect();
        Self { name: format!("{}-revving", self.name), sound }
    }
}

/// Voices and engines to draw from.
#[derive(Debug, Clone)]
pub struct Material {
    /// Speakers.
    pub voices: Vec<Voice>,
    /// Engines.
    pub engines: Vec<Engine>,
}

impl Material {
    /// Reads what `benches/scripts/fetch_sounds.sh` has put into `folder`.
    ///
    /// # Errors
    /// When the folder was not made by that script.
    pub fn load(folder: &Path) -> io::Result<Self> {
        let mut voices = Vec::new();
        let mut engines = Vec::new();
        for path in sorted(&folder.join("voices"), "wav")? {
            let all = read_wav(&path)?;
            let (mut prompts, mut names) = (Vec::new(), Vec::new());
            for line in fs::read_to_string(path.with_extension("txt"))?.lines() {
                let words: Vec<&str> = line.split(' ').collect();
                let number = |k: usize| words.get(k).and_then(|w| w.parse::<usize>().ok());
                let (Some(first), Some(len), Some(name)) = (number(0), number(1), words.get(2)) else {
                    return Err(io::Error::other(format!(
                        "{}: bad line {line:?}; remove the folder and run benches/scripts/fetch_sounds.sh again",
                        path.display()
                    )));
                };
                let end = (first + len).min(all.len());
                if let Some(prompt) = trimmed(&all[first.min(end)..end]) {
                    prompts.push(Arc::new(prompt));
                    names.push((*name).to_owned());
                }
            }
            voices.push(Voice { name: stem(&path), prompts, names });
        }
        for path in sorted(&folder.join("engines"), "wav")? {
            let mut sound = read_wav(&path)?;
            let level = rms(&sound);
            sound.iter_mut().for_each(|x| *x /= level.max(1e-9));
            engines.push(Engine { name: stem(&path), sound });
        }
        if voices.len() < 2 || engines.len() < 2 {
            return Err(io::Error::other(format!("{}: voices or engines are missing", folder.display())));
        }
        Ok(Self { voices, engines })
    }

    /// What speech is judged on: `tuning` for weights and thresholds ([`Part::Train`] and [`Part::Tune`]: there are few
    /// voices), else [`Part::Test`] for the tables. The tuning engines come once more, revving.
    ///
    /// # Errors
    /// When a voice is missing.
    pub fn for_speech(&self, tuning: bool) -> Result<Self, String> {
        let wanted = |file: String| Ok::<_, String>((part_of(&file)? != Part::Test) == tuning);
        let mut voices = Vec::new();
        for voice in &self.voices {
            if wanted(format!("voices/{}", voice.name))? {
                let said = voice.names.iter().zip(&voice.prompts).filter(|n| !NO_SPEECH.contains(&n.0.as_str()));
                let (names, prompts) = said.map(|(n, p)| (n.clone(), p.clone())).unzip();
                voices.push(Voice { name: voice.name.clone(), names, prompts });
            }
        }
        // Two people aboard and a radio.
        if let [first, _] = voices.as_slice() {
            voices.push(first.clone());
        }
        if voices.len() < 3 {
            return Err("voices are missing".to_owned());
        }
        let mut engines: Vec<Engine> = Vec::new();
        for engine in &self.engines {
            if wanted(format!("engines/{}", engine.name))? {
                engines.push(engine.clone());
            }
        }
        if tuning {
            let more: Vec<Engine> = engines.iter().enumerate().map(|(e, engine)| engine.revving(e as f64)).collect();
            engines.extend(more);
        }
        Ok(Self { voices, engines })
    }

    /// Stand-ins made of noise, for tests that must run without the real sounds.
    pub fn synthetic(seed: u64) -> Self {
        let mut rng = SmallRng::seed_from_u64(seed);
        let mut voices = Vec::new();
        for v in 0..4 {
            let prompts: Vec<_> = (0..40)
                .filter_map(|_| {
                    let n = rng.random_range(20_000..60_000);
                    let noise: Vec<f32> = (0..n).map(|_| rng.sample::<f32, _>(StandardNormal)).collect();
                    let mut x = zero_phase(&noise, |f| if (150.0..5000.0).contains(&f) { 1.0 } else { 0.0 });
                    for (i, x) in x.iter_mut().enumerate() {
                        *x *= 0.2 * (1.0 + (i as f32 / 900.0).sin());
                    }
                    trimmed(&x).map(Arc::new)
                })
                .collect();
            let names = (0..prompts.len()).map(|p| format!("noise-{v}-{p}")).collect();
            voices.push(Voice { name: format!("noise-{v}"), prompts, names });
        }
        let engines = (0..3)
            .map(|e| {
                let sound: Vec<f32> = (0..48_000)
                    .map(|i| {
                        let t = i as f32 / WORLD_RATE_HZ as f32;
                        (1..40).map(|k| (k as f32 * (23.0 + 3.0 * e as f32) * 6.283_185_5 * t).sin() / k as f32).sum()
                    })
                    .collect();
                let level = rms(&sound);
                Engine { name: format!("orders-{e}"), sound: sound.iter().map(|x| x / level).collect() }
            })
            .collect();
        Self { voices, engines }
    }
}

fn sorted(folder: &Path, ending: &str) -> io::Result<Vec<std::path::PathBuf>> {
    let mut paths: Vec<_> = fs::read_dir(folder)
        .map_err(|e| {
            io::Error::new(e.kind(), format!("{}: {e}; run benches/scripts/fetch_sounds.sh", folder.display()))
        })?
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == ending))
        .collect();
    paths.sort();
    Ok(paths)
}

fn stem(path: &Path) -> String {
    path.file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

fn read_wav(path: &Path) -> io::Result<Vec<f32>> {
    let mut reader = hound::WavReader::open(path).map_err(|e| io::Error::other(format!("{}: {e}", path.display())))?;
    if reader.spec().sample_rate != WORLD_RATE_HZ as u32 || reader.spec().channels != 1 {
        return Err(io::Error::other(format!("{}: not {WORLD_RATE_HZ} Hz mono", path.display())));
    }
    reader.samples::<i16>().map(|s| s.map(|s| f32::from(s) / 32768.0).map_err(io::Error::other)).collect()
}

/// Root mean square, 0 for nothing.
pub(crate) fn rms(x: &[f32]) -> f32 {
    (energy(x) / x.len().max(1) as f64).sqrt() as f32
}

pub(crate) fn energy(x: &[f32]) -> f64 {
    x.iter().map(|&x| f64::from(x) * f64::from(x)).sum()
}

/// Which 20 ms frames of speech are active: no more than 15.9 dB below its mean level (the margin of
/// ITU-T P.56, method B, without its hangover).
pub(crate) fn active_frames(x: &[f32]) -> Vec<bool> {
    let floor = energy(x) / x.len().max(1) as f64 * 10f64.powf(-1.59);
    x.chunks(FRAME).map(|f| energy(f) / f.len() as f64 >= floor).collect()
}

/// Cuts the silence around a sentence and brings its active frames to unit level. `None`: under a second of speech.
fn trimmed(x: &[f32]) -> Option<Vec<f32>> {
    let active = active_frames(x);
    let first = active.iter().position(|&a| a)?.saturating_sub(2) * FRAME;
    let last = ((active.iter().rposition(|&a| a)? + 3) * FRAME).min(x.len());
    let frames = active.iter().filter(|&&a| a).count();
    if frames * FRAME < WORLD_RATE_HZ as usize * 7 / 10 {
        return None;
    }
    let loud: f64 = x.chunks(FRAME).zip(&active).filter(|(_, a)| **a).map(|(f, _)| energy(f)).sum();
    let level = (loud / (frames * FRAME) as f64).sqrt() as f32;
    (level > 1e-4).then(|| x[first..last].iter().map(|x| x / level).collect())
}

/// The transforms' plans, made once for each length.
fn plan(len: usize) -> (Forward, Inverse) {
    static PLANS: OnceLock<Mutex<HashMap<usize, (Forward, Inverse)>>> = OnceLock::new();
    let plans = PLANS.get_or_init(Mutex::default);
    let mut plans = plans.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
    plans.entry(len).or_insert_with(|| real(len)).clone()
}

/// Filters with a real gain over frequency in Hz.
pub(crate) fn zero_phase(x: &[f32], gain_of_hz: impl Fn(f64) -> f32) -> Vec<f32> {
    let n = (x.len() + 4096).next_power_of_two();
    let (forward, inverse) = plan(n);
    let mut time = x.to_vec();
    time.resize(n, 0.0);
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut time, &mut spectrum).expect("buffers come from the plan");
    for (k, bin) in spectrum.iter_mut().enumerate() {
        *bin *= gain_of_hz(k as f64 * WORLD_RATE_HZ / n as f64) / n as f32;
    }
    inverse.process(&mut spectrum, &mut time).expect("buffers come from the plan");
    time.truncate(x.len());
    time
}

/// Linear convolution, `x.len() + h.len() - 1` samples.
pub(crate) fn convolve(x: &[f32], h: &[f32]) -> Vec<f32> {
    let len = x.len() + h.len() - 1;
    let n = len.next_power_of_two();
    let (forward, inverse) = plan(n);
    let transform = |x: &[f32]| {
        let mut time = x.to_vec();
        time.resize(n, 0.0);
        let mut spectrum = forward.make_output_vec();
        forward.process(&mut time, &mut spectrum).expect("buffers come from the plan");
        spectrum
    };
    let mut product = transform(x);
    for (p, h) in product.iter_mut().zip(transform(h)) {
        *p *= h / n as f32;
    }
    let mut time = inverse.make_output_vec();
    inverse.process(&mut product, &mut time).expect("buffers come from the plan");
    time.truncate(len);
    time
}

/// Second-order section of a Butterworth filter.
struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    z: [f64; 2],
}

impl Biquad {
    /// High or low pass by the bilinear transform.
    fn new(hz: f64, q: f64, high: bool) -> Self {
        let w = 2.0 * std::f64::consts::PI * hz / WORLD_RATE_HZ;
        let (s, c) = w.sin_cos();
        let alpha = s / (2.0 * q);
        let a0 = 1.0 + alpha;
        let edge = if high { (1.0 + c) / 2.0 } else { (1.0 - c) / 2.0 };
        let middle = if high { -(1.0 + c) } else { 1.0 - c };
        Self { b: [edge / a0, middle / a0, edge / a0], a: [-2.0 * c / a0, (1.0 - alpha) / a0], z: [0.0; 2] }
    }

    fn run(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.z[0];
        self.z[0] = self.b[1] * x - self.a[0] * y + self.z[1];
        self.z[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

/// The voice band, 300-3400 Hz with fourth-order slopes: only ever used to measure levels.
pub(crate) fn voice_band(x: &[f32]) -> Vec<f32> {
    let mut chain = [(300.0, true), (3400.0, false)]
        .into_iter()
        .flat_map(|(hz, high)| [0.541_196, 1.306_563].map(|q| Biquad::new(hz, q, high)))
        .collect::<Vec<_>>();
    x.iter().map(|&x| chain.iter_mut().fold(f64::from(x), |x, f| f.run(x)) as f32).collect()
}

/// A point between samples as a short windowed sinc: adds `amplitude` at `at` (in samples) to `h`.
fn add_point(h: &mut [f32], at: f64, amplitude: f64) {
    const HALF: i64 = 16;
    let whole = at.floor() as i64;
    for k in whole - HALF + 1..=whole + HALF {
        let x = at - k as f64;
        let sinc = if x.abs() < 1e-9 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
        let window = (0.5 * std::f64::consts::PI * x / HALF as f64).cos().powi(2);
        if let Some(h) = usize::try_from(k).ok().and_then(|k| h.get_mut(k)) {
            *h += (amplitude * sinc * window) as f32;
        }
    }
}

/// Lead of every impulse response before the sound leaves the mouth, in samples: room for the sinc of a close source.
pub(crate) const ROOM_LEAD: usize = 32;

/// Impulse response from a mouth at `distance_m` to a microphone in a box-shaped cabin: image sources to the
/// third order (Allen & Berkley 1979) and a decaying tail. The direct path arrives `distance_m / c` after
/// sample [`ROOM_LEAD`], with amplitude 1.
pub(crate) fn room(rng: &mut SmallRng, distance_m: f64, wall_gain: f64) -> Vec<f32> {
    let size = [rng.random_range(3.0..5.5), rng.random_range(2.2..3.2), rng.random_range(2.0..2.5)];
    let (mouth, microphone) = loop {
        let m: [f64; 3] = std::array::from_fn(|i| rng.random_range(0.25..size[i] - 0.25));
        let (polar, azimuth) = (rng.random_range(-0.5..0.5f64), rng.random_range(0.0..std::f64::consts::TAU));
        let way = [polar.cos() * azimuth.cos(), polar.cos() * azimuth.sin(), polar.sin()];
        let s: [f64; 3] = std::array::from_fn(|i| m[i] + distance_m * way[i]);
        if (0..3).all(|i| s[i] > 0.1 && s[i] < size[i] - 0.1) {
            break (s, m);
        }
    };
    let seconds = 0.16;
    let mut h = vec![0f32; ROOM_LEAD + (seconds * WORLD_RATE_HZ) as usize];
    let mut last: f64 = 0.0;
    for (nx, ny, nz) in (-3i32..=3).flat_map(|x| (-3i32..=3).flat_map(move |y| (-3i32..=3).map(move |z| (x, y, z)))) {
        let order = nx.abs() + ny.abs() + nz.abs();
        if order > 3 {
            continue;
        }
        let image: f64 = [nx, ny, nz]
            .iter()
            .enumerate()
            .map(|(i, &n)| {
                // The n-th image along an axis: even ones repeat the box, odd ones mirror it.
                let at = f64::from(n) * size[i] + if n % 2 == 0 { mouth[i] } else { size[i] - mouth[i] };
                (at - microphone[i]).powi(2)
            })
            .sum::<f64>()
            .sqrt();
        let amplitude = wall_gain.powi(order) * distance_m / image;
        let at = image / SPEED_OF_SOUND_M_S * WORLD_RATE_HZ;
        last = last.max(at);
        add_point(&mut h, ROOM_LEAD as f64 + at, amplitude);
    }
    // What comes after the third order decays on as fast as the walls say, mean free path 4V/S.
    let (volume, surface) =
        (size[0] * size[1] * size[2], 2.0 * (size[0] * size[1] + size[1] * size[2] + size[2] * size[0]));
    let per_sample = wall_gain.ln() * SPEED_OF_SOUND_M_S * surface / (4.0 * volume) / WORLD_RATE_HZ;
    let begin = last * 0.5;
    for (i, h) in h.iter_mut().enumerate() {
        let t = i as f64 - ROOM_LEAD as f64;
        if t > begin {
            *h += (0.05 * distance_m * (per_sample * t).exp() * rng.sample::<f64, _>(StandardNormal)) as f32;
        }
    }
    h
}

/// A running engine of any length: stretches of the recording joined at random places, its speed wandering by
/// about two percent.
///
/// A real engine never makes the same noise twice, but a few seconds of recording would. So each stretch gets
/// phases of its own, by an all-pass of 32 ms: spectrum, orders and beat stay, the waveform does not come again.
pub(crate) fn engine_run(engine: &Engine, seed: u64, len: usize) -> Vec<f32> {
    const FADE: usize = 480;
    struct Stretch {
        at: usize,
        n: usize,
        from: f64,
        step: f64,
        seed: u64,
    }
    let mut rng = SmallRng::seed_from_u64(seed);
    let pitch = rng.random_range(0.9..1.1);
    let room = (engine.sound.len() - 4) as f64;
    let (mut speed, mut at) = (0.0f64, 0);
    let mut stretches = Vec::new();
    while at < len {
        speed = 0.9 * speed + 0.01 * rng.sample::<f64, _>(StandardNormal);
        let step = pitch * (1.0 + speed.clamp(-0.06, 0.06));
        let n = rng.random_range(6_400..32_000usize).min((room / step) as usize).max(2 * FADE + 1);
        let from = rng.random_range(0.0..(room - n as f64 * step).max(1.0));
        stretches.push(Stretch { at, n, from, step, seed: rng.random() });
        at += n - FADE;
    }
    let sounds: Vec<Vec<f32>> = stretches
        .par_iter()
        .map(|s| {
            let raw: Vec<f32> = (0..s.n)
                .map(|i| {
                    let x = s.from + i as f64 * s.step;
                    let (k, f) = ((x as usize).min(engine.sound.len() - 2), x.fract() as f32);
                    engine.sound[k] * (1.0 - f) + engine.sound[k + 1] * f
                })
                .collect();
            let filter = all_pass(&mut SmallRng::seed_from_u64(s.seed));
            convolve(&raw, &filter)[filter.len() / 2..][..s.n].to_vec()
        })
        .collect();
    let mut out = vec![0f32; len];
    for (s, sound) in stretches.iter().zip(&sounds) {
        for (i, x) in sound.iter().enumerate().take(len - s.at) {
            // Equal power where two stretches overlap.
            let edge = (i + 1).min(s.n - i).min(FADE) as f32 / FADE as f32;
            out[s.at + i] += x * (std::f32::consts::FRAC_PI_2 * edge).sin();
        }
    }
    out
}

/// A filter of 512 points that passes everything, each of its frequencies with a phase of its own.
fn all_pass(rng: &mut SmallRng) -> Vec<f32> {
    const LEN: usize = 512;
    let inverse = plan(LEN).1;
    let mut spectrum = inverse.make_input_vec();
    let last = spectrum.len() - 1;
    for (k, bin) in spectrum.iter_mut().enumerate() {
        // The ends of a real signal's spectrum are real.
        let phase = if k == 0 || k == last { 0.0 } else { rng.random_range(0.0..std::f32::consts::TAU) };
        (bin.re, bin.im) = (phase.cos() / LEN as f32, phase.sin() / LEN as f32);
    }
    let mut time = inverse.make_output_vec();
    inverse.process(&mut spectrum, &mut time).expect("buffers come from the plan");
    time
}

/// How an engine reaches a microphone: a dozen paths and a slope, another at each place.
pub(crate) fn engine_at(run: &[f32], rng: &mut SmallRng, distance_m: f64) -> Vec<f32> {
    let direct = distance_m / SPEED_OF_SOUND_M_S * WORLD_RATE_HZ;
    let mut taps = vec![(direct.round() as usize, 1.0f32)];
    for _ in 0..12 {
        let delay = direct + rng.random_range(4.0..240.0f64);
        taps.push((delay as usize, rng.random_range(-0.5..0.5f32) * (-(delay - direct) / 120.0).exp() as f32));
    }
    let slope = rng.random_range(0.0..0.6f32);
    let mut out = vec![0f32; run.len()];
    out.par_chunks_mut(1 << 16).enumerate().for_each(|(c, out)| {
        let start = c << 16;
        for &(delay, gain) in &taps {
            let skip = delay.saturating_sub(start).min(out.len());
            for (i, o) in out.iter_mut().enumerate().skip(skip) {
                *o += gain * run[start + i - delay];
            }
        }
    });
    let mut before = 0.0;
    for o in &mut out {
        let x = *o;
        *o = x + slope * before;
        before = x;
    }
    out
}

/// Wind at one microphone: low rumble and some hiss, in gusts. Unit root mean square.
pub(crate) fn wind(seed: u64, len: usize) -> Vec<f32> {
    let mut rng = SmallRng::seed_from_u64(seed);
    // Level every 0.1 s, in dB: slow weather and gusts of half a second to three.
    let step = WORLD_RATE_HZ as usize / 10;
    let mut level = vec![0f32; len / step + 3];
    let mut slow = 0.0f32;
    for l in &mut level {
        slow = 0.995 * slow + 0.4 * rng.sample::<f32, _>(StandardNormal);
        *l = slow.clamp(-8.0, 8.0);
    }
    let gusts = level.len() / 60;
    for _ in 0..gusts {
        let (at, width) = (rng.random_range(0..level.len()), rng.random_range(5..30usize));
        let height = rng.random_range(4.0..14.0f32);
        for (i, l) in level.iter_mut().enumerate().skip(at).take(width) {
            *l += height * (std::f32::consts::PI * (i - at) as f32 / width as f32).sin();
        }
    }
    let gain: Vec<f32> = level.iter().map(|db| 10f32.powf(db / 20.0)).collect();
    let mut out = hiss(rng.random(), len);
    // From one end to the other: filters that start afresh leave a click in every wind at the same moments.
    let (mut low, mut lower) = (0f32, 0f32);
    for (at, o) in out.iter_mut().enumerate() {
        low += 0.04 * (*o - low);
        lower += 0.04 * (low - lower);
        let (k, f) = (at / step, (at % step) as f32 / step as f32);
        *o = (8.0 * lower + 0.03 * *o) * (gain[k] * (1.0 - f) + gain[k + 1] * f);
    }
    let unit = rms(&out).max(1e-9);
    out.par_iter_mut().for_each(|x| *x /= unit);
    out
}

/// White noise of unit level.
pub(crate) fn hiss(seed: u64, len: usize) -> Vec<f32> {
    let mut out = vec![0f32; len];
    out.par_chunks_mut(1 << 16).enumerate().for_each(|(c, out)| {
        let mut rng = SmallRng::seed_from_u64(seed ^ (c as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        out.iter_mut().for_each(|x| *x = rng.sample(StandardNormal));
    });
    out
}

/// A camera's automatic gain: follows the level within 50 ms upwards and a second downwards, and takes away
/// two thirds of its movement.
pub(crate) fn gain_control(x: &mut [f32]) {
    const STEP: usize = 160;
    let mean = rms(x).max(1e-9);
    let mut level = mean;
    let mut gain = 1.0f32;
    for block in x.chunks_mut(STEP) {
        let now = rms(block);
        level += (now - level) * if now > level { 0.2 } else { 0.01 };
        let target = (mean / level.max(1e-3 * mean)).powf(0.67).clamp(0.1, 8.0);
        let step = (target - gain) / block.len() as f32;
        for x in block {
            gain += step;
            *x *= gain;
        }
    }
}

/// A call as the ship's radio brings it: narrow band, driven hard, with the squelch at both ends.
pub(crate) fn over_radio(rng: &mut SmallRng, voice: &[f32]) -> Vec<f32> {
    let tail = 1600;
    let mut x = voice.to_vec();
    x.resize(voice.len() + tail, 0.0);
    let driven: Vec<f32> = x.iter().map(|x| (1.5 * x).tanh()).collect();
    let mut x = zero_phase(&driven, |f| if (350.0..2900.0).contains(&f) { 1.0 } else { 0.0 });
    let len = x.len();
    for (i, x) in x.iter_mut().enumerate() {
        let rush = if i + tail > len { 0.5 } else { 0.04 };
        *x += rush * rng.sample::<f32, _>(StandardNormal);
    }
    for edge in [0, len - 12] {
        x[edge..edge + 12].iter_mut().for_each(|x| *x += 2.0);
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn winds_share_no_moment() {
        // A click at the same moment of every wind would be common sound of files that have none.
        let steps = |seed: u64| -> Vec<f32> {
            let wind = wind(seed, 700_000);
            let steps: Vec<f32> = wind.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
            steps.chunks(1000).flat_map(|c| c.iter().map(|s| s / rms(c))).collect()
        };
        for (i, (a, b)) in steps(1).into_iter().zip(steps(2)).enumerate() {
            assert!(a.min(b) < 5.0, "{i}: {a} and {b}");
        }
    }

    #[test]
    fn an_engine_keeps_its_level_and_its_noise_never_comes_again() {
        // The hardest recording: nothing but noise, and only a second of it.
        let mut sound = zero_phase(&hiss(3, 16_000), |f| if f < 2500.0 { 1.0 } else { 0.0 });
        let level = rms(&sound);
        sound.iter_mut().for_each(|x| *x /= level);
        let engine = Engine { name: "noise".into(), sound };
        let (a, b) = (engine_run(&engine, 1, 320_000), engine_run(&engine, 2, 320_000));
        assert!((rms(&a) - 1.0).abs() < 0.1, "{}", rms(&a));
        for at in (0..300_000).step_by(60_000) {
            // 0.2 s of one against all of the other. The engine's own recording read twice, at speeds that
            // happen to agree, would give 0.5 and more.
            let block: Vec<f32> = a[at..at + 3_200].iter().rev().copied().collect();
            let peak = convolve(&b, &block).iter().fold(0f32, |m, x| m.max(x.abs()));
            let likeness = peak / (rms(&block) * rms(&b) * 3_200.0);
            assert!(likeness < 0.25, "{likeness} at {at}");
        }
    }
}
