//! A number that writes down how it came about, for derivatives in reverse.

use super::{Number, exp};
use std::cell::RefCell;
use std::ops::{Add, AddAssign, Div, Mul, MulAssign, Neg, Sub, SubAssign};

/// A value and where it stands on the thread's trace.
///
/// One sweep back over a [`Trace`] gives the slopes of one outcome along all that went into it, for a few times the
/// cost of the outcome.
///
/// ```
/// use matledger::number::{Number, Trace, Traced};
/// let mut trace = Trace::begin();
/// let (x, y) = (trace.variable(2.0), trace.variable(3.0));
/// let product = x * y + x.exp();
/// trace.seed(product, 1.0);
/// trace.sweep_to(0);
/// assert!((trace.slope(x) - (3.0 + 2.0_f64.exp())).abs() < 1e-12);
/// assert_eq!(trace.slope(y), 2.0);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Traced {
    /// The value.
    pub value: f64,
    /// Its step on the trace; 0 for a constant.
    node: u32,
}

/// How a number follows from two others.
#[derive(Debug, Clone, Copy)]
struct Step {
    from: [u32; 2],
    slope: [f64; 2],
}

const NOWHERE: Step = Step { from: [0, 0], slope: [0.0, 0.0] };

// The operators have no room for a handle, so each thread has one trace.
thread_local! {
    static STEPS: RefCell<Vec<Step>> = const { RefCell::new(Vec::new()) };
}

/// The trace of this thread, from [`Trace::begin`] on. Numbers of an earlier trace must not be used in a later one.
#[derive(Debug, Default)]
pub struct Trace {
    slopes: Vec<f64>,
    swept: usize,
}

impl Trace {
    /// Begins anew.
    pub fn begin() -> Self {
        let mut trace = Self::default();
        trace.restart();
        trace
    }

    /// Begins anew in the same room.
    pub fn restart(&mut self) {
        STEPS.with_borrow_mut(|steps| {
            steps.clear();
            steps.push(NOWHERE);
        });
        self.slopes.clear();
        self.swept = 0;
    }

    /// A number that depends on nothing before it.
    pub fn variable(&mut self, value: f64) -> Traced {
        step(value, [0, 0], [0.0, 0.0])
    }

    /// Room for numbers that depend on nothing before them: the node of the first, the others follow.
    pub(crate) fn reserve(&mut self, count: usize) -> u32 {
        STEPS.with_borrow_mut(|steps| {
            let first = steps.len();
            steps.resize(first + count, NOWHERE);
            first as u32
        })
    }

    /// Steps written so far.
    pub fn position(&self) -> usize {
        STEPS.with_borrow(Vec::len)
    }

    /// Adds to the slope of the outcome along a number. Nothing may be written from the first seed on.
    pub fn seed(&mut self, number: Traced, slope: f64) {
        if self.slopes.is_empty() {
            self.swept = self.position();
            self.slopes.resize(self.swept, 0.0);
        }
        self.add_at(number.node, slope);
    }

    /// Adds to the slope along a node that is not swept yet.
    #[inline(always)]
    pub(crate) fn add_at(&mut self, node: u32, slope: f64) {
        self.slopes[node as usize] += slope;
    }

    /// The slope along a node.
    #[inline(always)]
    pub(crate) fn slope_at(&self, node: u32) -> f64 {
        self.slopes[node as usize]
    }

    /// Carries slopes back from all steps at or after `position`.
    pub fn sweep_to(&mut self, position: usize) {
        STEPS.with_borrow(|steps| {
            for at in (position..self.swept).rev() {
                let slope = self.slopes[at];
                if slope != 0.0 {
                    let Step { from, slope: along } = steps[at];
                    self.slopes[from[0] as usize] += slope * along[0];
                    self.slopes[from[1] as usize] += slope * along[1];
                }
            }
        });
        self.swept = self.swept.min(position);
    }

    /// Slope of the outcome along a number, once the sweep has passed all that came of it.
    pub fn slope(&self, number: Traced) -> f64 {
        if number.node == 0 { 0.0 } else { self.slopes.get(number.node as usize).copied().unwrap_or(0.0) }
    }
}

#[inline(always)]
fn step(value: f64, from: [u32; 2], slope: [f64; 2]) -> Traced {
    let node = STEPS.with_borrow_mut(|steps| {
        let node = steps.len() as u32;
        steps.push(Step { from, slope });
        node
    });
    Traced { value, node }
}

impl Traced {
    #[inline(always)]
    pub(crate) fn at(value: f64, node: u32) -> Self {
        Self { value, node }
    }

    #[inline(always)]
    pub(crate) fn node(self) -> u32 {
        self.node
    }

    #[inline(always)]
    fn of_one(self, value: f64, slope: f64) -> Self {
        if self.node == 0 { Self::constant(value) } else { step(value, [self.node, 0], [slope, 0.0]) }
    }

    #[inline(always)]
    fn of_two(self, other: Self, value: f64, slope: f64, other_slope: f64) -> Self {
        if self.node | other.node == 0 {
            Self::constant(value)
        } else {
            step(value, [self.node, other.node], [slope, other_slope])
        }
    }
}

impl Number for Traced {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self { value, node: 0 }
    }
    #[inline(always)]
    fn pick_less(self, other: Self, a: Self, b: Self) -> Self {
        if self.value < other.value { a } else { b }
    }
    #[inline(always)]
    fn exp(self) -> Self {
        let value = exp(self.value);
        self.of_one(value, value)
    }
    #[inline(always)]
    fn ln(self) -> Self {
        self.of_one(self.value.ln(), 1.0 / self.value)
    }
    #[inline(always)]
    fn sqrt(self) -> Self {
        let value = self.value.sqrt();
        self.of_one(value, 0.5 / value)
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        self.value.abs()
    }
    #[inline(always)]
    fn at_least(self, limit: f64) -> bool {
        self.value >= limit
    }
}

impl Neg for Traced {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        self.of_one(-self.value, -1.0)
    }
}

impl Add for Traced {
    type Output = Self;
    #[inline(always)]
    fn add(self, other: Self) -> Self {
        self.of_two(other, self.value + other.value, 1.0, 1.0)
    }
}

impl Sub for Traced {
    type Output = Self;
    #[inline(always)]
    fn sub(self, other: Self) -> Self {
        self.of_two(other, self.value - other.value, 1.0, -1.0)
    }
}

impl Mul for Traced {
    type Output = Self;
    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        self.of_two(other, self.value * other.value, other.value, self.value)
    }
}

impl Div for Traced {
    type Output = Self;
    #[inline(always)]
    fn div(self, other: Self) -> Self {
        let value = self.value / other.value;
        self.of_two(other, value, 1.0 / other.value, -value / other.value)
    }
}

impl Add<f64> for Traced {
    type Output = Self;
    #[inline(always)]
    fn add(self, other: f64) -> Self {
        self.of_one(self.value + other, 1.0)
    }
}

impl Sub<f64> for Traced {
    type Output = Self;
    #[inline(always)]
    fn sub(self, other: f64) -> Self {
        self.of_one(self.value - other, 1.0)
    }
}

impl Mul<f64> for Traced {
    type Output = Self;
    #[inline(always)]
    fn mul(self, other: f64) -> Self {
        self.of_one(self.value * other, other)
    }
}

impl Div<f64> for Traced {
    type Output = Self;
    #[inline(always)]
    fn div(self, other: f64) -> Self {
        self.of_one(self.value / other, 1.0 / other)
    }
}

impl AddAssign for Traced {
    #[inline(always)]
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl SubAssign for Traced {
    #[inline(always)]
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

impl MulAssign for Traced {
    #[inline(always)]
    fn mul_assign(&mut self, other: Self) {
        *self = *self * other;
    }
}
