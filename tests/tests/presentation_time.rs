//! Every container and codec on presentation time: the clicks of each fixture are found where the
//! fixture's recipe (`tests/fixtures/make.py`) puts them.
//!
//! Lossless: to less than half a sample of the file's rate, so that a shift by one sample fails (which
//! a test tries). Lossy: within 0.1 ms. Run with `--nocapture` to see the table.
#![allow(clippy::print_stdout)] // The table is for people.

use std::path::{Path, PathBuf};
use std::process::Command;

use coeval::ErrorKind;
use coeval_media::{MediaInfo, OpenOptions, SoundReader};
use coeval_tests::clicks;
use coeval_tests::mp4::{self, Sizes};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures")
}

/// The first channel of the whole file.
fn read_all(reader: &mut SoundReader) -> Vec<f32> {
    let channels = reader.info().sound.as_ref().expect("sound").channels;
    let (mut out, mut block) = (Vec::new(), Vec::new());
    loop {
        let n = reader.read(&mut block).expect("reads on");
        assert_eq!(block.len(), n * channels);
        if n == 0 {
            return out;
        }
        out.extend(block.chunks_exact(channels).map(|f| f[0]));
    }
}

fn open(path: &Path) -> SoundReader {
    SoundReader::open(path, &OpenOptions::default()).unwrap_or_else(|e| panic!("{e}"))
}

struct Truth {
    name: String,
    rate: f64,
    clicks: Vec<f64>,
    lossless: bool,
}

impl Truth {
    /// In seconds: half a sample where nothing is lost, 0.1 ms elsewhere.
    fn tolerance_s(&self) -> f64 {
        if self.lossless { 0.5 / self.rate } else { 1e-4 }
    }

    fn worst_error_s(&self, found: &[f64]) -> f64 {
        if found.len() != self.clicks.len() {
            return f64::INFINITY;
        }
        found.iter().zip(&self.clicks).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
    }
}

fn truth() -> Vec<Truth> {
    let text = std::fs::read_to_string(fixtures().join("truth.tsv")).expect("truth.tsv");
    let rows: Vec<Truth> = text
        .lines()
        .filter(|l| !l.starts_with('#'))
        .map(|l| {
            let f: Vec<&str> = l.split('\t').collect();
            Truth {
                name: f[0].into(),
                rate: f[1].parse().expect("rate"),
                clicks: f[2].split(' ').map(|c| c.parse().expect("time")).collect(),
                lossless: f[3] == "lossless",
            }
        })
        .collect();
    assert!(rows.len() > 50, "the list of fixtures is cut short");
    rows
}

#[test]
fn clicks_are_where_the_recipes_put_them() {
    let mut failed = Vec::new();
    println!("file                     container  codec               rate  ch  clicks  worst error");
    for t in truth() {
        let mut reader = open(&fixtures().join(&t.name));
        let sound = reader.info().sound.clone().expect("sound");
        let samples = read_all(&mut reader);
        let found = clicks::find(&samples, t.rate);
        let worst = t.worst_error_s(&found);
        let frames_told = sound.frames.is_none_or(|n| n == samples.len() as u64);
        // The tolerance would notice one sample in lossless files.
        let shifted: Vec<f64> = found.iter().map(|f| f + 1.0 / t.rate).collect();
        let notices = !t.lossless || t.worst_error_s(&shifted) >= t.tolerance_s();
        let good = f64::from(sound.rate_hz) == t.rate && worst < t.tolerance_s() && frames_told && notices;
        println!(
            "{:<24} {:<10} {:<16} {:>7} {:>3} {:>3}/{:<3}  {:8.4} ms = {:6.3} samples{} {}",
            t.name,
            reader.info().container,
            sound.codec,
            sound.rate_hz,
            sound.channels,
            found.len(),
            t.clicks.len(),
            worst * 1e3,
            worst * t.rate,
            if good { "" } else { " WRONG" },
            reader.warnings().join("; "),
        );
        if !good {
            println!("    found {found:?}, true {:?}, {} frames of {:?}", t.clicks, samples.len(), sound.frames);
            failed.push(t.name);
        }
    }
    assert!(failed.is_empty(), "off the mark: {failed:?}");
}

/// What a tool of the ffmpeg family prints, or `None` if it is not installed.
fn tool(name: &str, args: &[&str], file: &Path) -> Option<Vec<u8>> {
    let (before, after): (&[&str], &[&str]) = match args.iter().position(|a| *a == "FILE") {
        Some(i) => (&args[..i], &args[i + 1..]),
        None => (args, &[]),
    };
    Some(Command::new(name).args(before).arg(file).args(after).output().ok()?.stdout)
}

#[test]
fn ffmpeg_agrees_where_it_is_installed() {
    if Command::new("ffmpeg").arg("-version").output().is_err() {
        coeval_tests::shoot::skipped("ffmpeg is not installed: nothing compared");
        return;
    }
    let mut failed = Vec::new();
    for t in truth() {
        let path = fixtures().join(&t.name);
        // ffmpeg's samples carry no time of their own: ask where the first decoded frame stands.
        let probe = [
            "-v",
            "error",
            "-select_streams",
            "a:0",
            "-read_intervals",
            "%+#2",
            "-show_entries",
            "frame=pts_time",
            "-of",
            "csv=p=0",
            "FILE",
        ];
        let start = tool("ffprobe", &probe, &path).expect("ffprobe comes with ffmpeg");
        let start = String::from_utf8_lossy(&start);
        let mut start_s: f64 =
            start.split_whitespace().next().and_then(|l| l.trim_end_matches(',').parse().ok()).unwrap_or(0.0);
        if t.name.ends_with(".mp3") {
            // There it counts the samples that its decoder has already cut off.
            start_s = 0.0;
        }
        let decode = [
            "-v",
            "error",
            "-i",
            "FILE",
            "-map",
            "0:a:0",
            "-af",
            "pan=mono|c0=c0",
            "-f",
            "f32le",
            "-c:a",
            "pcm_f32le",
            "-",
        ];
        let raw = tool("ffmpeg", &decode, &path).expect("ffmpeg runs");
        let theirs: Vec<f32> = raw.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
        let found: Vec<f64> = clicks::find(&theirs, t.rate).iter().map(|c| c + start_s).collect();
        // Matroska's times are whole milliseconds in ffmpeg's eyes.
        let matroska = t.name.ends_with(".mkv") || t.name.ends_with(".webm");
        let tolerance = if matroska { 1e-3 } else { t.tolerance_s() };
        if t.worst_error_s(&found) >= tolerance {
            println!("{}: ffmpeg finds {found:?} (start {start_s}), the recipe says {:?}", t.name, t.clicks);
            failed.push(t.name);
        }
    }
    assert!(failed.is_empty(), "ffmpeg differs: {failed:?}");
}

#[test]
fn seeks_are_exact_to_the_sample() {
    let mut random = 7u64;
    for t in truth() {
        let path = fixtures().join(&t.name);
        let mut reader = open(&path);
        let channels = reader.info().sound.as_ref().expect("sound").channels;
        let whole = read_all(&mut reader);
        let mut block = Vec::new();
        let clicks = clicks::find(&whole, t.rate);
        for i in 0..12 {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let jump = (random >> 33) as usize;
            // Lossless: anywhere. Lossy: before a click, since decoders differ in the noise they make up.
            let at = if t.lossless {
                jump % (whole.len() - 3000)
            } else {
                (clicks[i % clicks.len()] * t.rate) as usize - 1000 - jump % 5000
            };
            reader.seek(at as u64).expect("seeks");
            let mut part: Vec<f32> = Vec::new();
            while part.len() < 7000 && reader.read(&mut block).expect("reads") > 0 {
                part.extend(block.chunks_exact(channels).map(|f| f[0]));
            }
            if t.lossless {
                part.truncate(3000);
                assert_eq!(part, whole[at..at + 3000], "{} at {at}", t.name);
            } else {
                let found = clicks::find(&part, t.rate).first().map_or(f64::NAN, |c| c + at as f64 / t.rate);
                let off = (found - clicks[i % clicks.len()]) * t.rate;
                assert!(off.abs() < 0.5, "{} at {at}: off by {off} samples", t.name);
            }
        }
        reader.seek(u64::MAX / 2).expect("seeks past the end");
        assert_eq!(reader.read(&mut block).expect("reads"), 0);
        reader.seek(0).expect("seeks back");
        assert_eq!(read_all(&mut reader).len(), whole.len(), "{}", t.name);
    }
}

fn info(name: &str) -> MediaInfo {
    coeval_media::probe(&fixtures().join(name), &OpenOptions::default()).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn headers_tell_picture_timecode_and_date() {
    let mp4 = info("camera.mp4");
    let picture = mp4.picture.expect("picture");
    assert_eq!((picture.frame_rate.num, picture.frame_rate.den, picture.size), (25, 1, (64, 48)));
    assert!(!picture.variable_rate && picture.start_s.abs() < 1e-9 && (picture.duration_s - 3.0).abs() < 1e-3);
    assert!((mp4.duration_s - 3.0).abs() < 1e-3);

    let mov = info("camera.mov");
    let picture = mov.picture.expect("picture");
    assert_eq!((picture.frame_rate.num, picture.frame_rate.den), (30_000, 1001));
    assert_eq!(mov.timecode.as_deref(), Some("10:00:00;02"));
    // 10:00:00;02 is frame 10 * 107892 + 2 (SMPTE ST 12-1), at 1001/30000 s a frame.
    assert!((mov.timecode_s.expect("timecode") - 1_078_922.0 * 1001.0 / 30_000.0).abs() < 1e-6);
    assert_eq!(mov.created_unix_s, Some(1_715_940_000));

    let mkv = info("camera.mkv").picture.expect("picture");
    assert_eq!((mkv.frame_rate.num, mkv.frame_rate.den, mkv.size), (25, 1, (64, 48)));

    let bext = info("bext.wav");
    assert_eq!((bext.timecode_s, bext.created_unix_s), (Some(36_000.0), Some(1_715_940_000)));
    assert_eq!(info("extensible24.wav").sound.expect("sound").bits, Some(24));
    assert_eq!(info("alac24.m4a").sound.expect("sound").bits, Some(24));
    assert!(info("lame48.mp3").sound.expect("sound").start_is_exact);
    assert!(!info("aac48.adts.aac").sound.expect("sound").start_is_exact);
}

/// `moov` is the file's last atom: with this in it.
fn with_metadata(mut film: Vec<u8>, more: &[u8]) -> Vec<u8> {
    let at = film.windows(4).rposition(|w| w == b"moov").expect("moov") - 4;
    let length = (film.len() - at + more.len()) as u32;
    film[at..at + 4].copy_from_slice(&length.to_be_bytes());
    [film, more.to_vec()].concat()
}

#[test]
fn headers_name_the_device() {
    let packets = pcm_packets();
    let film = mp4::whole(48_000, pcm_track(packets.len(), &[]), &packets, 1000);
    // QuickTime File Format: user data has a length and a language before its text, metadata keys of their own.
    let text =
        |name: &str| mp4::atom(b"\xa9mod", &[&(name.len() as u16).to_be_bytes(), &[0x55, 0xC4], name.as_bytes()]);
    let user = |name: &str| mp4::atom(b"udta", &[&text(name)]);
    let by_keys = |key: &str, kind: u32, value: &[u8]| {
        let key = mp4::atom(b"mdta", &[key.as_bytes()]);
        let keys = mp4::full(b"keys", 0, 0, &[&mp4::u32s(&[1]), &key]);
        let data = mp4::atom(b"data", &[&mp4::u32s(&[kind, 0]), value]);
        let hdlr = mp4::full(b"hdlr", 0, 0, &[&[0; 4], b"mdta", &[0; 13]]);
        mp4::atom(b"meta", &[&hdlr, &keys, &mp4::atom(b"ilst", &[&mp4::atom(&1u32.to_be_bytes(), &[&data])])])
    };
    for (more, device) in [
        (user("Auk S "), Some("Auk S")),
        (user("  "), None),
        (by_keys("com.example.model", 1, b"Tern 4"), Some("Tern 4")),
        (by_keys("com.example.model", 23, b"Tern"), None),
        (by_keys("com.example.title", 1, b"Tern 4"), None),
        ([by_keys("com.example.model", 1, b"Tern 4"), user("Auk S")].concat(), Some("Tern 4")),
        (mp4::atom(b"udta", &[b"\0\0\0\x0a\xa9mod\0\x09"]), None),
    ] {
        let made = made(&with_metadata(film.clone(), &more));
        let info = coeval_media::probe(&made.path, &OpenOptions::default()).expect("reads");
        assert_eq!(info.device.as_deref(), device, "{more:?}");
    }
    assert_eq!(info("camera.mov").device, None);
}

#[test]
fn what_is_not_read_is_refused_by_name() {
    for (name, codec) in [
        ("ac3.mp4", "AC-3"),
        ("eac3.mp4", "E-AC-3"),
        ("aac51.m4a", "AAC 5.1"),
        ("transport.ts", "MPEG transport stream"),
    ] {
        let e = SoundReader::open(&fixtures().join(name), &OpenOptions::default()).expect_err(name);
        assert_eq!(e.kind(), ErrorKind::Unsupported, "{e}");
        assert!(e.message().starts_with(&format!("Coeval itself cannot read {codec}")), "{e}");
        assert!(e.remedy().expect("remedy").contains("ffmpeg"));
    }
}

#[test]
fn he_aac_is_refused_however_it_is_announced() {
    let (packets, track) = aac();
    // AudioSpecificConfig (ISO/IEC 14496-3, 1.6.2.1), 24 kHz mono core: announced by object type 5, by the
    // synchronisation word 0x2B7, by the sample description's rate, and by packets of 2048 samples.
    for (what, asc, rate, delta) in [
        ("object type", &[0x2B, 0x09, 0x88][..], 24_000, 1024),
        ("synchronisation word", &[0x13, 0x08, 0x56, 0xE5, 0x80], 24_000, 1024),
        ("rate", &[0x13, 0x08], 48_000, 1024),
        ("packet length", &[0x13, 0x08], 24_000, 2048),
    ] {
        let track = mp4::Track {
            entry: mp4::mp4a(rate, 1, asc),
            timescale: 24_000,
            stts: vec![(packets.len() as u32, delta)],
            ..track.clone()
        };
        let made = made(&mp4::whole(1000, track, &packets, 7));
        let e = SoundReader::open(&made.path, &OpenOptions::default()).expect_err(what);
        assert_eq!(e.kind(), ErrorKind::Unsupported, "{what}: {e}");
        assert!(e.message().starts_with("Coeval itself cannot read HE-AAC"), "{what}: {e}");
    }
}

#[test]
fn readers_may_move_between_threads() {
    fn movable<T: Send>() {}
    movable::<SoundReader>();
    movable::<coeval_media::WavWriter>();
}

#[test]
fn ffmpeg_reads_the_rest_on_presentation_time() {
    if Command::new("ffmpeg").arg("-version").output().is_err() {
        coeval_tests::shoot::skipped("ffmpeg is not installed: nothing read");
        return;
    }
    let mut options = OpenOptions::default();
    options.allow_ffmpeg = true;
    let ticks = [0.25, 1.25, 2.25];
    // A transport stream starts with its earliest track, here the 1024 samples that lead in the AAC.
    let lead = 1024.0 / 48_000.0;
    for (name, clicks, channels) in [
        ("ac3.mp4", ticks.to_vec(), 1),
        ("eac3.mp4", ticks.to_vec(), 1),
        ("aac51.m4a", vec![0.15], 6),
        ("transport.ts", ticks.map(|t| t + lead).to_vec(), 1),
    ] {
        let mut reader = SoundReader::open(&fixtures().join(name), &options).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(reader.info().sound.as_ref().expect("sound").channels, channels, "{name}");
        let whole = read_all(&mut reader);
        let t = Truth { name: name.into(), rate: 48_000.0, clicks, lossless: false };
        let found = clicks::find(&whole, t.rate);
        assert!(t.worst_error_s(&found) < 1e-4, "{name}: {found:?} instead of {:?}", t.clicks);
        let mut block = Vec::new();
        for at in [5000, 1234] {
            reader.seek(at).expect("seeks");
            assert!(reader.read(&mut block).expect("reads") > 0);
            assert_eq!(block[0], whole[at as usize], "{name} at {at}");
        }
    }
}

// ---- Files put together here, so that nothing stands between the index and the truth.

struct Made {
    _dir: tempfile::TempDir,
    path: PathBuf,
}

fn made(bytes: &[u8]) -> Made {
    let dir = tempfile::tempdir().expect("dir");
    let path = dir.path().join("made.mp4");
    std::fs::write(&path, bytes).expect("writes");
    Made { _dir: dir, path }
}

/// One PCM frame a packet, 48 kHz mono, clicks at 0.25, 1.25 and 2.25 s.
fn pcm_packets() -> Vec<Vec<u8>> {
    clicks::sound(48_000, 2.5, &[0.25, 1.25, 2.25]).iter().map(|v| v.to_le_bytes().to_vec()).collect()
}

fn pcm_track(count: usize, edits: &[(u64, i64)]) -> mp4::Track {
    mp4::Track {
        handler: *b"soun",
        entry: mp4::sowt(48_000, 1),
        timescale: 48_000,
        stts: vec![(count as u32, 1)],
        sizes: Sizes::All(2, count as u32),
        chunks: Vec::new(),
        edits: edits.to_vec(),
        co64: false,
    }
}

/// The AAC packets of `aac48.adts.aac`: its encoder puts 1024 samples before the sound.
fn aac() -> (Vec<Vec<u8>>, mp4::Track) {
    let (packets, asc) = mp4::adts(&std::fs::read(fixtures().join("aac48.adts.aac")).expect("fixture"));
    let track = mp4::Track {
        entry: mp4::mp4a(48_000, 1, &asc),
        stts: vec![(packets.len() as u32, 1024)],
        sizes: Sizes::Each(Vec::new()),
        ..pcm_track(0, &[])
    };
    (packets, track)
}

/// Clicks of a made file against the truth: lossless ones to half a sample.
fn check(what: &str, bytes: &[u8], clicks_s: &[f64], lossless: bool) -> SoundReader {
    let made = made(bytes);
    let mut reader = open(&made.path);
    let samples = read_all(&mut reader);
    let t = Truth { name: what.into(), rate: 48_000.0, clicks: clicks_s.to_vec(), lossless };
    let found = clicks::find(&samples, t.rate);
    let worst = t.worst_error_s(&found);
    println!("{what:<44} {:8.4} ms = {:6.3} samples", worst * 1e3, worst * t.rate);
    assert!(worst < t.tolerance_s(), "{what}: {found:?} instead of {clicks_s:?}");
    assert_eq!(reader.info().sound.as_ref().expect("sound").frames, Some(samples.len() as u64), "{what}");
    // The same from the middle, after a seek.
    let mut block = Vec::new();
    let at = samples.len() / 2 + 77;
    reader.seek(at as u64).expect("seeks");
    let n = reader.read(&mut block).expect("reads");
    if lossless {
        assert_eq!(block, samples[at..at + n], "{what}");
    }
    reader
}

#[test]
fn edit_lists_of_pcm_are_followed_to_the_sample() {
    let packets = pcm_packets();
    let n = packets.len();
    let plain = [0.25, 1.25, 2.25];
    let build = |edits: &[(u64, i64)], per_chunk| mp4::whole(48_000, pcm_track(n, edits), &packets, per_chunk);
    check("no edit list", &build(&[], 1000), &plain, true);
    check("one packet a chunk", &build(&[], 1), &plain, true);
    check(
        "64-bit offsets",
        &mp4::whole(48_000, mp4::Track { co64: true, ..pcm_track(n, &[]) }, &packets, 777),
        &plain,
        true,
    );
    check("media time 4801", &build(&[(110_000, 4801)], 1000), &plain.map(|c| c - 4801.0 / 48e3), true);
    check("late by 12345", &build(&[(12_345, -1), (120_000, 0)], 1000), &plain.map(|c| c + 12_345.0 / 48e3), true);
    let several = [(4801, -1), (24_000, 48_000), (4803, -1), (24_000, 0), (24_000, 96_000)];
    let start = |i: usize| several[..i].iter().map(|e| e.0).sum::<u64>() as f64 / 48e3;
    let reader = check(
        "several edits, out of order",
        &build(&several, 1000),
        &[start(1) + 0.25, start(3) + 0.25, start(4) + 0.25],
        true,
    );
    let holes: Vec<(f64, f64)> = reader.holes().iter().map(|h| (h.start_s * 48e3, h.length_s * 48e3)).collect();
    assert_eq!(holes.len(), 2, "{holes:?}");
    assert!((holes[0].0).abs() < 0.1 && (holes[0].1 - 4801.0).abs() < 0.1, "{holes:?}");
    assert!((holes[1].0 - 28_801.0).abs() < 0.1 && (holes[1].1 - 4803.0).abs() < 0.1, "{holes:?}");
}

#[test]
fn aac_is_placed_by_its_edit_list_and_timestamps() {
    let (packets, track) = aac();
    let plain = [0.25, 1.25, 2.25];
    let lead = 1024.0 / 48e3;
    let build =
        |edits: &[(u64, i64)]| mp4::whole(48_000, mp4::Track { edits: edits.to_vec(), ..track.clone() }, &packets, 7);
    check("AAC, no edit list", &build(&[]), &plain.map(|c| c + lead), false);
    check("AAC, priming", &build(&[(120_000, 1024)]), &plain, false);
    check("AAC, late by 12345", &build(&[(12_345, -1), (120_000, 1024)]), &plain.map(|c| c + 12_345.0 / 48e3), false);
    check("AAC, several edits", &build(&[(30_001, 49_024), (30_000, 1024)]), &[0.25, 30_001.0 / 48e3 + 0.25], false);
    // Timestamps in milliseconds, as some devices write them: 21, 21, 22 for 1024 samples.
    let coarse = mp4::Track {
        timescale: 1000,
        stts: (0..packets.len()).map(|i| (1, if i % 3 == 2 { 22 } else { 21 })).collect(),
        ..track.clone()
    };
    let made = made(&mp4::whole(1000, coarse, &packets, 7));
    let found = clicks::find(&read_all(&mut open(&made.path)), 48_000.0);
    let error = found.iter().zip(plain).map(|(a, b)| (a - b - lead).abs()).fold(0.0, f64::max);
    assert!(found.len() == 3 && error < 1e-4, "{found:?}");
}

#[test]
fn fragments_are_placed_by_their_decode_times() {
    let (packets, track) = aac();
    let track = mp4::Track { stts: Vec::new(), ..track };
    let head = |edits: &[(u64, i64)]| {
        let track = mp4::Track { edits: edits.to_vec(), sizes: Sizes::Each(Vec::new()), ..track.clone() };
        [mp4::atom(b"ftyp", &[b"iso5\0\0\0\0iso5"]), mp4::moov(48_000, &[track], true)].concat()
    };
    let body = |shift: &dyn Fn(usize) -> u64| -> Vec<u8> {
        let parts = packets.chunks(20).enumerate();
        parts.flat_map(|(i, p)| mp4::fragment(1, (i * 20 * 1024) as u64 + shift(i), 1024, p)).collect()
    };
    let plain = [0.25, 1.25, 2.25];
    let lead = 1024.0 / 48e3;
    check("fragments", &[head(&[]), body(&|_| 0)].concat(), &plain.map(|c| c + lead), false);
    check("fragments, priming to the end", &[head(&[(0, 1024)]), body(&|_| 0)].concat(), &plain, false);
    check(
        "fragments, late",
        &[head(&[]), body(&|_| 23_456)].concat(),
        &plain.map(|c| c + lead + 23_456.0 / 48e3),
        false,
    );
    // The third fragment, from 40960 samples on, comes 9600 samples late: what follows moves with it.
    let late = 9600.0 / 48e3;
    let reader = check(
        "fragments with a hole",
        &[head(&[(0, 1024)]), body(&|i| if i >= 2 { 9600 } else { 0 })].concat(),
        &[0.25, 1.25 + late, 2.25 + late],
        false,
    );
    assert_eq!(reader.holes().len(), 1, "{:?}", reader.holes());
    assert!((reader.holes()[0].start_s - (40_960.0 - 1024.0) / 48e3).abs() < 1e-6, "{:?}", reader.holes());
    assert!((reader.holes()[0].length_s - late).abs() < 1e-6, "{:?}", reader.holes());
    // It comes 9600 samples early: what was read stays, what overlaps is dropped, the rest is in its place.
    let reader = check(
        "fragments that overlap",
        &[head(&[(0, 1024)]), body(&|i| if i == 1 { 9600 } else { 0 })].concat(),
        &plain,
        false,
    );
    assert!(!reader.warnings().is_empty());
    // Times that count from the start of a broadcast, hours ago: a player starts with the first.
    let hours = 3 * 3600 * 48_000;
    let made = made(&[head(&[]), body(&|_| hours)].concat());
    let mut reader = open(&made.path);
    let found = clicks::find(&read_all(&mut reader), 48_000.0);
    assert!((found[0] - 0.25 - lead).abs() < 1e-4, "{found:?}");
    assert!(!reader.warnings().is_empty());
}

/// A phone shows each picture for as long as its light needed: told from a camera whose clock merely does not
/// divide its frames evenly.
#[test]
fn a_variable_frame_rate_is_recognised() {
    let dir = tempfile::tempdir().expect("folder");
    let make = |name: &str, filter: &str, scale: &str| {
        let path = dir.path().join(name);
        let made = Command::new("ffmpeg")
            .args(["-v", "error", "-f", "lavfi", "-i", "testsrc=size=64x48:rate=30000/1001:duration=4"])
            .args(["-f", "lavfi", "-i", "sine=sample_rate=48000:duration=4", "-vf", filter])
            .args(["-fps_mode", "passthrough", "-c:v", "mpeg4", "-c:a", "aac", "-video_track_timescale", scale])
            .arg(&path)
            .status();
        assert!(made.expect("ffmpeg runs").success());
        coeval_media::probe(&path, &OpenOptions::default()).expect("probes").picture.expect("picture")
    };
    let steady = make("steady.mov", "null", "30000");
    assert!(!steady.variable_rate);
    assert_eq!((steady.frame_rate.num, steady.frame_rate.den), (30_000, 1001));
    // 600 ticks a second: frames of 20 ticks, and now and then one of 21.
    let coarse = make("coarse.mov", "null", "600");
    assert!(!coarse.variable_rate);
    assert_eq!((coarse.frame_rate.num, coarse.frame_rate.den), (30_000, 1001));
    // In poor light every third frame takes twice as long.
    let phone = make("phone.mov", "select='lt(t,2)+mod(n\\,3)'", "600");
    assert!(phone.variable_rate);
    let mean = phone.frame_rate.num as f64 / phone.frame_rate.den as f64;
    assert!((mean - 30.0 * 5.0 / 6.0).abs() < 0.3, "{mean} frames a second on average");
}
