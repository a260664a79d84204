//! Classes of sound that comes back exactly: an instrument's prompts, loops and music from a loudspeaker, metronomes.

use std::io;
use std::sync::Arc;

use rand::rngs::SmallRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use super::stage::{between, by_logarithm, camera, coarse, open_microphone, question, record, recorder, scene_with};
use super::{Answer, Case, Job, Order, Question, Take};
use crate::sim::{Device, Playing, Scene};
use crate::sim_sound::{Material, WORLD_RATE_HZ, rms, zero_phase};

/// Nothing of a scene is recorded this near to its ends, seconds.
const EDGE_S: f64 = 2.0;
/// With so much talk in common a file has a place whatever comes back, seconds.
const ENOUGH_TALK_S: f64 = 10.0;

const PLAYING: [bool; 2] = [false, true];

/// What a clip and a recording have in common decides whether the clip must be placed.
fn answer(scene: &Scene, from_s: f64, to_s: f64) -> Answer {
    if scene.talk_s(from_s, to_s) >= ENOUGH_TALK_S { Answer::Placed } else { Answer::Perhaps }
}

/// A clip that is recorded while something is played, and what a question says about it.
fn ask(b: usize, answer: Answer, common: [bool; 2], note: String) -> Question {
    Question { common, note, ..question(0, b, answer) }
}

/// An instrument says some prompts again and again, `mean_s` apart.
fn prompt(rng: &mut SmallRng, scene: &mut Scene, prompts: &[Arc<Vec<f32>>], mean_s: f64) {
    let mut now = 1.0;
    loop {
        now += mean_s * -rng.random_range(1e-6..1.0f64).ln();
        let sound = &prompts[rng.random_range(0..prompts.len())];
        if now + sound.len() as f64 / WORLD_RATE_HZ > scene.duration_s - 1.0 {
            return;
        }
        scene.playing.push(Playing { first: (now * WORLD_RATE_HZ) as usize, sound: sound.clone() });
        now += sound.len() as f64 / WORLD_RATE_HZ;
    }
}

/// A recorder in one event, and clips of the same event or of another one in which the instrument says the same.
fn prompts(order: &Order<'_>, same_event: bool) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let mut said = order.sounds.instrument.clone();
    said.shuffle(rng);
    said.truncate(rng.random_range(3..=6));
    let mean_s = by_logarithm(rng, 2.0, 15.0);
    let length_s = between(rng, 180.0, 420.0);
    let talk = between(rng, 0.03, 0.2);
    let event = |rng: &mut SmallRng, part: usize| {
        let engine = rng.random_range(0..order.sounds.material.engines.len());
        let material = order.sounds.part(part, 2);
        let mut scene = scene_with(rng, &material, engine, length_s, talk * length_s, (0.5, length_s - 0.5));
        prompt(rng, &mut scene, &said, mean_s);
        scene
    };
    let scenes = [event(rng, 0), event(rng, 1)];
    let loudness = between(rng, -3.0, 6.0);
    let line = recorder(rng, EDGE_S, length_s - 2.0 * EDGE_S);
    let mut takes = vec![record(&scenes[0], "recorder", &Device { playing_db: Some(0.0), ..line })?];
    let mut questions = Vec::new();
    let scene = &scenes[usize::from(!same_event)];
    for clip in 0..3 {
        let clip_s = by_logarithm(rng, 20.0, 150.0);
        let start_s = between(rng, 1.5 * EDGE_S, length_s - clip_s - 2.0 * EDGE_S);
        let voice_db = between(rng, -9.0, 3.0);
        let device = Device { playing_db: Some(loudness), ..camera(rng, start_s, clip_s, voice_db) };
        takes.push(record(scene, &format!("clip-{clip}"), &device)?);
        let answer = if same_event { answer(scene, start_s, start_s + clip_s) } else { Answer::Nowhere };
        let talk_s = scene.talk_s(start_s, start_s + clip_s);
        let note = format!(
            "{clip_s:.1} s, {talk_s:.1} s of talk at {voice_db:.1} dB, {} prompts every {mean_s:.1} s at {loudness:.1} dB",
            said.len()
        );
        questions.push(ask(clip + 1, answer, PLAYING, note));
    }
    Ok(Case { takes, job: Job::Pairs(questions) })
}

/// The clips are of the recorder's own event.
pub(super) fn prompts_same_event(order: &Order<'_>) -> io::Result<Case> {
    prompts(order, true)
}

/// The clips are of another day.
pub(super) fn prompts_other_event(order: &Order<'_>) -> io::Result<Case> {
    prompts(order, false)
}

/// A loudspeaker plays one loop all the time, with little talk. Clips lie within the recording, partly beyond its end,
/// and wholly beyond.
pub(super) fn loops(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = between(rng, 300.0, 480.0);
    let mut scene = stage(rng, &order.sounds.material, length_s);
    let period_s = between(rng, 2.0, 10.0);
    let sound = Arc::new(rhythm(rng, period_s));
    for first in (0..(length_s * WORLD_RATE_HZ) as usize).step_by(sound.len()) {
        scene.playing.push(Playing { first, sound: sound.clone() });
    }
    let over_db = between(rng, 0.0, 10.0);
    let end_s = 0.6 * length_s;
    let open_db = between(rng, -3.0, 3.0);
    let a = open_microphone(rng, EDGE_S, end_s - EDGE_S, open_db);
    let mut takes = vec![record(&scene, "recorder", &Device { playing_db: Some(over_db), ..a })?];
    let mut questions = Vec::new();
    let kinds = ["within", "partly beyond", "wholly beyond"];
    for (clip, kind) in kinds.into_iter().enumerate() {
        let clip_s = between(rng, 15.0, 100.0);
        let start_s = match clip {
            0 => between(rng, 2.0 * EDGE_S, end_s - clip_s - EDGE_S),
            1 => end_s - between(rng, 0.3, 0.7) * clip_s,
            _ => between(rng, end_s + EDGE_S, length_s - clip_s - 2.0 * EDGE_S),
        };
        let voice_db = between(rng, -6.0, 3.0);
        let b = Device { playing_db: Some(over_db), ..camera(rng, start_s, clip_s, voice_db) };
        takes.push(record(&scene, kind, &b)?);
        let answer = if clip == 2 { Answer::Nowhere } else { answer(&scene, start_s, (start_s + clip_s).min(end_s)) };
        let note = format!("{kind}, {clip_s:.1} s, period {period_s:.2} s, {over_db:.1} dB over the voices");
        questions.push(ask(clip + 1, answer, [true, true], note));
    }
    Ok(Case { takes, job: Job::Pairs(questions) })
}

/// A scene at a loudspeaker: talk 3 to 25 % of the time, an engine that is there but does not rule.
fn stage(rng: &mut SmallRng, material: &Material, length_s: f64) -> Scene {
    let engine = rng.random_range(0..material.engines.len());
    let talk = by_logarithm(rng, 0.03, 0.25);
    scene_with(rng, material, engine, length_s, talk * length_s, (0.5, length_s - 0.5))
}

/// A piece is played twice in a recording. One clip has one playing of it and some talk around; another is of a day on
/// which the same piece was played.
pub(super) fn music_twice(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let piece_s = between(rng, 60.0, 180.0);
    let sound = Arc::new(piece(rng, piece_s));
    let pause_s = between(rng, 20.0, 40.0);
    let length_s = 2.0 * piece_s + 3.0 * pause_s + 10.0;
    let starts_s = [pause_s, piece_s + 2.0 * pause_s];
    let over_db = between(rng, 0.0, 10.0);
    let event = |rng: &mut SmallRng, part: usize| {
        let mut scene = stage(rng, &order.sounds.part(part, 2), length_s);
        for start_s in starts_s {
            scene.playing.push(Playing { first: (start_s * WORLD_RATE_HZ) as usize, sound: sound.clone() });
        }
        scene
    };
    let scenes = [event(rng, 0), event(rng, 1)];
    let open_db = between(rng, -3.0, 3.0);
    let a = open_microphone(rng, EDGE_S, length_s - 2.0 * EDGE_S, open_db);
    let mut takes = vec![record(&scenes[0], "recorder", &Device { playing_db: Some(over_db), ..a })?];
    let mut questions = Vec::new();
    for (other, scene) in scenes.iter().enumerate() {
        let (before_s, after_s) = (between(rng, 5.0, pause_s - 6.0), between(rng, 5.0, pause_s - 6.0));
        let start_s = starts_s[rng.random_range(0..2)] - before_s;
        let clip_s = before_s + piece_s + after_s;
        let voice_db = between(rng, -6.0, 3.0);
        let b = Device { playing_db: Some(over_db), ..camera(rng, start_s, clip_s, voice_db) };
        takes.push(record(scene, ["same day", "other day"][other], &b)?);
        let answer = if other == 1 { Answer::Nowhere } else { answer(scene, start_s, start_s + clip_s) };
        let talk_s = scene.talk_s(start_s, start_s + clip_s);
        let day = ["the same day", "another day"][other];
        let note = format!("{day}, piece of {piece_s:.0} s, {over_db:.1} dB over the voices, {talk_s:.1} s of talk");
        questions.push(ask(other + 1, answer, [true, true], note));
    }
    Ok(Case { takes, job: Job::Pairs(questions) })
}

/// Five pairs of files with nothing in common but a period.
pub(super) fn metronomes(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let mut takes = Vec::new();
    let mut questions = Vec::new();
    for variant in 0..5 {
        let period_s = by_logarithm(rng, 0.2, 4.0);
        let samples = (period_s * WORLD_RATE_HZ) as usize;
        let kind = ["clicks", "ticker", "backing loop"][rng.random_range(0..3)];
        let mut beat = vec![0f32; samples];
        match kind {
            "clicks" => hit(rng, &mut beat, 0, 0.004, None),
            "ticker" => {
                hit(rng, &mut beat, 0, 0.01, Some(2500.0));
                hit(rng, &mut beat, samples / 2, 0.01, Some(1800.0));
            }
            _ => beat = rhythm(rng, period_s),
        }
        let peak = beat.iter().fold(0f32, |m, x| m.max(x.abs()));
        beat.iter_mut().for_each(|x| *x *= 0.5 / peak.max(1e-9));
        let noise_db = between(rng, -40.0, -10.0);
        let lengths: [f64; 2] = std::array::from_fn(|_| by_logarithm(rng, 20.0, 120.0));
        let cut = rng.random_range(0..samples * 10);
        for (side, length_s) in lengths.into_iter().enumerate() {
            let gain = 10f32.powf(noise_db as f32 / 20.0);
            let sound: Vec<f32> = (0..(length_s * WORLD_RATE_HZ) as usize)
                .map(|i| beat[(i + side * cut) % samples] + gain * rng.sample::<f32, _>(StandardNormal))
                .collect();
            takes.push(Take {
                name: format!("{kind}-{variant}-{side}"),
                rate_hz: WORLD_RATE_HZ as u32,
                truth: vec![(0.0, 0.0), (length_s, length_s)],
                samples: coarse(&sound),
                ..Take::default()
            });
        }
        let note = format!("{kind}, {period_s:.3} s, noise at {noise_db:.0} dB");
        questions.push(Question { note, ..question(2 * variant, 2 * variant + 1, Answer::Nowhere) });
    }
    Ok(Case { takes, job: Job::Pairs(questions) })
}

/// Adds a hit that dies away within `decay_s`: noise, or a tone.
fn hit(rng: &mut SmallRng, sound: &mut [f32], at: usize, decay_s: f64, hz: Option<f64>) {
    for (i, x) in sound.iter_mut().skip(at).enumerate() {
        let t = i as f64 / WORLD_RATE_HZ;
        let level = (-t / decay_s).exp();
        if level < 1e-4 {
            return;
        }
        let carrier = match hz {
            Some(hz) => 1.4 * (std::f64::consts::TAU * hz * t).sin(),
            None => rng.sample::<f64, _>(StandardNormal),
        };
        *x += (level * carrier) as f32;
    }
}

/// One period of a loop: hits of noise and tones on some of its eight or sixteen steps, at unit level.
fn rhythm(rng: &mut SmallRng, period_s: f64) -> Vec<f32> {
    let mut sound = vec![0f32; (period_s * WORLD_RATE_HZ) as usize];
    let steps = [8, 16][rng.random_range(0..2)];
    for step in 0..steps {
        let at = sound.len() * step / steps;
        if step == 0 || rng.random_bool(0.4) {
            let decay_s = by_logarithm(rng, 0.01, 0.1);
            hit(rng, &mut sound, at, decay_s, None);
        }
        if rng.random_bool(0.5) {
            let hz = by_logarithm(rng, 150.0, 2500.0);
            let decay_s = between(rng, 0.05, 0.3);
            hit(rng, &mut sound, at, decay_s, Some(hz));
        }
    }
    unit(sound)
}

/// A piece of music that never repeats within itself: chords of random notes with hits of noise, at unit level.
fn piece(rng: &mut SmallRng, length_s: f64) -> Vec<f32> {
    let mut sound = vec![0f32; (length_s * WORLD_RATE_HZ) as usize];
    let mut at = 0;
    while at < sound.len() {
        for _ in 0..rng.random_range(2..5) {
            let hz = 110.0 * 2f64.powf(f64::from(rng.random_range(0..36)) / 12.0);
            let decay_s = between(rng, 0.1, 0.6);
            for overtone in 1..=4 {
                let mut part = vec![0f32; sound.len().min(at + 80_000) - at];
                hit(rng, &mut part, 0, decay_s / f64::from(overtone), Some(hz * f64::from(overtone)));
                sound[at..].iter_mut().zip(&part).for_each(|(s, p)| *s += p / overtone as f32);
            }
        }
        if rng.random_bool(0.5) {
            hit(rng, &mut sound, at, 0.03, None);
        }
        at += (by_logarithm(rng, 0.15, 0.8) * WORLD_RATE_HZ) as usize;
    }
    unit(zero_phase(&sound, |hz| if hz < 7000.0 { 1.0 } else { 0.0 }))
}

fn unit(mut sound: Vec<f32>) -> Vec<f32> {
    let level = rms(&sound).max(1e-9);
    sound.iter_mut().for_each(|x| *x /= level);
    sound
}
