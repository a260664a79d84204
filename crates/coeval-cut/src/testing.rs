//! Alignments for this crate's tests.

use std::path::Path;

use coeval_media::{WavOptions, WavWriter};
use coeval_shoot::Alignment;
use serde_json::{Value, json};

/// A recording of one file that runs from `from_s` to `to_s` on the timeline; cameras have picture.
pub(crate) fn recording(id: &str, kind: &str, path: &str, rate_hz: u32, [from_s, to_s]: [f64; 2]) -> Value {
    let duration_s = to_s - from_s;
    let mut file = json!({
        "path": path, "status": "placed", "reason": null, "duration_s": duration_s, "confidence": 1.0,
        "uncertainty_s": 1e-4, "offset_s": from_s, "drift_ppm": 0.0, "knots": [[0.0, from_s], [duration_s, to_s]],
        "jumps": [], "sound": {"codec": "PCM", "rate_hz": rate_hz, "channels": 1},
    });
    if kind == "camera" {
        file["picture"] = json!({
            "frame_rate": [30_000, 1001], "variable_rate": false, "size": [320, 180], "start_s": 0.0,
            "duration_s": duration_s,
        });
    }
    json!({"id": id, "kind": kind, "files": [file]})
}

/// An alignment of these on the clock of the first.
pub(crate) fn alignment(recordings: &[Value]) -> Alignment {
    let ends = recordings.iter().filter_map(|r| r["files"][0]["knots"][1][1].as_f64());
    let value = json!({
        "schema": "coeval.alignment/1", "generator": {"name": "coeval", "version": "0.1.0"},
        "timeline": {"clock": recordings[0]["id"], "duration_s": ends.fold(0.0, f64::max)},
        "recordings": recordings, "pairs": [],
    });
    Alignment::from_json(&value.to_string()).unwrap()
}

/// Two cameras and a recorder, 29.97 fps, 199.02 s.
pub(crate) fn shoot() -> Alignment {
    alignment(&[
        recording("cam-a", "camera", "A.MOV", 48_000, [12.012, 174.174]),
        recording("cam-b", "camera", "B.MP4", 48_000, [30.003, 130.503]),
        recording("rec-1", "recorder", "R.FLAC", 44_100, [0.01, 199.02]),
    ])
}

/// Writes a mono WAV of a tone.
pub(crate) fn tone(folder: &Path, name: &str, rate_hz: u32, duration_s: f64, hz: f64) {
    let mut writer = WavWriter::create(&folder.join(name), WavOptions::new(rate_hz, 1)).unwrap();
    let frames = (duration_s * f64::from(rate_hz)).round() as usize;
    let step = std::f64::consts::TAU * hz / f64::from(rate_hz);
    let sound: Vec<f32> = (0..frames).map(|n| 0.1 * (n as f64 * step).sin() as f32).collect();
    writer.write(&sound).unwrap();
    writer.finish().unwrap();
}
