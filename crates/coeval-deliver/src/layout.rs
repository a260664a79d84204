//! An alignment -> tracks of pieces on whole frames.
//!
//! Picture lies as [`frames`](crate::frames) lays it: never more than half a frame off. The sound of
//! a camera is cut exactly as its picture. Sound without picture starts on a frame too, but its
//! source point is exact to the sample; where its clock runs off it is slipped before it is half a
//! frame of the timeline out. A jump splits a file in two pieces; what the file lost is a gap, what
//! it repeated is left out.

use coeval::Result;
use coeval::clock::ClockMap;
use coeval_shoot::Alignment;
use coeval_shoot::alignment::{File, Picture, Recording};

use crate::frames::{
    FrameOptions, MOST_PIECES, PictureClip, PicturePiece, check_clock, first_beyond, on_frames, refuse,
};
use crate::timecode::FrameRate;

/// What a source is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SourceRate {
    /// Frames of its picture.
    Frames(FrameRate),
    /// Samples a second of its sound.
    Samples(u32),
}

impl SourceRate {
    /// Counts a second.
    pub fn hz(self) -> f64 {
        match self {
            SourceRate::Frames(rate) => rate.hz(),
            SourceRate::Samples(rate) => f64::from(rate),
        }
    }
}

/// What a track shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Content {
    /// Picture.
    Picture,
    /// Sound.
    Sound,
}

/// A stretch of one file on the timeline.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// The file's name in the alignment.
    pub path: String,
    /// First timeline frame.
    pub start: i64,
    /// Length in timeline frames, at least one.
    pub frames: i64,
    /// First frame or sample of the source: frames count from the first picture, samples from presentation zero.
    pub source_start: i64,
    /// What the source is counted in: frames for picture and the sound of cameras, else samples.
    pub source_rate: SourceRate,
    /// Length of the whole source.
    pub source_length: i64,
}

impl Piece {
    /// The first timeline frame after it.
    pub fn end(&self) -> i64 {
        self.start + self.frames
    }
}

/// Picture or sound of one recording: pieces in timeline order that do not overlap.
#[derive(Debug, Clone, PartialEq)]
pub struct TimelineTrack {
    /// Id of the recording.
    pub recording: String,
    /// Which of the files that its recorder wrote at once these are, from 0; 0 for all others.
    pub number: usize,
    /// Picture or sound.
    pub content: Content,
    /// Are these the files that are [to be checked](Alignment::is_doubtful)? They lie on no other track.
    pub doubtful: bool,
    /// The pieces.
    pub pieces: Vec<Piece>,
}

/// An alignment on whole frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// The timeline's frame rate: that of the reference clock's picture, else of the first camera's, else 25.
    pub rate: FrameRate,
    /// The reference clock's tracks first, then the others in the alignment's order, then those that are to be checked;
    /// those without a placed file are left out.
    pub tracks: Vec<TimelineTrack>,
}

impl TimelineTrack {
    /// What it is called: its recording, its number where there are several, and whether it is to be checked.
    pub fn name(&self) -> String {
        let number = if self.number > 0 { format!(" {}", self.number + 1) } else { String::new() };
        format!("{}{number}{}", self.recording, if self.doubtful { " to be checked" } else { "" })
    }
}

impl Layout {
    /// Puts an alignment on frames; of several events the first.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when picture or sound is longer than two days, its clock
    /// runs at less than 0.8 or more than 1.25 times the speed of the timeline, or all takes more than 100,000 pieces.
    pub fn of(alignment: &Alignment) -> Result<Self> {
        Self::with_dead_air(alignment, &[], &FrameOptions::default())
    }

    /// As [`of`](Self::of); slips of picture fall into the stretches of dead air `quiet` (`(from_s, to_s)` on the
    /// timeline) where `options` leave the choice.
    ///
    /// # Errors
    /// As for [`of`](Self::of).
    pub fn with_dead_air(alignment: &Alignment, quiet: &[(f64, f64)], options: &FrameOptions) -> Result<Self> {
        let first = alignment.first_event();
        let alignment: &Alignment = &first;
        let clock = alignment.recording(&alignment.timeline.clock);
        let others = alignment.recordings.iter().filter(|r| r.id != alignment.timeline.clock);
        let recordings: Vec<_> = clock.into_iter().chain(others).collect();
        let [num, den] = alignment.frame_rate();
        let rate = FrameRate::new(num, den).unwrap_or(FrameRate::FPS_25);
        let lay = |clip: &PictureClip<'_>| on_frames(clip, rate, quiet, options);
        let mut tracks = Vec::new();
        let mut pieces_before = 0;
        let parts = [false, true].into_iter().flat_map(|doubtful| recordings.iter().map(move |r| (*r, doubtful)));
        let parts =
            parts.flat_map(|(recording, doubtful)| stems(recording).into_iter().map(move |t| (recording, doubtful, t)));
        for (recording, doubtful, (number, files)) in parts {
            let files = files.into_iter().filter(|f| alignment.is_doubtful(f) == doubtful);
            let mut files: Vec<_> = files.filter_map(|f| Some((f, f.laid()?))).collect();
            files.sort_by(|(_, a), (_, b)| a.knots()[0].1.total_cmp(&b.knots()[0].1));
            for content in [Content::Picture, Content::Sound] {
                let mut pieces: Vec<Piece> = Vec::new();
                for (file, map) in &files {
                    // Chapters may overlap by a frame: the earlier one keeps it.
                    let free_from = pieces.last().map_or(0, Piece::end);
                    match (file.picture.as_ref().and_then(|p| Some((p, frame_rate(p)?))), &file.sound) {
                        (Some((picture, own)), sound) if content == Content::Picture || sound.is_some() => {
                            pieces.extend(picture_pieces(file, picture, own, map, free_from, &lay)?);
                        }
                        (None, Some(sound)) if content == Content::Sound && sound.rate_hz > 0 => {
                            pieces.extend(sound_pieces(file, map, sound.rate_hz, rate, free_from)?);
                        }
                        _ => {}
                    }
                    if pieces_before + pieces.len() > MOST_PIECES {
                        return refuse(
                            &file.path,
                            format!("this and what comes before take over {MOST_PIECES} pieces"),
                        );
                    }
                }
                pieces_before += pieces.len();
                if !pieces.is_empty() {
                    tracks.push(TimelineTrack { recording: recording.id.clone(), number, content, doubtful, pieces });
                }
            }
        }
        Ok(Self { rate, tracks })
    }
}

/// Files that follow each other: all first ones of those that were written at once, all second ones, and so on.
fn stems(recording: &Recording) -> Vec<(usize, Vec<&File>)> {
    let sets = recording.sets();
    let most = sets.iter().map(Vec::len).max().unwrap_or(0);
    (0..most).map(|track| (track, sets.iter().filter_map(|set| set.get(track).copied()).collect())).collect()
}

fn frame_rate(picture: &Picture) -> Option<FrameRate> {
    FrameRate::new(picture.frame_rate[0], picture.frame_rate[1]).ok()
}

fn picture_pieces(
    file: &File,
    picture: &Picture,
    own: FrameRate,
    map: &ClockMap,
    not_before: i64,
    lay: &dyn Fn(&PictureClip<'_>) -> Result<Vec<PicturePiece>>,
) -> Result<Vec<Piece>> {
    let count = own.frames(picture.duration_s).round().max(0.0) as u64;
    let clip = PictureClip { file: &file.path, map, rate: own, start_s: picture.start_s, frames: count, not_before };
    let laid = lay(&clip)?;
    let piece = |p: PicturePiece| Piece {
        path: p.file,
        start: p.record_in,
        frames: p.record_frames,
        source_start: p.source_in,
        source_rate: SourceRate::Frames(own),
        source_length: count as i64,
    };
    Ok(laid.into_iter().map(piece).collect())
}

/// Two moments closer than this, in frames, are one: rounding of the arithmetic itself.
const SAME: f64 = 1e-4;

fn sound_pieces(
    file: &File,
    whole_map: &ClockMap,
    sample_rate_hz: u32,
    rate: FrameRate,
    mut free_from: i64,
) -> Result<Vec<Piece>> {
    let knots = whole_map.knots();
    check_clock(&file.path, whole_map, knots[knots.len() - 1].0 - knots[0].0)?;
    let hz = f64::from(sample_rate_hz);
    let source_length = (file.duration_s.unwrap_or(0.0).max(0.0) * hz).round() as i64;
    let mut pieces = Vec::new();
    // Knots between two jumps; at a jump two knots share their file time.
    for run in file.knots.chunk_by(|a, b| a[0] < b[0]) {
        let Ok(map) = ClockMap::from_knots(run.iter().map(|k| (k[0], k[1])).collect()) else { continue };
        // Only frames that are full of sound; what a file repeated is left out.
        let first = ((rate.frames(run[0][1]) - SAME).ceil() as i64).max(free_from);
        let end = (rate.frames(run[run.len() - 1][1]) + SAME).floor() as i64;
        let source_at = |frame: i64| map.inverse(rate.seconds(frame)) * hz;
        let bends = || run.iter().map(|k| rate.frames(k[1]).ceil() as i64);
        let mut start = first;
        while start < end && pieces.len() <= MOST_PIECES {
            let source_start = (source_at(start).round() as i64).clamp(0, source_length);
            let played = |frame: i64| source_start as f64 + rate.seconds(frame - start) * hz;
            let half_a_frame = 0.5 * rate.frame_s() * hz;
            let runs_off = |frame: i64| (source_at(frame) - played(frame)).abs() > half_a_frame;
            let next = first_beyond(start + 1, end, bends(), runs_off).unwrap_or(end);
            // At the file's end there may be a frame too few.
            let left = rate.frames((source_length - source_start) as f64 / hz) + SAME;
            if left < 1.0 {
                break;
            }
            let frames = (next - start).min(left.floor() as i64);
            free_from = start + frames;
            pieces.push(Piece {
                path: file.path.clone(),
                start,
                frames,
                source_start,
                source_rate: SourceRate::Samples(sample_rate_hz),
                source_length,
            });
            start = next;
        }
    }
    Ok(pieces)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Main camera at 30000/1001, a second camera at 25 with a jump, a recorder at 44.1 kHz.
    pub(crate) fn example() -> Alignment {
        let json = r#"{"schema": "coeval.alignment/1", "generator": {"name": "coeval", "version": "0.1.0"},
         "timeline": {"clock": "cam-a", "duration_s": 200.0},
         "recordings": [
          {"id": "cam-b", "kind": "camera", "files": [
            {"path": "b/C 1.MP4", "status": "placed", "reason": null, "duration_s": 100.0, "confidence": 1.0,
             "uncertainty_s": 0.0001, "offset_s": 30.003, "drift_ppm": 0.0,
             "knots": [[0.0, 30.003], [40.0, 70.003], [40.0, 70.503], [100.0, 130.503]],
             "jumps": [{"file_s": 40.0, "lost_s": 0.5}],
             "picture": {"frame_rate": [25, 1], "variable_rate": false, "size": [320, 180], "start_s": 0.0, "duration_s": 100.0},
             "sound": {"codec": "AAC-LC", "rate_hz": 48000, "channels": 2}}]},
          {"id": "cam-a", "kind": "camera", "files": [
            {"path": "A_1.MOV", "status": "placed", "reason": null, "duration_s": 81.081, "confidence": 1.0,
             "uncertainty_s": 0.0, "offset_s": 12.012, "drift_ppm": 0.0, "knots": [[0.0, 12.012], [81.081, 93.093]], "jumps": [],
             "picture": {"frame_rate": [30000, 1001], "variable_rate": false, "size": [320, 180], "start_s": 0.0, "duration_s": 81.081},
             "sound": {"codec": "AAC-LC", "rate_hz": 48000, "channels": 2}},
            {"path": "A_2.MOV", "status": "placed", "reason": null, "duration_s": 81.081, "confidence": 1.0,
             "uncertainty_s": 0.0, "offset_s": 93.093, "drift_ppm": 0.0, "knots": [[0.0, 93.093], [81.081, 174.174]], "jumps": [],
             "picture": {"frame_rate": [30000, 1001], "variable_rate": false, "size": [320, 180], "start_s": 0.0, "duration_s": 81.081},
             "sound": {"codec": "AAC-LC", "rate_hz": 48000, "channels": 2}}]},
          {"id": "rec-1", "kind": "recorder", "files": [
            {"path": "R.FLAC", "status": "placed", "reason": null, "duration_s": 199.0, "confidence": 1.0,
             "uncertainty_s": 0.0001, "offset_s": 0.01, "drift_ppm": 50.0, "knots": [[0.0, 0.01], [199.0, 199.01995]], "jumps": [],
             "sound": {"codec": "FLAC", "rate_hz": 44100, "channels": 1}}]},
          {"id": "cam-c", "kind": "camera", "files": [
            {"path": "X.MP4", "status": "unplaced", "reason": "no common sound", "duration_s": 10.0, "confidence": null,
             "uncertainty_s": null, "offset_s": null, "drift_ppm": null, "knots": [], "jumps": []}]}],
         "pairs": []}"#;
        Alignment::from_json(json).unwrap()
    }

    fn track<'a>(layout: &'a Layout, recording: &str, content: Content) -> &'a [Piece] {
        &layout.tracks.iter().find(|l| l.recording == recording && l.content == content).unwrap().pieces
    }

    #[test]
    fn the_clock_comes_first_and_lies_on_its_own_frames() {
        let layout = Layout::of(&example()).unwrap();
        assert_eq!(layout.rate, FrameRate::FPS_29_97);
        let order: Vec<_> = layout.tracks.iter().map(|l| (l.recording.as_str(), l.content)).collect();
        use Content::{Picture, Sound};
        let expected = [("cam-a", Picture), ("cam-a", Sound), ("cam-b", Picture), ("cam-b", Sound), ("rec-1", Sound)];
        assert_eq!(order, expected);
        for content in [Picture, Sound] {
            let pieces = track(&layout, "cam-a", content);
            // 12.012 s are 360 frames of 1001/30000 s, 81.081 s are 2430.
            assert_eq!(pieces.iter().map(|p| (p.start, p.frames)).collect::<Vec<_>>(), [(360, 2430), (2790, 2430)]);
            assert!(pieces.iter().all(|p| p.source_start == 0 && p.source_length == 2430));
        }
    }

    #[test]
    fn what_is_to_be_checked_has_lanes_of_its_own() {
        let mut alignment = example();
        alignment.recordings[1].files[1].confidence = Some(0.98);
        let layout = Layout::of(&alignment).unwrap();
        let tracks: Vec<_> = layout.tracks.iter().map(|l| (l.name(), l.pieces.len())).collect();
        let name = |text: &str| text.to_owned();
        let checked = name("cam-a to be checked");
        assert_eq!(tracks[..2], [(name("cam-a"), 1), (name("cam-a"), 1)]);
        assert_eq!(tracks[5..], [(checked.clone(), 1), (checked, 1)]);
        assert!(layout.tracks[5].pieces[0].path == "A_2.MOV" && layout.tracks[0].pieces[0].path == "A_1.MOV");
        // The user's own word is not doubted.
        let anchor = r#"[{"a": "A_2.MOV", "a_s": 1, "b": "R.FLAC", "b_s": 2, "hard": true, "used": true,
            "uncertainty_s": 0.01, "disagreement_s": null, "misfit_s": null, "contradicted": false}]"#;
        alignment.anchors = serde_json::from_str(anchor).unwrap();
        assert!(Layout::of(&alignment).unwrap().tracks.iter().all(|l| !l.doubtful));
    }

    #[test]
    fn a_jump_is_a_split_with_a_gap() {
        let layout = Layout::of(&example()).unwrap();
        let pieces = track(&layout, "cam-b", Content::Picture);
        assert_eq!(pieces.len(), 2);
        // 30.003 s is frame 899.19, 70.003 is 2097.99, 70.503 is 2112.98, 130.503 is 3911.18 at 29.97.
        assert_eq!(pieces.iter().map(|p| (p.start, p.end())).collect::<Vec<_>>(), [(899, 2098), (2113, 3911)]);
        // Frame 2113 is 70.5038 s, which is file time 40.0008: source frame 1000 at 25.
        assert_eq!((pieces[0].source_start, pieces[1].source_start), (0, 1000));
        assert_eq!(track(&layout, "cam-b", Content::Sound), pieces);
    }

    #[test]
    fn repeated_sound_is_left_out_once() {
        let mut alignment = example();
        let file = &mut alignment.recordings[0].files[0];
        file.knots = vec![[0.0, 30.0], [40.0, 70.0], [40.0, 69.0], [100.0, 129.0]];
        let layout = Layout::of(&alignment).unwrap();
        let pieces = track(&layout, "cam-b", Content::Picture);
        assert_eq!(pieces[1].start, pieces[0].end());
        // At timeline 70 s the second stretch is at file time 41 s.
        assert_eq!(pieces[1].source_start, 41 * 25);
    }

    /// A chapter that begins within a frame of the one before gives that frame up; what it shows then is chosen anew.
    #[test]
    fn a_chapter_that_gives_up_a_frame_is_still_within_half_a_frame() {
        for own in [[24_000, 1001], [25, 1], [50, 1], [60_000, 1001]] {
            for step in 0..40 {
                let mut alignment = example();
                let own_frame_s = f64::from(own[1]) / f64::from(own[0]);
                let (length_s, offset_s) = (500.0 * own_frame_s, 30.0 + 0.002 * f64::from(step));
                let first = &mut alignment.recordings[0].files[0];
                (first.duration_s, first.knots) =
                    (Some(length_s), vec![[0.0, offset_s], [length_s, offset_s + length_s]]);
                first.jumps.clear();
                let picture = first.picture.as_mut().unwrap();
                (picture.frame_rate, picture.duration_s) = (own, length_s);
                let mut second = first.clone();
                second.path = "b/C 2.MP4".into();
                second.knots.iter_mut().for_each(|k| k[1] += length_s - 0.3 * own_frame_s);
                let map = second.map().unwrap();
                // Out of order, as a folder may list them.
                alignment.recordings[0].files.insert(0, second);
                let layout = Layout::of(&alignment).unwrap();
                let pieces = track(&layout, "cam-b", Content::Picture);
                assert!(pieces.windows(2).all(|w| w[1].start >= w[0].end()));
                let half_s = 0.5 * own_frame_s.max(layout.rate.frame_s());
                let of_second: Vec<_> = pieces.iter().filter(|p| p.path == "b/C 2.MP4").collect();
                assert!(!of_second.is_empty());
                for k in of_second.iter().flat_map(|p| p.start..p.end()) {
                    let piece = of_second.iter().find(|p| k < p.end()).unwrap();
                    let shown_s = piece.source_start as f64 * own_frame_s + layout.rate.seconds(k - piece.start);
                    let off_s = map.forward(shown_s) - layout.rate.seconds(k);
                    assert!(off_s.abs() <= half_s + 1e-6, "{own:?}, step {step}: {off_s} s off at frame {k}");
                }
            }
        }
    }

    #[test]
    fn recorder_sound_is_exact_to_the_sample_at_a_frame() {
        let alignment = example();
        let layout = Layout::of(&alignment).unwrap();
        let [piece] = track(&layout, "rec-1", Content::Sound) else { panic!("one piece") };
        let file = alignment.file("R.FLAC").unwrap();
        let true_start = file.map().unwrap().inverse(layout.rate.seconds(piece.start));
        assert_eq!(piece.start, 1);
        assert!((piece.source_start as f64 / 44100.0 - true_start).abs() <= 0.5 / 44100.0);
        assert!(layout.rate.seconds(piece.end()) <= 199.01995);
    }

    #[test]
    fn an_hour_at_85_ppm_is_slipped_and_never_more_than_half_a_frame_off() {
        let mut alignment = example();
        alignment.recordings[1].files[0].picture.as_mut().unwrap().frame_rate = [25, 1];
        let file = &mut alignment.recordings[0].files[0];
        // 306 ms in the hour are 7.65 frames.
        (file.duration_s, file.knots) = (Some(3600.0), vec![[0.0, 5.0], [3600.0, 3605.306]]);
        file.jumps.clear();
        file.picture.as_mut().unwrap().duration_s = 3600.0;
        let map = file.map().unwrap();
        let worst_s = |pieces: &[Piece], rate: FrameRate| {
            let off = |p: &Piece, k: i64| {
                let shown_s = p.source_start as f64 / p.source_rate.hz() + rate.seconds(k - p.start);
                (map.inverse(rate.seconds(k)) - shown_s).abs()
            };
            pieces.iter().flat_map(|p| (p.start..p.end()).map(move |k| off(p, k))).fold(0.0, f64::max)
        };
        let layout = Layout::of(&alignment).unwrap();
        let pieces = track(&layout, "cam-b", Content::Picture);
        assert_eq!(pieces.len(), 9);
        let worst = worst_s(pieces, layout.rate);
        assert!((0.0199..=0.020_001).contains(&worst), "{worst}");
        assert!(
            pieces
                .windows(2)
                .all(|w| w[1].start == w[0].end() && w[1].source_start == w[0].source_start + w[0].frames - 1)
        );
        assert_eq!(track(&layout, "cam-b", Content::Sound), pieces);

        // With 5 ms to spare each slip has 118 s to fall into dead air: a second in every forty here.
        let quiet: Vec<(f64, f64)> = (0..92).map(|i| (40.0 * f64::from(i), 40.0 * f64::from(i) + 1.0)).collect();
        let options = FrameOptions::default().allowing(0.005);
        let layout = Layout::with_dead_air(&alignment, &quiet, &options).unwrap();
        let pieces = track(&layout, "cam-b", Content::Picture);
        assert_eq!(pieces.len(), 9);
        assert!(worst_s(pieces, layout.rate) <= 0.025_001);
        assert!(pieces[1..].iter().all(|p| layout.rate.seconds(p.start) % 40.0 <= 1.0), "{pieces:?}");
    }

    #[test]
    fn sound_that_no_clock_explains_is_refused() {
        let sound = |knots: Vec<[f64; 2]>, duration_s: f64| {
            let mut alignment = example();
            let file = &mut alignment.recordings[0].files[0];
            (file.knots, file.duration_s, file.picture) = (knots, Some(duration_s), None);
            file.jumps.clear();
            Layout::of(&alignment)
        };
        for (knots, what) in [
            // These took memory without an end.
            (vec![[0.0, 3.5], [20.0, 23.5], [20.0, 23.62], [50.0, 5.4e117]], "times the speed"),
            (vec![[0.0, 0.0], [1e9, 1e9]], "two days"),
            (vec![[0.0, 0.0], [10.0, 10.0], [20.0, 5.0], [30.0, 15.0]], "times the speed"),
            // Half a frame in every five: 35 million pieces.
            (vec![[0.0, 0.0], [172_800.0, 214_000.0]], "over 100000 pieces"),
        ] {
            let length_s = knots[knots.len() - 1][0];
            let refused = sound(knots, length_s).unwrap_err();
            assert!(refused.message().contains(what), "{refused}");
            assert!(refused.path().is_some());
        }
        // A length below zero is none: there is no sound to lay.
        let none = sound(vec![[0.0, 3.5], [20.0, 23.5]], -20.0).unwrap();
        assert!(none.tracks.iter().all(|l| l.recording != "cam-b"));
    }

    use proptest::prelude::*;

    /// A file of `duration_s` whose clock drifts, bends and perhaps jumps.
    fn knots(offset_s: f64, ppm: f64, bend_ppm: f64, jump_s: f64, duration_s: f64) -> Vec<[f64; 2]> {
        let (middle, end) = (0.4 * duration_s, duration_s);
        let at_middle = offset_s + middle * (1.0 + ppm * 1e-6);
        let mut knots = vec![[0.0, offset_s], [middle, at_middle]];
        if jump_s != 0.0 {
            knots.push([middle, at_middle + jump_s]);
        }
        knots.push([end, at_middle + jump_s + (end - middle) * (1.0 + (ppm + bend_ppm) * 1e-6)]);
        knots
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        /// Wherever a piece plays, it plays what belongs there, to half a frame (of the longer, for picture).
        #[test]
        fn every_moment_is_within_half_a_frame(
            offset_s in 0.0..100.0f64,
            ppm in -300.0..300.0f64,
            bend_ppm in -50.0..50.0f64,
            jump_s in prop_oneof![Just(0.0), 0.02..2.0f64, -2.0..-0.02f64],
            duration_s in 2.0..1500.0f64,
            own in prop_oneof![Just([25u32, 1u32]), Just([30_000, 1001]), Just([50, 1]), Just([24_000, 1001])],
            is_camera in any::<bool>(),
        ) {
            let mut alignment = example();
            let frames = (duration_s * f64::from(own[0]) / f64::from(own[1])).floor();
            let duration_s = frames * f64::from(own[1]) / f64::from(own[0]);
            let file = &mut alignment.recordings[0].files[0];
            file.knots = knots(offset_s, ppm, bend_ppm, jump_s, duration_s);
            file.duration_s = Some(duration_s);
            let picture = file.picture.as_mut().unwrap();
            (picture.frame_rate, picture.duration_s) = (own, duration_s);
            if !is_camera {
                file.picture = None;
            }
            let (name, pairs) = (file.path.clone(), file.knots.clone());
            let layout = Layout::of(&alignment).unwrap();
            let pieces = track(&layout, "cam-b", Content::Sound);
            // A run of knots at a time: at a jump the later one holds.
            let runs: Vec<ClockMap> = pairs
                .chunk_by(|a, b| a[0] < b[0])
                .map(|run| ClockMap::from_knots(run.iter().map(|k| (k[0], k[1])).collect()).unwrap())
                .collect();
            let own_frame_s = f64::from(own[1]) / f64::from(own[0]);
            let half_s = 0.5 * if is_camera { layout.rate.frame_s().max(own_frame_s) } else { layout.rate.frame_s() };
            let mut played = 0;
            for piece in pieces {
                prop_assert_eq!(&piece.path, &name);
                prop_assert!(piece.start >= 0 && piece.frames > 0 && piece.source_start >= 0);
                played += piece.frames;
                for frame in [piece.start, piece.start + piece.frames / 2, piece.end() - 1] {
                    let moment_s = layout.rate.seconds(frame);
                    let source_s = piece.source_start as f64 / piece.source_rate.hz() + layout.rate.seconds(frame - piece.start);
                    // Where a repeated stretch overlaps, either of its places is right.
                    let off = runs.iter().map(|m| (m.forward(source_s) - moment_s).abs()).fold(f64::INFINITY, f64::min);
                    prop_assert!(off <= half_s * 1.001 + 1e-6, "{off} s off at frame {frame} of {piece:?}");
                }
            }
            // All of the timeline that it covers is there, but for parts of frames at both ends and at the jump.
            let whole = layout.rate.frames(pairs[pairs.len() - 1][1] - offset_s - jump_s.max(0.0));
            prop_assert!(played as f64 > whole - 4.0, "{played} of {whole} frames");
        }
    }
}
