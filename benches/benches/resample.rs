//! The resampler's error and speed, beside rubato's at like settings:
//! `cargo bench -p coeval-benches --bench resample`.
//!
//! Error is the difference from the sine at the moments that the clock map names, in dB below the
//! sine: a wrong moment counts as much as distortion. Rubato gets whatever constant delay remains
//! taken out by a fit, and for the drifting clock the exact mean ratio of every chunk of 480 frames.
#![allow(clippy::print_stdout, reason = "a program whose output is the table")]

use std::f64::consts::TAU;
use std::hint::black_box;
use std::time::Instant;

use coeval::clock::ClockMap;
use coeval::resample::{ResampleOptions, Route, resample};
use rubato::audioadapter_buffers::direct::InterleavedSlice;
use rubato::{
    Adjustable, Async, FixedAsync, Resampler, SincInterpolationParameters, SincInterpolationType, WindowFunction,
};

const RATE: f64 = 48_000.0;
const TAPS: usize = 192;
const OVERSAMPLING: usize = 1024;
const CHUNK: usize = 480;

fn main() {
    // `cargo test` runs this once, for its content and not for its figures.
    let seconds = if std::env::args().any(|a| a == "--bench") { 30.0 } else { 2.0 };
    let frames = (seconds * RATE) as usize;
    let mut knots = vec![(0.0, 0.0)];
    for i in 1..=(seconds / 0.5) as usize {
        let (file, at): (f64, f64) = knots[i - 1];
        knots.push((file + 0.5, at + 0.5 * (1.0 + 1e-3 * (i as f64 * 0.7).sin())));
    }
    let maps = [
        ("+1000 ppm", ClockMap::linear(0.0, 1000.0, seconds)),
        ("-1000 ppm", ClockMap::linear(0.0, -1000.0, seconds)),
        ("drifting +-1000 ppm", ClockMap::from_knots(knots).expect("ascending knots")),
    ];
    println!("{:<22}{:>10}{:>14}{:>14}", "clock", "sine Hz", "coeval dB", "rubato dB");
    for (name, map) in &maps {
        for frequency in [1000.0, 10_000.0, 18_000.0] {
            let source: Vec<f32> = (0..frames).map(|n| (TAU * frequency * n as f64 / RATE).sin() as f32).collect();
            let ours = by_coeval(map, &source, 1);
            let theirs = by_rubato(map, &source, 1);
            println!(
                "{name:<22}{frequency:>10}{:>14.1}{:>14.1}",
                error_db(map, frequency, &ours, 0.0),
                error_db(map, frequency, &theirs, phase(map, frequency, &theirs))
            );
        }
    }
    println!("\n{:<22}{:>10}{:>14}{:>14}", "speed, x real time", "channels", "coeval", "rubato");
    for channels in [1, 2] {
        let source: Vec<f32> = (0..frames * channels).map(|n| ((n * 7919) % 1000) as f32 / 1000.0 - 0.5).collect();
        let time = |run: &dyn Fn() -> Vec<f32>| {
            let start = Instant::now();
            black_box(run());
            seconds / start.elapsed().as_secs_f64()
        };
        let ours = time(&|| by_coeval(&maps[2].1, &source, channels));
        let theirs = time(&|| by_rubato(&maps[2].1, &source, channels));
        println!("{:<22}{channels:>10}{ours:>14.0}{theirs:>14.0}", maps[2].0);
    }
}

fn by_coeval(map: &ClockMap, source: &[f32], channels: usize) -> Vec<f32> {
    let frames = (source.len() / channels) as u64;
    let options = ResampleOptions::new(RATE, RATE, channels, frames);
    resample(source, &Route::onto_timeline(map), &options).expect("good options")
}

fn by_rubato(map: &ClockMap, source: &[f32], channels: usize) -> Vec<f32> {
    let parameters = SincInterpolationParameters::new(TAPS, WindowFunction::Blackman2)
        .oversampling_factor(OVERSAMPLING)
        .interpolation(SincInterpolationType::Linear);
    let mut resampler =
        Async::<f32>::new_sinc(1.0, 1.01, &parameters, CHUNK, channels, FixedAsync::Output).expect("good parameters");
    let delay = TAPS as f64 / 2.0 - 1.0;
    let position = |n: usize| map.inverse(n as f64 / RATE) * RATE;
    let lead = delay.ceil() as usize;
    let target = |n: usize| if n < lead { n as f64 } else { position(n - lead) + delay };
    let frames = source.len() / channels;
    let (mut at, mut made, mut read) = (0.0, 0, 0);
    let mut output: Vec<f32> = Vec::new();
    while made < frames + lead {
        let end = target(made + CHUNK);
        resampler.set_resample_ratio(CHUNK as f64 / (end - at), false).expect("ratio in range");
        at = end;
        let wanted = resampler.input_frames_next();
        let mut block = vec![0.0f32; wanted * channels];
        let have = wanted.min(frames.saturating_sub(read));
        block[..have * channels].copy_from_slice(&source[read * channels..(read + have) * channels]);
        read += have;
        let input = InterleavedSlice::new(&block, channels, wanted).expect("whole frames");
        output.extend(resampler.process(&input, None).expect("enough input").take_data());
        made += CHUNK;
    }
    output.drain(..lead * channels);
    output.truncate(source.len());
    output
}

fn error_db(map: &ClockMap, frequency: f64, output: &[f32], phase: f64) -> f64 {
    let (mut error, mut power) = (0.0, 0.0);
    for (n, y) in inner(output) {
        let x = (TAU * frequency * map.inverse(n as f64 / RATE) + phase).sin();
        error += (f64::from(y) - x).powi(2);
        power += x * x;
    }
    10.0 * (error / power).log10()
}

/// The mean phase by which the output leads, radians.
fn phase(map: &ClockMap, frequency: f64, output: &[f32]) -> f64 {
    let (mut sine, mut cosine) = (0.0, 0.0);
    for (n, y) in inner(output) {
        let angle = TAU * frequency * map.inverse(n as f64 / RATE);
        sine += f64::from(y) * angle.sin();
        cosine += f64::from(y) * angle.cos();
    }
    cosine.atan2(sine)
}

fn inner(output: &[f32]) -> impl Iterator<Item = (usize, f32)> {
    output.iter().copied().enumerate().skip(4800).take(output.len() - 9600)
}
