//! `coeval align`.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use clap::Args;
use coeval::{Error, ErrorKind};
use coeval_deliver::otio::{References, to_otio};
use coeval_shoot::chapters::Chapters;
use coeval_shoot::{Alignment, Found, Kind, Options, OutFolder};

use crate::{Console, Failure, Watch, exit, show};

/// What lies in OUT.
const OUT_NAMES: &[&str] = &[ALIGNMENT, TIMELINE];
const ALIGNMENT: &str = "alignment.json";
const TIMELINE: &str = "timeline.otio";

/// Reads the recordings, finds how their clocks relate, and prints a table. With -o it also writes
/// alignment.json (every file's place, see the JSON Schema in crates/coeval-shoot/schema) and
/// timeline.otio (OpenTimelineIO). The recordings themselves are never changed.
#[derive(Args)]
#[command(after_help = crate::EXIT_CODES)]
pub(crate) struct AlignArgs {
    /// A folder with the recordings, or files
    #[arg(required = true, value_name = "FOLDER|FILE")]
    paths: Vec<PathBuf>,
    /// Folder for the results; made if it is missing
    #[arg(short, long, value_name = "OUT")]
    out: Option<PathBuf>,
    /// Let results go into a folder that holds other things; files of the same names are written over
    #[arg(long, requires = "out")]
    replace: bool,
    /// Let OUT lie within the folder of the recordings
    #[arg(long, requires = "out")]
    inside: bool,
    /// Refer to the recordings by absolute path in timeline.otio, not relative to OUT
    #[arg(long, requires = "out")]
    absolute: bool,
    /// Print alignment.json instead of the table
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    how: How,
}

/// What the user knows better.
#[derive(Args)]
pub(crate) struct How {
    /// The recording whose clock the timeline takes: its id or one of its files [default: the longest camera]
    #[arg(long, value_name = "ID|FILE")]
    main: Option<String>,
    /// These files are chapters of the recording ID; `*` stands for any characters; may be repeated
    #[arg(long, value_name = "ID=FILE")]
    recording: Vec<String>,
    /// What made a recording: camera, recorder or other; may be repeated
    #[arg(long, value_name = "ID|FILE=KIND")]
    kind: Vec<String>,
    /// Do not join chapters: every file is a recording of its own
    #[arg(long)]
    keep_apart: bool,
    /// Largest difference of two clocks that is searched, in ppm (at most 1200)
    #[arg(long, value_name = "PPM", default_value_t = 500.0)]
    max_drift_ppm: f64,
    /// Read what pure Rust cannot (HE-AAC, AC-3, MPEG-TS) through the `ffmpeg` on PATH
    #[arg(long)]
    allow_ffmpeg: bool,
    /// Files worked on at once [default: number of cores]
    #[arg(long, value_name = "N")]
    threads: Option<NonZeroUsize>,
}

impl How {
    pub(crate) fn options(&self) -> Result<Options, Error> {
        let mut options = Options::default();
        options.open.allow_ffmpeg = self.allow_ffmpeg;
        if !(0.0..=1200.0).contains(&self.max_drift_ppm) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("--max-drift-ppm is {}, not within 0 to 1200", self.max_drift_ppm),
            ));
        }
        options.pair.max_drift_ppm = self.max_drift_ppm;
        options.main = self.main.clone();
        options.threads = self.threads;
        if self.keep_apart {
            options.grouping.chapters = Chapters::KeepApart;
        }
        for text in &self.recording {
            let (id, file) = split(text, "--recording", "ID=FILE", str::split_once)?;
            options.grouping.recordings.push((id, file));
        }
        for text in &self.kind {
            // A file name may hold `=` itself; a kind never does.
            let (target, kind) = split(text, "--kind", "FILE=KIND", str::rsplit_once)?;
            let known = [Kind::Camera, Kind::Recorder, Kind::Other];
            let kind = known.into_iter().find(|k| k.as_str() == kind).ok_or_else(|| {
                Error::new(ErrorKind::InvalidArgument, format!("--kind: {kind:?} is not camera, recorder or other"))
            })?;
            options.grouping.kinds.push((target, kind));
        }
        Ok(options)
    }
}

type SplitAt<'a> = fn(&'a str, char) -> Option<(&'a str, &'a str)>;

fn split<'a>(text: &'a str, option: &str, shape: &str, at: SplitAt<'a>) -> Result<(String, String), Error> {
    match at(text, '=') {
        Some((left, right)) if !left.is_empty() && !right.is_empty() => Ok((left.to_owned(), right.to_owned())),
        _ => Err(Error::new(ErrorKind::InvalidArgument, format!("{option}: {text:?} is not of the form {shape}"))),
    }
}

pub(crate) fn run(args: &AlignArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let options = args.how.options()?;
    let found = coeval_shoot::find(&args.paths)?;
    // Before the work, so that nobody waits an hour to hear that the result may not be written.
    let out = args.out.as_deref().map(|out| open_out(out, &found, args.replace, args.inside)).transpose()?;
    let alignment = aligned(&found, &options, console)?;
    if let Some(out) = &out {
        write(out, &alignment, &found, args.absolute)?;
    }
    if args.json {
        console.out.write_all(alignment.to_json()?.as_bytes())?;
    } else {
        show::table(console.out, &alignment, |_| None)?;
        if let Some(out) = &args.out {
            writeln!(console.out, "\nWritten to {}: {}", show::path(out), OUT_NAMES.join(", "))?;
        }
    }
    Ok(code(&alignment))
}

pub(crate) fn open_out(out: &Path, found: &Found, replace: bool, inside: bool) -> Result<OutFolder, Failure> {
    match OutFolder::check(out, &found.folders, OUT_NAMES, replace, inside) {
        Ok(out) => Ok(out),
        // A refused folder is no mistake in the grammar of the command line.
        Err(e) if e.kind() == ErrorKind::InvalidArgument => {
            let mut refused = Error::new(ErrorKind::OutputExists, e.message()).with_path(out);
            if let Some(remedy) = e.remedy() {
                refused = refused.with_remedy(remedy);
            }
            Err(refused.into())
        }
        Err(e) => Err(e.into()),
    }
}

pub(crate) fn aligned(found: &Found, options: &Options, console: &Console<'_>) -> Result<Alignment, Error> {
    let watch = Watch::new(console.bar, console.stop);
    let result = coeval_shoot::align_found(found, options, &watch);
    watch.finish();
    result
}

pub(crate) fn write(out: &OutFolder, alignment: &Alignment, found: &Found, absolute: bool) -> Result<(), Error> {
    let media = found.root.clone();
    let references = if absolute {
        References::Absolute { media }
    } else {
        References::Relative { media, timeline: out.path().to_path_buf() }
    };
    let name = found.root.file_name().map_or("timeline".into(), |n| n.to_string_lossy());
    let timeline = to_otio(alignment, &name, &references)?;
    out.write(ALIGNMENT, alignment.to_json()?.as_bytes())?;
    out.write(TIMELINE, timeline.as_bytes())?;
    Ok(())
}

fn code(alignment: &Alignment) -> u8 {
    let together = alignment.recordings.iter().filter(|r| r.files.iter().any(|f| f.is_placed())).count();
    if together < 2 {
        exit::NOTHING_DONE
    } else if alignment.files().all(|f| f.is_placed()) {
        exit::ALL_PLACED
    } else {
        exit::SOME_LEFT
    }
}
