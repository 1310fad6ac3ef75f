//! What clipping records say of a fit's unknowns: its second likelihood.
//!
//! A year's clippings per degree day are the site's times a multiplier of the year. The records of a year show them with
//! two errors: their own scatter, which many records average out and which is learnt from how months scatter around their
//! year, and one that a year's records have in common (moisture, buckets, who weighs), integrated out. What the days of a
//! plan hold is only their share of the year: its level comes from the unknowns, so that no record counts twice.

use super::density::Model;
use super::information::Evaluation;
use super::mode::{Fit, SETTLED, climb};
use super::records::{ClippingHistory, SiteRecord};
use crate::error::{Problems, Result};
use crate::growth::clippings::{RecordedYear, RecordedYears, recorded_years};
use crate::number::Number;
use chrono::{Datelike, Days};
use nalgebra::{DMatrix, DVector};
use std::f64::consts::TAU;
use std::sync::atomic::AtomicBool;

/// Standard deviation of the log of the error that all records of a year share; our judgement.
pub const SHARED_CLIPPING_LOG_SD: f64 = 0.1;

/// Names of the two unknowns.
pub(super) const NAMES: [&str; 2] = ["annual_clippings_g_m2", "clipping_record_sd"];

/// Clipping records of a site, year by year.
pub(super) struct Clippings {
    degree_days_a_year: f64,
    /// Clippings per degree day that the plans hold, mean of the greens, for each calendar year of the series.
    reckoned: Vec<f64>,
    years: RecordedYears,
    counted: RecordedYears,
}

/// What the records of one year show, beside what is expected of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearShown {
    /// The year.
    pub year: i32,
    /// Clippings per degree day on record (g dry/m2 per degC d).
    pub recorded: f64,
    /// Log of recorded over expected (-).
    pub log_ratio: f64,
    /// Standard deviation of that (-).
    pub log_sd: f64,
}

impl Clippings {
    /// None if no record tells anything.
    pub fn new(site: &SiteRecord, history: &ClippingHistory, years: &[i32]) -> Result<Option<Self>> {
        let ClippingHistory { degree_days, degree_days_a_year, records, counted } = history;
        let mut p = Problems::default();
        let days = site.decay_modifier.len();
        let long = degree_days.len() == days;
        p.require(long, "clippings.degree_days", degree_days.len(), format!("{days} days"));
        let positive = degree_days_a_year.is_finite() && *degree_days_a_year > 0.0;
        p.require(positive, "clippings.degree_days_a_year", degree_days_a_year, "degree days above 0");
        p.into_result(())?;
        let [found, counted] = [records, counted].map(|records| recorded_years(site.start, degree_days, records));
        let (found, counted) = (found?, counted?);
        if found.years.is_empty() {
            return Ok(None);
        }
        let mut grown = vec![(0.0, 0.0); years.len()];
        for (day, heat) in degree_days.iter().enumerate() {
            let date = site.start + Days::new(day as u64);
            let year = &mut grown[(date.year() - site.start.year()) as usize];
            let mean =
                site.greens.iter().map(|green| green.clippings_g_m2[day]).sum::<f64>() / site.greens.len() as f64;
            *year = (year.0 + mean, year.1 + heat);
        }
        let whole = grown.iter().fold((0.0, 0.0), |whole, year| (whole.0 + year.0, whole.1 + year.1));
        // Where nothing grew, or no heat is known that grew it, any level will do.
        let rate = |(g_m2, heat): (f64, f64)| if g_m2 > 0.0 && heat > 0.0 { g_m2 / heat } else { whole.0 / whole.1 };
        let reckoned = grown.into_iter().map(rate).collect();
        Ok(Some(Self { degree_days_a_year: *degree_days_a_year, reckoned, years: found, counted }))
    }
}

impl Model {
    /// Multipliers of the clippings that the plans hold, a year each.
    pub(super) fn year_multipliers<T: Number>(&self, z: &impl Fn(usize) -> T) -> Vec<T> {
        let years = (0..self.years().len()).map(|year| self.priors.past_year.value(z(Self::year_index(year))));
        match (&self.clippings, self.clippings_index()) {
            (Some(Clippings { degree_days_a_year, reckoned, .. }), Some(index)) => {
                let annual = self.priors.annual_clippings.value(z(index));
                let of = |(year, reckoned): (T, &f64)| year * annual * (1.0 / (degree_days_a_year * reckoned));
                years.zip(reckoned).map(of).collect()
            }
            _ => years.collect(),
        }
    }

    /// Clippings per degree day that the plans' days of a calendar year hold, before its multiplier (g dry/m2 per degC d); none
    /// for a year to come and for a site without records.
    pub fn reckoned(&self, year: i32) -> Option<f64> {
        let at = self.years().iter().position(|&other| other == year)?;
        self.clippings.as_ref().map(|clippings| clippings.reckoned[at])
    }

    /// The site's clippings per degree day at coordinates `z` (g dry/m2 per degC d); none without records.
    pub fn clippings_per_degree_day(&self, z: &[f64]) -> Option<f64> {
        let index = self.clippings_index()?;
        self.clippings.as_ref().map(|c| self.priors.annual_clippings.value(z[index]) / c.degree_days_a_year)
    }

    /// What the records of each year show, beside what is expected of them at coordinates `z`.
    pub fn years_shown(&self, z: &[f64]) -> Vec<YearShown> {
        self.clippings
            .iter()
            .flat_map(|clippings| &clippings.years.years)
            .filter_map(|year| self.shown(year, z))
            .collect()
    }

    fn shown(&self, year: &RecordedYear, z: &[f64]) -> Option<YearShown> {
        let (site, index) = (self.clippings_per_degree_day(z)?, self.clippings_index()?);
        let scatter = self.priors.clipping_record_sd.value(z[index + 1]);
        let expected = site * self.priors.past_year.value(z[self.place(year)]);
        Some(YearShown {
            year: year.year,
            recorded: year.g_m2_per_degree_day,
            log_ratio: (year.g_m2_per_degree_day / expected).ln(),
            log_sd: (SHARED_CLIPPING_LOG_SD * SHARED_CLIPPING_LOG_SD + scatter * scatter / year.weight).sqrt(),
        })
    }

    fn place(&self, year: &RecordedYear) -> usize {
        Self::year_index((year.year - self.years()[0]) as usize)
    }

    /// Log density of the clipping records, its slopes added to the gradient and its expected information to
    /// `information`. Records that an earlier fit has counted are taken out again.
    pub(super) fn add_clippings(
        &self,
        z: &[f64],
        gradient: &mut [f64],
        mut information: Option<&mut DMatrix<f64>>,
    ) -> f64 {
        let (Some(clippings), Some(index)) = (&self.clippings, self.clippings_index()) else { return 0.0 };
        let (annual_sd, year_sd) = (self.priors.annual_clippings.sd, self.priors.past_year.sd);
        let prior = self.priors.clipping_record_sd;
        let (scatter, by_scatter) = (prior.value(z[index + 1]), prior.slope(z[index + 1]));
        let mut add = |i: usize, j: usize, value: f64| {
            if let Some(information) = &mut information {
                information[(i, j)] += value;
            }
        };
        let mut found = 0.0;
        for (records, sign) in [(&clippings.years, 1.0), (&clippings.counted, -1.0)] {
            let RecordedYears { years, squares, freedom, log_weights } = records;
            let square = squares / (scatter * scatter);
            found += sign * (log_weights - freedom * (scatter.ln() + 0.5 * TAU.ln()) - 0.5 * square);
            gradient[index + 1] += sign * (square - freedom) / scatter * by_scatter;
            add(index + 1, index + 1, sign * 2.0 * freedom * (by_scatter / scatter).powi(2));
            for (year, shown) in years.iter().filter_map(|year| Some((year, self.shown(year, z)?))) {
                let variance = shown.log_sd * shown.log_sd;
                let square = shown.log_ratio * shown.log_ratio / variance;
                let along = 2.0 * scatter / year.weight * by_scatter / variance;
                found -= sign * 0.5 * (square + (TAU * variance).ln());
                gradient[index + 1] += sign * 0.5 * (square - 1.0) * along;
                add(index + 1, index + 1, sign * 0.5 * along * along);
                // Both are log-normal: their logs rise by their standard deviations.
                let slopes = [(index, annual_sd), (self.place(year), year_sd)];
                for (i, by_i) in slopes {
                    gradient[i] += sign * shown.log_ratio / variance * by_i;
                    for (j, by_j) in slopes {
                        add(i, j, sign * by_i * by_j / variance);
                    }
                }
            }
        }
        found
    }

    /// Prior and clipping records, before any soil test: log density, gradient and expected information.
    pub(super) fn untested(&self, z: &[f64]) -> Evaluation {
        let n = self.len();
        let mut gradient = DVector::zeros(n);
        let mut log_density = self.prior_slope(z, gradient.as_mut_slice());
        let mut information = self.earlier.as_ref().map_or_else(|| DMatrix::identity(n, n), |e| e.precision.clone());
        log_density += self.add_clippings(z, gradient.as_mut_slice(), Some(&mut information));
        Evaluation { log_density, gradient, information }
    }

    /// What prior and clipping records say before any soil test: where a search for the mode starts.
    ///
    /// # Errors
    /// Those of [`climb`].
    pub fn before_tests(&self) -> Result<Fit> {
        let start = self.earlier.as_ref().map_or_else(|| vec![0.0; self.len()], |e| e.mean.as_slice().to_vec());
        climb(&start, |z| Ok(self.untested(z)), SETTLED, &AtomicBool::new(false))
    }
}
