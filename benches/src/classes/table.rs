//! Records counted: class by class, over all, and against the limits.

use std::fmt::Write;

use super::judge::{Record, percentile};
use super::{Answer, Class};

/// Over all classes: largest share wrong at 0.99 or more, percent.
const WRONG_AT_99_PERCENT: f64 = 0.2;
/// Over all classes: largest share beyond three times what is claimed, percent.
const BEYOND_PERCENT: f64 = 1.0;
/// Bins of the reliability diagram.
const EDGES: [f64; 9] = [0.0, 0.25, 0.5, 0.75, 0.9, 0.99, 0.999, 0.9999, 1.0];

/// The head of the table of classes.
pub const HEAD: &str = "\
| class | asked | should be placed | placed % | right % | wrong | at 0.9 | at 0.99 | at 0.9999 | off the voices ms, median | 98 % | \
beyond 3 sigma % | jumps found, sized, of | false | s mean | s longest |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |";

struct Counts {
    asked: usize,
    should: usize,
    placed_percent: f64,
    right_percent: f64,
    /// At any confidence, from 0.9, 0.99 and 0.9999.
    wrong: [usize; 4],
    /// What 95 % of each rightly placed file keep, ascending, ms.
    errors_ms: Vec<f64>,
    largest_ms: f64,
    /// Of files, each with its median.
    off_the_voices: usize,
    /// Rightly placed ones that claim something, and those off by more than three times of it.
    beyond: [usize; 2],
    silent_beyond: usize,
    jumps: [usize; 4],
    seconds: [f64; 2],
}

fn count(records: &[&Record], voices_ms: f64) -> Counts {
    let should: Vec<_> = records.iter().filter(|r| r.answer == Answer::Placed).collect();
    let percent = |n: usize, of: usize| if of == 0 { 100.0 } else { 100.0 * n as f64 / of as f64 };
    let wrong = |from: f64| records.iter().filter(|r| r.is_wrong() && r.confidence.unwrap_or(0.0) >= from).count();
    let right: Vec<_> = records.iter().filter(|r| r.right).collect();
    let mut errors_ms: Vec<f64> = right.iter().filter_map(|r| Some(r.error?.p95_ms)).collect();
    errors_ms.sort_by(f64::total_cmp);
    let is_beyond = |r: &&&&Record| r.sigmas.is_some_and(|s| s > 3.0);
    let sum = |of: fn(&Record) -> usize| records.iter().map(|r| of(r)).sum();
    let seconds = records.iter().map(|r| r.seconds);
    Counts {
        asked: records.len(),
        should: should.len(),
        placed_percent: percent(should.iter().filter(|r| r.placed).count(), should.len()),
        right_percent: percent(should.iter().filter(|r| r.right).count(), should.len()),
        wrong: [0.0, 0.9, 0.99, 0.9999].map(wrong),
        largest_ms: right.iter().filter_map(|r| Some(r.error?.largest_ms)).fold(0.0, f64::max),
        off_the_voices: right.iter().filter(|r| r.error.is_some_and(|e| e.median_ms > voices_ms)).count(),
        beyond: [right.iter().filter(|r| r.sigmas.is_some()).count(), right.iter().filter(is_beyond).count()],
        silent_beyond: right.iter().filter(|r| r.silent).filter(is_beyond).count(),
        jumps: [sum(|r| r.jumps.found), sum(|r| r.jumps.sized), sum(|r| r.jumps.real), sum(|r| r.jumps.false_ones)],
        seconds: [seconds.clone().sum::<f64>() / records.len().max(1) as f64, seconds.fold(0.0, f64::max)],
        errors_ms,
    }
}

/// The row of a class, and the limits that it breaks.
pub fn row(class: &Class, records: &[Record]) -> (String, Vec<String>) {
    let limits = &class.limits;
    let records: Vec<&Record> = records.iter().collect();
    let c = count(&records, limits.voices_ms.unwrap_or(f64::INFINITY));
    let p98 = percentile(&c.errors_ms, 0.98);
    let beyond_percent = 100.0 * c.beyond[1] as f64 / c.beyond[0].max(1) as f64;
    let share = |percent: f64| if c.should == 0 { "-".to_owned() } else { format!("{percent:.1}") };
    let line = format!(
        "| {} | {} | {} | {} | {} | {} | {} | {} | {} | {:.3} | {p98:.3} | {beyond_percent:.1} | {}, {}, {} | {} | \
         {:.3} | {:.3} |",
        class.name,
        c.asked,
        c.should,
        share(c.placed_percent),
        share(c.right_percent),
        c.wrong[0],
        c.wrong[1],
        c.wrong[2],
        c.wrong[3],
        percentile(&c.errors_ms, 0.5),
        c.jumps[0],
        c.jumps[1],
        c.jumps[2],
        c.jumps[3],
        c.seconds[0],
        c.seconds[1]
    );
    let mut broken = Vec::new();
    let mut hold = |holds: bool, what: String| {
        if !holds {
            broken.push(format!("{}: {what}", class.name));
        }
    };
    if let Some(least) = limits.right_percent {
        hold(c.right_percent >= least, format!("{:.1} % right, not {least} %", c.right_percent));
    }
    if let Some(from) = limits.none_wrong_from {
        let wrong = records.iter().filter(|r| r.is_wrong() && r.confidence.unwrap_or(0.0) >= from).count();
        hold(wrong == 0, format!("{wrong} wrong at {from} or more"));
    }
    if let Some(most) = limits.error_ms {
        hold(p98 <= most, format!("98 % within {p98:.2} ms, not {most} ms"));
    }
    if let Some(most) = limits.largest_ms {
        hold(c.largest_ms <= most, format!("largest error {:.3} ms, not {most} ms", c.largest_ms));
    }
    if let Some(most) = limits.voices_ms {
        hold(c.off_the_voices == 0, format!("{} more than {most} ms off the voices' path", c.off_the_voices));
    }
    if limits.silent_within {
        hold(c.silent_beyond == 0, format!("{} without evidence beyond 3 sigma", c.silent_beyond));
    }
    if let Some(least) = limits.jumps_percent {
        let sized = 100.0 * c.jumps[1] as f64 / c.jumps[2].max(1) as f64;
        hold(sized >= least, format!("{sized:.1} % of jumps found and sized, not {least} %"));
    }
    if limits.no_false_jump {
        hold(c.jumps[3] == 0, format!("{} false jumps", c.jumps[3]));
    }
    (line, broken)
}

/// What holds over all classes: the text, and the limits that are broken.
pub fn overall(records: &[Record]) -> (String, Vec<String>) {
    let all: Vec<&Record> = records.iter().collect();
    let c = count(&all, f64::INFINITY);
    let placed: Vec<&Record> = records.iter().filter(|r| r.placed).collect();
    let mut text = String::from("| confidence | placed | mean confidence | right |\n| --- | --- | --- | --- |\n");
    for edge in EDGES.windows(2) {
        let inside = |p: f64| p >= edge[0] && (p < edge[1] || edge[1] == 1.0);
        let of: Vec<_> = placed.iter().filter(|r| r.confidence.is_some_and(inside)).collect();
        if of.is_empty() {
            continue;
        }
        let mean = of.iter().filter_map(|r| r.confidence).sum::<f64>() / of.len() as f64;
        let right = of.iter().filter(|r| r.right).count() as f64 / of.len() as f64;
        let _ = writeln!(text, "| {} to {} | {} | {mean:.5} | {right:.5} |", edge[0], edge[1], of.len());
    }
    let at = |from: f64| placed.iter().filter(|r| r.confidence.is_some_and(|p| p >= from)).count();
    let share = |n: usize, of: usize| 100.0 * n as f64 / of.max(1) as f64;
    let (at_99, at_9999) = (share(c.wrong[2], at(0.99)), share(c.wrong[3], at(0.9999)));
    let beyond = share(c.beyond[1], c.beyond[0]);
    let _ = write!(
        text,
        "\nWrong at 0.99 or more: {} of {} ({at_99:.2} %). At 0.9999 or more: {} of {} ({at_9999:.2} %). \
         Beyond 3 sigma: {} of {} that are right ({beyond:.1} %). In a wrong event at 0.9 or more: {}.",
        c.wrong[2],
        at(0.99),
        c.wrong[3],
        at(0.9999),
        c.beyond[1],
        c.beyond[0],
        records.iter().filter(|r| r.wrong_event && r.confidence.unwrap_or(0.0) >= 0.9).count()
    );
    let mut broken = Vec::new();
    if at_99 > WRONG_AT_99_PERCENT {
        broken.push(format!("over all: {at_99:.2} % wrong at 0.99 or more, not {WRONG_AT_99_PERCENT} %"));
    }
    if c.wrong[3] > 0 {
        broken.push(format!("over all: {} wrong at 0.9999 or more", c.wrong[3]));
    }
    if beyond > BEYOND_PERCENT {
        broken.push(format!("over all: {beyond:.1} % beyond 3 sigma, not {BEYOND_PERCENT} %"));
    }
    (text, broken)
}
