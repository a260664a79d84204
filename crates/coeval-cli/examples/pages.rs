//! Writes the manual and the shell completions of `coeval` below a folder, where systems look for them:
//! `cargo xtask pages --prefix P`.
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use std::io::Result;
use std::path::{Path, PathBuf};

use clap_complete::{Shell, generate_to};

fn main() -> Result<()> {
    let prefix = std::env::args_os().nth(1).ok_or_else(|| std::io::Error::other("usage: pages PREFIX"))?;
    for path in write(Path::new(&prefix))? {
        println!("{}", path.display());
    }
    Ok(())
}

/// Writes all of them and answers with their paths.
pub(crate) fn write(prefix: &Path) -> Result<Vec<PathBuf>> {
    let mut command = coeval_cli::command_line();
    let manual = prefix.join("share/man/man1");
    std::fs::create_dir_all(&manual)?;
    // A page is the help already.
    clap_mangen::generate_to(command.clone().disable_help_subcommand(true), &manual)?;
    let mut written: Vec<PathBuf> = std::fs::read_dir(&manual)?
        .map(|entry| entry.map(|e| e.path()))
        .filter(|p| {
            p.as_ref().map_or(true, |p| p.file_name().is_some_and(|n| n.as_encoded_bytes().starts_with(b"coeval")))
        })
        .collect::<Result<_>>()?;
    for (shell, folder) in [
        (Shell::Bash, "share/bash-completion/completions"),
        (Shell::Zsh, "share/zsh/site-functions"),
        (Shell::Fish, "share/fish/vendor_completions.d"),
    ] {
        let folder = prefix.join(folder);
        std::fs::create_dir_all(&folder)?;
        let made = generate_to(shell, &mut command, "coeval", &folder)?;
        // Bash looks for the command's bare name.
        let wanted = if shell == Shell::Bash { folder.join("coeval") } else { made.clone() };
        std::fs::rename(made, &wanted)?;
        written.push(wanted);
    }
    written.sort();
    Ok(written)
}
