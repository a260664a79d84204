//! From packets to interleaved `f32` samples.

use std::panic::{AssertUnwindSafe, catch_unwind};

use symphonia::core::codecs::audio::{
    AudioCodecId, AudioCodecParameters, AudioDecoder, AudioDecoderOptions, well_known as id,
};
use symphonia::core::packet::PacketRef;
use symphonia::core::units::{Duration, Timestamp};

/// One packet of a sound track.
#[derive(Default)]
pub(crate) struct Packet {
    /// The coded bytes.
    pub data: Vec<u8>,
    /// Where its first decoded frame lies on the track's own time, in frames.
    pub frame: i64,
    /// Frames to drop at the start and at the end of what it decodes to.
    pub trim_start: u32,
    pub trim_end: u32,
}

/// How PCM samples lie in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Pcm {
    pub kind: PcmKind,
    pub big_endian: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PcmKind {
    U8,
    S8,
    S16,
    S24,
    S32,
    F32,
    F64,
}

impl Pcm {
    /// Signed integer (unsigned at 8 bits when `unsigned_8`) of so many bytes.
    pub(crate) fn integer(bytes: usize, big_endian: bool, unsigned_8: bool) -> Option<Self> {
        let kind = match bytes {
            1 if unsigned_8 => PcmKind::U8,
            1 => PcmKind::S8,
            2 => PcmKind::S16,
            3 => PcmKind::S24,
            4 => PcmKind::S32,
            _ => return None,
        };
        Some(Self { kind, big_endian })
    }

    /// Floating point of so many bytes.
    pub(crate) fn float(bytes: usize, big_endian: bool) -> Option<Self> {
        let kind = match bytes {
            4 => PcmKind::F32,
            8 => PcmKind::F64,
            _ => return None,
        };
        Some(Self { kind, big_endian })
    }

    /// Bytes a sample.
    pub(crate) fn bytes(self) -> usize {
        match self.kind {
            PcmKind::U8 | PcmKind::S8 => 1,
            PcmKind::S16 => 2,
            PcmKind::S24 => 3,
            PcmKind::S32 | PcmKind::F32 => 4,
            PcmKind::F64 => 8,
        }
    }

    /// In words, for people.
    pub(crate) fn name(self) -> String {
        match self.kind {
            PcmKind::F32 | PcmKind::F64 => format!("PCM {}-bit float", self.bytes() * 8),
            _ => format!("PCM {}-bit", self.bytes() * 8),
        }
    }

    /// Appends whole samples to `out`.
    fn decode(self, data: &[u8], out: &mut Vec<f32>) {
        fn each<const N: usize>(data: &[u8], big_endian: bool, out: &mut Vec<f32>, f: impl Fn([u8; N]) -> f32) {
            let (samples, _) = data.as_chunks::<N>();
            if big_endian {
                out.extend(samples.iter().map(|s| {
                    let mut s = *s;
                    s.reverse();
                    f(s)
                }));
            } else {
                out.extend(samples.iter().map(|s| f(*s)));
            }
        }
        let be = self.big_endian;
        match self.kind {
            PcmKind::U8 => each::<1>(data, be, out, |b| (f32::from(b[0]) - 128.0) / 128.0),
            PcmKind::S8 => each::<1>(data, be, out, |b| f32::from(b[0] as i8) / 128.0),
            PcmKind::S16 => each::<2>(data, be, out, |b| f32::from(i16::from_le_bytes(b)) / 32768.0),
            PcmKind::S24 => {
                each::<3>(data, be, out, |b| (i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8) as f32 / 8_388_608.0);
            }
            PcmKind::S32 => each::<4>(data, be, out, |b| (f64::from(i32::from_le_bytes(b)) / 2_147_483_648.0) as f32),
            PcmKind::F32 => each::<4>(data, be, out, f32::from_le_bytes),
            PcmKind::F64 => each::<8>(data, be, out, |b| f64::from_le_bytes(b) as f32),
        }
    }
}

/// A decoder with what its codec asks of a seek.
pub(crate) struct Decoder {
    kind: DecoderKind,
    /// Channels that come out, fixed at the start.
    pub channels: usize,
    /// Frames that must be decoded before the wanted one, so that it comes out right.
    pub pre_roll: i64,
}

enum DecoderKind {
    Pcm(Pcm),
    Symphonia(Box<dyn AudioDecoder>),
    Opus(Box<Opus>),
}

impl Decoder {
    /// PCM needs no pre-roll.
    pub(crate) fn pcm(pcm: Pcm, channels: usize) -> Self {
        Self { kind: DecoderKind::Pcm(pcm), channels, pre_roll: 0 }
    }

    /// One of Symphonia's decoders, or Opus. `trims`: drop the block that a fresh Vorbis decoder makes
    /// of its first packet, for containers whose timestamps do not count it.
    pub(crate) fn new(params: &AudioCodecParameters, channels: usize, trims: bool) -> Result<Self, String> {
        if params.codec == id::CODEC_ID_OPUS {
            let head = params.extra_data.as_deref().unwrap_or_default();
            return Ok(Self {
                kind: DecoderKind::Opus(Box::new(Opus::new(head, channels)?)),
                channels,
                // RFC 7845 section 4.6 asks for at least 80 ms; 200 ms cost next to nothing and come out closer.
                pre_roll: 9600,
            });
        }
        let decoder = guarded(|| {
            symphonia::default::get_codecs().make_audio_decoder(params, &AudioDecoderOptions::default().gapless(trims))
        })?
        .map_err(|e| e.to_string())?;
        let pre_roll = match params.codec {
            // One packet is overlapped with the one before; one more for a change of window shape.
            id::CODEC_ID_AAC => 2 * 1024,
            // The longest Vorbis block is 8192 frames.
            id::CODEC_ID_VORBIS => 2 * 8192,
            // The bit reservoir reaches back 511 bytes: at most 9 packets at the lowest bit rate, and one overlaps.
            id::CODEC_ID_MP1 | id::CODEC_ID_MP2 | id::CODEC_ID_MP3 => 12 * 1152,
            _ => 0,
        };
        Ok(Self { kind: DecoderKind::Symphonia(decoder), channels, pre_roll })
    }

    /// Forgets what came before, at a seek.
    pub(crate) fn reset(&mut self) {
        match &mut self.kind {
            DecoderKind::Pcm(_) => {}
            DecoderKind::Symphonia(decoder) => decoder.reset(),
            DecoderKind::Opus(opus) => opus.reset(),
        }
    }

    /// Replaces `out` by the packet's interleaved samples; trims are already applied.
    pub(crate) fn decode(&mut self, packet: &Packet, out: &mut Vec<f32>) -> Result<(), String> {
        out.clear();
        let channels = self.channels;
        match &mut self.kind {
            DecoderKind::Pcm(pcm) => {
                pcm.decode(&packet.data, out);
                out.truncate(out.len() / channels * channels);
            }
            DecoderKind::Symphonia(decoder) => {
                // The decoder trims by itself where it knows how (MP3, Vorbis).
                let mut bare = PacketRef::new(0, Timestamp::new(packet.frame), Duration::ZERO, &packet.data);
                bare.trim_start = Duration::new(packet.trim_start.into());
                bare.trim_end = Duration::new(packet.trim_end.into());
                guarded(|| -> Result<(), String> {
                    let block = decoder.decode_ref(&bare).map_err(|e| e.to_string())?;
                    if block.spec().channels().count() != channels {
                        return Err(format!(
                            "the number of channels changes from {channels} to {}",
                            block.spec().channels().count()
                        ));
                    }
                    block.copy_to_vec_interleaved(out);
                    Ok(())
                })??;
            }
            DecoderKind::Opus(opus) => {
                guarded(|| opus.decode(&packet.data, out))??;
                let frames = out.len() / channels;
                let end = frames.saturating_sub(packet.trim_end as usize);
                out.truncate(end * channels);
                out.drain(..(packet.trim_start as usize).min(end) * channels);
            }
        }
        Ok(())
    }
}

/// Runs code of another crate on bytes that nobody vouches for: a panic in it becomes an error.
pub(crate) fn guarded<T>(f: impl FnOnce() -> T) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(f)).map_err(|_| "the decoder gave up on broken data".to_owned())
}

/// Opus at 48 kHz, one to eight channels (RFC 7845 section 5.1).
struct Opus {
    stream: OpusStream,
    head: Vec<u8>,
    channels: usize,
    gain: f32,
    pcm: Vec<f32>,
}

enum OpusStream {
    Plain(Box<opus_rs::OpusDecoder>),
    Multi(Box<opus_rs::multistream::MultistreamDecoder>),
}

/// The longest packet lasts 120 ms.
const OPUS_MAX_FRAMES: usize = 5760;

impl Opus {
    /// `head` is the whole `OpusHead`, or empty for plain mono and stereo.
    fn new(head: &[u8], channels: usize) -> Result<Self, String> {
        let family = head.get(18).copied().unwrap_or(0);
        let stream = if family == 0 && channels <= 2 {
            OpusStream::Plain(Box::new(opus_rs::OpusDecoder::new(48_000, channels)?))
        } else {
            let table = u8::try_from(channels)
                .ok()
                .and_then(|n| {
                    opus_rs::multistream::ChannelMappingTable::parse(family, n, head.get(19..).unwrap_or_default())
                })
                .filter(|t| t.coupled_count <= t.stream_count && t.stream_count > 0)
                .ok_or("the Opus channel table is broken")?;
            OpusStream::Multi(Box::new(opus_rs::multistream::MultistreamDecoder::new(48_000, table)?))
        };
        // Output gain in dB / 256, to be applied by the decoder (RFC 7845 section 5.1).
        let gain_q8 = head.get(16..18).map_or(0, |b| i16::from_le_bytes([b[0], b[1]]));
        let gain = 10f32.powf(f32::from(gain_q8) / (20.0 * 256.0));
        Ok(Self { stream, head: head.to_vec(), channels, gain, pcm: vec![0.0; OPUS_MAX_FRAMES * channels] })
    }

    fn reset(&mut self) {
        if let Ok(fresh) = Self::new(&self.head, self.channels) {
            *self = fresh;
        }
    }

    fn decode(&mut self, data: &[u8], out: &mut Vec<f32>) -> Result<(), String> {
        let frames = match &mut self.stream {
            OpusStream::Plain(decoder) => decoder.decode(data, OPUS_MAX_FRAMES, &mut self.pcm)?,
            OpusStream::Multi(decoder) => decoder.decode(data, OPUS_MAX_FRAMES, &mut self.pcm)?,
        };
        let samples = &self.pcm[..(frames * self.channels).min(self.pcm.len())];
        out.extend(samples.iter().map(|s| s * self.gain));
        Ok(())
    }
}

/// A codec's name for people.
pub(crate) fn codec_name(codec: AudioCodecId) -> &'static str {
    match codec {
        id::CODEC_ID_AAC => "AAC-LC",
        id::CODEC_ID_ALAC => "ALAC",
        id::CODEC_ID_FLAC => "FLAC",
        id::CODEC_ID_MP1 => "MPEG audio layer I",
        id::CODEC_ID_MP2 => "MPEG audio layer II",
        id::CODEC_ID_MP3 => "MP3",
        id::CODEC_ID_OPUS => "Opus",
        id::CODEC_ID_VORBIS => "Vorbis",
        id::CODEC_ID_AC3 => "AC-3",
        id::CODEC_ID_EAC3 => "E-AC-3",
        id::CODEC_ID_DCA => "DTS",
        id::CODEC_ID_TRUEHD => "TrueHD",
        id::CODEC_ID_WMA => "WMA",
        id::CODEC_ID_WAVPACK => "WavPack",
        id::CODEC_ID_PCM_S16LE | id::CODEC_ID_PCM_S16BE => "PCM 16-bit",
        id::CODEC_ID_PCM_S24LE | id::CODEC_ID_PCM_S24BE => "PCM 24-bit",
        id::CODEC_ID_PCM_S32LE | id::CODEC_ID_PCM_S32BE => "PCM 32-bit",
        id::CODEC_ID_PCM_F32LE | id::CODEC_ID_PCM_F32BE => "PCM 32-bit float",
        id::CODEC_ID_PCM_F64LE | id::CODEC_ID_PCM_F64BE => "PCM 64-bit float",
        id::CODEC_ID_PCM_S8 | id::CODEC_ID_PCM_U8 => "PCM 8-bit",
        id::CODEC_ID_PCM_ALAW => "PCM A-law",
        id::CODEC_ID_PCM_MULAW => "PCM mu-law",
        _ => "an unknown codec",
    }
}
