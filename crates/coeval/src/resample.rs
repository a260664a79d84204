//! Sound on another clock: a band-limited resampler that follows clock maps exactly.
//!
//! Output frame `n` is the source at the moment that the [`Route`] names for it, to a small part of
//! a sample, however the clocks drift, wander or jump. Two steps make it (Crochiere & Rabiner, *Multirate Digital Signal
//! Processing*, 1983, ch. 4 and 7.2, named from memory):
//! 1. The source is filtered to what both rates can hold, and oversampled so that nothing lies above a quarter of its
//!    rate. The filter is a windowed sinc of 192 taps at equal rates; it is the same for every frame, so that fast
//!    convolution (overlap-save, in `f64`) makes it almost free.
//! 2. Between the samples of that, 20 taps are enough: a windowed sinc whose phases lie in a table, with linear
//!    interpolation between two neighbouring phases.
//!
//! Why not a library: rubato 5.1.0 follows a ratio, not a map. Its ratio changes per chunk, by a
//! step or a ramp, so a knot inside a chunk moves the sound, and its own delay must be taken out
//! again. Measured on a clock that drifts by +-1000 ppm with a knot every 0.5 s, 10 kHz, against
//! the sine at the moments that the map names: -46 dB in chunks of 480 frames, -140 dB here. `cargo bench -p
//! coeval-benches --bench resample` repeats it. Here each output frame computes its own source position: there is no
//! delay to correct and no error that can grow.
//!
//! Numbers: 192 taps at equal rates (more, in proportion, when the rate falls), stop band 130 dB
//! below from the lower Nyquist frequency on, flat up to 0.91 of it (21.8 kHz at 48 kHz, 20.1 kHz
//! at 44.1 kHz). What is between the samples is summed in `f32`.

use std::ops::Range;
use std::sync::LazyLock;

use coeval_transform::{Complex, Forward, Inverse, real_double};

use crate::clock::ClockMap;
use crate::error::{Error, ErrorKind, Result};
use crate::filter::{bessel_i0, kaiser, sinc};
use crate::samples::{check_channels, check_frames, check_rate};

/// Source frames beyond this one do not count: at any rate it is thousands of years away, and what is added to it does not
/// overflow.
const FARTHEST: i64 = 1 << 60;

/// Half the taps of the filter at equal rates: zero crossings of the sinc to either side.
const HALF_TAPS: f64 = 96.0;
/// Stop-band attenuation of the filter's Kaiser design, dB.
const ATTENUATION_DB: f64 = 130.0;
/// A fast convolution takes this many times the filter's taps, or up to twice as many. Four times as many frames cost the same
/// for each, but have to be there before the first comes out; half as many cost a third more (both by count of operations).
const CONVOLVED_TAPS: usize = 4;
/// Taps between oversampled frames. By Kaiser's estimate this many give [`BETWEEN_DB`] where the pass band ends at a quarter
/// of the rate and the stop band begins at three quarters.
const TAPS: usize = 20;
const BETWEEN_DB: f64 = 150.0;
/// Rows of the table over one oversampled frame. Linear interpolation between rows errs by (2 pi f / fs)^2 / (8 P^2):
/// -146 dB at 20 kHz and 96 kHz.
const PHASES: usize = 2048;
/// Frames that one [`Resampler::pull`] hands out at most.
const BLOCK: usize = 4096;
/// Parallel sums of an inner product; the compiler keeps them in a vector register.
const LANES: usize = 4;
/// Two places closer than this, in frames, are one place.
const SAME_FRAMES: f64 = 1e-6;
/// A year: beyond it seconds in `f64` no longer hold a hundredth of a sample.
const LONGEST_S: f64 = 3.2e7;

/// A length of output, in [`ResampleOptions::frames`], that nobody knows yet: it ends where the source ends.
pub const OPEN_END: u64 = u64::MAX;

/// One stretch of output that plays the source straight on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leg {
    /// Where it begins in output time, seconds; may be minus infinity.
    pub from_s: f64,
    /// Where it ends in output time, seconds; may be infinity.
    pub to_s: f64,
    /// An output moment at which the source moment is known, seconds; finite.
    pub at_s: f64,
    /// The source moment that sounds at `at_s`, seconds of source time.
    pub source_s: f64,
    /// Source seconds that pass in one output second.
    pub speed: f64,
}

impl Leg {
    fn source_at(&self, output_s: f64) -> f64 {
        self.source_s + (output_s - self.at_s) * self.speed
    }
}

/// Which moment of the source sounds at each moment of the output: legs in output order, silence
/// between them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Route {
    legs: Vec<Leg>,
}

impl Route {
    /// The source on the timeline: output time is timeline time.
    ///
    /// Agrees with [`ClockMap::inverse`]: sound that the file lost is silence, of sound that it
    /// repeated the earlier copy plays. Before the first knot and after the last the route goes on.
    pub fn onto_timeline(source: &ClockMap) -> Self {
        let knots = source.knots();
        let mut legs: Vec<Leg> = Vec::new();
        let mut free_from_s = f64::NEG_INFINITY;
        for (i, w) in knots.windows(2).enumerate() {
            let ((file, at), (file_end, end)) = (w[0], w[1]);
            let first = i == 0;
            let last = i + 2 == knots.len();
            if file_end == file || end <= at {
                continue;
            }
            let from_s = if first { f64::NEG_INFINITY } else { at.max(free_from_s) };
            let to_s = if last { f64::INFINITY } else { end };
            if to_s <= from_s {
                continue;
            }
            legs.push(Leg { from_s, to_s, at_s: at, source_s: file, speed: (file_end - file) / (end - at) });
            free_from_s = to_s;
        }
        Self { legs }
    }

    /// The source under a clip of another recording: output time is the clip's own file time, so
    /// that source and clip run together when both start at the clip's start.
    ///
    /// Where the clip lost time the source is cut; where the clip repeated time the source plays
    /// that time again.
    pub fn under_clip(source: &ClockMap, clip: &ClockMap) -> Self {
        let on_timeline = Self::onto_timeline(source);
        let knots = clip.knots();
        let mut legs = Vec::new();
        for (i, w) in knots.windows(2).enumerate() {
            let ((file, at), (file_end, end)) = (w[0], w[1]);
            if file_end == file || end <= at {
                continue;
            }
            let slope = (end - at) / (file_end - file);
            let clip_from = if i == 0 { f64::NEG_INFINITY } else { file };
            let clip_to = if i + 2 == knots.len() { f64::INFINITY } else { file_end };
            let to_clip = |timeline_s: f64| file + (timeline_s - at) / slope;
            for leg in &on_timeline.legs {
                let from_s = to_clip(leg.from_s).max(clip_from);
                let to_s = to_clip(leg.to_s).min(clip_to);
                if to_s > from_s {
                    legs.push(Leg { from_s, to_s, at_s: file, source_s: leg.source_at(at), speed: leg.speed * slope });
                }
            }
        }
        Self { legs }
    }

    /// A route of one's own.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when legs overlap or do not ascend in output
    /// time, are empty, or hold numbers that are not finite where they must be.
    pub fn from_legs(legs: Vec<Leg>) -> Result<Self> {
        let bad = |what: &str| Err(Error::new(ErrorKind::InvalidArgument, format!("route: {what}")));
        if legs.iter().any(|l| !l.at_s.is_finite() || !l.source_s.is_finite() || !l.speed.is_finite()) {
            return bad("a leg's place or speed is not a finite number");
        }
        if legs.iter().any(|l| l.to_s.partial_cmp(&l.from_s) != Some(std::cmp::Ordering::Greater)) {
            return bad("a leg has no length");
        }
        if legs.windows(2).any(|w| w[1].from_s < w[0].to_s) {
            return bad("legs overlap or do not ascend");
        }
        Ok(Self { legs })
    }

    /// The legs, in output order.
    pub fn legs(&self) -> &[Leg] {
        &self.legs
    }

    /// The source moment that sounds at an output moment, both in seconds; `None` in silence.
    pub fn source_at(&self, output_s: f64) -> Option<f64> {
        let leg = self.legs.iter().find(|l| output_s >= l.from_s && output_s < l.to_s)?;
        Some(leg.source_at(output_s))
    }
}

/// What a [`Resampler`] is to make.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct ResampleOptions {
    /// Rate of the source, Hz, 1000 to 768000.
    pub source_rate_hz: f64,
    /// Rate of the output, Hz, 1000 to 768000.
    pub target_rate_hz: f64,
    /// Interleaved channels, 1 to 64.
    pub channels: usize,
    /// Output time of output frame 0, seconds.
    pub start_s: f64,
    /// Length of the output, frames: exactly so many come out. [`OPEN_END`]: as many as there is source for.
    pub frames: u64,
    /// Length of the source in frames, where it is known; sound is asked for up to there only.
    pub source_frames: Option<u64>,
    /// Length of the fades at a jump, seconds, 0 to 1. Default 5 ms.
    pub fade_s: f64,
}

impl ResampleOptions {
    /// `frames` frames at `target_rate_hz`, from output time zero on.
    pub fn new(source_rate_hz: f64, target_rate_hz: f64, channels: usize, frames: u64) -> Self {
        Self { source_rate_hz, target_rate_hz, channels, start_s: 0.0, frames, source_frames: None, fade_s: 0.005 }
    }

    /// Sets [`start_s`](Self::start_s).
    #[must_use]
    pub fn starting_at(mut self, start_s: f64) -> Self {
        self.start_s = start_s;
        self
    }

    /// Sets [`source_frames`](Self::source_frames).
    #[must_use]
    pub fn of_source_frames(mut self, source_frames: u64) -> Self {
        self.source_frames = Some(source_frames);
        self
    }

    /// Sets [`fade_s`](Self::fade_s).
    #[must_use]
    pub fn fading_over(mut self, fade_s: f64) -> Self {
        self.fade_s = fade_s;
        self
    }

    fn check(&self) -> Result<()> {
        let bad = |what: String| Err(Error::new(ErrorKind::InvalidArgument, what));
        for (name, rate) in [("source_rate_hz", self.source_rate_hz), ("target_rate_hz", self.target_rate_hz)] {
            check_rate(name, rate, 1000.0..=768_000.0)?;
        }
        check_channels(self.channels)?;
        if !self.start_s.is_finite() || self.start_s.abs() > LONGEST_S {
            return bad(format!("start_s is {}, not within a year of zero", self.start_s));
        }
        if self.frames != OPEN_END && self.frames as f64 / self.target_rate_hz > LONGEST_S {
            return bad(format!("frames is {}, more than a year of sound", self.frames));
        }
        if !(0.0..=1.0).contains(&self.fade_s) {
            return bad(format!("fade_s is {}, not within 0 to 1", self.fade_s));
        }
        Ok(())
    }
}

/// Streams sound along a [`Route`], in bounded memory.
///
/// Feed it while it wants, pull while it gives:
/// ```
/// use coeval::clock::ClockMap;
/// use coeval::resample::{ResampleOptions, Resampler, Route};
///
/// let recorder = ClockMap::linear(2.0, 85.0, 10.0);
/// let source = vec![0.25f32; 441_000];
/// let options = ResampleOptions::new(44_100.0, 48_000.0, 1, 12 * 48_000);
/// let mut resampler = Resampler::new(&Route::onto_timeline(&recorder), &options)?;
/// let (mut block, mut output) = (Vec::new(), Vec::new());
/// loop {
///     while let Some(frame) = resampler.next_frame() {
///         let from = (frame as usize).min(source.len());
///         let to = (from + 8192).min(source.len());
///         if from == to { resampler.end_of_source() } else { resampler.push(&source[from..to])? }
///     }
///     if resampler.pull(&mut block) == 0 {
///         break;
///     }
///     output.extend_from_slice(&block);
/// }
/// assert_eq!(output.len(), 12 * 48_000);
/// # Ok::<(), coeval::Error>(())
/// ```
#[derive(Debug)]
pub struct Resampler {
    route: Route,
    options: ResampleOptions,
    oversampler: Oversampler,
    channels: usize,
    frames: u64,
    stretches: Vec<FrameLeg>,

    /// Filtered and oversampled sound by channel, of source frames `fine_from..fine_to`; they may lie outside the source.
    fine: Vec<Vec<f32>>,
    fine_from: i64,
    fine_to: i64,

    /// Source sound by channel, of source frames `held_from..held_to`.
    held: Vec<Vec<f32>>,
    held_from: i64,
    held_to: i64,
    source_end: Option<i64>,

    /// The stretch at work and the output frame it does next.
    stretch: usize,
    next: u64,
    /// Output not yet handed out, interleaved, and the gain that went into each of its frames.
    pending: Vec<f32>,
    pending_presence: Vec<f32>,
    pending_from: u64,
    presence: Vec<f32>,
}

/// A leg in frames: output frames `from..to`, with fades that lie inside.
#[derive(Debug, Clone, Copy)]
struct FrameLeg {
    from: u64,
    to: u64,
    /// Source position of output frame `from`, in source frames.
    position: f64,
    /// Source frames in one output frame.
    step: f64,
    /// Edges of the fades in output frames; a fade of no length is none.
    fade_in: (f64, f64),
    fade_out: (f64, f64),
}

impl FrameLeg {
    fn position_of(&self, frame: u64) -> f64 {
        // Signed numbers become floating-point ones in one instruction.
        self.position + (frame - self.from) as i64 as f64 * self.step
    }

    fn gain(&self, frame: u64) -> f32 {
        let n = frame as f64;
        let up = share(self.fade_in, n);
        let down = 1.0 - share(self.fade_out, n);
        // Raised cosine: two such fades across one cut add up to one.
        let shape = |x: f64| 0.5 - 0.5 * (std::f64::consts::PI * x).cos();
        (shape(up) * shape(down)) as f32
    }

    fn plain(&self, frames: &Range<u64>) -> bool {
        frames.start as f64 >= self.fade_in.1 && frames.end as f64 <= self.fade_out.0
    }
}

/// How far `n` has come from one edge to the other, 0 to 1.
fn share((from, to): (f64, f64), n: f64) -> f64 {
    if to > from {
        ((n - from) / (to - from)).clamp(0.0, 1.0)
    } else if n >= to {
        1.0
    } else {
        0.0
    }
}

impl Resampler {
    /// A resampler along `route`.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when an option is out of its range or a leg's
    /// speed is not within 0.8 to 1.25 (no clock drifts so far; 44.1 against 48 kHz is 0.919).
    pub fn new(route: &Route, options: &ResampleOptions) -> Result<Self> {
        options.check()?;
        if let Some(leg) = route.legs.iter().find(|l| !(0.8..=1.25).contains(&l.speed)) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("a clock runs at {} times the speed of the other, not within 0.8 to 1.25", leg.speed),
            ));
        }
        let ratio = route.legs.iter().map(|l| l.speed).fold(1.0, f64::max);
        let oversampler = Oversampler::new(ratio * options.source_rate_hz / options.target_rate_hz);
        LazyLock::force(&BETWEEN);
        // Room for blocks of up to BLOCK frames: then no call allocates, as sound cards' threads need it.
        let room = 6 * BLOCK + 2 * oversampler.convolved;
        let rooms = |room: usize| (0..options.channels).map(|_| Vec::with_capacity(room)).collect();
        let pending = 2 * BLOCK + (options.fade_s * options.target_rate_hz) as usize;
        let mut this = Self {
            channels: options.channels,
            frames: options.frames,
            stretches: Vec::new(),
            fine: rooms(room * oversampler.times),
            fine_from: 0,
            fine_to: 0,
            held: rooms(room),
            oversampler,
            held_from: 0,
            held_to: 0,
            source_end: options.source_frames.map(|n| i64::try_from(n).unwrap_or(FARTHEST).min(FARTHEST)),
            stretch: 0,
            next: 0,
            pending: Vec::with_capacity(pending * options.channels),
            pending_presence: Vec::with_capacity(pending),
            pending_from: 0,
            presence: Vec::with_capacity(BLOCK),
            route: route.clone(),
            options: options.clone(),
        };
        this.reset(options.start_s)?;
        Ok(this)
    }

    /// Begins again at another moment, as after a seek: output frame 0 is then at output time `start_s`, seconds. All
    /// else is as it was made, the end of the source too where it is known. Much cheaper than a new resampler.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when `start_s` is not within a year of zero; then nothing changes.
    pub fn reset(&mut self, start_s: f64) -> Result<()> {
        let mut options = self.options.clone().starting_at(start_s);
        options.check()?;
        if options.frames == OPEN_END {
            options.frames = (LONGEST_S * options.target_rate_hz) as u64;
        }
        self.frames = options.frames;
        self.stretches = stretches(&self.route, &options);
        self.held.iter_mut().chain(&mut self.fine).for_each(Vec::clear);
        (self.held_from, self.held_to, self.fine_from, self.fine_to) = (0, 0, 0, 0);
        (self.stretch, self.next, self.pending_from) = (0, 0, 0);
        for made in [&mut self.pending, &mut self.pending_presence, &mut self.presence] {
            made.clear();
        }
        self.enter_stretch();
        self.close();
        self.advance();
        Ok(())
    }

    /// Ends an open end where the source, whose end is known, has no more to sound.
    fn close(&mut self) {
        let (OPEN_END, Some(end)) = (self.options.frames, self.source_end) else { return };
        let last = |s: &FrameLeg| {
            let frames = ((end as f64 - s.position) / s.step - SAME_FRAMES).ceil();
            if frames > 0.0 { s.from.saturating_add(frames as u64).min(s.to) } else { 0 }
        };
        // What has been made already stays.
        self.frames = self.stretches.iter().map(last).fold(self.next, u64::max);
        self.stretches.retain(|s| s.from < self.frames);
        self.stretches.iter_mut().for_each(|s| s.to = s.to.min(self.frames));
        if self.stretches.get(self.stretch).is_some_and(|s| s.to == self.next) {
            self.stretch += 1;
        }
    }

    /// Have all output frames been pulled?
    pub fn is_done(&self) -> bool {
        self.stretch >= self.stretches.len() && self.pending_from >= self.frames
    }

    /// How many output frames can be pulled, at the least, before more source is wanted.
    pub fn available(&self) -> u64 {
        self.finished() - self.pending_from
    }

    /// How many source frames beyond its own place an output frame needs, at most, before it can be pulled.
    pub fn look_ahead(&self) -> usize {
        self.oversampler.convolved - self.oversampler.half + TAPS / 2 + 1
    }

    /// The source frame to push next, or `None` when nothing is wanted now: then
    /// [`pull`](Self::pull). Mostly the one after the last pushed; elsewhere after a jump, and then
    /// sound in between is not needed (or, where a clip repeats time, is needed again).
    pub fn next_frame(&self) -> Option<u64> {
        let stretch = self.stretches.get(self.stretch)?;
        if self.finished() - self.pending_from >= BLOCK as u64 || self.ready(stretch) > 0 || self.can_oversample() {
            return None;
        }
        u64::try_from(self.held_to).ok()
    }

    /// Takes the next source frames, interleaved, from the frame that [`next_frame`](Self::next_frame) names on.
    /// NaN and infinite samples count as silence.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when the block is not a whole number of frames.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        check_frames(interleaved.len(), self.channels)?;
        let mut frames = (interleaved.len() / self.channels) as i64;
        if let Some(end) = self.source_end {
            frames = frames.min((end - self.held_to).max(0));
        }
        for (c, held) in self.held.iter_mut().enumerate() {
            let before = held.len();
            held.resize(before + frames as usize, 0.0);
            let held = held[before..].iter_mut();
            let finite = |x: f32| if x.is_finite() { x } else { 0.0 };
            // The compiler then knows how many channels there are.
            match self.channels {
                1 => held.zip(interleaved).for_each(|(y, x)| *y = finite(*x)),
                2 => held.zip(interleaved.as_chunks::<2>().0).for_each(|(y, frame)| *y = finite(frame[c])),
                _ => held.zip(interleaved.chunks_exact(self.channels)).for_each(|(y, frame)| *y = finite(frame[c])),
            }
        }
        self.held_to += frames;
        self.advance();
        Ok(())
    }

    /// Says that the source ends at the frame that [`next_frame`](Self::next_frame) names.
    pub fn end_of_source(&mut self) {
        self.source_end = Some(self.source_end.map_or(self.held_to, |end| end.min(self.held_to)).max(0));
        self.close();
        self.advance();
    }

    /// Replaces `out` by the next output frames, interleaved, at most 4096, and returns their number:
    /// 0 when all are out, or when [`next_frame`](Self::next_frame) names a frame.
    pub fn pull(&mut self, out: &mut Vec<f32>) -> usize {
        let count = self.hand_out(out);
        self.advance();
        count
    }

    /// Makes what can be made, up to a block. Every change ends with it, so that what is wanted is known: at a cut, sound
    /// that is ready waits for the other side of its crossfade.
    fn advance(&mut self) {
        while self.finished() - self.pending_from < BLOCK as u64 {
            let Some(&stretch) = self.stretches.get(self.stretch) else { break };
            let ready = self.ready(&stretch).min(BLOCK as u64);
            if ready == 0 {
                if !self.can_oversample() {
                    break;
                }
                self.oversample();
                continue;
            }
            self.render(&stretch, self.next..self.next + ready);
            self.next += ready;
            if self.next == stretch.to {
                self.stretch += 1;
                self.enter_stretch();
            }
            self.forget();
        }
    }

    /// For each frame of the last [`pull`](Self::pull), how much of it is source: 1 where the source
    /// sounds, 0 where it has nothing, between in a fade. A filler is mixed in at 1 minus this.
    pub fn presence(&self) -> &[f32] {
        &self.presence
    }

    /// Source frames to either side of a position that sound there.
    fn reach(&self) -> i64 {
        (self.oversampler.half + TAPS / 2 + 1) as i64
    }

    /// Output frames of the stretch at work that can be made from what is oversampled.
    fn ready(&self, stretch: &FrameLeg) -> u64 {
        let left = stretch.to - self.next;
        let position = stretch.position_of(self.next);
        if let Some(end) = self.source_end
            && (self.fine_to >= end + self.reach() || position - self.oversampler.half as f64 >= end as f64)
        {
            return left;
        }
        let times = self.oversampler.times as f64;
        let room = (self.fine_to as f64 - position) * times - (TAPS / 2 + 1) as f64;
        if room < 0.0 { 0 } else { left.min(((room / (stretch.step * times)) as u64).saturating_add(1)) }
    }

    /// Is the sound of the next fast convolution there?
    fn can_oversample(&self) -> bool {
        let to = self.fine_to + (self.oversampler.convolved - self.oversampler.half) as i64;
        self.held_to >= self.source_end.map_or(to, |end| end.min(to))
    }

    fn oversample(&mut self) {
        let from = self.fine_to - self.oversampler.half as i64;
        for (held, fine) in self.held.iter().zip(&mut self.fine) {
            self.oversampler.append(held, from - self.held_from, fine);
        }
        self.fine_to += self.oversampler.step() as i64;
    }

    /// The first source frame that must be oversampled for output from a position on.
    fn first_fine(&self, position: f64) -> i64 {
        (position.floor() as i64).saturating_sub(TAPS as i64 / 2 + 1).clamp(-self.reach(), FARTHEST)
    }

    /// Sets up the stretch at work; drops what it does not follow on from.
    fn enter_stretch(&mut self) {
        let Some(stretch) = self.stretches.get(self.stretch) else { return };
        self.next = stretch.from;
        let first = self.first_fine(stretch.position);
        if first < self.fine_from || first > self.fine_to || self.fine_from == self.fine_to {
            self.fine.iter_mut().for_each(Vec::clear);
            (self.fine_from, self.fine_to) = (first, first);
        }
        let first = self.fine_to.saturating_sub(self.oversampler.half as i64);
        let first = first.clamp(0, self.source_end.unwrap_or(i64::MAX));
        if first < self.held_from || first > self.held_to {
            self.held.iter_mut().for_each(Vec::clear);
            (self.held_from, self.held_to) = (first, first);
        }
    }

    /// Drops sound that the stretch at work is past.
    fn forget(&mut self) {
        let Some(position) = self.stretches.get(self.stretch).map(|s| s.position_of(self.next)) else {
            self.held.iter_mut().chain(&mut self.fine).for_each(Vec::clear);
            (self.held_from, self.fine_from) = (self.held_to, self.fine_to);
            return;
        };
        let first = self.first_fine(position).min(self.fine_to);
        let filtered = self.fine_to - self.oversampler.half as i64;
        drop_front(&mut self.fine, &mut self.fine_from, first, self.oversampler.times);
        // Where clocks are equal, the very samples are wanted.
        drop_front(&mut self.held, &mut self.held_from, first.min(filtered).min(self.held_to), 1);
    }

    /// Adds output frames of one stretch to what is pending.
    fn render(&mut self, stretch: &FrameLeg, frames: Range<u64>) {
        let count = (frames.end - frames.start) as usize;
        let offset = (frames.start - self.pending_from) as usize;
        if self.pending_presence.len() < offset + count {
            self.pending_presence.resize(offset + count, 0.0);
            self.pending.resize((offset + count) * self.channels, 0.0);
        }
        let plain = stretch.plain(&frames);
        let end = self.source_end.unwrap_or(self.held_to);
        let (half, times) = (self.oversampler.half as f64, self.oversampler.times as f64);
        let equal = (stretch.step - 1.0).abs() < 1e-9;
        // Further than the filter reaches before the first and after the last source frame there is silence.
        let begin = stretch.position_of(frames.start);
        let from = ((-half - begin) / stretch.step).ceil().clamp(0.0, count as f64) as usize;
        let to = ((end as f64 + half - begin) / stretch.step).ceil().clamp(0.0, count as f64) as usize;
        let rows = &**BETWEEN;
        for i in from..to {
            let frame = frames.start + i as u64;
            let position = stretch.position_of(frame);
            let gain = if plain { 1.0 } else { stretch.gain(frame) };
            let whole = floor(position + SAME_FRAMES);
            if (0..end).contains(&whole) {
                self.pending_presence[offset + i] += gain;
            }
            let out = &mut self.pending[(offset + i) * self.channels..][..self.channels];
            // Equal rates on a whole frame: the very sample, not its band-limited likeness.
            if equal && (position - whole as f64).abs() <= SAME_FRAMES {
                for (y, held) in out.iter_mut().zip(&self.held) {
                    let at = usize::try_from(whole - self.held_from).ok();
                    *y += gain * at.and_then(|at| held.get(at)).copied().unwrap_or(0.0);
                }
                continue;
            }
            let phase = (position - self.fine_from as f64) * times * PHASES as f64;
            let row = phase as i64;
            let share = (phase - row as f64) as f32;
            let (at, row) = (row as usize / PHASES, row as usize % PHASES);
            for (y, fine) in out.iter_mut().zip(&self.fine) {
                if let Some(x) = fine.get(at + 1 - TAPS / 2..).and_then(|x| x.first_chunk()) {
                    *y += gain * between(&rows[row], &rows[row + 1], share, x).iter().sum::<f32>();
                }
            }
        }
    }

    /// The output frame before which nothing more is added: stretches overlap where they crossfade.
    fn finished(&self) -> u64 {
        if self.stretch >= self.stretches.len() {
            return self.frames;
        }
        self.stretches.get(self.stretch + 1).map_or(self.next, |s| s.from.min(self.next))
    }

    /// Moves finished output from `pending` to `out`.
    fn hand_out(&mut self, out: &mut Vec<f32>) -> usize {
        let count = (self.finished() - self.pending_from).min(BLOCK as u64) as usize;
        let made = count.min(self.pending_presence.len());
        out.clear();
        out.extend(self.pending.drain(..made * self.channels));
        out.resize(count * self.channels, 0.0);
        self.presence.clear();
        self.presence.extend(self.pending_presence.drain(..made));
        self.presence.resize(count, 0.0);
        self.pending_from += count as u64;
        count
    }
}

/// Resamples sound that lies in memory whole; for long sound use [`Resampler`].
///
/// # Errors
/// As for [`Resampler::new`] and [`Resampler::push`].
pub fn resample(source: &[f32], route: &Route, options: &ResampleOptions) -> Result<Vec<f32>> {
    let options = options.clone().of_source_frames((source.len() / options.channels.max(1)) as u64);
    let mut resampler = Resampler::new(route, &options)?;
    let mut output = Vec::with_capacity(options.frames as usize * options.channels);
    let mut block = Vec::new();
    loop {
        while let Some(frame) = resampler.next_frame() {
            let from = frame as usize * options.channels;
            let to = (from + BLOCK * options.channels).min(source.len());
            resampler.push(&source[from..to])?;
        }
        if resampler.pull(&mut block) == 0 {
            return Ok(output);
        }
        output.extend_from_slice(&block);
    }
}

/// Legs in frames, cut to the output, with their fades.
fn stretches(route: &Route, options: &ResampleOptions) -> Vec<FrameLeg> {
    let (source_rate, rate) = (options.source_rate_hz, options.target_rate_hz);
    let to_frames = |s: f64| (s - options.start_s) * rate;
    let fade = options.fade_s * rate;
    let legs = &route.legs;
    let length = |leg: &Leg| (leg.to_s - leg.from_s) * rate;
    // A cut is crossfaded before it happens: where the source repeats itself the later copy is true
    // there, whereas the earlier copy is wrong after it. No longer than the repeat, therefore.
    let crossfade = |a: &Leg, b: &Leg| {
        let skipped = (b.source_at(b.from_s) - a.source_at(a.to_s)).abs() / b.speed * rate;
        fade.min(length(a) / 2.0).min(skipped)
    };
    let mut out: Vec<FrameLeg> = Vec::new();
    for (i, leg) in legs.iter().enumerate() {
        let (mut from, to) = (to_frames(leg.from_s), to_frames(leg.to_s));
        let mut fade_in = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        let mut fade_out = (f64::INFINITY, f64::INFINITY);
        if let Some(previous) = i.checked_sub(1).map(|k| &legs[k]) {
            match border(previous, leg, rate, source_rate) {
                Border::Straight => {}
                Border::Gap => fade_in = (from, from + fade.min(length(leg) / 2.0)),
                Border::Cut => {
                    fade_in = (from - crossfade(previous, leg), from);
                    from = fade_in.0;
                }
            }
        }
        if let Some(next) = legs.get(i + 1) {
            match border(leg, next, rate, source_rate) {
                Border::Straight => {}
                Border::Gap => fade_out = (to - fade.min(length(leg) / 2.0), to),
                Border::Cut => fade_out = (to - crossfade(leg, next), to),
            }
        }
        let from = (from - SAME_FRAMES).ceil().clamp(0.0, options.frames as f64) as u64;
        let to = (to - SAME_FRAMES).ceil().clamp(0.0, options.frames as f64) as u64;
        if to <= from {
            continue;
        }
        let step = leg.speed * source_rate / rate;
        let position = leg.source_s * source_rate + (from as f64 - to_frames(leg.at_s)) * step;
        out.push(FrameLeg { from, to, position, step, fade_in, fade_out });
    }
    out
}

/// How one leg follows another.
enum Border {
    /// Sound runs on: a knot.
    Straight,
    /// Silence between them.
    Gap,
    /// No silence, but another place in the source.
    Cut,
}

fn border(a: &Leg, b: &Leg, rate: f64, source_rate: f64) -> Border {
    // A thousandth of a frame is below what can be heard and above the rounding of seconds in f64.
    if (b.from_s - a.to_s) * rate > 1e-3 {
        Border::Gap
    } else if ((b.source_at(b.from_s) - a.source_at(a.to_s)) * source_rate).abs() > 1e-3 {
        Border::Cut
    } else {
        Border::Straight
    }
}

/// Drops what lies before frame `first`; `times` values are a frame.
fn drop_front(sound: &mut [Vec<f32>], from: &mut i64, first: i64, times: usize) {
    let frames = usize::try_from(first - *from).unwrap_or(0);
    // Moving the rest down costs: wait until it is worth it.
    if frames > 4 * BLOCK || (frames > 0 && sound.iter().all(|s| s.len() == frames * times)) {
        sound.iter_mut().for_each(|s| drop(s.drain(..frames * times)));
        *from = first;
    }
}

/// Rounds down. `f64::floor` is a call into the C library on processors that have no instruction for it.
fn floor(x: f64) -> i64 {
    let towards_zero = x as i64;
    towards_zero - i64::from(towards_zero as f64 > x)
}

/// Shape parameter of the Kaiser window with this attenuation, dB. Here and below Kaiser's estimates, e.g. Oppenheim & Schafer,
/// Discrete-Time Signal Processing, eq. 7.75-7.76 (from memory): the transition is (A - 7.95) / (2.285 N) radians wide.
fn beta(attenuation_db: f64) -> f64 {
    0.1102 * (attenuation_db - 8.7)
}

/// Filters the source to what both rates can hold and gives `times` values for each of its frames.
struct Oversampler {
    /// Source frames to either side that the filter reaches.
    half: usize,
    /// Values a source frame: then nothing lies above a quarter of their rate.
    times: usize,
    /// Source frames of one fast convolution, a power of two.
    convolved: usize,
    /// The filter's spectrum, which is real, with the scale of both transforms.
    response: Vec<f64>,
    forward: Forward<f64>,
    inverse: Inverse<f64>,
    sound: Vec<f64>,
    spectrum: Vec<Complex<f64>>,
    fine_spectrum: Vec<Complex<f64>>,
    fine: Vec<f64>,
    scratch: Vec<Complex<f64>>,
}

impl std::fmt::Debug for Oversampler {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Oversampler").field("half", &self.half).field("times", &self.times).finish_non_exhaustive()
    }
}

impl Oversampler {
    /// For `ratio` source frames in one output frame.
    fn new(ratio: f64) -> Self {
        let ratio = ratio.max(1.0);
        let half = (HALF_TAPS * ratio).round() as usize;
        let times = if ratio < 2.0 { 2 } else { 1 };
        let convolved = (2 * half * CONVOLVED_TAPS).next_power_of_two();
        let width = (ATTENUATION_DB - 7.95) / (2.285 * 2.0 * half as f64) / std::f64::consts::TAU;
        // In cycles a source frame; the stop band begins at the lower of both Nyquist frequencies.
        let cutoff = 0.5 / ratio - width / 2.0;
        let beta = beta(ATTENUATION_DB);
        let length = convolved * times;
        let (forward, (whole, inverse)) = (real_double(convolved).0, real_double(length));
        let mut taps = vec![0.0; length];
        for k in 0..half * times {
            let x = k as f64 / times as f64;
            let value = sinc(2.0 * cutoff * x) * kaiser(x / half as f64, beta);
            // Symmetric about zero, so that nothing is late.
            taps[k] = value;
            taps[(length - k) % length] = value;
        }
        // A constant passes unchanged.
        let scale = times as f64 / taps.iter().sum::<f64>() / length as f64;
        let mut fine_spectrum = whole.make_output_vec();
        // Lengths are the plan's own, which is all that it checks.
        let _ = whole.process(&mut taps, &mut fine_spectrum);
        let response = fine_spectrum.iter().map(|c| c.re * scale).collect();
        let scratch = vec![Complex::default(); forward.get_scratch_len().max(inverse.get_scratch_len())];
        Self {
            half,
            times,
            convolved,
            response,
            sound: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            fine: taps,
            fine_spectrum,
            scratch,
            forward,
            inverse,
        }
    }

    /// Source frames that one fast convolution finishes.
    fn step(&self) -> usize {
        self.convolved - 2 * self.half
    }

    /// Appends to `fine` what becomes of [`step`](Self::step) frames; the sound begins `half` frames before them, at `from`
    /// in `held`. Outside of `held` there is silence.
    fn append(&mut self, held: &[f32], from: i64, fine: &mut Vec<f32>) {
        let (start, skip) = (usize::try_from(from).unwrap_or(0), usize::try_from(-from).unwrap_or(0));
        let there = held.get(start..).unwrap_or(&[]);
        self.sound.fill(0.0);
        self.sound[skip..].iter_mut().zip(there).for_each(|(y, x)| *y = f64::from(*x));
        // Lengths are the plan's own, which is all that both check, but for parts that are zero by construction.
        let _ = self.forward.process_with_scratch(&mut self.sound, &mut self.spectrum, &mut self.scratch);
        // Zeros between samples repeat the spectrum, mirrored; the value in the middle is its own mirror image.
        let half = self.spectrum.len() - 1;
        let scaled = |((y, x), h): ((&mut _, Complex<f64>), &f64)| *y = x * *h;
        let (low, high) = self.fine_spectrum.split_at_mut(half + 1);
        low.iter_mut().zip(self.spectrum.iter().copied()).zip(&self.response).for_each(scaled);
        let mirrored = self.spectrum[..half].iter().rev().map(Complex::conj);
        high.iter_mut().zip(mirrored).zip(&self.response[half + 1..]).for_each(scaled);
        let _ = self.inverse.process_with_scratch(&mut self.fine_spectrum, &mut self.fine, &mut self.scratch);
        let valid = self.half * self.times..(self.convolved - self.half) * self.times;
        fine.extend(self.fine[valid].iter().map(|x| *x as f32));
    }
}

/// The windowed sinc between oversampled values: a row for each phase, and one that closes the interpolation.
static BETWEEN: LazyLock<Box<[[f32; TAPS]; PHASES + 1]>> = LazyLock::new(|| {
    let (half, beta) = (TAPS as f64 / 2.0, beta(BETWEEN_DB));
    let mut rows = Box::new([[0.0f32; TAPS]; PHASES + 1]);
    for phase in 0..=PHASES / 2 {
        let fraction = phase as f64 / PHASES as f64;
        let row: [f64; TAPS] = std::array::from_fn(|k| {
            let x = k as f64 - (half - 1.0) - fraction;
            // A Kaiser window but for its scale.
            sinc(x) * bessel_i0(beta * (1.0 - (x / half).powi(2)).max(0.0).sqrt())
        });
        // Each phase passes a constant unchanged.
        let norm = 1.0 / row.iter().sum::<f64>();
        for (k, w) in row.iter().enumerate() {
            rows[phase][k] = (w * norm) as f32;
            rows[PHASES - phase][TAPS - 1 - k] = (w * norm) as f32;
        }
    }
    rows
});

/// In parts to be added up, the value between oversampled values `x`, a `share` of the way from the row `low` to the next, `high`. Interpolating
/// between two rows' sums is the same as between the rows.
#[inline(never)] // Where it sees the parts added up, the compiler takes the vectors apart: half as fast.
fn between(low: &[f32; TAPS], high: &[f32; TAPS], share: f32, x: &[f32; TAPS]) -> [f32; LANES] {
    let mut sums = [[0.0f32; LANES]; 2];
    for k in (0..TAPS).step_by(LANES) {
        for i in 0..LANES {
            sums[0][i] += low[k + i] * x[k + i];
            sums[1][i] += high[k + i] * x[k + i];
        }
    }
    std::array::from_fn(|i| sums[0][i] + share * (sums[1][i] - sums[0][i]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn sine(frequency_hz: f64, rate_hz: f64, frames: usize) -> Vec<f32> {
        (0..frames).map(|n| (TAU * frequency_hz * n as f64 / rate_hz).sin() as f32).collect()
    }

    /// Error against the sine at the very moments that the map names, dB below the sine. A wrong
    /// moment, gain or distortion all count.
    fn error_db(map: &ClockMap, frequency_hz: f64, rate: f64, output: &[f32], start_s: f64) -> f64 {
        let edge = (0.02 * rate) as usize;
        let (mut error, mut power) = (0.0, 0.0);
        for (n, y) in output.iter().enumerate().skip(edge).take(output.len() - 2 * edge) {
            let t = map.inverse(start_s + n as f64 / rate);
            let x = (TAU * frequency_hz * t).sin();
            error += (f64::from(*y) - x).powi(2);
            power += x * x;
        }
        10.0 * (error / power).log10()
    }

    fn drifting(seconds: f64) -> ClockMap {
        let mut knots = vec![(0.0, 7.25)];
        for i in 1..=((seconds / 0.5) as usize) {
            let (file, at) = knots[i - 1];
            let ppm = 1000.0 * (i as f64 * 0.7).sin();
            knots.push((file + 0.5, at + 0.5 * (1.0 + ppm * 1e-6)));
        }
        ClockMap::from_knots(knots).unwrap()
    }

    fn run(map: &ClockMap, source: &[f32], source_rate: f64, rate: f64) -> (Vec<f32>, f64) {
        let start_s = map.offset_s() + 0.1;
        let frames = ((source.len() as f64 / source_rate - 0.2) * rate) as u64;
        let options = ResampleOptions::new(source_rate, rate, 1, frames).starting_at(start_s);
        let output = resample(source, &Route::onto_timeline(map), &options).unwrap();
        assert_eq!(output.len() as u64, frames);
        (output, start_s)
    }

    #[test]
    fn sines_come_out_at_the_moments_that_the_map_names() {
        let maps = [
            ClockMap::linear(3.000_013, 0.0, 4.0),
            ClockMap::linear(3.000_013, 1000.0, 4.0),
            ClockMap::linear(-1.7, -1000.0, 4.0),
            ClockMap::linear(11.1, 85.0, 4.0),
            drifting(4.0),
        ];
        for (frequency, limit_db) in [(1000.0, -120.0), (10_000.0, -110.0), (18_000.0, -110.0)] {
            let source = sine(frequency, 48_000.0, 4 * 48_000);
            for map in &maps {
                let (output, start_s) = run(map, &source, 48_000.0, 48_000.0);
                let db = error_db(map, frequency, 48_000.0, &output, start_s);
                assert!(db < limit_db, "{frequency} Hz, {map:?}: {db:.1} dB");
                // The measure itself: late by a hundredth of a sample, the same sound fails.
                let late = error_db(map, frequency, 48_000.0, &output, start_s - 0.01 / 48_000.0);
                assert!(late > limit_db, "{frequency} Hz: a shift of 0.01 samples is not seen ({late:.1} dB)");
            }
        }
    }

    #[test]
    fn other_rates_keep_time_and_level() {
        for (source_rate, rate) in [
            (44_100.0, 48_000.0),
            (48_000.0, 44_100.0),
            (32_000.0, 48_000.0),
            (16_000.0, 48_000.0),
            (96_000.0, 48_000.0),
            (48_000.0, 96_000.0),
            (192_000.0, 48_000.0),
            (8_000.0, 48_000.0),
            (48_000.0, 8_000.0),
        ] {
            let map = ClockMap::linear(5.003, 85.0, 2.0);
            let frequency = 0.4 * f64::min(source_rate, rate);
            let source = sine(frequency, source_rate, 2 * source_rate as usize);
            let (output, start_s) = run(&map, &source, source_rate, rate);
            let db = error_db(&map, frequency, rate, &output, start_s);
            assert!(db < -110.0, "{source_rate} -> {rate}: {db:.1} dB");
        }
    }

    #[test]
    fn is_flat_to_20_khz_and_lets_nothing_past_the_lower_nyquist() {
        // Over half a second, whole cycles of every frequency used here.
        let level_db = |frequency: f64, source_rate: f64, rate: f64| {
            let source = sine(frequency, source_rate, source_rate as usize);
            let map = ClockMap::linear(0.0, 37.0, 1.0);
            let (output, _) = run(&map, &source, source_rate, rate);
            let inner = &output[1000..][..(rate / 2.0) as usize];
            let power = inner.iter().map(|y| f64::from(*y).powi(2)).sum::<f64>() / inner.len() as f64;
            10.0 * (2.0 * power).log10()
        };
        for frequency in [20.0, 1000.0, 15_000.0, 19_000.0, 20_000.0] {
            let db = level_db(frequency, 48_000.0, 48_000.0);
            assert!(db.abs() < 0.01, "{frequency} Hz at 48 kHz: {db:.4} dB");
            let db = level_db(frequency, 48_000.0, 44_100.0);
            assert!(db.abs() < 0.01, "{frequency} Hz to 44.1 kHz: {db:.4} dB");
        }
        for (frequency, source_rate, rate) in [
            (22_100.0, 48_000.0, 44_100.0),
            (25_000.0, 96_000.0, 48_000.0),
            (47_000.0, 96_000.0, 48_000.0),
            (9_000.0, 48_000.0, 16_000.0),
        ] {
            let db = level_db(frequency, source_rate, rate);
            assert!(db < -120.0, "{frequency} Hz, {source_rate} -> {rate}: {db:.1} dB");
        }
    }

    #[test]
    fn equal_clocks_give_back_the_very_samples() {
        let source: Vec<f32> = (0..48_000).map(|n| ((n * 7919) % 1000) as f32 / 500.0 - 1.0).collect();
        let map = ClockMap::linear(2.0, 0.0, 1.0);
        let options = ResampleOptions::new(48_000.0, 48_000.0, 1, 4 * 48_000);
        let output = resample(&source, &Route::onto_timeline(&map), &options).unwrap();
        assert!(output[..96_000].iter().all(|y| *y == 0.0));
        assert_eq!(&output[96_000..144_000], &source[..]);
        assert!(output[144_000..].iter().all(|y| *y == 0.0));
    }

    #[test]
    fn lost_sound_is_silence_of_its_own_length() {
        // 0.3 s are lost after 2 s of file.
        let map = ClockMap::from_knots(vec![(0.0, 0.0), (2.0, 2.0001), (2.0, 2.3001), (4.0, 4.3002)]).unwrap();
        let source = vec![0.5f32; 4 * 48_000];
        let options = ResampleOptions::new(48_000.0, 48_000.0, 1, 5 * 48_000);
        let output = resample(&source, &Route::onto_timeline(&map), &options).unwrap();
        let at = |s: f64| output[(s * 48_000.0) as usize];
        assert!((at(1.99) - 0.5).abs() < 1e-4 && (at(2.31) - 0.5).abs() < 1e-4);
        assert!(output[96_005..110_404].iter().all(|y| *y == 0.0), "not silent where sound was lost");
        assert!(output[95_995] > 0.0 && output[95_995] < 0.01, "no fade before the jump");
        assert!(output[110_412] < 0.01);
        // Fades are smooth: no step above what a 5 ms raised cosine makes.
        let inner = &output[24_000..4 * 48_000];
        assert!(inner.windows(2).all(|w| (w[1] - w[0]).abs() < 0.5 * 0.5 * std::f32::consts::PI / 240.0 * 1.05));
    }

    #[test]
    fn presence_lets_a_filler_in() {
        let map = ClockMap::from_knots(vec![(0.0, 0.0), (2.0, 2.0), (2.0, 2.3), (4.0, 4.3)]).unwrap();
        let options = ResampleOptions::new(48_000.0, 48_000.0, 1, 5 * 48_000).of_source_frames(4 * 48_000);
        let mut resampler = Resampler::new(&Route::onto_timeline(&map), &options).unwrap();
        let (mut block, mut filled) = (Vec::new(), Vec::new());
        loop {
            while resampler.next_frame().is_some() {
                resampler.push(&[0.25; 1000]).unwrap();
            }
            if resampler.pull(&mut block) == 0 {
                break;
            }
            filled.extend(block.iter().zip(resampler.presence()).map(|(y, p)| y + (1.0 - p) * 0.25));
        }
        assert_eq!(filled.len(), 5 * 48_000);
        let edges = [(0usize, 192_000 + 14_400)];
        for (n, y) in filled.iter().enumerate() {
            let near_edge = edges.iter().any(|e| n.abs_diff(e.0) < 200 || n.abs_diff(e.1) < 200);
            assert!((y - 0.25).abs() < if near_edge { 0.05 } else { 1e-5 }, "frame {n}: {y}");
        }
    }

    #[test]
    fn repeated_sound_is_cut_and_the_rest_keeps_its_place() {
        // After 2 s the device wrote the last 0.2 s again.
        let rate = 48_000.0;
        let tone = |t: f64| (TAU * 440.0 * t).sin() + 0.3 * (TAU * 97.0 * t).sin();
        let source: Vec<f32> = (0..4 * 48_000)
            .map(|n| n as f64 / rate)
            .map(|t| tone(if t < 2.0 { t } else { t - 0.2 }) as f32 * 0.5)
            .collect();
        let map = ClockMap::from_knots(vec![(0.0, 1.0), (2.0, 3.0), (2.0, 2.8), (4.0, 4.8)]).unwrap();
        let options = ResampleOptions::new(rate, rate, 1, 3 * 48_000 + 38_400).starting_at(1.0);
        let output = resample(&source, &Route::onto_timeline(&map), &options).unwrap();
        for (n, y) in output.iter().enumerate().take(output.len() - 200).skip(200) {
            let x = tone(n as f64 / rate) * 0.5;
            assert!((f64::from(*y) - x).abs() < 1e-4, "frame {n}: {y} instead of {x}");
        }
    }

    #[test]
    fn a_source_under_a_clip_follows_both_clocks() {
        // The clip loses 0.4 s and later repeats 0.25 s; the recorder drifts the other way.
        let clip = ClockMap::from_knots(vec![
            (0.0, 20.0),
            (3.0, 3.0 * 1.000_05 + 20.0),
            (3.0, 3.0 * 1.000_05 + 20.4),
            (6.0, 6.0 * 1.000_05 + 20.4),
            (6.0, 6.0 * 1.000_05 + 20.15),
            (9.0, 9.0 * 1.000_05 + 20.15),
        ])
        .unwrap();
        let recorder = ClockMap::linear(14.321, -85.0, 30.0);
        let rate = 48_000.0;
        let source = sine(700.0, rate, 20 * 48_000);
        let options = ResampleOptions::new(rate, rate, 1, 9 * 48_000);
        let output = resample(&source, &Route::under_clip(&recorder, &clip), &options).unwrap();
        for (n, y) in output.iter().enumerate() {
            let t = n as f64 / rate;
            // The crossfades, just before each cut.
            if [3.0, 6.0].iter().any(|cut| t - cut > -0.0051 && t < cut + 1e-5) {
                continue;
            }
            let x = (TAU * 700.0 * recorder.inverse(clip.forward(t))).sin();
            assert!((f64::from(*y) - x).abs() < 1e-5, "frame {n}: {y} instead of {x}");
        }
    }

    #[test]
    fn block_size_and_channels_do_not_change_the_sound() {
        let map = drifting(2.0);
        let left = sine(313.0, 44_100.0, 88_200);
        let right = sine(5021.0, 44_100.0, 88_200);
        let both: Vec<f32> = left.iter().zip(&right).flat_map(|(l, r)| [*l, *r]).collect();
        let route = Route::onto_timeline(&map);
        let mono = ResampleOptions::new(44_100.0, 48_000.0, 1, 96_000).starting_at(7.2);
        let stereo = ResampleOptions { channels: 2, ..mono.clone() };
        let l = resample(&left, &route, &mono).unwrap();
        let r = resample(&right, &route, &mono).unwrap();
        for block in [2usize, 14, 1000, 70_000] {
            let mut resampler = Resampler::new(&route, &stereo).unwrap();
            let (mut out, mut output, mut at) = (Vec::new(), Vec::new(), 0usize);
            loop {
                while let Some(frame) = resampler.next_frame() {
                    assert_eq!(frame as usize, at / 2);
                    let to = (at + block).min(both.len());
                    if to == at {
                        resampler.end_of_source()
                    } else {
                        resampler.push(&both[at..to]).unwrap()
                    }
                    at = to;
                }
                if resampler.pull(&mut out) == 0 {
                    break;
                }
                output.extend_from_slice(&out);
            }
            assert_eq!(output.len(), 2 * l.len());
            assert!(output.chunks_exact(2).zip(l.iter().zip(&r)).all(|(y, (l, r))| y[0] == *l && y[1] == *r));
        }
    }

    #[test]
    fn two_chapters_added_join_without_a_seam() {
        let whole = sine(997.0, 48_000.0, 96_000);
        let map = ClockMap::linear(0.25, 60.0, 1.0);
        let second = ClockMap::linear(map.forward(1.0), 60.0, 1.0);
        let options = ResampleOptions::new(48_000.0, 48_000.0, 1, 3 * 48_000);
        let one = resample(&whole[..48_000], &Route::onto_timeline(&map), &options).unwrap();
        let two = resample(&whole[48_000..], &Route::onto_timeline(&second), &options).unwrap();
        let straight = resample(&whole, &Route::onto_timeline(&map), &options).unwrap();
        for (n, y) in straight.iter().enumerate() {
            assert!((one[n] + two[n] - y).abs() < 2e-6, "frame {n}");
        }
    }

    #[test]
    fn long_silence_and_far_sources_cost_no_memory() {
        let map = ClockMap::linear(100_000.0, 10.0, 1.0);
        let options = ResampleOptions::new(48_000.0, 48_000.0, 1, 20_000_000).starting_at(99_800.0);
        let mut resampler = Resampler::new(&Route::onto_timeline(&map), &options).unwrap();
        let (mut out, mut frames, mut asked) = (Vec::new(), 0, 0);
        loop {
            while let Some(frame) = resampler.next_frame() {
                asked += 1;
                if frame >= 48_000 { resampler.end_of_source() } else { resampler.push(&[0.1; 4000]).unwrap() }
            }
            let n = resampler.pull(&mut out);
            assert!(resampler.pending.capacity() < 100_000 && resampler.held[0].capacity() < 100_000);
            if n == 0 {
                break;
            }
            frames += n;
        }
        assert_eq!(frames, 20_000_000);
        assert!(asked <= 13, "{asked} blocks for one second of sound");
        // A clip that begins deep in the source asks for that place only.
        let deep = ResampleOptions::new(48_000.0, 48_000.0, 1, 100).starting_at(107_200.0);
        let resampler = Resampler::new(&Route::onto_timeline(&map), &deep).unwrap();
        assert!((resampler.next_frame().unwrap() as f64 - 7200.0 * 48_000.0).abs() < 4000.0);
    }

    #[test]
    fn a_reset_one_is_as_good_as_new() {
        let map = drifting(4.0);
        let source = sine(997.0, 48_000.0, 4 * 48_000);
        let options = ResampleOptions::new(48_000.0, 44_100.0, 1, 20_000).of_source_frames(source.len() as u64);
        let route = Route::onto_timeline(&map);
        let mut used = Resampler::new(&route, &options.clone().starting_at(8.0)).unwrap();
        for start_s in [7.25, 10.9, 8.4] {
            // It stops amid its work, with sound held and output pending.
            let from = used.next_frame().unwrap() as usize;
            used.push(&source[from..from + 900]).unwrap();
            used.reset(start_s).unwrap();
            let mut output = Vec::new();
            let mut block = Vec::new();
            loop {
                while let Some(frame) = used.next_frame() {
                    let from = frame as usize;
                    used.push(&source[from..(from + 1000).min(source.len())]).unwrap();
                }
                let available = used.available();
                let pulled = used.pull(&mut block);
                assert!(pulled as u64 >= available.min(BLOCK as u64) && (pulled > 0) == (available > 0));
                if pulled == 0 {
                    break;
                }
                output.extend_from_slice(&block);
            }
            assert!(used.is_done());
            assert_eq!(output, resample(&source, &route, &options.clone().starting_at(start_s)).unwrap());
            used.reset(7.25).unwrap();
            assert!(!used.is_done());
        }
        assert!(used.reset(f64::NAN).is_err());
    }

    #[test]
    fn small_blocks_come_across_cuts() {
        // Sound that was written again, by less than a crossfade's room for the smallest blocks.
        let map = ClockMap::from_knots(vec![(0.0, 0.0), (1.0, 1.0), (1.0, 0.9), (2.0, 1.9)]).unwrap();
        let source = sine(440.0, 48_000.0, 96_000);
        let options = ResampleOptions::new(48_000.0, 48_000.0, 1, 100_000);
        let whole = resample(&source, &Route::onto_timeline(&map), &options).unwrap();
        let mut resampler = Resampler::new(&Route::onto_timeline(&map), &options).unwrap();
        let (mut block, mut output) = (Vec::new(), Vec::new());
        loop {
            while let Some(frame) = resampler.next_frame() {
                let from = (frame as usize).min(source.len());
                let to = (from + 16).min(source.len());
                if from == to { resampler.end_of_source() } else { resampler.push(&source[from..to]).unwrap() }
            }
            if resampler.pull(&mut block) == 0 {
                break;
            }
            output.extend_from_slice(&block);
        }
        assert_eq!(output, whole);
    }

    #[test]
    fn an_open_end_is_where_the_source_ends() {
        let map = ClockMap::linear(0.5, 100.0, 2.0);
        let source = sine(313.0, 48_000.0, 96_001);
        let open = ResampleOptions::new(48_000.0, 48_000.0, 1, OPEN_END);
        let expected = (map.forward(96_001.0 / 48_000.0) * 48_000.0).ceil() as usize;
        for known in [false, true] {
            let options = if known { open.clone().of_source_frames(96_001) } else { open.clone() };
            let mut resampler = Resampler::new(&Route::onto_timeline(&map), &options).unwrap();
            let (mut output, mut block) = (Vec::new(), Vec::new());
            loop {
                while let Some(frame) = resampler.next_frame() {
                    let from = frame as usize;
                    let to = (from + 777).min(source.len());
                    if from == to { resampler.end_of_source() } else { resampler.push(&source[from..to]).unwrap() }
                }
                if resampler.pull(&mut block) == 0 {
                    break;
                }
                output.extend_from_slice(&block);
            }
            assert!(resampler.is_done());
            assert_eq!(output.len(), expected, "source of known length: {known}");
            let fixed = ResampleOptions { frames: expected as u64, ..open.clone() };
            assert_eq!(output, resample(&source, &Route::onto_timeline(&map), &fixed).unwrap());
            // After the end is known, a seek beyond it leaves nothing to make.
            resampler.reset(5.0).unwrap();
            assert!(resampler.is_done() && resampler.next_frame().is_none());
        }
    }

    #[test]
    fn refuses_what_it_cannot_do() {
        let route = Route::onto_timeline(&ClockMap::linear(0.0, 0.0, 1.0));
        let good = ResampleOptions::new(48_000.0, 48_000.0, 1, 100);
        for options in [
            ResampleOptions { source_rate_hz: 0.0, ..good.clone() },
            ResampleOptions { target_rate_hz: f64::NAN, ..good.clone() },
            ResampleOptions { channels: 0, ..good.clone() },
            ResampleOptions { start_s: f64::INFINITY, ..good.clone() },
            ResampleOptions { fade_s: -1.0, ..good.clone() },
            ResampleOptions { frames: u64::MAX - 1, ..good.clone() },
        ] {
            assert_eq!(Resampler::new(&route, &options).unwrap_err().kind(), ErrorKind::InvalidArgument);
        }
        let twice = Route::onto_timeline(&ClockMap::linear(0.0, 1e6, 1.0));
        assert!(Resampler::new(&twice, &good).is_err());
        let mut stereo = Resampler::new(&route, &ResampleOptions { channels: 2, ..good.clone() }).unwrap();
        assert!(stereo.push(&[0.0; 3]).is_err());
        let nan = resample(&[f32::NAN; 100], &route, &good).unwrap();
        assert!(nan.iter().all(|y| *y == 0.0));
        let empty = resample(&[], &route, &good).unwrap();
        assert_eq!(empty, vec![0.0; 100]);
    }
}
