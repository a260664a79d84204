//! How a shoot is aligned.

use std::num::NonZeroUsize;

use coeval::options::OptionTable as _;
use coeval::pair::PairOptions;
use coeval::{Error, Result};
use coeval_media::OpenOptions;

use crate::anchors::Anchor;
use crate::chapters::GroupingOptions;

coeval::options! {
    /// How a shoot is aligned. The defaults serve.
    #[derive(Debug, Clone)]
    #[non_exhaustive]
    pub struct Options {
        /// Where sound does not place a camera, may its picture be looked at for a clap that others heard? Needs an
        /// `ffmpeg` on PATH.
        pub picture: bool = false, 0.0..=1.0;
        /// Believe the files' own times (timecode, or the moment of creation) to this many seconds, and look for them
        /// there only. `None`: their times are not believed.
        pub trusted_times_s: Option<f64> = None, 0.0..=1e9;
    } and {
        /// How files are opened.
        pub open: OpenOptions = OpenOptions::default();
        /// How two files are compared.
        pub pair: PairOptions = PairOptions::default();
        /// Files of folders that are not to be taken: names relative to the folder given, or file names, `*` standing for any
        /// characters.
        pub exclude: Vec<String> = Vec::new();
        /// Which files form one recording, and what kind of device made it.
        pub grouping: GroupingOptions = GroupingOptions::default();
        /// The recording whose clock the timeline takes: its id, or the name of one of its files (`*` stands for any
        /// characters). Its event is then the first. `None`: the recording that covers most of its event; a camera where
        /// one covers it alike.
        pub main: Option<String> = None;
        /// The user's own correspondences.
        pub anchors: Vec<Anchor> = Vec::new();
        /// How far devices were from what they recorded: a recording's id or the name of its files (`*` stands for any
        /// characters), and metres. A far microphone hears late, 2.9 ms a metre; that is taken back.
        pub distances_m: Vec<(String, f64)> = Vec::new();
        /// How many files are read or compared at once. `None`: as many as the machine has cores.
        pub threads: Option<NonZeroUsize> = None;
    }
}

impl Options {
    pub(crate) fn check(&self) -> Result<()> {
        self.check_ranges()?;
        match self.distances_m.iter().find(|d| !(0.0..=1000.0).contains(&d.1)) {
            Some((name, metres)) => Err(Error::invalid(format!("{name} at {metres} m: not within 0 to 1000 m"))),
            None => Ok(()),
        }
    }
}
