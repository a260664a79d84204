//! Random shoots: what OpenTimelineIO and EDL say about the timeline is what the alignment says.

use std::path::PathBuf;

use coeval_deliver::edl::to_edl;
use coeval_deliver::layout::{Content, Layout};
use coeval_deliver::otio::{Extras, References, to_otio};
use coeval_deliver::timecode::{FrameRate, Timecode};
use coeval_shoot::Alignment;
use coeval_shoot::conform::{ConformOptions, SoundPlacement, plan};
use proptest::prelude::*;
use serde_json::{Value, json};

/// One clip as a format has it, in seconds of the timeline and of its file.
#[derive(Debug, Clone)]
struct Clip {
    name: String,
    from_s: f64,
    to_s: f64,
    source_s: f64,
}

fn otio_clips(track: &Value) -> Vec<Clip> {
    let seconds = |t: &Value| t["value"].as_f64().unwrap() / t["rate"].as_f64().unwrap();
    let mut at_s = 0.0;
    let mut clips = Vec::new();
    for child in track["children"].as_array().unwrap() {
        let range = &child["source_range"];
        let length_s = seconds(&range["duration"]);
        if child["OTIO_SCHEMA"] == "Clip.2" {
            clips.push(Clip {
                name: child["name"].as_str().unwrap().to_owned(),
                from_s: at_s,
                to_s: at_s + length_s,
                // From the beginning of the medium, whatever its timecode is.
                source_s: seconds(&range["start_time"])
                    - seconds(&child["media_references"]["DEFAULT_MEDIA"]["available_range"]["start_time"]),
            });
        }
        at_s += length_s;
    }
    clips
}

/// Reads a list as an editor does: columns of the event line, then its name.
fn edl_clips(list: &str, rate: FrameRate, start: Timecode) -> Vec<Clip> {
    let mut clips = Vec::new();
    let lines: Vec<&str> = list.lines().collect();
    for (i, line) in lines.iter().enumerate().filter(|(_, l)| l.starts_with(|c: char| c.is_ascii_digit())) {
        let columns: Vec<&str> = line.split_whitespace().collect();
        let name = lines[i + 1..].iter().find_map(|l| l.strip_prefix("* FROM CLIP NAME: ")).unwrap().to_owned();
        let record = |text: &str| rate.seconds(Timecode::parse(text, rate).unwrap().frame() - start.frame());
        clips.push(Clip {
            from_s: record(columns[6]),
            to_s: record(columns[7]),
            source_s: rate.seconds(Timecode::parse(columns[4], rate).unwrap().frame()),
            name,
        });
    }
    clips
}

/// Where the clips that begin here may end that follow each other, and sound of one file on to within half a frame.
fn ends(clips: &[Clip], frame_s: f64) -> Vec<f64> {
    let goes_on = |w: &[Clip]| {
        let slip_s = w[1].source_s - w[0].source_s - (w[0].to_s - w[0].from_s);
        w[1].name == w[0].name && (w[1].from_s - w[0].to_s).abs() < 1e-6 && slip_s.abs() < 0.5 * frame_s
    };
    let more = clips.windows(2).take_while(|w| goes_on(w)).map(|w| w[1].to_s);
    clips.first().map(|c| c.to_s).into_iter().chain(more).collect()
}

fn rates() -> impl Strategy<Value = FrameRate> {
    prop::sample::select(vec![
        FrameRate::FPS_23_976,
        FrameRate::FPS_25,
        FrameRate::FPS_29_97,
        FrameRate::FPS_50,
        FrameRate::FPS_59_94,
    ])
}

/// Knots of chapters that follow each other, with drift, wander, jumps and gaps.
fn chapters() -> impl Strategy<Value = Vec<Vec<[f64; 2]>>> {
    let leg = (20.0..300.0f64, -150.0..150.0f64, prop_oneof![4 => Just(0.0), 1 => 0.02..2.0f64]);
    let chapter = (0.0..20.0f64, prop::collection::vec(leg, 1..5));
    (0.0..60.0f64, prop::collection::vec(chapter, 1..4)).prop_map(|(start_s, chapters)| {
        let mut at = start_s;
        chapters
            .into_iter()
            .map(|(gap_s, legs)| {
                at += gap_s;
                let mut knots = vec![[0.0, at]];
                for (i, (length_s, ppm, lost_s)) in legs.into_iter().enumerate() {
                    let [file, _] = knots[knots.len() - 1];
                    if i > 0 && lost_s > 0.0 {
                        at += lost_s;
                        knots.push([file, at]);
                    }
                    at += length_s * (1.0 + ppm * 1e-6);
                    knots.push([file + length_s, at]);
                }
                knots
            })
            .collect()
    })
}

fn shoots() -> impl Strategy<Value = Alignment> {
    (prop::collection::vec((rates(), chapters()), 1..4), chapters()).prop_map(|(cameras, recorder)| {
        let file = |path: String, knots: &Vec<[f64; 2]>, rate: Option<FrameRate>| {
            let duration_s = knots[knots.len() - 1][0];
            let mut file = json!({"path": path, "status": "placed", "reason": null, "duration_s": duration_s,
                "confidence": 1.0, "uncertainty_s": 0.0001, "offset_s": knots[0][1], "drift_ppm": 0.0, "knots": knots,
                "jumps": [], "sound": {"codec": "PCM", "rate_hz": 48000, "channels": 1}});
            if let Some(rate) = rate {
                file["picture"] = json!({"frame_rate": [rate.num(), rate.den()], "variable_rate": false,
                    "size": [320, 180], "start_s": 0.0, "duration_s": duration_s});
            }
            file
        };
        let mut recordings: Vec<Value> = cameras
            .iter()
            .enumerate()
            .map(|(c, (rate, chapters))| {
                let files = chapters.iter().enumerate().map(|(i, k)| file(format!("C{c}_{i:03}.MOV"), k, Some(*rate)));
                json!({"id": format!("cam-{c}"), "kind": "camera", "files": files.collect::<Vec<_>>()})
            })
            .collect();
        let files = recorder.iter().enumerate().map(|(i, k)| file(format!("R_{i:03}.WAV"), k, None));
        recordings.push(json!({"id": "rec-1", "kind": "recorder", "files": files.collect::<Vec<_>>()}));
        let alignment = json!({"schema": "coeval.alignment/1", "generator": {"name": "coeval", "version": "0"},
            "timeline": {"clock": "cam-0", "duration_s": 1.0}, "recordings": recordings, "pairs": []});
        Alignment::from_json(&alignment.to_string()).unwrap()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn formats_agree_with_the_alignment_and_with_each_other(alignment in shoots()) {
        let layout = Layout::of(&alignment).unwrap();
        let rate = layout.rate;
        let references = References::Absolute { media: "/shoot".into() };
        let otio: Value = serde_json::from_str(&to_otio(&alignment, "shoot", &references, &Extras::default()).unwrap()).unwrap();
        let tracks = otio["tracks"]["children"].as_array().unwrap();
        prop_assert_eq!(tracks.len(), layout.tracks.len());
        let start = Timecode::from_label([1, 0, 0, 0], rate, rate.counting()).unwrap();
        let options = ConformOptions::default();
        let conformed = plan(&alignment, &options).unwrap();
        let own_rate = |name: &str| {
            let picture = alignment.file(name).and_then(|f| f.picture.as_ref());
            picture.map_or(rate, |p| FrameRate::new(p.frame_rate[0], p.frame_rate[1]).unwrap())
        };
        for (track, laid) in tracks.iter().zip(&layout.tracks) {
            let in_otio = otio_clips(track);
            let mut covered_s = 0.0;
            for clip in &in_otio {
                let file = alignment.file(&clip.name).unwrap();
                let map = file.map().unwrap();
                let half_s = 0.5 * rate.frame_s().max(if file.picture.is_some() { own_rate(&clip.name).frame_s() } else { 0.0 });
                covered_s += clip.to_s - clip.from_s;
                // Every frame but those that touch a jump or an edge, where the map has two answers.
                let frames = (rate.frames(clip.from_s).round() as i64)..(rate.frames(clip.to_s).round() as i64);
                for k in frames {
                    let moment_s = rate.seconds(k);
                    let edge = map.knots().iter().any(|knot| (moment_s - knot.1).abs() < rate.frame_s());
                    let off_s = map.inverse(moment_s) - (clip.source_s + moment_s - clip.from_s);
                    prop_assert!(edge || off_s.abs() <= half_s + 1e-5, "{} s off at {} s of {}", off_s, moment_s, &clip.name);
                }
            }
            // All that the device recorded is there, but for the frames that each stretch's ends cut through: one at
            // either end, and one more where the last slip is ahead of the file's end.
            let files = &alignment.recording(&laid.recording).unwrap().files;
            let there_s: f64 = files.iter().filter_map(|f| f.map()).map(|m| {
                let knots = m.knots();
                knots[knots.len() - 1].1 - knots[0].1 - m.jumps().map(|j| j.1).sum::<f64>()
            }).sum();
            let stretches: usize = files.iter().filter_map(|f| f.map()).map(|m| 1 + m.jumps().count()).sum();
            let slack_s = 3.0 * stretches as f64 * rate.frame_s();
            prop_assert!((covered_s - there_s).abs() <= slack_s, "{} of {} s", covered_s, there_s);

            let lists = to_edl(&alignment, &layout, laid, "shoot", start, &conformed).unwrap();
            let in_edl: Vec<Clip> = lists.iter().flat_map(|l| edl_clips(l, rate, start)).collect();
            if alignment.file(&in_otio[0].name).unwrap().picture.is_some() {
                prop_assert_eq!(in_edl.len(), in_otio.len());
                for (a, b) in in_edl.iter().zip(&in_otio) {
                    prop_assert_eq!(&a.name, &b.name);
                    prop_assert!((a.from_s - b.from_s).abs() < 1e-6 && (a.to_s - b.to_s).abs() < 1e-6, "{:?} {:?}", a, b);
                    // A list counts its own frames: each source point is the nearest to the truth, as the timeline's is.
                    let own = own_rate(&a.name);
                    let map = alignment.file(&a.name).unwrap().map().unwrap();
                    let off_s = a.source_s - map.inverse(a.from_s).max(0.0);
                    let edge = map.knots().iter().any(|knot| (a.from_s - knot.1).abs() < rate.frame_s());
                    prop_assert!(edge || own == rate || off_s.abs() <= 0.5 * rate.frame_s() + 1e-5, "{} {:?} {:?}", off_s, a, b);
                    prop_assert!(own != rate || (a.source_s - b.source_s).abs() < 1e-6, "{:?} {:?}", a, b);
                }
            } else {
                // Conformed sound lies where its file does, in one event up to a jump's gap.
                let start_s = rate.seconds(start.frame());
                for a in &in_edl {
                    prop_assert!(a.name.ends_with(".on-timeline.wav"));
                    prop_assert!((a.source_s - start_s - a.from_s).abs() < 1e-6);
                }
                let length_s = |clips: &[Clip]| clips.iter().map(|c| c.to_s - c.from_s).sum::<f64>();
                prop_assert!((length_s(&in_edl) - covered_s).abs() < 1e-6);
                prop_assert!(in_edl.len() <= in_otio.len());
            }
        }
    }

    #[test]
    fn conformed_sound_lies_where_it_belongs(alignment in shoots()) {
        let layout = Layout::of(&alignment).unwrap();
        let rate = layout.rate;
        let start = Timecode::from_label([1, 0, 0, 0], rate, rate.counting()).unwrap();
        let mut options = ConformOptions::default();
        options.timeline_start_s = rate.seconds(start.frame());
        let all = plan(&alignment, &options).unwrap();
        let conformed: Vec<_> = all.iter().map(|c| (PathBuf::from("/out").join(&c.name), c.clone())).collect();
        let references = References::Absolute { media: "/shoot".into() };
        let extras = Extras { start: Some(start), conformed: &conformed, ..Default::default() };
        let otio: Value = serde_json::from_str(&to_otio(&alignment, "shoot", &references, &extras).unwrap()).unwrap();
        let tracks = otio["tracks"]["children"].as_array().unwrap();
        // On the timeline: exact to the sample, and as the list has it.
        let laid = layout.tracks.iter().position(|l| l.recording == "rec-1").unwrap();
        let in_otio = otio_clips(&tracks[laid]);
        let lists = to_edl(&alignment, &layout, &layout.tracks[laid], "shoot", start, &all).unwrap();
        let in_edl: Vec<Clip> = lists.iter().flat_map(|l| edl_clips(l, rate, start)).collect();
        prop_assert_eq!(in_otio.len(), in_edl.len());
        for (a, b) in in_otio.iter().zip(&in_edl) {
            let sound = all.iter().find(|c| c.name == a.name).unwrap();
            prop_assert!((sound.start_s + a.source_s - a.from_s).abs() <= 0.501 / 48_000.0, "{:?}", a);
            prop_assert!(a.source_s >= 0.0 && a.source_s + a.to_s - a.from_s <= sound.frames as f64 / 48_000.0 + 1e-6);
            // The time reference says what the list says.
            let reference_s = sound.time_reference as f64 / 48_000.0 + a.source_s;
            prop_assert!((reference_s - b.source_s).abs() <= 1.0001 / 48_000.0, "{} {:?}", reference_s, b);
            prop_assert!(a.name == b.name && (a.from_s - b.from_s).abs() < 1e-6 && (a.to_s - b.to_s).abs() < 1e-6);
        }
        // Under the clips: cut exactly as the camera's own sound.
        let picture_frame_s = |name: &str| {
            let rate = alignment.file(name).unwrap().picture.as_ref().unwrap().frame_rate;
            FrameRate::new(rate[0], rate[1]).unwrap().frame_s()
        };
        let mut under = 0;
        for track in tracks.iter().filter(|t| t["metadata"]["coeval"]["sound_of"].is_string()) {
            prop_assert_eq!(&track["enabled"], &Value::Bool(false));
            let camera = track["metadata"]["coeval"]["recording"].as_str().unwrap();
            let own = layout.tracks.iter().position(|l| l.recording == camera && l.content == Content::Sound).unwrap();
            let own = otio_clips(&tracks[own]);
            for clip in otio_clips(track) {
                let sound = all.iter().find(|c| c.name == clip.name).unwrap();
                let SoundPlacement::UnderClip(path) = &sound.placement else { panic!("{}", clip.name) };
                let first = own.iter().position(|o| o.name == *path && (o.from_s - clip.from_s).abs() < 1e-6).unwrap();
                let same = &own[first];
                prop_assert!((same.source_s - clip.source_s).abs() <= 0.501 / 48_000.0, "{:?} {:?}", same, clip);
                // The last picture is shown to its end, rounded to half a frame of the timeline; the sound has that
                // picture's share, of which a whole frame of the timeline may be missing.
                let short_s = picture_frame_s(path) + 1.5 * rate.frame_s();
                // A jump of less than half a frame may part the camera's own sound, and not what lies under its picture.
                let ends_s = ends(&own[first..], rate.frame_s().max(picture_frame_s(path)));
                let ends = |to_s: &f64| clip.to_s <= to_s + 1e-6 && clip.to_s > to_s - short_s;
                prop_assert!(ends_s.iter().any(ends), "{:?} {:?} {:?}", clip, same, ends_s);
                under += 1;
            }
        }
        prop_assert_eq!(under > 0, all.iter().any(|c| c.placement != SoundPlacement::OnTimeline));
    }
}
