//! Daily weather as checked series, and the pure functions that drive growth and decay from it.

pub mod decay_modifier;
pub mod degree_days;
pub mod growth_potential;
pub mod series;
pub mod soil_temperature;
