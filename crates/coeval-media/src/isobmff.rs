//! MP4, MOV, M4A: the ISO base media file format (ISO/IEC 14496-12) and its older sibling, the
//! QuickTime file format, whole or in fragments.
//!
//! Only the index is read, and then the sound's own bytes: a picture of many gigabytes is stepped
//! over. The index becomes a list of [`Run`]s: packets that lie behind one another in the file and
//! follow one another in time. A packet stands where its timestamp says, unless that is within the
//! timestamps' own rounding of where counting samples puts it; then counting is the better clock.

use coeval_error::{Error, ErrorKind, Result};
use symphonia::core::audio::{Channels, Position};
use symphonia::core::codecs::audio::{AudioCodecParameters, well_known as id};

use crate::codec::{Decoder, Packet, Pcm};
use crate::info::{MediaInfo, PictureInfo, Rational, SoundInfo};
use crate::source::Source;
use crate::track::{Opened, Segment, Track, check_channels, check_rate, unsupported};

/// Largest `moov` or `moof` that is believed.
const MAX_INDEX: u64 = 256 << 20;
/// Packets and runs kept in memory at most: 48 hours of AAC at 48 kHz.
const MAX_PACKETS: usize = 8 << 20;
const MAX_RUNS: usize = 1 << 20;
/// Atoms on one level at most; edits and tracks at most.
const MAX_ATOMS: usize = 1 << 22;
const MAX_EDITS: usize = 10_000;
const MAX_TRACKS: usize = 1000;
/// Fragments that start later than this many seconds are taken to count from somewhere else.
const LATE_START_S: i64 = 10;
/// Largest packet that is believed.
const MAX_PACKET_BYTES: u32 = 16 << 20;
/// From 1904-01-01, where the format's clock starts, to 1970-01-01.
const EPOCH_1904_S: i64 = 2_082_844_800;

/// Name and content of an atom.
#[derive(Debug, Clone, Copy)]
struct Atom {
    /// First byte of its header.
    at: u64,
    name: [u8; 4],
    start: u64,
    end: u64,
}

/// A stretch of the file that holds a table.
#[derive(Debug, Clone, Copy, Default)]
struct Span {
    start: u64,
    end: u64,
}

#[derive(Debug, Default)]
struct TrackBox {
    id: u32,
    enabled: bool,
    handler: [u8; 4],
    timescale: u32,
    created: u64,
    size: (u32, u32),
    /// Duration in movie ticks, media time in track ticks (-1: nothing), rate in 16.16.
    edits: Vec<(u64, i64, i32)>,
    stsd: Span,
    stts: Span,
    ctts: Span,
    stsc: Span,
    stsz: Span,
    stz2: Span,
    stco: Span,
    co64: Span,
}

#[derive(Debug, Default)]
struct Movie {
    timescale: u32,
    created: u64,
    duration: u64,
    tracks: Vec<TrackBox>,
    /// Track id, default duration, default size of fragments.
    extends: Vec<(u32, u32, u32)>,
}

/// Packets one behind the other in the file and in time.
#[derive(Debug, Clone, Copy)]
struct Run {
    offset: u64,
    frame: i64,
    /// Index of its first packet in `Index::sizes`; unused where all packets are of one size.
    first: u32,
    packets: u32,
    /// Frames a packet.
    frames: u32,
}

#[derive(Debug)]
enum Sizes {
    Each(Vec<u32>),
    All(u32),
}

/// Reads the atom header at `at`; `None` at the end or where there is no atom.
fn atom(source: &mut Source, at: u64, end: u64) -> Result<Option<Atom>> {
    if end.saturating_sub(at) < 8 {
        return Ok(None);
    }
    let Some(h) = source.array::<16>(at, 512)?.map(|h| h.to_vec()).or(source.array::<8>(at, 8)?.map(|h| h.to_vec()))
    else {
        return Ok(None);
    };
    let name = [h[4], h[5], h[6], h[7]];
    let (header, size) = match be32(&h) {
        0 => (8, end - at),
        1 if h.len() == 16 => (16, be64(&h[8..])),
        n => (8, u64::from(n)),
    };
    if size < header {
        return Ok(None);
    }
    Ok(Some(Atom { at, name, start: at + header, end: at.saturating_add(size) }))
}

/// Calls `f` for each atom between `start` and `end`.
fn each_atom(
    source: &mut Source,
    start: u64,
    end: u64,
    mut f: impl FnMut(&mut Source, Atom) -> Result<()>,
) -> Result<()> {
    let end = end.min(source.len());
    let mut at = start;
    for _ in 0..MAX_ATOMS {
        match atom(source, at, end)? {
            Some(found) => {
                at = found.end;
                f(source, Atom { end: found.end.min(end), ..found })?;
            }
            None => return Ok(()),
        }
    }
    Err(source.error(ErrorKind::Damaged, "the file's index has too many parts", "copy it again from the device"))
}

/// Opens a file of this family.
pub(crate) fn open(mut source: Source) -> Result<Opened> {
    let mut warnings = Vec::new();
    let (mut moov, mut moofs, mut saw_mdat, mut quicktime) = (None, Vec::new(), false, true);
    let len = source.len();
    each_atom(&mut source, 0, len, |source, a| {
        match &a.name {
            b"ftyp" => {
                let brand = source.slice(a.start, 4, 0)?;
                quicktime = brand == b"qt  ";
            }
            b"moov" if moov.is_none() => moov = Some(a),
            b"moof" => {
                if moofs.len() >= MAX_RUNS {
                    return Err(too_big(source));
                }
                moofs.push(a);
            }
            b"mdat" => saw_mdat = true,
            _ => {}
        }
        Ok(())
    })?;
    let Some(moov) = moov else {
        let what = if saw_mdat {
            "the recording was cut before its index was written (no 'moov')"
        } else {
            "the file breaks off before its index (no 'moov')"
        };
        return Err(source.error(
            ErrorKind::Damaged,
            what,
            "copy it again from the device, or let a recovery tool for MP4 files rebuild the index",
        ));
    };
    if moov.end - moov.start > MAX_INDEX {
        return Err(too_big(&source));
    }
    let movie = read_movie(&mut source, moov)?;
    let picture_track = movie.tracks.iter().find(|t| t.handler == *b"vide" && t.stsd.end > 0);
    let sound_tracks = || movie.tracks.iter().filter(|t| t.handler == *b"soun");
    let Some(sound_track) = sound_tracks().find(|t| t.enabled).or_else(|| sound_tracks().next()) else {
        return Err(source.error(
            ErrorKind::NoSound,
            "there is no sound track",
            "leave it out: there is nothing to hear in it",
        ));
    };
    if movie.timescale == 0 || sound_track.timescale == 0 {
        return Err(source.error(
            ErrorKind::Damaged,
            "the file's clock has a rate of 0",
            "copy it again from the device",
        ));
    }
    let mut entry = read_sound_entry(&mut source, sound_track)?;
    let rate = u64::from(entry.rate_hz);
    let timescale = u64::from(sound_track.timescale);

    let mut index = IndexBuilder {
        sizes: if entry.pcm_frame_bytes.is_some() {
            Sizes::All(entry.pcm_frame_bytes.unwrap_or(1))
        } else {
            Sizes::Each(Vec::new())
        },
        runs: Vec::new(),
        rate,
        timescale,
        nominal: entry.packet_frames,
        // A tick or two of rounding, and a millisecond of jitter.
        tolerance: (2 * rate / timescale + rate / 1000).min(rate) as i64,
        expected: None,
        shifted: false,
        contiguous: 0,
    };
    let mut media_end = whole_index(&mut source, sound_track, &entry, &mut index)?;
    let mut frames = FrameStats::default();
    if let Some(t) = picture_track {
        whole_frames(&mut source, t, &mut frames)?;
    }
    if !moofs.is_empty() {
        let picture_id = picture_track.map(|t| t.id);
        fragments(
            &mut source,
            &moofs,
            &movie,
            (sound_track.id, &mut index, &mut media_end),
            (picture_id, &mut frames),
        )?;
    }
    if index.runs.is_empty() {
        return Err(source.error(
            ErrorKind::NoSound,
            "the sound track holds no sound",
            "leave it out: there is nothing to hear in it",
        ));
    }
    if entry.name == "MP3" {
        // The sample description of MPEG audio often says stereo whatever the packets hold: their own
        // header decides (ISO/IEC 11172-3, 2.4.2.3).
        if let Some(header) = source.array::<4>(index.runs[0].offset, 4)? {
            entry.channels = if header[3] >> 6 == 3 { 1 } else { 2 };
            entry.decoder.channels = entry.channels;
        }
    }
    if !moofs.is_empty() {
        let picture_first = match (picture_track, frames.first) {
            (Some(t), Some(first)) => to_frames(first, rate, t.timescale.into()),
            _ => i64::MAX,
        };
        let first = index.runs.iter().map(|r| r.frame).min().unwrap_or(0).min(picture_first);
        if first > LATE_START_S * rate as i64 {
            // Fragments cut from a running broadcast count from its start; a player starts with the first of them.
            index.runs.iter_mut().for_each(|r| r.frame -= first);
            let ticks = |timescale: u64| to_frames(first, timescale, rate);
            media_end -= ticks(timescale);
            if let (Some(t), Some(shown)) = (picture_track, &mut frames.first) {
                *shown -= ticks(t.timescale.into());
            }
            warnings.push(format!(
                "its timestamps start at {} s; the first fragment was taken as the start",
                first / rate as i64
            ));
        }
    }
    if index.shifted {
        warnings.push("timestamps of the sound overlap or leave gaps; each packet was placed by its timestamp".into());
    }
    // The last packet may reach past the end that the timestamps state; that rest is encoder padding.
    let media_end_frames = to_frames(media_end, rate, timescale);
    let segments = segments(sound_track, &movie, rate, media_end_frames, &mut warnings);
    let sound_end = segments.last().map_or(0, |s| s.start + s.len);

    let picture = match picture_track {
        Some(t) => read_picture(&mut source, t, &movie, &frames)?,
        None => None,
    };
    let (timecode, timecode_s) = read_timecode(&mut source, &movie)?;
    let sound_s = sound_end as f64 / rate as f64;
    let picture_end_s = picture.as_ref().map_or(0.0, |p| p.start_s + p.duration_s);
    let created = [movie.created, sound_track.created].into_iter().find(|c| *c != 0);
    let info = MediaInfo {
        container: match (quicktime, picture.is_some()) {
            (true, _) => "MOV",
            (false, true) => "MP4",
            (false, false) => "M4A",
        },
        duration_s: sound_s.max(picture_end_s),
        sound: Some(SoundInfo {
            codec: entry.name.clone(),
            rate_hz: entry.rate_hz,
            channels: entry.channels,
            bits: entry.bits,
            start_is_exact: true,
            frames: Some(sound_end),
        }),
        picture,
        created_unix_s: created.and_then(|c| i64::try_from(c).ok()).map(|c| c - EPOCH_1904_S).filter(|c| *c > 0),
        timecode_s,
        timecode,
    };
    if entry.maybe_he_aac {
        warnings
            .push("AAC at half the usual rate: if it is HE-AAC without saying so, its upper octave is missing".into());
    }
    let track = SampleTable {
        source,
        sizes: index.sizes,
        runs: index.runs,
        run: 0,
        packet: 0,
        offset: 0,
        run_end: 0,
        pcm_packet_frames: entry.pcm_frame_bytes.map(|b| (256 * 1024 / b).clamp(1, 4096)),
    };
    Ok(Opened { info, track: Box::new(track), decoder: entry.decoder, segments, tolerance: 0, warnings })
}

/// What the headers say of a file that has picture and no sound; `None` where it has no picture either, or keeps its
/// frames in fragments.
pub(crate) fn picture_alone(mut source: Source) -> Result<Option<MediaInfo>> {
    let (mut moov, mut quicktime) = (None, true);
    let len = source.len();
    each_atom(&mut source, 0, len, |source, a| {
        match &a.name {
            b"ftyp" => quicktime = source.slice(a.start, 4, 0)? == b"qt  ",
            b"moov" if moov.is_none() => moov = Some(a),
            _ => {}
        }
        Ok(())
    })?;
    let Some(moov) = moov.filter(|m| m.end - m.start <= MAX_INDEX) else { return Ok(None) };
    let movie = read_movie(&mut source, moov)?;
    let Some(track) = movie.tracks.iter().find(|t| t.handler == *b"vide" && t.stsd.end > 0) else { return Ok(None) };
    if movie.timescale == 0 || track.timescale == 0 {
        return Ok(None);
    }
    let mut frames = FrameStats::default();
    whole_frames(&mut source, track, &mut frames)?;
    let Some(picture) = read_picture(&mut source, track, &movie, &frames)? else { return Ok(None) };
    let (timecode, timecode_s) = read_timecode(&mut source, &movie)?;
    let created = [movie.created, track.created].into_iter().find(|c| *c != 0);
    Ok(Some(MediaInfo {
        container: if quicktime { "MOV" } else { "MP4" },
        duration_s: picture.start_s + picture.duration_s,
        sound: None,
        picture: Some(picture),
        created_unix_s: created.and_then(|c| i64::try_from(c).ok()).map(|c| c - EPOCH_1904_S).filter(|c| *c > 0),
        timecode_s,
        timecode,
    }))
}

fn too_big(source: &Source) -> Error {
    source.error(
        ErrorKind::Damaged,
        "the file's index is larger than any real recording needs",
        "copy it again from the device",
    )
}

fn damaged(source: &Source, what: &str) -> Error {
    source.error(ErrorKind::Damaged, format!("the file's index is broken ({what})"), "copy it again from the device")
}

/// `ticks` of a clock of `timescale` Hz in frames of `rate` Hz, to the nearest.
fn to_frames(ticks: i64, rate: u64, timescale: u64) -> i64 {
    let (ticks, rate, timescale) = (i128::from(ticks), i128::from(rate), i128::from(timescale.max(1)));
    let frames = (2 * ticks * rate + timescale).div_euclid(2 * timescale);
    frames.clamp(i128::from(i64::MIN / 4), i128::from(i64::MAX / 4)) as i64
}

fn read_movie(source: &mut Source, moov: Atom) -> Result<Movie> {
    let mut movie = Movie::default();
    each_atom(source, moov.start, moov.end, |source, a| {
        match &a.name {
            b"cmov" => return Err(unsupported(source, "a MOV file with a compressed index")),
            b"mvhd" => {
                let b = source.slice(a.start, 32, 32)?;
                let v1 = b.first() == Some(&1);
                if b.len() < 32 {
                    return Err(damaged(source, "movie header"));
                }
                if v1 {
                    (movie.created, movie.timescale, movie.duration) = (be64(&b[4..]), be32(&b[20..]), be64(&b[24..]));
                } else {
                    (movie.created, movie.timescale) = (u64::from(be32(&b[4..])), be32(&b[12..]));
                    movie.duration = u64::from(be32(&b[16..]));
                }
            }
            b"trak" => {
                if movie.tracks.len() >= MAX_TRACKS {
                    return Err(damaged(source, "too many tracks"));
                }
                movie.tracks.push(read_track(source, a)?);
            }
            b"mvex" => each_atom(source, a.start, a.end, |source, a| {
                if a.name == *b"trex" && movie.extends.len() < MAX_TRACKS {
                    let b = source.slice(a.start, 24, 24)?;
                    if b.len() == 24 {
                        movie.extends.push((be32(&b[4..]), be32(&b[12..]), be32(&b[16..])));
                    }
                }
                Ok(())
            })?,
            _ => {}
        }
        Ok(())
    })?;
    Ok(movie)
}

fn read_track(source: &mut Source, trak: Atom) -> Result<TrackBox> {
    let mut t = TrackBox { enabled: true, ..TrackBox::default() };
    each_atom(source, trak.start, trak.end, |source, a| {
        match &a.name {
            b"tkhd" => {
                let b = source.slice(a.start, 96, 96)?;
                let shift = if b.first() == Some(&1) { 12 } else { 0 };
                if b.len() < 84 + shift {
                    return Err(damaged(source, "track header"));
                }
                t.enabled = b[3] & 1 != 0;
                t.id = be32(&b[if shift > 0 { 20 } else { 12 }..]);
                t.size = (be32(&b[76 + shift..]) >> 16, be32(&b[80 + shift..]) >> 16);
            }
            b"edts" => each_atom(source, a.start, a.end, |source, a| {
                if a.name == *b"elst" {
                    t.edits = read_edits(source, a)?;
                }
                Ok(())
            })?,
            b"mdia" => each_atom(source, a.start, a.end, |source, a| {
                match &a.name {
                    b"mdhd" => {
                        let b = source.slice(a.start, 32, 32)?;
                        if b.len() < 24 {
                            return Err(damaged(source, "media header"));
                        }
                        (t.created, t.timescale) = if b[0] == 1 {
                            (be64(&b[4..]), be32(&b[20..]))
                        } else {
                            (u64::from(be32(&b[4..])), be32(&b[12..]))
                        };
                    }
                    b"hdlr" => {
                        let b = source.slice(a.start, 12, 32)?;
                        if b.len() == 12 {
                            t.handler = [b[8], b[9], b[10], b[11]];
                        }
                    }
                    b"minf" => each_atom(source, a.start, a.end, |source, a| {
                        if a.name == *b"stbl" {
                            each_atom(source, a.start, a.end, |_, a| {
                                let span = Span { start: a.start, end: a.end };
                                match &a.name {
                                    b"stsd" => t.stsd = span,
                                    b"stts" => t.stts = span,
                                    b"ctts" => t.ctts = span,
                                    b"stsc" => t.stsc = span,
                                    b"stsz" => t.stsz = span,
                                    b"stz2" => t.stz2 = span,
                                    b"stco" => t.stco = span,
                                    b"co64" => t.co64 = span,
                                    _ => {}
                                }
                                Ok(())
                            })?;
                        }
                        Ok(())
                    })?,
                    _ => {}
                }
                Ok(())
            })?,
            _ => {}
        }
        Ok(())
    })?;
    Ok(t)
}

fn read_edits(source: &mut Source, a: Atom) -> Result<Vec<(u64, i64, i32)>> {
    let head = source.slice(a.start, 8, 64)?;
    if head.len() < 8 {
        return Ok(Vec::new());
    }
    let v1 = head[0] == 1;
    let count = be32(&head[4..]) as usize;
    if count > MAX_EDITS {
        return Err(damaged(source, "too many edits"));
    }
    let width = if v1 { 20 } else { 12 };
    let room = (a.end - a.start).saturating_sub(8);
    let b = source.slice(a.start + 8, (count * width).min(room as usize), 0)?;
    let edit = |e: &[u8]| {
        if v1 {
            (be64(e), be64(&e[8..]) as i64, be32(&e[16..]) as i32)
        } else {
            (u64::from(be32(e)), i64::from(be32(&e[4..]) as i32), be32(&e[8..]) as i32)
        }
    };
    Ok(b.chunks_exact(width).map(edit).collect())
}

/// The edit list in frames of presentation and media. Without one, the media is presented from its zero.
fn segments(t: &TrackBox, movie: &Movie, rate: u64, media_end: i64, warnings: &mut Vec<String>) -> Vec<Segment> {
    let movie_scale = u64::from(movie.timescale);
    let timescale = u64::from(t.timescale);
    let plain = |len: i64| vec![Segment { start: 0, len: len.max(0) as u64, media_start: 0 }];
    if t.edits.is_empty() {
        return plain(media_end);
    }
    let mut out: Vec<Segment> = Vec::new();
    let mut at_ticks: u64 = 0;
    let last = t.edits.len() - 1;
    for (i, &(ticks, media_time, speed)) in t.edits.iter().enumerate() {
        let start = to_frames(at_ticks.min(i64::MAX as u64) as i64, rate, movie_scale).max(0) as u64;
        at_ticks = at_ticks.saturating_add(ticks);
        if media_time < 0 {
            continue;
        }
        let media_start = to_frames(media_time, rate, timescale);
        let mut end = to_frames(at_ticks.min(i64::MAX as u64) as i64, rate, movie_scale).max(0) as u64;
        if speed == 0 {
            warnings.push("an edit holds the sound still; it reads as silence".into());
            continue;
        } else if speed != 0x1_0000 {
            warnings.push("an edit plays the sound at another speed; it is read at its own speed".into());
        }
        let left = (media_end - media_start).max(0) as u64;
        // Fragmented files state a length of 0 for "to the end". The movie's clock is often as coarse as
        // a millisecond: within a tick of the media's end, the media's end is meant.
        let tick = rate.div_ceil(movie_scale.max(1)).max(1);
        if i == last && (ticks == 0 || end.abs_diff(start + left) <= tick) {
            end = start + left;
        }
        out.push(Segment { start, len: end.saturating_sub(start).min(left), media_start });
    }
    if out.iter().all(|s| s.len == 0) {
        warnings.push("the edit list shows nothing of the sound; it was ignored".into());
        return plain(media_end);
    }
    out
}

/// What the sample description says about the sound.
struct SoundEntry {
    name: String,
    rate_hz: u32,
    channels: usize,
    bits: Option<u32>,
    decoder: Decoder,
    /// Bytes of one PCM frame, where the table counts single frames.
    pcm_frame_bytes: Option<u32>,
    /// Frames that every packet decodes to, where the codec fixes it.
    packet_frames: Option<u32>,
    maybe_he_aac: bool,
}

#[derive(Default)]
struct EntryChildren {
    asc: Option<Vec<u8>>,
    object_type: u8,
    little_endian: bool,
    alac: Option<Vec<u8>>,
    dops: Option<Vec<u8>>,
    dfla: Option<Vec<u8>>,
    pcmc: Option<(bool, u32)>,
    original: Option<[u8; 4]>,
}

fn read_sound_entry(source: &mut Source, t: &TrackBox) -> Result<SoundEntry> {
    let span = t.stsd;
    if span.end < span.start + 16 {
        return Err(damaged(source, "no sample description"));
    }
    let Some(entry) = atom(source, span.start + 8, span.end)? else {
        return Err(damaged(source, "sample description"));
    };
    let end = entry.end.min(span.end);
    let b = source.slice(entry.start, 64.min((end - entry.start) as usize), 512)?.to_vec();
    if b.len() < 28 {
        return Err(damaged(source, "sample description"));
    }
    let mut rate_hz = be32(&b[24..]) >> 16;
    let mut channels = usize::from(be16(&b[16..]));
    let mut bits = u32::from(be16(&b[18..]));
    let stsd_version = source.slice(span.start, 1, 0)?.first().copied();
    let version = be16(&b[8..]);
    let (mut header, mut lpcm_flags) = (28, 0);
    if stsd_version == Some(0) {
        // QuickTime's longer entries (QuickTime File Format, sound sample description versions 1 and 2).
        if version == 1 {
            header = 44;
        } else if version == 2 && b.len() >= 64 {
            header = 64;
            rate_hz = f64::from_bits(be64(&b[32..])).round().clamp(0.0, f64::from(u32::MAX)) as u32;
            channels = be32(&b[40..]) as usize;
            bits = be32(&b[48..]);
            lpcm_flags = be32(&b[52..]);
        }
    }
    let mut kids = EntryChildren::default();
    each_atom(source, entry.start + header, end, |source, a| {
        read_entry_child(source, a, &mut kids)?;
        if a.name == *b"wave" {
            each_atom(source, a.start, a.end, |source, a| read_entry_child(source, a, &mut kids))?;
        }
        Ok(())
    })?;

    let big = !kids.little_endian;
    let pcm = match &entry.name {
        b"sowt" => Some(Pcm::integer(bits as usize / 8, false, false)),
        b"twos" => Some(Pcm::integer(bits as usize / 8, big, false)),
        b"raw " | b"NONE" | b"\0\0\0\0" => Some(Pcm::integer(bits as usize / 8, true, bits == 8)),
        b"in24" => Some(Pcm::integer(3, big, false)),
        b"in32" => Some(Pcm::integer(4, big, false)),
        b"fl32" => Some(Pcm::float(4, big)),
        b"fl64" => Some(Pcm::float(8, big)),
        b"lpcm" if lpcm_flags & 1 != 0 => Some(Pcm::float(bits as usize / 8, lpcm_flags & 2 != 0)),
        b"lpcm" => Some(Pcm::integer(bits as usize / 8, lpcm_flags & 2 != 0, lpcm_flags & 4 == 0)),
        b"ipcm" => kids.pcmc.map(|(little, bits)| Pcm::integer(bits as usize / 8, !little, false)),
        b"fpcm" => kids.pcmc.map(|(little, bits)| Pcm::float(bits as usize / 8, !little)),
        _ => None,
    };
    if let Some(pcm) = pcm {
        let pcm = pcm.ok_or_else(|| unsupported(source, &format!("PCM of {bits} bits")))?;
        check_channels(source, channels)?;
        check_rate(source, rate_hz.into())?;
        return Ok(SoundEntry {
            name: pcm.name(),
            rate_hz,
            channels,
            bits: Some(pcm.bytes() as u32 * 8),
            decoder: Decoder::pcm(pcm, channels),
            pcm_frame_bytes: Some((pcm.bytes() * channels) as u32),
            packet_frames: Some(1),
            maybe_he_aac: false,
        });
    }

    let mut params = AudioCodecParameters::new();
    let (mut packet_frames, mut maybe_he_aac, mut lossless_bits) = (None, false, None);
    let broken = |source: &Source, what: &str| damaged(source, what);
    match &entry.name {
        b"mp4a" if matches!(kids.object_type, 0x69 | 0x6B) => {
            params.for_codec(id::CODEC_ID_MP3);
        }
        b"mp4a" if matches!(kids.object_type, 0 | 0x40 | 0x66..=0x68) => {
            let asc = kids.asc.as_deref().ok_or_else(|| broken(source, "AAC without its configuration"))?;
            let aac = AacConfig::parse(asc).ok_or_else(|| broken(source, "AAC configuration"))?;
            if let Some(name) = aac.refusal(rate_hz) {
                return Err(unsupported(source, &name));
            }
            rate_hz = aac.rate_hz;
            channels = usize::from(aac.channels);
            packet_frames = Some(1024);
            maybe_he_aac = aac.rate_hz <= 24_000;
            params.for_codec(id::CODEC_ID_AAC).with_extra_data(asc.into());
        }
        b"mp4a" => {
            return Err(unsupported(
                source,
                match kids.object_type {
                    0xA5 => "AC-3",
                    0xA6 => "E-AC-3",
                    0xA9..=0xAC => "DTS",
                    0xDD => "Vorbis in MP4",
                    0xE1 => "QCELP",
                    _ => "a codec in MP4 that is not known here",
                },
            ));
        }
        b".mp3" | b"ms\0\x55" => {
            params.for_codec(id::CODEC_ID_MP3);
        }
        b"alac" => {
            let cookie =
                kids.alac.filter(|c| c.len() >= 24).ok_or_else(|| broken(source, "ALAC without its configuration"))?;
            packet_frames = Some(be32(&cookie));
            lossless_bits = Some(u32::from(cookie[5]));
            channels = usize::from(cookie[9]);
            rate_hz = be32(&cookie[20..]);
            params.for_codec(id::CODEC_ID_ALAC).with_extra_data(cookie.into());
        }
        b"fLaC" => {
            let info =
                kids.dfla.filter(|d| d.len() >= 42).ok_or_else(|| broken(source, "FLAC without its configuration"))?;
            let stream_info = &info[8..42];
            rate_hz = be32(&stream_info[10..]) >> 12;
            channels = usize::from(stream_info[12] >> 1 & 7) + 1;
            lossless_bits = Some((u32::from(be16(&stream_info[12..])) >> 4 & 31) + 1);
            params.for_codec(id::CODEC_ID_FLAC).with_extra_data(stream_info.into());
        }
        b"Opus" => {
            // Opus in ISOBMFF, section 4.3.2: big-endian, otherwise the fields of OpusHead.
            let d =
                kids.dops.filter(|d| d.len() >= 11).ok_or_else(|| broken(source, "Opus without its configuration"))?;
            let mut head = b"OpusHead\x01".to_vec();
            head.push(d[1]);
            head.extend([d[3], d[2], d[7], d[6], d[5], d[4], d[9], d[8]]);
            head.extend(&d[10..]);
            channels = usize::from(d[1]);
            rate_hz = 48_000;
            params.for_codec(id::CODEC_ID_OPUS).with_extra_data(head.into());
        }
        other => {
            let name = match other {
                b"ac-3" => "AC-3".to_owned(),
                b"ec-3" => "E-AC-3".to_owned(),
                b"ac-4" => "AC-4".to_owned(),
                b"dtsc" | b"dtsh" | b"dtsl" | b"dtse" => "DTS".to_owned(),
                b"mlpa" => "TrueHD".to_owned(),
                b"samr" | b"sawb" => "AMR".to_owned(),
                b"ulaw" => "mu-law".to_owned(),
                b"alaw" => "A-law".to_owned(),
                b"ima4" => "ADPCM".to_owned(),
                b"enca" => match kids.original {
                    Some(f) => format!("encrypted sound ({})", four(&f)),
                    None => "encrypted sound".to_owned(),
                },
                name => format!("the codec '{}'", four(name)),
            };
            return Err(unsupported(source, &name));
        }
    }
    check_channels(source, channels)?;
    check_rate(source, rate_hz.into())?;
    let layout = match channels {
        1 => Channels::Positioned(Position::FRONT_LEFT),
        2 => Channels::Positioned(Position::FRONT_LEFT | Position::FRONT_RIGHT),
        n => Channels::Discrete(n as u16),
    };
    params.with_sample_rate(rate_hz).with_channels(layout);
    let name = crate::codec::codec_name(params.codec).to_owned();
    let decoder = Decoder::new(&params, channels, true)
        .map_err(|e| unsupported(source, &format!("{name} of this kind ({e})")))?;
    Ok(SoundEntry {
        name,
        rate_hz,
        channels,
        bits: lossless_bits,
        decoder,
        pcm_frame_bytes: None,
        packet_frames,
        maybe_he_aac,
    })
}

fn four(name: &[u8]) -> String {
    name.iter().map(|b| if b.is_ascii_graphic() || *b == b' ' { char::from(*b) } else { '?' }).collect()
}

fn read_entry_child(source: &mut Source, a: Atom, kids: &mut EntryChildren) -> Result<()> {
    let len = (a.end - a.start).min(4096) as usize;
    let b = source.slice(a.start, len, 0)?;
    match &a.name {
        b"esds" => {
            if let Some((object_type, asc)) = read_esds(b.get(4..).unwrap_or_default()) {
                kids.object_type = object_type;
                kids.asc = asc;
            }
        }
        b"enda" if b.len() >= 2 => kids.little_endian = be16(b) == 1,
        // The outer atom of the same name is the sample description itself; this is its configuration.
        b"alac" => kids.alac = b.get(4..).map(<[u8]>::to_vec),
        b"dOps" => kids.dops = Some(b.to_vec()),
        b"dfLa" => kids.dfla = Some(b.to_vec()),
        b"pcmC" if b.len() >= 6 => kids.pcmc = Some((b[4] & 1 != 0, u32::from(b[5]))),
        b"frma" if b.len() >= 4 => kids.original = Some([b[0], b[1], b[2], b[3]]),
        b"sinf" if b.len() >= 12 && b[4..8] == *b"frma" => {
            kids.original = Some([b[8], b[9], b[10], b[11]]);
        }
        _ => {}
    }
    Ok(())
}

/// Object type and decoder-specific bytes of an elementary stream descriptor (ISO/IEC 14496-1, 7.2.6).
fn read_esds(mut b: &[u8]) -> Option<(u8, Option<Vec<u8>>)> {
    fn descriptor<'a>(b: &mut &'a [u8]) -> Option<(u8, &'a [u8])> {
        let (&tag, mut rest) = b.split_first()?;
        let mut len = 0usize;
        for _ in 0..4 {
            let (&byte, after) = rest.split_first()?;
            rest = after;
            len = len << 7 | usize::from(byte & 0x7F);
            if byte & 0x80 == 0 {
                break;
            }
        }
        let (body, after) = rest.split_at(len.min(rest.len()));
        *b = after;
        Some((tag, body))
    }
    let (tag, mut es) = descriptor(&mut b)?;
    if tag == 3 {
        let flags = *es.get(2)?;
        let mut skip = 3;
        skip += if flags & 0x80 != 0 { 2 } else { 0 };
        if flags & 0x40 != 0 {
            skip += 1 + usize::from(*es.get(skip)?);
        }
        skip += if flags & 0x20 != 0 { 2 } else { 0 };
        es = es.get(skip..)?;
        while let Some((tag, body)) = descriptor(&mut es) {
            if tag == 4 {
                let mut inner = body.get(13..)?;
                let specific = descriptor(&mut inner).filter(|(tag, _)| *tag == 5).map(|(_, b)| b.to_vec());
                return Some((body[0], specific));
            }
        }
    }
    None
}

/// AudioSpecificConfig (ISO/IEC 14496-3, 1.6.2.1), as far as it decides what can be decoded.
pub(crate) struct AacConfig {
    object_type: u32,
    pub rate_hz: u32,
    pub channels: u8,
    sbr: bool,
    short_frames: bool,
}

impl AacConfig {
    pub(crate) fn parse(b: &[u8]) -> Option<Self> {
        const RATES: [u32; 13] =
            [96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8000, 7350];
        let mut at = 0;
        let mut bits = |n: usize| -> Option<u32> {
            let mut v = 0;
            for _ in 0..n {
                let byte = *b.get(at / 8)?;
                v = v << 1 | u32::from(byte >> (7 - at % 8) & 1);
                at += 1;
            }
            Some(v)
        };
        let mut object_type = bits(5)?;
        if object_type == 31 {
            object_type = 32 + bits(6)?;
        }
        let rate_index = bits(4)?;
        let rate_hz = if rate_index == 15 { bits(24)? } else { *RATES.get(rate_index as usize)? };
        let configuration = bits(4)?;
        let channels = match configuration {
            0 => 0,
            n @ 1..=6 => n as u8,
            7 | 12 => 8,
            11 => 7,
            _ => return None,
        };
        let short_frames = bits(1)? == 1;
        let (depends, extension) = (bits(1)?, bits(1)?);
        // A synchronisation word after the core's configuration announces SBR in the old way.
        let mut sbr = matches!(object_type, 5 | 29);
        if !sbr && depends == 0 && extension == 0 && configuration != 0 && bits(11) == Some(0x2B7) && bits(5) == Some(5)
        {
            sbr = bits(1) == Some(1);
        }
        Some(Self { object_type, rate_hz, channels, sbr, short_frames })
    }

    /// Why this variety cannot be decoded here, if so. `entry_rate_hz`: what the container says.
    pub(crate) fn refusal(&self, entry_rate_hz: u32) -> Option<String> {
        if self.sbr || (entry_rate_hz == 2 * self.rate_hz) {
            return Some("HE-AAC".into());
        }
        match self.object_type {
            2 => {}
            1 => return Some("AAC Main".into()),
            3 => return Some("AAC SSR".into()),
            4 => return Some("AAC LTP".into()),
            23 | 39 => return Some("AAC-LD".into()),
            42 => return Some("xHE-AAC".into()),
            n => return Some(format!("MPEG-4 audio object type {n}")),
        }
        match self.channels {
            1 | 2 if self.short_frames => Some("AAC with 960 samples a frame".into()),
            1 | 2 => None,
            0 => Some("AAC with a channel layout of its own".into()),
            6 => Some("AAC 5.1".into()),
            n => Some(format!("AAC with {n} channels")),
        }
    }
}

/// Gathers runs, packet by packet.
struct IndexBuilder {
    sizes: Sizes,
    runs: Vec<Run>,
    rate: u64,
    timescale: u64,
    nominal: Option<u32>,
    tolerance: i64,
    expected: Option<i64>,
    shifted: bool,
    /// Where the bytes of the last packet end.
    contiguous: u64,
}

impl IndexBuilder {
    /// Adds `packets` equal packets (one, unless PCM) at `ticks`, each lasting `delta` ticks.
    fn push(&mut self, source: &Source, offset: u64, bytes: u64, ticks: i64, delta: u32, packets: u32) -> Result<()> {
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
    fn read(source: &mut Source, span: Span) -> Result<Self> {
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

/// The sample table of a file that is not fragmented. Returns the media's end in track ticks.
fn whole_index(source: &mut Source, t: &TrackBox, entry: &SoundEntry, index: &mut IndexBuilder) -> Result<i64> {
    let mut durations = RunLengths::read(source, t.stts)?;
    let mut shifts = RunLengths::read(source, t.ctts)?;
    if let (Some(1024), [(_, delta), ..]) = (entry.packet_frames, durations.entries.as_slice())
        && to_frames((*delta).into(), index.rate, index.timescale) == 2048
    {
        return Err(unsupported(source, "HE-AAC"));
    }
    // Sizes: one for all, or one each.
    let head = source.slice(t.stsz.start, 12, 64)?;
    let (mut one_size, mut count) =
        if t.stsz.end >= t.stsz.start + 12 && head.len() == 12 { (be32(&head[4..]), be32(&head[8..])) } else { (0, 0) };
    let sizes: Vec<u32> = if t.stsz.end > 0 && one_size == 0 {
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
    if one_size == 0 {
        count = count.min(sizes.len() as u32);
    }
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
struct FrameStats {
    count: u64,
    ticks: u64,
    shortest: u32,
    longest: u32,
    /// Presentation time of the first frame in the track.
    first: Option<i64>,
}

impl FrameStats {
    fn add(&mut self, count: u32, delta: u32) {
        if self.count == 0 {
            (self.shortest, self.longest) = (delta, delta);
        }
        self.shortest = self.shortest.min(delta);
        self.longest = self.longest.max(delta);
        self.count += u64::from(count);
        self.ticks = self.ticks.saturating_add(u64::from(count) * u64::from(delta));
    }
}

fn whole_frames(source: &mut Source, t: &TrackBox, stats: &mut FrameStats) -> Result<()> {
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
    Ok(())
}

/// Adds what the fragments hold of the sound track (id, index, media end in ticks) and of the picture.
fn fragments(
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

fn read_picture(source: &mut Source, t: &TrackBox, movie: &Movie, frames: &FrameStats) -> Result<Option<PictureInfo>> {
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
    Ok(Some(PictureInfo { frame_rate, variable_rate, size, duration_s, start_s }))
}

/// Label and seconds of the first frame's timecode, from a `tmcd` track (QuickTime File Format, timecode media).
fn read_timecode(source: &mut Source, movie: &Movie) -> Result<(Option<String>, Option<f64>)> {
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

/// The sound's packets, in order of time.
struct SampleTable {
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

impl Track for SampleTable {
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

fn be16(b: &[u8]) -> u16 {
    u16::from_be_bytes([b[0], b[1]])
}

fn be32(b: &[u8]) -> u32 {
    u32::from_be_bytes([b[0], b[1], b[2], b[3]])
}

fn be64(b: &[u8]) -> u64 {
    u64::from(be32(b)) << 32 | u64::from(be32(&b[4..]))
}
