//! Timecode in sound: linear timecode (LTC) of SMPTE ST 12-1 on a channel.
//!
//! A frame of LTC is 80 bits in biphase mark code: the level changes at the start of every bit, and once more in the
//! middle of a 1. The layout of the bits is from memory; `tests/tests/ltc.rs` holds it against another implementation.
//!
//! # How it is read
//! 1. A moving average shorter than half a bit quiets noise and leaves level changes where they are; one of several bits
//!    is taken off, and with it what is slower.
//! 2. A change of sign counts as an edge once the level has passed a part of the RMS around it.
//! 3. From edge to edge is a whole bit or half of one. Bits that do not come out even begin anew.
//! 4. 80 bits that end with the sync word are a candidate when their edges lie on a line and their digits are a time of
//!    day. The line gives the start of the frame, more exactly than its own edge does.
//! 5. Two candidates that count on, one right after the other, begin a run. A run goes on over drop-outs, as long as both
//!    the label and the place are those to which the last frame leads. What stands alone is dropped: no sound that is not
//!    timecode has passed so far.

use coeval::{Error, Result};

/// Lowest and highest sampling rate that is read, Hz.
const RATES_HZ: (f64, f64) = (22_050.0, 768_000.0);
/// Half of the moving average that quiets noise, seconds. Twice this is less than half a bit of 30 frames a second
/// (208 us).
const QUIET_S: f64 = 62.5e-6;
/// Half of the one that is taken off, seconds: about four bits.
const SLOW_S: f64 = 2e-3;
/// An edge is an edge where the level passes so much of the RMS around it (own choice).
const PART: f64 = 0.35;
/// RMS below which there is nothing: -70 dBFS (own choice).
const FLOOR: f64 = 3e-4;
/// Half bits are 208 us (30 frames a second) to 260 us (24), whole ones 417 to 521 us. Shortest half, shortest whole,
/// and longest whole bit, with room for other speeds.
const HALF_FROM_S: f64 = 150e-6;
const WHOLE_FROM_S: f64 = 325e-6;
const WHOLE_TO_S: f64 = 640e-6;
/// Bits 64 to 79, the first of them lowest: 0011 1111 1111 1101.
const SYNC: u128 = 0xBFFC;
/// Edges may lie so many bits off their line (RMS).
const RAGGED: f64 = 0.08;
/// Frames a second may differ from 24, 25 or 30 by this part.
const SPEED: f64 = 0.03;
/// A frame begins where the one before ends, to this part of its length.
const JOINS: f64 = 0.1;
/// Beyond a drop-out, to this part, and within so many seconds.
const JOINS_AGAIN: f64 = 0.25;
const DROP_OUT_S: f64 = 10.0;
const BITS: usize = 80;

/// One frame of timecode.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct LtcFrame {
    /// Where it begins, that is its bit 0: seconds from the first sample on.
    pub start_s: f64,
    /// Its length, seconds.
    pub length_s: f64,
    /// Hours, 0 to 23.
    pub hours: u8,
    /// Minutes, 0 to 59.
    pub minutes: u8,
    /// Seconds, 0 to 59.
    pub seconds: u8,
    /// Frame within the second, 0 to `fps` - 1.
    pub frames: u8,
    /// Frames are counted to this number: 24, 25 or 30.
    pub fps: u8,
    /// Two labels are left out each minute but every tenth, as 30000/1001 frames a second are counted.
    pub drop_frame: bool,
    /// The eight groups of user bits, the first group lowest.
    pub user_bits: u32,
    /// RMS of the channel during the frame, full scale 1.
    pub rms: f64,
}

impl LtcFrame {
    /// Frames from midnight to this one.
    pub fn number(&self) -> u32 {
        let minutes = u32::from(self.hours) * 60 + u32::from(self.minutes);
        let labels = (minutes * 60 + u32::from(self.seconds)) * u32::from(self.fps) + u32::from(self.frames);
        if self.drop_frame { labels - 2 * (minutes - minutes / 10) } else { labels }
    }

    /// Frames of a day of this count.
    fn day(&self) -> u32 {
        86_400 * u32::from(self.fps) - if self.drop_frame { 2 * (1440 - 144) } else { 0 }
    }

    /// As written: `01:02:03:04`, with `;` before the frames of drop-frame.
    pub fn label(&self) -> String {
        self.label_after(0)
    }

    /// What is written on the frame so many later; fewer than 0: earlier.
    pub fn label_after(&self, frames: i64) -> String {
        let fps = i64::from(self.fps);
        let mut n = (i64::from(self.number()) + frames).rem_euclid(i64::from(self.day()));
        if self.drop_frame {
            // Ten minutes have 17982 frames: a minute of 1800, then nine of 1798.
            let (tens, rest) = (n / 17_982, n % 17_982);
            n += 18 * tens + if rest < 1800 { 0 } else { 2 * (1 + (rest - 1800) / 1798) };
        }
        let (s, sign) = (n / fps, if self.drop_frame { ';' } else { ':' });
        format!("{:02}:{:02}:{:02}{sign}{:02}", s / 3600, s / 60 % 60, s % 60, n % fps)
    }

    /// Reads 80 bits, the first of them lowest; `None` where they are no time of day.
    fn read(bits: u128, start_s: f64, length_s: f64, rms: f64) -> Option<Self> {
        let field = |at: u32, width: u32| (bits >> at & ((1 << width) - 1)) as u8;
        let two = |units: u32, tens: u32, width: u32| {
            let digit = field(units, 4);
            (digit < 10).then(|| 10 * field(tens, width) + digit)
        };
        let near = |fps: &u8| (length_s * f64::from(*fps)).ln().abs();
        let fps = [24, 25, 30].into_iter().min_by(|a, b| near(a).total_cmp(&near(b))).filter(|f| near(f) < SPEED)?;
        let frame = Self {
            start_s,
            length_s,
            hours: two(48, 56, 2)?,
            minutes: two(32, 40, 3)?,
            seconds: two(16, 24, 3)?,
            frames: two(0, 8, 2)?,
            fps,
            drop_frame: fps == 30 && field(10, 1) == 1,
            user_bits: (0..8).map(|group| u32::from(field(8 * group + 4, 4)) << (4 * group)).sum(),
            rms,
        };
        let in_range = frame.hours < 24 && frame.minutes < 60 && frame.seconds < 60 && frame.frames < fps;
        let left_out = frame.drop_frame && frame.seconds == 0 && frame.frames < 2 && !frame.minutes.is_multiple_of(10);
        (in_range && !left_out).then_some(frame)
    }
}

/// Frames a second of a run of frames as an exact ratio: what is nearest to the time that they take, of 24000/1001, 24, 25,
/// 30000/1001 and 30. Drop-frame is always 30000/1001. `None` for no frames.
///
/// A clock that is 500 ppm off looks like the neighbour.
pub fn frame_rate(frames: &[LtcFrame]) -> Option<[u32; 2]> {
    let first = frames.first()?;
    if first.drop_frame {
        return Some([30_000, 1001]);
    }
    let (mut count, mut took_s) = (1.0, first.length_s);
    for pair in frames.windows(2) {
        let counted = f64::from((pair[1].number() + first.day() - pair[0].number()) % first.day());
        let later_s = pair[1].start_s - pair[0].start_s;
        // Where another run begins, the label says nothing of the time.
        if (later_s * f64::from(first.fps) - counted).abs() < SPEED * counted {
            (count, took_s) = (count + counted, took_s + later_s);
        }
    }
    let fps = count / took_s;
    let off = |[num, den]: &[u32; 2]| (fps * f64::from(*den) / f64::from(*num)).ln().abs();
    let rates: &[[u32; 2]] = match first.fps {
        24 => &[[24_000, 1001], [24, 1]],
        25 => &[[25, 1]],
        _ => &[[30_000, 1001], [30, 1]],
    };
    rates.iter().copied().min_by(|a, b| off(a).total_cmp(&off(b)))
}

/// All frames of timecode in the samples of one channel.
///
/// # Errors
/// As for [`LtcDecoder::new`].
pub fn ltc(samples: &[f32], rate_hz: f64) -> Result<Vec<LtcFrame>> {
    let mut decoder = LtcDecoder::new(rate_hz)?;
    decoder.push(samples);
    Ok(decoder.finish())
}

/// Reads timecode from one channel, as a stream.
///
/// Forwards, at 24, 25 and 30 frames a second and their 1000/1001, to 3 % faster or slower.
#[derive(Debug, Clone)]
pub struct LtcDecoder {
    rate_hz: f64,
    quiet: usize,
    slow: usize,
    /// Sums of all samples, and of their squares, before each sample from `first` on.
    sums: Vec<[f64; 2]>,
    first: u64,
    /// Sign of the level after the last edge; 0: none is known.
    sign: f64,
    level: f64,
    zero: f64,
    edge: f64,
    /// A half bit that waits for its other half began here.
    half: Option<f64>,
    bits: u128,
    /// Bits that came one after the other, and where the last of them began.
    run: usize,
    starts: [f64; BITS],
    /// Power around the end of each of them.
    powers: [f64; BITS],
    last: Option<LtcFrame>,
    /// `last` has been given out.
    given: bool,
    frames: Vec<LtcFrame>,
}

impl LtcDecoder {
    /// A decoder for sound at this rate.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when the rate is not from 22 050 to 768 000 Hz: a bit would
    /// have too few samples.
    pub fn new(rate_hz: f64) -> Result<Self> {
        if !(RATES_HZ.0..=RATES_HZ.1).contains(&rate_hz) {
            return Err(Error::invalid(format!("timecode in sound cannot be read at {rate_hz} Hz"))
                .with_remedy("give sound of 22050 to 768000 Hz"));
        }
        let samples = |seconds: f64| (seconds * rate_hz).round().max(1.0) as usize;
        let slow = samples(SLOW_S);
        Ok(Self {
            rate_hz,
            quiet: samples(QUIET_S),
            slow,
            // As if silence came before.
            sums: vec![[0.0; 2]; 2 * slow + 1],
            first: 0,
            sign: 0.0,
            level: 0.0,
            zero: 0.0,
            edge: f64::NEG_INFINITY,
            half: None,
            bits: 0,
            run: 0,
            starts: [0.0; BITS],
            powers: [0.0; BITS],
            last: None,
            given: false,
            frames: Vec::new(),
        })
    }

    /// Takes the next samples. What is not finite counts as silence.
    pub fn push(&mut self, samples: &[f32]) {
        let mut sum = self.sums[self.sums.len() - 1];
        self.sums.extend(samples.iter().map(|&x| {
            let x = if x.is_finite() { f64::from(x.clamp(-1e3, 1e3)) } else { 0.0 };
            sum = [sum[0] + x, sum[1] + x * x];
            sum
        }));
        let all = std::mem::take(&mut self.sums);
        let (quiet, slow) = (self.quiet, self.slow);
        let (per_quiet, per_slow) = (0.5 / quiet as f64, 0.5 / slow as f64);
        for at in slow + 1..all.len() - slow {
            let mean = (all[at + slow][0] - all[at - slow][0]) * per_slow;
            let power = (all[at + slow][1] - all[at - slow][1]) * per_slow - mean * mean;
            let level = (all[at + quiet][0] - all[at - quiet][0]) * per_quiet - mean;
            // Sums before sample `n` lie half a sample before it; the silence in front is not counted.
            let n = (self.first + at as u64) as f64 - 2.0 * slow as f64 - 0.5;
            self.level_at(n, level, power);
        }
        let keep = all.len().min(2 * slow + 1);
        self.first += (all.len() - keep) as u64;
        self.sums = all;
        self.sums.drain(..self.sums.len() - keep);
    }

    /// The frames since the last call. The newest is held back until another confirms it.
    pub fn take(&mut self) -> Vec<LtcFrame> {
        std::mem::take(&mut self.frames)
    }

    /// The sound ends: the rest of the frames.
    pub fn finish(mut self) -> Vec<LtcFrame> {
        // The end of the sound ends its last bit: as if the level changed there.
        let [before, last] = [1, 0].map(|i| self.sums[self.sums.len() - 1 - i][0]);
        self.push(&vec![(before - last) as f32; 2 * self.slow]);
        self.frames
    }

    fn level_at(&mut self, n: f64, level: f64, power: f64) {
        if power < FLOOR * FLOOR {
            (self.sign, self.level, self.zero, self.run, self.half) = (0.0, 0.0, n, 0, None);
            return;
        }
        if level * self.level <= 0.0 {
            let step = level - self.level;
            self.zero = if step == 0.0 { n } else { n - level / step };
        }
        self.level = level;
        if level * self.sign <= 0.0 && level * level > PART * PART * power {
            self.sign = level.signum();
            self.edge_at(self.zero, power);
        }
    }

    fn edge_at(&mut self, n: f64, power: f64) {
        let (from, length_s) = (self.edge, (n - self.edge) / self.rate_hz);
        self.edge = n;
        match length_s {
            HALF_FROM_S..WHOLE_FROM_S => match self.half.take() {
                Some(from) => self.bit(1, from, n, power),
                None => self.half = Some(from),
            },
            WHOLE_FROM_S..WHOLE_TO_S => {
                if self.half.take().is_some() {
                    self.run = 0;
                }
                self.bit(0, from, n, power);
            }
            _ => (self.run, self.half) = (0, None),
        }
    }

    fn bit(&mut self, bit: u128, from: f64, to: f64, power: f64) {
        self.bits = self.bits >> 1 | bit << (BITS - 1);
        self.starts.rotate_left(1);
        self.starts[BITS - 1] = from;
        self.powers.rotate_left(1);
        self.powers[BITS - 1] = power;
        self.run += 1;
        if self.run >= BITS && self.bits >> 64 == SYNC {
            let rms = (self.powers.iter().sum::<f64>() / BITS as f64).sqrt();
            let frame =
                self.line(to).and_then(|(start_s, bit_s)| LtcFrame::read(self.bits, start_s, BITS as f64 * bit_s, rms));
            if let Some(frame) = frame {
                self.candidate(frame);
            }
        }
    }

    /// Start of the frame and length of a bit, seconds, by the line through its edges. The first edge may follow silence
    /// and is left out.
    fn line(&self, end: f64) -> Option<(f64, f64)> {
        let edges = || self.starts[1..].iter().copied().chain([end]).zip(1..);
        let (count, origin) = (BITS as f64, self.starts[1]);
        let middle = (count + 1.0) / 2.0;
        let mean = edges().map(|(at, _)| at - origin).sum::<f64>() / count;
        let (mut along, mut squares) = (0.0, 0.0);
        for (at, k) in edges() {
            along += (f64::from(k) - middle) * (at - origin - mean);
            squares += (f64::from(k) - middle).powi(2);
        }
        let bit = along / squares;
        let off = |(at, k): (f64, i32)| (at - origin - mean - (f64::from(k) - middle) * bit).powi(2);
        let ragged = (edges().map(off).sum::<f64>() / count).sqrt() / bit;
        (ragged < RAGGED).then(|| ((origin + mean - middle * bit) / self.rate_hz, bit / self.rate_hz))
    }

    fn candidate(&mut self, frame: LtcFrame) {
        let goes_on = self.last.is_some_and(|last| {
            let later = (frame.start_s - last.start_s) / last.length_s;
            let counted = (frame.number() + last.day() - last.number()) % last.day();
            let near = if counted == 1 { JOINS } else { JOINS_AGAIN };
            (frame.fps, frame.drop_frame) == (last.fps, last.drop_frame)
                && (counted == 1 || self.given && counted > 1 && frame.start_s - last.start_s < DROP_OUT_S)
                && (later - f64::from(counted)).abs() < near
        });
        if goes_on {
            self.frames.extend(self.last.filter(|_| !self.given));
            self.frames.push(frame);
        }
        (self.last, self.given) = (Some(frame), goes_on);
    }
}
