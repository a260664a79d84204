//! Timecode as evidence: where it places files that nothing else places, and what it says against the sound.

use coeval::clock::ClockMap;
use coeval::pair::{Evidence, PairAlignment, PairOutcome};

use crate::alignment::{Alignment, EvidenceKind, File, PlacedBy};
use crate::compare::Compared;
use crate::headers::Probed;
use crate::ltc::Read;
use crate::solve::Solved;
use crate::sound::Analysed;

/// Devices that are set to one timecode agree to half a frame, one standard deviation (common practice, no source).
const HALF: f64 = 0.5;
/// How sure a place by timecode alone is, and where timecode of other files is known to be wrong (own choice).
const SURE: f64 = 0.99;
const UNSURE: f64 = 0.9;
/// Timecode that differs from the sound by more is said, seconds: a frame of 24 a second, rounded up.
const SAID_S: f64 = 0.05;
/// Differences within so many seconds are one clock's.
const ONE_CLOCK_S: f64 = 1.0;

/// Clocks' rates are compared over more than so many seconds.
const DRIFT_FROM_S: f64 = 10.0;

/// Two files that ran at one time by timecode: their first and last moment in common, in seconds of each.
type Meeting = (usize, usize, (f64, f64), (f64, f64));

/// The timecode in a file's sound.
fn of(heard: &Analysed) -> Option<&Read> {
    heard.as_ref().ok()?.as_ref()?.ltc.as_ref()
}

/// Takes timecode in sound for the files' own. A label in the headers stays: programs find the file by it.
pub(crate) fn carry(probed: &mut [Probed], heard: &[Analysed]) {
    for (probed, heard) in probed.iter_mut().zip(heard) {
        let (Ok(info), Some(read)) = (&mut probed.info, of(heard)) else { continue };
        info.timecode_s = Some(read.zero_s());
        let counts_alike = info
            .picture
            .as_ref()
            .is_none_or(|p| p.frame_rate[1] > 0 && p.frame_rate[0].div_ceil(p.frame_rate[1]) == u32::from(read.fps));
        if info.timecode.is_none() && counts_alike {
            info.timecode = Some(read.first.clone());
        }
    }
}

/// Pairs by timecode in sound, for files that have no place.
pub(crate) fn place(
    solved: &Solved,
    probed: &[Probed],
    heard: &[Analysed],
    recording: impl Fn(usize) -> Option<usize>,
) -> Vec<Compared> {
    let with: Vec<(usize, &Read)> = heard.iter().enumerate().filter_map(|(f, h)| Some((f, of(h)?))).collect();
    // How far timecode is off where sound can tell.
    let told = with.iter().filter_map(|(f, _)| difference_s(solved.alignment.file(&probed[*f].name)?));
    let off = told.fold((0.0, 0.0), |(l, h): (f64, f64), d| (l.min(d), h.max(d)));
    let off_s = off.1 - off.0;
    let mut meetings = Vec::new();
    for (i, &(a, x)) in with.iter().enumerate() {
        for &(b, y) in &with[i + 1..] {
            if x.told.rate == y.told.rate && recording(a) != recording(b) {
                let mut met = y.points.iter().filter_map(|&[b_s, day_s]| Some((x.file_s(day_s)?, b_s)));
                let first = met.next();
                let last = met.next_back().or(first);
                meetings.extend(first.zip(last).map(|(first, last)| (a, b, first, last)));
            }
        }
    }
    // Each file is held by one pair, since its own timecode errs alike against all others: with one that has a place, for
    // as long as possible. Events stay apart, whatever their timecode says.
    let placed = |f: usize| solved.maps[f].is_some();
    let long_s = |m: &Meeting| m.3.1 - m.2.1;
    meetings.sort_by(|p, q| {
        let with_placed = |m: &Meeting| placed(m.0) || placed(m.1);
        with_placed(q).cmp(&with_placed(p)).then(long_s(q).total_cmp(&long_s(p))).then((p.0, p.1).cmp(&(q.0, q.1)))
    });
    let mut set: Vec<usize> = (0..heard.len()).map(|f| solved.events[f].map_or(f, |e| heard.len() + e)).collect();
    let mut pairs = Vec::new();
    for meeting in meetings {
        let (a, b, first, last) = meeting;
        let (keep, drop) = (set[a].max(set[b]), set[a].min(set[b]));
        if keep == drop || drop >= heard.len() {
            continue;
        }
        set.iter_mut().filter(|s| **s == drop).for_each(|s| *s = keep);
        let drift_ppm = match long_s(&meeting) {
            long if long > DRIFT_FROM_S => ((last.0 - first.0) / long - 1.0) * 1e6,
            _ => 0.0,
        };
        let map = ClockMap::linear(first.0 - first.1 * (1.0 + drift_ppm * 1e-6), drift_ppm, solved.lengths_s[b]);
        let frame_s = of(&heard[a]).map_or(0.0, Read::frame_s);
        let sigma_s = (HALF * frame_s).max(off_s);
        // Two readings of one offset: together they are as exact as one.
        let evidence = [first, last].map(|(a_s, b_s)| Evidence { a_s, b_s, sigma_s: sigma_s * 2f64.sqrt() });
        let mut pair = PairAlignment::from_parts(map, evidence.to_vec(), Vec::new());
        pair.confidence = if off_s > frame_s { UNSURE } else { SURE };
        pair.uncertainty_s = sigma_s;
        pair.overlap_s = long_s(&meeting);
        let mut compared = Compared::new(a, b, PairOutcome::Placed(Box::new(pair)));
        compared.by = EvidenceKind::Timecode;
        pairs.push(compared);
    }
    pairs
}

fn difference_s(file: &File) -> Option<f64> {
    let agreement = &file.proof.as_ref()?.agreement;
    agreement.iter().find(|a| a.by == EvidenceKind::Timecode).map(|a| a.difference_s)
}

/// Says what timecode says: where it alone placed a file, where it could not, and where the sound contradicts it.
pub(crate) fn say(alignment: &mut Alignment, probed: &[Probed], heard: &[Analysed], compared: &[Compared]) {
    for (f, probed) in probed.iter().enumerate() {
        let Some(read) = of(&heard[f]) else { continue };
        let mut files = alignment.recordings.iter_mut().flat_map(|r| &mut r.files);
        let Some(file) = files.find(|x| x.path == probed.name) else { continue };
        file.ltc = Some(read.told.clone());
        if !read.told.also.is_empty() {
            let also: Vec<String> = read.told.also.iter().map(usize::to_string).collect();
            let (s, verb) = if also.len() == 1 { ("", "carries") } else { ("s", "carry") };
            file.warnings.push(format!(
                "channel{s} {} {verb} timecode too; that of channel {} is used",
                also.join(" and "),
                read.told.channel
            ));
        }
        let mine = compared.iter().filter(|c| (c.a == f || c.b == f) && c.is_placed());
        let (by_timecode, others): (Vec<_>, Vec<_>) = mine.partition(|c| c.by == EvidenceKind::Timecode);
        if file.is_placed() && !by_timecode.is_empty() && others.is_empty() {
            file.placed_by = Some(PlacedBy::Timecode);
            file.warnings.push(format!(
                "placed by the timecode in its sound, to within about {:.0} ms, not by other sound",
                file.uncertainty_s.unwrap_or(HALF * read.frame_s()) * 1e3
            ));
        } else if let (Some(reason), true) = (&mut file.reason, read.alone) {
            *reason = format!(
                "its sound is only timecode ({} on channel {}), and no other file with timecode in its sound overlaps it; \
                 place it by hand",
                read.told.first, read.told.channel
            );
        }
    }
    for recording in &mut alignment.recordings {
        let by_sound = |f: &File| f.placed_by.is_none().then(|| difference_s(f)).flatten();
        let off: Vec<f64> = recording.files.iter().filter_map(by_sound).collect();
        let (low, high) = off.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), d| (l.min(*d), h.max(*d)));
        let Some(file) = recording.files.iter_mut().find(|f| by_sound(f).is_some()) else { continue };
        let limit_s = SAID_S + 3.0 * file.uncertainty_heard_s().unwrap_or(0.0);
        let several = if off.len() > 1 {
            format!("; this holds for all {} files of its recording", off.len())
        } else {
            String::new()
        };
        if high - low > ONE_CLOCK_S {
            let (low, high) = (in_words(low), in_words(high));
            file.warnings.push(format!(
                "the timecode of its recording is not one clock: compared with the sound, it puts one file {low} and another {high}"
            ));
        } else if low.abs().max(high.abs()) > limit_s {
            let off = in_words((low + high) / 2.0);
            file.warnings.push(format!("its timecode puts it {off} than its sound does{several}"));
        }
    }
}

fn in_words(off_s: f64) -> String {
    let side = if off_s < 0.0 { "earlier" } else { "later" };
    match off_s.abs() {
        short if short < 1.0 => format!("{short:.3} s {side}"),
        long => format!("{long:.1} s {side}"),
    }
}
