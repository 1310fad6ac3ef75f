//! Programmes run forward on draws of the unknowns and on weather years drawn from the record.

use super::outset::{Grain, Outlook, Outset, Progress};
use crate::column::{Ledger, Reading, Sample};
use crate::engine::Outcome;
use crate::error::{Problems, Result};
use crate::practice::programme::{Calendar, Programme, YearShare, area_by_year};
use chrono::{Datelike, NaiveDate};
use rayon::prelude::*;
use std::sync::atomic::Ordering;

/// What must hold: organic matter in a depth window at or below a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// Which of the forecast's samples.
    pub sample: usize,
    /// Highest organic matter allowed (%).
    pub om_percent: f64,
}

/// Work of one programme in one calendar year, the mean over the weather sequences.
pub type YearOfWork = YearShare;

/// Every programme, green, year, sample and draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// First day of the forecast.
    pub start: NaiveDate,
    /// Dates of the readings: the start, then the end of each year.
    pub dates: Vec<NaiveDate>,
    /// Calendar years of the ledgers.
    pub ledger_years: Vec<i32>,
    /// Programmes, greens, dates, samples, draws.
    pub shape: [usize; 5],
    /// Organic matter (% of dry mass), in the order of `shape`.
    pub om_percent: Vec<f64>,
    /// Organic matter (g/m2), in the order of `shape`.
    pub om_g_m2: Vec<f64>,
    /// Thickness of the sample (mm), in the order of `shape`.
    pub thickness_mm: Vec<f64>,
    /// Height of the surface above where the record began (mm): programmes, greens, dates, draws.
    pub surface_mm: Vec<f64>,
    /// Mean ledger over draws: programmes, greens, ledger years.
    pub ledgers: Vec<Ledger<f64>>,
    /// Mean work: programmes, calendar years of the forecast.
    pub work: Vec<Vec<YearOfWork>>,
    /// The calendars of each programme: one for each weather sequence, or one that serves them all.
    pub calendars: Vec<Vec<Calendar>>,
}

/// Green, draw, and what becomes of it.
type Told = ((usize, usize), Outcome<f64>);

impl Forecast {
    /// Runs programmes forward and reads samples at the end of each year. The result depends on the seed and not on the
    /// number of threads.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for no programme, no draw, no sample or no year, two programmes with one name, and all that
    /// calendars, weather and plans refuse; [`crate::Error::Interrupted`] if `progress.stop` was set.
    pub fn run(
        outlook: &Outlook<'_>,
        programmes: &[Programme],
        samples: &[Sample],
        progress: &Progress,
    ) -> Result<Self> {
        let mut p = Problems::default();
        p.require(!samples.is_empty(), "samples", "none", "at least one window or layer");
        p.into_result(())?;
        let outset = Outset::new(outlook, Grain::Fitted, progress)?;
        let calendars = outset.all_calendars(programmes)?;
        let asked: Vec<(NaiveDate, Sample)> =
            outset.dates.iter().flat_map(|date| samples.iter().map(|sample| (*date, *sample))).collect();
        outset.validate(&asked)?;
        let parts: Vec<(usize, usize)> = (0..programmes.len())
            .flat_map(|programme| (0..outset.sequences()).map(move |sequence| (programme, sequence)))
            .collect();
        let found: Vec<Vec<Vec<Told>>> = parts
            .par_iter()
            .map(|&(programme, sequence)| {
                let told = outset.under(sequence, &calendars[programme], &asked, |members, onward, plan| {
                    progress.go_on()?;
                    let outcomes = onward.run(plan)?;
                    Ok(members.iter().copied().zip(outcomes).collect())
                });
                progress.done.fetch_add(1, Ordering::Relaxed);
                told
            })
            .collect::<Result<_>>()?;
        let mut forecast = Self::blank(&outset, programmes.len(), samples.len(), calendars);
        for ((programme, _), groups) in parts.iter().zip(&found) {
            for ((green, draw), outcome) in groups.iter().flatten() {
                forecast.place(programme * outset.greens + green, *draw, outcome);
            }
        }
        Ok(forecast)
    }

    fn blank(outset: &Outset, programmes: usize, samples: usize, calendars: Vec<Vec<Calendar>>) -> Self {
        let shape = [programmes, outset.greens, outset.dates.len(), samples, outset.draws];
        let ledger_years: Vec<i32> = (outset.start.year()..=outset.last_day().year()).collect();
        let size: usize = shape.iter().product();
        Self {
            start: outset.start,
            dates: outset.dates.clone(),
            shape,
            om_percent: vec![0.0; size],
            om_g_m2: vec![0.0; size],
            thickness_mm: vec![0.0; size],
            surface_mm: vec![0.0; size / shape[3]],
            ledgers: vec![Ledger::opened(0.0, 0.0); programmes * outset.greens * ledger_years.len()],
            work: calendars.iter().map(|calendars| mean_work(calendars, &ledger_years)).collect(),
            calendars,
            ledger_years,
        }
    }

    fn place(&mut self, row: usize, draw: usize, outcome: &Outcome<f64>) {
        let [_, _, dates, samples, draws] = self.shape;
        for date in 0..dates {
            for sample in 0..samples {
                let reading: &Reading<f64> = &outcome.readings[date * samples + sample];
                let at = ((row * dates + date) * samples + sample) * draws + draw;
                self.om_percent[at] = reading.om_percent();
                self.om_g_m2[at] = reading.om_g_m2;
                self.thickness_mm[at] = reading.thickness_mm;
            }
            self.surface_mm[(row * dates + date) * draws + draw] = outcome.surface_mm[date * samples];
        }
        let years = self.ledger_years.len();
        let last = &outcome.years[outcome.years.len() - years..];
        for (mean, year) in self.ledgers[row * years..].iter_mut().zip(last) {
            *mean = mean.plus_share(year, 1.0 / draws as f64);
        }
    }

    /// Probability that a target holds: programmes, greens, dates; and on all greens at once: programmes, dates.
    ///
    /// # Errors
    /// [`crate::Error::Input`] if the target names a sample that the forecast does not hold.
    pub fn probability(&self, target: &Target) -> Result<(Vec<f64>, Vec<f64>)> {
        let [programmes, greens, dates, samples, draws] = self.shape;
        let mut p = Problems::default();
        p.require(target.sample < samples, "target.sample", target.sample, format!("a sample below {samples}"));
        p.into_result(())?;
        let holds = |programme: usize, green: usize, date: usize, draw: usize| {
            let at = (((programme * greens + green) * dates + date) * samples + target.sample) * draws + draw;
            self.om_percent[at] <= target.om_percent
        };
        let share = |count: usize| count as f64 / draws as f64;
        let mut each = Vec::with_capacity(programmes * greens * dates);
        let mut all = Vec::with_capacity(programmes * dates);
        for programme in 0..programmes {
            for green in 0..greens {
                each.extend((0..dates).map(|d| share((0..draws).filter(|&n| holds(programme, green, d, n)).count())));
            }
            all.extend((0..dates).map(|d| {
                share((0..draws).filter(|&n| (0..greens).all(|green| holds(programme, green, d, n))).count())
            }));
        }
        Ok((each, all))
    }
}

/// Work of each year, mean over calendars.
fn mean_work(calendars: &[Calendar], years: &[i32]) -> Vec<YearOfWork> {
    let share = 1.0 / calendars.len() as f64;
    let mut mean: Vec<YearOfWork> = years.iter().map(|&year| YearShare::nothing(year)).collect();
    for year in calendars.iter().flat_map(|calendar| area_by_year(&calendar.dated)) {
        if let Some(mean) = mean.iter_mut().find(|mean| mean.year == year.year) {
            *mean = mean.plus_share(&year, share);
        }
    }
    mean
}
