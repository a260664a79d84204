//! `coeval align`.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use coeval::{Error, ErrorKind, PairOptions};
use coeval_deliver::handover::{Handover, HandoverOptions, Part, SoundProblem, check_start};
use coeval_media::SampleFormat;
use coeval_shoot::chapters::Chapters;
use coeval_shoot::conform::check_tracks;
use coeval_shoot::{Alignment, Found, Kind, Options, OutFolder, align_probed, on_threads, probe};

use crate::cache::{self, CacheArgs};
use crate::console::{Console, Failure, Watch, exit, writes_into};
use crate::show;
use crate::table::Table;

#[derive(Args)]
#[command(after_help = "\
Exit codes:
  0    every file is placed with confidence of at least 99 %
  1    the command line is wrong
  2    nothing was done: the folder is missing or holds no recording, no two recordings share sound,
       or writing the output was refused
  3    done, but some files are unplaced, unreadable or to be checked (confidence below 99 %), or some
       sound could not be written; the table and the lines below it give the reasons
  130  interrupted with Ctrl-C; no incomplete file is left behind")]
pub(crate) struct AlignArgs {
    /// Folder with the recordings, or single files
    #[arg(required = true, value_name = "FOLDER|FILE")]
    paths: Vec<PathBuf>,
    /// Folder for the results; created if missing
    #[arg(short, long, value_name = "OUT")]
    out: Option<PathBuf>,
    /// Allow OUT to hold other files; files with the same names are overwritten
    #[arg(long, requires = "out")]
    replace: bool,
    /// Allow OUT to be inside the folder of the recordings
    #[arg(long, requires = "out")]
    inside: bool,
    #[command(flatten)]
    hand: HandoverArgs,
    /// List the files that would be written, but write nothing
    #[arg(long, requires = "out", conflicts_with = "json")]
    dry_run: bool,
    /// Print alignment.json instead of the table
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    shoot: ShootArgs,
}

/// What is handed over, and how.
#[derive(Args, Default)]
pub(crate) struct HandoverArgs {
    /// Write only these parts; alignment.json and READ-ME.txt are always written
    #[arg(long, requires = "out", value_name = "WHAT", value_delimiter = ',')]
    only: Vec<What>,
    /// Use absolute paths to the recordings in timeline.otio, instead of paths relative to OUT
    #[arg(long, requires = "out")]
    absolute: bool,
    /// Bit depth of the conformed sound; 32 is floating point [default: 24]
    #[arg(long, alias = "bits", requires = "out", value_name = "16|24|32")]
    bit_depth: Option<BitDepth>,
    /// Level in dB at which the camera's own sound is mixed in under its clips (0: as recorded, -12: a quarter of that)
    /// [default: not mixed in]
    #[arg(long, requires = "out", value_name = "DB", allow_negative_numbers = true)]
    camera_level: Option<f64>,
    /// Recorder tracks that go under clips: numbers from 1 or names, with commas between; `*` matches any characters
    /// [default: all if the recorder has one or two, else those named as a mix, else the first two on which something happens]
    #[arg(long, requires = "out", value_name = "TRACK", value_delimiter = ',')]
    tracks: Vec<String>,
    /// If a sound file has the name of a clip (V0001.MP4, V0001.WAV), put only this file under that clip
    #[arg(long, requires = "out")]
    own_sound: bool,
    /// Show small pictures of each clip in the report, one every few seconds; needs the program `ffmpeg`
    #[arg(long, requires = "out")]
    thumbnails: bool,
    /// Timecode at which the timeline starts [default: 01:00:00:00, drop-frame at 29.97, 59.94 and 119.88 fps]
    #[arg(long, requires = "out", value_name = "HH:MM:SS:FF")]
    start: Option<String>,
}

/// Parts of OUT by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum What {
    /// timeline.otio
    Timeline,
    /// edl/
    Edl,
    /// sound/: both kinds of conformed sound
    Sound,
    /// sound/under-clips/: recorder sound, one file for each camera clip
    UnderClips,
    /// sound/whole/: each recorder file in full, on the reference clock
    Whole,
    /// markers.csv, markers.vtt and chapters.vtt
    Markers,
    /// report.html
    Report,
}

impl What {
    fn parts(self) -> &'static [Part] {
        match self {
            What::Timeline => &[Part::Timeline],
            What::Edl => &[Part::Edl],
            What::Sound => &[Part::UnderClips, Part::Whole],
            What::UnderClips => &[Part::UnderClips],
            What::Whole => &[Part::Whole],
            What::Markers => &[Part::Markers],
            What::Report => &[Part::Report],
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum BitDepth {
    #[value(name = "16")]
    Sixteen,
    #[value(name = "24")]
    TwentyFour,
    #[value(name = "32")]
    Float,
}

impl HandoverArgs {
    pub(crate) fn options(&self, found: &Found, shoot: &Options) -> Result<HandoverOptions, Error> {
        let mut options = HandoverOptions::default();
        if !self.only.is_empty() {
            options.parts = self.only.iter().flat_map(|w| w.parts()).copied().collect();
        }
        if let Some(start) = &self.start {
            check_start(start)
                .map_err(|e| Error::new(ErrorKind::InvalidArgument, format!("--start: {}", e.message())))?;
            options.start = Some(start.clone());
        }
        if self.camera_level.is_some_and(|db| !(-120.0..=24.0).contains(&db)) {
            return Err(Error::new(ErrorKind::InvalidArgument, "--camera-level is not within -120 to 24 dB"));
        }
        options.absolute = self.absolute;
        options.thumbnails = self.thumbnails;
        options.title = found.root.file_name().map_or("timeline".into(), |n| n.to_string_lossy().into_owned());
        options.conform.camera_level_db = self.camera_level;
        options.conform.tracks = self.tracks.clone();
        options.conform.own_sound = self.own_sound;
        options.conform.format = match self.bit_depth {
            Some(BitDepth::Sixteen) => SampleFormat::Int16,
            Some(BitDepth::Float) => SampleFormat::Float32,
            _ => SampleFormat::Int24,
        };
        options.conform.open = shoot.open.clone();
        options.threads = shoot.threads;
        Ok(options)
    }
}

/// What the user knows about the recordings.
#[derive(Args)]
pub(crate) struct ShootArgs {
    /// Recording whose clock is the reference clock of the timeline: its id, or one of its files [default: the recording
    /// that covers most of the event; a camera if one covers as much]
    #[arg(long, alias = "main", value_name = "ID|FILE")]
    reference: Option<String>,
    /// Leave these files out: paths below FOLDER, or file names; `*` matches any characters; can be repeated
    #[arg(long, value_name = "FILE")]
    exclude: Vec<String>,
    /// Treat these files as chapters of one recording with this ID; `*` matches any characters; can be repeated
    #[arg(long, value_name = "ID=FILE")]
    recording: Vec<String>,
    /// Device that made a recording: camera (gets sound under its clips), recorder (its sound goes under clips) or other (is
    /// only aligned); can be repeated
    #[arg(long, value_name = "ID|FILE=KIND")]
    kind: Vec<String>,
    /// TOML or JSON file that lists moments you know to match. They place a file that the sound cannot place. If the sound
    /// contradicts one, the sound decides, unless the anchor has `hard = true`; can be repeated
    #[arg(long, value_name = "FILE")]
    anchors: Vec<PathBuf>,
    #[command(flatten)]
    table: Table<Options>,
    /// Distance from device to source in metres; compensates the acoustic delay (2.9 ms per metre); can be repeated
    #[arg(long, value_name = "ID|FILE=METRES")]
    distance: Vec<String>,
    /// Do not join chapters: treat every file as a separate recording
    #[arg(long)]
    keep_apart: bool,
    /// Largest drift between two clocks to search for, in ppm (at most 1200)
    #[arg(long, value_name = "PPM", default_value_t = PairOptions::default().max_drift_ppm)]
    max_drift_ppm: f64,
    /// Use the program `ffmpeg`, if it is installed, for formats that Coeval cannot read itself (HE-AAC, AC-3, MPEG-TS)
    #[arg(long)]
    allow_ffmpeg: bool,
    #[command(flatten)]
    cache: CacheArgs,
    /// Number of files to process at once [default: number of cores]
    #[arg(long, value_name = "N")]
    threads: Option<NonZeroUsize>,
}

impl ShootArgs {
    pub(crate) fn options(&self) -> Result<Options, Error> {
        let mut options = self.table.0.clone();
        options.open.allow_ffmpeg = self.allow_ffmpeg;
        options.open.cache = self.cache.open();
        if !(0.0..=1200.0).contains(&self.max_drift_ppm) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("--max-drift-ppm is {}, not within 0 to 1200", self.max_drift_ppm),
            ));
        }
        options.pair.max_drift_ppm = self.max_drift_ppm;
        options.main = self.reference.clone();
        options.exclude = self.exclude.clone();
        options.threads = self.threads;
        for text in &self.distance {
            let (target, metres) = split(text, "--distance", "FILE=METRES", str::rsplit_once)?;
            let metres = metres.parse().map_err(|_| {
                Error::new(ErrorKind::InvalidArgument, format!("--distance: {metres:?} is not a number of metres"))
            })?;
            options.distances_m.push((target, metres));
        }
        for path in &self.anchors {
            options.anchors.extend(coeval_shoot::read_anchors(path)?);
        }
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
        _ => Err(Error::new(ErrorKind::InvalidArgument, format!("{option}: {text:?} does not have the form {shape}"))),
    }
}

pub(crate) fn run(args: &AlignArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let options = args.shoot.options()?;
    let found = coeval_shoot::find_without(&args.paths, &options.exclude)?;
    let hand = args.hand.options(&found, &options)?;
    // Before the work, so that nobody waits an hour to hear that the result may not be written.
    let out = args.out.as_deref().map(|out| open_out(out, &found, args.replace, args.inside)).transpose()?;
    let alignment = aligned(&found, &options, &hand.conform.tracks, console)?;
    if args.json {
        console.out.write_all(show::json(&alignment.to_json()?).as_bytes())?;
    } else {
        show::table(console.out, &alignment, |_| None)?;
        show::lines(console.out, &found.passed_words())?;
        if !options.photos && !found.photos.is_empty() {
            let count = found.photos.len();
            let files = if count == 1 { "photo is" } else { "photos are" };
            show::lines(console.out, &[format!("{count} {files} not used; --photos marks them on the timeline")])?;
        }
    }
    let mut all_made = true;
    if let Some(out) = &out {
        let handover = Handover::plan(&alignment, &hand)?;
        if args.dry_run {
            writeln!(console.out, "\nWould be written to {}:", show::path(out.path()))?;
            show::items(console.out, &handover.items()?)?;
        } else {
            let outdated = out.outdated(&alignment)?.to_vec();
            let problems = write(&handover, &found, out, console)?;
            let gone: Vec<&str> =
                outdated.iter().map(String::as_str).filter(|name| !out.path().join(name).exists()).collect();
            show::removed(console.err, &gone)?;
            if !args.json {
                writeln!(console.out, "\nWritten to {}:", show::path(out.path()))?;
                let missing = |name: &str| problems.iter().any(|t| t.error.is_some() && t.name == name);
                show::items(
                    console.out,
                    &handover.items()?.into_iter().filter(|i| !missing(&i.name)).collect::<Vec<_>>(),
                )?;
            }
            all_made = show::problems(console.err, &problems)?;
        }
    }
    cache::note(options.open.cache.as_ref(), console)?;
    if code(&alignment) == exit::NOTHING_DONE {
        let all = alignment.files().count();
        let why = if all == 1 {
            "there is only one recording; name at least two"
        } else {
            "no two recordings share sound; the table gives the reason for each file"
        };
        writeln!(console.err, "coeval: {why}")?;
    }
    Ok(match code(&alignment) {
        exit::ALL_PLACED if !all_made => exit::SOME_LEFT,
        code => code,
    })
}

pub(crate) fn open_out(out: &Path, found: &Found, replace: bool, inside: bool) -> Result<OutFolder, Failure> {
    let names = |alignment: &Alignment| coeval_deliver::handover::names(alignment, out);
    let sources: Vec<PathBuf> = found.sources.iter().map(|s| s.path.clone()).collect();
    match OutFolder::check(out, &found.folders, &sources, &names, replace, inside) {
        Ok(out) => {
            writes_into(out.path());
            Ok(out)
        }
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

/// `tracks` are those that are to go under clips: what no recorder has is refused before the work.
pub(crate) fn aligned(
    found: &Found,
    options: &Options,
    tracks: &[String],
    console: &Console<'_>,
) -> Result<Alignment, Error> {
    let watch = Watch::new(console.progress, console.stop);
    let headers = on_threads(options.threads, || probe(found, &options.open, &watch));
    let result = headers.and_then(|probed| {
        if !tracks.is_empty() {
            check_tracks(&probed, tracks)?;
        }
        align_probed(found, probed, options, &watch)
    });
    watch.finish();
    result
}

pub(crate) fn write(
    handover: &Handover<'_>,
    found: &Found,
    out: &OutFolder,
    console: &Console<'_>,
) -> Result<Vec<SoundProblem>, Error> {
    let watch = Watch::new(console.progress, console.stop);
    let result = handover.write(&found.root, out, &watch);
    watch.finish();
    result
}

fn code(alignment: &Alignment) -> u8 {
    let together = alignment.recordings.iter().filter(|r| r.files.iter().any(|f| f.is_placed())).count();
    if together < 2 {
        exit::NOTHING_DONE
    } else if alignment.files().all(|f| !f.is_left_out() && !alignment.is_doubtful(f)) {
        exit::ALL_PLACED
    } else {
        exit::SOME_LEFT
    }
}
