//! The log density with what a search for the mode needs: slopes of every prediction, forward, and expected information.

use super::density::{GreenModel, Model};
use super::scatter::{CoreSet, Part};
use super::unknowns::Unknown;
use crate::engine::Member;
use crate::error::Result;
use crate::number::Dual;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// Directions carried in one run.
const TANGENTS: usize = 8;

/// Predictions of a green's tests, with their slopes: a row for each test, a column for each active coordinate.
type Slopes = (Vec<f64>, DMatrix<f64>);

/// Fields of a member that are unknown; the density of sand is not.
const FIELDS: usize = 12;

/// All that the engine takes in of a member and that is unknown: fields, then years.
fn inputs_of<T>(member: &mut Member<T>) -> Vec<&mut T> {
    let Member {
        litter_ratio,
        decay,
        fill_fraction,
        root_share,
        densities,
        sand_scale,
        young_share,
        profile,
        year_multipliers,
    } = member;
    let fields: [&mut T; FIELDS] = [
        litter_ratio,
        &mut decay.young_per_year,
        &mut decay.old_per_year,
        &mut decay.humified,
        fill_fraction,
        root_share,
        &mut densities.om,
        sand_scale,
        young_share,
        &mut profile.base_percent,
        &mut profile.surface_percent,
        &mut profile.scale_mm,
    ];
    fields.into_iter().chain(year_multipliers).collect()
}

/// The log density at one point, with what a mode search needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluation {
    /// Log of prior times likelihood, with all constants.
    pub log_density: f64,
    /// Its gradient.
    pub gradient: DVector<f64>,
    /// Expected information: identity of the prior plus Fisher information of clipping records and tests.
    pub information: DMatrix<f64>,
}

impl Model {
    /// Predictions of a green's tests with their derivatives along its active coordinates: the engine's along what it
    /// takes in, times those of what it takes in along the coordinates.
    fn jacobian(&self, green: usize, z: &[f64]) -> Result<Slopes> {
        let GreenModel { active, years, .. } = &self.greens[green];
        let tests = &self.site.greens[green].tests;
        let member = self.member(green, &|i| z[i]);
        let inputs = FIELDS + years;
        let mut values = vec![0.0; tests.len()];
        let mut by_input = DMatrix::zeros(tests.len(), inputs);
        for first in (0..inputs).step_by(TANGENTS) {
            let mut lifted = member.lift::<Dual<TANGENTS>>();
            for (direction, input) in inputs_of(&mut lifted).into_iter().skip(first).take(TANGENTS).enumerate() {
                *input = Dual::variable(input.value, direction);
            }
            for (i, read) in self.read(green, &lifted)?.into_iter().enumerate() {
                values[i] = read.value;
                let width = TANGENTS.min(inputs - first);
                for (j, slope) in read.derivative.into_iter().take(width).enumerate() {
                    by_input[(i, first + j)] = slope;
                }
            }
        }
        let mut by_coordinate = DMatrix::zeros(inputs, active.len());
        for (chunk_at, chunk) in active.chunks(TANGENTS).enumerate() {
            let lift = |i: usize| {
                let direction = chunk.iter().position(|&c| c == i).unwrap_or(TANGENTS);
                Dual::<TANGENTS>::variable(z[i], direction)
            };
            let mut lifted = self.member(green, &lift);
            for (row, input) in inputs_of(&mut lifted).into_iter().take(inputs).enumerate() {
                for (j, slope) in input.derivative.into_iter().take(chunk.len()).enumerate() {
                    by_coordinate[(row, chunk_at * TANGENTS + j)] = slope;
                }
            }
        }
        let mut slopes = by_input * by_coordinate;
        for (i, test) in tests.iter().enumerate() {
            if let Some(offset) = self.offset_index(test.method) {
                let prior = self.priors.method_offset;
                values[i] += prior.value(z[offset]);
                if let Some(column) = active.iter().position(|&c| c == offset) {
                    slopes[(i, column)] += prior.slope(z[offset]);
                }
            }
        }
        Ok((values, slopes))
    }

    fn jacobians(&self, z: &[f64]) -> Result<Vec<Slopes>> {
        self.check_length(z)?;
        (0..self.greens.len()).into_par_iter().map(|g| self.jacobian(g, z)).collect()
    }

    /// What every test should read at places around `centre` (% OM), green by green, by its slopes there: on a log scale
    /// where it is positive. A quick look at many places that need not be run.
    ///
    /// # Errors
    /// Those of [`Model::evaluate`] at the centre.
    pub fn predictions_near(&self, centre: &[f64], places: &[Vec<f64>]) -> Result<Vec<Vec<Vec<f64>>>> {
        let jacobians = self.jacobians(centre)?;
        let near = |z: &Vec<f64>| {
            let of_green = |(green, (values, slopes)): (&GreenModel, &Slopes)| {
                let away = DVector::from_iterator(green.active.len(), green.active.iter().map(|&i| z[i] - centre[i]));
                let risen = slopes * away;
                let read = |(&at, &rise): (&f64, &f64)| if at > 0.0 { at * (rise / at).exp() } else { at + rise };
                values.iter().zip(risen.iter()).map(read).collect()
            };
            self.greens.iter().zip(&jacobians).map(of_green).collect()
        };
        Ok(places.iter().map(near).collect())
    }

    /// The log density with gradient and expected information at coordinates `z`.
    ///
    /// # Errors
    /// [`crate::Error::Input`] if `z` has the wrong length, [`crate::Error::Numerical`] if a run leaves the real numbers.
    pub fn evaluate(&self, z: &[f64]) -> Result<Evaluation> {
        let jacobians = self.jacobians(z)?;
        let Evaluation { mut log_density, mut gradient, mut information } = self.untested(z);
        let (_, coordinates) = self.spread(z);
        self.likelihood(z, &jacobians, |green, set, part, slopes| {
            let active = &self.greens[green].active;
            log_density += part.log_density;
            self.add_slopes(&mut gradient, green, set, &part, slopes);
            let rows = slopes.select_rows(&set.tests);
            let of_tests = rows.tr_mul(&part.information) * &rows;
            for (a, &i) in active.iter().enumerate() {
                for (b, &j) in active.iter().enumerate() {
                    information[(i, j)] += of_tests[(a, b)];
                }
            }
            for (k, i) in coordinates.iter().enumerate() {
                for (l, j) in coordinates.iter().enumerate() {
                    if let (Some(i), Some(j)) = (i, j) {
                        information[(*i, *j)] += part.spread_information[k][l];
                    }
                }
            }
        })?;
        Ok(Evaluation { log_density, gradient, information })
    }

    fn add_slopes(&self, gradient: &mut DVector<f64>, green: usize, set: &CoreSet, part: &Part, slopes: &DMatrix<f64>) {
        let active = &self.greens[green].active;
        for (row, &test) in set.tests.iter().enumerate() {
            for (column, &i) in active.iter().enumerate() {
                gradient[i] += slopes[(test, column)] * part.by_prediction[row];
            }
        }
        let at = [Some(Unknown::CoreSd.index()), Some(Unknown::LaboratorySd.index()), self.correlation_index()];
        for (slope, index) in part.by_spread.iter().zip(at) {
            if let Some(i) = index {
                gradient[i] += slope;
            }
        }
    }

    /// Hands every core set's part of the likelihood to `take`.
    fn likelihood(
        &self,
        z: &[f64],
        jacobians: &[Slopes],
        mut take: impl FnMut(usize, &CoreSet, Part, &DMatrix<f64>),
    ) -> Result<()> {
        let (spread, _) = self.spread(z);
        for (g, (values, slopes)) in jacobians.iter().enumerate() {
            let tests = &self.site.greens[g].tests;
            for set in &self.greens[g].sets {
                let residual = set.tests.iter().map(|&i| tests[i].om_percent - values[i]);
                let residuals = DVector::from_iterator(set.tests.len(), residual);
                let freedom = self.priors.scatter.degrees_of_freedom;
                match set.part(tests, &residuals, &spread, freedom) {
                    Some(part) => take(g, set, part, slopes),
                    None => return Err(self.blame(z)),
                }
            }
        }
        if z.iter().all(|z| z.is_finite()) { Ok(()) } else { Err(self.blame(z)) }
    }
}
