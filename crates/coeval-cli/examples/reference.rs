//! Writes the reference of `coeval` for the documentation site into a folder, a page for each command:
//! `cargo xtask docs`.

use std::fmt::Write;
use std::io::Result;
use std::path::Path;

use clap::{Arg, Command};

fn main() -> Result<()> {
    let folder = std::env::args_os().nth(1).ok_or_else(|| std::io::Error::other("usage: reference FOLDER"))?;
    write(Path::new(&folder))
}

/// Writes all of it into `folder`.
pub(crate) fn write(folder: &Path) -> Result<()> {
    std::fs::create_dir_all(folder)?;
    let mut command = coeval_cli::command_line().disable_help_subcommand(true);
    command.build();
    let mut index = page(&command, "The command coeval");
    index.push_str("\n## Commands\n\n");
    let mut contents = String::new();
    for sub in command.get_subcommands().filter(|c| !c.is_hide_set()) {
        let name = sub.get_name();
        let about = sub.get_about().map(ToString::to_string).unwrap_or_default();
        index.push_str(&format!("- [coeval {name}]({name}.md): {about}\n"));
        contents.push_str(&format!("{name}\n"));
        std::fs::write(folder.join(format!("{name}.md")), page(sub, &format!("coeval {name}")))?;
    }
    // The Python package adds this command, whose page Python writes.
    index.push_str(
        "- [coeval batch](batch.md): Align an archive of shoots on a Dask cluster (with the Python package)\n",
    );
    index.push_str(&format!("\n```{{toctree}}\n:hidden:\n\n{contents}batch\n```\n"));
    std::fs::write(folder.join("index.md"), index)
}

/// A command's page in Markdown.
fn page(command: &Command, title: &str) -> String {
    let about = command.get_long_about().or(command.get_about()).map(ToString::to_string).unwrap_or_default();
    let usage = command.clone().render_usage().to_string();
    let mut page = format!("# {title}\n\n{}\n\n```text\n{usage}\n```\n", plain(&about));
    let shown = |arg: &&Arg| !arg.is_hide_set();
    let mut headings: Vec<&str> = Vec::new();
    for arg in command.get_arguments().filter(shown) {
        let heading = heading(arg);
        if !headings.contains(&heading) {
            headings.push(heading);
        }
    }
    for title in headings {
        let _ = write!(page, "\n## {title}\n");
        for arg in command.get_arguments().filter(shown).filter(|a| heading(a) == title) {
            page.push_str(&entry(arg));
        }
    }
    if let Some(after) = command.get_after_help() {
        let _ = write!(page, "\n```text\n{after}\n```\n");
    }
    page
}

fn heading(arg: &Arg) -> &str {
    arg.get_help_heading().unwrap_or(if arg.is_positional() { "Arguments" } else { "Options" })
}

/// An argument: how it is written, what it does, and what it may be.
fn entry(arg: &Arg) -> String {
    let takes_value = arg.get_action().takes_values();
    let value = arg.get_value_names().filter(|_| takes_value).map(|names| names.join(" ")).unwrap_or_default();
    let long = arg.get_long().map(|l| if value.is_empty() { format!("--{l}") } else { format!("--{l} {value}") });
    let written: Vec<String> = arg.get_short().map(|s| format!("-{s}")).into_iter().chain(long).collect();
    let written = if arg.is_positional() { value } else { written.join(", ") };
    let about = arg.get_long_help().or(arg.get_help()).map(ToString::to_string).unwrap_or_default();
    let mut entry = format!("\n`{written}`\n{}\n", indented(&plain(&about)));
    let values: Vec<String> = arg
        .get_possible_values()
        .iter()
        .filter(|v| takes_value && !v.is_hide_set())
        .map(|v| match v.get_help() {
            Some(help) => format!("`{}`: {help}", v.get_name()),
            None => format!("`{}`", v.get_name()),
        })
        .collect();
    if !values.is_empty() {
        let _ = write!(entry, "\n  One of {}.\n", values.join(", "));
    }
    let defaults: Vec<String> = arg.get_default_values().iter().map(|v| v.to_string_lossy().into_owned()).collect();
    if takes_value && !defaults.is_empty() && !arg.is_hide_default_value_set() {
        let _ = write!(entry, "\n  Default: `{}`.\n", defaults.join(" "));
    }
    entry
}

/// Help as Markdown: nothing in it is markup.
fn plain(help: &str) -> String {
    help.chars().fold(String::new(), |mut text, c| {
        if "*_<>[]`|#\\".contains(c) {
            text.push('\\');
        }
        text.push(c);
        text
    })
}

/// The body of an entry in a list of definitions.
fn indented(text: &str) -> String {
    let lines: Vec<String> =
        text.lines().map(|l| if l.is_empty() { String::new() } else { format!("  {l}") }).collect();
    format!(": {}", lines.join("\n").trim_start())
}
