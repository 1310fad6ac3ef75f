//! What all programmes share: the past of every green and draw, and the weather to come.

use crate::calibration::{Draws, Model};
use crate::column::Sample;
use crate::engine::{Ahead, Arrived, Layout, Member, Onward, Plan, Scenario, Spells, arrive};
use crate::error::{Error, Problems, Result};
use crate::growth::drivers::{Drivers, Driving};
use crate::practice::programme::{Calendar, Programme};
use crate::practice::rule::DegreeDays;
use crate::weather::resample::ToCome;
use crate::weather::series::Weather;
use chrono::{Datelike, Days, Months, NaiveDate};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use std::collections::{BTreeMap, HashSet};
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
    /// Clippings per degree day (g dry/m2 per degC d) that years to come are reckoned with; where the model has learnt the
    /// site's from records, draws differ from it by a multiplier.
    pub g_m2_per_degree_day: f64,
    /// Years to run, from the day after the record ends.
    pub years: usize,
    /// Weather sequences to draw; draws take them in turn.
    pub sequences: usize,
    /// How they are made of the record.
    pub to_come: ToCome,
    /// Seed of the weather and of the growth of years to come.
    pub seed: u64,
}

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

/// How finely the years to come are run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Grain {
    /// By the site's layout: each green has a tape of its own, the mat keeps its lower edge.
    Fitted,
    /// For thousands of programmes: all greens share a tape, parcels grow with depth, stretches are long.
    Search,
}

/// Longest stretches over which a search holds the litter's shares (d).
const SEARCH_STRETCH_DAYS: usize = 30;

impl Grain {
    fn stretch_days(self, fitted: &Layout) -> usize {
        match self {
            Grain::Fitted => fitted.stretch_days,
            Grain::Search => SEARCH_STRETCH_DAYS,
        }
    }

    fn layout(self, fitted: Layout) -> Layout {
        let stretch_days = self.stretch_days(&fitted);
        match self {
            Grain::Fitted => Layout { stretch_days, ..fitted },
            Grain::Search => {
                Layout { fine_mm: 1.5, fine_to_mm: 15.0, coarse_mm: 20.0, blur_percent_mm: 0.2, stretch_days, ..fitted }
            }
        }
    }
}

/// Members of one weather sequence that share their tapes.
struct Group {
    /// Green and draw of each.
    members: Vec<(usize, usize)>,
    onward: Onward,
    layout: Layout,
}

struct Sequence {
    drivers: Drivers,
    spells: Spells,
    groups: Vec<Group>,
}

/// Every green and draw on the first day to come, under every weather sequence.
pub struct Outset {
    /// First day of the forecast.
    pub start: NaiveDate,
    /// The start, then the end of each year.
    pub dates: Vec<NaiveDate>,
    /// Number of greens.
    pub greens: usize,
    /// Number of draws.
    pub draws: usize,
    sequences: Vec<Sequence>,
}

impl Outset {
    /// Runs the years on record, once for all programmes. The result depends on the seed and not on the number of threads.
    ///
    /// # Errors
    /// [`Error::Input`] for no draw, counts outside their range, and all that weather and plans refuse;
    /// [`Error::Interrupted`] if `progress.stop` was set.
    pub fn new(outlook: &Outlook<'_>, grain: Grain, progress: &Progress) -> Result<Self> {
        outlook.validate()?;
        let start = outlook.weather.end() + Days::new(1);
        let dates: Vec<NaiveDate> =
            (0..=outlook.years).filter_map(|k| start.checked_add_months(Months::new(12 * k as u32))).collect();
        let days = (dates[dates.len() - 1] - start).num_days() as usize;
        let multipliers = outlook.multipliers();
        let site = outlook.model.site();
        let greens = site.greens.len();
        let mut arrived: Vec<Vec<Arrived>> = (0..greens)
            .into_par_iter()
            .map(|green| progress.go_on().and_then(|()| outlook.arrived(green, start, &multipliers)))
            .collect::<Result<_>>()?;
        if grain == Grain::Search {
            let layout = grain.layout(site.layout);
            let recut = |member: Arrived| member.recut(&layout);
            arrived = arrived.into_par_iter().map(|green| green.into_iter().map(recut).collect()).collect();
        }
        let sequences = (0..outlook.sequences)
            .into_par_iter()
            .map(|sequence| {
                progress.go_on()?;
                let weather = outlook.weather.followed_by(days, outlook.seed, sequence as u64, &outlook.to_come)?;
                let drivers = Drivers::new(&weather, &outlook.driving)?;
                let past = outlook.weather.len();
                // What is left of a year that has begun goes by what was reckoned of it.
                let rate = |date: NaiveDate| outlook.model.reckoned(date.year()).unwrap_or(outlook.g_m2_per_degree_day);
                let ahead = start.iter_days().zip(&drivers.degree_days[past..]);
                let spells = Spells::new(
                    ahead.map(|(date, heat)| heat * rate(date)).collect(),
                    drivers.decay_modifier[past..].to_vec(),
                    grain.stretch_days(&site.layout),
                );
                let mut shared = BTreeMap::<_, Vec<(usize, usize)>>::new();
                for (green, members) in arrived.iter().enumerate() {
                    for (draw, member) in members.iter().enumerate().skip(sequence).step_by(outlook.sequences) {
                        let own_tape = (grain == Grain::Fitted).then_some(green);
                        shared.entry((own_tape, member.closes_in())).or_default().push((green, draw));
                    }
                }
                let group = |((own_tape, _), members): ((Option<usize>, Option<usize>), Vec<(usize, usize)>)| {
                    let standing: Vec<Arrived> =
                        members.iter().map(|&(green, draw)| arrived[green][draw].clone()).collect();
                    let layout = grain.layout(own_tape.map_or(site.layout, |green| site.layout_of(green)));
                    Ok(Group { members, onward: Onward::new(&standing)?, layout })
                };
                Ok(Sequence { drivers, spells, groups: shared.into_iter().map(group).collect::<Result<_>>()? })
            })
            .collect::<Result<_>>()?;
        Ok(Self { start, dates, greens, draws: outlook.draws.len(), sequences })
    }

    /// Number of weather sequences.
    pub fn sequences(&self) -> usize {
        self.sequences.len()
    }

    /// Last day.
    pub fn last_day(&self) -> NaiveDate {
        self.dates.last().map_or(self.start, |end| *end - Days::new(1))
    }

    /// The calendars of a programme: one for each weather sequence, or one that serves them all if no rule of it counts
    /// degree days.
    ///
    /// # Errors
    /// [`Error::Input`] as for [`Programme::calendar`].
    pub fn calendars(&self, programme: &Programme) -> Result<Vec<Calendar>> {
        let counts = programme.steps.iter().any(|step| step.rule.needs_degree_days());
        let own = if counts { &self.sequences[..] } else { &self.sequences[..1] };
        own.iter()
            .map(|Sequence { drivers, .. }| {
                let counted = DegreeDays { start: drivers.start, values: &drivers.degree_days };
                programme.calendar(self.start, self.last_day(), Some(counted))
            })
            .collect()
    }

    /// Checks what is to be read.
    ///
    /// # Errors
    /// [`Error::Input`] for samples outside the column or the days to come.
    pub fn validate(&self, samples: &[(NaiveDate, Sample)]) -> Result<()> {
        let Sequence { spells, groups, .. } = &self.sequences[0];
        groups.iter().try_for_each(|Group { onward, layout, .. }| {
            onward.validate(&Ahead { start: self.start, spells, work: &[], samples, layout: *layout })
        })
    }

    /// The calendars of several programmes, after all checks.
    ///
    /// # Errors
    /// [`Error::Input`] for no programme, two of one name, and as for [`Programme::calendar`] and [`Onward::validate`].
    pub fn all_calendars(&self, programmes: &[Programme]) -> Result<Vec<Vec<Calendar>>> {
        let mut p = Problems::default();
        p.require(!programmes.is_empty(), "programmes", "none", "at least one programme");
        let mut names = HashSet::new();
        for (i, programme) in programmes.iter().enumerate() {
            if !names.insert(&programme.name) {
                p.require(false, format!("programmes[{i}]"), &programme.name, "a name for each programme");
            }
        }
        let calendars: Vec<Result<Vec<Calendar>>> = programmes
            .par_iter()
            .map(|programme| {
                let found = self.calendars(programme)?;
                // One sequence tells of all: work differs in its days only.
                let Sequence { spells, groups, .. } = &self.sequences[0];
                for group in groups.iter().take(1) {
                    let work = &found[0].dated;
                    group.onward.validate(&Ahead {
                        start: self.start,
                        spells,
                        work,
                        samples: &[],
                        layout: group.layout,
                    })?;
                }
                Ok(found)
            })
            .collect();
        let mut all = Vec::with_capacity(programmes.len());
        for (i, (found, programme)) in calendars.into_iter().zip(programmes).enumerate() {
            if matches!(found, Err(Error::Input(_))) {
                p.nest(&format!("programmes[{i}] {:?}", programme.name), found)?;
            } else {
                all.push(found?);
            }
        }
        p.into_result(all)
    }

    /// Runs a programme under one weather sequence: for each group of members, `with` gets their greens and draws, and the
    /// plan that they go on along. `calendars` are the programme's.
    ///
    /// # Errors
    /// Those of `with`.
    pub fn under<T>(
        &self,
        sequence: usize,
        calendars: &[Calendar],
        samples: &[(NaiveDate, Sample)],
        mut with: impl FnMut(&[(usize, usize)], &Onward, &Plan) -> Result<T>,
    ) -> Result<Vec<T>> {
        let Sequence { spells, groups, .. } = &self.sequences[sequence];
        let work = &calendars[sequence.min(calendars.len() - 1)].dated;
        groups
            .iter()
            .map(|Group { members, onward, layout }| {
                let plan = onward.plan(&Ahead { start: self.start, spells, work, samples, layout: *layout });
                with(members, onward, &plan)
            })
            .collect()
    }
}

impl Outlook<'_> {
    fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        p.require(!self.draws.is_empty(), "draws", "none", "at least one draw");
        let rate = self.g_m2_per_degree_day;
        p.require(rate.is_finite() && rate > 0.0, "g_m2_per_degree_day", rate, "clippings above 0 g/m2");
        p.require((1..=100).contains(&self.years), "years", self.years, "1 to 100 years");
        p.require(
            (1..=self.draws.len()).contains(&self.sequences),
            "sequences",
            self.sequences,
            format!("1 to as many as draws ({})", self.draws.len()),
        );
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

    /// Clipping multipliers of the years to come, by draw: each year its own, all of a draw by the site's yield in it.
    fn multipliers(&self) -> Vec<Vec<f64>> {
        let prior = self.model.priors().future_year;
        let of = |(draw, z): (usize, &Vec<f64>)| {
            let mut stream = ChaCha8Rng::seed_from_u64(self.seed ^ 0x6d61_746c);
            stream.set_stream(draw as u64);
            let site = self.model.clippings_per_degree_day(z).map_or(1.0, |learnt| learnt / self.g_m2_per_degree_day);
            (0..=self.years).map(|_| site * prior.value::<f64>(StandardNormal.sample(&mut stream))).collect()
        };
        self.draws.iter().enumerate().map(of).collect()
    }

    /// Every draw of one green at the end of the record.
    fn arrived(&self, green: usize, start: NaiveDate, multipliers: &[Vec<f64>]) -> Result<Vec<Arrived>> {
        let (model, site) = (self.model, self.model.site());
        let record = &site.greens[green];
        let members: Vec<Member<f64>> = (0..self.draws.len())
            .map(|draw| {
                let z = &self.draws[draw];
                let mut member = model.member(green, &|i| z[i]);
                member.year_multipliers.extend(&multipliers[draw]);
                member
            })
            .collect();
        let nominal = Member::mean(&members.iter().collect::<Vec<_>>());
        let plan = Plan::new(&Scenario {
            start: site.start,
            clippings_g_m2: &record.clippings_g_m2,
            decay_modifier: &site.decay_modifier,
            work: &record.work,
            recorded_before: start,
            samples: &[],
            profiles: &[],
            layout: Grain::Fitted.layout(site.layout_of(green)),
            nominal: &nominal,
        })?;
        let past_years = (start.year() - site.start.year()) as usize;
        Ok(arrive(&plan, &members)?.into_iter().map(|member| member.past_years(past_years)).collect())
    }
}
