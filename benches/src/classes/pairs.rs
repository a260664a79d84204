//! Classes of two devices: clips beside a recorder, paths of their own for voices and engine, clocks that drift, wander
//! or lose buffers, and files that share nothing.

use std::io;

use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};

use super::stage::{
    between, by_logarithm, camera, leaking, losses, open_microphone, pauses, pauses_but_for, question, record,
    recorder, scene,
};
use super::{Answer, Case, Job, Order, Question};
use crate::sim::{Device, Scene};
use crate::sim_sound::WORLD_RATE_HZ;
use crate::unrelated::{self, Kind};

/// Nothing of a scene is recorded this near to its ends, seconds.
const EDGE_S: f64 = 2.0;

/// A word between two jumps that is shorter cannot be asked to tell them apart, seconds: own choice.
const WORD_S: f64 = 1.0;

const ENGINE: [bool; 2] = [true, false];

/// Three clips with talk and two without, of 5 to 30 s, beside a recorder that hears the engine too.
pub(super) fn b_roll(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = if order.long { 41.0 * 60.0 } else { between(rng, 480.0, 720.0) };
    let talk = between(rng, 0.05, 0.25);
    let scene = scene(rng, &order.sounds.material, length_s + 2.0 * EDGE_S, talk);
    let under_db = between(rng, 10.0, 25.0);
    let line = leaking(rng, EDGE_S, length_s - 1.0, under_db);
    let voice_db = between(rng, -12.0, 3.0);
    let usual = camera(rng, 0.0, 0.0, voice_db);
    let mut takes = vec![record(&scene, "recorder", &line)?];
    let mut questions = Vec::new();
    for clip in 0..5 {
        let wanted_s = by_logarithm(rng, 5.0, 30.0);
        let (start_s, length_s) =
            if clip < 3 { around_talk(rng, &scene, wanted_s) } else { in_a_pause(rng, &scene, wanted_s) };
        let device = Device { start_s, chapters: vec![(0.0, length_s)], seed: rng.random(), ..usual.clone() };
        takes.push(record(&scene, &format!("clip-{clip}"), &device)?);
        let note = format!(
            "{length_s:.1} s, {:.1} s of talk at {voice_db:.1} dB, leak at -{under_db:.1} dB",
            scene.talk_s(start_s, start_s + length_s)
        );
        questions.push(Question { common: ENGINE, note, ..question(0, clip + 1, Answer::Placed) });
    }
    Ok(Case { takes, job: Job::Pairs(questions) })
}

/// A clip of some length with one whole sentence in it at least: its start and length, seconds.
fn around_talk(rng: &mut SmallRng, scene: &Scene, length_s: f64) -> (f64, f64) {
    let room = |s: f64| s > 2.0 * EDGE_S && s < scene.duration_s - 3.0 * EDGE_S;
    let fits = scene.utterances.iter().filter(|u| u.who < 2 && room(u.start_s()) && room(u.start_s() + u.duration_s()));
    let fits: Vec<_> = fits.filter(|u| u.duration_s() < 0.8 * length_s).collect();
    if fits.is_empty() {
        return (between(rng, 3.0 * EDGE_S, scene.duration_s - length_s - 4.0 * EDGE_S), length_s);
    }
    let said = fits[rng.random_range(0..fits.len())];
    let before = rng.random_range(0.1..0.9) * (length_s - said.duration_s());
    ((said.start_s() - before).clamp(1.5 * EDGE_S, scene.duration_s - length_s - 2.5 * EDGE_S), length_s)
}

/// A clip in which nobody speaks, of some length if there is a pause as long: its start and length, seconds.
fn in_a_pause(rng: &mut SmallRng, scene: &Scene, length_s: f64) -> (f64, f64) {
    let mut pauses = pauses(scene);
    pauses.retain(|p| p.0 > 2.0 * EDGE_S && p.1 < scene.duration_s - 3.0 * EDGE_S);
    // A room rings on for a while after a sentence.
    let free = |p: &(f64, f64)| p.1 - p.0 - 0.5;
    pauses.sort_by(|x, y| free(y).total_cmp(&free(x)));
    let length_s = length_s.min(pauses.first().map_or(5.0, free));
    pauses.retain(|p| free(p) >= length_s);
    let (from, to) = pauses.get(rng.random_range(0..pauses.len().max(1))).copied().unwrap_or((10.0, 20.0));
    (from + 0.4 + rng.random_range(0.0..1.0) * (to - from - 0.5 - length_s).max(0.0), length_s)
}

/// A camera and a recorder that run for most of a scene of some minutes.
fn two(rng: &mut SmallRng, order: &Order<'_>, minutes: (f64, f64), talk: (f64, f64)) -> (Scene, [(f64, f64); 2]) {
    let length_s = 60.0 * between(rng, minutes.0, minutes.1);
    let talk = between(rng, talk.0, talk.1);
    let scene = scene(rng, &order.sounds.material, length_s, talk);
    let spans = std::array::from_fn(|_| {
        let start_s = EDGE_S + rng.random_range(0.0..0.12) * length_s;
        (start_s, length_s - EDGE_S - start_s - rng.random_range(0.0..0.12) * length_s)
    });
    (scene, spans)
}

fn one_pair(scene: &Scene, a: &Device, b: &Device, question: Question) -> io::Result<Case> {
    let takes = vec![record(scene, "a", a)?, record(scene, "b", b)?];
    Ok(Case { takes, job: Job::Pairs(vec![question]) })
}

/// A camera beside a recorder's line that hears the engine all the time.
pub(super) fn leaking_line(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let (scene, spans) = two(rng, order, (3.0, 10.0), (0.05, 0.25));
    let (voice_db, under_db) = (between(rng, -12.0, 0.0), between(rng, 10.0, 30.0));
    let a = camera(rng, spans[0].0, spans[0].1, voice_db);
    let b = leaking(rng, spans[1].0, spans[1].1, under_db);
    let note = format!("voices at {voice_db:.1} dB, leak at -{under_db:.1} dB");
    one_pair(&scene, &a, &b, Question { common: ENGINE, note, ..question(0, 1, Answer::Placed) })
}

/// A camera beside a recorder with a microphone in the cabin.
pub(super) fn open_microphone_beside(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let (scene, spans) = two(rng, order, (3.0, 9.0), (0.1, 0.3));
    let (voice_db, open_db) = (between(rng, -12.0, 0.0), between(rng, -3.0, 3.0));
    let a = camera(rng, spans[0].0, spans[0].1, voice_db);
    let b = open_microphone(rng, spans[1].0, spans[1].1, open_db);
    let note = format!("voices at {voice_db:.1} and {open_db:.1} dB, {:.1} m", b.distance_m);
    one_pair(&scene, &a, &b, Question { common: ENGINE, note, ..question(0, 1, Answer::Placed) })
}

/// One device loses 20 to 150 ms one to ten times a minute.
pub(super) fn lost_buffers(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = 60.0 * between(rng, 3.0, 8.0);
    let talk = between(rng, 0.2, 0.4);
    // What is lost passes in true time only.
    let scene = scene(rng, &order.sounds.material, 1.03 * length_s + 3.0 * EDGE_S, talk);
    let (voice_db, leaks) = (between(rng, -6.0, 3.0), rng.random_bool(0.5));
    let mut a = camera(rng, EDGE_S, length_s, voice_db);
    let mut b = if leaks {
        leaking(rng, EDGE_S + 3.0, length_s - 6.0, 20.0)
    } else {
        recorder(rng, EDGE_S + 3.0, length_s - 6.0)
    };
    let losses = losses(rng, length_s);
    let camera_loses = rng.random_bool(0.5);
    let note = format!(
        "{} losses by the {}, voices at {voice_db:.1} dB{}",
        losses.len(),
        if camera_loses { "camera" } else { "recorder" },
        if leaks { ", leak at -20 dB" } else { "" }
    );
    if camera_loses {
        a.jumps = losses
    } else {
        b.jumps = losses
    }
    let nothing_s = if leaks { Vec::new() } else { pauses_but_for(&scene, WORD_S) };
    one_pair(&scene, &a, &b, Question { common: [leaks, false], nothing_s, note, ..question(0, 1, Answer::Placed) })
}

/// Every seventh of the drifts from -1200 to 1200 ppm, from another one on for each seed; seven seeds have all.
fn drifts(order: &Order<'_>, ask: impl Fn(f64) -> Vec<(f64, Answer)>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = between(rng, 100.0, 200.0);
    let scene = scene(rng, &order.sounds.material, length_s + 2.0 * EDGE_S, 0.4);
    let device = |start_s, length_s, drift_ppm| Device {
        rate_hz: WORLD_RATE_HZ,
        drift_ppm,
        ..Device::recorder(1, start_s, length_s)
    };
    let mut takes = vec![record(&scene, "a", &device(EDGE_S, length_s - 1.0, 0.0))?];
    let mut questions = Vec::new();
    let turn = rng.random_range(0..7);
    for k in 0..49i32 {
        let drift_ppm = f64::from(50 * (k - 24));
        let asked = ask(drift_ppm);
        if k % 7 != turn || asked.is_empty() {
            continue;
        }
        let start_s = between(rng, EDGE_S, EDGE_S + 10.0);
        takes.push(record(&scene, &format!("{drift_ppm:.0} ppm"), &device(start_s, length_s - 15.0, drift_ppm))?);
        for (max_drift_ppm, answer) in asked {
            let note = format!("{drift_ppm:.0} ppm, limit {max_drift_ppm:.0}");
            let question = question(0, takes.len() - 1, answer);
            questions.push(Question { max_drift_ppm: Some(max_drift_ppm), note, ..question });
        }
    }
    Ok(Case { takes, job: Job::Pairs(questions) })
}

/// Clock differences that the limit permits, without noise.
pub(super) fn drift_within(order: &Order<'_>) -> io::Result<Case> {
    drifts(order, |ppm| [500.0, 1200.0].into_iter().filter(|m| ppm.abs() <= *m).map(|m| (m, Answer::Placed)).collect())
}

/// Clock differences beyond the limit.
pub(super) fn drift_beyond(order: &Order<'_>) -> io::Result<Case> {
    drifts(order, |ppm| if ppm.abs() > 500.0 { vec![(500.0, Answer::Perhaps)] } else { Vec::new() })
}

/// Two files of different events, of 1 to 10 min, and a pair of [`unrelated`].
pub(super) fn nothing_common(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let same_engine = rng.random_bool(0.5);
    let engine = rng.random_range(0..order.sounds.material.engines.len());
    let mut takes = Vec::new();
    let line = rng.random_range(0..3);
    for side in 0..2 {
        let length_s = by_logarithm(rng, 60.0, 600.0);
        let own = rng.random_range(0..order.sounds.material.engines.len());
        let talk_s = between(rng, 0.05, 0.3) * length_s;
        let engine = if same_engine { engine } else { own };
        let part = order.sounds.part(side, 2);
        let scene = super::stage::scene_with(rng, &part, engine, length_s + 2.0 * EDGE_S, talk_s, (0.5, length_s));
        let voice_db = between(rng, -12.0, 3.0);
        let device = match (side, line) {
            (1, 1) => recorder(rng, EDGE_S, length_s),
            (1, 2) => leaking(rng, EDGE_S, length_s, 20.0),
            _ => camera(rng, EDGE_S, length_s, voice_db),
        };
        takes.push(record(&scene, &format!("event-{side}"), &device)?);
    }
    let kind = Kind::ALL[(order.seed % Kind::ALL.len() as u64) as usize];
    for (i, file) in unrelated::unrelated(&order.sounds.material, kind, rng.random())?.iter().enumerate() {
        takes.push(super::stage::take(&format!("unrelated-{i}"), "", &Device::camera(0, 0.0, 1.0), file));
    }
    let what = ["camera and camera", "camera and line", "camera and leaking line"][line];
    let notes = [format!("{what}, {} engine", if same_engine { "the same" } else { "any" }), format!("{kind:?}")];
    let questions = notes.into_iter().enumerate();
    let questions = questions.map(|(i, note)| Question { note, ..question(2 * i, 2 * i + 1, Answer::Nowhere) });
    Ok(Case { takes, job: Job::Pairs(questions.collect()) })
}

fn weak(
    order: &Order<'_>,
    minutes: (f64, f64),
    voice_db: (f64, f64),
    talk_s: impl Fn(&mut SmallRng, f64) -> f64,
) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = 60.0 * between(rng, minutes.0, minutes.1);
    let (voice_db, talk_s) = (between(rng, voice_db.0, voice_db.1), talk_s(rng, length_s));
    let lead_s = EDGE_S + 0.2 * length_s;
    let engine = rng.random_range(0..order.sounds.material.engines.len());
    let scene = super::stage::scene_with(
        rng,
        &order.sounds.material,
        engine,
        length_s + 2.0 * lead_s + EDGE_S,
        talk_s,
        (lead_s + 0.2, lead_s + length_s - 0.2),
    );
    let mut around = || rng.random_range(0.0..0.2) * length_s;
    let spans: [(f64, f64); 2] = std::array::from_fn(|_| {
        let before = around();
        (lead_s - before, before + length_s + around())
    });
    let a = camera(rng, spans[0].0, spans[0].1, voice_db);
    let b = recorder(rng, spans[1].0, spans[1].1);
    let note = format!("voices at {voice_db:.1} dB, {talk_s:.1} s of talk");
    one_pair(&scene, &a, &b, Question { note, ..question(0, 1, Answer::Placed) })
}

/// 20 to 60 s of talk at -16 dB.
pub(super) fn weak_16(order: &Order<'_>) -> io::Result<Case> {
    weak(order, (2.0, 8.0), (-16.001, -16.0), |rng, _| between(rng, 20.0, 60.0))
}

/// Talk in 10 to 30 % of the time at -20 dB.
pub(super) fn weak_20(order: &Order<'_>) -> io::Result<Case> {
    let mut case = weak(order, (5.0, 10.0), (-20.001, -20.0), |rng, length_s| between(rng, 0.1, 0.3) * length_s)?;
    if let Job::Pairs(questions) = &mut case.job {
        questions.iter_mut().for_each(|q| q.answer = Answer::Perhaps);
    }
    Ok(case)
}

/// 3 to 6 s of talk at -9 to 0 dB.
pub(super) fn weak_seconds(order: &Order<'_>) -> io::Result<Case> {
    weak(order, (1.0, 3.0), (-9.0, 0.0), |rng, _| between(rng, 3.0, 6.0))
}

/// The recorder's drift goes up and down by 25 ppm, and its line leaks.
pub(super) fn wander(order: &Order<'_>) -> io::Result<Case> {
    let rng = &mut SmallRng::seed_from_u64(order.seed);
    let length_s = 60.0 * between(rng, 20.0, 40.0);
    let talk = between(rng, 0.05, 0.15);
    let scene = scene(rng, &order.sounds.material, length_s + 4.0 * EDGE_S, talk);
    let (voice_db, under_db) = (between(rng, -9.0, -3.0), between(rng, 12.0, 25.0));
    let a = camera(rng, EDGE_S, length_s, voice_db);
    let mut b = leaking(rng, EDGE_S + 1.0, length_s - 1.0, under_db);
    b.wander = Some((25.0, between(rng, 900.0, 2400.0)));
    let note = format!("voices at {voice_db:.1} dB, leak at -{under_db:.1} dB");
    one_pair(&scene, &a, &b, Question { common: ENGINE, note, ..question(0, 1, Answer::Placed) })
}
