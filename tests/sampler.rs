//! The sampler against posteriors that are known: eight schools, a correlated normal, and its own streams.

mod common;

use common::{invented_site, simulated};
use matledger::calibration::{Block, ChainState, Coordinates, Density, Fit, Model, Priors, Sampling};
use matledger::{Error, Result};
use nalgebra::{DMatrix, DVector};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

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
            return Err(Error::LedgerOpen { substance: "mineral", relative: 1.0 });
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

/// A normal whose slope is no number beyond two on the one side.
struct Slopeless;

impl Density for Slopeless {
    fn dim(&self) -> usize {
        1
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        gradient[0] = if z[0] > 2.0 { f64::NAN } else { -z[0] };
        Ok(-0.5 * z[0] * z[0])
    }
}

#[test]
fn no_draw_is_taken_where_a_slope_is_no_number() {
    let plain = Coordinates::new(&[0.0], DMatrix::identity(1, 1)).unwrap();
    let blocks = run(&Slopeless, plain, &Sampling { seed: 3, tune: 50, ..Sampling::default() }, 2, 500);
    assert!(blocks.iter().all(|block| block.draws.len() == 500 && block.draws.iter().all(|z| z[0] <= 2.0)));
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

/// A normal whose coordinates hang together.
struct Tied(DMatrix<f64>);

impl Density for Tied {
    fn dim(&self) -> usize {
        self.0.nrows()
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        let slope = &self.0 * DVector::from_column_slice(z);
        gradient.copy_from_slice((-&slope).as_slice());
        Ok(-0.5 * slope.dot(&DVector::from_column_slice(z)))
    }
}

#[test]
fn blocks_hold_draws_of_the_density_and_what_judges_them() {
    let covariance = DMatrix::from_row_slice(2, 2, &[1.0, 1.2, 1.2, 4.0]);
    let density = Tied(covariance.clone().try_inverse().unwrap());
    let plain = Coordinates::new(&[1.0, 0.0], DMatrix::identity(2, 2)).unwrap();
    let sampling = Sampling { tune: 200, seed: 4, ..Sampling::default() };
    let (done, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
    let (coordinates, settled) = sampling.settle(&density, plain.clone(), 3, &done, &stop).unwrap();
    assert_eq!(done.load(Ordering::Relaxed), 3 * 200);
    let chains: Vec<usize> = settled.iter().map(|state| state.chain).collect();
    assert_eq!((chains, settled[2].blocks), (vec![0, 1, 2], 5));
    assert!(settled.iter().all(|state| state.step_size > 0.2), "{settled:?}");
    let run = sampling.advance(&density, &coordinates, &settled, 1000, &done, &stop).unwrap();
    assert_eq!(done.load(Ordering::Relaxed), 3 * 1200);
    let mut moments = DMatrix::zeros(2, 2);
    for ((block, after), before) in run.iter().zip(&settled) {
        assert_eq!((after.chain, after.blocks, after.step_size), (before.chain, 6, before.step_size));
        assert_eq!(Some(&after.position), block.draws.last());
        let lengths = [block.energy.len(), block.log_density.len(), block.diverging.len(), block.gradients.len()];
        assert_eq!((lengths, block.cut.len(), block.draws.len()), ([1000; 4], 1000, 1000));
        assert!(block.gradients.iter().all(|&gradients| gradients > 0) && !block.cut.contains(&true));
        for (z, log_density) in block.draws.iter().zip(&block.log_density) {
            let exact = density.log_density(z, &mut [0.0; 2]).unwrap();
            assert!((log_density - exact).abs() < 1e-9, "{log_density} {exact}");
            moments += DVector::from_column_slice(z) * DVector::from_column_slice(z).transpose() / 3000.0;
        }
        // The Hamiltonian of a unit mass: a chi-square of each coordinate for its place and one for its speed.
        let level = block.energy.iter().sum::<f64>() / 1000.0 + block.log_density.iter().sum::<f64>() / 1000.0;
        assert!((level - 1.0).abs() < 1.0, "{level}");
    }
    assert!((&moments - &covariance).amax() < 0.4, "{moments}");
    // Trajectories that may only double once are cut.
    let short = Sampling { most_doublings: 1, ..sampling };
    let tiny: Vec<ChainState> = settled.iter().map(|s| ChainState { step_size: 0.01, ..s.clone() }).collect();
    let run = short.advance(&density, &coordinates, &tiny, 20, &done, &stop).unwrap();
    assert!(run.iter().all(|(block, _)| block.cut.iter().all(|&cut| cut)));
    stop.store(true, Ordering::Relaxed);
    assert!(matches!(sampling.settle(&density, plain, 1, &done, &stop), Err(Error::Interrupted)));
    assert!(matches!(sampling.advance(&density, &coordinates, &settled, 5, &done, &stop), Err(Error::Interrupted)));
}

#[test]
fn settings_outside_their_domain_are_refused() {
    let plain = Coordinates::new(&[0.0], DMatrix::identity(1, 1)).unwrap();
    let density = Tied(DMatrix::identity(1, 1));
    let settle = |sampling: Sampling| {
        let (done, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
        sampling.settle(&density, plain.clone(), 1, &done, &stop).map(|_| ()).map_err(|error| error.to_string())
    };
    let sound = Sampling { tune: 10, ..Sampling::default() };
    settle(sound).unwrap();
    settle(Sampling { most_doublings: 20, ..sound }).unwrap();
    for (wrong, name) in [
        (Sampling { tune: 9, ..sound }, "tune"),
        (Sampling { target_accept: 0.0, ..sound }, "target_accept"),
        (Sampling { target_accept: 1.0, ..sound }, "target_accept"),
        (Sampling { most_doublings: 0, ..sound }, "most_doublings"),
        (Sampling { most_doublings: 21, ..sound }, "most_doublings"),
    ] {
        assert!(settle(wrong).unwrap_err().contains(name), "{wrong:?}");
    }
}

/// Two chains with one seed go ways of their own, and a chain the same way whoever goes beside it.
#[test]
fn chains_have_streams_of_their_own() {
    let density = Tied(DMatrix::identity(1, 1));
    let plain = Coordinates::new(&[0.0], DMatrix::identity(1, 1)).unwrap();
    let (done, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
    let sampling = Sampling { seed: 1, ..Sampling::default() };
    let at = |chain: usize, blocks: usize| ChainState { chain, blocks, position: vec![0.3], step_size: 0.7 };
    let draws = |sampling: &Sampling, states: &[ChainState]| -> Vec<Vec<Vec<f64>>> {
        let run = sampling.advance(&density, &plain, states, 5, &done, &stop).unwrap();
        run.into_iter().map(|(block, _)| block.draws).collect()
    };
    let all = draws(&sampling, &[at(0, 5), at(1, 5), at(0, 6), at(1, 4), at(2, 5)]);
    for (i, one) in all.iter().enumerate() {
        assert!(all[..i].iter().all(|other| other != one), "{i}");
    }
    assert_eq!(draws(&sampling, &[at(1, 5)])[0], all[1]);
    assert_ne!(draws(&Sampling { seed: 2, ..sampling }, &[at(1, 5)])[0], all[1]);
}
