//! What users hand over by mistake: each is one clear line that names the file and the remedy, the other
//! files are still placed, and the exit code tells.

use std::path::Path;

use coeval_tests::shoot::{RATE_HZ, Ran, coeval, skipped, write_good_pair, write_wav};

/// A folder with two good recordings and whatever `add` puts beside them, aligned.
fn align_with(add: impl FnOnce(&Path)) -> Ran {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    add(dir.path());
    coeval(&[&"align", &dir.path()])
}

/// The good recordings are placed, `name` is not, and its one line holds all of `words`.
fn check(ran: &Ran, name: &str, words: &[&str]) {
    assert_eq!(ran.code, 3, "{ran:?}");
    for good in ["left.wav", "right.wav"] {
        let lines = ran.lines_with(good);
        assert!(lines.len() == 1 && !lines[0].contains("unplaced"), "{good}: {ran:?}");
    }
    let lines = ran.lines_with(name);
    assert_eq!(lines.len(), 1, "one line about {name}: {ran:?}");
    assert!(lines[0].contains("unplaced: "), "{}", lines[0]);
    for word in words {
        assert!(lines[0].contains(word), "{word:?} in {:?}", lines[0]);
    }
    // What was wrong, then what to do.
    let reason = lines[0].split("unplaced: ").nth(1).unwrap();
    assert!(reason.contains(';'), "no remedy in {reason:?}");
}

#[test]
fn the_good_pair_alone_is_placed() {
    let ran = align_with(|_| ());
    assert_eq!(ran.code, 0, "{ran:?}");
    assert!(ran.out.starts_with("2 of 2 files placed"), "{}", ran.out);
    let offset: f64 = ran.lines_with("right.wav")[0].split_whitespace().nth(2).unwrap().parse().unwrap();
    assert!((offset - 4.0).abs() < 1e-3, "{offset}");
}

#[test]
fn missing_folder() {
    let dir = tempfile::tempdir().unwrap();
    let ran = coeval(&[&"align", &dir.path().join("gone")]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert_eq!(ran.err.lines().count(), 1);
    assert!(ran.err.contains("gone") && ran.err.contains("check the name"), "{}", ran.err);
}

#[test]
fn empty_folder() {
    let dir = tempfile::tempdir().unwrap();
    let ran = coeval(&[&"align", &dir.path()]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert_eq!(ran.err.lines().count(), 1);
    let name = dir.path().display().to_string();
    assert!(ran.err.contains(&name) && ran.err.contains("copy the recordings there"), "{}", ran.err);
}

#[test]
fn text_called_mp4() {
    let ran = align_with(|d| std::fs::write(d.join("notes.mp4"), "Line twelve starts at the green buoy.\n").unwrap());
    check(&ran, "notes.mp4", &[]);
}

#[test]
fn mp4_cut_short_before_its_index() {
    let fixture = std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/camera.mp4")).unwrap();
    let moov = fixture.windows(4).position(|w| w == b"moov").unwrap();
    let mdat = fixture.windows(4).position(|w| w == b"mdat").unwrap();
    // A camera that loses power has written its sound and picture, and no index.
    let cut =
        if moov > mdat { fixture[..moov - 4].to_vec() } else { [&fixture[..moov - 4], &fixture[mdat - 4..]].concat() };
    let ran = align_with(|d| std::fs::write(d.join("cut.mp4"), cut).unwrap());
    check(&ran, "cut.mp4", &["moov"]);
}

#[test]
fn picture_without_sound() {
    let made = std::process::Command::new("ffmpeg").arg("-version").output();
    if made.is_err() {
        skipped("ffmpeg is not installed, so that no silent film can be made");
        return;
    }
    let ran = align_with(|d| {
        let path = d.join("film.mp4");
        let args = ["-v", "error", "-f", "lavfi", "-i", "testsrc=size=64x64:rate=25:duration=1", "-pix_fmt", "yuv420p"];
        let status = std::process::Command::new("ffmpeg").args(args).arg(&path).status().unwrap();
        assert!(status.success());
    });
    check(&ran, "film.mp4", &["no sound"]);
}

#[test]
fn nothing_in_the_file() {
    let ran = align_with(|d| std::fs::write(d.join("empty.wav"), b"").unwrap());
    check(&ran, "empty.wav", &["empty"]);
}

#[test]
fn ten_milliseconds() {
    let ran = align_with(|d| write_wav(&d.join("blip.wav"), &vec![0.1; RATE_HZ as usize / 100]));
    check(&ran, "blip.wav", &[]);
    let ran = align_with(|d| write_wav(&d.join("blip.wav"), &coeval_tests::shoot::event(1)[..RATE_HZ as usize / 100]));
    check(&ran, "blip.wav", &["too short"]);
}

#[test]
fn digital_silence() {
    let ran = align_with(|d| write_wav(&d.join("mute.wav"), &vec![0.0; 5 * RATE_HZ as usize]));
    check(&ran, "mute.wav", &["silent"]);
}

#[test]
fn samples_that_are_no_numbers() {
    // A recording that is nothing else, and one that is whole but for a stretch of them.
    let write = |path: &Path, sound: &[f32]| {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: RATE_HZ,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(path, spec).unwrap();
        sound.iter().for_each(|&s| writer.write_sample(s).unwrap());
        writer.finalize().unwrap();
    };
    let ran = align_with(|d| {
        let all: Vec<f32> = (0..5 * RATE_HZ).map(|i| if i % 2 == 0 { f32::NAN } else { f32::INFINITY }).collect();
        write(&d.join("nan.wav"), &all);
    });
    check_with_note(&ran, "nan.wav", "not numbers");
    let ran = align_with(|d| {
        let mut sound = coeval_tests::shoot::heard(&coeval_tests::shoot::event(24)[2 * RATE_HZ as usize..], 3);
        sound[1000..1100].fill(f32::NAN);
        sound[2000] = f32::NEG_INFINITY;
        write(&d.join("nan.wav"), &sound);
    });
    assert_eq!(ran.code, 0, "{ran:?}");
    assert!(ran.lines_with("not numbers").len() == 1, "{ran:?}");
    let offset: f64 = ran.lines_with("nan.wav")[0].split_whitespace().nth(2).unwrap().parse().unwrap();
    assert!((offset - 2.0).abs() < 1e-3, "{offset}");
}

/// As `check`, for a file that has a note as well.
fn check_with_note(ran: &Ran, name: &str, note: &str) {
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(ran.out.contains("2 of 3 files placed"), "{ran:?}");
    let lines = ran.lines_with(name);
    assert_eq!(lines.len(), 2, "{ran:?}");
    assert!(lines[0].contains("unplaced: silent") && lines[1].contains(note), "{ran:?}");
}

#[test]
fn folder_called_wav() {
    let ran = align_with(|d| std::fs::create_dir(d.join("x.wav")).unwrap());
    check(&ran, "x.wav", &["folder", "rename"]);
}

#[cfg(target_os = "linux")]
#[test]
fn name_that_is_not_utf8() {
    use std::os::unix::ffi::OsStrExt;
    let ran = align_with(|d| {
        std::fs::copy(d.join("left.wav"), d.join(std::ffi::OsStr::from_bytes(b"caf\xe9.wav"))).unwrap();
    });
    check(&ran, r"caf\xE9.wav", &["UTF-8", "rename"]);
}

#[cfg(target_os = "linux")]
#[test]
fn no_permission() {
    use std::os::unix::fs::PermissionsExt;
    const UNPRIVILEGED: &str = "COEVAL_TEST_UNPRIVILEGED";
    let dir = tempfile::tempdir().unwrap();
    let probe = dir.path().join("probe");
    std::fs::write(&probe, b"x").unwrap();
    std::fs::set_permissions(&probe, std::fs::Permissions::from_mode(0o000)).unwrap();
    if std::fs::read(&probe).is_err() {
        let ran = align_with(|d| {
            for name in ["locked.wav", "private"] {
                let path = d.join(name);
                if name == "private" {
                    std::fs::create_dir(&path).unwrap()
                } else {
                    write_wav(&path, &[0.1; 100])
                }
                std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).unwrap();
            }
        });
        check(&ran, "locked.wav", &["ermission"]);
        check(&ran, "private", &["ermission"]);
        return;
    }
    // The system's administrator may read everything: run this test again as nobody.
    assert!(std::env::var_os(UNPRIVILEGED).is_none(), "still privileged");
    let program = dir.path().join("test");
    std::fs::copy(std::env::current_exe().unwrap(), &program).unwrap();
    for path in [dir.path(), &program] {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o777)).unwrap();
    }
    let again = std::process::Command::new("setpriv")
        .args(["--reuid", "65534", "--regid", "65534", "--clear-groups"])
        .arg(&program)
        .args(["--exact", "no_permission", "--nocapture"])
        .env(UNPRIVILEGED, "1")
        .env("TMPDIR", dir.path())
        .current_dir("/")
        .output();
    match again {
        Err(e) => skipped(&format!("running as administrator and cannot become nobody: setpriv: {e}")),
        Ok(output) => {
            let text = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
            assert!(output.status.success() && text.contains("1 passed"), "{text}");
        }
    }
}
