//! What happens besides speech: loud moments, an engine that is opened up, a picture that moves.
//!
//! All of it is told by what is usual around it, since how loud an engine is and how much a sea moves differ from shoot
//! to shoot. Thresholds are common practice, no source.

use crate::activity::ActivityCurve;
use coeval::Result;
use coeval::samples::{check_channels, check_frames, check_rate};

/// Time from one level to the next, seconds.
const STEP_S: f64 = 0.1;
/// Rumble below is no moment, Hz.
const LOW_HZ: f64 = 100.0;
/// What is usual is found within this on either side, seconds.
const USUAL_S: f64 = 30.0;
/// A loud moment begins this far above what is usual, and ends when it is no longer so far above it, dB.
const LOUD_DB: (f64, f64) = (10.0, 6.0);
/// Anything shorter is a click, seconds.
const LEAST_S: f64 = 0.3;
/// A lasting change is at least so large, dB.
const CHANGE_DB: f64 = 6.0;
/// It is told by so much before and after, seconds, less a second about it.
const LASTING_S: f64 = 10.0;
/// What belongs to a change: before its middle and after it, seconds.
const AROUND_S: (f64, f64) = (2.0, 4.0);
/// Quantile that stands for the engine, under voices that come and go.
const ENGINE: f64 = 0.3;
/// Motion so many times what is usual counts.
const MOTION: f64 = 3.0;
/// It must last so long, seconds.
const MOTION_S: f64 = 1.0;

/// What kind of moment it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum MomentKind {
    /// Louder than usual, and quieter again.
    Loud,
    /// The level changes and stays: an engine is started, opened up, throttled back.
    Change,
    /// The picture moves more than usual.
    Motion,
}

impl MomentKind {
    /// The words used for it everywhere.
    pub fn as_str(self) -> &'static str {
        match self {
            MomentKind::Loud => "loud",
            MomentKind::Change => "level change",
            MomentKind::Motion => "moving picture",
        }
    }
}

/// Something that happens.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct FoundMoment {
    /// Where it begins, seconds.
    pub start_s: f64,
    /// Where it ends, seconds.
    pub end_s: f64,
    /// What it is.
    pub kind: MomentKind,
    /// How far it is from what is usual, dB: its highest level, the change with its sign, or the motion.
    pub over_db: f64,
}

/// Hears sound block by block and finds what stands out of it. Keeps ten numbers a second.
#[derive(Debug)]
pub struct MomentMeter {
    channels: usize,
    step: usize,
    smoothing: f64,
    low: Vec<f64>,
    power: f64,
    count: usize,
    levels_db: Vec<f64>,
}

impl MomentMeter {
    /// For interleaved sound of `rate_hz` (1000 to 768000 Hz) and `channels` (1 to 64).
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(rate_hz: f64, channels: usize) -> Result<Self> {
        check_rate("rate_hz", rate_hz, 1000.0..=768_000.0)?;
        check_channels(channels)?;
        Ok(Self {
            channels,
            step: (rate_hz * STEP_S).round() as usize,
            smoothing: 1.0 - (-std::f64::consts::TAU * LOW_HZ / rate_hz).exp(),
            low: vec![0.0; channels],
            power: 0.0,
            count: 0,
            levels_db: Vec::new(),
        })
    }

    /// Takes the next block, full scale +-1. NaN and infinite samples count as silence.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        check_frames(interleaved.len(), self.channels)?;
        for frame in interleaved.chunks_exact(self.channels) {
            for (x, low) in frame.iter().zip(&mut self.low) {
                let x = if x.is_finite() { f64::from(*x) } else { 0.0 };
                *low += self.smoothing * (x - *low);
                self.power += (x - *low).powi(2);
            }
            self.count += 1;
            if self.count == self.step {
                let mean = self.power / (self.count * self.channels) as f64;
                // Silence is as quiet as 16 bits can be.
                self.levels_db.push(10.0 * mean.max(1e-10).log10());
                (self.power, self.count) = (0.0, 0);
            }
        }
        Ok(())
    }

    /// What stands out, in order of time; a loud moment within a lasting change is part of it.
    pub fn finish(self) -> Vec<FoundMoment> {
        let levels = &self.levels_db;
        let mut moments = changes(levels);
        let loud = above(levels, &usual(levels, steps(USUAL_S), 0.5), LOUD_DB, steps(LEAST_S));
        for (from, to, over_db) in loud {
            let (start_s, end_s) = (from as f64 * STEP_S, to as f64 * STEP_S);
            if moments.iter().all(|c| end_s < c.start_s || start_s > c.end_s) {
                moments.push(FoundMoment { start_s, end_s, kind: MomentKind::Loud, over_db });
            }
        }
        moments.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        moments
    }
}

fn steps(seconds: f64) -> usize {
    (seconds / STEP_S).round() as usize
}

fn quantile(values: &[f64], q: f64) -> f64 {
    let mut sorted = values.to_vec();
    let at = (q * sorted.len().saturating_sub(1) as f64) as usize;
    *sorted.select_nth_unstable_by(at, f64::total_cmp).1
}

/// A quantile of what lies within `reach` of each value, found for every tenth.
fn usual(values: &[f64], reach: usize, q: f64) -> Vec<f64> {
    let mut out = Vec::with_capacity(values.len());
    while out.len() < values.len() {
        let at = out.len();
        let around = &values[at.saturating_sub(reach)..(at + reach).min(values.len())];
        out.resize((at + 10).min(values.len()), quantile(around, q));
    }
    out
}

/// Stretches that reach `over.0` above `usual`, for as long as they stay `over.1` above it: first, end, highest.
fn above(values: &[f64], usual: &[f64], over: (f64, f64), least: usize) -> Vec<(usize, usize, f64)> {
    let mut found = Vec::new();
    let mut i = 0;
    while i < values.len() {
        let end = (i..values.len()).find(|&k| values[k] - usual[k] < over.1).unwrap_or(values.len());
        let highest = (i..end).map(|k| values[k] - usual[k]).fold(f64::MIN, f64::max);
        if end - i >= least.max(1) && highest >= over.0 {
            found.push((i, end, highest));
        }
        i = end + 1;
    }
    found
}

/// Where the level is another after than before.
fn changes(levels: &[f64]) -> Vec<FoundMoment> {
    let (lasting, skip) = (steps(LASTING_S), steps(1.0));
    let change = |at: usize| {
        let (from, to) = (at.checked_sub(lasting)?, at + lasting);
        (to <= levels.len())
            .then(|| quantile(&levels[at + skip..to], ENGINE) - quantile(&levels[from..at - skip], ENGINE))
    };
    let all: Vec<f64> = (0..levels.len()).step_by(2).map(|at| change(at).unwrap_or(0.0)).collect();
    let near = lasting / 2;
    let mut moments: Vec<FoundMoment> = Vec::new();
    for (i, &db) in all.iter().enumerate().filter(|c| c.1.abs() >= CHANGE_DB) {
        let around = &all[i.saturating_sub(near)..(i + near).min(all.len())];
        let middle_s = (2 * i) as f64 * STEP_S;
        let highest = around.iter().all(|other| other.abs() <= db.abs());
        if highest && moments.last().is_none_or(|e| e.end_s < middle_s) {
            moments.push(FoundMoment {
                start_s: (middle_s - AROUND_S.0).max(0.0),
                end_s: middle_s + AROUND_S.1,
                kind: MomentKind::Change,
                over_db: db,
            });
        }
    }
    moments
}

/// Where a picture moves at least three times as much as is usual within half a minute, for a second or longer.
pub fn find_motion(curve: &ActivityCurve) -> Vec<FoundMoment> {
    let frame_s = curve.frame_s();
    if frame_s <= 0.0 {
        return Vec::new();
    }
    let motion = curve.motion();
    // Odd timestamps must not make windows of endless length.
    let frames = |seconds: f64| (seconds / frame_s).min(motion.len() as f64 + 1.0);
    // In dB over a tiny motion, averaged over half a second: one frame is no motion.
    let half = (frames(0.25).round() as usize).max(1);
    let smooth: Vec<f64> = (0..motion.len())
        .map(|i| {
            let around = &motion[i.saturating_sub(half)..(i + half + 1).min(motion.len())];
            let mean = around.iter().map(|m| f64::from(m.max(0.0))).sum::<f64>() / around.len() as f64;
            10.0 * mean.max(1e-3).log10()
        })
        .collect();
    let reach = (frames(USUAL_S) as usize).max(1);
    let over_db = 10.0 * MOTION.log10();
    let found = above(&smooth, &usual(&smooth, reach, 0.5), (over_db, 0.5 * over_db), frames(MOTION_S) as usize);
    let times = curve.times_s();
    found
        .into_iter()
        .map(|(from, to, over_db)| FoundMoment {
            start_s: times[from],
            end_s: times[to - 1] + frame_s,
            kind: MomentKind::Motion,
            over_db,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Noise at `level(t)` dB.
    fn found(duration_s: f64, channels: usize, level: impl Fn(f64) -> f64) -> Vec<FoundMoment> {
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
        };
        let rate = 8000.0;
        let sound: Vec<f32> = (0..(duration_s * rate) as usize)
            .flat_map(|i| {
                let gain = 10f64.powf(level(i as f64 / rate) / 20.0) as f32;
                (0..channels).map(|_| gain * next()).collect::<Vec<_>>()
            })
            .collect();
        let mut meter = MomentMeter::new(rate, channels).unwrap();
        sound.chunks(999 * channels).for_each(|b| meter.push(b).unwrap());
        meter.finish()
    }

    #[test]
    fn a_bang_and_an_engine_that_opens_up_are_found_and_nothing_else() {
        assert_eq!(found(120.0, 1, |t| -40.0 + (0.3 * t).sin()), []);
        assert_eq!(found(5.0, 1, |_| -40.0), []);
        let bang = found(120.0, 2, |t| if (50.0..50.6).contains(&t) { -22.0 } else { -40.0 });
        assert_eq!(bang.len(), 1, "{bang:?}");
        assert_eq!(bang[0].kind, MomentKind::Loud);
        assert!((bang[0].start_s - 50.0).abs() < 0.11 && (bang[0].end_s - 50.6).abs() < 0.11, "{bang:?}");
        assert!((bang[0].over_db - 18.0).abs() < 1.0, "{bang:?}");
        let engine = found(180.0, 1, |t| if t < 80.0 { -40.0 } else { -30.0 });
        assert_eq!(engine.len(), 1, "{engine:?}");
        assert_eq!(engine[0].kind, MomentKind::Change);
        assert!((engine[0].start_s - 78.0).abs() < 1.5 && (engine[0].over_db - 10.0).abs() < 0.5, "{engine:?}");
        let stopped = found(180.0, 1, |t| if t < 80.0 { -30.0 } else { -60.0 });
        assert!(stopped.len() == 1 && stopped[0].over_db < -25.0, "{stopped:?}");
    }

    #[test]
    fn a_picture_that_moves_is_found() {
        let times: Vec<f64> = (0..3000).map(|i| f64::from(i) * 0.04).collect();
        let motion = |moved: std::ops::Range<f64>| {
            times.iter().map(|t| if moved.contains(t) { 9.0 } else { 1.0 + 0.3 * (t * 7.0).sin() as f32 }).collect()
        };
        let curve = |motion: Vec<f32>| ActivityCurve::from_values(times.clone(), motion, vec![90.0; 3000]).unwrap();
        let moments = find_motion(&curve(motion(50.0..55.0)));
        assert_eq!(moments.len(), 1, "{moments:?}");
        assert!((moments[0].start_s - 50.0).abs() < 0.3 && (moments[0].end_s - 55.0).abs() < 0.3, "{moments:?}");
        assert_eq!(find_motion(&curve(motion(50.0..50.1))), []);
        assert_eq!(find_motion(&ActivityCurve::default()), []);
    }

    #[test]
    fn hostile_samples_and_arguments() {
        for (rate_hz, channels) in [(0.0, 1), (f64::NAN, 1), (8000.0, 0), (8000.0, 65)] {
            assert!(MomentMeter::new(rate_hz, channels).is_err());
        }
        let mut meter = MomentMeter::new(8000.0, 2).unwrap();
        assert!(meter.push(&[0.0; 3]).is_err());
        meter.push(&[f32::NAN, f32::INFINITY, 1e30, -1e30].repeat(50_000)).unwrap();
        meter.push(&[]).unwrap();
        assert!(meter.finish().iter().all(|e| e.start_s.is_finite() && e.over_db.is_finite()));
        // Frames so close together that a second holds more of them than can be counted.
        let times_s: Vec<f64> = (0..40).map(|i| f64::from(i) * 1e-300).collect();
        let curve = ActivityCurve::from_values(times_s, vec![9.0; 40], vec![0.0; 40]).unwrap();
        assert_eq!(find_motion(&curve), []);
    }
}
