//! Boxes, which Apple calls atoms: walked one by one, and what `moov` says of the movie and its tracks.

use coeval_error::{Error, ErrorKind, Result};

use crate::source::Source;
use crate::track::unsupported;

/// Largest `moov` or `moof` that is believed.
pub(super) const MAX_INDEX: u64 = 256 << 20;
/// Atoms on one level at most; edits and tracks at most.
const MAX_ATOMS: usize = 1 << 22;
const MAX_EDITS: usize = 10_000;
const MAX_TRACKS: usize = 1000;
/// From 1904-01-01, where the format's clock starts, to 1970-01-01.
pub(super) const EPOCH_1904_S: i64 = 2_082_844_800;

/// Name and content of an atom.
#[derive(Debug, Clone, Copy)]
pub(super) struct Atom {
    /// First byte of its header.
    pub(super) at: u64,
    pub(super) name: [u8; 4],
    pub(super) start: u64,
    pub(super) end: u64,
}

/// A stretch of the file that holds a table.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Span {
    pub(super) start: u64,
    pub(super) end: u64,
}

#[derive(Debug, Default)]
pub(super) struct TrackBox {
    pub(super) id: u32,
    pub(super) enabled: bool,
    pub(super) handler: [u8; 4],
    pub(super) timescale: u32,
    pub(super) created: u64,
    pub(super) size: (u32, u32),
    /// Duration in movie ticks, media time in track ticks (-1: nothing), rate in 16.16.
    pub(super) edits: Vec<(u64, i64, i32)>,
    pub(super) stsd: Span,
    pub(super) stts: Span,
    pub(super) ctts: Span,
    pub(super) stsc: Span,
    pub(super) stsz: Span,
    pub(super) stz2: Span,
    pub(super) stco: Span,
    pub(super) co64: Span,
}

#[derive(Debug, Default)]
pub(super) struct Movie {
    pub(super) timescale: u32,
    pub(super) created: u64,
    pub(super) duration: u64,
    pub(super) tracks: Vec<TrackBox>,
    /// What else is said of the movie.
    pub(super) meta: Option<Atom>,
    /// Model of the device, as user data.
    pub(super) model: Option<Atom>,
    /// Track id, default duration, default size of fragments.
    pub(super) extends: Vec<(u32, u32, u32)>,
}

/// Reads the atom header at `at`; `None` at the end or where there is no atom.
pub(super) fn atom(source: &mut Source, at: u64, end: u64) -> Result<Option<Atom>> {
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
pub(super) fn each_atom(
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

pub(super) fn too_big(source: &Source) -> Error {
    source.error(
        ErrorKind::Damaged,
        "the file's index is larger than any real recording needs",
        "copy it again from the device",
    )
}

pub(super) fn damaged(source: &Source, what: &str) -> Error {
    source.error(ErrorKind::Damaged, format!("the file's index is broken ({what})"), "copy it again from the device")
}

pub(super) fn read_movie(source: &mut Source, moov: Atom) -> Result<Movie> {
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
            b"meta" => movie.meta = Some(a),
            // Some programs put it one level down.
            b"udta" => each_atom(source, a.start, a.end, |_, inner| {
                match &inner.name {
                    b"meta" if movie.meta.is_none() => movie.meta = Some(inner),
                    b"\xa9mod" => movie.model = Some(inner),
                    _ => {}
                }
                Ok(())
            })?,
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

pub(super) fn be16(b: &[u8]) -> u16 {
    u16::from_be_bytes([b[0], b[1]])
}

pub(super) fn be32(b: &[u8]) -> u32 {
    u32::from_be_bytes([b[0], b[1], b[2], b[3]])
}

pub(super) fn be64(b: &[u8]) -> u64 {
    u64::from(be32(b)) << 32 | u64::from(be32(&b[4..]))
}
