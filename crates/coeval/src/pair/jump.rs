//! Jumps between two clocks: how the tracks go on beyond one, and where exactly it is.
//!
//! A path follows its line for half a second to either side. Where a stretch of both tracks is full of
//! sound and nothing matches, or most does not, the ordinary search is made again within that stretch, a minute to either
//! side of the line. A jump's place is the change point between the two maps: frames of 160 ms, then of 20 ms,
//! are correlated at both, and the gain in log likelihood (N/2 ln(1 - r^2) of a normal pair with correlation
//! r), less what the frame gains elsewhere, is summed on either side of every possible place. By the same gains a jump
//! is two where what lies between matches on a lag between those before and after.

use coeval_transform::{Complex32, Plan, Plans};
use rayon::prelude::*;

use super::path::{BIN_S, Line, Path, PathPoint, richness, trace, verify};
use super::search::{Candidate, ShortProbes, candidates_of_either, unevenness};
use crate::error::Result;
use crate::pair::Evidence;
use crate::pair::fit::{JUMP_LARGE_S, JUMP_LEAST_S};
use crate::progress::Progress;
use crate::track::{TRACK_RATE_HZ, Track, highest};

/// A stretch that goes without a jump, and the line that it was found along.
#[derive(Debug, Clone)]
pub(crate) struct Run {
    line: Line,
    points: Vec<PathPoint>,
}

/// A block that weighs this much is hardly ever chance.
const SPEAKS: f32 = 6.0;
/// Shorter silent stretches are not searched, seconds.
const STRETCH_S: f64 = 6.0;
/// Farthest jump that is looked for, and how far beyond the measurements around it its moment is, seconds.
const REACH_S: f64 = 60.0;
/// Share of what the best run's rich blocks say on average, below which a run is doubted: most of them do not match. A search
/// nearly always finds a run again that is right, so that doubt costs little but time. In 58 shoots whose clocks jump (tune half of the benchmark)
/// half of it is off by a false run where this is not, and double finds as many jumps, and six more that are none.
const MATCHES: f32 = 0.5;
/// Blocks as rich as those that speak that a silent stretch must hold to be searched.
const RICH_BLOCKS: usize = 4;
/// Stretches searched in one comparison, at the most.
const SEARCHES: usize = 16;
/// Least score of a candidate: two probes that agree beyond chance, or one loud one.
const CANDIDATE: f64 = 60.0;
/// A continuation breaks the clock: it must stand out further than a placement.
const STANDING: f64 = 10.0;
const STANDING_WITHOUT_BEST: f64 = 8.0;
const RIVALRY: f64 = 0.6;
/// Length of the probe for words that a jump parts from all others, seconds.
const LONE_S: f64 = 1.5;
/// Least square of its height.
const LONE: f64 = 144.0;
/// Share of that square which a rival may have anywhere, and on the lane of all others.
const LONE_RIVAL: f64 = 0.25;
const LONE_REPEATED: f64 = 0.5;
const LONE_NEAR_S: f64 = 0.03;
/// What the blocks of a run must say together, and how far it must lie from the one before.
const RUN_SAYS: f32 = 40.0;
const SAME_LANE_S: f64 = 0.003;
/// Farthest drift of a continuation from its line, ppm: a line across small jumps is tilted.
const TILT_PPM: f64 = 150.0;
/// Blocks this far apart tell the drift between jumps, seconds, and how many pairs of them do; from where on a line's
/// own drift is taken for tilted, ppm.
const LEVER_S: (f64, f64) = (20.0, 60.0);
const LEVERS: usize = 12;
const TILTED_PPM: f64 = 60.0;

impl Run {
    fn strong(&self) -> impl DoubleEndedIterator<Item = &PathPoint> {
        self.points.iter().filter(|p| p.weight >= SPEAKS)
    }

    pub(crate) fn points(&self) -> impl Iterator<Item = &PathPoint> {
        self.points.iter()
    }

    /// First and last block that speaks for it, `b` seconds.
    fn heard_s(&self) -> (f64, f64) {
        let first = self.strong().next().unwrap_or(&self.points[0]);
        let last = self.strong().next_back().unwrap_or(&self.points[self.points.len() - 1]);
        (first.b_s, last.b_s)
    }

    /// What of it lies before the one moment, and what after the other, `b` seconds.
    fn without(&self, first_s: f64, last_s: f64) -> impl Iterator<Item = Run> {
        let before = self.points.iter().filter(|p| p.b_s < first_s).copied().collect();
        let after = self.points.iter().filter(|p| p.b_s > last_s).copied().collect();
        let line = self.line;
        [before, after].into_iter().map(move |points| Run { line, points }).filter(|run: &Run| !run.points.is_empty())
    }

    /// The line beside its own on which its first or last block lies.
    fn lane(&self, last: bool) -> Line {
        let end = if last { self.strong().next_back() } else { self.strong().next() };
        let end = end.unwrap_or(&self.points[if last { self.points.len() - 1 } else { 0 }]);
        self.line.through(end.a_s, end.b_s)
    }

    /// Its points as rough evidence.
    fn rough(&self) -> Vec<Evidence> {
        if self.strong().count() >= 8 {
            let sigma_s = |weight: f32| BIN_S / f64::from(weight).sqrt();
            self.strong().map(|p| Evidence { a_s: p.a_s, b_s: p.b_s, sigma_s: sigma_s(p.weight) }).collect()
        } else {
            // Between its few strong points a path follows chance: the straight line is the better guess.
            let mut off: Vec<f64> = self.points.iter().map(|p| p.a_s - self.line.at(p.b_s)).collect();
            off.sort_by(f64::total_cmp);
            let off = off[off.len() / 2];
            let ends = [&self.points[0], &self.points[self.points.len() - 1]];
            ends.map(|p| Evidence { a_s: self.line.at(p.b_s) + off, b_s: p.b_s, sigma_s: BIN_S }).into()
        }
    }
}

/// Between which `b` times each jump of these runs lies.
pub(crate) fn between(runs: &[Run]) -> Vec<(f64, f64)> {
    runs.windows(2).map(|w| (w[0].heard_s().1, w[1].heard_s().0)).collect()
}

/// Between which `b` times a file runs before its jump `i`, and after the one before: without end at its ends.
pub(crate) fn stretch(jumps: &[f64], i: usize) -> (f64, f64) {
    let from = if i > 0 { jumps[i - 1] } else { f64::NEG_INFINITY };
    (from, jumps.get(i).copied().unwrap_or(f64::INFINITY))
}

/// The runs' points as rough evidence. A block across a jump is of the run of which it holds more: what lies on
/// the other side of the jump is left out where the run has other points.
pub(crate) fn rough(runs: &[Run], jumps: &[f64]) -> Vec<Evidence> {
    let of = |(i, run): (usize, &Run)| {
        let all = run.rough();
        let (from, to) = stretch(jumps, i);
        let own: Vec<Evidence> = all.iter().copied().filter(|e| e.b_s > from && e.b_s <= to).collect();
        if own.is_empty() { all } else { own }
    };
    runs.iter().enumerate().flat_map(of).collect()
}

/// Standard deviation of what a block says of the clock, seconds.
pub(crate) const BLOCK_S: f64 = 2.0 * BIN_S;
/// Fewer measurements between two jumps may be of one place only.
const FEW: usize = 6;

/// Adds the blocks of runs themselves where a stretch between two jumps holds too few measurements to size
/// them or to tell the drift: known to a bin or two, all with the same error, and better than to lose a jump or the
/// clock.
pub(crate) fn complete(evidence: &mut Vec<Evidence>, jumps: &[f64], runs: &[Run]) {
    for i in 0..=jumps.len() {
        let (from, to) = stretch(jumps, i);
        let within = |b_s: f64| b_s > from && b_s <= to;
        if evidence.iter().filter(|e| within(e.b_s)).count() < FEW {
            let blocks: Vec<&PathPoint> = runs.iter().flat_map(Run::strong).filter(|p| within(p.b_s)).collect();
            let sigma_s = BLOCK_S * (blocks.len() as f64).sqrt();
            evidence.extend(blocks.iter().map(|p| Evidence { a_s: p.a_s, b_s: p.b_s, sigma_s }));
        }
    }
    evidence.sort_by(|x, y| x.b_s.total_cmp(&y.b_s));
}

/// The runs of a path along `line`, and those beyond its jumps, in time order.
pub(crate) fn runs(
    a: &Track,
    b: &Track,
    line: &Line,
    path: &Path,
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Vec<Run>> {
    let shape = &path.shape;
    let path: Vec<Run> = path.runs.iter().map(|points| Run { line: *line, points: points.clone() }).collect();
    let followed = straight(path);
    let mut rich: Vec<f32> = followed.iter().flat_map(|p| p.strong().map(|s| richness(a, b, line, s.b_s))).collect();
    if rich.is_empty() {
        return Ok(followed);
    }
    rich.sort_by(f32::total_cmp);
    let usual = rich[rich.len() / 4];
    let blocks = |(from, to): (f64, f64)| {
        (0..(to - from) as usize).filter(|&i| richness(a, b, line, from + i as f64 + 0.5) >= usual).count()
    };
    // A run on which most of what both hear does not match may have been followed for want of a better within reach.
    let says = |run: &Run| -> f32 {
        let rich = run.points.iter().filter(|p| richness(a, b, line, p.b_s) >= usual);
        let (count, sum) = rich.fold((0, 0.0), |(count, sum), p| (count + 1, sum + p.weight));
        if count > 0 { sum / count as f32 } else { f32::INFINITY }
    };
    let said: Vec<f32> = followed.iter().map(says).collect();
    let most = said.iter().copied().filter(|s| s.is_finite()).fold(0.0, f32::max);
    let (mut doubted, mut runs): (Vec<Run>, Vec<Run>) = (Vec::new(), Vec::new());
    for (run, said) in followed.into_iter().zip(said) {
        if said < MATCHES * most { doubted.push(run) } else { runs.push(run) }
    }
    let mut heard: Vec<f64> = runs.iter().flat_map(|p| p.strong().map(|s| s.b_s)).collect();
    heard.insert(0, -0.5);
    heard.push(b.duration_s() + 0.5);
    let mut silent: Vec<((f64, f64), usize)> = Vec::new();
    let note = |silent: &mut Vec<((f64, f64), usize)>, heard: &[f64]| {
        let stretches = heard.windows(2).map(|w| (w[0] + 0.5, w[1] - 0.5)).filter(|s| s.1 - s.0 >= STRETCH_S);
        silent.extend(stretches.map(|s| (s, blocks(s))).filter(|s| s.1 >= RICH_BLOCKS));
        silent.sort_by_key(|s| s.1);
    };
    note(&mut silent, &heard);
    for _ in 0..SEARCHES {
        let Some((stretch, _)) = silent.pop() else { break };
        let Some((line, path)) = beyond(a, b, line, stretch, shape, plans, progress)? else { continue };
        let found: Vec<Run> = path.runs.into_iter().map(|points| Run { line, points }).collect();
        let strong_s: Vec<f64> = found.iter().flat_map(|p| p.strong().map(|s| s.b_s)).collect();
        if let (Some(&first), Some(&last)) = (strong_s.first(), strong_s.last()) {
            doubted = doubted.iter().flat_map(|run| run.without(first, last)).collect();
        }
        let mut heard = vec![stretch.0 - 0.5];
        heard.extend(strong_s);
        heard.push(stretch.1 + 0.5);
        note(&mut silent, &heard);
        // A run that spans the stretch matched there by chance: only what lies between its strong blocks is kept.
        for old in runs.iter_mut().chain(&mut doubted) {
            let (first, last) = old.heard_s();
            old.points.retain(|p| (first..=last).contains(&p.b_s));
        }
        runs.extend(found);
    }
    runs.extend(doubted);
    runs.sort_by(|x, y| x.points[0].b_s.total_cmp(&y.points[0].b_s));
    let mut runs = cleaned(split(runs));
    let spoken_s = runs.first().zip(runs.last()).map(|(first, last)| (first.heard_s().0, last.heard_s().1));
    if let Some((first, last)) = spoken_s {
        let rich = |s: &(f64, f64)| s.1 - s.0 >= STRETCH_S && blocks(*s) > 0;
        if let Some(stretch) = Some((0.0, first - 0.5)).filter(rich)
            && let Some(run) = isolated_end(a, b, &runs[0].lane(false), stretch, plans, progress)?
        {
            runs.insert(0, run);
        }
        if let Some(stretch) = Some((last + 0.5, b.duration_s())).filter(rich)
            && let Some(run) = isolated_end(a, b, &runs[runs.len() - 1].lane(true), stretch, plans, progress)?
        {
            runs.push(run);
        }
    }
    Ok(runs)
}

/// The first or last words of a file, which a jump parts from all others, whose lane `line` is: one probe, too short
/// for a path. It must stand out far, and nowhere else.
fn isolated_end(
    a: &Track,
    b: &Track,
    line: &Line,
    stretch: (f64, f64),
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Option<Run>> {
    let found = sought(a, b, line, stretch, (1, LONE_S), plans, progress)?;
    let Some(best) = found.first().filter(|c| c.score >= LONE && c.inverted == line.inverted) else {
        return Ok(None);
    };
    let apart_s = |a_s: f64, b_s: f64| (a_s - b_s - (best.a_s - best.b_s)).abs();
    // Where `a` begins or ends its own edge stands out, above a background that is half empty.
    let edge = best.a_s.min(a.duration_s() - best.a_s) < 2.0 * LONE_S;
    let rival = |c: &Candidate| {
        // Where sound is repeated, the words that come twice are on the lane as well.
        let repeated = (c.a_s - line.at(c.b_s)).abs() < SAME_LANE_S;
        let share = if repeated { LONE_REPEATED } else { LONE_RIVAL };
        c.score > share * best.score && apart_s(c.a_s, c.b_s) > LONE_NEAR_S
    };
    let rival = found.iter().any(rival);
    if edge || rival || apart_s(line.at(best.b_s), best.b_s) < LONE_NEAR_S {
        return Ok(None);
    }
    let line = line.through(best.a_s, best.b_s);
    let points = [-0.25, 0.25].map(|part| {
        let b_s = best.b_s + part * LONE_S;
        PathPoint { b_s, a_s: line.at(b_s), weight: SPEAKS }
    });
    Ok(Some(Run { line, points: points.into() }))
}

/// Candidates for a stretch of `b` within reach of a line, by so many probes of so many seconds.
fn sought(
    a: &Track,
    b: &Track,
    line: &Line,
    stretch: (f64, f64),
    (probes, probe_s): (usize, f64),
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Vec<Candidate>> {
    let (first, last) = (line.at(stretch.0) - stretch.0, line.at(stretch.1) - stretch.1);
    let range = Some((first.min(last) - REACH_S, first.max(last) + REACH_S));
    let pass = ShortProbes { probes, probe_s, drift_ppm: 0.0, step_ppm: 125.0 };
    let from_b = unevenness(b) >= unevenness(a);
    let max_ppm = line.drift_ppm.abs() + TILT_PPM;
    let within = match from_b {
        true => stretch,
        false => (line.at(stretch.0).max(0.0), line.at(stretch.1).min(a.duration_s())),
    };
    candidates_of_either(a, b, pass, from_b, max_ppm, range, within, plans, progress)
}

/// Runs without what a path passes at a bend: a line across small jumps is tilted, and in a pause its path may bend
/// from one side of a jump to the other. The drift is the median of what blocks that are neither near nor far say.
fn straight(runs: Vec<Run>) -> Vec<Run> {
    let slopes = |run: &Run| {
        let strong: Vec<PathPoint> = run.strong().copied().collect();
        let ppm = |p: &PathPoint, q: &PathPoint| ((q.a_s - p.a_s) / (q.b_s - p.b_s) - 1.0) * 1e6;
        let far = |p: &PathPoint, q: &PathPoint| (LEVER_S.0..LEVER_S.1).contains(&(q.b_s - p.b_s));
        let pairs = |i: usize| strong[i + 1..].iter().map(move |q| (i, q));
        let pairs = (0..strong.len()).flat_map(pairs).filter(|&(i, q)| far(&strong[i], q));
        pairs.map(|(i, q)| ppm(&strong[i], q)).collect::<Vec<f64>>()
    };
    let mut all: Vec<f64> = runs.iter().flat_map(slopes).collect();
    if all.len() < LEVERS {
        return runs;
    }
    all.sort_by(f64::total_cmp);
    let usual_ppm = all[all.len() / 2];
    let bends = |p: &PathPoint, q: &PathPoint| {
        let apart_s = q.b_s - p.b_s;
        let moved_s = q.a_s - p.a_s - apart_s * (1.0 + usual_ppm * 1e-6);
        apart_s >= STRETCH_S && moved_s.abs() >= SAME_LANE_S.max(TILT_PPM * 1e-6 * apart_s)
    };
    let mut cut = Vec::new();
    for Run { mut line, points: mut rest } in runs {
        if (usual_ppm - line.drift_ppm).abs() > TILTED_PPM {
            line.drift_ppm = usual_ppm;
        }
        let strong: Vec<PathPoint> = rest.iter().filter(|p| p.weight >= SPEAKS).copied().collect();
        for w in strong.windows(2).filter(|w| bends(&w[0], &w[1])) {
            let after = rest.split_off(rest.partition_point(|p| p.b_s < (w[0].b_s + w[1].b_s) / 2.0));
            cut.push(Run { line, points: std::mem::replace(&mut rest, after) });
        }
        cut.push(Run { line, points: rest });
    }
    cut
}

/// Runs that others lie within are cut there, so that each begins where the one before has ended.
fn split(runs: Vec<Run>) -> Vec<Run> {
    let starts: Vec<f64> = runs.iter().map(|p| p.points[0].b_s).collect();
    let mut cut: Vec<Run> = Vec::new();
    for run in runs {
        let mut rest = run.points;
        for &start in &starts {
            let at = rest.partition_point(|p| p.b_s < start);
            let after = rest.split_off(at);
            if !rest.is_empty() {
                cut.push(Run { line: run.line, points: rest });
            }
            rest = after;
        }
        if !rest.is_empty() {
            cut.push(Run { line: run.line, points: rest });
        }
    }
    cut.sort_by(|x, y| x.points[0].b_s.total_cmp(&y.points[0].b_s));
    cut
}

/// Leaves out what a run keeps between two others by chance, and joins neighbours on one lane.
fn cleaned(runs: Vec<Run>) -> Vec<Run> {
    let says = |p: &Run| p.strong().map(|s| s.weight).sum::<f32>();
    let most = runs.iter().map(says).fold(0.0, f32::max);
    let mut kept: Vec<Run> = Vec::new();
    for run in runs {
        if says(&run) < most.min(RUN_SAYS) || (most > RUN_SAYS && run.strong().count() < 2) {
            continue;
        }
        let last = kept.last().and_then(|before| before.strong().next_back().copied());
        let first = run.strong().next().copied();
        if let (Some(before), Some(last), Some(first)) = (kept.last_mut(), last, first) {
            let moved_s = first.a_s - last.a_s - (first.b_s - last.b_s) * (1.0 + run.line.drift_ppm * 1e-6);
            if moved_s.abs() < SAME_LANE_S {
                before.points.extend(run.points);
                continue;
            }
        }
        kept.push(run);
    }
    kept
}

/// How the tracks lie within a stretch of `b` in which nothing speaks for `line`.
fn beyond(
    a: &Track,
    b: &Track,
    line: &Line,
    stretch: (f64, f64),
    shape: &[f32],
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Option<(Line, Path)>> {
    let found = sought(a, b, line, stretch, (8, 2.5), plans, progress)?;
    let mut best: Option<Line> = None;
    for mut candidate in found.into_iter().filter(|c| c.inverted == line.inverted && c.score >= CANDIDATE).take(3) {
        let (low, high) = candidate.drift_ppm;
        candidate.drift_ppm = (low.max(line.drift_ppm - TILT_PPM), high.min(line.drift_ppm + TILT_PPM));
        if candidate.drift_ppm.0 > candidate.drift_ppm.1 {
            continue;
        }
        if let Some(found) = verify(a, b, &candidate, stretch, plans)
            && best.is_none_or(|best| found.score > best.score)
        {
            best = Some(found);
        }
    }
    let Some(found) = best else { return Ok(None) };
    let path = trace(a, b, &found, stretch, shape, plans, progress)?;
    Ok(path
        .filter(|p| {
            let s = p.standing;
            s.height >= STANDING
                && s.without_best >= STANDING_WITHOUT_BEST
                && s.rivalry <= RIVALRY
                && !p.runs.is_empty()
        })
        .map(|p| (found, p)))
}

/// Frames in which a change point is sought, samples: long ones first, for words that hardly stand out, then short ones.
const FRAMES: [usize; 2] = [1280, 160];
/// Independent values in a sample: 300-3400 Hz.
const VALUES: f32 = 0.775;
/// What the best of several lags gains by chance, or beyond what others gain.
const CHANCE: f32 = 4.0;
/// How probable it is, on either side, that a jump lies beyond the stretch that it is said to lie within. With ten times as
/// much the stretch ends inside words that hardly stand out, with a tenth it reaches a frame further.
const OUTSIDE: f64 = 1e-3;
/// How far a change point is sought beyond the measurements around it at first, seconds; twice as far, and so on, where it may
/// lie further away.
const BESIDE_S: f64 = 1.0;
/// Places where a frame shows what it gains by chance, seconds: any two narrow sounds (a vowel, an engine) match
/// somewhere. Those nearer to either map than the last are left out.
const ELSEWHERE_S: [f64; 8] = [-0.461, -0.307, -0.187, -0.089, 0.097, 0.173, 0.313, 0.449];
const ELSEWHERE_LEAST_S: f64 = 0.01;
/// Where a jump may be two, how far to either side of it they are sought, seconds. Of 639 lost buffers (tune half of the
/// benchmark) 603 are sized with 3 s, 617 with 6 s, 619 with 12 s.
const APART_S: f64 = 6.0;
/// Lags that are told apart there, seconds: less than the reach of a place.
const LAG_S: f64 = 2.5e-3;
/// How probable it is that a jump is two. A guess: two gain hundreds of nats over one, or none; half and double change
/// nothing in the benchmark.
const TWO: f64 = 0.05;
/// How often a frame fits nowhere better than where it belongs, of all places between the two maps and [`BESIDE_S`] beyond. A
/// guess: with half of it as many jumps are found (tune half of the benchmark), with three quarters one in 120 fewer.
const BEST: f32 = 0.5;

/// Where a jump is, `b` seconds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Located {
    /// As probably later as sooner.
    pub(crate) at_s: f64,
    /// Before the first, or after the second, with a probability of [`OUTSIDE`] each.
    pub(crate) within_s: (f64, f64),
}

/// `b` time to `a` time.
pub(crate) type Map<'m> = &'m (dyn Fn(f64) -> f64 + Sync);

/// Two tracks, frame by frame: what a frame of `b` gains if `a` hears it as well, in log likelihood, over what it gains
/// elsewhere.
pub(crate) struct Frames<'t> {
    pub(crate) a: &'t Track,
    pub(crate) b: &'t Track,
    pub(crate) inverted: bool,
    pub(crate) plans: &'t Plans,
}

/// A frame of `b`.
struct Frame {
    length: usize,
    energy: f64,
    spectrum: Vec<Complex32>,
    plan: Plan,
}

impl Frames<'_> {
    /// A frame to be held against so many samples of `a` one after the other.
    fn frame(&self, b_s: f64, length: usize, lags: usize) -> Frame {
        let plan = self.plans.at_least(length + lags);
        let mut samples = vec![0.0f32; plan.len];
        self.b.read(sample(b_s), &mut samples[..length]);
        let energy = samples.iter().map(|v| f64::from(v * v)).sum();
        let spectrum = plan.spectrum(&mut samples);
        Frame { length, energy, spectrum, plan }
    }

    /// What a frame gains if it begins at `a_s`, or so many samples later, for each of its lags.
    fn gains(&self, frame: &Frame, a_s: f64, lags: usize) -> Vec<f32> {
        let &Frame { length, energy: own, ref spectrum, ref plan } = frame;
        let mut stretch = vec![0.0; plan.len];
        self.a.read(sample(a_s), &mut stretch[..length + lags - 1]);
        let square = |v: f32| f64::from(v) * f64::from(v);
        let mut energy: f64 = stretch[..length].iter().map(|&v| square(v)).sum();
        let energies: Vec<f64> = (0..lags)
            .map(|l| {
                let here = energy;
                energy += square(stretch[l + length]) - square(stretch[l]);
                here
            })
            .collect();
        let (mut product, mut heights) = (Vec::new(), Vec::new());
        plan.correlogram(&plan.spectrum(&mut stretch), spectrum, &mut product, &mut heights);
        let sign = if self.inverted { -1.0 } else { 1.0 };
        let gain = |(&height, energy): (&f32, f64)| {
            let power = own * energy;
            let r = if power > 0.0 { (sign * f64::from(height) / power.sqrt()).max(0.0) as f32 } else { 0.0 };
            -0.5 * VALUES * length as f32 * (1.0 - (r * r).min(0.9999)).ln()
        };
        heights.iter().zip(energies).map(gain).collect()
    }

    /// What a frame gains within reach of some places at the most; it has the lags of one.
    fn most(&self, frame: &Frame, places_s: impl Iterator<Item = f64>, reach: usize) -> f32 {
        let gains = |a_s: f64| self.gains(frame, a_s - reach as f64 / TRACK_RATE_HZ, 2 * reach + 1);
        places_s.flat_map(gains).fold(0.0, f32::max)
    }

    /// Where the clock changes from one map (`b` time to `a` time) to another: between two `b` times or so, within limits,
    /// and as far to either side as nothing tells. Sound may be of any of the `sources_s`, by their delays beside the clock.
    pub(crate) fn locate(
        &self,
        sources_s: &[f64],
        maps: [Map<'_>; 2],
        between_s: (f64, f64),
        limits_s: (f64, f64),
    ) -> Located {
        let limits_s = (
            limits_s.0.max(between_s.0 - REACH_S).max(0.0),
            limits_s.1.min(between_s.1 + REACH_S).min(self.b.duration_s()),
        );
        let frame_s = FRAMES[0] as f64 / TRACK_RATE_HZ;
        let middle_s = (between_s.0 + between_s.1) / 2.0;
        let (mut before_s, mut after_s) = (middle_s - between_s.0 + BESIDE_S, between_s.1 - middle_s + BESIDE_S);
        let known = loop {
            let (from, to) = (limits_s.0.max(middle_s - before_s), limits_s.1.min(middle_s + after_s));
            let Some(known) = self.change(sources_s, maps, (from, to), FRAMES[0]) else {
                return Located { at_s: middle_s, within_s: limits_s };
            };
            let (sooner, later) = (known.within_s.0 < from + frame_s, known.within_s.1 > to - frame_s);
            let (sooner, later) = (sooner && from > limits_s.0, later && to < limits_s.1);
            if !sooner && !later {
                break known;
            }
            before_s *= if sooner { 2.0 } else { 1.0 };
            after_s *= if later { 2.0 } else { 1.0 };
        };
        // Once more in short frames, for words that end or begin within the long ones at its ends.
        let (from, to) = (known.within_s.0 - frame_s, known.within_s.1 + frame_s);
        self.change(sources_s, maps, (from.max(limits_s.0), to.min(limits_s.1)), FRAMES[1]).unwrap_or(known)
    }

    /// Change point in frames of one length; `None` where they do not fit in.
    fn change(&self, sources_s: &[f64], maps: [Map<'_>; 2], (from, to): (f64, f64), length: usize) -> Option<Located> {
        let length_s = length as f64 / TRACK_RATE_HZ;
        let frames = ((to - from) / length_s) as usize;
        if frames < 2 {
            return None;
        }
        let reach = reach(maps.map(|map| map((from + to) / 2.0)));
        // The best of so many lags of wide noise. What gains more wherever it is held has fewer independent values by as much.
        let by_chance = (VALUES * (2 * reach + 1) as f32).ln();
        let says = |k: usize| {
            let start_s = from + k as f64 * length_s;
            let frame = self.frame(start_s, length, 2 * reach + 1);
            let at = maps.map(|map| map(start_s));
            let [before, after] = at.map(|at_s| {
                let own = self.most(&frame, sources_s.iter().map(|s| at_s + s), reach);
                if own <= CHANCE {
                    return 0.0;
                }
                let elsewhere = ELSEWHERE_S.iter().map(|aside_s| at_s + aside_s);
                let elsewhere = elsewhere.filter(|e| at.iter().all(|m| (e - m).abs() > ELSEWHERE_LEAST_S));
                let others: Vec<f32> = elsewhere.map(|e| self.most(&frame, std::iter::once(e), reach)).collect();
                let mean = others.iter().sum::<f32>() / others.len().max(1) as f32;
                let narrow = (mean / by_chance).max(1.0);
                let gained = (own - others.into_iter().fold(0.0, f32::max)) / narrow;
                (gained - CHANCE - (sources_s.len() as f32).ln()).max(0.0)
            });
            f64::from(before - after)
        };
        // Log probability of a change after frame k, for k = 0 (all after) to all frames (all before).
        let mut score = vec![0.0f64];
        let said: Vec<f64> = (0..frames).into_par_iter().map(says).collect();
        score.extend(said.iter().scan(0.0, |sum, says| {
            *sum += says;
            Some(*sum)
        }));
        let top = score.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let probable: Vec<f64> = score.iter().map(|s| (s - top).exp()).collect();
        let all: f64 = probable.iter().sum();
        let mut sum = 0.0;
        let reached: Vec<f64> = probable.iter().map(|p| (sum += p, sum / all).1).collect();
        let moment = |share: f64| from + reached.partition_point(|&r| r < share).min(frames) as f64 * length_s;
        Some(Located { at_s: moment(0.5), within_s: (moment(OUTSIDE), moment(1.0 - OUTSIDE)) })
    }

    /// Two jumps that were found as one between them, and as large as both: what lies between the two, on a lag between
    /// those before and after, if it matches there better than chance lets one of so many lags do, and better than
    /// anywhere nearby. A device that loses sound twice moves the same way twice. The maps are those before and after the
    /// jump at `at_s`, which lies between two others.
    pub(crate) fn divided(&self, maps: [Map<'_>; 2], at_s: f64, others_s: (f64, f64)) -> Option<Vec<PathPoint>> {
        let (length, reach) = (FRAMES[0], reach(maps.map(|map| map(at_s))));
        let length_s = length as f64 / TRACK_RATE_HZ;
        let from = others_s.0.max(at_s - APART_S).max(0.0);
        let frames = ((others_s.1.min(at_s + APART_S).min(self.b.duration_s()) - from) / length_s) as usize;
        let [before, after] = maps;
        let step_s = after(at_s) - before(at_s);
        let (steps, least) = ((step_s.abs() / LAG_S) as usize, (JUMP_LARGE_S / LAG_S) as usize);
        if frames < 3 || steps < 2 * least || steps > 2 * (REACH_S / LAG_S) as usize {
            return None;
        }
        let shift_s = |step: usize| step_s * step as f64 / steps as f64;
        let (low_s, high_s) = (step_s.min(0.0), step_s.max(0.0));
        let samples = |s: f64| (s * TRACK_RATE_HZ).round() as usize;
        // What each frame gains from one map (step 0) to the other, beyond chance and in all, and where.
        let gained = |k: usize| -> Vec<(f32, f32, f64)> {
            let b_s = from + k as f64 * length_s;
            let first_s = before(b_s) + low_s - reach as f64 / TRACK_RATE_HZ;
            let lags = samples(high_s - low_s) + 2 * reach + 1;
            let all = self.gains(&self.frame(b_s, length, lags), first_s, lags);
            let aside = ELSEWHERE_S.iter().map(|&e| before(b_s) + if e < 0.0 { low_s + e } else { high_s + e });
            let elsewhere = self.most(&self.frame(b_s, length, 2 * reach + 1), aside, reach);
            let step = |step: usize| {
                let first = samples(shift_s(step) - low_s);
                let near = first..(first + 2 * reach + 1).min(all.len());
                let best = near.max_by(|&x, &y| all[x].total_cmp(&all[y])).unwrap_or(first);
                ((all[best] - CHANCE - elsewhere).max(0.0), all[best], first_s + best as f64 / TRACK_RATE_HZ)
            };
            (0..=steps).map(step).collect()
        };
        let gained: Vec<Vec<(f32, f32, f64)>> = (0..frames).into_par_iter().map(gained).collect();
        let all_after: f32 = gained.iter().map(|g| g[steps].0).sum();
        // The best with one change, and with two: score, step, first frame on it and first after it.
        let mut one = all_after;
        let mut two = (0.0f32, least, (0, 1));
        for step in least..=steps - least {
            let (mut before, mut after) = (0.0, all_after);
            let (mut between, mut since) = (f32::NEG_INFINITY, 0);
            for (k, g) in gained.iter().enumerate() {
                if before > between {
                    (between, since) = (before, k);
                }
                between += g[step].0;
                before += g[0].0;
                after -= g[steps].0;
                one = one.max(before + after);
                if between + after > two.0 {
                    two = (between + after, step, (since, k + 1));
                }
            }
        }
        let (score, step, (since, until)) = two;
        let ways = (steps * frames) as f64;
        if f64::from(score - one) < (ways / TWO).ln() {
            return None;
        }
        // An engine gains a little at many lags, at this one by chance. So what counts in the end is how often it is the best.
        let says = |k: usize| -> [f32; 3] {
            let b_s = from + k as f64 * length_s;
            let lags = samples(high_s - low_s + 2.0 * BESIDE_S) + 1;
            let all = self.gains(&self.frame(b_s, length, lags), before(b_s) + low_s - BESIDE_S, lags);
            let places: Vec<f32> = all.chunks_exact(2 * reach + 1).map(highest).collect();
            let place = |step: usize| samples(shift_s(step) - low_s + BESIDE_S) / (2 * reach + 1);
            let near = samples(ELSEWHERE_LEAST_S).div_ceil(2 * reach + 1);
            [0, step, steps].map(|step| {
                let elsewhere = places.iter().enumerate().filter(|(i, _)| i.abs_diff(place(step)) > near);
                let is_best = elsewhere.map(|(_, gain)| gain).all(|&gain| gain <= gained[k][step].1);
                if is_best { (1.0 - BEST + BEST * places.len() as f32).ln() } else { (1.0 - BEST).ln() }
            })
        };
        let says: Vec<[f32; 3]> = (since..until).into_par_iter().map(says).collect();
        let sum = |part: &[[f32; 3]], map: usize| part.iter().map(|s| s[map]).sum::<f32>();
        let one = (0..=says.len()).map(|k| sum(&says[..k], 0) + sum(&says[k..], 2)).fold(f32::NEG_INFINITY, f32::max);
        if f64::from(sum(&says, 1) - one) < (ways / TWO).ln() {
            return None;
        }
        let points = (since..until).filter(|&k| gained[k][step].0 > 0.0).map(|k| {
            let (weight, _, a_s) = gained[k][step];
            let half_s = length_s / 2.0;
            PathPoint { b_s: from + k as f64 * length_s + half_s, a_s: a_s + half_s, weight }
        });
        Some(points.collect())
    }
}

/// The sample at or nearest to a moment.
fn sample(s: f64) -> i64 {
    (s * TRACK_RATE_HZ).round() as i64
}

/// How far beside a map the sound of any voice is looked for, where another map comes as near as this: samples. With 3 ms
/// 614 of 639 lost buffers are sized, with 4 ms 617, with 6 ms 619; with 1.25 ms, where the map followed the engine for
/// a while, jumps were placed seconds off.
fn reach([before_s, after_s]: [f64; 2]) -> usize {
    (JUMP_LEAST_S.min((after_s - before_s).abs() / 2.0) * TRACK_RATE_HZ) as usize
}

/// Puts the points of another run between two that seemed to be one jump, `which`, apart. Nothing changes if they leave
/// nothing of either.
pub(crate) fn insert(runs: &mut Vec<Run>, which: usize, points: Vec<PathPoint>) {
    let (first, middle, last) = (points[0].b_s, points[points.len() / 2], points[points.len() - 1].b_s);
    let part = |run: &Run, own: &dyn Fn(f64) -> bool| {
        let points: Vec<PathPoint> = run.points().copied().filter(|p| own(p.b_s)).collect();
        Some(Run { line: run.line, points }).filter(|p| !p.points.is_empty())
    };
    let before = part(&runs[which], &|b_s| b_s < first);
    let after = part(&runs[which + 1], &|b_s| b_s > last);
    if let Some((before, after)) = before.zip(after) {
        let between = Run { line: before.line.through(middle.a_s, middle.b_s), points };
        runs.splice(which..=which + 1, [before, between, after]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pair::tests::Noise;

    #[test]
    fn sound_that_matches_anywhere_does_not_move_a_jump() {
        // Words at one lag up to 12 s, at another from 20 s on; from 22 s both hear calls of one pitch, which match at
        // the first lag alone.
        let (rate, later) = (8000, 12_000);
        let mut noise = Noise::new(51);
        let (mut a, mut b): (Vec<f32>, Vec<f32>) =
            (0..64 * rate).map(|_| (0.1 * noise.gauss(), 0.1 * noise.gauss())).unzip();
        for (second, lag) in [(10, 0), (20, later)] {
            for i in rate * second..rate * (second + 2) {
                let word = noise.gauss();
                a[i + lag] += word;
                b[i] += word;
            }
        }
        for second in (24..59).step_by(2) {
            for i in rate * second..rate * second + 5600 {
                let call = (i as f32 * 0.5).sin();
                a[i] += call;
                b[i] += call;
            }
        }
        let (a, b) = (Track::raw(&a), Track::raw(&b));
        let plans = Plans::default();
        let frames = Frames { a: &a, b: &b, inverted: false, plans: &plans };
        let step_s = later as f64 / rate as f64;
        let at_s = frames.locate(&[0.0], [&|t| t, &|t| t + step_s], (10.0, 59.0), (9.0, 60.0)).at_s;
        assert!((11.8..20.2).contains(&at_s), "{at_s}");
    }

    /// `a` and what `b` hears of it if that is so much earlier from these moments on, each with noise of its own.
    fn losing(lags_s: &[(f64, f64)], seed: u64) -> (Track, Track) {
        let mut noise = Noise::new(seed);
        let sound: Vec<f32> = (0..24 * 8000).map(|_| noise.gauss()).collect();
        let heard = |i: usize| {
            let lag_s = lags_s.iter().rev().find(|l| i as f64 / 8000.0 >= l.0).map_or(0.0, |l| l.1);
            sound[i + (lag_s * 8000.0) as usize]
        };
        let b: Vec<f32> = (0..22 * 8000).map(|i| heard(i) + 2.0 * noise.gauss()).collect();
        let a: Vec<f32> = sound.iter().map(|s| s + 2.0 * noise.gauss()).collect();
        (Track::raw(&a), Track::raw(&b))
    }

    #[test]
    fn two_jumps_that_were_found_as_one_are_told_apart() {
        let plans = Plans::default();
        let divided = |lags_s: &[(f64, f64)], seed| {
            let (a, b) = losing(lags_s, seed);
            let frames = Frames { a: &a, b: &b, inverted: false, plans: &plans };
            frames.divided([&|t| t, &|t| t + 0.12], 11.0, (f64::NEG_INFINITY, f64::INFINITY))
        };
        let points = divided(&[(10.0, 0.05), (12.0, 0.12)], 61).expect("two jumps");
        assert!(points.iter().all(|p| (9.7..12.3).contains(&p.b_s)), "{points:?}");
        let on_it = points.iter().filter(|p| (p.a_s - p.b_s - 0.05).abs() < 2e-4).count();
        assert!(on_it >= 8, "{points:?}");
        // One jump is one, and so it is if another source is heard for a while, which comes later by 10 ms.
        assert!(divided(&[(11.0, 0.12)], 62).is_none());
        assert!(divided(&[(10.0, 0.01), (12.0, 0.12)], 63).is_none());
    }

    #[test]
    fn an_engine_that_matches_anywhere_is_no_stretch_between_two_jumps() {
        // From 8 to 14 s `a` has lost what `b` heard. An engine that runs a little unevenly goes on in both.
        let rate = 8000;
        let mut found = 0;
        for seed in 71..79 {
            let mut noise = Noise::new(seed);
            let mut engine = |length: usize| -> Vec<f32> {
                let mut phase = 0.0f32;
                let mut turn = || {
                    phase += 0.05 + 0.0002 * noise.gauss();
                    (1..20).map(|k| (k as f32 * phase + (k * k) as f32).sin()).sum::<f32>() * 0.2 + 0.3 * noise.gauss()
                };
                (0..length).map(|_| turn()).collect()
            };
            let (mut a, mut b) = (engine(24 * rate), engine(30 * rate));
            for i in (0..8 * rate).chain(14 * rate..24 * rate) {
                let word = 2.0 * noise.gauss();
                a[if i < 8 * rate { i } else { i - 6 * rate }] += word;
                b[i] += word;
            }
            let (a, b) = (Track::raw(&a), Track::raw(&b));
            let plans = Plans::default();
            let frames = Frames { a: &a, b: &b, inverted: false, plans: &plans };
            let points = frames.divided([&|t| t, &|t| t - 6.0], 11.0, (f64::NEG_INFINITY, f64::INFINITY));
            found += usize::from(points.is_some());
        }
        assert_eq!(found, 0);
    }
}
