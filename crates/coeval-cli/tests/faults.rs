//! A full disk, too little memory, too few open files: a clear end, nothing lost, nothing half-written.
#![cfg(unix)]

mod common;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use common::{content, unfinished, write_shoot};

/// The command within limits that the shell sets first.
fn limited(before: &str, arguments: &[&Path]) -> Command {
    let mut command = Command::new("sh");
    command.arg("-c").arg(format!("{before}; exec \"$0\" \"$@\"")).arg(env!("CARGO_BIN_EXE_coeval"));
    command.arg("align").args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn run(command: &mut Command) -> Output {
    let begun = Instant::now();
    let output = command.output().unwrap();
    assert!(begun.elapsed() < Duration::from_secs(120), "{:?}", begun.elapsed());
    output
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Below `out` there are only files that a whole run writes, each as it writes it; answers how many. Of the read-me,
/// which lists what is there, and the report only that they end as they should.
fn whole_only(out: &Path, expected: &BTreeMap<String, Vec<u8>>, what: &str) -> usize {
    let left = content(out);
    for (name, bytes) in &left {
        let of_what_is_there = ["READ-ME.txt", "timeline.otio", "edl/"].iter().any(|n| name.starts_with(n));
        let whole = &expected[name];
        let same = if of_what_is_there { bytes.last() == whole.last() } else { bytes == whole };
        assert!(same, "{what}: {name} is not whole");
    }
    left.len()
}

struct Shoot {
    dir: tempfile::TempDir,
    expected: BTreeMap<String, Vec<u8>>,
}

impl Shoot {
    /// A shoot, and what a whole run makes of it.
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        std::fs::create_dir(dir.path().join("shoot")).unwrap();
        write_shoot(&dir.path().join("shoot"));
        let mut shoot = Self { dir, expected: BTreeMap::new() };
        let whole = shoot.dir.path().join("whole");
        let output = run(&mut shoot.align("true", &whole));
        assert!(output.status.success(), "{}", text(&output.stderr));
        shoot.expected = content(&whole);
        shoot
    }

    fn align(&self, limit: &str, out: &Path) -> Command {
        let material = self.dir.path().join("shoot");
        let words =
            ["-o", "--kind", "launch.wav=camera", "--kind", "launch-2.wav=camera", "--keep-apart"].map(Path::new);
        limited(limit, &[&material, words[0], out, words[1], words[2], words[3], words[4], words[5]])
    }
}

/// No file may grow beyond some size: what a full disk is to a program, at every place where one can strike. Sizes
/// are those of the shell, in blocks of 512 bytes.
#[test]
fn no_room_for_a_file() {
    let shoot = Shoot::new();
    let mut parts = Vec::new();
    for blocks in [0, 1, 8, 60, 4000, 5800] {
        let out = shoot.dir.path().join(format!("out-{blocks}"));
        // The system's signal for it is ignored, so that writing answers with an error, as it does on a full disk.
        let output = run(&mut shoot.align(&format!("trap '' XFSZ; ulimit -f {blocks}"), &out));
        let (code, said) = (output.status.code(), text(&output.stderr) + &text(&output.stdout));
        let there = whole_only(&out, &shoot.expected, &format!("{blocks} blocks"));
        assert_eq!(unfinished(&out), 0, "{blocks} blocks leave unfinished files");
        assert!(matches!(code, Some(2 | 3)), "{blocks} blocks: {code:?} {said}");
        assert!(said.contains("has room") || said.contains("too large"), "{blocks} blocks: {said}");
        if blocks == 4000 {
            // Sound that has no room does not end what comes after it, down to the report, which has none either.
            let large = ["sound/", "report.html", "READ-ME.txt"];
            let small = shoot.expected.keys().filter(|name| !large.iter().any(|l| name.starts_with(l)));
            assert!(content(&out).keys().eq(small), "{blocks} blocks: {:?}", content(&out).keys());
        }
        parts.push(there);
    }
    // Nothing at all, then all but the sound, then some of that, never everything.
    assert!(parts[0] == 0 && parts.is_sorted() && parts[3] > 0 && parts[5] > parts[4], "{parts:?}");
    assert!(parts[5] < shoot.expected.len(), "{parts:?} of {}", shoot.expected.len());
}

/// A disk of 600 kB.
#[test]
fn a_full_disk() {
    let shoot = Shoot::new();
    let disk = shoot.dir.path().join("disk");
    std::fs::create_dir(&disk).unwrap();
    // A namespace of its own makes a small disk without being the system's administrator.
    let script = r#"mount -t tmpfs -o size=600k none "$1" || exit 77
        shift; target=$1; shift
        "$@"; code=$?
        cp -r "$target" "$COPY"; exit $code"#;
    let out = disk.join("out");
    let copy = shoot.dir.path().join("seen");
    let align = shoot.align("true", &out);
    let mut command = Command::new("unshare");
    command
        .args(["-Urm", "sh", "-c", script, "sh"])
        .arg(&disk)
        .arg(&out)
        .arg(align.get_program())
        .args(align.get_args());
    let output = match command.env("COPY", &copy).output() {
        Ok(output) if output.status.code() != Some(77) && !text(&output.stderr).contains("unshare") => output,
        other => {
            let why = other.map_or_else(|e| e.to_string(), |o| text(&o.stderr).trim().to_owned());
            let _ = writeln!(std::io::stdout(), "\nskipped: a small disk cannot be mounted here: {why}");
            return;
        }
    };
    let said = text(&output.stderr) + &text(&output.stdout);
    assert!(matches!(output.status.code(), Some(2 | 3)), "{:?} {said}", output.status);
    assert!(said.contains("No space left"), "{said}");
    let there = whole_only(&copy, &shoot.expected, "a full disk");
    assert!(there > 0 && there < shoot.expected.len(), "{there} files");
    assert_eq!(unfinished(&copy), 0);
}

/// The C library's allocator takes what it hands out from the system, and gives back what is freed, so that a limit is felt
/// at each larger piece and not only at the highest use; with one store for all threads.
const PLAIN_MEMORY: [(&str, &str); 3] =
    [("MALLOC_ARENA_MAX", "1"), ("MALLOC_MMAP_THRESHOLD_", "65536"), ("MALLOC_TRIM_THRESHOLD_", "65536")];

/// Less and less memory: the work is done, or the command ends and says so; never half a file under its name. What it
/// needs does not grow with the files.
#[test]
fn too_little_memory() {
    let shoot = Shoot::new();
    let (mut too_little, mut enough) = (24, 256);
    let is_enough = |megabytes: u64| {
        let out = shoot.dir.path().join(format!("out-{megabytes}"));
        let limit = format!("ulimit -v {}", megabytes * 1024);
        let output = run(shoot.align(&limit, &out).envs(PLAIN_MEMORY).args(["--threads", "2"]));
        let there = whole_only(&out, &shoot.expected, &format!("{megabytes} MB"));
        if output.status.success() {
            assert_eq!(there, shoot.expected.len(), "{megabytes} MB");
        } else {
            assert!(there < shoot.expected.len(), "{megabytes} MB");
            assert!(!output.stderr.is_empty(), "{megabytes} MB: it ended without a word");
        }
        output.status.success()
    };
    assert!(is_enough(enough) && !is_enough(too_little));
    while enough - too_little > 4 {
        let between = u64::midpoint(enough, too_little);
        *if is_enough(between) { &mut enough } else { &mut too_little } = between;
    }
    // Ten minutes of silence beside the rest: 58 MB, which take no room on a disk.
    const SILENCE: u32 = 600 * 96_000;
    let long = std::fs::File::create(shoot.dir.path().join("shoot/silence.wav")).unwrap();
    let format = b"WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xBB\0\0\0\x77\x01\0\x02\0\x10\0data";
    let header = [b"RIFF", &(36 + SILENCE).to_le_bytes()[..], format, &SILENCE.to_le_bytes()].concat();
    (&long).write_all(&header).unwrap();
    long.set_len(u64::from(44 + SILENCE)).unwrap();
    let out = shoot.dir.path().join("out-of-long");
    let output = run(shoot.align("ulimit -v 131072", &out).envs(PLAIN_MEMORY).args(["--threads", "2"]));
    // Silence has no place.
    assert_eq!(output.status.code(), Some(3), "{}", text(&output.stderr));
    assert!(content(&out).keys().eq(shoot.expected.keys()), "{:?}", content(&out).keys());
}

/// While results are written there is suddenly no more memory to be had. The command ends and says so, and what lies
/// there is whole; a second run with memory makes the rest, and clears away what the first left unfinished.
#[cfg(target_os = "linux")]
#[test]
fn memory_that_runs_out_amid_the_results() {
    let shoot = Shoot::new();
    let (mut writing, mut amid, mut mended) = (Duration::ZERO, 0, 0);
    for moment in 0..=3 {
        let out = shoot.dir.path().join(format!("out-{moment}"));
        let mut child = shoot.align("true", &out).envs(PLAIN_MEMORY).spawn().unwrap();
        let begun = Instant::now();
        while !out.exists() && child.try_wait().unwrap().is_none() {
            assert!(begun.elapsed() < Duration::from_secs(120));
            std::thread::sleep(Duration::from_micros(200));
        }
        let first = Instant::now();
        // The first run is left in peace, to see how long it writes.
        if moment > 0 {
            std::thread::sleep(writing * (moment - 1) / 6);
            let limited = Command::new("prlimit").args(["--as=4096", "--pid", &child.id().to_string()]).output();
            let ended = child.try_wait().unwrap().is_some();
            assert!(ended || limited.as_ref().is_ok_and(|o| o.status.success()), "{limited:?}");
        }
        let output = child.wait_with_output().unwrap();
        let what = format!("moment {moment}, {:?}", output.status);
        let there = whole_only(&out, &shoot.expected, &what);
        if output.status.success() {
            assert_eq!(there, shoot.expected.len(), "{what}");
            writing = first.elapsed();
            continue;
        }
        assert!(!output.stderr.is_empty(), "{what}: it ended without a word");
        amid += 1;
        if unfinished(&out) > 0 {
            mended += 1;
            let again = run(&mut shoot.align("true", &out));
            assert!(again.status.success(), "{what}, again: {}", text(&again.stderr));
            assert!(content(&out) == shoot.expected, "{what}: a second run does not mend it");
            assert_eq!(unfinished(&out), 0, "{what}");
        }
    }
    assert!(amid >= 2 && mended >= 1, "{amid} ended amid the results, {mended} with something unfinished");
}

/// A thousand files in one folder, most of them rubbish, with no more than 64 open at a time.
#[test]
fn a_thousand_files() {
    let dir = tempfile::tempdir().unwrap();
    let material = dir.path().join("shoot");
    std::fs::create_dir(&material).unwrap();
    write_shoot(&material);
    let short = std::fs::read(material.join("launch.wav")).unwrap();
    for i in 0..1000 {
        let name = material.join(format!("stray-{i:04}.wav"));
        match i % 4 {
            0 => std::fs::write(name, &short[..44 + 2000]).unwrap(),
            1 => std::fs::write(name, b"RIFF").unwrap(),
            2 => std::fs::write(name, vec![0u8; 3000]).unwrap(),
            _ => std::fs::write(name, b"a list of stores for the launch").unwrap(),
        }
    }
    let out = dir.path().join("result");
    let words = ["-o", "--json"].map(Path::new);
    let output = run(&mut limited("ulimit -n 64; ulimit -v 4000000", &[&material, words[0], &out, words[1]]));
    let said = text(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(!said.contains("was not written"), "{said}");
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let files: Vec<&serde_json::Value> =
        result["recordings"].as_array().unwrap().iter().flat_map(|r| r["files"].as_array().unwrap()).collect();
    assert_eq!(files.len(), 1003);
    let placed: Vec<&str> =
        files.iter().filter(|f| f["status"] == "placed").map(|f| f["path"].as_str().unwrap()).collect();
    assert_eq!(placed.len(), 3, "{placed:?}");
    assert!(files.iter().all(|f| f["status"] == "placed" || f["reason"].as_str().is_some_and(|r| r.len() > 5)));
}
