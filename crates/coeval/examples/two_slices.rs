//! Two recordings of one event as slices: where does the second lie on the first?
//!
//! `cargo run --release -p coeval --example two_slices`
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use coeval::{PairOptions, PairOutcome, Track, align_pair};

/// Noise from a seed, +-1.
fn noise(seed: u32) -> impl FnMut() -> f32 {
    let mut state = seed;
    move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / (1 << 23) as f32 - 1.0
    }
}

fn main() -> coeval::Result<()> {
    // Half a minute that both devices heard. The second was started 5 s later; each has a hiss of its own.
    let rate = 8000;
    let (mut talk, mut hiss) = (noise(1), noise(2));
    let event: Vec<f32> = (0..30 * rate).map(|_| talk()).collect();
    let mut heard = |from: usize| -> Vec<f32> { event[from..].iter().map(|x| x + hiss()).collect() };
    let (camera, recorder) = (heard(0), heard(5 * rate));

    let camera = Track::from_samples(&camera, rate as f64, 1)?;
    let recorder = Track::from_samples(&recorder, rate as f64, 1)?;
    match align_pair(&camera, &recorder, &PairOptions::default(), &())? {
        PairOutcome::Placed(found) => {
            println!("the recorder's first sample is at {:.4} s of the camera", found.map.forward(0.0));
            println!("drift {:+.1} ppm, confidence {:.3}", found.map.drift_ppm(), found.confidence);
        }
        PairOutcome::Unplaced(why) => println!("unplaced: {}", why.as_str()),
    }
    Ok(())
}
