//! Power where a closed form exists.

use crate::error::{Problems, Result};
use statrs::distribution::{Continuous, ContinuousCDF, Discrete, FisherSnedecor, Gamma, Normal, Poisson, StudentsT};
use statrs::function::beta::beta_reg;

/// Power of a t test: the probabilities of a value above the upper bound and of one below the lower, each bound cut off
/// with probability `tail`.
///
/// `delta` is the true difference over its standard error, which has `df` degrees of freedom; the noncentral t is
/// a normal over the root of a gamma, and its tail an integral over the latter (Simpson's rule). A two-sided test at level
/// 0.05 has tails of 0.025 and the sum as its power.
///
/// # Errors
/// [`crate::Error::Input`] for numbers outside their range.
///
/// ```
/// let (above, below) = matledger::study::t_power(0.0, 10.0, 0.025)?;
/// assert!((above + below - 0.05).abs() < 1e-9);
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn t_power(delta: f64, df: f64, tail: f64) -> Result<(f64, f64)> {
    let mut p = Problems::default();
    p.require(delta.is_finite(), "delta", delta, "a finite number");
    require_df(&mut p, "df", df);
    p.require(tail > 0.0 && tail < 1.0, "tail", tail, "a probability between 0 and 1");
    p.into_result(())?;
    let (Ok(t), Ok(scaled)) = (StudentsT::new(0.0, 1.0, df), Gamma::new(df / 2.0, df / 2.0)) else {
        return Ok((f64::NAN, f64::NAN));
    };
    let bound = t.inverse_cdf(1.0 - tail);
    let normal = Normal::standard();
    // Over s = sqrt(w), w the gamma: its density is 2 s g(s^2).
    let reach = 12.0 / (2.0 * df).sqrt();
    let (first, last) = ((1.0 - reach).max(0.0), 1.0 + reach);
    let points = 4000;
    let width = (last - first) / f64::from(points);
    let (mut above, mut below) = (0.0, 0.0);
    for i in 0..=points {
        let s = first + width * f64::from(i);
        let simpson = if i == 0 || i == points { 1.0 } else { 2.0 + 2.0 * f64::from(i % 2) };
        let weight = if s > 0.0 { simpson * width / 3.0 * 2.0 * s * scaled.pdf(s * s) } else { 0.0 };
        above += weight * normal.cdf(delta - bound * s);
        below += weight * normal.cdf(-delta - bound * s);
    }
    Ok((above, below))
}

/// Power of an F test with noncentrality `lambda` and `u`, `v` degrees of freedom at level `alpha`: the noncentral F as a
/// Poisson mixture of beta distributions (Johnson, Kotz & Balakrishnan 1995, ch. 30; memory).
///
/// # Errors
/// [`crate::Error::Input`] for numbers outside their range.
///
/// ```
/// assert!((matledger::study::f_power(0.0, 2.0, 30.0, 0.05)? - 0.05).abs() < 1e-9);
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn f_power(lambda: f64, u: f64, v: f64, alpha: f64) -> Result<f64> {
    let mut p = Problems::default();
    p.require((0.0..=1e4).contains(&lambda), "lambda", lambda, "a noncentrality from 0 to 10000");
    require_df(&mut p, "u", u);
    require_df(&mut p, "v", v);
    p.require(alpha > 0.0 && alpha < 1.0, "alpha", alpha, "a probability between 0 and 1");
    p.into_result(())?;
    let Ok(f) = FisherSnedecor::new(u, v) else { return Ok(f64::NAN) };
    let bound = f.inverse_cdf(1.0 - alpha);
    let x = u * bound / (u * bound + v);
    let Ok(poisson) = Poisson::new(lambda / 2.0) else {
        return Ok(1.0 - beta_reg(u / 2.0, v / 2.0, x)); // lambda is zero
    };
    let most = (lambda / 2.0 + 12.0 * (lambda / 2.0).sqrt() + 30.0) as u64;
    Ok(1.0 - (0..=most).map(|j| poisson.pmf(j) * beta_reg(u / 2.0 + j as f64, v / 2.0, x)).sum::<f64>())
}

fn require_df(p: &mut Problems, name: &str, df: f64) {
    p.require(df.is_finite() && df > 0.0, name, df, "degrees of freedom above 0");
}
