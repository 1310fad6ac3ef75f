//! Long Rust work under Python's eye: signals are looked at and progress is told while it runs.

use super::errors::to_python;
use crate::decision::Progress;
use crate::error::Result;
use pyo3::prelude::*;
use rayon::{ThreadPool, ThreadPoolBuilder};
use std::cell::Cell;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

/// How often Ctrl-C is looked for and progress told.
const LOOK_EVERY: Duration = Duration::from_millis(50);

thread_local! {
    static ALONE: Cell<bool> = const { Cell::new(false) };
}

/// Sets whether work asked for by this thread keeps to one thread, as a worker's should where others work beside it; what
/// held before.
#[pyfunction]
pub fn keep_to_one_thread(alone: bool) -> bool {
    ALONE.replace(alone)
}

/// Runs `work`, which may have parallel loops, with the GIL released.
pub fn pooled<T: Send>(py: Python<'_>, work: impl FnOnce() -> T + Send) -> T {
    let alone = ALONE.get();
    py.detach(|| in_pool(alone, work))
}

/// Runs `work` with its parallel loops on the threads of this process, or on one if it is to be alone. After a fork the
/// child has none of its parent's threads, and rayon's own pool would wait for them for ever; each process therefore has
/// a pool of its own.
fn in_pool<T: Send>(alone: bool, work: impl FnOnce() -> T + Send) -> T {
    static POOL: RwLock<Option<(u32, Arc<ThreadPool>)>> = RwLock::new(None);
    if alone && let Ok(pool) = ThreadPoolBuilder::new().num_threads(1).build() {
        return pool.install(work);
    }
    let own = |pool: &Option<(u32, Arc<ThreadPool>)>| {
        pool.as_ref().filter(|(process, _)| *process == std::process::id()).map(|(_, pool)| Arc::clone(pool))
    };
    if let Some(pool) = own(&POOL.read().unwrap_or_else(PoisonError::into_inner)) {
        return pool.install(work);
    }
    let mut slot = POOL.write().unwrap_or_else(PoisonError::into_inner);
    let pool = own(&slot).or_else(|| {
        let made = Arc::new(ThreadPoolBuilder::new().build().ok()?);
        // The parent's pool is not dropped: that, too, would wait for its threads.
        std::mem::forget(slot.replace((std::process::id(), Arc::clone(&made))));
        Some(made)
    });
    drop(slot);
    match pool {
        Some(pool) => pool.install(work),
        None => work(), // no thread to be had: rayon's own pool says why
    }
}

/// Runs `work` on a thread of its own with the GIL released. Ctrl-C, or an exception from `tell(done)`, sets the stop
/// flag; `work` then returns early and the exception is raised.
pub fn watched<T: Send>(
    py: Python<'_>,
    tell: Option<Py<PyAny>>,
    progress: &Progress,
    work: impl FnOnce() -> Result<T> + Send,
) -> PyResult<T> {
    let look = |py: Python<'_>| {
        let done = progress.done.load(Ordering::Relaxed);
        tell.as_ref().map_or(Ok(()), |call| call.call1(py, (done,)).map(drop))
    };
    let (result, looked) = watch(py, &progress.stop, look, work);
    looked?;
    let value = result.map_err(|error| to_python(py, error))?;
    py.check_signals()?;
    look(py)?;
    Ok(value)
}

/// What `work` made, and what came up while it ran: an exception of `look`, which is called every so often, or Ctrl-C.
/// Either sets `stop`, and `work` goes on until it heeds that.
pub fn watch<T: Send>(
    py: Python<'_>,
    stop: &AtomicBool,
    look: impl Fn(Python<'_>) -> PyResult<()> + Send + Sync,
    work: impl FnOnce() -> T + Send,
) -> (T, PyResult<()>) {
    let alone = ALONE.get();
    py.detach(|| {
        std::thread::scope(|scope| {
            let (finished, waiting) = channel::<()>();
            let worker = scope.spawn(move || {
                let _finished_on_drop = finished;
                in_pool(alone, work)
            });
            let mut looked = Ok(());
            while waiting.recv_timeout(LOOK_EVERY) == Err(RecvTimeoutError::Timeout) {
                if looked.is_ok() {
                    looked = Python::attach(|py| py.check_signals().and_then(|()| look(py)));
                }
                if looked.is_err() {
                    stop.store(true, Ordering::Relaxed);
                }
            }
            (worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)), looked)
        })
    })
}
