//! (being built)
use super::work::Work;
/// Work on a date.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dated {
    /// The date.
    pub date: chrono::NaiveDate,
    /// The work.
    pub work: Work,
}
