//! How numbers and verdicts are said.

use coeval_shoot::alignment::{Agreement, EvidenceKind, Pair, RivalPlace, SURE, SoundPath};
use coeval_shoot::{LIP_SYNC_ACCEPTED_S, LIP_SYNC_NOTICED_S, LIP_SYNC_R37_S, clock_time, clock_time_ms, milliseconds};

use crate::lists::Mark;

/// A recording that ends this much before the last one stopped early: as a share of the timeline, and seconds. Own
/// choice.
pub(super) const EARLY: (f64, f64) = (0.02, 10.0);

/// Sound so early (negative: late) against picture, in words.
pub(super) fn lip_sync(early_s: f64) -> (&'static str, &'static str) {
    let within = |limit: (f64, f64)| early_s <= limit.0 && early_s >= -limit.1;
    if within(LIP_SYNC_R37_S) {
        ("good", "in sync")
    } else if within(LIP_SYNC_NOTICED_S) {
        ("mid", "outside EBU R 37, seldom noticed")
    } else if within(LIP_SYNC_ACCEPTED_S) {
        ("bad", "may be noticed")
    } else {
        ("bad", "not acceptable")
    }
}

/// A probability in words.
pub(super) fn in_words(confidence: f64) -> &'static str {
    if confidence > 0.9999 {
        "almost certain: fewer than 1 in 10,000 such placements are wrong"
    } else if confidence >= 0.999 {
        "almost certain: at most 1 in 1000 such placements is wrong"
    } else if confidence >= SURE {
        "sure: at most 1 in 100 such placements is wrong"
    } else if confidence >= 0.9 {
        "likely, but not sure: listen before you cut"
    } else {
        "doubtful: listen before you use it"
    }
}

/// A length of time in words.
pub(super) fn length(seconds: f64) -> String {
    match seconds {
        s if s < 0.9995 => format!("{:.0} ms", s * 1e3),
        s if s < 59.95 => format!("{s:.1} s"),
        s if s < 3599.5 => format!("{} min {} s", s.round() as u64 / 60, s.round() as u64 % 60),
        s => format!("{} h {} min", (s / 60.0).round() as u64 / 60, (s / 60.0).round() as u64 % 60),
    }
}

/// Whole seconds in words.
pub(super) fn whole(seconds: f64) -> String {
    if seconds < 60.0 { format!("{seconds:.0} s") } else { length(seconds) }
}

/// Less than this is neither early nor late, seconds: a quarter of a sample at 48 kHz.
const NOTHING_S: f64 = 5e-6;

/// Seconds as signed milliseconds, plus for early.
pub(super) fn signed_ms(seconds: f64) -> String {
    match seconds {
        s if s.abs() < NOTHING_S => "0 ms".to_owned(),
        s if s < 0.0 => format!("\u{2212}{}", milliseconds(-s)),
        s => format!("+{}", milliseconds(s)),
    }
}

/// Seconds as milliseconds, early or late in words.
pub(super) fn early_or_late(seconds: f64) -> String {
    match seconds {
        s if s.abs() < NOTHING_S => "no offset".to_owned(),
        s => format!("{} {}", milliseconds(s.abs()), if s > 0.0 { "early" } else { "late" }),
    }
}

/// What kind of evidence it is, and how much of it.
pub(super) fn evidence_kind(agreement: &Agreement) -> String {
    let (one, many) = match agreement.by {
        EvidenceKind::Sound => ("measurement", "measurements"),
        EvidenceKind::Markers => ("clap or knock", "claps or knocks"),
        EvidenceKind::Anchors => ("anchor", "anchors"),
        EvidenceKind::Picture => ("clap in the picture", "claps in the picture"),
        EvidenceKind::Timecode => ("timecode", "timecodes"),
    };
    format!("{} {}", agreement.count, if agreement.count == 1 { one } else { many })
}

/// Seconds that something lies earlier or later, in words.
pub(super) fn difference(seconds: f64) -> String {
    let size = if seconds.abs() < 1.0 { milliseconds(seconds.abs()) } else { length(seconds.abs()) };
    format!("{size} {}", if seconds < 0.0 { "earlier" } else { "later" })
}

/// A moment of the timeline, to as much as is known of such a mark.
pub(super) fn moment(mark: &Mark) -> String {
    match mark.kind.as_str() {
        // Its time comes from a clock that shows seconds.
        "photo" => clock_time(mark.at_s),
        _ => clock_time_ms((mark.at_s.max(0.0) * 1e3).round() as u64),
    }
}

/// What else two recordings have in common that reaches them by another way than what they were placed by.
pub(super) fn other_paths(pair: &Pair) -> Vec<String> {
    let of = |path: &SoundPath| {
        let side = if path.delay_s > 0.0 { "later" } else { "earlier" };
        let delay = format!("{} {side}", milliseconds(path.delay_s.abs()));
        if path.voices > 0.0 {
            format!("the voices may be {delay} in {} ({} probable)", pair.a, percent(path.voices))
        } else {
            format!("continuous sound, such as an engine, is {delay} in {}", pair.a)
        }
    };
    pair.paths.iter().skip(1).map(of).collect()
}

/// Other places at which two recordings might lie to each other, where any is not ruled out.
pub(super) fn rivals(pair: &Pair) -> Vec<String> {
    let of = |rival: &RivalPlace| {
        let side = if rival.shift_s > 0.0 { "later" } else { "earlier" };
        format!("{:.2} s {side} in {} ({})", rival.shift_s.abs(), pair.a, percent(rival.probability))
    };
    let all: Vec<String> = pair.rivals.iter().map(of).collect();
    (!all.is_empty()).then(|| format!("not ruled out: {}", all.join(", "))).into_iter().collect()
}

pub(super) fn residual_words(mut spread: Vec<f64>) -> String {
    spread.sort_by(f64::total_cmp);
    match spread.get(spread.len() * 19 / 20) {
        Some(&s) => format!("95\u{a0}% are within {}.", milliseconds(s)),
        None => String::new(),
    }
}

/// A probability without rounding it up to certainty.
pub(super) fn percent(p: f64) -> String {
    if p > 0.9999 { "over 99.99 %".to_owned() } else { format!("{:.2} %", (p * 1e4).floor() / 100.0) }
}

/// With a capital at its start and a full stop at its end.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let mut text: String =
        letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect());
    if !text.ends_with(['.', '?', '!']) {
        text.push('.');
    }
    text
}
