//! Claps: found in two recordings and matched.
//!
//! `cargo run --release -p coeval --example markers`
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use coeval::{MarkerOptions, MatchOptions, find_markers, match_markers};

const RATE_HZ: usize = 48_000;

/// Noise from a seed, +-1.
fn noise(seed: u32) -> impl FnMut() -> f32 {
    let mut state = seed;
    move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / (1 << 23) as f32 - 1.0
    }
}

/// So many seconds of hiss, and something like a clap at each of these moments.
fn recording(seconds: usize, claps_s: &[f64], seed: u32) -> Vec<f32> {
    let mut hiss = noise(seed);
    let mut sound: Vec<f32> = (0..seconds * RATE_HZ).map(|_| 0.001 * hiss()).collect();
    for (i, at_s) in (1..).zip(claps_s) {
        let mut clap = noise(1000 * i);
        let from = (at_s * RATE_HZ as f64).round() as usize;
        for (n, x) in sound[from..].iter_mut().take(RATE_HZ / 10).enumerate() {
            *x += 0.5 * (-(n as f32) / (0.01 * RATE_HZ as f32)).exp() * clap();
        }
    }
    sound
}

fn main() -> coeval::Result<()> {
    // The second device was started 2.5 s after the first.
    let a = find_markers(&recording(20, &[4.0, 9.7, 16.2], 1), RATE_HZ as f64, &MarkerOptions::default())?;
    let b = find_markers(&recording(16, &[1.5, 7.2, 13.7], 2), RATE_HZ as f64, &MarkerOptions::default())?;
    for marker in &a {
        println!("a clap at {:.3} s, {:.1} dBFS", marker.time_s, marker.peak_dbfs);
    }
    match match_markers(&a, &b, &MatchOptions::default())? {
        Some(found) => println!("{} claps match: offset {:.3} s", found.pairs.len(), found.offset_s),
        None => println!("chance would match them as well"),
    }
    Ok(())
}
