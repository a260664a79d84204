//! Marker detection on real claps, knocks and engines: recall, false alarms, onset error.
//!
//! `benches/scripts/fetch_claps.sh` fetches the sounds, which are all of the test part of `coeval_benches::origins`. Each clap is put into a simulated room (image
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
//!
//! `markers --real FOLDER TABLE` counts the claps of real recordings instead.
#![allow(clippy::print_stdout, reason = "a program that prints tables")]

use std::path::Path;

use coeval::marker::{Marker, MarkerDetector, MarkerOptions};
use coeval_benches::claps::{RATE, Random, add_radio, add_wind, in_room, lengthen, onset, rms, room};
use coeval_benches::origins::{Part, load_part};
use coeval_media::{OpenOptions, SoundReader};

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
    let fft = coeval_transform::real(length).0;
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

fn detect(x: &[f32]) -> Vec<Marker> {
    let mut detector = MarkerDetector::new(RATE as f64, 1, &MarkerOptions::default()).expect("rate is in range");
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

/// Claps in real rooms: a table of files and times (`benches/scripts/real_claps.tsv`), the files in `folder`.
fn real(folder: &Path, table: &Path) -> Result<(), Box<dyn std::error::Error>> {
    println!("file                 claps  found at a score of 0   of 2   others before the last");
    let mut sums = [0; 4];
    for line in std::fs::read_to_string(table)?.lines().filter(|l| !l.starts_with('#')) {
        let (file, times) = line.split_once('\t').ok_or("a line without a tab")?;
        let times = times.split(' ').map(str::parse::<f64>).collect::<Result<Vec<_>, _>>()?;
        let mut reader = SoundReader::open(&folder.join(file), &OpenOptions::default())?;
        let sound = reader.sound()?;
        let mut detector = MarkerDetector::new(f64::from(sound.rate_hz), sound.channels, &MarkerOptions::default())?;
        let mut found = Vec::new();
        reader.read_to_end(|block, _| {
            found.extend(detector.push(block)?);
            Ok(())
        })?;
        found.extend(detector.finish());
        // The table's times are read to a few milliseconds.
        let near = |m: &Marker| times.iter().any(|t| (m.time_s - t).abs() < 0.05);
        let hits = |least: f64| {
            let is_found = |t: &&f64| found.iter().any(|m| m.score >= least && (m.time_s - **t).abs() < 0.05);
            times.iter().filter(is_found).count()
        };
        let last_s = times.iter().fold(0.0, |a: f64, t| a.max(*t)) + 0.3;
        let others = found.iter().filter(|m| m.time_s < last_s && !near(m)).count();
        let row = [times.len(), hits(0.0), hits(2.0), others];
        println!("{file:<20} {:>5} {:>22} {:>6} {:>8}", row[0], row[1], row[2], row[3]);
        sums.iter_mut().zip(row).for_each(|(s, r)| *s += r);
    }
    println!("all                  {:>5} {:>22} {:>6} {:>8}", sums[0], sums[1], sums[2], sums[3]);
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    if let [_, how, folder, table] = arguments.as_slice()
        && how == "--real"
    {
        return real(Path::new(folder), Path::new(table));
    }
    let verbose = std::env::args().any(|a| a == "--verbose");
    let mut numbers = std::env::args().skip(1).filter_map(|a| a.parse::<f64>().ok());
    let hours = numbers.next().unwrap_or(1.0);
    let seed = numbers.next().unwrap_or(20_261_125.0) as u64;
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("data");
    let of = |folder: &str| load_part(&data, folder, Part::Test);
    let (claps, engines) = (of("claps/clap")?, of("claps/engine")?);
    let (winds, voices) = (of("claps/wind")?, of("claps/voice")?);
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
                    add_wind(&mut bed, &wind, &mut random);
                }
                "radio" => add_radio(&mut bed, &voices, &mut random),
                _ => {}
            }
            for m in detect(&bed) {
                if verbose {
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
    Ok(())
}
