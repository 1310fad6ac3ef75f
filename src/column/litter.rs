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

/// Slope of [`falling`].
#[inline(always)]
fn falling_slope<T: Number>(x: T) -> T {
    let mut sum = x * (-1.0 / 24.0) + 1.0 / 6.0;
    for coefficient in [-0.5, 1.0, -1.0] {
        sum = sum * x + coefficient;
    }
    sum
}

/// Litter by depth for one member, and a face that is moved down the column from parcel to parcel.
///
/// The exponential of [`LitterDepths::above`] is carried from face to face as a product, and the shares of parcels are
/// differences at faces, so that they add up by construction.
struct Falls<T> {
    surface_to_mm: T,
    per_scale: f64,
    roots_end: T,
    /// Share in a mm of the surface layer.
    surface_share: T,
    /// Share in a unit of `roots`.
    root_share: T,
    /// The face.
    depth_mm: T,
    /// Part of its depth that takes surface litter (mm).
    surface_mm: T,
    /// `exp(-depth / scale)` of it, not below its value where roots end.
    roots: T,
}

impl<T: Number> Falls<T> {
    #[inline(always)]
    fn new(depths: &LitterDepths, root_share: T) -> Self {
        let roots_end = exp(-ROOT_CUT);
        Self {
            surface_to_mm: T::constant(depths.surface_mm),
            per_scale: 1.0 / depths.root_scale_mm,
            roots_end: T::constant(roots_end),
            surface_share: (T::one() - root_share) * (1.0 / depths.surface_mm),
            root_share: root_share * (1.0 / (1.0 - roots_end)),
            depth_mm: T::zero(),
            surface_mm: T::zero(),
            roots: T::one(),
        }
    }

    /// Share of the litter per mm just below the face; about, for roots have no end here.
    #[inline(always)]
    fn per_mm(&self) -> T {
        let surface = self.depth_mm.pick_less(self.surface_to_mm, self.surface_share, T::zero());
        surface + self.roots * (self.root_share * self.per_scale)
    }

    /// Moves the face down by a thickness and a small change of it; the share of the litter that falls between.
    ///
    /// Only the change waits for the parcel above, so that the machine can work on several parcels at a time.
    #[inline(always)]
    fn down(&mut self, thickness_mm: T, change_mm: T) -> T {
        let kept = falling(thickness_mm * self.per_scale);
        let depth_mm = self.depth_mm + (thickness_mm + change_mm);
        let surface_mm = depth_mm.min(self.surface_to_mm);
        let roots = (self.roots * (kept - kept * (change_mm * self.per_scale))).max(self.roots_end);
        let share = self.surface_share * (surface_mm - self.surface_mm) + self.root_share * (self.roots - roots);
        (self.depth_mm, self.surface_mm, self.roots) = (depth_mm, surface_mm, roots);
        share
    }
}

impl<T: Number> Column<T> {
    /// Grows and decays over a span of weather. Litter falls by the depths at the middle of the span; what falls below
    /// the column is accounted for.
    ///
    /// A parcel's thickness at the middle follows from its decay and from the litter of a mm at its upper face: the
    /// error is of the second order in the span.
    #[inline(always)]
    pub fn grow_and_decay(&mut self, pools: &TwoPools<T>, depths: &LitterDepths, root_share: T, om: &mut Account<T>) {
        let mut falls = Falls::new(depths, root_share);
        let volumes = self.volumes;
        let half_mm = volumes.om * 0.5;
        let grown = half_mm * (pools.young_fed + pools.old_fed);
        let young_gone = half_mm * (T::one() - pools.young_kept - pools.young_to_old);
        let old_gone = half_mm * (T::one() - pools.old_kept);
        let (mut placed, mut all_young, mut all_old) = (T::zero(), T::zero(), T::zero());
        let len = self.len();
        let (mineral, young, old) = (&self.mineral[..len], &mut self.young[..len], &mut self.old[..len]);
        for i in (0..len).rev() {
            // Keeps the face in memory: carried in registers, its lanes are taken apart by the compiler (rustc 1.95), and
            // a batch takes half as long again.
            std::hint::black_box(&mut falls);
            let (y, o) = (young[i], old[i]);
            let thickness_mm = volumes.of(mineral[i], y + o);
            let change_mm = (grown * thickness_mm) * falls.per_mm() - (young_gone * y + old_gone * o);
            let weight = falls.down(thickness_mm, change_mm);
            (young[i], old[i]) = pools.apply(y, o, weight);
            placed += weight;
            all_young += y;
            all_old += o;
        }
        om.respired += pools.respired(all_young, all_old, placed);
        om.gained += pools.litter;
        om.below += pools.litter * (T::one() - placed);
    }
}

/// Slopes of an outcome along all that goes into a span but the pools of the parcels.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SpanSlopes<T> {
    /// Along what the span keeps, turns old and feeds.
    pub pools: TwoPools<T>,
    /// Along the share of the litter that falls with the roots.
    pub root_share: T,
    /// Along the thickness of 1 g/m2 of organic matter.
    pub om_volume: T,
}

/// A face as [`Column::grow_and_decay`] leaves it above a parcel, with what it reckons there.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Passed<T> {
    depth_mm: T,
    surface_mm: T,
    roots: T,
    thickness_mm: T,
    change_mm: T,
}

impl<T: Number> Column<T> {
    /// Carries slopes back over [`Column::grow_and_decay`], from the column as it stood before it. `mineral`, `young` and
    /// `old` come with the slopes along the pools after the span and leave with those before it.
    ///
    /// What the ledger takes is left out. `passed` is working room.
    #[inline(always)]
    pub(crate) fn grow_and_decay_back(
        &self,
        pools: &TwoPools<T>,
        depths: &LitterDepths,
        root_share: T,
        [mineral, young, old]: [&mut [T]; 3],
        passed: &mut Vec<Passed<T>>,
    ) -> SpanSlopes<T> {
        let (zero, one) = (T::zero(), T::one());
        let falls = Falls::new(depths, root_share);
        let (surface_to, per_scale, roots_end) = (falls.surface_to_mm, falls.per_scale, falls.roots_end);
        let (surface_share, roots_share) = (falls.surface_share, falls.root_share);
        let volumes = self.volumes;
        let half_mm = volumes.om * 0.5;
        let grown = half_mm * (pools.young_fed + pools.old_fed);
        let young_gone = half_mm * (one - pools.young_kept - pools.young_to_old);
        let old_gone = half_mm * (one - pools.old_kept);
        let len = self.len();
        let (mineral, young, old) = (&mut mineral[..len], &mut young[..len], &mut old[..len]);
        let (held, fresh, aged) = (&self.mineral[..len], &self.young[..len], &self.old[..len]);
        passed.clear();
        let mut face = falls;
        for i in (0..len).rev() {
            let (y, o) = (fresh[i], aged[i]);
            let thickness_mm = volumes.of(held[i], y + o);
            let change_mm = (grown * thickness_mm) * face.per_mm() - (young_gone * y + old_gone * o);
            let Falls { depth_mm, surface_mm, roots, .. } = face;
            passed.push(Passed { depth_mm, surface_mm, roots, thickness_mm, change_mm });
            face.down(thickness_mm, change_mm);
        }
        let mut along = TwoPools { young_kept: zero, old_kept: zero, ..TwoPools::nothing() };
        let (mut by_surface_share, mut by_roots_share, mut by_om_volume) = (zero, zero, zero);
        let (mut by_grown, mut by_young_gone, mut by_old_gone) = (zero, zero, zero);
        // Along the face below the parcel, and then above it.
        let (mut by_depth, mut by_surface, mut by_roots) = (zero, zero, zero);
        let (mut below_surface, mut below_depth, mut below_roots) = (face.surface_mm, face.depth_mm, face.roots);
        for i in 0..len {
            let Passed { depth_mm, surface_mm, roots, thickness_mm, change_mm } = passed[len - 1 - i];
            let (y, o) = (fresh[i], aged[i]);
            let (by_young, by_old) = (young[i], old[i]);
            let (in_surface, in_roots) = (below_surface - surface_mm, roots - below_roots);
            let weight = surface_share * in_surface + roots_share * in_roots;
            let by_weight = pools.young_fed * by_young + pools.old_fed * by_old;
            along.young_fed += weight * by_young;
            along.old_fed += weight * by_old;
            along.young_kept += y * by_young;
            along.old_kept += o * by_old;
            along.young_to_old += y * by_old;
            by_surface_share += in_surface * by_weight;
            by_roots_share += in_roots * by_weight;
            by_surface += surface_share * by_weight;
            by_roots -= roots_share * by_weight;
            let kept = falling(thickness_mm * per_scale);
            let left = one - change_mm * per_scale;
            let by_carried = (roots * kept * left).pick_less(roots_end, zero, by_roots);
            let by_kept = roots * left * by_carried;
            by_depth += below_depth.pick_less(surface_to, by_surface, zero);
            let by_change = by_depth - roots * kept * by_carried * per_scale;
            let per_mm = depth_mm.pick_less(surface_to, surface_share, zero) + roots * (roots_share * per_scale);
            let by_per_mm = grown * thickness_mm * by_change;
            let by_thickness =
                by_depth + by_kept * falling_slope(thickness_mm * per_scale) * per_scale + grown * per_mm * by_change;
            by_grown += thickness_mm * per_mm * by_change;
            by_young_gone -= y * by_change;
            by_old_gone -= o * by_change;
            by_surface_share += depth_mm.pick_less(surface_to, by_per_mm, zero);
            by_roots_share += roots * by_per_mm * per_scale;
            mineral[i] += volumes.mineral * by_thickness;
            young[i] = pools.young_kept * by_young + pools.young_to_old * by_old - young_gone * by_change
                + volumes.om * by_thickness;
            old[i] = pools.old_kept * by_old - old_gone * by_change + volumes.om * by_thickness;
            by_om_volume += (y + o) * by_thickness;
            by_surface = -(surface_share * by_weight);
            by_roots = roots_share * by_weight + kept * left * by_carried + roots_share * by_per_mm * per_scale;
            (below_depth, below_surface, below_roots) = (depth_mm, surface_mm, roots);
        }
        let by_half = by_grown * (pools.young_fed + pools.old_fed)
            + by_young_gone * (one - pools.young_kept - pools.young_to_old)
            + by_old_gone * (one - pools.old_kept);
        along.young_fed += half_mm * by_grown;
        along.old_fed += half_mm * by_grown;
        along.young_kept -= half_mm * by_young_gone;
        along.young_to_old -= half_mm * by_young_gone;
        along.old_kept -= half_mm * by_old_gone;
        SpanSlopes {
            pools: along,
            root_share: by_roots_share * (1.0 / (1.0 - exp(-ROOT_CUT))) - by_surface_share * (1.0 / depths.surface_mm),
            om_volume: by_om_volume + by_half * 0.5,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Faces moved down the column follow the one curve that defines the litter's depth.
    #[test]
    fn shares_between_faces_follow_the_curve() {
        let depths = LitterDepths::default();
        let mut falls = Falls::new(&depths, 0.4);
        let mut above = 0.0;
        for n in 1..=60 {
            let depth = 4.0 * f64::from(n);
            above += falls.down(3.99, 0.01);
            assert!((above - depths.above(depth, 0.4)).abs() < 1e-6, "{depth} mm: {above}");
        }
        assert!((above - 1.0).abs() < 1e-12);
    }
}
