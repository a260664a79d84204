//! Classes of whole folders: several events with foreign clips, a take whose chapters are partly silent.

use std::io;

use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::stage::{
    between, by_logarithm, camera, jumps_of_all_kinds, leaking, losses, record, recorder, scene, scene_with, take,
};
use super::{Case, Job, Order};
use crate::sim::Device;

/// Nothing of a scene is recorded this near to its ends, seconds.
const EDGE_S: f64 = 2.0;
/// An event takes this long, seconds.
const EVENT_S: (f64, f64) = (150.0, 360.0);

/// Two to four events, each with a recorder and one or two cameras with two to four clips, and one to four foreign
/// clips. Counters run on from event to event and from clip to clip.
fn folder(order: &Order<'_>, on_disk: bool) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let events = rng.random_range(2..=4);
    let foreign = rng.random_range(1..=4);
    let cameras = rng.random_range(1..=2);
    let ends = ["recorder", "camera-a", "camera-b"];
    let mut counters = [0; 3];
    let mut name = |who: usize| {
        counters[who] += 1;
        format!("{}-{:03}.wav", ends[who], counters[who])
    };
    let mut takes = Vec::new();
    for event in 0..events + foreign {
        let is_foreign = event >= events;
        // Foreign clips share their sentences with each other's folder neighbours as little as the events do.
        let material = order.sounds.part(event, events + foreign);
        let length_s = between(rng, EVENT_S.0, EVENT_S.1) * if is_foreign { 0.25 } else { 1.0 };
        let engine = rng.random_range(0..material.engines.len());
        let talk_s = between(rng, 0.1, 0.3) * length_s;
        let scene = scene_with(rng, &material, engine, length_s, talk_s, (0.5, length_s - 0.5));
        let mut add = |device: &Device, who: usize| -> io::Result<()> {
            let name = name(who);
            let mut take = record(&scene, &name, device)?;
            (take.event, take.foreign, take.is_camera) = (event, is_foreign, who > 0);
            takes.push(take);
            Ok(())
        };
        if is_foreign {
            let voice_db = between(rng, -9.0, 3.0);
            let device = camera(rng, EDGE_S, length_s - 2.0 * EDGE_S, voice_db);
            add(&device, 1 + rng.random_range(0..cameras))?;
            continue;
        }
        let line = match rng.random_bool(0.5) {
            true => leaking(rng, EDGE_S, length_s - 2.0 * EDGE_S, 22.0),
            false => recorder(rng, EDGE_S, length_s - 2.0 * EDGE_S),
        };
        add(&line, 0)?;
        for who in 1..=cameras {
            let voice_db = between(rng, -9.0, 3.0);
            let usual = camera(rng, 0.0, 0.0, voice_db);
            // One after the other, each somewhere in its own part of the event.
            let clips = rng.random_range(2..=4);
            let part_s = (length_s - 3.0 * EDGE_S) / f64::from(clips);
            for clip in 0..clips {
                let clip_s = by_logarithm(rng, 20.0, 60.0).min(0.9 * part_s);
                let within_s = rng.random_range(0.0..1.0) * (part_s - clip_s);
                let start_s = 1.5 * EDGE_S + f64::from(clip) * part_s + within_s;
                let device = Device { start_s, chapters: vec![(0.0, clip_s)], seed: rng.random(), ..usual.clone() };
                add(&device, who)?;
            }
        }
    }
    Ok(Case { takes, job: Job::Folder { on_disk } })
}

/// Several events, each file a recording of its own.
pub(super) fn events(order: &Order<'_>) -> io::Result<Case> {
    folder(order, false)
}

/// Several events, read from files whose names may join what does not belong together.
pub(super) fn events_on_disk(order: &Order<'_>) -> io::Result<Case> {
    folder(order, true)
}

/// Two cameras and a recorder, one of which loses sound again and again.
pub(super) fn losing_shoot(order: &Order<'_>) -> io::Result<Case> {
    // What is lost passes in true time only.
    jumping_shoot(
        order,
        |length_s| 1.03 * length_s,
        |rng, devices, length_s| {
            let loses = rng.random_range(0..devices.len());
            devices[loses].jumps = losses(rng, length_s);
        },
    )
}

/// Two cameras and a recorder, of which one, two or all lose sound or write it twice, now and then.
pub(super) fn jumps_of_all_kinds_in_a_shoot(order: &Order<'_>) -> io::Result<Case> {
    jumping_shoot(
        order,
        |length_s| length_s + 40.0,
        |rng, devices, length_s| {
            let first = rng.random_range(0..devices.len());
            let count = rng.random_range(1..=devices.len());
            for i in 0..count {
                let device = (first + i) % devices.len();
                devices[device].jumps = jumps_of_all_kinds(rng, length_s);
            }
        },
    )
}

/// Two cameras and a recorder, whose clocks `jump`; `passes_s` says how long that takes in true time.
fn jumping_shoot(
    order: &Order<'_>,
    passes_s: impl Fn(f64) -> f64,
    jump: impl Fn(&mut SmallRng, &mut [Device], f64),
) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = 60.0 * between(rng, 3.0, 8.0);
    let talk = between(rng, 0.2, 0.4);
    let scene = scene(rng, &order.sounds.material, passes_s(length_s) + 3.0 * EDGE_S, talk);
    let mut devices = vec![recorder(rng, EDGE_S + 3.0, length_s - 6.0)];
    for _ in 0..2 {
        let (start_s, voice_db) = (EDGE_S + between(rng, 0.0, 6.0), between(rng, -6.0, 3.0));
        devices.push(camera(rng, start_s, length_s - 6.0, voice_db));
    }
    jump(rng, &mut devices, length_s - 6.0);
    let names = ["recorder", "camera-a", "camera-b"];
    let takes = devices.iter().zip(names).map(|(device, name)| record(&scene, name, device));
    Ok(Case { takes: takes.collect::<io::Result<_>>()?, job: Job::Folder { on_disk: false } })
}

/// Two cameras beside a recorder of four to eight channels, as files. One channel is on the line. The others are silent, hiss, hum, hear
/// the line faintly from the wires beside it, or, two of them at the most, hear people in another place.
pub(super) fn one_useful_channel(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = 60.0 * between(rng, 2.0, 5.0);
    let lasts_s = length_s + 2.0 * EDGE_S;
    let talk = between(rng, 0.1, 0.3);
    let here = scene(rng, &order.sounds.part(0, 2), lasts_s, talk);
    let line = recorder(rng, EDGE_S, length_s);
    let mut mixed = record(&here, "recorder.wav", &line)?;
    let useful = std::mem::take(&mut mixed.samples);
    let mut channels = vec![useful.clone()];
    for _ in 0..rng.random_range(3..8) {
        let hiss = by_logarithm(rng, 6.0, 180.0);
        let hum = if rng.random_bool(0.3) { by_logarithm(rng, 100.0, 1800.0) } else { 0.0 };
        let hum_hz = [50.0, 60.0][rng.random_range(0..2)];
        let over = if rng.random_bool(0.3) { by_logarithm(rng, 0.01, 0.1) } else { 0.0 };
        let is_silent = rng.random_bool(0.2);
        let unused = |(n, x): (usize, &i16)| {
            let turn = std::f64::consts::TAU * hum_hz * n as f64 / f64::from(mixed.rate_hz);
            let heard = hum * (turn.sin() + 0.3 * (3.0 * turn).sin()) + over * f64::from(*x);
            if is_silent { 0 } else { (heard + hiss * rng.random_range(-1.7..1.7)).round() as i16 }
        };
        channels.push(useful.iter().enumerate().map(unused).collect());
    }
    for _ in 0..rng.random_range(0..3) {
        let elsewhere = scene(rng, &order.sounds.part(1, 2), lasts_s, talk);
        let device = recorder(rng, EDGE_S, length_s);
        let mut heard = record(&elsewhere, "elsewhere", &device)?.samples;
        heard.resize(useful.len(), 0);
        let place = rng.random_range(1..channels.len());
        channels[place] = heard;
    }
    let place = rng.random_range(0..channels.len());
    channels.swap(0, place);
    mixed.samples = (0..useful.len()).flat_map(|n| channels.iter().map(move |c| c[n])).collect();
    mixed.more_channels = channels.len() - 1;
    let mut takes = vec![mixed];
    for name in ["camera-a.wav", "camera-b.wav"] {
        let (start_s, voice_db) = (EDGE_S + between(rng, 0.0, 6.0), between(rng, -9.0, 3.0));
        takes.push(record(&here, name, &camera(rng, start_s, length_s - 8.0, voice_db))?);
    }
    Ok(Case { takes, job: Job::Folder { on_disk: true } })
}

/// A camera's take of seven chapters beside a recorder. In two of them nobody talks and the line is shut.
pub(super) fn silent_chapters(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let chapter_s = between(rng, 45.0, 90.0);
    let chapters: Vec<(f64, f64)> = (0..7)
        .map(|i| if i == 0 { (0.0, chapter_s) } else { ([0.0, 0.0, -0.1, 0.04][rng.random_range(0..4)], chapter_s) })
        .collect();
    let length_s = 7.0 * chapter_s + 30.0;
    let engine = rng.random_range(0..order.sounds.material.engines.len());
    let talk = between(rng, 0.15, 0.35);
    let within_s = (0.5, length_s - 0.5);
    let mut scene = scene_with(rng, &order.sounds.material, engine, length_s, talk * length_s, within_s);
    let voice_db = between(rng, -9.0, 3.0);
    let video = Device { chapters, ..camera(rng, 10.0, 0.0, voice_db) };
    let first = rng.random_range(1..4);
    let silent = [first, rng.random_range(first + 1..6)];
    for chapter in silent {
        // A second more at each end: what is left out by a clock's drift or a room's tail is no evidence either.
        let from_s = 10.0 + chapter as f64 * chapter_s - 1.0;
        let to_s = from_s + chapter_s + 2.0;
        scene.utterances.retain(|u| u.start_s() > to_s || u.start_s() + u.duration_s() < from_s);
    }
    let line = recorder(rng, EDGE_S, length_s - 2.0 * EDGE_S);
    let mut takes = Vec::new();
    for (i, file) in scene.record(&video)?.iter().enumerate() {
        let mut chapter = take(&format!("camera-{:03}", i + 1), "camera", &video, file);
        chapter.silent = silent.contains(&i);
        takes.push(chapter);
    }
    takes.push(record(&scene, "recorder", &line)?);
    Ok(Case { takes, job: Job::Folder { on_disk: false } })
}
