//! Curves over the timeline, as SVG.

use std::fmt::Write;

use coeval_shoot::clock_time;
use coeval_shoot::lag_map::{ROW_S, ROWS};

/// How a series is drawn.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    /// Points joined.
    Line,
    /// Points alone.
    Dots,
}

/// One curve: seconds over seconds of the timeline.
pub(super) struct Series {
    pub(super) name: String,
    pub(super) colour: usize,
    pub(super) shape: Shape,
    pub(super) points: Vec<(f64, f64)>,
}

/// Text of an SVG.
fn escaped(text: &str) -> String {
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Where each name goes below the picture: as many to a line as have room.
fn legend(series: &[Series], left: f64, width: f64) -> Vec<(f64, f64)> {
    let (mut x, mut y) = (left, 0.0);
    let mut places = Vec::new();
    for s in series {
        // About, and rather too much.
        let room = 44.0 + 8.5 * s.name.chars().count() as f64 + 28.0;
        if x > left && x + room > width {
            (x, y) = (left, y + 22.0);
        }
        places.push((x, y));
        x += room;
    }
    places
}

/// A distance of 1, 2 or 5 times a power of ten, for about `count` lines over `range`.
fn nice_step(range: f64, count: f64) -> f64 {
    let rough = (range / count).max(1e-12);
    let power = 10f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough * 0.999).unwrap_or(rough)
}

/// Lowest and highest value that is drawn, seconds.
fn range_s(series: &[Series], limits: &[(f64, &str)]) -> (f64, f64) {
    // Dots far out would press the rest flat: the scale is for 99 of 100. Lines are seen whole.
    let of = |shape: Shape| series.iter().filter(move |s| s.shape == shape).flat_map(|s| &s.points).map(|p| p.1);
    let mut dots: Vec<f64> = of(Shape::Dots).collect();
    dots.sort_by(f64::total_cmp);
    let is_dots = of(Shape::Line).next().is_none();
    let least = if is_dots { 2e-5 } else { 0.0005 };
    let share = dots.len() / 100;
    let of_dots = || dots.iter().copied().skip(share).take(dots.len() - 2 * share);
    let (mut low, mut high) = (
        of(Shape::Line).chain(of_dots()).fold(-least, f64::min),
        of(Shape::Line).chain(of_dots()).fold(least, f64::max),
    );
    if is_dots {
        high = high.max(-low) * 1.1;
        low = -high;
    }
    for (limit, _) in limits {
        // A limit that is near is worth the room.
        if *limit > 0.0 && high > 0.3 * limit {
            high = high.max(*limit);
        }
        if *limit < 0.0 && low < 0.3 * limit {
            low = low.min(*limit);
        }
    }
    (low, high)
}

/// Room around the curves, for labels.
const LEFT: f64 = 64.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 30.0;
/// Pictures less wide, as on a phone, have fewer lines.
const NARROW: f64 = 500.0;

/// The scales of a picture: time across, milliseconds up.
struct Axes {
    width: f64,
    height: f64,
    span_s: (f64, f64),
    /// Milliseconds from line to line, and the number of the lowest and of the highest line; 0 is at zero.
    step_ms: f64,
    lines: (i64, i64),
}

impl Axes {
    fn new(width: f64, span_s: (f64, f64), (low_s, high_s): (f64, f64)) -> Self {
        let is_narrow = width < NARROW;
        let step_ms = nice_step((high_s - low_s) * 1e3, if is_narrow { 4.0 } else { 6.0 });
        let lines = ((low_s * 1e3 / step_ms).floor() as i64, (high_s * 1e3 / step_ms).ceil() as i64);
        Self { width, height: if is_narrow { 230.0 } else { 290.0 }, span_s, step_ms, lines }
    }

    fn duration_s(&self) -> f64 {
        (self.span_s.1 - self.span_s.0).max(1e-9)
    }

    fn plot_height(&self) -> f64 {
        self.height - TOP - BOTTOM
    }

    fn right(&self) -> f64 {
        self.width - RIGHT
    }

    /// Lowest and highest value that is shown.
    fn ends_ms(&self) -> (f64, f64) {
        (self.lines.0 as f64 * self.step_ms, self.lines.1 as f64 * self.step_ms)
    }

    fn x(&self, s: f64) -> f64 {
        LEFT + (self.width - LEFT - RIGHT) * ((s - self.span_s.0) / self.duration_s()).clamp(0.0, 1.0)
    }

    fn y(&self, s: f64) -> f64 {
        let (bottom_ms, top_ms) = self.ends_ms();
        TOP + self.plot_height() * (1.0 - ((s * 1e3 - bottom_ms) / (top_ms - bottom_ms)).clamp(0.0, 1.0))
    }

    // Writing to a String cannot fail, here and below.
    fn draw_values(&self, svg: &mut String) {
        let digits = match self.step_ms {
            step if step < 0.095 => 2,
            step if step < 0.95 => 1,
            _ => 0,
        };
        for i in self.lines.0..=self.lines.1 {
            let value = i as f64 * self.step_ms;
            let at = self.y(value / 1e3);
            let class = if i == 0 { "zero" } else { "grid" };
            let label = format!("{value:+.digits$}").replace('-', "\u{2212}");
            let label = if i == 0 { "0".to_owned() } else { label };
            let _ = write!(
                svg,
                "<path class=\"{class}\" d=\"M{LEFT} {at:.1}H{:.1}\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
                self.right(),
                LEFT - 6.0,
                at + 4.5,
            );
        }
    }

    fn draw_times(&self, svg: &mut String) {
        const STEPS: [f64; 14] =
            [5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 14_400.0, 43_200.0];
        let count = if self.width < NARROW { 4.0 } else { 8.0 };
        let time_step = STEPS.into_iter().find(|s| self.duration_s() / s <= count).unwrap_or(86_400.0);
        let mut time = (self.span_s.0 / time_step).ceil() * time_step;
        while time <= self.span_s.1 {
            let at = self.x(time);
            let anchor = if at > self.right() - 24.0 { "end" } else { "middle" };
            let label = if time == 0.0 { "0".to_owned() } else { clock_time(time) };
            let _ = write!(
                svg,
                "<path class=\"grid\" d=\"M{at:.1} {TOP}V{:.1}\"/><text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{label}</text>",
                TOP + self.plot_height(),
                self.height - 9.0,
            );
            time += time_step;
        }
    }

    fn draw_limits(&self, svg: &mut String, limits: &[(f64, &str)]) {
        let (bottom_ms, top_ms) = self.ends_ms();
        for (limit, word) in limits.iter().filter(|(l, _)| (bottom_ms..=top_ms).contains(&(l * 1e3))) {
            let at = self.y(*limit);
            let beside = if *limit > 0.0 { at - 5.0 } else { at + 14.0 };
            let _ = write!(
                svg,
                "<path class=\"limit\" d=\"M{LEFT} {at:.1}H{:.1}\"/><text class=\"limit-word\" x=\"{:.1}\" y=\"{beside:.1}\">{word}</text>",
                self.right(),
                LEFT + 6.0,
            );
        }
    }

    /// The curve, and at `(x, y)` below the picture what it is called.
    fn draw_series(&self, svg: &mut String, s: &Series, (legend_x, legend_y): (f64, f64)) {
        let mut path = String::new();
        for (n, p) in s.points.iter().enumerate() {
            let (px, py) = (self.x(p.0), self.y(p.1));
            let _ = match (s.shape, n) {
                (Shape::Dots, _) => write!(path, "M{px:.1} {py:.1}h0"),
                (Shape::Line, 0) => write!(path, "M{px:.1} {py:.1}"),
                (Shape::Line, _) => write!(path, "L{px:.1} {py:.1}"),
            };
        }
        let (class, dash) = match s.shape {
            Shape::Line => ("line", format!(" d{}", s.colour)),
            Shape::Dots => ("dots", String::new()),
        };
        let row = self.height + legend_y + 8.0;
        let sample = match s.shape {
            Shape::Line => format!("M{legend_x} {row:.1}h34"),
            Shape::Dots => format!("M{:.1} {row:.1}h0m9 0h0m9 0h0", legend_x + 8.0),
        };
        let _ = write!(
            svg,
            "<g class=\"c{}\"><path class=\"{class}{dash}\" d=\"{path}\"/><path class=\"{class}{dash}\" d=\"{sample}\"/>\
             <text class=\"who\" x=\"{:.1}\" y=\"{:.1}\">{}</text></g>",
            s.colour,
            legend_x + 44.0,
            row + 4.5,
            escaped(&s.name),
        );
    }
}

/// From so many standard deviations on a cell is drawn, and darker from each further one on. Chance exceeds the first at one
/// lag in 150 000, which is in one column of 230; the others are own choice.
pub(super) const GRADES: [f32; 4] = [4.5, 6.0, 9.0, 14.0];

/// Draws the strengths of a lag map, column by column from the lowest lag up, and the placement as a line over them. `edge_s`
/// is where a column begins on the timeline.
pub(super) fn cells(
    words: &str,
    width: usize,
    colour: usize,
    strength: &[f32],
    edge_s: &dyn Fn(usize) -> f64,
) -> String {
    let columns = strength.len() / ROWS;
    let span_s = (edge_s(0), edge_s(columns));
    let reach_s = (ROWS / 2) as f64 * ROW_S;
    let axes = Axes::new(width as f64, span_s, (-reach_s, reach_s));
    let mut paths = [const { String::new() }; GRADES.len()];
    for (column, rows) in strength.chunks_exact(ROWS).enumerate() {
        let (left, right) = (axes.x(edge_s(column)), axes.x(edge_s(column + 1)));
        for (row, strength) in rows.iter().enumerate() {
            let Some(grade) = GRADES.iter().rposition(|least| strength >= least) else { continue };
            let lag_s = (row as f64 - (ROWS / 2) as f64) * ROW_S;
            let (top, bottom) = (axes.y(lag_s + ROW_S / 2.0), axes.y(lag_s - ROW_S / 2.0));
            let _ = write!(paths[grade], "M{left:.1} {top:.1}H{right:.1}V{bottom:.1}H{left:.1}z");
        }
    }
    let placement = Series {
        name: "placement".to_owned(),
        colour,
        shape: Shape::Line,
        points: vec![(span_s.0, 0.0), (span_s.1, 0.0)],
    };
    let place = legend(std::slice::from_ref(&placement), LEFT, axes.width)[0];
    let whole = axes.height + place.1 + 22.0;
    let mut svg = format!("<svg viewBox=\"0 0 {width} {whole}\" role=\"img\" aria-label=\"{}\">", escaped(words));
    axes.draw_values(&mut svg);
    axes.draw_times(&mut svg);
    for (grade, path) in paths.iter().enumerate() {
        let _ = write!(svg, "<path class=\"cells g{}\" d=\"{path}\"/>", grade + 1);
    }
    axes.draw_series(&mut svg, &placement, place);
    svg.push_str("</svg>");
    svg
}

/// Draws series, in milliseconds over a span of the timeline, into a picture `width` units wide. `words` say it to who cannot
/// see it; `limits` are drawn across where they are near.
pub(super) fn plot(words: &str, width: usize, span_s: (f64, f64), series: &[Series], limits: &[(f64, &str)]) -> String {
    let axes = Axes::new(width as f64, span_s, range_s(series, limits));
    let legend = legend(series, LEFT, axes.width);
    let whole = axes.height + legend.last().map_or(0.0, |l| l.1 + 22.0);
    let mut svg = format!("<svg viewBox=\"0 0 {width} {whole}\" role=\"img\" aria-label=\"{}\">", escaped(words));
    axes.draw_values(&mut svg);
    axes.draw_times(&mut svg);
    axes.draw_limits(&mut svg, limits);
    for (s, place) in series.iter().zip(legend) {
        axes.draw_series(&mut svg, s, place);
    }
    svg.push_str("</svg>");
    svg
}
