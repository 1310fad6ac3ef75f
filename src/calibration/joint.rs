//! The joint density of many sites whose litter ratios are pooled in part.
//!
//! The log litter ratio of a site, in prior standard deviations, is its row of covariates times the effects, plus the
//! scatter between sites times a deviation of its own. Deviations and effects are standard normal a priori, the scatter is
//! half-normal. All else that a site does not know stays its own.

use super::coordinates::{Bend, Coordinates, Ridge};
use super::density::Model;
use super::information::Evaluation;
use super::mode::{Fit, SETTLED, climb};
use super::sample::Density;
use super::unknowns::Unknown;
use crate::error::{Error, Problems, Result};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::ops::Range;
use std::sync::atomic::AtomicBool;

/// Sites, and what they share. Coordinates are those of each site in turn, its deviation in place of its litter ratio;
/// then the effects; last the log of the scatter.
pub struct Joint<'a> {
    sites: Vec<&'a Model>,
    rows: Vec<Vec<f64>>,
    effects: usize,
    scatter_sd: f64,
}

/// Place of the litter ratio among a site's coordinates.
const LITTER: usize = Unknown::LitterRatio as usize;

impl<'a> Joint<'a> {
    /// Sites with their covariates, a row each, and the scale of the scatter's prior (in prior standard deviations).
    ///
    /// # Errors
    /// [`Error::Input`] for no site, sites that carry on from an earlier fit, rows of unequal length or that are not
    /// finite, and a scale of 0 or less.
    pub fn new(sites: Vec<&'a Model>, rows: Vec<Vec<f64>>, scatter_sd: f64) -> Result<Self> {
        let mut p = Problems::default();
        let effects = rows.first().map_or(0, Vec::len);
        p.require(!sites.is_empty(), "sites", "none", "at least one site");
        p.require(rows.len() == sites.len(), "rows", rows.len(), format!("{} rows, one a site", sites.len()));
        for (s, row) in rows.iter().enumerate() {
            let sane = row.len() == effects && row.iter().all(|value| value.is_finite());
            p.require(sane, format!("rows[{s}]"), format!("{row:?}"), format!("{effects} finite numbers"));
        }
        for (s, site) in sites.iter().enumerate() {
            p.require(!site.carries_on(), format!("sites[{s}]"), "an earlier fit", "a site under its plain prior");
        }
        p.require(scatter_sd.is_finite() && scatter_sd > 0.0, "scatter_sd", scatter_sd, "a scale above 0");
        p.into_result(Self { sites, rows, effects, scatter_sd })
    }

    /// The coordinates of one site.
    pub fn of_site(&self, site: usize) -> Range<usize> {
        let first = self.sites[..site].iter().map(|model| model.len()).sum();
        first..first + self.sites[site].len()
    }

    fn shared(&self) -> usize {
        self.dim() - self.effects - 1
    }

    /// A site's own coordinates, its litter ratio put together from what it shares and its deviation.
    pub fn site_coordinates(&self, site: usize, z: &[f64]) -> Vec<f64> {
        let mut own = z[self.of_site(site)].to_vec();
        let mean: f64 = self.rows[site].iter().zip(&z[self.shared()..]).map(|(row, effect)| row * effect).sum();
        own[LITTER] = mean + z[z.len() - 1].exp() * own[LITTER];
        own
    }

    fn check_length(&self, z: &[f64]) -> Result<()> {
        let (mut p, n) = (Problems::default(), self.dim());
        p.require(z.len() == n, "z", format!("{} coordinates", z.len()), format!("{n} coordinates"));
        p.into_result(())
    }

    /// Log prior of what the sites share, its slopes added to the gradient.
    fn shared_prior(&self, z: &[f64], gradient: &mut [f64]) -> f64 {
        let last = z.len() - 1;
        let square = (z[last].exp() / self.scatter_sd).powi(2);
        gradient[last] += 1.0 - square;
        let mut found = z[last] - 0.5 * square;
        for i in self.shared()..last {
            gradient[i] -= z[i];
            found -= 0.5 * z[i] * z[i];
        }
        found
    }

    /// What a site's litter ratio moves: places among the coordinates, and its slope along each.
    fn moves(&self, site: usize, z: &[f64]) -> Vec<(usize, f64)> {
        let (first, last) = (self.of_site(site).start, z.len() - 1);
        let scatter = z[last].exp();
        let mut found = vec![(first + LITTER, scatter), (last, scatter * z[first + LITTER])];
        found.extend(self.rows[site].iter().enumerate().map(|(k, row)| (self.shared() + k, *row)));
        found
    }

    /// Adds a site's gradient, given along its own coordinates with the standard normal prior of its litter ratio, which
    /// gives way to that of its deviation; what that changes in the log density.
    fn add_site(&self, site: usize, z: &[f64], own: &[f64], slopes: &[f64], gradient: &mut [f64]) -> f64 {
        let range = self.of_site(site);
        let deviation = z[range.start + LITTER];
        for (i, slope) in range.zip(slopes).filter(|&(i, _)| i != self.of_site(site).start + LITTER) {
            gradient[i] += slope;
        }
        let along = slopes[LITTER] + own[LITTER];
        for (i, slope) in self.moves(site, z) {
            gradient[i] += along * slope;
        }
        gradient[self.of_site(site).start + LITTER] -= deviation;
        0.5 * (own[LITTER] * own[LITTER] - deviation * deviation)
    }

    /// The log density with gradient and expected information.
    ///
    /// # Errors
    /// [`Error::Input`] if `z` has the wrong length, and those of [`Model::evaluate`].
    pub fn evaluate(&self, z: &[f64]) -> Result<Evaluation> {
        self.check_length(z)?;
        let n = self.dim();
        let own: Vec<Vec<f64>> = (0..self.sites.len()).map(|s| self.site_coordinates(s, z)).collect();
        let found: Vec<Evaluation> =
            self.sites.par_iter().zip(&own).map(|(site, own)| site.evaluate(own)).collect::<Result<_>>()?;
        let mut gradient = DVector::zeros(n);
        let mut log_density = self.shared_prior(z, gradient.as_mut_slice());
        let mut information = DMatrix::zeros(n, n);
        for i in self.shared()..n - 1 {
            information[(i, i)] = 1.0;
        }
        information[(n - 1, n - 1)] = 2.0 * (z[n - 1].exp() / self.scatter_sd).powi(2);
        for (s, (own, evaluation)) in own.iter().zip(&found).enumerate() {
            log_density += evaluation.log_density
                + self.add_site(s, z, own, evaluation.gradient.as_slice(), gradient.as_mut_slice());
            let first = self.of_site(s).start;
            let mut of_site = evaluation.information.clone();
            of_site[(LITTER, LITTER)] -= 1.0;
            let along = |i: usize| if i == LITTER { self.moves(s, z) } else { vec![(first + i, 1.0)] };
            for i in 0..own.len() {
                for j in 0..own.len() {
                    for &(a, by_a) in &along(i) {
                        for &(b, by_b) in &along(j) {
                            information[(a, b)] += by_a * of_site[(i, j)] * by_b;
                        }
                    }
                }
            }
            information[(first + LITTER, first + LITTER)] += 1.0;
        }
        Ok(Evaluation { log_density, gradient, information })
    }

    /// Climbs to the mode from where priors and clipping records put it, see [`climb`].
    ///
    /// # Errors
    /// [`Error::Interrupted`], and those of [`Joint::evaluate`] at the start.
    pub fn find(&self, stop: &AtomicBool) -> Result<Fit> {
        let mut start = vec![0.0; self.dim()];
        for (s, site) in self.sites.iter().enumerate() {
            let of_site = self.of_site(s);
            start[of_site].copy_from_slice(&site.before_tests()?.mode);
        }
        start[self.dim() - 1] = self.scatter_sd.ln();
        climb(&start, |z| self.evaluate(z), SETTLED, stop)
    }

    /// Bends that straighten the density around a fit: those of each site, and its deviation centred as far as its tests
    /// fix it.
    pub fn bends(&self, fit: &Fit) -> Vec<Bend> {
        let spread = self.dim() - 1;
        let mut bends = Vec::new();
        for (s, site) in self.sites.iter().enumerate() {
            let range = self.of_site(s);
            let (first, count) = (range.start, range.len());
            let own = Fit {
                mode: fit.mode[range].to_vec(),
                information: fit.information.view((first, first), (count, count)).into_owned(),
                ..fit.clone()
            };
            bends.extend(site.bends(&own).into_iter().map(|bend| bend.shifted(first)));
            let deviation = first + LITTER;
            bends.push(Bend::Centred {
                deviation,
                spread,
                log_sd: 1.0,
                share: (1.0 - 1.0 / fit.information[(deviation, deviation)]).max(0.0),
                at: fit.mode[spread],
            });
        }
        bends
    }
}

impl Joint<'_> {
    /// Coordinates in which the density around a fit is nearly standard normal.
    ///
    /// # Errors
    /// Those of [`Coordinates::at`].
    pub fn coordinates(&self, fit: &Fit) -> Result<Coordinates> {
        let of_site = |s: usize| -> Vec<Ridge> {
            Model::ridges().iter().map(|ridge| ridge.shifted(self.of_site(s).start)).collect()
        };
        Coordinates::at(fit, self.bends(fit), (0..self.sites.len()).flat_map(of_site).collect())
    }
}

impl Density for Joint<'_> {
    fn dim(&self) -> usize {
        self.sites.iter().map(|site| site.len()).sum::<usize>() + self.effects + 1
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        let mut log_density = f64::NAN;
        for found in self.log_densities(&[z.to_vec()]) {
            let (value, slopes) = found?;
            log_density = value;
            gradient.copy_from_slice(&slopes);
        }
        Ok(log_density)
    }

    fn log_densities(&self, places: &[Vec<f64>]) -> Vec<Result<(f64, Vec<f64>)>> {
        if let Err(error) = places.iter().try_for_each(|z| self.check_length(z)) {
            return places.iter().map(|_| Err(error.clone())).collect();
        }
        let of_site = |s: usize| {
            let own: Vec<Vec<f64>> = places.iter().map(|z| self.site_coordinates(s, z)).collect();
            let found = self.sites[s].log_densities_and_gradients(&own);
            own.into_iter().zip(found).collect::<Vec<_>>()
        };
        let by_site: Vec<Vec<_>> = (0..self.sites.len()).into_par_iter().map(of_site).collect();
        let whole = |(n, z): (usize, &Vec<f64>)| {
            let mut gradient = vec![0.0; z.len()];
            let mut log_density = self.shared_prior(z, &mut gradient);
            for (s, found) in by_site.iter().enumerate() {
                let (own, found) = &found[n];
                let (of_site, slopes) = found.as_ref().map_err(Clone::clone)?;
                log_density += of_site + self.add_site(s, z, own, slopes, &mut gradient);
            }
            if log_density.is_finite() {
                Ok((log_density, gradient))
            } else {
                Err(Error::Numerical("the joint log density is not finite".to_owned()))
            }
        };
        places.iter().enumerate().map(whole).collect()
    }
}
