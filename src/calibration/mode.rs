//! The most probable unknowns, and a normal approximation around them.

use super::density::Model;
use super::information::Evaluation;
use crate::error::{Error, Result};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::sync::atomic::{AtomicBool, Ordering};

/// Coordinates at the maximum of the density, with Laplace's normal approximation.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The mode.
    pub mode: Vec<f64>,
    /// Log density there.
    pub log_density: f64,
    /// Largest gradient component there.
    pub gradient: f64,
    /// Steps taken.
    pub steps: usize,
    /// Whether the search ended at a maximum: the next step would gain less than 1e-4 of log density.
    pub converged: bool,
    /// Expected information at the mode, the inverse of the approximate covariance. (The observed information gave the
    /// same coverage over fifty invented sites for four times the work.)
    pub information: DMatrix<f64>,
}

/// Draws of the coordinates, one row each.
pub type Draws = Vec<Vec<f64>>;

const MOST_STEPS: usize = 1000;
/// Gain in log density that is not worth a step: about 0.014 posterior standard deviations.
pub(super) const SETTLED: f64 = 1e-4;
/// Draws in a row that the engine may refuse.
const ATTEMPTS: usize = 1000;
const LEAST_DAMPING: f64 = 1e-3;
/// Relative error to which a log density can be trusted: smaller rises and falls tell nothing.
const ROUNDING: f64 = 1e-13;

impl Evaluation {
    /// Least squares as a density: minus half of the sum of squares, with the Gauss-Newton information.
    ///
    /// `slopes` has a row for each residual and a column for each coordinate.
    pub fn least_squares(residuals: &DVector<f64>, slopes: &DMatrix<f64>) -> Self {
        Self {
            log_density: -0.5 * residuals.norm_squared(),
            gradient: -slopes.tr_mul(residuals),
            information: slopes.tr_mul(slopes),
        }
    }

    /// The whole step to where the gradient should vanish, and the gain in log density that it promises: half of the
    /// squared gradient in the metric of the information. None where the information is singular.
    fn whole_step(&self) -> Option<(DVector<f64>, f64)> {
        let step = Cholesky::new(self.information.clone())?.solve(&self.gradient);
        let promised = 0.5 * self.gradient.dot(&step);
        Some((step, promised))
    }

    fn promised(&self) -> f64 {
        self.whole_step().map_or(f64::INFINITY, |(_, promised)| promised)
    }
}

/// Climbs from `start` by damped Fisher scoring (Levenberg-Marquardt damping; Gauss-Newton for
/// [`Evaluation::least_squares`]) until no step promises to gain more than `settled` of log density, or none along the
/// gradient or towards the next zero of it keeps its promise: densities of the engine have small kinks.
///
/// Where rises drown in rounding, a step counts as one up if it lowers what the next would still promise. `stop` is
/// looked at before every step.
///
/// ```
/// use matledger::calibration::{Evaluation, climb};
/// use nalgebra::{DMatrix, DVector};
/// // The mean of 1, 2 and 6.
/// let evaluate = |z: &[f64]| {
///     let residuals = DVector::from_iterator(3, [1.0, 2.0, 6.0].map(|y| z[0] - y).into_iter());
///     Ok(Evaluation::least_squares(&residuals, &DMatrix::repeat(3, 1, 1.0)))
/// };
/// let fit = climb(&[0.0], evaluate, 1e-20, &Default::default())?;
/// assert!((fit.mode[0] - 3.0).abs() < 1e-9);
/// # Ok::<(), matledger::Error>(())
/// ```
///
/// # Errors
/// [`Error::Interrupted`], and those of `evaluate`; where a step runs into [`Error::Numerical`] or
/// [`Error::LedgerOpen`] it is shortened instead.
pub fn climb(
    start: &[f64],
    evaluate: impl Fn(&[f64]) -> Result<Evaluation>,
    settled: f64,
    stop: &AtomicBool,
) -> Result<Fit> {
    let attempt = |z: &DVector<f64>| match evaluate(z.as_slice()) {
        Ok(found) => Ok(Some(found)),
        // No place to go to. Where the search ends, the ledger is held.
        Err(error) if error.is_of_the_place() => Ok(None),
        Err(other) => Err(other),
    };
    let mut z = DVector::from_column_slice(start);
    let mut here = evaluate(start)?;
    let mut damping = LEAST_DAMPING;
    for steps in 0..MOST_STEPS {
        if stop.load(Ordering::Relaxed) {
            return Err(Error::Interrupted);
        }
        let step = damped_step(&here, damping)?;
        let expected = 0.5 * here.gradient.dot(&step);
        if expected < settled {
            // Heavy damping promises little of anything: look along the undamped direction before giving up.
            let Some(found) = beyond_kink(&z, &here, settled, attempt)? else {
                return Ok(Fit::at(&z, here, steps, true));
            };
            (z, here) = found;
            damping = LEAST_DAMPING;
            continue;
        }
        let there = &z + &step;
        let up = attempt(&there)?.and_then(|next| {
            let gained = next.log_density - here.log_density;
            let drowned = gained.abs() <= ROUNDING * here.log_density.abs() && next.promised() < here.promised();
            (gained > 0.0 || drowned).then_some((next, gained > 0.5 * expected || drowned))
        });
        match up {
            Some((next, as_promised)) => {
                damping = if as_promised { damping * 0.2 } else { damping };
                (z, here) = (there, next);
            }
            None => damping = (damping * 5.0).max(1e-4),
        }
    }
    Ok(Fit::at(&z, here, MOST_STEPS, false))
}

/// A point on the way of the whole step, halved until it promises nothing, that gains more than `settled`.
fn beyond_kink(
    z: &DVector<f64>,
    here: &Evaluation,
    settled: f64,
    attempt: impl Fn(&DVector<f64>) -> Result<Option<Evaluation>>,
) -> Result<Option<(DVector<f64>, Evaluation)>> {
    let Some((mut step, mut promised)) = here.whole_step() else { return Ok(None) };
    while promised > settled {
        let there = z + &step;
        match attempt(&there)? {
            Some(next) if next.log_density - here.log_density > settled => return Ok(Some((there, next))),
            _ => (step, promised) = (step * 0.5, promised * 0.5),
        }
    }
    Ok(None)
}

impl Fit {
    /// Climbs to the mode from where priors and clipping records put it, see [`climb`].
    ///
    /// # Errors
    /// [`Error::Interrupted`], and those of [`Model::evaluate`] at the start.
    pub fn find(model: &Model, stop: &AtomicBool) -> Result<Self> {
        climb(&model.before_tests()?.mode, |z| model.evaluate(z), SETTLED, stop)
    }

    fn at(z: &DVector<f64>, here: Evaluation, steps: usize, converged: bool) -> Self {
        Self {
            mode: z.as_slice().to_vec(),
            log_density: here.log_density,
            gradient: here.gradient.amax(),
            steps,
            converged,
            information: here.information,
        }
    }

    pub(super) fn factor(&self) -> Result<Cholesky<f64, Dyn>> {
        positive_definite(self.information.clone())
    }

    /// Approximate covariance of the coordinates.
    ///
    /// # Errors
    /// [`Error::Numerical`] if the information cannot be inverted.
    pub fn covariance(&self) -> Result<DMatrix<f64>> {
        Ok(self.factor()?.inverse())
    }

    /// Draws from the normal approximation, where the engine can run them; draw `i` depends on `seed` and `i` only.
    ///
    /// # Errors
    /// [`Error::Numerical`] if the information cannot be inverted, or nearly all draws decay faster than the engine runs.
    pub fn draws(&self, model: &Model, draws: usize, seed: u64) -> Result<Draws> {
        let transposed = self.factor()?.l().transpose();
        drawn(model, draws, seed, |stream| {
            let step = away(&transposed, stream)?;
            Ok(self.mode.iter().zip(step.iter()).map(|(mode, step)| mode + step).collect())
        })
    }
}

/// Draws that each have a random stream of their own; one that the engine cannot run has no density, and is drawn anew.
pub(super) fn drawn(
    model: &Model,
    draws: usize,
    seed: u64,
    one: impl Fn(&mut ChaCha8Rng) -> Result<Vec<f64>>,
) -> Result<Draws> {
    (0..draws)
        .map(|i| {
            let mut stream = ChaCha8Rng::seed_from_u64(seed);
            stream.set_stream(i as u64);
            for _ in 0..ATTEMPTS {
                let z = one(&mut stream)?;
                if model.decay(&|i| z[i]).within_series().is_ok() {
                    return Ok(z);
                }
            }
            Err(Error::Numerical(format!("{ATTEMPTS} draws in a row have decay rates that the engine cannot run")))
        })
        .collect()
}

/// A step from the middle of a normal, given the transposed factor of its precision.
pub(super) fn away(transposed: &DMatrix<f64>, stream: &mut ChaCha8Rng) -> Result<DVector<f64>> {
    let normal = DVector::from_fn(transposed.nrows(), |_, _| StandardNormal.sample(stream));
    transposed
        .solve_upper_triangular(&normal)
        .ok_or_else(|| Error::Numerical("the information matrix is singular".to_owned()))
}

fn damped_step(here: &Evaluation, damping: f64) -> Result<DVector<f64>> {
    let mut information = here.information.clone();
    for i in 0..information.nrows() {
        information[(i, i)] *= 1.0 + damping;
    }
    Ok(positive_definite(information)?.solve(&here.gradient))
}

fn positive_definite(matrix: DMatrix<f64>) -> Result<Cholesky<f64, Dyn>> {
    Cholesky::new(matrix).ok_or_else(|| Error::Numerical("the information matrix is not positive definite".to_owned()))
}
