//! The sounds divided by origin: what a method is tuned on, and what it is judged on at the end.

use std::sync::Arc;

use crate::sim_sound::{Material, NO_SPEECH, Voice, WORLD_RATE_HZ};

/// Speakers whose sentences are for tuning, by the beginning of their names; the others' are for testing.
const TUNE_VOICES: [&str; 2] = ["en", "es"];
const TEST_VOICES: [&str; 3] = ["fr", "it", "ru"];
/// The same for engines. All recordings of one kind of engine are on one side.
const TUNE_ENGINES: [&str; 2] = ["helicopter", "turbine"];
const TEST_ENGINES: [&str; 3] = ["car", "jet", "motor"];
/// One sentence in so many is the instrument's if its length fits.
const INSTRUMENT_EVERY: usize = 8;
/// Lengths of an instrument's prompts, seconds.
const PROMPT_S: (f64, f64) = (1.0, 4.0);

/// One side of the division.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Split {
    /// For choosing methods and quantities.
    Tune,
    /// For the final judgement only: nothing may be chosen by it.
    Test,
}

impl Split {
    /// The word used for it.
    pub fn as_str(self) -> &'static str {
        match self {
            Split::Tune => "tune",
            Split::Test => "test",
        }
    }
}

/// The sounds of one side.
#[derive(Debug, Clone)]
pub struct Sounds {
    /// Which side.
    pub split: Split,
    /// Voices and engines. Each speaker counts as two people who share no sentence, so that every scene has enough.
    pub material: Material,
    /// What an instrument says, over and over. No person says any of it.
    pub instrument: Vec<Arc<Vec<f32>>>,
}

impl Sounds {
    /// Takes one side's sounds.
    ///
    /// # Errors
    /// When a voice or an engine belongs to neither side, or too few are left.
    pub fn of(all: &Material, split: Split) -> Result<Self, String> {
        let mut voices = Vec::new();
        let mut instrument = Vec::new();
        for voice in &all.voices {
            if side(&voice.name, &TUNE_VOICES, &TEST_VOICES)? != split {
                continue;
            }
            let empty = |part| Voice { name: format!("{}-{part}", voice.name), prompts: Vec::new(), names: Vec::new() };
            let mut parts = [empty(0), empty(1)];
            let said = voice.names.iter().zip(&voice.prompts).filter(|n| !NO_SPEECH.contains(&n.0.as_str()));
            for (i, (name, prompt)) in said.enumerate() {
                let seconds = prompt.len() as f64 / WORLD_RATE_HZ;
                if i % INSTRUMENT_EVERY == 0 && (PROMPT_S.0..=PROMPT_S.1).contains(&seconds) {
                    instrument.push(prompt.clone());
                } else {
                    parts[i % 2].names.push(name.clone());
                    parts[i % 2].prompts.push(prompt.clone());
                }
            }
            voices.extend(parts);
        }
        let mut engines = Vec::new();
        for engine in &all.engines {
            if side(&engine.name, &TUNE_ENGINES, &TEST_ENGINES)? == split {
                engines.push(engine.clone());
            }
        }
        if voices.len() < 4 || engines.len() < 2 || instrument.len() < 8 {
            return Err(format!("too few sounds for the {} split", split.as_str()));
        }
        Ok(Self { split, material: Material { voices, engines }, instrument })
    }

    /// Every `of`-th sentence of each voice from the `part`-th on: different parts share none.
    pub fn part(&self, part: usize, of: usize) -> Material {
        let voices = self.material.voices.iter().map(|v| Voice {
            name: v.name.clone(),
            prompts: v.prompts.iter().skip(part).step_by(of).cloned().collect(),
            names: v.names.iter().skip(part).step_by(of).cloned().collect(),
        });
        Material { voices: voices.collect(), engines: self.material.engines.clone() }
    }
}

fn side(name: &str, tune: &[&str], test: &[&str]) -> Result<Split, String> {
    let is = |names: &[&str]| names.iter().any(|n| name.starts_with(n));
    match (is(tune), is(test)) {
        (true, false) => Ok(Split::Tune),
        (false, true) => Ok(Split::Test),
        _ => Err(format!("{name}: not clear to which split it belongs")),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::sim_sound::Engine;

    /// Noise under the names of the real sounds.
    pub(crate) fn named() -> Material {
        let mut all = Material::synthetic(1);
        all.voices.extend(Material::synthetic(2).voices);
        all.voices.truncate(5);
        for (voice, name) in all.voices.iter_mut().zip(["en_US", "es_MX", "fr_CA", "it_IT", "ru_RU"]) {
            voice.name = name.into();
        }
        let sounds = all.engines.clone();
        let names = ["car-a", "helicopter-b", "jet-c", "motor-d", "turbine-e", "turbine-f"];
        all.engines = names
            .iter()
            .enumerate()
            .map(|(i, name)| {
                let sound = sounds[i % 3].sound.iter().map(|x| x * (1.0 + 0.1 * i as f32)).collect();
                Engine { name: (*name).into(), sound }
            })
            .collect();
        all
    }

    #[test]
    fn no_sound_is_in_both_splits_and_none_is_left_out() {
        let all = named();
        let bits = |x: &[f32]| x.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
        let sounds = |split| {
            let s = Sounds::of(&all, split).unwrap();
            let said = s.material.voices.iter().flat_map(|v| &v.prompts).chain(&s.instrument).map(|p| bits(p));
            let said: Vec<_> = said.collect();
            let engines: Vec<_> = s.material.engines.iter().map(|e| bits(&e.sound)).collect();
            (said, engines)
        };
        let (tune, test) = (sounds(Split::Tune), sounds(Split::Test));
        assert!(tune.0.iter().all(|s| !test.0.contains(s)) && tune.1.iter().all(|e| !test.1.contains(e)));
        assert_eq!(tune.0.len() + test.0.len(), all.voices.iter().map(|v| v.prompts.len()).sum::<usize>());
        assert_eq!(tune.1.len() + test.1.len(), all.engines.len());

        let mut other = all.clone();
        other.engines[0].name = "whistle".into();
        assert!(Sounds::of(&other, Split::Tune).is_err());
    }

    #[test]
    fn parts_people_and_instrument_share_no_sentence() {
        let sounds = Sounds::of(&named(), Split::Test).unwrap();
        let said = |m: &Material| -> Vec<Arc<Vec<f32>>> { m.voices.iter().flat_map(|v| v.prompts.clone()).collect() };
        let parts: Vec<_> = (0..3).map(|p| said(&sounds.part(p, 3))).collect();
        let mut all: Vec<_> = parts.concat().iter().chain(&sounds.instrument).map(Arc::as_ptr).collect();
        let count = all.len();
        all.sort();
        all.dedup();
        assert_eq!(all.len(), count);
        assert_eq!(parts.concat().len(), said(&sounds.material).len());
    }
}
