//! One set of values of what is not known about a green.

use super::lanes::LANES;
use crate::column::{DecayRates, Densities, Profile};
use crate::number::{Lanes, Number};

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

/// One unknown of a member, and the values that it may take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Field {
    /// Name, with the unit where it has one.
    pub name: &'static str,
    /// Least value.
    pub low: f64,
    /// Largest value.
    pub high: f64,
}

const fn field(name: &'static str, low: f64, high: f64) -> Field {
    Field { name, low, high }
}

impl Field {
    /// All but the yearly multipliers, in the order of [`Member::fields_mut`].
    pub const ALL: [Field; 13] = [
        field("litter_ratio", 0.0, 1000.0),
        field("young_decay_per_year", 0.0, 365.0),
        field("old_decay_per_year", 0.0, 365.0),
        field("humified_share", 0.0, 1.0),
        field("fill_fraction", 0.0, 1.0),
        field("root_share", 0.0, 1.0),
        field("sand_density_g_cm3", 0.1, 5.0),
        field("om_density_g_cm3", 0.01, 5.0),
        field("sand_scale", 0.0, 100.0),
        field("young_share", 0.0, 1.0),
        field("base_percent", 0.0, 90.0),
        field("surface_percent", 0.0, 90.0),
        field("profile_scale_mm", 0.1, 1e6),
    ];

    /// What is accepted, in words.
    pub fn expected(&self) -> String {
        format!("a number from {} to {}", self.low, self.high)
    }

    /// Whether a value may be taken.
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// What yearly multipliers may be.
pub(super) const MULTIPLIER: Field = field("year_multipliers", 0.0, 1000.0);

impl<T> Member<T> {
    /// The unknowns in the order of [`Field::ALL`].
    pub fn fields_mut(&mut self) -> [&mut T; 13] {
        self.split_mut().0
    }

    /// All that the engine takes in: the unknowns in the order of [`Field::ALL`], then the years.
    pub fn inputs_mut(&mut self) -> impl Iterator<Item = &mut T> {
        let (fields, years) = self.split_mut();
        fields.into_iter().chain(years)
    }

    fn split_mut(&mut self) -> ([&mut T; 13], &mut Vec<T>) {
        let fields = [
            &mut self.litter_ratio,
            &mut self.decay.young_per_year,
            &mut self.decay.old_per_year,
            &mut self.decay.humified,
            &mut self.fill_fraction,
            &mut self.root_share,
            &mut self.densities.mineral,
            &mut self.densities.om,
            &mut self.sand_scale,
            &mut self.young_share,
            &mut self.profile.base_percent,
            &mut self.profile.surface_percent,
            &mut self.profile.scale_mm,
        ];
        (fields, &mut self.year_multipliers)
    }
}

impl<T: Copy> Member<T> {
    /// Every value in another number type.
    pub(crate) fn map<U>(&self, to: impl Fn(T) -> U) -> Member<U> {
        Member {
            litter_ratio: to(self.litter_ratio),
            decay: self.decay.map(&to),
            fill_fraction: to(self.fill_fraction),
            root_share: to(self.root_share),
            densities: Densities { mineral: to(self.densities.mineral), om: to(self.densities.om) },
            sand_scale: to(self.sand_scale),
            young_share: to(self.young_share),
            profile: Profile {
                base_percent: to(self.profile.base_percent),
                surface_percent: to(self.profile.surface_percent),
                scale_mm: to(self.profile.scale_mm),
            },
            year_multipliers: self.year_multipliers.iter().map(|&multiplier| to(multiplier)).collect(),
        }
    }
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
        self.map(T::constant)
    }

    /// The mean of every value over members.
    pub fn mean(members: &[&Self]) -> Self {
        let share = 1.0 / members.len() as f64;
        let mut mean = Self::typical();
        mean.fields_mut().into_iter().for_each(|field| *field = 0.0);
        for member in members {
            for (mean, value) in mean.fields_mut().into_iter().zip((*member).clone().fields_mut()) {
                *mean += *value * share;
            }
        }
        let years = members.iter().map(|member| member.year_multipliers.len()).max().unwrap_or(0);
        let year = |year: usize| members.iter().map(|m| m.year_multipliers.get(year).unwrap_or(&1.0) * share).sum();
        mean.year_multipliers = (0..years).map(year).collect();
        mean
    }

    /// Up to [`LANES`] members side by side; the last one stands in for those that are missing.
    pub(super) fn side_by_side(block: &[Self]) -> Member<Lanes<LANES>> {
        let of = |lane: usize| &block[lane.min(block.len() - 1)];
        let years = block.iter().map(|member| member.year_multipliers.len()).max().unwrap_or(0);
        let year = |lane: usize, year: usize| of(lane).year_multipliers.get(year).copied().unwrap_or(1.0);
        let mut side_by_side: Member<Lanes<LANES>> = Member::typical().lift();
        for lane in 0..LANES {
            let mut one = of(lane).clone();
            for (field, value) in side_by_side.fields_mut().into_iter().zip(one.fields_mut()) {
                field.0[lane] = *value;
            }
        }
        side_by_side.year_multipliers = (0..years).map(|y| Lanes(std::array::from_fn(|lane| year(lane, y)))).collect();
        side_by_side
    }
}
