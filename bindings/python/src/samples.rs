//! NumPy arrays as blocks of interleaved `f32`, without a copy of the whole.

use ndarray::{ArrayView2, Axis, s};
use numpy::{PyReadonlyArrayDyn, PyUntypedArrayMethods};
use pyo3::exceptions::{PyTypeError, PyValueError};
use pyo3::prelude::*;

/// Frames that are converted at once where the array cannot be used as it lies.
pub(crate) const BLOCK: usize = 8192;

/// A borrowed array of sound: mono, or frames by channels.
///
/// The array must not be written to by another thread while a call runs; the documentation says so.
pub(crate) enum Samples<'py> {
    F32(PyReadonlyArrayDyn<'py, f32>),
    F64(PyReadonlyArrayDyn<'py, f64>),
    I16(PyReadonlyArrayDyn<'py, i16>),
    I32(PyReadonlyArrayDyn<'py, i32>),
    U8(PyReadonlyArrayDyn<'py, u8>),
}

impl<'a, 'py> FromPyObject<'a, 'py> for Samples<'py> {
    type Error = PyErr;

    fn extract(object: Borrowed<'a, 'py, PyAny>) -> PyResult<Self> {
        if let Ok(array) = object.extract() {
            Ok(Samples::F32(array))
        } else if let Ok(array) = object.extract() {
            Ok(Samples::F64(array))
        } else if let Ok(array) = object.extract() {
            Ok(Samples::I16(array))
        } else if let Ok(array) = object.extract() {
            Ok(Samples::I32(array))
        } else if let Ok(array) = object.extract() {
            Ok(Samples::U8(array))
        } else {
            Err(PyTypeError::new_err("samples must be a NumPy array of float32, float64, int32, int16 or uint8"))
        }
    }
}

impl Samples<'_> {
    /// The array as frames by channels; can be sent to another thread while the borrow lives.
    pub(crate) fn view(&self) -> PyResult<Frames<'_>> {
        fn two<'a, T: numpy::Element>(array: &'a PyReadonlyArrayDyn<'_, T>) -> PyResult<ArrayView2<'a, T>> {
            let dimensions = array.ndim();
            let view = array.as_array();
            match dimensions {
                1 => view.insert_axis(Axis(1)).into_dimensionality(),
                _ => view.into_dimensionality(),
            }
            .map_err(|_| PyValueError::new_err(format!("samples have {dimensions} dimensions, not 1 or 2")))
        }
        Ok(match self {
            Samples::F32(array) => Frames::F32(two(array)?),
            Samples::F64(array) => Frames::F64(two(array)?),
            Samples::I16(array) => Frames::I16(two(array)?),
            Samples::I32(array) => Frames::I32(two(array)?),
            Samples::U8(array) => Frames::U8(two(array)?),
        })
    }
}

/// Frames by channels.
pub(crate) enum Frames<'a> {
    F32(ArrayView2<'a, f32>),
    F64(ArrayView2<'a, f64>),
    I16(ArrayView2<'a, i16>),
    I32(ArrayView2<'a, i32>),
    U8(ArrayView2<'a, u8>),
}

impl Frames<'_> {
    pub(crate) fn frames(&self) -> usize {
        match self {
            Frames::F32(a) => a.nrows(),
            Frames::F64(a) => a.nrows(),
            Frames::I16(a) => a.nrows(),
            Frames::I32(a) => a.nrows(),
            Frames::U8(a) => a.nrows(),
        }
    }

    pub(crate) fn channels(&self) -> usize {
        match self {
            Frames::F32(a) => a.ncols(),
            Frames::F64(a) => a.ncols(),
            Frames::I16(a) => a.ncols(),
            Frames::I32(a) => a.ncols(),
            Frames::U8(a) => a.ncols(),
        }
    }

    /// Frames `from..to`, interleaved, full scale at 1: as they lie where they are `f32` in this order,
    /// else converted into `scratch`.
    pub(crate) fn read<'b>(&'b self, from: usize, to: usize, scratch: &'b mut Vec<f32>) -> &'b [f32] {
        scratch.clear();
        match self {
            Frames::F32(a) => {
                if let Some(all) = a.to_slice() {
                    return &all[from * a.ncols()..to * a.ncols()];
                }
                scratch.extend(a.slice(s![from..to, ..]).iter());
            }
            Frames::F64(a) => scratch.extend(a.slice(s![from..to, ..]).iter().map(|&x| x as f32)),
            Frames::I16(a) => scratch.extend(a.slice(s![from..to, ..]).iter().map(|&x| f32::from(x) / 32_768.0)),
            // What SciPy makes of WAV files: 24 bits in the upper three bytes, 8 bits about 128.
            Frames::I32(a) => scratch.extend(a.slice(s![from..to, ..]).iter().map(|&x| x as f32 / 2_147_483_648.0)),
            Frames::U8(a) => scratch.extend(a.slice(s![from..to, ..]).iter().map(|&x| (f32::from(x) - 128.0) / 128.0)),
        }
        scratch
    }

    /// Hands all frames to `take` in blocks, with the share that is done before each.
    pub(crate) fn blocks(&self, mut take: impl FnMut(&[f32], f64) -> coeval::Result<()>) -> coeval::Result<()> {
        let (frames, mut scratch) = (self.frames(), Vec::new());
        for from in (0..frames).step_by(BLOCK) {
            let block = self.read(from, (from + BLOCK).min(frames), &mut scratch);
            take(block, from as f64 / frames as f64)?;
        }
        Ok(())
    }
}
