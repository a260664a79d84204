//! The core's numeric inputs: any sound at any rate, any time, any option.

use coeval::clock::ClockMap;
use coeval::marker::{Marker, MarkerDetector, MarkerOptions, MatchOptions, match_markers as match_all};
use coeval::network::{Anchor, Force, Link, Node, solve_anchored};
use coeval::pair::{Evidence, PairAlignment, PairJump, PairOptions, PairOutcome, align_pair};
use coeval::resample::{ResampleOptions, Resampler, Route};
use coeval::track::{Track, TrackBuilder};
use coeval_listen::activity::{ActivityBuilder, ActivityCurve, ActivityOptions, align_activity, find_sights};
use coeval_listen::level::LevelMeter;
use coeval_listen::limit::Limiter;
use coeval_listen::moment::{MomentMeter, find_motion};
use coeval_listen::speech::{SharedMeter, SpeechBuilder, SpeechCurve, SpeechOptions, SpeechSegment, spoken};

use crate::feed::Feed;

/// Samples of sound that one run hears at most.
const SAMPLES: usize = 1 << 16;

fn knots(feed: &mut Feed<'_>) -> Vec<(f64, f64)> {
    let n = feed.below(7);
    let (mut file, mut at) = (feed.tame(), feed.within(-1e5, 1e5));
    (0..n)
        .map(|_| {
            // Mostly a clock, now and then none at all.
            let step = feed.tame().abs();
            file += if feed.byte() < 40 { 0.0 } else { step };
            at += step * feed.within(0.9, 1.1);
            (file, at)
        })
        .collect()
}

/// Clock maps: there and back.
pub fn clock(data: &[u8]) {
    let mut feed = Feed::new(data);
    let map = match ClockMap::from_knots(knots(&mut feed)) {
        Ok(map) => map,
        Err(_) => ClockMap::linear(feed.any_f64(), feed.any_f64(), feed.any_f64()),
    };
    let _ = (map.offset_s(), map.drift_ppm(), map.jumps().count());
    for _ in 0..4 {
        let t = feed.any_f64();
        let _ = (map.forward(t), map.inverse(t));
    }
    // A clock that only goes forward, without jumps, is turned round by its inverse.
    let forward = map.knots().windows(2).all(|w| w[1].0 > w[0].0 && (0.5..2.0).contains(&slope(w)));
    if forward && map.knots().iter().all(|k| k.0.abs() < 1e6 && k.1.abs() < 1e6) {
        let t = feed.tame() * 100.0;
        let back = map.inverse(map.forward(t));
        assert!((back - t).abs() < 1e-6, "{t} comes back as {back}: {:?}", map.knots());
    }
}

fn slope(w: &[(f64, f64)]) -> f64 {
    (w[1].1 - w[0].1) / (w[1].0 - w[0].0)
}

fn build(feed: &mut Feed<'_>, most: usize) -> Option<Track> {
    let (rate_hz, channels) = (feed.rate(), feed.channels());
    let mut builder = match TrackBuilder::new(rate_hz, channels) {
        Ok(builder) => builder,
        Err(_) => {
            assert!(!(1000.0..=768_000.0).contains(&rate_hz) || !(1..=64).contains(&channels));
            return None;
        }
    };
    let sound = feed.sound(most);
    let piece = 1 + feed.below(9000);
    for block in sound.chunks(piece) {
        assert_eq!(builder.push(block).is_ok(), block.len() % channels == 0);
    }
    let whole: usize = sound.chunks(piece).filter(|b| b.len() % channels == 0).map(|b| b.len() / channels).sum();
    let track = builder.finish();
    let wanted = whole as f64 / rate_hz;
    assert!((track.duration_s() - wanted).abs() < 2.0 / 8000.0, "{} s of {wanted} s", track.duration_s());
    Some(track)
}

/// Analysis tracks.
pub fn track(data: &[u8]) {
    let mut feed = Feed::new(data);
    let Some(track) = build(&mut feed, SAMPLES) else { return };
    let mut out = vec![f32::NAN; feed.below(5000)];
    for _ in 0..3 {
        track.read(feed.u64() as i64, &mut out);
        assert!(out.iter().all(|s| s.is_finite()));
        track.read((feed.u32() % 100_000) as i64 - 50_000, &mut out);
        assert!(out.iter().all(|s| s.is_finite() && s.abs() <= 128.0));
    }
}

/// Two tracks laid on each other, either way.
pub fn pair(data: &[u8]) {
    let mut feed = Feed::new(data);
    let options = {
        let mut options = PairOptions::default();
        options.max_drift_ppm = feed.within(0.0, 1200.0);
        options.offset_range_s = feed.flag().then(|| (feed.any_f64(), feed.any_f64()));
        options
    };
    // Both are cut out of one sound, so that now and then they share some.
    let rate_hz = [8000.0, 16_000.0, 48_000.0, 1000.0][feed.below(4)];
    let cuts = [feed.u32(), feed.u32(), feed.u32(), feed.u32()];
    let stop_at = feed.byte();
    // A minute at the most: with more, a fuzzer would do little else than wait for pairs that share nothing.
    let sound = feed.sound((60 * rate_hz as usize).min(1 << 18));
    let n = sound.len().max(1);
    let of = |from: u32, to: u32| {
        let (from, to) = (from as usize % n, to as usize % n);
        let mut builder = TrackBuilder::new(rate_hz, 1).expect("a usual rate");
        builder.push(sound.get(from.min(to)..from.max(to)).unwrap_or_default()).expect("whole frames");
        builder.finish()
    };
    let (a, b) = (of(cuts[0], cuts[1]), of(cuts[2], cuts[3]));
    let steps = std::sync::atomic::AtomicU32::new(0);
    let progress = move |_: &str, done: f64| {
        assert!((0.0..=1.0).contains(&done), "{done} done");
        stop_at == 0 || steps.fetch_add(1, std::sync::atomic::Ordering::Relaxed) < u32::from(stop_at)
    };
    for (a, b) in [(&a, &b), (&b, &a)] {
        match align_pair(a, b, &options, &progress) {
            Ok(PairOutcome::Placed(p)) => {
                let figures = [p.confidence, p.uncertainty_s, p.overlap_s, p.residual_rms_s, p.wander_q, p.place_s];
                assert!(figures.iter().all(|f| f.is_finite() && *f >= 0.0), "{figures:?}");
                assert!(p.confidence <= 1.0);
                assert!(p.evidence.iter().all(|e| e.a_s.is_finite() && e.b_s.is_finite() && e.sigma_s >= 0.0));
            }
            Ok(PairOutcome::Unplaced(_)) => {}
            Err(e) => assert!([coeval::ErrorKind::InvalidArgument, coeval::ErrorKind::Cancelled].contains(&e.kind())),
        }
    }
}

fn markers(feed: &mut Feed<'_>, most: usize) -> Vec<Marker> {
    let (rate_hz, channels) = (feed.rate(), feed.channels());
    let mut options = MarkerOptions::default();
    options.all = feed.flag();
    options.min_peak_dbfs = feed.within(-120.0, 0.0);
    options.min_score = feed.within(-5.0, 5.0);
    let Ok(mut detector) = MarkerDetector::new(rate_hz, channels, &options) else { return Vec::new() };
    let sound = feed.sound(most);
    let mut found = Vec::new();
    for block in sound.chunks(channels * (1 + feed.below(9000))) {
        if let Ok(more) = detector.push(block) {
            found.extend(more);
        }
    }
    found.extend(detector.finish());
    found
}

/// Claps and knocks in any sound.
pub fn marker(data: &[u8]) {
    let mut feed = Feed::new(data);
    for m in markers(&mut feed, 3 * SAMPLES) {
        let figures = [m.time_s, m.uncertainty_s, m.sharpness_db, m.peak_dbfs, m.snr_db, m.decay_s, m.score];
        assert!(figures.iter().all(|f| f.is_finite()), "{figures:?}");
    }
}

/// Markers of two recordings, their times and widths anything.
pub fn match_markers(data: &[u8]) {
    let mut feed = Feed::new(data);
    // A clap, found once and then moved about.
    let one = {
        let mut sound = vec![0.0f32; 48_000];
        let mut state = 5u32;
        for (i, x) in sound.iter_mut().enumerate() {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (state >> 8) as f32 / (1 << 23) as f32 - 1.0;
            *x = noise * if i > 24_000 { 0.5 * (-((i - 24_000) as f32) / 300.0).exp() } else { 0.0 } + noise * 1e-4;
        }
        let mut all = MarkerOptions::default();
        all.all = true;
        coeval::marker::find_markers(&sound, 48_000.0, &all).expect("a usual rate").into_iter().next()
    };
    let Some(one) = one else { return };
    let side = |feed: &mut Feed<'_>| {
        let n = feed.below(40);
        (0..n)
            .map(|_| {
                let mut m = one.clone();
                m.time_s = if feed.byte() < 10 { feed.any_f64() } else { feed.tame().abs() * 20.0 };
                m.uncertainty_s = if feed.byte() < 10 { feed.any_f64() } else { 1e-4 };
                if feed.byte() < 40 {
                    m.waveform.truncate(feed.below(4000));
                }
                m.waveform_start_s = m.time_s - 0.01;
                m
            })
            .collect::<Vec<Marker>>()
    };
    let (a, b) = (side(&mut feed), side(&mut feed));
    let mut options = MatchOptions::default();
    options.max_drift_ppm = feed.within(0.0, 1200.0);
    options.offset_range_s = feed.flag().then(|| (feed.any_f64(), feed.any_f64()));
    options.durations_s = feed.flag().then(|| (feed.any_f64(), feed.any_f64()));
    options.min_confidence = feed.within(0.0, 1.0);
    if let Ok(Some(found)) = match_all(&a, &b, &options) {
        assert!(found.pairs.iter().all(|p| p.ia < a.len() && p.ib < b.len()));
        assert!((0.0..=1.0).contains(&found.confidence), "{}", found.confidence);
    }
}

/// A resampler along any route, fed and pulled as its documentation says.
pub fn resample(data: &[u8]) {
    let mut feed = Feed::new(data);
    let (Ok(source), clip) = (ClockMap::from_knots(knots(&mut feed)), ClockMap::from_knots(knots(&mut feed))) else {
        return;
    };
    let route = match clip {
        Ok(clip) => Route::under_clip(&source, &clip),
        Err(_) => Route::onto_timeline(&source),
    };
    let channels = feed.channels();
    let frames = if feed.byte() < 5 { feed.u64() } else { u64::from(feed.u32() % 20_000) };
    let mut options = ResampleOptions::new(feed.rate(), feed.rate(), channels, frames)
        .starting_at(feed.within(-100.0, 100.0))
        .fading_over(feed.within(0.0, 1.0));
    if feed.flag() {
        options = options.of_source_frames(if feed.flag() { feed.u64() } else { u64::from(feed.u32() % 100_000) });
    }
    let Ok(mut resampler) = Resampler::new(&route, &options) else { return };
    let sound = feed.sound(4096 * channels.min(4));
    let (mut out, mut total, mut fed) = (Vec::new(), 0, 0usize);
    for _ in 0..200 {
        while resampler.next_frame().is_some() {
            let n = sound.len() / channels * channels;
            if fed > 2_000_000 || n == 0 {
                resampler.end_of_source();
            } else {
                resampler.push(&sound[..n]).expect("whole frames");
                fed += n;
            }
        }
        let n = resampler.pull(&mut out);
        if n == 0 {
            assert_eq!(total, frames, "all that was promised comes out");
            break;
        }
        total += n as u64;
        assert!(out.len() == n * channels && out.iter().all(|s| s.is_finite()));
        assert!(resampler.presence().len() == n && resampler.presence().iter().all(|p| (0.0..=1.0).contains(p)));
    }
}

/// Levels, loudness, clipping.
pub fn level(data: &[u8]) {
    let mut feed = Feed::new(data);
    let (rate_hz, channels) = (feed.rate() as u32, feed.channels());
    let Ok(mut meter) = LevelMeter::new(rate_hz, channels) else { return };
    let sound = feed.sound(SAMPLES);
    for block in sound.chunks(channels * (1 + feed.below(9000))) {
        let _ = meter.push(block);
    }
    if let Ok(report) = meter.finish() {
        report.advice();
    }
}

/// The limiter: as many frames come out as go in, and no sample is above the limit.
pub fn limit(data: &[u8]) {
    let mut feed = Feed::new(data);
    let (rate_hz, channels, limit_dbtp) = (feed.rate(), feed.channels(), feed.within(-20.0, 0.0));
    let Ok(mut limiter) = Limiter::new(rate_hz, channels, limit_dbtp) else { return };
    let sound = feed.sound(SAMPLES);
    let (mut out, mut given) = (Vec::new(), 0);
    for block in sound.chunks(channels * (1 + feed.below(9000))) {
        if limiter.push(block, &mut out).is_ok() {
            given += block.len();
        }
    }
    limiter.finish(&mut out);
    assert_eq!(out.len(), given);
    let highest = 10f64.powf(limit_dbtp / 20.0) * 1.0001;
    assert!(out.iter().all(|s| s.is_finite() && f64::from(s.abs()) <= highest), "over {limit_dbtp} dBTP");
}

/// Activity curves from values and from pictures, laid on markers.
pub fn activity(data: &[u8]) {
    let mut feed = Feed::new(data);
    let curve = if feed.flag() {
        let n = feed.below(400);
        let mut t = feed.tame();
        let step = feed.within(0.01, 0.1);
        let times: Vec<f64> = (0..n)
            .map(|_| {
                t += if feed.byte() < 3 { feed.any_f64() } else { step };
                t
            })
            .collect();
        let motion = (0..n).map(|_| if feed.byte() < 200 { 1.0 } else { feed.any_f32() }).collect();
        let brightness = (0..n).map(|_| if feed.byte() < 200 { 90.0 } else { feed.any_f32() }).collect();
        match ActivityCurve::from_values(times, motion, brightness) {
            Ok(curve) => curve,
            Err(_) => return,
        }
    } else {
        let (width, height) = (feed.below(40), feed.below(40));
        let Ok(mut builder) = ActivityBuilder::new(width, height) else { return };
        for i in 0..feed.below(200) {
            let (base, odd) = (feed.byte(), feed.byte());
            let luma: Vec<u8> = (0..width * height).map(|p| if p % 3 == 0 { odd } else { base }).collect();
            let _ = builder.push(&luma, f64::from(i as u32) / 25.0 + feed.within(0.0, 0.02));
        }
        builder.finish()
    };
    find_sights(&curve, feed.within(0.0, 50.0));
    find_motion(&curve);
    let mut options = ActivityOptions::default();
    options.extra_distance_m = feed.within(-1000.0, 1000.0);
    options.offset_range_s = feed.flag().then(|| (feed.any_f64(), feed.any_f64()));
    options.min_strength = feed.within(0.1, 20.0);
    let markers = markers(&mut feed, SAMPLES);
    let _ = align_activity(&curve, &markers, &options);
}

/// Who speaks when, what stands out, and what two hear alike.
pub fn speech(data: &[u8]) {
    let mut feed = Feed::new(data);
    let (rate_hz, channels) = (feed.rate(), feed.channels());
    let mut options = SpeechOptions::default();
    options.enter = feed.within(0.0, 1.0) as f32;
    options.leave = feed.within(0.0, 1.0) as f32;
    options.min_speech_s = feed.within(0.0, 10.0);
    options.min_pause_s = feed.within(0.0, 10.0);
    options.hang_over_s = feed.within(0.0, 10.0);
    let values: Vec<f32> = (0..feed.below(300)).map(|_| feed.within(0.0, 1.0) as f32).collect();
    let mut segments: Vec<SpeechSegment> = Vec::new();
    if let Ok(curve) = SpeechCurve::from_values(values)
        && let Ok(found) = curve.segments(&options)
    {
        segments = found;
    }
    if feed.flag() {
        let (start_s, end_s) = (feed.any_f64(), feed.any_f64());
        segments.extend(SpeechSegment::new(start_s, end_s));
    }
    let sound = feed.sound(SAMPLES);
    if let Ok(mut builder) = SpeechBuilder::new(rate_hz, channels) {
        for block in sound.chunks(channels * 3000) {
            let _ = builder.push(block);
        }
        let curve = builder.finish();
        assert!(curve.probability().iter().all(|p| (0.0..=1.0).contains(p)));
        if let Ok(found) = curve.segments(&options) {
            assert!(found.windows(2).all(|w| w[0].end_s < w[1].start_s), "{found:?}");
            for segment in &found {
                segment.origin(feed.flag().then(|| feed.any_f64()));
            }
        }
    }
    if let Ok(mut meter) = MomentMeter::new(rate_hz, channels) {
        for block in sound.chunks(channels * 3000) {
            let _ = meter.push(block);
        }
        meter.finish();
    }
    if let Ok(mut shared) = SharedMeter::new(&segments) {
        let (left, right) = sound.split_at(sound.len() / 2);
        let n = left.len().min(right.len());
        shared.push(&left[..n], &right[..n]).expect("as long as each other");
        let heard = shared.finish();
        assert_eq!(spoken(&segments, &[heard]).len(), segments.len());
    }
}

/// Any net of files, links and anchors.
pub fn network(data: &[u8]) {
    let mut feed = Feed::new(data);
    let count = feed.below(7);
    let nodes: Vec<Node> = (0..count)
        .map(|_| Node {
            recording: feed.below(4),
            duration_s: feed.within(1.0, 1000.0),
            is_camera: feed.flag(),
            distance_m: if feed.byte() < 200 { 0.0 } else { feed.any_f64() },
        })
        .collect();
    let links: Vec<Link> = (0..feed.below(10))
        .map(|_| {
            let map = ClockMap::from_knots(knots(&mut feed)).unwrap_or_else(|_| {
                ClockMap::linear(feed.within(-100.0, 100.0), feed.within(-500.0, 500.0), feed.within(1.0, 1000.0))
            });
            let evidence: Vec<Evidence> = (0..feed.below(12))
                .map(|_| {
                    let b_s = feed.within(0.0, 1000.0);
                    let a_s = map.forward(b_s) + feed.within(-0.001, 0.001);
                    Evidence { a_s, b_s, sigma_s: feed.within(1e-6, 1e-2) }
                })
                .collect();
            let jumps: Vec<PairJump> = (0..feed.below(3))
                .map(|_| {
                    let (a_s, b_s) = (feed.within(0.0, 100.0), feed.within(0.0, 100.0));
                    let step_s = feed.within(-1.0, 1.0);
                    // In order or not.
                    PairJump { a_s, b_s, step_s, within_s: (b_s - 30.0 * step_s, b_s + 20.0 * step_s) }
                })
                .collect();
            let mut alignment = PairAlignment::from_parts(map, evidence, jumps);
            alignment.confidence = feed.within(0.0, 1.0);
            alignment.wander_q = feed.within(0.0, 1.0);
            alignment.place_s = feed.within(0.0, 0.01);
            alignment.uncertainty_s = feed.within(0.0, 0.01);
            Link { a: feed.below(count.max(1) + 1), b: feed.below(count.max(1) + 1), alignment }
        })
        .collect();
    let anchors: Vec<Anchor> = (0..feed.below(4))
        .map(|_| Anchor {
            a: feed.below(count.max(1)),
            a_s: feed.within(0.0, 100.0),
            b: feed.below(count.max(1)),
            b_s: feed.within(0.0, 100.0),
            uncertainty_s: feed.within(0.001, 1.0),
            force: if feed.flag() { Force::Hard } else { Force::Soft },
        })
        .collect();
    if let Ok(solution) = solve_anchored(&nodes, &links, &anchors, feed.below(4)) {
        assert_eq!(solution.placements.len(), nodes.len());
        for placement in solution.placements.iter().flatten() {
            assert!(placement.map.knots().iter().all(|k| k.0.is_finite() && k.1.is_finite()), "{placement:?}");
        }
    }
}
