//! Many members over one scenario or several: side by side in lanes, blocks of lanes over threads.
//!
//! A member's results do not depend on its neighbours, the block it falls in, or the number of threads, to the bit. The
//! tape that it runs on follows from its own growth alone: parcels are split and merged as for a member that swells
//! about as much, the rest nominal.

use super::grades;
use super::kernel::{Outcome, Standing, trace};
use super::lanes::{Instructions, LANES, follow_with};
use super::member::{Field, MULTIPLIER, Member};
use super::plan::{Plan, Scenario};
use crate::column::decay::DAYS_PER_YEAR;
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
            if let Some(index) = Field::ALL.iter().position(|field| field.name == *name) {
                if let Some(column) = checked(&mut p, &place, &Field::ALL[index], values, members) {
                    columns[index] = column;
                }
            } else {
                let names: Vec<_> = Field::ALL.iter().map(|field| field.name).collect();
                p.require(false, "unknowns", name, format!("one of {}", names.join(", ")));
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

/// Members are grouped by the logarithm of how much their top swells, and, where holes are opened, by how much of them
/// sand fills, in steps of these.
const SWELLING_STEP: f64 = 0.25;
const FILL_STEP: f64 = 0.15;
/// Groups of swelling on either side of the nominal member.
const MOST_STEPS: f64 = 13.0;

/// Thickness that a gram of clippings, fallen over a year, leaves in the surface layer at its end (mm).
fn swelling(member: &Member<f64>, year: &Weathering) -> f64 {
    let pools = TwoPools::over(year, &member.decay, member.litter_ratio);
    let years = &member.year_multipliers;
    let multiplier = if years.is_empty() { 1.0 } else { years.iter().sum::<f64>() / years.len() as f64 };
    let volume_mm = 1.0 / (member.densities.om * 1000.0);
    (pools.young_fed + pools.old_fed) * multiplier * (1.0 - member.root_share) * volume_mm
}

/// What the members of a group have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    /// Decays faster than the series of a stretch's weather hold for.
    TooFast,
    /// Runs on parcels of this grade, or of the scenario's layout, at so many steps of swelling and filling.
    Alike { grade: Option<usize>, swells: i64, fills: i64 },
}

/// Members of one ensemble that run on one tape.
#[derive(Debug)]
struct Group {
    scenario: usize,
    kind: Kind,
    plan: Plan,
    members: Vec<usize>,
}

/// How the members of a scenario are grouped.
struct Kinds<'a> {
    nominal: &'a Member<f64>,
    error_percent: Option<f64>,
    /// A year of the scenario's mean warmth in which a gram falls.
    mean_year: Weathering,
    /// Swelling of the nominal member.
    swells: f64,
    clippings_g_m2_yr: f64,
    sand_g_m2_yr: f64,
    opens: bool,
}

impl<'a> Kinds<'a> {
    fn of(scenario: &Scenario<'a>, error_percent: Option<f64>) -> Self {
        let mean = |series: &[f64]| series.iter().sum::<f64>() / series.len() as f64;
        let sand: f64 = scenario.work.iter().map(|dated| dated.work.sand_g_m2()).sum();
        let mean_year = Weathering::of(DAYS_PER_YEAR / 4.0, &[mean(scenario.decay_modifier); 4], &[0.25; 4]);
        Self {
            nominal: scenario.nominal,
            error_percent,
            swells: swelling(scenario.nominal, &mean_year),
            mean_year,
            clippings_g_m2_yr: mean(scenario.clippings_g_m2) * DAYS_PER_YEAR,
            sand_g_m2_yr: sand / scenario.clippings_g_m2.len() as f64 * DAYS_PER_YEAR,
            opens: scenario.work.iter().any(|dated| dated.work.opening().is_some()),
        }
    }

    fn find(&self, member: &Member<f64>) -> Kind {
        if member.decay.within_series().is_err() {
            return Kind::TooFast;
        }
        let own = swelling(member, &self.mean_year);
        let swells = ((own / self.swells).ln() / SWELLING_STEP).round().clamp(-MOST_STEPS, MOST_STEPS) as i64;
        let fills = (member.fill_fraction - self.nominal.fill_fraction) / FILL_STEP;
        let fills = if self.opens { fills.round() as i64 } else { 0 };
        let grade = self.error_percent.map(|error| {
            let growth_mm = own * self.clippings_g_m2_yr;
            let om_g_m2 = growth_mm * member.densities.om * 1000.0;
            let laid_percent = 100.0 * om_g_m2 / (om_g_m2 + self.sand_g_m2_yr).max(f64::MIN_POSITIVE);
            grades::within(error, grades::difficulty(growth_mm, laid_percent))
        });
        Kind::Alike { grade, swells, fills }
    }
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
    /// Threads; `None` for those of the pool that it is run in.
    pub threads: Option<usize>,
    /// Vector instructions that may be used.
    pub instructions: Instructions,
    /// Set it to stop: blocks under way are finished, no other is begun.
    pub stop: AtomicBool,
    /// Members done so far, counted over all plans.
    pub done: AtomicUsize,
}

impl<'a> Batch<'a> {
    /// Groups the members and makes the tapes; the ground is cut as each scenario's layout says.
    ///
    /// # Errors
    /// [`Error::Input`] with everything wrong in any scenario.
    pub fn new(scenarios: &[Scenario<'_>], members: &'a Ensemble<'a>) -> Result<Self> {
        Self::made(scenarios, members, None, &AtomicBool::new(false))
    }

    /// Groups the members and makes the tapes; each member's ground is cut as finely as it takes to read all windows
    /// within an error (% OM), by what it grows and the sand it gets (`docs/speed.md` says how often that holds). Of the
    /// scenarios' layouts the depths hold, not the parcels and stretches.
    ///
    /// # Errors
    /// Those of [`Batch::new`], and [`Error::Input`] for an error that is not from 0.01 to 1.
    pub fn within(error_percent: f64, scenarios: &[Scenario<'_>], members: &'a Ensemble<'a>) -> Result<Self> {
        Self::made(scenarios, members, Some(error_percent), &AtomicBool::new(false))
    }

    /// As [`Batch::within`], or [`Batch::new`] without an error; no further tape is made once `stop` is set.
    ///
    /// # Errors
    /// Those of either, and [`Error::Interrupted`].
    pub fn made(
        scenarios: &[Scenario<'_>],
        members: &'a Ensemble<'a>,
        error_percent: Option<f64>,
        stop: &AtomicBool,
    ) -> Result<Self> {
        let mut p = Problems::default();
        p.require(!scenarios.is_empty(), "scenarios", "none", "at least one");
        if let Some(error) = error_percent {
            p.require((0.01..=1.0).contains(&error), "error_percent", error, "a number from 0.01 to 1");
        }
        for (index, scenario) in scenarios.iter().enumerate() {
            let place = if scenarios.len() == 1 { "scenario".to_owned() } else { format!("scenarios[{index}]") };
            p.nest(&place, scenario.validate())?;
        }
        p.into_result(())?;
        let mut kinds = Vec::new();
        let mut first_plans = Vec::new();
        for (index, scenario) in scenarios.iter().enumerate() {
            let mut alike = BTreeMap::<Kind, Vec<usize>>::new();
            let kind = Kinds::of(scenario, error_percent);
            for index in 0..members.len() {
                alike.entry(kind.find(&members.member(index))).or_default().push(index);
            }
            first_plans.push(Plan::new(scenario)?);
            kinds.extend(alike.into_iter().map(|(kind, members)| (index, kind, members)));
        }
        let groups = kinds.into_par_iter().map(|(scenario, kind, members)| {
            if stop.load(Ordering::Relaxed) {
                return Err(Error::Interrupted);
            }
            let (given, first) = (&scenarios[scenario], &first_plans[scenario]);
            let plan = match kind {
                Kind::TooFast | Kind::Alike { grade: None, swells: 0, fills: 0 } => first.clone(),
                Kind::Alike { grade, swells, fills } => {
                    let mut nominal = given.nominal.clone();
                    nominal.litter_ratio *= (swells as f64 * SWELLING_STEP).exp();
                    nominal.fill_fraction = (nominal.fill_fraction + fills as f64 * FILL_STEP).clamp(0.0, 1.0);
                    let layout = grade.map_or(given.layout, |grade| grades::cut(given.layout, grade));
                    first.made_over(&Scenario { nominal: &nominal, layout, ..given.clone() })
                }
            };
            Ok(Group { scenario, kind, plan, members })
        });
        Ok(Self { members, groups: groups.collect::<Result<_>>()?, scenarios: scenarios.len() })
    }

    /// Members over all scenarios.
    pub fn runs(&self) -> usize {
        self.scenarios * self.members.len()
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
                members if group.kind == Kind::TooFast => vec![None; members.len()],
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
        let all = || blocks.par_iter().try_for_each(one);
        let Some(threads) = control.threads else { return all() };
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.map_err(|error| Error::Numerical(error.to_string()))?.install(all)
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
            Sample::Window { bottom_mm, .. } => plan.layout.column_depth_mm + pick(*height) > bottom_mm - 1e-6,
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
