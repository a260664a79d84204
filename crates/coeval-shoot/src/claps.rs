//! Claps as evidence, where the sound as a whole says too little: heard in two recordings, or seen in one and heard in
//! another.
//!
//! Only shoots that need it pay for it: a file that has no place or an uncertain one is read once more, in full; where that
//! finds claps, so are all others. Pictures are looked at only when [`Options::picture`](crate::Options::picture) says so.

use coeval::clock::ClockMap;
use coeval::marker::{MATCH_FEWEST, Marker, MatchOptions, match_markers};
use coeval::pair::{Evidence, PairAlignment, PairOutcome};
use coeval::progress::Progress;
use coeval::{ErrorKind, Result};
use coeval_listen::activity::{ActivityBuilder, ActivityCurve, ActivityOptions, align_activity};

use crate::Options;
use crate::alignment::{EvidenceKind, File, Kind};
use crate::chapters::Group;
use crate::compare::Compared;
use crate::find::Found;
use crate::guard::guarded;
use crate::headers::Probed;
use crate::measure::find_claps;
use crate::parallel::for_all;
use crate::solve::Solved;
use crate::sound::{Analysed, audible};

/// A place less certain than this is worth a second look, seconds.
const UNCERTAIN_S: f64 = 0.01;
/// A match less certain than this is none.
const SURE: f64 = 0.99;
/// A picture's placement less certain than this is none.
const SEEN: f64 = 0.9;
/// Where the sound has placed two files, their claps are looked for this near, seconds.
pub(crate) const NEAR_S: f64 = 0.5;
/// Pictures are looked at in this size, pixels.
const PICTURE: (usize, usize) = (160, 90);

/// What claps say.
#[derive(Debug, Default)]
pub(crate) struct ClapEvidence {
    /// Pairs of files that they place.
    pub(crate) compared: Vec<Compared>,
    /// What a person should know: index of a file, and a line.
    pub(crate) notes: Vec<(usize, String)>,
}

/// The shoot as far as it is known.
pub(crate) struct Known<'a> {
    pub(crate) found: &'a Found,
    pub(crate) probed: &'a [Probed],
    pub(crate) groups: &'a [Group],
    pub(crate) heard: &'a [Analysed],
    pub(crate) compared: &'a [Compared],
    pub(crate) solved: &'a Solved,
}

impl Known<'_> {
    fn recording(&self, file: usize) -> Option<usize> {
        self.groups.iter().position(|g| g.files.contains(&file))
    }

    fn uncertain(&self, file: usize) -> bool {
        let entry = self.solved.alignment.file(&self.probed[file].name);
        let known_s = |e: &File| e.stretches.iter().map(|s| s.uncertainty_s).reduce(f64::min).or(e.uncertainty_s);
        entry.and_then(known_s).is_none_or(|u| u > UNCERTAIN_S)
    }

    fn duration_s(&self, file: usize) -> f64 {
        audible(&self.heard[file]).map_or(0.0, |s| s.duration_s)
    }

    fn sound_places(&self, a: usize, b: usize) -> Option<&PairAlignment> {
        self.compared.iter().find_map(|c| match &c.outcome {
            PairOutcome::Placed(alignment) if (c.a, c.b) == (a, b) => Some(&**alignment),
            _ => None,
        })
    }
}

/// Asks claps about the files that have no place or an uncertain one.
pub(crate) fn ask(known: &Known<'_>, options: &Options, progress: &dyn Progress) -> Result<ClapEvidence> {
    // Files beyond the found ones were read by the caller; only their tracks are here.
    let files = 0..known.found.sources.len().min(known.probed.len());
    let listened: Vec<usize> = files.clone().filter(|&f| audible(&known.heard[f]).is_some()).collect();
    let uncertain: Vec<usize> = listened.iter().copied().filter(|&f| known.uncertain(f)).collect();
    let blind = |f: usize| {
        let picture = known.probed[f].info.as_ref().is_ok_and(|i| i.picture.is_some());
        let camera = known.recording(f).is_some_and(|r| known.groups[r].kind == Kind::Camera);
        picture && camera && known.solved.maps[f].is_none()
    };
    let seen: Vec<usize> = if options.picture { files.filter(|&f| blind(f)).collect() } else { Vec::new() };
    let others = |f: usize| listened.iter().any(|&g| known.recording(g) != known.recording(f));
    if !uncertain.iter().chain(&seen).any(|&f| others(f)) {
        return Ok(ClapEvidence::default());
    }
    let mut claps: Vec<Vec<Marker>> = vec![Vec::new(); known.probed.len()];
    let placed: Vec<usize> = listened.iter().copied().filter(|f| !uncertain.contains(f)).collect();
    let seconds = |files: &[usize]| files.iter().map(|&f| known.duration_s(f)).sum::<f64>();
    let first = seconds(&uncertain) / seconds(&listened).max(1e-3);
    find_in(known, &uncertain, &mut claps, options, &|stage: &str, done| progress.report(stage, done * first))?;
    // Most files that belong nowhere have no claps either, and the others need not be read for them.
    let enough = |f: &usize| claps[*f].len() >= MATCH_FEWEST;
    if uncertain.iter().any(enough) || !seen.is_empty() {
        let rest = &|stage: &str, done: f64| progress.report(stage, first + done * (1.0 - first));
        find_in(known, &placed, &mut claps, options, rest)?;
    }
    let mut told = ClapEvidence::default();
    for (i, &a) in listened.iter().enumerate() {
        for &b in &listened[i + 1..] {
            let asked = uncertain.contains(&a) || uncertain.contains(&b);
            if asked && known.recording(a) != known.recording(b) {
                told.compared.extend(matched(known, a, b, &claps, options)?);
            }
        }
    }
    look(known, &seen, &listened, &claps, &told.compared, progress)?.into_iter().for_each(|(f, looked)| match looked {
        Ok(pairs) => told.compared.extend(pairs),
        Err(why) => told.notes.push((f, why)),
    });
    Ok(told)
}

/// Finds the claps in the sound of `files`.
fn find_in(
    known: &Known<'_>,
    files: &[usize],
    claps: &mut [Vec<Marker>],
    options: &Options,
    progress: &dyn Progress,
) -> Result<()> {
    let length = |&f: &usize| known.duration_s(f);
    let found = for_all("listening for claps", files, length, progress, |&f, progress| {
        let path = &known.found.sources[f].path;
        let mut open = options.open.clone();
        open.channels = audible(&known.heard[f]).and_then(|sound| sound.channels.clone());
        match guarded(path, || find_claps(path, &open, progress)) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            // What could be read once and not twice has no claps; its place stands on what was compared.
            other => Ok(other.unwrap_or_default()),
        }
    })?;
    files.iter().zip(found).for_each(|(&f, list)| claps[f] = list);
    Ok(())
}

/// Two files by the claps that both heard, where these say more than the sound as a whole.
fn matched(
    known: &Known<'_>,
    a: usize,
    b: usize,
    claps: &[Vec<Marker>],
    options: &Options,
) -> Result<Option<Compared>> {
    let by_sound = known.sound_places(a, b);
    let mut matching = MatchOptions::default();
    matching.max_drift_ppm = options.pair.max_drift_ppm;
    matching.durations_s = Some((known.duration_s(a), known.duration_s(b)));
    matching.min_confidence = SURE;
    matching.offset_range_s = match by_sound {
        Some(alignment) => Some((alignment.map.offset_s() - NEAR_S, alignment.map.offset_s() + NEAR_S)),
        None => options.pair.offset_range_s,
    };
    let Some(found) = match_markers(&claps[a], &claps[b], &matching)? else { return Ok(None) };
    if by_sound.is_some_and(|s| s.least_uncertainty_s() <= found.uncertainty_s) {
        return Ok(None);
    }
    let evidence = found.pairs.iter().map(|p| Evidence { a_s: p.a_s, b_s: p.b_s, sigma_s: p.sigma_s }).collect();
    let map = ClockMap::linear(found.offset_s, found.drift_ppm, known.duration_s(b));
    Ok(Some(placed(
        a,
        b,
        map,
        evidence,
        (found.confidence, found.uncertainty_s),
        known.duration_s(a),
        EvidenceKind::Markers,
    )))
}

/// A pair by `by`; `sure` is its confidence and uncertainty.
fn placed(
    a: usize,
    b: usize,
    map: ClockMap,
    evidence: Vec<Evidence>,
    sure: (f64, f64),
    a_duration_s: f64,
    by: EvidenceKind,
) -> Compared {
    let ends = map.knots();
    let overlap_s = (ends[ends.len() - 1].1.min(a_duration_s) - ends[0].1.max(0.0)).max(0.0);
    let mut alignment = PairAlignment::from_parts(map, evidence, Vec::new());
    (alignment.confidence, alignment.uncertainty_s) = sure;
    alignment.overlap_s = overlap_s;
    let mut compared = Compared::new(a, b, PairOutcome::Placed(Box::new(alignment)));
    compared.by = by;
    compared
}

/// What became of looking at a file's picture: pairs, or why there are none.
type Looked = (usize, std::result::Result<Vec<Compared>, String>);

/// Looks for claps in the pictures of `seen` that `listened` heard.
fn look(
    known: &Known<'_>,
    seen: &[usize],
    listened: &[usize],
    claps: &[Vec<Marker>],
    by_claps: &[Compared],
    progress: &dyn Progress,
) -> Result<Vec<Looked>> {
    // A camera whose sound was placed by claps needs no picture.
    let seen: Vec<usize> = seen.iter().copied().filter(|&f| !by_claps.iter().any(|c| c.a == f || c.b == f)).collect();
    let length = |&f: &usize| known.probed[f].info.as_ref().map_or(0.0, |i| i.duration_s);
    for_all("looking for claps", &seen, length, progress, |&f, progress| {
        let path = &known.found.sources[f].path;
        match guarded(path, || curve(known, f, progress)) {
            Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
            Err(e) => {
                let remedy = e.remedy().map_or_else(String::new, |r| format!("; {r}"));
                Ok((f, Err(format!("its picture was not looked at: {}{remedy}", e.message()))))
            }
            Ok(curve) => Ok((f, by_picture(known, f, &curve, listened, claps)?)),
        }
    })
}

fn curve(known: &Known<'_>, file: usize, progress: &dyn Progress) -> Result<ActivityCurve> {
    let (width, height) = PICTURE;
    let mut builder = ActivityBuilder::new(width, height)?;
    let info = known.probed[file].info.as_ref().ok();
    let rate = info.and_then(|i| i.picture.as_ref()).map_or([25, 1], |p| p.frame_rate);
    let duration_s = info.map_or(1.0, |i| i.duration_s.max(1e-3));
    coeval_media::luma_frames(&known.found.sources[file].path, rate, PICTURE, &mut |luma, time_s| {
        builder.push(luma, time_s)?;
        coeval::progress::step(progress, "looking for claps", (time_s / duration_s).min(1.0))
    })?;
    Ok(builder.finish())
}

/// Lays a picture on the claps of every file that has a place.
fn by_picture(
    known: &Known<'_>,
    file: usize,
    curve: &ActivityCurve,
    listened: &[usize],
    claps: &[Vec<Marker>],
) -> Result<std::result::Result<Vec<Compared>, String>> {
    let mut pairs = Vec::new();
    let mut starts: Vec<f64> = Vec::new();
    let mut why = "no other recording heard a clap that its picture may show".to_owned();
    for &g in listened.iter().filter(|&&g| known.recording(g) != known.recording(file)) {
        let Some(map) = &known.solved.maps[g] else { continue };
        match align_activity(curve, &claps[g], &ActivityOptions::default())? {
            Ok(found) if found.confidence >= SEEN => {
                starts.push(map.forward(found.offset_s));
                let mut evidence: Vec<Evidence> = found
                    .pairs
                    .iter()
                    .map(|&(seen_s, heard_s)| match g < file {
                        true => Evidence { a_s: heard_s, b_s: seen_s, sigma_s: found.uncertainty_s },
                        false => Evidence { a_s: seen_s, b_s: heard_s, sigma_s: found.uncertainty_s },
                    })
                    .collect();
                evidence.sort_by(|x, y| x.b_s.total_cmp(&y.b_s));
                let picture_s = known.probed[file].info.as_ref().map_or(0.0, |i| i.duration_s);
                let (a, b, offset_s, a_s, b_s) = match g < file {
                    true => (g, file, found.offset_s, known.duration_s(g), picture_s),
                    false => (file, g, -found.offset_s, picture_s, known.duration_s(g)),
                };
                let map = ClockMap::linear(offset_s, 0.0, b_s.max(1e-3));
                let sure = (found.confidence, found.uncertainty_s);
                pairs.push(placed(a, b, map, evidence, sure, a_s, EvidenceKind::Picture));
            }
            Ok(_) => {
                why = "it may show a clap that others heard, but not clearly enough to be sure which one".to_owned()
            }
            Err(reason) => why = reason.as_str().to_owned(),
        }
    }
    let spread = |list: &[f64]| {
        let (low, high) = list.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &s| (l.min(s), h.max(s)));
        high - low
    };
    Ok(match pairs.is_empty() {
        true => Err(format!("its picture was looked at: {why}")),
        // Two recordings of one clap agree; two claps do not.
        false if spread(&starts) > 2.0 * curve.frame_s() => {
            Err("its picture was looked at: several claps that others heard fit it".to_owned())
        }
        false => Ok(pairs),
    })
}
