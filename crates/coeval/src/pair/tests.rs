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
    let table = crate::track::FractionalDelay::new();
    let own = 10f32.powf(-snr_db / 20.0);
    let (mut a, mut b) = (vec![0.0f32; n], vec![0.0f32; n]);
    let middle = n as f64 / 2.0;
    crate::track::resampled(&base, middle + 80_000.0, 1.0, &table, &mut a);
    crate::track::resampled(&base, middle + 106_400.0, 1.0 + drift_ppm * 1e-6, &table, &mut b);
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
fn offset_and_drift_are_recovered_to_microseconds() {
    for (snr_db, drift_ppm) in [(20.0, 0.0), (0.0, 50.0), (0.0, -400.0), (-6.0, 90.0)] {
        let (a, b) = noisy_pair(3, 40, snr_db, drift_ppm);
        let p = placed(align_pair(&a, &b, &PairOptions::default(), &()).unwrap());
        // One sample is 125 us: a shift by one fails this by far.
        assert!((p.map.to_timeline(20.0) - 23.3).abs() < 8e-6, "{snr_db} dB: {}", p.map.to_timeline(20.0));
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
        assert!((ba.map.to_timeline(ab.map.to_timeline(b_s)) - b_s).abs() < 1e-5);
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
    assert!((upright.map.to_timeline(20.0) - turned.map.to_timeline(20.0)).abs() < 5e-6);
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

#[test]
fn cancelling_stops_the_work() {
    let (a, b) = noisy_pair(11, 30, 0.0, 0.0);
    let stop = |_: &str, _: f64| false;
    let error = align_pair(&a, &b, &PairOptions::default(), &stop).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::Cancelled);
}
