//! Daily weather as checked series, and the pure functions that drive growth and decay from it.

use crate::error::Problems;

pub mod decay_modifier;
pub mod degree_days;
pub mod growth_potential;
pub mod resample;
pub mod rothc;
pub mod series;
pub mod soil_temperature;

/// Records every value that is not a finite number, placed as `name[index]`.
pub(crate) fn require_finite(problems: &mut Problems, name: &str, values: &[f64]) {
    for (i, value) in values.iter().enumerate().filter(|(_, value)| !value.is_finite()) {
        problems.require(false, format!("{name}[{i}]"), value, "a finite number");
    }
}
