//! Material that the score of markers learns from: candidates of the detector in simulated scenes, with their measures.
//!
//!     marker_training OUT.f32 --part train|tune|test --scenes N [--seed S] [--plain] [--quiet SHARE] [--cabin SHARE]
//!
//! Sounds are those of one part of [`coeval_benches::origins`], of what `benches/scripts/fetch_marker_training.sh`,
//! `fetch_claps.sh` and `fetch_sounds.sh` fetch; with `--plain` they are laid as the benchmark does. Otherwise every
//! engine is slowed or sped up and coloured, now and then two run at once, and a third of them knock as worn ones do;
//! claps are changed too, and a third of them is synthetic, so that nothing is learnt by heart. Half of the
//! scenes hold a clap every three seconds at 3 to 25 dB, in a quiet place (`--quiet SHARE`) 15 to 65 dB, the others none.
//!
//! Written are rows of 32-bit floats, little-endian, of [`HEADER`] and then `Marker::measures` and `Marker::levels`.
//! A clap without a candidate within 50 ms has a row of its own, all measures 0.
#![allow(clippy::print_stdout, reason = "a program that prints what it made")]

use std::error::Error;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Parser;
use coeval::clock::ClockMap;
use coeval::marker::{MarkerDetector, MarkerOptions, Shape};
use coeval::resample::{ResampleOptions, Route, resample};
use coeval_benches::claps::{RATE, Random, Sound, add_radio, add_wind, in_room, lengthen, load, onset, rms, room};
use coeval_benches::origins::{Part, load_part, part_of};
use rayon::prelude::*;

/// Label (0 no clap, 1 clap, 2 clap without candidate), scene, kind (0 engine, 1 wind, 2 radio, 3 speech, 4 clutter), engine, clap (-1 for a
/// synthetic one), its number in the scene, level dB, error of the onset ms, shape (0 for a clap), seconds of the
/// scene (0 where it has claps), time in the scene s.
const HEADER: usize = 11;
const SCENE_S: f64 = 60.0;

#[derive(Parser)]
struct Arguments {
    out: PathBuf,
    #[arg(long)]
    scenes: usize,
    #[arg(long, default_value_t = 1)]
    seed: u64,
    #[arg(long, value_enum)]
    part: Part,
    #[arg(long)]
    plain: bool,
    /// Share of the talk that is in a cabin, over its engine.
    #[arg(long, default_value_t = 0.0)]
    cabin: f64,
    /// Share of the scenes with claps that are in a quiet place.
    #[arg(long, default_value_t = 0.0)]
    quiet: f64,
}

#[derive(Default)]
struct Pool {
    claps: Vec<Sound>,
    engines: Vec<Sound>,
    winds: Vec<Sound>,
    voices: Vec<Sound>,
    /// Spoken prompts of real people, 16 kHz.
    prompts: Vec<Vec<f32>>,
}

/// True in this share of the cases; without a share nothing is drawn, so that older seeds give the same scenes.
fn chance(share: f64, random: &mut Random) -> bool {
    share > 0.0 && random.unit() < share
}

/// Faster or slower by a factor, by linear interpolation.
fn warped(x: &[f32], factor: f64) -> Vec<f32> {
    let length = ((x.len() - 1) as f64 / factor) as usize;
    (0..length)
        .map(|i| {
            let at = i as f64 * factor;
            let (k, f) = (at as usize, at.fract() as f32);
            x[k] * (1.0 - f) + x[(k + 1).min(x.len() - 1)] * f
        })
        .collect()
}

/// Its low or its high part raised or lowered by up to 8 dB about a corner of 200 Hz to 5 kHz.
fn coloured(x: &mut [f32], random: &mut Random) {
    let corner = 200.0 * 25f64.powf(random.unit());
    let c = 1.0 - (-2.0 * std::f64::consts::PI * corner / RATE as f64).exp();
    let gain = 10f64.powf(random.range(-8.0, 8.0) / 20.0);
    let mut low = 0.0;
    for v in x {
        low += c * (f64::from(*v) - low);
        *v = (low + gain * (f64::from(*v) - low)) as f32;
    }
}

/// One to four bursts of resonant noise that die away, the last the loudest, as hands that meet unevenly make.
fn synthetic_clap(random: &mut Random) -> Vec<f32> {
    let mut x = vec![0.0f32; RATE / 4];
    let bursts = if random.unit() < 0.7 { 1 } else { 2 + random.below(3) };
    let tau = 0.001 * 15f64.powf(random.unit());
    let (hz, q) = (500.0 * 10f64.powf(random.unit()), random.range(0.5, 6.0));
    let direct = random.range(0.0, 0.7);
    let k = 2.0 * std::f64::consts::PI * hz / RATE as f64;
    let r = (-k / (2.0 * q)).exp();
    let mut at = 0.0;
    for burst in 0..bursts {
        let last = burst + 1 == bursts;
        let (loud, tau) = if last { (1.0, tau) } else { (random.range(0.3, 0.9), 0.5 * tau) };
        let (mut y1, mut y2) = (0.0, 0.0);
        let from = (at * RATE as f64) as usize;
        for (i, v) in x[from..].iter_mut().enumerate() {
            let t = i as f64 / RATE as f64;
            let rise = (t / 0.0001).min(1.0);
            let noise = random.normal() * loud * rise * (-t / tau).exp();
            let y = noise * (1.0 - r) + 2.0 * r * k.cos() * y1 - r * r * y2;
            (y2, y1) = (y1, y);
            *v += (y + direct * 0.2 * noise) as f32;
        }
        at += random.range(0.004, 0.016);
    }
    let most = x.iter().fold(1e-9f32, |m, v| m.max(v.abs()));
    x.iter_mut().for_each(|v| *v *= 0.7 / most);
    x
}

/// People who talk close to a microphone, over an engine that is faint or not there at all, or in a cabin over its engine.
fn speak(bed: &mut [f32], pool: &Pool, cabin: f64, random: &mut Random) {
    let in_cabin = chance(cabin, random);
    let faint = 10f64.powf(if in_cabin { random.range(-12.0, 6.0) } else { random.range(-60.0, 0.0) } / 20.0) as f32;
    bed.iter_mut().for_each(|v| *v *= faint);
    let mut at = (random.range(0.2, 2.0) * RATE as f64) as usize;
    loop {
        let voice = if random.unit() < 0.75 {
            warped(&pool.prompts[random.below(pool.prompts.len())], random.range(0.28, 0.38))
        } else {
            warped(&pool.voices[random.below(pool.voices.len())].samples, random.range(0.85, 1.15))
        };
        let voice = if in_cabin { in_room(&voice, &room(random)) } else { voice };
        if at + voice.len() > bed.len() {
            break;
        }
        let gain = (0.1 * 10f64.powf(random.range(-12.0, 8.0) / 20.0) / rms(&voice).max(1e-9)) as f32;
        bed[at..].iter_mut().zip(&voice).for_each(|(b, v)| *b = (*b + gain * v).clamp(-1.0, 1.0));
        at += voice.len() + (random.range(0.05, 2.0) * RATE as f64) as usize;
    }
}

/// What else is short or starts suddenly: switch clicks, mains pulses, bursts of noise, tones, thuds.
fn add_clutter(bed: &mut [f32], random: &mut Random) {
    let mut at = RATE;
    while at + 3 * RATE < bed.len() {
        let near = rms(&bed[at - RATE / 2..at + RATE / 2]);
        let peak = near * 10f64.powf(random.range(0.0, 30.0) / 20.0);
        let out = &mut bed[at..];
        match random.below(5) {
            0 => {
                // A switch: a few samples, now and then bouncing.
                for _ in 0..1 + random.below(3) {
                    let (from, length) = (random.below(RATE / 500), 1 + random.below(24));
                    let sign = if random.unit() < 0.5 { 1.0 } else { -1.0 };
                    (0..length).for_each(|i| out[from + i] += (sign * peak * (1.0 - i as f64 / length as f64)) as f32);
                }
            }
            1 => {
                let step = RATE as f64 / [50.0, 60.0, 100.0, 120.0][random.below(4)];
                let count = 10 + random.below(200);
                (0..count).map(|i| (i as f64 * step) as usize).take_while(|i| *i < 2 * RATE).for_each(|i| {
                    out[i] += peak as f32;
                    out[i + 1] -= (0.5 * peak) as f32;
                });
            }
            2 => {
                let length = (random.range(0.04, 1.5) * RATE as f64) as usize;
                let mut burst: Vec<f32> = (0..length).map(|_| (0.3 * peak * random.normal()) as f32).collect();
                coloured(&mut burst, random);
                out.iter_mut().zip(&burst).for_each(|(o, b)| *o += b);
            }
            3 => {
                let (length, hz) = (random.range(0.08, 1.0), 300.0 * 10f64.powf(random.unit()));
                (0..(length * RATE as f64) as usize).for_each(|i| {
                    let phase = 2.0 * std::f64::consts::PI * hz * i as f64 / RATE as f64;
                    out[i] += (peak * (0.7 * phase.sin() + 0.3 * (3.0 * phase).sin())) as f32;
                });
            }
            _ => {
                // A backfire, a wave against the hull: a burst below a few hundred hertz.
                let (tau, hz) = (random.range(0.01, 0.08), random.range(60.0, 350.0));
                let c = 1.0 - (-2.0 * std::f64::consts::PI * hz / RATE as f64).exp();
                let mut low = [0.0f64; 3];
                let thud: Vec<f64> = (0..RATE / 2)
                    .map(|i| {
                        let mut x = random.normal() * (-(i as f64) / RATE as f64 / tau).exp();
                        for l in &mut low {
                            *l += c * (x - *l);
                            x = *l;
                        }
                        x
                    })
                    .collect();
                let most = thud.iter().fold(1e-9f64, |m, v| m.max(v.abs()));
                out.iter_mut().zip(&thud).for_each(|(o, t)| *o += (peak * t / most) as f32);
            }
        }
        at += (random.range(0.5, 3.0) * RATE as f64) as usize;
    }
}

/// Knocks of a worn engine, 6 to 40 a second: each by itself much like a clap, but one of many. They come unevenly, are
/// unequally loud, and some fail to come.
fn add_knocks(bed: &mut [f32], random: &mut Random) {
    let bank: Vec<Vec<f32>> = (0..3).map(|_| synthetic_clap(random)).collect();
    let every_s = 1.0 / (6.0 * (40.0f64 / 6.0).powf(random.unit()));
    let (uneven, unequal_db, fail) = (random.range(0.02, 0.3), random.range(1.0, 7.0), random.range(0.0, 0.5));
    let level = rms(bed) * 10f64.powf(random.range(-3.0, 15.0) / 20.0);
    let mut at_s = 0.0;
    loop {
        at_s += every_s * (1.0 + uneven * random.normal()).max(0.2);
        let (at, knock) = ((at_s * RATE as f64) as usize, &bank[random.below(bank.len())]);
        if at + knock.len() > bed.len() {
            break;
        }
        let gain = (level * 10f64.powf(unequal_db * random.normal() / 20.0)) as f32;
        if random.unit() >= fail {
            bed[at..].iter_mut().zip(knock).for_each(|(b, k)| *b += gain * k);
        }
    }
}

/// The prompts of one part that `benches/scripts/fetch_sounds.sh` puts into a folder.
fn prompts(folder: &Path, part: Part) -> Result<Vec<Vec<f32>>, Box<dyn Error>> {
    let mut out = Vec::new();
    for speaker in load(folder)? {
        if part_of(&format!("voices/{}", speaker.name))? != part {
            continue;
        }
        let list = std::fs::read_to_string(folder.join(format!("{}.txt", speaker.name)))?;
        for line in list.lines() {
            let mut numbers = line.split(' ').map(str::parse::<usize>);
            if let (Some(Ok(from)), Some(Ok(length))) = (numbers.next(), numbers.next())
                && let Some(part) = speaker.samples.get(from..from + length)
                && length > 8000
            {
                out.push(part.to_vec());
            }
        }
    }
    Ok(out)
}

/// What a camera of another rate would have recorded.
fn at_rate(x: Vec<f32>, rate_hz: f64) -> Result<Vec<f32>, coeval::Error> {
    if rate_hz == RATE as f64 {
        return Ok(x);
    }
    let frames = (x.len() as f64 * rate_hz / RATE as f64) as u64;
    resample(
        &x,
        &Route::onto_timeline(&ClockMap::linear(0.0, 0.0, x.len() as f64 / RATE as f64)),
        &ResampleOptions::new(RATE as f64, rate_hz, 1, frames),
    )
}

fn scene(number: usize, pool: &Pool, arguments: &Arguments) -> Result<Vec<f32>, coeval::Error> {
    let mut random = Random(arguments.seed.wrapping_mul(1_000_003).wrapping_add(number as u64 * 7919));
    let plain = arguments.plain;
    let which = number % pool.engines.len();
    let engine = |which: usize, random: &mut Random| {
        if plain {
            return lengthen(&pool.engines[which].samples, SCENE_S, random);
        }
        let source = warped(&pool.engines[which].samples, random.range(0.65, 1.5));
        let mut bed = lengthen(&source, SCENE_S, random);
        coloured(&mut bed, random);
        if random.unit() < 0.3 {
            add_knocks(&mut bed, random);
        }
        let gain = (0.1 / rms(&bed)) as f32;
        bed.iter_mut().for_each(|v| *v *= gain);
        bed
    };
    let mut bed = engine(which, &mut random);
    if !plain && random.unit() < 0.2 {
        let other = engine(random.below(pool.engines.len()), &mut random);
        let share = random.range(0.2, 1.0) as f32;
        bed.iter_mut().zip(&other).for_each(|(b, o)| *b = (*b + share * o) / (1.0 + share * share).sqrt());
    }
    let with_claps = (number / pool.engines.len()) % 2 == 1;
    let kind = match (number / pool.engines.len() / 2) % if plain { 3 } else { 5 } {
        _ if plain && with_claps => 0,
        kind => kind,
    };
    match kind {
        1 if !pool.winds.is_empty() => {
            let source = &pool.winds[random.below(pool.winds.len())].samples;
            let mut wind = lengthen(source, SCENE_S, &mut random);
            if !plain {
                coloured(&mut wind, &mut random);
            }
            add_wind(&mut bed, &wind, &mut random);
        }
        2 => add_radio(&mut bed, &pool.voices, &mut random),
        3 => speak(&mut bed, pool, arguments.cabin, &mut random),
        4 => add_clutter(&mut bed, &mut random),
        _ => {}
    }
    // Many clap in a quiet place: what is faint then has hiss over it, and what is loud overloads the recorder.
    let quiet = !plain && with_claps && chance(arguments.quiet, &mut random);
    if quiet {
        let (faint, hiss) = (random.range(-60.0, -15.0), random.range(-75.0, -35.0));
        let (faint, hiss) = (10f64.powf(faint / 20.0), 0.1 * 10f64.powf(hiss / 20.0));
        bed.iter_mut().for_each(|v| *v = (faint * f64::from(*v) + hiss * random.normal()) as f32);
    }
    struct Truth {
        time_s: f64,
        clap: f32,
        level_db: f64,
    }
    let mut truth = Vec::new();
    if with_claps {
        let noise = bed.clone();
        for i in 0..18 {
            let (clap, mut dry) = match random.unit() {
                u if !plain && u < 0.35 => (-1.0, synthetic_clap(&mut random)),
                _ => {
                    let clap = random.below(pool.claps.len());
                    let samples = &pool.claps[clap].samples;
                    (clap as f32, samples[..samples.len().min(RATE * 2 / 5)].to_vec())
                }
            };
            if !plain {
                dry = warped(&dry, random.range(0.75, 1.3));
                coloured(&mut dry, &mut random);
            }
            let (start, _) = onset(&dry);
            let wet = if !plain && random.unit() < 0.15 { dry } else { in_room(&dry, &room(&mut random)) };
            let at = ((2.5 + 3.0 * i as f64 + random.range(0.0, 1.0)) * RATE as f64) as usize;
            let near = rms(&noise[at - RATE / 2..at + RATE / 2]);
            let peak = wet.iter().fold(1e-9f32, |m, v| m.max(v.abs()));
            let level_db = match quiet {
                _ if plain => [20.0, 10.0, 6.0][i % 3],
                true => random.range(15.0, 65.0),
                false => random.range(3.0, 25.0),
            };
            let gain = (near * 10f64.powf(level_db / 20.0) / f64::from(peak)) as f32;
            bed[at..].iter_mut().zip(&wet).for_each(|(b, w)| *b = (*b + gain * w).clamp(-1.0, 1.0));
            truth.push(Truth { time_s: (at + start) as f64 / RATE as f64, clap, level_db });
        }
    }
    let rate = match random.unit() {
        u if plain || u < if kind == 3 { 0.3 } else { 0.7 } => RATE as f64,
        _ if kind == 3 => 16_000.0,
        u if u < 0.85 => 44_100.0,
        u if u < 0.93 => 32_000.0,
        _ => 16_000.0,
    };
    let bed = at_rate(bed, rate)?;
    let mut options = MarkerOptions::default();
    options.min_score = f64::NEG_INFINITY;
    let mut detector = MarkerDetector::new(rate, 1, &options)?;
    let mut found = detector.push(&bed)?;
    found.extend(detector.finish());
    let mut rows = Vec::new();
    let mut met = vec![false; truth.len()];
    for m in &found {
        let near = (0..truth.len())
            .min_by(|&a, &b| (truth[a].time_s - m.time_s).abs().total_cmp(&(truth[b].time_s - m.time_s).abs()));
        let error_s = near.map_or(f64::INFINITY, |i| m.time_s - truth[i].time_s);
        let is_clap = error_s.abs() < 0.05;
        if !is_clap && (-0.1..0.8).contains(&error_s) {
            // A clap's own room.
            continue;
        }
        let own = near.filter(|_| is_clap).map(|i| (i, &truth[i]));
        if let Some((i, _)) = own {
            met[i] = true;
        }
        rows.extend([
            f32::from(u8::from(is_clap)),
            number as f32,
            kind as f32,
            which as f32,
            own.map_or(-2.0, |(_, t)| t.clap),
            own.map_or(-1.0, |(i, _)| i as f32),
            own.map_or(0.0, |(_, t)| t.level_db as f32),
            own.map_or(0.0, |_| error_s as f32 * 1e3),
            match m.shape {
                Shape::Clap => 0.0,
                Shape::Click => 1.0,
                Shape::Burst => 2.0,
                _ => 3.0,
            },
            if with_claps { 0.0 } else { SCENE_S as f32 },
            m.time_s as f32,
        ]);
        rows.extend(m.measures.iter().map(|v| *v as f32));
        rows.extend(&m.levels);
    }
    let width = found.first().map_or(0, |m| HEADER + m.measures.len() + m.levels.len());
    for (i, t) in truth.iter().enumerate().filter(|(i, _)| !met[*i] && width > 0) {
        let from = rows.len();
        rows.extend([2.0, number as f32, kind as f32, which as f32, t.clap, i as f32, t.level_db as f32]);
        rows.resize(from + width, 0.0);
    }
    Ok(rows)
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("data");
    let mut pool = Pool::default();
    let part = arguments.part;
    let folder = if part == Part::Test { "claps" } else { "training" };
    pool.claps = load_part(&data, &format!("{folder}/clap"), part)?;
    pool.engines = load_part(&data, &format!("{folder}/engine"), part)?;
    pool.winds = load_part(&data, &format!("{folder}/wind"), part)?;
    pool.prompts = prompts(&data.join("voices"), part)?;
    pool.voices = match part {
        Part::Test => load_part(&data, "claps/voice", part)?,
        // A prompt at three times its rate is one at the rate of all else.
        _ => pool
            .prompts
            .iter()
            .step_by(8)
            .map(|p| Sound { name: String::new(), samples: warped(p, 1.0 / 3.0) })
            .collect(),
    };
    let mut out = std::io::BufWriter::new(std::fs::File::create(&arguments.out)?);
    let numbers: Vec<usize> = (0..arguments.scenes).collect();
    let mut written = 0;
    for part in numbers.chunks(64) {
        let rows = part.par_iter().map(|&n| scene(n, &pool, &arguments)).collect::<Result<Vec<_>, _>>()?;
        for row in rows {
            for v in &row {
                out.write_all(&v.to_le_bytes())?;
            }
            written += row.len();
        }
    }
    out.flush()?;
    println!(
        "{} claps, {} engines, {} winds: {written} numbers",
        pool.claps.len(),
        pool.engines.len(),
        pool.winds.len()
    );
    Ok(())
}
