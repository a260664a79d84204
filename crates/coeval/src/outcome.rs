//! What came of a comparison as bytes, to be kept or sent.

use crate::clock::ClockMap;
use crate::error::{Error, ErrorKind, Result};
use crate::pair::{Evidence, PairAlignment, PairJump, PairOutcome, RivalPlace, SoundPath, Stretch, Unplaced};

/// How they begin: what they are, and the version of the layout. All that follows are numbers of 64 bits.
const BYTES_4: &[u8; 8] = b"cvoutcm4";
const REASONS: [Unplaced; 5] = [
    Unplaced::NoCommonSound,
    Unplaced::TooShort,
    Unplaced::OnlyPeriodicSound,
    Unplaced::Silent,
    Unplaced::BeyondDriftLimit,
];

impl PairOutcome {
    /// All of it as bytes, of which [`from_bytes`](Self::from_bytes) makes the same outcome to the last bit.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = BYTES_4.to_vec();
        let mut put = |number: f64| bytes.extend_from_slice(&number.to_le_bytes());
        let placed = match self {
            PairOutcome::Unplaced(why) => {
                put(0.0);
                put(REASONS.iter().position(|r| r == why).map_or(-1.0, |at| at as f64));
                return bytes;
            }
            PairOutcome::Placed(placed) => &**placed,
        };
        // All of them by name: whoever adds one is told here.
        let PairAlignment {
            map,
            confidence,
            uncertainty_s,
            overlap_s,
            residual_rms_s,
            evidence,
            jumps,
            inverted,
            source_s,
            paths,
            wander_q,
            places,
            place_s,
            rate_mixup,
            stretches,
            rivals,
            beyond,
        } = placed;
        let flags = [*inverted, *rate_mixup].map(|flag| f64::from(u8::from(flag)));
        let figures = [*confidence, *uncertainty_s, *overlap_s, *residual_rms_s, *source_s, *wander_q, *place_s];
        [1.0].iter().chain(&figures).chain(&flags).chain(beyond).for_each(|n| put(*n));
        put(map.knots().len() as f64);
        map.knots().iter().flat_map(|k| [k.0, k.1]).for_each(&mut put);
        put(evidence.len() as f64);
        evidence.iter().flat_map(|e| [e.a_s, e.b_s, e.sigma_s]).for_each(&mut put);
        put(jumps.len() as f64);
        jumps.iter().flat_map(|j| [j.a_s, j.b_s, j.step_s, j.within_s.0, j.within_s.1]).for_each(&mut put);
        put(places.len() as f64);
        places.iter().for_each(|p| put(*p as f64));
        put(stretches.len() as f64);
        stretches.iter().flat_map(|s| [s.from_s, s.to_s, s.confidence, s.uncertainty_s]).for_each(&mut put);
        put(paths.len() as f64);
        paths.iter().flat_map(|p| [p.delay_s, p.voices]).for_each(&mut put);
        put(rivals.len() as f64);
        rivals.iter().flat_map(|r| [r.shift_s, r.probability]).for_each(put);
        bytes
    }

    /// An outcome from what [`to_bytes`](Self::to_bytes) gave.
    ///
    /// # Errors
    /// [`Damaged`](ErrorKind::Damaged) when they are none of this version, or were cut.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self> {
        let damaged = || Error::new(ErrorKind::Damaged, "the bytes are no outcome that this version reads");
        let numbers = bytes.strip_prefix(BYTES_4).ok_or_else(damaged)?;
        let (numbers, rest) = numbers.as_chunks::<8>();
        let mut numbers = Numbers(numbers.iter());
        let outcome = match numbers.next() {
            Some(0.0) => numbers.next().and_then(|n| REASONS.get(n as usize)).map(|why| PairOutcome::Unplaced(*why)),
            Some(1.0) => numbers.placed().map(|p| PairOutcome::Placed(Box::new(p))),
            _ => None,
        };
        outcome.filter(|_| rest.is_empty() && numbers.0.len() == 0).ok_or_else(damaged)
    }
}

struct Numbers<'a>(std::slice::Iter<'a, [u8; 8]>);

impl Numbers<'_> {
    fn next(&mut self) -> Option<f64> {
        self.0.next().map(|n| f64::from_le_bytes(*n))
    }

    fn several<const N: usize>(&mut self) -> Option<[f64; N]> {
        let mut all = [0.0; N];
        all.iter_mut().try_for_each(|n| self.next().map(|next| *n = next))?;
        Some(all)
    }

    /// A list's length, then its items, of `N` numbers each.
    fn list<const N: usize, T>(&mut self, item: impl Fn([f64; N]) -> T) -> Option<Vec<T>> {
        let count = self.next()?;
        if !(0.0..=self.0.len() as f64).contains(&count) {
            return None;
        }
        (0..count as usize).map(|_| self.several().map(&item)).collect()
    }

    fn placed(&mut self) -> Option<PairAlignment> {
        let [confidence, uncertainty_s, overlap_s, residual_rms_s, source_s, wander_q, place_s] = self.several()?;
        let [inverted, rate_mixup] = self.several()?.map(|flag: f64| flag != 0.0);
        let beyond = self.several()?;
        Some(PairAlignment {
            map: ClockMap::from_knots(self.list(|[file_s, at_s]| (file_s, at_s))?).ok()?,
            confidence,
            uncertainty_s,
            overlap_s,
            residual_rms_s,
            evidence: self.list(|[a_s, b_s, sigma_s]| Evidence { a_s, b_s, sigma_s })?,
            jumps: self.list(|[a_s, b_s, step_s, from, to]| PairJump { a_s, b_s, step_s, within_s: (from, to) })?,
            inverted,
            source_s,
            wander_q,
            places: self.list(|[place]| place as usize)?,
            place_s,
            rate_mixup,
            stretches: self.list(|[from_s, to_s, confidence, uncertainty_s]| Stretch {
                from_s,
                to_s,
                confidence,
                uncertainty_s,
            })?,
            paths: self.list(|[delay_s, voices]| SoundPath { delay_s, voices })?,
            rivals: self.list(|[shift_s, probability]| RivalPlace { shift_s, probability })?,
            beyond,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_make_the_same_outcome() {
        let map = ClockMap::from_knots(vec![(0.0, 1.0 / 3.0), (5.0, 5.1), (5.0, 5.2), (9.0, 9.3)]).unwrap();
        let evidence = (0..7).map(|i| f64::from(i) / 7.0).map(|s| Evidence { a_s: s + 0.1, b_s: s, sigma_s: 1e-4 });
        let jumps = vec![PairJump { within_s: (4.5, 6.25), ..PairJump::at(5.1, 5.0, 0.1) }];
        let mut placed = PairAlignment::from_parts(map, evidence.collect(), jumps);
        placed.confidence = 0.999_999_123;
        placed.inverted = true;
        placed.place_s = 2e-3;
        placed.stretches = vec![Stretch::whole(9.0, 0.5, 1e-3), Stretch::whole(2.0, 0.25, f64::INFINITY)];
        placed.paths = vec![SoundPath { delay_s: -4e-3, voices: 1.0 / 3.0 }];
        placed.rivals = vec![RivalPlace { shift_s: 12.5, probability: 1.0 / 300.0 }];
        placed.beyond = [-1.5, 1.0 / 7.0];
        let unplaced = REASONS.map(PairOutcome::Unplaced);
        for outcome in unplaced.into_iter().chain([PairOutcome::Placed(Box::new(placed))]) {
            let bytes = outcome.to_bytes();
            assert_eq!(format!("{:?}", PairOutcome::from_bytes(&bytes).unwrap()), format!("{outcome:?}"));
            assert!((0..bytes.len()).all(|cut| PairOutcome::from_bytes(&bytes[..cut]).is_err()));
            assert!(PairOutcome::from_bytes(&[&bytes[..], &[0; 8]].concat()).is_err());
        }
    }
}
