//! Chapters that carry each other: a chapter that has no evidence of its own lies between its neighbours.
//!
//! Devices start a file where the last one ended. A gap between two chapters is thus at most a frame with probability
//! [`SEAMLESS`], and otherwise lies anywhere up to the longest ([`LONGEST_GAP_S`], or what the files' times leave). Where
//! both neighbours have a place, the free time between them is known. It is shared out so that the first gaps are none;
//! the uncertainty is what remains open. Where only one neighbour has a place, the gaps stay unknown, and the
//! uncertainty grows with every chapter.
//!
//! Only a take carries its chapters. Times, or the user's word, make one. Names alone do not: clips whose counters run on
//! look the same. They count where the chapter fits between its neighbours to a tenth of a second. At an end of a take they
//! count where other chapters were measured to follow each other, and the file before the joint is as long as the
//! longest two: a device splits its files at one length, and a shorter one was the last of its take.

use coeval::clock::ClockMap;
use coeval::network::Placement;
use coeval::pair::Stretch;

use crate::chapters::{Group, LONGEST_GAP_S, Tie};

/// Probability that a chapter starts within a frame of where the one before ends. A guess: most devices do.
const SEAMLESS: f64 = 0.95;
/// A frame, seconds; the error where a gap is none.
const FRAME_S: f64 = 0.04;
/// What fits to this much fits: a frame at either end and rounded lengths, seconds.
const FITS_S: f64 = 0.1;
/// Chapters may overlap by this much, the error of extrapolated drift included, seconds.
const OVERLAP_S: f64 = 0.5;
/// Chapters that a device split are equally long to this part.
const FULL: f64 = 0.99;
/// Probability that a file is of this take at all, where times or the user say so, and where only names and a fit do.
/// Guesses.
const OF_TAKE: f64 = 0.98;
const OF_TAKE_BY_NAMES: f64 = 0.95;
/// Creation times count whole seconds, some even ones.
const DATE_S: f64 = 2.0;

/// What is known of a file before its neighbours are asked.
pub(crate) enum Known<'a> {
    /// It has a place of its own, in this event.
    Placed(&'a Placement, usize),
    /// It has none, and is so long, seconds.
    Open(f64),
    /// Nothing can be said of it.
    Nothing,
}

/// The place of a file by its neighbours.
#[derive(Debug, Clone)]
pub(crate) struct Carried {
    pub(crate) file: usize,
    pub(crate) event: usize,
    pub(crate) placement: Placement,
}

/// Places what its take carries. `known` answers for the files of the group.
pub(crate) fn carried<'a>(group: &Group, known: impl Fn(usize) -> Known<'a>) -> Vec<Carried> {
    let files: Vec<Known<'a>> = group.files.iter().map(|&f| known(f)).collect();
    let seamless = measured_seamless(&files);
    let length_s = |k: &Known<'a>| match k {
        Known::Placed(p, _) => p.map.knots()[p.map.knots().len() - 1].0,
        Known::Open(s) => *s,
        Known::Nothing => 0.0,
    };
    let full_s = FULL * files.iter().map(length_s).fold(0.0, f64::max);
    let splits = seamless && files.iter().filter(|k| length_s(k) >= full_s).count() > 1;
    // Does the file at this place go on in the next, as far as names tell?
    let goes_on = |i: usize| group.ties[i] != Tie::Names || splits && length_s(&files[i]) >= full_s;
    let mut out = Vec::new();
    let mut i = 0;
    while i < files.len() {
        let Known::Open(_) = files[i] else {
            i += 1;
            continue;
        };
        let first = i;
        while matches!(files.get(i), Some(Known::Open(_))) {
            i += 1;
        }
        let mut run = first..i;
        let before = first.checked_sub(1).and_then(|p| placed(&files[p]));
        let after = files.get(i).and_then(placed);
        // The joints before, between and after them that exist.
        let ties = &group.ties[first.saturating_sub(1)..i.min(group.ties.len())];
        let take = Take { by_names: ties.contains(&Tie::Names) };
        match (before, after) {
            (Some(_), None) => run.end = run.clone().find(|&k| !goes_on(k - 1)).unwrap_or(run.end),
            (None, Some(_)) => run.start = run.clone().rev().find(|&k| !goes_on(k)).map_or(run.start, |k| k + 1),
            _ => {}
        }
        let lengths_s: Vec<f64> = files[run.clone()].iter().map(length_s).collect();
        let places = match (before, after) {
            (Some(before), Some(after)) if before.1 == after.1 => take.between(before.0, after.0, &lengths_s),
            (Some(_), Some(_)) | (None, None) => None,
            (Some(before), None) => Some(take.after(before.0, &lengths_s, ties)),
            (None, Some(after)) => Some(take.before(after.0, &lengths_s, ties)),
        };
        let Some(event) = before.or(after).map(|p| p.1) else { continue };
        for (k, placement) in places.into_iter().flatten().enumerate() {
            out.push(Carried { file: group.files[run.start + k], event, placement });
        }
    }
    out
}

fn placed<'a>(known: &Known<'a>) -> Option<(&'a Placement, usize)> {
    match known {
        Known::Placed(placement, event) => Some((placement, *event)),
        _ => None,
    }
}

fn start_s(p: &Placement) -> f64 {
    p.map.knots()[0].1
}

fn end_s(p: &Placement) -> f64 {
    p.map.knots()[p.map.knots().len() - 1].1
}

/// Do two chapters of the take, each with a place of its own, follow each other without a gap?
fn measured_seamless(files: &[Known<'_>]) -> bool {
    files.windows(2).filter_map(|w| Some((placed(&w[0])?, placed(&w[1])?))).any(|(a, b)| {
        let sigma_s = a.0.ends_uncertainty_s[1].hypot(b.0.ends_uncertainty_s[0]);
        a.1 == b.1 && sigma_s < FITS_S && (start_s(b.0) - end_s(a.0)).abs() < FITS_S
    })
}

struct Take {
    by_names: bool,
}

impl Take {
    fn confidence(&self) -> f64 {
        if self.by_names { OF_TAKE_BY_NAMES } else { OF_TAKE }
    }

    /// A file that starts at a moment of the timeline.
    fn place(&self, at_s: f64, length_s: f64, by: &Placement, sure: f64, sigma_s: f64) -> Placement {
        let drift_ppm = by.map.drift_ppm();
        let end_s = sigma_s.hypot(by.drift_sigma_ppm * 1e-6 * length_s);
        let confidence = sure * self.confidence();
        Placement {
            map: ClockMap::linear(at_s, drift_ppm, length_s),
            stretches: vec![Stretch::whole(length_s, confidence, end_s)],
            confidence,
            uncertainty_s: end_s,
            ends_uncertainty_s: [sigma_s, end_s],
            drift_sigma_ppm: by.drift_sigma_ppm,
            without_best_third_s: None,
        }
    }

    /// Chapters between two that have places.
    fn between(&self, before: &Placement, after: &Placement, lengths_s: &[f64]) -> Option<Vec<Placement>> {
        let rate = 1.0 + before.map.drift_ppm() * 1e-6;
        let joints = lengths_s.len() as f64 + 1.0;
        let known_s = before.ends_uncertainty_s[1].hypot(after.ends_uncertainty_s[0]);
        let free_s = start_s(after) - end_s(before) - rate * lengths_s.iter().sum::<f64>();
        let fits = free_s.abs() <= FITS_S * joints + 3.0 * known_s;
        let possible = free_s >= -(OVERLAP_S + 3.0 * known_s) && free_s <= joints * LONGEST_GAP_S;
        if !possible || (self.by_names && !fits) {
            return None;
        }
        let sure = before.confidence.min(after.confidence);
        let mut at_s = end_s(before);
        let mut all = Vec::new();
        for (k, &length_s) in lengths_s.iter().enumerate() {
            // The share of the free time that lies before this chapter: evenly where it is no gap, none where it is one.
            let share = (k as f64 + 1.0) / joints;
            let (lead_s, open_s) = match fits {
                true => (free_s * share, free_s.abs() / 2.0),
                false => (0.0, free_s.abs() * share.sqrt()),
            };
            let sigma_s = (FRAME_S / 2.0).hypot(open_s).hypot(known_s);
            all.push(self.place(at_s + lead_s, length_s, before, sure, sigma_s));
            at_s += rate * length_s;
        }
        Some(all)
    }

    /// Chapters after the last that has a place; `ties` begin with the joint to it.
    fn after(&self, before: &Placement, lengths_s: &[f64], ties: &[Tie]) -> Vec<Placement> {
        let rate = 1.0 + before.map.drift_ppm() * 1e-6;
        let (mut at_s, mut variance) = (end_s(before), before.ends_uncertainty_s[1].powi(2));
        let mut all = Vec::new();
        for (&length_s, tie) in lengths_s.iter().zip(ties) {
            let (gap_s, sigma_s) = gap(tie);
            at_s += gap_s;
            variance += sigma_s * sigma_s;
            all.push(self.place(at_s, length_s, before, before.confidence, variance.sqrt()));
            at_s += rate * length_s;
        }
        all
    }

    /// Chapters before the first that has a place; `ties` end with the joint to it.
    fn before(&self, after: &Placement, lengths_s: &[f64], ties: &[Tie]) -> Vec<Placement> {
        let rate = 1.0 + after.map.drift_ppm() * 1e-6;
        let (mut at_s, mut variance) = (start_s(after), after.ends_uncertainty_s[0].powi(2));
        let mut all = Vec::new();
        for (&length_s, tie) in lengths_s.iter().rev().zip(ties.iter().rev()) {
            let (gap_s, sigma_s) = gap(tie);
            at_s -= gap_s + rate * length_s;
            variance += sigma_s * sigma_s;
            all.push(self.place(at_s, length_s, after, after.confidence, variance.sqrt()));
        }
        all.reverse();
        all
    }
}

/// The likely gap at a joint and one standard deviation, seconds.
fn gap(tie: &Tie) -> (f64, f64) {
    let most_s = match tie {
        Tie::Timecode(gap_s) => return (gap_s.max(0.0), FRAME_S),
        Tie::Dates(gap_s) => (gap_s.max(0.0) + DATE_S).min(LONGEST_GAP_S),
        _ => LONGEST_GAP_S,
    };
    // Root mean square of a gap that is anywhere up to the most, with the probability that it is one.
    (0.0, (FRAME_S / 2.0).hypot(((1.0 - SEAMLESS) * most_s * most_s / 3.0).sqrt()))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::alignment::Kind;

    fn at(start_s: f64, length_s: f64) -> Placement {
        drifting(start_s, 20.0, length_s)
    }

    pub(crate) fn drifting(start_s: f64, drift_ppm: f64, length_s: f64) -> Placement {
        Placement {
            map: ClockMap::linear(start_s, drift_ppm, length_s),
            confidence: 0.999,
            uncertainty_s: 1e-3,
            ends_uncertainty_s: [1e-3; 2],
            drift_sigma_ppm: 0.1,
            without_best_third_s: None,
            stretches: Vec::new(),
        }
    }

    fn group(files: usize, tie: Tie) -> Group {
        let mut group = Group::given("cam", Kind::Camera, (0..files).collect());
        group.ties = vec![tie; files - 1];
        group.given = tie == Tie::Given;
        group
    }

    /// What a take of chapters of 100 s carries: some with a start, others open.
    fn carry(tie: Tie, starts_s: &[Option<f64>]) -> Vec<Carried> {
        let places: Vec<Option<Placement>> = starts_s.iter().map(|s| s.map(|s| at(s, 100.0))).collect();
        carried(&group(starts_s.len(), tie), |f| match &places[f] {
            Some(p) => Known::Placed(p, 1),
            None => Known::Open(100.0),
        })
    }

    #[test]
    fn what_fits_between_its_neighbours_lies_there() {
        for tie in [Tie::Given, Tie::Names, Tie::Dates(0.0), Tie::Timecode(0.0)] {
            let [one] = &carry(tie, &[Some(5.0), None, Some(205.004)])[..] else { panic!("{tie:?}") };
            let p = &one.placement;
            assert_eq!((one.file, one.event), (1, 1));
            assert!((start_s(p) - 105.002).abs() < 1e-3 && (p.map.drift_ppm() - 20.0).abs() < 1e-6, "{p:?}");
            assert!(p.uncertainty_s < 0.025 && p.uncertainty_s > 0.015, "{}", p.uncertainty_s);
            assert!(p.confidence < 0.999 && p.confidence > 0.9, "{}", p.confidence);
        }
    }

    #[test]
    fn free_time_comes_after_and_makes_uncertain() {
        let [one] = &carry(Tie::Given, &[Some(0.0), None, Some(230.0)])[..] else { panic!() };
        assert!((start_s(&one.placement) - 100.002).abs() < 1e-6);
        // It lies before or after the 30 s, as likely one as the other.
        assert!((one.placement.uncertainty_s - 30.0 / 2f64.sqrt()).abs() < 0.1, "{}", one.placement.uncertainty_s);
        let [first, second] = &carry(Tie::Given, &[Some(0.0), None, None, Some(330.0)])[..] else { panic!() };
        assert!(start_s(&second.placement) - end_s(&first.placement) < 1e-6);
        assert!(second.placement.uncertainty_s > first.placement.uncertainty_s);
        // Too much for two gaps, or too little for the chapter.
        assert!(carry(Tie::Given, &[Some(0.0), None, Some(330.0)]).is_empty());
        assert!(carry(Tie::Given, &[Some(0.0), None, Some(190.0)]).is_empty());
    }

    #[test]
    fn ends_of_a_take_are_uncertain_by_its_gaps() {
        let sigma = |tie| carry(tie, &[Some(0.0), None])[0].placement.uncertainty_s;
        assert!(sigma(Tie::Given) > 5.0 && sigma(Tie::Dates(0.0)) < 0.5 && sigma(Tie::Timecode(0.0)) < 0.05);
        let all = carry(Tie::Dates(0.0), &[None, None, Some(500.0), None, None]);
        let starts: Vec<f64> = all.iter().map(|c| start_s(&c.placement).round()).collect();
        assert_eq!(starts, [300.0, 400.0, 600.0, 700.0]);
        let sigmas: Vec<f64> = all.iter().map(|c| c.placement.uncertainty_s).collect();
        assert!(sigmas[0] > sigmas[1] && sigmas[3] > sigmas[2], "{sigmas:?}");
        assert!((start_s(&carry(Tie::Timecode(7.0), &[Some(0.0), None])[0].placement) - 107.002).abs() < 1e-6);
    }

    #[test]
    fn counters_that_run_on_from_clip_to_clip_are_no_take() {
        assert!(carry(Tie::Names, &[Some(0.0), None]).is_empty());
        assert!(carry(Tie::Names, &[None, Some(0.0)]).is_empty());
        assert!(carry(Tie::Names, &[Some(0.0), None, Some(230.0)]).is_empty());
        // Where others of the take were measured to follow each other, they are one.
        assert_eq!(carry(Tie::Names, &[Some(0.0), Some(100.0), None]).len(), 1);
        assert_eq!(carry(Tie::Names, &[None, Some(0.0), Some(100.0)]).len(), 1);
        assert!(carry(Tie::Names, &[Some(0.0), Some(130.0), None]).is_empty());
        // A file shorter than the others was the last of its take.
        let (long, short) = (at(0.0, 100.0), at(100.0, 60.0));
        let lengths_s = |open_s: f64| {
            let known = |f: usize| match f {
                0 => Known::Placed(&long, 1),
                1 => Known::Placed(&short, 1),
                _ => Known::Open(open_s),
            };
            carried(&group(3, Tie::Names), known).len()
        };
        assert_eq!((lengths_s(100.0), lengths_s(60.0)), (0, 0));
        let known = |f: usize| if f == 2 { Known::Placed(&long, 1) } else { Known::Open(100.0) };
        assert!(carried(&group(3, Tie::Names), known).is_empty());
    }

    #[test]
    fn neighbours_in_different_events_carry_nothing() {
        let (a, b) = (at(0.0, 100.0), at(200.0, 100.0));
        let known = |f: usize| match f {
            0 => Known::Placed(&a, 1),
            2 => Known::Placed(&b, 2),
            _ => Known::Open(100.0),
        };
        assert!(carried(&group(3, Tie::Given), known).is_empty());
        // What cannot be read ends a run.
        let known = |f: usize| match f {
            0 => Known::Placed(&a, 1),
            1 => Known::Nothing,
            _ => Known::Open(100.0),
        };
        assert!(carried(&group(3, Tie::Given), known).is_empty());
    }
}
