//! The chart of coverage: who ran when, on the timeline.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use coeval_listen::outline::STEP_S;
use coeval_shoot::Measured;
use coeval_shoot::alignment::{File, Recording};
use coeval_shoot::clock_time;
use coeval_shoot::pictures::StillPicture;

use super::rows::{Block, ClipView, Coverage, HeardView, PictureView, Span, Tick, TrackView};
use super::view::{Placed, View};
use super::wave;
use super::words::length;

/// Columns of all outlines together: a column takes up to eight characters (own choice, for the size of the page).
const COLUMNS: f64 = 200_000.0;
/// Claps that are drawn of one file: more cannot be told apart (own choice).
const CLAPS: usize = 500;

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
        self.track_order().iter().position(|r| r.id == id).unwrap_or(0) % 6
    }

    pub(super) fn track_order(&self) -> Vec<&'a Recording> {
        let clock = self.alignment.recording(&self.alignment.timeline.clock);
        let others = self.alignment.recordings.iter().filter(|r| r.id != self.alignment.timeline.clock);
        clock.into_iter().chain(others).filter(|r| r.files.iter().any(File::is_placed)).collect()
    }

    /// What was measured of a file's sound.
    fn measured(&self, path: &str) -> Option<&'a Measured> {
        let measured = self.report.measured.iter().find(|m| m.0 == path)?;
        measured.1.as_ref().ok()
    }

    /// Length of a column of the outlines, seconds: the shortest with which they do not make the page too large.
    fn column_s(&self) -> f64 {
        let all_s: f64 = self.placed.iter().map(|p| p.to_s - p.from_s).sum();
        (all_s / COLUMNS / STEP_S).ceil().max(1.0) * STEP_S
    }

    /// The outline of a clip as the timeline has it, with speech and claps.
    fn heard(&self, clip: &Placed<'_>) -> Option<HeardView> {
        let measured = self.measured(&clip.file.path).filter(|_| clip.file.has_sound())?;
        let column_s = self.column_s();
        let columns = (clip.to_s - clip.from_s) / column_s;
        let level = |i: usize| {
            let (from_s, to_s) = (clip.from_s + i as f64 * column_s, clip.from_s + (i + 1) as f64 * column_s);
            // The whole column may lie in a gap, where the file has lost its sound.
            let (first_s, last_s) = (clip.map.inverse(from_s), clip.map.inverse(to_s));
            if last_s > first_s { measured.outline.peak_dbfs(first_s, last_s) } else { f64::NEG_INFINITY }
        };
        let levels: Vec<f64> = (0..columns.ceil() as usize).map(level).collect();
        let x = |file_s: f64| (clip.map.forward(file_s) - clip.from_s) / column_s;
        let height = wave::HEIGHT;
        let speech = measured.speech.iter().map(|s| (x(s.start_s), x(s.end_s)));
        let claps = measured.claps.iter().take(CLAPS).map(|c| x(c.time_s));
        Some(HeardView {
            columns: (columns * 10.0).round() / 10.0,
            level: wave::columns(&levels),
            speech: speech.map(|(from, to)| format!("M{from:.1} 0H{to:.1}V{height}H{from:.1}z")).collect(),
            claps: claps.map(|at| format!("M{at:.1} 0V{height}")).collect(),
        })
    }

    pub(super) fn tracks(&self) -> Vec<TrackView> {
        let track = |recording: &Recording| {
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
                match p.file.jumps.len() {
                    0 => {}
                    1 => words.push_str(", 1 jump"),
                    n => words.push_str(&format!(", {n} jumps")),
                }
                if let Some(measured) = self.measured(&p.file.path) {
                    let speech_s: f64 = measured.speech.iter().map(|s| s.end_s - s.start_s).sum();
                    if speech_s > 0.0 {
                        words.push_str(&format!(", {} of speech", length(speech_s)));
                    }
                    match measured.claps.len() {
                        0 => {}
                        1 => words.push_str(", 1 clap or knock"),
                        n => words.push_str(&format!(", {n} claps or knocks")),
                    }
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
                    heard: self.heard(p),
                }
            });
            let clock = if recording.id == self.alignment.timeline.clock { ", reference clock" } else { "" };
            TrackView {
                id: recording.id.clone(),
                colour: self.colour(&recording.id),
                words: format!("{}{clock}", recording.kind.as_str()),
                clips: clips.collect(),
                pictures: self.pictures(recording),
            }
        };
        self.track_order().into_iter().map(track).collect()
    }

    /// Small pictures of a recording's clips, each where it lies.
    fn pictures(&self, recording: &Recording) -> Vec<PictureView> {
        let every_s = self.report.pictures.every_s;
        let view = |p: &StillPicture| {
            let clip = self.placed.iter().find(|c| c.recording.id == recording.id && c.file.path == p.file)?;
            let from_s = f64::from(p.part) * every_s;
            // The last part of a clip is shorter.
            let (from_s, to_s) = (clip.map.forward(from_s), clip.map.forward(from_s + every_s).min(clip.to_s));
            let jpeg = BASE64.encode(&p.jpeg);
            (from_s < to_s).then(|| PictureView { left: self.share(from_s), width: self.share(to_s - from_s), jpeg })
        };
        self.report.pictures.pictures.iter().filter_map(view).collect()
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
        self.track_order().into_iter().map(row).collect()
    }
}
