//! A number with its derivatives in `N` directions (forward mode).

use super::{Number, exp};
use std::ops::{Add, AddAssign, Div, Mul, MulAssign, Neg, Sub, SubAssign};

/// A value and its derivatives in `N` directions.
///
/// ```
/// use matledger::number::{Dual, Number};
/// let x = Dual::<1>::variable(2.0, 0);
/// let y = x * x + x.exp();
/// assert!((y.derivative[0] - (4.0 + 2.0_f64.exp())).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<const N: usize> {
    /// The value.
    pub value: f64,
    /// Its derivatives.
    pub derivative: [f64; N],
}

impl<const N: usize> Dual<N> {
    /// The number that direction `index` moves with slope one; a constant if `index` is not below `N`.
    #[inline(always)]
    pub fn variable(value: f64, index: usize) -> Self {
        let mut derivative = [0.0; N];
        if let Some(slope) = derivative.get_mut(index) {
            *slope = 1.0;
        }
        Self { value, derivative }
    }

    #[inline(always)]
    fn scaled(self, value: f64, slope: f64) -> Self {
        Self { value, derivative: self.derivative.map(|d| d * slope) }
    }

    #[inline(always)]
    fn joined(self, other: Self, value: f64, slope: f64, other_slope: f64) -> Self {
        let derivative = std::array::from_fn(|i| self.derivative[i] * slope + other.derivative[i] * other_slope);
        Self { value, derivative }
    }
}

impl<const N: usize> Number for Dual<N> {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self { value, derivative: [0.0; N] }
    }
    #[inline(always)]
    fn pick_less(self, other: Self, a: Self, b: Self) -> Self {
        if self.value < other.value { a } else { b }
    }
    #[inline(always)]
    fn exp(self) -> Self {
        let value = exp(self.value);
        self.scaled(value, value)
    }
    #[inline(always)]
    fn ln(self) -> Self {
        self.scaled(self.value.ln(), 1.0 / self.value)
    }
    #[inline(always)]
    fn sqrt(self) -> Self {
        let value = self.value.sqrt();
        self.scaled(value, 0.5 / value)
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

impl<const N: usize> Neg for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        self.scaled(-self.value, -1.0)
    }
}

impl<const N: usize> Add for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn add(self, other: Self) -> Self {
        self.joined(other, self.value + other.value, 1.0, 1.0)
    }
}

impl<const N: usize> Sub for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn sub(self, other: Self) -> Self {
        self.joined(other, self.value - other.value, 1.0, -1.0)
    }
}

impl<const N: usize> Mul for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        self.joined(other, self.value * other.value, other.value, self.value)
    }
}

impl<const N: usize> Div for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn div(self, other: Self) -> Self {
        let value = self.value / other.value;
        self.joined(other, value, 1.0 / other.value, -value / other.value)
    }
}

impl<const N: usize> Add<f64> for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn add(self, other: f64) -> Self {
        Self { value: self.value + other, ..self }
    }
}

impl<const N: usize> Sub<f64> for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn sub(self, other: f64) -> Self {
        Self { value: self.value - other, ..self }
    }
}

impl<const N: usize> Mul<f64> for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn mul(self, other: f64) -> Self {
        self.scaled(self.value * other, other)
    }
}

impl<const N: usize> Div<f64> for Dual<N> {
    type Output = Self;
    #[inline(always)]
    fn div(self, other: f64) -> Self {
        self.scaled(self.value / other, 1.0 / other)
    }
}

impl<const N: usize> AddAssign for Dual<N> {
    #[inline(always)]
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl<const N: usize> SubAssign for Dual<N> {
    #[inline(always)]
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

impl<const N: usize> MulAssign for Dual<N> {
    #[inline(always)]
    fn mul_assign(&mut self, other: Self) {
        *self = *self * other;
    }
}
