//! `coeval probe`.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use coeval::Error;
use coeval_shoot::{Found, Headers, Options, Probed};
use serde_json::json;

use crate::console::{Console, Failure, ShownAs, Watch, exit};
use crate::show;

#[derive(Args)]
#[command(after_help = "\
Exit codes:
  0    every file can be read
  1    the command line is wrong
  2    no file can be read
  3    some files can be read, others cannot; the output gives the reasons
  130  interrupted with Ctrl-C")]
pub(crate) struct ProbeArgs {
    /// Files, or folders with recordings
    #[arg(required = true, value_name = "FILE")]
    paths: Vec<PathBuf>,
    /// Print JSON: an array with one object per file
    #[arg(long)]
    json: bool,
    /// Use the program `ffmpeg`, if it is installed, for formats that Coeval cannot read itself
    #[arg(long)]
    allow_ffmpeg: bool,
}

pub(crate) fn run(args: &ProbeArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let mut options = Options::default();
    options.open.allow_ffmpeg = args.allow_ffmpeg;
    // A path that leads nowhere must not hide what the other files say.
    let mut files: Vec<(String, Result<Headers, Error>)> = Vec::new();
    for path in &args.paths {
        match coeval_shoot::find(std::slice::from_ref(path)) {
            Err(e) => files.push((path.display().to_string(), Err(e))),
            Ok(found) => {
                let watch = Watch::new(ShownAs::Nothing, console.stop);
                let probed = coeval_shoot::probe(&found, &options.open, &watch)?;
                files.extend(names(&found, probed, path));
            }
        }
    }
    if args.json {
        let list: Vec<_> = files
            .iter()
            .map(|(name, headers)| match headers {
                Ok(headers) => json!({"path": name, "headers": headers, "error": null}),
                Err(e) => json!({"path": name, "headers": null, "error": reason(e)}),
            })
            .collect();
        let text = serde_json::to_string_pretty(&list).map_err(std::io::Error::other)?;
        writeln!(console.out, "{text}")?;
    } else {
        for (name, headers) in &files {
            match headers {
                Ok(headers) => describe(console.out, name, headers)?,
                Err(e) => writeln!(
                    console.out,
                    "{}\n  cannot be read: {}",
                    show::printable(name),
                    show::printable(&reason(e))
                )?,
            }
        }
    }
    let failed = files.iter().filter(|f| f.1.is_err()).count();
    Ok(match failed {
        0 => exit::ALL_PLACED,
        n if n == files.len() => exit::NOTHING_DONE,
        _ => exit::SOME_LEFT,
    })
}

/// Names as the user would type them.
fn names(found: &Found, probed: Vec<Probed>, given: &Path) -> Vec<(String, Result<Headers, Error>)> {
    let is_folder = !found.folders.is_empty();
    let name =
        |below: &str| if is_folder { given.join(below).display().to_string() } else { given.display().to_string() };
    probed.into_iter().map(|p| (name(&p.name), p.info)).collect()
}

fn reason(error: &Error) -> String {
    match error.remedy() {
        Some(remedy) => format!("{}; {remedy}", error.message()),
        None => error.message().to_owned(),
    }
}

fn describe(out: &mut dyn Write, name: &str, headers: &Headers) -> std::io::Result<()> {
    writeln!(out, "{}", show::printable(name))?;
    writeln!(out, "  {}, {:.3} s", headers.container, headers.duration_s)?;
    match &headers.picture {
        Some(p) => {
            let [num, den] = p.frame_rate;
            let rate = if den == 1 { num.to_string() } else { format!("{num}/{den}") };
            let varies = if p.variable_rate { " on average (variable)" } else { "" };
            writeln!(
                out,
                "  picture: {} x {}, {rate} fps{varies}, {:.3} s, starts at {:.3} s",
                p.size[0], p.size[1], p.duration_s, p.start_s
            )?;
        }
        None => writeln!(out, "  no picture")?,
    }
    match &headers.sound {
        Some(s) => writeln!(
            out,
            "  sound: {}, {} Hz, {} channel{}",
            s.codec,
            s.rate_hz,
            s.channels,
            if s.channels == 1 { "" } else { "s" }
        )?,
        None => writeln!(out, "  no sound")?,
    }
    if let Some(device) = &headers.device {
        writeln!(out, "  device: {}", show::printable(device))?;
    }
    if let Some(made) = headers.created_unix_s.and_then(|s| jiff::Timestamp::from_second(s).ok()) {
        writeln!(out, "  created: {made}")?;
    }
    if let Some(timecode) = &headers.timecode {
        writeln!(out, "  timecode: {}", show::printable(timecode))?;
    }
    Ok(())
}
