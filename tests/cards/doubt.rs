//! Short clips: what is less than 99 % sure is counted, and lies on tracks of its own.

use coeval_tests::shoot::{RATE_HZ, event, heard, write_wav};

use crate::{aligned, card, out};

#[test]
fn a_short_clip_in_doubt_lies_on_a_track_of_its_own() {
    let (_dir, shoot) = card();
    let sound = event(120);
    let at = |s: usize| s * RATE_HZ as usize;
    write_wav(&shoot.join("boat.wav"), &heard(&sound, 1));
    write_wav(&shoot.join("stern.wav"), &heard(&sound[at(20)..at(80)], 2));
    // Ten seconds leave a doubt of more than one in a hundred.
    write_wav(&shoot.join("bow.wav"), &heard(&sound[at(90)..at(100)], 3));
    let (alignment, ran) = aligned(&shoot, 3, "", &["--kind", "bow.wav=camera"]);
    let bow = alignment.file("bow.wav").unwrap();
    let confidence = bow.confidence.unwrap();
    assert!(bow.is_placed() && (0.9..0.99).contains(&confidence), "{confidence}");
    assert!((bow.knots[0][1] - alignment.file("boat.wav").unwrap().knots[0][1] - 90.0).abs() < 0.02);
    assert!(ran.out.contains("3 of 3 files placed, 1 of them to be checked"), "{}", ran.out);
    // The table marks that file and no other.
    assert!(matches!(ran.lines_with("  to be checked")[..], [line] if line.contains("bow.wav")), "{}", ran.out);
    let otio = std::fs::read_to_string(out(&shoot).join("timeline.otio")).unwrap();
    let otio: serde_json::Value = serde_json::from_str(&otio).unwrap();
    let track = |t: &serde_json::Value| (t["name"].as_str().unwrap().to_owned(), t["enabled"].as_bool().unwrap());
    let tracks: Vec<_> = otio["tracks"]["children"].as_array().unwrap().iter().map(track).collect();
    assert_eq!(
        tracks,
        [("boat", true), ("stern", true), ("bow to be checked", false)].map(|(name, on)| (name.to_owned(), on))
    );
    assert!(out(&shoot).join("edl/bow-to-be-checked.sound.edl").is_file());
}
