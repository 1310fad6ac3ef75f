//! Programmes run forward on draws of the unknowns and on weather years drawn from the record.

use crate::calibration::{Draws, Model};
use crate::column::{Ledger, Reading, Sample};
use crate::engine::{Dated, Outcome, Plan, Scenario, run};
use crate::error::{Error, Problems, Result};
use crate::growth::clippings::{SiteYield, YieldSource};
use crate::growth::drivers::{Drivers, Driving};
use crate::practice::programme::{Calendar, Programme, YearShare, area_by_year};
use crate::practice::rule::DegreeDays;
use crate::weather::series::Weather;
use chrono::{Datelike, Days, Months, NaiveDate};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// What is asked of the years to come.
pub struct Outlook<'a> {
    /// The fitted density, which holds the past of every green.
    pub model: &'a Model,
    /// Draws of its coordinates.
    pub draws: &'a Draws,
    /// The weather on record; years to come are drawn from its complete calendar years.
    pub weather: &'a Weather,
    /// How weather drives the site.
    pub driving: Driving,
    /// Clippings per degree day of the years to come.
    pub site_yield: SiteYield,
    /// The programmes to weigh.
    pub programmes: &'a [Programme],
    /// Years to run, from the day after the record ends.
    pub years: usize,
    /// Weather sequences to draw; draws take them in turn.
    pub sequences: usize,
    /// What is read at the end of each year.
    pub samples: &'a [Sample],
    /// Seed of the weather and of the growth of years to come.
    pub seed: u64,
}

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

/// Progress of a long call, and the wish to stop it.
#[derive(Debug, Default)]
pub struct Progress {
    /// Parts done.
    pub done: AtomicUsize,
    /// Set to stop.
    pub stop: AtomicBool,
}

impl Progress {
    /// Goes on unless the caller asked to stop.
    ///
    /// # Errors
    /// [`Error::Interrupted`] if `stop` is set.
    pub fn go_on(&self) -> Result<()> {
        if self.stop.load(Ordering::Relaxed) { Err(Error::Interrupted) } else { Ok(()) }
    }
}

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
    /// The calendar of each programme under the first weather sequence.
    pub calendars: Vec<Calendar>,
}

/// Longest stretch over which a forecast holds the litter's shares (d): 0.002 % OM from the daily scheme in
/// `tests/engine.rs`.
const STRETCH_DAYS: usize = 15;

struct Sequence {
    drivers: Drivers,
    calendars: Vec<Calendar>,
}

/// One green under one programme and one weather sequence.
struct Part {
    programme: usize,
    green: usize,
    sequence: usize,
}

impl Forecast {
    /// Runs the outlook. The result depends on the seed and not on the number of threads.
    ///
    /// # Errors
    /// [`Error::Input`] for no programme, no draw, no sample or no year, two programmes with one name, and all that
    /// calendars, weather and plans refuse; [`Error::Interrupted`] if `progress.stop` was set.
    pub fn run(outlook: &Outlook<'_>, progress: &Progress) -> Result<Self> {
        outlook.validate()?;
        let start = outlook.weather.end() + Days::new(1);
        let dates: Vec<NaiveDate> =
            (0..=outlook.years).filter_map(|k| start.checked_add_months(Months::new(12 * k as u32))).collect();
        let days = (dates[dates.len() - 1] - start).num_days() as usize;
        let sequences: Vec<Sequence> =
            (0..outlook.sequences).map(|s| outlook.sequence(s, start, days, progress)).collect::<Result<_>>()?;
        let multipliers = outlook.multipliers();
        let greens = outlook.model.site().greens.len();
        let parts: Vec<Part> = (0..outlook.programmes.len())
            .flat_map(|programme| (0..greens).map(move |green| (programme, green)))
            .flat_map(|(programme, green)| {
                (0..outlook.sequences).map(move |sequence| Part { programme, green, sequence })
            })
            .collect();
        let outcomes: Vec<Vec<Outcome<f64>>> = parts
            .par_iter()
            .map(|part| {
                let done = outlook.part(part, &sequences[part.sequence], &dates, &multipliers, progress)?;
                progress.done.fetch_add(1, Ordering::Relaxed);
                Ok(done)
            })
            .collect::<Result<_>>()?;
        Ok(Self::gathered(outlook, start, dates, &sequences, &parts, &outcomes))
    }

    /// Parts that a call of [`Forecast::run`] is made of, for its progress.
    pub fn parts(outlook: &Outlook<'_>) -> usize {
        outlook.programmes.len() * outlook.model.site().greens.len() * outlook.sequences
    }

    fn gathered(
        outlook: &Outlook<'_>,
        start: NaiveDate,
        dates: Vec<NaiveDate>,
        sequences: &[Sequence],
        parts: &[Part],
        outcomes: &[Vec<Outcome<f64>>],
    ) -> Self {
        let draws = outlook.draws.len();
        let greens = outlook.model.site().greens.len();
        let shape = [outlook.programmes.len(), greens, dates.len(), outlook.samples.len(), draws];
        let end = *dates.last().unwrap_or(&start);
        let ledger_years: Vec<i32> = (start.year()..=(end - Days::new(1)).year()).collect();
        let size: usize = shape.iter().product();
        let mut forecast = Self {
            start,
            om_percent: vec![0.0; size],
            om_g_m2: vec![0.0; size],
            thickness_mm: vec![0.0; size],
            surface_mm: vec![0.0; size / shape[3]],
            ledgers: vec![Ledger::opened(0.0, 0.0); shape[0] * greens * ledger_years.len()],
            work: outlook.work(sequences, &ledger_years),
            calendars: sequences[0].calendars.clone(),
            dates,
            ledger_years,
            shape,
        };
        for (part, outcomes) in parts.iter().zip(outcomes) {
            let row = part.programme * greens + part.green;
            for (n, outcome) in outcomes.iter().enumerate() {
                let draw = part.sequence + n * outlook.sequences;
                forecast.place(row, draw, outcome);
            }
        }
        forecast
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
    /// [`Error::Input`] if the target names a sample that the forecast does not hold.
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

impl Outlook<'_> {
    fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        p.require(!self.programmes.is_empty(), "programmes", "none", "at least one programme");
        p.require(!self.draws.is_empty(), "draws", "none", "at least one draw");
        p.require(!self.samples.is_empty(), "samples", "none", "at least one window or layer");
        p.require((1..=100).contains(&self.years), "years", self.years, "1 to 100 years");
        p.require(
            (1..=self.draws.len()).contains(&self.sequences),
            "sequences",
            self.sequences,
            format!("1 to as many as draws ({})", self.draws.len()),
        );
        for (i, programme) in self.programmes.iter().enumerate() {
            p.nest(&format!("programmes[{i}] {:?}", programme.name), programme.validate())?;
            let twin = self.programmes[..i].iter().any(|other| other.name == programme.name);
            p.require(!twin, format!("programmes[{i}]"), &programme.name, "a name for each programme");
        }
        let site = self.model.site();
        let whole = self.weather.start() == site.start && self.weather.len() == site.decay_modifier.len();
        p.require(
            whole,
            "weather",
            format!("{} to {}", self.weather.start(), self.weather.end()),
            "the weather that the model was fitted with",
        );
        p.into_result(())
    }

    fn sequence(&self, sequence: usize, start: NaiveDate, days: usize, progress: &Progress) -> Result<Sequence> {
        progress.go_on()?;
        let weather = self.weather.followed_by(days, self.seed, sequence as u64)?;
        let drivers = Drivers::new(&weather, &self.driving)?;
        let counted = DegreeDays { start: drivers.start, values: &drivers.degree_days };
        let calendars = self
            .programmes
            .iter()
            .map(|programme| programme.calendar(start, weather.end(), Some(counted)))
            .collect::<Result<_>>()?;
        Ok(Sequence { drivers, calendars })
    }

    /// Clipping multipliers of the years to come, by draw: each year its own, all of a draw by what is not known of the
    /// site's yield. A yield that came from the prior alone is part of the litter ratio already, which was fitted with it.
    fn multipliers(&self) -> Vec<Vec<f64>> {
        let prior = self.model.priors().future_year;
        let yield_sd = match self.site_yield.source {
            YieldSource::Records => self.site_yield.log_sd,
            YieldSource::Prior => 0.0,
        };
        (0..self.draws.len())
            .map(|draw| {
                let mut stream = ChaCha8Rng::seed_from_u64(self.seed ^ 0x6d61_746c);
                stream.set_stream(draw as u64);
                let mut normal = || -> f64 { StandardNormal.sample(&mut stream) };
                let site = (yield_sd * normal()).exp();
                (0..=self.years).map(|_| site * prior.value(normal())).collect()
            })
            .collect()
    }

    /// All draws of one part.
    fn part(
        &self,
        part: &Part,
        sequence: &Sequence,
        dates: &[NaiveDate],
        multipliers: &[Vec<f64>],
        progress: &Progress,
    ) -> Result<Vec<Outcome<f64>>> {
        let (model, site) = (self.model, self.model.site());
        let record = &site.greens[part.green];
        let past = record.clippings_g_m2.len();
        let drivers = &sequence.drivers;
        let mut clippings = record.clippings_g_m2.clone();
        let per_degree_day = self.site_yield.g_m2_per_degree_day;
        clippings.extend(drivers.degree_days[past..].iter().map(|heat| heat * per_degree_day));
        let work: Vec<Dated> = record.work.iter().chain(&sequence.calendars[part.programme].dated).copied().collect();
        let samples: Vec<_> =
            dates.iter().flat_map(|date| self.samples.iter().map(|sample| (*date, *sample))).collect();
        let mut layout = site.layout_of(part.green);
        layout.stretch_days = layout.stretch_days.max(STRETCH_DAYS);
        let mut of_draw: Vec<_> = (part.sequence..self.draws.len())
            .step_by(self.sequences)
            .map(|draw| {
                let z = &self.draws[draw];
                let mut member = model.member(part.green, &|i| z[i]);
                member.year_multipliers.extend(&multipliers[draw]);
                member
            })
            .collect();
        let scenario = Scenario {
            start: site.start,
            clippings_g_m2: &clippings,
            decay_modifier: &drivers.decay_modifier,
            work: &work,
            recorded_before: dates[0],
            samples: &samples,
            profiles: &[],
            layout,
            nominal: &of_draw[0].clone(),
        };
        let plan = Plan::new(&scenario)?;
        of_draw
            .drain(..)
            .map(|member| {
                progress.go_on()?;
                let mut outcome = run(&plan, &member, |_, _| {})?;
                let asked: Vec<usize> = (0..samples.len()).map(|i| plan.reading_of(i)).collect();
                outcome.readings = asked.iter().map(|&at| outcome.readings[at]).collect();
                outcome.surface_mm = asked.iter().map(|&at| outcome.surface_mm[at]).collect();
                Ok(outcome)
            })
            .collect()
    }

    fn work(&self, sequences: &[Sequence], years: &[i32]) -> Vec<Vec<YearOfWork>> {
        let share = 1.0 / sequences.len() as f64;
        (0..self.programmes.len())
            .map(|programme| {
                let mut mean: Vec<YearOfWork> = years.iter().map(|&year| YearShare::nothing(year)).collect();
                for sequence in sequences {
                    for year in area_by_year(&sequence.calendars[programme].dated) {
                        if let Some(mean) = mean.iter_mut().find(|mean| mean.year == year.year) {
                            *mean = mean.plus_share(&year, share);
                        }
                    }
                }
                mean
            })
            .collect()
    }
}
