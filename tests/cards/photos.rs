//! Photos among the clips: on request they become markers, by the times in their files.

use std::path::Path;

use coeval_shoot::Alignment;
use coeval_shoot::alignment::{Photo, PhotoClock};
use coeval_tests::photo::jpeg;

use crate::{aligned, card, demo, out};

/// The demo's first camera and its recorder. The first clip begins at 08:41:07 UTC, by its headers.
fn demo_camera(folder: &Path) {
    std::fs::create_dir_all(folder.join("phone")).unwrap();
    for name in ["CAM-A_0017.MP4", "CAM-A_0018.MP4", "CAM-A_0019.MP4", "REC_0003.FLAC"] {
        std::fs::copy(demo(name), folder.join(name)).unwrap();
    }
}

fn photo<'a>(alignment: &'a Alignment, path: &str) -> &'a Photo {
    alignment.photos.iter().find(|p| p.path == path).unwrap_or_else(|| panic!("{path} is missing"))
}

#[test]
fn photos_are_markers_where_their_time_puts_them() {
    let (_dir, shoot) = card();
    demo_camera(&shoot);
    let write = |name: &str, bytes: &[u8]| std::fs::write(shoot.join(name), bytes).unwrap();
    // A hundred seconds after the first clip began.
    write("CAM-A_0020.JPG", &jpeg("2026:05:12 10:42:47", Some("+02:00")));
    write("phone/IMG_7.jpeg", &jpeg("2026:05:12 08:43:07", Some("+00:00")));
    write("CAM-A_0021.JPG", &jpeg("2026:05:13 10:42:47", Some("+02:00")));
    write("CAM-A_0022.JPG", &jpeg("yesterday", None));
    write("CAM-A_0023.JPG", &jpeg("2026:05:12 10:42:47", None)[..40]);
    let (alignment, _) = aligned(&shoot, 0, ",markers", &["--photos"]);
    let begins_s = alignment.file("CAM-A_0017.MP4").unwrap().knots[0][1];
    let is_at = |photo: &Photo, after_s: f64, clock: PhotoClock, sigma_s: std::ops::Range<f64>| {
        let known_s = photo.uncertainty_s.unwrap();
        assert!(sigma_s.contains(&known_s) && photo.clock == Some(clock) && photo.reason.is_none(), "{photo:?}");
        assert!((photo.timeline_s.unwrap() - begins_s - after_s).abs() < 3.0 * known_s.min(2.0), "{photo:?}");
    };
    is_at(photo(&alignment, "CAM-A_0020.JPG"), 100.0, PhotoClock::Device, 0.5..3.0);
    is_at(photo(&alignment, "phone/IMG_7.jpeg"), 120.0, PhotoClock::Clips, 5.0..8.0);
    assert_eq!(photo(&alignment, "CAM-A_0020.JPG").taken.as_deref(), Some("2026-05-12T10:42:47+02:00"));
    for (name, why) in [
        ("CAM-A_0021.JPG", "after everything had ended"),
        ("CAM-A_0022.JPG", "does not say when"),
        ("CAM-A_0023.JPG", ""),
    ] {
        let photo = photo(&alignment, name);
        assert!(photo.timeline_s.is_none() && photo.reason.as_ref().unwrap().contains(why), "{photo:?}");
    }
    assert_eq!(alignment.photos.len(), 5);
    let read = |name: &str| std::fs::read_to_string(out(&shoot).join(name)).unwrap();
    let markers = read("markers.csv");
    let marked: Vec<&str> = markers.lines().filter(|l| l.contains(",photo,")).collect();
    assert!(
        marked.len() == 2 && marked[0].contains("CAM-A_0020.JPG") && marked[0].contains("to within about"),
        "{markers}"
    );
    let otio: serde_json::Value = serde_json::from_str(&read("timeline.otio")).unwrap();
    let all = otio["tracks"]["markers"].as_array().unwrap();
    let of_photos = all.iter().filter(|m| m["metadata"]["coeval"]["kind"] == "photo").count();
    assert_eq!((of_photos, read("markers.vtt").matches("photo ").count()), (2, 2));
}

#[test]
fn the_hour_of_a_photo_that_does_not_say_its_zone_is_that_of_the_event() {
    let (_dir, shoot) = card();
    demo_camera(&shoot);
    for (name, taken) in [("CAM-A_0020.JPG", "2026:05:12 14:12:47"), ("CAM-A_0021.JPG", "2026:05:12 14:12:57")] {
        std::fs::write(shoot.join(name), jpeg(taken, None)).unwrap();
    }
    // Half past five hours ahead of UTC.
    let (alignment, ran) = aligned(&shoot, 0, ",markers", &["--photos"]);
    let at_s =
        |name: &str| photo(&alignment, name).timeline_s.unwrap_or_else(|| panic!("{:?}", photo(&alignment, name)));
    let begins_s = alignment.file("CAM-A_0017.MP4").unwrap().knots[0][1];
    assert!((at_s("CAM-A_0020.JPG") - begins_s - 100.0).abs() < 3.0, "{}", at_s("CAM-A_0020.JPG") - begins_s);
    assert!((at_s("CAM-A_0021.JPG") - at_s("CAM-A_0020.JPG") - 10.0).abs() < 1e-6);
    assert_eq!(ran.lines_with("2 of 2 photos marked by the times in their files, to within about").len(), 1, "{ran:?}");
    // Nobody asked: they are passed over, and it is said.
    let (alignment, ran) = aligned(&shoot, 0, ",markers", &[]);
    assert!(alignment.photos.is_empty());
    assert_eq!(ran.lines_with("2 photos are not used; --photos marks them on the timeline").len(), 1, "{ran:?}");
}
