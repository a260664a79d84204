//! One stage of the job on little, always the same sound: for counting instructions (`cargo xtask instructions`).
//!
//! What is counted is [`counted`] alone, on one thread; making the sound is not.
#![allow(clippy::print_stdout, reason = "the list of stages is for the caller")]

use std::hint::black_box;
use std::path::Path;

use coeval::clock::ClockMap;
use coeval::network::{Link, Node, solve};
use coeval::pair::{Evidence, PairAlignment, PairOptions, align_pair};
use coeval::resample::{ResampleOptions, Route, resample};
use coeval::track::{Track, TrackBuilder};
use coeval_media::{OpenOptions, SoundReader};

const RATE_HZ: usize = 16_000;

const STAGES: [&str; 6] = ["decode", "track", "search", "refine", "solve", "conform"];

/// Uniform noise between -1 and 1 (xorshift64*, Vigna 2016).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f32 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    }
}

/// Bursts of noise of two seconds in every five, as two devices hear them, the second from 3 s on.
fn two_devices(seed: u64, seconds: usize) -> [Vec<f32>; 2] {
    let (mut voice, mut own) = (Noise(seed), Noise(seed + 1));
    let common: Vec<f32> =
        (0..(seconds + 3) * RATE_HZ).map(|i| if i / RATE_HZ % 5 < 2 { 0.3 * voice.next() } else { 0.0 }).collect();
    let mut hears = |from: usize| common[from..from + seconds * RATE_HZ].iter().map(|v| v + 0.1 * own.next()).collect();
    [hears(0), hears(3 * RATE_HZ)]
}

fn track(sound: &[f32]) -> Track {
    let mut builder = TrackBuilder::new(RATE_HZ as f64, 1).expect("a usual rate");
    builder.push(sound).expect("one channel");
    builder.finish()
}

fn net() -> (Vec<Node>, Vec<Link>) {
    let nodes = (0..9).map(|i| Node { recording: i, duration_s: 600.0, is_camera: i > 0, distance_m: 0.0 }).collect();
    let links = (1..9)
        .flat_map(|b| (0..b.min(2)).map(move |a| (a, b)))
        .map(|(a, b)| {
            let map = ClockMap::linear(b as f64 - a as f64, 10.0, 600.0);
            let evidence = (0..40).map(|k| Evidence {
                a_s: map.forward(15.0 * f64::from(k)),
                b_s: 15.0 * f64::from(k),
                sigma_s: 1e-4,
            });
            Link { a, b, alignment: PairAlignment::from_parts(map.clone(), evidence.collect(), Vec::new()) }
        })
        .collect();
    (nodes, links)
}

fn decode() {
    for name in ["aac48.m4a", "flac24.flac", "pcm24.wav", "mov-s16be.mov"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fixtures").join(name);
        let mut reader = SoundReader::open(&path, &OpenOptions::default()).expect("a fixture");
        let mut block = Vec::new();
        while reader.read(&mut block).expect("a fixture") > 0 {
            black_box(&block);
        }
    }
}

/// Everything that is counted happens in here.
#[inline(never)]
fn counted(work: &mut dyn FnMut()) {
    work();
}

fn run(stage: &str) {
    match stage {
        "decode" => counted(&mut decode),
        "track" => {
            let [sound, _] = two_devices(3, 8);
            counted(&mut || drop(black_box(track(&sound))));
        }
        "search" => {
            // Nothing in common: every pass is searched, and nothing followed.
            let ([a, _], [b, _]) = (two_devices(3, 12), two_devices(77, 12));
            let (a, b) = (track(&a), track(&b));
            counted(&mut || drop(black_box(align_pair(&a, &b, &PairOptions::default(), &()))));
        }
        "refine" => {
            // The place is known, so that little is searched, and all of it is followed, measured and fitted.
            let [a, b] = two_devices(3, 30);
            let (a, b) = (track(&a), track(&b));
            let mut options = PairOptions::default();
            options.offset_range_s = Some((2.9, 3.1));
            counted(&mut || drop(black_box(align_pair(&a, &b, &options, &()))));
        }
        "solve" => {
            let (nodes, links) = net();
            counted(&mut || drop(black_box(solve(&nodes, &links, 0))));
        }
        "conform" => {
            let [sound, _] = two_devices(3, 2);
            let route = Route::onto_timeline(&ClockMap::linear(0.0, 85.0, 2.0));
            let options = ResampleOptions::new(RATE_HZ as f64, 48_000.0, 1, 2 * 48_000);
            counted(&mut || drop(black_box(resample(&sound, &route, &options))));
        }
        _ => STAGES.iter().for_each(|stage| println!("{stage}")),
    }
}

fn main() {
    let stage = std::env::args().nth(1).unwrap_or_default();
    // Work on many threads then stays on this one, whose instructions are counted.
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    pool.install(|| run(&stage));
}
