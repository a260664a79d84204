//! Edit lists: which stretches of the media are presented, and when.

use super::boxes::{Movie, TrackBox};
use crate::track::Segment;

/// `ticks` of a clock of `timescale` Hz in frames of `rate` Hz, to the nearest.
pub(super) fn to_frames(ticks: i64, rate: u64, timescale: u64) -> i64 {
    let (ticks, rate, timescale) = (i128::from(ticks), i128::from(rate), i128::from(timescale.max(1)));
    let frames = (2 * ticks * rate + timescale).div_euclid(2 * timescale);
    frames.clamp(i128::from(i64::MIN / 4), i128::from(i64::MAX / 4)) as i64
}

/// The edit list in frames of presentation and media. Without one, the media is presented from its zero.
pub(super) fn segments(
    t: &TrackBox,
    movie: &Movie,
    rate: u64,
    media_end: i64,
    warnings: &mut Vec<String>,
) -> Vec<Segment> {
    let movie_scale = u64::from(movie.timescale);
    let timescale = u64::from(t.timescale);
    let plain = |len: i64| vec![Segment { start: 0, len: len.max(0) as u64, media_start: 0 }];
    if t.edits.is_empty() {
        return plain(media_end);
    }
    let mut out: Vec<Segment> = Vec::new();
    let mut at_ticks: u64 = 0;
    let last = t.edits.len() - 1;
    for (i, &(ticks, media_time, speed)) in t.edits.iter().enumerate() {
        let start = to_frames(at_ticks.min(i64::MAX as u64) as i64, rate, movie_scale).max(0) as u64;
        at_ticks = at_ticks.saturating_add(ticks);
        if media_time < 0 {
            continue;
        }
        let media_start = to_frames(media_time, rate, timescale);
        let mut end = to_frames(at_ticks.min(i64::MAX as u64) as i64, rate, movie_scale).max(0) as u64;
        if speed == 0 {
            warnings.push("an edit freezes the sound; this part is read as silence".into());
            continue;
        } else if speed != 0x1_0000 {
            warnings.push("an edit changes the speed of the sound; it is read at its normal speed".into());
        }
        let left = (media_end - media_start).max(0) as u64;
        // Fragmented files state a length of 0 for "to the end". The movie's clock is often as coarse as
        // a millisecond: within a tick of the media's end, the media's end is meant.
        let tick = rate.div_ceil(movie_scale.max(1)).max(1);
        if i == last && (ticks == 0 || end.abs_diff(start + left) <= tick) {
            end = start + left;
        }
        out.push(Segment { start, len: end.saturating_sub(start).min(left), media_start });
    }
    if out.iter().all(|s| s.len == 0) {
        warnings.push("the edit list contains no sound; the edit list was ignored".into());
        return plain(media_end);
    }
    out
}
