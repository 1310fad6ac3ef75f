//! The column by closed forms, each step by itself: ground, openings, sand, samples, cuts, the account.

use approx::assert_relative_eq;
use matledger::Error;
use matledger::column::cores::reached_depths;
use matledger::column::{
    Account, Column, DecayRates, Densities, FASTEST_DECAY_PER_YEAR, Ledger, LitterDepths, Profile, Sample, TwoPools,
    Weathering,
};
use matledger::practice::work::Opening;
use statrs::distribution::{ContinuousCDF, Normal};

const DENSITIES: Densities<f64> = Densities { mineral: 1.60, om: 0.244 };
const FALLING: Profile<f64> = Profile { base_percent: 1.0, surface_percent: 4.0, scale_mm: 20.0 };
const EVEN: Profile<f64> = Profile { base_percent: 4.0, surface_percent: 0.0, scale_mm: 20.0 };

/// Ground 120 mm deep, in parcels of 2 mm.
fn ground(profile: &Profile<f64>) -> Column<f64> {
    Column::new(&[2.0; 60], profile, 0.3, DENSITIES)
}

fn account_of(column: &Column<f64>) -> Ledger<f64> {
    Ledger::opened(column.total_om(), column.total_mineral())
}

fn holes(depth_mm: f64, depth_sd_mm: f64) -> Opening {
    Opening {
        area_share: 0.05,
        depth_mm,
        depth_sd_mm,
        lifted_share: 1.0,
        open_share: 1.0,
        returned_mineral_share: 0.0,
        returned_om_share: 0.0,
        open_days: 14,
    }
}

/// Mineral, young and old of a parcel, and of the whole.
fn pools(column: &Column<f64>) -> [&Vec<f64>; 3] {
    [&column.mineral, &column.young, &column.old]
}

fn window(column: &Column<f64>, top_mm: f64, bottom_mm: f64) -> (f64, f64, f64) {
    let read = column.read(&Sample::Window { top_mm, bottom_mm }, 0);
    (read.mineral_g_m2, read.om_g_m2, read.thickness_mm)
}

#[test]
fn ground_is_laid_along_its_profile() {
    let column = Column::new(&[6.0, 3.0, 1.0], &FALLING, 0.3, DENSITIES);
    let mean = |top: f64, bottom: f64| {
        let (at_top, at_bottom) = ((-top / 20.0).exp(), (-bottom / 20.0).exp());
        1.0 + 4.0 * 20.0 * (at_top - at_bottom) / (bottom - top)
    };
    for (i, (top, bottom)) in [(4.0, 10.0), (1.0, 4.0), (0.0, 1.0)].into_iter().enumerate() {
        assert_relative_eq!(column.thickness_mm(i), bottom - top, max_relative = 1e-12);
        let mass = column.mineral[i] + column.om(i);
        assert_relative_eq!(100.0 * column.om(i) / mass, mean(top, bottom), max_relative = 1e-12);
        assert_relative_eq!(column.young[i], 0.3 * column.om(i), max_relative = 1e-12);
        assert_relative_eq!(DENSITIES.mixed(column.om(i) / mass), mass / (bottom - top) / 1000.0, max_relative = 1e-12);
    }
    assert_relative_eq!(column.total_thickness_mm(), 10.0, max_relative = 1e-12);
    assert_relative_eq!(DENSITIES.thickness_mm(1600.0, 488.0), 3.0, max_relative = 1e-12);
    assert!(!column.is_empty() && Column::new(&[], &FALLING, 0.3, DENSITIES).is_empty());
    // Peat stays ground: a profile beyond 90 % is held there.
    let peat = Profile { surface_percent: 200.0, ..FALLING };
    assert_eq!(peat.mean_percent(0.0, 1.0), 90.0);
    let mut seen = Vec::new();
    column.for_each_down(|i, top, bottom| seen.push((i, top.round(), bottom.round())));
    assert_eq!(seen, [(2, 0.0, 1.0), (1, 1.0, 4.0), (0, 4.0, 10.0)]);
}

#[test]
fn depths_reached_are_the_deciles_of_a_normal() {
    let normal = Normal::new(75.0, 8.0).unwrap();
    for (depth, share) in reached_depths(75.0, 8.0).into_iter().zip([0.1, 0.3, 0.5, 0.7, 0.9]) {
        assert_relative_eq!(depth, normal.inverse_cdf(share), max_relative = 1e-9);
    }
    assert_eq!(reached_depths(5.0, 10.0)[..2], [0.0, 0.0]);
}

/// Holes of 5 % of the surface take 5 % of all that they reach, and half of that where half of the holes reach.
#[test]
fn holes_take_their_share_as_deep_as_they_reach() {
    for (opening, name) in [(holes(31.0, 0.0), "one depth"), (holes(60.0, 10.0), "many depths")] {
        let before = ground(&FALLING);
        let (mut column, mut account) = (before.clone(), account_of(&before));
        column.open(&opening, 0.6, &mut account);
        let depths = match opening.depth_sd_mm {
            0.0 => vec![opening.depth_mm],
            sd => reached_depths(opening.depth_mm, sd).to_vec(),
        };
        let mut opened = 0.0;
        before.for_each_down(|i, top, bottom| {
            let reached = depths.iter().map(|depth| (depth - top).clamp(0.0, bottom - top)).sum::<f64>();
            let share = reached / depths.len() as f64 / (bottom - top);
            for (pool, full) in pools(&column).into_iter().zip(pools(&before)) {
                assert_relative_eq!(pool[i], full[i] * (1.0 - 0.05 * share), max_relative = 1e-9);
            }
            assert_relative_eq!(column.hole_mm[i], 0.05 * share * (bottom - top), epsilon = 1e-9);
            opened += 0.05 * share * (bottom - top);
        });
        assert!(column.has_holes, "{name}");
        assert_relative_eq!(column.open_mm, opened, max_relative = 1e-9);
        assert_relative_eq!(column.room_mm, 0.6 * opened, max_relative = 1e-9);
        assert_relative_eq!(account.om.cored_out, before.total_om() - column.total_om(), max_relative = 1e-9);
        assert_relative_eq!(
            account.mineral.cored_out,
            before.total_mineral() - column.total_mineral(),
            max_relative = 1e-9
        );
    }
}

/// What blades lift but do not take away falls back, and only what left is open to sand.
#[test]
fn grooves_are_as_open_as_they_were_emptied() {
    let before = ground(&EVEN);
    let (mut column, mut account) = (before.clone(), account_of(&before));
    column.open(&Opening { lifted_share: 0.3, open_share: 0.3, ..holes(20.0, 0.0) }, 1.0, &mut account);
    assert_relative_eq!(column.open_mm, 0.05 * 0.3 * 20.0, max_relative = 1e-9);
    assert_relative_eq!(account.om.cored_out, before.total_om() * 0.05 * 0.3 * 20.0 / 120.0, max_relative = 1e-9);
}

/// Cores worked back whole fill the holes that they left; half of them leave half of the room.
#[test]
fn cores_worked_back_fill_their_own_holes() {
    let before = ground(&EVEN);
    for share in [1.0, 0.5] {
        let (mut column, mut account) = (before.clone(), account_of(&before));
        let back = Opening { returned_mineral_share: share, returned_om_share: share, ..holes(40.0, 0.0) };
        column.open(&back, 1.0, &mut account);
        assert_relative_eq!(column.open_mm, (1.0 - share) * 0.05 * 40.0, epsilon = 1e-9);
        assert_relative_eq!(
            account.om.cored_out,
            (1.0 - share) * before.total_om() * 0.05 * 40.0 / 120.0,
            epsilon = 1e-9
        );
        let kept = column.total_mineral() + account.mineral.cored_out;
        assert_relative_eq!(kept, before.total_mineral(), max_relative = 1e-12);
    }
    // The mineral alone worked back fills its own volume.
    let (mut column, mut account) = (before.clone(), account_of(&before));
    column.open(&Opening { returned_mineral_share: 1.0, ..holes(40.0, 0.0) }, 1.0, &mut account);
    assert_relative_eq!(column.total_mineral(), before.total_mineral(), max_relative = 1e-12);
    assert_relative_eq!(column.open_mm, account.om.cored_out / 244.0, max_relative = 1e-9);
    // And the organic matter alone.
    let (mut column, mut account) = (before.clone(), account_of(&before));
    column.open(&Opening { returned_om_share: 1.0, ..holes(40.0, 0.0) }, 1.0, &mut account);
    assert_relative_eq!(column.total_om(), before.total_om(), max_relative = 1e-12);
    assert_relative_eq!(column.open_mm, account.mineral.cored_out / 1600.0, max_relative = 1e-9);
    // Half of the holes takes sand: of cores worked back whole, half stays on the surface.
    let (mut column, mut account) = (before.clone(), account_of(&before));
    column.open(
        &Opening { returned_mineral_share: 1.0, returned_om_share: 1.0, ..holes(40.0, 0.0) },
        0.5,
        &mut account,
    );
    let top = column.len() - 1;
    let stays = 0.5 * 0.05 * 40.0;
    assert_relative_eq!(column.thickness_mm(top), 2.0 * (1.0 - 0.05) + 2.0 * 0.05 * 0.5 + stays, max_relative = 1e-9);
}

/// 1 mm of sand into holes of 2 mm: each parcel takes by its open volume, and half of each hole stays open.
#[test]
fn sand_goes_down_the_holes_before_it_lies_on_top() {
    let (mut column, mut account) = (ground(&EVEN), account_of(&ground(&EVEN)));
    column.open(&holes(40.0, 0.0), 1.0, &mut account);
    let opened = column.clone();
    column.topdress(1600.0, 0.03, &mut account);
    for i in 0..column.len() {
        assert_relative_eq!(column.mineral[i] - opened.mineral[i], 800.0 * opened.hole_mm[i], epsilon = 1e-9);
        assert_relative_eq!(column.hole_mm[i], 0.5 * opened.hole_mm[i], epsilon = 1e-12);
    }
    assert_relative_eq!(column.room_mm, 1.0, max_relative = 1e-9);
    assert_eq!(account.mineral.mown_out, 0.0);
    // 3 mm more: 1 mm finds room, and of the 2 mm on top mowers pick up their share.
    column.topdress(4800.0, 0.03, &mut account);
    assert_relative_eq!(account.mineral.mown_out, 0.03 * 3200.0, max_relative = 1e-9);
    assert_relative_eq!(account.mineral.gained, 6400.0, max_relative = 1e-12);
    let top = column.len() - 1;
    assert_relative_eq!(
        column.mineral[top] - opened.mineral[top],
        1600.0 * opened.hole_mm[top] + 0.97 * 3200.0,
        max_relative = 1e-9
    );
    account.mineral.end = column.total_mineral();
    account.om.end = column.total_om();
    account.check().unwrap();
    column.close();
    assert_eq!((column.open_mm, column.room_mm, column.has_holes), (0.0, 0.0, false));
    assert!(column.hole_mm.iter().all(|hole| *hole == 0.0));
}

#[test]
fn injected_sand_lies_evenly_in_its_range() {
    let before = ground(&EVEN);
    let (mut column, mut account) = (before.clone(), account_of(&before));
    column.inject(5000.0, 11.0, 61.0, &mut account);
    before.for_each_down(|i, top, bottom| {
        let within = (bottom.min(61.0) - top.max(11.0)).max(0.0);
        assert_relative_eq!(column.mineral[i] - before.mineral[i], 100.0 * within, epsilon = 1e-6);
    });
    assert_relative_eq!(account.mineral.gained, 5000.0, max_relative = 1e-12);
    // The column ends at 120 mm: all of it lies above.
    let (mut column, mut account) = (before.clone(), account_of(&before));
    column.inject(1000.0, 100.0, 200.0, &mut account);
    assert_relative_eq!(account.mineral.gained, 1000.0, max_relative = 1e-9);
    assert_relative_eq!(column.mineral[0] - before.mineral[0], 100.0, max_relative = 1e-6);
}

#[test]
fn windows_hold_what_lies_between_their_depths() {
    let column = ground(&FALLING);
    let (mineral, om, thickness) = window(&column, 0.0, 120.0);
    let percent = column.read(&Sample::Window { top_mm: 0.0, bottom_mm: 120.0 }, 0).om_percent();
    assert_relative_eq!(percent, 100.0 * om / (om + mineral), max_relative = 1e-12);
    assert_relative_eq!(mineral, column.total_mineral(), max_relative = 1e-12);
    assert_relative_eq!(om, column.total_om(), max_relative = 1e-12);
    assert_relative_eq!(thickness, 120.0, max_relative = 1e-12);
    // Windows on either side of a cut add up to the one across it, wherever a parcel is cut.
    for cut in [20.0, 20.7, 21.0, 21.9] {
        let (upper, lower, both) = (window(&column, 5.3, cut), window(&column, cut, 50.2), window(&column, 5.3, 50.2));
        assert_relative_eq!(upper.0 + lower.0, both.0, max_relative = 1e-12);
        assert_relative_eq!(upper.1 + lower.1, both.1, max_relative = 1e-12);
        assert_relative_eq!(upper.2, cut - 5.3, max_relative = 1e-9);
        // The organic matter is that of the curve, as near as parcels of 2 mm can follow it.
        let mean = FALLING.mean_percent(5.3, cut);
        assert_relative_eq!(100.0 * upper.1 / (upper.0 + upper.1), mean, max_relative = 5e-3);
    }
    // A cut follows the slope inside a parcel.
    for top in [20.0, 20.5, 21.0, 21.5] {
        let (mineral, om, _) = window(&column, top, top + 0.5);
        let mean = FALLING.mean_percent(top, top + 0.5);
        assert_relative_eq!(100.0 * om / (mineral + om), mean, max_relative = 4e-3);
    }
    // Ground that a window does not reach, and a window below all ground.
    assert_eq!(window(&column, 130.0, 150.0), (0.0, 0.0, 0.0));
}

/// `p(z) = 1 + 4 exp(-z / 20)` is 2 % at 20 ln 4 mm; clean sand on top belongs to the layer, since it lies above.
#[test]
fn layers_end_where_they_are_asked_to() {
    let mut column = Column::new(&[0.5; 240], &FALLING, 0.3, DENSITIES);
    let depth = 20.0 * 4f64.ln();
    let read = |column: &Column<f64>| column.read(&Sample::AbovePercent(2.0), 0).thickness_mm;
    assert_relative_eq!(read(&column), depth, epsilon = 0.5);
    assert_relative_eq!(column.read(&Sample::AbovePercent(0.5), 0).thickness_mm, 120.0, max_relative = 1e-9);
    assert_relative_eq!(column.read(&Sample::AbovePercent(6.0), 0).thickness_mm, 0.0, epsilon = 1e-9);
    let mut account = account_of(&column);
    column.push_empty();
    column.topdress(8000.0, 0.0, &mut account);
    assert_relative_eq!(read(&column), depth + 5.0, epsilon = 0.5);
    let above = column.read(&Sample::AboveRootZone, 240);
    assert_relative_eq!(above.thickness_mm, 5.0, max_relative = 1e-12);
    assert_eq!((above.om_g_m2, above.om_percent()), (0.0, 0.0));
    let mat = column.read(&Sample::AboveRootZone, 200);
    assert_relative_eq!(mat.thickness_mm, 25.0, max_relative = 1e-9);
}

#[test]
fn ground_that_is_cut_or_joined_keeps_what_it_holds() {
    let before = ground(&FALLING);
    let mut opened = before.clone();
    opened.open(&holes(40.0, 5.0), 0.6, &mut account_of(&before));
    for (parts, index) in [(2, 59), (3, 30), (4, 0)] {
        let mut column = opened.clone();
        column.split(index, parts);
        assert_eq!(column.len(), 60 + parts - 1);
        let all =
            |column: &Column<f64>| [&column.mineral, &column.young, &column.old, &column.hole_mm].map(Clone::clone);
        for (pool, whole) in all(&column).into_iter().zip(all(&opened)) {
            assert_relative_eq!(pool[index..index + parts].iter().sum::<f64>(), whole[index], max_relative = 1e-12);
            assert_eq!(pool[..index], whole[..index]);
            assert_eq!(pool[index + parts..], whole[index + 1..]);
        }
        assert_relative_eq!(column.hole_mm.iter().sum::<f64>(), opened.open_mm, max_relative = 1e-12);
        // Organic matter falls with depth, in the parts too.
        for n in index..index + parts - 1 {
            assert!(column.om(n) <= column.om(n + 1), "{parts} parts of {index}");
        }
        for _ in 1..parts {
            column.merge(index);
        }
        for (pool, whole) in pools(&column).into_iter().zip(pools(&opened)) {
            assert_relative_eq!(pool[index], whole[index], max_relative = 1e-12);
        }
        assert_relative_eq!(column.hole_mm[index], opened.hole_mm[index], epsilon = 1e-12);
        assert_eq!((column.len(), column.hole_mm.len()), (60, 60));
    }
    // The lower half holds a quarter of the gentler rise more than the upper one; at either end the one neighbour tells.
    for (index, rise) in [(30, (29, 30)), (59, (58, 59)), (0, (0, 1))] {
        let mut column = before.clone();
        column.split(index, 2);
        let more = (before.young[rise.0] - before.young[rise.1]) / 4.0;
        assert_relative_eq!(column.young[index] - column.young[index + 1], more, max_relative = 1e-6);
    }
    // A parcel much poorer than its neighbour is not cut so steeply that an end of it would hold less than nothing.
    let mut poor = before.clone();
    poor.young[59] *= 0.01;
    let held = poor.young[59];
    poor.split(59, 2);
    assert_relative_eq!(poor.young[60], held / 4.0, max_relative = 1e-9);
    let faces = [3.3, 10.0, 25.5, 60.0, 90.0];
    let recut = opened.recut(&faces);
    assert_eq!((recut.len(), recut.hole_mm.len()), (6, 6));
    for (pool, whole) in pools(&recut).into_iter().zip(pools(&opened)) {
        assert_relative_eq!(pool.iter().sum::<f64>(), whole.iter().sum::<f64>(), max_relative = 1e-12);
    }
    assert_relative_eq!(recut.hole_mm.iter().sum::<f64>(), opened.open_mm, max_relative = 1e-12);
    // Between two faces lies what a sample between them finds.
    for (n, pair) in faces.windows(2).enumerate() {
        let (mineral, om, _) = window(&opened, pair[0], pair[1]);
        let parcel = recut.len() - 2 - n;
        assert_relative_eq!(recut.mineral[parcel], mineral, max_relative = 2e-3);
        assert_relative_eq!(recut.om(parcel), om, max_relative = 5e-3);
    }
}

/// Ground whose organic matter falls evenly with depth is cut along that line, whatever its parcels.
#[test]
fn an_even_fall_is_cut_along_its_line() {
    let thickness = [6.0, 3.0, 5.0, 2.0, 4.0, 1.0, 3.0, 2.0];
    let down_to = |depth: f64| 60.0 * depth - 0.7 * depth * depth;
    let mut ground = Column::new(&thickness, &EVEN, 0.3, DENSITIES);
    let mut bottom = thickness.iter().sum::<f64>();
    for (i, thickness) in thickness.into_iter().enumerate() {
        let om = down_to(bottom) - down_to(bottom - thickness);
        (ground.young[i], ground.old[i]) = (0.75 * om, 0.25 * om);
        ground.mineral[i] = (thickness - om / 244.0) * 1600.0;
        bottom -= thickness;
    }
    for (top, bottom) in [(0.0, 0.4), (0.7, 25.3), (3.3, 4.9), (5.2, 20.0), (9.1, 14.5), (20.0, 26.0)] {
        let (mineral, om, thickness) = window(&ground, top, bottom);
        assert_relative_eq!(om, down_to(bottom) - down_to(top), max_relative = 1e-9);
        assert_relative_eq!(mineral, (bottom - top - om / 244.0) * 1600.0, max_relative = 1e-9);
        assert_relative_eq!(thickness, bottom - top, max_relative = 1e-9);
    }
    let follows = |column: &Column<f64>| {
        column.for_each_down(|i, top, bottom| {
            assert_relative_eq!(column.young[i], 0.75 * (down_to(bottom) - down_to(top)), max_relative = 1e-9);
        });
        assert_relative_eq!(column.total_thickness_mm(), 26.0, max_relative = 1e-12);
    };
    for (index, parts) in [(0, 2), (3, 4), (4, 3), (7, 2)] {
        let mut column = ground.clone();
        column.split(index, parts);
        follows(&column);
        for part in index..index + parts {
            assert_relative_eq!(column.thickness_mm(part), thickness[index] / parts as f64, max_relative = 1e-9);
        }
        (1..parts).for_each(|_| column.merge(index));
        follows(&column);
        assert_eq!((column.len(), column.hole_mm.len()), (8, 8));
    }
    let faces = [0.9, 2.5, 7.7, 8.0, 19.0];
    let recut = ground.recut(&faces);
    follows(&recut);
    for (n, pair) in faces.windows(2).enumerate() {
        assert_relative_eq!(recut.thickness_mm(4 - n), pair[1] - pair[0], max_relative = 1e-9);
    }
}

#[test]
fn litter_falls_evenly_at_the_top_and_with_the_roots_below() {
    let depths = LitterDepths { surface_mm: 10.0, root_scale_mm: 40.0 };
    for (depth, surface) in [(0.0, 0.0), (4.0, 0.4), (10.0, 1.0), (90.0, 1.0), (400.0, 1.0)] {
        let roots = (1.0 - (-f64::min(depth, 200.0) / 40.0).exp()) / (1.0 - (-5f64).exp());
        assert_relative_eq!(depths.above(depth, 0.0), surface, epsilon = 1e-12);
        assert_relative_eq!(depths.above(depth, 1.0), roots, epsilon = 1e-12);
        assert_relative_eq!(depths.above(depth, 0.25), 0.75 * surface + 0.25 * roots, epsilon = 1e-12);
    }
}

/// Litter of a moment lies where the curve puts it; that of a month, where it would lie had it come day by day.
#[test]
fn litter_lies_where_it_fell() {
    let (depths, undecaying) =
        (LitterDepths::default(), DecayRates { young_per_year: 0.0, old_per_year: 0.0, humified: 0.3 });
    let before = ground(&FALLING);
    for root_share in [0.0, 0.3, 1.0] {
        let (mut column, mut account) = (before.clone(), account_of(&before));
        let moment = TwoPools::over(&Weathering::of_days(&[1.0], &[1e-3]), &undecaying, 1.0);
        column.grow_and_decay(&moment, &depths, root_share, &mut account.om);
        before.for_each_down(|i, top, bottom| {
            let share = depths.above(bottom, root_share) - depths.above(top, root_share);
            assert_relative_eq!((column.young[i] - before.young[i]) / 1e-3, share, epsilon = 2e-6);
        });
        assert_relative_eq!(account.om.below, 1e-3 * (1.0 - depths.above(120.0, root_share)), epsilon = 1e-9);
    }
    let rates = DecayRates { young_per_year: 1.5, old_per_year: 0.1, humified: 0.3 };
    let (mut whole, mut account) = (before.clone(), account_of(&before));
    let month = TwoPools::over(&Weathering::of_days(&[1.2; 30], &[1.0; 30]), &rates, 3.0);
    whole.grow_and_decay(&month, &depths, 0.3, &mut account.om);
    account.om.end = whole.total_om();
    account.check().unwrap();
    assert_relative_eq!(account.om.gained, 90.0, max_relative = 1e-12);
    let (mut daily, mut by_day) = (before.clone(), account_of(&before));
    let day = TwoPools::over(&Weathering::of_days(&[1.2], &[1.0]), &rates, 3.0);
    for _ in 0..30 {
        daily.grow_and_decay(&day, &depths, 0.3, &mut by_day.om);
    }
    assert_relative_eq!(account.om.respired, by_day.om.respired, max_relative = 1e-4);
    assert_relative_eq!(account.om.below, by_day.om.below, max_relative = 1e-3);
    for i in 0..whole.len() {
        let near = if i < 55 { 2e-5 } else { 1e-3 }; // the break at 10 mm lies within the upper parcels
        assert_relative_eq!(whole.young[i], daily.young[i], max_relative = near);
        assert_relative_eq!(whole.old[i], daily.old[i], max_relative = 1e-4);
    }
}

/// Litter falls by the depths at the middle of the span, by when half of it has raised the ground.
#[test]
fn litter_raises_the_ground_that_it_falls_on() {
    let depths = LitterDepths::default();
    let undecaying = DecayRates { young_per_year: 0.0, old_per_year: 0.0, humified: 0.3 };
    let season = TwoPools::over(&Weathering::of_days(&[1.0], &[500.0]), &undecaying, 1.0);
    let before = ground(&FALLING);
    for root_share in [0.0, 0.4, 1.0] {
        let (mut column, mut account) = (before.clone(), account_of(&before));
        column.grow_and_decay(&season, &depths, root_share, &mut account.om);
        let mut fallen = 0.0;
        before.for_each_down(|i, _, bottom| {
            fallen += (column.young[i] - before.young[i]) / 500.0;
            let raised = 0.5 * 500.0 / 244.0 * depths.above(bottom, root_share);
            assert_relative_eq!(fallen, depths.above(bottom + raised, root_share), epsilon = 1e-5);
        });
    }
}

#[test]
fn decay_is_exponential_up_to_the_fastest_rate() {
    let modifier = [0.5, 1.5, 1.0, 3.0];
    let years = modifier.iter().sum::<f64>() / 365.25;
    let weather = Weathering::of_days(&modifier, &[0.0, 2.0, 1.0, 0.0]);
    assert_eq!(weather.clippings_g_m2, 3.0);
    for rate in [0.01, 1.0, FASTEST_DECAY_PER_YEAR] {
        let rates = DecayRates { young_per_year: rate, old_per_year: 0.5 * rate, humified: 0.3 };
        let span = TwoPools::over(&weather, &rates, 2.0);
        assert_relative_eq!(span.young_kept, (-rate * years).exp(), max_relative = 1e-14);
        assert_relative_eq!(span.old_kept, (-0.5 * rate * years).exp(), max_relative = 1e-14);
        assert_eq!(span.litter, 6.0);
        // Nothing that falls is there longer than the span, nor made from nothing.
        assert!(span.young_fed < 6.0 && span.young_fed > 6.0 * span.young_kept);
        let nothing = TwoPools::nothing();
        assert_eq!(nothing.apply(5.0, 7.0, 1.0), (5.0, 7.0));
        assert_eq!((nothing.then(&span), span.then(&nothing)), (span, span));
    }
    let bare = TwoPools::over(
        &Weathering::of_days(&modifier, &[0.0; 4]),
        &DecayRates { young_per_year: 1.0, old_per_year: 0.1, humified: 0.3 },
        2.0,
    );
    assert_eq!((bare.litter, bare.young_fed, bare.old_fed), (0.0, 0.0, 0.0));
}

#[test]
fn an_account_that_does_not_close_is_an_error() {
    let account =
        Account { start: 100.0, gained: 50.0, respired: 20.0, cored_out: 7.0, mown_out: 2.0, below: 1.0, end: 120.0 };
    assert_eq!((account.lost(), account.relative_error()), (30.0, 0.0));
    let sound = Ledger { om: account, mineral: Account::opened(1000.0) };
    sound.check().unwrap();
    for by in [1e-6, -1e-6] {
        let open = Ledger { mineral: Account { end: 1000.0 * (1.0 + by), ..sound.mineral }, ..sound };
        let Err(Error::LedgerOpen { substance, relative }) = open.check() else { panic!("accepted") };
        assert_eq!(substance, "mineral");
        assert_relative_eq!(relative, 1e-6, max_relative = 1e-6);
    }
    let lost = Ledger { om: Account { respired: f64::NAN, ..account }, ..sound };
    assert!(matches!(lost.check(), Err(Error::Numerical(_))));

    let following = Account { start: 120.0, gained: 10.0, mown_out: 3.0, end: 99.0, ..account };
    let both = account + following;
    assert_eq!((both.start, both.gained, both.end, both.lost()), (100.0, 60.0, 99.0, 61.0));
    let two = sound + Ledger { om: following, mineral: sound.mineral };
    assert_eq!((two.om, two.mineral.end), (both, 1000.0));

    // The mean of two.
    let nothing = Ledger { om: Account::opened(0.0), mineral: Account::opened(0.0) };
    let other = Ledger { om: following, mineral: Account { gained: 8.0, ..sound.mineral } };
    let mean = nothing.plus_share(&sound, 0.5).plus_share(&other, 0.5);
    let entries = |a: &Account<f64>| [a.start, a.gained, a.respired, a.cored_out, a.mown_out, a.below, a.end];
    assert_eq!(entries(&mean.om), [110.0, 30.0, 20.0, 7.0, 2.5, 1.0, 109.5]);
    assert_eq!((mean.mineral.gained, mean.mineral.start), (4.0, 1000.0));
}
