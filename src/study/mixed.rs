//! Linear mixed models by maximum likelihood, restricted or full.
//!
//! The likelihood is profiled over fixed effects and residual variance and what is left is minimised over the relative
//! Cholesky factors of the random effects: Bates, Machler, Bolker & Walker 2015, J. Stat. Softw. 67(1), section 3.
//! Matrices are dense, so cost grows with the cube of the number of random effects.

use crate::error::{Error, Problems, Result};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn, SymmetricEigen};
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::f64::consts::TAU;

/// Random effects of one grouping: each level has a vector of effects, normal around zero with one covariance matrix.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomTerm {
    /// Name of the grouping, for errors.
    pub name: String,
    /// Level of each row, counted from zero without a gap.
    pub levels: Vec<usize>,
    /// What multiplies the effects: rows by effects of a level; a column of ones is a random intercept.
    pub columns: DMatrix<f64>,
}

impl RandomTerm {
    /// One effect for each level.
    pub fn intercept(name: impl Into<String>, levels: Vec<usize>) -> Self {
        let columns = DMatrix::from_element(levels.len(), 1, 1.0);
        Self { name: name.into(), levels, columns }
    }

    fn level_count(&self) -> usize {
        self.levels.iter().max().map_or(0, |most| most + 1)
    }

    fn width(&self) -> usize {
        self.columns.ncols()
    }

    /// Entries of the lower triangle of a factor.
    fn parameters(&self) -> usize {
        self.width() * (self.width() + 1) / 2
    }

    fn factor(&self, theta: &[f64]) -> DMatrix<f64> {
        let width = self.width();
        let mut factor = DMatrix::zeros(width, width);
        let lower = (0..width).flat_map(|column| (column..width).map(move |row| (row, column)));
        for ((row, column), value) in lower.zip(theta) {
            factor[(row, column)] = *value;
        }
        factor
    }
}

/// Which likelihood is made largest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Criterion {
    /// Restricted: variances allow for the fixed effects that were estimated beside them.
    Restricted,
    /// Full.
    Full,
}

/// `y = X beta + Z b + e`, ready to be fitted to any response with the same rows.
#[derive(Debug, Clone)]
pub struct MixedModel {
    x: DMatrix<f64>,
    z: DMatrix<f64>,
    terms: Vec<RandomTerm>,
    ztz: DMatrix<f64>,
    ztx: DMatrix<f64>,
    xtx: DMatrix<f64>,
    plain: Cholesky<f64, Dyn>,
}

/// What depends on the response.
struct Response {
    plain_fit: DVector<f64>,
    zty: DVector<f64>,
    xty: DVector<f64>,
    yty: f64,
}

/// The profiled solution at given relative factors.
struct Profile {
    fixed: DVector<f64>,
    /// Penalised residual sum of squares.
    squares: f64,
    /// Log determinant of the random part, with that of the fixed part if restricted.
    log_determinant: f64,
    fixed_factor: Cholesky<f64, Dyn>,
}

/// A fitted mixed model.
#[derive(Debug, Clone)]
pub struct MixedFit {
    /// Fixed effects, in the response's unit over that of their columns.
    pub fixed: DVector<f64>,
    /// Covariance of their estimates.
    pub fixed_covariance: DMatrix<f64>,
    /// Residual variance.
    pub residual_variance: f64,
    /// Covariance of the effects of each random term.
    pub covariances: Vec<DMatrix<f64>>,
    /// Minus twice the log likelihood (restricted or full) at the optimum.
    pub minus_two_log_likelihood: f64,
    /// Relative factors: for each term the lower triangle by columns.
    pub theta: Vec<f64>,
    /// Covariance of `theta` and the log residual variance.
    variance_covariance: DMatrix<f64>,
    /// Derivatives of the fixed effects' covariance by `theta` and the log residual variance.
    slopes: Vec<DMatrix<f64>>,
}

/// A sum of fixed effects, with what is not known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Standard error.
    pub se: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Two-sided probability of a value as far from zero, were the truth zero.
    pub p: f64,
}

const STEP: f64 = 1e-4;
const MOST_STEPS: usize = 200;
/// Share of the squares about the fixed effects below which nothing is left to tell an error by.
const NO_SCATTER: f64 = 1e-12;

impl MixedModel {
    /// A model of fixed columns `x` and random terms.
    ///
    /// # Errors
    /// [`Error::Input`] for numbers that are not finite, lengths that differ, fixed columns that are sums of others, no
    /// row left for the residual, a term with fewer than two levels, or one with a random intercept for each row.
    pub fn new(x: DMatrix<f64>, terms: Vec<RandomTerm>) -> Result<Self> {
        let rows = x.nrows();
        let mut p = Problems::default();
        p.require(x.iter().all(|v| v.is_finite()), "fixed", "a value that is no number", "finite numbers");
        p.require(x.ncols() > 0, "fixed", "no column", "at least one column");
        let left = format!("more rows than the {} fixed effects", x.ncols());
        p.require(rows > x.ncols(), "rows", rows, left);
        for term in &terms {
            let (name, levels) = (&term.name, term.level_count());
            p.require(term.levels.len() == rows, name, term.levels.len(), format!("{rows} levels, one a row"));
            p.require(term.columns.nrows() == rows, name, term.columns.nrows(), format!("{rows} rows"));
            p.require(term.columns.iter().all(|v| v.is_finite()), name, "a value that is no number", "finite numbers");
            p.require(levels >= 2, name, format!("{levels} levels"), "at least two levels");
            let many = "fewer effects than rows: with one for each row they cannot be told from the residual";
            p.require(levels * term.width() < rows, name, format!("{} effects", levels * term.width()), many);
        }
        p.into_result(())?;
        let xtx = x.tr_mul(&x);
        let plain = independent(&x, &xtx)?;
        let z = random_columns(&terms, rows);
        Ok(Self { ztz: z.tr_mul(&z), ztx: z.tr_mul(&x), xtx, plain, x, z, terms })
    }

    /// Fits a response.
    ///
    /// # Errors
    /// [`Error::Input`] if the response has another length, a number that is not finite, or nothing that the effects
    /// leave unexplained; [`Error::Numerical`] if the search does not settle.
    ///
    /// ```
    /// use matledger::study::{Criterion, MixedModel, RandomTerm};
    /// use nalgebra::{DMatrix, DVector};
    /// // Three batches of two: balanced, so the variances are those of the analysis of variance.
    /// let y = DVector::from_vec(vec![1.0, 2.0, 5.0, 6.0, 9.0, 10.0]);
    /// let batch = RandomTerm::intercept("batch", vec![0, 0, 1, 1, 2, 2]);
    /// let fit = MixedModel::new(DMatrix::from_element(6, 1, 1.0), vec![batch])?.fit(&y, Criterion::Restricted)?;
    /// assert!((fit.residual_variance - 0.5).abs() < 1e-6);
    /// assert!((fit.covariances[0][(0, 0)] - (32.0 - 0.5) / 2.0).abs() < 1e-5);
    /// # Ok::<(), matledger::Error>(())
    /// ```
    pub fn fit(&self, y: &DVector<f64>, criterion: Criterion) -> Result<MixedFit> {
        let response = self.response(y)?;
        let mut theta: Vec<f64> = self.terms.iter().flat_map(identity).collect();
        if !theta.is_empty() {
            let searched = minimise(&mut theta, |theta| self.deviance(theta, &response, criterion));
            // A search for a scatter that is not there has no end.
            let scatters = searched.is_ok() || self.left_by_all(y) > NO_SCATTER * response.yty;
            let mut p = Problems::default();
            p.require(scatters, "response", "all explained by the effects, the random ones too", "values that scatter");
            p.into_result(searched)??;
        }
        self.canonical(&mut theta);
        self.gathered(theta, &response, criterion)
    }

    /// Squares that are left when random effects take up all that fixed ones would.
    fn left_by_all(&self, y: &DVector<f64>) -> f64 {
        let columns: Vec<_> = self.x.column_iter().chain(self.z.column_iter()).collect();
        let all = DMatrix::from_columns(&columns);
        let rank = 1e-9 * all.amax();
        all.clone().svd(true, true).solve(y, rank).map_or(f64::INFINITY, |effects| (y - all * effects).norm_squared())
    }

    fn response(&self, y: &DVector<f64>) -> Result<Response> {
        let mut p = Problems::default();
        p.require(y.len() == self.x.nrows(), "response", y.len(), format!("{} values", self.x.nrows()));
        p.require(y.iter().all(|v| v.is_finite()), "response", "a value that is no number", "finite numbers");
        p.into_result(())?;
        // Sums of squares are taken about the plain fit, which loses fewer digits.
        let plain_fit = self.plain.solve(&self.x.tr_mul(y));
        let rest = y - &self.x * &plain_fit;
        let yty = rest.norm_squared();
        let mut p = Problems::default();
        // The last digits of a response are rounding.
        let spread = yty > 1e-28 * y.norm_squared();
        p.require(spread, "response", "all explained by the fixed effects", "values that scatter");
        p.into_result(())?;
        Ok(Response { zty: self.z.tr_mul(&rest), xty: self.x.tr_mul(&rest), yty, plain_fit })
    }

    fn freedom(&self, criterion: Criterion) -> f64 {
        let (rows, fixed) = self.x.shape();
        (if criterion == Criterion::Restricted { rows - fixed } else { rows }) as f64
    }

    fn profile(&self, theta: &[f64], response: &Response, criterion: Criterion) -> Option<Profile> {
        let factors = self.factors(theta);
        let mut inner = self.ztz.clone();
        self.scale_columns(&factors, &mut inner);
        inner.transpose_mut();
        self.scale_columns(&factors, &mut inner);
        for i in 0..inner.nrows() {
            inner[(i, i)] += 1.0;
        }
        let inner = Cholesky::new(inner)?;
        let lower = inner.l();
        let mut cross = self.ztx.transpose();
        self.scale_columns(&factors, &mut cross);
        let cross = lower.solve_lower_triangular(&cross.transpose())?;
        let mut projected = response.zty.transpose();
        self.scale_columns_of(&factors, &mut projected);
        let projected = lower.solve_lower_triangular(&projected.transpose())?;
        let fixed_factor = Cholesky::new(&self.xtx - cross.tr_mul(&cross))?;
        let right = &response.xty - cross.tr_mul(&projected);
        let fixed = fixed_factor.solve(&right);
        let squares = response.yty - projected.norm_squared() - fixed.dot(&right);
        let log_diagonal = |lower: &DMatrix<f64>| 2.0 * lower.diagonal().iter().map(|v| v.ln()).sum::<f64>();
        let mut log_determinant = log_diagonal(&lower);
        if criterion == Criterion::Restricted {
            log_determinant += log_diagonal(&fixed_factor.l());
        }
        (squares > 0.0).then_some(Profile { fixed, squares, log_determinant, fixed_factor })
    }

    fn deviance(&self, theta: &[f64], response: &Response, criterion: Criterion) -> f64 {
        let freedom = self.freedom(criterion);
        self.profile(theta, response, criterion)
            .map_or(f64::INFINITY, |at| at.log_determinant + freedom * (1.0 + (TAU * at.squares / freedom).ln()))
    }

    fn factors(&self, theta: &[f64]) -> Vec<DMatrix<f64>> {
        let mut rest = theta;
        self.terms
            .iter()
            .map(|term| {
                let (own, others) = rest.split_at(term.parameters());
                rest = others;
                term.factor(own)
            })
            .collect()
    }

    /// `matrix` times the block diagonal matrix of the factors, in place.
    fn scale_columns(&self, factors: &[DMatrix<f64>], matrix: &mut DMatrix<f64>) {
        let mut first = 0;
        for (term, factor) in self.terms.iter().zip(factors) {
            for _ in 0..term.level_count() {
                for column in 0..term.width() {
                    let sum = (column..term.width())
                        .map(|row| matrix.column(first + row) * factor[(row, column)])
                        .fold(DVector::zeros(matrix.nrows()), |sum, part| sum + part);
                    matrix.set_column(first + column, &sum);
                }
                first += term.width();
            }
        }
    }

    fn scale_columns_of(&self, factors: &[DMatrix<f64>], row: &mut nalgebra::RowDVector<f64>) {
        let mut matrix = DMatrix::from_row_slice(1, row.len(), row.as_slice());
        self.scale_columns(factors, &mut matrix);
        row.copy_from_slice(matrix.as_slice());
    }

    /// Of the factors with one product, the one with a diagonal that is not negative.
    fn canonical(&self, theta: &mut [f64]) {
        let mut at = 0;
        for term in &self.terms {
            for column in 0..term.width() {
                let length = term.width() - column;
                if theta[at] < 0.0 {
                    theta[at..at + length].iter_mut().for_each(|value| *value = -*value);
                }
                at += length;
            }
        }
    }

    fn gathered(&self, theta: Vec<f64>, response: &Response, criterion: Criterion) -> Result<MixedFit> {
        let lost = || Error::Numerical("the mixed model has no likelihood at its optimum".into());
        let freedom = self.freedom(criterion);
        let covariance = |at: &[f64]| {
            let (theta, log_variance) = at.split_at(at.len() - 1);
            let profile = self.profile(theta, response, criterion)?;
            Some(profile.fixed_factor.inverse() * log_variance[0].exp())
        };
        let whole = |at: &[f64]| {
            let (theta, log_variance) = at.split_at(at.len() - 1);
            self.profile(theta, response, criterion).map_or(f64::INFINITY, |profile| {
                let variance = log_variance[0].exp();
                profile.log_determinant + freedom * (TAU * variance).ln() + profile.squares / variance
            })
        };
        let best = self.profile(&theta, response, criterion).ok_or_else(lost)?;
        let residual_variance = best.squares / freedom;
        let mut at = theta.clone();
        at.push(residual_variance.ln());
        let slopes = (0..at.len())
            .map(|i| {
                let (above, below) = (covariance(&moved(&at, i, STEP))?, covariance(&moved(&at, i, -STEP))?);
                Some((above - below) / (2.0 * STEP))
            })
            .collect::<Option<_>>()
            .ok_or_else(lost)?;
        Ok(MixedFit {
            fixed: &best.fixed + &response.plain_fit,
            fixed_covariance: best.fixed_factor.inverse() * residual_variance,
            residual_variance,
            covariances: self.factors(&theta).iter().map(|f| f * f.transpose() * residual_variance).collect(),
            minus_two_log_likelihood: self.deviance(&theta, response, criterion),
            variance_covariance: pseudo_inverse(curvature(&at, 1e-3, whole)) * 2.0,
            slopes,
            theta,
        })
    }
}

impl MixedFit {
    /// The sum of fixed effects with `weights`, its standard error, and degrees of freedom by Satterthwaite's
    /// approximation `2 v^2 / var(v)`, `v` the variance of the sum (Fai & Cornelius 1996, J. Stat. Comput. Simul.
    /// 54:363-378). In balanced layouts these are the degrees of freedom of the analysis of variance.
    ///
    /// # Errors
    /// [`Error::Input`] if there is not one weight for each fixed effect.
    pub fn estimate(&self, weights: &DVector<f64>) -> Result<Estimate> {
        let mut p = Problems::default();
        p.require(
            weights.len() == self.fixed.len(),
            "weights",
            weights.len(),
            format!("{} weights, one for each fixed effect", self.fixed.len()),
        );
        p.into_result(())?;
        let quadratic = |matrix: &DMatrix<f64>| weights.dot(&(matrix * weights));
        let variance = quadratic(&self.fixed_covariance);
        let gradient = DVector::from_iterator(self.slopes.len(), self.slopes.iter().map(quadratic));
        let spread = gradient.dot(&(&self.variance_covariance * &gradient));
        let (value, se) = (weights.dot(&self.fixed), variance.sqrt());
        let df = 2.0 * variance * variance / spread;
        let t = StudentsT::new(0.0, 1.0, df)
            .map_err(|_| Error::Numerical(format!("{df} degrees of freedom for a sum of fixed effects")))?;
        Ok(Estimate { value, se, df, p: 2.0 * t.sf((value / se).abs()) })
    }
}

impl Estimate {
    /// The interval that holds the truth with probability `level`.
    pub fn interval(&self, level: f64) -> (f64, f64) {
        let t = StudentsT::new(0.0, 1.0, self.df).map_or(f64::NAN, |t| t.inverse_cdf(0.5 + level / 2.0));
        (self.value - t * self.se, self.value + t * self.se)
    }
}

fn identity(term: &RandomTerm) -> Vec<f64> {
    let width = term.width();
    (0..width).flat_map(|column| (column..width).map(move |row| f64::from(u8::from(row == column)))).collect()
}

fn random_columns(terms: &[RandomTerm], rows: usize) -> DMatrix<f64> {
    let total = terms.iter().map(|term| term.level_count() * term.width()).sum();
    let mut z = DMatrix::zeros(rows, total);
    let mut first = 0;
    for term in terms {
        for (row, level) in term.levels.iter().enumerate() {
            for column in 0..term.width() {
                z[(row, first + level * term.width() + column)] = term.columns[(row, column)];
            }
        }
        first += term.level_count() * term.width();
    }
    z
}

/// The factor of `X'X`, unless a column is a sum of those before it.
fn independent(x: &DMatrix<f64>, xtx: &DMatrix<f64>) -> Result<Cholesky<f64, Dyn>> {
    let mut p = Problems::default();
    let mut kept: Vec<DVector<f64>> = Vec::new();
    for (j, column) in x.column_iter().enumerate() {
        let mut rest = column.into_owned();
        for _ in 0..2 {
            for unit in &kept {
                rest -= unit * unit.dot(&rest);
            }
        }
        let dependent = rest.norm() <= 1e-9 * column.norm();
        p.require(!dependent, format!("fixed[{j}]"), "a sum of the columns before it", "a column of its own");
        if !dependent {
            kept.push(rest.normalize());
        }
    }
    p.into_result(())?;
    Cholesky::new(xtx.clone()).ok_or_else(|| Error::Numerical("the fixed columns are too unequal in size".into()))
}

fn moved(at: &[f64], i: usize, by: f64) -> Vec<f64> {
    let mut moved = at.to_vec();
    moved[i] += by;
    moved
}

/// By differences of the fourth order.
fn gradient(at: &[f64], step: f64, f: impl Fn(&[f64]) -> f64) -> DVector<f64> {
    let across = |i: usize, by: f64| f(&moved(at, i, by)) - f(&moved(at, i, -by));
    DVector::from_fn(at.len(), |i, _| (8.0 * across(i, step) - across(i, 2.0 * step)) / (12.0 * step))
}

fn curvature(at: &[f64], step: f64, f: impl Fn(&[f64]) -> f64) -> DMatrix<f64> {
    let here = f(at);
    let mut found = DMatrix::zeros(at.len(), at.len());
    for i in 0..at.len() {
        found[(i, i)] = (f(&moved(at, i, step)) - 2.0 * here + f(&moved(at, i, -step))) / (step * step);
        for j in 0..i {
            let corner = |a: f64, b: f64| f(&moved(&moved(at, i, a), j, b));
            let value = corner(step, step) - corner(step, -step) - corner(-step, step) + corner(-step, -step);
            found[(i, j)] = value / (4.0 * step * step);
            found[(j, i)] = found[(i, j)];
        }
    }
    found
}

/// Inverse over the directions that are curved upwards.
fn pseudo_inverse(matrix: DMatrix<f64>) -> DMatrix<f64> {
    let eigen = SymmetricEigen::new(matrix);
    let least = 1e-8 * eigen.eigenvalues.amax();
    let inverse = eigen.eigenvalues.map(|value| if value > least { 1.0 / value } else { 0.0 });
    &eigen.eigenvectors * DMatrix::from_diagonal(&inverse) * eigen.eigenvectors.transpose()
}

/// Damped Newton steps. Factors of either sign have the same product, so there are no bounds; where a factor is zero the
/// slope along it is zero too, and only the curvature tells whether a variance hides there.
fn minimise(at: &mut Vec<f64>, f: impl Fn(&[f64]) -> f64) -> Result<()> {
    let mut here = f(at);
    for _ in 0..MOST_STEPS {
        let slope = gradient(at, 1e-3, &f);
        let eigen = SymmetricEigen::new(curvature(at, 1e-3, &f));
        let along = eigen.eigenvectors.tr_mul(&slope);
        let floor = 1e-3 * eigen.eigenvalues.amax().max(1e-12);
        let scaled = along.zip_map(&eigen.eigenvalues, |part, curved| part / curved.abs().max(floor));
        let step = -(&eigen.eigenvectors * scaled);
        let expected = -slope.dot(&step);
        let length = step.amax();
        let stepped = |by: &DVector<f64>, share: f64| -> Vec<f64> {
            at.iter().zip(by.iter()).map(|(value, by)| value + share * by).collect()
        };
        // A step of this size moves a variance by less than a part in a hundred million.
        let settled = length < 1e-9 || expected < 1e-13 * (1.0 + here.abs());
        let downhill = if settled { None } else { descent(&f, here, |share| stepped(&step, share), length, expected) };
        if let Some(found) = downhill {
            (*at, here) = found;
            continue;
        }
        let (least, curved) = eigen.eigenvalues.argmin();
        let away = eigen.eigenvectors.column(least).into_owned();
        if curved < -1e-7 * (1.0 + here.abs()) {
            let least = 1e-8 * (1.0 + here.abs());
            if let Some(found) = descent(&f, here, |share| stepped(&away, share), 1.0, least) {
                (*at, here) = found;
                continue;
            }
        }
        if settled {
            // Too small to show in the likelihood, yet good for the last digits.
            *at = stepped(&step, 1.0);
        }
        // Else no descent is left that rounding would show.
        return if settled || expected < 1e-8 * (1.0 + here.abs()) {
            Ok(())
        } else {
            Err(Error::Numerical("the search for the variances of a mixed model found no way down".into()))
        };
    }
    Err(Error::Numerical(format!("the search for the variances of a mixed model did not settle in {MOST_STEPS} steps")))
}

/// The first of ever shorter steps, `share` of one of `length`, that goes down as `expected` of the whole one.
fn descent(
    f: impl Fn(&[f64]) -> f64,
    here: f64,
    step: impl Fn(f64) -> Vec<f64>,
    length: f64,
    expected: f64,
) -> Option<(Vec<f64>, f64)> {
    let mut share = (2.0 / length).min(1.0);
    while share >= 1e-6 {
        let next = step(share);
        let there = f(&next);
        if there < here - 1e-4 * share * expected {
            return Some((next, there));
        }
        share /= 2.0;
    }
    None
}
