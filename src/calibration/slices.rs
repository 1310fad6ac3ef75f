//! Laplace's approximation in slices along one coordinate, for a posterior that is nearly normal only across it.
//!
//! The coordinate is held at a row of values; at each the others have a mode and a normal around it, and the slice a
//! mass: Rue, Martino & Chopin 2009, J. R. Stat. Soc. B 71:319-392, section 3 (from memory). The fill fraction needs it:
//! where sand runs out before holes are full, the tests bound it on one side only.

use super::density::Model;
use super::information::Evaluation;
use super::mode::{Draws, Fit, SETTLED, away, climb, drawn};
use crate::error::Result;
use nalgebra::DMatrix;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::sync::atomic::AtomicBool;

/// Largest distance of two slices, and reach from the prior's median, in prior standard deviations.
const WIDEST: f64 = 0.5;
const FURTHEST: f64 = 4.0;
/// First distance from the mode, in its approximate standard deviations, and by how much distances grow.
const FIRST: f64 = 0.5;
const GROWTH: f64 = 1.25;
/// Log mass below the heaviest slice at which a side ends.
const LIGHT: f64 = 8.0;

struct Slice {
    at: f64,
    mode: Vec<f64>,
    /// Transposed factor of the information across the slice.
    factor: DMatrix<f64>,
    log_mass: f64,
}

/// Slices along a coordinate, in its order.
pub struct Slices {
    coordinate: usize,
    slices: Vec<Slice>,
}

impl Slices {
    /// Cuts the density on both sides of its mode until little is left.
    ///
    /// # Errors
    /// [`crate::Error::Interrupted`] if `stop` was set, and those of [`Model::evaluate`] at the mode.
    pub fn along(model: &Model, fit: &Fit, coordinate: usize, stop: &AtomicBool) -> Result<Self> {
        let sd = fit.covariance()?[(coordinate, coordinate)].sqrt();
        let middle = slice(model, &fit.mode, coordinate, fit.mode[coordinate], stop)?;
        let cut = |last: &Slice, at: f64| slice(model, &last.mode, coordinate, at, stop);
        let (below, above) = rayon::join(|| side(&middle, -sd, cut), || side(&middle, sd, cut));
        let mut slices: Vec<Slice> = below?.into_iter().rev().collect();
        slices.push(middle);
        slices.extend(above?);
        Ok(Self { coordinate, slices })
    }

    /// Draws: a value of the coordinate, log mass running straight from slice to slice, then the others from the normal
    /// there, as for [`Fit::draws`].
    ///
    /// # Errors
    /// As for [`Fit::draws`].
    pub fn draws(&self, model: &Model, draws: usize, seed: u64) -> Result<Draws> {
        let upto = self.upto();
        drawn(model, draws, seed, |stream| self.one(&upto, stream))
    }

    /// Mass up to the end of each piece between two slices, over that of the heaviest.
    fn upto(&self) -> Vec<f64> {
        let heaviest = self.slices.iter().map(|slice| slice.log_mass).fold(f64::NEG_INFINITY, f64::max);
        let mut total = 0.0;
        let mut add = |pair: &[Slice]| {
            let [a, b] = [&pair[0], &pair[1]].map(|slice| slice.log_mass - heaviest);
            total += (pair[1].at - pair[0].at) * a.exp() * grown(b - a);
            total
        };
        self.slices.windows(2).map(&mut add).collect()
    }

    fn one(&self, upto: &[f64], stream: &mut ChaCha8Rng) -> Result<Vec<f64>> {
        let mass = upto.last().map_or(0.0, |total| total * stream.random::<f64>());
        let piece = upto.partition_point(|&end| end < mass).min(upto.len().saturating_sub(1));
        let low = &self.slices[piece];
        let high = self.slices.get(piece + 1).unwrap_or(low);
        let slope = high.log_mass - low.log_mass;
        let part: f64 = stream.random();
        let part = if slope.abs() < 1e-9 { part } else { (part * slope.exp_m1()).ln_1p() / slope };
        let near = if part < 0.5 { low } else { high };
        let step = away(&near.factor, stream)?;
        let between = |i: usize| low.mode[i] + part * (high.mode[i] - low.mode[i]);
        let mut z: Vec<f64> = step.iter().enumerate().map(|(i, step)| between(i) + step).collect();
        z[self.coordinate] = low.at + part * (high.at - low.at);
        Ok(z)
    }
}

/// Cuts from the middle outwards, to the side of the sign of `sd`, until little is left or nothing can be there.
fn side(middle: &Slice, sd: f64, cut: impl Fn(&Slice, f64) -> Result<Slice>) -> Result<Vec<Slice>> {
    let (mut found, mut heaviest) = (Vec::<Slice>::new(), middle.log_mass);
    let mut step = (FIRST * sd).clamp(-WIDEST, WIDEST);
    loop {
        let last = found.last().unwrap_or(middle);
        let at = last.at + step;
        if at.abs() > FURTHEST {
            return Ok(found);
        }
        let next = match cut(last, at) {
            Ok(next) => next,
            Err(error) if error.is_of_the_place() => return Ok(found), // there is no density there
            Err(other) => return Err(other),
        };
        heaviest = heaviest.max(next.log_mass);
        let light = next.log_mass < heaviest - LIGHT;
        found.push(next);
        if light {
            return Ok(found);
        }
        step = (GROWTH * step).clamp(-WIDEST, WIDEST);
    }
}

/// Mean over a piece of what grows evenly from 1 to `e^slope`.
fn grown(slope: f64) -> f64 {
    if slope.abs() < 1e-9 { 1.0 } else { slope.exp_m1() / slope }
}

/// The best point with the coordinate held, and how much lies around it.
fn slice(model: &Model, start: &[f64], coordinate: usize, at: f64, stop: &AtomicBool) -> Result<Slice> {
    let mut start = start.to_vec();
    start[coordinate] = at;
    let held = |z: &[f64]| -> Result<Evaluation> {
        let mut found = model.evaluate(z)?;
        found.gradient[coordinate] = 0.0;
        found.information.row_mut(coordinate).fill(0.0);
        found.information.column_mut(coordinate).fill(0.0);
        found.information[(coordinate, coordinate)] = 1.0;
        Ok(found)
    };
    let best = climb(&start, held, SETTLED, stop)?;
    let factor = best.factor()?.l();
    let log_mass = best.log_density - factor.diagonal().iter().map(|d| d.ln()).sum::<f64>();
    Ok(Slice { at, mode: best.mode, factor: factor.transpose(), log_mass })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Error;
    use rand::SeedableRng;

    fn slice_of(at: f64, mode: f64, log_mass: f64, precision: f64) -> Slice {
        let factor = DMatrix::from_diagonal(&nalgebra::DVector::from_vec(vec![1.0, precision]));
        Slice { at, mode: vec![at, mode], factor, log_mass }
    }

    /// Where the cuts of a side are, each made from the one before it, for a log mass along the coordinate.
    fn cuts(sd: f64, log_mass: impl Fn(f64) -> Result<f64>) -> Result<Vec<f64>> {
        let middle = slice_of(0.0, 0.0, log_mass(0.0)?, 1.0);
        let cut = |last: &Slice, at: f64| Ok(slice_of(at, last.at, log_mass(at)?, 1.0));
        let found = side(&middle, sd, cut)?;
        let ats: Vec<f64> = found.iter().map(|slice| slice.at).collect();
        for (slice, before) in found.iter().zip([0.0].iter().chain(&ats)) {
            assert_eq!(slice.mode[1], *before);
        }
        Ok(ats)
    }

    /// The first step is half a standard deviation, each next a quarter longer, a half at most; all sums here are exact.
    #[test]
    fn cuts_widen_outwards_until_little_is_left() {
        let normal = |at: f64| Ok(-16.0 * at * at);
        let mut at = 0.0;
        let ats = [0, 1, 2, 3].map(|steps| {
            at += 0.125 * 1.25f64.powi(steps);
            at
        });
        assert_eq!(cuts(0.25, normal).unwrap(), ats); // 0.72 has 8.3 less
        assert_eq!(cuts(-0.25, normal).unwrap(), ats.map(|at| -at));
        // Mass that lies further out counts from its heaviest slice on.
        assert_eq!(cuts(0.25, |at| Ok(-16.0 * (at - 0.5).powi(2))).unwrap().len(), 6);
        // Exactly as light as a side may be is not its end; nor is the furthest place beyond reach.
        assert_eq!(cuts(3.0, |at| Ok(-LIGHT * f64::from(at > 0.0))).unwrap(), [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0]);
        assert_eq!(
            cuts(-0.875, |_| Ok(0.0)).unwrap(),
            [-0.4375, -0.9375, -1.4375, -1.9375, -2.4375, -2.9375, -3.4375, -3.9375]
        );
    }

    #[test]
    fn a_side_ends_where_there_is_no_density() {
        let wall = |error: fn() -> Error| move |at: f64| if at > 1.2 { Err(error()) } else { Ok(-at) };
        assert_eq!(cuts(3.0, wall(|| Error::Numerical(String::new()))).unwrap(), [0.5, 1.0]);
        assert!(matches!(cuts(3.0, wall(|| Error::Interrupted)), Err(Error::Interrupted)));
    }

    /// Three slices with masses 1, 4 and 2, at 0, 1 and 3; the other coordinate goes from 10 to 20 to 10 and spreads by
    /// 0.01, 0.001 and 0.01.
    fn slices() -> Slices {
        let slice = |at: f64, mode: f64, mass: f64, precision| slice_of(at, mode, mass.ln(), precision);
        let slices = vec![slice(0.0, 10.0, 1.0, 1e2), slice(1.0, 20.0, 4.0, 1e3), slice(3.0, 10.0, 2.0, 1e2)];
        Slices { coordinate: 0, slices }
    }

    /// Between masses a and b that run straight on a log scale lies their logarithmic mean.
    #[test]
    fn pieces_have_their_masses() {
        let [first, second] = [0.25 * 3.0 / 4f64.ln(), 2.0 * 0.25 * 2.0 / 2f64.ln()];
        for (found, expected) in slices().upto().iter().zip([first, first + second]) {
            assert!((found - expected).abs() < 1e-12, "{found} for {expected}");
        }
        assert!(
            grown(0.0) == 1.0
                && (grown(1e-12) - 1.0).abs() < 1e-12
                && (grown(0.5) - 0.5f64.exp_m1() / 0.5).abs() < 1e-15
        );
    }

    #[test]
    fn draws_of_a_piece_are_as_its_mass_runs() {
        let slices = slices();
        let upto = slices.upto();
        let mut stream = ChaCha8Rng::seed_from_u64(1);
        let draws: Vec<Vec<f64>> = (0..40_000).map(|_| slices.one(&upto, &mut stream).unwrap()).collect();
        let (first, second): (Vec<_>, Vec<_>) = draws.iter().partition(|z| z[0] < 1.0);
        let share = first.len() as f64 / draws.len() as f64;
        assert!((share - upto[0] / upto[1]).abs() < 0.01, "{share}");
        // Mean place of exp(slope t) over 0 to 1.
        let mean_of = |slope: f64| 1.0 / (1.0 - (-slope).exp()) - 1.0 / slope;
        let mean = |draws: &[&Vec<f64>]| draws.iter().map(|z| z[0]).sum::<f64>() / draws.len() as f64;
        let (low, high) = (mean(&first), mean(&second));
        assert!((low - mean_of(4f64.ln())).abs() < 0.01, "{low}");
        assert!((high - 1.0 - 2.0 * mean_of(-(2f64.ln()))).abs() < 0.02, "{high}");
        // The other coordinate follows the modes, and spreads as at the nearer slice.
        let spread = |inside: &dyn Fn(f64) -> bool| {
            let away: Vec<f64> = draws
                .iter()
                .filter(|z| inside(z[0]))
                .map(|z| z[1] - if z[0] < 1.0 { 10.0 + 10.0 * z[0] } else { 25.0 - 5.0 * z[0] })
                .collect();
            (away.iter().map(|away| away * away).sum::<f64>() / away.len() as f64).sqrt()
        };
        for (inside, sd) in [
            (&(|at: f64| at < 0.5) as &dyn Fn(f64) -> bool, 0.01),
            (&|at: f64| at > 0.5 && at < 2.0, 0.001),
            (&|at: f64| at > 2.0, 0.01),
        ] {
            assert!((spread(inside) / sd - 1.0).abs() < 0.05, "{} for {sd}", spread(inside));
        }
    }

    /// One slice has draws around it alone; between equal masses every place is as likely.
    #[test]
    fn draws_need_no_slope() {
        let mut stream = ChaCha8Rng::seed_from_u64(2);
        let alone = Slices { coordinate: 0, slices: vec![slice_of(0.5, 3.0, -1.0, 1e3)] };
        let z = alone.one(&alone.upto(), &mut stream).unwrap();
        assert!(z[0] == 0.5 && (z[1] - 3.0).abs() < 0.01, "{z:?}");
        let level =
            Slices { coordinate: 0, slices: vec![slice_of(0.0, 3.0, -1.0, 1e3), slice_of(2.0, 3.0, -1.0, 1e3)] };
        let upto = level.upto();
        let ats: Vec<f64> = (0..10_000).map(|_| level.one(&upto, &mut stream).unwrap()[0]).collect();
        let [mean, square] = [1, 2].map(|power| ats.iter().map(|at| at.powi(power)).sum::<f64>() / 1e4);
        assert!((mean - 1.0).abs() < 0.02 && (square - 4.0 / 3.0).abs() < 0.04, "{mean} {square}");
    }
}
