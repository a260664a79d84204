//! What everything that takes samples asks of them: one check each, with one wording.

use std::ops::RangeInclusive;

use crate::error::{Error, Result};

/// Refuses a rate outside `range`, both in Hz; `name` is what the caller calls it.
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument), also for what is not a number.
pub fn check_rate(name: &str, rate_hz: f64, range: RangeInclusive<f64>) -> Result<()> {
    if range.contains(&rate_hz) {
        return Ok(());
    }
    Err(Error::invalid(format!("{name} is {rate_hz}, not within {} to {}", range.start(), range.end())))
}

/// Refuses a number of channels outside 1 to 64.
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument).
pub fn check_channels(channels: usize) -> Result<()> {
    if (1..=64).contains(&channels) {
        return Ok(());
    }
    Err(Error::invalid(format!("channels is {channels}, not within 1 to 64")))
}

/// Refuses an interleaved block that ends within a frame. `samples` is its length, `channels` is 1 or more.
///
/// # Errors
/// [`InvalidArgument`](crate::ErrorKind::InvalidArgument).
pub fn check_frames(samples: usize, channels: usize) -> Result<()> {
    if samples.is_multiple_of(channels) {
        return Ok(());
    }
    Err(Error::invalid(format!("{samples} samples are not a whole number of frames of {channels} channels")))
}

/// Samples beyond this, 60 dB over full scale, are no sound, and their power would not be a number.
const LOUDEST: f32 = 1e3;

/// A sample that can be calculated with: full scale is +-1, NaN and infinite values become 0, and no value is beyond
/// +-1000.
pub fn sanitize(x: f32) -> f32 {
    if x.is_finite() { x.clamp(-LOUDEST, LOUDEST) } else { 0.0 }
}

/// The greater of two numbers by one comparison; the second where one is not a number. [`f32::max`] has an answer for
/// those, and takes three instructions for it, in WebAssembly a call.
#[inline]
pub fn greater(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// The largest magnitude of every `N`th sample, from each of the first `N` on; 0 where there is none. What is not a number
/// does not count.
pub fn peaks<const N: usize>(samples: &[f32]) -> [f32; N] {
    let (whole, rest) = samples.as_chunks::<N>();
    let mut peaks = [0.0; N];
    for x in whole {
        peaks.iter_mut().zip(x).for_each(|(peak, x)| *peak = greater(x.abs(), *peak));
    }
    peaks.iter_mut().zip(rest).for_each(|(peak, x)| *peak = greater(x.abs(), *peak));
    peaks
}

/// Appends to `out` the mean of each frame's channels. `interleaved` is whole frames of `channels`, 1 or more, whose samples
/// count as [`sanitize`] has them.
pub fn mix_down(interleaved: &[f32], channels: usize, out: &mut Vec<f32>) {
    match channels {
        1 => out.extend(interleaved.iter().map(|x| sanitize(*x))),
        2 => out.extend(interleaved.as_chunks::<2>().0.iter().map(|[l, r]| 0.5 * (sanitize(*l) + sanitize(*r)))),
        _ => {
            let scale = 1.0 / channels as f32;
            let mean = |frame: &[f32]| scale * frame.iter().map(|x| sanitize(*x)).sum::<f32>();
            out.extend(interleaved.chunks_exact(channels).map(mean));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn peaks_are_those_of_every_so_many_samples() {
        let sound = [0.5, -0.75, f32::NAN, 0.25, -1.5, 0.125, 0.0, 0.25, 0.5, -2.0, 0.75];
        assert_eq!(peaks(&sound), [2.0]);
        assert_eq!(peaks(&sound), [1.5, 2.0]);
        assert_eq!(peaks(&sound), [1.5, 2.0, 0.75, 0.25]);
        assert_eq!(peaks(&sound[..2]), [0.5, 0.75, 0.0]);
    }

    #[test]
    fn channels_are_averaged_frame_by_frame() {
        let sound = [0.5, -0.25, 1.0, f32::NAN, 0.0, 0.75, 1e9, 3.0, -0.5, 0.25, 0.125, f32::INFINITY];
        for channels in [1, 2, 3, 4] {
            let mut out = vec![7.0];
            mix_down(&sound, channels, &mut out);
            let mean = |f: &[f32]| f.iter().map(|x| f64::from(sanitize(*x))).sum::<f64>() / channels as f64;
            let wanted: Vec<f64> = std::iter::once(7.0).chain(sound.chunks(channels).map(mean)).collect();
            assert_eq!(out.len(), wanted.len());
            assert!(out.iter().zip(&wanted).all(|(x, y)| (f64::from(*x) - y).abs() < 1e-4), "{channels}: {out:?}");
        }
    }

    #[test]
    fn rates_channels_and_frames_are_held_to_their_ranges() {
        let range = || 1000.0..=768_000.0;
        assert!(check_rate("rate_hz", 1000.0, range()).is_ok() && check_rate("rate_hz", 768e3, range()).is_ok());
        let refused = check_rate("rate_hz", 999.0, range()).unwrap_err();
        assert_eq!(refused.message(), "rate_hz is 999, not within 1000 to 768000");
        assert!(check_rate("rate_hz", f64::NAN, range()).is_err());
        assert!(check_channels(1).is_ok() && check_channels(64).is_ok());
        assert!(check_channels(0).is_err() && check_channels(65).is_err());
        assert!(check_frames(0, 2).is_ok() && check_frames(4, 2).is_ok() && check_frames(3, 2).is_err());
    }

    #[test]
    fn no_sample_spoils_a_sum() {
        for (x, clean) in [(0.5, 0.5), (-1e30, -1e3), (1e30, 1e3), (f32::NAN, 0.0), (f32::NEG_INFINITY, 0.0)] {
            assert_eq!(sanitize(x), clean, "{x}");
        }
    }
}
