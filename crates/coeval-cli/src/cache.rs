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
    /// Folder in which what was measured of files is kept for the next run [default: that of the variable COEVAL_CACHE,
    /// or what the platform has for caches]
    #[arg(long, value_name = "DIR", conflicts_with = "no_cache")]
    cache: Option<PathBuf>,
    /// Measure everything anew and keep nothing
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
    if let Some(trouble) = cache.and_then(Cache::trouble) {
        writeln!(console.err, "coeval: note: {}", show::printable(trouble))?;
    }
    Ok(())
}

/// Says where what was measured is kept for the next run, and how large it is. Nothing in there is needed: what is missing
/// is measured anew.
#[derive(Args)]
pub(crate) struct ShowCacheArgs {
    /// Another folder than the usual one
    #[arg(long, value_name = "DIR")]
    cache: Option<PathBuf>,
    /// Remove all that is kept; other files in the folder stay
    #[arg(long)]
    clear: bool,
}

pub(crate) fn run(args: &ShowCacheArgs, console: &mut Console<'_>) -> Result<u8, Failure> {
    let Some(folder) = folder(args.cache.as_ref()) else {
        return Err(Error::new(ErrorKind::NotFound, "nothing is kept: there is no folder for it")
            .with_remedy("name one with --cache or in the variable COEVAL_CACHE")
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
