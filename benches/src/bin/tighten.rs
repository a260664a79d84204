//! Dead air on simulated hours: a camera and a recorder go through files, alignment, speech map and plan, and what the
//! plan takes out is held against what is known.
//!
//! ```text
//! benches/scripts/fetch_sounds.sh                                     # once: real voices and engines
//! cargo run --release -p coeval-benches --bin tighten
//! ```
//!
//! Voices and engines are those that the speech map was not tuned on. People speak for a share of the hour in clumps,
//! minutes of nothing between them; the recorder hears the engine all the time. **Removable** is what lies between true
//! speech in stretches of [`TightenOptions::dead_s`] or more, less the pause that is left. **Cuts near speech** lie within
//! 80 ms of true speech, or in it; **lost** is speech in what was taken out. An **utterance** is true speech of 0.2 s or
//! more between pauses of more than 0.3 s; one that loses more than 80 ms is **cut**. The truth of when somebody speaks is
//! `Scene::speech`. Besides, the same plan is made of the true speech: then nothing may be lost.
#![allow(clippy::print_stdout, reason = "a program that prints tables")]

use std::error::Error;
use std::path::PathBuf;

use clap::Parser;
use coeval_benches::sim::{Device, Half, Scene, SceneSpec, Utterance};
use coeval_benches::sim_sound::Material;
use coeval_cut::tighten::{Facts, Plan, TightenOptions, Voice, plan};
use coeval_cut::voices::speech_map;
use coeval_listen::speech::{Origin, STEP_S};
use coeval_media::{OpenOptions, WavOptions, WavWriter};
use coeval_shoot::{Alignment, Options as ShootOptions};

/// Voice over engine at the camera, dB.
const CAMERA_DB: f64 = -3.0;

#[derive(Parser)]
struct Arguments {
    /// Hours of each level.
    #[arg(long, default_value_t = 2)]
    seeds: u64,
    /// Length, minutes.
    #[arg(long, default_value_t = 60.0)]
    minutes: f64,
    /// Voice over engine at the recorder, dB; may be repeated.
    #[arg(long, default_values_t = [20.0, 10.0])]
    level: Vec<f64>,
    /// On the voices and engines of the tuning set.
    #[arg(long)]
    tuning: bool,
    /// First seed.
    #[arg(long, default_value_t = 7000)]
    seed: u64,
    /// The recorder starts after this share of the time: before, only the camera hears.
    #[arg(long, default_value_t = 0.0)]
    late: f64,
    /// Keep the recordings and what is known of them in this folder, and use what it holds.
    #[arg(long)]
    keep: Option<PathBuf>,
    /// Where the sounds are.
    #[arg(long, default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/data"))]
    data: PathBuf,
}

/// How a plan does against true speech on its timeline.
struct Score {
    removable_s: f64,
    removed_s: f64,
    cuts: usize,
    near: usize,
    lost_s: f64,
    /// Utterances, and what each of those that are cut loses: where it begins, how long it is, and the loss, seconds.
    utterances: usize,
    cut: Vec<(f64, f64, f64)>,
}

/// Utterances shorter than this do not count, and no loss up to that does, seconds.
const UTTERANCE_S: f64 = 0.195;
const LOSS_S: f64 = 0.08;

/// Stretches of true speech.
fn stretches(speech: &[bool]) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    for (i, _) in speech.iter().enumerate().filter(|s| *s.1) {
        let at_s = i as f64 * STEP_S;
        match found.last_mut() {
            Some(last) if at_s - last.1 < 0.5 * STEP_S => last.1 = at_s + STEP_S,
            _ => found.push((at_s, at_s + STEP_S)),
        }
    }
    found
}

fn score(plan: &Plan, said: &[(f64, f64)], length_s: f64, options: &TightenOptions) -> Score {
    let half = 0.5 * options.pause_s;
    let inner = said.windows(2).map(|w| w[1].0 - w[0].1).filter(|g| *g >= options.dead_s).map(|g| g - 2.0 * half);
    let ends = [said.first().map_or(0.0, |s| s.0), length_s - said.last().map_or(length_s, |s| s.1)];
    let ends = ends.into_iter().filter(|g| *g >= half).map(|g| g - half);
    let kept: Vec<(f64, f64)> =
        plan.kept().into_iter().map(|(a, b, _)| (a as f64 * plan.frame_s(), b as f64 * plan.frame_s())).collect();
    let cuts = kept.iter().flat_map(|k| [k.0, k.1]).filter(|c| *c > 0.0 && *c < length_s - plan.frame_s());
    let cuts: Vec<f64> = cuts.collect();
    let near = cuts.iter().filter(|c| said.iter().any(|s| **c > s.0 - 0.08 && **c < s.1 + 0.08)).count();
    let within = |s: &(f64, f64)| kept.iter().map(|k| (k.1.min(s.1) - k.0.max(s.0)).max(0.0)).sum::<f64>();
    let utterances = || said.iter().filter(|s| s.1 - s.0 >= UTTERANCE_S);
    let loss = |s: &(f64, f64)| (s.0, s.1 - s.0, s.1 - s.0 - within(s));
    Score {
        removable_s: inner.sum::<f64>() + ends.sum::<f64>(),
        removed_s: length_s - plan.shown_s(),
        cuts: cuts.len(),
        near,
        lost_s: said.iter().map(|s| s.1 - s.0 - within(s)).sum(),
        utterances: utterances().count(),
        cut: utterances().map(loss).filter(|l| l.2 > LOSS_S).collect(),
    }
}

/// Moves what is said into clumps: what lay within a window of ten minutes goes into its first four.
fn clump(utterances: &mut [Utterance]) {
    let (window, clump) = (600.0 * 16_000.0, 240.0 * 16_000.0);
    let mut free = 0;
    for u in utterances.iter_mut() {
        let from = (u.first as f64 / window).floor() * window;
        let moved = (from + (u.first as f64 - from) * clump / window) as usize;
        u.first = moved.max(free);
        free = u.first + u.sound.len() + 4000;
    }
}

/// A shoot on disk, its alignment, and when somebody speaks on its timeline.
struct Shoot {
    folder: PathBuf,
    alignment: Alignment,
    said: Vec<(f64, f64)>,
}

fn shoot(
    material: &Material,
    arguments: &Arguments,
    level_db: f64,
    number: u64,
    folder: PathBuf,
) -> Result<Shoot, Box<dyn Error>> {
    let known = (folder.join("alignment.json"), folder.join("said.json"));
    if known.1.exists() {
        let alignment = Alignment::from_json(&std::fs::read_to_string(known.0)?)?;
        let said = serde_json::from_str(&std::fs::read_to_string(known.1)?)?;
        return Ok(Shoot { folder, alignment, said });
    }
    let length_s = 60.0 * arguments.minutes;
    let spec = SceneSpec {
        seed: arguments.seed + number,
        duration_s: length_s + 4.0,
        talk_s: 0.2 * length_s,
        talk_within_s: (2.0, length_s),
        radio_s: 0.0,
        voices: [0, 1],
        half: Half::Both,
        engine: Some(number as usize % material.engines.len()),
    };
    let mut scene = Scene::new(material, &spec);
    clump(&mut scene.utterances);
    let late_s = arguments.late * length_s;
    let mut recorder = Device::recorder(number, 1.0 + late_s, length_s - late_s);
    (recorder.voice_gate, recorder.voice_db) = (false, Some(level_db));
    recorder.engine_share = 0.95;
    let mut camera = Device::camera(number + 50, 1.0, length_s);
    camera.voice_db = Some(CAMERA_DB);
    let mut true_camera = None;
    for (name, device) in [("camera.wav", &camera), ("recorder.wav", &recorder)] {
        let file = scene.record(device)?.remove(0);
        let mut writer = WavWriter::create(&folder.join(name), WavOptions::new(file.rate_hz as u32, 1))?;
        writer.write(&file.samples)?;
        writer.finish()?;
        if name == "camera.wav" {
            true_camera = Some((file.truth.clone(), file.duration_s()));
        }
    }
    let mut how = ShootOptions::default();
    how.grouping.kinds.push(("camera.wav".to_owned(), coeval_shoot::Kind::Camera));
    let alignment = coeval_shoot::align(&[&folder], &how, &())?;
    // The timeline's clock is the camera's.
    let (truth, duration_s) = true_camera.ok_or("no camera")?;
    let own = alignment.map("camera.wav").ok_or("the camera has no place")?;
    let said: Vec<(f64, f64)> = stretches(&scene.speech(&truth, duration_s, |_| true))
        .into_iter()
        .map(|s| (own.forward(s.0), own.forward(s.1)))
        .collect();
    std::fs::write(known.0, alignment.to_json()?)?;
    std::fs::write(known.1, serde_json::to_string(&said)?)?;
    Ok(Shoot { folder, alignment, said })
}

fn run(arguments: &Arguments) -> Result<(), Box<dyn Error>> {
    let material = Material::load(&arguments.data)?.for_speech(arguments.tuning)?;
    println!(
        "| level | hour | engine | removable | removed | cuts | near speech | speech lost | utterances cut | of true speech: removed | near |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    let mut all = [0.0; 4];
    let mut losses = Vec::new();
    for &level_db in &arguments.level {
        for number in 0..arguments.seeds {
            let temporary = tempfile::tempdir()?;
            let folder = match &arguments.keep {
                Some(kept) => kept.join(format!("{level_db}-{number}")),
                None => temporary.path().to_owned(),
            };
            std::fs::create_dir_all(&folder)?;
            let Shoot { folder, alignment, said } = shoot(&material, arguments, level_db, number, folder)?;
            let speech = speech_map(&alignment, &folder, &OpenOptions::default(), &())?;
            let options = TightenOptions::default();
            // Loud moments and claps would be kept too; here only what is said counts.
            let mut facts = Facts::of(&alignment, &speech, Vec::new());
            facts.found.clear();
            let found = plan(&facts, &options)?;
            let whole_s = facts.frames as f64 * found.frame_s();
            let got = score(&found, &said, whole_s, &options);
            let voice = |s: &(f64, f64)| Voice {
                start_s: s.0,
                end_s: s.1,
                origin: Origin::Local,
                radio: None,
                confidence: 1.0,
                heard_by: Vec::new(),
            };
            let known = Facts { voices: said.iter().map(voice).collect(), ..facts };
            let best = score(&plan(&known, &options)?, &said, whole_s, &options);
            println!(
                "| {level_db} dB | {number} | {} | {:.0} s | {:.1} % | {} | {} | {:.1} s of {:.0} s | {} of {} | {:.1} % | {} |",
                material.engines[number as usize % material.engines.len()].name,
                got.removable_s,
                100.0 * got.removed_s / got.removable_s,
                got.cuts,
                got.near,
                got.lost_s,
                said.iter().map(|s| s.1 - s.0).sum::<f64>(),
                got.cut.len(),
                got.utterances,
                100.0 * best.removed_s / best.removable_s,
                best.near,
            );
            let these = [got.removable_s, got.removed_s, got.utterances as f64, got.cut.len() as f64];
            all.iter_mut().zip(these).for_each(|(a, x)| *a += x);
            losses.extend(got.cut.iter().map(|l| (level_db, number, *l)));
        }
    }
    println!(
        "\nall: {:.1} % of {:.0} s removed, {} of {} utterances cut",
        100.0 * all[1] / all[0],
        all[0],
        all[3],
        all[2]
    );
    for (level_db, number, (at_s, length_s, lost_s)) in losses {
        println!("{level_db} dB, hour {number}, at {at_s:.1} s: {lost_s:.2} of {length_s:.2} s lost");
    }
    Ok(())
}

fn main() {
    if let Err(error) = run(&Arguments::parse()) {
        println!("{error}");
        std::process::exit(1);
    }
}
