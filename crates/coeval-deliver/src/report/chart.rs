//! The chart of coverage: who ran when, on the timeline.

use coeval_shoot::alignment::{File, Recording};
use coeval_shoot::clock_time;

use super::rows::{Block, ClipView, Coverage, LaneView, Span, Tick};
use super::view::{Placed, View};
use super::words::length;

impl<'a> View<'a> {
    pub(super) fn share(&self, seconds: f64) -> f64 {
        // Four digits are a tenth of a pixel at the largest zoom.
        (seconds / self.duration_s * 1e6).round() / 1e4
    }

    /// Distance of ticks for about `count` of them, seconds.
    pub(super) fn step_s(&self, count: f64) -> f64 {
        const STEPS: [f64; 16] = [
            1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10_800.0,
            21_600.0,
        ];
        STEPS.into_iter().find(|s| self.duration_s / s <= count).unwrap_or(86_400.0)
    }

    pub(super) fn border(&self) -> Vec<Block> {
        let step = self.step_s(40.0);
        let blocks = (self.duration_s / step).ceil() as usize;
        let block = |i: usize| {
            let (from, to) = (i as f64 * step, ((i + 1) as f64 * step).min(self.duration_s));
            Block {
                class: if i.is_multiple_of(2) { "full" } else { "" },
                left: self.share(from),
                width: self.share(to - from),
            }
        };
        (0..blocks).map(block).collect()
    }

    pub(super) fn ticks(&self) -> Vec<Tick> {
        let steps = [self.step_s(8.0), self.step_s(24.0), self.step_s(80.0)];
        let mut ticks: Vec<Tick> = Vec::new();
        let mut seen: Vec<i64> = Vec::new();
        for (level, step) in steps.into_iter().enumerate() {
            let mut at = 0.0;
            while at < self.duration_s * 0.96 {
                if !seen.contains(&(at as i64)) {
                    seen.push(at as i64);
                    ticks.push(Tick { left: self.share(at), label: clock_time(at), level });
                }
                at += step;
            }
        }
        ticks
    }

    /// Colour of a recording: its place among those that are on the timeline.
    pub(super) fn colour(&self, id: &str) -> usize {
        self.lane_order().iter().position(|r| r.id == id).unwrap_or(0) % 6
    }

    pub(super) fn lane_order(&self) -> Vec<&'a Recording> {
        let clock = self.alignment.recording(&self.alignment.timeline.clock);
        let others = self.alignment.recordings.iter().filter(|r| r.id != self.alignment.timeline.clock);
        clock.into_iter().chain(others).filter(|r| r.files.iter().any(File::is_placed)).collect()
    }

    pub(super) fn lanes(&self) -> Vec<LaneView> {
        let lane = |recording: &Recording| {
            let clips = self.placed.iter().filter(|p| p.recording.id == recording.id).map(|p| {
                let length_s = (p.to_s - p.from_s).max(1e-3);
                let within = |s: f64| ((s - p.from_s) / length_s * 1e4).round() / 100.0;
                let missed = self.missed(recording, p.file);
                let doubtful: Vec<(f64, f64)> =
                    p.file.doubtful().map(|s| (p.map.forward(s.from_s), p.map.forward(s.to_s))).collect();
                let spans = |of: &[(f64, f64)]| {
                    of.iter().map(|m| Span { left: within(m.0), width: within(m.1) - within(m.0) }).collect()
                };
                let mut words = format!("{}, from {} to {}", p.file.path, clock_time(p.from_s), clock_time(p.to_s));
                if !missed.is_empty() {
                    words.push_str(&format!(", {} without a recorder", length(missed.iter().map(|m| m.1 - m.0).sum())));
                }
                if !doubtful.is_empty() {
                    words.push_str(&format!(", {} in doubt", length(doubtful.iter().map(|d| d.1 - d.0).sum())));
                }
                if !p.file.jumps.is_empty() {
                    words.push_str(&format!(", {} jumps", p.file.jumps.len()));
                }
                ClipView {
                    name: p.file.path.clone(),
                    href: self.link(&p.file.path).1,
                    words,
                    left: self.share(p.from_s),
                    width: self.share(p.to_s - p.from_s),
                    missed: spans(&missed),
                    doubtful: spans(&doubtful),
                    jumps: p.file.jumps.iter().map(|j| within(p.map.forward(j.file_s))).collect(),
                }
            });
            let clock = if recording.id == self.alignment.timeline.clock { ", reference clock" } else { "" };
            LaneView {
                id: recording.id.clone(),
                colour: self.colour(&recording.id),
                words: format!("{}{clock}", recording.kind.as_str()),
                clips: clips.collect(),
            }
        };
        self.lane_order().into_iter().map(lane).collect()
    }

    pub(super) fn coverage(&self) -> Vec<Coverage> {
        let row = |recording: &Recording| {
            let mine: Vec<&Placed<'_>> = self.placed.iter().filter(|p| p.recording.id == recording.id).collect();
            let from = mine.iter().map(|p| p.from_s).fold(f64::INFINITY, f64::min);
            let to = mine.iter().map(|p| p.to_s).fold(0.0, f64::max);
            let ran: f64 = mine.iter().map(|p| p.to_s - p.from_s).sum();
            let mut missed = Vec::new();
            if from > 1.0 {
                missed.push(format!("the first {}", length(from)));
            }
            let mut ends: Vec<(f64, f64)> = mine.iter().map(|p| (p.from_s, p.to_s)).collect();
            ends.sort_by(|a, b| a.0.total_cmp(&b.0));
            for w in ends.windows(2).filter(|w| w[1].0 - w[0].1 > 0.04) {
                missed.push(format!("{} at {}", length(w[1].0 - w[0].1), clock_time(w[0].1)));
            }
            if self.duration_s - to > 1.0 {
                missed.push(format!("the last {}", length(self.duration_s - to)));
            }
            let missed = match missed.len() {
                0 => "nothing".to_owned(),
                n if n > 6 => format!("{}, and {} more stretches", missed[..5].join(", "), n - 5),
                _ => missed.join(", "),
            };
            Coverage {
                id: recording.id.clone(),
                words: recording.kind.as_str(),
                from: clock_time(from),
                to: clock_time(to),
                ran: length(ran),
                share: format!("{:.0} %", 100.0 * ran / self.duration_s),
                missed,
            }
        };
        self.lane_order().into_iter().map(row).collect()
    }
}
