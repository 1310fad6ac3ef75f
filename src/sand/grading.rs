//! The grading curve: how much of a sand is finer than each size.

use super::sieve::STANDS_FOR;
use crate::error::{Problems, Result};

/// Largest share by which masses on the sieves may miss the mass of the sample (-).
pub const MASS_TOLERANCE: f64 = 0.02;

/// Openings whose cumulative shares make the fineness modulus (mm): each twice the one before (ASTM C136, from memory).
pub const FINENESS_SERIES_MM: [f64; 10] = [0.15, 0.3, 0.6, 1.18, 2.36, 4.75, 9.5, 19.0, 37.5, 75.0];

/// How much of a sand is finer than each size, by mass.
#[derive(Debug, Clone, PartialEq)]
pub struct Grading {
    /// Sizes, coarse first (mm).
    sizes_mm: Vec<f64>,
    /// Finer than each size (% of mass).
    finer_percent: Vec<f64>,
}

/// A size, and whether its percentage was measured (or else read between two sieves).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finer {
    /// Finer than the size (% of mass).
    pub percent: f64,
    /// Whether a sieve stands for the size, so that nothing was interpolated.
    pub measured: bool,
}

fn check_sizes(sizes_mm: &[f64], p: &mut Problems) {
    p.require(!sizes_mm.is_empty(), "sizes_mm", "no size", "at least one sieve");
    for (i, &size) in sizes_mm.iter().enumerate() {
        p.require(size.is_finite() && size > 0.0, format!("sizes_mm[{i}]"), size, "a size above 0 mm");
        if i > 0 && size >= sizes_mm[i - 1] {
            let before = sizes_mm[i - 1];
            p.require(
                false,
                format!("sizes_mm[{i}]"),
                size,
                format!("a size below {before} mm: sieves coarse to fine"),
            );
        }
    }
}

fn check_length(p: &mut Problems, place: &str, found: usize, sizes: usize) {
    p.require(found == sizes, place, format!("{found} values"), format!("one for each sieve ({sizes})"));
}

impl Grading {
    /// From percentages finer than each size.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for sizes out of order, or percentages outside 0 to 100 or rising towards the fine end.
    pub fn from_finer(sizes_mm: Vec<f64>, finer_percent: Vec<f64>) -> Result<Self> {
        let mut p = Problems::default();
        check_sizes(&sizes_mm, &mut p);
        check_length(&mut p, "finer_percent", finer_percent.len(), sizes_mm.len());
        for (i, &percent) in finer_percent.iter().enumerate() {
            let place = format!("finer_percent[{i}]");
            p.require((0.0..=100.0).contains(&percent), &place, percent, "a percentage from 0 to 100");
            if i > 0 && percent > finer_percent[i - 1] {
                p.require(false, place, percent, format!("no more than on the sieve above ({})", finer_percent[i - 1]));
            }
        }
        p.into_result(Self { sizes_mm, finer_percent })
    }

    /// From the mass that each sieve retained (g), coarse first, and what fell through the last one.
    ///
    /// Percentages are of what was found again. With `pan_g` alone that is all there is; with `sample_g` alone the
    /// difference fell through the last sieve; with both they have to agree within 2 %.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for sieves out of order, negative masses, or masses that do not add up to the sample
    /// within 2 %.
    ///
    /// ```
    /// use matledger::sand::Grading;
    /// let sand = Grading::from_retained(vec![1.0, 0.5, 0.25], &[2.0, 38.0, 50.0], Some(10.0), Some(100.4)).unwrap();
    /// assert_eq!(sand.finer_percent(), [98.0, 60.0, 10.0]);
    /// ```
    pub fn from_retained(
        sizes_mm: Vec<f64>,
        retained_g: &[f64],
        pan_g: Option<f64>,
        sample_g: Option<f64>,
    ) -> Result<Self> {
        let mut p = Problems::default();
        check_sizes(&sizes_mm, &mut p);
        check_length(&mut p, "retained_g", retained_g.len(), sizes_mm.len());
        let mass = |p: &mut Problems, place: String, mass: f64| {
            p.require(mass.is_finite() && mass >= 0.0, place, mass, "a mass of 0 g or more");
        };
        for (i, &retained) in retained_g.iter().enumerate() {
            mass(&mut p, format!("retained_g[{i}]"), retained);
        }
        for (place, given) in [("pan_g", pan_g), ("sample_g", sample_g)] {
            if let Some(given) = given {
                mass(&mut p, place.to_owned(), given);
            }
        }
        let on_sieves: f64 = retained_g.iter().sum();
        let total = match (pan_g, sample_g) {
            (Some(pan), Some(sample)) => {
                let found = on_sieves + pan;
                let off = (found - sample).abs() / sample.max(f64::MIN_POSITIVE);
                p.require(
                    off <= MASS_TOLERANCE || !off.is_finite(),
                    "retained_g",
                    format!("{found:.1} g on the sieves and in the pan, {:.1} % off", 100.0 * off),
                    format!("the mass of the sample ({sample} g) within 2 %"),
                );
                found
            }
            (Some(pan), None) => on_sieves + pan,
            (None, Some(sample)) => {
                p.require(
                    on_sieves <= sample * (1.0 + MASS_TOLERANCE) || !on_sieves.is_finite(),
                    "retained_g",
                    format!("{on_sieves:.1} g on the sieves"),
                    format!("no more than the sample ({sample} g) and 2 %"),
                );
                on_sieves.max(sample)
            }
            (None, None) => {
                p.require(
                    false,
                    "pan_g",
                    "not given",
                    "the mass in the pan (pan_g), of the sample (sample_g), or both",
                );
                on_sieves
            }
        };
        p.require(total > 0.0 || total.is_nan(), "retained_g", total, "a sample of more than 0 g");
        p.into_result(())?;
        let mut left = total;
        let finer_percent = retained_g
            .iter()
            .map(|retained| {
                left -= retained;
                // What rounding leaves of an empty pan is no mass.
                if left.abs() < 1e-9 * total { 0.0 } else { 100.0 * (left / total) }
            })
            .collect();
        Ok(Self { sizes_mm, finer_percent })
    }

    /// From the mass retained on each sieve and all coarser ones (g).
    ///
    /// # Errors
    /// As [`Grading::from_retained`], and for masses that fall towards the fine end.
    pub fn from_cumulative(
        sizes_mm: Vec<f64>,
        cumulative_g: &[f64],
        pan_g: Option<f64>,
        sample_g: Option<f64>,
    ) -> Result<Self> {
        let mut p = Problems::default();
        for (i, pair) in cumulative_g.windows(2).enumerate() {
            p.require(
                pair[1] >= pair[0] || pair.iter().any(|mass| mass.is_nan()),
                format!("cumulative_g[{}]", i + 1),
                pair[1],
                format!("at least as much as on the sieve above ({} g)", pair[0]),
            );
        }
        p.into_result(())?;
        let before = std::iter::once(0.0).chain(cumulative_g.iter().copied());
        let retained: Vec<f64> = cumulative_g.iter().zip(before).map(|(mass, before)| mass - before).collect();
        Self::from_retained(sizes_mm, &retained, pan_g, sample_g)
    }

    /// Sizes, coarse first (mm).
    pub fn sizes_mm(&self) -> &[f64] {
        &self.sizes_mm
    }

    /// Finer than each size (% of mass).
    pub fn finer_percent(&self) -> &[f64] {
        &self.finer_percent
    }

    /// Finer than a size: measured where a sieve stands for it, else read on the line between its neighbours, log size
    /// against percentage; `None` beyond the sieves, unless all or nothing is finer there.
    pub fn finer(&self, size_mm: f64) -> Option<Finer> {
        if size_mm == 0.0 {
            return Some(Finer { percent: 0.0, measured: true });
        }
        let sizes = &self.sizes_mm;
        let near = |i: &usize| (sizes[*i] / size_mm - 1.0).abs();
        let nearest = (0..sizes.len()).min_by(|a, b| near(a).total_cmp(&near(b)))?;
        if near(&nearest) <= STANDS_FOR {
            return Some(Finer { percent: self.finer_percent[nearest], measured: true });
        }
        Some(Finer {
            percent: self.on_curve(size_mm)?,
            measured: size_mm > sizes[0] || size_mm < sizes[sizes.len() - 1],
        })
    }

    /// Mass between two sizes (%); see [`Grading::finer`].
    pub fn between(&self, lower_mm: f64, upper_mm: f64) -> Option<Finer> {
        let (lower, upper) = (self.finer(lower_mm)?, self.finer(upper_mm)?);
        Some(Finer { percent: upper.percent - lower.percent, measured: lower.measured && upper.measured })
    }

    /// Size that `percent` of the mass is finer than (mm), on the line of log size against percentage between two sieves;
    /// `None` where the sieves do not reach.
    ///
    /// The convention is that of the US Army Corps of Engineers' filter toolbox (`tests/checks/filter_example_usace.csv`).
    ///
    /// ```
    /// use matledger::sand::Grading;
    /// let sand = Grading::from_finer(vec![1.0, 0.25], vec![100.0, 0.0]).unwrap();
    /// assert!((sand.d_mm(50.0).unwrap() - 0.5).abs() < 1e-12);
    /// ```
    pub fn d_mm(&self, percent: f64) -> Option<f64> {
        let (sizes, finer) = (&self.sizes_mm, &self.finer_percent);
        let coarse = finer.iter().rposition(|finer| *finer >= percent)?;
        if finer[coarse] == percent {
            return Some(sizes[coarse]);
        }
        let fine = coarse + 1;
        let along = (percent - finer.get(fine)?) / (finer[coarse] - finer[fine]);
        Some(sizes[fine] * (sizes[coarse] / sizes[fine]).powf(along))
    }

    /// Coefficient of uniformity, `D60 / D10`.
    pub fn uniformity(&self) -> Option<f64> {
        Some(self.d_mm(60.0)? / self.d_mm(10.0)?)
    }

    /// Coefficient of curvature, `D30^2 / (D10 D60)`.
    pub fn curvature(&self) -> Option<f64> {
        let d30 = self.d_mm(30.0)?;
        Some(d30 * d30 / (self.d_mm(10.0)? * self.d_mm(60.0)?))
    }

    /// Gradation index, `D90 / D10`.
    pub fn gradation_index(&self) -> Option<f64> {
        Some(self.d_mm(90.0)? / self.d_mm(10.0)?)
    }

    /// Fineness modulus: the percentages coarser than 0.15, 0.3, 0.6, 1.18, 2.36 mm and so on, added and divided by 100
    /// (ASTM C136, from memory); a sieve that was not used is read off the curve.
    pub fn fineness_modulus(&self) -> Option<f64> {
        FINENESS_SERIES_MM.iter().map(|size| Some(1.0 - self.finer(*size)?.percent / 100.0)).sum()
    }

    /// The grading of several sands mixed by mass, on every size that any of them was sieved at and all of them reach.
    ///
    /// # Errors
    /// [`crate::Error::Input`] if a share is negative, all are 0, or the sieves have no range in common.
    pub fn mixed(parts: &[(&Grading, f64)]) -> Result<Self> {
        let mut p = Problems::default();
        for (i, (_, share)) in parts.iter().enumerate() {
            p.require(share.is_finite() && *share >= 0.0, format!("shares[{i}]"), share, "a mass of 0 or more");
        }
        let total: f64 = parts.iter().map(|(_, share)| share).sum();
        p.require(total > 0.0 || total.is_nan(), "shares", total, "a mass above 0");
        p.into_result(())?;
        let present: Vec<_> = parts.iter().filter(|(_, share)| *share > 0.0).collect();
        let mut sizes: Vec<f64> = present.iter().flat_map(|(grading, _)| grading.sizes_mm.iter().copied()).collect();
        sizes.sort_by(|a, b| b.total_cmp(a));
        sizes.dedup();
        // A mean must not round above what it is the mean of: neither above 100 nor above the next coarser size.
        let mut coarser = 100.0_f64;
        let mixed = sizes.into_iter().filter_map(|size| {
            let finer: Option<f64> = present.iter().map(|(sand, share)| Some(sand.on_curve(size)? * share)).sum();
            coarser = coarser.min(finer? / total);
            Some((size, coarser))
        });
        let (sizes_mm, finer_percent): (Vec<f64>, Vec<f64>) = mixed.unzip();
        let mut p = Problems::default();
        p.require(!sizes_mm.is_empty(), "sands", "no size that all were sieved at", "sieves with a range in common");
        p.into_result(Self { sizes_mm, finer_percent })
    }

    /// Finer than a size on the curve itself, where no sieve stands for a neighbouring size.
    fn on_curve(&self, size_mm: f64) -> Option<f64> {
        let (sizes, finer) = (&self.sizes_mm, &self.finer_percent);
        let Some(fine) = sizes.iter().position(|size| *size <= size_mm) else {
            return (finer[finer.len() - 1] == 0.0).then_some(0.0);
        };
        if sizes[fine] == size_mm {
            return Some(finer[fine]);
        }
        if fine == 0 {
            return (finer[0] == 100.0).then_some(100.0);
        }
        let along = (size_mm / sizes[fine]).ln() / (sizes[fine - 1] / sizes[fine]).ln();
        Some(finer[fine] + along * (finer[fine - 1] - finer[fine]))
    }
}

/// Porosity (-) of ground of a bulk density and a particle density (g/cm3): `1 - bulk / particle`.
///
/// # Errors
/// [`crate::Error::Input`] for densities that are not above 0, or a bulk density above that of the particles.
///
/// ```
/// let porosity = matledger::sand::grading::porosity(1.6, 2.65).unwrap();
/// assert!((porosity - 0.396).abs() < 5e-4);
/// ```
pub fn porosity(bulk_density_g_cm3: f64, particle_density_g_cm3: f64) -> Result<f64> {
    let mut p = Problems::default();
    for (place, density) in
        [("bulk_density_g_cm3", bulk_density_g_cm3), ("particle_density_g_cm3", particle_density_g_cm3)]
    {
        p.require(density.is_finite() && density > 0.0, place, density, "a density above 0 g/cm3");
    }
    p.require(
        bulk_density_g_cm3 <= particle_density_g_cm3 || bulk_density_g_cm3.is_nan() || particle_density_g_cm3.is_nan(),
        "bulk_density_g_cm3",
        bulk_density_g_cm3,
        format!("no more than the particles' ({particle_density_g_cm3} g/cm3)"),
    );
    p.into_result(1.0 - bulk_density_g_cm3 / particle_density_g_cm3)
}

/// Bulk density (g/cm3) at a porosity (-): `particle (1 - porosity)`.
///
/// # Errors
/// [`crate::Error::Input`] for a density that is not above 0 or a porosity outside 0 to 1.
pub fn bulk_density_g_cm3(porosity: f64, particle_density_g_cm3: f64) -> Result<f64> {
    let mut p = Problems::default();
    p.require((0.0..1.0).contains(&porosity), "porosity", porosity, "a share from 0 to below 1");
    let ok = particle_density_g_cm3.is_finite() && particle_density_g_cm3 > 0.0;
    p.require(ok, "particle_density_g_cm3", particle_density_g_cm3, "a density above 0 g/cm3");
    p.into_result(particle_density_g_cm3 * (1.0 - porosity))
}
