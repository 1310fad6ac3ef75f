//! How soil tests scatter around the model: laboratory and core error, outliers, depths of one set of cores.

use super::records::SoilTest;
use crate::error::{Problems, Result};
use nalgebra::{Cholesky, DMatrix, DVector};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::PI;

/// What is assumed of the tests' scatter beside its size.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Scatter {
    /// Degrees of freedom of Student's t; normal if none.
    pub degrees_of_freedom: Option<f64>,
    /// Whether core errors of depths cut from one set of cores are correlated, to an unknown degree.
    pub depth_correlation: bool,
}

impl Scatter {
    /// Checks the degrees of freedom.
    ///
    /// # Errors
    /// [`crate::Error::Input`] unless they lie above 2, where the variance exists.
    pub fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        if let Some(freedom) = self.degrees_of_freedom {
            p.require(
                freedom.is_finite() && freedom > 2.0,
                "degrees_of_freedom",
                freedom,
                "more than 2, where the variance exists",
            );
        }
        p.into_result(())
    }
}

/// Parameters of the scatter that have coordinates: core error, laboratory error, correlation of depths.
pub(super) const PARAMETERS: usize = 3;

/// Tests that share an error term: those of one set of cores, or one test alone.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CoreSet {
    /// Which of the green's tests.
    pub tests: Vec<usize>,
}

/// Core error, laboratory error and correlation of depths, each with its slope along its coordinate.
pub(super) type Spread = [(f64, f64); PARAMETERS];

/// A set's part of the log density, with slopes.
pub(super) struct Weighed {
    pub log_density: f64,
    /// Slopes along the predictions.
    pub by_prediction: DVector<f64>,
    /// Slopes along the scatter's coordinates.
    pub by_spread: [f64; PARAMETERS],
}

/// A set's part of the log density, with slopes and expected information.
pub(super) struct Part {
    pub log_density: f64,
    /// Slopes along the predictions.
    pub by_prediction: DVector<f64>,
    /// Expected information of the predictions.
    pub information: DMatrix<f64>,
    /// Slopes along the scatter's coordinates.
    pub by_spread: [f64; PARAMETERS],
    /// Expected information of the scatter's coordinates.
    pub spread_information: [[f64; PARAMETERS]; PARAMETERS],
}

impl CoreSet {
    /// The sets of a green: tests of one date, method and number of cores share cores if `joined`, else none do.
    pub fn of(tests: &[SoilTest], joined: bool) -> Vec<Self> {
        let mut sets: Vec<Self> = Vec::new();
        for (i, test) in tests.iter().enumerate() {
            let same = |set: &&mut Self| {
                let first = &tests[set.tests[0]];
                joined && (first.date, first.method, first.cores) == (test.date, test.method, test.cores)
            };
            match sets.iter_mut().find(same) {
                Some(set) => set.tests.push(i),
                None => sets.push(Self { tests: vec![i] }),
            }
        }
        sets
    }

    /// Covariance of the set's errors and its slopes along the scatter's coordinates: laboratory error is each test's
    /// own, core error is shared between depths by the correlation.
    fn covariance(&self, tests: &[SoilTest], spread: &Spread) -> (DMatrix<f64>, [DMatrix<f64>; PARAMETERS]) {
        let [(core, by_core), (laboratory, by_laboratory), (correlation, by_correlation)] = *spread;
        let m = self.tests.len();
        let test = |i: usize| &tests[self.tests[i]];
        let per_core = |i: usize| 1.0 / f64::from(test(i).cores);
        let shared = |i: usize, j: usize| if i == j { 1.0 } else { correlation };
        let own = |i: usize| test(i).laboratory_sd.unwrap_or(laboratory).powi(2);
        let unstated = |i: usize| test(i).laboratory_sd.is_none();
        let cell = |value: &dyn Fn(usize, usize) -> f64| DMatrix::from_fn(m, m, value);
        (
            cell(&|i, j| core * core * per_core(i) * shared(i, j) + if i == j { own(i) } else { 0.0 }),
            [
                cell(&|i, j| 2.0 * core * by_core * per_core(i) * shared(i, j)),
                cell(&|i, j| if i == j && unstated(i) { 2.0 * laboratory * by_laboratory } else { 0.0 }),
                cell(&|i, j| if i == j { 0.0 } else { core * core * per_core(i) * by_correlation }),
            ],
        )
    }

    /// The set's part of the density with its slopes, as [`CoreSet::part`]; a test alone needs no matrix.
    pub fn slopes(
        &self,
        tests: &[SoilTest],
        residuals: &DVector<f64>,
        spread: &Spread,
        freedom: Option<f64>,
    ) -> Option<Weighed> {
        let [alone] = self.tests[..] else {
            return self.part(tests, residuals, spread, freedom).map(|part| Weighed {
                log_density: part.log_density,
                by_prediction: part.by_prediction,
                by_spread: part.by_spread,
            });
        };
        let test = &tests[alone];
        let [(core, by_core), (laboratory, by_laboratory), _] = *spread;
        let per_core = 1.0 / f64::from(test.cores);
        let scale = freedom.map_or(1.0, |v| (v - 2.0) / v);
        let own = test.laboratory_sd.unwrap_or(laboratory);
        let variance = scale * (core * core * per_core + own * own);
        let unstated = if test.laboratory_sd.is_none() { by_laboratory } else { 0.0 };
        let along = [2.0 * core * by_core * per_core, 2.0 * laboratory * unstated, 0.0].map(|slope| scale * slope);
        let square = residuals[0] * residuals[0] / variance;
        let (log_kernel, weight) = match freedom {
            None => (-0.5 * (square + (2.0 * PI).ln()), 1.0),
            Some(v) => (
                ln_gamma(0.5 * (v + 1.0))
                    - ln_gamma(0.5 * v)
                    - 0.5 * (v * PI).ln()
                    - 0.5 * (v + 1.0) * (square / v).ln_1p(),
                (v + 1.0) / (v + square),
            ),
        };
        let log_density = log_kernel - 0.5 * variance.ln();
        log_density.is_finite().then(|| Weighed {
            log_density,
            by_prediction: DVector::from_element(1, weight * residuals[0] / variance),
            by_spread: along.map(|slope| 0.5 * (weight * square - 1.0) * slope / variance),
        })
    }

    /// The set's part of the density at residuals (test less prediction): multivariate normal, or Student's t whose
    /// covariance matrix is the normal's. `None` if the covariance is not positive definite or not finite.
    pub fn part(
        &self,
        tests: &[SoilTest],
        residuals: &DVector<f64>,
        spread: &Spread,
        freedom: Option<f64>,
    ) -> Option<Part> {
        let (covariance, slopes) = self.covariance(tests, spread);
        let m = residuals.len() as f64;
        // Scaled so that the core and laboratory errors keep their meaning as standard deviations.
        let scale = freedom.map_or(1.0, |v| (v - 2.0) / v);
        let factor = Cholesky::new(covariance * scale)?;
        let inverse = factor.inverse();
        let alpha = &inverse * residuals;
        let square = residuals.dot(&alpha);
        let log_determinant = 2.0 * factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        // Student's t: Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84:881-896 (memory); normal as v grows.
        let (log_kernel, weight, shrink, cross) = match freedom {
            None => (-0.5 * (square + m * (2.0 * PI).ln()), 1.0, 1.0, 0.0),
            Some(v) => (
                ln_gamma(0.5 * (v + m))
                    - ln_gamma(0.5 * v)
                    - 0.5 * m * (v * PI).ln()
                    - 0.5 * (v + m) * (square / v).ln_1p(),
                (v + m) / (v + square),
                (v + m) / (v + m + 2.0),
                1.0 / (v + m + 2.0),
            ),
        };
        let relative = slopes.map(|slope| &inverse * slope * scale);
        let trace: [f64; PARAMETERS] = std::array::from_fn(|k| relative[k].trace());
        let by_spread = std::array::from_fn(|k| 0.5 * (weight * residuals.dot(&(&relative[k] * &alpha)) - trace[k]));
        let spread_information = std::array::from_fn(|k| {
            std::array::from_fn(|l| {
                0.5 * (shrink * (&relative[k] * &relative[l]).trace() - cross * trace[k] * trace[l])
            })
        });
        let log_density = log_kernel - 0.5 * log_determinant;
        log_density.is_finite().then_some(Part {
            log_density,
            by_prediction: alpha * weight,
            information: inverse * shrink,
            by_spread,
            spread_information,
        })
    }
}
