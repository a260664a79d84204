//! Speech map on real voices under real engines: missed speech, false alarms, radio told from local voices.
//!
//! `benches/scripts/fetch_sounds.sh` fetches the sounds. Weights and thresholds come from two sets of prompts
//! (one speaker, English and Spanish) under the engines of one package (helicopters, turbines, jets); the
//! tables are on three other speakers under the engines of the other three packages (cars, motors).
//!
//! Truth (`Scene::speech`): 20 ms frames of the clean voice no more than 15.9 dB below its sentence's mean level (the margin of
//! ITU-T P.56), pauses shorter than 0.3 s counted as speech (common practice in the scoring of speech detectors,
//! from memory). **Miss** is the share of speech that is not found, **false alarm** the share of the rest that is
//! called speech; once of all time, once without the 0.1 s about each edge of the truth, where nobody can say
//! to the frame where a voice ends. Levels are the simulator's: voice over everything else in 300-3400 Hz,
//! over active frames.
//!
//! A third pair of columns has the time that is missed or falsely called speech over all time, speech or not.
//!
//! Beside it runs a plain energy detector: level in 300-3400 Hz over its own 20 % quantile, and for every level the
//! threshold and the shortest length that serve it best on the very sounds of the table.
#![allow(clippy::print_stdout, reason = "a program that prints tables")]

use std::error::Error;
use std::path::{Path, PathBuf};

use clap::Parser;
use coeval::clock::ClockMap;
use coeval::resample::{ResampleOptions, Route, resample};
use coeval_benches::claps::RATE;
use coeval_benches::origins::{Part, load_part};
use coeval_benches::sim::{Device, File, Half, Scene, SceneSpec, Utterance};
use coeval_benches::sim_sound::{Engine, Material, SPEED_OF_SOUND_M_S};
use coeval_listen::speech::{
    Origin, OriginSpan, RATE_HZ, STEP_S, SharedMeter, SpeechBuilder, SpeechCurve, SpeechOptions, SpeechSegment,
    origins, spoken,
};

/// The last is that of a microphone in the open, which hears the room and the engine as well as the voices.
const LEVELS_DB: [f64; 5] = [20.0, 10.0, 5.0, 0.0, OPEN_DB];
const OPEN_DB: f64 = -2.0;
/// Those that the weights are learnt from.
const LEARNT_DB: [f64; 3] = [10.0, 0.0, OPEN_DB];
const LENGTH_S: f64 = 240.0;
const MARGIN_S: f64 = 1.0;

#[derive(Parser)]
struct Arguments {
    /// Find the weights anew on the tuning set and print them.
    #[arg(long)]
    fit: bool,
    /// Tables of the tuning set, not of the test set.
    #[arg(long)]
    tuning: bool,
    /// The table of radio against local voices.
    #[arg(long)]
    origin: bool,
    /// Processor time for an hour of sound.
    #[arg(long)]
    speed: bool,
    /// First seed of the scenes of the table of radio against local voices.
    #[arg(long, default_value_t = 3300)]
    seed: u64,
    /// How many of them.
    #[arg(long, default_value_t = 8)]
    seeds: u64,
    /// Amplitude of all sound is multiplied by this: how much does level matter?
    #[arg(long, default_value_t = 1.0)]
    gain: f32,
    /// Where the sounds are.
    #[arg(long, default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/data"))]
    data: PathBuf,
}

/// Share of speech missed and share of the rest called speech, `collar` steps about each edge left out.
fn errors(truth: &[bool], found: &[bool], collar: usize) -> [f64; 4] {
    let mut counted = vec![true; truth.len()];
    for k in (1..truth.len()).filter(|&k| collar > 0 && truth[k] != truth[k - 1]) {
        counted[k.saturating_sub(collar)..(k + collar).min(truth.len())].fill(false);
    }
    let mut sums = [0.0; 4];
    for ((t, f), _) in truth.iter().zip(found).zip(&counted).filter(|x| *x.1) {
        match (t, f) {
            (true, false) => sums[0] += 1.0,
            (false, true) => sums[2] += 1.0,
            _ => {}
        }
        sums[if *t { 1 } else { 3 }] += 1.0;
    }
    sums
}

fn mask(segments: &[SpeechSegment], steps: usize) -> Vec<bool> {
    let mut mask = vec![false; steps];
    for s in segments {
        let step = |t: f64| ((t / STEP_S).round() as usize).min(steps);
        mask[step(s.start_s)..step(s.end_s)].fill(true);
    }
    mask
}

fn curve(file: &File, gain: f32) -> coeval::Result<SpeechCurve> {
    let mut builder = SpeechBuilder::new(file.rate_hz, 1)?;
    for block in file.samples.chunks(1 << 16) {
        builder.push(&block.iter().map(|x| x * gain).collect::<Vec<_>>())?;
    }
    Ok(builder.finish())
}

/// Level of each step in the voice band over its 20 % quantile, dB: the plain detector's whole knowledge.
fn energy_curve(file: &File) -> Vec<f64> {
    let rate = file.rate_hz;
    // Two first-order sections a side.
    let (high, low) = ((-std::f64::consts::TAU * 300.0 / rate).exp(), (-std::f64::consts::TAU * 3400.0 / rate).exp());
    let (mut h, mut l) = ([0.0f64; 2], [0.0f64; 2]);
    let band = file.samples.iter().map(|&x| {
        let mut x = f64::from(x);
        for k in 0..2 {
            h[k] = high * h[k] + (1.0 - high) * x;
            x -= h[k];
            l[k] = low * l[k] + (1.0 - low) * x;
            x = l[k];
        }
        x * x
    });
    let power: Vec<f64> = band.collect();
    let step = (rate * STEP_S) as usize;
    let n = power.len().div_ceil(step);
    let mut db: Vec<f64> = (0..n)
        .map(|i| {
            let around = &power[(i * step).saturating_sub(2 * step)..((i + 3) * step).min(power.len())];
            10.0 * (around.iter().sum::<f64>() / around.len() as f64).max(1e-12).log10()
        })
        .collect();
    let mut sorted = db.clone();
    let floor = *sorted.select_nth_unstable_by(n / 5, f64::total_cmp).1;
    db.iter_mut().for_each(|x| *x -= floor);
    db
}

struct Case {
    engine: String,
    level_db: f64,
    scene: Scene,
    file: File,
}

fn cases(material: &Material, tuning: bool) -> Result<Vec<Case>, Box<dyn Error>> {
    let rounds = if tuning { 4 } else { 3 };
    cases_of(material, tuning, 0..material.engines.len(), rounds, &LEVELS_DB)
}

fn cases_of(
    material: &Material,
    tuning: bool,
    engines: std::ops::Range<usize>,
    rounds: u64,
    levels_db: &[f64],
) -> Result<Vec<Case>, Box<dyn Error>> {
    let mut all = Vec::new();
    for e in engines {
        for round in 0..rounds {
            let seed = if tuning { 1000 } else { 2000 } + 10 * e as u64 + round;
            // The tuning set also has a gated line, dense talk and a camera's wind, so that the weights learn
            // what changes without being speech.
            let talk_s = if tuning && round == 2 { 130.0 } else { 70.0 };
            let spec = SceneSpec {
                seed,
                duration_s: LENGTH_S + 2.0 * MARGIN_S,
                talk_s,
                talk_within_s: (2.0, LENGTH_S),
                radio_s: 0.0,
                voices: if round % 2 == 0 { [0, 1] } else { [1, if tuning { 0 } else { 2 }] },
                half: Half::Both,
                engine: Some(e),
            };
            let scene = Scene::new(material, &spec);
            for &level_db in levels_db {
                let mut device = match level_db {
                    OPEN_DB => Device::open_microphone(seed, MARGIN_S, LENGTH_S),
                    _ => Device::recorder(seed, MARGIN_S, LENGTH_S),
                };
                if tuning && round == 3 {
                    device = Device::camera(seed, MARGIN_S, LENGTH_S);
                }
                device.rate_hz = 16_000.0;
                device.voice_gate = tuning && round == 1;
                device.voice_db = Some(level_db);
                device.engine_share = if tuning && round == 3 { 0.5 } else { 0.95 };
                let file = scene.record(&device)?.remove(0);
                let engine = material.engines[e].name.clone();
                all.push(Case { engine, level_db, scene: scene.clone(), file });
            }
        }
    }
    Ok(all)
}

/// Logistic regression with a ridge, by Newton's method; classes weigh the same. Columns are brought to unit spread.
fn fit(columns: &[Vec<f32>], truth: &[bool]) -> (Vec<f64>, f64) {
    let (n, d) = (truth.len(), columns.len() + 1);
    let mean: Vec<f64> = columns.iter().map(|c| c.iter().map(|&x| f64::from(x)).sum::<f64>() / n as f64).collect();
    let spread: Vec<f64> = columns
        .iter()
        .zip(&mean)
        .map(|(c, m)| (c.iter().map(|&x| (f64::from(x) - m).powi(2)).sum::<f64>() / n as f64).sqrt().max(1e-9))
        .collect();
    let speech = truth.iter().filter(|t| **t).count() as f64;
    let mut w = vec![0.0; d];
    let mut row = vec![1.0; d];
    for _ in 0..25 {
        let mut gradient = vec![0.0; d];
        let mut hessian = vec![0.0; d * d];
        for i in 0..n {
            for k in 0..d - 1 {
                row[k] = (f64::from(columns[k][i]) - mean[k]) / spread[k];
            }
            let weight = if truth[i] { n as f64 / (2.0 * speech) } else { n as f64 / (2.0 * (n as f64 - speech)) };
            let p = 1.0 / (1.0 + (-row.iter().zip(&w).map(|(x, w)| x * w).sum::<f64>()).exp());
            let pull = weight * (f64::from(u8::from(truth[i])) - p);
            let bend = weight * p * (1.0 - p);
            for a in 0..d {
                gradient[a] += pull * row[a];
                for b in 0..=a {
                    hessian[a * d + b] += bend * row[a] * row[b];
                }
            }
        }
        for a in 0..d - 1 {
            gradient[a] -= w[a];
            hessian[a * d + a] += 1.0;
        }
        // Cholesky, then two triangular solutions.
        for a in 0..d {
            for b in 0..=a {
                let s: f64 = (0..b).map(|k| hessian[a * d + k] * hessian[b * d + k]).sum();
                let x = hessian[a * d + b] - s;
                hessian[a * d + b] = if a == b { x.max(1e-12).sqrt() } else { x / hessian[b * d + b] };
            }
        }
        for a in 0..d {
            let s: f64 = (0..a).map(|k| hessian[a * d + k] * gradient[k]).sum();
            gradient[a] = (gradient[a] - s) / hessian[a * d + a];
        }
        for a in (0..d).rev() {
            let s: f64 = (a + 1..d).map(|k| hessian[k * d + a] * gradient[k]).sum();
            gradient[a] = (gradient[a] - s) / hessian[a * d + a];
        }
        w.iter_mut().zip(&gradient).for_each(|(w, g)| *w += g);
        if gradient.iter().all(|g| g.abs() < 1e-4) {
            break;
        }
    }
    let weights: Vec<f64> = (0..d - 1).map(|k| w[k] / spread[k]).collect();
    let bias = w[d - 1] - weights.iter().zip(&mean).map(|(w, m)| w * m).sum::<f64>();
    (weights, bias)
}

/// An engine while nobody speaks.
fn engine_alone(material: &Material, engine: usize, length_s: f64) -> Result<File, Box<dyn Error>> {
    let spec = SceneSpec {
        seed: 9000 + engine as u64,
        duration_s: length_s + 2.0 * MARGIN_S,
        talk_s: 0.0,
        talk_within_s: (2.0, length_s),
        radio_s: 0.0,
        voices: [0, 1],
        half: Half::Both,
        engine: Some(engine),
    };
    let mut device = Device::recorder(spec.seed, MARGIN_S, length_s);
    (device.rate_hz, device.engine_share, device.voice_gate) = (16_000.0, 0.95, false);
    // With nobody to measure it by, the level is the engine's own.
    device.voice_db = Some(0.0);
    Ok(Scene::new(material, &spec).record(&device)?.remove(0))
}

/// Engines of games (`fetch_marker_training.sh`) that the weights are learnt from besides, every other one revving; those
/// of the rescue simulator are among the rest already.
fn game_engines(data: &Path) -> Result<Vec<Engine>, Box<dyn Error>> {
    /// A loop is repeated until it is this long, seconds.
    const LOOP_S: f64 = 8.0;
    let mut engines = Vec::new();
    for part in [Part::Train, Part::Tune] {
        for sound in load_part(data, "training/engine", part)?.into_iter().filter(|s| !s.name.starts_with("rescue_")) {
            let length_s = sound.samples.len() as f64 / RATE as f64;
            let own = resample(
                &sound.samples,
                &Route::onto_timeline(&ClockMap::linear(0.0, 0.0, length_s)),
                &ResampleOptions::new(RATE as f64, RATE_HZ, 1, (length_s * RATE_HZ) as u64),
            )?;
            let power = own.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / own.len().max(1) as f64;
            let gain = 1.0 / power.sqrt().max(1e-9) as f32;
            let length = own.len().max((LOOP_S * RATE_HZ) as usize);
            let engine =
                Engine { name: sound.name, sound: own.iter().cycle().take(length).map(|x| gain * x).collect() };
            engines.push(if engines.len() % 2 == 1 { engine.revving(engines.len() as f64) } else { engine });
        }
    }
    Ok(engines)
}

/// Hours in which nobody speaks: engines alone.
fn quiet_table(material: &Material, gain: f32) -> Result<(), Box<dyn Error>> {
    println!("\n| engine alone, 20 min | called speech, % |");
    println!("| --- | --- |");
    for (e, engine) in material.engines.iter().enumerate() {
        let file = engine_alone(material, e, 1200.0)?;
        let segments = curve(&file, gain)?.segments(&SpeechOptions::default())?;
        let called = segments.iter().fold(0.0, |sum, s| sum + s.end_s - s.start_s);
        println!("| {} | {:.2} |", engine.name, 100.0 * called / 1200.0);
    }
    Ok(())
}

/// Processor time of this thread so far, seconds, as Linux counts it.
fn processor_s() -> Result<f64, Box<dyn Error>> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat")?;
    Ok(text.split_whitespace().next().ok_or("no time in schedstat")?.parse::<f64>()? * 1e-9)
}

/// What hearing an hour costs, a fifth of it talk, at 48 kHz as files have it.
fn speed_table(material: &Material) -> Result<(), Box<dyn Error>> {
    const PART_S: f64 = 600.0;
    println!("| recorder | processor time for an hour, s |");
    println!("| --- | --- |");
    let spec = SceneSpec {
        seed: 8000,
        duration_s: PART_S + 2.0 * MARGIN_S,
        talk_s: 0.2 * PART_S,
        talk_within_s: (2.0, PART_S),
        radio_s: 0.0,
        voices: [0, 1],
        half: Half::Both,
        engine: Some(0),
    };
    let scene = Scene::new(material, &spec);
    for (name, level_db, gated) in [
        ("headset line, opens for talk only", 10.0, true),
        ("headset line, always open, 10 dB", 10.0, false),
        ("headset line, always open, 0 dB", 0.0, false),
    ] {
        let mut device = Device::recorder(spec.seed, MARGIN_S, PART_S);
        (device.rate_hz, device.engine_share, device.voice_gate) = (48_000.0, 0.95, gated);
        device.voice_db = Some(level_db);
        let file = scene.record(&device)?.remove(0);
        let from_s = processor_s()?;
        for _ in 0..2 {
            curve(&file, 1.0)?;
        }
        println!("| {name} | {:.2} |", (processor_s()? - from_s) / 2.0 * 3600.0 / PART_S);
    }
    Ok(())
}

fn percent(sums: &[f64; 4]) -> [f64; 2] {
    [100.0 * sums[0] / sums[1].max(1.0), 100.0 * sums[2] / sums[3].max(1.0)]
}

fn add(to: &mut [f64; 4], what: [f64; 4]) {
    to.iter_mut().zip(what).for_each(|(a, b)| *a += b);
}

fn speech_tables(cases: &[Case], gain: f32) -> Result<(), Box<dyn Error>> {
    println!("| level | engine | miss, false alarm, % | without 0.1 s about edges | over all time | energy detector |");
    println!("| --- | --- | --- | --- | --- | --- |");
    const SHORTEST_S: [f64; 3] = [0.05, 0.1, 0.2];
    let options = SpeechOptions::default();
    for level_db in LEVELS_DB {
        let mut total = [[0.0; 4]; 2];
        let mut plain = vec![[0.0; 4]; 40 * SHORTEST_S.len()];
        let mut before: Option<(&str, [[f64; 4]; 2])> = None;
        let print = |name: &str, sums: &[[f64; 4]; 2], energy: &str| {
            let (c, a) = (percent(&sums[0]), percent(&sums[1]));
            let all = sums[1][1] + sums[1][3];
            println!(
                "| {level_db} dB | {name} | {:.2}, {:.2} | {:.2}, {:.2} | {:.2}, {:.2} | {energy} |",
                a[0],
                a[1],
                c[0],
                c[1],
                100.0 * sums[1][0] / all,
                100.0 * sums[1][2] / all
            );
        };
        for case in cases.iter().filter(|c| c.level_db == level_db) {
            let truth = case.scene.speech(&case.file.truth, case.file.duration_s(), |_| true);
            let found = mask(&curve(&case.file, gain)?.segments(&options)?, truth.len());
            let own = [errors(&truth, &found, 10), errors(&truth, &found, 0)];
            let energy = energy_curve(&case.file);
            for (i, sums) in plain.iter_mut().enumerate() {
                let threshold = 0.5 * (i / SHORTEST_S.len() + 1) as f64;
                let p = energy.iter().map(|&e| if e > threshold { 1.0 } else { 0.0 }).collect();
                let mut options = SpeechOptions::default();
                (options.enter, options.leave) = (0.5, 0.5);
                options.min_speech_s = SHORTEST_S[i % SHORTEST_S.len()];
                let found = mask(&SpeechCurve::from_values(p)?.segments(&options)?, truth.len());
                add(sums, errors(&truth, &found, 0));
            }
            match &mut before {
                Some((name, sums)) if *name == case.engine => (0..2).for_each(|k| add(&mut sums[k], own[k])),
                other => {
                    if let Some((name, sums)) = other.take() {
                        print(name, &sums, "");
                    }
                    *other = Some((&case.engine, own));
                }
            }
            (0..2).for_each(|k| add(&mut total[k], own[k]));
        }
        if let Some((name, sums)) = before {
            print(name, &sums, "");
        }
        let best = plain.iter().map(percent).min_by(|a, b| (a[0] + a[1]).total_cmp(&(b[0] + b[1]))).unwrap_or_default();
        print("all", &total, &format!("{:.2}, {:.2}", best[0], best[1]));
    }
    Ok(())
}

/// Moves the calls to within a breath of what is said aboard, one after a sentence, the next before one, and drops what
/// is said aboard during a call: a moment in which both speak has no one answer. Every third call stays where it is.
fn converse(scene: &mut Scene) {
    const BREATHS_S: [f64; 5] = [0.1, 0.4, 0.2, 0.7, 0.3];
    const APART_S: f64 = 0.5;
    let all = std::mem::take(&mut scene.utterances);
    let (mut calls, mut aboard): (Vec<Utterance>, Vec<Utterance>) = all.into_iter().partition(|u| u.who == 2);
    let span = |u: &Utterance, more_s: f64| (u.start_s() - more_s, u.start_s() + u.duration_s() + more_s);
    let overlap = |a: (f64, f64), b: (f64, f64)| a.0 < b.1 && b.0 < a.1;
    let mut taken: Vec<(f64, f64)> = Vec::new();
    let mut with: Vec<usize> = Vec::new();
    for (i, call) in calls.iter_mut().enumerate() {
        let near = (0..aboard.len()).filter(|k| !with.contains(k)).min_by(|&a, &b| {
            let off = |k: usize| (aboard[k].start_s() - call.start_s()).abs();
            off(a).total_cmp(&off(b))
        });
        if let (Some(near), true) = (near, i % 3 < 2) {
            let (from_s, to_s) = span(&aboard[near], BREATHS_S[i % BREATHS_S.len()]);
            let start_s = if i % 3 == 0 { to_s } else { from_s - call.duration_s() };
            let own = (start_s - APART_S, start_s + call.duration_s() + APART_S);
            if start_s > 0.0 && own.1 < scene.duration_s && !taken.iter().any(|t| overlap(*t, own)) {
                call.first = (start_s * RATE_HZ) as usize;
                with.push(near);
            }
        }
        taken.push(span(call, APART_S));
    }
    let mut kept = 0;
    calls.retain(|call| {
        kept += 1;
        !taken[..kept - 1].iter().any(|t| overlap(*t, span(call, 0.0)))
    });
    // Who speaks beside a call keeps the breath, all others more.
    aboard = aboard
        .into_iter()
        .enumerate()
        .filter(|(k, u)| {
            let more_s = if with.contains(k) { 0.0 } else { APART_S };
            !calls.iter().any(|c| overlap(span(c, 0.0), span(u, more_s)))
        })
        .map(|(_, u)| u)
        .collect();
    aboard.append(&mut calls);
    aboard.sort_by_key(|u| u.first);
    scene.utterances = aboard;
}

/// What is known of a time, and what was said of it, seconds.
#[derive(Default)]
struct OriginScore {
    /// True local voices and the radio: called local, radio, unknown, nobody.
    told_s: [[f64; 4]; 2],
    /// True changes within a second, how far off each was cut, seconds; those that were not are left out.
    changes: usize,
    cuts_s: Vec<f64>,
    /// Cuts in what has one origin.
    needless: usize,
}

impl OriginScore {
    fn take(&mut self, aboard: &[bool], radio: &[bool], spans: &[OriginSpan]) {
        let steps = radio.len();
        let step = |s: f64| ((s / STEP_S).round() as usize).min(steps);
        let mut said = vec![3; steps];
        for span in spans {
            let origin = match span.origin() {
                Origin::Local => 0,
                Origin::Radio => 1,
                _ => 2,
            };
            said[step(span.start_s)..step(span.end_s)].fill(origin);
        }
        // Each stretch of true speech: who, from, to.
        let mut runs: Vec<(usize, f64, f64)> = Vec::new();
        for i in 0..steps {
            let who = match (aboard[i], radio[i]) {
                (true, false) => 0,
                (false, true) => 1,
                _ => continue,
            };
            self.told_s[who][said[i]] += STEP_S;
            let at_s = i as f64 * STEP_S;
            match runs.last_mut() {
                Some(run) if run.0 == who && at_s - run.2 < 1.0 => run.2 = at_s + STEP_S,
                _ => runs.push((who, at_s, at_s + STEP_S)),
            }
        }
        let is_radio = |s: &OriginSpan| usize::from(s.radio > 0.5);
        let cut: Vec<(usize, f64, f64)> = spans
            .windows(2)
            .filter(|w| is_radio(&w[0]) != is_radio(&w[1]) && w[1].start_s - w[0].end_s < 2.0)
            .map(|w| (is_radio(&w[0]), w[0].end_s, w[1].start_s))
            .collect();
        for change in runs.windows(2).filter(|w| w[0].0 != w[1].0 && w[1].1 - w[0].2 < 1.0) {
            self.changes += 1;
            let off = |c: &(usize, f64, f64)| (change[0].2 - c.2).max(c.1 - change[1].1).max(0.0);
            let best = cut.iter().filter(|c| c.0 == change[0].0).map(off).min_by(f64::total_cmp);
            self.cuts_s.extend(best.filter(|off| *off < 1.0));
        }
        let inside = |c: &&(usize, f64, f64)| c.1 == c.2 && runs.iter().any(|r| c.1 > r.1 + 0.3 && c.1 < r.2 - 0.3);
        self.needless += cut.iter().filter(inside).count();
    }

    fn row(&self, name: &str) -> String {
        let percent = |who: usize, what: usize| {
            // What is told is a share of what was found to be speech.
            let all = &self.told_s[who];
            let of = if what < 3 { &all[..3] } else { &all[..] };
            100.0 * all[what] / of.iter().sum::<f64>().max(1e-9)
        };
        let within = self.cuts_s.iter().filter(|s| **s <= 0.15).count();
        let mut sorted = self.cuts_s.clone();
        sorted.sort_by(f64::total_cmp);
        let worst = sorted.get(sorted.len() * 95 / 100).copied().unwrap_or_default();
        format!(
            "| {name} | {:.1}, {:.2}, {:.1}, {:.1} | {:.1}, {:.2}, {:.1}, {:.1} | {within} of {} | {:.2} | {} |",
            percent(1, 1),
            percent(1, 0),
            percent(1, 2),
            percent(1, 3),
            percent(0, 0),
            percent(0, 1),
            percent(0, 2),
            percent(0, 3),
            self.changes,
            worst,
            self.needless
        )
    }
}

/// The next scene's camera is farther from the engine by this, metres.
const ENGINE_STEP_M: f64 = 0.35;

/// Radio told from local voices: a recorder with both, and a camera that hears the people at some level.
fn origin_table(material: &Material, first_seed: u64, seeds: u64) -> Result<(), Box<dyn Error>> {
    println!(
        "Shares of the time in which the radio speaks, and somebody aboard does, and which was found to be speech."
    );
    println!("Not found is a share of all. A call ends with 0.1 s of squelch, which is no speech.\n");
    println!(
        "| camera hears the people at | radio: told, called local, unknown, not found, % | local: told, called radio, unknown, \
         not found, % | cut within 0.15 s | 95 % within, s | cuts too many |"
    );
    println!("| --- | --- | --- | --- | --- | --- |");
    for level_db in [Some(0.0), Some(-6.0), Some(-9.0), Some(-12.0), Some(-20.0), None] {
        let mut score = OriginScore::default();
        for seed in 0..seeds {
            let spec = SceneSpec {
                seed: first_seed + seed,
                duration_s: LENGTH_S + 2.0 * MARGIN_S,
                talk_s: 70.0,
                talk_within_s: (2.0, LENGTH_S),
                radio_s: 40.0,
                voices: [0, 1],
                half: Half::Both,
                engine: Some(seed as usize % material.engines.len()),
            };
            let mut scene = Scene::new(material, &spec);
            converse(&mut scene);
            let mut recorder = Device::recorder(seed, MARGIN_S, LENGTH_S);
            recorder.rate_hz = 16_000.0;
            recorder.voice_gate = seed % 2 == 0;
            recorder.voice_db = Some(10.0);
            recorder.engine_share = 0.95;
            let recorder = scene.record(&recorder)?.remove(0);
            let curve = curve(&recorder, 1.0)?;
            let segments = curve.segments(&SpeechOptions::default())?;
            let (mut heard, mut evidence) = (Vec::new(), Vec::new());
            if let Some(level_db) = level_db {
                // Aligned: its sound of the voices lies on the recorder's, and the engine's comes 4 ms before to 3 ms after.
                let mut camera = Device::camera(seed + 100, MARGIN_S, LENGTH_S);
                camera.start_s += camera.distance_m / SPEED_OF_SOUND_M_S;
                camera.engine_distance_m += ENGINE_STEP_M * (seed % 8) as f64;
                camera.rate_hz = 16_000.0;
                camera.voice_db = Some(level_db);
                camera.gain_control = seed % 3 == 0;
                let camera = scene.record(&camera)?.remove(0);
                let mut meter = SharedMeter::new(&segments)?;
                meter.push(&recorder.samples, &camera.samples)?;
                let (answers, own) = meter.finish_with_evidence();
                heard.push(answers);
                evidence.push(own);
            }
            let speech = spoken(&segments, &heard);
            let segments: Vec<_> = segments.into_iter().zip(speech).filter(|s| s.1).map(|s| s.0).collect();
            let spans = origins(&curve, &segments, &evidence);
            let said = |who: fn(usize) -> bool| scene.speech(&recorder.truth, recorder.duration_s(), who);
            score.take(&said(|w| w < 2), &said(|w| w == 2), &spans);
        }
        println!("{}", score.row(&level_db.map_or("no camera".to_owned(), |db| format!("{db} dB"))));
    }
    Ok(())
}

fn run(arguments: &Arguments) -> Result<(), Box<dyn Error>> {
    let all = Material::load(Path::new(&arguments.data))?;
    let (tuning, test) = (all.for_speech(true)?, all.for_speech(false)?);
    if arguments.fit {
        let (mut columns, mut speech) = (Vec::new(), Vec::new());
        let mut learn = |file: &File, truth: &[bool]| -> Result<(), Box<dyn Error>> {
            let evidence = curve(file, 1.0)?.evidence();
            columns.resize(evidence.len(), Vec::new());
            for (all, column) in columns.iter_mut().zip(evidence) {
                all.extend(column.iter().step_by(6).copied());
            }
            speech.extend(truth.iter().step_by(6));
            Ok(())
        };
        let games = Material { engines: game_engines(Path::new(&arguments.data))?, ..tuning.clone() };
        for (material, rounds) in [(&tuning, 4), (&games, 1)] {
            // One engine after the other: the sound of all would fill the memory.
            for engine in 0..material.engines.len() {
                for case in cases_of(material, true, engine..engine + 1, rounds, &LEARNT_DB)? {
                    learn(&case.file, &case.scene.speech(&case.file.truth, case.file.duration_s(), |_| true))?;
                }
                let alone = engine_alone(material, engine, LENGTH_S)?;
                learn(&alone, &vec![false; (alone.duration_s() / STEP_S).ceil() as usize])?;
            }
        }
        let (weights, bias) = fit(&columns, &speech);
        println!("const WEIGHTS: [f32; MEASURES * WIDTHS.len()] = [");
        for row in weights.chunks(3) {
            println!("    {:.4}, {:.4}, {:.4},", row[0], row[1], row[2]);
        }
        println!("];\nconst BIAS: f32 = {bias:.4};");
        return Ok(());
    }
    if arguments.speed {
        return speed_table(&tuning);
    }
    if arguments.origin {
        return origin_table(if arguments.tuning { &tuning } else { &test }, arguments.seed, arguments.seeds);
    }
    let set = if arguments.tuning { &tuning } else { &test };
    speech_tables(&cases(set, arguments.tuning)?, arguments.gain)?;
    quiet_table(set, arguments.gain)
}

fn main() {
    if let Err(error) = run(&Arguments::parse()) {
        println!("{error}");
        std::process::exit(1);
    }
}
