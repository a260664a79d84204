//! What people really pour into one folder: each case is a small folder made here, goes through the command, and says what
//! must come out. Timelines and lists are left for `tests/python/test_timeline.py`, which reads them with other programs.

mod beside;
mod copies;
mod doubt;
mod names;
mod photos;
mod small;
mod timecode;
mod times;
mod tracks;

use std::cell::Cell;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

use coeval_shoot::Alignment;
use coeval_tests::shoot::{Ran, coeval, skipped};
use tempfile::TempDir;

/// An empty folder for a card, in one that is removed with its results.
fn card() -> (TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let shoot = dir.path().join("shoot");
    std::fs::create_dir(&shoot).unwrap();
    (dir, shoot)
}

/// Where the results of a card go.
fn out(shoot: &Path) -> PathBuf {
    shoot.with_extension("out")
}

/// A file of the demo's recordings.
fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/survey-launch/recordings").join(name)
}

/// Makes `to` from `from` by ffmpeg; `None`, and said, where it is missing.
fn ffmpeg(from: &Path, how: &[&str], to: &Path) -> Option<()> {
    let mut ffmpeg = Command::new("ffmpeg");
    match ffmpeg.args(["-loglevel", "error", "-y", "-i"]).arg(from).args(how).arg(to).status() {
        Ok(status) => {
            assert!(status.success(), "{how:?}");
            Some(())
        }
        Err(_) => {
            skipped("a card that ffmpeg makes: it is not installed");
            None
        }
    }
}

/// Aligns a card anew, which must end with this exit code, and writes its timeline, its lists and these `parts`.
fn aligned(shoot: &Path, code: u8, parts: &str, more: &[&str]) -> (Alignment, Ran) {
    let out = out(shoot);
    let _ = std::fs::remove_dir_all(&out);
    let only = format!("timeline,edl{parts}");
    let mut args: Vec<&dyn AsRef<OsStr>> = vec![&"align", &shoot, &"-o", &out, &"--only", &only];
    args.extend(more.iter().map(|m| m as &dyn AsRef<OsStr>));
    let ran = coeval(&args);
    assert_eq!(ran.code, code, "{ran:?}");
    let text = std::fs::read_to_string(out.join("alignment.json")).unwrap();
    leave(&out);
    (Alignment::from_json(&text).unwrap(), ran)
}

/// Leaves what others read in the folder of this test and run.
fn leave(out: &Path) {
    thread_local!(static RUNS: Cell<usize> = const { Cell::new(1) });
    let run = RUNS.replace(RUNS.get() + 1);
    let test = std::thread::current().name().unwrap_or("main").replace("::", ".");
    let to = Path::new(env!("CARGO_TARGET_TMPDIR")).join("cards").join(format!("{test}.{run}"));
    let _ = std::fs::remove_dir_all(&to);
    std::fs::create_dir_all(to.join("edl")).unwrap();
    for name in ["alignment.json", "timeline.otio"] {
        std::fs::copy(out.join(name), to.join(name)).unwrap();
    }
    for list in std::fs::read_dir(out.join("edl")).unwrap().flatten() {
        std::fs::copy(list.path(), to.join("edl").join(list.file_name())).unwrap();
    }
}
