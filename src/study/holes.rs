//! What a probe meets on a green that was cored: few holes or many, and the scatter that this adds.

use crate::error::{Problems, Result};
use crate::practice::tine::hole_area_fraction;
use std::f64::consts::{PI, TAU};

/// Holes of one pass of coring, on a rectangular grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HolePattern {
    diameter_mm: f64,
    spacing_mm: (f64, f64),
}

/// Where the terms of the sum have fallen to a ten millionth.
const WAVES: f64 = 60.0;

impl HolePattern {
    /// Holes of a diameter (mm) at a spacing along and across (mm).
    ///
    /// # Errors
    /// [`crate::Error::Input`] for sizes that are not above zero, or holes that touch.
    pub fn new(diameter_mm: f64, spacing_mm: (f64, f64)) -> Result<Self> {
        let mut p = Problems::default();
        let size = |v: f64| v.is_finite() && v > 0.0;
        p.require(size(diameter_mm), "diameter_mm", diameter_mm, "a diameter above 0 mm");
        for (name, spacing) in [("spacing_mm[0]", spacing_mm.0), ("spacing_mm[1]", spacing_mm.1)] {
            let apart = size(spacing) && spacing > diameter_mm;
            p.require(apart, name, spacing, format!("a spacing above the diameter of the holes ({diameter_mm} mm)"));
        }
        p.into_result(Self { diameter_mm, spacing_mm })
    }

    /// Share of the surface that is hole.
    pub fn area_fraction(&self) -> f64 {
        hole_area_fraction(self.diameter_mm, self.spacing_mm)
    }

    /// Variance, over places taken at random, of the share of a round probe's area that is hole.
    ///
    /// The pattern repeats, so its share under a probe is a Fourier series; by Parseval's theorem its variance is the sum
    /// over all waves but the mean of `(f j(k r) j(k R))^2`, with `f` the area fraction, `r` and `R` the radii of hole
    /// and probe, `k = 2 pi sqrt((m/a)^2 + (n/b)^2)` and `j(x) = 2 J1(x)/x`, the transform of a disc. Own derivation;
    /// `tests/study.rs` holds it to areas of overlap at random places.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for a probe under 1 mm or over 1 m.
    ///
    /// ```
    /// use matledger::study::HolePattern;
    /// let holes = HolePattern::new(12.7, (50.8, 50.8))?;
    /// let f = holes.area_fraction();
    /// // A needle is in a hole or not; a wide probe always meets the mean.
    /// assert!(holes.share_variance(1.0)? < f * (1.0 - f));
    /// assert!(holes.share_variance(108.0)? < 0.1 * holes.share_variance(19.0)?);
    /// # Ok::<(), matledger::Error>(())
    /// ```
    pub fn share_variance(&self, probe_diameter_mm: f64) -> Result<f64> {
        let mut p = Problems::default();
        p.require(
            (1.0..=1000.0).contains(&probe_diameter_mm),
            "probe_diameter_mm",
            probe_diameter_mm,
            "a diameter from 1 to 1000 mm",
        );
        p.into_result(())?;
        let (hole, probe) = (self.diameter_mm / 2.0, probe_diameter_mm / 2.0);
        let most = WAVES / (hole * probe).sqrt();
        let (a, b) = self.spacing_mm;
        let (along, across) = ((most * a / TAU) as usize, (most * b / TAU) as usize);
        let mut sum = 0.0;
        for m in 0..=along {
            for n in 0..=across {
                let wave = TAU * (m as f64 / a).hypot(n as f64 / b);
                if (m, n) != (0, 0) && wave <= most {
                    let mirrored = if m == 0 || n == 0 { 2.0 } else { 4.0 };
                    sum += mirrored * (disc(wave * hole) * disc(wave * probe)).powi(2);
                }
            }
        }
        Ok(self.area_fraction().powi(2) * sum)
    }
}

/// Transform of a disc of unit integral: `2 J1(x)/x`.
fn disc(x: f64) -> f64 {
    2.0 * bessel_j1(x) / x
}

/// Bessel function of the first kind of order one, from its integral (Abramowitz & Stegun 1964, 9.1.21) by the
/// trapezoidal rule, which converges faster than any power for a periodic integrand.
///
/// ```
/// // Abramowitz & Stegun 1964, table 9.1 (memory): J1(1) = 0.4400505857
/// assert!((matledger::study::bessel_j1(1.0) - 0.4400505857).abs() < 1e-10);
/// ```
pub fn bessel_j1(x: f64) -> f64 {
    let points = x.abs() as usize + 30;
    let at = |i: usize| {
        let angle = PI * (i as f64 + 0.5) / points as f64;
        (angle - x * angle.sin()).cos()
    };
    (0..points).map(at).sum::<f64>() / points as f64
}
