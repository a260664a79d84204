//! How a shoot is aligned.

use std::num::NonZeroUsize;

use coeval::options::OptionTable as _;
use coeval::pair::PairOptions;
use coeval::{Error, Result};
use coeval_media::OpenOptions;

use crate::anchors::Anchor;
use crate::chapters::GroupingOptions;

coeval::options! {
    /// How a shoot is aligned. The defaults suit most shoots.
    #[derive(Debug, Clone)]
    #[non_exhaustive]
    pub struct Options {
        /// If sound does not place a camera, look in its picture for a clap that other devices heard. Needs an `ffmpeg`
        /// on PATH.
        pub picture: bool = false, 0.0..=1.0;
        /// Mark photos on the timeline by the times in their files (Exif), to seconds at best.
        pub photos: bool = false, 0.0..=1.0;
        /// Trust the files' own times (timecode, or creation time) to within this many seconds, and search only there.
        /// By default these times are not trusted.
        pub trusted_times_s: Option<f64> = None, 0.0..=1e9;
        /// Limit of the slow second search, hours of sound; both files of a pair count. It is for files that the first look
        /// does not place. The most promising pairs come first.
        pub in_depth_h: f64 = 12.0, 0.0..=1e6;
    } and {
        /// How files are opened.
        pub open: OpenOptions = OpenOptions::default();
        /// How two files are compared.
        pub pair: PairOptions = PairOptions::default();
        /// Files to leave out: names relative to the folder given, or file names; `*` matches any characters.
        pub exclude: Vec<String> = Vec::new();
        /// Which files form one recording, and what kind of device made it.
        pub grouping: GroupingOptions = GroupingOptions::default();
        /// The recording whose clock is the reference clock: its id, or the name of one of its files (`*` matches any
        /// characters). Its event is then the first. `None`: the recording that covers most of its event, or a camera if
        /// one covers as much.
        pub main: Option<String> = None;
        /// Moments that the user knows to match.
        pub anchors: Vec<Anchor> = Vec::new();
        /// Distances from device to source: a recording's id or the name of its files (`*` matches any characters), and
        /// metres. Sound takes 2.9 ms per metre; this delay is compensated.
        pub distances_m: Vec<(String, f64)> = Vec::new();
        /// How many files are read or compared at once. `None`: the number of cores.
        pub threads: Option<NonZeroUsize> = None;
    }
}

impl Options {
    /// [`in_depth_h`](Self::in_depth_h) in seconds.
    pub(crate) fn in_depth_s(&self) -> f64 {
        3600.0 * self.in_depth_h
    }

    pub(crate) fn check(&self) -> Result<()> {
        self.check_ranges()?;
        match self.distances_m.iter().find(|d| !(0.0..=1000.0).contains(&d.1)) {
            Some((name, metres)) => Err(Error::invalid(format!("{name} at {metres} m: not within 0 to 1000 m"))),
            None => Ok(()),
        }
    }
}
