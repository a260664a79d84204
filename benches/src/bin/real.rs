//! Aligns folders of real takes and holds every pair against a table of offsets. Fails where a limit does not hold.
//!
//! ```text
//! cargo run --release -p coeval-benches --bin real -- takes/pair_estimates.tsv --traps 00,01,02,03
//! ```
//!
//! The table's columns are separated by tabs: take (a folder beside the table), file A, file B, their lengths,
//! `offset_s`, `peak_ratio`, `blocks_ok`, `blocks`, `ppm`, `resid_ms`. Event time in A is event time in B plus
//! `offset_s`. Only rows whose measures are good enough count as truth.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program that prints tables")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

use clap::Parser;
use coeval::pair::{Aligner, PairOptions, PairOutcome};
use coeval::track::{Track, TrackBuilder};
use coeval_media::{OpenOptions, SoundReader};
use serde::Serialize;

/// A row is truth where its first peak is this many times the second,
const LEAST_PEAK_RATIO: f64 = 2.0;
/// this share of its blocks agrees,
const LEAST_BLOCKS: f64 = 0.8;
/// and they scatter by less than this, ms.
const MOST_RESIDUAL_MS: f64 = 0.05;
/// Largest error on a row that is truth, seconds.
const RIGHT_S: f64 = 0.012;
/// Off by more than this in a trap is the lock to another repeat, seconds.
const TRAPPED_S: f64 = 0.2;
/// From this confidence on a placement is believed.
const SURE: f64 = 0.9;

/// Real takes against a table.
#[derive(Parser)]
struct Options {
    /// The table. Its takes are folders beside it.
    table: PathBuf,
    /// Takes in which a sound repeats, so that another place is near.
    #[arg(long, value_delimiter = ',')]
    traps: Vec<String>,
    /// Print only: do not fail where a limit does not hold.
    #[arg(long)]
    no_limits: bool,
    /// Where to write every row as JSON.
    #[arg(long)]
    json: Option<PathBuf>,
}

#[derive(Serialize)]
struct Row {
    take: String,
    a: String,
    b: String,
    offset_s: f64,
    is_truth: bool,
    is_trap: bool,
    found_s: Option<f64>,
    confidence: Option<f64>,
    uncertainty_s: Option<f64>,
    reason: Option<String>,
    seconds: f64,
}

impl Row {
    fn error_s(&self) -> Option<f64> {
        Some(self.found_s? - self.offset_s)
    }

    fn fails(&self) -> bool {
        self.is_truth && self.error_s().is_none_or(|e| e.abs() > RIGHT_S)
    }

    /// Placed for sure, in a take in which a sound repeats, far from where the table puts it. In a row that is a hint
    /// only, either of the two may be the lock to another repeat.
    fn is_apart(&self) -> bool {
        let sure = self.confidence.is_some_and(|c| c >= SURE);
        self.is_trap && sure && self.error_s().is_some_and(|e| e.abs() > TRAPPED_S)
    }

    fn is_trapped(&self) -> bool {
        self.is_apart() && self.is_truth
    }
}

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("real: {message}");
            ExitCode::FAILURE
        }
    }
}

fn run(options: &Options) -> Result<(), String> {
    let text = std::fs::read_to_string(&options.table).map_err(|e| format!("{}: {e}", options.table.display()))?;
    let folder = options.table.parent().unwrap_or(Path::new("."));
    let aligner = Aligner::new(PairOptions::default()).map_err(|e| e.to_string())?;
    let mut tracks: BTreeMap<PathBuf, Track> = BTreeMap::new();
    let mut rows = Vec::new();
    println!("| take | A | B | table s | counts | found s | off by ms | confidence | claimed ms | s | |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for line in text.lines().skip(1).filter(|l| !l.trim().is_empty()) {
        let mut row = row(line, &options.traps)?;
        let paths = [&row.a, &row.b].map(|name| folder.join(&row.take).join(name));
        for path in &paths {
            if !tracks.contains_key(path) {
                tracks.insert(path.clone(), track(path)?);
            }
        }
        let (a, b) = (&tracks[&paths[0]], &tracks[&paths[1]]);
        let began = Instant::now();
        let outcome = aligner.align(a, b, &()).map_err(|e| e.to_string())?;
        row.seconds = began.elapsed().as_secs_f64();
        match outcome {
            PairOutcome::Unplaced(why) => row.reason = Some(why.as_str().to_owned()),
            PairOutcome::Placed(found) => {
                // The map says A's time of a moment of B; the middle of what both heard stands for all of it.
                let ends = [0.0, a.duration_s()].map(|t| found.map.inverse(t).clamp(0.0, b.duration_s()));
                let middle = 0.5 * (ends[0] + ends[1]);
                row.found_s = Some(found.map.forward(middle) - middle);
                (row.confidence, row.uncertainty_s) = (Some(found.confidence), Some(found.uncertainty_s));
            }
        }
        print(&row);
        rows.push(row);
    }
    let truths = rows.iter().filter(|r| r.is_truth).count();
    let failed = rows.iter().filter(|r| r.fails()).count();
    let trapped = rows.iter().filter(|r| r.is_trapped()).count();
    let apart = rows.iter().filter(|r| r.is_apart()).count();
    let beyond = rows
        .iter()
        .filter(|r| r.is_truth && r.error_s().is_some_and(|e| e.abs() > 3.0 * r.uncertainty_s.unwrap_or(0.0)));
    let beyond = beyond.count();
    println!(
        "\nOf {truths} rows that count, {} are placed within {:.0} ms; {beyond} are off by more than 3 sigma. \
         In traps {apart} of {} pairs are more than {TRAPPED_S} s from the table at {SURE} or more, {trapped} of them in rows \
         that count; `scripts/real_traps.py` tells which of two places the other sound is for.",
        truths - failed,
        RIGHT_S * 1e3,
        rows.iter().filter(|r| r.is_trap).count()
    );
    if let Some(path) = &options.json {
        let text = serde_json::to_string_pretty(&rows).map_err(|e| e.to_string())?;
        std::fs::write(path, text + "\n").map_err(|e| format!("{}: {e}", path.display()))?;
    }
    if truths == 0 {
        return Err("no row of the table counts".to_owned());
    }
    if options.no_limits || failed + trapped == 0 {
        return Ok(());
    }
    Err(format!("{failed} rows that count are not right, {trapped} pairs are trapped"))
}

fn print(row: &Row) {
    let number = |x: Option<f64>, digits: usize| x.map_or("-".to_owned(), |x| format!("{x:.digits$}"));
    let mark = match (row.is_trapped(), row.fails()) {
        (true, _) => "TRAPPED",
        (_, true) => "FAILS",
        _ if row.is_apart() => "not the hint",
        _ => "",
    };
    println!(
        "| {} | {} | {} | {:.6} | {} | {} | {} | {} | {} | {:.3} | {mark}{} |",
        row.take,
        row.a,
        row.b,
        row.offset_s,
        if row.is_truth { "yes" } else { "no" },
        number(row.found_s, 6),
        number(row.error_s().map(|e| e * 1e3), 2),
        number(row.confidence, 5),
        number(row.uncertainty_s.map(|u| u * 1e3), 2),
        row.seconds,
        row.reason.as_ref().map_or(String::new(), |r| format!(" {r}"))
    );
}

fn row(line: &str, traps: &[String]) -> Result<Row, String> {
    let cells: Vec<&str> = line.split('\t').map(str::trim).collect();
    let [take, a, b, _, _, offset_s, peak_ratio, blocks_ok, blocks, ..] = cells[..] else {
        return Err(format!("bad row {line:?}"));
    };
    let number = |cell: &str| cell.parse::<f64>().map_err(|e| format!("bad row {line:?}: {e}"));
    let agreeing = number(blocks_ok)? / number(blocks)?;
    // No residual means that too few blocks agreed to have one.
    let residual_ms = cells.get(10).filter(|c| !c.is_empty()).map_or(Ok(f64::INFINITY), |c| number(c))?;
    Ok(Row {
        take: take.to_owned(),
        a: a.to_owned(),
        b: b.to_owned(),
        offset_s: number(offset_s)?,
        is_truth: number(peak_ratio)? > LEAST_PEAK_RATIO && agreeing > LEAST_BLOCKS && residual_ms < MOST_RESIDUAL_MS,
        is_trap: traps.iter().any(|t| t == take),
        found_s: None,
        confidence: None,
        uncertainty_s: None,
        reason: None,
        seconds: 0.0,
    })
}

fn track(path: &Path) -> Result<Track, String> {
    let failed = |e: coeval::Error| format!("{}: {e}", path.display());
    let mut reader = SoundReader::open(path, &OpenOptions::default()).map_err(failed)?;
    let sound = reader.info().sound.clone().ok_or_else(|| format!("{}: no sound", path.display()))?;
    let mut builder = TrackBuilder::new(f64::from(sound.rate_hz), sound.channels).map_err(failed)?;
    let mut block = Vec::new();
    while reader.read(&mut block).map_err(failed)? > 0 {
        builder.push(&block).map_err(failed)?;
    }
    Ok(builder.finish())
}
