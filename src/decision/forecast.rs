//! Programmes run forward on draws of the unknowns and on weather years drawn from the record.

use crate::calibration::{Draws, Model};
use crate::column::{Ledger, Reading, Sample};
use crate::engine::batch::Fork;
use crate::engine::{Dated, Layout, Member, Outcome, Plan, Scenario, run};
use crate::error::{Error, Problems, Result};
use crate::growth::clippings::{SiteYield, YieldSource};
use crate::growth::drivers::{Drivers, Driving};
use crate::practice::programme::{Calendar, Programme, YearShare, area_by_year};
use crate::practice::rule::DegreeDays;
use crate::weather::resample::ToCome;
use crate::weather::series::Weather;
use chrono::{Datelike, Days, Months, NaiveDate};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use std::collections::HashSet;
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
    /// How they are made of the record.
    pub to_come: ToCome,
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

/// What the members of a part share, and the members.
struct Inputs {
    clippings_g_m2: Vec<f64>,
    layout: Layout,
    members: Vec<Member<f64>>,
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
        let (start, dates, sequences) = outlook.laid_out(progress)?;
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

/// The last reading of every programme, green and draw: all that a search over thousands of programmes keeps.
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    /// First day of the forecast, and the day of the reading.
    pub span: (NaiveDate, NaiveDate),
    /// Programmes, greens, draws.
    pub shape: [usize; 3],
    /// Organic matter of the first sample (% of dry mass), in the order of `shape`.
    pub om_percent: Vec<f64>,
    /// The calendar of each programme under the first weather sequence.
    pub calendars: Vec<Calendar>,
}

impl Scan {
    /// Runs the outlook as [`Forecast::run`] does and reads its first sample at the end of the last year. The years on
    /// record are run once for all programmes, and draws are run side by side.
    ///
    /// # Errors
    /// As for [`Forecast::run`].
    pub fn run(outlook: &Outlook<'_>, progress: &Progress) -> Result<Self> {
        let (start, dates, mut sequences) = outlook.laid_out(progress)?;
        let last = dates[dates.len() - 1];
        let samples = [(start, outlook.samples[0]), (last, outlook.samples[0])];
        let multipliers = outlook.multipliers();
        let shape = [outlook.programmes.len(), outlook.model.site().greens.len(), outlook.draws.len()];
        let [programmes, greens, draws] = shape;
        let parts: Vec<(usize, usize)> =
            (0..greens).flat_map(|green| (0..outlook.sequences).map(move |sequence| (green, sequence))).collect();
        let found: Vec<Vec<Vec<f64>>> = parts
            .par_iter()
            .map(|&(green, sequence)| {
                let along = &sequences[sequence];
                let inputs = outlook.inputs(&Part { programme: 0, green, sequence }, along, &multipliers);
                let mut fork: Option<Fork> = None;
                (0..programmes)
                    .map(|programme| {
                        progress.go_on()?;
                        let plan =
                            outlook.plan(&Part { programme, green, sequence }, along, &inputs, start, &samples)?;
                        let known = match &fork {
                            Some(fork) => fork.last_om_percent(&plan)?,
                            None => None,
                        };
                        let percent = match known {
                            Some(percent) => percent,
                            None => {
                                let own = fork.insert(Fork::new(&plan, &inputs.members)?);
                                own.last_om_percent(&plan)?.unwrap_or_default()
                            }
                        };
                        progress.done.fetch_add(1, Ordering::Relaxed);
                        Ok(percent)
                    })
                    .collect()
            })
            .collect::<Result<_>>()?;
        let mut om_percent = vec![0.0; programmes * greens * draws];
        for (&(green, sequence), of_programme) in parts.iter().zip(&found) {
            for (programme, percent) in of_programme.iter().enumerate() {
                for (n, value) in percent.iter().enumerate() {
                    om_percent[(programme * greens + green) * draws + sequence + n * outlook.sequences] = *value;
                }
            }
        }
        Ok(Self { span: (start, last), shape, om_percent, calendars: std::mem::take(&mut sequences[0].calendars) })
    }
}

impl Outlook<'_> {
    /// First day, dates of the readings, and the weather sequences, after all checks.
    fn laid_out(&self, progress: &Progress) -> Result<(NaiveDate, Vec<NaiveDate>, Vec<Sequence>)> {
        self.validate()?;
        let start = self.weather.end() + Days::new(1);
        let dates: Vec<NaiveDate> =
            (0..=self.years).filter_map(|k| start.checked_add_months(Months::new(12 * k as u32))).collect();
        let days = (dates[dates.len() - 1] - start).num_days() as usize;
        let sequences = (0..self.sequences).map(|s| self.sequence(s, start, days, progress)).collect::<Result<_>>()?;
        Ok((start, dates, sequences))
    }

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
        let mut names = HashSet::new();
        for (i, programme) in self.programmes.iter().enumerate() {
            p.nest(&format!("programmes[{i}] {:?}", programme.name), programme.validate())?;
            p.require(
                names.insert(&programme.name),
                format!("programmes[{i}]"),
                &programme.name,
                "a name for each programme",
            );
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
        let weather = self.weather.followed_by(days, self.seed, sequence as u64, &self.to_come)?;
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

    /// What one part runs: its days, its work and its members.
    fn inputs(&self, part: &Part, sequence: &Sequence, multipliers: &[Vec<f64>]) -> Inputs {
        let (model, site) = (self.model, self.model.site());
        let record = &site.greens[part.green];
        let past = record.clippings_g_m2.len();
        let per_degree_day = self.site_yield.g_m2_per_degree_day;
        let mut clippings_g_m2 = record.clippings_g_m2.clone();
        clippings_g_m2.extend(sequence.drivers.degree_days[past..].iter().map(|heat| heat * per_degree_day));
        let mut layout = site.layout_of(part.green);
        layout.stretch_days = layout.stretch_days.max(STRETCH_DAYS);
        let members = (part.sequence..self.draws.len())
            .step_by(self.sequences)
            .map(|draw| {
                let z = &self.draws[draw];
                let mut member = model.member(part.green, &|i| z[i]);
                member.year_multipliers.extend(&multipliers[draw]);
                member
            })
            .collect();
        Inputs { clippings_g_m2, layout, members }
    }

    /// The plan of one part.
    fn plan(
        &self,
        part: &Part,
        sequence: &Sequence,
        inputs: &Inputs,
        start: NaiveDate,
        samples: &[(NaiveDate, Sample)],
    ) -> Result<Plan> {
        let site = self.model.site();
        let to_come = &sequence.calendars[part.programme].dated;
        let work: Vec<Dated> = site.greens[part.green].work.iter().chain(to_come).copied().collect();
        Plan::new(&Scenario {
            start: site.start,
            clippings_g_m2: &inputs.clippings_g_m2,
            decay_modifier: &sequence.drivers.decay_modifier,
            work: &work,
            recorded_before: start,
            samples,
            profiles: &[],
            layout: inputs.layout,
            nominal: &inputs.members[0],
        })
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
        let inputs = self.inputs(part, sequence, multipliers);
        let samples: Vec<_> =
            dates.iter().flat_map(|date| self.samples.iter().map(|sample| (*date, *sample))).collect();
        let plan = self.plan(part, sequence, &inputs, dates[0], &samples)?;
        inputs
            .members
            .iter()
            .map(|member| {
                progress.go_on()?;
                let mut outcome = run(&plan, member, |_, _| {})?;
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
