//! A small shoot, and what lies in a folder.
#![allow(unreachable_pub, reason = "each test is a program of its own")]

use std::collections::BTreeMap;
use std::path::Path;

const RATE_HZ: u32 = 48_000;

/// The next of numbers between 0 and 1 that are the same on every run (Knuth's MMIX generator, from memory).
pub fn random(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1u64 << 53) as f64
}

/// Bursts of noise with pauses, which three devices hear with noise of their own.
pub fn write_shoot(folder: &Path) {
    let mut state = 1;
    let mut event: Vec<f64> = Vec::new();
    while event.len() < 24 * RATE_HZ as usize {
        let (level, burst) = (0.1 + 0.3 * random(&mut state), 0.1 + 0.4 * random(&mut state));
        event.extend((0..(burst * f64::from(RATE_HZ)) as usize).map(|_| level * (random(&mut state) - 0.5)));
        event.extend(vec![0.0; (0.4 * random(&mut state) * f64::from(RATE_HZ)) as usize]);
    }
    for (name, from_s, to_s) in [("launch.wav", 0, 20), ("launch-2.wav", 4, 22), ("headset.wav", 2, 24)] {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: RATE_HZ,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(folder.join(name), spec).unwrap();
        for x in &event[from_s * RATE_HZ as usize..to_s * RATE_HZ as usize] {
            writer.write_sample((32_000.0 * (x + 0.01 * (random(&mut state) - 0.5))) as i16).unwrap();
        }
        writer.finalize().unwrap();
    }
}

/// Every file below a folder that is not hidden, by its path.
pub fn content(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut all = BTreeMap::new();
    let Ok(entries) = std::fs::read_dir(folder) else { return all };
    for entry in entries {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if entry.file_type().unwrap().is_dir() {
            all.extend(content(&entry.path()).into_iter().map(|(below, bytes)| (format!("{name}/{below}"), bytes)));
        } else if !name.starts_with('.') {
            all.insert(name, std::fs::read(entry.path()).unwrap());
        }
    }
    all
}

/// How many files below a folder are hidden, as those are that are not whole yet.
pub fn unfinished(folder: &Path) -> usize {
    let Ok(entries) = std::fs::read_dir(folder) else { return 0 };
    let count = |entry: std::fs::DirEntry| {
        if entry.file_type().unwrap().is_dir() {
            unfinished(&entry.path())
        } else {
            usize::from(entry.file_name().as_encoded_bytes().starts_with(b"."))
        }
    };
    entries.map(|entry| count(entry.unwrap())).sum()
}
