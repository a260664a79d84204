//! The network that hears voices: FireRedVAD by its authors' weights, a deep feed-forward network with memory.
//!
//! K. Xu et al., FireRedVAD, 2026 (Apache-2.0); the kind of network: S. Zhang et al., Deep-FSMN for large vocabulary
//! continuous speech recognition, ICASSP 2018. `benches/scripts/voice_network.py` writes the file of weights.

use std::sync::OnceLock;

use ndarray::{Array2, Axis};

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

    /// Log odds of speech for each step of `levels` ([`INPUTS`] for every step), `louder` being added to all of them.
    pub(super) fn odds(&self, levels: &[f32], louder: f32) -> Vec<f32> {
        let steps = levels.len() / INPUTS;
        let mut x = Array2::from_shape_fn((steps, INPUTS), |(step, i)| {
            let [mean, narrow] = self.inputs[i];
            (levels[step * INPUTS + i] + louder - mean) * narrow
        });
        for (i, (wide, narrow, memory)) in self.blocks.iter().enumerate() {
            let mut inner = narrow.of(&wide.of(&x, true), i == 0);
            memory.add_to(&mut inner);
            // The first has other inputs than the rest, whose own are added to what comes out.
            if i > 0 {
                inner += &x;
            }
            x = inner;
        }
        self.last.1.of(&self.last.0.of(&x, true), false).into_raw_vec_and_offset().0
    }
}

impl Dense {
    fn of(&self, x: &Array2<f32>, rectified: bool) -> Array2<f32> {
        let mut y = x.dot(&self.weights);
        for mut row in y.axis_iter_mut(Axis(0)) {
            for (y, bias) in row.iter_mut().zip(&self.bias) {
                *y += bias;
                if rectified {
                    *y = y.max(0.0);
                }
            }
        }
        y
    }
}

impl Memory {
    fn add_to(&self, x: &mut Array2<f32>) {
        let steps = x.nrows();
        let was: Vec<f32> = x.iter().copied().collect();
        for (step, mut row) in x.rows_mut().into_iter().enumerate() {
            let (first, end) = ((step + 1).saturating_sub(MEMORY), (step + 1 + MEMORY).min(steps));
            let mut sum = [0f32; NARROW];
            for (from, to, weights) in [
                (first, step + 1, &self.past[(MEMORY - (step + 1 - first)) * NARROW..]),
                (step + 1, end, &self.future[..]),
            ] {
                let sound = was[from * NARROW..to * NARROW].chunks_exact(NARROW);
                for (sound, weights) in sound.zip(weights.chunks_exact(NARROW)) {
                    sum.iter_mut().zip(sound).zip(weights).for_each(|((y, x), w)| *y += w * x);
                }
            }
            row.iter_mut().zip(sum).for_each(|(y, sum)| *y += sum);
        }
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
        let odds = Network::learnt().odds(&levels(400), 0.0);
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
        let odds = Network::learnt().odds(&all, 0.0);
        let part = Network::learnt().odds(&all[(from - BEFORE) * INPUTS..(to + AFTER) * INPUTS], 0.0);
        for step in from..to {
            assert!((odds[step] - part[step - from + BEFORE]).abs() < 1e-3, "{step}");
        }
    }

    #[test]
    fn no_step_has_no_answer_and_louder_is_louder() {
        assert!(Network::learnt().odds(&[], 0.0).is_empty());
        let quiet: Vec<f32> = levels(50).iter().map(|l| l - 3.0).collect();
        let (one, other) = (Network::learnt().odds(&quiet, 3.0), Network::learnt().odds(&levels(50), 0.0));
        assert!(one.iter().zip(&other).all(|(a, b)| (a - b).abs() < 1e-3));
    }
}
