//! Writes a simulated shoot as files, with its truth: two cameras (AAC in MP4 and MOV, chapters of an hour at
//! most) and a recorder (16 bit WAV), for measuring whole jobs. Needs ffmpeg and the sounds that
//! benches/scripts/fetch_sounds.sh fetches.
//!
//! ```text
//! cargo run --release -p coeval-benches --bin make_shoot -- --minutes 60 --out out/shoot-60
//! ```
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program that tells what it writes")]

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use clap::Parser;
use coeval_benches::sim::{Device, File, Half, Scene, SceneSpec};
use coeval_benches::sim_sound::Material;
use serde_json::json;

/// A simulated shoot as files.
#[derive(Parser)]
struct Options {
    /// Length of the first camera's recording, minutes.
    #[arg(long, default_value_t = 10.0)]
    minutes: f64,
    /// Longest chapter of a camera, minutes.
    #[arg(long, default_value_t = 60.0)]
    chapter_minutes: f64,
    /// Folder to write into; made if missing.
    #[arg(long)]
    out: PathBuf,
    /// Share of the time in which somebody speaks.
    #[arg(long, default_value_t = 0.1)]
    talk: f64,
    /// Voice over engine and wind at the cameras, dB.
    #[arg(long, default_value_t = -6.0, allow_hyphen_values = true)]
    voice_db: f64,
    /// Another seed makes another shoot.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Folder that benches/scripts/fetch_sounds.sh has filled.
    #[arg(long, default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/data"))]
    data: PathBuf,
}

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("make_shoot: {e}");
            ExitCode::FAILURE
        }
    }
}

fn run(options: &Options) -> io::Result<()> {
    let material = Material::load(&options.data)?;
    let recordings = options.out.join("recordings");
    fs::create_dir_all(&recordings)?;
    let length_s = options.minutes * 60.0;
    let scene = Scene::new(
        &material,
        &SceneSpec {
            seed: options.seed,
            duration_s: length_s + 140.0,
            talk_s: options.talk * length_s,
            talk_within_s: (5.0, length_s + 130.0),
            radio_s: 0.03 * length_s,
            voices: [0, 3],
            half: Half::Both,
            engine: Some(0),
        },
    );
    let camera = |seed, start_s, length_s: f64| {
        let chapters = (length_s / 60.0 / options.chapter_minutes).ceil().max(1.0);
        Device {
            chapters: vec![(0.0, length_s / chapters); chapters as usize],
            voice_db: Some(options.voice_db),
            ..Device::camera(seed, start_s, length_s)
        }
    };
    let devices = [
        ("cam-a", "mp4", Device { drift_ppm: -21.0, ..camera(11, 40.0, length_s) }),
        ("cam-b", "mov", Device { drift_ppm: 34.0, distance_m: 2.0, ..camera(12, 71.5, length_s - 20.0) }),
        (
            "rec",
            "wav",
            Device { drift_ppm: -48.0, voice_db: Some(28.0), ..Device::recorder(13, 8.25, length_s + 90.0) },
        ),
    ];
    let mut origin = None;
    let mut truth = Vec::new();
    for (id, ending, device) in &devices {
        for (i, file) in scene.record(device)?.into_iter().enumerate() {
            let name = format!("{id}-{:03}.{ending}", i + 1);
            write(&recordings.join(&name), &file)?;
            let origin = origin.get_or_insert_with(|| file.truth.clone());
            let knots: Vec<(f64, f64)> = file.truth.knots().iter().map(|k| (k.0, origin.inverse(k.1))).collect();
            println!("{name}: {:.1} s, starts at {:.4} s", file.duration_s(), knots[0].1);
            truth.push(json!({ "path": name, "duration_s": file.duration_s(), "knots": knots }));
        }
    }
    fs::write(options.out.join("truth.json"), serde_json::to_string_pretty(&json!({ "files": truth }))?)
}

/// WAV as it is; anything else through ffmpeg with a black picture, AAC at 96 kbit/s.
fn write(path: &Path, file: &File) -> io::Result<()> {
    let is_wav = path.extension().is_some_and(|e| e == "wav");
    let wav = if is_wav { path.to_path_buf() } else { path.with_extension("part.wav") };
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: file.rate_hz as u32,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&wav, spec).map_err(io::Error::other)?;
    for x in &file.samples {
        writer.write_sample((x.clamp(-1.0, 1.0) * 32767.0).round() as i16).map_err(io::Error::other)?;
    }
    writer.finalize().map_err(io::Error::other)?;
    if is_wav {
        return Ok(());
    }
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "lavfi", "-i", "color=c=black:s=160x90:r=25", "-i"])
        .arg(&wav)
        .args(["-map", "0:v", "-map", "1:a", "-shortest", "-c:v", "libx264", "-preset", "ultrafast", "-g", "250"])
        .args(["-c:a", "aac", "-b:a", "96k"])
        .arg(path)
        .status()?;
    fs::remove_file(&wav)?;
    if done.success() { Ok(()) } else { Err(io::Error::other(format!("ffmpeg failed on {}", path.display()))) }
}
