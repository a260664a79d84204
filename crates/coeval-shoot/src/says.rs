//! Which channels of a recording say anything: a microphone with somebody before it, not one that only hums or hisses.
//!
//! The power of what changes quickly (the first difference, which takes rumble and hum down) is taken in short bins. What
//! people say and do comes and goes, whatever its level; noise of an input that nobody uses does not.

use serde::{Deserialize, Serialize};

/// Length of a bin, seconds, and of how many one is heard: that costs little, and is enough of any voice.
const BIN_S: f64 = 0.02;
const EVERY: usize = 5;
/// Powers are counted in steps of a dB, from here up. What is lower is digital silence.
const LOWEST_DB: i32 = -140;
const STEPS: usize = 160;
/// A channel says something where its loud bins (one of fifty) lie so far above its quiet ones (one of ten), dB (own
/// choice): steady noise has less than 2 dB.
const SAYS_DB: usize = 6;
const LOUD: f64 = 0.98;
const QUIET: f64 = 0.1;

/// What a channel says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Said {
    /// How far its loud moments lie above its quiet ones, dB; 0 for silence.
    pub(crate) spread_db: usize,
    /// Root mean square of its first difference.
    pub(crate) rms: f64,
}

impl Said {
    pub(crate) fn anything(&self) -> bool {
        self.spread_db >= SAYS_DB
    }
}

/// Those of `said` that say something; where none does, those that are not silent; where all are, all.
pub(crate) fn which(said: &[Said]) -> Vec<usize> {
    let all = |which: fn(&Said) -> bool| -> Vec<usize> { (0..said.len()).filter(|&i| which(&said[i])).collect() };
    [Said::anything, |s: &Said| s.rms > 0.0, |_: &Said| true]
        .into_iter()
        .map(all)
        .find(|w| !w.is_empty())
        .unwrap_or_default()
}

/// Takes a part of every so much of a stream of interleaved samples.
pub(crate) struct Sample {
    channels: usize,
    /// Frames that are taken of every so many, and where in these the stream is.
    taken: usize,
    every: usize,
    at: usize,
}

impl Sample {
    pub(crate) fn new(channels: usize, taken: usize, every: usize) -> Self {
        Self { channels, taken, every: every.max(1), at: 0 }
    }

    /// What is taken of these samples: blocks, and where in the part that is taken each begins, frames.
    pub(crate) fn of<'b>(&mut self, mut interleaved: &'b [f32]) -> Vec<(usize, &'b [f32])> {
        let mut blocks = Vec::new();
        while interleaved.len() >= self.channels {
            let is_taken = self.at < self.taken;
            let until = if is_taken { self.taken } else { self.every };
            let frames = (until - self.at).min(interleaved.len() / self.channels);
            let (block, rest) = interleaved.split_at(frames * self.channels);
            if is_taken {
                blocks.push((self.at, block));
            }
            self.at = (self.at + frames) % self.every;
            interleaved = rest;
        }
        blocks
    }
}

/// Measures what each channel says, as a stream.
pub(crate) struct Listener {
    channels: usize,
    /// Frames of a bin.
    bin: usize,
    sample: Sample,
    before: Vec<f32>,
    power: Vec<f64>,
    total: Vec<f64>,
    bins: u64,
    counts: Vec<[u64; STEPS]>,
}

impl Listener {
    pub(crate) fn new(rate_hz: f64, channels: usize) -> Self {
        let bin = ((BIN_S * rate_hz) as usize).max(1);
        Self {
            channels,
            bin,
            sample: Sample::new(channels, bin, EVERY * bin),
            before: vec![0.0; channels],
            power: vec![0.0; channels],
            total: vec![0.0; channels],
            bins: 0,
            counts: vec![[0; STEPS]; channels],
        }
    }

    pub(crate) fn push(&mut self, interleaved: &[f32]) {
        for (at, block) in self.sample.of(interleaved) {
            if at == 0 {
                self.before.copy_from_slice(&block[..self.channels]);
            }
            self.hear(block);
            if at + block.len() / self.channels == self.bin {
                self.count();
            }
        }
    }

    fn hear(&mut self, block: &[f32]) {
        for frame in block.chunks_exact(self.channels) {
            for ((x, before), power) in frame.iter().zip(&mut self.before).zip(&mut self.power) {
                let step = x - *before;
                *power += f64::from(step * step);
                *before = *x;
            }
        }
    }

    fn count(&mut self) {
        for ((power, total), counts) in self.power.iter_mut().zip(&mut self.total).zip(&mut self.counts) {
            let mean = std::mem::take(power) / self.bin as f64;
            *total += mean;
            let db = (10.0 * mean.max(1e-30).log10()) as i32 - LOWEST_DB;
            counts[db.clamp(0, STEPS as i32 - 1) as usize] += 1;
        }
        self.bins += 1;
    }

    pub(crate) fn finish(self) -> Vec<Said> {
        let level = |counts: &[u64; STEPS], part: f64| {
            let mut below = 0;
            counts
                .iter()
                .take_while(|n| {
                    below += **n;
                    (below as f64) <= part * self.bins as f64
                })
                .count()
        };
        let said = |(counts, total): (&[u64; STEPS], &f64)| {
            let (loud, quiet) = (level(counts, LOUD), level(counts, QUIET));
            Said { spread_db: loud.saturating_sub(quiet), rms: (total / self.bins.max(1) as f64).sqrt() }
        };
        self.counts.iter().zip(&self.total).map(said).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_and_hum_say_nothing_and_a_few_words_do() {
        let mut seed = 1u64;
        let mut noise = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 40) as f32 / (1u64 << 23) as f32 - 1.0
        };
        let mut listener = Listener::new(48_000.0, 5);
        for n in 0..48_000 * 20 {
            let t = n as f32 / 48_000.0;
            let hum = (std::f32::consts::TAU * 50.0 * t).sin();
            // A word of 0.3 s every 5 s, 10 dB over the noise.
            let word = if t % 5.0 < 0.3 { 3.0 } else { 0.0 };
            let block = [1e-4 * noise(), 0.5 * hum + 1e-3 * noise(), 0.0, (1.0 + word) * 1e-4 * noise(), 0.3 * noise()];
            listener.push(&block);
        }
        let said = listener.finish();
        assert_eq!(said.iter().map(Said::anything).collect::<Vec<_>>(), [false, false, false, true, false], "{said:?}");
        assert_eq!(said[2].rms, 0.0);
        assert_eq!(which(&said), [3]);
        assert_eq!(which(&said[..3]), [0, 1]);
        assert_eq!(which(&said[2..3]), [0]);
    }
}
