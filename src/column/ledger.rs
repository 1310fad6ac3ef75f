//! Every gram: `start + gained = end + respired + cored out + mown out + below the column`.

use crate::error::{Error, Result};
use crate::number::Number;
use std::ops::Add;

/// The account of one substance over a span (all g/m2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Account<T> {
    /// In the column at the start.
    pub start: T,
    /// Grown (organic matter) or brought as sand (mineral).
    pub gained: T,
    /// Decayed to carbon dioxide; nothing for mineral.
    pub respired: T,
    /// Taken away with cores, or lifted by vertical mowing and taken away.
    pub cored_out: T,
    /// Picked up by mowers.
    pub mown_out: T,
    /// Fell below the column.
    pub below: T,
    /// In the column at the end.
    pub end: T,
}

impl<T: Number> Account<T> {
    /// An account that opens with `start`.
    pub fn opened(start: T) -> Self {
        let zero = T::zero();
        Self { start, gained: zero, respired: zero, cored_out: zero, mown_out: zero, below: zero, end: start }
    }

    /// An account whose every entry is woven from that entry of others: `weave` gets a function that gives it in each.
    fn woven<'a, U>(of: impl Fn(usize) -> &'a Self, weave: impl Fn(&dyn Fn(usize) -> T) -> U) -> Account<U> {
        Account {
            start: weave(&|k| of(k).start),
            gained: weave(&|k| of(k).gained),
            respired: weave(&|k| of(k).respired),
            cored_out: weave(&|k| of(k).cored_out),
            mown_out: weave(&|k| of(k).mown_out),
            below: weave(&|k| of(k).below),
            end: weave(&|k| of(k).end),
        }
    }

    /// This plus `share` of another, for means over runs.
    #[must_use]
    pub fn plus_share(&self, other: &Self, share: f64) -> Self {
        Self {
            start: self.start + other.start * share,
            gained: self.gained + other.gained * share,
            respired: self.respired + other.respired * share,
            cored_out: self.cored_out + other.cored_out * share,
            mown_out: self.mown_out + other.mown_out * share,
            below: self.below + other.below * share,
            end: self.end + other.end * share,
        }
    }

    /// All that left (g/m2).
    pub fn lost(&self) -> T {
        self.respired + self.cored_out + self.mown_out + self.below
    }

    /// Difference of the two sides over the larger of them.
    pub fn relative_error(&self) -> T {
        let side = self.start + self.gained;
        (side - self.end - self.lost()) / side.max(T::constant(1e-300))
    }
}

impl<T: Number> Add for Account<T> {
    type Output = Self;
    /// This span and the one that follows it.
    fn add(self, next: Self) -> Self {
        Self {
            start: self.start,
            gained: self.gained + next.gained,
            respired: self.respired + next.respired,
            cored_out: self.cored_out + next.cored_out,
            mown_out: self.mown_out + next.mown_out,
            below: self.below + next.below,
            end: next.end,
        }
    }
}

/// Organic matter and mineral of one span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ledger<T> {
    /// Organic matter.
    pub om: Account<T>,
    /// Mineral.
    pub mineral: Account<T>,
}

impl<T: Number> Ledger<T> {
    /// Opened on what a column holds (g/m2).
    pub fn opened(om: T, mineral: T) -> Self {
        Self { om: Account::opened(om), mineral: Account::opened(mineral) }
    }

    /// The same ledger in another number type.
    pub(crate) fn map<U>(&self, pick: impl Fn(T) -> U) -> Ledger<U> {
        Ledger::woven(|_| self, |of| pick(of(0)))
    }

    /// A ledger whose every entry is woven from that entry of others: `weave` gets a function that gives it in each.
    pub(crate) fn woven<'a, U>(of: impl Fn(usize) -> &'a Self, weave: impl Fn(&dyn Fn(usize) -> T) -> U) -> Ledger<U> {
        Ledger { om: Account::woven(|k| &of(k).om, &weave), mineral: Account::woven(|k| &of(k).mineral, &weave) }
    }

    /// This plus `share` of another, for means over runs.
    #[must_use]
    pub fn plus_share(&self, other: &Self, share: f64) -> Self {
        Self { om: self.om.plus_share(&other.om, share), mineral: self.mineral.plus_share(&other.mineral, share) }
    }

    /// Passes if both accounts close to a relative 1e-9.
    ///
    /// # Errors
    /// [`Error::LedgerOpen`]: a bug in this library. [`Error::Numerical`] if a mass is not a number.
    pub fn check(&self) -> Result<()> {
        for (substance, account) in [("organic matter", &self.om), ("mineral", &self.mineral)] {
            let relative = account.relative_error().largest();
            if relative.is_nan() {
                return Err(Error::Numerical(format!("the {substance} of the column is not a number")));
            }
            if relative > 1e-9 {
                return Err(Error::LedgerOpen { substance, relative });
            }
        }
        Ok(())
    }
}

impl<T: Number> Add for Ledger<T> {
    type Output = Self;
    /// This span and the one that follows it.
    fn add(self, next: Self) -> Self {
        Self { om: self.om + next.om, mineral: self.mineral + next.mineral }
    }
}
