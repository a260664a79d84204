//! Speed of each stage of an alignment on ten minutes of sound: `cargo bench -p coeval`.
//!
//! The sound is made here from a fixed seed: noise in bursts, as speech comes, 9 dB under steady noise in one
//! of the two. Throughput is in seconds of sound per second.

use std::hint::black_box;

use coeval::clock::ClockMap;
use coeval::marker::{MarkerOptions, find_markers};
use coeval::network::{Link, Node, solve};
use coeval::pair::{Evidence, PairAlignment, PairOptions, align_pair};
use coeval::resample::{ResampleOptions, Route, resample};
use coeval::track::{Track, TrackBuilder};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};

const RATE_HZ: f64 = 16_000.0;
const LENGTH_S: usize = 600;

/// Uniform noise between -1 and 1 (xorshift64*).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f32 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    }
}

/// Bursts of noise of two seconds in every ten, and the same under steady noise, three seconds later.
fn recorder_and_camera(seed: u64) -> (Vec<f32>, Vec<f32>) {
    let (mut voice, mut engine) = (Noise(seed), Noise(seed + 1));
    let second = RATE_HZ as usize;
    let common: Vec<f32> =
        (0..(LENGTH_S + 3) * second).map(|i| if (i / second) % 10 < 2 { 0.3 * voice.next() } else { 0.0 }).collect();
    let recorder = common[..LENGTH_S * second].iter().map(|v| v + 0.01 * engine.next()).collect();
    let camera = common[3 * second..].iter().map(|v| v + 0.85 * engine.next()).collect();
    (recorder, camera)
}

fn track(sound: &[f32]) -> Track {
    let mut builder = TrackBuilder::new(RATE_HZ, 1).expect("a usual rate");
    builder.push(sound).expect("one channel");
    builder.finish()
}

fn stages(c: &mut Criterion) {
    let (recorder, camera) = recorder_and_camera(3);
    let (_, stranger) = recorder_and_camera(77);
    let mut group = c.benchmark_group("ten minutes");
    group.sample_size(10).throughput(Throughput::Elements(LENGTH_S as u64));
    group.bench_function("track", |b| b.iter(|| track(black_box(&camera))));
    let (a, b, foreign) = (track(&recorder), track(&camera), track(&stranger));
    let options = PairOptions::default();
    group.bench_function("align a pair", |x| x.iter(|| align_pair(&a, &b, &options, &())));
    group.bench_function("find that a pair has nothing in common", |x| {
        x.iter(|| align_pair(&a, &foreign, &options, &()));
    });
    let options = MarkerOptions::default();
    group.bench_function("markers", |x| x.iter(|| find_markers(black_box(&camera), RATE_HZ, &options)));
    let route = Route::onto_timeline(&ClockMap::linear(0.0, 85.0, LENGTH_S as f64));
    let options = ResampleOptions::new(RATE_HZ, 48_000.0, 1, 48_000 * LENGTH_S as u64);
    group.bench_function("resample", |x| x.iter(|| resample(black_box(&camera), &route, &options)));
    group.finish();

    let nodes: Vec<Node> =
        (0..40).map(|i| Node { recording: i, duration_s: 600.0, is_camera: i > 2, distance_m: 0.0 }).collect();
    let links: Vec<Link> = (3..40)
        .flat_map(|b| (0..3).map(move |a| (a, b)))
        .map(|(a, b)| {
            let map = ClockMap::linear(1.0, 10.0, 600.0);
            let evidence = (0..60).map(|k| Evidence {
                a_s: map.forward(10.0 * f64::from(k)),
                b_s: 10.0 * f64::from(k),
                sigma_s: 1e-4,
            });
            let alignment = PairAlignment::from_parts(map.clone(), evidence.collect(), Vec::new());
            Link { a, b, alignment }
        })
        .collect();
    c.bench_function("solve 40 files, 111 links", |x| x.iter(|| solve(&nodes, black_box(&links), 0)));
}

criterion_group!(benches, stages);
criterion_main!(benches);
