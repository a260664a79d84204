//! Fragmented files: an index for each stretch, beside its sound.

use coeval_error::Result;

use super::boxes::{Atom, Movie, be32, be64, damaged, each_atom, too_big};
use super::samples::{FrameStats, IndexBuilder, MAX_PACKETS, Sizes};
use crate::source::Source;

/// Fragments that start later than this many seconds are taken to count from somewhere else.
pub(super) const LATE_START_S: i64 = 10;

/// Adds what the fragments hold of the sound track (id, index, media end in ticks) and of the picture.
pub(super) fn fragments(
    source: &mut Source,
    moofs: &[Atom],
    movie: &Movie,
    (sound_id, index, media_end): (u32, &mut IndexBuilder, &mut i64),
    (picture_id, frames): (Option<u32>, &mut FrameStats),
) -> Result<()> {
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
            let (mut id, mut base, mut size, mut duration, mut decode_time) = (0, None, 0, 0, None);
            let mut truns = Vec::new();
            each_atom(source, traf.start, traf.end, |source, a| {
                match &a.name {
                    b"tfhd" => {
                        let b = source.slice(a.start, 40, 64)?;
                        if b.len() < 8 {
                            return Err(damaged(source, "fragment header"));
                        }
                        let flags = be32(b) & 0xFF_FFFF;
                        id = be32(&b[4..]);
                        (duration, size) = movie.extends.iter().find(|e| e.0 == id).map_or((0, 0), |e| (e.1, e.2));
                        let mut rest = &b[8..];
                        let mut field = |flag: u32, n: usize| -> Option<&[u8]> {
                            if flags & flag == 0 {
                                return None;
                            }
                            let (f, after) = rest.split_at_checked(n)?;
                            rest = after;
                            Some(f)
                        };
                        base = field(1, 8).map(be64);
                        field(2, 4);
                        duration = field(8, 4).map_or(duration, be32);
                        size = field(0x10, 4).map_or(size, be32);
                        if base.is_none() && flags & 0x2_0000 != 0 {
                            base = Some(moof.at);
                        }
                    }
                    b"tfdt" => {
                        let b = source.slice(a.start, 12, 12)?;
                        decode_time = match b.first() {
                            Some(1) if b.len() >= 12 => Some(be64(&b[4..])),
                            Some(0) if b.len() >= 8 => Some(be32(&b[4..]).into()),
                            _ => None,
                        };
                    }
                    b"trun" if truns.len() < 10_000 => truns.push(a),
                    _ => {}
                }
                Ok(())
            })?;
            let is_sound = id == sound_id;
            if !is_sound && picture_id != Some(id) {
                // Its data is stepped over; a later part of this fragment without an offset of its own is not to be trusted.
                return Ok(());
            }
            let mut ticks = match decode_time {
                Some(t) => t.min(i64::MAX as u64 / 4) as i64,
                None if is_sound => *media_end,
                None => frames.ticks as i64,
            };
            let mut offset = base.unwrap_or(data_end);
            let base = base.unwrap_or(moof.at);
            for trun in truns {
                let head = source.slice(trun.start, 16, 4096)?;
                if head.len() < 8 {
                    return Err(damaged(source, "fragment run"));
                }
                let flags = be32(head) & 0xFF_FFFF;
                let count = be32(&head[4..]) as usize;
                let mut skip = 8;
                if flags & 1 != 0 && head.len() >= 12 {
                    offset = base.saturating_add_signed(i64::from(be32(&head[8..]) as i32));
                    skip += 4;
                }
                skip += if flags & 4 != 0 { 4 } else { 0 };
                let width = [0x100, 0x200, 0x400, 0x800].iter().filter(|f| flags & **f != 0).count() * 4;
                let room = (trun.end - trun.start).saturating_sub(skip);
                // Without a table nothing but this bounds the count.
                seen += if width == 0 { count } else { 0 };
                if seen > MAX_PACKETS {
                    return Err(too_big(source));
                }
                let raw = source.slice(trun.start + skip, (count * width).min(room as usize), 0)?.to_vec();
                for i in 0..count {
                    let mut rest = if width > 0 {
                        let Some(r) = raw.get(i * width..(i + 1) * width) else { break };
                        r
                    } else {
                        &[]
                    };
                    let mut field = |flag: u32| -> Option<u32> {
                        if flags & flag == 0 {
                            return None;
                        }
                        let (f, after) = rest.split_at_checked(4)?;
                        rest = after;
                        Some(be32(f))
                    };
                    let delta = field(0x100).unwrap_or(duration);
                    let bytes = field(0x200).unwrap_or(size);
                    field(0x400);
                    let stamp = ticks.saturating_add((field(0x800).unwrap_or(0) as i32).into());
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
