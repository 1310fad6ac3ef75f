//! Slopes of one outcome of many tests along everything that went into their runs, backwards over the tape.
//!
//! Work, splits and samples are written down as they are run and differentiated step by step; a stretch, where the time
//! goes, has its own rule, and is run and carried back for several members side by side.

use super::kernel::State;
use super::lanes::{LANES, widest};
use super::member::Member;
use super::plan::{Event, Plan};
use crate::column::litter::Passed;
use crate::column::{Column, Densities, FASTEST_DECAY_PER_YEAR, Ledger, Profile, TwoPools};
use crate::error::{Error, Result};
use crate::number::{Dual, Lanes, Number, Trace, Traced};

type Wide = Lanes<LANES>;

/// Members that go side by side at most.
pub const SIDE_BY_SIDE: usize = LANES;

/// Of the pools' numbers: rates of decay, the humified share, and the litter per gram of clippings.
const POOL_INPUTS: usize = 4;
type PoolSlopes = [[f64; POOL_INPUTS]; 5];

/// A run that is written down.
struct Run<'a> {
    plan: &'a Plan,
    member: &'a Member<Traced>,
    column: Column<Traced>,
    state: State<Traced>,
    readings: Vec<Traced>,
    next: usize,
}

impl<'a> Run<'a> {
    fn start(plan: &'a Plan, member: &'a Member<Traced>) -> Self {
        let column = Column::new(&plan.parcels_mm, &member.profile, member.young_share, member.densities);
        Self { plan, member, state: State::start(&column), column, readings: Vec::new(), next: 0 }
    }

    /// Does what comes before the next stretch; its weather and year.
    fn up_to_stretch(&mut self) -> Option<(usize, usize)> {
        while let Some(event) = self.plan.tape().get(self.next) {
            self.next += 1;
            match event {
                Event::Stretch { weather, year } => return Some((*weather, *year)),
                Event::Read { sample, root_zone } => {
                    let sample = &self.plan.samples[*sample].1;
                    self.readings.push(self.column.read(sample, *root_zone).om_percent());
                }
                Event::Look(_) | Event::YearEnd => {}
                event => self.state.step(self.plan, self.member, &mut self.column, event),
            }
        }
        None
    }

    /// What the span does to the pools, with its slopes.
    fn pools(&self, weather: usize, year: usize) -> (TwoPools<f64>, PoolSlopes) {
        let rates = &self.member.decay;
        let variable = |number: Traced, i: usize| Dual::<POOL_INPUTS>::variable(number.value, i);
        let rates = crate::column::DecayRates {
            young_per_year: variable(rates.young_per_year, 0),
            old_per_year: variable(rates.old_per_year, 1),
            humified: variable(rates.humified, 2),
        };
        let litter = self.member.litter_ratio.value * multiplier(self.member, year).value;
        let pools = TwoPools::over(&self.plan.weather[weather], &rates, Dual::variable(litter, 3));
        let TwoPools { young_kept, young_to_old, old_kept, young_fed, old_fed, litter } = pools;
        (
            TwoPools {
                young_kept: young_kept.value,
                young_to_old: young_to_old.value,
                old_kept: old_kept.value,
                young_fed: young_fed.value,
                old_fed: old_fed.value,
                litter: litter.value,
            },
            [young_kept, young_to_old, old_kept, young_fed, old_fed].map(|number| number.derivative),
        )
    }
}

/// A stretch that was passed: what is needed to carry slopes back over it.
struct Span {
    /// Steps on the trace before it.
    position: usize,
    pools: TwoPools<Wide>,
    pool_slopes: [PoolSlopes; LANES],
    years: [usize; LANES],
    /// Parcels of the longest column; shorter ones are filled up below.
    parcels: usize,
    /// Where the columns before it begin among those kept.
    kept: usize,
    /// Nodes of each lane's young and old after it, bottom first.
    after: [(u32, usize); LANES],
}

/// Room for runs side by side and the way back, to be used again.
#[derive(Default)]
pub struct Adjoint {
    /// The trace.
    pub trace: Trace,
    spans: Vec<Span>,
    /// Mineral, young and old before each span, bottom first.
    masses: Vec<[Wide; 3]>,
    /// Their nodes.
    nodes: Vec<[[u32; LANES]; 3]>,
    slopes: [Vec<Wide>; 3],
    passed: Vec<Passed<Wide>>,
}

impl Adjoint {
    /// Runs members side by side, each on its own plan, and carries the slopes that `weigh` gives for their readings back
    /// to all that was on the trace before. `weigh` sees what every sample reads (% OM, in the order of each plan's
    /// readings).
    ///
    /// The plans come from [`Plan::in_step`], at most [`SIDE_BY_SIDE`] of them.
    ///
    /// # Errors
    /// [`Error::Numerical`] if a decay rate is above [`FASTEST_DECAY_PER_YEAR`], and those of `weigh`.
    pub fn pull_back<R>(
        &mut self,
        plans: &[&Plan],
        members: &[Member<Traced>],
        weigh: impl FnOnce(&[Vec<f64>]) -> Result<(R, Vec<Vec<f64>>)>,
    ) -> Result<R> {
        for member in members {
            let fastest = member.decay.young_per_year.largest().max(member.decay.old_per_year.largest());
            if fastest > FASTEST_DECAY_PER_YEAR {
                return Err(Error::Numerical(format!(
                    "a decay rate of {fastest} 1/yr; the series hold up to {FASTEST_DECAY_PER_YEAR}"
                )));
            }
        }
        self.spans.clear();
        self.masses.clear();
        self.nodes.clear();
        let mut runs: Vec<Run<'_>> = plans.iter().zip(members).map(|(plan, member)| Run::start(plan, member)).collect();
        let mut column = abreast(members);
        let root_share = side_by_side(members, |m| m.root_share.value);
        loop {
            let stretches: Option<Vec<_>> = runs.iter_mut().map(Run::up_to_stretch).collect();
            match stretches {
                Some(stretches) if !stretches.is_empty() => self.pass(&mut column, root_share, &mut runs, &stretches),
                _ => break,
            }
        }
        let read = |run: &Run<'_>| run.readings.iter().map(|reading| reading.value).collect();
        let readings: Vec<Vec<f64>> = runs.iter().map(read).collect();
        let (weight, slopes) = weigh(&readings)?;
        self.trace.seed(Traced::zero(), 0.0);
        for (run, slopes) in runs.iter().zip(slopes) {
            run.readings.iter().zip(slopes).for_each(|(reading, slope)| self.trace.seed(*reading, slope));
        }
        while let Some(span) = self.spans.pop() {
            self.back(&mut column, root_share, members, plans[0], &span);
        }
        self.trace.sweep_to(0);
        Ok(weight)
    }

    fn pass(
        &mut self,
        column: &mut Column<Wide>,
        root_share: Wide,
        runs: &mut [Run<'_>],
        stretches: &[(usize, usize)],
    ) {
        let parcels = runs.iter().map(|run| run.column.len()).max().unwrap_or(0);
        let (position, kept) = (self.trace.position(), self.masses.len());
        self.masses.resize(kept + parcels, [Wide::zero(); 3]);
        self.nodes.resize(kept + parcels, [[0; LANES]; 3]);
        let (masses, nodes) = (&mut self.masses[kept..], &mut self.nodes[kept..]);
        let mut pools = TwoPools::nothing();
        let mut pool_slopes = [PoolSlopes::default(); LANES];
        let mut years = [0; LANES];
        for (lane, (run, &(weather, year))) in runs.iter().zip(stretches).enumerate() {
            let own = &run.column;
            let below = parcels - own.len();
            for (k, pool) in [&own.mineral, &own.young, &own.old].into_iter().enumerate() {
                for ((mass, node), number) in masses[below..].iter_mut().zip(&mut nodes[below..]).zip(pool) {
                    (mass[k].0[lane], node[k][lane]) = (number.value, number.node());
                }
            }
            let (own, slopes) = run.pools(weather, year);
            set_lane(&mut pools, lane, &own);
            (pool_slopes[lane], years[lane]) = (slopes, year);
        }
        lay_out(column, masses);
        let depths = runs[0].plan.layout.litter;
        widest(|| {
            let mut ledger = Ledger::opened(Wide::zero(), Wide::zero());
            column.grow_and_decay(&pools, &depths, root_share, &mut ledger.om);
        });
        let mut after = [(0, 0); LANES];
        for (lane, run) in runs.iter_mut().enumerate() {
            let len = run.column.len();
            let first = self.trace.reserve(2 * len);
            for i in 0..len {
                let at = parcels - len + i;
                run.column.young[i] = Traced::at(column.young[at].0[lane], first + i as u32);
                run.column.old[i] = Traced::at(column.old[at].0[lane], first + (len + i) as u32);
            }
            after[lane] = (first, len);
        }
        self.spans.push(Span { position, pools, pool_slopes, years, parcels, kept, after });
    }

    fn back(
        &mut self,
        column: &mut Column<Wide>,
        root_share: Wide,
        members: &[Member<Traced>],
        plan: &Plan,
        span: &Span,
    ) {
        let Self { trace, masses, nodes, slopes, passed, .. } = self;
        trace.sweep_to(span.position);
        let (masses, nodes) = (&masses[span.kept..][..span.parcels], &nodes[span.kept..][..span.parcels]);
        for pool in slopes.iter_mut() {
            pool.clear();
            pool.resize(span.parcels, Wide::zero());
        }
        for (lane, &(first, len)) in span.after.iter().enumerate() {
            for i in 0..len {
                let at = span.parcels - len + i;
                slopes[1][at].0[lane] = trace.slope_at(first + i as u32);
                slopes[2][at].0[lane] = trace.slope_at(first + (len + i) as u32);
            }
        }
        lay_out(column, masses);
        let [mineral, young, old] = slopes;
        let depths = plan.layout.litter;
        let found =
            widest(|| column.grow_and_decay_back(&span.pools, &depths, root_share, [mineral, young, old], passed));
        for (lane, (member, &(_, len))) in members.iter().zip(&span.after).enumerate() {
            for at in span.parcels - len..span.parcels {
                for k in 0..3 {
                    trace.add_at(nodes[at][k][lane], slopes[k][at].0[lane]);
                }
            }
            let om = member.densities.om;
            trace.add_at(member.root_share.node(), found.root_share.0[lane]);
            trace.add_at(om.node(), -found.om_volume.0[lane] / (1000.0 * om.value * om.value));
            let TwoPools { young_kept, young_to_old, old_kept, young_fed, old_fed, .. } = &found.pools;
            let mut inputs = [0.0; POOL_INPUTS];
            for (along, slopes) in
                [young_kept, young_to_old, old_kept, young_fed, old_fed].into_iter().zip(&span.pool_slopes[lane])
            {
                inputs.iter_mut().zip(slopes).for_each(|(input, slope)| *input += along.0[lane] * slope);
            }
            let [young_rate, old_rate, humified, litter] = inputs;
            trace.add_at(member.decay.young_per_year.node(), young_rate);
            trace.add_at(member.decay.old_per_year.node(), old_rate);
            trace.add_at(member.decay.humified.node(), humified);
            let multiplier = multiplier(member, span.years[lane]);
            trace.add_at(member.litter_ratio.node(), litter * multiplier.value);
            trace.add_at(multiplier.node(), litter * member.litter_ratio.value);
        }
    }
}

fn multiplier(member: &Member<Traced>, year: usize) -> Traced {
    member.year_multipliers.get(year).copied().unwrap_or(Traced::one())
}

fn side_by_side(members: &[Member<Traced>], of: impl Fn(&Member<Traced>) -> f64) -> Wide {
    Lanes(std::array::from_fn(|lane| members.get(lane).or(members.last()).map_or(1.0, &of)))
}

/// An empty column that has the members' densities.
fn abreast(members: &[Member<Traced>]) -> Column<Wide> {
    let densities = Densities {
        mineral: side_by_side(members, |m| m.densities.mineral.value),
        om: side_by_side(members, |m| m.densities.om.value),
    };
    let nothing = Profile { base_percent: Wide::zero(), surface_percent: Wide::zero(), scale_mm: Wide::one() };
    Column::new(&[], &nothing, Wide::zero(), densities)
}

fn lay_out(column: &mut Column<Wide>, masses: &[[Wide; 3]]) {
    for (k, pool) in [&mut column.mineral, &mut column.young, &mut column.old].into_iter().enumerate() {
        pool.clear();
        pool.extend(masses.iter().map(|mass| mass[k]));
    }
}

fn set_lane(wide: &mut TwoPools<Wide>, lane: usize, own: &TwoPools<f64>) {
    wide.young_kept.0[lane] = own.young_kept;
    wide.young_to_old.0[lane] = own.young_to_old;
    wide.old_kept.0[lane] = own.old_kept;
    wide.young_fed.0[lane] = own.young_fed;
    wide.old_fed.0[lane] = own.old_fed;
    wide.litter.0[lane] = own.litter;
}
