//! Recovery after coring: how much of the surface is green again, and when.
//!
//! Two things hide turf. Sand and dust lie on the leaves at first and go with mowing and growth; holes close from their
//! rim inwards as the turf creeps. Both go with degree days, so season and weather enter by themselves.
//!
//! Cover on the day when `G` degree days have passed since the work is
//! `(1 - a q(G)) (1 - b exp(-G / g))`, with `a` the share of the surface opened, `b` the share of leaves hidden at
//! first and `q` the share of the opening that is still bare: `(1 - 2 v G / d)^2` for a hole of diameter `d`,
//! `1 - 2 v G / d` for a groove of width `d`, `v` the creep of the rim. The form is this library's own; no source was
//! found that carries a rate of closure, or its answer to nitrogen, as a number. The prior of `v` answers to common
//! practice (a 12.7 mm hole is closed in about four weeks of growing weather; no source), that of `b` and `g` to one
//! trial (green cover 38 % on the day and 85 to 90 % a week later: HortTechnology, October 2022, read in its
//! abstract). All are replaced by readings of cover as they come in.

use crate::calibration::{Prior, Transform};
use crate::error::{Problems, Result};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// What a piece of work opens, as the turf sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wound {
    /// Share of the surface opened (-).
    pub area_share: f64,
    /// Diameter of the holes or width of the grooves (mm).
    pub width_mm: f64,
    /// Whether the openings are round; grooves otherwise.
    pub round: bool,
}

/// How a site's turf heals: one draw of what is not known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Healing {
    /// Creep of an opening's rim (mm per degree day).
    pub creep_mm_per_degree_day: f64,
    /// Share of the leaves hidden on the day of the work (-).
    pub hidden_share: f64,
    /// Degree days in which the hidden share falls to 1/e (degC d).
    pub clearing_degree_days: f64,
}

/// What is believed of [`Healing`] before any reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HealingPriors {
    /// Of the creep: median 0.0115 mm per degree day, log-sd 0.30.
    pub creep: Prior,
    /// Of the hidden share: median 0.6, logit-sd 0.5.
    pub hidden: Prior,
    /// Of the clearing: median 70 degC d, log-sd 0.4.
    pub clearing: Prior,
}

impl Default for HealingPriors {
    fn default() -> Self {
        Self {
            creep: Prior { median: 0.0115, sd: 0.30, transform: Transform::Log },
            hidden: Prior { median: 0.6, sd: 0.5, transform: Transform::Logit },
            clearing: Prior { median: 70.0, sd: 0.4, transform: Transform::Log },
        }
    }
}

/// One reading of green cover.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoverReading {
    /// The work that came before.
    pub wound: Wound,
    /// Degree days since the work (degC d).
    pub degree_days: f64,
    /// Green cover (-).
    pub cover: f64,
}

impl Wound {
    /// Share of the opening that is still bare after `degree_days`.
    ///
    /// ```
    /// use matledger::decision::recovery::Wound;
    /// let hole = Wound { area_share: 0.05, width_mm: 10.0, round: true };
    /// assert_eq!(hole.bare(0.0, 0.01), 1.0);
    /// assert_eq!(hole.bare(250.0, 0.01), 0.25); // half the radius is left
    /// assert_eq!(hole.bare(600.0, 0.01), 0.0);
    /// ```
    pub fn bare(&self, degree_days: f64, creep_mm_per_degree_day: f64) -> f64 {
        let left = (1.0 - 2.0 * creep_mm_per_degree_day * degree_days / self.width_mm).max(0.0);
        if self.round { left * left } else { left }
    }

    fn validate(&self, p: &mut Problems) {
        p.require((0.0..=1.0).contains(&self.area_share), "wound.area_share", self.area_share, "a share from 0 to 1");
        let wide = self.width_mm.is_finite() && self.width_mm > 0.0;
        p.require(wide, "wound.width_mm", self.width_mm, "a width above 0 mm");
    }
}

impl Healing {
    /// Green cover (-) after `degree_days` (degC d).
    pub fn cover(&self, wound: &Wound, degree_days: f64) -> f64 {
        let bare = wound.area_share * wound.bare(degree_days, self.creep_mm_per_degree_day);
        (1.0 - bare) * (1.0 - self.hidden_share * (-degree_days / self.clearing_degree_days).exp())
    }

    /// Whole days until cover reaches `cover`, over the degree days of the days that follow the work; `None` if those
    /// do not suffice.
    pub fn days_to(&self, wound: &Wound, degree_days: &[f64], cover: f64) -> Option<usize> {
        let mut sum = 0.0;
        if self.cover(wound, sum) >= cover {
            return Some(0);
        }
        degree_days
            .iter()
            .position(|day| {
                sum += day;
                self.cover(wound, sum) >= cover
            })
            .map(|index| index + 1)
    }
}

/// Half the width of the first grid (standard deviations of the prior).
const REACH: f64 = 4.0;
const STEPS: usize = 33;
/// A cover reading's standard deviation (-): our judgement, there is none in the sources.
pub const READING_SD: f64 = 0.03;

/// Draws of healing: from the priors, or from the priors and readings of cover.
///
/// The three unknowns are weighed on a grid, which is laid anew around what the first one found; draws are uniform
/// within a cell. Every reading has a standard deviation of [`READING_SD`].
///
/// # Errors
/// [`crate::Error::Input`] for no draw, and for readings outside their domain.
pub fn healing(priors: &HealingPriors, readings: &[CoverReading], draws: usize, seed: u64) -> Result<Vec<Healing>> {
    let mut p = Problems::default();
    p.require(draws > 0, "draws", draws, "at least one draw");
    for (i, reading) in readings.iter().enumerate() {
        let mut inner = Problems::default();
        reading.wound.validate(&mut inner);
        let heat = reading.degree_days.is_finite() && reading.degree_days >= 0.0;
        inner.require(heat, "degree_days", reading.degree_days, "0 or more, finite");
        inner.require((0.0..=1.0).contains(&reading.cover), "cover", reading.cover, "a share from 0 to 1");
        p.nest(&format!("readings[{i}]"), inner.into_result(()))?;
    }
    p.into_result(())?;
    let mut stream = ChaCha8Rng::seed_from_u64(seed);
    let natural = |z: [f64; 3]| Healing {
        creep_mm_per_degree_day: priors.creep.value(z[0]),
        hidden_share: priors.hidden.value(z[1]),
        clearing_degree_days: priors.clearing.value(z[2]),
    };
    if readings.is_empty() {
        let mut normal = || -> f64 { StandardNormal.sample(&mut stream) };
        return Ok((0..draws).map(|_| natural([normal(), normal(), normal()])).collect());
    }
    let log_density = |z: [f64; 3]| {
        let healing = natural(z);
        let misfit: f64 =
            readings.iter().map(|r| ((healing.cover(&r.wound, r.degree_days) - r.cover) / READING_SD).powi(2)).sum();
        -0.5 * (misfit + z.iter().map(|v| v * v).sum::<f64>())
    };
    let mut grid = Grid::weighed([(0.0, REACH); 3], log_density);
    for _ in 0..2 {
        let around = grid.moments().map(|(mean, sd)| (mean, REACH * sd.max(2.0 * grid.finest())));
        grid = Grid::weighed(around, log_density);
    }
    Ok((0..draws).map(|_| natural(grid.draw(&mut stream))).collect())
}

/// Weights over a box of three coordinates.
struct Grid {
    /// Centre and half width of each axis.
    axes: [(f64, f64); 3],
    /// Running sums of the weights, the last of them 1.
    sums: Vec<f64>,
}

impl Grid {
    fn weighed(axes: [(f64, f64); 3], log_density: impl Fn([f64; 3]) -> f64) -> Self {
        let mut grid = Self { axes, sums: Vec::new() };
        let logs: Vec<f64> = (0..STEPS.pow(3)).map(|cell| log_density(grid.centre(cell))).collect();
        let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut sum = 0.0;
        grid.sums.extend(logs.iter().map(|log| {
            sum += (log - top).exp();
            sum
        }));
        grid.sums.iter_mut().for_each(|value| *value /= sum);
        grid
    }

    fn finest(&self) -> f64 {
        self.axes.iter().map(|(_, half)| 2.0 * half / STEPS as f64).fold(f64::INFINITY, f64::min) / 4.0
    }

    fn centre(&self, cell: usize) -> [f64; 3] {
        let index = [cell % STEPS, cell / STEPS % STEPS, cell / STEPS / STEPS];
        std::array::from_fn(|axis| {
            let (centre, half) = self.axes[axis];
            centre + half * (2.0 * (index[axis] as f64 + 0.5) / STEPS as f64 - 1.0)
        })
    }

    /// Mean and standard deviation along each axis.
    fn moments(&self) -> [(f64, f64); 3] {
        let mut mean = [0.0; 3];
        let mut square = [0.0; 3];
        let mut before = 0.0;
        for (cell, sum) in self.sums.iter().enumerate() {
            let (weight, z) = (sum - before, self.centre(cell));
            for axis in 0..3 {
                mean[axis] += weight * z[axis];
                square[axis] += weight * z[axis] * z[axis];
            }
            before = *sum;
        }
        std::array::from_fn(|axis| (mean[axis], (square[axis] - mean[axis] * mean[axis]).max(0.0).sqrt()))
    }

    fn draw(&self, stream: &mut ChaCha8Rng) -> [f64; 3] {
        let at: f64 = stream.random();
        let cell = self.sums.partition_point(|sum| *sum < at).min(self.sums.len() - 1);
        let mut z = self.centre(cell);
        for axis in 0..3 {
            z[axis] += (stream.random::<f64>() - 0.5) * 2.0 * self.axes[axis].1 / STEPS as f64;
        }
        z
    }
}
