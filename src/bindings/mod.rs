//! Python classes over the crate: one file per class or family, no science.

use pyo3::prelude::*;

mod errors;
mod practice;
mod weather;

/// The private extension module `matledger._core`.
#[pymodule]
mod _core {
    #[pymodule_export]
    const VERSION: &str = env!("CARGO_PKG_VERSION");
}
