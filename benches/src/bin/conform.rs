//! Conformed sound against the truth: simulated shoots of an hour go through alignment and conforming as files
//! do, and every minute of the recorder's voice under the camera's clip is measured.
//!
//! ```text
//! benches/scripts/fetch_sounds.sh                                     # once: real voices and engines
//! cargo run --release -p coeval-benches --bin conform
//! ```
//!
//! Beside each clip a reference is simulated that no part of the job sees: the recorder's voices without noise,
//! sampled along the camera's own true clock, as late as the camera hears them. Conformed sound should be this
//! sound. **By ear**: each sentence of both is cross-correlated; a minute's offset is its worst sentence's. **By
//! map**: which moment of the voices each tenth of a second of the clip holds, by the alignment's map and the
//! recorder's true one, against the camera's true map. The same is done with the true clocks in place of the
//! alignment's: what remains then is the resampler's.
//!
//! What the recorder lost at a jump cannot be there: sentences that the jump cuts are counted apart, and by map
//! only moments count that the recorder heard.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program that prints tables")]

use std::collections::HashMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

use clap::Parser;
use coeval::clock::ClockMap;
use coeval::resample::Route;
use coeval_benches::sim::{Device, File, Half, Kind, Scene, SceneSpec};
use coeval_benches::sim_sound::Material;
use coeval_media::{SampleFormat, WavOptions, WavWriter};
use coeval_shoot::conform::{ConformOptions, SoundPlacement, plan};
use coeval_shoot::{Alignment, Options as ShootOptions};
use coeval_transform::{Forward, Inverse, real_double};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde::Serialize;

/// Conformed sound against known truth.
#[derive(Parser)]
struct Options {
    /// Shoots of each class.
    #[arg(long, default_value_t = 2)]
    seeds: u64,
    /// First seed: another one draws other shoots.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
    /// Length of what camera and recorder share, minutes.
    #[arg(long, default_value_t = 60.0)]
    minutes: f64,
    /// Share of the time in which somebody speaks.
    #[arg(long, default_value_t = 0.1)]
    talk: f64,
    /// Voice over engine and wind at the camera, dB.
    #[arg(long, default_value_t = -6.0, allow_hyphen_values = true)]
    voice_db: f64,
    /// How much nearer one of the two people may sit to the camera, and the other farther, metres. Each is then heard
    /// by up to 0.7 ms (at 0.25 m) earlier or later than the reference says.
    #[arg(long, default_value_t = 0.0)]
    seats_m: f64,
    /// Only classes whose name holds this.
    #[arg(long)]
    only: Option<String>,
    /// Folder that benches/scripts/fetch_sounds.sh has filled.
    #[arg(long, default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/data"))]
    data: PathBuf,
    /// Where to write the figures, minute by minute, as JSON.
    #[arg(long)]
    json: Option<PathBuf>,
}

/// Rate of conformed sound, Hz.
const RATE_HZ: f64 = 48_000.0;
/// What a minute may be off, seconds.
const LIMIT_S: f64 = 1e-3;
/// Offsets that are looked for by ear, seconds.
const REACH_S: f64 = 0.25;
/// A sentence whose correlation stays below this holds too little of the same sound to be measured.
const LEAST_CORRELATION: f64 = 0.5;

/// What is special about the recorder's clock besides its drift.
#[derive(Clone, Copy)]
struct Class {
    name: &'static str,
    wander: bool,
    jump: bool,
}

const CLASSES: [Class; 4] = [
    Class { name: "85 ppm", wander: false, jump: false },
    Class { name: "85 ppm, wander", wander: true, jump: false },
    Class { name: "85 ppm, jump", wander: false, jump: true },
    Class { name: "85 ppm, wander, jump", wander: true, jump: true },
];

/// One shoot with its truth.
struct Shoot {
    scene: Scene,
    camera: File,
    recorder: File,
    reference: Vec<f32>,
    /// Recorder's own time and lost seconds (negative: repeated).
    jump: Option<(f64, f64)>,
}

/// Offsets of one conformed sound.
#[derive(Serialize)]
struct Measured {
    /// Largest offset of a sentence by minute of the clip, seconds; `None` where nothing could be measured.
    by_ear_s: Vec<Option<f64>>,
    /// Largest offset by minute of the clip by the maps, seconds.
    by_map_s: Vec<f64>,
    /// Seconds of the clip beyond 1 ms by the maps.
    beyond_s: f64,
    /// Sentences too unlike the reference to be measured.
    unlike: usize,
}

#[derive(Serialize)]
struct Outcome {
    class: &'static str,
    seed: u64,
    /// Where in the clip the recorder jumped, and what it lost, seconds.
    true_jump: Option<(f64, f64)>,
    /// Whose jumps were found, where in the clip, and what was lost, seconds.
    jumps: Vec<(String, f64, f64)>,
    aligned: Measured,
    true_clocks: Measured,
    took_s: f64,
}

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(e) => {
            eprintln!("conform: {e}");
            ExitCode::FAILURE
        }
    }
}

fn run(options: &Options) -> io::Result<bool> {
    let material = Material::load(&options.data)?;
    println!(
        "{:<22} {:>4} | {:>15} {:>8} | {:>15} {:>8} {:>8} {:>8} | {:>11} | the recorder's jump, in the clip's time: true -> found",
        "recorder's clock",
        "seed",
        "by ear: minutes",
        "worst ms",
        "by map: minutes",
        "worst ms",
        "median",
        "s beyond",
        "true clocks"
    );
    let mut all = Vec::new();
    for class in CLASSES.iter().filter(|c| options.only.as_ref().is_none_or(|o| c.name.contains(o.as_str()))) {
        for seed in options.first_seed..options.first_seed + options.seeds {
            let outcome = measure(&material, *class, seed, options)?;
            print(&outcome);
            all.push(outcome);
        }
    }
    if let Some(path) = &options.json {
        std::fs::write(path, serde_json::to_string_pretty(&all)?)?;
    }
    let in_time = |m: &Measured| m.by_ear_s.iter().flatten().all(|s| *s < LIMIT_S);
    Ok(!all.is_empty() && all.iter().all(|o| in_time(&o.aligned) && in_time(&o.true_clocks)))
}

fn print(outcome: &Outcome) {
    let worst = |all: &mut dyn Iterator<Item = f64>| 1e3 * all.fold(0.0, f64::max);
    let m = &outcome.aligned;
    let heard: Vec<f64> = m.by_ear_s.iter().flatten().copied().collect();
    let good = heard.iter().filter(|s| **s < LIMIT_S).count();
    let mut by_map = m.by_map_s.clone();
    by_map.sort_by(f64::total_cmp);
    let jump = |at_s: f64, lost_s: f64| format!("{at_s:.3} s, {:+.1} ms", 1e3 * lost_s);
    let jumps = match outcome.true_jump {
        None if outcome.jumps.is_empty() => "none".to_owned(),
        truth => format!(
            "{} -> {}",
            truth.map_or("none".to_owned(), |j| jump(j.0, j.1)),
            outcome.jumps.iter().map(|j| format!("{} of {}", jump(j.1, j.2), j.0)).collect::<Vec<_>>().join("; ")
        ),
    };
    println!(
        "{:<22} {:>4} | {:>15} {:>8.3} | {:>15} {:>8.3} {:>8.3} {:>8.1} | {:>11.4} | {jumps} ({} unlike, {:.0} s)",
        outcome.class,
        outcome.seed,
        format!("{good} of {}", heard.len()),
        worst(&mut heard.iter().copied()),
        format!("{} of {}", by_map.iter().filter(|s| **s < LIMIT_S).count(), by_map.len()),
        worst(&mut m.by_map_s.iter().copied()),
        1e3 * by_map[by_map.len() / 2],
        m.beyond_s,
        worst(&mut outcome.true_clocks.by_ear_s.iter().flatten().copied()),
        m.unlike,
        outcome.took_s,
    );
}

fn measure(material: &Material, class: Class, seed: u64, options: &Options) -> io::Result<Outcome> {
    let begun = Instant::now();
    let shoot = make(material, class, seed, options)?;
    let dir = tempfile::tempdir()?;
    for (name, file) in [("camera.wav", &shoot.camera), ("recorder.wav", &shoot.recorder)] {
        let mut wav = WavOptions::new(file.rate_hz as u32, 1);
        wav.format = SampleFormat::Float32;
        let mut writer = WavWriter::create(&dir.path().join(name), wav).map_err(io::Error::other)?;
        writer.write(&file.samples).map_err(io::Error::other)?;
        writer.finish().map_err(io::Error::other)?;
    }
    let mut how = ShootOptions::default();
    how.grouping.kinds.push(("camera.wav".to_owned(), coeval_shoot::Kind::Camera));
    let alignment = coeval_shoot::align(&[dir.path()], &how, &()).map_err(io::Error::other)?;
    let mut truth = alignment.clone();
    for file in truth.recordings.iter_mut().flat_map(|r| &mut r.files) {
        let own = if file.path == "camera.wav" { &shoot.camera.truth } else { &shoot.recorder.truth };
        file.knots = own.knots().iter().map(|k| [k.0, shoot.camera.truth.inverse(k.1)]).collect();
        file.jumps.clear();
    }
    // Between two devices nobody can say whose jump it was: what the camera repeated is what the recorder lost.
    let map = |name: &str| alignment.map(name).ok_or_else(|| io::Error::other("unplaced"));
    let camera = map("camera.wav")?;
    let mut jumps = Vec::new();
    for file in alignment.files() {
        let own = map(&file.path)?;
        let at_s = |j: f64| camera.inverse(own.forward(j));
        jumps.extend(file.jumps.iter().map(|j| (file.path.clone(), at_s(j.file_s), j.lost_s)));
    }
    let own_s = |j: f64| shoot.camera.truth.inverse(shoot.recorder.truth.forward(j - 1e-9));
    let true_jump = shoot.jump.map(|(at_s, lost_s)| (own_s(at_s), lost_s));
    let aligned = compare(&shoot, &alignment, dir.path())?;
    let true_clocks = compare(&shoot, &truth, dir.path())?;
    Ok(Outcome {
        class: class.name,
        seed,
        true_jump,
        jumps,
        aligned,
        true_clocks,
        took_s: begun.elapsed().as_secs_f64(),
    })
}

fn make(material: &Material, class: Class, seed: u64, options: &Options) -> io::Result<Shoot> {
    let rng = &mut SmallRng::seed_from_u64(seed);
    let length_s = options.minutes * 60.0;
    let a = rng.random_range(0..material.voices.len());
    let b = (a + rng.random_range(1..material.voices.len())) % material.voices.len();
    let scene = Scene::new(
        material,
        &SceneSpec {
            seed: rng.random(),
            duration_s: length_s + 140.0,
            talk_s: options.talk * length_s,
            talk_within_s: (30.0, length_s + 30.0),
            radio_s: 0.03 * length_s,
            voices: [a, b],
            half: Half::Both,
            engine: Some(rng.random_range(0..material.engines.len())),
        },
    );
    let camera = Device {
        drift_ppm: -42.5,
        distance_m: rng.random_range(0.6..2.5),
        seats_m: options.seats_m,
        wall_gain: rng.random_range(0.1..0.75),
        voice_db: Some(options.voice_db),
        engine_share: rng.random_range(0.3..0.95),
        gain_control: rng.random_bool(0.5),
        inverted: rng.random_bool(0.2),
        aac_kbps: Some(96),
        ..Device::camera(rng.random(), 30.0, length_s)
    };
    let mut recorder = Device {
        drift_ppm: 42.5,
        voice_db: Some(28.0),
        ..Device::recorder(rng.random(), rng.random_range(5.0..25.0), length_s + 60.0)
    };
    if class.wander {
        recorder.wander = Some((25.0, 2400.0));
    }
    if class.jump {
        // Within a sentence near the middle, so that its moment can be heard at all.
        let own = ClockMap::linear(recorder.start_s, recorder.drift_ppm, recorder.duration_s());
        let middle = scene
            .utterances
            .iter()
            .filter(|u| u.who < 2 && u.duration_s() > 2.0)
            .map(|u| own.inverse(u.start_s() + 0.5 * u.duration_s()))
            .min_by(|x, y| (x - length_s / 2.0).abs().total_cmp(&(y - length_s / 2.0).abs()))
            .ok_or_else(|| io::Error::other("nobody speaks"))?;
        let size = rng.random_range(0.02f64.ln()..0.5f64.ln()).exp();
        recorder.jumps = vec![(middle, if rng.random_bool(0.5) { size } else { -size })];
    }
    let heard = scene.record(&camera)?.remove(0);
    let clean = Device {
        kind: Kind::Recorder,
        rate_hz: RATE_HZ,
        // As late as the camera hears it.
        start_s: heard.truth.forward(0.0),
        voice_db: None,
        gain_control: false,
        inverted: false,
        aac_kbps: None,
        ..camera
    };
    let reference = scene.record(&clean)?.remove(0);
    let jump = recorder.jumps.first().copied();
    Ok(Shoot { camera: heard, recorder: scene.record(&recorder)?.remove(0), reference: reference.samples, scene, jump })
}

/// Conforms the recorder to the camera's clip and measures what came out.
fn compare(shoot: &Shoot, alignment: &Alignment, folder: &Path) -> io::Result<Measured> {
    let options = ConformOptions::default();
    let jobs = plan(alignment, &options).map_err(io::Error::other)?;
    let job = jobs.iter().find(|j| matches!(j.placement, SoundPlacement::UnderClip(_)));
    let job = job.ok_or_else(|| io::Error::other("camera and recorder were not placed"))?;
    let mut sound: Vec<f32> = Vec::new();
    let sink = &mut |block: &[f32]| {
        sound.extend_from_slice(block);
        Ok(())
    };
    job.render(alignment, folder, &options, &(), sink).map_err(io::Error::other)?;
    assert_eq!(sound.len(), shoot.reference.len(), "as long as the clip");

    let map = |name: &str| alignment.map(name).ok_or_else(|| io::Error::other("unplaced"));
    let route = Route::under_clip(&map("recorder.wav")?, &map("camera.wav")?);
    let (clip, source) = (&shoot.camera.truth, &shoot.recorder.truth);
    let minutes = (shoot.camera.duration_s() / 60.0).ceil() as usize;
    let mut by_map_s = vec![0f64; minutes];
    let mut beyond_s = 0.0;
    for tenth in 0..(shoot.camera.duration_s() * 10.0) as usize {
        let t = tenth as f64 / 10.0;
        let true_s = clip.forward(t);
        // What the recorder lost is not to be had: its map does not lead back there.
        if (source.forward(source.inverse(true_s)) - true_s).abs() > 1e-6 {
            continue;
        }
        // Silence where the recorder has sound is as wrong as can be.
        let off_s = route.source_at(t).map_or(REACH_S, |s| (source.forward(s) - true_s).abs());
        by_map_s[(t / 60.0) as usize] = by_map_s[(t / 60.0) as usize].max(off_s);
        beyond_s += if off_s > LIMIT_S { 0.1 } else { 0.0 };
    }

    let mut by_ear_s = vec![None; minutes];
    let mut unlike = 0;
    let jump_s = shoot.jump.map(|(own_s, lost_s)| {
        let (before, after) = (source.forward(own_s - 1e-6), source.forward(own_s + 1e-6));
        (before.min(after) - lost_s.abs(), before.max(after) + lost_s.abs())
    });
    let mut correlator = Correlator::default();
    for u in shoot.scene.utterances.iter().filter(|u| u.who < 2) {
        let (from_s, to_s) = (u.start_s(), u.start_s() + u.duration_s());
        let (from, to) = (clip.inverse(from_s), clip.inverse(to_s));
        let cut = jump_s.is_some_and(|(a, b)| from_s < b && to_s > a);
        if cut || from < 1.0 || to > shoot.camera.duration_s() - 1.0 {
            continue;
        }
        let range = (from * RATE_HZ) as usize..(to * RATE_HZ) as usize;
        match correlator.lead_s(&shoot.reference[range.clone()], &sound[range]) {
            Some(off_s) => {
                let worst: &mut Option<f64> = &mut by_ear_s[(from / 60.0) as usize];
                *worst = Some(worst.unwrap_or(0.0).max(off_s.abs()));
            }
            None => unlike += 1,
        }
    }
    Ok(Measured { by_ear_s, by_map_s, beyond_s, unlike })
}

/// Cross-correlation whose transforms are made once for each length.
#[derive(Default)]
struct Correlator {
    plans: HashMap<usize, (Forward<f64>, Inverse<f64>)>,
}

impl Correlator {
    /// How much earlier `b` comes than `a`, seconds: the peak of their cross-correlation, with the parabola through
    /// its three topmost values. `None` when they are not alike.
    fn lead_s(&mut self, a: &[f32], b: &[f32]) -> Option<f64> {
        let len = (2 * a.len()).next_power_of_two();
        let (forward, back) = self.plans.entry(len).or_insert_with(|| real_double(len));
        let spectrum = |x: &[f32]| {
            let mut padded = forward.make_input_vec();
            padded.iter_mut().zip(x).for_each(|(p, v)| *p = f64::from(*v));
            let mut out = forward.make_output_vec();
            forward.process(&mut padded, &mut out).ok().map(|()| out)
        };
        let (x, y) = (spectrum(a)?, spectrum(b)?);
        let mut cross: Vec<_> = x.iter().zip(&y).map(|(p, q)| p * q.conj()).collect();
        // Real by nature; rounding is not.
        cross[0].im = 0.0;
        if let Some(last) = cross.last_mut() {
            last.im = 0.0;
        }
        let mut correlation = back.make_output_vec();
        back.process(&mut cross, &mut correlation).ok()?;
        let at = |lag: i64| correlation[lag.rem_euclid(len as i64) as usize];
        let reach = (REACH_S * RATE_HZ) as i64;
        let best = (-reach..=reach).max_by(|&i, &j| at(i).abs().total_cmp(&at(j).abs()))?;
        let energy = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
        let scale = len as f64 * (energy(a) * energy(b)).sqrt();
        if at(best).abs() < LEAST_CORRELATION * scale {
            return None;
        }
        let [before, top, after] = [at(best - 1), at(best), at(best + 1)];
        let part = 0.5 * (before - after) / (before - 2.0 * top + after);
        Some((best as f64 + part) / RATE_HZ)
    }
}
