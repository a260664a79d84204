//! `coeval tighten` on the demo: what it writes, what it keeps its hands off, and that it and `coeval align` get on in one
//! folder.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use coeval::ErrorKind;
use coeval_cut::mix::{Layers, RenderOptions, render};
use coeval_cut::tighten::{EditAction, Entry, Plan};
use coeval_cut::voices::{self, SpeechMap};
use coeval_media::{WavOptions, WavWriter};
use coeval_shoot::Alignment;
use coeval_tests::shoot::{Ran, coeval, skipped};
use serde_json::{Value, json};

fn recordings() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/survey-launch/recordings")
}

fn align(out: &Path) -> Ran {
    coeval(&[&"align", &recordings(), &"-o", &out, &"--only", &"timeline,report"])
}

/// A folder with the result for the demo, aligned once for all tests.
fn aligned(folder: &Path) -> PathBuf {
    static ONCE: OnceLock<tempfile::TempDir> = OnceLock::new();
    let first = ONCE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let ran = align(&dir.path().join("out"));
        // One file of the demo has no place.
        assert_eq!(ran.code, 3, "{ran:?}");
        dir
    });
    let out = folder.join("out");
    std::fs::create_dir(&out).unwrap();
    for name in coeval_shoot::files_below(&first.path().join("out")).unwrap() {
        std::fs::copy(first.path().join("out").join(&name), out.join(&name)).unwrap();
    }
    out
}

fn tighten(out: &Path, more: &[&str]) -> Ran {
    let recordings = recordings();
    let mut args: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"tighten", &out, &"--media", &recordings];
    args.extend(more.iter().map(|m| m as &dyn AsRef<std::ffi::OsStr>));
    coeval(&args)
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn plan(out: &Path) -> Value {
    serde_json::from_str(&read(&out.join("rough-cut/plan.json"))).unwrap()
}

/// Loudness and true peak by ffmpeg's own meter.
fn by_ffmpeg(path: &Path) -> Option<(f64, f64)> {
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
fn a_rough_cut_of_the_demo() {
    let dir = tempfile::tempdir().unwrap();
    let out = aligned(dir.path());
    let first = tighten(&out, &[]);
    assert_eq!(first.code, 0, "{first:?}");
    let cut = out.join("rough-cut");
    let plan_1 = plan(&out);
    let (before, after) = (plan_1["before_s"].as_f64().unwrap(), plan_1["after_s"].as_f64().unwrap());
    assert!(after < 0.8 * before, "{after} of {before} s");
    for name in plan_1["files"].as_array().unwrap() {
        assert!(cut.join(name.as_str().unwrap()).is_file(), "{name}");
    }
    // The report has the page, and another in its place when the cut changes.
    let report = read(&out.join("report.html"));
    assert_eq!(report.matches("<section id=\"cut\"").count(), 1);
    // What is known is not heard again.
    let speech = read(&out.join("speech.json"));
    let again = tighten(&out, &["--length", "1:00", "--no-moments"]);
    assert_eq!(again.code, 0, "{again:?}");
    assert_eq!(read(&out.join("speech.json")), speech);
    let short = plan(&out)["after_s"].as_f64().unwrap();
    assert!((short - 60.0).abs() < 0.02 * 60.0, "{short}");
    assert_ne!(read(&out.join("report.html")), report);
    let long = tighten(&out, &["--length", "30"]);
    assert_eq!(long.lines_with("all that is worth keeping").len(), 1, "{}", long.out);

    // `coeval align` into the same folder: everything stays, and the rough cut in the report too.
    let before: Vec<String> = coeval_shoot::files_below(&out).unwrap();
    let aligned = align(&out);
    assert_eq!(aligned.code, 3, "{aligned:?}");
    assert_eq!(coeval_shoot::files_below(&out).unwrap(), before);
    assert!(read(&out.join("report.html")).contains("<section id=\"cut\""));
    assert!(read(&out.join("READ-ME.txt")).contains("rough-cut\r\n"));

    // Where the alignment is another, the rough cut goes, with the list that nobody has changed; a new one takes its place.
    let clock: &dyn AsRef<std::ffi::OsStr> = &"CAM-A_0017.MP4";
    let moved = coeval(&[&"align", &recordings(), &"-o", &out, &"--only", &"timeline,report", &"--reference", clock]);
    assert_eq!(moved.code, 3, "{moved:?}");
    assert!(!cut.join("edits.txt").exists() && !cut.join("plan.json").exists());
    let again = tighten(&out, &[]);
    assert_eq!(again.code, 0, "{again:?}");

    // A person changes the list: it is not written over, it can be given back, and its words stay.
    let edits = cut.join("edits.txt");
    let text = read(&edits);
    let changed = text.replacen("drop ", "show ", 1).replacen(" | no camera", " - | no camera", 1);
    let changed = changed.replace("# Change", "# The harbour stays in.\n# Change");
    std::fs::write(&edits, &changed).unwrap();
    let refused = tighten(&out, &[]);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(refused.err.contains("edits.txt has been changed"), "{}", refused.err);
    let given = tighten(&out, &["--edits", edits.to_str().unwrap()]);
    assert_eq!(given.code, 0, "{given:?}");
    assert_eq!(read(&edits), changed);
    assert_eq!(plan(&out)["plan"]["entries"][0]["fate"], "show");
    std::fs::write(&edits, changed.replacen("show ", "keep ", 1)).unwrap();
    let refused = tighten(&out, &["--edits", edits.to_str().unwrap()]);
    assert_eq!(refused.code, 2, "{refused:?}");
    assert!(
        refused.err.contains(": \"keep\" is not show, pass or drop") && refused.err.contains("line "),
        "{}",
        refused.err
    );
    // Nobody's file is written over.
    std::fs::write(&edits, &changed).unwrap();
    std::fs::write(cut.join("edl/mine.edl"), "mine").unwrap();
    assert_eq!(tighten(&out, &["--edits", edits.to_str().unwrap()]).code, 2);
    assert_eq!(align(&out).code, 2);
    assert_eq!((read(&cut.join("edl/mine.edl")), read(&edits)), ("mine".to_owned(), changed));
}

#[test]
fn sound_of_the_cut_is_as_loud_as_asked() {
    let dir = tempfile::tempdir().unwrap();
    let out = aligned(dir.path());
    let over = dir.path().join("over.wav");
    let mut writer = WavWriter::create(&over, WavOptions::new(16_000, 1)).unwrap();
    let tone: Vec<f32> = (0..5 * 16_000).map(|i| 0.05 * (f64::from(i) * 0.4).sin() as f32).collect();
    writer.write(&tone).unwrap();
    writer.finish().unwrap();
    let laid = format!("{}@0:03", over.display());
    let ran = tighten(&out, &["--length", "0:30", "--voice", "--mix", "--voice-over", &laid, "--loudness", "-16"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    let otio: Value = serde_json::from_str(&read(&out.join("rough-cut/rough-cut.otio"))).unwrap();
    let tracks = otio["tracks"]["children"].as_array().unwrap();
    assert!(tracks.iter().any(|t| t["name"] == "voice-over"));
    let gains = &plan(&out)["gains"];
    assert!(gains["voice_gain_db"].is_number() && gains["voice_db"].as_array().unwrap().len() > 1, "{gains}");
    for name in ["voice.wav", "mix.wav"] {
        let path = out.join("rough-cut").join(name);
        let spec = hound::WavReader::open(&path).unwrap();
        let length_s = f64::from(spec.duration()) / f64::from(spec.spec().sample_rate);
        assert!((length_s - plan(&out)["after_s"].as_f64().unwrap()).abs() < 1e-3, "{name}: {length_s}");
        let Some((loudness, peak)) = by_ffmpeg(&path) else {
            skipped("loudness by an independent meter needs ffmpeg");
            continue;
        };
        // It prints tenths.
        assert!((loudness + 16.0).abs() <= 0.2 + 1e-9, "{name}: {loudness} LUFS");
        assert!(peak <= -1.0, "{name}: {peak} dBTP");
    }
    // A cut without sound does not keep that of another.
    assert_eq!(tighten(&out, &[]).code, 0);
    assert!(!out.join("rough-cut/voice.wav").exists() && !out.join("rough-cut/mix.wav").exists());
}

#[test]
fn a_voice_is_limited_to_be_as_loud_as_asked() {
    let dir = tempfile::tempdir().unwrap();
    const RATE_HZ: u32 = 44_100;
    // Bursts with a crest that must be limited to reach the loudness.
    let voice = |t: f64| {
        let gate = if (t * 0.7).fract() < 0.6 { 0.12 + 0.3 * (-((t * 3.1).fract() * 9.0)).exp() } else { 0.001 };
        (gate * ((t * 1400.0).sin() + 0.6 * (t * 5231.0).sin() + 0.4 * (t * 17_000.0).sin())) as f32
    };
    let sound: Vec<f32> = (0..60 * RATE_HZ).map(|n| voice(20.0 + f64::from(n) / f64::from(RATE_HZ))).collect();
    let mut writer = WavWriter::create(&dir.path().join("R.WAV"), WavOptions::new(RATE_HZ, 1)).unwrap();
    writer.write(&sound).unwrap();
    writer.finish().unwrap();
    let file = json!({
        "path": "R.WAV", "status": "placed", "reason": null, "duration_s": 60.0, "confidence": 1.0,
        "uncertainty_s": 1e-4, "offset_s": 20.0, "drift_ppm": 0.0, "knots": [[0.0, 20.0], [60.0, 80.0]], "jumps": [],
        "sound": {"codec": "PCM", "rate_hz": RATE_HZ, "channels": 1, "bits": 24},
    });
    let whole = json!({
        "schema": "coeval.alignment/1", "generator": {"name": "coeval", "version": "0"},
        "timeline": {"clock": "rec-1", "duration_s": 80.0}, "pairs": [],
        "recordings": [{"id": "rec-1", "kind": "recorder", "files": [file]}],
    });
    let alignment = Alignment::from_json(&whole.to_string()).unwrap();
    let entry = |from: i64, to: i64, action: EditAction| Entry::new(from, to, action, None);
    let entries = vec![
        entry(0, 600, EditAction::Drop),
        entry(600, 1200, EditAction::Show),
        entry(1200, 1400, EditAction::Pass(8)),
        entry(1400, 1900, EditAction::Show),
    ];
    let plan = Plan { frame_rate: [25, 1], entries, notes: vec![], doubt_s: None };
    let speech = SpeechMap {
        schema: voices::SCHEMA.into(),
        placed: Vec::new(),
        recorder: "rec-1".into(),
        loudness_lufs: None,
        voices: Vec::new(),
        doubts: Vec::new(),
        events: Vec::new(),
    };
    for (lufs, limit) in [(-14.0, -1.0), (-23.0, -11.0)] {
        let path = dir.path().join(format!("{lufs}.wav"));
        let mut options = RenderOptions::default();
        options.layers = Layers::Voice;
        (options.levels.loudness_lufs, options.levels.true_peak_dbtp) = (lufs, limit);
        let render = || render(&alignment, dir.path(), &speech, &plan, &options, &path, &());
        let got = render().unwrap();
        assert!((got.duration_s - plan.shown_s()).abs() < 1e-4);
        assert!((got.loudness_lufs.unwrap() - lufs).abs() < 0.1, "{got:?}");
        assert!(got.true_peak_dbtp <= limit, "{got:?}");
        let highest = f64::from(sound.iter().fold(0f32, |most, x| most.max(x.abs())));
        assert!(got.gain_db + 20.0 * highest.log10() > limit + 0.5, "there is nothing to limit: {got:?}");
        match by_ffmpeg(&path) {
            // It prints tenths.
            Some((loudness, peak)) => {
                assert!((loudness - lufs).abs() <= 0.2 + 1e-9, "{loudness} LUFS, not {lufs}");
                assert!(peak <= limit + 1e-9, "{peak} dBTP, limit {limit}");
            }
            None => skipped("loudness by an independent meter needs ffmpeg"),
        }
        assert_eq!(render().unwrap_err().kind(), ErrorKind::OutputExists);
    }
}

#[test]
fn refuses_what_does_not_fit() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let nothing = tighten(&out, &[]);
    assert_eq!(nothing.code, 2);
    assert!(nothing.err.contains("coeval align -o"), "{}", nothing.err);
    let out = aligned(dir.path());
    std::fs::write(out.join("curve.csv"), "time_s,motion\n0,1\n1,x\n").unwrap();
    let placed = Alignment::from_json(&read(&out.join("alignment.json"))).unwrap();
    let file = placed.files().find(|f| f.is_placed()).unwrap().path.clone();
    let activity = format!("{file}={}", out.join("curve.csv").display());
    for (args, code, says) in [
        (vec!["--see", "0-10=cam-x"], 1, "no camera called"),
        (vec!["--pause", "0"], 1, "pause_s is 0"),
        (vec!["--duck", "3"], 1, "duck_db is 3"),
        (vec!["--voice-over", "gone.wav"], 1, "FILE@TIME"),
        (vec!["--voice-over", "gone.wav@1"], 2, "gone.wav"),
        (vec!["--activity", "gone.csv"], 1, "FILE=CSV"),
        (vec!["--activity", &activity], 2, "line 3"),
        (vec!["--edits", "gone.txt"], 2, "gone.txt"),
        (vec!["--protect", "9"], 1, "FROM-TO"),
    ] {
        let ran = tighten(&out, &args);
        assert_eq!(ran.code, code, "{args:?}: {ran:?}");
        assert!(ran.err.contains(says), "{args:?}: {}", ran.err);
        assert!(!out.join("rough-cut").exists(), "{args:?}");
    }
    // Somebody else's file under the name of what is kept.
    std::fs::write(out.join("speech.json"), "my notes").unwrap();
    assert_eq!(tighten(&out, &[]).code, 2);
    assert_eq!(read(&out.join("speech.json")), "my notes");
}
