//! How a shoot is aligned.

use std::num::NonZeroUsize;

use coeval::pair::PairOptions;
use coeval::{Error, Result};
use coeval_media::OpenOptions;

use crate::anchors::Anchor;
use crate::chapters::Grouping;

/// How a shoot is aligned. The defaults serve.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct Options {
    /// How files are opened.
    pub open: OpenOptions,
    /// How two files are compared.
    pub pair: PairOptions,
    /// Which files form one recording, and what kind of device made it.
    pub grouping: Grouping,
    /// The recording whose clock the timeline takes: its id, or the name of one of its files (`*` stands for any
    /// characters). Its event is then the first. `None`: the recording that covers most of its event; a camera where one
    /// covers it alike.
    pub main: Option<String>,
    /// The user's own correspondences.
    pub anchors: Vec<Anchor>,
    /// May the picture of cameras that sound does not place be looked at for a filmed clap? Needs an `ffmpeg` on PATH.
    pub picture: bool,
    /// How far the files' own times may be off, seconds, where the user trusts them: two files are then looked for only
    /// where their timecodes put them or, when one has none, the moments at which they say they were made. `None`:
    /// their times are not believed.
    pub trusted_times_s: Option<f64>,
    /// How far devices were from what they recorded: a recording's id or the name of its files (`*` stands for any
    /// characters), and metres. A far microphone hears late, 2.9 ms a metre; that is taken back.
    pub distances_m: Vec<(String, f64)>,
    /// How many files are read or compared at once. `None`: as many as the machine has cores.
    pub threads: Option<NonZeroUsize>,
}

impl Options {
    pub(crate) fn check(&self) -> Result<()> {
        if let Some(off_s) = self.trusted_times_s
            && !(off_s.is_finite() && off_s >= 0.0)
        {
            return Err(Error::invalid(format!("times trusted to {off_s} s: not a number of seconds from 0 up")));
        }
        match self.distances_m.iter().find(|d| !(0.0..=1000.0).contains(&d.1)) {
            Some((name, metres)) => Err(Error::invalid(format!("{name} at {metres} m: not within 0 to 1000 m"))),
            None => Ok(()),
        }
    }
}
