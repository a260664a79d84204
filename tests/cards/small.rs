//! Small things that a person ran into: a word where there was none, the right word where there was another.

use std::path::{Path, PathBuf};

use coeval_media::{Bext, WavOptions, WavWriter};
use coeval_tests::shoot::{RATE_HZ, Ran, coeval, event, heard, write_good_pair, write_wav};

fn pair(folder: &Path) -> (PathBuf, PathBuf) {
    let (material, out) = (folder.join("shoot"), folder.join("out"));
    std::fs::create_dir(&material).unwrap();
    write_good_pair(&material);
    (material, out)
}

/// Mono sound whose first sample was heard so many seconds after midnight, by its own words.
fn write_bwf(path: &Path, sound: &[f32], at_s: u64) {
    let bext = Bext { time_reference: at_s * u64::from(RATE_HZ), ..Bext::default() };
    let options = WavOptions { bext: Some(bext), ..WavOptions::new(RATE_HZ, 1) };
    let mut writer = WavWriter::create(path, options).unwrap();
    writer.write(sound).unwrap();
    writer.finish().unwrap();
}

#[test]
fn one_file_alone_is_told_why() {
    let dir = tempfile::tempdir().unwrap();
    let (material, _) = pair(dir.path());
    let ran = coeval(&[&"align", &material.join("left.wav")]);
    assert_eq!(ran.code, 2, "{ran:?}");
    assert!(ran.err.contains("there is only one recording"), "{}", ran.err);
}

#[test]
fn nothing_in_common_is_told_on_standard_error() {
    let dir = tempfile::tempdir().unwrap();
    for (name, seed) in [("one.wav", 11), ("two.wav", 12)] {
        write_wav(&dir.path().join(name), &heard(&vec![0.0; 10 * RATE_HZ as usize], seed));
    }
    let ran = coeval(&[&"align", &dir.path()]);
    assert_eq!(ran.code, 2, "{ran:?}");
    assert!(ran.err.contains("no two recordings share sound"), "{}", ran.err);
}

#[test]
fn what_a_changed_alignment_removes_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let (material, out) = pair(dir.path());
    let run = |more: &[&str]| -> Ran {
        let mut args: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"align", &material, &"-o", &out];
        args.extend(more.iter().map(|m| m as &dyn AsRef<std::ffi::OsStr>));
        coeval(&args)
    };
    assert_eq!(run(&[]).code, 0);
    // Nothing has changed: nothing is removed, and nothing is said.
    let same = run(&["--only", "edl"]);
    assert!(same.err.is_empty() && out.join("report.html").is_file(), "{same:?}");
    let changed = run(&["--only", "edl", "--reference", "right.wav"]);
    assert_eq!(changed.code, 0, "{changed:?}");
    assert!(!out.join("report.html").exists());
    assert!(changed.err.contains("removed") && changed.err.contains("report.html"), "{}", changed.err);
    assert!(!changed.err.contains("alignment.json") && !changed.err.contains("READ-ME"), "{}", changed.err);
    // Its folders are still there, but empty: they are nothing to take in.
    let read_me = std::fs::read_to_string(out.join("READ-ME.txt")).unwrap();
    assert!(out.join("sound/whole").is_dir() && !read_me.contains("sound/whole"), "{read_me}");
    assert!(read_me.contains("\r\nedl\r\n"), "{read_me}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_folder_that_cannot_be_written_is_refused_before_the_work() {
    let dir = tempfile::tempdir().unwrap();
    let (material, _) = pair(dir.path());
    let ran = coeval(&[&"align", &material, &"-o", &"/proc/coeval"]);
    assert_eq!(ran.code, 2, "{ran:?}");
    assert!(ran.out.is_empty() && ran.err.contains("choose a folder that can be written"), "{ran:?}");
}

#[test]
fn recordings_that_are_gone_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let (material, out) = pair(dir.path());
    assert_eq!(coeval(&[&"align", &material, &"-o", &out, &"--only", &"timeline"]).code, 0);
    std::fs::remove_file(material.join("right.wav")).unwrap();
    let ran = coeval(&[&"tighten", &out, &"--media", &material]);
    assert_eq!(ran.code, 2, "{ran:?}");
    assert!(ran.err.contains("1 of 2 recordings are missing: right.wav"), "{}", ran.err);
}

#[test]
fn trusted_times_that_hide_the_sound_are_said() {
    let dir = tempfile::tempdir().unwrap();
    let sound = event(44);
    write_bwf(&dir.path().join("left.wav"), &heard(&sound, 1), 36_000);
    // Its clock is 300 s late.
    write_bwf(&dir.path().join("right.wav"), &heard(&sound[4 * RATE_HZ as usize..], 2), 36_304);
    assert_eq!(coeval(&[&"align", &dir.path(), &"--trust-times", &"400"]).code, 0);
    let ran = coeval(&[&"align", &dir.path(), &"--trust-times", &"5"]);
    assert_eq!(ran.code, 2, "{ran:?}");
    assert!(
        ran.out.contains("only within 5 s of the files' own times") && ran.out.contains("--trust-times"),
        "{ran:?}"
    );
}

#[test]
fn the_remedy_of_ffmpeg_names_its_option() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    std::fs::write(dir.path().join("old.avi"), b"RIFF\0\0\0\0AVI LIST").unwrap();
    let ran = coeval(&[&"align", &dir.path()]);
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(ran.lines_with("old.avi").iter().any(|l| l.contains("--allow-ffmpeg")), "{ran:?}");
}

#[test]
fn moments_that_no_clock_shows_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    for [option, value] in [
        ["--moment", "1:75"],
        ["--protect", "9:99:00-9:99:10"],
        ["--moment", "-5"],
        ["--protect", "-5-10"],
        ["--length", "-5"],
        ["--length", "1:75"],
        ["--pause", "-1"],
    ] {
        let ran = coeval(&[&"tighten", &dir.path(), &option, &value]);
        // A number's range is told once there are results to cut.
        assert!(ran.code == 1 || option == "--pause", "{option} {value}: {ran:?}");
        // No advice to write `-- -5`, which would be taken for a folder.
        assert!(!ran.err.contains("-- -"), "{}", ran.err);
        assert!(option == "--pause" || ["out of range", "not a number"].iter().any(|w| ran.err.contains(w)), "{ran:?}");
    }
}

#[test]
fn what_is_passed_over_is_counted_and_media_among_it_is_named() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    std::fs::write(dir.path().join("a.thm"), b"x").unwrap();
    std::fs::write(dir.path().join("b.THM"), b"x").unwrap();
    std::fs::write(dir.path().join("notes.txt"), b"the free text").unwrap();
    std::fs::copy(dir.path().join("left.wav"), dir.path().join("CARD.BIN")).unwrap();
    let ran = coeval(&[&"align", &dir.path()]);
    assert_eq!(ran.code, 0, "{ran:?}");
    assert_eq!(ran.lines_with("4 files skipped: 2 .thm, 1 .bin, 1 .txt").len(), 1, "{}", ran.out);
    assert_eq!(ran.lines_with("CARD.BIN holds WAV").len(), 1, "{}", ran.out);
    assert_eq!(ran.lines_with("notes.txt holds").len(), 0, "{}", ran.out);
}
