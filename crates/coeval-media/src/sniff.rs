//! Which container a file is, by its first bytes and never by its name.

use coeval_error::Result;

use crate::foreign::Kind;
use crate::source::Source;

pub(crate) const MPEG_TS: &str = "MPEG transport stream";
pub(crate) const MPEG_PS: &str = "MPEG program stream";

/// What the first bytes say.
pub(crate) enum Family {
    Riff,
    IsoBmff,
    /// The container, and where it begins.
    Foreign(Kind, u64),
    Refused(&'static str),
    Unknown(&'static str),
}

pub(crate) fn sniff(source: &mut Source) -> Result<Family> {
    let mut at = 0;
    // ID3v2 tags may stand before MP3, ADTS, FLAC: ten bytes and a length of four times seven bits.
    for _ in 0..8 {
        match source.slice(at, 10, 4096)? {
            [b'I', b'D', b'3', _, _, _, a, b, c, d] => {
                let size = [a, b, c, d].iter().fold(0u64, |v, b| v << 7 | u64::from(**b & 0x7F));
                at += 10 + size;
            }
            _ => break,
        }
    }
    let b = source.slice(at, 1024, 4096)?;
    let is = |offset: usize, magic: &[u8]| b.get(offset..).is_some_and(|b| b.starts_with(magic));
    let sync = |distance: usize, first: usize| (0..4).all(|i| b.get(first + i * distance) == Some(&0x47));
    Ok(if (is(0, b"RIFF") || is(0, b"RF64") || is(0, b"BW64")) && is(8, b"WAVE") || is(0, b"riff\x2E\x91\xCF\x11") {
        Family::Riff
    } else if is(0, b"RIFF") && is(8, b"AVI ") {
        Family::Refused("AVI")
    } else if is(0, b"RIFX") {
        Family::Refused("big-endian WAV (RIFX)")
    } else if is(0, b"fLaC") {
        Family::Foreign(Kind::Flac, at)
    } else if is(0, b"OggS") {
        Family::Foreign(Kind::Ogg, at)
    } else if is(0, b"\x1A\x45\xDF\xA3") {
        Family::Foreign(Kind::Matroska, at)
    } else if is(0, b"FORM") && (is(8, b"AIFF") || is(8, b"AIFC")) {
        Family::Foreign(Kind::Aiff, at)
    } else if is(0, b"caff") {
        Family::Foreign(Kind::Caf, at)
    } else if [b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"styp", b"sidx", b"moof", b"uuid"]
        .iter()
        .any(|name| is(4, *name))
    {
        Family::IsoBmff
    } else if sync(188, 0) || sync(192, 4) {
        Family::Refused(MPEG_TS)
    } else if is(0, b"\x00\x00\x01\xBA") {
        Family::Refused(MPEG_PS)
    } else if is(0, b"\x0B\x77") {
        Family::Refused("AC-3")
    } else if is(0, b"FLV\x01") {
        Family::Refused("Flash video")
    } else if is(0, b"\x30\x26\xB2\x75\x8E\x66\xCF\x11") {
        Family::Refused("Windows Media (ASF)")
    } else if is(0, b"wvpk") {
        Family::Refused("WavPack")
    } else if is(0, b"MAC ") {
        Family::Refused("Monkey's Audio")
    } else if is(0, b"DSD ") || is(0, b"FRM8") {
        Family::Refused("DSD")
    } else if is(0, b"#!AMR") {
        Family::Refused("AMR")
    } else if is(0, b"\x06\x0E\x2B\x34") {
        Family::Refused("MXF")
    } else if b.len() >= 2 && b[0] == 0xFF && b[1] & 0xF6 == 0xF0 {
        Family::Foreign(Kind::Adts, at)
    } else if b.len() >= 4 && b[0] == 0xFF && b[1] & 0xE0 == 0xE0 && b[1] & 0x06 != 0 && b[2] & 0xF0 != 0xF0 {
        Family::Foreign(Kind::Mpeg, at)
    } else if !b.is_empty() && std::str::from_utf8(&b[..b.len().min(256) / 4 * 3]).is_ok_and(|t| !t.contains('\0')) {
        Family::Unknown("this is text, not a recording")
    } else {
        Family::Unknown("this is not a known sound or video format")
    })
}
