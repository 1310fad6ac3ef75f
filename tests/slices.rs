//! Slices of the density against what they approximate, and what a fit was taught.

mod common;

use common::{day, standard_normal};
use matledger::Error;
use matledger::calibration::Lesson::{Learnt, Moved, Prior};
use matledger::calibration::{Fit, GreenRecord, Method, Model, Priors, SiteRecord, Slices, SoilTest, Unknown};
use matledger::column::Sample;
use matledger::engine::Layout;
use nalgebra::DMatrix;
use std::sync::atomic::AtomicBool;

/// Ten days on which nothing grows or decays, and a few tests.
fn still() -> Model {
    let tests = [(2.6, 0.0), (1.9, 20.0), (1.9, 40.0)].map(|(om_percent, top_mm)| SoilTest {
        date: day(2012, 1, 5),
        sample: Sample::Window { top_mm, bottom_mm: top_mm + 20.0 },
        om_percent,
        cores: 2,
        method: 0,
        laboratory_sd: None,
    });
    let green = GreenRecord {
        name: "a green".to_owned(),
        clippings_g_m2: vec![0.0; 10],
        work: Vec::new(),
        tests: tests.to_vec(),
        mat_depth_mm: 25.0,
    };
    let site = SiteRecord {
        start: day(2012, 1, 1),
        decay_modifier: vec![0.0; 10],
        greens: vec![green],
        clippings: None,
        methods: vec![Method { name: "a method".to_owned() }],
        layout: Layout::default(),
    };
    Model::new(site, Priors::default()).unwrap()
}

/// Mean and standard deviation, weighed.
fn moments(values: &[(f64, f64)]) -> (f64, f64) {
    let total: f64 = values.iter().map(|(_, weight)| weight).sum();
    let mean = values.iter().map(|(value, weight)| value * weight).sum::<f64>() / total;
    let square: f64 = values.iter().map(|(value, weight)| (value - mean).powi(2) * weight).sum();
    (mean, (square / total).sqrt())
}

/// Draws of the prior, weighed by the likelihood, are draws of the posterior.
#[test]
fn draws_of_slices_are_those_of_the_posterior() {
    let model = still();
    let stop = AtomicBool::new(false);
    let fit = Fit::find(&model, &stop).unwrap();
    let weighed: Vec<(Vec<f64>, f64)> = (0..20_000)
        .map(|seed| {
            let z = standard_normal(seed, model.len());
            let likelihood: f64 = model.log_likelihoods(&z).unwrap().concat().iter().sum();
            (z, likelihood.exp())
        })
        .collect();
    let [base, surface, fill] =
        [Unknown::BasePercent, Unknown::SurfacePercent, Unknown::FillFraction].map(Unknown::index);
    for along in [base, fill] {
        let slices = Slices::along(&model, &fit, along, &stop).unwrap();
        let draws = slices.draws(&model, 10_000, 5).unwrap();
        assert_eq!(slices.draws(&model, 7, 5).unwrap(), draws[..7]);
        for i in [base, surface, fill] {
            let (mean, sd) = moments(&draws.iter().map(|z| (z[i], 1.0)).collect::<Vec<_>>());
            let exact = moments(&weighed.iter().map(|(z, weight)| (z[i], *weight)).collect::<Vec<_>>());
            println!("along {along}, {i}: {mean:.3} +- {sd:.3} against {:.3} +- {:.3}", exact.0, exact.1);
            // Exact along the slices; across them, normal.
            let near = if i == along { 0.06 } else { 0.2 };
            assert!((mean - exact.0).abs() < near * exact.1 && (sd / exact.1 - 1.0).abs() < near);
        }
    }
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    assert!(matches!(Slices::along(&model, &fit, fill, &stop), Err(Error::Interrupted)));
}

/// A fit whose coordinates are independent, with these means and standard deviations; the rest are as the prior has them.
fn fit_of(model: &Model, own: &[(f64, f64)]) -> Fit {
    let (mut mode, mut information) = (vec![0.0; model.len()], DMatrix::identity(model.len(), model.len()));
    for (i, (shift, precision)) in own.iter().enumerate() {
        (mode[i], information[(i, i)]) = (*shift, *precision);
    }
    Fit { mode, log_density: 0.0, gradient: 0.0, steps: 0, converged: true, information }
}

#[test]
fn what_was_taught_is_told_by_spread_and_shift() {
    let model = still();
    // A precision of 4 leaves exactly half of the spread.
    let own = [(0.0, 4.1), (0.9, 4.0), (0.0, 1.3), (0.5, 1.0), (0.6, 1.0), (-0.6, 1.2), (-0.4, 1.2), (0.0, 1.9)];
    let fit = fit_of(&model, &own);
    let taught = fit.taught(&model).unwrap();
    let expected = [Learnt, Moved, Moved, Prior, Moved, Moved, Prior, Moved];
    for (i, (taught, lesson)) in taught.iter().zip(expected).enumerate() {
        assert_eq!((&taught.name, taught.lesson, taught.shift), (&model.names()[i], lesson, own[i].0), "{i}");
        assert!((taught.shrinkage - own[i].1.powf(-0.5)).abs() < 1e-12);
    }
    assert_eq!(taught.len(), model.len());
    assert_eq!(fit.directions_learnt().unwrap(), 2);
}
