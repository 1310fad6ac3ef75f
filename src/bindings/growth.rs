//! Python functions of growth.

use super::errors::to_python;
use super::weather::{choose, date};
use crate::growth::clippings::{self, ClippingRecord, Grass, SiteYield, YieldSource};
use numpy::{PyArray1, PyReadonlyArray1};
use pyo3::prelude::*;

/// Green, first and last day from 1970-01-01, dry mass (g/m2).
pub(super) type Row = (String, i64, i64, f64);

/// Median yield per degree day, its log-sd, records that told something, whether only the prior stands behind it.
type YieldRow = (f64, f64, usize, bool);

/// Mass of each day, days measured, records spread evenly.
type Daily<'py> = (Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<bool>>, Vec<usize>);

pub(super) fn records(py: Python<'_>, rows: Vec<Row>) -> PyResult<Vec<ClippingRecord>> {
    rows.into_iter()
        .map(|(green, first, last, dry_g_m2)| {
            let (first_day, last_day) = (date(py, "first_day", first)?, date(py, "last_day", last)?);
            Ok(ClippingRecord { green, first_day, last_day, dry_g_m2 })
        })
        .collect()
}

/// Dry matter in a litre of fresh clippings (g/L).
#[pyfunction]
pub fn dry_matter_g_l(py: Python<'_>, grass: &str) -> PyResult<f64> {
    let grasses = [
        ("creeping bentgrass", Grass::CreepingBentgrass),
        ("ultradwarf bermudagrass", Grass::UltradwarfBermudagrass),
        ("manilagrass", Grass::Manilagrass),
    ];
    choose(py, "grass", grass, &grasses).map(Grass::dry_matter_g_l)
}

/// Dry mass (g/m2) from fresh volume.
#[pyfunction]
pub fn dry_g_m2(py: Python<'_>, volume_l_m2: f64, dry_matter_g_l: f64) -> PyResult<f64> {
    clippings::dry_g_m2(volume_l_m2, dry_matter_g_l).map_err(|e| to_python(py, e))
}

/// Whether a record is sound in itself.
#[pyfunction]
pub fn check_clipping_record(py: Python<'_>, row: Row) -> PyResult<()> {
    records(py, vec![row])?.iter().try_for_each(ClippingRecord::validate).map_err(|e| to_python(py, e))
}

/// Clippings per degree day.
#[pyfunction]
pub fn site_yield(
    py: Python<'_>,
    start_day: i64,
    degree_days: PyReadonlyArray1<'_, f64>,
    rows: Vec<Row>,
    prior_annual_g_m2: f64,
    prior_log_sd: f64,
) -> PyResult<YieldRow> {
    let start = date(py, "start", start_day)?;
    let records = records(py, rows)?;
    clippings::site_yield(start, degree_days.as_slice()?, &records, prior_annual_g_m2, prior_log_sd)
        .map(|b| (b.g_m2_per_degree_day, b.log_sd, b.records, b.source == YieldSource::Prior))
        .map_err(|e| to_python(py, e))
}

/// Degree days of a mean year (degC d).
#[pyfunction]
pub fn annual_degree_days(py: Python<'_>, degree_days: PyReadonlyArray1<'_, f64>) -> PyResult<f64> {
    clippings::annual_degree_days(degree_days.as_slice()?).map_err(|e| to_python(py, e))
}

/// Clippings of each day.
#[pyfunction]
pub fn daily_clippings<'py>(
    py: Python<'py>,
    start_day: i64,
    degree_days: PyReadonlyArray1<'py, f64>,
    rows: Vec<Row>,
    site_yield: YieldRow,
) -> PyResult<Daily<'py>> {
    let start = date(py, "start", start_day)?;
    let records = records(py, rows)?;
    let (g_m2_per_degree_day, log_sd, records_used, prior) = site_yield;
    let source = if prior { YieldSource::Prior } else { YieldSource::Records };
    let site_yield = SiteYield { g_m2_per_degree_day, log_sd, records: records_used, source };
    let daily = clippings::daily_clippings(start, degree_days.as_slice()?, &records, &site_yield)
        .map_err(|e| to_python(py, e))?;
    Ok((PyArray1::from_vec(py, daily.g_m2), PyArray1::from_vec(py, daily.measured), daily.spread_evenly))
}
