//! Tine geometry: holes, area and volume from bore and spacing.

use std::f64::consts::PI;

/// A hollow tine, known by the bore that cuts the core.
///
/// A nominal size is often the outside diameter; the area follows from the inside one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tine {
    /// Inside diameter (mm).
    pub inside_diameter_mm: f64,
}

/// Share of the surface opened by one pass of round holes: `pi d^2 / (4 a b)`.
///
/// Plane geometry; the published pairs in `tests/checks/tine_geometry.csv` agree.
///
/// ```
/// use matledger::practice::tine::hole_area_fraction;
/// // 0.5 in bore on 2 in x 2 in: 4.91 % of the surface
/// assert!((hole_area_fraction(12.7, (50.8, 50.8)) - 0.0491).abs() < 5e-5);
/// ```
pub fn hole_area_fraction(diameter_mm: f64, spacing_mm: (f64, f64)) -> f64 {
    PI * diameter_mm * diameter_mm / (4.0 * spacing_mm.0 * spacing_mm.1)
}

/// Holes in a square metre (1/m2) at a spacing along and across (mm).
pub fn holes_per_m2(spacing_mm: (f64, f64)) -> f64 {
    1e6 / (spacing_mm.0 * spacing_mm.1)
}

/// Share of the surface opened at least once when openings overlap at random: `1 - prod(1 - f)`.
///
/// ```
/// use matledger::practice::tine::union_share;
/// assert!((union_share([0.1, 0.1]) - 0.19).abs() < 1e-12);
/// ```
pub fn union_share(fractions: impl IntoIterator<Item = f64>) -> f64 {
    1.0 - fractions.into_iter().map(|f| 1.0 - f).product::<f64>()
}
