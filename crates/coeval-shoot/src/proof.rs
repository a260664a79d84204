//! What speaks for a file's place, in numbers and in words.

use coeval::network::Placement;
use coeval::pair::Stretch;

use crate::alignment::{Agreement, EvidenceKind, Proof};
use crate::words::{clock_time, milliseconds};

/// How early and how late sound may be after a whole broadcast chain, seconds: EBU Recommendation R37 (+40 and -60 ms,
/// read in a secondary source).
pub const LIP_SYNC_R37_S: (f64, f64) = (0.040, 0.060);
/// How early and how late sound may be before it is noticed, seconds: ITU-R BT.1359-1 (+45 and -125 ms, read in a
/// secondary source).
pub const LIP_SYNC_NOTICED_S: (f64, f64) = (0.045, 0.125);
/// How early and how late sound may be before it is no longer accepted, seconds: ITU-R BT.1359-1 (+90 and -185 ms, read
/// in a secondary source).
pub const LIP_SYNC_ACCEPTED_S: (f64, f64) = (0.090, 0.185);
/// A file's end without evidence is mentioned when it is longer than this, seconds. Own choice.
const BARE_S: f64 = 60.0;

/// A stretch is worth a word when it is less probable to be right than the file by this share.
const DOUBTFUL: f64 = 0.95;

/// One measurement as it lies in the result.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Residual {
    /// Moment in the file, seconds.
    pub(crate) file_s: f64,
    /// What it says about timeline time, minus the result, seconds.
    pub(crate) residual_s: f64,
    pub(crate) by: EvidenceKind,
}

/// Sums up what speaks for a placement. `is_clock`: the file belongs to the recording whose clock the timeline is.
/// `claims` are differences to the result by other means (timecode, anchors).
pub(crate) fn of(
    placement: &Placement,
    duration_s: f64,
    is_clock: bool,
    measured: &[Residual],
    claims: &[(EvidenceKind, f64)],
) -> Proof {
    let mut sizes: Vec<f64> = measured.iter().map(|m| m.residual_s.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let rms = |list: &[f64]| (list.iter().map(|r| r * r).sum::<f64>() / list.len().max(1) as f64).sqrt();
    let span = measured.iter().fold(None, |span: Option<[f64; 2]>, m| {
        let [low, high] = span.unwrap_or([m.file_s; 2]);
        Some([low.min(m.file_s), high.max(m.file_s)])
    });
    let all = measured.iter().map(|m| (m.by, m.residual_s)).chain(claims.iter().copied());
    let mut agreement: Vec<Agreement> = Vec::new();
    for by in [
        EvidenceKind::Sound,
        EvidenceKind::Markers,
        EvidenceKind::Picture,
        EvidenceKind::Anchors,
        EvidenceKind::Timecode,
    ] {
        let mut said: Vec<f64> = all.clone().filter(|c| c.0 == by).map(|c| c.1).collect();
        if !said.is_empty() {
            said.sort_by(f64::total_cmp);
            agreement.push(Agreement { by, count: said.len(), difference_s: said[said.len() / 2] });
        }
    }
    let mut proof = Proof {
        evidence: measured.len(),
        residual_rms_s: rms(&sizes),
        residual_p95_s: sizes.get((sizes.len() * 95 / 100).min(sizes.len().saturating_sub(1))).copied().unwrap_or(0.0),
        evidence_span_s: span,
        drift_sigma_ppm: placement.drift_sigma_ppm,
        ends_uncertainty_s: placement.ends_uncertainty_s,
        without_best_third_s: placement.without_best_third_s,
        agreement,
        verdict: String::new(),
    };
    let excepted = jumped_unheard(placement) + &further_off(placement);
    proof.verdict = verdict(&proof, duration_s, is_clock, !excepted.is_empty());
    proof.verdict.push_str(&excepted);
    for s in placement.stretches.iter().filter(|s| is_doubtful(s, placement)) {
        proof.verdict.push_str(&format!(
            "; nothing was measured from {} to {}, where its clock may have jumped (confidence {:.0} %)",
            clock_time(s.from_s),
            clock_time(s.to_s),
            100.0 * s.confidence
        ));
    }
    proof
}

fn is_doubtful(stretch: &Stretch, placement: &Placement) -> bool {
    stretch.confidence < DOUBTFUL * placement.confidence
}

/// Does the clock jump inside the stretch?
fn is_amid(stretch: &Stretch, placement: &Placement) -> bool {
    placement.map.jumps().any(|j| stretch.from_s < j.0 && j.0 < stretch.to_s)
}

/// What is to be said of stretches in which the file may be off by more than a published limit that its ends keep: it or another
/// file lost sound, and nothing tells which of them.
fn further_off(placement: &Placement) -> String {
    let [start, end] = placement.ends_uncertainty_s;
    let mut further: Vec<Stretch> = Vec::new();
    for s in placement.stretches.iter().filter(|s| !is_doubtful(s, placement) && !is_amid(s, placement)) {
        if limits(2.0 * s.uncertainty_s) == limits(2.0 * start.max(end)) {
            continue;
        }
        match further.last_mut().filter(|before| before.to_s >= s.from_s) {
            Some(before) => (before.to_s, before.uncertainty_s) = (s.to_s, before.uncertainty_s.max(s.uncertainty_s)),
            None => further.push(*s),
        }
    }
    let off = |s: &Stretch| {
        let (from, to, error_s) = (clock_time(s.from_s), clock_time(s.to_s), 2.0 * s.uncertainty_s);
        format!("; from {from} to {to} it may be {} off, {}", milliseconds(error_s), limits(error_s))
    };
    further.iter().map(off).collect()
}

/// What is to be said of a clock that jumped where nothing was heard; nothing of one that did not.
fn jumped_unheard(placement: &Placement) -> String {
    let unheard: Vec<&Stretch> = placement.stretches.iter().filter(|s| is_amid(s, placement)).collect();
    let Some(longest) = unheard.iter().max_by(|x, y| (x.to_s - x.from_s).total_cmp(&(y.to_s - y.from_s))) else {
        return String::new();
    };
    let (from, to) = (clock_time(longest.from_s), clock_time(longest.to_s));
    let worst_s = unheard.iter().map(|s| s.uncertainty_s).fold(0.0, f64::max);
    match unheard.len() {
        1 => format!(
            "; between {from} and {to} its clock jumped in a silence: it may be {} off there",
            milliseconds(2.0 * worst_s)
        ),
        n => format!(
            "; in {n} silences, the longest from {from} to {to}, its clock jumped: it may be {} off there",
            milliseconds(2.0 * worst_s)
        ),
    }
}

/// The verdict in words. Errors are told as two standard deviations: nineteen of twenty files lie within. `but_for`: of some stretches
/// something else is said after it.
fn verdict(proof: &Proof, duration_s: f64, is_clock: bool, but_for: bool) -> String {
    let [start, end] = proof.ends_uncertainty_s.map(|u| 2.0 * u);
    let mut words = if is_clock && start.max(end) < 1e-6 {
        "it is the reference clock".to_owned()
    } else if proof.evidence_span_s.is_none() && !proof.agreement.iter().any(|a| a.by == EvidenceKind::Anchors) {
        format!("placed between its neighbours in the take, within {} at the worse end", milliseconds(start.max(end)))
    } else {
        in_sync(proof, duration_s, start, end, but_for)
    };
    if start.max(end) >= 1e-6 {
        words.push_str(&format!("; {}", limits(start.max(end))));
    }
    match proof.without_best_third_s {
        _ if proof.evidence == 0 => {}
        Some(moved) if moved > 0.0 => {
            words.push_str(&format!(
                "; as a test, without the best third of the measurements, it would move by {}",
                milliseconds(moved)
            ));
        }
        Some(_) => {}
        None => words.push_str("; there are too few measurements to test it without a third of them"),
    }
    words
}

fn in_sync(proof: &Proof, duration_s: f64, start: f64, end: f64, but_for: bool) -> String {
    let [first, last] = proof.evidence_span_s.unwrap_or([0.0, duration_s]);
    let (before, after) = (first, duration_s - last);
    // Extrapolated ends count when they are worse than the other.
    let bare = |length: f64, here: f64, there: f64| length > BARE_S && here > 2.0 * there;
    if bare(after, end, start) {
        format!(
            "the start is within {}; the last {} share no sound with other files and are extrapolated, within {}",
            milliseconds(start),
            length(after),
            milliseconds(end)
        )
    } else if bare(before, start, end) {
        format!(
            "the end is within {}; the first {} share no sound with other files and are extrapolated, within {}",
            milliseconds(end),
            length(before),
            milliseconds(start)
        )
    } else {
        let extent = if but_for { "but for what is said last" } else { "from start to end" };
        format!("in sync within {} {extent}", milliseconds(start.max(end)))
    }
}

/// An error of either sign against the published limits of lip sync.
fn limits(error_s: f64) -> &'static str {
    let within = |limit: (f64, f64)| error_s <= limit.0 && error_s <= limit.1;
    if within(LIP_SYNC_R37_S) {
        "within the limits of EBU R 37 (+40/-60 ms)"
    } else if within(LIP_SYNC_NOTICED_S) {
        "outside EBU R 37, but not yet noticeable by ITU-R BT.1359 (+45/-125 ms)"
    } else if within(LIP_SYNC_ACCEPTED_S) {
        "may be noticed, but still acceptable by ITU-R BT.1359 (+90/-185 ms)"
    } else {
        "not acceptable by ITU-R BT.1359 (+90/-185 ms): check it by eye and ear"
    }
}

fn length(seconds: f64) -> String {
    if seconds >= 90.0 { format!("{:.0} minutes", seconds / 60.0) } else { format!("{seconds:.0} s") }
}

#[cfg(test)]
mod tests {
    use coeval::clock::ClockMap;

    use super::*;

    fn placed(ends: [f64; 2], without: Option<f64>) -> Placement {
        Placement {
            map: ClockMap::linear(5.0, 3.0, 1800.0),
            confidence: 0.999,
            uncertainty_s: ends[0].max(ends[1]),
            ends_uncertainty_s: ends,
            drift_sigma_ppm: 0.1,
            without_best_third_s: without,
            stretches: vec![],
        }
    }

    fn heard(from_s: f64, to_s: f64) -> Vec<Residual> {
        let count = 50;
        let at = |i: usize| from_s + (to_s - from_s) * i as f64 / (count - 1) as f64;
        let residual_s = |i: usize| if i.is_multiple_of(2) { 3e-4 } else { -3e-4 };
        (0..count).map(|i| Residual { file_s: at(i), residual_s: residual_s(i), by: EvidenceKind::Sound }).collect()
    }

    #[test]
    fn the_verdict_says_how_far_and_by_which_limit() {
        let proof = of(&placed([6.5e-4, 5e-4], Some(2e-4)), 1800.0, false, &heard(2.0, 1795.0), &[]);
        assert_eq!(
            proof.verdict,
            "in sync within 1.3 ms from start to end; within the limits of EBU R 37 (+40/-60 ms); as a test, without the \
             best third of the measurements, it would move by 0.20 ms"
        );
        assert!((proof.residual_rms_s - 3e-4).abs() < 1e-9 && proof.evidence == 50);
        let wide = of(&placed([0.03, 0.03], None), 1800.0, false, &heard(2.0, 1795.0), &[]).verdict;
        assert!(wide.contains("60.0 ms") && wide.contains("may be noticed") && wide.contains("too few"), "{wide}");
    }

    #[test]
    fn an_end_that_does_not_match_is_said() {
        let stretch = |from_s, to_s, confidence| Stretch { from_s, to_s, confidence, uncertainty_s: 1e-3 };
        let verdict = |last: f64| {
            let stretches = vec![stretch(0.0, 900.0, 0.999), stretch(900.0, 1800.0, last)];
            let placement = Placement { stretches, ..placed([3e-4, 4e-4], Some(1e-4)) };
            of(&placement, 1800.0, false, &heard(2.0, 900.0), &[]).verdict
        };
        assert!(verdict(0.12).contains("from 0:15:00 to 0:30:00") && verdict(0.12).contains("(confidence 12 %)"));
        assert!(!verdict(0.99).contains("jumped"), "{}", verdict(0.99));
    }

    #[test]
    fn a_jump_that_nobody_hears_is_said() {
        let stretch = |from_s, to_s, uncertainty_s| Stretch { from_s, to_s, confidence: 0.999, uncertainty_s };
        let knots = vec![(0.0, 0.0), (900.0, 900.0), (900.0, 900.1), (1800.0, 1800.1)];
        let verdict = |stretches: Vec<Stretch>| {
            let map = ClockMap::from_knots(knots.clone()).unwrap();
            let placement = Placement { stretches, map, ..placed([3e-4, 4e-4], Some(1e-4)) };
            of(&placement, 1800.0, false, &heard(2.0, 1798.0), &[]).verdict
        };
        let silence =
            verdict(vec![stretch(0.0, 880.0, 1e-3), stretch(880.0, 910.0, 0.07), stretch(910.0, 1800.0, 1e-3)]);
        assert!(silence.contains("between 0:14:40 and 0:15:10") && silence.contains("140 ms off"), "{silence}");
        let words = verdict(vec![stretch(0.0, 900.0, 1e-3), stretch(900.0, 1800.0, 1e-3)]);
        assert!(!words.contains("jumped"), "{words}");
    }

    #[test]
    fn a_stretch_that_may_be_further_off_than_a_limit_is_said() {
        let stretch = |from_s, to_s, uncertainty_s| Stretch { from_s, to_s, confidence: 0.999, uncertainty_s };
        let verdict = |last_s: f64| {
            let stretches =
                vec![stretch(0.0, 900.0, 1e-3), stretch(900.0, 1790.0, last_s), stretch(1790.0, 1800.0, last_s)];
            let placement = Placement { stretches, ..placed([3e-4, 4e-4], Some(1e-4)) };
            of(&placement, 1800.0, false, &heard(2.0, 1798.0), &[]).verdict
        };
        let words = "from 0:15:00 to 0:30:00 it may be 120 ms off, not acceptable";
        assert!(verdict(0.06).contains(words), "{}", verdict(0.06));
        assert!(verdict(0.06).starts_with("in sync within 0.80 ms but for what is said last;"), "{}", verdict(0.06));
        assert!(!verdict(0.01).contains("off"), "{}", verdict(0.01));
        assert!(verdict(0.01).starts_with("in sync within 0.80 ms from start to end;"), "{}", verdict(0.01));
    }

    #[test]
    fn extrapolated_ends_are_said() {
        let late = of(&placed([3e-4, 4.5e-3], Some(1e-4)), 1800.0, false, &heard(2.0, 1560.0), &[]).verdict;
        assert!(late.starts_with("the start is within 0.60 ms; the last 4 minutes"), "{late}");
        assert!(late.contains("extrapolated, within 9.0 ms"), "{late}");
        let early = of(&placed([4.5e-3, 3e-4], Some(1e-4)), 1800.0, false, &heard(240.0, 1798.0), &[]).verdict;
        assert!(early.contains("the first 4 minutes"), "{early}");
    }

    #[test]
    fn other_means_are_set_against_the_result() {
        let claims = [(EvidenceKind::Timecode, 0.04), (EvidenceKind::Anchors, -2.0)];
        let proof = of(&placed([3e-4, 3e-4], Some(1e-4)), 1800.0, false, &heard(2.0, 1790.0), &claims);
        let said: Vec<_> = proof.agreement.iter().map(|a| (a.by, a.count, a.difference_s)).collect();
        assert_eq!(said[1..], [(EvidenceKind::Anchors, 1, -2.0), (EvidenceKind::Timecode, 1, 0.04)]);
        assert_eq!((said[0].0, said[0].1), (EvidenceKind::Sound, 50));
        let clock = of(&placed([0.0, 0.0], Some(0.0)), 1800.0, true, &heard(2.0, 1790.0), &[]).verdict;
        assert_eq!(clock, "it is the reference clock");
    }
}
