//! The same recording more than once in one folder: one is used, the others are named.

use std::path::Path;

use coeval_media::{SampleFormat, WavOptions, WavWriter};
use coeval_shoot::Alignment;
use coeval_tests::shoot::{RATE_HZ, Ran, coeval, event, heard, write_good_pair, write_wav};

use crate::{aligned, card, demo, ffmpeg, out};

/// The lower half of its samples: half the rate, as a transcode has it, at half the level.
fn write_half(path: &Path, sound: &[f32]) {
    let options = WavOptions { format: SampleFormat::Int16, ..WavOptions::new(RATE_HZ / 2, 1) };
    let mut writer = WavWriter::create(path, options).unwrap();
    // A low-pass of nine taps (windowed sinc at a quarter of the rate), or what lies above would fold back.
    let taps: Vec<f32> = (-16i32..=16)
        .map(|k| {
            let x = std::f32::consts::FRAC_PI_2 * k as f32;
            let window = 0.5 + 0.5 * (std::f32::consts::PI * k as f32 / 17.0).cos();
            0.5 * window * if k == 0 { 1.0 } else { x.sin() / x }
        })
        .collect();
    let at = |i: i64| if i < 0 { 0.0 } else { sound.get(i as usize).copied().unwrap_or(0.0) };
    let half: Vec<f32> = (0..sound.len() as i64)
        .step_by(2)
        .map(|i| 0.5 * taps.iter().zip(-16i64..).map(|(t, k)| t * at(i + k)).sum::<f32>())
        .collect();
    writer.write(&half).unwrap();
    writer.finish().unwrap();
}

fn of<'a>(alignment: &'a Alignment, path: &str) -> Option<&'a str> {
    alignment.file(path).unwrap_or_else(|| panic!("{path} is missing")).copy_of.as_deref()
}

#[test]
fn the_same_bytes_and_a_quieter_one_are_no_angles() {
    let (_dir, shoot) = card();
    std::fs::create_dir_all(shoot.join("backup")).unwrap();
    write_good_pair(&shoot);
    std::fs::copy(shoot.join("left.wav"), shoot.join("backup/left.wav")).unwrap();
    // A safety track: 12 dB below, from the same microphone.
    let right = heard(&event(44)[4 * RATE_HZ as usize..], 2);
    write_wav(&shoot.join("right-safety.wav"), &right.iter().map(|s| 0.25 * s).collect::<Vec<_>>());
    let (alignment, Ran { out: table, .. }) = aligned(&shoot, 0, "", &[]);
    assert_eq!(of(&alignment, "backup/left.wav"), Some("left.wav"));
    assert_eq!(of(&alignment, "right-safety.wav"), Some("right.wav"));
    assert!(table.contains("2 of 2 files placed; 2 copies are not used"), "{table}");
    assert!(table.contains("copy of "), "{table}");
    let copies: Vec<_> = alignment.files().filter(|f| f.copy_of.is_some()).collect();
    assert!(copies.len() == 2 && copies.iter().all(|f| !f.is_placed() && f.reason.is_some()));
    // No angle: on no track, in no list.
    let otio = std::fs::read_to_string(out(&shoot).join("timeline.otio")).unwrap();
    assert_eq!(otio.matches("\"target_url\"").count(), 2, "two clips only");
}

#[test]
fn a_transcode_is_a_copy_and_another_microphone_is_none() {
    let (_dir, shoot) = card();
    write_good_pair(&shoot);
    let sound = heard(&event(44)[..40 * RATE_HZ as usize], 1);
    write_half(&shoot.join("left-small.wav"), &sound);
    // As long, begun in the same moment, and all the same another device: it has a noise of its own.
    write_wav(&shoot.join("mast.wav"), &heard(&event(44)[..40 * RATE_HZ as usize], 5));
    let (alignment, _) = aligned(&shoot, 0, "", &[]);
    assert_eq!(of(&alignment, "left-small.wav"), Some("left.wav"));
    assert_eq!(
        (of(&alignment, "left.wav"), of(&alignment, "mast.wav"), of(&alignment, "right.wav")),
        (None, None, None)
    );
    assert!(alignment.file("mast.wav").unwrap().is_placed());
    // The user's word: it is the clock that is asked for.
    let (alignment, _) = aligned(&shoot, 0, "", &["--reference", "left-small.wav"]);
    assert_eq!(of(&alignment, "left-small.wav"), None);
    assert_eq!(of(&alignment, "left.wav"), Some("left-small.wav"));
}

#[test]
fn a_smaller_picture_of_the_same_clip_is_no_angle() {
    let (_dir, shoot) = card();
    std::fs::create_dir(shoot.join("PROXY")).unwrap();
    for name in ["CAM-A_0017.MP4", "REC_0003.FLAC"] {
        std::fs::copy(demo(name), shoot.join(name)).unwrap();
    }
    let small = ["-s", "80x44", "-c:v", "mpeg4", "-c:a", "aac", "-b:a", "64k"];
    let Some(()) = ffmpeg(&shoot.join("CAM-A_0017.MP4"), &small, &shoot.join("PROXY/CAM-A_0017.MP4")) else { return };
    let (alignment, Ran { out: table, .. }) = aligned(&shoot, 0, "", &[]);
    assert_eq!(of(&alignment, "PROXY/CAM-A_0017.MP4"), Some("CAM-A_0017.MP4"));
    assert!(table.contains("2 of 2 files placed; 1 copy is not used"), "{table}");
    let read_me = std::fs::read_to_string(out(&shoot).join("READ-ME.txt")).unwrap();
    assert!(read_me.contains("Copies that are not used: PROXY/CAM-A_0017.MP4 (of CAM-A_0017.MP4)."), "{read_me}");
    let otio = std::fs::read_to_string(out(&shoot).join("timeline.otio")).unwrap();
    assert!(otio.lines().all(|l| !(l.contains("target_url") && l.contains("PROXY"))));
}

#[test]
fn what_is_excluded_takes_no_part() {
    let (_dir, shoot) = card();
    std::fs::create_dir_all(shoot.join("PROXY")).unwrap();
    write_good_pair(&shoot);
    write_wav(&shoot.join("PROXY/a.wav"), &heard(&event(24), 9));
    let (alignment, Ran { out: table, .. }) = aligned(&shoot, 0, "", &["--exclude", "PROXY/*"]);
    assert!(alignment.files().count() == 2 && table.contains("1 file skipped: 1 excluded"), "{table}");
    let nothing = coeval(&[&"align", &shoot, &"--exclude", &"NOTHING*"]);
    assert!(nothing.code == 1 && nothing.err.contains("matches no file"), "{nothing:?}");
    let all = coeval(&[&"align", &shoot, &"--exclude", &"*"]);
    assert!(all.code == 2 && all.err.contains("excluded"), "{all:?}");
}
