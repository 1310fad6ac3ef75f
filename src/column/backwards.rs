//! The rules that carry slopes back against the same steps forwards, over columns with all that is awkward: a parcel that
//! is empty, one much poorer than its neighbours, the first and the last of them cut.

use super::litter::LitterDepths;
use super::{Along, Column, Densities, HoleSlopes, Ledger, Profile, Sample, TwoPools, Volumes};
use crate::number::{Dual, Number};
use crate::practice::work::Opening;

const PARCELS: usize = 4;
/// What a column holds, its open volume and room, its volumes, and what is brought.
const INPUTS: usize = 4 * PARCELS + 2 + 2 + 7;
const OPEN: usize = 4 * PARCELS;
const VOLUMES: usize = OPEN + 2;
const BROUGHT: usize = VOLUMES + 2;

type Forward = Dual<INPUTS>;

fn columns() -> Vec<Column<f64>> {
    let profile = Profile { base_percent: 1.3, surface_percent: 4.2, scale_mm: 15.0 };
    let mut even = Column::new(&[7.3, 3.1, 2.2, 1.7], &profile, 0.37, Densities { mineral: 1.6, om: 0.244 });
    even.hole_mm = vec![0.11, 0.23, 0.08, 0.05];
    (even.open_mm, even.room_mm, even.has_holes) = (0.47, 0.31, true);
    let mut closed = even.clone();
    closed.close();
    let mut empty = even.clone();
    empty.pools_at(3, [0.0; 4]);
    let (mut poor, mut bare) = (even.clone(), even.clone());
    poor.young[1] *= 0.01;
    poor.old[2] *= 7.0;
    bare.young[3] *= 0.02;
    bare.old[0] *= 0.02;
    vec![even, closed, empty, poor, bare]
}

impl Column<f64> {
    fn pools_at(&mut self, index: usize, [mineral, young, old, hole]: [f64; 4]) {
        (self.mineral[index], self.young[index]) = (mineral, young);
        (self.old[index], self.hole_mm[index]) = (old, hole);
    }
}

fn held<T: Number>(column: &Column<T>) -> [&Vec<T>; 4] {
    [&column.mineral, &column.young, &column.old, &column.hole_mm]
}

fn lifted(column: &Column<f64>) -> Column<Forward> {
    let pool = |k: usize| -> Vec<Forward> {
        held(column)[k].iter().enumerate().map(|(i, value)| Forward::variable(*value, k * PARCELS + i)).collect()
    };
    let constant = Forward::constant;
    Column {
        mineral: pool(0),
        young: pool(1),
        old: pool(2),
        hole_mm: pool(3),
        open_mm: Forward::variable(column.open_mm, OPEN),
        room_mm: Forward::variable(column.room_mm, OPEN + 1),
        has_holes: column.has_holes,
        densities: Densities { mineral: constant(column.densities.mineral), om: constant(column.densities.om) },
        volumes: Volumes {
            mineral: Forward::variable(column.volumes.mineral, VOLUMES),
            om: Forward::variable(column.volumes.om, VOLUMES + 1),
        },
    }
}

fn weight(n: usize) -> f64 {
    (1.7 * n as f64 + 0.4).sin()
}

/// Slopes along the pools, holes and volumes after a step, none alike.
struct Slopes {
    along: [Vec<f64>; 4],
    holes: HoleSlopes<f64>,
    volumes: Volumes<f64>,
}

impl Slopes {
    fn after(parcels: usize) -> Self {
        Self {
            along: std::array::from_fn(|k| (0..parcels).map(|i| weight(k * 10 + i)).collect()),
            holes: HoleSlopes { open_mm: weight(50), room_mm: weight(51) },
            volumes: Volumes { mineral: 0.0, om: 0.0 },
        }
    }

    fn nothing() -> Self {
        let none = HoleSlopes { open_mm: 0.0, room_mm: 0.0 };
        Self { along: std::array::from_fn(|_| vec![0.0; PARCELS]), holes: none, ..Self::after(0) }
    }

    /// The outcome of which these are the slopes.
    fn outcome(&self, column: &Column<Forward>) -> Forward {
        let mut found = column.open_mm * self.holes.open_mm + column.room_mm * self.holes.room_mm;
        for (pool, slopes) in held(column).into_iter().zip(&self.along) {
            pool.iter().zip(slopes).for_each(|(value, slope)| found += *value * *slope);
        }
        found
    }

    fn parts(&mut self) -> (Along<'_, f64>, &mut HoleSlopes<f64>, &mut Volumes<f64>) {
        let [mineral, young, old, holes] = &mut self.along;
        ([mineral, young, old, holes], &mut self.holes, &mut self.volumes)
    }

    fn check(&self, forward: &Forward, brought: &[f64], what: &str) {
        let found = self.along.concat().into_iter().chain([self.holes.open_mm, self.holes.room_mm]);
        let found = found.chain([self.volumes.mineral, self.volumes.om]).chain(brought.iter().copied());
        for (i, (found, expected)) in found.zip(forward.derivative).enumerate() {
            assert!((found - expected).abs() <= 1e-7 * (1.0 + expected.abs()), "{what}, {i}: {found} for {expected}");
        }
    }
}

fn ledger() -> Ledger<Forward> {
    Ledger::opened(Forward::zero(), Forward::zero())
}

#[test]
fn windows() {
    for (c, column) in columns().iter().enumerate() {
        for window in [(0.0, 0.9), (0.6, 1.1), (1.2, 5.0), (2.9, 6.1), (7.7, 9.3), (8.2, 40.0), (0.0, 40.0)] {
            let sample = Sample::Window { top_mm: window.0, bottom_mm: window.1 };
            let forward = lifted(column).read(&sample, 0).om_percent();
            let mut slopes = Slopes::nothing();
            let (mut along, _, volumes) = slopes.parts();
            column.window_back(window, &column.read(&sample, 0), 1.0, &mut along, volumes);
            slopes.check(&forward, &[], &format!("column {c}, {window:?}"));
        }
    }
}

#[test]
fn splits() {
    for (c, column) in columns().iter().enumerate() {
        for (index, parts) in [(0, 2), (1, 3), (2, 2), (3, 4)] {
            let mut slopes = Slopes::after(PARCELS + parts - 1);
            if !column.has_holes {
                slopes.along[3].fill(0.0);
            }
            let mut split = lifted(column);
            split.split(index, parts);
            let forward = slopes.outcome(&split);
            let (mut along, _, volumes) = slopes.parts();
            column.split_back(index, parts, &mut along, volumes);
            for pool in &mut slopes.along {
                pool.drain(index + 1..index + parts);
            }
            slopes.check(&forward, &[], &format!("column {c}, {parts} parts of {index}"));
        }
    }
}

#[test]
fn sand_and_openings() {
    for (c, column) in columns().iter().enumerate() {
        for sand in [0.0, 150.0, 3000.0] {
            let mut slopes = Slopes::after(PARCELS);
            let mut dressed = lifted(column);
            dressed.topdress(Forward::variable(sand, BROUGHT), 0.03, &mut ledger());
            let forward = slopes.outcome(&dressed);
            let (mut along, holes, volumes) = slopes.parts();
            let by_sand = column.topdress_back(sand, 0.03, &mut along, holes, volumes);
            slopes.check(&forward, &[by_sand], &format!("column {c}, {sand} g/m2"));
        }
        for (depth_mm, depth_sd_mm, returned_mineral_share, returned_om_share) in
            [(6.0, 0.0, 0.0, 0.0), (6.0, 2.0, 0.7, 0.4), (11.0, 3.0, 0.0, 0.9), (40.0, 0.0, 0.8, 0.0)]
        {
            let opening = Opening {
                area_share: 0.07,
                depth_mm,
                depth_sd_mm,
                lifted_share: 0.8,
                open_share: 0.9,
                returned_mineral_share,
                returned_om_share,
                open_days: 14,
            };
            let mut slopes = Slopes::after(PARCELS);
            let mut opened = lifted(column);
            opened.open(&opening, Forward::variable(0.6, BROUGHT), &mut ledger());
            let forward = slopes.outcome(&opened);
            let (mut along, holes, volumes) = slopes.parts();
            let by_fill = column.open_back(&opening, 0.6, &mut along, holes, volumes);
            slopes.check(&forward, &[by_fill], &format!("column {c}, {opening:?}"));
        }
    }
}

/// A common span, one in which much decays, and one whose litter is thicker than the column.
#[test]
fn growth_and_decay() {
    let depths = LitterDepths { surface_mm: 4.0, root_scale_mm: 2.7 };
    let span = |young_kept, young_to_old, old_kept, young_fed, old_fed| TwoPools {
        young_kept,
        young_to_old,
        old_kept,
        young_fed,
        old_fed,
        litter: 0.0,
    };
    for pools in
        [span(0.93, 0.02, 0.99, 31.0, 1.3), span(0.2, 0.1, 0.6, 90.0, 40.0), span(0.93, 0.02, 0.99, 2100.0, 60.0)]
    {
        for (c, column) in columns().iter().enumerate() {
            let mut slopes = Slopes::after(PARCELS);
            slopes.holes = HoleSlopes { open_mm: 0.0, room_mm: 0.0 };
            slopes.along[3].fill(0.0);
            let at = std::cell::Cell::new(BROUGHT);
            let lifted_pools = pools.map(|value| Forward::variable(value, at.replace(at.get() + 1)));
            let mut grown = lifted(column);
            let root_share = Forward::variable(0.35, BROUGHT + 6);
            grown.grow_and_decay(&lifted_pools, &depths, root_share, &mut ledger().om);
            let forward = slopes.outcome(&grown);
            let [mineral, young, old, _] = &mut slopes.along;
            let by = column.grow_and_decay_back(&pools, &depths, 0.35, [mineral, young, old], &mut Vec::new());
            slopes.volumes = by.volumes;
            let TwoPools { young_kept, young_to_old, old_kept, young_fed, old_fed, .. } = by.pools;
            let brought = [young_kept, young_to_old, old_kept, young_fed, old_fed, 0.0, by.root_share];
            slopes.check(&forward, &brought, &format!("column {c}, {pools:?}"));
        }
    }
}
