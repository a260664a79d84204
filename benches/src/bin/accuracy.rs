//! Prints how accurate the engine is, on material whose truth is known, and keeps it as JSON. Fails where a limit does
//! not hold; `src/bars.rs` holds a small part of it on every run of the tests.
//!
//! ```text
//! benches/scripts/fetch_sounds.sh                                     # once: real voices and engines
//! cargo run --release -p coeval-benches --bin accuracy -- --part b --part c
//! ```
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program that prints tables")]

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

use clap::{Parser, ValueEnum};
use coeval_benches::bounds;
use coeval_benches::shoots::{self, Row};
use coeval_benches::sim_sound::Material;
use coeval_benches::unrelated::{self, Unrelated};
use serde_json::json;

const SNR_DB: [f64; 14] = [-20.0, -18.0, -17.0, -16.0, -15.0, -14.0, -12.0, -10.0, -8.0, -4.0, 0.0, 6.0, 12.0, 20.0];

/// Accuracy against known truth.
#[derive(Parser)]
struct Options {
    /// What to run; all when not given.
    #[arg(long, value_enum)]
    part: Vec<Part>,
    /// A tenth of the shoots and pairs.
    #[arg(long)]
    quick: bool,
    /// Shoots in each class of part b, instead of the class's own number.
    #[arg(long)]
    seeds: Option<usize>,
    /// First seed: another one draws other shoots and pairs.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
    /// Only classes of part b whose name holds this.
    #[arg(long)]
    only: Option<String>,
    /// Say on standard error what came of each shoot of part b.
    #[arg(long)]
    trace: bool,
    /// Unrelated pairs in part c.
    #[arg(long, default_value_t = 2000)]
    pairs: usize,
    /// Draws for each row of part a: a ratio of 1 scatters by 7 % with 100.
    #[arg(long, default_value_t = 100)]
    draws: usize,
    /// Signal-to-noise ratios of part a, dB, ascending.
    #[arg(long, value_delimiter = ',', allow_hyphen_values = true, default_values_t = SNR_DB)]
    snr_db: Vec<f64>,
    /// Drifts of part a, ppm.
    #[arg(long, value_delimiter = ',', default_values_t = [0.0, 50.0])]
    drift_ppm: Vec<f64>,
    /// Python that has NumPy and SciPy, for part a.
    #[arg(long, default_value = "python3")]
    python: String,
    /// Folder that benches/scripts/fetch_sounds.sh has filled.
    #[arg(long, default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/data"))]
    data: PathBuf,
    /// Where to write the figures as JSON.
    #[arg(long)]
    json: Option<PathBuf>,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Part {
    /// White signals beside the Cramer-Rao bound and SciPy.
    A,
    /// Simulated shoots.
    B,
    /// Unrelated pairs and calibration.
    C,
}

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("accuracy: {message}");
            ExitCode::FAILURE
        }
    }
}

fn run(options: &Options) -> Result<(), String> {
    let wanted = |part| options.part.is_empty() || options.part.contains(&part);
    let mut figures = serde_json::Map::new();
    if wanted(Part::A) {
        figures.insert("bounds".into(), bounds_table(options)?);
    }
    let material = if wanted(Part::B) || wanted(Part::C) {
        Material::load(&options.data).map_err(|e| e.to_string())?
    } else {
        Material::synthetic(1)
    };
    let mut placements = Vec::new();
    let mut broken: Vec<String> = Vec::new();
    if wanted(Part::B) {
        let mut rows = Vec::new();
        shoots_head();
        for class in
            shoots::classes().iter().filter(|c| options.only.as_ref().is_none_or(|o| c.name.contains(o.as_str())))
        {
            let own = if options.quick { class.shoots.div_ceil(10) } else { class.shoots };
            let (row, pairs) =
                shoots::run_class(&material, class, options.seeds.unwrap_or(own), options.first_seed, options.trace)?;
            shoots_row(&row);
            placements.extend(pairs);
            rows.push(row);
        }
        shoots_foot(&rows);
        broken.extend(rows.iter().filter(|r| r.holds == Some(false)).map(|r| r.class.clone()));
        figures.insert("shoots".into(), json!(rows));
    }
    if wanted(Part::C) {
        let began = Instant::now();
        let pairs = if options.quick { options.pairs.div_ceil(10) } else { options.pairs };
        let result = unrelated::run(&material, pairs, options.first_seed, &placements)?;
        unrelated_table(&result, began.elapsed().as_secs_f64());
        if !result.holds {
            broken.push("unrelated pairs".into());
        }
        figures.insert("unrelated".into(), json!(result));
    }
    if let Some(path) = &options.json {
        let text = serde_json::to_string_pretty(&figures).map_err(|e| e.to_string())?;
        std::fs::write(path, text + "\n").map_err(|e| format!("{}: {e}", path.display()))?;
    }
    if broken.is_empty() { Ok(()) } else { Err(format!("limits that do not hold: {}", broken.join("; "))) }
}

fn bounds_table(options: &Options) -> Result<serde_json::Value, String> {
    let draws = if options.quick { options.draws.div_ceil(10) } else { options.draws };
    println!("\n## White signals, 300-3400 Hz, 60 s\n");
    println!("RMSE over the Cramer-Rao bound, gross errors (unplaced or off by more than 3 ms) left out.\n");
    println!(
        "| SNR dB | drift ppm | offset / bound | drift / bound | gross % | false at 0.99 % | SciPy plain gross % | \
         SciPy PHAT gross % | SciPy rmse ms, plain | PHAT |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    let mut rows = Vec::new();
    for &drift_ppm in &options.drift_ppm {
        for &snr_db in &options.snr_db {
            let r = bounds::run_row(snr_db, drift_ppm, draws, options.first_seed, &options.python)?;
            println!(
                "| {snr_db:.0} | {drift_ppm:.0} | {:.3} | {:.3} | {:.0} | {:.0} | {:.0} | {:.0} | {:.3} | {:.3} |",
                r.offset_over_bound,
                r.drift_over_bound,
                r.gross[0] * 100.0,
                r.false_sure * 100.0,
                r.gross[1] * 100.0,
                r.gross[2] * 100.0,
                r.scipy_rmse_ms[0],
                r.scipy_rmse_ms[1]
            );
            rows.push(r);
        }
    }
    let thresholds: Vec<_> = options
        .drift_ppm
        .iter()
        .map(|&drift_ppm| {
            let of = |who: usize| {
                let points: Vec<(f64, f64)> =
                    rows.iter().filter(|r| r.drift_ppm == drift_ppm).map(|r| (r.snr_db, r.gross[who])).collect();
                bounds::threshold_db(&points)
            };
            (drift_ppm, of(0), of(1), of(2))
        })
        .collect();
    for (drift_ppm, ours, plain, phat) in &thresholds {
        let say = |t: &Option<f64>| t.map_or("not crossed".to_owned(), |t| format!("{t:.1} dB"));
        println!(
            "\nHalf the draws are gross errors at {} (SciPy plain {}, PHAT {}) with a drift of {drift_ppm:.0} ppm.",
            say(ours),
            say(plain),
            say(phat)
        );
    }
    Ok(json!({ "rows": rows, "thresholds_db": thresholds }))
}

fn shoots_head() {
    println!("\n## Simulated shoots\n");
    println!("Error: the largest over each whole file, ms. Wrong: median error above {} ms.\n", shoots::RIGHT_S * 1e3);
    println!(
        "| class | shoots | files | placed right % | wrong | false at 0.99 | error median | 98 % | all | beyond 3 sigma % \
         | jumps >= 20 ms found | size, place off by ms | smaller found | false jumps | clean h | engine, simulation s | holds |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
}

fn shoots_row(r: &Row) {
    println!(
        "| {} | {} | {} | {:.1} | {} | {} | {:.3} | {:.3} | {:.3} | {:.1} | {}/{} | {:.2}, {:.0} | {}/{} | {} | {:.1} | {:.2}, {:.2} | {} |",
        r.class,
        r.shoots,
        r.files,
        r.placed_percent,
        r.wrong + r.foreign_placed,
        r.false_sure,
        r.error_ms[0],
        r.error_ms[1],
        r.error_ms[2],
        r.beyond_3_sigma_percent,
        r.jumps[1],
        r.jumps[0],
        r.jump_errors_ms[0],
        r.jump_errors_ms[1],
        r.small_jumps[1],
        r.small_jumps[0],
        r.false_jumps,
        r.clean_h,
        r.seconds[0],
        r.seconds[1],
        r.holds.map_or("-", |h| if h { "yes" } else { "NO" })
    );
}

fn shoots_foot(rows: &[Row]) {
    let hours: f64 = rows.iter().map(|r| r.clean_h).sum();
    let jumps: usize = rows.iter().filter(|r| r.clean_h > 0.0).map(|r| r.false_jumps).sum();
    println!("\nFalse jumps in {hours:.1} hours without any: {jumps}.");
    for r in rows.iter().filter(|r| !r.failed_seeds.is_empty()) {
        println!("Seeds to look at, {}: {:?}", r.class, r.failed_seeds);
    }
}

fn unrelated_table(u: &Unrelated, seconds: f64) {
    println!("\n## Unrelated pairs\n");
    println!("| kind | pairs | placed at any confidence | placed at 0.99 or more |\n| --- | --- | --- | --- |");
    for (kind, pairs, placed, sure) in &u.kinds {
        println!("| {kind} | {pairs} | {placed} | {sure} |");
    }
    println!(
        "| all | {} | {} | {} |\n\nHighest confidence of a false placement: {:.6}. At 0.9 or more: {}. {seconds:.0} s.",
        u.pairs, u.false_placements[0], u.false_placements[2], u.highest_false, u.false_placements[1]
    );
    println!("Related pairs at -26..-4 dB: {} tried, {} placed, {} rightly.", u.related[0], u.related[1], u.related[2]);
    println!("\n## Calibration\n\n| confidence | placements | mean confidence | right |\n| --- | --- | --- | --- |");
    for b in &u.calibration {
        println!("| {} to {} | {} | {:.5} | {:.5} |", b.from, b.to, b.placements, b.mean_confidence, b.right);
    }
    println!("\nHolds: {}.", if u.holds { "yes" } else { "NO" });
    let wrong: Vec<_> = u.related_ones.iter().filter(|p| !p.2).collect();
    if !u.false_ones.is_empty() || !wrong.is_empty() {
        println!("Seeds to look at: {:?}, related {wrong:?}", u.false_ones);
    }
}
