//! What a sample sees: a depth window, or the layer above the root zone.

use super::cores::{no_thinner, thinner_back};
use super::parcel::{Along, Column, Volumes};
use crate::number::Number;

/// What is sampled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sample {
    /// Ground between two depths below the present surface (mm).
    Window {
        /// Upper depth (mm).
        top_mm: f64,
        /// Lower depth (mm).
        bottom_mm: f64,
    },
    /// The thatch-mat layer: all that lies above the original root zone.
    AboveRootZone,
    /// The layer down to the deepest ground that holds more organic matter than this (%).
    AbovePercent(f64),
}

/// What a sample holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading<T> {
    /// Organic matter (g/m2).
    pub om_g_m2: T,
    /// Mineral (g/m2).
    pub mineral_g_m2: T,
    /// Thickness (mm).
    pub thickness_mm: T,
}

impl<T: Number> Reading<T> {
    /// Loss on ignition (% of dry mass) without the blank of the method: `100 OM / (OM + mineral)`.
    #[inline(always)]
    pub fn om_percent(&self) -> T {
        self.om_g_m2 * 100.0 / self.mass_g_m2()
    }

    #[inline(always)]
    fn mass_g_m2(&self) -> T {
        (self.om_g_m2 + self.mineral_g_m2).max(T::constant(NO_MASS_G_M2))
    }

    /// Slopes along mineral and organic matter, from that along [`Reading::om_percent`].
    #[inline(always)]
    fn om_percent_back(&self, by: T) -> [T; 2] {
        let mass = self.mass_g_m2();
        let by_om = by * 100.0 / mass;
        let by_mass = T::constant(NO_MASS_G_M2).pick_less(mass, -by_om * self.om_g_m2 / mass, T::zero());
        [by_mass, by_om + by_mass]
    }
}

/// Mass below which nothing was sampled (g/m2).
const NO_MASS_G_M2: f64 = 1e-12;

/// Half-width over which a parcel passes from outside a layer to inside it (% OM); keeps the layer's edge smooth.
const EDGE_PERCENT: f64 = 0.05;

impl<T: Number> Column<T> {
    /// What a sample of the column holds. `root_zone` is the number of parcels that belong to the original root zone.
    #[inline(always)]
    pub fn read(&self, sample: &Sample, root_zone: usize) -> Reading<T> {
        match *sample {
            Sample::Window { top_mm, bottom_mm } => {
                let (mut top, mut mineral, mut om, mut thickness) = (T::zero(), T::zero(), T::zero(), T::zero());
                for i in (0..self.len()).rev() {
                    if top.at_least(bottom_mm) {
                        break;
                    }
                    let bottom = top + self.thickness_mm(i);
                    if (-bottom).at_least(-top_mm) {
                        top = bottom;
                        continue;
                    }
                    // A parcel that begins or ends inside, in every lane, is not cut there.
                    let inside = |depth: T| depth.at_least(top_mm) && (-depth).at_least(-bottom_mm);
                    let whole = (self.mineral[i], self.om(i));
                    let cut = |depth: T| {
                        let share = (depth.clamp(top_mm, bottom_mm) - top) / no_thinner(bottom - top);
                        (share, self.above_cut(i, share))
                    };
                    let (from, upper) = if inside(top) { (T::zero(), (T::zero(), T::zero())) } else { cut(top) };
                    let (to, lower) = if inside(bottom) { (T::one(), whole) } else { cut(bottom) };
                    mineral += lower.0 - upper.0;
                    om += lower.1 - upper.1;
                    thickness += (to - from) * (bottom - top);
                    top = bottom;
                }
                Reading { om_g_m2: om, mineral_g_m2: mineral, thickness_mm: thickness }
            }
            Sample::AboveRootZone => self.layer(|i, _| if i < root_zone { T::zero() } else { T::one() }),
            Sample::AbovePercent(percent) => {
                let mut clean = T::one();
                self.layer(|_, om_percent| {
                    let rich = ((om_percent - percent) / (2.0 * EDGE_PERCENT) + 0.5).clamp(0.0, 1.0);
                    clean *= T::one() - rich;
                    T::one() - clean
                })
            }
        }
    }

    /// Carries the slope along the percentage of a window back to what the column holds: adds to `along`.
    #[inline(always)]
    pub(crate) fn window_back(
        &self,
        (top_mm, bottom_mm): (f64, f64),
        read: &Reading<T>,
        by_percent: T,
        along: &mut Along<'_, T>,
        by_volumes: &mut Volumes<T>,
    ) {
        let [by_mineral, by_om] = read.om_percent_back(by_percent);
        let bottoms = self.faces_down_to(bottom_mm);
        // Along the lower face of a parcel, by way of all that lies deeper.
        let mut by_bottom = T::zero();
        let lowest = self.len() - bottoms.len();
        for (i, n) in (lowest..self.len()).zip((0..bottoms.len()).rev()) {
            let (top, bottom) = (if n == 0 { T::zero() } else { bottoms[n - 1] }, bottoms[n]);
            let mut by_top = T::zero();
            if !(-bottom).at_least(-top_mm) {
                let inside = |depth: T| depth.at_least(top_mm) && (-depth).at_least(-bottom_mm);
                // Slopes along the two faces, and along the depth of the cut.
                let mut cut_back = |depth: T, by: [T; 2]| {
                    let divisor = no_thinner(bottom - top);
                    let share = (depth.clamp(top_mm, bottom_mm) - top) / divisor;
                    let by_share = self.above_cut_back(i, share, by, along, by_volumes);
                    let by_cut = by_share / divisor;
                    let by_divisor = thinner_back(bottom - top, -by_cut * share);
                    let within = T::constant(top_mm).pick_less(depth, by_cut, T::zero());
                    let by_depth = depth.pick_less(T::constant(bottom_mm), within, T::zero());
                    (-by_cut - by_divisor, by_divisor, by_depth)
                };
                if !inside(top) {
                    let (upper, lower, by_depth) = cut_back(top, [-by_mineral, -by_om]);
                    by_top += upper + by_depth;
                    by_bottom += lower;
                }
                if inside(bottom) {
                    along[0][i] += by_mineral;
                    along[1][i] += by_om;
                    along[2][i] += by_om;
                } else {
                    let (upper, lower, by_depth) = cut_back(bottom, [by_mineral, by_om]);
                    by_top += upper;
                    by_bottom += lower + by_depth;
                }
            }
            self.thickness_back(i, i, by_bottom, along, by_volumes);
            by_bottom += by_top;
        }
    }

    /// Sums parcels from the bottom up, each by its share in the layer.
    #[inline(always)]
    fn layer(&self, mut share: impl FnMut(usize, T) -> T) -> Reading<T> {
        let (mut mineral, mut om) = (T::zero(), T::zero());
        for i in 0..self.len() {
            let organic = self.om(i);
            let percent = organic * 100.0 / (organic + self.mineral[i]).max(T::constant(NO_MASS_G_M2));
            let share = share(i, percent);
            om += organic * share;
            mineral += self.mineral[i] * share;
        }
        self.reading(mineral, om)
    }

    #[inline(always)]
    fn reading(&self, mineral_g_m2: T, om_g_m2: T) -> Reading<T> {
        Reading { om_g_m2, mineral_g_m2, thickness_mm: self.volumes.of(mineral_g_m2, om_g_m2) }
    }
}
