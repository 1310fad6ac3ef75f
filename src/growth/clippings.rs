//! From clippings that were weighed or measured to the clippings of every day.

use chrono::{Datelike, Days, NaiveDate};
use std::collections::BTreeMap;

use crate::error::{Problems, Result};

/// Yield of a year (g dry/m2) that stands in while a site has no records: the median of a log-normal prior (from
/// memory).
pub const PRIOR_ANNUAL_G_M2: f64 = 170.0;

/// Standard deviation of the log of that yield (from memory).
pub const PRIOR_LOG_SD: f64 = 0.5;

/// Scatter of one record's yield around the site's, as a share, before any record has shown its own; our judgement.
const RECORD_CV: f64 = 0.5;

/// Records that the judgement above is worth.
const RECORD_CV_WEIGHT: f64 = 2.0;

/// Days in a mean year.
const YEAR_DAYS: f64 = 365.25;

/// A grass whose clippings' dry matter per litre is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grass {
    /// Creeping bentgrass.
    CreepingBentgrass,
    /// Ultradwarf hybrid bermudagrass.
    UltradwarfBermudagrass,
    /// Manilagrass.
    Manilagrass,
}

impl Grass {
    /// Dry matter in a litre of fresh clippings (g/L): 60 for bentgrass and ultradwarf bermudagrass, 110 for
    /// manilagrass (read).
    pub fn dry_matter_g_l(self) -> f64 {
        match self {
            Grass::CreepingBentgrass | Grass::UltradwarfBermudagrass => 60.0,
            Grass::Manilagrass => 110.0,
        }
    }
}

/// Dry mass of clippings (g/m2) from their fresh volume (L/m2) and the dry matter in a litre (g/L).
///
/// # Errors
/// [`crate::Error::Input`] if the volume is below zero or the dry matter not above zero.
///
/// ```
/// use matledger::growth::clippings::{Grass, dry_g_m2};
/// assert_eq!(dry_g_m2(0.05, Grass::CreepingBentgrass.dry_matter_g_l())?, 3.0);
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn dry_g_m2(volume_l_m2: f64, dry_matter_g_l: f64) -> Result<f64> {
    let mut problems = Problems::default();
    let volume_ok = volume_l_m2.is_finite() && volume_l_m2 >= 0.0;
    problems.require(volume_ok, "volume_l_m2", volume_l_m2, "a volume of 0 L/m2 or more");
    let dry_ok = dry_matter_g_l.is_finite() && dry_matter_g_l > 0.0;
    problems.require(dry_ok, "dry_matter_g_l", dry_matter_g_l, "dry matter above 0 g/L");
    problems.into_result(volume_l_m2 * dry_matter_g_l)
}

/// Clippings taken off one green over some days.
#[derive(Debug, Clone, PartialEq)]
pub struct ClippingRecord {
    /// The green.
    pub green: String,
    /// First day on which what was collected had grown.
    pub first_day: NaiveDate,
    /// Last such day, included.
    pub last_day: NaiveDate,
    /// Dry mass (g/m2).
    pub dry_g_m2: f64,
}

impl ClippingRecord {
    /// Checks the record by itself.
    ///
    /// # Errors
    /// [`crate::Error::Input`] if it ends before it starts or its mass is below zero or not finite.
    pub fn validate(&self) -> Result<()> {
        let mut problems = Problems::default();
        let ordered = self.first_day <= self.last_day;
        problems.require(ordered, "last_day", self.last_day, format!("{} or later", self.first_day));
        let mass_ok = self.dry_g_m2.is_finite() && self.dry_g_m2 >= 0.0;
        problems.require(mass_ok, "dry_g_m2", self.dry_g_m2, "a mass of 0 g/m2 or more");
        problems.into_result(())
    }

    fn place(&self) -> String {
        format!("clippings of {}, {} to {}", self.green, self.first_day, self.last_day)
    }
}

/// Where a site's yield comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum YieldSource {
    /// The site's own records, with the prior at its weight.
    Records,
    /// The prior alone.
    Prior,
}

/// Clippings per degree day on days without a record: a log-normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteYield {
    /// Median (g dry/m2 per degC d).
    pub g_m2_per_degree_day: f64,
    /// Standard deviation of its log (-).
    pub log_sd: f64,
    /// Records that told something: those over days of growth.
    pub records: usize,
    /// Whether records or only the prior stand behind it.
    pub source: YieldSource,
}

/// Degree days of one green (degC d) over which clippings are weighed as one unit of evidence: a summer week or so.
pub const UNIT_DEGREE_DAYS: f64 = 100.0;

/// What the records of one calendar year show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordedYear {
    /// The year.
    pub year: i32,
    /// Clippings per degree day (g dry/m2 per degC d).
    pub g_m2_per_degree_day: f64,
    /// Degree days on record, summed over greens, in units of [`UNIT_DEGREE_DAYS`].
    pub weight: f64,
}

/// What clipping records show of each calendar year, and how they scatter.
///
/// All that is on record of one calendar month counts as one: greens of one week, and weeks of one month, share what
/// rain, feeding and mowing did to them.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedYears {
    /// Years with clippings on days of growth, in order; records of a year that weigh nothing tell nothing of it.
    pub years: Vec<RecordedYear>,
    /// Weighted sum of squares of the months around their year, as shares of it (-).
    pub squares: f64,
    /// Months less years.
    pub freedom: f64,
    /// What the months' weights add to the log density of those squares.
    pub log_weights: f64,
}

/// Clippings of each day.
#[derive(Debug, Clone, PartialEq)]
pub struct DailyClippings {
    /// Dry mass (g/m2).
    pub g_m2: Vec<f64>,
    /// Whether a record covers the day; other days are filled from the site's yield.
    pub measured: Vec<bool>,
    /// Records (by index) with mass but no degree days, spread evenly over their days for want of anything better.
    pub spread_evenly: Vec<usize>,
}

/// Degree days of a mean year (degC d), from the last whole number of years in the series.
///
/// # Errors
/// [`crate::Error::Input`] if the series is shorter than 365 days or has no degree days, so that no year's yield can be
/// shared out.
pub fn annual_degree_days(degree_days: &[f64]) -> Result<f64> {
    let mut problems = Problems::default();
    check_degree_days(&mut problems, degree_days);
    let years = (degree_days.len() / 365) as f64;
    let days = ((years * YEAR_DAYS) as usize).min(degree_days.len());
    problems.require(days > 0, "degree_days", format!("{} days", degree_days.len()), "at least a year (365 days)");
    problems.into_result(())?;
    let annual = degree_days[degree_days.len() - days..].iter().sum::<f64>() / days as f64 * YEAR_DAYS;
    let mut problems = Problems::default();
    problems.require(annual > 0.0, "degree_days", "all zero", "some degree days in a year");
    problems.into_result(annual)
}

/// The site's yield per degree day, from all its records and a prior on the yield of a year.
///
/// With masses m and degree days X of n records, `b = sum m / sum X` (ratio estimator; Cochran 1977, Sampling
/// Techniques, chapter 6, from memory) and `var(log b) = s^2 / n` with
/// `s^2 = (v c^2 + sum ((m - b X) / (b mean X))^2) / (v + n - 1)`. The terms with `v = 2` and `c = 0.5` (our judgement) keep a few records that happen to agree from looking
/// certain. On the log scale this is weighed with the prior `prior_annual_g_m2` over the degree days of a mean year by
/// inverse variance. Records over days without any degree days tell nothing of b and do not count; if none count, the
/// prior stands alone and `source` says so.
///
/// # Errors
/// [`crate::Error::Input`] if a record is wrong in itself, lies outside the series or overlaps another of its green, if
/// records over days of growth are all of zero mass, if a degree day is negative or not finite, if the series is
/// shorter than a year, or if the prior is not above zero.
pub fn site_yield(
    start: NaiveDate,
    degree_days: &[f64],
    records: &[ClippingRecord],
    prior_annual_g_m2: f64,
    prior_log_sd: f64,
) -> Result<SiteYield> {
    let mut problems = Problems::default();
    let positive = |v: f64| v.is_finite() && v > 0.0;
    problems.require(positive(prior_annual_g_m2), "prior_annual_g_m2", prior_annual_g_m2, "a yield above 0 g/m2");
    problems.require(positive(prior_log_sd), "prior_log_sd", prior_log_sd, "a standard deviation above 0");
    let spans = spans(&mut problems, start, degree_days.len(), records)?;
    problems.into_result(())?;
    let prior_log = (prior_annual_g_m2 / annual_degree_days(degree_days)?).ln();

    let telling: Vec<(f64, f64)> = records
        .iter()
        .zip(spans)
        .map(|(record, (from, to))| (record.dry_g_m2, degree_days[from..=to].iter().sum::<f64>()))
        .filter(|(_, x)| *x > 0.0)
        .collect();
    if telling.is_empty() {
        return Ok(SiteYield {
            g_m2_per_degree_day: prior_log.exp(),
            log_sd: prior_log_sd,
            records: 0,
            source: YieldSource::Prior,
        });
    }
    let n = telling.len() as f64;
    let (mass, heat) = telling.iter().fold((0.0, 0.0), |(m, x), record| (m + record.0, x + record.1));
    let mut problems = Problems::default();
    problems.require(mass > 0.0, "records", "all of zero mass", "clippings on some day of growth");
    problems.into_result(())?;
    let ratio = mass / heat;
    let scatter: f64 = telling.iter().map(|(m, x)| ((m - ratio * x) * n / mass).powi(2)).sum();
    let variance = (RECORD_CV_WEIGHT * RECORD_CV.powi(2) + scatter) / (RECORD_CV_WEIGHT + n - 1.0) / n;
    let (own, prior) = (1.0 / variance, prior_log_sd.powi(-2));
    Ok(SiteYield {
        g_m2_per_degree_day: ((own * ratio.ln() + prior * prior_log) / (own + prior)).exp(),
        log_sd: (own + prior).powf(-0.5),
        records: telling.len(),
        source: YieldSource::Records,
    })
}

/// What the records of all greens show of each calendar year.
///
/// With masses `m` and degree days `X` of a year's months, `b = sum m / sum X`; a month's `m / (b X)` scatters around 1 with
/// variance `s^2 100 / X`, so that `sum X / 100 (m / (b X) - 1)^2 / s^2` is chi-square with as many degrees of freedom as
/// there are months less years. Days without degree days tell nothing and do not count.
///
/// # Errors
/// [`crate::Error::Input`] as for [`daily_clippings`], but for greens, of which there may be several.
pub fn recorded_years(start: NaiveDate, degree_days: &[f64], records: &[ClippingRecord]) -> Result<RecordedYears> {
    let mut problems = Problems::default();
    check_degree_days(&mut problems, degree_days);
    let spans = spans(&mut problems, start, degree_days.len(), records)?;
    problems.into_result(())?;
    let mut months = BTreeMap::<i32, BTreeMap<u32, (f64, f64)>>::new();
    for (record, (from, to)) in records.iter().zip(spans) {
        let total: f64 = degree_days[from..=to].iter().sum();
        for (day, heat) in (from..).zip(&degree_days[from..=to]).filter(|(_, heat)| **heat > 0.0) {
            let date = start + Days::new(day as u64);
            let month = months.entry(date.year()).or_default().entry(date.month()).or_default();
            *month = (month.0 + record.dry_g_m2 * heat / total, month.1 + heat);
        }
    }
    let mut found = RecordedYears { years: Vec::new(), squares: 0.0, freedom: 0.0, log_weights: 0.0 };
    for (year, months) in months {
        let (mass, heat) = months.values().fold((0.0, 0.0), |(m, x), month| (m + month.0, x + month.1));
        if mass > 0.0 {
            let (ratio, weight) = (mass / heat, heat / UNIT_DEGREE_DAYS);
            found.years.push(RecordedYear { year, g_m2_per_degree_day: ratio, weight });
            found.freedom += months.len() as f64 - 1.0;
            found.log_weights -= 0.5 * weight.ln();
            for (m, x) in months.values() {
                found.squares += x / UNIT_DEGREE_DAYS * (m / (ratio * x) - 1.0).powi(2);
                found.log_weights += 0.5 * (x / UNIT_DEGREE_DAYS).ln();
            }
        }
    }
    Ok(found)
}

/// Clippings of each day of the series on one green.
///
/// A record's mass goes to its days in proportion to their degree days, or evenly if they have none (see
/// [`DailyClippings::spread_evenly`]). Days without a record get the site's median yield times their degree days.
///
/// # Errors
/// [`crate::Error::Input`] if a record is wrong in itself, lies outside the series, overlaps another or is of another
/// green than the first, or if a degree day is negative or not finite.
///
/// ```
/// use chrono::NaiveDate;
/// use matledger::growth::clippings::{ClippingRecord, SiteYield, YieldSource, daily_clippings};
/// let day = |d| NaiveDate::from_ymd_opt(2014, 5, d).unwrap();
/// let record = ClippingRecord { green: "1".into(), first_day: day(1), last_day: day(2), dry_g_m2: 3.0 };
/// let b = SiteYield { g_m2_per_degree_day: 0.05, log_sd: 0.5, records: 0, source: YieldSource::Prior };
/// let daily = daily_clippings(day(1), &[10.0, 20.0, 20.0], &[record], &b)?;
/// assert_eq!((daily.g_m2, daily.measured), (vec![1.0, 2.0, 1.0], vec![true, true, false]));
/// # Ok::<(), matledger::Error>(())
/// ```
pub fn daily_clippings(
    start: NaiveDate,
    degree_days: &[f64],
    records: &[ClippingRecord],
    site_yield: &SiteYield,
) -> Result<DailyClippings> {
    let mut problems = Problems::default();
    check_degree_days(&mut problems, degree_days);
    if let Some(first) = records.first() {
        for record in records.iter().filter(|record| record.green != first.green) {
            problems.require(false, record.place(), "another green", format!("records of {} only", first.green));
        }
    }
    let b = site_yield.g_m2_per_degree_day;
    problems.require(b.is_finite() && b >= 0.0, "site_yield.g_m2_per_degree_day", b, "0 g/m2 or more");
    let spans = spans(&mut problems, start, degree_days.len(), records)?;
    problems.into_result(())?;
    let mut daily = DailyClippings {
        g_m2: degree_days.iter().map(|heat| b * heat).collect(),
        measured: vec![false; degree_days.len()],
        spread_evenly: Vec::new(),
    };
    for (i, (record, (from, to))) in records.iter().zip(spans).enumerate() {
        let heat = &degree_days[from..=to];
        let total: f64 = heat.iter().sum();
        let days = &mut daily.g_m2[from..=to];
        if total > 0.0 {
            days.iter_mut().zip(heat).for_each(|(day, x)| *day = record.dry_g_m2 * x / total);
        } else {
            days.fill(record.dry_g_m2 / heat.len() as f64);
            if record.dry_g_m2 > 0.0 {
                daily.spread_evenly.push(i);
            }
        }
        daily.measured[from..=to].fill(true);
    }
    Ok(daily)
}

fn check_degree_days(problems: &mut Problems, degree_days: &[f64]) {
    for (i, x) in degree_days.iter().enumerate() {
        problems.require(x.is_finite() && *x >= 0.0, format!("degree_days[{i}]"), x, "0 degree days or more");
    }
}

/// First and last row of each record, once all are known to be sound, inside the series and apart from each other.
fn spans(
    problems: &mut Problems,
    start: NaiveDate,
    days: usize,
    records: &[ClippingRecord],
) -> Result<Vec<(usize, usize)>> {
    let row = |date: NaiveDate| usize::try_from((date - start).num_days()).ok().filter(|row| *row < days);
    let mut found = Vec::with_capacity(records.len());
    for (i, record) in records.iter().enumerate() {
        if problems.nest(&format!("records[{i}]"), record.validate())?.is_none() {
            continue;
        }
        match (row(record.first_day), row(record.last_day)) {
            (Some(from), Some(to)) => found.push((from, to)),
            _ => problems.require(
                false,
                record.place(),
                "outside the weather",
                format!("days from {start} on, {days} in all"),
            ),
        }
    }
    let mut in_order: Vec<&ClippingRecord> = records.iter().collect();
    in_order.sort_by_key(|record| (&record.green, record.first_day, record.last_day));
    let mut latest: Option<&ClippingRecord> = None;
    for record in in_order {
        let before = latest.filter(|before| before.green == record.green);
        if let Some(before) = before.filter(|before| record.first_day <= before.last_day) {
            let overlap = format!("overlaps {} to {}", before.first_day, before.last_day);
            problems.require(false, record.place(), overlap, "records of a green that share no day");
        }
        latest = before.filter(|before| before.last_day > record.last_day).or(Some(record));
    }
    Ok(found)
}
