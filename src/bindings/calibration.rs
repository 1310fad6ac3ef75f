//! The density of a site for Python.

use super::engine::PyLayout;
use super::errors::to_python;
use super::growth::{Row, records as clipping_records};
use super::practice::PyWork;
use super::watch::{pooled, watched};
use crate::calibration::{
    Bend, Block, ChainState, ClippingHistory, Coordinates, Density, Fit, GreenRecord, Lesson, Method, Model, Priors,
    Sampling, Scatter, SiteRecord, Slices, SoilTest, Unknown,
};
use crate::column::Sample;
use crate::decision::Progress;
use crate::engine::{Dated, Plan, Scenario, run};
use crate::error::Result;
use chrono::NaiveDate;
use nalgebra::DMatrix;
use numpy::{PyArray1, PyArray2, PyArray3, PyArrayMethods, PyReadonlyArray1, PyReadonlyArray2};
use pyo3::prelude::*;
use rayon::prelude::*;
use std::sync::atomic::AtomicBool;

/// A window of two depths, or with none the layer above the root zone.
pub type GivenSample = Option<(f64, f64)>;

/// The crate's sample for a given one.
pub fn sample(given: GivenSample) -> Sample {
    given.map_or(Sample::AboveRootZone, |(top_mm, bottom_mm)| Sample::Window { top_mm, bottom_mm })
}

/// One soil test: date, window, % OM, cores, method, the laboratory's own standard deviation.
pub type GivenTest = (NaiveDate, GivenSample, f64, u32, usize, Option<f64>);

/// What is on record of one green: name, clippings, work, tests, depth of the mat (mm).
type GivenGreen<'py> = (String, PyReadonlyArray1<'py, f64>, Vec<(NaiveDate, PyRef<'py, PyWork>)>, Vec<GivenTest>, f64);

/// Clipping records: degree days of each day, those of a mean year, the records of all greens, and those that an earlier
/// fit has counted.
type GivenClippings<'py> = (PyReadonlyArray1<'py, f64>, f64, Vec<Row>, Vec<Row>);

/// What became of an unknown (`learnt`, `moved`, `prior`) by its shift and the share of its spread that is left.
#[pyfunction]
pub fn lesson(shift: f64, spread_left: f64) -> &'static str {
    match Lesson::of(shift, spread_left) {
        Lesson::Learnt => "learnt",
        Lesson::Moved => "moved",
        Lesson::Prior => "prior",
    }
}

/// The density of a site's unknowns.
#[pyclass(frozen, name = "Site", module = "matledger._core")]
pub struct PySite(pub Model);

/// Rows of a Python matrix.
pub fn rows(matrix: &PyReadonlyArray2<'_, f64>) -> Vec<Vec<f64>> {
    matrix.as_array().rows().into_iter().map(|row| row.to_vec()).collect()
}

/// A mode as Python holds it: coordinates, log density, gradient, steps, converged, information.
pub(super) type GivenFit<'py> = (PyReadonlyArray1<'py, f64>, f64, f64, usize, bool, PyReadonlyArray2<'py, f64>);

pub(super) fn fit(given: &GivenFit<'_>) -> Fit {
    let (mode, log_density, gradient, steps, converged, information) = given;
    Fit {
        mode: mode.as_array().to_vec(),
        log_density: *log_density,
        gradient: *gradient,
        steps: *steps,
        converged: *converged,
        information: square(information),
    }
}

fn square(given: &PyReadonlyArray2<'_, f64>) -> DMatrix<f64> {
    let matrix = given.as_array();
    DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |i, j| matrix[(i, j)])
}

/// How Python asks to sample: draws to settle, acceptance aimed at, most doublings, seed.
pub(super) type GivenSampling = (usize, f64, u64, u64);

fn sampling((tune, target_accept, most_doublings, seed): GivenSampling) -> Sampling {
    Sampling { tune, target_accept, most_doublings, seed }
}

/// A chain between two blocks: which, blocks done, position, step size.
pub(super) type GivenState = (usize, usize, Vec<f64>, f64);

fn given_state(state: ChainState) -> GivenState {
    (state.chain, state.blocks, state.position, state.step_size)
}

/// Straightened coordinates: which are skewed and how, four numbers each; which are sheared and how, six numbers each; the
/// centre; the linear map.
pub(super) type GivenCoordinates<'py> =
    (PyReadonlyArray1<'py, f64>, PyReadonlyArray1<'py, f64>, PyReadonlyArray1<'py, f64>, PyReadonlyArray2<'py, f64>);
pub(super) type TakenCoordinates<'py> =
    (Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<f64>>, Matrix<'py>);

/// Draws, energy, log density, diverging, gradients, cut.
pub(super) type GivenBlock<'py> = (Matrix<'py>, Vec<f64>, Vec<f64>, Vec<bool>, Vec<u64>, Vec<bool>);

pub(super) type Matrix<'py> = Bound<'py, PyArray2<f64>>;

pub(super) fn matrix<'py>(py: Python<'py>, rows: &[Vec<f64>]) -> PyResult<Matrix<'py>> {
    Ok(PyArray2::from_vec2(py, rows)?)
}

/// A mode as Python takes it.
pub(super) type TakenFit<'py> = (Bound<'py, PyArray1<f64>>, f64, f64, usize, bool, Matrix<'py>);

pub(super) fn mode(
    py: Python<'_>,
    tell: Option<Py<PyAny>>,
    find: impl FnOnce(&AtomicBool) -> Result<Fit> + Send,
) -> PyResult<TakenFit<'_>> {
    let progress = Progress::default();
    let found = watched(py, tell, &progress, || find(&progress.stop))?;
    let n = found.mode.len();
    let information: Vec<Vec<f64>> = (0..n).map(|i| (0..n).map(|j| found.information[(i, j)]).collect()).collect();
    Ok((
        PyArray1::from_slice(py, &found.mode),
        found.log_density,
        found.gradient,
        found.steps,
        found.converged,
        matrix(py, &information)?,
    ))
}

pub(super) fn settle<'py>(
    py: Python<'py>,
    density: &impl Density,
    start: impl FnOnce() -> Result<Coordinates> + Send,
    asked: GivenSampling,
    chains: usize,
    tell: Option<Py<PyAny>>,
) -> PyResult<(TakenCoordinates<'py>, Vec<GivenState>)> {
    let (sampling, progress) = (sampling(asked), Progress::default());
    let settle = || sampling.settle(density, start()?, chains, &progress.done, &progress.stop);
    let (coordinates, states) = watched(py, tell, &progress, settle)?;
    let ((skews, shears), centre, lower) = coordinates.numbers();
    let rows: Vec<Vec<f64>> = lower.row_iter().map(|row| row.iter().copied().collect()).collect();
    let learnt = (PyArray1::from_vec(py, skews.concat()), PyArray1::from_vec(py, shears.concat()));
    let coordinates = (learnt.0, learnt.1, PyArray1::from_vec(py, centre), matrix(py, &rows)?);
    Ok((coordinates, states.into_iter().map(given_state).collect()))
}

#[expect(clippy::too_many_arguments)]
pub(super) fn advance<'py>(
    py: Python<'py>,
    density: &impl Density,
    bends: Vec<Bend>,
    coordinates: GivenCoordinates<'py>,
    asked: GivenSampling,
    states: Vec<GivenState>,
    draws: usize,
    tell: Option<Py<PyAny>>,
) -> PyResult<Vec<(GivenBlock<'py>, GivenState)>> {
    let (sampling, progress) = (sampling(asked), Progress::default());
    let (skews, shears, centre, lower) = coordinates;
    let (skews, _) = skews.as_slice()?.as_chunks::<4>();
    let (shears, _) = shears.as_slice()?.as_chunks::<6>();
    let coordinates = Coordinates::from_numbers(bends, (skews, shears), centre.as_array().to_vec(), square(&lower));
    let states: Vec<ChainState> = states
        .into_iter()
        .map(|(chain, blocks, position, step_size)| ChainState { chain, blocks, position, step_size })
        .collect();
    let advance = || sampling.advance(density, &coordinates, &states, draws, &progress.done, &progress.stop);
    let done = watched(py, tell, &progress, advance)?;
    done.into_iter()
        .map(|(block, state)| {
            let Block { draws, energy, log_density, diverging, gradients, cut } = block;
            Ok(((matrix(py, &draws)?, energy, log_density, diverging, gradients, cut), given_state(state)))
        })
        .collect()
}

#[pymethods]
impl PySite {
    #[new]
    #[expect(clippy::too_many_arguments)]
    fn new(
        py: Python<'_>,
        start: NaiveDate,
        decay_modifier: PyReadonlyArray1<'_, f64>,
        greens: Vec<GivenGreen<'_>>,
        clippings: Option<GivenClippings<'_>>,
        methods: Vec<String>,
        priors: Vec<(String, f64, f64)>,
        scatter: (Option<f64>, bool),
        earlier: Option<(PyReadonlyArray1<'_, f64>, PyReadonlyArray2<'_, f64>)>,
        layout: PyLayout,
    ) -> PyResult<Self> {
        let mut records = Vec::with_capacity(greens.len());
        for (name, clippings, work, tests, mat_depth_mm) in greens {
            records.push(GreenRecord {
                name,
                clippings_g_m2: clippings.as_array().to_vec(),
                work: work.iter().map(|(date, work)| Dated { date: *date, work: work.0 }).collect(),
                tests: tests
                    .into_iter()
                    .map(|(date, given, om_percent, cores, method, laboratory_sd)| SoilTest {
                        date,
                        sample: sample(given),
                        om_percent,
                        cores,
                        method,
                        laboratory_sd,
                    })
                    .collect(),
                mat_depth_mm,
            });
        }
        let history = |(degree_days, degree_days_a_year, records, counted): GivenClippings<'_>| {
            PyResult::Ok(ClippingHistory {
                degree_days: degree_days.as_array().to_vec(),
                degree_days_a_year,
                records: clipping_records(py, records)?,
                counted: clipping_records(py, counted)?,
            })
        };
        let site = SiteRecord {
            start,
            decay_modifier: decay_modifier.as_array().to_vec(),
            greens: records,
            clippings: clippings.map(history).transpose()?,
            methods: methods.into_iter().map(|name| Method { name }).collect(),
            layout: layout.into(),
        };
        let earlier = earlier.map(|(mean, covariance)| (mean.as_array().to_vec(), square(&covariance)));
        let (degrees_of_freedom, depth_correlation) = scatter;
        let build = move || {
            let scatter = Scatter { degrees_of_freedom, depth_correlation };
            let mut beliefs = Priors { scatter, ..Priors::default() };
            for (name, median, sd) in &priors {
                beliefs.set(name, *median, *sd)?;
            }
            let model = Model::new(site, beliefs)?;
            match earlier {
                Some((mean, covariance)) => model.carried_on(&mean, covariance),
                None => Ok(model),
            }
        };
        pooled(py, build).map(Self).map_err(|error| to_python(py, error))
    }

    #[getter]
    fn names(&self) -> Vec<String> {
        self.0.names().to_vec()
    }

    /// Prior medians and standard deviations of the coordinates, and their scale (`log`, `logit`, `plain`).
    #[getter]
    fn priors(&self) -> Vec<(f64, f64, &'static str)> {
        self.0.priors_of_coordinates().iter().map(|p| (p.median, p.sd, p.transform.name())).collect()
    }

    fn log_density_and_gradient<'py>(
        &self,
        py: Python<'py>,
        z: PyReadonlyArray1<'py, f64>,
    ) -> PyResult<(f64, Bound<'py, PyArray1<f64>>)> {
        let z = z.as_array().to_vec();
        let mut gradient = vec![0.0; self.0.len()];
        let find = || self.0.log_density_and_gradient(&z, &mut gradient);
        let log_density = pooled(py, find).map_err(|error| to_python(py, error))?;
        Ok((log_density, PyArray1::from_vec(py, gradient)))
    }

    /// Mean and covariance of the coordinates by priors and clipping records, before any soil test.
    fn before_tests<'py>(&self, py: Python<'py>) -> PyResult<(Bound<'py, PyArray1<f64>>, Matrix<'py>)> {
        let before = || self.0.before_tests().and_then(|fit| Ok((fit.covariance()?, fit.mode)));
        let (covariance, mean) = before().map_err(|error| to_python(py, error))?;
        let rows: Vec<Vec<f64>> = covariance.row_iter().map(|row| row.iter().copied().collect()).collect();
        Ok((PyArray1::from_vec(py, mean), matrix(py, &rows)?))
    }

    /// What the records of each year show at coordinates `z`: year, clippings per degree day on record, log of recorded over
    /// expected and its standard deviation.
    fn years_shown(&self, z: PyReadonlyArray1<'_, f64>) -> Vec<(i32, f64, f64, f64)> {
        let shown = self.0.years_shown(&z.as_array().to_vec());
        shown.iter().map(|y| (y.year, y.recorded, y.log_ratio, y.log_sd)).collect()
    }

    #[pyo3(signature = (tell=None))]
    fn find_mode<'py>(&self, py: Python<'py>, tell: Option<Py<PyAny>>) -> PyResult<TakenFit<'py>> {
        mode(py, tell, |stop| Fit::find(&self.0, stop))
    }

    /// Starts chains around a mode and settles their step sizes and coordinates.
    #[pyo3(signature = (given, asked, chains, tell=None))]
    fn settle_chains<'py>(
        &self,
        py: Python<'py>,
        given: GivenFit<'py>,
        asked: GivenSampling,
        chains: usize,
        tell: Option<Py<PyAny>>,
    ) -> PyResult<(TakenCoordinates<'py>, Vec<GivenState>)> {
        let fit = fit(&given);
        settle(py, &self.0, || self.0.coordinates(&fit), asked, chains, tell)
    }

    /// Runs chains on by a block each.
    #[pyo3(signature = (given, coordinates, asked, states, draws, tell=None))]
    #[expect(clippy::too_many_arguments)]
    fn advance_chains<'py>(
        &self,
        py: Python<'py>,
        given: GivenFit<'py>,
        coordinates: GivenCoordinates<'py>,
        asked: GivenSampling,
        states: Vec<GivenState>,
        draws: usize,
        tell: Option<Py<PyAny>>,
    ) -> PyResult<Vec<(GivenBlock<'py>, GivenState)>> {
        advance(py, &self.0, self.0.bends(&fit(&given)), coordinates, asked, states, draws, tell)
    }

    /// Log density of each test, a row for each row of coordinates, green by green along a row.
    fn log_likelihoods<'py>(&self, py: Python<'py>, z: PyReadonlyArray2<'py, f64>) -> PyResult<Matrix<'py>> {
        let z = rows(&z);
        let read = || z.par_iter().map(|z| Ok(self.0.log_likelihoods(z)?.concat())).collect::<Result<Vec<_>>>();
        let found = pooled(py, read).map_err(|error| to_python(py, error))?;
        matrix(py, &found)
    }

    /// Draws from the normal approximation, one row each.
    fn draws<'py>(&self, py: Python<'py>, given: GivenFit<'py>, draws: usize, seed: u64) -> PyResult<Matrix<'py>> {
        let fit = fit(&given);
        let drawn = pooled(py, || fit.draws(&self.0, draws, seed)).map_err(|error| to_python(py, error))?;
        matrix(py, &drawn)
    }

    /// Draws from normal approximations in slices along the fill fraction, one row each.
    #[pyo3(signature = (given, draws, seed, tell=None))]
    fn nested_draws<'py>(
        &self,
        py: Python<'py>,
        given: GivenFit<'py>,
        draws: usize,
        seed: u64,
        tell: Option<Py<PyAny>>,
    ) -> PyResult<Matrix<'py>> {
        let (fit, progress) = (fit(&given), Progress::default());
        let drawn = watched(py, tell, &progress, || {
            Slices::along(&self.0, &fit, Unknown::FillFraction.index(), &progress.stop)?.draws(&self.0, draws, seed)
        })?;
        matrix(py, &drawn)
    }

    /// Number of independent directions of the shared unknowns that the tests fix, by the approximation at the mode.
    #[staticmethod]
    fn directions_learnt(py: Python<'_>, given: GivenFit<'_>) -> PyResult<usize> {
        fit(&given).directions_learnt().map_err(|error| to_python(py, error))
    }

    /// Every unknown in its own unit, a row for each row of coordinates.
    fn natural<'py>(&self, py: Python<'py>, z: PyReadonlyArray2<'py, f64>) -> PyResult<Matrix<'py>> {
        let natural: Vec<Vec<f64>> = rows(&z).iter().map(|z| self.0.natural(z)).collect();
        matrix(py, &natural)
    }

    /// What each test should read (% OM) and the standard deviation around it: green by green, a row for each row of
    /// coordinates.
    fn predictions<'py>(
        &self,
        py: Python<'py>,
        z: PyReadonlyArray2<'py, f64>,
    ) -> PyResult<Vec<(Matrix<'py>, Matrix<'py>)>> {
        let z = rows(&z);
        let read = || z.par_iter().map(|z| self.0.predictions(z)).collect::<Result<Vec<_>>>();
        let read = pooled(py, read).map_err(|error| to_python(py, error))?;
        self.beside_their_spread(py, &z, &read)
    }

    /// The same by the tests' slopes at `centre`, for a quick look.
    fn predictions_near<'py>(
        &self,
        py: Python<'py>,
        centre: PyReadonlyArray1<'py, f64>,
        z: PyReadonlyArray2<'py, f64>,
    ) -> PyResult<Vec<(Matrix<'py>, Matrix<'py>)>> {
        let (centre, z) = (centre.as_array().to_vec(), rows(&z));
        let read = pooled(py, || self.0.predictions_near(&centre, &z)).map_err(|error| to_python(py, error))?;
        self.beside_their_spread(py, &z, &read)
    }

    /// Readings of one green at dates: `(draw, date and window, [% OM, g OM/m2, mm])`.
    fn trace<'py>(
        &self,
        py: Python<'py>,
        green: usize,
        z: PyReadonlyArray2<'py, f64>,
        samples: Vec<(NaiveDate, GivenSample)>,
    ) -> PyResult<Bound<'py, PyArray3<f64>>> {
        let z = rows(&z);
        let samples: Vec<_> = samples.into_iter().map(|(date, given)| (date, sample(given))).collect();
        let read = || self.readings(green, &z, &samples);
        let values = pooled(py, read).map_err(|error| to_python(py, error))?;
        PyArray1::from_vec(py, values).reshape([z.len(), samples.len(), 3])
    }

    /// The shared unknowns: name, unit, description, scale of the prior.
    #[staticmethod]
    fn unknowns() -> Vec<(&'static str, &'static str, &'static str, &'static str)> {
        let priors = Priors::default();
        let scale = |unknown| priors.of(unknown).transform.name();
        Unknown::ALL.iter().map(|d| (d.name, d.unit, d.description, scale(d.unknown))).collect()
    }
}

impl PySite {
    /// Predictions of each green's tests with their standard deviations, a row for each row of coordinates.
    fn beside_their_spread<'py>(
        &self,
        py: Python<'py>,
        z: &[Vec<f64>],
        read: &[Vec<Vec<f64>>],
    ) -> PyResult<Vec<(Matrix<'py>, Matrix<'py>)>> {
        let greens = self.0.site().greens.iter().enumerate();
        greens
            .map(|(g, green)| {
                let means: Vec<Vec<f64>> = read.iter().map(|by_green| by_green[g].clone()).collect();
                let sds: Vec<Vec<f64>> =
                    z.iter().map(|z| green.tests.iter().map(|test| self.0.test_sd(z, test)).collect()).collect();
                Ok((matrix(py, &means)?, matrix(py, &sds)?))
            })
            .collect()
    }

    fn readings(&self, green: usize, z: &[Vec<f64>], samples: &[(NaiveDate, Sample)]) -> Result<Vec<f64>> {
        let (model, site) = (&self.0, self.0.site());
        let record = &site.greens[green];
        let members: Vec<_> = z.iter().map(|z| model.member(green, &|i| z[i])).collect();
        let Some(nominal) = members.first() else { return Ok(Vec::new()) };
        let plan = Plan::new(&Scenario {
            start: site.start,
            clippings_g_m2: &record.clippings_g_m2,
            decay_modifier: &site.decay_modifier,
            work: &record.work,
            recorded_before: NaiveDate::MAX,
            samples,
            profiles: &[],
            layout: site.layout_of(green),
            nominal,
        })?;
        let runs: Vec<_> = members.par_iter().map(|member| run(&plan, member, |_, _| {})).collect::<Result<_>>()?;
        let order: Vec<usize> = (0..samples.len()).map(|asked| plan.reading_of(asked)).collect();
        Ok(runs
            .iter()
            .flat_map(|outcome| order.iter().map(|&at| &outcome.readings[at]))
            .flat_map(|reading| [reading.om_percent(), reading.om_g_m2, reading.thickness_mm])
            .collect())
    }
}
