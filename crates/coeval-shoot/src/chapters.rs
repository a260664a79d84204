//! Which files are one recording: the chapters that one device made of one unbroken take.
//!
//! A device that splits its files keeps its settings, counts on in the name, and starts a file where the
//! last one ended. So `b` follows `a` when both lie in one folder, name the same device or none, have the same stream
//! parameters (codec, sampling rate, channels, frame rate, picture size), their names differ in a counter only, and their
//! times agree: the timecode goes on, or the creation times lie one chapter apart. Some devices write the
//! moment when a file was begun, some when it was closed, some the begin of the whole take into every
//! chapter; all three are accepted. Where a time is missing, names and parameters suffice. That is a guess, and the
//! sound has the last word: files that only names join are compared with each other, and what shares sound ran at the
//! same time and is no chapter of one take ([`split_overlapping`]). Nor is what the solved clocks put at one time, too
//! far apart, or into different events ([`split_refuted`]). Recordings that the user named are never split.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

use coeval::clock::ClockMap;
use coeval::{Error, Result};

use crate::alignment::{Kind, Picture};
use crate::headers::{Headers, Probed};
use crate::patterns::is_meant;

/// From one chapter's end to the next one's start by creation times, seconds: files are closed late, calendars
/// count whole seconds (some even ones), and a device may need a while between two files.
const GAP_BY_DATE_S: (f64, f64) = (-5.0, 65.0);
/// The same by timecode, which is good to a frame.
const GAP_BY_TIMECODE_S: (f64, f64) = (-0.5, 61.0);
/// Chapters may overlap by a tenth of a second; more than this on the timeline, and they are none, seconds.
const OVERLAP_REFUTES_S: f64 = 1.0;
/// The longest gap between two chapters of one take, seconds.
pub(crate) const LONGEST_GAP_S: f64 = 60.0;

/// The user's own knowledge of what belongs together. Patterns are names relative to the folder given, `*`
/// standing for any characters; a pattern without `/` also fits the bare file name.
#[derive(Debug, Clone, Default)]
#[non_exhaustive]
pub struct GroupingOptions {
    /// `(id, pattern)`: the files that fit are chapters of the recording `id`, in natural order. The same id may come
    /// several times.
    pub recordings: Vec<(String, String)>,
    /// `(id or pattern, kind)`: what kind of device it was.
    pub kinds: Vec<(String, Kind)>,
    /// How files that `recordings` does not name are joined.
    pub chapters: Chapters,
}

/// How chapter files are joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Chapters {
    /// By stream parameters, names and times.
    #[default]
    Recognise,
    /// Not at all: each file is a recording.
    KeepApart,
}

/// The files of one recording.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Group {
    /// Short name: what the names of its files and folders, or what its headers call the device, have of its own (`stern`,
    /// `cam-a`, `img-0017`), else its kind with a letter or number (`cam-a`, `rec-1`, `other-1`); or what the user chose.
    pub id: String,
    /// What made it.
    pub kind: Kind,
    /// Indices into the probed files, in the order in which they were recorded.
    pub files: Vec<usize>,
    /// The user named it; then nothing splits it.
    pub given: bool,
    /// What joined each of `files` but the first to the one before.
    pub ties: Vec<Tie>,
    /// The first file of the recording that this one was split from, or its own.
    pub(crate) head: usize,
    /// Names of `files`; none where the user named the recording.
    names: Vec<String>,
    /// What the headers of its first file call the device.
    device: Option<String>,
}

/// What joins a chapter to the one before it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Tie {
    /// Timecode goes on: the gap in seconds, good to a frame.
    Timecode(f64),
    /// Creation times lie one chapter apart: the gap in seconds, good to a second or two.
    Dates(f64),
    /// Only the counter in the names goes on.
    Names,
    /// The user says so.
    Given,
}

impl Group {
    /// A recording that the user named.
    pub fn given(id: impl Into<String>, kind: Kind, files: Vec<usize>) -> Self {
        let (ties, head) = (vec![Tie::Given; files.len().saturating_sub(1)], files.first().copied().unwrap_or(0));
        Self { id: id.into(), kind, files, given: true, ties, head, names: Vec::new(), device: None }
    }

    fn found(file: usize, name: &str, device: Option<&String>) -> Self {
        let (id, ties, names) = (String::new(), Vec::new(), vec![name.to_owned()]);
        let device = device.cloned();
        Self { id, kind: Kind::Other, files: vec![file], given: false, ties, head: file, names, device }
    }

    /// Do only names join the files at these places (`i` < `j`), somewhere between them?
    pub(crate) fn by_names(&self, i: usize, j: usize) -> bool {
        self.ties[i..j].contains(&Tie::Names)
    }

    /// Cuts it before the files at these places, ascending.
    fn cut(self, before: &[usize]) -> Vec<Group> {
        let bounds: Vec<usize> = [0].into_iter().chain(before.iter().copied()).chain([self.files.len()]).collect();
        let part = |w: &[usize]| Group {
            files: self.files[w[0]..w[1]].to_vec(),
            ties: self.ties[w[0]..w[1] - 1].to_vec(),
            names: self.names.get(w[0]..w[1]).unwrap_or_default().to_vec(),
            ..self.clone()
        };
        bounds.windows(2).map(part).collect()
    }

    /// Each file by itself: the names belong to several devices.
    fn apart(self) -> Vec<Group> {
        let each = self.files.iter().zip(&self.names);
        each.map(|(&file, name)| Group { kind: self.kind, ..Group::found(file, name, self.device.as_ref()) }).collect()
    }
}

/// Joins files into recordings and names them in natural order.
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when a pattern fits no file, a file is claimed by two
/// recordings, or an id is not made of letters, digits, `-`, `_` and `.`.
pub fn group(probed: &[Probed], grouping: &GroupingOptions) -> Result<Vec<Group>> {
    let mut groups: Vec<Group> = Vec::new();
    let mut taken = vec![false; probed.len()];
    for (id, pattern) in &grouping.recordings {
        if id.is_empty() || !id.chars().all(|c| c.is_alphanumeric() || "-_.".contains(c)) {
            return Err(Error::invalid(format!("`{id}` cannot be the id of a recording"))
                .with_remedy("use letters, digits, `-`, `_` and `.`"));
        }
        let files = matching(probed, pattern)?;
        let index = groups.iter().position(|g| &g.id == id).unwrap_or_else(|| {
            groups.push(Group::given(id.clone(), Kind::Other, Vec::new()));
            groups.len() - 1
        });
        for file in files {
            if groups[index].files.contains(&file) {
                continue;
            }
            if std::mem::replace(&mut taken[file], true) {
                return Err(Error::invalid(format!("{} is claimed by two recordings", probed[file].name))
                    .with_remedy("name each file once"));
            }
            groups[index].files.push(file);
        }
        groups[index].files.sort_unstable();
        groups[index] = Group::given(id.clone(), Kind::Other, std::mem::take(&mut groups[index].files));
    }
    for file in (0..probed.len()).filter(|&f| !taken[f]) {
        let join = match grouping.chapters {
            Chapters::Recognise => best_predecessor(probed, &groups, file),
            Chapters::KeepApart => None,
        };
        match join {
            Some((index, tie)) => {
                groups[index].files.push(file);
                groups[index].names.push(probed[file].name.clone());
                groups[index].ties.push(tie);
            }
            None => {
                let device = probed[file].info.as_ref().ok().and_then(|i| i.device.as_ref());
                groups.push(Group::found(file, &probed[file].name, device));
            }
        }
    }
    if grouping.chapters == Chapters::Recognise {
        join_wrapped(probed, &mut groups);
    }
    for group in &mut groups {
        group.kind = default_kind(probed, &group.files);
    }
    name(&mut groups);
    for (target, kind) in &grouping.kinds {
        if let Some(group) = groups.iter_mut().find(|g| &g.id == target) {
            group.kind = *kind;
        } else {
            let files = matching(probed, target)?;
            for group in groups.iter_mut().filter(|g| g.files.iter().any(|f| files.contains(f))) {
                group.kind = *kind;
            }
        }
    }
    name(&mut groups);
    Ok(groups)
}

/// Takes apart the groups that only names hold together and two of whose files share sound: `shares` tells whether two
/// files do. What times join stays together. Returns whether there were any.
pub fn split_overlapping(groups: &mut Vec<Group>, shares: impl Fn(usize, usize) -> bool) -> bool {
    split(groups, |group| {
        let count = group.files.len();
        let pairs = (0..count).flat_map(|j| (0..j).map(move |i| (i, j)));
        let shared = |&(i, j): &(usize, usize)| {
            let (a, b) = (group.files[i], group.files[j]);
            group.by_names(i, j) && shares(a.min(b), a.max(b))
        };
        match pairs.clone().any(|pair| shared(&pair)) {
            true if group.ties.iter().all(|&t| t == Tie::Names) => Some(group.clone().apart()),
            true => {
                let cuts: Vec<usize> = (1..count).filter(|&i| group.ties[i - 1] == Tie::Names).collect();
                let parts = group.clone().cut(&cuts);
                Some(parts.into_iter().map(|p| Group { head: p.files[0], ..p }).collect())
            }
            false => None,
        }
    })
}

/// Takes apart the groups whose files are no chapters of one take by the solved clocks: they ran at the same time, in
/// another order, with gaps of more than a minute, or in different events. For each file, `maps` holds its place and
/// `events` its event, as the sound says, and `lengths_s` its length. Returns whether there were any.
pub fn split_refuted(
    groups: &mut Vec<Group>,
    maps: &[Option<ClockMap>],
    events: &[Option<usize>],
    lengths_s: &[f64],
) -> bool {
    split(groups, |group| {
        let placed: Vec<usize> = (0..group.files.len()).filter(|&i| maps[group.files[i]].is_some()).collect();
        let mut cuts = Vec::new();
        for pair in placed.windows(2) {
            let (a, b) = (group.files[pair[0]], group.files[pair[1]]);
            if events[a] != events[b] {
                cuts.push(pair[1]);
                continue;
            }
            let (Some(first), Some(second)) = (&maps[a], &maps[b]) else { continue };
            let gap_s = second.knots()[0].1 - first.knots()[first.knots().len() - 1].1;
            if gap_s <= -OVERLAP_REFUTES_S {
                return Some(group.clone().apart());
            }
            // What has no place between them may fill the gap.
            let between_s: f64 = group.files[pair[0] + 1..pair[1]].iter().map(|&f| lengths_s[f]).sum();
            let joints = (pair[1] - pair[0]) as f64;
            if gap_s - between_s > joints * LONGEST_GAP_S + OVERLAP_REFUTES_S {
                cuts.push(pair[1]);
            }
        }
        (!cuts.is_empty()).then(|| group.clone().cut(&cuts))
    })
}

/// Replaces every group for which `parts` gives some, but for those that the user named; whether there were any.
fn split(groups: &mut Vec<Group>, parts: impl Fn(&Group) -> Option<Vec<Group>>) -> bool {
    let before = groups.len();
    let mut kept = Vec::new();
    for group in groups.drain(..) {
        match parts(&group).filter(|_| !group.given) {
            Some(parts) => kept.extend(parts),
            None => kept.push(group),
        }
    }
    *groups = kept;
    if groups.len() > before {
        name(groups);
    }
    groups.len() > before
}

/// Puts groups in the order of their first files and gives those that the user did not name their ids. Parts of one
/// recording that was split stay in its order, and have its id and a number.
fn name(groups: &mut [Group]) {
    groups.sort_by_key(|g| g.head);
    let mut taken: Vec<String> = groups.iter().filter(|g| g.given).map(|g| g.id.to_lowercase()).collect();
    let mut heads: BTreeMap<usize, String> = BTreeMap::new();
    let named = own_names(groups);
    // A letter that stands in another's name is never given.
    let reserved: Vec<String> = named.iter().filter_map(|n| n.1.clone()).collect();
    for (index, own) in named {
        let group = &mut groups[index];
        let mut of_kind = (0..).map(|n| match group.kind {
            Kind::Camera => format!("cam-{}", letters(n)),
            Kind::Recorder => format!("rec-{}", n + 1),
            Kind::Other => format!("other-{}", n + 1),
        });
        let free = |id: &String| !taken.contains(&id.to_lowercase());
        let id = own.filter(free).or_else(|| of_kind.find(|id| free(id) && !reserved.contains(id)));
        let id = id.unwrap_or_default();
        taken.push(id.to_lowercase());
        heads.insert(group.head, id.clone());
        group.id = id;
    }
    // Parts come after the recordings: a name of its own goes before a number.
    let mut parts: BTreeMap<usize, usize> = BTreeMap::new();
    for group in groups.iter_mut().filter(|g| !g.given) {
        let part = parts.entry(group.head).and_modify(|n| *n += 1).or_insert(1);
        while *part > 1 {
            group.id = format!("{}.{part}", heads[&group.head]);
            if !taken.contains(&group.id.to_lowercase()) {
                break;
            }
            *part += 1;
        }
    }
}

/// For the first part of each recording that the user did not name, its place among `groups` and what is its own in its
/// files' names; `None` where that is nothing. No two are alike, and none is a kind with a letter that another has in its
/// name.
///
/// In this order: the topmost folder that tells it from others; what its files' names have in common before a counter; what
/// headers call the device; the rarest of them with the counter of its first file.
fn own_names(groups: &[Group]) -> Vec<(usize, Option<String>)> {
    let mut seen = BTreeSet::new();
    let first: Vec<usize> = (0..groups.len()).filter(|&i| !groups[i].given && seen.insert(groups[i].head)).collect();
    let folders: Vec<Vec<&str>> =
        first.iter().map(|&i| split_folders(groups[i].names.first().map_or("", String::as_str)).0).collect();
    let deepest = folders.iter().map(Vec::len).min().unwrap_or(0);
    let shared = (0..deepest).take_while(|&d| folders.iter().all(|f| f[d] == folders[0][d])).count();
    let named: Vec<Names> = first
        .iter()
        .zip(&folders)
        .map(|(&i, folders)| {
            let group = &groups[i];
            let (stem, counter) = stem(&group.names);
            let folder = folders.get(shared).and_then(|text| label(text, group.kind));
            let device = group.device.as_ref().and_then(|text| label(text, group.kind));
            Names { offered: [folder, label(&stem, group.kind), device], counter }
        })
        .collect();
    // How many recordings offer the same in the same place.
    let shared_by = |place: usize, own: &str| named.iter().filter(|n| n.offered[place].as_deref() == Some(own)).count();
    let mut taken = BTreeSet::new();
    let mut own_name = |Names { offered, counter }: &Names, kind: Kind| {
        let counted: Vec<(usize, &String)> = (0..)
            .zip(offered)
            .filter_map(|(i, own)| Some((i, own.as_ref()?)))
            .map(|(i, own)| (shared_by(i, own), own))
            .collect();
        // A kind alone is no name: its number stands for it.
        let alone = counted.iter().find(|c| c.0 == 1).map(|c| c.1).filter(|own| *own != prefix(kind)).cloned();
        let rarest = counted.iter().min_by_key(|c| c.0).filter(|c| c.0 > 1 && !counter.is_empty());
        let rarest = rarest.map(|(_, own)| format!("{own}-{counter}"));
        alone.into_iter().chain(rarest).find(|own| taken.insert(own.clone()))
    };
    first.iter().zip(&named).map(|(&i, n)| (i, own_name(n, groups[i].kind))).collect()
}

/// What the names of a recording's files offer for an id.
struct Names {
    /// Folder, common part of the names, device.
    offered: [Option<String>; 3],
    counter: String,
}

/// Folders of a name, and the name in them without its extension.
fn split_folders(name: &str) -> (Vec<&str>, &str) {
    let mut parts: Vec<&str> = name.split('/').collect();
    let base = parts.pop().unwrap_or_default();
    (parts, base.rsplit_once('.').map_or(base, |(stem, _)| stem))
}

/// What the names of a recording's files have in common before their counter, and the counter of the first.
fn stem(names: &[String]) -> (String, String) {
    let bases: Vec<&str> = names.iter().map(|n| split_folders(n).1).collect();
    let Some(first) = bases.first() else { return Default::default() };
    let shared = bases.iter().fold(*first, |shared, base| {
        let same = shared.char_indices().zip(base.chars()).take_while(|((_, a), b)| a == b);
        let end = same.last().map_or(0, |((at, c), _)| at + c.len_utf8());
        &shared[..end]
    });
    let stem = shared.trim_end_matches(|c: char| c.is_ascii_digit());
    let counter = first[stem.len()..].chars().take_while(char::is_ascii_digit).collect();
    (stem.to_owned(), counter)
}

/// Letters of an id (own target).
const LONGEST_LABEL: usize = 24;

/// Part of a name as an id: small letters, digits, `-` and `_`, from the first letter on. One letter has its kind before
/// it; without a letter there is none.
fn label(text: &str, kind: Kind) -> Option<String> {
    let from_letter = text.trim_start_matches(|c: char| !c.is_alphabetic());
    let mut label = String::new();
    for c in from_letter.chars().flat_map(char::to_lowercase).take(LONGEST_LABEL) {
        let c = if c.is_alphanumeric() || c == '_' { c } else { '-' };
        if c != '-' || !label.ends_with('-') {
            label.push(c);
        }
    }
    let label = label.trim_end_matches(|c| "-_".contains(c));
    match label.chars().count() {
        0 => None,
        1 => Some(format!("{}-{label}", prefix(kind))),
        _ => Some(label.to_owned()),
    }
}

fn prefix(kind: Kind) -> &'static str {
    match kind {
        Kind::Camera => "cam",
        Kind::Recorder => "rec",
        Kind::Other => "other",
    }
}

/// a, b, ..., z, aa, ab, ...
fn letters(n: usize) -> String {
    let last = char::from(b'a' + (n % 26) as u8);
    if n < 26 { last.to_string() } else { format!("{}{last}", letters(n / 26 - 1)) }
}

fn default_kind(probed: &[Probed], files: &[usize]) -> Kind {
    let known: Vec<&Headers> = files.iter().filter_map(|&f| probed[f].info.as_ref().ok()).collect();
    if known.iter().any(|i| i.picture.is_some()) {
        Kind::Camera
    } else if known.iter().any(|i| i.sound.is_some()) {
        Kind::Recorder
    } else {
        Kind::Other
    }
}

/// The files that a pattern fits, at least one.
pub(crate) fn matching(probed: &[Probed], pattern: &str) -> Result<Vec<usize>> {
    let files: Vec<usize> = (0..probed.len()).filter(|&i| is_meant(pattern, &probed[i].name)).collect();
    if files.is_empty() {
        return Err(Error::invalid(format!("`{pattern}` matches no file and no recording"))
            .with_remedy("use a name from the table; `*` matches any characters"));
    }
    Ok(files)
}

/// Joins what goes on behind a counter that started again: `9999` comes after `0001` in the order of names.
fn join_wrapped(probed: &[Probed], groups: &mut Vec<Group>) {
    let base = |file: usize| split_name(&probed[file].name).1;
    loop {
        let of = |i: usize, j: usize| -> Option<Tie> {
            let (before, after) = (&groups[i], &groups[j]);
            let (&last, &first) = (before.files.last()?, after.files.first()?);
            let free = i != j && !before.given && !after.given && counter_wraps(base(last), base(first));
            free.then(|| join(&probed[last], &probed[first])).flatten()
        };
        let pairs = (0..groups.len()).flat_map(|i| (0..groups.len()).map(move |j| (i, j)));
        let Some((i, j, tie)) = pairs.filter_map(|(i, j)| Some((i, j, of(i, j)?))).next() else { return };
        let after = groups[j].clone();
        let before = &mut groups[i];
        before.files.extend(after.files);
        before.names.extend(after.names);
        before.ties.push(tie);
        before.ties.extend(after.ties);
        groups.remove(j);
    }
}

/// Is `b` the name after `a` where the counter has run out of digits: `IMG_9999` `IMG_0001`, or `IMG_0000`?
fn counter_wraps(a: &str, b: &str) -> bool {
    let digits = |s: &str| s.len() - s.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    let (n, m) = (digits(a), digits(b));
    let (stem_a, count_a) = a.split_at(a.len() - n);
    let (stem_b, count_b) = b.split_at(b.len() - m);
    // Three digits at least: `mic9` and `mic1` are two devices.
    n == m && n >= 3 && stem_a == stem_b && count_a.bytes().all(|c| c == b'9') && matches!(count_b.parse(), Ok(0 | 1))
}

fn best_predecessor(probed: &[Probed], groups: &[Group], file: usize) -> Option<(usize, Tie)> {
    let candidates = groups.iter().enumerate().filter(|(_, g)| !g.given);
    let joins = candidates.filter_map(|(i, g)| Some((i, join(&probed[*g.files.last()?], &probed[file])?)));
    // Of equals the latest wins: a counter goes on from the file before, not from one long ago.
    joins.rev().min_by(|a, b| order_of(a.1, b.1))
}

/// Which tie is better: the one of the shorter gap; names come last.
fn order_of(a: Tie, b: Tie) -> Ordering {
    let gap_s = |tie| match tie {
        Tie::Timecode(s) | Tie::Dates(s) => s.abs(),
        Tie::Names | Tie::Given => f64::INFINITY,
    };
    gap_s(a).total_cmp(&gap_s(b))
}

fn join(a: &Probed, b: &Probed) -> Option<Tie> {
    let (Ok(info_a), Ok(info_b)) = (&a.info, &b.info) else { return None };
    let (folder_a, name_a) = split_name(&a.name);
    let (folder_b, name_b) = split_name(&b.name);
    if folder_a != folder_b || !same_settings(info_a, info_b) {
        return None;
    }
    let counts_on = counts_on(name_a, name_b) || counter_wraps(name_a, name_b);
    if !counts_on && !same_shape(name_a, name_b) {
        return None;
    }
    if let (Some(x), Some(y)) = (info_a.timecode_s, info_b.timecode_s) {
        let gap = y - x - info_a.duration_s;
        if (GAP_BY_TIMECODE_S.0..=GAP_BY_TIMECODE_S.1).contains(&gap) {
            return Some(Tie::Timecode(gap));
        }
        // Many devices write the same timecode into every file, so that a break in it proves nothing.
    }
    match (info_a.created_unix_s, info_b.created_unix_s) {
        (Some(x), Some(y)) => {
            let step = (y - x) as f64;
            let gaps = [step - info_a.duration_s, step - info_b.duration_s];
            let fitting = gaps.into_iter().filter(|g| (GAP_BY_DATE_S.0..=GAP_BY_DATE_S.1).contains(g));
            match fitting.min_by(|p, q| p.abs().total_cmp(&q.abs())) {
                Some(gap) => Some(Tie::Dates(gap)),
                None if step == 0.0 && counts_on => Some(Tie::Names),
                None => None,
            }
        }
        _ if counts_on => Some(Tie::Names),
        _ => None,
    }
}

/// Are they files of one device, as far as folder, name and container tell? Its settings may have changed.
pub(crate) fn same_device(a: &Probed, b: &Probed) -> bool {
    let (Ok(info_a), Ok(info_b)) = (&a.info, &b.info) else { return false };
    let (folder_a, name_a) = split_name(&a.name);
    let (folder_b, name_b) = split_name(&b.name);
    folder_a == folder_b
        && info_a.container == info_b.container
        && same_shape(name_a, name_b)
        && !two_devices(info_a, info_b)
}

/// Do their headers name two devices?
fn two_devices(a: &Headers, b: &Headers) -> bool {
    matches!((&a.device, &b.device), (Some(a), Some(b)) if a != b)
}

fn same_settings(a: &Headers, b: &Headers) -> bool {
    // Mean frame rates of a device that varies them differ from file to file.
    let picture = |i: &Headers| {
        let rates = |p: &Picture| (p.variable_rate, (!p.variable_rate).then_some(p.frame_rate), p.capture_rate);
        i.picture.as_ref().map(|p| (p.size, rates(p)))
    };
    a.container == b.container && a.sound == b.sound && picture(a) == picture(b) && !two_devices(a, b)
}

/// Folder, and file name without extension.
pub(crate) fn split_name(name: &str) -> (&str, &str) {
    let (folder, file) = name.rsplit_once('/').unwrap_or(("", name));
    (folder, file.rsplit_once('.').map_or(file, |(stem, _)| stem))
}

/// Is `b` the name after `a`: equal but for a counter, wherever it stands, that goes up by one
/// (`take-09` `take-10`, `V0100017` `V0200017`), or `a` with a first count behind it (`take` `take-001`)?
fn counts_on(a: &str, b: &str) -> bool {
    if let Some(tail) = b.strip_prefix(a) {
        let count = tail.trim_matches(|c: char| " _-.()".contains(c));
        let apart = tail.len() > count.len() || !a.ends_with(|c: char| c.is_ascii_digit());
        if apart && matches!(count.parse::<u32>(), Ok(0..=2)) {
            return true;
        }
    }
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let prefix = a.iter().zip(&b).take_while(|(x, y)| x == y).count();
    let room = a.len().min(b.len()) - prefix;
    let suffix = a.iter().rev().zip(b.iter().rev()).take(room).take_while(|(x, y)| x == y).count();
    let number = |s: &[char]| s.iter().collect::<String>().parse::<u64>().ok();
    let (mid_a, mid_b) = (&a[prefix..a.len() - suffix], &b[prefix..b.len() - suffix]);
    let digits = |s: &[char]| s.iter().all(char::is_ascii_digit);
    if !digits(mid_a) || !digits(mid_b) {
        return false;
    }
    match (number(mid_a), number(mid_b)) {
        (Some(x), Some(y)) => y == x + 1,
        // `take-9` `take-19` shares the 9: nothing is left of it on one side.
        _ => false,
    }
}

/// Are the names equal but for the digits in them?
fn same_shape(a: &str, b: &str) -> bool {
    shape(a) == shape(b) && a != b && a.contains(|c: char| c.is_ascii_digit())
}

/// A name without its numbers.
pub(crate) fn shape(name: &str) -> String {
    name.split(|c: char| c.is_ascii_digit()).filter(|p| !p.is_empty()).collect::<Vec<_>>().join("#")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::headers::tests::{camera, recorder};

    fn names(probed: &[Probed], groups: &[Group]) -> Vec<(String, Vec<String>)> {
        groups.iter().map(|g| (g.id.clone(), g.files.iter().map(|&f| probed[f].name.clone()).collect())).collect()
    }

    fn joined(probed: &[Probed]) -> Vec<Vec<usize>> {
        group(probed, &GroupingOptions::default()).unwrap().into_iter().map(|g| g.files).collect()
    }

    #[test]
    fn counters_go_up_by_one_wherever_they_stand() {
        for (a, b) in [
            ("CLIP_0009", "CLIP_0010"),
            ("V0100017", "V0200017"),
            ("V0900017", "V1000017"),
            ("a9", "a10"),
            ("a19", "a20"),
            ("take", "take-001"),
            ("take", "take (2)"),
            ("x199y", "x200y"),
        ] {
            assert!(counts_on(a, b), "{a} {b}");
            assert!(!counts_on(b, a), "{b} {a}");
        }
        for (a, b) in
            [("left", "right"), ("a1", "a3"), ("camA", "camB"), ("a1", "a1"), ("take", "take-7"), ("a9", "a19")]
        {
            assert!(!counts_on(a, b), "{a} {b}");
        }
    }

    #[test]
    fn joins_by_either_end_of_the_creation_time_and_across_gaps() {
        // Started at 1000, 1530, 2060; the second set carries the times when files were closed.
        let starts = [
            camera("A_01.MP4", 530.0, Some(1000)),
            camera("A_02.MP4", 530.0, Some(1530)),
            camera("A_03.MP4", 90.0, Some(2100)),
        ];
        assert_eq!(joined(&starts), [[0, 1, 2]]);
        let ends = [
            camera("A_01.MP4", 530.0, Some(1530)),
            camera("A_02.MP4", 530.0, Some(2060)),
            camera("A_03.MP4", 90.0, Some(2150)),
        ];
        assert_eq!(joined(&ends), [[0, 1, 2]]);
        // A new take ten minutes later.
        let takes = [camera("A_01.MP4", 530.0, Some(1000)), camera("A_02.MP4", 90.0, Some(2130))];
        assert_eq!(joined(&takes), [[0], [1]]);
    }

    #[test]
    fn a_counter_that_starts_again_goes_on() {
        let files = [
            camera("IMG_0001.MP4", 500.0, Some(2000)),
            camera("IMG_0002.MP4", 500.0, Some(2500)),
            camera("IMG_9998.MP4", 500.0, Some(1000)),
            camera("IMG_9999.MP4", 500.0, Some(1500)),
        ];
        assert_eq!(joined(&files), [[2, 3, 0, 1]]);
        // The times have the last word.
        let mut later = files;
        later[0].info.as_mut().unwrap().created_unix_s = Some(90_000);
        assert_eq!(joined(&later).len(), 3);
        assert!(
            counter_wraps("A_999", "A_000") && !counter_wraps("mic9", "mic1") && !counter_wraps("A_9999", "B_0001")
        );
    }

    #[test]
    fn interleaved_takes_are_told_apart() {
        // Chapter number first, take number behind: natural order mixes the takes.
        let files = [
            camera("V010017.MP4", 500.0, Some(1000)),
            camera("V010018.MP4", 500.0, Some(5000)),
            camera("V020017.MP4", 400.0, Some(1500)),
            camera("V020018.MP4", 400.0, Some(5500)),
        ];
        assert_eq!(joined(&files), [[0, 2], [1, 3]]);
    }

    #[test]
    fn other_settings_folders_and_names_stay_apart() {
        let mut wide = camera("A_02.MP4", 500.0, Some(1500));
        wide.info.as_mut().unwrap().picture.as_mut().unwrap().size = [640, 480];
        assert_eq!(joined(&[camera("A_01.MP4", 500.0, Some(1000)), wide]), [[0], [1]]);
        let two = [camera("left/001.MP4", 500.0, Some(1000)), camera("right/002.MP4", 500.0, Some(1500))];
        assert_eq!(joined(&two), [[0], [1]]);
        let two = [camera("CAM_A.MP4", 500.0, Some(1000)), camera("CAM_B.MP4", 500.0, Some(1500))];
        assert_eq!(joined(&two), [[0], [1]]);
        // Two alike cameras that ran at the same time.
        let two = [camera("cam1.MP4", 500.0, Some(1000)), camera("cam2.MP4", 500.0, Some(1003))];
        assert_eq!(joined(&two), [[0], [1]]);
    }

    #[test]
    fn without_times_names_suffice_until_the_sound_says_no() {
        let files = [recorder("mic1.wav", 60.0), recorder("mic2.wav", 60.0), recorder("mic3.wav", 60.0)];
        let mut groups = group(&files, &GroupingOptions::default()).unwrap();
        assert_eq!(groups.len(), 1);
        let at = |t: f64| Some(ClockMap::linear(t, 0.0, 60.0));
        let one = [Some(1); 3];
        let mut refuted = |maps: [Option<ClockMap>; 3]| split_refuted(&mut groups, &maps, &one, &[60.0; 3]);
        assert!(!refuted([at(0.0), at(59.95), None]));
        assert!(refuted([at(0.0), at(3.0), None]));
        assert!(!refuted([at(0.0), at(3.0), None]));
        let ids: Vec<_> = groups.iter().map(|g| g.id.as_str()).collect();
        assert_eq!(ids, ["mic-1", "mic-2", "mic-3"]);
    }

    #[test]
    fn names_alone_do_not_join_what_shares_sound() {
        let files = [recorder("mic1.wav", 60.0), recorder("mic2.wav", 60.0), recorder("mic3.wav", 60.0)];
        let mut groups = group(&files, &GroupingOptions::default()).unwrap();
        assert_eq!(groups[0].ties, [Tie::Names, Tie::Names]);
        assert!(!split_overlapping(&mut groups, |_, _| false));
        assert!(split_overlapping(&mut groups, |a, b| (a, b) == (1, 2)));
        assert_eq!(groups.iter().map(|g| g.id.as_str()).collect::<Vec<_>>(), ["mic-1", "mic-2", "mic-3"]);
        // What times join stays joined: two devices of two chapters each, whose names run on.
        let files = [
            camera("A_01.MP4", 60.0, Some(1000)),
            camera("A_02.MP4", 60.0, Some(1060)),
            camera("A_03.MP4", 60.0, None),
        ];
        let mut groups = group(&files, &GroupingOptions::default()).unwrap();
        assert_eq!(groups[0].ties, [Tie::Dates(0.0), Tie::Names]);
        assert!(!split_overlapping(&mut groups, |a, b| (a, b) == (0, 1)));
        assert!(split_overlapping(&mut groups, |a, b| (a, b) == (0, 2)));
        assert_eq!(groups.iter().map(|g| g.files.clone()).collect::<Vec<_>>(), [vec![0, 1], vec![2]]);
        // The user's word stands.
        let mut given = vec![Group::given("mics", Kind::Recorder, vec![0, 1])];
        assert!(!split_overlapping(&mut given, |_, _| true));
    }

    #[test]
    fn takes_end_at_long_gaps_and_with_their_event() {
        let files: Vec<Probed> = (1..=5).map(|i| recorder(&format!("R_{i:02}.wav"), 60.0)).collect();
        let whole = group(&files, &GroupingOptions::default()).unwrap();
        let at = |t: f64| Some(ClockMap::linear(t, 0.0, 60.0));
        let split = |maps: [Option<ClockMap>; 5], events: [usize; 5]| {
            let mut groups = whole.clone();
            split_refuted(&mut groups, &maps, &events.map(Some), &[60.0; 5]);
            groups.into_iter().map(|g| (g.id, g.files)).collect::<Vec<_>>()
        };
        let parts = |list: &[(&str, &[usize])]| {
            list.iter().map(|(id, files)| ((*id).to_owned(), files.to_vec())).collect::<Vec<_>>()
        };
        // A gap of 50 s, one file without a place that fits, and one of 70 s.
        let maps = [at(0.0), at(110.0), None, at(230.0), at(360.0)];
        assert_eq!(split(maps.clone(), [1; 5]), parts(&[("rec-r", &[0, 1, 2, 3]), ("rec-r.2", &[4])]));
        // Its room is counted once: 60 s and two gaps of 60 s are the most.
        let far = [at(0.0), at(60.0), None, at(302.0), at(362.0)];
        assert_eq!(split(far, [1; 5]), parts(&[("rec-r", &[0, 1, 2]), ("rec-r.2", &[3, 4])]));
        // Times on two timelines say nothing of each other.
        let maps = [at(0.0), at(60.0), at(0.0), None, at(120.0)];
        let events = [1, 1, 2, 2, 2];
        assert_eq!(split(maps, events), parts(&[("rec-r", &[0, 1]), ("rec-r.2", &[2, 3, 4])]));
    }

    #[test]
    fn names_by_kind_in_natural_order() {
        let files = [
            camera("a.mp4", 10.0, None),
            recorder("b.wav", 10.0),
            camera("c.mp4", 10.0, None),
            Probed::unreadable("d.mp4", coeval::Error::new(coeval::ErrorKind::Damaged, "cut short")),
        ];
        let groups = group(&files, &GroupingOptions::default()).unwrap();
        let ids: Vec<_> = groups.iter().map(|g| g.id.as_str()).collect();
        assert_eq!(ids, ["cam-a", "rec-b", "cam-c", "other-d"]);
        assert_eq!(letters(25), "z");
        assert_eq!(letters(26), "aa");
    }

    #[test]
    fn ids_are_what_a_person_calls_the_device() {
        let ids = |names: &[&str]| -> Vec<String> {
            // Dates far apart: each file is a recording.
            let file = |(i, name): (usize, &&str)| match name.ends_with("wav") {
                true => recorder(name, 10.0),
                false => camera(name, 10.0, Some(10_000 * i as i64)),
            };
            let files: Vec<Probed> = names.iter().enumerate().map(file).collect();
            let keep = GroupingOptions { chapters: Chapters::KeepApart, ..GroupingOptions::default() };
            group(&files, &keep).unwrap().into_iter().map(|g| g.id).collect()
        };
        for (names, expected) in [
            // The demo: letters that stand in names are those of the ids.
            (
                vec!["CAM-A_0009.MP4", "CAM-A_0017.MP4", "CAM-B_0004.MOV", "REC_0003.wav"],
                vec!["cam-a-0009", "cam-a-0017", "cam-b", "rec-1"],
            ),
            (vec!["left.wav", "right.wav"], vec!["left", "right"]),
            // Cards whose files are called alike.
            (vec!["bow/DCIM/V_001.MP4", "stern/DCIM/V_001.MP4"], vec!["bow", "stern"]),
            (vec!["card/bow/V_001.MP4", "card/stern/V_001.MP4"], vec!["bow", "stern"]),
            // A folder of several devices says less than their names.
            (
                vec!["cams/CAM-A_1.MP4", "cams/CAM-A_7.MP4", "cams/CAM-B_1.MP4", "sound/x.wav"],
                vec!["cam-a-1", "cam-a-7", "cam-b", "sound"],
            ),
            (vec!["phone/IMG_01.MP4", "phone/IMG_05.MP4", "x/a.wav"], vec!["phone-01", "phone-05", "rec-x"]),
            // Nothing but numbers; and letters that somebody else's name has.
            (vec!["0001.MP4", "0007.MP4", "cam-a.MP4"], vec!["cam-b", "cam-c", "cam-a"]),
            (vec!["Ölwanne 1.MP4", "take (2).MP4"], vec!["ölwanne", "take-2"]),
        ] {
            assert_eq!(ids(&names), expected, "{names:?}");
        }
        // Two phones in one folder: what their headers say tells them apart, and counts for no more than it is.
        let phone = |name: &str, device: &str, created: i64| {
            let mut file = camera(name, 10.0, Some(created));
            file.info.as_mut().unwrap().device = Some(device.to_owned());
            file
        };
        let files =
            [phone("IMG_1.MP4", "Tern 4", 1000), phone("IMG_2.MP4", "Auk S", 1011), phone("IMG_3.MP4", "Tern 4", 9000)];
        let found = |files: &[Probed]| -> Vec<(String, Vec<usize>)> {
            let groups = group(files, &GroupingOptions::default()).unwrap();
            groups.into_iter().map(|g| (g.id, g.files)).collect()
        };
        let named = |list: &[(&str, &[usize])]| -> Vec<(String, Vec<usize>)> {
            list.iter().map(|(id, files)| ((*id).to_owned(), files.to_vec())).collect()
        };
        assert_eq!(found(&files), named(&[("tern-4-1", &[0]), ("auk-s", &[1]), ("tern-4-3", &[2])]));
        assert_eq!(found(&files[..2]), named(&[("tern-4", &[0]), ("auk-s", &[1])]));
        let one = [phone("IMG_1.MP4", "Tern 4", 1000), phone("IMG_2.MP4", "Tern 4", 1011)];
        assert_eq!(found(&one), named(&[("img", &[0, 1])]));
        // The user's own word goes before.
        let files = [camera("bow_1.MP4", 10.0, None), recorder("stern.wav", 10.0)];
        let grouping =
            GroupingOptions { recordings: vec![("bow".into(), "stern.wav".into())], ..GroupingOptions::default() };
        let ids: Vec<String> = group(&files, &grouping).unwrap().into_iter().map(|g| g.id).collect();
        assert_eq!(ids, ["cam-a", "bow"]);
    }

    #[test]
    fn the_user_overrules() {
        let files = [camera("x/01.mp4", 10.0, None), camera("x/02.mp4", 10.0, None), recorder("y.wav", 9.0)];
        let mut grouping = GroupingOptions { chapters: Chapters::KeepApart, ..GroupingOptions::default() };
        assert_eq!(group(&files, &grouping).unwrap().len(), 3);
        grouping.recordings = vec![("cam-a".into(), "y.wav".into()), ("bow".into(), "x/*".into())];
        grouping.kinds = vec![("cam-a".into(), Kind::Other), ("x/02.mp4".into(), Kind::Recorder)];
        let groups = group(&files, &grouping).unwrap();
        assert_eq!(names(&files, &groups)[0], ("bow".to_owned(), vec!["x/01.mp4".to_owned(), "x/02.mp4".to_owned()]));
        assert_eq!((groups[0].kind, groups[1].kind), (Kind::Recorder, Kind::Other));
        for bad in [("z", "nothing.wav"), ("bow", "y.wav/"), ("a b", "y.wav"), ("other", "y.wav")] {
            grouping.recordings.truncate(2);
            grouping.recordings.push((bad.0.into(), bad.1.into()));
            assert!(group(&files, &grouping).is_err(), "{bad:?}");
        }
    }
}
