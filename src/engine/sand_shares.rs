//! Which sand lies where: mineral told apart by the sand that brought it, followed along a plan's tape.
//!
//! Sands move with the mineral: whatever share of a parcel's mineral an event takes, it takes of each sand in it. So the
//! column is stepped by the one kernel, and the sands follow from its mineral before and after each event.

use super::kernel::State;
use super::member::Member;
use super::plan::{Event, Plan};
use crate::column::{Column, Sample};
use crate::error::{Error, Problems, Result};
use crate::practice::work::Opening;

/// What became of one sand (g/m2): `start + brought = end + cored_out + mown_out`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SandAccount {
    /// In the column at the start.
    pub start: f64,
    /// Brought.
    pub brought: f64,
    /// Left in cores, or lifted by blades.
    pub cored_out: f64,
    /// Picked up by mowers.
    pub mown_out: f64,
    /// In the column at the end.
    pub end: f64,
}

/// Where the sands lie and what became of them. Sand 0 is what was in the ground at the start.
#[derive(Debug, Clone, PartialEq)]
pub struct SandShares {
    /// Mass of each sand in each sample of the plan, in the plan's order of readings (g/m2).
    pub readings: Vec<Vec<f64>>,
    /// Account of each sand.
    pub accounts: Vec<SandAccount>,
}

/// Relative error up to which an account counts as closed.
const CLOSED: f64 = 1e-9;

struct Tagged {
    /// By parcel, bottom first, and sand (g/m2).
    parcels: Vec<Vec<f64>>,
    accounts: Vec<SandAccount>,
}

/// Runs a plan for one member and follows its sands. `brought_by` names the sand, from 1, of each topdressing or
/// injection in the order of the tape: by date, and within a day as in the scenario.
///
/// # Errors
/// [`Error::Input`] if `brought_by` has not one entry for each such event or names sand 0;
/// [`Error::LedgerOpen`] if mineral is lost or made (a bug).
pub fn follow_sands(plan: &Plan, member: &Member<f64>, brought_by: &[usize]) -> Result<SandShares> {
    let bringing = plan.tape().iter().filter(|e| matches!(e, Event::Topdress { .. } | Event::Inject { .. })).count();
    let mut p = Problems::default();
    let found = format!("{} sands", brought_by.len());
    p.require(brought_by.len() == bringing, "brought_by", found, format!("one for each event with sand ({bringing})"));
    p.require(!brought_by.contains(&0), "brought_by", 0, "a number from 1; 0 is the ground at the start");
    p.into_result(())?;
    let sands = 1 + brought_by.iter().max().copied().unwrap_or(0);

    let mut column = Column::new(&plan.parcels_mm, &member.profile, member.young_share, member.densities);
    let mut state = State::start(&column);
    let mut tagged = Tagged::new(&column, sands);
    let mut brought_by = brought_by.iter();
    let mut readings = Vec::with_capacity(plan.samples.len());
    for event in plan.tape() {
        if let Event::Read { sample, root_zone } = event {
            let whole = column.read(&plan.samples[*sample].1, *root_zone).mineral_g_m2;
            readings.push(tagged.read(&column, &plan.samples[*sample].1, *root_zone, whole));
            continue;
        }
        let before = column.clone();
        state.step(plan, member, &mut column, event);
        match event {
            Event::Open(opening) => tagged.open(plan, member, opening, &before, &column),
            Event::Topdress { sand_g_m2, recorded, .. } | Event::Inject { sand_g_m2, recorded, .. } => {
                let sand = brought_by.next().copied().unwrap_or_default();
                let scale = if *recorded { member.sand_scale } else { 1.0 };
                tagged.bring(sand, sand_g_m2 * scale, &before, &column);
            }
            Event::Push => tagged.parcels.push(vec![0.0; sands]),
            Event::Split { parcel, parts } => tagged.split(*parcel, *parts, &before, &column),
            Event::Merge { parcel } => tagged.merge(*parcel),
            Event::Stretch { .. } | Event::Close | Event::YearEnd | Event::Look(_) | Event::Read { .. } => {}
        }
    }
    tagged.close(&column)?;
    Ok(SandShares { readings, accounts: tagged.accounts })
}

impl Tagged {
    fn new(column: &Column<f64>, sands: usize) -> Self {
        let parcels: Vec<Vec<f64>> = column
            .mineral
            .iter()
            .map(|&mineral| {
                let mut parcel = vec![0.0; sands];
                parcel[0] = mineral;
                parcel
            })
            .collect();
        let mut accounts = vec![SandAccount::default(); sands];
        accounts[0].start = column.total_mineral();
        Self { parcels, accounts }
    }

    /// Cores first leave without coming back, which shows what each parcel lost; what the event did beyond that is
    /// mineral worked back in, a mixture of all that was lifted.
    fn open(
        &mut self,
        plan: &Plan,
        member: &Member<f64>,
        opening: &Opening,
        before: &Column<f64>,
        after: &Column<f64>,
    ) {
        let gone = Opening { returned_mineral_share: 0.0, returned_om_share: 0.0, ..*opening };
        let mut lifted = before.clone();
        State::start(before).step(plan, member, &mut lifted, &Event::Open(gone));
        let mut mixture = vec![0.0; self.accounts.len()];
        for (i, parcel) in self.parcels.iter_mut().enumerate() {
            let lost = 1.0 - lifted.mineral[i] / before.mineral[i].max(f64::MIN_POSITIVE);
            for (sand, mass) in parcel.iter_mut().enumerate() {
                mixture[sand] += *mass * lost;
                *mass -= *mass * lost;
            }
        }
        let all: f64 = mixture.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        for (i, parcel) in self.parcels.iter_mut().enumerate() {
            let back = (after.mineral[i] - lifted.mineral[i]) / all;
            for (mass, of_mixture) in parcel.iter_mut().zip(&mixture) {
                *mass += of_mixture * back;
            }
        }
        for (account, of_mixture) in self.accounts.iter_mut().zip(&mixture) {
            account.cored_out += of_mixture * (1.0 - opening.returned_mineral_share);
        }
    }

    fn bring(&mut self, sand: usize, brought_g_m2: f64, before: &Column<f64>, after: &Column<f64>) {
        let mut placed = 0.0;
        for (i, parcel) in self.parcels.iter_mut().enumerate() {
            let gained = after.mineral[i] - before.mineral[i];
            parcel[sand] += gained;
            placed += gained;
        }
        self.accounts[sand].brought += brought_g_m2;
        self.accounts[sand].mown_out += brought_g_m2 - placed;
    }

    fn split(&mut self, parcel: usize, parts: usize, before: &Column<f64>, after: &Column<f64>) {
        let whole = self.parcels[parcel].clone();
        let pieces = (parcel..parcel + parts).map(|i| {
            let share = after.mineral[i] / before.mineral[parcel].max(f64::MIN_POSITIVE);
            whole.iter().map(|mass| mass * share).collect::<Vec<f64>>()
        });
        self.parcels.splice(parcel..=parcel, pieces.collect::<Vec<_>>());
    }

    fn merge(&mut self, parcel: usize) {
        let upper = self.parcels.remove(parcel + 1);
        for (mass, more) in self.parcels[parcel].iter_mut().zip(upper) {
            *mass += more;
        }
    }

    /// Reads each sand; `whole` is the mineral that the kernel finds in the sample, which the sands share out.
    fn read(&self, column: &Column<f64>, sample: &Sample, root_zone: usize, whole: f64) -> Vec<f64> {
        let mut held = vec![0.0; self.accounts.len()];
        let mut take = |i: usize, share: f64| {
            for (held, mass) in held.iter_mut().zip(&self.parcels[i]) {
                *held += mass * share;
            }
        };
        match *sample {
            Sample::Window { top_mm, bottom_mm } => column.for_each_down(|i, top, bottom| {
                let inside = (bottom.min(bottom_mm) - top.max(top_mm)).max(0.0);
                take(i, inside / (bottom - top).max(1e-9));
            }),
            Sample::AboveRootZone => (root_zone..column.len()).for_each(|i| take(i, 1.0)),
            Sample::AbovePercent(percent) => {
                let rich = |i: usize| 100.0 * column.om(i) / (column.om(i) + column.mineral[i]).max(1e-12) >= percent;
                let deepest = (0..column.len()).find(|i| rich(*i)).unwrap_or(column.len());
                (deepest..column.len()).for_each(|i| take(i, 1.0));
            }
        }
        let total: f64 = held.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        held.iter().map(|mass| mass * whole / total).collect()
    }

    fn close(&mut self, column: &Column<f64>) -> Result<()> {
        for parcel in &self.parcels {
            for (account, mass) in self.accounts.iter_mut().zip(parcel) {
                account.end += mass;
            }
        }
        let closed = |one: f64, other: f64| (one - other).abs() <= CLOSED * one.abs().max(other.abs()).max(1.0);
        let all: f64 = self.accounts.iter().map(|account| account.end).sum();
        let mut sides = vec![(all, column.total_mineral())];
        sides.extend(self.accounts.iter().map(|a| (a.start + a.brought, a.end + a.cored_out + a.mown_out)));
        match sides.into_iter().find(|(one, other)| !closed(*one, *other)) {
            Some((one, other)) => Err(Error::LedgerOpen {
                substance: "mineral",
                relative: (one - other).abs() / one.abs().max(other.abs()).max(f64::MIN_POSITIVE),
            }),
            None => Ok(()),
        }
    }
}
