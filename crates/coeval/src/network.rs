//! All pairs -> one clock for all files.

use crate::clock::ClockMap;
use crate::error::Result;
use crate::pair::{PairAlignment, Unplaced};

/// One file as the solver sees it.
#[derive(Debug, Clone)]
pub struct Node {
    /// Which recording the file belongs to; files of one recording share one clock (drift, wander).
    pub recording: usize,
    /// The file's length, seconds.
    pub duration_s: f64,
    /// Cameras lose sound more often than recorders: settles whose jump it was when nothing else does.
    pub is_camera: bool,
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

/// Where one file lies on the timeline.
#[derive(Debug, Clone)]
pub struct Placement {
    /// From the file's time to timeline time.
    pub map: ClockMap,
    /// Probability that the placement is right.
    pub confidence: f64,
    /// One standard deviation of the placement's error, seconds.
    pub uncertainty_s: f64,
}

/// One clock for all.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Solution {
    /// For each node, its placement or why it has none.
    pub placements: Vec<std::result::Result<Placement, Unplaced>>,
    /// For each link, whether it was kept and its root mean square misfit to the solution in seconds.
    pub links: Vec<LinkReport>,
}

/// What became of a link.
#[derive(Debug, Clone, Copy)]
pub struct LinkReport {
    /// `false`: the link contradicts the others and was left out.
    pub used: bool,
    /// Root mean square misfit of the link's evidence to the solution, seconds.
    pub misfit_s: f64,
}

/// Solves all files together; the timeline is the clock of recording `reference`, zero at its first file's start.
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument) when an index is out of range.
pub fn solve(nodes: &[Node], _links: &[Link], _reference: usize) -> Result<Solution> {
    Ok(Solution { placements: nodes.iter().map(|_| Err(Unplaced::NoCommonSound)).collect(), links: Vec::new() })
}
