//! Pairs -> one clock -> the result contract.

use std::collections::BTreeMap;

use coeval::Result;
use coeval::clock::ClockMap;
use coeval::network::{self, Choice, Link};

use crate::Options;
use crate::alignment::Alignment;
use crate::chapters::Group;
use crate::compare::Compared;
use crate::entries::Entries;
use crate::headers::Probed;
use crate::places::{Places, Shoot, events};
use crate::sound::Analysed;

/// The outcome of [`solve`].
#[derive(Debug)]
#[non_exhaustive]
pub struct Solved {
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

impl Solved {
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
pub fn solve(
    probed: &[Probed],
    groups: &[Group],
    heard: &[Analysed],
    compared: &[Compared],
    options: &Options,
) -> Result<Solved> {
    let shoot = Shoot::new(probed, groups, heard, compared, options)?;
    let main = shoot.main(options.main.as_deref())?;
    let choice = network::choose(&shoot.nodes, &shoot.links)?;
    let found = events(groups, &shoot.nodes, &shoot.links, &choice, &shoot.tied, main);
    let (mut places, reports) = shoot.solve(&choice, &found)?;
    let by_sound = places.events.clone();
    let refused = refused(&shoot.links, &choice, |node| by_sound[shoot.files[node]]);
    places.carry(&shoot);
    places.trust_times(&shoot);
    places.start_at_zero(&shoot, &found);
    let narrowed_s = narrowed_s(&shoot, &places, &by_sound, found.len());
    let entries = Entries { shoot: &shoot, places: &places, found: &found, reports: &reports, refused: &refused };
    let alignment = entries.alignment(main);
    Ok(Solved { alignment, maps: places.own_maps(), events: by_sound, lengths_s: shoot.lengths_s, narrowed_s })
}

/// For two files of which one is unplaced, where one can lie in the other by its neighbours. `by_sound`: the events of what
/// sound and anchors place.
fn narrowed_s(
    shoot: &Shoot,
    places: &Places,
    by_sound: &[Option<usize>],
    events: usize,
) -> BTreeMap<(usize, usize), (f64, f64)> {
    let files = &shoot.files;
    let mut narrowed_s = BTreeMap::new();
    for number in 1..=events {
        // Times of two timelines say nothing of each other.
        let here = |f: usize| places.map(f).filter(|_| by_sound[f] == Some(number));
        let maps: Vec<Option<&ClockMap>> = files.iter().map(|&f| here(f)).collect();
        let placed_elsewhere = |node: usize| maps[node].is_none() && by_sound[files[node]].is_some();
        for (a, b) in (0..files.len()).flat_map(|b| (0..b).map(move |a| (a, b))) {
            if placed_elsewhere(a) || placed_elsewhere(b) {
                continue;
            }
            if let Some(range_s) = network::between_neighbours(&shoot.nodes, &maps, a, b) {
                narrowed_s.entry((files[a], files[b])).or_insert(range_s);
            }
        }
    }
    narrowed_s
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
        let solved = solve(&probed, &groups, &[Ok(None), Ok(None)], &[], &Options::default()).unwrap();
        let said = |path: &str| solved.alignment.file(path).unwrap().warnings.join(" ");
        assert!(said("phone.mov").contains("variable frame rate"), "{}", said("phone.mov"));
        assert_eq!(said("steady.mp4"), "");
    }

    /// Recorders of two events, a camera in each, and a sentence that is in both.
    fn two_events(confidence: f64, options: &Options) -> Solved {
        use crate::alignment::Kind;
        use coeval::pair::{Evidence, PairAlignment, PairOutcome};
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
        let heard: Vec<Analysed> = (0..5).map(|_| Ok(None)).collect();
        let pair = |a: usize, b: usize, offset_s: f64, confidence: f64| {
            let evidence = (0..20).map(|i| 1.0 + f64::from(i) * 2.0);
            let evidence = evidence.map(|b_s| Evidence { a_s: b_s + offset_s, b_s, sigma_s: 1e-4 }).collect();
            let map = ClockMap::linear(offset_s, 0.0, tracks[b].2);
            let mut placed = PairAlignment::from_parts(map, evidence, Vec::new());
            placed.confidence = confidence;
            Compared::new(a, b, PairOutcome::Placed(Box::new(placed)))
        };
        let compared = [pair(0, 1, 20.0, 0.9999), pair(1, 2, -300.0, confidence), pair(2, 3, 30.0, 0.9999)];
        solve(&probed, &groups, &heard, &compared, options).unwrap()
    }

    #[test]
    fn a_sentence_that_two_events_share_is_said_and_does_not_join_them() {
        let solved = two_events(0.97, &Options::default());
        let all = &solved.alignment;
        assert_eq!(solved.events, [Some(1), Some(1), Some(2), Some(2), None]);
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
}
