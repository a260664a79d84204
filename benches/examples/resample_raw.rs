//! Resamples raw mono 32-bit float sound from standard input to standard output:
//! `resample_raw SOURCE_HZ TARGET_HZ DRIFT_PPM`. For `benches/py/resample_beside_soxr.py`.

use std::io::{Read, Write};

use coeval::clock::ClockMap;
use coeval::resample::{ResampleOptions, Route, resample};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let numbers: Vec<f64> = std::env::args().skip(1).map(|a| a.parse()).collect::<Result<_, _>>()?;
    let [source_rate_hz, target_rate_hz, drift_ppm] = numbers[..] else {
        return Err("usage: resample_raw SOURCE_HZ TARGET_HZ DRIFT_PPM".into());
    };
    let mut bytes = Vec::new();
    std::io::stdin().read_to_end(&mut bytes)?;
    let source: Vec<f32> = bytes.as_chunks().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
    let seconds = source.len() as f64 / source_rate_hz;
    let map = ClockMap::linear(0.0, drift_ppm, seconds);
    let frames = (seconds * (1.0 + drift_ppm * 1e-6) * target_rate_hz).round() as u64;
    let options = ResampleOptions::new(source_rate_hz, target_rate_hz, 1, frames);
    let output = resample(&source, &Route::onto_timeline(&map), &options)?;
    let bytes: Vec<u8> = output.iter().flat_map(|x| x.to_le_bytes()).collect();
    std::io::stdout().write_all(&bytes)?;
    Ok(())
}
