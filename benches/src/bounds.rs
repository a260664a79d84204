//! White signals in noise: how near offset and drift come to the Cramer-Rao bound, and where they break down.
//!
//! Two devices hear one band-limited noise (300 to 3400 Hz, 60 s), each under independent noise of the same
//! band. The bound for equal signal-to-noise ratio `s` on both sides and a flat band `f1..f2` is
//! `var = 3 (1 + 2 s) / (8 pi^2 T (f2^3 - f1^3) s^2)` for the delay in the middle of the overlap `T`, and
//! `sqrt(12) sigma / T` for the drift (Knapp & Carter 1976 for the delay; the Fisher matrix of delay and
//! slope is diagonal about the middle).

use std::io::Write;
use std::path::Path;
use std::process::Command;

use coeval::clock::ClockMap;
use coeval::pair::{Aligner, PairOptions, PairOutcome};
use coeval::resample::{ResampleOptions, Route, resample};
use coeval::track::{Track, TrackBuilder};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::sim_sound::{WORLD_RATE_HZ, zero_phase};

const RATE_HZ: f64 = 8000.0;
const LENGTH_S: f64 = 60.0;
const BAND_HZ: (f64, f64) = (300.0, 3400.0);
/// `b` starts this much later than `a`.
const LATER_S: f64 = 3.3;
/// An error beyond this is gross: a drift of 50 ppm alone smears a whole-file peak over 3 ms.
const GROSS_S: f64 = 0.003;

/// One row of the table.
#[derive(Debug, Clone, Serialize)]
pub struct Row {
    /// Signal-to-noise ratio on either side, dB.
    pub snr_db: f64,
    /// Drift of `b`, ppm.
    pub drift_ppm: f64,
    /// Draws.
    pub draws: usize,
    /// Root mean square error of the offset in the middle over the bound, gross errors left out.
    pub offset_over_bound: f64,
    /// The same for drift.
    pub drift_over_bound: f64,
    /// Share of draws that are unplaced or off by more than 3 ms: ours, SciPy plain, SciPy PHAT.
    pub gross: [f64; 3],
    /// Share of draws placed wrongly with confidence 0.99 or more.
    pub false_sure: f64,
    /// Root mean square error of SciPy's offsets that are not gross, ms: plain, PHAT.
    pub scipy_rmse_ms: [f64; 2],
}

/// The bound for the delay, seconds, at signal-to-noise ratio `s` over `seconds`.
pub fn bound_s(s: f64, seconds: f64) -> f64 {
    let cubes = BAND_HZ.1.powi(3) - BAND_HZ.0.powi(3);
    (3.0 * (1.0 + 2.0 * s) / (8.0 * std::f64::consts::PI.powi(2) * seconds * cubes * s * s)).sqrt()
}

fn noise(rng: &mut SmallRng, seconds: f64, gain: f32) -> Vec<f32> {
    let white: Vec<f32> = (0..(seconds * RATE_HZ) as usize).map(|_| rng.sample::<f32, _>(StandardNormal)).collect();
    // The filter counts frequency at the simulator's own rate.
    let pass = |f: f64| if (BAND_HZ.0..=BAND_HZ.1).contains(&(f * RATE_HZ / WORLD_RATE_HZ)) { gain } else { 0.0 };
    zero_phase(&white, pass)
}

fn draw(seed: u64, snr_db: f64, drift_ppm: f64) -> Result<[Vec<f32>; 2], coeval::Error> {
    let mut rng = SmallRng::seed_from_u64(seed);
    let common = noise(&mut rng, LENGTH_S + 30.0, 1.0);
    let slope = 1.0 + drift_ppm * 1e-6;
    // Source time of the first and the last moment of each device's file.
    let spans = [(10.0, 10.0 + LENGTH_S), (10.0 + LATER_S, 10.0 + LATER_S + LENGTH_S * slope)];
    let mut out = Vec::new();
    for (from, to) in spans {
        let map = ClockMap::from_knots(vec![(from, 0.0), (to, LENGTH_S)])?;
        let options = ResampleOptions::new(RATE_HZ, RATE_HZ, 1, (LENGTH_S * RATE_HZ) as u64);
        let mut heard = resample(&common, &Route::onto_timeline(&map), &options)?;
        let own = noise(&mut rng, LENGTH_S, 10f32.powf(-snr_db as f32 / 20.0));
        heard.iter_mut().zip(own).for_each(|(h, o)| *h += o);
        out.push(heard);
    }
    let b = out.pop().unwrap_or_default();
    Ok([out.pop().unwrap_or_default(), b])
}

fn track(samples: &[f32]) -> Result<Track, coeval::Error> {
    let mut builder = TrackBuilder::new(RATE_HZ, 1)?;
    builder.push(samples)?;
    Ok(builder.finish())
}

#[derive(Deserialize)]
struct Scipy {
    plain: f64,
    phat: f64,
}

/// Runs one row. `python`: an interpreter that has NumPy and SciPy.
///
/// # Errors
/// In words: what failed.
pub fn run_row(snr_db: f64, drift_ppm: f64, draws: usize, seed: u64, python: &str) -> Result<Row, String> {
    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    let aligner = Aligner::new(PairOptions::default()).map_err(|e| e.to_string())?;
    let slope = 1.0 + drift_ppm * 1e-6;
    let overlap_s = (LENGTH_S - LATER_S) / slope;
    let middle_s = overlap_s / 2.0;
    let truth = |b_s: f64| LATER_S + b_s * slope;
    let ours: Vec<(f64, f64, f64)> = (0..draws)
        .into_par_iter()
        .map(|i| {
            let [a, b] = draw(seed + 1000 * i as u64, snr_db, drift_ppm).map_err(|e| e.to_string())?;
            for (name, samples) in [("a", &a), ("b", &b)] {
                let bytes: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
                write(&folder.path().join(format!("{i}.{name}.f32")), &bytes)?;
            }
            let (a, b) = (track(&a).map_err(|e| e.to_string())?, track(&b).map_err(|e| e.to_string())?);
            Ok(match aligner.align(&a, &b, &()).map_err(|e| e.to_string())? {
                PairOutcome::Placed(p) => {
                    (p.map.forward(middle_s) - truth(middle_s), p.map.drift_ppm() - drift_ppm, p.confidence)
                }
                PairOutcome::Unplaced(_) => (f64::INFINITY, f64::INFINITY, 0.0),
            })
        })
        .collect::<Result<_, String>>()?;
    let output = Command::new(python)
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/scripts/scipy_offsets.py"))
        .arg(folder.path())
        .arg(RATE_HZ.to_string())
        .output()
        .map_err(|e| format!("{python}: {e}"))?;
    if !output.status.success() {
        return Err(format!("{python}: {}", String::from_utf8_lossy(&output.stderr)));
    }
    let scipy: Vec<Scipy> = String::from_utf8_lossy(&output.stdout)
        .lines()
        .map(|l| serde_json::from_str(l).map_err(|e| e.to_string()))
        .collect::<Result<_, _>>()?;
    let rms = |errors: &[f64]| (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
    let gross = |errors: &[f64]| errors.iter().filter(|e| e.abs() > GROSS_S).count() as f64 / draws as f64;
    let near = |errors: &[f64]| errors.iter().copied().filter(|e| e.abs() <= GROSS_S).collect::<Vec<f64>>();
    let offsets: Vec<f64> = ours.iter().map(|o| o.0).collect();
    let drifts: Vec<f64> = ours.iter().filter(|o| o.0.abs() <= GROSS_S).map(|o| o.1).collect();
    // One number for the whole file can be right in the middle at best.
    let whole_file =
        |get: fn(&Scipy) -> f64| -> Vec<f64> { scipy.iter().map(|s| get(s) - (truth(middle_s) - middle_s)).collect() };
    let (plain, phat) = (whole_file(|s| s.plain), whole_file(|s| s.phat));
    let s = 10f64.powf(snr_db / 10.0);
    let bound = bound_s(s, overlap_s);
    let false_sure = ours.iter().filter(|o| o.0.is_finite() && o.0.abs() > GROSS_S && o.2 >= 0.99).count();
    Ok(Row {
        snr_db,
        drift_ppm,
        draws,
        offset_over_bound: rms(&near(&offsets)) / bound,
        drift_over_bound: rms(&drifts) * 1e-6 / (12f64.sqrt() * bound / overlap_s),
        gross: [gross(&offsets), gross(&plain), gross(&phat)],
        false_sure: false_sure as f64 / draws as f64,
        scipy_rmse_ms: [rms(&near(&plain)) * 1e3, rms(&near(&phat)) * 1e3],
    })
}

/// Signal-to-noise ratio at which half the draws are gross errors, dB, by linear interpolation; `None`
/// where the rows do not cross it. Rows ascend in ratio.
pub fn threshold_db(rows: &[(f64, f64)]) -> Option<f64> {
    rows.windows(2).find(|w| w[0].1 >= 0.5 && w[1].1 < 0.5).map(|w| {
        let share = (w[0].1 - 0.5) / (w[0].1 - w[1].1);
        w[0].0 + share * (w[1].0 - w[0].0)
    })
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), String> {
    let mut file = std::fs::File::create(path).map_err(|e| e.to_string())?;
    file.write_all(bytes).map_err(|e| e.to_string())
}
