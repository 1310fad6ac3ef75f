//! Sand to order: what each day needs, where it goes, and what to have delivered.

use super::programme::Dated;
use super::spreading::whole_up;
use super::work::{SAND_BULK_DENSITY_G_CM3, Work};
use crate::error::{Problems, Result};
use chrono::{Days, NaiveDate};

/// A day's sand on one green.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DaySand {
    /// The day.
    pub date: NaiveDate,
    /// Dry sand brought (g/m2).
    pub sand_g_m2: f64,
    /// Of it, taken by open holes and grooves, or jetted into the ground (g/m2).
    pub in_holes_g_m2: f64,
    /// Of it, left on the surface (g/m2).
    pub on_surface_g_m2: f64,
    /// Room that the holes still had after the day's sand (g/m2).
    pub room_left_g_m2: f64,
    /// Most sand that one pass leaves on the surface (g/m2), passes sharing the day's sand as the work says.
    pub thickest_layer_g_m2: f64,
    /// Passes that the work says.
    pub passes: u32,
    /// Passes of spreading and dragging that keep each layer within what can be dragged in.
    pub passes_needed: u32,
}

/// What the holes take and what stays on the surface, by day with sand.
///
/// Holes take sand as the engine lets them: up to `fill_fraction` of their volume (-), for as long as they stay open;
/// cores that are worked back in fill them first, by the volume that came out. `draggable_mm` is the thickest packed layer
/// that one pass can drag in (mm). Packed sand weighs [`SAND_BULK_DENSITY_G_CM3`].
///
/// ```
/// use chrono::NaiveDate;
/// use matledger::practice::Dated;
/// use matledger::practice::order::sand_by_day;
/// use matledger::practice::work::{Topdressing, Work};
/// let date = NaiveDate::from_ymd_opt(2014, 5, 1).unwrap();
/// let work = Work::Topdressing(Topdressing { sand_g_m2: 4000.0, passes: 1, picked_up_share: 0.0 });
/// let days = sand_by_day(&[Dated { date, work }], 0.6, 1.0).unwrap();
/// assert_eq!((days[0].on_surface_g_m2, days[0].passes_needed), (4000.0, 3));
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for a share outside 0 to 1, a thickness that is not above 0, or work outside its domain.
pub fn sand_by_day(work: &[Dated], fill_fraction: f64, draggable_mm: f64) -> Result<Vec<DaySand>> {
    let mut p = Problems::default();
    p.require((0.0..=1.0).contains(&fill_fraction), "fill_fraction", fill_fraction, "a share from 0 to 1");
    let ok = draggable_mm.is_finite() && draggable_mm > 0.0;
    p.require(ok, "draggable_mm", draggable_mm, "a thickness above 0 mm");
    for dated in work {
        p.nest(&dated.date.to_string(), dated.work.validate())?;
    }
    p.into_result(())?;
    let mut work: Vec<&Dated> = work.iter().collect();
    work.sort_by_key(|dated| dated.date);
    let per_mm = SAND_BULK_DENSITY_G_CM3 * 1000.0;
    let draggable_g_m2 = draggable_mm * per_mm;
    let (mut room, mut closes) = (0.0_f64, None::<NaiveDate>);
    let mut days: Vec<DaySand> = Vec::new();
    for Dated { date, work } in work {
        if closes.is_some_and(|closes| *date >= closes) {
            (room, closes) = (0.0, None);
        }
        if let Some(opening) = work.opening() {
            let opened = work.hole_volume_mm() * per_mm;
            let back = opening.lifted_share * opening.returned_mineral_share * opened;
            room = (room + opened * fill_fraction - back).max(0.0);
            let until = *date + Days::new(u64::from(opening.open_days.max(1)));
            closes = Some(closes.map_or(until, |other| other.max(until)));
        }
        let sand = work.sand_g_m2();
        if sand == 0.0 {
            continue;
        }
        let injected = matches!(work, Work::SandInjection(_));
        let down = if injected { sand } else { sand.min(room) };
        if !injected {
            room -= down;
        }
        let (surface, passes) = (sand - down, work.passes());
        // The first passes go down the holes; the last one lies on the surface.
        let layer = surface.min(sand / f64::from(passes));
        let needed = if injected { 1 } else { whole_up(sand / draggable_g_m2).max(1) };
        match days.last_mut().filter(|day| day.date == *date) {
            Some(day) => {
                day.sand_g_m2 += sand;
                day.in_holes_g_m2 += down;
                day.on_surface_g_m2 += surface;
                day.room_left_g_m2 = room;
                day.thickest_layer_g_m2 = day.thickest_layer_g_m2.max(layer);
                day.passes += passes;
                day.passes_needed += needed;
            }
            None => days.push(DaySand {
                date: *date,
                sand_g_m2: sand,
                in_holes_g_m2: down,
                on_surface_g_m2: surface,
                room_left_g_m2: room,
                thickest_layer_g_m2: layer,
                passes,
                passes_needed: needed,
            }),
        }
    }
    Ok(days)
}

/// How sand is bought.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Buying {
    /// Water in the sand as delivered, over its dry mass (-).
    pub moisture: f64,
    /// Share of what is delivered that never reaches a green (-).
    pub waste: f64,
    /// Dry sand in stock at the start (t).
    pub stock_dry_t: f64,
    /// A load as delivered (t, moist); only whole loads are bought.
    pub load_t: f64,
}

/// A day's order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delivery {
    /// Dry sand that reaches the greens (t).
    pub sand_dry_t: f64,
    /// Dry sand lost on the way (t).
    pub wasted_dry_t: f64,
    /// Loads to have by the day.
    pub loads: u32,
    /// The same (t, moist).
    pub delivered_moist_t: f64,
    /// Dry sand in stock after the day (t).
    pub stock_dry_t: f64,
}

impl Buying {
    /// Loads for the days' needs (t of dry sand on the greens), stock first; what a load holds beyond the need is stock.
    ///
    /// Every tonne is accounted for: stock + delivered (dry) = used + wasted + stock after.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for numbers outside their domain.
    pub fn deliveries(&self, needs_dry_t: &[f64]) -> Result<Vec<Delivery>> {
        let mut p = Problems::default();
        p.require((0.0..1.0).contains(&self.moisture), "moisture", self.moisture, "a share of the dry mass below 1");
        p.require((0.0..1.0).contains(&self.waste), "waste", self.waste, "a share below 1");
        let ok = self.stock_dry_t.is_finite() && self.stock_dry_t >= 0.0;
        p.require(ok, "stock_dry_t", self.stock_dry_t, "0 t or more");
        p.require(self.load_t.is_finite() && self.load_t > 0.0, "load_t", self.load_t, "a load above 0 t");
        for (i, need) in needs_dry_t.iter().enumerate() {
            p.require(need.is_finite() && *need >= 0.0, format!("needs_dry_t[{i}]"), need, "0 t or more");
        }
        p.into_result(())?;
        let load_dry_t = self.load_t / (1.0 + self.moisture);
        let mut stock = self.stock_dry_t;
        let deliver = |&sand_dry_t: &f64| {
            let taken = sand_dry_t / (1.0 - self.waste);
            let loads = whole_up((taken - stock).max(0.0) / load_dry_t);
            stock = (stock + f64::from(loads) * load_dry_t - taken).max(0.0);
            Delivery {
                sand_dry_t,
                wasted_dry_t: taken - sand_dry_t,
                loads,
                delivered_moist_t: f64::from(loads) * self.load_t,
                stock_dry_t: stock,
            }
        };
        Ok(needs_dry_t.iter().map(deliver).collect())
    }
}
