//! Clocks from measurements: robust penalised least squares.
//!
//! A recording's clock is a drift that is constant, or one that walks: piecewise constant over equal
//! intervals, each change priced by the random-walk part of the two-state clock model (Van Dierendonck,
//! McGraw & Brown 1984, quoted in the literature on Kalman clock models; q2 there, `wander_q` here).
//! Files of one recording share its clock and have an offset each; a jump is a step at a known moment.
//! Weights: Huber's (k = 1.345), scale from the median absolute deviation.

use std::collections::HashMap;

/// A recording as the fit sees it.
#[derive(Debug, Clone)]
pub(crate) struct Clock {
    /// Length over which the clock runs, seconds.
    pub(crate) span_s: f64,
    /// Variance that the drift gathers, ppm^2 per second; 0: constant drift.
    pub(crate) wander_q: f64,
    /// The clock is the timeline itself.
    pub(crate) fixed: bool,
}

/// A file as the fit sees it.
#[derive(Debug, Clone)]
pub(crate) struct File {
    pub(crate) clock: usize,
    /// Where it starts on its recording's own clock, seconds.
    pub(crate) start_s: f64,
    pub(crate) duration_s: f64,
    /// Moments of jumps, file seconds, ascending.
    pub(crate) jumps: Vec<f64>,
    /// Offset is zero by definition.
    pub(crate) fixed: bool,
}

/// This moment of file `a` is that moment of file `b`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Observation {
    pub(crate) a: usize,
    pub(crate) a_s: f64,
    pub(crate) b: usize,
    pub(crate) b_s: f64,
    pub(crate) sigma_s: f64,
    /// Which link it belongs to, for the link's own bias.
    pub(crate) link: usize,
    /// Which group it belongs to, for the error that the group shares.
    pub(crate) group: usize,
}

/// The whole problem.
#[derive(Debug, Clone, Default)]
pub(crate) struct Problem {
    pub(crate) clocks: Vec<Clock>,
    pub(crate) files: Vec<File>,
    pub(crate) observations: Vec<Observation>,
    /// For each link: standard deviation of a constant error of its own (sound paths differ), seconds; 0: none.
    pub(crate) link_bias_s: Vec<f64>,
    /// For each group: standard deviation of the error that all its observations share, seconds.
    pub(crate) group_error_s: Vec<f64>,
    /// For each link: factor on its weight.
    pub(crate) link_weight: Vec<f64>,
}

/// The solved problem.
#[derive(Debug, Clone)]
pub(crate) struct Solved {
    layout: Layout,
    files: Vec<File>,
    clocks: Vec<Clock>,
    x: Vec<f64>,
    /// Lower triangle of the Cholesky factor of the normal matrix, row by row.
    factor: Vec<f64>,
    /// -2 ln of the probability of the observations under this problem's priors (marginal likelihood of
    /// a linear Gaussian model, up to a constant), residuals bounded as Huber's loss bounds them: the
    /// lower, the better the choice of wander and of sigmas.
    pub(crate) deviance: f64,
}

/// Where each unknown stands in the vector.
#[derive(Debug, Clone)]
struct Layout {
    drift: Vec<(usize, usize)>,
    offset: Vec<Option<usize>>,
    jumps: Vec<usize>,
    bias: Vec<Option<usize>>,
    len: usize,
}

/// Standard deviation of a clock's drift before anything is known, ppm (consumer crystals: 20 to 100).
const DRIFT_PRIOR_PPM: f64 = 60.0;
/// Standard deviation of a jump before anything is known, seconds: recorders lose buffers, not minutes.
const JUMP_PRIOR_S: f64 = 1.0;
/// Relative strengthening of the normal matrix' diagonal, far above rounding and far below any measurement:
/// an unknown that the observations do not touch must not turn the matrix indefinite.
const STIFFENING: f64 = 1e-12;
/// What lies further off than so many spreads has no weight at all, if what lies beside it in its stretch between two jumps
/// has any: two voices that are too far from each other must not take the stretch away.
const WORTHLESS: f64 = 10.0;
/// Huber's constant: 95 % efficient for a normal distribution (Huber 1981, from memory).
const HUBER: f64 = 1.345;
/// Rounds of reweighting at the most, and how many go by before anything has no weight: at first a stretch lies between what
/// is right in it and what is not, and either may be further off.
const ROUNDS: usize = 10;
const ALL_COUNT: usize = 3;
/// Intervals in which a walking drift is constant: at most this many, at least this long.
const INTERVALS: f64 = 48.0;
const INTERVAL_MIN_S: f64 = 40.0;

fn intervals(clock: &Clock) -> usize {
    if clock.fixed {
        0
    } else if clock.wander_q > 0.0 {
        (clock.span_s / INTERVAL_MIN_S).clamp(1.0, INTERVALS) as usize
    } else {
        1
    }
}

/// Terms of timeline time as a function of the unknowns: `(index, factor)`.
fn terms(
    layout: &Layout,
    clocks: &[Clock],
    files: &[File],
    file: usize,
    file_s: f64,
    sign: f64,
    out: &mut Vec<(usize, f64)>,
) {
    let f = &files[file];
    let (first, count) = layout.drift[f.clock];
    if count > 0 {
        let width = clocks[f.clock].span_s / count as f64;
        // The clock's excess since the file's start: overlap of that time with each interval.
        let (from, to) = if file_s >= 0.0 { (f.start_s, f.start_s + file_s) } else { (f.start_s + file_s, f.start_s) };
        let direction = if file_s >= 0.0 { sign } else { -sign };
        for k in 0..count {
            let low = if k == 0 { f64::NEG_INFINITY } else { k as f64 * width };
            let high = if k + 1 == count { f64::INFINITY } else { (k + 1) as f64 * width };
            let share = to.min(high) - from.max(low);
            if share > 0.0 {
                out.push((first + k, direction * share * 1e-6));
            }
        }
    }
    if let Some(i) = layout.offset[file] {
        out.push((i, sign));
    }
    for (j, &at) in f.jumps.iter().enumerate() {
        if file_s >= at {
            out.push((layout.jumps[file] + j, sign));
        }
    }
}

impl Problem {
    fn layout(&self) -> Layout {
        let mut len = 0;
        let mut place = |count: usize| {
            len += count;
            len - count
        };
        let drift = self
            .clocks
            .iter()
            .map(|c| {
                let n = intervals(c);
                (place(n), n)
            })
            .collect();
        let offset = self.files.iter().map(|f| (!f.fixed).then(|| place(1))).collect();
        let jumps = self.files.iter().map(|f| place(f.jumps.len())).collect();
        let bias = self.link_bias_s.iter().map(|&b| (b > 0.0).then(|| place(1))).collect();
        Layout { drift, offset, jumps, bias, len }
    }

    /// For each observation, which stretch between jumps of which two files it is of, counted from zero.
    fn stretches(&self) -> Vec<usize> {
        let of = |file: usize, at_s: f64| (file, self.files[file].jumps.partition_point(|&jump| jump <= at_s));
        let mut known = HashMap::new();
        let key = |o: &Observation| (of(o.a, o.a_s), of(o.b, o.b_s));
        self.observations
            .iter()
            .map(|o| {
                let next = known.len();
                *known.entry(key(o)).or_insert(next)
            })
            .collect()
    }

    /// Solves it; `None` when there is nothing to solve or the numbers are unusable.
    pub(crate) fn solve(&self) -> Option<Solved> {
        let system = System::of(self);
        let base: Vec<f64> = self
            .observations
            .iter()
            .map(|o| self.link_weight.get(o.link).copied().unwrap_or(1.0) / (o.sigma_s * o.sigma_s))
            .collect();
        let mut huber = base.clone();
        let stretch = self.stretches();
        let mut scale: f64 = 1.0;
        for round in 0..ROUNDS {
            let weights: Vec<f64> = huber.iter().map(|w| w / (scale * scale)).collect();
            let (factor, x) = system.solve(&weights)?;
            let left = system.left(&x, &weights);
            let scaled: Vec<f64> =
                left.residuals_s.iter().zip(&self.observations).map(|(r, o)| (r / o.sigma_s).abs()).collect();
            let mut sorted = scaled.clone();
            sorted.sort_by(f64::total_cmp);
            let next_scale = if sorted.is_empty() { 1.0 } else { (1.4826 * sorted[sorted.len() / 2]).max(1.0) };
            let off: Vec<f64> = scaled.iter().map(|s| s / next_scale).collect();
            let mut least = vec![f64::INFINITY; stretch.iter().max().map_or(0, |last| last + 1)];
            stretch.iter().zip(&off).for_each(|(&s, &u)| least[s] = least[s].min(u));
            let worthless = |u: f64, s: usize| u > WORTHLESS && least[s] <= WORTHLESS;
            let to_cut = round <= ALL_COUNT && off.iter().zip(&stretch).any(|(&u, &s)| worthless(u, s));
            let settled = (next_scale / scale - 1.0).abs() < 1e-3 && round > 2 && !to_cut;
            if settled || round + 1 == ROUNDS {
                let deviance = system.deviance(&x, &factor, &left, &scaled, scale)?;
                let (files, clocks) = (self.files.clone(), self.clocks.clone());
                let solved = Solved { layout: system.layout, files, clocks, x, factor, deviance };
                return Some(solved).filter(|s| s.x.iter().all(|v| v.is_finite()));
            }
            for (((w, &b), &u), &s) in huber.iter_mut().zip(&base).zip(&off).zip(&stretch) {
                *w = if round >= ALL_COUNT && worthless(u, s) { 0.0 } else { b * (HUBER / u).min(1.0) };
            }
            scale = next_scale;
        }
        None
    }

    fn priors(&self, layout: &Layout) -> (Vec<f64>, Vec<f64>) {
        let n = layout.len;
        let mut normal = vec![0.0; n * n];
        for (clock, &(first, count)) in self.clocks.iter().zip(&layout.drift) {
            for k in 0..count {
                let i = first + k;
                // The first interval carries the prior, the walk carries it on.
                if k == 0 {
                    normal[i * n + i] += 1.0 / (DRIFT_PRIOR_PPM * DRIFT_PRIOR_PPM);
                }
                if k > 0 {
                    let w = 1.0 / (clock.wander_q * clock.span_s / count as f64);
                    normal[i * n + i] += w;
                    normal[(i - 1) * n + i - 1] += w;
                    normal[i * n + i - 1] -= w;
                }
            }
        }
        // Offsets and jumps are unknown to within a year; the term only keeps an unconnected file solvable.
        for i in layout.offset.iter().flatten().copied() {
            normal[i * n + i] += 1e-15;
        }
        for (file, &first) in self.files.iter().zip(&layout.jumps) {
            for i in first..first + file.jumps.len() {
                normal[i * n + i] += 1.0 / (JUMP_PRIOR_S * JUMP_PRIOR_S);
            }
        }
        for (i, &bias) in layout.bias.iter().zip(&self.link_bias_s) {
            if let Some(i) = *i {
                normal[i * n + i] += 1.0 / (bias * bias);
            }
        }
        (normal, vec![0.0; n])
    }
}

/// A problem's observations as rows of a linear system.
struct System<'p> {
    problem: &'p Problem,
    layout: Layout,
    /// For each observation, the unknowns that it depends on and their factors.
    rows: Vec<Vec<(usize, f64)>>,
    /// And what their sum should be, seconds.
    right: Vec<f64>,
    /// The observations of each group.
    members: Vec<Vec<usize>>,
}

/// What a solution leaves.
struct Residuals {
    /// Of each observation, without the error that its group shares, seconds.
    residuals_s: Vec<f64>,
    /// -2 ln of the probability of the groups' errors, and of the volume that they take, up to a constant.
    shared: f64,
    volume: f64,
}

impl<'p> System<'p> {
    fn of(problem: &'p Problem) -> Self {
        let layout = problem.layout();
        let row = |o: &Observation| {
            let mut row = Vec::new();
            terms(&layout, &problem.clocks, &problem.files, o.a, o.a_s, 1.0, &mut row);
            terms(&layout, &problem.clocks, &problem.files, o.b, o.b_s, -1.0, &mut row);
            row.extend(layout.bias[o.link].map(|i| (i, 1.0)));
            row
        };
        let rows = problem.observations.iter().map(row).collect();
        let right = problem.observations.iter().map(|o| o.b_s - o.a_s).collect();
        let mut members: Vec<Vec<usize>> = vec![Vec::new(); problem.group_error_s.len()];
        for (i, o) in problem.observations.iter().enumerate() {
            members[o.group].push(i);
        }
        Self { problem, layout, rows, right, members }
    }

    /// The error that a group shares is integrated out: a rank-one correction for each group (Sherman-Morrison), so that it
    /// costs no unknown. Its factor, and the logarithm of the volume that the error takes.
    fn share(&self, group: usize, weights: &[f64]) -> (f64, f64) {
        let variance = self.problem.group_error_s[group].powi(2);
        let total: f64 = self.members[group].iter().map(|&i| weights[i]).sum();
        (variance / (1.0 + variance * total), (variance * total).ln_1p())
    }

    /// The normal equations: matrix (lower triangle, row by row) and right side.
    fn normal(&self, weights: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let n = self.layout.len;
        let (mut normal, mut vector) = self.problem.priors(&self.layout);
        for ((row, &r), &w) in self.rows.iter().zip(&self.right).zip(weights) {
            for &(i, x) in row {
                vector[i] += w * x * r;
                for &(j, y) in row {
                    if j <= i {
                        normal[i * n + j] += w * x * y;
                    }
                }
            }
        }
        let mut sum = vec![0.0; n];
        for (group, indices) in self.members.iter().enumerate() {
            let (factor, _) = self.share(group, weights);
            if factor == 0.0 {
                continue;
            }
            let mut touched: Vec<usize> = Vec::new();
            let mut against = 0.0;
            for &o in indices {
                against += weights[o] * self.right[o];
                for &(i, x) in &self.rows[o] {
                    if sum[i] == 0.0 {
                        touched.push(i);
                    }
                    sum[i] += weights[o] * x;
                }
            }
            touched.sort_unstable();
            touched.dedup();
            for &i in &touched {
                vector[i] -= factor * sum[i] * against;
                for &j in touched.iter().take_while(|&&j| j <= i) {
                    normal[i * n + j] -= factor * sum[i] * sum[j];
                }
            }
            touched.into_iter().for_each(|i| sum[i] = 0.0);
        }
        (normal, vector)
    }

    /// The Cholesky factor of the normal matrix, and the unknowns.
    fn solve(&self, weights: &[f64]) -> Option<(Vec<f64>, Vec<f64>)> {
        let n = self.layout.len;
        let (plain, vector) = self.normal(weights);
        let mut factor = plain.clone();
        for i in 0..n {
            factor[i * n + i] *= 1.0 + STIFFENING;
        }
        if !cholesky(&mut factor, n) {
            return None;
        }
        // The stiffened solution leans towards zero; refining against the plain matrix takes that back.
        let mut x = solve_factored(&factor, n, vector.clone());
        for _ in 0..3 {
            let left: Vec<f64> = (0..n)
                .map(|i| vector[i] - (0..n).map(|j| plain[i.max(j) * n + i.min(j)] * x[j]).sum::<f64>())
                .collect();
            x.iter_mut().zip(solve_factored(&factor, n, left)).for_each(|(x, step)| *x += step);
        }
        Some((factor, x))
    }

    fn left(&self, x: &[f64], weights: &[f64]) -> Residuals {
        let residual = |(row, &r): (&Vec<(usize, f64)>, &f64)| row.iter().map(|&(i, f)| f * x[i]).sum::<f64>() - r;
        let mut residuals_s: Vec<f64> = self.rows.iter().zip(&self.right).map(residual).collect();
        let (mut shared, mut volume) = (0.0, 0.0);
        for (group, indices) in self.members.iter().enumerate() {
            let (factor, log) = self.share(group, weights);
            volume += log;
            if factor > 0.0 {
                let error_s = factor * indices.iter().map(|&i| weights[i] * residuals_s[i]).sum::<f64>();
                shared += (error_s / self.problem.group_error_s[group]).powi(2);
                indices.iter().for_each(|&i| residuals_s[i] -= error_s);
            }
        }
        Residuals { residuals_s, shared, volume }
    }

    /// As [`Solved::deviance`]; `scaled` are the residuals in their own standard deviations.
    fn deviance(&self, x: &[f64], factor: &[f64], left: &Residuals, scaled: &[f64], scale: f64) -> Option<f64> {
        let n = self.layout.len;
        // What has no weight at all says no more than what has the least.
        let bounded = |u: f64| if u <= HUBER { u * u } else { HUBER * (2.0 * u - HUBER) };
        let misfit: f64 = scaled.iter().map(|&u| bounded(u.min(WORTHLESS * scale))).sum();
        let spread: f64 = self.problem.observations.iter().map(|o| 2.0 * o.sigma_s.ln()).sum();
        let (prior, _) = self.problem.priors(&self.layout);
        let quadratic: f64 =
            (0..n).map(|i| x[i] * (0..n).map(|j| prior[i.max(j) * n + i.min(j)] * x[j]).sum::<f64>()).sum();
        let mut prior_factor = prior;
        if !cholesky(&mut prior_factor, n) {
            return None;
        }
        let log_det = |m: &[f64]| (0..n).map(|i| 2.0 * m[i * n + i].ln()).sum::<f64>();
        Some(misfit + spread + left.shared + left.volume + quadratic + log_det(factor) - log_det(&prior_factor))
    }
}

impl Solved {
    /// Timeline time of a moment of a file.
    pub(crate) fn timeline_s(&self, file: usize, file_s: f64) -> f64 {
        let mut row = Vec::new();
        terms(&self.layout, &self.clocks, &self.files, file, file_s, 1.0, &mut row);
        file_s + row.iter().map(|&(i, f)| f * self.x[i]).sum::<f64>()
    }

    /// Timeline time just before a jump.
    pub(crate) fn timeline_before_s(&self, file: usize, jump: usize) -> f64 {
        self.timeline_s(file, self.files[file].jumps[jump]) - self.x[self.layout.jumps[file] + jump]
    }

    /// One standard deviation of a moment's timeline time, seconds.
    pub(crate) fn sigma_s(&self, file: usize, file_s: f64) -> f64 {
        let n = self.layout.len;
        let mut row = Vec::new();
        terms(&self.layout, &self.clocks, &self.files, file, file_s, 1.0, &mut row);
        let mut g = vec![0.0; n];
        for (i, f) in row {
            g[i] += f;
        }
        // |L^-1 g|^2 is g' N^-1 g.
        let y = forward(&self.factor, n, g);
        y.iter().map(|v| v * v).sum::<f64>().sqrt()
    }

    /// Moments of a file where its map bends, file seconds, without its ends and jumps.
    pub(crate) fn bends(&self, file: usize) -> Vec<f64> {
        let f = &self.files[file];
        let (_, count) = self.layout.drift[f.clock];
        let width = self.clocks[f.clock].span_s / count.max(1) as f64;
        (1..count).map(|k| k as f64 * width - f.start_s).filter(|&t| t > 1e-6 && t < f.duration_s - 1e-6).collect()
    }

    /// Timeline seconds gained at a jump.
    pub(crate) fn size_of_jump(&self, file: usize, jump: usize) -> f64 {
        self.x[self.layout.jumps[file] + jump]
    }
}

/// Cholesky factorisation in place (lower triangle, row by row). `false` if the matrix is not positive definite.
fn cholesky(m: &mut [f64], n: usize) -> bool {
    for i in 0..n {
        for j in 0..=i {
            let (row_i, row_j) = (&m[i * n..i * n + j], &m[j * n..j * n + j]);
            let sum: f64 = row_i.iter().zip(row_j).map(|(x, y)| x * y).sum();
            let v = m[i * n + j] - sum;
            if i == j {
                if !(v > 0.0 && v.is_finite()) {
                    return false;
                }
                m[i * n + i] = v.sqrt();
            } else {
                m[i * n + j] = v / m[j * n + j];
            }
        }
    }
    true
}

fn forward(factor: &[f64], n: usize, mut v: Vec<f64>) -> Vec<f64> {
    for i in 0..n {
        let sum: f64 = (0..i).map(|j| factor[i * n + j] * v[j]).sum();
        v[i] = (v[i] - sum) / factor[i * n + i];
    }
    v
}

fn solve_factored(factor: &[f64], n: usize, v: Vec<f64>) -> Vec<f64> {
    let mut v = forward(factor, n, v);
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|j| factor[j * n + i] * v[j]).sum();
        v[i] = (v[i] - sum) / factor[i * n + i];
    }
    v
}
