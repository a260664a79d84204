//! Reads the sound of media files on presentation time.
//!
//! Sample zero is what a player plays first: the container's edit list, the encoder's delay and
//! padding, a late start and holes in the timestamps are already applied (holes read as silence).
//!
//! ```no_run
//! use coeval_media::{OpenOptions, SoundReader};
//!
//! let mut sound = SoundReader::open("CAM_A_001.MP4".as_ref(), &OpenOptions::default())?;
//! let mut block = Vec::new();
//! while sound.read(&mut block)? > 0 { /* interleaved samples, 1.0 = full scale */ }
//! # Ok::<(), coeval_media::Error>(())
//! ```
//!
//! # How a file is read
//! 1. The first bytes name the container (never the file's name).
//! 2. A *track* (one per container family) hands out coded packets, each with its place on the
//!    track's own time, in frames of the sound's rate: `riff` for WAV and its 64-bit relatives,
//!    `isobmff` for MP4 and MOV, `foreign` for what Symphonia takes apart, `ffmpeg` on request.
//! 3. A *decoder* (`codec`) turns packets into samples.
//! 4. [`SoundReader`] lays the samples out on presentation time, segment by segment of the edit
//!    list, and fills with silence what no packet covers.
//!
//! # How to add a reader
//! Write a module with `open(Source) -> Result<Opened>`: fill [`MediaInfo`], make a decoder, list the
//! presentation's segments, and implement the trait `Track` of the module `track` (`next` hands out packets in order of
//! time, `seek` jumps to the packet that holds a frame, or to an earlier one). Add the magic bytes to
//! `sniff`. Then add the container to `tests/fixtures/make.py` with a click at a known time, and to
//! the table in `tests/tests/presentation_time.rs`; the true time must follow from how the file was
//! made, not from another reader.
#![forbid(unsafe_code)]

mod codec;
mod ebml;
mod ffmpeg;
mod foreign;
mod info;
mod isobmff;
mod reader;
mod riff;
mod sniff;
mod source;
mod track;
mod writer;

pub use coeval_error::{Error, ErrorKind, Result};

pub use ffmpeg::luma_frames;
pub use info::{MediaInfo, PictureInfo, Rational, SoundInfo};
pub use reader::{Hole, OpenOptions, SoundReader, probe, probe_picture};
pub use writer::{Bext, SampleFormat, WavOptions, WavWriter};
