//! Reads through an `ffmpeg` on PATH what pure Rust cannot, on the same presentation time.
//!
//! ffmpeg hands out samples without timestamps, and shifts its input so that the earliest track starts
//! at zero. Where the container has a timeline of its own (`-copyts`), that shift is wrong; where it
//! has none (transport and program streams), it is what a player does. `aresample` pads and cuts the
//! sound to its timestamps.

use std::ffi::OsString;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use coeval_error::{Error, ErrorKind, Result};

use crate::codec::{Decoder, Packet, Pcm, PcmKind};
use crate::info::{MediaInfo, PictureInfo, Rational, SoundInfo};
use crate::track::{Opened, PacketReader, Segment};

/// Frames a packet.
const PACKET_FRAMES: usize = 4096;
/// Bytes of header before ffmpeg's sound at most.
const MAX_HEADER: u64 = 1 << 20;

/// Opens a file of any kind that ffmpeg knows. `own_timeline`: timestamps are presentation time.
pub(crate) fn open(path: &Path, own_timeline: bool) -> Result<Opened> {
    let banner = banner(path)?;
    let Some(codec) =
        after(&banner, "Audio: ").map(|s| s.split([' ', ',', '\n']).next().unwrap_or_default().to_owned())
    else {
        return Err(if banner.contains("Stream #") {
            Error::new(ErrorKind::NoSound, "there is no sound track")
                .with_path(path)
                .with_remedy("leave it out: there is nothing to hear in it")
        } else {
            gave_up(path)
        });
    };
    let mut process = Process::start(path, own_timeline)?;
    let (rate_hz, channels) = process.header().ok_or_else(|| gave_up(path))?;
    let duration_s = after(&banner, "Duration: ").and_then(clock).unwrap_or(0.0);
    let info = MediaInfo {
        container: "through ffmpeg",
        duration_s,
        sound: Some(SoundInfo { codec, rate_hz, channels, bits: None, start_is_exact: true, frames: None }),
        picture: picture(&banner, duration_s),
        created_unix_s: None,
        timecode_s: None,
        timecode: after(&banner, "timecode").and_then(|t| t.split_once(": ")).map(|t| first_word(t.1).to_owned()),
        ixml: None,
        device: None,
    };
    let decoder = Decoder::pcm(Pcm { kind: PcmKind::F32, big_endian: false }, channels);
    let packets = Piped { path: path.to_path_buf(), own_timeline, process, channels, next: 0 };
    Ok(Opened {
        info,
        packets: Box::new(packets),
        decoder,
        segments: vec![Segment { start: 0, len: u64::MAX / 4, media_start: 0 }],
        tolerance: 0,
        warnings: vec!["read through ffmpeg".into()],
    })
}

fn gave_up(path: &Path) -> Error {
    Error::new(ErrorKind::Unsupported, "ffmpeg cannot read its sound either")
        .with_path(path)
        .with_remedy("convert its sound to WAV with the tools of the device that made it")
}

/// A name that ffmpeg can take for nothing but a file.
fn file_url(path: &Path) -> OsString {
    let mut url = OsString::from("file:");
    url.push(path);
    url
}

fn command() -> Command {
    let mut c = Command::new("ffmpeg");
    c.args(["-nostdin", "-hide_banner", "-protocol_whitelist", "file,pipe"]).stdin(Stdio::null());
    c
}

fn not_there(path: &Path, e: std::io::Error) -> Error {
    let message = if e.kind() == std::io::ErrorKind::NotFound {
        "this needs ffmpeg, which is not on PATH".to_owned()
    } else {
        format!("ffmpeg could not be started ({e})")
    };
    Error::new(ErrorKind::Unsupported, message)
        .with_path(path)
        .with_remedy("install ffmpeg, or convert the sound to WAV")
        .with_source(e)
}

/// Hands the frames of a file's picture to `take`, scaled to `size` (width, height), as 8-bit luma row by row, with their
/// presentation times in seconds, as an `ffmpeg` on PATH decodes them. `frame_rate` is the picture's own; frames of
/// varying length are repeated or left out to keep it.
///
/// # Errors
/// [`Unsupported`](ErrorKind::Unsupported) when there is no ffmpeg or it finds no picture,
/// [`InvalidArgument`](ErrorKind::InvalidArgument) for a rate or size of 0, and what `take` answers.
pub fn luma_frames(
    path: &Path,
    frame_rate: [u32; 2],
    size: (usize, usize),
    take: &mut dyn FnMut(&[u8], f64) -> Result<()>,
) -> Result<()> {
    let ([num, den], (width, height)) = (frame_rate, size);
    if num == 0 || den == 0 || width == 0 || height == 0 {
        return Err(Error::new(
            ErrorKind::InvalidArgument,
            format!("frames of {width} by {height} at {num}/{den} a second"),
        ));
    }
    let remedy = "install ffmpeg, or place the file by an anchor";
    let mut c = command();
    // A timeline that starts at zero: a picture that begins later repeats its first frame until then.
    c.args(["-v", "error", "-copyts", "-i"]).arg(file_url(path)).args(["-map", "0:v:0", "-vf"]);
    c.arg(format!("fps={num}/{den}:start_time=0,scale={width}:{height}:flags=area,format=gray"));
    c.args(["-f", "rawvideo", "-pix_fmt", "gray", "pipe:1"]);
    let mut child =
        c.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().map_err(|e| not_there(path, e).with_remedy(remedy))?;
    let out = child.stdout.take().ok_or_else(|| Error::new(ErrorKind::Internal, "ffmpeg gave no output"))?;
    let mut process = Process { _child: Ended(child), sound: BufReader::with_capacity(256 * 1024, out) };
    let mut luma = vec![0; width * height];
    let mut count = 0u64;
    loop {
        match process.sound.read_exact(&mut luma) {
            Err(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => break,
            other => other.map_err(|e| Error::io(path, e))?,
        }
        take(&luma, count as f64 * f64::from(den) / f64::from(num))?;
        count += 1;
    }
    if count == 0 {
        return Err(Error::new(ErrorKind::Unsupported, "ffmpeg finds no picture in it").with_path(path));
    }
    Ok(())
}

/// Bytes of a small picture at most: more is none.
const MAX_STILL: u64 = 1 << 20;
/// How often a run that has not ended is asked whether to go on.
const ASK_AGAIN: Duration = Duration::from_millis(50);

/// The picture that is shown `at_s` seconds after a file's start, as a JPEG of `height` pixels, as an `ffmpeg` on PATH
/// decodes it. It takes `longest` at most; `go_on` is asked meanwhile, and ends it with `false`.
///
/// # Errors
/// [`Unsupported`](ErrorKind::Unsupported) when there is no ffmpeg, or it gives no picture, or takes longer;
/// [`Cancelled`](ErrorKind::Cancelled); [`InvalidArgument`](ErrorKind::InvalidArgument) for a time before zero or a height
/// of 0.
pub fn still(path: &Path, at_s: f64, height: usize, longest: Duration, go_on: &dyn Fn() -> bool) -> Result<Vec<u8>> {
    if !(0.0..=1e9).contains(&at_s) || height == 0 {
        let what = format!("a picture of {height} pixels at {at_s} s");
        return Err(Error::new(ErrorKind::InvalidArgument, what));
    }
    let none = |why: &str| Err(Error::new(ErrorKind::Unsupported, why).with_path(path));
    let mut c = command();
    // One thread: several files are read at once.
    c.args(["-v", "error", "-threads", "1", "-ss", &format!("{at_s:.3}"), "-i"]).arg(file_url(path));
    c.args(["-map", "0:v:0", "-frames:v", "1", "-vf", &format!("scale=-2:{height}:flags=area,format=yuvj420p")]);
    c.args(["-c:v", "mjpeg", "-q:v", "7", "-flags:v", "+bitexact", "-f", "image2pipe", "pipe:1"]);
    let remedy = "install ffmpeg, or leave the pictures out";
    let mut child =
        c.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().map_err(|e| not_there(path, e).with_remedy(remedy))?;
    let out = child.stdout.take().ok_or_else(|| Error::new(ErrorKind::Internal, "ffmpeg gave no output"))?;
    let process = Ended(child);
    let (give, take) = channel();
    let until = Instant::now() + longest;
    std::thread::scope(|scope| {
        // Ended before the scope waits for its reader, which then has no more to read.
        let _process = process;
        scope.spawn(move || {
            let mut picture = Vec::new();
            let read = out.take(MAX_STILL).read_to_end(&mut picture).map(|_| picture);
            // Nobody waits for it after the time is over.
            let _ = give.send(read);
        });
        loop {
            match take.recv_timeout(ASK_AGAIN) {
                Ok(read) => {
                    let picture = read.map_err(|e| Error::io(path, e))?;
                    // Start and end of image (ITU-T T.81, table B.1).
                    let is_whole = picture.starts_with(&[0xff, 0xd8]) && picture.ends_with(&[0xff, 0xd9]);
                    return if is_whole { Ok(picture) } else { none("ffmpeg gives no picture of it") };
                }
                Err(RecvTimeoutError::Disconnected) => return none("ffmpeg gives no picture of it"),
                Err(RecvTimeoutError::Timeout) if !go_on() => return Err(Error::cancelled()),
                Err(RecvTimeoutError::Timeout) if Instant::now() >= until => {
                    return none("ffmpeg takes too long for a picture of it");
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    })
}

/// A child that is ended when it is dropped.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        // It may have ended by itself; either way it must be waited for.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What ffmpeg says about the file.
fn banner(path: &Path) -> Result<String> {
    let out = command().arg("-i").arg(file_url(path)).output().map_err(|e| not_there(path, e))?;
    Ok(String::from_utf8_lossy(&out.stderr).into_owned())
}

fn after<'a>(text: &'a str, mark: &str) -> Option<&'a str> {
    text.split_once(mark).map(|(_, rest)| rest)
}

fn first_word(text: &str) -> &str {
    text.split_whitespace().next().unwrap_or_default()
}

/// `hh:mm:ss.cc` in seconds.
fn clock(text: &str) -> Option<f64> {
    let mut parts = text.split([',', '\n']).next()?.trim().split(':');
    let (h, m, s) = (parts.next()?, parts.next()?, parts.next()?);
    Some((h.parse::<f64>().ok()? * 60.0 + m.parse::<f64>().ok()?) * 60.0 + s.parse::<f64>().ok()?)
}

fn picture(banner: &str, duration_s: f64) -> Option<PictureInfo> {
    let line = after(banner, "Video: ")?.lines().next()?;
    let fps = line.split(" fps").next()?.rsplit(' ').next()?.parse::<f64>().ok()?;
    let size = line.split([' ', ',']).find_map(|word| {
        let (w, h) = word.split_once('x')?;
        Some((w.parse().ok()?, h.parse().ok()?))
    })?;
    Some(PictureInfo {
        frame_rate: Rational::near(fps, true),
        variable_rate: false,
        capture_rate: None,
        size,
        duration_s,
        start_s: 0.0,
    })
}

/// One run of ffmpeg, ended when it is dropped.
struct Process {
    _child: Ended,
    /// What it writes.
    sound: BufReader<ChildStdout>,
}

impl Process {
    fn start(path: &Path, own_timeline: bool) -> Result<Self> {
        let mut c = command();
        c.args(["-v", "error"]);
        if own_timeline {
            c.arg("-copyts");
        }
        c.arg("-i").arg(file_url(path));
        c.args(["-map", "0:a:0", "-af", "aresample=async=1:min_hard_comp=0.01:first_pts=0"]);
        c.args(["-c:a", "pcm_f32le", "-f", "wav", "pipe:1"]);
        let mut child = c.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().map_err(|e| not_there(path, e))?;
        match child.stdout.take() {
            Some(out) => Ok(Self { _child: Ended(child), sound: BufReader::with_capacity(256 * 1024, out) }),
            None => Err(Error::new(ErrorKind::Internal, "ffmpeg gave no output").with_path(path)),
        }
    }

    /// Rate and channels from the WAV header; reading then stands at the first sample.
    fn header(&mut self) -> Option<(u32, usize)> {
        let mut head = [0; 12];
        self.sound.read_exact(&mut head).ok()?;
        let mut format = None;
        let mut left = MAX_HEADER;
        loop {
            let mut h = [0; 8];
            self.sound.read_exact(&mut h).ok()?;
            let size = u64::from(u32::from_le_bytes([h[4], h[5], h[6], h[7]]));
            if h[..4] == *b"data" {
                return format
                    .filter(|(rate, channels)| (1000..=768_000).contains(rate) && (1..=64).contains(channels));
            }
            left = left.checked_sub(size)?;
            let mut body = Vec::new();
            Read::by_ref(&mut self.sound).take(size + (size & 1)).read_to_end(&mut body).ok()?;
            if h[..4] == *b"fmt " && body.len() >= 16 {
                let channels = usize::from(u16::from_le_bytes([body[2], body[3]]));
                format = Some((u32::from_le_bytes([body[4], body[5], body[6], body[7]]), channels));
            }
        }
    }
}

struct Piped {
    path: PathBuf,
    own_timeline: bool,
    process: Process,
    channels: usize,
    next: i64,
}

impl PacketReader for Piped {
    fn next(&mut self, packet: &mut Packet, _notes: &mut Vec<String>) -> Result<bool> {
        let frame_bytes = self.channels * 4;
        packet.data.clear();
        Read::by_ref(&mut self.process.sound)
            .take((PACKET_FRAMES * frame_bytes) as u64)
            .read_to_end(&mut packet.data)
            .map_err(|e| Error::io(&self.path, e))?;
        packet.frame = self.next;
        (packet.trim_start, packet.trim_end) = (0, 0);
        self.next += (packet.data.len() / frame_bytes) as i64;
        Ok(packet.data.len() >= frame_bytes)
    }

    fn seek(&mut self, frame: i64) -> Result<()> {
        // Forward by reading on, backward from the beginning: ffmpeg's own seeks are not exact to the sample.
        if frame < self.next {
            self.process = Process::start(&self.path, self.own_timeline)?;
            self.process.header().ok_or_else(|| gave_up(&self.path))?;
            self.next = 0;
        }
        Ok(())
    }
}
