//! Two pools of organic matter that decay in series, in closed form.
//!
//! `y' = I - K1 y`, `o' = e K1 y - K2 o` (Andren & Katterer 1997, Ecol. Appl. 7:1226-1236). With constant rates and
//! input over a day the solution is exact; days in a row compose into one affine map that serves every parcel.

use crate::number::{Number, decayed_mean};

/// Days in a year, for rates given per year.
pub const DAYS_PER_YEAR: f64 = 365.25;

/// Decay at the reference temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DecayRates<T> {
    /// Rate of young organic matter, k1 (1/yr).
    pub young_per_year: T,
    /// Rate of old organic matter, k2 (1/yr).
    pub old_per_year: T,
    /// Share of decayed young organic matter that becomes old, e (-).
    pub humified: T,
}

/// The affine map of a time span on the two pools, for litter falling at unit weight.
///
/// ```text
/// young' = young_kept * young + young_fed
/// old'   = old_kept * old + young_to_old * young + old_fed
/// ```
/// where a parcel that gets the share `w` of the litter adds `w * young_fed` and `w * old_fed`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoPools<T> {
    /// Part of the young that stays young (-).
    pub young_kept: T,
    /// Part of the young that is old at the end (-).
    pub young_to_old: T,
    /// Part of the old that stays (-).
    pub old_kept: T,
    /// Litter of the span that is young at its end (g/m2).
    pub young_fed: T,
    /// Litter of the span that is old at its end (g/m2).
    pub old_fed: T,
    /// All litter of the span (g/m2).
    pub litter: T,
}

impl<T: Number> TwoPools<T> {
    /// A span of no length.
    pub fn nothing() -> Self {
        let (zero, one) = (T::zero(), T::one());
        Self { young_kept: one, young_to_old: zero, old_kept: one, young_fed: zero, old_fed: zero, litter: zero }
    }

    /// A span with constant rates and constant input: `days` long, decay modifier `modifier` (-), litter `litter_g_m2`
    /// over the span. Exact while a rate times the span stays below about 0.5.
    ///
    /// ```
    /// use matledger::column::{DecayRates, TwoPools};
    /// let rates = DecayRates { young_per_year: 1.0, old_per_year: 0.015, humified: 0.3 };
    /// let day = TwoPools::constant(&rates, 1.0, 1.0, 2.0);
    /// let respired = day.litter - day.young_fed - day.old_fed;
    /// assert!(respired > 0.0 && respired < 0.01);
    /// ```
    #[inline(always)]
    pub fn constant(rates: &DecayRates<T>, days: f64, modifier: f64, litter_g_m2: T) -> Self {
        let k1 = rates.young_per_year * (modifier * days / DAYS_PER_YEAR);
        let k2 = rates.old_per_year * (modifier * days / DAYS_PER_YEAR);
        let young_mean = decayed_mean(k1);
        let young_kept = T::one() - k1 * young_mean;
        let old_mean = decayed_mean(k2);
        // (exp(-k1) - exp(-k2)) / (k2 - k1), smooth where the rates meet
        let between = young_kept * decayed_mean(k2 - k1);
        // integral over the span of what is made old, kept to the end:
        // e [(1 - exp(-k2)) / k2 - (exp(-k1) - exp(-k2)) / (k2 - k1)]
        let old_fed = litter_g_m2 * rates.humified * (old_mean - between);
        Self {
            young_kept,
            young_to_old: rates.humified * k1 * between,
            old_kept: T::one() - k2 * old_mean,
            young_fed: litter_g_m2 * young_mean,
            old_fed,
            litter: litter_g_m2,
        }
    }

    /// This span followed by another.
    #[inline(always)]
    pub fn then(&self, next: &Self) -> Self {
        Self {
            young_kept: self.young_kept * next.young_kept,
            young_to_old: self.young_to_old * next.old_kept + self.young_kept * next.young_to_old,
            old_kept: self.old_kept * next.old_kept,
            young_fed: self.young_fed * next.young_kept + next.young_fed,
            old_fed: self.old_fed * next.old_kept + self.young_fed * next.young_to_old + next.old_fed,
            litter: self.litter + next.litter,
        }
    }

    /// Pools `(young, old)` after the span of a parcel that gets the share `weight` of the litter.
    #[inline(always)]
    pub fn apply(&self, young: T, old: T, weight: T) -> (T, T) {
        (
            self.young_kept * young + self.young_fed * weight,
            self.old_kept * old + self.young_to_old * young + self.old_fed * weight,
        )
    }

    /// What a parcel respires over the span (g/m2).
    #[inline(always)]
    pub fn respired(&self, young: T, old: T, weight: T) -> T {
        (T::one() - self.young_kept - self.young_to_old) * young
            + (T::one() - self.old_kept) * old
            + (self.litter - self.young_fed - self.old_fed) * weight
    }
}
