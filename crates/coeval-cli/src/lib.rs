#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

mod align;
mod cache;
mod console;
mod demo;
mod probe;
mod show;
mod table;
mod tighten;

use std::ffi::OsString;

use clap::{CommandFactory, Parser, Subcommand};

pub use console::{Console, ShownAs, exit, give_up};
use console::{EXIT_CODES, WhileRead};

/// Places all recordings of one event on a common timeline, from their sound.
#[derive(Parser)]
#[command(name = "coeval", bin_name = "coeval", version, after_help = EXIT_CODES, arg_required_else_help = true)]
struct Cli {
    /// Show no progress: print results and errors only
    #[arg(short, long, global = true)]
    quiet: bool,

    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Align recordings and write the result
    ///
    /// Finds from the sound how the clocks of the recordings relate, and prints one line for each file. With -o it also
    /// writes timelines, edit decision lists, conformed sound and a report; READ-ME.txt says what each file is. To
    /// conform means here: to stretch or shrink sound very slightly (resample) and cut it, so that it fits a clip exactly.
    /// The recordings themselves are never changed.
    Align(align::AlignArgs),
    /// Make a rough cut from a finished alignment: leave out parts where nothing happens, choose camera angles
    ///
    /// The first run finds when someone speaks and what else happens, and keeps this in speech.json for later runs. It
    /// writes a shorter timeline, chapters, a page for the report, and edits.txt: a list that you can change and give
    /// back with --edits. An earlier rough cut is replaced; if its edits.txt was changed, only with --edits or --replace.
    /// The recordings themselves are never changed.
    ///
    /// Before you publish: people who can be heard must have agreed, and radio traffic may be unlawful to publish.
    Tighten(tighten::TightenArgs),
    /// Show container, length, tracks, creation time and timecode of media files
    Probe(probe::ProbeArgs),
    /// Show or clear the measurements kept between runs
    ///
    /// It is safe to clear them: Coeval measures again what is missing.
    Cache(cache::ShowCacheArgs),
    /// Align the demo recordings and compare with their true positions
    ///
    /// The aligner never sees the true positions, which are in truth.json. The last column of the table is the largest error
    /// over the whole length of each file.
    ///
    /// The demo tells an invented story, in which the cameras were started ashore. Never handle a camera while you
    /// operate a vessel or vehicle.
    Demo(demo::DemoArgs),
}

/// The commands and options, for whoever makes a manual or completions of them.
pub fn command_line() -> clap::Command {
    Cli::command()
}

/// Runs the command line `args` (the program's name first) and returns its exit code.
pub fn run(args: impl IntoIterator<Item = impl Into<OsString> + Clone>, console: &mut Console<'_>) -> u8 {
    let cli = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(e) => {
            let text = e.render();
            // Help and version were asked for and go to where results go.
            let (code, to) = if e.use_stderr() { (exit::USAGE, &mut *console.err) } else { (0, &mut *console.out) };
            let _ = write!(to, "{text}");
            return code;
        }
    };
    let mut out = WhileRead(&mut *console.out);
    let progress = if cli.quiet { ShownAs::Nothing } else { console.progress };
    let mut to = Console { out: &mut out, err: &mut *console.err, progress, stop: console.stop };
    let result = match &cli.command {
        Command::Align(args) => align::run(args, &mut to),
        Command::Tighten(args) => tighten::run(args, &mut to),
        Command::Probe(args) => probe::run(args, &mut to),
        Command::Cache(args) => cache::run(args, &mut to),
        Command::Demo(args) => demo::run(args, &mut to),
    };
    match result {
        Ok(code) => code,
        Err(e) => {
            let _ = writeln!(console.err, "coeval: {}", e.line());
            e.code()
        }
    }
}
