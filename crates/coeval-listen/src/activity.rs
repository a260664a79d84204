//! Picture as evidence, for cameras whose sound is missing or useless.
//!
//! A hand clap is seen as well as heard: the hands rush together and stop dead. In a frame difference the
//! rush is a burst that grows from frame to frame and ends at once; waves, rain and a moving camera make
//! motion that neither grows like that nor ends like that. A flash or a light switched on is a step of
//! brightness. [`ActivityBuilder`] turns decoded frames into an [`ActivityCurve`]: motion by cells of the
//! picture, and brightness. [`align_activity`] finds the moments in it that look like an impact or a flash and
//! lays them on the markers of a sound recording.
//!
//! # How certain
//! A frame tells that the impact lay between it and its neighbour, no more. With a uniform error over one
//! frame time the standard deviation would be a frame over the root of 12 (0.29 frame). Exposure time,
//! the frame that the eye of the detector picks, and the camera's unknown delay from light to timestamp come
//! on top; so no uncertainty below half a frame is ever stated.

use coeval::marker::Marker;
use coeval::{Error, ErrorKind, Result};

/// Cells across and down into which the picture is divided: fine enough that two hands fill a few of them.
const CELLS: (usize, usize) = (16, 12);

/// Motion and brightness of a picture, frame by frame.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ActivityCurve {
    times_s: Vec<f64>,
    motion: Vec<f32>,
    brightness: Vec<f32>,
    /// Motion of each cell in 128ths of a step of luma, `cells` values a frame; empty for a curve made elsewhere.
    cell_motion: Vec<u16>,
    cells: usize,
}

impl ActivityCurve {
    /// A curve made elsewhere: one time in seconds, one motion energy (any unit, 0 is stillness) and one mean
    /// brightness (0 to 255) a frame.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when lengths differ, times do not ascend, or a value is
    /// not a finite number.
    pub fn from_values(times_s: Vec<f64>, motion: Vec<f32>, brightness: Vec<f32>) -> Result<Self> {
        let bad = |what: String| Err(Error::new(ErrorKind::InvalidArgument, format!("activity curve: {what}")));
        if times_s.len() != motion.len() || times_s.len() != brightness.len() {
            return bad(format!(
                "{} times, {} motions, {} brightnesses",
                times_s.len(),
                motion.len(),
                brightness.len()
            ));
        }
        if times_s.iter().any(|t| !t.is_finite()) || motion.iter().chain(&brightness).any(|v| !v.is_finite()) {
            return bad("a value is not a finite number".into());
        }
        if times_s.windows(2).any(|w| w[1] <= w[0]) {
            return bad("times do not ascend".into());
        }
        Ok(Self { times_s, motion, brightness, cell_motion: Vec::new(), cells: 0 })
    }

    /// Time of each frame, seconds.
    pub fn times_s(&self) -> &[f64] {
        &self.times_s
    }

    /// Motion energy of each frame against the one before: mean magnitude of the change of luma, 0 to 255.
    pub fn motion(&self) -> &[f32] {
        &self.motion
    }

    /// Mean luma of each frame, 0 to 255.
    pub fn brightness(&self) -> &[f32] {
        &self.brightness
    }

    /// Median time from frame to frame, seconds; zero for fewer than two frames.
    pub fn frame_s(&self) -> f64 {
        let mut steps: Vec<f64> = self.times_s.windows(2).map(|w| w[1] - w[0]).collect();
        if steps.is_empty() {
            return 0.0;
        }
        let middle = steps.len() / 2;
        *steps.select_nth_unstable_by(middle, f64::total_cmp).1
    }
}

/// Makes an [`ActivityCurve`] from frames as they are decoded. Keeps one frame, and some 400 bytes for each.
#[derive(Debug)]
pub struct ActivityBuilder {
    size: (usize, usize),
    before: Vec<u8>,
    curve: ActivityCurve,
}

impl ActivityBuilder {
    /// For frames of `width` by `height` pixels, 8-bit luma; 16 to 8192 each. A small picture serves as well
    /// as a large one: 160 by 90 is plenty.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) outside these ranges.
    pub fn new(width: usize, height: usize) -> Result<Self> {
        if !(16..=8192).contains(&width) || !(16..=8192).contains(&height) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("frames of {width} by {height} pixels; each side must be within 16 to 8192"),
            ));
        }
        let curve = ActivityCurve { cells: CELLS.0 * CELLS.1, ..ActivityCurve::default() };
        Ok(Self { size: (width, height), before: Vec::new(), curve })
    }

    /// Takes the next frame: `width * height` luma values, row by row, and its presentation time in seconds.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) for another size, or a time that does not ascend.
    pub fn push(&mut self, luma: &[u8], time_s: f64) -> Result<()> {
        let (width, height) = self.size;
        if luma.len() != width * height {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("a frame of {} bytes, not {width} x {height} = {}", luma.len(), width * height),
            ));
        }
        if !time_s.is_finite() || self.curve.times_s.last().is_some_and(|t| time_s <= *t) {
            return Err(Error::new(ErrorKind::InvalidArgument, format!("frame time {time_s} s does not ascend")));
        }
        let mut change = vec![0u64; self.curve.cells];
        if !self.before.is_empty() {
            for y in 0..height {
                let row = y * CELLS.1 / height * CELLS.0;
                let (now, then) = (&luma[y * width..(y + 1) * width], &self.before[y * width..(y + 1) * width]);
                for (cell, sum) in change[row..row + CELLS.0].iter_mut().enumerate() {
                    let (from, to) = (cell * width / CELLS.0, (cell + 1) * width / CELLS.0);
                    *sum +=
                        now[from..to].iter().zip(&then[from..to]).map(|(a, b)| u64::from(a.abs_diff(*b))).sum::<u64>();
                }
            }
        }
        let pixels = (width * height) as f32;
        self.curve.times_s.push(time_s);
        self.curve.motion.push(change.iter().sum::<u64>() as f32 / pixels);
        self.curve.brightness.push(luma.iter().map(|v| u64::from(*v)).sum::<u64>() as f32 / pixels);
        let per_cell = pixels / self.curve.cells as f32;
        self.curve.cell_motion.extend(change.iter().map(|c| (128.0 * *c as f32 / per_cell).round() as u16));
        self.before.clear();
        self.before.extend_from_slice(luma);
        Ok(())
    }

    /// The finished curve.
    pub fn finish(self) -> ActivityCurve {
        self.curve
    }
}

/// What a moment in the picture looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum SightKind {
    /// Motion that grows and stops dead.
    Impact,
    /// A sudden change of brightness over much of the picture.
    Flash,
}

/// A moment in the picture that should have been heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sight {
    /// When, seconds on the picture's time.
    pub time_s: f64,
    /// Its height over the curve's own background, in robust standard deviations.
    pub strength: f64,
    /// What it looks like.
    pub kind: SightKind,
}

/// How a curve is laid on a sound recording.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct ActivityOptions {
    /// Where sound time minus picture time is known to lie, lowest and highest value in seconds. `None`: anywhere.
    pub offset_range_s: Option<(f64, f64)>,
    /// How far the camera stands from what is seen, metres, less how far the microphone stands: the sound
    /// comes that much later than the sight.
    pub extra_distance_m: f64,
    /// Sights weaker than this are not believed, in robust standard deviations.
    pub min_strength: f64,
}

impl Default for ActivityOptions {
    fn default() -> Self {
        Self { offset_range_s: None, extra_distance_m: 0.0, min_strength: 5.0 }
    }
}

impl ActivityOptions {
    fn check(&self) -> Result<()> {
        let bad = |what: &str| Err(Error::new(ErrorKind::InvalidArgument, what.to_owned()));
        if !self.extra_distance_m.is_finite() || self.extra_distance_m.abs() > 1000.0 {
            return bad(&format!("extra_distance_m is {}, not within -1000 to 1000", self.extra_distance_m));
        }
        if self.offset_range_s.is_some_and(|(low, high)| low > high || low.is_nan() || high.is_nan()) {
            return bad("offset_range_s: the lowest value is above the highest");
        }
        if self.min_strength.is_nan() || self.min_strength <= 0.0 {
            return bad("min_strength is not above 0");
        }
        Ok(())
    }
}

/// Where a silent picture lies on a sound recording.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct ActivityPlacement {
    /// Sound time minus picture time, seconds.
    pub offset_s: f64,
    /// One standard deviation of `offset_s`, seconds; never less than half a frame.
    pub uncertainty_s: f64,
    /// Probability that the placement is right, by how far it stands above every other.
    pub confidence: f64,
    /// What was seen and heard at once: time in the picture, time in the sound, seconds.
    pub pairs: Vec<(f64, f64)>,
}

/// Why a picture has no placement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum ActivityUnplaced {
    /// Nothing in the picture looks like an impact or a flash.
    NothingSeen,
    /// The sound has no markers.
    NothingHeard,
    /// Several placements fit about equally well.
    Ambiguous,
    /// The curve has too few frames.
    TooShort,
}

impl ActivityUnplaced {
    /// The reason in words.
    pub fn as_str(self) -> &'static str {
        match self {
            ActivityUnplaced::NothingSeen => "nothing in the picture looks like a clap, an impact or a flash",
            ActivityUnplaced::NothingHeard => "the sound has no markers",
            ActivityUnplaced::Ambiguous => "several placements of the picture fit equally well",
            ActivityUnplaced::TooShort => "too few frames",
        }
    }
}

/// Moments in a curve that look like an impact or a flash, in time order, weaker ones left out.
///
/// From the motion of each cell its usual motion is taken (median over 4 s), and the rest is divided by the
/// cell's robust spread. An impact is a frame whose motion stands far above that of the second and third frame
/// after it, and not below the frame before; its six foremost cells add up, less what is common to all cells.
/// Strength is the height over the usual peak of this curve, in the robust spread of the peaks. A flash is a
/// change of mean brightness far above the usual one.
pub fn find_sights(curve: &ActivityCurve, min_strength: f64) -> Vec<Sight> {
    let n = curve.times_s.len();
    let frame_s = curve.frame_s();
    if n < 8 || frame_s <= 0.0 {
        return Vec::new();
    }
    let cells = curve.cells.max(1);
    let motion = |frame: usize, cell: usize| {
        if curve.cells == 0 {
            f64::from(curve.motion[frame])
        } else {
            f64::from(curve.cell_motion[frame * cells + cell]) / 128.0
        }
    };
    // Odd timestamps must not make windows of endless length.
    let second = (1.0 / frame_s).clamp(1.0, 1000.0).round() as usize;
    let apart = (second / 5).max(1);
    let mut stop: Vec<Vec<f32>> = vec![Vec::new(); cells];
    let mut column = vec![0.0f64; n];
    for (cell, stop) in stop.iter_mut().enumerate() {
        for (i, v) in column.iter_mut().enumerate() {
            *v = motion(i, cell);
        }
        // The first frame has nothing before it.
        column[0] = column[1];
        *stop = stops(&column, second);
    }
    let rest: Vec<f64> = (0..n.saturating_sub(1))
        .map(|i| {
            let Some(top) = (0..cells).max_by(|&a, &b| stop[a][i].total_cmp(&stop[b][i])) else {
                return 0.0;
            };
            let at = |k: usize| motion(k, top);
            let floor = (2..=3).map(|d| at((i + d).min(n - 1))).fold(f64::INFINITY, f64::min);
            (at(i + 1) - floor) / (at(i) - floor).max(1e-3)
        })
        .chain([0.0])
        .collect();
    // An impact fills a few cells; what moves all of them at once is the camera.
    let score: Vec<f64> = (0..n)
        .map(|i| {
            let mut here: Vec<f64> = stop.iter().map(|s| f64::from(s[i])).collect();
            let common = if cells > 1 { median(&here).max(0.0) } else { 0.0 };
            here.sort_by(|a, b| b.total_cmp(a));
            here.iter().take(6).map(|v| (v - common).max(0.0)).sum()
        })
        .collect();
    // Every clip has its lesser peaks (waves, walkers, a shaking camera): a sight must stand out from them.
    let tops = peaks(&score, apart);
    let heights: Vec<f64> = tops.iter().map(|i| score[*i]).collect();
    let middle = median(&heights);
    let spread = robust_spread(&heights).max(0.25 * middle).max(1.0);
    let mut sights = tops
        .into_iter()
        .map(|i| Sight {
            // The more the next frame still moved, the later after this one the contact came.
            time_s: curve.times_s[i] + frame_s * (0.8 * rest[i].clamp(0.0, 1.0) - 0.1),
            strength: (score[i] - middle) / spread,
            kind: SightKind::Impact,
        })
        .filter(|s| s.strength >= min_strength)
        .collect::<Vec<_>>();
    let mut step: Vec<f64> = curve.brightness.windows(2).map(|w| f64::from(w[1] - w[0]).abs()).collect();
    step.insert(0, 0.0);
    let usual = (1.4826 * median(&step)).max(0.5);
    for i in peaks(&step, apart) {
        let strength = step[i] / usual;
        if step[i] > 8.0 && strength >= min_strength {
            sights.push(Sight { time_s: curve.times_s[i] - 0.5 * frame_s, strength, kind: SightKind::Flash });
        }
    }
    sights.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    sights
}

/// How much each value looks like the end of a burst: above the usual and above what follows.
fn stops(x: &[f64], second: usize) -> Vec<f32> {
    let n = x.len();
    let noise = robust_spread(x).max(0.15 * median(x)).max(0.05);
    let reach = (2 * second).max(8);
    // What is usual changes slowly: four times a second will do.
    let hold = (second / 4).max(1);
    let mut usual = 0.0;
    (0..n)
        .map(|i| {
            if i % hold == 0 {
                usual = median(&x[i.saturating_sub(reach)..(i + reach + 1).min(n)]);
            }
            if i < 2 || i + 3 >= n {
                return 0.0;
            }
            // The frame after may still hold the last of the motion; the two after that are still.
            let after = (x[i + 2].max(x[i + 3]) - usual).max(0.0);
            let fits = x[i] >= 0.8 * x[i - 1] && x[i + 1] <= x[i];
            if fits { ((x[i] - usual - 1.5 * after) / noise) as f32 } else { 0.0 }
        })
        .collect()
}

fn median(x: &[f64]) -> f64 {
    let mut v = x.to_vec();
    if v.is_empty() {
        return 0.0;
    }
    let middle = v.len() / 2;
    *v.select_nth_unstable_by(middle, f64::total_cmp).1
}

fn robust_spread(x: &[f64]) -> f64 {
    let m = median(x);
    1.4826 * median(&x.iter().map(|v| (v - m).abs()).collect::<Vec<_>>())
}

fn peaks(x: &[f64], side: usize) -> Vec<usize> {
    (0..x.len())
        .filter(|&i| {
            let (lo, hi) = (i.saturating_sub(side), (i + side + 1).min(x.len()));
            x[i] > 0.0 && x[lo..i].iter().all(|v| *v < x[i]) && x[i + 1..hi].iter().all(|v| *v <= x[i])
        })
        .collect()
}

/// Worth, offset in seconds, and what is seen and heard at once.
type Candidate = (f64, f64, Vec<(f64, f64)>);

/// At most this many sights and markers are tried against each other, the strongest first.
const MOST_SIGHTS: usize = 32;
const MOST_MARKERS: usize = 256;

/// What is seen and what is heard.
struct Events {
    sights: Vec<Sight>,
    markers_s: Vec<f64>,
    /// First and last frame of the picture, seconds.
    shown_s: (f64, f64),
    /// What is seen and heard no further apart than this is one, seconds.
    near_s: f64,
}

impl Events {
    /// A placement's worth, and what is seen and heard at once, each by its strength; a strong sight that stays
    /// unheard, or a marker in view that stays unseen, counts against it. `offset`: sound less picture, seconds.
    fn judge(&self, offset: f64) -> (f64, Vec<(f64, f64)>) {
        let weight = |s: &Sight| s.strength.min(60.0);
        let mut worth = 0.0;
        let mut pairs = Vec::new();
        for s in &self.sights {
            let away = |t: f64| (t - s.time_s - offset).abs();
            let heard = self.markers_s.iter().copied().min_by(|a, b| away(*a).total_cmp(&away(*b)));
            match heard.filter(|t| away(*t) <= self.near_s) {
                Some(t) => {
                    worth += weight(s);
                    pairs.push((s.time_s, t));
                }
                None => worth -= 0.3 * weight(s),
            }
        }
        let is_unseen = |t: f64| {
            t > self.shown_s.0 && t < self.shown_s.1 && self.sights.iter().all(|s| (s.time_s - t).abs() > self.near_s)
        };
        let unseen = self.markers_s.iter().filter(|t| is_unseen(**t - offset)).count();
        (worth - 3.0 * unseen as f64, pairs)
    }
}

/// Lays a picture's sights on a sound's markers. `Ok(Err(reason))` when it has no placement: several claps
/// heard and one seen, for instance, cannot be told apart, and are not guessed at.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) for options out of range.
pub fn align_activity(
    curve: &ActivityCurve,
    markers: &[Marker],
    options: &ActivityOptions,
) -> Result<std::result::Result<ActivityPlacement, ActivityUnplaced>> {
    options.check()?;
    let frame_s = curve.frame_s();
    if curve.times_s.len() < 8 || frame_s <= 0.0 {
        return Ok(Err(ActivityUnplaced::TooShort));
    }
    if markers.is_empty() {
        return Ok(Err(ActivityUnplaced::NothingHeard));
    }
    let mut sights = find_sights(curve, options.min_strength);
    sights.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    sights.truncate(MOST_SIGHTS);
    let mut markers: Vec<&Marker> = markers.iter().filter(|m| m.time_s.is_finite()).collect();
    markers.sort_by(|a, b| b.snr_db.total_cmp(&a.snr_db));
    markers.truncate(MOST_MARKERS);
    if sights.is_empty() {
        return Ok(Err(ActivityUnplaced::NothingSeen));
    }
    let travel_s = options.extra_distance_m / coeval::network::SPEED_OF_SOUND_M_S;
    let allowed = |offset: f64| options.offset_range_s.is_none_or(|(low, high)| low <= offset && offset <= high);
    let shown_s = (curve.times_s[0], curve.times_s[curve.times_s.len() - 1]);
    let events =
        Events { sights, markers_s: markers.iter().map(|m| m.time_s).collect(), shown_s, near_s: 1.5 * frame_s };
    let mut candidates: Vec<Candidate> = Vec::new();
    for s in &events.sights {
        for marker_s in &events.markers_s {
            let offset = marker_s - s.time_s - travel_s;
            if allowed(offset) {
                let (worth, pairs) = events.judge(offset + travel_s);
                candidates.push((worth, offset, pairs));
            }
        }
    }
    candidates.sort_by(|a, b| b.0.total_cmp(&a.0).then(b.2.len().cmp(&a.2.len())));
    let Some((worth, offset, pairs)) = candidates.first().cloned() else {
        return Ok(Err(ActivityUnplaced::Ambiguous));
    };
    let rival = candidates
        .iter()
        .filter(|c| (c.1 - offset).abs() > 2.0 * events.near_s)
        .map(|c| c.0)
        .fold(f64::NEG_INFINITY, f64::max);
    // The best must beat every other place clearly, in the sights' own standard deviations.
    let lead = worth - rival.max(0.0);
    if worth <= 0.0 || lead < 0.5 * options.min_strength {
        return Ok(Err(ActivityUnplaced::Ambiguous));
    }
    let mean = pairs.iter().map(|(p, s)| s - p).sum::<f64>() / pairs.len() as f64;
    let scatter = (pairs.iter().map(|(p, s)| (s - p - mean).powi(2)).sum::<f64>() / pairs.len() as f64).sqrt();
    Ok(Ok(ActivityPlacement {
        offset_s: mean - travel_s,
        uncertainty_s: scatter.max(0.5 * frame_s),
        confidence: 1.0 - (-0.25 * lead).exp(),
        pairs,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use coeval::marker::{MarkerOptions, find_markers};

    struct Random(u64);

    impl Random {
        fn unit(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }
        fn range(&mut self, low: f64, high: f64) -> f64 {
            low + (high - low) * self.unit()
        }
    }

    const WIDTH: usize = 64;
    const HEIGHT: usize = 48;

    /// A clip of a clap over moving water, from a shaking camera, with somebody walking past and clouds.
    struct Scene {
        waves: Vec<[f64; 5]>,
        shake: f64,
        hands: [f64; 2],
        apart: f64,
        clap_s: f64,
        rush_s: f64,
        rest_s: f64,
        walker: [f64; 3],
        cloud: f64,
        light: f64,
    }

    impl Scene {
        fn new(random: &mut Random, clap_s: f64) -> Self {
            Self {
                waves: (0..6)
                    .map(|_| {
                        let scale = random.range(0.12, 0.7);
                        let way = random.range(0.0, std::f64::consts::TAU);
                        [
                            scale * way.cos(),
                            scale * way.sin(),
                            random.range(1.0, 6.0),
                            random.range(0.0, std::f64::consts::TAU),
                            random.range(3.0, 10.0),
                        ]
                    })
                    .collect(),
                shake: random.range(0.05, 0.35),
                hands: [random.range(18.0, 46.0), random.range(14.0, 34.0)],
                apart: random.range(6.0, 12.0),
                clap_s,
                rush_s: random.range(0.12, 0.25),
                rest_s: random.range(0.06, 0.2),
                walker: [random.range(-30.0, 15.0), random.range(5.0, 16.0), random.range(26.0, 40.0)],
                cloud: random.range(0.0, 4.0),
                light: random.range(80.0, 120.0),
            }
        }

        /// Half the distance between the hands, which touch at `clap_s`.
        fn gap(&self, t: f64) -> f64 {
            let d = t - self.clap_s;
            if d < -self.rush_s {
                self.apart
            } else if d < 0.0 {
                // Faster and faster, and stopped by the other hand.
                self.apart * (1.0 - (1.0 + d / self.rush_s).powi(2)).max(0.0)
            } else if d < self.rest_s {
                0.0
            } else {
                let back = ((d - self.rest_s) / 0.5).min(1.0);
                self.apart * 0.6 * back * back * (3.0 - 2.0 * back)
            }
        }

        fn frame(&self, t: f64, out: &mut [f64]) {
            let (sx, sy) = (
                self.shake * (7.1 * t).sin() + 0.5 * self.shake * (17.3 * t + 1.0).sin(),
                self.shake * (5.3 * t + 2.0).sin(),
            );
            let walk = self.walker[0] + self.walker[1] * t;
            let light = self.light + self.cloud * (0.9 * t).sin();
            let gap = self.gap(t);
            for row in 0..HEIGHT {
                let y = row as f64 + sy;
                let line = &mut out[row * WIDTH..(row + 1) * WIDTH];
                line.fill(light);
                for w in &self.waves {
                    // A turning phasor instead of a sine for every pixel.
                    let (mut s, mut c) = (w[0] * sx + w[1] * y + w[2] * t + w[3]).sin_cos();
                    let (ds, dc) = w[0].sin_cos();
                    for v in line.iter_mut() {
                        *v += w[4] * s;
                        (s, c) = (s * dc + c * ds, c * dc - s * ds);
                    }
                }
                for (column, v) in line.iter_mut().enumerate() {
                    let x = column as f64 + sx;
                    if (x - walk).abs() < 3.5 && (y - self.walker[2]).abs() < 12.0 {
                        *v = 45.0;
                    }
                    // The one who claps: a dark coat, two bright hands.
                    if (x - self.hands[0]).abs() < 7.0 && y > self.hands[1] - 4.0 {
                        *v = 60.0;
                    }
                    for side in [-1.0, 1.0] {
                        let cx = self.hands[0] + side * (2.0 + gap);
                        if ((x - cx) / 2.0).powi(2) + ((y - self.hands[1]) / 3.4).powi(2) < 1.0 {
                            *v = 190.0;
                        }
                    }
                }
            }
        }

        fn film(&self, seconds: f64, rate: f64, random: &mut Random) -> ActivityCurve {
            let mut builder = ActivityBuilder::new(WIDTH, HEIGHT).unwrap();
            let exposure_s = random.range(0.004, 0.02);
            let (mut open, mut shut) = (vec![0.0; WIDTH * HEIGHT], vec![0.0; WIDTH * HEIGHT]);
            for k in 0..(seconds * rate) as usize {
                let t = k as f64 / rate;
                self.frame(t, &mut open);
                self.frame(t + exposure_s, &mut shut);
                let luma: Vec<u8> = open
                    .iter()
                    .zip(&shut)
                    .map(|(a, b)| (0.5 * (a + b) + 6.0 * (random.unit() - 0.5)).clamp(0.0, 255.0) as u8)
                    .collect();
                builder.push(&luma, t).unwrap();
            }
            builder.finish()
        }
    }

    /// Markers as the detector finds them: short noises in silence-like noise, at these times.
    fn heard(times_s: &[f64]) -> Vec<Marker> {
        let rate = 16_000.0;
        let mut random = Random(7);
        let end = times_s.iter().fold(0.0f64, |m, v| m.max(*v)) + 3.0;
        let mut x: Vec<f32> = (0..(end * rate) as usize).map(|_| (0.002 * (random.unit() - 0.5)) as f32).collect();
        for t in times_s {
            for i in 0..(0.2 * rate) as usize {
                let s = i as f64 / rate;
                x[(t * rate) as usize + i] +=
                    (0.3 * (random.unit() - 0.5) * ((-s / 0.008).exp() + 0.1 * (-s / 0.05).exp())) as f32;
            }
        }
        let found = find_markers(&x, rate, &MarkerOptions::default()).unwrap();
        assert_eq!(found.len(), times_s.len(), "every clap of the set-up is found");
        found
    }

    /// 200 silent clips of 8 s at 25 frames a second. The camera's own clock is known to 20 s; the sound has the
    /// clap and, a minute away, another knock. At least 95 % within one frame, none wrong.
    #[test]
    fn silent_clips_of_a_clap_are_placed_within_a_frame_or_not_at_all() {
        let (mut right, mut wrong, mut unplaced) = (0, 0, 0);
        let mut square = 0.0;
        let markers = heard(&[20.0, 85.0]);
        for seed in 0..200 {
            let mut random = Random(seed * 7919 + 1);
            let clap_s = random.range(1.5, 6.5);
            let scene = Scene::new(&mut random, clap_s);
            let curve = scene.film(8.0, 25.0, &mut random);
            let truth = 20.0 - clap_s;
            let options = ActivityOptions {
                offset_range_s: Some((truth - random.range(0.0, 20.0), truth + 20.0)),
                ..ActivityOptions::default()
            };
            match align_activity(&curve, &markers, &options).unwrap() {
                Ok(p) if (p.offset_s - truth).abs() <= 0.04 => {
                    assert!(p.uncertainty_s >= 0.02 - 1e-9);
                    square += (p.offset_s - truth).powi(2);
                    right += 1;
                }
                Ok(_) => wrong += 1,
                Err(_) => unplaced += 1,
            }
        }
        let rms = (square / f64::from(right.max(1))).sqrt();
        assert!(right >= 190 && wrong == 0, "{right} right, {wrong} wrong, {unplaced} unplaced");
        assert!(rms <= 0.02, "rms {rms}: the stated half frame is too little");
    }

    /// Clips without a clap must stay unplaced, though the sound has one.
    #[test]
    fn clips_without_a_clap_are_not_placed() {
        let markers = heard(&[20.0]);
        let mut placed = 0;
        for seed in 0..40 {
            let mut random = Random(seed * 104_729 + 3);
            let scene = Scene::new(&mut random, -100.0);
            let curve = scene.film(8.0, 25.0, &mut random);
            placed += usize::from(align_activity(&curve, &markers, &ActivityOptions::default()).unwrap().is_ok());
        }
        assert_eq!(placed, 0, "of 40");
    }

    #[test]
    fn one_clap_seen_and_two_heard_is_ambiguous() {
        let mut random = Random(11);
        let scene = Scene::new(&mut random, 4.0);
        let curve = scene.film(8.0, 25.0, &mut random);
        let out = align_activity(&curve, &heard(&[20.0, 31.0]), &ActivityOptions::default()).unwrap();
        assert_eq!(out.unwrap_err(), ActivityUnplaced::Ambiguous);
        let out = align_activity(&curve, &[], &ActivityOptions::default()).unwrap();
        assert_eq!(out.unwrap_err(), ActivityUnplaced::NothingHeard);
    }

    #[test]
    fn a_flash_is_a_step_of_brightness() {
        let times: Vec<f64> = (0..200).map(|i| f64::from(i) / 25.0).collect();
        let brightness: Vec<f32> =
            (0..200).map(|i| if (100..103).contains(&i) { 160.0 } else { 90.0 + (i % 3) as f32 * 0.2 }).collect();
        let motion = vec![1.0; 200];
        let curve = ActivityCurve::from_values(times, motion, brightness).unwrap();
        let sights = find_sights(&curve, 5.0);
        assert!(sights.iter().any(|s| s.kind == SightKind::Flash && (s.time_s - 3.98).abs() < 1e-9), "{sights:?}");
    }

    #[test]
    fn odd_input_is_refused() {
        assert!(ActivityBuilder::new(8, 100).is_err());
        let mut b = ActivityBuilder::new(16, 16).unwrap();
        assert!(b.push(&[0; 255], 0.0).is_err());
        b.push(&[0; 256], 0.0).unwrap();
        assert!(b.push(&[0; 256], 0.0).is_err());
        assert!(ActivityCurve::from_values(vec![0.0], vec![], vec![]).is_err());
        assert!(ActivityCurve::from_values(vec![0.0, f64::NAN], vec![0.0; 2], vec![0.0; 2]).is_err());
        let short = align_activity(&b.finish(), &heard(&[2.0]), &ActivityOptions::default()).unwrap();
        assert_eq!(short.unwrap_err(), ActivityUnplaced::TooShort);
    }
}
