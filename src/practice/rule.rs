//! When a step of a programme falls due, in plain English.

use crate::error::{Error, Problem, Problems, Result};
use chrono::{Datelike, Month, NaiveDate, Weekday};
use std::collections::BTreeSet;
use std::fmt;

/// What [`Rule::parse`] understands.
pub const FORMS: &str = "one of '15 April', '15 April and 10 September', '2014-04-15', \
'second Monday of April and of September', 'last Tuesday of August', \
'every 14 days from 1 May to 15 October', 'after 400 degree days from 1 March', \
'every 200 degree days from 1 April to 30 September', with days that exist";

const WEEKDAYS: [&str; 7] = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];

/// A day of every year. 29 February is 28 February in common years.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct MonthDay {
    month: Month,
    day: u32,
}

impl MonthDay {
    /// The day `day` of `month`.
    ///
    /// # Errors
    /// [`Error::Input`] when no year has such a day.
    pub fn new(month: Month, day: u32) -> Result<Self> {
        let mut p = Problems::default();
        // 2000 is a leap year: 29 February exists.
        let exists = NaiveDate::from_ymd_opt(2000, month.number_from_month(), day).is_some();
        p.require(exists, "day", format!("{day} {}", month.name()), "a day of the calendar such as 15 April");
        p.into_result(Self { month, day })
    }

    /// The date in `year`; `None` beyond the range of dates.
    ///
    /// ```
    /// use chrono::Month;
    /// use matledger::practice::MonthDay;
    /// let leap = MonthDay::new(Month::February, 29).unwrap();
    /// assert_eq!(leap.in_year(2016).unwrap().to_string(), "2016-02-29");
    /// assert_eq!(leap.in_year(2015).unwrap().to_string(), "2015-02-28");
    /// ```
    pub fn in_year(self, year: i32) -> Option<NaiveDate> {
        let month = self.month.number_from_month();
        NaiveDate::from_ymd_opt(year, month, self.day).or_else(|| NaiveDate::from_ymd_opt(year, 2, 28))
    }
}

impl fmt::Display for MonthDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.day, self.month.name())
    }
}

/// Which weekday of a month.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nth {
    /// The first.
    First,
    /// The second.
    Second,
    /// The third.
    Third,
    /// The fourth.
    Fourth,
    /// The last.
    Last,
}

const NTH: [(Nth, &str, &str); 5] = [
    (Nth::First, "first", "1st"),
    (Nth::Second, "second", "2nd"),
    (Nth::Third, "third", "3rd"),
    (Nth::Fourth, "fourth", "4th"),
    (Nth::Last, "last", "last"),
];

/// When a step falls due.
#[derive(Debug, Clone, PartialEq)]
pub enum Rule {
    /// On these dates, once.
    Dates(Vec<NaiveDate>),
    /// On these days of every year.
    Yearly(Vec<MonthDay>),
    /// On `from` and every `days` days after it, up to and including `to`; `to` before `from` is in the next year.
    EveryDays {
        /// Days from one to the next.
        days: u32,
        /// First day of the season.
        from: MonthDay,
        /// Last day of the season.
        to: MonthDay,
    },
    /// On a weekday of these months of every year.
    NthWeekday {
        /// Which of the month.
        nth: Nth,
        /// The weekday.
        weekday: Weekday,
        /// The months.
        months: Vec<Month>,
    },
    /// Once a year, on the day after the degree days counted from `from` reach `degree_days`.
    AfterDegreeDays {
        /// Degree days (degC d) on the base of the series given to the calendar.
        degree_days: f64,
        /// First day counted; the count ends after a year.
        from: MonthDay,
    },
    /// On the day after the degree days reach `degree_days`, again and again: the count starts anew on that day, as
    /// is common practice (no source). `to` before `from` is in the next year.
    EveryDegreeDays {
        /// Degree days (degC d) on the base of the series given to the calendar.
        degree_days: f64,
        /// First day counted.
        from: MonthDay,
        /// Last day on which the step may fall due.
        to: MonthDay,
    },
}

/// Degree days of consecutive days (degC d).
#[derive(Debug, Clone, Copy)]
pub struct DegreeDays<'a> {
    /// Day of the first value.
    pub start: NaiveDate,
    /// One value a day.
    pub values: &'a [f64],
}

impl DegreeDays<'_> {
    /// Checks that every value is a finite number from 0 and that the series lasts to `last`.
    ///
    /// # Errors
    /// [`Error::Input`] naming each bad day.
    pub fn validate(&self, last: NaiveDate) -> Result<()> {
        let mut p = Problems::default();
        for (date, value) in self.start.iter_days().zip(self.values) {
            if !(value.is_finite() && *value >= 0.0) {
                p.require(false, format!("degree_days of {date}"), value, "0 degC d or more, finite");
            }
        }
        let days = (last - self.start).num_days() + 1;
        let given = self.values.len();
        p.require(
            i64::try_from(given).is_ok_and(|n| n >= days),
            "degree_days",
            format!("{given} days from {}", self.start),
            format!("a value for every day to {last}"),
        );
        p.into_result(())
    }
}

/// The dates on which a rule falls due, and the counts that could not be made.
#[derive(Debug, Default)]
pub(super) struct Due {
    pub dates: BTreeSet<NaiveDate>,
    /// First days of degree-day seasons that began before the series did.
    pub uncounted: Vec<NaiveDate>,
}

impl Rule {
    /// Reads a rule such as `every 14 days from 1 May to 15 October`; [`FORMS`] lists what is understood.
    ///
    /// Case does not matter; months and weekdays may be cut to three letters. Writing the rule and reading it again
    /// gives the same rule.
    ///
    /// ```
    /// use matledger::practice::Rule;
    /// let rule = Rule::parse("2nd mon of apr and sep").unwrap();
    /// assert_eq!(rule.to_string(), "second Monday of April and of September");
    /// ```
    ///
    /// # Errors
    /// [`Error::Input`] with the forms understood.
    pub fn parse(text: &str) -> Result<Self> {
        let rule = Words::read(text, Words::rule).ok_or_else(|| unread("when", text, FORMS))?;
        rule.validate().map(|()| rule)
    }

    /// Checks every number, and that each day or month is named once.
    ///
    /// # Errors
    /// [`Error::Input`] placed at `when`.
    pub fn validate(&self) -> Result<()> {
        let (ok, expected) = match self {
            Rule::Dates(dates) => (distinct(dates), "each date once, at least one"),
            Rule::Yearly(days) => (distinct(days), "each day once, at least one"),
            Rule::NthWeekday { months, .. } => (distinct(months), "each month once, at least one"),
            Rule::EveryDays { days, .. } => ((1..=366).contains(days), "every 1 to 366 days"),
            Rule::AfterDegreeDays { degree_days, .. } | Rule::EveryDegreeDays { degree_days, .. } => {
                (degree_days.is_finite() && *degree_days > 0.0, "degree days above 0, finite")
            }
        };
        let mut p = Problems::default();
        p.require(ok, "when", format!("'{self}'"), expected);
        p.into_result(())
    }

    /// Whether the rule counts degree days.
    pub fn needs_degree_days(&self) -> bool {
        matches!(self, Rule::AfterDegreeDays { .. } | Rule::EveryDegreeDays { .. })
    }

    /// Dates from `first` to `last` on which the rule falls due. Without `degree_days` a rule that counts them has none.
    pub(super) fn due(&self, first: NaiveDate, last: NaiveDate, degree_days: Option<DegreeDays<'_>>) -> Due {
        let mut due = Due::default();
        let mut add = |date: NaiveDate| {
            if (first..=last).contains(&date) {
                due.dates.insert(date);
            }
        };
        // A season may begin in the year before and reach into the calendar.
        let years = first.year() - 1..=last.year();
        match self {
            Rule::Dates(dates) => dates.iter().copied().for_each(add),
            Rule::Yearly(days) => {
                years.flat_map(|year| days.iter().filter_map(move |day| day.in_year(year))).for_each(add);
            }
            Rule::NthWeekday { nth, weekday, months } => years
                .flat_map(|year| months.iter().filter_map(move |month| nth_weekday(year, *month, *nth, *weekday)))
                .for_each(add),
            Rule::EveryDays { days, from, to } => {
                for (start, end) in years.filter_map(|year| season(*from, *to, year)) {
                    start.iter_days().take_while(|date| *date <= end).step_by(*days as usize).for_each(&mut add);
                }
            }
            Rule::AfterDegreeDays { degree_days: goal, from } => {
                let year_long = |year| Some((from.in_year(year)?, from.in_year(year + 1)?.pred_opt()?));
                let seasons = years.filter_map(year_long);
                due = count(seasons, first, last, degree_days, *goal, true);
            }
            Rule::EveryDegreeDays { degree_days: goal, from, to } => {
                let seasons = years.filter_map(|year| season(*from, *to, year));
                due = count(seasons, first, last, degree_days, *goal, false);
            }
        }
        due
    }
}

pub(super) fn unread(place: &str, text: &str, forms: &str) -> Error {
    Error::Input(vec![Problem { place: place.into(), value: format!("'{text}'"), expected: forms.into() }])
}

fn distinct<T: Ord>(all: &[T]) -> bool {
    !all.is_empty() && all.iter().collect::<BTreeSet<_>>().len() == all.len()
}

/// First and last day of the season that begins in `year`.
fn season(from: MonthDay, to: MonthDay, year: i32) -> Option<(NaiveDate, NaiveDate)> {
    Some((from.in_year(year)?, to.in_year(if to < from { year + 1 } else { year })?))
}

fn nth_weekday(year: i32, month: Month, nth: Nth, weekday: Weekday) -> Option<NaiveDate> {
    let month = month.number_from_month();
    let start = |n| NaiveDate::from_weekday_of_month_opt(year, month, weekday, n);
    match nth {
        Nth::First => start(1),
        Nth::Second => start(2),
        Nth::Third => start(3),
        Nth::Fourth => start(4),
        Nth::Last => start(5).or_else(|| start(4)),
    }
}

/// Counts degree days through each season; work is done at the start of a day, so on the day after the goal is reached.
fn count(
    seasons: impl Iterator<Item = (NaiveDate, NaiveDate)>,
    first: NaiveDate,
    last: NaiveDate,
    series: Option<DegreeDays<'_>>,
    goal: f64,
    once: bool,
) -> Due {
    let mut due = Due::default();
    let Some(series) = series else { return due };
    for (start, end) in seasons.filter(|(start, end)| *start <= last && *end >= first) {
        let Ok(skip) = usize::try_from((start - series.start).num_days()) else {
            due.uncounted.push(start);
            continue;
        };
        let mut sum = 0.0;
        // The day after the day counted is the day of work.
        for (date, value) in start.iter_days().skip(1).zip(series.values.iter().skip(skip)) {
            sum += value;
            if date > end.min(last) {
                break;
            }
            if sum >= goal {
                sum = 0.0;
                if date >= first {
                    due.dates.insert(date);
                }
                if once {
                    break;
                }
            }
        }
    }
    due
}

/// `a, b and c`.
fn list(items: impl IntoIterator<Item = String>) -> String {
    let items: Vec<_> = items.into_iter().collect();
    match items.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => items.concat(),
    }
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Rule::Dates(dates) => f.write_str(&list(dates.iter().map(NaiveDate::to_string))),
            Rule::Yearly(days) => f.write_str(&list(days.iter().map(MonthDay::to_string))),
            Rule::EveryDays { days, from, to } => write!(f, "every {days} days from {from} to {to}"),
            Rule::NthWeekday { nth, weekday, months } => {
                let nth = NTH.iter().find(|(n, ..)| n == nth).map_or("", |(_, name, _)| name);
                let weekday = WEEKDAYS[weekday.num_days_from_monday() as usize];
                write!(f, "{nth} {weekday} {}", list(months.iter().map(|month| format!("of {}", month.name()))))
            }
            Rule::AfterDegreeDays { degree_days, from } => write!(f, "after {degree_days} degree days from {from}"),
            Rule::EveryDegreeDays { degree_days, from, to } => {
                write!(f, "every {degree_days} degree days from {from} to {to}")
            }
        }
    }
}

/// A text taken word by word; a method that reads something leaves the words untouched when it is not there.
pub(super) struct Words(Vec<String>);

impl Words {
    /// What `read` makes of the whole of `text`.
    pub fn read<T>(text: &str, read: impl Fn(&mut Self) -> Option<T>) -> Option<T> {
        let tidy = text.to_lowercase().replace(',', " , ").replace("degree-days", "degree days");
        let mut words = Words(tidy.split_whitespace().rev().map(str::to_owned).collect());
        read(&mut words).filter(|_| words.0.is_empty())
    }

    fn attempt<T>(&mut self, read: impl Fn(&mut Self) -> Option<T>) -> Option<T> {
        let before = self.0.clone();
        let found = read(self);
        if found.is_none() {
            self.0 = before;
        }
        found
    }

    fn next<T>(&mut self, read: impl Fn(&str) -> Option<T>) -> Option<T> {
        let found = read(self.0.last()?)?;
        self.0.pop();
        Some(found)
    }

    pub fn word(&mut self, word: &str) -> Option<()> {
        self.next(|next| (next == word).then_some(()))
    }

    fn phrase(&mut self, words: &[&str]) -> Option<()> {
        words.iter().try_for_each(|word| self.word(word))
    }

    fn list<T>(&mut self, item: impl Fn(&mut Self) -> Option<T>) -> Option<Vec<T>> {
        let mut items = vec![item(self)?];
        loop {
            let comma = self.word(",");
            let and = self.word("and");
            if comma.or(and).is_none() {
                return Some(items);
            }
            items.push(item(self)?);
        }
    }

    /// Only `YYYY-MM-DD`: chrono would take `2014-4-5` too.
    pub fn date(&mut self) -> Option<NaiveDate> {
        self.next(|word| word.parse::<NaiveDate>().ok().filter(|date| date.to_string() == word))
    }

    fn day(&mut self) -> Option<u32> {
        self.next(|word| {
            let digits = ["st", "nd", "rd", "th"].iter().find_map(|end| word.strip_suffix(end)).unwrap_or(word);
            digits.parse().ok()
        })
    }

    fn month(&mut self) -> Option<Month> {
        self.next(|word| word.parse().ok())
    }

    pub fn month_day(&mut self) -> Option<MonthDay> {
        let day_first = self.attempt(|w| w.day().and_then(|day| Some((w.month()?, day))));
        let (month, day) = day_first.or_else(|| self.attempt(|w| Some((w.month()?, w.day()?))))?;
        MonthDay::new(month, day).ok()
    }

    fn span(&mut self) -> Option<(MonthDay, MonthDay)> {
        self.word("from")?;
        let from = self.month_day()?;
        self.word("to")?;
        Some((from, self.month_day()?))
    }

    fn rule(&mut self) -> Option<Rule> {
        self.attempt(|w| w.list(Words::date).map(Rule::Dates))
            .or_else(|| self.attempt(|w| w.list(Words::month_day).map(Rule::Yearly)))
            .or_else(|| self.attempt(Words::every_days))
            .or_else(|| self.attempt(Words::nth_weekday))
            .or_else(|| self.attempt(Words::after_degree_days))
            .or_else(|| self.attempt(Words::every_degree_days))
    }

    fn every_days(&mut self) -> Option<Rule> {
        self.word("every")?;
        let days = self.next(|word| word.parse().ok())?;
        self.word("days")?;
        let (from, to) = self.span()?;
        Some(Rule::EveryDays { days, from, to })
    }

    fn nth_weekday(&mut self) -> Option<Rule> {
        let nth =
            self.next(|word| NTH.iter().find(|(_, name, short)| word == *name || word == *short).map(|(n, ..)| *n))?;
        let weekday = self.next(|word| word.parse().ok())?;
        self.word("of")?;
        let months = self.list(|w| {
            let _repeated = w.word("of");
            w.month()
        })?;
        Some(Rule::NthWeekday { nth, weekday, months })
    }

    fn degree_days(&mut self) -> Option<f64> {
        let degree_days = self.next(|word| word.parse().ok())?;
        self.phrase(&["degree", "days"])?;
        Some(degree_days)
    }

    fn after_degree_days(&mut self) -> Option<Rule> {
        self.word("after")?;
        let degree_days = self.degree_days()?;
        self.word("from")?;
        Some(Rule::AfterDegreeDays { degree_days, from: self.month_day()? })
    }

    fn every_degree_days(&mut self) -> Option<Rule> {
        self.word("every")?;
        let degree_days = self.degree_days()?;
        let (from, to) = self.span()?;
        Some(Rule::EveryDegreeDays { degree_days, from, to })
    }
}
