#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

pub mod edits;
pub mod mix;
#[cfg(test)]
mod testing;
pub mod tighten;
pub mod voices;

use coeval::Result;
use coeval_listen::activity::ActivityCurve;
use coeval_shoot::Alignment;

use tighten::{Facts, Moment, Plan, TightenOptions, moving, plan};
use voices::SpeechMap;

/// Options of a rough cut. The defaults suit most shoots.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct RoughCutOptions {
    /// How the timeline is tightened.
    pub tighten: TightenOptions,
    /// The user's own moments, which are kept at any target length.
    pub moments: Vec<Moment>,
    /// Ignore moments that were found in the sound: keep only speech and what the user names.
    pub ignore_found: bool,
    /// How much the picture of a file moves, by the file's name: stretches with unusual motion are kept.
    pub motion: Vec<(String, ActivityCurve)>,
    /// A person's plan, used instead of making one. Then [`tighten`](Self::tighten) only tells which cameras must exist.
    pub plan: Option<Plan>,
}

impl RoughCutOptions {
    /// Refuses cameras and files that the alignment does not have. Call it before finding voices, so that a misspelt name is
    /// reported at once.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument), naming the camera or the file.
    pub fn check(&self, alignment: &Alignment) -> Result<()> {
        self.tighten.check_cameras(alignment)?;
        self.moving(alignment).map(drop)
    }

    fn moving(&self, alignment: &Alignment) -> Result<Vec<Moment>> {
        let moments = self.motion.iter().map(|(file, curve)| moving(alignment, file, curve));
        Ok(moments.collect::<Result<Vec<_>>>()?.concat())
    }
}

/// A rough cut: the plan, and the facts that it was made from.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct RoughCut {
    /// What was known: voices, moments, cameras.
    pub facts: Facts,
    /// What becomes of the timeline.
    pub plan: Plan,
}

/// Plans a rough cut of an alignment's first event. `speech` is what [`voices::speech_map`] heard in it. Opens no file;
/// the same arguments give the same cut.
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for what [`RoughCutOptions::check`] refuses, options out of
/// their ranges, and moments that are not finite or end before they begin.
pub fn rough_cut(alignment: &Alignment, speech: &SpeechMap, options: &RoughCutOptions) -> Result<RoughCut> {
    options.tighten.check_cameras(alignment)?;
    let moving = options.moving(alignment)?;
    let mut facts = Facts::of(alignment, speech, options.moments.clone());
    if options.ignore_found {
        facts.found.clear();
    }
    facts.found.extend(moving);
    let plan = match &options.plan {
        Some(own) => own.clone(),
        None => plan(&facts, &options.tighten)?,
    };
    Ok(RoughCut { facts, plan })
}

#[cfg(test)]
mod tests {
    use coeval::ErrorKind;

    use super::*;
    use coeval_listen::speech::Origin;
    use tighten::{EditAction, Voice};

    /// Somebody speaks from 20 to 30 s, and something was found at 100 s.
    fn speech(alignment: &Alignment) -> SpeechMap {
        let placed = alignment.files().map(|f| (f.path.clone(), f.knots.clone())).collect();
        let voice = Voice {
            start_s: 20.0,
            end_s: 30.0,
            origin: Origin::Local,
            radio: None,
            confidence: 0.9,
            heard_by: Vec::new(),
        };
        SpeechMap {
            schema: voices::SCHEMA.into(),
            placed,
            recorder: "rec-1".into(),
            loudness_lufs: Some(-30.0),
            voices: vec![voice],
            doubts: Vec::new(),
            events: vec![Moment { start_s: 100.0, end_s: 100.0, what: "clap in cam-a and cam-b".into() }],
        }
    }

    fn shown(cut: &RoughCut, at_s: f64) -> bool {
        let frame = (at_s / cut.plan.frame_s()) as i64;
        cut.plan.entries.iter().any(|e| (e.from..e.to).contains(&frame) && e.action == EditAction::Show)
    }

    #[test]
    fn voices_found_moments_own_ones_and_moving_pictures_stay() {
        let alignment = testing::shoot();
        let speech = speech(&alignment);
        assert!(speech.is_of(&alignment));
        let mut options = RoughCutOptions::default();
        let cut = |options: &RoughCutOptions| rough_cut(&alignment, &speech, options).unwrap();
        let there = |options: &RoughCutOptions| [25.0, 100.0, 150.0, 60.0].map(|at_s| shown(&cut(options), at_s));
        assert_eq!(there(&options), [true, true, false, false]);
        options.ignore_found = true;
        assert_eq!(there(&options), [true, false, false, false]);
        options.moments.push(Moment { start_s: 150.0, end_s: 150.0, what: "a wave".into() });
        assert_eq!(there(&options), [true, false, true, false]);
        // Camera B begins at 30.003 s: at 28 to 33 s of its own time its picture moves.
        let times: Vec<f64> = (0..2500).map(|i| f64::from(i) * 0.04).collect();
        let moved = times.iter().map(|t| if (28.0..33.0).contains(t) { 9.0 } else { 1.0 }).collect();
        let curve = ActivityCurve::from_values(times, moved, vec![90.0; 2500]).unwrap();
        options.motion.push(("B.MP4".into(), curve));
        assert_eq!(there(&options), [true, false, true, true]);
        // A person's plan is taken as it is.
        let own = Plan { entries: Vec::new(), ..cut(&options).plan };
        options.plan = Some(own.clone());
        assert_eq!(cut(&options).plan, own);
    }

    #[test]
    fn names_that_the_alignment_does_not_have_are_refused() {
        let alignment = testing::shoot();
        let mut camera = RoughCutOptions::default();
        camera.tighten.see.push((0.0, 1.0, "cam-x".into()));
        let mut file = RoughCutOptions::default();
        file.motion.push(("X.MP4".into(), ActivityCurve::default()));
        for (options, name) in [(camera, "cam-x"), (file, "X.MP4")] {
            for error in [
                options.check(&alignment).unwrap_err(),
                rough_cut(&alignment, &speech(&alignment), &options).unwrap_err(),
            ] {
                assert_eq!(error.kind(), ErrorKind::InvalidArgument);
                assert!(error.message().contains(name), "{error}");
            }
        }
    }
}
