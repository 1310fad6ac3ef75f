//! Where litter falls: part of it evenly in the top, the rest with the roots.

use super::parcel::Column;
use crate::number::Number;

/// Depths that take litter (mm); our judgement, to be replaced by the user's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LitterDepths {
    /// Depth that takes the litter of crowns, sheaths and stolons evenly.
    pub surface_mm: f64,
    /// Depth over which root litter falls to 1/e; it is cut at five times this.
    pub root_scale_mm: f64,
}

impl Default for LitterDepths {
    fn default() -> Self {
        Self { surface_mm: 10.0, root_scale_mm: 40.0 }
    }
}

/// Root litter is cut at this many scales.
const ROOT_CUT: f64 = 5.0;

impl LitterDepths {
    /// Share of the litter that falls above a depth (-), given the share of roots in it.
    #[inline(always)]
    pub fn above<T: Number>(&self, depth_mm: T, root_share: T) -> T {
        let surface = depth_mm.min(T::constant(self.surface_mm)) / self.surface_mm;
        let scaled = depth_mm.min(T::constant(ROOT_CUT * self.root_scale_mm)) / self.root_scale_mm;
        let roots = (T::one() - (-scaled).exp()) / (1.0 - (-ROOT_CUT).exp());
        surface + (roots - surface) * root_share
    }
}

impl<T: Number> Column<T> {
    /// Share of the litter that each parcel gets, bottom first; what they do not get falls below the column.
    ///
    /// Shares are differences of one curve at the parcels' faces, so they add up by construction.
    pub fn litter_shares(&self, depths: &LitterDepths, root_share: T, shares: &mut Vec<T>) {
        shares.clear();
        shares.resize(self.len(), T::zero());
        let mut above = T::zero();
        self.for_each_down(|index, _, bottom| {
            let through = depths.above(bottom, root_share);
            shares[index] = through - above;
            above = through;
        });
    }
}
