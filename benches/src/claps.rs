//! Real claps, knocks, engines, winds and radio calls, laid together: what the marker benchmark hears, and what the
//! score of markers learns from.

use std::path::{Path, PathBuf};

use coeval_transform::real;

use crate::sim_sound::SPEED_OF_SOUND_M_S;

/// Rate of all sounds here, Hz.
pub const RATE: usize = 48_000;

/// SplitMix64: small, seeded, the same everywhere.
pub struct Random(pub u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    /// From 0 up to 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
    /// From `low` up to `high`.
    pub fn range(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    /// 0 to `n - 1`.
    pub fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }
    /// Normally distributed, spread 1.
    pub fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().max(1e-300).ln()).sqrt() * (2.0 * std::f64::consts::PI * self.unit()).cos()
    }
}

/// A recording, mono at [`RATE`] (voices of `fetch_sounds.sh` at 16 kHz).
pub struct Sound {
    /// Its file without the extension.
    pub name: String,
    /// Full scale is 1.
    pub samples: Vec<f32>,
}

/// All WAV files of a folder, by name.
///
/// # Errors
/// When there is no such folder.
pub fn load(folder: &Path) -> std::io::Result<Vec<Sound>> {
    let entries = std::fs::read_dir(folder).map_err(|why| {
        std::io::Error::new(why.kind(), format!("{}: {why}; benches/README.md says what fetches it", folder.display()))
    })?;
    let mut paths: Vec<PathBuf> = entries.flatten().map(|e| e.path()).collect();
    paths.sort();
    let sounds = paths
        .iter()
        .filter_map(|path| {
            let mut reader = hound::WavReader::open(path).ok()?;
            let samples: Vec<f32> =
                reader.samples::<i16>().filter_map(|s| s.ok()).map(|s| f32::from(s) / 32768.0).collect();
            Some(Sound { name: path.file_stem()?.to_string_lossy().into_owned(), samples })
        })
        .collect();
    Ok(sounds)
}

/// Root mean square.
pub fn rms(x: &[f32]) -> f64 {
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
pub fn lengthen(source: &[f32], seconds: f64, random: &mut Random) -> Vec<f32> {
    let source = body(source);
    let total = (seconds * RATE as f64) as usize;
    let fade = RATE / 10;
    let rise: Vec<f32> =
        (0..fade).map(|i| (i as f64 / fade as f64 * std::f64::consts::FRAC_PI_2).sin() as f32).collect();
    let mut out = vec![0.0f32; total + 4 * RATE];
    let mut at = 0;
    while at < total {
        let want = (random.range(0.8, 2.5) * RATE as f64) as usize;
        let length = want.min(source.len());
        let from = random.below(source.len() - length + 1);
        for i in 0..length {
            // Equal power: the stretches are unrelated.
            let edge = i.min(length - 1 - i).min(fade);
            out[at + i] += source[from + i] * if edge < fade { rise[edge] } else { 1.0 };
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
pub fn room(random: &mut Random) -> Vec<(usize, f32)> {
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
                taps.push((
                    (d / SPEED_OF_SOUND_M_S * RATE as f64).round() as usize,
                    (reflect.powi(bounces) / d) as f32,
                ));
            }
        }
    }
    taps.sort_by_key(|t| t.0);
    let first = taps[0].0;
    taps.iter_mut().for_each(|t| t.0 -= first);
    taps
}

/// A dry sound in a room of [`room`]; what comes later than 0.4 s is left out.
pub fn in_room(dry: &[f32], taps: &[(usize, f32)]) -> Vec<f32> {
    let longest = taps.last().map_or(0, |t| t.0).min(RATE * 2 / 5);
    let length = (dry.len() + longest).next_power_of_two();
    let (forward, back) = real(length);
    let transformed = |fill: &dyn Fn(&mut [f32])| {
        let (mut block, mut spectrum) = (forward.make_input_vec(), forward.make_output_vec());
        fill(&mut block);
        forward.process(&mut block, &mut spectrum).expect("lengths are the plan's own");
        spectrum
    };
    let mut product = transformed(&|block| block[..dry.len()].copy_from_slice(dry));
    let response = transformed(&|block| {
        taps.iter().filter(|t| t.0 <= longest).for_each(|&(delay, gain)| block[delay] += gain / length as f32);
    });
    product.iter_mut().zip(&response).for_each(|(p, r)| *p *= r);
    let mut out = back.make_output_vec();
    // A real signal's spectrum has no imaginary part at its ends; rounding leaves some.
    product[0].im = 0.0;
    product[length / 2].im = 0.0;
    back.process(&mut product, &mut out).expect("lengths are the plan's own");
    out.truncate(dry.len() + longest);
    out
}

/// Where a dry sample starts, in samples: the steepest rise, that is the largest energy of a millisecond over
/// that of the 10 ms before, with a floor 20 dB below the loudest millisecond, so that what is faint does not
/// count. Also whether that is sharp: no more than half a millisecond after the first twentieth of the peak.
pub fn onset(x: &[f32]) -> (usize, bool) {
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
pub fn add_radio(bed: &mut [f32], voices: &[Sound], random: &mut Random) {
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

/// Wind over an engine, in gusts: it swells and falls by 20 dB over seconds.
pub fn add_wind(bed: &mut [f32], wind: &[f32], random: &mut Random) {
    let mut gust = 0.0;
    let mut aim = 1.0;
    for (i, (b, w)) in bed.iter_mut().zip(wind).enumerate() {
        if i % (RATE / 2) == 0 {
            aim = 10f64.powf(random.range(-10.0, 10.0) / 20.0);
        }
        gust += (aim - gust) * 4.0 / RATE as f64;
        *b = 0.3 * *b + (gust * f64::from(*w)) as f32;
    }
}
