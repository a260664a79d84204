//! The network that hears voices: FireRedVAD by its authors' weights, a deep feed-forward network with memory.
//!
//! K. Xu et al., FireRedVAD, 2026 (Apache-2.0); the kind of network: S. Zhang et al., Deep-FSMN for large vocabulary
//! continuous speech recognition, ICASSP 2018. `benches/scripts/voice_network.py` writes the file of weights.

use std::ops::Range;
use std::sync::OnceLock;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array2, ArrayView2, ArrayViewMut2};

/// Levels that go in, for every step: logarithms of the power in so many bands of the mel scale.
pub(super) const INPUTS: usize = 80;
const WIDE: usize = 256;
const NARROW: usize = 128;
const BLOCKS: usize = 8;
/// Steps that a block remembers, its own among them, and steps that it looks ahead.
const MEMORY: usize = 20;
/// Steps before and after a step that its answer may depend on.
pub(super) const BEFORE: usize = BLOCKS * (MEMORY - 1);
pub(super) const AFTER: usize = BLOCKS * MEMORY;
/// Steps that pass a layer at once: what lies between two layers stays in a core's cache.
const ROWS: usize = 256;

static LEARNT: &[u8] = include_bytes!("voice_network.bin");

/// Each unit is the sum of its weighted inputs and a bias.
struct Dense {
    /// Inputs by units.
    weights: Array2<f32>,
    bias: Vec<f32>,
}

/// What each channel adds to itself of what it was and will be, weights by step and channel.
struct Memory {
    /// Oldest first; the last is of the step itself.
    past: Vec<f32>,
    /// Of the next step first.
    future: Vec<f32>,
}

pub(super) struct Network {
    /// Mean and one over the spread of every input.
    inputs: Vec<[f32; 2]>,
    blocks: Vec<(Dense, Dense, Memory)>,
    last: (Dense, Dense),
}

impl Network {
    pub(super) fn learnt() -> &'static Self {
        static NETWORK: OnceLock<Network> = OnceLock::new();
        NETWORK.get_or_init(|| {
            let mut left = LEARNT;
            let norm: Vec<f32> = take(&mut left, 8 * INPUTS).chunks_exact(4).map(float).collect();
            let inputs = (0..INPUTS).map(|i| [norm[i], norm[INPUTS + i]]).collect();
            let blocks = (0..BLOCKS)
                .map(|block| {
                    let wide = dense(&mut left, if block == 0 { INPUTS } else { NARROW }, WIDE);
                    let narrow = dense(&mut left, WIDE, NARROW);
                    let [past, future] =
                        [(); 2].map(|()| dense(&mut left, MEMORY, NARROW).weights.into_raw_vec_and_offset().0);
                    (wide, narrow, Memory { past, future })
                })
                .collect();
            let last = (dense(&mut left, NARROW, WIDE), dense(&mut left, WIDE, 1));
            debug_assert!(left.is_empty());
            Self { inputs, blocks, last }
        })
    }

    /// Log odds of speech for the steps `wanted` of `levels` ([`INPUTS`] for every step), `louder` being added to all of
    /// them. Up to [`BEFORE`] steps before and [`AFTER`] after have a say.
    pub(super) fn odds(&self, levels: &[f32], louder: f32, wanted: Range<usize>) -> Vec<f32> {
        let steps = levels.len() / INPUTS;
        // What the answer depends on becomes less from block to block.
        let needed = |after: usize| {
            let blocks = BLOCKS - after;
            wanted.start.saturating_sub(blocks * (MEMORY - 1))..(wanted.end + blocks * MEMORY).min(steps)
        };
        let mut has = needed(0);
        let mut x = levels[has.start * INPUTS..has.end * INPUTS].to_vec();
        for step in x.chunks_exact_mut(INPUTS) {
            step.iter_mut().zip(&self.inputs).for_each(|(x, [mean, narrow])| *x = (*x + louder - mean) * narrow);
        }
        let (mut between, mut inner) = (Vec::new(), Vec::new());
        for (i, (wide, narrow, memory)) in self.blocks.iter().enumerate() {
            through(&x, (wide, narrow), i == 0, &mut between, &mut inner);
            let next = needed(i + 1);
            // The first has other inputs than the rest, whose own are added to what comes out.
            let own = (i > 0).then_some(&x[..]);
            x = memory.added(&inner, own, next.start - has.start..next.end - has.start);
            has = next;
        }
        through(&x, (&self.last.0, &self.last.1), false, &mut between, &mut inner);
        inner
    }
}

/// Two layers, the first rectified, the second `rectified` or not; `between` is room for what lies between them.
fn through(x: &[f32], (wide, narrow): (&Dense, &Dense), rectified: bool, between: &mut Vec<f32>, y: &mut Vec<f32>) {
    y.clear();
    for rows in x.chunks(ROWS * wide.weights.nrows()) {
        between.clear();
        wide.append(rows, true, between);
        narrow.append(between, rectified, y);
    }
}

impl Dense {
    fn append(&self, x: &[f32], rectified: bool, y: &mut Vec<f32>) {
        let (inputs, units) = self.weights.dim();
        let rows = x.len() / inputs;
        let from = y.len();
        (0..rows).for_each(|_| y.extend_from_slice(&self.bias));
        let x = ArrayView2::from_shape((rows, inputs), x).expect("rows are whole");
        let mut y = ArrayViewMut2::from_shape((rows, units), &mut y[from..]).expect("so many were added");
        general_mat_mul(1.0, &x, &self.weights, 1.0, &mut y);
        if rectified {
            y.mapv_inplace(|y| y.max(0.0));
        }
    }
}

impl Memory {
    /// Each wanted step of `x` with what it was and will be, and `more` if that is anything.
    fn added(&self, x: &[f32], more: Option<&[f32]>, wanted: Range<usize>) -> Vec<f32> {
        /// Channels at once: their sums stay in registers.
        const CHANNELS: usize = 16;
        let steps = x.len() / NARROW;
        let mut sums = x[wanted.start * NARROW..wanted.end * NARROW].to_vec();
        if let Some(more) = more {
            sums.iter_mut().zip(&more[wanted.start * NARROW..]).for_each(|(y, x)| *y += x);
        }
        for (step, sums) in wanted.zip(sums.chunks_exact_mut(NARROW)) {
            let (first, end) = ((step + 1).saturating_sub(MEMORY), (step + 1 + MEMORY).min(steps));
            for (part, sums) in sums.as_chunks_mut::<CHANNELS>().0.iter_mut().enumerate() {
                let mut sum = *sums;
                for (from, to, weights) in [
                    (first, step + 1, &self.past[(MEMORY - (step + 1 - first)) * NARROW..]),
                    (step + 1, end, &self.future[..]),
                ] {
                    let sound = x[from * NARROW..to * NARROW].chunks_exact(NARROW);
                    for (sound, weights) in sound.zip(weights.chunks_exact(NARROW)) {
                        let (sound, weights) =
                            (&sound.as_chunks::<CHANNELS>().0[part], &weights.as_chunks::<CHANNELS>().0[part]);
                        (0..CHANNELS).for_each(|i| sum[i] += weights[i] * sound[i]);
                    }
                }
                *sums = sum;
            }
        }
        sums
    }
}

fn take<'a>(left: &mut &'a [u8], bytes: usize) -> &'a [u8] {
    let (taken, rest) = left.split_at(bytes);
    *left = rest;
    taken
}

fn float(bytes: &[u8]) -> f32 {
    f32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
}

/// The next layer of the file: for every unit its scale and its bias, then a signed byte for every weight.
fn dense(left: &mut &[u8], inputs: usize, units: usize) -> Dense {
    let rows = take(left, units * (8 + inputs));
    let row = |unit: usize| &rows[unit * (8 + inputs)..(unit + 1) * (8 + inputs)];
    Dense {
        weights: Array2::from_shape_fn((inputs, units), |(i, unit)| {
            float(row(unit)) * f32::from(row(unit)[8 + i] as i8)
        }),
        bias: (0..units).map(|unit| float(&row(unit)[4..])).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Levels that rise and fall.
    fn levels(steps: usize) -> Vec<f32> {
        let level = |step: f32, i: f32| {
            12.0 + 3.0 * (0.37 * step).sin() * (0.11 * i).sin() + 2.0 * (0.05 * step * i / INPUTS as f32).cos()
        };
        (0..steps * INPUTS).map(|k| level((k / INPUTS) as f32, (k % INPUTS) as f32)).collect()
    }

    /// By another implementation of the same layers (NumPy), which with unrounded weights gives what the package gives.
    #[test]
    fn answers_are_those_of_another_implementation() {
        let odds = Network::learnt().odds(&levels(400), 0.0, 0..400);
        assert_eq!(odds.len(), 400);
        let known =
            [(0, 1.9051), (1, 2.2813), (50, 1.4348), (199, -2.2543), (333, -0.8978), (398, 0.3841), (399, 0.3007)];
        for (step, known) in known {
            assert!((odds[step] - known).abs() < 2e-3, "{step}: {} and not {known}", odds[step]);
        }
    }

    #[test]
    fn an_answer_depends_on_no_more_than_what_is_near() {
        let all = levels(900);
        let (from, to) = (300, 500);
        let odds = Network::learnt().odds(&all, 0.0, 0..900);
        let near = &all[(from - BEFORE) * INPUTS..(to + AFTER) * INPUTS];
        assert_eq!(Network::learnt().odds(near, 0.0, BEFORE..BEFORE + to - from), odds[from..to]);
        assert_ne!(Network::learnt().odds(&near[INPUTS..], 0.0, BEFORE - 1..BEFORE + to - from - 1), odds[from..to]);
    }

    #[test]
    fn no_step_has_no_answer_and_louder_is_louder() {
        assert!(Network::learnt().odds(&[], 0.0, 0..0).is_empty());
        let quiet: Vec<f32> = levels(50).iter().map(|l| l - 3.0).collect();
        let (one, other) =
            (Network::learnt().odds(&quiet, 3.0, 0..50), Network::learnt().odds(&levels(50), 0.0, 0..50));
        assert!(one.iter().zip(&other).all(|(a, b)| (a - b).abs() < 1e-3));
    }
}
