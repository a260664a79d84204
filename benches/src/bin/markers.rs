//! Marker detection on real claps, knocks and engines: recall, false alarms, onset error.
//!
//! `benches/scripts/fetch_claps.sh` fetches the sounds. Each clap is put into a simulated room (image
//! sources in a box, random size, absorption and places) and laid under a real engine recording that is
//! lengthened by cross-fading random stretches of it. The level is the peak of the clap in its room over
//! the noise's root mean square within half a second of it. False alarms are counted on hours of engine,
//! of wind over engine, and of radio (voice and squelch through a loudspeaker in a cabin) over engine,
//! without any clap. Beside it run a plain energy-ratio and a spectral-flux detector on the same sound,
//! each given the threshold that allows it the same one false alarm an hour.
//!
//! Truth of an onset: arrival of the direct sound of the dry sample's steepest rise ([`onset`]). Samples whose
//! attack takes longer than half a millisecond (several hands, a stick on rim and skin) have no onset to half a
//! millisecond; they count for recall, and for the onset error only in the column that says so.
#![allow(clippy::print_stdout, reason = "a program that prints tables")]

use std::path::{Path, PathBuf};

use coeval::marker::{Marker, MarkerDetector, MarkerOptions};
use realfft::RealFftPlanner;

const RATE: usize = 48_000;

/// SplitMix64: small, seeded, the same everywhere.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
    fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }
    fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().max(1e-300).ln()).sqrt() * (2.0 * std::f64::consts::PI * self.unit()).cos()
    }
}

struct Sound {
    name: String,
    samples: Vec<f32>,
}

fn load(folder: &Path) -> Vec<Sound> {
    let mut paths: Vec<PathBuf> = match std::fs::read_dir(folder) {
        Ok(entries) => entries.flatten().map(|e| e.path()).collect(),
        Err(_) => {
            println!("{} is missing: run benches/scripts/fetch_claps.sh", folder.display());
            std::process::exit(2);
        }
    };
    paths.sort();
    paths
        .iter()
        .filter_map(|path| {
            let mut reader = hound::WavReader::open(path).ok()?;
            let samples: Vec<f32> =
                reader.samples::<i16>().filter_map(|s| s.ok()).map(|s| f32::from(s) / 32768.0).collect();
            Some(Sound { name: path.file_stem()?.to_string_lossy().into_owned(), samples })
        })
        .collect()
}

fn rms(x: &[f32]) -> f64 {
    (x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / x.len().max(1) as f64).sqrt()
}

/// The part of a recording within 10 dB of its median level, so that lengthening it makes no holes.
fn body(x: &[f32]) -> &[f32] {
    let block = RATE / 20;
    let levels: Vec<f64> = x.chunks_exact(block).map(|b| 20.0 * rms(b).max(1e-9).log10()).collect();
    let mut sorted = levels.clone();
    sorted.sort_by(f64::total_cmp);
    let median = sorted[sorted.len() / 2];
    let good = |l: &f64| (l - median).abs() < 10.0;
    let first = levels.iter().position(good).unwrap_or(0);
    let last = levels.iter().rposition(good).unwrap_or(levels.len() - 1);
    &x[first * block..(last + 1) * block]
}

/// Lengthens a recording by cross-fading random stretches of it, at -20 dBFS, over a faint white floor.
fn lengthen(source: &[f32], seconds: f64, random: &mut Random) -> Vec<f32> {
    let source = body(source);
    let total = (seconds * RATE as f64) as usize;
    let fade = RATE / 10;
    let mut out = vec![0.0f32; total + 4 * RATE];
    let mut at = 0;
    while at < total {
        let want = (random.range(0.8, 2.5) * RATE as f64) as usize;
        let length = want.min(source.len());
        let from = random.below(source.len() - length + 1);
        for i in 0..length {
            // Equal power: the stretches are unrelated.
            let edge = i.min(length - 1 - i).min(fade) as f64 / fade as f64;
            out[at + i] += source[from + i] * (edge * std::f64::consts::FRAC_PI_2).sin() as f32;
        }
        at += length - fade;
    }
    out.truncate(total);
    let gain = 0.1 / rms(&out).max(1e-9);
    for v in &mut out {
        *v = (f64::from(*v) * gain + 0.1 * 10f64.powf(-45.0 / 20.0) * random.normal()) as f32;
    }
    out
}

/// Impulse response of a box by image sources (Allen & Berkley, JASA 65(4), 1979): (delay in samples, gain),
/// the direct sound first and on a whole sample.
fn room(random: &mut Random) -> Vec<(usize, f32)> {
    let size = [random.range(2.0, 7.0), random.range(1.8, 5.0), random.range(1.9, 3.2)];
    let reflect = random.range(0.55, 0.85);
    let inside = |random: &mut Random, s: f64| random.range(0.3, s - 0.3);
    let source: Vec<f64> = size.iter().map(|s| inside(random, *s)).collect();
    let mut ear: Vec<f64>;
    loop {
        ear = size.iter().map(|s| inside(random, *s)).collect();
        let d = source.iter().zip(&ear).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
        if (0.4..3.0).contains(&d) {
            break;
        }
    }
    let mut taps = Vec::new();
    let n = 8i32;
    for x in -n..=n {
        for y in -n..=n {
            for z in -n..=n {
                let bounces = x.abs() + y.abs() + z.abs();
                if bounces > 14 {
                    continue;
                }
                let image = |i: i32, s: f64, p: f64| f64::from(i) * s + if i % 2 == 0 { p } else { s - p };
                let d = ((image(x, size[0], source[0]) - ear[0]).powi(2)
                    + (image(y, size[1], source[1]) - ear[1]).powi(2)
                    + (image(z, size[2], source[2]) - ear[2]).powi(2))
                .sqrt();
                taps.push(((d / 343.0 * RATE as f64).round() as usize, (reflect.powi(bounces) / d) as f32));
            }
        }
    }
    taps.sort_by_key(|t| t.0);
    let first = taps[0].0;
    taps.iter_mut().for_each(|t| t.0 -= first);
    taps
}

fn in_room(dry: &[f32], taps: &[(usize, f32)]) -> Vec<f32> {
    let longest = taps.last().map_or(0, |t| t.0).min(RATE * 2 / 5);
    let mut out = vec![0.0f32; dry.len() + longest];
    for &(delay, gain) in taps.iter().filter(|t| t.0 <= longest) {
        out[delay..delay + dry.len()].iter_mut().zip(dry).for_each(|(o, d)| *o += d * gain);
    }
    out
}

/// Where a dry sample starts, in samples: the steepest rise, that is the largest energy of a millisecond over
/// that of the 10 ms before, with a floor 20 dB below the loudest millisecond, so that what is faint does not
/// count. Also whether that is sharp: no more than half a millisecond after the first twentieth of the peak.
fn onset(x: &[f32]) -> (usize, bool) {
    let ms = RATE / 1000;
    let mut sum = vec![0.0f64; 10 * ms + 1];
    x.iter().for_each(|v| sum.push(sum[sum.len() - 1] + f64::from(*v).powi(2)));
    sum.extend(vec![sum[sum.len() - 1]; ms]);
    let energy = |a: usize, b: usize| sum[b] - sum[a];
    let loudest = (0..x.len()).map(|i| energy(i + 10 * ms, i + 11 * ms)).fold(0.0, f64::max);
    let rise: Vec<f64> = (0..x.len().min(RATE / 10))
        .map(|i| energy(i + 10 * ms, i + 11 * ms) / (energy(i, i + 10 * ms) / 10.0 + 0.01 * loudest))
        .collect();
    let best = (0..rise.len()).max_by(|&i, &j| rise[i].total_cmp(&rise[j])).unwrap_or(0);
    // The millisecond that rises most starts before the sound does when the sound is longer than it.
    let peak = x[best..(best + ms).min(x.len())].iter().fold(0.0f32, |m, v| m.max(v.abs()));
    let start = best + x[best..].iter().position(|v| v.abs() >= 0.25 * peak).unwrap_or(0);
    let most = x.iter().fold(0.0f32, |m, v| m.max(v.abs()));
    let first = x.iter().position(|v| v.abs() >= 0.05 * most).unwrap_or(0);
    (start, start.abs_diff(first) < RATE / 2000)
}

/// Voice band of a handheld radio, 300 Hz to 3 kHz: two second-order sections (Butterworth, fourth order) at
/// each end, by the bilinear transform.
fn radio_band(x: &mut [f32]) {
    for (hz, high) in [(300.0, true), (3000.0, false)] {
        for q in [0.541_196, 1.306_563] {
            let k = (std::f64::consts::PI * hz / RATE as f64).tan();
            let norm = 1.0 / (1.0 + k / q + k * k);
            let (b0, b1) = if high { (norm, -2.0 * norm) } else { (k * k * norm, 2.0 * k * k * norm) };
            let (a1, a2) = (2.0 * (k * k - 1.0) * norm, (1.0 - k / q + k * k) * norm);
            let (mut z1, mut z2) = (0.0, 0.0);
            for v in x.iter_mut() {
                let i = f64::from(*v);
                let o = b0 * i + z1;
                z1 = b1 * i - a1 * o + z2;
                z2 = b0 * i - a2 * o;
                *v = o as f32;
            }
        }
    }
}

/// Radio calls every 8 to 20 s: the squelch opens with a click, voice, then a noise tail that stops dead.
fn add_radio(bed: &mut [f32], voices: &[Sound], random: &mut Random) {
    let mut at = 2 * RATE;
    loop {
        let voice = &voices[random.below(voices.len())].samples;
        let tail = (random.range(0.06, 0.4) * RATE as f64) as usize;
        let head = (random.range(0.01, 0.08) * RATE as f64) as usize;
        let level = rms(voice);
        let mut call: Vec<f32> = (0..head).map(|_| (level * random.normal()) as f32).collect();
        call.extend(voice.iter().map(|v| v + (0.03 * level * random.normal()) as f32));
        let loud = level * random.range(0.7, 2.0);
        call.extend((0..tail).map(|_| (loud * random.normal()) as f32));
        radio_band(&mut call);
        let heard = in_room(&call, &room(random));
        let gain = (0.1 * 10f64.powf(random.range(0.0, 12.0) / 20.0) / rms(&heard).max(1e-9)) as f32;
        if at + heard.len() + RATE > bed.len() {
            break;
        }
        bed[at..].iter_mut().zip(&heard).for_each(|(b, h)| *b += gain * h);
        at += heard.len() + (random.range(4.0, 12.0) * RATE as f64) as usize;
    }
}

/// A score per moment: the baselines' output, local maxima 100 ms apart.
type Scores = Vec<(f64, f64)>;

fn maxima(curve: &[f64], step_s: f64) -> Scores {
    let side = (0.05 / step_s) as usize;
    (0..curve.len())
        .filter(|&i| {
            let (lo, hi) = (i.saturating_sub(side), (i + side + 1).min(curve.len()));
            curve[lo..i].iter().all(|v| *v < curve[i]) && curve[i + 1..hi].iter().all(|v| *v <= curve[i])
        })
        .map(|i| (i as f64 * step_s, curve[i]))
        .collect()
}

/// Energy of 5 ms over the mean of the 100 ms before, dB, above a one-pole high-pass at 500 Hz.
fn energy_ratio(x: &[f32]) -> Scores {
    let step = RATE / 1000;
    let c = 1.0 - (-2.0 * std::f64::consts::PI * 500.0 / RATE as f64).exp();
    let mut low = 0.0f64;
    let energy: Vec<f64> = x
        .chunks_exact(step)
        .map(|b| {
            b.iter()
                .map(|v| {
                    low += c * (f64::from(*v) - low);
                    (f64::from(*v) - low).powi(2)
                })
                .sum::<f64>()
        })
        .collect();
    let mut sum = vec![0.0];
    energy.iter().for_each(|e| sum.push(sum[sum.len() - 1] + e));
    let curve: Vec<f64> = (0..energy.len())
        .map(|i| {
            if i < 100 || i + 5 > energy.len() {
                return 0.0;
            }
            10.0 * ((sum[i + 5] - sum[i]) / 5.0 / ((sum[i] - sum[i - 100]) / 100.0).max(1e-12)).log10()
        })
        .collect();
    maxima(&curve, 0.001)
}

/// Half-wave rectified flux of log magnitudes (Bello et al., TSAP 13(5), 2005, section III-B, in log form),
/// less its running median over 0.5 s.
fn spectral_flux(x: &[f32]) -> Scores {
    let (length, hop) = (512, 128);
    let fft = RealFftPlanner::<f32>::new().plan_fft_forward(length);
    let (mut block, mut spectrum) = (fft.make_input_vec(), fft.make_output_vec());
    let mut previous = vec![0.0f64; spectrum.len()];
    let mut flux = Vec::new();
    for from in (0..x.len().saturating_sub(length)).step_by(hop) {
        for (i, b) in block.iter_mut().enumerate() {
            let w = 0.5 - 0.5 * (2.0 * std::f64::consts::PI * i as f64 / length as f64).cos();
            *b = x[from + i] * w as f32;
        }
        fft.process(&mut block, &mut spectrum).expect("lengths are the plan's own");
        let mut sum = 0.0;
        for (p, c) in previous.iter_mut().zip(&spectrum) {
            let level = f64::from(c.norm_sqr() + 1e-9).ln();
            sum += (level - *p).max(0.0);
            *p = level;
        }
        flux.push(sum);
    }
    let half = (0.25 * RATE as f64 / hop as f64) as usize;
    let curve: Vec<f64> = (0..flux.len())
        .map(|i| {
            let mut near = flux[i.saturating_sub(half)..(i + half).min(flux.len())].to_vec();
            let middle = near.len() / 2;
            flux[i] - *near.select_nth_unstable_by(middle, f64::total_cmp).1
        })
        .collect();
    // The frame's centre is where a new sound first weighs much.
    maxima(&curve, hop as f64 / RATE as f64)
        .into_iter()
        .map(|(t, s)| (t + 0.5 * length as f64 / RATE as f64, s))
        .collect()
}

/// `--dump` prints every candidate with its measures, for `benches/scripts/fit_markers.py`.
fn dump() -> bool {
    std::env::args().any(|a| a == "--dump")
}

fn detect(x: &[f32]) -> Vec<Marker> {
    let mut options = MarkerOptions::default();
    options.all = dump();
    let mut detector = MarkerDetector::new(RATE as f64, 1, &options).expect("rate is in range");
    let mut out = Vec::new();
    for block in x.chunks(4096) {
        out.extend(detector.push(block).expect("mono"));
    }
    out.extend(detector.finish());
    out
}

struct Clap {
    time_s: f64,
    sample: usize,
    engine: usize,
    sharp: bool,
}

fn percentile(sorted: &[f64], share: f64) -> f64 {
    if sorted.is_empty() { f64::NAN } else { sorted[((sorted.len() - 1) as f64 * share).round() as usize] }
}

fn main() {
    let verbose = std::env::args().any(|a| a == "--verbose");
    let mut numbers = std::env::args().skip(1).filter_map(|a| a.parse::<f64>().ok());
    let hours = numbers.next().unwrap_or(1.0);
    let seed = numbers.next().unwrap_or(20_261_125.0) as u64;
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/claps");
    let claps = load(&data.join("clap"));
    let engines = load(&data.join("engine"));
    let winds = load(&data.join("wind"));
    let voices = load(&data.join("voice"));
    for clap in claps.iter().filter(|_| verbose) {
        let (start, sharp) = onset(&clap.samples);
        println!(
            "  {:<22} onset {:>6.2} ms{}",
            clap.name,
            start as f64 * 1e3 / RATE as f64,
            if sharp { "" } else { ", slow attack" }
        );
    }
    println!(
        "{} claps and knocks, {} engines, {} winds, {} calls",
        claps.len(),
        engines.len(),
        winds.len(),
        voices.len()
    );

    let mut random = Random(seed);
    let mut base_scores: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
    let mut background_h = 0.0;
    println!("\nfalse alarms\nbackground          hours  alarms  an hour");
    let started = std::time::Instant::now();
    let mut heard_s = 0.0;
    let mut total_alarms = 0;
    for kind in ["engine", "wind", "radio"] {
        let seconds = hours * 3600.0 / engines.len() as f64;
        let mut alarms = Vec::new();
        for (e, engine) in engines.iter().enumerate() {
            let mut bed = lengthen(&engine.samples, seconds, &mut random);
            match kind {
                "wind" => {
                    let wind = lengthen(&winds[e % winds.len()].samples, seconds, &mut random);
                    // Gusts: the wind swells and falls by 20 dB over seconds.
                    let mut gust = 0.0;
                    let mut aim = 1.0;
                    for (i, (b, w)) in bed.iter_mut().zip(&wind).enumerate() {
                        if i % (RATE / 2) == 0 {
                            aim = 10f64.powf(random.range(-10.0, 10.0) / 20.0);
                        }
                        gust += (aim - gust) * 4.0 / RATE as f64;
                        *b = 0.3 * *b + (gust * f64::from(*w)) as f32;
                    }
                }
                "radio" => add_radio(&mut bed, &voices, &mut random),
                _ => {}
            }
            for m in detect(&bed) {
                if dump() {
                    println!(
                        "F {kind} {} {:?} {:?} {:.3} 0 {:?}",
                        engine.name, m.shape, m.grouping, m.time_s, m.measures
                    );
                } else if verbose {
                    println!("  alarm {kind} {}: {:.3} s score {:.2} {:?}", engine.name, m.time_s, m.score, m.measures);
                }
                alarms.push(m);
            }
            base_scores[0].extend(energy_ratio(&bed).iter().map(|s| s.1));
            base_scores[1].extend(spectral_flux(&bed).iter().map(|s| s.1));
            heard_s += seconds;
        }
        background_h += hours;
        total_alarms += alarms.len();
        println!("{kind:<18} {hours:>6.2} {:>7} {:>8.2}", alarms.len(), alarms.len() as f64 / hours);
    }
    println!(
        "all                {background_h:>6.2} {total_alarms:>7} {:>8.2}",
        f64::from(total_alarms as u32) / background_h
    );
    println!("({heard_s:.0} s of sound through three detectors in {:.0} s)", started.elapsed().as_secs_f64());
    // The baselines' thresholds: as many alarms as one an hour allows.
    let allowed = background_h.floor().max(1.0) as usize;
    let thresholds = base_scores.map(|mut s| {
        s.sort_by(|a, b| b.total_cmp(a));
        s[allowed.min(s.len() - 1)]
    });

    println!("\nrecall and onset error (ms; median / 95th percentile over sharp samples, and over all)");
    println!("level   claps  recall   sharp         all           energy ratio  err p95   spectral flux  err p95");
    for level_db in [20.0, 10.0, 6.0] {
        let (mut hits, mut total) = (0, 0);
        let (mut sharp_errors, mut errors) = (Vec::new(), Vec::new());
        let mut base_hits = [0usize; 2];
        let mut base_errors: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
        let mut by_sample = vec![(0usize, 0usize, Vec::new()); claps.len()];
        let mut by_engine = vec![(0usize, 0usize); engines.len()];
        let mut pulls = Vec::new();
        for (e, engine) in engines.iter().enumerate() {
            let each = claps.len();
            let mut bed = lengthen(&engine.samples, 10.0 * each as f64 + 6.0, &mut random);
            let noise = bed.clone();
            let mut truth = Vec::new();
            for i in 0..each {
                let sample = i % claps.len();
                let dry = &claps[sample].samples;
                let wet = in_room(dry, &room(&mut random));
                let at = ((5.0 + 10.0 * i as f64 + random.range(0.0, 4.0)) * RATE as f64) as usize;
                let near = rms(&noise[at - RATE / 2..(at + RATE / 2).min(noise.len())]);
                let peak = wet.iter().fold(0.0f32, |m, v| m.max(v.abs()));
                let gain = (near * 10f64.powf(level_db / 20.0) / f64::from(peak)) as f32;
                bed[at..].iter_mut().zip(&wet).for_each(|(b, w)| *b += gain * w);
                let (start, sharp) = onset(dry);
                truth.push(Clap { time_s: (at + start) as f64 / RATE as f64, sample, engine: e, sharp });
            }
            let found = detect(&bed);
            let base = [energy_ratio(&bed), spectral_flux(&bed)];
            for m in found.iter().filter(|_| dump()) {
                println!(
                    "C {level_db} {} {:?} {:?} {:.3} 0 {:?}",
                    engine.name, m.shape, m.grouping, m.time_s, m.measures
                );
            }
            for clap in &truth {
                total += 1;
                by_sample[clap.sample].1 += 1;
                by_engine[clap.engine].1 += 1;
                let nearest = found
                    .iter()
                    .min_by(|a, b| (a.time_s - clap.time_s).abs().total_cmp(&(b.time_s - clap.time_s).abs()));
                if let Some(m) = nearest.filter(|m| (m.time_s - clap.time_s).abs() < 0.05) {
                    hits += 1;
                    by_sample[clap.sample].0 += 1;
                    by_engine[clap.engine].0 += 1;
                    if dump() {
                        println!(
                            "T {level_db} {} {:?} {:?} {:.3} {:.3} {} {:?}",
                            engine.name,
                            m.shape,
                            m.grouping,
                            m.time_s,
                            (m.time_s - clap.time_s) * 1e3,
                            claps[clap.sample].name,
                            m.measures
                        );
                    }
                    let error = (m.time_s - clap.time_s) * 1e3;
                    by_sample[clap.sample].2.push(error);
                    errors.push(error.abs());
                    if clap.sharp {
                        sharp_errors.push(error.abs());
                        pulls.push((error * 1e-3 / m.uncertainty_s).abs());
                    }
                }
                for (d, scores) in base.iter().enumerate() {
                    let best = scores
                        .iter()
                        .filter(|s| (s.0 - clap.time_s).abs() < 0.05 && s.1 > thresholds[d])
                        .min_by(|a, b| (a.0 - clap.time_s).abs().total_cmp(&(b.0 - clap.time_s).abs()));
                    if let Some(s) = best {
                        base_hits[d] += 1;
                        base_errors[d].push((s.0 - clap.time_s).abs() * 1e3);
                    }
                }
            }
        }
        for list in [&mut sharp_errors, &mut errors, &mut pulls] {
            list.sort_by(f64::total_cmp);
        }
        base_errors.iter_mut().for_each(|l| l.sort_by(f64::total_cmp));
        let percent = |n: usize| 100.0 * n as f64 / total as f64;
        println!(
            "{level_db:>4.0} dB {total:>6} {:>6.1}%  {:>5.2} / {:>5.2}  {:>5.2} / {:>5.2}  {:>11.1}%  {:>7.2}  {:>13.1}%  {:>7.2}",
            percent(hits),
            percentile(&sharp_errors, 0.5),
            percentile(&sharp_errors, 0.95),
            percentile(&errors, 0.5),
            percentile(&errors, 0.95),
            percent(base_hits[0]),
            percentile(&base_errors[0], 0.95),
            percent(base_hits[1]),
            percentile(&base_errors[1], 0.95),
        );
        if verbose {
            println!(
                "  error over stated uncertainty: median {:.1}, 68th {:.1}, 95th {:.1}",
                percentile(&pulls, 0.5),
                percentile(&pulls, 0.68),
                percentile(&pulls, 0.95)
            );
            for (sound, (hit, all, errors)) in claps.iter().zip(&mut by_sample) {
                errors.sort_by(f64::total_cmp);
                println!(
                    "  {:<22} {hit:>3}/{all:<3} error p5 {:>6.2} p50 {:>6.2} p95 {:>6.2} ms",
                    sound.name,
                    percentile(errors, 0.05),
                    percentile(errors, 0.5),
                    percentile(errors, 0.95)
                );
            }
            for (sound, (hit, all)) in engines.iter().zip(&by_engine) {
                println!("  {:<22} {hit:>3}/{all:<3}", sound.name);
            }
        }
    }
}
