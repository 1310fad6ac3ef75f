//! Weather to come, by resampling whole years of the record.

use super::series::Weather;
use crate::error::{Problems, Result};
use chrono::{Datelike, Days, NaiveDate};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

impl Weather {
    /// This record followed by `days` days of years drawn at random, each calendar year whole, from the complete years of
    /// the record. Sequence `sequence` of a seed is the same whatever others are drawn.
    ///
    /// 29 February of a year that has one takes 28 February of a year that has none. Added days are marked as filled.
    ///
    /// # Errors
    /// [`crate::Error::Input`] if the record holds no complete calendar year.
    ///
    /// ```
    /// use chrono::{Days, NaiveDate};
    /// use matledger::weather::series::Weather;
    /// let start = NaiveDate::from_ymd_opt(2013, 1, 1).unwrap();
    /// let dates: Vec<_> = start.iter_days().take(365).collect();
    /// let warm = vec![20.0; 365];
    /// let cold = vec![10.0; 365];
    /// let record = Weather::new(&dates, &cold, &warm, None, &[])?;
    /// let longer = record.followed_by(366, 7, 0)?;
    /// assert_eq!(longer.len(), 365 + 366);
    /// assert_eq!(longer.end(), start + Days::new(365 + 366 - 1));
    /// # Ok::<(), matledger::Error>(())
    /// ```
    pub fn followed_by(&self, days: usize, seed: u64, sequence: u64) -> Result<Self> {
        let years = self.complete_years();
        let mut p = Problems::default();
        p.require(
            !years.is_empty(),
            "weather",
            format!("{} to {}", self.start(), self.end()),
            "at least one complete calendar year to draw the years to come from",
        );
        p.into_result(())?;
        let mut stream = ChaCha8Rng::seed_from_u64(seed);
        stream.set_stream(sequence);
        let (mut tmin, mut tmax) = (self.tmin_c().to_vec(), self.tmax_c().to_vec());
        let mut rain = self.rain_mm().map(<[f64]>::to_vec);
        let mut filled = self.filled().to_vec();
        let mut source = 0;
        let mut drawn_for = None;
        for date in (self.end() + Days::new(1)).iter_days().take(days) {
            if drawn_for != Some(date.year()) {
                source = years[stream.random_range(0..years.len())];
                drawn_for = Some(date.year());
            }
            let twin = NaiveDate::from_ymd_opt(source, date.month(), date.day())
                .or_else(|| NaiveDate::from_ymd_opt(source, 2, 28));
            let Some(row) = twin.and_then(|twin| self.row(twin)) else { continue };
            tmin.push(self.tmin_c()[row]);
            tmax.push(self.tmax_c()[row]);
            if let (Some(rain), Some(record)) = (rain.as_mut(), self.rain_mm()) {
                rain.push(record[row]);
            }
            filled.push(true);
        }
        Self::from_parts(self.start(), &tmin, &tmax, rain.as_deref(), filled)
    }
}
