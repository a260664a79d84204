//! All seeds and regressions, and random damage to them, without a fuzzer: a short run of every target for everyday use.
#![allow(clippy::print_stderr, reason = "what a panic was about is for people")]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use coeval_fuzz::{C_API, TARGETS, Target, prepare};

/// How long damage is tried on each target. `COEVAL_FUZZ_SECONDS` asks for more.
fn seconds() -> f64 {
    std::env::var("COEVAL_FUZZ_SECONDS").ok().and_then(|s| s.parse().ok()).unwrap_or(0.5)
}

/// Longer for one input is a finding. A debug build on a busy machine is slow.
const PATIENCE: Duration = Duration::from_secs(20);

fn inputs(target: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders = vec![here.join("seeds").join(target), here.join("regressions").join(target)];
    if ["riff", "isobmff", "matroska", "foreign"].contains(&target) {
        folders.push(here.join("../tests/fixtures"));
    }
    let mut files: Vec<PathBuf> = folders
        .iter()
        .filter_map(|folder| std::fs::read_dir(folder).ok())
        .flat_map(|entries| entries.map(|e| e.expect("entry").path()))
        .collect();
    files.sort();
    files.into_iter().map(|path| (path.clone(), std::fs::read(path).expect("reads"))).collect()
}

fn run(target: &Target, name: &dyn std::fmt::Debug, data: &[u8]) {
    let begun = Instant::now();
    // The bytes of what fails are shown, so that they can be kept as a regression.
    let outcome = std::panic::catch_unwind(|| (target.1)(data));
    if let Err(panic) = outcome {
        let shown: String = data.iter().take(2000).map(|b| format!("\\x{b:02x}")).collect();
        eprintln!("{} on {name:?}, {} bytes: {shown}", target.0, data.len());
        std::panic::resume_unwind(panic);
    }
    let took = begun.elapsed();
    // Miri counts no time that means anything.
    assert!(took < PATIENCE || cfg!(miri), "{} on {name:?}: {took:?}", target.0);
}

fn replay(target: &Target) {
    prepare();
    let inputs = inputs(target.0);
    for (path, data) in &inputs {
        run(target, path, data);
    }
    run(target, &"nothing", &[]);
    // Knuth's MMIX generator, from memory: the same damage on every run.
    let mut state = target.0.bytes().fold(7u64, |s, b| s.wrapping_mul(31).wrapping_add(b.into()));
    let mut random = |n: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % n.max(1)
    };
    let begun = Instant::now();
    let mut rounds = 0;
    while begun.elapsed().as_secs_f64() < seconds() || rounds < 8 {
        let mut data = match inputs.get(random(inputs.len() + 1)) {
            Some((_, data)) => data.clone(),
            None => (0..random(600)).map(|_| random(256) as u8).collect(),
        };
        for _ in 0..1 + random(6) {
            let reach = [64, 1024, 1 << 20][random(3)];
            let at = random(data.len().min(reach) + 1);
            match random(4) {
                0 if at < data.len() => data[at] = [0, 0xFF, 0x7F, 0x80][random(4)],
                1 if at < data.len() => data[at] ^= 1 << random(8),
                2 => data.truncate(at),
                _ => data.insert(at, random(256) as u8),
            }
        }
        run(target, &format!("round {rounds}"), &data);
        rounds += 1;
    }
}

#[test]
fn every_target_comes_back_from_damage() {
    TARGETS.iter().for_each(replay);
}

#[test]
fn the_c_library_takes_any_calls() {
    replay(&C_API);
}

#[test]
fn every_target_has_a_fuzzer() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz_targets");
    let mut there: Vec<String> = std::fs::read_dir(folder)
        .expect("fuzz_targets")
        .map(|e| e.expect("entry").path().file_stem().expect("name").to_string_lossy().into_owned())
        .collect();
    there.sort();
    let mut known: Vec<&str> = TARGETS.iter().chain([&C_API]).map(|t| t.0).collect();
    known.sort_unstable();
    assert_eq!(there, known);
}
