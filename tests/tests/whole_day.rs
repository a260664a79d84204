//! Two recordings of 24 hours in less than a gigabyte of memory. Alone in its program, since it measures the whole process.
//!
//! ```text
//! cargo test -p coeval-tests --test whole_day -- --ignored --nocapture
//! ```
//! It takes minutes, and 4 GB where temporary files go.
#![allow(clippy::print_stdout)] // The figures are for people.

use std::time::Instant;

use coeval::pair::{PairOptions, PairOutcome, align_pair};
use coeval::track::{Track, TrackBuilder};
use coeval_tests::shoot::Noise;

const RATE_HZ: usize = 8000;
const DAY_S: usize = 24 * 3600;
/// The second recording starts so much later.
const LATE_S: usize = 4321;

/// Peak memory of this process in bytes (Linux).
fn peak() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    Some(line.split_whitespace().next()?.parse::<u64>().ok()? * 1024)
}

/// Less than a gigabyte so far.
fn check_peak() {
    let Some(peak) = peak() else {
        coeval_tests::shoot::skipped("this system does not tell a process's peak memory");
        return;
    };
    println!("peak memory {:.0} MB", peak as f64 / 1e6);
    assert!(peak <= 1_000_000_000, "{peak} bytes");
}

/// What a device hears from `from_s` on for a day: now and then somebody speaks, and it has noise of its own.
fn heard(from_s: usize, seed: u64, spilling: bool) -> Track {
    let mut builder = TrackBuilder::new(RATE_HZ as f64, 1).expect("a usual rate");
    if spilling {
        builder = builder.spilling(2.0 * 3600.0, coeval_shoot::temporary_files());
    }
    let mut noise = Noise::new(seed);
    let mut block = vec![0.0f32; RATE_HZ];
    for second in from_s..from_s + DAY_S {
        // The same second sounds the same in both: bursts of a quarter of a second with pauses, in one minute of four.
        let mut event = Noise::new(1_000 + second as u64);
        let talk = second / 60 % 4 == 0;
        let levels: Vec<f32> = (0..4).map(|_| if talk { event.sample().max(0.0) } else { 0.0 }).collect();
        for (i, x) in block.iter_mut().enumerate() {
            *x = 0.02 * noise.sample() + 0.2 * levels[i / (RATE_HZ / 4)] * event.sample();
        }
        builder.push(&block).expect("whole frames");
    }
    builder.finish()
}

#[test]
#[ignore = "takes minutes and 4 GB of temporary files"]
fn a_pair_of_a_whole_day() {
    let begun = Instant::now();
    let (a, b) = (heard(0, 1, true), heard(LATE_S, 2, true));
    println!("two tracks of {DAY_S} s in {:.0} s", begun.elapsed().as_secs_f64());
    // Minutes before the end, where most of it would be used.
    check_peak();
    let begun = Instant::now();
    let outcome = align_pair(&a, &b, &PairOptions::default(), &()).expect("aligns");
    println!("compared in {:.0} s", begun.elapsed().as_secs_f64());
    let PairOutcome::Placed(found) = outcome else { panic!("{outcome:?}") };
    let error_s = found.map.offset_s() - LATE_S as f64;
    println!("offset off by {:.1} us, confidence {}", error_s * 1e6, found.confidence);
    assert!(error_s.abs() < 1e-3 && found.confidence > 0.99);
    check_peak();
}
