//! Slopes of an outcome of many readings along all that went into a run, backwards over the tape.
//!
//! A run keeps what each event finds: of the whole column before a stretch, of the parcels that it touches before work and
//! samples. What is done often has a rule of its own beside it in the column. Sampled layers and injected sand are taken
//! once more, written down and differentiated step by step; so would a new kind of work.
//! Several members may go side by side on one plan.

use super::kernel::{State, sand};
use super::lanes::widest;
use super::member::Member;
use super::plan::{Event, Plan};
use crate::column::litter::Passed;
use crate::column::{Column, DecayRates, HoleSlopes, Ledger, Sample, TwoPools, Volumes};
use crate::number::{ABREAST, Abreast, Dual, Lanes, Number, Trace, Traced};
use std::cell::RefCell;
use std::ops::Range;

/// Of the pools' numbers: rates of decay, the humified share, and the litter per gram of clippings.
const POOL_INPUTS: usize = 4;

/// What a stretch does to the pools.
struct Span<T> {
    pools: TwoPools<Dual<POOL_INPUTS, T>>,
    year: usize,
}

/// Parcels as an event found them.
struct Found<T> {
    /// Where they begin among the pools kept: mineral, young and old, and holes if there are any.
    kept: usize,
    parcels: Range<usize>,
    has_holes: bool,
    open_mm: T,
    room_mm: T,
}

/// Room for runs and the way back, to be used again.
pub struct Adjoint<T: Abreast> {
    trace: Trace<T>,
    found: Vec<Found<T>>,
    spans: Vec<Span<T>>,
    kept: Vec<T::Packed>,
    passed: Vec<Passed<T>>,
}

impl<T: Abreast> Default for Adjoint<T> {
    fn default() -> Self {
        Self { trace: Trace::default(), found: Vec::new(), spans: Vec::new(), kept: Vec::new(), passed: Vec::new() }
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

fn ground<N: Number>(plan: &Plan, member: &Member<N>) -> Column<N> {
    Column::new(&plan.parcels_mm, &member.profile, member.young_share, member.densities)
}

fn bare<N: Number>(member: &Member<N>) -> Column<N> {
    Column::new(&[], &member.profile, member.young_share, member.densities)
}

/// No ledger is kept: `run` has its own.
fn unkept<N: Number>() -> State<N> {
    State { ledger: Ledger::opened(N::zero(), N::zero()) }
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

/// The parcels that must be known to carry slopes back over an event, if any: those that it depends on or changes.
fn touched<T: Abreast>(plan: &Plan, column: &Column<T>, event: &Event) -> Option<Range<usize>> {
    let len = column.len();
    let down_to = |depth_mm| len - column.faces_down_to(depth_mm).len();
    let lowest_hole = || column.hole_mm.iter().position(|hole| column.has_holes && !hole.vanishes());
    match event {
        Event::Split { parcel, .. } => Some(parcel.saturating_sub(1)..(parcel + 2).min(len)),
        Event::Topdress { .. } => Some(lowest_hole().unwrap_or(len - 1)..len),
        Event::Open(opening) => Some(lowest_hole().unwrap_or(len).min(down_to(opening.deepest_mm()))..len),
        Event::Read { sample, .. } => match plan.samples[*sample].1 {
            // A parcel that is cut leans on the one below it.
            Sample::Window { bottom_mm, .. } => Some(down_to(bottom_mm).saturating_sub(1)..len),
            _ => Some(0..len),
        },
        Event::Stretch { .. } | Event::Inject { .. } => Some(0..len),
        Event::Close | Event::Push | Event::Merge { .. } | Event::Look(_) | Event::YearEnd => None,
    }
}

fn pools_of<N>(column: &mut Column<N>) -> [&mut Vec<N>; 4] {
    [&mut column.mineral, &mut column.young, &mut column.old, &mut column.hole_mm]
}

/// Slopes along what a column holds: mineral, young, old of each parcel, and holes if there are any; and along what goes
/// for the whole of it.
struct Along<T> {
    pools: [Vec<T>; 4],
    holes: HoleSlopes<T>,
    volumes: Volumes<T>,
}

impl<T: Number> Along<T> {
    /// None yet, along a column.
    fn new(column: &Column<T>) -> Self {
        let (parcels, holes) = (column.len(), if column.has_holes { column.len() } else { 0 });
        let zero = T::zero();
        Self {
            pools: [parcels, parcels, parcels, holes].map(|len| vec![zero; len]),
            holes: HoleSlopes { open_mm: zero, room_mm: zero },
            volumes: Volumes { mineral: zero, om: zero },
        }
    }

    /// Those along the pools of some parcels, and along the rest.
    fn parts(&mut self, parcels: Range<usize>) -> (crate::column::Along<'_, T>, &mut HoleSlopes<T>, &mut Volumes<T>) {
        let pools = self.pools.each_mut().map(|pool| pool.get_mut(parcels.clone()).unwrap_or_default());
        (pools, &mut self.holes, &mut self.volumes)
    }
}

/// Ground and member as numbers on the trace: what every event that is written down starts from.
struct Written<T: Abreast> {
    member: Member<Traced<T>>,
    column: Column<Traced<T>>,
}

impl<T: Abreast> Adjoint<T> {
    /// Runs a member and carries the slopes that `weigh` gives for its readings (% OM, in the order of the plan's) back to
    /// all that the engine takes in of it.
    pub fn pull_back(&mut self, plan: &Plan, member: &Member<T>, weigh: impl FnOnce(&[T]) -> Vec<T>) -> Member<T> {
        let (readings, column) = self.run(plan, member);
        let by_reading = weigh(&readings);
        self.back(plan, member, column, &by_reading)
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

    /// Readings, and the column as it is left.
    fn run(&mut self, plan: &Plan, member: &Member<T>) -> (Vec<T>, Column<T>) {
        self.found.clear();
        self.spans.clear();
        self.kept.clear();
        let mut column = ground(plan, member);
        let mut readings = Vec::with_capacity(plan.samples.len());
        let mut state = unkept();
        for event in plan.tape() {
            if let Some(parcels) = touched(plan, &column, event) {
                let fills = matches!(event, Event::Split { .. } | Event::Topdress { .. } | Event::Open(_));
                let holes = column.has_holes && fills;
                self.keep(&column, parcels, holes);
            }
            match event {
                Event::Read { sample, root_zone } => {
                    readings.push(column.read(&plan.samples[*sample].1, *root_zone).om_percent());
                }
                Event::Stretch { weather, year } => {
                    let pools = widest(|| {
                        let pools = pools(plan, member, *weather, *year);
                        let own = pools.map(|number| number.value);
                        column.grow_and_decay(&own, &plan.layout.litter, member.root_share, &mut state.ledger.om);
                        pools
                    });
                    self.spans.push(Span { pools, year: *year });
                }
                event => state.step(plan, member, &mut column, event),
            }
        }
        (readings, column)
    }

    fn keep(&mut self, column: &Column<T>, parcels: Range<usize>, holes: bool) {
        let kept = self.kept.len();
        for pool in [&column.mineral, &column.young, &column.old].into_iter().chain(holes.then_some(&column.hole_mm)) {
            self.kept.extend(pool[parcels.clone()].iter().map(|number| number.pack()));
        }
        let Column { open_mm, room_mm, .. } = *column;
        self.found.push(Found { kept, parcels, has_holes: holes, open_mm, room_mm });
    }

    /// What a pool held, bottom first.
    fn held(&self, found: &Found<T>, pool: usize) -> impl ExactSizeIterator<Item = T> {
        let parcels = found.parcels.len();
        self.kept[found.kept + pool * parcels..][..parcels].iter().map(|&number| T::unpack(number))
    }

    /// `column` is that which the run has left.
    fn back(&mut self, plan: &Plan, member: &Member<T>, mut column: Column<T>, by_reading: &[T]) -> Member<T> {
        let mut by = member.map(|_| T::zero());
        let mut along = Along::new(&column);
        self.trace.restart();
        let lifted = member.map(Traced::variable);
        let mut written = Written { column: bare(&lifted), member: lifted };
        self.trace.hold();
        let mut weights = by_reading.iter().rev();
        for event in plan.tape().iter().rev() {
            match event {
                Event::Stretch { .. } => self.back_over_span(plan, member, &mut column, &mut along, &mut by),
                Event::Push => along.pools.iter_mut().for_each(|pool| pool.truncate(pool.len().saturating_sub(1))),
                Event::Merge { parcel } => {
                    for pool in along.pools.iter_mut().filter(|pool| !pool.is_empty()) {
                        pool.insert(parcel + 1, pool[*parcel]);
                    }
                }
                Event::Close => {
                    let parcels = along.pools[0].len();
                    along.pools[3].clear();
                    along.pools[3].resize(parcels, T::zero());
                    along.holes = HoleSlopes { open_mm: T::zero(), room_mm: T::zero() };
                }
                Event::Look(_) | Event::YearEnd => {}
                Event::Split { parcel, parts } => {
                    let found = self.recall(&mut column);
                    let first = found.parcels.start;
                    let (mut pools, _, volumes) = along.parts(first..found.parcels.end + parts - 1);
                    widest(|| column.split_back(parcel - first, *parts, &mut pools, volumes));
                    for pool in along.pools.iter_mut().filter(|pool| !pool.is_empty()) {
                        pool.drain(parcel + 1..parcel + parts);
                    }
                }
                Event::Topdress { sand_g_m2, picked_up_share, recorded } => {
                    let found = self.recall(&mut column);
                    let (mut pools, holes, volumes) = along.parts(found.parcels);
                    let spread = sand(member, *sand_g_m2, *recorded);
                    let by_sand = widest(|| column.topdress_back(spread, *picked_up_share, &mut pools, holes, volumes));
                    if *recorded {
                        by.sand_scale += by_sand * *sand_g_m2;
                    }
                }
                Event::Open(opening) => {
                    let found = self.recall(&mut column);
                    let (mut pools, holes, volumes) = along.parts(found.parcels);
                    let filled = member.fill_fraction;
                    by.fill_fraction += widest(|| column.open_back(opening, filled, &mut pools, holes, volumes));
                    if !found.has_holes {
                        along.pools[3].clear();
                    }
                }
                Event::Read { sample, root_zone } => {
                    let weight = weights.next().copied().unwrap_or(T::zero());
                    match plan.samples[*sample].1 {
                        _ if weight.vanishes() => drop(self.recall(&mut column)),
                        Sample::Window { top_mm, bottom_mm } => {
                            let found = self.recall(&mut column);
                            let (mut pools, _, volumes) = along.parts(found.parcels);
                            widest(|| {
                                let read = column.read(&plan.samples[*sample].1, 0);
                                column.window_back((top_mm, bottom_mm), &read, weight, &mut pools, volumes);
                            });
                        }
                        layer => self.back_over(&mut written, &mut along, |_, column| {
                            Some((column.read(&layer, *root_zone).om_percent(), weight))
                        }),
                    }
                }
                event @ Event::Inject { .. } => self.back_over(&mut written, &mut along, |member, column| {
                    unkept().step(plan, member, column, event);
                    None
                }),
            }
        }
        self.trace.rewind();
        let start = ground(plan, &written.member);
        for (numbers, slopes) in [&start.mineral, &start.young, &start.old].into_iter().zip(&along.pools) {
            self.trace.seed_all(numbers, slopes);
        }
        self.trace.sweep();
        let Volumes { mineral, om } = written.column.volumes();
        self.trace.seed(mineral, along.volumes.mineral);
        self.trace.seed(om, along.volumes.om);
        self.trace.sweep_held();
        for (slope, input) in by.inputs_mut().zip(written.member.inputs_mut()) {
            *slope += self.trace.slope(*input);
        }
        by
    }

    /// Puts what the last event found that is left into `column`.
    fn recall(&mut self, column: &mut Column<T>) -> Found<T> {
        let found = self.found.pop().expect("an event of the run");
        for (k, pool) in pools_of(column).into_iter().enumerate() {
            pool.clear();
            if k < 3 || found.has_holes {
                pool.extend(self.held(&found, k));
            } else {
                pool.resize(found.parcels.len(), T::zero());
            }
        }
        self.kept.truncate(found.kept);
        (column.open_mm, column.room_mm, column.has_holes) = (found.open_mm, found.room_mm, found.has_holes);
        found
    }

    /// Carries slopes back over what is done to the ground once more, written down, and a reading of it with its weight.
    fn back_over(
        &mut self,
        Written { member, column }: &mut Written<T>,
        along: &mut Along<T>,
        again: impl FnOnce(&Member<Traced<T>>, &mut Column<Traced<T>>) -> Option<(Traced<T>, T)>,
    ) {
        let found = self.found.pop().expect("an event of the run");
        self.trace.rewind();
        let mut begins = [0; 3];
        let [mineral, young, old, holes] = pools_of(column);
        for (k, pool) in [mineral, young, old].into_iter().enumerate() {
            pool.clear();
            begins[k] = Traced::variables(self.held(&found, k), pool);
        }
        holes.clear();
        holes.resize(found.parcels.len(), Traced::zero());
        self.kept.truncate(found.kept);
        if let Some((reading, weight)) = again(member, column) {
            self.trace.seed(reading, weight);
        }
        for (numbers, slopes) in pools_of(column).into_iter().zip(&along.pools).take(3) {
            self.trace.seed_all(numbers, &slopes[found.parcels.clone()]);
        }
        self.trace.sweep();
        for (pool, begin) in along.pools.iter_mut().zip(begins) {
            for (slope, i) in pool[found.parcels.clone()].iter_mut().zip(0..) {
                *slope = self.trace.slope_of(begin, i);
            }
        }
    }

    /// Carries slopes back over the last stretch that is left; `column` is working room.
    fn back_over_span(
        &mut self,
        plan: &Plan,
        member: &Member<T>,
        column: &mut Column<T>,
        along: &mut Along<T>,
        by: &mut Member<T>,
    ) {
        let Span { pools, year } = self.spans.pop().expect("a stretch of the run");
        self.recall(column);
        let own = pools.map(|number| number.value);
        let [mineral, young, old, _] = &mut along.pools;
        let (depths, passed) = (&plan.layout.litter, &mut self.passed);
        let back =
            widest(|| column.grow_and_decay_back(&own, depths, member.root_share, [mineral, young, old], passed));
        by.root_share += back.root_share;
        along.volumes.mineral += back.volumes.mineral;
        along.volumes.om += back.volumes.om;
        let mut inputs = [T::zero(); POOL_INPUTS];
        let TwoPools { young_kept, young_to_old, old_kept, young_fed, old_fed, .. } = &back.pools;
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
        by.litter_ratio += litter * multiplier(member, year);
        if let Some(by_year) = by.year_multipliers.get_mut(year) {
            *by_year += litter * member.litter_ratio;
        }
    }
}
