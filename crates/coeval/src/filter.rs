//! Windowed sines over their argument: what every filter here is made of.

/// sin(pi x) / (pi x).
pub(crate) fn sinc(x: f64) -> f64 {
    let y = std::f64::consts::PI * x;
    if y.abs() < 1e-9 { 1.0 } else { y.sin() / y }
}

/// Kaiser window with shape parameter `beta` at `x`; 0 outside -1 to 1 (Kaiser 1974).
pub(crate) fn kaiser(x: f64, beta: f64) -> f64 {
    if x.abs() >= 1.0 { 0.0 } else { bessel_i0(beta * (1.0 - x * x).sqrt()) / bessel_i0(beta) }
}

/// Modified Bessel function of the first kind and order zero, by its power series.
pub(crate) fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut sum, mut term) = (1.0, 1.0);
    let mut k = 1.0;
    while term > sum * 1e-17 {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_values() {
        // Abramowitz & Stegun, table 9.8: exp(-x) I0(x).
        for (x, scaled) in [(0.0, 1.0), (1.0, 0.465_759_607_6), (5.0, 0.183_540_812_6)] {
            assert!((bessel_i0(x) * f64::exp(-x) - scaled).abs() < 1e-10, "{x}: {}", bessel_i0(x) * f64::exp(-x));
        }
        assert_eq!((kaiser(0.0, 5.0), kaiser(1.0, 5.0), kaiser(-1.5, 5.0)), (1.0, 0.0, 0.0));
        assert!((sinc(0.5) - 2.0 / std::f64::consts::PI).abs() < 1e-15 && sinc(3.0).abs() < 1e-15 && sinc(0.0) == 1.0);
    }
}
