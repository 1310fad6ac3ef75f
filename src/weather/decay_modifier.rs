//! How temperature speeds decay: published forms, raw and normalised. Values in `tests/checks/rothc_modifiers.csv`.

use std::f64::consts::PI;

use super::require_finite;
use crate::error::{Problems, Result};

/// Temperature (degC) at which the modifier is 1 unless the caller says otherwise.
pub const REFERENCE_C: f64 = 15.0;

/// A published response of decay to temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Form {
    /// RothC as described in February 2024 (Coleman, Prout & Milne).
    Rothc,
    /// RothC with the rounded constants of Coleman & Jenkinson 1999.
    Rothc1999,
    /// A factor per 10 degC; `q10` is that factor.
    Q10 {
        /// Ratio of rates 10 degC apart (-).
        q10: f64,
    },
    /// Lloyd & Taylor 1994.
    LloydTaylor,
    /// The quadratic of Katterer et al. 1998, used with ICBM.
    Icbm,
    /// Kirschbaum 1995.
    Kirschbaum,
    /// The generalised Poisson density of CENTURY (Burke et al. 2003).
    Century,
    /// The exponential of DAYCENT (Kelly et al. 2000).
    DaycentExponential,
    /// The arctangent of DAYCENT (Del Grosso et al. 2005).
    DaycentArctangent,
    /// Yang & Janssen 2000, in four pieces (from memory).
    YangJanssen,
}

/// `47.91 / (1 + exp(106.06 / (T + 18.27)))`, 0 below -5 degC: RothC, description of February 2024.
pub fn rothc(t_c: f64) -> f64 {
    if t_c < -5.0 { 0.0 } else { 47.91 / (1.0 + (106.06 / (t_c + 18.27)).exp()) }
}

/// `47.9 / (1 + exp(106 / (T + 18.3)))`: Coleman & Jenkinson 1999; 0 at -18.3 degC and below, where it has a pole.
pub fn rothc_1999(t_c: f64) -> f64 {
    if t_c <= -18.3 { 0.0 } else { 47.9 / (1.0 + (106.0 / (t_c + 18.3)).exp()) }
}

/// `q10 ^ ((T - reference) / 10)`: van 't Hoff's rule.
pub fn q10(t_c: f64, q10: f64, reference_c: f64) -> f64 {
    q10.powf((t_c - reference_c) / 10.0)
}

/// `exp(308.56 (1/56.02 - 1/(T + 273.15 - 227.13)))`, 1 at 10 degC: Lloyd & Taylor 1994, Funct. Ecol. 8:315-323, eq.
/// 11; 0 at -46.02 degC and below, where it has a pole.
pub fn lloyd_taylor(t_c: f64) -> f64 {
    let above_zero = t_c + 273.15 - 227.13;
    if above_zero <= 0.0 { 0.0 } else { (308.56 * (1.0 / 56.02 - 1.0 / above_zero)).exp() }
}

/// `((T + 3.78) / 33.78)^2`, 0 below -3.78 degC, 1 at 30 degC: Katterer et al. 1998.
pub fn icbm(t_c: f64) -> f64 {
    ((t_c + 3.78).max(0.0) / (30.0 + 3.78)).powi(2)
}

/// `exp(a + b T (1 - T / (2 Topt)))`: Kirschbaum 1995, Soil Biol. Biochem. 27:753-760.
///
/// The paper's figures are a -3.764, b 0.204 and an optimum of 36.9 degC; C-TOOL takes -3.432 and 0.168.
pub fn kirschbaum(t_c: f64, a: f64, b: f64, optimum_c: f64) -> f64 {
    (a + b * t_c * (1.0 - 0.5 * t_c / optimum_c)).exp()
}

/// `x^0.2 exp(0.2/2.63 (1 - x^2.63))` with `x = (45 - T) / 10`, 0 from 45 degC, 1 at 35 degC: Burke et al. 2003.
pub fn century(t_c: f64) -> f64 {
    let x = ((45.0 - t_c) / (45.0 - 35.0)).max(0.0);
    x.powf(0.2) * (0.2 / 2.63 * (1.0 - x.powf(2.63))).exp()
}

/// `0.08 exp(0.095 T)`: Kelly et al. 2000.
pub fn daycent_exponential(t_c: f64) -> f64 {
    0.08 * (0.095 * t_c).exp()
}

/// `0.56 + 1.46 atan(0.0309 pi (T - 15.7)) / pi`, not below 0: Del Grosso et al. 2005.
pub fn daycent_arctangent(t_c: f64) -> f64 {
    (0.56 + 1.46 * (PI * 0.0309 * (t_c - 15.7)).atan() / PI).max(0.0)
}

/// 0 to -1 degC, a line to 1 at 9 degC, doubling every 9 degC to 4 at 27 degC and level above: Yang & Janssen 2000,
/// Eur. J. Soil Sci. 51:517-529 (from memory).
pub fn yang_janssen(t_c: f64) -> f64 {
    if t_c <= 9.0 { (0.1 * (t_c + 1.0)).max(0.0) } else { 2.0_f64.powf((t_c.min(27.0) - 9.0) / 9.0) }
}

impl Form {
    /// The form as published (-), whatever temperature it calls 1.
    pub fn factor(self, t_c: f64) -> f64 {
        match self {
            Form::Rothc => rothc(t_c),
            Form::Rothc1999 => rothc_1999(t_c),
            Form::Q10 { q10: ratio } => q10(t_c, ratio, REFERENCE_C),
            Form::LloydTaylor => lloyd_taylor(t_c),
            Form::Icbm => icbm(t_c),
            Form::Kirschbaum => kirschbaum(t_c, -3.764, 0.204, 36.9),
            Form::Century => century(t_c),
            Form::DaycentExponential => daycent_exponential(t_c),
            Form::DaycentArctangent => daycent_arctangent(t_c),
            Form::YangJanssen => yang_janssen(t_c),
        }
    }
}

/// Decay modifier of each day (-), 1 at `reference_c`, from temperature (degC) and an optional moisture factor.
///
/// # Errors
/// [`crate::Error::Input`] if a temperature is not finite, a moisture factor is outside 0 to 1, lengths differ, the
/// form is zero at the reference temperature, or `q10` is not above zero.
///
/// ```
/// use matledger::weather::decay_modifier::{Form, decay_modifier};
/// let modifier = decay_modifier(&[5.0, 15.0, 25.0], None, Form::Q10 { q10: 2.0 }, 15.0)?;
/// assert_eq!(modifier, [0.5, 1.0, 2.0]);
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn decay_modifier(t_c: &[f64], moisture: Option<&[f64]>, form: Form, reference_c: f64) -> Result<Vec<f64>> {
    let mut problems = Problems::default();
    require_finite(&mut problems, "t_c", t_c);
    if let Form::Q10 { q10 } = form {
        problems.require(q10.is_finite() && q10 > 0.0, "q10", q10, "a ratio above 0");
    }
    let at_reference = form.factor(reference_c);
    problems.require(
        reference_c.is_finite() && at_reference > 0.0,
        "reference_c",
        reference_c,
        "a temperature at which the form is above 0",
    );
    if let Some(moisture) = moisture {
        problems.require(
            moisture.len() == t_c.len(),
            "moisture",
            format!("{} values", moisture.len()),
            format!("as many as t_c ({})", t_c.len()),
        );
        for (i, m) in moisture.iter().enumerate() {
            problems.require((0.0..=1.0).contains(m), format!("moisture[{i}]"), m, "a factor from 0 to 1");
        }
    }
    problems.into_result(())?;
    let wet = |i: usize| moisture.map_or(1.0, |m| m[i]);
    Ok(t_c.iter().enumerate().map(|(i, &t)| form.factor(t) / at_reference * wet(i)).collect())
}
