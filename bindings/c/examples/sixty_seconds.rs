//! A pair of 60 s, and the speech in 60 s of sound, through the core. Its C twin is `tests/sixty_seconds.c`: both must
//! print the same, to the last bit.
#![allow(clippy::print_stdout, reason = "its output is compared")]

use coeval::pair::{PairOptions, PairOutcome, align_pair};
use coeval::track::{Track, TrackBuilder};
use coeval_listen::speech::{SpeechBuilder, SpeechOptions};

/// Marsaglia's xorshift with shifts 13, 17, 5 (Journal of Statistical Software 8(14), 2003).
fn noise(state: &mut u32) -> f32 {
    *state ^= *state << 13;
    *state ^= *state >> 17;
    *state ^= *state << 5;
    (*state as i32 >> 16) as f32 / 65536.0
}

/// Sample `n` of the sound that two devices share: noise in bursts of 0.3 s, one in three.
fn shared_sound(state: &mut u32, n: usize) -> f32 {
    let x = noise(state);
    if (n / 14400).is_multiple_of(3) { x } else { x / 64.0 }
}

fn track(rate_hz: f64, skip: usize, frames: usize, seed: u32) -> coeval::Result<Track> {
    let (mut common, mut own) = (2_463_534_242, seed);
    (0..skip).for_each(|n| _ = shared_sound(&mut common, n));
    let sound: Vec<f32> =
        (skip..skip + frames).map(|n| (shared_sound(&mut common, n) + noise(&mut own) / 4.0) / 2.0).collect();
    let mut builder = TrackBuilder::new(rate_hz, 1)?;
    builder.push(&sound)?;
    Ok(builder.finish())
}

/// A voice: 1.5 s at 16 kHz, two bytes a sample behind a header of 44.
static VOICE: &[u8; 48_044] = include_bytes!("../../../tests/fixtures/voice.wav");

/// Sample `n`, at 48 kHz, of that voice over noise: 1.5 s of it in 4.5 s.
fn spoken_sound(state: &mut u32, n: usize) -> f32 {
    let x = noise(state) / 64.0;
    let at = 44 + 2 * (n % 72_000 / 3);
    let voice = f32::from(i16::from_le_bytes([VOICE[at], VOICE[at + 1]])) / 131_072.0;
    if n / 72_000 % 3 == 1 { x + voice } else { x }
}

/// Every probability as one number: FNV-1a (Fowler, Noll, Vo) over their bits.
fn digest(values: &[f32]) -> u64 {
    let bytes = values.iter().flat_map(|v| v.to_bits().to_le_bytes());
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3))
}

fn speech() -> coeval::Result<()> {
    let mut state = 88_172_645;
    let sound: Vec<f32> = (0..60 * 48_000).flat_map(|n| [spoken_sound(&mut state, n); 2]).collect();
    let mut builder = SpeechBuilder::new(48_000.0, 2)?;
    builder.push(&sound)?;
    let curve = builder.finish();
    println!("speech {} {:016x}", curve.probability().len(), digest(curve.probability()));
    for segment in curve.segments(&SpeechOptions::default())? {
        let numbers = [
            segment.start_s,
            segment.end_s,
            f64::from(segment.confidence),
            segment.outside_band_db.unwrap_or(f64::NAN),
        ];
        let [start, end, confidence, band] = numbers.map(f64::to_bits);
        println!("{start:016x} {end:016x} {confidence:016x} {band:016x} {}", segment.origin(None).as_str());
    }
    Ok(())
}

fn main() -> coeval::Result<()> {
    let a = track(48_000.0, 0, 60 * 48_000, 31)?;
    let b = track(48_001.92, 96_000, 50 * 48_000, 32)?;
    if let PairOutcome::Placed(placed) = align_pair(&a, &b, &PairOptions::default(), &())? {
        let (offset_s, drift_ppm) = (placed.map.offset_s(), placed.map.drift_ppm());
        println!("offset_s {:016x} drift_ppm {:016x}", offset_s.to_bits(), drift_ppm.to_bits());
    }
    speech()
}
