//! Soil temperature near the surface. Values in `tests/checks/soil_temperature.csv` and
//! `soil_temperature_sinusoid.csv`.

use std::f64::consts::PI;

use super::require_finite;
use crate::error::{Problems, Result};

/// Mean soil temperature of each day (degC): a first-order lag of the daily mean air temperature.
///
/// `S' = (T - S) / lag` with T held over each day; each value is the exact mean of S over its day. The soil starts at
/// the first day's temperature, so the first few lags' worth of days remember that start. A lag of zero gives the air
/// back.
///
/// # Errors
/// [`crate::Error::Input`] if a temperature is not finite or the lag is below zero.
///
/// ```
/// use matledger::weather::soil_temperature::lagged;
/// // after a step the mean of the next day has come 1 - lag (1 - exp(-1/lag)) of the way
/// let soil = lagged(&[0.0, 10.0], 2.0)?;
/// assert!((soil[1] - 10.0 * (1.0 - 2.0 * (1.0 - (-0.5_f64).exp()))).abs() < 1e-12);
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn lagged(tmean_c: &[f64], lag_days: f64) -> Result<Vec<f64>> {
    let mut problems = Problems::default();
    require_finite(&mut problems, "tmean_c", tmean_c);
    problems.require(lag_days.is_finite() && lag_days >= 0.0, "lag_days", lag_days, "0 days or more");
    problems.into_result(())?;
    if lag_days == 0.0 {
        return Ok(tmean_c.to_vec());
    }
    // exp_m1 keeps the small differences of long lags.
    let closed = -(-1.0 / lag_days).exp_m1();
    let mut at_dawn = tmean_c.first().copied().unwrap_or_default();
    Ok(tmean_c
        .iter()
        .map(|&air| {
            let day_mean = air + (at_dawn - air) * lag_days * closed;
            at_dawn += (air - at_dawn) * closed;
            day_mean
        })
        .collect())
}

/// Soil temperature (degC) as a running mean of air temperature over `window` days, weights rising in a line to today.
///
/// The first days use what days there are. A window of 11 is the one of Biome-BGC (Thornton's daily weather, read in
/// public code).
///
/// # Errors
/// [`crate::Error::Input`] if a temperature is not finite or the window is empty.
pub fn weighted_mean(tmean_c: &[f64], window: usize) -> Result<Vec<f64>> {
    let mut problems = Problems::default();
    require_finite(&mut problems, "tmean_c", tmean_c);
    problems.require(window > 0, "window", window, "1 day or more");
    problems.into_result(())?;
    let mean = |days: &[f64]| {
        let (sum, weight) = days.iter().zip(1..).fold((0.0, 0.0), |(sum, weight), (t, w)| {
            let w = f64::from(w);
            (sum + w * t, weight + w)
        });
        sum / weight
    };
    Ok((0..tmean_c.len()).map(|i| mean(&tmean_c[(i + 1).saturating_sub(window)..=i])).collect())
}

/// Soil temperature (degC) at a depth under a crop of green area index `gai` (m2/m2): Katterer & Andren 2009, Acta
/// Agric. Scand. B 59:77-86.
///
/// The surface is at `0.2 T` in frost, else `T (0.95 + 0.05 exp(-0.4 (0.8 gai - 3)))`; the soil follows it by a share
/// `0.24 exp(-0.0017 z) exp(-0.15 gai)` a day (z in mm). Each value is the state at the start of its day; the soil
/// starts at the first day's air.
///
/// # Errors
/// [`crate::Error::Input`] if a value is not finite, or depth or index is below zero.
pub fn katterer_andren(tmean_c: &[f64], depth_mm: f64, gai: f64) -> Result<Vec<f64>> {
    let mut problems = Problems::default();
    require_finite(&mut problems, "tmean_c", tmean_c);
    problems.require(depth_mm.is_finite() && depth_mm >= 0.0, "depth_mm", depth_mm, "0 mm or more");
    problems.require(gai.is_finite() && gai >= 0.0, "gai", gai, "0 or more");
    problems.into_result(())?;
    let warm = 0.95 + 0.05 * (-0.4 * (0.8 * gai - 3.0)).exp();
    let share = 0.24 * (-0.0017 * depth_mm).exp() * (-0.15 * gai).exp();
    let mut soil = tmean_c.first().copied().unwrap_or_default();
    Ok(tmean_c
        .iter()
        .map(|&air| {
            let surface = air * if air < 0.0 { 0.20 } else { warm };
            let at_dawn = soil;
            soil += (surface - soil) * share;
            at_dawn
        })
        .collect())
}

/// Soil temperature (degC) that follows the air by a quarter of the difference a day, slower under leaves when warming.
///
/// Leaves of area index `lai` (m2/m2) let `max(0.5, exp(-k lai))` of a warming through, k being `extinction`. The
/// family of Zheng, Hunt & Running 1993, Clim. Res. 2:183-191, without snow; the soil starts at the first day's air.
///
/// # Errors
/// [`crate::Error::Input`] if a value is not finite, or index or extinction is below zero.
pub fn shaded_lag(tmean_c: &[f64], lai: f64, extinction: f64) -> Result<Vec<f64>> {
    let mut problems = Problems::default();
    require_finite(&mut problems, "tmean_c", tmean_c);
    problems.require(lai.is_finite() && lai >= 0.0, "lai", lai, "0 or more");
    problems.require(extinction.is_finite() && extinction >= 0.0, "extinction", extinction, "0 or more");
    problems.into_result(())?;
    let shade = (-extinction * lai).exp().max(0.5);
    let mut soil = tmean_c.first().copied().unwrap_or_default();
    Ok(tmean_c
        .iter()
        .map(|&air| {
            soil += 0.25 * (air - soil) * if air > soil { shade } else { 1.0 };
            soil
        })
        .collect())
}

/// A year of soil temperature as one wave sinking into uniform ground (Hillel 1982).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AnnualWave {
    /// Mean of the year (degC).
    pub mean_c: f64,
    /// Half the range of the year at the surface (degC).
    pub amplitude_c: f64,
    /// Thermal diffusivity (m2/d).
    pub diffusivity_m2_d: f64,
    /// Day of the year of the minimum at the surface (d).
    pub coldest_day: f64,
}

impl AnnualWave {
    /// Depth at which the wave has shrunk by e (m): `sqrt(2 D / w)` with `w = 2 pi / 365`.
    pub fn damping_depth_m(&self) -> f64 {
        (2.0 * self.diffusivity_m2_d / (2.0 * PI / 365.0)).sqrt()
    }

    /// Temperature (degC) at a depth (m) on a day of the year: `Ta + A exp(-z/d) sin(w (t - t0) - z/d - pi/2)`.
    ///
    /// ```
    /// use matledger::weather::soil_temperature::AnnualWave;
    /// let wave = AnnualWave { mean_c: 15.0, amplitude_c: 12.0, diffusivity_m2_d: 0.0432, coldest_day: 20.0 };
    /// assert!((wave.at(0.0, 20.0) - 3.0).abs() < 1e-12);
    /// ```
    pub fn at(&self, depth_m: f64, day: f64) -> f64 {
        let depths = depth_m / self.damping_depth_m();
        let phase = 2.0 * PI * (day - self.coldest_day) / 365.0 - depths - PI / 2.0;
        self.mean_c + self.amplitude_c * (-depths).exp() * phase.sin()
    }
}
