use serde_json::json;

use super::words::{early_or_late, length, lip_sync, percent};
use coeval_shoot::pictures::StillPicture;

use super::*;
use crate::layout::tests::example;
use crate::lists::marks;

fn html(alignment: &Alignment, title: &str, checks: &[Check]) -> String {
    let layout = Layout::of(alignment).unwrap();
    let start = Timecode::from_label([1, 0, 0, 0], layout.rate, layout.rate.counting()).unwrap();
    let marks = marks(alignment, &[]);
    let measured = [("R.FLAC".to_owned(), Err(Error::new(ErrorKind::NoSound, "<b>no</b> sound")))];
    let (measured, marks) = (&measured, &marks);
    let (maps, pictures) = (&[], &Pictures::default());
    let report =
        Report { title, alignment, layout: &layout, start, measured, checks, maps, pictures, marks, others: &[] };
    page(&report).unwrap()
}

/// A part of an alignment, as the contract writes it.
fn entry<T: serde::de::DeserializeOwned>(value: serde_json::Value) -> T {
    serde_json::from_value(value).unwrap()
}

#[test]
fn verdicts_follow_the_published_limits() {
    // EBU R 37 (whole chain +40/-60 ms) and ITU-R BT.1359-1 (+45/-125, +90/-185 ms).
    for (early_ms, words) in [
        (40.0, "in sync"),
        (-60.0, "in sync"),
        (44.0, "outside EBU R 37, seldom noticed"),
        (-124.0, "outside EBU R 37, seldom noticed"),
        (46.0, "may be noticed"),
        (-126.0, "may be noticed"),
        (90.1, "not acceptable"),
        (-186.0, "not acceptable"),
        (f64::NAN, "not acceptable"),
    ] {
        assert_eq!(lip_sync(early_ms / 1e3).1, words, "{early_ms}");
    }
}

#[test]
fn numbers_are_said_as_people_say_them() {
    assert_eq!([0.0853, 24.0, 90.0, 3661.0].map(length), ["85 ms", "24.0 s", "1 min 30 s", "1 h 1 min"]);
    assert_eq!([0.0231, -0.0046, 0.000_001].map(early_or_late), ["23.1 ms early", "4.6 ms late", "no offset"]);
    assert_eq!(percent(1.0), "over 99.99 %");
}

#[test]
fn problems_come_first_and_the_worst_of_them_before_the_rest() {
    let mut alignment = example();
    alignment.recordings[0].files[0].confidence = Some(0.93);
    let page = html(&alignment, "day 1", &[]);
    let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("{text} is not there"));
    let (unplaced, doubtful) = (at("X.MP4 is unplaced."), at("b&#x2f;C 1.MP4 may be in the wrong place."));
    let jump = at("b&#x2f;C 1.MP4 lost 500 ms of sound.");
    assert!(
        at("What needs attention") < doubtful && doubtful.max(unplaced) < jump && jump < at("Who recorded when</h2>")
    );
    // cam-b ran from 30.0 s to 130.5 s, cam-a to 174.2 s, the recorder to 199.0 s.
    assert!(page.contains("cam-a stopped 24.8 s before the last device stopped."), "{page}");
    assert!(page.contains("its level could not be measured."));
}

/// What may lie elsewhere is hatched, there and nowhere else, and said to who cannot see it.
#[test]
fn doubt_is_seen_where_it_is() {
    let mut alignment = example();
    assert!(!html(&alignment, "day 1", &[]).contains("class=\"doubt\""));
    let file = &mut alignment.recordings[0].files[0];
    let (from_s, to_s) = (file.knots[0][0], file.knots[file.knots.len() - 1][0]);
    let stretch = |from_s: f64, to_s: f64, confidence: f64| {
        entry(json!({"from_s": from_s, "to_s": to_s, "confidence": confidence, "uncertainty_s": 1e-3}))
    };
    let half_s = (from_s + to_s) / 2.0;
    file.stretches = vec![stretch(from_s, half_s, 0.9999), stretch(half_s, to_s, 0.95)];
    let page = html(&alignment, "day 1", &[]);
    assert_eq!(page.matches("<i class=\"doubt\"").count(), 1);
    assert!(page.contains(" in doubt") && page.contains("place in doubt"), "{page}");
}

/// What is heard lies over the clip as the timeline has it: nothing in a gap, and a click where it was.
#[test]
fn outlines_lie_on_the_timeline() {
    let mut alignment = example();
    alignment.recordings.retain(|r| r.id == "cam-b");
    // C 1.MP4: 40 s, half a second lost, 60 s.
    let rate_hz = 8000u32;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("b/C 1.MP4");
    std::fs::create_dir(path.parent().unwrap()).unwrap();
    let mut wav = coeval_media::WavWriter::create(&path, coeval_media::WavOptions::new(rate_hz, 1)).unwrap();
    let mut sound = vec![0.1f32; 100 * rate_hz as usize];
    sound[70 * rate_hz as usize + 4000] = 1.0;
    wav.write(&sound).unwrap();
    wav.finish().unwrap();
    let measured = coeval_shoot::measure(&alignment, dir.path(), &Default::default(), &()).unwrap();
    let layout = Layout::of(&alignment).unwrap();
    let start = Timecode::from_label([1, 0, 0, 0], layout.rate, layout.rate.counting()).unwrap();
    let none = Pictures::default();
    let report = |measured| Report {
        title: "outlines",
        alignment: &alignment,
        layout: &layout,
        start,
        measured,
        checks: &[],
        maps: &[],
        pictures: &none,
        marks: &[],
        others: &[],
    };
    let page = page(&report(&measured)).unwrap();
    let level = page.split("<path class=\"level\" d=\"").nth(1).unwrap().split('"').next().unwrap();
    // Where each run of columns begins, and how high it stands.
    let numbers: Vec<i64> =
        level["M0 32l".len()..level.len() - "V32z".len()].split(' ').map(|n| n.parse().unwrap()).collect();
    let (mut x, mut height, mut runs) = (0, 0, Vec::new());
    for step in numbers.chunks(2) {
        height -= step[1];
        if step[0] > 0 {
            runs.push((x, height));
        }
        x += step[0];
    }
    // Columns of 20 ms: the gap is at 40.0 to 40.5 s of the clip, the click at 71.0 s.
    // A tenth of full scale is 20 of the 40 dB.
    assert_eq!(runs, [(0, 16), (2000, 0), (2025, 16), (3550, 32), (3551, 16)], "{level}");
    assert_eq!(x, 5025);
    assert!(page.contains("viewBox=\"0 0 5025.0 32\""));
    assert!(!html(&alignment, "without", &[]).contains("class=\"level\""), "what was not measured is not drawn");
}

/// Why a file lies where it lies: measurements over its map, and what is in doubt.
#[test]
fn each_clip_says_why() {
    let mut alignment = example();
    let file = &mut alignment.recordings[0].files[0];
    file.proof = Some(entry(json!({
        "evidence": 37,
        "residual_rms_s": 1e-3,
        "residual_p95_s": 2e-3,
        "evidence_span_s": [2.0, 90.0],
        "drift_sigma_ppm": 0.25,
        "ends_uncertainty_s": [1e-3, 3e-3],
        "without_best_third_s": null,
        "agreement": [{"by": "timecode", "count": 1, "difference_s": -0.04}],
        "verdict": "in sync",
    })));
    alignment.pairs.push(entry(json!({
        "a": "rec-1",
        "b": "cam-b",
        "overlap_s": 60.0,
        "confidence": 1.0,
        "residual_rms_s": 1e-4,
        "evidence": 2,
        "residuals": [[20.0, 1e-4], [31.0, 0.1], [80.0, -1e-4]],
        "rivals": [{"shift_s": 12.494, "probability": 0.032}, {"shift_s": -4.0, "probability": 0.002}],
    })));
    let page = html(&alignment, "day 1", &[]);
    assert_eq!(page.matches("<details class=\"why\"").count(), 1, "only what has a proof");
    let rivals = "not ruled out: 12.49 s later in rec-1 (3.20 %), 4.00 s earlier in rec-1 (0.20 %)";
    assert_eq!(page.matches("not ruled out").count(), 1);
    assert!(page.contains(rivals), "{:?}", page.split("not ruled").nth(1).map(|s| &s[..90]));
    let why = page.split("<details class=\"why\"").nth(1).unwrap().split("</details>").next().unwrap();
    assert!(
        why.contains("37 measurements, from 0:00:02 to 0:01:30 of the file. 95 % of them lie within 2.0 ms"),
        "{why}"
    );
    assert!(why.contains("1.0 ms at the start, 3.0 ms at the end; of the drift 0.25 ppm"), "{why}");
    assert!(why.contains("1 timecode: 40.0 ms earlier than the placement."), "{why}");
    // Two of the three measurements lie in this clip; the lost half second bends its map.
    let dots = why.split("class=\"dots\" d=\"").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(dots.matches('M').count(), 2, "{dots}");
    let heights: Vec<f64> =
        dots.split('M').skip(1).map(|d| d.split([' ', 'h']).nth(1).unwrap().parse().unwrap()).collect();
    // 0.1 s of residual on a straight part, and half a second of jump: up is later, in a scale of 0.5 s and more.
    assert!(heights[1] < heights[0] && heights[0] < 200.0, "{heights:?}");
}

/// Pictures lie under what they show, and what is missing of them is said.
#[test]
fn pictures_lie_under_their_clips() {
    let alignment = example();
    let layout = Layout::of(&alignment).unwrap();
    let start = Timecode::from_label([1, 0, 0, 0], layout.rate, layout.rate.counting()).unwrap();
    let mut pictures = Pictures::default();
    let report = |pictures: &Pictures| {
        let (alignment, layout, title) = (&alignment, &layout, "pictures");
        page(&Report {
            title,
            alignment,
            layout,
            start,
            measured: &[],
            checks: &[],
            maps: &[],
            pictures,
            marks: &[],
            others: &[],
        })
        .unwrap()
    };
    assert!(!report(&pictures).contains("<img") && !report(&pictures).contains("class=\"film\""));
    // Of 100 s, of which half a second was lost after 40 s: the third part has it, and the last is as long as the others.
    pictures.every_s = 20.0;
    pictures.pictures = (0..5).map(|i| StillPicture::new("b/C 1.MP4".to_owned(), i, vec![i as u8; 3])).collect();
    pictures.pictures.push(StillPicture::new("X.MP4".to_owned(), 0, vec![9; 3]));
    pictures.note = Some("3 of 4 pictures are missing: this needs ffmpeg, which is not on PATH.".to_owned());
    let page = report(&pictures);
    assert!(page.contains("3 of 4 pictures are missing: this needs ffmpeg, which is not on PATH."), "{page}");
    assert!(page.contains("one picture for every 20 s"), "{page}");
    let number = |text: &str, word: &str| -> f64 {
        text.split_once(word).unwrap().1.split(['%', '"']).next().unwrap().parse().unwrap()
    };
    let images: Vec<&str> = page.split("<img alt=\"\" src=\"data:image/jpeg;base64,").skip(1).collect();
    assert_eq!(images.len(), 5, "those of an unplaced file are not shown");
    let whole_s = number(&page, "data-duration=\"");
    let spans: Vec<(f64, f64)> = images.iter().map(|i| (number(i, "left:"), number(i, ";width:"))).collect();
    let expected = [(30.003, 20.0), (50.003, 20.5), (70.503, 20.0), (90.503, 20.0), (110.503, 20.0)];
    for ((left, width), (from_s, length_s)) in spans.into_iter().zip(expected) {
        let (left_s, width_s) = (left * whole_s / 100.0, width * whole_s / 100.0);
        assert!((left_s - from_s).abs() < 1e-3 && (width_s - length_s).abs() < 1e-3, "{left_s}, {width_s}: {from_s}");
    }
}

/// Many files with one fault are one message.
#[test]
fn a_message_is_said_once() {
    let mut alignment = example();
    let clip = alignment.recordings[1].files[0].clone();
    for i in 0..27 {
        let mut more = clip.clone();
        more.path = format!("{i:02}.MOV");
        more.warnings = vec!["its clock wanders".to_owned()];
        alignment.recordings[1].files.push(more);
    }
    let page = html(&alignment, "clips", &[]);
    assert_eq!(page.matches("Its clock wanders.").count(), 1);
    assert!(page.contains("00.MOV, 01.MOV, 02.MOV and 24 more:"), "{page}");
}

/// Thirty clips of a minute each all end before the last one does: that is no thirty empty batteries.
#[test]
fn short_clips_are_no_empty_batteries() {
    let mut alignment = example();
    let clip = alignment.recordings[1].clone();
    for i in 0..30 {
        let mut more = clip.clone();
        more.id = format!("clip-{i}");
        more.files.truncate(1);
        more.files[0].path = format!("{i}.MOV");
        alignment.recordings.push(more);
    }
    let page = html(&alignment, "clips", &[]);
    assert_eq!(page.matches("the battery empty").count() + page.matches("its battery empty").count(), 1);
    assert!(page.contains("recordings stopped long before the last one"), "{page}");
}

#[test]
fn no_name_becomes_markup() {
    let evil = "\"><img src=x onerror=alert(1)>'</script><script>alert(2)</script>&{{ 7 * 7 }}";
    let mut alignment = example();
    for recording in &mut alignment.recordings {
        for file in &mut recording.files {
            file.path = format!("{evil}{}", file.path);
            file.warnings.push(evil.to_owned());
            file.reason = file.reason.as_ref().map(|_| evil.to_owned());
        }
        recording.id = format!("{evil}{}", recording.id);
    }
    alignment.timeline.clock = format!("{evil}cam-a");
    alignment.pairs.push(entry(json!({
        "a": alignment.recordings[0].id,
        "b": alignment.recordings[1].id,
        "overlap_s": 60.0,
        "confidence": 1.0,
        "residual_rms_s": 1e-4,
        "evidence": 2,
        "contradicted": true,
        "residuals": [[31.0, 1e-4], [80.0, -1e-4]],
    })));
    let page = html(&alignment, evil, &[]);
    assert_eq!(page.matches("<script").count(), 1);
    assert_eq!(page.matches("</script").count(), 1);
    assert!(!page.contains("<img") && !page.contains("<b>no</b>") && !page.contains("49&#x27;"));
    assert!(page.contains("&lt;img"));
    // Attributes of the page itself only: a quote in a name ends none.
    assert!(!page.contains("\" onerror") && !page.contains("\"><img"));
}

#[test]
fn an_hour_with_fifteen_clips_stays_below_fifteen_megabytes() {
    let mut alignment = example();
    let clip = alignment.recordings[1].files[0].clone();
    alignment.recordings[1].files = (0..15)
        .map(|i| {
            let at = f64::from(i) * 240.0;
            let mut file = clip.clone();
            file.path = format!("A_{i:02}.MOV");
            file.knots = vec![[0.0, at], [81.081, at + 81.081]];
            file
        })
        .collect();
    alignment.recordings[2].files[0].knots = vec![[0.0, 0.0], [3600.0, 3600.18]];
    alignment.recordings[2].files[0].duration_s = Some(3600.0);
    let dir = tempfile::tempdir().unwrap();
    for (name, rate_hz, seconds) in
        (0..15).map(|i| (format!("A_{i:02}.MOV"), 8000, 82)).chain([("R.FLAC".to_owned(), 8000, 3600)])
    {
        let mut wav =
            coeval_media::WavWriter::create(&dir.path().join(name), coeval_media::WavOptions::new(rate_hz, 1)).unwrap();
        // Noise: the least that could be packed.
        let mut state = 1u32;
        let block: Vec<f32> = (0..rate_hz * seconds)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1u32 << 24) as f32 - 0.5
            })
            .collect();
        wav.write(&block).unwrap();
        wav.finish().unwrap();
    }
    alignment.recordings.truncate(3);
    alignment.recordings.remove(0);
    let checks = coeval_shoot::listen::listen(&alignment, dir.path(), &Default::default(), &()).unwrap();
    assert_eq!(checks.len(), 45);
    let measured = coeval_shoot::measure(&alignment, dir.path(), &Default::default(), &()).unwrap();
    let layout = Layout::of(&alignment).unwrap();
    let start = Timecode::from_label([1, 0, 0, 0], layout.rate, layout.rate.counting()).unwrap();
    let (alignment, layout, checks) = (&alignment, &layout, &checks);
    let couples = coeval_shoot::listen::couples(alignment);
    let maps = coeval_shoot::lag_map::lag_maps(alignment, dir.path(), &couples, &Default::default(), &()).unwrap();
    assert_eq!(maps.len(), 15);
    let (title, measured, marks, others) = ("an hour", &measured, &[], &[]);
    let (maps, pictures) = (&maps, &Pictures::default());
    let report = Report { title, alignment, layout, start, measured, checks, maps, pictures, marks, others };
    let page = page(&report).unwrap();
    assert_eq!(page.matches("<path class=\"level\"").count(), 16);
    assert!(page.len() < 15_000_000, "{} bytes", page.len());
    assert_eq!(page.matches("src=\"data:audio/wav;base64,").count(), 90);
}
