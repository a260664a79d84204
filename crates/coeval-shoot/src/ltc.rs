//! Timecode in sound: which channels carry it, and what it says.

use std::path::Path;

use coeval::Result;
use coeval::progress::{Progress, step};
use coeval_listen::ltc::{LtcDecoder, LtcFrame, frame_rate};
use coeval_media::{OpenOptions, SoundReader};
use serde::{Deserialize, Serialize};

use crate::alignment::Ltc;
use crate::says::Sample;

/// Timecode is looked for in so many seconds of every so many (own choice).
const LOOK_S: f64 = 0.2;
const EVERY_S: f64 = 8.0;
/// A channel is one of timecode where so much of its energy lies in frames of timecode; in a microphone's channel they are
/// what comes across in pauses (own choice).
const ENERGY: f64 = 0.5;
/// Readings are one run where timecode and file go on alike, to this part.
const ALIKE: f64 = 0.01;

/// Timecode that was read from a file's sound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Read {
    pub(crate) told: Ltc,
    /// No channel carries anything else.
    pub(crate) alone: bool,
    /// What is written on the file's first moment, and to which number frames are counted.
    pub(crate) first: String,
    pub(crate) fps: u8,
    /// About one a second: file seconds, and seconds since midnight by timecode.
    pub(crate) points: Vec<[f64; 2]>,
}

/// Listens into every channel here and there.
pub(crate) struct Look {
    rate_hz: f64,
    channels: usize,
    decoders: Vec<Option<LtcDecoder>>,
    found: Vec<bool>,
    sample: Sample,
}

impl Look {
    pub(crate) fn new(rate_hz: f64, channels: usize) -> Self {
        let [taken, every] = [LOOK_S, EVERY_S].map(|seconds| (seconds * rate_hz) as usize);
        let sample = Sample::new(channels, taken, every);
        Self { rate_hz, channels, decoders: vec![None; channels], found: vec![false; channels], sample }
    }

    pub(crate) fn push(&mut self, interleaved: &[f32]) {
        for (at, block) in self.sample.of(interleaved) {
            for c in 0..self.channels {
                if self.found[c] {
                    continue;
                }
                if at == 0 {
                    self.decoders[c] = LtcDecoder::new(self.rate_hz).ok();
                }
                if let Some(decoder) = &mut self.decoders[c] {
                    decoder.push(&channel(block, self.channels, c));
                    self.found[c] |= !decoder.take().is_empty();
                }
            }
        }
    }

    /// Channels in which there is some timecode, from 0.
    pub(crate) fn found(&self) -> Vec<usize> {
        (0..self.channels).filter(|&c| self.found[c]).collect()
    }
}

fn channel(interleaved: &[f32], channels: usize, which: usize) -> Vec<f32> {
    interleaved.iter().skip(which).step_by(channels).copied().collect()
}

/// Reads the timecode of these channels from the whole file, and tells which channels carry something else. No timecode:
/// none of them carries nothing else.
pub(crate) fn read(
    path: &Path,
    options: &OpenOptions,
    channels: &[usize],
    progress: &dyn Progress,
) -> Result<(Vec<usize>, Option<Read>)> {
    let mut reader = SoundReader::open(path, options)?;
    let sound = reader.sound()?;
    let rate_hz = f64::from(sound.rate_hz);
    let decoders: Result<Vec<_>> =
        channels.iter().map(|&c| Ok((c, LtcDecoder::new(rate_hz)?, Collected::default()))).collect();
    let mut all = decoders.map_err(|e| e.with_path(path))?;
    reader.read_to_end(|block, _| {
        for (c, decoder, collected) in &mut all {
            let mine = channel(block, sound.channels, *c);
            decoder.push(&mine);
            collected.samples(&mine);
            collected.frames(decoder.take());
        }
        step(progress, "reading sound", 1.0)
    })?;
    let mut carriers = Vec::new();
    for (c, decoder, mut collected) in all {
        collected.frames(decoder.finish());
        if collected.is_timecode(rate_hz) {
            carriers.push((c, collected));
        }
    }
    let others = (0..sound.channels).filter(|c| carriers.iter().all(|k| k.0 != *c)).collect::<Vec<_>>();
    let also = carriers.iter().map(|c| c.0 + 1).collect::<Vec<_>>();
    // The first of those with the most frames.
    carriers.sort_by_key(|(c, collected)| (std::cmp::Reverse(collected.count), *c));
    let best = carriers.into_iter().next();
    let read = best.and_then(|(c, collected)| collected.read(c, also, others.is_empty()));
    Ok((others, read))
}

/// What is kept of a channel.
#[derive(Default)]
struct Collected {
    sum: f64,
    squares: f64,
    samples: u64,
    /// Energy within frames, in units of full scale times seconds.
    energy: f64,
    count: u64,
    /// About one a second, and the last.
    kept: Vec<LtcFrame>,
    last: Option<LtcFrame>,
}

impl Collected {
    fn samples(&mut self, samples: &[f32]) {
        for x in samples.iter().filter(|x| x.is_finite()).map(|&x| f64::from(x)) {
            self.sum += x;
            self.squares += x * x;
        }
        self.samples += samples.len() as u64;
    }

    fn frames(&mut self, frames: Vec<LtcFrame>) {
        for frame in frames {
            self.count += 1;
            self.energy += frame.rms * frame.rms * frame.length_s;
            if self.kept.last().is_none_or(|k| frame.start_s - k.start_s >= 1.0) {
                self.kept.push(frame);
            }
            self.last = Some(frame);
        }
    }

    fn is_timecode(&self, rate_hz: f64) -> bool {
        let all = (self.squares - self.sum * self.sum / self.samples.max(1) as f64) / rate_hz;
        self.count > 1 && self.energy >= ENERGY * all
    }

    fn read(mut self, channel: usize, mut also: Vec<usize>, alone: bool) -> Option<Read> {
        also.retain(|c| *c != channel + 1);
        self.kept.extend(self.last.filter(|last| self.kept.last() != Some(last)));
        let first = *self.kept.first()?;
        let rate = frame_rate(&self.kept)?;
        let fps = f64::from(rate[0]) / f64::from(rate[1]);
        Some(Read {
            told: Ltc {
                channel: channel + 1,
                also,
                first: first.label(),
                first_s: first.start_s,
                rate,
                frames: self.count,
            },
            alone,
            first: first.label_after(-(first.start_s * fps).round() as i64),
            fps: first.fps,
            points: self.kept.iter().map(|f| [f.start_s, f64::from(f.number()) / fps]).collect(),
        })
    }
}

impl Read {
    /// Timecode of the file's first moment, seconds since midnight.
    pub(crate) fn zero_s(&self) -> f64 {
        self.points.first().map_or(0.0, |[file_s, day_s]| (day_s - file_s).rem_euclid(86_400.0))
    }

    /// Length of a frame, seconds.
    pub(crate) fn frame_s(&self) -> f64 {
        f64::from(self.told.rate[1]) / f64::from(self.told.rate[0])
    }

    /// Where this file was at a moment of the day, if it ran then.
    pub(crate) fn file_s(&self, day_s: f64) -> Option<f64> {
        let within = |w: &&[[f64; 2]]| {
            let (file_s, by_timecode_s) = (w[1][0] - w[0][0], w[1][1] - w[0][1]);
            (by_timecode_s - file_s).abs() < ALIKE * file_s && (w[0][1]..=w[1][1]).contains(&day_s)
        };
        let (from, to) = self.points.windows(2).find(within).map(|w| (w[0], w[1]))?;
        let part = (day_s - from[1]) / (to[1] - from[1]);
        Some(from[0] + part * (to[0] - from[0]))
    }
}
