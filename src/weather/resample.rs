//! Weather to come, by resampling the record in whole years or blocks of days, warmed or cooled as the user asks.

use super::series::Weather;
use crate::error::{Problems, Result};
use chrono::{Datelike, Days, NaiveDate};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How weather to come is made of the record.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ToCome {
    /// Days of a block, counted from 1 January; each block is drawn from a year of its own and keeps its days of the
    /// calendar. Whole years if none. Blocks break what a record says of long spells; years keep it.
    pub block_days: Option<usize>,
    /// Added to the minima and maxima of each calendar month (degC), the delta method: what is drawn keeps its
    /// day-to-day scatter.
    pub shift_c: [f64; 12],
}

impl ToCome {
    fn check(&self, p: &mut Problems) {
        if let Some(days) = self.block_days {
            p.require((1..=366).contains(&days), "block_days", days, "a whole number from 1 to 366");
        }
        for (month, shift) in self.shift_c.iter().enumerate() {
            let sane = shift.is_finite() && shift.abs() <= 20.0;
            p.require(sane, format!("shift_c[{month}]"), shift, "a shift from -20 to 20 degC");
        }
    }

    /// Days of one key come from one year of the record.
    fn block(&self, date: NaiveDate) -> (i32, usize) {
        (date.year(), self.block_days.map_or(0, |days| date.ordinal0() as usize / days))
    }
}

impl Weather {
    /// This record followed by `days` days drawn at random, each calendar year whole unless `to_come` asks for blocks, from
    /// the complete years of the record. Sequence `sequence` of a seed is the same whatever others are drawn.
    ///
    /// 29 February of a year that has one takes 28 February of a year that has none. Added days are marked as filled.
    ///
    /// # Errors
    /// [`crate::Error::Input`] if the record holds no complete calendar year, or for a block or shift outside its range.
    ///
    /// ```
    /// use chrono::{Days, NaiveDate};
    /// use matledger::weather::{resample::ToCome, series::Weather};
    /// let start = NaiveDate::from_ymd_opt(2013, 1, 1).unwrap();
    /// let dates: Vec<_> = start.iter_days().take(365).collect();
    /// let warm = vec![20.0; 365];
    /// let cold = vec![10.0; 365];
    /// let record = Weather::new(&dates, &cold, &warm, None, &[])?;
    /// let longer = record.followed_by(366, 7, 0, &ToCome { shift_c: [1.5; 12], ..ToCome::default() })?;
    /// assert_eq!(longer.len(), 365 + 366);
    /// assert_eq!(longer.tmax_c().last(), Some(&21.5));
    /// assert_eq!(longer.end(), start + Days::new(365 + 366 - 1));
    /// # Ok::<(), matledger::Error>(())
    /// ```
    pub fn followed_by(&self, days: usize, seed: u64, sequence: u64, to_come: &ToCome) -> Result<Self> {
        let years = self.complete_years();
        let mut p = Problems::default();
        p.require(
            !years.is_empty(),
            "weather",
            format!("{} to {}", self.start(), self.end()),
            "at least one complete calendar year to draw the years to come from",
        );
        to_come.check(&mut p);
        p.into_result(())?;
        let mut stream = ChaCha8Rng::seed_from_u64(seed);
        stream.set_stream(sequence);
        let (mut tmin, mut tmax) = (self.tmin_c().to_vec(), self.tmax_c().to_vec());
        let mut rain = self.rain_mm().map(<[f64]>::to_vec);
        let mut filled = self.filled().to_vec();
        let mut source = 0;
        let mut drawn_for = None;
        for date in (self.end() + Days::new(1)).iter_days().take(days) {
            let block = to_come.block(date);
            if drawn_for != Some(block) {
                source = years[stream.random_range(0..years.len())];
                drawn_for = Some(block);
            }
            let twin = NaiveDate::from_ymd_opt(source, date.month(), date.day())
                .or_else(|| NaiveDate::from_ymd_opt(source, 2, 28));
            let Some(row) = twin.and_then(|twin| self.row(twin)) else { continue };
            let shift = to_come.shift_c[date.month0() as usize];
            tmin.push(self.tmin_c()[row] + shift);
            tmax.push(self.tmax_c()[row] + shift);
            if let (Some(rain), Some(record)) = (rain.as_mut(), self.rain_mm()) {
                rain.push(record[row]);
            }
            filled.push(true);
        }
        Self::from_parts(self.start(), &tmin, &tmax, rain.as_deref(), filled)
    }
}
