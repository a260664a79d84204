//! Counts the instructions of each stage of the job and holds them against those of a committed list.
//!
//! Time differs from run to run and from machine to machine; instructions hardly do. They depend on the compiler, which
//! the list names, and on the processor where a library chooses its code by it.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};

use crate::{Outcome, cargo, root, run, target};

const LIST: &str = "benches/instructions.txt";
/// More than this share above the list is a failure.
const MARGIN: f64 = 0.10;

/// What came of the comparison.
pub(crate) enum Verdict {
    /// One line a stage.
    Within(Vec<String>),
    /// Why nothing was compared.
    Skipped(String),
}

/// Counts and compares.
pub(crate) fn compare() -> Outcome<Verdict> {
    if Command::new("valgrind").arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_err() {
        return Ok(Verdict::Skipped("there is no valgrind".to_owned()));
    }
    let Ok(list) = std::fs::read_to_string(root().join(LIST)) else {
        return Ok(Verdict::Skipped(format!("there is no {LIST}: make it with `cargo xtask instructions --refresh`")));
    };
    let made_by = list.lines().find_map(|l| l.strip_prefix("# ")).unwrap_or_default();
    let compiler = compiler()?;
    if made_by != compiler {
        return Ok(Verdict::Skipped(format!(
            "{LIST} is of {made_by}, this is {compiler}: make it again with `cargo xtask instructions --refresh`"
        )));
    }
    let before: BTreeMap<&str, u64> =
        list.lines().filter_map(|l| l.split_once(' ')).filter_map(|(k, v)| Some((k, v.trim().parse().ok()?))).collect();
    let (mut lines, mut over) = (Vec::new(), Vec::new());
    for (stage, now) in count()? {
        let Some(&then) = before.get(stage.as_str()) else {
            over.push(format!("{stage} is not in {LIST}"));
            continue;
        };
        let change = now as f64 / then as f64 - 1.0;
        let line = format!("{stage}: {now} instructions, {:+.1} %", 100.0 * change);
        if change > MARGIN { over.push(line) } else { lines.push(line) }
    }
    if over.is_empty() {
        return Ok(Verdict::Within(lines));
    }
    Err(format!(
        "more instructions than {LIST} allows (+{:.0} %): {}; if that is worth it, make the list again with \
         `cargo xtask instructions --refresh`",
        100.0 * MARGIN,
        over.join("; ")
    ))
}

/// Counts and writes the list.
pub(crate) fn refresh() -> Outcome {
    let mut text = format!("# {}\n", compiler()?);
    for (stage, count) in count()? {
        text.push_str(&format!("{stage} {count}\n"));
    }
    std::fs::write(root().join(LIST), text).map_err(|e| format!("{LIST}: {e}"))
}

fn compiler() -> Outcome<String> {
    let output = Command::new("rustc").arg("--version").output().map_err(|e| format!("rustc: {e}"))?;
    Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

/// Each stage and its instructions.
fn count() -> Outcome<Vec<(String, u64)>> {
    // With the features of the whole workspace, by which the tests are built, nothing is built twice; an example brings in
    // those of what only tests need.
    run(&mut cargo(&["build", "--quiet", "--workspace", "--bin", "stages", "--example", "sixty_seconds"]))?;
    let program = target().join("debug/stages");
    let list = Command::new(&program).output().map_err(|e| format!("{}: {e}", program.display()))?;
    String::from_utf8_lossy(&list.stdout)
        .lines()
        .map(|stage| Ok((stage.to_owned(), of_stage(&program, stage)?)))
        .collect()
}

fn of_stage(program: &Path, stage: &str) -> Outcome<u64> {
    let out = target().join(format!("instructions-{stage}.callgrind"));
    let mut valgrind = Command::new("valgrind");
    valgrind.args(["--quiet", "--tool=callgrind", "--collect-atstart=no", "--toggle-collect=stages::counted"]);
    valgrind.arg(format!("--callgrind-out-file={}", out.display())).arg(program).arg(stage);
    run(valgrind.stdout(Stdio::null()))?;
    let text = std::fs::read_to_string(&out).map_err(|e| format!("{}: {e}", out.display()))?;
    // Best effort: the figure is what matters.
    let _ = std::fs::remove_file(&out);
    let count = text.lines().find_map(|l| l.strip_prefix("totals: ")).and_then(|n| n.trim().parse().ok());
    count.filter(|n| *n > 0).ok_or_else(|| format!("{stage}: valgrind counted nothing"))
}
