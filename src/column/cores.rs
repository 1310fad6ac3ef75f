//! Opening the ground: what cores and blades lift, and the holes they leave.

use super::ledger::Ledger;
use super::parcel::{Along, Column, Volumes};
use super::sand::HoleSlopes;
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

/// The slope along a thickness of what was held by [`no_thinner`].
#[inline(always)]
pub(super) fn thinner_back<T: Number>(thickness_mm: T, by: T) -> T {
    thickness_mm.pick_less(T::constant(THIN_MM), T::zero(), by)
}

/// How much of the ground an opening lifts and opens, and how deep.
struct Reach {
    depths: [f64; 5],
    /// Of the depths that differ.
    count: usize,
    deepest: f64,
    lifted_share: f64,
    open_share: f64,
}

impl Reach {
    fn of(opening: &Opening) -> Self {
        let depths = reached_depths(opening.depth_mm, opening.depth_sd_mm);
        let count = if opening.depth_sd_mm == 0.0 { 1 } else { depths.len() };
        Self {
            depths,
            count,
            deepest: opening.deepest_mm(),
            lifted_share: opening.area_share * opening.lifted_share / count as f64,
            open_share: opening.area_share * opening.open_share / count as f64,
        }
    }

    /// Depth reached above a face, summed over the shares of the holes.
    #[inline(always)]
    fn above<T: Number>(&self, face_mm: T) -> T {
        let mut through = T::zero();
        for &depth in &self.depths[..self.count] {
            through += face_mm.min(T::constant(depth));
        }
        through
    }

    /// Slope along a face, from that along the depth reached above it.
    #[inline(always)]
    fn above_back<T: Number>(&self, face_mm: T, by: T) -> T {
        let mut by_face = T::zero();
        for &depth in &self.depths[..self.count] {
            by_face += face_mm.pick_less(T::constant(depth), by, T::zero());
        }
        by_face
    }
}

impl<T: Number> Column<T> {
    /// Opens holes or grooves: each parcel loses the lifted share of everything over the part of it that was reached,
    /// and holds the open volume until sand fills it or it closes.
    ///
    /// `fill_fraction` is the part of the open volume that can be filled (-). Lifted material that is worked back in
    /// fills holes first, the rest of it stays on the surface.
    #[inline(always)]
    pub fn open(&mut self, opening: &Opening, fill_fraction: T, ledger: &mut Ledger<T>) {
        let lifted = self.lift(&Reach::of(opening), fill_fraction);
        let back = returned(opening, lifted);
        ledger.mineral.cored_out += lifted[0] - back[0];
        ledger.om.cored_out += lifted[1] + lifted[2] - back[1] - back[2];
        if returns(opening) {
            let left = self.fill(back);
            self.lay(left);
        }
    }

    /// Carries slopes back over [`Column::open`], from the column as it stood before it; `along` comes with the slopes after
    /// it and leaves with those before it. The slope along `fill_fraction`.
    #[inline(always)]
    pub(crate) fn open_back(
        &self,
        opening: &Opening,
        fill_fraction: T,
        along: &mut Along<'_, T>,
        by_holes: &mut HoleSlopes<T>,
        by_volumes: &mut Volumes<T>,
    ) -> T {
        let reach = Reach::of(opening);
        let mut by_lifted = [T::zero(); 3];
        if returns(opening) {
            let mut lifted = self.clone();
            let back = returned(opening, lifted.lift(&reach, fill_fraction));
            let by_left = self.lay_back(along);
            by_lifted = returned(opening, lifted.fill_back(back, by_left, along, by_holes, by_volumes));
        }
        self.lift_back(&reach, fill_fraction, by_lifted, along, by_holes, by_volumes)
    }

    /// Takes out what is lifted and leaves holes; mineral, young and old organic matter that was lifted (g/m2).
    #[inline(always)]
    fn lift(&mut self, reach: &Reach, fill_fraction: T) -> [T; 3] {
        let (mut mineral, mut young, mut old, mut opened) = (T::zero(), T::zero(), T::zero(), T::zero());
        let (mut top, mut above) = (T::zero(), T::zero());
        for i in (0..self.len()).rev() {
            if top.at_least(reach.deepest) {
                break;
            }
            let thickness = self.thickness_mm(i);
            let bottom = top + thickness;
            let through = reach.above(bottom);
            let reached_mm = through - above;
            let lifted = reached_mm * reach.lifted_share / no_thinner(thickness);
            let hole = reached_mm * reach.open_share;
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
        [mineral, young, old]
    }

    /// [`Column::lift`] backwards.
    #[inline(always)]
    fn lift_back(
        &self,
        reach: &Reach,
        fill_fraction: T,
        by_lifted: [T; 3],
        along: &mut Along<'_, T>,
        by_holes: &HoleSlopes<T>,
        by_volumes: &mut Volumes<T>,
    ) -> T {
        let bottoms = self.faces_down_to(reach.deepest);
        let opened = bottoms.last().map_or(T::zero(), |&bottom| reach.above(bottom)) * reach.open_share;
        let by_opened = by_holes.open_mm + by_holes.room_mm * fill_fraction;
        // Along the lower face and the depth reached above it, by way of all that lies deeper.
        let (mut by_bottom, mut by_through) = (T::zero(), T::zero());
        let lowest = self.len() - bottoms.len();
        for (i, n) in (lowest..self.len()).zip((0..bottoms.len()).rev()) {
            let thickness = self.thickness_mm(i);
            let above = if n == 0 { T::zero() } else { reach.above(bottoms[n - 1]) };
            let reached_mm = reach.above(bottoms[n]) - above;
            let divisor = no_thinner(thickness);
            let lifted = reached_mm * reach.lifted_share / divisor;
            let [mineral, young, old, holes] = along;
            let by_reached = (holes[i] + by_opened) * reach.open_share;
            let mut by_share = T::zero();
            for ((by, held), by_loss) in
                [(mineral, &self.mineral), (young, &self.young), (old, &self.old)].into_iter().zip(by_lifted)
            {
                let by_loss = by_loss - by[i];
                by_share += held[i] * by_loss;
                by[i] += by_loss * lifted;
            }
            let by_reached = by_reached + by_share * reach.lifted_share / divisor;
            by_bottom += reach.above_back(bottoms[n], by_through + by_reached);
            let by_divisor = -by_share * lifted / divisor;
            let by_thickness = by_bottom + thinner_back(thickness, by_divisor);
            self.thickness_back(i, i, by_thickness, along, by_volumes);
            by_through = -by_reached;
        }
        by_holes.room_mm * opened
    }
}

fn returns(opening: &Opening) -> bool {
    opening.returned_mineral_share > 0.0 || opening.returned_om_share > 0.0
}

/// What is worked back in of what was lifted: mineral, young and old organic matter.
#[inline(always)]
fn returned<T: Number>(opening: &Opening, [mineral, young, old]: [T; 3]) -> [T; 3] {
    [mineral * opening.returned_mineral_share, young * opening.returned_om_share, old * opening.returned_om_share]
}
