//! Passes and swaths of a spreader.

use crate::error::{Problems, Result};
use statrs::distribution::{ContinuousCDF, StudentsT};

// A quotient that only rounding lifted over a whole number is not rounded up.
pub(super) fn whole_up(quotient: f64) -> u32 {
    (quotient * (1.0 - 1e-12)).ceil() as u32
}

/// Passes of spreading and dragging that fill the holes: `hole_volume_mm * fill_fraction / sand_mm_per_pass`, rounded up.
///
/// `hole_volume_mm` (L/m2) is [`crate::practice::work::Work::hole_volume_mm`]; `fill_fraction` is the share of it that
/// takes sand (-); `sand_mm_per_pass` is the packed depth of sand that one pass spreads (mm).
///
/// ```
/// use matledger::practice::spreading::passes_to_fill;
/// // 12.7 mm bore at 50 x 50 mm, 75 mm deep, passes of 1 mm
/// assert_eq!(passes_to_fill(3.80, 0.9, 1.0).unwrap(), 4);
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for a negative volume, a fill fraction outside 0 to 1, or a pass without sand.
pub fn passes_to_fill(hole_volume_mm: f64, fill_fraction: f64, sand_mm_per_pass: f64) -> Result<u32> {
    let mut p = Problems::default();
    p.require(
        hole_volume_mm.is_finite() && hole_volume_mm >= 0.0,
        "hole_volume_mm",
        hole_volume_mm,
        "0 mm or more, finite",
    );
    p.require((0.0..=1.0).contains(&fill_fraction), "fill_fraction", fill_fraction, "a share from 0 to 1");
    p.require(
        sand_mm_per_pass.is_finite() && sand_mm_per_pass > 0.0,
        "sand_mm_per_pass",
        sand_mm_per_pass,
        "sand above 0 mm, finite",
    );
    p.into_result(())?;
    Ok(whole_up(hole_volume_mm * fill_fraction / sand_mm_per_pass))
}

/// Swaths of a spreader, side by side, that cover a green: `green_width_m / swath_m`, rounded up.
///
/// Both in metres; `swath_m` is the width of one.
///
/// ```
/// use matledger::practice::spreading::spreader_swaths;
/// assert_eq!(spreader_swaths(4.6, 18.0).unwrap(), 4);
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for a width that is not above 0.
pub fn spreader_swaths(swath_m: f64, green_width_m: f64) -> Result<u32> {
    let mut p = Problems::default();
    for (place, width) in [("swath_m", swath_m), ("green_width_m", green_width_m)] {
        p.require(width.is_finite() && width > 0.0, place, width, "a width above 0 m, finite");
    }
    p.into_result(())?;
    Ok(whole_up(green_width_m / swath_m))
}

/// A spreader's rate, measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredRate {
    /// Mean dry sand of one pass (g/m2).
    pub mean_g_m2: f64,
    /// Ends of the interval that holds the true mean with the level asked for (g/m2); infinite from one pan.
    pub interval_g_m2: (f64, f64),
    /// Spread between pans over their mean (-); `None` from one pan.
    pub between_pans: Option<f64>,
}

/// What catch pans say of a spreader's rate: mean and Student interval of the masses over the pans' area.
///
/// `masses_g` are the sand caught in each pan (g, as weighed), `pan_m2` the area of one, `passes` how often the spreader
/// went over them, `moisture` the water in the sand over its dry mass (-).
///
/// ```
/// use matledger::practice::spreading::catch_pans;
/// let rate = catch_pans(&[40.0, 44.0, 42.0], 0.1, 1, 0.05, 0.9).unwrap();
/// assert!((rate.mean_g_m2 - 400.0).abs() < 1e-9);
/// assert!(rate.interval_g_m2.0 < 400.0 && rate.interval_g_m2.1 > 400.0);
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for no pan, a negative mass, or numbers outside their domain.
pub fn catch_pans(masses_g: &[f64], pan_m2: f64, passes: u32, moisture: f64, level: f64) -> Result<MeasuredRate> {
    let mut p = Problems::default();
    p.require(!masses_g.is_empty(), "masses_g", "no pan", "at least one pan");
    for (i, mass) in masses_g.iter().enumerate() {
        p.require(mass.is_finite() && *mass >= 0.0, format!("masses_g[{i}]"), mass, "a mass of 0 g or more");
    }
    p.require(pan_m2.is_finite() && pan_m2 > 0.0, "pan_m2", pan_m2, "an area above 0 m2");
    p.require(passes > 0, "passes", passes, "at least one pass");
    p.require((0.0..1.0).contains(&moisture), "moisture", moisture, "a share of the dry mass below 1");
    p.require(level > 0.0 && level < 1.0, "level", level, "between 0 and 1");
    p.into_result(())?;
    let n = masses_g.len() as f64;
    let to_rate = 1.0 / ((1.0 + moisture) * pan_m2 * f64::from(passes));
    let mean = masses_g.iter().sum::<f64>() / n;
    let mean_g_m2 = mean * to_rate;
    let unknown = MeasuredRate { mean_g_m2, interval_g_m2: (0.0, f64::INFINITY), between_pans: None };
    let Ok(student) = StudentsT::new(0.0, 1.0, n - 1.0) else {
        return Ok(unknown);
    };
    let sd = (masses_g.iter().map(|mass| (mass - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let half = student.inverse_cdf(0.5 + level / 2.0) * sd / n.sqrt() * to_rate;
    Ok(MeasuredRate {
        mean_g_m2,
        interval_g_m2: ((mean_g_m2 - half).max(0.0), mean_g_m2 + half),
        between_pans: (mean > 0.0).then_some(sd / mean),
    })
}
