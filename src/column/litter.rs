//! Where litter falls: part of it evenly in the top, the rest with the roots.

use super::decay::TwoPools;
use super::ledger::Account;
use super::parcel::Column;
use crate::number::{Number, exp};

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
    pub fn above<T: Number>(&self, depth_mm: T, root_share: T) -> T {
        let surface = depth_mm.min(T::constant(self.surface_mm)) / self.surface_mm;
        let scaled = depth_mm.min(T::constant(ROOT_CUT * self.root_scale_mm)) / self.root_scale_mm;
        let roots = (T::one() - (-scaled).exp()) / (1.0 - (-ROOT_CUT).exp());
        surface + (roots - surface) * root_share
    }
}

/// `exp(-x)` by its series to the fifth power: within 1e-6 up to 0.3, falling for every `x` (the slope is a series of
/// even order, which has no zero).
#[inline(always)]
fn falling<T: Number>(x: T) -> T {
    let mut sum = x * (-1.0 / 120.0) + 1.0 / 24.0;
    for coefficient in [-1.0 / 6.0, 0.5, -1.0, 1.0] {
        sum = sum * x + coefficient;
    }
    sum
}

/// What falls above a face that is moved down the column from parcel to parcel.
///
/// The exponential of [`LitterDepths::above`] is carried from face to face as a product, and the shares of parcels are
/// differences at faces, so that they add up by construction.
struct Face<T> {
    depth_mm: T,
    /// Part of the depth that takes surface litter (mm).
    surface_mm: T,
    /// `exp(-depth / scale)`, not below its value where roots end.
    roots: T,
}

/// Litter by depth for one member.
struct Falls<T> {
    surface_mm: T,
    per_scale: f64,
    roots_end: T,
    /// Share of a mm of the surface layer.
    surface_share: T,
    /// Share of a unit of `roots`.
    root_share: T,
}

impl<T: Number> Falls<T> {
    #[inline(always)]
    fn new(depths: &LitterDepths, root_share: T) -> Self {
        let roots_end = exp(-ROOT_CUT);
        Self {
            surface_mm: T::constant(depths.surface_mm),
            per_scale: 1.0 / depths.root_scale_mm,
            roots_end: T::constant(roots_end),
            surface_share: (T::one() - root_share) * (1.0 / depths.surface_mm),
            root_share: root_share * (1.0 / (1.0 - roots_end)),
        }
    }

    /// Share of the litter per mm just below a face.
    #[inline(always)]
    fn per_mm(&self, face: &Face<T>) -> T {
        let surface = face.depth_mm.pick_less(self.surface_mm, self.surface_share, T::zero());
        let roots = self.roots_end.pick_less(face.roots, self.root_share * self.per_scale, T::zero());
        surface + face.roots * roots
    }

    /// Moves a face down; the share of the litter that falls between.
    #[inline(always)]
    fn down_to(&self, face: &mut Face<T>, depth_mm: T) -> T {
        let depth_mm = depth_mm.max(face.depth_mm);
        let surface_mm = depth_mm.min(self.surface_mm);
        let roots = (face.roots * falling((depth_mm - face.depth_mm) * self.per_scale)).max(self.roots_end);
        let share = self.surface_share * (surface_mm - face.surface_mm) + self.root_share * (face.roots - roots);
        *face = Face { depth_mm, surface_mm, roots };
        share
    }
}

impl<T: Number> Column<T> {
    /// Grows and decays over a span of weather. Litter falls by the depths at the middle of the span; what falls below
    /// the column is accounted for.
    ///
    /// Depths at the middle follow from the parcels above, whose growth is known, and from a parcel's own by the litter
    /// of a mm at its upper face: the error is of the second order in the span.
    #[inline(always)]
    pub fn grow_and_decay(&mut self, pools: &TwoPools<T>, depths: &LitterDepths, root_share: T, om: &mut Account<T>) {
        let falls = Falls::new(depths, root_share);
        let mut face = Face { depth_mm: T::zero(), surface_mm: T::zero(), roots: T::one() };
        let volumes = self.volumes;
        let half_mm = volumes.om * 0.5;
        let grown = half_mm * (pools.young_fed + pools.old_fed);
        let young_gone = half_mm * (T::one() - pools.young_kept - pools.young_to_old);
        let old_gone = half_mm * (T::one() - pools.old_kept);
        let (mut top, mut placed, mut all_young, mut all_old) = (T::zero(), T::zero(), T::zero(), T::zero());
        let len = self.len();
        let (mineral, young, old) = (&self.mineral[..len], &mut self.young[..len], &mut self.old[..len]);
        for i in (0..len).rev() {
            let (y, o) = (young[i], old[i]);
            let sand_mm = mineral[i] * volumes.mineral;
            let om_mm = (y + o) * volumes.om;
            let before_mm = sand_mm + om_mm;
            let change = grown * falls.per_mm(&face) * before_mm - young_gone * y - old_gone * o;
            let weight = falls.down_to(&mut face, top + before_mm + change);
            (young[i], old[i]) = pools.apply(y, o, weight);
            top += sand_mm + (om_mm + (young[i] + old[i]) * volumes.om) * 0.5;
            placed += weight;
            all_young += y;
            all_old += o;
        }
        om.respired += pools.respired(all_young, all_old, placed);
        om.gained += pools.litter;
        om.below += pools.litter * (T::one() - placed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Faces moved down the column follow the one curve that defines the litter's depth.
    #[test]
    fn shares_between_faces_follow_the_curve() {
        let depths = LitterDepths::default();
        let falls = Falls::new(&depths, 0.4);
        let mut face = Face { depth_mm: 0.0, surface_mm: 0.0, roots: 1.0 };
        let mut above = 0.0;
        for n in 1..=60 {
            let depth = 4.0 * f64::from(n);
            above += falls.down_to(&mut face, depth);
            assert!((above - depths.above(depth, 0.4)).abs() < 1e-7, "{depth} mm: {above}");
        }
        assert!((above - 1.0).abs() < 1e-7);
    }
}
