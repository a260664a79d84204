//! Where could two tracks lie? Long probes of all the sound of one are looked for everywhere in the other.
//!
//! A probe is some twenty seconds in blocks that are short enough for a clock difference not to turn their sound
//! (coherent), and the blocks' correlograms are added along straight lines of offset and drift (incoherent):
//! semi-coherent detection, as searches for weak periodic signals use it. A block's height is its squared correlation
//! over the mean of that within half a second, so that an engine which fits at every turn raises its own yardstick.
//! Places of different probes that one clock could explain add up.

use coeval_transform::{Complex32, ComplexPlan, Plans};
use rayon::prelude::*;

use super::SOFT;
use super::search::{Candidate, Clock, FEW, distinct, foremost};
use crate::error::Result;
use crate::filter::{dot, sum};
use crate::progress::{Progress, step};
use crate::track::band::{BAND_RATE_HZ, Band, CENTRE_HZ};

/// How long probes are made.
#[derive(Debug, Clone)]
pub(crate) struct Look {
    /// Seconds of a coherent block, and how many follow each other in a probe.
    pub(crate) block_s: f64,
    pub(crate) blocks: usize,
    /// Clock differences at which blocks are read, ppm. Each serves [`reach_ppm`](Self::reach_ppm) to either side.
    pub(crate) drifts_ppm: Vec<f64>,
}

impl Look {
    /// Clock difference at which a block's sound in the middle of the band has turned by 0.44 of a cycle, which takes
    /// half of its power.
    pub(crate) fn reach_ppm(block_s: f64) -> f64 {
        0.44 / (CENTRE_HZ * block_s) * 1e6
    }

    /// Blocks of four seconds or less, at clock differences near zero.
    pub(crate) fn near(longest_s: f64) -> Self {
        let blocks = ((longest_s / 4.0).round() as usize).clamp(1, 5);
        Self { block_s: (longest_s / blocks as f64).min(4.0), blocks, drifts_ppm: vec![0.0] }
    }

    /// Blocks of two seconds or less, at all clock differences up to `max_ppm` that [`near`](Self::near) does not serve.
    pub(crate) fn wide(longest_s: f64, max_ppm: f64) -> Self {
        let blocks = ((longest_s / 2.0).round() as usize).clamp(1, 8);
        let block_s = (longest_s / blocks as f64).min(2.0);
        let (served, reach) = (Self::reach_ppm(Self::near(longest_s).block_s), Self::reach_ppm(block_s));
        let mut drifts_ppm = Vec::new();
        let mut next = served;
        while next < max_ppm {
            drifts_ppm.extend([-next - reach, next + reach]);
            next += 2.0 * reach;
        }
        Self { block_s, blocks, drifts_ppm }
    }

    /// Is a probe as long as this, but for less than a sample?
    pub(crate) fn covers(&self, length_s: f64) -> bool {
        (length_s - self.probe_s()) * BAND_RATE_HZ < 1.0
    }

    pub(crate) fn probe_s(&self) -> f64 {
        self.block_s * self.blocks as f64
    }
}

/// Samples of the envelope over which a correlation's mean is taken: half a second to either side.
const LOCAL: usize = 1000;
/// Most that a block may say for a place, nats; and what a place must say to be kept: the blocks of a probe are
/// exponentially distributed by chance, and among millions of lags five of them together reach about 30.
const BLOCK_MOST: f32 = 60.0;
const LEAST: u16 = 4 * 14;
/// Places kept for each probe: a sound that repeats every two seconds has as many in four minutes. With fewer, the right one is
/// not among them; more take no longer where nothing repeats.
const KEPT: usize = 128;
/// Lags beyond a row's ends, for lines that are not level: 16 ms are 1000 ppm over sixteen seconds.
const PAD: usize = 24;
/// Longest stretch of the other track that is looked through at once, samples: half an hour, which takes 9 MB a block.
const STRETCH: usize = 1_800_000;

#[derive(Debug, Clone, Copy)]
struct Place {
    probe_s: f64,
    found_s: f64,
    drift_ppm: f64,
    nats: f32,
}

/// Looks for probes of `probe`, which begin at `starts_s`, everywhere in `whole`. `a_s` of the result is in `whole`.
///
/// `window_s`: lowest and highest offset (`whole` time minus `probe` time) that is wanted.
pub(crate) fn places(
    (whole, probe): (&Band, &Band),
    look: &Look,
    starts_s: &[f64],
    max_drift_ppm: f64,
    window_s: Option<(f64, f64)>,
    plans: &Plans,
    progress: &dyn Progress,
) -> Result<Vec<Candidate>> {
    let block = (look.block_s * BAND_RATE_HZ) as usize;
    if block < 200 || whole.len() < 200 {
        return Ok(Vec::new());
    }
    let plan = plans.complex(transform_len(block));
    let mut found = Vec::with_capacity(starts_s.len());
    for (i, &start_s) in starts_s.iter().enumerate() {
        step(progress, "search", i as f64 / starts_s.len() as f64)?;
        let mut all = Vec::new();
        for &drift_ppm in &look.drifts_ppm {
            let probe = Probe::new((whole, probe), look, &plan, (start_s, drift_ppm), max_drift_ppm);
            all.extend(probe.places(window_s, progress)?);
        }
        all.sort_by(|x, y| y.nats.total_cmp(&x.nats).then(x.found_s.total_cmp(&y.found_s)));
        found.push(distinct(all, KEPT, |k, p| (k.found_s - p.found_s).abs() <= 0.02));
    }
    Ok(group(&found, look, max_drift_ppm))
}

/// Rows of lags, as many as a block has samples, that one transform of so many samples gives.
fn rows_each(len: usize, block: usize) -> usize {
    (len + 1).saturating_sub(block + 2 * PAD) / block
}

/// Length of the transforms that cost least for each row.
fn transform_len(block: usize) -> usize {
    let cost = |log2: u32| match rows_each(1 << log2, block) {
        0 => f64::INFINITY,
        rows => f64::from(log2) * f64::from(1 << log2) / rows as f64,
    };
    (13..=15).min_by(|&x, &y| cost(x).total_cmp(&cost(y))).map_or(1 << 15, |log2| 1 << log2)
}

/// Starts of `count` probes spread over a stretch, seconds; of one alone where there is room for no more.
pub(crate) fn spread(within_s: (f64, f64), look: &Look, count: usize) -> Vec<f64> {
    let free = (within_s.1 - within_s.0 - look.probe_s()).max(0.0);
    let count = if look.covers(within_s.1 - within_s.0) { count.min(1) } else { count };
    (0..count).map(|i| within_s.0 + free * (i as f64 + 0.5) / count as f64).collect()
}

/// A block of a probe.
struct Block {
    /// The conjugate.
    spectrum: Vec<Complex32>,
    /// Sum of its samples' squares.
    energy: f32,
}

/// A probe at one clock difference, and where it is looked for.
struct Probe<'p> {
    whole: &'p Band,
    look: &'p Look,
    plan: &'p ComplexPlan,
    /// Start in its own track, seconds.
    start_s: f64,
    /// Samples of a block.
    block: usize,
    blocks: Vec<Block>,
    /// Lines that blocks may lie on: clock difference in ppm, and by how many lags each block lies further, and [`PAD`].
    lines: Vec<(f64, Vec<usize>)>,
    /// Least and most of these lags for each block.
    reach: Vec<(usize, usize)>,
}

impl<'p> Probe<'p> {
    fn new(
        (whole, probe): (&'p Band, &Band),
        look: &'p Look,
        plan: &'p ComplexPlan,
        (start_s, drift_ppm): (f64, f64),
        max_drift_ppm: f64,
    ) -> Self {
        let block = (look.block_s * BAND_RATE_HZ) as usize;
        let first = (start_s * BAND_RATE_HZ).round() as i64;
        let mut samples = Vec::new();
        let mut of_block = |j: usize| {
            let mut buffer = vec![Complex32::default(); plan.len];
            probe.read(first + (j * block) as i64, &mut samples, &mut buffer[..block]);
            // On the other's clock the carrier turns by as much as the clocks differ.
            let turn = -std::f64::consts::TAU * CENTRE_HZ * drift_ppm * 1e-6 / BAND_RATE_HZ;
            for (n, v) in buffer[..block].iter_mut().enumerate() {
                let angle = turn * (n as f64 - block as f64 / 2.0);
                *v *= Complex32::new(angle.cos() as f32, angle.sin() as f32);
            }
            plan.forward.process(&mut buffer);
            buffer.iter_mut().for_each(|v| *v = v.conj());
            Block { energy: dot(&samples, &samples), spectrum: buffer }
        };
        let blocks = (0..look.blocks).map(&mut of_block).collect();
        let lines = lines(look, drift_ppm, max_drift_ppm);
        let lags = |j: usize| lines.iter().map(move |l| l.1[j]);
        let reach = (0..look.blocks).map(|j| (lags(j).min().unwrap_or(PAD), lags(j).max().unwrap_or(PAD)));
        Self { whole, look, plan, start_s, block, blocks, reach: reach.collect(), lines }
    }

    /// The block that the others are counted from.
    fn middle(&self) -> usize {
        self.look.blocks / 2
    }

    /// Where in `whole` the middle block may begin, samples.
    fn range(&self, window_s: Option<(f64, f64)>) -> (i64, i64) {
        let (begin, end) = (-(self.block as i64) + 1, self.whole.len() as i64);
        let Some((low, high)) = window_s else { return (begin, end) };
        // A window may reach further than can be counted.
        let at = |offset_s: f64, more: i64| {
            (((self.start_s + offset_s) * BAND_RATE_HZ) as i64)
                .saturating_add((self.middle() * self.block) as i64)
                .saturating_add(more)
        };
        (begin.max(at(low, -(PAD as i64))), end.min(at(high, PAD as i64)))
    }

    /// The places where the probe fits best.
    fn places(&self, window_s: Option<(f64, f64)>, progress: &dyn Progress) -> Result<Vec<Place>> {
        let block = self.block;
        let rows_each = rows_each(self.plan.len, block);
        let (mut from, end) = self.range(window_s);
        let mut found: Vec<Place> = Vec::new();
        while from < end {
            let rows = (((end - from) as usize).min(STRETCH)).div_ceil(block);
            // The probe's other blocks lie before and after its middle one.
            let all_rows = rows + self.look.blocks - 1;
            let base = from - (self.middle() * block) as i64;
            let chunks: Vec<usize> = (0..all_rows.div_ceil(rows_each)).collect();
            let heights: Vec<Vec<Vec<u8>>> = chunks
                .into_par_iter()
                .map_init(Buffers::default, |buffers, c| {
                    if c % 8 == 0 {
                        step(progress, "search", 0.5)?;
                    }
                    Ok(self.heights(base + (c * rows_each * block) as i64, buffers))
                })
                .collect::<Result<_>>()?;
            // The row of a block lies as many rows further as the block does in its probe.
            let row = |j: usize, r: usize| -> &[u8] {
                let at = (r % rows_each) * block;
                &heights[r / rows_each][j][at..at + block + 2 * PAD]
            };
            let places = (0..rows).into_par_iter().map_init(Vec::new, |most, r| {
                let lags: Vec<&[u8]> = (0..self.look.blocks).map(|j| row(j, r + j)).collect();
                self.places_in_row(&lags, from + (r * block) as i64, most)
            });
            found.extend(places.collect::<Vec<_>>().into_iter().flatten());
            from += (rows * block) as i64;
        }
        Ok(found)
    }

    /// The best places of the lags of one row: `lags` are the heights of each block, and `origin` is where the middle block
    /// begins at the first of them. `most` is used up.
    fn places_in_row(&self, lags: &[&[u8]], origin: i64, most: &mut Vec<u8>) -> Vec<Place> {
        let (block, blocks) = (self.block, self.look.blocks);
        let least = LEAST + 4 * blocks as u16;
        // What no line through a lag can exceed: each block's highest of the lags that its lines pass. All blocks together
        // say this little almost everywhere, and lines are drawn only where it is enough.
        most.clear();
        most.resize(block, 0);
        for (lags, &(low, high)) in lags.iter().zip(&self.reach) {
            highest(&lags[low..high + block], most);
        }
        let best_at = |l: usize| -> (u16, usize) {
            let nats = |shifts: &[usize]| lags.iter().zip(shifts).map(|(lags, shift)| u16::from(lags[shift + l])).sum();
            let each = self.lines.iter().enumerate().map(|(i, (_, shifts))| (nats(shifts), i));
            // Of equals the first.
            each.reduce(|x, y| if y.0 > x.0 { y } else { x }).unwrap_or_default()
        };
        let top = |l: usize| {
            let best = best_at(l);
            let is_top = best.0 >= least
                && (l == 0 || best.0 >= best_at(l - 1).0)
                && (l + 1 == block || best.0 > best_at(l + 1).0);
            is_top.then_some((l, best))
        };
        let enough = |l: &usize| u16::from(most[*l]) >= least;
        let mut tops: Vec<(usize, (u16, usize))> = (0..block).filter(enough).filter_map(top).collect();
        tops.sort_by(|x, y| y.1.0.cmp(&x.1.0).then(x.0.cmp(&y.0)));
        tops.truncate(KEPT);
        // From the beginning of the middle block to the middle of the probe.
        let on = self.look.probe_s() / 2.0 - self.middle() as f64 * self.look.block_s;
        let place = |(l, (best, line)): (usize, (u16, usize))| Place {
            probe_s: self.start_s + self.look.probe_s() / 2.0,
            found_s: (origin + l as i64) as f64 / BAND_RATE_HZ + on,
            drift_ppm: self.lines[line].0,
            nats: f32::from(best) / 4.0 - blocks as f32,
        };
        tops.into_iter().map(place).collect()
    }

    /// Heights of each block at the lags of as many rows as a transform gives, from `origin` on, in quarters of a nat.
    fn heights(&self, origin: i64, buffers: &mut Buffers) -> Vec<Vec<u8>> {
        let (plan, lags) = (self.plan, rows_each(self.plan.len, self.block) * self.block + 2 * PAD);
        let Buffers { samples, spectrum, product, scratch } = buffers;
        let mut power = [0.0f32; LOCAL];
        spectrum.resize(plan.len, Complex32::default());
        product.resize(plan.len, Complex32::default());
        let scratch_len = plan.forward.get_inplace_scratch_len().max(plan.inverse.get_inplace_scratch_len());
        scratch.resize(scratch_len, Complex32::default());
        self.whole.read(origin - PAD as i64, samples, spectrum);
        if spectrum.iter().all(|v| v.re == 0.0 && v.im == 0.0) {
            return vec![vec![0; lags]; self.blocks.len()];
        }
        // What lies beyond either end of the track is no sound.
        let (from, to) = (origin - PAD as i64, origin - PAD as i64 + plan.len as i64);
        let inside = (to.min(self.whole.len() as i64) - from.max(0)).max(1);
        // Mean power of a sample, so that with a block's energy it is what chance gives for a lag.
        let heard = dot(samples, samples) / inside as f32;
        plan.forward.process_with_scratch(spectrum, scratch);
        // The transforms are not normalised: a correlation comes out `len` times as high.
        let heard = heard * (plan.len as f32).powi(2);
        let heights = |block: &Block| {
            for ((p, x), y) in product.iter_mut().zip(&*spectrum).zip(&block.spectrum) {
                *p = x * y;
            }
            plan.inverse.process_with_scratch(product, scratch);
            // Where next to nothing is heard, or the other track ends, its little is not allowed to pass for peaks.
            let floor = (0.25 * heard * block.energy).max(1e-20);
            let mut heights = vec![0; lags];
            for (part, heights) in product[..lags].chunks(LOCAL).zip(heights.chunks_mut(LOCAL)) {
                let power = &mut power[..part.len()];
                power.iter_mut().zip(part).for_each(|(p, v)| *p = v.norm_sqr());
                let scale = 4.0 / (sum(power) / part.len() as f32).max(floor);
                for (height, power) in heights.iter_mut().zip(&*power) {
                    *height = whole_number((power * scale).min(4.0 * BLOCK_MOST));
                }
            }
            heights
        };
        self.blocks.iter().map(heights).collect()
    }
}

/// Working memory of one thread.
#[derive(Default)]
struct Buffers {
    samples: Vec<f32>,
    spectrum: Vec<Complex32>,
    product: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

/// A number from 0 to 255 without its fraction, by the bits that it has as a large number: `as` has to ask for all
/// other numbers as well, which takes as long as a transform.
fn whole_number(x: f32) -> u8 {
    ((x - 0.5).max(0.0) + 8_388_608.0).to_bits() as u8
}

/// Adds to each of `sums` the highest of the values from its place on, as many as `values` are longer than `sums`, and one.
fn highest(values: &[u8], sums: &mut [u8]) {
    let mut parts = [0u8; 256];
    let width = values.len() + 1 - sums.len();
    for (i, sums) in sums.chunks_mut(parts.len()).enumerate() {
        let parts = &mut parts[..sums.len()];
        let first = i * 256;
        parts.copy_from_slice(&values[first..first + sums.len()]);
        for shift in 1..width {
            let shifted = &values[first + shift..first + shift + sums.len()];
            parts.iter_mut().zip(shifted).for_each(|(p, &v)| *p = (*p).max(v));
        }
        sums.iter_mut().zip(&*parts).for_each(|(s, &p)| *s = s.saturating_add(p));
    }
}

/// The lines of offset and drift that a probe's blocks can lie on, as [`Probe::lines`] has them; each once.
fn lines(look: &Look, drift_ppm: f64, max_drift_ppm: f64) -> Vec<(f64, Vec<usize>)> {
    let middle = look.blocks / 2;
    // Blocks lie further from the middle one by this many lags for each ppm.
    let lag_each = look.block_s * BAND_RATE_HZ * 1e-6;
    let step_ppm = 0.5 / (lag_each * (look.blocks.max(2) - 1) as f64);
    let count = (Look::reach_ppm(look.block_s) / step_ppm).ceil() as i64;
    let mut lines: Vec<(f64, Vec<usize>)> = Vec::new();
    for i in -count..=count {
        let ppm = (drift_ppm + i as f64 * step_ppm).clamp(-max_drift_ppm, max_drift_ppm);
        let shift = |j: usize| (ppm * lag_each * (j as f64 - middle as f64)).round() as i64;
        let shift = |j: usize| (shift(j) + PAD as i64).clamp(0, 2 * PAD as i64) as usize;
        let shifts: Vec<usize> = (0..look.blocks).map(shift).collect();
        if lines.iter().all(|l| l.1 != shifts) {
            lines.push((ppm, shifts));
        }
    }
    lines
}

/// Joins places that one clock could explain and ranks them.
fn group(places: &[Vec<Place>], look: &Look, max_drift_ppm: f64) -> Vec<Candidate> {
    // How exactly a probe tells its own drift.
    let known_ppm = 2000.0 / look.probe_s();
    let chance = 16.0f32;
    let mut ranked: Vec<Candidate> = Vec::new();
    for (i, seeds) in places.iter().enumerate() {
        for seed in seeds {
            let mut score = seed.nats;
            let mut clock = Clock::near(seed.drift_ppm, known_ppm, max_drift_ppm, 0.003);
            let mut others: Vec<&Vec<Place>> =
                places.iter().enumerate().filter(|(j, p)| *j != i && !p.is_empty()).map(|(_, p)| p).collect();
            // Nearest probes first: each agreeing place narrows the drift for those further away.
            others.sort_by(|x, y| {
                let apart = |p: &[Place]| (p[0].probe_s - seed.probe_s).abs();
                apart(x).total_cmp(&apart(y))
            });
            for other in others {
                let apart = other[0].probe_s - seed.probe_s;
                if apart == 0.0 {
                    continue;
                }
                let slide = |p: &Place| (p.found_s - seed.found_s) - apart;
                if let Some(p) = other.iter().find(|p| clock.explains(slide(p), apart)) {
                    score += (p.nats - chance).max(0.0);
                    if p.nats > 2.0 * chance && seed.nats > 2.0 * chance {
                        clock.narrow(slide(p), apart);
                    }
                }
            }
            if let Some(drift_ppm) = clock.drift_ppm() {
                ranked.push(Candidate {
                    a_s: seed.found_s,
                    b_s: seed.probe_s,
                    drift_ppm,
                    inverted: false,
                    signed: false,
                    score: f64::from(score),
                });
            }
        }
    }
    let mut found = foremost(ranked, KEPT, 0.01, max_drift_ppm);
    // Of those that are no better than chance, a few.
    let repeats = found.iter().take_while(|c| c.score >= SOFT).count();
    found.truncate(repeats.max(FEW));
    found
}
