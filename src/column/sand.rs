//! Sand in: down open holes first, then on the surface, or into a depth range.

use super::cores::overlap;
use super::ledger::Ledger;
use super::parcel::Column;
use crate::number::Number;

/// Volume below which nothing is there to fill (mm); keeps shares of it finite.
const NO_VOLUME_MM: f64 = 1e-12;

impl<T: Number> Column<T> {
    /// Spreads sand (g/m2): holes take it first, mowers pick up a share of what stays on the surface.
    pub fn topdress(&mut self, sand_g_m2: T, picked_up_share: f64, ledger: &mut Ledger<T>) {
        let [left, ..] = self.fill(sand_g_m2, T::zero(), T::zero());
        let picked_up = left * picked_up_share;
        self.lay(left - picked_up, T::zero(), T::zero());
        ledger.mineral.gained += sand_g_m2;
        ledger.mineral.mown_out += picked_up;
    }

    /// Puts sand (g/m2) evenly into the depth range `from_mm..to_mm`; where the column ends above it, into what there is.
    pub fn inject(&mut self, sand_g_m2: T, from_mm: f64, to_mm: f64, ledger: &mut Ledger<T>) {
        let mut takes = vec![T::zero(); self.len()];
        let mut total = T::zero();
        self.for_each_down(|i, top, bottom| {
            let share = overlap(top, bottom, T::constant(from_mm), T::constant(to_mm));
            takes[i] = share * (bottom - top);
            total += takes[i];
        });
        let per_mm = sand_g_m2 / total.max(T::constant(NO_VOLUME_MM));
        let mut placed = T::zero();
        for (pool, take) in self.mineral.iter_mut().zip(takes) {
            *pool += take * per_mm;
            placed += take * per_mm;
        }
        ledger.mineral.gained += placed;
    }

    /// Fills open holes with what is brought (mineral, young, old; g/m2), into each parcel by its open volume; returns
    /// what is left over.
    pub(super) fn fill(&mut self, mineral: T, young: T, old: T) -> [T; 3] {
        let open = super::parcel::sum(&self.hole_mm).max(T::constant(NO_VOLUME_MM));
        let brought = self.densities.thickness_mm(mineral, young + old);
        let taken = brought.min(self.room_mm);
        let used = taken / brought.max(T::constant(NO_VOLUME_MM));
        let per_mm = used / open;
        let closed = taken / open;
        for i in 0..self.len() {
            let hole = self.hole_mm[i];
            let share = hole * per_mm;
            self.mineral[i] += mineral * share;
            self.young[i] += young * share;
            self.old[i] += old * share;
            self.hole_mm[i] -= hole * closed;
        }
        self.room_mm -= taken;
        [mineral, young, old].map(|brought| brought - brought * used)
    }

    /// Lays material on the top parcel (g/m2).
    pub(super) fn lay(&mut self, mineral: T, young: T, old: T) {
        if let (Some(m), Some(y), Some(o)) = (self.mineral.last_mut(), self.young.last_mut(), self.old.last_mut()) {
            *m += mineral;
            *y += young;
            *o += old;
        }
    }

    /// Closes what is still open.
    pub fn close(&mut self) {
        self.hole_mm.fill(T::zero());
        self.room_mm = T::zero();
    }
}
