//! Which of the sounds that two devices share comes from the people?
//!
//! A voice and an engine reach two devices by paths of different length: each is a constant delay beside the one clock.
//! What is common most of the time is the engine's; the eye compares lips. Where and when a band of one recording
//! stands out of its own floor, somebody speaks and the engine has a small share of it there. The mean cross-spectrum
//! of such cells, less its projection on the mean cross-spectrum of the cells in which nothing stands out, leaves the
//! voices' path: what the engine and its reflections put there is in both and cancels.

use coeval_transform::{Complex32, Plans};
use rayon::prelude::*;

use super::SoundPath;
use super::path::PathPoint;
use super::search::{distinct, unevenness};
use crate::track::{TRACK_RATE_HZ, Track, resampled};

/// Frame and hop of the cells, samples (128 ms, so that a delay of 25 ms leaves four fifths of a frame in common), and
/// the width of a cell, bins (250 Hz).
const FRAME: usize = 1024;
const HOP: usize = FRAME / 2;
const BAND: usize = 32;
const BANDS: usize = FRAME / 2 / BAND;
/// Farthest delay of one source against another that is looked for, samples: 25 ms are 8.6 m of air.
const REACH: usize = 200;
/// Seconds in which most stands out, and quiet ones beside them, that are looked at, at the most.
const LOUD_S: usize = 150;
const QUIET_S: usize = 100;
/// A cell belongs to the voices if this share of its amplitude lies above the floor: its power is then five times the floor
/// (see [`Track::above_floor`]), which an engine's own fluctuation hardly reaches. At 0.4 an open microphone
/// with the engine as loud as the voices has too few such cells.
const PEOPLE: f32 = 0.2;
/// Frames are background if, in them and in this many frames around them (a quarter of a second: the room rings on), what
/// stands out has less than [`QUIET`] of the power. Without the frames around, soft ends of words passed for an engine on
/// the voices' own path.
const NEAR: usize = 4;
/// Share of the power.
const QUIET: f32 = 0.01;
/// Least height of the voices' peak over the spread of all other delays: among 400 chance reaches 3.5 of them.
const HEIGHT: f64 = 5.0;
/// Two people sit at different distances: what is found is the louder one's, or a mean, seconds (20 cm of air).
const SEATS_S: f64 = 0.6e-3;
/// Peaks nearer than this are one, samples (1 ms).
const SAME: usize = 8;

/// Standard deviation of a placement by a source that nobody knows, seconds: two metres more to the engine here, or
/// less there, than to the voices are 6 ms.
pub(super) const UNKNOWN_S: f64 = 4e-3;

/// Standard deviation of a voices' place because what stands out most may not be the people, seconds: it is an instrument
/// or a loudspeaker in one file of ten (a guess). What is claimed is read as a normal distribution's, of which 0.27 % lie
/// beyond three deviations. One file in ten that errs by [`UNKNOWN_S`] is none: its own root mean square, 1.3 ms, is
/// passed three times over by one file in thirty. So three of what is claimed are as many of `UNKNOWN_S` as 2.7 % of its
/// errors lie beyond (2.21: the normal distribution's quantile at 1.35 %). With one file in twenty 2.9 ms would be 2.6 ms,
/// with one in five 3.3 ms.
const BY_ANOTHER_S: f64 = UNKNOWN_S * 2.21 / 3.0;

/// How probable it is that voices come from elsewhere than where all that is common comes from. A guess: half and double
/// of it matter where another peak is three times as high.
const ELSEWHERE: f64 = 0.1;

/// How probable it is that a stretch between two jumps was measured by another source than the rest. A guess: half and
/// double of it matter where a stretch says next to nothing.
const ANOTHER: f64 = 0.05;
/// Talk pauses: in the tenth of the seconds in which least stands out there is less than this share of what stands out in the
/// tenth in which most does. A guess between the two that were looked at: of talk over minutes there is none, of an engine
/// through a noise suppressor two thirds. With double of it that engine would pass for talk; half of it was not measured.
const PAUSE: f32 = 0.5;
/// Points of a stretch that are looked at: the loudest, and as many of the quietest.
const OF_A_STRETCH: usize = 8;
/// How often each stretch is held against the others.
const TIMES: usize = 3;
/// Share of the cells' bins that are independent: frames overlap by half, and their window spreads a line over two bins.
const INDEPENDENT: f64 = 0.5;

/// Where the voices lie.
#[derive(Debug, Clone)]
pub(super) struct Voices {
    /// `a` hears them so much later than the path says, seconds.
    pub(super) delay_s: f64,
    /// Standard deviation of that, seconds: of the peak, of the choice where another peak is nearly as high, and of who
    /// speaks.
    pub(super) sigma_s: f64,
    /// All ways that were told apart, this one first, as [`PairAlignment::paths`](super::PairAlignment::paths).
    pub(super) paths: Vec<SoundPath>,
}

/// Sums of cross-spectra over cells.
#[derive(Clone)]
struct Sums {
    people: Vec<Complex32>,
    rest: Vec<Complex32>,
    /// Cells in each band.
    people_cells: [f32; BANDS],
    rest_cells: [f32; BANDS],
}

impl Sums {
    fn new() -> Self {
        let empty = vec![Complex32::default(); FRAME / 2 + 1];
        Self { people: empty.clone(), rest: empty, people_cells: [0.0; BANDS], rest_cells: [0.0; BANDS] }
    }

    fn add(mut self, other: &Self) -> Self {
        self.people.iter_mut().zip(&other.people).for_each(|(s, o)| *s += o);
        self.rest.iter_mut().zip(&other.rest).for_each(|(s, o)| *s += o);
        self.people_cells.iter_mut().zip(&other.people_cells).for_each(|(s, o)| *s += o);
        self.rest_cells.iter_mut().zip(&other.rest_cells).for_each(|(s, o)| *s += o);
        self
    }

    /// The same, if `a` heard all of it sooner.
    fn sooner(&self, by_s: f64) -> Self {
        let step = std::f64::consts::TAU * TRACK_RATE_HZ / FRAME as f64 * by_s;
        let mut turned = self.clone();
        for kind in [&mut turned.people, &mut turned.rest] {
            for (k, x) in kind.iter_mut().enumerate() {
                let (sin, cos) = (step * k as f64).sin_cos();
                *x *= Complex32::new(cos as f32, sin as f32);
            }
        }
        turned
    }

    /// All but a part.
    fn without(mut self, part: &Self) -> Self {
        self.people.iter_mut().zip(&part.people).for_each(|(s, o)| *s -= o);
        self.rest.iter_mut().zip(&part.rest).for_each(|(s, o)| *s -= o);
        self.people_cells.iter_mut().zip(&part.people_cells).for_each(|(s, o)| *s -= o);
        self.rest_cells.iter_mut().zip(&part.rest_cells).for_each(|(s, o)| *s -= o);
        self
    }

    /// How many cells there are.
    fn cells(&self) -> f32 {
        self.people_cells.iter().chain(&self.rest_cells).sum()
    }

    /// How much later than in these cells `a` hears those of `other`, seconds: the most probable, where each bin of a cell is
    /// what it is here on average, and a noise of one.
    fn shift_s(&self, other: &Self, plans: &Plans) -> f64 {
        let kinds = [(&self.people, &self.people_cells, &other.people), (&self.rest, &self.rest_cells, &other.rest)];
        let mut product = vec![Complex32::default(); FRAME / 2 + 1];
        for (here, cells, there) in kinds {
            for band in (0..BANDS).filter(|&band| cells[band] >= 1.0) {
                for k in band * BAND..(band + 1) * BAND {
                    product[k] += there[k] * here[k].conj() / cells[band];
                }
            }
        }
        let likely = correlation(&mut product, plans);
        let top = highest(&likely).unwrap_or(REACH);
        let more_likely = INDEPENDENT * (likely[top] - likely[REACH]);
        if top.abs_diff(REACH) > SAME && more_likely > -(ANOTHER / likely.len() as f64).ln() {
            vertex(&likely, top)
        } else {
            0.0
        }
    }
}

/// Does what stands out pause, as talk does?
fn pauses(points: &[Sums]) -> bool {
    let mut cells: Vec<f32> = points.iter().map(|s| s.people_cells.iter().sum()).collect();
    cells.sort_by(f32::total_cmp);
    let tenth = cells.len() / 10;
    cells.first().is_none_or(|_| cells[tenth] < PAUSE * cells[cells.len() - 1 - tenth])
}

/// Delay of a peak, by the vertex of the parabola through it and its neighbours, seconds.
fn vertex(lags: &[f64], top: usize) -> f64 {
    let (before, at, after) = (lags[top - 1], lags[top], lags[top + 1]);
    let bend = before - 2.0 * at + after;
    let fraction = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    (top as f64 + fraction - REACH as f64) / TRACK_RATE_HZ
}

/// Two tracks, and what tells when somebody speaks in them.
pub(super) struct Sources<'t> {
    a: &'t Track,
    b: &'t Track,
    /// The track that stands out of its floor more tells when somebody speaks: is it `b`? And what of it stands out.
    from_b: bool,
    above: &'t Track,
    /// Frames that a point of a path stands for.
    frames: usize,
    plans: &'t Plans,
}

impl<'t> Sources<'t> {
    /// For paths of whose points each stands for `block_s` seconds.
    pub(super) fn new(a: &'t Track, b: &'t Track, block_s: f64, plans: &'t Plans) -> Self {
        let from_b = unevenness(b) >= unevenness(a);
        let above = if from_b { b.above_floor() } else { a.above_floor() };
        Self { a, b, from_b, above, frames: (block_s * TRACK_RATE_HZ) as usize / HOP, plans }
    }

    /// Of some points those in which most stands out, and of the others those in which least does.
    fn loud_and_quiet<'p>(
        &self,
        points: impl Iterator<Item = &'p PathPoint>,
        loud: usize,
        quiet: usize,
    ) -> Vec<PathPoint> {
        let stands_out = |p: &PathPoint| self.above.level_at(if self.from_b { p.b_s } else { p.a_s });
        let mut order: Vec<(f32, PathPoint)> = points.map(|p| (stands_out(p), *p)).collect();
        order.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.b_s.total_cmp(&y.1.b_s)));
        let loud = order.len().min(loud);
        let quiet = (order.len() - loud).min(quiet);
        order[..loud].iter().chain(&order[order.len() - quiet..]).map(|o| o.1).collect()
    }

    /// The voices' delay beside a path. `None` where no voices stand out,
    /// where what stands out lies on the path of what is common in between, and may be an engine that knocks, or where there
    /// is nothing in between.
    pub(super) fn voices(&self, points: &[PathPoint], inverted: bool) -> Option<Voices> {
        let plans = self.plans;
        let chosen = self.loud_and_quiet(points.iter(), LOUD_S, QUIET_S);
        let sums: Vec<Sums> = chosen.par_iter().map(|p| self.cells(p)).collect();
        let sum = sums.iter().fold(Sums::new(), Sums::add);

        // Means by band; bands without cells of either kind say nothing.
        let sign = if inverted { -1.0 } else { 1.0 };
        let mut people = vec![Complex32::default(); FRAME / 2 + 1];
        let mut rest = people.clone();
        let total: f32 = sum.people_cells.iter().sum();
        if total < 2.0 * BANDS as f32 || sum.rest_cells.iter().sum::<f32>() < 2.0 * BANDS as f32 && !pauses(&sums) {
            return None;
        }
        for band in 0..BANDS {
            let (p, r) = (sum.people_cells[band], sum.rest_cells[band]);
            if p < 1.0 {
                continue;
            }
            for k in band * BAND..(band + 1) * BAND {
                // A band counts as far as its mean is known: by the root of its cells.
                people[k] = sum.people[k] * (sign / p.sqrt());
                rest[k] = if r >= 1.0 { sum.rest[k] * (sign / r * p.sqrt()) } else { Complex32::default() };
            }
        }
        let product: f32 = people.iter().zip(&rest).map(|(x, y)| (x * y.conj()).re).sum();
        let power: f32 = rest.iter().map(|y| y.norm_sqr()).sum();
        let share = if power > 0.0 { (product / power).clamp(0.0, 1.0) } else { 0.0 };
        people.iter_mut().zip(&rest).for_each(|(x, y)| *x -= y * share);
        let (lags, rest_lags) = (correlation(&mut people, plans), correlation(&mut rest, plans));
        let (top, spread) = peak(&lags)?;
        let (rest_top, rest_spread) = peak(&rest_lags)?;
        let in_between = rest_lags[rest_top] > HEIGHT * rest_spread;
        if in_between && top.abs_diff(rest_top) <= SAME / 2 {
            return None;
        }
        // Every peak may be the voices', as probably as it is high. Where nothing goes on without the people, the path is
        // already theirs, unless another source stands out as well.
        let prior = |l: usize| if !in_between && l.abs_diff(REACH) > SAME { ELSEWHERE } else { 1.0 };
        let mut order: Vec<usize> = (1..lags.len() - 1).filter(|&l| lags[l] >= HEIGHT * spread).collect();
        order.sort_by(|&x, &y| lags[y].total_cmp(&lags[x]));
        let peaks = distinct(order, lags.len(), |k, &l| k.abs_diff(l) <= SAME);
        let mut sources: Vec<(usize, f64)> = peaks.into_iter().map(|l| (l, lags[l].powi(2) * prior(l))).collect();
        sources.sort_by(|x, y| y.1.total_cmp(&x.1));
        let &(voices, _) = sources.first()?;
        let delay_s = vertex(&lags, voices);
        let total: f64 = sources.iter().map(|s| s.1).sum();
        let away_s = |l: usize| (l as f64 - voices as f64) / TRACK_RATE_HZ;
        let choice_s = sources.iter().map(|&(l, odds)| odds / total * away_s(l).powi(2)).sum::<f64>().sqrt();
        let mut paths: Vec<SoundPath> =
            sources.iter().map(|&(l, odds)| SoundPath { delay_s: away_s(l), voices: odds / total }).collect();
        if in_between && sources.iter().all(|s| s.0.abs_diff(rest_top) > SAME) {
            paths.push(SoundPath { delay_s: away_s(rest_top), voices: 0.0 });
        }
        // A peak as wide as a sample, known to one part in its height. Voices on the path itself leave it as it is: how far
        // people sit apart is then in what was measured.
        let own_s = spread / (lags[voices] * TRACK_RATE_HZ);
        let (delay_s, place_s) = if delay_s.abs() < SEATS_S { (0.0, 0.0) } else { (delay_s, own_s.hypot(SEATS_S)) };
        let sigma_s = place_s.hypot(choice_s).hypot(BY_ANOTHER_S);
        Some(Voices { delay_s, sigma_s, paths })
    }

    /// By how much each stretch between jumps was measured off the others, seconds: where only the voices are heard for a while,
    /// or only the engine, that is what was measured, and it comes sooner or later than the other. In a stretch that lies
    /// as the rest does, what stands out of the floor has the same cross-spectrum as elsewhere, and what does not has its own.
    /// `points` are those of [`voices`](Self::voices).
    pub(super) fn off_the_rest_s(&self, points: &[PathPoint], jumps_b_s: &[f64]) -> Vec<f64> {
        if jumps_b_s.is_empty() {
            return vec![0.0];
        }
        let of_stretch = |stretch: usize| {
            let own = points.iter().filter(|p| jumps_b_s.partition_point(|&jump| jump < p.b_s) == stretch);
            let chosen = self.loud_and_quiet(own, OF_A_STRETCH, OF_A_STRETCH);
            chosen.iter().map(|p| self.cells(p)).fold(Sums::new(), |sum, s| sum.add(&s))
        };
        let stretches: Vec<Sums> = (0..=jumps_b_s.len()).into_par_iter().map(of_stretch).collect();
        let mut off_s = vec![0.0; stretches.len()];
        // What is off blurs what the others are held against: once more with each where it was found. One after the other,
        // those that say least first: of two that lie apart, one is moved, not both.
        let mut order: Vec<usize> = (0..stretches.len()).collect();
        order.sort_by(|&x, &y| stretches[x].cells().total_cmp(&stretches[y].cells()));
        let mut all = stretches.iter().fold(Sums::new(), Sums::add);
        for _ in 0..TIMES {
            for &i in &order {
                let others = all.without(&stretches[i].sooner(off_s[i]));
                off_s[i] = others.shift_s(&stretches[i], self.plans);
                all = others.add(&stretches[i].sooner(off_s[i]));
            }
        }
        off_s
    }

    /// Cross-spectra of the frames around a point of a path, cell by cell at unit power.
    fn cells(&self, p: &PathPoint) -> Sums {
        let &Self { a, b, from_b, above, frames, plans } = self;
        let mut sums = Sums::new();
        let plan = plans.get(FRAME);
        let len = (frames + 2 * NEAR + 1) * HOP;
        let read = |track: &Track, at_s: f64| {
            let mut x = vec![0.0f32; len];
            resampled(track, at_s * TRACK_RATE_HZ, 1.0, &mut x);
            x
        };
        let (x, y) = (read(a, p.a_s), read(b, p.b_s));
        let z = read(above, if from_b { p.b_s } else { p.a_s });
        let shown = if from_b { &y } else { &x };
        let spectrum = |s: &[f32], frame: usize| {
            let mut windowed: Vec<f32> = s[frame * HOP..frame * HOP + FRAME].to_vec();
            for (i, v) in windowed.iter_mut().enumerate() {
                *v *= (std::f32::consts::PI * (i as f32 + 0.5) / FRAME as f32).sin();
            }
            plan.spectrum(&mut windowed)
        };
        let energies = |s: &[f32]| -> Vec<f32> {
            (0..frames + 2 * NEAR).map(|f| s[f * HOP..f * HOP + FRAME].iter().map(|v| v * v).sum()).collect()
        };
        let (above_energies, shown_energies) = (energies(&z), energies(shown));
        for frame in NEAR..NEAR + frames {
            let near = |energies: &[f32]| energies[frame - NEAR..=frame + NEAR].iter().sum::<f32>();
            let quiet = near(&above_energies) < QUIET * near(&shown_energies);
            let (sx, sy, sz) = (spectrum(&x, frame), spectrum(&y, frame), spectrum(&z, frame));
            let own = if from_b { &sy } else { &sx };
            let power = |s: &[Complex32], band: usize| {
                s[band * BAND..(band + 1) * BAND].iter().map(|v| v.norm_sqr()).sum::<f32>()
            };
            for band in 0..BANDS {
                let (px, py) = (power(&sx, band), power(&sy, band));
                if px <= 0.0 || py <= 0.0 {
                    continue;
                }
                let scale = BAND as f32 / (px * py).sqrt();
                // The mask acts on amplitudes.
                let stands = (power(&sz, band) / power(own, band).max(1e-20)).sqrt();
                let (sum, cells) = if stands >= PEOPLE {
                    (&mut sums.people, &mut sums.people_cells)
                } else if quiet {
                    (&mut sums.rest, &mut sums.rest_cells)
                } else {
                    continue;
                };
                cells[band] += 1.0;
                for k in band * BAND..(band + 1) * BAND {
                    sum[k] += sx[k] * sy[k].conj() * scale;
                }
            }
        }
        sums
    }
}

/// Correlation of a cross-spectrum at every delay of `a` from `-REACH` to `REACH` samples. The spectrum is used up.
fn correlation(spectrum: &mut [Complex32], plans: &Plans) -> Vec<f64> {
    let mut out = vec![0.0f32; FRAME];
    plans.get(FRAME).invert(spectrum, &mut out);
    (0..=2 * REACH).map(|l| f64::from(out[(FRAME + l - REACH) % FRAME])).collect()
}

/// The highest of these values but for the ends.
fn highest(lags: &[f64]) -> Option<usize> {
    (1..lags.len() - 1).max_by(|&x, &y| lags[x].total_cmp(&lags[y]))
}

/// The same, and the spread of those that are not near it.
fn peak(lags: &[f64]) -> Option<(usize, f64)> {
    let top = highest(lags)?;
    let others: Vec<f64> = (0..lags.len()).filter(|l| l.abs_diff(top) > SAME).map(|l| lags[l]).collect();
    Some((top, (others.iter().map(|v| v * v).sum::<f64>() / others.len() as f64).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pair::tests::Noise;

    #[test]
    fn of_two_stretches_one_is_moved_and_as_far_as_it_is_off() {
        // The same steady sound in both; from 12 s on it was measured 10 ms too soon.
        for (seed, parted_s) in [(81, 12.0), (82, 20.0)] {
            let mut noise = Noise::new(seed);
            let sound: Vec<f32> = (0..32 * 8000).map(|_| noise.gauss()).collect();
            let mut with_noise = || Track::raw(&sound.iter().map(|s| s + 0.5 * noise.gauss()).collect::<Vec<_>>());
            let (a, b) = (with_noise(), with_noise());
            let plans = Plans::default();
            let sources = Sources::new(&a, &b, 1.0, &plans);
            let point = |i: i32| {
                let b_s = f64::from(i) + 0.5;
                PathPoint { b_s, a_s: if b_s < parted_s { b_s } else { b_s - 0.010 }, weight: 0.0 }
            };
            let points: Vec<PathPoint> = (1..31).map(point).collect();
            let off_s = sources.off_the_rest_s(&points, &[parted_s]);
            assert!((off_s[1] - off_s[0] - 0.010).abs() < 0.0005, "{off_s:?}");
            assert!(off_s.contains(&0.0), "{off_s:?}");
        }
    }

    #[test]
    fn what_never_pauses_is_no_talk() {
        let second = |cells: f32| {
            let mut sums = Sums::new();
            sums.people_cells[3] = cells;
            sums
        };
        let seconds = |cells: &[f32]| cells.iter().map(|&c| second(c)).collect::<Vec<_>>();
        assert!(pauses(&seconds(&[0.0, 0.0, 0.0, 90.0, 160.0, 20.0, 0.0, 120.0, 0.0, 0.0, 0.0])));
        assert!(!pauses(&seconds(&[134.0, 150.0, 169.0, 187.0, 196.0, 140.0, 160.0, 171.0, 180.0, 190.0, 175.0])));
    }
}
