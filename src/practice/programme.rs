//! A programme: what is done by which rule, and the dated work that follows from it.

use super::rule::{DegreeDays, MonthDay, Rule, Words, unread};
use super::tine::union_share;
use super::work::Work;
use crate::error::{Problems, Result};
use chrono::{Datelike, NaiveDate};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// One piece of work and its day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dated {
    /// The day.
    pub date: NaiveDate,
    /// The work.
    pub work: Work,
}

/// Work done together whenever a rule falls due.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// When it falls due.
    pub rule: Rule,
    /// What is done, in this order.
    pub works: Vec<Work>,
}

/// Days on which no work is done, first and last included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoWork {
    /// From one date to another.
    Dates {
        /// First date.
        first: NaiveDate,
        /// Last date.
        last: NaiveDate,
    },
    /// From one day to another of every year; `to` before `from` is in the next year.
    Yearly {
        /// First day.
        from: MonthDay,
        /// Last day.
        to: MonthDay,
    },
}

impl NoWork {
    /// Reads `2014-07-01 to 2014-07-07`, `24 December to 2 January`, or a single day of either kind.
    ///
    /// ```
    /// use matledger::practice::NoWork;
    /// let no_work = NoWork::parse("24 December to 2 January").unwrap();
    /// assert!(no_work.covers("2015-01-02".parse().unwrap()));
    /// ```
    ///
    /// # Errors
    /// [`crate::Error::Input`] with the forms understood.
    pub fn parse(text: &str) -> Result<Self> {
        let dates = Words::read(text, |w| {
            let first = w.date()?;
            Some(NoWork::Dates { first, last: if w.word("to").is_some() { w.date()? } else { first } })
        });
        let read = dates.or_else(|| {
            Words::read(text, |w| {
                let from = w.month_day()?;
                Some(NoWork::Yearly { from, to: if w.word("to").is_some() { w.month_day()? } else { from } })
            })
        });
        let days = read.ok_or_else(|| {
            let forms = "one of '2014-07-01 to 2014-07-07', '2014-07-04', '24 December to 2 January', '4 July', \
                         with days that exist";
            unread("days", text, forms)
        })?;
        days.validate().map(|()| days)
    }

    /// Whether no work is done on `date`.
    pub fn covers(&self, date: NaiveDate) -> bool {
        match *self {
            NoWork::Dates { first, last } => (first..=last).contains(&date),
            NoWork::Yearly { from, to } => {
                let after = from.in_year(date.year()).is_some_and(|from| date >= from);
                let before = to.in_year(date.year()).is_some_and(|to| date <= to);
                if to < from { after || before } else { after && before }
            }
        }
    }

    fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        if let NoWork::Dates { first, last } = self {
            p.require(first <= last, "days", format!("'{self}'"), "a last date on or after the first");
        }
        p.into_result(())
    }
}

impl fmt::Display for NoWork {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            NoWork::Dates { first, last } if first == last => write!(f, "{first}"),
            NoWork::Dates { first, last } => write!(f, "{first} to {last}"),
            NoWork::Yearly { from, to } if from == to => write!(f, "{from}"),
            NoWork::Yearly { from, to } => write!(f, "{from} to {to}"),
        }
    }
}

/// What becomes of a step that falls due on a day without work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhenNoWork {
    /// It is not done; a rule that repeats goes on counting from it all the same.
    Skip,
    /// It is done on the next work day.
    NextWorkDay,
}

/// Why a step that fell due was not done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SkipReason {
    /// No work is done on the day.
    NoWork,
    /// Every day from it to the end of the calendar is without work.
    NoWorkDayLeft,
    /// The next work day has the same step already.
    SameStepThatDay,
}

impl fmt::Display for SkipReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            SkipReason::NoWork => "no work that day",
            SkipReason::NoWorkDayLeft => "no work to the end of the calendar",
            SkipReason::SameStepThatDay => "no work that day, and the next work day has the same step",
        })
    }
}

/// A step that fell due and was not done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Skipped {
    /// Which step of the programme, from 0.
    pub step: usize,
    /// The day on which it fell due.
    pub date: NaiveDate,
    /// Why it was not done.
    pub reason: SkipReason,
}

/// A step that fell due on a day without work and is done later.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moved {
    /// Which step of the programme, from 0.
    pub step: usize,
    /// The day on which it fell due.
    pub from: NaiveDate,
    /// The day on which it is done.
    pub to: NaiveDate,
}

/// A season whose degree days could not be counted because it began before the series did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Uncounted {
    /// Which step of the programme, from 0.
    pub step: usize,
    /// First day of the season.
    pub season: NaiveDate,
}

/// The dated work of a programme, and what of it was not done as the rules say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Calendar {
    /// The work by date, within a day in the order of the programme.
    pub dated: Vec<Dated>,
    /// Step and work within the step, from 0, of each of `dated`.
    pub origin: Vec<(usize, usize)>,
    /// Steps not done.
    pub skipped: Vec<Skipped>,
    /// Steps done later.
    pub moved: Vec<Moved>,
    /// Seasons of degree days that are not known, so no work is dated by them.
    pub uncounted: Vec<Uncounted>,
}

/// What is done to a green, year after year.
#[derive(Debug, Clone, PartialEq)]
pub struct Programme {
    /// Name for the reader.
    pub name: String,
    /// Steps, in the order in which those of one day are done. None at all is a programme too: nothing is done.
    pub steps: Vec<Step>,
    /// Days without work.
    pub no_work: Vec<NoWork>,
    /// What becomes of steps due on days without work.
    pub when_no_work: WhenNoWork,
}

impl Programme {
    /// Checks the rules, the work and the days without it.
    ///
    /// # Errors
    /// [`crate::Error::Input`] with every problem, placed as `steps[0].works[1].coring.depth_mm` and the like.
    pub fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        p.require(!self.name.trim().is_empty(), "name", format!("'{}'", self.name), "a name");
        for (i, step) in self.steps.iter().enumerate() {
            p.nest(&format!("steps[{i}]"), step.rule.validate())?;
            p.require(!step.works.is_empty(), format!("steps[{i}].works"), "none", "at least one piece of work");
            for (j, work) in step.works.iter().enumerate() {
                p.nest(&format!("steps[{i}].works[{j}]"), work.validate())?;
            }
        }
        for (i, days) in self.no_work.iter().enumerate() {
            p.nest(&format!("no_work[{i}]"), days.validate())?;
        }
        let yearly: Vec<_> = self.no_work.iter().filter(|c| matches!(c, NoWork::Yearly { .. })).collect();
        let common_year = NaiveDate::default().iter_days().take(365);
        p.require(
            yearly.is_empty() || common_year.into_iter().any(|day| !yearly.iter().any(|c| c.covers(day))),
            "no_work",
            "every day of the year",
            "at least one day for work",
        );
        p.into_result(())
    }

    /// The work of every day from `first` to `last`, both included.
    ///
    /// `degree_days` is on the base that the rules mean, reaches at least to `last`, and may begin before `first`. A
    /// calendar of two spans is the calendar of the first followed by that of the second, given the same degree days.
    ///
    /// ```
    /// use matledger::practice::{Programme, Rule, Step, WhenNoWork};
    /// use matledger::practice::work::{Topdressing, Work};
    /// let sand = Work::Topdressing(Topdressing { sand_g_m2: 800.0, passes: 1, picked_up_share: 0.01 });
    /// let programme = Programme {
    ///     name: "light and often".into(),
    ///     steps: vec![Step { rule: Rule::parse("every 14 days from 1 May to 15 October").unwrap(), works: vec![sand] }],
    ///     no_work: vec![],
    ///     when_no_work: WhenNoWork::Skip,
    /// };
    /// let day = |text: &str| text.parse().unwrap();
    /// let calendar = programme.calendar(day("2014-01-01"), day("2014-12-31"), None).unwrap();
    /// assert_eq!(calendar.dated.len(), 12);
    /// ```
    ///
    /// # Errors
    /// [`crate::Error::Input`] when the programme is invalid, `last` is before `first`, or a rule counts degree days that are
    /// missing, not finite, negative, or end before `last`.
    pub fn calendar(&self, first: NaiveDate, last: NaiveDate, degree_days: Option<DegreeDays<'_>>) -> Result<Calendar> {
        self.validate()?;
        let mut p = Problems::default();
        p.require(first <= last, "last", last, format!("a date on or after the first ({first})"));
        for (i, step) in self.steps.iter().enumerate().filter(|(_, step)| step.rule.needs_degree_days()) {
            p.require(
                degree_days.is_some(),
                format!("steps[{i}].when"),
                format!("'{}'", step.rule),
                "degree days given to the calendar",
            );
        }
        p.into_result(())?;
        if let Some(series) = degree_days
            && self.steps.iter().any(|step| step.rule.needs_degree_days())
        {
            series.validate(last)?;
        }

        let idle = |date: NaiveDate| self.no_work.iter().any(|c| c.covers(date));
        // A step that fell due in a spell without work just before the calendar moves into it.
        let mut earliest = first;
        if self.when_no_work == WhenNoWork::NextWorkDay {
            while let Some(before) = earliest.pred_opt().filter(|day| idle(*day)) {
                earliest = before;
            }
        }

        let mut calendar = Calendar::default();
        let mut done = BTreeSet::new();
        for (i, step) in self.steps.iter().enumerate() {
            let due = step.rule.due(earliest, last, degree_days);
            calendar.uncounted.extend(due.uncounted.into_iter().map(|season| Uncounted { step: i, season }));
            for &date in &due.dates {
                let outcome = if !idle(date) {
                    Ok(date)
                } else if self.when_no_work == WhenNoWork::Skip {
                    Err(SkipReason::NoWork)
                } else {
                    let open = date.iter_days().take_while(|day| *day <= last).find(|day| !idle(*day));
                    match open {
                        None => Err(SkipReason::NoWorkDayLeft),
                        Some(day) if due.dates.contains(&day) || done.contains(&(day, i)) => {
                            Err(SkipReason::SameStepThatDay)
                        }
                        Some(day) => Ok(day),
                    }
                };
                match outcome {
                    Ok(day) => {
                        done.insert((day, i));
                        if day != date {
                            calendar.moved.push(Moved { step: i, from: date, to: day });
                        }
                    }
                    Err(reason) if date >= first => calendar.skipped.push(Skipped { step: i, date, reason }),
                    Err(_) => {}
                }
            }
        }
        for (date, i) in done {
            for (j, work) in self.steps[i].works.iter().enumerate() {
                calendar.dated.push(Dated { date, work: *work });
                calendar.origin.push((i, j));
            }
        }
        calendar.skipped.sort_by_key(|s| (s.date, s.step));
        calendar.moved.sort_by_key(|m| (m.to, m.step));
        Ok(calendar)
    }
}

/// Surface opened and sand brought in a calendar year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearShare {
    /// The calendar year.
    pub year: i32,
    /// Share of the surface from which material was taken at least once (-), overlapping at random: `1 - prod(1 - f)`.
    pub union: f64,
    /// Plain sum of the shares from which material was taken (-), the figure that the trade quotes.
    pub plain_sum: f64,
    /// Share of the surface opened at least once by work that takes nothing out (-).
    pub solid_union: f64,
    /// Plain sum of the shares opened by work that takes nothing out (-).
    pub solid_plain_sum: f64,
    /// Dry sand (g/m2).
    pub sand_g_m2: f64,
}

impl YearShare {
    /// A year without work.
    pub fn nothing(year: i32) -> Self {
        Self { year, union: 0.0, plain_sum: 0.0, solid_union: 0.0, solid_plain_sum: 0.0, sand_g_m2: 0.0 }
    }

    /// This plus `share` of another, for means.
    #[must_use]
    pub fn plus_share(&self, other: &Self, share: f64) -> Self {
        Self {
            year: self.year,
            union: self.union + share * other.union,
            plain_sum: self.plain_sum + share * other.plain_sum,
            solid_union: self.solid_union + share * other.solid_union,
            solid_plain_sum: self.solid_plain_sum + share * other.solid_plain_sum,
            sand_g_m2: self.sand_g_m2 + share * other.sand_g_m2,
        }
    }
}

/// Surface opened and sand brought, by calendar year; a year without work is not listed.
///
/// ```
/// use matledger::practice::programme::{Dated, area_by_year};
/// use matledger::practice::work::{VerticalMowing, Work};
/// let work = Work::VerticalMowing(VerticalMowing {
///     blade_width_mm: 2.5, blade_spacing_mm: 25.0, depth_mm: 20.0, passes: 1, removed_share: 0.3, holes_open_days: 14,
/// });
/// let twice = ["2014-04-14", "2014-09-08"].map(|day| Dated { date: day.parse().unwrap(), work });
/// let year = area_by_year(&twice)[0];
/// assert!((year.union - 0.19).abs() < 1e-12 && (year.plain_sum - 0.2).abs() < 1e-12);
/// ```
pub fn area_by_year(dated: &[Dated]) -> Vec<YearShare> {
    let mut years: BTreeMap<i32, Vec<&Work>> = BTreeMap::new();
    for event in dated {
        years.entry(event.date.year()).or_default().push(&event.work);
    }
    let shares = |(year, works): (i32, Vec<&Work>)| {
        let opened = |takes_out: bool| {
            works.iter().filter(move |w| w.opening().is_some_and(|o| (o.lifted_share > 0.0) == takes_out))
        };
        YearShare {
            year,
            union: union_share(opened(true).map(|w| w.area_share())),
            plain_sum: opened(true).map(|w| w.area_plain_sum()).sum(),
            solid_union: union_share(opened(false).map(|w| w.area_share())),
            solid_plain_sum: opened(false).map(|w| w.area_plain_sum()).sum(),
            sand_g_m2: works.iter().map(|w| w.sand_g_m2()).sum(),
        }
    };
    years.into_iter().map(shares).collect()
}
