//! The factors of RothC beside temperature: moisture, cover, texture, pool rates.
//!
//! Coleman & Jenkinson 1999, and the description of February 2024 by Coleman, Prout & Milne (read).

/// Largest topsoil moisture deficit under vegetation (mm, above zero): `(20 + 1.3 c - 0.01 c^2) depth / 230`.
///
/// `clay_percent` is the clay content (% by mass); `depth_mm` the thickness of the layer. Signs are turned: RothC
/// counts deficits below zero.
pub fn max_deficit_mm(clay_percent: f64, depth_mm: f64) -> f64 {
    (20.0 + 1.3 * clay_percent - 0.01 * clay_percent.powi(2)) * depth_mm / 230.0
}

/// Moisture factor (0.2 to 1) from an accumulated deficit (mm) and the largest one (mm).
///
/// 1 until the deficit passes 0.444 of the largest, then falling in a line to 0.2 at the largest (equation from
/// memory).
///
/// ```
/// use matledger::weather::rothc::moisture_factor;
/// assert_eq!(moisture_factor(10.0, 40.0), 1.0);
/// assert!((moisture_factor(40.0, 40.0) - 0.2).abs() < 1e-12);
/// ```
pub fn moisture_factor(deficit_mm: f64, max_deficit_mm: f64) -> f64 {
    let knee = 0.444 * max_deficit_mm;
    (0.2 + 0.8 * (max_deficit_mm - deficit_mm) / (max_deficit_mm - knee)).clamp(0.2, 1.0)
}

/// Ratio of CO2 to (microbial + humified) carbon that decay leaves (-), by clay content (% by mass).
pub fn co2_ratio(clay_percent: f64) -> f64 {
    1.67 * (1.85 + 1.60 * (-0.0786 * clay_percent).exp())
}

/// Factor for soil cover (-): 0.6 under vegetation, 1 when bare.
pub fn cover_factor(vegetated: bool) -> f64 {
    if vegetated { 0.6 } else { 1.0 }
}

/// A pool that decays in RothC.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pool {
    /// Decomposable plant material.
    DecomposablePlant,
    /// Resistant plant material.
    ResistantPlant,
    /// Microbial biomass.
    Biomass,
    /// Humified organic matter.
    Humus,
}

impl Pool {
    /// Decay rate (1/yr) with every factor at 1, that is at 9.25 degC in bare moist soil.
    pub fn rate_per_year(self) -> f64 {
        match self {
            Pool::DecomposablePlant => 10.0,
            Pool::ResistantPlant => 0.3,
            Pool::Biomass => 0.66,
            Pool::Humus => 0.02,
        }
    }

    /// Share left after `years` under constant factors whose product is `modifier`.
    pub fn survival(self, modifier: f64, years: f64) -> f64 {
        (-self.rate_per_year() * modifier * years).exp()
    }
}
