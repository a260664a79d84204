//! Follows a candidate through the whole overlap of two tracks: is it real, and how does it go on?
//!
//! Blocks of `b` are correlated with `a` around the candidate's line. A line through all block
//! correlograms (offset and drift together) is searched first. The line's score is judged against the
//! same line shifted aside, where the two tracks have nothing in common but their habits: an engine that
//! repeats itself scores there too. Then the best path along the line is found (Viterbi, IEEE Trans. IT 13(2),
//! 1967): it may bend, because clocks wander; jump, at a price; and at every block hear another source than
//! the one that it follows (an engine instead of a voice), whose delays it learns.

use std::sync::LazyLock;

use rayon::prelude::*;

use super::search::{Candidate, distinct};
use crate::error::Result;
use crate::filter::{dot, powers};
use crate::progress::{Progress, step};
use crate::samples::greater;
use crate::track::{LEVEL_HOP, TRACK_RATE_HZ, Track, resampled};
use coeval_transform::{Plan, Plans};

/// Samples pooled into one lag bin: 0.5 ms, so that neither reverberation nor the last ppm matter.
const BIN: usize = 4;
pub(crate) const BIN_S: f64 = BIN as f64 / TRACK_RATE_HZ;

/// `a` time = `a_s` + (`b` time - `b_s`) * (1 + `drift_ppm` * 1e-6).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Line {
    pub(crate) a_s: f64,
    pub(crate) b_s: f64,
    pub(crate) drift_ppm: f64,
    pub(crate) inverted: bool,
    /// What its blocks say for it, less what they say for a line on average.
    pub(crate) score: f64,
    /// The same in spreads of what they say for any line.
    pub(crate) stands: f64,
    /// By how many blocks it was searched.
    pub(crate) blocks: usize,
    /// First and last `b` time between which its blocks speak for it (their middle 80 %), seconds.
    pub(crate) heard_s: (f64, f64),
}

impl Line {
    /// A candidate's, at one drift of its range.
    fn of(candidate: &Candidate, drift_ppm: f64) -> Self {
        let &Candidate { a_s, b_s, inverted, .. } = candidate;
        Self { a_s, b_s, drift_ppm, inverted, score: 0.0, stands: 0.0, blocks: 0, heard_s: (0.0, 0.0) }
    }

    pub(crate) fn at(&self, b_s: f64) -> f64 {
        self.a_s + (b_s - self.b_s) * (1.0 + self.drift_ppm * 1e-6)
    }

    /// The line beside this one on which `b_s` meets `a_s`.
    pub(crate) fn through(&self, a_s: f64, b_s: f64) -> Line {
        Line { a_s, b_s, ..*self }
    }

    /// The part of a stretch of `b` that lies within `a`, seconds.
    pub(crate) fn overlap(&self, a: &Track, within_s: (f64, f64)) -> (f64, f64) {
        let slope = 1.0 + self.drift_ppm * 1e-6;
        let start = self.b_s + (0.0 - self.a_s) / slope;
        let end = self.b_s + (a.duration_s() - self.a_s) / slope;
        (start.max(within_s.0), end.min(within_s.1))
    }
}

/// What a block's correlation at one lag bin says for it, in nats or so: near 0 on average where
/// nothing is common, rising as the square of what stands out.
fn weight(height: f32) -> f32 {
    (height - 1.0) + 0.5 * (height - 3.0).max(0.0).powi(2)
}

/// Most that a block may say for a line.
const WEIGHT_MAX: f32 = 60.0;
/// How far another seat puts a voice, bins (1.5 ms: 50 cm of air), and what that costs, packed (6 nats).
const SEAT_BINS: usize = 3;
const SEAT_PRICE: u8 = 24;
/// Where neither track's sound is spread over this many samples (50 ms), it says less the shorter it is: any click is like
/// any other. (Levelling has spread a click over its frames.) At four times as much, trains of clicks in a room say too
/// little for a place.
const LASTING: f32 = 400.0;

/// Over how many samples a sound's energy is spread (its participation ratio): 1 for one impulse, a third of
/// all for steady noise. By the sums of its squares and fourth powers.
fn lasting((square, fourth): (f32, f32)) -> f32 {
    if fourth > 0.0 { (f64::from(square).powi(2) / f64::from(fourth)) as f32 } else { 0.0 }
}

/// Weights in a byte: in quarters of a nat up to this code, from there on by their logarithms.
const LINEAR: u8 = 240;
const LINEAR_MAX: f32 = 59.0;
const LOGARITHMIC: f32 = 0.23;

fn pack(weight: f32) -> u8 {
    if weight <= LINEAR_MAX {
        // To the nearest; what is less than nothing is nothing.
        ((weight + 1.0) * 4.0 + 0.5) as u8
    } else {
        LINEAR.saturating_add(((weight / LINEAR_MAX).ln() / LOGARITHMIC).round() as u8)
    }
}

/// The weight, capped at what a block may say. Above the cap it still rises a little, so that a voice outranks its
/// reflection.
fn unpack(packed: u8) -> f32 {
    let beyond = packed.saturating_sub(LINEAR);
    f32::from(packed - beyond) * 0.25 - 1.0 + f32::from(beyond) * ((WEIGHT_MAX - LINEAR_MAX) / 15.0)
}

/// The weight as it is.
fn unbounded(packed: u8) -> f32 {
    match packed.saturating_sub(LINEAR) {
        0 => unpack(packed),
        beyond => LINEAR_MAX * (f32::from(beyond) * LOGARITHMIC).exp(),
    }
}

/// Correlates one block of `b` with `a` around a place and pools it into lag bins.
struct BlockReader<'t> {
    a: &'t Track,
    b: &'t Track,
    length: usize,
}

/// A block's correlation with `a`, in spreads, by lag; and the most that it may say, nats.
struct Correlation {
    heights: Vec<f32>,
    most: f32,
}

impl BlockReader<'_> {
    /// `a` lags around `a_start` (the sample that meets the block's first), `half` bins to either side.
    fn correlation(&self, plan: &Plan, b_start: i64, a_start: i64, half: usize, drift_ppm: f64) -> Correlation {
        let lags = (2 * half + 1) * BIN;
        let mut block = vec![0.0; plan.len];
        let middle = b_start as f64 + self.length as f64 / 2.0;
        resampled(self.b, middle, 1.0 / (1.0 + drift_ppm * 1e-6), &mut block[..self.length]);
        let mut stretch = vec![0.0; plan.len];
        let origin = a_start - (half * BIN + BIN / 2) as i64;
        let used = self.length + lags - 1;
        self.a.read(origin, &mut stretch[..used]);
        let (heard, other) = (powers(&block[..self.length]), powers(&stretch[..used]));
        // Spread to expect of the correlation of independent noise of these levels.
        let expected = (heard.0 * other.0 / used as f32).sqrt();
        let longest = lasting(heard).max(lasting(other));
        let (x, y) = (plan.spectrum(&mut stretch), plan.spectrum(&mut block));
        let (mut product, mut heights) = (Vec::new(), Vec::new());
        plan.correlogram(&x, &y, &mut product, &mut heights);
        heights.truncate(lags);
        let spread = (dot(&heights, &heights) / lags as f32).sqrt().max(0.7 * expected);
        let scale = if spread > 0.0 { 1.0 / spread } else { 0.0 };
        heights.iter_mut().for_each(|h| *h *= scale);
        Correlation { heights, most: WEIGHT_MAX * (longest / LASTING).min(1.0).powi(2) }
    }
}

impl Correlation {
    /// What each bin says, packed, when both sound alike or when one is turned round.
    fn bins(&self, inverted: bool) -> Vec<u8> {
        let sign = if inverted { -1.0 } else { 1.0 };
        let most = self.most;
        let bounded = |nats: f32| {
            // Above the cap it rises a little, so that a voice outranks its reflection.
            if nats > most && most < WEIGHT_MAX { most * (1.0 + 0.05 * (nats / most).ln()) } else { nats }
        };
        let highest = |bin: &[f32]| bin.iter().fold(f32::NEG_INFINITY, |m, &h| greater(h * sign, m));
        self.heights.chunks_exact(BIN).map(|bin| pack(bounded(weight(highest(bin))))).collect()
    }
}

/// Length of a block for an overlap, samples: 1 s, less where there is little.
fn block_length(overlap_s: f64) -> usize {
    ((overlap_s / 8.0).clamp(0.25, 1.0) * TRACK_RATE_HZ) as usize
}

/// Searches the line (offset within 2 ms, drift within the candidate's range) that fits the richest blocks
/// of a stretch of `b` best.
pub(crate) fn verify(a: &Track, b: &Track, candidate: &Candidate, within_s: (f64, f64), plans: &Plans) -> Option<Line> {
    let (low, high) = candidate.drift_ppm;
    let middle = Line::of(candidate, (low + high) / 2.0);
    let (from, to) = middle.overlap(a, within_s);
    // Blocks are stretched by the middle of a range: within 125 ppm of it those of a second lose little, shorter ones as
    // little within more.
    let block_s = block_length(to - from) as f64 / TRACK_RATE_HZ;
    let ranges = (((high - low) * block_s / 250.0).ceil() as usize).max(1);
    let mut best: Option<Line> = None;
    for i in 0..ranges {
        let part = (high - low) / ranges as f64;
        let range = (low + part * i as f64, low + part * (i + 1) as f64);
        let line = verify_range(a, b, candidate, range, within_s, plans);
        if line.is_some_and(|l| best.is_none_or(|b| l.score > b.score)) {
            best = line;
        }
    }
    best
}

/// Blocks by which a line is searched: a few first, the richest, and more where by these it stands out so far, in
/// spreads of what they say for any line. Where nothing is common the best of all lines stands out by 3 to 7, where
/// the tracks belong together by 16 and more (tune half of the benchmark): half of it spares nothing, double of it
/// would lose places.
const BLOCKS: [usize; 2] = [60, 240];
pub(crate) const LINE_STANDS: f64 = 5.0;

fn verify_range(
    a: &Track,
    b: &Track,
    candidate: &Candidate,
    range: (f64, f64),
    within_s: (f64, f64),
    plans: &Plans,
) -> Option<Line> {
    let centre = Line::of(candidate, (range.0 + range.1) / 2.0);
    let (from, to) = centre.overlap(a, within_s);
    if to - from < 0.25 {
        return None;
    }
    let length = block_length(to - from);
    let starts = rich_blocks(a, b, &centre, (from, to), length, BLOCKS[1]);
    let signs: &[bool] = if candidate.signed { &[candidate.inverted] } else { &[false, true] };
    let half_range = (range.1 - range.0) / 2.0;
    let reader = BlockReader { a, b, length };
    let slack_bins = 4 + (length / BIN).min(8);
    let row = |&b_start: &i64| {
        let apart = (b_start as f64 + length as f64 / 2.0) / TRACK_RATE_HZ - candidate.b_s;
        let half = (half_range * 1e-6 * apart.abs() / BIN_S).ceil() as usize + slack_bins;
        // Enough lags that the spread of the correlation is that of its background.
        let half = half.max(250);
        let plan = plans.at_least(length + (2 * half + 1) * BIN);
        let a_start = (centre.at(candidate.b_s + apart) * TRACK_RATE_HZ - length as f64 / 2.0).round() as i64;
        let correlation = reader.correlation(&plan, b_start, a_start, half, centre.drift_ppm);
        (apart, half, signs.iter().map(|&inverted| seats(&correlation.bins(inverted))).collect())
    };
    let mut rows: Vec<Row> = Vec::new();
    let mut best: Option<Line> = None;
    for blocks in BLOCKS {
        let more: Vec<Row> = starts[rows.len()..blocks.min(starts.len())].par_iter().map(row).collect();
        rows.extend(more);
        rows.sort_by(|x, y| x.0.total_cmp(&y.0));
        let lines = signs
            .iter()
            .enumerate()
            .filter_map(|(which, &inverted)| best_line(&rows, which, half_range, Line { inverted, ..centre }));
        best = lines.max_by(|x, y| x.score.total_cmp(&y.score));
        if rows.len() == starts.len() || best.is_none_or(|l| l.stands < LINE_STANDS) {
            break;
        }
    }
    best
}

/// A block's time from the line's own moment, seconds; how many bins it has to either side; and its bins, by sign.
type Row = (f64, usize, Vec<Vec<u8>>);

/// The best line through rows, of those that turn about the middle of `centre`.
fn best_line(rows: &[Row], which: usize, half_range: f64, centre: Line) -> Option<Line> {
    let reach = rows.iter().map(|r| r.0.abs()).fold(1.0, f64::max);
    let steps = ((half_range * 1e-6 * reach / (BIN_S * 0.5)).ceil() as i64).clamp(1, 20_000);
    let lines: Vec<(f64, i64, i64)> = (-steps..=steps)
        .into_par_iter()
        .map(|i| {
            let slope = half_range * 1e-6 * i as f64 / steps as f64;
            let mut best = (f64::NEG_INFINITY, 0, i);
            for offset in -4..=4i64 {
                let mut score = 0.0f32;
                for (apart, half, bins) in rows {
                    let bin = (slope * apart / BIN_S).round() as i64 + offset + *half as i64;
                    score += bins[which].get(bin as usize).map_or(0.0, |&b| unpack(b));
                }
                if f64::from(score) > best.0 {
                    best = (f64::from(score), offset, i);
                }
            }
            best
        })
        .collect();
    let best = lines.iter().copied().max_by(|x, y| x.0.total_cmp(&y.0).then(y.2.abs().cmp(&x.2.abs())))?;
    let slope = half_range * 1e-6 * best.2 as f64 / steps as f64;
    let voices: Vec<(f64, f64)> = rows
        .iter()
        .map(|(apart, half, bins)| {
            let bin = (slope * apart / BIN_S).round() as i64 + best.1 + *half as i64;
            let weight = bins[which].get(bin as usize).map_or(0.0, |&b| f64::from(unpack(b)));
            (centre.b_s + apart, (weight - 4.0).max(0.0))
        })
        .collect();
    // What any line through these blocks scores: the correlation's background is not the same for all pairs.
    let (usual, variance) = rows.iter().fold((0.0, 0.0), |(usual, variance), (_, _, bins)| {
        let n = bins[which].len() as f64;
        let says = bins[which].iter().map(|&b| f64::from(unpack(b)));
        let (sum, square) = says.fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
        (usual + sum / n, variance + square / n - (sum / n).powi(2))
    });
    Some(Line {
        a_s: centre.a_s + best.1 as f64 * BIN_S,
        drift_ppm: centre.drift_ppm + half_range * best.2 as f64 / steps as f64,
        score: best.0 - usual,
        stands: (best.0 - usual) / variance.sqrt().max(1.0),
        blocks: rows.len(),
        heard_s: middle_span(&voices),
        ..centre
    })
}

/// Sounds whose paths differ: an engine beside the voices, a loudspeaker. Each has a constant delay beside the clock, and
/// whichever is heard goes on for a while (a Markov chain).
struct Sources {
    /// Delay, bins, and how much of the time it is the one that is heard: the one that is followed, then all others.
    known: Vec<(i64, f32)>,
}

impl Sources {
    /// What each bin of a row says for the clock that passes it, for each source that may be the one that is heard: what
    /// it says for that one, or that any unknown one is heard.
    fn explain(&self, row: &[u8], said: &mut Vec<Vec<f32>>, scratch: &mut Vec<f32>) {
        let width = row.len();
        scratch.clear();
        let bounded = &*BOUNDED;
        scratch.extend(row.iter().map(|&b| bounded[usize::from(b)]));
        said.resize(self.known.len(), Vec::new());
        for (said, &(delay, _)) in said.iter_mut().zip(&self.known) {
            said.clear();
            said.extend((0..width as i64).map(|i| {
                let at = usize::try_from(i + delay).ok();
                at.and_then(|at| scratch.get(at)).copied().unwrap_or(0.0)
            }));
        }
        // Largest of a window by doubling: of 2, 4, ... bins, then two of these that overlap.
        let window = 2 * SOURCE_BINS + 1;
        let mut length = 1;
        while 2 * length <= window {
            for i in 0..width - length {
                scratch[i] = greater(scratch[i + length], scratch[i]);
            }
            length *= 2;
        }
        for i in 0..width {
            let first = i.saturating_sub(SOURCE_BINS);
            let last = (i + SOURCE_BINS + 1).min(width).saturating_sub(length);
            let any = greater(scratch[first], scratch[last.max(first)]) - ANOTHER;
            said.iter_mut().for_each(|s| s[i] = greater(any, s[i]));
        }
    }

    /// What each row says for the clock, whichever source it hears.
    fn whichever(&self, rows: &[Vec<u8>]) -> Vec<Vec<u8>> {
        let (mut said, mut scratch) = (Vec::new(), Vec::new());
        let priors: Vec<f32> = self.known.iter().map(|k| k.1.ln()).collect();
        let told = |row: &Vec<u8>| {
            self.explain(row, &mut said, &mut scratch);
            let most = |i: usize| said.iter().zip(&priors).map(|(s, prior)| s[i] + prior).fold(0.0, greater);
            (0..row.len()).map(|i| pack(most(i))).collect()
        };
        rows.iter().map(told).collect()
    }

    /// The sources, by how many blocks speak loudest for them. A path that hops to a near lane may have
    /// changed its source rather than jumped. It has if it later returns to the lane that it left.
    fn learnt(rows: &[Vec<u8>], bins: &[usize], centres: &[i64]) -> Self {
        let reach = SOURCE_BINS as i64;
        let lag = |i: usize| bins[i] as i64 + centres[i];
        let hop = |i: usize| lag(i) - lag(i - 1);
        // Where the path hops, and the lane on which it goes on, from the first one.
        let hops: Vec<usize> = (1..rows.len()).filter(|&i| (HOP_BINS + 1..=reach).contains(&hop(i).abs())).collect();
        let mut lanes = vec![0i64];
        lanes.extend(hops.iter().scan(0, |lane, &i| {
            *lane += hop(i);
            Some(*lane)
        }));
        let same = |x: i64, y: i64| (x - y).abs() <= HOP_BINS;
        let returns = |k: usize| {
            lanes[k + 2..].iter().any(|&l| same(l, lanes[k])) || lanes[..k].iter().any(|&l| same(l, lanes[k + 1]))
        };
        let sources: Vec<usize> = (0..hops.len()).filter(|&k| returns(k)).map(|k| hops[k]).collect();
        let mut lanes = vec![0i64];
        let (mut lane, mut next) = (0i64, sources.iter().peekable());
        let mut count = vec![0.0f32; 4 * SOURCE_BINS + 1];
        for (i, (row, &bin)) in rows.iter().zip(bins).enumerate() {
            if next.next_if(|&&k| k == i).is_some() {
                let at = lane + hop(i);
                let known = lanes.iter().copied().filter(|&l| same(l, at)).min_by_key(|l| (l - at).abs());
                lane = known.unwrap_or_else(|| {
                    lanes.push(at);
                    at
                });
            }
            let (loudest, weight) = loudest(row, bin);
            let at = loudest as i64 - bin as i64 + lane + 2 * reach;
            if weight >= STRONG && (0..count.len() as i64).contains(&at) {
                count[at as usize] += 1.0;
            }
        }
        let about = |count: &[f32], i: usize| count[i - 1] + count[i] + count[i + 1];
        let most = |count: &[f32], within: std::ops::Range<usize>| {
            within.max_by(|&i, &j| about(count, i).total_cmp(&about(count, j)).then(count[i].total_cmp(&count[j])))
        };
        // The source that is heard most is the one to follow.
        let last = count.len() - 1;
        let followed = most(&count, 1..last).unwrap_or(2 * SOURCE_BINS);
        let mut blocks = vec![about(&count, followed).max(1.0)];
        let mut delays = vec![0];
        count[followed.saturating_sub(SEAT_BINS)..(followed + SEAT_BINS + 1).min(last + 1)].fill(0.0);
        let near = followed.saturating_sub(SOURCE_BINS).max(1)..(followed + SOURCE_BINS).min(last);
        while delays.len() <= SOURCES {
            let Some(other) = most(&count, near.clone()).filter(|&i| about(&count, i) >= COMES_BACK) else { break };
            blocks.push(about(&count, other));
            delays.push(other as i64 - followed as i64);
            count[other - 1..=other + 1].fill(0.0);
        }
        Self { known: delays.into_iter().zip(blocks).collect() }.shared()
    }

    /// The sources without which a path would jump, and the path with them, from one without any and its score. Each is
    /// a quantity more, and must be worth as much as a jump: what real ones gain is 50 nats and more, what a few blocks
    /// gain that an engine turns aside is 5 to 20 (tune half of the benchmark).
    fn that_tell(rows: &[Vec<u8>], centres: &[i64], mut score: f32, mut bins: Vec<usize>) -> (Self, Vec<usize>) {
        let mut sources = Self::one();
        for &another in &Self::learnt(rows, &bins, centres).known[1..] {
            let more = sources.with(another);
            let (tried, by) = best_path(rows, centres, &more);
            if tried >= score + JUMP_PRICE {
                (sources, score, bins) = (more, tried, by);
            }
        }
        (sources, bins)
    }

    /// Only the one that is followed.
    fn one() -> Self {
        Self { known: vec![(0, 1.0)] }
    }

    /// These and another one.
    fn with(&self, another: (i64, f32)) -> Self {
        Self { known: self.known.iter().copied().chain([another]).collect() }.shared()
    }

    /// Shares that make a whole.
    fn shared(mut self) -> Self {
        let total: f32 = self.known.iter().map(|k| k.1).sum();
        self.known.iter_mut().for_each(|k| k.1 /= total);
        self
    }
}

/// The loudest bin of a row within reach of other sources from one, and what it says; that one itself where none is
/// strong.
fn loudest(row: &[u8], bin: usize) -> (usize, f32) {
    let near = bin.saturating_sub(SOURCE_BINS)..(bin + SOURCE_BINS + 1).min(row.len());
    let best = near.fold(bin, |best, i| if row[i] > row[best] { i } else { best });
    let heard = if unpack(row[best]) >= STRONG { best } else { bin };
    (heard, unpack(row[heard]))
}

/// What a block says for a path: beyond [`PATH_MOST`] by the logarithm, so that a voice is told from its reflections.
fn bounded(nats: f32) -> f32 {
    if nats > PATH_MOST { PATH_MOST + 2.0 * (1.0 + nats - PATH_MOST).ln() } else { nats }
}

/// The same of each packed weight.
static BOUNDED: LazyLock<[f32; 256]> = LazyLock::new(|| std::array::from_fn(|packed| bounded(unpack(packed as u8))));

/// Most that a block says for a path, nats. What is high is uncertain by as much (a height of 12 by 9 nats): where an
/// engine fits on two lanes, noise must not carry the path from one to the other.
const PATH_MOST: f32 = 16.0;
/// How far sources lie apart at the most, bins (18 ms: 6 m of air), and what it costs that a block is of one that is not
/// known, nats: one block in ten, at any of the delays.
pub(super) const SOURCE_BINS: usize = 36;
const ANOTHER: f32 = 6.6;
/// So many sources are told apart, at the most, and so many blocks make one.
const SOURCES: usize = 4;
const COMES_BACK: f32 = 2.0;
/// Lags further apart than this are different lanes, bins.
const HOP_BINS: i64 = 3;
/// Share of blocks at which the source that is heard may change: talk takes turns every ten seconds or so (a guess).
const TURNS: f32 = 0.1;

/// What bins say for a line that passes them, where voices sit at different distances: as much as those close by, but
/// for the price of another seat.
fn seats(bins: &[u8]) -> Vec<u8> {
    let near = |i: usize| &bins[i.saturating_sub(SEAT_BINS)..(i + SEAT_BINS + 1).min(bins.len())];
    let elsewhere = |i: usize| near(i).iter().copied().max().unwrap_or(0).saturating_sub(SEAT_PRICE);
    (0..bins.len()).map(|i| bins[i].max(elsewhere(i))).collect()
}

/// Between which times the middle 80 % of the weight lies; `(time, weight)` in time order.
fn middle_span(voices: &[(f64, f64)]) -> (f64, f64) {
    let total: f64 = voices.iter().map(|v| v.1).sum();
    let quantile = |share: f64| {
        let mut sum = 0.0;
        voices
            .iter()
            .find(|v| {
                sum += v.1;
                sum >= share * total
            })
            .or(voices.last())
            .map_or(0.0, |v| v.0)
    };
    (quantile(0.1), quantile(0.9))
}

/// Starts of the blocks of `b` that, with the stretch of `a` they should meet, stand out most; the richest first.
fn rich_blocks(a: &Track, b: &Track, line: &Line, (from, to): (f64, f64), length: usize, count: usize) -> Vec<i64> {
    let first = (from * TRACK_RATE_HZ).ceil() as i64;
    let last = (to * TRACK_RATE_HZ).floor() as i64 - length as i64;
    let total = ((last - first) / length as i64 + 1).max(0) as usize;
    let mut order: Vec<(f32, i64)> = (0..total)
        .map(|i| {
            let start = first + (i * length) as i64;
            let middle_s = (start as f64 + length as f64 / 2.0) / TRACK_RATE_HZ;
            (richness(a, b, line, middle_s), start)
        })
        .collect();
    order.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
    order.truncate(count);
    order.into_iter().map(|o| o.1).collect()
}

/// How much a second of `b` and the second of `a` that it meets stand out together.
pub(crate) fn richness(a: &Track, b: &Track, line: &Line, middle_s: f64) -> f32 {
    let level = |track: &Track, middle_s: f64| {
        let i = (middle_s * TRACK_RATE_HZ / LEVEL_HOP as f64) as i64;
        (i - 2..=i + 1).map(|i| track.levels().get(i.max(0) as usize).copied().unwrap_or(0.0)).sum::<f32>()
    };
    level(b, middle_s) * level(a, line.at(middle_s))
}

/// One block on the path.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PathPoint {
    /// Middle of the block, and the moment of `a` that it meets, seconds.
    pub(crate) b_s: f64,
    pub(crate) a_s: f64,
    /// What the block says for the path.
    pub(crate) weight: f32,
}

/// A path through the whole overlap, and how its line stands out.
#[derive(Debug, Clone)]
pub(crate) struct Path {
    /// Unbroken runs that stand out by themselves; the path jumps between them.
    pub(crate) runs: Vec<Vec<PathPoint>>,
    /// How the straight line stands out.
    pub(crate) standing: Standing,
    /// The path through all blocks, those that say nothing included; their length, seconds, and what a block says for
    /// any lane on average.
    pub(crate) all: Vec<PathPoint>,
    pub(crate) block_s: f64,
    pub(crate) usual: f32,
    /// Lanes beside the line, seconds of `a`, on which the blocks stand out most.
    pub(crate) aside_s: Vec<f64>,
    /// Delays in `a` of the sources that its blocks hear, beside the path, seconds: 0 first, then the louder ones.
    pub(crate) sources_s: Vec<f64>,
    /// What all runs say at the lags around their own.
    pub(super) shape: Vec<f32>,
}

/// Least standing of a path over the same path shifted aside.
const STANDING: f64 = 8.0;
const STANDING_WITHOUT_BEST: f64 = 6.0;

impl Path {
    /// Does it stand out of what any path does, also without its best blocks?
    pub(crate) fn stands(&self) -> bool {
        self.standing.height >= STANDING && self.standing.without_best >= STANDING_WITHOUT_BEST && !self.runs.is_empty()
    }

    /// Whether it passes a lane beside the line that it was found along: a clock that jumps is at several places, and
    /// none of them is a rival of another.
    pub(crate) fn passes(&self, line: &Line, shift_s: f64) -> bool {
        let own_s = OWN_BINS as f64 * BIN_S;
        self.runs.iter().flatten().any(|p| (p.a_s - line.at(p.b_s) - shift_s).abs() <= own_s)
    }

    /// Drift of `b` by the slope between strong blocks of one run a few seconds apart, ppm: jumps between runs do
    /// not count. `None` where too few tell.
    pub(crate) fn slope_ppm(&self) -> Option<f64> {
        let mut slopes: Vec<f64> = Vec::new();
        for run in &self.runs {
            // By where the sound itself is: the path stays near it, no more.
            let within = run[0].b_s..=run[run.len() - 1].b_s;
            let strong: Vec<&PathPoint> =
                self.all.iter().filter(|p| within.contains(&p.b_s) && p.weight >= STRONG).collect();
            for (i, p) in strong.iter().enumerate() {
                let later = strong[i + 1..].iter().map(|q| (q, q.b_s - p.b_s));
                let few_s = later.skip_while(|q| q.1 < SLOPE_S.0).take_while(|q| q.1 <= SLOPE_S.1);
                slopes.extend(few_s.map(|(q, apart_s)| ((q.a_s - p.a_s) / apart_s - 1.0) * 1e6));
            }
        }
        slopes.sort_by(f64::total_cmp);
        (slopes.len() >= SLOPES).then(|| slopes[slopes.len() / 2])
    }
}

/// Blocks this far apart tell a slope, seconds, and how many pairs of them do.
const SLOPE_S: (f64, f64) = (3.0, 12.0);
const SLOPES: usize = 12;
/// Lags to either side that are followed: half a second, so that an engine's cycle shows itself.
const HALF: usize = 1000;
/// Price of a jump, nats: one in three weeks of sound, to any of two thousand lanes. At 16 an engine that fits elsewhere for
/// a few blocks makes jumps, at 30 what is between two losses a few seconds apart is lost. And price of bending by one bin
/// within a block.
const JUMP_PRICE: f32 = 22.0;
const BEND_PRICE: f32 = 3.0;
/// Shifts nearer than this (10 ms) belong to the path's own peak and its reverberation.
const OWN_BINS: usize = 20;
/// Shifts at which a run's blocks say what they say for any lane, bins.
const ASIDE: [i64; 12] = [-947, -787, -613, -461, -307, -149, 151, 311, 463, 617, 797, 953];
/// A jump smaller than this (4 ms) is another source instead, bins.
const NO_JUMP_BINS: u64 = 8;
/// Share of what a run says on its own lane from which it would also do on another. Of 166 lost buffers (tune half of the
/// benchmark) 0.35 finds 8 fewer, 0.8 finds the same; from 1 on nothing would do.
const ALSO_DOES: f32 = 0.6;
/// Parts in which rivals are judged, at the most, and how far each must stand out.
const PARTS: usize = 16;
const PART_STANDING: f64 = 8.0;
/// What a run of the path must show to count.
const RUN_STANDING: f64 = 7.0;

/// Follows a line through a stretch of `b`, as far as it lies within `a`. The shape is that of another path of these tracks,
/// by whose sources this one is to lie; empty where there is none.
pub(crate) fn trace(
    a: &Track,
    b: &Track,
    line: &Line,
    within_s: (f64, f64),
    shape: &[f32],
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Option<Path>> {
    let (from, to) = line.overlap(a, within_s);
    let length = block_length(to - from);
    let first = (from * TRACK_RATE_HZ).ceil() as i64;
    let total = (((to - from) * TRACK_RATE_HZ) as i64 / length as i64).max(0) as usize;
    if total < 2 {
        return Ok(None);
    }
    let reader = BlockReader { a, b, length };
    let plan = plans.at_least(length + (2 * HALF + 1) * BIN);
    let done = std::sync::atomic::AtomicUsize::new(0);
    let middle_s = |i: usize| (first as f64 + (i as f64 + 0.5) * length as f64) / TRACK_RATE_HZ;
    let a_start = |i: usize| (line.at(middle_s(i)) * TRACK_RATE_HZ - length as f64 / 2.0).round() as i64;
    let row = |i: usize, centre: i64| {
        let count = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        if count.is_multiple_of(32) {
            step(progress, "follow", (count as f64 / total as f64).min(1.0))?;
        }
        let at = a_start(i) + centre * BIN as i64;
        let correlation = reader.correlation(&plan, first + (i * length) as i64, at, HALF, line.drift_ppm);
        Ok(correlation.bins(line.inverted))
    };
    let mut rows: Vec<Vec<u8>> = (0..total).into_par_iter().map(|i| row(i, 0)).collect::<Result<_>>()?;
    // The line itself is on trial, not the path, which is free to collect chance matches.
    let straight = vec![HALF; total];
    let standing = stands_out(&rows, &straight, 0..total);
    let aside_s = lanes_aside(&rows, &straight);
    // A device that loses sound again and again leaves the line for good: rows follow the path.
    let mut centres = vec![0i64; total];
    let (mut score, mut bins) = best_path(&rows, &centres, &Sources::one());
    for _ in 0..FOLLOWED {
        let moves = rows_to_move(&rows, &bins, &centres);
        if moves.is_empty() {
            break;
        }
        let moved: Vec<Vec<u8>> = moves.par_iter().map(|&(i, lag)| row(i, lag)).collect::<Result<_>>()?;
        for ((i, lag), row) in moves.into_iter().zip(moved) {
            (centres[i], rows[i]) = (lag, row);
        }
        (score, bins) = best_path(&rows, &centres, &Sources::one());
    }
    let (sources, mut bins) = Sources::that_tell(&rows, &centres, score, bins);
    // Where the sound of each block is, which may be another source's.
    let heard: Vec<(usize, f32)> = rows.iter().zip(&bins).map(|(row, &bin)| loudest(row, bin)).collect();
    // From here on a row says what it says for the clock, whichever source it hears.
    let raw = rows;
    let rows = sources.whichever(&raw);
    let at = |i: usize, bin: usize| {
        let lag = bin as i64 - HALF as i64 + centres[i];
        (a_start(i) as f64 + length as f64 / 2.0 + (lag * BIN as i64) as f64) / TRACK_RATE_HZ
    };
    let point = |i: usize, bin: usize, weight: f32| PathPoint { b_s: middle_s(i), a_s: at(i, bin), weight };
    let runs = unbroken(&bins, &centres)
        .into_iter()
        .filter(|range| stands_out(&rows, &bins, range.clone()).height >= RUN_STANDING)
        .collect::<Vec<_>>();
    let runs = joined(&rows, &mut bins, &centres, runs);
    let (sources_s, shape) = on_one_source(&raw, &mut bins, &runs, shape);
    let on_path = |i: usize| point(i, bins[i], unpack(rows[i][bins[i]]));
    let usual = rows.iter().map(|r| r.iter().map(|&b| unpack(b)).sum::<f32>() / r.len() as f32).sum::<f32>();
    Ok(Some(Path {
        runs: runs.into_iter().map(|range| range.map(on_path).collect()).collect(),
        standing,
        all: heard.iter().enumerate().map(|(i, &(bin, weight))| point(i, bin, weight)).collect(),
        block_s: length as f64 / TRACK_RATE_HZ,
        usual: usual / total as f32,
        aside_s,
        sources_s,
        shape,
    }))
}

/// The rows that the path has nearly left, and the lags that they should be read around: block by block from the run on
/// that the line was found by. What is loud in a row that does not show where the path was before may be that sound's
/// repeat.
fn rows_to_move(rows: &[Vec<u8>], bins: &[usize], centres: &[i64]) -> Vec<(usize, i64)> {
    let lag = |i: usize| bins[i] as i64 - HALF as i64 + centres[i];
    let strong = |i: usize| unpack(rows[i][bins[i]]) >= STRONG;
    let on_line = |i: usize| lag(i).unsigned_abs() as usize <= OWN_BINS;
    let says = |r: &std::ops::Range<usize>| {
        let strong = r.clone().filter(|&i| strong(i));
        (strong.clone().filter(|&i| on_line(i)).count(), strong.count())
    };
    let mut moves: Vec<(usize, i64)> = Vec::new();
    let Some(first) = unbroken(bins, centres).into_iter().max_by_key(says) else { return moves };
    let mut collect = |blocks: &mut dyn Iterator<Item = usize>| {
        let (mut last, mut moved): (Option<i64>, usize) = (None, 0);
        for i in blocks {
            match last {
                Some(lag) if (lag - centres[i]).unsigned_abs() as usize > HALF / 2 => {
                    moves.push((i, lag));
                    moved += 1;
                    if moved == MOVED {
                        break;
                    }
                }
                _ if strong(i) => last = Some(lag(i)),
                _ => {}
            }
        }
    };
    collect(&mut (first.start..rows.len()));
    collect(&mut (0..first.end).rev());
    moves
}

/// A block that says so much for a path is on it, nats; and how often rows are moved after a path, at the most: half a
/// second each time.
const STRONG: f32 = 20.0;
const FOLLOWED: usize = 60;
/// Rows that are moved at once to either side, at the most: where the path wanders off again soon, those further away would be
/// read once more each time. Half of it takes longer to follow an hour after a jump, double of it reads more for nothing.
const MOVED: usize = 600;
/// Lanes that are told to be rivals of a line, at the most.
const LANES: usize = 6;

/// The lanes beside a line on which its blocks stand out most, seconds.
fn lanes_aside(rows: &[Vec<u8>], straight: &[usize]) -> Vec<f64> {
    let [_, sparse] = readings();
    let profile = profile(rows, straight, 0..rows.len(), &sparse);
    let mut order: Vec<usize> = (0..profile.len()).filter(|i| i.abs_diff(HALF) > OWN_BINS).collect();
    order.sort_by(|&x, &y| profile[y].total_cmp(&profile[x]).then(x.cmp(&y)));
    let kept = distinct(order, LANES, |k, &i| k.abs_diff(i) <= OWN_BINS);
    kept.into_iter().map(|i| (i as f64 - HALF as f64) * BIN_S).collect()
}

/// Half a second's worth of lags would be too many for a look at one place, bins; and how far from the place a match
/// may lie (10 ms: another source of the same sound).
const LOOK_BINS: usize = 250;
const LOOK_NEAR: usize = 20;

/// What a second of `b` around each point says for the point's place.
pub(crate) fn weights(a: &Track, b: &Track, points: &[PathPoint], inverted: bool, plans: &Plans) -> Vec<f32> {
    let reader = BlockReader { a, b, length: TRACK_RATE_HZ as usize };
    let plan = plans.at_least(reader.length + (2 * LOOK_BINS + 1) * BIN);
    let start = |middle_s: f64| (middle_s * TRACK_RATE_HZ - reader.length as f64 / 2.0).round() as i64;
    let weight = |p: &PathPoint| {
        let bins = reader.correlation(&plan, start(p.b_s), start(p.a_s), LOOK_BINS, 0.0).bins(inverted);
        bins[LOOK_BINS - LOOK_NEAR..=LOOK_BINS + LOOK_NEAR].iter().map(|&b| unpack(b)).fold(0.0, f32::max)
    };
    points.par_iter().map(weight).collect()
}

/// Ranges of blocks between which the path jumps.
fn unbroken(bins: &[usize], centres: &[i64]) -> Vec<std::ops::Range<usize>> {
    let lag = |i: usize| bins[i] as i64 + centres[i];
    let mut ranges = Vec::new();
    let mut from = 0;
    for i in 1..=bins.len() {
        if i == bins.len() || lag(i).abs_diff(lag(i - 1)) > 3 {
            ranges.push(from..i);
            from = i;
        }
    }
    ranges
}

/// Joins runs that need no jump: those on one lane or nearly (a source that is near the other; the one that says less
/// is moved onto the lane of the other), and of those of which one would also do on the other's lane, far
/// from its own (an engine, which fits again later), keeps the one that says more. What a near lane says for other
/// sources the path has weighed already.
fn joined(
    rows: &[Vec<u8>],
    bins: &mut [usize],
    centres: &[i64],
    runs: Vec<std::ops::Range<usize>>,
) -> Vec<std::ops::Range<usize>> {
    let mut kept: Vec<std::ops::Range<usize>> = Vec::new();
    let lag = |bins: &[usize], i: usize| bins[i] as i64 + centres[i];
    let score = |bins: &[usize], range: &std::ops::Range<usize>, shift: i64| -> f32 {
        range
            .clone()
            .map(|i| {
                let width = rows[i].len() as i64;
                let at = (bins[i] as i64 + shift).rem_euclid(width) as usize;
                let near = &rows[i][at.saturating_sub(2)..(at + 3).min(rows[i].len())];
                unbounded(near.iter().copied().max().unwrap_or(0))
            })
            .sum()
    };
    let does = |bins: &[usize], range: &std::ops::Range<usize>, shift: i64| {
        let usual = ASIDE.map(|aside| score(bins, range, aside)).iter().sum::<f32>() / ASIDE.len() as f32;
        score(bins, range, shift) - usual > ALSO_DOES * (score(bins, range, 0) - usual)
    };
    for run in runs {
        let Some(before) = kept.last_mut() else {
            kept.push(run);
            continue;
        };
        let shift = lag(bins, before.end - 1) - lag(bins, run.start);
        if shift.unsigned_abs() <= NO_JUMP_BINS {
            let later_says_more = score(bins, &run, 0) > score(bins, before, 0);
            let (weaker, by) = if later_says_more { (before.clone(), -shift) } else { (run.clone(), shift) };
            let width = rows[0].len() as i64;
            bins[weaker].iter_mut().for_each(|b| *b = (*b as i64 + by).clamp(0, width - 1) as usize);
            before.end = run.end;
        } else if shift.unsigned_abs() as usize <= SOURCE_BINS
            || !does(bins, &run, shift) && !does(bins, before, -shift)
        {
            kept.push(run);
        } else if score(bins, &run, 0) > score(bins, before, 0) {
            *before = run;
        }
    }
    kept
}

/// How a path's score compares with the scores of the same path shifted aside.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Standing {
    /// Excess over the shifted scores' mean, in their spreads.
    pub(crate) height: f64,
    /// The same without the two neighbouring blocks that say most: one chance match, however loud, is not a placement.
    pub(crate) without_best: f64,
    /// Share of the excess that the best shifted path reaches: near 1 where many places fit.
    pub(crate) rivalry: f64,
}

/// Two readings of a block: `even` for sound that is common all the time but weak, where every block
/// says a little; `sparse` for sound that is common now and then, where most blocks must say nothing.
fn readings() -> [[f32; 256]; 2] {
    let even = std::array::from_fn(|b| unpack(b as u8).min(8.0));
    // Inverse of `weight` above height 3.5, then the part that noise hardly ever reaches.
    let sparse = std::array::from_fn(|b| {
        let excess = ((2.0 * (unpack(b as u8) - 2.0) + 1.0).max(0.0)).sqrt() - 1.0;
        0.5 * (excess - 0.5).max(0.0).powi(2)
    });
    [even, sparse]
}

/// What the blocks of a range say for a path and for the same path shifted aside, by every lag.
fn profile(rows: &[Vec<u8>], bins: &[usize], range: std::ops::Range<usize>, reading: &[f32; 256]) -> Vec<f32> {
    let mut profile = vec![0.0f32; 2 * HALF + 1];
    for i in range {
        // Rounding the edge lets every shift be judged by equally many blocks.
        let row = &rows[i];
        let turn = (bins[i] + row.len() - HALF) % row.len();
        for (p, &b) in profile.iter_mut().zip(row[turn..].iter().chain(&row[..turn])) {
            *p += reading[b as usize];
        }
    }
    profile
}

/// Moves the runs of a path to where all hear the same source. Whichever is loudest beyond a jump would pass for the one
/// before it, and the jump for so much larger or smaller; but most runs hear all sources, each at the same delay beside
/// the others: a run lies where its own profile over the lags is that of the runs that say more.
fn on_one_source(
    rows: &[Vec<u8>],
    bins: &mut [usize],
    runs: &[std::ops::Range<usize>],
    known: &[f32],
) -> (Vec<f64>, Vec<f32>) {
    let [even, _] = readings();
    let reach = SOURCE_BINS as i64;
    // How far what the run says at each lag near its own stands out of what it says at any, and at all how far.
    let shape = |range: &std::ops::Range<usize>, bins: &[usize]| -> Vec<f32> {
        let profile = profile(rows, bins, range.clone(), &even);
        let n = profile.len() as f32;
        let mean = profile.iter().sum::<f32>() / n;
        let spread = (profile.iter().map(|p| (p - mean).powi(2)).sum::<f32>() / n).sqrt().max(1e-6);
        let near = HALF - 2 * SOURCE_BINS..=HALF + 2 * SOURCE_BINS;
        profile[near].iter().map(|p| ((p - mean) / spread - NOISE).max(0.0)).collect()
    };
    let mut runs: Vec<(std::ops::Range<usize>, Vec<f32>)> =
        runs.iter().map(|range| (range.clone(), shape(range, bins))).collect();
    let says = |shape: &[f32]| shape.iter().sum::<f32>();
    runs.sort_by(|x, y| says(&y.1).total_cmp(&says(&x.1)).then(x.0.start.cmp(&y.0.start)));
    let mut all = known.to_vec();
    all.resize(4 * SOURCE_BINS + 1, 0.0);
    for (range, shape) in runs {
        let moved = |shift: i64| move |i: usize| usize::try_from(i as i64 + shift).ok();
        let alike = |shift: i64| -> f32 {
            let at = moved(shift);
            all.iter().enumerate().map(|(i, a)| at(i).and_then(|i| shape.get(i)).map_or(0.0, |s| a * s)).sum()
        };
        // Where no other place is better it stays.
        let (best, _) =
            (-reach..=reach).map(|s| (s, alike(s))).fold((0, alike(0)), |b, s| if s.1 > b.1 { s } else { b });
        let fits = range.clone().all(|i| (0..rows[i].len() as i64).contains(&(bins[i] as i64 + best)));
        let shift = if best.abs() > HOP_BINS && fits { best } else { 0 };
        let at = moved(shift);
        all.iter_mut().enumerate().for_each(|(i, a)| *a += at(i).and_then(|i| shape.get(i)).copied().unwrap_or(0.0));
        bins[range].iter_mut().for_each(|b| *b = (*b as i64 + shift) as usize);
    }
    let own = 2 * SOURCE_BINS;
    // Reflections are softer than what they reflect.
    let least = all.iter().copied().fold(0.0, f32::max) / 2.0;
    let mut order: Vec<usize> = (0..all.len()).filter(|&i| all[i] > least && i.abs_diff(own) > SEAT_BINS).collect();
    order.sort_by(|&x, &y| all[y].total_cmp(&all[x]).then(x.cmp(&y)));
    let others = distinct(order, SOURCES - 1, |k, &i| k.abs_diff(i) <= SEAT_BINS);
    let sources_s = std::iter::once(own).chain(others).map(|i| (i as f64 - own as f64) * BIN_S).collect();
    (sources_s, all)
}

/// Standard deviations of a profile's background that its highest chance peaks near a lane reach, among 145 lags.
const NOISE: f32 = 3.0;

/// Which of the middle lags says most: a line may pass between two seats.
fn middle_lag(profile: &[f32]) -> usize {
    (HALF - SEAT_BINS - 1..=HALF + SEAT_BINS + 1)
        .fold(HALF, |best, lag| if profile[lag] > profile[best] { lag } else { best })
}

/// Excess of the unshifted path over the mean of the shifted ones, and each shifted one's.
fn excess(profile: &[f32]) -> (f64, Vec<f64>) {
    let own = f64::from(profile[middle_lag(profile)]);
    let mut aside: Vec<f64> =
        profile.iter().enumerate().filter(|(i, _)| i.abs_diff(HALF) > OWN_BINS).map(|(_, &p)| f64::from(p)).collect();
    let mean = aside.iter().sum::<f64>() / aside.len() as f64;
    aside.iter_mut().for_each(|v| *v -= mean);
    (own - mean, aside)
}

/// Spread of lanes, without the few on which the same sound comes again: those are places to be held against this one,
/// not chance.
fn spread_of(aside: &[f64]) -> f64 {
    let mut left = aside.to_vec();
    for _ in 0..LANES {
        let top = (0..left.len()).fold(0, |best, i| if left[i] > left[best] { i } else { best });
        left[top.saturating_sub(OWN_BINS)..(top + OWN_BINS + 1).min(aside.len())].fill(f64::NEG_INFINITY);
    }
    let (sum, count) = left.iter().filter(|v| v.is_finite()).fold((0.0, 0.0), |(s, n), v| (s + v * v, n + 1.0));
    (sum / f64::max(count, 1.0)).sqrt()
}

/// Judges the blocks of a range on a path, by the reading that shows more.
fn stands_out(rows: &[Vec<u8>], bins: &[usize], range: std::ops::Range<usize>) -> Standing {
    let judge = |reading: &[f32; 256], least_spread: f64| {
        let whole = profile(rows, bins, range.clone(), reading);
        let (own, aside) = excess(&whole);
        let lag = middle_lag(&whole);
        let says = |i: usize| reading[rows[i][(bins[i] + rows[i].len() + lag - HALF) % rows[i].len()] as usize];
        // One event may lie across two blocks.
        let both = |i: usize| says(i) + if i + 1 < range.end { says(i + 1) } else { 0.0 };
        let best = range.clone().map(both).fold(0.0, f32::max);
        let spread = spread_of(&aside).max(least_spread);
        // Where the whole stands out enough to be judged in parts, a rival must speak when the path speaks: a
        // path across a jump has a rival in its own continuation, which speaks at other times.
        let parts = ((own / spread / PART_STANDING).powi(2) as usize).clamp(1, PARTS).min(range.len());
        let mut shared = vec![0.0; aside.len()];
        for part in 0..parts {
            let at = |k: usize| range.start + k * range.len() / parts;
            let (own, aside) = excess(&profile(rows, bins, at(part)..at(part + 1), reading));
            shared.iter_mut().zip(aside).for_each(|(s, v)| *s += v.min(own));
        }
        let rival = shared.into_iter().fold(f64::NEG_INFINITY, f64::max);
        Standing {
            height: own / spread,
            without_best: (own - f64::from(best)) / spread,
            rivalry: rival / own.max(1e-9),
        }
    };
    let [even, sparse] = readings();
    // The line was chosen among millions: a few chance blocks of the usual height on it are no surprise,
    // even where blocks aside happen to hold none.
    let (even, sparse) = (judge(&even, 1.0), judge(&sparse, 2.5));
    if even.without_best >= sparse.without_best { even } else { sparse }
}

/// Best path by dynamic programming, and its score, nats: at every block the clock stays, bends by one bin, or jumps anywhere; and the source
/// that is heard stays or is another. `centres`: how far each row's middle lies from the line, bins.
fn best_path(rows: &[Vec<u8>], centres: &[i64], sources: &Sources) -> (f32, Vec<usize>) {
    let width = rows[0].len();
    let (mut score, mut said, mut scratch) = (Vec::new(), Vec::new(), Vec::new());
    sources.explain(&rows[0], &mut score, &mut scratch);
    let first = sources.known.iter().map(|k| k.1.ln());
    score.iter_mut().zip(first).for_each(|(s, ln)| s.iter_mut().for_each(|s| *s += ln));
    let highest =
        |x: &[f32]| x.iter().enumerate().fold((f32::NEG_INFINITY, 0), |m, (i, &s)| if s > m.0 { (s, i) } else { m });
    // For each block but the first: how each bin was come to, whichever source is heard (low two bits: stayed, bent,
    // bent the other way, jumped), and which source was heard before.
    let mut moves: Vec<Vec<u8>> = Vec::with_capacity(rows.len());
    let mut jumps: Vec<usize> = Vec::with_capacity(rows.len());
    let mut next = score.clone();
    let (mut top, mut of) = (vec![0.0f32; width], vec![0u8; width]);
    for (row, centre) in rows[1..].iter().zip(centres.windows(2)) {
        // The best of all sources of the row before.
        top.clone_from(&score[0]);
        of.fill(0);
        for (k, s) in score.iter().enumerate().skip(1) {
            for i in 0..width {
                if s[i] > top[i] {
                    (top[i], of[i]) = (s[i], k as u8);
                }
            }
        }
        let (most, jump) = highest(&top);
        sources.explain(row, &mut said, &mut scratch);
        let shift = centre[1] - centre[0];
        let mut step = vec![0u8; width * score.len()];
        for (k, step) in step.chunks_mut(width).enumerate() {
            let share = sources.known[k].1;
            let (stays, turns) = ((1.0 - TURNS * (1.0 - share)).ln(), (TURNS * share).ln());
            let jump_score = most - JUMP_PRICE + share.ln();
            let (own, next) = (&score[k], &mut next[k]);
            // What the row before says at the same lag, a bin less, a bin more.
            let before = |i: usize, more: i64| match usize::try_from(i as i64 + shift + more) {
                Ok(at) if at < width && own[at] + stays >= top[at] + turns => (own[at] + stays, k as u8),
                Ok(at) if at < width => (top[at] + turns, of[at]),
                _ => (f32::NEG_INFINITY, 0),
            };
            for i in 0..width {
                let ((mut best, mut from), mut how) = (before(i, 0), 0u8);
                for (more, by) in [(-1, 1), (1, 2)] {
                    let (bent, source) = before(i, more);
                    if bent - BEND_PRICE > best {
                        (best, from, how) = (bent - BEND_PRICE, source, by);
                    }
                }
                if jump_score > best {
                    (best, from, how) = (jump_score, of[jump], 3);
                }
                next[i] = best + said[k][i];
                step[i] = how | from << 2;
            }
        }
        std::mem::swap(&mut score, &mut next);
        moves.push(step);
        jumps.push(jump);
    }
    let ends = score.iter().enumerate().map(|(k, s)| (highest(s), k));
    let ((most, mut bin), mut source) = ends.reduce(|m, e| if e.0.0 > m.0.0 { e } else { m }).unwrap_or_default();
    let mut path = vec![bin; rows.len()];
    for i in (0..moves.len()).rev() {
        let shift = centres[i + 1] - centres[i];
        let step = moves[i][source * width + bin];
        bin = match step & 3 {
            1 => (bin as i64 + shift - 1) as usize,
            2 => (bin as i64 + shift + 1) as usize,
            3 => jumps[i],
            _ => (bin as i64 + shift) as usize,
        };
        source = usize::from(step >> 2);
        path[i] = bin;
    }
    (most, path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_byte_keeps_a_weight_and_how_far_it_counts() {
        let mut last = -1.0;
        for tenths in 0..15_000 {
            let weight = tenths as f32 / 10.0;
            let (counts, is) = (unpack(pack(weight)), unbounded(pack(weight)));
            assert!((is - weight).abs() <= (0.13 * weight).max(0.13), "{weight}: {is}");
            assert!(
                counts >= last && counts <= WEIGHT_MAX && (weight > LINEAR_MAX || counts == is),
                "{weight}: {counts}"
            );
            last = counts;
        }
    }

    #[test]
    fn a_line_passes_a_voice_from_another_seat_for_a_price() {
        let mut bins = vec![pack(0.0); 21];
        bins[10] = pack(40.0);
        let passed = seats(&bins);
        assert_eq!((unpack(passed[10]), unpack(passed[7]), unpack(passed[6])), (40.0, 34.0, 0.0));
    }

    /// Rows of blocks that are loud at the bins that `lanes` names for each.
    fn loud_at(lanes: &[usize]) -> Vec<Vec<u8>> {
        let row = |&lane: &usize| (0..=2 * HALF).map(|i| pack(if i == lane { 40.0 } else { 0.0 })).collect();
        lanes.iter().map(row).collect()
    }

    #[test]
    fn sources_that_take_turns_are_one_clock_and_a_clock_that_jumps_is_none() {
        // An engine and, for nine seconds of each twenty, a voice 6 ms after it, while the clock wanders by 6 ms.
        let clock = |i: usize| HALF + (12.0 * (i as f64 / 100.0).sin()).round() as usize;
        let turns: Vec<usize> = (0..300).map(|i| clock(i) + if i % 20 < 9 { 12 } else { 0 }).collect();
        // The same step once, and never back.
        let jumps: Vec<usize> = (0..300).map(|i| HALF + if i < 150 { 12 } else { 0 }).collect();
        for (lanes, known, runs) in [(turns, 2, 1), (jumps, 1, 2)] {
            let (rows, centres) = (loud_at(&lanes), vec![0; lanes.len()]);
            let (score, bins) = best_path(&rows, &centres, &Sources::one());
            assert!(unbroken(&bins, &centres).len() > 1);
            let (sources, bins) = Sources::that_tell(&rows, &centres, score, bins);
            assert_eq!((sources.known.len(), unbroken(&bins, &centres).len()), (known, runs), "{:?}", sources.known);
        }
    }

    #[test]
    fn a_run_that_follows_another_source_is_moved_to_where_the_others_lie() {
        // A voice, and an engine 9 ms after it, both in every block; after a jump of 50 ms the path follows the engine.
        let heard = |lanes: [usize; 2]| {
            let says = |i: usize| if lanes.contains(&i) { 6.0 } else { f32::from(i.is_multiple_of(3)) };
            (0..=2 * HALF).map(|i| pack(says(i))).collect::<Vec<u8>>()
        };
        let runs = [0..60, 60..100];
        let rows: Vec<Vec<u8>> =
            (0..100).map(|i| heard([HALF, HALF + 18].map(|lane| if i < 60 { lane } else { lane + 100 }))).collect();
        let mut bins: Vec<usize> = (0..100).map(|i| if i < 60 { HALF } else { HALF + 118 }).collect();
        let (sources_s, _) = on_one_source(&rows, &mut bins, &runs, &[]);
        assert_eq!((bins[0], bins[59], bins[60], bins[99]), (HALF, HALF, HALF + 100, HALF + 100));
        assert_eq!(sources_s, [0.0, 18.0 * BIN_S]);
        // Where only one source is heard there is nothing to tell by, and nothing to move.
        let lanes: Vec<usize> = (0..100).map(|i| if i < 60 { HALF } else { HALF + 118 }).collect();
        let mut bins = lanes.clone();
        assert_eq!(on_one_source(&loud_at(&lanes), &mut bins, &runs, &[]).0, [0.0]);
        assert_eq!(bins, lanes);
    }
}
