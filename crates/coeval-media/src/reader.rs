//! A file's sound, laid out on presentation time.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use coeval_error::{Error, ErrorKind, Result};

use crate::cache::Cache;
use crate::codec::{Decoder, Packet};
use crate::info::{MediaInfo, SoundInfo};
use crate::sniff::{Family, MPEG_PS, MPEG_TS, sniff};
use crate::source::Source;
use crate::track::{Opened, PacketReader, Segment, unsupported};
use crate::{ffmpeg, foreign, isobmff, riff};

/// How files are opened.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct OpenOptions {
    /// May an `ffmpeg` on PATH read what pure Rust cannot?
    pub allow_ffmpeg: bool,
    /// Where what was measured of files is kept between runs. `None`: nowhere.
    pub cache: Option<Cache>,
    /// The channels that are read, from 0, in this order, each once. `None`: all.
    pub channels: Option<Vec<usize>>,
}

/// Reads headers only.
///
/// # Errors
/// Names the file, what was wrong and what to do.
pub fn probe(path: &Path, options: &OpenOptions) -> Result<MediaInfo> {
    Ok(SoundReader::open(path, options)?.info().clone())
}

/// The container of a file that holds sound or picture, whatever it is called; `None` where it is none that is known here.
/// It reads headers alone.
///
/// # Errors
/// What the system says about opening and reading.
pub fn container_of(path: &Path) -> Result<Option<&'static str>> {
    // A few bytes at the start are like a container's in many a text: only whole headers prove one.
    Ok(match sniff(&mut Source::open(path)?)? {
        Family::Refused(name @ (MPEG_TS | MPEG_PS)) => Some(name),
        Family::Refused(_) | Family::Unknown(_) => None,
        Family::Riff | Family::IsoBmff | Family::Foreign(..) => match probe(path, &OpenOptions::default()) {
            Ok(info) => Some(info.container),
            Err(_) => probe_picture(path).ok().flatten().map(|info| info.container),
        },
    })
}

/// What the headers say of a file whose picture has no sound beside it ([`probe`] refuses it with `NoSound`). `None`
/// where there is no picture either, or the container is none of the MP4 family.
///
/// # Errors
/// As for [`SoundReader::open`].
pub fn probe_picture(path: &Path) -> Result<Option<MediaInfo>> {
    let mut source = Source::open(path)?;
    match sniff(&mut source)? {
        Family::IsoBmff => isobmff::picture_alone(source),
        _ => Ok(None),
    }
}

/// A stretch of timestamps without sound, read as silence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hole {
    /// Where it starts on presentation time, seconds.
    pub start_s: f64,
    /// How long it is, seconds.
    pub length_s: f64,
}

/// Frames of silence handed out at once.
const SILENCE_BLOCK: u64 = 8192;
/// Holes longer than this many seconds are not believed.
const MAX_HOLE_S: u64 = 24 * 3600;
/// Holes and warnings remembered at most.
const MAX_NOTES: usize = 1000;

/// Streams a file's sound from presentation zero.
pub struct SoundReader {
    info: MediaInfo,
    packets: Box<dyn PacketReader>,
    decoder: Decoder,
    segments: Vec<Segment>,
    tolerance: i64,
    holes: Vec<Hole>,
    warnings: Vec<String>,
    bytes_read: Arc<AtomicU64>,
    rate_hz: u32,
    /// Channels of the track, and those of them that are handed out, if not all.
    channels: usize,
    picked: Option<Vec<usize>>,
    /// Next frame of presentation to hand out, and the segment it is in or comes before.
    at: u64,
    segment: usize,
    /// The decoded block in hand: its samples and its first frame on the track's time.
    block: Vec<f32>,
    block_start: i64,
    /// Where the next packet stands if it follows by count; `None` after a seek.
    expected: Option<i64>,
    /// Known pairs of a packet's stamped and counted place, for seeks where timestamps are rounded.
    counted: Vec<(i64, i64)>,
    packet: Packet,
    ended: bool,
    decoded: u64,
    failures: u64,
    path: std::path::PathBuf,
}

impl std::fmt::Debug for SoundReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("SoundReader").field("path", &self.path).field("info", &self.info).field("at", &self.at).finish()
    }
}

impl SoundReader {
    /// Opens a file's first sound track (the default one, where the container marks one).
    ///
    /// # Errors
    /// Names the file, what was wrong and what to do: `NotFound`, `PermissionDenied`,
    /// `InvalidArgument` (a folder; channels that it does not have), `UnknownFormat`, `Unsupported` (a codec by name), `Damaged`
    /// (cut before its index), `NoSound`.
    pub fn open(path: &Path, options: &OpenOptions) -> Result<Self> {
        let mut source = Source::open(path)?;
        let bytes_read = source.counter();
        // Streams meant for broadcast have no timeline of their own: they start with their first picture or sound.
        let own_timeline = !matches!(sniff(&mut source)?, Family::Refused(MPEG_TS | MPEG_PS));
        let opened = match open_native(source) {
            Err(e) if e.kind() == ErrorKind::Unsupported && options.allow_ffmpeg => ffmpeg::open(path, own_timeline)?,
            other => other?,
        };
        Self::over(path, opened, bytes_read, options.channels.clone())
    }

    fn over(path: &Path, opened: Opened, bytes_read: Arc<AtomicU64>, picked: Option<Vec<usize>>) -> Result<Self> {
        let Opened { mut info, packets, decoder, segments, tolerance, warnings } = opened;
        let (rate_hz, channels) = info.sound.as_ref().map_or((0, 0), |s| (s.rate_hz, s.channels));
        if let (Some(picked), Some(sound)) = (&picked, &mut info.sound) {
            let once = |(i, c): (usize, &usize)| *c < channels && !picked[..i].contains(c);
            if picked.is_empty() || !picked.iter().enumerate().all(once) {
                let named: Vec<String> = picked.iter().map(|c| (c + 1).to_string()).collect();
                let message = format!("channels {} cannot be read: it has {channels}", named.join(", "));
                return Err(Error::invalid(message)
                    .with_path(path)
                    .with_remedy("name channels that it has, each once"));
            }
            sound.channels = picked.len();
        }
        let mut reader = Self {
            info,
            packets,
            decoder,
            segments,
            tolerance,
            holes: Vec::new(),
            warnings,
            bytes_read,
            rate_hz,
            channels,
            picked,
            at: 0,
            segment: 0,
            block: Vec::new(),
            block_start: i64::MIN,
            expected: None,
            counted: Vec::new(),
            packet: Packet::default(),
            ended: false,
            decoded: 0,
            failures: 0,
            path: path.to_path_buf(),
        };
        if reader.segments.first().is_some_and(|s| s.media_start > 0) {
            reader.seek_media(reader.segments[0].media_start)?;
        }
        Ok(reader)
    }

    /// What the headers say.
    pub fn info(&self) -> &MediaInfo {
        &self.info
    }

    /// What the headers say of the sound.
    ///
    /// # Errors
    /// [`NoSound`](ErrorKind::NoSound) when the file has no sound track.
    pub fn sound(&self) -> Result<SoundInfo> {
        let no_sound = || Error::new(ErrorKind::NoSound, "no sound track").with_path(&self.path);
        self.info.sound.clone().ok_or_else(no_sound)
    }

    /// Reads from here to the end. `take` gets block after block, of half a second to a second of sound each, and how
    /// much of the file's length has been read with it, 0 to 1. On a thread of a pool of rayon's the next block is
    /// decoded while `take` has this one. Returns the number of frames.
    ///
    /// # Errors
    /// Those of [`read`](Self::read) and of `take`; the first ends it.
    pub fn read_to_end(&mut self, mut take: impl FnMut(&[f32], f64) -> Result<()> + Send) -> Result<u64> {
        let rate_hz = self.sound()?.rate_hz;
        let length = (self.info.duration_s * f64::from(rate_hz)).max(1.0);
        let at_least = rate_hz as usize / 2;
        let (mut block, mut next, mut frames) = (Vec::new(), Vec::new(), 0);
        let mut read = self.read_at_least(at_least, &mut block)?;
        while read > 0 {
            frames += read as u64;
            let done = (frames as f64 / length).min(1.0);
            // Outside of any pool nobody has given threads to use.
            let (taken, more) = if rayon::current_thread_index().is_some() {
                rayon::join(|| take(&block, done), || self.read_at_least(at_least, &mut next))
            } else {
                (take(&block, done), self.read_at_least(at_least, &mut next))
            };
            taken?;
            read = more?;
            std::mem::swap(&mut block, &mut next);
        }
        Ok(frames)
    }

    /// Replaces `out` by so many frames or some more, fewer only at the end. Returns their number.
    fn read_at_least(&mut self, frames: usize, out: &mut Vec<f32>) -> Result<usize> {
        out.clear();
        let (mut part, mut read) = (Vec::new(), 0);
        while read < frames {
            match self.read(&mut part)? {
                0 => break,
                more => read += more,
            }
            out.extend_from_slice(&part);
        }
        Ok(read)
    }

    /// Bytes taken from the disk so far, headers included.
    pub fn bytes_read(&self) -> u64 {
        self.bytes_read.load(Ordering::Relaxed)
    }

    /// Replaces `out` by the next block of interleaved samples (-1 to 1 at full scale), some thousand
    /// frames. Returns the number of frames; 0 at the end.
    ///
    /// # Errors
    /// A file that breaks off in the middle ends with what could be read; see [`warnings`](Self::warnings).
    pub fn read(&mut self, out: &mut Vec<f32>) -> Result<usize> {
        out.clear();
        loop {
            let Some(&segment) = self.segments.get(self.segment) else { return Ok(0) };
            if self.at < segment.start {
                return self.silence(out, segment.start - self.at);
            }
            let used = self.at - segment.start;
            if used >= segment.len {
                self.segment += 1;
                if let Some(next) = self.segments.get(self.segment) {
                    let follows = self.block_start <= next.media_start
                        && self.block_end() + 65_536 > next.media_start
                        && self.block_start > i64::MIN;
                    if !follows {
                        self.seek_media(next.media_start)?;
                    }
                }
                continue;
            }
            let wanted = segment.media_start + used as i64;
            let left = segment.len - used;
            if !self.fetch(wanted)? {
                // The track has ended: what the edit list still promises is not there.
                self.segment += 1;
                if self.segment >= self.segments.len() {
                    return Ok(0);
                }
                continue;
            }
            if self.block_start > wanted {
                return self.silence(out, left.min(self.block_start.abs_diff(wanted)));
            }
            let from = (wanted - self.block_start) as usize;
            let frames = ((self.block_end() - wanted) as u64).min(left) as usize;
            let block = &self.block[from * self.channels..(from + frames) * self.channels];
            match &self.picked {
                Some(picked) => {
                    out.extend(block.chunks_exact(self.channels).flat_map(|frame| picked.iter().map(|&c| frame[c])));
                }
                None => out.extend_from_slice(block),
            }
            self.at += frames as u64;
            return Ok(frames);
        }
    }

    /// Moves to a frame on presentation time; the next [`read`](Self::read) starts exactly there.
    /// A place past the end reads as the end.
    ///
    /// # Errors
    /// As for reading.
    pub fn seek(&mut self, frame: u64) -> Result<()> {
        self.at = frame;
        self.segment = self.segments.partition_point(|s| s.start + s.len <= frame);
        let Some(segment) = self.segments.get(self.segment) else { return Ok(()) };
        let media = segment.media_start + frame.saturating_sub(segment.start) as i64;
        if media >= self.block_start && media < self.block_end() {
            return Ok(());
        }
        self.seek_media(media)
    }

    /// Holes met so far.
    pub fn holes(&self) -> &[Hole] {
        &self.holes
    }

    /// What was found wrong but could be read past, so far: one line each.
    pub fn warnings(&self) -> &[String] {
        &self.warnings
    }

    fn block_end(&self) -> i64 {
        self.block_start.saturating_add((self.block.len() / self.channels) as i64)
    }

    /// Hands out silence and notes it as a hole.
    fn silence(&mut self, out: &mut Vec<f32>, frames: u64) -> Result<usize> {
        if frames / u64::from(self.rate_hz) > MAX_HOLE_S {
            let at_s = self.at / u64::from(self.rate_hz);
            return Err(Error::new(ErrorKind::Damaged, format!("the timestamps leap by more than a day at {at_s} s"))
                .with_path(&self.path)
                .with_remedy("copy it again from the device, or convert its sound to WAV"));
        }
        let n = frames.min(SILENCE_BLOCK);
        out.resize(n as usize * self.picked.as_ref().map_or(self.channels, Vec::len), 0.0);
        let rate = f64::from(self.rate_hz);
        let hole = Hole { start_s: self.at as f64 / rate, length_s: n as f64 / rate };
        let half_frame = 0.5 / rate;
        let known =
            |h: &Hole| hole.start_s > h.start_s - half_frame && hole.start_s < h.start_s + h.length_s - half_frame;
        if let Some(last) = self.holes.last_mut().filter(|h| (h.start_s + h.length_s - hole.start_s).abs() < half_frame)
        {
            last.length_s = (self.at + n) as f64 / rate - last.start_s;
        } else if !self.holes.iter().any(known) && self.holes.len() < MAX_NOTES {
            self.holes.push(hole);
        }
        self.at += n;
        Ok(n as usize)
    }

    /// Decodes on until the block in hand ends after `frame`; `false` at the end of the track.
    fn fetch(&mut self, frame: i64) -> Result<bool> {
        while self.block_end() <= frame || self.block.is_empty() {
            if self.ended || !self.decode_next()? {
                self.ended = true;
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Decodes one packet into the block in hand, which stays empty if that fails.
    fn decode_next(&mut self) -> Result<bool> {
        self.block.clear();
        let before = self.warnings.len();
        let more = self.packets.next(&mut self.packet, &mut self.warnings)?;
        if before >= MAX_NOTES {
            self.warnings.truncate(before);
        }
        if !more {
            return Ok(false);
        }
        let stamp = self.packet.frame;
        let start = match self.expected {
            Some(e) if (stamp - e).abs() <= self.tolerance => e,
            _ => stamp,
        };
        match self.decoder.decode(&self.packet, &mut self.block) {
            Ok(()) => self.decoded += 1,
            Err(e) => {
                self.block.clear();
                self.failures += 1;
                if self.failures == 1 {
                    let at_s = stamp as f64 / f64::from(self.rate_hz);
                    self.warnings.push(format!(
                        "a packet near {at_s:.3} s could not be decoded ({e}); such places read as silence"
                    ));
                }
                if self.decoded == 0 && self.failures >= 200 {
                    return Err(Error::new(
                        ErrorKind::Damaged,
                        format!("none of the first 200 packets could be decoded ({e})"),
                    )
                    .with_path(&self.path)
                    .with_remedy("copy it again from the device"));
                }
                self.expected = None;
                return Ok(true);
            }
        }
        let mut broken = false;
        for s in &mut self.block {
            if !s.is_finite() {
                *s = 0.0;
                broken = true;
            }
        }
        if broken && !self.warnings.iter().any(|w| w.starts_with(NOT_NUMBERS)) {
            self.warnings.push(format!("{NOT_NUMBERS} (NaN or infinite); they read as silence"));
        }
        self.block_start = start;
        let end = self.block_end();
        self.expected = Some(end);
        if self.tolerance > 0 && self.counted.last().is_none_or(|l| start > l.1 + 2 * i64::from(self.rate_hz)) {
            self.counted.push((stamp, start));
        }
        Ok(true)
    }

    /// Goes to a frame of the track's own time, early enough for the decoder to come out right.
    fn seek_media(&mut self, frame: i64) -> Result<()> {
        let target = frame.saturating_sub(self.decoder.pre_roll);
        // Where timestamps are rounded, only counting on from a known packet gives the same place twice.
        let known = self.counted.partition_point(|c| c.1 <= target).checked_sub(1).map(|i| self.counted[i]);
        let read_on = self.expected.is_some_and(|e| e <= target) && !self.ended;
        if self.tolerance > 0 && read_on && known.is_none_or(|(stamp, _)| stamp <= self.packet.frame) {
            return Ok(());
        }
        self.block.clear();
        self.block_start = i64::MIN;
        self.expected = None;
        self.ended = false;
        self.decoder.reset();
        if self.tolerance == 0 {
            return self.packets.seek(target);
        }
        if let Some((stamp, start)) = known {
            self.packets.seek(stamp)?;
            while self.packets.next(&mut self.packet, &mut Vec::new())? && self.packet.frame <= stamp {
                if self.packet.frame == stamp {
                    let decoded = self.decoder.decode(&self.packet, &mut self.block);
                    self.block_start = start;
                    self.expected = decoded.is_ok().then(|| self.block_end());
                    return Ok(());
                }
            }
        }
        self.packets.seek(i64::MIN)
    }
}

const NOT_NUMBERS: &str = "some samples are not numbers";

/// Reads what pure Rust can read.
fn open_native(mut source: Source) -> Result<Opened> {
    match sniff(&mut source)? {
        Family::Riff => riff::open(source),
        Family::IsoBmff => isobmff::open(source),
        Family::Foreign(kind, start) => foreign::open(source, kind, start),
        Family::Refused(name) => Err(unsupported(&source, name)),
        Family::Unknown(what) => Err(source.error(
            ErrorKind::UnknownFormat,
            what,
            "leave it out, or copy it again if it should be a recording",
        )),
    }
}
