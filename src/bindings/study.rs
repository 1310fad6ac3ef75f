//! Mixed models and simulated trials for Python.

use super::calibration::rows;
use super::errors::to_python;
use crate::study::{self, Criterion, Design, HolePattern, MixedModel, RandomTerm, Treated, Trials, Variances};
use nalgebra::{DMatrix, DVector};
use numpy::{PyArray1, PyArray2, PyArrayMethods, PyReadonlyArray1, PyReadonlyArray2};
use pyo3::prelude::*;

/// Value, standard error, degrees of freedom, probability, interval.
type Row = (f64, f64, f64, f64, f64, f64);

/// What a fit found: fixed effects, variance of each random intercept, residual variance, minus twice the log likelihood,
/// and the estimates asked for.
type Fitted<'py> = (Bound<'py, PyArray1<f64>>, Vec<f64>, f64, f64, Vec<Row>);

fn matrix(given: &PyReadonlyArray2<'_, f64>) -> DMatrix<f64> {
    let found = given.as_array();
    DMatrix::from_fn(found.nrows(), found.ncols(), |i, j| found[(i, j)])
}

/// Fits fixed columns and random intercepts, and estimates sums of fixed effects with intervals of `level`.
#[pyfunction]
pub fn mixed_model<'py>(
    py: Python<'py>,
    response: PyReadonlyArray1<'py, f64>,
    fixed: PyReadonlyArray2<'py, f64>,
    terms: Vec<(String, Vec<usize>)>,
    restricted: bool,
    weights: PyReadonlyArray2<'py, f64>,
    level: f64,
) -> PyResult<Fitted<'py>> {
    let y = DVector::from_column_slice(response.as_slice()?);
    let (x, weights) = (matrix(&fixed), rows(&weights));
    let terms = terms.into_iter().map(|(name, levels)| RandomTerm::intercept(name, levels)).collect();
    let criterion = if restricted { Criterion::Restricted } else { Criterion::Full };
    let (fit, estimates) = py
        .detach(|| {
            let fit = MixedModel::new(x, terms)?.fit(&y, criterion)?;
            let estimates = weights
                .into_iter()
                .map(|weights| {
                    let found = fit.estimate(&DVector::from_vec(weights))?;
                    let (low, high) = found.interval(level);
                    Ok((found.value, found.se, found.df, found.p, low, high))
                })
                .collect::<crate::Result<Vec<Row>>>()?;
            Ok((fit, estimates))
        })
        .map_err(|error| to_python(py, error))?;
    let variances = fit.covariances.iter().map(|covariance| covariance[(0, 0)]).collect();
    let fixed = PyArray1::from_slice(py, fit.fixed.as_slice());
    Ok((fixed, variances, fit.residual_variance, fit.minus_two_log_likelihood, estimates))
}

/// Variance of the share of a probe's area that is hole.
#[pyfunction]
pub fn hole_share_variance(
    py: Python<'_>,
    diameter_mm: f64,
    spacing_mm: (f64, f64),
    probe_diameter_mm: f64,
) -> PyResult<f64> {
    HolePattern::new(diameter_mm, spacing_mm)
        .and_then(|holes| holes.share_variance(probe_diameter_mm))
        .map_err(|error| to_python(py, error))
}

/// A design as Python gives it; `blocks` only for plots.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
pub struct GivenDesign {
    sites: usize,
    greens: usize,
    treated: String,
    blocks: usize,
    seasons: usize,
    tests: usize,
    tests_before: usize,
    cores: usize,
}

impl GivenDesign {
    fn design(&self, py: Python<'_>) -> PyResult<Design> {
        let known =
            [("plots", Treated::Plots { blocks: self.blocks }), ("greens", Treated::Greens), ("sites", Treated::Sites)];
        Ok(Design {
            sites: self.sites,
            greens: self.greens,
            treated: super::weather::choose(py, "treated", &self.treated, &known)?,
            seasons: self.seasons,
            tests: self.tests,
            tests_before: self.tests_before,
            cores: self.cores,
        })
    }
}

/// Standard deviations as Python gives them.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
pub struct GivenVariances {
    site_sd: f64,
    green_sd: f64,
    plot_sd: f64,
    site_difference_sd: f64,
    green_difference_sd: f64,
    season_sd: f64,
    core_sd: f64,
    laboratory_sd: f64,
}

impl From<GivenVariances> for Variances {
    fn from(given: GivenVariances) -> Self {
        let GivenVariances {
            site_sd,
            green_sd,
            plot_sd,
            site_difference_sd,
            green_difference_sd,
            season_sd,
            core_sd,
            laboratory_sd,
        } = given;
        Self { site_sd, green_sd, plot_sd, site_difference_sd, green_difference_sd, season_sd, core_sd, laboratory_sd }
    }
}

/// Tests that a design takes.
#[pyfunction]
pub fn test_count(py: Python<'_>, design: GivenDesign) -> PyResult<usize> {
    Ok(design.design(py)?.test_count())
}

/// Difference, standard error, degrees of freedom and probability of each simulated trial.
#[pyfunction]
pub fn trials(
    py: Python<'_>,
    design: GivenDesign,
    variances: GivenVariances,
    difference: f64,
    trials: usize,
    seed: u64,
) -> PyResult<Bound<'_, PyArray2<f64>>> {
    let (design, variances) = (design.design(py)?, variances.into());
    let found = py
        .detach(|| Trials::run(&design, &variances, difference, trials, seed))
        .map_err(|error| to_python(py, error))?;
    let columns = [found.difference, found.se, found.df, found.p];
    let flat = (0..trials).flat_map(|trial| columns.each_ref().map(|column| column[trial])).collect();
    PyArray1::from_vec(py, flat).reshape([trials, 4])
}

/// Mean of the population of sites and its interval, the interval of a new site, the scatter between sites, and the
/// probability that the mean is below zero.
#[pyfunction]
pub fn pool(
    py: Python<'_>,
    means: PyReadonlyArray1<'_, f64>,
    variances: PyReadonlyArray1<'_, f64>,
    level: f64,
) -> PyResult<(f64, (f64, f64), (f64, f64), f64, f64)> {
    let found = study::pool(means.as_slice()?, variances.as_slice()?).map_err(|error| to_python(py, error))?;
    let (interval, new_site) = (found.interval(level), found.new_site_interval(level));
    Ok((found.mean(), interval, new_site, found.between_sd(), found.probability_below_zero()))
}
