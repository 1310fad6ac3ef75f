//! The number type that the column and the engine are generic over: plain, several side by side, or carrying
//! derivatives.

mod chain;
mod dual;
mod elementary;
mod lanes;
mod traced;

pub use dual::Dual;
pub use elementary::exp;
pub use lanes::Lanes;
pub use traced::{ABREAST, Abreast, Step, Trace, Traced};

use std::fmt::Debug;
use std::ops::{Add, AddAssign, Div, Mul, MulAssign, Neg, Sub, SubAssign};

/// A real number, several side by side, or one with derivatives.
///
/// Code over it must not branch on values, but to leave out what would change nothing: [`Number::pick_less`], `min` and
/// `max` choose instead.
pub trait Number:
    Copy
    + Debug
    + Send
    + Sync
    + Neg<Output = Self>
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Add<f64, Output = Self>
    + Sub<f64, Output = Self>
    + Mul<f64, Output = Self>
    + Div<f64, Output = Self>
    + AddAssign
    + SubAssign
    + MulAssign
    + 'static
{
    /// The number without uncertainty or derivative.
    fn constant(value: f64) -> Self;

    /// `a` where `self < other`, else `b`.
    fn pick_less(self, other: Self, a: Self, b: Self) -> Self;

    /// The exponential.
    fn exp(self) -> Self;

    /// Natural logarithm.
    fn ln(self) -> Self;

    /// The square root.
    fn sqrt(self) -> Self;

    /// The largest absolute value that it holds; NaN if it holds one.
    fn largest(self) -> f64;

    /// Whether every value that it holds is at least `limit`.
    fn at_least(self, limit: f64) -> bool;

    /// Zero.
    #[inline(always)]
    fn zero() -> Self {
        Self::constant(0.0)
    }

    /// One.
    #[inline(always)]
    fn one() -> Self {
        Self::constant(1.0)
    }

    /// The smaller of two.
    #[inline(always)]
    fn min(self, other: Self) -> Self {
        self.pick_less(other, self, other)
    }

    /// The larger of two.
    #[inline(always)]
    fn max(self, other: Self) -> Self {
        self.pick_less(other, other, self)
    }

    /// Held between two bounds.
    #[inline(always)]
    fn clamp(self, low: f64, high: f64) -> Self {
        self.max(Self::constant(low)).min(Self::constant(high))
    }
}

impl Number for f64 {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        value
    }
    #[inline(always)]
    fn pick_less(self, other: Self, a: Self, b: Self) -> Self {
        if self < other { a } else { b }
    }
    #[inline(always)]
    fn exp(self) -> Self {
        exp(self)
    }
    #[inline(always)]
    fn ln(self) -> Self {
        f64::ln(self)
    }
    #[inline(always)]
    fn sqrt(self) -> Self {
        f64::sqrt(self)
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        self.abs()
    }
    #[inline(always)]
    fn at_least(self, limit: f64) -> bool {
        self >= limit
    }
}
