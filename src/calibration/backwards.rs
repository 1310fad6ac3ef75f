//! The log density with its gradient, backwards over the runs: at a few times the cost of the density itself, whatever the
//! number of coordinates. Places of several chains go side by side.

use super::density::{GreenModel, Model};
use crate::engine::adjoint::Roomy;
use crate::error::Result;
use crate::number::{ABREAST, Lanes};
use nalgebra::DVector;
use rayon::prelude::*;

/// Log likelihood of one green's tests at each place, with its gradient.
type Part = Vec<Result<(f64, Vec<f64>)>>;

impl Model {
    /// The log density, with its gradient written to `gradient`.
    ///
    /// # Errors
    /// Those of [`Model::evaluate`].
    pub fn log_density_and_gradient(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        self.check_length(z)?;
        let mut log_density = f64::NAN;
        for found in self.abreast::<f64>(&[z]) {
            let (value, slopes) = found?;
            log_density = value;
            gradient.copy_from_slice(&slopes);
        }
        Ok(log_density)
    }

    /// The log density and its gradient at each of several places.
    ///
    /// The bits of one depend on the others' by no more than rounding.
    pub fn log_densities_and_gradients(&self, places: &[Vec<f64>]) -> Vec<Result<(f64, Vec<f64>)>> {
        let of = |places: &[Vec<f64>]| match places {
            [alone] => self.abreast::<f64>(&[alone]),
            several => self.abreast::<Lanes<ABREAST>>(&several.iter().map(Vec::as_slice).collect::<Vec<_>>()),
        };
        if let Err(error) = places.iter().try_for_each(|z| self.check_length(z)) {
            return places.iter().map(|_| Err(error.clone())).collect();
        }
        places.chunks(ABREAST).flat_map(of).collect()
    }

    /// At most as many places as `T` holds numbers.
    fn abreast<T: Roomy>(&self, places: &[&[f64]]) -> Vec<Result<(f64, Vec<f64>)>> {
        let tested = (0..self.greens.len()).filter(|&g| !self.site.greens[g].tests.is_empty());
        let tested: Vec<usize> = tested.collect();
        let parts: Vec<Part> = tested.into_par_iter().map(|green| self.green_abreast::<T>(green, places)).collect();
        let mut whole: Part = places
            .iter()
            .map(|z| {
                let mut gradient = vec![0.0; self.len()];
                let mut log_density = self.prior_slope(z, &mut gradient);
                log_density += self.add_clippings(z, &mut gradient, None);
                if z.iter().all(|z| z.is_finite()) { Ok((log_density, gradient)) } else { Err(self.blame(z)) }
            })
            .collect();
        for part in parts {
            for (whole, part) in whole.iter_mut().zip(part) {
                match (&mut *whole, part) {
                    (Ok((log_density, gradient)), Ok((more, slopes))) => {
                        *log_density += more;
                        gradient.iter_mut().zip(slopes).for_each(|(sum, slope)| *sum += slope);
                    }
                    (Err(_), _) => {}
                    (_, Err(error)) => *whole = Err(error),
                }
            }
        }
        whole
    }

    fn green_abreast<T: Roomy>(&self, green: usize, places: &[&[f64]]) -> Part {
        let last = places.len() - 1;
        // The last place stands in for those that are missing.
        let z: Vec<T> = (0..self.len()).map(|i| T::abreast(|lane| places[lane.min(last)][i])).collect();
        let member = self.member(green, &|i| z[i]);
        let plan = &self.greens[green].plan;
        let mut parts: Part = Vec::new();
        let by_coordinate = T::in_room(|room| {
            let by_member = room.pull_back(plan, &member, |readings| {
                let read = |lane: usize| readings.iter().map(|reading| reading.lane(lane)).collect::<Vec<f64>>();
                let mut slopes = vec![vec![0.0; readings.len()]; T::WIDTH];
                for (lane, z) in places.iter().enumerate() {
                    let decay = member.decay.map(|rate| rate.lane(lane));
                    parts.push(
                        decay.within_series().and_then(|()| self.weigh(green, z, &read(lane), &mut slopes[lane])),
                    );
                }
                (0..readings.len()).map(|i| T::abreast(|lane| slopes[lane.min(last)][i])).collect()
            });
            room.through(&z, |z| self.member(green, &|i| z[i]), by_member)
        });
        for (lane, part) in parts.iter_mut().enumerate() {
            if let Ok((_, gradient)) = part {
                gradient.iter_mut().zip(&by_coordinate).for_each(|(sum, slope)| *sum += slope.lane(lane));
            }
        }
        parts
    }

    /// Log likelihood of one green's tests at what was read, its slopes along the readings, and along the coordinates that
    /// do not go through the engine.
    fn weigh(&self, green: usize, z: &[f64], read: &[f64], slopes: &mut [f64]) -> Result<(f64, Vec<f64>)> {
        let GreenModel { plan, sets, .. } = &self.greens[green];
        let tests = &self.site.greens[green].tests;
        let (spread, coordinates) = self.spread(z);
        let offset = self.priors.method_offset;
        let predicted = |i: usize| {
            let above = self.offset_index(tests[i].method).map_or(0.0, |index| offset.value(z[index]));
            read[plan.reading_of(i)] + above
        };
        let (mut found, mut gradient) = (0.0, vec![0.0; self.len()]);
        for set in sets {
            let residual = set.tests.iter().map(|&i| tests[i].om_percent - predicted(i));
            let residuals = DVector::from_iterator(set.tests.len(), residual);
            let freedom = self.priors.scatter.degrees_of_freedom;
            let weighed = set.slopes(tests, &residuals, &spread, freedom).ok_or_else(|| self.blame(z))?;
            found += weighed.log_density;
            for (&i, by_prediction) in set.tests.iter().zip(weighed.by_prediction.iter()) {
                slopes[plan.reading_of(i)] += by_prediction;
                if let Some(index) = self.offset_index(tests[i].method) {
                    gradient[index] += by_prediction * offset.slope(z[index]);
                }
            }
            for (slope, index) in weighed.by_spread.iter().zip(coordinates) {
                if let Some(index) = index {
                    gradient[index] += slope;
                }
            }
        }
        Ok((found, gradient))
    }
}
