//! What must hold of any two recordings, whatever they hold: moved, turned down, turned round, swapped, lengthened.

use coeval::clock::ClockMap;
use coeval::pair::{PairAlignment, PairOptions, PairOutcome, align_pair};
use coeval::track::{Track, TrackBuilder};
use proptest::prelude::*;

const RATE_HZ: usize = 8000;

/// Seeded numbers between -1 and 1 (Knuth's MMIX generator, from memory).
fn noise(seed: u64) -> impl FnMut() -> f32 {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    }
}

/// Talk without words: bursts of coloured noise with pauses.
fn event(seed: u64, seconds: usize) -> Vec<f32> {
    let mut next = noise(seed);
    let (mut out, mut held) = (Vec::new(), 0.0);
    while out.len() < seconds * RATE_HZ {
        let colour = 0.3 + 0.6 * next().abs();
        let level = 0.1 + 0.3 * next().abs();
        for _ in 0..((0.15 + 0.35 * next().abs()) * RATE_HZ as f32) as usize {
            held = colour * held + (1.0 - colour) * next();
            out.push(level * held);
        }
        out.extend(std::iter::repeat_n(0.0, ((0.05 + 0.4 * next().abs()) * RATE_HZ as f32) as usize));
    }
    out.truncate(seconds * RATE_HZ);
    out
}

/// What a device hears of a part of it.
fn heard(sound: &[f32], seed: u64) -> Vec<f32> {
    let mut own = noise(seed);
    sound.iter().map(|s| s + 0.01 * own()).collect()
}

fn track(sound: &[f32]) -> Track {
    let mut builder = TrackBuilder::new(RATE_HZ as f64, 1).expect("a usual rate");
    builder.push(sound).expect("whole frames");
    builder.finish()
}

fn place(a: &[f32], b: &[f32]) -> PairAlignment {
    match align_pair(&track(a), &track(b), &PairOptions::default(), &()).expect("aligns") {
        PairOutcome::Placed(placed) => *placed,
        PairOutcome::Unplaced(why) => panic!("unplaced: {}", why.as_str()),
    }
}

/// The two differ by `shift_s` (first minus second) at start, middle and end of `length_s`, to a tenth of a sample of
/// 8 kHz: 12.5 us.
fn differ_by(first: &ClockMap, second: &ClockMap, shift_s: f64, length_s: f64) {
    for at_s in [0.0, length_s / 2.0, length_s] {
        let off_s = first.forward(at_s) - second.forward(at_s) - shift_s;
        assert!(off_s.abs() < 12.5e-6, "{:.2} us at {at_s} s", off_s * 1e6);
    }
}

/// Two recordings of one event, `late` samples apart.
fn two(seed: u64, late: usize) -> (Vec<f32>, Vec<f32>) {
    let event = event(seed, 34);
    (heard(&event[..28 * RATE_HZ], seed + 1), heard(&event[late..late + 26 * RATE_HZ], seed + 2))
}

const B_S: f64 = 26.0;

proptest! {
    #![proptest_config(ProptestConfig { cases: 3, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn found_where_it_lies(seed in 0u64..1 << 40, late in 0usize..6 * RATE_HZ) {
        let (a, b) = two(seed, late);
        let found = place(&a, &b);
        let off_s = found.map.forward(B_S / 2.0) - B_S / 2.0 - late as f64 / RATE_HZ as f64;
        prop_assert!(off_s.abs() < 20e-6, "{} us", off_s * 1e6);
        prop_assert!(found.confidence > 0.99 && !found.inverted);
    }

    #[test]
    fn swapped_it_is_the_inverse(seed in 0u64..1 << 40, late in 0usize..6 * RATE_HZ) {
        let (a, b) = two(seed, late);
        let (there, back) = (place(&a, &b), place(&b, &a));
        for b_s in [1.0, 12.0, 25.0] {
            let off_s = back.map.forward(there.map.forward(b_s)) - b_s;
            prop_assert!(off_s.abs() < 12.5e-6, "{} us", off_s * 1e6);
        }
    }

    #[test]
    fn level_and_sign_do_not_move_it(seed in 0u64..1 << 40, late in 0usize..6 * RATE_HZ, gain in -40.0f32..20.0) {
        let (a, b) = two(seed, late);
        let as_it_is = place(&a, &b);
        let gain = 10f32.powf(gain / 20.0);
        let turned: Vec<f32> = b.iter().map(|s| -gain * s).collect();
        let found = place(&a, &turned);
        prop_assert!(found.inverted && !as_it_is.inverted);
        differ_by(&found.map, &as_it_is.map, 0.0, B_S);
    }

    #[test]
    fn what_comes_before_moves_it_by_its_length(seed in 0u64..1 << 40, late in 0usize..6 * RATE_HZ, more in 1usize..9 * RATE_HZ) {
        let (a, b) = two(seed, late);
        let as_it_is = place(&a, &b);
        // Another event, that b did not hear.
        let before = heard(&event(seed + 77, 9)[..more], seed + 3);
        let found = place(&[before.clone(), a.clone()].concat(), &b);
        differ_by(&found.map, &as_it_is.map, more as f64 / RATE_HZ as f64, B_S);
        // And behind, nothing moves.
        differ_by(&place(&[a, before].concat(), &b).map, &as_it_is.map, 0.0, B_S);
    }

    #[test]
    fn backwards_it_lies_at_the_other_end(seed in 0u64..1 << 40, late in 0usize..6 * RATE_HZ) {
        let (mut a, mut b) = two(seed, late);
        a.reverse();
        b.reverse();
        let found = place(&a, &b);
        let wanted_s = (a.len() - b.len()) as f64 / RATE_HZ as f64 - late as f64 / RATE_HZ as f64;
        let off_s = found.map.forward(B_S / 2.0) - B_S / 2.0 - wanted_s;
        prop_assert!(off_s.abs() < 20e-6, "{} us", off_s * 1e6);
    }

    #[test]
    fn unrelated_sound_is_not_placed(seed in 0u64..1 << 40) {
        let (a, b) = (heard(&event(seed, 28), seed + 1), heard(&event(seed + 99, 26), seed + 2));
        let outcome = align_pair(&track(&a), &track(&b), &PairOptions::default(), &()).expect("aligns");
        prop_assert!(matches!(outcome, PairOutcome::Unplaced(_)), "{outcome:?}");
    }
}

#[test]
fn every_type_may_go_between_threads() {
    fn both<T: Send + Sync>() {}
    both::<coeval::Track>();
    both::<coeval::TrackBuilder>();
    both::<coeval::Aligner>();
    both::<coeval::PairOutcome>();
    both::<coeval::ClockMap>();
    both::<coeval::Resampler>();
    both::<coeval::MarkerDetector>();
    both::<coeval::Error>();
}
