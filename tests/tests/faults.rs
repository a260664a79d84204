//! Files that change while they are read, and being stopped anywhere: a clear end, nothing lost, nothing half-written.

use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

use coeval::{ErrorKind, Result};
use coeval_shoot::alignment::File;
use coeval_shoot::{Alignment, Options, align};
use coeval_tests::shoot::{RATE_HZ, event, heard, write_good_pair, write_wav};

/// Aligns the folder on one thread and lets `meddle` do something to it at the `n`-th report of `stage`.
fn align_while(folder: &Path, stage: &str, n: usize, meddle: impl Fn() + Sync) -> Result<Alignment> {
    let seen = AtomicUsize::new(0);
    let mut options = Options::default();
    options.threads = std::num::NonZeroUsize::new(1);
    let listen = |now: &str, _: f64| {
        if now == stage && seen.fetch_add(1, Ordering::SeqCst) == n {
            meddle();
        }
        true
    };
    align(&[folder], &options, &listen)
}

/// A third recording, of which something happens; the pair beside it must be placed whatever that is.
fn with_a_third(stage: &str, n: usize, meddle: impl Fn(&Path) + Sync) -> File {
    with_a_third_that_is(|_| (), stage, n, meddle)
}

/// The same, and `prepare` does something to the third before the work begins.
fn with_a_third_that_is(prepare: impl Fn(&Path), stage: &str, n: usize, meddle: impl Fn(&Path) + Sync) -> File {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    let third = dir.path().join("a-third.wav");
    // The longest is begun first.
    write_wav(&third, &heard(&event(48)[2 * RATE_HZ as usize..], 3));
    prepare(&third);
    let alignment = align_while(dir.path(), stage, n, || meddle(&third)).expect("one file's failure is its own");
    for good in ["left.wav", "right.wav"] {
        assert!(alignment.file(good).is_some_and(|f| f.is_placed()), "{good}: {alignment:?}");
    }
    alignment.file("a-third.wav").expect("it is in the result").clone()
}

#[test]
fn a_file_that_vanishes() {
    // Before its sound is read.
    let gone = with_a_third("reading sound", 0, |third| std::fs::remove_file(third).unwrap());
    assert!(gone.reason.as_deref().is_some_and(|r| r.contains("no such file")), "{gone:?}");
    // While it is read: the system keeps what is open.
    let kept = with_a_third("reading sound", 8, |third| std::fs::remove_file(third).unwrap());
    assert!(kept.is_placed(), "{kept:?}");
}

#[test]
fn a_file_that_grows() {
    use std::io::Write;
    let grow = |third: &Path| {
        let mut file = std::fs::OpenOptions::new().append(true).open(third).unwrap();
        file.write_all(&vec![9; 1 << 20]).unwrap();
    };
    // A recorder that still runs has not written yet how long the sound is.
    let unfinished = |third: &Path| {
        let mut bytes = std::fs::read(third).unwrap();
        assert_eq!(&bytes[36..40], b"data");
        for at in [4, 40] {
            bytes[at..at + 4].fill(0xFF);
        }
        std::fs::write(third, bytes).unwrap();
    };
    // What it promised when it was opened is what was read.
    for grown in [with_a_third("reading sound", 8, grow), with_a_third_that_is(unfinished, "reading sound", 8, grow)] {
        assert!(grown.is_placed() && (grown.duration_s.unwrap() - 46.0).abs() < 1e-9, "{grown:?}");
    }
}

#[test]
fn a_file_that_is_cut_while_it_is_read() {
    let cut = with_a_third("reading sound", 8, |third| {
        std::fs::OpenOptions::new().write(true).open(third).unwrap().set_len(200_000).unwrap();
    });
    // Half of it was there. It says so, one way or the other.
    assert!(!cut.warnings.is_empty() || !cut.is_placed(), "not a word about what is missing: {cut:?}");
    assert!(cut.duration_s.is_none_or(|d| d < 46.0), "{cut:?}");
}

/// Stopped at the n-th report, for every n: the same error, and nothing under a final name that is not whole.
#[test]
fn stopped_anywhere() {
    use coeval_deliver::handover::{Handover, HandoverOptions, names};
    use coeval_shoot::OutFolder;

    let dir = tempfile::tempdir().unwrap();
    let material = dir.path().join("shoot");
    std::fs::create_dir(&material).unwrap();
    write_good_pair(&material);
    // Answers whether it came to its end, and how many reports there were.
    let job = |out: &Path, stop_at: usize| -> (Result<()>, usize) {
        let seen = AtomicUsize::new(0);
        let listen = |_: &str, _: f64| seen.fetch_add(1, Ordering::SeqCst) < stop_at;
        let mut options = Options::default();
        options.threads = std::num::NonZeroUsize::new(1);
        let done = (|| {
            let alignment = align(&[&material], &options, &listen)?;
            let mut handing = HandoverOptions::default();
            handing.threads = options.threads;
            let folder = OutFolder::check(out, std::slice::from_ref(&material), &[], &|a| names(a, out), false, false)?;
            let problems = Handover::plan(&alignment, &handing)?.write(&material, &folder, &listen)?;
            assert!(problems.is_empty(), "{problems:?}");
            Ok(())
        })();
        (done, seen.load(Ordering::SeqCst))
    };
    let below = |folder: &Path| coeval_shoot::files_below(folder).expect("lists");
    let whole = dir.path().join("whole");
    let (done, reports) = job(&whole, usize::MAX);
    done.expect("nothing stops it");
    assert!(reports > 50, "{reports} reports");
    // Every one of the first and last, and some fifteen between.
    let step = (reports / 15).max(1);
    let stops = |n: &usize| n.is_multiple_of(step) || *n < 5 || *n + 20 > reports;
    let stopped = |n: usize| {
        let out = dir.path().join(format!("out-{n}"));
        let (done, seen) = job(&out, n);
        assert_eq!(done.expect_err("it was stopped").kind(), ErrorKind::Cancelled, "report {n} of {reports}");
        // A step that does not hear of it would go on and report again.
        assert_eq!(seen, n + 1, "it went on after report {n} of {reports}");
        for name in below(&out) {
            let (left, right) = (std::fs::read(out.join(&name)).unwrap(), std::fs::read(whole.join(&name)).unwrap());
            assert!(left == right, "stopped at report {n} of {reports}: {name} is not whole");
        }
        let _ = std::fs::remove_dir_all(&out);
    };
    // A job has one thread: two of them fill two cores.
    std::thread::scope(|scope| {
        for half in 0..2 {
            let stopped = &stopped;
            scope.spawn(move || (0..reports).filter(stops).skip(half).step_by(2).for_each(stopped));
        }
    });
}
