//! Any sound -> an analysis track.
//!
//! The front end mixes to mono, decimates to 8 kHz without delay, and levels the spectrum: each
//! frequency bin is divided by its own slowly varying level, so that a steady engine becomes flat
//! noise and its harmonics lose their height, and short loud passages are compressed by half (in
//! dB), so that neither a gust nor a radio call outweighs the rest. All gains are real and positive
//! (zero phase): levelling moves nothing in time. It is the data-independent half of a generalised
//! cross-correlation's weighting (Knapp & Carter, IEEE TASSP 24(4), 1976); the other half, which
//! needs both signals, is applied by [`pair`](crate::pair).

pub(crate) mod band;

use std::io::{Read, Write};
use std::sync::{Arc, LazyLock, OnceLock};

use coeval_transform::{Complex32, Forward, Inverse};

use crate::error::{Error, ErrorKind, Result};
use crate::filter::{dot, kaiser, sinc};
use crate::samples::{check_channels, check_frames, check_rate, greater};
use crate::store::{SampleWriter, Samples};

pub use crate::store::{NewScratch, Scratch};
use band::Band;

/// Rate of every analysis track, in Hz. Speech keeps what aligns it below 4 kHz.
pub const TRACK_RATE_HZ: f64 = 8000.0;

/// A levelled signal has a long-term standard deviation near 1; it is stored in steps of 1/256.
const STEPS: f32 = 256.0;
/// Frame and hop of the levelling filter bank, in track samples (64 ms, 32 ms).
const FRAME: usize = 512;
const HOP: usize = FRAME / 2;
const BINS: usize = FRAME / 2 + 1;
/// Width of the bands in which short loud passages are compressed, in bins (250 Hz).
const BAND: usize = 16;
const BANDS: usize = BINS.div_ceil(BAND);
/// Time constants of the two levels, in frames: about 8 s and 0.1 s.
const LONG_FRAMES: f32 = 250.0;
const SHORT_FRAMES: f32 = 3.0;
/// A bin's level is never taken lower than this share of its mean so far (-26 dB), so that pauses stay quiet.
const PAUSE_FLOOR: f32 = 2.5e-3;
/// [`Track::above_floor`]: the least power, as a share of that of the loud moments, with which a line counts as
/// open, and the multiple of its floor that is taken away.
const OPEN: f32 = 1e-4;
const ABOVE: f32 = 4.0;
/// The band that is used, Hz: below, wind and engine rule; above, the decimation filter ends.
const BAND_LOW_HZ: f32 = 120.0;
const BAND_HIGH_HZ: f32 = 3800.0;

/// Mono, levelled sound at [`TRACK_RATE_HZ`]; sample 0 is the presentation zero of its file.
#[derive(Debug, Clone, Default)]
pub struct Track {
    samples: Samples,
    levels: Vec<f32>,
    silent: bool,
    /// Power before levelling of every band of [`BAND`] bins in every frame, in steps of 0.75 dB.
    bands: Arc<[u8]>,
    spill: Spill,
    /// Made when it is first asked for: one recorder is compared with many cameras.
    above_floor: OnceLock<Box<Track>>,
    band: OnceLock<Band>,
}

fn pack(power: f32) -> u8 {
    (4.0 * power.max(1e-15).log2() + 200.0).round().clamp(0.0, 255.0) as u8
}

fn unpack(packed: u8) -> f32 {
    ((f32::from(packed) - 200.0) / 4.0).exp2()
}

/// Where the samples of a long track go.
#[derive(Clone, Default)]
struct Spill(Option<(usize, NewScratch)>);

impl std::fmt::Debug for Spill {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Spill").field(&self.0.as_ref().map(|s| s.0)).finish()
    }
}

/// How the bytes of a track begin: what it is, and the version of the layout.
const BYTES_1: &[u8; 8] = b"cvtrack1";
/// Bytes before samples and bands, and after them.
const HEAD: usize = 8 + 1 + 8 + 8;
const TAIL: usize = 8;

/// FNV-1a (Fowler, Noll, Vo; RFC 9923 has its constants): the hash of nothing, and of what follows.
const FNV_BASIS: u64 = 0xcbf2_9ce4_8422_2325;

fn digest(hash: u64, bytes: &[u8]) -> u64 {
    bytes.iter().fold(hash, |hash, b| (hash ^ u64::from(*b)).wrapping_mul(0x0100_0000_01b3))
}

/// Samples that are written or read at a time.
const PIECE: usize = 1 << 13;

fn track_samples(seconds: f64) -> usize {
    (seconds.max(0.0) * TRACK_RATE_HZ) as usize
}

/// Samples over which [`Track::levels`] are taken: 0.25 s.
pub(crate) const LEVEL_HOP: usize = 2000;

impl Track {
    #[cfg(test)]
    pub(crate) fn raw(samples: &[f32]) -> Self {
        let samples: Vec<i16> = samples.iter().map(|s| (s * STEPS).round() as i16).collect();
        Self { samples: samples.into(), ..Self::default() }
    }

    /// The track of a whole recording, interleaved; [`TrackBuilder`] takes it in blocks.
    ///
    /// # Errors
    /// As for [`TrackBuilder::new`] and [`TrackBuilder::push`].
    pub fn from_samples(interleaved: &[f32], rate_hz: f64, channels: usize) -> Result<Self> {
        let mut builder = TrackBuilder::new(rate_hz, channels)?;
        builder.push(interleaved)?;
        Ok(builder.finish())
    }

    /// Number of samples at [`TRACK_RATE_HZ`].
    pub fn len(&self) -> usize {
        self.samples.len()
    }

    /// Whether the track has no sample.
    pub fn is_empty(&self) -> bool {
        self.samples.len() == 0
    }

    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / TRACK_RATE_HZ
    }

    /// Whether the sound was one constant value throughout (digital silence).
    pub fn is_silent(&self) -> bool {
        self.silent
    }

    /// Mean square of each whole stretch of [`LEVEL_HOP`] samples: how much the levelled sound stands out there.
    pub(crate) fn levels(&self) -> &[f32] {
        &self.levels
    }

    /// Mean square of the levelled sound in a second of whole stretches around a moment, seconds; 0 at the ends, where there is
    /// no whole second.
    pub(crate) fn level_at(&self, at_s: f64) -> f32 {
        const HOPS: usize = TRACK_RATE_HZ as usize / LEVEL_HOP;
        let first = ((at_s - 0.5) * TRACK_RATE_HZ / LEVEL_HOP as f64).round().max(0.0) as usize;
        self.levels.get(first..first + HOPS).map_or(0.0, |hops| hops.iter().sum::<f32>() / HOPS as f32)
    }

    /// This line with only what stands out of its own floor: where and when a band is no louder than in the
    /// quietest fifth of the moments at which the line is open, it is silent.
    ///
    /// A headset line hears the engine under the voice, by another path and so with another delay than the
    /// camera does. Levelling raises it, and in a camera it is far louder than the voice: it would be what the
    /// two have most in common. (Spectral subtraction with a noise floor by order statistics: Boll, IEEE TASSP
    /// 27(2), 1979; Martin, IEEE TSAP 9(5), 2001.)
    pub(crate) fn above_floor(&self) -> &Self {
        self.above_floor.get_or_init(|| Box::new(self.masked()))
    }

    /// The lower voice band's envelope, made when it is first asked for.
    pub(crate) fn band(&self) -> &Band {
        self.band.get_or_init(|| Band::of(self, SampleWriter::new(self.spill.0.clone())))
    }

    fn masked(&self) -> Self {
        let unpacked: [f32; 256] = std::array::from_fn(|p| unpack(p as u8));
        let power = |packed: &u8| unpacked[usize::from(*packed)];
        let loudness = |frame: &[u8]| frame.iter().map(power).sum::<f32>();
        let (square, sum) = self
            .bands
            .chunks(BANDS)
            .map(loudness)
            .fold((0.0f64, 0.0f64), |(q, s), p| (q + f64::from(p).powi(2), s + f64::from(p)));
        let open = OPEN * (square / sum.max(1e-30)) as f32;
        // How often each packed power occurs while the line is open, band by band: their order is that of powers.
        let mut often = vec![[0usize; 256]; BANDS];
        for frame in self.bands.chunks(BANDS).filter(|f| loudness(f) > open) {
            frame.iter().zip(&mut often).for_each(|(p, often)| often[usize::from(*p)] += 1);
        }
        let floor: Vec<f32> = often
            .iter()
            .map(|often| {
                let at = often.iter().sum::<usize>() / 5;
                let mut passed = 0;
                let fifth = often.iter().position(|n| {
                    passed += n;
                    passed > at
                });
                fifth.map_or(0.0, |p| unpacked[p])
            })
            .collect();
        let mut shown = self.bands.chunks(BANDS);
        let mut samples = SampleWriter::new(self.spill.0.clone());
        let kept = frames(
            &self.samples,
            |spectrum| {
                let Some(packed) = shown.next() else { return };
                for ((bins, p), floor) in spectrum.chunks_mut(BAND).zip(packed.iter().map(power)).zip(&floor) {
                    let gain = if p > 0.0 { (1.0 - ABOVE * floor / p).max(0.0) } else { 0.0 };
                    bins.iter_mut().for_each(|c| *c *= gain);
                }
            },
            &mut samples,
        );
        let masked = Self::of(samples.finish(self.len()), self.silent, Arc::default(), self.spill.clone());
        if let Err(e) = kept {
            masked.samples.failed(e);
        }
        masked
    }

    fn of(samples: Samples, silent: bool, bands: Arc<[u8]>, spill: Spill) -> Self {
        let mut hop = [0.0; LEVEL_HOP];
        let levels = (0..samples.len() / LEVEL_HOP)
            .map(|i| {
                samples.read((i * LEVEL_HOP) as i64, 1.0, &mut hop);
                hop.iter().map(|s| (s / STEPS).powi(2)).sum::<f32>() / LEVEL_HOP as f32
            })
            .collect();
        Self { samples, levels, silent, bands, spill, above_floor: OnceLock::new(), band: OnceLock::new() }
    }

    /// Whether all of it could be read whenever it was: a long track may lie in a [`Scratch`].
    ///
    /// # Errors
    /// [`Io`](crate::ErrorKind::Io) when it could not: then it was silent there.
    pub(crate) fn check(&self) -> Result<()> {
        self.samples.check()?;
        self.band.get().map_or(Ok(()), Band::check)?;
        self.above_floor.get().map_or(Ok(()), |t| t.check())
    }

    /// The track as bytes, to be kept or sent: [`from_bytes`](Self::from_bytes) makes one from them that gives the same
    /// results to the last bit. Two bytes a sample and 17 for every 256 samples.
    ///
    /// # Errors
    /// [`Io`](crate::ErrorKind::Io) when a long track lies in a [`Scratch`] and cannot be read.
    pub fn to_bytes(&self) -> Result<Vec<u8>> {
        let mut bytes = Vec::with_capacity(self.byte_count());
        self.write_to(&mut bytes)?;
        Ok(bytes)
    }

    /// Writes what [`to_bytes`](Self::to_bytes) gives, piece by piece.
    ///
    /// # Errors
    /// As there, and [`Io`](crate::ErrorKind::Io) when `out` takes no more.
    pub fn write_to(&self, out: &mut dyn Write) -> Result<()> {
        let mut hash = FNV_BASIS;
        let mut put = |bytes: &[u8]| {
            hash = digest(hash, bytes);
            match out.write_all(bytes) {
                Err(e) => Err(Error::new(ErrorKind::Io, format!("the track cannot be written: {e}")).with_source(e)),
                Ok(()) => Ok(hash),
            }
        };
        let mut bytes = BYTES_1.to_vec();
        bytes.push(u8::from(self.silent));
        for count in [self.len(), self.bands.len()] {
            bytes.extend_from_slice(&(count as u64).to_le_bytes());
        }
        put(&bytes)?;
        let mut block = [0.0; PIECE];
        for from in (0..self.len()).step_by(PIECE) {
            let block = &mut block[..PIECE.min(self.len() - from)];
            self.samples.read(from as i64, 1.0, block);
            bytes.clear();
            bytes.extend(block.iter().flat_map(|s| (*s as i16).to_le_bytes()));
            put(&bytes)?;
        }
        self.samples.check()?;
        let hash = put(&self.bands)?;
        put(&hash.to_le_bytes()).map(|_| ())
    }

    /// Number of bytes that [`to_bytes`](Self::to_bytes) gives.
    pub fn byte_count(&self) -> usize {
        HEAD + 2 * self.len() + self.bands.len() + TAIL
    }

    /// A track from what [`to_bytes`](Self::to_bytes) gave, by this version or an earlier one.
    ///
    /// # Errors
    /// [`UnknownFormat`](crate::ErrorKind::UnknownFormat) when they are no track or one of a later version,
    /// [`Damaged`](crate::ErrorKind::Damaged) when they were cut or changed.
    pub fn from_bytes(mut bytes: &[u8]) -> Result<Self> {
        let length = bytes.len() as u64;
        Self::read_from(&mut bytes, length, None)
    }

    /// A track from `length` bytes of which [`write_to`](Self::write_to) wrote all, read piece by piece. With `spill`, a
    /// track longer than so many seconds is kept as [`TrackBuilder::spilling`] says.
    ///
    /// # Errors
    /// As for [`from_bytes`](Self::from_bytes); [`Io`](crate::ErrorKind::Io) when `bytes` cannot be read.
    pub fn read_from(bytes: &mut dyn Read, length: u64, spill: Option<(f64, NewScratch)>) -> Result<Self> {
        let damaged = || Error::new(ErrorKind::Damaged, "the bytes of the track were cut or changed");
        let mut hash = FNV_BASIS;
        let mut take = |out: &mut [u8]| {
            bytes.read_exact(out).map_err(|e| match e.kind() {
                std::io::ErrorKind::UnexpectedEof => damaged(),
                _ => Error::new(ErrorKind::Io, "the bytes of the track cannot be read").with_source(e),
            })?;
            hash = digest(hash, out);
            Ok(hash)
        };
        let mut head = [0; HEAD];
        let magic = &mut head[..BYTES_1.len().min(length as usize)];
        take(magic)?;
        if magic != BYTES_1 {
            return Err(Error::new(ErrorKind::UnknownFormat, "the bytes are no track that this version reads"));
        }
        take(&mut head[BYTES_1.len()..])?;
        let count = |at: usize| head[at..].first_chunk().map(|c| u64::from_le_bytes(*c));
        let (samples, bands) = count(9).zip(count(17)).ok_or_else(damaged)?;
        let expected = samples.checked_mul(2).and_then(|s| s.checked_add(bands)?.checked_add((HEAD + TAIL) as u64));
        if expected != Some(length) || bands % BANDS as u64 != 0 || head[8] > 1 {
            return Err(damaged());
        }
        let spill = Spill(spill.map(|(after_s, scratch)| (track_samples(after_s), scratch)));
        let mut kept = SampleWriter::new(spill.0.clone());
        let (mut buffer, mut left) = ([0; 2 * PIECE], samples as usize);
        while left > 0 {
            let piece = &mut buffer[..2 * left.min(PIECE)];
            take(piece)?;
            kept.extend(piece.as_chunks::<2>().0.iter().map(|s| i16::from_le_bytes(*s)));
            kept.flush()?;
            left -= piece.len() / 2;
        }
        let mut powers = vec![0; bands as usize];
        let hash = take(&mut powers)?;
        let mut tail = [0; TAIL];
        take(&mut tail)?;
        if hash != u64::from_le_bytes(tail) {
            return Err(damaged());
        }
        Ok(Self::of(kept.finish(samples as usize), head[8] == 1, powers.into(), spill))
    }

    /// Copies samples from `start` on into `out`; what lies outside the track is 0.
    pub fn read(&self, start: i64, out: &mut [f32]) {
        self.samples.read(start, 1.0 / STEPS, out);
    }
}

/// Makes a [`Track`] from sound that arrives in blocks, in bounded memory apart from the track itself (58 MB an hour,
/// unless [`spilling`](Self::spilling) bounds that as well).
pub struct TrackBuilder {
    mix: MonoMix,
    decimator: Decimator,
    leveller: Leveller,
    scratch: Vec<f32>,
}

impl std::fmt::Debug for TrackBuilder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("TrackBuilder").field("samples", &self.leveller.out.len()).finish_non_exhaustive()
    }
}

impl TrackBuilder {
    /// For interleaved sound at `rate_hz` (1000 to 768000) with `channels` (1 to 64).
    ///
    /// # Errors
    /// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(rate_hz: f64, channels: usize) -> Result<Self> {
        check_rate("rate_hz", rate_hz, 1000.0..=768_000.0)?;
        check_channels(channels)?;
        Ok(Self {
            mix: MonoMix::new(rate_hz, channels),
            decimator: Decimator::new(rate_hz),
            leveller: Leveller::new(),
            scratch: Vec::new(),
        })
    }

    /// Keeps the samples of a track longer than `after_s` seconds in what `scratch` makes, not in memory, where two
    /// million bytes an hour remain. The track's answers are the same to the last bit. Where the scratch cannot be
    /// made or takes no more, all stays in memory after all.
    #[must_use]
    pub fn spilling(mut self, after_s: f64, scratch: NewScratch) -> Self {
        self.leveller.out = SampleWriter::new(Some((track_samples(after_s), scratch)));
        self
    }

    /// Takes the next block, interleaved, whole frames. NaN and infinite samples count as silence.
    ///
    /// # Errors
    /// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) when the block is not a whole number of frames;
    /// [`Io`](crate::ErrorKind::Io) when what is in a [`Scratch`] cannot be read back from one that is full.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<()> {
        let channels = self.mix.channels;
        check_frames(interleaved.len(), channels)?;
        // Pieces bound the scratch memory whatever the caller's block size.
        for piece in interleaved.chunks(8192 * channels) {
            self.mix.push(piece, self.decimator.input());
            self.scratch.clear();
            self.decimator.run(&mut self.scratch);
            self.leveller.push(&self.scratch);
            self.leveller.out.flush()?;
        }
        Ok(())
    }

    /// The finished track.
    pub fn finish(mut self) -> Track {
        self.scratch.clear();
        self.decimator.finish(&mut self.scratch);
        self.leveller.push(&self.scratch);
        self.leveller.finish();
        let Leveller { out, bands, received, .. } = self.leveller;
        let spill = Spill(out.spill());
        Track::of(out.finish(received), !self.mix.varies, bands.into(), spill)
    }
}

/// Mean of the channels; where the channels cancel each other (a balanced line on a stereo input),
/// the first channel alone.
struct MonoMix {
    channels: usize,
    /// Smoothed energy of the mean and of a single channel; forgetting factor for each frame.
    energy_mean: f64,
    energy_single: f64,
    keep: f64,
    single: bool,
    first: Option<f32>,
    varies: bool,
}

impl MonoMix {
    fn new(rate_hz: f64, channels: usize) -> Self {
        Self {
            channels,
            energy_mean: 0.0,
            energy_single: 0.0,
            keep: 1.0 - 1.0 / rate_hz,
            single: false,
            first: None,
            varies: false,
        }
    }

    fn push(&mut self, piece: &[f32], out: &mut Vec<f32>) {
        let first = *self.first.get_or_insert_with(|| piece.first().copied().unwrap_or(0.0));
        self.varies = self.varies || piece.iter().any(|s| s.is_finite() && *s != first);
        let clean = |s: f32| if s.is_finite() { s.clamp(-1e6, 1e6) } else { 0.0 };
        if self.channels == 1 {
            out.extend(piece.iter().map(|&s| clean(s)));
            return;
        }
        // The choice holds for stretches of 512 frames and has hysteresis: switching is rare.
        let scale = 1.0 / self.channels as f32;
        for stretch in piece.chunks(512 * self.channels) {
            let at = out.len();
            let (mut mean_sq, mut single_sq) = (0.0f64, 0.0f64);
            let mut take = |frame: &[f32]| {
                let (mut sum, mut sq) = (0.0f32, 0.0f32);
                for &s in frame {
                    let s = clean(s);
                    sum += s;
                    sq += s * s;
                }
                let mean = sum * scale;
                mean_sq += f64::from(mean * mean);
                single_sq += f64::from(sq * scale);
                mean
            };
            // Most are in stereo: the compiler then knows how many channels there are.
            match self.channels {
                2 => out.extend(stretch.as_chunks::<2>().0.iter().map(|frame| take(frame))),
                _ => out.extend(stretch.chunks_exact(self.channels).map(take)),
            }
            let keep = self.keep.powi((stretch.len() / self.channels) as i32);
            self.energy_mean = self.energy_mean * keep + mean_sq;
            self.energy_single = self.energy_single * keep + single_sq;
            let limit = if self.single { 0.1 } else { 0.02 };
            self.single = self.energy_mean < limit * self.energy_single;
            if self.single {
                for (o, frame) in out[at..].iter_mut().zip(stretch.chunks_exact(self.channels)) {
                    *o = clean(frame[0]);
                }
            }
        }
    }
}

/// Windowed-sinc conversion to [`TRACK_RATE_HZ`] without delay: output `n` is the input at `n * rate / 8000`.
///
/// The transition band is 3.6 to 4.4 kHz: what folds back lands above 3.6 kHz, where little is used. High rates are first
/// divided by a whole number, down to 16 kHz at the least: with 8 kHz for its transition that filter is short, and the
/// one that needs many taps for each second of sound runs at the lower rate.
struct Decimator {
    coarse: Option<Stage>,
    fine: Stage,
    /// Input samples for each output sample.
    step: f64,
}

/// Band that a track keeps as it is, and from where nothing folds back into it, Hz.
const KEPT_HZ: f64 = 3600.0;
const STOPPED_HZ: f64 = 4400.0;
/// Least rate after the coarse stage, Hz.
const COARSE_HZ: f64 = 16_000.0;

impl Decimator {
    fn new(rate_hz: f64) -> Self {
        let divides = |m: u32| rate_hz.fract() != 0.0 || (rate_hz / f64::from(m)).fract() == 0.0;
        let by = (2..=(rate_hz / COARSE_HZ) as u32).rev().find(|&m| divides(m)).unwrap_or(1);
        let between_hz = rate_hz / f64::from(by);
        let coarse = (by > 1).then(|| Stage::new(rate_hz, between_hz, (KEPT_HZ, between_hz - STOPPED_HZ)));
        let scale = (between_hz / TRACK_RATE_HZ).min(1.0);
        let fine = Stage::new(between_hz, TRACK_RATE_HZ, (KEPT_HZ * scale, STOPPED_HZ * scale));
        Self { coarse, fine, step: rate_hz / TRACK_RATE_HZ }
    }

    /// Where input samples go.
    fn input(&mut self) -> &mut Vec<f32> {
        &mut self.coarse.as_mut().unwrap_or(&mut self.fine).pending
    }

    fn run(&mut self, out: &mut Vec<f32>) {
        if let Some(coarse) = &mut self.coarse {
            coarse.run(&mut self.fine.pending);
        }
        self.fine.run(out);
    }

    /// Runs out on silence, so that the track is as long as its input.
    fn finish(&mut self, out: &mut Vec<f32>) {
        let received = self.coarse.as_ref().unwrap_or(&self.fine).end() as f64;
        if let Some(coarse) = &mut self.coarse {
            coarse.finish((received / coarse.step).round() as u64, &mut self.fine.pending);
        }
        self.fine.finish((received / self.step).round() as u64, out);
    }
}

/// One windowed-sinc filter of a [`Decimator`].
struct Stage {
    /// Input samples for each output sample.
    step: f64,
    taps: usize,
    phases: usize,
    /// `phases + 1` rows of `taps`: the extra row closes the interpolation between phases.
    table: Vec<f32>,
    /// Whether positions fall on phases exactly; else neighbouring rows are blended.
    exact: bool,
    /// Input not yet used up; its first sample is input sample `first` (negative in the lead-in).
    pending: Vec<f32>,
    first: i64,
    next_out: u64,
}

impl Stage {
    /// From one rate to another, passing what is below the first frequency and stopping what is above the second, Hz.
    fn new(from_hz: f64, to_hz: f64, (kept_hz, stopped_hz): (f64, f64)) -> Self {
        let cutoff_hz = (kept_hz + stopped_hz) / 2.0;
        // Kaiser's length formula for 60 dB: (A - 8) / (2.285 * 2 pi * transition), Kaiser 1974.
        let transition = (stopped_hz - kept_hz) / from_hz;
        let taps = ((60.0 - 8.0) / (2.285 * std::f64::consts::TAU * transition)).ceil() as usize;
        let taps = taps.next_multiple_of(16);
        let whole = from_hz.fract() == 0.0 && to_hz.fract() == 0.0;
        let (phases, exact) = match whole.then(|| to_hz as u64 / gcd(from_hz as u64, to_hz as u64)) {
            Some(l) if l <= 1000 => (l as usize, true),
            _ => (512, false),
        };
        let mut table = Vec::with_capacity((phases + 1) * taps);
        let half = taps as f64 / 2.0;
        for phase in 0..=phases {
            let frac = phase as f64 / phases as f64;
            let row = table.len();
            for k in 0..taps {
                let x = k as f64 - (half - 1.0) - frac;
                table.push((sinc(2.0 * cutoff_hz / from_hz * x) * kaiser(x / half, 5.65)) as f32);
            }
            let sum: f32 = table[row..].iter().sum();
            table[row..].iter_mut().for_each(|t| *t /= sum);
        }
        let lead = taps / 2 - 1;
        let pending = vec![0.0; lead];
        Self { step: from_hz / to_hz, taps, phases, table, exact, pending, first: -(lead as i64), next_out: 0 }
    }

    /// Input samples so far.
    fn end(&self) -> i64 {
        self.first + self.pending.len() as i64
    }

    fn run(&mut self, out: &mut Vec<f32>) {
        let end = self.end();
        if self.phases == 1 {
            self.divide(end, out);
        }
        loop {
            let position = self.next_out as f64 * self.step;
            let whole = position as u64;
            let start = whole as i64 - (self.taps as i64 / 2 - 1);
            if start + self.taps as i64 > end {
                break;
            }
            let at = (start - self.first) as usize;
            let window = &self.pending[at..at + self.taps];
            let phase = (position - whole as f64) * self.phases as f64;
            let row = |i: usize| &self.table[i * self.taps..(i + 1) * self.taps];
            out.push(if self.phases == 1 {
                // As in `divide`, to the last bit: what comes out must not depend on how the input was cut into blocks.
                window.iter().zip(row(0)).fold(0.0, |sum, (x, tap)| sum + tap * x)
            } else if self.exact {
                dot(window, row((phase + 0.5) as usize))
            } else {
                let i = phase as usize;
                let blend = (phase - i as f64) as f32;
                dot(window, row(i)) * (1.0 - blend) + dot(window, row(i + 1)) * blend
            });
            self.next_out += 1;
        }
        let keep_from = ((self.next_out as f64 * self.step) as i64 - (self.taps as i64 / 2 - 1)).min(end);
        self.pending.drain(..(keep_from - self.first) as usize);
        self.first = keep_from;
    }

    /// Where the rate is divided by a whole number, many outputs at once: of each of so many input samples a plane, in which
    /// neighbours are those that neighbouring outputs meet with the same tap.
    fn divide(&mut self, end: i64, out: &mut Vec<f32>) {
        const AT_ONCE: usize = 64;
        const LANES: usize = 16;
        let step = self.step as usize;
        let length = AT_ONCE + self.taps / step + 1;
        let mut planes = vec![0.0f32; step * length];
        loop {
            let start = (self.next_out * step as u64) as i64 - (self.taps as i64 / 2 - 1);
            let used = (AT_ONCE - 1) * step + self.taps;
            if start + used as i64 > end {
                break;
            }
            let at = (start - self.first) as usize;
            for (j, samples) in self.pending[at..at + used].chunks(step).enumerate() {
                for (p, &sample) in samples.iter().enumerate() {
                    planes[p * length + j] = sample;
                }
            }
            for block in (0..AT_ONCE).step_by(LANES) {
                let mut sums = [0.0f32; LANES];
                for (j, taps) in self.table[..self.taps].chunks(step).enumerate() {
                    for (tap, plane) in taps.iter().zip(planes.chunks_exact(length)) {
                        let x = &plane[block + j..block + j + LANES];
                        sums.iter_mut().zip(x).for_each(|(sum, x)| *sum += tap * x);
                    }
                }
                out.extend_from_slice(&sums);
            }
            self.next_out += AT_ONCE as u64;
        }
    }

    /// Runs out on silence until so many samples have come out in all.
    fn finish(&mut self, length: u64, out: &mut Vec<f32>) {
        self.pending.resize(self.pending.len() + self.taps + self.step.ceil() as usize, 0.0);
        self.run(out);
        out.truncate(out.len().saturating_sub((self.next_out.saturating_sub(length)) as usize));
    }
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// `out[i]` is the scalar product of `row` with the samples from `i` on. Several at once: each tap is loaded once for
/// all of them, and no sum runs across a vector register.
fn convolve(row: &[f32; TAPS], samples: &[f32], out: &mut [f32]) {
    const AT_ONCE: usize = 16;
    let mut blocks = out.chunks_exact_mut(AT_ONCE);
    let mut at = 0;
    for block in &mut blocks {
        let mut sums = [0.0f32; AT_ONCE];
        for (k, tap) in row.iter().enumerate() {
            let x = &samples[at + k..at + k + AT_ONCE];
            for (sum, x) in sums.iter_mut().zip(x) {
                *sum += tap * x;
            }
        }
        block.copy_from_slice(&sums);
        at += AT_ONCE;
    }
    for (i, o) in blocks.into_remainder().iter_mut().enumerate() {
        *o = dot(&samples[at + i..at + i + TAPS], row);
    }
}

const TAPS: usize = 32;
const PHASES: usize = 256;

/// What reads a signal between its samples: 32-tap Kaiser-windowed sincs, 256 phases, of which the nearest is taken.
static BETWEEN: LazyLock<Vec<[f32; TAPS]>> = LazyLock::new(|| {
    let half = TAPS as f64 / 2.0;
    let row = |phase: usize| {
        let frac = phase as f64 / PHASES as f64;
        std::array::from_fn(|k| {
            let x = k as f64 - (half - 1.0) - frac;
            (sinc(x) * kaiser(x / half, 5.0)) as f32
        })
    };
    (0..=PHASES).map(row).collect()
});

/// The nearest place, samples, at which [`resampled`] reads without rounding to a phase.
pub(crate) fn on_phase(position: f64) -> f64 {
    (position * PHASES as f64).round() / PHASES as f64
}

/// A stretch of a track read at another rate: `out[i]` is the track at `middle + (i - out.len() / 2) * step` samples.
pub(crate) fn resampled(track: &Track, middle: f64, step: f64, out: &mut [f32]) {
    let origin = middle - out.len() as f64 / 2.0 * step;
    let first = origin.floor() as i64 - (TAPS as i64 / 2 - 1);
    if step == 1.0 && origin.fract() == 0.0 {
        track.read(origin as i64, out);
        return;
    }
    let needed = ((out.len() as f64 * step).ceil() as usize) + TAPS + 2;
    let mut buffer = vec![0.0; needed];
    track.read(first, &mut buffer);
    let lead = origin - (first + (TAPS as i64 / 2 - 1)) as f64;
    let per_sample = (step - 1.0) * PHASES as f64;
    let mut i = 0;
    while i < out.len() {
        let position = lead + i as f64 * step;
        let whole = position as usize;
        let exact = (position - whole as f64) * PHASES as f64 + 0.5;
        let phase = exact as usize;
        // Rates differ by little: many samples in a row have the same nearest phase.
        let left = if per_sample >= 0.0 { (phase + 1) as f64 - exact } else { exact - phase as f64 };
        let count = (left / per_sample.abs()).ceil().clamp(1.0, (out.len() - i) as f64) as usize;
        convolve(&BETWEEN[phase], &buffer[whole..], &mut out[i..i + count]);
        i += count;
    }
}

/// The highest of a band-limited sequence, at [`BETWEEN_EACH`] places for each of its samples: what is sampled
/// beside a peak reads low, by half at the upper end of a track's band.
pub(crate) fn highest(values: &[f32]) -> f32 {
    let mut padded = vec![0.0; values.len() + TAPS];
    padded[TAPS / 2..][..values.len()].copy_from_slice(values);
    let mut between = vec![0.0; values.len()];
    (0..BETWEEN_EACH).fold(f32::NEG_INFINITY, |highest, i| {
        // From the sample itself on.
        convolve(&BETWEEN[i * PHASES / BETWEEN_EACH], &padded[1..], &mut between);
        between.iter().copied().fold(highest, f32::max)
    })
}

/// Places at which [`highest`] looks for each sample: the highest that they miss is 2 % low at the band's upper end, where the
/// filter between samples takes another 2 %.
const BETWEEN_EACH: usize = 8;

/// The window of both filter banks, for analysis and again for synthesis.
fn root_hann() -> Vec<f32> {
    (0..FRAME).map(|i| (std::f32::consts::PI * (i as f32 + 0.5) / FRAME as f32).sin()).collect()
}

/// Shows the spectrum of every frame of a levelled track in turn; puts the frames, as they were left, together
/// again (weighted overlap-add, square-root Hann both ways) into `out`.
fn frames(samples: &Samples, mut change: impl FnMut(&mut [Complex32]), out: &mut SampleWriter) -> Result<()> {
    let (forward, inverse) = coeval_transform::real(FRAME);
    let window = root_hann();
    let mut frame = vec![0.0f32; FRAME];
    let mut spectrum = vec![Complex32::default(); BINS];
    let mut overlap = vec![0.0f32; FRAME];
    for i in 0..=samples.len() / HOP {
        samples.read(i as i64 * HOP as i64 - HOP as i64, 1.0, &mut frame);
        frame.iter_mut().zip(&window).for_each(|(f, w)| *f *= w);
        // The lengths are those of the plan: it cannot fail.
        forward.process(&mut frame, &mut spectrum).expect("frame and plan agree");
        change(&mut spectrum);
        inverse.process(&mut spectrum, &mut frame).expect("frame and plan agree");
        for ((o, f), w) in overlap.iter_mut().zip(&frame).zip(&window) {
            *o += f * w / FRAME as f32;
        }
        if i > 0 {
            out.extend(overlap[..HOP].iter().map(|s| s.round() as i16));
        }
        overlap.copy_within(HOP.., 0);
        overlap[HOP..].fill(0.0);
        // The end waits for its true length.
        if out.len() < samples.len() {
            out.flush()?;
        }
    }
    out.extend(overlap[..HOP].iter().map(|s| s.round() as i16));
    Ok(())
}

/// Levels the spectrum frame by frame (weighted overlap-add, square-root Hann both ways).
///
/// Its two levels are recursive means of the frame powers; the long one starts as the plain mean of
/// what has been heard, so that a short clip is levelled from its first second.
struct Leveller {
    forward: Forward,
    inverse: Inverse,
    window: Vec<f32>,
    /// Square root of the sum of its squares.
    window_level: f32,
    input: Vec<f32>,
    overlap: Vec<f32>,
    frame: Vec<f32>,
    spectrum: Vec<Complex32>,
    /// Frames that wait until the long level has looked ahead.
    waiting: std::collections::VecDeque<Vec<Complex32>>,
    long: Vec<f32>,
    mean: Vec<f32>,
    short: Vec<f32>,
    frames: f32,
    received: usize,
    out: SampleWriter,
    bands: Vec<u8>,
    skip: usize,
}

/// Frames of look-ahead: levels at a frame also know the 2 s that follow it.
const LOOK_AHEAD: usize = 64;

impl Leveller {
    fn new() -> Self {
        let (forward, inverse) = coeval_transform::real(FRAME);
        Self {
            forward,
            inverse,
            window_level: root_hann().iter().map(|w| w * w).sum::<f32>().sqrt(),
            window: root_hann(),
            input: vec![0.0; HOP],
            overlap: vec![0.0; FRAME],
            frame: vec![0.0; FRAME],
            spectrum: vec![Complex32::default(); BINS],
            waiting: std::collections::VecDeque::new(),
            long: vec![0.0; BINS],
            mean: vec![0.0; BINS],
            short: vec![0.0; BANDS],
            frames: 0.0,
            received: 0,
            out: SampleWriter::default(),
            bands: Vec::new(),
            skip: HOP,
        }
    }

    fn push(&mut self, samples: &[f32]) {
        self.received += samples.len();
        self.input.extend_from_slice(samples);
        let mut at = 0;
        while at + FRAME <= self.input.len() {
            for ((o, &i), &w) in self.frame.iter_mut().zip(&self.input[at..at + FRAME]).zip(&self.window) {
                *o = i * w;
            }
            let mut spectrum = vec![Complex32::default(); BINS];
            // The lengths are those of the plan: it cannot fail.
            self.forward.process(&mut self.frame, &mut spectrum).expect("frame and plan agree");
            self.frames += 1.0;
            let long_rate = 1.0 / self.frames.min(LONG_FRAMES);
            let mean_rate = 1.0 / self.frames;
            for (k, c) in spectrum.iter().enumerate() {
                let power = c.norm_sqr();
                self.long[k] += (power - self.long[k]) * long_rate;
                self.mean[k] += (power - self.mean[k]) * mean_rate;
            }
            self.bands.extend(spectrum.chunks(BAND).map(|c| pack(c.iter().map(|v| v.norm_sqr()).sum())));
            self.waiting.push_back(spectrum);
            if self.waiting.len() > LOOK_AHEAD {
                self.emit();
            }
            at += HOP;
        }
        self.input.drain(..at);
    }

    /// Levels the oldest waiting frame and adds it to the output.
    fn emit(&mut self) {
        let Some(frame) = self.waiting.pop_front() else { return };
        let low = (BAND_LOW_HZ / TRACK_RATE_HZ as f32 * FRAME as f32).round() as usize;
        let high = (BAND_HIGH_HZ / TRACK_RATE_HZ as f32 * FRAME as f32).round() as usize;
        let level = |k: usize| greater(self.long[k], self.mean[k] * PAUSE_FLOOR);
        self.spectrum.fill(Complex32::default());
        // Bins far below the strongest hold only rounding noise: levelling must not raise it.
        let dust = (0..BINS).map(level).fold(0.0, greater) * 1e-9 + 1e-18;
        for (band, short) in self.short.iter_mut().enumerate() {
            let bins = (band * BAND).max(low)..((band + 1) * BAND).min(high);
            if bins.is_empty() {
                continue;
            }
            let excess = bins.clone().map(|k| frame[k].norm_sqr() / (level(k) + dust)).sum::<f32>() / bins.len() as f32;
            *short += (excess - *short) / SHORT_FRAMES;
            let compression = 1.0 / short.max(1.0).sqrt();
            for k in bins {
                self.spectrum[k] = frame[k] * (compression / (level(k) + dust)).sqrt();
            }
        }
        self.inverse.process(&mut self.spectrum, &mut self.frame).expect("frame and plan agree");
        // A unit-power bin in each of `high - low` bins gives a unit-variance signal with this factor.
        let scale = self.window_level / (FRAME as f32).sqrt() * (FRAME as f32 / 2.0 / (high - low) as f32).sqrt()
            / (FRAME as f32).sqrt();
        for ((o, &f), &w) in self.overlap.iter_mut().zip(&self.frame).zip(&self.window) {
            *o += f * w * scale;
        }
        let ready = &self.overlap[..HOP];
        let skip = self.skip.min(HOP);
        self.skip -= skip;
        // Halves away from zero; `f32::round` is a call into the C library on processors that have no instruction for it.
        let rounded = |s: f32| (s + 0.5f32.copysign(s)) as i16;
        self.out.extend(ready[skip..].iter().map(|s| rounded(s * STEPS)));
        self.overlap.copy_within(HOP.., 0);
        self.overlap[HOP..].fill(0.0);
    }

    fn finish(&mut self) {
        let received = self.received;
        self.push(&[0.0; 2 * FRAME]);
        while !self.waiting.is_empty() {
            self.emit();
        }
        self.received = received;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A band-limited click at `at_s`, sampled at `rate`.
    fn click(rate: f64, at_s: f64, length_s: f64) -> Vec<f32> {
        (0..(rate * length_s) as usize)
            .map(|i| {
                let x = (i as f64 / rate - at_s) * 2000.0;
                (sinc(x) * (-x * x / 50.0).exp()) as f32
            })
            .collect()
    }

    #[test]
    fn bytes_make_the_same_track() {
        let sound: Vec<f32> = (0..100_000u64).map(|n| ((n * n / 700) % 997) as f32 / 997.0 - 0.5).collect();
        for track in [
            Track::from_samples(&sound, 16_000.0, 1).unwrap(),
            Track::from_samples(&[0.25; 4000], 8000.0, 2).unwrap(),
            Track::from_samples(&[], 8000.0, 1).unwrap(),
        ] {
            let bytes = track.to_bytes().unwrap();
            assert_eq!(bytes.len(), track.byte_count());
            let again = Track::from_bytes(&bytes).unwrap();
            let (mut one, mut other) = (vec![0.0; track.len()], vec![0.0; track.len()]);
            track.read(0, &mut one);
            again.read(0, &mut other);
            assert_eq!((one, track.silent, &track.bands), (other, again.silent, &again.bands));
            assert_eq!(track.levels, again.levels);
            // Whatever is missing or changed is seen.
            for cut in 0..bytes.len().min(200) {
                assert!(Track::from_bytes(&bytes[..cut]).is_err());
                let mut changed = bytes.clone();
                changed[cut] ^= 1;
                assert!(Track::from_bytes(&changed).is_err(), "byte {cut}");
            }
        }
        assert_eq!(Track::from_bytes(b"cvtrack2").unwrap_err().kind(), ErrorKind::UnknownFormat);
    }

    #[test]
    fn a_click_stays_where_it_was_at_every_rate() {
        for rate in [8000.0, 11_025.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0, 47_999.0, 48_000.0, 96_000.0, 192_000.0]
        {
            let mut decimator = Decimator::new(rate);
            let mut out = Vec::new();
            for block in click(rate, 2.0, 4.0).chunks(777) {
                decimator.input().extend_from_slice(block);
                decimator.run(&mut out);
            }
            decimator.finish(&mut out);
            assert_eq!(out.len(), 32_000, "{rate} Hz");
            let track = Track::raw(&out.iter().map(|s| s * 100.0).collect::<Vec<f32>>());
            // Peak of the track, found on a grid of 1/256 sample (0.5 us; a sample at 192 kHz is 5.2 us).
            let mut fine = vec![0.0; 1281];
            resampled(&track, 16_000.0, 1.0 / 256.0, &mut fine);
            let at = (0..fine.len()).max_by(|&x, &y| fine[x].total_cmp(&fine[y])).unwrap();
            let error_s = (at as f64 - 640.5) / 256.0 / 8000.0;
            assert!(error_s.abs() < 2.5e-6, "{rate} Hz: {} us", error_s * 1e6);
        }
    }

    #[test]
    fn blocks_of_any_length_make_the_same_track() {
        for rate_hz in [16_000.0, 44_100.0, 48_000.0] {
            let sound: Vec<f32> = (0..rate_hz as usize).map(|i| ((i * i) as f32 * 0.37).sin()).collect();
            let track = |block: usize| {
                let mut builder = TrackBuilder::new(rate_hz, 1).unwrap();
                sound.chunks(block).for_each(|b| builder.push(b).unwrap());
                builder.finish().to_bytes().unwrap()
            };
            let whole = track(sound.len());
            assert!([1, 7, 480, 4096].into_iter().all(|block| track(block) == whole), "{rate_hz} Hz");
        }
    }

    #[test]
    fn what_a_track_cannot_hold_does_not_fold_back() {
        for rate_hz in [11_025.0, 16_000.0, 44_100.0, 47_999.5, 48_000.0, 96_000.0, 192_000.0] {
            for tone_hz in [300.0, 3000.0, 5000.0, 7500.0, 11_000.0, 13_000.0, 19_000.0, 31_000.0] {
                if tone_hz > 0.49 * rate_hz {
                    continue;
                }
                let (mut decimator, mut out) = (Decimator::new(rate_hz), Vec::new());
                let turn = std::f64::consts::TAU * tone_hz / rate_hz;
                decimator.input().extend((0..rate_hz as usize).map(|i| (turn * i as f64).sin() as f32));
                decimator.run(&mut out);
                let middle = &out[2000..6000];
                let rms = (middle.iter().map(|v| f64::from(v * v)).sum::<f64>() / 4000.0).sqrt();
                let gain = rms * 2f64.sqrt();
                // 60 dB are what the filters are made for; two in a row may add up, and phases between rows cost a little.
                let holds = if tone_hz < KEPT_HZ { (gain - 1.0).abs() < 0.003 } else { gain < 0.003 };
                assert!(holds, "{tone_hz} Hz at {rate_hz} Hz: {gain}");
            }
        }
    }

    #[test]
    fn the_highest_between_samples_is_found() {
        for hz in [300.0, 2500.0, 3600.0] {
            for phase in 0..10 {
                // A tone burst whose top lies between two samples.
                let at = 40.0 + f64::from(phase) / 10.0;
                let value = |i: usize| {
                    let t = (i as f64 - at) / TRACK_RATE_HZ;
                    ((std::f64::consts::TAU * hz * t).cos() * (-(t * 400.0).powi(2)).exp()) as f32
                };
                let values: Vec<f32> = (0..81).map(value).collect();
                let found = highest(&values);
                assert!((0.96..1.01).contains(&found), "{hz} Hz, {at}: {found}");
            }
        }
    }

    #[test]
    fn noise_is_levelled_to_unit_spread() {
        let mut noise = crate::pair::tests::Noise::new(2);
        for gain in [1e-4f32, 1.0] {
            let mut builder = TrackBuilder::new(16_000.0, 2).unwrap();
            let samples: Vec<f32> = (0..640_000).map(|_| gain * noise.gauss()).collect();
            builder.push(&samples).unwrap();
            let track = builder.finish();
            let level = track.levels().iter().sum::<f32>() / track.levels().len() as f32;
            assert!((0.8..1.25).contains(&level), "{gain}: {level}");
        }
    }

    #[test]
    fn channels_that_cancel_are_not_mixed() {
        let mut noise = crate::pair::tests::Noise::new(3);
        let mut builder = TrackBuilder::new(8000.0, 2).unwrap();
        let samples: Vec<f32> = (0..80_000)
            .flat_map(|_| {
                let s = noise.gauss();
                [s, -s]
            })
            .collect();
        builder.push(&samples).unwrap();
        let track = builder.finish();
        assert!(track.levels().iter().sum::<f32>() / track.levels().len() as f32 > 0.5);
    }

    #[test]
    fn broken_samples_count_as_silence_and_constants_are_silent() {
        let mut builder = TrackBuilder::new(48_000.0, 1).unwrap();
        builder.push(&[f32::NAN, f32::INFINITY, f32::MAX, -1e-40, 0.5]).unwrap();
        builder.push(&vec![f32::NEG_INFINITY; 50_000]).unwrap();
        let track = builder.finish();
        assert!(track.levels().iter().all(|l| l.is_finite()));
        let mut builder = TrackBuilder::new(48_000.0, 1).unwrap();
        builder.push(&vec![0.7; 50_000]).unwrap();
        assert!(builder.finish().is_silent());
        assert!(TrackBuilder::new(f64::NAN, 1).is_err());
        assert!(TrackBuilder::new(48_000.0, 0).is_err());
    }
}
