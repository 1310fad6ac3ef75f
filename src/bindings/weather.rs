//! Python functions and classes of weather.

use super::errors::to_python;
use crate::error::{Error, Problem};
use crate::weather as floor;
use crate::weather::decay_modifier::Form;
use crate::weather::degree_days::{Cutoff, Method};
use crate::weather::series::{FillRule, Weather};
use chrono::NaiveDate;
use numpy::{PyArray1, PyReadonlyArray1};
use pyo3::prelude::*;

type Floats<'py> = Bound<'py, PyArray1<f64>>;

/// The value that goes by `name` among `choices`, or an error that lists them.
pub fn choose<T: Copy>(py: Python<'_>, place: &str, name: &str, choices: &[(&str, T)]) -> PyResult<T> {
    choices.iter().find(|(known, _)| *known == name).map(|(_, value)| *value).ok_or_else(|| {
        let names = choices.iter().map(|(known, _)| *known).collect::<Vec<_>>().join(", ");
        let problem = Problem { place: place.into(), value: format!("{name:?}"), expected: format!("one of {names}") };
        to_python(py, Error::Input(vec![problem]))
    })
}

/// The date that lies `day` days after 1970-01-01.
pub fn date(py: Python<'_>, place: &str, day: i64) -> PyResult<NaiveDate> {
    i32::try_from(day).ok().and_then(NaiveDate::from_epoch_days).ok_or_else(|| {
        let value = format!("day {day} from 1970-01-01");
        let problem = Problem { place: place.into(), value, expected: "a year from 1700 to 2199".into() };
        to_python(py, Error::Input(vec![problem]))
    })
}

/// Methods of degree days by name.
pub const METHODS: [(&str, Method); 6] = [
    ("average", Method::Average),
    ("clipped_average", Method::ClippedAverage),
    ("single_triangle", Method::SingleTriangle),
    ("double_triangle", Method::DoubleTriangle),
    ("single_sine", Method::SingleSine),
    ("double_sine", Method::DoubleSine),
];

/// Upper cutoffs of degree days by name.
pub const CUTOFFS: [(&str, Cutoff); 3] =
    [("horizontal", Cutoff::Horizontal), ("intermediate", Cutoff::Intermediate), ("vertical", Cutoff::Vertical)];

/// Responses of decay to temperature by name; `q10` is the factor of one of them.
pub fn forms(q10: f64) -> [(&'static str, Form); 10] {
    [
        ("rothc", Form::Rothc),
        ("rothc_1999", Form::Rothc1999),
        ("q10", Form::Q10 { q10 }),
        ("lloyd_taylor", Form::LloydTaylor),
        ("icbm", Form::Icbm),
        ("kirschbaum", Form::Kirschbaum),
        ("century", Form::Century),
        ("daycent_exponential", Form::DaycentExponential),
        ("daycent_arctangent", Form::DaycentArctangent),
        ("yang_janssen", Form::YangJanssen),
    ]
}

/// Degree days and the rows floored at zero.
#[pyfunction]
pub fn degree_days<'py>(
    py: Python<'py>,
    tmin_c: PyReadonlyArray1<'py, f64>,
    tmax_c: PyReadonlyArray1<'py, f64>,
    lower_c: f64,
    upper_c: Option<f64>,
    method: &str,
    cutoff: &str,
) -> PyResult<(Floats<'py>, Vec<usize>)> {
    let method = choose(py, "method", method, &METHODS)?;
    let cutoff = choose(py, "cutoff", cutoff, &CUTOFFS)?;
    let found =
        floor::degree_days::degree_days(tmin_c.as_slice()?, tmax_c.as_slice()?, lower_c, upper_c, method, cutoff)
            .map_err(|e| to_python(py, e))?;
    Ok((PyArray1::from_vec(py, found.degc_d), found.floored))
}

/// Temperature growth potential.
#[pyfunction]
pub fn growth_potential<'py>(
    py: Python<'py>,
    tmean_c: PyReadonlyArray1<'py, f64>,
    optimum_c: f64,
    spread_c: f64,
    plateau: bool,
) -> PyResult<Floats<'py>> {
    floor::growth_potential::growth_potential(tmean_c.as_slice()?, optimum_c, spread_c, plateau)
        .map(|values| PyArray1::from_vec(py, values))
        .map_err(|e| to_python(py, e))
}

/// Decay modifier.
#[pyfunction]
pub fn decay_modifier<'py>(
    py: Python<'py>,
    t_c: PyReadonlyArray1<'py, f64>,
    moisture: Option<PyReadonlyArray1<'py, f64>>,
    form: &str,
    q10: f64,
    reference_c: f64,
) -> PyResult<Floats<'py>> {
    let form = choose(py, "form", form, &forms(q10))?;
    let moisture = moisture.as_ref().map(|m| m.as_slice()).transpose()?;
    floor::decay_modifier::decay_modifier(t_c.as_slice()?, moisture, form, reference_c)
        .map(|values| PyArray1::from_vec(py, values))
        .map_err(|e| to_python(py, e))
}

/// Lagged soil temperature.
#[pyfunction]
pub fn soil_temperature<'py>(
    py: Python<'py>,
    tmean_c: PyReadonlyArray1<'py, f64>,
    lag_days: f64,
) -> PyResult<Floats<'py>> {
    floor::soil_temperature::lagged(tmean_c.as_slice()?, lag_days)
        .map(|values| PyArray1::from_vec(py, values))
        .map_err(|e| to_python(py, e))
}

/// A daily series without gaps.
#[pyclass(frozen, eq, name = "Weather", module = "matledger._core")]
#[derive(PartialEq)]
pub struct PyWeather(pub Weather);

#[pymethods]
impl PyWeather {
    /// A series that is already whole: first day, columns, and which days were filled.
    #[new]
    fn new(
        py: Python<'_>,
        start_day: i64,
        tmin_c: PyReadonlyArray1<'_, f64>,
        tmax_c: PyReadonlyArray1<'_, f64>,
        rain_mm: Option<PyReadonlyArray1<'_, f64>>,
        filled: PyReadonlyArray1<'_, bool>,
    ) -> PyResult<Self> {
        let start = date(py, "start", start_day)?;
        let rain = rain_mm.as_ref().map(|r| r.as_slice()).transpose()?;
        Weather::from_parts(start, tmin_c.as_slice()?, tmax_c.as_slice()?, rain, filled.as_slice()?.to_vec())
            .map(Self)
            .map_err(|e| to_python(py, e))
    }

    /// A series from dated rows; `fill` holds the longest gap to interpolate, or `None` for the same day of other
    /// years.
    #[staticmethod]
    fn from_rows(
        py: Python<'_>,
        days: PyReadonlyArray1<'_, i64>,
        tmin_c: PyReadonlyArray1<'_, f64>,
        tmax_c: PyReadonlyArray1<'_, f64>,
        rain_mm: Option<PyReadonlyArray1<'_, f64>>,
        fill: Vec<Option<usize>>,
    ) -> PyResult<Self> {
        let dates = days.as_slice()?.iter().map(|day| date(py, "dates", *day)).collect::<PyResult<Vec<NaiveDate>>>()?;
        let rain = rain_mm.as_ref().map(|r| r.as_slice()).transpose()?;
        let rule = |longest: Option<usize>| match longest {
            Some(max_days) => FillRule::Interpolate { max_days },
            None => FillRule::SameDayOtherYears,
        };
        let rules: Vec<_> = fill.into_iter().map(rule).collect();
        Weather::new(&dates, tmin_c.as_slice()?, tmax_c.as_slice()?, rain, &rules)
            .map(Self)
            .map_err(|e| to_python(py, e))
    }

    #[getter]
    fn start_day(&self) -> i32 {
        self.0.start().to_epoch_days()
    }

    #[getter]
    fn tmin_c<'py>(&self, py: Python<'py>) -> Floats<'py> {
        PyArray1::from_slice(py, self.0.tmin_c())
    }

    #[getter]
    fn tmax_c<'py>(&self, py: Python<'py>) -> Floats<'py> {
        PyArray1::from_slice(py, self.0.tmax_c())
    }

    #[getter]
    fn rain_mm<'py>(&self, py: Python<'py>) -> Option<Floats<'py>> {
        self.0.rain_mm().map(|rain| PyArray1::from_slice(py, rain))
    }

    #[getter]
    fn filled<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<bool>> {
        PyArray1::from_slice(py, self.0.filled())
    }

    #[getter]
    fn complete_years(&self) -> Vec<i32> {
        self.0.complete_years()
    }

    fn slice(&self, py: Python<'_>, first_day: i64, last_day: i64) -> PyResult<Self> {
        let (first, last) = (date(py, "first", first_day)?, date(py, "last", last_day)?);
        self.0.slice(first, last).map(Self).map_err(|e| to_python(py, e))
    }
}
