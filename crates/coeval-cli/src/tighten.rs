//! `coeval tighten`.

use std::path::{Path, PathBuf};

use clap::Args;
use coeval::{Error, ErrorKind};
use coeval_deliver::rough::{self, Levels};
use coeval_media::OpenOptions;
use coeval_shoot::tighten::{Event, Facts, Plan, TightenOptions, plan};
use coeval_shoot::voice::render_voice;
use coeval_shoot::voices::{SpeechMap, speech_map};
use coeval_shoot::{Alignment, write_whole};

use crate::{Console, Failure, Watch, exit, show};

/// From a finished alignment to a rough cut: finds who speaks when (once; later runs use what was found), takes dead
/// air out, chooses angles, and writes a second timeline, chapters, a page, and a list that a person can change. The
/// recordings are never changed.
#[derive(Args)]
pub(crate) struct TightenArgs {
    /// The folder that `coeval align -o` wrote
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// The folder that was aligned [default: the first of RESULTS/.., RESULTS/../.. and RESULTS that holds the files]
    #[arg(long, value_name = "FOLDER")]
    recordings: Option<PathBuf>,
    /// Folder for the rough cut [default: RESULTS/rough-cut]
    #[arg(short, long, value_name = "OUT")]
    out: Option<PathBuf>,
    /// Write over an earlier rough cut, its edits.txt too
    #[arg(long)]
    replace: bool,
    /// Cut as this list says (an edits.txt, changed), instead of planning
    #[arg(long, value_name = "FILE")]
    edits: Option<PathBuf>,
    /// Length that is wanted: minutes, or MM:SS
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    length: Option<f64>,
    /// Pause left between two sentences where time is taken out, seconds
    #[arg(long, value_name = "S", default_value_t = 0.8)]
    pause: f64,
    /// Every cut keeps this from every voice, seconds
    #[arg(long, value_name = "S", default_value_t = 0.2)]
    handle: f64,
    /// Silence shorter than this is no dead air, seconds
    #[arg(long, value_name = "S", default_value_t = 2.0)]
    dead: f64,
    /// Keep this stretch whatever is in it; seconds or H:MM:SS on the timeline; may be repeated
    #[arg(long, value_name = "FROM-TO", value_parser = stretch)]
    protect: Vec<(f64, f64)>,
    /// Something to keep happens at this moment; may be repeated
    #[arg(long, value_name = "TIME", value_parser = moment)]
    event: Vec<f64>,
    /// Pass dead air longer than this at speed, instead of taking it out, seconds
    #[arg(long, value_name = "S")]
    pass: Option<f64>,
    /// How many times faster it passes
    #[arg(long, value_name = "N", default_value_t = 8)]
    speed: u32,
    /// Calls over the radio are not worth keeping
    #[arg(long)]
    no_radio: bool,
    /// No shot is shorter than this, seconds
    #[arg(long, value_name = "S", default_value_t = 2.5)]
    shot: f64,
    /// Length of the dissolve where one camera must hide its own jump, seconds
    #[arg(long, value_name = "S", default_value_t = 0.5)]
    dissolve: f64,
    /// Loudness of the voice, LUFS
    #[arg(long, value_name = "LUFS", default_value_t = -14.0, allow_negative_numbers = true)]
    loudness: f64,
    /// Write the recorder's sound along the cut too, at that loudness, as voice.wav
    #[arg(long)]
    voice: bool,
    /// No true peak of voice.wav is above this, dBTP
    #[arg(long, value_name = "DBTP", default_value_t = -1.0, allow_negative_numbers = true)]
    true_peak: f64,
    /// Print plan.json instead of words
    #[arg(long)]
    json: bool,
    /// Read what pure Rust cannot through the `ffmpeg` on PATH
    #[arg(long)]
    allow_ffmpeg: bool,
}

fn moment(text: &str) -> Result<f64, String> {
    let mut seconds = 0.0;
    let parts: Vec<&str> = text.split(':').collect();
    if parts.len() > 3 {
        return Err("not seconds, M:SS or H:MM:SS".to_owned());
    }
    for part in parts {
        let value: f64 = part.parse().map_err(|_| format!("{part:?} is no number"))?;
        if !(0.0..=1e6).contains(&value) {
            return Err(format!("{part:?} is out of range"));
        }
        seconds = 60.0 * seconds + value;
    }
    Ok(seconds)
}

fn stretch(text: &str) -> Result<(f64, f64), String> {
    let (from, to) = text.split_once('-').ok_or("not of the form FROM-TO")?;
    Ok((moment(from)?, moment(to)?))
}

/// Minutes, or minutes and seconds.
fn length(text: &str) -> Result<f64, String> {
    if text.contains(':') { moment(text) } else { Ok(60.0 * moment(text)?) }
}

pub(crate) fn run(args: &TightenArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let read = |path: &Path| std::fs::read_to_string(path).map_err(|e| Error::io(path, e));
    let contract = args.results.join("alignment.json");
    let alignment = Alignment::from_json(&read(&contract).map_err(|e| match e.kind() {
        ErrorKind::NotFound => e.with_remedy("give the folder that `coeval align -o` wrote"),
        _ => e,
    })?)
    .map_err(|e| e.with_path(&contract))?;
    let out = args.out.clone().unwrap_or_else(|| args.results.join("rough-cut"));
    let taken = std::fs::read_dir(&out).is_ok_and(|mut entries| entries.next().is_some());
    if taken && !args.replace {
        return Err(Error::new(ErrorKind::OutputExists, "there is something in it already")
            .with_path(&out)
            .with_remedy("choose another with -o, or let --replace write over it")
            .into());
    }
    let edited = args.edits.as_deref().map(|path| rough::read_edit_list(&read(path)?).map_err(|e| e.with_path(path)));
    let edited: Option<Plan> = edited.transpose()?;
    let media = media(args, &alignment)?;

    let mut open = OpenOptions::default();
    open.allow_ffmpeg = args.allow_ffmpeg;
    let cache = args.results.join("speech.json");
    let known = std::fs::read_to_string(&cache).ok().and_then(|text| SpeechMap::from_json(&text, &alignment));
    let speech = match known {
        Some(known) => known,
        None => {
            let watch = Watch::new(console.bar, console.stop);
            let found = speech_map(&alignment, &media, &open, &watch);
            watch.finish();
            let found = found?;
            write_whole(&cache, found.to_json()?.as_bytes())?;
            found
        }
    };
    let event = |&at: &f64| Event { start_s: at, end_s: at, what: "event".to_owned() };
    let facts = Facts::of(&alignment, &speech, args.event.iter().map(event).collect());
    let plan = match edited {
        Some(edited) => edited,
        None => {
            let mut options = TightenOptions::default();
            options.pause_s = args.pause;
            options.handle_s = args.handle;
            options.dead_s = args.dead;
            options.protect_s = args.protect.clone();
            options.target_s = args.length;
            options.pass_from_s = args.pass;
            options.pass_speed = args.speed;
            options.keep_radio = !args.no_radio;
            options.min_shot_s = args.shot;
            options.dissolve_s = args.dissolve;
            plan(&facts, &options)?
        }
    };
    let mut levels = Levels::default();
    levels.voice_lufs = args.loudness;
    levels.true_peak_dbtp = args.true_peak;
    std::fs::create_dir_all(&out).map_err(|e| Error::io(&out, e))?;
    let absolute = |path: &Path| std::fs::canonicalize(path).map_err(|e| Error::io(path, e));
    let mut files = rough::write(&alignment, &facts, &plan, &levels, &absolute(&media)?, &absolute(&out)?)?;
    if args.voice {
        let watch = Watch::new(console.bar, console.stop);
        let wanted = (args.loudness, args.true_peak);
        let path = out.join("voice.wav");
        let made =
            render_voice(&alignment, &media, &speech.recorder, &plan, wanted, &path, args.replace, &open, &watch);
        watch.finish();
        made?;
        files.push("voice.wav".to_owned());
    }
    if args.json {
        console.out.write_all(read(&out.join("plan.json"))?.as_bytes())?;
        return Ok(exit::ALL_PLACED);
    }
    let clock = |s: f64| {
        let s = s.round() as u64;
        format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
    };
    let radio = facts.voices.iter().filter(|v| v.origin == "radio").count();
    writeln!(
        console.out,
        "{} stretches of speech, {radio} of them radio. {} becomes {} in {} shots.",
        facts.voices.len(),
        clock(facts.frames as f64 * plan.frame_s()),
        clock(plan.shown_s()),
        plan.entries.iter().filter(|e| e.shown_frames() > 0).count(),
    )?;
    for note in &plan.notes {
        writeln!(console.out, "{note}")?;
    }
    writeln!(console.out, "\nWritten to {}:", show::path(&out))?;
    for file in files {
        writeln!(console.out, "  {file}")?;
    }
    Ok(exit::ALL_PLACED)
}

/// The folder that the alignment's names are relative to.
fn media(args: &TightenArgs, alignment: &Alignment) -> Result<PathBuf, Error> {
    let holds = |folder: &Path| alignment.files().filter(|f| f.is_placed()).all(|f| folder.join(&f.path).is_file());
    let results = std::fs::canonicalize(&args.results).map_err(|e| Error::io(&args.results, e))?;
    let near = results.ancestors().take(3).map(Path::to_path_buf);
    let mut beside: Vec<PathBuf> = near.collect();
    beside.rotate_left(1);
    let mut tried = args.recordings.clone().map_or(beside, |given| vec![given]).into_iter();
    tried.find(|folder| holds(folder)).ok_or_else(|| {
        Error::new(ErrorKind::NotFound, "the recordings of this alignment are not there")
            .with_path(args.recordings.as_ref().unwrap_or(&args.results))
            .with_remedy("name the folder that was aligned with --recordings")
    })
}
