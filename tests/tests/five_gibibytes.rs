//! Conformed sound of more than 4 GiB is one good file, for us and for ffmpeg.
#![allow(clippy::print_stdout)] // The figures are for people.

use std::path::Path;
use std::process::Command;

use coeval_media::{OpenOptions, SampleFormat, SoundReader, WavOptions, WavWriter};
use coeval_shoot::Alignment;
use coeval_shoot::conform::{ConformOptions, conform};
use serde_json::json;

const SOURCE_HZ: u32 = 8000;
const TARGET_HZ: u32 = 192_000;
const CHANNELS: usize = 16;
/// 16 channels of 4 bytes at 192 kHz are 12.3 MB a second: a little more than 5 GiB.
const SECONDS: u32 = 438;

/// Each channel has a pitch of its own.
fn tone(channel: usize, t: f64) -> f64 {
    0.5 * (std::f64::consts::TAU * (200.0 + 37.0 * channel as f64) * t).sin()
}

fn write_source(path: &Path) {
    let mut writer = WavWriter::create(path, WavOptions::new(SOURCE_HZ, CHANNELS)).unwrap();
    for second in 0..SECONDS {
        let frames = (0..SOURCE_HZ).map(|n| f64::from(second) + f64::from(n) / f64::from(SOURCE_HZ));
        let block: Vec<f32> = frames.flat_map(|t| (0..CHANNELS).map(move |c| tone(c, t) as f32)).collect();
        writer.write(&block).unwrap();
    }
    writer.finish().unwrap();
}

/// Largest difference from what should be there, and how large it would be a sample later.
fn worst(sound: &[f32], first: u64, shift: u64) -> f64 {
    let frames = sound.chunks_exact(CHANNELS).enumerate();
    let off = frames.flat_map(|(n, frame)| {
        let t = (first + shift + n as u64) as f64 / f64::from(TARGET_HZ);
        frame.iter().enumerate().map(move |(c, x)| (f64::from(*x) - tone(c, t)).abs())
    });
    off.fold(0.0, f64::max)
}

#[test]
#[ignore = "writes 5 GiB and takes minutes: cargo test --release -p coeval-tests --test five_gibibytes -- --ignored"]
fn conformed_sound_past_four_gibibytes_is_read_back() {
    let dir = tempfile::tempdir().unwrap();
    write_source(&dir.path().join("R.WAV"));
    let end = f64::from(SECONDS);
    let alignment = json!({"schema": "coeval.alignment/1", "generator": {"name": "coeval", "version": "0"},
        "timeline": {"clock": "rec", "duration_s": end}, "pairs": [], "recordings": [
        {"id": "rec", "kind": "recorder", "files": [{"path": "R.WAV", "status": "placed", "reason": null,
            "duration_s": end, "confidence": 1.0, "uncertainty_s": 0.0, "offset_s": 0.0, "drift_ppm": 0.0,
            "knots": [[0.0, 0.0], [end, end]], "jumps": [],
            "sound": {"codec": "PCM", "rate_hz": SOURCE_HZ, "channels": CHANNELS}}]}]});
    let alignment = Alignment::from_json(&alignment.to_string()).unwrap();
    let mut options = ConformOptions::default();
    options.rate_hz = TARGET_HZ;
    options.format = SampleFormat::Float32;
    let written = conform(&alignment, dir.path(), dir.path(), &options, &()).unwrap();
    let path = written[0].path.as_ref().unwrap();
    let bytes = std::fs::metadata(path).unwrap().len();
    assert!(bytes > 5 << 30, "{bytes}");

    let frames = u64::from(SECONDS) * u64::from(TARGET_HZ);
    let mut reader = SoundReader::open(path, &OpenOptions::default()).unwrap();
    let info = reader.info().clone();
    assert_eq!(info.container, "RF64");
    assert!((info.duration_s - end).abs() < 1e-9, "{}", info.duration_s);
    // Start, either side of 4 GiB, near the end; the source's own ends and its 24 bits set the limits.
    let at_4_gib = (1u64 << 32) / (4 * CHANNELS as u64);
    let second = u64::from(TARGET_HZ);
    for first in [second, at_4_gib - second / 2, frames - 2 * second] {
        reader.seek(first).unwrap();
        let (mut sound, mut block) = (Vec::new(), Vec::new());
        while sound.len() < second as usize * CHANNELS {
            assert!(reader.read(&mut block).unwrap() > 0, "ends early");
            sound.extend_from_slice(&block);
        }
        let off = worst(&sound, first, 0);
        println!("from frame {first}: off by {off:.2e} at most");
        assert!(off < 1e-5, "{off}");
        assert!(worst(&sound, first, 1) > 1e-3, "a shift of one sample is not seen");
    }

    if Command::new("ffmpeg").arg("-version").output().is_err() {
        println!("skipped: ffmpeg is not installed");
        return;
    }
    let probe =
        ["-v", "error", "-show_entries", "stream=codec_name,sample_rate,channels,duration_ts", "-of", "csv=p=0"];
    let probed = Command::new("ffprobe").args(probe).arg(path).output().unwrap();
    let probed = String::from_utf8(probed.stdout).unwrap();
    assert_eq!(probed.trim(), format!("pcm_f32le,{TARGET_HZ},{CHANNELS},{frames}"));
    let from = format!("{}", SECONDS - 2);
    let decoded = Command::new("ffmpeg")
        .args(["-v", "error", "-ss", &from, "-i"])
        .arg(path)
        .args(["-t", "1", "-f", "f32le", "-"])
        .output()
        .unwrap();
    let sound: Vec<f32> = decoded.stdout.as_chunks().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
    assert_eq!(sound.len(), second as usize * CHANNELS);
    let off = worst(&sound, frames - 2 * second, 0);
    println!(
        "{:.2} GiB; ffmpeg reads {probed}and the last second but one, off by {off:.2e}",
        bytes as f64 / f64::from(1 << 30)
    );
    assert!(off < 1e-5, "{off}");
}
