//! All pairs -> one clock for all files.
//!
//! Two steps. [`choose`] decides which links can all be true: where some contradict each other, it keeps the set with
//! the greatest sum of log odds. The files that they hold together are an event. Then the evidence of the chosen links
//! enters one robust least-squares problem an event. Each pair also gets a small constant error of its own, because sound
//! takes different paths: two cameras may share an engine's sound from one side and voices from the other. A pair that
//! differs from the rest by more than paths of sound explain loses its weight step by step (graduated non-convexity, Blake
//! & Zisserman, *Visual Reconstruction*, 1987, from memory: Cauchy weights whose width shrinks to milliseconds), so
//! that it cannot pull the others.

mod choice;

use choice::CONTRADICTS;
pub use choice::Choice;

use crate::clock::ClockMap;
use crate::error::{Error, ErrorKind, Result};
use crate::fit::{Clock, File, Observation, Problem, Solved};
use crate::pair::{Evidence, FileJump, PairAlignment, PairJump, Stretch, Unplaced, count_places, stretches};

/// One file as the solver sees it.
#[derive(Debug, Clone)]
pub struct Node {
    /// Which recording the file belongs to; files of one recording share one clock (drift, wander)
    /// and stand in the order in which they were made.
    pub recording: usize,
    /// The file's length, seconds.
    pub duration_s: f64,
    /// Cameras lose sound more often than recorders: settles whose jump it was when nothing else does.
    pub is_camera: bool,
    /// How far the device was from what it recorded, metres; 0 leaves its sound as it came.
    pub distance_m: f64,
}

/// A placed pair: files `a` and `b` (indices of nodes) and how `b` lies on `a`.
#[derive(Debug, Clone)]
pub struct Link {
    /// Index of file `a`.
    pub a: usize,
    /// Index of file `b`.
    pub b: usize,
    /// How `b` lies on `a`.
    pub alignment: PairAlignment,
}

/// The user's own knowledge: this moment of one file is that moment of another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anchor {
    /// Index of one file.
    pub a: usize,
    /// The moment in `a`, seconds from its start.
    pub a_s: f64,
    /// Index of the other file.
    pub b: usize,
    /// The same moment in `b`, seconds from its start.
    pub b_s: f64,
    /// One standard deviation of the user's reading, seconds, > 0.
    pub uncertainty_s: f64,
    /// What happens where the sound says otherwise.
    pub force: Force,
}

/// How much an anchor may demand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Force {
    /// It is weighed like other evidence; where it contradicts the sound, the sound stays.
    #[default]
    Soft,
    /// It is obeyed; the sound then tells the drift only.
    Hard,
}

/// What became of an anchor.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct AnchorReport {
    /// Where the sound alone puts the moment of `a`, minus where it puts that of `b`, timeline seconds; zero when the
    /// anchor is right. `None`: the sound does not tie the two files to each other.
    pub disagreement_s: Option<f64>,
    /// One standard deviation of `disagreement_s` by what sound and anchor claim, seconds.
    pub uncertainty_s: f64,
    /// The sound says otherwise: `disagreement_s` is beyond three standard deviations.
    pub contradicts: bool,
    /// The result goes by it. A hard anchor is not obeyed only where other anchors forbid it.
    pub used: bool,
    /// The same difference in the result, timeline seconds; `None` where the result leaves one of them unplaced.
    pub misfit_s: Option<f64>,
}

impl AnchorReport {
    /// Of an anchor that the sound says nothing about, and that is not used.
    pub fn unheard(anchor: &Anchor) -> Self {
        Self {
            disagreement_s: None,
            uncertainty_s: anchor.uncertainty_s,
            contradicts: false,
            used: false,
            misfit_s: None,
        }
    }

    /// Whether a solution goes by the anchor, and by how much it misses it.
    fn judge(&mut self, anchor: &Anchor, solved: Option<&Solved>) {
        let hard = anchor.force == Force::Hard;
        let allowed_s = if hard { KEPT_S } else { CONTRADICTS * anchor.uncertainty_s };
        self.misfit_s = solved.map(|s| s.timeline_s(anchor.a, anchor.a_s) - s.timeline_s(anchor.b, anchor.b_s));
        self.used = self.misfit_s.is_some_and(|m| m.abs() <= allowed_s) && (hard || !self.contradicts);
    }
}

/// Where one file lies on the timeline.
#[derive(Debug, Clone)]
pub struct Placement {
    /// From the file's time to timeline time.
    pub map: ClockMap,
    /// Probability that the placement is right.
    pub confidence: f64,
    /// One standard deviation of the placement's error at its worst moment, seconds.
    pub uncertainty_s: f64,
    /// The same at the file's first and last moment.
    pub ends_uncertainty_s: [f64; 2],
    /// One standard deviation of the file's mean drift, ppm.
    pub drift_sigma_ppm: f64,
    /// How far the file moves at most when its recording loses the best third of its evidence (that with the smallest
    /// stated errors), seconds. `None`: it cannot be placed without.
    pub without_best_third_s: Option<f64>,
    /// How well the place is known by stretches of the file, in time order.
    pub stretches: Vec<Stretch>,
}

impl Placement {
    /// Of a file that all others are placed by, where nothing else is known of it.
    fn of_the_origin(duration_s: f64) -> Self {
        Self {
            map: ClockMap::linear(0.0, 0.0, duration_s),
            confidence: 1.0,
            uncertainty_s: 0.0,
            ends_uncertainty_s: [0.0; 2],
            drift_sigma_ppm: 0.0,
            without_best_third_s: Some(0.0),
            stretches: vec![Stretch::whole(duration_s, 1.0, 0.0)],
        }
    }

    /// Adds an error of this standard deviation that shifts the whole file, seconds.
    fn widen(&mut self, sigma_s: f64) {
        let whole = [&mut self.uncertainty_s].into_iter().chain(&mut self.ends_uncertainty_s);
        let all = whole.chain(self.stretches.iter_mut().map(|s| &mut s.uncertainty_s));
        all.for_each(|u| *u = u.hypot(sigma_s));
    }
}

/// One clock for all files of an event.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Solution {
    /// For each node, its placement or why it has none.
    pub placements: Vec<std::result::Result<Placement, Unplaced>>,
    /// For each link, what became of it.
    pub links: Vec<LinkReport>,
    /// For every three files that are linked in a ring: how far the ring fails to close.
    pub loops: Vec<LoopClosure>,
    /// For each anchor, what became of it.
    pub anchors: Vec<AnchorReport>,
}

/// What became of a link.
#[derive(Debug, Clone, Copy)]
pub struct LinkReport {
    /// `false`: the link contradicts the others and was left out.
    pub used: bool,
    /// Root mean square misfit of the link's evidence to the solution, seconds.
    pub misfit_s: f64,
}

/// Three linked files and the sum of their offsets round the ring, which should be zero.
#[derive(Debug, Clone, Copy)]
pub struct LoopClosure {
    /// Indices of the three nodes.
    pub files: [usize; 3],
    /// Time gained by going round once, seconds, at the middle of what all three recorded.
    pub closure_s: f64,
}

/// Speed of sound at 20 degC, m/s (331.3 sqrt(1 + T / 273.15)).
pub const SPEED_OF_SOUND_M_S: f64 = 343.2;

/// Standard deviation of a pair's own constant error, seconds: between two cameras sound sources at
/// different places weigh differently; a recorder on the voice circuit hears one source at no distance.
const BIAS_CAMERAS_S: f64 = 0.003;
const BIAS_RECORDER_S: f64 = 0.0003;
/// The weight of a contradicting link falls with its misfit, over this width at least, seconds.
const CONTRADICTION_S: f64 = 0.008;
/// Weight of a hard anchor, as a standard deviation in seconds: far below what any evidence claims.
const OBEYED_S: f64 = 1e-6;
/// A hard anchor is obeyed when the result keeps it to this, seconds.
const KEPT_S: f64 = 1e-3;
/// What a link is off by where a hard anchor overrules it: anything, seconds.
const OVERRULED_S: f64 = 1e5;
/// Probability that a soft anchor is right where nothing else can tell. A guess, no measurement.
const SOFT_CONFIDENCE: f64 = 0.9;
/// Files of one recording overlap by no more than this, the error of extrapolated drift included, seconds.
const NEIGHBOURS_OVERLAP_S: f64 = 0.5;
/// Bends that move the map by less than this are not worth a knot, seconds.
const KNOT_S: f64 = 20e-6;

/// Solves all files together; the timeline is the clock of recording `reference`, zero at the start
/// of its first file that can be placed with the others.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) when an index is out of range, a number is not finite, or a link
/// does not name a place for each of its measurements.
pub fn solve(nodes: &[Node], links: &[Link], reference: usize) -> Result<Solution> {
    solve_anchored(nodes, links, &[], reference)
}

/// As [`solve`], with the user's anchors.
///
/// First the sound alone is solved, and every anchor is held against it. Soft anchors then enter with their own
/// uncertainty unless the sound contradicts them. A hard anchor moves the one of its two files that is not the
/// timeline's (`b` when neither is): all that the sound says of that file keeps its say on drift and jumps and loses
/// its say on where the file lies. A file that only anchors hold has the confidence of a soft anchor, 0.9 by
/// convention, or of a hard one, 1 because the user says so; a hard anchor that overrules a sound of confidence `c`
/// leaves `1 - c`.
///
/// # Errors
/// As for [`solve`]; also when an anchor joins a file with itself, or its numbers are not finite or out of range.
pub fn solve_anchored(nodes: &[Node], links: &[Link], anchors: &[Anchor], reference: usize) -> Result<Solution> {
    check(nodes, links, anchors)?;
    if !nodes.iter().any(|n| n.recording == reference) {
        return bad(format!("no file belongs to recording {reference}, whose clock should be the timeline"));
    }
    solve_checked(nodes, links, anchors, &choice::choose(nodes, links), reference)
}

/// Which links can all be true, and which files they hold together: each such set is an event.
///
/// # Errors
/// As for [`solve`].
pub fn choose(nodes: &[Node], links: &[Link]) -> Result<Choice> {
    check(nodes, links, &[])?;
    Ok(choice::choose(nodes, links))
}

/// As [`solve_anchored`], for the files that `within` names (indices of nodes, ascending) by the links that `choice` keeps
/// among them. All other files are without a place in the solution, and its links and anchors between others unused.
///
/// # Errors
/// As for [`solve_anchored`]; also when `choice` is of another network, or `within` names files that are not there.
pub fn solve_within(
    nodes: &[Node],
    links: &[Link],
    anchors: &[Anchor],
    choice: &Choice,
    within: &[usize],
    reference: usize,
) -> Result<Solution> {
    check(nodes, links, anchors)?;
    if choice.used.len() != links.len() || choice.contradicted.len() != links.len() || choice.set.len() != nodes.len() {
        return bad("the choice is of another network".into());
    }
    if within.iter().any(|&f| f >= nodes.len()) || within.windows(2).any(|w| w[0] >= w[1]) {
        return bad("files of an event are not ascending indices".into());
    }
    if !within.iter().any(|&f| nodes[f].recording == reference) {
        return bad(format!("no file belongs to recording {reference}, whose clock should be the timeline"));
    }
    // Only what takes part is solved: every recording's clock is an unknown.
    let mut number = vec![usize::MAX; nodes.len()];
    within.iter().enumerate().for_each(|(i, &f)| number[f] = i);
    let mut recordings: Vec<usize> = within.iter().map(|&f| nodes[f].recording).collect();
    recordings.sort_unstable();
    recordings.dedup();
    let recording = |of: usize| recordings.partition_point(|&r| r < of);
    let part: Vec<Node> =
        within.iter().map(|&f| Node { recording: recording(nodes[f].recording), ..nodes[f].clone() }).collect();
    let inside = |a: usize, b: usize| number[a] != usize::MAX && number[b] != usize::MAX;
    let kept: Vec<usize> = (0..links.len()).filter(|&l| inside(links[l].a, links[l].b)).collect();
    let part_links: Vec<Link> = kept
        .iter()
        .map(|&l| Link { a: number[links[l].a], b: number[links[l].b], alignment: links[l].alignment.clone() })
        .collect();
    let tied: Vec<usize> = (0..anchors.len()).filter(|&x| inside(anchors[x].a, anchors[x].b)).collect();
    let part_anchors: Vec<Anchor> =
        tied.iter().map(|&x| Anchor { a: number[anchors[x].a], b: number[anchors[x].b], ..anchors[x] }).collect();
    let part_choice = Choice {
        used: kept.iter().map(|&l| choice.used[l]).collect(),
        contradicted: kept.iter().map(|&l| choice.contradicted[l]).collect(),
        set: Vec::new(),
    };
    let solved = solve_checked(&part, &part_links, &part_anchors, &part_choice, recording(reference))?;
    let mut all = Solution {
        placements: vec![Err(Unplaced::NoCommonSound); nodes.len()],
        links: vec![LinkReport { used: false, misfit_s: 0.0 }; links.len()],
        loops: solved.loops,
        anchors: anchors.iter().map(AnchorReport::unheard).collect(),
    };
    within.iter().zip(solved.placements).for_each(|(&f, p)| all.placements[f] = p);
    kept.iter().zip(solved.links).for_each(|(&l, report)| all.links[l] = report);
    tied.iter().zip(solved.anchors).for_each(|(&x, report)| all.anchors[x] = report);
    all.loops.iter_mut().for_each(|l| l.files = l.files.map(|f| within[f]));
    Ok(all)
}

fn bad<T>(what: String) -> Result<T> {
    Err(Error::new(ErrorKind::InvalidArgument, what))
}

fn check(nodes: &[Node], links: &[Link], anchors: &[Anchor]) -> Result<()> {
    if let Some(l) = links.iter().find(|l| l.a >= nodes.len() || l.b >= nodes.len() || l.a == l.b) {
        return bad(format!("a link joins files {} and {} of {}", l.a, l.b, nodes.len()));
    }
    let placed = |l: &Link| {
        let (places, evidence) = (&l.alignment.places, l.alignment.evidence.len());
        places.len() == evidence && places.iter().all(|&p| p < evidence)
    };
    if let Some(l) = links.iter().find(|l| !placed(l)) {
        return bad(format!("the link of files {} and {} does not name a place for each measurement", l.a, l.b));
    }
    if nodes.iter().any(|n| !(n.duration_s >= 0.0 && n.duration_s.is_finite() && n.distance_m.is_finite())) {
        return bad("a file's duration or distance is not a finite number".into());
    }
    for (i, x) in anchors.iter().enumerate() {
        if x.a >= nodes.len() || x.b >= nodes.len() || x.a == x.b {
            return bad(format!("anchor {i} joins files {} and {} of {}", x.a, x.b, nodes.len()));
        }
        let inside = |at_s: f64, file: usize| (0.0..=nodes[file].duration_s).contains(&at_s);
        if !inside(x.a_s, x.a) || !inside(x.b_s, x.b) {
            return bad(format!("anchor {i} names a moment outside its file"));
        }
        if !(x.uncertainty_s > 0.0 && x.uncertainty_s.is_finite()) {
            return bad(format!("anchor {i} has an uncertainty of {} s", x.uncertainty_s));
        }
    }
    Ok(())
}

fn solve_checked(
    nodes: &[Node],
    links: &[Link],
    anchors: &[Anchor],
    choice: &Choice,
    reference: usize,
) -> Result<Solution> {
    let Some(origin) = origin(nodes, links, &choice.used, anchors, reference) else {
        return bad("the network has no origin".into());
    };
    let mut network = Network::new(nodes, links, &choice.used, reference, origin);
    let mut solved = network.solve_robustly();
    let used: Vec<bool> = network.problem.link_weight.iter().map(|&w| w > 0.0).collect();
    let ties: Vec<(usize, usize, f64)> =
        links.iter().zip(&used).filter(|(_, u)| **u).map(|(l, _)| (l.a, l.b, l.alignment.confidence)).collect();
    let misfits = network.misfits(nodes, links, solved.as_ref());
    let contradicted = links.iter().zip(&misfits).zip(&choice.contradicted).filter(|(_, c)| **c);
    let against: Vec<(usize, usize, f64, f64)> =
        contradicted.map(|((l, m), _)| (l.a, l.b, l.alignment.confidence, m.median_s)).collect();
    let sound = |from: usize| choice::confidences(nodes.len(), &ties, &against, from);
    let mut reports: Vec<AnchorReport> =
        anchors.iter().map(|x| network.against_sound(solved.as_ref(), links, &sound(x.a), x)).collect();
    let mut held = ties.clone();
    let mut rivals = against.clone();
    if !anchors.is_empty() {
        let moved = |x: &Anchor| if x.b == origin { x.a } else { x.b };
        let overruled: Vec<bool> =
            (0..nodes.len()).map(|i| anchors.iter().any(|x| x.force == Force::Hard && moved(x) == i)).collect();
        network.add_anchors(links, anchors, &reports, &overruled);
        solved = network.problem.solve();
        held.retain(|&(a, b, _)| !overruled[a] && !overruled[b]);
        rivals.retain(|&(a, b, ..)| !overruled[a] && !overruled[b]);
        for (x, report) in anchors.iter().zip(&mut reports) {
            report.judge(x, solved.as_ref());
            if report.used {
                let confidence = match x.force {
                    Force::Hard if report.contradicts => 1.0 - sound(x.a)[x.b].unwrap_or(0.0),
                    Force::Hard => 1.0,
                    Force::Soft => SOFT_CONFIDENCE,
                };
                held.push((x.a, x.b, confidence));
            }
        }
    }
    let reach = choice::confidences(nodes.len(), &held, &rivals, origin);
    for (x, report) in anchors.iter().zip(&mut reports) {
        if reach[x.a].is_none() || reach[x.b].is_none() {
            report.misfit_s = None;
        }
    }
    // A file that a hard anchor holds is at least as uncertain as the reading of that anchor.
    let read_s = |i: usize| {
        let mine =
            anchors.iter().zip(&reports).filter(|(x, r)| r.used && x.force == Force::Hard && (x.a == i || x.b == i));
        mine.map(|(x, _)| x.uncertainty_s).fold(0.0, f64::max)
    };
    let without = network.without_best_thirds(nodes, solved.as_ref());
    // Anchors may have moved files since.
    let misfits = network.misfits(nodes, links, solved.as_ref());
    let place = |i: usize| -> std::result::Result<Placement, Unplaced> {
        match (&solved, reach[i]) {
            _ if i == origin && solved.is_none() => Ok(Placement::of_the_origin(nodes[i].duration_s)),
            (Some(solved), Some(confidence)) => {
                let mut placement = network.placement(solved, links, i, confidence)?;
                if i != origin {
                    placement.widen(read_s(i));
                    placement.without_best_third_s = without[i];
                }
                Ok(placement)
            }
            _ => Err(Unplaced::NoCommonSound),
        }
    };
    Ok(Solution {
        placements: (0..nodes.len()).map(place).collect(),
        links: used.iter().zip(misfits).map(|(&used, m)| LinkReport { used, misfit_s: m.rms_s }).collect(),
        loops: loops(nodes, links),
        anchors: reports,
    })
}

/// Where file `b` can lie in file `a` (`a` time minus `b` time at the start of `b`: lowest and highest, seconds), where
/// one of them has a map onto the timeline and the other has none, but files of its recording have.
///
/// Files of one recording lie in the order in which they were made and hardly overlap: what is unplaced lies between
/// its neighbours. A little common sound shows there that is lost among all that is like it in the whole of a long
/// file. `maps`: one for each node. `None`: nothing is known, no such place is left, or there are no such files.
pub fn between_neighbours(nodes: &[Node], maps: &[Option<&ClockMap>], a: usize, b: usize) -> Option<(f64, f64)> {
    if nodes.len() != maps.len() {
        return None;
    }
    let (held, map, open) = match (*maps.get(a)?, *maps.get(b)?) {
        (Some(map), None) => (a, map, b),
        (None, Some(map)) => (b, map, a),
        _ => return None,
    };
    if nodes[a].recording == nodes[b].recording {
        return None;
    }
    let own = |i: &usize| nodes[*i].recording == nodes[open].recording;
    let ends = (0..open).filter(own).filter_map(|i| maps[i].map(|m| m.forward(nodes[i].duration_s)));
    let starts = (open + 1..nodes.len()).filter(own).filter_map(|i| maps[i].map(|m| m.forward(0.0)));
    let (end, start) = (ends.fold(f64::NEG_INFINITY, f64::max), starts.fold(f64::INFINITY, f64::min));
    if end.is_infinite() && start.is_infinite() {
        return None;
    }
    // It starts no earlier than so, no later than so, in the time of the file that is placed.
    let low = map.inverse(end - NEIGHBOURS_OVERLAP_S).max(-nodes[open].duration_s);
    let high = map.inverse(start + NEIGHBOURS_OVERLAP_S - nodes[open].duration_s).min(nodes[held].duration_s);
    let range = if held == a { (low, high) } else { (-high, -low) };
    (low < high).then_some(range)
}

/// The file at which the timeline is pinned: of the reference recording's files the first one in the
/// largest set of linked files.
fn origin(nodes: &[Node], links: &[Link], used: &[bool], anchors: &[Anchor], reference: usize) -> Option<usize> {
    let mut set: Vec<usize> = (0..nodes.len()).collect();
    // Few files: plain relabelling is simple and fast enough.
    let ties = links.iter().zip(used).filter(|(_, u)| **u).map(|(l, _)| (l.a, l.b));
    for (a, b) in ties.chain(anchors.iter().map(|x| (x.a, x.b))) {
        let (keep, drop) = (set[a].min(set[b]), set[a].max(set[b]));
        set.iter_mut().filter(|s| **s == drop).for_each(|s| *s = keep);
    }
    let size = |i: usize| set.iter().filter(|&&s| s == set[i]).count();
    let mut best: Option<usize> = None;
    for i in (0..nodes.len()).filter(|&i| nodes[i].recording == reference) {
        if best.is_none_or(|b| size(i) > size(b)) {
            best = Some(i);
        }
    }
    best
}

/// How late sound reaches a far device, seconds: taken back when the user gave distances.
fn late_s(node: &Node) -> f64 {
    node.distance_m / SPEED_OF_SOUND_M_S
}

/// A link against the solution: time of its `a` minus that of its `b`.
#[derive(Debug, Clone, Copy, Default)]
struct Misfit {
    rms_s: f64,
    median_s: f64,
}

struct Network {
    problem: Problem,
    /// Of each file, between which moments each of its jumps lies.
    within_s: Vec<Vec<(f64, f64)>>,
    unsettled: Vec<Unsettled>,
    origin: usize,
}

/// A jump that may be another file's as well, where nothing but the two ties what follows it to what comes before. All on one
/// side of it may be off by its step: the two, and what is tied to them there.
struct Unsettled {
    /// The file whose jump it was taken for, and the number of the jump there.
    jump: (usize, usize),
    /// The files on that side, and from when to when of each, seconds.
    afloat_s: Vec<(usize, (f64, f64))>,
}

impl Network {
    /// The links that `used` leaves out take no part.
    fn new(nodes: &[Node], links: &[Link], used: &[bool], reference: usize, origin: usize) -> Self {
        let recordings = nodes.iter().map(|n| n.recording).max().map_or(0, |m| m + 1);
        let mut clocks = vec![Clock { span_s: 0.0, wander_q: 0.0, fixed: false }; recordings];
        clocks[reference].fixed = true;
        let jumps = attribute_jumps(nodes, links, used, reference);
        let mut files = Vec::with_capacity(nodes.len());
        for (i, n) in nodes.iter().enumerate() {
            let clock = &mut clocks[n.recording];
            files.push(File {
                clock: n.recording,
                start_s: clock.span_s,
                duration_s: n.duration_s,
                jumps: jumps[i].iter().map(|j| j.at_s).collect(),
                fixed: i == origin,
            });
            clock.span_s += n.duration_s;
        }
        let mut observations = Vec::new();
        let mut link_bias_s = Vec::new();
        let mut group_error_s = Vec::new();
        for (link, l) in links.iter().enumerate() {
            let cameras = nodes[l.a].is_camera && nodes[l.b].is_camera;
            let bias_s: f64 = if cameras { BIAS_CAMERAS_S } else { BIAS_RECORDER_S };
            link_bias_s.push(bias_s.hypot(l.alignment.source_s));
            if !used[link] {
                continue;
            }
            for i in [l.a, l.b] {
                let q = &mut clocks[nodes[i].recording].wander_q;
                *q = q.max(l.alignment.wander_q);
            }
            let groups = group_error_s.len();
            group_error_s.resize(groups + count_places(&l.alignment.places), l.alignment.place_s);
            observations.extend(l.alignment.evidence.iter().zip(&l.alignment.places).map(|(e, place)| Observation {
                a: l.a,
                a_s: e.a_s - late_s(&nodes[l.a]),
                b: l.b,
                b_s: e.b_s - late_s(&nodes[l.b]),
                sigma_s: e.sigma_s,
                link,
                group: groups + place,
            }));
        }
        let weight = |l: &Link| l.alignment.confidence.clamp(0.01, 1.0);
        let link_weight = links.iter().zip(used).map(|(l, &used)| if used { weight(l) } else { 0.0 }).collect();
        let within_s = jumps.iter().map(|of_file| of_file.iter().map(|j| j.within_s).collect()).collect();
        let unsettled = unsettled(nodes, links, used, &jumps, origin);
        let problem = Problem { clocks, files, observations, link_bias_s, group_error_s, link_weight };
        Self { problem, within_s, unsettled, origin }
    }

    fn solve_robustly(&mut self) -> Option<Solved> {
        if self.problem.observations.is_empty() {
            return None;
        }
        let base = self.problem.link_weight.clone();
        let mut solved = self.problem.solve()?;
        let mut width: f64 = self.link_medians(&solved).into_iter().fold(CONTRADICTION_S, f64::max);
        while width > CONTRADICTION_S {
            width = (width / 2.0).max(CONTRADICTION_S);
            let medians = self.link_medians(&solved);
            for ((w, b), m) in self.problem.link_weight.iter_mut().zip(&base).zip(medians) {
                *w = b / (1.0 + (m / width).powi(2)).powi(2);
            }
            solved = self.problem.solve()?;
        }
        // What has lost its weight is left out altogether: it would still tilt the drift of what it joins.
        if self.problem.link_weight.iter().zip(&base).any(|(w, b)| *w < 0.05 * b) {
            for (w, b) in self.problem.link_weight.iter_mut().zip(&base) {
                *w = if *w < 0.05 * b { 0.0 } else { *b };
            }
            solved = self.problem.solve()?;
        }
        Some(solved)
    }

    /// What the sound alone says of an anchor; `tied` holds what the sound ties to the anchor's `a`, and how surely.
    fn against_sound(
        &self,
        solved: Option<&Solved>,
        links: &[Link],
        tied: &[Option<f64>],
        anchor: &Anchor,
    ) -> AnchorReport {
        let mut report = AnchorReport::unheard(anchor);
        if let (Some(solved), Some(_)) = (solved, tied[anchor.b]) {
            let difference = solved.timeline_s(anchor.a, anchor.a_s) - solved.timeline_s(anchor.b, anchor.b_s);
            let sigma = if tied[self.origin].is_some() {
                solved.sigma_s(anchor.a, anchor.a_s).hypot(solved.sigma_s(anchor.b, anchor.b_s))
            } else {
                // Tied to each other but not to the timeline: the links' own word, the worst among them.
                let among = links.iter().filter(|l| tied[l.a].is_some() && tied[l.b].is_some());
                among.map(|l| l.alignment.uncertainty_s).fold(0.0, f64::max)
            };
            report.disagreement_s = Some(difference);
            report.uncertainty_s = sigma.hypot(anchor.uncertainty_s);
            report.contradicts = difference.abs() > CONTRADICTS * report.uncertainty_s;
        }
        report
    }

    /// Adds each anchor as a link of one observation, and takes from the links of files that hard anchors move their
    /// say on where the file lies.
    fn add_anchors(&mut self, links: &[Link], anchors: &[Anchor], reports: &[AnchorReport], overruled: &[bool]) {
        let problem = &mut self.problem;
        for (bias, l) in problem.link_bias_s.iter_mut().zip(links) {
            if overruled[l.a] || overruled[l.b] {
                *bias = OVERRULED_S;
            }
        }
        for (x, report) in anchors.iter().zip(reports) {
            if x.force == Force::Soft && report.contradicts {
                continue;
            }
            problem.observations.push(Observation {
                a: x.a,
                a_s: x.a_s,
                b: x.b,
                b_s: x.b_s,
                sigma_s: if x.force == Force::Hard { OBEYED_S } else { x.uncertainty_s },
                link: problem.link_weight.len(),
                group: problem.group_error_s.len(),
            });
            problem.link_bias_s.push(0.0);
            problem.link_weight.push(1.0);
            problem.group_error_s.push(0.0);
        }
    }

    /// Median residual of every link, its own constant error included, seconds.
    fn link_medians(&self, solved: &Solved) -> Vec<f64> {
        let mut of_link: Vec<Vec<f64>> = vec![Vec::new(); self.problem.link_weight.len()];
        for o in &self.problem.observations {
            of_link[o.link].push((solved.timeline_s(o.a, o.a_s) - solved.timeline_s(o.b, o.b_s)).abs());
        }
        of_link
            .into_iter()
            .map(|mut r| {
                r.sort_by(f64::total_cmp);
                r.get(r.len() / 2).copied().unwrap_or(0.0)
            })
            .collect()
    }

    /// What each link says of its files against the solution, whether it takes part or not.
    fn misfits(&self, nodes: &[Node], links: &[Link], solved: Option<&Solved>) -> Vec<Misfit> {
        let of = |l: &Link| {
            let Some(solved) = solved else { return Misfit::default() };
            let off = |e: &Evidence| {
                solved.timeline_s(l.a, e.a_s - late_s(&nodes[l.a]))
                    - solved.timeline_s(l.b, e.b_s - late_s(&nodes[l.b]))
            };
            let mut all: Vec<f64> = l.alignment.evidence.iter().map(off).collect();
            let squares: f64 = all.iter().map(|r| r * r).sum();
            all.sort_by(f64::total_cmp);
            Misfit {
                rms_s: (squares / all.len().max(1) as f64).sqrt(),
                median_s: all.get(all.len() / 2).copied().unwrap_or(0.0),
            }
        };
        links.iter().map(of).collect()
    }

    /// For each file, how far it moves at most when its recording loses its best third of evidence; see
    /// [`Placement::without_best_third_s`].
    fn without_best_thirds(&self, nodes: &[Node], solved: Option<&Solved>) -> Vec<Option<f64>> {
        let mut moves = vec![None; nodes.len()];
        let Some(solved) = solved else { return moves };
        let recordings = self.problem.clocks.len();
        for r in
            (0..recordings).filter(|&r| nodes.iter().enumerate().any(|(i, n)| n.recording == r && i != self.origin))
        {
            let touches = |o: &Observation| {
                self.problem.link_weight[o.link] > 0.0 && (nodes[o.a].recording == r || nodes[o.b].recording == r)
            };
            let mut sigmas: Vec<f64> =
                self.problem.observations.iter().filter(|o| touches(o)).map(|o| o.sigma_s).collect();
            if sigmas.len() < 3 {
                continue;
            }
            sigmas.sort_by(f64::total_cmp);
            let (limit, mut left) = (sigmas[sigmas.len() / 3 - 1], sigmas.len() / 3);
            let mut less = self.problem.clone();
            less.observations.retain(|o| {
                let best = touches(o) && o.sigma_s <= limit && left > 0;
                left -= usize::from(best);
                !best
            });
            let Some(again) = less.solve() else { continue };
            for (i, n) in nodes.iter().enumerate().filter(|(_, n)| n.recording == r) {
                // What nothing holds any longer is as uncertain as its prior.
                if again.sigma_s(i, 0.0) < 1e3 {
                    let off = |t: f64| (again.timeline_s(i, t) - solved.timeline_s(i, t)).abs();
                    moves[i] =
                        Some([0.0, 0.5, 1.0].map(|part| off(part * n.duration_s)).into_iter().fold(0.0, f64::max));
                }
            }
        }
        moves
    }

    /// By the first and by the last link that measured a file: when that was, file seconds, and what is heard beyond.
    fn measured(&self, links: &[Link], i: usize) -> Option<[(f64, f64); 2]> {
        let ends = links.iter().zip(&self.problem.link_weight).filter(|(_, w)| **w > 0.0).filter_map(|(l, _)| {
            let [first, last] = [l.alignment.evidence.first()?, l.alignment.evidence.last()?];
            let at_s = |e: &Evidence| if l.a == i { e.a_s } else { e.b_s };
            let [before, after] = l.alignment.beyond;
            (l.a == i || l.b == i).then(|| [(at_s(first), before), (at_s(last), after)])
        });
        ends.reduce(|x, y| [if y[0].0 < x[0].0 { y[0] } else { x[0] }, if y[1].0 > x[1].0 { y[1] } else { x[1] }])
    }

    fn placement(
        &self,
        solved: &Solved,
        links: &[Link],
        i: usize,
        confidence: f64,
    ) -> std::result::Result<Placement, Unplaced> {
        let file = &self.problem.files[i];
        let mut knots: Vec<(f64, f64)> = Vec::new();
        let mut moments = vec![0.0];
        moments.extend(solved.bends(i));
        moments.push(file.duration_s.max(1e-3));
        for &t in &moments {
            if file.jumps.iter().all(|&j| (j - t).abs() > 1e-3) {
                knots.push((t, solved.timeline_s(i, t)));
            }
        }
        for (j, &t) in file.jumps.iter().enumerate() {
            knots.push((t, solved.timeline_before_s(i, j)));
            knots.push((t, solved.timeline_s(i, t)));
        }
        knots.sort_by(|x, y| x.0.total_cmp(&y.0));
        let worst = moments.iter().map(|&t| solved.sigma_s(i, t)).fold(0.0, f64::max);
        match ClockMap::from_knots(thinned(&knots)) {
            Ok(map) => {
                let end = file.duration_s.max(1e-3);
                let ends = if i == self.origin { [0.0; 2] } else { [solved.sigma_s(i, 0.0), solved.sigma_s(i, end)] };
                // The origin is the clock itself, but for where it jumped; what anchors alone hold has no measured stretch.
                let is_origin = i == self.origin;
                let measured = if is_origin && !file.jumps.is_empty() {
                    Some([(0.0, 0.0), (end, 0.0)])
                } else {
                    self.measured(links, i).filter(|_| !is_origin)
                };
                let mut stretches = match measured {
                    Some([first, last]) => {
                        let sigma_s = |t: f64| if is_origin { 0.0 } else { solved.sigma_s(i, t) };
                        let jump =
                            |(j, (&at_s, &within_s))| FileJump { at_s, step_s: solved.size_of_jump(i, j), within_s };
                        let jumps = file.jumps.iter().zip(&self.within_s[i]).enumerate().map(jump);
                        let jumps: Vec<FileJump> = jumps.collect();
                        stretches((0.0, end), (first.0, last.0), &jumps, [first.1, last.1], confidence, sigma_s)
                    }
                    None => vec![Stretch::whole(end, confidence, ends[0].max(ends[1]))],
                };
                for Unsettled { jump, afloat_s } in &self.unsettled {
                    let step_s = solved.size_of_jump(jump.0, jump.1);
                    let of_file = afloat_s.iter().filter(|s| s.0 == i);
                    of_file.for_each(|&(_, within_s)| unsettle(&mut stretches, within_s, step_s));
                }
                let worst = if is_origin { 0.0 } else { worst };
                let worst = stretches.iter().map(|s| s.uncertainty_s).fold(worst, f64::max);
                Ok(Placement {
                    stretches,
                    map,
                    confidence,
                    uncertainty_s: worst,
                    ends_uncertainty_s: ends,
                    drift_sigma_ppm: drift_sigma_ppm(solved, i, end),
                    without_best_third_s: Some(0.0),
                })
            }
            Err(_) => Err(Unplaced::TooShort),
        }
    }
}

/// Cuts stretches where one begins and ends in which the file is `step_s` off or not, at even odds, and widens what lies in it.
fn unsettle(stretches: &mut Vec<Stretch>, within_s: (f64, f64), step_s: f64) {
    let mut cut = Vec::with_capacity(stretches.len() + 2);
    for s in stretches.drain(..) {
        let [from_s, to_s] = [within_s.0, within_s.1].map(|t| t.clamp(s.from_s, s.to_s));
        let inside_s = s.uncertainty_s.hypot(step_s * 0.5f64.sqrt());
        let parts = [(s.from_s, from_s, s.uncertainty_s), (from_s, to_s, inside_s), (to_s, s.to_s, s.uncertainty_s)];
        let parts = parts.into_iter().filter(|p| p.1 > p.0);
        cut.extend(parts.map(|(from_s, to_s, uncertainty_s)| Stretch { from_s, to_s, uncertainty_s, ..s }));
    }
    *stretches = cut;
}

/// One standard deviation of a file's mean drift, ppm. The variance of a moment's timeline time is a parabola in that
/// moment while the drift is one unknown; its bend is the drift's variance.
fn drift_sigma_ppm(solved: &Solved, file: usize, duration_s: f64) -> f64 {
    let variance = |t: f64| solved.sigma_s(file, t).powi(2);
    let (reach, middle) = (20.0 * duration_s, 0.5 * duration_s);
    let bend = variance(middle - reach) - 2.0 * variance(middle) + variance(middle + reach);
    (bend.max(0.0) / 2.0).sqrt() / reach * 1e6
}

/// Leaves out knots that lie within [`KNOT_S`] of the line without them (Douglas & Peucker 1973).
fn thinned(knots: &[(f64, f64)]) -> Vec<(f64, f64)> {
    fn keep(knots: &[(f64, f64)], out: &mut Vec<(f64, f64)>) {
        let (first, last) = (knots[0], knots[knots.len() - 1]);
        let slope = if last.0 > first.0 { (last.1 - first.1) / (last.0 - first.0) } else { 0.0 };
        let off = |k: &(f64, f64)| (k.1 - first.1 - (k.0 - first.0) * slope).abs();
        let far = (1..knots.len().saturating_sub(1)).max_by(|&x, &y| off(&knots[x]).total_cmp(&off(&knots[y])));
        match far {
            Some(i) if off(&knots[i]) > KNOT_S => {
                keep(&knots[..=i], out);
                keep(&knots[i..], out);
            }
            _ => out.push(last),
        }
    }
    // Jumps cut the chain: both their knots stay.
    let mut out = vec![knots[0]];
    let mut from = 0;
    for i in 1..knots.len() {
        if knots[i].0 == knots[i - 1].0 {
            if i - 1 > from {
                keep(&knots[from..i], &mut out);
            }
            out.push(knots[i]);
            from = i;
        }
    }
    if knots.len() - 1 > from {
        keep(&knots[from..], &mut out);
    }
    out
}

/// A jump of a file.
#[derive(Debug, Clone)]
struct Jumped {
    at_s: f64,
    /// Between which moments of the file it lies.
    within_s: (f64, f64),
    /// The links that saw it.
    links: Vec<usize>,
    /// Another file whose jump it may be as well, and the moment there.
    or_of: Option<(usize, f64)>,
}

/// How far beside where a link knows a jump to lie another may know it to, seconds: sound takes its time, and either is
/// wrong once in a while.
const SEEN_APART_S: f64 = 0.5;

/// Decides whose every jump is: the file of which other links say so as well, then the camera, then not the timeline's.
fn attribute_jumps(nodes: &[Node], links: &[Link], used: &[bool], reference: usize) -> Vec<Vec<Jumped>> {
    #[derive(Clone, Copy)]
    struct Seen {
        file: usize,
        at_s: f64,
        lost_s: f64,
        within_s: (f64, f64),
    }
    let overlap = |x: (f64, f64), y: (f64, f64)| x.0 <= y.1 + SEEN_APART_S && y.0 <= x.1 + SEEN_APART_S;
    // Each jump of each link, as one of either file.
    let sides_of = |(l, used): (&Link, &bool)| -> Vec<[Seen; 2]> {
        let sides = |j: &PairJump| {
            // The maps before and after the jump go on beyond it.
            let (before_s, after_s) = (j.b_s - j.within_s.0 + j.step_s.max(0.0), j.within_s.1 - j.b_s);
            let in_a = (j.a_s - before_s, j.a_s + after_s);
            [
                Seen { file: l.a, at_s: j.a_s, lost_s: -j.step_s, within_s: in_a },
                Seen { file: l.b, at_s: j.b_s, lost_s: j.step_s, within_s: j.within_s },
            ]
        };
        if *used { l.alignment.jumps.iter().map(sides).collect() } else { Vec::new() }
    };
    let sides: Vec<Vec<[Seen; 2]>> = links.iter().zip(used).map(sides_of).collect();
    // What a link says of a jump that another one sees in one of its files: 1 for it, -1 against, 0 where it says nothing. It
    // may see as one jump what are several, or the other way round.
    let says = |link: usize, seen: &Seen| {
        let l = &links[link];
        let measured_s = |e: &Evidence| if l.a == seen.file { e.a_s } else { e.b_s };
        let ends = l.alignment.evidence.first().zip(l.alignment.evidence.last());
        let around =
            ends.is_some_and(|(first, last)| measured_s(first) < seen.within_s.0 && measured_s(last) > seen.within_s.1);
        if !around {
            return 0;
        }
        let there = sides[link].iter().flatten().filter(|s| s.file == seen.file && overlap(s.within_s, seen.within_s));
        let lost_s: f64 = there.map(|s| s.lost_s).sum();
        if (lost_s - seen.lost_s).abs() < lost_s.abs() { 1 } else { -1 }
    };
    let rank = |link: usize, seen: &Seen| {
        let pair = (links[link].a.min(links[link].b), links[link].a.max(links[link].b));
        let others = links.iter().enumerate().filter(|(k, l)| {
            used[*k] && (l.a == seen.file || l.b == seen.file) && (l.a.min(l.b), l.a.max(l.b)) != pair
        });
        let said: i32 = others.map(|(k, _)| says(k, seen)).sum();
        (said, usize::from(nodes[seen.file].is_camera), usize::from(nodes[seen.file].recording != reference))
    };
    let mut jumps: Vec<Vec<Jumped>> = vec![Vec::new(); nodes.len()];
    for (link, [a, b]) in sides.iter().enumerate().flat_map(|(k, all)| all.iter().map(move |s| (k, s))) {
        let (rank_a, rank_b) = (rank(link, a), rank(link, b));
        let (owner, other) = if rank_a > rank_b { (a, b) } else { (b, a) };
        let or_of = (rank_a.0 == rank_b.0).then_some((other.file, other.at_s));
        if owner.at_s <= 1e-3 || owner.at_s >= nodes[owner.file].duration_s - 1e-3 {
            continue;
        }
        // One link does not see one jump twice.
        let known = &mut jumps[owner.file];
        let others = known.iter_mut().filter(|j| overlap(j.within_s, owner.within_s) && !j.links.contains(&link));
        let away_s = |j: &Jumped| (j.at_s - owner.at_s).abs();
        match others.min_by(|x, y| away_s(x).total_cmp(&away_s(y))) {
            Some(same) => {
                same.links.push(link);
                same.or_of = same.or_of.filter(|_| or_of.is_some());
                let both_s = (same.within_s.0.max(owner.within_s.0), same.within_s.1.min(owner.within_s.1));
                if both_s.0 <= both_s.1 {
                    (same.within_s, same.at_s) = (both_s, same.at_s.clamp(both_s.0, both_s.1));
                }
            }
            None => known.push(Jumped { at_s: owner.at_s, within_s: owner.within_s, links: vec![link], or_of }),
        }
    }
    for list in &mut jumps {
        list.sort_by(|x, y| x.at_s.total_cmp(&y.at_s));
        list.dedup_by(|x, y| x.at_s - y.at_s < 1e-3);
    }
    jumps
}

/// The jumps that may be of either of two files, where nothing else ties what follows to what comes before.
fn unsettled(nodes: &[Node], links: &[Link], used: &[bool], jumps: &[Vec<Jumped>], origin: usize) -> Vec<Unsettled> {
    let mut unsettled = Vec::new();
    let all = jumps.iter().enumerate().flat_map(|(file, list)| list.iter().enumerate().map(move |(k, j)| (file, k, j)));
    for (file, k, jump) in all {
        let Some(other) = jump.or_of else { continue };
        let both = [(file, jump.at_s), other];
        let of_both = |i: usize| both.iter().find(|b| b.0 == i);
        // Sets of files that links tie; the two as they are before the jump are one more, and so are they after it.
        let (before, after) = (nodes.len(), nodes.len() + 1);
        let mut set: Vec<usize> = (0..nodes.len() + 2).collect();
        let mut tie = |x: usize, y: usize| {
            let (keep, drop) = (set[x], set[y]);
            set.iter_mut().filter(|s| **s == drop).for_each(|s| *s = keep);
        };
        for l in links.iter().zip(used).filter(|(_, used)| **used).map(|(l, _)| l) {
            let (&(f, at_s), third) = match (of_both(l.a), of_both(l.b)) {
                (None, None) => {
                    tie(l.a, l.b);
                    continue;
                }
                (Some(f), None) => (f, l.b),
                (None, Some(f)) => (f, l.a),
                (Some(_), Some(_)) => continue,
            };
            let measured_s = |e: &Evidence| if l.a == f { e.a_s } else { e.b_s };
            if l.alignment.evidence.first().is_some_and(|e| measured_s(e) < at_s) {
                tie(before, third);
            }
            if l.alignment.evidence.last().is_some_and(|e| measured_s(e) > at_s) {
                tie(after, third);
            }
        }
        let with = |side: usize| -> Vec<usize> {
            (0..nodes.len()).filter(|&i| of_both(i).is_none() && set[i] == set[side]).collect()
        };
        let (sooner, later) = (with(before), with(after));
        if set[before] == set[after] || sooner.len() + later.len() == 0 {
            continue;
        }
        // What lies with the timeline's own file stays, or else what more files lie with.
        let later_floats = sooner.contains(&origin) || !later.contains(&origin) && sooner.len() >= later.len();
        let of_the_two =
            |(f, at_s): (usize, f64)| (f, if later_floats { (at_s, nodes[f].duration_s) } else { (0.0, at_s) });
        let tied = if later_floats { later } else { sooner };
        let tied = tied.into_iter().map(|i| (i, (0.0, nodes[i].duration_s)));
        unsettled.push(Unsettled { jump: (file, k), afloat_s: both.map(of_the_two).into_iter().chain(tied).collect() });
    }
    unsettled
}

fn loops(nodes: &[Node], links: &[Link]) -> Vec<LoopClosure> {
    let mut closures = Vec::new();
    // b's time -> a's time, whichever way the link was made.
    let through = |a: usize, b: usize, b_s: f64| {
        links.iter().find_map(|l| match (l.a, l.b) {
            (x, y) if (x, y) == (a, b) => Some(l.alignment.map.forward(b_s)),
            (x, y) if (x, y) == (b, a) => Some(l.alignment.map.inverse(b_s)),
            _ => None,
        })
    };
    for (i, l) in links.iter().enumerate() {
        let (x, y) = (l.a.min(l.b), l.a.max(l.b));
        if links[..i].iter().any(|k| (k.a.min(k.b), k.a.max(k.b)) == (x, y)) {
            continue;
        }
        for z in y + 1..nodes.len() {
            // Middle of what x, y and z recorded, in z's time.
            let span = |file: usize, at: &dyn Fn(f64) -> Option<f64>| {
                let (from, to) = (at(0.0)?, at(nodes[z].duration_s)?);
                let d = nodes[file].duration_s;
                let share = |t: f64| (t - from) / (to - from) * nodes[z].duration_s;
                Some((share(0.0).max(0.0), share(d).min(nodes[z].duration_s)))
            };
            let (Some(in_x), Some(in_y)) = (span(x, &|t| through(x, z, t)), span(y, &|t| through(y, z, t))) else {
                continue;
            };
            let middle = (in_x.0.max(in_y.0) + in_x.1.min(in_y.1)) / 2.0;
            let round = through(y, z, middle).and_then(|y_s| through(x, y, y_s));
            if let (Some(direct), Some(round)) = (through(x, z, middle), round) {
                closures.push(LoopClosure { files: [x, y, z], closure_s: round - direct });
            }
        }
    }
    closures
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(nodes: &[Node], a: usize, b: usize, truth: &[ClockMap], error_s: f64, jumps: Vec<PairJump>) -> Link {
        let evidence: Vec<Evidence> = (0..(nodes[b].duration_s / 5.0) as usize)
            .filter_map(|i| {
                let b_s = 2.5 + 5.0 * i as f64;
                let a_s = truth[a].inverse(truth[b].forward(b_s)) + error_s;
                (a_s >= 0.0 && a_s <= nodes[a].duration_s).then_some(Evidence { a_s, b_s, sigma_s: 1e-4 })
            })
            .collect();
        let (first, last) = (evidence[0], evidence[evidence.len() - 1]);
        let map = ClockMap::from_knots(vec![(first.b_s, first.a_s), (last.b_s, last.a_s)]).unwrap();
        let mut alignment = PairAlignment::from_parts(map, evidence, jumps);
        alignment.confidence = 0.999;
        Link { a, b, alignment }
    }

    fn node(recording: usize, duration_s: f64, is_camera: bool) -> Node {
        Node { recording, duration_s, is_camera, distance_m: 0.0 }
    }

    #[test]
    fn a_wrong_pair_in_a_ring_of_four_does_not_pull_the_others() {
        let nodes = [node(0, 600.0, true), node(1, 600.0, true), node(2, 900.0, false), node(3, 500.0, true)];
        let truth = [
            ClockMap::linear(0.0, 0.0, 600.0),
            ClockMap::linear(12.0, 40.0, 600.0),
            ClockMap::linear(-50.0, -60.0, 900.0),
            ClockMap::linear(33.0, 5.0, 500.0),
        ];
        let good = |a, b| link(&nodes, a, b, &truth, 0.0, vec![]);
        let links =
            [good(0, 1), good(0, 2), good(1, 2), good(0, 3), good(2, 3), link(&nodes, 1, 3, &truth, 7.3, vec![])];
        let solution = solve(&nodes, &links, 0).unwrap();
        assert_eq!(solution.links.iter().map(|l| l.used).collect::<Vec<_>>(), [true, true, true, true, true, false]);
        for (p, t) in solution.placements.iter().zip(&truth) {
            let map = &p.as_ref().unwrap().map;
            for at in [0.0, 250.0, 500.0] {
                assert!((map.forward(at) - t.forward(at)).abs() < 1e-6, "{at}: {map:?} {t:?}");
            }
        }
        assert!(solution.loops.iter().any(|l| l.closure_s.abs() > 7.0));
        assert!(solution.loops.iter().filter(|l| l.closure_s.abs() < 1e-6).count() >= 2);
    }

    /// As [`link`], with a confidence.
    fn sure(nodes: &[Node], (a, b): (usize, usize), truth: &[ClockMap], error_s: f64, confidence: f64) -> Link {
        let mut link = link(nodes, a, b, truth, error_s, vec![]);
        link.alignment.confidence = confidence;
        link
    }

    /// Five files that all ran for ten minutes, 10 s after each other.
    fn five() -> ([Node; 5], Vec<ClockMap>) {
        let nodes = [0, 1, 2, 3, 4].map(|i| node(i, 600.0, i % 2 == 0));
        let truth = (0..5).map(|i| ClockMap::linear(10.0 * f64::from(i), f64::from(i) * 7.0, 600.0)).collect();
        (nodes, truth)
    }

    fn close(solution: &Solution, truth: &[ClockMap], file: usize) {
        let map = &solution.placements[file].as_ref().unwrap().map;
        for at in [0.0, 300.0, 600.0] {
            let want = truth[0].inverse(truth[file].forward(at));
            assert!((map.forward(at) - want).abs() < 1e-4, "{file} at {at}: {map:?}");
        }
    }

    #[test]
    fn three_true_links_win_against_a_wrong_one_of_the_highest_confidence() {
        let (nodes, truth) = five();
        let good = |a, b| sure(&nodes, (a, b), &truth, 0.0, 0.95);
        let links = [good(0, 1), good(1, 2), good(0, 2), sure(&nodes, (0, 2), &truth, 3.0, 0.99)];
        let choice = choose(&nodes, &links).unwrap();
        assert_eq!(choice.used, [true, true, true, false]);
        assert_eq!(choice.contradicted, [false, false, false, true]);
        let solution = solve(&nodes, &links, 0).unwrap();
        (1..3).for_each(|file| close(&solution, &truth, file));
        // It costs the file that it concerns more than the other.
        let confidence = |i: usize| solution.placements[i].as_ref().unwrap().confidence;
        assert!(confidence(2) < confidence(1) && confidence(2) < 0.8, "{} {}", confidence(1), confidence(2));
        // By itself it outweighs one of them.
        let two = [good(0, 2), links[3].clone()];
        assert_eq!(choose(&nodes, &two).unwrap().used, [false, true]);
    }

    #[test]
    fn a_loop_of_weak_links_that_agree_beats_one_strong_wrong_link() {
        let (nodes, truth) = five();
        let weak = |a, b| sure(&nodes, (a, b), &truth, 0.0, 0.9);
        let all = [(0, 1), (1, 2), (0, 2), (0, 3), (1, 3), (2, 3)];
        let mut links: Vec<Link> = all.map(|(a, b)| weak(a, b)).into();
        links.push(sure(&nodes, (0, 3), &truth, -8.0, 0.998));
        let solution = solve(&nodes, &links, 0).unwrap();
        assert_eq!(
            solution.links.iter().map(|l| l.used).collect::<Vec<_>>(),
            [true, true, true, true, true, true, false]
        );
        (1..4).for_each(|file| close(&solution, &truth, file));
        assert!(solution.placements[1].as_ref().unwrap().confidence > 0.99);
        let contradicted = solution.placements[3].as_ref().unwrap().confidence;
        assert!(contradicted > 0.4 && contradicted < 0.8, "{contradicted}");
    }

    #[test]
    fn a_file_is_not_sure_where_its_best_link_is_contradicted_by_an_equal() {
        let (nodes, truth) = five();
        let links = [sure(&nodes, (0, 1), &truth, 0.0, 0.9999), sure(&nodes, (1, 0), &truth, 5.0, 0.9999)];
        let solution = solve(&nodes, &links, 0).unwrap();
        assert_eq!(solution.links.iter().filter(|l| l.used).count(), 1);
        assert!(solution.placements[1].as_ref().unwrap().confidence < 0.51);
        // Within what paths of sound explain, the second confirms the first.
        let links = [links[0].clone(), sure(&nodes, (1, 0), &truth, 0.02, 0.9999)];
        assert!(solve(&nodes, &links, 0).unwrap().placements[1].as_ref().unwrap().confidence > 0.9998);
    }

    #[test]
    fn a_wrong_link_joins_two_events_only_where_it_is_surer_than_what_speaks_against_it() {
        let (nodes, truth) = five();
        let joined = |confidence: f64| {
            let within = |a, b| sure(&nodes, (a, b), &truth, 0.0, 0.9999);
            let links = [within(0, 1), sure(&nodes, (1, 2), &truth, 40.0, confidence), within(2, 3)];
            let choice = choose(&nodes, &links).unwrap();
            assert_eq!(choice.contradicted, [false; 3]);
            assert_eq!((choice.set[0], choice.set[4]), (0, 4));
            choice.used[1]
        };
        assert!(!joined(0.9) && !joined(0.97) && !joined(0.989));
        assert!(joined(0.991) && joined(0.9999));
        // A file by itself, and sets that hold together less surely than the link, join by any link.
        let weak = |a, b| sure(&nodes, (a, b), &truth, 0.0, 0.8);
        let links = [weak(0, 1), sure(&nodes, (1, 2), &truth, 0.0, 0.9), weak(2, 3)];
        assert_eq!(choose(&nodes, &links).unwrap().used, [true; 3]);
        // Two links that agree are worth their sum, and leave no file of the smaller set without a say.
        let links = [
            sure(&nodes, (0, 1), &truth, 0.0, 0.9999),
            sure(&nodes, (2, 3), &truth, 0.0, 0.9999),
            sure(&nodes, (1, 2), &truth, 0.0, 0.9),
            sure(&nodes, (0, 3), &truth, 0.0, 0.9),
        ];
        assert_eq!(choose(&nodes, &links).unwrap().used, [true; 4]);
    }

    #[test]
    fn each_event_has_its_own_clock() {
        let (nodes, truth) = five();
        let within = |a, b| sure(&nodes, (a, b), &truth, 0.0, 0.9999);
        let links = [within(0, 1), sure(&nodes, (1, 2), &truth, 40.0, 0.97), within(2, 3)];
        let choice = choose(&nodes, &links).unwrap();
        let second = solve_within(&nodes, &links, &[], &choice, &[2, 3], 2).unwrap();
        let placed: Vec<bool> = second.placements.iter().map(Result::is_ok).collect();
        assert_eq!(placed, [false, false, true, true, false]);
        assert_eq!(second.links.iter().map(|l| l.used).collect::<Vec<_>>(), [false, false, true]);
        let map = &second.placements[3].as_ref().unwrap().map;
        assert!((map.forward(0.0) - truth[2].inverse(truth[3].forward(0.0))).abs() < 1e-4);
        // What is not of the network is refused.
        for (within, reference) in [(&[2, 3][..], 0), (&[3, 2], 2), (&[2, 9], 2)] {
            assert!(solve_within(&nodes, &links, &[], &choice, within, reference).is_err());
        }
        assert!(solve_within(&nodes, &links[..2], &[], &choice, &[0, 1], 0).is_err());
    }

    #[test]
    fn a_camera_that_cannot_hear_the_recorder_is_placed_through_another_and_a_stranger_is_not() {
        let nodes = [node(0, 600.0, true), node(1, 900.0, false), node(2, 300.0, true), node(3, 300.0, true)];
        let truth = [
            ClockMap::linear(0.0, 0.0, 600.0),
            ClockMap::linear(-50.0, -60.0, 900.0),
            ClockMap::linear(33.0, 5.0, 300.0),
            ClockMap::linear(0.0, 0.0, 300.0),
        ];
        let links = [link(&nodes, 0, 1, &truth, 0.0, vec![]), link(&nodes, 0, 2, &truth, 0.0, vec![])];
        let solution = solve(&nodes, &links, 1).unwrap();
        let c = solution.placements[2].as_ref().unwrap();
        // The timeline is the recorder's clock here.
        let want = truth[1].inverse(truth[2].forward(200.0));
        assert!((c.map.forward(200.0) - want).abs() < 1e-5);
        assert_eq!(solution.placements[3].as_ref().unwrap_err(), &Unplaced::NoCommonSound);
    }

    #[test]
    fn an_unplaced_file_lies_between_its_neighbours() {
        // Two chapters of a camera that are placed and one between them that is not, and a recorder.
        let nodes = [node(0, 100.0, true), node(0, 50.0, true), node(0, 80.0, true), node(1, 400.0, false)];
        let (first, last) = (ClockMap::linear(10.0, 0.0, 100.0), ClockMap::linear(200.0, 0.0, 80.0));
        let recorder = ClockMap::linear(-5.0, 0.0, 400.0);
        let maps = [Some(&first), None, Some(&last), Some(&recorder)];
        // It starts at 110 s at the earliest and at 150 s at the latest: 115 and 155 s of the recorder, whose
        // time at the start of `b` is minus the offset when it is `b`.
        let (low, high) = between_neighbours(&nodes, &maps, 1, 3).unwrap();
        assert!((low + 155.5).abs() < 1e-9 && (high + 114.5).abs() < 1e-9, "{low} {high}");
        assert_eq!(between_neighbours(&nodes, &maps, 3, 1), Some((-high, -low)));
        // With one neighbour, as far as the other file goes.
        let maps = [Some(&first), None, None, Some(&recorder)];
        assert_eq!(between_neighbours(&nodes, &maps, 3, 1).unwrap().1, 400.0);
        // Nothing is known of a recording without a place, and nothing is asked of what has one.
        assert_eq!(between_neighbours(&nodes, &[None, None, None, Some(&recorder)], 1, 3), None);
        assert_eq!(between_neighbours(&nodes, &maps, 0, 3), None);
        assert_eq!(between_neighbours(&nodes, &maps, 1, 4), None);
        assert_eq!(between_neighbours(&nodes[..2], &maps, 1, 3), None);
        // What does not fit between its neighbours lies nowhere.
        let near = ClockMap::linear(120.0, 0.0, 80.0);
        assert_eq!(between_neighbours(&nodes, &[Some(&first), None, Some(&near), Some(&recorder)], 1, 3), None);
    }

    #[test]
    fn proof_knows_the_drift_and_what_a_third_of_the_evidence_is_worth() {
        let nodes = [node(0, 600.0, true), node(1, 600.0, false)];
        let truth = [ClockMap::linear(0.0, 0.0, 600.0), ClockMap::linear(3.0, 20.0, 590.0)];
        let mut links = [link(&nodes, 0, 1, &truth, 0.0, vec![])];
        let placed = |links: &[Link]| solve(&nodes, links, 0).unwrap().placements[1].clone().unwrap();
        // Slope of n equal measurements over T: sigma sqrt(12 / n) / T.
        let count = links[0].alignment.evidence.len() as f64;
        let want_ppm = 1e-4 * (12.0 / count).sqrt() / (5.0 * count) * 1e6;
        let p = placed(&links);
        assert!((p.drift_sigma_ppm / want_ppm - 1.0).abs() < 0.05, "{} ppm, not {want_ppm}", p.drift_sigma_ppm);
        assert!(p.without_best_third_s.unwrap() < 1e-6 && p.ends_uncertainty_s[1] > 1e-5);
        // The best third says something else than the rest, by 2 ms: too little to be thrown out, enough to show.
        for (i, e) in links[0].alignment.evidence.iter_mut().enumerate() {
            if i % 3 == 0 {
                (e.a_s, e.sigma_s) = (e.a_s + 0.002, 0.5e-3);
            } else {
                e.sigma_s = 1e-3;
            }
        }
        let moved = placed(&links).without_best_third_s.unwrap();
        assert!((0.5e-3..2e-3).contains(&moved), "{moved}");
        // Two measurements cannot lose one of them.
        links[0].alignment.evidence.truncate(2);
        assert!(solve(&nodes, &links, 0).is_err(), "places of measurements that are not there");
        links[0].alignment.places.truncate(2);
        assert_eq!(placed(&links).without_best_third_s, None);
    }

    #[test]
    fn a_jump_is_of_the_file_of_which_the_others_say_so_even_if_they_see_it_elsewhere() {
        // The timeline's own camera loses sound twice in a silence of 40 s; one link hears words between, the other does
        // not and puts the sum at the wrong end of the silence.
        let nodes = [node(0, 600.0, true), node(1, 600.0, true), node(2, 600.0, false)];
        let jumped = [(0.0, 0.0), (300.0, 300.0), (300.0, 300.05), (320.0, 320.05), (320.0, 320.13), (600.0, 600.13)];
        let jumped = ClockMap::from_knots(jumped.to_vec()).unwrap();
        let truth = [jumped, ClockMap::linear(0.0, 15.0, 600.0), ClockMap::linear(0.0, -20.0, 600.0)];
        let mut links = [
            link(&nodes, 0, 1, &truth, 0.0, vec![PairJump::at(300.0, 300.0, -0.05), PairJump::at(320.0, 320.1, -0.08)]),
            link(&nodes, 0, 2, &truth, 0.0, vec![PairJump::at(335.0, 335.1, -0.13)]),
            link(&nodes, 1, 2, &truth, 0.0, vec![]),
        ];
        // A silence from 296 s to 338 s, but for words from 308 to 312 that the recorder does not hear.
        let silent = |e: &Evidence| (296.0..338.0).contains(&e.b_s);
        links[0].alignment.evidence.retain(|e| !silent(e) || (308.0..313.0).contains(&e.b_s));
        links[1].alignment.evidence.retain(|e| !silent(e));
        links[2].alignment.evidence.retain(|e| !silent(e));
        for l in &mut links {
            l.alignment.places = (0..l.alignment.evidence.len()).collect();
        }
        links[0].alignment.jumps[0].within_s = (296.0, 308.0);
        links[0].alignment.jumps[1].within_s = (312.0, 338.0);
        links[1].alignment.jumps[0].within_s = (296.0, 338.0);
        let solution = solve(&nodes, &links, 0).unwrap();
        let jumps = |file: usize| solution.placements[file].as_ref().unwrap().map.jumps().collect::<Vec<_>>();
        let lost_s: f64 = jumps(0).iter().map(|j| j.1).sum();
        assert!(jumps(0).len() == 2 && (lost_s - 0.13).abs() < 1e-3, "{:?}", jumps(0));
        assert!(jumps(1).is_empty() && jumps(2).is_empty(), "{:?} {:?}", jumps(1), jumps(2));
    }

    #[test]
    fn a_jump_that_no_third_file_hears_leaves_both_in_doubt_beyond_it() {
        // The recorder hears the cameras until 400 s, and one of them loses sound at 450 s, or at 300 s.
        let nodes = [node(0, 600.0, false), node(1, 600.0, true), node(2, 600.0, true)];
        let worst_s = |jump_s: f64| {
            let jumped = [(0.0, 0.0), (jump_s, jump_s), (jump_s, jump_s + 0.12), (600.0, 600.12)];
            let jumped = ClockMap::from_knots(jumped.to_vec()).unwrap();
            let truth = [ClockMap::linear(0.0, 0.0, 600.0), jumped, ClockMap::linear(0.0, -20.0, 600.0)];
            let jump = |sign: f64| vec![PairJump::at(jump_s, jump_s, sign * 0.12)];
            let heard = |sign: f64| if jump_s < 400.0 { jump(sign) } else { vec![] };
            let mut links = [
                link(&nodes, 0, 1, &truth, 0.0, heard(1.0)),
                link(&nodes, 0, 2, &truth, 0.0, vec![]),
                link(&nodes, 1, 2, &truth, 0.0, jump(-1.0)),
            ];
            for l in &mut links[..2] {
                l.alignment.evidence.retain(|e| e.b_s < 400.0);
                l.alignment.places.truncate(l.alignment.evidence.len());
            }
            let solution = solve(&nodes, &links, 0).unwrap();
            [1, 2].map(|file| {
                let stretches = &solution.placements[file].as_ref().unwrap().stretches;
                let worst_s = |within: std::ops::Range<f64>| {
                    let there = stretches.iter().filter(|s| within.contains(&s.from_s));
                    there.map(|s| s.uncertainty_s).fold(0.0, f64::max)
                };
                [worst_s(0.0..jump_s - 1.0), worst_s(jump_s - 1.0..600.0)]
            })
        };
        let known = worst_s(300.0);
        assert!(known.iter().flatten().all(|&s| s < 0.01), "{known:?}");
        for [before_s, after_s] in worst_s(450.0) {
            assert!(before_s < 0.01 && (after_s - 0.12 * 0.5f64.sqrt()).abs() < 0.005, "{before_s} {after_s}");
        }
    }

    #[test]
    fn what_is_tied_to_two_files_beyond_a_jump_of_either_is_in_doubt_with_them() {
        // The recorder hears the cameras until 400 s. At 450 s one of them loses sound. A third camera, from 500 s on, hears
        // one of them, and, in the second case, the recorder.
        let nodes = [node(0, 600.0, false), node(1, 600.0, true), node(2, 600.0, true), node(3, 90.0, true)];
        let jumped = [(0.0, 0.0), (450.0, 450.0), (450.0, 450.12), (600.0, 600.12)];
        let jumped = ClockMap::from_knots(jumped.to_vec()).unwrap();
        let straight = |start_s: f64, length_s: f64| ClockMap::linear(start_s, 0.0, length_s);
        let truth = [straight(0.0, 600.0), jumped, straight(0.0, 600.0), straight(500.0, 90.0)];
        let worst_s = |hears_the_recorder: bool| {
            let mut links = vec![
                link(&nodes, 0, 1, &truth, 0.0, vec![]),
                link(&nodes, 0, 2, &truth, 0.0, vec![]),
                link(&nodes, 1, 2, &truth, 0.0, vec![PairJump::at(450.0, 450.0, -0.12)]),
                link(&nodes, 2, 3, &truth, 0.0, vec![]),
            ];
            for l in &mut links[..2] {
                l.alignment.evidence.retain(|e| e.b_s < 400.0);
                l.alignment.places.truncate(l.alignment.evidence.len());
            }
            if hears_the_recorder {
                links.push(link(&nodes, 0, 3, &truth, 0.0, vec![]));
            }
            let solution = solve(&nodes, &links, 0).unwrap();
            [1, 2, 3].map(|file| solution.placements[file].as_ref().unwrap().uncertainty_s)
        };
        let off_s = 0.12 * 0.5f64.sqrt();
        assert!(worst_s(false).iter().all(|s| (s - off_s).abs() < 0.005), "{:?}", worst_s(false));
        assert!(worst_s(true).iter().all(|&s| s < 0.01), "{:?}", worst_s(true));
    }

    #[test]
    fn two_jumps_that_one_link_sees_are_two_however_close() {
        let nodes = [node(0, 600.0, false), node(1, 600.0, true), node(2, 600.0, false)];
        let steps = [(301.5, 0.05), (303.5, 0.08)];
        let jumped = [(0.0, 0.0), (301.5, 301.5), (301.5, 301.55), (303.5, 303.55), (303.5, 303.63), (600.0, 600.13)];
        let jumped = ClockMap::from_knots(jumped.to_vec()).unwrap();
        let truth = [ClockMap::linear(0.0, 0.0, 600.0), jumped, ClockMap::linear(0.0, -20.0, 600.0)];
        let mut links = [
            link(&nodes, 0, 1, &truth, 0.0, steps.map(|(at, s)| PairJump::at(at, at, s)).to_vec()),
            link(&nodes, 1, 2, &truth, 0.0, steps.map(|(at, s)| PairJump::at(at + 0.3, at, -s)).to_vec()),
        ];
        links[0].alignment.jumps[0].within_s = (290.0, 302.0);
        links[1].alignment.jumps[0].within_s = (299.0, 302.8);
        let solution = solve(&nodes, &links, 0).unwrap();
        let placed = solution.placements[1].as_ref().unwrap();
        let found: Vec<_> = placed.map.jumps().collect();
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found.iter().zip(steps).all(|(f, s)| (f.0 - s.0).abs() < 0.5 && (f.1 - s.1).abs() < 1e-4), "{found:?}");
        // Each link tells what the other leaves open.
        let open = placed.stretches.iter().find(|s| s.uncertainty_s > 0.03).expect("a stretch");
        assert!(open.from_s > 298.9 && open.to_s < 302.1, "{:?}", placed.stretches);
    }

    #[test]
    fn a_jump_belongs_to_the_file_in_which_two_links_see_it() {
        let nodes = [node(0, 600.0, true), node(1, 600.0, true), node(2, 600.0, false)];
        let jumped = ClockMap::from_knots(vec![(0.0, 0.0), (300.0, 300.0), (300.0, 300.12), (600.0, 600.12)]).unwrap();
        let truth = [ClockMap::linear(0.0, 0.0, 600.0), jumped, ClockMap::linear(0.0, -20.0, 600.0)];
        let links = [
            link(&nodes, 0, 1, &truth, 0.0, vec![PairJump::at(300.0, 300.0, 0.12)]),
            link(&nodes, 1, 2, &truth, 0.0, vec![PairJump::at(300.4, 300.0, -0.12)]),
            link(&nodes, 0, 2, &truth, 0.0, vec![]),
        ];
        let solution = solve(&nodes, &links, 0).unwrap();
        let jumps: Vec<_> = solution.placements[1].as_ref().unwrap().map.jumps().collect();
        assert_eq!(jumps.len(), 1);
        assert!((jumps[0].1 - 0.12).abs() < 1e-5, "{jumps:?}");
        assert_eq!(solution.placements[0].as_ref().unwrap().map.jumps().count(), 0);
        assert_eq!(solution.placements[2].as_ref().unwrap().map.jumps().count(), 0);
    }

    fn anchor(a: usize, a_s: f64, b: usize, b_s: f64, force: Force) -> Anchor {
        Anchor { a, a_s, b, b_s, uncertainty_s: 0.05, force }
    }

    /// Camera, recorder and a second camera that all hear each other, and a fourth file that hears nobody.
    fn four() -> ([Node; 4], [ClockMap; 4], Vec<Link>) {
        let nodes = [node(0, 600.0, true), node(1, 900.0, false), node(2, 300.0, true), node(3, 200.0, true)];
        let truth = [
            ClockMap::linear(0.0, 0.0, 600.0),
            ClockMap::linear(-50.0, -60.0, 900.0),
            ClockMap::linear(33.0, 5.0, 300.0),
            ClockMap::linear(100.0, 0.0, 200.0),
        ];
        let links = [(0, 1), (0, 2), (1, 2)].map(|(a, b)| link(&nodes, a, b, &truth, 0.0, vec![])).into();
        (nodes, truth, links)
    }

    #[test]
    fn a_wrong_soft_anchor_is_reported_with_its_size_and_moves_nothing() {
        let (nodes, truth, links) = four();
        let a_s = truth[2].forward(150.0);
        let wrong = anchor(0, a_s + 2.0, 2, 150.0, Force::Soft);
        let right = anchor(0, a_s + 0.04, 2, 150.0, Force::Soft);
        let solution = solve_anchored(&nodes, &links, &[wrong, right], 0).unwrap();
        let [wrong, right] = solution.anchors[..] else { panic!() };
        assert!((wrong.disagreement_s.unwrap() - 2.0).abs() < 1e-4, "{wrong:?}");
        assert!(wrong.contradicts && !wrong.used);
        assert!((right.disagreement_s.unwrap() - 0.04).abs() < 1e-4, "{right:?}");
        assert!(!right.contradicts && right.used);
        let map = &solution.placements[2].as_ref().unwrap().map;
        assert!((map.forward(150.0) - a_s).abs() < 1e-4);
    }

    #[test]
    fn a_wrong_hard_anchor_is_obeyed_and_reported_and_the_sound_keeps_the_drift() {
        let (nodes, truth, links) = four();
        let a_s = truth[2].forward(150.0) + 2.0;
        let solution = solve_anchored(&nodes, &links, &[anchor(0, a_s, 2, 150.0, Force::Hard)], 0).unwrap();
        let report = solution.anchors[0];
        assert!((report.disagreement_s.unwrap() - 2.0).abs() < 1e-4 && report.contradicts && report.used, "{report:?}");
        let moved = solution.placements[2].as_ref().unwrap();
        assert!((moved.map.forward(150.0) - a_s).abs() < 1e-6);
        assert!((moved.map.drift_ppm() - 5.0).abs() < 0.01, "{}", moved.map.drift_ppm());
        assert!(moved.confidence < 0.01 && moved.uncertainty_s >= 0.05, "{moved:?}");
        // Nobody else moves.
        let recorder = solution.placements[1].as_ref().unwrap();
        assert!((recorder.map.forward(400.0) - truth[1].forward(400.0)).abs() < 1e-5);
        assert!(recorder.confidence > 0.99);
    }

    #[test]
    fn an_anchor_places_a_file_that_no_sound_holds_and_contradictory_ones_do_not() {
        let (nodes, truth, links) = four();
        assert!(solve(&nodes, &links, 0).unwrap().placements[3].is_err());
        let b_s = truth[1].inverse(truth[3].forward(40.0));
        for force in [Force::Soft, Force::Hard] {
            let solution = solve_anchored(&nodes, &links, &[anchor(1, b_s, 3, 40.0, force)], 0).unwrap();
            let placed = solution.placements[3].as_ref().unwrap();
            assert!((placed.map.forward(40.0) - truth[3].forward(40.0)).abs() < 1e-4, "{placed:?}");
            assert!(placed.uncertainty_s >= 0.05 && placed.uncertainty_s < 0.06, "{placed:?}");
            assert_eq!(solution.anchors[0].disagreement_s, None);
            assert!(solution.anchors[0].used);
            let two = [anchor(1, b_s, 3, 40.0, force), anchor(1, b_s + 5.0, 3, 40.0, force)];
            let solution = solve_anchored(&nodes, &links, &two, 0).unwrap();
            assert!(solution.placements[3].is_err());
            assert!(solution.anchors.iter().all(|a| !a.used));
        }
    }

    #[test]
    fn anchors_alone_place_files_and_bad_ones_are_refused() {
        let (nodes, ..) = four();
        let two = [anchor(0, 10.0, 2, 5.0, Force::Soft), anchor(2, 200.0, 1, 400.0, Force::Soft)];
        let solution = solve_anchored(&nodes, &[], &two, 0).unwrap();
        let start = |i: usize| solution.placements[i].as_ref().unwrap().map.forward(0.0);
        assert!((start(2) - 5.0).abs() < 1e-3 && (start(1) + 195.0).abs() < 0.02, "{} {}", start(2), start(1));
        for bad in [
            anchor(0, 1.0, 0, 2.0, Force::Soft),
            anchor(0, 601.0, 2, 2.0, Force::Soft),
            anchor(0, f64::NAN, 2, 2.0, Force::Soft),
            anchor(0, 1.0, 4, 2.0, Force::Soft),
            Anchor { uncertainty_s: 0.0, ..two[0] },
        ] {
            assert!(solve_anchored(&nodes, &[], &[bad], 0).is_err(), "{bad:?}");
        }
    }
}
