use super::*;

/// Seeded noise, uniform, zero mean, +-1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// A clap: noise from a sharp start, dying away in `decay_s`, with a room's fainter tail. Starts at
/// `at_s` exactly, between samples too, because the noise is made finely and thinned.
fn add_clap(x: &mut [f32], rate: f64, at_s: f64, peak: f64, seed: u64) {
    let fine = 8.0;
    let step = 1.0 / (48_000.0 * fine);
    let mut noise = Noise(seed);
    let mut low = 0.0;
    // One source of sound whatever the rate: it is low-passed near 6 kHz and read by interpolation.
    let course: Vec<f64> = (0..(0.25 / step) as usize)
        .map(|i| {
            let t = i as f64 * step;
            low += 0.1 * (noise.next() * fine.sqrt() - low);
            low * ((-t / 0.006).exp() + 0.12 * (-t / 0.05).exp())
        })
        .collect();
    let most = course.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    let from = (at_s * rate).ceil() as usize;
    for (i, v) in x.iter_mut().enumerate().skip(from).take((0.24 * rate) as usize) {
        let place = (i as f64 / rate - at_s) / step;
        let k = place as usize;
        let part = place - k as f64;
        *v += (peak / most * (course[k] * (1.0 - part) + course[k + 1] * part)) as f32;
    }
}

/// An engine: low-passed noise with a firing frequency, and a little noise above.
fn engine(seconds: f64, rate: f64, rms: f64, seed: u64) -> Vec<f32> {
    let mut noise = Noise(seed);
    let (mut l1, mut l2) = (0.0, 0.0);
    let c = 1.0 - (-2.0 * std::f64::consts::PI * 400.0 / rate).exp();
    let mut x: Vec<f64> = (0..(seconds * rate) as usize)
        .map(|i| {
            let n = noise.next();
            l1 += c * (n - l1);
            l2 += c * (l1 - l2);
            let t = i as f64 / rate;
            l2 + 0.05 * (2.0 * std::f64::consts::PI * 46.3 * t).sin() + 0.004 * n
        })
        .collect();
    let now = (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt();
    x.iter_mut().for_each(|v| *v *= rms / now);
    x.iter().map(|v| *v as f32).collect()
}

#[test]
fn a_first_stroke_that_only_the_highest_octave_shows_is_the_onset() {
    let rate = 48_000.0;
    let mut x = engine(9.0, rate, 0.02, 5);
    add_clap(&mut x, rate, 5.004, 0.1, 11);
    for (i, v) in x.iter_mut().enumerate().skip((5.0 * rate) as usize).take((0.001 * rate) as usize) {
        *v += 0.015 * (2.0 * std::f64::consts::PI * 20_000.0 * i as f64 / rate).sin() as f32;
    }
    let found = find_markers(&x, rate, &MarkerOptions::default()).expect("a good rate");
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((found[0].time_s - 5.0).abs() < 2e-4, "{}", found[0].time_s);
}

#[test]
fn finds_a_clap_in_engine_noise_to_a_fifth_of_a_millisecond_at_every_rate() {
    for rate in [8000.0, 16_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
        let mut x = engine(9.0, rate, 0.02, 5);
        let at = 4.123_456_7;
        add_clap(&mut x, rate, at, 0.2, 77);
        let found = find_markers(&x, rate, &MarkerOptions::default()).unwrap();
        assert_eq!(found.len(), 1, "at {rate} Hz: {found:?}");
        let m = &found[0];
        assert!((m.time_s - at).abs() < 0.0002, "at {rate} Hz: {} ms off", (m.time_s - at) * 1e3);
        assert_eq!(m.shape, Shape::Clap);
        assert_eq!(m.grouping, Grouping::Isolated);
        // Slower rates miss the peak itself, 44.1 kHz by a decibel; the engine under it takes or adds 1.6 dB.
        assert!(rate < 44_100.0 || (-15.3..=-12.4).contains(&m.peak_dbfs), "at {rate} Hz: {} dBFS", m.peak_dbfs);
    }
}

#[test]
fn blocks_do_not_matter_and_channels_are_mixed() {
    let mut x = engine(12.0, 48_000.0, 0.02, 9);
    add_clap(&mut x, 48_000.0, 3.3, 0.3, 1);
    add_clap(&mut x, 48_000.0, 8.8, 0.3, 2);
    let whole = find_markers(&x, 48_000.0, &MarkerOptions::default()).unwrap();
    assert_eq!(whole.len(), 2);
    let stereo: Vec<f32> = x.iter().flat_map(|v| [*v, *v]).collect();
    let mut detector = MarkerDetector::new(48_000.0, 2, &MarkerOptions::default()).unwrap();
    let mut parts = Vec::new();
    for block in stereo.chunks(2 * 331) {
        parts.extend(detector.push(block).unwrap());
    }
    parts.extend(detector.finish());
    assert_eq!(format!("{whole:?}"), format!("{parts:?}"));
}

#[test]
fn a_series_is_a_series_and_a_machine_is_periodic() {
    let mut x = engine(30.0, 48_000.0, 0.01, 3);
    let claps: Vec<f64> = (0..3u32).map(|i| 5.0 + 0.61 * f64::from(i) + 0.03 * f64::from(i * i)).collect();
    let knocks: Vec<f64> = (0..12).map(|i| 15.0 + 0.8 * f64::from(i)).collect();
    claps.iter().zip(10..).for_each(|(t, seed)| add_clap(&mut x, 48_000.0, *t, 0.3, seed));
    knocks.iter().for_each(|t| add_clap(&mut x, 48_000.0, *t, 0.3, 50));
    let options = MarkerOptions { all: true, ..MarkerOptions::default() };
    let found = find_markers(&x, 48_000.0, &options).unwrap();
    let groupings = |times: &[f64]| -> Vec<Option<Grouping>> {
        let near = |t: &f64| found.iter().find(|m| (m.time_s - t).abs() < 0.002).map(|m| m.grouping);
        times.iter().map(near).collect()
    };
    assert_eq!(groupings(&claps), [Some(Grouping::Series); 3]);
    assert_eq!(groupings(&knocks), [Some(Grouping::Periodic); 12]);
    assert_eq!(find_markers(&x, 48_000.0, &MarkerOptions::default()).unwrap().len(), 3);
}

#[test]
fn a_click_of_one_sample_and_a_burst_are_no_claps() {
    let rate = 48_000.0;
    let mut x = engine(20.0, rate, 0.01, 4);
    for at in [3.0, 9.0] {
        x[(at * rate) as usize] += 0.5;
    }
    let mut noise = Noise(8);
    for v in &mut x[(15.0 * rate) as usize..(15.6 * rate) as usize] {
        *v += 0.1 * noise.next() as f32;
    }
    let options = MarkerOptions { all: true, ..MarkerOptions::default() };
    let found = find_markers(&x, rate, &options).unwrap();
    let shape = |at: f64| found.iter().find(|m| (m.time_s - at).abs() < 0.005).map(|m| m.shape);
    assert_eq!(shape(3.0), Some(Shape::Click));
    assert_eq!(shape(9.0), Some(Shape::Click));
    assert_eq!(shape(15.0), Some(Shape::Burst));
    assert!(find_markers(&x, rate, &MarkerOptions::default()).unwrap().is_empty());
}

#[test]
fn silence_and_odd_input_are_answered() {
    assert!(find_markers(&[], 48_000.0, &MarkerOptions::default()).unwrap().is_empty());
    assert!(find_markers(&[0.0; 100_000], 48_000.0, &MarkerOptions::default()).unwrap().is_empty());
    assert!(find_markers(&[f32::NAN; 100_000], 8000.0, &MarkerOptions::default()).unwrap().is_empty());
    // Far beyond full scale, with silence round it.
    let mut loud = vec![0.0; 100_000];
    loud[50_000..50_200].fill(f32::MAX);
    loud[50_100] = f32::MIN;
    let all = MarkerOptions { all: true, ..MarkerOptions::default() };
    for m in find_markers(&loud, 48_000.0, &all).unwrap() {
        assert!([m.time_s, m.sharpness_db, m.peak_dbfs, m.snr_db, m.score].iter().all(|f| f.is_finite()), "{m:?}");
    }
    assert!(find_markers(&[1.0; 100_000], 8000.0, &MarkerOptions::default()).unwrap().is_empty());
    assert!(find_markers(&[0.0; 10], 7999.0, &MarkerOptions::default()).is_err());
    assert!(MarkerDetector::new(48_000.0, 0, &MarkerOptions::default()).is_err());
    assert!(MarkerDetector::new(48_000.0, 2, &MarkerOptions::default()).unwrap().push(&[0.0; 3]).is_err());
}

/// Three claps, nothing else in common: noises differ, clocks differ by 37.5 ppm, rates differ.
#[test]
fn three_claps_an_hour_apart_give_drift_to_one_ppm() {
    let (drift, offset) = (37.5e-6, 812.25);
    let claps = [100.0, 3700.0, 7300.0];
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for (i, t) in claps.iter().enumerate() {
        // Only the seconds round each clap are made; times are put right afterwards.
        let seed = i as u64;
        let b_at = t - 40.0;
        let a_at = offset + b_at * (1.0 + drift);
        for (list, at, rate, noise) in [(&mut a, a_at, 48_000.0, 100 + seed), (&mut b, b_at, 44_100.0, 200 + seed)] {
            let mut x = engine(9.0, rate, 0.02, noise);
            let base = at - 4.0;
            let base = (base * rate).floor() / rate;
            add_clap(&mut x, rate, at - base, 0.2, 1000 + seed);
            for mut m in find_markers(&x, rate, &MarkerOptions::default()).unwrap() {
                m.time_s += base;
                m.waveform_start_s += base;
                list.push(m);
            }
        }
    }
    let options = MatchOptions { durations_s: Some((9000.0, 8000.0)), ..MatchOptions::default() };
    let m = match_markers(&a, &b, &options).unwrap().expect("three claps match");
    assert_eq!(m.pairs.len(), 3);
    assert!((m.drift_ppm - 37.5).abs() < 0.1, "{} ppm", m.drift_ppm);
    assert!((m.offset_s - offset).abs() < 0.0003, "{} s", m.offset_s - offset);
    assert!(m.drift_sigma_ppm < 0.1 && m.chance < 1e-3, "{m:?}");
    assert!(m.pairs.iter().all(|p| p.refined));
    // The other way round.
    let r = match_markers(&b, &a, &options).unwrap().expect("and the other way round");
    assert!((r.drift_ppm + 37.5).abs() < 0.1 && (r.offset_s + offset / (1.0 + drift)).abs() < 0.0005);
}

fn bare(time_s: f64, seed: u64) -> Marker {
    let mut noise = Noise(seed);
    Marker {
        time_s,
        uncertainty_s: 1e-4,
        sharpness_db: 20.0,
        peak_dbfs: -10.0,
        snr_db: 20.0 + noise.next(),
        decay_s: 0.01,
        bandwidth_hz: 5000.0,
        centre_hz: 2000.0,
        shape: Shape::Clap,
        grouping: Grouping::Isolated,
        count_in: None,
        waveform: (0..256).map(|_| noise.next() as f32).collect(),
        waveform_start_s: time_s - 0.004,
        score: 5.0,
        measures: [0.0; MEASURES.len()],
        levels: Vec::new(),
    }
}

/// Of 300 pairs of unrelated lists none may be matched with confidence; the stated chance must not be
/// smaller than what happens.
#[test]
fn unrelated_markers_do_not_match() {
    let mut noise = Noise(42);
    let mut wrong = 0;
    for round in 0..300u64 {
        let mut list = |seconds: f64, seed: u64| {
            let mut t: Vec<f64> = (0..3 + (round % 30)).map(|_| (noise.next() + 1.0) * 0.5 * seconds).collect();
            t.sort_by(f64::total_cmp);
            t.iter().enumerate().map(|(i, t)| bare(*t, seed + i as u64)).collect::<Vec<_>>()
        };
        let (a, b) = (list(3600.0, round * 1000), list(3000.0, round * 1000 + 500));
        let options =
            MatchOptions { durations_s: Some((3600.0, 3000.0)), min_confidence: 0.99, ..MatchOptions::default() };
        if match_markers(&a, &b, &options).unwrap().is_some() {
            wrong += 1;
        }
    }
    assert!(wrong <= 3, "{wrong} of 300 unrelated pairs matched at 0.99");
}

/// A drum machine plays the same five seconds again and again, and each device hears three strokes of five: how far it has
/// got nobody can tell, but where a device heard other strokes as well.
#[test]
fn a_loop_is_matched_where_it_is_or_not_at_all() {
    let offset = 31.4;
    let (mut placed, mut wrong) = ([0, 0], [0, 0]);
    for round in 0..100u64 {
        let mut noise = Noise(7000 + round);
        let mut share = move || (noise.next() + 1.0) * 0.5;
        let bar: Vec<f64> = (0..3).map(|_| share() * 5.23).collect();
        let strokes: Vec<f64> = (0..40).flat_map(|i| bar.iter().map(move |t| 5.23 * f64::from(i) + t)).collect();
        let claps: Vec<f64> = (0..8).map(|_| share() * 209.0).collect();
        for with_claps in [false, true] {
            let times: Vec<f64> = strokes.iter().chain(claps.iter().filter(|_| with_claps)).copied().collect();
            let mut heard = |late_s: f64, seed: u64| -> Vec<Marker> {
                let mut all: Vec<f64> = times.iter().filter(|_| share() < 0.6).map(|t| t + late_s).collect();
                all.sort_by(f64::total_cmp);
                all.iter().enumerate().map(|(i, t)| bare(*t, seed + i as u64)).collect()
            };
            let (a, b) = (heard(offset, 1000 * round), heard(0.0, 1000 * round + 500));
            let options = MatchOptions { durations_s: Some((250.0, 210.0)), ..MatchOptions::default() };
            if let Some(found) = match_markers(&a, &b, &options).unwrap() {
                placed[usize::from(with_claps)] += 1;
                wrong[usize::from(with_claps)] += usize::from((found.offset_s - offset).abs() > 0.01);
            }
        }
    }
    assert!(wrong[0] + wrong[1] <= 2, "{wrong:?} of {placed:?} are placed wrongly");
}

/// Of claps at even distances all but one meet one interval further as well. If none is missed where all meet, that is the place;
/// if some are, each place is as good.
#[test]
fn claps_at_even_distances_are_sure_if_none_is_missed() {
    let confidence = |times_s: [&[f64]; 2]| {
        let list = |late_s: f64, times_s: &[f64], seed| -> Vec<Marker> {
            times_s.iter().enumerate().map(|(i, t)| bare(t + late_s, seed + i as u64)).collect()
        };
        let options =
            MatchOptions { durations_s: Some((1000.0, 990.0)), min_confidence: 0.0, ..MatchOptions::default() };
        match_markers(&list(12.5, times_s[0], 10), &list(0.0, times_s[1], 20), &options).unwrap().unwrap().confidence
    };
    let three = [100.0, 300.0, 500.0];
    assert!(confidence([&three, &three]) > 0.99);
    let five = [100.0, 300.0, 500.0, 700.0, 900.0];
    assert!((0.99..0.999).contains(&confidence([&five, &five])));
    let missed = confidence([&[100.0, 300.0, 500.0, 900.0], &[100.0, 300.0, 700.0, 900.0]]);
    assert!(missed < 0.9, "{missed}");
}

/// Claps at no even distance, of which each device misses some and hears others that the other does not.
#[test]
fn claps_that_come_once_are_matched_though_some_are_missed() {
    let mut right = 0;
    for round in 0..50u64 {
        let mut noise = Noise(9000 + round);
        let mut share = move || (noise.next() + 1.0) * 0.5;
        let claps: Vec<f64> = (0..8).map(|_| share() * 3000.0).collect();
        let mut heard = |late_s: f64, seed: u64| -> Vec<Marker> {
            let mut all: Vec<f64> = claps.iter().filter(|_| share() < 0.9).copied().collect();
            all.extend((0..6).map(|_| share() * 3000.0));
            all.sort_by(f64::total_cmp);
            all.iter().enumerate().map(|(i, t)| bare(t + late_s, seed + i as u64)).collect()
        };
        let (a, b) = (heard(12.5, 1000 * round), heard(0.0, 1000 * round + 500));
        let options = MatchOptions { durations_s: Some((3020.0, 3000.0)), ..MatchOptions::default() };
        right += usize::from(
            match_markers(&a, &b, &options).unwrap().is_some_and(|found| (found.offset_s - 12.5).abs() < 0.01),
        );
    }
    assert!(right >= 45, "{right} of 50 are matched rightly");
}

#[test]
fn one_clap_each_proves_nothing_and_bad_options_are_refused() {
    let options = MatchOptions::default();
    assert!(match_markers(&[bare(1.0, 1)], &[bare(5.0, 1)], &options).unwrap().is_none());
    assert!(match_markers(&[], &[], &options).unwrap().is_none());
    assert!(match_markers(&[], &[], &MatchOptions { max_drift_ppm: 2000.0, ..options.clone() }).is_err());
    assert!(match_markers(&[], &[], &MatchOptions { offset_range_s: Some((1.0, 0.0)), ..options }).is_err());
}

#[test]
fn a_count_before_the_clap_is_heard() {
    let rate = 48_000.0;
    let mut x = engine(14.0, rate, 0.003, 6);
    // Three words of some 250 ms each, 0.6 s apart, then the clap on the fourth beat.
    for beat in 0..3 {
        let from = 6.0 + 0.6 * f64::from(beat);
        for i in 0..(0.25 * rate) as usize {
            let t = i as f64 / rate;
            let swell = (std::f64::consts::PI * t / 0.25).sin();
            let voice: f64 =
                (1..=12).map(|h| (2.0 * std::f64::consts::PI * 140.0 * f64::from(h) * t).sin() / f64::from(h)).sum();
            x[(from * rate) as usize + i] += (0.05 * swell * voice) as f32;
        }
    }
    add_clap(&mut x, rate, 7.8, 0.4, 3);
    let found = find_markers(&x, rate, &MarkerOptions::default()).unwrap();
    let clap = found.iter().find(|m| (m.time_s - 7.8).abs() < 0.001).expect("the clap is found");
    let count = clap.count_in.expect("and its count");
    assert!((count.interval_s - 0.6).abs() < 0.05, "{count:?}");
}
