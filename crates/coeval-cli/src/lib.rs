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

pub use console::{Console, ShownAs, exit};
use console::{EXIT_CODES, WhileRead};

/// Puts every recording of one event on one clock.
#[derive(Parser)]
#[command(name = "coeval", version, after_help = EXIT_CODES, arg_required_else_help = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Align the recordings in a folder (or named one by one) and write the result
    Align(align::AlignArgs),
    /// Make a rough cut of a finished alignment: dead air out, angles chosen
    Tighten(tighten::TightenArgs),
    /// Show what the headers of files say
    Probe(probe::ProbeArgs),
    /// Say how large what is kept between runs is, or remove it
    Cache(cache::ShowCacheArgs),
    /// Align the demo recordings and measure the result against the known truth
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
    let mut to = Console { out: &mut out, err: &mut *console.err, progress: console.progress, stop: console.stop };
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
