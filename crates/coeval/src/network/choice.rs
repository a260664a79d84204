//! Which links can all be true.
//!
//! A link carries log odds, `ln(c / (1 - c))` of its confidence `c`. Of links that contradict each other, the set with
//! the greatest sum of log odds is kept. It is found as a maximum spanning forest (Kruskal 1956), against which
//! every other link agrees or contradicts, and a local search that drops a link of the forest where what it
//! contradicts is worth more.
//!
//! # Joining two sets of files
//! A link that would join two sets of files, each of which already holds together by surer links, needs more than its
//! own odds. If both sets were of one event, their other files had a chance to share sound as well, and did not. Let `k`
//! be the number of files without a link across, in the set that has fewer of these. The prior odds of one event are
//! then 1 to [`JOIN_AGAINST`]` * k`, and the sets are joined where the posterior odds are more than even. A single
//! file has `k = 0` and is joined by any link. Two sets of two files need a confidence of 0.99; with half of
//! [`JOIN_AGAINST`] it is 0.98, with double 0.995.
//!
//! # Confidence
//! A set of files lies wrong where all links are wrong that tie it to the rest. The cut tree of the agreeing links
//! (Gomory & Hu 1961, by Gusfield's method, 1990, both from memory) names the weakest such cut between any two
//! files. With the log odds `s` of the cut's links and `x` of the strongest alternative among those that contradict
//! them, the cut is right with probability `e^s / (e^s + e^x + 1)`; a file is right where every cut on its path
//! from the origin is.

use std::collections::VecDeque;

use super::{Link, Node};

/// The doubt that the surest link leaves: its confidence comes from a model that may itself be wrong.
const DOUBT_LEAST: f64 = 1e-12;
/// The least that a link weighs in a choice: a doubtful one is better than none.
const LOG_ODDS_LEAST: f64 = 0.01;
/// Prior odds against one event for each file that shares nothing across; see the module's text.
const JOIN_AGAINST: f64 = 99.0;
/// Paths of sound to two devices differ by no more than this, seconds: 20 m. What differs by more contradicts.
const SOUND_PATHS_S: f64 = 0.06;
/// Evidence is contradicted beyond this many standard deviations.
pub(super) const CONTRADICTS: f64 = 3.0;
/// Standard deviation of a clock's drift away from where it was measured: temperature, and what is not known at all
/// where there are too few measurements; seconds a second.
const WANDER: f64 = 10e-6;
const DRIFT_UNKNOWN: f64 = 100e-6;
/// Measurements of a link that are held against the others, at the most.
const SAMPLES: usize = 9;
/// Alternatives that the local search tries, at the most.
const TRIES: usize = 64;

/// Log odds of a confidence, within what [`DOUBT_LEAST`] allows.
pub(super) fn log_odds(confidence: f64) -> f64 {
    let c = if confidence.is_nan() { DOUBT_LEAST } else { confidence.clamp(DOUBT_LEAST, 1.0 - DOUBT_LEAST) };
    (c / (1.0 - c)).ln()
}

/// Which links can all be true, and which files they hold together.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Choice {
    /// For each link: it belongs to the links that are taken for true.
    pub used: Vec<bool>,
    /// For each link: the links in use contradict it. What is neither used nor contradicted would join two sets of
    /// files for which it says too little.
    pub contradicted: Vec<bool>,
    /// For each file, the lowest index of the files that links in use hold together with it.
    pub set: Vec<usize>,
}

/// How a link's time can be wrong.
struct Reach {
    odds: f64,
    weight: f64,
    sigma_s: f64,
    drift_sigma: f64,
    /// First and last measurement, time in `b`.
    span_s: (f64, f64),
}

impl Reach {
    fn of(link: &Link) -> Self {
        let x = &link.alignment;
        let times = || x.evidence.iter().map(|e| e.b_s);
        let span_s = (times().fold(f64::INFINITY, f64::min), times().fold(f64::NEG_INFINITY, f64::max));
        let (count, length_s) = (x.evidence.len() as f64, span_s.1 - span_s.0);
        // The slope of a line through `count` even measurements over `length_s`.
        let slope = x.uncertainty_s.max(0.0) * (12.0 / count).sqrt() / length_s;
        let drift_sigma = if count >= 3.0 && length_s > 0.0 { slope.min(DRIFT_UNKNOWN) } else { DRIFT_UNKNOWN };
        let odds = log_odds(x.confidence);
        Self {
            odds,
            weight: odds.max(LOG_ODDS_LEAST),
            sigma_s: x.uncertainty_s.max(0.0),
            drift_sigma: drift_sigma.hypot(WANDER),
            span_s,
        }
    }

    /// One standard deviation at a moment of `b`, seconds.
    fn sigma_s(&self, b_s: f64) -> f64 {
        let outside_s = (self.span_s.0 - b_s).max(b_s - self.span_s.1).max(0.0);
        self.sigma_s.hypot(self.drift_sigma * outside_s)
    }
}

/// A spanning forest and what it says of all links.
struct Forest {
    tree: Vec<bool>,
    set: Vec<usize>,
    /// Links of the forest at each file.
    at: Vec<Vec<usize>>,
}

impl Forest {
    fn join(&mut self, index: usize, link: &Link) {
        self.tree[index] = true;
        self.at[link.a].push(index);
        self.at[link.b].push(index);
        let (keep, drop) = (self.set[link.a].min(self.set[link.b]), self.set[link.a].max(self.set[link.b]));
        self.set.iter_mut().filter(|s| **s == drop).for_each(|s| *s = keep);
    }

    /// The links from one file to another through the forest.
    fn path(&self, links: &[Link], from: usize, to: usize) -> Option<Vec<usize>> {
        if self.set[from] != self.set[to] {
            return None;
        }
        let mut came: Vec<Option<usize>> = vec![None; self.at.len()];
        let mut queue = VecDeque::from([from]);
        while let Some(file) = queue.pop_front() {
            if file == to {
                break;
            }
            for &l in &self.at[file] {
                let next = other(&links[l], file);
                if next != from && came[next].is_none() {
                    came[next] = Some(l);
                    queue.push_back(next);
                }
            }
        }
        let (mut path, mut file) = (Vec::new(), to);
        while file != from {
            let l = came[file]?;
            path.push(l);
            file = other(&links[l], file);
        }
        path.reverse();
        Some(path)
    }
}

fn other(link: &Link, file: usize) -> usize {
    if link.a == file { link.b } else { link.a }
}

/// Everything that the choice is made from.
struct Chooser<'a> {
    links: &'a [Link],
    reach: Vec<Reach>,
    /// Links by falling log odds; those without a measurement are left out, as they place nothing.
    order: Vec<usize>,
    files: usize,
}

/// A forest, what every link is against it, and the sum of log odds of what it keeps.
struct Judged {
    forest: Forest,
    used: Vec<bool>,
    contradicted: Vec<bool>,
    /// For each link of the forest, the log odds that contradict it.
    against: Vec<f64>,
    total: f64,
}

impl Chooser<'_> {
    /// By how much link `l` disagrees with the path from its `b` to its `a`, as a fraction of what is allowed; at most
    /// one where it agrees. With the disagreement in seconds.
    fn disagreement(&self, l: usize, path: &[usize]) -> (f64, f64) {
        let link = &self.links[l];
        let evidence = &link.alignment.evidence;
        let count = evidence.len().min(SAMPLES);
        let mut off: Vec<(f64, f64)> = (0..count)
            .map(|i| {
                let e = &evidence[if count > 1 { i * (evidence.len() - 1) / (count - 1) } else { 0 }];
                let (mut file, mut time_s) = (link.b, e.b_s);
                let mut variance = self.reach[l].sigma_s(e.b_s).powi(2);
                for &p in path {
                    let step = &self.links[p];
                    let before_s = time_s;
                    let map = &step.alignment.map;
                    (file, time_s) = match step.b == file {
                        true => (step.a, map.forward(time_s)),
                        false => (step.b, map.inverse(time_s)),
                    };
                    let in_b_s = if step.a == file { before_s } else { time_s };
                    variance += self.reach[p].sigma_s(in_b_s).powi(2);
                }
                (time_s - e.a_s, variance.sqrt())
            })
            .collect();
        off.sort_by(|x, y| x.0.total_cmp(&y.0));
        let (off_s, sigma_s) = off[off.len() / 2];
        (off_s.abs() / (SOUND_PATHS_S + CONTRADICTS * sigma_s), off_s)
    }

    fn agrees(&self, l: usize, path: &[usize]) -> bool {
        self.disagreement(l, path).0 <= 1.0
    }

    /// May link `l` join the sets of its files? See the module's text.
    fn may_join(&self, forest: &Forest, excluded: &[bool], l: usize) -> bool {
        let (x, y) = (forest.set[self.links[l].a], forest.set[self.links[l].b]);
        let size = |set: usize| forest.set.iter().filter(|&&s| s == set).count();
        let (size_x, size_y) = (size(x), size(y));
        if size_x.min(size_y) == 1 {
            return true;
        }
        let crosses = |k: &usize| {
            let (p, q) = (forest.set[self.links[*k].a], forest.set[self.links[*k].b]);
            !excluded[*k] && ((p, q) == (x, y) || (p, q) == (y, x))
        };
        let (mut odds, mut heard) = (0.0, Vec::new());
        for k in self.order.iter().copied().filter(crosses) {
            // From `b` of `k` within its set to `l`, across, and on to `a` of `k`.
            let (link, bridge) = (&self.links[k], &self.links[l]);
            let (near, far) = match forest.set[link.b] == forest.set[bridge.b] {
                true => (bridge.b, bridge.a),
                false => (bridge.a, bridge.b),
            };
            let parts = (forest.path(self.links, link.b, near), forest.path(self.links, far, link.a));
            let (Some(mut path), Some(rest)) = parts else { continue };
            path.push(l);
            path.extend(rest);
            if k == l || self.agrees(k, &path) {
                odds += self.reach[k].odds.max(0.0);
                heard.extend([link.a, link.b]);
            }
        }
        heard.sort_unstable();
        heard.dedup();
        let silent = |set: usize, size: usize| size - heard.iter().filter(|&&f| forest.set[f] == set).count();
        let least = silent(x, size_x).min(silent(y, size_y));
        odds >= (JOIN_AGAINST * least as f64).max(f64::MIN_POSITIVE).ln() - 1e-9
    }

    fn forest(&self, excluded: &[bool]) -> Forest {
        let mut forest = Forest {
            tree: vec![false; self.links.len()],
            set: (0..self.files).collect(),
            at: vec![Vec::new(); self.files],
        };
        let mut open: Vec<usize> = self.order.iter().copied().filter(|&l| !excluded[l]).collect();
        loop {
            let before = open.len();
            // What may not join two sets yet may do so when they have grown.
            open.retain(|&l| {
                let link = &self.links[l];
                if forest.set[link.a] == forest.set[link.b] {
                    return false;
                }
                if self.may_join(&forest, excluded, l) {
                    forest.join(l, link);
                    return false;
                }
                true
            });
            if open.len() == before || open.is_empty() {
                return forest;
            }
        }
    }

    fn judge(&self, excluded: &[bool]) -> Judged {
        let forest = self.forest(excluded);
        let mut used = forest.tree.clone();
        let mut contradicted = vec![false; self.links.len()];
        let mut against = vec![0.0; self.links.len()];
        for &l in self.order.iter().filter(|&&l| !forest.tree[l]) {
            let Some(path) = forest.path(self.links, self.links[l].b, self.links[l].a) else { continue };
            if self.agrees(l, &path) {
                used[l] = true;
            } else {
                contradicted[l] = true;
                path.iter().for_each(|&p| against[p] += self.reach[l].weight);
            }
        }
        let total = (0..used.len()).filter(|&l| used[l]).map(|l| self.reach[l].weight).sum();
        Judged { forest, used, contradicted, against, total }
    }
}

/// Chooses; indices must have been checked.
pub(super) fn choose(nodes: &[Node], links: &[Link]) -> Choice {
    let reach: Vec<Reach> = links.iter().map(Reach::of).collect();
    let mut order: Vec<usize> = (0..links.len()).filter(|&l| !links[l].alignment.evidence.is_empty()).collect();
    order.sort_by(|&x, &y| reach[y].odds.total_cmp(&reach[x].odds).then(x.cmp(&y)));
    let chooser = Chooser { links, reach, order, files: nodes.len() };
    let mut excluded = vec![false; links.len()];
    let mut best = chooser.judge(&excluded);
    let mut tries = 0;
    'search: loop {
        let gain = |l: usize| best.against[l] - chooser.reach[l].weight;
        let mut doubtful: Vec<usize> = chooser.order.iter().copied().filter(|&l| gain(l) > 0.0).collect();
        doubtful.retain(|&l| best.forest.tree[l]);
        doubtful.sort_by(|&x, &y| gain(y).total_cmp(&gain(x)).then(x.cmp(&y)));
        for l in doubtful {
            if tries == TRIES {
                break 'search;
            }
            tries += 1;
            excluded[l] = true;
            let judged = chooser.judge(&excluded);
            if judged.total > best.total + 1e-9 {
                best = judged;
                continue 'search;
            }
            excluded[l] = false;
        }
        break;
    }
    Choice { used: best.used, contradicted: best.contradicted, set: best.forest.set }
}

/// Confidence of every file by the links `used` from file `origin`, against those that are `contradicted`: `None` where
/// no path leads there. `off_s` tells by how much the solution and a link disagree: time of its `a` minus that of
/// its `b`.
pub(super) fn confidences(
    files: usize,
    ties: &[(usize, usize, f64)],
    against: &[(usize, usize, f64, f64)],
    origin: usize,
) -> Vec<Option<f64>> {
    let mut out = vec![None; files];
    let members = reached(files, ties, origin);
    let index: Vec<Option<usize>> = {
        let mut of = vec![None; files];
        members.iter().enumerate().for_each(|(i, &f)| of[f] = Some(i));
        of
    };
    let within: Vec<(usize, usize, f64)> =
        ties.iter().filter_map(|&(a, b, c)| Some((index[a]?, index[b]?, c))).collect();
    let rivals: Vec<(usize, usize, f64, f64)> =
        against.iter().filter_map(|&(a, b, c, off_s)| Some((index[a]?, index[b]?, c, off_s))).collect();
    let parent = cut_tree(members.len(), &within);
    // The origin is file 0 and the tree's root, above which there is no cut.
    let right: Vec<f64> = (0..members.len())
        .map(|i| if i == 0 { 1.0 } else { cut_is_right(&within, &rivals, &below(&parent, i)) })
        .collect();
    for (i, &file) in members.iter().enumerate() {
        let (mut at, mut product) = (i, 1.0);
        while at != 0 {
            product *= right[at];
            at = parent[at];
        }
        out[file] = Some(product);
    }
    out
}

/// Files that ties lead to, the origin first.
fn reached(files: usize, ties: &[(usize, usize, f64)], origin: usize) -> Vec<usize> {
    let mut next: Vec<Vec<usize>> = vec![Vec::new(); files];
    for &(a, b, _) in ties {
        next[a].push(b);
        next[b].push(a);
    }
    let (mut seen, mut list, mut at) = (vec![false; files], vec![origin], 0);
    seen[origin] = true;
    while let Some(&file) = list.get(at) {
        for &n in &next[file] {
            if !std::mem::replace(&mut seen[n], true) {
                list.push(n);
            }
        }
        at += 1;
    }
    list
}

/// Which files lie on the far side of the tree's edge above `file`.
fn below(parent: &[usize], file: usize) -> Vec<bool> {
    (0..parent.len())
        .map(|i| {
            let mut at = i;
            while at != 0 && at != file {
                at = parent[at];
            }
            at == file
        })
        .collect()
}

/// Log odds of several that say the same: they add up, and a doubtful one takes nothing from the others.
fn together(odds: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut best) = (0.0, f64::NEG_INFINITY);
    for o in odds {
        sum += o.max(0.0);
        best = o.max(best);
    }
    if best > 0.0 { sum } else { best }
}

fn cut_is_right(ties: &[(usize, usize, f64)], rivals: &[(usize, usize, f64, f64)], far: &[bool]) -> f64 {
    let held = together(ties.iter().filter(|t| far[t.0] != far[t.1]).map(|t| log_odds(t.2)));
    // Where each rival would move the far side to: those that agree add up.
    let mut moves: Vec<(f64, f64)> = rivals
        .iter()
        .filter(|r| far[r.0] != far[r.1])
        .map(|r| (if far[r.1] { r.3 } else { -r.3 }, log_odds(r.2)))
        .collect();
    moves.sort_by(|x, y| x.0.total_cmp(&y.0).then(x.1.total_cmp(&y.1)));
    let near = |x: &(f64, f64), y: &(f64, f64)| (x.0 - y.0).abs() <= 2.0 * SOUND_PATHS_S;
    let alternative = moves
        .iter()
        .map(|m| together(moves.iter().filter(|n| near(m, n)).map(|n| n.1)))
        .fold(f64::NEG_INFINITY, f64::max);
    1.0 / (1.0 + (-held).exp() + (alternative - held).exp())
}

/// The cut tree: each file's parent; file 0 is the root. Capacities are what it would take for a link to be wrong,
/// `-ln(1 - c)`.
fn cut_tree(files: usize, ties: &[(usize, usize, f64)]) -> Vec<usize> {
    let mut parent = vec![0; files];
    let capacity = |c: f64| -(1.0 - if c.is_nan() { 0.0 } else { c.clamp(0.0, 1.0 - DOUBT_LEAST) }).ln();
    let edges: Vec<(usize, usize, f64)> = ties.iter().map(|&(a, b, c)| (a, b, capacity(c))).collect();
    for s in 1..files {
        let t = parent[s];
        let side = side_of(files, &edges, s, t);
        for i in (0..files).filter(|&i| i != s) {
            if side[i] && parent[i] == t {
                parent[i] = s;
            }
        }
        if t != 0 && side[parent[t]] {
            parent[s] = parent[t];
            parent[t] = s;
        }
    }
    parent
}

/// The files on the side of `s` of the weakest cut between `s` and `t` (Edmonds & Karp 1972, from memory).
fn side_of(files: usize, edges: &[(usize, usize, f64)], s: usize, t: usize) -> Vec<bool> {
    const NOTHING: f64 = 1e-12;
    let mut next: Vec<Vec<usize>> = vec![Vec::new(); files];
    for (i, e) in edges.iter().enumerate() {
        next[e.0].push(i);
        next[e.1].push(i);
    }
    // Flow from the edge's first file to its second.
    let mut flow = vec![0.0; edges.len()];
    loop {
        let mut came: Vec<Option<usize>> = vec![None; files];
        let mut seen = vec![false; files];
        seen[s] = true;
        let mut queue = VecDeque::from([s]);
        while let Some(file) = queue.pop_front() {
            if file == t {
                break;
            }
            for &i in &next[file] {
                let (a, b, capacity) = edges[i];
                let (to, left) = if a == file { (b, capacity - flow[i]) } else { (a, capacity + flow[i]) };
                if left > NOTHING && !std::mem::replace(&mut seen[to], true) {
                    came[to] = Some(i);
                    queue.push_back(to);
                }
            }
        }
        if !seen[t] {
            return seen;
        }
        let mut path = Vec::new();
        let mut file = t;
        while let Some(i) = came[file].filter(|_| file != s) {
            let (a, b, capacity) = edges[i];
            let (from, left) = if b == file { (a, capacity - flow[i]) } else { (b, capacity + flow[i]) };
            path.push((i, b == file, left));
            file = from;
        }
        let most = path.iter().map(|p| p.2).fold(f64::INFINITY, f64::min);
        path.iter().for_each(|&(i, forward, _)| flow[i] += if forward { most } else { -most });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odds_have_an_end() {
        assert!((log_odds(0.9) - 9f64.ln()).abs() < 1e-12);
        assert_eq!(log_odds(0.5), 0.0);
        assert!(log_odds(1.0) < 27.7 && log_odds(1.0) > 27.6);
        assert!(log_odds(0.0) < -27.6 && log_odds(f64::NAN) < -27.6);
    }

    #[test]
    fn confidence_adds_along_alternatives_and_is_lost_along_a_path() {
        let near = |x: Option<f64>, y: f64| assert!((x.unwrap() - y).abs() < 1e-9, "{x:?}, not {y}");
        // One link says what it says.
        for c in [0.3, 0.5, 0.9, 0.9999] {
            near(confidences(2, &[(0, 1, c)], &[], 0)[1], c);
        }
        let chain = confidences(4, &[(0, 1, 0.9), (1, 2, 0.8)], &[], 0);
        near(chain[2], 0.72);
        assert_eq!(chain[3], None);
        // Two independent links of one pair: odds of 9 and 9 make 81.
        near(confidences(2, &[(0, 1, 0.9), (1, 0, 0.9)], &[], 0)[1], 81.0 / 82.0);
        // Two paths that both hang on one weak link are no better than it.
        let ties = [(0, 1, 0.9), (1, 2, 0.999_999), (1, 3, 0.999_999), (2, 3, 0.999_999)];
        let hung = confidences(4, &ties, &[], 0)[3].unwrap();
        assert!(hung < 0.9 && hung > 0.8999, "{hung}");
    }

    #[test]
    fn an_equally_strong_contradiction_leaves_nobody_sure() {
        let sure = |against: &[(usize, usize, f64, f64)]| confidences(2, &[(0, 1, 0.999)], against, 0)[1].unwrap();
        assert!((sure(&[]) - 0.999).abs() < 1e-9);
        assert!(sure(&[(0, 1, 0.999, 4.0)]) < 0.5);
        // A weak one costs a little; two that agree cost more than two that do not.
        let (one, agree, apart) = (
            sure(&[(0, 1, 0.9, 4.0)]),
            sure(&[(0, 1, 0.9, 4.0), (1, 0, 0.9, -4.01)]),
            sure(&[(0, 1, 0.9, 4.0), (1, 0, 0.9, 7.0)]),
        );
        assert!(one > 0.985 && one < 0.995 && agree < 0.93 && (apart - one).abs() < 1e-9, "{one} {agree} {apart}");
        // It does not concern files on the same side of it.
        let ties = [(0, 1, 0.999), (1, 2, 0.999), (2, 3, 0.999)];
        let all = confidences(4, &ties, &[(2, 3, 0.999, 1.0)], 0);
        assert!(all[2].unwrap() > 0.997 && all[3].unwrap() < 0.5, "{all:?}");
    }

    #[test]
    fn the_cut_tree_finds_the_weakest_cut() {
        // Two triangles of strong links, joined by two weak ones.
        let ties = [
            (0, 1, 0.999),
            (1, 2, 0.999),
            (0, 2, 0.999),
            (3, 4, 0.999),
            (4, 5, 0.999),
            (3, 5, 0.999),
            (2, 3, 0.6),
            (0, 5, 0.6),
        ];
        let sure = confidences(6, &ties, &[], 0);
        let across = 2.25 / 3.25;
        for (file, sure) in sure.iter().enumerate() {
            let sure = sure.unwrap();
            match file < 3 {
                true => assert!(sure > 0.999_99, "{file}: {sure}"),
                false => assert!((sure - across).abs() < 1e-4, "{file}: {sure}"),
            }
        }
    }
}
