//! One camera stays one camera, and is called what a person calls it: folders, counters that start again, files that a
//! recorder split, and takes with pauses between them.

use std::path::Path;

use coeval_media::{Bext, WavOptions, WavWriter};
use coeval_shoot::Alignment;
use coeval_tests::shoot::{RATE_HZ, event, heard, write_wav};

use crate::{aligned, card};

/// What a device hears of the event from and to these seconds.
fn sound(from_s: usize, to_s: usize, seed: u64) -> Vec<f32> {
    let at = |s: usize| s * RATE_HZ as usize;
    heard(&event(220)[at(from_s)..at(to_s)], seed)
}

/// Writes files of which each ran from and to these seconds.
fn write(shoot: &Path, files: &[(&str, usize, usize)]) {
    for ((name, from_s, to_s), seed) in files.iter().zip(1..) {
        let path = shoot.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        write_wav(&path, &sound(*from_s, *to_s, seed));
    }
}

/// Recordings and their files in order.
fn recordings(alignment: &Alignment) -> Vec<(&str, Vec<&str>)> {
    assert!(alignment.files().all(|f| f.is_placed()));
    alignment.recordings.iter().map(|r| (r.id.as_str(), r.files.iter().map(|f| f.path.as_str()).collect())).collect()
}

#[test]
fn cards_whose_files_are_called_alike_are_called_by_their_folders() {
    let (_dir, shoot) = card();
    write(&shoot, &[("stern/DCIM/V_001.wav", 0, 40), ("bow/DCIM/V_001.wav", 10, 50), ("CAM-B_3.wav", 0, 60)]);
    let (alignment, _) = aligned(&shoot, 0, "", &["--kind", "*.wav=camera"]);
    let ids: Vec<&str> = recordings(&alignment).into_iter().map(|r| r.0).collect();
    assert_eq!(ids, ["bow", "cam-b", "stern"]);
    // Whoever refers to a file by its path need not know what its device is called.
    let (alignment, _) = aligned(&shoot, 0, "", &["--reference", "stern/DCIM/V_001.wav"]);
    assert_eq!(alignment.timeline.clock, "stern");
}

/// Writes what ran from and to these seconds, as this device and at this time of its day by its headers.
fn write_bwf(path: &Path, from_s: usize, to_s: usize, originator: &str, day_s: u64) {
    let time_reference = day_s * u64::from(RATE_HZ);
    let bext = Some(Bext { time_reference, originator: originator.to_owned(), ..Bext::default() });
    let mut writer = WavWriter::create(path, WavOptions { bext, ..WavOptions::new(RATE_HZ, 1) }).unwrap();
    writer.write(&sound(from_s, to_s, day_s)).unwrap();
    writer.finish().unwrap();
}

#[test]
fn devices_whose_files_are_called_alike_in_one_folder_are_told_apart_by_their_headers() {
    let (_dir, shoot) = card();
    // By their names and times the second would go on where the first ends.
    write_bwf(&shoot.join("T_0001.wav"), 0, 40, "Fulmar 6", 36_000);
    write_bwf(&shoot.join("T_0002.wav"), 40, 80, "Auk S", 36_040);
    write(&shoot, &[("boat.wav", 0, 90)]);
    let (alignment, _) = aligned(&shoot, 0, "", &[]);
    let ids: Vec<&str> = recordings(&alignment).into_iter().map(|r| r.0).collect();
    assert_eq!(ids, ["boat", "fulmar-6", "auk-s"]);
}

#[test]
fn a_counter_that_starts_again_is_one_camera_in_the_order_of_time() {
    let (_dir, shoot) = card();
    let clips = [
        ("stern/IMG_0001.wav", 65, 95),
        ("stern/IMG_0002.wav", 180, 210),
        ("stern/IMG_9998.wav", 5, 35),
        ("stern/IMG_9999.wav", 35, 65),
        ("boat.wav", 0, 220),
    ];
    write(&shoot, &clips);
    let (alignment, _) = aligned(&shoot, 0, "", &[]);
    // A pause of 85 s begins another take of the same device.
    let [first, second] =
        [vec!["stern/IMG_9998.wav", "stern/IMG_9999.wav", "stern/IMG_0001.wav"], vec!["stern/IMG_0002.wav"]];
    assert_eq!(recordings(&alignment)[1..], [("stern", first), ("stern.2", second)]);
}

#[test]
fn a_recorder_that_splits_its_files_or_is_stopped_for_a_while_is_one() {
    let (_dir, shoot) = card();
    // The second file is where the first would have grown too large, and nobody ran the recorder before the third.
    write(&shoot, &[("take.wav", 0, 40), ("take_001.wav", 40, 80), ("take_002.wav", 100, 130), ("boat/a.wav", 0, 140)]);
    let (alignment, _) = aligned(&shoot, 0, "", &[]);
    let files = vec!["take.wav", "take_001.wav", "take_002.wav"];
    assert!(recordings(&alignment).contains(&("take", files)), "{:?}", recordings(&alignment));
}

#[test]
fn a_clip_whose_clock_was_two_hours_off_stays_with_its_camera() {
    let (_dir, shoot) = card();
    write(&shoot, &[("boat.wav", 0, 120)]);
    for (name, from_s, off_s) in [("V_1.wav", 0, 0), ("V_2.wav", 40, 7200), ("V_3.wav", 80, 0)] {
        write_bwf(&shoot.join(name), from_s, from_s + 40, "", 36_000 + from_s as u64 + off_s);
    }
    let (alignment, ran) = aligned(&shoot, 0, "", &[]);
    let files = vec!["V_1.wav", "V_2.wav", "V_3.wav"];
    assert_eq!(recordings(&alignment)[1..], [("rec-v", files)]);
    for (name, starts_s) in [("V_1.wav", 0.0), ("V_2.wav", 40.0), ("V_3.wav", 80.0)] {
        assert!((alignment.map(name).unwrap().forward(0.0) - starts_s).abs() < 1e-3, "{name}");
    }
    let said = ran.out + &ran.err;
    assert!(said.contains("is not one clock") && said.contains("7200.0 s later"), "{said}");
}
