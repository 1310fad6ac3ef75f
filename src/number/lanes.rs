//! Several numbers side by side, for the lanes of the machine's vector instructions.

use super::{Number, exp};
use std::ops::{Add, AddAssign, Div, Mul, MulAssign, Neg, Sub, SubAssign};

/// `L` numbers that go through the same operations.
///
/// Each lane is computed as it would be alone, to the bit.
///
/// ```
/// use matledger::number::{Lanes, Number};
/// let x = Lanes([0.0, 1.0, 2.0, 3.0]);
/// assert_eq!((x * x + 1.0).0, [1.0, 2.0, 5.0, 10.0]);
/// assert_eq!(x.exp().0[2], matledger::number::exp(2.0));
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
#[repr(align(64))]
pub struct Lanes<const L: usize>(pub [f64; L]);

impl<const L: usize> Lanes<L> {
    #[inline(always)]
    fn each(self, f: impl Fn(f64) -> f64) -> Self {
        let mut out = [0.0; L];
        for i in 0..L {
            out[i] = f(self.0[i]);
        }
        Self(out)
    }

    #[inline(always)]
    fn pairs(self, other: Self, f: impl Fn(f64, f64) -> f64) -> Self {
        let mut out = [0.0; L];
        for i in 0..L {
            out[i] = f(self.0[i], other.0[i]);
        }
        Self(out)
    }
}

impl<const L: usize> Number for Lanes<L> {
    #[inline(always)]
    fn constant(value: f64) -> Self {
        Self([value; L])
    }
    #[inline(always)]
    fn pick_less(self, other: Self, a: Self, b: Self) -> Self {
        let mut out = [0.0; L];
        for i in 0..L {
            out[i] = if self.0[i] < other.0[i] { a.0[i] } else { b.0[i] };
        }
        Self(out)
    }
    #[inline(always)]
    fn exp(self) -> Self {
        self.each(exp)
    }
    #[inline(always)]
    fn ln(self) -> Self {
        self.each(f64::ln)
    }
    #[inline(always)]
    fn sqrt(self) -> Self {
        self.each(f64::sqrt)
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        self.0.iter().fold(0.0, |most, v| if v.abs() <= most || most.is_nan() { most } else { v.abs() })
    }
    #[inline(always)]
    fn at_least(self, limit: f64) -> bool {
        self.0.iter().fold(true, |all, v| all & (*v >= limit))
    }
}

impl<const L: usize> Neg for Lanes<L> {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        self.each(|v| -v)
    }
}

macro_rules! operator {
    ($trait:ident, $method:ident, $op:tt) => {
        impl<const L: usize> $trait for Lanes<L> {
            type Output = Self;
            #[inline(always)]
            fn $method(self, other: Self) -> Self {
                self.pairs(other, |a, b| a $op b)
            }
        }
        impl<const L: usize> $trait<f64> for Lanes<L> {
            type Output = Self;
            #[inline(always)]
            fn $method(self, other: f64) -> Self {
                self.each(|a| a $op other)
            }
        }
    };
}

operator!(Add, add, +);
operator!(Sub, sub, -);
operator!(Mul, mul, *);
operator!(Div, div, /);

macro_rules! assign {
    ($trait:ident, $method:ident, $op:tt) => {
        impl<const L: usize> $trait for Lanes<L> {
            #[inline(always)]
            fn $method(&mut self, other: Self) {
                *self = *self $op other;
            }
        }
    };
}

assign!(AddAssign, add_assign, +);
assign!(SubAssign, sub_assign, -);
assign!(MulAssign, mul_assign, *);
