//! Sand in: down open holes first, then on the surface, or into a depth range.

use super::ledger::Ledger;
use super::parcel::{Along, Column, Volumes};
use crate::number::Number;

/// Volume below which nothing is there to fill (mm); keeps shares of it finite.
const NO_VOLUME_MM: f64 = 1e-12;

/// Slopes of an outcome along the volume of the open holes and the room in them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HoleSlopes<T> {
    pub(crate) open_mm: T,
    pub(crate) room_mm: T,
}

/// How holes take what is brought.
struct Filling<T> {
    /// Volume of the holes and of what is brought (mm).
    open: T,
    volume: T,
    /// What goes into holes (mm), and its share of what is brought.
    taken: T,
    used: T,
    /// Of what is brought and of the holes, for each mm of a parcel's holes.
    per_mm: T,
    closed: T,
}

impl<T: Number> Column<T> {
    /// Spreads sand (g/m2): holes take it first, mowers pick up a share of what stays on the surface.
    #[inline(always)]
    pub fn topdress(&mut self, sand_g_m2: T, picked_up_share: f64, ledger: &mut Ledger<T>) {
        let zero = T::zero();
        let [left, ..] = self.fill([sand_g_m2, zero, zero]);
        let picked_up = left * picked_up_share;
        self.lay([left - picked_up, zero, zero]);
        ledger.mineral.gained += sand_g_m2;
        ledger.mineral.mown_out += picked_up;
    }

    /// Carries slopes back over [`Column::topdress`], from the column as it stood before it; `along` comes with the slopes
    /// after it and leaves with those before it. The slope along the sand.
    #[inline(always)]
    pub(crate) fn topdress_back(
        &self,
        sand_g_m2: T,
        picked_up_share: f64,
        along: &mut Along<'_, T>,
        by_holes: &mut HoleSlopes<T>,
        by_volumes: &mut Volumes<T>,
    ) -> T {
        let zero = T::zero();
        let [by_laid, ..] = self.lay_back(along);
        let by_left = [by_laid * (1.0 - picked_up_share), zero, zero];
        let [by_sand, ..] = self.fill_back([sand_g_m2, zero, zero], by_left, along, by_holes, by_volumes);
        by_sand
    }

    /// Puts sand (g/m2) evenly into the depth range `from_mm..to_mm`; where the column ends above it, into what there is.
    #[inline(always)]
    pub fn inject(&mut self, sand_g_m2: T, from_mm: f64, to_mm: f64, ledger: &mut Ledger<T>) {
        let within = |depth: T| depth.clamp(from_mm, to_mm);
        let total = within(self.total_thickness_mm()) - from_mm;
        let per_mm = sand_g_m2 / total.max(T::constant(NO_VOLUME_MM));
        let (mut top, mut placed) = (T::zero(), T::zero());
        for i in (0..self.len()).rev() {
            if top.at_least(to_mm) {
                break;
            }
            let bottom = top + self.thickness_mm(i);
            let sand = (within(bottom) - within(top)) * per_mm;
            self.mineral[i] += sand;
            placed += sand;
            top = bottom;
        }
        ledger.mineral.gained += placed;
    }

    /// Fills open holes with what is brought (mineral, young, old; g/m2), into each parcel by its open volume; returns
    /// what is left over.
    #[inline(always)]
    pub(super) fn fill(&mut self, brought: [T; 3]) -> [T; 3] {
        if !self.has_holes {
            return brought;
        }
        let Filling { taken, used, per_mm, closed, .. } = self.filling(brought);
        for i in (0..self.len()).rev() {
            let hole = self.hole_mm[i];
            if (-hole).at_least(0.0) {
                continue;
            }
            let share = hole * per_mm;
            self.mineral[i] += brought[0] * share;
            self.young[i] += brought[1] * share;
            self.old[i] += brought[2] * share;
            self.hole_mm[i] -= hole * closed;
        }
        self.open_mm -= taken;
        self.room_mm -= taken;
        brought.map(|brought| brought - brought * used)
    }

    #[inline(always)]
    fn filling(&self, [mineral, young, old]: [T; 3]) -> Filling<T> {
        let open = self.open_mm.max(T::constant(NO_VOLUME_MM));
        let volume = self.volumes.of(mineral, young + old);
        let taken = volume.min(self.room_mm);
        let used = taken / volume.max(T::constant(NO_VOLUME_MM));
        Filling { open, volume, taken, used, per_mm: used / open, closed: taken / open }
    }

    /// [`Column::fill`] backwards: from the slopes along what is left over to those along what is brought.
    #[inline(always)]
    pub(super) fn fill_back(
        &self,
        brought: [T; 3],
        by_left: [T; 3],
        [mineral, young, old, holes]: &mut Along<'_, T>,
        by_holes: &mut HoleSlopes<T>,
        by_volumes: &mut Volumes<T>,
    ) -> [T; 3] {
        if !self.has_holes {
            return by_left;
        }
        let (zero, least) = (T::zero(), T::constant(NO_VOLUME_MM));
        let Filling { open, volume, used, per_mm, closed, .. } = self.filling(brought);
        let mut by_brought = by_left.map(|by| by - by * used);
        let mut by_used = -(brought[0] * by_left[0] + brought[1] * by_left[1] + brought[2] * by_left[2]);
        let (mut by_per_mm, mut by_closed) = (zero, zero);
        for i in (0..self.len()).rev() {
            let hole = self.hole_mm[i];
            if (-hole).at_least(0.0) {
                continue;
            }
            let by_share = brought[0] * mineral[i] + brought[1] * young[i] + brought[2] * old[i];
            let share = hole * per_mm;
            by_brought[0] += share * mineral[i];
            by_brought[1] += share * young[i];
            by_brought[2] += share * old[i];
            by_per_mm += hole * by_share;
            by_closed -= hole * holes[i];
            holes[i] += per_mm * by_share - closed * holes[i];
        }
        by_used += by_per_mm / open;
        let by_open = -(by_per_mm * per_mm + by_closed * closed) / open;
        let divisor = volume.max(least);
        let by_taken = by_closed / open + by_used / divisor - by_holes.open_mm - by_holes.room_mm;
        by_holes.open_mm += self.open_mm.pick_less(least, zero, by_open);
        by_holes.room_mm += volume.pick_less(self.room_mm, zero, by_taken);
        let by_volume =
            volume.pick_less(self.room_mm, by_taken, zero) + volume.pick_less(least, zero, -by_used * used / divisor);
        by_volumes.along(brought[0], brought[1] + brought[2], by_volume);
        by_brought[0] += self.volumes.mineral * by_volume;
        by_brought[1] += self.volumes.om * by_volume;
        by_brought[2] += self.volumes.om * by_volume;
        by_brought
    }

    /// Lays material on the top parcel (mineral, young, old; g/m2).
    #[inline(always)]
    pub(super) fn lay(&mut self, [mineral, young, old]: [T; 3]) {
        if let (Some(m), Some(y), Some(o)) = (self.mineral.last_mut(), self.young.last_mut(), self.old.last_mut()) {
            *m += mineral;
            *y += young;
            *o += old;
        }
    }

    /// [`Column::lay`] backwards: slopes along what is laid.
    #[inline(always)]
    pub(super) fn lay_back(&self, [mineral, young, old, _]: &Along<'_, T>) -> [T; 3] {
        let top = self.len() - 1;
        [mineral[top], young[top], old[top]]
    }

    /// Closes what is still open.
    #[inline(always)]
    pub fn close(&mut self) {
        self.hole_mm.fill(T::zero());
        self.open_mm = T::zero();
        self.room_mm = T::zero();
        self.has_holes = false;
    }
}
