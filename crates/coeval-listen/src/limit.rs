//! Keeps true peaks under a limit.
//!
//! What a true peak is follows ITU-R BS.1770-4, annex 2. The gain is the least that a look-ahead window needs, averaged
//! over that window, so that it arrives in time and has no steps; it comes back exponentially (common practice, no source).
//!
//! ```
//! use coeval_listen::limit::Limiter;
//!
//! let loud: Vec<f32> = (0..48_000).map(|n| 1.5 * (n as f32 * 0.05).sin()).collect();
//! let mut limiter = Limiter::new(48_000.0, 1, -6.0)?;
//! let mut out = Vec::new();
//! for block in loud.chunks(512) {
//!     limiter.push(block, &mut out)?;
//! }
//! limiter.finish(&mut out);
//! assert_eq!(out.len(), loud.len());
//! assert!(out.iter().all(|x| x.abs() <= 0.502));
//! # Ok::<(), coeval::Error>(())
//! ```

use std::collections::VecDeque;

use coeval::samples::{check_frames, greater};
use coeval::{Error, ErrorKind, Result};

/// Points between two samples at which the peak is looked for, as ITU-R BS.1770-4, annex 2, asks for at 48 kHz.
const PHASES: usize = 4;
/// Samples on either side from which a point between two is interpolated.
const HALF: usize = 12;
/// Time in which the gain goes down before a peak, seconds.
const LOOK_AHEAD_S: f64 = 0.005;
/// Frames of a block up to which no call allocates.
const BLOCK: usize = 4096;
/// Time constant with which it comes back, seconds.
const RELEASE_S: f64 = 0.1;

/// A limiter for interleaved sound: looks a little ahead, turns all channels down alike before a peak and slowly up
/// after it. The sound comes out as late as it looks ahead; [`finish`](Self::finish) gives the rest.
#[derive(Debug)]
pub struct Limiter {
    channels: usize,
    ceiling: f32,
    window: usize,
    release: f32,
    /// For each sample around a frame its weight in the points from that frame on, the first of which is the frame itself.
    filter: [[f32; PHASES]; 2 * HALF],
    /// Interleaved sound, from the oldest that a point in question needs.
    sound: Vec<f32>,
    /// Needed gains within the window, ascending from its front, and the frame of each.
    least: VecDeque<(u64, f32)>,
    /// The gain as it follows.
    gains: Window,
    held: f32,
    seen: u64,
    /// Frames that `sound` no longer holds.
    dropped: u64,
    out: u64,
    frames: u64,
}

impl Limiter {
    /// For sound of `rate_hz` (8000 to 768000) and `channels` (1 to 64); no true peak shall be above `limit_dbtp`
    /// (-60 to 0).
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(rate_hz: f64, channels: usize, limit_dbtp: f64) -> Result<Self> {
        let ranges = [
            ("rate_hz", rate_hz, 8e3, 768e3),
            ("channels", channels as f64, 1.0, 64.0),
            ("limit_dbtp", limit_dbtp, -60.0, 0.0),
        ];
        if let Some((name, value, low, high)) = ranges.into_iter().find(|r| !(r.2..=r.3).contains(&r.1)) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("{name} is {value}, not within {low} to {high}"),
            ));
        }
        let weight = |i: usize, p: usize| {
            if p == 0 {
                return if i == HALF - 1 { 1.0 } else { 0.0 };
            }
            let x = i as f64 - (HALF - 1) as f64 - p as f64 / PHASES as f64;
            let sinc = (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x);
            let window = (0.5 * std::f64::consts::PI * x / HALF as f64).cos().powi(2);
            (sinc * window) as f32
        };
        let filter = std::array::from_fn(|i| std::array::from_fn(|p| weight(i, p)));
        let window = (LOOK_AHEAD_S * rate_hz).ceil() as usize;
        // What is kept before the frame in question, and a block.
        let mut sound = Vec::with_capacity((window + 3 * HALF + BLOCK) * channels);
        sound.extend(std::iter::repeat_n(0.0, (HALF - 1) * channels));
        Ok(Self {
            channels,
            ceiling: 10f64.powf(limit_dbtp / 20.0) as f32,
            window,
            release: (1.0 / (RELEASE_S * rate_hz)) as f32,
            filter,
            sound,
            least: VecDeque::with_capacity(window + 2),
            gains: Window::new(window),
            held: 1.0,
            seen: 0,
            dropped: 0,
            out: 0,
            frames: 0,
        })
    }

    /// By how many frames the sound comes out late.
    pub fn latency(&self) -> usize {
        self.window + HALF
    }

    /// Takes the next block and appends to `out` what is ready. NaN and infinite samples count as silence. Allocates
    /// nothing where `out` has room and the block has no more than 4096 frames.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32], out: &mut Vec<f32>) -> Result<()> {
        check_frames(interleaved.len(), self.channels)?;
        self.frames += (interleaved.len() / self.channels) as u64;
        self.sound.extend(interleaved.iter().map(|x| if x.is_finite() { *x } else { 0.0 }));
        self.advance(out);
        Ok(())
    }

    /// The rest: in all as many frames come out as went in.
    pub fn finish(mut self, out: &mut Vec<f32>) {
        let begin = out.len() as u64;
        let left = (self.frames - self.out) * self.channels as u64;
        self.sound.extend(std::iter::repeat_n(0.0, (2 * self.window + 2 * HALF) * self.channels));
        self.advance(out);
        out.truncate((begin + left) as usize);
    }

    fn advance(&mut self, out: &mut Vec<f32>) {
        let c = self.channels;
        // Frames that are kept before the one in question.
        let delay = self.window + HALF + 1;
        loop {
            let at = self.index();
            if (at + HALF) * c >= self.sound.len() {
                break;
            }
            let mut peak = 0f32;
            let around = &self.sound[(at + 1 - HALF) * c..(at + 1 + HALF) * c];
            for channel in 0..c {
                let mut points = [0f32; PHASES];
                for (i, weights) in self.filter.iter().enumerate() {
                    let x = around[i * c + channel];
                    points.iter_mut().zip(weights).for_each(|(point, weight)| *point += weight * x);
                }
                peak = points.iter().fold(peak, |peak, point| greater(point.abs(), peak));
            }
            let needed = if peak > self.ceiling { self.ceiling / peak } else { 1.0 };
            while self.least.back().is_some_and(|l| l.1 >= needed) {
                self.least.pop_back();
            }
            self.least.push_back((self.seen, needed));
            while self.least.front().is_some_and(|l| l.0 + (self.window as u64) < self.seen) {
                self.least.pop_front();
            }
            let least = self.least.front().map_or(1.0, |l| l.1);
            self.held = least.min(self.held + (1.0 - self.held) * self.release);
            self.gains.push(self.held);
            self.seen += 1;
            if self.seen > self.window as u64 {
                // The mean of the window that ends here, for the frame that it began with.
                let gain = self.gains.mean();
                let from = self.index() - 1 - self.window;
                out.extend(self.sound[from * c..(from + 1) * c].iter().map(|x| x * gain));
                self.out += 1;
            }
        }
        let spent = self.index().saturating_sub(delay);
        self.sound.drain(..spent * c);
        self.dropped += spent as u64;
    }

    /// Where in `sound` the frame in question lies.
    fn index(&self) -> usize {
        (HALF as u64 - 1 + self.seen - self.dropped) as usize
    }
}

/// The last gains, as many as the window has frames, as a queue whose sum is known. What goes out is not subtracted: rounding of a
/// gain of 1 would outlast it, and is more than the whole of a gain that a huge sample needs.
#[derive(Debug)]
struct Window {
    length: usize,
    /// Of the older ones each one's sum with all that came after it in this half; the oldest last.
    older: Vec<f64>,
    newer: Vec<f32>,
    newer_sum: f64,
}

impl Window {
    fn new(length: usize) -> Self {
        let (older, newer) = (Vec::with_capacity(length + 1), Vec::with_capacity(length + 1));
        Self { length, older, newer, newer_sum: 0.0 }
    }

    fn push(&mut self, gain: f32) {
        self.newer.push(gain);
        self.newer_sum += f64::from(gain);
        if self.older.len() + self.newer.len() <= self.length {
            return;
        }
        if self.older.is_empty() {
            let mut sum = 0.0;
            self.older.extend(self.newer.drain(..).rev().map(|gain| {
                sum += f64::from(gain);
                sum
            }));
            self.newer_sum = 0.0;
        }
        self.older.pop();
    }

    fn mean(&self) -> f32 {
        let sum = self.older.last().copied().unwrap_or(0.0) + self.newer_sum;
        (sum / (self.older.len() + self.newer.len()) as f64) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::level::LevelMeter;

    fn limited(sound: &[f32], channels: usize, limit_dbtp: f64, block: usize) -> Vec<f32> {
        let mut limiter = Limiter::new(48_000.0, channels, limit_dbtp).unwrap();
        let mut out = Vec::new();
        sound.chunks(block * channels).for_each(|b| limiter.push(b, &mut out).unwrap());
        limiter.finish(&mut out);
        out
    }

    #[test]
    fn what_is_quiet_comes_out_as_it_went_in() {
        let sound: Vec<f32> = (0..20_000).map(|i| 0.3 * (i as f32 * 0.1).sin()).collect();
        assert_eq!(limited(&sound, 1, -3.0, 777), sound);
        assert_eq!(limited(&sound, 2, -3.0, 64), sound);
        assert!(limited(&[], 1, -3.0, 1).is_empty());
        assert_eq!(limited(&[0.1, 0.2], 2, -3.0, 1), [0.1, 0.2]);
    }

    #[test]
    fn the_sound_comes_out_as_late_as_it_says() {
        for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
            let mut limiter = Limiter::new(rate_hz, 2, -3.0).unwrap();
            let mut out = Vec::new();
            limiter.push(&[0.1; 2 * 5000], &mut out).unwrap();
            assert_eq!(out.len() / 2, 5000 - limiter.latency());
        }
    }

    #[test]
    fn the_mean_of_a_window_forgets_what_left_it() {
        let mut window = Window::new(3);
        let gains = [1.0, 1.0, 0.5, 1e-30, 1e-30, 3e-30, 0.25, 1e-20];
        for (i, gain) in gains.into_iter().enumerate() {
            window.push(gain);
            let last = &gains[i.saturating_sub(2)..=i];
            let mean = last.iter().sum::<f32>() / last.len() as f32;
            assert!((window.mean() / mean - 1.0).abs() < 1e-6, "{i}: {} {mean}", window.mean());
        }
    }

    #[test]
    fn no_true_peak_is_above_the_limit() {
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
        };
        // A tone at a quarter of the rate whose samples miss its peaks by 3 dB, bursts, noise.
        let sound: Vec<f32> = (0..96_000)
            .map(|i| {
                let tone = (std::f32::consts::FRAC_PI_2 * i as f32 + std::f32::consts::FRAC_PI_4).sin();
                match i / 8000 % 3 {
                    0 => 1.3 * tone,
                    1 => {
                        if i % 2500 < 40 {
                            3.0 * next()
                        } else {
                            0.05 * next()
                        }
                    }
                    _ => 0.7 * next(),
                }
            })
            .collect();
        for block in [1000, 48_000] {
            let out = limited(&sound, 1, -1.0, block);
            assert_eq!(out.len(), sound.len());
            let mut meter = LevelMeter::new(48_000, 1).unwrap();
            meter.push(&out).unwrap();
            let peak = meter.finish().unwrap().channels[0].true_peak_dbtp;
            // Another interpolator sees some tenths more of what is near half the rate.
            assert!((-3.0..-0.6).contains(&peak), "{peak}");
        }
    }
}
