//! Coordinates in which a posterior is nearer to a standard normal than in its own.
//!
//! Three things keep it from one: correlation, which a linear map takes out; a skew of single coordinates, as of a share
//! that tests bound on one side only; and ridges that bend ([`Bend`]). Of some the model knows the form beforehand, of
//! others only which unknowns make up for each other ([`Ridge`]): those are learnt from draws.

use super::mode::{Draws, Fit};
use crate::error::{Error, Result};
use nalgebra::{Cholesky, DMatrix, DVector};

/// A bend that straightens a ridge of the density.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bend {
    /// The deviation of one of several from their mean, in units of an unknown spread `exp(log_sd z)`: where tests fix the
    /// deviation itself, it is the product with the spread that is known. `share` 0 leaves the deviation as it is, 1
    /// multiplies it by the whole spread, relative to `at` (Papaspiliopoulos, Roberts & Skold 2007, Stat. Sci. 22:59-73,
    /// from memory).
    Centred {
        /// Coordinate of the deviation.
        deviation: usize,
        /// Coordinate of the spread.
        spread: usize,
        /// Slope of the log of the spread along its coordinate.
        log_sd: f64,
        /// How far to centre (-).
        share: f64,
        /// Where the spread's coordinate leaves the deviation as it is.
        at: f64,
    },
    /// Two error scales of which tests know the sum of squares: its root and the ratio of the two take their places.
    Summed {
        /// Coordinates of the two.
        of: [usize; 2],
        /// Slopes of their logs along their coordinates.
        log_sd: [f64; 2],
        /// Their logs where their coordinates are 0.
        log_median: [f64; 2],
    },
    /// A skewed coordinate: `middle + scale u + skew (sqrt(1 + u^2) - 1)`.
    Skewed {
        /// Which.
        of: usize,
        /// Its median.
        middle: f64,
        /// Mean of the slopes of its two ends.
        scale: f64,
        /// Half their difference; smaller than `scale`.
        skew: f64,
    },
    /// A coordinate that moves by `slope` times the product of two others (or of one with itself), each from its middle.
    Sheared {
        /// Which.
        of: usize,
        /// The two others.
        by: [usize; 2],
        /// Their middles.
        middle: [f64; 2],
        /// How far it moves.
        slope: f64,
    },
}

/// Unknowns that make up for each other along a bent ridge: `of` follows from products of the others.
#[derive(Debug, Clone, PartialEq)]
pub struct Ridge {
    /// The coordinate that is moved.
    pub of: usize,
    /// Those that it follows from.
    pub by: Vec<usize>,
}

impl Ridge {
    /// The same ridge of coordinates that stand so many places later.
    pub(super) fn shifted(&self, places: usize) -> Self {
        Self { of: self.of + places, by: self.by.iter().map(|i| i + places).collect() }
    }

    /// Its bend, from draws: least squares on the other coordinates and on the products. One draw's worth of shrinkage
    /// keeps products apart that the draws do not tell from each other. None from fewer than five draws for each term.
    fn learnt(&self, draws: &Draws) -> Vec<Bend> {
        let matrix = DMatrix::from_fn(draws.len(), draws[0].len(), |i, j| draws[i][j]);
        let middle = matrix.row_mean();
        let scale = matrix.row_variance().map(f64::sqrt);
        if scale.iter().any(|scale| *scale <= 0.0) {
            return Vec::new();
        }
        let others: Vec<usize> = (0..matrix.ncols()).filter(|&j| j != self.of).collect();
        let pairs = self.by.iter().enumerate().flat_map(|(k, &a)| self.by[k..].iter().map(move |&b| [a, b]));
        let pairs: Vec<[usize; 2]> = pairs.collect();
        if draws.len() < DRAWS_FOR_EACH * (others.len() + pairs.len()) {
            return Vec::new();
        }
        let away = DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |i, j| (matrix[(i, j)] - middle[j]) / scale[j]);
        let mut terms =
            DMatrix::from_fn(away.nrows(), others.len() + pairs.len(), |i, k| match k.checked_sub(others.len()) {
                None => away[(i, others[k])],
                Some(k) => away[(i, pairs[k][0])] * away[(i, pairs[k][1])],
            });
        let means = terms.row_mean();
        terms.row_iter_mut().for_each(|mut row| row -= &means);
        let count = terms.ncols();
        let Some(factor) = Cholesky::new(terms.tr_mul(&terms) + DMatrix::identity(count, count)) else {
            return Vec::new();
        };
        let slopes = factor.solve(&terms.tr_mul(&away.column(self.of)));
        let bend = |(&by, slope): (&[usize; 2], &f64)| Bend::Sheared {
            of: self.of,
            by,
            middle: by.map(|i| middle[i]),
            slope: slope * scale[self.of] / (scale[by[0]] * scale[by[1]]),
        };
        pairs.iter().zip(slopes.iter().skip(others.len())).map(bend).collect()
    }
}

/// `ln(1 + exp(x))`.
fn softplus(x: f64) -> f64 {
    (-x.abs()).exp().ln_1p() + x.max(0.0)
}

impl Bend {
    /// The same bend of coordinates that stand so many places later.
    pub(super) fn shifted(mut self, by: usize) -> Self {
        match &mut self {
            Self::Centred { deviation, spread, .. } => (*deviation, *spread) = (*deviation + by, *spread + by),
            Self::Summed { of, .. } => *of = of.map(|i| i + by),
            Self::Skewed { of, .. } => *of += by,
            Self::Sheared { of, by: others, .. } => (*of, *others) = (*of + by, others.map(|i| i + by)),
        }
        self
    }

    /// Puts the density's coordinates in place of the straightened.
    fn forth(&self, z: &mut [f64]) {
        match *self {
            Self::Centred { deviation, spread, log_sd, share, at } => {
                z[deviation] *= (-share * log_sd * (z[spread] - at)).exp();
            }
            Self::Summed { of: [first, second], log_sd, log_median } => {
                let (sum, ratio) = (log_sd[0] * z[first], log_sd[1] * z[second]);
                let log_second = sum - 0.5 * softplus(2.0 * ratio);
                z[first] = (log_second + ratio - log_median[0]) / log_sd[0];
                z[second] = (log_second - log_median[1]) / log_sd[1];
            }
            Self::Skewed { of, middle, scale, skew } => {
                let u = z[of];
                z[of] = middle + scale * u + skew * ((1.0 + u * u).sqrt() - 1.0);
            }
            Self::Sheared { of, by: [a, b], middle, slope } => z[of] += slope * (z[a] - middle[0]) * (z[b] - middle[1]),
        }
    }

    /// Puts the straightened coordinates in place of the density's, and slopes of a log density along them in place of
    /// those along the density's; the log of the volume that a unit of straightened volume takes up.
    fn back(&self, z: &mut [f64], slopes: &mut [f64]) -> f64 {
        match *self {
            Self::Centred { deviation, spread, log_sd, share, at } => {
                let rate = share * log_sd;
                let log_volume = -rate * (z[spread] - at);
                slopes[spread] -= rate * (z[deviation] * slopes[deviation] + 1.0);
                slopes[deviation] *= log_volume.exp();
                z[deviation] *= (-log_volume).exp();
                log_volume
            }
            Self::Summed { of: [first, second], log_sd, log_median } => {
                let log_first = log_median[0] + log_sd[0] * z[first];
                let log_second = log_median[1] + log_sd[1] * z[second];
                let ratio = log_first - log_second;
                let sum = log_second + 0.5 * softplus(2.0 * ratio);
                let share = 1.0 / (1.0 + (-2.0 * ratio).exp());
                let (by_first, by_second) = (slopes[first] / log_sd[0], slopes[second] / log_sd[1]);
                slopes[first] = log_sd[0] * (by_first + by_second);
                slopes[second] = log_sd[1] * ((1.0 - share) * by_first - share * by_second);
                (z[first], z[second]) = (sum / log_sd[0], ratio / log_sd[1]);
                0.0
            }
            Self::Skewed { of, middle, scale, skew } => {
                let away = z[of] - middle + skew;
                let narrowed = scale * scale - skew * skew;
                let u = (scale * away - skew * (away * away + narrowed).sqrt()) / narrowed;
                let root = (1.0 + u * u).sqrt();
                let slope = scale + skew * u / root;
                slopes[of] = slopes[of] * slope + skew / (slope * root * root * root);
                z[of] = u;
                slope.ln()
            }
            Self::Sheared { of, by: [a, b], middle, slope } => {
                let (from_a, from_b) = (z[a] - middle[0], z[b] - middle[1]);
                z[of] -= slope * from_a * from_b;
                slopes[a] += slope * from_b * slopes[of];
                slopes[b] += slope * from_a * slopes[of];
                0.0
            }
        }
    }
}

/// Coordinates in which a density is nearly standard normal: `z = bends(centre + lower x)`.
#[derive(Debug, Clone, PartialEq)]
pub struct Coordinates {
    /// The density's own, then those of single coordinates that were learnt; `z` comes from undoing the last first.
    bends: Vec<Bend>,
    ridges: Vec<Ridge>,
    centre: DVector<f64>,
    lower: DMatrix<f64>,
}

/// Learnt bends as numbers: of [`Bend::Skewed`] which, middle, scale and skew; of [`Bend::Sheared`] which, by which two, their
/// middles and the slope.
pub type Learnt = (Vec<[f64; 4]>, Vec<[f64; 6]>);

/// A place, seen from the straightened side.
pub(super) struct Seen {
    pub x: DVector<f64>,
    pub slopes: DVector<f64>,
    pub log_volume: f64,
}

/// Quantiles that a skew is read from, and the standard normal's there.
const TAIL: f64 = 0.1;
const TAIL_NORMAL: f64 = 1.281_551_565_544_6;
/// Largest skew over scale.
const MOST_SKEW: f64 = 0.9;
/// Draws for each coordinate, and for each term of a ridge, from which new coordinates are learnt.
pub(super) const DRAWS_FOR_EACH: usize = 5;

impl Coordinates {
    /// In which a normal with this mean and covariance is standard.
    ///
    /// # Errors
    /// [`Error::Numerical`] if the covariance is not positive definite.
    pub fn new(mean: &[f64], covariance: DMatrix<f64>) -> Result<Self> {
        Self::linear(Vec::new(), Vec::new(), DVector::from_column_slice(mean), covariance)
    }

    /// From Laplace's approximation, with the bends and ridges that the model knows of.
    ///
    /// # Errors
    /// [`Error::Numerical`] if the information at the mode cannot be inverted.
    pub fn at(fit: &Fit, bends: Vec<Bend>, ridges: Vec<Ridge>) -> Result<Self> {
        let n = fit.mode.len();
        let straighten = |slopes: &[f64]| {
            let (mut z, mut slopes) = (fit.mode.clone(), slopes.to_vec());
            for bend in &bends {
                bend.back(&mut z, &mut slopes);
            }
            (DVector::from_vec(z), DVector::from_vec(slopes))
        };
        let (centre, from_volume) = straighten(&vec![0.0; n]);
        let mut transposed = DMatrix::zeros(n, n);
        for i in 0..n {
            let mut unit = vec![0.0; n];
            unit[i] = 1.0;
            transposed.set_column(i, &(straighten(&unit).1 - &from_volume));
        }
        let information = &transposed * &fit.information * transposed.transpose();
        let factor = Cholesky::new(information).ok_or_else(not_positive)?;
        Self::linear(bends, ridges, centre, factor.inverse())
    }

    fn linear(bends: Vec<Bend>, ridges: Vec<Ridge>, centre: DVector<f64>, covariance: DMatrix<f64>) -> Result<Self> {
        let lower = Cholesky::new(covariance).ok_or_else(not_positive)?.unpack();
        Ok(Self { bends, ridges, centre, lower })
    }

    /// Learnt anew from draws of the density: the skew of each coordinate, the bends of ridges, then mean and covariance.
    /// The same if there are fewer than five draws for each coordinate.
    ///
    /// # Errors
    /// [`Error::Numerical`] if the draws do not span the space.
    pub fn learnt(&self, draws: &Draws) -> Result<Self> {
        let n = self.centre.len();
        if draws.len() < DRAWS_FOR_EACH * n {
            return Ok(self.clone());
        }
        let learnt = |bend: &&Bend| matches!(bend, Bend::Skewed { .. } | Bend::Sheared { .. });
        let mut bends: Vec<Bend> = self.bends.iter().filter(|bend| !learnt(bend)).copied().collect();
        let mut rows = draws.clone();
        let mut unused = vec![0.0; n];
        let mut undo = |bend: &Bend, rows: &mut Draws| {
            for row in rows {
                bend.back(row, &mut unused);
            }
        };
        for bend in &bends {
            undo(bend, &mut rows);
        }
        for of in 0..n {
            let mut sorted: Vec<f64> = rows.iter().map(|row| row[of]).collect();
            sorted.sort_by(f64::total_cmp);
            let at = |share: f64| sorted[(share * (sorted.len() - 1) as f64).round() as usize];
            let (low, middle, high) = (at(TAIL), at(0.5), at(1.0 - TAIL));
            let scale = (high - low) / (2.0 * TAIL_NORMAL);
            let skew = (high + low - 2.0 * middle) / (2.0 * ((1.0 + TAIL_NORMAL * TAIL_NORMAL).sqrt() - 1.0));
            let skew = skew.clamp(-MOST_SKEW * scale, MOST_SKEW * scale);
            if scale > 0.0 {
                let bend = Bend::Skewed { of, middle, scale, skew };
                undo(&bend, &mut rows);
                bends.push(bend);
            }
        }
        for ridge in &self.ridges {
            let bent = ridge.learnt(&rows);
            for bend in &bent {
                undo(bend, &mut rows);
            }
            bends.extend(bent);
        }
        let count = rows.len() as f64;
        let matrix = DMatrix::from_fn(rows.len(), n, |i, j| rows[i][j]);
        let centre = matrix.row_mean().transpose();
        let away = DMatrix::from_fn(rows.len(), n, |i, j| rows[i][j] - centre[j]);
        Self::linear(bends, self.ridges.clone(), centre, away.tr_mul(&away) / count)
    }

    /// Number of coordinates.
    pub fn dim(&self) -> usize {
        self.centre.len()
    }

    /// The density's coordinates of a place.
    pub(super) fn position(&self, x: &[f64]) -> Vec<f64> {
        let mut z = (&self.centre + &self.lower * DVector::from_column_slice(x)).as_slice().to_vec();
        self.bends.iter().rev().for_each(|bend| bend.forth(&mut z));
        z
    }

    /// A place given in the density's coordinates, with the slopes of the log density there.
    pub(super) fn seen(&self, z: &[f64], slopes: &[f64]) -> Seen {
        let (mut z, mut slopes) = (z.to_vec(), slopes.to_vec());
        let bent: f64 = self.bends.iter().map(|bend| bend.back(&mut z, &mut slopes)).sum();
        let away = DVector::from_vec(z) - &self.centre;
        Seen {
            // The diagonal of a Cholesky factor is positive, so the solve cannot fail.
            x: self.lower.solve_lower_triangular(&away).unwrap_or(away),
            slopes: self.lower.tr_mul(&DVector::from_vec(slopes)),
            log_volume: bent + self.lower.diagonal().iter().map(|d| d.ln()).sum::<f64>(),
        }
    }

    /// All of it as numbers: the bends that were learnt, the centre and the linear map.
    pub fn numbers(&self) -> (Learnt, Vec<f64>, DMatrix<f64>) {
        let (mut skews, mut shears) = (Vec::new(), Vec::new());
        for bend in &self.bends {
            match *bend {
                Bend::Skewed { of, middle, scale, skew } => skews.push([of as f64, middle, scale, skew]),
                Bend::Sheared { of, by: [a, b], middle: [at, to], slope } => {
                    shears.push([of as f64, a as f64, b as f64, at, to, slope]);
                }
                Bend::Centred { .. } | Bend::Summed { .. } => {}
            }
        }
        ((skews, shears), self.centre.as_slice().to_vec(), self.lower.clone())
    }

    /// From [`Coordinates::numbers`] and the bends that the model knows of. Nothing more is learnt of ridges.
    pub fn from_numbers(
        mut bends: Vec<Bend>,
        (skews, shears): (&[[f64; 4]], &[[f64; 6]]),
        centre: Vec<f64>,
        lower: DMatrix<f64>,
    ) -> Self {
        let skewed = |&[of, middle, scale, skew]: &[f64; 4]| Bend::Skewed { of: of as usize, middle, scale, skew };
        bends.extend(skews.iter().map(skewed));
        let sheared = |&[of, a, b, at, to, slope]: &[f64; 6]| Bend::Sheared {
            of: of as usize,
            by: [a as usize, b as usize],
            middle: [at, to],
            slope,
        };
        bends.extend(shears.iter().map(sheared));
        Self { bends, ridges: Vec::new(), centre: DVector::from_vec(centre), lower }
    }
}

fn not_positive() -> Error {
    Error::Numerical("the covariance to straighten by is not positive definite".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    const BENDS: [Bend; 5] = [
        Bend::Centred { deviation: 0, spread: 1, log_sd: 0.5, share: 0.8, at: 0.3 },
        Bend::Summed { of: [2, 3], log_sd: [0.5, 0.4], log_median: [-1.2, -0.7] },
        Bend::Skewed { of: 1, middle: 0.2, scale: 0.7, skew: -0.4 },
        Bend::Sheared { of: 0, by: [1, 3], middle: [0.1, -0.2], slope: 0.6 },
        Bend::Sheared { of: 2, by: [0, 0], middle: [0.3, 0.3], slope: -0.2 },
    ];

    /// A log density of the density's own coordinates, with its slopes.
    fn density(z: &[f64]) -> (f64, Vec<f64>) {
        (z.iter().map(|z| z.sin() - 0.2 * z * z).sum(), z.iter().map(|z| z.cos() - 0.4 * z).collect())
    }

    #[test]
    fn places_return_and_slopes_agree_with_differences() {
        let lower = DMatrix::from_fn(4, 4, |i, j| if i < j { 0.0 } else { 0.3 + 0.1 * (i + 2 * j) as f64 });
        let covariance = &lower * lower.transpose();
        let mut coordinates = Coordinates::new(&[0.1, -0.2, 0.3, 0.4], covariance).unwrap();
        coordinates.bends = BENDS.to_vec();
        let x = [0.4, -0.9, 1.1, -0.3];
        let straight = |x: &[f64]| {
            let z = coordinates.position(x);
            let (log_density, slopes) = density(&z);
            let seen = coordinates.seen(&z, &slopes);
            (log_density + seen.log_volume, seen)
        };
        let (_, seen) = straight(&x);
        for i in 0..4 {
            assert!((seen.x[i] - x[i]).abs() < 1e-12, "{i}: {} for {}", seen.x[i], x[i]);
            let at = |by: f64| {
                let mut moved = x;
                moved[i] += by;
                straight(&moved).0
            };
            let by_difference = (at(1e-6) - at(-1e-6)) / 2e-6;
            assert!((seen.slopes[i] - by_difference).abs() < 1e-7, "{i}: {} for {by_difference}", seen.slopes[i]);
        }
    }

    /// Along a bent ridge a product is all that there is to learn.
    #[test]
    fn a_ridge_is_learnt_from_its_draws() {
        let mut stream = ChaCha8Rng::seed_from_u64(1);
        let mut normal = || -> f64 { StandardNormal.sample(&mut stream) };
        let draws: Draws = (0..400)
            .map(|_| {
                let (a, b) = (3.0 * normal(), 2.0 + 0.5 * normal());
                vec![a, b, 0.3 * a * (b - 1.0) - 0.4 * b * b + 0.01 * normal()]
            })
            .collect();
        let ridge = Ridge { of: 2, by: vec![0, 1] };
        let slopes = |draws: &[Vec<f64>]| -> Vec<([usize; 2], f64)> {
            let sheared = |bend| match bend {
                Bend::Sheared { of: 2, by, slope, .. } => (by, slope),
                other => panic!("{other:?}"),
            };
            ridge.learnt(&draws.to_vec()).into_iter().map(sheared).collect()
        };
        let found = slopes(&draws);
        let expected = [([0, 0], 0.0), ([0, 1], 0.3), ([1, 1], -0.4)];
        assert_eq!(found.len(), 3);
        for ((by, slope), (pair, true_slope)) in found.iter().zip(expected) {
            assert!(*by == pair && (slope - true_slope).abs() < 0.01, "{by:?}: {slope}");
        }
        // Five draws for each of five terms; where the origin lies does not matter.
        assert_eq!((slopes(&draws[..24]).len(), slopes(&draws[..25]).len()), (0, 3));
        let moved: Draws = draws.iter().map(|row| row.iter().map(|value| value + 1e7).collect()).collect();
        assert!(slopes(&moved).iter().zip(&found).all(|((_, a), (_, b))| (a - b).abs() < 1e-5));
    }

    /// Products that no draw tells apart take equal shares.
    #[test]
    fn a_ridge_of_twins_is_learnt_in_equal_shares() {
        let mut stream = ChaCha8Rng::seed_from_u64(3);
        let mut normal = || -> f64 { StandardNormal.sample(&mut stream) };
        let draws: Draws = (0..200)
            .map(|_| {
                let a = normal();
                vec![a, a, 0.6 * a * a + 0.01 * normal()]
            })
            .collect();
        let learnt = Ridge { of: 2, by: vec![0, 1] }.learnt(&draws);
        assert_eq!(learnt.len(), 3);
        for bend in learnt {
            let Bend::Sheared { slope, .. } = bend else { panic!("{bend:?}") };
            assert!((slope - 0.2).abs() < 0.01, "{slope}");
        }
    }

    /// A coordinate whose draws are the quantiles of a skewed one is found to be that one.
    #[test]
    fn skews_are_those_of_the_quantiles() {
        let normal = statrs::distribution::Normal::standard();
        let quantiles: Draws = (0..2001)
            .map(|i| {
                let u = statrs::distribution::ContinuousCDF::inverse_cdf(&normal, (f64::from(i) + 0.5) / 2001.0);
                vec![1.3 + 0.7 * u + 0.2 * ((1.0 + u * u).sqrt() - 1.0)]
            })
            .collect();
        let skews = |draws: &[Vec<f64>]| {
            let plain = Coordinates::new(&[0.0], DMatrix::identity(1, 1)).unwrap();
            plain.learnt(&draws.to_vec()).unwrap().bends
        };
        let [Bend::Skewed { of: 0, middle, scale, skew }] = skews(&quantiles)[..] else { panic!() };
        assert!((middle - 1.3).abs() < 1e-12 && (scale - 0.7).abs() < 0.005 && (skew - 0.2).abs() < 0.005);
        // What is too skewed to be put straight is put as straight as it can be.
        for sign in [1.0, -1.0] {
            let steep: Draws = quantiles.iter().map(|row| vec![sign * (3.0 * row[0]).exp()]).collect();
            let [Bend::Skewed { scale, skew, .. }] = skews(&steep)[..] else { panic!() };
            assert!((skew - sign * MOST_SKEW * scale).abs() < 1e-12 * scale, "{skew} {scale}");
        }
        let few: Draws = (0..21).map(|i| vec![f64::from(i)]).collect();
        let [Bend::Skewed { middle, .. }] = skews(&few)[..] else { panic!() };
        assert!((middle - 10.0).abs() < 1e-12, "{middle}");
    }

    /// What is shifted acts on later coordinates as it did on those before.
    #[test]
    fn shifted_bends_act_where_they_stand() {
        let z = [0.4, -0.9, 1.1, -0.3];
        for bend in BENDS {
            let (mut here, mut later) = (z.to_vec(), [vec![7.0; 5], z.to_vec()].concat());
            bend.forth(&mut here);
            bend.shifted(5).forth(&mut later);
            assert_eq!(later, [vec![7.0; 5], here].concat(), "{bend:?}");
        }
        let ridge = Ridge { of: 2, by: vec![0, 3] };
        assert_eq!(ridge.shifted(5), Ridge { of: 7, by: vec![5, 8] });
    }

    /// The volume is that of the map: its log determinant by differences.
    #[test]
    fn volumes_are_those_of_the_map() {
        let mut coordinates = Coordinates::new(&[0.0; 4], DMatrix::identity(4, 4) * 0.3).unwrap();
        coordinates.bends = BENDS.to_vec();
        let x = [0.4, -0.9, 1.1, -0.3];
        let map = map_at(&coordinates, &x);
        let seen = coordinates.seen(&coordinates.position(&x), &[0.0; 4]);
        assert!((seen.log_volume - map.determinant().abs().ln()).abs() < 1e-8);
    }

    /// The slopes of a place along the straightened coordinates, a column each.
    fn map_at(coordinates: &Coordinates, x: &[f64]) -> DMatrix<f64> {
        let mut map = DMatrix::zeros(x.len(), x.len());
        for j in 0..x.len() {
            let at = |by: f64| {
                let mut moved = x.to_vec();
                moved[j] += by;
                DVector::from_vec(coordinates.position(&moved))
            };
            map.set_column(j, &((at(1e-6) - at(-1e-6)) / 2e-6));
        }
        map
    }

    /// Around the mode the information is that of a standard normal.
    #[test]
    fn a_fit_is_standard_in_its_coordinates() {
        let root = DMatrix::from_fn(4, 4, |i, j| if i == j { 2.0 } else { 0.3 * (i as f64 - 1.3 * j as f64) });
        let information = &root * root.transpose();
        let mode = vec![0.3, -0.8, 0.2, 0.5];
        let fit = Fit { mode, log_density: 0.0, gradient: 0.0, steps: 0, converged: true, information };
        let coordinates = Coordinates::at(&fit, BENDS.to_vec(), Vec::new()).unwrap();
        for (z, mode) in coordinates.position(&[0.0; 4]).iter().zip(&fit.mode) {
            assert!((z - mode).abs() < 1e-12);
        }
        let map = map_at(&coordinates, &[0.0; 4]);
        let straight = map.transpose() * &fit.information * map;
        assert!((&straight - DMatrix::identity(4, 4)).amax() < 1e-7, "{straight}");
    }

    /// Draws of a skewed and bent density have mean 0 and variance 1 in the coordinates learnt from them, and less skew and
    /// bend.
    #[test]
    fn draws_are_standard_in_the_coordinates_learnt_from_them() {
        let mut stream = ChaCha8Rng::seed_from_u64(2);
        let mut normal = || -> f64 { StandardNormal.sample(&mut stream) };
        let draws: Draws = (0..4000)
            .map(|_| {
                let (a, b, c) = (normal(), normal(), normal());
                let skewed = 2.0 + 0.5 * a + 0.3 * ((1.0 + a * a).sqrt() - 1.0);
                vec![skewed, b - 0.4 * a, 0.2 * c + 0.7 * (b - 0.4 * a) * a, 3.0 * c + b]
            })
            .collect();
        let plain = Coordinates::new(&[0.0; 4], DMatrix::identity(4, 4)).unwrap();
        assert_eq!(plain.learnt(&draws[..19].to_vec()).unwrap(), plain);
        assert_ne!(plain.learnt(&draws[..20].to_vec()).unwrap(), plain);
        let centred = Bend::Centred { deviation: 3, spread: 1, log_sd: 0.2, share: 0.5, at: 0.0 };
        let ridges = vec![Ridge { of: 2, by: vec![0, 1] }];
        let start = Coordinates { bends: vec![centred], ridges, ..plain };
        let once = start.learnt(&draws).unwrap();
        let twice = once.learnt(&draws).unwrap();
        assert_eq!(once, twice, "what was learnt before is not learnt on top of");
        assert_eq!(once.bends[0], centred);
        let seen =
            |by: &Coordinates| -> Draws { draws.iter().map(|z| by.seen(z, &[0.0; 4]).x.as_slice().to_vec()).collect() };
        let mean = |draws: &Draws, of: &dyn Fn(&[f64]) -> f64| draws.iter().map(|x| of(x)).sum::<f64>() / 4000.0;
        let straight = seen(&once);
        let moments = DMatrix::from_fn(4, 4, |i, j| mean(&straight, &|x| x[i] * x[j]));
        assert!((&moments - DMatrix::identity(4, 4)).amax() < 1e-9, "{moments}");
        assert!((0..4).all(|i| mean(&straight, &|x| x[i]).abs() < 1e-11));
        let skew = mean(&straight, &|x| x[0].powi(3));
        assert!(skew.abs() < 0.1, "{skew}");
        let unbent = seen(&Coordinates { ridges: Vec::new(), ..start }.learnt(&draws).unwrap());
        let [bent, left] = [&unbent, &straight].map(|draws| mean(draws, &|x| x[0] * x[1] * x[2]).abs());
        assert!(left < 0.5 * bent, "{left} of {bent}");
    }

    #[test]
    fn coordinates_return_from_their_numbers() {
        let start = Coordinates {
            bends: BENDS.to_vec(),
            ..Coordinates::new(&[0.1; 4], DMatrix::identity(4, 4) * 0.3).unwrap()
        };
        let ((skews, shears), centre, lower) = start.numbers();
        assert_eq!((skews.len(), shears.len()), (1, 2));
        assert_eq!(Coordinates::from_numbers(BENDS[..2].to_vec(), (&skews, &shears), centre, lower), start);
    }
}
