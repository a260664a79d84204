//! What is kept between runs changes no byte of the results, whatever becomes of it.
#![cfg(unix)]

mod common;

use std::collections::BTreeMap;
use std::io::Write;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Instant;

use common::{content, random, unfinished, write_shoot};

struct Shoot {
    dir: tempfile::TempDir,
    material: PathBuf,
    kept: PathBuf,
}

impl Shoot {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let (material, kept) = (dir.path().join("shoot"), dir.path().join("kept"));
        std::fs::create_dir(&material).unwrap();
        write_shoot(&material);
        Self { dir, material, kept }
    }

    fn align(&self, out: &Path, more: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_coeval"));
        command.arg("align").arg(&self.material).arg("-o").arg(out).args(["--kind", "launch.wav=camera"]);
        command.args(["--kind", "launch-2.wav=camera", "--keep-apart"]).args(more).env("COEVAL_CACHE", &self.kept);
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// What a run that keeps nothing makes. All results lie beside each other, since they name the recordings' place.
    fn plain(&self, name: &str, more: &[&str]) -> BTreeMap<String, Vec<u8>> {
        let out = self.dir.path().join(name);
        succeeds(&mut self.align(&out, &[more, &["--no-cache"]].concat()));
        content(&out)
    }

    fn out(&self) -> PathBuf {
        self.dir.path().join("out")
    }

    fn entries(&self) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(&self.kept).unwrap().map(|e| e.unwrap().path());
        entries.filter(|path| path.extension().is_some_and(|e| e == "coeval-kept")).collect()
    }
}

fn succeeds(command: &mut Command) -> Output {
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output
}

/// Which file lies under each name, and when it was changed.
fn states(folder: &Path, names: &BTreeMap<String, Vec<u8>>) -> Vec<(String, u64, i64, i64)> {
    let state = |name: &String| {
        let about = std::fs::metadata(folder.join(name)).unwrap();
        (name.clone(), about.ino(), about.mtime(), about.mtime_nsec())
    };
    names.keys().map(state).collect()
}

#[test]
fn a_second_run_is_the_same_and_writes_only_what_changed() {
    let shoot = Shoot::new();
    let (out, expected) = (shoot.out(), shoot.plain("plain", &[]));
    assert!(!shoot.kept.exists(), "--no-cache keeps nothing");
    succeeds(&mut shoot.align(&out, &[]));
    assert!(content(&out) == expected);
    let before = states(&out, &expected);
    let sounds = |states: &[(String, u64, i64, i64)]| -> Vec<(String, u64)> {
        states.iter().filter(|s| s.0.ends_with(".wav")).map(|s| (s.0.clone(), s.1)).collect()
    };
    assert!(sounds(&before).len() >= 3);
    succeeds(&mut shoot.align(&out, &[]));
    assert!(content(&out) == expected && states(&out, &expected) == before, "nothing changed, nothing is written");

    // Another start is in the header of each sound, which is the same file still.
    let later = ["--start", "10:00:00:00"];
    let expected = shoot.plain("later", &later);
    succeeds(&mut shoot.align(&out, &later));
    assert!(content(&out) == expected);
    assert_eq!(sounds(&states(&out, &expected)), sounds(&before));
    assert_ne!(states(&out, &expected), before);

    // A sound that somebody changed, if only in a sample, and one that is gone.
    let names: Vec<&String> = expected.keys().filter(|n| n.ends_with(".wav")).collect();
    let mut changed = expected[names[0]].clone();
    *changed.last_mut().unwrap() ^= 1;
    std::fs::write(out.join(names[0]), changed).unwrap();
    std::fs::remove_file(out.join(names[1])).unwrap();
    succeeds(&mut shoot.align(&out, &later));
    assert!(content(&out) == expected);

    // Other options, and back.
    let sixteen = [&later[..], &["--bit-depth", "16"]].concat();
    let other = shoot.plain("sixteen", &sixteen);
    for (options, expected) in [(&sixteen[..], &other), (&later, &expected)] {
        succeeds(&mut shoot.align(&out, options));
        assert!(content(&out) == *expected, "{options:?}");
    }
}

#[test]
fn a_recording_that_changed_is_measured_anew() {
    let shoot = Shoot::new();
    let out = shoot.out();
    succeeds(&mut shoot.align(&out, &[]));
    let first = content(&out);
    // A quarter of a second later, with the same length and the same time of change.
    let path = shoot.material.join("launch-2.wav");
    let changed = std::fs::metadata(&path).unwrap().modified().unwrap();
    let mut bytes = std::fs::read(&path).unwrap();
    let shifted = bytes[44 + 24_000..].to_vec();
    bytes[44..44 + shifted.len()].copy_from_slice(&shifted);
    std::fs::write(&path, bytes).unwrap();
    std::fs::File::options().write(true).open(&path).unwrap().set_modified(changed).unwrap();
    let expected = shoot.plain("plain", &[]);
    assert!(expected["alignment.json"] != first["alignment.json"]);
    succeeds(&mut shoot.align(&out, &[]));
    let (mut found, mut made_anew) = (content(&out), 0);
    for (name, bytes) in expected.iter().filter(|(name, _)| name.starts_with("sound/")) {
        // Of the others' sound none has moved by 5 us: it stays as it was written.
        let other = first.get(name).filter(|&before| !name.contains("launch-2") && *before == found[name]);
        if other.is_some_and(|before| before.len() == bytes.len()) {
            found.insert(name.clone(), bytes.clone());
        } else {
            made_anew += 1;
        }
    }
    assert!(found == expected && made_anew > 0);
}

#[test]
fn damaged_entries_and_strangers() {
    let shoot = Shoot::new();
    let (out, expected) = (shoot.out(), shoot.plain("plain", &[]));
    std::fs::create_dir_all(shoot.kept.join("photos")).unwrap();
    for name in ["letter.txt", "photos/harbour.jpg", "track-0.coeval-kept"] {
        std::fs::write(shoot.kept.join(name), name).unwrap();
    }
    succeeds(&mut shoot.align(&out, &[]));
    let damages: [fn(&mut Vec<u8>); 3] = [
        |bytes| bytes.truncate(bytes.len() / 2),
        |bytes| bytes.clear(),
        |bytes| {
            let middle = bytes.len() / 2;
            bytes[middle] ^= 0x40;
        },
    ];
    for damage in damages {
        let entries = shoot.entries();
        assert!(entries.len() >= 10, "{}", entries.len());
        for path in entries.iter().filter(|p| !p.ends_with("track-0.coeval-kept")) {
            let mut bytes = std::fs::read(path).unwrap();
            damage(&mut bytes);
            std::fs::write(path, bytes).unwrap();
        }
        let said = succeeds(&mut shoot.align(&out, &[]));
        assert!(content(&out) == expected && said.stderr.is_empty(), "{}", String::from_utf8_lossy(&said.stderr));
    }
    let mut clear = Command::new(env!("CARGO_BIN_EXE_coeval"));
    let said = succeeds(clear.args(["cache", "--clear", "--cache"]).arg(&shoot.kept));
    let said = String::from_utf8(said.stdout).unwrap();
    assert!(said.contains("removed") && !said.contains(" 0 entries"), "{said}");
    let left: Vec<String> = content(&shoot.kept).into_keys().collect();
    assert_eq!(left, ["letter.txt", "photos/harbour.jpg", "track-0.coeval-kept"]);
}

#[test]
fn killed_anywhere_it_is_never_wrong() {
    let shoot = Shoot::new();
    let expected = shoot.plain("plain", &[]);
    let begun = Instant::now();
    shoot.plain("again", &[]);
    let (mut whole, mut state, mut amid) = (begun.elapsed(), 3, 0);
    for kill in 0..10 {
        std::fs::remove_dir_all(&shoot.kept).ok();
        let out = shoot.dir.path().join(format!("out-{kill}"));
        for _ in 0..2 {
            let mut child = shoot.align(&out, &[]).spawn().unwrap();
            std::thread::sleep(whole.mul_f64(random(&mut state)));
            child.kill().unwrap();
            let killed = !child.wait().unwrap().success();
            amid += usize::from(killed);
            // What is kept makes a run short, and so does a machine that is less busy than before.
            whole = whole.mul_f64(if killed { 1.1 } else { 0.7 });
        }
        succeeds(&mut shoot.align(&out, &[]));
        assert!(content(&out) == expected, "kill {kill}");
        assert_eq!(unfinished(&out), 0);
    }
    assert!(amid >= 10, "only {amid} of 20 were killed before they had ended");
}

#[test]
fn two_runs_at_once() {
    let shoot = Shoot::new();
    let expected = shoot.plain("plain", &[]);
    for round in 0..3 {
        let outs = ["a", "b", "c"].map(|name| shoot.dir.path().join(format!("{name}-{round}")));
        let runs = outs.each_ref().map(|out| shoot.align(out, &[]).spawn().unwrap());
        for (run, out) in runs.into_iter().zip(&outs) {
            let output = run.wait_with_output().unwrap();
            assert!(output.status.success() && output.stderr.is_empty());
            assert!(content(out) == expected);
        }
    }
}

#[test]
fn where_nothing_can_be_kept_the_job_goes_on() {
    let shoot = Shoot::new();
    let expected = shoot.plain("plain", &[]);
    std::fs::write(&shoot.kept, "a file where the folder should be").unwrap();
    let said = succeeds(&mut shoot.align(&shoot.out(), &[]));
    assert!(content(&shoot.out()) == expected);
    let said = String::from_utf8(said.stderr).unwrap();
    assert!(
        said.starts_with("coeval: note: measurements can no longer be kept in ") && said.lines().count() == 1,
        "{said}"
    );
}

/// Folders that cannot be written, and a disk with room for some of what is kept: each mounted in a namespace of its own.
#[test]
fn a_read_only_folder_and_a_full_disk() {
    let shoot = Shoot::new();
    let expected = shoot.plain("plain", &[]);
    std::fs::create_dir(&shoot.kept).unwrap();
    for options in ["ro", "size=300k"] {
        let out = shoot.dir.path().join(options);
        let align = shoot.align(&out, &[]);
        let script = r#"mount -t tmpfs -o "$0" none "$COEVAL_CACHE" || exit 77; exec "$@""#;
        let mut command = Command::new("unshare");
        command.args(["-Urm", "sh", "-c", script, options]).arg(align.get_program()).args(align.get_args());
        let output = match command.env("COEVAL_CACHE", &shoot.kept).output() {
            Ok(output) if output.status.code() != Some(77) => output,
            _ => {
                let _ = writeln!(std::io::stdout(), "\nskipped: a small disk cannot be mounted here");
                return;
            }
        };
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success() && content(&out) == expected, "{options}: {said}");
        assert!(said.starts_with("coeval: note: measurements can no longer be kept in "), "{options}: {said}");
        assert_eq!(said.lines().count(), 1, "{said}");
    }
}
