//! The sample tables of a file that is not fragmented, and reading by them.

use coeval_error::Result;

use super::boxes::{Span, TrackBox, be16, be32, be64, damaged, too_big};
use super::edits::to_frames;
use super::entry::SoundEntry;
use crate::codec::Packet;
use crate::source::Source;
use crate::track::{PacketReader, unsupported};

/// Packets and runs kept in memory at most: 48 hours of AAC at 48 kHz.
pub(super) const MAX_PACKETS: usize = 8 << 20;
pub(super) const MAX_RUNS: usize = 1 << 20;
/// Largest packet that is believed.
const MAX_PACKET_BYTES: u32 = 16 << 20;

/// Packets one behind the other in the file and in time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    pub(super) offset: u64,
    pub(super) frame: i64,
    /// Index of its first packet in [`IndexBuilder::sizes`]; unused where all packets are of one size.
    pub(super) first: u32,
    pub(super) packets: u32,
    /// Frames a packet.
    pub(super) frames: u32,
}

#[derive(Debug)]
pub(super) enum Sizes {
    Each(Vec<u32>),
    All(u32),
}

/// Gathers runs, packet by packet.
pub(super) struct IndexBuilder {
    pub(super) sizes: Sizes,
    pub(super) runs: Vec<Run>,
    pub(super) rate: u64,
    pub(super) timescale: u64,
    nominal: Option<u32>,
    tolerance: i64,
    expected: Option<i64>,
    pub(super) shifted: bool,
    /// Where the bytes of the last packet end.
    contiguous: u64,
}

impl IndexBuilder {
    fn new(entry: &SoundEntry, timescale: u64) -> Self {
        let rate = u64::from(entry.rate_hz);
        Self {
            sizes: entry.pcm_frame_bytes.map_or(Sizes::Each(Vec::new()), Sizes::All),
            runs: Vec::new(),
            rate,
            timescale,
            nominal: entry.packet_frames,
            // A tick or two of rounding, and a millisecond of jitter.
            tolerance: (2 * rate / timescale + rate / 1000).min(rate) as i64,
            expected: None,
            shifted: false,
            contiguous: 0,
        }
    }

    /// Adds `packets` equal packets (one, unless PCM) at `ticks`, each lasting `delta` ticks.
    pub(super) fn push(
        &mut self,
        source: &Source,
        offset: u64,
        bytes: u64,
        ticks: i64,
        delta: u32,
        packets: u32,
    ) -> Result<()> {
        let stamp = to_frames(ticks, self.rate, self.timescale);
        let frames = self.nominal.unwrap_or_else(|| to_frames(delta.into(), self.rate, self.timescale) as u32);
        let frame = match self.expected {
            Some(e) if (stamp - e).abs() <= self.tolerance => e,
            Some(_) => {
                self.shifted = true;
                stamp
            }
            None => stamp,
        };
        self.expected = Some(frame.saturating_add(i64::from(frames).saturating_mul(packets.into())));
        let first = match &mut self.sizes {
            Sizes::Each(sizes) => {
                if sizes.len() >= MAX_PACKETS {
                    return Err(too_big(source));
                }
                sizes.push(bytes.min(u32::MAX.into()) as u32);
                sizes.len() as u32 - 1
            }
            Sizes::All(_) => 0,
        };
        if let Some(run) = self.runs.last_mut() {
            let next_frame = run.frame.saturating_add(i64::from(run.frames).saturating_mul(run.packets.into()));
            if run.frames == frames
                && next_frame == frame
                && self.contiguous == offset
                && let Some(n) = run.packets.checked_add(packets)
            {
                run.packets = n;
                self.contiguous = offset.saturating_add(bytes);
                return Ok(());
            }
        }
        if self.runs.len() >= MAX_RUNS {
            return Err(too_big(source));
        }
        self.runs.push(Run { offset, frame, first, packets, frames });
        self.contiguous = offset.saturating_add(bytes);
        Ok(())
    }
}

/// Run-length coded table of durations or composition offsets, unrolled step by step.
struct RunLengths {
    entries: Vec<(u32, u32)>,
    at: usize,
    used: u32,
}

impl RunLengths {
    pub(super) fn read(source: &mut Source, span: Span) -> Result<Self> {
        let raw = table(source, span, 8, 8)?;
        let entries = raw.chunks_exact(8).map(|e| (be32(e), be32(&e[4..]))).filter(|e| e.0 > 0).collect();
        Ok(Self { entries, at: 0, used: 0 })
    }

    /// How many of the next `wanted` packets share one value, and that value; past the end the last value holds on.
    fn take(&mut self, wanted: u32) -> (u32, u32) {
        let Some(&(count, value)) = self.entries.get(self.at).or(self.entries.last()) else { return (wanted, 0) };
        if self.at >= self.entries.len() {
            return (wanted, value);
        }
        let n = wanted.min(count - self.used);
        self.used += n;
        if self.used == count {
            (self.at, self.used) = (self.at + 1, 0);
        }
        (n, value)
    }
}

/// The bytes of a full-box table whose entry count stands at `head - 4`, cut to what the file holds.
fn table(source: &mut Source, span: Span, head: u64, width: u64) -> Result<Vec<u8>> {
    if span.end < span.start + head {
        return Ok(Vec::new());
    }
    let Some(count) = source.array::<4>(span.start + head - 4, 64)?.map(|b| u64::from(be32(&b))) else {
        return Ok(Vec::new());
    };
    let bytes = (count * width).min(span.end - span.start - head);
    if bytes > MAX_PACKETS as u64 * 8 {
        return Err(too_big(source));
    }
    Ok(source.slice(span.start + head, bytes as usize, 0)?.to_vec())
}

/// What the index says of the sound's packets and the picture's frames.
pub(super) struct Contents<'a> {
    pub(super) sound: &'a TrackBox,
    pub(super) picture: Option<&'a TrackBox>,
    pub(super) index: IndexBuilder,
    /// Where the sound ends, in ticks of its track.
    pub(super) media_end: i64,
    pub(super) frames: FrameStats,
}

impl<'a> Contents<'a> {
    /// What the sample tables say; fragments may follow.
    pub(super) fn of_tables(
        source: &mut Source,
        sound: &'a TrackBox,
        picture: Option<&'a TrackBox>,
        entry: &SoundEntry,
    ) -> Result<Self> {
        let mut index = IndexBuilder::new(entry, sound.timescale.into());
        let media_end = whole_index(source, sound, entry, &mut index)?;
        let frames = match picture {
            Some(picture) => FrameStats::of_table(source, picture)?,
            None => FrameStats::default(),
        };
        Ok(Self { sound, picture, index, media_end, frames })
    }
}

/// Bytes of each packet: one size for all, or one each.
struct PacketSizes {
    /// 0: one each.
    one: u32,
    each: Vec<u32>,
    count: u32,
}

impl PacketSizes {
    fn read(source: &mut Source, t: &TrackBox) -> Result<Self> {
        let head = source.slice(t.stsz.start, 12, 64)?;
        let (one, mut count) = if t.stsz.end >= t.stsz.start + 12 && head.len() == 12 {
            (be32(&head[4..]), be32(&head[8..]))
        } else {
            (0, 0)
        };
        let each: Vec<u32> = if t.stsz.end > 0 && one == 0 {
            table(source, t.stsz, 12, 4)?.chunks_exact(4).map(be32).collect()
        } else if t.stz2.end > 0 {
            let bits = source.slice(t.stz2.start + 7, 1, 8)?.first().copied().unwrap_or(0);
            count = source.array::<4>(t.stz2.start + 8, 8)?.map_or(0, |b| be32(&b));
            let bytes = u64::from(count) * u64::from(bits) / 8 + 1;
            let bytes = bytes.min(t.stz2.end.saturating_sub(t.stz2.start + 12)).min(MAX_PACKETS as u64 * 2);
            let raw = source.slice(t.stz2.start + 12, bytes as usize, 0)?;
            match bits {
                4 => raw.iter().flat_map(|b| [u32::from(b >> 4), u32::from(b & 15)]).take(count as usize).collect(),
                8 => raw.iter().map(|b| u32::from(*b)).take(count as usize).collect(),
                16 => raw.chunks_exact(2).map(|b| u32::from(be16(b))).take(count as usize).collect(),
                _ => return Err(damaged(source, "packet sizes")),
            }
        } else {
            Vec::new()
        };
        if one == 0 {
            count = count.min(each.len() as u32);
        }
        Ok(Self { one, each, count })
    }
}

/// Adds what the sample tables hold of the sound. Returns the media's end in track ticks.
fn whole_index(source: &mut Source, t: &TrackBox, entry: &SoundEntry, index: &mut IndexBuilder) -> Result<i64> {
    let mut durations = RunLengths::read(source, t.stts)?;
    let mut shifts = RunLengths::read(source, t.ctts)?;
    if let (Some(1024), [(_, delta), ..]) = (entry.packet_frames, durations.entries.as_slice())
        && to_frames((*delta).into(), index.rate, index.timescale) == 2048
    {
        return Err(unsupported(source, "HE-AAC"));
    }
    let PacketSizes { one: mut one_size, each: sizes, count } = PacketSizes::read(source, t)?;
    // Uncompressed QuickTime sound may state a size of 1; a frame's size follows from its description.
    if let Some(frame_bytes) = entry.pcm_frame_bytes
        && one_size != 0
        && one_size < frame_bytes
    {
        one_size = frame_bytes;
    }
    let chunk_runs = table(source, t.stsc, 8, 12)?;
    let mut chunk_runs = chunk_runs.chunks_exact(12).map(|e| (be32(e), be32(&e[4..]), be32(&e[8..]))).peekable();
    let (offsets, width) =
        if t.co64.end > 0 { (table(source, t.co64, 8, 8)?, 8) } else { (table(source, t.stco, 8, 4)?, 4) };

    let (mut packet, mut ticks, mut per_chunk, mut description) = (0u32, 0i64, 0u32, 1u32);
    for (i, raw) in offsets.chunks_exact(width).enumerate() {
        while let Some(&(first, n, d)) = chunk_runs.peek() {
            if u64::from(first) > i as u64 + 1 {
                break;
            }
            (per_chunk, description) = (n, d);
            chunk_runs.next();
        }
        let mut offset = if width == 8 { be64(raw) } else { be32(raw).into() };
        let mut left = per_chunk.min(count - packet);
        while left > 0 {
            // PCM of one size goes in whole stretches, everything else packet by packet.
            let whole = entry.pcm_frame_bytes.is_some() && one_size > 0;
            let (n, delta) = durations.take(if whole { left } else { 1 });
            let (_, shift) = shifts.take(n);
            let bytes = if one_size > 0 { u64::from(one_size) * u64::from(n) } else { sizes[packet as usize].into() };
            let packets = match entry.pcm_frame_bytes {
                Some(frame_bytes) => (bytes / u64::from(frame_bytes)).min(u32::MAX.into()) as u32,
                None => 1,
            };
            if description == 1 {
                index.push(source, offset, bytes, ticks.saturating_add((shift as i32).into()), delta, packets)?;
            }
            offset = offset.saturating_add(bytes);
            ticks = ticks.saturating_add(i64::from(delta).saturating_mul(n.into()));
            packet += n;
            left -= n;
        }
    }
    Ok(ticks)
}

/// Lengths of the picture's frames, in track ticks.
#[derive(Debug, Default)]
pub(super) struct FrameStats {
    pub(super) count: u64,
    pub(super) ticks: u64,
    pub(super) shortest: u32,
    pub(super) longest: u32,
    /// Presentation time of the first frame in the track.
    pub(super) first: Option<i64>,
}

impl FrameStats {
    pub(super) fn of_table(source: &mut Source, t: &TrackBox) -> Result<Self> {
        let mut stats = Self::default();
        let durations = RunLengths::read(source, t.stts)?;
        let last = durations.entries.len().saturating_sub(1);
        for (i, &(count, delta)) in durations.entries.iter().enumerate() {
            if i == last && i > 0 && count == 1 {
                // The last frame's length says nothing about the rate.
                stats.count += 1;
                stats.ticks = stats.ticks.saturating_add(delta.into());
            } else {
                stats.add(count, delta);
            }
        }
        if stats.count > 0 {
            let shift = source.array::<4>(t.ctts.start + 12, 16)?.filter(|_| t.ctts.end >= t.ctts.start + 16);
            stats.first = Some(shift.map_or(0, |b| i64::from(be32(&b) as i32)));
        }
        Ok(stats)
    }

    pub(super) fn add(&mut self, count: u32, delta: u32) {
        if self.count == 0 {
            (self.shortest, self.longest) = (delta, delta);
        }
        self.shortest = self.shortest.min(delta);
        self.longest = self.longest.max(delta);
        self.count += u64::from(count);
        self.ticks = self.ticks.saturating_add(u64::from(count) * u64::from(delta));
    }
}

/// The sound's packets, in order of time.
pub(super) struct SampleTable {
    source: Source,
    sizes: Sizes,
    runs: Vec<Run>,
    run: usize,
    /// Packets of the run that were read, and where the next one lies.
    packet: u32,
    offset: u64,
    /// End of the run's bytes; 0 until they were counted.
    run_end: u64,
    pcm_packet_frames: Option<u32>,
}

impl SampleTable {
    pub(super) fn new(source: Source, index: IndexBuilder, pcm_frame_bytes: Option<u32>) -> Self {
        Self {
            source,
            sizes: index.sizes,
            runs: index.runs,
            run: 0,
            packet: 0,
            offset: 0,
            run_end: 0,
            pcm_packet_frames: pcm_frame_bytes.map(|b| (256 * 1024 / b).clamp(1, 4096)),
        }
    }

    fn size(&self, run: &Run, packet: u32) -> u32 {
        match &self.sizes {
            Sizes::All(n) => *n,
            Sizes::Each(sizes) => sizes.get((run.first + packet) as usize).copied().unwrap_or(0),
        }
    }

    fn enter(&mut self, run: usize, packet: u32) {
        (self.run, self.packet) = (run, packet);
        let Some(r) = self.runs.get(run).copied() else { return };
        let bytes = |from: u32, to: u32| match &self.sizes {
            Sizes::All(n) => u64::from(to - from) * u64::from(*n),
            Sizes::Each(sizes) => {
                let range = (r.first + from) as usize..(r.first + to) as usize;
                sizes.get(range).unwrap_or_default().iter().map(|s| u64::from(*s)).sum()
            }
        };
        self.offset = r.offset.saturating_add(bytes(0, packet));
        self.run_end = self.offset.saturating_add(bytes(packet, r.packets));
    }
}

impl PacketReader for SampleTable {
    fn next(&mut self, packet: &mut Packet, notes: &mut Vec<String>) -> Result<bool> {
        if self.runs.get(self.run).is_some_and(|r| self.packet >= r.packets) {
            self.enter(self.run + 1, 0);
        }
        let Some(run) = self.runs.get(self.run).copied() else { return Ok(false) };
        if self.run_end == 0 {
            self.enter(self.run, self.packet);
        }
        let n = self.pcm_packet_frames.unwrap_or(1).min(run.packets - self.packet);
        let one = self.size(&run, self.packet);
        if one > MAX_PACKET_BYTES {
            return Err(damaged(&self.source, "a packet of more than 16 MB"));
        }
        let want = one as usize * n as usize;
        let got = self.source.slice(self.offset, want, self.run_end.saturating_sub(self.offset))?;
        packet.data.clear();
        packet.data.extend_from_slice(got);
        packet.frame = run.frame.saturating_add(i64::from(run.frames).saturating_mul(self.packet.into()));
        (packet.trim_start, packet.trim_end) = (0, 0);
        if got.len() < want {
            notes.push("the file breaks off before its sound ends: read up to there".into());
            self.enter(self.runs.len(), 0);
            return Ok(self.pcm_packet_frames.is_some() && !packet.data.is_empty());
        }
        self.packet += n;
        self.offset = self.offset.saturating_add(want as u64);
        Ok(true)
    }

    fn seek(&mut self, frame: i64) -> Result<()> {
        let run = self.runs.partition_point(|r| r.frame <= frame).saturating_sub(1);
        let r = self.runs[run];
        let packet = if r.frames > 0 { frame.saturating_sub(r.frame).max(0) / i64::from(r.frames) } else { 0 };
        self.enter(run, packet.min(i64::from(r.packets)) as u32);
        Ok(())
    }
}
