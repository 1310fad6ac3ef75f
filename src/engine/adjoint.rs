//! Slopes of an outcome of many readings along all that went into a run, backwards over the tape.
//!
//! A run keeps the column as it stands at the start of each leg: what is done and sampled between two stretches. On the
//! way back a leg is run once more, written down and differentiated step by step, so that a new kind of work brings its
//! own slopes and what is written down stays small; the stretch after it has a rule of its own. Several members may go
//! side by side on one plan.

use super::kernel::State;
use super::lanes::widest;
use super::member::Member;
use super::plan::{Event, Plan};
use crate::column::litter::Passed;
use crate::column::{Column, DecayRates, Ledger, TwoPools};
use crate::number::{ABREAST, Abreast, Dual, Lanes, Number, Trace, Traced};
use std::cell::RefCell;
use std::ops::Range;

/// Of the pools' numbers: rates of decay, the humified share, and the litter per gram of clippings.
const POOL_INPUTS: usize = 4;

/// Growth and decay after a leg.
struct Span<T> {
    pools: TwoPools<Dual<POOL_INPUTS, T>>,
    year: usize,
}

/// What is done and sampled between two stretches, and the stretch after it.
struct Leg<T> {
    /// Of the tape.
    events: Range<usize>,
    /// Of the readings.
    readings: Range<usize>,
    /// Where the column before it begins among the pools kept: mineral, young and old, and holes if there are any.
    kept: usize,
    parcels: usize,
    has_holes: bool,
    open_mm: T,
    room_mm: T,
    span: Option<Span<T>>,
}

/// Room for runs and the way back, to be used again.
pub struct Adjoint<T: Abreast> {
    trace: Trace<T>,
    legs: Vec<Leg<T>>,
    kept: Vec<T::Packed>,
    passed: Vec<Passed<T>>,
    /// Pools of a column that is written down.
    written: [Vec<Traced<T>>; 4],
}

impl<T: Abreast> Default for Adjoint<T> {
    fn default() -> Self {
        Self {
            trace: Trace::default(),
            legs: Vec::new(),
            kept: Vec::new(),
            passed: Vec::new(),
            written: Default::default(),
        }
    }
}

/// A number whose room for the way back is kept by each thread.
pub trait Roomy: Abreast {
    /// Does a piece of work in the thread's room.
    fn in_room<R>(work: impl FnOnce(&mut Adjoint<Self>) -> R) -> R;
}

thread_local! {
    static PLAIN: RefCell<Adjoint<f64>> = RefCell::default();
    static SIDE_BY_SIDE: RefCell<Adjoint<Lanes<ABREAST>>> = RefCell::default();
}

impl Roomy for f64 {
    fn in_room<R>(work: impl FnOnce(&mut Adjoint<Self>) -> R) -> R {
        PLAIN.with_borrow_mut(work)
    }
}

impl Roomy for Lanes<ABREAST> {
    fn in_room<R>(work: impl FnOnce(&mut Adjoint<Self>) -> R) -> R {
        SIDE_BY_SIDE.with_borrow_mut(work)
    }
}

/// Does the work and reads the samples of a leg.
fn walk<N: Number>(plan: &Plan, member: &Member<N>, events: &[Event], column: &mut Column<N>, readings: &mut Vec<N>) {
    // No ledger is kept: `run` has its own.
    let mut state = State { ledger: Ledger::opened(N::zero(), N::zero()) };
    for event in events {
        match event {
            Event::Read { sample, root_zone } => {
                readings.push(column.read(&plan.samples[*sample].1, *root_zone).om_percent());
            }
            Event::Look(_) | Event::YearEnd => {}
            event => state.step(plan, member, column, event),
        }
    }
}

fn idle(events: &[Event]) -> bool {
    events.iter().all(|event| matches!(event, Event::Look(_) | Event::YearEnd))
}

fn ground<N: Number>(plan: &Plan, member: &Member<N>) -> Column<N> {
    Column::new(&plan.parcels_mm, &member.profile, member.young_share, member.densities)
}

fn multiplier<N: Number>(member: &Member<N>, year: usize) -> N {
    member.year_multipliers.get(year).copied().unwrap_or(N::one())
}

/// What a span does to the pools, with its slopes.
#[inline(always)]
fn pools<T: Number>(plan: &Plan, member: &Member<T>, weather: usize, year: usize) -> TwoPools<Dual<POOL_INPUTS, T>> {
    let rates = DecayRates {
        young_per_year: Dual::variable(member.decay.young_per_year, 0),
        old_per_year: Dual::variable(member.decay.old_per_year, 1),
        humified: Dual::variable(member.decay.humified, 2),
    };
    let litter = member.litter_ratio * multiplier(member, year);
    TwoPools::over(&plan.weather[weather], &rates, Dual::variable(litter, 3))
}

/// First of the numbers that a column was made of, pool by pool, and its open volume and room.
struct Begins<T: Abreast> {
    first: [u32; 4],
    open_mm: Traced<T>,
    room_mm: Traced<T>,
}

fn pools_of<N>(column: &mut Column<N>) -> [&mut Vec<N>; 4] {
    [&mut column.mineral, &mut column.young, &mut column.old, &mut column.hole_mm]
}

/// Slopes along what a column holds: mineral, young, old and holes of each parcel, then the open volume and its room.
struct Along<T> {
    pools: [Vec<T>; 4],
    open_mm: T,
    room_mm: T,
}

impl<T: Abreast> Adjoint<T> {
    /// Runs a member and carries the slopes that `weigh` gives for its readings (% OM, in the order of the plan's) back to
    /// all that the engine takes in of it.
    pub fn pull_back(&mut self, plan: &Plan, member: &Member<T>, weigh: impl FnOnce(&[T]) -> Vec<T>) -> Member<T> {
        let readings = self.run(plan, member);
        let by_reading = weigh(&readings);
        self.back(plan, member, &by_reading)
    }

    /// Carries slopes along a member back to the numbers that it is made of.
    pub fn through(
        &mut self,
        numbers: &[T],
        make: impl FnOnce(&[Traced<T>]) -> Member<Traced<T>>,
        mut slopes: Member<T>,
    ) -> Vec<T> {
        self.trace.restart();
        let mut at = Vec::with_capacity(numbers.len());
        Traced::variables(numbers.iter().copied(), &mut at);
        let mut made = make(&at);
        made.inputs_mut().zip(slopes.inputs_mut()).for_each(|(input, slope)| self.trace.seed(*input, *slope));
        self.trace.sweep();
        at.into_iter().map(|number| self.trace.slope(number)).collect()
    }

    fn run(&mut self, plan: &Plan, member: &Member<T>) -> Vec<T> {
        self.legs.clear();
        self.kept.clear();
        let mut column = ground(plan, member);
        let mut readings = Vec::with_capacity(plan.samples.len());
        let mut unused = Ledger::opened(T::zero(), T::zero());
        let tape = plan.tape();
        let mut first = 0;
        while first <= tape.len() {
            let next = tape[first..].iter().position(|event| matches!(event, Event::Stretch { .. }));
            let end = next.map_or(tape.len(), |ahead| first + ahead);
            let mut leg = self.keep(&column, first..end);
            let read = readings.len();
            walk(plan, member, &tape[first..end], &mut column, &mut readings);
            leg.readings = read..readings.len();
            if let Some(&Event::Stretch { weather, year }) = tape.get(end) {
                let pools = widest(|| {
                    let pools = pools(plan, member, weather, year);
                    let own = pools.map(|number| number.value);
                    column.grow_and_decay(&own, &plan.layout.litter, member.root_share, &mut unused.om);
                    pools
                });
                leg.span = Some(Span { pools, year });
            }
            self.legs.push(leg);
            first = end + 1;
        }
        readings
    }

    fn keep(&mut self, column: &Column<T>, events: Range<usize>) -> Leg<T> {
        let kept = self.kept.len();
        let holes = if column.has_holes { &column.hole_mm[..] } else { &[] };
        let pools = [&column.mineral[..], &column.young, &column.old, holes];
        self.kept.extend(pools.into_iter().flatten().map(|number| number.pack()));
        let Column { open_mm, room_mm, has_holes, .. } = *column;
        Leg { events, readings: 0..0, kept, parcels: column.len(), has_holes, open_mm, room_mm, span: None }
    }

    /// What a pool held before a leg, bottom first.
    fn held(&self, leg: &Leg<T>, pool: usize) -> impl ExactSizeIterator<Item = T> {
        self.kept[leg.kept + pool * leg.parcels..][..leg.parcels].iter().map(|&number| T::unpack(number))
    }

    /// The column before a leg as numbers of its own, and where they begin.
    fn before(&mut self, leg: &Leg<T>, member: &Member<Traced<T>>) -> (Column<Traced<T>>, Begins<T>) {
        let mut column = Column::new(&[], &member.profile, member.young_share, member.densities);
        let mut first = [0; 4];
        for (k, pool) in pools_of(&mut column).into_iter().enumerate() {
            *pool = std::mem::take(&mut self.written[k]);
            if k < 3 || leg.has_holes {
                first[k] = Traced::variables(self.held(leg, k), pool);
            } else {
                pool.resize(leg.parcels, Traced::zero());
            }
        }
        if leg.has_holes {
            (column.open_mm, column.room_mm) = (Traced::variable(leg.open_mm), Traced::variable(leg.room_mm));
            column.has_holes = true;
        }
        let begins = Begins { first, open_mm: column.open_mm, room_mm: column.room_mm };
        (column, begins)
    }

    fn back(&mut self, plan: &Plan, member: &Member<T>, by_reading: &[T]) -> Member<T> {
        let mut by = member.map(|_| T::zero());
        let mut along = Along { pools: Default::default(), open_mm: T::zero(), room_mm: T::zero() };
        let mut column = Column::new(&[], &member.profile, member.young_share, member.densities);
        let mut readings = Vec::new();
        while let Some(leg) = self.legs.pop() {
            let events = &plan.tape()[leg.events.clone()];
            if idle(events) {
                for (k, pool) in pools_of(&mut column).into_iter().take(3).enumerate() {
                    pool.clear();
                    pool.extend(self.held(&leg, k));
                }
                self.back_over_span(plan, member, &leg, &mut column, &mut along, &mut by);
                continue;
            }
            self.trace.restart();
            let mut lifted = member.map(Traced::variable);
            let (mut after, begins) = self.before(&leg, &lifted);
            readings.clear();
            walk(plan, &lifted, events, &mut after, &mut readings);
            for (pool, left) in pools_of(&mut column).into_iter().zip(pools_of(&mut after)) {
                pool.clear();
                pool.extend(left.iter().map(|number| number.value()));
            }
            self.back_over_span(plan, member, &leg, &mut column, &mut along, &mut by);
            for (numbers, slopes) in pools_of(&mut after).into_iter().zip(&along.pools) {
                numbers.iter().zip(slopes).for_each(|(number, slope)| self.trace.seed(*number, *slope));
            }
            self.trace.seed(after.open_mm, along.open_mm);
            self.trace.seed(after.room_mm, along.room_mm);
            let weights = &by_reading[leg.readings.clone()];
            readings.iter().zip(weights).for_each(|(reading, slope)| self.trace.seed(*reading, *slope));
            self.trace.sweep();
            for (slopes, first) in along.pools.iter_mut().zip(begins.first) {
                slopes.clear();
                slopes.extend((0..leg.parcels as u32).map(|i| self.trace.slope_of(first, i)));
            }
            along.open_mm = self.trace.slope(begins.open_mm);
            along.room_mm = self.trace.slope(begins.room_mm);
            self.add(&mut lifted, &mut by);
            for (room, pool) in self.written.iter_mut().zip(pools_of(&mut after)) {
                *room = std::mem::take(pool);
                room.clear();
            }
        }
        self.trace.restart();
        let mut lifted = member.map(Traced::variable);
        let start = ground(plan, &lifted);
        for (numbers, slopes) in [&start.mineral, &start.young, &start.old].into_iter().zip(&along.pools) {
            numbers.iter().zip(slopes).for_each(|(number, slope)| self.trace.seed(*number, *slope));
        }
        self.trace.sweep();
        self.add(&mut lifted, &mut by);
        by
    }

    /// Adds the slopes along a member, from the trace.
    fn add(&self, member: &mut Member<Traced<T>>, by: &mut Member<T>) {
        by.inputs_mut().zip(member.inputs_mut()).for_each(|(slope, input)| *slope += self.trace.slope(*input));
    }

    /// Carries slopes back over the stretch after a leg; `column` stands before it.
    fn back_over_span(
        &mut self,
        plan: &Plan,
        member: &Member<T>,
        leg: &Leg<T>,
        column: &mut Column<T>,
        along: &mut Along<T>,
        by: &mut Member<T>,
    ) {
        along.pools.iter_mut().for_each(|pool| pool.resize(column.len(), T::zero()));
        let Some(Span { pools, year }) = &leg.span else { return };
        let own = pools.map(|number| number.value);
        let [mineral, young, old, _] = &mut along.pools;
        let (depths, passed) = (&plan.layout.litter, &mut self.passed);
        let found =
            widest(|| column.grow_and_decay_back(&own, depths, member.root_share, [mineral, young, old], passed));
        by.root_share += found.root_share;
        let om = member.densities.om;
        by.densities.om -= found.om_volume / (om * om * 1000.0);
        let mut inputs = [T::zero(); POOL_INPUTS];
        let TwoPools { young_kept, young_to_old, old_kept, young_fed, old_fed, .. } = &found.pools;
        for (along, number) in [
            (young_kept, &pools.young_kept),
            (young_to_old, &pools.young_to_old),
            (old_kept, &pools.old_kept),
            (young_fed, &pools.young_fed),
            (old_fed, &pools.old_fed),
        ] {
            inputs.iter_mut().zip(number.derivative).for_each(|(input, slope)| *input += *along * slope);
        }
        let [young_rate, old_rate, humified, litter] = inputs;
        by.decay.young_per_year += young_rate;
        by.decay.old_per_year += old_rate;
        by.decay.humified += humified;
        by.litter_ratio += litter * multiplier(member, *year);
        if let Some(by_year) = by.year_multipliers.get_mut(*year) {
            *by_year += litter * member.litter_ratio;
        }
    }
}
