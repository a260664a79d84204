#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

mod cache;
mod codec;
mod ebml;
mod ffmpeg;
mod foreign;
mod info;
mod isobmff;
mod ixml;
mod photo;
mod reader;
mod riff;
mod sniff;
mod source;
mod track;
mod writer;

pub use coeval_error::{Error, ErrorKind, Result};

pub use cache::{Cache, Identity, Key};
pub use ffmpeg::{luma_frames, still};
pub use info::{MediaInfo, PictureInfo, Rational, SoundInfo};
pub use ixml::Ixml;
pub use photo::{PhotoInfo, probe_photo};
pub use reader::{Hole, OpenOptions, SoundReader, container_of, probe, probe_picture};
pub use writer::{Bext, SampleFormat, WavOptions, WavWriter, restamp};

/// The version of this crate.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
