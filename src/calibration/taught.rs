//! What the tests taught: how far each unknown moved and shrank from its prior.

use super::density::Model;
use super::mode::Fit;
use super::unknowns::Unknown;
use crate::error::Result;

/// What became of one unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lesson {
    /// Its spread shrank below half of the prior's.
    Learnt,
    /// Its spread shrank below nine tenths of the prior's, or it moved by more than half of the prior's spread.
    Moved,
    /// The tests say next to nothing about it.
    Prior,
}

impl Lesson {
    /// What became of an unknown by how far it moved and how much of its spread is left, in prior standard deviations.
    #[must_use]
    pub fn of(shift: f64, shrinkage: f64) -> Self {
        match (shrinkage, shift.abs()) {
            (s, _) if s < 0.5 => Self::Learnt,
            (s, m) if s < 0.9 || m > 0.5 => Self::Moved,
            _ => Self::Prior,
        }
    }
}

/// One unknown before and after the tests, on the scale where its prior is standard normal.
#[derive(Debug, Clone, PartialEq)]
pub struct Taught {
    /// Name of the coordinate.
    pub name: String,
    /// Mode, in prior standard deviations from the prior's median.
    pub shift: f64,
    /// Posterior over prior standard deviation.
    pub shrinkage: f64,
    /// What became of it.
    pub lesson: Lesson,
}

impl Fit {
    /// What the tests taught about each coordinate.
    ///
    /// # Errors
    /// [`crate::Error::Numerical`] if the information cannot be inverted.
    pub fn taught(&self, model: &Model) -> Result<Vec<Taught>> {
        let covariance = self.covariance()?;
        Ok(model
            .names()
            .iter()
            .enumerate()
            .map(|(i, name)| {
                let (shift, shrinkage) = (self.mode[i], covariance[(i, i)].sqrt());
                Taught { name: name.clone(), shift, shrinkage, lesson: Lesson::of(shift, shrinkage) }
            })
            .collect())
    }

    /// Number of independent directions of the shared unknowns in which the tests leave less than half of the prior's
    /// variance: eigenvalues of their covariance below 0.5, where the prior's own are 1.
    ///
    /// # Errors
    /// [`crate::Error::Numerical`] if the information cannot be inverted.
    pub fn directions_learnt(&self) -> Result<usize> {
        let shared = Unknown::ALL.len();
        let covariance = self.covariance()?.view((0, 0), (shared, shared)).clone_owned();
        Ok(covariance.symmetric_eigenvalues().iter().filter(|&&value| value < 0.5).count())
    }
}
