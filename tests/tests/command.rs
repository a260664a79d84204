//! The command's promises: where it writes, what it prints, how it ends.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::AtomicBool;

use coeval_shoot::Alignment;
use coeval_tests::shoot::{RATE_HZ, coeval, coeval_until, event, heard, write_good_pair, write_wav};

/// Every file below a folder and what it holds.
fn content(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let found = coeval_shoot::find(&[folder]).unwrap();
    let mut all: BTreeMap<_, _> =
        found.sources.iter().map(|s| (s.name.clone(), std::fs::read(&s.path).unwrap())).collect();
    for entry in std::fs::read_dir(folder).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        all.entry(name).or_default();
    }
    all
}

/// Names of all files below a folder, in order.
fn names(folder: &Path) -> Vec<String> {
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap().map(Result::unwrap) {
        let name = entry.file_name().into_string().unwrap();
        if entry.file_type().unwrap().is_dir() {
            names.extend(self::names(&entry.path()).into_iter().map(|below| format!("{name}/{below}")));
        } else {
            names.push(name);
        }
    }
    names.sort();
    names
}

/// What comes out for two recorders.
const ALL: [&str; 11] = [
    "READ-ME.txt",
    "alignment.json",
    "chapters.vtt",
    "edl/left.sound.edl",
    "edl/right.sound.edl",
    "markers.csv",
    "markers.vtt",
    "report.html",
    "sound/whole/left.on-timeline.wav",
    "sound/whole/right.on-timeline.wav",
    "timeline.otio",
];

#[test]
fn writes_whole_results_into_out_and_nothing_into_the_material() {
    let dir = tempfile::tempdir().unwrap();
    let (material, out) = (dir.path().join("shoot"), dir.path().join("out"));
    std::fs::create_dir(&material).unwrap();
    write_good_pair(&material);
    let before = content(&material);
    let printed = coeval(&[&"align", &material, &"-o", &out, &"--json"]);
    assert_eq!(printed.code, 0, "{printed:?}");
    assert_eq!(content(&material), before);
    assert_eq!(names(&out), ALL);
    let written = std::fs::read_to_string(out.join("alignment.json")).unwrap();
    assert_eq!(printed.out, written);
    let alignment = Alignment::from_json(&written).unwrap();
    assert_eq!(alignment.files().count(), 2);
    assert_eq!(alignment.pairs.len(), 1);
    let timeline = std::fs::read_to_string(out.join("timeline.otio")).unwrap();
    assert!(timeline.contains("\"target_url\": \"sound/whole/left.on-timeline.wav\""), "{timeline}");
    // A second run replaces its own result.
    assert_eq!(coeval(&[&"align", &material, &"-o", &out]).code, 0);
}

#[test]
fn writes_the_parts_that_are_asked_for_or_only_says_what_it_would() {
    let dir = tempfile::tempdir().unwrap();
    let (material, out) = (dir.path().join("shoot"), dir.path().join("out"));
    std::fs::create_dir(&material).unwrap();
    write_good_pair(&material);
    let dry = coeval(&[&"align", &material, &"-o", &out, &"--dry-run", &"--bit-depth", &"16"]);
    assert_eq!((dry.code, out.exists()), (0, false), "{dry:?}");
    for name in ALL {
        assert_eq!(dry.lines_with(name).len(), 1, "{name}: {}", dry.out);
    }
    // 40 s of 48 kHz, 16 bits, mono.
    assert!(dry.lines_with("left.on-timeline.wav")[0].ends_with("3.8 MB"), "{}", dry.out);

    assert_eq!(coeval(&[&"align", &material, &"-o", &out, &"--only", &"markers,timeline"]).code, 0);
    assert_eq!(
        names(&out),
        ["READ-ME.txt", "alignment.json", "chapters.vtt", "markers.csv", "markers.vtt", "timeline.otio"]
    );
    let read = |name: &str| std::fs::read_to_string(out.join(name)).unwrap();
    // Without conformed sound the timeline can refer to the recordings only.
    assert!(read("timeline.otio").contains("\"target_url\": \"../shoot/left.wav\""));
    assert!(read("markers.csv").contains(",01:00:00:00,clip,"), "{}", read("markers.csv"));
    // Parts are added to a result; what is there is used.
    let more: [&dyn AsRef<std::ffi::OsStr>; 11] = [
        &"align",
        &material,
        &"-o",
        &out,
        &"--only",
        &"whole,timeline",
        &"--start",
        &"10:00:00:00",
        &"--bit-depth",
        &"32",
        &"--absolute",
    ];
    assert_eq!(coeval(&more).code, 0);
    assert!(read("timeline.otio").contains("out/sound/whole/left.on-timeline.wav\""));
    assert!(read("timeline.otio").contains("\"target_url\": \"file:///"));
    assert!(read("READ-ME.txt").contains("10:00:00:00") && read("READ-ME.txt").contains("sound/whole"));
    let sound = coeval_media::probe(&out.join("sound/whole/left.on-timeline.wav"), &Default::default()).unwrap();
    assert_eq!(sound.sound.map(|s| s.codec).as_deref(), Some("PCM 32-bit float"));
    assert_eq!(coeval(&[&"align", &material, &"-o", &out]).code, 0);
    assert_eq!(names(&out), ALL);
    // What a person put there is not touched, and stops a run before the work.
    std::fs::write(out.join("sound/whole/mine.wav"), b"mine").unwrap();
    let refused = coeval(&[&"align", &material, &"-o", &out]);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(refused.err.contains("sound/whole/mine.wav"), "{}", refused.err);

    for bad in [["--only", "everything"], ["--start", "25:00"], ["--bit-depth", "20"], ["--camera-level", "NaN"]] {
        let ran = coeval(&[&"align", &material, &"-o", &dir.path().join("other"), &bad[0], &bad[1]]);
        assert_eq!(ran.code, 1, "{bad:?}: {ran:?}");
    }
    assert_eq!(coeval(&[&"align", &material, &"--dry-run"]).code, 1, "without OUT");
}

#[cfg(unix)]
#[test]
fn no_name_leads_out_of_out() {
    let dir = tempfile::tempdir().unwrap();
    let (material, out) = (dir.path().join("deep/shoot"), dir.path().join("deep/out"));
    std::fs::create_dir_all(&material).unwrap();
    write_good_pair(&material);
    // Names that climb on some system, that begin at its root, or that end a line.
    let names_of_files = ["a\\..\\..\\up.wav", "b\n001 BL C:.wav"];
    for (old, new) in ["left.wav", "right.wav"].iter().zip(names_of_files) {
        std::fs::rename(material.join(old), material.join(new)).unwrap();
    }
    let outside = || {
        let mut all = names(dir.path());
        all.retain(|n| !n.starts_with("deep/out/"));
        all
    };
    let before = outside();
    let refused = coeval(&[&"align", &material, &"-o", &out, &"--recording", &"../../../up=*"]);
    assert_eq!((refused.code, out.exists()), (1, false), "{refused:?}");
    let aligned = coeval(&[&"align", &material, &"-o", &out]);
    assert_eq!(aligned.code, 0, "{aligned:?}");
    // An alignment that came from elsewhere may have any id.
    let path = out.join("alignment.json");
    let alignment = std::fs::read_to_string(&path).unwrap().replace("\"a-up\"", "\"../../../up\"");
    std::fs::write(&path, alignment).unwrap();
    assert_eq!(coeval(&[&"tighten", &out, &"--media", &material]).code, 0);
    assert_eq!(outside(), before);
    assert!(out.join("rough-cut/plan.json").is_file() && names(&out).len() > ALL.len());
    // A list names a new line of its own only where the list has one.
    for list in names(&out).iter().filter(|n| n.ends_with(".edl")) {
        let text = std::fs::read_to_string(out.join(list)).unwrap();
        assert!(text.lines().all(|l| !l.starts_with("001 BL")), "{list}: {text}");
    }
    // A plan that came from elsewhere has nothing removed that lies outside its folder.
    let mine = dir.path().join("deep/mine.txt");
    std::fs::write(&mine, "mine").unwrap();
    std::fs::write(out.join("mine.txt"), "mine").unwrap();
    let path = out.join("rough-cut/plan.json");
    let plan = std::fs::read_to_string(&path).unwrap();
    let more = format!("\"files\": [\"../mine.txt\", \"../../mine.txt\", {:?},", mine.display().to_string());
    let changed = plan.replacen("\"files\": [", &more, 1);
    assert_ne!(changed, plan);
    std::fs::write(&path, changed).unwrap();
    let again = coeval(&[&"tighten", &out, &"--media", &material, &"--pause", &"1"]);
    assert_eq!(again.code, 0, "{again:?}");
    assert!(mine.is_file() && out.join("mine.txt").is_file());
}

#[test]
fn refuses_to_write_over_what_is_the_users() {
    let dir = tempfile::tempdir().unwrap();
    let (material, out) = (dir.path().join("shoot"), dir.path().join("out"));
    std::fs::create_dir_all(&material).unwrap();
    std::fs::create_dir_all(&out).unwrap();
    write_good_pair(&material);
    std::fs::write(out.join("alignment.json"), b"my own notes").unwrap();
    let refused = coeval(&[&"align", &material, &"-o", &out]);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(refused.err.contains("--replace") && refused.err.lines().count() == 1, "{}", refused.err);
    assert_eq!(std::fs::read(out.join("alignment.json")).unwrap(), b"my own notes");
    let inside = coeval(&[&"align", &material, &"-o", &material.join("out")]);
    assert_eq!(inside.code, 2, "{inside:?}");
    assert!(inside.err.contains("--inside") && !material.join("out").exists(), "{}", inside.err);
    assert_eq!(coeval(&[&"align", &material, &"-o", &material.join("out"), &"--inside"]).code, 0);
    assert_eq!(coeval(&[&"align", &material, &"-o", &out, &"--replace"]).code, 0);
    assert!(Alignment::from_json(&std::fs::read_to_string(out.join("alignment.json")).unwrap()).is_ok());
}

#[test]
fn the_same_bytes_whatever_the_threads_and_the_order_of_files() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    let event = event(24);
    write_wav(&dir.path().join("bow.wav"), &heard(&event[2 * RATE_HZ as usize..18 * RATE_HZ as usize], 3));
    std::fs::write(dir.path().join("broken.wav"), b"RIFF").unwrap();
    let names = ["bow.wav", "broken.wav", "left.wav", "right.wav"].map(|n| dir.path().join(n));
    let run = |order: [usize; 4], threads: &str| {
        let files = order.map(|i| &names[i]);
        coeval(&[&"align", &files[0], &files[1], &files[2], &files[3], &"--json", &"--threads", &threads])
    };
    let first = run([0, 1, 2, 3], "1");
    assert_eq!(first.code, 3, "{first:?}");
    assert!(Alignment::from_json(&first.out).is_ok());
    for (order, threads) in [([3, 2, 1, 0], "1"), ([1, 3, 0, 2], "2"), ([2, 0, 3, 1], "4")] {
        assert_eq!(run(order, threads).out, first.out, "{order:?}, {threads} threads");
    }
    assert_eq!(coeval(&[&"align", &dir.path(), &"--json"]).out, first.out, "given as a folder");
}

#[test]
fn the_demo_has_the_same_bytes_whatever_the_threads_and_the_order_of_files() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/survey-launch/recordings");
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    assert!(files.len() >= 4, "{files:?}");
    let out = tempfile::tempdir().unwrap();
    let mut run = |threads: &str| {
        let result = out.path().join(threads);
        let mut words: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"align"];
        words.extend(files.iter().map(|f| f as &dyn AsRef<std::ffi::OsStr>));
        let more: [&dyn AsRef<std::ffi::OsStr>; 6] = [&"-o", &result, &"--threads", &threads, &"--only", &"timeline"];
        words.extend(more);
        let ran = coeval(&words);
        assert!(matches!(ran.code, 0 | 3), "{ran:?}");
        let written = ["alignment.json", "timeline.otio"].map(|n| std::fs::read(result.join(n)).unwrap());
        // Another order for the next run: rotated, and turned round.
        files.rotate_left(3);
        files.reverse();
        written
    };
    let first = run("1");
    assert!(run("4") == first);
}

#[test]
fn an_unrelated_recording_changes_no_other_placement() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    let talk = event(24);
    write_wav(&dir.path().join("bow.wav"), &heard(&talk[2 * RATE_HZ as usize..18 * RATE_HZ as usize], 3));
    let placed = || -> BTreeMap<String, Vec<[f64; 2]>> {
        let ran = coeval(&[&"align", &dir.path(), &"--json"]);
        let alignment = Alignment::from_json(&ran.out).unwrap();
        alignment.files().filter(|f| f.is_placed()).map(|f| (f.path.clone(), f.knots.clone())).collect()
    };
    let before = placed();
    assert_eq!(before.len(), 3);
    // The same kind of sound, turned round in time: it has all of it but the order.
    let mut stranger = heard(&talk[..22 * RATE_HZ as usize], 4);
    stranger.reverse();
    write_wav(&dir.path().join("a-stranger.wav"), &stranger);
    assert_eq!(placed(), before, "to the last bit");
}

#[test]
fn stops_on_request_and_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    let out = dir.path().with_extension("out");
    let ran = coeval_until(&[&"align", &dir.path(), &"-o", &out], &AtomicBool::new(true));
    assert_eq!(ran.code, 130, "{ran:?}");
    assert!(!out.exists());
}

#[test]
fn nothing_in_common_is_nothing_done() {
    let dir = tempfile::tempdir().unwrap();
    write_wav(&dir.path().join("one.wav"), &heard(&vec![0.0; 10 * RATE_HZ as usize], 11));
    write_wav(&dir.path().join("two.wav"), &heard(&vec![0.0; 10 * RATE_HZ as usize], 12));
    let ran = coeval(&[&"align", &dir.path()]);
    assert_eq!(ran.code, 2, "{ran:?}");
    assert!(ran.out.contains("no common sound"), "{}", ran.out);
}

#[test]
fn the_users_grouping_is_taken_and_checked() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    let ran = coeval(&[
        &"align",
        &dir.path(),
        &"--json",
        &"--recording",
        &"bow=right.*",
        &"--kind",
        &"bow=other",
        &"--reference",
        &"left.wav",
    ]);
    let alignment = Alignment::from_json(&ran.out).unwrap();
    assert_eq!(alignment.timeline.clock, "left");
    assert_eq!(alignment.recording("bow").unwrap().kind, coeval_shoot::Kind::Other);
    for bad in [["--reference", "gone.wav"], ["--kind", "left=drum"], ["--recording", "x"], ["--max-drift-ppm", "5000"]]
    {
        let ran = coeval(&[&"align", &dir.path(), &bad[0], &bad[1]]);
        assert_eq!((ran.code, ran.err.lines().count()), (1, 1), "{bad:?}: {ran:?}");
    }
    assert_eq!(coeval(&[&"align"]).code, 1);
    assert_eq!(coeval(&[&"align", &dir.path(), &"--no-such-option"]).code, 1);
    // The name that an option had in version 0.1 is taken, and not shown.
    let earlier = coeval(&[&"align", &dir.path(), &"--main", &"gone.wav"]);
    assert!(earlier.code == 1 && earlier.err.contains("gone.wav"), "{earlier:?}");
    for (command, old, new) in [
        ("align", "--main ", "--reference "),
        ("align", "--bits ", "--bit-depth "),
        ("tighten", "--recordings ", "--media "),
        ("tighten", "--handle ", "--clearance "),
        ("tighten", "--camera-level ", "--ambience-level "),
    ] {
        let help = coeval(&[&command, &"--help"]).out;
        assert!(help.contains(new) && !help.contains(old), "{command} {new}: {help}");
        let value = if old == "--recordings " { "/gone" } else { "nothing" };
        let tried = coeval(&[&command, &"/gone", &"-o", &"/gone/out", &old.trim(), &value]);
        assert!(!tried.err.contains("unexpected argument"), "{command} {old}: {tried:?}");
    }
    for command in ["align", "tighten", "probe", "cache", "demo"] {
        let help = coeval(&[&command, &"--help"]);
        assert!(help.code == 0 && help.out.contains("Exit codes:\n  0 "), "{help:?}");
    }
}

#[test]
fn probe_tells_each_file_and_goes_on_past_a_bad_one() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    std::fs::write(dir.path().join("notes.mp4"), b"not a film").unwrap();
    let files = ["left.wav", "notes.mp4", "gone.wav"].map(|n| dir.path().join(n));
    let ran = coeval(&[&"probe", &files[0], &files[1], &files[2]]);
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(ran.out.contains("WAV, 40.000 s") && ran.out.contains("16000 Hz, 1 channel\n"), "{}", ran.out);
    assert_eq!(ran.lines_with("cannot be read").len(), 2);
    assert_eq!(coeval(&[&"probe", &files[2]]).code, 2);
    let json = coeval(&[&"probe", &"--json", &dir.path()]);
    assert!(json.out.contains("\"rate_hz\": 16000") && json.out.contains("\"error\": null"), "{}", json.out);
}

#[test]
fn the_demo_lies_where_it_belongs() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/survey-launch");
    let out = tempfile::tempdir().unwrap();
    let ran = coeval(&[&"demo", &out.path(), &"--recordings", &demo]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("All placed files are in the right place"), "{}", ran.out);
    assert!(ran.lines_with("CAM-A_0009.MP4")[0].contains("unplaced: no common sound"), "{}", ran.out);
    let alignment = Alignment::from_json(&std::fs::read_to_string(out.path().join("alignment.json")).unwrap()).unwrap();
    // Chapters were recognised: two cameras, the other day's clip, the recorder.
    let sizes: Vec<_> = alignment.recordings.iter().map(|r| r.files.len()).collect();
    assert_eq!(sizes, [1, 3, 2, 1]);
}

#[test]
fn the_demo_fails_when_a_file_is_off() {
    // The same recordings against a truth in which one file begins 3 ms later.
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/survey-launch");
    let dir = tempfile::tempdir().unwrap();
    let truth = std::fs::read_to_string(demo.join("truth.json")).unwrap();
    let mut truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
    let names = ["CAM-A_0017.MP4", "CAM-B_0004.MOV"];
    std::fs::create_dir(dir.path().join("recordings")).unwrap();
    for name in names {
        std::fs::copy(demo.join("recordings").join(name), dir.path().join("recordings").join(name)).unwrap();
    }
    for recording in truth["recordings"].as_array_mut().unwrap() {
        let files = recording["files"].as_array_mut().unwrap();
        files.retain(|f| names.iter().any(|n| f["path"] == *n));
        for file in files.iter_mut().filter(|f| f["path"] == names[1]) {
            for knot in file["knots"].as_array_mut().unwrap() {
                knot[1] = (knot[1].as_f64().unwrap() + 0.003).into();
            }
        }
    }
    std::fs::write(dir.path().join("truth.json"), truth.to_string()).unwrap();
    let ran = coeval(&[&"demo", &"--recordings", &dir.path()]);
    assert_eq!(ran.code, 3, "{}{}", ran.out, ran.err);
    // Which of the two is the wrong one depends on whose clock the timeline takes.
    let wrong = ran.lines_with("WRONG: ");
    assert!(wrong.len() == 1 && wrong[0].contains(" 3.0"), "{}", ran.out);
}
