//! Whatever kills the command, under final names there are whole files only; and it ends when it is asked to.
#![cfg(unix)]

mod common;

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use common::{content, random, unfinished, write_shoot};

const KILLS: usize = 50;

#[test]
fn leaves_whole_files_or_none() {
    let dir = tempfile::tempdir().unwrap();
    let material = dir.path().join("shoot");
    std::fs::create_dir(&material).unwrap();
    write_shoot(&material);
    let command = |out: &Path| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_coeval"));
        command.arg("align").arg(&material).arg("-o").arg(out).args(["--kind", "launch.wav=camera"]);
        command.args(["--kind", "launch-2.wav=camera", "--keep-apart"]);
        command.stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    // Relative references name the folder's place, so that every run must write into a sister of this one.
    let whole = dir.path().join("whole");
    let begun = Instant::now();
    let mut child = command(&whole).spawn().unwrap();
    while !whole.exists() {
        assert!(begun.elapsed() < Duration::from_secs(120));
        std::thread::sleep(Duration::from_millis(1));
    }
    let to_first = begun.elapsed();
    assert!(child.wait().unwrap().success());
    let to_end = begun.elapsed();
    let expected = content(&whole);
    assert!(expected.keys().any(|n| n.starts_with("sound/under-clips/")), "{:?}", expected.keys());
    assert!(expected.keys().any(|n| n.starts_with("sound/whole/")), "{:?}", expected.keys());

    let (mut state, mut amid, mut mended) = (5, 0, false);
    for kill in 0..KILLS {
        let out = dir.path().join(format!("out-{kill}"));
        let begun = Instant::now();
        let mut child = command(&out).spawn().unwrap();
        // Most kills while files are written, some before.
        let after = if kill % 5 == 0 {
            to_first.mul_f64(random(&mut state))
        } else {
            while !out.exists() && begun.elapsed() < 10 * to_end {
                std::thread::sleep(Duration::from_micros(200));
            }
            begun.elapsed() + (to_end - to_first).mul_f64(random(&mut state))
        };
        std::thread::sleep(after.saturating_sub(begun.elapsed()));
        // SIGKILL.
        child.kill().unwrap();
        child.wait().unwrap();
        let left = content(&out);
        amid += usize::from(!left.is_empty() && left.len() < expected.len());
        for (name, bytes) in &left {
            assert!(expected.get(name) == Some(bytes), "killed after {after:?}: {name} is not whole");
        }
        if !mended && unfinished(&out) > 0 {
            // A second run takes the folder for what it is, mends it and clears away.
            assert!(command(&out).status().unwrap().success());
            assert_eq!(content(&out), expected);
            assert_eq!(unfinished(&out), 0, "killed after {after:?}: unfinished files stay");
            mended = true;
        }
        std::fs::remove_dir_all(&out).ok();
    }
    assert!(amid >= KILLS / 5, "only {amid} of {KILLS} kills came while files were being written");
    assert!(mended, "no kill left an unfinished file");
}

#[test]
fn an_interrupt_ends_what_does_not_listen() {
    // A pipe that is full, and that nobody reads: whoever prints into it waits for ever.
    let (reader, writer) = std::io::pipe().unwrap();
    let mut filler = writer.try_clone().unwrap();
    let filling = std::thread::spawn(move || filler.write_all(&[0; 1 << 21]));
    let dir = tempfile::tempdir().unwrap();
    write_shoot(dir.path());
    let mut command = Command::new(env!("CARGO_BIN_EXE_coeval"));
    let mut child = command.arg("probe").arg(dir.path()).stdout(writer).stderr(Stdio::piped()).spawn().unwrap();
    drop(command);
    std::thread::sleep(Duration::from_secs(3));
    assert!(child.try_wait().unwrap().is_none(), "it waits");
    let asked = Instant::now();
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    let code = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status.code();
        }
        if asked.elapsed() > Duration::from_secs(10) {
            child.kill().unwrap();
            panic!("it does not end");
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert_eq!(code, Some(130));
    drop(reader);
    assert!(filling.join().unwrap().is_err(), "the pipe was never full");
}
