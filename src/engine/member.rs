//! One set of values of what is not known about a green.

use crate::column::{DecayRates, Densities, Profile};
use crate::number::Number;

/// The unknowns of one run.
#[derive(Debug, Clone, PartialEq)]
pub struct Member<T> {
    /// Litter that stays, per gram of clippings removed, r (g/g).
    pub litter_ratio: T,
    /// Decay at the reference temperature.
    pub decay: DecayRates<T>,
    /// Part of an open hole that sand can fill (-).
    pub fill_fraction: T,
    /// Share of the litter that falls with the roots (-).
    pub root_share: T,
    /// Packed bulk densities (g/cm3).
    pub densities: Densities<T>,
    /// True sand over recorded sand, for work that was recorded (-).
    pub sand_scale: T,
    /// Young share of the organic matter at the start (-).
    pub young_share: T,
    /// Organic matter at the start.
    pub profile: Profile<T>,
    /// True clippings over reckoned clippings of each calendar year of the run (-); 1 for years beyond the list.
    pub year_multipliers: Vec<T>,
}

impl Member<f64> {
    /// The medians of the priors (`calibration::unknowns`).
    pub fn typical() -> Self {
        Self {
            litter_ratio: 3.0,
            decay: DecayRates { young_per_year: 1.0, old_per_year: 0.015, humified: 0.30 },
            fill_fraction: 0.6,
            root_share: 0.3,
            densities: Densities { mineral: 1.60, om: 0.244 },
            sand_scale: 1.0,
            young_share: 0.3,
            profile: Profile { base_percent: 1.2, surface_percent: 2.5, scale_mm: 30.0 },
            year_multipliers: Vec::new(),
        }
    }

    /// The same values in another number type, without derivatives.
    pub fn lift<T: Number>(&self) -> Member<T> {
        let c = T::constant;
        Member {
            litter_ratio: c(self.litter_ratio),
            decay: DecayRates {
                young_per_year: c(self.decay.young_per_year),
                old_per_year: c(self.decay.old_per_year),
                humified: c(self.decay.humified),
            },
            fill_fraction: c(self.fill_fraction),
            root_share: c(self.root_share),
            densities: Densities { mineral: c(self.densities.mineral), om: c(self.densities.om) },
            sand_scale: c(self.sand_scale),
            young_share: c(self.young_share),
            profile: Profile {
                base_percent: c(self.profile.base_percent),
                surface_percent: c(self.profile.surface_percent),
                scale_mm: c(self.profile.scale_mm),
            },
            year_multipliers: self.year_multipliers.iter().map(|&m| c(m)).collect(),
        }
    }
}
