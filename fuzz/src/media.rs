//! Files of sound.

use std::io::Write;
use std::path::Path;

use coeval_media::{OpenOptions, SoundReader, probe, probe_picture};

/// Frames and blocks that are read of one file at most: damage often promises centuries.
const FRAMES: usize = 400_000;
const BLOCKS: usize = 400;

/// WAV and its relatives.
pub fn riff(data: &[u8]) {
    if [&b"RIFF"[..], b"RF64", b"BW64", b"riff"].iter().any(|magic| data.starts_with(magic)) {
        with_file(data, |path| {
            let whole = read(path);
            // Samples are counted here, so that a seek must give what reading through gave.
            let Some((channels, whole)) = whole else { return };
            let frames = whole.len() / channels;
            if let Ok(mut reader) = SoundReader::open(path, &OpenOptions::default()) {
                let mut block = Vec::new();
                for at in [frames / 2, 0, frames.saturating_sub(1), frames / 3] {
                    if reader.seek(at as u64).is_ok() && reader.read(&mut block).is_ok() {
                        let n = block.len().min(whole.len() - at * channels);
                        assert_eq!(block[..n], whole[at * channels..at * channels + n], "after a seek to frame {at}");
                    }
                }
            }
        });
    }
}

/// MP4 and MOV.
pub fn isobmff(data: &[u8]) {
    const NAMES: [&[u8]; 11] =
        [b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"styp", b"sidx", b"moof", b"uuid"];
    if data.get(4..8).is_some_and(|name| NAMES.contains(&name)) {
        with_file(data, |path| {
            read(path);
            if let Ok(Some(info)) = probe_picture(path) {
                assert!(info.picture.is_some_and(|p| p.frame_rate.den > 0));
            }
        });
    }
}

/// Matroska and WebM.
pub fn matroska(data: &[u8]) {
    if data.starts_with(b"\x1A\x45\xDF\xA3") {
        with_file(data, |path| {
            read(path);
        });
    }
}

/// Everything else: what the first bytes are taken for, tags before them, and containers that others take apart.
pub fn foreign(data: &[u8]) {
    with_file(data, |path| {
        read(path);
    });
}

fn with_file(data: &[u8], work: impl FnOnce(&Path)) {
    let mut file = tempfile::NamedTempFile::new().expect("a file to fuzz with");
    file.write_all(data).expect("room for it");
    work(file.path());
}

/// Reads a file as a shoot does, and here and there. Answers channels and samples when it reads through.
fn read(path: &Path) -> Option<(usize, Vec<f32>)> {
    let options = OpenOptions::default();
    let told = probe(path, &options);
    let mut reader = match SoundReader::open(path, &options) {
        Ok(reader) => reader,
        Err(e) => {
            let line = e.to_string();
            assert!(told.is_err() && !line.is_empty() && line.len() < 10_000, "{line}");
            return None;
        }
    };
    let info = reader.info().clone();
    let sound = info.sound.expect("an open reader has sound");
    assert!((1..=64).contains(&sound.channels) && (1000..=768_000).contains(&sound.rate_hz), "{sound:?}");
    assert!(info.duration_s >= 0.0, "{} s", info.duration_s);
    let (mut all, mut block) = (Vec::new(), Vec::new());
    let mut ended = false;
    for _ in 0..BLOCKS {
        let Ok(frames) = reader.read(&mut block) else { break };
        assert_eq!(block.len(), frames * sound.channels);
        assert!(block.len() <= 1 << 23 && block.iter().all(|s| s.is_finite()));
        all.extend_from_slice(&block);
        ended = frames == 0;
        if ended || all.len() > FRAMES {
            break;
        }
    }
    assert!(reader.holes().len() <= 1000 && reader.warnings().len() <= 1100);
    for at in [0, 7, 48_000, u64::MAX / 2, u64::MAX, 1] {
        if reader.seek(at).is_ok() {
            let _ = reader.read(&mut block);
        }
    }
    ended.then_some((sound.channels, all))
}
