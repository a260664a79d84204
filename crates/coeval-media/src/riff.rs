//! WAV and its 64-bit relatives.
//!
//! RIFF/WAVE (IBM & Microsoft, Multimedia Programming Interface 1.0, 1991; WAVEFORMATEXTENSIBLE),
//! `bext` (EBU Tech 3285 v2), RF64 and BW64 with `ds64` (EBU Tech 3306, ITU-R BS.2088), and the
//! 64-bit variety whose chunks are named by GUIDs (W64).

use coeval_error::{ErrorKind, Result};

use crate::codec::{Decoder, Packet, Pcm};
use crate::info::{MediaInfo, SoundInfo, device_name};
use crate::ixml::{Ixml, MOST_BYTES};
use crate::source::Source;
use crate::track::{Opened, PacketReader, Segment, check_channels, check_rate, unsupported};

/// Chunks looked at before the search is given up.
const MAX_CHUNKS: usize = 10_000;
/// Bytes of a `fmt `, `bext` or `ds64` chunk that are of interest.
const MAX_HEADER: usize = 1024;

struct Format {
    pcm: Pcm,
    channels: usize,
    rate_hz: u32,
    bits: u32,
}

/// Which of the formats a file is in.
struct Variety {
    name: &'static str,
    w64: bool,
    /// Has `ds64` for lengths that need 64 bits.
    big: bool,
    riff_size: u64,
}

impl Variety {
    fn of(head: &[u8; 40]) -> Self {
        let (name, big) = match &head[..4] {
            b"RF64" => ("RF64", true),
            b"BW64" => ("BW64", true),
            b"riff" => ("W64", false),
            _ => ("WAV", false),
        };
        Self { name, w64: head[..4] == *b"riff", big, riff_size: u64::from(u32_le(&head[4..])) }
    }

    /// Why a sound of `size` bytes, by its header, is taken to reach to the end of the file of `length` bytes, of which
    /// `left` are left.
    fn unfinished(&self, size: u64, left: u64, length: u64) -> Option<&'static str> {
        // A finished header that says 0 means an empty recording; an unfinished one means that
        // the recorder never came to fill it in.
        let finished = !self.w64 && !self.big && self.riff_size + 8 >= length && self.riff_size != 0xFFFF_FFFF;
        if size <= left && (size > 0 || left == 0 || finished) {
            return None;
        }
        Some(match size {
            0 | 0xFFFF_FFFF => "the length of its sound was never written",
            _ => "its sound is shorter than the header says",
        })
    }
}

/// What the chunks say.
#[derive(Default)]
struct Chunks {
    format: Option<Format>,
    /// First byte and number of bytes of the sound.
    data: Option<(u64, u64)>,
    ds64_data: Option<u64>,
    time_reference: Option<u64>,
    created: Option<i64>,
    device: Option<String>,
    ixml: Option<Ixml>,
}

impl Chunks {
    fn read(source: &mut Source, variety: &Variety, warnings: &mut Vec<String>) -> Result<Self> {
        let mut found = Self::default();
        let mut at: u64 = if variety.w64 { 40 } else { 12 };
        for _ in 0..MAX_CHUNKS {
            let Some((id, mut size, body)) = chunk(source, at, variety.w64)? else { break };
            match &id {
                b"ds64" if variety.big => {
                    let b = source.slice(body, 28, 0)?;
                    if b.len() >= 16 {
                        found.ds64_data = Some(u64_le(&b[8..]));
                    }
                }
                b"fmt " => {
                    let b = source.slice(body, size.min(MAX_HEADER as u64) as usize, 0)?.to_vec();
                    found.format = Some(read_format(source, &b)?);
                }
                b"bext" => {
                    let b = source.slice(body, 602, 0)?;
                    if b.len() >= 346 {
                        found.time_reference = Some(u64_le(&b[338..]));
                        found.created = originated(&b[320..338]);
                        found.device = device_name(&b[256..288]);
                    }
                }
                b"iXML" if found.ixml.is_none() => {
                    let length = size.min(MOST_BYTES) as usize;
                    found.ixml = Ixml::read(source.slice(body, length, 0)?);
                }
                b"data" if found.data.is_none() => {
                    if variety.big && (size == 0xFFFF_FFFF || size == 0) {
                        size = found.ds64_data.unwrap_or(size);
                    }
                    let left = source.len() - body;
                    if let Some(why) = variety.unfinished(size, left, source.len()) {
                        warnings.push(format!(
                            "{why} (the recorder lost power, or the copy broke off): read to the end of the file"
                        ));
                        size = left;
                    }
                    found.data = Some((body, size));
                }
                _ => {}
            }
            // Chunks are padded to an even length (W64: to 8 bytes).
            let padded = if variety.w64 { size.checked_next_multiple_of(8) } else { size.checked_add(size & 1) };
            match padded.and_then(|size| body.checked_add(size)) {
                Some(next) if next < source.len() => at = next,
                _ => break,
            }
        }
        Ok(found)
    }
}

/// Opens a file whose first bytes name one of the formats above.
pub(crate) fn open(mut source: Source) -> Result<Opened> {
    let head: [u8; 40] = source.array(0, 4096)?.ok_or_else(|| short(&source))?;
    let variety = Variety::of(&head);
    let mut warnings = Vec::new();
    let Chunks { format, data, time_reference, created, device, ixml, .. } =
        Chunks::read(&mut source, &variety, &mut warnings)?;
    let Some(format) = format else {
        return Err(source.error(
            ErrorKind::Damaged,
            "the WAV file has no format chunk",
            "copy it again from the device",
        ));
    };
    let frame_bytes = (format.pcm.bytes() * format.channels) as u64;
    let Some((data_start, data_len)) = data else {
        return Err(source.error(
            ErrorKind::NoSound,
            "the WAV file has no sound data",
            "leave it out, or copy it again from the device",
        ));
    };
    let frames = data_len / frame_bytes;
    if frames == 0 {
        return Err(source.error(ErrorKind::NoSound, "the WAV file holds no sound (0 samples)", "leave it out"));
    }
    let rate = f64::from(format.rate_hz);
    let by_ixml = ixml.as_ref().and_then(|i| i.timestamp).map(|(samples, rate_hz)| samples as f64 / f64::from(rate_hz));
    let info = MediaInfo {
        container: variety.name,
        duration_s: frames as f64 / rate,
        sound: Some(SoundInfo {
            codec: format.pcm.name(),
            rate_hz: format.rate_hz,
            channels: format.channels,
            bits: Some(format.bits),
            start_is_exact: true,
            frames: Some(frames),
        }),
        picture: None,
        created_unix_s: created,
        timecode_s: time_reference.map(|t| t as f64 / rate).or(by_ixml),
        timecode: None,
        ixml,
        device,
    };
    let packet_frames = (256 * 1024 / frame_bytes).clamp(1, 4096);
    let decoder = Decoder::pcm(format.pcm, format.channels);
    let packets = Wave { source, data_start, frames, frame_bytes, packet_frames, next: 0 };
    Ok(Opened {
        info,
        packets: Box::new(packets),
        decoder,
        segments: vec![Segment { start: 0, len: frames, media_start: 0 }],
        tolerance: 0,
        warnings,
    })
}

/// Name, size and first byte of the chunk at `at`.
fn chunk(source: &mut Source, at: u64, w64: bool) -> Result<Option<([u8; 4], u64, u64)>> {
    if w64 {
        let Some(h) = source.array::<24>(at, 4096)? else { return Ok(None) };
        let id = [h[0], h[1], h[2], h[3]];
        Ok(u64_le(&h[16..]).checked_sub(24).map(|size| (id, size, at + 24)))
    } else {
        let Some(h) = source.array::<8>(at, 4096)? else { return Ok(None) };
        Ok(Some(([h[0], h[1], h[2], h[3]], u64::from(u32_le(&h[4..])), at + 8)))
    }
}

fn read_format(source: &Source, b: &[u8]) -> Result<Format> {
    if b.len() < 16 {
        return Err(short(source));
    }
    let mut tag = u16_le(b);
    let channels = usize::from(u16_le(&b[2..]));
    let rate_hz = u32_le(&b[4..]);
    let align = usize::from(u16_le(&b[12..]));
    let bits = u32::from(u16_le(&b[14..]));
    let mut valid_bits = bits;
    if tag == 0xFFFE && b.len() >= 40 {
        valid_bits = match u32::from(u16_le(&b[18..])) {
            0 => bits,
            n => n.min(bits),
        };
        tag = u16_le(&b[24..]);
    }
    check_channels(source, channels)?;
    check_rate(source, rate_hz.into())?;
    // The container of a sample follows from the alignment; a broken alignment from the bits.
    let from_bits = (bits as usize).div_ceil(8);
    let bytes = if align > 0 && align.is_multiple_of(channels) && align / channels >= from_bits {
        align / channels
    } else {
        from_bits
    };
    let pcm = match tag {
        1 => Pcm::integer(bytes, false, true),
        3 => Pcm::float(bytes, false),
        _ => None,
    };
    let Some(pcm) = pcm else {
        let name = match tag {
            1 => format!("PCM of {bits} bits"),
            3 => format!("floating point of {bits} bits"),
            2 | 0x11 => "ADPCM".into(),
            6 => "A-law".into(),
            7 => "mu-law".into(),
            0x50 | 0x55 => "MPEG audio in WAV".into(),
            0x2000 => "AC-3 in WAV".into(),
            other => format!("WAV codec 0x{other:04X}"),
        };
        return Err(unsupported(source, &name));
    };
    Ok(Format { pcm, channels, rate_hz, bits: valid_bits })
}

/// Seconds since 1970 of an origination date `yyyy-mm-dd` and time `hh:mm:ss` (any separators; EBU
/// Tech 3285 section 2.3), which is local time. Unset fields are zero or blank.
fn originated(b: &[u8]) -> Option<i64> {
    let number = |range: std::ops::Range<usize>| std::str::from_utf8(&b[range]).ok()?.trim().parse::<i64>().ok();
    let (year, month, day) = (number(0..4)?, number(5..7)?, number(8..10)?);
    let (hour, minute, second) = (number(10..12)?, number(13..15)?, number(16..18)?);
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) || year < 1900 {
        return None;
    }
    Some(((days_since_1970(year, month, day) * 24 + hour) * 60 + minute) * 60 + second)
}

/// Days from 1970-01-01 in the proleptic Gregorian calendar.
pub(crate) fn days_since_1970(year: i64, month: i64, day: i64) -> i64 {
    // Years that begin in March put the leap day at the end.
    let (y, m) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    let era = y.div_euclid(400);
    let of_era = y.rem_euclid(400);
    era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + (153 * m + 2) / 5 + day - 1 - 719_468
}

fn short(source: &Source) -> coeval_error::Error {
    source.error(ErrorKind::Damaged, "the WAV file ends inside its header", "copy it again from the device")
}

fn u16_le(b: &[u8]) -> u16 {
    u16::from_le_bytes([b[0], b[1]])
}

fn u32_le(b: &[u8]) -> u32 {
    u32::from_le_bytes([b[0], b[1], b[2], b[3]])
}

fn u64_le(b: &[u8]) -> u64 {
    u64::from(u32_le(b)) | u64::from(u32_le(&b[4..])) << 32
}

/// The sound data of one file.
struct Wave {
    source: Source,
    data_start: u64,
    frames: u64,
    frame_bytes: u64,
    packet_frames: u64,
    next: u64,
}

impl PacketReader for Wave {
    fn next(&mut self, packet: &mut Packet, notes: &mut Vec<String>) -> Result<bool> {
        let n = self.packet_frames.min(self.frames - self.next);
        if n == 0 {
            return Ok(false);
        }
        let at = self.data_start + self.next * self.frame_bytes;
        let want = (n * self.frame_bytes) as usize;
        packet.data.clear();
        packet.data.extend_from_slice(self.source.slice(at, want, want as u64)?);
        packet.frame = self.next as i64;
        (packet.trim_start, packet.trim_end) = (0, 0);
        self.next += n;
        if packet.data.len() < want {
            notes.push("the file became shorter while it was read: read up to there".into());
            self.frames = self.next - n + packet.data.len() as u64 / self.frame_bytes;
            self.next = self.frames;
            packet.data.truncate(((self.frames as i64 - packet.frame) as u64 * self.frame_bytes) as usize);
        }
        Ok(!packet.data.is_empty())
    }

    fn seek(&mut self, frame: i64) -> Result<()> {
        self.next = frame.clamp(0, self.frames as i64) as u64;
        Ok(())
    }
}
