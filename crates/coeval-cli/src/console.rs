//! What the commands share: where they print, how they are stopped, what they end with.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use coeval::progress::Progress;
use coeval::{Error, ErrorKind};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::show;

/// What the command ends with.
pub mod exit {
    /// Every file is placed, with confidence of at least 99 %.
    pub const ALL_PLACED: u8 = 0;
    /// The command line is wrong.
    pub const USAGE: u8 = 1;
    /// Nothing was done.
    pub const NOTHING_DONE: u8 = 2;
    /// Done, except for some files.
    pub const SOME_LEFT: u8 = 3;
    /// Stopped by Ctrl-C.
    pub const INTERRUPTED: u8 = 130;
}

/// What they mean in all commands; each command's own help says more.
pub(crate) const EXIT_CODES: &str = "\
Exit codes:
  0    done: all of it
  1    the command line is wrong
  2    nothing was done
  3    done, except for some files
  130  interrupted with Ctrl-C; no incomplete file is left behind
`coeval help COMMAND` says what they mean for a command.";

/// How progress is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ShownAs {
    /// Not at all.
    Nothing,
    /// A bar, for a terminal.
    Bar,
    /// Lines `progress SHARE STAGE`, for a program: the share of the stage that is done, 0 to 1.
    Lines,
}

/// Where the command prints, and how it is stopped.
pub struct Console<'a> {
    /// Results.
    pub out: &'a mut dyn Write,
    /// Failures.
    pub err: &'a mut dyn Write,
    /// How the process's standard error shows progress.
    pub progress: ShownAs,
    /// Set to stop the work.
    pub stop: &'a AtomicBool,
}

/// Output whose reader may have seen enough (`coeval align ... | head -1`): the rest goes nowhere, and the exit
/// code still tells how the work went.
pub(crate) struct WhileRead<'a>(pub(crate) &'a mut dyn Write);

impl Write for WhileRead<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        match self.0.write(bytes) {
            Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(bytes.len()),
            other => other,
        }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        match self.0.flush() {
            Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            other => other,
        }
    }
}

/// Why a command ended early.
pub(crate) enum Failure {
    /// The work failed.
    Work(Error),
    /// The results could not be printed.
    Output(std::io::Error),
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        Failure::Work(error)
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Failure::Output(error)
    }
}

impl Failure {
    pub(crate) fn line(&self) -> String {
        match self {
            Failure::Work(e) => show::printable(&e.to_string()),
            Failure::Output(e) => format!("cannot print the result: {e}"),
        }
    }

    pub(crate) fn code(&self) -> u8 {
        match self {
            Failure::Work(e) if e.kind() == ErrorKind::Cancelled => exit::INTERRUPTED,
            // Patterns and ids of the command line that fit nothing.
            Failure::Work(e) if e.kind() == ErrorKind::InvalidArgument => exit::USAGE,
            _ => exit::NOTHING_DONE,
        }
    }
}

/// Where this process writes results.
static RESULTS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// Notes that results are written into a folder from now on, for [`give_up`].
pub(crate) fn writes_into(folder: &Path) {
    RESULTS.lock().unwrap_or_else(|e| e.into_inner()).push(folder.to_path_buf());
}

/// Removes what is unfinished of the results, says that the work was stopped, and returns the exit code for it: for a process
/// that must end although [`run`](crate::run) does not, since some work listens to nobody for a while.
pub fn give_up() -> u8 {
    for folder in RESULTS.lock().unwrap_or_else(|e| e.into_inner()).iter() {
        // What cannot be removed, the next run into this folder removes.
        let _ = coeval_shoot::clear_unfinished(folder);
    }
    let stopped = Failure::Work(Error::cancelled());
    // A progress bar may stand in this line.
    let _ = writeln!(std::io::stderr(), "\ncoeval: {}", stopped.line());
    stopped.code()
}

/// Shows progress on a terminal and listens for the wish to stop.
pub(crate) struct Watch<'a> {
    bar: Option<ProgressBar>,
    /// The last line, where there are lines.
    last: Option<Mutex<String>>,
    stop: &'a AtomicBool,
}

impl<'a> Watch<'a> {
    pub(crate) fn new(shown: ShownAs, stop: &'a AtomicBool) -> Self {
        let bar = (shown == ShownAs::Bar).then(|| {
            let style =
                ProgressStyle::with_template("{msg:16} {wide_bar} {percent:>3} %  {elapsed}, {eta} left of this step")
                    .unwrap_or_else(|_| ProgressStyle::default_bar());
            ProgressBar::with_draw_target(Some(1000), ProgressDrawTarget::stderr()).with_style(style)
        });
        let last = (shown == ShownAs::Lines).then(Mutex::default);
        Self { bar, last, stop }
    }

    pub(crate) fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

impl Progress for Watch<'_> {
    fn report(&self, stage: &str, done: f64) -> bool {
        if let Some(bar) = &self.bar {
            if bar.message() != stage {
                bar.set_message(stage.to_owned());
            }
            bar.set_position((done * 1000.0) as u64);
        }
        if let Some(last) = &self.last {
            let line = format!("progress {done:.3} {stage}");
            let mut last = last.lock().unwrap_or_else(|e| e.into_inner());
            if *last != line {
                // Nobody may be listening any more; the work goes on.
                let _ = writeln!(std::io::stderr(), "{line}");
                *last = line;
            }
        }
        !self.stop.load(Ordering::SeqCst)
    }
}
