//! The batch engine for Python: what is asked for is kept, the rest is gone when a block is done.

use super::errors::to_python;
use super::practice::PyWork;
use super::watch::watch;
use crate::column::{Account, LitterDepths, Sample};
use crate::engine::batch::{Batch, Block, Control, Ensemble};
use crate::engine::{Dated, Layout, Member, Outcome, Scenario};
use crate::error::Error;
use chrono::NaiveDate;
use numpy::{IntoPyArray, PyArray1, PyReadonlyArray1};
use pyo3::prelude::*;
use std::sync::atomic::Ordering;
use std::sync::{Mutex, OnceLock};

/// A quantity read from a sample, in the order of [`Kept::quantities`].
const QUANTITIES: [(&str, fn(&Outcome<f64>, usize) -> f64); 4] = [
    ("om_percent", |o, i| o.readings[i].om_percent()),
    ("om_kg_m2", |o, i| o.readings[i].om_g_m2 / 1000.0),
    ("thickness_mm", |o, i| o.readings[i].thickness_mm),
    ("surface_mm", |o, i| o.surface_mm[i]),
];

/// What becomes of a member.
const NOT_RUN: u8 = 0;
const FINISHED: u8 = 1;
const LEFT_ITS_DOMAIN: u8 = 2;

/// Depths and lengths that cut the ground; edges are as fine as the surface, and depths those of the crate, unless given.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
pub struct PyLayout {
    column_depth_mm: f64,
    fine_mm: f64,
    fine_to_mm: f64,
    coarse_mm: f64,
    blur_percent_mm: f64,
    stretch_days: usize,
    #[pyo3(default)]
    edge_mm: Option<f64>,
    #[pyo3(default)]
    mat_depth_mm: Option<f64>,
    #[pyo3(default)]
    litter_surface_mm: Option<f64>,
    #[pyo3(default)]
    root_scale_mm: Option<f64>,
}

impl From<PyLayout> for Layout {
    fn from(given: PyLayout) -> Self {
        let usual = Self::default();
        Self {
            column_depth_mm: given.column_depth_mm,
            fine_mm: given.fine_mm,
            fine_to_mm: given.fine_to_mm,
            coarse_mm: given.coarse_mm,
            edge_mm: given.edge_mm.unwrap_or(given.fine_mm),
            blur_percent_mm: given.blur_percent_mm,
            mat_depth_mm: given.mat_depth_mm.unwrap_or(usual.mat_depth_mm),
            litter: LitterDepths {
                surface_mm: given.litter_surface_mm.unwrap_or(usual.litter.surface_mm),
                root_scale_mm: given.root_scale_mm.unwrap_or(usual.litter.root_scale_mm),
            },
            stretch_days: given.stretch_days,
            ..usual
        }
    }
}

/// What a batch leaves, flat: by programme, member, then reading (or year, substance and entry of the ledger).
#[pyclass(frozen, name = "Batch", module = "matledger._core")]
pub struct PyBatch {
    /// Quantities by name.
    #[pyo3(get)]
    readings: Vec<(&'static str, Py<PyArray1<f64>>)>,
    /// Ledgers.
    #[pyo3(get)]
    ledger: Py<PyArray1<f64>>,
    /// 0 not run, 1 finished, 2 left its domain.
    #[pyo3(get)]
    status: Py<PyArray1<u8>>,
    /// Calendar years of the run.
    #[pyo3(get)]
    years: Vec<i32>,
    /// Whether it was stopped before its end.
    #[pyo3(get)]
    interrupted: bool,
}

struct Kept {
    members: usize,
    quantities: Vec<usize>,
    readings: Vec<Vec<f64>>,
    /// Ledger entries of a member: none, one span or one a year.
    spans: usize,
    ledger: Vec<f64>,
    status: Vec<u8>,
}

const ENTRIES: usize = 7;

fn entries(account: &Account<f64>) -> [f64; ENTRIES] {
    [account.start, account.gained, account.respired, account.cored_out, account.mown_out, account.below, account.end]
}

impl Kept {
    fn take(&mut self, samples: usize, block: &Block<'_>) {
        for (member, outcome) in block.members.iter().zip(&block.outcomes) {
            let row = block.scenario * self.members + member;
            let Some(outcome) = outcome else {
                self.status[row] = LEFT_ITS_DOMAIN;
                continue;
            };
            self.status[row] = FINISHED;
            for (kept, &quantity) in self.readings.iter_mut().zip(&self.quantities) {
                for asked in 0..samples {
                    kept[row * samples + asked] = QUANTITIES[quantity].1(outcome, block.plan.reading_of(asked));
                }
            }
            let total = outcome.total();
            let spans = if self.spans == 1 { total.as_slice() } else { &outcome.years[..self.spans] };
            for (span, ledger) in spans.iter().enumerate() {
                let at = (row * self.spans + span) * 2 * ENTRIES;
                self.ledger[at..at + ENTRIES].copy_from_slice(&entries(&ledger.om));
                self.ledger[at + ENTRIES..at + 2 * ENTRIES].copy_from_slice(&entries(&ledger.mineral));
            }
        }
    }
}

/// Runs members over programmes. `samples` are `(date, window, percent)`: a window of two depths, the layer above a
/// percentage, or, with neither, the layer above the root zone. `spans` is `none`, `total` or `year`.
#[pyfunction]
#[expect(clippy::too_many_arguments)]
#[pyo3(signature = (start, clippings_g_m2, decay_modifier, programmes, recorded_before, samples, layout, error_percent, members, unknowns,
    year_multipliers, quantities, spans, threads, progress))]
pub fn simulate(
    py: Python<'_>,
    start: NaiveDate,
    clippings_g_m2: PyReadonlyArray1<'_, f64>,
    decay_modifier: PyReadonlyArray1<'_, f64>,
    programmes: Vec<Vec<(NaiveDate, PyRef<'_, PyWork>)>>,
    recorded_before: NaiveDate,
    samples: Vec<(NaiveDate, Option<(f64, f64)>, Option<f64>)>,
    layout: PyLayout,
    error_percent: Option<f64>,
    members: usize,
    unknowns: Vec<(String, PyReadonlyArray1<'_, f64>)>,
    year_multipliers: Vec<PyReadonlyArray1<'_, f64>>,
    quantities: Vec<String>,
    spans: &str,
    threads: Option<usize>,
    progress: Option<Py<PyAny>>,
) -> PyResult<PyBatch> {
    let (clippings, modifier) = (clippings_g_m2.as_slice()?, decay_modifier.as_slice()?);
    let programmes: Vec<Vec<Dated>> = programmes
        .iter()
        .map(|work| work.iter().map(|(date, work)| Dated { date: *date, work: work.0 }).collect())
        .collect();
    let samples: Vec<(NaiveDate, Sample)> = samples
        .into_iter()
        .map(|(date, window, percent)| match (window, percent) {
            (Some((top_mm, bottom_mm)), _) => (date, Sample::Window { top_mm, bottom_mm }),
            (None, Some(percent)) => (date, Sample::AbovePercent(percent)),
            (None, None) => (date, Sample::AboveRootZone),
        })
        .collect();
    let mut columns = Vec::with_capacity(unknowns.len());
    for (name, values) in &unknowns {
        columns.push((name.as_str(), values.as_slice()?));
    }
    let mut multipliers = Vec::with_capacity(year_multipliers.len());
    for values in &year_multipliers {
        multipliers.push(values.as_slice()?);
    }
    let kept = QUANTITIES.iter().enumerate().filter(|(_, (name, _))| quantities.iter().any(|q| q == name));
    let kept: Vec<usize> = kept.map(|(index, _)| index).collect();
    let control = Control { threads, ..Control::default() };

    let ensemble = Ensemble::new(members, &columns, &multipliers).map_err(|error| to_python(py, error))?;
    let (nominal, layout) = (Member::typical(), Layout::from(layout));
    let scenarios: Vec<Scenario<'_>> = programmes
        .iter()
        .map(|work| Scenario {
            start,
            clippings_g_m2: clippings,
            decay_modifier: modifier,
            work,
            recorded_before,
            samples: &samples,
            profiles: &[],
            layout,
            nominal: &nominal,
        })
        .collect();
    let years = scenarios.first().map_or_else(Vec::new, Scenario::years);
    let rows = scenarios.len() * members;
    let spans = match spans {
        "year" => years.len(),
        "total" => 1,
        _ => 0,
    };
    let store = OnceLock::new();
    let keep = || {
        Mutex::new(Kept {
            members,
            readings: kept.iter().map(|_| vec![f64::NAN; rows * samples.len()]).collect(),
            quantities: kept.clone(),
            spans,
            ledger: vec![f64::NAN; rows * spans * 2 * ENTRIES],
            status: vec![NOT_RUN; rows],
        })
    };

    // Only a poisoned lock can be refused here, and that panic is already on its way up.
    let sink = |block: Block<'_>| {
        if let Ok(mut store) = store.get_or_init(keep).lock() {
            store.take(samples.len(), &block);
        }
    };
    let look = |py: Python<'_>| {
        let done = control.done.load(Ordering::Relaxed);
        progress.as_ref().map_or(Ok(()), |call| call.call1(py, (done, rows)).map(drop))
    };
    let (ran, watched) = watch(py, &control.stop, look, || {
        Batch::made(&scenarios, &ensemble, error_percent, &control.stop)?.run(&control, &sink)
    });
    let done = control.done.load(Ordering::Relaxed);
    let interrupted = match (ran, watched) {
        (Ok(()), Ok(())) => false,
        (Err(Error::Interrupted) | Ok(()), Err(error)) => {
            let by_keyboard = error.is_instance_of::<pyo3::exceptions::PyKeyboardInterrupt>(py);
            if done == 0 || !by_keyboard {
                return Err(error);
            }
            done < rows
        }
        (Err(error), _) => return Err(to_python(py, error)),
    };
    if let Some(call) = progress {
        call.call1(py, (done, rows))?;
    }
    let store = store
        .into_inner()
        .unwrap_or_else(keep)
        .into_inner()
        .map_err(|error| to_python(py, Error::Numerical(error.to_string())))?;
    let named = store.quantities.iter().zip(store.readings);
    Ok(PyBatch {
        readings: named.map(|(&i, values)| (QUANTITIES[i].0, values.into_pyarray(py).unbind())).collect(),
        ledger: store.ledger.into_pyarray(py).unbind(),
        status: store.status.into_pyarray(py).unbind(),
        years,
        interrupted,
    })
}

/// Names, least and largest values of the unknowns of a member.
#[pyfunction]
pub fn unknown_fields() -> Vec<(&'static str, f64, f64, f64)> {
    let mut typical = crate::engine::Member::typical();
    let values = typical.fields_mut().map(|value| *value);
    crate::engine::Field::ALL.iter().zip(values).map(|(f, value)| (f.name, f.low, f.high, value)).collect()
}
