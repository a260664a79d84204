//! Markers as bytes, to be kept or sent.

use super::{CountIn, Grouping, MEASURES, Marker, Shape};
use crate::error::{Error, ErrorKind, Result};

/// How they begin: what they are, and the version of the layout.
const BYTES_1: &[u8; 8] = b"cvmarkr1";
const SHAPES: [Shape; 4] = [Shape::Clap, Shape::Click, Shape::Burst, Shape::Thud];
const GROUPINGS: [Grouping; 3] = [Grouping::Isolated, Grouping::Series, Grouping::Periodic];
/// Numbers before the measures.
const FIGURES: usize = 10;

impl Marker {
    /// All of it as bytes, of which [`from_bytes`](Self::from_bytes) makes the same marker.
    pub fn to_bytes(&self) -> Vec<u8> {
        let place = |at: Option<usize>| at.map_or(u8::MAX, |at| at as u8);
        let mut bytes = BYTES_1.to_vec();
        bytes.push(place(SHAPES.iter().position(|s| *s == self.shape)));
        bytes.push(place(GROUPINGS.iter().position(|g| *g == self.grouping)));
        bytes.push(u8::from(self.count_in.is_some()));
        let (interval_s, contrast_db) = self.count_in.map_or((0.0, 0.0), |c| (c.interval_s, c.contrast_db));
        let figures: [f64; FIGURES] = [
            self.time_s,
            self.uncertainty_s,
            self.sharpness_db,
            self.peak_dbfs,
            self.snr_db,
            self.decay_s,
            self.bandwidth_hz,
            self.centre_hz,
            self.waveform_start_s,
            self.score,
        ];
        for figure in figures.iter().chain(&[interval_s, contrast_db]).chain(&self.measures) {
            bytes.extend_from_slice(&figure.to_le_bytes());
        }
        for list in [&self.waveform, &self.levels] {
            bytes.extend_from_slice(&(list.len() as u64).to_le_bytes());
            bytes.extend(list.iter().flat_map(|x| x.to_le_bytes()));
        }
        bytes
    }

    /// A marker from what [`to_bytes`](Self::to_bytes) gave.
    ///
    /// # Errors
    /// [`Damaged`](ErrorKind::Damaged) when they are none of this version, or were cut.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self> {
        let damaged = || Error::new(ErrorKind::Damaged, "the bytes are no marker that this version reads");
        let mut rest = bytes.strip_prefix(BYTES_1).ok_or_else(damaged)?;
        let mut take = |count: usize| -> Result<&[u8]> {
            let (taken, left) = rest.split_at_checked(count).ok_or_else(damaged)?;
            rest = left;
            Ok(taken)
        };
        let kinds = take(3)?;
        let shape = SHAPES.get(usize::from(kinds[0])).copied().ok_or_else(damaged)?;
        let grouping = GROUPINGS.get(usize::from(kinds[1])).copied().ok_or_else(damaged)?;
        let counted = kinds[2] == 1;
        let numbers: Vec<f64> = take(8 * (FIGURES + 2 + MEASURES.len()))?
            .as_chunks::<8>()
            .0
            .iter()
            .map(|b| f64::from_le_bytes(*b))
            .collect();
        let mut list = || -> Result<Vec<f32>> {
            let count = u64::from_le_bytes(*take(8)?.first_chunk().ok_or_else(damaged)?);
            let bytes = take(usize::try_from(count).ok().and_then(|c| c.checked_mul(4)).ok_or_else(damaged)?)?;
            Ok(bytes.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect())
        };
        let (waveform, levels) = (list()?, list()?);
        if !rest.is_empty() {
            return Err(damaged());
        }
        let mut measures = [0.0; MEASURES.len()];
        measures.copy_from_slice(&numbers[FIGURES + 2..]);
        let [time_s, uncertainty_s, sharpness_db, peak_dbfs, snr_db, decay_s, bandwidth_hz, centre_hz, start_s, score] =
            *numbers.first_chunk().ok_or_else(damaged)?;
        Ok(Self {
            time_s,
            uncertainty_s,
            sharpness_db,
            peak_dbfs,
            snr_db,
            decay_s,
            bandwidth_hz,
            centre_hz,
            shape,
            grouping,
            count_in: counted.then(|| CountIn { interval_s: numbers[FIGURES], contrast_db: numbers[FIGURES + 1] }),
            waveform,
            waveform_start_s: start_s,
            score,
            measures,
            levels,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_make_the_same_marker() {
        let marker = Marker {
            time_s: 1.5,
            uncertainty_s: 1e-4,
            sharpness_db: 20.0,
            peak_dbfs: -3.0,
            snr_db: 30.0,
            decay_s: 0.01,
            bandwidth_hz: 5000.0,
            centre_hz: 2000.0,
            shape: Shape::Burst,
            grouping: Grouping::Series,
            count_in: Some(CountIn { interval_s: 0.5, contrast_db: 9.0 }),
            waveform: vec![0.25, -0.5, 1.0],
            waveform_start_s: 1.4,
            score: 2.5,
            measures: std::array::from_fn(|i| i as f64 / 3.0),
            levels: vec![1.0; 250],
        };
        let bytes = marker.to_bytes();
        assert_eq!(format!("{:?}", Marker::from_bytes(&bytes).unwrap()), format!("{marker:?}"));
        for cut in 0..bytes.len() {
            assert!(Marker::from_bytes(&bytes[..cut]).is_err());
        }
    }
}
