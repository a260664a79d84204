//! The C library: its header and its installation.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::{Outcome, cargo, root, run, target};

#[allow(unreachable_pub, reason = "the library exports it")]
#[path = "../../../bindings/c/src/abi.rs"]
mod abi;

const VERSION: &str = env!("CARGO_PKG_VERSION");

fn folder() -> PathBuf {
    root().join("bindings/c")
}

/// Makes `coeval.h` from the library's sources, or with `check` only says whether it is current.
pub(crate) fn header(check: bool) -> Outcome {
    let config = cbindgen::Config::from_file(folder().join("cbindgen.toml"))?;
    let bindings = cbindgen::Builder::new().with_crate(folder()).with_config(config).generate();
    let mut made = Vec::new();
    bindings.map_err(|e| format!("cannot make the header: {e}"))?.write(&mut made);
    let path = folder().join("include/coeval.h");
    let there = std::fs::read(&path).unwrap_or_default();
    if there == made {
        return Ok(());
    }
    if check {
        return Err(format!("{} is stale: run `cargo xtask header`", path.display()));
    }
    std::fs::write(&path, made).map_err(|e| format!("{}: {e}", path.display()))
}

/// What `install-c` was asked for.
pub(crate) struct Install {
    prefix: PathBuf,
    profile: String,
    features: Option<String>,
}

impl Install {
    /// From the words after `install-c`; `None` when they make no sense.
    pub(crate) fn parse(words: &[&str]) -> Option<Self> {
        let (mut prefix, mut profile, mut features) = (None, "release", None);
        for pair in words.chunks(2) {
            match *pair {
                ["--prefix", value] => prefix = Some(value),
                ["--profile", value] => profile = value,
                ["--features", value] => features = Some(value),
                _ => return None,
            }
        }
        let prefix = std::path::absolute(prefix?).ok()?;
        Some(Self { prefix, profile: profile.to_owned(), features: features.map(str::to_owned) })
    }
}

/// Builds the library and puts it with its headers and package files under a prefix.
pub(crate) fn install(what: &Install) -> Outcome {
    let mut build = cargo(&["build", "--lib", "--profile", &what.profile]);
    match &what.features {
        None => build.args(["--package", "coeval-c"]),
        // Only tests ask for features. With those of the whole workspace, by which Rust's tests are built, nothing is built
        // twice; an example brings in those of what only tests need. The Python module among the libraries is linked
        // without an interpreter.
        Some(features) => build
            .args(["--workspace", "--example", "sixty_seconds", "--features", &format!("coeval-c/{features}")])
            .env("PYO3_BUILD_EXTENSION_MODULE", "1"),
    };
    run(&mut build)?;
    // Cargo names the folder of the profile `dev` otherwise.
    let built = target().join(if what.profile == "dev" { "debug" } else { &what.profile });
    let lib = what.prefix.join("lib");
    let include = what.prefix.join("include");
    for header in ["coeval.h", "coeval.hpp"] {
        copy(&folder().join("include").join(header), &include.join(header))?;
    }
    let abi = abi::COEVAL_ABI_VERSION.to_string();
    let (shared, import, archive) = if cfg!(windows) {
        copy(&built.join("coeval.dll"), &what.prefix.join("bin/coeval.dll"))?;
        copy(&built.join("coeval.dll.lib"), &lib.join("coeval.dll.lib"))?;
        ("bin/coeval.dll".to_owned(), "lib/coeval.dll.lib", "coeval.lib")
    } else {
        let (from, to, link) = if cfg!(target_os = "macos") {
            ("libcoeval.dylib", format!("libcoeval.{abi}.dylib"), "libcoeval.dylib")
        } else {
            ("libcoeval.so", format!("libcoeval.so.{abi}"), "libcoeval.so")
        };
        copy(&built.join(from), &lib.join(&to))?;
        symlink(&to, &lib.join(link))?;
        (format!("lib/{to}"), "", "libcoeval.a")
    };
    copy(&built.join(archive), &lib.join(archive))?;
    let values = [
        ("@VERSION@", VERSION.to_owned()),
        ("@SHARED@", shared),
        ("@IMPORT@", import.to_owned()),
        ("@ARCHIVE@", format!("lib/{archive}")),
        ("@SYSTEM_LIBRARIES@", system_libraries()?),
    ];
    for (template, to) in [
        ("coeval.pc.in", "pkgconfig/coeval.pc"),
        ("coeval-config.cmake.in", "cmake/coeval/coeval-config.cmake"),
        ("coeval-config-version.cmake.in", "cmake/coeval/coeval-config-version.cmake"),
    ] {
        let from = folder().join("packaging").join(template);
        let text = std::fs::read_to_string(&from).map_err(|e| format!("{}: {e}", from.display()))?;
        let text = values.iter().fold(text, |text, (name, value)| text.replace(name, value));
        write(&lib.join(to), text.as_bytes())?;
    }
    println!("installed coeval {VERSION} (binary interface {abi}) in {}", what.prefix.display());
    Ok(())
}

/// The system's libraries that a program needs which links the static library, as the compiler names them.
fn system_libraries() -> Outcome<String> {
    // An empty library needs what every Rust library needs; asking for the real one would build it again.
    let folder = target().join("tmp/native-libraries");
    write(&folder.join("empty.rs"), b"")?;
    let mut rustc = Command::new(std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into()));
    rustc.current_dir(&folder).args(["--crate-type", "staticlib", "--print", "native-static-libs", "empty.rs"]);
    let output = rustc.output().map_err(|e| format!("rustc: {e}"))?;
    let text = String::from_utf8_lossy(&output.stderr);
    let line = text.lines().find_map(|line| line.split_once("native-static-libs: "));
    line.map(|l| l.1.trim().to_owned()).ok_or_else(|| format!("rustc names no system libraries:\n{text}"))
}

fn write(path: &Path, content: &[u8]) -> Outcome {
    let made = path.parent().map_or(Ok(()), std::fs::create_dir_all);
    made.and_then(|()| std::fs::write(path, content)).map_err(|e| format!("{}: {e}", path.display()))
}

fn copy(from: &Path, to: &Path) -> Outcome {
    let made = to.parent().map_or(Ok(()), std::fs::create_dir_all);
    // Onto a library in use nothing may be written; beside it, and renamed, it may.
    let part = to.with_extension("part");
    made.and_then(|()| std::fs::copy(from, &part))
        .and_then(|_| std::fs::rename(&part, to))
        .map_err(|e| format!("{} to {}: {e}", from.display(), to.display()))
}

#[cfg(unix)]
fn symlink(to: &str, link: &Path) -> Outcome {
    let _ = std::fs::remove_file(link);
    std::os::unix::fs::symlink(to, link).map_err(|e| format!("{}: {e}", link.display()))
}

#[cfg(not(unix))]
fn symlink(_to: &str, _link: &Path) -> Outcome {
    Ok(())
}
