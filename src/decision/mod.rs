//! Weighs programmes against each other. Reads forecasts and never fits.

pub mod choice;
pub mod forecast;
pub mod recovery;

pub use choice::{Choice, Limit, choose};
pub use forecast::{Forecast, Outlook, Progress, Scan, Target, YearOfWork};
pub use recovery::{CoverReading, Healing, HealingPriors, Wound, healing};
