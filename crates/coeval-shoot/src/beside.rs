//! Sound that was recorded beside a clip: a recorder on the camera, or the camera itself, wrote it into a file of the same
//! name.
//!
//! The name is a hint, and the sound has the last word: both must have a place by sound of their own, and run together for
//! at least half of the longer one. A recorder that ran all day is nobody's in particular, whatever it is called.

use crate::alignment::{Alignment, File, Kind};
use crate::chapters::split_name;

/// Clip and sound run together for at least this part of the longer one (own choice).
const TOGETHER: f64 = 0.5;

/// Marks the files that are the better sound of a clip, and says where the sound refutes a name.
pub(crate) fn tell(alignment: &mut Alignment) {
    let of_kind = |kind: Kind| alignment.recordings.iter().filter(move |r| r.kind == kind).flat_map(|r| &r.files);
    let clips: Vec<&File> = of_kind(Kind::Camera).filter(|f| f.copy_of.is_none()).collect();
    let mut told: Vec<(String, Result<String, String>)> = Vec::new();
    for sound in of_kind(Kind::Recorder).filter(|f| f.copy_of.is_none() && f.has_sound()) {
        let Some(clip) = namesake(sound, &clips) else { continue };
        let Some(together) = together(clip, sound) else { continue };
        let of = clip.path.clone();
        told.push((sound.path.clone(), if together >= TOGETHER { Ok(of) } else { Err(of) }));
    }
    for (path, verdict) in told {
        let files = alignment.recordings.iter_mut().flat_map(|r| &mut r.files);
        for file in files.filter(|f| f.path == path) {
            match &verdict {
                Ok(clip) => file.better_sound_of = Some(clip.clone()),
                Err(clip) => file.warnings.push(format!(
                    "it has the name of {clip}, but their sound shows that the two did not run together, so it does not count as \
                     the sound of that clip"
                )),
            }
        }
    }
}

/// The one clip of the same name, in the same folder or, where that has none, anywhere.
fn namesake<'a>(sound: &File, clips: &[&'a File]) -> Option<&'a File> {
    let (folder, name) = split_name(&sound.path);
    let called = |f: &File| split_name(&f.path).1.to_lowercase();
    let alike: Vec<&File> = clips.iter().copied().filter(|c| called(c) == name.to_lowercase()).collect();
    let here: Vec<&File> = alike.iter().copied().filter(|c| split_name(&c.path).0 == folder).collect();
    match if here.is_empty() { &alike[..] } else { &here[..] } {
        [one] => Some(*one),
        _ => None,
    }
}

/// For which part of the longer one both run, as their sound says; `None` where it says nothing.
fn together(clip: &File, sound: &File) -> Option<f64> {
    let span = |f: &File| {
        let (first, last) = (f.knots.first()?, f.knots.last()?);
        f.placed_by.is_none().then_some((f.event_number()?, first[1], last[1]))
    };
    let (x, y) = (span(clip)?, span(sound)?);
    let common_s = if x.0 == y.0 { x.2.min(y.2) - x.1.max(y.1) } else { 0.0 };
    Some(common_s.max(0.0) / (x.2 - x.1).max(y.2 - y.1).max(f64::MIN_POSITIVE))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conform::tests::{alignment, file, picture};
    use coeval::clock::ClockMap;

    fn shoot(clips: &[(&str, f64, f64)], sounds: &[(&str, f64, f64)]) -> Alignment {
        let files = |list: &[(&str, f64, f64)], camera: bool| -> Vec<File> {
            let one = |&(path, start_s, length_s): &(&str, f64, f64)| {
                let mut one = file(path, 48_000, 1, &ClockMap::linear(start_s, 0.0, length_s));
                one.picture = picture(length_s).filter(|_| camera);
                one
            };
            list.iter().map(one).collect()
        };
        let mut alignment = alignment(files(clips, true), files(sounds, false));
        tell(&mut alignment);
        alignment
    }

    fn verdict<'a>(alignment: &'a Alignment, path: &str) -> (Option<&'a str>, bool) {
        let file = alignment.file(path).unwrap();
        (file.better_sound_of.as_deref(), !file.warnings.is_empty())
    }

    #[test]
    fn the_name_is_a_hint_and_the_sound_has_the_last_word() {
        let clips = [("a/V1.MP4", 10.0, 60.0), ("a/V2.MP4", 80.0, 60.0), ("a/V3.MP4", 200.0, 10.0)];
        // The first began a second late, the second ran at another time, the third is that of the whole day.
        let sounds = [("a/v1.WAV", 11.0, 58.0), ("a/V2.WAV", 500.0, 60.0), ("b/V3.WAV", 0.0, 600.0)];
        let told = shoot(&clips, &sounds);
        assert_eq!(verdict(&told, "a/v1.WAV"), (Some("a/V1.MP4"), false));
        assert_eq!(verdict(&told, "a/V2.WAV"), (None, true));
        assert_eq!(verdict(&told, "b/V3.WAV"), (None, true));
    }

    #[test]
    fn of_two_clips_of_one_name_the_one_in_the_same_folder_is_meant_or_none() {
        let clips = [("a/V1.MP4", 0.0, 60.0), ("b/V1.MP4", 100.0, 60.0)];
        let told = shoot(&clips, &[("b/V1.WAV", 100.0, 60.0), ("sound/V1.WAV", 0.0, 60.0)]);
        assert_eq!(verdict(&told, "b/V1.WAV"), (Some("b/V1.MP4"), false));
        assert_eq!(verdict(&told, "sound/V1.WAV"), (None, false));
        // One clip alone is meant from any folder.
        let told = shoot(&clips[..1], &[("sound/V1.WAV", 0.0, 60.0)]);
        assert_eq!(verdict(&told, "sound/V1.WAV"), (Some("a/V1.MP4"), false));
    }
}
