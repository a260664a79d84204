//! The compiled half of the Python package `coeval`: its private module `coeval._native`.
//!
//! It carries arrays, options and results across and computes nothing. Names, defaults and documentation that
//! people see stand in the Python half, `python/coeval`, and so do the stubs of this module, `_native.pyi`.

mod files;
mod options;
mod run;
mod samples;
mod signals;

use pyo3::prelude::*;

/// Sound on one clock: the compiled half.
#[pymodule(gil_used = false)]
mod _native {
    #[pymodule_export]
    use super::files::{
        align_files, align_shoot, align_tracks, check_alignment, check_voices, command, conform, event, hear, otio,
        probe, read, render, schema, tighten, write_wav,
    };
    #[pymodule_export]
    use super::signals::{
        ClockMap, Marker, SpeechCurve, Track, TrackBuilder, align, find_markers, lag_curve, levels, limit, ltc,
        marker_from_bytes, match_markers, resample, shared_speech, speech, speech_origin, track,
    };

    use pyo3::prelude::*;

    #[pymodule_init]
    fn init(module: &Bound<'_, PyModule>) -> PyResult<()> {
        module.add("__version__", env!("CARGO_PKG_VERSION"))?;
        let kinds: Vec<String> = coeval::ErrorKind::ALL.iter().map(|k| super::run::name(*k)).collect();
        module.add("ERROR_KINDS", kinds)?;
        module.add("OPTIONS", super::options::names())?;
        module.add("SPEECH_RATE_HZ", coeval_listen::speech::RATE_HZ)?;
        module.add("SPEECH_STEP_S", coeval_listen::speech::STEP_S)
    }

    /// Raises the exception of a kind, for the test that every kind has one.
    #[pyfunction]
    fn raise_kind(py: Python<'_>, kind: &str) -> PyResult<()> {
        match coeval::ErrorKind::ALL.iter().find(|k| super::run::name(**k) == kind) {
            Some(kind) => {
                let error = coeval::Error::new(*kind, "a message").with_path("some/file.wav").with_remedy("a remedy");
                Err(super::run::raise(py, &error))
            }
            None => Err(pyo3::exceptions::PyKeyError::new_err(kind.to_owned())),
        }
    }
}
