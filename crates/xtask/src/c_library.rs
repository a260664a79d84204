//! The C library: its header and its installation.

use std::path::{Component, Path, PathBuf};
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
const SECTIONS: [(&str, &[&str]); 15] = [
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
    ("Timecode in sound", &["coeval_ltc"]),
    ("Speech", &["coeval_speech", "coeval_shared", "coeval_origin", "COEVAL_SPEECH"]),
    (
        "Shoots",
        &["coeval_shoot", "coeval_kind", "coeval_alignment", "coeval_file", "coeval_recording", "coeval_anchor"],
    ),
    ("When someone speaks", &["coeval_voice", "coeval_alignment_hear"]),
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
    const ALLOCATES: [&str; 29] = [
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
        "_file_channels",
        "_event",
        "_set_main",
        "_set_cache",
        "coeval_shoot_exclude",
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
    /// Where libraries go, below the prefix.
    libdir: PathBuf,
    profile: String,
    features: Option<String>,
    /// The machine that the library is for; `None`: this one.
    target: Option<String>,
    locked: bool,
}

impl Install {
    /// From the words after `install-c`; `None` when they make no sense.
    pub(crate) fn parse(words: &[&str]) -> Option<Self> {
        let (mut prefix, mut libdir, mut profile) = (None, "lib", "release");
        let (mut features, mut target, mut locked) = (None, None, false);
        let mut words = words.iter().copied();
        while let Some(word) = words.next() {
            match word {
                "--prefix" => prefix = Some(words.next()?),
                "--libdir" => libdir = words.next()?,
                "--profile" => profile = words.next()?,
                "--features" => features = Some(words.next()?.to_owned()),
                "--target" => target = Some(words.next()?.to_owned()),
                "--locked" => locked = true,
                _ => return None,
            }
        }
        let prefix = std::path::absolute(prefix?).ok()?;
        // Names in the package files lead from one to the other, so that the installed tree can be moved.
        let libdir = prefix.join(libdir).strip_prefix(&prefix).ok()?.to_path_buf();
        libdir.components().all(|c| matches!(c, Component::Normal(_))).then_some(())?;
        Some(Self { prefix, libdir, profile: profile.to_owned(), features, target, locked })
    }
}

/// The names of the library's files, by the machine that it is for.
struct Names {
    /// As cargo builds it, and as it is installed.
    shared: (&'static str, String),
    /// Names by which linkers find the shared library.
    link: Option<&'static str>,
    import: Option<&'static str>,
    archive: &'static str,
}

impl Names {
    fn of(triple: &str) -> Self {
        let abi = abi::COEVAL_ABI_VERSION;
        if triple.contains("windows") {
            let gnu = triple.contains("-gnu");
            Self {
                shared: ("coeval.dll", "coeval.dll".to_owned()),
                link: None,
                import: Some(if gnu { "libcoeval.dll.a" } else { "coeval.dll.lib" }),
                archive: if gnu { "libcoeval.a" } else { "coeval.lib" },
            }
        } else if triple.contains("apple") {
            Self {
                shared: ("libcoeval.dylib", format!("libcoeval.{abi}.dylib")),
                link: Some("libcoeval.dylib"),
                import: None,
                archive: "libcoeval.a",
            }
        } else {
            Self {
                shared: ("libcoeval.so", format!("libcoeval.so.{abi}")),
                link: Some("libcoeval.so"),
                import: None,
                archive: "libcoeval.a",
            }
        }
    }
}

/// Builds the library and puts it with its headers and package files under a prefix; under DESTDIR before it, where that
/// is set, as packagers do.
pub(crate) fn install(what: &Install) -> Outcome {
    let mut build = cargo(&["build", "--lib", "--profile", &what.profile]);
    match &what.features {
        None => build.args(["--package", "coeval-c"]),
        // Only tests ask for features. With those of the whole workspace, by which Rust's tests are built, nothing is built
        // twice; an example brings in those of what only tests need. The Python module is built for another environment by
        // its own script, and either would undo the other's work.
        Some(features) => {
            build.args(["--workspace", "--exclude", "coeval-python", "--example", "sixty_seconds"]);
            build.args(["--features", &format!("coeval-c/{features}")])
        }
    };
    build.args(what.locked.then_some("--locked"));
    build.args(what.target.iter().flat_map(|t| ["--target", t]));
    run(&mut build)?;
    let triple = match &what.target {
        Some(triple) => triple.clone(),
        None => host()?,
    };
    // Cargo names the folder of the profile `dev` otherwise.
    let profile = if what.profile == "dev" { "debug" } else { &what.profile };
    let built = what.target.as_ref().map_or_else(target, |t| target().join(t)).join(profile);
    let prefix = staged(&what.prefix);
    let (lib, include) = (prefix.join(&what.libdir), prefix.join("include"));
    for header in ["coeval.h", "coeval.hpp"] {
        copy(&folder().join("include").join(header), &include.join(header))?;
    }
    let names = Names::of(&triple);
    let shared =
        if names.import.is_some() { Path::new("bin").join(&names.shared.1) } else { what.libdir.join(&names.shared.1) };
    copy(&built.join(names.shared.0), &prefix.join(&shared))?;
    if let Some(link) = names.link {
        symlink(&names.shared.1, &lib.join(link))?;
    }
    if let Some(import) = names.import {
        copy(&built.join(import), &lib.join(import))?;
    }
    copy(&built.join(names.archive), &lib.join(names.archive))?;
    // From the folders of the package files, which lie two and three below the prefix or deeper.
    let up = "../".repeat(what.libdir.components().count());
    let below = |name: &str| what.libdir.join(name).to_string_lossy().replace('\\', "/");
    let values = [
        ("@VERSION@", VERSION.to_owned()),
        ("@UP@", up.trim_end_matches('/').to_owned()),
        ("@LIBDIR@", below("")),
        ("@SHARED@", shared.to_string_lossy().replace('\\', "/")),
        ("@IMPORT@", names.import.map_or_else(String::new, below)),
        ("@ARCHIVE@", below(names.archive)),
        ("@SYSTEM_LIBRARIES@", system_libraries(&triple)?),
    ];
    for (template, to) in [
        ("coeval.pc.in", "pkgconfig/coeval.pc"),
        ("coeval-config.cmake.in", "cmake/coeval/coeval-config.cmake"),
        ("coeval-config-version.cmake.in", "cmake/coeval/coeval-config-version.cmake"),
    ] {
        let from = folder().join("packaging").join(template);
        let text = std::fs::read_to_string(&from).map_err(|e| format!("{}: {e}", from.display()))?;
        let text = values.iter().fold(text, |text, (name, value)| text.replace(name, value.trim_end_matches('/')));
        write(&lib.join(to), text.as_bytes())?;
    }
    println!("installed coeval {VERSION} (binary interface {}) in {}", abi::COEVAL_ABI_VERSION, prefix.display());
    Ok(())
}

/// A path below DESTDIR, where that is set.
fn staged(path: &Path) -> PathBuf {
    match std::env::var_os("DESTDIR").filter(|d| !d.is_empty()) {
        Some(stage) => Path::new(&stage).join(path.strip_prefix("/").unwrap_or(path)),
        None => path.to_path_buf(),
    }
}

fn rustc() -> Command {
    Command::new(std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into()))
}

/// The machine that the compiler is for unless told otherwise.
fn host() -> Outcome<String> {
    let output = rustc().arg("-vV").output().map_err(|e| format!("rustc: {e}"))?;
    let text = String::from_utf8_lossy(&output.stdout);
    let line = text.lines().find_map(|l| l.strip_prefix("host: "));
    line.map(str::to_owned).ok_or_else(|| format!("rustc names no host:\n{text}"))
}

/// The system's libraries that a program needs which links the static library, as the compiler names them.
fn system_libraries(triple: &str) -> Outcome<String> {
    // An empty library needs what every Rust library needs; asking for the real one would build it again.
    let folder = target().join("tmp/native-libraries");
    write(&folder.join("empty.rs"), b"")?;
    let mut rustc = rustc();
    rustc.current_dir(&folder).args(["--crate-type", "staticlib", "--print", "native-static-libs", "--target", triple]);
    let output = rustc.arg("empty.rs").output().map_err(|e| format!("rustc: {e}"))?;
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
