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

/// The folder that the demo lies in, below the source tree.
const DEMO: &str = "examples/survey-launch";
/// What the demo demands of every file, over its whole length, seconds.
const LARGEST_ERROR_S: f64 = 2e-3;

/// Aligns the recordings of the survey launch as `coeval align` would, and compares with truth.json,
/// which the aligner never sees: the last column is each file's largest error over its whole length.
#[derive(Args)]
#[command(after_help = "\
Exit codes:
  0    every file lies within 2 ms of the truth, and the clip from another day is unplaced
  1    the command line is wrong
  2    the demo recordings cannot be read, or the output was refused
  3    some file is not where it belongs
  130  interrupted")]
pub(crate) struct DemoArgs {
    /// Folder for the results; nothing is written without it
    #[arg(value_name = "OUT")]
    out: Option<PathBuf>,
    /// Folder that holds recordings/ and truth.json [default: examples/survey-launch here or in a folder above]
    #[arg(long, value_name = "DIR")]
    recordings: Option<PathBuf>,
}

/// Where each file truly lies.
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

    /// Every file that is known, and its true map; `None` for one that has no place.
    fn maps(&self) -> Result<Vec<(&str, Option<ClockMap>)>, Error> {
        let files = self.recordings.iter().flat_map(|r| &r.files);
        let map = |f: &TrueFile| (!f.knots.is_empty()).then(|| ClockMap::from_knots(f.knots.clone())).transpose();
        files.map(|f| Ok((f.path.as_str(), map(f)?))).collect()
    }
}

pub(crate) fn run(args: &DemoArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let folder = match &args.recordings {
        Some(folder) => folder.clone(),
        None => look_upward()?,
    };
    let truth = Truth::read(&folder.join("truth.json"))?;
    let truth = truth.maps()?;
    let found = coeval_shoot::find(&[folder.join("recordings")])?;
    let out = args.out.as_deref().map(|out| align::open_out(out, &found, false, false)).transpose()?;
    let options = Options::default();
    let alignment = align::aligned(&found, &options, console)?;
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
            Some(file) => error(file).map_or("no truth".to_owned(), |e| format!("{:.3} ms", e * 1e3)),
        })
    })?;
    let mut wrong = Vec::new();
    let mut worst = 0.0f64;
    for (path, map) in &truth {
        let file = alignment.file(path);
        match (map, file.filter(|f| f.is_placed())) {
            (None, Some(_)) => wrong.push(format!("{path} has no place on this timeline, but was given one")),
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
            "Every file lies where it belongs: largest error {:.3} ms (limit {:.0} ms).",
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

fn look_upward() -> Result<PathBuf, Error> {
    let here = std::env::current_dir().map_err(|e| Error::io(".", e))?;
    here.ancestors().map(|folder| folder.join(DEMO)).find(|f| f.is_dir()).ok_or_else(|| {
        Error::new(ErrorKind::NotFound, format!("no {DEMO} in this folder or above it"))
            .with_path(&here)
            .with_remedy("run it in the source tree, or give --recordings DIR")
    })
}

/// The truth has its own clock and zero. This is the map from its timeline to ours: both know the file that
/// our timeline clock began with.
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
