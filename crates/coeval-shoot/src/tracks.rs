//! Files that one recorder wrote at the same time, a track in each: one recording, with one map for all.
//!
//! They lie in one folder, have the same settings and to the sample the same length. That they began at the same sample is
//! what their headers say; else their sound must say it, or names that call them tracks, where no sound contradicts. Two
//! devices never stop at the same sample, but chapters of a full card are all as long: names that count say nothing.

use coeval::Result;
use coeval::pair::{Aligner, PairOutcome};
use coeval::progress::Progress;
use coeval::track::{TRACK_RATE_HZ, Track, TrackBuilder};

use crate::Options;
use crate::alignment::Alignment;
use crate::chapters::split_name;
use crate::find::natural_order;
use crate::headers::{Headers, Probed};
use crate::kept;
use crate::says::{self, Said};
use crate::scratch;
use crate::sound::{Analysed, audible};

/// Sound of one event reaches microphones of one recorder no further apart than this, seconds: twenty metres.
const NEAR_S: f64 = 0.06;
/// Timecode in headers of one moment, seconds: less than half a sample of any rate that is used.
const SAME_S: f64 = 2e-6;
/// Words before the number of a track.
const TRACK_WORDS: [&str; 6] = ["tr", "trk", "track", "ch", "chan", "channel"];
/// Where nothing but a number tells two names apart, which is not called a track's, these are further tracks only where it is
/// no more than this from one to the next: some of a recorder's inputs may be unused (own choice).
const NEXT: u64 = 8;
/// Samples of a track that are mixed at a time.
const BLOCK: usize = 8192;

/// How sure two tracks must be that they began at different moments.
const SURE: f64 = 0.9;

/// Sets of files that were written at once, each in the order of its tracks. `named` are those that the user wants to be
/// taken for themselves.
///
/// # Errors
/// [`Cancelled`](coeval::ErrorKind::Cancelled), and [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for options out
/// of range.
pub(crate) fn find(
    probed: &[Probed],
    heard: &[Analysed],
    named: &dyn Fn(usize) -> bool,
    options: &Options,
    progress: &dyn Progress,
) -> Result<Vec<Vec<usize>>> {
    let anywhere = Aligner::new(options.pair.clone())?;
    // Chapters of one take are as alike in all but their sound, and there may be many: only their start is compared.
    let mut start = options.pair.clone();
    start.offset_range_s = Some((-NEAR_S, NEAR_S));
    let start = Aligner::new(start)?;
    let mut sets: Vec<Vec<usize>> = Vec::new();
    for file in (0..probed.len()).filter(|&f| !named(f)) {
        let mut mine = None;
        for (i, set) in sets.iter().enumerate() {
            let (first, last) = (set[0], set[set.len() - 1]);
            let near = match together(&probed[first], &probed[file]) {
                Together::No => false,
                Together::Yes => true,
                Together::If(false) if counted_apart(&probed[last].name, &probed[file].name) > NEXT => false,
                Together::If(likely) => match audible(&heard[first]).zip(audible(&heard[file])) {
                    Some((a, b)) => {
                        let aligner = if likely { &anywhere } else { &start };
                        at_once(&aligner.align(&a.track, &b.track, progress)?).unwrap_or(likely)
                    }
                    None => likely,
                },
            };
            if near {
                mine = Some(i);
                break;
            }
        }
        match mine {
            Some(i) => sets[i].push(file),
            None => sets.push(vec![file]),
        }
    }
    sets.retain(|set| set.len() > 1);
    let number = |f: usize| probed[f].info.as_ref().ok()?.ixml.as_ref()?.numbers.first().copied().filter(|n| *n > 0);
    for set in &mut sets {
        set.sort_by(|&a, &b| {
            number(a)
                .zip(number(b))
                .map_or(std::cmp::Ordering::Equal, |(x, y)| x.cmp(&y))
                .then_with(|| natural_order(&probed[a].name, &probed[b].name))
        });
    }
    Ok(sets)
}

/// Were two files written at once?
#[derive(Debug, PartialEq)]
enum Together {
    No,
    Yes,
    /// As their sound says; where it says nothing, as this.
    If(bool),
}

fn together(a: &Probed, b: &Probed) -> Together {
    let (Ok(x), Ok(y)) = (&a.info, &b.info) else { return Together::No };
    let ((folder_a, name_a), (folder_b, name_b)) = (split_name(&a.name), split_name(&b.name));
    let alike = x.picture.is_none() && y.picture.is_none() && x.sound.is_some() && x.sound == y.sound;
    if folder_a != folder_b || !alike || x.container != y.container || x.duration_s.to_bits() != y.duration_s.to_bits()
    {
        return Together::No;
    }
    let begins = |h: &Headers| h.timecode_s.filter(|s| s.rem_euclid(3600.0) != 0.0);
    let family = |h: &Headers| h.ixml.as_ref().map(|i| i.family.clone()).filter(|f| !f.is_empty());
    let same_start = x.timecode_s.zip(y.timecode_s).map(|(s, t)| (s - t).abs() < SAME_S);
    let same_family = family(x).zip(family(y)).map(|(f, g)| f == g);
    if same_start == Some(false) || same_family == Some(false) {
        return Together::No;
    }
    // Some devices write one and the same round timecode into every file.
    if same_family == Some(true) && same_start == Some(true) || same_start == Some(true) && begins(x).is_some() {
        return Together::Yes;
    }
    match difference(name_a, name_b) {
        None => Together::No,
        Some(says_track) => Together::If(says_track),
    }
}

/// By how much two names differ that differ in a number; 0 for others.
fn counted_apart(a: &str, b: &str) -> u64 {
    let (x, y): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let (prefix, suffix) = shared(&x, &y);
    let number = |s: &[char]| s[prefix..s.len() - suffix].iter().collect::<String>().parse::<u64>().ok();
    number(&x).zip(number(&y)).map_or(0, |(n, m)| n.abs_diff(m))
}

/// How many characters two names share at their beginnings, and of the rest at their ends.
fn shared(x: &[char], y: &[char]) -> (usize, usize) {
    let prefix = x.iter().zip(y).take_while(|(p, q)| p == q).count();
    let room = x.len().min(y.len()) - prefix;
    (prefix, x.iter().rev().zip(y.iter().rev()).take(room).take_while(|(p, q)| p == q).count())
}

/// Whether the part in which two names differ is the number of what is called a track; `None` where the names have nothing
/// in common.
fn difference(a: &str, b: &str) -> Option<bool> {
    let (x, y): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let (prefix, suffix) = shared(&x, &y);
    if !x[..prefix].iter().chain(&x[x.len() - suffix..]).any(|c| c.is_alphanumeric()) {
        return None;
    }
    let number = |s: &[char]| !s.is_empty() && s.iter().all(char::is_ascii_digit);
    let before: String = x[..prefix].iter().collect::<String>().to_lowercase();
    let before = before.trim_end_matches(|c: char| c.is_ascii_digit() || " _-".contains(c));
    let word = before.rsplit(|c: char| !c.is_alphabetic()).next().unwrap_or_default();
    Some(number(&x[prefix..x.len() - suffix]) && number(&y[prefix..y.len() - suffix]) && TRACK_WORDS.contains(&word))
}

/// Whether two files began at once, as their sound says; `None` where it says nothing.
fn at_once(outcome: &PairOutcome) -> Option<bool> {
    let PairOutcome::Placed(placed) = outcome else { return None };
    let ends = [placed.map.knots()[0], placed.map.knots()[placed.map.knots().len() - 1]];
    let near = ends.iter().all(|(b_s, a_s)| (a_s - b_s).abs() < NEAR_S);
    (near || placed.confidence >= SURE).then_some(near)
}

/// Makes the first of each set hear what all of them say.
///
/// # Errors
/// Where what was put on disk cannot be read back.
pub(crate) fn join(sets: &[Vec<usize>], heard: &mut [Analysed]) -> Result<Vec<Vec<usize>>> {
    let mut used = Vec::new();
    for set in sets {
        let loud: Vec<usize> = set.iter().copied().filter(|&f| audible(&heard[f]).is_some()).collect();
        let said: Vec<Said> = loud.iter().map(|&f| best(&heard[f])).collect();
        let says: Vec<usize> = says::which(&said).into_iter().map(|i| loud[i]).collect();
        if says != set[..1] {
            let sounds: Vec<_> = says.iter().filter_map(|&f| audible(&heard[f])).collect();
            let track = mixed(&sounds.iter().map(|s| &s.track).collect::<Vec<_>>())?;
            let keys: Option<Vec<_>> = sounds.iter().map(|s| s.kept.clone()).collect();
            let kept = keys.filter(|k| !k.is_empty()).map(|keys| {
                let key = keys.iter().fold(kept::key("tracks"), |key, k| key.with(&k.1.bytes()));
                (keys[0].0.clone(), key)
            });
            if let (Some(track), Ok(Some(first))) = (track, &mut heard[set[0]]) {
                (first.track, first.kept) = (track, kept);
            }
        }
        used.push(says);
    }
    Ok(used)
}

fn best(heard: &Analysed) -> Said {
    let said = audible(heard).map_or(&[][..], |s| &s.said);
    let best = said.iter().copied().max_by_key(|s| s.spread_db);
    best.unwrap_or(Said { spread_db: 0, rms: 1.0 })
}

/// All of them as one; tracks are as loud as each other already. `None` for none.
fn mixed(tracks: &[&Track]) -> Result<Option<Track>> {
    let [first, ..] = tracks else { return Ok(None) };
    if tracks.len() == 1 {
        return Ok(Some((*first).clone()));
    }
    let mut builder =
        TrackBuilder::new(TRACK_RATE_HZ, tracks.len())?.spilling(scratch::AFTER_S, scratch::temporary_files());
    let mut block = vec![0.0; BLOCK];
    let mut frames = vec![0.0; BLOCK * tracks.len()];
    for from in (0..first.len()).step_by(BLOCK) {
        let length = BLOCK.min(first.len() - from);
        for (i, track) in tracks.iter().enumerate() {
            track.read(from as i64, &mut block);
            frames[i..].iter_mut().step_by(tracks.len()).zip(&block).for_each(|(to, x)| *to = *x);
        }
        builder.push(&frames[..length * tracks.len()])?;
    }
    Ok(Some(builder.finish()))
}

/// A file that takes no part, since the first of its set stands for it.
pub(crate) struct Follower {
    probed: Probed,
    heard: Analysed,
    first: String,
    says: bool,
}

impl Follower {
    pub(crate) fn new(probed: Probed, heard: Analysed, first: &str, says: bool) -> Self {
        Self { probed, heard, first: first.to_owned(), says }
    }
}

/// Puts them into the result, each where the first of its set lies.
pub(crate) fn add(alignment: &mut Alignment, followers: Vec<Follower>, silent_firsts: &[String]) {
    for Follower { probed, heard, first, says } in followers.into_iter().rev() {
        let Ok(info) = probed.info else { continue };
        let sound = heard.ok().flatten();
        for recording in &mut alignment.recordings {
            let Some(at) = recording.files.iter().position(|f| f.path == first) else { continue };
            let mut file = recording.files[at].clone();
            file.path = probed.name.clone();
            file.track_of = Some(first.clone());
            file.compared = if says { sound.as_ref().and_then(|s| s.compared()) } else { Some(Vec::new()) };
            file.warnings = sound.as_ref().map_or_else(Vec::new, |s| s.warnings.clone());
            (file.sound, file.created_unix_s, file.timecode) = (info.sound, info.created_unix_s, info.timecode);
            (file.ixml, file.ltc) = (info.ixml, sound.and_then(|s| s.ltc).map(|read| read.told));
            recording.files.insert(at + 1, file);
            break;
        }
    }
    for file in alignment.recordings.iter_mut().flat_map(|r| &mut r.files).filter(|f| silent_firsts.contains(&f.path)) {
        file.compared = Some(Vec::new());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_count_are_far_apart_by_their_numbers() {
        for (a, b, apart) in [
            ("V_09.wav", "V_10.wav", 1),
            ("x/V_0001.wav", "x/V_0295.wav", 294),
            ("R1_Tr4.wav", "R9_Tr4.wav", 8),
            ("V_199.wav", "V_210.wav", 11),
            ("boom.wav", "lav.wav", 0),
            ("take.wav", "take-2.wav", 0),
            ("a.wav", "a.wav", 0),
        ] {
            assert_eq!((counted_apart(a, b), counted_apart(b, a)), (apart, apart), "{a} {b}");
        }
        assert_eq!(difference("V_09", "V_10"), Some(false));
        assert_eq!(difference("take_Tr1", "take_Tr12"), Some(false), "a name that ends is no number");
        assert_eq!(difference("take_Tr1", "take_Tr2"), Some(true));
        assert_eq!(difference("bow", "stern"), None);
    }
}
