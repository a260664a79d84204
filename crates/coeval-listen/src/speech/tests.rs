use super::curve::{SpeechCurve, SpeechOptions};
use super::listener::{LINE_BELOW, SpeechBuilder, line_in};
use super::origin::{CameraEvidence, OriginSpan, origins};
use super::segment::{Origin, SHARED, SpeechSegment};
use super::shared::{ENGINE_UNDER_DB, Reception, SharedMeter, spoken};
use coeval::ErrorKind;

/// Seeded noise, -1 to 1.
fn noise(seed: u64) -> impl FnMut() -> f32 {
    let mut state = seed;
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    }
}

#[test]
fn a_curve_is_as_long_as_its_sound_at_any_rate_and_in_any_blocks() {
    for (rate, block) in [(16_000.0, 777), (48_000.0, 4096), (44_100.0, 100_000), (8_000.0, 1)] {
        let mut next = noise(1);
        let sound: Vec<f32> = (0..(2.345 * rate) as usize).map(|_| 0.1 * next()).collect();
        let mut builder = SpeechBuilder::new(rate, 1).unwrap();
        sound.chunks(block).for_each(|b| builder.push(b).unwrap());
        let curve = builder.finish();
        assert_eq!(curve.probability().len(), 235, "{rate}");
        assert!(curve.probability().iter().all(|p| (0.0..=1.0).contains(p)));
    }
    assert!(SpeechBuilder::new(16_000.0, 1).unwrap().finish().probability().is_empty());
}

#[test]
fn blocks_do_not_matter() {
    let mut next = noise(2);
    let sound: Vec<f32> = (0..16_000 * 20).map(|i| if i / 40_000 % 2 == 0 { next() } else { 0.01 }).collect();
    let hear = |block: usize| {
        let mut builder = SpeechBuilder::new(16_000.0, 1).unwrap();
        sound.chunks(block).for_each(|b| builder.push(b).unwrap());
        builder.finish()
    };
    assert_eq!(hear(160), hear(50_001));
}

#[test]
fn hostile_samples_and_arguments() {
    let mut builder = SpeechBuilder::new(16_000.0, 2).unwrap();
    builder.push(&[f32::NAN, f32::INFINITY, 1e30, 2e38, -1e38, 0.0].repeat(5000)).unwrap();
    assert!(builder.push(&[0.0; 3]).is_err());
    assert!(builder.finish().probability().iter().all(|p| p.is_finite()));
    for (rate, channels) in [(0.0, 1), (f64::NAN, 1), (16_000.0, 0), (16_000.0, 65)] {
        assert!(SpeechBuilder::new(rate, channels).is_err());
    }
    assert!(SpeechCurve::from_values(vec![0.0, f32::NAN]).is_err());
    assert!(SpeechCurve::from_values(vec![1.5]).is_err());
    let curve = SpeechCurve::from_values(vec![0.5]).unwrap();
    for options in [
        SpeechOptions { enter: 2.0, ..SpeechOptions::default() },
        SpeechOptions { leave: 0.9, ..SpeechOptions::default() },
        SpeechOptions { min_pause_s: -1.0, ..SpeechOptions::default() },
        SpeechOptions { hang_over_s: f64::NAN, ..SpeechOptions::default() },
    ] {
        assert_eq!(curve.segments(&options).unwrap_err().kind(), ErrorKind::InvalidArgument);
    }
}

#[test]
fn the_line_follows_the_recording_and_stays_where_nobody_speaks() {
    let mut next = noise(4);
    let mut odds = |rest: f32, speech: f32, share: usize| -> Vec<f32> {
        (0..2000).map(|i| if i % 100 < share { speech } else { rest } + next()).collect()
    };
    assert!((line_in(&odds(-4.0, 4.0, 30)) + LINE_BELOW).abs() < 0.3);
    // A faint voice, and an engine that looks like one: the line lies in the gap between the two.
    for (rest, speech) in [(-5.0, 1.0), (-0.5, 4.0)] {
        let line = line_in(&odds(rest, speech, 30));
        assert!(line > rest + 1.0 && line < speech - 1.0, "{line} between {rest} and {speech}");
    }
    // Not a word, in quiet or noise: the line is not lowered to it.
    for rest in [-6.0, -4.0, -2.0, 0.0] {
        assert!(line_in(&odds(rest, 0.0, 0)) > -0.01, "{rest}");
    }
    assert!(line_in(&[]).is_finite());
}

#[test]
fn segments_follow_the_thresholds() {
    let mut p = vec![0.0f32; 1000];
    p[100..200].fill(0.9);
    p[220..300].fill(0.9); // A pause of 0.2 s is part of the speech.
    p[500..505].fill(0.99); // 50 ms are no speech.
    p[600..700].fill(0.6); // Never sure.
    p[800..900].fill(0.6);
    p[840..860].fill(0.9); // Sure in its middle: from where it rose to where it fell.
    let options = SpeechOptions { hang_over_s: 0.05, ..SpeechOptions::default() };
    let found = SpeechCurve::from_values(p).unwrap().segments(&options).unwrap();
    let spans: Vec<(i64, i64)> =
        found.iter().map(|s| ((s.start_s * 1e3).round() as i64, (s.end_s * 1e3).round() as i64)).collect();
    assert_eq!(spans, [(1000, 3050), (8000, 9050)]);
}

#[test]
fn what_may_be_a_word_is_in_no_stretch_that_is_sure() {
    let mut p = vec![0.0f32; 1000];
    p[100..200].fill(0.95);
    p[202..210].fill(0.4); // Part of what is near.
    p[400..410].fill(0.5); // Never sure.
    p[600..604].fill(0.5); // 40 ms are no word.
    p[700..720].fill(0.2); // Hardly likely.
    let curve = SpeechCurve::from_values(p).unwrap();
    let sure = curve.segments(&SpeechOptions::default()).unwrap();
    let spans = |s: &[SpeechSegment]| -> Vec<(i64, i64)> {
        s.iter().map(|s| ((s.start_s * 1e3).round() as i64, (s.end_s * 1e3).round() as i64)).collect()
    };
    assert_eq!(spans(&sure), [(1000, 2000)]);
    assert_eq!(spans(&curve.doubtful(&sure)), [(4000, 4100)]);
}

#[test]
fn what_an_engine_reaches_again_and_again_is_no_doubt() {
    // Ten minutes with one word that is not sure.
    let mut p = vec![0.0f32; 60_000];
    let word = 30_000..30_040;
    p[word.clone()].fill(0.6);
    let starts_s = |p: &[f32]| -> Vec<f64> {
        SpeechCurve::from_values(p.to_vec()).unwrap().doubtful(&[]).iter().map(|s| s.start_s).collect()
    };
    assert_eq!(starts_s(&p), [300.0]);
    // With some that are less probable all are kept; with hundreds the word alone.
    let engine = |every: usize| {
        let mut p = p.clone();
        (0..60_000).step_by(every).for_each(|at| p[at..at + 20].fill(0.45));
        p[word.start - 100..word.start].fill(0.0);
        p[word.clone()].fill(0.6);
        p
    };
    assert_eq!(starts_s(&engine(6000)).len(), 10);
    assert_eq!(starts_s(&engine(150)), [300.0]);
}

#[test]
fn a_camera_that_hears_the_same_is_told_from_one_that_does_not() {
    let mut next = noise(3);
    let n = 16_000 * 8;
    let voice: Vec<f32> = (0..n).map(|i| if i / 32_000 % 2 == 1 { next() } else { 0.0 }).collect();
    let own: Vec<f32> = voice.iter().map(|v| v + 0.05 * next()).collect();
    // 9 dB below its noise, 4 ms late; in the second stretch it hears something else; then it has stopped.
    let camera: Vec<f32> = (0..n)
        .map(|i| match i {
            ..64_000 => 0.35 * voice[i.max(64) - 64] + next(),
            64_000..112_000 => next(),
            _ => f32::NAN,
        })
        .collect();
    let spans = [(2.0, 4.0), (6.0, 6.9), (7.2, 8.0)].map(|(a, b)| SpeechSegment::new(a, b).unwrap());
    let mut meter = SharedMeter::new(&spans).unwrap();
    for (a, b) in own.chunks(999).zip(camera.chunks(999)) {
        meter.push(a, b).unwrap();
    }
    let answers = meter.finish();
    let shared = |i: usize| answers[i].map(|h| h.shared);
    assert!(shared(0).unwrap() > 2.0 * SHARED && shared(1).unwrap() < SHARED, "{answers:?}");
    assert!((answers[0].unwrap().later_s - 0.004).abs() < 1e-4, "{answers:?}");
    assert_eq!(answers[2], None);
    assert_eq!(spans[0].origin(shared(0)), Origin::Local);
    assert_eq!(spans[1].origin(shared(1)), Origin::Radio);
    let wide = SpeechSegment { outside_band_db: Some(-3.0), ..spans[2] };
    assert_eq!((wide.origin(None), wide.origin(Some(1.0))), (Origin::Local, Origin::Radio));
}

#[test]
fn what_both_hear_louder_is_told_from_what_one_hears() {
    // Both hear an engine, three times as loud from 4 to 6 s; from 8 to 10 s the recorder hears a voice as well, and
    // from 12 to 14 s the camera the wind.
    let mut next = noise(5);
    let n = 16_000 * 16;
    let louder = |i: usize| if (64_000..96_000).contains(&i) { 3.0 } else { 1.0 };
    let engine: Vec<f32> = (0..n).map(|i| 0.1 * louder(i) * next()).collect();
    let own: Vec<f32> = (0..n).map(|i| engine[i] + if i / 32_000 == 4 { 0.4 * next() } else { 0.0 }).collect();
    let camera: Vec<f32> = (0..n).map(|i| 2.0 * engine[i] + if i / 32_000 == 6 { next() } else { 0.0 }).collect();
    let spans = [(4.1, 5.9), (8.1, 9.9), (12.1, 13.9)].map(|(a, b)| SpeechSegment::new(a, b).unwrap());
    let mut meter = SharedMeter::new(&spans).unwrap();
    meter.push(&own, &camera).unwrap();
    let heard: Vec<Reception> = meter.finish().into_iter().flatten().collect();
    assert!(heard[0].over_db.abs() < 1.5 && heard[0].under_db.abs() < 3.0, "{heard:?}");
    assert!(heard[1].over_db > 9.0, "{heard:?}");
    assert!(heard[2].over_db < -6.0 && heard[2].under_db > ENGINE_UNDER_DB, "{heard:?}");
}

#[test]
fn an_engine_that_a_camera_hears_alike_is_nobody() {
    let at = |i: usize| SpeechSegment { confidence: 0.85, ..SpeechSegment::new(i as f64, i as f64 + 0.5).unwrap() };
    let mut segments: Vec<SpeechSegment> = (0..9).map(at).collect();
    // Six voices from two seats, the engine from elsewhere, then a radio, and a voice among the engine's noise.
    let answer = |shared, later_s, over_db, under_db| Some(Reception::new(shared, later_s, over_db, under_db).unwrap());
    let voice = |i: usize| answer(30.0, if i < 3 { 0.001 } else { 0.002 }, 8.0, 2.0);
    let mut camera: Vec<Option<Reception>> = (0..6).map(voice).collect();
    camera.extend([answer(25.0, -0.002, 2.0, 3.0), answer(3.0, 0.0, 7.0, 3.0), answer(20.0, 0.0021, 2.0, 3.0)]);
    let nobody = |segments: &[SpeechSegment], heard: &[Vec<Option<Reception>>]| -> Vec<usize> {
        spoken(segments, heard).iter().enumerate().filter(|s| !s.1).map(|s| s.0).collect()
    };
    assert_eq!(nobody(&segments, &[camera.clone()]), [6]);
    // Another camera that hears a voice overrules, one that did not run does not.
    let mut other = camera.clone();
    other[6] = answer(30.0, 0.001, 8.0, 2.0);
    assert_eq!(nobody(&segments, &[camera.clone(), other]), [0; 0]);
    assert_eq!(nobody(&segments, &[camera.clone(), vec![None; 9]]), [6]);
    assert_eq!(nobody(&segments, &[]), [0; 0]);
    // A gust at the camera, a voice hardly above the noise, and a map that is sure: speech.
    let mut gust = camera.clone();
    gust[6] = answer(25.0, -0.002, 2.0, 9.0);
    assert_eq!(nobody(&segments, &[gust]), [0; 0]);
    let faint = |h: Reception| Reception { over_db: 0.4 * h.over_db, ..h };
    assert_eq!(nobody(&segments, &[camera.iter().map(|h| h.map(faint)).collect()]), [0; 0]);
    segments[6].outside_band_db = Some(-20.0);
    assert_eq!(nobody(&segments, &[camera.clone()]), [0; 0]);
    segments[6] = SpeechSegment { confidence: 0.95, outside_band_db: None, ..segments[6] };
    assert_eq!(nobody(&segments, &[camera]), [0; 0]);
}

#[test]
fn faint_ends_are_drawn_out_but_not_into_another_stretch() {
    let mut p = vec![0.0f32; 1000];
    p[100..200].fill(0.9);
    p[225..240].fill(0.3); // A faint syllable after a short pause; then nothing for too long.
    p[280..290].fill(0.3);
    p[400..500].fill(0.9);
    p[500..540].fill(0.3); // Faint up to the next stretch.
    p[540..600].fill(0.9);
    p[600..800].fill(0.3); // Longer than a word.
    let curve = SpeechCurve::from_values(p).unwrap();
    let drawn = curve.with_faint_ends(&curve.segments(&SpeechOptions::default()).unwrap());
    let spans: Vec<(i64, i64)> =
        drawn.iter().map(|s| ((s.start_s * 1e2).round() as i64, (s.end_s * 1e2).round() as i64)).collect();
    assert_eq!(spans, [(100, 240), (400, 540), (540, 700)]);
    assert!(curve.with_faint_ends(&[]).is_empty());
    let beyond = SpeechSegment::new(9.0, 20.0).unwrap();
    assert_eq!(curve.with_faint_ends(&[beyond]), [beyond]);
}

/// What a recorder and a camera hear: white noise as a voice in each of these stretches, seconds, the camera 1 ms late and at
/// `gain`, and only where it is local.
fn conversation(turns: &[(f64, f64, bool)], gain: f32) -> (Vec<f32>, Vec<f32>) {
    let mut next = noise(6);
    let length = (turns.last().unwrap().1 + 1.0) * 16_000.0;
    let said: Vec<(f32, bool)> = (0..length as usize)
        .map(|i| {
            let at_s = i as f64 / 16_000.0;
            let turn = turns.iter().find(|t| (t.0..t.1).contains(&at_s));
            turn.map_or((0.0, false), |t| (next(), t.2))
        })
        .collect();
    let own = said.iter().map(|s| s.0 + 0.02 * next()).collect();
    let heard = |i: usize| said.get(i.wrapping_sub(16)).filter(|s| s.1).map_or(0.0, |s| gain * s.0);
    let camera = (0..said.len()).map(|i| heard(i) + next()).collect();
    (own, camera)
}

fn told(segments: &[SpeechSegment], sounds: &(Vec<f32>, Vec<f32>)) -> (Vec<OriginSpan>, CameraEvidence) {
    let mut meter = SharedMeter::new(segments).unwrap();
    meter.push(&sounds.0, &sounds.1).unwrap();
    let evidence = meter.finish_with_evidence().1;
    let curve = SpeechCurve::from_values(vec![0.9; sounds.0.len() / 160]).unwrap();
    (origins(&curve, segments, std::slice::from_ref(&evidence)), evidence)
}

#[test]
fn a_stretch_is_cut_where_the_origin_changes() {
    // A sentence, a call, then a sentence with its answer over the radio after a breath of 0.2 s, and the other way round.
    let turns = [(1.0, 3.0, true), (4.0, 6.0, false), (7.0, 9.0, true), (9.2, 11.0, false), (13.0, 14.5, false)];
    let turns: Vec<_> = turns.into_iter().chain([(14.7, 17.0, true)]).collect();
    let segments = [(1.0, 3.0), (4.0, 6.0), (7.0, 11.0), (13.0, 17.0)].map(|s| SpeechSegment::new(s.0, s.1).unwrap());
    let sounds = conversation(&turns, 0.5);
    let (spans, evidence) = told(&segments, &sounds);
    use Origin::{Local, Radio};
    let known = [(0, Local), (1, Radio), (2, Local), (2, Radio), (3, Radio), (3, Local)];
    let told: Vec<_> = spans.iter().map(|s| (s.segment, s.origin())).collect();
    assert_eq!(told, known, "{spans:?}");
    // Within the breath, and nothing is lost or told twice.
    for (cut, breath) in [(2, (9.0, 9.2)), (4, (14.5, 14.7))] {
        assert_eq!(spans[cut].end_s, spans[cut + 1].start_s);
        assert!(spans[cut].end_s > breath.0 - 0.05 && spans[cut].end_s < breath.1 + 0.05, "{spans:?}");
    }
    assert_eq!((spans[2].start_s, spans[3].end_s, spans[4].start_s, spans[5].end_s), (7.0, 11.0, 13.0, 17.0));
    assert!(spans.iter().all(|s| (s.confidence - 0.9).abs() < 1e-3 && (s.radio > 0.95 || s.radio < 0.05)), "{spans:?}");
    // The camera hears the sentence and not the call, and nothing where it did not run.
    let shared = |from_s, to_s| evidence.shared(from_s, to_s);
    assert!(shared(7.0, 9.0).unwrap() > 9.0 && shared(9.3, 11.0).unwrap() < 9.0);
    assert_eq!(shared(30.0, 40.0), None);
    // Another file of the camera, a minute later.
    let mut both = CameraEvidence::default();
    both.append(&evidence, 60.0);
    assert_eq!(both.shared(67.0, 69.0), shared(7.0, 9.0));
}

#[test]
fn a_camera_that_hears_nobody_says_nothing() {
    let turns = [(1.0, 3.0, true), (4.0, 6.0, false), (7.0, 9.0, true)];
    let segments = turns.map(|t| SpeechSegment::new(t.0, t.1).unwrap());
    let (spans, _) = told(&segments, &conversation(&turns, 0.0));
    assert!(spans.iter().all(|s| s.origin() == Origin::Unknown), "{spans:?}");
    // Neither does no camera, where nothing is known of the band.
    let curve = SpeechCurve::from_values(vec![0.9; 1000]).unwrap();
    let spans = origins(&curve, &segments, &[]);
    assert_eq!(spans.len(), 3);
    assert!(spans.iter().all(|s| s.origin() == Origin::Unknown), "{spans:?}");
    // A stretch beyond the curve, and an evidence that holds nothing.
    let beyond = [SpeechSegment::new(90.0, 91.0).unwrap()];
    let spans = origins(&curve, &beyond, &[CameraEvidence::default()]);
    assert_eq!((spans.len(), spans[0].start_s, spans[0].end_s), (1, 90.0, 91.0));
    assert!(origins(&curve, &[], &[]).is_empty());
}
