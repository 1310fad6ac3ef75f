//! A daily series without gaps, or every reason why there is none.

use std::collections::BTreeMap;
use std::ops::Range;

use chrono::{Datelike, NaiveDate};

use crate::error::{Problems, Result};

/// Coldest and hottest air that a record may hold (degC); both lie beyond the extremes ever measured.
const PLAUSIBLE_C: (f64, f64) = (-90.0, 60.0);

/// Most rain that a day may hold (mm); beyond the most ever measured.
const PLAUSIBLE_RAIN_MM: f64 = 2000.0;

/// Years that a date may lie in: wider than any instrument's record, narrow enough to catch a slipped digit.
const PLAUSIBLE_YEARS: Range<i32> = 1700..2200;

/// How a missing day may be filled. Nothing is filled unless a rule is named.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FillRule {
    /// Temperatures run in a line between the days around a gap of at most this many days. Rain is not filled: a line
    /// through rain is no rain.
    Interpolate {
        /// Longest gap filled (d).
        max_days: usize,
    },
    /// The mean of what was measured on the same calendar day in other years; for 29 February without another, of 28
    /// February.
    SameDayOtherYears,
}

/// Daily weather: one row for each day from the first to the last.
///
/// ```
/// use chrono::NaiveDate;
/// use matledger::weather::series::{FillRule, Weather};
/// let days = [1, 2, 4].map(|d| NaiveDate::from_ymd_opt(2014, 5, d).unwrap());
/// let (tmin, tmax) = ([4.0, 6.0, 8.0], [14.0, 16.0, 18.0]);
/// let gap = Weather::new(&days, &tmin, &tmax, None, &[]).unwrap_err();
/// assert!(gap.to_string().starts_with("2014-05-03: no tmin_c, tmax_c"));
/// let weather = Weather::new(&days, &tmin, &tmax, None, &[FillRule::Interpolate { max_days: 2 }])?;
/// assert_eq!(weather.tmean_c(), [9.0, 11.0, 12.0, 13.0]);
/// assert_eq!(weather.filled(), [false, false, true, false]);
/// # Ok::<(), matledger::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Weather {
    start: NaiveDate,
    tmin_c: Vec<f64>,
    tmax_c: Vec<f64>,
    rain_mm: Option<Vec<f64>>,
    filled: Vec<bool>,
}

impl Weather {
    /// Builds the series from dated rows; NaN is a missing value, and so is a day without a row.
    ///
    /// `fill` is tried rule by rule on what is still missing. A filled minimum or maximum that would cross the day's
    /// measured counterpart stops there; two filled ones that cross are swapped. Filled days stay marked in
    /// [`Weather::filled`].
    ///
    /// # Errors
    /// [`crate::Error::Input`] with every problem at once: no rows, lengths that differ, dates out of order or twice or
    /// beyond 1700 to 2199, a minimum above its maximum, temperatures outside -90 to 60 degC, rain outside 0 to 2000
    /// mm, and each range of days that no rule filled.
    pub fn new(
        dates: &[NaiveDate],
        tmin_c: &[f64],
        tmax_c: &[f64],
        rain_mm: Option<&[f64]>,
        fill: &[FillRule],
    ) -> Result<Self> {
        let mut problems = Problems::default();
        problems.require(!dates.is_empty(), "dates", "none", "at least one day");
        let mut columns = vec![("tmin_c", tmin_c), ("tmax_c", tmax_c)];
        columns.extend(rain_mm.map(|rain| ("rain_mm", rain)));
        for (name, column) in &columns {
            problems.require(
                column.len() == dates.len(),
                *name,
                format!("{} values", column.len()),
                format!("as many as dates ({})", dates.len()),
            );
        }
        for date in dates.iter().filter(|d| !PLAUSIBLE_YEARS.contains(&d.year())) {
            problems.require(false, date.to_string(), format!("year {}", date.year()), "a year from 1700 to 2199");
        }
        problems.into_result(())?;

        let mut problems = Problems::default();
        check_order(&mut problems, dates);
        check_values(&mut problems, dates, tmin_c, tmax_c, rain_mm);
        let first = dates.iter().copied().min().unwrap_or_default();
        let last = dates.iter().copied().max().unwrap_or_default();
        let n = index(first, last) + 1;
        let on_days = |column: &[f64]| {
            let mut daily = vec![f64::NAN; n];
            for (date, value) in dates.iter().zip(column) {
                daily[index(first, *date)] = *value;
            }
            daily
        };
        let mut weather = Self {
            start: first,
            tmin_c: on_days(tmin_c),
            tmax_c: on_days(tmax_c),
            rain_mm: rain_mm.map(on_days),
            filled: vec![false; n],
        };
        weather.fill(fill);
        weather.check_missing(&mut problems, fill);
        problems.into_result(weather)
    }

    /// Puts together a series that is already whole, with the days marked that were once filled.
    ///
    /// # Errors
    /// [`crate::Error::Input`] as [`Weather::new`] without a rule, and if `filled` has another length.
    pub fn from_parts(
        start: NaiveDate,
        tmin_c: &[f64],
        tmax_c: &[f64],
        rain_mm: Option<&[f64]>,
        filled: Vec<bool>,
    ) -> Result<Self> {
        let dates: Vec<_> = start.iter_days().take(tmin_c.len()).collect();
        let mut problems = Problems::default();
        problems.require(
            filled.len() == dates.len(),
            "filled",
            format!("{} values", filled.len()),
            format!("as many as tmin_c ({})", dates.len()),
        );
        problems.into_result(())?;
        Ok(Self { filled, ..Self::new(&dates, tmin_c, tmax_c, rain_mm, &[])? })
    }

    /// Days in the series.
    pub fn len(&self) -> usize {
        self.tmin_c.len()
    }

    /// Never true: a series has at least one day.
    pub fn is_empty(&self) -> bool {
        self.tmin_c.is_empty()
    }

    /// First day.
    pub fn start(&self) -> NaiveDate {
        self.start
    }

    /// Last day.
    pub fn end(&self) -> NaiveDate {
        self.date(self.len() - 1)
    }

    /// Date of row `i`, counted from 0; rows may be counted beyond the end.
    pub fn date(&self, i: usize) -> NaiveDate {
        self.start + chrono::Days::new(i as u64)
    }

    /// Row of a date; `None` outside the series.
    pub fn row(&self, date: NaiveDate) -> Option<usize> {
        (self.start..=self.end()).contains(&date).then(|| index(self.start, date))
    }

    /// Daily minima (degC).
    pub fn tmin_c(&self) -> &[f64] {
        &self.tmin_c
    }

    /// Daily maxima (degC).
    pub fn tmax_c(&self) -> &[f64] {
        &self.tmax_c
    }

    /// Rain of each day (mm), if recorded.
    pub fn rain_mm(&self) -> Option<&[f64]> {
        self.rain_mm.as_deref()
    }

    /// Days on which any value was filled by a rule.
    pub fn filled(&self) -> &[bool] {
        &self.filled
    }

    /// Means of the daily extremes (degC).
    pub fn tmean_c(&self) -> Vec<f64> {
        self.tmin_c.iter().zip(&self.tmax_c).map(|(low, high)| (low + high) / 2.0).collect()
    }

    /// The days from `first` to `last`, both included.
    ///
    /// # Errors
    /// [`crate::Error::Input`] if either lies outside the series or `last` comes before `first`.
    pub fn slice(&self, first: NaiveDate, last: NaiveDate) -> Result<Self> {
        let mut problems = Problems::default();
        let inside = format!("a day from {} to {}", self.start, self.end());
        problems.require(self.row(first).is_some(), "first", first, inside.clone());
        problems.require(self.row(last).is_some(), "last", last, inside);
        problems.require(first <= last, "last", last, format!("{first} or later"));
        problems.into_result(())?;
        let days = index(self.start, first)..index(self.start, last) + 1;
        Ok(Self {
            start: first,
            tmin_c: self.tmin_c[days.clone()].to_vec(),
            tmax_c: self.tmax_c[days.clone()].to_vec(),
            rain_mm: self.rain_mm.as_ref().map(|rain| rain[days.clone()].to_vec()),
            filled: self.filled[days].to_vec(),
        })
    }

    /// Calendar years that the series covers from 1 January to 31 December.
    pub fn complete_years(&self) -> Vec<i32> {
        let whole = |year: &i32| {
            let day = |month, day| NaiveDate::from_ymd_opt(*year, month, day).and_then(|d| self.row(d));
            day(1, 1).is_some() && day(12, 31).is_some()
        };
        (self.start.year()..=self.end().year()).filter(whole).collect()
    }

    fn fill(&mut self, rules: &[FillRule]) {
        let start = self.start;
        let measured = (self.tmin_c.clone(), self.tmax_c.clone());
        let mut touched = Vec::new();
        let rain = self.rain_mm.as_mut().map(|rain| ("rain_mm", rain));
        for (name, column) in [("tmin_c", &mut self.tmin_c), ("tmax_c", &mut self.tmax_c)].into_iter().chain(rain) {
            let before = column.clone();
            for rule in rules {
                match *rule {
                    FillRule::Interpolate { max_days } if name != "rain_mm" => interpolate(column, max_days),
                    FillRule::Interpolate { .. } => {}
                    FillRule::SameDayOtherYears => same_day_other_years(column, &before, start),
                }
            }
            touched.extend((0..column.len()).filter(|&i| before[i].is_nan() && !column[i].is_nan()));
        }
        for i in touched {
            self.filled[i] = true;
        }
        let extremes = self.tmin_c.iter_mut().zip(&mut self.tmax_c);
        for ((low, high), known) in extremes.zip(measured.0.iter().zip(&measured.1)).filter(|((a, b), _)| **a > **b) {
            match (known.0.is_nan(), known.1.is_nan()) {
                (true, false) => *low = *high,
                (false, true) => *high = *low,
                (true, true) => std::mem::swap(low, high),
                // Both measured: already among the problems.
                (false, false) => {}
            }
        }
    }

    fn check_missing(&self, problems: &mut Problems, rules: &[FillRule]) {
        let mut missing: BTreeMap<(usize, usize), Vec<&str>> = BTreeMap::new();
        let rain = self.rain_mm.as_ref().map(|rain| ("rain_mm", rain));
        for (name, column) in [("tmin_c", &self.tmin_c), ("tmax_c", &self.tmax_c)].into_iter().chain(rain) {
            for run in runs_of_nan(column) {
                missing.entry((run.start, run.end)).or_default().push(name);
            }
        }
        let expected =
            if rules.is_empty() { "a value for every day, or a fill rule" } else { "a value that a fill rule reaches" };
        for ((from, to), names) in missing {
            let (first, last) = (self.date(from), self.date(to - 1));
            let days = if to - from == 1 { first.to_string() } else { format!("{first} to {last}") };
            problems.require(false, days, format!("no {}", names.join(", ")), expected);
        }
    }
}

/// Days from `start` to a later or equal `date`.
fn index(start: NaiveDate, date: NaiveDate) -> usize {
    (date - start).num_days() as usize
}

fn check_order(problems: &mut Problems, dates: &[NaiveDate]) {
    let mut rows: BTreeMap<NaiveDate, usize> = BTreeMap::new();
    for date in dates {
        *rows.entry(*date).or_default() += 1;
    }
    for (date, count) in rows.into_iter().filter(|(_, count)| *count > 1) {
        problems.require(false, date.to_string(), format!("{count} rows"), "one row a day");
    }
    let mut falls = dates.windows(2).filter(|pair| pair[1] < pair[0]);
    if let Some(pair) = falls.next() {
        let more = match falls.count() {
            0 => String::new(),
            n => format!(" (and {n} more such places)"),
        };
        problems.require(false, pair[1].to_string(), format!("comes after {}{more}", pair[0]), "dates in rising order");
    }
}

fn check_values(problems: &mut Problems, dates: &[NaiveDate], tmin: &[f64], tmax: &[f64], rain: Option<&[f64]>) {
    let (coldest, hottest) = PLAUSIBLE_C;
    for (i, date) in dates.iter().enumerate() {
        for (name, t) in [("tmin_c", tmin[i]), ("tmax_c", tmax[i])] {
            problems.require(
                t.is_nan() || (coldest..=hottest).contains(&t),
                date.to_string(),
                format!("{name} {t}"),
                format!("a temperature from {coldest} to {hottest} degC"),
            );
        }
        let crossed = tmin[i] > tmax[i];
        problems.require(
            !crossed,
            date.to_string(),
            format!("tmin_c {}", tmin[i]),
            format!("at most tmax_c ({})", tmax[i]),
        );
        if let Some(rain) = rain {
            problems.require(
                rain[i].is_nan() || (0.0..=PLAUSIBLE_RAIN_MM).contains(&rain[i]),
                date.to_string(),
                format!("rain_mm {}", rain[i]),
                format!("rain from 0 to {PLAUSIBLE_RAIN_MM} mm"),
            );
        }
    }
}

fn runs_of_nan(column: &[f64]) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for i in (0..column.len()).filter(|&i| column[i].is_nan()) {
        match runs.last_mut() {
            Some(run) if run.end == i => run.end += 1,
            _ => runs.push(i..i + 1),
        }
    }
    runs
}

fn interpolate(column: &mut [f64], max_days: usize) {
    for run in runs_of_nan(column) {
        if run.start == 0 || run.end == column.len() || run.len() > max_days {
            continue;
        }
        let (before, after) = (column[run.start - 1], column[run.end]);
        let steps = (run.len() + 1) as f64;
        for (step, i) in run.enumerate() {
            column[i] = before + (after - before) * (step + 1) as f64 / steps;
        }
    }
}

fn same_day_other_years(column: &mut [f64], measured: &[f64], start: NaiveDate) {
    let mut calendar: BTreeMap<(u32, u32), (f64, u32)> = BTreeMap::new();
    for (date, value) in start.iter_days().zip(measured).filter(|(_, value)| !value.is_nan()) {
        let day = calendar.entry((date.month(), date.day())).or_default();
        *day = (day.0 + value, day.1 + 1);
    }
    for (date, value) in start.iter_days().zip(column).filter(|(_, value)| value.is_nan()) {
        let day = (date.month(), date.day());
        let mates = calendar.get(&day).or_else(|| calendar.get(&(2, 28)).filter(|_| day == (2, 29)));
        if let Some((sum, count)) = mates {
            *value = sum / f64::from(*count);
        }
    }
}
