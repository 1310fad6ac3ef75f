//! The chain rule, written once for every number that carries derivatives.

use super::Number;

/// A number that carries derivatives of some kind; [`chain_rule`] makes a [`Number`] of it.
pub(super) trait Differentiable<T: Number>: Copy {
    /// A number that depends on nothing.
    fn fixed(value: T) -> Self;

    /// The value.
    fn plain(self) -> T;

    /// A function of one number, with its slope there.
    fn of_one(self, value: T, slope: T) -> Self;

    /// A function of two numbers, with its slopes there.
    fn of_two(self, other: Self, value: T, slope: T, other_slope: T) -> Self;

    /// `a` where `self < other`, else `b`.
    fn either(self, other: Self, a: Self, b: Self) -> Self;

    /// Whether it is known to add nothing to a sum, neither value nor slope.
    #[inline(always)]
    fn is_nothing(self) -> bool {
        false
    }
}

/// [`Number`] and its operators for a [`Differentiable`] number.
macro_rules! chain_rule {
    ([$($generics:tt)*] $name:ty, over $inner:ident) => {
        impl<$($generics)*> $crate::number::Number for $name {
            #[inline(always)]
            fn constant(value: f64) -> Self {
                Self::fixed($inner::constant(value))
            }
            #[inline(always)]
            fn pick_less(self, other: Self, a: Self, b: Self) -> Self {
                self.either(other, a, b)
            }
            #[inline(always)]
            fn exp(self) -> Self {
                let value = self.plain().exp();
                self.of_one(value, value)
            }
            #[inline(always)]
            fn ln(self) -> Self {
                self.of_one(self.plain().ln(), $inner::one() / self.plain())
            }
            #[inline(always)]
            fn sqrt(self) -> Self {
                let value = self.plain().sqrt();
                self.of_one(value, $inner::constant(0.5) / value)
            }
            #[inline(always)]
            fn largest(self) -> f64 {
                self.plain().largest()
            }
            #[inline(always)]
            fn at_least(self, limit: f64) -> bool {
                self.plain().at_least(limit)
            }
        }

        impl<$($generics)*> std::ops::Neg for $name {
            type Output = Self;
            #[inline(always)]
            fn neg(self) -> Self {
                self.of_one(-self.plain(), $inner::constant(-1.0))
            }
        }

        impl<$($generics)*> std::ops::Add for $name {
            type Output = Self;
            #[inline(always)]
            fn add(self, other: Self) -> Self {
                if other.is_nothing() {
                    return self;
                }
                if self.is_nothing() {
                    return other;
                }
                self.of_two(other, self.plain() + other.plain(), $inner::one(), $inner::one())
            }
        }

        impl<$($generics)*> std::ops::Sub for $name {
            type Output = Self;
            #[inline(always)]
            fn sub(self, other: Self) -> Self {
                if other.is_nothing() {
                    return self;
                }
                self.of_two(other, self.plain() - other.plain(), $inner::one(), $inner::constant(-1.0))
            }
        }

        impl<$($generics)*> std::ops::Mul for $name {
            type Output = Self;
            #[inline(always)]
            fn mul(self, other: Self) -> Self {
                if self.is_nothing() || other.is_nothing() {
                    return Self::fixed($inner::zero());
                }
                self.of_two(other, self.plain() * other.plain(), other.plain(), self.plain())
            }
        }

        impl<$($generics)*> std::ops::Div for $name {
            type Output = Self;
            #[inline(always)]
            fn div(self, other: Self) -> Self {
                let value = self.plain() / other.plain();
                self.of_two(other, value, $inner::one() / other.plain(), -value / other.plain())
            }
        }

        impl<$($generics)*> std::ops::Add<f64> for $name {
            type Output = Self;
            #[inline(always)]
            fn add(self, other: f64) -> Self {
                self.of_one(self.plain() + other, $inner::one())
            }
        }

        impl<$($generics)*> std::ops::Sub<f64> for $name {
            type Output = Self;
            #[inline(always)]
            fn sub(self, other: f64) -> Self {
                self.of_one(self.plain() - other, $inner::one())
            }
        }

        impl<$($generics)*> std::ops::Mul<f64> for $name {
            type Output = Self;
            #[inline(always)]
            fn mul(self, other: f64) -> Self {
                self.of_one(self.plain() * other, $inner::constant(other))
            }
        }

        impl<$($generics)*> std::ops::Div<f64> for $name {
            type Output = Self;
            #[inline(always)]
            fn div(self, other: f64) -> Self {
                self.of_one(self.plain() / other, $inner::constant(1.0 / other))
            }
        }

        impl<$($generics)*> std::ops::AddAssign for $name {
            #[inline(always)]
            fn add_assign(&mut self, other: Self) {
                *self = *self + other;
            }
        }

        impl<$($generics)*> std::ops::SubAssign for $name {
            #[inline(always)]
            fn sub_assign(&mut self, other: Self) {
                *self = *self - other;
            }
        }

        impl<$($generics)*> std::ops::MulAssign for $name {
            #[inline(always)]
            fn mul_assign(&mut self, other: Self) {
                *self = *self * other;
            }
        }
    };
}

pub(super) use chain_rule;
