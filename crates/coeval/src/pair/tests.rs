use super::fit::{Places, SEAT_S, UNKNOWN_PLACE_S};
use super::*;
use crate::track::TrackBuilder;

/// Small deterministic generator (xorshift64*), Gaussian by the sum of twelve.
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }
    pub(crate) fn gauss(&mut self) -> f32 {
        ((0..12).map(|_| self.uniform()).sum::<f64>() - 6.0) as f32
    }
}

fn track(samples: &[f32], rate: f64) -> Track {
    let mut builder = TrackBuilder::new(rate, 1).unwrap();
    builder.push(samples).unwrap();
    builder.finish()
}

/// Two devices hear one noise, each with noise of its own `snr_db` below it; `b` starts 3.3 s later.
fn noisy_pair(seed: u64, length_s: usize, snr_db: f32, drift_ppm: f64) -> (Track, Track) {
    let mut noise = Noise::new(seed);
    let n = 8000 * length_s;
    let common: Vec<f32> = (0..n + 8000 * 30).map(|_| noise.gauss()).collect();
    let base = Track::raw(&common);
    let own = 10f32.powf(-snr_db / 20.0);
    let (mut a, mut b) = (vec![0.0f32; n], vec![0.0f32; n]);
    let middle = n as f64 / 2.0;
    crate::track::resampled(&base, middle + 80_000.0, 1.0, &mut a);
    crate::track::resampled(&base, middle + 106_400.0, 1.0 + drift_ppm * 1e-6, &mut b);
    a.iter_mut().chain(&mut b).for_each(|s| *s += own * noise.gauss());
    (track(&a, 8000.0), track(&b, 8000.0))
}

fn placed(outcome: PairOutcome) -> Box<PairAlignment> {
    match outcome {
        PairOutcome::Placed(p) => p,
        PairOutcome::Unplaced(why) => panic!("unplaced: {}", why.as_str()),
    }
}

#[test]
fn what_chance_finds_is_no_rival() {
    // So far under the noise no half second tells a place from where nothing is common; a minute does.
    for seed in [21, 22, 23] {
        let (a, b) = noisy_pair(seed, 60, -12.75, 0.0);
        let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
        assert!((p.map.forward(28.0) - 31.3).abs() < 1e-4, "{}", p.map.forward(28.0));
        assert!(p.confidence > 0.9, "{}", p.confidence);
    }
    let (a, _) = noisy_pair(24, 60, -12.75, 0.0);
    let (_, b) = noisy_pair(25, 60, -12.75, 0.0);
    assert!(matches!(align_pair(&a, &b, &PairOptions::default(), &()).unwrap(), PairOutcome::Unplaced(_)));
}

#[test]
fn a_change_from_voices_to_an_engine_is_no_jump() {
    // Measured every so many seconds: on one lag up to a moment, on another from then on.
    let fitted = |length_s: usize, every_s: f64, at_s: f64, step_s: f64| {
        let count = (length_s as f64 / every_s) as usize;
        let moments = (0..count).map(|i| (i as f64 + 0.5) * every_s);
        let lag_s = |b_s: f64| if b_s > at_s { 5.0 + step_s } else { 5.0 };
        let evidence: Vec<Evidence> =
            moments.map(|b_s| Evidence { a_s: b_s + lag_s(b_s), b_s, sigma_s: 1e-4 }).collect();
        let tracks = [length_s + 10, length_s].map(|s| Track::raw(&vec![0.0; 8000 * s]));
        let fit = PairFit::pruned(&tracks[0], &tracks[1], &evidence, &[at_s]).unwrap();
        assert_eq!(fit.jumps, [at_s]);
        let mut fitted = Fitted { fit, evidence, own: count, within_s: Vec::new() };
        let apart_s = fitted.take_back_changes_of_source(&tracks[0], &tracks[1]);
        (fitted, apart_s)
    };
    // People speak for 6 s of a clip, and then an engine goes on for 13: its way is taken, and how far it is from theirs known.
    let (clip, apart_s) = fitted(19, 1.0, 6.0, 0.008);
    assert!(clip.fit.jumps.is_empty() && (apart_s - 0.008).abs() < 1e-5, "{apart_s}");
    for b_s in [1.0, 10.0, 18.0] {
        assert!((clip.fit.at(b_s) - b_s - 5.008).abs() < 1e-5, "{}", clip.fit.at(b_s));
    }
    // Among many utterances it does not change once and never back, and no two ways differ by 68 m.
    for (length_s, every_s, at_s, step_s) in [(600, 5.0, 300.0, 0.008), (19, 1.0, 6.0, 0.2)] {
        let (file, apart_s) = fitted(length_s, every_s, at_s, step_s);
        assert!(file.fit.jumps == [at_s] && apart_s == 0.0, "{:?} {apart_s}", file.fit.jumps);
    }
}

#[test]
fn offset_and_drift_are_recovered_to_microseconds() {
    for (snr_db, drift_ppm) in [(20.0, 0.0), (0.0, 50.0), (0.0, -400.0), (-6.0, 90.0)] {
        let (a, b) = noisy_pair(3, 40, snr_db, drift_ppm);
        let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
        // One sample is 125 us: a shift by one fails this by far.
        assert!((p.map.forward(20.0) - 23.3).abs() < 8e-6, "{snr_db} dB: {}", p.map.forward(20.0));
        assert!((p.map.drift_ppm() - drift_ppm).abs() < 1.0, "{snr_db} dB: {}", p.map.drift_ppm());
        assert!(p.confidence > 0.99);
    }
}

#[test]
fn swapping_the_tracks_inverts_the_map() {
    let (a, b) = noisy_pair(5, 40, 0.0, 70.0);
    let ab = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    let ba = placed(align_pair(&b, &a, &PairOptions::default(), &()).unwrap());
    for b_s in [2.0, 20.0, 36.0] {
        assert!((ba.map.forward(ab.map.forward(b_s)) - b_s).abs() < 1e-5);
    }
}

#[test]
fn a_turned_sign_changes_nothing_but_the_note() {
    let (a, b) = noisy_pair(7, 40, 0.0, 20.0);
    let mut samples = vec![0.0; b.len()];
    b.read(0, &mut samples);
    samples.iter_mut().for_each(|s| *s = -*s);
    let upright = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    let turned = placed(align_pair(&a, &track(&samples, 8000.0), &PairOptions::default(), &()).unwrap());
    assert!(!upright.inverted && turned.inverted);
    assert!((upright.map.forward(20.0) - turned.map.forward(20.0)).abs() < 5e-6);
}

#[test]
fn unrelated_short_and_silent_tracks_are_not_placed() {
    let (a, _) = noisy_pair(9, 30, 0.0, 0.0);
    let (_, b) = noisy_pair(10, 30, 0.0, 0.0);
    let why = |a: &Track, b: &Track| match align_pair(a, b, &PairOptions::default(), &()).unwrap() {
        PairOutcome::Unplaced(why) => why,
        PairOutcome::Placed(p) => panic!("placed at {:?} with {}", p.map, p.confidence),
    };
    assert_eq!(why(&a, &b), Unplaced::NoCommonSound);
    assert_eq!(why(&a, &track(&[0.25; 80_000], 8000.0)), Unplaced::Silent);
    assert_eq!(why(&a, &track(&[0.1, -0.3, 0.2], 8000.0)), Unplaced::TooShort);
    assert_eq!(why(&a, &track(&[], 8000.0)), Unplaced::Silent);
}

/// A camera and a line in which somebody talks for four seconds in ten, in syllables, beside an engine. `heard` makes a sample
/// of each of the moment in seconds, the voice, the engine as the camera and, 4 ms on, as the line hears it, and noise.
fn talk_by_an_engine(
    seed: u64,
    length_s: usize,
    heard: impl Fn(f32, f32, f32, f32, &mut dyn FnMut() -> f32) -> (f32, f32),
) -> (Track, Track) {
    let mut noise = Noise::new(seed);
    let n = 8000 * length_s;
    let engine: Vec<f32> = (0..n + 100).map(|_| noise.gauss()).collect();
    let sample = |i: usize| {
        let t = i as f32 / 8000.0;
        let talk = if (2.0..6.0).contains(&(t % 10.0)) { (9.0 * t).sin().max(0.0) } else { 0.0 };
        let voice = talk * noise.gauss();
        heard(t, voice, engine[i], engine[i + 32], &mut || noise.gauss())
    };
    let (camera, line): (Vec<f32>, Vec<f32>) = (0..n).map(sample).unzip();
    (track(&camera, 8000.0), track(&line, 8000.0))
}

#[test]
fn a_voice_line_is_placed_by_its_voice_not_by_the_engine_that_it_also_hears() {
    // The engine is 10 dB over the voice in the camera and 18 dB under it in the line, where a gate lets it
    // through from half a second before the talk to a second after it; it reaches the line 4 ms earlier, against the voice, than the camera.
    let (a, b) = talk_by_an_engine(21, 120, |t, voice, engine, earlier, own| {
        let gate = if (1.5..7.0).contains(&(t % 10.0)) { 1.0 } else { 0.0 };
        (0.5 * voice + engine + 0.1 * own(), voice + 0.08 * gate * earlier + 0.001 * own())
    });
    let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    assert!(p.map.offset_s().abs() < 2e-4, "{} s", p.map.offset_s());
    assert!(comes_by(&p, 4e-3), "{:?}", p.paths);
}

#[test]
fn a_stretch_that_was_measured_by_the_voices_is_told_from_those_measured_by_the_engine() {
    // The engine comes to the camera 4 ms later than to the line, the voices at once. Three stretches: in the first and the
    // last the path is the engine's; in the middle one there is hardly anything but talk, and the path is the voices'.
    let (a, b) = talk_by_an_engine(23, 70, |_, voice, engine, earlier, own| {
        (engine + 0.8 * voice + 0.03 * own(), 0.05 * earlier + voice + 0.003 * own())
    });
    let jumps = [31.9, 36.1];
    let by_voices = |b_s: f64| jumps[0] < b_s && b_s <= jumps[1];
    let point = |i: usize| {
        let b_s = 0.5 + 0.5 * i as f64;
        PathPoint { b_s, a_s: if by_voices(b_s) { b_s } else { b_s + 4e-3 }, weight: 10.0 }
    };
    let points: Vec<PathPoint> = (0..138).map(point).collect();
    let off_s = Sources::new(&a, &b, 1.0, &Plans::default()).off_the_rest_s(&points, &jumps);
    assert!(off_s[0] == 0.0 && off_s[2] == 0.0, "{off_s:?}");
    assert!((off_s[1] - 4e-3).abs() < 5e-5, "{off_s:?}");
}

/// Whether the voices come by the path of the placement, and what goes on without them so much later in `a`.
fn comes_by(p: &PairAlignment, delay_s: f64) -> bool {
    let engine = |path: &&SoundPath| path.voices < 0.1 && (path.delay_s - delay_s).abs() < 2e-4;
    p.paths[0].delay_s == 0.0 && p.paths[0].voices > 0.5 && p.paths.iter().any(|path| engine(&path))
}

#[test]
fn four_seconds_in_common_are_found_beside_many_minutes_that_are_not() {
    // Twenty minutes of talk on the line, of which a camera beside a labouring engine heard the last words only.
    let mut noise = Noise::new(33);
    let talk = |t: f32| if t % 10.0 < 4.0 { (9.0 * t).sin().max(0.0) } else { 0.0 };
    let line: Vec<f32> = (0..8000 * 1200).map(|i| noise.gauss() * (talk(i as f32 / 8000.0) + 0.001)).collect();
    let starts = 8000 * 1185;
    let engine = |t: f32| 1.0 + 0.5 * (1.3 * t).sin();
    let camera: Vec<f32> = (0..8000 * 290)
        .map(|i| line.get(starts + i).unwrap_or(&0.0) + engine(i as f32 / 8000.0) * noise.gauss())
        .collect();
    let (a, b) = (track(&camera, 8000.0), track(&line, 8000.0));
    let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    assert!((p.map.forward(1192.0) - 7.0).abs() < 2e-4, "{}", p.map.forward(1192.0));
}

#[test]
fn what_is_known_of_the_offset_tells_where_to_listen() {
    let (a, b) = noisy_pair(35, 40, 0.0, 20.0);
    for (range, found) in [((2.0, 5.0), true), ((-39.0, 3.5), true), ((4.0, 40.0), false), ((60.0, 90.0), false)] {
        let options = PairOptions { offset_range_s: Some(range), ..PairOptions::default() };
        let outcome = align_pair(&a, &b, &options, &()).unwrap();
        assert_eq!(matches!(outcome, PairOutcome::Placed(_)), found, "{range:?}");
    }
}

#[test]
fn clicks_that_agree_by_chance_are_no_placement() {
    // Each hears clicks alone, at its own moments, but for three that agree.
    let mut noise = Noise::new(22);
    let mut click = |at: &[f64]| {
        let mut samples: Vec<f32> = (0..8000 * 60).map(|_| 1e-5 * noise.gauss()).collect();
        for &s in at {
            let i = (s * 8000.0) as usize;
            (0..24).for_each(|k| samples[i + k] += (-(k as f32) / 6.0).exp() * (k as f32 * 1.1).cos());
        }
        track(&samples, 8000.0)
    };
    let a = click(&[3.1, 9.7, 20.2, 33.0, 47.9]);
    let b = click(&[1.4, 10.2, 23.0, 37.9, 51.3]);
    let outcome = align_pair(&a, &b, &PairOptions::default(), &()).unwrap();
    assert!(matches!(outcome, PairOutcome::Unplaced(_)), "{outcome:?}");
}

/// Two devices hear words of two seconds each, at `(second, samples by which b hears them later)`, in 90 s that each
/// fills with noise of its own.
fn words(at: &[(usize, usize)]) -> (Track, Track) {
    let mut noise = Noise::new(23);
    let n = 8000 * 90;
    let (mut a, mut b): (Vec<f32>, Vec<f32>) = (0..n).map(|_| (0.3 * noise.gauss(), 0.3 * noise.gauss())).unzip();
    for &(second, later) in at {
        for i in 8000 * second..8000 * (second + 2) {
            let word = noise.gauss();
            a[i] += word;
            b[i + later] += word;
        }
    }
    (track(&a, 8000.0), track(&b, 8000.0))
}

#[test]
fn a_ticker_above_what_long_probes_hear_is_no_placement() {
    // Two tones in turn, 2.5 and 1.8 kHz, with noise of each recording's own: long probes hear up to 1.25 kHz.
    let ticker = |seed: u64, period: usize, first: usize, length_s: usize| {
        let mut noise = Noise::new(seed);
        let tick = |at: usize, hz: f32| {
            let t = at as f32 / 8000.0;
            0.5 * (-t / 0.01).exp() * (std::f32::consts::TAU * hz * t).sin()
        };
        let value = |i: usize| {
            let (first, second) = (i % period, (i + period / 2) % period);
            tick(first, 2500.0) + tick(second, 1800.0)
        };
        let samples: Vec<f32> = (0..8000 * length_s).map(|i| value(first + i) + 0.5 * 0.06 * noise.gauss()).collect();
        track(&samples, 8000.0)
    };
    // Each of these was placed at 0.9993 on the one beat that a search had found.
    for seed in [29, 31, 35] {
        let period = 4000 + 271 * seed as usize;
        let (a, b) = (ticker(2 * seed, period, 0, 65), ticker(2 * seed + 1, period, 7 * period / 3, 40));
        let outcome = align_pair(&a, &b, &PairOptions::default(), &()).unwrap();
        assert!(!matches!(outcome, PairOutcome::Placed(_)), "period of {period} samples: {outcome:?}");
    }
}

#[test]
fn few_measurements_say_that_each_may_be_of_another_voice() {
    let (a, b) = words(&[(20, 0), (24, 0)]);
    let few = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    assert!(few.evidence.len() < MANY && (few.map.forward(23.0) - 23.0).abs() < 1e-4, "{few:?}");
    // What the network gets must know no place better than a seat is wide.
    assert!(few.place_s >= UNKNOWN_PLACE_S && few.evidence.iter().all(|e| e.sigma_s >= SEAT_S), "{few:?}");
    let (a, b) = noisy_pair(24, 40, 0.0, 0.0);
    let many = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    assert!(many.evidence.iter().all(|e| e.sigma_s < SEAT_S) && many.place_s == 0.0, "{many:?}");
}

#[test]
fn few_words_from_two_seats_do_not_bend_the_clock() {
    // The second seat is 43 cm further from the camera: taken for drift, it would be 20 ppm and more.
    let (a, b) = words(&[(8, 0), (30, 0), (70, 10)]);
    let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    assert!(p.map.drift_ppm().abs() < 2.0, "{p:?}");
    assert_eq!(p.places.iter().max(), Some(&1), "{p:?}");
}

#[test]
fn cancelling_stops_the_work() {
    let (a, b) = noisy_pair(11, 30, 0.0, 0.0);
    let stop = |_: &str, _: f64| false;
    let error = align_pair(&a, &b, &PairOptions::default(), &stop).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::Cancelled);
}

#[test]
fn jumps_from_milliseconds_to_many_seconds_are_found_sized_and_placed() {
    // Sound lost and sound repeated, one jump within reach of the path and one far beyond it.
    for (seed, steps) in [(5, [0.031, -1.7]), (6, [-0.009, 12.5]), (7, [0.4, -0.4])] {
        let mut noise = Noise::new(seed);
        let n = 8000 * 180;
        let common: Vec<f32> = (0..n + 8000 * 20).map(|_| noise.gauss()).collect();
        let places = [8000 * 62, 8000 * 121];
        let (mut a, mut b) = (common[..n].to_vec(), Vec::with_capacity(n));
        let mut at = 8000i64 * 3;
        for i in 0..n - 8000 * 20 {
            for (place, step) in places.iter().zip(steps) {
                at += if i == *place { (step * 8000.0f64).round() as i64 } else { 0 };
            }
            b.push(common[at as usize]);
            at += 1;
        }
        a.iter_mut().chain(&mut b).for_each(|s| *s += 1.4 * noise.gauss());
        let p = placed(align_pair(&track(&a, 8000.0), &track(&b, 8000.0), &PairOptions::default(), &()).unwrap());
        assert_eq!(p.jumps.len(), 2, "{steps:?}: {:?}", p.jumps);
        for ((jump, place), step) in p.jumps.iter().zip(places).zip(steps) {
            assert!((jump.step_s - step).abs() < 0.0001, "{steps:?}: {jump:?}");
            assert!((jump.b_s - place as f64 / 8000.0).abs() < 0.05, "{steps:?}: {jump:?}");
        }
        assert!((p.map.offset_s() - 3.0).abs() < 1e-4);
    }
}

/// Tone bursts at random times and pitches, as heard by a device of this rate that started at `start_s`.
fn bursts(rate_hz: f64, start_s: f64, length_s: f64) -> Vec<f32> {
    let mut noise = Noise::new(11);
    let mut out = vec![0.0f32; (rate_hz * length_s) as usize];
    for _ in 0..300 {
        let (at_s, pitch_hz) = (30.0 * noise.uniform() - start_s, 300.0 + 2700.0 * noise.uniform());
        let index = |s: f64| (s * rate_hz).max(0.0) as usize;
        for (i, v) in out.iter_mut().enumerate().take(index(at_s + 0.1)).skip(index(at_s - 0.1)) {
            let t = i as f64 / rate_hz - at_s;
            *v += (0.2 * (-(t / 0.02).powi(2)).exp() * (std::f64::consts::TAU * pitch_hz * t).cos()) as f32;
        }
    }
    out
}

#[test]
fn any_rate_goes_with_any_other() {
    let reference = track(&bursts(48_000.0, 0.0, 30.0), 48_000.0);
    for rate_hz in [8000.0, 11_025.0, 16_000.0, 44_100.0, 96_000.0, 192_000.0] {
        let other = track(&bursts(rate_hz, 4.25, 20.0), rate_hz);
        let p = placed(align_pair(&reference, &other, &PairOptions::default(), &()).unwrap());
        assert!((p.map.forward(10.0) - 14.25).abs() < 20e-6, "{rate_hz} Hz: {}", p.map.forward(10.0));
    }
}

#[test]
fn odd_sound_is_not_placed() {
    let noise = |seed: u64, n: usize| {
        let mut noise = Noise::new(seed);
        (0..n).map(|_| 0.1 * noise.gauss()).collect::<Vec<f32>>()
    };
    let n = 8000 * 20;
    let reference = noise(1, n);
    let square = |period: usize| (0..n).map(|i| if (i / period).is_multiple_of(2) { 1.0 } else { -1.0 }).collect();
    let odd: [(&str, Vec<f32>); 9] = [
        ("constant", vec![0.5; n]),
        ("clipped", noise(2, n).iter().map(|v| (100.0 * v).clamp(-1.0, 1.0)).collect()),
        ("with an offset", noise(3, n).iter().map(|v| v + 0.8).collect()),
        ("denormal", noise(4, n).iter().map(|v| v * 1e-38).collect()),
        ("huge", noise(5, n).iter().map(|v| v * 1e30).collect()),
        ("one sample", vec![0.3]),
        ("one click", (0..n).map(|i| if i == n / 2 { 1.0 } else { 0.0 }).collect()),
        ("a square wave", square(40)),
        ("not numbers", vec![f32::NAN; n]),
    ];
    for (what, samples) in &odd {
        let strange = track(samples, 8000.0);
        let outcome = align_pair(&track(&reference, 8000.0), &strange, &PairOptions::default(), &()).unwrap();
        assert!(matches!(outcome, PairOutcome::Unplaced(_)), "{what} was placed");
    }
    // Two stretches of one steady hum fit at every period.
    let (a, b) = (track(&square(40), 8000.0), track(&square(40)[3333..], 8000.0));
    let outcome = align_pair(&a, &b, &PairOptions::default(), &()).unwrap();
    assert!(matches!(outcome, PairOutcome::Unplaced(_)), "a hum was placed");
}

#[test]
fn a_mix_up_of_rates_is_named_where_it_is_looked_for() {
    let (a, b) = noisy_pair(9, 90, 3.0, 1000.0);
    let wide = PairOptions { max_drift_ppm: 1200.0, ..PairOptions::default() };
    let p = placed(align_pair(&a, &b, &wide, &()).unwrap());
    assert!(p.rate_mixup && (p.map.drift_ppm() - 1000.0).abs() < 0.5, "{}", p.map.drift_ppm());
    let (a, b) = noisy_pair(9, 90, 3.0, 900.0);
    assert!(!placed(align_pair(&a, &b, &wide, &()).unwrap()).rate_mixup);
}

/// What a recorder says at a time: words at some moments, near silence else.
fn line_of(noise: &mut Noise, length_s: usize, talk_s: &[(f64, f64)]) -> Vec<f32> {
    let talks = |t: f64| talk_s.iter().any(|s| (s.0..s.1).contains(&t));
    let syllables = |t: f64| if talks(t) { 1.5 * (9.0 * t).sin().max(0.0) as f32 } else { 0.0 };
    (0..8000 * length_s).map(|i| noise.gauss() * (syllables(i as f64 / 8000.0) + 0.001)).collect()
}

/// A camera that hears a line with noise as loud as its words, and goes on `step_s` later in it at each moment.
fn camera_of(noise: &mut Noise, line: &[f32], length_s: usize, jumps: &[(f64, f64)]) -> Vec<f32> {
    (0..8000 * length_s)
        .map(|i| {
            let lost_s: f64 = jumps.iter().filter(|j| i as f64 / 8000.0 >= j.0).map(|j| j.1).sum();
            line.get(i + 8000 + (lost_s * 8000.0) as usize).unwrap_or(&0.0) + noise.gauss()
        })
        .collect()
}

#[test]
fn the_last_words_of_a_file_beyond_a_small_jump_keep_it() {
    // The talk of 100 s goes on for 5 s after 14 ms are lost, wherever in a block that is. (Two seconds might as well be
    // another voice, five metres away.)
    for at_s in [100.1, 100.3, 100.42, 100.45, 100.48, 100.52, 100.6] {
        let mut noise = Noise::new(41);
        let line = line_of(&mut noise, 140, &[(5.0, 12.0), (31.0, 37.0), (60.0, 64.0), (97.0, 106.5)]);
        let camera = camera_of(&mut noise, &line, 125, &[(at_s, 0.014)]);
        let (a, b) = (track(&line, 8000.0), track(&camera, 8000.0));
        let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
        let [jump] = p.jumps[..] else { panic!("{at_s}: {:?}", p.jumps) };
        assert!((jump.step_s - 0.014).abs() < 2e-4 && (jump.b_s - at_s).abs() < 0.25, "{at_s}: {jump:?}");
    }
}

#[test]
fn losses_little_more_than_a_second_apart_are_told_apart() {
    let lost = [(50.2, 0.06), (51.5, 0.11), (70.0, 0.09), (71.8, 0.04), (73.1, 0.13)];
    let mut noise = Noise::new(44);
    let line = line_of(&mut noise, 110, &[(5.0, 105.0)]);
    let camera = camera_of(&mut noise, &line, 100, &lost);
    let p = placed(align_pair(&track(&line, 8000.0), &track(&camera, 8000.0), &PairOptions::default(), &()).unwrap());
    assert_eq!(p.jumps.len(), lost.len(), "{:?}", p.jumps);
    for (jump, (at_s, lost_s)) in p.jumps.iter().zip(lost) {
        assert!((jump.step_s - lost_s).abs() < 2e-4 && (jump.b_s - at_s).abs() < 0.25, "{at_s}: {jump:?}");
    }
}

#[test]
fn a_device_that_loses_seconds_bit_by_bit_is_followed_past_a_sound_that_comes_again() {
    // An engine comes again every 0.54 s, not as loud as itself; 3 s are lost in all, farther than one look sees.
    let mut noise = Noise::new(45);
    let n = 8000 * 260;
    let fresh: Vec<f32> = (0..n).map(|_| noise.gauss()).collect();
    let line: Vec<f32> = (0..n).map(|i| fresh[i] + 0.3 * fresh[i.saturating_sub(4320)]).collect();
    let lost: Vec<(f64, f64)> = (0..24).map(|i| (20.0 + 9.0 * f64::from(i), 0.125)).collect();
    let camera = camera_of(&mut noise, &line, 250, &lost);
    let p = placed(align_pair(&track(&line, 8000.0), &track(&camera, 8000.0), &PairOptions::default(), &()).unwrap());
    assert_eq!(p.jumps.len(), lost.len(), "{:?}", p.jumps);
    let off_s = |i: i32| (p.map.forward(15.0 + 9.0 * f64::from(i)) - (16.0 + 9.125 * f64::from(i))).abs();
    assert!((0..=24).all(|i| off_s(i) < 2e-4), "{:?}", (0..=24).map(off_s).collect::<Vec<_>>());
}

#[test]
fn a_faint_repeat_within_reach_does_not_hide_a_jump_beyond_it() {
    // An engine comes again every 0.61 s, at a tenth. After a loss of 0.68 s that repeat is all that lies within half a second.
    let mut noise = Noise::new(46);
    let n = 8000 * 110;
    let fresh: Vec<f32> = (0..n).map(|_| noise.gauss()).collect();
    let line: Vec<f32> = (0..n).map(|i| fresh[i] + 0.1 * fresh[i.saturating_sub(4900)]).collect();
    for (at_s, lost_s) in [(60.0, 0.68), (78.0, 0.68), (30.0, 0.75)] {
        let camera = camera_of(&mut noise, &line, 100, &[(at_s, lost_s)]);
        let (a, b) = (track(&line, 8000.0), track(&camera, 8000.0));
        let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
        let [jump] = p.jumps[..] else { panic!("{at_s}: {:?}", p.jumps) };
        assert!((jump.step_s - lost_s).abs() < 2e-4 && (jump.b_s - at_s).abs() < 0.25, "{at_s}: {jump:?}");
    }
}

#[test]
fn words_before_a_jump_that_repeats_sound_are_found() {
    // The first two seconds that both hear, the last half of which comes again.
    let mut noise = Noise::new(42);
    let line = line_of(&mut noise, 140, &[(21.0, 23.4), (40.0, 45.0), (80.0, 86.0), (110.0, 114.0)]);
    let mut camera = camera_of(&mut noise, &line, 120, &[]);
    // Up to this moment it hears what it will hear half a second earlier from then on.
    let (at, again) = (172_960, 4000);
    for i in (0..at).rev() {
        camera[i] = if i >= again { line[i + again + 8000] } else { 0.0 } + noise.gauss();
    }
    let p = placed(align_pair(&track(&line, 8000.0), &track(&camera, 8000.0), &PairOptions::default(), &()).unwrap());
    let [jump] = p.jumps[..] else { panic!("{:?}", p.jumps) };
    assert!((jump.step_s + 0.5).abs() < 2e-4 && (jump.b_s - at as f64 / 8000.0).abs() < 0.1, "{jump:?}");
}

#[test]
fn two_sources_at_two_distances_are_no_jumps() {
    // An open line hears the engine 5.5 ms later, against the voice, than the camera does: the one is common when the
    // other is not, and the voice stands out from the line.
    let mut noise = Noise::new(43);
    let n = 8000 * 160;
    let engine: Vec<f32> = (0..n + 100).map(|_| noise.gauss()).collect();
    let (mut camera, mut line) = (vec![0.0f32; n], vec![0.0f32; n]);
    for (i, (c, l)) in camera.iter_mut().zip(&mut line).enumerate() {
        let t = i as f32 / 8000.0;
        let talk = if (2.0..12.0).contains(&(t % 25.0)) { (9.0 * t).sin().abs() } else { 0.0 };
        let voice = talk * noise.gauss();
        *c = 0.02 * (4.0 * voice + engine[i + 44] + 0.3 * noise.gauss());
        *l = 0.02 * (2.0 * voice + 0.5 * engine[i] + 0.2 * noise.gauss());
    }
    let (a, b) = (track(&camera, 8000.0), track(&line, 8000.0));
    let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
    assert!(p.jumps.is_empty() && p.map.offset_s().abs() < 2e-4, "{} s, {:?}", p.map.offset_s(), p.jumps);
    assert!(comes_by(&p, -5.5e-3), "{:?}", p.paths);
}

#[test]
fn two_small_jumps_that_partly_cancel_are_jumps() {
    // 9.4 ms are lost and 14.4 ms come twice. (Were it 10 ms, two sources three metres apart would be the likelier story.)
    let mut noise = Noise::new(44);
    let line = line_of(&mut noise, 160, &[(5.0, 15.0), (31.0, 40.0), (60.0, 70.0), (85.0, 93.0), (120.0, 130.0)]);
    let camera = camera_of(&mut noise, &line, 150, &[(0.0, 0.02), (50.0, 0.0094), (103.0, -0.0144)]);
    let p = placed(align_pair(&track(&line, 8000.0), &track(&camera, 8000.0), &PairOptions::default(), &()).unwrap());
    let steps: Vec<f64> = p.jumps.iter().map(|j| j.step_s).collect();
    assert!(steps.len() == 2 && (steps[0] - 0.0094).abs() < 2e-4 && (steps[1] + 0.0144).abs() < 2e-4, "{steps:?}");
}

#[test]
fn a_large_jump_that_exact_measurements_part_must_be() {
    let (a, b) = words(&[]);
    let fit_of = |step_s: f64, after: usize, sigma_s: f64| {
        let at = |i: usize| 5.0 + 5.0 * i as f64;
        let beyond = |i: usize| i >= 8;
        let evidence: Vec<Evidence> = (0..8 + after)
            .map(|i| Evidence { a_s: at(i) + if beyond(i) { step_s } else { 0.0 }, b_s: at(i), sigma_s })
            .collect();
        let places = Places::utterances(&evidence, 0.0, 0.0);
        let fit = PairFit::new(&a, &b, &evidence, &[42.0], 0.0, places).unwrap();
        fit.must_jump(0, &evidence)
    };
    assert!(fit_of(0.118, 3, 2e-5) && fit_of(-0.021, 3, 2e-5));
    assert!(!fit_of(0.019, 3, 2e-5) && !fit_of(0.118, 2, 2e-5) && !fit_of(0.118, 3, 2e-4));
    // Blocks of a run are not exact, but hardly ever chance.
    assert!(fit_of(0.118, 3, 2.0 * jump::BLOCK_S) && !fit_of(0.019, 3, 2.0 * jump::BLOCK_S));
}

#[test]
fn an_end_is_as_sure_as_what_is_heard_there() {
    // Of forty sounds that stand out of both in the first half, two do not match; then ten more are heard.
    let ten = |matching: usize| -> [f64; 2] {
        let first = (0..40).map(|i| (f64::from(i) * 10.0, i % 20 != 7));
        let then = (0..10).map(|i| (410.0 + i as f64 * 10.0, i < matching));
        CommonSounds { sounds: first.chain(then).collect(), ..CommonSounds::default() }.beyond((0.0, 400.0))
    };
    let last = |beyond: [f64; 2]| {
        let all = stretches((0.0, 800.0), (0.0, 400.0), &[], beyond, 0.999, |t| 1e-3 + 1e-6 * t);
        let edges: Vec<(f64, f64)> = all.iter().map(|s| (s.from_s, s.to_s)).collect();
        assert_eq!(edges, [(0.0, 400.0), (400.0, 800.0)]);
        assert!(all[0].confidence == 0.999 && (all[1].uncertainty_s - 1.8e-3).abs() < 1e-9);
        all[1].confidence
    };
    assert!(last(ten(0)) < 1e-4 && last(ten(10)) > 0.9989, "{:?} {:?}", ten(0), ten(10));
    // Nothing is heard there: one jump in ten hours.
    let nothing = last(CommonSounds::default().beyond((0.0, 400.0)));
    assert!((nothing - 0.999 / (1.0 + 400.0 / 36_000.0)).abs() < 1e-12, "{nothing}");
    // A clock that has jumped once in 400 s goes on so, and where it will have jumped by then nobody knows its place.
    let jump = |within_s| FileJump { at_s: 100.0, step_s: 0.05, within_s };
    let jumps = [jump((99.95, 100.05))];
    let all = stretches((0.0, 800.0), (0.0, 400.0), &jumps, [0.0; 2], 0.999, |_| 1e-3);
    let edges = |all: &[Stretch]| all.iter().map(|s| (s.from_s, s.to_s)).collect::<Vec<(f64, f64)>>();
    assert_eq!(edges(&all), [(0.0, 100.0), (100.0, 400.0), (400.0, 800.0)]);
    assert!(all[..2].iter().all(|s| s.confidence == 0.999 && s.uncertainty_s == 1e-3));
    let off_s = |probability: f64| 1e-3f64.hypot(0.05 * probability.sqrt());
    assert!((all[2].confidence - 0.999 / 2.0).abs() < 1e-12 && (all[2].uncertainty_s - off_s(0.5)).abs() < 1e-12);
    let nearer = stretches((0.0, 440.0), (0.0, 400.0), &jumps, [0.0; 2], 0.999, |_| 1e-3);
    assert!(nearer[2].confidence < 0.92 && (nearer[2].uncertainty_s - off_s(0.1 / 1.1)).abs() < 1e-12, "{nearer:?}");
    // Where it may have jumped sooner or later, half of all files are off by the step half way through.
    let amid = stretches((0.0, 400.0), (0.0, 400.0), &[jump((90.0, 120.0))], [0.0; 2], 0.999, |_| 1e-3);
    assert_eq!(edges(&amid), [(0.0, 90.0), (90.0, 120.0), (120.0, 400.0)]);
    let claimed: Vec<f64> = amid.iter().map(|s| s.uncertainty_s).collect();
    assert!(claimed[0] == 1e-3 && (claimed[1] - off_s(0.5)).abs() < 1e-12 && claimed[2] == 1e-3, "{amid:?}");
    // Two that may lie in one silence are off by both.
    let next = FileJump { at_s: 115.0, step_s: 0.03, within_s: (100.0, 130.0) };
    let both = stretches((0.0, 400.0), (0.0, 400.0), &[jump((90.0, 115.0)), next], [0.0; 2], 0.999, |_| 1e-3);
    assert_eq!(edges(&both), [(0.0, 90.0), (90.0, 130.0), (130.0, 400.0)]);
    assert!((both[1].uncertainty_s - 1e-3f64.hypot(0.05f64.hypot(0.03) * 0.5f64.sqrt())).abs() < 1e-12, "{both:?}");
    // What was measured to the end is known to the end.
    let whole = stretches((0.0, 800.0), (0.0, 800.0), &[], [0.0; 2], 0.999, |_| 1e-3);
    assert_eq!(whole.len(), 1);
}

#[test]
fn the_other_place_of_a_sentence_that_comes_twice_is_a_rival() {
    // The clip has one of two sentences that are alike, and less and less of a word that only one of them has beside it.
    let mut named = 0;
    for word in [0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5] {
        let mut noise = Noise::new(77);
        let sentence = line_of(&mut noise, 6, &[(1.0, 5.0)]);
        let mut line = line_of(&mut noise, 100, &[(5.0, 8.0), (91.0, 95.0)]);
        let word = line_of(&mut noise, 2, &[(0.2, 1.8)]).into_iter().map(|v| word * v).collect::<Vec<f32>>();
        for (at, sound) in [(20, &sentence), (60, &sentence), (26, &word)] {
            line[8000 * at..].iter_mut().zip(sound).for_each(|(l, s)| *l += s);
        }
        let camera = camera_of(&mut noise, &line[8000 * 18..], 12, &[]);
        let found = align_pair(&track(&line, 8000.0), &track(&camera, 8000.0), &PairOptions::default(), &()).unwrap();
        let PairOutcome::Placed(p) = found else { continue };
        let total = p.confidence + p.rivals.iter().map(|r| r.probability).sum::<f64>();
        assert!(total <= 1.0 + 1e-9 && p.rivals.len() <= 3, "{} {:?}", p.confidence, p.rivals);
        assert!(p.rivals.is_sorted_by(|x, y| x.probability >= y.probability));
        let other_s = if p.map.forward(0.0) < 40.0 { 40.0 } else { -40.0 };
        if let Some(rival) = p.rivals.first() {
            assert!((rival.shift_s - other_s).abs() < 0.01, "{:?}", p.rivals);
            assert!(p.map.forward(0.0) < 40.0 || rival.probability > 0.1, "{} {:?}", p.confidence, p.rivals);
            named += 1;
        }
    }
    assert!(named > 0);
}

#[test]
fn talk_tells_which_repeat_of_a_loop_is_right() {
    // A loudspeaker repeats two and a half seconds beside people who talk. Most of the clip lies beyond the recording's end, so
    // that more of it matches wherever only the loop does.
    let mut noise = Noise::new(77);
    let (period, end) = (20_000, 8000 * 150);
    let beats: Vec<usize> = (0..9).map(|_| (noise.uniform() * period as f64) as usize).collect();
    let decay = |i: usize| beats.iter().map(|b| (((i + period - b) % period) as f32 / -400.0).exp()).sum::<f32>();
    let beat: Vec<f32> = (0..period).map(|i| 2.0 * decay(i) * noise.gauss()).collect();
    let talk = |i: usize| {
        let t = i as f32 / 8000.0;
        if (1.0..4.0).contains(&(t % 8.0)) { (9.0 * t).sin().max(0.0) } else { 0.0 }
    };
    let heard: Vec<f32> = (0..end).map(|i| beat[i % period] + 2.0 * talk(i) * noise.gauss()).collect();
    let mut device = |from_s: usize, to_s: usize| {
        let own: Vec<f32> = heard[8000 * from_s..8000 * to_s].iter().map(|x| x + 0.05 * noise.gauss()).collect();
        track(&own, 8000.0)
    };
    let (recorder, clip, beyond) = (device(0, 100), device(83, 128), device(105, 145));
    let p = placed(align_pair(&recorder, &clip, &PairOptions::default(), &()).unwrap());
    assert!((p.map.forward(0.0) - 83.0).abs() < 0.001, "{}", p.map.forward(0.0));
    assert!(p.confidence > 0.9, "{}", p.confidence);
    // Nothing tells of which repeat this is a part.
    let other = align_pair(&recorder, &beyond, &PairOptions::default(), &()).unwrap();
    assert!(matches!(other, PairOutcome::Unplaced(Unplaced::OnlyPeriodicSound)), "{other:?}");
}
