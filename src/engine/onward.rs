//! Members that have come to one day, from where any work to come goes on.
//!
//! What lies behind them is run once, whatever is done afterwards. Members of several greens go on together once their
//! columns are cut alike: what they share is one tape.

use super::batch::part_of;
use super::kernel::{Outcome, Standing, State};
use super::lanes::{Instructions, LANES, follow_with};
use super::member::Member;
use super::plan::{Dated, Layout, Left, Plan, Scenario, Spells};
use crate::column::{Column, Ledger, Sample, woven};
use crate::error::{Problems, Result};
use crate::number::Lanes;
use chrono::NaiveDate;

/// A member at the end of a plan.
#[derive(Debug, Clone)]
pub struct Arrived {
    member: Member<f64>,
    standing: Standing<f64>,
    left: Left,
}

/// Runs members to the end of a plan that reads nothing. A calendar year under way stays open in their ledgers.
///
/// # Errors
/// [`crate::Error::Input`] for a plan with readings; [`crate::Error::Numerical`] and [`crate::Error::LedgerOpen`] as for [`super::run`].
pub fn arrive(plan: &Plan, members: &[Member<f64>]) -> Result<Vec<Arrived>> {
    let mut p = Problems::default();
    p.require(plan.samples.is_empty(), "plan", format!("{} readings", plan.samples.len()), "a plan without readings");
    p.into_result(())?;
    members.iter().try_for_each(|member| member.decay.within_series())?;
    let whole_years = if plan.left.year_is_over { plan.tape.len() } else { plan.tape.len() - 1 };
    let mut found = Vec::with_capacity(members.len());
    for block in members.chunks(LANES) {
        let member = Member::side_by_side(block);
        let mut standing = Standing::start(plan, &member);
        let outcome =
            follow_with(Instructions::Best, plan, &member, &mut standing, &plan.tape[..whole_years], |_, _| {});
        outcome.years.iter().try_for_each(Ledger::check)?;
        found.extend(block.iter().enumerate().map(|(lane, member)| Arrived {
            member: member.clone(),
            standing: Standing {
                column: woven(&[&standing.column], |of| of(0).0[lane]),
                state: State { ledger: standing.state.ledger.map(|value| value.0[lane]) },
                start_mm: standing.start_mm.0[lane],
            },
            left: plan.left,
        }));
    }
    Ok(found)
}

impl Arrived {
    /// Days until open holes close; members that go on together have this in common.
    pub fn closes_in(&self) -> Option<usize> {
        self.left.closes_in
    }

    /// Leaves the first years of the list of multipliers behind.
    #[must_use]
    pub fn past_years(mut self, years: usize) -> Self {
        self.member.year_multipliers.drain(..years.min(self.member.year_multipliers.len()));
        self
    }

    /// The same member with its column cut as a layout lays it out, so that it can go on beside members of another past.
    /// The edge of the root zone is lost.
    #[must_use]
    pub fn recut(mut self, layout: &Layout) -> Self {
        self.standing.column = self.standing.column.recut(&layout.faces_mm());
        self.left.root_zone = 0;
        self
    }
}

/// Work to come, and what is read of it.
#[derive(Debug, Clone, Copy)]
pub struct Ahead<'a> {
    /// First day.
    pub start: NaiveDate,
    /// Weather and clippings.
    pub spells: &'a Spells,
    /// Work, as in [`Scenario`].
    pub work: &'a [Dated],
    /// What is to be read, and when.
    pub samples: &'a [(NaiveDate, Sample)],
    /// How the ground is cut.
    pub layout: Layout,
}

/// Members side by side at the first day of what is to come.
#[derive(Debug)]
pub struct Onward {
    nominal: Member<f64>,
    column: Column<f64>,
    left: Left,
    blocks: Vec<(usize, Member<Lanes<LANES>>, Standing<Lanes<LANES>>)>,
}

impl Onward {
    /// Members that go on together; their mean decides where parcels are split and merged.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for no member, and members whose columns are not cut alike or whose holes close on other days.
    pub fn new(members: &[Arrived]) -> Result<Self> {
        let mut p = Problems::default();
        p.require(!members.is_empty(), "members", "none", "at least one member");
        let cut = |member: &Arrived| (member.standing.column.len(), member.left);
        let alike = members.windows(2).all(|pair| cut(&pair[0]) == cut(&pair[1]));
        p.require(alike, "members", "columns of different shape", "members of one plan, or columns cut alike");
        p.into_result(())?;
        let columns: Vec<&Column<f64>> = members.iter().map(|member| &member.standing.column).collect();
        let of: Vec<&Member<f64>> = members.iter().map(|member| &member.member).collect();
        let share = 1.0 / members.len() as f64;
        let block = |block: &[Arrived]| {
            let last = block.len() - 1;
            let lanes = |value: &dyn Fn(usize) -> f64| Lanes(std::array::from_fn(|lane| value(lane.min(last))));
            let columns: Vec<&Column<f64>> = block.iter().map(|member| &member.standing.column).collect();
            let members: Vec<Member<f64>> = block.iter().map(|member| member.member.clone()).collect();
            let ledger = Ledger::woven(|k| &block[k].standing.state.ledger, lanes);
            let standing = Standing {
                column: woven(&columns, lanes),
                state: State { ledger },
                start_mm: lanes(&|k| block[k].standing.start_mm),
            };
            (block.len(), Member::side_by_side(&members), standing)
        };
        Ok(Self {
            nominal: Member::mean(&of),
            column: woven(&columns, |of| (0..columns.len()).map(of).sum::<f64>() * share),
            left: members[0].left,
            blocks: members.chunks(LANES).map(block).collect(),
        })
    }

    /// The plan of what is to come, unchecked: see [`Onward::validate`].
    pub fn plan(&self, ahead: &Ahead<'_>) -> Plan {
        Plan::onward(&self.scenario(ahead), &self.column, self.left, ahead.spells)
    }

    /// Checks what is to come.
    ///
    /// # Errors
    /// [`crate::Error::Input`] as for [`Plan::new`].
    pub fn validate(&self, ahead: &Ahead<'_>) -> Result<()> {
        self.scenario(ahead).validate()
    }

    fn scenario<'a>(&'a self, ahead: &Ahead<'a>) -> Scenario<'a> {
        Scenario {
            start: ahead.start,
            clippings_g_m2: ahead.spells.clippings_g_m2(),
            decay_modifier: ahead.spells.decay_modifier(),
            work: ahead.work,
            recorded_before: ahead.start,
            samples: ahead.samples,
            profiles: &[],
            layout: ahead.layout,
            nominal: &self.nominal,
        }
    }

    /// Runs the members along a plan; what becomes of each, in their order.
    ///
    /// # Errors
    /// [`crate::Error::Numerical`] and [`crate::Error::LedgerOpen`] as for [`super::run`].
    pub fn run(&self, plan: &Plan) -> Result<Vec<Outcome<f64>>> {
        let mut found = Vec::new();
        self.each_block(plan, |count, outcome| {
            for lane in 0..count {
                found.extend(part_of(plan, outcome, |value| value.0[lane])?);
            }
            Ok(())
        })?;
        Ok(found)
    }

    /// Runs the members along a plan; what each of its readings holds of organic matter (%), by reading and member.
    ///
    /// # Errors
    /// As for [`Onward::run`].
    pub fn om_percent(&self, plan: &Plan) -> Result<Vec<Vec<f64>>> {
        let mut found = vec![Vec::new(); plan.samples.len()];
        self.each_block(plan, |count, outcome| {
            for (found, reading) in found.iter_mut().zip(&outcome.readings) {
                found.extend(&reading.om_percent().0[..count]);
            }
            Ok(())
        })?;
        Ok(found)
    }

    fn each_block(&self, plan: &Plan, mut sink: impl FnMut(usize, &Outcome<Lanes<LANES>>) -> Result<()>) -> Result<()> {
        for (count, member, standing) in &self.blocks {
            let outcome = follow_with(Instructions::Best, plan, member, &mut standing.clone(), &plan.tape, |_, _| {});
            outcome.years.iter().try_for_each(Ledger::check)?;
            sink(*count, &outcome)?;
        }
        Ok(())
    }
}
