//! `coeval demo`.

use std::path::{Path, PathBuf};

use clap::Args;
use coeval::clock::ClockMap;
use coeval::{Error, ErrorKind};
use coeval_deliver::handover::Handover;
use coeval_shoot::alignment::File;
use coeval_shoot::{Alignment, Options};
use serde::Deserialize;

use crate::console::{Console, Failure, exit};
use crate::{align, show};

/// The folder of the demo in the source tree.
const DEMO: &str = "examples/survey-launch";
/// The folder of the demo below the prefix under which the command is installed as `bin/coeval`.
const INSTALLED: &str = "share/coeval/survey-launch";
/// Largest error that the demo accepts of a file, over its whole length, seconds. Own target.
const LARGEST_ERROR_S: f64 = 2e-3;

#[derive(Args)]
#[command(after_help = "\
Exit codes:
  0    every file is within 2 ms of its true position, and the clip from another day is unplaced
  1    the command line is wrong
  2    the demo recordings cannot be read, or writing the output was refused
  3    at least one file is in the wrong place
  130  interrupted with Ctrl-C")]
pub(crate) struct DemoArgs {
    /// Folder for the results; without it nothing is written
    #[arg(value_name = "OUT")]
    out: Option<PathBuf>,
    /// Folder that holds recordings/ and truth.json [default: examples/survey-launch in this folder or above it, then
    /// share/coeval/survey-launch beside the folder of the command]
    #[arg(long, value_name = "DIR")]
    recordings: Option<PathBuf>,
}

/// Ground truth: where each file lies.
#[derive(Deserialize)]
struct Truth {
    recordings: Vec<TrueRecording>,
}

#[derive(Deserialize)]
struct TrueRecording {
    files: Vec<TrueFile>,
}

#[derive(Deserialize)]
struct TrueFile {
    path: String,
    knots: Vec<(f64, f64)>,
}

impl Truth {
    fn read(path: &Path) -> Result<Self, Error> {
        let text = std::fs::read_to_string(path).map_err(|e| Error::io(path, e))?;
        serde_json::from_str(&text).map_err(|e| Error::new(ErrorKind::Damaged, e.to_string()).with_path(path))
    }

    /// Every file that is known, and its true map; `None` for one that is to stay unplaced.
    fn maps(&self) -> Result<Vec<(&str, Option<ClockMap>)>, Error> {
        let files = self.recordings.iter().flat_map(|r| &r.files);
        let map = |f: &TrueFile| (!f.knots.is_empty()).then(|| ClockMap::from_knots(f.knots.clone())).transpose();
        files.map(|f| Ok((f.path.as_str(), map(f)?))).collect()
    }
}

pub(crate) fn run(args: &DemoArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let folder = match &args.recordings {
        Some(folder) => folder.clone(),
        None => look_around()?,
    };
    let truth = Truth::read(&folder.join("truth.json"))?;
    let truth = truth.maps()?;
    let found = coeval_shoot::find(&[folder.join("recordings")])?;
    let out = args.out.as_deref().map(|out| align::open_out(out, &found, false, false)).transpose()?;
    let options = Options::default();
    let alignment = align::aligned(&found, &options, &[], console)?;
    if let Some(out) = &out {
        let mut hand = align::HandoverArgs::default().options(&found, &options)?;
        hand.title = "survey launch".to_owned();
        let problems = align::write(&Handover::plan(&alignment, &hand)?, &found, out, console)?;
        show::problems(console.err, &problems)?;
    }
    let reference = reference(&alignment, &truth);
    let true_map = |path: &str| truth.iter().find(|t| t.0 == path).and_then(|t| t.1.as_ref());
    let error = |file: &File| Some(largest_error_s(&file.map()?, true_map(&file.path)?, reference.as_ref()?));
    show::table(console.out, &alignment, |file| {
        Some(match file {
            None => "error".to_owned(),
            Some(file) => error(file).map_or("not known".to_owned(), |e| format!("{:.3} ms", e * 1e3)),
        })
    })?;
    let mut wrong = Vec::new();
    let mut worst = 0.0f64;
    for (path, map) in &truth {
        let file = alignment.file(path);
        match (map, file.filter(|f| f.is_placed())) {
            (None, Some(_)) => wrong.push(format!("{path} is from another day, but was placed")),
            (None, None) => {}
            (Some(_), None) => wrong.push(format!("{path} is unplaced")),
            (Some(_), Some(file)) => {
                let error = error(file).unwrap_or(f64::INFINITY);
                worst = worst.max(error);
                if error.is_nan() || error > LARGEST_ERROR_S {
                    wrong.push(format!("{path} is {:.3} ms off", error * 1e3));
                }
            }
        }
    }
    for file in alignment.files().filter(|f| truth.iter().all(|t| t.0 != f.path)) {
        wrong.push(format!("{} is not in truth.json", file.path));
    }
    writeln!(console.out)?;
    if let Some(out) = &args.out {
        writeln!(console.out, "Written to {}", show::path(out))?;
    }
    if wrong.is_empty() {
        writeln!(
            console.out,
            "All placed files are in the right place: largest error {:.3} ms (limit {:.0} ms).",
            worst * 1e3,
            LARGEST_ERROR_S * 1e3
        )?;
        return Ok(exit::ALL_PLACED);
    }
    for line in wrong {
        writeln!(console.out, "WRONG: {}", show::printable(&line))?;
    }
    Ok(exit::SOME_LEFT)
}

/// The demo of a source tree that this folder is part of, else the one that was installed with the command.
fn look_around() -> Result<PathBuf, Error> {
    let here = std::env::current_dir().map_err(|e| Error::io(".", e))?;
    let command = std::env::current_exe().unwrap_or_default();
    let installed = command.ancestors().nth(2).map(|prefix| prefix.join(INSTALLED));
    let near = here.ancestors().map(|folder| folder.join(DEMO));
    near.chain(installed).find(|f| f.is_dir()).ok_or_else(|| {
        Error::new(ErrorKind::NotFound, "the demo recordings are not in this folder, above it, or beside the command")
            .with_path(&here)
            .with_remedy(format!(
                "they are in {DEMO} of the source code: go there, or name that folder with --recordings"
            ))
    })
}

/// The ground truth has its own clock and zero. This is the map from its timeline to ours: both know the file that
/// our reference clock began with.
fn reference(alignment: &Alignment, truth: &[(&str, Option<ClockMap>)]) -> Option<(ClockMap, ClockMap)> {
    let clock = alignment.recording(&alignment.timeline.clock);
    let first = clock?.files.iter().find(|f| f.is_placed())?;
    Some((first.map()?, truth.iter().find(|t| t.0 == first.path)?.1.clone()?))
}

/// Largest difference of two maps of one file over its length.
fn largest_error_s(ours: &ClockMap, truth: &ClockMap, reference: &(ClockMap, ClockMap)) -> f64 {
    const STEPS: usize = 1000;
    let (reference_ours, reference_truth) = reference;
    let (from, to) = (truth.knots()[0].0, truth.knots()[truth.knots().len() - 1].0);
    let even = (0..=STEPS).map(|i| from + (to - from) * i as f64 / STEPS as f64);
    // Between knots both are straight, so that the extremes lie at knots.
    let knots = ours.knots().iter().chain(truth.knots()).map(|k| k.0).filter(|&t| (from..=to).contains(&t));
    let error = |t: f64| ours.forward(t) - reference_ours.forward(reference_truth.inverse(truth.forward(t)));
    even.chain(knots).map(|t| error(t).abs()).fold(0.0, |worst: f64, e| if e > worst || e.is_nan() { e } else { worst })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_error_is_the_worst_over_the_whole_file() {
        // Our zero lies 24 s after the truth's, and our clock runs 10 ppm fast.
        let reference = (ClockMap::linear(24.0, 0.0, 100.0), ClockMap::linear(0.0, 10.0, 100.0));
        let truth = ClockMap::linear(30.0, 10.0, 50.0);
        let on_ours = |file_s: f64| 24.0 + (30.0 + file_s * 1.00001) / 1.00001;
        let exact = ClockMap::from_knots(vec![(0.0, on_ours(0.0)), (50.0, on_ours(50.0))]).unwrap();
        assert!(largest_error_s(&exact, &truth, &reference) < 1e-12);
        // A millisecond off, in the middle only.
        let bent = vec![(0.0, on_ours(0.0)), (20.0, on_ours(20.0) - 1e-3), (50.0, on_ours(50.0))];
        let error = largest_error_s(&ClockMap::from_knots(bent).unwrap(), &truth, &reference);
        assert!((error - 1e-3).abs() < 1e-12, "{error}");
    }
}
