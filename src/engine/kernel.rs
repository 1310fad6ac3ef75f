//! The one kernel: a tape run for one member, over any number type.

use super::lanes::{Instructions, follow_with};
use super::member::Member;
use super::plan::{Event, Plan};
use crate::column::{Column, Ledger, Reading, TwoPools};
use crate::error::Result;
use crate::number::Number;

/// What a run leaves.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome<T> {
    /// The readings asked for, in the order in which they were asked.
    pub readings: Vec<Reading<T>>,
    /// Height of the surface above where it started at each reading (mm).
    pub surface_mm: Vec<T>,
    /// The ledger of each calendar year.
    pub years: Vec<Ledger<T>>,
}

impl<T: Number> Outcome<T> {
    /// The ledger of the whole run.
    pub fn total(&self) -> Option<Ledger<T>> {
        self.years.iter().copied().reduce(|sum, year| sum + year)
    }
}

/// Runs a plan for one member.
///
/// `look` sees the column at each date of the plan's profiles, in their order.
///
/// # Errors
/// [`crate::Error::LedgerOpen`] if mass is lost or made (a bug); [`crate::Error::Numerical`] if a mass is
/// not a number or a decay rate is above [`crate::column::FASTEST_DECAY_PER_YEAR`].
pub fn run<T: Number>(plan: &Plan, member: &Member<T>, look: impl FnMut(usize, &Column<T>)) -> Result<Outcome<T>> {
    member.decay.within_series()?;
    let outcome = trace(Instructions::Best, plan, member, look);
    outcome.years.iter().try_for_each(Ledger::check)?;
    Ok(outcome)
}

/// Runs a plan without checking what comes out.
pub(super) fn trace<T: Number>(
    instructions: Instructions,
    plan: &Plan,
    member: &Member<T>,
    look: impl FnMut(usize, &Column<T>),
) -> Outcome<T> {
    follow_with(instructions, plan, member, &mut Standing::start(plan, member), &plan.tape, look)
}

/// A run that has come part of the way.
#[derive(Debug, Clone)]
pub(super) struct Standing<T> {
    pub(super) column: Column<T>,
    pub(super) state: State<T>,
    /// Thickness of the column at its start (mm).
    pub(super) start_mm: T,
}

impl<T: Number> Standing<T> {
    #[inline(always)]
    pub(super) fn start(plan: &Plan, member: &Member<T>) -> Self {
        let column = Column::new(&plan.parcels_mm, &member.profile, member.young_share, member.densities);
        let (state, start_mm) = (State::start(&column), column.total_thickness_mm());
        Self { column, state, start_mm }
    }
}

/// Follows part of a tape from where a run stands; the outcome is that of the part.
#[inline(always)]
pub(super) fn follow<T: Number>(
    plan: &Plan,
    member: &Member<T>,
    standing: &mut Standing<T>,
    tape: &[Event],
    mut look: impl FnMut(usize, &Column<T>),
) -> Outcome<T> {
    let Standing { column, state, start_mm } = standing;
    let asked = plan.samples.len();
    let mut readings = Vec::with_capacity(asked);
    let mut surface_mm = Vec::with_capacity(asked);
    let mut years = Vec::with_capacity(plan.years.len());
    let mut height: Option<T> = None;
    for event in tape {
        match event {
            Event::Read { sample, root_zone } => {
                readings.push(column.read(&plan.samples[*sample].1, *root_zone));
                surface_mm.push(*height.get_or_insert_with(|| column.total_thickness_mm() - *start_mm));
            }
            Event::Look(index) => look(*index, column),
            Event::YearEnd => years.push(state.close_year(column)),
            event => {
                height = None;
                state.step(plan, member, column, event);
            }
        }
    }
    Outcome { readings, surface_mm, years }
}

/// What goes along with the column while it runs: the open ledger.
#[derive(Debug, Clone)]
pub(super) struct State<T> {
    pub(super) ledger: Ledger<T>,
}

impl<T: Number> State<T> {
    #[inline(always)]
    pub(super) fn start(column: &Column<T>) -> Self {
        Self { ledger: Ledger::opened(column.total_om(), column.total_mineral()) }
    }

    /// Does one event to the column; readings are the caller's.
    #[inline(always)]
    pub(super) fn step(&mut self, plan: &Plan, member: &Member<T>, column: &mut Column<T>, event: &Event) {
        match event {
            Event::Stretch { weather, year } => {
                let multiplier = member.year_multipliers.get(*year).copied().unwrap_or(T::one());
                let pools = TwoPools::over(&plan.weather[*weather], &member.decay, member.litter_ratio * multiplier);
                column.grow_and_decay(&pools, &plan.layout.litter, member.root_share, &mut self.ledger.om);
            }
            Event::Open(opening) => column.open(opening, member.fill_fraction, &mut self.ledger),
            Event::Topdress { sand_g_m2, picked_up_share, recorded } => {
                column.topdress(sand(member, *sand_g_m2, *recorded), *picked_up_share, &mut self.ledger);
            }
            Event::Inject { sand_g_m2, from_mm, to_mm, recorded } => {
                column.inject(sand(member, *sand_g_m2, *recorded), *from_mm, *to_mm, &mut self.ledger);
            }
            Event::Close => column.close(),
            Event::Push => column.push_empty(),
            Event::Split { parcel, parts } => column.split(*parcel, *parts),
            Event::Merge { parcel } => column.merge(*parcel),
            Event::Read { .. } | Event::Look(_) | Event::YearEnd => {}
        }
    }

    /// Closes the year's ledger and opens the next.
    #[inline(always)]
    fn close_year(&mut self, column: &Column<T>) -> Ledger<T> {
        let (om, mineral) = (column.total_om(), column.total_mineral());
        let next = Ledger::opened(om, mineral);
        let mut closed = std::mem::replace(&mut self.ledger, next);
        closed.om.end = om;
        closed.mineral.end = mineral;
        closed
    }
}

#[inline(always)]
pub(super) fn sand<T: Number>(member: &Member<T>, sand_g_m2: f64, recorded: bool) -> T {
    if recorded { member.sand_scale * sand_g_m2 } else { T::constant(sand_g_m2) }
}
