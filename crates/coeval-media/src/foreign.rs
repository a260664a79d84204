//! Containers that Symphonia takes apart: FLAC, MP3, ADTS, Ogg, Matroska and WebM, AIFF, CAF.
//!
//! Their timestamps count samples, except Matroska's, which are rounded (mostly to a millisecond):
//! there the first packet and holes go by time, and what lies between is counted.

use coeval_error::{Error, ErrorKind, Result};
use symphonia::core::codecs::CodecParameters;
use symphonia::core::codecs::audio::{AudioCodecId, AudioCodecParameters, well_known as id};
use symphonia::core::formats::{FormatOptions, FormatReader, SeekMode, SeekTo, Track, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::units::Timestamp;
use symphonia::default::formats as readers;

use crate::codec::{Decoder, Packet, codec_name, guarded};
use crate::ebml::{self, TrackHeaders};
use crate::info::{MediaInfo, SoundInfo};
use crate::source::Source;
use crate::track::{Opened, PacketReader, Segment, check_channels, check_rate, unsupported};

/// A stream that starts later than this many seconds is taken to count from somewhere else.
const LATE_START_S: i64 = 10;

/// A container that Symphonia reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Flac,
    Mpeg,
    Adts,
    Ogg,
    Matroska,
    Aiff,
    Caf,
}

impl Kind {
    fn name(self) -> &'static str {
        match self {
            Kind::Flac => "FLAC",
            Kind::Mpeg => "MP3",
            Kind::Adts => "AAC (ADTS)",
            Kind::Ogg => "Ogg",
            Kind::Matroska => "Matroska",
            Kind::Aiff => "AIFF",
            Kind::Caf => "CAF",
        }
    }

    fn reader(self, source: Source, start: u64) -> Result<Box<dyn FormatReader>> {
        let path = source.path().to_path_buf();
        let stream = MediaSourceStream::new(Box::new(source.into_stream(start)?), MediaSourceStreamOptions::default());
        let options = FormatOptions::default();
        let opened = guarded(|| -> symphonia::core::errors::Result<Box<dyn FormatReader>> {
            Ok(match self {
                Kind::Flac => Box::new(readers::FlacReader::try_new(stream, options)?),
                Kind::Mpeg => Box::new(readers::MpaReader::try_new(stream, options)?),
                Kind::Adts => Box::new(readers::AdtsReader::try_new(stream, options)?),
                Kind::Ogg => Box::new(readers::OggReader::try_new(stream, options)?),
                Kind::Matroska => Box::new(readers::MkvReader::try_new(stream, options)?),
                Kind::Aiff => Box::new(readers::AiffReader::try_new(stream, options)?),
                Kind::Caf => Box::new(readers::CafReader::try_new(stream, options)?),
            })
        });
        let message = match opened {
            Ok(Ok(reader)) => return Ok(reader),
            Ok(Err(symphonia::core::errors::Error::IoError(e))) if e.kind() != std::io::ErrorKind::UnexpectedEof => {
                return Err(Error::io(path, e));
            }
            Ok(Err(e)) => e.to_string(),
            Err(e) => e,
        };
        Err(Error::new(ErrorKind::Damaged, format!("the {} file cannot be read ({message})", self.name()))
            .with_path(path)
            .with_remedy("copy it again from the device"))
    }
}

/// Opens a file of `kind` that begins at `start`, behind a tag.
pub(crate) fn open(mut source: Source, kind: Kind, start: u64) -> Result<Opened> {
    let matroska = match kind {
        Kind::Matroska => ebml::headers(&mut source)?,
        _ => ebml::Headers::default(),
    };
    let again = source.reopen()?;
    let reader = kind.reader(source, start)?;
    let (track, mut params) = sound_track(reader.as_ref(), &again)?;
    let headers = matroska.tracks.iter().find(|t| t.number == u64::from(track.id));
    let rate_hz = sampling_rate(&again, &params, headers)?;
    let channels = match params.extra_data.as_deref() {
        Some(head) if params.codec == id::CODEC_ID_OPUS && head.len() >= 10 => usize::from(head[9]),
        _ => params.channels.as_ref().map_or(0, |c| c.count()),
    };
    check_rate(&again, rate_hz.into())?;
    let codec = match (codec_name(params.codec), headers) {
        ("an unknown codec", Some(t)) => format!("the codec {}", t.codec_id),
        (known, _) => known.to_owned(),
    };
    check_channels(&again, channels)?;
    if params.codec == id::CODEC_ID_OPUS {
        params.with_sample_rate(rate_hz);
    }
    // Matroska counts what a decoder's very first packet stands for; elsewhere the demuxer states what to cut.
    let decoder = Decoder::new(&params, channels, kind != Kind::Matroska).map_err(|_| unsupported(&again, &codec))?;
    let time_base = track.time_base.map_or((1, u64::from(rate_hz)), |b| (b.numer.get().into(), b.denom.get().into()));
    let codec_delay_ns = headers.map_or(0, |t| t.codec_delay_ns);
    let delay_ticks = (codec_delay_ns * time_base.1) / (1_000_000_000 * time_base.0);
    let mut delay_frames = delay_frames(kind, &params, codec_delay_ns, rate_hz);
    let mut warnings = Vec::new();
    let start_ticks = track.start_ts.get();
    if kind == Kind::Ogg && start_ticks > LATE_START_S * i64::from(rate_hz) {
        // Cut from a running stream, whose counts go on from its start; a player starts here.
        let start_s = start_ticks / i64::from(rate_hz);
        warnings.push(format!("its timestamps start at {start_s} s; its first packet was taken as the start"));
        delay_frames += start_ticks as u128;
    }
    let frames = number_of_frames(kind, &track, params.codec, delay_frames as u64);
    let tick_s = time_base.0 as f64 / time_base.1 as f64;
    let duration_s = match (frames, track.duration.map(|d| d.get()).or(track.num_frames)) {
        (Some(n), _) => n as f64 / f64::from(rate_hz),
        (None, _) if kind == Kind::Matroska => matroska.duration_s.unwrap_or(0.0),
        (None, Some(ticks)) => ticks as f64 * tick_s,
        (None, None) => 0.0,
    };
    // Of MP3 only a gapless header says where the sound begins and ends.
    let ends_are_known = kind != Kind::Mpeg || track.delay.is_some();
    let sound = SoundInfo {
        codec,
        rate_hz,
        channels,
        bits: params.bits_per_sample.filter(|_| !lossy(params.codec)),
        start_is_exact: ends_are_known && kind != Kind::Adts,
        frames,
    };
    // Rounded timestamps: two ticks, and a millisecond of jitter.
    let rounding = (2.0 * tick_s * f64::from(rate_hz)) as i64 + i64::from(rate_hz) / 1000;
    let packets = Foreign {
        again,
        start,
        kind,
        reader,
        track_id: track.id,
        rate: rate_hz.into(),
        time_base,
        raw_shift_ticks: delay_ticks as i64,
        shift_frames: delay_frames as i64,
        broken: false,
        last: i64::MIN,
        end_is_known: ends_are_known,
    };
    Ok(Opened {
        info: media_info(kind, &matroska, sound, duration_s),
        packets: Box::new(packets),
        decoder,
        segments: vec![Segment { start: 0, len: frames.unwrap_or(u64::MAX / 4), media_start: 0 }],
        tolerance: if kind == Kind::Matroska { rounding } else { 0 },
        warnings,
    })
}

/// The default sound track, else the first, and its codec's parameters.
fn sound_track(reader: &dyn FormatReader, source: &Source) -> Result<(Track, AudioCodecParameters)> {
    let track = reader.default_track(TrackType::Audio).or_else(|| reader.first_track(TrackType::Audio));
    let Some(track) = track.cloned() else {
        return Err(source.error(
            ErrorKind::NoSound,
            "there is no sound track",
            "leave it out: there is nothing to hear in it",
        ));
    };
    match track.codec_params.clone() {
        Some(CodecParameters::Audio(params)) => Ok((track, params)),
        _ => Err(unsupported(source, "a sound track without a description")),
    }
}

/// The rate that the codec's own configuration gives, which the container's may contradict, hertz.
fn sampling_rate(source: &Source, params: &AudioCodecParameters, headers: Option<&TrackHeaders>) -> Result<u32> {
    let rate_hz = params.sample_rate.unwrap_or(0);
    if params.codec == id::CODEC_ID_OPUS {
        return Ok(48_000);
    }
    let aac = || params.extra_data.as_deref().and_then(crate::isobmff::AacConfig::parse);
    let Some((t, aac)) = headers.filter(|t| t.codec_id.starts_with("A_AAC")).zip(aac()) else { return Ok(rate_hz) };
    match aac.refusal(t.output_rate_hz.unwrap_or(rate_hz)) {
        Some(name) => Err(unsupported(source, &name)),
        None => Ok(aac.rate_hz),
    }
}

/// Frames that come out of the decoder before the presentation begins.
fn delay_frames(kind: Kind, params: &AudioCodecParameters, codec_delay_ns: u64, rate_hz: u32) -> u128 {
    match (kind, params.codec, params.extra_data.as_deref().and_then(|h| h.get(10..12))) {
        // Granule positions count the pre-skip too (RFC 7845 section 4.3).
        (Kind::Ogg, id::CODEC_ID_OPUS, Some(&[low, high])) => u16::from_le_bytes([low, high]).into(),
        _ => (u128::from(codec_delay_ns) * u128::from(rate_hz) + 500_000_000) / 1_000_000_000,
    }
}

/// How many frames are presented, where the container says so.
fn number_of_frames(kind: Kind, track: &Track, codec: AudioCodecId, delay_frames: u64) -> Option<u64> {
    match kind {
        // Symphonia's count for MP3 is exact only with a gapless header; else it is an estimate.
        Kind::Mpeg if track.delay.is_none() => None,
        Kind::Adts | Kind::Matroska => None,
        // The packet table may count whole packets.
        Kind::Caf if codec == id::CODEC_ID_ALAC => None,
        Kind::Ogg => track.num_frames.map(|n| n.saturating_sub(delay_frames)),
        _ => track.num_frames,
    }
}

fn media_info(kind: Kind, matroska: &ebml::Headers, sound: SoundInfo, sound_s: f64) -> MediaInfo {
    let picture = matroska.picture();
    MediaInfo {
        container: match kind {
            Kind::Matroska if matroska.webm => "WebM",
            _ => kind.name(),
        },
        duration_s: picture.as_ref().map_or(sound_s, |p| sound_s.max(p.start_s + p.duration_s)),
        sound: Some(sound),
        picture,
        created_unix_s: matroska.created_unix_s,
        timecode_s: None,
        timecode: None,
        ixml: None,
        device: None,
    }
}

fn lossy(codec: AudioCodecId) -> bool {
    matches!(
        codec,
        id::CODEC_ID_AAC
            | id::CODEC_ID_MP1
            | id::CODEC_ID_MP2
            | id::CODEC_ID_MP3
            | id::CODEC_ID_OPUS
            | id::CODEC_ID_VORBIS
    )
}

struct Foreign {
    again: Source,
    start: u64,
    kind: Kind,
    reader: Box<dyn FormatReader>,
    track_id: u32,
    rate: i128,
    time_base: (u64, u64),
    /// What the reader already took off each timestamp for the codec's delay, in whole ticks, and
    /// the delay itself in frames.
    raw_shift_ticks: i64,
    shift_frames: i64,
    broken: bool,
    /// The place of the last packet handed out.
    last: i64,
    /// `false` where the reader only guesses the length: then its cuts at the end are not followed.
    end_is_known: bool,
}

impl Foreign {
    fn to_frames(&self, ticks: i64) -> i64 {
        let (numer, denom) = (i128::from(self.time_base.0), i128::from(self.time_base.1));
        let ticks = i128::from(ticks) + i128::from(self.raw_shift_ticks);
        let frames = (2 * ticks * numer * self.rate + denom).div_euclid(2 * denom);
        frames.clamp(i128::from(i64::MIN / 4), i128::from(i64::MAX / 4)) as i64 - self.shift_frames
    }

    fn to_ticks(&self, frame: i64) -> i64 {
        let (numer, denom) = (i128::from(self.time_base.0), i128::from(self.time_base.1));
        let ticks = (i128::from(frame + self.shift_frames) * denom).div_euclid(self.rate * numer);
        ticks.clamp(i128::from(i64::MIN / 4), i128::from(i64::MAX / 4)) as i64 - self.raw_shift_ticks
    }
}

impl PacketReader for Foreign {
    fn next(&mut self, packet: &mut Packet, notes: &mut Vec<String>) -> Result<bool> {
        while !self.broken {
            let reader = &mut self.reader;
            match guarded(|| reader.next_packet()) {
                Ok(Ok(Some(p))) if p.track_id == self.track_id => {
                    packet.trim_start = p.trim_start.get().min(u32::MAX.into()) as u32;
                    packet.trim_end = if self.end_is_known { p.trim_end.get().min(u32::MAX.into()) as u32 } else { 0 };
                    packet.frame = self.to_frames(p.pts.get()) + i64::from(packet.trim_start);
                    self.last = packet.frame;
                    packet.data.clear();
                    packet.data.extend_from_slice(&p.data);
                    return Ok(true);
                }
                Ok(Ok(Some(_))) => {}
                Ok(Ok(None)) => return Ok(false),
                Ok(Err(symphonia::core::errors::Error::IoError(e)))
                    if e.kind() == std::io::ErrorKind::UnexpectedEof =>
                {
                    notes.push("the file breaks off in the middle of its sound: read up to there".into());
                    self.broken = true;
                }
                Ok(Err(symphonia::core::errors::Error::IoError(e))) => return Err(Error::io(self.again.path(), e)),
                Ok(Err(e)) => {
                    notes.push(format!("the file is damaged from here on ({e}): read up to there"));
                    self.broken = true;
                }
                Err(e) => {
                    notes.push(format!("the file is damaged from here on ({e}): read up to there"));
                    self.broken = true;
                }
            }
        }
        Ok(false)
    }

    fn seek(&mut self, frame: i64) -> Result<()> {
        let ts = Timestamp::new(self.to_ticks(frame));
        let (reader, track_id) = (&mut self.reader, self.track_id);
        self.broken = false;
        if self.kind == Kind::Matroska {
            // Symphonia 0.6.1 takes a cue's time for its cluster's, which shifts every timestamp up to the
            // next cluster: go on from here, or from the beginning.
            if frame > self.last {
                return Ok(());
            }
        } else if frame > 0
            && let Ok(Ok(_)) = guarded(|| reader.seek(SeekMode::Accurate, SeekTo::Timestamp { ts, track_id }))
        {
            return Ok(());
        }
        // Before the start, or no way to jump: from the beginning, and the caller reads up to the place.
        self.reader = self.kind.reader(self.again.reopen()?, self.start)?;
        self.last = i64::MIN;
        Ok(())
    }
}
