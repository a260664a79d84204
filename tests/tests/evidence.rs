//! What holds files that the sound as a whole does not: anchors, claps heard, claps seen; and the proof beside each.
#![allow(clippy::print_stdout, reason = "tests say what they measured")]

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use coeval_shoot::Alignment;
use coeval_shoot::alignment::{EvidenceKind, File};
use coeval_tests::shoot::{coeval, write_good_pair};

/// Seeded noise, uniform within +-1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// A clap `t` seconds after its onset: noise that dies away, low-passed near 6 kHz, one and the same for a `seed`
/// whatever the rate.
fn clap(seed: u64) -> impl Fn(f64) -> f64 {
    const FINE_HZ: f64 = 384_000.0;
    let mut noise = Noise(seed);
    let mut low = 0.0;
    let course: Vec<f64> = (0..(0.25 * FINE_HZ) as usize)
        .map(|i| {
            let t = i as f64 / FINE_HZ;
            low += 0.1 * (noise.next() * 2.8 - low);
            low * ((-t / 0.006).exp() + 0.12 * (-t / 0.05).exp())
        })
        .collect();
    let most = course.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    move |t| {
        let place = t * FINE_HZ;
        if place < 0.0 || place + 2.0 > course.len() as f64 {
            return 0.0;
        }
        let (k, part) = (place as usize, place.fract());
        (course[k] * (1.0 - part) + course[k + 1] * part) / most
    }
}

/// A recording of its own noise with claps `(onset, seed)` in it, 16 bits, written as it is made.
fn write_claps(path: &Path, rate_hz: u32, duration_s: f64, noise_seed: u64, claps: &[(f64, u64)]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate_hz,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    let rate = f64::from(rate_hz);
    let keep = 1.0 - (-2.0 * std::f64::consts::PI * 400.0 / rate).exp();
    let mut noise = Noise(noise_seed);
    let (mut l1, mut l2) = (0.0, 0.0);
    let claps: Vec<_> = claps.iter().map(|&(at_s, seed)| (at_s, clap(seed))).collect();
    for i in 0..(duration_s * rate) as usize {
        let n = noise.next();
        l1 += keep * (n - l1);
        l2 += keep * (l1 - l2);
        let t = i as f64 / rate;
        let heard: f64 = claps.iter().filter(|c| (0.0..0.25).contains(&(t - c.0))).map(|c| 0.4 * c.1(t - c.0)).sum();
        wav.write_sample(((0.1 * l2 + 0.0004 * n + heard) * 32_000.0) as i16).unwrap();
    }
    wav.finalize().unwrap();
}

fn aligned(args: &[&dyn AsRef<std::ffi::OsStr>]) -> Alignment {
    let mut all: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"align", &"--json"];
    all.extend(args);
    let printed = coeval(&all);
    Alignment::from_json(&printed.out).unwrap_or_else(|e| panic!("{e}: {printed:?}"))
}

fn by(file: &File, means: EvidenceKind) -> usize {
    let proof = file.proof.as_ref().expect("a placed file has a proof");
    proof.agreement.iter().find(|a| a.by == means).map_or(0, |a| a.count)
}

/// Two recorders whose only common content is three claps this far apart; errors of drift (ppm) and offset (s).
fn three_claps(apart_s: f64) -> (f64, f64) {
    let dir = tempfile::tempdir().unwrap();
    let (drift, offset_s) = (37.5e-6, 12.25);
    let onsets = [100.0, 100.0 + apart_s, 100.0 + 2.0 * apart_s];
    let a: Vec<_> = onsets.iter().zip(11..).map(|(&t, seed)| (t, seed)).collect();
    // Seconds of b since its start at 12.25 s of a, on a clock that is slow by 37.5 ppm.
    let b: Vec<_> = onsets.iter().zip(11..).map(|(&t, seed)| ((t - offset_s) / (1.0 + drift), seed)).collect();
    let (left, right) = (dir.path().join("left.wav"), dir.path().join("right.wav"));
    write_claps(&left, 16_000, onsets[2] + 60.0, 1, &a);
    write_claps(&right, 16_000, onsets[2] + 30.0, 2, &b);
    let alignment = aligned(&[&dir.path(), &"--reference", &"left.wav"]);
    let file = alignment.file("right.wav").unwrap();
    assert!(file.is_placed(), "{:?}", file.reason);
    assert!(file.confidence.unwrap() > 0.99);
    assert!(by(file, EvidenceKind::Markers) + by(file, EvidenceKind::Sound) >= 3, "{:?}", file.proof);
    let left_s = alignment.file("left.wav").unwrap().offset_s.unwrap();
    println!(
        "claps {apart_s} s apart: drift {:.4} ppm off, offset {:.6} s off, by {:?}",
        file.drift_ppm.unwrap() - 37.5,
        file.offset_s.unwrap() - left_s - offset_s,
        file.proof.as_ref().unwrap().agreement
    );
    (file.drift_ppm.unwrap() - 37.5, file.offset_s.unwrap() - left_s - offset_s)
}

#[test]
fn three_claps_five_minutes_apart_hold_two_recordings() {
    let (drift_ppm, offset_s) = three_claps(300.0);
    assert!(drift_ppm.abs() < 1.0 && offset_s.abs() < 1e-3, "{drift_ppm} ppm, {offset_s} s");
}

#[test]
#[ignore = "writes and reads four hours of sound: some minutes"]
fn three_claps_an_hour_apart_hold_two_recordings() {
    let (drift_ppm, offset_s) = three_claps(3600.0);
    assert!(drift_ppm.abs() < 1.0 && offset_s.abs() < 1e-3, "{drift_ppm} ppm, {offset_s} s");
}

#[test]
fn a_wrong_anchor_is_reported_with_the_measured_disagreement() {
    let dir = tempfile::tempdir().unwrap();
    let material = dir.path().join("shoot");
    std::fs::create_dir(&material).unwrap();
    write_good_pair(&material);
    let free = aligned(&[&material]);
    let line_s = 10.0;
    let [left_s, right_s] = ["left.wav", "right.wav"].map(|f| free.map(f).unwrap().inverse(line_s));
    let list = dir.path().join("anchors.toml");
    for (hard, off_s) in [(false, 2.0), (true, 2.0), (false, 0.02)] {
        let text = format!(
            "[[anchor]]\na = 'left.wav'\na_at = {}\nb = 'right.wav'\nb_at = {right_s}\nhard = {hard}\nuncertainty_s = 0.05\n",
            left_s + off_s
        );
        std::fs::write(&list, text).unwrap();
        let held = aligned(&[&material, &"--anchors", &list]);
        let check = &held.anchors[0];
        assert!((check.disagreement_s.unwrap() - off_s).abs() < 1e-3, "{check:?}");
        assert_eq!((check.contradicted, check.used), (off_s > 1.0, hard || off_s < 1.0), "{check:?}");
        let moved_s = held.map("right.wav").unwrap().forward(right_s) - held.map("left.wav").unwrap().forward(left_s);
        assert!((moved_s - if hard { off_s } else { 0.0 }).abs() < 2e-3, "{hard} {off_s}: {moved_s}");
        let printed = coeval(&[&"align", &material, &"--anchors", &list]).out;
        assert_eq!(
            printed.contains("the sound contradicts it: it puts the first moment 2.000 s later than the second"),
            off_s > 1.0,
            "{printed}"
        );
    }
    std::fs::write(&list, "[[anchor]]\na = 'nobody.wav'\na_at = 1\nb = 'left.wav'\nb_at = 1\n").unwrap();
    assert_eq!(coeval(&[&"align", &material, &"--anchors", &list]).code, 1);
}

/// A film without sound: two hands that come together at `clap_s` before something that moves; 25 frames a second.
fn film(path: &Path, duration_s: f64, clap_s: f64) {
    const SIZE: (usize, usize) = (160, 90);
    let mut child = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "rawvideo", "-pix_fmt", "gray", "-s", "160x90", "-r", "25", "-i", "pipe:0"])
        .args(["-c:v", "mpeg4", "-q:v", "3", "-y"])
        .arg(path)
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    let mut pipe = child.stdin.take().unwrap();
    let mut noise = Noise(5);
    for i in 0..(duration_s * 25.0) as usize {
        let t = i as f64 / 25.0;
        // Hands rush together within a fifth of a second, stop dead, and part slowly.
        let apart = match t - clap_s {
            u if u < -0.2 => 1.0,
            u if u < 0.0 => -u / 0.2,
            u => (0.4 * (u - 0.3)).clamp(0.0, 1.0),
        };
        let reach = 4.0 + 28.0 * apart;
        let frame: Vec<u8> = (0..SIZE.0 * SIZE.1)
            .map(|p| {
                let (x, y) = ((p % SIZE.0) as f64, (p / SIZE.0) as f64);
                let waves = 90.0 + 25.0 * (0.2 * x + 2.0 * t).sin() * (0.15 * y - 1.3 * t).cos() + 2.0 * noise.next();
                let hand = |at: f64| (x - at).abs() < 7.0 && (y - 45.0).abs() < 10.0;
                if hand(80.0 - reach) || hand(80.0 + reach) { 230 } else { waves as u8 }
            })
            .collect();
        pipe.write_all(&frame).unwrap();
    }
    drop(pipe);
    assert!(child.wait().unwrap().success());
}

#[test]
fn a_filmed_clap_places_a_camera_without_sound() {
    if Command::new("ffmpeg").arg("-version").output().is_err() {
        coeval_tests::shoot::skipped("ffmpeg is not installed: nothing filmed");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    write_claps(&dir.path().join("recorder.wav"), 48_000, 60.0, 3, &[(33.37, 9)]);
    film(&dir.path().join("camera.mp4"), 20.0, 7.013);
    let without = aligned(&[&dir.path()]);
    let reason = without.file("camera.mp4").unwrap().reason.clone().unwrap();
    assert!(!reason.contains("picture was"), "{reason}");
    let alignment = aligned(&[&dir.path(), &"--picture", &"--reference", &"recorder.wav"]);
    let camera = alignment.file("camera.mp4").unwrap();
    assert!(camera.is_placed(), "{:?}", camera.reason);
    let at_s = camera.map().unwrap().forward(7.013) - alignment.map("recorder.wav").unwrap().forward(33.37);
    println!("the filmed clap lies {:.1} ms off", at_s * 1e3);
    assert!(at_s.abs() < 0.04, "{at_s} s off");
    // Half a frame at best.
    assert!(camera.uncertainty_s.unwrap() >= 0.02 && by(camera, EvidenceKind::Picture) == 1, "{:?}", camera.proof);
    // A film without a clap stays unplaced, and says that it was looked at.
    film(&dir.path().join("camera.mp4"), 20.0, 700.0);
    let none = aligned(&[&dir.path(), &"--picture"]);
    let reason = none.file("camera.mp4").unwrap().reason.clone().unwrap();
    assert!(reason.contains("its picture was looked at"), "{reason}");
}

#[test]
fn every_placed_file_has_its_proof() {
    let dir = tempfile::tempdir().unwrap();
    write_good_pair(dir.path());
    let alignment = aligned(&[&dir.path()]);
    for file in alignment.files() {
        let proof = file.proof.as_ref().unwrap();
        let clock = alignment.recordings.iter().any(|r| r.id == alignment.timeline.clock && r.files.contains(file));
        println!("{}: {}", file.path, proof.verdict);
        assert!(proof.evidence >= 3 && proof.residual_rms_s < 1e-3 && by(file, EvidenceKind::Sound) == proof.evidence);
        assert_eq!(proof.verdict.contains("it is the reference clock"), clock);
        assert!(clock || proof.verdict.contains("EBU R 37") && proof.verdict.contains("best third"));
        assert!(clock || proof.without_best_third_s.unwrap() < 1e-3 && proof.drift_sigma_ppm > 0.0, "{proof:?}");
    }
}
