//! Recovery, search and the choice by green for Python.

use super::calibration::{GivenSample, PySite, rows, sample};
use super::errors::to_python;
use super::forecast::{GivenDriving, given_calendars};
use super::practice::{PyCalendar, PyProgramme};
use super::watch::{pooled, watched};
use super::weather::PyWeather;
use crate::decision::{self, CoverReading, Healing, HealingPriors, Limit, Outlook, Progress, Scan, Together, Wound};
use crate::weather::resample::ToCome;
use chrono::NaiveDate;
use numpy::{PyArray1, PyArray2, PyArray3, PyArrayMethods, PyReadonlyArray2};
use pyo3::prelude::*;
use rayon::prelude::*;

/// Share of the surface opened, width (mm), whether it is round.
type GivenWound = (f64, f64, bool);

fn wound((area_share, width_mm, round): GivenWound) -> Wound {
    Wound { area_share, width_mm, round }
}

fn healing_of(row: &[f64]) -> Healing {
    Healing { creep_mm_per_degree_day: row[0], hidden_share: row[1], clearing_degree_days: row[2] }
}

/// Draws of creep (mm per degree day), hidden share (-) and clearing (degC d), given readings of a wound, degree days
/// and cover (-).
#[pyfunction]
pub fn healing(
    py: Python<'_>,
    readings: Vec<(GivenWound, f64, f64)>,
    draws: usize,
    seed: u64,
) -> PyResult<Bound<'_, PyArray2<f64>>> {
    let readings: Vec<CoverReading> = readings
        .into_iter()
        .map(|(given, degree_days, cover)| CoverReading { wound: wound(given), degree_days, cover })
        .collect();
    let found = pooled(py, || decision::healing(&HealingPriors::default(), &readings, draws, seed))
        .map_err(|error| to_python(py, error))?;
    let flat = found.iter().flat_map(|h| [h.creep_mm_per_degree_day, h.hidden_share, h.clearing_degree_days]).collect();
    PyArray1::from_vec(py, flat).reshape([found.len(), 3])
}

/// Days until a cover is reached, by year and draw; infinite if the days given do not suffice.
#[pyfunction]
pub fn days_to_cover<'py>(
    py: Python<'py>,
    given: GivenWound,
    draws: PyReadonlyArray2<'py, f64>,
    degree_days: PyReadonlyArray2<'py, f64>,
    cover: f64,
) -> PyResult<Bound<'py, PyArray2<f64>>> {
    let (wound, draws, years) = (wound(given), rows(&draws), rows(&degree_days));
    let days: Vec<f64> = pooled(py, || {
        years
            .par_iter()
            .flat_map_iter(|year| {
                draws
                    .iter()
                    .map(|row| healing_of(row).days_to(&wound, year, cover).map_or(f64::INFINITY, |days| days as f64))
            })
            .collect()
    });
    PyArray1::from_vec(py, days).reshape([years.len(), draws.len()])
}

/// Green cover at the end of each day: by year, draw and day.
#[pyfunction]
pub fn cover<'py>(
    py: Python<'py>,
    given: GivenWound,
    draws: PyReadonlyArray2<'py, f64>,
    degree_days: PyReadonlyArray2<'py, f64>,
) -> PyResult<Bound<'py, PyArray3<f64>>> {
    let (wound, draws, years) = (wound(given), rows(&draws), rows(&degree_days));
    let days = years.first().map_or(0, Vec::len);
    let covers: Vec<f64> = pooled(py, || {
        let one = |year: &Vec<f64>, row: &Vec<f64>| {
            let healing = healing_of(row);
            let mut sum = 0.0;
            let cover = |day: &f64| {
                sum += day;
                healing.cover(&wound, sum)
            };
            year.iter().map(cover).collect::<Vec<f64>>()
        };
        years.iter().flat_map(|year| draws.iter().flat_map(move |row| one(year, row))).collect()
    });
    PyArray1::from_vec(py, covers).reshape([years.len(), draws.len(), days])
}

/// A name, events (what each uses, and the options that need it), and how much there is.
type GivenTogether = (String, Vec<(f64, Vec<usize>)>, f64);

/// One option for each green under limits of a name, what each option uses on each green, and how much there is, and under
/// limits of what greens use together; None if nothing fits.
#[pyfunction]
pub fn choose(
    py: Python<'_>,
    worth: Vec<Vec<f64>>,
    limits: Vec<(String, Vec<Vec<f64>>, f64)>,
    together: Vec<GivenTogether>,
) -> PyResult<Option<(Vec<usize>, f64)>> {
    let limits: Vec<Limit> = limits.into_iter().map(|(name, uses, most)| Limit { name, uses, most }).collect();
    let together: Vec<Together> =
        together.into_iter().map(|(name, events, most)| Together { name, events, most }).collect();
    let found = pooled(py, || decision::choose(&worth, &limits, &together)).map_err(|error| to_python(py, error))?;
    Ok(found.map(|choice| (choice.option, choice.worth)))
}

type Scanned<'py> = ((NaiveDate, NaiveDate), Bound<'py, PyArray3<f64>>, Vec<Vec<PyCalendar>>);

/// The last reading of many programmes: first day and day of the reading; percent by programme, green and draw; the
/// calendars. Arguments as for `forecast`.
#[pyfunction]
#[expect(clippy::too_many_arguments)]
#[pyo3(signature = (site, draws, weather, driving, g_m2_per_degree_day, programmes, years, sequences, sampled, seed, tell=None))]
pub fn scan<'py>(
    py: Python<'py>,
    site: PyRef<'py, PySite>,
    draws: PyReadonlyArray2<'py, f64>,
    weather: PyRef<'py, PyWeather>,
    driving: GivenDriving,
    g_m2_per_degree_day: f64,
    programmes: Vec<PyRef<'py, PyProgramme>>,
    years: usize,
    sequences: usize,
    sampled: GivenSample,
    seed: u64,
    tell: Option<Py<PyAny>>,
) -> PyResult<Scanned<'py>> {
    let programmes: Vec<_> = programmes.iter().map(|programme| programme.0.clone()).collect();
    let draws = rows(&draws);
    let outlook = Outlook {
        model: &site.0,
        draws: &draws,
        weather: &weather.0,
        driving: driving.driving(py)?,
        g_m2_per_degree_day,
        years,
        sequences,
        to_come: ToCome::default(),
        seed,
    };
    let progress = Progress::default();
    let found = watched(py, tell, &progress, || Scan::run(&outlook, &programmes, sample(sampled), &progress))?;
    let percent = PyArray1::from_vec(py, found.om_percent).reshape(found.shape)?;
    Ok((found.span, percent, given_calendars(found.calendars)))
}
