//! What is not known, and what is believed of it before any test.

use super::scatter::Scatter;
use crate::error::{Problems, Result};
use crate::growth::clippings::{PRIOR_ANNUAL_G_M2, PRIOR_LOG_SD};
use crate::number::{Dual, Number};

/// How an unknown follows from its standard-normal coordinate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transform {
    /// Positive: `median exp(sd z)`.
    Log,
    /// A share: `logit(value) = logit(median) + sd z`.
    Logit,
    /// Any real number: `median + sd z`.
    Plain,
}

impl Transform {
    /// Its name: `log`, `logit` or `plain`.
    pub fn name(self) -> &'static str {
        match self {
            Transform::Log => "log",
            Transform::Logit => "logit",
            Transform::Plain => "plain",
        }
    }
}

/// A prior: log-, logit- or plain normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Median, in the unknown's unit.
    pub median: f64,
    /// Standard deviation on the transformed scale.
    pub sd: f64,
    /// The scale.
    pub transform: Transform,
}

impl Prior {
    /// The value at a standard-normal coordinate.
    ///
    /// ```
    /// use matledger::calibration::{Prior, Transform};
    /// let fill = Prior { median: 0.6, sd: 0.8, transform: Transform::Logit };
    /// assert_eq!(fill.value(0.0), 0.6);
    /// assert!(fill.value(3.0_f64) < 1.0);
    /// ```
    #[inline(always)]
    pub fn value<T: Number>(&self, z: T) -> T {
        match self.transform {
            Transform::Log => (z * self.sd).exp() * self.median,
            Transform::Logit => {
                let odds = (1.0 - self.median) / self.median;
                T::one() / ((z * -self.sd).exp() * odds + 1.0)
            }
            Transform::Plain => z * self.sd + self.median,
        }
    }

    /// Slope of the value along its coordinate.
    pub fn slope(&self, z: f64) -> f64 {
        self.value(Dual::<1>::variable(z, 0)).derivative[0]
    }
}

/// Unknowns that a whole site shares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(usize)]
#[allow(missing_docs)] // each is described in `Unknown::ALL`
pub enum Unknown {
    LitterRatio,
    YoungDecay,
    OldDecay,
    Humified,
    YoungShare,
    FillFraction,
    RootShare,
    ProfileScale,
    BasePercent,
    SurfacePercent,
    OmDensity,
    SandScale,
    CoreSd,
    LaboratorySd,
    LitterSpread,
    BaseSpread,
    SurfaceSpread,
}

/// Name, unit and description of an unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Described {
    /// Which.
    pub unknown: Unknown,
    /// Name, with the unit where it has one.
    pub name: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// What it is.
    pub description: &'static str,
}

const fn described(unknown: Unknown, name: &'static str, unit: &'static str, description: &'static str) -> Described {
    Described { unknown, name, unit, description }
}

impl Unknown {
    /// All, in the order of the coordinates.
    pub const ALL: [Described; 17] = [
        described(Unknown::LitterRatio, "litter_ratio", "g/g", "litter that stays, per gram of clippings removed"),
        described(Unknown::YoungDecay, "young_decay_per_year", "1/yr", "decay rate of young organic matter at 15 degC"),
        described(Unknown::OldDecay, "old_decay_per_year", "1/yr", "decay rate of old organic matter at 15 degC"),
        described(Unknown::Humified, "humified_share", "-", "share of decayed young organic matter that becomes old"),
        described(Unknown::YoungShare, "young_share", "-", "young share of the organic matter at the start"),
        described(Unknown::FillFraction, "fill_fraction", "-", "part of an open hole that sand fills"),
        described(Unknown::RootShare, "root_share", "-", "share of the litter that falls with the roots"),
        described(Unknown::ProfileScale, "profile_scale_mm", "mm", "depth over which the starting excess falls to 1/e"),
        described(Unknown::BasePercent, "base_percent", "%", "organic matter deep in the starting profile"),
        described(Unknown::SurfacePercent, "surface_percent", "%", "excess of organic matter at the starting surface"),
        described(Unknown::OmDensity, "om_density_g_cm3", "g/cm3", "packed bulk density of organic matter"),
        described(Unknown::SandScale, "sand_scale", "-", "true sand over recorded sand"),
        described(Unknown::CoreSd, "core_sd_percent", "% OM", "spread of single cores of one green and day"),
        described(Unknown::LaboratorySd, "laboratory_sd_percent", "% OM", "spread of the laboratory on one sample"),
        described(Unknown::LitterSpread, "litter_ratio_spread", "-", "log-sd of the litter ratio between greens"),
        described(Unknown::BaseSpread, "base_percent_spread", "-", "log-sd of the deep organic matter between greens"),
        described(Unknown::SurfaceSpread, "surface_percent_spread", "-", "log-sd of the surface excess between greens"),
    ];

    /// Its coordinate.
    pub fn index(self) -> usize {
        self as usize
    }
}

/// The priors of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct Priors {
    /// Of the unknowns that the site shares, in the order of [`Unknown::ALL`].
    pub shared: [Prior; 17],
    /// Of the clippings per degree day of a calendar year on record, over the site's.
    pub past_year: Prior,
    /// The same of a year to come.
    pub future_year: Prior,
    /// Of the site's clippings in a year of mean degree days (g dry/m2), where there are records to learn it from.
    pub annual_clippings: Prior,
    /// Of the scatter of recorded clippings of one green over 100 degree days around their year's, as a share of it (-).
    pub clipping_record_sd: Prior,
    /// Of a laboratory method's offset from the reference method (% OM).
    pub method_offset: Prior,
    /// Of the correlation between core errors of depths cut from one set of cores (-), if it is asked for.
    pub depth_correlation: Prior,
    /// How tests scatter around the model.
    pub scatter: Scatter,
}

const fn log(median: f64, sd: f64) -> Prior {
    Prior { median, sd, transform: Transform::Log }
}

const fn logit(median: f64, sd: f64) -> Prior {
    Prior { median, sd, transform: Transform::Logit }
}

impl Default for Priors {
    /// The defaults of the model page: our judgement from the sources named there, not measured. The medians of the
    /// starting profile put 2.8 % in 0-25 mm and 1.8 % in 25-51 mm, the means of a published survey of 221 greens
    /// (Linde et al. 2022, read); their spread is judgement.
    fn default() -> Self {
        Self {
            shared: [
                log(3.0, 0.6),
                log(1.0, 0.5),
                log(0.015, 0.8),
                logit(0.30, 0.5),
                logit(0.3, 0.5),
                logit(0.6, 0.8),
                logit(0.3, 0.5),
                log(30.0, 0.5),
                log(1.2, 0.5),
                log(2.5, 0.7),
                log(0.244, 0.2),
                log(1.0, 0.07),
                log(0.5, 0.5),
                log(0.15, 0.5),
                log(0.2, 0.5),
                log(0.2, 0.5),
                log(0.3, 0.5),
            ],
            past_year: log(1.0, 0.15),
            future_year: log(1.0, 0.12),
            annual_clippings: log(PRIOR_ANNUAL_G_M2, PRIOR_LOG_SD),
            clipping_record_sd: log(0.5, 0.5),
            method_offset: Prior { median: 0.0, sd: 0.5, transform: Transform::Plain },
            depth_correlation: logit(0.3, 1.0),
            scatter: Scatter::default(),
        }
    }
}

impl Priors {
    /// The prior of a shared unknown.
    pub fn of(&self, unknown: Unknown) -> &Prior {
        &self.shared[unknown.index()]
    }

    /// Replaces the median and sd of a shared unknown by name.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for a name that is none of [`Unknown::ALL`] or values outside their domain.
    pub fn set(&mut self, name: &str, median: f64, sd: f64) -> Result<()> {
        let mut p = Problems::default();
        let place = format!("priors.{name}");
        match Unknown::ALL.iter().find(|d| d.name == name) {
            None => {
                let names = Unknown::ALL.map(|d| d.name).join(", ");
                p.require(false, "priors", name, format!("one of {names}"));
            }
            Some(found) => {
                let prior = &mut self.shared[found.unknown.index()];
                let (upper, text) = match prior.transform {
                    Transform::Logit => (1.0, "a median between 0 and 1"),
                    _ => (f64::INFINITY, "a median above 0"),
                };
                p.require(median > 0.0 && median < upper, &place, median, text);
                p.require(sd.is_finite() && sd > 0.0, &place, sd, "a standard deviation above 0");
                (prior.median, prior.sd) = (median, sd);
            }
        }
        p.into_result(())
    }
}
