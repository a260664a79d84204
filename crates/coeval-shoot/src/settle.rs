//! Pairs -> one clock -> the result contract.

use std::collections::BTreeMap;

use coeval::clock::ClockMap;
use coeval::network::{self, AnchorReport, Choice, Force, Link, LinkReport, LoopClosure, Node, Placement, Solution};
use coeval::pair::{PairOutcome, Unplaced};
use coeval::{Error, ErrorKind, Result};

use crate::Options;
use crate::alignment::{
    Alignment, AnchorCheck, Event, EvidenceKind, File, Generator, Jump, Kind, Loop, Pair, PlacedBy, Recording, SCHEMA,
    SoundPath, Status, Stretch, Timeline,
};
use crate::anchors::{self, Resolved};
use crate::chapters::{Group, matching};
use crate::headers::{Probed, slowed_words};
use crate::neighbours::{self, Known};
use crate::proof::{self, Measured};
use crate::sound::{Compared, Heard, Sound, audible};
use crate::times;

/// The outcome of [`settle`].
#[derive(Debug)]
#[non_exhaustive]
pub struct Settled {
    /// The result.
    pub alignment: Alignment,
    /// Each file's map onto the timeline of its event, in the order of the sources; `None` where neither sound nor an
    /// anchor places it.
    pub maps: Vec<Option<ClockMap>>,
    /// Each such file's event, from 1.
    pub events: Vec<Option<usize>>,
    /// Each file's length, seconds; 0 where it is not known.
    pub lengths_s: Vec<f64>,
    /// Files `a` < `b` of which one is unplaced, and where `b` can lie in `a` by the neighbours of that one
    /// ([`network::between_neighbours`]).
    pub narrowed_s: BTreeMap<(usize, usize), (f64, f64)>,
}

impl Settled {
    /// Adds a line to what is said of a file; where it is unplaced, to the reason.
    pub(crate) fn note(&mut self, name: &str, line: &str) {
        let mut files = self.alignment.recordings.iter_mut().flat_map(|r| &mut r.files);
        if let Some(file) = files.find(|f| f.path == name) {
            match &mut file.reason {
                Some(reason) => reason.push_str(&format!("; {line}")),
                None => file.warnings.push(line.to_owned()),
            }
        }
    }
}

/// Solves all files together and writes down the result. Of the options the reference clock, the anchors and the
/// distances count.
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when `main` names nothing, or files of several recordings,
/// when a distance names nothing, and when an anchor names no file, several, or a moment outside its file.
pub fn settle(
    probed: &[Probed],
    groups: &[Group],
    heard: &[Heard],
    compared: &[Compared],
    options: &Options,
) -> Result<Settled> {
    let mut recording_of = vec![0; probed.len()];
    for (index, group) in groups.iter().enumerate() {
        group.files.iter().for_each(|&f| recording_of[f] = index);
    }
    let length = |f: usize| match &heard[f] {
        Ok(Some(sound)) => sound.duration_s,
        _ => probed[f].info.as_ref().ok().map(|i| i.duration_s).filter(|d| d.is_finite()).unwrap_or(0.0),
    };
    let anchors = anchors::resolve(&options.anchors, probed, |f| Some(length(f)).filter(|&l| l > 0.0))?;
    // The solver sees the files that have sound to place, or something else that holds them.
    let held = |f: usize| {
        anchors.iter().any(|x| x.anchor.a == f || x.anchor.b == f)
            || compared.iter().any(|c| (c.a == f || c.b == f) && matches!(c.outcome, PairOutcome::Placed(_)))
    };
    let files: Vec<usize> = (0..probed.len()).filter(|&f| audible(&heard[f]).is_some() || held(f)).collect();
    let mut node_of = vec![usize::MAX; probed.len()];
    files.iter().enumerate().for_each(|(node, &f)| node_of[f] = node);
    let distance_m = distances(&options.distances_m, probed, groups)?;
    let nodes: Vec<Node> = files
        .iter()
        .map(|&f| Node {
            recording: recording_of[f],
            duration_s: length(f),
            is_camera: groups[recording_of[f]].kind == Kind::Camera,
            distance_m: distance_m[recording_of[f]],
        })
        .collect();
    let links: Vec<Link> = compared
        .iter()
        .filter_map(|c| match &c.outcome {
            PairOutcome::Placed(alignment) => {
                Some(Link { a: node_of[c.a], b: node_of[c.b], alignment: (**alignment).clone() })
            }
            PairOutcome::Unplaced(_) => None,
        })
        .collect();
    let tied: Vec<network::Anchor> = anchors
        .iter()
        .map(|x| network::Anchor { a: node_of[x.anchor.a], b: node_of[x.anchor.b], ..x.anchor })
        .collect();
    let main = options.main.as_deref().map(|main| named(main, probed, groups, &recording_of)).transpose()?;
    if let Some(main) = main.filter(|&m| !nodes.is_empty() && nodes.iter().all(|n| n.recording != m)) {
        return Err(Error::invalid(format!("{} has no sound and cannot be the reference clock", groups[main].id))
            .with_remedy("name another recording"));
    }
    let choice = network::choose(&nodes, &links)?;
    let found = events(groups, &nodes, &links, &choice, &tied, main);
    let mut event_of: Vec<Option<usize>> = vec![None; probed.len()];
    let mut placements: Vec<Result<Placement, String>> = (0..probed.len())
        .map(|file| match (&probed[file].info, &heard[file]) {
            (Err(e), _) => Err(reason_of(e)),
            // An anchor may hold what cannot be heard.
            (_, Err(e)) if node_of[file] == usize::MAX => Err(reason_of(e)),
            (_, Ok(None)) if node_of[file] == usize::MAX => Err("not read".to_owned()),
            // The solver does not see silent files.
            _ if node_of[file] == usize::MAX => Err(why(Unplaced::Silent).to_owned()),
            _ => Err(why(sharper(Unplaced::NoCommonSound, file, compared)).to_owned()),
        })
        .collect();
    let mut solution = Solved::nothing(links.len(), &tied);
    for (number, event) in (1..).zip(&found) {
        let part = network::solve_within(&nodes, &links, &tied, &choice, &event.nodes, event.clock)?;
        for (node, placement) in event.nodes.iter().zip(event.nodes.iter().map(|&n| &part.placements[n])) {
            let file = files[*node];
            match placement {
                Ok(placement) => {
                    placements[file] = Ok(placement.clone());
                    event_of[file] = Some(number);
                }
                Err(unplaced) => placements[file] = Err(why(sharper(*unplaced, file, compared)).to_owned()),
            }
        }
        solution.add(part, &links, &tied, &event.nodes);
    }
    let events_by_sound = event_of.clone();
    let refused = refused(&links, &choice, |node| event_of[files[node]]);
    let mut carried = vec![false; probed.len()];
    for group in groups {
        let places = neighbours::carried(group, |f| match (&placements[f], event_of[f]) {
            (Ok(placement), Some(event)) => Known::Placed(placement, event),
            _ if probed[f].info.is_ok() && heard[f].is_ok() && length(f) > 0.0 => Known::Open(length(f)),
            _ => Known::Nothing,
        });
        for place in places {
            placements[place.file] = Ok(place.placement);
            event_of[place.file] = Some(place.event);
            carried[place.file] = true;
        }
    }
    let silent = |f: usize| {
        let nothing_heard = match &heard[f] {
            Err(e) => e.kind() == ErrorKind::NoSound,
            Ok(sound) => sound.is_some() && audible(&heard[f]).is_none(),
        };
        placements[f].is_err() && nothing_heard && probed[f].info.as_ref().is_ok_and(|i| i.picture.is_some())
    };
    let by_sound = |f: usize| Some((placements[f].as_ref().ok().filter(|_| !carried[f])?, event_of[f]?));
    let (by_times, notes) = times::placed(probed, silent, by_sound);
    for (file, note) in notes {
        if let Err(reason) = &mut placements[file] {
            reason.push_str(&format!("; {note}"));
        }
    }
    let mut timed = vec![false; probed.len()];
    for place in by_times {
        placements[place.file] = Ok(place.placement);
        event_of[place.file] = Some(place.event);
        (carried[place.file], timed[place.file]) = (true, true);
    }
    let clock_files = |event: Option<usize>| -> &[usize] {
        event.and_then(|e| found.get(e - 1)).and_then(|e| groups.get(e.clock)).map_or(&[], |g| &g.files)
    };
    for (number, event) in (1..).zip(&found) {
        let frame_s = frame_length_s(probed, &groups[event.clock]);
        let mine = |f: usize| event_of[f] == Some(number);
        shift_to_zero(&mut placements, mine, clock_files(Some(number)), frame_s);
    }
    let map_of = |f: usize| placements[f].as_ref().ok().map(|p| &p.map);
    let end_s = |event: usize| {
        let ends = (0..probed.len()).filter(|&f| event_of[f] == Some(event)).filter_map(map_of);
        ends.map(|m| m.knots()[m.knots().len() - 1].1).fold(0.0, f64::max)
    };
    let node_maps: Vec<Option<&ClockMap>> = files.iter().map(|&f| map_of(f).filter(|_| !carried[f])).collect();
    let by: Vec<EvidenceKind> =
        compared.iter().filter(|c| matches!(c.outcome, PairOutcome::Placed(_))).map(|c| c.by).collect();
    let measured = measurements(&links, &by, |link| solution.links[link].used, &node_maps);
    let checks = anchors.iter().zip(&solution.anchors).map(|(x, r)| anchor_entry(x, r, probed)).collect();
    let recordings: Vec<Recording> = groups
        .iter()
        .map(|group| Recording {
            id: group.id.clone(),
            kind: group.kind,
            event: only_event(group.files.iter().filter_map(|&f| event_of[f])).filter(|&e| e > 1),
            files: group
                .files
                .iter()
                .map(|&f| {
                    let mut entry = file_entry(&probed[f], &heard[f], &placements[f], f, compared);
                    let mine = anchors.iter().zip(&solution.anchors).filter(|(x, _)| x.anchor.b == f);
                    entry.warnings.extend(mine.filter_map(|(x, r)| anchor_warning(x, r)));
                    entry.event = event_of[f].filter(|&e| e > 1);
                    for link in refused.iter().filter(|l| files[l.b] == f || files[l.a] == f) {
                        let other = files[if files[link.b] == f { link.a } else { link.b }];
                        entry.warnings.push(format!(
                            "perhaps shares sound with {} of another event ({:.1} %), too little to join the two; an anchor \
                             would",
                            probed[other].name,
                            (link.alignment.confidence * 1e3).floor() / 10.0
                        ));
                    }
                    if timed[f] {
                        entry.placed_by = Some(PlacedBy::Times);
                        entry.warnings.push(by_times_words(&entry));
                    } else if carried[f] {
                        entry.placed_by = Some(PlacedBy::Neighbours);
                        entry.warnings.push(BY_NEIGHBOURS.to_owned());
                    }
                    if let Ok(placement) = &placements[f] {
                        let clock = clock_files(event_of[f]);
                        let claims = claims(f, &anchors, &solution.anchors, probed, &placements, clock);
                        let is_clock = clock.contains(&f) && !carried[f];
                        let mine = measured.get(node_of[f]).map_or(&[][..], Vec::as_slice);
                        entry.proof = Some(proof::of(placement, length(f), is_clock, mine, &claims));
                    }
                    entry
                })
                .collect(),
        })
        .collect();
    let clock = |event: usize| found.get(event - 1).and_then(|e| groups.get(e.clock)).map(|g| g.id.clone());
    let entry = |event: usize| Event {
        event,
        clock: clock(event).unwrap_or_default(),
        duration_s: end_s(event),
        recordings: groups
            .iter()
            .filter(|g| g.files.iter().any(|&f| event_of[f] == Some(event)))
            .map(|g| g.id.clone())
            .collect(),
    };
    // Without anything that could be placed the clock is a name only.
    let first = clock(1).or_else(|| groups.get(main.unwrap_or(0)).map(|g| g.id.clone())).unwrap_or_default();
    let alignment = Alignment {
        schema: SCHEMA.to_owned(),
        generator: Generator { name: "coeval".to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() },
        timeline: Timeline { clock: first, duration_s: end_s(1) },
        recordings,
        pairs: pair_entries(groups, &nodes, &links, &solution.links, &node_maps),
        anchors: checks,
        loops: loop_entries(&solution.loops, &files, probed),
        events: if found.len() > 1 { (1..=found.len()).map(entry).collect() } else { Vec::new() },
    };
    let mut narrowed_s = BTreeMap::new();
    for number in 1..=found.len() {
        // Times of two timelines say nothing of each other.
        let here = |f: usize| map_of(f).filter(|_| events_by_sound[f] == Some(number));
        let maps: Vec<Option<&ClockMap>> = files.iter().map(|&f| here(f)).collect();
        let placed_elsewhere = |node: usize| maps[node].is_none() && events_by_sound[files[node]].is_some();
        for (a, b) in (0..nodes.len()).flat_map(|b| (0..b).map(move |a| (a, b))) {
            if placed_elsewhere(a) || placed_elsewhere(b) {
                continue;
            }
            if let Some(range_s) = network::between_neighbours(&nodes, &maps, a, b) {
                narrowed_s.entry((files[a], files[b])).or_insert(range_s);
            }
        }
    }
    let lengths_s = (0..probed.len()).map(length).collect();
    let own = |(f, p): (usize, Result<Placement, String>)| p.ok().filter(|_| !carried[f]).map(|p| p.map);
    let maps = placements.into_iter().enumerate().map(own).collect();
    Ok(Settled { alignment, maps, events: events_by_sound, lengths_s, narrowed_s })
}

/// For every two events, the surest of the links that would join them and say too little.
fn refused<'l>(links: &'l [Link], choice: &Choice, event: impl Fn(usize) -> Option<usize>) -> Vec<&'l Link> {
    let mut surest: BTreeMap<(usize, usize), &Link> = BTreeMap::new();
    for (i, link) in links.iter().enumerate().filter(|&(i, _)| !choice.used[i] && !choice.contradicted[i]) {
        let (Some(a), Some(b)) = (event(link.a), event(link.b)) else { continue };
        let best = surest.entry((a.min(b), a.max(b))).or_insert(&links[i]);
        if a != b && link.alignment.confidence > best.alignment.confidence {
            *best = link;
        }
    }
    surest.into_iter().filter(|((a, b), _)| a != b).map(|(_, link)| link).collect()
}

/// What is said of a file that its take carries.
const BY_NEIGHBOURS: &str = "placed by its neighbours in the take, not by sound of its own";

/// What is said of a file that its device's times place.
fn by_times_words(file: &File) -> String {
    let sigma_s = file.uncertainty_s.unwrap_or(0.0);
    let slowed =
        file.picture.as_ref().and_then(slowed_words).map(|words| format!("; {words}: only its start is placed"));
    format!(
        "placed by its file's time and its device's clock, +-{sigma_s:.1} s, not by sound of its own{}",
        slowed.unwrap_or_default()
    )
}

/// The one event among these; `None` where there is none, or several.
fn only_event(mut events: impl Iterator<Item = usize>) -> Option<usize> {
    let first = events.next()?;
    events.all(|e| e == first).then_some(first)
}

/// What the solutions of all events say together.
struct Solved {
    links: Vec<LinkReport>,
    anchors: Vec<AnchorReport>,
    loops: Vec<LoopClosure>,
}

impl Solved {
    fn nothing(links: usize, anchors: &[network::Anchor]) -> Self {
        Self {
            links: vec![LinkReport { used: false, misfit_s: 0.0 }; links],
            anchors: anchors.iter().map(AnchorReport::unheard).collect(),
            loops: Vec::new(),
        }
    }

    /// Takes over what the solution of some files says.
    fn add(&mut self, part: Solution, links: &[Link], anchors: &[network::Anchor], within: &[usize]) {
        let inside = |a: usize, b: usize| within.contains(&a) && within.contains(&b);
        for ((mine, new), link) in self.links.iter_mut().zip(part.links).zip(links) {
            if inside(link.a, link.b) {
                *mine = new;
            }
        }
        for ((mine, new), anchor) in self.anchors.iter_mut().zip(part.anchors).zip(anchors) {
            if inside(anchor.a, anchor.b) {
                *mine = new;
            }
        }
        self.loops.extend(part.loops);
    }
}

/// Files of the solver that are one event, ascending, and the recording whose clock its timeline takes.
struct Found {
    nodes: Vec<usize>,
    clock: usize,
}

/// The events of a shoot: files that sound or anchors hold together, those of most files first, then of most sound. Where the
/// user chose a clock, its event is the first. Without any, a recording by itself, so that there is a timeline.
fn events(
    groups: &[Group],
    nodes: &[Node],
    links: &[Link],
    choice: &Choice,
    anchors: &[network::Anchor],
    main: Option<usize>,
) -> Vec<Found> {
    let mut set = choice.set.clone();
    for x in anchors {
        let (keep, drop) = (set[x.a].min(set[x.b]), set[x.a].max(set[x.b]));
        set.iter_mut().filter(|s| **s == drop).for_each(|s| *s = keep);
    }
    let mut sets: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    set.iter().enumerate().for_each(|(node, &s)| sets.entry(s).or_default().push(node));
    let of_main = |list: &[usize]| list.iter().filter(|&&n| Some(nodes[n].recording) == main).count();
    // Of the events that the user's clock has files in, the one with most of them.
    let most = sets.values().map(|list| of_main(list)).max().unwrap_or(0);
    let chosen = sets
        .values()
        .filter(|list| most > 0 && of_main(list) == most)
        .max_by(|x, y| x.len().cmp(&y.len()).then(y[0].cmp(&x[0])));
    let chosen = chosen.map(|list| list[0]);
    let sound_s = |list: &[usize]| list.iter().map(|&n| nodes[n].duration_s).sum::<f64>();
    let mut all: Vec<Vec<usize>> = sets.into_values().filter(|l| l.len() > 1 || Some(l[0]) == chosen).collect();
    all.sort_by(|x, y| {
        (Some(y[0]) == chosen)
            .cmp(&(Some(x[0]) == chosen))
            .then(y.len().cmp(&x.len()))
            .then(sound_s(y).total_cmp(&sound_s(x)))
            .then(x[0].cmp(&y[0]))
    });
    if all.is_empty() {
        // Nothing hangs together: the timeline is that of one recording, by its first file.
        let everything: Vec<usize> = (0..nodes.len()).collect();
        let Some(clock) = clock_of(groups, nodes, links, choice, &everything) else { return Vec::new() };
        let first = everything.into_iter().find(|&n| nodes[n].recording == clock);
        return first.map(|n| Found { nodes: vec![n], clock }).into_iter().collect();
    }
    let found = |(i, list): (usize, Vec<usize>)| {
        let clock = main.filter(|_| i == 0 && chosen.is_some());
        let clock = clock.or_else(|| clock_of(groups, nodes, links, choice, &list))?;
        Some(Found { nodes: list, clock })
    };
    all.into_iter().enumerate().filter_map(found).collect()
}

/// Two takes cover an event alike where they differ by no more than this part of the longer.
const COVERS_ALIKE: f64 = 0.05;

/// The reference clock of an event where nobody chose: the recording that covers most of it; cameras before recorders
/// where they cover alike. A clock that only an anchor ties to the others tells nobody's drift and comes last.
fn clock_of(groups: &[Group], nodes: &[Node], links: &[Link], choice: &Choice, within: &[usize]) -> Option<usize> {
    let covers_s =
        |g: usize| -> f64 { within.iter().filter(|&&n| nodes[n].recording == g).map(|&n| nodes[n].duration_s).sum() };
    let used = || links.iter().zip(&choice.used).filter(|(_, u)| **u).map(|(l, _)| l);
    let heard = |g: usize| {
        let mine = |n: usize| nodes[n].recording == g && within.contains(&n);
        used().any(|l| mine(l.a) || mine(l.b))
    };
    let mut of: Vec<(usize, f64)> = (0..groups.len()).map(|g| (g, covers_s(g))).collect();
    of.retain(|&(g, _)| within.iter().any(|&n| nodes[n].recording == g));
    if of.iter().any(|&(g, _)| heard(g)) {
        of.retain(|&(g, _)| heard(g));
    }
    let most_s = of.iter().map(|x| x.1).fold(0.0, f64::max);
    of.retain(|x| x.1 >= (1.0 - COVERS_ALIKE) * most_s);
    let is_camera = |g: usize| groups[g].kind == Kind::Camera;
    of.sort_by(|x, y| is_camera(y.0).cmp(&is_camera(x.0)).then(y.1.total_cmp(&x.1)).then(x.0.cmp(&y.0)));
    of.first().map(|x| x.0)
}

/// For each file of the solver, its measurements against the result.
fn measurements(
    links: &[Link],
    by: &[EvidenceKind],
    used: impl Fn(usize) -> bool,
    maps: &[Option<&ClockMap>],
) -> Vec<Vec<Measured>> {
    let mut of_file: Vec<Vec<Measured>> = vec![Vec::new(); maps.len()];
    for ((_, link), &by) in links.iter().enumerate().zip(by).filter(|((i, _), _)| used(*i)) {
        if let (Some(a), Some(b)) = (maps[link.a], maps[link.b]) {
            for e in &link.alignment.evidence {
                let off = a.forward(e.a_s) - b.forward(e.b_s);
                of_file[link.a].push(Measured { file_s: e.a_s, residual_s: -off, by });
                of_file[link.b].push(Measured { file_s: e.b_s, residual_s: off, by });
            }
        }
    }
    of_file
}

/// What anchors and timecode say about a file's timeline time, minus the result.
fn claims(
    file: usize,
    anchors: &[Resolved],
    reports: &[AnchorReport],
    probed: &[Probed],
    placements: &[Result<Placement, String>],
    clock_files: &[usize],
) -> Vec<(EvidenceKind, f64)> {
    let mut claims = Vec::new();
    for (x, r) in anchors.iter().zip(reports) {
        if let Some(off) = r.misfit_s {
            if x.anchor.b == file {
                claims.push((EvidenceKind::Anchors, off));
            } else if x.anchor.a == file {
                claims.push((EvidenceKind::Anchors, -off));
            }
        }
    }
    // Timecode of the timeline's zero by this file, and by the clock's first file that has one.
    let zero = |f: usize| {
        let at_s = probed[f].info.as_ref().ok()?.timecode_s?;
        Some(at_s - placements[f].as_ref().ok()?.map.forward(0.0))
    };
    let reference = clock_files.iter().find(|&&f| zero(f).is_some());
    if let Some((&reference, mine)) = reference.filter(|&&r| r != file).zip(zero(file)) {
        let off = mine - zero(reference).unwrap_or(mine);
        // Clocks of the day pass midnight.
        claims.push((EvidenceKind::Timecode, (off + 43_200.0).rem_euclid(86_400.0) - 43_200.0));
    }
    claims
}

fn anchor_entry(resolved: &Resolved, report: &AnchorReport, probed: &[Probed]) -> AnchorCheck {
    let anchor = &resolved.anchor;
    AnchorCheck {
        a: probed[anchor.a].name.clone(),
        a_s: anchor.a_s,
        b: probed[anchor.b].name.clone(),
        b_s: anchor.b_s,
        hard: anchor.force == Force::Hard,
        uncertainty_s: anchor.uncertainty_s,
        used: report.used,
        contradicted: report.contradicts,
        disagreement_s: report.disagreement_s,
        misfit_s: report.misfit_s,
    }
}

/// What a person must know about an anchor that is not in order.
fn anchor_warning(resolved: &Resolved, report: &AnchorReport) -> Option<String> {
    let what = format!("the anchor {} = {}", resolved.a_words, resolved.b_words);
    match (report.disagreement_s, report.used) {
        (Some(off), used) if report.contradicts => Some(format!(
            "{what} is {off:+.3} s off by the sound (std. dev. {:.3} s); {}",
            report.uncertainty_s,
            match (used, resolved.anchor.force) {
                (true, _) => "it was obeyed against the sound because it is hard",
                (false, Force::Soft) => "the sound stays, the anchor was left out",
                (false, Force::Hard) => "it is hard, but other anchors contradict it as well",
            }
        )),
        (_, true) => None,
        (_, false) => Some(match report.misfit_s {
            Some(off) => format!("{what} is {off:+.3} s off by the other anchors and was left out"),
            None => format!("{what} was left out: other anchors contradict it, and no sound can tell"),
        }),
    }
}

/// The recording that the user named as main.
fn named(main: &str, probed: &[Probed], groups: &[Group], recording_of: &[usize]) -> Result<usize> {
    if let Some(index) = groups.iter().position(|g| g.id == main) {
        return Ok(index);
    }
    let files = matching(probed, main)?;
    let first = recording_of[files[0]];
    if files.iter().any(|&f| recording_of[f] != first) {
        return Err(Error::invalid(format!("`{main}` fits files of several recordings"))
            .with_remedy("name one recording as the reference clock"));
    }
    Ok(first)
}

/// Metres for each group.
fn distances(given: &[(String, f64)], probed: &[Probed], groups: &[Group]) -> Result<Vec<f64>> {
    let mut metres = vec![0.0; groups.len()];
    for (target, far) in given {
        if let Some(named) = groups.iter().find(|g| &g.id == target) {
            // A recording may have been split since it was named.
            let parts = groups.iter().enumerate().filter(|(_, g)| g.id == named.id || g.head == named.head);
            parts.for_each(|(index, _)| metres[index] = *far);
        } else {
            let files = matching(probed, target)?;
            let named = groups.iter().enumerate().filter(|(_, g)| g.files.iter().any(|f| files.contains(f)));
            named.for_each(|(index, _)| metres[index] = *far);
        }
    }
    Ok(metres)
}

/// Loops to tell, at the most: the worst.
const LOOPS: usize = 50;

fn loop_entries(loops: &[LoopClosure], files: &[usize], probed: &[Probed]) -> Vec<Loop> {
    let mut loops = loops.to_vec();
    loops.sort_by(|x, y| y.closure_s.abs().total_cmp(&x.closure_s.abs()).then(x.files.cmp(&y.files)));
    loops.truncate(LOOPS);
    loops
        .iter()
        .map(|l| Loop { files: l.files.map(|node| probed[files[node]].name.clone()), closure_s: l.closure_s })
        .collect()
}

/// Length of a frame of the recording's picture, seconds.
fn frame_length_s(probed: &[Probed], group: &Group) -> Option<f64> {
    let picture = group.files.iter().find_map(|&f| probed[f].info.as_ref().ok()?.picture.as_ref())?;
    let [num, den] = picture.frame_rate;
    (num > 0 && den > 0).then(|| f64::from(den) / f64::from(num))
}

/// Moves the zero of an event's timeline to its earliest start. With a picture, the clock's first file stays on whole
/// frames.
fn shift_to_zero(
    placements: &mut [Result<Placement, String>],
    mine: impl Fn(usize) -> bool,
    clock_files: &[usize],
    frame_s: Option<f64>,
) {
    let start = |f: usize| placements[f].as_ref().ok().filter(|_| mine(f)).map(|p| p.map.knots()[0].1);
    let earliest = (0..placements.len()).filter_map(start).fold(f64::INFINITY, f64::min);
    let Some(origin) = clock_files.iter().find_map(|&f| start(f)) else { return };
    let lead = origin - earliest;
    let lead = match frame_s {
        // A frame's worth of rounding in the lead itself must not add a frame.
        Some(frame_s) => (lead / frame_s - 1e-6).ceil().max(0.0) * frame_s,
        None => lead,
    };
    for (_, placement) in placements.iter_mut().enumerate().filter(|(f, _)| mine(*f)) {
        let Ok(placement) = placement else { continue };
        let moved = placement.map.knots().iter().map(|&(file, line)| (file, line - origin + lead)).collect();
        if let Ok(map) = ClockMap::from_knots(moved) {
            placement.map = map;
        }
    }
}

/// The solver knows only that nothing holds the file; the comparisons know why.
fn sharper(unplaced: Unplaced, file: usize, compared: &[Compared]) -> Unplaced {
    let reasons: Vec<Unplaced> = compared
        .iter()
        .filter(|c| c.a == file || c.b == file)
        .filter_map(|c| match c.outcome {
            PairOutcome::Unplaced(reason) => Some(reason),
            PairOutcome::Placed(_) => None,
        })
        .collect();
    let all = |reason| !reasons.is_empty() && reasons.iter().all(|&r| r == reason);
    match unplaced {
        Unplaced::NoCommonSound if all(Unplaced::TooShort) => Unplaced::TooShort,
        Unplaced::NoCommonSound if all(Unplaced::Silent) => Unplaced::Silent,
        Unplaced::NoCommonSound if reasons.contains(&Unplaced::BeyondDriftLimit) => Unplaced::BeyondDriftLimit,
        Unplaced::NoCommonSound if reasons.contains(&Unplaced::OnlyPeriodicSound) => Unplaced::OnlyPeriodicSound,
        other => other,
    }
}

/// Why, and what to do about it.
fn why(unplaced: Unplaced) -> &'static str {
    match unplaced {
        Unplaced::NoCommonSound => "no common sound with the other recordings; is it from this event?",
        Unplaced::TooShort => "too short to tell where it belongs; place it by hand",
        Unplaced::OnlyPeriodicSound => {
            "only periodic or repeated sound (an engine, mains hum, a prompt, a loop) in common, which fits in many \
             places; place it by hand"
        }
        Unplaced::BeyondDriftLimit => {
            "its clock differs from the others by more than the largest drift that was searched; was it converted from \
             another rate?"
        }
        Unplaced::Silent => "silent: the sound is one constant value; was the microphone connected?",
        other => other.as_str(),
    }
}

fn reason_of(error: &coeval::Error) -> String {
    match error.remedy() {
        Some(remedy) => format!("{}; {remedy}", error.message()),
        None => error.message().to_owned(),
    }
}

fn file_entry(
    probed: &Probed,
    heard: &Heard,
    placement: &Result<Placement, String>,
    file: usize,
    compared: &[Compared],
) -> File {
    let info = probed.info.as_ref().ok();
    let sound = heard.as_ref().ok().and_then(Option::as_ref);
    let mut warnings = sound.map_or_else(Vec::new, |s| s.warnings.clone());
    let pairs = |told: fn(&coeval::pair::PairAlignment) -> bool| {
        let mine = compared.iter().filter(|c| c.a == file || c.b == file);
        let mut placed = mine.filter_map(|c| match &c.outcome {
            PairOutcome::Placed(p) => Some(told(p)),
            PairOutcome::Unplaced(_) => None,
        });
        // Only when every partner says so is this file, and not the partner, the odd one.
        placed.next() == Some(true) && placed.all(|told| told)
    };
    if pairs(|p| p.rate_mixup) {
        warnings.push("its clock is 1000 ppm off: a mix-up of rates (1000/1001), not a bad clock".to_owned());
    }
    if info.and_then(|i| i.picture.as_ref()).is_some_and(|p| p.variable_rate) {
        warnings.push(
            "its picture has a variable frame rate: frames are counted at their mean rate, so that single pictures may \
             lie off; convert it to a constant rate before cutting"
                .to_owned(),
        );
    }
    let map = placement.as_ref().ok().map(|p| &p.map);
    File {
        path: probed.name.clone(),
        status: if map.is_some() { Status::Placed } else { Status::Unplaced },
        reason: placement.as_ref().err().cloned(),
        duration_s: sound.map(|s| s.duration_s).or(info.map(|i| i.duration_s)).filter(|d| d.is_finite()),
        confidence: placement.as_ref().ok().map(|p| p.confidence),
        uncertainty_s: placement.as_ref().ok().map(|p| p.uncertainty_s),
        offset_s: map.map(ClockMap::offset_s),
        drift_ppm: map.map(ClockMap::drift_ppm),
        knots: map.map_or_else(Vec::new, |m| m.knots().iter().map(|&(file, line)| [file, line]).collect()),
        jumps: map.map_or_else(Vec::new, |m| m.jumps().map(|(file_s, lost_s)| Jump { file_s, lost_s }).collect()),
        stretches: placement.as_ref().map_or_else(|_| Vec::new(), |p| p.stretches.iter().map(stretch_entry).collect()),
        event: None,
        placed_by: None,
        copy_of: None,
        better_sound_of: None,
        track_of: None,
        compared: sound.and_then(Sound::compared),
        picture: info.and_then(|i| i.picture.clone()),
        sound: info.and_then(|i| i.sound.clone()),
        created_unix_s: info.and_then(|i| i.created_unix_s),
        timecode: info.and_then(|i| i.timecode.clone()),
        ltc: None,
        ixml: info.and_then(|i| i.ixml.clone()),
        proof: None,
        warnings,
    }
}

fn stretch_entry(s: &coeval::pair::Stretch) -> Stretch {
    Stretch { from_s: s.from_s, to_s: s.to_s, confidence: s.confidence, uncertainty_s: s.uncertainty_s }
}

/// Residuals that a pair of recordings keeps.
const RESIDUALS: usize = 400;

/// File pairs summed up by recordings.
fn pair_entries(
    groups: &[Group],
    nodes: &[Node],
    links: &[Link],
    reports: &[LinkReport],
    maps: &[Option<&ClockMap>],
) -> Vec<Pair> {
    #[derive(Default)]
    struct Sum {
        overlap_s: f64,
        confidence: f64,
        squares: f64,
        evidence: usize,
        contradicted: bool,
        residuals: Vec<[f64; 2]>,
        paths: Vec<SoundPath>,
    }
    let mut sums: std::collections::BTreeMap<(usize, usize), Sum> = std::collections::BTreeMap::new();
    for (link, report) in links.iter().zip(reports) {
        let (a, b) = (nodes[link.a].recording, nodes[link.b].recording);
        let sum = sums.entry((a.min(b), a.max(b))).or_default();
        if !report.used {
            sum.contradicted = true;
            continue;
        }
        let evidence = &link.alignment.evidence;
        let sign = if a < b { 1.0 } else { -1.0 };
        // Those of the two files that say most.
        if link.alignment.confidence > sum.confidence && link.alignment.paths.len() > 1 {
            // Written to a microsecond, and to one in a million.
            let round = |x: f64| (x * 1e6).round() / 1e6;
            let path = |p: &coeval::SoundPath| SoundPath { delay_s: round(sign * p.delay_s), voices: round(p.voices) };
            sum.paths = link.alignment.paths.iter().map(path).collect();
        }
        sum.overlap_s += link.alignment.overlap_s;
        sum.confidence = sum.confidence.max(link.alignment.confidence);
        sum.squares += report.misfit_s * report.misfit_s * evidence.len() as f64;
        sum.evidence += evidence.len();
        if let (Some(map_a), Some(map_b)) = (maps[link.a], maps[link.b]) {
            sum.residuals.extend(evidence.iter().map(|e| {
                let at_s = map_b.forward(e.b_s);
                // Written to a millisecond and a microsecond.
                [(at_s * 1e3).round() / 1e3, (sign * (map_a.forward(e.a_s) - at_s) * 1e6).round() / 1e6]
            }));
        }
    }
    sums.into_iter()
        .map(|((a, b), mut sum)| {
            sum.residuals.sort_by(|x, y| x[0].total_cmp(&y[0]));
            let step = sum.residuals.len().div_ceil(RESIDUALS).max(1);
            Pair {
                a: groups[a].id.clone(),
                b: groups[b].id.clone(),
                overlap_s: sum.overlap_s,
                confidence: sum.confidence,
                residual_rms_s: if sum.evidence > 0 { (sum.squares / sum.evidence as f64).sqrt() } else { 0.0 },
                evidence: sum.evidence,
                contradicted: sum.contradicted,
                residuals: sum.residuals.into_iter().step_by(step).collect(),
                paths: sum.paths,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chapters::group;
    use crate::headers::tests::camera;

    #[test]
    fn a_variable_frame_rate_is_said() {
        let mut probed = vec![camera("steady.mp4", 10.0, None), camera("phone.mov", 10.0, None)];
        if let Ok(Some(picture)) = probed[1].info.as_mut().map(|i| i.picture.as_mut()) {
            picture.variable_rate = true;
        }
        let groups = group(&probed, &Default::default()).unwrap();
        let settled = settle(&probed, &groups, &[Ok(None), Ok(None)], &[], &Options::default()).unwrap();
        let said = |path: &str| settled.alignment.file(path).unwrap().warnings.join(" ");
        assert!(said("phone.mov").contains("variable frame rate"), "{}", said("phone.mov"));
        assert_eq!(said("steady.mp4"), "");
    }

    /// Recorders of two events, a camera in each, and a sentence that is in both.
    fn two_events(confidence: f64, options: &Options) -> Settled {
        use coeval::pair::{Evidence, PairAlignment};
        let tracks =
            [("r1", 0.0, 600.0), ("c1", 20.0, 100.0), ("r2", 0.0, 500.0), ("c2", 30.0, 100.0), ("c3", 0.0, 50.0)];
        let probed: Vec<Probed> = tracks
            .iter()
            .map(|t| match t.0.starts_with('c') {
                true => camera(&format!("{}.mp4", t.0), t.2, None),
                false => crate::headers::tests::recorder(&format!("{}.wav", t.0), t.2),
            })
            .collect();
        let groups: Vec<Group> = (0..5)
            .map(|f| Group::given(tracks[f].0, if f % 2 == 1 { Kind::Camera } else { Kind::Recorder }, vec![f]))
            .collect();
        let heard: Vec<Heard> = (0..5).map(|_| Ok(None)).collect();
        let pair = |a: usize, b: usize, offset_s: f64, confidence: f64| {
            let evidence = (0..20).map(|i| 1.0 + f64::from(i) * 2.0);
            let evidence = evidence.map(|b_s| Evidence { a_s: b_s + offset_s, b_s, sigma_s: 1e-4 }).collect();
            let map = ClockMap::linear(offset_s, 0.0, tracks[b].2);
            let mut placed = PairAlignment::from_parts(map, evidence, Vec::new());
            placed.confidence = confidence;
            Compared::new(a, b, PairOutcome::Placed(Box::new(placed)))
        };
        let compared = [pair(0, 1, 20.0, 0.9999), pair(1, 2, -300.0, confidence), pair(2, 3, 30.0, 0.9999)];
        settle(&probed, &groups, &heard, &compared, options).unwrap()
    }

    #[test]
    fn a_sentence_that_two_events_share_is_said_and_does_not_join_them() {
        let settled = two_events(0.97, &Options::default());
        let all = &settled.alignment;
        assert_eq!(settled.events, [Some(1), Some(1), Some(2), Some(2), None]);
        assert_eq!((all.events.len(), all.timeline.clock.as_str(), all.events[1].clock.as_str()), (2, "r1", "r2"));
        let start_s = all.event(2).unwrap().map("c2.mp4").unwrap().forward(0.0);
        assert!((start_s - 30.0).abs() < 1e-6, "{start_s}");
        for (name, other) in [("c1.mp4", "r2.wav"), ("r2.wav", "c1.mp4")] {
            let said = all.file(name).unwrap().warnings.join(" ");
            assert!(said.contains(other) && said.contains("97.0 %"), "{name}: {said}");
        }
        assert!(all.file("c2.mp4").unwrap().warnings.is_empty());
        // Surer, or by the user's word, they are one.
        assert!(two_events(0.9999, &Options::default()).alignment.events.is_empty());
        let anchors = vec![crate::Anchor::new("c1.mp4", 10.0, "r2.wav", 310.0)];
        let joined = two_events(0.97, &Options { anchors, ..Options::default() });
        assert_eq!(joined.events, [Some(1), Some(1), Some(1), Some(1), None]);
        assert!(joined.alignment.events.is_empty());
    }

    #[test]
    fn the_clock_is_what_covers_most_and_a_camera_where_it_covers_alike() {
        let node = |recording, duration_s| Node { recording, duration_s, is_camera: false, distance_m: 0.0 };
        let clock = |camera_s: f64| {
            let groups = [Group::given("cam", Kind::Camera, vec![0, 1]), Group::given("rec", Kind::Recorder, vec![2])];
            let nodes = [node(0, camera_s / 2.0), node(0, camera_s / 2.0), node(1, 1000.0)];
            let choice = network::choose(&nodes, &[]).unwrap();
            clock_of(&groups, &nodes, &[], &choice, &[0, 1, 2]).unwrap()
        };
        assert_eq!((clock(1200.0), clock(951.0), clock(949.0), clock(31.0)), (0, 0, 1, 1));
    }
}
