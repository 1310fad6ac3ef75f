//! What is on record of a site, as a fit takes it in.

use crate::column::Sample;
use crate::engine::{Dated, Layout};
use crate::growth::clippings::ClippingRecord;
use chrono::NaiveDate;

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

/// Clippings that were weighed or measured on a site.
#[derive(Debug, Clone, PartialEq)]
pub struct ClippingHistory {
    /// Degree days of each day of the site's series (degC d).
    pub degree_days: Vec<f64>,
    /// Degree days of a mean year (degC d).
    pub degree_days_a_year: f64,
    /// The records of all greens.
    pub records: Vec<ClippingRecord>,
    /// Those that an earlier fit, which this one carries on from, has counted.
    pub counted: Vec<ClippingRecord>,
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
    /// Clipping records, if there are any. With none, clippings of the greens are what a prior's yield makes of the degree
    /// days, and litter is counted per gram of those.
    pub clippings: Option<ClippingHistory>,
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
