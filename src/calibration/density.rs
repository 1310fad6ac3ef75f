//! The posterior density of a site's unknowns, with its gradient, from soil tests.
//!
//! Coordinates are standard normal a priori: each unknown is its prior's quantile function of one coordinate, greens
//! are `site exp(spread z)`. A test is normal around the model's reading with variance
//! `laboratory^2 + core^2 / cores`.

use super::unknowns::{Prior, Priors, Transform, Unknown};
use crate::column::{DecayRates, Densities, Profile, Sample};
use crate::engine::{Dated, Layout, Member, Plan, Scenario, run};
use crate::error::{Error, Problems, Result};
use crate::number::{Dual, Number};
use chrono::{Datelike, Days, NaiveDate};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// One soil test.
#[derive(Debug, Clone, PartialEq)]
pub struct SoilTest {
    /// Date of sampling; cores are pulled before that day's work.
    pub date: NaiveDate,
    /// What was sampled.
    pub sample: Sample,
    /// Loss on ignition (% of dry mass).
    pub om_percent: f64,
    /// Cores in the sample.
    pub cores: u32,
    /// Which of the site's methods.
    pub method: usize,
    /// Standard deviation that the laboratory states for this test (% OM), in place of the unknown one.
    pub laboratory_sd: Option<f64>,
}

/// A laboratory method; the first of a site is the reference, each other one gets an unknown offset.
#[derive(Debug, Clone, PartialEq)]
pub struct Method {
    /// Its name.
    pub name: String,
    /// Combustible matter that the minerals lose (% of dry mass).
    pub blank_percent: f64,
}

/// What is on record of one green.
#[derive(Debug, Clone, PartialEq)]
pub struct GreenRecord {
    /// Its name.
    pub name: String,
    /// Clippings of each day of the site's series (g dry/m2).
    pub clippings_g_m2: Vec<f64>,
    /// Work done.
    pub work: Vec<Dated>,
    /// Soil tests.
    pub tests: Vec<SoilTest>,
    /// Thickness of the thatch-mat layer at the start (mm).
    pub mat_depth_mm: f64,
}

/// What is on record of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteRecord {
    /// First day of the series.
    pub start: NaiveDate,
    /// Decay modifier of each day (-).
    pub decay_modifier: Vec<f64>,
    /// The greens.
    pub greens: Vec<GreenRecord>,
    /// Laboratory methods, the reference first.
    pub methods: Vec<Method>,
    /// How the ground is cut; each green's own mat depth replaces the layout's.
    pub layout: Layout,
}

impl SiteRecord {
    /// The layout of one green.
    pub fn layout_of(&self, green: usize) -> Layout {
        Layout { mat_depth_mm: self.greens[green].mat_depth_mm, ..self.layout }
    }
}

/// Directions carried in one run.
const TANGENTS: usize = 8;

/// Predictions of a green's tests, each with its slopes along the coordinates that move it.
type Slopes = (Vec<f64>, Vec<BTreeMap<usize, f64>>);

struct GreenModel {
    plan: Plan,
    /// Coordinates that move this green's tests.
    active: Vec<usize>,
}

/// The density of a site's unknowns.
pub struct Model {
    site: SiteRecord,
    priors: Priors,
    greens: Vec<GreenModel>,
    years: Vec<i32>,
    names: Vec<String>,
}

/// The log density at one point, with what a mode search needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluation {
    /// Log of prior times likelihood, with all constants.
    pub log_density: f64,
    /// Its gradient.
    pub gradient: DVector<f64>,
    /// Expected information: identity of the prior plus Fisher information of the tests.
    pub information: DMatrix<f64>,
}

impl Model {
    /// Sets up the density.
    ///
    /// # Errors
    /// [`Error::Input`]: no green, no test at all, two greens with one name, a test with a percentage outside 0-100 or
    /// without cores or of an unknown method, and all that [`Plan::new`] refuses; all at once.
    pub fn new(site: SiteRecord, priors: Priors) -> Result<Self> {
        let mut p = Problems::default();
        p.require(!site.greens.is_empty(), "greens", "none", "at least one green");
        p.require(site.greens.iter().any(|g| !g.tests.is_empty()), "soil tests", "none", "at least one soil test");
        p.require(!site.methods.is_empty(), "methods", "none", "at least one laboratory method");
        let last = site.start + Days::new(site.decay_modifier.len().saturating_sub(1) as u64);
        let years: Vec<i32> = (site.start.year()..=last.year()).collect();
        let nominal = nominal_member(&priors);
        let mut plans = Vec::new();
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
            let samples: Vec<_> = green.tests.iter().map(|test| (test.date, test.sample)).collect();
            let scenario = Scenario {
                start: site.start,
                clippings_g_m2: &green.clippings_g_m2,
                decay_modifier: &site.decay_modifier,
                work: &green.work,
                recorded_before: NaiveDate::MAX,
                samples: &samples,
                profiles: &[],
                layout: site.layout_of(g),
                nominal: &nominal,
            };
            plans.extend(p.nest(&green.name, Plan::new(&scenario))?);
        }
        p.into_result(())?;
        let mut model = Self { names: Vec::new(), greens: Vec::new(), years, site, priors };
        model.names = model.coordinate_names();
        model.greens = plans.into_iter().enumerate().map(|(g, plan)| model.green_model(g, plan)).collect();
        Ok(model)
    }

    fn coordinate_names(&self) -> Vec<String> {
        let mut names: Vec<String> = Unknown::ALL.iter().map(|d| d.name.to_owned()).collect();
        names.extend(self.years.iter().map(|year| format!("clippings_{year}")));
        names.extend(self.site.methods.iter().skip(1).map(|method| format!("offset[{}]", method.name)));
        for green in &self.site.greens {
            names.extend(
                ["litter_ratio", "base_percent", "surface_percent"].map(|what| format!("{what}[{}]", green.name)),
            );
        }
        names
    }

    fn green_model(&self, g: usize, plan: Plan) -> GreenModel {
        let tests = &self.site.greens[g].tests;
        let mut active: Vec<usize> = Unknown::ALL
            .iter()
            .map(|d| d.unknown)
            .filter(|u| !matches!(u, Unknown::CoreSd | Unknown::LaboratorySd))
            .map(Unknown::index)
            .collect();
        let last_test = tests.iter().map(|test| test.date.year()).max().unwrap_or(i32::MIN);
        active.extend((0..self.years.len()).filter(|&y| self.years[y] <= last_test).map(|y| self.year_index(y)));
        let methods = (1..self.site.methods.len()).filter(|&m| tests.iter().any(|test| test.method == m));
        active.extend(methods.filter_map(|m| self.offset_index(m)));
        active.extend(self.green_indices(g));
        if tests.is_empty() {
            active.clear();
        }
        GreenModel { plan, active }
    }

    fn year_index(&self, year: usize) -> usize {
        Unknown::ALL.len() + year
    }

    fn offset_index(&self, method: usize) -> Option<usize> {
        method.checked_sub(1).map(|m| Unknown::ALL.len() + self.years.len() + m)
    }

    fn green_indices(&self, green: usize) -> [usize; 3] {
        let first = Unknown::ALL.len() + self.years.len() + self.site.methods.len() - 1 + 3 * green;
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

    /// Names of the coordinates: shared unknowns, years, method offsets, then three of each green.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The prior of each coordinate; a green's deviations are standard normal, scaled by the site's spread.
    pub fn priors_of_coordinates(&self) -> Vec<Prior> {
        let mut priors = self.priors.shared.to_vec();
        priors.extend(std::iter::repeat_n(self.priors.past_year, self.years.len()));
        priors.extend(std::iter::repeat_n(self.priors.method_offset, self.site.methods.len() - 1));
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
            decay: DecayRates {
                young_per_year: shared(Unknown::YoungDecay),
                old_per_year: shared(Unknown::OldDecay),
                humified: shared(Unknown::Humified),
            },
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
            year_multipliers: (0..self.years.len())
                .map(|year| self.priors.past_year.value(z(self.year_index(year))))
                .collect(),
        }
    }

    /// What the tests of one green should read (% OM) at coordinates `z`.
    fn predicted<T: Number>(&self, green: usize, z: impl Fn(usize) -> T) -> Result<Vec<T>> {
        let tests = &self.site.greens[green].tests;
        if tests.is_empty() {
            return Ok(Vec::new());
        }
        let plan = &self.greens[green].plan;
        let outcome = run(plan, &self.member(green, &z), |_, _| {})?;
        let read = |(i, test): (usize, &SoilTest)| {
            let offset = match self.offset_index(test.method) {
                Some(index) => self.priors.method_offset.value(z(index)),
                None => T::zero(),
            };
            outcome.readings[plan.reading_of(i)].om_percent() + offset + self.site.methods[test.method].blank_percent
        };
        Ok(tests.iter().enumerate().map(read).collect())
    }

    /// What every test should read (% OM), green by green.
    ///
    /// # Errors
    /// [`Error::Numerical`] if a run leaves the real numbers.
    pub fn predictions(&self, z: &[f64]) -> Result<Vec<Vec<f64>>> {
        (0..self.greens.len()).map(|g| self.predicted(g, |i| z[i])).collect()
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
        values.extend((0..self.years.len()).map(|y| self.priors.past_year.value(z[self.year_index(y)])));
        let offsets = (1..self.site.methods.len()).filter_map(|m| self.offset_index(m));
        values.extend(offsets.map(|i| self.priors.method_offset.value(z[i])));
        for green in 0..self.greens.len() {
            let member = self.member(green, &at);
            values.extend([member.litter_ratio, member.profile.base_percent, member.profile.surface_percent]);
        }
        values
    }

    /// Predictions of a green's tests with their derivatives along its active coordinates.
    fn jacobian(&self, green: usize, z: &[f64]) -> Result<Slopes> {
        let mut values = Vec::new();
        let mut slopes = vec![BTreeMap::new(); self.site.greens[green].tests.len()];
        for chunk in self.greens[green].active.chunks(TANGENTS) {
            let lift = |i: usize| {
                let direction = chunk.iter().position(|&c| c == i).unwrap_or(TANGENTS);
                Dual::<TANGENTS>::variable(z[i], direction)
            };
            let predicted = self.predicted(green, lift)?;
            for (row, value) in slopes.iter_mut().zip(&predicted) {
                row.extend(chunk.iter().copied().zip(value.derivative));
            }
            values = predicted.iter().map(|value| value.value).collect();
        }
        Ok((values, slopes))
    }

    /// The log density with gradient and expected information at coordinates `z`.
    ///
    /// # Errors
    /// [`Error::Input`] if `z` has the wrong length, [`Error::Numerical`] if a run leaves the real numbers.
    pub fn evaluate(&self, z: &[f64]) -> Result<Evaluation> {
        let n = self.len();
        let mut p = Problems::default();
        p.require(z.len() == n, "z", format!("{} coordinates", z.len()), format!("{n} coordinates"));
        p.into_result(())?;
        let mut log_density = -0.5 * z.iter().map(|z| z * z + TAU.ln()).sum::<f64>();
        let mut gradient = DVector::from_iterator(n, z.iter().map(|z| -z));
        let mut information = DMatrix::identity(n, n);
        let jacobians: Vec<_> =
            (0..self.greens.len()).into_par_iter().map(|g| self.jacobian(g, z)).collect::<Result<_>>()?;
        let slope = |unknown: Unknown| {
            let index = unknown.index();
            let at = |i: usize| Dual::<1>::variable(z[i], i.abs_diff(index));
            (index, self.shared(unknown, &at))
        };
        let ((core_at, core), (laboratory_at, laboratory)) = (slope(Unknown::CoreSd), slope(Unknown::LaboratorySd));
        for (green, (values, slopes)) in self.site.greens.iter().zip(&jacobians) {
            for ((test, value), slopes) in green.tests.iter().zip(values).zip(slopes) {
                let laboratory = test.laboratory_sd.map_or(laboratory, Dual::constant);
                let variance = laboratory * laboratory + core * core / f64::from(test.cores);
                let (weight, residual) = (1.0 / variance.value, test.om_percent - value);
                log_density -= 0.5 * (residual * residual * weight + (variance.value * TAU).ln());
                let spread = [
                    (core_at, 2.0 * core.value * core.derivative[0] / f64::from(test.cores) * weight),
                    (laboratory_at, 2.0 * laboratory.value * laboratory.derivative[0] * weight),
                ];
                for (i, relative) in spread {
                    gradient[i] += 0.5 * relative * (residual * residual * weight - 1.0);
                    for (j, other) in spread {
                        information[(i, j)] += 0.5 * relative * other;
                    }
                }
                for (&i, &by) in slopes {
                    gradient[i] += by * residual * weight;
                    for (&j, &other) in slopes {
                        information[(i, j)] += by * other * weight;
                    }
                }
            }
        }
        if !log_density.is_finite() {
            return Err(Error::Numerical(self.blame(z, &jacobians)));
        }
        Ok(Evaluation { log_density, gradient, information })
    }

    /// Says which test or coordinate makes the density infinite.
    fn blame(&self, z: &[f64], jacobians: &[Slopes]) -> String {
        if let Some(i) = z.iter().position(|z| !z.is_finite()) {
            return format!("the log density is not finite: coordinate {} is {}", self.names[i], z[i]);
        }
        for (green, (values, _)) in self.site.greens.iter().zip(jacobians) {
            if let Some((test, value)) = green.tests.iter().zip(values).find(|(_, v)| !v.is_finite()) {
                return format!(
                    "the log density is not finite: the test of {} on {} is predicted at {value} %",
                    green.name, test.date
                );
            }
        }
        "the log density is not finite: the error variance has left the real numbers".to_owned()
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
