//! The few Matroska headers (RFC 9559) that the demuxer does not hand out: the codec's delay to the
//! nanosecond, the picture's size and frame length, the date.

use coeval_error::Result;

use crate::info::{PictureInfo, Rational};
use crate::source::Source;

/// One track's headers.
#[derive(Debug, Default, Clone)]
pub(crate) struct TrackHeaders {
    pub number: u64,
    kind: u64,
    pub codec_id: String,
    pub codec_delay_ns: u64,
    default_duration_ns: u64,
    pub output_rate_hz: Option<u32>,
    size: (u32, u32),
}

/// The file's headers.
#[derive(Debug, Default)]
pub(crate) struct Headers {
    pub webm: bool,
    pub duration_s: Option<f64>,
    pub created_unix_s: Option<i64>,
    pub tracks: Vec<TrackHeaders>,
}

impl Headers {
    /// The picture track; its start is taken as zero, since only the blocks know better.
    pub(crate) fn picture(&self) -> Option<PictureInfo> {
        let t = self.tracks.iter().find(|t| t.kind == 1)?;
        let known = t.default_duration_ns > 0;
        Some(PictureInfo {
            frame_rate: if known {
                Rational::near(1e9 / t.default_duration_ns as f64, true)
            } else {
                Rational { num: 0, den: 1 }
            },
            variable_rate: !known,
            capture_rate: None,
            size: t.size,
            duration_s: self.duration_s.unwrap_or(0.0),
            start_s: 0.0,
        })
    }
}

/// From 1970-01-01 to 2001-01-01, where Matroska's clock starts (RFC 9559 section 5.1.2.11).
const EPOCH_2001_S: i64 = 978_307_200;
/// Elements looked at on one level, and levels.
const MAX_ELEMENTS: usize = 10_000;
const MAX_DEPTH: usize = 6;

/// Reads up to the first cluster.
pub(crate) fn headers(source: &mut Source) -> Result<Headers> {
    let mut out = Headers::default();
    let mut scale_ns = 1_000_000u64;
    let mut duration = 0.0;
    let end = source.len();
    walk(source, 0, end, 0, &mut |id, body, source, len| {
        let text = |source: &mut Source| -> Result<String> {
            Ok(String::from_utf8_lossy(source.slice(body, len.min(64) as usize, 64)?).trim_end_matches('\0').to_owned())
        };
        match id {
            0x4282 => out.webm = text(source)? == "webm",
            0x002A_D7B1 => scale_ns = number(source, body, len)?,
            0x4489 => duration = float(source, body, len)?,
            0x4461 => {
                let ns = number(source, body, len)? as i64;
                out.created_unix_s = Some(ns.div_euclid(1_000_000_000) + EPOCH_2001_S);
            }
            0xAE => out.tracks.push(TrackHeaders::default()),
            _ => {
                if let Some(t) = out.tracks.last_mut() {
                    match id {
                        0xD7 => t.number = number(source, body, len)?,
                        0x83 => t.kind = number(source, body, len)?,
                        0x86 => t.codec_id = text(source)?,
                        0x56AA => t.codec_delay_ns = number(source, body, len)?.min(1_000_000_000_000),
                        0x0023_E383 => t.default_duration_ns = number(source, body, len)?,
                        0x78B5 => t.output_rate_hz = Some(float(source, body, len)?.round() as u32),
                        0xB0 => t.size.0 = number(source, body, len)? as u32,
                        0xBA => t.size.1 = number(source, body, len)? as u32,
                        _ => {}
                    }
                }
            }
        }
        Ok(())
    })?;
    out.duration_s = Some(duration * scale_ns as f64 / 1e9).filter(|d| *d > 0.0 && d.is_finite());
    Ok(out)
}

type Visit<'a> = dyn FnMut(u32, u64, &mut Source, u64) -> Result<()> + 'a;

/// Visits elements, going into the containers of headers. Returns `false` once the first cluster was met.
fn walk(source: &mut Source, start: u64, end: u64, depth: usize, visit: &mut Visit<'_>) -> Result<bool> {
    let mut at = start;
    for _ in 0..MAX_ELEMENTS {
        if at >= end {
            break;
        }
        let head = source.slice(at, 12, 4096)?;
        let Some((id, id_len)) = vint(head, false) else { break };
        let Some((len, len_len)) = vint(&head[id_len..], true) else { break };
        let body = at + (id_len + len_len) as u64;
        let unknown = len == (1 << (7 * len_len)) - 1;
        let len = if unknown { end.saturating_sub(body) } else { len };
        let stop = body.saturating_add(len).min(end);
        match id as u32 {
            0x1F43_B675 => return Ok(false),
            // EBML, Segment, Info, Tracks, TrackEntry, Video, Audio.
            id @ (0x1A45_DFA3 | 0x1853_8067 | 0x1549_A966 | 0x1654_AE6B | 0xAE | 0xE0 | 0xE1) if depth < MAX_DEPTH => {
                visit(id, body, source, len)?;
                if !walk(source, body, stop, depth + 1, visit)? {
                    return Ok(false);
                }
            }
            id => visit(id, body, source, len)?,
        }
        at = stop;
    }
    Ok(true)
}

/// A variable-length number (RFC 8794 section 4) and how many bytes it takes.
fn vint(b: &[u8], strip: bool) -> Option<(u64, usize)> {
    let first = *b.first()?;
    let len = first.leading_zeros() as usize + 1;
    if len > 8 || b.len() < len {
        return None;
    }
    let mut v = u64::from(first);
    if strip {
        v &= (1 << (8 - len)) - 1;
    }
    for byte in &b[1..len] {
        v = v << 8 | u64::from(*byte);
    }
    Some((v, len))
}

fn number(source: &mut Source, at: u64, len: u64) -> Result<u64> {
    Ok(source.slice(at, len.min(8) as usize, 64)?.iter().fold(0, |v, b| v << 8 | u64::from(*b)))
}

fn float(source: &mut Source, at: u64, len: u64) -> Result<f64> {
    let bits = number(source, at, len)?;
    Ok(if len == 4 { f32::from_bits(bits as u32).into() } else { f64::from_bits(bits) })
}
