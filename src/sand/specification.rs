//! Limits on a sand's grading.

use super::grading::Grading;
use crate::error::{Problems, Result};

/// What a range of sizes may hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// Name of the range.
    pub name: String,
    /// Lower size (mm).
    pub lower_mm: f64,
    /// Upper size (mm).
    pub upper_mm: f64,
    /// Least (% of mass).
    pub least_percent: Option<f64>,
    /// Most (% of mass).
    pub most_percent: Option<f64>,
}

/// Limits that between them say something about every size.
#[derive(Debug, Clone, PartialEq)]
pub struct Specification {
    limits: Vec<Limit>,
}

/// What became of a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Checked {
    /// What the range holds (% of mass); `None` if the sieves do not reach.
    pub percent: Option<f64>,
    /// Whether sieves stand for both ends, so that nothing was read between sieves.
    pub measured: bool,
    /// Whether the limit is held; `None` if that is not known.
    pub held: Option<bool>,
}

/// Rounding in a percentage that breaks no limit (%).
const ROUNDING_PERCENT: f64 = 1e-9;

fn limit(name: &str, lower_mm: f64, upper_mm: f64, least: Option<f64>, most: Option<f64>) -> Limit {
    Limit { name: name.to_owned(), lower_mm, upper_mm, least_percent: least, most_percent: most }
}

impl Specification {
    /// Limits in the order given.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for sizes or percentages outside their domain, or a size between the finest and the
    /// coarsest about which no limit says anything: a missing class.
    pub fn new(limits: Vec<Limit>) -> Result<Self> {
        let mut p = Problems::default();
        p.require(!limits.is_empty(), "limits", "none", "at least one limit");
        for limit in &limits {
            let place = format!("limit {}", limit.name);
            p.require(
                limit.lower_mm >= 0.0 && limit.upper_mm.is_finite() && limit.upper_mm > limit.lower_mm,
                &place,
                format!("{} to {} mm", limit.lower_mm, limit.upper_mm),
                "two sizes in mm, the finer first, of 0 or more",
            );
            for percent in [limit.least_percent, limit.most_percent].into_iter().flatten() {
                p.require((0.0..=100.0).contains(&percent), &place, percent, "a percentage from 0 to 100");
            }
            if let (Some(least), Some(most)) = (limit.least_percent, limit.most_percent) {
                p.require(
                    least <= most,
                    &place,
                    format!("at least {least}, at most {most} %"),
                    "a least below the most",
                );
            }
        }
        p.into_result(())?;
        let mut ranges: Vec<(f64, f64)> = limits.iter().map(|limit| (limit.lower_mm, limit.upper_mm)).collect();
        ranges.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut p = Problems::default();
        let mut covered = 0.0_f64;
        for (lower, upper) in ranges {
            p.require(
                lower <= covered,
                "limits",
                format!("no class from {covered} to {lower} mm"),
                "a class for every size from 0 mm up; one without a limit says that the size is free",
            );
            covered = covered.max(upper);
        }
        p.into_result(Self { limits })
    }

    /// The published root-zone table of the USGA, 2004 revision (read; `tests/checks/rootzone_spec.csv`). The 2018 revision
    /// is believed unchanged, from memory.
    pub fn usga_root_zone() -> Self {
        Self {
            limits: vec![
                limit("fine gravel", 2.0, 3.4, None, Some(3.0)),
                limit("fine gravel + very coarse sand", 1.0, 3.4, None, Some(10.0)),
                limit("coarse + medium sand", 0.25, 1.0, Some(60.0), None),
                limit("fine sand", 0.15, 0.25, None, Some(20.0)),
                limit("very fine sand", 0.05, 0.15, None, Some(5.0)),
                limit("silt", 0.002, 0.05, None, Some(5.0)),
                limit("clay", 0.0, 0.002, None, Some(3.0)),
                limit("very fine sand + silt + clay", 0.0, 0.15, None, Some(10.0)),
            ],
        }
    }

    /// The limits.
    pub fn limits(&self) -> &[Limit] {
        &self.limits
    }

    /// Holds a grading to each limit.
    ///
    /// A range that the sieves do not part is bounded from what is known: it cannot hold more than
    /// all that is finer than its upper end, or than the last sieve, so a most is held when even that keeps to it.
    pub fn check(&self, sand: &Grading) -> Vec<Checked> {
        self.limits.iter().map(|limit| limit.check(sand)).collect()
    }

    /// Bounds on the percentage finer than each size where a limit begins or ends: `(size_mm, least, most)`, coarse first.
    ///
    /// A limit on one range bounds the curve at an end only as far as the other limits and the range 0 to 100 allow; the
    /// bounds are the tightest that follow (shortest paths over differences of the curve). The plot draws them.
    pub fn envelope(&self) -> Vec<(f64, f64, f64)> {
        let mut sizes: Vec<f64> = self.limits.iter().flat_map(|limit| [limit.lower_mm, limit.upper_mm]).collect();
        sizes.push(0.0);
        sizes.sort_by(f64::total_cmp);
        sizes.dedup();
        let n = sizes.len();
        let at = |size: f64| sizes.iter().position(|known| *known == size).unwrap_or(0);
        // most[i][j]: most that the curve rises from size j to size i (%).
        let mut most = vec![vec![100.0_f64; n]; n];
        for i in 0..n {
            for j in i..n {
                most[i][j] = 0.0; // the curve never falls towards coarser sizes
            }
        }
        for limit in &self.limits {
            let (lower, upper) = (at(limit.lower_mm), at(limit.upper_mm));
            if let Some(percent) = limit.most_percent {
                most[upper][lower] = most[upper][lower].min(percent);
            }
            if let Some(percent) = limit.least_percent {
                most[lower][upper] = most[lower][upper].min(-percent);
            }
        }
        // Nothing is finer than 0 mm, and everything than the coarsest size.
        most[n - 1][0] = 100.0;
        most[0][n - 1] = -100.0;
        for k in 0..n {
            for i in 0..n {
                for j in 0..n {
                    most[i][j] = most[i][j].min(most[i][k] + most[k][j]);
                }
            }
        }
        (1..n).rev().map(|i| (sizes[i], -most[0][i], most[i][0])).collect()
    }
}

impl Limit {
    fn check(&self, sand: &Grading) -> Checked {
        let (least, most) = (self.least_percent.unwrap_or(0.0), self.most_percent.unwrap_or(100.0));
        let held = |percent: f64| percent >= least - ROUNDING_PERCENT && percent <= most + ROUNDING_PERCENT;
        if let Some(found) = sand.between(self.lower_mm, self.upper_mm) {
            return Checked { percent: Some(found.percent), measured: found.measured, held: Some(held(found.percent)) };
        }
        let beyond = sand.sizes_mm().last().is_some_and(|finest| self.upper_mm < *finest);
        let through = sand.finer_percent().last().copied().filter(|_| beyond);
        let bound = sand.finer(self.upper_mm).map(|finer| finer.percent).or(through);
        let surely = bound.is_some_and(|finer| least == 0.0 && finer <= most + ROUNDING_PERCENT);
        Checked { percent: None, measured: false, held: surely.then_some(true) }
    }
}
