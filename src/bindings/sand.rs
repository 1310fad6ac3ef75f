//! Python's view of the sand and of the days of the work.

use super::errors::to_python;
use super::practice::PyWork;
use super::watch::pooled;
use crate::column::Sample;
use crate::engine::batch::Ensemble;
use crate::engine::sand_shares::follow_sands;
use crate::engine::{Dated, Layout, Plan, Scenario};
use crate::error::{Problems, Result};
use crate::practice::order::{self, Buying};
use crate::practice::spreading::catch_pans as core_catch_pans;
use crate::practice::work_day::{self, Step};
use crate::sand::grading::{self, Grading};
use crate::sand::sieve::{US_SIEVES, USDA_CLASSES, USGA_CLASSES};
use crate::sand::{Layering, Limit, Specification, layering};
use chrono::NaiveDate;
use numpy::PyReadonlyArray1;
use pyo3::prelude::*;

/// How much of a sand is finer than each size.
#[pyclass(frozen, eq, name = "Grading", module = "matledger._core")]
#[derive(PartialEq)]
pub struct PyGrading(Grading);

type FoundPercent = Option<(f64, bool)>;

#[pymethods]
impl PyGrading {
    #[staticmethod]
    fn from_finer(py: Python<'_>, sizes_mm: Vec<f64>, finer_percent: Vec<f64>) -> PyResult<Self> {
        Grading::from_finer(sizes_mm, finer_percent).map(Self).map_err(|error| to_python(py, error))
    }

    #[staticmethod]
    fn from_masses(
        py: Python<'_>,
        sizes_mm: Vec<f64>,
        masses_g: Vec<f64>,
        cumulative: bool,
        pan_g: Option<f64>,
        sample_g: Option<f64>,
    ) -> PyResult<Self> {
        let read = if cumulative { Grading::from_cumulative } else { Grading::from_retained };
        read(sizes_mm, &masses_g, pan_g, sample_g).map(Self).map_err(|error| to_python(py, error))
    }

    #[staticmethod]
    fn mixed(py: Python<'_>, parts: Vec<(PyRef<'_, PyGrading>, f64)>) -> PyResult<Self> {
        let parts: Vec<(&Grading, f64)> = parts.iter().map(|(grading, share)| (&grading.0, *share)).collect();
        Grading::mixed(&parts).map(Self).map_err(|error| to_python(py, error))
    }

    #[getter]
    fn sizes_mm(&self) -> Vec<f64> {
        self.0.sizes_mm().to_vec()
    }

    #[getter]
    fn finer_percent(&self) -> Vec<f64> {
        self.0.finer_percent().to_vec()
    }

    fn finer(&self, size_mm: f64) -> FoundPercent {
        self.0.finer(size_mm).map(|finer| (finer.percent, finer.measured))
    }

    fn between(&self, lower_mm: f64, upper_mm: f64) -> FoundPercent {
        self.0.between(lower_mm, upper_mm).map(|found| (found.percent, found.measured))
    }

    fn d_mm(&self, percent: f64) -> Option<f64> {
        self.0.d_mm(percent)
    }

    #[getter]
    fn uniformity(&self) -> Option<f64> {
        self.0.uniformity()
    }

    #[getter]
    fn curvature(&self) -> Option<f64> {
        self.0.curvature()
    }

    #[getter]
    fn gradation_index(&self) -> Option<f64> {
        self.0.gradation_index()
    }

    #[getter]
    fn fineness_modulus(&self) -> Option<f64> {
        self.0.fineness_modulus()
    }

    /// Whether the upper layer is the finer; ratios; bridging, permeability, uniformity; whether each is held.
    fn over(&self, py: Python<'_>, lower: &PyGrading) -> PyResult<(bool, [f64; 3], [f64; 3], [bool; 3])> {
        let found = Layering::new(&self.0, &lower.0).map_err(|error| to_python(py, error))?;
        let factors = [found.bridging, found.permeability, found.uniformity];
        Ok((found.finer_above, found.ratios, factors, [found.bridges(), found.drains(), found.is_uniform()]))
    }
}

type LimitRow = (String, f64, f64, Option<f64>, Option<f64>);

/// Limits on a grading.
#[pyclass(frozen, eq, name = "Specification", module = "matledger._core")]
#[derive(PartialEq)]
pub struct PySpecification(Specification);

#[pymethods]
impl PySpecification {
    #[new]
    fn new(py: Python<'_>, limits: Vec<LimitRow>) -> PyResult<Self> {
        let limits = limits
            .into_iter()
            .map(|(name, lower_mm, upper_mm, least_percent, most_percent)| Limit {
                name,
                lower_mm,
                upper_mm,
                least_percent,
                most_percent,
            })
            .collect();
        Specification::new(limits).map(Self).map_err(|error| to_python(py, error))
    }

    #[staticmethod]
    fn usga_root_zone() -> Self {
        Self(Specification::usga_root_zone())
    }

    #[getter]
    fn limits(&self) -> Vec<LimitRow> {
        let row = |l: &Limit| (l.name.clone(), l.lower_mm, l.upper_mm, l.least_percent, l.most_percent);
        self.0.limits().iter().map(row).collect()
    }

    /// Percentage, whether measured, whether held.
    fn check(&self, sand: &PyGrading) -> Vec<(Option<f64>, bool, Option<bool>)> {
        self.0.check(&sand.0).into_iter().map(|c| (c.percent, c.measured, c.held)).collect()
    }

    fn envelope(&self) -> Vec<(f64, f64, f64)> {
        self.0.envelope()
    }
}

/// Number and opening (mm) of the US sieves.
#[pyfunction]
pub fn us_sieves() -> Vec<(u32, f64)> {
    US_SIEVES.to_vec()
}

/// Name, lower and upper size (mm) of the classes: of the USGA, or of the USDA.
#[pyfunction]
pub fn size_classes(usga: bool) -> Vec<(&'static str, f64, f64)> {
    if usga { USGA_CLASSES.to_vec() } else { USDA_CLASSES.to_vec() }
}

/// Least and most D15 of a filter over a base (mm).
#[pyfunction]
pub fn filter_d15_mm(base_d15_mm: f64, base_d85_mm: f64) -> (f64, f64) {
    layering::filter_d15_mm(base_d15_mm, base_d85_mm)
}

/// Porosity of a bulk density.
#[pyfunction]
pub fn porosity(py: Python<'_>, bulk_density_g_cm3: f64, particle_density_g_cm3: f64) -> PyResult<f64> {
    grading::porosity(bulk_density_g_cm3, particle_density_g_cm3).map_err(|error| to_python(py, error))
}

/// Bulk density at a porosity.
#[pyfunction]
pub fn bulk_density_g_cm3(py: Python<'_>, porosity: f64, particle_density_g_cm3: f64) -> PyResult<f64> {
    grading::bulk_density_g_cm3(porosity, particle_density_g_cm3).map_err(|error| to_python(py, error))
}

/// Date; sand, in holes, on the surface, room left, thickest layer (g/m2); passes said and needed.
type DayRow = (NaiveDate, f64, f64, f64, f64, f64, u32, u32);

/// Sand of each day on one green.
#[pyfunction]
pub fn sand_by_day(
    py: Python<'_>,
    work: Vec<(NaiveDate, PyRef<'_, PyWork>)>,
    fill_fraction: f64,
    draggable_mm: f64,
) -> PyResult<Vec<DayRow>> {
    let work: Vec<Dated> = work.iter().map(|(date, work)| Dated { date: *date, work: work.0 }).collect();
    let days = order::sand_by_day(&work, fill_fraction, draggable_mm).map_err(|error| to_python(py, error))?;
    let row = |d: order::DaySand| {
        (
            d.date,
            d.sand_g_m2,
            d.in_holes_g_m2,
            d.on_surface_g_m2,
            d.room_left_g_m2,
            d.thickest_layer_g_m2,
            d.passes,
            d.passes_needed,
        )
    };
    Ok(days.into_iter().map(row).collect())
}

/// Used, wasted (t dry), loads, delivered (t), stock (t dry) for each need.
#[pyfunction]
pub fn deliveries(
    py: Python<'_>,
    needs_dry_t: Vec<f64>,
    moisture: f64,
    waste: f64,
    stock_dry_t: f64,
    load_t: f64,
) -> PyResult<Vec<(f64, f64, u32, f64, f64)>> {
    let buying = Buying { moisture, waste, stock_dry_t, load_t };
    let found = buying.deliveries(&needs_dry_t).map_err(|error| to_python(py, error))?;
    let row = |d: order::Delivery| (d.sand_dry_t, d.wasted_dry_t, d.loads, d.delivered_moist_t, d.stock_dry_t);
    Ok(found.into_iter().map(row).collect())
}

/// Step, green, start and end (h) of each slot of a day; steps are (name, machine, people, hours by green).
#[pyfunction]
pub fn schedule(
    py: Python<'_>,
    steps: Vec<(String, Option<usize>, u32, Vec<f64>)>,
    machines: Vec<u32>,
    crew: u32,
) -> PyResult<Vec<(usize, usize, f64, f64)>> {
    let steps: Vec<Step> =
        steps.into_iter().map(|(name, machine, people, hours)| Step { name, machine, people, hours }).collect();
    let slots = work_day::schedule(&steps, &machines, crew).map_err(|error| to_python(py, error))?;
    Ok(slots.into_iter().map(|slot| (slot.step, slot.green, slot.from_h, slot.to_h)).collect())
}

/// Trips of a cart.
#[pyfunction]
pub fn cart_trips(py: Python<'_>, mass_kg: f64, volume_l: f64, payload_kg: f64, bed_l: f64) -> PyResult<u32> {
    work_day::cart_trips(mass_kg, volume_l, payload_kg, bed_l).map_err(|error| to_python(py, error))
}

/// Mean, interval (g/m2), and spread between pans.
#[pyfunction]
pub fn catch_pans(
    py: Python<'_>,
    masses_g: Vec<f64>,
    pan_m2: f64,
    passes: u32,
    moisture: f64,
    level: f64,
) -> PyResult<(f64, (f64, f64), Option<f64>)> {
    let rate = core_catch_pans(&masses_g, pan_m2, passes, moisture, level).map_err(|e| to_python(py, e))?;
    Ok((rate.mean_g_m2, rate.interval_g_m2, rate.between_pans))
}

/// Mass of each sand in each sample (g/m2), and each sand's account: start, brought, cored out, mown out, end (g/m2).
type SandRows = (Vec<Vec<f64>>, Vec<[f64; 5]>);

/// Follows sands through the ground; `sands` numbers the sand of each piece of work from 1.
#[pyfunction]
#[expect(clippy::too_many_arguments)]
pub fn sand_shares(
    py: Python<'_>,
    start: NaiveDate,
    clippings_g_m2: PyReadonlyArray1<'_, f64>,
    decay_modifier: PyReadonlyArray1<'_, f64>,
    work: Vec<(NaiveDate, PyRef<'_, PyWork>)>,
    sands: Vec<usize>,
    samples: Vec<(NaiveDate, (f64, f64))>,
    column_depth_mm: f64,
    mat_depth_mm: f64,
    stretch_days: usize,
    unknowns: Vec<(String, PyReadonlyArray1<'_, f64>)>,
) -> PyResult<SandRows> {
    let (clippings, modifier) = (clippings_g_m2.as_slice()?, decay_modifier.as_slice()?);
    let work: Vec<Dated> = work.iter().map(|(date, work)| Dated { date: *date, work: work.0 }).collect();
    let samples: Vec<(NaiveDate, Sample)> =
        samples.into_iter().map(|(date, (top_mm, bottom_mm))| (date, Sample::Window { top_mm, bottom_mm })).collect();
    let mut columns = Vec::with_capacity(unknowns.len());
    for (name, values) in &unknowns {
        columns.push((name.as_str(), values.as_slice()?));
    }
    let follow = || -> Result<SandRows> {
        let mut p = Problems::default();
        p.require(
            sands.len() == work.len(),
            "sands",
            sands.len(),
            format!("one for each piece of work ({})", work.len()),
        );
        p.into_result(())?;
        let mut brought: Vec<(NaiveDate, usize)> = work
            .iter()
            .zip(&sands)
            .filter(|(dated, _)| dated.work.sand_g_m2() > 0.0)
            .map(|(dated, sand)| (dated.date, *sand))
            .collect();
        brought.sort_by_key(|(date, _)| *date);
        let brought_by: Vec<usize> = brought.into_iter().map(|(_, sand)| sand).collect();
        let member = Ensemble::new(1, &columns, &[])?.member(0);
        let plan = Plan::new(&Scenario {
            start,
            clippings_g_m2: clippings,
            decay_modifier: modifier,
            work: &work,
            recorded_before: start,
            samples: &samples,
            profiles: &[],
            // Parcels are never merged, so that no sand blurs into its neighbour.
            layout: Layout { column_depth_mm, mat_depth_mm, stretch_days, blur_percent_mm: 0.0, ..Layout::default() },
            nominal: &member,
        })?;
        let found = follow_sands(&plan, &member, &brought_by)?;
        let readings = (0..samples.len()).map(|asked| found.readings[plan.reading_of(asked)].clone()).collect();
        let accounts = found.accounts.iter().map(|a| [a.start, a.brought, a.cored_out, a.mown_out, a.end]).collect();
        Ok((readings, accounts))
    };
    pooled(py, follow).map_err(|error| to_python(py, error))
}
