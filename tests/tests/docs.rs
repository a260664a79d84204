//! README.md and docs/: what they show is what is. Commands run as they stand there, code is that of examples which run,
//! figures stand in the benchmarks' results.
//!
//! Code in Python runs in `bindings/python/tests/test_docs.py`, that in C and C++ in `bindings/c/test.sh`.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use coeval_tests::shoot::coeval;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn read(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The pages: name and text.
fn pages() -> Vec<(String, String)> {
    let docs = std::fs::read_dir(root().join("docs")).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = docs.filter(|n| n.ends_with(".md")).map(|n| format!("docs/{n}")).collect();
    for folder in ["docs/decisions", "crates/coeval/docs"] {
        let decisions = std::fs::read_dir(root().join(folder)).unwrap();
        names.extend(decisions.map(|e| format!("{folder}/{}", e.unwrap().file_name().into_string().unwrap())));
    }
    names.extend(["README.md", "SECURITY.md", "DEVELOPERS.md", "CONTRIBUTING.md"].map(str::to_owned));
    names.sort();
    assert!(names.len() >= 13, "{names:?}");
    names.into_iter().map(|n| (n.clone(), read(&n))).collect()
}

/// The pages by task, which only the documentation site has: name and text. Their links are checked there.
fn tasks() -> Vec<(String, String)> {
    let folder = std::fs::read_dir(root().join("docs/site/how-to")).unwrap();
    let mut names: Vec<String> = folder.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    // The list of them is made for Sphinx.
    names.retain(|n| n != "index.md");
    names.sort();
    assert!(names.len() >= 7, "{names:?}");
    names.into_iter().map(|n| format!("docs/site/how-to/{n}")).map(|n| (n.clone(), read(&n))).collect()
}

/// Fenced blocks of a page: language and text.
fn blocks(text: &str) -> Vec<(&str, &str)> {
    let parts: Vec<&str> = text.split("\n```").collect();
    assert!(parts.len() % 2 == 1, "a block does not end");
    parts.iter().skip(1).step_by(2).map(|b| b.split_once('\n').unwrap()).collect()
}

/// Runs an example and answers what it says.
fn example(name: &str, arguments: &[&Path]) -> String {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    // With the features of the whole workspace, by which these tests are built: nothing is built twice.
    let built = Command::new(cargo)
        .args(["build", "--quiet", "--workspace", "--example", name])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let own = std::env::current_exe().unwrap();
    let program = own.ancestors().nth(2).unwrap().join("examples").join(name);
    let ran = Command::new(program).args(arguments).current_dir(root()).output().unwrap();
    assert!(ran.status.success(), "{name}: {}", String::from_utf8_lossy(&ran.stderr));
    String::from_utf8(ran.stdout).unwrap()
}

#[test]
fn examples_on_samples_find_what_was_put_there() {
    let said = example("two_slices", &[]);
    assert!(said.contains("is at 5.0000 s of the camera") && said.contains("confidence 0.99"), "{said}");
    let said = example("push_blocks", &[]);
    let starts = ["device 0 starts at 0.0000 s", "device 1 starts at 5.0000 s", "device 2 starts at 8.0000 s"];
    assert!(starts.iter().all(|line| said.contains(line)) && said.contains("stopped when asked to"), "{said}");
    let said = example("markers", &[]);
    assert!(said.contains("3 claps match: offset 2.500 s"), "{said}");
}

#[test]
fn code_is_that_of_examples_which_run() {
    let examples = [
        ("rust", vec!["crates/coeval-shoot/examples/where_files_lie.rs"]),
        ("c", vec!["bindings/c/examples/places.c", "bindings/c/examples/plugin.c"]),
        ("cpp", vec!["bindings/c/examples/places.cpp"]),
    ];
    let mut seen = Vec::new();
    let pages = [pages(), tasks()].concat();
    for (page, text) in &pages {
        for (language, code) in blocks(text) {
            if let Some((_, files)) = examples.iter().find(|e| e.0 == language) {
                let same = files.iter().any(|f| read(f).contains(code.trim_end()));
                assert!(same, "{page}: no example of {files:?} holds\n{code}");
                seen.push(language);
            } else {
                let known = ["", "sh", "python", "toml"].contains(&language);
                assert!(known, "{page}: nothing runs what is written in {language:?}");
            }
        }
    }
    assert!(examples.iter().all(|e| seen.contains(&e.0)), "{seen:?}");
    let said = example("where_files_lie", &[]);
    assert_eq!(said.lines().filter(|l| l.ends_with(" s on the timeline")).count(), 6, "{said}");
    assert_eq!(said.lines().filter(|l| l.contains("no common sound")).count(), 1, "{said}");
}

#[test]
fn commands_run_as_they_stand_there() {
    let dir = tempfile::tempdir().unwrap();
    let material = root().join("examples/survey-launch/recordings");
    let out = dir.path().join("results");
    let mut count = 0;
    let mut done = HashSet::new();
    // The anchors of the page that shows some.
    let tasks = tasks();
    let anchors = dir.path().join("anchors.toml");
    let shown = tasks.iter().flat_map(|(_, text)| blocks(text)).find(|b| b.0 == "toml").expect("anchors");
    std::fs::write(&anchors, shown.1).unwrap();
    let pages = ["README.md", "docs/guide.md"].map(|page| (page.to_owned(), read(page)));
    for (page, text) in pages.iter().chain(&tasks) {
        for (_, code) in blocks(text).into_iter().filter(|b| b.0 == "sh") {
            for line in code.lines().map(|l| l.split(" #").next().unwrap_or_default().trim()).filter(|l| !l.is_empty())
            {
                let words: Vec<PathBuf> = line
                    .split_whitespace()
                    .map(|word| match word {
                        "the-shoot" | "examples/survey-launch/recordings" => material.clone(),
                        // What the pages by task write is looked at no further.
                        "results" if page.contains("/how-to/") => dir.path().join("results-of-tasks"),
                        "results" => out.clone(),
                        "anchors.toml" => anchors.clone(),
                        other => other.into(),
                    })
                    .collect();
                if line.starts_with("coeval ") {
                    count += 1;
                    // What both pages show is run once.
                    if !done.insert(words.clone()) {
                        continue;
                    }
                    // All but the first need not measure again, and of tasks no sound is looked at.
                    let kept = dir.path().join("kept");
                    let kept: &[&dyn AsRef<std::ffi::OsStr>] = match line.starts_with("coeval align") {
                        true if page.contains("/how-to/") => &[&"--cache", &kept, &"--only", &"timeline"],
                        true => &[&"--cache", &kept],
                        false => &[],
                    };
                    let args: Vec<&dyn AsRef<std::ffi::OsStr>> =
                        words[1..].iter().map(|w| w as _).chain(kept.iter().copied()).collect();
                    let ran = coeval(&args);
                    // One of the demo's files is from another day.
                    let code = if line.starts_with("coeval align") { 3 } else { 0 };
                    assert_eq!(ran.code, code, "{page}: {line}: {ran:?}");
                } else {
                    // The first two are what `.ci/run` does; the third would build all of it again.
                    let others = [
                        "cargo run --release -p coeval-cli -- demo",
                        "cargo xtask test",
                        "cargo install --path crates/coeval-cli",
                    ];
                    assert!(others.contains(&line), "{page}: nothing runs {line:?}");
                }
            }
        }
    }
    assert_eq!(count, 13);
    assert!(out.join("report.html").is_file() && out.join("rough-cut/edits.txt").is_file());

    // The list of edits that is shown is like the one that was made.
    let made = std::fs::read_to_string(dir.path().join("results-of-tasks/rough-cut/edits.txt")).unwrap();
    let shown = tasks.iter().flat_map(|(_, text)| blocks(text)).find(|b| b.1.starts_with("show ")).expect("edits");
    for line in shown.1.lines() {
        assert!(made.lines().any(|l| shape(l) == shape(line)), "{line}: {made}");
    }

    // What follows from such a result, as programs of one's own.
    let sound = dir.path().join("sound");
    let said = example("conform_to_wav", &[&out.join("alignment.json"), &material, &sound]);
    assert_eq!(said.lines().filter(|l| l.contains(" samples, as long as ")).count(), 5, "{said}");
    assert_eq!(said.lines().filter(|l| l.ends_with(": starts at 0.000 s")).count(), 1, "{said}");
    for line in said.lines() {
        let name = line.split(": ").next().unwrap();
        let info = coeval_media::probe(&sound.join(name), &Default::default()).unwrap();
        assert!(info.duration_s > 30.0, "{line}: {info:?}");
    }
    let said = example("rough_cut", &[&out, &material]);
    assert!(said.starts_with("238 s become ") && said.contains("\nshow 0:0"), "{said}");
}

/// A line without its numbers: their last digits are the engine's affair.
fn shape(line: &str) -> String {
    line.split_whitespace()
        .map(|w| if w.starts_with(|c: char| "+-0123456789".contains(c)) { "#" } else { w })
        .collect::<Vec<_>>()
        .join(" ")
}

#[test]
fn the_table_of_the_demo_looks_like_that() {
    let folder = root().join("examples/survey-launch");
    let said = coeval(&[&"demo", &"--recordings", &folder]).out;
    let there: Vec<String> = said.lines().map(shape).collect();
    let text = read("README.md");
    let table = blocks(&text).into_iter().find(|b| b.1.contains("files placed;")).expect("the table");
    for line in table.1.lines().filter(|l| *l != "...") {
        assert!(there.contains(&shape(line)), "{line}: {said}");
    }
}

#[test]
fn the_anchors_that_are_shown_are_read() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("anchors.toml");
    let mut count = 0;
    for (page, text) in [pages(), tasks()].concat() {
        for (_, code) in blocks(&text).into_iter().filter(|b| b.0 == "toml") {
            std::fs::write(&path, code).unwrap();
            let anchors = coeval_shoot::read_anchors(&path).unwrap_or_else(|e| panic!("{page}: {e}"));
            count += anchors.len();
        }
    }
    assert_eq!(count, 2);
}

/// Numbers of a text, as they stand there.
fn numbers(text: &str) -> Vec<&str> {
    let parts = text.split(|c: char| !c.is_ascii_digit() && c != '.').map(|w| w.trim_matches('.'));
    parts.filter(|w| !w.is_empty()).collect()
}

#[test]
fn figures_stand_in_the_results_of_the_benchmarks() {
    let guide = read("docs/guide.md");
    let section = guide.split("## Accuracy").nth(1).unwrap().split("\n## ").next().unwrap();
    let mut file = "";
    let mut rows = 0;
    for row in section.lines().filter(|l| l.starts_with("| ")).skip(1) {
        let cells: Vec<&str> = row.trim_matches(['|', ' ']).split(" | ").collect();
        let [what, figures, from] = cells[..] else { continue };
        if figures == "---" {
            continue;
        }
        if let Some(named) = from.split('`').find(|w| w.starts_with("benches/")) {
            file = named;
        }
        let wanted = numbers(figures);
        let text = read(file);
        let found = text.lines().any(|line| {
            let there = numbers(line);
            wanted.iter().all(|n| there.contains(n))
        });
        assert!(found && !wanted.is_empty(), "{what}: no line of {file} holds {wanted:?}");
        rows += 1;
    }
    assert!(rows >= 5, "{rows} rows");
}

#[test]
fn links_lead_somewhere() {
    for (page, text) in pages() {
        let folder = root().join(&page).parent().unwrap().to_path_buf();
        for target in text.split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            let (file, place) = target.split_once('#').unwrap_or((target, ""));
            let path = if file.is_empty() { root().join(&page) } else { folder.join(file) };
            assert!(path.is_file(), "{page}: {target}");
            if !place.is_empty() {
                let headings = std::fs::read_to_string(&path).unwrap();
                let anchor = |l: &str| l.trim_start_matches(['#', ' ']).to_lowercase().replace(' ', "-");
                assert!(headings.lines().any(|l| l.starts_with('#') && anchor(l) == place), "{page}: {target}");
            }
        }
    }
}

#[test]
fn cautions_are_the_same_everywhere() {
    let section = |name: &str| {
        let text = read(name);
        let section = text.split("## Cautions\n").nth(1).unwrap_or_else(|| panic!("{name} has no cautions"));
        section.split("\n## ").next().unwrap().trim().to_owned()
    };
    assert!(section("README.md").lines().filter(|l| l.starts_with("- ")).count() >= 5);
    assert_eq!(section("README.md"), section("docs/guide.md"));
}
