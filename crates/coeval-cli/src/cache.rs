//! `coeval cache`, and where the other commands keep what they measured.

use std::path::PathBuf;

use clap::Args;
use coeval::{Error, ErrorKind};
use coeval_media::Cache;

use crate::console::{Console, Failure, exit};
use crate::show;

/// Names a folder for what is kept, in place of the platform's; empty: nothing is kept.
const VARIABLE: &str = "COEVAL_CACHE";

/// Where what was measured is kept.
#[derive(Args)]
pub(crate) struct CacheArgs {
    /// Folder that keeps measurements, and a copy of the sound at 8 kHz, for the next run [default: the value of the
    /// environment variable COEVAL_CACHE, or the cache folder of the system]
    #[arg(long, value_name = "DIR", conflicts_with = "no_cache")]
    cache: Option<PathBuf>,
    /// Keep nothing between runs: no measurements, and no copy of the sound at 8 kHz; use nothing that was kept
    #[arg(long)]
    no_cache: bool,
}

impl CacheArgs {
    pub(crate) fn open(&self) -> Option<Cache> {
        if self.no_cache {
            return None;
        }
        folder(self.cache.as_ref()).map(|folder| Cache::new(folder, Cache::MOST_BYTES))
    }
}

fn folder(given: Option<&PathBuf>) -> Option<PathBuf> {
    match (given, std::env::var_os(VARIABLE)) {
        (Some(given), _) => Some(given.clone()),
        (None, Some(set)) => Some(PathBuf::from(set)).filter(|set| !set.as_os_str().is_empty()),
        (None, None) => Cache::platform_folder(),
    }
}

/// Says on standard error why something could not be kept.
pub(crate) fn note(cache: Option<&Cache>, console: &mut Console<'_>) -> Result<(), Failure> {
    if let Some(failure) = cache.and_then(Cache::failure) {
        writeln!(console.err, "coeval: note: {}", show::printable(failure))?;
    }
    Ok(())
}

#[derive(Args)]
#[command(after_help = "\
Exit codes:
  0    done
  1    the command line is wrong
  2    nothing was done: no cache folder is known, or it cannot be read or cleared")]
pub(crate) struct ShowCacheArgs {
    /// Use this cache folder instead of the usual one
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
    /// Remove all kept measurements; other files in the folder stay
    #[arg(long)]
    clear: bool,
}

pub(crate) fn run(args: &ShowCacheArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let Some(folder) = folder(args.cache.as_ref()) else {
        return Err(Error::new(ErrorKind::NotFound, "nothing is kept, because no cache folder is known")
            .with_remedy("set one with --cache or with the environment variable COEVAL_CACHE")
            .into());
    };
    let cache = Cache::new(folder, Cache::MOST_BYTES);
    let (entries, bytes) = if args.clear { cache.clear()? } else { cache.size()? };
    let what = if args.clear { "removed, " } else { "" };
    writeln!(
        console.out,
        "{}: {what}{entries} entries, {:.1} MB (at most {:.0} MB)",
        show::path(cache.folder()),
        bytes as f64 / 1e6,
        Cache::MOST_BYTES as f64 / 1e6
    )?;
    Ok(exit::ALL_PLACED)
}
