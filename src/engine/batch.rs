//! Many members over one scenario or several: side by side in lanes, blocks of lanes over threads.
//!
//! A member's results do not depend on its neighbours, the block it falls in, or the number of threads, to the bit. The
//! tape that it runs on follows from its own growth alone: parcels are split and merged as for a member that swells
//! about as much, the rest nominal.

use super::kernel::{Outcome, Standing, trace};
use super::lanes::{Instructions, LANES, follow_with};
use super::member::{Field, MULTIPLIER, Member};
use super::plan::{Plan, Scenario};
use crate::column::{Ledger, Reading, Sample, TwoPools, Weathering};
use crate::error::{Error, Problems, Result};
use crate::number::{Lanes, Number};
use rayon::prelude::*;
use std::collections::BTreeMap;
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

    /// Up to `LANES` members side by side; the last one stands in for those that are missing.
    fn lanes(&self, members: &[usize]) -> Member<Lanes<LANES>> {
        let last = members.len() - 1;
        self.filled(|column| Lanes(std::array::from_fn(|lane| column.of(members[lane.min(last)]))))
    }

    fn filled<T: Number>(&self, value: impl Fn(&Column<'a>) -> T) -> Member<T> {
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

/// Members are grouped by the logarithm of how much they swell, and, where holes are opened, by how much of them sand
/// fills, in steps of these.
const SWELLING_STEP: f64 = 0.4;
const FILL_STEP: f64 = 0.15;
/// Groups of swelling on either side of the nominal member.
const MOST_STEPS: f64 = 8.0;

/// Thickness that a gram of clippings leaves after a year (mm), up to a factor that members share.
fn swelling(member: &Member<f64>, mean_modifier: f64) -> f64 {
    let year = Weathering::of(365.25 / 4.0, &[mean_modifier; 4], &[0.25; 4]);
    let pools = TwoPools::over(&year, &member.decay, member.litter_ratio);
    let years = &member.year_multipliers;
    let multiplier = if years.is_empty() { 1.0 } else { years.iter().sum::<f64>() / years.len() as f64 };
    (pools.young_fed + pools.old_fed) * multiplier / member.densities.om
}

/// Members of one ensemble that run on one tape.
#[derive(Debug)]
struct Group {
    scenario: usize,
    plan: Plan,
    members: Vec<usize>,
}

/// Scenarios and members, checked and ready to run.
#[derive(Debug)]
pub struct Batch<'a> {
    members: &'a Ensemble<'a>,
    groups: Vec<Group>,
    scenarios: usize,
}

/// Results of one block of members over one scenario, as it leaves the engine.
#[derive(Debug)]
pub struct Block<'a> {
    /// Which scenario.
    pub scenario: usize,
    /// The members.
    pub members: &'a [usize],
    /// The plan that they ran on; plans of one scenario read in one order.
    pub plan: &'a Plan,
    /// Each member's outcome; `None` for one that left its domain (a mass that is no finite number). Readings of a window
    /// whose bottom the column does not reach any more are NaN.
    pub outcomes: Vec<Option<Outcome<f64>>>,
}

/// How a batch is run, and how it is watched.
#[derive(Debug, Default)]
pub struct Control {
    /// Threads; `None` for one a core.
    pub threads: Option<usize>,
    /// Vector instructions that may be used.
    pub instructions: Instructions,
    /// Set it to stop: blocks under way are finished, no other is begun.
    pub stop: AtomicBool,
    /// Members done so far, counted over all plans.
    pub done: AtomicUsize,
}

impl<'a> Batch<'a> {
    /// Groups the members and makes the tapes.
    ///
    /// # Errors
    /// [`Error::Input`] with everything wrong in any scenario.
    pub fn new(scenarios: &[Scenario<'_>], members: &'a Ensemble<'a>) -> Result<Self> {
        let mut p = Problems::default();
        p.require(!scenarios.is_empty(), "scenarios", "none", "at least one");
        for (index, scenario) in scenarios.iter().enumerate() {
            let place = if scenarios.len() == 1 { "scenario".to_owned() } else { format!("scenarios[{index}]") };
            p.nest(&place, scenario.validate())?;
        }
        p.into_result(())?;
        let mut groups = Vec::new();
        let mut first_plans = Vec::new();
        for (index, scenario) in scenarios.iter().enumerate() {
            let modifier = scenario.decay_modifier;
            let mean = modifier.iter().sum::<f64>() / modifier.len() as f64;
            let nominal = swelling(scenario.nominal, mean);
            let opens = scenario.work.iter().any(|dated| dated.work.opening().is_some());
            let mut steps = BTreeMap::<(i64, i64), Vec<usize>>::new();
            for index in 0..members.len() {
                let member = members.member(index);
                let swells = (swelling(&member, mean) / nominal).ln() / SWELLING_STEP;
                let fills =
                    if opens { (member.fill_fraction - scenario.nominal.fill_fraction) / FILL_STEP } else { 0.0 };
                let key = (swells.round().clamp(-MOST_STEPS, MOST_STEPS) as i64, fills.round() as i64);
                steps.entry(key).or_default().push(index);
            }
            first_plans.push(Plan::new(scenario)?);
            groups.extend(steps.into_iter().map(|(step, members)| (index, step, members)));
        }
        let groups = groups.into_par_iter().map(|(index, (swells, fills), members)| {
            if (swells, fills) == (0, 0) {
                return Ok(Group { scenario: index, plan: first_plans[index].clone(), members });
            }
            let mut nominal = scenarios[index].nominal.clone();
            nominal.litter_ratio *= (swells as f64 * SWELLING_STEP).exp();
            nominal.fill_fraction = (nominal.fill_fraction + fills as f64 * FILL_STEP).clamp(0.0, 1.0);
            let plan = first_plans[index].for_nominal(&Scenario { nominal: &nominal, ..scenarios[index].clone() });
            Ok(Group { scenario: index, plan, members })
        });
        Ok(Self { members, groups: groups.collect::<Result<_>>()?, scenarios: scenarios.len() })
    }

    /// Members over all scenarios.
    pub fn runs(&self) -> usize {
        self.scenarios * self.members.len()
    }

    /// Calendar years of the runs.
    pub fn years(&self) -> &[i32] {
        self.groups.first().map_or(&[], |group| &group.plan.years)
    }

    /// Runs every member over every scenario and hands each block to `sink` as it is done, from several threads and in
    /// no order; nothing is kept here.
    ///
    /// # Errors
    /// [`Error::Interrupted`] if stopped; [`Error::LedgerOpen`] if mass is lost or made (a bug); [`Error::Numerical`] if
    /// no thread can be had.
    pub fn run(&self, control: &Control, sink: &(impl Fn(Block<'_>) + Sync)) -> Result<()> {
        let blocks: Vec<(&Group, &[usize])> = self
            .groups
            .iter()
            .flat_map(|group| group.members.chunks(LANES).map(move |members| (group, members)))
            .collect();
        let one = |&(group, members): &(&Group, &[usize])| {
            if control.stop.load(Ordering::Relaxed) {
                return Err(Error::Interrupted);
            }
            let plan = &group.plan;
            let outcomes = match members {
                // The same bits, without seven idle lanes.
                [member] => {
                    let outcome = trace(control.instructions, plan, &self.members.member(*member), |_, _| {});
                    vec![part_of(plan, &outcome, |value| value)?]
                }
                members => {
                    let side_by_side = self.members.lanes(members);
                    let mut standing = Standing::start(plan, &side_by_side);
                    let outcome =
                        follow_with(control.instructions, plan, &side_by_side, &mut standing, &plan.tape, |_, _| {});
                    (0..members.len()).map(|lane| part_of(plan, &outcome, |v| v.0[lane])).collect::<Result<_>>()?
                }
            };
            sink(Block { scenario: group.scenario, members, plan, outcomes });
            control.done.fetch_add(members.len(), Ordering::Relaxed);
            Ok(())
        };
        if blocks.len() == 1 || control.threads == Some(1) {
            return blocks.iter().try_for_each(one);
        }
        let mut pool = rayon::ThreadPoolBuilder::new();
        if let Some(threads) = control.threads {
            pool = pool.num_threads(threads);
        }
        let pool = pool.build().map_err(|error| Error::Numerical(error.to_string()))?;
        pool.install(|| blocks.par_iter().try_for_each(one))
    }
}

/// One member's part, checked; `None` if it left its domain. A window that the column does not reach through any more is
/// not a number.
pub(super) fn part_of<T: Number>(
    plan: &Plan,
    outcome: &Outcome<T>,
    pick: impl Fn(T) -> f64,
) -> Result<Option<Outcome<f64>>> {
    let years: Vec<Ledger<f64>> = outcome.years.iter().map(|year| year.map(&pick)).collect();
    let read = |((r, height), sample): ((&Reading<T>, &T), &Sample)| {
        let whole = match sample {
            Sample::Window { bottom_mm, .. } => plan.layout.depth_mm + pick(*height) > bottom_mm - 1e-6,
            Sample::AboveRootZone | Sample::AbovePercent(_) => true,
        };
        let kept = |value| if whole { pick(value) } else { f64::NAN };
        Reading { om_g_m2: kept(r.om_g_m2), mineral_g_m2: kept(r.mineral_g_m2), thickness_mm: kept(r.thickness_mm) }
    };
    match years.iter().try_for_each(Ledger::check) {
        Ok(()) => Ok(Some(Outcome {
            readings: outcome.readings.iter().zip(&outcome.surface_mm).zip(plan.samples()).map(read).collect(),
            surface_mm: outcome.surface_mm.iter().copied().map(&pick).collect(),
            years,
        })),
        Err(Error::Numerical(_)) => Ok(None),
        Err(bug) => Err(bug),
    }
}
