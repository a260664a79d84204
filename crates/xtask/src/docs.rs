//! The documentation site: one folder of static pages, which open from disk too.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::{Outcome, cargo, environment, install, root, run, target, words};

/// Where pages lie in the repository. They keep their places in the site, so that their links hold.
const PAGES: [&str; 15] = [
    "README.md",
    "DEVELOPERS.md",
    "CONTRIBUTING.md",
    "SECURITY.md",
    "CHANGELOG.md",
    "docs",
    "benches/*.md",
    "bindings/*/README.md",
    "bindings/c/examples/*",
    "bindings/c/include",
    "bindings/web/js",
    "crates/coeval/docs",
    "examples/notebooks",
    "examples/survey-launch",
    "LICENSE-*",
];

/// The crates whose documentation belongs to the site.
const CRATES: [&str; 8] = [
    "coeval",
    "coeval-cut",
    "coeval-deliver",
    "coeval-error",
    "coeval-listen",
    "coeval-media",
    "coeval-shoot",
    "coeval-transform",
];

/// What Python needs for it.
const REQUIREMENTS: &str = "docs/site/requirements.txt";

/// How much of the site is made anew.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Extent {
    /// All of it.
    Whole,
    /// Every page, but by what other checks leave: the Python package of its own tests, and Rust's pages of
    /// `cargo xtask check`. Notebooks are shown without results: the package's tests run them.
    AfterTests,
}

/// Makes the site in `out`, or in `target/site`, and checks that nothing public is missing and no link is broken.
pub(crate) fn build(out: Option<&str>, extent: Extent) -> Outcome<PathBuf> {
    let out = match out {
        Some(out) => std::path::absolute(out).map_err(|e| format!("{out}: {e}"))?,
        None => target().join("site"),
    };
    if out.exists() && !out.join("objects.inv").is_file() {
        return Err(format!("{} holds something else than the site: choose another folder", out.display()));
    }
    let python = match extent {
        Extent::Whole => environment(REQUIREMENTS, "venv-site")?,
        // `bindings/python/test.sh` has made it, with the package in it.
        Extent::AfterTests => install(REQUIREMENTS, "venv-python", "site-requirements-installed.txt")?,
    };
    let bin = python.parent().unwrap_or(Path::new("")).to_path_buf();
    let search = std::env::var_os("PATH").unwrap_or_default();
    let path = std::env::join_paths(std::iter::once(bin.clone()).chain(std::env::split_paths(&search)));
    let path = path.map_err(|e| e.to_string())?;
    let with_venv = |program: &str| {
        let mut command = Command::new(bin.join(program));
        command.env("VIRTUAL_ENV", bin.parent().unwrap_or(&bin)).env("PATH", &path);
        command.env("MPLBACKEND", "Agg").env("PYTHONDONTWRITEBYTECODE", "1").env("COEVAL_CACHE", "");
        command
    };
    if extent == Extent::Whole {
        // As the tests of the Python package build it, so that one build serves both.
        let mut package = with_venv("maturin");
        package.args([
            "develop",
            "--quiet",
            "--features",
            "as-tested",
            "--manifest-path",
            "bindings/python/Cargo.toml",
        ]);
        run(&mut package)?;
    }

    let source = target().join("site-source");
    fresh(&source)?;
    for name in words::tracked(&PAGES)? {
        // What Sphinx is told, and pages that only the site has, lie at the top.
        let to = name.strip_prefix("docs/site/").unwrap_or(&name);
        copy(&root().join(&name), &source.join(to))?;
    }
    copy(&root().join("bindings/c/include/coeval.h"), &source.join("coeval.h"))?;
    let commands = source.join("reference/command");
    match extent {
        Extent::Whole => {
            run(cargo(&["run", "--quiet", "--package", "coeval-cli", "--example", "reference", "--"]).arg(&commands))?;
        }
        // With the features of the whole workspace it is what cargo's tests have built.
        Extent::AfterTests => {
            run(&mut cargo(&["build", "--quiet", "--workspace", "--example", "reference"]))?;
            run(Command::new(target().join("debug/examples/reference")).arg(&commands))?;
        }
    }
    fresh(&out)?;
    let mut sphinx = with_venv("python");
    sphinx.args(["-m", "sphinx", "-W", "--keep-going", "--quiet", "-b", "html"]);
    if extent == Extent::AfterTests {
        sphinx.args(["-D", "nb_execution_mode=off"]);
    }
    run(sphinx.arg("-d").arg(target().join("site-doctrees")).arg(&source).arg(&out))?;

    let mut rustdoc = cargo(&["doc", "--no-deps", "--quiet"]);
    match extent {
        Extent::Whole => {
            // Pages of other crates, from earlier runs, would be in its search.
            fresh(&target().join("doc"))?;
            rustdoc.args(CRATES.iter().flat_map(|c| ["--package", c]));
        }
        // As `cargo xtask check` calls it, so that nothing is made twice.
        Extent::AfterTests => drop(rustdoc.arg("--workspace")),
    }
    run(rustdoc.env("RUSTDOCFLAGS", "-D warnings"))?;
    copy_all(&target().join("doc"), &out.join("rust"))?;
    run(with_venv("python").args(["docs/site/check.py"]).arg(&out))?;
    Ok(out)
}

/// An empty folder of this name.
fn fresh(folder: &Path) -> Outcome {
    if folder.exists() {
        std::fs::remove_dir_all(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    }
    std::fs::create_dir_all(folder).map_err(|e| format!("{}: {e}", folder.display()))
}

fn copy(from: &Path, to: &Path) -> Outcome {
    let made = to.parent().map_or(Ok(()), std::fs::create_dir_all);
    made.and_then(|()| std::fs::copy(from, to).map(drop))
        .map_err(|e| format!("{} to {}: {e}", from.display(), to.display()))
}

fn copy_all(from: &Path, to: &Path) -> Outcome {
    for entry in std::fs::read_dir(from).map_err(|e| format!("{}: {e}", from.display()))? {
        let entry = entry.map_err(|e| format!("{}: {e}", from.display()))?;
        let (path, to) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() { copy_all(&path, &to)? } else { copy(&path, &to)? }
    }
    Ok(())
}
