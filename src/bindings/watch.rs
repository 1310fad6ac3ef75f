//! Long Rust work under Python's eye: signals are looked at and progress is told while it runs.

use super::errors::to_python;
use crate::decision::Progress;
use crate::error::Result;
use pyo3::prelude::*;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

/// How often Ctrl-C is looked for and progress told.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Runs `work` on a thread of its own with the GIL released. Ctrl-C, or an exception from `tell(done)`, sets the stop
/// flag; `work` then returns early and the exception is raised.
pub fn watched<T: Send>(
    py: Python<'_>,
    tell: Option<Py<PyAny>>,
    progress: &Progress,
    work: impl FnOnce() -> Result<T> + Send,
) -> PyResult<T> {
    let look = |py: Python<'_>| {
        py.check_signals()?;
        let done = progress.done.load(Ordering::Relaxed);
        tell.as_ref().map_or(Ok(()), |call| call.call1(py, (done,)).map(drop))
    };
    let (result, looked) = py.detach(|| {
        std::thread::scope(|scope| {
            let (finished, waiting) = channel::<()>();
            let worker = scope.spawn(move || {
                let _finished_on_drop = finished;
                work()
            });
            let mut looked = Ok(());
            while waiting.recv_timeout(LOOK_EVERY) == Err(RecvTimeoutError::Timeout) {
                if looked.is_ok() {
                    looked = Python::attach(look);
                }
                if looked.is_err() {
                    progress.stop.store(true, Ordering::Relaxed);
                }
            }
            (worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)), looked)
        })
    });
    looked?;
    let value = result.map_err(|error| to_python(py, error))?;
    look(py)?;
    Ok(value)
}
