//! Where could two tracks lie? Long probes of all the sound of one are looked for everywhere in the other.
//!
//! A probe is some twenty seconds in blocks that are short enough for a clock difference not to turn their sound
//! (coherent), and the blocks' correlograms are added along straight lines of offset and drift (incoherent):
//! semi-coherent detection, as searches for weak periodic signals use it. A block's height is its squared correlation
//! over the mean of that within half a second, so that an engine which fits at every turn raises its own yardstick.
//! Places of different probes that one clock could explain add up.

use coeval_transform::{Complex32, ComplexPlan, Plans};
use rayon::prelude::*;

use super::search::{Candidate, Clock, distinct, foremost};
use crate::error::Result;
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
/// Places kept for each probe.
const KEPT: usize = 24;
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
    // Rows as long as a block: the row of a block lies as many rows further as the block does in its probe.
    let len = (4 * block).next_power_of_two().max(1 << 13);
    let plan = plans.complex(len);
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

/// Starts of `count` probes spread over a stretch, seconds; of one alone where there is room for no more.
pub(crate) fn spread(within_s: (f64, f64), look: &Look, count: usize) -> Vec<f64> {
    let free = (within_s.1 - within_s.0 - look.probe_s()).max(0.0);
    let count = if look.covers(within_s.1 - within_s.0) { count.min(1) } else { count };
    (0..count).map(|i| within_s.0 + free * (i as f64 + 0.5) / count as f64).collect()
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
    /// The conjugate spectrum of each block.
    spectra: Vec<Vec<Complex32>>,
    /// Lines that blocks may lie on: clock difference in ppm, and by how many lags each block lies further.
    lines: Vec<(f64, Vec<i64>)>,
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
        let spectrum = |j: usize| {
            let mut buffer = vec![Complex32::default(); plan.len];
            probe.read(first + (j * block) as i64, &mut Vec::new(), &mut buffer[..block]);
            // On the other's clock the carrier turns by as much as the clocks differ.
            let turn = -std::f64::consts::TAU * CENTRE_HZ * drift_ppm * 1e-6 / BAND_RATE_HZ;
            for (n, v) in buffer[..block].iter_mut().enumerate() {
                let angle = turn * (n as f64 - block as f64 / 2.0);
                *v *= Complex32::new(angle.cos() as f32, angle.sin() as f32);
            }
            plan.forward.process(&mut buffer);
            buffer.iter_mut().for_each(|v| *v = v.conj());
            buffer
        };
        let spectra = (0..look.blocks).map(spectrum).collect();
        let lines = lines(look, drift_ppm, max_drift_ppm);
        Self { whole, look, plan, start_s, block, spectra, lines }
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
        let rows_each = (self.plan.len - block + 1 - 2 * PAD) / block;
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
                .map(|c| {
                    if c % 8 == 0 {
                        step(progress, "search", 0.5)?;
                    }
                    let origin = base + (c * rows_each * block) as i64;
                    Ok(chunk(self.whole, self.plan, &self.spectra, origin, block, rows_each))
                })
                .collect::<Result<_>>()?;
            let row = |j: usize, r: usize| -> &[u8] {
                let width = block + 2 * PAD;
                let at = (r % rows_each) * width;
                &heights[r / rows_each][j][at..at + width]
            };
            let places = (0..rows).into_par_iter().map(|r| {
                let lags = |j: usize| row(j, r + j);
                self.places_in_row(lags, from + (r * block) as i64)
            });
            found.extend(places.collect::<Vec<_>>().into_iter().flatten());
            from += (rows * block) as i64;
        }
        Ok(found)
    }

    /// The best places of the lags of one row: `lags` are the heights of each block, and `origin` is where the middle block
    /// begins at the first of them.
    fn places_in_row<'h>(&self, lags: impl Fn(usize) -> &'h [u8], origin: i64) -> Vec<Place> {
        let (block, blocks) = (self.block, self.look.blocks);
        let mut best = vec![0u16; block];
        let mut by = vec![0u8; block];
        let mut sum = vec![0u16; block];
        for (i, (_, shifts)) in self.lines.iter().enumerate() {
            sum.fill(0);
            for (j, &shift) in shifts.iter().enumerate() {
                let lags = &lags(j)[(PAD as i64 + shift) as usize..];
                sum.iter_mut().zip(lags).for_each(|(s, &l)| *s += u16::from(l));
            }
            for ((best, by), &sum) in best.iter_mut().zip(&mut by).zip(&sum) {
                if sum > *best {
                    (*best, *by) = (sum, i as u8);
                }
            }
        }
        let is_top = |&l: &usize| {
            best[l] >= LEAST + 4 * blocks as u16
                && (l == 0 || best[l] >= best[l - 1])
                && (l + 1 == block || best[l] > best[l + 1])
        };
        let mut tops: Vec<usize> = (0..block).filter(is_top).collect();
        tops.sort_by(|&x, &y| best[y].cmp(&best[x]).then(x.cmp(&y)));
        tops.truncate(KEPT);
        // From the beginning of the middle block to the middle of the probe.
        let on = self.look.probe_s() / 2.0 - self.middle() as f64 * self.look.block_s;
        let place = |l: usize| Place {
            probe_s: self.start_s + self.look.probe_s() / 2.0,
            found_s: (origin + l as i64) as f64 / BAND_RATE_HZ + on,
            drift_ppm: self.lines[usize::from(by[l])].0,
            nats: f32::from(best[l]) / 4.0 - blocks as f32,
        };
        tops.into_iter().map(place).collect()
    }
}

/// The lines of offset and drift that a probe's blocks can lie on, as [`Probe::lines`] has them; each once.
fn lines(look: &Look, drift_ppm: f64, max_drift_ppm: f64) -> Vec<(f64, Vec<i64>)> {
    let middle = look.blocks / 2;
    // Blocks lie further from the middle one by this many lags for each ppm.
    let lag_each = look.block_s * BAND_RATE_HZ * 1e-6;
    let step_ppm = 0.5 / (lag_each * (look.blocks.max(2) - 1) as f64);
    let count = (Look::reach_ppm(look.block_s) / step_ppm).ceil() as i64;
    let mut lines: Vec<(f64, Vec<i64>)> = Vec::new();
    for i in -count..=count {
        let ppm = (drift_ppm + i as f64 * step_ppm).clamp(-max_drift_ppm, max_drift_ppm);
        let shift = |j: usize| (ppm * lag_each * (j as f64 - middle as f64)).round() as i64;
        let shifts: Vec<i64> = (0..look.blocks).map(|j| shift(j).clamp(-(PAD as i64), PAD as i64)).collect();
        if lines.iter().all(|l| l.1 != shifts) {
            lines.push((ppm, shifts));
        }
    }
    lines
}

/// Heights of every block of a probe at the lags of some rows, in quarters.
fn chunk(
    whole: &Band,
    plan: &ComplexPlan,
    spectra: &[Vec<Complex32>],
    origin: i64,
    block: usize,
    rows: usize,
) -> Vec<Vec<u8>> {
    let width = block + 2 * PAD;
    let mut spectrum = vec![Complex32::default(); plan.len];
    whole.read(origin - PAD as i64, &mut Vec::new(), &mut spectrum);
    if spectrum.iter().all(|v| v.re == 0.0 && v.im == 0.0) {
        return vec![vec![0; rows * width]; spectra.len()];
    }
    plan.forward.process(&mut spectrum);
    let mut product = vec![Complex32::default(); plan.len];
    spectra
        .iter()
        .map(|block_spectrum| {
            for ((p, x), y) in product.iter_mut().zip(&spectrum).zip(block_spectrum) {
                *p = x * y;
            }
            plan.inverse.process(&mut product);
            let mut power: Vec<f32> = product[..rows * block + 2 * PAD].iter().map(|v| v.norm_sqr()).collect();
            let means: Vec<f32> = power.chunks(LOCAL).map(|c| c.iter().sum::<f32>() / c.len() as f32).collect();
            let mut sorted = means.clone();
            sorted.sort_by(f32::total_cmp);
            // A stretch of near-silence is not allowed to raise its own rounding noise to peaks.
            let floor = (0.25 * sorted[sorted.len() / 2]).max(1e-20);
            for (part, &mean) in power.chunks_mut(LOCAL).zip(&means) {
                let scale = 4.0 / mean.max(floor);
                part.iter_mut().for_each(|p| *p = (*p * scale).min(4.0 * BLOCK_MOST));
            }
            (0..rows).flat_map(|r| power[r * block..r * block + width].iter().map(|&p| p as u8)).collect()
        })
        .collect()
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
    foremost(ranked, 0.01, max_drift_ppm)
}
