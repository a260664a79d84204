//! Timecode on a channel of sound, or in the headers: it is no sound to compare, it says when a file ran, and the sound says
//! whether that is so.

use std::path::Path;

use coeval_media::{Bext, OpenOptions, SampleFormat, SoundReader, WavOptions, WavWriter};
use coeval_shoot::Alignment;
use coeval_shoot::alignment::{EvidenceKind, PlacedBy};
use coeval_tests::ltc::Ltc;
use coeval_tests::shoot::{RATE_HZ, another_event, event, heard};

use crate::{aligned, card, demo, ffmpeg, out};

const HZ: u32 = 48_000;

/// What a device hears from so many seconds of the event on, at 48 kHz.
fn sound(from_s: usize, seed: u64) -> Vec<f32> {
    let at = |s: usize| s * RATE_HZ as usize;
    let slow = heard(&event(50)[at(from_s)..at(from_s + 40)], seed);
    slow.iter().flat_map(|x| [*x; 3]).collect()
}

/// Timecode at 25 fps that runs from so many seconds after ten on.
fn timecode(from_s: f64, seconds: f64) -> Vec<f32> {
    let ten = Ltc::new(25, false);
    Ltc { first: ten.first + (from_s * 25.0).round() as u32, ..ten }.sound(seconds, f64::from(HZ))
}

fn write(path: &Path, channels: &[&[f32]]) {
    let options = WavOptions { format: SampleFormat::Int16, ..WavOptions::new(HZ, channels.len()) };
    let mut writer = WavWriter::create(path, options).unwrap();
    let block: Vec<f32> = (0..channels[0].len()).flat_map(|i| channels.iter().map(move |c| c[i])).collect();
    writer.write(&block).unwrap();
    writer.finish().unwrap();
}

/// With all that the command said.
fn with_words(shoot: &Path, code: u8) -> (Alignment, String) {
    let (alignment, ran) = aligned(shoot, code, "", &[]);
    (alignment, ran.out + &ran.err)
}

fn start_s(alignment: &Alignment, path: &str) -> f64 {
    alignment.map(path).unwrap_or_else(|| panic!("{path} has no place: {:?}", alignment.file(path))).forward(0.0)
}

#[test]
fn a_channel_of_timecode_is_read_and_not_compared() {
    let (_dir, shoot) = card();
    write(&shoot.join("bow.wav"), &[&sound(0, 1), &timecode(100.0, 40.0)]);
    // Its timecode was set 47 s late.
    write(&shoot.join("stern.wav"), &[&timecode(106.0 + 47.0, 40.0), &sound(6, 2)]);
    let (alignment, said) = with_words(&shoot, 0);
    assert!((start_s(&alignment, "stern.wav") - start_s(&alignment, "bow.wav") - 6.0).abs() < 1e-3);
    let [bow, stern] = ["bow.wav", "stern.wav"].map(|f| alignment.file(f).unwrap());
    let ltc = bow.ltc.as_ref().expect("timecode");
    assert_eq!((ltc.channel, ltc.rate, ltc.first.as_str()), (2, [25, 1], "10:01:40:00"));
    assert!(ltc.frames >= 999 && ltc.first_s.abs() < 1e-4, "{ltc:?}");
    assert_eq!(stern.ltc.as_ref().unwrap().channel, 1);
    assert_eq!(bow.timecode.as_deref(), Some("10:01:40:00"));
    let off = |f: &coeval_shoot::alignment::File| {
        let agreement = &f.proof.as_ref().unwrap().agreement;
        agreement.iter().find(|a| a.by == EvidenceKind::Timecode).map(|a| a.difference_s)
    };
    let off_s = off(stern).or(off(bow).map(|s| -s)).unwrap();
    assert!((off_s - 47.0).abs() < 1e-3, "{off_s}");
    assert!(said.contains("stern.wav: its timecode puts it 47.0 s later than its sound does"), "{said}");
}

#[test]
fn timecode_alone_places_a_file_and_says_how_well() {
    let (_dir, shoot) = card();
    write(&shoot.join("bow.wav"), &[&sound(0, 1), &timecode(100.0, 40.0)]);
    write(&shoot.join("stern.wav"), &[&sound(6, 2), &timecode(106.0, 40.0)]);
    write(&shoot.join("mast.wav"), &[&timecode(110.4, 20.0)]);
    write(&shoot.join("other-day.wav"), &[&timecode(20_000.0, 20.0)]);
    let (alignment, said) = with_words(&shoot, 3);
    assert!((start_s(&alignment, "mast.wav") - start_s(&alignment, "bow.wav") - 10.4).abs() < 0.02);
    let mast = alignment.file("mast.wav").unwrap();
    assert_eq!(mast.placed_by, Some(PlacedBy::Timecode));
    // Half a frame of 25 a second.
    assert!((0.0199..0.03).contains(&mast.uncertainty_s.unwrap()), "{mast:?}");
    assert!((start_s(&alignment, "stern.wav") - start_s(&alignment, "bow.wav") - 6.0).abs() < 1e-3);
    assert_eq!(alignment.file("stern.wav").unwrap().placed_by, None);
    let alone = alignment.file("other-day.wav").unwrap();
    assert!(alone.reason.as_deref().unwrap().contains("its sound is only timecode"), "{alone:?}");
    assert!(!said.contains("than its sound does"), "{said}");
}

#[test]
fn timecode_that_comes_across_faintly_leaves_a_channel_its_sound() {
    let (_dir, shoot) = card();
    let across: Vec<f32> = sound(0, 1).iter().zip(timecode(100.0, 40.0)).map(|(s, t)| s + 0.03 * t).collect();
    write(&shoot.join("bow.wav"), &[&across]);
    write(&shoot.join("stern.wav"), &[&sound(6, 2)]);
    let (alignment, _) = with_words(&shoot, 0);
    assert!(alignment.files().all(|f| f.is_placed() && f.ltc.is_none()));
}

#[test]
fn channels_of_timecode_are_not_measured_nor_laid_under_clips() {
    let (_dir, shoot) = card();
    let (from, to) = (timecode(100.0, 40.0), timecode(100.0, 20.0));
    let short: Vec<f32> = to.iter().copied().chain(std::iter::repeat(0.0)).take(from.len()).collect();
    write(&shoot.join("bow.wav"), &[&short, &sound(0, 1), &from]);
    write(&shoot.join("stern.wav"), &[&sound(6, 2)]);
    let (alignment, ran) = aligned(&shoot, 0, ",sound", &["--kind", "stern.wav=camera"]);
    assert_eq!(ran.lines_with("channel 1 carries timecode too; that of channel 3 is used").len(), 1, "{ran:?}");
    let bow = alignment.file("bow.wav").unwrap();
    let ltc = bow.ltc.as_ref().unwrap();
    assert_eq!((ltc.channel, &ltc.also[..], bow.sound_channels()), (3, &[1][..], vec![1]));
    let measured = coeval_shoot::measure(&alignment, &shoot, &OpenOptions::default(), &()).unwrap();
    for (name, measured) in measured {
        assert_eq!(measured.unwrap().level.channels.len(), 1, "{name}");
    }
    for name in ["under-clips/stern.sound-of-bow.wav", "whole/bow.on-timeline.wav"] {
        let mut reader = SoundReader::open(&out(&shoot).join("sound").join(name), &OpenOptions::default()).unwrap();
        assert_eq!(reader.sound().unwrap().channels, 1, "{name}");
        let mut heard = Vec::new();
        reader
            .read_to_end(|block, _| {
                heard.extend_from_slice(block);
                Ok(())
            })
            .unwrap();
        assert!(heard.iter().any(|x| x.abs() > 0.05), "{name} is silent");
        assert_eq!(coeval_listen::ltc::ltc(&heard, f64::from(HZ)).unwrap(), [], "{name}");
    }
}

#[test]
fn timecode_of_films_is_held_against_the_sound_where_the_recorder_has_none() {
    let (_dir, shoot) = card();
    // The second begins 17.41 s after the first (truth.json).
    for (name, label) in [("CAM-A_0017.MP4", "10:00:00:00"), ("CAM-B_0004.MOV", "10:01:04;14")] {
        let Some(()) = ffmpeg(&demo(name), &["-c", "copy", "-timecode", label], &shoot.join(name)) else { return };
    }
    std::fs::copy(demo("REC_0003.FLAC"), shoot.join("REC_0003.FLAC")).unwrap();
    let (alignment, words) = with_words(&shoot, 0);
    assert_eq!(alignment.timeline.clock, "rec-1");
    assert_eq!(words.matches("than its sound does").count(), 1, "{words}");
    assert!(words.contains("CAM-B_0004.MOV: its timecode puts it 47.0 s later than its sound does"), "{words}");
}

#[test]
fn headers_that_disagree_with_the_sound_are_said_once() {
    let (_dir, shoot) = card();
    let write_bwf = |name: &str, at_s: u64, sound: &[f32]| {
        let bext = Bext { time_reference: at_s * u64::from(HZ), ..Bext::default() };
        let options = WavOptions { bext: Some(bext), ..WavOptions::new(HZ, 1) };
        let path = shoot.join(name);
        let _ = std::fs::remove_file(&path);
        let mut writer = WavWriter::create(&path, options).unwrap();
        writer.write(sound).unwrap();
        writer.finish().unwrap();
    };
    write_bwf("bow.wav", 36_000, &sound(0, 1));
    write_bwf("stern.wav", 36_006, &sound(6, 2));
    assert!(!with_words(&shoot, 0).1.contains("than its sound does"));
    write_bwf("stern.wav", 36_003, &sound(6, 2));
    let (_, said) = with_words(&shoot, 0);
    assert_eq!(said.matches("than its sound does").count(), 1, "{said}");
    // Another event has no say in it.
    let other: Vec<f32> = heard(&another_event(3, 40), 3).iter().flat_map(|x| [*x; 3]).collect();
    write_bwf("other.wav", 1, &other);
    let (_, said) = with_words(&shoot, 3);
    assert_eq!(said.matches("than its sound does").count(), 1, "{said}");
}
