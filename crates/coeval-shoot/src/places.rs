//! Where every file lies, of each event on its own timeline: by sound and anchors, by its neighbours, by its device's times.

use std::collections::BTreeMap;

use coeval::clock::ClockMap;
use coeval::network::{self, AnchorReport, Choice, Link, LinkReport, LoopClosure, Node, Placement, Solution};
use coeval::pair::{PairOutcome, Unplaced};
use coeval::{Error, ErrorKind, Result};

use crate::Options;
use crate::alignment::{Kind, PlacedBy};
use crate::anchors::{self, Resolved};
use crate::chapters::{Group, matching};
use crate::compare::Compared;
use crate::headers::Probed;
use crate::neighbours::{self, Known};
use crate::sound::{Analysed, audible};
use crate::times;

/// A shoot as the solver takes it.
pub(crate) struct Shoot<'a> {
    pub(crate) probed: &'a [Probed],
    pub(crate) groups: &'a [Group],
    pub(crate) heard: &'a [Analysed],
    pub(crate) compared: &'a [Compared],
    /// Each file's recording.
    recording_of: Vec<usize>,
    /// Each file's length, seconds; 0 where it is not known.
    pub(crate) lengths_s: Vec<f64>,
    pub(crate) anchors: Vec<Resolved>,
    /// The files that the solver sees, in the order of its nodes, and each file's node.
    pub(crate) files: Vec<usize>,
    pub(crate) node_of: Vec<Option<usize>>,
    pub(crate) nodes: Vec<Node>,
    pub(crate) links: Vec<Link>,
    pub(crate) tied: Vec<network::Anchor>,
}

impl<'a> Shoot<'a> {
    pub(crate) fn new(
        probed: &'a [Probed],
        groups: &'a [Group],
        heard: &'a [Analysed],
        compared: &'a [Compared],
        options: &Options,
    ) -> Result<Self> {
        let mut recording_of = vec![0; probed.len()];
        for (index, group) in groups.iter().enumerate() {
            group.files.iter().for_each(|&f| recording_of[f] = index);
        }
        let length_s = |f: usize| match &heard[f] {
            Ok(Some(sound)) => sound.duration_s,
            _ => probed[f].info.as_ref().ok().map(|i| i.duration_s).filter(|d| d.is_finite()).unwrap_or(0.0),
        };
        let lengths_s: Vec<f64> = (0..probed.len()).map(length_s).collect();
        let anchors = anchors::resolve(&options.anchors, probed, |f| Some(lengths_s[f]).filter(|&l| l > 0.0))?;
        // The solver sees the files that have sound to place, or something else that holds them.
        let held = |f: usize| {
            anchors.iter().any(|x| x.anchor.a == f || x.anchor.b == f)
                || compared.iter().any(|c| (c.a == f || c.b == f) && c.is_placed())
        };
        let files: Vec<usize> = (0..probed.len()).filter(|&f| audible(&heard[f]).is_some() || held(f)).collect();
        let mut node_of = vec![None; probed.len()];
        files.iter().enumerate().for_each(|(node, &f)| node_of[f] = Some(node));
        let distance_m = distances(&options.distances_m, probed, groups)?;
        let node = |&f: &usize| Node {
            recording: recording_of[f],
            duration_s: lengths_s[f],
            is_camera: groups[recording_of[f]].kind == Kind::Camera,
            distance_m: distance_m[recording_of[f]],
        };
        let nodes = files.iter().map(node).collect();
        let link = |c: &Compared| match &c.outcome {
            PairOutcome::Placed(alignment) => {
                Some(Link { a: node_of[c.a]?, b: node_of[c.b]?, alignment: (**alignment).clone() })
            }
            PairOutcome::Unplaced(_) => None,
        };
        let links = compared.iter().filter_map(link).collect();
        let tied = anchors
            .iter()
            .filter_map(|x| Some(network::Anchor { a: node_of[x.anchor.a]?, b: node_of[x.anchor.b]?, ..x.anchor }))
            .collect();
        Ok(Self {
            probed,
            groups,
            heard,
            compared,
            recording_of,
            lengths_s,
            anchors,
            files,
            node_of,
            nodes,
            links,
            tied,
        })
    }

    /// The recording that the user named as the reference clock.
    pub(crate) fn main(&self, main: Option<&str>) -> Result<Option<usize>> {
        let main = main.map(|main| named(main, self.probed, self.groups, &self.recording_of)).transpose()?;
        match main.filter(|&m| !self.nodes.is_empty() && self.nodes.iter().all(|n| n.recording != m)) {
            Some(mute) => {
                let message = format!("{} has no sound and cannot be the reference clock", self.groups[mute].id);
                Err(Error::invalid(message).with_remedy("name another recording"))
            }
            None => Ok(main),
        }
    }

    /// Solves each event by itself.
    pub(crate) fn solve(&self, choice: &Choice, found: &[EventNodes]) -> Result<(Places, Reports)> {
        let mut places = Places {
            placements: (0..self.probed.len()).map(|f| Err(self.reason(f))).collect(),
            events: vec![None; self.probed.len()],
            lent: vec![None; self.probed.len()],
        };
        let mut reports = Reports::nothing(self.links.len(), &self.tied);
        for (number, event) in (1..).zip(found) {
            let part = network::solve_within(&self.nodes, &self.links, &self.tied, choice, &event.nodes, event.clock)?;
            for &node in &event.nodes {
                let file = self.files[node];
                match &part.placements[node] {
                    Ok(placement) => {
                        places.placements[file] = Ok(placement.clone());
                        places.events[file] = Some(number);
                    }
                    Err(unplaced) => {
                        places.placements[file] = Err(why(sharper(*unplaced, file, self.compared)).to_owned());
                    }
                }
            }
            reports.add(part, &self.links, &self.tied, &event.nodes);
        }
        Ok((places, reports))
    }

    /// Why a file has no place, where the solver does not say so.
    fn reason(&self, file: usize) -> String {
        match (&self.probed[file].info, &self.heard[file]) {
            (Err(e), _) => reason_of(e),
            // An anchor may hold what cannot be heard.
            _ if self.node_of[file].is_some() => why(sharper(Unplaced::NoCommonSound, file, self.compared)).to_owned(),
            (_, Err(e)) => reason_of(e),
            (_, Ok(None)) => "not read".to_owned(),
            // The solver does not see silent files.
            _ => why(Unplaced::Silent).to_owned(),
        }
    }

    /// A clip whose picture could be placed, and whose sound says nothing.
    fn is_silent_clip(&self, file: usize) -> bool {
        let nothing_heard = match &self.heard[file] {
            Err(e) => e.kind() == ErrorKind::NoSound,
            Ok(sound) => sound.is_some() && audible(&self.heard[file]).is_none(),
        };
        nothing_heard && self.probed[file].info.as_ref().is_ok_and(|i| i.picture.is_some())
    }

    /// The files whose clock the timeline of an event takes.
    pub(crate) fn clock_files(&self, found: &[EventNodes], event: Option<usize>) -> &'a [usize] {
        let clock = event.and_then(|e| found.get(e - 1)).and_then(|e| self.groups.get(e.clock));
        clock.map_or(&[], |g| &g.files)
    }
}

/// Where each file lies, or why it lies nowhere.
pub(crate) struct Places {
    pub(crate) placements: Vec<Result<Placement, String>>,
    /// Each placed file's event, from 1.
    pub(crate) events: Vec<Option<usize>>,
    /// What a place comes from that is neither the file's own sound nor an anchor.
    pub(crate) lent: Vec<Option<PlacedBy>>,
}

impl Places {
    /// Each file's map, whatever it comes from.
    pub(crate) fn map(&self, file: usize) -> Option<&ClockMap> {
        self.placements[file].as_ref().ok().map(|p| &p.map)
    }

    /// The map that sound or an anchor gives a file.
    pub(crate) fn own_map(&self, file: usize) -> Option<&ClockMap> {
        self.map(file).filter(|_| self.lent[file].is_none())
    }

    pub(crate) fn own_maps(&self) -> Vec<Option<ClockMap>> {
        (0..self.placements.len()).map(|f| self.own_map(f).cloned()).collect()
    }

    /// When the last file of an event ends, seconds.
    pub(crate) fn end_s(&self, event: usize) -> f64 {
        let files = (0..self.events.len()).filter(|&f| self.events[f] == Some(event));
        files.filter_map(|f| self.map(f)).map(|m| m.knots()[m.knots().len() - 1].1).fold(0.0, f64::max)
    }

    fn lend(&mut self, file: usize, placement: Placement, event: usize, by: PlacedBy) {
        self.placements[file] = Ok(placement);
        self.events[file] = Some(event);
        self.lent[file] = Some(by);
    }

    /// Chapters without evidence of their own lie between those that have some.
    pub(crate) fn carry(&mut self, shoot: &Shoot) {
        for group in shoot.groups {
            let places = neighbours::carried(group, |f| match (&self.placements[f], self.events[f]) {
                (Ok(placement), Some(event)) => Known::Placed(placement, event),
                _ if shoot.probed[f].info.is_ok() && shoot.heard[f].is_ok() && shoot.lengths_s[f] > 0.0 => {
                    Known::Open(shoot.lengths_s[f])
                }
                _ => Known::Nothing,
            });
            for place in places {
                self.lend(place.file, place.placement, place.event, PlacedBy::Neighbours);
            }
        }
    }

    /// Silent clips lie by their device's own times, as the sound of its other files shows them.
    pub(crate) fn trust_times(&mut self, shoot: &Shoot) {
        let silent = |f: usize| self.placements[f].is_err() && shoot.is_silent_clip(f);
        let by_sound =
            |f: usize| Some((self.placements[f].as_ref().ok().filter(|_| self.lent[f].is_none())?, self.events[f]?));
        let (by_times, notes) = times::placed(shoot.probed, silent, by_sound);
        for (file, note) in notes {
            if let Err(reason) = &mut self.placements[file] {
                reason.push_str(&format!("; {note}"));
            }
        }
        for place in by_times {
            self.lend(place.file, place.placement, place.event, PlacedBy::Times);
        }
    }

    /// The timeline of each event starts with its earliest file.
    pub(crate) fn start_at_zero(&mut self, shoot: &Shoot, found: &[EventNodes]) {
        for (number, event) in (1..).zip(found) {
            let frame_s = frame_length_s(shoot.probed, &shoot.groups[event.clock]);
            let events = &self.events;
            let mine = |f: usize| events[f] == Some(number);
            shift_to_zero(&mut self.placements, mine, shoot.clock_files(found, Some(number)), frame_s);
        }
    }
}

/// What the solutions of all events say together.
pub(crate) struct Reports {
    pub(crate) links: Vec<LinkReport>,
    pub(crate) anchors: Vec<AnchorReport>,
    pub(crate) loops: Vec<LoopClosure>,
}

impl Reports {
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
pub(crate) struct EventNodes {
    pub(crate) nodes: Vec<usize>,
    pub(crate) clock: usize,
}

/// The events of a shoot: files that sound or anchors hold together, those of most files first, then of most sound. Where the
/// user chose a clock, its event is the first. Without any, a recording by itself, so that there is a timeline.
pub(crate) fn events(
    groups: &[Group],
    nodes: &[Node],
    links: &[Link],
    choice: &Choice,
    anchors: &[network::Anchor],
    main: Option<usize>,
) -> Vec<EventNodes> {
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
        return first.map(|n| EventNodes { nodes: vec![n], clock }).into_iter().collect();
    }
    let found = |(i, list): (usize, Vec<usize>)| {
        let clock = main.filter(|_| i == 0 && chosen.is_some());
        let clock = clock.or_else(|| clock_of(groups, nodes, links, choice, &list))?;
        Some(EventNodes { nodes: list, clock })
    };
    all.into_iter().enumerate().filter_map(found).collect()
}

/// Two takes cover an event alike where they differ by no more than this part of the longer.
const COVERS_ALIKE: f64 = 0.05;

/// The reference clock of an event where nobody chose: the recording that covers most of it; cameras before recorders
/// where they cover alike. A recording that only an anchor ties to the others comes
/// last: its drift is not known.
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

#[cfg(test)]
mod tests {
    use super::*;

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
