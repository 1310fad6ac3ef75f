//! The last reading of thousands of programmes.

use super::outset::{Grain, Outlook, Outset, Progress};
use crate::column::Sample;
use crate::error::Result;
use crate::practice::programme::{Calendar, Programme};
use chrono::NaiveDate;
use rayon::prelude::*;
use std::sync::atomic::Ordering;

/// The last reading of every programme, green and draw: all that a search over thousands of programmes keeps.
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    /// First day of the forecast, and the day of the reading.
    pub span: (NaiveDate, NaiveDate),
    /// Programmes, greens, draws.
    pub shape: [usize; 3],
    /// Organic matter of the sample (% of dry mass), in the order of `shape`.
    pub om_percent: Vec<f64>,
    /// The calendars of each programme: one for each weather sequence, or one that serves them all.
    pub calendars: Vec<Vec<Calendar>>,
}

impl Scan {
    /// Runs programmes as [`super::Forecast::run`] does, with the coarser grain of a search, and reads a sample at the end
    /// of the last year.
    ///
    /// # Errors
    /// As for [`super::Forecast::run`].
    pub fn run(outlook: &Outlook<'_>, programmes: &[Programme], sample: Sample, progress: &Progress) -> Result<Self> {
        let outset = Outset::new(outlook, Grain::Search, progress)?;
        let calendars = outset.all_calendars(programmes)?;
        let last = outset.dates[outset.dates.len() - 1];
        let samples = [(last, sample)];
        outset.validate(&samples)?;
        let shape = [programmes.len(), outset.greens, outset.draws];
        let of_programme = outset.greens * outset.draws;
        let mut om_percent = vec![0.0; programmes.len() * of_programme];
        om_percent.par_chunks_mut(of_programme).zip(&calendars).try_for_each(|(om_percent, calendars)| {
            for sequence in 0..outset.sequences() {
                progress.go_on()?;
                outset.under(sequence, calendars, &samples, |members, onward, plan| {
                    for (&(green, draw), percent) in members.iter().zip(&onward.om_percent(plan)?[0]) {
                        om_percent[green * outset.draws + draw] = *percent;
                    }
                    Ok(())
                })?;
                progress.done.fetch_add(1, Ordering::Relaxed);
            }
            Ok(())
        })?;
        Ok(Self { span: (outset.start, last), shape, om_percent, calendars })
    }
}
