//! What belongs together: names that sound refutes, several events in one folder, chapters that carry each other.

use std::path::Path;

use coeval_shoot::alignment::PlacedBy;
use coeval_shoot::{Alignment, Options, align};
use coeval_tests::shoot::{RATE_HZ, another_event, coeval, heard, write_wav};

/// The part of an event from one second to another, as a device of its own hears it.
fn part(event: &[f32], from_s: usize, to_s: usize, device: u64) -> Vec<f32> {
    heard(&event[from_s * RATE_HZ as usize..to_s * RATE_HZ as usize], device)
}

fn aligned(folder: &Path) -> Alignment {
    align(&[folder], &Options::default(), &()).unwrap()
}

fn start_s(alignment: &Alignment, name: &str) -> f64 {
    let file = alignment.file(name).unwrap();
    file.map().unwrap_or_else(|| panic!("{name}: {:?}", file.reason)).forward(0.0)
}

/// Ids of recordings and the names in them.
fn recordings(alignment: &Alignment) -> Vec<(String, Vec<String>)> {
    let names = |r: &coeval_shoot::alignment::Recording| r.files.iter().map(|f| f.path.clone()).collect();
    alignment.recordings.iter().map(|r| (r.id.clone(), names(r))).collect()
}

#[test]
fn names_that_run_on_do_not_join_what_sounds_at_one_time() {
    let event = another_event(7, 120);
    for names in [&["mic1.wav", "mic2.wav"][..], &["phone0.wav", "phone1.wav", "phone2.wav"], &["Tr1.wav", "Tr2.wav"]] {
        let dir = tempfile::tempdir().unwrap();
        for (i, name) in names.iter().enumerate() {
            write_wav(&dir.path().join(name), &part(&event, 10 * i, 100 + 10 * i, i as u64 + 1));
        }
        let alignment = aligned(dir.path());
        assert_eq!(alignment.recordings.len(), names.len(), "{:?}", recordings(&alignment));
        for (i, name) in names.iter().enumerate() {
            assert!((start_s(&alignment, name) - 10.0 * i as f64).abs() < 1e-3, "{name}");
        }
    }
}

/// Copies of the demo's recorder under names that run on: one is used, and no name makes the others chapters of it.
#[test]
fn copies_of_a_recording_under_names_that_run_on_take_no_part() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/survey-launch/recordings");
    let dir = tempfile::tempdir().unwrap();
    for names in [&["Tr1.flac", "Tr2.flac"][..], &["REC_0003.FLAC", "REC_0004.FLAC"]] {
        for name in names {
            std::fs::copy(demo.join("REC_0003.FLAC"), dir.path().join(name)).unwrap();
        }
        let alignment = aligned(dir.path());
        let placed: Vec<_> = alignment.files().filter(|f| f.is_placed()).collect();
        assert_eq!(placed.len(), 1, "{:?}", recordings(&alignment));
        let copies = alignment.files().filter(|f| f.copy_of.as_ref() == Some(&placed[0].path)).count();
        assert_eq!(copies, alignment.files().count() - 1);
    }
}

/// A morning and an evening: recorders and cameras whose counters run on from one to the other, and a clip of neither.
fn two_events(folder: &Path) {
    let (morning, evening) = (another_event(7, 70), another_event(8, 50));
    write_wav(&folder.join("rec_01.wav"), &part(&morning, 0, 60, 1));
    write_wav(&folder.join("rec_02.wav"), &part(&evening, 0, 50, 2));
    write_wav(&folder.join("clip_01.wav"), &part(&morning, 5, 30, 3));
    write_wav(&folder.join("clip_02.wav"), &part(&morning, 40, 70, 4));
    write_wav(&folder.join("clip_03.wav"), &part(&evening, 10, 40, 5));
    write_wav(&folder.join("clip_04.wav"), &part(&another_event(9, 20), 0, 20, 6));
}

#[test]
fn two_events_have_a_timeline_each_and_a_stranger_has_none() {
    let dir = tempfile::tempdir().unwrap();
    two_events(dir.path());
    let alignment = aligned(dir.path());
    let event = |name: &str| alignment.file(name).unwrap().event_number();
    let events = ["rec_01", "clip_01", "clip_02", "rec_02", "clip_03", "clip_04"].map(|n| event(&format!("{n}.wav")));
    assert_eq!(events, [Some(1), Some(1), Some(1), Some(2), Some(2), None], "{:?}", recordings(&alignment));
    // Each on its own zero and the clock of what covers most of it.
    let starts = [("rec_01", 0.0), ("clip_01", 5.0), ("clip_02", 40.0), ("rec_02", 0.0), ("clip_03", 10.0)];
    for (name, start) in starts {
        assert!((start_s(&alignment, &format!("{name}.wav")) - start).abs() < 1e-3, "{name}");
    }
    let [first, second] = &alignment.events[..] else { panic!("{:?}", alignment.events) };
    let recording = |name: &str| {
        let of = |r: &&coeval_shoot::alignment::Recording| r.files.iter().any(|f| f.path == name);
        alignment.recordings.iter().find(of).unwrap()
    };
    assert_eq!((&first.clock, &second.clock), (&recording("rec_01.wav").id, &recording("rec_02.wav").id));
    assert_eq!((first.event, second.event), (1, 2));
    assert!((first.duration_s - 70.0).abs() < 1e-3 && (second.duration_s - 50.0).abs() < 1e-3);
    assert_eq!(alignment.timeline.clock, first.clock);
    // Counters that run on from one event to the other hold nothing together.
    assert_eq!(recording("rec_02.wav").event, Some(2));
    assert_eq!(recording("rec_02.wav").files.len(), 1);
    assert!(recording("clip_03.wav").files.iter().all(|f| f.event.is_some() || !f.is_placed()));
    assert_eq!(Alignment::from_json(&alignment.to_json().unwrap()).unwrap(), alignment);
    // The same bytes, whatever the order and the threads.
    let mut names: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().path()).collect();
    names.sort();
    names.reverse();
    let mut one = Options::default();
    one.threads = std::num::NonZeroUsize::new(1);
    assert_eq!(align(&names, &one, &()).unwrap().to_json().unwrap(), alignment.to_json().unwrap());
    // The user's clock makes its event the first.
    let mut evening = Options::default();
    evening.main = Some("rec_02.wav".into());
    let turned = align(&[dir.path()], &evening, &()).unwrap();
    assert_eq!(turned.file("rec_02.wav").unwrap().event_number(), Some(1));
    assert_eq!(turned.file("rec_01.wav").unwrap().event_number(), Some(2));
    assert_eq!(turned.recording(&turned.timeline.clock).unwrap().files[0].path, "rec_02.wav");
}

#[test]
fn each_event_is_handed_over_by_itself() {
    let dir = tempfile::tempdir().unwrap();
    let (material, out) = (dir.path().join("shoot"), dir.path().join("out"));
    std::fs::create_dir(&material).unwrap();
    two_events(&material);
    let ran = coeval(&[&"align", &material, &"-o", &out]);
    assert_eq!(ran.code, 3, "{ran:?}");
    let row = |text: &str| ran.out.lines().position(|l| l.contains(text)).unwrap_or_else(|| panic!("{text}: {ran:?}"));
    let order = [row("Event 1;"), row("rec_01.wav"), row("Event 2;"), row("rec_02.wav"), row("Unplaced")];
    assert!(order.windows(2).all(|w| w[0] < w[1]) && row("clip_04.wav") > order[4], "{}", ran.out);

    // The page writes a slash in a link as its code.
    let read = |name: &str| {
        let text = std::fs::read_to_string(out.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        text.replace("&#x2f;", "/")
    };
    let whole = Alignment::from_json(&read("alignment.json")).unwrap();
    assert_eq!(whole.events.len(), 2);
    let second = Alignment::from_json(&read("event-2/alignment.json")).unwrap();
    assert_eq!(Some(&second), whole.event(2).as_ref());
    for (folder, own, strange) in [("", "rec_01", "rec_02"), ("event-2/", "rec_02", "rec_01")] {
        for name in ["timeline.otio", "markers.csv", "report.html"] {
            let text = read(&format!("{folder}{name}"));
            assert!(text.contains(own) && !text.contains(strange), "{folder}{name}");
        }
        let sound: Vec<String> = std::fs::read_dir(out.join(format!("{folder}sound/whole")))
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        assert!(sound.iter().any(|s| s.contains(own)) && sound.iter().all(|s| !s.contains(strange)), "{sound:?}");
    }
    assert!(read("report.html").contains("href=\"event-2/report.html\""));
    assert!(read("event-2/report.html").contains("href=\"../report.html\""));
    assert!(
        read("READ-ME.txt").contains("event-2/report.html") && read("event-2/READ-ME.txt").contains("../report.html")
    );

    // A second run knows its own files; when the second event is gone, so is its folder's content.
    assert_eq!(coeval(&[&"align", &material, &"-o", &out]).code, 3);
    for name in ["rec_02.wav", "clip_03.wav"] {
        std::fs::remove_file(material.join(name)).unwrap();
    }
    let ran = coeval(&[&"align", &material, &"-o", &out]);
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(!ran.out.contains("Event 1"), "{}", ran.out);
    assert!(!out.join("event-2/alignment.json").exists() && !out.join("event-2/report.html").exists());
    assert!(!read("report.html").contains("event-2"));

    // Somebody else's file there is refused, and kept.
    std::fs::create_dir_all(out.join("event-2")).unwrap();
    std::fs::write(out.join("event-2/letter.txt"), "mine").unwrap();
    assert_eq!(coeval(&[&"align", &material, &"-o", &out]).code, 2);
    assert_eq!(read("event-2/letter.txt"), "mine");
}

#[test]
fn a_silent_chapter_is_placed_by_its_neighbours() {
    let dir = tempfile::tempdir().unwrap();
    let event = another_event(7, 90);
    write_wav(&dir.path().join("whole.wav"), &part(&event, 0, 90, 1));
    write_wav(&dir.path().join("take_01.wav"), &part(&event, 2, 32, 2));
    write_wav(&dir.path().join("take_02.wav"), &vec![0.0; 20 * RATE_HZ as usize]);
    write_wav(&dir.path().join("take_03.wav"), &part(&event, 52, 82, 3));
    // A stranger whose counter runs on.
    write_wav(&dir.path().join("take_04.wav"), &part(&another_event(8, 20), 0, 20, 4));
    let alignment = aligned(dir.path());
    let silent = alignment.file("take_02.wav").unwrap();
    assert_eq!(silent.placed_by, Some(PlacedBy::Neighbours), "{silent:?}");
    assert!((start_s(&alignment, "take_02.wav") - start_s(&alignment, "take_01.wav") - 30.0).abs() < 0.01);
    assert!(silent.uncertainty_s.unwrap() > 0.01 && silent.uncertainty_s.unwrap() < 0.1, "{silent:?}");
    assert!(silent.confidence.unwrap() < 0.99);
    assert!(silent.warnings.iter().any(|w| w.contains("placed between the files")), "{:?}", silent.warnings);
    assert!(silent.proof.as_ref().unwrap().verdict.contains("placed between its neighbours"));
    for name in ["take_01.wav", "take_03.wav", "whole.wav"] {
        assert_eq!(alignment.file(name).unwrap().placed_by, None);
    }
    assert!(!alignment.file("take_04.wav").unwrap().is_placed());
}

#[test]
fn two_files_alone_and_as_a_shoot_have_one_verdict() {
    use coeval::pair::PairOutcome;
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    let event = another_event(7, 60);
    write_wav(&path("phone0.wav"), &part(&event, 0, 50, 1));
    write_wav(&path("phone1.wav"), &part(&event, 8, 60, 2));
    write_wav(&path("phone2.wav"), &part(&another_event(8, 50), 0, 50, 3));
    for (other, offset_s) in [("phone1.wav", Some(8.0)), ("phone2.wav", None)] {
        let two = [path("phone0.wav"), path(other)];
        let shoot = align(&two, &Options::default(), &()).unwrap();
        let pair = coeval_shoot::align_two(&two[0], &two[1], &Options::default(), &()).unwrap();
        match (pair, offset_s) {
            (PairOutcome::Placed(pair), Some(offset_s)) => {
                assert!((pair.map.offset_s() - offset_s).abs() < 1e-3);
                assert!((start_s(&shoot, other) - start_s(&shoot, "phone0.wav") - offset_s).abs() < 1e-3);
                let sure = shoot.files().filter_map(|f| f.confidence).fold(1.0, f64::min);
                assert!((sure - pair.confidence).abs() < 1e-9, "{sure} {}", pair.confidence);
            }
            (PairOutcome::Unplaced(_), None) => assert!(shoot.files().filter(|f| f.is_placed()).count() < 2),
            (pair, _) => panic!("{other}: {pair:?}"),
        }
    }
    let missing = coeval_shoot::align_two(&path("gone.wav"), &path("phone0.wav"), &Options::default(), &());
    assert_eq!(missing.unwrap_err().kind(), coeval::ErrorKind::NotFound);
}
