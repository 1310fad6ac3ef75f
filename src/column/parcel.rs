//! The stack of parcels, their thickness, and how they are split and merged.

use super::cores::{no_thinner, thinner_back};
use crate::number::Number;

/// Packed bulk densities of the two substances (g/cm3).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Densities<T> {
    /// Sand and other mineral.
    pub mineral: T,
    /// Organic matter.
    pub om: T,
}

impl<T: Number> Densities<T> {
    /// Thickness (mm) of masses (g/m2): `h = (m/rho_m + om/rho_o) / 1000`.
    ///
    /// Additive volumes, the mixing rule of Adams 1973 (J. Soil Sci. 24:10-17) and Federer et al. 1993 (both from
    /// memory).
    ///
    /// ```
    /// use matledger::column::Densities;
    /// let densities = Densities { mineral: 1.60, om: 0.244 };
    /// assert!((densities.thickness_mm(1600.0, 244.0) - 2.0).abs() < 1e-12);
    /// ```
    #[inline(always)]
    pub fn thickness_mm(&self, mineral_g_m2: T, om_g_m2: T) -> T {
        (mineral_g_m2 / self.mineral + om_g_m2 / self.om) / 1000.0
    }

    /// Bulk density (g/cm3) of ground whose organic matter is `fraction` of its mass.
    #[inline(always)]
    pub fn mixed(&self, fraction: T) -> T {
        T::one() / (fraction / self.om + (T::one() - fraction) / self.mineral)
    }
}

/// Organic matter against depth at the start: `p(z) = base + surface exp(-z / scale)` (% of mass).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Profile<T> {
    /// What the profile tends to with depth (%).
    pub base_percent: T,
    /// What lies above that at the surface (%).
    pub surface_percent: T,
    /// Depth over which the excess falls to 1/e (mm).
    pub scale_mm: T,
}

impl<T: Number> Profile<T> {
    /// Mean over a depth range (%), the integral of `p(z)` over its length, held below 90 %.
    #[inline(always)]
    pub fn mean_percent(&self, top_mm: f64, bottom_mm: f64) -> T {
        let at = |z: f64| (T::constant(-z) / self.scale_mm).exp();
        let excess = self.surface_percent * self.scale_mm * (at(top_mm) - at(bottom_mm)) / (bottom_mm - top_mm);
        (self.base_percent + excess).min(T::constant(90.0))
    }
}

/// A stack of parcels, bottom first.
#[derive(Debug, Clone, PartialEq)]
pub struct Column<T> {
    /// Mineral of each parcel (g/m2).
    pub mineral: Vec<T>,
    /// Young organic matter of each parcel (g/m2).
    pub young: Vec<T>,
    /// Old organic matter of each parcel (g/m2).
    pub old: Vec<T>,
    /// Open hole volume in each parcel (mm over the whole surface).
    pub hole_mm: Vec<T>,
    /// Volume of the open holes (mm).
    pub open_mm: T,
    /// Part of it that sand can fill (mm).
    pub room_mm: T,
    /// Whether there are open holes.
    pub has_holes: bool,
    /// Bulk densities.
    pub densities: Densities<T>,
    /// Volumes of a mass (mm per g/m2): what divides by the densities is multiplied by these.
    pub(super) volumes: Volumes<T>,
}

/// Thickness of a mass of 1 g/m2 (mm).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Volumes<T> {
    pub(crate) mineral: T,
    pub(crate) om: T,
}

/// Slopes of an outcome along what parcels hold: mineral, young and old organic matter, and holes if there are any.
pub(crate) type Along<'a, T> = [&'a mut [T]; POOLS];

impl<T: Number> Volumes<T> {
    #[inline(always)]
    pub(super) fn new(densities: &Densities<T>) -> Self {
        Self { mineral: T::one() / (densities.mineral * 1000.0), om: T::one() / (densities.om * 1000.0) }
    }

    #[inline(always)]
    pub(super) fn of(&self, mineral_g_m2: T, om_g_m2: T) -> T {
        mineral_g_m2 * self.mineral + om_g_m2 * self.om
    }

    /// Adds, to slopes along volumes, those of a thickness of these masses.
    #[inline(always)]
    pub(super) fn along(&mut self, mineral_g_m2: T, om_g_m2: T, by_thickness: T) {
        self.mineral += mineral_g_m2 * by_thickness;
        self.om += om_g_m2 * by_thickness;
    }
}

impl<T: Number> Column<T> {
    /// Ground laid from parcels of given thickness (mm, bottom first) under a starting profile; `young_share` is the
    /// young part of its organic matter.
    #[inline(always)]
    pub fn new(thickness_mm: &[f64], profile: &Profile<T>, young_share: T, densities: Densities<T>) -> Self {
        let mut top = thickness_mm.iter().sum::<f64>();
        let mut column = Self {
            mineral: Vec::with_capacity(2 * thickness_mm.len()),
            young: Vec::with_capacity(2 * thickness_mm.len()),
            old: Vec::with_capacity(2 * thickness_mm.len()),
            hole_mm: vec![T::zero(); thickness_mm.len()],
            open_mm: T::zero(),
            room_mm: T::zero(),
            has_holes: false,
            densities,
            volumes: Volumes::new(&densities),
        };
        for &thickness in thickness_mm {
            top -= thickness;
            let fraction = profile.mean_percent(top, top + thickness) / 100.0;
            let mass = densities.mixed(fraction) * (thickness * 1000.0);
            let om = mass * fraction;
            column.mineral.push(mass - om);
            column.young.push(om * young_share);
            column.old.push(om * (T::one() - young_share));
        }
        column
    }

    pub(crate) fn volumes(&self) -> Volumes<T> {
        self.volumes
    }

    /// Number of parcels.
    #[inline(always)]
    pub fn len(&self) -> usize {
        self.mineral.len()
    }

    /// Whether there is no parcel.
    pub fn is_empty(&self) -> bool {
        self.mineral.is_empty()
    }

    /// Organic matter of a parcel (g/m2).
    #[inline(always)]
    pub fn om(&self, index: usize) -> T {
        self.young[index] + self.old[index]
    }

    /// Thickness of a parcel (mm).
    #[inline(always)]
    pub fn thickness_mm(&self, index: usize) -> T {
        self.volumes.of(self.mineral[index], self.om(index))
    }

    /// Thickness of the whole column (mm).
    #[inline(always)]
    pub fn total_thickness_mm(&self) -> T {
        self.volumes.of(self.total_mineral(), self.total_om())
    }

    /// Mineral of the whole column (g/m2).
    #[inline(always)]
    pub fn total_mineral(&self) -> T {
        sum(&self.mineral)
    }

    /// Organic matter of the whole column (g/m2).
    #[inline(always)]
    pub fn total_om(&self) -> T {
        sum(&self.young) + sum(&self.old)
    }

    /// Visits the parcels from the surface down as `(index, top_mm, bottom_mm)`.
    #[inline(always)]
    pub fn for_each_down(&self, mut visit: impl FnMut(usize, T, T)) {
        let mut top = T::zero();
        for index in (0..self.len()).rev() {
            let bottom = top + self.thickness_mm(index);
            visit(index, top, bottom);
            top = bottom;
        }
    }

    /// Lower faces of the parcels that begin above a depth, from the surface down (mm).
    pub(crate) fn faces_down_to(&self, depth_mm: f64) -> Vec<T> {
        let mut faces = Vec::with_capacity(self.len());
        let mut top = T::zero();
        for index in (0..self.len()).rev() {
            if top.at_least(depth_mm) {
                break;
            }
            top += self.thickness_mm(index);
            faces.push(top);
        }
        faces
    }

    /// Lays an empty parcel on top.
    #[inline(always)]
    pub fn push_empty(&mut self) {
        for pool in self.pools() {
            pool.push(T::zero());
        }
    }

    /// Splits a parcel into parts of about equal thickness, along the slope of each pool between its neighbours.
    #[inline(always)]
    pub fn split(&mut self, index: usize, parts: usize) {
        let slopes = self.slopes(index);
        let share = 1.0 / parts as f64;
        let (len, has_holes) = (self.len(), self.has_holes);
        for (k, pool) in self.pools().into_iter().enumerate() {
            pool.resize(len + parts - 1, T::zero());
            if k == HOLES && !has_holes {
                continue;
            }
            pool.copy_within(index + 1..len, index + parts);
            let part = pool[index] * share;
            let step = slopes[k] * (share * share);
            let lowest = part + step * (0.5 * (parts - 1) as f64);
            for n in 0..parts {
                pool[index + n] = lowest - step * n as f64;
            }
        }
    }

    /// Carries slopes back over [`Column::split`], from the parcels as they stood before it; `along` comes with the slopes
    /// after it and leaves with those before it, where the first of the parts stands for the parcel.
    #[inline(always)]
    pub(crate) fn split_back(&self, index: usize, parts: usize, along: &mut Along<'_, T>, by_volumes: &mut Volumes<T>) {
        let share = 1.0 / parts as f64;
        let (held, rises) = (self.held(), self.rises(index));
        let mut by_rises = [[T::zero(); 2]; POOLS];
        for (k, by) in along.iter_mut().enumerate().filter(|(_, by)| !by.is_empty()) {
            let (mut by_part, mut by_slope) = (T::zero(), T::zero());
            for (n, slope) in by[index..index + parts].iter().enumerate() {
                by_part += *slope;
                by_slope += *slope * (0.5 * (parts - 1) as f64 - n as f64);
            }
            let slope = gentler(rises[k]);
            let (by_gentler, by_held) = held_in_back(slope, held[k][index], by_slope * (share * share));
            by_rises[k] = gentler_back(rises[k], by_gentler);
            by[index] = by_part * share + by_held;
        }
        self.rises_back(index, &by_rises, index + parts, along, by_volumes);
    }

    /// [`Column::above_cut`] backwards, from the slopes along the mineral and the organic matter above the cut; the slope
    /// along `share`.
    #[inline(always)]
    pub(super) fn above_cut_back(
        &self,
        index: usize,
        share: T,
        [by_mineral, by_om]: [T; 2],
        along: &mut Along<'_, T>,
        by_volumes: &mut Volumes<T>,
    ) -> T {
        let (held, rises) = (self.held(), self.rises(index));
        let (mut by_rises, mut by_share) = ([[T::zero(); 2]; POOLS], T::zero());
        for (k, by) in [by_mineral, by_om, by_om].into_iter().enumerate() {
            let bend = above_bend_back(held[k][index], rises[k], share, by);
            along[k][index] += bend.held;
            by_rises[k] = bend.rises;
            by_share += bend.share;
        }
        self.rises_back(index, &by_rises, index + 1, along, by_volumes);
        by_share
    }

    /// [`Column::rises`] backwards; the slopes of the neighbour above stand at `above_at`.
    #[inline(always)]
    fn rises_back(
        &self,
        index: usize,
        by_rises: &[[T; 2]; POOLS],
        above_at: usize,
        along: &mut Along<'_, T>,
        by_volumes: &mut Volumes<T>,
    ) {
        let held = self.held();
        let thickness = no_thinner(self.thickness_mm(index));
        let above = (index + 1 < self.len()).then_some((index + 1, above_at, 1.0));
        let below = index.checked_sub(1).map(|lower| (lower, lower, -1.0));
        let both = above.is_some() && below.is_some();
        let mut by_thickness = T::zero();
        for (n, (other, at, sign)) in [above, below].into_iter().enumerate().filter_map(|(n, side)| Some((n, side?))) {
            let other_mm = no_thinner(self.thickness_mm(other));
            let relative = thickness / other_mm;
            let more = relative + 1.0;
            let twice = relative * 2.0 / more;
            let mut by_relative = T::zero();
            for (k, by) in along.iter_mut().enumerate().filter(|(_, by)| !by.is_empty()) {
                // The one neighbour of an outer parcel tells both.
                let by_rise = if both { by_rises[k][n] } else { by_rises[k][0] + by_rises[k][1] } * sign;
                let (own, others) = (held[k][index], held[k][other]);
                by[index] += twice * by_rise;
                by[at] -= relative * twice * by_rise;
                by_relative += ((own - others * relative) * 2.0 / (more * more) - others * twice) * by_rise;
            }
            by_thickness += by_relative / other_mm;
            let by_other = -by_relative * relative / other_mm;
            self.no_thinner_back(other, at, by_other, along, by_volumes);
        }
        self.no_thinner_back(index, index, by_thickness, along, by_volumes);
    }

    /// Carries a slope along a parcel's thickness, held from zero, back to what it holds, whose slopes stand at `at`.
    #[inline(always)]
    fn no_thinner_back(
        &self,
        index: usize,
        at: usize,
        by_thickness: T,
        along: &mut Along<'_, T>,
        by_volumes: &mut Volumes<T>,
    ) {
        let by_thickness = thinner_back(self.thickness_mm(index), by_thickness);
        self.thickness_back(index, at, by_thickness, along, by_volumes);
    }

    /// Carries a slope along a parcel's thickness back to what it holds, whose slopes stand at `at`.
    #[inline(always)]
    pub(super) fn thickness_back(
        &self,
        index: usize,
        at: usize,
        by_thickness: T,
        [mineral, young, old, _]: &mut Along<'_, T>,
        by_volumes: &mut Volumes<T>,
    ) {
        mineral[at] += self.volumes.mineral * by_thickness;
        let by_om = self.volumes.om * by_thickness;
        young[at] += by_om;
        old[at] += by_om;
        by_volumes.along(self.mineral[index], self.om(index), by_thickness);
    }

    /// Rise with depth of what a parcel holds of each pool, over its thickness, as the neighbour above and the one below
    /// tell it. At the surface and at the bottom the one neighbour tells both.
    #[inline(always)]
    fn rises(&self, index: usize) -> [(T, T); POOLS] {
        let mut rises = [(T::zero(), T::zero()); POOLS];
        let thickness = no_thinner(self.thickness_mm(index));
        let (above, below) = (index + 1 < self.len(), index > 0);
        if above {
            let relative = thickness / no_thinner(self.thickness_mm(index + 1));
            let twice = relative * 2.0 / (relative + 1.0);
            for (k, pool) in self.held().into_iter().enumerate() {
                rises[k].0 = (pool[index] - pool[index + 1] * relative) * twice;
            }
        }
        if below {
            let relative = thickness / no_thinner(self.thickness_mm(index - 1));
            let twice = relative * 2.0 / (relative + 1.0);
            for (k, pool) in self.held().into_iter().enumerate() {
                rises[k].1 = (pool[index - 1] * relative - pool[index]) * twice;
            }
        }
        for rise in &mut rises {
            *rise = if above && below {
                *rise
            } else if above {
                (rise.0, rise.0)
            } else {
                (rise.1, rise.1)
            };
        }
        rises
    }

    /// Rise with depth of what a parcel holds of each pool (mineral, young, old, holes), over its thickness: what its
    /// lower half holds more than its upper half is a quarter of this.
    ///
    /// The smaller of the slopes to the neighbours above and below, none across an extreme, and never so steep that an
    /// end of the parcel would hold less than nothing.
    #[inline(always)]
    pub(super) fn slopes(&self, index: usize) -> [T; POOLS] {
        let mut slopes = [T::zero(); POOLS];
        let (rises, held) = (self.rises(index), self.held());
        for k in 0..POOLS {
            slopes[k] = held_in(gentler(rises[k]), held[k][index]);
        }
        slopes
    }

    /// Mineral and organic matter of a parcel above a cut through it, `share` of its thickness down (g/m2).
    ///
    /// The cut may be where the slope breaks, as it does at the lower end of the surface litter. Then what lies above it
    /// follows from the slopes on either side, each weighed by its part of the parcel.
    #[inline(always)]
    pub(super) fn above_cut(&self, index: usize, share: T) -> (T, T) {
        let [mineral, young, old, _] = self.rises(index);
        let om = above_bend(self.young[index], young, share) + above_bend(self.old[index], old, share);
        (above_bend(self.mineral[index], mineral, share), om)
    }

    /// Merges a parcel with the one above it.
    #[inline(always)]
    pub fn merge(&mut self, index: usize) {
        let has_holes = self.has_holes;
        for (k, pool) in self.pools().into_iter().enumerate() {
            if k == HOLES && !has_holes {
                pool.pop();
                continue;
            }
            let upper = pool.remove(index + 1);
            pool[index] += upper;
        }
    }

    #[inline(always)]
    fn held(&self) -> [&[T]; POOLS] {
        [&self.mineral, &self.young, &self.old, &self.hole_mm]
    }

    #[inline(always)]
    fn pools(&mut self) -> [&mut Vec<T>; POOLS] {
        [&mut self.mineral, &mut self.young, &mut self.old, &mut self.hole_mm]
    }
}

/// How much steeper than the gentler of its neighbours' slopes a parcel may be cut: as steep as at a break of slope in its
/// middle, where they differ sevenfold; found on the courses on which `engine::grades` is set.
const STEEPEST: f64 = 4.0;

/// Pools of a parcel: mineral, young, old, holes.
pub(super) const POOLS: usize = 4;
const HOLES: usize = 3;

/// The smaller of two slopes; none where they differ in sign.
#[inline(always)]
fn gentler<T: Number>((one, other): (T, T)) -> T {
    let zero = T::zero();
    one.max(zero).min(other.max(zero)) + one.min(zero).max(other.min(zero))
}

/// Slopes along two slopes, from that along [`gentler`] of them.
#[inline(always)]
fn gentler_back<T: Number>((one, other): (T, T), by: T) -> [T; 2] {
    let zero = T::zero();
    let where_above = |low: T, high: T| low.pick_less(high, by, zero);
    // Where both rise the smaller tells, where both fall the larger; where they differ in sign neither does.
    let of_both = one.max(zero).min(other.max(zero)) - one.min(zero).max(other.min(zero));
    let by_either = where_above(zero, of_both);
    let one_tells = (one * one).pick_less(other * other, by_either, zero);
    [one_tells, by_either - one_tells]
}

/// A slope that is not so steep that an end of a parcel would hold less than nothing.
#[inline(always)]
fn held_in<T: Number>(slope: T, held: T) -> T {
    let most = held * 2.0;
    slope.min(most).max(-most)
}

/// Slopes along the two numbers of [`held_in`].
#[inline(always)]
fn held_in_back<T: Number>(slope: T, held: T, by: T) -> (T, T) {
    let (zero, most) = (T::zero(), held * 2.0);
    let within = slope.min(most);
    let by_within = within.pick_less(-most, zero, by);
    let by_slope = slope.pick_less(most, by_within, zero);
    let by_most = slope.pick_less(most, zero, by_within) - within.pick_less(-most, by, zero);
    (by_slope, by_most * 2.0)
}

/// What a parcel holds of a pool above a cut `share` of its thickness down, by the rises on either side.
#[inline(always)]
fn above_bend<T: Number>(held: T, rise: (T, T), share: T) -> T {
    let steepest = gentler(rise) * STEEPEST;
    let across = rise.0 * share + rise.1 * (T::one() - share);
    let (low, high) = (steepest.min(T::zero()), steepest.max(T::zero()));
    held * share - held_in(across.max(low).min(high), held) * (share * (T::one() - share) * 0.5)
}

/// Slopes along what goes into [`above_bend`].
struct BendSlopes<T> {
    held: T,
    rises: [T; 2],
    share: T,
}

#[inline(always)]
fn above_bend_back<T: Number>(held: T, rise: (T, T), share: T, by: T) -> BendSlopes<T> {
    let (zero, one) = (T::zero(), T::one());
    let steepest = gentler(rise) * STEEPEST;
    let across = rise.0 * share + rise.1 * (one - share);
    let (low, high) = (steepest.min(zero), steepest.max(zero));
    let least = across.max(low);
    let slope = least.min(high);
    let (by_slope, by_held) = held_in_back(slope, held, -by * (share * (one - share) * 0.5));
    let by_least = least.pick_less(high, by_slope, zero);
    let by_high = by_slope - by_least;
    let by_across = across.pick_less(low, zero, by_least);
    let by_low = by_least - by_across;
    let [upper, lower] = gentler_back(rise, steepest.pick_less(zero, by_low, by_high) * STEEPEST);
    BendSlopes {
        held: by * share + by_held,
        rises: [upper + share * by_across, lower + (one - share) * by_across],
        share: by * held - by * held_in(slope, held) * (one - share * 2.0) * 0.5 + (rise.0 - rise.1) * by_across,
    }
}

/// The sum of a slice.
#[inline(always)]
pub(crate) fn sum<T: Number>(values: &[T]) -> T {
    values.iter().fold(T::zero(), |total, &value| total + value)
}
