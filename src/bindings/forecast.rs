//! Forecasts of programmes for Python.

use super::calibration::{GivenSample, PySite, rows, sample};
use super::errors::to_python;
use super::practice::{PyCalendar, PyProgramme};
use super::watch::watched;
use super::weather::{CUTOFFS, METHODS, PyWeather, choose, forms};
use crate::column::Account;
use crate::decision::{Forecast, Outlook, Progress, Target, YearOfWork};
use crate::growth::drivers::{Drivers, Driving};
use crate::practice::programme::Calendar;
use crate::weather::resample::ToCome;
use chrono::NaiveDate;
use numpy::{PyArray1, PyArrayMethods, PyReadonlyArray2};
use pyo3::prelude::*;

/// How weather drives a site, by the names that the Python functions use.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
pub struct GivenDriving {
    lower_c: f64,
    upper_c: Option<f64>,
    method: String,
    cutoff: String,
    lag_days: f64,
    form: String,
    q10: f64,
}

impl GivenDriving {
    pub fn driving(&self, py: Python<'_>) -> PyResult<Driving> {
        Ok(Driving {
            lower_c: self.lower_c,
            upper_c: self.upper_c,
            method: choose(py, "method", &self.method, &METHODS)?,
            cutoff: choose(py, "cutoff", &self.cutoff, &CUTOFFS)?,
            lag_days: self.lag_days,
            form: choose(py, "form", &self.form, &forms(self.q10))?,
        })
    }
}

type Floats<'py> = Bound<'py, PyArray1<f64>>;

/// Degree days and decay modifier of each day.
#[pyfunction]
pub fn drivers<'py>(
    py: Python<'py>,
    weather: PyRef<'py, PyWeather>,
    driving: GivenDriving,
) -> PyResult<(Floats<'py>, Floats<'py>)> {
    let driving = driving.driving(py)?;
    let found = Drivers::new(&weather.0, &driving).map_err(|error| to_python(py, error))?;
    Ok((PyArray1::from_vec(py, found.degree_days), PyArray1::from_vec(py, found.decay_modifier)))
}

/// Calendars as Python holds them.
pub fn given_calendars(calendars: Vec<Vec<Calendar>>) -> Vec<Vec<PyCalendar>> {
    calendars.into_iter().map(|own| own.into_iter().map(PyCalendar).collect()).collect()
}

/// Every programme, green, date, sample and draw of a forecast.
#[pyclass(frozen, name = "Forecast", module = "matledger._core")]
pub struct PyForecast(Forecast);

/// Calendar year; share of the surface with removal (union, plain sum) and without; sand (g/m2).
type Row = (i32, f64, f64, f64, f64, f64);

/// Entries of one account, in the order of the ledger's equation.
fn entries(account: &Account<f64>) -> [f64; 7] {
    let Account { start, gained, respired, cored_out, mown_out, below, end } = *account;
    [start, gained, respired, cored_out, mown_out, below, end]
}

/// Runs programmes forward. `to_come` are the days of a block of weather, if not whole years, and the shift of each month
/// (degC).
#[pyfunction]
#[expect(clippy::too_many_arguments)]
#[pyo3(signature = (site, draws, weather, driving, g_m2_per_degree_day, programmes, years, sequences, to_come, samples, seed, tell=None))]
pub fn forecast(
    py: Python<'_>,
    site: PyRef<'_, PySite>,
    draws: PyReadonlyArray2<'_, f64>,
    weather: PyRef<'_, PyWeather>,
    driving: GivenDriving,
    g_m2_per_degree_day: f64,
    programmes: Vec<PyRef<'_, PyProgramme>>,
    years: usize,
    sequences: usize,
    to_come: (Option<usize>, [f64; 12]),
    samples: Vec<GivenSample>,
    seed: u64,
    tell: Option<Py<PyAny>>,
) -> PyResult<PyForecast> {
    let (block_days, shift_c) = to_come;
    let programmes: Vec<_> = programmes.iter().map(|programme| programme.0.clone()).collect();
    let (draws, samples) = (rows(&draws), samples.into_iter().map(sample).collect::<Vec<_>>());
    let outlook = Outlook {
        model: &site.0,
        draws: &draws,
        weather: &weather.0,
        driving: driving.driving(py)?,
        g_m2_per_degree_day,
        years,
        sequences,
        to_come: ToCome { block_days, shift_c },
        seed,
    };
    let progress = Progress::default();
    watched(py, tell, &progress, || Forecast::run(&outlook, &programmes, &samples, &progress)).map(PyForecast)
}

#[pymethods]
impl PyForecast {
    #[getter]
    fn dates(&self) -> Vec<NaiveDate> {
        self.0.dates.clone()
    }

    #[getter]
    fn ledger_years(&self) -> Vec<i32> {
        self.0.ledger_years.clone()
    }

    /// Programmes, greens, dates, samples, draws.
    #[getter]
    fn shape(&self) -> [usize; 5] {
        self.0.shape
    }

    /// One quantity, flat in the order of `shape`; the surface has no samples.
    fn values<'py>(&self, py: Python<'py>, quantity: &str) -> PyResult<Floats<'py>> {
        let choices = [
            ("om_percent", &self.0.om_percent),
            ("om_g_m2", &self.0.om_g_m2),
            ("thickness_mm", &self.0.thickness_mm),
            ("surface_mm", &self.0.surface_mm),
        ];
        Ok(PyArray1::from_slice(py, choose(py, "quantity", quantity, &choices)?))
    }

    /// Mean ledgers: programme, green, year, substance (organic matter, mineral), entry.
    fn ledgers<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, numpy::PyArrayDyn<f64>>> {
        let flat: Vec<f64> =
            self.0.ledgers.iter().flat_map(|l| [entries(&l.om), entries(&l.mineral)]).flatten().collect();
        let [programmes, greens, ..] = self.0.shape;
        let shape = vec![programmes, greens, self.0.ledger_years.len(), 2, 7];
        PyArray1::from_vec(py, flat).reshape(numpy::ndarray::IxDyn(&shape))
    }

    /// Work by programme and calendar year: share of the surface (union, plain sum; with and without removal), sand (g/m2).
    fn work(&self) -> Vec<Vec<Row>> {
        let row = |y: &YearOfWork| (y.year, y.union, y.plain_sum, y.solid_union, y.solid_plain_sum, y.sand_g_m2);
        self.0.work.iter().map(|years| years.iter().map(row).collect()).collect()
    }

    /// The calendars of each programme: one for each weather sequence, or one that serves them all.
    fn calendars(&self) -> Vec<Vec<PyCalendar>> {
        given_calendars(self.0.calendars.clone())
    }

    /// Probability that a sample stays at or below a limit: by programme, green and date; on all greens by programme, date.
    fn probability<'py>(
        &self,
        py: Python<'py>,
        sample: usize,
        om_percent: f64,
    ) -> PyResult<(Floats<'py>, Floats<'py>)> {
        let (each, all) = self.0.probability(&Target { sample, om_percent }).map_err(|error| to_python(py, error))?;
        Ok((PyArray1::from_vec(py, each), PyArray1::from_vec(py, all)))
    }
}
