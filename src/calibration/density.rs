//! The posterior density of a site's unknowns, with its gradient, from soil tests and clipping records.
//!
//! Coordinates are standard normal a priori: each unknown is its prior's quantile function of one coordinate, greens
//! are `site exp(spread z)`. A test scatters around the model's reading with variance
//! `laboratory^2 + core^2 / cores`.

use super::clippings::{Clippings, NAMES};
use super::coordinates::{Bend, Coordinates, Ridge};
use super::mode::Fit;
use super::records::{SiteRecord, SoilTest};
use super::scatter::{CoreSet, PARAMETERS, Spread};
use super::unknowns::{Prior, Priors, Transform, Unknown};
use crate::column::{DecayRates, Densities, Profile};
use crate::engine::{Member, Plan, Scenario, run};
use crate::error::{Error, Problems, Result};
use crate::number::Number;
use chrono::{Datelike, Days, NaiveDate};
use nalgebra::{Cholesky, DMatrix, DVector};
use std::f64::consts::TAU;

pub(super) struct GreenModel {
    pub(super) plan: Plan,
    /// Coordinates that move this green's tests.
    pub(super) active: Vec<usize>,
    /// Tests of one set of cores each.
    pub(super) sets: Vec<CoreSet>,
    /// Years up to the last test.
    pub(super) years: usize,
}

/// The density of a site's unknowns.
pub struct Model {
    pub(super) site: SiteRecord,
    pub(super) priors: Priors,
    pub(super) greens: Vec<GreenModel>,
    years: Vec<i32>,
    names: Vec<String>,
    pub(super) clippings: Option<Clippings>,
    pub(super) earlier: Option<Earlier>,
}

/// A normal posterior of earlier tests, standing in for the prior.
pub(super) struct Earlier {
    pub(super) mean: DVector<f64>,
    pub(super) precision: DMatrix<f64>,
    /// Of the precision.
    log_determinant: f64,
}

/// Unknowns that make up for each other, and those that are moved for the others' sake, in turn.
const MAKE_UP: [Unknown; 8] = [
    Unknown::YoungDecay,
    Unknown::OldDecay,
    Unknown::Humified,
    Unknown::YoungShare,
    Unknown::FillFraction,
    Unknown::RootShare,
    Unknown::OmDensity,
    Unknown::SandScale,
];
const BENT: [Unknown; 4] = [Unknown::LitterRatio, Unknown::SandScale, Unknown::YoungShare, Unknown::RootShare];

impl Model {
    /// Sets up the density.
    ///
    /// # Errors
    /// [`Error::Input`]: no green, no test at all, two greens with one name, a test with a percentage outside 0-100 or
    /// without cores or of an unknown method, and all that [`Plan::new`] refuses; all at once. Then what is wrong with
    /// clipping records.
    pub fn new(site: SiteRecord, priors: Priors) -> Result<Self> {
        priors.scatter.validate()?;
        let mut p = Problems::default();
        p.require(!site.greens.is_empty(), "greens", "none", "at least one green");
        p.require(site.greens.iter().any(|g| !g.tests.is_empty()), "soil tests", "none", "at least one soil test");
        p.require(!site.methods.is_empty(), "methods", "none", "at least one laboratory method");
        let last = site.start + Days::new(site.decay_modifier.len().saturating_sub(1) as u64);
        let years: Vec<i32> = (site.start.year()..=last.year()).collect();
        let nominal = nominal_member(&priors);
        let samples: Vec<Vec<_>> =
            site.greens.iter().map(|green| green.tests.iter().map(|test| (test.date, test.sample)).collect()).collect();
        for (g, green) in site.greens.iter().enumerate() {
            let twin = site.greens[..g].iter().any(|other| other.name == green.name);
            p.require(!twin, "greens", format!("{:?} twice", green.name), "a name for each green");
            for test in &green.tests {
                let place = format!("{}, test of {}", green.name, test.date);
                p.require((0.0..=100.0).contains(&test.om_percent), &place, test.om_percent, "0 to 100 % OM");
                p.require(test.cores >= 1, &place, test.cores, "at least one core");
                p.require(test.method < site.methods.len(), &place, test.method, "a method of the site");
                if let Some(sd) = test.laboratory_sd {
                    p.require(
                        sd.is_finite() && sd >= 0.0,
                        &place,
                        sd,
                        "a laboratory's standard deviation of 0 or more",
                    );
                }
            }
        }
        let scenarios: Vec<_> = site
            .greens
            .iter()
            .zip(&samples)
            .enumerate()
            .map(|(g, (green, samples))| Scenario {
                start: site.start,
                clippings_g_m2: &green.clippings_g_m2,
                decay_modifier: &site.decay_modifier,
                work: &green.work,
                recorded_before: NaiveDate::MAX,
                samples,
                profiles: &[],
                layout: site.layout_of(g),
                nominal: &nominal,
            })
            .collect();
        for (green, scenario) in site.greens.iter().zip(&scenarios) {
            p.nest(&green.name, scenario.validate())?;
        }
        p.into_result(())?;
        let plans = scenarios.iter().map(Plan::new).collect::<Result<Vec<_>>>()?;
        let clippings = match &site.clippings {
            Some(history) => Clippings::new(&site, history, &years)?,
            None => None,
        };
        let mut model = Self { names: Vec::new(), greens: Vec::new(), years, site, priors, clippings, earlier: None };
        model.names = model.coordinate_names();
        model.greens = plans.into_iter().enumerate().map(|(g, plan)| model.green_model(g, plan)).collect();
        Ok(model)
    }

    fn coordinate_names(&self) -> Vec<String> {
        let mut names: Vec<String> = Unknown::ALL.iter().map(|d| d.name.to_owned()).collect();
        names.extend(self.years.iter().map(|year| format!("clipping_multiplier[{year}]")));
        names.extend(self.site.methods.iter().skip(1).map(|method| format!("method_offset_percent[{}]", method.name)));
        names.extend(self.correlation_index().map(|_| "depth_correlation".to_owned()));
        names.extend(self.clippings.iter().flat_map(|_| NAMES.map(str::to_owned)));
        for green in &self.site.greens {
            names.extend(
                ["litter_ratio", "base_percent", "surface_percent"].map(|what| format!("{what}[{}]", green.name)),
            );
        }
        names
    }

    fn green_model(&self, g: usize, plan: Plan) -> GreenModel {
        let tests = &self.site.greens[g].tests;
        let sets = CoreSet::of(tests, self.priors.scatter.depth_correlation);
        let Some(last_test) = tests.iter().map(|test| test.date.year()).max() else {
            return GreenModel { plan, active: Vec::new(), sets, years: 0 };
        };
        let years = self.years.iter().filter(|&&year| year <= last_test).count();
        let mut active: Vec<usize> = Unknown::ALL
            .iter()
            .map(|d| d.unknown)
            .filter(|u| !matches!(u, Unknown::CoreSd | Unknown::LaboratorySd))
            .map(Unknown::index)
            .collect();
        active.extend((0..years).map(Self::year_index));
        active.extend(self.clippings_index());
        let methods = (1..self.site.methods.len()).filter(|&m| tests.iter().any(|test| test.method == m));
        active.extend(methods.filter_map(|m| self.offset_index(m)));
        active.extend(self.green_indices(g));
        GreenModel { plan, active, sets, years }
    }

    pub(super) fn year_index(year: usize) -> usize {
        Unknown::ALL.len() + year
    }

    pub(super) fn offset_index(&self, method: usize) -> Option<usize> {
        method.checked_sub(1).map(|m| Unknown::ALL.len() + self.years.len() + m)
    }

    /// Where coordinates begin that only some fits have.
    fn first_optional(&self) -> usize {
        Unknown::ALL.len() + self.years.len() + self.site.methods.len() - 1
    }

    pub(super) fn correlation_index(&self) -> Option<usize> {
        self.priors.scatter.depth_correlation.then_some(self.first_optional())
    }

    /// The site's clippings of a year; the scatter of records comes next.
    pub(super) fn clippings_index(&self) -> Option<usize> {
        let index = self.first_optional() + usize::from(self.priors.scatter.depth_correlation);
        self.clippings.as_ref().map(|_| index)
    }

    fn green_indices(&self, green: usize) -> [usize; 3] {
        let correlation = usize::from(self.priors.scatter.depth_correlation);
        let clippings = if self.clippings.is_some() { NAMES.len() } else { 0 };
        let first = self.first_optional() + correlation + clippings + 3 * green;
        [first, first + 1, first + 2]
    }

    /// Number of coordinates.
    pub fn len(&self) -> usize {
        self.names.len()
    }

    /// Whether there is no coordinate; never so.
    pub fn is_empty(&self) -> bool {
        self.names.is_empty()
    }

    /// Names of the coordinates: shared unknowns, years, method offsets, correlation of depths if asked for, the two of
    /// clippings if there are records, then three of each green.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The prior of each coordinate; a green's deviations are standard normal, scaled by the site's spread.
    pub fn priors_of_coordinates(&self) -> Vec<Prior> {
        let mut priors = self.priors.shared.to_vec();
        priors.extend(std::iter::repeat_n(self.priors.past_year, self.years.len()));
        priors.extend(std::iter::repeat_n(self.priors.method_offset, self.site.methods.len() - 1));
        priors.extend(self.correlation_index().map(|_| self.priors.depth_correlation));
        let of_clippings = [self.priors.annual_clippings, self.priors.clipping_record_sd];
        priors.extend(self.clippings.iter().flat_map(|_| of_clippings));
        let deviation = Prior { median: 0.0, sd: 1.0, transform: Transform::Plain };
        priors.resize(self.len(), deviation);
        priors
    }

    /// What is on record.
    pub fn site(&self) -> &SiteRecord {
        &self.site
    }

    /// What is believed beforehand.
    pub fn priors(&self) -> &Priors {
        &self.priors
    }

    /// Calendar years on record.
    pub fn years(&self) -> &[i32] {
        &self.years
    }

    /// A shared unknown at coordinates `z`.
    #[inline]
    pub fn shared<T: Number>(&self, unknown: Unknown, z: &impl Fn(usize) -> T) -> T {
        self.priors.of(unknown).value(z(unknown.index()))
    }

    /// The unknowns of one green at coordinates `z`.
    pub fn member<T: Number>(&self, green: usize, z: &impl Fn(usize) -> T) -> Member<T> {
        let shared = |unknown| self.shared(unknown, z);
        let [litter, base, surface] = self.green_indices(green);
        let around = |site: Unknown, spread: Unknown, index: usize| shared(site) * (shared(spread) * z(index)).exp();
        Member {
            litter_ratio: around(Unknown::LitterRatio, Unknown::LitterSpread, litter),
            decay: self.decay(z),
            fill_fraction: shared(Unknown::FillFraction),
            root_share: shared(Unknown::RootShare),
            densities: Densities {
                mineral: T::constant(crate::practice::work::SAND_BULK_DENSITY_G_CM3),
                om: shared(Unknown::OmDensity),
            },
            sand_scale: shared(Unknown::SandScale),
            young_share: shared(Unknown::YoungShare),
            profile: Profile {
                base_percent: around(Unknown::BasePercent, Unknown::BaseSpread, base),
                surface_percent: around(Unknown::SurfacePercent, Unknown::SurfaceSpread, surface),
                scale_mm: shared(Unknown::ProfileScale),
            },
            year_multipliers: self.year_multipliers(z),
        }
    }

    /// What the tests of one green should read (% OM), less what its method reads above the reference.
    pub(super) fn read<T: Number>(&self, green: usize, member: &Member<T>) -> Result<Vec<T>> {
        let tests = &self.site.greens[green].tests;
        if tests.is_empty() {
            return Ok(Vec::new());
        }
        let plan = &self.greens[green].plan;
        let outcome = run(plan, member, |_, _| {})?;
        Ok((0..tests.len()).map(|i| outcome.readings[plan.reading_of(i)].om_percent()).collect())
    }

    /// What every test should read (% OM), green by green.
    ///
    /// # Errors
    /// [`Error::Numerical`] if a run leaves the real numbers.
    pub fn predictions(&self, z: &[f64]) -> Result<Vec<Vec<f64>>> {
        let of_green = |g: usize| {
            let mut read = self.read(g, &self.member(g, &|i| z[i]))?;
            for (value, test) in read.iter_mut().zip(&self.site.greens[g].tests) {
                *value += self.offset_index(test.method).map_or(0.0, |index| self.priors.method_offset.value(z[index]));
            }
            Ok(read)
        };
        (0..self.greens.len()).map(of_green).collect()
    }

    /// Standard deviation of a test around the model (% OM).
    pub fn test_sd(&self, z: &[f64], test: &SoilTest) -> f64 {
        let at = |i: usize| z[i];
        let core = self.shared(Unknown::CoreSd, &at);
        let laboratory = test.laboratory_sd.unwrap_or_else(|| self.shared(Unknown::LaboratorySd, &at));
        (laboratory * laboratory + core * core / f64::from(test.cores)).sqrt()
    }

    /// Every unknown in its own unit at coordinates `z`, in the order of [`Model::names`]; a green's three are its own
    /// litter ratio and starting profile.
    pub fn natural(&self, z: &[f64]) -> Vec<f64> {
        let at = |i: usize| z[i];
        let mut values: Vec<f64> = Unknown::ALL.iter().map(|d| self.shared(d.unknown, &at)).collect();
        values.extend((0..self.years.len()).map(|y| self.priors.past_year.value(z[Self::year_index(y)])));
        let offsets = (1..self.site.methods.len()).filter_map(|m| self.offset_index(m));
        values.extend(offsets.map(|i| self.priors.method_offset.value(z[i])));
        values.extend(self.correlation_index().map(|i| self.priors.depth_correlation.value(z[i])));
        let of_clippings =
            |i: usize| [self.priors.annual_clippings.value(z[i]), self.priors.clipping_record_sd.value(z[i + 1])];
        values.extend(self.clippings_index().into_iter().flat_map(of_clippings));
        for green in 0..self.greens.len() {
            let member = self.member(green, &at);
            values.extend([member.litter_ratio, member.profile.base_percent, member.profile.surface_percent]);
        }
        values
    }

    pub(super) fn check_length(&self, z: &[f64]) -> Result<()> {
        let mut p = Problems::default();
        let n = self.len();
        p.require(z.len() == n, "z", format!("{} coordinates", z.len()), format!("{n} coordinates"));
        p.into_result(())
    }

    /// Core error, laboratory error and correlation of depths with their slopes, and their coordinates.
    pub(super) fn spread(&self, z: &[f64]) -> (Spread, [Option<usize>; PARAMETERS]) {
        let slope = |prior: &Prior, index: usize| (prior.value(z[index]), prior.slope(z[index]));
        let [core, laboratory] = [Unknown::CoreSd, Unknown::LaboratorySd].map(Unknown::index);
        let shared = &self.priors.shared;
        let correlation = self.correlation_index();
        let spread = [
            slope(&shared[core], core),
            slope(&shared[laboratory], laboratory),
            correlation.map_or((0.0, 0.0), |index| slope(&self.priors.depth_correlation, index)),
        ];
        (spread, [Some(core), Some(laboratory), correlation])
    }

    /// Log prior at `z`, with its gradient written to `gradient`.
    pub(super) fn prior_slope(&self, z: &[f64], gradient: &mut [f64]) -> f64 {
        let n = self.len() as f64;
        let (square, log_determinant) = match &self.earlier {
            None => {
                gradient.iter_mut().zip(z).for_each(|(slope, z)| *slope = -z);
                (z.iter().map(|z| z * z).sum::<f64>(), 0.0)
            }
            Some(earlier) => {
                let away = DVector::from_column_slice(z) - &earlier.mean;
                let slope = &earlier.precision * &away;
                gradient.iter_mut().zip(slope.iter()).for_each(|(to, slope)| *to = -slope);
                (away.dot(&slope), earlier.log_determinant)
            }
        };
        -0.5 * (square + n * TAU.ln() - log_determinant)
    }

    /// Log density of each test given the unknowns, green by green; tests that share an error term, given the others.
    ///
    /// # Errors
    /// Those of [`Model::evaluate`].
    pub fn log_likelihoods(&self, z: &[f64]) -> Result<Vec<Vec<f64>>> {
        let (spread, _) = self.spread(z);
        let freedom = self.priors.scatter.degrees_of_freedom;
        let read = self.predictions(z)?;
        let of_green = |(g, values): (usize, &Vec<f64>)| {
            let tests = &self.site.greens[g].tests;
            let mut found = vec![f64::NAN; tests.len()];
            for set in &self.greens[g].sets {
                let part = |members: &[usize]| {
                    let residual = members.iter().map(|&i| tests[i].om_percent - values[i]);
                    let residuals = DVector::from_iterator(members.len(), residual);
                    CoreSet { tests: members.to_vec() }
                        .part(tests, &residuals, &spread, freedom)
                        .map_or(f64::NAN, |part| part.log_density)
                };
                for &test in &set.tests {
                    let others: Vec<usize> = set.tests.iter().copied().filter(|&i| i != test).collect();
                    let given = if others.is_empty() { 0.0 } else { part(&others) };
                    found[test] = part(&set.tests) - given;
                }
            }
            found
        };
        Ok(read.iter().enumerate().map(of_green).collect())
    }

    /// How organic matter decays at a place.
    pub(super) fn decay<T: Number>(&self, z: &impl Fn(usize) -> T) -> DecayRates<T> {
        let shared = |unknown| self.shared(unknown, z);
        DecayRates {
            young_per_year: shared(Unknown::YoungDecay),
            old_per_year: shared(Unknown::OldDecay),
            humified: shared(Unknown::Humified),
        }
    }

    /// Says which test or coordinate makes the density infinite.
    pub(super) fn blame(&self, z: &[f64]) -> Error {
        if let Some(i) = z.iter().position(|z| !z.is_finite()) {
            return Error::Numerical(format!(
                "the log density is not finite: coordinate {} is {}",
                self.names[i], z[i]
            ));
        }
        let predictions = match self.predictions(z) {
            Ok(predictions) => predictions,
            Err(error) => return error,
        };
        for (green, values) in self.site.greens.iter().zip(predictions) {
            if let Some((test, value)) = green.tests.iter().zip(values).find(|(_, v)| !v.is_finite()) {
                return Error::Numerical(format!(
                    "the log density is not finite: the test of {} on {} is predicted at {value} %",
                    green.name, test.date
                ));
            }
        }
        Error::Numerical("the log density is not finite: the error variance has left the positive numbers".to_owned())
    }

    /// The same density with an earlier posterior in place of the prior: normal with this mean and covariance of the
    /// coordinates.
    ///
    /// # Errors
    /// [`Error::Input`] for another number of coordinates or a covariance that is not positive definite.
    pub fn carried_on(mut self, mean: &[f64], covariance: DMatrix<f64>) -> Result<Self> {
        let n = self.len();
        let mut p = Problems::default();
        let fits = mean.len() == n && covariance.shape() == (n, n);
        p.require(fits, "earlier", format!("{} coordinates", mean.len()), format!("{n} coordinates"));
        let factor = if fits { Cholesky::new(covariance) } else { None };
        p.require(factor.is_some() || !fits, "earlier", "a covariance that is not positive definite", "one that is");
        if let Some(factor) = factor {
            let log_determinant = -2.0 * factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum::<f64>();
            let (mean, precision) = (DVector::from_column_slice(mean), factor.inverse());
            self.earlier = Some(Earlier { mean, precision, log_determinant });
        }
        p.into_result(self)
    }

    /// Whether an earlier posterior stands in for the prior.
    pub fn carries_on(&self) -> bool {
        self.earlier.is_some()
    }

    /// Bends that straighten the density around a fit: deviations of greens are centred as far as tests fix them, and
    /// of core and laboratory error it is the sum that tests of several cores know.
    pub fn bends(&self, fit: &Fit) -> Vec<Bend> {
        let mut bends = Vec::new();
        let spreads = [Unknown::LitterSpread, Unknown::BaseSpread, Unknown::SurfaceSpread];
        for green in 0..self.greens.len() {
            for (deviation, spread) in self.green_indices(green).into_iter().zip(spreads) {
                bends.push(Bend::Centred {
                    deviation,
                    spread: spread.index(),
                    log_sd: self.priors.of(spread).sd,
                    share: (1.0 - 1.0 / fit.information[(deviation, deviation)]).max(0.0),
                    at: fit.mode[spread.index()],
                });
            }
        }
        let tests = || self.site.greens.iter().flat_map(|green| &green.tests).filter(|t| t.laboratory_sd.is_none());
        if tests().next().is_some() {
            let of = [Unknown::CoreSd, Unknown::LaboratorySd];
            let log_cores = tests().map(|test| f64::from(test.cores).ln()).sum::<f64>() / tests().count() as f64;
            let [core, laboratory] = of.map(|unknown| *self.priors.of(unknown));
            bends.push(Bend::Summed {
                of: of.map(Unknown::index),
                log_sd: [core.sd, laboratory.sd],
                log_median: [core.median.ln() - 0.5 * log_cores, laboratory.median.ln()],
            });
        }
        bends
    }

    /// Ridges of the density: tests know the net gain, to which litter, decay, filling and sand all add.
    pub(super) fn ridges() -> Vec<Ridge> {
        let ridge = |of: Unknown| {
            let by = MAKE_UP.into_iter().filter(|other| *other != of).map(Unknown::index);
            Ridge { of: of.index(), by: by.collect() }
        };
        BENT.map(ridge).to_vec()
    }

    /// Coordinates in which the density around a fit is nearly standard normal.
    ///
    /// # Errors
    /// Those of [`Coordinates::at`].
    pub fn coordinates(&self, fit: &Fit) -> Result<Coordinates> {
        Coordinates::at(fit, self.bends(fit), Self::ridges())
    }

    /// Number of tests.
    pub fn tests(&self) -> usize {
        self.site.greens.iter().map(|g| g.tests.len()).sum()
    }
}

/// The medians of the priors, on which splits and merges are decided.
pub fn nominal_member(priors: &Priors) -> Member<f64> {
    let median = |unknown| priors.of(unknown).median;
    Member {
        litter_ratio: median(Unknown::LitterRatio),
        decay: DecayRates {
            young_per_year: median(Unknown::YoungDecay),
            old_per_year: median(Unknown::OldDecay),
            humified: median(Unknown::Humified),
        },
        fill_fraction: median(Unknown::FillFraction),
        root_share: median(Unknown::RootShare),
        densities: Densities {
            mineral: crate::practice::work::SAND_BULK_DENSITY_G_CM3,
            om: median(Unknown::OmDensity),
        },
        sand_scale: median(Unknown::SandScale),
        young_share: median(Unknown::YoungShare),
        profile: Profile {
            base_percent: median(Unknown::BasePercent),
            surface_percent: median(Unknown::SurfacePercent),
            scale_mm: median(Unknown::ProfileScale),
        },
        year_multipliers: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ridge_follows_from_all_that_make_up_for_it() {
        let ridges = Model::ridges();
        assert_eq!(ridges.iter().map(|ridge| ridge.of).collect::<Vec<_>>(), BENT.map(Unknown::index));
        let by = |ridge: usize| ridges[ridge].by.clone();
        assert_eq!(by(0), MAKE_UP.map(Unknown::index), "litter is none of them");
        assert_eq!(by(1), MAKE_UP[..7].iter().map(|unknown| unknown.index()).collect::<Vec<_>>());
    }
}
