//! Sound as the page carries it: small WAV files, and outlines to look at.

use std::fmt::Write;

/// Columns of an outline.
const BINS: usize = 200;

/// Height of the box of [`columns`].
pub(super) const HEIGHT: i64 = 32;
/// What lies this far below the loudest moment is not seen, dB (own choice).
const RANGE_DB: f64 = 40.0;

/// Levels in dB as the upper edge of a filled path, one column each, in a box of [`HEIGHT`]; the loudest reaches the top.
pub(super) fn columns(levels_db: &[f64]) -> String {
    let top = levels_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let height = |level: f64| {
        let share = if level.is_finite() { (level - top + RANGE_DB) / RANGE_DB } else { 0.0 };
        (share.clamp(0.0, 1.0) * HEIGHT as f64).round() as i64
    };
    // Columns of one height are one line.
    let mut path = format!("M0 {HEIGHT}l");
    let (mut last, mut run) = (0, 0);
    for level in levels_db {
        let now = height(*level);
        if now != last {
            if run > 0 {
                let _ = write!(path, "{run} 0 ");
            }
            let _ = write!(path, "0 {} ", last - now);
            (last, run) = (now, 0);
        }
        run += 1;
    }
    let _ = write!(path, "{run} 0V{HEIGHT}z");
    path
}

/// A WAV file of 16 bits, the first sound on the left, the second on the right.
pub(super) fn stereo(left: &[f32], right: &[f32], rate_hz: u32) -> Vec<u8> {
    let frames = left.len().min(right.len());
    let bytes = (frames * 4) as u32;
    let mut wav = Vec::with_capacity(44 + frames * 4);
    wav.extend(b"RIFF");
    wav.extend((36 + bytes).to_le_bytes());
    wav.extend(b"WAVEfmt ");
    wav.extend(16u32.to_le_bytes());
    for half in [1u16, 2] {
        wav.extend(half.to_le_bytes());
    }
    wav.extend(rate_hz.to_le_bytes());
    wav.extend((rate_hz * 4).to_le_bytes());
    for half in [4u16, 16] {
        wav.extend(half.to_le_bytes());
    }
    wav.extend(b"data");
    wav.extend(bytes.to_le_bytes());
    for (l, r) in left.iter().zip(right) {
        for x in [l, r] {
            // A cast from float saturates, and turns what is no number to zero.
            wav.extend(((x * 32767.0).round() as i16).to_le_bytes());
        }
    }
    wav
}

/// Loudness over time: the first sound upwards, the second downwards, as paths in a box of the returned number of
/// columns by 64.
pub(super) fn outline(up: &[f32], down: &[f32]) -> (usize, String, String) {
    let path = |sound: &[f32], sign: i32| {
        let bin = sound.len().div_ceil(BINS).max(1);
        let levels: Vec<f32> =
            sound.chunks(bin).map(|c| (c.iter().map(|v| v * v).sum::<f32>() / c.len() as f32).sqrt()).collect();
        let most = levels.iter().fold(1e-9f32, |m, v| m.max(*v));
        let mut path = String::from("M0,32");
        for (x, level) in levels.iter().enumerate() {
            path.push_str(&format!("L{x},{}", 32 - sign * (30.0 * level / most).round() as i32));
        }
        path.push_str(&format!("L{},32Z", levels.len().max(1)));
        path
    };
    (BINS, path(up, 1), path(down, -1))
}
