//! Rounds and passes of a spreader.

use crate::error::{Problems, Result};

// A quotient that only rounding lifted over a whole number needs no further round.
fn whole_rounds(quotient: f64) -> u32 {
    (quotient * (1.0 - 1e-12)).ceil() as u32
}

/// Rounds of spreading and dragging that fill the holes: `hole_volume_mm * fill_fraction / sand_mm_per_round`, rounded up.
///
/// `hole_volume_mm` (L/m2) is [`crate::practice::work::Work::hole_volume_mm`]; `fill_fraction` is the share of it that
/// takes sand (-); `sand_mm_per_round` is the packed depth of sand that one round spreads (mm).
///
/// ```
/// use matledger::practice::spreading::rounds_to_fill;
/// // 12.7 mm bore at 50 x 50 mm, 75 mm deep, rounds of 1 mm
/// assert_eq!(rounds_to_fill(3.80, 0.9, 1.0).unwrap(), 4);
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for a negative volume, a fill fraction outside 0 to 1, or a round without sand.
pub fn rounds_to_fill(hole_volume_mm: f64, fill_fraction: f64, sand_mm_per_round: f64) -> Result<u32> {
    let mut p = Problems::default();
    p.require(
        hole_volume_mm.is_finite() && hole_volume_mm >= 0.0,
        "hole_volume_mm",
        hole_volume_mm,
        "0 mm or more, finite",
    );
    p.require((0.0..=1.0).contains(&fill_fraction), "fill_fraction", fill_fraction, "a share from 0 to 1");
    p.require(
        sand_mm_per_round.is_finite() && sand_mm_per_round > 0.0,
        "sand_mm_per_round",
        sand_mm_per_round,
        "sand above 0 mm, finite",
    );
    p.into_result(())?;
    Ok(whole_rounds(hole_volume_mm * fill_fraction / sand_mm_per_round))
}

/// Passes of a spreader side by side that cover a green: `green_width_m / swath_m`, rounded up.
///
/// Both in metres; `swath_m` is the width that one pass covers.
///
/// ```
/// use matledger::practice::spreading::spreader_passes;
/// assert_eq!(spreader_passes(4.6, 18.0).unwrap(), 4);
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for a width that is not above 0.
pub fn spreader_passes(swath_m: f64, green_width_m: f64) -> Result<u32> {
    let mut p = Problems::default();
    for (place, width) in [("swath_m", swath_m), ("green_width_m", green_width_m)] {
        p.require(width.is_finite() && width > 0.0, place, width, "a width above 0 m, finite");
    }
    p.into_result(())?;
    Ok(whole_rounds(green_width_m / swath_m))
}
