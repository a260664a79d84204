//! Clips without sound, slow motion and time lapse: placed by the times of their files, to seconds, and marked so.

use std::path::Path;

use coeval_shoot::Alignment;
use coeval_shoot::alignment::{File, PlacedBy};

use crate::{aligned, card, demo, ffmpeg, out};

/// The demo's first camera and its recorder; of the second clip the picture alone, with this time of its file. `None`: there
/// is no ffmpeg.
fn demo_camera(folder: &Path, created: &str, more: &[&str]) -> Option<()> {
    for name in ["CAM-A_0017.MP4", "CAM-A_0019.MP4", "REC_0003.FLAC"] {
        std::fs::copy(demo(name), folder.join(name)).unwrap();
    }
    let created = format!("creation_time={created}");
    let how = [&["-an", "-c", "copy"], more, &["-metadata", &created]].concat();
    ffmpeg(&demo("CAM-A_0018.MP4"), &how, &folder.join("CAM-A_0018.MP4"))
}

fn to_be_checked(shoot: &Path) -> (Alignment, String) {
    // Not all is in order.
    let (alignment, ran) = aligned(shoot, 3, ",under-clips,report", &[]);
    (alignment, ran.out)
}

/// When the second clip was made, by its headers in the demo, and how long after the first it begins, seconds (truth.json).
const CREATED: &str = "2026-05-12T08:42:15Z";
const STARTS_S: f64 = 68.04;

fn placed_by_time<'a>(alignment: &'a Alignment, name: &str) -> &'a File {
    let clip = alignment.file(name).unwrap();
    assert_eq!(clip.placed_by, Some(PlacedBy::Times), "{clip:?}");
    let sigma_s = clip.uncertainty_s.unwrap();
    let start_s = clip.knots[0][1] - alignment.file("CAM-A_0017.MP4").unwrap().knots[0][1];
    assert!((0.5..5.0).contains(&sigma_s), "{sigma_s}");
    assert!((start_s - STARTS_S).abs() < 3.0 * sigma_s, "{start_s} +-{sigma_s}");
    assert!(
        alignment.is_doubtful(clip)
            && clip.warnings.iter().any(|w| w.contains("by the time in the file and the clock of its device")),
        "{clip:?}"
    );
    clip
}

#[test]
fn a_clip_without_sound_lies_where_its_camera_s_clock_puts_it() {
    let (_dir, shoot) = card();
    let Some(()) = demo_camera(&shoot, CREATED, &[]) else { return };
    let (alignment, table) = to_be_checked(&shoot);
    placed_by_time(&alignment, "CAM-A_0018.MP4");
    assert!(table.contains("to be checked"), "{table}");
    // A track of its own, and no sound that would seem to fit.
    let otio = std::fs::read_to_string(out(&shoot).join("timeline.otio")).unwrap();
    assert!(otio.contains("to be checked") && otio.contains("CAM-A_0018.MP4"));
    let under = std::fs::read_dir(out(&shoot).join("sound/under-clips")).unwrap().flatten();
    let under: Vec<_> = under.map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    assert!(under.len() == 2 && !under.iter().any(|n| n.contains("0018")), "{under:?}");

    // Of another day, by its own clock.
    demo_camera(&shoot, "2026-05-13T08:42:15Z", &[]);
    let (alignment, _) = to_be_checked(&shoot);
    let clip = alignment.file("CAM-A_0018.MP4").unwrap();
    assert!(!clip.is_placed() && clip.reason.as_ref().unwrap().contains("after everything else had ended"), "{clip:?}");
}

/// One clip, filmed at another rate than it is shown at, which its headers have as `fps`: placed by its start, and never
/// conformed. `factor`: how much faster it was filmed.
fn is_shown_whole(shoot: &Path, fps: [u32; 2], factor: f64, said: [&str; 2]) {
    let (alignment, table) = to_be_checked(shoot);
    let clip = placed_by_time(&alignment, "CAM-A_0018.MP4");
    assert_eq!(clip.picture.as_ref().unwrap().capture_rate, Some(fps));
    // What it shows took another time than it takes; on a timeline it is shown whole.
    let [first, last] = [clip.knots[0], clip.knots[clip.knots.len() - 1]];
    assert!(((last[1] - first[1]) / (last[0] - first[0]) - 1.0 / factor).abs() < 1e-9, "{clip:?}");
    let laid = clip.laid().unwrap();
    assert!((laid.knots()[1].1 - laid.knots()[0].1 - clip.duration_s.unwrap()).abs() < 1e-9);
    assert!(said.iter().all(|s| table.contains(s)), "{table}");
    let under = std::fs::read_dir(out(shoot).join("sound/under-clips")).unwrap().flatten();
    assert!(under.map(|e| e.file_name()).all(|n| !n.to_string_lossy().contains("0018")));
    let edl = std::fs::read_dir(out(shoot).join("edl")).unwrap().flatten();
    let lists: Vec<String> = edl.map(|e| std::fs::read_to_string(e.path()).unwrap()).collect();
    assert!(lists.iter().any(|l| l.contains("CAM-A_0018.MP4")));
}

#[test]
fn slow_motion_and_time_lapse_begin_where_they_were_filmed_and_are_never_conformed() {
    let (_dir, shoot) = card();
    let film = |fps: &str| {
        let key = format!("capture.fps={fps}");
        demo_camera(&shoot, CREATED, &["-movflags", "use_metadata_tags", "-metadata", &key])
    };
    // Four times as many frames a second as it is shown at.
    let Some(()) = film("0100") else { return };
    let slow = ["4.0 x slower", "slow motion, filmed at 100 fps and shown at 25"];
    is_shown_whole(&shoot, [100, 1], 4.0, slow);

    // As phones write it: a floating-point number (type 23), not text (type 1; QuickTime File Format, well-known types).
    let clip = shoot.join("CAM-A_0018.MP4");
    let mut bytes = std::fs::read(&clip).unwrap();
    let text = b"\0\0\0\x01\0\0\0\x000100";
    let at = bytes.windows(text.len()).position(|w| w == text).expect("the rate as text");
    bytes[at + 3] = 23;
    bytes[at + 8..at + 12].copy_from_slice(&100f32.to_be_bytes());
    std::fs::write(&clip, bytes).unwrap();
    is_shown_whole(&shoot, [100, 1], 4.0, slow);

    film("5");
    is_shown_whole(&shoot, [5, 1], 0.2, ["5.0 x faster", "time lapse, filmed at 5 fps and shown at 25"]);
}
