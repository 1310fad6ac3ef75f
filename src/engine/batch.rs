//! Many members over one plan or several: side by side in lanes, blocks of lanes over threads.
//!
//! A member's results do not depend on its neighbours, the block it falls in, or the number of threads, to the bit.

use super::kernel::{Outcome, Standing};
use super::lanes::{LANES, run_lanes};
use super::member::{Field, MULTIPLIER, Member};
use super::plan::{Event, Plan};
use crate::column::{Account, Ledger, Reading};
use crate::error::{Error, Problems, Result};
use crate::number::Lanes;
use rayon::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// The unknowns of many members, one column each: a single value that all share, or one for each member.
#[derive(Debug, Clone)]
pub struct Ensemble<'a> {
    members: usize,
    /// In the order of [`Field::ALL`].
    columns: Vec<Column<'a>>,
    year_multipliers: Vec<Column<'a>>,
}

#[derive(Debug, Clone, Copy)]
enum Column<'a> {
    Same(f64),
    Each(&'a [f64]),
}

impl Column<'_> {
    fn of(&self, member: usize) -> f64 {
        match self {
            Column::Same(value) => *value,
            Column::Each(values) => values[member],
        }
    }

    fn median(&self) -> f64 {
        match self {
            Column::Same(value) => *value,
            Column::Each(values) => {
                let mut values = values.to_vec();
                let middle = values.len() / 2;
                *values.select_nth_unstable_by(middle, f64::total_cmp).1
            }
        }
    }
}

impl<'a> Ensemble<'a> {
    /// `members` members; what is not among `unknowns` (by the names of [`Field::ALL`]) is that of [`Member::typical`],
    /// years beyond `year_multipliers` have 1. A column holds one value or `members` values.
    ///
    /// # Errors
    /// [`Error::Input`] for names that are not known, columns of another length and values outside their domain, all at
    /// once.
    pub fn new(members: usize, unknowns: &[(&str, &'a [f64])], year_multipliers: &[&'a [f64]]) -> Result<Self> {
        let mut p = Problems::default();
        p.require(members > 0, "members", members, "at least one member");
        let mut typical = Member::typical();
        let mut columns: Vec<Column<'a>> = typical.fields_mut().map(|value| Column::Same(*value)).into();
        for (name, values) in unknowns {
            let place = format!("unknowns[{name:?}]");
            match Field::ALL.iter().position(|field| field.name == *name) {
                Some(index) => {
                    if let Some(column) = checked(&mut p, &place, &Field::ALL[index], values, members) {
                        columns[index] = column;
                    }
                }
                None => {
                    let names: Vec<_> = Field::ALL.iter().map(|field| field.name).collect();
                    p.require(false, "unknowns", name, format!("one of {}", names.join(", ")));
                }
            }
        }
        let multipliers = year_multipliers
            .iter()
            .enumerate()
            .filter_map(|(year, values)| {
                checked(&mut p, &format!("year_multipliers[{year}]"), &MULTIPLIER, values, members)
            })
            .collect();
        p.into_result(Self { members, columns, year_multipliers: multipliers })
    }

    /// Number of members.
    pub fn len(&self) -> usize {
        self.members
    }

    /// Whether there is no member.
    pub fn is_empty(&self) -> bool {
        self.members == 0
    }

    /// One member.
    ///
    /// # Panics
    /// If there is no such member.
    pub fn member(&self, index: usize) -> Member<f64> {
        self.filled(|column| column.of(index))
    }

    /// The member whose every unknown is the median; plans are made on it.
    pub fn median(&self) -> Member<f64> {
        self.filled(Column::median)
    }

    /// Members `first..first + LANES` side by side; the last one stands in for those beyond the end.
    fn lanes(&self, first: usize) -> Member<Lanes<LANES>> {
        let last = self.members - 1;
        self.filled(|column| Lanes(std::array::from_fn(|lane| column.of((first + lane).min(last)))))
    }

    fn filled<T: crate::number::Number>(&self, value: impl Fn(&Column<'a>) -> T) -> Member<T> {
        let mut member: Member<T> = Member::typical().lift();
        for (field, column) in member.fields_mut().into_iter().zip(&self.columns) {
            *field = value(column);
        }
        member.year_multipliers = self.year_multipliers.iter().map(value).collect();
        member
    }
}

fn checked<'a>(p: &mut Problems, place: &str, field: &Field, values: &'a [f64], members: usize) -> Option<Column<'a>> {
    let one_each = values.len() == members;
    p.require(
        one_each || values.len() == 1,
        place,
        format!("{} values", values.len()),
        format!("1 value, or one for each member ({members})"),
    );
    let outside = values.iter().filter(|value| !field.holds(**value)).count();
    if let Some(first) = values.iter().position(|value| !field.holds(*value)) {
        let more = if outside > 1 { format!(" (and {} more)", outside - 1) } else { String::new() };
        let place = if values.len() > 1 { format!("{place}[{first}]") } else { place.to_owned() };
        p.require(false, place, format!("{}{more}", values[first]), field.expected());
    }
    match values {
        [value] => Some(Column::Same(*value)),
        values if one_each => Some(Column::Each(values)),
        _ => None,
    }
}

/// Results of one block of members over one plan, as it leaves the engine.
#[derive(Debug)]
pub struct Block {
    /// Which plan.
    pub plan: usize,
    /// The first member.
    pub first: usize,
    /// Each member's outcome; `None` for one that left its domain (a mass that is no finite number).
    pub outcomes: Vec<Option<Outcome<f64>>>,
}

/// How a batch is run, and how it is watched.
#[derive(Debug, Default)]
pub struct Control {
    /// Threads; `None` for one a core.
    pub threads: Option<usize>,
    /// Set it to stop: blocks under way are finished, no other is begun.
    pub stop: AtomicBool,
    /// Members done so far, counted over all plans.
    pub done: AtomicUsize,
}

/// Runs every member over every plan and hands each block to `sink` as it is done, from several threads and in no
/// order; nothing is kept here.
///
/// # Errors
/// [`Error::Interrupted`] if stopped; [`Error::LedgerOpen`] if mass is lost or made (a bug); [`Error::Numerical`] if no
/// thread can be had.
pub fn run_batch(
    plans: &[Plan],
    members: &Ensemble<'_>,
    control: &Control,
    sink: &(impl Fn(Block) + Sync),
) -> Result<()> {
    let blocks = members.len().div_ceil(LANES);
    let one = |index: usize| {
        if control.stop.load(Ordering::Relaxed) {
            return Err(Error::Interrupted);
        }
        let (plan, first) = (index / blocks, index % blocks * LANES);
        let count = LANES.min(members.len() - first);
        let member = members.lanes(first);
        let plan_of = &plans[plan];
        let outcome = run_lanes(plan_of, &member, &mut Standing::start(plan_of, &member), &plan_of.tape);
        let outcomes = (0..count).map(|lane| lane_of(&outcome, lane)).collect::<Result<_>>()?;
        sink(Block { plan, first, outcomes });
        control.done.fetch_add(count, Ordering::Relaxed);
        Ok(())
    };
    let all = plans.len() * blocks;
    if all == 1 || control.threads == Some(1) {
        return (0..all).try_for_each(one);
    }
    let mut pool = rayon::ThreadPoolBuilder::new();
    if let Some(threads) = control.threads {
        pool = pool.num_threads(threads);
    }
    let pool = pool.build().map_err(|error| Error::Numerical(error.to_string()))?;
    pool.install(|| (0..all).into_par_iter().try_for_each(one))
}

/// One member's part, checked; `None` if it left its domain.
fn lane_of(outcome: &Outcome<Lanes<LANES>>, lane: usize) -> Result<Option<Outcome<f64>>> {
    let pick = |value: Lanes<LANES>| value.0[lane];
    let account = |a: &Account<Lanes<LANES>>| Account {
        start: pick(a.start),
        gained: pick(a.gained),
        respired: pick(a.respired),
        cored_out: pick(a.cored_out),
        mown_out: pick(a.mown_out),
        below: pick(a.below),
        end: pick(a.end),
    };
    let years: Vec<Ledger<f64>> =
        outcome.years.iter().map(|year| Ledger { om: account(&year.om), mineral: account(&year.mineral) }).collect();
    let read = |r: &Reading<Lanes<LANES>>| Reading {
        om_g_m2: pick(r.om_g_m2),
        mineral_g_m2: pick(r.mineral_g_m2),
        thickness_mm: pick(r.thickness_mm),
    };
    match years.iter().try_for_each(Ledger::check) {
        Ok(()) => Ok(Some(Outcome {
            readings: outcome.readings.iter().map(read).collect(),
            surface_mm: outcome.surface_mm.iter().copied().map(pick).collect(),
            years,
        })),
        Err(Error::Numerical(_)) => Ok(None),
        Err(bug) => Err(bug),
    }
}

/// Members side by side that have come to the first reading of a plan, from where every plan of the same past goes on.
#[derive(Debug)]
pub struct Fork {
    past: Vec<Event>,
    blocks: Vec<(usize, Member<Lanes<LANES>>, Standing<Lanes<LANES>>)>,
}

impl Fork {
    /// Runs members up to the first reading of a plan.
    ///
    /// # Errors
    /// [`Error::Input`] for no member or a plan that reads nothing; [`Error::Numerical`] and [`Error::LedgerOpen`] as for
    /// [`super::run`].
    pub fn new(plan: &Plan, members: &[Member<f64>]) -> Result<Self> {
        let mut p = Problems::default();
        p.require(!members.is_empty(), "members", "none", "at least one member");
        let first = plan.tape.iter().position(|event| matches!(event, Event::Read { .. }));
        p.require(first.is_some(), "plan", "no reading", "a plan that reads a sample");
        p.into_result(())?;
        let past = plan.tape[..first.unwrap_or_default()].to_vec();
        let blocks = members
            .chunks(LANES)
            .map(|block| {
                let member = Member::side_by_side(block);
                let mut standing = Standing::start(plan, &member);
                let outcome = run_lanes(plan, &member, &mut standing, &past);
                checked_years(&outcome, block.len()).map(|()| (block.len(), member, standing))
            })
            .collect::<Result<_>>()?;
        Ok(Self { past, blocks })
    }

    /// Runs the members on along a plan of the same past, and returns the last reading of each (% organic matter);
    /// `None` if the plan's past is another.
    ///
    /// # Errors
    /// As for [`Fork::new`].
    pub fn last_om_percent(&self, plan: &Plan) -> Result<Option<Vec<f64>>> {
        if !plan.tape.starts_with(&self.past) {
            return Ok(None);
        }
        let mut found = Vec::new();
        for (count, member, standing) in &self.blocks {
            let outcome = run_lanes(plan, member, &mut standing.clone(), &plan.tape[self.past.len()..]);
            checked_years(&outcome, *count)?;
            let last = outcome.readings.last().map(Reading::om_percent);
            found.extend(last.iter().flat_map(|percent| &percent.0[..*count]));
        }
        Ok(Some(found))
    }
}

/// Checks the ledgers of the first `count` lanes.
fn checked_years(outcome: &Outcome<Lanes<LANES>>, count: usize) -> Result<()> {
    (0..count).try_for_each(|lane| match lane_of(outcome, lane)? {
        Some(_) => Ok(()),
        None => Err(Error::Numerical("a mass is no finite number".into())),
    })
}
