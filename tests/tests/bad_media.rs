//! Bad and hostile media files: one clear line, no panic, no hang, no large allocation.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use coeval::{ErrorKind, Result};
use coeval_media::{OpenOptions, SoundReader};
use coeval_tests::clicks;
use coeval_tests::mp4::{self, Sizes};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures")
}

/// Opens and reads a file, at most `frames` frames of it. Returns frames read and warnings.
fn read(path: &Path, frames: u64) -> Result<(u64, Vec<String>)> {
    let mut reader = SoundReader::open(path, &OpenOptions::default())?;
    let (mut n, mut block) = (0, Vec::new());
    while n < frames {
        match reader.read(&mut block)? as u64 {
            0 => break,
            more => n += more,
        }
        assert!(block.iter().all(|s| s.is_finite()));
        assert!(block.len() <= 1 << 23, "a block of {} samples", block.len());
    }
    assert!(reader.holes().len() <= 1000 && reader.warnings().len() <= 1100);
    Ok((n, reader.warnings().to_vec()))
}

struct Made {
    dir: tempfile::TempDir,
}

impl Made {
    fn new() -> Self {
        Self { dir: tempfile::tempdir().expect("dir") }
    }

    fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.dir.path().join(name);
        std::fs::write(&path, bytes).expect("writes");
        path
    }
}

/// The error, which names the file and says what to do, in one line.
fn refused(path: &Path, kind: ErrorKind, words: &str) {
    let e = read(path, u64::MAX).expect_err(words);
    let line = e.to_string();
    assert_eq!(e.kind(), kind, "{line}");
    assert!(line.contains(words), "{line}");
    assert!(!line.contains('\n') && e.path() == Some(path) && e.remedy().is_some(), "{line}");
}

#[test]
fn files_that_are_no_recordings() {
    let made = Made::new();
    refused(&made.dir.path().join("none.wav"), ErrorKind::NotFound, "no such file");
    refused(&made.file("empty.wav", b""), ErrorKind::Damaged, "empty");
    refused(&made.file("text.mp4", b"minutes of the survey\nlaunch, third trip\n"), ErrorKind::UnknownFormat, "text");
    refused(
        &made.file("noise.wav", &[0x5A, 0x00, 0x91, 0xFE].repeat(999)),
        ErrorKind::UnknownFormat,
        "not a known sound",
    );
    let folder = made.dir.path().join("x.wav");
    std::fs::create_dir(&folder).expect("folder");
    refused(&folder, ErrorKind::InvalidArgument, "folder");
}

#[cfg(unix)]
#[test]
fn no_permission_and_odd_names() {
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::PermissionsExt;
    let made = Made::new();
    let wav = std::fs::read(fixtures().join("pcm16.wav")).expect("fixture");
    let path = made.dir.path().join(std::ffi::OsStr::from_bytes(b"launch-\xFF\xFE.wav"));
    std::fs::write(&path, &wav).expect("writes");
    assert_eq!(read(&path, u64::MAX).expect("reads").0, 19_200);
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).expect("sets");
    // A superuser may read everything.
    if std::fs::File::open(&path).is_err() {
        refused(&path, ErrorKind::PermissionDenied, "not permitted");
    }
}

#[test]
fn recordings_without_index_sound_or_end() {
    let made = Made::new();
    let whole = std::fs::read(fixtures().join("camera.mp4")).expect("fixture");
    // This file's index stands last: cut anywhere before it, nothing tells where the sound lies.
    refused(&made.file("cut.mp4", &whole[..whole.len() / 2]), ErrorKind::Damaged, "cut before its index");
    let picture = mp4::Track { handler: *b"vide", entry: mp4::avc1(), ..pcm(10, 1) };
    let silent = mp4::whole(1000, picture, &vec![vec![0; 2]; 10], 5);
    refused(&made.file("silent.mp4", &silent), ErrorKind::NoSound, "no sound track");
    let none = mp4::whole(1000, pcm(0, 0), &[], 5);
    refused(&made.file("none.mp4", &none), ErrorKind::NoSound, "no sound");

    // The index first, then half of the sound.
    let mut track = pcm(48_000, 1);
    let head = |track: &mp4::Track| {
        [mp4::atom(b"ftyp", &[b"qt  \0\0\0\0qt  "]), mp4::moov(1000, std::slice::from_ref(track), false)].concat()
    };
    track.chunks = vec![mp4::Chunk { offset: 0, packets: 48_000 }];
    track.chunks[0].offset = head(&track).len() as u64 + 8;
    let (size, sound) = (96_008u32.to_be_bytes(), vec![1; 48_000]);
    let half = [&head(&track)[..], &size, b"mdat", &sound].concat();
    let (frames, warnings) = read(&made.file("half.mov", &half), u64::MAX).expect("reads");
    assert_eq!(frames, 24_000);
    assert!(warnings.iter().any(|w| w.contains("breaks off")), "{warnings:?}");

    // Every container, cut at two thirds: what is there is read, or the file is refused; never a panic.
    for entry in std::fs::read_dir(fixtures()).expect("fixtures") {
        let path = entry.expect("entry").path();
        let bytes = std::fs::read(&path).expect("reads");
        let cut = made.file(&path.file_name().expect("name").to_string_lossy(), &bytes[..bytes.len() * 2 / 3]);
        match read(&cut, u64::MAX) {
            Ok((frames, _)) => assert!(frames < 200_000),
            Err(e) => assert!(!e.to_string().contains('\n')),
        }
    }
}

#[test]
fn sound_that_is_hardly_any() {
    let made = Made::new();
    let wav = |rate: u32, data: &[u8]| {
        let fmt = [
            &1u16.to_le_bytes()[..],
            &1u16.to_le_bytes(),
            &rate.to_le_bytes(),
            &(rate.wrapping_mul(2)).to_le_bytes(),
            &[2, 0, 16, 0],
        ];
        let n = (data.len() as u32).to_le_bytes();
        [b"RIFF", &(36 + data.len() as u32).to_le_bytes()[..], b"WAVEfmt \x10\0\0\0", &fmt.concat(), b"data", &n, data]
            .concat()
    };
    assert_eq!(read(&made.file("short.wav", &wav(48_000, &[1; 960])), 999).expect("10 ms").0, 480);
    assert_eq!(read(&made.file("silence.wav", &wav(48_000, &[0; 9600])), 9999).expect("silence").0, 4800);
    refused(&made.file("zero.wav", &wav(48_000, &[])), ErrorKind::NoSound, "0 samples");
    for rate in [0, 1, 10_000_000] {
        refused(&made.file("rate.wav", &wav(rate, &[0; 96])), ErrorKind::Damaged, &format!("rate of {rate} Hz"));
    }
    let mut many = wav(48_000, &[0; 96]);
    many[22..24].copy_from_slice(&[255, 255]);
    refused(&made.file("channels.wav", &many), ErrorKind::Damaged, "65535 channels");
    refused(&made.file("head.wav", &wav(48_000, &[0; 96])[..30]), ErrorKind::Damaged, "header");
    let mut float = std::fs::read(fixtures().join("float32.wav")).expect("fixture");
    let at = float.len() - 400;
    float[at..at + 4].copy_from_slice(&f32::NAN.to_le_bytes());
    float[at + 4..at + 8].copy_from_slice(&f32::INFINITY.to_le_bytes());
    let (frames, warnings) = read(&made.file("nan.wav", &float), u64::MAX).expect("reads");
    assert_eq!(frames, 17_640);
    assert!(warnings.iter().any(|w| w.contains("NaN")), "{warnings:?}");
}

fn pcm(count: u32, delta: u32) -> mp4::Track {
    mp4::Track {
        handler: *b"soun",
        entry: mp4::sowt(48_000, 1),
        timescale: 48_000,
        stts: vec![(count, delta)],
        sizes: Sizes::All(2, count),
        chunks: Vec::new(),
        edits: Vec::new(),
        co64: false,
    }
}

#[test]
fn headers_that_promise_too_much() {
    let made = Made::new();
    let begun = Instant::now();
    // RF64 of 2^63 samples over 96 bytes.
    let rf64 = [
        &b"RF64\xFF\xFF\xFF\xFFWAVEds64\x1C\0\0\0"[..],
        &u64::MAX.to_le_bytes(),
        &(1u64 << 63).to_le_bytes(),
        &(1u64 << 63).to_le_bytes(),
        &[0; 4],
        b"fmt \x10\0\0\0\x01\0\x01\0\x80\xBB\0\0\0\x77\x01\0\x02\0\x10\0data\xFF\xFF\xFF\xFF",
        &[7; 96],
    ];
    assert_eq!(read(&made.file("rf64.wav", &rf64.concat()), u64::MAX).expect("reads").0, 48);
    // A million chunks before the sound.
    let chunks = [&b"RIFF\xFF\xFF\xFF\x7FWAVE"[..], &b"JUNK\0\0\0\0".repeat(1_000_000)].concat();
    refused(&made.file("chunks.wav", &chunks), ErrorKind::Damaged, "format chunk");

    let sound = vec![vec![0; 2]; 100];
    let no_clock = mp4::Track { timescale: 0, ..pcm(100, 1) };
    refused(&made.file("clock.mp4", &mp4::whole(1000, no_clock, &sound, 50)), ErrorKind::Damaged, "rate of 0");
    refused(&made.file("clock2.mp4", &mp4::whole(0, pcm(100, 1), &sound, 50)), ErrorKind::Damaged, "rate of 0");
    // 2^32 - 1 packets of a table that is not there, of PCM and of AAC.
    let huge = mp4::Track { sizes: Sizes::All(2, u32::MAX), stts: vec![(u32::MAX, u32::MAX)], ..pcm(0, 0) };
    let chunk = vec![mp4::Chunk { offset: 8, packets: u32::MAX }; 10];
    let asc = [0x11, 0x88];
    for entry in [mp4::sowt(48_000, 1), mp4::mp4a(48_000, 1, &asc)] {
        let track = mp4::Track { chunks: chunk.clone(), entry, ..huge.clone() };
        let file = made.file("huge.mp4", &mp4::moov(1000, &[track], false));
        if let Ok((frames, _)) = read(&file, 1_000_000) {
            assert!(frames <= 1_100_000);
        }
    }
    // Timestamps that leap by years.
    let leap = mp4::Track { edits: vec![(3 * 86_400_000, -1), (1000, 0)], ..pcm(100, 1) };
    refused(&made.file("leap.mp4", &mp4::whole(1000, leap, &sound, 50)), ErrorKind::Damaged, "leap");
    // A hundred thousand atoms inside one another, and a million beside one another.
    let mut nested = Vec::new();
    for i in 0..100_000u32 {
        nested.extend((8 * (100_000 - i)).to_be_bytes());
        nested.extend(if i == 0 { b"moov" } else { b"trak" });
    }
    refused(&made.file("nested.mp4", &nested), ErrorKind::NoSound, "no sound track");
    let beside = mp4::atom(b"moov", &[&b"\0\0\0\x08free".repeat(1_000_000)]);
    refused(&made.file("beside.mp4", &beside), ErrorKind::NoSound, "no sound track");
    assert!(begun.elapsed() < Duration::from_secs(60), "{:?}", begun.elapsed());
}

/// Random damage to every fixture: it reads or is refused, in bounded time.
#[test]
fn random_damage() {
    let made = Made::new();
    let mut random = 0x5EED_u64;
    let mut next = |n: usize| {
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (random >> 33) as usize % n
    };
    let mut names: Vec<PathBuf> =
        std::fs::read_dir(fixtures()).expect("fixtures").map(|e| e.expect("entry").path()).collect();
    names.sort();
    let rounds: usize = std::env::var("COEVAL_DAMAGE_ROUNDS").ok().and_then(|n| n.parse().ok()).unwrap_or(6);
    for path in names {
        let bytes = std::fs::read(&path).expect("reads");
        for round in 0..rounds {
            let mut b = bytes.clone();
            // Headers stand at the start or the end; damage falls there most.
            for _ in 0..1 + next(8) {
                let reach = b.len().min([64, 1024, 1 << 20][next(3)]);
                let at = if next(4) == 0 { b.len() - 1 - next(reach) } else { next(reach) };
                b[at] = [0, 0xFF, 0x7F, next(256) as u8][next(4)];
            }
            let begun = Instant::now();
            let file = made.file("damaged", &b);
            let _ = read(&file, 48_000 * 60);
            let took = begun.elapsed();
            assert!(took < Duration::from_secs(20), "{} round {round}: {took:?}", path.display());
        }
    }
}

/// A stream says nowhere how long it is: what it held when it was opened is what is read, however fast it grows.
#[test]
fn streams_that_grow_while_they_are_read() {
    let made = Made::new();
    // The first frame of an MP3, behind its tag, tells the length: it is left out.
    for (name, from) in [("aac48.adts.aac", 0), ("lame48.mp3", 45 + 288)] {
        // Longer than what is read ahead.
        let bytes = std::fs::read(fixtures().join(name)).expect("fixture")[from..].repeat(30);
        let path = made.file(name, &bytes);
        let whole = read(&path, u64::MAX).expect("reads").0;
        let mut reader = SoundReader::open(&path, &OpenOptions::default()).expect("opens");
        let (mut frames, mut block) = (0, Vec::new());
        loop {
            let n = reader.read(&mut block).expect("reads") as u64;
            frames += n;
            if n == 0 || frames > 2 * whole {
                break;
            }
            let mut file = std::fs::OpenOptions::new().append(true).open(&path).expect("opens");
            std::io::Write::write_all(&mut file, &bytes[..4000]).expect("grows");
        }
        assert_eq!(frames, whole, "{name}");
    }
}

/// The clicks of `coeval_tests` are those of the fixtures: a guard for the tests themselves.
#[test]
fn clicks_are_found_where_they_are_put() {
    let sound: Vec<f32> = clicks::sound(44_100, 1.0, &[0.2, 0.7]).iter().map(|v| f32::from(*v) / 32768.0).collect();
    let found = clicks::find(&sound, 44_100.0);
    assert!((found[0] - 0.2).abs() < 1e-6 && (found[1] - 0.7).abs() < 1e-6 && found.len() == 2, "{found:?}");
}
