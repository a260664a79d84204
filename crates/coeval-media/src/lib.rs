#![doc = include_str!("../README.md")]
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
pub use reader::{Hole, OpenOptions, SoundReader, container_of, probe, probe_picture};
pub use writer::{Bext, SampleFormat, WavOptions, WavWriter};
