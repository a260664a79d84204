//! What everything that takes samples asks of them.

/// Samples beyond this, 60 dB over full scale, are no sound, and their power would not be a number.
const LOUDEST: f32 = 1e3;

/// A sample that can be calculated with: full scale is +-1, NaN and infinite values become 0, and no value is beyond
/// +-1000.
pub fn sanitize(x: f32) -> f32 {
    if x.is_finite() { x.clamp(-LOUDEST, LOUDEST) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_sample_spoils_a_sum() {
        for (x, clean) in [(0.5, 0.5), (-1e30, -1e3), (1e30, 1e3), (f32::NAN, 0.0), (f32::NEG_INFINITY, 0.0)] {
            assert_eq!(sanitize(x), clean, "{x}");
        }
    }
}
