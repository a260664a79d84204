//! The sample entry: codec, rate, channels, and what a decoder needs to know.

use coeval_error::Result;
use symphonia::core::audio::{Channels, Position};
use symphonia::core::codecs::audio::{AudioCodecId, AudioCodecParameters, well_known as id};

use super::boxes::{Atom, Span, TrackBox, atom, be16, be32, be64, damaged, each_atom};
use crate::codec::{Decoder, Pcm};
use crate::info::SoundInfo;
use crate::source::Source;
use crate::track::{check_channels, check_rate, unsupported};

/// What the sample description says about the sound.
pub(super) struct SoundEntry {
    pub(super) name: String,
    pub(super) rate_hz: u32,
    pub(super) channels: usize,
    pub(super) bits: Option<u32>,
    pub(super) decoder: Decoder,
    /// Bytes of one PCM frame, where the table counts single frames.
    pub(super) pcm_frame_bytes: Option<u32>,
    /// Frames that every packet decodes to, where the codec fixes it.
    pub(super) packet_frames: Option<u32>,
    pub(super) maybe_he_aac: bool,
}

impl SoundEntry {
    pub(super) fn info(&self, frames: u64) -> SoundInfo {
        SoundInfo {
            codec: self.name.clone(),
            rate_hz: self.rate_hz,
            channels: self.channels,
            bits: self.bits,
            start_is_exact: true,
            frames: Some(frames),
        }
    }
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

/// What the entry itself says, whatever its codec.
struct EntryHeader {
    rate_hz: u32,
    channels: usize,
    bits: u32,
    lpcm_flags: u32,
    /// Bytes before the first child.
    length: u64,
}

impl EntryHeader {
    fn read(source: &mut Source, stsd: Span, entry: Atom) -> Result<Self> {
        let b = source.slice(entry.start, 64.min(entry.end.saturating_sub(entry.start) as usize), 512)?.to_vec();
        if b.len() < 28 {
            return Err(damaged(source, "sample description"));
        }
        let plain = Self {
            rate_hz: be32(&b[24..]) >> 16,
            channels: usize::from(be16(&b[16..])),
            bits: u32::from(be16(&b[18..])),
            lpcm_flags: 0,
            length: 28,
        };
        // QuickTime's longer entries (QuickTime File Format, sound sample description versions 1 and 2).
        let longer = source.slice(stsd.start, 1, 0)?.first() == Some(&0);
        Ok(match be16(&b[8..]) {
            1 if longer => Self { length: 44, ..plain },
            2 if longer && b.len() >= 64 => Self {
                rate_hz: f64::from_bits(be64(&b[32..])).round().clamp(0.0, f64::from(u32::MAX)) as u32,
                channels: be32(&b[40..]) as usize,
                bits: be32(&b[48..]),
                lpcm_flags: be32(&b[52..]),
                length: 64,
            },
            _ => plain,
        })
    }
}

pub(super) fn read_sound_entry(source: &mut Source, t: &TrackBox) -> Result<SoundEntry> {
    let span = t.stsd;
    if span.end < span.start + 16 {
        return Err(damaged(source, "no sample description"));
    }
    let Some(entry) = atom(source, span.start + 8, span.end)? else {
        return Err(damaged(source, "sample description"));
    };
    let entry = Atom { end: entry.end.min(span.end), ..entry };
    let header = EntryHeader::read(source, span, entry)?;
    let mut kids = EntryChildren::default();
    each_atom(source, entry.start + header.length, entry.end, |source, a| {
        read_entry_child(source, a, &mut kids)?;
        if a.name == *b"wave" {
            each_atom(source, a.start, a.end, |source, a| read_entry_child(source, a, &mut kids))?;
        }
        Ok(())
    })?;
    match linear_pcm(&entry.name, &header, &kids) {
        Some(Some(pcm)) => pcm_entry(source, pcm, &header),
        Some(None) => Err(unsupported(source, &format!("PCM of {} bits", header.bits))),
        None => Configured::of(source, &entry.name, &header, &kids)?.entry(source),
    }
}

/// How PCM lies in the file; `Some(None)` for a number of bits that is not read, `None` for another codec.
fn linear_pcm(name: &[u8; 4], header: &EntryHeader, kids: &EntryChildren) -> Option<Option<Pcm>> {
    let (bytes, flags) = (header.bits as usize / 8, header.lpcm_flags);
    let big = !kids.little_endian;
    Some(match name {
        b"sowt" => Pcm::integer(bytes, false, false),
        b"twos" => Pcm::integer(bytes, big, false),
        b"raw " | b"NONE" | b"\0\0\0\0" => Pcm::integer(bytes, true, header.bits == 8),
        b"in24" => Pcm::integer(3, big, false),
        b"in32" => Pcm::integer(4, big, false),
        b"fl32" => Pcm::float(4, big),
        b"fl64" => Pcm::float(8, big),
        b"lpcm" if flags & 1 != 0 => Pcm::float(bytes, flags & 2 != 0),
        b"lpcm" => Pcm::integer(bytes, flags & 2 != 0, flags & 4 == 0),
        b"ipcm" => kids.pcmc.map(|(little, bits)| Pcm::integer(bits as usize / 8, !little, false))?,
        b"fpcm" => kids.pcmc.map(|(little, bits)| Pcm::float(bits as usize / 8, !little))?,
        _ => return None,
    })
}

fn pcm_entry(source: &Source, pcm: Pcm, header: &EntryHeader) -> Result<SoundEntry> {
    check_channels(source, header.channels)?;
    check_rate(source, header.rate_hz.into())?;
    Ok(SoundEntry {
        name: pcm.name(),
        rate_hz: header.rate_hz,
        channels: header.channels,
        bits: Some(pcm.bytes() as u32 * 8),
        decoder: Decoder::pcm(pcm, header.channels),
        pcm_frame_bytes: Some((pcm.bytes() * header.channels) as u32),
        packet_frames: Some(1),
        maybe_he_aac: false,
    })
}

/// A codec that packs sound, as its own configuration describes it.
struct Configured {
    codec: AudioCodecId,
    /// What its decoder is given of the configuration.
    extra_data: Option<Box<[u8]>>,
    rate_hz: u32,
    channels: usize,
    bits: Option<u32>,
    packet_frames: Option<u32>,
    maybe_he_aac: bool,
}

impl Configured {
    fn of(source: &Source, name: &[u8; 4], header: &EntryHeader, kids: &EntryChildren) -> Result<Self> {
        let without = |codec: &str| damaged(source, &format!("{codec} without its configuration"));
        match name {
            b"mp4a" => match kids.object_type {
                0x69 | 0x6B => Ok(Self::mp3(header)),
                0 | 0x40 | 0x66..=0x68 => {
                    let asc = kids.asc.as_deref().ok_or_else(|| without("AAC"))?;
                    Self::aac(source, asc, header)
                }
                other => Err(unsupported(source, mpeg4_codec_name(other))),
            },
            b".mp3" | b"ms\0\x55" => Ok(Self::mp3(header)),
            b"alac" => kids.alac.as_deref().and_then(Self::alac).ok_or_else(|| without("ALAC")),
            b"fLaC" => kids.dfla.as_deref().and_then(Self::flac).ok_or_else(|| without("FLAC")),
            b"Opus" => kids.dops.as_deref().and_then(Self::opus).ok_or_else(|| without("Opus")),
            other => Err(unsupported(source, &codec_words(other, kids.original))),
        }
    }

    /// A codec of which nothing is known but its rate and its channels.
    fn plain(codec: AudioCodecId, rate_hz: u32, channels: usize) -> Self {
        let (extra_data, bits, packet_frames) = (None, None, None);
        Self { codec, extra_data, rate_hz, channels, bits, packet_frames, maybe_he_aac: false }
    }

    fn mp3(header: &EntryHeader) -> Self {
        Self::plain(id::CODEC_ID_MP3, header.rate_hz, header.channels)
    }

    fn aac(source: &Source, asc: &[u8], header: &EntryHeader) -> Result<Self> {
        let aac = AacConfig::parse(asc).ok_or_else(|| damaged(source, "AAC configuration"))?;
        if let Some(name) = aac.refusal(header.rate_hz) {
            return Err(unsupported(source, &name));
        }
        Ok(Self {
            extra_data: Some(asc.into()),
            packet_frames: Some(1024),
            maybe_he_aac: aac.rate_hz <= 24_000,
            ..Self::plain(id::CODEC_ID_AAC, aac.rate_hz, aac.channels.into())
        })
    }

    fn alac(cookie: &[u8]) -> Option<Self> {
        (cookie.len() >= 24).then(|| Self {
            extra_data: Some(cookie.into()),
            packet_frames: Some(be32(cookie)),
            bits: Some(cookie[5].into()),
            ..Self::plain(id::CODEC_ID_ALAC, be32(&cookie[20..]), cookie[9].into())
        })
    }

    fn flac(info: &[u8]) -> Option<Self> {
        let stream_info = info.get(8..42)?;
        let channels = usize::from(stream_info[12] >> 1 & 7) + 1;
        Some(Self {
            extra_data: Some(stream_info.into()),
            bits: Some((u32::from(be16(&stream_info[12..])) >> 4 & 31) + 1),
            ..Self::plain(id::CODEC_ID_FLAC, be32(&stream_info[10..]) >> 12, channels)
        })
    }

    /// Opus in ISOBMFF, section 4.3.2: big-endian, otherwise the fields of OpusHead.
    fn opus(d: &[u8]) -> Option<Self> {
        if d.len() < 11 {
            return None;
        }
        let mut head = b"OpusHead\x01".to_vec();
        head.push(d[1]);
        head.extend([d[3], d[2], d[7], d[6], d[5], d[4], d[9], d[8]]);
        head.extend(&d[10..]);
        Some(Self { extra_data: Some(head.into()), ..Self::plain(id::CODEC_ID_OPUS, 48_000, d[1].into()) })
    }

    fn entry(self, source: &Source) -> Result<SoundEntry> {
        let Self { rate_hz, channels, bits, packet_frames, maybe_he_aac, .. } = self;
        check_channels(source, channels)?;
        check_rate(source, rate_hz.into())?;
        let layout = match channels {
            1 => Channels::Positioned(Position::FRONT_LEFT),
            2 => Channels::Positioned(Position::FRONT_LEFT | Position::FRONT_RIGHT),
            n => Channels::Discrete(n as u16),
        };
        let mut params = AudioCodecParameters::new();
        params.for_codec(self.codec).with_sample_rate(rate_hz).with_channels(layout);
        params.extra_data = self.extra_data;
        let name = crate::codec::codec_name(self.codec).to_owned();
        let decoder = Decoder::new(&params, channels, true)
            .map_err(|e| unsupported(source, &format!("{name} of this kind ({e})")))?;
        Ok(SoundEntry { name, rate_hz, channels, bits, decoder, pcm_frame_bytes: None, packet_frames, maybe_he_aac })
    }
}

/// A codec of `mp4a` that is not read, by its object type.
fn mpeg4_codec_name(object_type: u8) -> &'static str {
    match object_type {
        0xA5 => "AC-3",
        0xA6 => "E-AC-3",
        0xA9..=0xAC => "DTS",
        0xDD => "Vorbis in MP4",
        0xE1 => "QCELP",
        _ => "an unknown codec in MP4",
    }
}

/// A codec that is not read, by the entry's name. `original`: what is encrypted.
fn codec_words(name: &[u8; 4], original: Option<[u8; 4]>) -> String {
    match (name, original) {
        (b"ac-3", _) => "AC-3".to_owned(),
        (b"ec-3", _) => "E-AC-3".to_owned(),
        (b"ac-4", _) => "AC-4".to_owned(),
        (b"dtsc" | b"dtsh" | b"dtsl" | b"dtse", _) => "DTS".to_owned(),
        (b"mlpa", _) => "TrueHD".to_owned(),
        (b"samr" | b"sawb", _) => "AMR".to_owned(),
        (b"ulaw", _) => "mu-law".to_owned(),
        (b"alaw", _) => "A-law".to_owned(),
        (b"ima4", _) => "ADPCM".to_owned(),
        (b"enca", Some(format)) => format!("encrypted sound ({})", four(&format)),
        (b"enca", None) => "encrypted sound".to_owned(),
        (name, _) => format!("the codec '{}'", four(name)),
    }
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
            1 | 2 if self.short_frames => Some("AAC with 960 samples per frame".into()),
            1 | 2 => None,
            0 => Some("AAC with its own channel layout".into()),
            6 => Some("AAC 5.1".into()),
            n => Some(format!("AAC with {n} channels")),
        }
    }
}
