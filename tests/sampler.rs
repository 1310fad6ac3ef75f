//! The sampler against posteriors that are known: eight schools, a correlated normal, and its own streams.

mod common;

use common::{invented_site, simulated};
use matledger::Result;
use matledger::calibration::{Block, ChainState, Coordinates, Density, Fit, Model, Priors, Sampling};
use nalgebra::DMatrix;
use std::sync::atomic::{AtomicBool, AtomicUsize};

fn run(
    density: &impl Density,
    coordinates: Coordinates,
    sampling: &Sampling,
    chains: usize,
    draws: usize,
) -> Vec<Block> {
    let (done, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
    let (coordinates, states) = sampling.settle(density, coordinates, chains, &done, &stop).unwrap();
    let run = sampling.advance(density, &coordinates, &states, draws, &done, &stop).unwrap();
    run.into_iter().map(|(block, _)| block).collect()
}

/// Non-centred eight schools (Rubin 1981): `mu ~ N(0, 5)`, `tau ~ half-Cauchy(0, 5)` sampled as its logarithm.
struct EightSchools {
    effect: Vec<f64>,
    error: Vec<f64>,
}

impl Density for EightSchools {
    fn dim(&self) -> usize {
        10
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        let (mu, log_tau) = (z[8], z[9]);
        let tau = log_tau.exp();
        let cauchy = 1.0 + (tau / 5.0).powi(2);
        let mut found = -0.5 * (mu / 5.0).powi(2) - cauchy.ln() + log_tau;
        gradient[8] = -mu / 25.0;
        gradient[9] = 1.0 - 2.0 * (tau / 5.0).powi(2) / cauchy;
        for school in 0..8 {
            let residual = (self.effect[school] - mu - tau * z[school]) / self.error[school].powi(2);
            found -= 0.5 * (z[school].powi(2) + residual.powi(2) * self.error[school].powi(2));
            gradient[school] = -z[school] + tau * residual;
            gradient[8] += residual;
            gradient[9] += tau * z[school] * residual;
        }
        Ok(found)
    }
}

/// Standard normal, but where its ledger is open: beyond two on the one side.
struct Walled;

impl Density for Walled {
    fn dim(&self) -> usize {
        1
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        if z[0] > 2.0 {
            return Err(matledger::Error::LedgerOpen { substance: "mineral", relative: 1.0 });
        }
        gradient[0] = -z[0];
        Ok(-0.5 * z[0] * z[0])
    }
}

#[test]
fn a_place_that_cannot_be_run_ends_a_trajectory_and_not_the_chain() {
    let plain = Coordinates::new(&[0.0], DMatrix::identity(1, 1)).unwrap();
    let blocks = run(&Walled, plain, &Sampling { seed: 3, tune: 200, ..Sampling::default() }, 2, 500);
    assert!(blocks.iter().all(|block| block.draws.len() == 500 && block.draws.iter().all(|z| z[0] <= 2.0)));
    assert!(blocks.iter().any(|block| block.diverging.contains(&true)));
}

#[test]
fn eight_schools_come_out_as_the_reference_has_them() {
    let rows: Vec<Vec<f64>> = csv::Reader::from_path("tests/checks/eight_schools.csv")
        .unwrap()
        .records()
        .map(|row| row.unwrap().iter().skip(1).take(12).map(|cell| cell.parse().unwrap_or(f64::NAN)).collect())
        .collect();
    let schools = EightSchools {
        effect: rows[..8].iter().map(|row| row[0]).collect(),
        error: rows[..8].iter().map(|row| row[1]).collect(),
    };
    let plain = Coordinates::new(&[0.0; 10], DMatrix::identity(10, 10)).unwrap();
    let blocks = run(&schools, plain, &Sampling { seed: 8, target_accept: 0.9, ..Sampling::default() }, 4, 2500);
    assert!(blocks.iter().flat_map(|b| &b.diverging).filter(|&&d| d).count() < 20);
    let draws = || blocks.iter().flat_map(|block| &block.draws);
    let value = |z: &[f64], i: usize| match i {
        8 => z[8],
        9 => z[9].exp(),
        school => z[8] + z[9].exp() * z[school],
    };
    let count = draws().count() as f64;
    for (i, row) in rows.iter().enumerate() {
        let mean = draws().map(|z| value(z, i)).sum::<f64>() / count;
        let sd = (draws().map(|z| (value(z, i) - mean).powi(2)).sum::<f64>() / count).sqrt();
        let (exact, exact_sd) = (row[10], row[11]);
        println!("{i}: mean {mean:.3} against {exact:.3}, sd {sd:.3} against {exact_sd:.3}");
        // Some 3,000 effective draws or more: four Monte Carlo errors of the mean.
        assert!((mean - exact).abs() < 4.0 * exact_sd / 3000f64.sqrt(), "{i}: {mean} against {exact}");
        assert!((sd / exact_sd - 1.0).abs() < 0.08, "{i}: {sd} against {exact_sd}");
    }
}

#[test]
fn blocks_follow_from_where_the_last_one_ended() {
    let (site, _) = simulated(5, invented_site(1), &Priors::default());
    let model = Model::new(site, Priors::default()).unwrap();
    let fit = Fit::find(&model, &AtomicBool::new(false)).unwrap();
    let sampling = Sampling { tune: 10, seed: 3, ..Sampling::default() };
    let (done, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
    let settle = || sampling.settle(&model, model.coordinates(&fit).unwrap(), 2, &done, &stop).unwrap();
    let (coordinates, states) = settle();
    assert_eq!((coordinates.clone(), states.clone()), settle());
    assert_ne!(states[0].position, states[1].position);
    let advance = |states: &[ChainState]| sampling.advance(&model, &coordinates, states, 3, &done, &stop).unwrap();
    let middle: Vec<ChainState> = advance(&states).into_iter().map(|(_, state)| state).collect();
    assert_eq!(advance(&middle), advance(&middle.clone()));
}
