//! Tracks -> pairs: how every two files lie on each other.

use std::collections::{BTreeMap, BTreeSet};

use coeval::Result;
use coeval::pair::{Aligner, FirstLook, PairAlignment, PairOptions, PairOutcome, Unplaced};
use coeval::progress::Progress;
use coeval::track::Track;

use crate::alignment::EvidenceKind;
use crate::chapters::Group;
use crate::kept;
use crate::parallel::for_all;
use crate::sound::{Analysed, audible};

/// How two files lie on each other.
#[derive(Debug)]
#[non_exhaustive]
pub struct Compared {
    /// Index of the first file.
    pub a: usize,
    /// Index of the second file, greater than `a`.
    pub b: usize,
    /// What came of it.
    pub outcome: PairOutcome,
    /// By what.
    pub by: EvidenceKind,
    /// Whether no more than a first look was taken, see [`Options::in_depth_h`](crate::Options::in_depth_h).
    pub first_look_only: bool,
}

impl Compared {
    /// What the common sound says of files `a` < `b`.
    pub fn new(a: usize, b: usize, outcome: PairOutcome) -> Self {
        Self { a, b, outcome, by: EvidenceKind::Sound, first_look_only: false }
    }

    /// Do they share sound?
    pub fn is_placed(&self) -> bool {
        matches!(self.outcome, PairOutcome::Placed(_))
    }
}

/// Compares every two files of different recordings, but for those that are in `known` already.
///
/// Two files of one recording do not overlap, and are compared only where nothing but their names joins one to the next. A
/// silent file has nothing to compare. Two files for which `range_s` tells the lowest and highest offset (time in the
/// first minus time in the second at its start, seconds) are looked for there only.
///
/// First a look is taken at each pair, which finds what has much in common; where that finds something, it is compared in
/// depth at once. In this first round the longest recording goes first, as a hub; then the longest that has a file without
/// a sure place on a hub, and so on. Files that both have a sure place on a hub, but no time in common there, are not
/// searched from end to end. Where the hub has shown how two devices' clocks differ, no other difference is searched.
///
/// A second round compares in depth where a file has no sure place yet, and, of two sets of files that belong together
/// each by itself, the longest of each. The pairs for which the first look says most come first, and `in_depth_s` seconds of
/// sound may be compared, those of both files of a pair: in a folder of many files that belong nowhere all pairs would take
/// hours. The others have a first look only.
///
/// # Errors
/// [`Cancelled`](coeval::ErrorKind::Cancelled), and [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for options out of range.
pub fn compare(
    heard: &[Analysed],
    groups: &[Group],
    known: &[Compared],
    options: &PairOptions,
    in_depth_s: f64,
    range_s: &(dyn Fn(usize, usize) -> Option<(f64, f64)> + Sync),
    progress: &dyn Progress,
) -> Result<Vec<Compared>> {
    let place = places(heard.len(), groups);
    let asked = |a: usize, b: usize| {
        let ((group_a, i), (group_b, j)) = (place[a], place[b]);
        group_a != group_b || i.abs_diff(j) == 1 && groups[group_a].by_names(i.min(j), i.max(j))
    };
    compare_asked(heard, groups, known, &asked, (options, in_depth_s), range_s, progress)
}

/// For each file, its recording and its place in it. Every file is in one.
pub(crate) fn places(files: usize, groups: &[Group]) -> Vec<(usize, usize)> {
    let mut place = vec![(0, 0); files];
    for (index, group) in groups.iter().enumerate() {
        group.files.iter().enumerate().for_each(|(i, &f)| place[f] = (index, i));
    }
    place
}

/// As [`compare`], for the files `a` < `b` that `asked` names.
pub(crate) fn compare_asked(
    heard: &[Analysed],
    groups: &[Group],
    known: &[Compared],
    asked: &dyn Fn(usize, usize) -> bool,
    (options, in_depth_s): (&PairOptions, f64),
    range_s: &(dyn Fn(usize, usize) -> Option<(f64, f64)> + Sync),
    progress: &dyn Progress,
) -> Result<Vec<Compared>> {
    let place = places(heard.len(), groups);
    let length_s = |sound: &Analysed| audible(sound).map_or(0.0, |s| s.track.duration_s());
    let lengths_s: Vec<f64> = heard.iter().map(length_s).collect();
    let folder = Folder {
        heard,
        groups,
        known,
        recording_of: place.iter().map(|p| p.0).collect(),
        place,
        by_length: by_length(groups, &lengths_s),
        lengths_s,
        options,
        range_s,
        // Options are checked even where there is nothing to compare.
        aligner: Aligner::new(options.clone())?,
    };
    let mut compared = Vec::new();
    let mut hubs = Vec::new();
    let open = folder.first_round(folder.open(asked), &mut hubs, &mut compared, progress)?;
    folder.second_round(open, in_depth_s, &hubs, &mut compared, progress)?;
    compared.sort_by_key(|c: &Compared| (c.a, c.b));
    Ok(compared)
}

/// The recordings, that with most sound first; `lengths_s` is of the files.
fn by_length(groups: &[Group], lengths_s: &[f64]) -> Vec<usize> {
    let sound_s: Vec<f64> = groups.iter().map(|g| g.files.iter().map(|&f| lengths_s[f]).sum()).collect();
    let mut by_length: Vec<usize> = (0..groups.len()).collect();
    by_length.sort_by(|&x, &y| sound_s[y].total_cmp(&sound_s[x]).then(groups[x].id.cmp(&groups[y].id)));
    by_length
}

/// Share of the work that the first round is taken for, in the progress.
const FIRST_ROUND: f64 = 0.3;
/// So many pairs are compared in depth before the next ones are chosen: a place that is found spares others. Half of it
/// spares no more, and leaves threads without work.
const AT_ONCE: usize = 16;

/// Two files that have not been compared, and their tracks.
#[derive(Clone, Copy)]
struct Open<'a> {
    a: usize,
    b: usize,
    track_a: &'a Track,
    track_b: &'a Track,
}

impl Open<'_> {
    /// What comparing them costs, about.
    fn work(&self) -> f64 {
        self.track_a.duration_s() + self.track_b.duration_s()
    }
}

/// What pairs that are sure say of all files.
struct Sure {
    /// Each file's places on hubs.
    seen: Spans,
    /// Is a file without any other that it belongs to?
    alone: Vec<bool>,
    /// Is it the longest of those that belong together?
    longest: Vec<bool>,
    /// How devices' clocks differ.
    clocks: Learnt,
}

/// The files of a folder, and how they are to be compared.
struct Folder<'a> {
    heard: &'a [Analysed],
    groups: &'a [Group],
    known: &'a [Compared],
    /// Each file's recording and its place in it.
    place: Vec<(usize, usize)>,
    recording_of: Vec<usize>,
    /// Of the sound; 0 for a silent file.
    lengths_s: Vec<f64>,
    /// The recordings, the longest first.
    by_length: Vec<usize>,
    options: &'a PairOptions,
    range_s: &'a (dyn Fn(usize, usize) -> Option<(f64, f64)> + Sync),
    aligner: Aligner,
}

impl<'a> Folder<'a> {
    fn track(&self, file: usize) -> Option<&'a Track> {
        audible(&self.heard[file]).map(|sound| &sound.track)
    }

    /// The pairs to compare: two audible files that `asked` names and that are not known.
    fn open(&self, asked: &dyn Fn(usize, usize) -> bool) -> Vec<Open<'a>> {
        let known: BTreeSet<(usize, usize)> = self.known.iter().map(|k| (k.a, k.b)).collect();
        let audible: Vec<(usize, &Track)> = (0..self.heard.len()).filter_map(|f| Some((f, self.track(f)?))).collect();
        let mut open = Vec::new();
        for (i, &(a, track_a)) in audible.iter().enumerate() {
            let later = audible[i + 1..].iter().filter(|(b, _)| asked(a, *b) && !known.contains(&(a, *b)));
            open.extend(later.map(|&(b, track_b)| Open { a, b, track_a, track_b }));
        }
        open
    }

    /// Takes a first look at all pairs, hub by hub. Returns what that leaves open, and what it says for each, nats.
    fn first_round(
        &self,
        mut open: Vec<Open<'a>>,
        hubs: &mut Vec<usize>,
        compared: &mut Vec<Compared>,
        progress: &dyn Progress,
    ) -> Result<Vec<(Open<'a>, f64)>> {
        let all = open.iter().map(Open::work).sum::<f64>().max(1e-9);
        let (mut from, mut tried, mut left) = (0.0, vec![false; self.groups.len()], Vec::new());
        while !open.is_empty() {
            let sure = self.sure(compared, hubs);
            let lost = |f: usize| !hubs.contains(&f) && !sure.seen.contains_key(&f);
            let is_hub =
                |g: usize| !tried[g] && self.groups[g].files.iter().any(|&f| self.track(f).is_some() && lost(f));
            let pairs: Vec<Open> = match self.by_length.iter().copied().find(|&g| is_hub(g)) {
                Some(hub) => {
                    let files = &self.groups[hub].files;
                    tried[hub] = true;
                    hubs.extend(files);
                    open.extract_if(.., |p| files.contains(&p.a) || files.contains(&p.b)).collect()
                }
                None => std::mem::take(&mut open),
            };
            if pairs.is_empty() {
                continue;
            }
            let part = pairs.iter().map(Open::work).sum::<f64>() / all;
            let progress =
                &|stage: &str, done: f64| progress.report(stage, (FIRST_ROUND * (from + part * done)).min(1.0));
            let found = for_all("comparing", &pairs, Open::work, progress, |pair, progress| {
                match self.expected(pair, &sure, false) {
                    Expected::Anywhere => self.first_look(pair, &sure, progress),
                    expected => Ok(FirstLook::Enough(self.outcome(pair, expected, &sure, progress)?)),
                }
            })?;
            from += part;
            for (pair, found) in pairs.into_iter().zip(found) {
                match found {
                    FirstLook::Enough(outcome) => compared.push(Compared::new(pair.a, pair.b, outcome)),
                    FirstLook::Open { nats } => left.push((pair, nats)),
                }
            }
        }
        Ok(left)
    }

    /// Compares in depth what the first round left open, what that says most for first, until `left_s` seconds of sound are
    /// compared.
    fn second_round(
        &self,
        mut open: Vec<(Open<'a>, f64)>,
        mut left_s: f64,
        hubs: &[usize],
        compared: &mut Vec<Compared>,
        progress: &dyn Progress,
    ) -> Result<()> {
        let none = PairOutcome::Unplaced(Unplaced::NoCommonSound);
        open.sort_by(|(x, x_nats), (y, y_nats)| y_nats.total_cmp(x_nats).then((x.a, x.b).cmp(&(y.a, y.b))));
        let all = open.iter().map(|o| o.0.work()).sum::<f64>().min(left_s).max(1e-9);
        let (mut from, mut open) = (0.0, open.into_iter().map(|o| o.0).peekable());
        while open.peek().is_some() {
            let sure = self.sure(compared, hubs);
            let mut pairs: Vec<(Open, Expected)> = Vec::new();
            while pairs.len() < AT_ONCE
                && let Some(pair) = open.next()
            {
                // Of two sets of files that are placed already, only the longest of each are compared.
                let (a, b) = (pair.a, pair.b);
                let speak = sure.alone[a] || sure.alone[b] || sure.longest[a] && sure.longest[b];
                let expected = self.expected(&pair, &sure, true);
                let mut known = Compared::new(a, b, none.clone());
                match expected {
                    Expected::Apart => {}
                    Expected::Anywhere if !speak => {}
                    Expected::Anywhere if pair.work() > left_s => known.first_look_only = true,
                    expected => {
                        if let Expected::Anywhere = expected {
                            left_s -= pair.work();
                        }
                        pairs.push((pair, expected));
                        continue;
                    }
                }
                compared.push(known);
            }
            let work = |p: &(Open, Expected)| p.0.work();
            let part = pairs.iter().map(work).sum::<f64>() / all;
            let progress = &|stage: &str, done: f64| {
                progress.report(stage, (FIRST_ROUND + (1.0 - FIRST_ROUND) * (from + part * done)).min(1.0))
            };
            let found = for_all("comparing", &pairs, work, progress, |&(ref pair, expected), progress| {
                self.outcome(pair, expected, &sure, progress)
            })?;
            from += part;
            compared.extend(pairs.iter().zip(found).map(|((pair, _), outcome)| Compared::new(pair.a, pair.b, outcome)));
        }
        Ok(())
    }

    /// What the sure pairs say, those of before and `compared`; clocks are told against the longest recording.
    fn sure(&self, compared: &[Compared], hubs: &[usize]) -> Sure {
        let files = self.heard.len();
        let pairs = || sure(self.known).chain(sure(compared));
        let sets = sets(files, pairs().map(|(c, _)| (c.a, c.b)));
        let (mut size, mut longest_of) = (vec![0; files], vec![None; files]);
        for (f, &set) in sets.iter().enumerate() {
            size[set] += 1;
            // Of equals the first.
            if longest_of[set].is_none_or(|g: usize| self.lengths_s[f] > self.lengths_s[g]) {
                longest_of[set] = Some(f);
            }
        }
        Sure {
            seen: spans(pairs(), hubs, |f| self.lengths_s[f]),
            alone: sets.iter().map(|&set| size[set] == 1).collect(),
            longest: sets.iter().enumerate().map(|(f, &set)| longest_of[set] == Some(f)).collect(),
            clocks: self.by_length.first().map_or_else(Learnt::new, |&hub| learnt(pairs(), &self.recording_of, hub)),
        }
    }

    /// Where two files may meet, by what is known already.
    fn expected(&self, pair: &Open, sure: &Sure, looked: bool) -> Expected {
        let &Open { a, b, .. } = pair;
        let follow = |x: usize, y: usize| {
            let ((group_x, i), (group_y, j)) = (self.place[x], self.place[y]);
            x != y && group_x == group_y && !self.groups[group_x].by_names(i.min(j), i.max(j))
        };
        match (self.range_s)(a, b) {
            Some(range) => Expected::Within(range),
            None => expected(&sure.seen, (a, b), |f| self.lengths_s[f], follow, looked),
        }
    }

    /// An aligner by all that is known of two files.
    fn aligner(&self, pair: &Open, expected: Expected, sure: &Sure) -> Result<Aligner> {
        let mut options = self.options.clone();
        let devices = (self.recording_of[pair.a], self.recording_of[pair.b]);
        // Names may have joined two devices to one recording.
        let range_ppm = (devices.0 != devices.1).then(|| drift_range_ppm(&sure.clocks, devices.0, devices.1)).flatten();
        if let Some((low, high)) = range_ppm {
            // The place for a range of drift, once a comparison takes one.
            options.max_drift_ppm = options.max_drift_ppm.min(low.abs().max(high.abs()));
        }
        if let Expected::Within(range) = expected {
            options.offset_range_s = Some(range);
        }
        self.aligner.with_options(options)
    }

    /// What a first look at two files finds that may lie anywhere.
    fn first_look(&self, pair: &Open, sure: &Sure, progress: &dyn Progress) -> Result<FirstLook> {
        let aligner = self.aligner(pair, Expected::Anywhere, sure)?;
        kept_outcome(self.heard, pair, "first look", aligner.options(), || {
            aligner.first_look(pair.track_a, pair.track_b, progress)
        })
    }

    /// What comes of two files.
    fn outcome(&self, pair: &Open, expected: Expected, sure: &Sure, progress: &dyn Progress) -> Result<PairOutcome> {
        if let Expected::Apart = expected {
            return Ok(PairOutcome::Unplaced(Unplaced::NoCommonSound));
        }
        let aligner = self.aligner(pair, expected, sure)?;
        kept_outcome(self.heard, pair, "pair", aligner.options(), || {
            aligner.align(pair.track_a, pair.track_b, progress)
        })
    }
}

/// How sure both of two placements must be to tell how their files lie to each other.
const SURE: f64 = 0.99;
/// Files that lie further apart than this share nothing, seconds; an overlap shorter than this is too little to be found
/// anywhere but where it is expected, to so many seconds.
const APART_S: f64 = 5.0;
const SHORT_S: f64 = 120.0;
const EXPECTED_S: f64 = 2.0;
/// From so many seconds in common on, a sure pair tells how two devices' clocks differ: to so many ppm, since clocks change
/// with temperature.
const LEARNT_FROM_S: f64 = 300.0;
const LEARNT_PPM: f64 = 30.0;

/// How two files lie to each other, by a third that both were placed on.
#[derive(Debug, Clone, Copy)]
enum Expected {
    Anywhere,
    Within((f64, f64)),
    Apart,
}

/// Where a file lies on a hub: the hub's file, and from when to when the file runs on its clock.
type Span = (usize, (f64, f64));
/// For each file, its sure places on hubs.
type Spans = BTreeMap<usize, Vec<Span>>;

/// Sure pairs, as map from `b`'s time to `a`'s.
fn sure(compared: &[Compared]) -> impl Iterator<Item = (&Compared, &PairAlignment)> {
    compared.iter().filter_map(|c| match &c.outcome {
        PairOutcome::Placed(placed) if placed.confidence >= SURE => Some((c, &**placed)),
        _ => None,
    })
}

fn spans<'c>(
    sure: impl Iterator<Item = (&'c Compared, &'c PairAlignment)>,
    hubs: &[usize],
    length_s: impl Fn(usize) -> f64,
) -> Spans {
    let mut spans = Spans::new();
    for (c, placed) in sure {
        if hubs.contains(&c.a) {
            let on_hub = |s: f64| placed.map.forward(s);
            spans.entry(c.b).or_default().push((c.a, (on_hub(0.0), on_hub(length_s(c.b)))));
        }
        if hubs.contains(&c.b) {
            let on_hub = |s: f64| placed.map.inverse(s);
            spans.entry(c.a).or_default().push((c.b, (on_hub(0.0), on_hub(length_s(c.a)))));
        }
    }
    spans
}

/// What their places on hubs say of two files. `follow` tells whether two hub files are chapters that do not overlap.
/// `looked`: a first look at the two, which finds what has much in common, has found nothing.
fn expected(
    spans: &Spans,
    (a, b): (usize, usize),
    length_s: impl Fn(usize) -> f64,
    follow: impl Fn(usize, usize) -> bool,
    looked: bool,
) -> Expected {
    let of = |file: usize| spans.get(&file).map_or(&[][..], Vec::as_slice);
    let inside = |span: &Span| span.1.0 >= 0.0 && span.1.1 <= length_s(span.0);
    for x in of(a) {
        if let Some(y) = of(b).iter().find(|y| y.0 == x.0) {
            let overlap_s = x.1.1.min(y.1.1) - x.1.0.max(y.1.0);
            if overlap_s < -APART_S {
                return Expected::Apart;
            }
            if looked || overlap_s < SHORT_S {
                let offset_s = y.1.0 - x.1.0;
                return Expected::Within((offset_s - EXPECTED_S, offset_s + EXPECTED_S));
            }
        }
        // Each within another chapter of one take.
        if of(b).iter().any(|y| follow(x.0, y.0) && inside(x) && inside(y)) {
            return Expected::Apart;
        }
    }
    Expected::Anywhere
}

/// What is known of how devices' clocks differ: for each recording, seconds that it counts more than the first hub in a
/// million, lowest and highest.
type Learnt = BTreeMap<usize, (f64, f64)>;

fn learnt<'c>(
    sure: impl Iterator<Item = (&'c Compared, &'c PairAlignment)>,
    recording_of: &[usize],
    hub: usize,
) -> Learnt {
    let mut learnt = Learnt::new();
    for (c, placed) in sure.filter(|(_, p)| p.overlap_s >= LEARNT_FROM_S) {
        let drift_ppm = placed.map.drift_ppm();
        let (other, more_ppm) = match (recording_of[c.a] == hub, recording_of[c.b] == hub) {
            (true, false) => (recording_of[c.b], -drift_ppm),
            (false, true) => (recording_of[c.a], drift_ppm),
            _ => continue,
        };
        let range = learnt.entry(other).or_insert((more_ppm, more_ppm));
        *range = (range.0.min(more_ppm), range.1.max(more_ppm));
    }
    if !learnt.is_empty() {
        learnt.insert(hub, (0.0, 0.0));
    }
    learnt
}

/// Lowest and highest drift of files of recording `y` against files of `x`, ppm, if both clocks are known.
fn drift_range_ppm(learnt: &Learnt, x: usize, y: usize) -> Option<(f64, f64)> {
    let (x, y) = (learnt.get(&x)?, learnt.get(&y)?);
    Some((x.0 - y.1 - LEARNT_PPM, x.1 - y.0 + LEARNT_PPM))
}

/// For each file, the number of the set that it belongs to by these pairs; a file that is in none is a set by itself.
fn sets(files: usize, pairs: impl Iterator<Item = (usize, usize)>) -> Vec<usize> {
    let mut set: Vec<usize> = (0..files).collect();
    for (a, b) in pairs {
        let (from, to) = (set[b], set[a]);
        set.iter_mut().filter(|s| **s == from).for_each(|s| *s = to);
    }
    set
}

/// What came of a look of this kind at two files, by an earlier run where both are kept, or else by `work`.
fn kept_outcome<T: Keep>(
    heard: &[Analysed],
    pair: &Open,
    kind: &'static str,
    options: &PairOptions,
    work: impl FnOnce() -> Result<T>,
) -> Result<T> {
    let kept = |file: usize| audible(&heard[file]).and_then(|sound| sound.kept.as_ref());
    let Some(((cache, a), (_, b))) = kept(pair.a).zip(kept(pair.b)) else { return work() };
    // Written out, numbers are exact and no option is forgotten.
    let key = kept::key(kind).with(&a.bytes()).with(&b.bytes()).with(format!("{options:?}").as_bytes());
    if let Some(known) = cache.get(&key).and_then(|bytes| T::from_kept(&bytes)) {
        return Ok(known);
    }
    let found = work()?;
    cache.put(&key, &found.kept());
    Ok(found)
}

/// What the cache can keep of two files.
trait Keep: Sized {
    fn kept(&self) -> Vec<u8>;
    fn from_kept(bytes: &[u8]) -> Option<Self>;
}

impl Keep for PairOutcome {
    fn kept(&self) -> Vec<u8> {
        self.to_bytes()
    }
    fn from_kept(bytes: &[u8]) -> Option<Self> {
        PairOutcome::from_bytes(bytes).ok()
    }
}

impl Keep for FirstLook {
    /// An outcome, or the eight bytes of a number: no outcome is as short.
    fn kept(&self) -> Vec<u8> {
        match self {
            FirstLook::Enough(outcome) => outcome.to_bytes(),
            FirstLook::Open { nats } => nats.to_le_bytes().to_vec(),
        }
    }
    fn from_kept(bytes: &[u8]) -> Option<Self> {
        match bytes.try_into() {
            Ok(nats) => Some(FirstLook::Open { nats: f64::from_le_bytes(nats) }),
            Err(_) => PairOutcome::from_bytes(bytes).ok().map(FirstLook::Enough),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use coeval::clock::ClockMap;
    use coeval::pair::PairAlignment;

    #[test]
    fn files_with_sure_places_on_a_third_are_looked_for_where_they_meet() {
        // File 1 is the hub, an hour long; 0, 2 and 3 are ten minutes each, and start 100, 690 and 3000 s into it.
        let at = |a: usize, b: usize, offset_s: f64, confidence: f64| {
            let map = ClockMap::linear(offset_s, 40.0, 600.0);
            let mut placed = PairAlignment::from_parts(map, Vec::new(), Vec::new());
            placed.confidence = confidence;
            Compared::new(a, b, PairOutcome::Placed(Box::new(placed)))
        };
        let all = [at(0, 1, -100.0, 1.0), at(1, 2, 690.0, 1.0), at(1, 3, 3000.0, 1.0)];
        let on = |links: &[Compared], hubs: &[usize], a: usize, b: usize| {
            expected(&spans(sure(links), hubs, |_| 600.0), (a, b), |_| 3600.0, |_, _| false, false)
        };
        let Expected::Within(range) = on(&all, &[1], 0, 2) else { panic!("ten seconds in common") };
        assert!(range.0 < 590.0 && range.1 > 590.0 && range.1 - range.0 < 10.0, "{range:?}");
        assert!(matches!(on(&all, &[1], 0, 3), Expected::Apart));
        // Where one of the two is not sure, not placed, or the third is another, they may lie anywhere.
        let unsure = [at(0, 1, -100.0, 0.95), at(1, 3, 3000.0, 1.0)];
        let unplaced = [at(0, 1, -100.0, 1.0), Compared::new(1, 3, PairOutcome::Unplaced(Unplaced::NoCommonSound))];
        for (links, hub) in [(&unsure[..], 1), (&unplaced, 1), (&all, 2)] {
            assert!(matches!(on(links, &[hub], 0, 3), Expected::Anywhere));
        }
        // Each within another chapter of a take that does not overlap: files 1 and 4.
        let chapters = [at(0, 1, -100.0, 1.0), at(3, 4, -500.0, 1.0)];
        let seen = spans(sure(&chapters), &[1, 4], |_| 600.0);
        let follow = |x: usize, y: usize| (x, y) == (1, 4);
        assert!(matches!(expected(&seen, (0, 3), |_| 3600.0, follow, false), Expected::Apart));
        assert!(matches!(expected(&seen, (0, 3), |_| 900.0, follow, false), Expected::Anywhere));
        assert!(matches!(expected(&seen, (0, 3), |_| 3600.0, |_, _| false, false), Expected::Anywhere));
        // Much in common is found anywhere.
        let near = [at(0, 1, -100.0, 1.0), at(1, 3, 300.0, 1.0)];
        assert!(matches!(on(&near, &[1], 0, 3), Expected::Anywhere));
    }

    #[test]
    fn clocks_that_the_hub_has_shown_narrow_what_is_searched() {
        // Recordings 0 to 3 have a file each; recording 1 is the hub.
        let at = |a: usize, b: usize, drift_ppm: f64, overlap_s: f64| {
            let map = ClockMap::linear(0.0, drift_ppm, 600.0);
            let mut placed = PairAlignment::from_parts(map, Vec::new(), Vec::new());
            placed.overlap_s = overlap_s;
            Compared::new(a, b, PairOutcome::Placed(Box::new(placed)))
        };
        let compared = [at(0, 1, 40.0, 600.0), at(1, 2, 15.0, 600.0), at(1, 3, 90.0, 60.0)];
        let clocks = learnt(sure(&compared), &[0, 1, 2, 3], 1);
        // File 0 counts 40 ppm more than the hub, file 2 15 ppm less: 55 ppm between them.
        let near = |range: Option<(f64, f64)>, middle: f64| {
            let (low, high) = range.unwrap();
            assert!((low + 30.0 - middle).abs() < 1e-6 && (high - 30.0 - middle).abs() < 1e-6, "{low} {high}");
        };
        near(drift_range_ppm(&clocks, 0, 2), 55.0);
        near(drift_range_ppm(&clocks, 2, 0), -55.0);
        near(drift_range_ppm(&clocks, 0, 1), 40.0);
        near(drift_range_ppm(&clocks, 1, 2), 15.0);
        // A minute in common says too little.
        assert_eq!(drift_range_ppm(&clocks, 0, 3), None);
        assert!(learnt(sure(&compared[2..]), &[0, 1, 2, 3], 1).is_empty());
    }
}
