//! The mode search on the nonlinear problems of NIST's Statistical Reference Datasets, to their certified digits; and
//! the density's scatter on the one-way layouts that it reduces to.

use chrono::{Days, NaiveDate};
use matledger::calibration::{Evaluation, GreenRecord, Method, Model, Priors, Scatter, SiteRecord, SoilTest, climb};
use matledger::calibration::{Transform, Unknown};
use matledger::column::Sample;
use matledger::engine::Layout;
use nalgebra::{DMatrix, DVector};
use std::cell::RefCell;
use std::collections::HashMap;
use std::sync::atomic::AtomicBool;

fn rows(path: &str) -> Vec<HashMap<String, String>> {
    csv::Reader::from_path(format!("tests/checks/{path}")).unwrap().deserialize().map(Result::unwrap).collect()
}

fn number(row: &HashMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap()
}

/// The response at `x`, with its slopes along the parameters.
fn curve(name: &str, b: &[f64], x: f64) -> (f64, Vec<f64>) {
    let ratio = |up: &[f64], down: &[f64]| {
        let power = |k: usize| x.powi(i32::try_from(k).unwrap());
        let top: f64 = up.iter().enumerate().map(|(k, b)| b * power(k)).sum();
        let bottom = 1.0 + down.iter().enumerate().map(|(k, b)| b * power(k + 1)).sum::<f64>();
        let slopes = (0..up.len())
            .map(|k| power(k) / bottom)
            .chain((0..down.len()).map(|k| -top * power(k + 1) / bottom.powi(2)));
        (top / bottom, slopes.collect())
    };
    match name {
        "Misra1a" => {
            let e = (-b[1] * x).exp();
            (b[0] * (1.0 - e), vec![1.0 - e, b[0] * x * e])
        }
        "Chwirut2" => {
            let (e, bottom) = ((-b[0] * x).exp(), b[1] + b[2] * x);
            (e / bottom, vec![-x * e / bottom, -e / bottom.powi(2), -x * e / bottom.powi(2)])
        }
        "MGH09" => {
            let (top, bottom) = (x * x + x * b[1], x * x + x * b[2] + b[3]);
            let value = b[0] * top / bottom;
            (value, vec![top / bottom, b[0] * x / bottom, -value * x / bottom, -value / bottom])
        }
        "Rat42" => {
            let e = (b[1] - b[2] * x).exp();
            let value = b[0] / (1.0 + e);
            (value, vec![1.0 / (1.0 + e), -value * e / (1.0 + e), value * x * e / (1.0 + e)])
        }
        "Rat43" => {
            let e = (b[1] - b[2] * x).exp();
            let value = b[0] * (1.0 + e).powf(-1.0 / b[3]);
            let by_power = -value * e / (b[3] * (1.0 + e));
            (value, vec![value / b[0], by_power, -by_power * x, value * e.ln_1p() / b[3].powi(2)])
        }
        "Thurber" => ratio(&b[..4], &b[4..]),
        _ => unreachable!("{name}"),
    }
}

const SETS: [&str; 6] = ["Chwirut2", "MGH09", "Misra1a", "Rat42", "Rat43", "Thurber"];

/// Certified to eleven digits: estimates, their deviations and the sum of squares agree to ten and a bit, which is all of
/// eleven that rounding can show.
#[test]
fn nonlinear_problems_come_out_as_certified_from_both_starts() {
    let certified = rows("nist/nist_certified_parameters.csv");
    let summary = rows("nist/nist_certified_summary.csv");
    let mut least = f64::INFINITY;
    for set in SETS {
        let parameters: Vec<_> = certified.iter().filter(|row| row["dataset"] == set).collect();
        let about = summary.iter().find(|row| row["dataset"] == set).unwrap();
        let data = rows(&format!("nist/{set}.csv"));
        for start in ["start1", "start2"] {
            let evaluate = |b: &[f64]| {
                let found: Vec<_> =
                    data.iter().map(|row| (curve(set, b, number(row, "x")), number(row, "y"))).collect();
                let residuals = DVector::from_iterator(data.len(), found.iter().map(|((value, _), y)| value - y));
                let slopes = DMatrix::from_fn(data.len(), b.len(), |i, j| found[i].0.1[j]);
                if residuals.iter().chain(slopes.iter()).all(|value| value.is_finite()) {
                    Ok(Evaluation::least_squares(&residuals, &slopes))
                } else {
                    Err(matledger::Error::Numerical("not finite".to_owned()))
                }
            };
            let from: Vec<f64> = parameters.iter().map(|row| number(row, start)).collect();
            let settled = 1e-23 * number(about, "rss");
            let fit = climb(&from, evaluate, settled, &AtomicBool::new(false)).unwrap();
            let squares = -2.0 * fit.log_density;
            // Of Rat43 the table prints 9 degrees of freedom; its own residual deviation follows from 15 - 4.
            let variance = squares / (number(about, "n_obs") - number(about, "n_params"));
            let covariance = fit.covariance().unwrap();
            let agreed = |ours: f64, theirs: f64| -((ours - theirs) / theirs).abs().max(1e-16).log10();
            let mut digits = agreed(squares, number(about, "rss"));
            for (i, row) in parameters.iter().enumerate() {
                digits = digits.min(agreed(fit.mode[i], number(row, "certified_value")));
                digits = digits.min(agreed((variance * covariance[(i, i)]).sqrt(), number(row, "certified_sd")));
            }
            println!("{set} from {start}: {digits:.1} digits in {} steps, settled: {}", fit.steps, fit.converged);
            least = least.min(digits);
        }
    }
    assert!(least > 10.0, "{least}");
}

/// A one-way layout as a site: batches are days of a green on which nothing grows or decays, members are single cores,
/// and the mean is the offset of a second method. `core^2 rho` is then the variance between batches, and
/// `core^2 (1 - rho) + laboratory^2` the one within.
struct OneWay {
    model: Model,
    /// Response of a reading of 0 %.
    origin: f64,
    /// Response per % OM.
    unit: f64,
}

impl OneWay {
    fn new(set: &str, origin: f64, unit: f64) -> Self {
        let start = NaiveDate::from_ymd_opt(2012, 1, 1).unwrap();
        let test = |row: &HashMap<String, String>| SoilTest {
            date: start + Days::new(u64::from(row["Batch"].as_bytes()[0] - b'A')),
            sample: Sample::Window { top_mm: 0.0, bottom_mm: 20.0 },
            om_percent: (number(row, "Yield") - origin) / unit,
            cores: 1,
            method: 1,
            laboratory_sd: None,
        };
        let site = SiteRecord {
            start,
            decay_modifier: vec![0.0; 10],
            greens: vec![GreenRecord {
                name: set.to_owned(),
                clippings_g_m2: vec![0.0; 10],
                work: Vec::new(),
                tests: rows(&format!("mixed_data_{set}.csv")).iter().map(test).collect(),
                mat_depth_mm: 25.0,
            }],
            clippings: None,
            methods: ["first", "second"].map(|name| Method { name: name.to_owned() }).to_vec(),
            layout: Layout::default(),
        };
        let scatter = Scatter { depth_correlation: true, ..Scatter::default() };
        Self { model: Model::new(site, Priors { scatter, ..Priors::default() }).unwrap(), origin, unit }
    }

    /// The restricted deviance at a mean and variances, by the density less its prior.
    fn deviance(&self, mean: f64, between: f64, within: f64) -> f64 {
        let model = &self.model;
        let (core_sd, laboratory_sd) = ((between + 0.5 * within).sqrt() / self.unit, (0.5 * within).sqrt() / self.unit);
        let correlation = between / (between + 0.5 * within);
        let mut z = vec![0.0; model.len()];
        let priors = model.priors_of_coordinates();
        let mut set = |i: usize, value: f64| {
            let prior = priors[i];
            let on_scale = |value: f64| match prior.transform {
                Transform::Log => value.ln(),
                Transform::Logit => (value / (1.0 - value)).ln(),
                Transform::Plain => value,
            };
            z[i] = (on_scale(value) - on_scale(prior.median)) / prior.sd;
        };
        let place = |name: &str| model.names().iter().position(|n| n.starts_with(name)).unwrap();
        let offset = place("method_offset_percent");
        set(Unknown::CoreSd.index(), core_sd);
        set(Unknown::LaboratorySd.index(), laboratory_sd);
        set(place("depth_correlation"), correlation);
        let read = model.predictions(&z).unwrap()[0][0];
        z[offset] = ((mean - self.origin) / self.unit - read) / priors[offset].sd;
        let found = model.evaluate(&z).unwrap();
        let count = model.tests() as f64;
        let prior: f64 = z.iter().map(|z| -0.5 * (z * z + std::f64::consts::TAU.ln())).sum();
        // The mean enters linearly, so its information, less the prior's one, integrates it out exactly.
        let information = (found.information[(offset, offset)] - 1.0) / (priors[offset].sd * self.unit).powi(2);
        -2.0 * (found.log_density - prior) + 2.0 * count * self.unit.ln() + (information / std::f64::consts::TAU).ln()
    }
}

fn certified(set: &str, quantity: &str) -> f64 {
    let same = |row: &&HashMap<String, String>| {
        row["dataset"] == set && row["method"] == "REML" && row["quantity"] == quantity
    };
    number(rows("mixed_models.csv").iter().find(same).unwrap(), "value")
}

#[test]
fn batches_of_cores_have_the_certified_deviance_and_its_minimum() {
    for (set, origin, unit) in [("Dyestuff", 1000.0, 10.0), ("Dyestuff2", -10.0, 1.0)] {
        let layout = OneWay::new(set, origin, unit);
        let [mean, between, within] =
            ["fixef:(Intercept)", "var:Batch:(Intercept)", "var:Residual:"].map(|quantity| certified(set, quantity));
        // A variance of nothing is a limit: the correlation is a share above 0.
        let between = between.max(1e-9 * within);
        let least = layout.deviance(mean, between, within);
        let stated = certified(set, "criterion");
        println!("{set}: deviance {least:.7} against {stated:.7}");
        assert!((least - stated).abs() < 2e-7, "{set}: {least} against {stated}");
        for (shift, w) in [(0.0, 1.01), (0.0, 0.99), (0.1, 1.0), (-0.1, 1.0)] {
            let deviance = layout.deviance(mean + shift * within.sqrt(), between, within * w);
            assert!(deviance > least, "{set}: mean by {shift}, within by {w}");
        }
        let others =
            if set == "Dyestuff" { [0.99, 1.01].map(|b| b * between) } else { [0.001, 0.01].map(|b| b * within) };
        for other in others {
            assert!(layout.deviance(mean, other, within) > least, "{set}: between {other}");
        }
    }
}

/// A hill whose information is a tenth of its curvature, so that a whole step goes ten times too far, to where there is
/// no ground.
#[test]
fn a_search_is_shortened_where_it_finds_no_ground() {
    let hill = |z: &[f64]| {
        let away = 0.9 - z[0];
        if away < -0.3 {
            return Err(matledger::Error::Numerical("no ground".to_owned()));
        }
        Ok(Evaluation {
            log_density: -0.5 * away * away,
            gradient: DVector::from_element(1, away),
            information: DMatrix::from_element(1, 1, 0.1),
        })
    };
    let stop = AtomicBool::new(false);
    let fit = climb(&[-2.0], hill, 1e-12, &stop).unwrap();
    assert!(fit.converged && (fit.mode[0] - 0.9).abs() < 1e-5, "{fit:?}");
    assert_eq!((fit.information[(0, 0)], fit.gradient), (0.1, (0.9 - fit.mode[0]).abs()));
    assert!(climb(&[3.0], hill, 1e-12, &stop).is_err());
    let wrong = |z: &[f64]| if z[0] > 0.0 { Err(matledger::Error::Interrupted) } else { hill(z) };
    assert!(matches!(climb(&[-2.0], wrong, 1e-12, &stop), Err(matledger::Error::Interrupted)));
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    assert!(matches!(climb(&[-2.0], hill, 1e-12, &stop), Err(matledger::Error::Interrupted)));
}

/// No ground on one side: damped steps lean ever more that way, and the way on is along the undamped step, halved until it
/// no longer goes too far.
#[test]
fn a_search_that_damping_has_stuck_looks_along_the_undamped_step() {
    let tried = RefCell::new(Vec::new());
    let hill = |z: &[f64]| {
        tried.borrow_mut().push(z[0]);
        if z[1] > 0.0 {
            return Err(matledger::Error::Numerical("no ground".to_owned()));
        }
        let away = 0.1 - z[0];
        let (gradient, information) =
            if z == [0.0, 0.0] { ([1.0, 5.0], [1.0, 6.0, 6.0, 100.0]) } else { ([away, 0.0], [1.0, 0.0, 0.0, 1.0]) };
        Ok(Evaluation {
            log_density: -0.5 * away * away,
            gradient: DVector::from_row_slice(&gradient),
            information: DMatrix::from_row_slice(2, 2, &information),
        })
    };
    let fit = climb(&[0.0, 0.0], hill, 1e-4, &AtomicBool::new(false)).unwrap();
    assert!(fit.converged && (fit.mode[0] - 0.1).abs() < 1e-3 && fit.mode[1] < 0.0, "{fit:?}");
    // The whole step is (100 - 30) / (100 - 36) = 1.09375 along the first.
    let halved = [1.093_75, 0.546_875, 0.273_437_5, 0.136_718_75];
    let tried = tried.into_inner();
    let found = tried.windows(4).any(|four| four.iter().zip(halved).all(|(x, expected)| (x - expected).abs() < 1e-9));
    assert!(found, "{tried:?}");
}
