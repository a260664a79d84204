//! The picture track and the timecode track.

use coeval_error::Result;

use super::boxes::{Atom, Movie, TrackBox, be16, be32, be64, each_atom};
use super::samples::FrameStats;
use crate::info::{PictureInfo, Rational, device_name};
use crate::source::Source;

pub(super) fn read_picture(
    source: &mut Source,
    t: &TrackBox,
    movie: &Movie,
    frames: &FrameStats,
) -> Result<Option<PictureInfo>> {
    if t.timescale == 0 || frames.count == 0 || frames.ticks == 0 {
        return Ok(None);
    }
    let entry = source.slice(t.stsd.start + 16, 28, 64)?;
    let mut size = t.size;
    if entry.len() == 28 && be16(&entry[24..]) > 0 {
        size = (be16(&entry[24..]).into(), be16(&entry[26..]).into());
    }
    let variable_rate = frames.longest - frames.shortest > 1;
    let frame_rate = if frames.longest == frames.shortest && frames.longest > 0 {
        Rational::reduced(t.timescale.into(), frames.longest.into())
    } else {
        Rational::near(frames.count as f64 * f64::from(t.timescale) / frames.ticks as f64, !variable_rate)
    };
    let movie_scale = f64::from(movie.timescale.max(1));
    let timescale = f64::from(t.timescale);
    let (mut start_s, mut shown) = (0.0, None);
    for &(ticks, media_time, _) in &t.edits {
        if media_time < 0 && shown.is_none() {
            start_s += ticks as f64 / movie_scale;
        } else if media_time >= 0 {
            let (first, sum) = shown.unwrap_or((media_time, 0.0));
            shown = Some((first, sum + ticks as f64 / movie_scale));
        }
    }
    let late = frames.first.unwrap_or(0) - shown.map_or(0, |(media_time, _)| media_time);
    start_s += late.max(0) as f64 / timescale;
    let duration_s = shown.map(|(_, s)| s).filter(|s| *s > 0.0).unwrap_or(frames.ticks as f64 / timescale);
    let capture_rate = match movie.meta {
        Some(meta) => capture_rate(source, meta)?,
        None => None,
    };
    Ok(Some(PictureInfo { frame_rate, variable_rate, capture_rate, size, duration_s, start_s }))
}

/// The most keys of metadata that are looked through.
const MOST_KEYS: usize = 1000;
/// The longest value of a key that is read, bytes.
const LONGEST_VALUE: u64 = 128;

/// The rate at which the picture was filmed. Phones write it as a number (type 23), other programs as text (type 1), under a
/// key that ends in `capture.fps`.
fn capture_rate(source: &mut Source, meta: Atom) -> Result<Option<Rational>> {
    let rate = match by_key(source, meta, b"capture.fps")? {
        Some((23, value)) => value.try_into().ok().map(|b| f64::from(f32::from_be_bytes(b))),
        Some((1, text)) => std::str::from_utf8(&text).ok().and_then(|t| t.trim().parse().ok()),
        _ => None,
    };
    let usual = |rate: &f64| (0.001..=100_000.0).contains(rate);
    Ok(rate.filter(usual).map(|rate| Rational::near(rate, true)).filter(|r| r.num > 0))
}

/// The model of the device that filmed: under a key that ends in `.model`, else in the user data (QuickTime File Format: a
/// length and a language before the text).
pub(super) fn read_device(source: &mut Source, movie: &Movie) -> Result<Option<String>> {
    if let Some(meta) = movie.meta
        && let Some((1, text)) = by_key(source, meta, b".model")?
    {
        return Ok(device_name(&text));
    }
    let Some(model) = movie.model else { return Ok(None) };
    let value = source.slice(model.start, (model.end - model.start).min(LONGEST_VALUE) as usize, 0)?;
    Ok(value.get(4..).and_then(device_name))
}

/// The value of the first key that ends so, with its type (QuickTime File Format, metadata: `keys` names them, `ilst` has a
/// value for each number of a key).
fn by_key(source: &mut Source, meta: Atom, end: &[u8]) -> Result<Option<(u32, Vec<u8>)>> {
    // In MP4 four bytes of version and flags come first, in MOV none.
    let first = source.array::<8>(meta.start, 8)?;
    let plain = first.is_some_and(|b| &b[4..] == b"hdlr");
    let (mut keys, mut list) = (None, None);
    each_atom(source, if plain { meta.start } else { meta.start + 4 }, meta.end, |_, a| {
        match &a.name {
            b"keys" => keys = Some(a),
            b"ilst" => list = Some(a),
            _ => {}
        }
        Ok(())
    })?;
    let (Some(keys), Some(list)) = (keys, list) else { return Ok(None) };
    let (mut number, mut wanted) = (0u32, None);
    // Each key is shaped like an atom: its length, its namespace, its name.
    each_atom(source, keys.start + 8, keys.end, |source, key| {
        number = number.saturating_add(1);
        let long = (key.end - key.start).min(256) as usize;
        if wanted.is_none() && number as usize <= MOST_KEYS && source.slice(key.start, long, 0)?.ends_with(end) {
            wanted = Some(number);
        }
        Ok(())
    })?;
    let Some(wanted) = wanted else { return Ok(None) };
    let mut found = None;
    each_atom(source, list.start, list.end, |source, item| {
        if u32::from_be_bytes(item.name) != wanted {
            return Ok(());
        }
        each_atom(source, item.start, item.end, |source, data| {
            let value = source.slice(data.start, (data.end - data.start).min(LONGEST_VALUE) as usize, 0)?;
            if data.name == *b"data" && value.len() > 8 {
                found = Some((be32(value), value[8..].to_vec()));
            }
            Ok(())
        })
    })?;
    Ok(found)
}

/// Label and seconds of the first frame's timecode, from a `tmcd` track (QuickTime File Format, timecode media).
pub(super) fn read_timecode(source: &mut Source, movie: &Movie) -> Result<(Option<String>, Option<f64>)> {
    let Some(t) = movie.tracks.iter().find(|t| t.handler == *b"tmcd") else { return Ok((None, None)) };
    let b = source.slice(t.stsd.start + 16, 25, 64)?.to_vec();
    let offset = match source.slice(t.stco.start + 8, 4, 8)? {
        o if o.len() == 4 && t.stco.end >= t.stco.start + 12 => u64::from(be32(o)),
        _ => source.array::<8>(t.co64.start + 8, 8)?.filter(|_| t.co64.end > 0).map_or(0, |b| be64(&b)),
    };
    let sample = source.array::<4>(offset, 4)?;
    let (Some(sample), 25) = (sample, b.len()) else { return Ok((None, None)) };
    let (flags, timescale, duration, fps) = (be32(&b[12..]), be32(&b[16..]), be32(&b[20..]), u64::from(b[24]));
    if timescale == 0 || duration == 0 || fps == 0 || offset == 0 {
        return Ok((None, None));
    }
    let count = u64::from(be32(&sample));
    let seconds = count as f64 * f64::from(duration) / f64::from(timescale);
    Ok((Some(timecode_label(count, fps, flags & 1 != 0)), Some(seconds)))
}

/// `hh:mm:ss:ff`, or `hh:mm:ss;ff` where labels are dropped (SMPTE ST 12-1: two labels a minute at 30
/// frames, four at 60, but none in every tenth minute).
fn timecode_label(count: u64, fps: u64, drop: bool) -> String {
    let dropped = fps / 15;
    let n = if drop && dropped > 0 {
        let ten_minutes = fps * 600 - 9 * dropped;
        let (tens, rest) = (count / ten_minutes, count % ten_minutes);
        let minutes = rest.saturating_sub(dropped) / (fps * 60 - dropped);
        count + dropped * (9 * tens + minutes)
    } else {
        count
    };
    let (frames, s) = (n % fps, n / fps);
    let mark = if drop { ';' } else { ':' };
    format!("{:02}:{:02}:{:02}{mark}{frames:02}", s / 3600 % 24, s / 60 % 60, s % 60)
}
