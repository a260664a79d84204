//! Fast correlation: transform plans kept once, and the correlogram of a block against a stretch.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};

use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};

/// A forward and an inverse real transform of one length, unnormalised.
#[derive(Clone)]
pub(crate) struct Plan {
    pub(crate) len: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
}

/// The same of complex numbers.
#[derive(Clone)]
pub(crate) struct ComplexPlan {
    pub(crate) len: usize,
    pub(crate) forward: Arc<dyn Fft<f32>>,
    pub(crate) inverse: Arc<dyn Fft<f32>>,
}

/// Plans by length: making one costs more than using it.
#[derive(Default)]
pub(crate) struct Plans {
    real: Mutex<HashMap<usize, Plan>>,
    complex: Mutex<HashMap<usize, ComplexPlan>>,
}

impl Plans {
    pub(crate) fn get(&self, len: usize) -> Plan {
        kept(&self.real, len, || {
            let mut planner = RealFftPlanner::new();
            Plan { len, forward: planner.plan_fft_forward(len), inverse: planner.plan_fft_inverse(len) }
        })
    }

    pub(crate) fn complex(&self, len: usize) -> ComplexPlan {
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
    pub(crate) fn spectrum(&self, signal: &mut [f32]) -> Vec<Complex32> {
        let mut out = vec![Complex32::default(); self.len / 2 + 1];
        self.forward.process(signal, &mut out).expect("signal and plan agree in length");
        out
    }

    /// Cross-correlation from spectra: `out[l] = sum over t of x[t + l] * y[t]`, circular, for `X * conj(Y)`.
    pub(crate) fn correlogram(
        &self,
        x: &[Complex32],
        y: &[Complex32],
        product: &mut Vec<Complex32>,
        out: &mut Vec<f32>,
    ) {
        product.clear();
        let scale = 1.0 / self.len as f32;
        product.extend(x.iter().zip(y).map(|(x, y)| x * y.conj() * scale));
        out.resize(self.len, 0.0);
        self.invert(product, out);
    }

    /// Signal of a spectrum, unnormalised; the spectrum is used as scratch space.
    pub(crate) fn invert(&self, spectrum: &mut [Complex32], out: &mut [f32]) {
        // A real signal's first and last bins are real: the transform insists.
        spectrum[0].im = 0.0;
        if self.len.is_multiple_of(2) {
            spectrum[self.len / 2].im = 0.0;
        }
        self.inverse.process(spectrum, out).expect("spectrum and plan agree in length");
    }
}
