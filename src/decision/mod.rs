//! Weighs programmes against each other. Reads forecasts and never fits.

pub mod choice;
pub mod forecast;
pub mod outset;
pub mod recovery;
pub mod scan;

pub use choice::{Choice, Limit, Together, choose};
pub use forecast::{Forecast, Target, YearOfWork};
pub use outset::{Grain, Outlook, Outset, Progress};
pub use recovery::{CoverReading, Healing, HealingPriors, Wound, healing};
pub use scan::Scan;
