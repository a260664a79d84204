//! Which sound is for what, by where it comes from, for every detector that learns or is tuned.
//!
//! All sounds of one origin (package, speaker) are on one side: a method that has heard one recording of a package knows
//! its microphones and rooms. What the tables of RESULTS.md and SPEECH.md show is of [`Part::Test`].

use std::path::Path;

/// What a sound is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Part {
    /// Weights are learnt from it.
    Train,
    /// Methods, options and thresholds are chosen by it.
    Tune,
    /// For the final judgement only: nothing may be chosen by it.
    Test,
}

/// A package or a speaker, what it is for, and its files below `benches/data`, with `*` for any end.
struct Origin {
    name: &'static str,
    part: Part,
    files: &'static [&'static str],
}

const fn origin(name: &'static str, part: Part, files: &'static [&'static str]) -> Origin {
    Origin { name, part, files }
}

use Part::{Test, Train, Tune};

#[rustfmt::skip]
const ORIGINS: [Origin; 25] = [
    origin("an English speaker", Train, &["voices/en_*"]),
    origin("a Spanish speaker", Tune, &["voices/es_*"]),
    origin("a French speaker", Test, &["voices/fr_*"]),
    origin("an Italian speaker", Test, &["voices/it_*"]),
    origin("a Russian speaker", Test, &["voices/ru_*"]),
    origin("espeak-ng", Test, &["claps/voice/call*"]),
    origin("searchandrescue-data", Train,
        &["engines/helicopter-*", "engines/jet-*", "engines/turbine-*", "training/engine/rescue_*"]),
    origin("torcs-data", Train, &["training/engine/torcs_*"]),
    origin("flightgear-data-base", Train,
        &["training/engine/piston_*", "training/engine/aircraft_*", "training/wind/aircraft_*"]),
    origin("supertuxkart-data", Tune, &["training/engine/kart_*"]),
    origin("btanks-data", Tune, &["training/engine/tank_*"]),
    origin("gl-117-data", Tune, &["training/engine/plane"]),
    origin("crrcsim-data", Test, &["engines/motor-*"]),
    origin("dustracing2d-data", Test, &["engines/car-four", "claps/engine/car"]),
    origin("stormbaancoureur-data", Test, &["engines/car-v8", "claps/engine/v8"]),
    origin("trigger-rally-data", Test, &["claps/engine/rally", "claps/wind/rally"]),
    origin("openttd-opensfx", Test,
        &["claps/engine/propeller", "claps/engine/helicopter", "claps/engine/bus", "claps/engine/old_bus",
            "claps/engine/diesel_train", "claps/wind/wind", "claps/wind/heavy_wind"]),
    origin("hydrogen-drumkits: Millo", Train, &["training/clap/Millo*"]),
    origin("hydrogen-drumkits: Forzee", Train, &["training/clap/Forzee*"]),
    origin("hydrogen-drumkits: HardElectro", Train, &["training/clap/HardElectro*"]),
    origin("hydrogen-drumkits: Colombo", Tune, &["training/clap/Colombo*"]),
    origin("hydrogen-drumkits: ElectricEmpire", Tune, &["training/clap/Electric*"]),
    origin("hydrogen-data", Test, &["claps/clap/hand_clap", "claps/clap/side_stick_*", "claps/clap/rim_shot_*"]),
    origin("lmms-common", Test, &["claps/clap/lmms_*"]),
    origin("sonic-pi-samples", Test, &["claps/clap/perc_*"]),
];

fn fits(pattern: &str, file: &str) -> bool {
    pattern.strip_suffix('*').map_or(pattern == file, |start| file.starts_with(start))
}

/// What a file below `benches/data` is for, by its name there without the extension, as in `engines/car-v8`.
///
/// # Errors
/// When no origin has it: a new sound has to be given to one.
pub fn part_of(file: &str) -> Result<Part, String> {
    let mut owners = ORIGINS.iter().filter(|o| o.files.iter().any(|p| fits(p, file)));
    match (owners.next(), owners.next()) {
        (Some(owner), None) => Ok(owner.part),
        (Some(one), Some(other)) => Err(format!("{file}: {} and {} both have it", one.name, other.name)),
        _ => Err(format!("{file}: give it to an origin in benches/src/origins.rs")),
    }
}

/// The sounds of one part in a folder of `data`, by name, as [`load`](crate::claps::load) reads them.
///
/// # Errors
/// When a file of the folder belongs to no origin, or the folder cannot be read.
pub fn load_part(
    data: &Path,
    folder: &str,
    part: Part,
) -> Result<Vec<crate::claps::Sound>, Box<dyn std::error::Error>> {
    let mut sounds = Vec::new();
    for sound in crate::claps::load(&data.join(folder))? {
        if part_of(&format!("{folder}/{}", sound.name))? == part {
            sounds.push(sound);
        }
    }
    Ok(sounds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_file_is_in_two() {
        let all: Vec<&str> = ORIGINS.iter().flat_map(|o| o.files).copied().collect();
        for (i, a) in all.iter().enumerate() {
            for b in &all[i + 1..] {
                let (x, y) = (a.trim_end_matches('*'), b.trim_end_matches('*'));
                let overlap = fits(a, y) || fits(b, x);
                assert!(!overlap, "{a} and {b}");
            }
        }
        assert_eq!(part_of("engines/car-v8"), Ok(Part::Test));
        assert_eq!(part_of("training/engine/torcs_3"), Ok(Part::Train));
        assert!(part_of("engines/whistle").is_err());
        // A name is compared whole: the benchmark's helicopter is not the training's.
        assert_eq!(part_of("claps/engine/helicopter"), Ok(Part::Test));
        assert_eq!(part_of("engines/helicopter-inside"), Ok(Part::Train));
    }

    /// Of what was fetched: every file has an origin, and no recording comes twice under two names in two parts.
    #[test]
    fn no_recording_is_in_two_parts() {
        let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("data");
        let mut seen: Vec<(Vec<u32>, String, Part)> = Vec::new();
        for folder in [
            "voices",
            "engines",
            "claps/clap",
            "claps/engine",
            "claps/wind",
            "claps/voice",
            "training/clap",
            "training/engine",
            "training/wind",
        ] {
            let Ok(sounds) = crate::claps::load(&data.join(folder)) else { continue };
            for sound in sounds {
                let file = format!("{folder}/{}", sound.name);
                let part = part_of(&file).unwrap();
                // The loudest tenth of a second: leading silence may have been cut otherwise.
                let most = sound.samples.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
                let at = most.map_or(0, |m| m.0).saturating_sub(2000);
                let key = sound.samples[at..(at + 4800).min(sound.samples.len())].iter().map(|x| x.to_bits()).collect();
                let twin = seen.iter().find(|s| s.0 == key && s.2 != part);
                assert!(twin.is_none(), "{file} is {}", twin.unwrap().1);
                seen.push((key, file, part));
            }
        }
    }
}
