#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

pub mod alignment;
pub mod anchors;
mod beside;
pub mod chapters;
mod claps;
mod compare;
pub mod conform;
mod copies;
mod entries;
mod feed;
mod find;
mod guard;
mod headers;
mod kept;
pub mod lag_map;
pub mod listen;
mod ltc;
mod measure;
mod neighbours;
mod options;
mod parallel;
mod patterns;
mod photos;
pub mod pictures;
mod places;
mod proof;
mod says;
mod scratch;
mod solve;
mod sound;
mod timecode;
mod times;
mod tracks;
mod words;
mod write;

use std::path::Path;

use coeval::pair::PairOutcome;
use coeval::progress::Progress;
use coeval::{Error, Result};

pub use alignment::{Alignment, Kind};
pub use anchors::{Anchor, At, read_anchors};
use chapters::Chapters;
pub use coeval_media::Cache;
pub use compare::{Compared, compare};
pub use find::{Found, Source, find, find_without, natural_order};
pub use guard::guarded;
pub use headers::{Headers, Probed, probe};
pub use measure::{Measured, measure, shown_claps};
pub use options::Options;
pub use parallel::{both, for_all, on_threads};
pub use proof::{LIP_SYNC_ACCEPTED_S, LIP_SYNC_NOTICED_S, LIP_SYNC_R37_S};
pub use scratch::temporary_files;
pub use solve::{Solved, solve};
pub use sound::{Analysed, Sound, TrackFile, analyse};
pub use words::{clock_time, clock_time_ms, milliseconds, one_line};
pub use write::{
    LARGEST_TEXT, OutFolder, ResultNames, clear_unfinished, files_below, not_through_links, plain_name, read_text,
    remove, resolved, write_whole,
};

/// Puts all recordings among `paths` (folders, files, or both) on one clock.
///
/// # Errors
/// [`NotFound`](coeval::ErrorKind::NotFound) when a path does not exist or nothing among them is a recording,
/// [`PermissionDenied`](coeval::ErrorKind::PermissionDenied) when a folder cannot be listed,
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for options that name no file or contradict each other,
/// [`Cancelled`](coeval::ErrorKind::Cancelled) when `progress` says so. A file that cannot be read is not an error: the
/// result says why it is unplaced.
pub fn align(paths: &[impl AsRef<Path>], options: &Options, progress: &dyn Progress) -> Result<Alignment> {
    align_found(&find_without(paths, &options.exclude)?, options, progress)
}

/// As [`align`], for files that have been found already ([`find_without`] takes [`Options::exclude`]).
///
/// # Errors
/// As for [`align`].
pub fn align_found(found: &Found, options: &Options, progress: &dyn Progress) -> Result<Alignment> {
    options.check()?;
    let probed = on_threads(options.threads, || probe(found, &options.open, progress))?;
    align_probed(found, probed, options, progress)
}

/// As [`align_found`], for files whose headers have been read already: `probed` is what [`probe`] made of `found`.
///
/// # Errors
/// As for [`align`]; [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) also where `probed` is of other files.
pub fn align_probed(
    found: &Found,
    probed: Vec<Probed>,
    options: &Options,
    progress: &dyn Progress,
) -> Result<Alignment> {
    options.check()?;
    if !probed.iter().map(|p| &p.name).eq(found.sources.iter().map(|s| &s.name)) {
        return Err(Error::invalid("these are the headers of other files"));
    }
    on_threads(options.threads, || {
        // What is wrong with the user's patterns is said before the work.
        chapters::group(&probed, &options.grouping)?;
        let heard = analyse(found, &probed, &options.open, progress)?;
        place_originals(found, probed, heard, &options.grouping, options, progress)
    })
}

/// Sets copies and further tracks aside, places the others, and adds them to the result. `probed` and `heard` may go on beyond the
/// sources of `found`.
fn place_originals(
    found: &Found,
    mut probed: Vec<Probed>,
    mut heard: Vec<Analysed>,
    grouping: &chapters::GroupingOptions,
    options: &Options,
    progress: &dyn Progress,
) -> Result<Alignment> {
    timecode::carry(&mut probed, &heard);
    times::silence_slowed(&probed, &mut heard);
    let named = |name: &str| {
        let anchored = options.anchors.iter().any(|a| a.a == name || a.b == name);
        anchored || options.main.as_deref() == Some(name) || options.distances_m.iter().any(|d| d.0 == name)
    };
    let mut copies = copies::find(found, &probed, &heard, &named);
    // Files of the caller's own, beyond the sources, are what they are.
    let apart = |i: usize| copies.get(i).is_none_or(Option::is_some) || named(&probed[i].name);
    let mut sets = match grouping.chapters {
        Chapters::Recognise => tracks::find(&probed, &heard, &apart, options, progress)?,
        Chapters::KeepApart => Vec::new(),
    };
    let first_of = |sets: &[Vec<usize>], i: usize| sets.iter().find(|s| s[1..].contains(&i)).map(|s| s[0]);
    let rest = |copies: &[Option<copies::Copy>], sets: &[Vec<usize>]| {
        let aside = |&i: &usize| copies.get(i).is_some_and(Option::is_some) || first_of(sets, i).is_some();
        headers::again(&probed, |i| !aside(&i))
    };
    let mut groups = chapters::group(&rest(&copies, &sets), grouping);
    if groups.is_err() {
        // What the user names is nothing but copies or tracks: then each is taken for itself.
        copies.fill(None);
        sets.clear();
        groups = chapters::group(&probed, grouping);
    }
    let groups = groups?;
    let used = tracks::join(&sets, &mut heard)?;
    let says = |i: usize| used.iter().any(|u| u.contains(&i));
    let names: Vec<String> = probed.iter().map(|p| p.name.clone()).collect();
    let silent: Vec<String> = sets.iter().filter(|s| !says(s[0])).map(|s| names[s[0]].clone()).collect();
    let (mut originals, mut set_aside, mut followers) = (Vec::new(), Vec::new(), Vec::new());
    for i in (0..probed.len()).rev() {
        if let Some(copy) = copies.get(i).copied().flatten() {
            set_aside.push(copies::SetAside::new(probed.remove(i), heard.remove(i), &names[copy.original], copy));
        } else if let Some(first) = first_of(&sets, i) {
            followers.push((i, tracks::Follower::new(probed.remove(i), heard.remove(i), &names[first], says(i))));
        } else if let Some(source) = found.sources.get(i) {
            originals.push(source.again());
        }
    }
    originals.reverse();
    set_aside.reverse();
    // In the order of each set.
    let place_in_set = |i: usize| sets.iter().find_map(|s| s.iter().position(|&f| f == i));
    followers.sort_by_key(|f| place_in_set(f.0));
    let originals = Found::of(originals);
    let mut alignment = place(Some(&originals), &probed, groups, &heard, options, progress)?.0.alignment;
    say_where_was_looked(&mut alignment, options);
    tracks::add(&mut alignment, followers.into_iter().map(|f| f.1).collect(), &silent);
    copies::add(&mut alignment, set_aside);
    beside::tell(&mut alignment);
    if options.photos {
        photos::place(&mut alignment, found);
    }
    Ok(alignment)
}

/// Files that have no place although the whole of the others was not searched for them: their reason says so.
fn say_where_was_looked(alignment: &mut Alignment, options: &Options) {
    let Some(off_s) = options.trusted_times_s else { return };
    let files = alignment.recordings.iter_mut().flat_map(|r| &mut r.files);
    for file in files.filter(|f| !f.is_placed() && f.sound.is_some()) {
        let Some(reason) = &mut file.reason else { continue };
        reason.push_str(&format!(
            "; the search was only within {off_s} s of the files' own times: allow more (trusted_times_s; the command's \
             --trust-times), or do not trust them"
        ));
    }
}

/// As [`align`], together with files whose sound the caller has read itself, as a host does that decodes its own
/// clips. `paths` may be empty when `tracks` is not.
///
/// # Errors
/// As for [`align`]; also [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when two files have one name or a name
/// holds a `*`.
pub fn align_with(
    paths: &[impl AsRef<Path>],
    tracks: &[TrackFile],
    options: &Options,
    progress: &dyn Progress,
) -> Result<Alignment> {
    options.check()?;
    let found =
        if paths.is_empty() && !tracks.is_empty() { None } else { Some(find_without(paths, &options.exclude)?) };
    on_threads(options.threads, || {
        let mut probed = found.as_ref().map_or_else(|| Ok(Vec::new()), |f| probe(f, &options.open, progress))?;
        let mut grouping = options.grouping.clone();
        for file in tracks {
            let name = &file.name;
            if name.is_empty() || name.contains('*') || probed.iter().any(|p| &p.name == name) {
                return Err(Error::invalid(format!("{name:?} cannot be the name of a track"))
                    .with_remedy("give every track a unique name without `*`"));
            }
            let headers = Headers { duration_s: file.track.duration_s(), ..Headers::default() };
            probed.push(Probed::new(name, headers));
            grouping.recordings.push((file.recording.clone(), name.clone()));
            grouping.kinds.push((file.recording.clone(), file.kind));
        }
        let groups = chapters::group(&probed, &grouping)?;
        let mut heard = match &found {
            Some(found) => analyse(found, &probed[..found.sources.len()], &options.open, progress)?,
            None => Vec::new(),
        };
        heard.extend(tracks.iter().map(|file| Ok(Some(Sound::of(file)))));
        match &found {
            Some(found) => place_originals(found, probed, heard, &grouping, options, progress),
            None => Ok(place(None, &probed, groups, &heard, options, progress)?.0.alignment),
        }
    })
}

/// Compares two files as a shoot of these two does: by their sound and, where that leaves their places open or uncertain,
/// by the claps that both heard. Of the options `open`, `pair` and `threads` count.
///
/// # Errors
/// Why a file cannot be read; [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for options out of range;
/// [`Cancelled`](coeval::ErrorKind::Cancelled).
pub fn align_two(a: &Path, b: &Path, options: &Options, progress: &dyn Progress) -> Result<PairOutcome> {
    let (open, pair) = (options.open.clone(), options.pair.clone());
    let options = Options { open, pair, threads: options.threads, ..Options::default() };
    let source = |(path, name): (&Path, &str)| Source { path: path.to_owned(), name: name.to_owned(), problem: None };
    let sources = [(a, "a"), (b, "b")].map(source).into();
    let found = Found::of(sources);
    on_threads(options.threads, || {
        let probed = probe(&found, &options.open, progress)?;
        if let Some(error) = probed.iter().find_map(|p| p.info.as_ref().err()) {
            return Err(guard::repeat(error));
        }
        let heard = analyse(&found, &probed, &options.open, progress)?;
        if let Some(error) = heard.iter().find_map(|h| h.as_ref().err()) {
            return Err(guard::repeat(error));
        }
        let groups = ["a", "b"].into_iter().zip(0..).map(|(id, f)| chapters::Group::given(id, Kind::Other, vec![f]));
        let (solved, compared) = place(Some(&found), &probed, groups.collect(), &heard, &options, progress)?;
        Ok(verdict(compared, solved.alignment.files().filter_map(|f| f.confidence).fold(1.0, f64::min)))
    })
}

/// What comparisons of two files say together; `confidence` is that of the solution.
fn verdict(compared: Vec<Compared>, confidence: f64) -> PairOutcome {
    let mut why = PairOutcome::Unplaced(coeval::pair::Unplaced::Silent);
    let mut placed = Vec::new();
    for c in compared {
        match c.outcome {
            PairOutcome::Placed(p) => placed.push(p),
            unplaced => why = unplaced,
        }
    }
    placed.sort_by(|x, y| y.confidence.total_cmp(&x.confidence));
    let several = placed.len() > 1;
    let Some(surest) = placed.first().map(|p| p.map.offset_s()) else { return why };
    // Of those that say the same, the most exact.
    placed.retain(|p| (p.map.offset_s() - surest).abs() <= claps::NEAR_S);
    placed.sort_by(|x, y| x.least_uncertainty_s().total_cmp(&y.least_uncertainty_s()));
    let mut best = placed.swap_remove(0);
    if several {
        best.confidence = confidence;
    }
    PairOutcome::Placed(best)
}

/// Lowest and highest offset of `b` in `a` by what the files say of their own times, if they do.
fn by_own_times(a: &Probed, b: &Probed, off_s: f64) -> Option<(f64, f64)> {
    let (a, b) = (a.info.as_ref().ok()?, b.info.as_ref().ok()?);
    let later_s = match (a.timecode_s, b.timecode_s) {
        // Clocks of the day pass midnight.
        (Some(a), Some(b)) => (b - a + 43_200.0).rem_euclid(86_400.0) - 43_200.0,
        _ => (b.created_unix_s? - a.created_unix_s?) as f64,
    };
    Some((later_s - off_s, later_s + off_s))
}

/// From tracks to the result, with the comparisons that it is made from.
fn place(
    found: Option<&Found>,
    probed: &[Probed],
    mut groups: Vec<chapters::Group>,
    heard: &[Analysed],
    options: &Options,
    progress: &dyn Progress,
) -> Result<(Solved, Vec<Compared>)> {
    let range_s = |a: usize, b: usize| by_own_times(&probed[a], &probed[b], options.trusted_times_s?);
    let mut compared = Vec::new();
    let mut told: Option<claps::ClapEvidence> = None;
    let (mut looked_again, mut asked_timecode) = (false, false);
    loop {
        let more = compare(heard, &groups, &compared, &options.pair, options.in_depth_s(), &range_s, progress)?;
        compared.extend(more);
        compared.sort_by_key(|c| (c.a, c.b));
        // Names alone may have joined two devices: what shares sound ran at the same time.
        let shares = |a: usize, b: usize| compared.iter().any(|c| (c.a, c.b) == (a, b) && c.is_placed());
        if chapters::split_overlapping(&mut groups, shares) {
            continue;
        }
        let mut solved = solve(probed, &groups, heard, &compared, options)?;
        if chapters::split_refuted(&mut groups, &solved.maps, &solved.events, &solved.lengths_s) {
            continue;
        }
        if !std::mem::replace(&mut looked_again, true)
            && look_again(&mut compared, &solved, heard, &groups, options, &range_s, progress)?
        {
            continue;
        }
        let before = compared.len();
        if let (None, Some(found)) = (&told, found) {
            let known = claps::Known { found, probed, groups: &groups, heard, compared: &compared, solved: &solved };
            let mut new = claps::ask(&known, options, progress)?;
            compared.append(&mut new.compared);
            compared.sort_by_key(|c| (c.a, c.b));
            told = Some(new);
        }
        if compared.len() > before {
            continue;
        }
        if !std::mem::replace(&mut asked_timecode, true) {
            let recording = |f: usize| groups.iter().position(|g| g.files.contains(&f));
            compared.extend(timecode::place(&solved, probed, heard, recording));
            compared.sort_by_key(|c| (c.a, c.b));
            if compared.len() > before {
                continue;
            }
        }
        timecode::say(&mut solved.alignment, probed, heard, &compared);
        for (file, note) in told.iter().flat_map(|t| &t.notes) {
            solved.note(&probed[*file].name, note);
        }
        for (file, line) in compared_how(&compared, probed.len()) {
            if solved.maps[file].is_none() {
                solved.note(&probed[file].name, &line);
            }
        }
        coeval::progress::step(progress, "solving", 1.0)?;
        return Ok((solved, compared));
    }
}

/// Files that not all others were compared with in depth, and how many were.
fn compared_how(compared: &[Compared], files: usize) -> impl Iterator<Item = (usize, String)> {
    (0..files).filter_map(move |file| {
        let with = || compared.iter().filter(|c| c.a == file || c.b == file);
        let (all, looked) = (with().count(), with().filter(|c| c.first_look_only).count());
        let line = format!(
            "compared in depth with {} of {all} files, the others got a first look only (the option in-depth sets how many)",
            all - looked
        );
        (looked > 0).then_some((file, line))
    })
}

/// Looks for what is unplaced between its neighbours, and among the files that only names join to it; whether anything was
/// found.
fn look_again(
    compared: &mut Vec<Compared>,
    solved: &solve::Solved,
    heard: &[Analysed],
    groups: &[chapters::Group],
    options: &Options,
    range_s: &(dyn Fn(usize, usize) -> Option<(f64, f64)> + Sync),
    progress: &dyn Progress,
) -> Result<bool> {
    let narrowed_s = |a: usize, b: usize| {
        let range = *solved.narrowed_s.get(&(a, b))?;
        let trusted = range_s(a, b).unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        Some((range.0.max(trusted.0), range.1.min(trusted.1))).filter(|r| r.0 < r.1)
    };
    let open = |c: &mut Compared| !c.is_placed() && narrowed_s(c.a, c.b).is_some();
    let mut open: Vec<Compared> = compared.extract_if(.., open).collect();
    let mut found = Vec::new();
    if !open.is_empty() {
        found = compare(heard, groups, compared, &options.pair, options.in_depth_s(), &narrowed_s, progress)?;
        // What is not there either keeps its first reason.
        found.retain(Compared::is_placed);
        open.retain(|c| found.iter().all(|f| (f.a, f.b) != (c.a, c.b)));
    }
    let mut any = !found.is_empty();
    compared.extend(open.into_iter().chain(found));
    // At first only each file and the one that its name follows were compared.
    let place = compare::places(heard.len(), groups);
    let asked = |a: usize, b: usize| {
        let ((group_a, i), (group_b, j)) = (place[a], place[b]);
        let lost = solved.maps[a].is_none() || solved.maps[b].is_none();
        lost && group_a == group_b && groups[group_a].by_names(i.min(j), i.max(j))
    };
    let more = compare::compare_asked(
        heard,
        groups,
        compared,
        &asked,
        (&options.pair, options.in_depth_s()),
        range_s,
        progress,
    )?;
    any |= more.iter().any(Compared::is_placed);
    compared.extend(more);
    compared.sort_by_key(|c| (c.a, c.b));
    Ok(any)
}

#[cfg(test)]
mod tests {
    use coeval::ErrorKind;
    use coeval::pair::PairOptions;
    use coeval::track::TrackBuilder;

    use super::*;

    fn track_file(name: &str, recording: &str, skip: usize) -> TrackFile {
        track_part(name, recording, skip, 12 * 16_000 + skip)
    }

    #[test]
    fn two_tracks_alone_and_in_a_shoot_have_one_verdict() {
        use coeval::pair::Aligner;
        let bow = track_file("bow", "x", 0);
        let strange = {
            // Another event: the same bursts of another generator.
            let mut noise = 7u32;
            let sound: Vec<f32> = (0..12 * 16_000)
                .map(|i| {
                    noise = noise.wrapping_mul(1_103_515_245).wrapping_add(12_345);
                    let x = (noise >> 16) as f32 / 32_768.0 - 1.0;
                    if i / 3100 % 4 == 0 { x } else { x / 64.0 }
                })
                .collect();
            let mut builder = TrackBuilder::new(16_000.0, 1).unwrap();
            builder.push(&sound).unwrap();
            TrackFile { track: builder.finish(), ..bow.clone() }
        };
        for other in [track_file("stern", "y", 24_000), track_part("short", "y", 80_000, 100_000), strange] {
            for kind in [Kind::Recorder, Kind::Camera] {
                let tracks = [
                    TrackFile { name: "a".into(), recording: "a".into(), kind, track: bow.track.clone() },
                    TrackFile { name: "b".into(), recording: "b".into(), kind, track: other.track.clone() },
                ];
                let none: &[&str] = &[];
                let shoot = align_with(none, &tracks, &Options::default(), &()).unwrap();
                let pair = Aligner::new(PairOptions::default()).unwrap();
                match pair.align(&tracks[0].track, &tracks[1].track, &()).unwrap() {
                    PairOutcome::Placed(pair) => {
                        let (a, b) = (shoot.map("a").unwrap(), shoot.map("b").unwrap());
                        let apart_s = b.forward(0.0) - a.forward(pair.map.offset_s());
                        assert!(apart_s.abs() < 1e-5, "{}: {apart_s}", other.name);
                        let sure = shoot.files().filter_map(|f| f.confidence).fold(1.0, f64::min);
                        assert!((sure - pair.confidence).abs() < 1e-9, "{sure} {}", pair.confidence);
                    }
                    PairOutcome::Unplaced(_) => {
                        assert_eq!(shoot.files().filter(|f| f.is_placed()).count(), 1, "{}", other.name);
                    }
                }
            }
        }
    }

    fn track_part(name: &str, recording: &str, skip: usize, end: usize) -> TrackFile {
        // A linear congruential generator's high bits, in bursts.
        let mut state = 1u64;
        let sound: Vec<f32> = (0..end)
            .map(|i| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let x = (state >> 40) as f32 / (1u64 << 24) as f32 - 0.5;
                if i / 4800 % 3 == 0 { x } else { x / 64.0 }
            })
            .skip(skip)
            .collect();
        let mut builder = TrackBuilder::new(16_000.0, 1).unwrap();
        builder.push(&sound).unwrap();
        TrackFile { name: name.into(), recording: recording.into(), kind: Kind::Recorder, track: builder.finish() }
    }

    #[test]
    fn a_file_that_was_only_looked_at_says_so() {
        let noise = |name: &str, seed: u64| {
            let mut state = seed;
            let sound: Vec<f32> = (0..16_000 * 20)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    (state >> 40) as f32 / (1u64 << 24) as f32 - 0.5
                })
                .collect();
            let mut builder = TrackBuilder::new(16_000.0, 1).unwrap();
            builder.push(&sound).unwrap();
            TrackFile { name: name.into(), recording: name.into(), kind: Kind::Camera, track: builder.finish() }
        };
        let tracks = [noise("quay", 1), noise("slip", 2), noise("shed", 3), noise("mole", 4)];
        let none: &[&str] = &[];
        let reasons = |in_depth_h: f64| -> Vec<String> {
            let options = Options { in_depth_h, ..Options::default() };
            let alignment = align_with(none, &tracks, &options, &()).unwrap();
            alignment.files().filter_map(|f| f.reason.clone()).collect()
        };
        let all = reasons(Options::default().in_depth_h);
        assert!(all.len() >= 3 && all.iter().all(|r| !r.contains("in depth")), "{all:?}");
        let looked = reasons(0.0);
        assert!(looked.iter().all(|r| r.contains("in depth with 0 of 3 files")), "{looked:?}");
        // A pair is 40 s of sound: two of the six are compared.
        let some = reasons(100.0 / 3600.0);
        let compared = |r: &String| (0..3).find(|n| r.contains(&format!("in depth with {n} of 3 files"))).unwrap();
        assert!(some.iter().map(compared).sum::<usize>() >= 2 && some.len() == all.len(), "{some:?}");
    }

    #[test]
    fn tracks_without_files_are_placed_under_their_own_names() {
        let tracks = [track_file("bow", "rec-bow", 0), track_file("stern", "rec-stern", 24_000)];
        let none: &[&str] = &[];
        let alignment = align_with(none, &tracks, &Options::default(), &()).unwrap();
        let start_s = |name| alignment.map(name).unwrap().forward(0.0);
        assert!((start_s("stern") - start_s("bow") - 1.5).abs() < 1e-5);
        assert_eq!(alignment.recording("rec-stern").unwrap().kind, Kind::Recorder);

        let error = align_with(none, &[], &Options::default(), &()).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::InvalidArgument);
        for bad in ["bow", "b*", ""] {
            let error =
                align_with(none, &[track_file("bow", "x", 0), track_file(bad, "y", 0)], &Options::default(), &());
            assert_eq!(error.unwrap_err().kind(), ErrorKind::InvalidArgument, "{bad}");
        }
    }

    #[test]
    fn distances_are_taken_back_and_loops_close() {
        let tracks = [
            track_file("bow", "rec-bow", 0),
            track_file("stern", "rec-stern", 24_000),
            track_file("mast", "rec-mast", 8_000),
        ];
        let none: &[&str] = &[];
        let align = |distances_m: Vec<(String, f64)>| {
            align_with(none, &tracks, &Options { distances_m, ..Options::default() }, &())
        };
        let later_s = |alignment: &Alignment| {
            alignment.map("stern").unwrap().forward(0.0) - alignment.map("bow").unwrap().forward(0.0)
        };
        let near = align(vec![]).unwrap();
        let [one] = &near.loops[..] else { panic!("{:?}", near.loops) };
        assert_eq!(one.files.each_ref().map(String::as_str), ["bow", "stern", "mast"]);
        assert!(one.closure_s.abs() < 1e-5, "{one:?}");
        assert_eq!(Alignment::from_json(&near.to_json().unwrap()).unwrap(), near);

        // 34.32 m are 0.1 s at 343.2 m/s: what the stern heard had been said so much earlier.
        let far = align(vec![("rec-stern".into(), 34.32)]).unwrap();
        assert!((later_s(&far) - later_s(&near) - 0.1).abs() < 1e-5, "{} {}", later_s(&far), later_s(&near));
        for bad in [-1.0, f64::NAN, 2000.0] {
            assert_eq!(align(vec![("stern".into(), bad)]).unwrap_err().kind(), ErrorKind::InvalidArgument, "{bad}");
        }
        assert_eq!(align(vec![("keel".into(), 1.0)]).unwrap_err().kind(), ErrorKind::InvalidArgument);
    }

    #[test]
    fn trusted_times_tell_where_to_look() {
        let at =
            |timecode_s, created_unix_s| Probed::new("x", Headers { timecode_s, created_unix_s, ..Headers::default() });
        // Timecode goes before the moment of creation, and passes midnight.
        let (a, b) = (at(Some(86_390.0), Some(1000)), at(Some(5.0), Some(5000)));
        assert_eq!(by_own_times(&a, &b, 2.0), Some((13.0, 17.0)));
        assert_eq!(by_own_times(&at(None, Some(1000)), &b, 10.0), Some((3990.0, 4010.0)));
        assert_eq!(by_own_times(&at(Some(1.0), None), &at(None, Some(7)), 10.0), None);

        let tracks = [track_file("bow", "rec-bow", 0), track_file("stern", "rec-stern", 24_000)];
        let groups: Vec<_> = (0..2).map(|f| chapters::Group::given(&tracks[f].name, Kind::Recorder, vec![f])).collect();
        let heard: Vec<Analysed> = tracks.iter().map(|t| Ok(Some(Sound::of(t)))).collect();
        // The stern starts 1.5 s later.
        for (range, placed) in [(None, true), (Some((1.0, 2.0)), true), (Some((3.0, 5.0)), false)] {
            let compared = compare(&heard, &groups, &[], &PairOptions::default(), 1e9, &|_, _| range, &()).unwrap();
            assert_eq!(matches!(compared[0].outcome, coeval::pair::PairOutcome::Placed(_)), placed, "{range:?}");
        }
        let options = Options { trusted_times_s: Some(-1.0), ..Options::default() };
        let none: &[&str] = &[];
        assert_eq!(align_with(none, &tracks, &options, &()).unwrap_err().kind(), ErrorKind::InvalidArgument);
    }

    #[test]
    fn what_is_unplaced_is_looked_for_between_its_neighbours() {
        use coeval::pair::Unplaced;
        let tracks = [
            track_part("first", "camera", 16_000, 5 * 16_000),
            track_part("second", "camera", 6 * 16_000, 11 * 16_000),
            track_file("recorder", "recorder", 0),
        ];
        let groups = [
            chapters::Group::given("camera", Kind::Camera, vec![0, 1]),
            chapters::Group::given("recorder", Kind::Recorder, vec![2]),
        ];
        let headers = |t: &TrackFile| Headers { duration_s: t.track.duration_s(), ..Headers::default() };
        let probed: Vec<Probed> = tracks.iter().map(|t| Probed::new(&t.name, headers(t))).collect();
        let heard: Vec<Analysed> = tracks.iter().map(|t| Ok(Some(Sound::of(t)))).collect();
        let options = Options::default();
        let nothing = |_: usize, _: usize| None;
        let mut compared = compare(&heard, &groups, &[], &options.pair, 1e9, &nothing, &()).unwrap();
        let there = compared[1].outcome.clone();
        compared[1].outcome = PairOutcome::Unplaced(Unplaced::OnlyPeriodicSound);
        let solved = solve(&probed, &groups, &heard, &compared, &options).unwrap();
        assert!(solved.maps[1].is_none());

        // Where the user's own times forbid it, it keeps its reason.
        let elsewhere = |_: usize, _: usize| Some((1000.0, 1001.0));
        assert!(!look_again(&mut compared, &solved, &heard, &groups, &options, &elsewhere, &()).unwrap());
        assert!(matches!(compared[1].outcome, PairOutcome::Unplaced(Unplaced::OnlyPeriodicSound)));

        assert!(look_again(&mut compared, &solved, &heard, &groups, &options, &nothing, &()).unwrap());
        let offset_s = |outcome: &PairOutcome| match outcome {
            PairOutcome::Placed(p) => p.map.offset_s(),
            PairOutcome::Unplaced(why) => panic!("{}", why.as_str()),
        };
        assert!((offset_s(&compared[1].outcome) - offset_s(&there)).abs() < 1e-5);
    }

    #[test]
    fn anchors_are_held_against_the_sound_and_place_what_it_cannot() {
        use coeval::network::Force;
        let silent = |name: &str| {
            let mut builder = TrackBuilder::new(16_000.0, 1).unwrap();
            builder.push(&[0.0; 16_000 * 6]).unwrap();
            TrackFile { name: name.into(), recording: name.into(), kind: Kind::Camera, track: builder.finish() }
        };
        let tracks = [track_file("bow", "rec-bow", 0), track_file("stern", "rec-stern", 24_000), silent("mast")];
        let none: &[&str] = &[];
        let align =
            |anchors: Vec<Anchor>| align_with(none, &tracks, &Options { anchors, ..Options::default() }, &()).unwrap();
        assert!(!align(vec![]).file("mast").unwrap().is_placed());

        // The stern starts 1.5 s late; this anchor says 3.5 s. Another holds the silent camera.
        let wrong = Anchor::new("bow", 5.5, "stern", 2.0);
        let only = Anchor::new("stern", 3.0, "mast", 1.0);
        let soft = align(vec![wrong.clone(), only.clone()]);
        let start_s = |alignment: &Alignment, name: &str| alignment.map(name).unwrap().forward(0.0);
        assert!((start_s(&soft, "stern") - start_s(&soft, "bow") - 1.5).abs() < 1e-4);
        assert!((start_s(&soft, "mast") - start_s(&soft, "bow") - 3.5).abs() < 1e-3);
        let [check, mast] = &soft.anchors[..] else { panic!() };
        assert!(check.contradicted && !check.used && (check.disagreement_s.unwrap() - 2.0).abs() < 1e-3, "{check:?}");
        assert!(mast.used && mast.disagreement_s.is_none());
        let said = soft.file("stern").unwrap().warnings.join(" ");
        assert!(
            said.contains("the sound contradicts the anchor")
                && said.contains("by +2.000 s")
                && said.contains("is not used"),
            "{said}"
        );

        let hard = align(vec![Anchor { force: Force::Hard, ..wrong }, only]);
        assert!((start_s(&hard, "stern") - start_s(&hard, "bow") - 3.5).abs() < 1e-3);
        let check = &hard.anchors[0];
        assert!(check.used && check.contradicted && (check.disagreement_s.unwrap() - 2.0).abs() < 1e-3, "{check:?}");
        let stern = hard.file("stern").unwrap();
        assert!(stern.warnings.join(" ").contains("because it is hard"), "{:?}", stern.warnings);
        assert!(stern.confidence.unwrap() < 0.1, "{:?}", stern.confidence);
        let again = Alignment::from_json(&hard.to_json().unwrap()).unwrap();
        assert_eq!(again, hard);
    }
}
