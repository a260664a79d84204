//! Small pictures of what cameras saw, one every so many seconds: so that people see what they cut.

use std::path::Path;
use std::time::{Duration, Instant};

use coeval::progress::Progress;
use coeval::{ErrorKind, Result};
use coeval_media::still;

use crate::alignment::{Alignment, File};
use crate::parallel::for_all;
use crate::words::length;

/// How pictures are taken. The defaults serve.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct PictureOptions {
    /// Height of a picture, pixels. Default 54: 96 wide where the picture is 16 to 9.
    pub height: usize,
    /// Bytes that all pictures together may have as base64, which takes four for three. Default 2 million.
    pub bytes: usize,
    /// How long it may take altogether. Default 120 s.
    pub longest: Duration,
}

impl Default for PictureOptions {
    fn default() -> Self {
        Self { height: 54, bytes: 2_000_000, longest: Duration::from_secs(120) }
    }
}

/// A small picture.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct StillPicture {
    /// The file's name in the alignment.
    pub file: String,
    /// Which part of the file it stands for, counted from 0; each is [`Pictures::every_s`] long.
    pub part: u32,
    /// The picture, a JPEG.
    pub jpeg: Vec<u8>,
}

impl StillPicture {
    /// The picture `jpeg` of part `part` of `file`.
    pub fn new(file: String, part: u32, jpeg: Vec<u8>) -> Self {
        Self { file, part, jpeg }
    }
}

/// Small pictures of all clips of an event.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct Pictures {
    /// Each stands for so many seconds of its file, and is what is shown in their middle.
    pub every_s: f64,
    /// In order of files and time.
    pub pictures: Vec<StillPicture>,
    /// Why some or all are missing, in words for a person; `None` where all are there.
    pub note: Option<String>,
}

/// Distances of pictures, seconds. Nearer than the first they show the same again (own choice).
const STEPS_S: [f64; 12] = [5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 1200.0, 1800.0];
/// Pictures of all clips at most: 400 of 54 pixels have about 1.5 MB (measured on drawn and on filmed pictures).
const MOST: f64 = 400.0;
/// One picture may take so long: an encoder sets a frame that stands alone every few seconds, from which it is decoded.
const LONGEST_OF_ONE: Duration = Duration::from_secs(10);

/// Takes pictures of the first event's placed clips, through an `ffmpeg` on PATH. `folder` is the one that the alignment's
/// names are relative to. What cannot be had is missing, and said in the note: no failure of ffmpeg is one of this.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only.
pub fn pictures(
    alignment: &Alignment,
    folder: &Path,
    options: &PictureOptions,
    progress: &dyn Progress,
) -> Result<Pictures> {
    let first = alignment.first_event();
    let clips = || first.files().filter(|f| f.is_placed()).filter_map(|f| Some((f, f.picture.as_ref()?)));
    let all_s: f64 = clips().map(|(_, p)| p.duration_s).sum();
    let longest_step_s = STEPS_S[STEPS_S.len() - 1];
    let every_s = STEPS_S
        .into_iter()
        .find(|s| all_s / s <= MOST)
        .unwrap_or(longest_step_s * (all_s / MOST / longest_step_s).ceil());
    let mut jobs: Vec<(&File, u32, f64)> = Vec::new();
    for (file, picture) in clips() {
        let parts = (picture.duration_s / every_s).ceil().max(1.0) as u32;
        jobs.extend((0..parts).map(|part| {
            let from_s = f64::from(part) * every_s;
            let middle_s = (from_s + (from_s + every_s).min(picture.duration_s)) / 2.0;
            (file, part, picture.start_s + middle_s)
        }));
    }
    let until = Instant::now() + options.longest;
    let taken = for_all(
        "taking pictures",
        &jobs,
        |_| 1.0,
        progress,
        |(file, part, at_s), progress| {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(Err(late(options.longest)));
            }
            let go_on = || progress.report("taking pictures", 0.0);
            match still(&folder.join(&file.path), *at_s, options.height, left.min(LONGEST_OF_ONE), &go_on) {
                Ok(jpeg) => Ok(Ok(StillPicture::new(file.path.clone(), *part, jpeg))),
                Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
                Err(e) => Ok(Err(format!("{}.", e.message()))),
            }
        },
    )?;
    let (pictures, failures): (Vec<_>, Vec<_>) = taken.into_iter().partition(std::result::Result::is_ok);
    let mut all = Pictures { every_s, pictures: pictures.into_iter().flatten().collect(), note: None };
    if let Some(Err(why)) = failures.first() {
        all.note = Some(format!("{} of {} pictures are missing: {why}", failures.len(), jobs.len()));
    }
    // Rich pictures take more room than most: then every second one goes.
    let size = |all: &Pictures| all.pictures.iter().map(|p| p.jpeg.len().div_ceil(3) * 4).sum::<usize>();
    while size(&all) > options.bytes && !all.pictures.is_empty() {
        all.every_s *= 2.0;
        all.pictures.retain(|p| p.part % 2 == 0);
        all.pictures.iter_mut().for_each(|p| p.part /= 2);
    }
    Ok(all)
}

fn late(longest: Duration) -> String {
    format!("the time for pictures was over after {}.", length(longest.as_secs_f64()))
}

#[cfg(test)]
mod tests {
    use std::io::Write as _;

    use coeval::clock::ClockMap;

    use super::*;
    use crate::conform::tests::{alignment, file, picture};

    fn clip(name: &str) -> Alignment {
        let map = ClockMap::linear(10.0, 0.0, 40.0);
        alignment(vec![File { picture: picture(40.0), ..file(name, 48_000, 2, &map) }], Vec::new())
    }

    #[test]
    fn each_part_of_a_clip_has_a_picture_as_far_as_bytes_and_time_go() {
        if std::process::Command::new("ffmpeg").arg("-version").output().is_err() {
            // Not by println: what a test that passes prints is not shown.
            let _ = writeln!(std::io::stdout(), "\nskipped: pictures of a clip: there is no ffmpeg");
            return;
        }
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../examples/survey-launch/recordings");
        let alignment = clip("CAM-B_0004.MOV");
        let mut options = PictureOptions::default();
        let all = pictures(&alignment, &folder, &options, &()).unwrap();
        assert_eq!((all.every_s, all.pictures.len(), &all.note), (5.0, 8, &None));
        assert!(all.pictures.iter().enumerate().all(|(i, p)| p.part == i as u32 && p.jpeg.len() < 5000));
        let packed = |all: &Pictures| all.pictures.iter().map(|p| p.jpeg.len().div_ceil(3) * 4).sum::<usize>();
        // Three of four times as many bytes as there are: every second one goes.
        options.bytes = packed(&all) * 3 / 4;
        let fewer = pictures(&alignment, &folder, &options, &()).unwrap();
        assert_eq!((fewer.every_s, fewer.pictures.len()), (10.0, 4));
        assert!(packed(&fewer) <= options.bytes);
        assert_eq!(fewer.pictures[1].jpeg, all.pictures[2].jpeg);
        options.longest = Duration::ZERO;
        let late = pictures(&alignment, &folder, &options, &()).unwrap();
        assert!(late.pictures.is_empty());
        assert_eq!(late.note.unwrap(), "8 of 8 pictures are missing: the time for pictures was over after 0.0 s.");
        let stopped = pictures(&alignment, &folder, &PictureOptions::default(), &|_: &str, _: f64| false);
        assert_eq!(stopped.unwrap_err().kind(), ErrorKind::Cancelled);
    }

    #[test]
    fn a_clip_without_pictures_is_a_note_and_no_failure() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("C.MP4"), b"no picture at all").unwrap();
        let none = pictures(&clip("C.MP4"), dir.path(), &PictureOptions::default(), &()).unwrap();
        assert!(none.pictures.is_empty());
        let note = none.note.unwrap();
        assert!(note.starts_with("8 of 8 pictures are missing: ") && note.contains("ffmpeg"), "{note}");
    }
}
