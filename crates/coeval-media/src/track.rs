//! What a container's reader hands over: packets of one sound track, and how the presentation shows them.

use coeval_error::{Error, ErrorKind, Result};

use crate::codec::{Decoder, Packet};
use crate::info::MediaInfo;
use crate::source::Source;

/// A stretch of presentation that shows media: frames of the sound's rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Segment {
    pub(crate) start: u64,
    pub(crate) len: u64,
    pub(crate) media_start: i64,
}

/// Packets of one sound track, in order of time.
pub(crate) trait PacketReader: Send {
    /// Replaces `packet` by the next one; `false` at the end. What was wrong but could be read past
    /// goes to `notes`.
    fn next(&mut self, packet: &mut Packet, notes: &mut Vec<String>) -> Result<bool>;

    /// Goes to the packet that holds this frame of the track's own time, or to an earlier one.
    fn seek(&mut self, frame: i64) -> Result<()>;
}

/// What a container's reader hands over.
pub(crate) struct Opened {
    pub(crate) info: MediaInfo,
    pub(crate) packets: Box<dyn PacketReader>,
    pub(crate) decoder: Decoder,
    pub(crate) segments: Vec<Segment>,
    /// Frames by which a packet's timestamp may be off its counted place without being believed;
    /// 0 where timestamps count samples.
    pub(crate) tolerance: i64,
    pub(crate) warnings: Vec<String>,
}

/// A known format in a variety that is not read here.
pub(crate) fn unsupported(source: &Source, name: &str) -> Error {
    source.error(
        ErrorKind::Unsupported,
        format!("Coeval itself cannot read {name}"),
        "let ffmpeg read it (allow_ffmpeg; the command's --allow-ffmpeg), or convert its sound to WAV",
    )
}

pub(crate) fn check_rate(source: &Source, rate_hz: u64) -> Result<()> {
    if (1000..=768_000).contains(&rate_hz) {
        return Ok(());
    }
    Err(source.error(
        ErrorKind::Damaged,
        format!("the header gives a sampling rate of {rate_hz} Hz (1000 to 768000 are read)"),
        "copy it again from the device",
    ))
}

pub(crate) fn check_channels(source: &Source, channels: usize) -> Result<()> {
    if (1..=64).contains(&channels) {
        return Ok(());
    }
    Err(source.error(
        ErrorKind::Damaged,
        format!("the header gives {channels} channels (1 to 64 are read)"),
        "copy it again from the device",
    ))
}
