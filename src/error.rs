//! One error type for the crate: what was wrong, where, and what was expected.

use std::fmt;

/// The result of anything in this crate that can fail.
pub type Result<T> = std::result::Result<T, Error>;

/// One thing wrong with an input: where it stands, what was found, what was expected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Where the value stands, such as `coring.depth_mm` or `2014-03-02`.
    pub place: String,
    /// The value found, as text.
    pub value: String,
    /// What would have been accepted.
    pub expected: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; expected {}", self.place, self.value, self.expected)
    }
}

/// Why a call failed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Error {
    /// The input is wrong; every problem found is listed.
    #[error("{}", list(.0))]
    Input(Vec<Problem>),
    /// Mass was lost or made: a bug in this library, never in the input.
    #[error("the {substance} ledger does not close: relative error {relative:e} (a bug, please report it)")]
    LedgerOpen {
        /// `organic matter` or `mineral`.
        substance: &'static str,
        /// Difference of the two sides over the larger.
        relative: f64,
    },
    /// A calculation left the real numbers, or did not settle.
    #[error("{0}")]
    Numerical(String),
    /// The caller asked to stop.
    #[error("interrupted")]
    Interrupted,
}

impl Error {
    /// Whether it is the place of the unknowns that cannot be run, and others may: a calculation left the real numbers, or
    /// grew more in one stretch than the column holds, so that rounding opens its ledger.
    pub(crate) fn is_of_the_place(&self) -> bool {
        matches!(self, Error::Numerical(_) | Error::LedgerOpen { .. })
    }
}

fn list(problems: &[Problem]) -> String {
    problems.iter().map(Problem::to_string).collect::<Vec<_>>().join("\n")
}

/// Collects problems so that all of them are reported at once.
///
/// ```
/// use matledger::Problems;
/// let mut problems = Problems::default();
/// problems.require(-3.0 > 0.0, "coring.depth_mm", -3.0, "a depth above 0");
/// assert!(problems.into_result(()).is_err());
/// ```
#[derive(Debug, Default)]
pub struct Problems(Vec<Problem>);

impl Problems {
    /// Records a problem unless `ok`.
    pub fn require(
        &mut self,
        ok: bool,
        place: impl Into<String>,
        value: impl fmt::Display,
        expected: impl Into<String>,
    ) {
        if !ok {
            self.0.push(Problem { place: place.into(), value: value.to_string(), expected: expected.into() });
        }
    }

    /// Takes over the problems of a nested check under `prefix`; other errors pass through.
    ///
    /// # Errors
    /// Any error that is not [`Error::Input`].
    pub fn nest<T>(&mut self, prefix: &str, result: Result<T>) -> Result<Option<T>> {
        match result {
            Ok(value) => Ok(Some(value)),
            Err(Error::Input(problems)) => {
                self.0.extend(problems.into_iter().map(|p| Problem { place: format!("{prefix}.{}", p.place), ..p }));
                Ok(None)
            }
            Err(other) => Err(other),
        }
    }

    /// `value` if nothing was wrong.
    ///
    /// # Errors
    /// [`Error::Input`] with every problem recorded.
    pub fn into_result<T>(self, value: T) -> Result<T> {
        if self.0.is_empty() { Ok(value) } else { Err(Error::Input(self.0)) }
    }
}
