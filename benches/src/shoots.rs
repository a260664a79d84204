//! Simulated shoots through the engine: how far off each file is, what is placed, which jumps are found.

use std::time::Instant;

use coeval::clock::ClockMap;
use coeval::network::{Link, Node, between_neighbours, solve};
use coeval::pair::{Aligner, PairOptions, PairOutcome};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use rayon::prelude::*;
use serde::Serialize;

use crate::sim::{Device, File, Half, Scene, SceneSpec};
use crate::sim_sound::Material;

/// A placement is right when its median error is no more than this, in seconds: half a frame at 25 fps.
pub const RIGHT_S: f64 = 0.020;

/// Jumps from this size on count for the detection rate, seconds.
const JUMP_S: f64 = 0.020;

/// A file with less active speech in common with all others need not be placed, seconds.
const LEAST_TALK_S: f64 = 3.0;

/// A reported jump belongs to a true one within this time, seconds.
const JUMP_NEAR_S: f64 = 1.0;

/// Conditions of one class of shoots; ranges are drawn from evenly.
#[derive(Debug, Clone)]
pub struct Class {
    /// Short name.
    pub name: &'static str,
    /// Shoots in a full run.
    pub shoots: usize,
    /// Common length, seconds.
    pub length_s: (f64, f64),
    /// Speech while both record: seconds, or share of the common length.
    pub talk: Talk,
    /// Voice over engine and wind at the cameras, dB.
    pub voice_db: (f64, f64),
    /// What is special.
    pub special: Special,
    /// What must hold: least share placed in percent, largest error at the 98th percentile and of all in ms.
    pub limits: Option<(f64, f64, f64)>,
}

/// How much is said.
#[derive(Debug, Clone, Copy)]
pub enum Talk {
    /// Seconds of active speech.
    Seconds(f64, f64),
    /// Share of the time.
    Share(f64, f64),
}

/// What a class of shoots tries beyond level, talk and length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Special {
    /// One camera, one recorder, constant drift.
    None,
    /// The recorder's drift goes 25 ppm up and down within 40 minutes each way.
    Wander,
    /// The camera loses or repeats 5 ms to 2 s of sound, one to three times.
    Jumps,
    /// The camera writes three chapters with gaps of -0.1 to 60 s.
    Chapters,
    /// Two cameras and a recorder.
    ThreeDevices,
    /// A third file of other people and another engine lies among the others.
    Foreign,
    /// The recorder's line stays open and hears the engine all the time, from another place than the camera:
    /// that sound has another delay than the voices, by up to 6 ms.
    OpenLine,
}

/// The classes in the order in which they are reported.
pub fn classes() -> Vec<Class> {
    let class = |name, shoots, minutes: (f64, f64), talk, voice_db, special, limits| Class {
        name,
        shoots,
        length_s: (minutes.0 * 60.0, minutes.1 * 60.0),
        talk,
        voice_db,
        special,
        limits,
    };
    let strong = Some((100.0, 2.0, 5.0));
    vec![
        class("3-6 s of talk, -9..0 dB", 60, (1.0, 3.0), Talk::Seconds(3.0, 6.0), (-9.0, 0.0), Special::None, strong),
        class("talk 5-30 %, -9 dB", 40, (3.0, 8.0), Talk::Share(0.05, 0.3), (-9.0, -9.0), Special::None, strong),
        class("talk 2-4 %, -9..-3 dB", 12, (8.0, 20.0), Talk::Share(0.02, 0.04), (-9.0, -3.0), Special::None, strong),
        class("one hour, -9..-3 dB", 8, (60.0, 60.0), Talk::Share(0.03, 0.15), (-9.0, -3.0), Special::None, strong),
        class(
            "20-60 s of talk, -16 dB",
            60,
            (2.0, 8.0),
            Talk::Seconds(20.0, 60.0),
            (-16.0, -16.0),
            Special::None,
            Some((98.0, 5.0, 5.0)),
        ),
        class("talk 10-30 %, -20 dB", 16, (5.0, 10.0), Talk::Share(0.1, 0.3), (-20.0, -20.0), Special::None, None),
        class(
            "wander 25 ppm, 40-60 min",
            5,
            (40.0, 60.0),
            Talk::Share(0.05, 0.15),
            (-9.0, -3.0),
            Special::Wander,
            Some((100.0, 3.0, 3.0)),
        ),
        class(
            "jumps, -9..0 dB",
            20,
            (6.0, 12.0),
            Talk::Share(0.1, 0.3),
            (-9.0, 0.0),
            Special::Jumps,
            Some((100.0, 2.0, 5.0)),
        ),
        class("chapters, -9..0 dB", 10, (8.0, 15.0), Talk::Share(0.1, 0.3), (-9.0, 0.0), Special::Chapters, strong),
        class(
            "three devices, -9..0 dB",
            10,
            (4.0, 10.0),
            Talk::Share(0.05, 0.3),
            (-9.0, 0.0),
            Special::ThreeDevices,
            strong,
        ),
        class("open line, -9..0 dB", 16, (3.0, 10.0), Talk::Share(0.05, 0.3), (-9.0, 0.0), Special::OpenLine, None),
        class("with a foreign file", 10, (3.0, 8.0), Talk::Share(0.05, 0.3), (-9.0, 0.0), Special::Foreign, strong),
    ]
}

/// A shoot: its scene, and each device with its files. Files of a device without truth are foreign.
struct Shoot {
    scene: Scene,
    recordings: Vec<(Device, Vec<File>)>,
    foreign: Option<usize>,
    longest_s: f64,
}

impl Shoot {
    /// Seconds of active speech that file `i` shares with files of other recordings.
    fn common_talk_s(&self, i: usize, files: &[(usize, &File)]) -> f64 {
        let span = |f: &File| (f.truth.forward(0.0), f.truth.forward(f.duration_s()));
        let (from, to) = span(files[i].1);
        files
            .iter()
            .filter(|f| f.0 != files[i].0 && Some(f.0) != self.foreign)
            .map(|f| self.scene.talk_s(from.max(span(f.1).0), to.min(span(f.1).1)))
            .sum()
    }
}

/// A random camera at a level; everything else of it is drawn.
pub fn any_camera(rng: &mut SmallRng, start_s: f64, length_s: f64, voice_db: f64) -> Device {
    // Long files at a low rate: the track has 8 kHz in any case, and the hour must not take its memory.
    let rates: &[f64] =
        if length_s > 1200.0 { &[16_000.0, 32_000.0] } else { &[48_000.0, 48_000.0, 44_100.0, 32_000.0] };
    Device {
        rate_hz: rates[rng.random_range(0..rates.len())],
        drift_ppm: rng.random_range(-100.0..100.0),
        distance_m: rng.random_range(0.6..2.5),
        engine_distance_m: rng.random_range(1.5..3.0),
        wall_gain: rng.random_range(0.1..0.75),
        voice_db: Some(voice_db),
        engine_share: rng.random_range(0.3..0.95),
        gain_control: rng.random_bool(0.5),
        inverted: rng.random_bool(0.2),
        aac_kbps: rng.random_bool(0.35).then(|| [48, 64, 96, 128][rng.random_range(0..4)]),
        ..Device::camera(rng.random(), start_s, length_s)
    }
}

/// A random recorder on the headset line.
pub fn any_recorder(rng: &mut SmallRng, start_s: f64, length_s: f64) -> Device {
    Device {
        rate_hz: if length_s > 1200.0 { 16_000.0 } else { [44_100.0, 48_000.0][rng.random_range(0..2)] },
        drift_ppm: rng.random_range(-100.0..100.0),
        voice_db: Some(rng.random_range(18.0..30.0)),
        engine_share: rng.random_range(0.1..0.9),
        engine_distance_m: rng.random_range(1.0..3.0),
        ..Device::recorder(rng.random(), start_s, length_s)
    }
}

/// Two different voices and one of the engines.
pub fn any_people(rng: &mut SmallRng, material: &Material) -> ([usize; 2], usize) {
    let a = rng.random_range(0..material.voices.len());
    let b = (a + rng.random_range(1..material.voices.len())) % material.voices.len();
    ([a, b], rng.random_range(0..material.engines.len()))
}

fn between(rng: &mut SmallRng, range: (f64, f64)) -> f64 {
    if range.1 > range.0 { rng.random_range(range.0..range.1) } else { range.0 }
}

fn make(material: &Material, class: &Class, seed: u64) -> std::io::Result<Shoot> {
    let rng = &mut SmallRng::seed_from_u64(seed);
    let length_s = between(rng, class.length_s);
    let voice_db = between(rng, class.voice_db);
    let talk_s = match class.talk {
        Talk::Seconds(a, b) => between(rng, (a, b)),
        Talk::Share(a, b) => between(rng, (a, b)) * length_s,
    };
    // The camera and the recorder each start and stop in their own time around the common part.
    let around = |rng: &mut SmallRng| rng.random_range(0.0..0.25) * length_s.min(600.0);
    let lead = 3.0 + 0.25 * length_s.min(600.0);
    let camera_start = lead - around(rng);
    let mut camera = any_camera(rng, camera_start, 0.0, voice_db);
    camera.chapters = vec![(0.0, lead - camera_start + length_s + around(rng))];
    let recorder_start = lead - around(rng);
    let recorder_length = lead - recorder_start + length_s + around(rng);
    let mut recorder = any_recorder(rng, recorder_start, recorder_length);
    if length_s > 1200.0 {
        camera.rate_hz = [16_000.0, 32_000.0][rng.random_range(0..2)];
    }
    let (voices, engine) = any_people(rng, material);
    let chapters_gap = if class.special == Special::Chapters {
        let whole = camera.chapters[0].1;
        let gaps = [[0.0, -0.1, 0.04][rng.random_range(0..3)], rng.random_range(0.0..60.0)];
        camera.chapters = vec![(0.0, whole * 0.4), (gaps[0], whole * 0.35), (gaps[1], whole * 0.25)];
        gaps[0] + gaps[1]
    } else {
        0.0
    };
    let scene = Scene::new(
        material,
        &SceneSpec {
            seed: rng.random(),
            duration_s: lead + length_s * 1.001 + 0.3 * length_s.min(600.0) + chapters_gap.max(0.0) + 8.0,
            talk_s: talk_s.max(3.0),
            talk_within_s: (lead + 0.2, lead + length_s - 0.2),
            radio_s: 0.05 * length_s,
            voices,
            half: Half::Both,
            engine: Some(engine),
        },
    );
    match class.special {
        Special::Wander => recorder.wander = Some((25.0, 2400.0)),
        Special::OpenLine => recorder.voice_gate = false,
        Special::Jumps => camera.jumps = any_jumps(rng, &scene, &camera),
        _ => {}
    }
    let longest_s = camera.duration_s().max(recorder.duration_s());
    let mut devices = vec![camera, recorder];
    if class.special == Special::Jumps {
        // The reference clock must be one that does not jump, or the truth would ask whose jump it was.
        devices.reverse();
    }
    if class.special == Special::ThreeDevices {
        let start = lead - around(rng);
        let db = between(rng, class.voice_db);
        let length = lead - start + length_s + around(rng);
        devices.insert(1, any_camera(rng, start, length, db));
    }
    let mut recordings = Vec::new();
    for device in devices {
        let files = scene.record(&device)?;
        recordings.push((device, files));
    }
    let mut foreign = None;
    if class.special == Special::Foreign {
        // Other people, another engine, as a camera would take them on another day.
        let others: Vec<usize> = (0..material.voices.len()).filter(|v| !voices.contains(v)).collect();
        let other = Scene::new(
            material,
            &SceneSpec {
                seed: rng.random(),
                duration_s: length_s + 10.0,
                talk_s: 0.2 * length_s,
                talk_within_s: (0.0, length_s),
                radio_s: 0.0,
                voices: [others[0], others[1]],
                half: Half::First,
                engine: Some((engine + 1) % material.engines.len()),
            },
        );
        let device = any_camera(rng, 2.0, length_s, voice_db);
        let files = other.record(&device)?;
        foreign = Some(recordings.len());
        recordings.push((device, files));
    }
    Ok(Shoot { scene, recordings, foreign, longest_s })
}

/// One to three jumps, each well within a sentence, at least 40 s apart.
fn any_jumps(rng: &mut SmallRng, scene: &Scene, camera: &Device) -> Vec<(f64, f64)> {
    let count = rng.random_range(1..=3);
    let clock = ClockMap::linear(camera.start_s, camera.drift_ppm, camera.duration_s());
    let mut places: Vec<f64> = scene
        .utterances
        .iter()
        .filter(|u| u.who < 2 && u.duration_s() > 2.0)
        .map(|u| clock.inverse(u.start_s() + 0.5 * u.duration_s()))
        .filter(|&t| t > 20.0 && t < camera.duration_s() - 20.0)
        .collect();
    let mut jumps: Vec<(f64, f64)> = Vec::new();
    while jumps.len() < count && !places.is_empty() {
        let at = places.swap_remove(rng.random_range(0..places.len()));
        if jumps.iter().all(|j| (j.0 - at).abs() > 40.0) {
            // Sizes evenly by their logarithm; repeats are as frequent as losses.
            let size = (rng.random_range(0.005f64.ln()..2f64.ln())).exp();
            jumps.push((at, if rng.random_bool(0.5) { size } else { -size }));
        }
    }
    jumps.sort_by(|a, b| a.0.total_cmp(&b.0));
    jumps
}

/// What came of one shoot.
#[derive(Debug, Clone, Default)]
pub struct ShootResult {
    /// For each file that should be placed: its largest error and its median error, or nothing.
    pub files: Vec<Option<FileError>>,
    /// A foreign file that was placed, with its confidence.
    pub foreign_placed: Option<f64>,
    /// Jumps.
    pub jumps: JumpCount,
    /// Hours of sound without a jump that were searched.
    pub clean_h: f64,
    /// Seconds that the engine took, tracks included.
    pub engine_s: f64,
    /// Seconds that the simulation took.
    pub simulation_s: f64,
    /// One line a pair and a file, for people who look for the reason of a failure.
    pub trace: Vec<String>,
    /// Pair outcomes for the calibration: confidence and whether the placement is right.
    pub pairs: Vec<(f64, bool)>,
}

/// A placed file against its truth.
#[derive(Debug, Clone, Copy)]
pub struct FileError {
    /// Largest error over the whole file, jumps' surroundings left out, seconds.
    pub largest_s: f64,
    /// Median error, seconds.
    pub median_s: f64,
    /// What the engine says about it.
    pub confidence: f64,
    /// One standard deviation that the engine claims, seconds.
    pub uncertainty_s: f64,
}

/// Jumps, true and reported.
#[derive(Debug, Clone, Default)]
pub struct JumpCount {
    /// True ones of 20 ms or more.
    pub large: usize,
    /// Of these, found within a second.
    pub large_found: usize,
    /// True ones under 20 ms.
    pub small: usize,
    /// Of these, found within a second.
    pub small_found: usize,
    /// Error in size of each found one of 20 ms or more, seconds.
    pub size_errors_s: Vec<f64>,
    /// Error in place of each found one of 20 ms or more, seconds.
    pub place_errors_s: Vec<f64>,
    /// Reported where there is none.
    pub false_ones: usize,
}

/// Error of an estimated map against the truth over a file's whole length.
pub fn file_error(estimate: &ClockMap, truth: impl Fn(f64) -> f64, length_s: f64, leave_out_s: &[f64]) -> (f64, f64) {
    let steps = (length_s.ceil() as usize).max(20);
    let mut errors: Vec<f64> = (0..=steps)
        .map(|i| length_s * i as f64 / steps as f64)
        .filter(|t| leave_out_s.iter().all(|j| (t - j).abs() > JUMP_NEAR_S))
        .map(|t| (estimate.forward(t) - truth(t)).abs())
        .collect();
    errors.sort_by(f64::total_cmp);
    (errors.last().copied().unwrap_or(0.0), errors.get(errors.len() / 2).copied().unwrap_or(0.0))
}

fn run(material: &Material, class: &Class, seed: u64) -> Result<ShootResult, String> {
    let began = Instant::now();
    let shoot = make(material, class, seed).map_err(|e| e.to_string())?;
    let mut result = ShootResult { simulation_s: began.elapsed().as_secs_f64(), ..ShootResult::default() };

    let began = Instant::now();
    let mut nodes = Vec::new();
    let mut owners: Vec<(usize, &File)> = Vec::new();
    let mut tracks = Vec::new();
    for (r, (device, files)) in shoot.recordings.iter().enumerate() {
        for file in files {
            let is_camera = device.kind == crate::sim::Kind::Camera;
            nodes.push(Node { recording: r, duration_s: file.duration_s(), is_camera, distance_m: 0.0 });
            owners.push((r, file));
            tracks.push(file.track().map_err(|e| e.to_string())?);
        }
    }
    for (device, files) in &shoot.recordings {
        result.trace.push(format!(
            "seed {seed} {:?}: {} file(s), {} Hz, {:.1} s, drift {:.1} ppm, {:.2} m from voices, {:.2} m from engine, voice {:.1} dB, \
             engine's share {:.2}, walls {:.2}, gain control {}, AAC {:?}, inverted {}, jumps {:?}",
            device.kind,
            files.len(),
            device.rate_hz,
            device.duration_s(),
            device.drift_ppm,
            device.distance_m,
            device.engine_distance_m,
            device.voice_db.unwrap_or(f64::INFINITY),
            device.engine_share,
            device.wall_gain,
            device.gain_control,
            device.aac_kbps,
            device.inverted,
            device.jumps,
        ));
    }
    let mut links: Vec<Link> = Vec::new();
    let mut ask = |a: usize, b: usize, range_s: Option<(f64, f64)>, links: &mut Vec<Link>| -> Result<(), String> {
        let strange = shoot.foreign.is_some_and(|f| owners[a].0 == f || owners[b].0 == f);
        let truth = |t: f64| owners[a].1.truth.inverse(owners[b].1.truth.forward(t));
        let mut options = PairOptions::default();
        options.offset_range_s = range_s;
        let aligner = Aligner::new(options).map_err(|e| e.to_string())?;
        match aligner.align(&tracks[a], &tracks[b], &()).map_err(|e| e.to_string())? {
            PairOutcome::Placed(alignment) => {
                let (largest, median) = file_error(&alignment.map, truth, nodes[b].duration_s, &[]);
                result.pairs.push((alignment.confidence, !strange && median <= RIGHT_S));
                result.trace.push(format!(
                    "seed {seed} files {a}-{b}: confidence {:.5}, error median {:.3} largest {:.3} ms, claimed {:.3} ms, \
                     offset {:.4} (true {:.4}) s, drift {:.2} (true {:.2}) ppm, {} pieces of evidence, jumps {:?}{}",
                    alignment.confidence,
                    median * 1e3,
                    largest * 1e3,
                    alignment.uncertainty_s * 1e3,
                    alignment.map.offset_s(),
                    truth(0.0),
                    alignment.map.drift_ppm(),
                    ((truth(nodes[b].duration_s) - truth(0.0)) / nodes[b].duration_s - 1.0) * 1e6,
                    alignment.evidence.len(),
                    alignment.jumps.iter().map(|j| (j.b_s, j.step_s)).collect::<Vec<_>>(),
                    if strange { ", FOREIGN" } else { "" }
                ));
                links.push(Link { a, b, alignment: *alignment });
            }
            PairOutcome::Unplaced(why) => result.trace.push(format!(
                "seed {seed} files {a}-{b}{}: {}{}, true offset {:.4} s",
                range_s.map_or(String::new(), |(low, high)| format!(" within {low:.1} to {high:.1} s")),
                why.as_str(),
                if strange { " (foreign)" } else { "" },
                truth(0.0)
            )),
        }
        Ok(())
    };
    let pairs: Vec<(usize, usize)> = (0..nodes.len()).flat_map(|b| (0..b).map(move |a| (a, b))).collect();
    for &(a, b) in pairs.iter().filter(|p| owners[p.0].0 != owners[p.1].0) {
        ask(a, b, None, &mut links)?;
    }
    let mut solution = solve(&nodes, &links, 0).map_err(|e| e.to_string())?;
    // What is unplaced is looked for between its neighbours, as the command line does.
    let maps: Vec<Option<&ClockMap>> = solution.placements.iter().map(|p| p.as_ref().ok().map(|p| &p.map)).collect();
    let before = links.len();
    for &(a, b) in &pairs {
        if let Some(range_s) = between_neighbours(&nodes, &maps, a, b) {
            ask(a, b, Some(range_s), &mut links)?;
        }
    }
    if links.len() > before {
        solution = solve(&nodes, &links, 0).map_err(|e| e.to_string())?;
    }
    result.engine_s = began.elapsed().as_secs_f64();

    let origin = owners[0].1;
    for (i, placement) in solution.placements.iter().enumerate() {
        let (recording, file) = owners[i];
        if shoot.foreign == Some(recording) {
            result.foreign_placed = placement.as_ref().ok().map(|p| p.confidence);
            continue;
        }
        if i == 0 {
            continue;
        }
        result.trace.push(format!("seed {seed} file {i} shares {:.1} s of talk", shoot.common_talk_s(i, &owners)));
        let Ok(placement) = placement else {
            // A chapter that shares less than the least talk with any other device need not be placed.
            if shoot.common_talk_s(i, &owners) >= LEAST_TALK_S {
                result.files.push(None);
            }
            continue;
        };
        let truth = |t: f64| origin.truth.inverse(file.truth.forward(t));
        let true_jumps: Vec<(f64, f64)> = file.truth.jumps().collect();
        let found: Vec<(f64, f64)> = placement.map.jumps().collect();
        let near: Vec<f64> = true_jumps.iter().chain(&found).map(|j| j.0).collect();
        let (largest_s, median_s) = file_error(&placement.map, truth, nodes[i].duration_s, &near);
        result.files.push(Some(FileError {
            largest_s,
            median_s,
            confidence: placement.confidence,
            uncertainty_s: placement.uncertainty_s,
        }));
        result.jumps.add(&true_jumps, &found);
    }
    // The reference's own map must not jump either.
    if let Some(Ok(p)) = solution.placements.first() {
        result.jumps.add(&[], &p.map.jumps().collect::<Vec<_>>());
    }
    if class.special != Special::Jumps {
        result.clean_h = shoot.longest_s / 3600.0;
    }
    Ok(result)
}

impl JumpCount {
    fn add(&mut self, truth: &[(f64, f64)], found: &[(f64, f64)]) {
        let mut free: Vec<(f64, f64)> = found.to_vec();
        for t in truth {
            let nearest = (0..free.len())
                .filter(|&k| (free[k].0 - t.0).abs() <= JUMP_NEAR_S)
                .min_by(|&i, &j| (free[i].1 - t.1).abs().total_cmp(&(free[j].1 - t.1).abs()));
            let hit = nearest.map(|k| free.swap_remove(k));
            if t.1.abs() >= JUMP_S {
                self.large += 1;
                if let Some(f) = hit {
                    self.large_found += 1;
                    self.size_errors_s.push((f.1 - t.1).abs());
                    self.place_errors_s.push((f.0 - t.0).abs());
                }
            } else {
                self.small += 1;
                self.small_found += usize::from(hit.is_some());
            }
        }
        self.false_ones += free.len();
    }

    fn merge(&mut self, other: &JumpCount) {
        self.large += other.large;
        self.large_found += other.large_found;
        self.small += other.small;
        self.small_found += other.small_found;
        self.size_errors_s.extend(&other.size_errors_s);
        self.place_errors_s.extend(&other.place_errors_s);
        self.false_ones += other.false_ones;
    }
}

/// One class's figures.
#[derive(Debug, Clone, Serialize)]
pub struct Row {
    /// Class.
    pub class: String,
    /// Shoots run.
    pub shoots: usize,
    /// Files that should be placed.
    pub files: usize,
    /// Files placed and right, percent.
    pub placed_percent: f64,
    /// Files placed wrongly (median error above 20 ms), at any confidence.
    pub wrong: usize,
    /// Files placed wrongly, or foreign files placed, at a confidence of 0.99 or more.
    pub false_sure: usize,
    /// Foreign files placed, at any confidence.
    pub foreign_placed: usize,
    /// Largest error over each file that is placed right: median of files, 98th percentile, all; ms.
    pub error_ms: [f64; 3],
    /// Share of rightly placed files whose largest error exceeds three times the claimed uncertainty, percent.
    pub beyond_3_sigma_percent: f64,
    /// True jumps of 20 ms or more and how many of them were found within a second.
    pub jumps: [usize; 2],
    /// True jumps below 20 ms and how many of them were found.
    pub small_jumps: [usize; 2],
    /// Largest error of size and of place of the found ones, ms.
    pub jump_errors_ms: [f64; 2],
    /// Jumps reported where there is none.
    pub false_jumps: usize,
    /// Hours without a jump that were searched.
    pub clean_h: f64,
    /// Seconds of engine and of simulation per shoot.
    pub seconds: [f64; 2],
    /// Whether the class's limits hold; nothing when it has none.
    pub holds: Option<bool>,
    /// Seeds of shoots that break a limit.
    pub failed_seeds: Vec<u64>,
}

/// Runs some shoots of a class, seeds from `first_seed` on. With `trace`, says on standard error what came of each.
///
/// # Errors
/// When a shoot cannot be simulated or the engine reports a fault.
#[allow(clippy::print_stderr, reason = "the trace that was asked for")]
pub fn run_class(
    material: &Material,
    class: &Class,
    shoots: usize,
    first_seed: u64,
    trace: bool,
) -> Result<(Row, Vec<(f64, bool)>), String> {
    let seeds: Vec<u64> = (0..shoots as u64).map(|i| first_seed + i).collect();
    // Hours one after the other, for their memory; each uses both cores by itself.
    let results: Vec<ShootResult> = if class.length_s.1 > 1200.0 {
        seeds.iter().map(|&s| run(material, class, s)).collect::<Result<_, _>>()?
    } else {
        seeds.par_iter().map(|&s| run(material, class, s)).collect::<Result<_, _>>()?
    };
    if trace {
        for line in results.iter().flat_map(|r| &r.trace) {
            eprintln!("{line}");
        }
    }
    let mut row = Row {
        class: class.name.to_string(),
        shoots,
        files: 0,
        placed_percent: 0.0,
        wrong: 0,
        false_sure: 0,
        foreign_placed: 0,
        error_ms: [0.0; 3],
        beyond_3_sigma_percent: 0.0,
        jumps: [0; 2],
        small_jumps: [0; 2],
        jump_errors_ms: [0.0; 2],
        false_jumps: 0,
        clean_h: 0.0,
        seconds: [0.0; 2],
        holds: None,
        failed_seeds: Vec::new(),
    };
    let mut errors = Vec::new();
    let mut beyond = 0;
    let mut jumps = JumpCount::default();
    let mut pairs = Vec::new();
    for (r, seed) in results.iter().zip(&seeds) {
        row.files += r.files.len();
        let mut failed = false;
        for file in &r.files {
            match file {
                Some(f) if f.median_s <= RIGHT_S => {
                    errors.push(f.largest_s * 1e3);
                    beyond += usize::from(f.largest_s > 3.0 * f.uncertainty_s);
                    failed |= class.limits.is_some_and(|l| f.largest_s * 1e3 > l.1);
                }
                Some(f) => {
                    row.wrong += 1;
                    row.false_sure += usize::from(f.confidence >= 0.99);
                    failed = true;
                }
                None => failed |= class.limits.is_some(),
            }
        }
        if let Some(confidence) = r.foreign_placed {
            row.foreign_placed += 1;
            row.false_sure += usize::from(confidence >= 0.99);
            failed = true;
        }
        failed |= r.jumps.false_ones > 0 || r.jumps.large_found < r.jumps.large;
        if failed {
            row.failed_seeds.push(*seed);
        }
        jumps.merge(&r.jumps);
        row.clean_h += r.clean_h;
        row.seconds[0] += r.engine_s / shoots as f64;
        row.seconds[1] += r.simulation_s / shoots as f64;
        pairs.extend(&r.pairs);
    }
    errors.sort_by(f64::total_cmp);
    row.placed_percent = 100.0 * errors.len() as f64 / row.files.max(1) as f64;
    row.error_ms = [percentile(&errors, 0.5), percentile(&errors, 0.98), percentile(&errors, 1.0)];
    row.beyond_3_sigma_percent = 100.0 * f64::from(beyond as u32) / errors.len().max(1) as f64;
    row.jumps = [jumps.large, jumps.large_found];
    row.small_jumps = [jumps.small, jumps.small_found];
    let largest = |x: &[f64]| x.iter().copied().fold(0.0, f64::max) * 1e3;
    row.jump_errors_ms = [largest(&jumps.size_errors_s), largest(&jumps.place_errors_s)];
    row.false_jumps = jumps.false_ones;
    row.holds = class.limits.map(|(placed, p98, all)| {
        let ok =
            row.placed_percent >= placed && row.error_ms[1] <= p98 && row.error_ms[2] <= all && row.false_sure == 0;
        ok && row.foreign_placed == 0
            && row.jumps[0] == row.jumps[1]
            && row.jump_errors_ms[0] <= 2.0
            && row.false_jumps == 0
    });
    Ok((row, pairs))
}

/// Value at a share of sorted values, nearest rank; 0 for none.
fn percentile(sorted: &[f64], share: f64) -> f64 {
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.saturating_sub(1)).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jumps_are_counted_as_found_missed_and_false() {
        let mut count = JumpCount::default();
        count.add(&[(10.0, 0.5), (50.0, -0.01), (90.0, 0.2)], &[(10.4, 0.501), (30.0, 0.02), (50.2, -0.012)]);
        assert_eq!((count.large, count.large_found, count.small, count.small_found, count.false_ones), (2, 1, 1, 1, 1));
        assert!((count.size_errors_s[0] - 0.001).abs() < 1e-12 && (count.place_errors_s[0] - 0.4).abs() < 1e-12);
    }

    #[test]
    fn the_largest_error_is_at_the_far_end_of_a_wrong_drift() {
        let (largest, median) = file_error(&ClockMap::linear(3.0, 10.0, 100.0), |t| 3.0 + t, 100.0, &[]);
        assert!((largest - 1e-3).abs() < 1e-9 && (median - 0.5e-3).abs() < 1e-5);
    }
}
