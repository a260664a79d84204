//! The map from one file's time to the timeline.

/// Piecewise-linear map from a file's presentation time to timeline time, both in seconds.
///
/// Knots ascend in file time; between them the map is linear, outside it goes on with the slope of
/// the nearest piece. Two knots at one file time are a jump: at that moment the later one holds.
///
/// ```
/// use coeval::clock::ClockMap;
///
/// // The file began 12 s into the timeline; after 60 s of it the device lost a quarter of a second.
/// let map = ClockMap::from_knots(vec![(0.0, 12.0), (60.0, 72.0), (60.0, 72.25), (100.0, 112.25)])?;
/// assert_eq!((map.forward(59.0), map.forward(61.0)), (71.0, 73.25));
/// assert_eq!(map.inverse(73.25), 61.0);
/// assert_eq!(map.jumps().collect::<Vec<_>>(), [(60.0, 0.25)]);
/// # Ok::<(), coeval::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ClockMap {
    knots: Vec<(f64, f64)>,
}

impl ClockMap {
    /// A map from knots `(file_s, timeline_s)`. Needs two or more, finite, ascending in file time,
    /// the first piece longer than zero and no more than two knots at one file time.
    ///
    /// # Errors
    /// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) when the knots break these rules.
    pub fn from_knots(knots: Vec<(f64, f64)>) -> crate::Result<Self> {
        let bad = |what: &str| Err(crate::Error::new(crate::ErrorKind::InvalidArgument, format!("clock map: {what}")));
        if knots.len() < 2 {
            return bad("fewer than two knots");
        }
        if knots.iter().any(|k| !k.0.is_finite() || !k.1.is_finite()) {
            return bad("a knot is not a finite number");
        }
        if knots.windows(2).any(|w| w[1].0 < w[0].0) {
            return bad("knots do not ascend in file time");
        }
        if knots.windows(3).any(|w| w[0].0 == w[2].0) {
            return bad("more than two knots at one file time");
        }
        let n = knots.len();
        if knots[0].0 == knots[1].0 || knots[n - 2].0 == knots[n - 1].0 {
            return bad("the first or the last piece has no length");
        }
        Ok(Self { knots })
    }

    /// A straight map over `[0, duration_s]`: `offset_s` is timeline time minus file time at the
    /// file's start, `drift_ppm` is (timeline seconds per file second - 1) * 1e6.
    pub fn linear(offset_s: f64, drift_ppm: f64, duration_s: f64) -> Self {
        let duration_s = if duration_s > 0.0 { duration_s } else { 1.0 };
        Self { knots: vec![(0.0, offset_s), (duration_s, offset_s + duration_s * (1.0 + drift_ppm * 1e-6))] }
    }

    /// The knots `(file_s, timeline_s)`.
    pub fn knots(&self) -> &[(f64, f64)] {
        &self.knots
    }

    /// Timeline time of a moment of the file, in seconds.
    pub fn forward(&self, file_s: f64) -> f64 {
        // The last knot at or before the moment; at a jump that is the later of the two.
        let after = self.knots.partition_point(|k| k.0 <= file_s);
        let mut i = after.saturating_sub(1).min(self.knots.len() - 2);
        if self.knots[i].0 == self.knots[i + 1].0 {
            i += 1;
        }
        interpolate(self.knots[i], self.knots[i + 1], file_s)
    }

    /// File time of a timeline moment, in seconds. In time that the file lost this is the moment of
    /// the jump; in time that it repeated, the earlier of the two places.
    pub fn inverse(&self, timeline_s: f64) -> f64 {
        let n = self.knots.len();
        for w in self.knots.windows(2) {
            let (from, to) = (w[0], w[1]);
            if timeline_s <= to.1 && timeline_s >= from.1 {
                return if from.0 == to.0 { from.0 } else { interpolate(swap(from), swap(to), timeline_s) };
            }
        }
        let (from, to) = if timeline_s < self.knots[0].1 {
            (self.knots[0], self.knots[1])
        } else {
            (self.knots[n - 2], self.knots[n - 1])
        };
        interpolate(swap(from), swap(to), timeline_s)
    }

    /// Timeline time minus file time at the file's start, in seconds.
    pub fn offset_s(&self) -> f64 {
        self.knots[0].1 - self.knots[0].0
    }

    /// Mean drift over the whole map without its jumps, (timeline seconds per file second - 1) * 1e6.
    pub fn drift_ppm(&self) -> f64 {
        let mut file = 0.0;
        let mut excess = 0.0;
        for w in self.knots.windows(2).filter(|w| w[1].0 > w[0].0) {
            file += w[1].0 - w[0].0;
            excess += (w[1].1 - w[0].1) - (w[1].0 - w[0].0);
        }
        excess / file * 1e6
    }

    /// Jumps as `(file_s, lost_s)`: `lost_s` > 0 is sound that the file lost, < 0 sound it repeated.
    pub fn jumps(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.knots.windows(2).filter(|w| w[0].0 == w[1].0).map(|w| (w[0].0, w[1].1 - w[0].1))
    }
}

fn swap(knot: (f64, f64)) -> (f64, f64) {
    (knot.1, knot.0)
}

fn interpolate(from: (f64, f64), to: (f64, f64), x: f64) -> f64 {
    from.1 + (x - from.0) * ((to.1 - from.1) / (to.0 - from.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maps_both_ways_across_a_jump() {
        let map = ClockMap::from_knots(vec![(0.0, 10.0), (5.0, 15.0), (5.0, 15.5), (10.0, 20.5)]).unwrap();
        assert_eq!(map.forward(4.0), 14.0);
        assert_eq!(map.forward(5.0), 15.5);
        assert_eq!(map.forward(6.0), 16.5);
        assert_eq!(map.forward(-1.0), 9.0);
        assert_eq!(map.forward(11.0), 21.5);
        assert_eq!(map.inverse(14.0), 4.0);
        assert_eq!(map.inverse(15.2), 5.0);
        assert_eq!(map.inverse(16.5), 6.0);
        assert_eq!(map.inverse(9.0), -1.0);
        assert_eq!(map.inverse(22.5), 12.0);
        assert_eq!(map.jumps().collect::<Vec<_>>(), vec![(5.0, 0.5)]);
        assert_eq!(map.drift_ppm(), 0.0);
    }

    #[test]
    fn linear_has_its_offset_and_drift() {
        let map = ClockMap::linear(28.0, -31.8, 530.0);
        assert!((map.offset_s() - 28.0).abs() < 1e-12);
        assert!((map.drift_ppm() + 31.8).abs() < 1e-6);
    }

    #[test]
    fn refuses_broken_knots() {
        for knots in [
            vec![],
            vec![(0.0, 0.0)],
            vec![(1.0, 0.0), (0.0, 1.0)],
            vec![(0.0, 0.0), (f64::NAN, 1.0)],
            vec![(0.0, 0.0), (0.0, 1.0), (1.0, 2.0)],
        ] {
            assert!(ClockMap::from_knots(knots).is_err());
        }
    }
}
