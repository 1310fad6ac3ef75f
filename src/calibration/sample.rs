//! Hamiltonian sampling of a density, in coordinates whitened around a point.
//!
//! A chain runs in blocks. Each block's draws follow from the density, the seed, the chain, the block's number and the
//! state that the block before it left, so that a chain stopped after any block goes on to the same draws.

use super::density::Model;
use super::mode::{Draws, Fit};
use crate::error::{Error, Problems, Result};
use nalgebra::{Cholesky, DMatrix, DVector};
use nuts_rs::{
    Chain, CpuLogpFunc, CpuMath, CpuMathError, FlowNutsSettings, HasDims, LogpError, Settings, Storable, Value,
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
    /// [`Error::Numerical`] where the density cannot be computed; a sampler takes it as a divergence.
    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64>;
}

impl Density for Model {
    fn dim(&self) -> usize {
        self.len()
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        self.log_density_and_gradient(z, gradient)
    }
}

/// How to sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    /// Draws of the first block, during which the step size is settled; they are not kept.
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
        Self { tune: 1000, target_accept: 0.9, most_doublings: 10, seed: 0 }
    }
}

/// Where a chain stands between two blocks.
#[derive(Debug, Clone, PartialEq)]
pub struct ChainState {
    /// Which chain.
    pub chain: usize,
    /// Blocks done; the first settles the step size.
    pub blocks: usize,
    /// Coordinates of the last draw.
    pub position: Vec<f64>,
    /// Step size in whitened coordinates.
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

/// Coordinates in which a normal density is standard: `z = centre + lower x`.
#[derive(Debug, Clone, PartialEq)]
pub struct Whitening {
    centre: DVector<f64>,
    lower: DMatrix<f64>,
    log_determinant: f64,
}

impl Whitening {
    /// Whitens a normal with this mean and covariance.
    ///
    /// # Errors
    /// [`Error::Numerical`] if the covariance is not positive definite.
    pub fn new(mean: &[f64], covariance: DMatrix<f64>) -> Result<Self> {
        let lower = Cholesky::new(covariance)
            .ok_or_else(|| Error::Numerical("the covariance to whiten by is not positive definite".to_owned()))?
            .unpack();
        let log_determinant = lower.diagonal().iter().map(|d| d.ln()).sum();
        Ok(Self { centre: DVector::from_column_slice(mean), lower, log_determinant })
    }

    /// Whitens by Laplace's approximation.
    ///
    /// # Errors
    /// [`Error::Numerical`] if the information at the mode cannot be inverted.
    pub fn at(fit: &Fit) -> Result<Self> {
        Self::new(&fit.mode, fit.covariance()?)
    }

    fn position(&self, x: &[f64]) -> DVector<f64> {
        &self.centre + &self.lower * DVector::from_column_slice(x)
    }

    fn whitened(&self, z: &[f64]) -> DVector<f64> {
        let away = DVector::from_column_slice(z) - &self.centre;
        // The diagonal of a Cholesky factor is positive, so the solve cannot fail.
        self.lower.solve_lower_triangular(&away).unwrap_or(away)
    }
}

#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct Refused(Error);

impl LogpError for Refused {
    fn is_recoverable(&self) -> bool {
        matches!(self.0, Error::Numerical(_))
    }
}

struct Whitened<'a, D> {
    density: &'a D,
    whitening: &'a Whitening,
    stop: &'a AtomicBool,
}

impl<D: Density> Whitened<'_, D> {
    fn density(&self, z: &[f64], gradient: &mut [f64]) -> std::result::Result<f64, Refused> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(Refused(Error::Interrupted));
        }
        let found = self.density.log_density(z, gradient).map_err(Refused)?;
        match found.is_finite() && gradient.iter().all(|g| g.is_finite()) {
            true => Ok(found),
            false => Err(Refused(Error::Numerical("the log density is not finite".to_owned()))),
        }
    }

    fn gradient(&self, by_z: &[f64], by_x: &mut [f64]) {
        by_x.copy_from_slice(self.whitening.lower.tr_mul(&DVector::from_column_slice(by_z)).as_slice());
    }
}

impl<D: Density> HasDims for Whitened<'_, D> {
    fn dim_sizes(&self) -> HashMap<String, u64> {
        HashMap::from([("unconstrained_parameter".to_owned(), self.density.dim() as u64)])
    }
}

/// The sampler's own transformation is used for the whitening, which stays as it is.
impl<D: Density> CpuLogpFunc for Whitened<'_, D> {
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
        x.copy_from_slice(self.whitening.whitened(z).as_slice());
        self.gradient(by_z, by_x);
        Ok(self.whitening.log_determinant)
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
        x.copy_from_slice(self.whitening.whitened(z).as_slice());
        self.gradient(by_z, by_x);
        Ok((found, self.whitening.log_determinant))
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
        z.copy_from_slice(self.whitening.position(x).as_slice());
        let found = self.density(z, by_z)?;
        self.gradient(by_z, by_x);
        Ok((found, self.whitening.log_determinant))
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

    /// Starts a chain at a draw of the normal that the whitening stands for, and settles its step size.
    ///
    /// # Errors
    /// [`Error::Input`] for settings outside their domain, [`Error::Numerical`] if the density cannot be computed at
    /// the start, [`Error::Interrupted`] if `stop` was set.
    pub fn start(
        &self,
        density: &impl Density,
        whitening: &Whitening,
        chain: usize,
        done: &AtomicUsize,
        stop: &AtomicBool,
    ) -> Result<ChainState> {
        self.validate()?;
        let mut stream = self.stream(chain, 0);
        let x: Vec<f64> = (0..density.dim()).map(|_| StandardNormal.sample(&mut stream)).collect();
        let position = whitening.position(&x).as_slice().to_vec();
        let fresh = ChainState { chain, blocks: 0, position, step_size: f64::NAN };
        Ok(self.block(density, whitening, &fresh, self.tune, done, stop)?.1)
    }

    /// Runs a chain on by a block.
    ///
    /// # Errors
    /// Those of [`Sampling::start`].
    pub fn advance(
        &self,
        density: &impl Density,
        whitening: &Whitening,
        state: &ChainState,
        draws: usize,
        done: &AtomicUsize,
        stop: &AtomicBool,
    ) -> Result<(Block, ChainState)> {
        self.block(density, whitening, state, draws, done, stop)
    }

    fn stream(&self, chain: usize, block: usize) -> ChaCha8Rng {
        let mut stream = ChaCha8Rng::seed_from_u64(self.seed);
        stream.set_stream(((chain as u64) << 32) | block as u64);
        stream
    }

    fn block(
        &self,
        density: &impl Density,
        whitening: &Whitening,
        state: &ChainState,
        draws: usize,
        done: &AtomicUsize,
        stop: &AtomicBool,
    ) -> Result<(Block, ChainState)> {
        let mut settings = FlowNutsSettings { maxdepth: self.most_doublings, ..FlowNutsSettings::default() };
        let step_size = &mut settings.adapt_options.step_size_settings;
        step_size.target_accept = self.target_accept;
        let tuning = state.blocks == 0;
        settings.num_tune = if tuning { draws as u64 } else { 0 };
        if !tuning {
            step_size.adapt_options.method = nuts_rs::StepSizeAdaptMethod::Fixed(state.step_size);
        }
        // Block number 1 and on: the stream of block 0 has placed the start.
        let mut stream = self.stream(state.chain, state.blocks + 1);
        let math = CpuMath::new(Whitened { density, whitening, stop });
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
    match stop.load(Ordering::Relaxed) {
        true => Error::Interrupted,
        false => Error::Numerical(format!("the chain cannot go on: {error:#}")),
    }
}
