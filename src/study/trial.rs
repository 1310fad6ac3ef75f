//! Trials simulated from stated variances and analysed as they would be: what a design can be expected to find.

use super::mixed::{Criterion, MixedModel, RandomTerm};
use crate::error::{Problems, Result};
use nalgebra::{DMatrix, DVector};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

/// What a treatment is laid on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Treated {
    /// Plots: each block holds one of each of the two treatments.
    Plots {
        /// Blocks on each green.
        blocks: usize,
    },
    /// Whole greens: half of those of each site.
    Greens,
    /// Whole sites: half of them.
    Sites,
}

/// How two treatments are laid out and sampled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Design {
    /// Sites.
    pub sites: usize,
    /// Greens of each site.
    pub greens: usize,
    /// What a treatment is laid on.
    pub treated: Treated,
    /// Seasons under treatment.
    pub seasons: usize,
    /// Tests of each unit in a season.
    pub tests: usize,
    /// Tests of each unit before treatment, whose mean is taken off; none if zero.
    pub tests_before: usize,
    /// Cores mixed into a test.
    pub cores: usize,
}

/// Standard deviations of what makes tests differ (% OM). What the plots of a block share needs none: it leaves with
/// their difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Variances {
    /// Between sites.
    pub site_sd: f64,
    /// Between greens of a site.
    pub green_sd: f64,
    /// Between plots of a block.
    pub plot_sd: f64,
    /// Of the difference between treatments, from site to site.
    pub site_difference_sd: f64,
    /// Of the difference between treatments, from green to green of a site.
    pub green_difference_sd: f64,
    /// Of a unit from season to season.
    pub season_sd: f64,
    /// Between cores of a unit, what a probe meets of holes included.
    pub core_sd: f64,
    /// Between repeats of the laboratory.
    pub laboratory_sd: f64,
}

/// What many simulated trials found.
#[derive(Debug, Clone, PartialEq)]
pub struct Trials {
    /// Estimated difference of each trial (% OM).
    pub difference: Vec<f64>,
    /// Its standard error (% OM).
    pub se: Vec<f64>,
    /// Its degrees of freedom.
    pub df: Vec<f64>,
    /// Two-sided probability of a difference as large were there none.
    pub p: Vec<f64>,
}

impl Design {
    /// Tests that the design takes.
    ///
    /// ```
    /// use matledger::study::{Design, Treated};
    /// let treated = Treated::Plots { blocks: 4 };
    /// let design = Design { sites: 1, greens: 1, treated, seasons: 3, tests: 2, tests_before: 1, cores: 10 };
    /// assert_eq!(design.test_count(), 8 * (3 * 2 + 1));
    /// ```
    pub fn test_count(&self) -> usize {
        let units = match self.treated {
            Treated::Plots { blocks } => 2 * self.sites * self.greens * blocks,
            Treated::Greens | Treated::Sites => self.sites * self.greens,
        };
        units * (self.seasons * self.tests + self.tests_before)
    }

    fn check(&self) -> Problems {
        let mut p = Problems::default();
        let counts = [
            ("sites", self.sites),
            ("greens", self.greens),
            ("seasons", self.seasons),
            ("tests", self.tests),
            ("cores", self.cores),
        ];
        for (name, count) in counts {
            p.require((1..=1000).contains(&count), name, count, "a whole number from 1 to 1000");
        }
        p.require(self.tests_before <= 1000, "tests_before", self.tests_before, "a whole number from 0 to 1000");
        let (rows, what) = match self.treated {
            Treated::Plots { blocks } => {
                p.require((1..=1000).contains(&blocks), "blocks", blocks, "a whole number from 1 to 1000");
                (self.sites.saturating_mul(self.greens).saturating_mul(blocks), "blocks")
            }
            Treated::Greens => {
                let even = self.greens.is_multiple_of(2);
                p.require(even, "greens", self.greens, "an even number, half of them under each treatment");
                (self.sites.saturating_mul(self.greens), "greens")
            }
            Treated::Sites => {
                let even = self.sites.is_multiple_of(2);
                p.require(even, "sites", self.sites, "an even number, half of them under each treatment");
                (self.sites.saturating_mul(self.greens), "greens")
            }
        };
        let least = if matches!(self.treated, Treated::Plots { .. }) { 2 } else { 3 };
        p.require((least..=2000).contains(&rows), what, rows, format!("{least} to 2000 in all"));
        if self.treated == Treated::Sites {
            p.require(self.sites > 2, "sites", self.sites, "more than one site under each treatment");
        }
        p
    }

    /// The model that the trial is analysed by, and how its rows are drawn.
    ///
    /// Plots: the differences within blocks, which take out all that a block, green and site have in common. Greens and
    /// sites: the means of greens. All are balanced, so means over seasons and tests carry all that rows would.
    fn analysis(&self, v: &Variances) -> Result<Analysis> {
        let (sites, greens) = (self.sites, self.greens);
        let seasons = self.seasons as f64;
        let test = v.laboratory_sd.powi(2) + v.core_sd.powi(2) / self.cores as f64;
        let mut error = v.season_sd.powi(2) / seasons + test / (seasons * self.tests as f64);
        // A baseline takes out what stays with a unit and brings in its own error.
        let lasting = |sd: f64| if self.tests_before == 0 { sd * sd } else { 0.0 };
        if self.tests_before > 0 {
            error += v.season_sd.powi(2) + test / self.tests_before as f64;
        }
        let site_difference = v.site_difference_sd.powi(2);
        let green_difference = v.green_difference_sd.powi(2);
        let (x, drawn) = match self.treated {
            Treated::Plots { blocks } => {
                let rows = sites * greens * blocks;
                let drawn = vec![
                    Drawn::new("site", (0..rows).map(|row| row / (greens * blocks)), site_difference),
                    Drawn::new("green", (0..rows).map(|row| row / blocks), green_difference),
                    Drawn::residual(rows, 2.0 * (lasting(v.plot_sd) + error)),
                ];
                (DMatrix::from_element(rows, 1, 1.0), drawn)
            }
            // The deviations of a difference are shared out over the two treatments that it is between.
            Treated::Greens => {
                let rows = sites * greens;
                let under = |row: usize| (row % greens) % 2;
                let drawn = vec![
                    Drawn::new("site", (0..rows).map(|row| row / greens), lasting(v.site_sd)),
                    Drawn::new(
                        "site and treatment",
                        (0..rows).map(|row| 2 * (row / greens) + under(row)),
                        site_difference / 2.0,
                    ),
                    Drawn::residual(rows, lasting(v.green_sd) + green_difference / 2.0 + error),
                ];
                (treated_or_not(rows, under), drawn)
            }
            Treated::Sites => {
                let rows = sites * greens;
                let drawn = vec![
                    Drawn::new("site", (0..rows).map(|row| row / greens), lasting(v.site_sd) + site_difference / 2.0),
                    Drawn::residual(rows, lasting(v.green_sd) + green_difference / 2.0 + error),
                ];
                (treated_or_not(rows, |row| (row / greens) % 2), drawn)
            }
        };
        Analysis::new(x, drawn, self.sites)
    }
}

impl Variances {
    fn check(&self, p: &mut Problems) {
        let given = [
            ("site_sd", self.site_sd),
            ("green_sd", self.green_sd),
            ("plot_sd", self.plot_sd),
            ("site_difference_sd", self.site_difference_sd),
            ("green_difference_sd", self.green_difference_sd),
            ("season_sd", self.season_sd),
            ("core_sd", self.core_sd),
            ("laboratory_sd", self.laboratory_sd),
        ];
        for (name, sd) in given {
            p.require(sd.is_finite() && sd >= 0.0, name, sd, "a standard deviation of 0 or more (% OM)");
        }
        let scatter = self.core_sd > 0.0 || self.laboratory_sd > 0.0;
        p.require(scatter, "core_sd", self.core_sd, "cores or a laboratory that scatter");
    }
}

/// Effects of one grouping, as drawn.
struct Drawn {
    name: &'static str,
    levels: Vec<usize>,
    sd: f64,
}

impl Drawn {
    fn new(name: &'static str, levels: impl Iterator<Item = usize>, variance: f64) -> Self {
        Self { name, levels: levels.collect(), sd: variance.sqrt() }
    }

    fn residual(rows: usize, variance: f64) -> Self {
        Self::new("residual", 0..rows, variance)
    }

    fn level_count(&self) -> usize {
        self.levels.iter().max().map_or(0, |most| most + 1)
    }
}

fn treated_or_not(rows: usize, under: impl Fn(usize) -> usize) -> DMatrix<f64> {
    DMatrix::from_fn(rows, 2, |row, column| if column == 0 { 1.0 } else { under(row) as f64 })
}

struct Analysis {
    x: DMatrix<f64>,
    drawn: Vec<Drawn>,
    model: MixedModel,
}

impl Analysis {
    fn new(x: DMatrix<f64>, mut drawn: Vec<Drawn>, sites: usize) -> Result<Self> {
        let rows = x.nrows();
        // Of a single site or green the answer is about that one, so it has no deviation.
        drawn.retain(|part| part.level_count() >= 2 && (sites > 1 || !part.name.starts_with("site")));
        let mut terms: Vec<RandomTerm> = Vec::new();
        for part in &drawn {
            let apart = part.level_count() < rows && terms.iter().all(|term| term.levels != part.levels);
            if apart {
                terms.push(RandomTerm::intercept(part.name, part.levels.clone()));
            }
        }
        Ok(Self { model: MixedModel::new(x.clone(), terms)?, x, drawn })
    }

    fn response(&self, difference: f64, stream: &mut ChaCha8Rng) -> DVector<f64> {
        let mut y = self.x.column(self.x.ncols() - 1) * difference;
        for part in &self.drawn {
            let effects: Vec<f64> = (0..part.level_count())
                .map(|_| part.sd * Distribution::<f64>::sample(&StandardNormal, stream))
                .collect();
            for (value, level) in y.iter_mut().zip(&part.levels) {
                *value += effects[*level];
            }
        }
        y
    }
}

impl Trials {
    /// Draws and analyses `trials` trials of a true mean difference (% OM) between the treatments over the seasons.
    ///
    /// Every trial is drawn from the stated variances and fitted by restricted likelihood, its difference tested with
    /// Satterthwaite's degrees of freedom. With several sites or greens the difference is that of their population; with
    /// one it is that one's. Trial `n` of a seed is the same however many are drawn and on however many threads.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for counts, deviations or a difference outside their range, or a design that leaves nothing to
    /// estimate the error from; [`crate::Error::Numerical`] if a fit does not settle.
    pub fn run(design: &Design, variances: &Variances, difference: f64, trials: usize, seed: u64) -> Result<Self> {
        let mut p = design.check();
        variances.check(&mut p);
        p.require(difference.is_finite(), "difference", difference, "a finite number (% OM)");
        p.require((1..=1_000_000).contains(&trials), "trials", trials, "a whole number from 1 to 1000000");
        p.into_result(())?;
        let analysis = design.analysis(variances)?;
        let fixed = analysis.x.ncols();
        let weights = DVector::from_fn(fixed, |i, _| f64::from(u8::from(i + 1 == fixed)));
        let found = (0..trials)
            .into_par_iter()
            .map(|trial| {
                let mut stream = ChaCha8Rng::seed_from_u64(seed);
                stream.set_stream(trial as u64);
                let y = analysis.response(difference, &mut stream);
                analysis.model.fit(&y, Criterion::Restricted)?.estimate(&weights)
            })
            .collect::<Result<Vec<_>>>()?;
        Ok(Self {
            difference: found.iter().map(|e| e.value).collect(),
            se: found.iter().map(|e| e.se).collect(),
            df: found.iter().map(|e| e.df).collect(),
            p: found.iter().map(|e| e.p).collect(),
        })
    }

    /// Share of trials that find a difference at level `alpha`.
    pub fn power(&self, alpha: f64) -> f64 {
        self.p.iter().filter(|p| **p < alpha).count() as f64 / self.p.len() as f64
    }
}
