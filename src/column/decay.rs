//! Two pools of organic matter that decay in series, in closed form.
//!
//! `y' = I - K1 y`, `o' = e K1 y - K2 o` (Andren & Katterer 1997, Ecol. Appl. 7:1226-1236). With the decay
//! modifier and the input constant within a day the solution is exact, and any days in a row are one affine map that
//! serves every parcel.

use crate::error::{Error, Result};
use crate::number::Number;

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

impl<T: Copy> DecayRates<T> {
    /// Every value in another number type.
    pub(crate) fn map<U>(&self, to: impl Fn(T) -> U) -> DecayRates<U> {
        DecayRates {
            young_per_year: to(self.young_per_year),
            old_per_year: to(self.old_per_year),
            humified: to(self.humified),
        }
    }
}

impl<T: Number> DecayRates<T> {
    /// Refuses decay that the series of a span's weather do not hold for.
    ///
    /// # Errors
    /// [`Error::Numerical`] for a rate above [`FASTEST_DECAY_PER_YEAR`].
    pub fn within_series(&self) -> Result<()> {
        let fastest = self.young_per_year.largest().max(self.old_per_year.largest());
        if fastest > FASTEST_DECAY_PER_YEAR {
            return Err(Error::Numerical(format!(
                "a decay rate of {fastest} 1/yr; the series hold up to {FASTEST_DECAY_PER_YEAR}"
            )));
        }
        Ok(())
    }
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

/// What the weather of a time span does to any two pools, as power series in their decay rates.
///
/// Both rates follow the same decay modifier, so what counts is the modified time that passes (yr): all of it for what
/// is there at the start, and what is left of it after each gram of litter has fallen, whose moments the series hold.
/// Members of an ensemble share them.
#[derive(Debug, Clone, PartialEq)]
pub struct Weathering {
    /// Series of `exp(-k passed)`.
    kept: Vec<f64>,
    /// Series of the mean over the litter of `exp(-k left)`.
    fed: Vec<f64>,
    /// Clippings removed (g dry/m2).
    pub clippings_g_m2: f64,
}

/// Decay rates above this are not foreseen (1/yr).
pub const FASTEST_DECAY_PER_YEAR: f64 = 12.0;

/// Modified time that one span may pass (yr) before its last day; keeps the series short and exact.
pub const LONGEST_SPAN_YEARS: f64 = 0.5;

/// Points and weights of Gauss and Legendre on 0..1, exact to the ninth power: within a day litter falls evenly.
const WITHIN_A_DAY: [(f64, f64); 5] = [
    (0.046_910_077_030_668, 0.118_463_442_528_094_54),
    (0.230_765_344_947_158_45, 0.239_314_335_249_683_23),
    (0.5, 0.284_444_444_444_444_44),
    (0.769_234_655_052_841_5, 0.239_314_335_249_683_23),
    (0.953_089_922_969_332, 0.118_463_442_528_094_54),
];

impl Weathering {
    /// Of days in a row, each with its decay modifier (-) and its clippings (g/m2); both are constant within a day.
    ///
    /// The series are cut where a rate of [`FASTEST_DECAY_PER_YEAR`] changes by less than 1e-16.
    pub fn of_days(modifier: &[f64], clippings_g_m2: &[f64]) -> Self {
        Self::of(1.0, modifier, clippings_g_m2)
    }

    /// As [`Weathering::of_days`], with spans of `days` days each.
    pub fn of(days: f64, modifier: &[f64], clippings_g_m2: &[f64]) -> Self {
        let spans: Vec<f64> = modifier.iter().map(|f| f * days / DAYS_PER_YEAR).collect();
        let passed: f64 = spans.iter().sum();
        let terms = terms(passed * FASTEST_DECAY_PER_YEAR);
        let litter: f64 = clippings_g_m2.iter().sum();
        let mut fed = vec![0.0; terms];
        let mut left = passed;
        for (span, grams) in spans.iter().zip(clippings_g_m2) {
            left -= span;
            for (at, weight) in WITHIN_A_DAY {
                let mut term = weight * if litter > 0.0 { grams / litter } else { 0.0 };
                for (power, sum) in fed.iter_mut().enumerate() {
                    *sum += term;
                    term *= -(left + at * span) / (power + 1) as f64;
                }
            }
        }
        let mut kept = vec![1.0; terms];
        for power in 1..terms {
            kept[power] = -kept[power - 1] * passed / power as f64;
        }
        Self { kept, fed, clippings_g_m2: litter }
    }
}

/// Terms of `exp(-x)` down to 1e-16.
fn terms(x: f64) -> usize {
    let (mut term, mut count) = (1.0, 1);
    while term > 1e-16 {
        term *= x / count as f64;
        count += 1;
    }
    count
}

/// A power series at `a`, and its divided difference `(p(a) - p(b)) / (a - b)`, which knows no singularity.
#[inline(always)]
fn series<T: Number>(coefficients: &[f64], a: T, b: T) -> (T, T) {
    let (mut value, mut difference) = (T::zero(), T::zero());
    for &coefficient in coefficients.iter().rev() {
        difference = difference * b + value;
        value = value * a + coefficient;
    }
    (value, difference)
}

impl<T: Number> TwoPools<T> {
    /// A span of no length.
    pub fn nothing() -> Self {
        let (zero, one) = (T::zero(), T::one());
        Self { young_kept: one, young_to_old: zero, old_kept: one, young_fed: zero, old_fed: zero, litter: zero }
    }

    /// A span of weather at given rates; `litter_ratio` is the litter that stays per gram of clippings (g/g).
    ///
    /// With `s` the modified time that a gram has left, young litter is `exp(-k1 s)` of what fell and old litter
    /// `e k1 (exp(-k1 s) - exp(-k2 s)) / (k2 - k1)` of it.
    ///
    /// ```
    /// use matledger::column::{DecayRates, TwoPools, Weathering};
    /// let rates = DecayRates { young_per_year: 1.0, old_per_year: 0.015, humified: 0.3 };
    /// let day = TwoPools::over(&Weathering::of_days(&[1.0], &[1.0]), &rates, 2.0);
    /// let respired = day.litter - day.young_fed - day.old_fed;
    /// assert!(respired > 0.0 && respired < 0.01);
    /// ```
    #[inline(always)]
    pub fn over(weather: &Weathering, rates: &DecayRates<T>, litter_ratio: T) -> Self {
        let (k1, k2) = (rates.young_per_year, rates.old_per_year);
        let (young_kept, kept_slope) = series(&weather.kept, k1, k2);
        let (fed, fed_slope) = series(&weather.fed, k1, k2);
        let litter = litter_ratio * weather.clippings_g_m2;
        let made_old = -(rates.humified * k1);
        Self {
            young_kept,
            young_to_old: made_old * kept_slope,
            old_kept: young_kept - (k1 - k2) * kept_slope,
            young_fed: litter * fed,
            old_fed: litter * made_old * fed_slope,
            litter,
        }
    }

    /// The same span in another number type.
    #[inline(always)]
    pub(crate) fn map<U>(&self, to: impl Fn(T) -> U) -> TwoPools<U> {
        TwoPools {
            young_kept: to(self.young_kept),
            young_to_old: to(self.young_to_old),
            old_kept: to(self.old_kept),
            young_fed: to(self.young_fed),
            old_fed: to(self.old_fed),
            litter: to(self.litter),
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
}
