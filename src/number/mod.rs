//! The number type that the column and the engine are generic over: plain, several side by side, or carrying
//! derivatives.

mod dual;
mod elementary;
mod lanes;

pub use dual::Dual;
pub use elementary::exp;
pub use lanes::Lanes;

use std::fmt::Debug;
use std::ops::{Add, AddAssign, Div, Mul, MulAssign, Neg, Sub, SubAssign};

/// A real number, several side by side, or one with derivatives.
///
/// Code over it must not branch on values: [`Number::pick_less`], `min` and `max` choose instead.
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
}

/// `(1 - exp(-x)) / x`, smooth through zero, for rates of one day (`|x|` up to about 0.5).
///
/// Taylor series to the tenth order: the error is below 2e-12 at `|x|` = 0.5.
///
/// ```
/// use matledger::number::decayed_mean;
/// assert!((decayed_mean(0.1_f64) - (1.0 - (-0.1_f64).exp()) / 0.1).abs() < 1e-15);
/// assert_eq!(decayed_mean(0.0_f64), 1.0);
/// ```
#[inline(always)]
pub fn decayed_mean<T: Number>(x: T) -> T {
    const TERMS: [f64; 10] =
        [1.0 / 11.0, 1.0 / 10.0, 1.0 / 9.0, 1.0 / 8.0, 1.0 / 7.0, 1.0 / 6.0, 1.0 / 5.0, 1.0 / 4.0, 1.0 / 3.0, 0.5];
    let mut sum = T::one();
    for inverse in TERMS {
        sum = -(x * inverse) * sum + 1.0;
    }
    sum
}
