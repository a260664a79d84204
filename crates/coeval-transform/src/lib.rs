#![doc = include_str!("../README.md")]

use std::collections::HashMap;
use std::sync::{Arc, Mutex};

pub use realfft::num_complex::{Complex, Complex32, Complex64};
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};

/// From so many real numbers to their spectrum of half as many and one; unnormalised.
pub type Forward<T = f32> = Arc<dyn RealToComplex<T>>;
/// From such a spectrum to so many real numbers; unnormalised: they come back so many times as large.
pub type Inverse<T = f32> = Arc<dyn ComplexToReal<T>>;

/// Transforms of `len` real numbers, forward and back.
pub fn real(len: usize) -> (Forward, Inverse) {
    let mut planner = RealFftPlanner::new();
    (planner.plan_fft_forward(len), planner.plan_fft_inverse(len))
}

/// The same in double precision.
pub fn real_double(len: usize) -> (Forward<f64>, Inverse<f64>) {
    let mut planner = RealFftPlanner::new();
    (planner.plan_fft_forward(len), planner.plan_fft_inverse(len))
}

/// A forward and an inverse real transform of one length, unnormalised.
#[derive(Clone)]
pub struct Plan {
    /// How many real numbers.
    pub len: usize,
    forward: Forward,
    inverse: Inverse,
}

/// The same of complex numbers.
#[derive(Clone)]
pub struct ComplexPlan {
    /// How many complex numbers.
    pub len: usize,
    /// To the spectrum.
    pub forward: Arc<dyn Fft<f32>>,
    /// From the spectrum.
    pub inverse: Arc<dyn Fft<f32>>,
}

/// Plans by length: making one costs more than using it.
#[derive(Default)]
pub struct Plans {
    real: Mutex<HashMap<usize, Plan>>,
    complex: Mutex<HashMap<usize, ComplexPlan>>,
}

impl Plans {
    /// For `len` real numbers.
    pub fn get(&self, len: usize) -> Plan {
        kept(&self.real, len, || {
            let (forward, inverse) = real(len);
            Plan { len, forward, inverse }
        })
    }

    /// For `len` real numbers or the few more that make the transform quick: a power of two, or three, five or nine times one.
    pub fn at_least(&self, len: usize) -> Plan {
        let quick = |factor: usize| factor * len.div_ceil(factor).next_power_of_two();
        self.get([1, 3, 5, 9].map(quick).into_iter().min().unwrap_or(len))
    }

    /// For `len` complex numbers.
    pub fn complex(&self, len: usize) -> ComplexPlan {
        kept(&self.complex, len, || {
            let mut planner = FftPlanner::new();
            ComplexPlan { len, forward: planner.plan_fft_forward(len), inverse: planner.plan_fft_inverse(len) }
        })
    }
}

fn kept<T: Clone>(plans: &Mutex<HashMap<usize, T>>, len: usize, make: impl FnOnce() -> T) -> T {
    // A poisoned lock still guards a valid table: entries are inserted whole.
    let mut plans = plans.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    plans.entry(len).or_insert_with(make).clone()
}

impl Plan {
    /// Spectrum of `signal`, which is used as scratch space.
    pub fn spectrum(&self, signal: &mut [f32]) -> Vec<Complex32> {
        let mut out = vec![Complex32::default(); self.len / 2 + 1];
        self.forward.process(signal, &mut out).expect("signal and plan agree in length");
        out
    }

    /// Cross-correlation from spectra: `out[l] = sum over t of x[t + l] * y[t]`, circular, for `X * conj(Y)`.
    pub fn correlogram(&self, x: &[Complex32], y: &[Complex32], product: &mut Vec<Complex32>, out: &mut Vec<f32>) {
        product.clear();
        let scale = 1.0 / self.len as f32;
        product.extend(x.iter().zip(y).map(|(x, y)| x * y.conj() * scale));
        out.resize(self.len, 0.0);
        self.invert(product, out);
    }

    /// Signal of a spectrum, unnormalised; the spectrum is used as scratch space.
    pub fn invert(&self, spectrum: &mut [Complex32], out: &mut [f32]) {
        // A real signal's first and last bins are real: the transform insists.
        spectrum[0].im = 0.0;
        if self.len.is_multiple_of(2) {
            spectrum[self.len / 2].im = 0.0;
        }
        self.inverse.process(spectrum, out).expect("spectrum and plan agree in length");
    }
}
