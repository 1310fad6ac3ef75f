//! Temperature growth potential: a bell curve of the daily mean.

use super::require_finite;
use crate::error::{Problems, Result};

/// Growth potential of each day (0 to 1) from the daily mean temperature (degC): `exp(-((T - Topt)/s)^2 / 2)`.
///
/// With `plateau` the potential stays at 1 above the optimum, as is sometimes done for C4 grasses. Gelernter & Stowell
/// 2005, Golf Course Management 73(3):108-113; usual figures are 20 and 5.5 degC for C3 grasses, 31 and 7 degC for
/// C4 (optima read, spreads from memory).
///
/// # Errors
/// [`crate::Error::Input`] if a temperature is not finite or the spread is not above zero.
///
/// ```
/// use matledger::weather::growth_potential::growth_potential;
/// let potential = growth_potential(&[20.0, 25.5], 20.0, 5.5, false)?;
/// assert_eq!(potential[0], 1.0);
/// assert!((potential[1] - (-0.5_f64).exp()).abs() < 1e-15);
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn growth_potential(tmean_c: &[f64], optimum_c: f64, spread_c: f64, plateau: bool) -> Result<Vec<f64>> {
    let mut problems = Problems::default();
    require_finite(&mut problems, "tmean_c", tmean_c);
    problems.require(optimum_c.is_finite(), "optimum_c", optimum_c, "a temperature (degC)");
    problems.require(spread_c.is_finite() && spread_c > 0.0, "spread_c", spread_c, "a spread above 0 degC");
    let potential = |t: &f64| {
        if plateau && *t > optimum_c { 1.0 } else { (-0.5 * ((t - optimum_c) / spread_c).powi(2)).exp() }
    };
    problems.into_result(())?;
    Ok(tmean_c.iter().map(potential).collect())
}
