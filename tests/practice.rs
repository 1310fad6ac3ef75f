//! Geometry and rates of work against the published table and plane geometry.

use approx::assert_relative_eq;
use matledger::Error;
use matledger::practice::Dated;
use matledger::practice::order::{Buying, sand_by_day};
use matledger::practice::spreading::{catch_pans, passes_to_fill, spreader_swaths};
use matledger::practice::tine::{Tine, hole_area_fraction, holes_per_m2, union_share};
use matledger::practice::work::{
    Coring, HOLES_OPEN_DAYS, SAND_BULK_DENSITY_G_CM3, SandInjection, SolidTining, Topdressing, VerticalMowing, Work,
};
use matledger::practice::work_day::{Step, cart_trips, schedule};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

const MM_PER_IN: f64 = 25.4;
const M2_PER_FT2: f64 = 0.092_903_04;
const MM_PER_FT3_1000FT2: f64 = 0.3048;
const G_CM3_PER_LB_FT3: f64 = 0.016_018_463_373_960_138;

fn coring(bore_mm: f64, spacing_mm: (f64, f64), depth_mm: f64, passes: u32) -> Coring {
    Coring {
        tine: Tine { inside_diameter_mm: bore_mm },
        spacing_mm,
        depth_mm,
        depth_sd_mm: 0.0,
        passes,
        returned_mineral_share: 0.0,
        returned_om_share: 0.0,
        holes_open_days: HOLES_OPEN_DAYS,
    }
}

fn solid(passes: u32) -> SolidTining {
    SolidTining {
        diameter_mm: 8.0,
        spacing_mm: (40.0, 40.0),
        depth_mm: 150.0,
        depth_sd_mm: 0.0,
        passes,
        holes_open_days: HOLES_OPEN_DAYS,
    }
}

fn blades() -> VerticalMowing {
    VerticalMowing {
        blade_width_mm: 2.0,
        blade_spacing_mm: 25.0,
        depth_mm: 20.0,
        passes: 1,
        removed_share: 0.3,
        holes_open_days: HOLES_OPEN_DAYS,
    }
}

/// `tests/checks/tine_geometry.csv`: computed from the bore; agrees with four published pairs.
#[test]
fn every_row_of_the_tine_table() {
    let mut reader = csv::Reader::from_path("tests/checks/tine_geometry.csv").unwrap();
    let header = reader.headers().unwrap().clone();
    let mut rows = 0;
    for record in reader.records() {
        let record = record.unwrap();
        let cell =
            |name: &str| -> f64 { record[header.iter().position(|column| column == name).unwrap()].parse().unwrap() };
        let near = |found: f64, name: &str, unit_of_last_digit: f64| {
            let listed = cell(name);
            assert!(
                (found - listed).abs() <= unit_of_last_digit * 0.501,
                "{name}: {found}, listed {listed} in {record:?}"
            );
        };
        let bore = cell("tine_id_in") * MM_PER_IN;
        let spacing = (cell("spacing_a_in") * MM_PER_IN, cell("spacing_b_in") * MM_PER_IN);
        let share = hole_area_fraction(bore, spacing);
        near(holes_per_m2(spacing) * M2_PER_FT2, "holes_per_ft2", 0.1);
        near(100.0 * share, "surface_area_pct", 0.01);
        near(0.15 / share, "passes_for_15pct", 0.1);
        near(0.20 / share, "passes_for_20pct", 0.1);
        for inches in [1.0, 2.0, 3.0] {
            let work = Work::Coring(coring(bore, spacing, inches * MM_PER_IN, 1));
            work.validate().unwrap();
            let name = format!("sand_ft3_per_1000ft2_{inches}in_deep");
            near(work.hole_volume_mm() / MM_PER_FT3_1000FT2, &name, 0.01);
            assert_relative_eq!(work.area_plain_sum(), share);
            assert_relative_eq!(work.holes_per_m2().unwrap(), holes_per_m2(spacing));
        }
        let ft3_1000ft2 = share * 2.0 * MM_PER_IN / MM_PER_FT3_1000FT2;
        near(100.0 * ft3_1000ft2, "sand_lb_per_1000ft2_2in_deep_at_100lb_ft3", 1.0);
        rows += 1;
    }
    assert_eq!(rows, 45);
}

/// The trade's 100 lb/ft3 is 1.6018 g/cm3; the library's 1.60 is that figure rounded.
#[test]
fn bulk_density_is_the_trade_figure_rounded() {
    assert_relative_eq!(SAND_BULK_DENSITY_G_CM3, 100.0 * G_CM3_PER_LB_FT3, max_relative = 0.0012);
}

/// A nominal size that is the outside diameter nearly doubles the area: 13.6 % against 7.7 % (read).
#[test]
fn outside_diameter_nearly_doubles_the_area() {
    let spacing = (2.0 * MM_PER_IN, 2.0 * MM_PER_IN);
    assert_relative_eq!(hole_area_fraction(0.625 * MM_PER_IN, spacing), 0.0767, epsilon = 5e-5);
    let spacing = (1.5 * MM_PER_IN, 1.5 * MM_PER_IN);
    assert_relative_eq!(hole_area_fraction(0.625 * MM_PER_IN, spacing), 0.1364, epsilon = 5e-5);
}

#[test]
fn passes_overlap_at_random() {
    let work = Work::Coring(coring(12.7, (50.8, 50.8), 76.2, 3));
    let f = work.area_fraction();
    assert_relative_eq!(work.area_share(), 3.0 * f - 3.0 * f * f + f * f * f, max_relative = 1e-12);
    assert_relative_eq!(work.area_plain_sum(), 3.0 * f);
    assert_relative_eq!(work.hole_volume_mm(), work.area_share() * 76.2);
    assert_relative_eq!(work.holes_per_m2().unwrap(), 3e6 / (50.8 * 50.8));
}

#[test]
fn what_each_kind_opens_and_brings() {
    let groove = Work::VerticalMowing(blades());
    groove.validate().unwrap();
    assert_relative_eq!(groove.area_share(), 0.08, epsilon = 1e-15);
    assert_relative_eq!(groove.hole_volume_mm(), 0.08 * 0.3 * 20.0, max_relative = 1e-12);
    assert_eq!(groove.holes_per_m2(), None);
    assert_eq!(groove.opening().unwrap().lifted_share, 0.3);

    let tining = Work::SolidTining(solid(2));
    tining.validate().unwrap();
    assert_eq!(tining.holes_per_m2(), Some(2.0 * 25.0 * 25.0));
    let holes = tining.opening().unwrap();
    assert_eq!((holes.lifted_share, holes.open_share, holes.depth_mm), (0.0, 1.0, 150.0));

    let cores = Work::Coring(Coring {
        returned_mineral_share: 0.8,
        returned_om_share: 0.5,
        ..coring(12.7, (50.0, 50.0), 75.0, 1)
    });
    let opening = cores.opening().unwrap();
    assert_eq!((opening.lifted_share, opening.returned_mineral_share, opening.returned_om_share), (1.0, 0.8, 0.5));
    assert_eq!(opening.open_days, HOLES_OPEN_DAYS);

    for (work, sand) in [
        (Work::Topdressing(Topdressing { sand_g_m2: 800.0, passes: 2, picked_up_share: 0.01 }), 800.0),
        (Work::SandInjection(SandInjection { sand_g_m2: 4000.0, from_mm: 0.0, to_mm: 150.0 }), 4000.0),
    ] {
        work.validate().unwrap();
        assert_eq!((work.opening(), work.area_share(), work.hole_volume_mm()), (None, 0.0, 0.0));
        assert_eq!(work.sand_g_m2(), sand);
    }
}

/// Common practice, no source: holes need three or four passes of spreading and dragging to fill.
#[test]
fn usual_coring_fills_in_three_or_four_passes() {
    let volume = Work::Coring(coring(12.7, (50.0, 50.0), 75.0, 1)).hole_volume_mm();
    assert_relative_eq!(volume, 3.80, epsilon = 5e-3);
    let passes: Vec<u32> = [0.6, 0.7, 0.8, 0.9, 1.0].map(|fill| passes_to_fill(volume, fill, 1.0).unwrap()).to_vec();
    assert_eq!(passes, [3, 3, 4, 4, 4]);
    assert_eq!(passes_to_fill(3.0, 1.0, 0.1).unwrap(), 30);
    assert_eq!(passes_to_fill(0.0, 0.9, 1.0).unwrap(), 0);
}

/// Common practice, no source: a spinner that throws 4.6 m takes about four swaths to a green.
#[test]
fn usual_green_takes_about_four_passes() {
    assert_eq!(spreader_swaths(4.6, 18.0).unwrap(), 4);
    assert_eq!(spreader_swaths(4.6, 4.6).unwrap(), 1);
}

fn places(result: matledger::Result<impl Sized>) -> Vec<String> {
    match result {
        Err(Error::Input(problems)) => problems.into_iter().map(|p| p.place).collect(),
        Err(other) => panic!("{other}"),
        Ok(_) => vec![],
    }
}

#[test]
fn all_problems_of_a_work_come_at_once() {
    let bad = Coring {
        depth_sd_mm: -1.0,
        returned_mineral_share: 1.2,
        returned_om_share: f64::NAN,
        passes: 0,
        ..coring(f64::INFINITY, (f64::NAN, 0.0), -3.0, 1)
    };
    assert_eq!(
        places(Work::Coring(bad).validate()),
        [
            "coring.tine.inside_diameter_mm",
            "coring.spacing_mm[0]",
            "coring.spacing_mm[1]",
            "coring.spacing_mm",
            "coring.depth_mm",
            "coring.depth_sd_mm",
            "coring.returned_mineral_share",
            "coring.returned_om_share",
            "coring.passes"
        ]
    );
    let wide = Work::Coring(coring(60.0, (50.0, 80.0), 75.0, 1));
    assert_eq!(
        wide.validate().unwrap_err().to_string(),
        "coring.spacing_mm: 50; expected at least the tine's diameter (60 mm)"
    );
    let cases = [
        (Work::SolidTining(SolidTining { depth_mm: 0.0, ..solid(21) }), "solid_tining.depth_mm solid_tining.passes"),
        (
            Work::VerticalMowing(VerticalMowing { blade_spacing_mm: 2.0, removed_share: -0.1, ..blades() }),
            "vertical_mowing.blade_spacing_mm vertical_mowing.removed_share",
        ),
        (
            Work::SandInjection(SandInjection { sand_g_m2: -1.0, from_mm: f64::INFINITY, to_mm: 5.0 }),
            "sand_injection.sand_g_m2 sand_injection.from_mm sand_injection.to_mm",
        ),
        (
            Work::Topdressing(Topdressing { sand_g_m2: f64::NAN, passes: 0, picked_up_share: 2.0 }),
            "topdressing.sand_g_m2 topdressing.picked_up_share topdressing.passes",
        ),
        // Nothing at all is no work, and one number that is none is told once.
        (
            Work::SandInjection(SandInjection { sand_g_m2: 0.0, from_mm: 10.0, to_mm: 10.0 }),
            "sand_injection.sand_g_m2 sand_injection.to_mm",
        ),
        (Work::Coring(coring(f64::NAN, (50.0, 50.0), 75.0, 1)), "coring.tine.inside_diameter_mm"),
    ];
    for (work, expected) in cases {
        assert_eq!(places(work.validate()).join(" "), expected);
    }
    assert_eq!(places(passes_to_fill(-1.0, 1.1, 0.0)), ["hole_volume_mm", "fill_fraction", "sand_mm_per_pass"]);
    assert_eq!(places(spreader_swaths(f64::NAN, 0.0)), ["swath_m", "green_width_m"]);
}

/// Student's t at 0.95 with two degrees of freedom is 2.919986 (any table).
#[test]
fn catch_pans_by_hand() {
    let rate = catch_pans(&[40.0, 44.0, 42.0], 0.1, 2, 0.05, 0.9).unwrap();
    assert_relative_eq!(rate.mean_g_m2, 42.0 / (1.05 * 0.1 * 2.0), max_relative = 1e-12);
    let half = 2.919_985_6 * 2.0 / 3f64.sqrt() / (1.05 * 0.1 * 2.0);
    assert_relative_eq!(rate.interval_g_m2.0, rate.mean_g_m2 - half, max_relative = 1e-6);
    assert_relative_eq!(rate.interval_g_m2.1, rate.mean_g_m2 + half, max_relative = 1e-6);
    assert_relative_eq!(rate.between_pans.unwrap(), 2.0 / 42.0, max_relative = 1e-12);

    let alone = catch_pans(&[40.0], 0.1, 1, 0.0, 0.9).unwrap();
    assert_eq!((alone.interval_g_m2, alone.between_pans), ((0.0, f64::INFINITY), None));
    let uneven = catch_pans(&[0.0, 10.0], 0.1, 1, 0.0, 0.9).unwrap();
    assert_eq!(uneven.interval_g_m2.0, 0.0);
    let none = catch_pans(&[0.0, 0.0], 0.1, 1, 0.0, 0.9).unwrap();
    assert_eq!((none.mean_g_m2, none.interval_g_m2, none.between_pans), (0.0, (0.0, 0.0), None));

    assert_eq!(places(catch_pans(&[], 0.0, 0, 1.0, 1.0)), ["masses_g", "pan_m2", "passes", "moisture", "level"]);
    assert_eq!(places(catch_pans(&[1.0, -1.0], -0.1, 1, 0.0, 0.0)), ["masses_g[1]", "pan_m2", "level"]);
}

#[test]
fn carts_go_for_mass_or_for_volume() {
    assert_eq!(cart_trips(2100.0, 1500.0, 500.0, 400.0).unwrap(), 5);
    assert_eq!(cart_trips(100.0, 1900.0, 500.0, 400.0).unwrap(), 5);
    assert_eq!(cart_trips(1000.0, 0.0, 500.0, 400.0).unwrap(), 2);
    assert_eq!(cart_trips(0.0, 0.0, 500.0, 400.0).unwrap(), 0);
    assert_eq!(places(cart_trips(-1.0, f64::NAN, 0.0, -1.0)), ["mass_kg", "volume_l", "payload_kg", "bed_l"]);
}

/// 10.5 t at 5 % water are 10 t of dry sand; a fifth is lost on the way; stock goes first.
#[test]
fn loads_by_hand() {
    let buying = Buying { moisture: 0.05, waste: 0.2, stock_dry_t: 4.0, load_t: 10.5 };
    let days = buying.deliveries(&[8.0, 0.0, 20.0]).unwrap();
    let found: Vec<_> = days.iter().map(|day| (day.loads, day.sand_dry_t)).collect();
    assert_eq!(found, [(1, 8.0), (0, 0.0), (3, 20.0)]);
    for (day, (wasted, delivered, stock)) in days.iter().zip([(2.0, 10.5, 4.0), (0.0, 0.0, 4.0), (5.0, 31.5, 9.0)]) {
        assert_relative_eq!(day.wasted_dry_t, wasted, epsilon = 1e-12);
        assert_relative_eq!(day.delivered_moist_t, delivered, epsilon = 1e-12);
        assert_relative_eq!(day.stock_dry_t, stock, epsilon = 1e-12);
    }
    let bad = Buying { moisture: 1.0, waste: 1.0, stock_dry_t: -1.0, load_t: 0.0 };
    assert_eq!(places(bad.deliveries(&[-1.0])), ["moisture", "waste", "stock_dry_t", "load_t", "needs_dry_t[0]"]);
}

/// Two dressings of two passes of 1 mm each: the first goes down the holes whole, and most of the second.
#[test]
fn sand_of_a_day_adds_up() {
    let date = chrono::NaiveDate::from_ymd_opt(2014, 4, 10).unwrap();
    let cores = coring(12.7, (50.0, 50.0), 75.0, 1);
    let room = Work::Coring(cores).hole_volume_mm() * 0.9 * 1600.0;
    let dressing = Work::Topdressing(Topdressing { sand_g_m2: 3200.0, passes: 2, picked_up_share: 0.0 });
    let injected = Work::SandInjection(SandInjection { sand_g_m2: 4000.0, from_mm: 0.0, to_mm: 150.0 });
    let work = [Work::Coring(cores), dressing, dressing, injected].map(|work| Dated { date, work });
    let days = sand_by_day(&work, 0.9, 1.0).unwrap();
    assert_eq!(days.len(), 1);
    let day = days[0];
    assert_eq!((day.sand_g_m2, day.passes, day.passes_needed), (10_400.0, 5, 5));
    assert_relative_eq!(day.in_holes_g_m2, room + 4000.0, max_relative = 1e-12);
    assert_relative_eq!(day.on_surface_g_m2, 6400.0 - room, max_relative = 1e-12);
    assert_relative_eq!(day.thickest_layer_g_m2, (6400.0 - room).min(1600.0), max_relative = 1e-12);
    assert_eq!(day.room_left_g_m2, 0.0);
    // A drag that takes 2 mm needs one pass for each dressing.
    assert_eq!(sand_by_day(&work, 0.9, 2.0).unwrap()[0].passes_needed, 3);
    // Without holes all of it lies on the surface, a millimetre from each pass.
    let bare = sand_by_day(&[Dated { date, work: dressing }], 0.9, 1.0).unwrap()[0];
    assert_eq!((bare.on_surface_g_m2, bare.thickest_layer_g_m2), (3200.0, 1600.0));
    // Cores worked back in take their own room first.
    let back = Work::Coring(Coring { returned_mineral_share: 0.5, ..cores });
    let days = sand_by_day(&[back, dressing].map(|work| Dated { date, work }), 0.9, 1.0).unwrap();
    let left = Work::Coring(cores).hole_volume_mm() * (0.9 - 0.5) * 1600.0;
    assert_relative_eq!(days[0].in_holes_g_m2, left, max_relative = 1e-12);
    assert_eq!(places(sand_by_day(&[], 1.5, 0.0)), ["fill_fraction", "draggable_mm"]);
}

#[test]
fn a_day_that_cannot_be_worked_says_why() {
    let step =
        |name: &str, machine, people, hours: &[f64]| Step { name: name.into(), machine, people, hours: hours.to_vec() };
    let steps = [
        step("core", Some(1), 3, &[1.0, -1.0]),
        step("rake", None, 0, &[1.0]),
        step("sweep", Some(0), 2, &[f64::NAN, 0.0]),
    ];
    assert_eq!(
        places(schedule(&steps, &[1], 2)),
        ["core.people", "core.machines", "core.hours", "rake.people", "rake.hours", "sweep.hours"]
    );
    // Nobody waits who could work.
    let slots =
        schedule(&[step("core", Some(0), 2, &[1.0, 1.0]), step("rake", None, 1, &[2.0, 0.0])], &[1], 3).unwrap();
    let found: Vec<_> = slots.iter().map(|s| (s.step, s.green, s.from_h, s.to_h)).collect();
    assert_eq!(found, [(0, 0, 0.0, 1.0), (1, 0, 1.0, 3.0), (0, 1, 1.0, 2.0)]);
    // One machine does one green at a time, however many people there are.
    let slots = schedule(&[step("core", Some(0), 1, &[1.0, 1.0])], &[1], 4).unwrap();
    assert_eq!(slots.iter().map(|s| s.from_h).collect::<Vec<_>>(), [0.0, 1.0]);
    // It is busy for as long as it works, whoever else is done.
    let steps = [step("core", Some(0), 1, &[2.0, 0.0, 1.0]), step("rake", None, 1, &[0.0, 1.0, 0.0])];
    let slots = schedule(&steps, &[1], 4).unwrap();
    assert_eq!(slots.iter().map(|s| s.from_h).collect::<Vec<_>>(), [0.0, 0.0, 2.0]);
    // One of two people rakes: a step for two waits.
    let slots =
        schedule(&[step("rake", None, 1, &[2.0, 0.0]), step("core", Some(0), 2, &[0.0, 1.0])], &[1], 2).unwrap();
    assert_eq!(slots.iter().map(|s| s.from_h).collect::<Vec<_>>(), [0.0, 2.0]);
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]

    #[test]
    fn union_lies_between_the_largest_and_the_sum(shares in prop::collection::vec(0.0..=1.0f64, 0..8)) {
        let union = union_share(shares.iter().copied());
        let largest = shares.iter().copied().fold(0.0, f64::max);
        prop_assert!(union >= largest - 1e-12 && union <= shares.iter().sum::<f64>().min(1.0) + 1e-12);
    }

    #[test]
    fn passes_are_enough_and_not_one_too_many(volume in 0.0..50.0f64, fill in 0.0..=1.0f64, each in 0.05..5.0f64) {
        let passes = f64::from(passes_to_fill(volume, fill, each).unwrap());
        prop_assert!(passes * each >= volume * fill * (1.0 - 1e-9));
        prop_assert!((passes - 1.0) * each <= volume * fill * (1.0 + 1e-9));
    }
}
