//! Clips on frames: which picture frame stands on which frame of the timeline.
//!
//! Sound can be stretched, picture cannot: a clip lies on whole frames of the timeline, and plays at
//! its own speed. Where its clock runs off it is split, and the next piece slipped by whole frames,
//! so that no picture is ever more than half a frame from its moment. What is left over, the
//! [`residual`](PicturePiece::first_residual_s), is what conformed sound takes up.

use coeval::clock::ClockMap;
use coeval::resample::{Leg, Route};
use coeval::{Error, ErrorKind, Result};

use crate::timecode::FrameRate;

/// The picture of one file, and where its clock lies.
#[derive(Debug, Clone, Copy)]
pub struct PictureClip<'a> {
    /// Name of the file.
    pub file: &'a str,
    /// From the file's presentation time to timeline time.
    pub map: &'a ClockMap,
    /// Frame rate (fps); the mean where frames differ in length.
    pub rate: FrameRate,
    /// Where the picture starts on the file's presentation time, seconds.
    pub start_s: f64,
    /// Length of the picture, frames.
    pub frames: u64,
    /// The first timeline frame that is free: an earlier clip may reach a frame into this one.
    pub not_before: i64,
}

/// A part of a clip that lies unbroken on the timeline.
#[derive(Debug, Clone, PartialEq)]
pub struct PicturePiece {
    /// Name of the file.
    pub file: String,
    /// First frame shown, counted in the file's own frames from its first picture.
    pub source_in: i64,
    /// How many of the file's frames are used, counted from `source_in`.
    pub source_frames: i64,
    /// Timeline frame on which it starts.
    pub record_in: i64,
    /// Length on the timeline, timeline frames.
    pub record_frames: i64,
    /// Timeline moment of `record_in` minus the moment to which the first picture belongs, seconds:
    /// positive where the picture is shown late.
    pub first_residual_s: f64,
    /// The same at the last timeline frame of the piece.
    pub last_residual_s: f64,
    /// The largest of these in the whole piece, without sign, seconds.
    pub worst_residual_s: f64,
    /// Why it starts here.
    pub begins: Begins,
}

/// Why a piece starts where it does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Begins {
    /// The clip starts here.
    WithClip,
    /// The clock had run off; slipped in dead air.
    SlippedInDeadAir,
    /// The clock had run off; no dead air was near enough.
    Slipped,
    /// The file jumps here: it lost or repeated time.
    AtJump,
}

/// How clips are laid on frames.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[non_exhaustive]
pub struct FrameOptions {
    /// How much further than half a frame the picture may be off, seconds, if that lets a slip fall
    /// into dead air. 0 by default. Between a clip and a timeline of one frame rate half a frame
    /// leaves no choice of moment: a slip is due exactly when the clock is half a frame off.
    pub allowance_s: f64,
}

impl FrameOptions {
    /// Sets [`allowance_s`](Self::allowance_s).
    #[must_use]
    pub fn allowing(mut self, allowance_s: f64) -> Self {
        self.allowance_s = allowance_s;
        self
    }
}

/// A longer file is none that a device made, seconds.
const LONGEST_S: f64 = 2.0 * 86_400.0;
/// A thousand hours of material at 100 ppm and 60 fps slip 22,000 times.
pub(crate) const MOST_PIECES: usize = 100_000;

pub(crate) fn refuse<T>(file: &str, what: String) -> Result<T> {
    Err(Error::new(ErrorKind::InvalidArgument, what).with_path(file).with_remedy("align again without this file"))
}

/// Refuses a file of `length_s` that nobody could lay on frames, before time and memory go into it.
pub(crate) fn check_clock(file: &str, map: &ClockMap, length_s: f64) -> Result<()> {
    if length_s.is_nan() || length_s > LONGEST_S {
        return refuse(file, format!("a clip of {length_s} s is longer than two days"));
    }
    let legs = map.knots().windows(2).filter(|w| w[1].0 > w[0].0);
    let mut speeds = legs.map(|w| (w[1].0 - w[0].0) / (w[1].1 - w[0].1));
    match speeds.find(|speed| !(0.8..=1.25).contains(speed)) {
        Some(speed) => refuse(file, format!("its clock runs at {speed} times the speed of the timeline")),
        None => Ok(()),
    }
}

/// The first frame of `from..to` at which `beyond` holds, where `beyond` asks whether a quantity lies outside limits
/// that is a straight line between one of `bends` (ascending) and the next: once outside, it stays there that long.
pub(crate) fn first_beyond(
    from: i64,
    to: i64,
    bends: impl IntoIterator<Item = i64>,
    beyond: impl Fn(i64) -> bool,
) -> Option<i64> {
    let mut start = from;
    for end in bends.into_iter().filter(|&k| k > from && k < to).chain([to]) {
        if start >= end {
            continue;
        }
        if beyond(start) {
            return Some(start);
        }
        if beyond(end - 1) {
            let (mut within, mut outside) = (start, end - 1);
            while outside - within > 1 {
                let middle = within + (outside - within) / 2;
                if beyond(middle) { outside = middle } else { within = middle }
            }
            return Some(outside);
        }
        start = end;
    }
    None
}

/// Lays a clip on the frames of a timeline with `sequence` fps.
///
/// `quiet` holds stretches of dead air on the timeline, `(from_s, to_s)`, in any order. Half a frame
/// is half of the longer of both frames, the clip's and the timeline's. Pieces come in timeline
/// order and do not overlap, none before the clip's `not_before`; a clip shorter than half a frame has
/// none.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) when the clip is longer than two days, its clock
/// runs at less than 0.8 or more than 1.25 times the speed of the timeline, or it takes more than 100,000 pieces.
pub fn on_frames(
    clip: &PictureClip<'_>,
    sequence: FrameRate,
    quiet: &[(f64, f64)],
    options: &FrameOptions,
) -> Result<Vec<PicturePiece>> {
    let length_s = clip.rate.seconds(clip.frames.min(i64::MAX as u64) as i64);
    check_clock(clip.file, clip.map, length_s)?;
    if !clip.start_s.is_finite() {
        return refuse(clip.file, format!("its picture starts at {} s", clip.start_s));
    }
    if options.allowance_s.is_nan() || options.allowance_s < 0.0 {
        let what = format!("allowance_s is {}, which is below zero or no number", options.allowance_s);
        return Err(Error::new(ErrorKind::InvalidArgument, what));
    }
    let route = Route::onto_timeline(clip.map);
    let spans = continuous_spans(&route, clip, length_s, sequence);
    let mut pieces = Vec::new();
    for (i, span) in spans.iter().enumerate() {
        let begins = if i == 0 { Begins::WithClip } else { Begins::AtJump };
        lay(clip, sequence, span, begins, quiet, options, &mut pieces);
        if pieces.len() > MOST_PIECES {
            return refuse(clip.file, format!("its clock runs off by a frame more than {MOST_PIECES} times"));
        }
    }
    Ok(pieces)
}

/// Timeline frames over which a clip's time runs on without a jump.
struct ContinuousSpan {
    from: i64,
    to: i64,
    legs: Vec<Leg>,
}

impl ContinuousSpan {
    /// The picture frame, with its fraction, that belongs to a timeline moment.
    fn ideal(&self, clip: &PictureClip<'_>, moment_s: f64) -> f64 {
        let after = self.legs.partition_point(|l| l.from_s <= moment_s);
        let leg = &self.legs[after.saturating_sub(1)];
        clip.rate.frames(leg.source_s + (moment_s - leg.at_s) * leg.speed - clip.start_s)
    }

    /// The frames at which a leg begins, to a frame.
    fn bends(&self, sequence: FrameRate) -> impl Iterator<Item = i64> + '_ {
        self.legs.iter().map(move |l| sequence.frames(l.from_s).ceil() as i64)
    }
}

fn continuous_spans(route: &Route, clip: &PictureClip<'_>, length_s: f64, sequence: FrameRate) -> Vec<ContinuousSpan> {
    let end_s = clip.start_s + length_s;
    let mut out: Vec<ContinuousSpan> = Vec::new();
    for leg in route.legs() {
        // Only where there is picture.
        let when = |source_s: f64| leg.at_s + (source_s - leg.source_s) / leg.speed;
        let from_s = leg.from_s.max(when(clip.start_s));
        let to_s = leg.to_s.min(when(end_s));
        if to_s <= from_s {
            continue;
        }
        let (from, to) = (sequence.frames(from_s).round() as i64, sequence.frames(to_s).round() as i64);
        let from = from.max(clip.not_before);
        // A jump of less than a thousandth of a frame is a knot.
        let runs_on = out.last().and_then(|s| s.legs.last()).is_some_and(|last| {
            let before = last.source_s + (leg.from_s - last.at_s) * last.speed;
            let after = leg.source_s + (leg.from_s - leg.at_s) * leg.speed;
            last.to_s == leg.from_s && clip.rate.frames(before - after).abs() < 1e-3
        });
        match out.last_mut() {
            Some(span) if runs_on => {
                span.to = to;
                span.legs.push(*leg);
            }
            _ => out.push(ContinuousSpan { from, to, legs: vec![*leg] }),
        }
    }
    out.retain(|s| s.to > s.from);
    out
}

/// Cuts one span into pieces, [`MOST_PIECES`] and one at the most.
fn lay(
    clip: &PictureClip<'_>,
    sequence: FrameRate,
    span: &ContinuousSpan,
    mut begins: Begins,
    quiet: &[(f64, f64)],
    options: &FrameOptions,
    pieces: &mut Vec<PicturePiece>,
) {
    let ratio = clip.rate.hz() / sequence.hz();
    // Distances in frames of the clip. The rounding of seconds in f64 stays below a millionth.
    let half = 0.5 * ratio.max(1.0) + 1e-6;
    let limit = half + options.allowance_s * clip.rate.hz();
    let last_frame = clip.frames as i64 - 1;
    let ideal = |k: i64| span.ideal(clip, sequence.seconds(k));
    let nearest = |k: i64| (ideal(k).round() as i64).clamp(0, last_frame);
    let mut at = span.from;
    let mut source_in = nearest(at);
    while at < span.to && pieces.len() <= MOST_PIECES {
        let shown = |k: i64| source_in as f64 + (k - at) as f64 * ratio;
        let late = |k: i64| ideal(k) - shown(k);
        let (next, source_next, begins_next) =
            match first_beyond(at + 1, span.to, span.bends(sequence), |k| late(k).abs() > limit) {
                None => (span.to, 0, begins),
                Some(due) => {
                    let side = late(due).signum();
                    // What the next piece would show first if it began at `k`: half a frame further on
                    // at least, so that the slip is one, and near enough to the truth.
                    let candidate = |k: i64| {
                        let slipped = ((shown(k) * side + 0.5 - 1e-6).ceil() * side) as i64;
                        let best = if side > 0.0 { nearest(k).max(slipped) } else { nearest(k).min(slipped) };
                        (best <= last_frame && best >= 0 && (ideal(k) - best as f64).abs() <= limit).then_some(best)
                    };
                    let mut earliest = due;
                    while earliest - 1 > at && candidate(earliest - 1).is_some() {
                        earliest -= 1;
                    }
                    // Without dead air: where more than half a frame is passed.
                    let plain = (earliest..due).find(|&k| late(k).abs() > half).unwrap_or(due);
                    let in_quiet = quiet
                        .iter()
                        .filter_map(|&(from_s, to_s)| {
                            let from = (sequence.frames(from_s).ceil() as i64).max(earliest);
                            let to = (sequence.frames(to_s).floor() as i64).min(due);
                            (from <= to).then(|| plain.clamp(from, to))
                        })
                        .min_by_key(|&k| k.abs_diff(plain));
                    let next = in_quiet.unwrap_or(plain);
                    let begins = if in_quiet.is_some() { Begins::SlippedInDeadAir } else { Begins::Slipped };
                    (next, candidate(next).unwrap_or_else(|| nearest(next)), begins)
                }
            };
        // At the end of the file there may be a frame too few.
        let there = ((last_frame + 1 - source_in) as f64 / ratio - 1e-6).ceil() as i64;
        let record_frames = (next - at).min(there);
        if record_frames > 0 {
            let residual_s = |k: i64| late(k) / clip.rate.hz();
            let last = at + record_frames - 1;
            pieces.push(PicturePiece {
                file: clip.file.to_owned(),
                source_in,
                source_frames: ((record_frames as f64 * ratio - 1e-6).ceil() as i64).min(last_frame + 1 - source_in),
                record_in: at,
                record_frames,
                first_residual_s: residual_s(at),
                last_residual_s: residual_s(last),
                // A line is furthest from zero at its ends.
                worst_residual_s: (span.bends(sequence).filter(|&k| k > at && k <= last))
                    .flat_map(|k| [k - 1, k])
                    .chain([at, last])
                    .map(|k| residual_s(k).abs())
                    .fold(0.0, f64::max),
                begins,
            });
        }
        (at, source_in, begins) = (next, source_next, begins_next);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn clip(map: &ClockMap, rate: FrameRate, seconds: f64) -> PictureClip<'_> {
        let frames = rate.frames(seconds).round() as u64;
        PictureClip { file: "CAM_B_001.MOV", map, rate, start_s: 0.0, frames, not_before: i64::MIN }
    }

    #[test]
    fn a_clip_on_the_timeline_clock_is_one_piece() {
        let map = ClockMap::linear(2.4, 0.0, 60.0);
        let pieces =
            on_frames(&clip(&map, FrameRate::FPS_25, 60.0), FrameRate::FPS_25, &[], &Default::default()).unwrap();
        assert_eq!(pieces.len(), 1);
        let p = &pieces[0];
        assert_eq!((p.source_in, p.source_frames, p.record_in, p.record_frames), (0, 1500, 60, 1500));
        assert!(p.worst_residual_s < 1e-9);
    }

    #[test]
    fn what_is_left_of_a_frame_is_the_residual() {
        // 0.4 of a frame late: shown 16 ms early, that is, the picture belongs 16 ms later.
        let map = ClockMap::linear(10.0 + 0.016, 0.0, 10.0);
        let pieces =
            on_frames(&clip(&map, FrameRate::FPS_25, 10.0), FrameRate::FPS_25, &[], &Default::default()).unwrap();
        assert_eq!((pieces[0].record_in, pieces[0].record_frames), (250, 250));
        assert!((pieces[0].first_residual_s + 0.016).abs() < 1e-9);
    }

    #[test]
    fn a_sliding_clock_is_slipped_one_frame_at_a_time() {
        // 100 ppm over an hour: 0.36 s, nine frames of 40 ms.
        let map = ClockMap::linear(0.0, 100.0, 3600.0);
        let pieces =
            on_frames(&clip(&map, FrameRate::FPS_25, 3600.0), FrameRate::FPS_25, &[], &Default::default()).unwrap();
        assert_eq!(pieces.len(), 10);
        for w in pieces.windows(2) {
            assert_eq!(w[1].record_in, w[0].record_in + w[0].record_frames);
            // A slow clock: a frame is shown twice at each slip.
            assert_eq!(w[1].source_in, w[0].source_in + w[0].record_frames - 1);
            assert_eq!(w[1].begins, Begins::Slipped);
            assert!((w[0].last_residual_s.abs() - 0.02).abs() < 1e-4, "{}", w[0].last_residual_s);
        }
    }

    #[test]
    fn dead_air_draws_the_slip_where_there_is_choice() {
        let map = ClockMap::linear(0.0, 100.0, 900.0);
        // Due at 200 s and 600 s; dead air is somewhat earlier, later, and far away.
        let quiet = [(150.0, 160.0), (640.0, 650.0), (300.0, 350.0)];
        let lay = |allowance_s: f64| {
            let options = FrameOptions::default().allowing(allowance_s);
            on_frames(&clip(&map, FrameRate::FPS_25, 900.0), FrameRate::FPS_25, &quiet, &options).unwrap()
        };
        let strict = lay(0.0);
        assert!(strict.iter().all(|p| p.worst_residual_s <= 0.02 + 1e-6));
        assert!(strict[1..].iter().all(|p| p.begins == Begins::Slipped));
        let wide = lay(0.01);
        assert_eq!(wide.len(), 3);
        assert!(wide[1..].iter().all(|p| p.begins == Begins::SlippedInDeadAir));
        assert!((150..=160).contains(&(wide[1].record_in / 25)) && (640..=650).contains(&(wide[2].record_in / 25)));
        assert!(wide.iter().all(|p| p.worst_residual_s <= 0.03 + 1e-6));
        // Fifty pictures a second on a timeline of 25: half a timeline frame is a whole picture, so there is choice.
        let fine =
            on_frames(&clip(&map, FrameRate::FPS_50, 900.0), FrameRate::FPS_25, &[(0.0, 900.0)], &Default::default())
                .unwrap();
        assert!(fine.len() > 2 && fine[1..].iter().all(|p| p.begins == Begins::SlippedInDeadAir));
        assert!(fine.iter().all(|p| p.worst_residual_s <= 0.02 + 1e-6));
    }

    #[test]
    fn lost_time_is_a_gap_and_repeated_time_is_cut() {
        let lost = ClockMap::from_knots(vec![(0.0, 0.0), (10.0, 10.0), (10.0, 11.0), (20.0, 21.0)]).unwrap();
        let pieces =
            on_frames(&clip(&lost, FrameRate::FPS_25, 20.0), FrameRate::FPS_25, &[], &Default::default()).unwrap();
        assert_eq!(pieces.len(), 2);
        assert_eq!((pieces[0].record_in, pieces[0].record_frames), (0, 250));
        assert_eq!((pieces[1].source_in, pieces[1].record_in, pieces[1].record_frames), (250, 275, 250));
        assert_eq!(pieces[1].begins, Begins::AtJump);
        let repeated = ClockMap::from_knots(vec![(0.0, 0.0), (10.0, 10.0), (10.0, 9.0), (20.0, 19.0)]).unwrap();
        let pieces =
            on_frames(&clip(&repeated, FrameRate::FPS_25, 20.0), FrameRate::FPS_25, &[], &Default::default()).unwrap();
        assert_eq!((pieces[1].source_in, pieces[1].record_in, pieces[1].record_frames), (275, 250, 225));
    }

    #[test]
    fn refuses_what_is_no_clock() {
        let twice = ClockMap::linear(0.0, 1e6, 10.0);
        assert!(
            on_frames(&clip(&twice, FrameRate::FPS_25, 10.0), FrameRate::FPS_25, &[], &Default::default()).is_err()
        );
        let map = ClockMap::linear(0.0, 0.0, 10.0);
        let endless = PictureClip { frames: u64::MAX, ..clip(&map, FrameRate::FPS_25, 1.0) };
        assert!(on_frames(&endless, FrameRate::FPS_25, &[], &Default::default()).is_err());
        let empty = PictureClip { frames: 0, ..clip(&map, FrameRate::FPS_25, 1.0) };
        assert!(on_frames(&empty, FrameRate::FPS_25, &[], &Default::default()).unwrap().is_empty());
    }

    #[test]
    fn endless_slips_are_refused_at_once() {
        // Two days at 1000 fps, running off by a frame every fifth: 35 million pieces.
        let rate = FrameRate::new(1000, 1).unwrap();
        let started = std::time::Instant::now();
        let off = ClockMap::linear(0.0, 240_000.0, 172_800.0);
        let refused = on_frames(&clip(&off, rate, 172_800.0), rate, &[], &Default::default()).unwrap_err();
        assert!(refused.message().contains("more than 100000 times"), "{refused}");
        // A clock that is only bad has its thousand slips.
        let bad = ClockMap::linear(0.0, 5.8, 172_800.0);
        let pieces = on_frames(&clip(&bad, rate, 172_800.0), rate, &[], &Default::default()).unwrap();
        assert!((990..1010).contains(&pieces.len()), "{}", pieces.len());
        assert!(started.elapsed().as_secs() < 10, "{:?}", started.elapsed());
    }

    proptest! {
        /// Halving finds what trying every frame finds.
        #[test]
        fn the_first_frame_beyond_is_found(
            from in -50i64..50,
            legs in prop::collection::vec((0i64..200, -2.0..2.0f64), 1..6),
            jumps in prop::collection::vec(-9.0..9.0f64, 6),
            limit in 0.1..30.0f64,
            beyond_the_bends in 0i64..20,
        ) {
            let mut bends = vec![from];
            legs.iter().for_each(|l| bends.push(bends[bends.len() - 1] + l.0));
            let to = bends[bends.len() - 1] + beyond_the_bends;
            let value = |k: i64| {
                let leg = (bends.partition_point(|&b| b <= k) - 1).min(legs.len() - 1);
                jumps[leg] + legs[leg].1 * (k - bends[leg]) as f64
            };
            let beyond = |k: i64| value(k).abs() > limit;
            let expected = (from..to).find(|&k| beyond(k));
            prop_assert_eq!(first_beyond(from, to, bends.iter().copied(), beyond), expected);
        }
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

    /// Maps with drift, wander and jumps, over the length of the file.
    fn maps() -> impl Strategy<Value = (ClockMap, f64)> {
        let leg = (1.0..400.0f64, -1200.0..1200.0f64, prop_oneof![4 => Just(0.0), 1 => -3.0..3.0f64]);
        (-5.0..500.0f64, prop::collection::vec(leg, 1..8)).prop_map(|(offset_s, legs)| {
            let mut knots = vec![(0.0, offset_s)];
            for (i, (length_s, ppm, jump_s)) in legs.iter().enumerate() {
                let (file, at) = knots[knots.len() - 1];
                if i > 0 && *jump_s != 0.0 {
                    knots.push((file, at + jump_s));
                }
                let (file, at) = knots[knots.len() - 1];
                knots.push((file + length_s, at + length_s * (1.0 + ppm * 1e-6)));
            }
            let length_s = knots[knots.len() - 1].0;
            (ClockMap::from_knots(knots).unwrap(), length_s)
        })
    }

    /// Whether a file jumps back to before its own start.
    fn repeats_all(map: &ClockMap) -> bool {
        map.knots().iter().any(|k| k.1 < map.knots()[0].1)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(96))]
        #[test]
        fn picture_is_never_more_than_half_a_frame_off(
            (map, length_s) in maps(),
            rate in rates(),
            sequence in rates(),
            start_s in prop_oneof![Just(0.0), 0.0..0.5f64],
            quiet in prop::collection::vec((0.0..2500.0f64, 0.0..60.0f64), 0..40),
            allowance_s in prop_oneof![2 => Just(0.0), 1 => 0.0..0.02f64],
            taken in prop_oneof![2 => Just(None), 1 => (-40i64..10).prop_map(Some)],
        ) {
            let frames = rate.frames(length_s - start_s).floor() as u64;
            let begins = sequence.frames(map.forward(start_s)).round() as i64;
            let not_before = taken.map_or(i64::MIN, |k| begins + k);
            let clip = PictureClip { file: "a.mov", map: &map, rate, start_s, frames, not_before };
            let quiet: Vec<(f64, f64)> = quiet.into_iter().map(|(from, length)| (from, from + length)).collect();
            let options = FrameOptions::default().allowing(allowance_s);
            let pieces = on_frames(&clip, sequence, &quiet, &options).unwrap();
            prop_assert!(!pieces.is_empty());
            // Half a frame of the timeline is as much longer in the file as its clock counts more.
            let fastest = map.knots().windows(2).filter(|w| w[1].1 > w[0].1)
                .map(|w| (w[1].0 - w[0].0) / (w[1].1 - w[0].1)).fold(1.0, f64::max);
            let half_s = 0.5 * rate.frame_s().max(sequence.frame_s()) * fastest;
            let mut free_from = not_before;
            let mut covered = 0;
            for p in &pieces {
                prop_assert!(p.record_in >= free_from && p.record_frames > 0);
                prop_assert!(p.source_in >= 0 && p.source_in + p.source_frames <= frames as i64);
                free_from = p.record_in + p.record_frames;
                covered += p.record_frames;
                for k in p.record_in..free_from {
                    // By the map alone, not by what the plan says about itself. Within a frame of a jump, and
                    // before the start of a file that repeats more than came before, the map has two answers.
                    let shown_s = start_s + rate.seconds(p.source_in) + sequence.seconds(k - p.record_in);
                    let moment_s = sequence.seconds(k);
                    let off_s = map.inverse(moment_s) - shown_s;
                    let near_jump = map.knots().windows(2).filter(|w| w[0].0 == w[1].0)
                        .flat_map(|w| [w[0].1, w[1].1])
                        .any(|jump_s| (moment_s - jump_s).abs() < sequence.frame_s())
                        || repeats_all(&map) && (0.0..sequence.frame_s()).contains(&(map.knots()[0].1 - moment_s));
                    // After the last picture comes none that would be nearer: it is shown for all of its own time.
                    let is_last = rate.frames(shown_s - start_s) + 1e-6 >= frames as f64 - 1.0;
                    let bound_s = if is_last { half_s.max(rate.frame_s()) } else { half_s };
                    prop_assert!(near_jump || off_s.abs() <= bound_s + allowance_s + 1e-6, "{} s off at frame {}", off_s, k);
                    prop_assert!(near_jump || off_s.abs() <= p.worst_residual_s + 1e-6);
                }
            }
            // All of the picture's timeline is covered, but for a frame at each edge.
            let there = (pieces[0].record_in..free_from)
                .filter(|k| {
                    let file_s = map.inverse(sequence.seconds(*k));
                    let lost = map.jumps().any(|j| j.0 == file_s);
                    !lost && file_s >= start_s && file_s < start_s + rate.seconds(frames as i64)
                })
                .count() as i64;
            let edges = 2 * (1 + map.jumps().count() as i64);
            prop_assert!((covered - there).abs() <= edges, "{} of {} frames", covered, there);
        }
    }
}
