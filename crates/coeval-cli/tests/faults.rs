//! A full disk, too little memory, too few open files: a clear end, nothing lost, nothing half-written.
#![cfg(unix)]

mod common;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use common::{content, write_shoot};

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

fn hidden(out: &Path) -> usize {
    ["", "sound/whole", "sound/under-clips", "edl"]
        .iter()
        .filter_map(|folder| std::fs::read_dir(out.join(folder)).ok())
        .flatten()
        .filter(|e| e.as_ref().unwrap().file_name().as_encoded_bytes().starts_with(b"."))
        .count()
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
        assert_eq!(hidden(&out), 0, "{blocks} blocks leave unfinished files");
        assert!(matches!(code, Some(2 | 3)), "{blocks} blocks: {code:?} {said}");
        assert!(said.contains("has room") || said.contains("too large"), "{blocks} blocks: {said}");
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
    assert_eq!(hidden(&copy), 0);
}

/// Less and less memory: the work is done, or the command ends and says so; never half a file under its name.
#[test]
fn too_little_memory() {
    let shoot = Shoot::new();
    let (mut done, mut ended) = (0, 0);
    for megabytes in [2000, 220, 140, 90, 50, 30] {
        let out = shoot.dir.path().join(format!("out-{megabytes}"));
        let output = run(&mut shoot.align(&format!("ulimit -v {}", megabytes * 1024), &out));
        whole_only(&out, &shoot.expected, &format!("{megabytes} MB"));
        if output.status.success() {
            done += 1;
        } else {
            ended += 1;
            assert!(!output.stderr.is_empty(), "{megabytes} MB: it ended without a word");
        }
    }
    assert!(done > 0 && ended > 0, "{done} done, {ended} ended");
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
    assert_eq!(output.status.code(), Some(3), "{}", text(&output.stderr));
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let files: Vec<&serde_json::Value> =
        result["recordings"].as_array().unwrap().iter().flat_map(|r| r["files"].as_array().unwrap()).collect();
    assert_eq!(files.len(), 1003);
    let placed: Vec<&str> =
        files.iter().filter(|f| f["status"] == "placed").map(|f| f["path"].as_str().unwrap()).collect();
    assert_eq!(placed.len(), 3, "{placed:?}");
    assert!(files.iter().all(|f| f["status"] == "placed" || f["reason"].as_str().is_some_and(|r| r.len() > 5)));
}
