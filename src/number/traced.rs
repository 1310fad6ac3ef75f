//! A number that writes down how it came about, for derivatives in reverse.

use super::chain::{Differentiable, chain_rule};
use super::{Lanes, Number};
use std::cell::RefCell;
use std::fmt::Debug;

/// A value and where it stands on the thread's trace. What a constant zero would change is not written down.
///
/// One sweep back over a [`Trace`] gives the slopes of one outcome along all that went into it, for a few times the
/// cost of the outcome. Of several values side by side, each lane has its own outcome.
///
/// ```
/// use matledger::number::{Number, Trace, Traced};
/// let mut trace = Trace::<f64>::begin();
/// let (x, y) = (Traced::variable(2.0), Traced::variable(3.0));
/// let product = x * y + x.exp();
/// trace.seed(product, 1.0);
/// trace.sweep();
/// assert!((trace.slope(x) - (3.0 + 2.0_f64.exp())).abs() < 1e-12);
/// assert_eq!(trace.slope(y), 2.0);
/// ```
#[derive(Debug, Clone, Copy)]
pub struct Traced<T: Abreast = f64> {
    /// Kept without room between: most of the time goes into memory.
    value: T::Packed,
    /// Its step on the trace; 0 for a constant.
    node: u32,
}

/// How a number follows from two others; `P` is a number as it is kept.
#[derive(Debug, Clone, Copy)]
pub struct Step<P> {
    from: [u32; 2],
    slope: [P; 2],
}

/// A plain number, or several side by side, that a trace can be kept of.
pub trait Abreast: Number {
    /// Numbers side by side.
    const WIDTH: usize;
    /// The number as it is kept, without room between.
    type Packed: Copy + Debug + Send + Sync;

    /// From the number of each lane.
    fn abreast(of: impl Fn(usize) -> f64) -> Self;
    /// The number of one lane.
    fn lane(self, lane: usize) -> f64;
    /// To be kept.
    fn pack(self) -> Self::Packed;
    /// From what was kept.
    fn unpack(packed: Self::Packed) -> Self;
    /// Whether all lanes are zero.
    fn vanishes(self) -> bool;
    /// The thread's trace; the operators have no room for a handle.
    fn with_steps<R>(work: impl FnOnce(&mut Vec<Step<Self::Packed>>) -> R) -> R;
}

/// Chains side by side.
pub const ABREAST: usize = 4;

thread_local! {
    static PLAIN: RefCell<Vec<Step<f64>>> = const { RefCell::new(Vec::new()) };
    static SIDE_BY_SIDE: RefCell<Vec<Step<[f64; ABREAST]>>> = const { RefCell::new(Vec::new()) };
}

impl Abreast for f64 {
    const WIDTH: usize = 1;
    type Packed = f64;

    #[inline(always)]
    fn abreast(of: impl Fn(usize) -> f64) -> Self {
        of(0)
    }
    #[inline(always)]
    fn lane(self, _: usize) -> f64 {
        self
    }
    #[inline(always)]
    fn pack(self) -> f64 {
        self
    }
    #[inline(always)]
    fn unpack(packed: f64) -> Self {
        packed
    }
    #[inline(always)]
    fn vanishes(self) -> bool {
        self == 0.0
    }
    #[inline(always)]
    fn with_steps<R>(work: impl FnOnce(&mut Vec<Step<f64>>) -> R) -> R {
        PLAIN.with_borrow_mut(work)
    }
}

impl Abreast for Lanes<ABREAST> {
    const WIDTH: usize = ABREAST;
    type Packed = [f64; ABREAST];

    #[inline(always)]
    fn abreast(of: impl Fn(usize) -> f64) -> Self {
        Self(std::array::from_fn(of))
    }
    #[inline(always)]
    fn lane(self, lane: usize) -> f64 {
        self.0[lane]
    }
    #[inline(always)]
    fn pack(self) -> [f64; ABREAST] {
        self.0
    }
    #[inline(always)]
    fn unpack(packed: [f64; ABREAST]) -> Self {
        Self(packed)
    }
    #[inline(always)]
    fn vanishes(self) -> bool {
        self.0.iter().fold(true, |all, v| all & (*v == 0.0))
    }
    #[inline(always)]
    fn with_steps<R>(work: impl FnOnce(&mut Vec<Step<[f64; ABREAST]>>) -> R) -> R {
        SIDE_BY_SIDE.with_borrow_mut(work)
    }
}

/// The trace of this thread, from [`Trace::begin`] on. Numbers of an earlier trace must not be used in a later one.
#[derive(Debug)]
pub struct Trace<T: Abreast = f64> {
    slopes: Vec<T::Packed>,
    /// Steps that stay where the trace is rewound.
    held: usize,
}

impl<T: Abreast> Default for Trace<T> {
    fn default() -> Self {
        Self { slopes: Vec::new(), held: 1 }
    }
}

impl<T: Abreast> Trace<T> {
    /// Begins anew.
    pub fn begin() -> Self {
        let mut trace = Self::default();
        trace.restart();
        trace
    }

    /// Begins anew in the same room.
    pub fn restart(&mut self) {
        let nothing = T::zero().pack();
        T::with_steps(|steps| {
            steps.clear();
            steps.push(Step { from: [0, 0], slope: [nothing, nothing] });
        });
        self.slopes.clear();
        self.held = 1;
    }

    /// Holds what is written so far: [`Trace::rewind`] goes back to here, and slopes along it add up from sweep to sweep
    /// until [`Trace::sweep_held`].
    pub(crate) fn hold(&mut self) {
        self.held = T::with_steps(|steps| steps.len());
    }

    /// Forgets what was written after [`Trace::hold`].
    pub(crate) fn rewind(&mut self) {
        T::with_steps(|steps| steps.truncate(self.held));
        self.slopes.truncate(self.held);
    }

    /// Adds to the slope of the outcome along a number. Nothing may be written from the first seed to the sweep.
    pub fn seed(&mut self, number: Traced<T>, slope: T) {
        self.seed_all(&[number], &[slope]);
    }

    /// The same for each number and its slope.
    pub(crate) fn seed_all(&mut self, numbers: &[Traced<T>], slopes: &[T]) {
        let written = T::with_steps(|steps| steps.len());
        if self.slopes.len() < written {
            self.slopes.resize(written, T::zero().pack());
        }
        numbers.iter().zip(slopes).for_each(|(number, slope)| add(&mut self.slopes[number.node as usize], *slope));
    }

    /// Carries slopes back over all steps but those that are held.
    pub fn sweep(&mut self) {
        self.sweep_to(self.held);
    }

    /// Carries slopes back over the steps that are held, once nothing is left after them.
    pub(crate) fn sweep_held(&mut self) {
        self.slopes.truncate(self.held);
        self.sweep_to(1);
    }

    fn sweep_to(&mut self, first: usize) {
        T::with_steps(|steps| {
            for at in (first..self.slopes.len()).rev() {
                let slope = T::unpack(self.slopes[at]);
                let Step { from, slope: along } = steps[at];
                if from != [0, 0] && !slope.vanishes() {
                    add(&mut self.slopes[from[0] as usize], slope * T::unpack(along[0]));
                    add(&mut self.slopes[from[1] as usize], slope * T::unpack(along[1]));
                }
            }
        });
    }

    /// Slope of the outcome along a number, once the sweep has passed all that came of it.
    pub fn slope(&self, number: Traced<T>) -> T {
        self.slope_of(number.node, 0)
    }

    /// Slope along the number so many steps after the one at `first`; none if that is a constant.
    pub(crate) fn slope_of(&self, first: u32, after: u32) -> T {
        match self.slopes.get((first + after) as usize) {
            Some(slope) if first != 0 => T::unpack(*slope),
            _ => T::zero(),
        }
    }
}

#[inline(always)]
fn add<T: Abreast<Packed = P>, P: Copy>(sum: &mut P, more: T) {
    *sum = (T::unpack(*sum) + more).pack();
}

#[inline(always)]
fn step<T: Abreast>(value: T, from: [u32; 2], slope: [T; 2]) -> Traced<T> {
    let node = T::with_steps(|steps| {
        let node = steps.len() as u32;
        steps.push(Step { from, slope: slope.map(T::pack) });
        node
    });
    Traced { value: value.pack(), node }
}

impl<T: Abreast> Traced<T> {
    /// The value.
    #[inline(always)]
    pub fn value(self) -> T {
        T::unpack(self.value)
    }

    /// A number that depends on nothing before it.
    pub fn variable(value: T) -> Self {
        step(value, [0, 0], [T::zero(), T::zero()])
    }

    /// Puts numbers that depend on nothing before them into `numbers`; the step of the first, the others follow.
    pub(crate) fn variables(values: impl ExactSizeIterator<Item = T>, numbers: &mut Vec<Self>) -> u32 {
        let nothing = T::zero().pack();
        let first = T::with_steps(|steps| {
            let first = steps.len();
            steps.resize(first + values.len(), Step { from: [0, 0], slope: [nothing, nothing] });
            first as u32
        });
        numbers.extend((first..).zip(values).map(|(node, value)| Self { value: value.pack(), node }));
        first
    }
}

impl<T: Abreast> Differentiable<T> for Traced<T> {
    #[inline(always)]
    fn fixed(value: T) -> Self {
        Self { value: value.pack(), node: 0 }
    }
    #[inline(always)]
    fn plain(self) -> T {
        self.value()
    }
    #[inline(always)]
    fn of_one(self, value: T, slope: T) -> Self {
        if self.node == 0 { Self::fixed(value) } else { step(value, [self.node, 0], [slope, T::zero()]) }
    }
    #[inline(always)]
    fn of_two(self, other: Self, value: T, slope: T, other_slope: T) -> Self {
        if self.node | other.node == 0 {
            Self::fixed(value)
        } else {
            step(value, [self.node, other.node], [slope, other_slope])
        }
    }
    /// Where all lanes pick the same, it is that number, and nothing is written.
    #[inline(always)]
    fn either(self, other: Self, a: Self, b: Self) -> Self {
        let picked = self.value().pick_less(other.value(), T::one(), T::zero());
        if picked.at_least(1.0) {
            a
        } else if (-picked).at_least(0.0) {
            b
        } else {
            let value = self.value().pick_less(other.value(), a.value(), b.value());
            a.of_two(b, value, picked, T::one() - picked)
        }
    }
    #[inline(always)]
    fn is_nothing(self) -> bool {
        self.node == 0 && self.value().vanishes()
    }
}

chain_rule!([T: Abreast] Traced<T>, over T);
