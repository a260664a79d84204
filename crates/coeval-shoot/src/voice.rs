//! The voice of a rough cut as sound: cut as the plan says, brought to a loudness, its true peaks limited.

use std::fs::File as Disk;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

use coeval::level::{LevelMeter, LevelReport};
use coeval::limit::Limiter;
use coeval::progress::{Progress, step};
use coeval::{Error, Result};
use coeval_media::{OpenOptions, SampleFormat, WavOptions, WavWriter};

use crate::alignment::Alignment;
use crate::conform::{ConformOptions, Conformed, Lies};
use crate::invalid;
use crate::tighten::Plan;

const RATE: u32 = 48_000;
const CHANNELS: usize = 2;
const BLOCK: usize = 4096;
/// Length of the fades where time was taken out, seconds.
const FADE_S: f64 = 0.005;
/// How close the loudness must come, LU.
const CLOSE_LU: f64 = 0.05;
/// How often gain and ceiling are set anew at most.
const ROUNDS: usize = 8;
/// A meter's interpolation may see so much more than ours, dB.
const MARGIN_DB: f64 = 0.1;

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Rendered {
    /// Gain before the limiter, dB.
    pub gain_db: f64,
    /// Integrated loudness, LUFS (ITU-R BS.1770); `None` for silence.
    pub loudness_lufs: Option<f64>,
    /// Highest true peak, dBTP.
    pub true_peak_dbtp: f64,
    /// Length, seconds.
    pub duration_s: f64,
}

/// Writes the sound of the recording `recorder` along a plan: stereo, 48 kHz, 24 bits, as long as the shorter
/// timeline, silent where time passes at speed. Loudness `lufs` (-40 to -5), no true peak above `limit_dbtp`
/// (-20 to 0). The file appears whole or not at all.
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for numbers out of range or an unknown recording;
/// [`OutputExists`](coeval::ErrorKind::OutputExists) when the file is there and `replace` is not set; what reading and
/// writing may answer; [`Cancelled`](coeval::ErrorKind::Cancelled).
#[expect(clippy::too_many_arguments, reason = "each is one plain thing, and nothing else takes them together")]
pub fn render_voice(
    alignment: &Alignment,
    folder: &Path,
    recorder: &str,
    plan: &Plan,
    (lufs, limit_dbtp): (f64, f64),
    path: &Path,
    replace: bool,
    open: &OpenOptions,
    progress: &dyn Progress,
) -> Result<Rendered> {
    if !(-40.0..=-5.0).contains(&lufs) || !(-20.0..=0.0).contains(&limit_dbtp) {
        return Err(invalid(format!(
            "a loudness of {lufs} LUFS and a limit of {limit_dbtp} dBTP: they must be within -40 to -5 and -20 to 0"
        )));
    }
    plan.check()?;
    let (mut sound, frames) = cut_sound(alignment, folder, recorder, plan, open, progress)?;
    let mut gain_db = 0.0;
    let mut ceiling = limit_dbtp - MARGIN_DB;
    let measure = |sound: &mut Disk, gain_db: f64, ceiling: f64| {
        let mut meter = LevelMeter::new(RATE, CHANNELS)?;
        limited(sound, frames, gain_db, ceiling, &mut |block| meter.push(block))?;
        meter.finish()
    };
    let peak = |report: &LevelReport| report.channels.iter().map(|c| c.true_peak_dbtp).fold(f64::MIN, f64::max);
    let mut report = measure(&mut sound, gain_db, ceiling)?;
    for round in 0..ROUNDS {
        step(progress, "levelling the voice", round as f64 / ROUNDS as f64)?;
        let Some(now) = report.integrated_lufs else { break };
        let over = peak(&report) - limit_dbtp;
        if (lufs - now).abs() < CLOSE_LU && over <= 0.0 {
            break;
        }
        if over > 0.0 {
            ceiling -= over + 0.02;
        }
        // The limiter takes some of it back: the next round sees how much.
        gain_db = (gain_db + lufs - now).clamp(-60.0, 60.0);
        report = measure(&mut sound, gain_db, ceiling)?;
    }
    let mut wav = WavOptions::new(RATE, CHANNELS);
    wav.format = SampleFormat::Int24;
    wav.overwrite = replace;
    // Dither would lift a true peak above the limit by its own height only: 24 bits, -138 dB.
    let mut writer = WavWriter::create(path, wav)?;
    limited(&mut sound, frames, gain_db, ceiling, &mut |block| writer.write(block))?;
    writer.finish()?;
    step(progress, "levelling the voice", 1.0)?;
    Ok(Rendered {
        gain_db,
        loudness_lufs: report.integrated_lufs,
        true_peak_dbtp: peak(&report),
        duration_s: frames as f64 / f64::from(RATE),
    })
}

/// Reads the cut sound through gain and limiter.
fn limited(
    sound: &mut Disk,
    frames: u64,
    gain_db: f64,
    ceiling: f64,
    sink: &mut dyn FnMut(&[f32]) -> Result<()>,
) -> Result<()> {
    let failed = |e| Error::io(std::env::temp_dir(), e);
    sound.seek(SeekFrom::Start(0)).map_err(failed)?;
    let gain = 10f64.powf(gain_db / 20.0) as f32;
    let mut limiter = Limiter::new(f64::from(RATE), CHANNELS, ceiling)?;
    let (mut bytes, mut block, mut out) = (Vec::new(), Vec::new(), Vec::new());
    let mut left = frames;
    while left > 0 {
        let count = left.min(BLOCK as u64);
        bytes.resize(count as usize * CHANNELS * 4, 0);
        sound.read_exact(&mut bytes).map_err(failed)?;
        block.clear();
        block.extend(bytes.chunks_exact(4).map(|b| gain * f32::from_le_bytes([b[0], b[1], b[2], b[3]])));
        out.clear();
        limiter.push(&block, &mut out)?;
        sink(&out)?;
        left -= count;
    }
    out.clear();
    limiter.finish(&mut out);
    sink(&out)
}

/// The recording's sound along the plan, 32-bit floating point, in a file that is gone when it is closed, since it may
/// last for hours.
fn cut_sound(
    alignment: &Alignment,
    folder: &Path,
    recorder: &str,
    plan: &Plan,
    open: &OpenOptions,
    progress: &dyn Progress,
) -> Result<(Disk, u64)> {
    let failed = |e| Error::io(std::env::temp_dir(), e);
    let recording = alignment.recording(recorder);
    let recording = recording.ok_or_else(|| invalid(format!("no recording is called {recorder:?}")))?;
    let rate = f64::from(RATE);
    let sample = |frame: i64| (frame as f64 * plan.frame_s() * rate).round() as i64;
    let frames = sample(plan.shown_frames()) as u64;
    let mut disk = tempfile::tempfile().map_err(failed)?;
    disk.set_len(frames * CHANNELS as u64 * 4).map_err(failed)?;
    // Stretches in samples of the timeline, and where each goes.
    let mut moves: Vec<(i64, i64, i64)> = Vec::new();
    let mut at = 0;
    for (from, to, speed) in plan.kept() {
        let length = (to - from + i64::from(speed) - 1) / i64::from(speed);
        if speed == 1 {
            let (begin, end) = (sample(at), sample(at + length));
            moves.push((sample(from), sample(from) + end - begin, begin));
        }
        at += length;
    }
    let fade = (FADE_S * rate) as i64;
    for file in &recording.files {
        let (Some(first), Some(last), Some(sound)) = (file.knots.first(), file.knots.last(), &file.sound) else {
            continue;
        };
        // On a sample of the timeline.
        let start = (first[1] * rate).floor() as i64;
        let channels = sound.channels.max(1);
        let conformed = Conformed {
            name: String::new(),
            lies: Lies::OnTimeline,
            recording: recording.id.clone(),
            sources: vec![file.path.clone()],
            start_s: start as f64 / rate,
            rate_hz: RATE,
            channels,
            frames: ((last[1] * rate).ceil() as i64 - start).max(0) as u64,
            time_reference: 0,
            frame_rate: plan.frame_rate,
        };
        let options = ConformOptions { open: open.clone(), ..ConformOptions::default() };
        let mut from = start;
        let mut bytes = Vec::new();
        let cutting = &|_: &str, done: f64| progress.report("cutting the voice", done);
        conformed.render(alignment, folder, &options, cutting, &mut |block| {
            let to = from + (block.len() / channels) as i64;
            for &(a, b, target) in moves.iter().filter(|m| m.0 < to && m.1 > from) {
                let (begin, end) = (a.max(from), b.min(to));
                bytes.clear();
                for (k, frame) in (begin..end).zip(block[(begin - from) as usize * channels..].chunks_exact(channels)) {
                    let edge = ((k - a + 1).min(b - k) as f32 / fade as f32).min(1.0);
                    let mono = frame.iter().sum::<f32>() / channels as f32;
                    let [l, r] = if channels == 2 { [frame[0], frame[1]] } else { [mono, mono] };
                    bytes.extend((edge * l).to_le_bytes());
                    bytes.extend((edge * r).to_le_bytes());
                }
                let place = (target + begin - a) as u64 * CHANNELS as u64 * 4;
                disk.seek(SeekFrom::Start(place)).map_err(failed)?;
                disk.write_all(&bytes).map_err(failed)?;
            }
            from = to;
            Ok(())
        })?;
    }
    Ok((disk, frames))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tighten::{Entry, Fate};
    use coeval::ErrorKind;
    use std::process::Command;

    /// What `ffmpeg`'s own meter says: integrated loudness and true peak.
    fn ffmpeg(path: &Path) -> Option<(f64, f64)> {
        let run = Command::new("ffmpeg")
            .args(["-hide_banner", "-nostats", "-i"])
            .arg(path)
            .args(["-af", "ebur128=peak=true", "-f", "null", "-"])
            .output()
            .ok()?;
        let text = String::from_utf8_lossy(&run.stderr).into_owned();
        let summary = text.split("Summary:").nth(1)?;
        let number = |name: &str| summary.split(name).nth(1)?.split_whitespace().next()?.parse().ok();
        Some((number("I:")?, number("Peak:")?))
    }

    #[test]
    fn the_voice_is_as_loud_as_asked_by_another_meter_and_never_over_its_limit() {
        let dir = tempfile::tempdir().unwrap();
        let map = coeval::clock::ClockMap::linear(0.0, 20.0, 60.0);
        // Bursts with a crest that must be limited to reach the loudness.
        let voice = |t: f64| {
            let gate = if (t * 0.7).fract() < 0.6 { 0.12 + 0.3 * (-((t * 3.1).fract() * 9.0)).exp() } else { 0.001 };
            gate * ((t * 1400.0).sin() + 0.6 * (t * 5231.0).sin() + 0.4 * (t * 17_000.0).sin())
        };
        crate::conform::tests::record(dir.path(), "R.WAV", 44_100, 1, &map, voice);
        let alignment =
            crate::conform::tests::alignment(vec![], vec![crate::conform::tests::file("R.WAV", 44_100, 1, &map)]);
        let entry =
            |from: i64, to: i64, fate: Fate| Entry { from, to, fate, camera: None, dissolve: 0, reason: String::new() };
        let entries = vec![
            entry(0, 100, Fate::Drop),
            entry(100, 700, Fate::Show),
            entry(700, 900, Fate::Pass(8)),
            entry(900, 1400, Fate::Show),
        ];
        let plan = Plan { frame_rate: [25, 1], entries, notes: vec![] };
        for (lufs, limit) in [(-14.0, -1.0), (-23.0, -6.0)] {
            let path = dir.path().join(format!("{lufs}.wav"));
            let recorder =
                alignment.recordings.iter().find(|r| r.files.iter().any(|f| f.path == "R.WAV")).unwrap().id.clone();
            let open = OpenOptions::default();
            let got = render_voice(&alignment, dir.path(), &recorder, &plan, (lufs, limit), &path, false, &open, &())
                .unwrap();
            assert!((got.duration_s - plan.shown_s()).abs() < 1e-4);
            assert!((got.loudness_lufs.unwrap() - lufs).abs() < 0.1, "{got:?}");
            assert!(got.true_peak_dbtp <= limit, "{got:?}");
            let Some((loudness, peak)) = ffmpeg(&path) else { panic!("this check needs ffmpeg") };
            // It prints tenths.
            assert!((loudness - lufs).abs() <= 0.2, "{loudness} LUFS, not {lufs}");
            assert!(peak <= limit + 1e-9, "{peak} dBTP, limit {limit}");
            let again = render_voice(&alignment, dir.path(), &recorder, &plan, (lufs, limit), &path, false, &open, &());
            assert_eq!(again.unwrap_err().kind(), ErrorKind::OutputExists);
        }
    }
}
