//! Which tracks of recorders go under clips.

use std::collections::BTreeMap;

use coeval::{Error, Result};

use crate::alignment::{File, Ixml, Recording};
use crate::chapters::split_name;
use crate::headers::Probed;
use crate::patterns::fits;

/// So many tracks of a recorder go under clips unless more are asked for.
const FEW: usize = 2;

/// A track of a recorder: a channel of a file, or of one of several that were written at once.
#[derive(Debug, Clone)]
pub(super) struct RecorderTrack {
    /// Its number among the recorder's, from 1.
    number: usize,
    name: String,
    /// Its channel in its file, from 0.
    channel: usize,
    /// Is there anything in it to hear?
    says: bool,
    is_timecode: bool,
    /// Where it goes.
    to: usize,
}

/// What is taken of a file.
pub(super) struct Source<'a> {
    pub(super) file: &'a File,
    pub(super) tracks: Vec<RecorderTrack>,
    /// So many tracks go under the clip together.
    pub(super) of: usize,
    /// What was written at once with it has no other track: a single one goes to all channels.
    alone: bool,
}

impl Source<'_> {
    /// Channels of the file, and where each goes; `None`: to all.
    pub(super) fn routes(&self) -> Vec<(usize, Option<usize>)> {
        self.tracks.iter().map(|t| (t.channel, (!self.alone).then_some(t.to))).collect()
    }
}

/// What files written at once hold, each with its tracks. Timecode has its number as well.
fn tracks<'a>(set: &[&'a File]) -> Vec<(&'a File, Vec<RecorderTrack>)> {
    let mut number = 0;
    let of = |file: &&'a File| {
        let (sound, telling) = (file.sound_channels(), file.telling_channels());
        let says = file.compared.as_ref().is_none_or(|c| !c.is_empty());
        let names = &take_names(file, set.len() > 1);
        let all = (0..file.sound.as_ref().map_or(0, |s| s.channels)).map(|channel| {
            number += 1;
            RecorderTrack {
                number,
                name: names.get(channel).cloned().unwrap_or_default(),
                channel,
                says: says && telling.contains(&channel),
                is_timecode: !sound.contains(&channel),
                to: 0,
            }
        });
        (*file, all.collect())
    };
    set.iter().map(of).collect()
}

/// Names of a file's channels; that of the file stands for the only one of several files.
fn take_names(file: &File, one_of_several: bool) -> Vec<String> {
    let names = file.ixml.as_ref().map_or_else(Vec::new, |i| i.tracks.clone());
    if names.is_empty() && one_of_several { vec![split_name(&file.path).1.to_owned()] } else { names }
}

/// For each recorder what goes under clips: that of `wanted`, or what serves most.
///
/// # Errors
/// `InvalidArgument` where no recorder has what is wanted.
pub(super) fn choose<'a>(recorders: &[&'a Recording], wanted: &[String]) -> Result<Vec<Vec<Source<'a>>>> {
    let mut met = vec![false; wanted.len()];
    let mut known: BTreeMap<usize, String> = BTreeMap::new();
    let mut all = Vec::new();
    for recorder in recorders {
        let sets: Vec<_> = recorder.sets().into_iter().map(|set| tracks(&set)).collect();
        let each = || sets.iter().flatten().flat_map(|(_, tracks)| tracks);
        let mut numbers: Vec<usize> = Vec::new();
        for (wanted, met) in wanted.iter().zip(&mut met) {
            let is_meant = |t: &&RecorderTrack| match wanted.parse::<usize>() {
                Ok(number) => t.number == number,
                Err(_) => fits(&wanted.to_lowercase(), &t.name.to_lowercase()),
            };
            let mut meant: Vec<usize> = each().filter(is_meant).map(|t| t.number).collect();
            meant.sort_unstable();
            *met |= !meant.is_empty();
            for number in meant {
                if !numbers.contains(&number) {
                    numbers.push(number);
                }
            }
        }
        if numbers.is_empty() {
            numbers = serving(each());
        }
        known.extend(each().map(|t| (t.number, t.name.clone())));
        let mut mine = Vec::new();
        for set in sets {
            let place = |t: &RecorderTrack| numbers.iter().position(|n| *n == t.number);
            let of = set.iter().flat_map(|(_, tracks)| tracks).filter_map(place).map(|to| to + 1).max().unwrap_or(0);
            let alone = set.iter().flat_map(|(_, tracks)| tracks).filter_map(place).count() == 1;
            for (file, tracks) in set {
                let to = |t: RecorderTrack| place(&t).map(|to| RecorderTrack { to, ..t });
                let tracks: Vec<RecorderTrack> = tracks.into_iter().filter_map(to).collect();
                if !tracks.is_empty() {
                    mine.push(Source { file, tracks, of, alone });
                }
            }
        }
        all.push(mine);
    }
    match met.iter().position(|met| !met) {
        Some(i) if !recorders.is_empty() => {
            let named = |(number, name): (&usize, &String)| match name.is_empty() {
                true => number.to_string(),
                false => format!("{number} ({name})"),
            };
            let there: Vec<String> = known.iter().map(named).collect();
            Err(no_track(&wanted[i], &there.join(", ")))
        }
        _ => Ok(all),
    }
}

/// Can each of these tracks be that of a recorder, as far as headers tell?
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) where no file with sound has a track of this name, or all of them
/// together fewer tracks than this number.
pub fn check_tracks(probed: &[Probed], wanted: &[String]) -> Result<()> {
    let with_sound = probed.iter().filter_map(|p| {
        let info = p.info.as_ref().ok()?;
        Some((p, info.sound.as_ref()?.channels, info.ixml.as_ref()))
    });
    let (mut most, mut names) = (0, Vec::new());
    for (probed, channels, ixml) in with_sound {
        most += channels;
        match ixml.map(|i| &i.tracks).filter(|t| !t.is_empty()) {
            Some(tracks) => names.extend(tracks.iter().filter(|t| !t.is_empty()).cloned()),
            None => names.push(split_name(&probed.name).1.to_owned()),
        }
    }
    let can_be = |wanted: &String| match wanted.parse::<usize>() {
        Ok(number) => (1..=most).contains(&number),
        Err(_) => names.iter().any(|name| fits(&wanted.to_lowercase(), &name.to_lowercase())),
    };
    match wanted.iter().find(|w| !can_be(w)) {
        Some(wanted) => {
            names.insert(0, format!("1 to {most}"));
            Err(no_track(wanted, &names.join(", ")))
        }
        None => Ok(()),
    }
}

fn no_track(wanted: &str, there: &str) -> Error {
    Error::invalid(format!("no recorder has a track {wanted:?}; there are {there}"))
        .with_remedy("name tracks by their numbers or names; `*` matches any characters")
}

/// What serves where nothing is asked for: all of one or two; of more those called a mix, or the first two that say
/// anything.
fn serving<'t>(tracks: impl Iterator<Item = &'t RecorderTrack>) -> Vec<usize> {
    #[derive(Default)]
    struct Is {
        telling: bool,
        mix: bool,
    }
    let mut all: BTreeMap<usize, Is> = BTreeMap::new();
    for track in tracks.filter(|t| !t.is_timecode) {
        let is = all.entry(track.number).or_default();
        is.telling |= track.says;
        is.mix |= track.name.to_lowercase().contains("mix");
    }
    if all.len() <= FEW {
        return all.into_keys().collect();
    }
    let first = |which: fn(&Is) -> bool| -> Vec<usize> {
        all.iter().filter(|(_, is)| which(is)).map(|(number, _)| *number).take(FEW).collect()
    };
    let choices = [first(|is| is.telling && is.mix), first(|is| is.telling), first(|_| true)];
    choices.into_iter().find(|numbers| !numbers.is_empty()).unwrap_or_default()
}

/// Names and numbers of the channels to which tracks go.
pub(super) fn names<'t>(tracks: impl Iterator<Item = &'t RecorderTrack>, channels: usize) -> (Vec<String>, Vec<u32>) {
    let (mut names, mut numbers) = (vec![String::new(); channels], vec![0; channels]);
    for track in tracks.filter(|t| t.to < channels) {
        if names[track.to].is_empty() {
            names[track.to].clone_from(&track.name);
        }
        numbers[track.to] = track.number as u32;
    }
    (names, numbers)
}

/// What the first of some files says of the take, with other tracks.
pub(super) fn take(said: Vec<&Option<Ixml>>, (tracks, numbers): (Vec<String>, Vec<u32>)) -> Ixml {
    let first = said.into_iter().flatten().next().cloned().unwrap_or_default();
    Ixml { tracks, numbers, ..first }
}

/// What a file says of the take, with the tracks that hold sound.
pub(super) fn of_file(file: &File) -> Ixml {
    let said = file.ixml.clone().unwrap_or_default();
    let channels = file.sound_channels();
    let tracks = channels.iter().map(|c| said.tracks.get(*c).cloned().unwrap_or_default()).collect();
    let number = |c: &usize| said.numbers.get(*c).copied().filter(|n| *n > 0).unwrap_or(*c as u32 + 1);
    let numbers = channels.iter().map(number).collect();
    Ixml { tracks, numbers, ..said }
}
