//! A number with its derivatives in `N` directions (forward mode).

use super::Number;
use super::chain::{Differentiable, chain_rule};

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
}

impl<const N: usize, T: Number> Differentiable<T> for Dual<N, T> {
    #[inline(always)]
    fn fixed(value: T) -> Self {
        Self { value, derivative: [T::zero(); N] }
    }
    #[inline(always)]
    fn plain(self) -> T {
        self.value
    }
    #[inline(always)]
    fn of_one(self, value: T, slope: T) -> Self {
        Self { value, derivative: self.derivative.map(|d| d * slope) }
    }
    #[inline(always)]
    fn of_two(self, other: Self, value: T, slope: T, other_slope: T) -> Self {
        let derivative = std::array::from_fn(|i| self.derivative[i] * slope + other.derivative[i] * other_slope);
        Self { value, derivative }
    }
    #[inline(always)]
    fn either(self, other: Self, a: Self, b: Self) -> Self {
        let pick = |a: T, b: T| self.value.pick_less(other.value, a, b);
        let derivative = std::array::from_fn(|i| pick(a.derivative[i], b.derivative[i]));
        Self { value: pick(a.value, b.value), derivative }
    }
}

chain_rule!([const N: usize, T: Number] Dual<N, T>, over T);
