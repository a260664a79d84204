//! The project's own checks: `cargo xtask`.
//!
//! `check` is what to run before a commit, `test` is everything. Both say what they ran and what
//! they skipped and why; a run that tested nothing fails.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a command's output is its purpose")]

mod c_library;
mod docs;
mod instructions;
mod layers;
mod packages;
mod web;
mod words;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};

const HELP: &str = "\
cargo xtask check        formatting, clippy, documentation: all without a warning; no crate uses one above it, no
                         modules use each other in a circle; no word that was given up, no foreign name and no path of
                         a machine, and how hard README and guide are to read; with cargo-deny installed also licences and origins of
                         dependencies
cargo xtask test         every test: the workspace, the bindings, the checks against Python libraries,
                         the report, the page that aligns and the documentation site in a browser
cargo xtask instructions counts the instructions of each stage by valgrind; none may need 10 % more than in
                         benches/instructions.txt, which --refresh makes again
cargo xtask targets      checks that the libraries, the command and the Python module compile for Windows, macOS and Arm
cargo xtask wheel        makes the Python wheel and source distribution in target/wheels, and checks them
cargo xtask web          makes the npm package and the page that aligns in a browser, in target/web (needs node)
cargo xtask docs [--out FOLDER | --after-tests]
                         makes the documentation site in target/site, and checks its links and that nothing public is
                         missing; after `check` and `test` the last makes it of what they left, without notebooks' results
cargo xtask pages --prefix P
                         writes the manual of the command and its completions for bash, zsh and fish below P/share
cargo xtask fixtures     makes the media fixtures of the tests again (needs ffmpeg)
cargo xtask header       makes bindings/c/include/coeval.h again; with --check only says whether it is current
cargo xtask install-c --prefix P [--libdir lib] [--target TRIPLE] [--locked] [--profile dev]
                         builds the C library and installs it with its headers and package files under P, or under
                         DESTDIR/P where DESTDIR is set; --libdir is where below P libraries go
cargo xtask demo         makes the demo recordings again (needs ffmpeg and espeak-ng)";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let result = match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["check"] => check(),
        ["test"] => test(),
        ["instructions"] => instructions::compare().map(|verdict| match verdict {
            instructions::Verdict::Within(lines) => lines.iter().for_each(|line| println!("{line}")),
            instructions::Verdict::Skipped(why) => println!("skipped: instructions: {why}"),
        }),
        ["instructions", "--refresh"] => instructions::refresh(),
        ["targets"] => standard_libraries(&TARGETS).and_then(|()| targets(&TARGETS)),
        ["wheel"] => wheel(),
        ["web"] => web::build().map(|out| println!("{}", out.display())),
        ["docs"] => docs::build(None, docs::Extent::Whole).map(|out| println!("{}", out.display())),
        ["docs", "--after-tests"] => {
            docs::build(None, docs::Extent::AfterTests).map(|out| println!("{}", out.display()))
        }
        ["docs", "--out", out] => docs::build(Some(out), docs::Extent::Whole).map(|out| println!("{}", out.display())),
        ["pages", "--prefix", prefix] => pages(prefix),
        ["fixtures"] => python_script("tests/fixtures/make.py"),
        ["header"] => c_library::header(false),
        ["header", "--check"] => c_library::header(true),
        ["install-c", ref words @ ..] => match c_library::Install::parse(words) {
            Some(install) => c_library::install(&install),
            None => Err(HELP.to_owned()),
        },
        ["demo"] => python_script("examples/survey-launch/make_demo.py"),
        _ => Err(HELP.to_owned()),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("{message}");
            ExitCode::FAILURE
        }
    }
}

/// Why a step failed.
type Outcome<T = ()> = Result<T, String>;

/// The workspace's folder.
fn root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.ancestors().nth(2).unwrap_or(here).to_path_buf()
}

fn cargo(arguments: &[&str]) -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.args(arguments);
    command
}

fn check() -> Outcome {
    layers::check()?;
    packages::check()?;
    words::check()?;
    run(&mut cargo(&["fmt", "--all", "--check"]))?;
    run(&mut cargo(&["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"]))?;
    run(cargo(&["doc", "--workspace", "--no-deps", "--quiet"]).env("RUSTDOCFLAGS", "-D warnings"))?;
    deny()
}

/// Licences, duplicates and origins of what this is built from, by `deny.toml`; known weaknesses where the database of
/// them can be reached.
fn deny() -> Outcome {
    let there = cargo(&["deny", "--version"]).stdout(Stdio::null()).stderr(Stdio::null()).status();
    if !there.is_ok_and(|s| s.success()) {
        println!("skipped: licences and origins of dependencies: cargo-deny is not installed");
        return Ok(());
    }
    run(&mut cargo(&["deny", "--all-features", "check", "licenses", "bans", "sources", "--hide-inclusion-graph"]))?;
    let known = cargo(&["deny", "--all-features", "fetch", "db"]).current_dir(root()).stderr(Stdio::null()).status();
    if !known.is_ok_and(|s| s.success()) {
        println!("skipped: known weaknesses of dependencies: their database cannot be reached");
        return Ok(());
    }
    run(&mut cargo(&["deny", "--all-features", "check", "--disable-fetch", "advisories"]))
}

fn test() -> Outcome {
    let mut report = Report::default();
    report.count("cargo test", &mut cargo(&["test", "--workspace", "--no-fail-fast"]));
    match instructions::compare() {
        Ok(instructions::Verdict::Within(lines)) => {
            report.ran.push(format!("instructions of {} stages, none 10 % above the list", lines.len()));
            lines.iter().for_each(|line| println!("{line}"));
        }
        Ok(instructions::Verdict::Skipped(why)) => report.skipped.push(format!("instructions: {why}")),
        Err(why) => report.failures.push(why),
    }
    let others = other_systems();
    match standard_libraries(others).map(|()| targets(others)) {
        Ok(Ok(())) => report.ran.push(format!("compiles for {}", others.join(", "))),
        Ok(Err(why)) => report.failures.push(why),
        Err(why) => report.skipped.push(format!("other systems: {why}")),
    }
    // Every binding has a script that builds it and runs its tests, whatever they are written in.
    let script = |folder: &'static str| -> Job {
        (folder, Box::new(move || Ok(Seen::of(Command::new("bash").arg(root().join(folder).join("test.sh")), false))))
    };
    let mut python_jobs = vec![script("bindings/python")];
    let mut other_jobs = vec![script("bindings/c")];
    match run(&mut build_command()) {
        Err(why) => report.failures.push(why),
        Ok(()) => {
            let with_libraries = || {
                let mut pytest = Command::new(python()?);
                pytest.args(["-m", "pytest", "-ra", "-p", "no:cacheprovider", "tests/python"]);
                pytest.env("PYTHONDONTWRITEBYTECODE", "1").env("COEVAL", command());
                Ok(Seen::of(&mut pytest, false))
            };
            let in_browser = || {
                let mut node = Command::new("node");
                node.arg("tests/browser/report.mjs").arg(browser()?).env("COEVAL", command());
                Ok(Seen::of(&mut node, false))
            };
            let page = || {
                if std::env::var_os(WITHOUT_PAGE).is_some() {
                    return Err(format!("{WITHOUT_PAGE} is set"));
                }
                let packages = browser()?;
                // What cannot be built is no reason to skip.
                let out = match web::build() {
                    Ok(out) => out,
                    Err(why) => return Ok(Seen::failed(why)),
                };
                let mut node = Command::new("node");
                node.arg("tests/browser/web.mjs").arg(packages).arg(out).env("COEVAL", command());
                Ok(Seen::of(&mut node, false))
            };
            let hostile = || {
                if std::env::var_os(WITHOUT_PAGE).is_some() {
                    return Err(format!("{WITHOUT_PAGE} is set"));
                }
                if !has("node") {
                    return Err("there is no node".to_owned());
                }
                // What cannot be built is no reason to skip.
                Ok(web::replay().map_or_else(Seen::failed, |mut cargo| Seen::of(&mut cargo, false)))
            };
            other_jobs.push(("checks against Python libraries", Box::new(with_libraries)));
            python_jobs.push(("the report in a browser", Box::new(in_browser)));
            python_jobs.push(("the page that does the work in a browser", Box::new(page)));
            python_jobs.push(("hostile input through WebAssembly", Box::new(hostile)));
        }
    }
    // After the tests of the package, whose environment it uses.
    let site: Job = ("the documentation site", Box::new(site));
    python_jobs.push(site);
    report.side_by_side([python_jobs, other_jobs]);
    report.finish()
}

/// Set to let checks from outside run the command that cargo's tests have built: another build takes two to three minutes
/// of two cores.
const DEV_COMMAND: &str = "COEVAL_DEV_COMMAND";

/// Set to leave out the page for browsers, whose build and tests take three to five minutes of two cores.
const WITHOUT_PAGE: &str = "COEVAL_WITHOUT_PAGE";

/// Set to make the documentation site of what other checks leave, and not to open it in a browser: half a minute of one core,
/// instead of three to six minutes of two.
const SHORT_SITE: &str = "COEVAL_SHORT_SITE";

/// The documentation site, made and opened in a browser.
fn site() -> Outcome<Seen> {
    let is_short = std::env::var_os(SHORT_SITE).is_some();
    let extent = if is_short { docs::Extent::AfterTests } else { docs::Extent::Whole };
    // What cannot be built is no reason to skip.
    let out = match docs::build(None, extent) {
        Ok(out) => out,
        Err(why) => return Ok(Seen::failed(why)),
    };
    if is_short {
        // It is there, without a warning, and no link is broken.
        let count = Count { passed: 1, ..Count::default() };
        return Ok(Seen { count, skipped: vec![format!("{SHORT_SITE} is set")], ..Seen::default() });
    }
    let mut node = Command::new("node");
    node.arg("tests/browser/site.mjs").arg(browser()?).arg(out);
    Ok(Seen::of(&mut node, false))
}

/// Where the command is that checks from outside run.
fn command() -> PathBuf {
    target().join(if std::env::var_os(DEV_COMMAND).is_some() { "debug" } else { "release" }).join("coeval")
}

/// Builds it.
fn build_command() -> Command {
    if std::env::var_os(DEV_COMMAND).is_some() {
        // With the features of the whole workspace, an example's among them, it is what cargo's tests have built.
        cargo(&["build", "--workspace", "--bin", "coeval", "--example", "sixty_seconds"])
    } else {
        cargo(&["build", "--release", "--package", "coeval-cli"])
    }
}

/// Tests by name; an error says why they cannot run here.
type Job = (&'static str, Box<dyn FnOnce() -> Outcome<Seen> + Send>);

/// Where cargo builds.
fn target() -> PathBuf {
    root().join(std::env::var_os("CARGO_TARGET_DIR").unwrap_or_else(|| "target".into()))
}

/// Other systems and processors than this one, for which all that is handed to users must compile.
const TARGETS: [&str; 3] = ["x86_64-pc-windows-gnu", "aarch64-apple-darwin", "aarch64-unknown-linux-gnu"];

/// Set to compile for the first of [`TARGETS`] alone, whose files and paths are least like this one's: each takes half a minute.
const ONE_SYSTEM: &str = "COEVAL_ONE_SYSTEM";

/// Of [`TARGETS`] those that the tests compile for: the second has Arm as well, and this one is Linux.
fn other_systems() -> &'static [&'static str] {
    &TARGETS[..if std::env::var_os(ONE_SYSTEM).is_some() { 1 } else { 2 }]
}

/// Compiles what is handed to users for other systems, as far as that goes without their linkers.
fn targets(triples: &[&str]) -> Outcome {
    let mut check = cargo(&["check", "--locked", "-p", "coeval-cli", "-p", "coeval-c", "-p", "coeval-python"]);
    check.args(triples.iter().flat_map(|triple| ["--target", triple]));
    // The Python module needs no interpreter of that system: it keeps to the stable interface.
    run(check.env("PYO3_BUILD_EXTENSION_MODULE", "1"))?;
    println!("compiles for {}", triples.join(", "));
    Ok(())
}

/// Installs the standard libraries of targets that are missing.
fn standard_libraries(triples: &[&str]) -> Outcome {
    for triple in triples {
        let mut libraries = Command::new("rustc");
        libraries.args(["--print", "target-libdir", "--target", triple]).current_dir(root());
        let there = libraries.output().map_err(|e| format!("rustc: {e}"))?;
        if !Path::new(String::from_utf8_lossy(&there.stdout).trim()).is_dir() {
            run(Command::new("rustup").args(["target", "add", triple]))?;
        }
    }
    Ok(())
}

/// Makes the Python wheel and source distribution. On Linux the wheel is linked against an old C library, so
/// that it runs on every distribution since 2014; elsewhere it is for this machine's system.
fn wheel() -> Outcome {
    let python = environment("bindings/python/wheel-requirements.txt", "venv-wheel")?;
    let maturin = python.with_file_name(if cfg!(windows) { "maturin.exe" } else { "maturin" });
    let (out, manifest) = (target().join("wheels"), "bindings/python/Cargo.toml");
    // What an earlier version left there would be checked along with the new.
    if out.exists() {
        std::fs::remove_dir_all(&out).map_err(|e| format!("{}: {e}", out.display()))?;
    }
    run(Command::new(&maturin).args(["sdist", "--manifest-path", manifest, "--out"]).arg(&out))?;
    let mut build = Command::new(&maturin);
    build.args(["build", "--release", "--manifest-path", manifest, "--out"]).arg(&out);
    if cfg!(target_os = "linux") {
        // The compiler that knows old C libraries is a package in the environment, found through PATH.
        let bin = python.parent().unwrap_or(Path::new("")).to_path_buf();
        let path = std::env::var_os("PATH").unwrap_or_default();
        let with_bin = std::env::join_paths(std::iter::once(bin).chain(std::env::split_paths(&path)));
        build.args(["--zig", "--compatibility", "manylinux_2_17"]);
        build.env("PATH", with_bin.map_err(|e| e.to_string())?);
    }
    run(&mut build)?;
    let entries = std::fs::read_dir(&out).map_err(|e| format!("{}: {e}", out.display()))?;
    let made: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
    run(Command::new(&python).args(["-m", "twine", "check", "--strict"]).args(&made))?;
    for wheel in made.iter().filter(|p| cfg!(target_os = "linux") && p.extension().is_some_and(|e| e == "whl")) {
        run(Command::new(&python).args(["-m", "auditwheel", "show"]).arg(wheel))?;
    }
    Ok(())
}

/// The interpreter of a virtual environment with the libraries of `tests/python/requirements.txt`.
fn python() -> Outcome<PathBuf> {
    environment("tests/python/requirements.txt", "venv")
}

/// The interpreter of the virtual environment `name` below the target folder, with what `requirements` lists.
fn environment(requirements: &str, name: &str) -> Outcome<PathBuf> {
    let stamp = "requirements-installed.txt";
    let wanted = root().join(requirements);
    let wanted = std::fs::read_to_string(&wanted).map_err(|e| format!("{}: {e}", wanted.display()))?;
    let environment = target().join(name);
    let is_there = interpreter(&environment).exists();
    if !is_there || !std::fs::read_to_string(environment.join(stamp)).is_ok_and(|have| have == wanted) {
        run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&environment))?;
    }
    install(requirements, name, stamp)
}

fn interpreter(environment: &Path) -> PathBuf {
    environment.join(if cfg!(windows) { "Scripts/python.exe" } else { "bin/python" })
}

/// Adds what `requirements` lists to the virtual environment `name` that is there, and says so in its file `stamp`; answers
/// its interpreter.
fn install(requirements: &str, name: &str, stamp: &str) -> Outcome<PathBuf> {
    let requirements = root().join(requirements);
    let wanted = std::fs::read_to_string(&requirements).map_err(|e| format!("{}: {e}", requirements.display()))?;
    let environment = target().join(name);
    let python = interpreter(&environment);
    // Written last: what is installed without it is half there.
    let stamp = environment.join(stamp);
    if python.exists() && std::fs::read_to_string(&stamp).is_ok_and(|have| have == wanted) {
        return Ok(python);
    }
    run(Command::new(&python)
        .args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-r"])
        .arg(&requirements))?;
    std::fs::write(&stamp, wanted).map_err(|e| format!("{}: {e}", stamp.display()))?;
    Ok(python)
}

/// Can this program be run?
fn has(name: &str) -> bool {
    Command::new(name).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok()
}

/// A folder with the JavaScript packages that `tests/browser` names, for the browser that the system has.
fn browser() -> Outcome<PathBuf> {
    if !["chromium", "chromium-browser", "google-chrome"].iter().any(|name| has(name))
        && std::env::var_os("CHROMIUM").is_none()
    {
        return Err("there is no chromium".to_owned());
    }
    if !has("node") || !has("npm") {
        return Err("there is no node with npm".to_owned());
    }
    let folder = target().join("browser");
    std::fs::create_dir_all(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    for name in ["package.json", "package-lock.json"] {
        let from = root().join("tests/browser").join(name);
        std::fs::copy(&from, folder.join(name)).map_err(|e| format!("{}: {e}", from.display()))?;
    }
    run(Command::new("npm").args(["ci", "--no-audit", "--no-fund", "--silent", "--prefix"]).arg(&folder))?;
    Ok(folder)
}

/// Writes the command's manual and completions.
fn pages(prefix: &str) -> Outcome {
    let prefix = std::path::absolute(prefix).map_err(|e| format!("{prefix}: {e}"))?;
    run(cargo(&["run", "--quiet", "--package", "coeval-cli", "--example", "pages", "--"]).arg(prefix))
}

fn python_script(script: &str) -> Outcome {
    run(Command::new(python()?).arg(script))
}

fn run(command: &mut Command) -> Outcome {
    println!("$ {}", shown(command));
    let status = command.current_dir(root()).status().map_err(|e| format!("{}: {e}", shown(command)))?;
    if status.success() { Ok(()) } else { Err(format!("failed ({status}): {}", shown(command))) }
}

fn shown(command: &Command) -> String {
    let name = Path::new(command.get_program()).file_name().unwrap_or(command.get_program());
    let words = std::iter::once(name).chain(command.get_args());
    words.map(|w| w.to_string_lossy()).collect::<Vec<_>>().join(" ")
}

/// What ran, what did not, and how it went.
#[derive(Default)]
struct Report {
    ran: Vec<String>,
    skipped: Vec<String>,
    failures: Vec<String>,
    total: Count,
}

/// What a command that tests has said.
#[derive(Default)]
struct Seen {
    /// Its output, where that was not shown at once.
    lines: Vec<String>,
    count: Count,
    skipped: Vec<String>,
    failure: Option<String>,
}

impl Seen {
    fn failed(why: impl ToString) -> Self {
        Self { failure: Some(why.to_string()), ..Self::default() }
    }

    /// Runs a command to its end; its output is shown as it comes or kept.
    fn of(command: &mut Command, show: bool) -> Self {
        println!("$ {}", shown(command));
        let mut child = match command.current_dir(root()).stdout(Stdio::piped()).spawn() {
            Ok(child) => child,
            Err(e) => return Self::failed(e),
        };
        let mut seen = Self::default();
        for line in child.stdout.take().into_iter().flat_map(|out| BufReader::new(out).lines()).map_while(Result::ok) {
            let of_line = Count::of(&line).unwrap_or_default();
            seen.count.passed += of_line.passed;
            seen.count.failed += of_line.failed;
            seen.count.ignored += of_line.ignored;
            // Tests that lack something say so themselves.
            seen.skipped.extend(line.strip_prefix("skipped: ").map(str::to_owned));
            if show {
                println!("{line}");
            } else {
                seen.lines.push(line);
            }
        }
        seen.failure = match child.wait() {
            Ok(status) if status.success() && seen.count.passed > 0 => None,
            Ok(status) if status.success() => Some("no test ran".to_owned()),
            Ok(status) => Some(status.to_string()),
            Err(e) => Some(e.to_string()),
        };
        seen
    }
}

/// Numbers of tests.
#[derive(Default, Clone, Copy, PartialEq, Debug)]
struct Count {
    passed: u64,
    failed: u64,
    ignored: u64,
}

impl Report {
    /// Runs a command that tests, shows its output, and adds up what it says.
    fn count(&mut self, what: &str, command: &mut Command) {
        self.add(what, Seen::of(command, true));
    }

    /// Runs two lists of tests at once, each in its order: much of either runs on one core. What they say is shown at the
    /// end.
    fn side_by_side(&mut self, lists: [Vec<Job>; 2]) {
        let done = std::thread::scope(|scope| {
            let one_by_one = |jobs: Vec<Job>| jobs.into_iter().map(|(what, job)| (what, job())).collect::<Vec<_>>();
            let started = lists.map(|jobs| scope.spawn(move || one_by_one(jobs)));
            started.map(|list| list.join().unwrap_or_else(|_| vec![("tests", Ok(Seen::failed("a thread died")))]))
        });
        for (what, seen) in done.into_iter().flatten() {
            match seen {
                Err(why) => self.skipped.push(format!("{what}: {why}")),
                Ok(seen) => {
                    seen.lines.iter().for_each(|line| println!("{line}"));
                    self.add(what, seen);
                }
            }
        }
    }

    fn add(&mut self, what: &str, Seen { count, skipped, failure, .. }: Seen) {
        self.skipped.extend(skipped.iter().map(|why| format!("{what}: {why}")));
        self.failures.extend(failure.map(|why| format!("{what}: {why}")));
        self.ran.push(format!("{what}: {} passed, {} failed, {} ignored", count.passed, count.failed, count.ignored));
        self.total.passed += count.passed;
        self.total.failed += count.failed;
        self.total.ignored += count.ignored;
    }

    fn finish(self) -> Outcome {
        let list = |name: &str, lines: &[String]| {
            println!("\n{name}:{}", if lines.is_empty() { " nothing" } else { "" });
            lines.iter().for_each(|line| println!("  {line}"));
        };
        list("ran", &self.ran);
        list("skipped", &self.skipped);
        if !self.failures.is_empty() {
            list("failed", &self.failures);
        }
        let Count { passed, failed, ignored } = self.total;
        let word = if self.failures.is_empty() { "ok" } else { "FAILED" };
        println!(
            "\ntest result: {word}. {passed} passed; {failed} failed; {ignored} ignored; 0 measured; 0 filtered out"
        );
        if self.failures.is_empty() { Ok(()) } else { Err("some tests failed".to_owned()) }
    }
}

impl Count {
    /// What a closing line of cargo's or of pytest's test runner says; `None` for any other line.
    fn of(line: &str) -> Option<Self> {
        let line = line.trim().trim_matches('=').trim();
        let is_cargo = line.starts_with("test result: ");
        let is_pytest = line.contains(" in ") && line.ends_with(['s', ')']);
        if !is_cargo && !is_pytest {
            return None;
        }
        let words: Vec<&str> = line.split([' ', ',', ';']).filter(|w| !w.is_empty()).collect();
        let mut count = Count::default();
        let mut found = false;
        for pair in words.windows(2) {
            let Ok(number) = pair[0].parse::<u64>() else { continue };
            match pair[1] {
                "passed" => count.passed += number,
                "failed" | "error" | "errors" => count.failed += number,
                "ignored" | "skipped" | "xfailed" => count.ignored += number,
                _ => continue,
            }
            found = true;
        }
        found.then_some(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn closing_lines_are_understood() {
        let count = |passed, failed, ignored| Some(Count { passed, failed, ignored });
        let cargo = "test result: ok. 12 passed; 1 failed; 2 ignored; 0 measured; 0 filtered out; finished in 0.02s";
        assert_eq!(Count::of(cargo), count(12, 1, 2));
        assert_eq!(Count::of("=========== 3 passed, 1 skipped in 4.21s ==========="), count(3, 0, 1));
        assert_eq!(Count::of("===== 1 failed, 3 passed in 61.20s (0:01:01) ====="), count(3, 1, 0));
        assert_eq!(Count::of("3 passed in 0.10s"), count(3, 0, 0));
        assert_eq!(Count::of("test network::two_passed ... ok"), None);
        assert_eq!(Count::of("Every file lies where it belongs in 3 passes"), None);
    }
}
