//! Cases on a disk: 16-bit WAV beside a description, so that a second run only reads and aligns.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::split::{Sounds, Split};
use super::{Case, Class, Take, VERSION};

const DESCRIPTION: &str = "case.json";

/// A class's case of a seed: from `folder` if it is there, else made and kept there. Without a folder it is made.
/// `sounds` is asked only when something is to be made.
///
/// # Errors
/// When it cannot be made, read or kept.
pub fn case<'a>(
    class: &Class,
    split: Split,
    sounds: &dyn Fn() -> io::Result<&'a Sounds>,
    seed: u64,
    long: bool,
    folder: Option<&Path>,
) -> io::Result<Case> {
    let Some(folder) = folder else { return class.make(sounds()?, seed, long) };
    let place = place(class, split, seed, long, folder);
    if place.join(DESCRIPTION).is_file() {
        return read(&place);
    }
    let case = class.make(sounds()?, seed, long)?;
    write(&place, &case)?;
    Ok(case)
}

fn place(class: &Class, split: Split, seed: u64, long: bool, folder: &Path) -> PathBuf {
    let name: String = class.name.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    let long = if long { "-long" } else { "" };
    folder.join(format!("v{VERSION}-{}{long}", split.as_str())).join(name).join(format!("{seed}"))
}

fn read(place: &Path) -> io::Result<Case> {
    let failed = |e: String| io::Error::other(format!("{}: {e}; remove it", place.display()));
    let text = fs::read_to_string(place.join(DESCRIPTION))?;
    let mut case: Case = serde_json::from_str(&text).map_err(|e| failed(e.to_string()))?;
    for (i, take) in case.takes.iter_mut().enumerate() {
        let mut reader = hound::WavReader::open(sound(place, i)).map_err(|e| failed(e.to_string()))?;
        take.samples = reader.samples::<i16>().collect::<Result<_, _>>().map_err(|e| failed(e.to_string()))?;
    }
    Ok(case)
}

/// The description comes last: a case that was not finished is made again.
fn write(place: &Path, case: &Case) -> io::Result<()> {
    fs::create_dir_all(place)?;
    for (i, take) in case.takes.iter().enumerate() {
        write_wav(&sound(place, i), take)?;
    }
    let unfinished = place.join("case.part");
    fs::write(&unfinished, serde_json::to_string(case).map_err(io::Error::other)?)?;
    fs::rename(unfinished, place.join(DESCRIPTION))
}

fn sound(place: &Path, index: usize) -> PathBuf {
    place.join(format!("{index}.wav"))
}

/// Writes 16-bit sound.
pub(super) fn write_wav(path: &Path, take: &Take) -> io::Result<()> {
    let spec = hound::WavSpec {
        channels: take.channels() as u16,
        sample_rate: take.rate_hz,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).map_err(io::Error::other)?;
    for &x in &take.samples {
        writer.write_sample(x).map_err(io::Error::other)?;
    }
    writer.finalize().map_err(io::Error::other)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classes::split::tests::named;

    #[test]
    fn a_case_comes_back_as_it_was_made_and_a_seed_makes_it_again() {
        let sounds = Sounds::of(&named(), Split::Tune).unwrap();
        let all = crate::classes::classes();
        let class = all.iter().find(|c| c.name == "metronomes").unwrap();
        let folder = tempfile::tempdir().unwrap();
        let given = || Ok(&sounds);
        let none = || Err(io::Error::other("nothing is to be made"));
        let made = case(class, Split::Tune, &given, 3, false, Some(folder.path())).unwrap();
        let again = case(class, Split::Tune, &none, 3, false, Some(folder.path())).unwrap();
        assert!(case(class, Split::Test, &none, 3, false, Some(folder.path())).is_err());
        let anew = case(class, Split::Tune, &given, 3, false, None).unwrap();
        let other = case(class, Split::Tune, &given, 4, false, None).unwrap();
        let say = |c: &Case| serde_json::to_string(c).unwrap();
        assert!(say(&made) == say(&again) && say(&made) == say(&anew) && say(&made) != say(&other));
        let heard = |c: &Case| c.takes.iter().map(|t| t.samples.clone()).collect::<Vec<_>>();
        assert!(heard(&made) == heard(&again) && heard(&made) == heard(&anew) && heard(&made) != heard(&other));
    }
}
