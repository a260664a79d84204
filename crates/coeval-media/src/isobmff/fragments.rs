//! Fragmented files: an index for each stretch, beside its sound.

use coeval_error::Result;

use super::boxes::{Atom, Movie, be32, be64, damaged, each_atom, too_big};
use super::edits::to_frames;
use super::samples::{Contents, MAX_PACKETS, Sizes};
use crate::source::Source;

/// Fragments that start later than this many seconds are taken to count from somewhere else.
const LATE_START_S: i64 = 10;

/// What a fragment holds of one track (`traf`).
#[derive(Default)]
struct TrackFragment {
    id: u32,
    /// Where offsets of its data count from, if the header says so.
    base: Option<u64>,
    /// Of packets without their own: ticks, and bytes.
    duration: u32,
    size: u32,
    /// Ticks at which its first packet is decoded.
    decode_time: Option<u64>,
    runs: Vec<Atom>,
}

impl TrackFragment {
    fn read(source: &mut Source, moof: Atom, traf: Atom, movie: &Movie) -> Result<Self> {
        let mut part = Self::default();
        each_atom(source, traf.start, traf.end, |source, a| {
            match &a.name {
                b"tfhd" => {
                    let b = source.slice(a.start, 40, 64)?;
                    if b.len() < 8 {
                        return Err(damaged(source, "fragment header"));
                    }
                    part.read_header(b, moof, movie);
                }
                b"tfdt" => {
                    let b = source.slice(a.start, 12, 12)?;
                    part.decode_time = match b.first() {
                        Some(1) if b.len() >= 12 => Some(be64(&b[4..])),
                        Some(0) if b.len() >= 8 => Some(be32(&b[4..]).into()),
                        _ => None,
                    };
                }
                b"trun" if part.runs.len() < 10_000 => part.runs.push(a),
                _ => {}
            }
            Ok(())
        })?;
        Ok(part)
    }

    fn read_header(&mut self, b: &[u8], moof: Atom, movie: &Movie) {
        let flags = be32(b) & 0xFF_FFFF;
        self.id = be32(&b[4..]);
        let (duration, size) = movie.extends.iter().find(|e| e.0 == self.id).map_or((0, 0), |e| (e.1, e.2));
        let mut rest = &b[8..];
        let mut field = |flag: u32, n: usize| -> Option<&[u8]> {
            if flags & flag == 0 {
                return None;
            }
            let (f, after) = rest.split_at_checked(n)?;
            rest = after;
            Some(f)
        };
        self.base = field(1, 8).map(be64);
        field(2, 4);
        self.duration = field(8, 4).map_or(duration, be32);
        self.size = field(0x10, 4).map_or(size, be32);
        if self.base.is_none() && flags & 0x2_0000 != 0 {
            self.base = Some(moof.at);
        }
    }
}

/// Packets one behind the other (`trun`).
struct TrackRun {
    flags: u32,
    count: usize,
    /// Where their data begins, from the fragment's base on.
    data_offset: Option<i32>,
    /// Bytes of a packet in `table`; 0 where there is none.
    width: usize,
    table: Vec<u8>,
}

/// What a run says of one packet.
struct RunPacket {
    duration: Option<u32>,
    size: Option<u32>,
    /// Presentation time less decoding time, ticks.
    shift: i32,
}

impl TrackRun {
    fn read(source: &mut Source, trun: Atom) -> Result<Self> {
        let head = source.slice(trun.start, 16, 4096)?;
        if head.len() < 8 {
            return Err(damaged(source, "fragment run"));
        }
        let flags = be32(head) & 0xFF_FFFF;
        let count = be32(&head[4..]) as usize;
        let data_offset = (flags & 1 != 0 && head.len() >= 12).then(|| be32(&head[8..]) as i32);
        let skip = 8 + if data_offset.is_some() { 4 } else { 0 } + if flags & 4 != 0 { 4 } else { 0 };
        let width = [0x100, 0x200, 0x400, 0x800].iter().filter(|f| flags & **f != 0).count() * 4;
        let room = (trun.end - trun.start).saturating_sub(skip);
        let table = source.slice(trun.start + skip, (count * width).min(room as usize), 0)?.to_vec();
        Ok(Self { flags, count, data_offset, width, table })
    }

    /// `None` past the end of the table.
    fn packet(&self, i: usize) -> Option<RunPacket> {
        let mut rest = self.table.get(i * self.width..(i + 1) * self.width)?;
        let mut field = |flag: u32| -> Option<u32> {
            if self.flags & flag == 0 {
                return None;
            }
            let (f, after) = rest.split_at_checked(4)?;
            rest = after;
            Some(be32(f))
        };
        let (duration, size) = (field(0x100), field(0x200));
        field(0x400);
        Some(RunPacket { duration, size, shift: field(0x800).unwrap_or(0) as i32 })
    }
}

/// Adds what the fragments hold of the sound track and of the picture.
pub(super) fn fragments(source: &mut Source, moofs: &[Atom], movie: &Movie, contents: &mut Contents<'_>) -> Result<()> {
    let Contents { sound, picture, index, media_end, frames } = contents;
    let pcm_bytes = match index.sizes {
        Sizes::All(n) => Some(n),
        Sizes::Each(_) => None,
    };
    let mut seen = 0;
    for &moof in moofs {
        let mut data_end = moof.at;
        each_atom(source, moof.start, moof.end, |source, traf| {
            if traf.name != *b"traf" {
                return Ok(());
            }
            let part = TrackFragment::read(source, moof, traf, movie)?;
            let is_sound = part.id == sound.id;
            if !is_sound && picture.is_none_or(|p| p.id != part.id) {
                // Its data is stepped over; a later part of this fragment without an offset of its own is not to be trusted.
                return Ok(());
            }
            let mut ticks = match part.decode_time {
                Some(t) => t.min(i64::MAX as u64 / 4) as i64,
                None if is_sound => *media_end,
                None => frames.ticks as i64,
            };
            let mut offset = part.base.unwrap_or(data_end);
            let base = part.base.unwrap_or(moof.at);
            for &trun in &part.runs {
                let run = TrackRun::read(source, trun)?;
                offset = run.data_offset.map_or(offset, |o| base.saturating_add_signed(o.into()));
                // Without a table nothing but this bounds the count.
                seen += if run.width == 0 { run.count } else { 0 };
                if seen > MAX_PACKETS {
                    return Err(too_big(source));
                }
                for packet in (0..run.count).map_while(|i| run.packet(i)) {
                    let delta = packet.duration.unwrap_or(part.duration);
                    let bytes = packet.size.unwrap_or(part.size);
                    let stamp = ticks.saturating_add(packet.shift.into());
                    if is_sound {
                        let packets = pcm_bytes.map_or(1, |n| bytes / n);
                        index.push(source, offset, bytes.into(), stamp, delta, packets)?;
                    } else {
                        frames.add(1, delta);
                        frames.first.get_or_insert(stamp);
                    }
                    offset = offset.saturating_add(bytes.into());
                    ticks = ticks.saturating_add(delta.into());
                }
            }
            data_end = offset;
            if is_sound {
                *media_end = (*media_end).max(ticks);
            }
            Ok(())
        })?;
    }
    Ok(())
}

/// Fragments cut from a running broadcast count from its start; a player starts with the first of them. Then all is moved
/// there, and the answer is where they counted from, in seconds.
pub(super) fn from_the_first_fragment(contents: &mut Contents<'_>) -> Option<i64> {
    let Contents { sound, picture, index, media_end, frames } = contents;
    let rate = index.rate;
    let picture_first = match (&picture, frames.first) {
        (Some(t), Some(first)) => to_frames(first, rate, t.timescale.into()),
        _ => i64::MAX,
    };
    let first = index.runs.iter().map(|r| r.frame).min().unwrap_or(0).min(picture_first);
    if first <= LATE_START_S * rate as i64 {
        return None;
    }
    index.runs.iter_mut().for_each(|r| r.frame -= first);
    let ticks = |timescale: u64| to_frames(first, timescale, rate);
    *media_end -= ticks(sound.timescale.into());
    if let (Some(t), Some(shown)) = (picture, &mut frames.first) {
        *shown -= ticks(t.timescale.into());
    }
    Some(first / rate as i64)
}
