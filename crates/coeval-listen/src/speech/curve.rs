//! The probability of speech over time, and the stretches that are made of it.

use super::STEP_S;
use super::listener::{MEASURES, averaged};
use super::segment::SpeechSegment;
use coeval::options::OptionTable as _;
use coeval::{Error, Result};

/// Probability of speech over time, one value for every 10 ms.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpeechCurve {
    pub(super) probability: Vec<f32>,
    pub(super) band_power: Vec<[f32; 2]>,
    pub(super) measures: Vec<[f32; MEASURES]>,
}

impl SpeechCurve {
    /// A curve made elsewhere: a probability, 0 to 1, for every [`STEP_S`]. It knows nothing of the band.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when a value is not within 0 to 1.
    pub fn from_values(probability: Vec<f32>) -> Result<Self> {
        match probability.iter().position(|p| !(0.0..=1.0).contains(p)) {
            Some(i) => Err(Error::invalid(format!("probability {} at step {i} is not within 0 to 1", probability[i]))),
            None => Ok(Self { probability, ..Self::default() }),
        }
    }

    /// Probability of speech in each step of [`STEP_S`], 0 to 1.
    pub fn probability(&self) -> &[f32] {
        &self.probability
    }

    /// What the regression weighs, one column after the other, each as long as the curve: for fitting it anew.
    pub fn evidence(&self) -> Vec<Vec<f32>> {
        let mut columns = Vec::new();
        averaged(&self.measures, |_, mean| columns.push(mean.to_vec()));
        columns
    }

    /// Stretches of speech, in time order, none touching another.
    ///
    /// A stretch begins where the probability rises above `leave` and reaches `enter` before it falls below
    /// `leave` again; stretches closer than `min_pause_s` become one; shorter ones than `min_speech_s` are none;
    /// each is drawn out by `hang_over_s` at its end, which falls away slowly in every voice.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for options out of their ranges.
    pub fn segments(&self, options: &SpeechOptions) -> Result<Vec<SpeechSegment>> {
        options.check()?;
        let p = &self.probability;
        let mut found: Vec<(usize, usize)> = Vec::new();
        let mut i = 0;
        while i < p.len() {
            if p[i] < options.leave {
                i += 1;
                continue;
            }
            let end = (i..p.len()).find(|&k| p[k] < options.leave).unwrap_or(p.len());
            let sure = p[i..end].iter().filter(|&&p| p >= options.enter).count();
            if sure as f64 * STEP_S >= options.min_speech_s {
                found.push((i, end));
            }
            i = end;
        }
        let (hang, pause) = (step_count(options.hang_over_s), step_count(options.min_pause_s));
        let mut joined: Vec<(usize, usize)> = Vec::new();
        for (from, to) in found {
            let to = (to + hang).min(p.len());
            match joined.last_mut() {
                Some(last) if from <= last.1 + pause => last.1 = last.1.max(to),
                _ => joined.push((from, to)),
            }
        }
        Ok(joined
            .into_iter()
            .map(|(from, to)| {
                let mean = p[from..to].iter().sum::<f32>() / (to - from) as f32;
                let power = self.band_power.get(from..to).unwrap_or_default();
                let sum = |k: usize| power.iter().map(|b| f64::from(b[k])).sum::<f64>();
                let (inside, outside) = (sum(0), sum(1));
                SpeechSegment {
                    start_s: from as f64 * STEP_S,
                    end_s: to as f64 * STEP_S,
                    confidence: mean,
                    outside_band_db: (inside > 0.0).then(|| 10.0 * (outside / inside).max(1e-6).log10()),
                }
            })
            .collect())
    }

    /// What may be speech and is in none of these stretches, which are in time order: where the probability reaches
    /// 0.3 at all, for 50 ms, with pauses of 0.3 s. Whoever must not lose a word keeps it.
    ///
    /// Where an engine reaches 0.3 again and again, that says nothing of a voice: of all that is in no stretch no more than a
    /// twentieth is given, that in which the probability is highest.
    pub fn doubtful(&self, segments: &[SpeechSegment]) -> Vec<SpeechSegment> {
        let length_s = |all: &[SpeechSegment]| all.iter().map(|s| s.end_s - s.start_s).sum::<f64>();
        let rest_s = self.probability.len() as f64 * STEP_S - length_s(segments);
        let most_s = DOUBT_SHARE * rest_s.max(DOUBT_OF_S);
        let reaching = |enter: f32| {
            let options =
                SpeechOptions { enter, leave: 0.5 * enter, min_speech_s: DOUBT_S, ..SpeechOptions::default() };
            let mut may_be = self.segments(&options).unwrap_or_default();
            may_be.retain(|m| segments.iter().all(|s| s.end_s <= m.start_s || s.start_s >= m.end_s));
            may_be
        };
        let probabilities = (0..).map(|step| DOUBT + step as f32 * DOUBT_STEP).take_while(|p| *p < 1.0);
        probabilities.map(reaching).find(|may_be| length_s(may_be) <= most_s).unwrap_or_default()
    }

    /// The same stretches with what may be faint words at their ends, for whoever cuts: half of what the map misses
    /// falls away at the end of a sentence. Each end moves on by up to a second, over pauses of 0.3 s, while the
    /// probability comes back to a quarter, and never into another stretch.
    pub fn with_faint_ends(&self, segments: &[SpeechSegment]) -> Vec<SpeechSegment> {
        let step = |s: f64| step_count(s).min(self.probability.len());
        let (most, pause) = (step_count(FAINT_S), step_count(FAINT_PAUSE_S));
        let reach = |faint: &mut dyn Iterator<Item = &f32>| {
            let mut last = 0;
            for (i, p) in faint.take(most).enumerate() {
                if *p >= FAINT {
                    last = i + 1;
                } else if i - last >= pause {
                    break;
                }
            }
            last
        };
        let mut drawn: Vec<SpeechSegment> = Vec::with_capacity(segments.len());
        for (i, segment) in segments.iter().enumerate() {
            let before = drawn.last().map_or(0, |d: &SpeechSegment| step(d.end_s));
            let after = segments.get(i + 1).map_or(self.probability.len(), |s| step(s.start_s));
            let (from, to) = (step(segment.start_s), step(segment.end_s));
            let earlier = reach(&mut self.probability[before.min(from)..from].iter().rev());
            let later = reach(&mut self.probability[to.min(after)..after].iter());
            let (start_s, end_s) = ((from - earlier) as f64 * STEP_S, (to + later) as f64 * STEP_S);
            drawn.push(SpeechSegment {
                start_s: segment.start_s.min(start_s),
                end_s: segment.end_s.max(end_s),
                ..*segment
            });
        }
        drawn
    }
}

/// Steps in a time, the nearest number of them; none in a negative one.
fn step_count(s: f64) -> usize {
    (s / STEP_S).round() as usize
}

/// How far a stretch is drawn out into what may be faint words at its ends, seconds; what must be likely there, and how
/// long a pause in it may last.
const FAINT_S: f64 = 1.0;
const FAINT: f32 = 0.25;
const FAINT_PAUSE_S: f64 = 0.3;

/// What reaches this probability for so long may be a word, seconds.
const DOUBT: f32 = 0.3;
const DOUBT_S: f64 = 0.05;
/// Most of what is not sure to be speech that may be a word, of so many seconds at least, and the steps by which the probability
/// rises until it is no more than that.
const DOUBT_SHARE: f64 = 0.05;
const DOUBT_OF_S: f64 = 60.0;
const DOUBT_STEP: f32 = 0.05;

coeval::options! {
    /// How stretches are made of probabilities. The defaults are what the benchmark measures.
    #[derive(Debug, Clone, PartialEq)]
    #[non_exhaustive]
    pub struct SpeechOptions {
        /// Probability that a stretch must reach, 0 to 1.
        pub enter: f32 = 0.88, 0.0..=1.0;
        /// Probability below which it ends, 0 to `enter`.
        pub leave: f32 = 0.5, 0.0..=1.0;
        /// Least time above `enter`, seconds, 0 to 10.
        pub min_speech_s: f64 = 0.1, 0.0..=10.0;
        /// Pauses shorter than this are part of the speech, seconds, 0 to 10.
        pub min_pause_s: f64 = 0.3, 0.0..=10.0;
        /// Drawn out at the end by this, seconds, 0 to 10.
        pub hang_over_s: f64 = 0.0, 0.0..=10.0;
    } and {}
}

impl SpeechOptions {
    fn check(&self) -> Result<()> {
        self.check_ranges()?;
        if self.leave > self.enter {
            let message = format!("leave is {}, above enter, which is {}", self.leave, self.enter);
            return Err(Error::invalid(message));
        }
        Ok(())
    }
}
