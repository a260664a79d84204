//! Sound as a decoder hands it out, in blocks; three devices on one clock; the way to stop.
//!
//! `cargo run --release -p coeval --example push_blocks`
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use coeval::{Aligner, ErrorKind, Link, Node, PairOptions, PairOutcome, Track, TrackBuilder, solve};

/// Noise from a seed, +-1.
fn noise(seed: u32) -> impl FnMut() -> f32 {
    let mut state = seed;
    move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / (1 << 23) as f32 - 1.0
    }
}

fn main() -> coeval::Result<()> {
    let rate = 8000;
    let (mut talk, mut hiss) = (noise(1), noise(2));
    let event: Vec<f32> = (0..30 * rate).map(|_| talk()).collect();

    // Only the track is kept, whatever the length of the recording. Here all blocks are stereo.
    let mut hear = |from: usize| -> coeval::Result<Track> {
        let mut builder = TrackBuilder::new(rate as f64, 2)?;
        for block in event[from..].chunks(1024) {
            let stereo: Vec<f32> = block.iter().flat_map(|x| [x + hiss(), x + hiss()]).collect();
            builder.push(&stereo)?;
        }
        Ok(builder.finish())
    };
    let tracks = [hear(0)?, hear(5 * rate)?, hear(8 * rate)?];

    // Every two of them, then all together.
    let aligner = Aligner::new(PairOptions::default())?;
    let mut links = Vec::new();
    for (a, b) in [(0, 1), (0, 2), (1, 2)] {
        if let PairOutcome::Placed(alignment) = aligner.align(&tracks[a], &tracks[b], &())? {
            links.push(Link { a, b, alignment: *alignment });
        }
    }
    let node = |recording: usize| Node {
        recording,
        duration_s: tracks[recording].duration_s(),
        is_camera: recording == 0,
        distance_m: 0.0,
    };
    let solution = solve(&[node(0), node(1), node(2)], &links, 0)?;
    for (i, placement) in solution.placements.iter().enumerate() {
        match placement {
            Ok(p) => println!("device {i} starts at {:.4} s", p.map.forward(0.0)),
            Err(why) => println!("device {i} has no place: {}", why.as_str()),
        }
    }

    // Whoever listens to the progress can stop the work.
    let stopped = aligner.align(&tracks[0], &tracks[1], &|_: &str, _: f64| false);
    assert!(stopped.is_err_and(|e| e.kind() == ErrorKind::Cancelled));
    println!("stopped when asked to");
    Ok(())
}
