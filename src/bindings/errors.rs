//! The one map from this crate's errors to Python classes.

use crate::error::Error;
use pyo3::exceptions::{PyKeyboardInterrupt, PyRuntimeError};
use pyo3::prelude::*;

/// The Python exception that tells what `error` tells: `matledger.errors.InputError` carries the problems as
/// `(place, value, expected)` tuples, other errors their text.
pub fn to_python(py: Python<'_>, error: Error) -> PyErr {
    match error {
        Error::Input(problems) => {
            let rows: Vec<_> = problems.into_iter().map(|p| (p.place, p.value, p.expected)).collect();
            let raised = py
                .import("matledger.errors")
                .and_then(|module| module.getattr("InputError"))
                .and_then(|class| class.call_method1("from_core", (rows,)));
            match raised {
                Ok(exception) => PyErr::from_value(exception),
                Err(failed) => failed,
            }
        }
        Error::Interrupted => PyKeyboardInterrupt::new_err(error.to_string()),
        Error::LedgerOpen { .. } | Error::Numerical(_) => PyRuntimeError::new_err(error.to_string()),
    }
}
