//! Weighs programmes against each other. Reads forecasts and never fits.

pub mod forecast;

pub use forecast::{Forecast, Outlook, Progress, Target, YearOfWork};
