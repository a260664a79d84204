//! Whatever kills the command, under final names there are whole files only.
#![cfg(unix)]

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const RATE_HZ: u32 = 48_000;
const KILLS: usize = 50;

/// The next of numbers between 0 and 1 that are the same on every run (Knuth's MMIX generator, from memory).
fn random(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1u64 << 53) as f64
}

/// Bursts of noise with pauses, which two devices hear with noise of their own.
fn write_shoot(folder: &Path) {
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
fn content(folder: &Path) -> BTreeMap<String, Vec<u8>> {
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

#[test]
fn leaves_whole_files_or_none() {
    let dir = tempfile::tempdir().unwrap();
    let material = dir.path().join("shoot");
    std::fs::create_dir(&material).unwrap();
    write_shoot(&material);
    let command = |out: &Path| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_coeval"));
        command.arg("align").arg(&material).arg("-o").arg(out).args(["--kind", "launch.wav=camera"]);
        command.args(["--kind", "launch-2.wav=camera", "--keep-apart"]);
        command.stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    // Relative references name the folder's place, so that every run must write into a sister of this one.
    let whole = dir.path().join("whole");
    let begun = Instant::now();
    let mut child = command(&whole).spawn().unwrap();
    while !whole.exists() {
        assert!(begun.elapsed() < Duration::from_secs(120));
        std::thread::sleep(Duration::from_millis(1));
    }
    let to_first = begun.elapsed();
    assert!(child.wait().unwrap().success());
    let to_end = begun.elapsed();
    let expected = content(&whole);
    assert!(expected.keys().any(|n| n.starts_with("sound/under-clips/")), "{:?}", expected.keys());
    assert!(expected.keys().any(|n| n.starts_with("sound/whole/")), "{:?}", expected.keys());

    let (mut state, mut amid) = (5, 0);
    for kill in 0..KILLS {
        let out = dir.path().join(format!("out-{kill}"));
        let begun = Instant::now();
        let mut child = command(&out).spawn().unwrap();
        // Most kills while files are written, some before.
        let after = if kill % 5 == 0 {
            to_first.mul_f64(random(&mut state))
        } else {
            while !out.exists() && begun.elapsed() < 10 * to_end {
                std::thread::sleep(Duration::from_micros(200));
            }
            begun.elapsed() + (to_end - to_first).mul_f64(random(&mut state))
        };
        std::thread::sleep(after.saturating_sub(begun.elapsed()));
        // SIGKILL.
        child.kill().unwrap();
        child.wait().unwrap();
        let left = content(&out);
        amid += usize::from(!left.is_empty() && left.len() < expected.len());
        for (name, bytes) in &left {
            assert!(expected.get(name) == Some(bytes), "killed after {after:?}: {name} is not whole");
        }
        if kill == KILLS - 1 {
            // A second run takes the folder for what it is, mends it and clears away.
            assert!(command(&out).status().unwrap().success());
            assert_eq!(content(&out), expected);
            let hidden = |folder: &str| {
                let entries = std::fs::read_dir(out.join(folder)).unwrap();
                entries.filter(|e| e.as_ref().unwrap().file_name().as_encoded_bytes().starts_with(b".")).count()
            };
            assert_eq!([hidden(""), hidden("sound/whole"), hidden("sound/under-clips")], [0; 3]);
        }
        std::fs::remove_dir_all(&out).ok();
    }
    assert!(amid >= KILLS / 5, "only {amid} of {KILLS} kills came while files were being written");
}
