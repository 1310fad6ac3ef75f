//! Python classes of practice.

use super::errors::to_python;
use crate::error::{Problems, Result};
use crate::practice::programme::area_by_year;
use crate::practice::spreading;
use crate::practice::tine::Tine;
use crate::practice::work::{Coring, SandInjection, SolidTining, Topdressing, VerticalMowing, Work};
use crate::practice::{Calendar, DegreeDays, NoWork, Programme, Rule, Step, WhenNoWork};
use chrono::NaiveDate;
use numpy::PyReadonlyArray1;
use pyo3::prelude::*;

/// One piece of work.
#[pyclass(frozen, eq, name = "Work", module = "matledger._core")]
#[derive(PartialEq)]
pub struct PyWork(pub Work);

impl PyWork {
    fn checked(py: Python<'_>, work: Work) -> PyResult<Self> {
        work.validate().map_err(|error| to_python(py, error))?;
        Ok(Self(work))
    }
}

#[pymethods]
impl PyWork {
    #[staticmethod]
    #[expect(clippy::too_many_arguments)]
    fn coring(
        py: Python<'_>,
        inside_diameter_mm: f64,
        spacing_mm: (f64, f64),
        depth_mm: f64,
        depth_sd_mm: f64,
        passes: u32,
        returned_mineral_share: f64,
        returned_om_share: f64,
        holes_open_days: u32,
    ) -> PyResult<Self> {
        let tine = Tine { inside_diameter_mm };
        let work = Coring {
            tine,
            spacing_mm,
            depth_mm,
            depth_sd_mm,
            passes,
            returned_mineral_share,
            returned_om_share,
            holes_open_days,
        };
        Self::checked(py, Work::Coring(work))
    }

    #[staticmethod]
    fn solid_tining(
        py: Python<'_>,
        diameter_mm: f64,
        spacing_mm: (f64, f64),
        depth_mm: f64,
        depth_sd_mm: f64,
        passes: u32,
        holes_open_days: u32,
    ) -> PyResult<Self> {
        let work = SolidTining { diameter_mm, spacing_mm, depth_mm, depth_sd_mm, passes, holes_open_days };
        Self::checked(py, Work::SolidTining(work))
    }

    #[staticmethod]
    fn vertical_mowing(
        py: Python<'_>,
        blade_width_mm: f64,
        blade_spacing_mm: f64,
        depth_mm: f64,
        passes: u32,
        removed_share: f64,
        holes_open_days: u32,
    ) -> PyResult<Self> {
        let work =
            VerticalMowing { blade_width_mm, blade_spacing_mm, depth_mm, passes, removed_share, holes_open_days };
        Self::checked(py, Work::VerticalMowing(work))
    }

    #[staticmethod]
    fn sand_injection(py: Python<'_>, sand_g_m2: f64, from_mm: f64, to_mm: f64) -> PyResult<Self> {
        Self::checked(py, Work::SandInjection(SandInjection { sand_g_m2, from_mm, to_mm }))
    }

    #[staticmethod]
    fn topdressing(py: Python<'_>, sand_g_m2: f64, passes: u32, picked_up_share: f64) -> PyResult<Self> {
        Self::checked(py, Work::Topdressing(Topdressing { sand_g_m2, passes, picked_up_share }))
    }

    #[getter]
    fn kind(&self) -> &'static str {
        self.0.kind()
    }

    #[getter]
    fn area_fraction(&self) -> f64 {
        self.0.area_fraction()
    }

    #[getter]
    fn area_share(&self) -> f64 {
        self.0.area_share()
    }

    #[getter]
    fn area_plain_sum(&self) -> f64 {
        self.0.area_plain_sum()
    }

    #[getter]
    fn holes_per_m2(&self) -> Option<f64> {
        self.0.holes_per_m2()
    }

    #[getter]
    fn hole_volume_mm(&self) -> f64 {
        self.0.hole_volume_mm()
    }

    #[getter]
    fn sand_g_m2(&self) -> f64 {
        self.0.sand_g_m2()
    }
}

/// Rules, work and days without it.
#[pyclass(frozen, eq, name = "Programme", module = "matledger._core")]
#[derive(PartialEq)]
pub struct PyProgramme(pub Programme);

#[pymethods]
impl PyProgramme {
    #[new]
    fn new(
        py: Python<'_>,
        name: String,
        steps: Vec<(String, Vec<PyRef<'_, PyWork>>)>,
        no_work: Vec<String>,
        next_work_day: bool,
    ) -> PyResult<Self> {
        let when_no_work = if next_work_day { WhenNoWork::NextWorkDay } else { WhenNoWork::Skip };
        let steps: Vec<(String, Vec<Work>)> =
            steps.into_iter().map(|(rule, works)| (rule, works.iter().map(|work| work.0).collect())).collect();
        read(name, &steps, &no_work, when_no_work).map(Self).map_err(|error| to_python(py, error))
    }

    /// The rules as the library writes them.
    #[getter]
    fn rules(&self) -> Vec<String> {
        self.0.steps.iter().map(|step| step.rule.to_string()).collect()
    }

    /// The days without work as the library writes them.
    #[getter]
    fn no_work(&self) -> Vec<String> {
        self.0.no_work.iter().map(NoWork::to_string).collect()
    }

    #[pyo3(signature = (first, last, degree_days=None))]
    fn calendar(
        &self,
        py: Python<'_>,
        first: NaiveDate,
        last: NaiveDate,
        degree_days: Option<(NaiveDate, PyReadonlyArray1<'_, f64>)>,
    ) -> PyResult<PyCalendar> {
        let series = match &degree_days {
            Some((start, values)) => Some(DegreeDays { start: *start, values: values.as_slice()? }),
            None => None,
        };
        py.detach(|| self.0.calendar(first, last, series)).map(PyCalendar).map_err(|error| to_python(py, error))
    }
}

/// Reads every text before it fails, so that all problems come at once.
fn read(
    name: String,
    steps: &[(String, Vec<Work>)],
    no_work: &[String],
    when_no_work: WhenNoWork,
) -> Result<Programme> {
    let mut p = Problems::default();
    let mut programme = Programme { name, steps: Vec::new(), no_work: Vec::new(), when_no_work };
    for (i, (rule, works)) in steps.iter().enumerate() {
        if let Some(rule) = p.nest(&format!("steps[{i}]"), Rule::parse(rule))? {
            programme.steps.push(Step { rule, works: works.clone() });
        }
    }
    for (i, text) in no_work.iter().enumerate() {
        programme.no_work.extend(p.nest(&format!("no_work[{i}]"), NoWork::parse(text))?);
    }
    p.into_result(())?;
    programme.validate()?;
    Ok(programme)
}

/// Dated work, and what was not done as the rules say.
#[pyclass(frozen, name = "Calendar", module = "matledger._core")]
pub struct PyCalendar(pub Calendar);

#[pymethods]
impl PyCalendar {
    /// Date, step and work within the step.
    #[getter]
    fn dated(&self) -> Vec<(NaiveDate, usize, usize)> {
        self.0.dated.iter().zip(&self.0.origin).map(|(dated, (step, work))| (dated.date, *step, *work)).collect()
    }

    /// Step, date and reason.
    #[getter]
    fn skipped(&self) -> Vec<(usize, NaiveDate, String)> {
        self.0.skipped.iter().map(|s| (s.step, s.date, s.reason.to_string())).collect()
    }

    /// Step, the date due and the date done.
    #[getter]
    fn moved(&self) -> Vec<(usize, NaiveDate, NaiveDate)> {
        self.0.moved.iter().map(|m| (m.step, m.from, m.to)).collect()
    }

    /// Step and first day of the season.
    #[getter]
    fn uncounted(&self) -> Vec<(usize, NaiveDate)> {
        self.0.uncounted.iter().map(|u| (u.step, u.season)).collect()
    }

    /// Year, union, plain sum, union and plain sum of solid work, sand in g/m2.
    fn area_by_year(&self) -> Vec<(i32, f64, f64, f64, f64, f64)> {
        area_by_year(&self.0.dated)
            .into_iter()
            .map(|y| (y.year, y.union, y.plain_sum, y.solid_union, y.solid_plain_sum, y.sand_g_m2))
            .collect()
    }
}

/// Passes of spreading and dragging that fill the holes.
#[pyfunction]
pub fn passes_to_fill(py: Python<'_>, hole_volume_mm: f64, fill_fraction: f64, sand_mm_per_pass: f64) -> PyResult<u32> {
    spreading::passes_to_fill(hole_volume_mm, fill_fraction, sand_mm_per_pass).map_err(|error| to_python(py, error))
}

/// Swaths of a spreader that cover a green.
#[pyfunction]
pub fn spreader_swaths(py: Python<'_>, swath_m: f64, green_width_m: f64) -> PyResult<u32> {
    spreading::spreader_swaths(swath_m, green_width_m).map_err(|error| to_python(py, error))
}
