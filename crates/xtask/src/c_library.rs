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
    let made = in_sections(&String::from_utf8_lossy(&made))?.into_bytes();
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

/// The header's sections, and how the names in each begin; where two fit, the longer one counts.
const SECTIONS: [(&str, &[&str]); 14] = [
    ("Failures", &["coeval_status", "coeval_error", "coeval_set_log", "coeval_log"]),
    ("Versions", &["COEVAL_VERSION", "COEVAL_ABI", "coeval_version", "coeval_abi"]),
    ("Progress", &["coeval_progress"]),
    ("Clock maps", &["coeval_clock_map", "coeval_knot", "coeval_jump"]),
    ("Tracks", &["coeval_track"]),
    ("Pairs", &["coeval_pair", "coeval_unplaced", "coeval_evidence", "coeval_align_pair"]),
    ("Sound on another clock", &["coeval_resample", "COEVAL_OPEN_END"]),
    ("Limiter", &["coeval_limiter"]),
    ("Levels", &["coeval_level", "coeval_channel", "coeval_stretch"]),
    ("Markers", &["coeval_marker", "coeval_match", "coeval_shape", "coeval_grouping"]),
    ("Speech", &["coeval_speech", "coeval_shared", "coeval_origin", "COEVAL_SPEECH"]),
    (
        "Shoots",
        &["coeval_shoot", "coeval_kind", "coeval_alignment", "coeval_file", "coeval_recording", "coeval_anchor"],
    ),
    ("Who speaks when", &["coeval_voice", "coeval_alignment_hear"]),
    ("Rough cuts", &["coeval_tighten", "coeval_plan", "coeval_fate", "coeval_mix", "coeval_rendered"]),
];

/// Puts what cbindgen wrote into sections, and says of each function whether it is fit for real time.
fn in_sections(text: &str) -> Outcome<String> {
    const OPEN: &str = "#ifdef __cplusplus\nextern \"C\" {\n#endif // __cplusplus\n";
    const CLOSE: &str = "#ifdef __cplusplus\n}  // extern \"C\"\n#endif  // __cplusplus\n";
    let odd = || "cbindgen writes headers of another layout than `in_sections` takes apart".to_owned();
    let first = text.find("\n/**").ok_or_else(odd)? + 1;
    let (head, rest) = text.split_at(first);
    let (types, rest) = rest.split_once(OPEN).ok_or_else(odd)?;
    let (functions, tail) = rest.split_once(CLOSE).ok_or_else(odd)?;
    let mut sections = vec![String::new(); SECTIONS.len()];
    for (part, is_function) in [(types, false), (functions, true)] {
        // Each item begins with its documentation.
        for item in part.split("\n/**").map(|item| item.trim_start_matches("/**").trim()).filter(|i| !i.is_empty()) {
            let (doc, declared) = item.split_once("*/").ok_or_else(odd)?;
            let name = declared_name(declared).ok_or_else(odd)?;
            let fits = |at: usize| SECTIONS[at].1.iter().filter(|p| name.starts_with(**p)).map(|p| p.len()).max();
            let at = (0..SECTIONS.len()).filter(|at| fits(*at).is_some()).max_by_key(|at| fits(*at));
            let at = at.ok_or_else(|| format!("no section of the header takes {name}"))?;
            let mark = if is_function { format!("* {}\n ", real_time(name)) } else { String::new() };
            sections[at].push_str(&format!("\n/** {}\n {mark}*/{declared}\n", doc.trim()).replace("/** *", "/**\n *"));
        }
    }
    let mut made = format!("{head}{OPEN}");
    for ((title, _), section) in SECTIONS.iter().zip(sections) {
        made.push_str(&format!("\n/* ---- {title} {} */\n{section}", "-".repeat(88 - title.len())));
    }
    made.push_str(&format!("\n{CLOSE}{tail}"));
    Ok(made)
}

/// The name that an item of the header declares.
fn declared_name(declared: &str) -> Option<&str> {
    let is_word = |c: char| c.is_ascii_alphanumeric() || c == '_';
    let words = declared.split(|c: char| !is_word(c)).filter(|w| w.starts_with("coeval_") || w.starts_with("COEVAL_"));
    // A function's name stands before its parenthesis, after the type of its result.
    let called = |w: &&str| declared.contains(&format!("{w}("));
    words.clone().find(called).or_else(|| words.clone().find(|w| *w != "COEVAL_DEPRECATED"))
}

/// What a function may do, in the words of the header's opening chapter. `tests/realtime.c` counts allocations.
fn real_time(name: &str) -> &'static str {
    const LONG: [&str; 6] = ["_align", "align_pair", "_hear", "_render", "coeval_tighten", "coeval_set_log"];
    const STREAMS: [&str; 2] = ["coeval_resampler_", "coeval_limiter_"];
    const ALLOCATES: [&str; 26] = [
        "_new",
        "_new_hz",
        "_free",
        "_finish",
        "_end",
        "_push_interleaved",
        "_push_planar",
        "_from_json",
        "_from_bytes",
        "_from_knots",
        "_from_values",
        "_linear",
        "_reset",
        "_clock_map",
        "_to_bytes",
        "coeval_clock_map_to_json",
        "_segments",
        "_event",
        "_set_main",
        "_set_recording",
        "_set_kind",
        "_set_distance",
        "_set_pair_options",
        "coeval_shared_meter_push",
        "coeval_match_markers",
        "coeval_error_new",
    ];
    let push_of_a_stream = STREAMS.iter().any(|s| name.starts_with(s)) && name.contains("_push_");
    if LONG.iter().any(|end| name.ends_with(end)) {
        "[long]"
    } else if !push_of_a_stream && (name.contains("_add_") || ALLOCATES.iter().any(|end| name.ends_with(end))) {
        "[allocates]"
    } else {
        "[real-time]"
    }
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
