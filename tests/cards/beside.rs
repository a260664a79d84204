//! Sound that was recorded beside a clip, in a file of the same name.

use std::path::Path;

use coeval_shoot::Alignment;
use coeval_tests::shoot::{RATE_HZ, event, heard, write_wav};

use crate::{aligned, card, out};

/// With what table and READ-ME say, and the names of the sound under clips.
fn under_clips(shoot: &Path, more: &[&str]) -> (Alignment, String, Vec<String>) {
    let more = [&["--kind", "clips/*=camera"], more].concat();
    let (alignment, ran) = aligned(shoot, 0, ",under-clips", &more);
    let under = std::fs::read_dir(out(shoot).join("sound/under-clips")).unwrap().flatten();
    let mut under: Vec<String> = under.map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    under.sort();
    let read_me = std::fs::read_to_string(out(shoot).join("READ-ME.txt")).unwrap();
    (alignment, ran.out + &read_me, under)
}

#[test]
fn a_recorder_on_the_camera_is_its_better_sound_where_the_sound_agrees() {
    let (_dir, shoot) = card();
    for folder in ["clips", "sound"] {
        std::fs::create_dir_all(shoot.join(folder)).unwrap();
    }
    let sound = event(120);
    let write = |name: &str, from_s: usize, length_s: usize, seed: u64| {
        let at = |s: usize| s * RATE_HZ as usize;
        write_wav(&shoot.join(name), &heard(&sound[at(from_s)..at(from_s + length_s)], seed));
    };
    write("clips/V0001.wav", 10, 30, 1);
    write("clips/V0007.wav", 60, 30, 2);
    // It began a second late, and ran on for two.
    write("sound/V0001.wav", 11, 31, 3);
    // Another device counts too.
    write("sound/V0007.wav", 15, 30, 4);
    write("boat.wav", 0, 120, 5);
    let (alignment, said, under) = under_clips(&shoot, &[]);
    let of = |path: &str| alignment.file(path).unwrap().better_sound_of.clone();
    assert_eq!(of("sound/V0001.wav").as_deref(), Some("clips/V0001.wav"));
    assert_eq!((of("sound/V0007.wav"), of("boat.wav"), of("clips/V0001.wav")), (None, None, None));
    assert!(alignment.files().all(|f| f.is_placed()));
    let refuted = &alignment.file("sound/V0007.wav").unwrap().warnings;
    assert!(refuted.iter().any(|w| w.contains("has the name of clips/V0007.wav")), "{refuted:?}");
    assert!(said.contains("better sound of clips/V0001.wav"), "{said}");
    assert!(said.contains("Files with better sound of a clip: sound/V0001.wav (of clips/V0001.wav)."), "{said}");
    // Under the first clip go all three recorders that ran: its own, the one that is called like the other, and the boat's.
    let count = |under: &[String], clip: &str| under.iter().filter(|n| n.contains(clip)).count();
    assert_eq!((count(&under, "V0001"), count(&under, "V0007")), (3, 1), "{under:?}");
    let (_, _, under) = under_clips(&shoot, &["--own-sound"]);
    assert_eq!((count(&under, "V0001"), count(&under, "V0007")), (1, 1), "{under:?}");
}
