//! Aligns two mono recordings, raw little-endian `f32`, and prints what came of it.
//!
//! `cargo run --release -p coeval --example align_raw -- A.f32 B.f32 RATE_HZ [TIMES]`
//!
//! One line: offset in seconds, drift in ppm, both in their shortest exact form, and the least of the wall
//! times of `TIMES` runs in seconds, tracks included. The bindings are compared with it.
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use std::error::Error;
use std::time::{Duration, Instant};

use coeval::pair::{PairOptions, PairOutcome, align_pair};
use coeval::track::{Track, TrackBuilder};

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [a, b, rate_hz, times @ ..] = &arguments[..] else {
        return Err("usage: align_raw A.f32 B.f32 RATE_HZ [TIMES]".into());
    };
    let (a, b, rate_hz) = (samples(a)?, samples(b)?, rate_hz.parse()?);
    let times: usize = times.first().map_or(Ok(1), |t| t.parse())?;
    let mut least = Duration::MAX;
    let mut line = String::new();
    for _ in 0..times.max(1) {
        let started = Instant::now();
        let outcome = align_pair(&track(&a, rate_hz)?, &track(&b, rate_hz)?, &PairOptions::default(), &())?;
        least = least.min(started.elapsed());
        line = match outcome {
            PairOutcome::Placed(pair) => format!("{:?} {:?}", pair.map.offset_s(), pair.map.drift_ppm()),
            PairOutcome::Unplaced(why) => format!("unplaced: {}", why.as_str()),
        };
    }
    println!("{line} {:?}", least.as_secs_f64());
    Ok(())
}

fn samples(path: &str) -> Result<Vec<f32>, Box<dyn Error>> {
    let bytes = std::fs::read(path)?;
    Ok(bytes.chunks_exact(4).map(|c| f32::from_le_bytes([c[0], c[1], c[2], c[3]])).collect())
}

fn track(samples: &[f32], rate_hz: f64) -> coeval::Result<Track> {
    let mut builder = TrackBuilder::new(rate_hz, 1)?;
    builder.push(samples)?;
    Ok(builder.finish())
}
