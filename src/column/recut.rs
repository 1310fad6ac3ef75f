//! Columns in another shape: cut at other faces, laid side by side, taken apart, or the mean of many.

use super::cores::no_thinner;
use super::parcel::{Column, Densities, Volumes};
use crate::number::Number;

impl Column<f64> {
    /// The same ground cut at other faces (mm below the surface, increasing; none at the surface or the bottom), along the
    /// slopes inside the parcels. Columns cut alike can be run side by side. Nothing is lost.
    ///
    /// ```
    /// use matledger::column::{Column, Densities, Profile};
    /// let profile = Profile { base_percent: 1.0, surface_percent: 4.0, scale_mm: 20.0 };
    /// let column = Column::new(&[2.0; 50], &profile, 0.3, Densities { mineral: 1.60, om: 0.244 });
    /// let recut = column.recut(&[5.0, 10.0, 20.0, 40.0]);
    /// assert_eq!(recut.len(), 5);
    /// assert!((recut.total_om() / column.total_om() - 1.0).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn recut(&self, faces_mm: &[f64]) -> Self {
        let parcels = faces_mm.len() + 1;
        let empty = || vec![0.0; parcels];
        let mut pools = [empty(), empty(), empty(), empty()];
        self.for_each_down(|i, top, bottom| {
            let thickness = no_thinner(bottom - top);
            let slopes = self.slopes(i);
            let held = [self.mineral[i], self.young[i], self.old[i], self.hole_mm[i]];
            let first = faces_mm.partition_point(|face| *face <= top);
            let mut from = 0.0;
            for cut in first..parcels {
                let to = faces_mm.get(cut).map_or(1.0, |face| ((face - top) / thickness).min(1.0));
                let (inside, bend) = (to - from, (to - from) * (1.0 - to - from) * 0.5);
                for ((pool, held), slope) in pools.iter_mut().zip(held).zip(slopes) {
                    pool[parcels - 1 - cut] += held * inside - slope * bend;
                }
                if to >= 1.0 {
                    break;
                }
                from = to;
            }
        });
        let [mineral, young, old, hole_mm] = pools;
        Self { mineral, young, old, hole_mm, ..self.clone() }
    }
}

/// A column whose every number is woven from that number of columns of as many parcels: `weave` gets a function that
/// gives the number in each of them.
pub(crate) fn woven<T: Number, U: Number>(
    columns: &[&Column<T>],
    weave: impl Fn(&dyn Fn(usize) -> T) -> U,
) -> Column<U> {
    let one = |pick: &dyn Fn(&Column<T>) -> T| weave(&|k| pick(columns[k]));
    let parcels = columns.first().map_or(0, |column| column.len());
    let pool = |pick: &dyn Fn(&Column<T>, usize) -> T| (0..parcels).map(|i| one(&|c| pick(c, i))).collect::<Vec<U>>();
    let densities = Densities { mineral: one(&|c| c.densities.mineral), om: one(&|c| c.densities.om) };
    Column {
        mineral: pool(&|c, i| c.mineral[i]),
        young: pool(&|c, i| c.young[i]),
        old: pool(&|c, i| c.old[i]),
        hole_mm: pool(&|c, i| c.hole_mm[i]),
        open_mm: one(&|c| c.open_mm),
        room_mm: one(&|c| c.room_mm),
        has_holes: columns.iter().any(|column| column.has_holes),
        densities,
        volumes: Volumes::new(&densities),
    }
}
