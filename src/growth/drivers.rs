//! From weather to what drives growth and decay: degree days and the decay modifier of each day.

use crate::error::Result;
use crate::weather::decay_modifier::{Form, REFERENCE_C, decay_modifier};
use crate::weather::degree_days::{Cutoff, Method, degree_days};
use crate::weather::series::Weather;
use crate::weather::soil_temperature::lagged;
use chrono::NaiveDate;

/// How weather drives a site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Driving {
    /// Lower base of the degree days (degC): 0 for creeping bentgrass and annual bluegrass, 10 for ultradwarf bermudagrass.
    pub lower_c: f64,
    /// Upper threshold of the degree days (degC).
    pub upper_c: Option<f64>,
    /// Method of the degree days.
    pub method: Method,
    /// What heat above the upper threshold does.
    pub cutoff: Cutoff,
    /// Lag of the soil behind the air (d).
    pub lag_days: f64,
    /// How decay answers to soil temperature; 1 at 15 degC.
    pub form: Form,
}

impl Default for Driving {
    fn default() -> Self {
        Self {
            lower_c: 0.0,
            upper_c: None,
            method: Method::SingleSine,
            cutoff: Cutoff::Horizontal,
            lag_days: 5.0,
            form: Form::Rothc,
        }
    }
}

/// What drives growth and decay on each day.
#[derive(Debug, Clone, PartialEq)]
pub struct Drivers {
    /// First day.
    pub start: NaiveDate,
    /// Degree days (degC d).
    pub degree_days: Vec<f64>,
    /// Decay modifier (-).
    pub decay_modifier: Vec<f64>,
}

impl Drivers {
    /// The drivers of a weather series.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for thresholds, lag or form outside their domain.
    pub fn new(weather: &Weather, driving: &Driving) -> Result<Self> {
        let Driving { lower_c, upper_c, method, cutoff, lag_days, form } = *driving;
        let degree_days = degree_days(weather.tmin_c(), weather.tmax_c(), lower_c, upper_c, method, cutoff)?.degc_d;
        let soil_c = lagged(&weather.tmean_c(), lag_days)?;
        let decay_modifier = decay_modifier(&soil_c, None, form, REFERENCE_C)?;
        Ok(Self { start: weather.start(), degree_days, decay_modifier })
    }
}
