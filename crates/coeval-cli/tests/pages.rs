//! The manual and the shell completions know every command and every option, and none that there is not.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::Command;

#[expect(dead_code, reason = "its main is for the command line")]
#[path = "../examples/pages.rs"]
mod pages;

#[expect(dead_code, reason = "its main is for the command line")]
#[path = "../examples/reference.rs"]
mod reference;

/// Long options that stand in a text, roff or a script.
fn options(text: &str) -> BTreeSet<String> {
    let text = text.replace("\\-", "-").replace("\\fB", "").replace("\\fI", "").replace("\\fR", "");
    let mut found = BTreeSet::new();
    for (at, _) in text.match_indices("--") {
        let before = text[..at].chars().next_back();
        let name: String = text[at + 2..].chars().take_while(|c| c.is_ascii_lowercase() || *c == '-').collect();
        if name.starts_with(|c: char| c.is_ascii_lowercase())
            && !before.is_some_and(|c| c.is_alphanumeric() || c == '-')
        {
            found.insert(format!("--{}", name.trim_end_matches('-')));
        }
    }
    found
}

#[test]
fn manual_and_completions_match_the_options() {
    let dir = tempfile::tempdir().unwrap();
    let written = pages::write(dir.path()).unwrap();
    let read = |name: &str| std::fs::read_to_string(dir.path().join("share").join(name)).unwrap();
    let mut command = coeval_cli::command_line();
    command.build();
    let bash = read("bash-completion/completions/coeval");
    let zsh = read("zsh/site-functions/_coeval");
    let fish = read("fish/vendor_completions.d/coeval.fish");
    let mut all = BTreeSet::new();
    let mut pages = 1;
    assert!(read("man/man1/coeval.1").contains("coeval\\-align(1)"));
    for sub in command.get_subcommands().filter(|s| s.get_name() != "help") {
        pages += 1;
        let manual = read(&format!("man/man1/coeval-{}.1", sub.get_name()));
        let own: BTreeSet<String> = sub.get_arguments().filter_map(|a| Some(format!("--{}", a.get_long()?))).collect();
        assert!(own.len() > 1, "{}", sub.get_name());
        assert_eq!(options(&manual).intersection(&own).count(), own.len(), "{}: {manual}", sub.get_name());
        // Other commands and options that a page's text speaks of are there too.
        let known: BTreeSet<String> = command
            .get_subcommands()
            .flat_map(|s| s.get_arguments())
            .filter_map(|a| a.get_long())
            .map(|l| format!("--{l}"))
            .collect();
        assert!(options(&manual).is_subset(&known), "{}: {:?}", sub.get_name(), options(&manual).difference(&known));
        for text in [&bash, &zsh, &fish] {
            assert!(text.contains(sub.get_name()), "{}", sub.get_name());
        }
        all.extend(own);
    }
    assert_eq!(written.len(), pages + 3, "a page for each command, three completions: {written:?}");
    for (text, name) in [(&bash, "bash"), (&zsh, "zsh")] {
        assert!(options(text).is_superset(&all), "{name}: {:?}", all.difference(&options(text)));
    }
    for option in &all {
        assert!(fish.contains(&format!("-l {}", &option[2..])), "{option}");
    }
}

#[test]
fn the_reference_has_every_option_that_is_shown_and_no_other() {
    let dir = tempfile::tempdir().unwrap();
    reference::write(dir.path()).unwrap();
    let mut command = coeval_cli::command_line().disable_help_subcommand(true);
    command.build();
    let index = std::fs::read_to_string(dir.path().join("index.md")).unwrap();
    for sub in command.get_subcommands() {
        let name = sub.get_name();
        assert!(index.contains(&format!("]({name}.md)")), "{name}: {index}");
        let page = std::fs::read_to_string(dir.path().join(format!("{name}.md"))).unwrap();
        for arg in sub.get_arguments() {
            let Some(long) = arg.get_long() else { continue };
            let entry = page.lines().any(|l| l.starts_with('`') && options(l).contains(&format!("--{long}")));
            assert_eq!(entry, !arg.is_hide_set(), "{name} --{long}: {page}");
        }
    }
}

#[test]
fn bash_completes_with_it() {
    if Command::new("bash").arg("--version").output().is_err() {
        let _ = writeln!(std::io::stdout(), "\nskipped: there is no bash to complete words");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    pages::write(dir.path()).unwrap();
    let script = dir.path().join("share/bash-completion/completions/coeval");
    let complete = |words: &[&str]| -> Vec<String> {
        let ask = format!(
            ". '{}'; COMP_WORDS=({}); COMP_CWORD={}; _coeval coeval \"${{COMP_WORDS[-1]}}\" \"${{COMP_WORDS[-2]}}\"; \
             printf '%s\\n' \"${{COMPREPLY[@]}}\"",
            Path::new(&script).display(),
            words.join(" "),
            words.len() - 1
        );
        let run = Command::new("bash").args(["--norc", "-c", &ask]).output().unwrap();
        assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
        String::from_utf8(run.stdout).unwrap().lines().map(str::to_owned).collect()
    };
    assert_eq!(complete(&["coeval", "ti"]), ["tighten"]);
    assert_eq!(complete(&["coeval", "align", "--anch"]), ["--anchors"]);
}
