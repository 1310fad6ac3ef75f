//! The joint density of sites: slopes against differences, and what it is made of.

mod common;

use approx::assert_relative_eq;
use common::{invented_site, simulated, standard_normal};
use matledger::calibration::{Bend, Density, Fit, Joint, Model, Priors, Unknown};
use nalgebra::{DMatrix, DVector};
use std::sync::atomic::AtomicBool;

const ROWS: [[f64; 2]; 3] = [[1.0, -0.7], [1.0, 1.2], [1.0, 0.4]];
const SCATTER_SD: f64 = 0.5;

fn models() -> Vec<Model> {
    let model = |seed: u64| Model::new(simulated(seed, invented_site(1), &Priors::default()).0, Priors::default());
    [3, 4, 6].map(|seed| model(seed).unwrap()).into()
}

fn joint(models: &[Model]) -> Joint<'_> {
    Joint::new(models.iter().collect(), ROWS.map(|row| row.to_vec()).into(), SCATTER_SD).unwrap()
}

fn place(n: usize) -> Vec<f64> {
    let mut z: Vec<f64> = standard_normal(11, n).iter().map(|z| 0.4 * z).collect();
    z[n - 1] = -0.9;
    z
}

#[test]
fn slopes_of_both_ways_agree_with_differences() {
    let models = models();
    let joint = joint(&models);
    let n = joint.dim();
    let z = place(n);
    let mut gradient = vec![f64::NAN; n];
    let found = joint.log_density(&z, &mut gradient).unwrap();
    let whole = joint.evaluate(&z).unwrap();
    assert_relative_eq!(found, whole.log_density, max_relative = 1e-12);
    for i in 0..n {
        assert_relative_eq!(gradient[i], whole.gradient[i], epsilon = 1e-7, max_relative = 1e-7);
        let at = |by: f64| {
            let mut moved = z.clone();
            moved[i] += by;
            joint.log_density(&moved, &mut vec![0.0; n]).unwrap()
        };
        let by_difference = (at(1e-5) - at(-1e-5)) / 2e-5;
        assert_relative_eq!(gradient[i], by_difference, epsilon = 2e-4, max_relative = 2e-5);
    }
}

#[test]
fn it_is_each_site_under_the_prior_that_the_others_make() {
    let models = models();
    let joint = joint(&models);
    let n = joint.dim();
    let z = place(n);
    let (effects, scatter) = (&z[n - 3..n - 1], z[n - 1].exp());
    let mut expected = -0.5 * (scatter / SCATTER_SD).powi(2) + z[n - 1];
    expected -= 0.5 * effects.iter().map(|effect| effect * effect).sum::<f64>();
    for (s, model) in models.iter().enumerate() {
        let own = joint.site_coordinates(s, &z);
        let mean: f64 = ROWS[s].iter().zip(effects).map(|(row, effect)| row * effect).sum();
        let deviation = (own[0] - mean) / scatter;
        let alone = model.log_density_and_gradient(&own, &mut vec![0.0; own.len()]).unwrap();
        // Along the deviation a unit of litter ratio takes up the scatter: the normal's density loses what the volume wins.
        expected += alone + 0.5 * own[0] * own[0] - 0.5 * deviation * deviation;
    }
    assert_relative_eq!(joint.log_density(&z, &mut vec![0.0; n]).unwrap(), expected, max_relative = 1e-12);
}

/// Information follows coordinates by their derivatives, here taken by differences; a site's own prior of its litter ratio
/// gives way to the priors of what it is made of.
#[test]
fn information_is_that_of_the_sites_along_what_they_share() {
    let models = models();
    let joint = joint(&models);
    let n = joint.dim();
    let z = place(n);
    let litter = Unknown::LitterRatio.index();
    let mut expected = DMatrix::zeros(n, n);
    for (s, model) in models.iter().enumerate() {
        let mut own = model.evaluate(&joint.site_coordinates(s, &z)).unwrap().information;
        own[(litter, litter)] -= 1.0;
        let moved = |i: usize, by: f64| {
            let mut z = z.clone();
            z[i] += by;
            DVector::from_vec(joint.site_coordinates(s, &z))
        };
        let along: Vec<_> = (0..n).map(|i| (moved(i, 1e-4) - moved(i, -1e-4)) / 2e-4).collect();
        let along = DMatrix::from_columns(&along);
        expected += along.transpose() * own * along;
        let deviation = joint.of_site(s).start + litter;
        expected[(deviation, deviation)] += 1.0;
    }
    expected[(n - 3, n - 3)] += 1.0;
    expected[(n - 2, n - 2)] += 1.0;
    expected[(n - 1, n - 1)] += 2.0 * (z[n - 1].exp() / SCATTER_SD).powi(2);
    assert_relative_eq!(joint.evaluate(&z).unwrap().information, expected, epsilon = 1e-6, max_relative = 1e-6);
}

#[test]
fn its_mode_is_found_and_leans_to_the_mean() {
    let models = models();
    let joint = joint(&models);
    let fit = joint.find(&AtomicBool::new(false)).unwrap();
    assert!(fit.converged, "{} steps, gradient {}", fit.steps, fit.gradient);
    let spread = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|value| (value - mean).powi(2)).sum::<f64>()
    };
    let alone: Vec<f64> = models.iter().map(|m| Fit::find(m, &AtomicBool::new(false)).unwrap().mode[0]).collect();
    let together: Vec<f64> = (0..3).map(|s| joint.site_coordinates(s, &fit.mode)[0]).collect();
    assert!(spread(&together) < spread(&alone), "{together:?} {alone:?}");
    assert_eq!(joint.bends(&fit).len(), models.iter().map(|m| m.bends(&fit_of(m)).len() + 1).sum::<usize>());
}

fn fit_of(model: &Model) -> Fit {
    Fit::find(model, &AtomicBool::new(false)).unwrap()
}

/// Each site's bends stand where its coordinates do, and its own deviation is centred as far as tests fix it.
#[test]
fn bends_are_those_of_the_sites_in_their_places() {
    let models = models();
    let joint = joint(&models);
    let n = joint.dim();
    let fit_at = |mode: Vec<f64>, precisions: DVector<f64>| {
        let information = DMatrix::from_diagonal(&precisions);
        Fit { mode, log_density: 0.0, gradient: 0.0, steps: 0, converged: true, information }
    };
    let precisions = DVector::from_fn(n, |i, _| 0.7 + 0.05 * i as f64);
    let fit = fit_at(place(n), precisions.clone());
    let mut expected = Vec::new();
    for (s, model) in models.iter().enumerate() {
        let range = joint.of_site(s);
        let first = range.start;
        let own = fit_at(fit.mode[range.clone()].to_vec(), precisions.rows(first, range.len()).into_owned());
        expected.extend(model.bends(&own).into_iter().map(|bend| match bend {
            Bend::Centred { deviation, spread, log_sd, share, at } => {
                Bend::Centred { deviation: first + deviation, spread: first + spread, log_sd, share, at }
            }
            Bend::Summed { of: [core, laboratory], log_sd, log_median } => {
                Bend::Summed { of: [first + core, first + laboratory], log_sd, log_median }
            }
            other => panic!("{other:?}"),
        }));
        let deviation = first + Unknown::LitterRatio.index();
        let share = (1.0 - 1.0 / precisions[deviation]).max(0.0);
        expected.push(Bend::Centred { deviation, spread: n - 1, log_sd: 1.0, share, at: fit.mode[n - 1] });
    }
    assert_eq!(joint.bends(&fit), expected);
    assert_eq!(joint.coordinates(&fit).unwrap().dim(), n);
}

#[test]
fn what_makes_no_sites_is_refused() {
    let models = models();
    let said =
        |sites: Vec<&Model>, rows: Vec<Vec<f64>>, sd: f64| Joint::new(sites, rows, sd).err().unwrap().to_string();
    assert!(said(vec![], vec![], 0.5).contains("sites: none"));
    let wrong = said(models.iter().collect(), vec![vec![1.0], vec![1.0, 2.0], vec![f64::NAN]], 0.0);
    assert!(["rows[1]", "rows[2]", "scatter_sd: 0"].iter().all(|place| wrong.contains(place)), "{wrong}");
    let joint = joint(&models);
    assert!(joint.log_density(&[0.0], &mut [0.0]).unwrap_err().to_string().contains("1 coordinates"));
}
