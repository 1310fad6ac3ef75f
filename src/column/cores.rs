//! Opening the ground: what cores and blades lift, and the holes they leave.

use super::ledger::Ledger;
use super::parcel::Column;
use crate::number::Number;
use crate::practice::work::Opening;

/// Depths reached by equal shares of the holes (mm): the 10, 30, 50, 70 and 90 % points of a normal spread.
pub fn reached_depths(depth_mm: f64, depth_sd_mm: f64) -> [f64; 5] {
    [-1.281_551_565_544_6, -0.524_400_512_708_04, 0.0, 0.524_400_512_708_04, 1.281_551_565_544_6]
        .map(|z| (depth_mm + z * depth_sd_mm).max(0.0))
}

impl Opening {
    /// Depth that no hole passes (mm).
    pub(crate) fn deepest_mm(&self) -> f64 {
        let [.., deepest] = reached_depths(self.depth_mm, self.depth_sd_mm);
        deepest
    }
}

/// Thickness below which a parcel counts as empty (mm); keeps shares of it finite.
const THIN_MM: f64 = 1e-9;

/// A thickness to divide by (mm).
#[inline(always)]
pub(super) fn no_thinner<T: Number>(thickness_mm: T) -> T {
    thickness_mm.max(T::constant(THIN_MM))
}

impl<T: Number> Column<T> {
    /// Opens holes or grooves: each parcel loses the lifted share of everything over the part of it that was reached,
    /// and holds the open volume until sand fills it or it closes.
    ///
    /// `fill_fraction` is the part of the open volume that can be filled (-). Lifted material that is worked back in
    /// fills holes first, the rest of it stays on the surface.
    #[inline(always)]
    pub fn open(&mut self, opening: &Opening, fill_fraction: T, ledger: &mut Ledger<T>) {
        let all = reached_depths(opening.depth_mm, opening.depth_sd_mm);
        let depths = if opening.depth_sd_mm == 0.0 { &all[..1] } else { &all[..] };
        let deepest = opening.deepest_mm();
        let lifted_share = opening.area_share * opening.lifted_share / depths.len() as f64;
        let open_share = opening.area_share * opening.open_share / depths.len() as f64;
        let (mut mineral, mut young, mut old, mut opened) = (T::zero(), T::zero(), T::zero(), T::zero());
        // Depth reached above a face, summed over the shares of the holes.
        let (mut top, mut above) = (T::zero(), T::zero());
        for i in (0..self.len()).rev() {
            if top.at_least(deepest) {
                break;
            }
            let thickness = self.thickness_mm(i);
            let bottom = top + thickness;
            let mut through = T::zero();
            for &depth in depths {
                through += bottom.min(T::constant(depth));
            }
            let reached_mm = through - above;
            let lifted = reached_mm * lifted_share / no_thinner(thickness);
            let hole = reached_mm * open_share;
            for (pool, total) in
                [(&mut self.mineral, &mut mineral), (&mut self.young, &mut young), (&mut self.old, &mut old)]
            {
                let loss = pool[i] * lifted;
                pool[i] -= loss;
                *total += loss;
            }
            self.hole_mm[i] += hole;
            opened += hole;
            (top, above) = (bottom, through);
        }
        self.has_holes = true;
        self.open_mm += opened;
        self.room_mm += opened * fill_fraction;
        let back = (mineral * opening.returned_mineral, young * opening.returned_om, old * opening.returned_om);
        ledger.mineral.cored_out += mineral - back.0;
        ledger.om.cored_out += young + old - back.1 - back.2;
        if opening.returned_mineral > 0.0 || opening.returned_om > 0.0 {
            let [mineral, young, old] = self.fill(back.0, back.1, back.2);
            self.lay(mineral, young, old);
        }
    }
}
