//! What the generators share: scenes, devices at the cache's rate, files with their truth.

use std::io;

use rand::RngExt;
use rand::rngs::SmallRng;

use super::{Answer, Question, Take};
use crate::shoots::{any_camera, any_people, any_recorder};
use crate::sim::{Device, File, Half, Kind, Scene, SceneSpec, Source};
use crate::sim_sound::{Material, WORLD_RATE_HZ};

/// A scene with a share of talk all over it.
pub(super) fn scene(rng: &mut SmallRng, material: &Material, duration_s: f64, talk: f64) -> Scene {
    let engine = rng.random_range(0..material.engines.len());
    scene_with(rng, material, engine, duration_s, talk * duration_s, (0.5, duration_s - 0.5))
}

/// A scene with a given engine and seconds of talk within a stretch.
pub(super) fn scene_with(
    rng: &mut SmallRng,
    material: &Material,
    engine: usize,
    duration_s: f64,
    talk_s: f64,
    talk_within_s: (f64, f64),
) -> Scene {
    let (voices, _) = any_people(rng, material);
    Scene::new(
        material,
        &SceneSpec {
            seed: rng.random(),
            duration_s,
            talk_s,
            talk_within_s,
            radio_s: 0.02 * duration_s,
            voices,
            half: Half::Both,
            engine: Some(engine),
        },
    )
}

/// A camera as [`any_camera`] draws it, at the world's rate.
pub(super) fn camera(rng: &mut SmallRng, start_s: f64, length_s: f64, voice_db: f64) -> Device {
    let drawn = any_camera(rng, start_s, length_s, voice_db);
    let kbps = [32, 48, 64][rng.random_range(0..3)];
    Device {
        rate_hz: WORLD_RATE_HZ,
        aac_kbps: drawn.aac_kbps.map(|_| kbps),
        speaker_distance_m: rng.random_range(0.5..2.0),
        ..drawn
    }
}

/// A recorder on the line as [`any_recorder`] draws it, at the world's rate.
pub(super) fn recorder(rng: &mut SmallRng, start_s: f64, length_s: f64) -> Device {
    Device { rate_hz: WORLD_RATE_HZ, ..any_recorder(rng, start_s, length_s) }
}

/// When a device loses sound, and how much, seconds: 1 to 10 times a minute.
pub(super) fn losses(rng: &mut SmallRng, length_s: f64) -> Vec<(f64, f64)> {
    let a_minute = by_logarithm(rng, 1.0, 10.0);
    let mut losses = Vec::new();
    let mut now = 0.0;
    loop {
        // A device does not lose two buffers in the same moment.
        now += 1.0 + (60.0 / a_minute - 1.0) * -rng.random_range(1e-6..1.0f64).ln();
        if now > length_s - 10.0 {
            return losses;
        }
        losses.push((now, between(rng, 0.02, 0.15)));
    }
}

/// When a device's clock jumps, and by how much, seconds: a buffer lost or written twice, or seconds lost; one to four times.
pub(super) fn jumps_of_all_kinds(rng: &mut SmallRng, length_s: f64) -> Vec<(f64, f64)> {
    let count = rng.random_range(1..=4);
    let part_s = (length_s - 20.0) / f64::from(count);
    let jump = |i: i32| {
        let at_s = 10.0 + part_s * (f64::from(i) + between(rng, 0.1, 0.9));
        let lost_s = match rng.random_range(0..3) {
            0 => between(rng, 0.02, 0.15),
            1 => -between(rng, 0.02, 0.15),
            _ => by_logarithm(rng, 0.3, 10.0),
        };
        (at_s, lost_s)
    };
    (0..count).map(jump).collect()
}

/// A recorder whose line hears the engine all the time, so many dB under the voices.
pub(super) fn leaking(rng: &mut SmallRng, start_s: f64, length_s: f64, under_db: f64) -> Device {
    Device {
        voice_gate: false,
        voice_db: Some(under_db),
        engine_share: rng.random_range(0.9..0.99),
        ..recorder(rng, start_s, length_s)
    }
}

/// A recorder's microphone in the cabin, voices over engine in dB.
pub(super) fn open_microphone(rng: &mut SmallRng, start_s: f64, length_s: f64, voice_db: f64) -> Device {
    let near = rng.random_bool(0.5);
    Device {
        rate_hz: WORLD_RATE_HZ,
        drift_ppm: rng.random_range(-100.0..100.0),
        distance_m: if near { 0.3 } else { 1.5 },
        // Nobody sits nearer than 0.3 m.
        seats_m: if near { 0.0 } else { 0.25 },
        engine_distance_m: rng.random_range(1.0..3.0),
        speaker_distance_m: rng.random_range(0.5..2.0),
        wall_gain: rng.random_range(0.1..0.75),
        voice_db: Some(voice_db),
        engine_share: 0.97,
        ..Device::open_microphone(rng.random(), start_s, length_s)
    }
}

/// A file of a device as a take.
pub(super) fn take(name: &str, recording: &str, device: &Device, file: &File) -> Take {
    Take {
        name: name.to_owned(),
        recording: recording.to_owned(),
        is_camera: device.kind == Kind::Camera,
        rate_hz: file.rate_hz as u32,
        truth: file.truth.knots().to_vec(),
        later_s: [Source::Engine, Source::Playing].map(|s| device.later_s(s)),
        samples: coarse(&file.samples),
        ..Take::default()
    }
}

/// Records one file and makes a take of it.
pub(super) fn record(scene: &Scene, name: &str, device: &Device) -> io::Result<Take> {
    let files = scene.record(device)?;
    let file = files.first().ok_or_else(|| io::Error::other("a device without a file"))?;
    Ok(take(name, name, device, file))
}

/// 16-bit samples.
pub(super) fn coarse(sound: &[f32]) -> Vec<i16> {
    sound.iter().map(|x| (x.clamp(-1.0, 1.0) * 32767.0).round() as i16).collect()
}

/// Asks how `b` lies on `a`, with nothing common but the voices.
pub(super) fn question(a: usize, b: usize, answer: Answer) -> Question {
    Question { a, b, answer, common: [false; 2], nothing_s: Vec::new(), max_drift_ppm: None, note: String::new() }
}

/// Evenly from a range.
pub(super) fn between(rng: &mut SmallRng, low: f64, high: f64) -> f64 {
    rng.random_range(low..high)
}

/// Evenly by its logarithm from a range.
pub(super) fn by_logarithm(rng: &mut SmallRng, low: f64, high: f64) -> f64 {
    rng.random_range(low.ln()..high.ln()).exp()
}

/// Stretches of a scene in which nobody aboard speaks, seconds.
pub(super) fn pauses(scene: &Scene) -> Vec<(f64, f64)> {
    let mut last = 0.0f64;
    let mut pauses = Vec::new();
    for u in scene.utterances.iter().filter(|u| u.who < 2) {
        pauses.push((last, u.start_s()));
        last = last.max(u.start_s() + u.duration_s());
    }
    pauses.push((last, scene.duration_s));
    pauses.retain(|p| p.1 > p.0);
    pauses
}

/// Pauses, joined across what is said in less than so many seconds.
pub(super) fn pauses_but_for(scene: &Scene, word_s: f64) -> Vec<(f64, f64)> {
    let mut joined: Vec<(f64, f64)> = Vec::new();
    for pause in pauses(scene) {
        match joined.last_mut() {
            Some(last) if pause.0 - last.1 < word_s => last.1 = pause.1,
            _ => joined.push(pause),
        }
    }
    joined
}
