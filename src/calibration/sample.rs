//! Hamiltonian sampling of a density, in coordinates in which it is nearly standard normal.
//!
//! Chains settle together, in windows: each chain settles its step size, and after each window but the last the
//! coordinates are learnt anew from the draws of all chains.
//!
//! Chains ask for the density in step ([`super::lockstep`]), and a chain runs in blocks. Each block's draws follow from the density, the seed, the chain, the block's number and the
//! state that the block before it left, so that a chain stopped after any block goes on to the same draws.

use super::coordinates::Coordinates;
use super::density::Model;
use super::lockstep::in_step;
use super::mode::Draws;
use crate::error::{Error, Problems, Result};
use nuts_rs::{
    Chain, CpuLogpFunc, CpuMath, CpuMathError, FlowNutsSettings, HasDims, LogpError, Settings, Storable, Value,
    WalnutsOptions,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// A log density with its gradient.
pub trait Density: Sync {
    /// Number of coordinates.
    fn dim(&self) -> usize;

    /// The log density at `z`, with its gradient written to `gradient`.
    ///
    /// # Errors
    /// [`Error::Numerical`] or [`Error::LedgerOpen`] where the density cannot be computed; a sampler takes it as a divergence.
    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64>;

    /// The log density and its gradient at each of several places: those of chains that go in step.
    fn log_densities(&self, places: &[Vec<f64>]) -> Vec<Result<(f64, Vec<f64>)>> {
        let at = |z: &Vec<f64>| {
            let mut gradient = vec![0.0; z.len()];
            self.log_density(z, &mut gradient).map(|found| (found, gradient))
        };
        places.iter().map(at).collect()
    }
}

impl Density for Model {
    fn dim(&self) -> usize {
        self.len()
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        self.log_density_and_gradient(z, gradient)
    }

    fn log_densities(&self, places: &[Vec<f64>]) -> Vec<Result<(f64, Vec<f64>)>> {
        self.log_densities_and_gradients(places)
    }
}

/// How to sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    /// Draws of each chain during which step size and coordinates are settled; they are not kept.
    pub tune: usize,
    /// Acceptance that the step size aims at (-).
    pub target_accept: f64,
    /// Most doublings of a trajectory.
    pub most_doublings: u64,
    /// Seed; every chain and block has a stream of its own.
    pub seed: u64,
}

impl Default for Sampling {
    fn default() -> Self {
        Self { tune: 1000, target_accept: 0.8, most_doublings: 10, seed: 0 }
    }
}

/// Ends of the windows in which chains settle, as shares of the draws for it; the last leaves the coordinates alone.
const WINDOWS: [f64; 5] = [0.1, 0.25, 0.5, 0.8, 1.0];
const FIRST_STEP: f64 = 0.1;

/// Where a chain stands between two blocks.
#[derive(Debug, Clone, PartialEq)]
pub struct ChainState {
    /// Which chain.
    pub chain: usize,
    /// Blocks done, with those that settled it.
    pub blocks: usize,
    /// Coordinates of the last draw.
    pub position: Vec<f64>,
    /// Step size in straightened coordinates.
    pub step_size: f64,
}

/// Draws of one block, with what is needed to judge them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Block {
    /// Coordinates, a row for each draw.
    pub draws: Draws,
    /// Hamiltonian at each draw.
    pub energy: Vec<f64>,
    /// Log density at each draw.
    pub log_density: Vec<f64>,
    /// Whether the trajectory diverged.
    pub diverging: Vec<bool>,
    /// Gradients that the draw took.
    pub gradients: Vec<u64>,
    /// Whether the trajectory was cut at the most doublings.
    pub cut: Vec<bool>,
}

#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct Refused(Error);

impl LogpError for Refused {
    fn is_recoverable(&self) -> bool {
        self.0.is_of_the_place()
    }
}

struct Straightened<'a, D> {
    density: &'a D,
    coordinates: &'a Coordinates,
    stop: &'a AtomicBool,
}

impl<D: Density> Straightened<'_, D> {
    fn density(&self, z: &[f64], gradient: &mut [f64]) -> std::result::Result<f64, Refused> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(Refused(Error::Interrupted));
        }
        let found = self.density.log_density(z, gradient).map_err(Refused)?;
        if found.is_finite() && gradient.iter().all(|g| g.is_finite()) {
            Ok(found)
        } else {
            Err(Refused(Error::Numerical("the log density is not finite".to_owned())))
        }
    }

    /// Writes the straightened place and slopes; the log volume.
    fn straighten(&self, z: &[f64], by_z: &[f64], x: &mut [f64], by_x: &mut [f64]) -> f64 {
        let seen = self.coordinates.seen(z, by_z);
        x.copy_from_slice(seen.x.as_slice());
        by_x.copy_from_slice(seen.slopes.as_slice());
        seen.log_volume
    }
}

impl<D: Density> HasDims for Straightened<'_, D> {
    fn dim_sizes(&self) -> HashMap<String, u64> {
        HashMap::from([("unconstrained_parameter".to_owned(), self.density.dim() as u64)])
    }
}

/// The sampler's own transformation is used for the coordinates, which stay as they are within a block.
impl<D: Density> CpuLogpFunc for Straightened<'_, D> {
    type LogpError = Refused;
    type FlowParameters = ();
    type ExpandedVector = Vec<f64>;

    fn dim(&self) -> usize {
        self.density.dim()
    }

    fn logp(&mut self, position: &[f64], gradient: &mut [f64]) -> std::result::Result<f64, Refused> {
        self.density(position, gradient)
    }

    fn expand_vector<R: nuts_rs::rand::Rng + ?Sized>(
        &mut self,
        _: &mut R,
        position: &[f64],
    ) -> std::result::Result<Vec<f64>, CpuMathError> {
        Ok(position.to_vec())
    }

    fn inv_transform_normalize(
        &mut self,
        (): &(),
        z: &[f64],
        by_z: &[f64],
        x: &mut [f64],
        by_x: &mut [f64],
    ) -> std::result::Result<f64, Refused> {
        Ok(self.straighten(z, by_z, x, by_x))
    }

    fn init_from_untransformed_position(
        &mut self,
        (): &(),
        z: &[f64],
        by_z: &mut [f64],
        x: &mut [f64],
        by_x: &mut [f64],
        _: Option<f64>,
    ) -> std::result::Result<(f64, f64), Refused> {
        let found = self.density(z, by_z)?;
        Ok((found, self.straighten(z, by_z, x, by_x)))
    }

    fn init_from_transformed_position(
        &mut self,
        (): &(),
        z: &mut [f64],
        by_z: &mut [f64],
        x: &[f64],
        by_x: &mut [f64],
        _: Option<f64>,
    ) -> std::result::Result<(f64, f64), Refused> {
        z.copy_from_slice(&self.coordinates.position(x));
        let found = self.density(z, by_z)?;
        let seen = self.coordinates.seen(z, by_z);
        by_x.copy_from_slice(seen.slopes.as_slice());
        Ok((found, seen.log_volume))
    }

    fn update_transformation<'a, R: nuts_rs::rand::Rng + ?Sized>(
        &'a mut self,
        _: &mut R,
        _: impl ExactSizeIterator<Item = &'a [f64]>,
        _: impl ExactSizeIterator<Item = &'a [f64]>,
        _: impl ExactSizeIterator<Item = &'a f64>,
        (): &'a mut (),
    ) -> std::result::Result<(), Refused> {
        Ok(())
    }

    fn init_transformation<R: nuts_rs::rand::Rng + ?Sized>(
        &mut self,
        _: &mut R,
        _: &[f64],
        _: &[f64],
        _: u64,
    ) -> std::result::Result<(), Refused> {
        Ok(())
    }

    fn new_transformation<R: nuts_rs::rand::Rng + ?Sized>(
        &mut self,
        _: &mut R,
        _: usize,
        _: u64,
    ) -> std::result::Result<(), Refused> {
        Ok(())
    }

    fn transformation_id(&self, (): &()) -> std::result::Result<i64, Refused> {
        Ok(0)
    }
}

impl Sampling {
    fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        p.require(self.tune >= 10, "tune", self.tune, "at least 10 draws to settle the step size");
        let inside = self.target_accept > 0.0 && self.target_accept < 1.0;
        p.require(inside, "target_accept", self.target_accept, "a share between 0 and 1");
        p.require((1..=20).contains(&self.most_doublings), "most_doublings", self.most_doublings, "1 to 20");
        p.into_result(())
    }

    /// Starts chains at draws of the normal that the coordinates stand for, and settles them; the coordinates learnt.
    ///
    /// # Errors
    /// [`Error::Input`] for settings outside their domain, [`Error::Numerical`] if the density cannot be computed at
    /// the start, [`Error::Interrupted`] if `stop` was set.
    pub fn settle(
        &self,
        density: &impl Density,
        coordinates: Coordinates,
        chains: usize,
        done: &AtomicUsize,
        stop: &AtomicBool,
    ) -> Result<(Coordinates, Vec<ChainState>)> {
        self.validate()?;
        let start = |chain| {
            let mut stream = self.stream(chain, 0);
            let x: Vec<f64> = (0..density.dim()).map(|_| StandardNormal.sample(&mut stream)).collect();
            ChainState { chain, blocks: 0, position: coordinates.position(&x), step_size: FIRST_STEP }
        };
        let mut states: Vec<ChainState> = (0..chains).map(start).collect();
        let mut coordinates = coordinates;
        let mut ends = WINDOWS.map(|end| (end * self.tune as f64).round() as usize).into_iter().peekable();
        let mut begin = 0;
        while let Some(end) = ends.next() {
            let run = self.blocks(density, &coordinates, &states, true, end - begin, done, stop)?;
            begin = end;
            let (blocks, after): (Vec<Block>, Vec<ChainState>) = run.into_iter().unzip();
            states = after;
            if ends.peek().is_some() {
                coordinates = coordinates.learnt(&blocks.into_iter().flat_map(|block| block.draws).collect())?;
            }
        }
        Ok((coordinates, states))
    }

    /// Runs chains on by a block each.
    ///
    /// # Errors
    /// Those of [`Sampling::settle`].
    pub fn advance(
        &self,
        density: &impl Density,
        coordinates: &Coordinates,
        states: &[ChainState],
        draws: usize,
        done: &AtomicUsize,
        stop: &AtomicBool,
    ) -> Result<Vec<(Block, ChainState)>> {
        self.blocks(density, coordinates, states, false, draws, done, stop)
    }

    #[expect(clippy::too_many_arguments)]
    fn blocks(
        &self,
        density: &impl Density,
        coordinates: &Coordinates,
        states: &[ChainState],
        settling: bool,
        draws: usize,
        done: &AtomicUsize,
        stop: &AtomicBool,
    ) -> Result<Vec<(Block, ChainState)>> {
        let one =
            |chain: usize, density: &_| self.block(density, coordinates, &states[chain], settling, draws, done, stop);
        in_step(density, states.len(), one).into_iter().collect()
    }

    fn stream(&self, chain: usize, block: usize) -> ChaCha8Rng {
        let mut stream = ChaCha8Rng::seed_from_u64(self.seed);
        stream.set_stream(((chain as u64) << 32) | block as u64);
        stream
    }

    #[expect(clippy::too_many_arguments)]
    fn block(
        &self,
        density: &impl Density,
        coordinates: &Coordinates,
        state: &ChainState,
        settling: bool,
        draws: usize,
        done: &AtomicUsize,
        stop: &AtomicBool,
    ) -> Result<(Block, ChainState)> {
        // A step that meets a wall, as where sand runs out before holes are full, is taken in smaller ones.
        let walnuts = Some(WalnutsOptions::default());
        let mut settings = FlowNutsSettings { maxdepth: self.most_doublings, walnuts, ..FlowNutsSettings::default() };
        let step_size = &mut settings.adapt_options.step_size_settings;
        step_size.target_accept = self.target_accept;
        step_size.initial_step = state.step_size;
        settings.num_tune = if settling { draws as u64 } else { 0 };
        if !settling {
            step_size.adapt_options.method = nuts_rs::StepSizeAdaptMethod::Fixed(state.step_size);
        }
        // Block number 1 and on: the stream of block 0 has placed the start.
        let mut stream = self.stream(state.chain, state.blocks + 1);
        let math = CpuMath::new(Straightened { density, coordinates, stop });
        let failed = |error| failure(&error, stop);
        let mut chain = settings.new_chain(state.chain as u64, math, &mut stream).map_err(failed)?;
        chain.set_position(&state.position).map_err(failed)?;
        let mut block = Block::default();
        let mut after = ChainState { blocks: state.blocks + 1, ..state.clone() };
        for _ in 0..draws {
            let (position, _, mut stats, progress) = chain.expanded_draw().map_err(failed)?;
            let dims = (&*chain.math()).into();
            for (name, value) in stats.get_all(&dims) {
                match (name, value) {
                    ("energy", Some(Value::ScalarF64(energy))) => block.energy.push(energy),
                    ("logp", Some(Value::ScalarF64(log_density))) => block.log_density.push(log_density),
                    ("maxdepth_reached", Some(Value::ScalarBool(cut))) => block.cut.push(cut),
                    ("step_size_bar", Some(Value::ScalarF64(settled))) => after.step_size = settled,
                    _ => {}
                }
            }
            block.diverging.push(progress.diverging);
            block.gradients.push(progress.num_gradients);
            block.draws.push(position.into_vec());
            done.fetch_add(1, Ordering::Relaxed);
        }
        if let Some(last) = block.draws.last() {
            after.position.clone_from(last);
        }
        Ok((block, after))
    }
}

/// The sampler hands errors on boxed; a stop shows in its flag.
fn failure(error: &dyn std::fmt::Display, stop: &AtomicBool) -> Error {
    if stop.load(Ordering::Relaxed) {
        Error::Interrupted
    } else {
        Error::Numerical(format!("the chain cannot go on: {error:#}"))
    }
}
