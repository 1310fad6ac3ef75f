//! A number with its derivatives in `N` directions (forward mode).

use super::Number;
use std::ops::{Add, AddAssign, Div, Mul, MulAssign, Neg, Sub, SubAssign};

/// A value and its derivatives in `N` directions, plain or several side by side.
///
/// ```
/// use matledger::number::{Dual, Number};
/// let x = Dual::<1>::variable(2.0, 0);
/// let y = x * x + x.exp();
/// assert!((y.derivative[0] - (4.0 + 2.0_f64.exp())).abs() < 1e-12);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<const N: usize, T = f64> {
    /// The value.
    pub value: T,
    /// Its derivatives.
    pub derivative: [T; N],
}

impl<const N: usize, T: Number> Dual<N, T> {
    /// The number that direction `index` moves with slope one; a constant if `index` is not below `N`.
    #[inline(always)]
    pub fn variable(value: T, index: usize) -> Self {
        let mut derivative = [T::zero(); N];
        if let Some(slope) = derivative.get_mut(index) {
            *slope = T::one();
        }
        Self { value, derivative }
    }

    #[inline(always)]
    fn scaled(self, value: T, slope: T) -> Self {
        Self { value, derivative: self.derivative.map(|d| d * slope) }
    }

    #[inline(always)]
    fn joined(self, other: Self, value: T, slope: T, other_slope: T) -> Self {
        let derivative = std::array::from_fn(|i| self.derivative[i] * slope + other.derivative[i] * other_slope);
        Self { value, derivative }
    }
}

impl<const N: usize, T: Number> Number for Dual<N, T> {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self { value: T::constant(value), derivative: [T::zero(); N] }
    }
    #[inline(always)]
    fn pick_less(self, other: Self, a: Self, b: Self) -> Self {
        let pick = |a: T, b: T| self.value.pick_less(other.value, a, b);
        let derivative = std::array::from_fn(|i| pick(a.derivative[i], b.derivative[i]));
        Self { value: pick(a.value, b.value), derivative }
    }
    #[inline(always)]
    fn exp(self) -> Self {
        let value = self.value.exp();
        self.scaled(value, value)
    }
    #[inline(always)]
    fn ln(self) -> Self {
        self.scaled(self.value.ln(), T::one() / self.value)
    }
    #[inline(always)]
    fn sqrt(self) -> Self {
        let value = self.value.sqrt();
        self.scaled(value, T::constant(0.5) / value)
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        self.value.largest()
    }
    #[inline(always)]
    fn at_least(self, limit: f64) -> bool {
        self.value.at_least(limit)
    }
}

impl<const N: usize, T: Number> Neg for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        self.scaled(-self.value, T::constant(-1.0))
    }
}

impl<const N: usize, T: Number> Add for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn add(self, other: Self) -> Self {
        self.joined(other, self.value + other.value, T::one(), T::one())
    }
}

impl<const N: usize, T: Number> Sub for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn sub(self, other: Self) -> Self {
        self.joined(other, self.value - other.value, T::one(), T::constant(-1.0))
    }
}

impl<const N: usize, T: Number> Mul for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        self.joined(other, self.value * other.value, other.value, self.value)
    }
}

impl<const N: usize, T: Number> Div for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn div(self, other: Self) -> Self {
        let value = self.value / other.value;
        self.joined(other, value, T::one() / other.value, -value / other.value)
    }
}

impl<const N: usize, T: Number> Add<f64> for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn add(self, other: f64) -> Self {
        Self { value: self.value + other, ..self }
    }
}

impl<const N: usize, T: Number> Sub<f64> for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn sub(self, other: f64) -> Self {
        Self { value: self.value - other, ..self }
    }
}

impl<const N: usize, T: Number> Mul<f64> for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn mul(self, other: f64) -> Self {
        self.scaled(self.value * other, T::constant(other))
    }
}

impl<const N: usize, T: Number> Div<f64> for Dual<N, T> {
    type Output = Self;
    #[inline(always)]
    fn div(self, other: f64) -> Self {
        self.scaled(self.value / other, T::constant(1.0 / other))
    }
}

impl<const N: usize, T: Number> AddAssign for Dual<N, T> {
    #[inline(always)]
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl<const N: usize, T: Number> SubAssign for Dual<N, T> {
    #[inline(always)]
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

impl<const N: usize, T: Number> MulAssign for Dual<N, T> {
    #[inline(always)]
    fn mul_assign(&mut self, other: Self) {
        *self = *self * other;
    }
}
