//! The network that weighs a candidate: what it is like, as log odds.

use std::sync::OnceLock;

use super::MEASURES;
use super::detect::LEVEL_INPUTS;

/// Sizes of the layers that weigh a candidate: [`Marker::measures`] and [`Marker::levels`] go in, its score comes out.
const LAYERS: [usize; 4] = [MEASURES.len() + LEVEL_INPUTS, 128, 32, 1];
/// What `benches/scripts/fit_markers.py` has learnt: mean and one over the spread of every input, 32-bit floats; then for
/// every unit of every layer its scale and its bias, 32-bit floats, and one signed byte per input. Little-endian.
static LEARNT: &[u8; LEARNT_BYTES] = include_bytes!("../marker_network.bin");
const LEARNT_BYTES: usize = {
    let [inputs, first, second, last] = LAYERS;
    8 * inputs + first * (8 + inputs) + second * (8 + first) + last * (8 + second)
};

/// A network of two hidden layers of rectified units.
pub(super) struct Network {
    /// Mean and one over the spread of every input.
    inputs: Vec<[f32; 2]>,
    /// Per layer and unit: its bias, then its weights.
    layers: Vec<Vec<Vec<f32>>>,
}

impl Network {
    pub(super) fn learnt() -> &'static Self {
        static NETWORK: OnceLock<Network> = OnceLock::new();
        NETWORK.get_or_init(|| {
            let floats = |bytes: &[u8]| -> Vec<f32> {
                bytes.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()
            };
            let (means, rest) = LEARNT.split_at(4 * LAYERS[0]);
            let (narrows, mut rest) = rest.split_at(4 * LAYERS[0]);
            let inputs = floats(means).into_iter().zip(floats(narrows)).map(|(m, n)| [m, n]).collect();
            let mut layers = Vec::new();
            for sizes in LAYERS.windows(2) {
                let (layer, later) = rest.split_at(sizes[1] * (8 + sizes[0]));
                let unit = |unit: &[u8]| {
                    let (head, weights) = unit.split_at(8);
                    let head = floats(head);
                    let weights = weights.iter().map(|w| head[0] * f32::from(*w as i8));
                    std::iter::once(head[1]).chain(weights).collect()
                };
                layers.push(layer.chunks_exact(8 + sizes[0]).map(unit).collect());
                rest = later;
            }
            Network { inputs, layers }
        })
    }

    /// Log odds that a candidate is a clap or a knock.
    pub(super) fn score(&self, measures: &[f64], levels: &[f32]) -> f64 {
        let all = measures.iter().map(|m| *m as f32).chain(levels.iter().copied());
        let mut values: Vec<f32> = all.zip(&self.inputs).map(|(v, [mean, narrow])| (v - mean) * narrow).collect();
        for (i, layer) in self.layers.iter().enumerate() {
            let last = i + 1 == self.layers.len();
            values = layer
                .iter()
                .map(|unit| {
                    let sum = unit[0] + unit[1..].iter().zip(&values).map(|(w, v)| w * v).sum::<f32>();
                    if last { sum } else { sum.max(0.0) }
                })
                .collect();
        }
        f64::from(values[0])
    }
}
