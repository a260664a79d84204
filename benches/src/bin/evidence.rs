//! Aligns classes of recordings made from seeds and holds what comes of it against the truth. Fails where a limit does
//! not hold.
//!
//! ```text
//! benches/scripts/fetch_sounds.sh                                     # once: real voices and engines
//! cargo run --release -p coeval-benches --bin evidence -- --seeds 6 --cache out/evidence
//! ```
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program that prints tables")]

use std::io;
use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::LazyLock;
use std::time::Instant;

use clap::{Parser, ValueEnum};
use coeval_benches::classes::judge::{self, Record};
use coeval_benches::classes::split::{Sounds, Split};
use coeval_benches::classes::{Class, cache, classes, table};
use coeval_benches::sim_sound::Material;
use rayon::prelude::*;

/// Right and honest on many kinds of sound?
#[derive(Parser)]
struct Options {
    /// Which half of the sounds and seeds. `test` is for the final judgement: nothing may be chosen by it.
    #[arg(long, value_enum, default_value = "tune")]
    split: Half,
    /// Only classes whose name holds this.
    #[arg(long)]
    only: Option<String>,
    /// Seeds of each class, instead of the class's own number. Classes of long files take a half or a third.
    #[arg(long)]
    seeds: Option<usize>,
    /// First seed: another one draws other recordings.
    #[arg(long, default_value_t = 1)]
    first_seed: u64,
    /// Recorders of 41 min in the class b-roll.
    #[arg(long)]
    long: bool,
    /// Folder that keeps what is made: the next run only reads and aligns. Nothing is kept without it.
    #[arg(long)]
    cache: Option<PathBuf>,
    /// Folder that benches/scripts/fetch_sounds.sh has filled.
    #[arg(long, default_value = concat!(env!("CARGO_MANIFEST_DIR"), "/data"))]
    data: PathBuf,
    /// Say on standard error what came of each pair and file.
    #[arg(long)]
    trace: bool,
    /// Print only: do not fail where a limit does not hold.
    #[arg(long)]
    no_limits: bool,
    /// Where to write every record as JSON.
    #[arg(long)]
    json: Option<PathBuf>,
    /// How many cases are worked on at once; as many as the machine has cores when not given.
    #[arg(long)]
    threads: Option<NonZeroUsize>,
}

#[derive(Clone, Copy, ValueEnum)]
enum Half {
    Tune,
    Test,
}

fn main() -> ExitCode {
    match run(&Options::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("evidence: {message}");
            ExitCode::FAILURE
        }
    }
}

fn run(options: &Options) -> Result<(), String> {
    let threads = options.threads.map_or(0, NonZeroUsize::get);
    rayon::ThreadPoolBuilder::new().num_threads(threads).build_global().map_err(|e| e.to_string())?;
    let split = match options.split {
        Half::Tune => Split::Tune,
        Half::Test => Split::Test,
    };
    // Two seconds and more that a run from the cache can spare.
    let load = || Sounds::of(&Material::load(&options.data).map_err(|e| e.to_string())?, split);
    let sounds: LazyLock<Result<Sounds, String>, _> = LazyLock::new(load);
    let sounds = || sounds.as_ref().map_err(|e| io::Error::other(e.clone()));
    println!("Split: {}. First seed: {}.\n\n{}", split.as_str(), options.first_seed, table::HEAD);
    let mut all = Vec::new();
    let mut broken = Vec::new();
    let mut spent = [0.0; 2];
    for class in classes().iter().filter(|c| options.only.as_ref().is_none_or(|o| c.name.contains(o.as_str()))) {
        let records = run_class(options, split, &sounds, class, &mut spent)?;
        let (line, limits) = table::row(class, &records);
        println!("{line}");
        broken.extend(limits);
        all.extend(records);
    }
    let (text, limits) = table::overall(&all);
    broken.extend(limits);
    println!("\n{text}\n\nMade or read in {:.1} s, aligned with tracks in {:.1} s.", spent[0], spent[1]);
    if let Some(path) = &options.json {
        let text = serde_json::to_string_pretty(&all).map_err(|e| e.to_string())?;
        std::fs::write(path, text + "\n").map_err(|e| format!("{}: {e}", path.display()))?;
    }
    if broken.is_empty() {
        return Ok(());
    }
    println!("\nLimits that do not hold:\n- {}", broken.join("\n- "));
    if options.no_limits { Ok(()) } else { Err(format!("{} limits do not hold", broken.len())) }
}

/// Adds the seconds of making or reading and of aligning to `spent`.
fn run_class<'a>(
    options: &Options,
    split: Split,
    sounds: &(dyn Fn() -> io::Result<&'a Sounds> + Sync),
    class: &Class,
    spent: &mut [f64; 2],
) -> Result<Vec<Record>, String> {
    let seeds = options.seeds.map_or(class.seeds, |s| s.div_ceil(class.every));
    let seeds: Vec<u64> = (0..seeds as u64).map(|i| options.first_seed + i).collect();
    let mut records = Vec::new();
    // A few at a time, for their memory. A folder takes all cores by itself.
    for some in seeds.chunks(if class.is_folder() { 1 } else { 2 * rayon::current_num_threads() }) {
        let began = Instant::now();
        let make = |&seed: &u64| {
            let case = cache::case(class, split, sounds, seed, options.long, options.cache.as_deref());
            case.map(|c| (seed, c)).map_err(|e| format!("{}, seed {seed}: {e}", class.name))
        };
        let cases = some.par_iter().map(make).collect::<Result<Vec<_>, _>>()?;
        let made = Instant::now();
        spent[0] += (made - began).as_secs_f64();
        let judge = |(seed, case): &(u64, _)| {
            let judged = judge::run(class, case, split.as_str(), *seed, options.threads);
            judged.map_err(|e| format!("{}, seed {seed}: {e}", class.name))
        };
        let some = cases.par_iter().map(judge).collect::<Result<Vec<_>, _>>()?.concat();
        spent[1] += made.elapsed().as_secs_f64();
        if options.trace {
            some.iter().for_each(|r| eprintln!("{}", line(r)));
        }
        records.extend(some);
    }
    Ok(records)
}

fn line(r: &Record) -> String {
    let place = match (r.placed, r.right) {
        (true, true) => "right".to_owned(),
        (true, false) => "WRONG".to_owned(),
        (false, _) => r.reason.clone().unwrap_or_else(|| "unplaced".to_owned()),
    };
    let number = |x: Option<f64>, digits: usize| x.map_or("-".to_owned(), |x| format!("{x:.digits$}"));
    format!(
        "{} {} {} ({}; {:?}): {place}, confidence {}, off the voices by {} ms in the median and {} in 95 %, {} off the \
         nearest path, claimed {}, jumps {}/{}/{} and {} false, {:.3} s",
        r.class,
        r.seed,
        r.file,
        r.note,
        r.answer,
        number(r.confidence, 6),
        number(r.error.map(|e| e.median_ms), 3),
        number(r.error.map(|e| e.p95_ms), 3),
        number(r.error.map(|e| e.nearest_ms), 3),
        number(r.uncertainty_ms, 3),
        r.jumps.found,
        r.jumps.sized,
        r.jumps.real,
        r.jumps.false_ones,
        r.seconds
    )
}
