//! Windowed sines over their argument, and sums of products: what every filter here is made of.

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

/// Running sums that fill vector registers, so that no addition waits for the one before.
const SUMS: usize = 16;

/// Sum of many numbers.
pub(crate) fn sum(values: &[f32]) -> f32 {
    let (chunks, rest) = values.as_chunks::<SUMS>();
    let mut sums = [0.0f32; SUMS];
    for chunk in chunks {
        for k in 0..SUMS {
            sums[k] += chunk[k];
        }
    }
    total(sums) + rest.iter().sum::<f32>()
}

/// Scalar product.
pub(crate) fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0f32; SUMS];
    let ((chunks_a, rest_a), (chunks_b, rest_b)) = (a.as_chunks::<SUMS>(), b.as_chunks::<SUMS>());
    for (x, y) in chunks_a.iter().zip(chunks_b) {
        for k in 0..SUMS {
            sums[k] += x[k] * y[k];
        }
    }
    let rest: f32 = rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum();
    total(sums) + rest
}

/// Sums of the squares and of the fourth powers.
pub(crate) fn powers(values: &[f32]) -> (f32, f32) {
    let (chunks, rest) = values.as_chunks::<SUMS>();
    let (mut squares, mut fourths) = ([0.0f32; SUMS], [0.0f32; SUMS]);
    for chunk in chunks {
        for k in 0..SUMS {
            let square = chunk[k] * chunk[k];
            squares[k] += square;
            fourths[k] += square * square;
        }
    }
    let rest = rest.iter().fold((0.0, 0.0), |(s, f), v| (s + v * v, f + (v * v) * (v * v)));
    (total(squares) + rest.0, total(fourths) + rest.1)
}

fn total(mut sums: [f32; SUMS]) -> f32 {
    for half in [SUMS / 2, SUMS / 4] {
        for k in 0..half {
            sums[k] += sums[k + half];
        }
    }
    sums[..SUMS / 4].iter().sum()
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
