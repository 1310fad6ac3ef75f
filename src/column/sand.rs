//! Sand in: down open holes first, then on the surface, or into a depth range.

use super::ledger::Ledger;
use super::parcel::Column;
use crate::number::Number;

/// Volume below which nothing is there to fill (mm); keeps shares of it finite.
const NO_VOLUME_MM: f64 = 1e-12;

impl<T: Number> Column<T> {
    /// Spreads sand (g/m2): holes take it first, mowers pick up a share of what stays on the surface.
    #[inline(always)]
    pub fn topdress(&mut self, sand_g_m2: T, picked_up_share: f64, ledger: &mut Ledger<T>) {
        let [left, ..] = self.fill(sand_g_m2, T::zero(), T::zero());
        let picked_up = left * picked_up_share;
        self.lay(left - picked_up, T::zero(), T::zero());
        ledger.mineral.gained += sand_g_m2;
        ledger.mineral.mown_out += picked_up;
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
    pub(super) fn fill(&mut self, mineral: T, young: T, old: T) -> [T; 3] {
        if !self.has_holes {
            return [mineral, young, old];
        }
        let open = self.open_mm.max(T::constant(NO_VOLUME_MM));
        let brought = self.volumes.of(mineral, young + old);
        let taken = brought.min(self.room_mm);
        let used = taken / brought.max(T::constant(NO_VOLUME_MM));
        let per_mm = used / open;
        let closed = taken / open;
        for i in (0..self.len()).rev() {
            let hole = self.hole_mm[i];
            if (-hole).at_least(0.0) {
                continue;
            }
            let share = hole * per_mm;
            self.mineral[i] += mineral * share;
            self.young[i] += young * share;
            self.old[i] += old * share;
            self.hole_mm[i] -= hole * closed;
        }
        self.open_mm -= taken;
        self.room_mm -= taken;
        [mineral, young, old].map(|brought| brought - brought * used)
    }

    /// Lays material on the top parcel (g/m2).
    #[inline(always)]
    pub(super) fn lay(&mut self, mineral: T, young: T, old: T) {
        if let (Some(m), Some(y), Some(o)) = (self.mineral.last_mut(), self.young.last_mut(), self.old.last_mut()) {
            *m += mineral;
            *y += young;
            *o += old;
        }
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
