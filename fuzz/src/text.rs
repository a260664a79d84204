//! What people and programs write: anchors, edit lists, JSON, timecode.

use std::path::{Path, PathBuf};

use coeval_cut::edits::{edit_list, read_edit_list, read_edit_list_of};
use coeval_cut::mix::MixLevels;
use coeval_cut::tighten::{Facts, TightenOptions, plan};
use coeval_cut::voices::SpeechMap;
use coeval_deliver::edl::to_edl;
use coeval_deliver::layout::Layout;
use coeval_deliver::lists::{chapters, marks, marks_csv, marks_webvtt};
use coeval_deliver::otio::{Extras, References, to_otio};
use coeval_deliver::report::{Report, page};
use coeval_deliver::rough;
use coeval_deliver::timecode::{Counting, FrameRate, Timecode};
use coeval_shoot::conform::{self, ConformOptions};
use coeval_shoot::listen::{by_hand, couples};
use coeval_shoot::{Alignment, At, read_anchors};

use crate::feed::Feed;

/// Anchors as TOML and as JSON, and a moment by itself.
pub fn anchors(data: &[u8]) {
    let dir = tempfile::tempdir().expect("a folder to fuzz with");
    for name in ["anchors.toml", "anchors.json"] {
        let path = dir.path().join(name);
        std::fs::write(&path, data).expect("room for it");
        match read_anchors(&path) {
            Ok(anchors) => {
                for anchor in anchors {
                    for at in [anchor.a_at, anchor.b_at] {
                        let _ = at.to_string();
                    }
                }
            }
            Err(e) => assert!(e.path() == Some(path.as_path()), "{e}"),
        }
    }
    if let Ok(text) = std::str::from_utf8(data)
        && let Ok(at) = text.parse::<At>()
    {
        match (at.to_string().parse::<At>(), at) {
            (Ok(At::Seconds(again)), At::Seconds(s)) => {
                assert!((again - s).abs() <= 1e-3 + 1e-12 * s || s > 1e15, "{s} {again}")
            }
            (Ok(again), at) => assert_eq!(again, at),
            (Err(_), At::Seconds(s)) => assert!(s > 1e9, "{s} is not read back"),
            (Err(e), at) => panic!("{at:?}: {e}"),
        }
    }
}

/// `edits.txt`: what is read is written and read again as the same.
pub fn edits(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match read_edit_list(text) {
        Ok(plan) => {
            plan.check().expect("a list that was read holds together");
            let again = read_edit_list(&edit_list(&plan)).expect("what was written is read");
            assert_eq!(again, plan);
            assert!(plan.shown_frames() >= 0 && plan.shown_s().is_finite());
            plan.kept();
        }
        Err(e) => assert!(e.message().starts_with("line "), "{e}"),
    }
}

/// An alignment; behind a zero byte a speech map, an edit list, a `plan.json`. What follows from them is made.
pub fn json(data: &[u8]) {
    let mut texts = data.split(|&b| b == 0).map(|part| std::str::from_utf8(part).unwrap_or_default());
    let Ok(alignment) = Alignment::from_json(texts.next().unwrap_or_default()) else { return };
    let again = alignment.to_json().expect("JSON has finite numbers only");
    assert_eq!(Alignment::from_json(&again).expect("what was written is read"), alignment);
    let [num, den] = alignment.frame_rate();
    assert!(num > 0 && den > 0);
    for couple in couples(&alignment) {
        by_hand(&alignment, &couple);
    }
    let conformed = conform::plan(&alignment, &ConformOptions::default()).unwrap_or_default();
    deliver(&alignment, &conformed);

    let speech = texts.next().unwrap_or_default();
    let _ = SpeechMap::is_speech_map(speech);
    let Some(map) = SpeechMap::from_json(speech, &alignment) else { return };
    map.to_json().expect("JSON has finite numbers only");
    let facts = Facts::of(&alignment, &map, Vec::new());
    let options = [TightenOptions::default(), {
        let mut short = TightenOptions::default();
        short.target_s = Some(60.0);
        short.pass_from_s = Some(5.0);
        short
    }];
    for options in options {
        let Ok(cut) = plan(&facts, &options) else { continue };
        cut.check().expect("a plan holds together");
        let list = edit_list(&cut);
        if let Err(e) = read_edit_list_of(&list, &alignment) {
            panic!("its own list: {e}\n{list}");
        }
        let _ = MixLevels::default().ducking(&cut, &facts.voices);
    }
    if let Some(edits) = texts.next() {
        let _ = read_edit_list_of(edits, &alignment);
    }
    if let Some(plan) = texts.next() {
        let out = tempfile::tempdir().expect("a folder to fuzz with");
        std::fs::write(out.path().join("plan.json"), plan).expect("room for it");
        let _ = rough::check_folder(out.path(), None);
    }
}

fn deliver(alignment: &Alignment, conformed: &[conform::Conformed]) {
    let Ok(layout) = Layout::of(alignment) else { return };
    let marks = [marks(alignment, &[]), chapters(alignment)].concat();
    let Ok(start) = Timecode::from_label([1, 0, 0, 0], layout.rate, layout.rate.counting()) else { return };
    let references = References::Relative { media: PathBuf::from("/media"), timeline: PathBuf::from("/media/out") };
    let extras = Extras { start: Some(start), marks: &marks, ..Extras::default() };
    let _ = to_otio(alignment, "fuzz", &references, &extras);
    for track in &layout.tracks {
        let _ = to_edl(alignment, &layout, track, "fuzz", start, conformed);
    }
    marks_csv(&marks, start);
    marks_webvtt(&marks, 1.0);
    let marks = &marks;
    let report = Report {
        title: "fuzz",
        alignment,
        layout: &layout,
        start,
        measured: &[],
        checks: &[],
        maps: &[],
        pictures: &Default::default(),
        marks,
        others: &[],
    };
    let page = page(&report).expect("no input can make the template fail");
    // The only script is the report's own.
    assert_eq!(page.matches("<script").count(), 1, "a second script");
    let _ = Path::new("/media");
}

/// Timecode labels, frames and rates.
pub fn timecode(data: &[u8]) {
    let mut feed = Feed::new(data);
    let rates = [(30_000, 1001), (60_000, 1001), (24, 1), (25, 1), (24_000, 1001), (30, 1), (feed.u32(), feed.u32())];
    let (num, den) = rates[feed.below(rates.len())];
    let Ok(rate) = FrameRate::new(num, den) else { return };
    let frame = feed.u64() as i64;
    for counting in [rate.counting(), Counting::NonDropFrame, Counting::DropFrame] {
        if let Ok(timecode) = Timecode::from_frame(frame % 10_000_000, rate, counting) {
            let label = timecode.label();
            let text = timecode.to_string();
            let parsed = Timecode::parse(&text, rate).unwrap_or_else(|e| panic!("{text}: {e}"));
            assert_eq!(parsed.label(), label, "{text}");
            let again = Timecode::from_label(label, rate, counting).unwrap_or_else(|e| panic!("{label:?}: {e}"));
            assert_eq!(again.label(), label);
        }
        if let Ok(timecode) = Timecode::from_frame(frame, rate, counting) {
            timecode.plus(feed.u64() as i64).label();
        }
        let label = [feed.u32(), feed.u32(), feed.u32(), feed.u32()];
        let _ = Timecode::from_label(label, rate, counting);
        let small = label.map(|n| n % 64);
        let _ = Timecode::from_label(small, rate, counting);
    }
    let _ = Timecode::parse(&feed.text(), rate);
}
