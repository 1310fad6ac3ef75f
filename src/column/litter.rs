//! Where litter falls: part of it evenly in the top, the rest with the roots.

use super::decay::TwoPools;
use super::ledger::Account;
use super::parcel::{Column, Volumes};
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
/// even order, which has no zero). Summed in pairs, so that little waits for what comes before.
#[inline(always)]
fn falling<T: Number>(x: T) -> T {
    let square = x * x;
    let upper = (x * (-1.0 / 120.0) + 1.0 / 24.0) * square + (x * (-1.0 / 6.0) + 0.5);
    upper * square + (T::one() - x)
}

/// Slope of [`falling`].
#[inline(always)]
fn falling_slope<T: Number>(x: T) -> T {
    let square = x * x;
    (x * (1.0 / 6.0) - square * (1.0 / 24.0) - 0.5) * square + x - 1.0
}

/// Where the litter of a span falls for one member. Depths and thicknesses are in scales of the root litter.
///
/// Litter falls by the depths at the middle of the span. They follow from those at its start: by then what lies above a
/// face has gained half of the litter that falls there and lost half of what decays. The error is of the second order in
/// the span.
#[derive(Debug, Clone, Copy)]
struct Falls<T> {
    /// Thickness of 1 g/m2.
    volumes: Volumes<T>,
    surface_to: T,
    roots_end: T,
    /// Share of the litter in a scale of the surface layer, and in a unit of [`Face::roots`].
    surface_share: T,
    root_share: T,
    /// Thickness that half the litter leaves: all of it, and by the same shares.
    grown: T,
    surface_grown: T,
    roots_grown: T,
    /// Thickness that half the decay takes, of 1 g/m2.
    young_gone: T,
    old_gone: T,
}

/// A face between parcels at the start of a span.
///
/// The exponential of [`LitterDepths::above`] is carried from face to face as a product, and the shares of parcels are
/// differences at faces, so that they add up by construction.
#[derive(Debug, Clone, Copy)]
struct Face<T> {
    depth: T,
    /// `exp(-depth)`.
    roots: T,
    /// Thickness above it that half the decay takes, less half the litter of all roots.
    gone: T,
    /// Share of the litter above it, less that of all roots.
    above: T,
}

impl<T: Number> Falls<T> {
    #[inline(always)]
    fn new(pools: &TwoPools<T>, depths: &LitterDepths, root_share: T, volumes: Volumes<T>) -> Self {
        let (one, per_scale) = (T::one(), 1.0 / depths.root_scale_mm);
        let (surface_to, roots_end) = (depths.surface_mm * per_scale, exp(-ROOT_CUT));
        let volumes = Volumes { mineral: volumes.mineral * per_scale, om: volumes.om * per_scale };
        let half = volumes.om * 0.5;
        // Held to a scale: then a face that was deeper stays deeper, whatever falls.
        let grown = (half * (pools.young_fed + pools.old_fed)).min(one);
        let surface_share = (one - root_share) * (1.0 / surface_to);
        let root_share = root_share * (1.0 / (1.0 - roots_end));
        Self {
            volumes,
            surface_to: T::constant(surface_to),
            roots_end: T::constant(roots_end),
            surface_share,
            root_share,
            grown,
            surface_grown: surface_share * grown,
            roots_grown: root_share * grown,
            young_gone: half * (one - pools.young_kept - pools.young_to_old),
            old_gone: half * (one - pools.old_kept),
        }
    }

    #[inline(always)]
    fn surface(&self) -> Face<T> {
        Face { depth: T::zero(), roots: T::one(), gone: -self.roots_grown, above: -self.root_share }
    }

    /// The face below a parcel that holds these masses (g/m2), from the one above it; and how far it has sunk by the
    /// middle of the span.
    #[inline(always)]
    fn below(&self, upper: &Face<T>, mineral: T, young: T, old: T) -> (Face<T>, T) {
        let thickness = self.volumes.of(mineral, young + old);
        let depth = upper.depth + thickness;
        let roots = upper.roots * falling(thickness);
        let gone = upper.gone + (self.young_gone * young + self.old_gone * old);
        let sunk = (self.surface_grown * depth.min(self.surface_to) - gone) - self.roots_grown * roots;
        let surface = (depth + sunk).min(self.surface_to);
        let passed = (roots - roots * sunk * (T::one() - sunk * 0.5)).max(self.roots_end);
        let above = self.surface_share * surface - self.root_share * passed;
        (Face { depth, roots, gone, above }, sunk)
    }
}

impl<T: Number> Column<T> {
    /// Grows and decays over a span of weather. Litter falls by the depths at the middle of the span; what falls below
    /// the column is accounted for.
    #[inline(always)]
    pub fn grow_and_decay(&mut self, pools: &TwoPools<T>, depths: &LitterDepths, root_share: T, om: &mut Account<T>) {
        let falls = Falls::new(pools, depths, root_share, self.volumes);
        let surface = falls.surface();
        let mut face = surface;
        let len = self.len();
        let (mineral, young, old) = (&self.mineral[..len], &mut self.young[..len], &mut self.old[..len]);
        for i in (0..len).rev() {
            // Keeps the face in memory: carried in registers, its lanes may be taken apart by the compiler (rustc 1.95).
            std::hint::black_box(&mut face);
            let (y, o) = (young[i], old[i]);
            let (lower, _) = falls.below(&face, mineral[i], y, o);
            (young[i], old[i]) = pools.apply(y, o, lower.above - face.above);
            face = lower;
        }
        let placed = face.above - surface.above;
        let gone = (face.gone - surface.gone) / (falls.volumes.om * 0.5);
        om.respired += gone + (pools.litter - pools.young_fed - pools.old_fed) * placed;
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
    /// Along the thicknesses of 1 g/m2.
    pub volumes: Volumes<T>,
}

/// A face as [`Column::grow_and_decay`] passes it, and how far it has sunk by the middle of the span.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Passed<T> {
    face: Face<T>,
    sunk: T,
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
        let falls = Falls::new(pools, depths, root_share, self.volumes);
        let len = self.len();
        let (mineral, young, old) = (&mut mineral[..len], &mut young[..len], &mut old[..len]);
        let (held, fresh, aged) = (&self.mineral[..len], &self.young[..len], &self.old[..len]);
        passed.clear();
        passed.push(Passed { face: falls.surface(), sunk: zero });
        for i in (0..len).rev() {
            let (face, sunk) = falls.below(&passed[len - 1 - i].face, held[i], fresh[i], aged[i]);
            passed.push(Passed { face, sunk });
        }
        let mut along = TwoPools { young_kept: zero, old_kept: zero, ..TwoPools::nothing() };
        let mut by_volumes = Volumes { mineral: zero, om: zero };
        let (mut by_surface_share, mut by_root_share) = (zero, zero);
        let (mut by_surface_grown, mut by_roots_grown) = (zero, zero);
        let (mut by_young_gone, mut by_old_gone) = (zero, zero);
        // Along the face below the parcel, by way of all that lies deeper.
        let (mut by_depth, mut by_roots, mut by_gone, mut by_above) = (zero, zero, zero, zero);
        for i in 0..len {
            let (Passed { face: upper, .. }, Passed { face, sunk }) = (passed[len - 1 - i], passed[len - i]);
            let (y, o) = (fresh[i], aged[i]);
            let (by_young, by_old) = (young[i], old[i]);
            let weight = face.above - upper.above;
            let by_weight = pools.young_fed * by_young + pools.old_fed * by_old;
            along.young_fed += weight * by_young;
            along.old_fed += weight * by_old;
            along.young_kept += y * by_young;
            along.old_kept += o * by_old;
            along.young_to_old += y * by_old;
            by_above += by_weight;
            let left = one - sunk * (one - sunk * 0.5);
            let roots = face.roots * left;
            by_surface_share += (face.depth + sunk).min(falls.surface_to) * by_above;
            by_root_share -= roots.max(falls.roots_end) * by_above;
            let by_surface = (face.depth + sunk).pick_less(falls.surface_to, falls.surface_share * by_above, zero);
            let by_passed = roots.pick_less(falls.roots_end, zero, -(falls.root_share * by_above));
            let by_sunk = by_surface - by_passed * face.roots * (one - sunk);
            by_surface_grown += face.depth.min(falls.surface_to) * by_sunk;
            by_roots_grown -= face.roots * by_sunk;
            by_depth += by_surface + face.depth.pick_less(falls.surface_to, falls.surface_grown * by_sunk, zero);
            by_roots += by_passed * left - falls.roots_grown * by_sunk;
            by_gone -= by_sunk;
            let thickness = falls.volumes.of(held[i], y + o);
            let by_thickness = by_depth + by_roots * upper.roots * falling_slope(thickness);
            by_young_gone += y * by_gone;
            by_old_gone += o * by_gone;
            by_volumes.along(held[i], y + o, by_thickness);
            mineral[i] += falls.volumes.mineral * by_thickness;
            let by_om = falls.volumes.om * by_thickness;
            young[i] = pools.young_kept * by_young + pools.young_to_old * by_old + falls.young_gone * by_gone + by_om;
            old[i] = pools.old_kept * by_old + falls.old_gone * by_gone + by_om;
            by_roots *= falling(thickness);
            by_above = -by_weight;
        }
        by_roots_grown -= by_gone;
        by_root_share += falls.grown * by_roots_grown - by_above;
        by_surface_share += falls.grown * by_surface_grown;
        let fed = pools.young_fed + pools.old_fed;
        let half = falls.volumes.om * 0.5;
        let by_grown = falls.surface_share * by_surface_grown + falls.root_share * by_roots_grown;
        let by_grown = (half * fed).pick_less(one, by_grown, zero);
        let by_half = fed * by_grown
            + (one - pools.young_kept - pools.young_to_old) * by_young_gone
            + (one - pools.old_kept) * by_old_gone;
        along.young_fed += half * by_grown;
        along.old_fed += half * by_grown;
        along.young_kept -= half * by_young_gone;
        along.young_to_old -= half * by_young_gone;
        along.old_kept -= half * by_old_gone;
        let per_scale = 1.0 / depths.root_scale_mm;
        SpanSlopes {
            pools: along,
            root_share: by_root_share * (1.0 / (1.0 - exp(-ROOT_CUT)))
                - by_surface_share * (1.0 / (depths.surface_mm * per_scale)),
            volumes: Volumes {
                mineral: by_volumes.mineral * per_scale,
                om: (by_volumes.om + by_half * 0.5) * per_scale,
            },
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
        let volumes = Volumes { mineral: 1.0, om: 1.0 };
        let falls = Falls::new(&TwoPools::nothing(), &depths, 0.4, volumes);
        let mut face = falls.surface();
        for n in 1..=60 {
            let depth = 4.0 * f64::from(n);
            (face, _) = falls.below(&face, 4.0, 0.0, 0.0);
            let above = face.above - falls.surface().above;
            assert!((above - depths.above(depth, 0.4)).abs() < 1e-6, "{depth} mm: {above}");
        }
        assert!((face.above - falls.surface().above - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_series_is_near_the_exponential_and_has_its_own_slope() {
        for x in [0.1, 0.3_f64] {
            assert!((falling(x) - (-x).exp()).abs() < 1e-6, "{x}");
        }
        for x in [0.0, 0.05, 0.3, 1.0] {
            let by_difference = (falling(x + 1e-5) - falling(x - 1e-5)) / 2e-5;
            assert!((falling_slope(x) - by_difference).abs() < 1e-9, "{x}");
        }
    }
}
