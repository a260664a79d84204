//! The click that marks a known moment in a fixture, and how it is found again.

/// A chirp from 500 to 6000 Hz of 20 ms under a Hann window; its centre is the click's time. The same
/// as `click` in `tests/fixtures/make.py`.
pub fn click(rate: f64) -> Vec<f64> {
    let half = (0.010 * rate).round() as i64;
    (-half..=half)
        .map(|n| {
            let t = n as f64 / rate;
            let phase = std::f64::consts::TAU * (3250.0 * t + 5500.0 / 0.020 * t * t / 2.0);
            let window = 0.5 * (1.0 + (std::f64::consts::PI * n as f64 / (half + 1) as f64).cos());
            0.6 * phase.cos() * window
        })
        .collect()
}

/// Times in seconds of all clicks in mono sound, by correlation with the click, refined by a parabola.
pub fn find(sound: &[f32], rate: f64) -> Vec<f64> {
    let shape = click(rate);
    let energy: f64 = shape.iter().map(|v| v * v).sum();
    if sound.len() < shape.len() {
        return Vec::new();
    }
    let score: Vec<f64> = sound
        .windows(shape.len())
        .map(|w| {
            // A click is loud in its middle; the rest need not be correlated.
            let middle = &w[w.len() / 2 - 12..w.len() / 2 + 12];
            if middle.iter().all(|v| v.abs() < 0.15) {
                return 0.0;
            }
            w.iter().zip(&shape).map(|(a, b)| f64::from(*a) * b).sum::<f64>() / energy
        })
        .collect();
    let mut found = Vec::new();
    for i in 1..score.len() - 1 {
        let near = i.saturating_sub(shape.len())..(i + shape.len()).min(score.len());
        if score[i] > 0.5 && near.clone().all(|j| score[j] <= score[i]) {
            let (a, b, c) = (score[i - 1], score[i], score[i + 1]);
            let top = 0.5 * (a - c) / (a - 2.0 * b + c);
            found.push((i as f64 + top + (shape.len() / 2) as f64) / rate);
        }
    }
    found
}

/// Mono 16-bit sound with noise at -60 dB and clicks at the samples nearest to the given times.
pub fn sound(rate: u32, seconds: f64, at_s: &[f64]) -> Vec<i16> {
    let mut noise = 1u64;
    let mut out: Vec<f64> = (0..(seconds * f64::from(rate)).round() as usize)
        .map(|_| {
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((noise >> 40) as f64 / f64::from(1 << 24) - 0.5) * 0.002
        })
        .collect();
    let shape = click(f64::from(rate));
    for at in at_s {
        let start = (at * f64::from(rate)).round() as usize - shape.len() / 2;
        for (o, v) in out[start..].iter_mut().zip(&shape) {
            *o += v;
        }
    }
    out.iter().map(|v| (v * 32767.0).round() as i16).collect()
}
