//! MP4, MOV, M4A: the ISO base media file format (ISO/IEC 14496-12) and its older sibling, the
//! QuickTime file format, whole or in fragments.
//!
//! Only the index is read, and then the sound's own bytes: a picture of many gigabytes is stepped
//! over. The index becomes a list of [`Run`](samples::Run)s: packets that lie behind one another in the file and
//! follow one another in time. A packet stands where its timestamp says, unless that is within the
//! timestamps' own rounding of where counting samples puts it; then counting is the better clock.

mod boxes;
mod edits;
mod entry;
mod fragments;
mod picture;
mod samples;

use coeval_error::{Error, ErrorKind, Result};

use crate::info::MediaInfo;
use crate::source::Source;
use crate::track::Opened;
use boxes::{Atom, EPOCH_1904_S, MAX_INDEX, Movie, TrackBox, each_atom, read_movie, too_big};
use edits::{segments, to_frames};
use entry::read_sound_entry;
use fragments::{fragments, from_the_first_fragment};
use picture::{read_device, read_picture, read_timecode};
use samples::{Contents, FrameStats, MAX_RUNS, SampleTable};

pub(crate) use entry::AacConfig;

/// The boxes on the highest level.
struct TopLevel {
    moov: Option<Atom>,
    moofs: Vec<Atom>,
    saw_mdat: bool,
    quicktime: bool,
}

impl TopLevel {
    fn read(source: &mut Source) -> Result<Self> {
        let mut found = Self { moov: None, moofs: Vec::new(), saw_mdat: false, quicktime: true };
        let len = source.len();
        each_atom(source, 0, len, |source, a| {
            match &a.name {
                b"ftyp" => found.quicktime = source.slice(a.start, 4, 0)? == b"qt  ",
                b"moov" if found.moov.is_none() => found.moov = Some(a),
                b"moof" => {
                    if found.moofs.len() >= MAX_RUNS {
                        return Err(too_big(source));
                    }
                    found.moofs.push(a);
                }
                b"mdat" => found.saw_mdat = true,
                _ => {}
            }
            Ok(())
        })?;
        Ok(found)
    }

    fn index(&self, source: &Source) -> Result<Atom> {
        let what = match self.moov {
            Some(moov) if moov.end - moov.start > MAX_INDEX => return Err(too_big(source)),
            Some(moov) => return Ok(moov),
            None if self.saw_mdat => "the recording was cut before its index was written (no 'moov')",
            None => "the file breaks off before its index (no 'moov')",
        };
        let remedy = "copy it again from the device, or let a recovery tool for MP4 files rebuild the index";
        Err(source.error(ErrorKind::Damaged, what, remedy))
    }
}

fn picture_track(movie: &Movie) -> Option<&TrackBox> {
    movie.tracks.iter().find(|t| t.handler == *b"vide" && t.stsd.end > 0)
}

/// The first sound track that is enabled, else the first.
fn sound_track<'a>(source: &Source, movie: &'a Movie) -> Result<&'a TrackBox> {
    let tracks = || movie.tracks.iter().filter(|t| t.handler == *b"soun");
    let Some(track) = tracks().find(|t| t.enabled).or_else(|| tracks().next()) else {
        return Err(no_sound(source, "there is no sound track"));
    };
    if movie.timescale == 0 || track.timescale == 0 {
        return Err(source.error(
            ErrorKind::Damaged,
            "the file's clock has a rate of 0",
            "copy it again from the device",
        ));
    }
    Ok(track)
}

fn no_sound(source: &Source, what: &str) -> Error {
    source.error(ErrorKind::NoSound, what, "leave it out: there is nothing to hear in it")
}

/// When the movie, else the track, was made.
fn created_unix_s(movie: &Movie, track: &TrackBox) -> Option<i64> {
    let created = [movie.created, track.created].into_iter().find(|c| *c != 0);
    created.and_then(|c| i64::try_from(c).ok()).map(|c| c - EPOCH_1904_S).filter(|c| *c > 0)
}

/// Opens a file of this family.
pub(crate) fn open(mut source: Source) -> Result<Opened> {
    let boxes = TopLevel::read(&mut source)?;
    let moov = boxes.index(&source)?;
    let movie = read_movie(&mut source, moov)?;
    let sound_track = sound_track(&source, &movie)?;
    let mut entry = read_sound_entry(&mut source, sound_track)?;
    let mut contents = Contents::of_tables(&mut source, sound_track, picture_track(&movie), &entry)?;
    fragments(&mut source, &boxes.moofs, &movie, &mut contents)?;
    if contents.index.runs.is_empty() {
        return Err(no_sound(&source, "the sound track holds no sound"));
    }
    if entry.name == "MP3" {
        // The sample description of MPEG audio often says stereo whatever the packets hold: their own
        // header decides (ISO/IEC 11172-3, 2.4.2.3).
        if let Some(header) = source.array::<4>(contents.index.runs[0].offset, 4)? {
            entry.channels = if header[3] >> 6 == 3 { 1 } else { 2 };
            entry.decoder.channels = entry.channels;
        }
    }
    let mut warnings = Vec::new();
    if !boxes.moofs.is_empty()
        && let Some(first_s) = from_the_first_fragment(&mut contents)
    {
        warnings.push(format!("its timestamps start at {first_s} s; the first fragment was taken as the start"));
    }
    let Contents { index, media_end, frames, .. } = contents;
    if index.shifted {
        warnings.push("timestamps of the sound overlap or leave gaps; each packet was placed by its timestamp".into());
    }
    let rate = index.rate;
    // The last packet may reach past the end that the timestamps state; that rest is encoder padding.
    let media_end_frames = to_frames(media_end, rate, index.timescale);
    let segments = segments(sound_track, &movie, rate, media_end_frames, &mut warnings);
    let sound_end = segments.last().map_or(0, |s| s.start + s.len);

    let picture = match picture_track(&movie) {
        Some(t) => read_picture(&mut source, t, &movie, &frames)?,
        None => None,
    };
    let (timecode, timecode_s) = read_timecode(&mut source, &movie)?;
    let device = read_device(&mut source, &movie)?;
    let picture_end_s = picture.as_ref().map_or(0.0, |p| p.start_s + p.duration_s);
    let info = MediaInfo {
        container: match (boxes.quicktime, picture.is_some()) {
            (true, _) => "MOV",
            (false, true) => "MP4",
            (false, false) => "M4A",
        },
        duration_s: (sound_end as f64 / rate as f64).max(picture_end_s),
        sound: Some(entry.info(sound_end)),
        picture,
        created_unix_s: created_unix_s(&movie, sound_track),
        timecode_s,
        timecode,
        ixml: None,
        device,
    };
    if entry.maybe_he_aac {
        warnings
            .push("AAC at half the usual rate: if it is HE-AAC without saying so, its upper octave is missing".into());
    }
    let packets = SampleTable::new(source, index, entry.pcm_frame_bytes);
    Ok(Opened { info, packets: Box::new(packets), decoder: entry.decoder, segments, tolerance: 0, warnings })
}

/// What the headers say of a file that has picture and no sound; `None` where it has no picture either, or keeps its
/// frames in fragments.
pub(crate) fn picture_alone(mut source: Source) -> Result<Option<MediaInfo>> {
    let (mut moov, mut quicktime) = (None, true);
    let len = source.len();
    each_atom(&mut source, 0, len, |source, a| {
        match &a.name {
            b"ftyp" => quicktime = source.slice(a.start, 4, 0)? == b"qt  ",
            b"moov" if moov.is_none() => moov = Some(a),
            _ => {}
        }
        Ok(())
    })?;
    let Some(moov) = moov.filter(|m| m.end - m.start <= MAX_INDEX) else { return Ok(None) };
    let movie = read_movie(&mut source, moov)?;
    let Some(track) = picture_track(&movie) else { return Ok(None) };
    if movie.timescale == 0 || track.timescale == 0 {
        return Ok(None);
    }
    let frames = FrameStats::of_table(&mut source, track)?;
    let Some(picture) = read_picture(&mut source, track, &movie, &frames)? else { return Ok(None) };
    let (timecode, timecode_s) = read_timecode(&mut source, &movie)?;
    let device = read_device(&mut source, &movie)?;
    Ok(Some(MediaInfo {
        container: if quicktime { "MOV" } else { "MP4" },
        duration_s: picture.start_s + picture.duration_s,
        sound: None,
        picture: Some(picture),
        created_unix_s: created_unix_s(&movie, track),
        timecode_s,
        timecode,
        ixml: None,
        device,
    }))
}
