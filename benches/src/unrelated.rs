//! Pairs that share nothing, and weak ones that do: false placements, and what a confidence is worth.

use coeval::pair::{Aligner, PairOptions, PairOutcome};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use rayon::prelude::*;
use serde::Serialize;

use crate::shoots::{RIGHT_S, any_camera, any_people, any_recorder, file_error};
use crate::sim::{Device, File, Half, Scene, SceneSpec};
use crate::sim_sound::Material;

/// Why a pair has nothing in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Kind {
    /// Two cameras: other people over the same engine, at another time.
    OtherSpeechSameEngine,
    /// Two cameras: the same people say other things over the same engine.
    SameVoicesSameEngine,
    /// Two cameras: nobody speaks, the same engine at another time.
    EngineOnly,
    /// Two cameras: other people, another engine.
    OtherSpeechOtherEngine,
    /// A camera and a recorder of two shoots.
    CameraAndForeignRecorder,
    /// The same people, voices and engine in one shoot, but never both recording.
    NeverTogether,
    /// One of them holds hardly anything: hiss 40 dB and more below the other.
    NearlySilent,
    /// Two cameras with the same mains hum and wind.
    Hum,
}

impl Kind {
    /// All kinds; pairs are spread evenly over them.
    pub const ALL: [Kind; 8] = [
        Kind::OtherSpeechSameEngine,
        Kind::SameVoicesSameEngine,
        Kind::EngineOnly,
        Kind::OtherSpeechOtherEngine,
        Kind::CameraAndForeignRecorder,
        Kind::NeverTogether,
        Kind::NearlySilent,
        Kind::Hum,
    ];
}

/// Makes an unrelated pair.
///
/// # Errors
/// When ffmpeg is missing or fails.
pub fn unrelated(material: &Material, kind: Kind, seed: u64) -> std::io::Result<[File; 2]> {
    let rng = &mut SmallRng::seed_from_u64(seed);
    let (voices, engine) = any_people(rng, material);
    let others: Vec<usize> = (0..material.voices.len()).filter(|v| !voices.contains(v)).collect();
    let others = [others[0], others[rng.random_range(1..others.len())]];
    let other_engine = (engine + rng.random_range(1..material.engines.len())) % material.engines.len();
    let lengths: [f64; 2] = std::array::from_fn(|_| 15.0 * 12f64.powf(rng.random_range(0.0..1.0)));
    let voice_db: [f64; 2] = std::array::from_fn(|_| rng.random_range(-16.0..3.0));
    let share = rng.random_range(0.05..0.4);

    let make = |rng: &mut SmallRng, i: usize, voices, half, engine, talk: bool| {
        let spec = SceneSpec {
            seed: rng.random(),
            duration_s: lengths[i] + 3.0,
            talk_s: if talk { (share * lengths[i]).max(2.0) } else { 0.0 },
            talk_within_s: (0.0, lengths[i]),
            radio_s: 0.05 * lengths[i],
            voices,
            half,
            engine,
        };
        Scene::new(material, &spec)
    };
    let camera = |rng: &mut SmallRng, i: usize| -> Device {
        let mut camera = any_camera(rng, 1.0, lengths[i], voice_db[i]);
        // Half of those that would go through AAC do; the rest stay at the world's own rate, which costs least.
        if rng.random_bool(0.5) {
            camera.aac_kbps = None;
        }
        camera.rate_hz = if camera.aac_kbps.is_some() { 32_000.0 } else { 16_000.0 };
        camera
    };
    let one = |scene: &Scene, device: &Device| -> std::io::Result<File> { Ok(scene.record(device)?.remove(0)) };

    let (a, b) = (camera(rng, 0), camera(rng, 1));
    let first = make(rng, 0, voices, Half::First, Some(engine), kind != Kind::EngineOnly);
    let pair = match kind {
        Kind::OtherSpeechSameEngine => {
            [one(&first, &a)?, one(&make(rng, 1, others, Half::Second, Some(engine), true), &b)?]
        }
        Kind::SameVoicesSameEngine => {
            [one(&first, &a)?, one(&make(rng, 1, voices, Half::Second, Some(engine), true), &b)?]
        }
        Kind::EngineOnly => [one(&first, &a)?, one(&make(rng, 1, voices, Half::Second, Some(engine), false), &b)?],
        Kind::OtherSpeechOtherEngine => {
            [one(&first, &a)?, one(&make(rng, 1, others, Half::Second, Some(other_engine), true), &b)?]
        }
        Kind::CameraAndForeignRecorder => {
            let mut recorder = any_recorder(rng, 1.0, lengths[1]);
            recorder.rate_hz = 16_000.0;
            [one(&first, &a)?, one(&make(rng, 1, voices, Half::Second, Some(engine), true), &recorder)?]
        }
        Kind::NeverTogether => {
            let spec = SceneSpec {
                seed: rng.random(),
                duration_s: lengths[0] + lengths[1] + 6.0,
                talk_s: (share * (lengths[0] + lengths[1])).max(4.0),
                talk_within_s: (0.0, lengths[0] + lengths[1] + 6.0),
                radio_s: 0.0,
                voices,
                half: Half::Both,
                engine: Some(engine),
            };
            let scene = Scene::new(material, &spec);
            let later = Device { start_s: lengths[0] + 3.0, ..b };
            [one(&scene, &a)?, one(&scene, &later)?]
        }
        Kind::NearlySilent => {
            let mut file = one(&make(rng, 1, others, Half::Second, None, false), &b)?;
            file.samples.iter_mut().for_each(|x| *x *= 0.003);
            [one(&first, &a)?, file]
        }
        Kind::Hum => {
            let hz = if rng.random_bool(0.5) { 50.0 } else { 60.0 };
            let mut files = [one(&first, &a)?, one(&make(rng, 1, others, Half::Second, Some(other_engine), true), &b)?];
            for file in &mut files {
                let phases: [f64; 24] = std::array::from_fn(|_| rng.random_range(0.0..std::f64::consts::TAU));
                for (i, x) in file.samples.iter_mut().enumerate() {
                    let t = i as f64 / file.rate_hz;
                    let hum: f64 = phases
                        .iter()
                        .enumerate()
                        .map(|(k, p)| (std::f64::consts::TAU * hz * (k + 1) as f64 * t + p).sin() / (k + 1) as f64)
                        .sum();
                    *x = (*x + 0.2 * hum as f32).clamp(-1.0, 1.0);
                }
            }
            files
        }
    };
    Ok(pair)
}

/// Makes a related pair over a wide range of difficulty: camera and recorder, or two cameras.
///
/// # Errors
/// When ffmpeg is missing or fails.
pub fn related(material: &Material, seed: u64) -> std::io::Result<[File; 2]> {
    let rng = &mut SmallRng::seed_from_u64(seed);
    let (voices, engine) = any_people(rng, material);
    let length_s = 15.0 * 12f64.powf(rng.random_range(0.0..1.0));
    let starts: [f64; 2] = std::array::from_fn(|_| 1.0 + rng.random_range(0.0..0.4) * length_s);
    let common = (starts[0].max(starts[1]), starts[0].min(starts[1]) + length_s);
    let scene = Scene::new(
        material,
        &SceneSpec {
            seed: rng.random(),
            duration_s: 1.45 * length_s + 4.0,
            talk_s: (rng.random_range(0.02..0.3) * (common.1 - common.0)).max(1.5),
            talk_within_s: common,
            radio_s: 0.05 * length_s,
            voices,
            half: Half::Both,
            engine: Some(engine),
        },
    );
    let voice_db = rng.random_range(-26.0..-4.0);
    let mut camera = any_camera(rng, starts[0], length_s, voice_db);
    camera.rate_hz = 16_000.0;
    let mut other = any_recorder(rng, starts[1], length_s);
    other.rate_hz = 16_000.0;
    Ok([scene.record(&camera)?.remove(0), scene.record(&other)?.remove(0)])
}

/// One row of the calibration table.
#[derive(Debug, Clone, Serialize)]
pub struct Bin {
    /// Confidence from (inclusive).
    pub from: f64,
    /// Confidence to (exclusive but for the last).
    pub to: f64,
    /// Placements in this range.
    pub placements: usize,
    /// Their mean confidence.
    pub mean_confidence: f64,
    /// Share that is right.
    pub right: f64,
}

/// What came of all pairs.
#[derive(Debug, Clone, Serialize)]
pub struct Unrelated {
    /// Unrelated pairs tried.
    pub pairs: usize,
    /// False placements at any confidence, at 0.9 or more, at 0.99 or more.
    pub false_placements: [usize; 3],
    /// Highest confidence of a false placement.
    pub highest_false: f64,
    /// For each kind: name, pairs, false placements at any confidence and at 0.99 or more.
    pub kinds: Vec<(String, usize, usize, usize)>,
    /// Related pairs tried, placed, and placed rightly.
    pub related: [usize; 3],
    /// Confidence against truth, over all pairs.
    pub calibration: Vec<Bin>,
    /// Whether no false placement has a confidence of 0.99 or more, and the table rises and is on the safe side.
    pub holds: bool,
    /// Every false placement: kind, seed and confidence.
    pub false_ones: Vec<(Kind, u64, f64)>,
    /// Every placement of a related pair: seed, confidence and whether it is right.
    pub related_ones: Vec<(u64, f64, bool)>,
}

/// Runs `pairs` unrelated and `pairs` / 3 related pairs; `more` are other placements (confidence, right) for the table.
///
/// # Errors
/// When a pair cannot be simulated or the engine reports a fault.
pub fn run(material: &Material, pairs: usize, first_seed: u64, more: &[(f64, bool)]) -> Result<Unrelated, String> {
    let aligner = Aligner::new(PairOptions::default()).map_err(|e| e.to_string())?;
    let align = |files: &[File; 2]| -> Result<PairOutcome, String> {
        let (a, b) = (files[0].track().map_err(|e| e.to_string())?, files[1].track().map_err(|e| e.to_string())?);
        aligner.align(&a, &b, &()).map_err(|e| e.to_string())
    };
    let outcomes: Vec<(Kind, u64, Option<f64>)> = (0..pairs)
        .into_par_iter()
        .map(|i| {
            let (kind, seed) = (Kind::ALL[i % Kind::ALL.len()], first_seed + i as u64);
            let files = unrelated(material, kind, seed).map_err(|e| e.to_string())?;
            let confidence = match align(&files)? {
                PairOutcome::Placed(p) => Some(p.confidence),
                PairOutcome::Unplaced(_) => None,
            };
            Ok((kind, seed, confidence))
        })
        .collect::<Result<_, String>>()?;
    let related_outcomes: Vec<(u64, Option<(f64, bool)>)> = (0..pairs / 3)
        .into_par_iter()
        .map(|i| {
            let seed = first_seed + 1_000_000 + i as u64;
            let files = related(material, seed).map_err(|e| e.to_string())?;
            let outcome = match align(&files)? {
                PairOutcome::Placed(p) => {
                    let truth = |t: f64| files[0].truth.inverse(files[1].truth.forward(t));
                    let (_, median) = file_error(&p.map, truth, files[1].duration_s(), &[]);
                    Some((p.confidence, median <= RIGHT_S))
                }
                PairOutcome::Unplaced(_) => None,
            };
            Ok((seed, outcome))
        })
        .collect::<Result<_, String>>()?;

    let falses: Vec<f64> = outcomes.iter().filter_map(|o| o.2).collect();
    let above = |limit: f64| falses.iter().filter(|&&c| c >= limit).count();
    let kinds = Kind::ALL
        .iter()
        .map(|kind| {
            let of: Vec<Option<f64>> = outcomes.iter().filter(|o| o.0 == *kind).map(|o| o.2).collect();
            let sure = of.iter().flatten().filter(|&&c| c >= 0.99).count();
            (format!("{kind:?}"), of.len(), of.iter().flatten().count(), sure)
        })
        .collect();
    let mut all: Vec<(f64, bool)> = more.to_vec();
    all.extend(falses.iter().map(|&c| (c, false)));
    all.extend(related_outcomes.iter().filter_map(|o| o.1));
    let calibration = calibrate(&all);
    let rises = calibration.windows(2).all(|w| w[1].right >= w[0].right);
    let related_ones: Vec<(u64, f64, bool)> =
        related_outcomes.iter().filter_map(|&(seed, placed)| placed.map(|(c, right)| (seed, c, right))).collect();
    Ok(Unrelated {
        pairs,
        false_placements: [falses.len(), above(0.9), above(0.99)],
        highest_false: falses.iter().copied().fold(0.0, f64::max),
        kinds,
        related: [related_outcomes.len(), related_ones.len(), related_ones.iter().filter(|p| p.2).count()],
        holds: above(0.99) == 0 && rises && calibration.iter().all(safe),
        calibration,
        false_ones: outcomes.iter().filter_map(|&(kind, seed, c)| Some((kind, seed, c?))).collect(),
        related_ones,
    })
}

/// On the safe side: the share that is right is not below the mean confidence by more than two standard
/// deviations of counting.
fn safe(bin: &Bin) -> bool {
    let deviation = (bin.mean_confidence * (1.0 - bin.mean_confidence) / bin.placements as f64).sqrt();
    bin.right >= bin.mean_confidence - 2.0 * deviation
}

/// Placements sorted into ranges of confidence; empty ranges are left out.
pub fn calibrate(placements: &[(f64, bool)]) -> Vec<Bin> {
    const EDGES: [f64; 8] = [0.0, 0.25, 0.5, 0.75, 0.9, 0.99, 0.999, 1.0];
    EDGES
        .windows(2)
        .filter_map(|edge| {
            let inside: Vec<&(f64, bool)> = placements
                .iter()
                .filter(|p| p.0 >= edge[0] && (p.0 < edge[1] || (edge[1] == 1.0 && p.0 <= 1.0)))
                .collect();
            (!inside.is_empty()).then(|| Bin {
                from: edge[0],
                to: edge[1],
                placements: inside.len(),
                mean_confidence: inside.iter().map(|p| p.0).sum::<f64>() / inside.len() as f64,
                right: inside.iter().filter(|p| p.1).count() as f64 / inside.len() as f64,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_calibration_counts_each_placement_once() {
        let bins = calibrate(&[(0.1, false), (0.95, true), (0.95, false), (1.0, true), (0.999, true)]);
        assert_eq!(bins.iter().map(|b| b.placements).collect::<Vec<_>>(), [1, 2, 2]);
        assert_eq!((bins[1].right, bins[2].right), (0.5, 1.0));
        assert!(!safe(&Bin { placements: 1000, ..bins[1].clone() }) && safe(&bins[2]));
    }
}
