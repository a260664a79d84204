//! `coeval tighten`.

use std::path::{Path, PathBuf};

use clap::Args;
use coeval::options::OptionTable as _;
use coeval::{Error, ErrorKind};
use coeval_cut::edits::{LARGEST_LIST, read_edit_list_of};
use coeval_cut::mix::{Layers, MixLevels, RenderOptions, VoiceOver, render};
use coeval_cut::tighten::{Facts, Moment, Plan, TightenOptions};
use coeval_cut::voices::{SpeechMap, speech_map};
use coeval_cut::{RoughCut, RoughCutOptions, rough_cut};
use coeval_deliver::rough;
use coeval_listen::activity::ActivityCurve;
use coeval_listen::speech::Origin;
use coeval_media::OpenOptions;
use coeval_shoot::{Alignment, LARGEST_TEXT, clock_time, read_text, resolved, write_whole};

use crate::console::{Console, Failure, Watch, exit, writes_into};
use crate::show;
use crate::table::Table;

#[derive(Args)]
#[command(after_help = "\
Exit codes:
  0    the rough cut is written
  1    the command line is wrong, or names a camera or a time that is not there
  2    nothing was done: no finished alignment in RESULTS, recordings not found, an edit list with a
       mistake, or writing the output was refused
  130  interrupted with Ctrl-C; no incomplete file is left behind")]
pub(crate) struct TightenArgs {
    /// Folder that `coeval align -o` wrote
    #[arg(value_name = "RESULTS")]
    results: PathBuf,
    /// Folder with the recordings that were aligned [default: the folder above RESULTS, the one above that, or RESULTS: the
    /// first that holds them]
    #[arg(long, alias = "recordings", value_name = "FOLDER")]
    media: Option<PathBuf>,
    /// Folder for the rough cut [default: RESULTS/rough-cut]
    #[arg(short, long, value_name = "OUT")]
    out: Option<PathBuf>,
    /// Overwrite files with the same names in OUT, even a changed edits.txt
    #[arg(long)]
    replace: bool,
    /// Use this edit list (a changed edits.txt) instead of making a new plan
    #[arg(long, value_name = "FILE")]
    edits: Option<PathBuf>,
    /// Target length of the rough cut: minutes, or MM:SS
    #[arg(long, value_name = "LENGTH", value_parser = length, allow_negative_numbers = true)]
    length: Option<f64>,
    #[command(flatten)]
    tighten: Table<TightenOptions>,
    /// Always keep this stretch of the timeline; times are seconds or H:MM:SS; can be repeated
    #[arg(long, value_name = "FROM-TO", value_parser = stretch, allow_hyphen_values = true)]
    protect: Vec<(f64, f64)>,
    /// Keep the moment at this time on the timeline; can be repeated
    #[arg(long, alias = "event", value_name = "TIME", value_parser = time, allow_negative_numbers = true)]
    moment: Vec<f64>,
    /// Keep only speech, --moment and --protect; ignore claps, loud moments and revving engines
    #[arg(long, alias = "no-events")]
    no_moments: bool,
    /// Table of motion in the picture of FILE, with lines `seconds,motion`; stretches with unusual motion are kept; can be
    /// repeated
    #[arg(long, value_name = "FILE=CSV")]
    activity: Vec<String>,
    /// Show this camera while someone speaks in this stretch; can be repeated
    #[arg(long, value_name = "FROM-TO=CAMERA", value_parser = see)]
    see: Vec<(f64, f64, String)>,
    /// Drop radio calls
    #[arg(long)]
    no_radio: bool,
    /// Also write voice.wav: the recorder's sound, cut like the picture and brought to --loudness. It may hold radio
    /// traffic: check before you publish
    #[arg(long)]
    voice: bool,
    /// Also write mix.wav: recorder, sound of the camera shown, and voice-overs. The same caution applies
    #[arg(long)]
    mix: bool,
    /// Add this recording as a voice-over, starting at TIME of the rough cut; other sound is lowered under it; can be
    /// repeated
    #[arg(long, value_name = "FILE@TIME")]
    voice_over: Vec<String>,
    #[command(flatten)]
    levels: Table<MixLevels>,
    /// Print plan.json instead of the summary
    #[arg(long)]
    json: bool,
    /// Use the program `ffmpeg`, if it is installed, for formats that Coeval cannot read itself
    #[arg(long)]
    allow_ffmpeg: bool,
}

fn time(text: &str) -> Result<f64, String> {
    let mut seconds = 0.0;
    let parts: Vec<&str> = text.split(':').collect();
    if parts.len() > 3 {
        return Err("it is not seconds, M:SS or H:MM:SS".to_owned());
    }
    for (i, part) in parts.into_iter().enumerate() {
        let value: f64 = part.parse().map_err(|_| format!("{part:?} is not a number"))?;
        // After hours or minutes there are 60 of each at most.
        let beyond = if i > 0 { value >= 60.0 } else { value > 1e6 };
        if value.is_nan() || value < 0.0 || beyond {
            return Err(format!("{part:?} is out of range"));
        }
        seconds = 60.0 * seconds + value;
    }
    Ok(seconds)
}

fn stretch(text: &str) -> Result<(f64, f64), String> {
    let (from, to) = text.split_once('-').ok_or("it does not have the form FROM-TO")?;
    Ok((time(from)?, time(to)?))
}

fn see(text: &str) -> Result<(f64, f64, String), String> {
    let (span, camera) = text.split_once('=').ok_or("it does not have the form FROM-TO=CAMERA")?;
    let (from, to) = stretch(span)?;
    Ok((from, to, camera.to_owned()))
}

/// Minutes, or minutes and seconds.
fn length(text: &str) -> Result<f64, String> {
    if text.contains(':') { time(text) } else { Ok(60.0 * time(text)?) }
}

pub(crate) fn run(args: &TightenArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let alignment = alignment_in(&args.results)?;
    let out = args.out.clone().unwrap_or_else(|| args.results.join(rough::FOLDER));
    let edited = args.edits.as_deref().map(|path| plan_in(path, &alignment)).transpose()?;
    // Before the work, so that nobody waits to hear that the result may not be written.
    if !args.replace {
        rough::check_folder(&out, edited.as_ref())?;
    }
    let mut options = RoughCutOptions::default();
    options.tighten = tighten_options(args);
    options.tighten.check_cameras(&alignment)?;
    options.moments = args.moment.iter().map(moment).collect();
    options.ignore_found = args.no_moments;
    options.plan = edited;
    let media = media(args, &alignment)?;
    check_out(args, &media)?;
    options.motion = args.activity.iter().map(|text| motion(text)).collect::<Result<_, _>>()?;
    // Cameras have been checked: what is left to refuse is a file.
    options.check(&alignment).map_err(|e| bad_activity(e.message()))?;
    let mut open = OpenOptions::default();
    open.allow_ffmpeg = args.allow_ffmpeg;
    let mut levels = levels(args, &open, console)?;

    let speech = speech(args, &alignment, &media, &open, console)?;
    let RoughCut { facts, plan, .. } = rough_cut(&alignment, &speech, &options)?;
    levels.speech_lufs = speech.loudness_lufs;
    let absolute = |path: &Path| std::fs::canonicalize(path).map_err(|e| Error::io(path, e));
    let was_there = out.exists();
    std::fs::create_dir_all(&out).map_err(|e| Error::io(&out, e))?;
    let (media, out) = (absolute(&media)?, absolute(&out)?);
    writes_into(&out);
    let wanted = [(args.voice, "voice.wav", Layers::Voice), (args.mix, "mix.wav", Layers::All)];
    let sound: Vec<(&str, Layers)> = wanted.into_iter().filter(|w| w.0).map(|w| (w.1, w.2)).collect();
    let names: Vec<&str> = sound.iter().map(|s| s.0).collect();
    let conformed = coeval_deliver::handover::conformed_in(&alignment, &absolute(&args.results)?)?;
    let written = rough::write(&alignment, &facts, &plan, &levels, &media, &out, &conformed, &names);
    if written.is_err() && !was_there {
        // Removed only while it is empty.
        let _ = std::fs::remove_dir(&out);
    }
    let mut files = written?;
    let watch = Watch::new(console.progress, console.stop);
    let mut options = RenderOptions::default();
    (options.levels, options.replace, options.open) = (levels, args.replace, open);
    for (name, layers) in sound {
        options.layers = layers;
        let made = render(&alignment, &media, &speech, &plan, &options, &out.join(name), &watch);
        if let Err(e) = made {
            watch.finish();
            return Err(e.into());
        }
        files.push(name.to_owned());
    }
    watch.finish();
    // The report beside it gains the page.
    let report = args.results.join("report.html");
    let reported = args.out.is_none() && rough::into_report(&report, &plan, &facts)?;
    if args.json {
        console.out.write_all(show::json(&read_text(&out.join("plan.json"), LARGEST_TEXT)?).as_bytes())?;
        return Ok(exit::ALL_PLACED);
    }
    say_what_was_cut(&facts, &plan, console)?;
    writeln!(console.out, "\nWritten to {}:", show::path(&out))?;
    for file in files {
        writeln!(console.out, "  {file}")?;
    }
    if reported {
        writeln!(console.out, "\nThe rough cut was added to {}.", show::path(&report))?;
    }
    Ok(exit::ALL_PLACED)
}

fn alignment_in(results: &Path) -> Result<Alignment, Error> {
    let contract = results.join("alignment.json");
    let text = read_text(&contract, LARGEST_TEXT).map_err(|e| match e.kind() {
        ErrorKind::NotFound => e.with_remedy("give the folder that `coeval align -o` wrote"),
        _ => e,
    })?;
    Alignment::from_json(&text).map_err(|e| e.with_path(&contract))
}

fn plan_in(path: &Path, alignment: &Alignment) -> Result<Plan, Error> {
    read_edit_list_of(&read_text(path, LARGEST_LIST)?, alignment).map_err(|e| e.with_path(path))
}

/// Refuses a folder for the rough cut among the recordings, unless the results lie there too.
fn check_out(args: &TightenArgs, media: &Path) -> Result<(), Error> {
    let inside = |out: &&PathBuf| {
        let out = resolved(out);
        out.starts_with(resolved(media)) && !out.starts_with(resolved(&args.results))
    };
    match args.out.as_ref().filter(inside) {
        Some(out) => Err(Error::new(ErrorKind::OutputExists, "this folder is inside the folder of the recordings")
            .with_path(out)
            .with_remedy("choose another folder, or leave out -o to write next to the results")),
        None => Ok(()),
    }
}

fn say_what_was_cut(facts: &Facts, plan: &Plan, console: &mut Console<'_>) -> Result<(), Failure> {
    let of = |origin: Origin| facts.voices.iter().filter(|v| v.origin == origin).count();
    let unknown = match of(Origin::Unknown) {
        0 => String::new(),
        n => format!(", {n} local or radio"),
    };
    writeln!(
        console.out,
        "{} speech segments, {} of them radio{unknown}. The timeline was cut from {} to {}, in {} shots.",
        facts.voices.len(),
        of(Origin::Radio),
        clock_time(facts.frames as f64 * plan.frame_s()),
        clock_time(plan.shown_s()),
        plan.entries.iter().filter(|e| e.shown_frames() > 0).count(),
    )?;
    for note in &plan.notes {
        writeln!(console.out, "{note}")?;
    }
    Ok(())
}

fn moment(&at: &f64) -> Moment {
    Moment { start_s: at, end_s: at, what: "chosen moment".to_owned() }
}

fn tighten_options(args: &TightenArgs) -> TightenOptions {
    let mut options = args.tighten.0.clone();
    options.protect_s = args.protect.clone();
    options.target_s = args.length;
    options.keep_radio = !args.no_radio;
    options.see = args.see.clone();
    options
}

fn levels(args: &TightenArgs, open: &OpenOptions, console: &Console<'_>) -> Result<MixLevels, Error> {
    let mut levels = args.levels.0.clone();
    levels.check_ranges()?;
    for text in &args.voice_over {
        let bad = |why: &str| Error::new(ErrorKind::InvalidArgument, format!("--voice-over: {text:?} {why}"));
        let (path, at) = text.rsplit_once('@').ok_or_else(|| bad("does not have the form FILE@TIME"))?;
        let at_s = time(at).map_err(|e| bad(&e))?;
        let watch = Watch::new(console.progress, console.stop);
        let over = VoiceOver::measure(Path::new(path), at_s, levels.loudness_lufs, open, &watch);
        watch.finish();
        levels.voice_over.push(over?);
    }
    Ok(levels)
}

/// When someone speaks and what else happens: from an earlier run, or found now and kept.
fn speech(
    args: &TightenArgs,
    alignment: &Alignment,
    media: &Path,
    open: &OpenOptions,
    console: &Console<'_>,
) -> Result<SpeechMap, Error> {
    let cache = args.results.join(rough::SPEECH);
    let text = match read_text(&cache, LARGEST_TEXT) {
        Ok(text) => Some(text),
        Err(e) if e.kind() == ErrorKind::NotFound => None,
        // Not even text: certainly none of ours.
        Err(e) if e.kind() == ErrorKind::Damaged => Some(String::new()),
        Err(e) => return Err(e),
    };
    if let Some(known) = text.as_deref().and_then(|text| SpeechMap::from_json(text, alignment)) {
        return Ok(known);
    }
    if text.is_some_and(|text| !SpeechMap::is_speech_map(&text)) && !args.replace {
        return Err(Error::new(
            ErrorKind::OutputExists,
            "this file is not a speech map, but the speech map must be written under this name",
        )
        .with_path(&cache)
        .with_remedy("move it, or use --replace to overwrite it"));
    }
    let watch = Watch::new(console.progress, console.stop);
    let found = speech_map(alignment, media, open, &watch);
    watch.finish();
    let found = found?;
    write_whole(&cache, found.to_json()?.as_bytes())?;
    Ok(found)
}

/// A file's name and how much its picture moves, from a table of it.
fn motion(text: &str) -> Result<(String, ActivityCurve), Error> {
    let pair = text.rsplit_once('=');
    let (file, path) = pair.ok_or_else(|| bad_activity(&format!("{text:?} does not have the form FILE=CSV")))?;
    let path = Path::new(path);
    let table = read_text(path, LARGEST_TEXT)?;
    let (mut times_s, mut motion) = (Vec::new(), Vec::new());
    // A first line without numbers names the columns.
    let named = table.lines().next().is_some_and(|l| l.split(',').all(|w| w.trim().parse::<f64>().is_err()));
    for (i, line) in table.lines().enumerate().skip(usize::from(named)).filter(|l| !l.1.trim().is_empty()) {
        let numbers: Option<Vec<f64>> = line.split(',').map(|w| w.trim().parse().ok()).collect();
        match numbers.as_deref() {
            Some([s, moved, ..]) => {
                times_s.push(*s);
                motion.push(*moved as f32);
            }
            _ => {
                let what = format!("line {}: {line:?} does not begin with two numbers", i + 1);
                return Err(Error::new(ErrorKind::Damaged, what).with_path(path));
            }
        }
    }
    if times_s.is_empty() {
        return Err(Error::new(ErrorKind::Damaged, "the file has no line with seconds and motion").with_path(path));
    }
    let brightness = vec![0.0; times_s.len()];
    let curve = ActivityCurve::from_values(times_s, motion, brightness).map_err(|e| e.with_path(path))?;
    Ok((file.to_owned(), curve))
}

fn bad_activity(what: &str) -> Error {
    Error::invalid(format!("--activity: {what}"))
}

/// The folder that the alignment's names are relative to.
fn media(args: &TightenArgs, alignment: &Alignment) -> Result<PathBuf, Error> {
    let placed = || alignment.files().filter(|f| f.is_placed()).map(|f| f.path.as_str());
    let gone = |folder: &Path| placed().filter(|path| !folder.join(path).is_file()).collect::<Vec<_>>();
    let results = std::fs::canonicalize(&args.results).map_err(|e| Error::io(&args.results, e))?;
    let near = results.ancestors().take(3).map(Path::to_path_buf);
    let mut beside: Vec<PathBuf> = near.collect();
    beside.rotate_left(1);
    let tried = args.media.clone().map_or(beside, |given| vec![given]).into_iter();
    let Some((missing, folder)) = tried.map(|folder| (gone(&folder), folder)).min_by_key(|t| t.0.len()) else {
        return Err(Error::new(ErrorKind::Internal, "no folder to look for recordings in"));
    };
    if missing.is_empty() {
        return Ok(folder);
    }
    let (error, remedy) = if missing.len() < placed().count() {
        let few = missing.iter().take(5).copied().collect::<Vec<_>>().join(", ");
        let more = if missing.len() > 5 { format!(" and {} more", missing.len() - 5) } else { String::new() };
        let what = format!("{} of {} recordings are missing: {few}{more}", missing.len(), placed().count());
        (Error::new(ErrorKind::NotFound, what).with_path(&folder), "put them back, or align again without them")
    } else {
        let what = "the recordings of this alignment are not here";
        let path = args.media.as_ref().unwrap_or(&args.results);
        (Error::new(ErrorKind::NotFound, what).with_path(path), "name their folder with --media")
    };
    Err(error.with_remedy(remedy))
}
