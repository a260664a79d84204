//! Every container and codec on presentation time: the clicks of each fixture are found where the
//! fixture's recipe (`tests/fixtures/make.py`) puts them.
//!
//! Lossless: within one sample of the file's rate, and the tolerance is set to less than one sample so
//! that a shift by one fails. Lossy: within 0.1 ms. Run with `--nocapture` to see the table.

#![allow(clippy::print_stdout)] // The table is for people.

use std::path::{Path, PathBuf};

use coeval_media::{OpenOptions, SoundReader};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures")
}

/// The fixtures' click: see `click` in `make.py`.
fn click(rate: f64) -> Vec<f64> {
    let half = (0.010 * rate).round() as i64;
    (-half..=half)
        .map(|n| {
            let t = n as f64 / rate;
            let phase = std::f64::consts::TAU * (3250.0 * t + 5500.0 / 0.020 * t * t / 2.0);
            let window = 0.5 * (1.0 + (std::f64::consts::PI * n as f64 / (half + 1) as f64).cos());
            0.6 * phase.cos() * window
        })
        .collect()
}

/// Times of all clicks in mono sound, by correlation with the click, refined by a parabola.
fn find_clicks(sound: &[f32], rate: f64) -> Vec<f64> {
    let shape = click(rate);
    let energy: f64 = shape.iter().map(|v| v * v).sum();
    if sound.len() < shape.len() {
        return Vec::new();
    }
    let score: Vec<f64> = sound
        .windows(shape.len())
        .map(|w| w.iter().zip(&shape).map(|(a, b)| f64::from(*a) * b).sum::<f64>() / energy)
        .collect();
    let mut found = Vec::new();
    for i in 1..score.len() - 1 {
        let near = i.saturating_sub(shape.len())..(i + shape.len()).min(score.len());
        if score[i] > 0.5 && near.clone().all(|j| score[j] <= score[i]) {
            let (a, b, c) = (score[i - 1], score[i], score[i + 1]);
            let top = 0.5 * (a - c) / (a - 2.0 * b + c);
            found.push((i as f64 + top + (shape.len() / 2) as f64) / rate);
        }
    }
    found
}

/// The first channel of the whole file.
fn read_all(reader: &mut SoundReader) -> Vec<f32> {
    let channels = reader.info().sound.as_ref().expect("sound").channels;
    let (mut out, mut block) = (Vec::new(), Vec::new());
    loop {
        let n = reader.read(&mut block).expect("reads on");
        assert_eq!(block.len(), n * channels);
        if n == 0 {
            return out;
        }
        out.extend(block.chunks_exact(channels).map(|f| f[0]));
    }
}

struct Truth {
    name: String,
    rate: f64,
    clicks: Vec<f64>,
    lossless: bool,
}

fn truth() -> Vec<Truth> {
    let text = std::fs::read_to_string(fixtures().join("truth.tsv")).expect("truth.tsv");
    let rows: Vec<Truth> = text
        .lines()
        .filter(|l| !l.starts_with('#'))
        .map(|l| {
            let f: Vec<&str> = l.split('\t').collect();
            Truth {
                name: f[0].into(),
                rate: f[1].parse().expect("rate"),
                clicks: f[2].split(' ').map(|c| c.parse().expect("time")).collect(),
                lossless: f[3] == "lossless",
            }
        })
        .collect();
    assert!(rows.len() > 50, "the list of fixtures is cut short");
    rows
}

/// Tolerances in seconds: below one sample where nothing is lost, 0.1 ms elsewhere.
fn tolerance_s(t: &Truth) -> f64 {
    if t.lossless { 0.5 / t.rate } else { 1e-4 }
}

#[test]
fn clicks_are_where_the_recipes_put_them() {
    let mut failed = Vec::new();
    println!(
        "{:<24} {:<10} {:<16} {:>7} {:>3} {:>7}  worst error",
        "file", "container", "codec", "rate", "ch", "clicks"
    );
    for t in truth() {
        let mut reader = match SoundReader::open(&fixtures().join(&t.name), &OpenOptions::default()) {
            Ok(r) => r,
            Err(e) => {
                println!("{:<24} {e}", t.name);
                failed.push(t.name);
                continue;
            }
        };
        let sound = reader.info().sound.clone().expect("sound");
        let samples = read_all(&mut reader);
        let found = find_clicks(&samples, t.rate);
        let worst = found.iter().zip(&t.clicks).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        let frames_told = sound.frames.is_none_or(|n| n == samples.len() as u64);
        let good = f64::from(sound.rate_hz) == t.rate
            && found.len() == t.clicks.len()
            && worst < tolerance_s(&t)
            && frames_told;
        println!(
            "{:<24} {:<10} {:<16} {:>7} {:>3} {:>3}/{:<3}  {:8.4} ms = {:7.3} samples, {} frames{} {}{}",
            t.name,
            reader.info().container,
            sound.codec,
            sound.rate_hz,
            sound.channels,
            found.len(),
            t.clicks.len(),
            worst * 1e3,
            worst * t.rate,
            samples.len(),
            if frames_told { "" } else { " (header says otherwise)" },
            if good { "" } else { "WRONG " },
            reader.warnings().join("; "),
        );
        if !good {
            println!("    found {found:?}, true {:?}", t.clicks);
            failed.push(t.name);
        }
    }
    assert!(failed.is_empty(), "off the mark: {failed:?}");
}
