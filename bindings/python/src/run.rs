//! Long work beside the interpreter: its lock released, its signals heard, its callbacks called.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::Duration;

use coeval::progress::Progress;
use coeval::{Error, ErrorKind};
use pyo3::prelude::*;
use pyo3::types::PyBool;

/// How often the interpreter is asked for signals and told of progress.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// Raises the exception class of the error's kind, with its parts.
pub(crate) fn raise(py: Python<'_>, error: &Error) -> PyErr {
    let path = error.path().map(|p| p.as_os_str().to_owned());
    let made = py
        .import("coeval._errors")
        .and_then(|m| m.call_method1("make", (name(error.kind()), path, error.message(), error.remedy())));
    match made {
        Ok(exception) => PyErr::from_value(exception),
        Err(broken) => broken,
    }
}

/// The name of a kind; unknown ones, of a newer core, have theirs too.
pub(crate) fn name(kind: ErrorKind) -> String {
    format!("{kind:?}")
}

/// What the work says and the wish to stop it.
struct Watch {
    stop: AtomicBool,
    said: Mutex<Option<(String, f64)>>,
}

impl Progress for Watch {
    fn report(&self, stage: &str, done: f64) -> bool {
        let mut said = self.said.lock().unwrap_or_else(|e| e.into_inner());
        match &mut *said {
            Some((last, share)) if last == stage => *share = done,
            other => *other = Some((stage.to_owned(), done)),
        }
        !self.stop.load(Ordering::Relaxed)
    }
}

/// Runs `work` on threads of its own while this one, without the interpreter's lock, listens for signals
/// and calls `progress(stage, done)`. A signal handler that raises (Ctrl-C), a callback that raises and a
/// callback that returns `False` stop the work.
///
/// Threads are made for each call and gone after it: a process that forks later has no dead threads in it.
/// `threads` is their number, 0 for as many as there are cores (or `RAYON_NUM_THREADS`).
pub(crate) fn run<T: Send>(
    py: Python<'_>,
    progress: Option<&Py<PyAny>>,
    threads: usize,
    work: impl FnOnce(&dyn Progress) -> coeval::Result<T> + Send,
) -> PyResult<T> {
    let watch = Watch { stop: AtomicBool::new(false), said: Mutex::new(None) };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().map_err(|e| {
        let what = format!("cannot start threads: {e}");
        raise(py, &Error::new(ErrorKind::Internal, what))
    })?;
    let look = || -> PyResult<()> {
        let said = watch.said.lock().unwrap_or_else(|e| e.into_inner()).take();
        Python::attach(|py| {
            py.check_signals()?;
            if let (Some(listener), Some((stage, done))) = (progress, said) {
                let answer = listener.call1(py, (stage, done))?;
                if answer.bind(py).cast::<PyBool>().is_ok_and(|b| !b.is_true()) {
                    watch.stop.store(true, Ordering::Relaxed);
                }
            }
            Ok(())
        })
    };
    let (result, raised) = py.detach(|| {
        std::thread::scope(|scope| {
            let (send, receive) = sync_channel(1);
            let (pool, watch) = (&pool, &watch);
            scope.spawn(move || {
                let result = catch_unwind(AssertUnwindSafe(|| pool.install(|| work(watch))));
                // The receiver waits until this arrives.
                let _ = send.send(result);
            });
            let mut raised = None;
            loop {
                match receive.recv_timeout(LOOK_EVERY) {
                    Ok(result) => return (Some(result), raised),
                    Err(RecvTimeoutError::Disconnected) => return (None, raised),
                    Err(RecvTimeoutError::Timeout) if raised.is_none() => {
                        if let Err(error) = look() {
                            watch.stop.store(true, Ordering::Relaxed);
                            raised = Some(error);
                        }
                    }
                    Err(RecvTimeoutError::Timeout) => {}
                }
            }
        })
    });
    if let Some(error) = raised {
        return Err(error);
    }
    match result {
        Some(Ok(Ok(value))) => {
            if !watch.stop.load(Ordering::Relaxed) {
                // The last word, which a short call would otherwise leave unsaid.
                look()?;
            }
            Ok(value)
        }
        Some(Ok(Err(error))) => Err(raise(py, &error)),
        // The panic's message has gone to standard error.
        Some(Err(_)) | None => {
            let error = Error::new(ErrorKind::Internal, "a fault in coeval itself stopped the work");
            Err(raise(py, &error.with_remedy("please report it, with the message on standard error")))
        }
    }
}
