//! Degree days from daily extremes: six curves, three ways to treat heat above an upper threshold.
//!
//! Each method is the mean over the day of one response to temperature; methods differ in how a day's
//! temperatures are thought to be spread between its extremes. Values in `tests/checks/degree_days.csv`.

use std::f64::consts::PI;

use super::require_finite;
use crate::error::{Problems, Result};

/// How temperature is thought to run between a day's extremes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// All day at the mean of the extremes: method 1 of McMaster & Wilhelm 1997.
    Average,
    /// Half the day at either extreme, each held to the thresholds: method 2 of McMaster & Wilhelm 1997.
    ClippedAverage,
    /// Straight lines through today's extremes.
    SingleTriangle,
    /// Straight lines from today's minimum to the maximum and on to tomorrow's minimum.
    DoubleTriangle,
    /// A sine through today's extremes (Baskerville & Emin 1969).
    SingleSine,
    /// Half a sine from today's minimum to the maximum, half a sine on to tomorrow's minimum (Allen 1976).
    DoubleSine,
}

/// What heat above the upper threshold does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cutoff {
    /// Development stays at its rate at the upper threshold.
    Horizontal,
    /// Development slows above the upper threshold as fast as it rose below it.
    Intermediate,
    /// Development stops above the upper threshold.
    Vertical,
}

/// Degree days of each day, and where the floor at zero was needed.
#[derive(Debug, Clone, PartialEq)]
pub struct DegreeDays {
    /// One value a day (degC d).
    pub degc_d: Vec<f64>,
    /// Days (by index) that an intermediate cutoff took below zero and that are given as zero.
    pub floored: Vec<usize>,
}

/// Excess of temperature over threshold `t`, averaged over a day of triangles (degC).
///
/// Zalom et al. 1983, UC Leaflet 21373, tables 3 and 4, in one form.
fn triangle_above(tmin: f64, tmax: f64, t: f64) -> f64 {
    if tmax <= t {
        0.0
    } else if tmin >= t {
        f64::midpoint(tmin, tmax) - t
    } else {
        (tmax - t).powi(2) / (2.0 * (tmax - tmin))
    }
}

/// Share of a day of triangles spent above threshold `t` (-).
fn triangle_share(tmin: f64, tmax: f64, t: f64) -> f64 {
    if tmax <= t {
        0.0
    } else if tmin >= t {
        1.0
    } else {
        (tmax - t) / (tmax - tmin)
    }
}

/// Excess of temperature over threshold `t`, averaged over a sine day (degC).
///
/// Baskerville & Emin 1969, Ecology 50:514-517.
fn sine_above(tmin: f64, tmax: f64, t: f64) -> f64 {
    let (mean, amplitude) = (f64::midpoint(tmax, tmin), (tmax - tmin) / 2.0);
    if tmax <= t {
        0.0
    } else if tmin >= t {
        mean - t
    } else {
        let crossing = ((t - mean) / amplitude).clamp(-1.0, 1.0).asin();
        // Rounding can leave this a few ulp below zero when the crest hardly clears the threshold.
        (((mean - t) * (PI / 2.0 - crossing) + amplitude * crossing.cos()) / PI).max(0.0)
    }
}

/// Share of a sine day spent above threshold `t` (-).
fn sine_share(tmin: f64, tmax: f64, t: f64) -> f64 {
    let (mean, amplitude) = (f64::midpoint(tmax, tmin), (tmax - tmin) / 2.0);
    if tmax <= t {
        0.0
    } else if tmin >= t {
        1.0
    } else {
        (PI / 2.0 - ((t - mean) / amplitude).clamp(-1.0, 1.0).asin()) / PI
    }
}

/// A day's degree days before any floor, from the excess over a threshold and the share of the day above it.
fn cut(
    above: fn(f64, f64, f64) -> f64,
    share: fn(f64, f64, f64) -> f64,
    (tmin, tmax): (f64, f64),
    lower: f64,
    upper: Option<f64>,
    cutoff: Cutoff,
) -> f64 {
    let whole = above(tmin, tmax, lower);
    let Some(upper) = upper else { return whole };
    let excess = above(tmin, tmax, upper);
    match cutoff {
        Cutoff::Horizontal => whole - excess,
        Cutoff::Intermediate => whole - 2.0 * excess,
        // The differences of large areas leave a few ulp on either side of zero.
        Cutoff::Vertical => (whole - excess - (upper - lower) * share(tmin, tmax, upper)).max(0.0),
    }
}

/// Degree days of each day (degC d) from daily minima and maxima (degC).
///
/// The lower threshold is the base; with `upper_c`, `cutoff` says what heat above it does. With `A(t)` the mean
/// excess over `t` and `f` the share of the day above the upper threshold U (L is the lower):
/// horizontal `A(L) - A(U)`, intermediate `A(L) - 2 A(U)`, vertical `A(L) - A(U) - (U - L) f`.
/// The average methods answer to the same three, at the mean or as the mean of both extremes.
/// A day that an intermediate cutoff takes below zero counts zero and is listed in [`DegreeDays::floored`].
/// Double methods average the day with today's minimum and the day with tomorrow's; the last day has no tomorrow and
/// uses its own minimum. If tomorrow's minimum is above today's maximum, the curve falls the other way: its area is the
/// same.
///
/// Sources: McMaster & Wilhelm 1997, Agric. For. Meteorol. 87:291-300; Zalom et al. 1983, UC Leaflet 21373; Baskerville
/// & Emin 1969, Ecology 50:514-517; Allen 1976, Environ. Entomol. 5:388-396; cutoffs as in Roltsch et al. 1999, Int. J.
/// Biometeorol. 42:169-176.
///
/// # Errors
/// [`crate::Error::Input`] if lengths differ, a value is not finite, a minimum is above its maximum, the upper
/// threshold is not above the lower, or a cutoff other than horizontal is asked for without an upper threshold.
///
/// ```
/// use matledger::weather::degree_days::{Cutoff, Method, degree_days};
/// // McMaster & Wilhelm 1997, table 1: the two averages part when the minimum is below the base
/// let mean = degree_days(&[-2.0], &[8.0], 0.0, None, Method::Average, Cutoff::Horizontal)?;
/// let clipped = degree_days(&[-2.0], &[8.0], 0.0, None, Method::ClippedAverage, Cutoff::Horizontal)?;
/// assert_eq!((mean.degc_d[0], clipped.degc_d[0]), (3.0, 4.0));
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn degree_days(
    tmin_c: &[f64],
    tmax_c: &[f64],
    lower_c: f64,
    upper_c: Option<f64>,
    method: Method,
    cutoff: Cutoff,
) -> Result<DegreeDays> {
    check(tmin_c, tmax_c, lower_c, upper_c, cutoff)?;
    let triangle = |lo: f64, hi: f64| cut(triangle_above, triangle_share, (lo, hi), lower_c, upper_c, cutoff);
    let sine = |lo: f64, hi: f64| cut(sine_above, sine_share, (lo, hi), lower_c, upper_c, cutoff);
    let double = |single: &dyn Fn(f64, f64) -> f64, today: f64, high: f64, tomorrow: f64| {
        f64::midpoint(single(today, high), single(tomorrow.min(high), tomorrow.max(high)))
    };
    let mut days = DegreeDays { degc_d: Vec::with_capacity(tmin_c.len()), floored: Vec::new() };
    for (i, (&low, &high)) in tmin_c.iter().zip(tmax_c).enumerate() {
        let tomorrow = tmin_c.get(i + 1).copied().unwrap_or(low);
        let value = match method {
            Method::Average => triangle(f64::midpoint(low, high), f64::midpoint(low, high)),
            Method::ClippedAverage => f64::midpoint(triangle(low, low), triangle(high, high)),
            Method::SingleTriangle => triangle(low, high),
            Method::DoubleTriangle => double(&triangle, low, high, tomorrow),
            Method::SingleSine => sine(low, high),
            Method::DoubleSine => double(&sine, low, high, tomorrow),
        };
        if value < 0.0 {
            days.floored.push(i);
        }
        days.degc_d.push(value.max(0.0));
    }
    Ok(days)
}

fn check(tmin_c: &[f64], tmax_c: &[f64], lower_c: f64, upper_c: Option<f64>, cutoff: Cutoff) -> Result<()> {
    let mut problems = Problems::default();
    problems.require(
        tmin_c.len() == tmax_c.len(),
        "tmax_c",
        format!("{} values", tmax_c.len()),
        format!("as many as tmin_c ({})", tmin_c.len()),
    );
    require_finite(&mut problems, "tmin_c", tmin_c);
    require_finite(&mut problems, "tmax_c", tmax_c);
    for (i, (low, high)) in tmin_c.iter().zip(tmax_c).enumerate() {
        let crossed = low > high;
        problems.require(!crossed, format!("tmin_c[{i}]"), low, format!("at most tmax_c[{i}] ({high})"));
    }
    problems.require(lower_c.is_finite(), "lower_c", lower_c, "a temperature (degC)");
    match upper_c {
        Some(upper) => problems.require(
            upper.is_finite() && upper > lower_c,
            "upper_c",
            upper,
            format!("a temperature above lower_c ({lower_c})"),
        ),
        None => problems.require(
            cutoff == Cutoff::Horizontal,
            "upper_c",
            "none",
            format!("an upper threshold for the {cutoff:?} cutoff").to_lowercase(),
        ),
    }
    problems.into_result(())
}
