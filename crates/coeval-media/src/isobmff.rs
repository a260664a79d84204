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

use coeval_error::{ErrorKind, Result};

use crate::info::{MediaInfo, SoundInfo};
use crate::source::Source;
use crate::track::Opened;
use boxes::{EPOCH_1904_S, MAX_INDEX, each_atom, read_movie, too_big};
use edits::{segments, to_frames};
use entry::read_sound_entry;
use fragments::{LATE_START_S, fragments};
use picture::{read_picture, read_timecode};
use samples::{FrameStats, IndexBuilder, MAX_RUNS, SampleTable, Sizes, whole_frames, whole_index};

pub(crate) use entry::AacConfig;

/// Opens a file of this family.
pub(crate) fn open(mut source: Source) -> Result<Opened> {
    let mut warnings = Vec::new();
    let (mut moov, mut moofs, mut saw_mdat, mut quicktime) = (None, Vec::new(), false, true);
    let len = source.len();
    each_atom(&mut source, 0, len, |source, a| {
        match &a.name {
            b"ftyp" => {
                let brand = source.slice(a.start, 4, 0)?;
                quicktime = brand == b"qt  ";
            }
            b"moov" if moov.is_none() => moov = Some(a),
            b"moof" => {
                if moofs.len() >= MAX_RUNS {
                    return Err(too_big(source));
                }
                moofs.push(a);
            }
            b"mdat" => saw_mdat = true,
            _ => {}
        }
        Ok(())
    })?;
    let Some(moov) = moov else {
        let what = if saw_mdat {
            "the recording was cut before its index was written (no 'moov')"
        } else {
            "the file breaks off before its index (no 'moov')"
        };
        return Err(source.error(
            ErrorKind::Damaged,
            what,
            "copy it again from the device, or let a recovery tool for MP4 files rebuild the index",
        ));
    };
    if moov.end - moov.start > MAX_INDEX {
        return Err(too_big(&source));
    }
    let movie = read_movie(&mut source, moov)?;
    let picture_track = movie.tracks.iter().find(|t| t.handler == *b"vide" && t.stsd.end > 0);
    let sound_tracks = || movie.tracks.iter().filter(|t| t.handler == *b"soun");
    let Some(sound_track) = sound_tracks().find(|t| t.enabled).or_else(|| sound_tracks().next()) else {
        return Err(source.error(
            ErrorKind::NoSound,
            "there is no sound track",
            "leave it out: there is nothing to hear in it",
        ));
    };
    if movie.timescale == 0 || sound_track.timescale == 0 {
        return Err(source.error(
            ErrorKind::Damaged,
            "the file's clock has a rate of 0",
            "copy it again from the device",
        ));
    }
    let mut entry = read_sound_entry(&mut source, sound_track)?;
    let rate = u64::from(entry.rate_hz);
    let timescale = u64::from(sound_track.timescale);

    let mut index = IndexBuilder {
        sizes: if entry.pcm_frame_bytes.is_some() {
            Sizes::All(entry.pcm_frame_bytes.unwrap_or(1))
        } else {
            Sizes::Each(Vec::new())
        },
        runs: Vec::new(),
        rate,
        timescale,
        nominal: entry.packet_frames,
        // A tick or two of rounding, and a millisecond of jitter.
        tolerance: (2 * rate / timescale + rate / 1000).min(rate) as i64,
        expected: None,
        shifted: false,
        contiguous: 0,
    };
    let mut media_end = whole_index(&mut source, sound_track, &entry, &mut index)?;
    let mut frames = FrameStats::default();
    if let Some(t) = picture_track {
        whole_frames(&mut source, t, &mut frames)?;
    }
    if !moofs.is_empty() {
        let picture_id = picture_track.map(|t| t.id);
        fragments(
            &mut source,
            &moofs,
            &movie,
            (sound_track.id, &mut index, &mut media_end),
            (picture_id, &mut frames),
        )?;
    }
    if index.runs.is_empty() {
        return Err(source.error(
            ErrorKind::NoSound,
            "the sound track holds no sound",
            "leave it out: there is nothing to hear in it",
        ));
    }
    if entry.name == "MP3" {
        // The sample description of MPEG audio often says stereo whatever the packets hold: their own
        // header decides (ISO/IEC 11172-3, 2.4.2.3).
        if let Some(header) = source.array::<4>(index.runs[0].offset, 4)? {
            entry.channels = if header[3] >> 6 == 3 { 1 } else { 2 };
            entry.decoder.channels = entry.channels;
        }
    }
    if !moofs.is_empty() {
        let picture_first = match (picture_track, frames.first) {
            (Some(t), Some(first)) => to_frames(first, rate, t.timescale.into()),
            _ => i64::MAX,
        };
        let first = index.runs.iter().map(|r| r.frame).min().unwrap_or(0).min(picture_first);
        if first > LATE_START_S * rate as i64 {
            // Fragments cut from a running broadcast count from its start; a player starts with the first of them.
            index.runs.iter_mut().for_each(|r| r.frame -= first);
            let ticks = |timescale: u64| to_frames(first, timescale, rate);
            media_end -= ticks(timescale);
            if let (Some(t), Some(shown)) = (picture_track, &mut frames.first) {
                *shown -= ticks(t.timescale.into());
            }
            warnings.push(format!(
                "its timestamps start at {} s; the first fragment was taken as the start",
                first / rate as i64
            ));
        }
    }
    if index.shifted {
        warnings.push("timestamps of the sound overlap or leave gaps; each packet was placed by its timestamp".into());
    }
    // The last packet may reach past the end that the timestamps state; that rest is encoder padding.
    let media_end_frames = to_frames(media_end, rate, timescale);
    let segments = segments(sound_track, &movie, rate, media_end_frames, &mut warnings);
    let sound_end = segments.last().map_or(0, |s| s.start + s.len);

    let picture = match picture_track {
        Some(t) => read_picture(&mut source, t, &movie, &frames)?,
        None => None,
    };
    let (timecode, timecode_s) = read_timecode(&mut source, &movie)?;
    let sound_s = sound_end as f64 / rate as f64;
    let picture_end_s = picture.as_ref().map_or(0.0, |p| p.start_s + p.duration_s);
    let created = [movie.created, sound_track.created].into_iter().find(|c| *c != 0);
    let info = MediaInfo {
        container: match (quicktime, picture.is_some()) {
            (true, _) => "MOV",
            (false, true) => "MP4",
            (false, false) => "M4A",
        },
        duration_s: sound_s.max(picture_end_s),
        sound: Some(SoundInfo {
            codec: entry.name.clone(),
            rate_hz: entry.rate_hz,
            channels: entry.channels,
            bits: entry.bits,
            start_is_exact: true,
            frames: Some(sound_end),
        }),
        picture,
        created_unix_s: created.and_then(|c| i64::try_from(c).ok()).map(|c| c - EPOCH_1904_S).filter(|c| *c > 0),
        timecode_s,
        timecode,
        ixml: None,
    };
    if entry.maybe_he_aac {
        warnings
            .push("AAC at half the usual rate: if it is HE-AAC without saying so, its upper octave is missing".into());
    }
    let track = SampleTable {
        source,
        sizes: index.sizes,
        runs: index.runs,
        run: 0,
        packet: 0,
        offset: 0,
        run_end: 0,
        pcm_packet_frames: entry.pcm_frame_bytes.map(|b| (256 * 1024 / b).clamp(1, 4096)),
    };
    Ok(Opened { info, track: Box::new(track), decoder: entry.decoder, segments, tolerance: 0, warnings })
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
    let Some(track) = movie.tracks.iter().find(|t| t.handler == *b"vide" && t.stsd.end > 0) else { return Ok(None) };
    if movie.timescale == 0 || track.timescale == 0 {
        return Ok(None);
    }
    let mut frames = FrameStats::default();
    whole_frames(&mut source, track, &mut frames)?;
    let Some(picture) = read_picture(&mut source, track, &movie, &frames)? else { return Ok(None) };
    let (timecode, timecode_s) = read_timecode(&mut source, &movie)?;
    let created = [movie.created, track.created].into_iter().find(|c| *c != 0);
    Ok(Some(MediaInfo {
        container: if quicktime { "MOV" } else { "MP4" },
        duration_s: picture.start_s + picture.duration_s,
        sound: None,
        picture: Some(picture),
        created_unix_s: created.and_then(|c| i64::try_from(c).ok()).map(|c| c - EPOCH_1904_S).filter(|c| *c > 0),
        timecode_s,
        timecode,
        ixml: None,
    }))
}
