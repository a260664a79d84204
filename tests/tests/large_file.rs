//! A camera file of half a gigabyte costs only its sound. Alone in its program, since it measures the
//! whole process.
#![allow(clippy::print_stdout)] // The figures are for people.

use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;
use std::time::Instant;

use coeval_media::{OpenOptions, SoundReader};
use coeval_tests::mp4::{self, Chunk, Sizes, Track};

/// Bytes that this process has asked the system for, and its peak memory in bytes (Linux).
fn usage() -> Option<(u64, u64)> {
    let number = |file: &str, key: &str| -> Option<u64> {
        let text = std::fs::read_to_string(file).ok()?;
        text.lines().find_map(|l| l.strip_prefix(key))?.split_whitespace().next()?.parse().ok()
    };
    Some((number("/proc/self/io", "rchar:")?, number("/proc/self/status", "VmHWM:")? * 1024))
}

/// Ten minutes at 25 frames a second, a second of sound between every 25 frames of 36 kB.
fn write_camera_file(path: &Path) -> u64 {
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/aac48.adts.aac");
    let (material, asc) = mp4::adts(&std::fs::read(fixture).expect("fixture"));
    let mut file = File::create(path).expect("creates");
    file.write_all(&mp4::atom(b"ftyp", &[b"isom\0\0\0\0isom"])).expect("writes");
    let mdat = file.stream_position().expect("position");
    file.write_all(&[0; 16]).expect("writes");
    let (mut picture, mut sound, mut sizes) = (Vec::new(), Vec::new(), Vec::new());
    let (frame_bytes, mut packet) = (36_000u32, 0usize);
    for second in 1..=600u64 {
        let offset = file.stream_position().expect("position");
        picture.push(Chunk { offset, packets: 25 });
        // The picture is never read: a hole in the file will do.
        let offset = file.seek(SeekFrom::Current(25 * i64::from(frame_bytes))).expect("seeks");
        let until = (second * 48_000 / 1024) as usize;
        sound.push(Chunk { offset, packets: (until - packet) as u32 });
        while packet < until {
            let bytes = &material[packet % material.len()];
            file.write_all(bytes).expect("writes");
            sizes.push(bytes.len() as u32);
            packet += 1;
        }
    }
    let end = file.stream_position().expect("position");
    let sound = Track {
        handler: *b"soun",
        entry: mp4::mp4a(48_000, 1, &asc),
        timescale: 48_000,
        stts: vec![(sizes.len() as u32, 1024)],
        sizes: Sizes::Each(sizes),
        chunks: sound,
        edits: vec![(600_000, 1024)],
        co64: true,
    };
    let picture = Track {
        handler: *b"vide",
        entry: mp4::avc1(),
        timescale: 25,
        stts: vec![(15_000, 1)],
        sizes: Sizes::All(frame_bytes, 15_000),
        chunks: picture,
        edits: Vec::new(),
        co64: true,
    };
    file.write_all(&mp4::moov(1000, &[picture, sound], false)).expect("writes");
    file.seek(SeekFrom::Start(mdat)).expect("seeks");
    file.write_all(&[&1u32.to_be_bytes()[..], b"mdat", &(end - mdat).to_be_bytes()].concat()).expect("writes");
    file.metadata().expect("metadata").len()
}

#[test]
fn a_large_camera_file_costs_only_its_sound() {
    let dir = tempfile::tempdir().expect("dir");
    let path = dir.path().join("camera.mp4");
    let len = write_camera_file(&path);
    assert!(len >= 500_000_000, "{len}");
    let before = usage();
    let begun = Instant::now();
    let mut reader = SoundReader::open(&path, &OpenOptions::default()).expect("opens");
    let picture = reader.info().picture.clone().expect("picture");
    assert_eq!((picture.size, picture.frame_rate.num, picture.frame_rate.den), ((1920, 1080), 25, 1));
    let (mut frames, mut block) = (0u64, Vec::new());
    loop {
        match reader.read(&mut block).expect("reads") as u64 {
            0 => break,
            n => frames += n,
        }
    }
    let took = begun.elapsed().as_secs_f64();
    assert!((frames as i64 - 600 * 48_000).abs() <= 2048, "{frames}");
    let counted = reader.bytes_read();
    println!(
        "{:.0} MB file, {:.2} MB read by our count, {:.0} s of sound in {took:.3} s = {:.0} x real time",
        len as f64 / 1e6,
        counted as f64 / 1e6,
        frames as f64 / 48e3,
        frames as f64 / 48e3 / took
    );
    assert!(counted < len / 10);
    if let (Some((before, _)), Some((after, peak))) = (before, usage()) {
        println!(
            "{:.2} MB read by the system's count, peak memory {:.1} MB",
            (after - before) as f64 / 1e6,
            peak as f64 / 1e6
        );
        assert!(after - before < len / 10, "{} of {len} bytes", after - before);
        assert!(peak < 100_000_000, "{peak}");
    }
}
