//! Files that are another one once more: the same bytes in two folders, a proxy, a transcode, a safety track.
//!
//! What a copy has in common with its original, and two devices never have: it begins at the same moment to an encoder's
//! delay, is as long, and sounds the same in its wave form, not only in what is said. One of them is used; the others
//! share in nothing, or each would be an angle of its own and might give the timeline its clock.

use std::fs::File as Disk;
use std::io::Read;
use std::path::Path;

use coeval::track::{TRACK_RATE_HZ, Track};

use crate::alignment::{Alignment, File, Status};
use crate::find::Found;
use crate::headers::{Headers, Probed};
use crate::sound::{Analysed, Sound, audible};

/// Lengths of copies differ by this at most, seconds: packets of a codec and its delay (own target).
const LENGTH_S: f64 = 0.2;
/// One of them may begin later by this, seconds: the delay of an encoder that no header tells of (own target).
const LATE_S: f64 = 0.06;
/// Correlation of copies, in the middle one of the probes: where both are lossless, and where a codec lost some of it. Two
/// microphones on one voice reach neither (own target).
const SAME: (f64, f64) = (0.995, 0.93);
/// Probes of a file, and their length in samples of its track.
const PROBES: usize = 5;
const PROBE: usize = 4000;
/// Samples to either side between which a correlation is interpolated.
const TAPS: i64 = 12;
/// A bin of the envelope by which most pairs are told apart at once, samples, and how many of them are looked at.
const BIN: usize = 80;
const BINS: usize = 1000;
/// Correlation of the envelopes of copies (own target).
const SAME_ENVELOPE: f64 = 0.8;

/// A file that is another one once more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Copy {
    pub(crate) original: usize,
    pub(crate) same_bytes: bool,
}

/// For each file of `found` the one that it is a copy of. `named` are those that the user wants to be taken for themselves.
pub(crate) fn find(
    found: &Found,
    probed: &[Probed],
    heard: &[Analysed],
    named: &dyn Fn(&str) -> bool,
) -> Vec<Option<Copy>> {
    let count = found.sources.len();
    let path = |i: usize| found.sources[i].path.as_path();
    let sizes: Vec<Option<u64>> = (0..count).map(|i| std::fs::metadata(path(i)).ok().map(|m| m.len())).collect();
    let envelopes: Vec<Option<Vec<f32>>> =
        heard.iter().take(count).map(|h| Some(envelope(&audible(h)?.track))).collect();
    let mut clusters: Vec<Vec<(usize, bool)>> = Vec::new();
    for file in (0..count).filter(|&i| probed[i].info.is_ok()) {
        let same_bytes = |other: usize| {
            sizes[file].is_some() && sizes[file] == sizes[other] && same_content(path(file), path(other))
        };
        let same_sound = |other: usize| {
            let (Some(a), Some(b)) = (audible(&heard[file]), audible(&heard[other])) else { return false };
            let (Some(x), Some(y)) = (&envelopes[file], &envelopes[other]) else { return false };
            let lossless = is_lossless(&probed[file]) && is_lossless(&probed[other]);
            (a.duration_s - b.duration_s).abs() <= LENGTH_S && alike(x, y) && same_wave(a, b, lossless)
        };
        let free = !named(&probed[file].name);
        let of = clusters.iter_mut().filter(|_| free).find_map(|cluster| {
            let first = cluster[0].0;
            let bytes = same_bytes(first);
            (bytes || same_sound(first)).then_some((cluster, bytes))
        });
        match of {
            Some((cluster, bytes)) => cluster.push((file, bytes)),
            None => clusters.push(vec![(file, true)]),
        }
    }
    let mut copies = vec![None; count];
    for cluster in clusters.iter().filter(|c| c.len() > 1) {
        // Of equals the first in order of names.
        let named_one = cluster.iter().find(|c| named(&probed[c.0].name));
        let best = cluster.iter().rev().max_by(|a, b| worth(&probed[a.0]).total_cmp(&worth(&probed[b.0])));
        let Some(&(original, as_first)) = named_one.or(best) else { continue };
        for &(file, bytes) in cluster.iter().filter(|c| c.0 != original) {
            copies[file] = Some(Copy { original, same_bytes: bytes && as_first });
        }
    }
    copies
}

/// How much a file is worth against its copies: picture before none, the larger one, then sound that lost less.
fn worth(probed: &Probed) -> f64 {
    let Ok(info) = &probed.info else { return 0.0 };
    let pixels = info.picture.as_ref().map_or(0.0, |p| 1.0 + f64::from(p.size[0]) * f64::from(p.size[1]));
    let sound = info.sound.as_ref().map_or(0.0, |s| {
        let bits = s.bits.map_or(0.0, f64::from);
        s.channels as f64 + f64::from(s.rate_hz) / 1e6 + bits / 1e3
    });
    // Of equals the one nearest to the folder given, and of those the shorter name: copies are put into folders of their
    // own, and called `x (2)` or `x-proxy`.
    let name = probed.name.matches('/').count() as f64 + probed.name.chars().count() as f64 / 1e3;
    1e3 * pixels + sound - name / 1e6
}

fn is_lossless(probed: &Probed) -> bool {
    probed.info.as_ref().is_ok_and(|i: &Headers| i.sound.as_ref().is_some_and(|s| s.bits.is_some()))
}

/// Whether two files have the same bytes; `false` where one cannot be read.
fn same_content(a: &Path, b: &Path) -> bool {
    let (Ok(mut a), Ok(mut b)) = (Disk::open(a), Disk::open(b)) else { return false };
    let (mut x, mut y) = (vec![0; 1 << 16], vec![0; 1 << 16]);
    loop {
        let (Ok(n), Ok(m)) = (fill(&mut a, &mut x), fill(&mut b, &mut y)) else { return false };
        if x[..n] != y[..m] {
            return false;
        }
        if n == 0 {
            return true;
        }
    }
}

fn fill(file: &mut Disk, out: &mut [u8]) -> std::io::Result<usize> {
    let mut filled = 0;
    while filled < out.len() {
        match file.read(&mut out[filled..])? {
            0 => break,
            n => filled += n,
        }
    }
    Ok(filled)
}

/// Mean magnitude of each bin at the track's beginning, less their mean.
fn envelope(track: &Track) -> Vec<f32> {
    let mut samples = vec![0.0; track.len().min(BIN * BINS)];
    track.read(0, &mut samples);
    let mut bins: Vec<f32> =
        samples.chunks_exact(BIN).map(|c| c.iter().map(|x| x.abs()).sum::<f32>() / BIN as f32).collect();
    let mean = bins.iter().sum::<f32>() / bins.len().max(1) as f32;
    bins.iter_mut().for_each(|b| *b -= mean);
    bins
}

fn alike(a: &[f32], b: &[f32]) -> bool {
    let reach = (LATE_S * TRACK_RATE_HZ / BIN as f64).ceil() as usize;
    let at = |x: &[f32], y: &[f32]| {
        let n = x.len().min(y.len());
        correlation(&x[..n], &y[..n])
    };
    let best = (0..=reach.min(a.len()).min(b.len())).map(|lag| at(&a[lag..], b).max(at(a, &b[lag..])));
    best.fold(0.0, f64::max) >= SAME_ENVELOPE
}

fn correlation(a: &[f32], b: &[f32]) -> f64 {
    let sum = |x: &[f32], y: &[f32]| x.iter().zip(y).map(|(p, q)| f64::from(*p) * f64::from(*q)).sum::<f64>();
    let norm = (sum(a, a) * sum(b, b)).sqrt();
    if norm > 0.0 { sum(a, b) / norm } else { 0.0 }
}

/// Is it the same wave form from the beginning to the end, with one delay throughout?
fn same_wave(a: &Sound, b: &Sound, lossless: bool) -> bool {
    let reach = (LATE_S * TRACK_RATE_HZ) as i64;
    let length = a.track.len().min(b.track.len());
    let probe = PROBE.min(length / 2);
    if probe < PROBE / 4 {
        return false;
    }
    let mut found: Vec<(f64, f64)> = Vec::new();
    for i in 0..PROBES {
        let start = (i * (length - probe) / (PROBES - 1)) as i64;
        let (mut x, mut y) = (vec![0.0; probe], vec![0.0; probe + 2 * (reach + TAPS) as usize]);
        a.track.read(start, &mut x);
        b.track.read(start - reach - TAPS, &mut y);
        found.extend(best_lag(&x, &y));
    }
    if found.len() < PROBES.div_ceil(2) {
        return false;
    }
    found.sort_by(|p, q| p.0.total_cmp(&q.0));
    let (middle, lags) = (found[found.len() / 2].0, found.iter().filter(|f| f.0 > 0.5).map(|f| f.1));
    let (low, high) = lags.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), lag| (l.min(lag), h.max(lag)));
    // A sample of the track is 0.125 ms: a clock of its own, of 1 ppm, takes two minutes for it.
    middle >= if lossless { SAME.0 } else { SAME.1 } && high - low <= 1.0
}

/// The highest normalised correlation of `x` within `y`, and where, in samples; `None` where there is no sound. Between
/// samples it is interpolated by a windowed sinc: both are band-limited, and so is their correlation.
fn best_lag(x: &[f32], y: &[f32]) -> Option<(f64, f64)> {
    let lags = y.len() - x.len() + 1;
    let sums: Vec<f64> = (0..lags).map(|l| x.iter().zip(&y[l..]).map(|(p, q)| f64::from(p * q)).sum()).collect();
    let taps = TAPS as usize;
    let inner = taps..lags - taps;
    let best = inner.max_by(|&p, &q| sums[p].total_cmp(&sums[q]))?;
    let power = |s: &[f32]| s.iter().map(|v| f64::from(v * v)).sum::<f64>();
    let norm = (power(x) * power(&y[best..best + x.len()])).sqrt();
    if norm <= f64::from(f32::EPSILON) {
        return None;
    }
    let between = |part: f64| -> f64 {
        (-TAPS + 1..TAPS)
            .map(|k| {
                let t = part - k as f64;
                let sinc =
                    if t.abs() < 1e-9 { 1.0 } else { (std::f64::consts::PI * t).sin() / (std::f64::consts::PI * t) };
                let window = (0.5 * std::f64::consts::PI * t / (TAPS as f64 + 1.0)).cos();
                sums[(best as i64 + k) as usize] * sinc * window * window
            })
            .sum()
    };
    let parts = (-4..=4).map(|e| f64::from(e) / 8.0).map(|part| (between(part) / norm, best as f64 + part));
    parts.max_by(|p, q| p.0.total_cmp(&q.0))
}

/// A copy that takes no part, and what is known of it.
pub(crate) struct SetAside {
    probed: Probed,
    duration_s: Option<f64>,
    original: String,
    same_bytes: bool,
}

impl SetAside {
    pub(crate) fn new(probed: Probed, heard: Analysed, original: &str, copy: Copy) -> Self {
        let duration_s = heard.ok().flatten().map(|sound| sound.duration_s);
        Self { probed, duration_s, original: original.to_owned(), same_bytes: copy.same_bytes }
    }
}

/// Puts the copies into the result, each with the recording of its original.
pub(crate) fn add(alignment: &mut Alignment, copies: Vec<SetAside>) {
    for SetAside { probed, duration_s, original, same_bytes } in copies {
        let Ok(info) = probed.info else { continue };
        let of = alignment.recordings.iter_mut().find(|r| r.files.iter().any(|f| f.path == original));
        let Some(recording) = of else { continue };
        let what = if same_bytes { "the same bytes" } else { "the same sound" };
        recording.files.push(File {
            path: probed.name,
            status: Status::Unplaced,
            reason: Some(format!("a copy ({what}) of {original}")),
            duration_s: duration_s.or(Some(info.duration_s)).filter(|d| d.is_finite()),
            confidence: None,
            uncertainty_s: None,
            offset_s: None,
            drift_ppm: None,
            knots: Vec::new(),
            jumps: Vec::new(),
            stretches: Vec::new(),
            event: None,
            placed_by: None,
            copy_of: Some(original),
            better_sound_of: None,
            track_of: None,
            compared: None,
            picture: info.picture,
            sound: info.sound,
            created_unix_s: info.created_unix_s,
            timecode: info.timecode,
            ltc: None,
            ixml: info.ixml,
            proof: None,
            warnings: Vec::new(),
        });
    }
}
