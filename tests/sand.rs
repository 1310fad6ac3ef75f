//! Sand against published worked examples (tests/checks), and its mass from order to column.

use approx::assert_relative_eq;
use chrono::{Days, NaiveDate};
use matledger::column::Sample;
use matledger::engine::sand_shares::follow_sands;
use matledger::engine::{Dated, Layout, Member, Plan, Scenario, run};
use matledger::practice::order::{Buying, sand_by_day};
use matledger::practice::work::{SAND_BULK_DENSITY_G_CM3, Work};
use matledger::practice::work_day::{Step, schedule};
use matledger::sand::sieve::{US_SIEVES, USDA_CLASSES, USGA_CLASSES, us_sieve_mm};
use matledger::sand::{Grading, Layering, Limit, Specification, layering};
use matledger::{Error, practice};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::collections::HashMap;

mod common;
use common::{coring, day, topdressing};

fn rows(file: &str) -> Vec<HashMap<String, String>> {
    let path = format!("{}/tests/checks/{file}.csv", env!("CARGO_MANIFEST_DIR"));
    csv::Reader::from_path(path).unwrap().deserialize().map(Result::unwrap).collect()
}

fn example(name: &str) -> Grading {
    let (mut sizes, mut retained, mut finest) = (Vec::new(), Vec::new(), 100.0);
    for row in rows("psd_worked_examples").iter().filter(|row| row["example"] == name) {
        if let (Ok(size), Ok(mass)) = (row["sieve_or_quantity"].parse(), row["retained_g"].parse::<f64>()) {
            sizes.push(size);
            retained.push(mass);
            finest = row["finer_pct_recomputed"].parse().unwrap();
        }
    }
    // The pan is not in the table: it follows from what is finer than the last sieve.
    let pan = retained.iter().sum::<f64>() * finest / (100.0 - finest);
    Grading::from_retained(sizes, &retained, Some(pan), None).unwrap()
}

fn of(quantity: &str, sand: &Grading) -> Option<f64> {
    match quantity.split(" (").next()? {
        "Cc" | "Cc=D30^2/(D10 D60)" => sand.curvature(),
        "Cu=D60/D10" => sand.uniformity(),
        "GI=D90/D10" => sand.gradation_index(),
        d => sand.d_mm(d.strip_prefix('D')?.parse().ok()?),
    }
}

#[test]
fn worked_examples_are_met() {
    let constructed = Grading::from_finer(vec![1.0, 0.5, 0.25, 0.15], vec![100.0, 100.0, 30.0, 10.0]).unwrap();
    // Two published ratios come with their sizes and no sieves: a grading that has just those sizes.
    let from_sizes = Grading::from_finer(vec![0.51, 0.29, 0.082], vec![60.0, 30.0, 10.0]).unwrap();
    let sands = [
        ("scribd_525588050_Q2", from_sizes),
        ("Das_Ex2.1", example("Das_Ex2.1")),
        ("Das_P2.1", example("Das_P2.1")),
        ("USGA_fine_limit_constructed", constructed),
    ];
    let mut met = 0;
    for (name, sand) in &sands {
        for row in rows("psd_worked_examples").iter().filter(|row| row["example"] == *name) {
            let quantity = &row["sieve_or_quantity"];
            if let Ok(size) = quantity.parse() {
                let expected: f64 = row["finer_pct_recomputed"].parse().unwrap();
                assert_relative_eq!(sand.finer(size).unwrap().percent, expected, epsilon = 2e-4);
                let published: f64 = row["published"].parse().unwrap();
                assert_relative_eq!(expected, published, epsilon = 0.06);
            } else {
                let expected: f64 = row["log_interp"].parse().unwrap();
                assert_relative_eq!(of(quantity, sand).unwrap(), expected, max_relative = 2e-5);
            }
            met += 1;
        }
    }
    assert_eq!(met, 44);
}

#[test]
fn layers_are_judged_as_published() {
    let sand = example("Das_Ex2.1");
    for row in rows("gravel_criteria_examples") {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        // A gravel with the published D15 and D90, straight between them on the curve.
        let (d15, d90) = (number("gr_D15"), number("gr_D90"));
        let gravel = Grading::from_finer(vec![50.0, d90, d15, 0.01], vec![100.0, 90.0, 15.0, 0.0]).unwrap();
        let found = Layering::new(&sand, &gravel).unwrap();
        assert!(found.finer_above);
        for (value, name) in [
            (found.bridging, "bridging_ratio"),
            (found.permeability, "permeability_ratio"),
            (found.uniformity, "uniformity_ratio"),
        ] {
            assert_relative_eq!(value, number(name), max_relative = 1e-5);
        }
        let held =
            [found.bridges(), found.drains(), found.is_uniform()].map(|held| if held { "True" } else { "False" });
        assert_eq!(
            held,
            ["bridging_ok_le8", "permeability_ok_ge5", "uniformity_ok_le3"].map(|name| row[name].as_str())
        );
        let reverse = Layering::new(&gravel, &sand).unwrap();
        assert!(!reverse.finer_above);
        assert_eq!(reverse.bridging, found.bridging);
    }
    let filter: Vec<f64> = rows("filter_example_usace")
        .iter()
        .filter_map(|row| row["published_result"].strip_suffix(" mm")?.parse().ok())
        .collect();
    let (least, most) = layering::filter_d15_mm(0.17, 1.5);
    assert_relative_eq!(least, filter[2]);
    assert_relative_eq!(most, filter[0].min(filter[1]));
    assert_relative_eq!(layering::filter_d15_mm(1.0, 1.5).1, filter[1]);
}

#[test]
fn sieves_and_classes_are_the_published_ones() {
    for row in rows("sieve_openings") {
        let (number, opening): (u32, f64) = (row["us_sieve_no"].parse().unwrap(), row["opening_mm"].parse().unwrap());
        assert_eq!(us_sieve_mm(number), Some(opening), "sieve {number}");
    }
    assert!(US_SIEVES.windows(2).all(|pair| pair[0].1 > pair[1].1));
    for row in rows("size_classes") {
        let classes: &[(&str, f64, f64)] = if row["system"] == "USDA" { &USDA_CLASSES } else { &USGA_CLASSES };
        let wanted: (&str, f64, f64) =
            (row["class"].as_str(), row["lower_mm"].parse().unwrap(), row["upper_mm"].parse().unwrap());
        assert!(classes.contains(&wanted), "{wanted:?}");
    }
}

#[test]
fn root_zone_table_is_the_published_one() {
    let ours = Specification::usga_root_zone();
    let published: Vec<_> = rows("rootzone_spec").into_iter().filter(|row| row["group"] == "rootzone_psd").collect();
    assert_eq!(ours.limits().len(), published.len());
    for row in published {
        let number = |name: &str| row[name].parse::<f64>().ok();
        let wanted = (number("lower_mm"), number("upper_mm"), number("min"), number("max"));
        let found = ours
            .limits()
            .iter()
            .any(|l| (Some(l.lower_mm), Some(l.upper_mm), l.least_percent, l.most_percent) == wanted);
        assert!(found, "{wanted:?}");
    }
    assert!(Specification::new(ours.limits().to_vec()).is_ok());
}

fn usga_like(finer: [f64; 8]) -> Grading {
    Grading::from_finer(vec![3.35, 2.0, 1.0, 0.5, 0.25, 0.15, 0.053, 0.002], finer.to_vec()).unwrap()
}

#[test]
fn limits_are_held_to_the_edge_and_no_further() {
    let specification = Specification::usga_root_zone();
    let broken = |sand: &Grading| -> Vec<usize> {
        let checked = specification.check(sand);
        assert!(checked.iter().all(|c| c.measured));
        checked.iter().enumerate().filter(|(_, c)| c.held == Some(false)).map(|(i, _)| i).collect()
    };
    assert!(broken(&usga_like([100.0, 97.0, 90.0, 60.0, 30.0, 10.0, 5.0, 2.0])).is_empty());
    assert_eq!(broken(&usga_like([100.0, 96.9, 90.0, 60.0, 30.0, 10.0, 5.0, 2.0])), [0]);
    assert_eq!(broken(&usga_like([100.0, 97.0, 89.9, 60.0, 29.9, 10.0, 5.0, 2.0])), [1]);
    assert_eq!(broken(&usga_like([100.0, 97.0, 90.0, 60.0, 31.0, 10.0, 5.0, 2.0])), [2, 3]);
    // Without a pipette silt and clay are not told apart, but 0.5 % finer than sieve 270 breaks neither limit.
    let sieved = Grading::from_finer(
        vec![3.35, 2.0, 1.0, 0.5, 0.25, 0.15, 0.053],
        vec![100.0, 99.0, 95.0, 60.0, 15.0, 3.0, 0.5],
    )
    .unwrap();
    let checked = specification.check(&sieved);
    assert_eq!((checked[5].percent, checked[5].held), (None, Some(true)));
    assert_eq!(checked[6].held, Some(true));
    let dirty = Grading::from_finer(
        vec![3.35, 2.0, 1.0, 0.5, 0.25, 0.15, 0.053],
        vec![100.0, 99.0, 95.0, 60.0, 15.0, 9.0, 7.0],
    )
    .unwrap();
    assert_eq!((specification.check(&dirty)[5].held, specification.check(&dirty)[6].held), (None, None));
}

#[test]
fn the_envelope_is_what_the_limits_allow() {
    let envelope = Specification::usga_root_zone().envelope();
    let at = |size: f64| envelope.iter().find(|(known, ..)| *known == size).unwrap();
    assert_eq!((at(1.0).1, at(1.0).2), (90.0, 100.0));
    assert_eq!((at(0.25).1, at(0.25).2), (0.0, 30.0));
    assert_eq!((at(0.15).1, at(0.15).2), (0.0, 10.0));
    assert_eq!((at(3.4).1, at(3.4).2), (100.0, 100.0));
}

fn problems<T: std::fmt::Debug>(result: matledger::Result<T>) -> String {
    match result {
        Err(error @ Error::Input(_)) => error.to_string(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn bad_analyses_are_refused_plainly() {
    let told = problems(Grading::from_retained(vec![0.25, 0.5], &[10.0, 20.0], Some(1.0), None));
    assert!(told.contains("sizes_mm[1]: 0.5; expected a size below 0.25 mm: sieves coarse to fine"), "{told}");
    let told = problems(Grading::from_retained(vec![0.5, 0.25], &[40.0, 50.0], Some(7.0), Some(100.0)));
    assert!(
        told.contains("97.0 g on the sieves and in the pan, 3.0 % off; expected the mass of the sample (100 g)"),
        "{told}"
    );
    assert!(Grading::from_retained(vec![0.5, 0.25], &[40.0, 50.0], Some(8.1), Some(100.0)).is_ok());
    let told = problems(Grading::from_cumulative(vec![0.5, 0.25], &[40.0, 30.0], None, Some(100.0)));
    assert!(told.contains("cumulative_g[1]: 30; expected at least as much as on the sieve above (40 g)"), "{told}");
    problems(Grading::from_retained(vec![0.5], &[f64::NAN], Some(1.0), None));
    problems(Grading::from_retained(vec![0.5], &[1.0], None, None));
    problems(Grading::from_finer(vec![0.5, 0.25], vec![10.0, 20.0]));
    let limit = |name: &str, lower_mm, upper_mm| Limit {
        name: name.into(),
        lower_mm,
        upper_mm,
        least_percent: None,
        most_percent: Some(20.0),
    };
    let told = problems(Specification::new(vec![limit("fines", 0.0, 0.15), limit("coarse", 0.5, 1.0)]));
    assert!(told.contains("no class from 0.15 to 0.5 mm; expected a class for every size"), "{told}");
}

#[test]
fn a_mixture_lies_between_its_sands() {
    let coarse = usga_like([100.0, 98.0, 85.0, 30.0, 8.0, 2.0, 1.0, 0.0]);
    let fine = usga_like([100.0, 100.0, 99.0, 80.0, 28.0, 6.0, 2.0, 0.0]);
    let half = Grading::mixed(&[(&coarse, 500.0), (&fine, 500.0)]).unwrap();
    assert_eq!(half.finer(0.5).unwrap().percent, 55.0);
    assert_eq!(Grading::mixed(&[(&coarse, 1.0), (&fine, 0.0)]).unwrap(), coarse);
    for k in 1..200 {
        // Rounding of the masses must not lift a percentage above 100.
        let mix = Grading::mixed(&[(&coarse, 0.1 * f64::from(k)), (&fine, 0.7), (&half, 1.1)]).unwrap();
        Grading::from_finer(mix.sizes_mm().to_vec(), mix.finer_percent().to_vec()).unwrap();
    }
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(7), ..ProptestConfig::default() })]

    #[test]
    fn d_values_read_the_curve_back(masses in prop::collection::vec(0.0..100.0_f64, 5), pan in 0.1..20.0_f64, percent in 1.0..99.0_f64) {
        prop_assume!(masses.iter().sum::<f64>() > 1.0);
        let sand = Grading::from_retained(vec![2.0, 1.0, 0.5, 0.25, 0.1], &masses, Some(pan), None).unwrap();
        if let Some(size) = sand.d_mm(percent) {
            // Off the sieves, where none stands for a neighbouring size.
            if let Some(found) = sand.finer(size).filter(|found| !found.measured) {
                prop_assert!((found.percent - percent).abs() < 1e-6);
            }
        }
        let classes = [(0.0, 0.1), (0.1, 0.25), (0.25, 0.5), (0.5, 1.0), (1.0, 2.0)];
        let total: f64 = classes.iter().map(|(lower, upper)| sand.between(*lower, *upper).unwrap().percent).sum();
        prop_assert!((total - sand.finer(2.0).unwrap().percent).abs() < 1e-9);
    }
}

struct Green {
    clippings: Vec<f64>,
    modifier: Vec<f64>,
    work: Vec<Dated>,
}

fn seasons(returned: f64) -> Green {
    let days = 1461;
    let mut work = Vec::new();
    for year in 2012..2016 {
        let mut cores = coring(12.7, 75.0);
        if let Work::Coring(coring) = &mut cores {
            coring.returned_mineral_share = returned;
        }
        work.push(Dated { date: day(year, 4, 10), work: cores });
        work.extend([2.0, 1.5].map(|mm| Dated { date: day(year, 4, 10), work: topdressing(mm) }));
        work.push(Dated { date: day(year, 4, 20), work: topdressing(1.0) });
        work.extend((0..8).map(|n| Dated { date: day(year, 5, 10) + Days::new(14 * n), work: topdressing(0.4) }));
    }
    Green { clippings: vec![0.5; days], modifier: vec![1.0; days], work }
}

impl Green {
    fn plan(&self, member: &Member<f64>) -> Plan {
        Plan::new(&Scenario {
            start: day(2012, 1, 1),
            clippings_g_m2: &self.clippings,
            decay_modifier: &self.modifier,
            work: &self.work,
            recorded_before: day(2012, 1, 1),
            samples: &[
                (day(2013, 1, 1), Sample::Window { top_mm: 0.0, bottom_mm: 20.0 }),
                (day(2016, 1, 1), Sample::Window { top_mm: 0.0, bottom_mm: 20.0 }),
            ],
            profiles: &[],
            layout: Layout { stretch_days: 15, ..Layout::default() },
            nominal: member,
        })
        .unwrap()
    }
}

#[test]
fn sand_is_conserved_from_order_to_column() {
    let member = Member::typical();
    let green = seasons(0.0);
    let plan = green.plan(&member);
    let ordered = sand_by_day(&green.work, member.fill_fraction, 1.0).unwrap();
    let brought: f64 = ordered.iter().map(|day| day.sand_g_m2).sum();
    let on_surface: f64 = ordered.iter().map(|day| day.on_surface_g_m2).sum();
    let in_holes: f64 = ordered.iter().map(|day| day.in_holes_g_m2).sum();
    assert_relative_eq!(brought, in_holes + on_surface, max_relative = 1e-12);
    let ledger = run(&plan, &member, |_, _| {}).unwrap().total().unwrap().mineral;
    assert_relative_eq!(ledger.gained, brought, max_relative = 1e-12);
    // Mowers take 1 % of what is left on the surface, so the engine's holes took what the order says.
    assert_relative_eq!(ledger.mown_out, 0.01 * on_surface, max_relative = 1e-9);

    let area_m2 = 500.0;
    let needs: Vec<f64> = ordered.iter().map(|day| day.sand_g_m2 * area_m2 / 1e6).collect();
    let buying = Buying { moisture: 0.05, waste: 0.03, stock_dry_t: 4.0, load_t: 15.0 };
    let deliveries = buying.deliveries(&needs).unwrap();
    let delivered: f64 = deliveries.iter().map(|d| d.delivered_moist_t).sum::<f64>() / 1.05;
    let used: f64 = deliveries.iter().map(|d| d.sand_dry_t + d.wasted_dry_t).sum();
    assert_relative_eq!(4.0 + delivered, used + deliveries.last().unwrap().stock_dry_t, max_relative = 1e-12);
    assert_relative_eq!(
        deliveries.iter().map(|d| d.sand_dry_t).sum::<f64>() * 1e6 / area_m2,
        ledger.gained,
        max_relative = 1e-12
    );

    let by: Vec<usize> =
        green.work.iter().filter(|d| d.work.sand_g_m2() > 0.0).enumerate().map(|(i, _)| 1 + i / 22).collect();
    let shares = follow_sands(&plan, &member, &by).unwrap();
    let total: f64 = shares.accounts.iter().map(|account| account.brought).sum();
    assert_relative_eq!(total, brought, max_relative = 1e-12);
    assert_relative_eq!(
        shares.accounts.iter().map(|a| a.cored_out).sum::<f64>(),
        ledger.cored_out,
        max_relative = 1e-9
    );
    assert_relative_eq!(shares.accounts.iter().map(|a| a.end).sum::<f64>(), ledger.end, max_relative = 1e-9);
}

#[test]
fn sands_are_told_apart_where_cores_are_worked_back_in() {
    let member = Member::typical();
    let green = seasons(0.8);
    let plan = green.plan(&member);
    let sanded = green.work.iter().filter(|d| d.work.sand_g_m2() > 0.0).count();
    let shares = follow_sands(&plan, &member, &vec![1; sanded]).unwrap();
    let outcome = run(&plan, &member, |_, _| {}).unwrap();
    for (held, reading) in shares.readings.iter().zip(&outcome.readings) {
        assert_relative_eq!(held.iter().sum::<f64>(), reading.mineral_g_m2, max_relative = 1e-9);
    }
    let share = |reading: &Vec<f64>| reading[1] / reading.iter().sum::<f64>();
    assert!(share(&shares.readings[0]) < share(&shares.readings[1]));
    assert!((0.5..1.0).contains(&share(&shares.readings[1])), "{}", share(&shares.readings[1]));
    // Which label a sand bears changes nothing.
    let two: Vec<usize> = (0..sanded).map(|i| 1 + i % 2).collect();
    let apart = follow_sands(&plan, &member, &two).unwrap();
    for (one, both) in shares.readings.iter().zip(&apart.readings) {
        assert_relative_eq!(one[1], both[1] + both[2], max_relative = 1e-9);
    }
}

#[test]
fn filled_holes_alone_hold_the_new_sand() {
    // Without litter and decay one coring, filled, leaves (1 - f) of the old sand in the holes' depth.
    let mut member = Member::typical();
    member.litter_ratio = 0.0;
    member.fill_fraction = 1.0;
    let mut green = seasons(0.0);
    green.clippings.fill(0.0);
    green.modifier.fill(0.0);
    let cores = coring(12.7, 75.0);
    let room = cores.hole_volume_mm();
    green.work =
        vec![Dated { date: day(2012, 4, 10), work: cores }, Dated { date: day(2012, 4, 10), work: topdressing(room) }];
    let shares = follow_sands(&green.plan(&member), &member, &[1]).unwrap();
    let reading = &shares.readings[1];
    let old_left = 1.0 - cores.area_share();
    // The window looks 20 mm below a surface that has not moved much; within it old mineral is thinned by (1 - f).
    let before = follow_sands(&seasons_without_work().plan(&member), &member, &[]).unwrap().readings[1][0];
    assert_relative_eq!(reading[0] / before, old_left, max_relative = 5e-3);
}

fn seasons_without_work() -> Green {
    Green { work: Vec::new(), clippings: vec![0.0; 1461], modifier: vec![0.0; 1461] }
}

#[test]
fn passes_that_fill_holes_are_three_or_four() {
    // Common practice, no source: three or four passes fill the holes of an ordinary coring.
    let work = [coring(12.7, 75.0), topdressing(3.4)].map(|work| Dated { date: day(2014, 4, 10), work });
    let days = sand_by_day(&work, 0.9, 1.0).unwrap();
    assert!((3..=4).contains(&days[0].passes_needed), "{days:?}");
    assert!(days[0].on_surface_g_m2 < 0.1 * days[0].sand_g_m2);
    assert_eq!(practice::spreading::spreader_swaths(4.6, 18.0).unwrap(), 4);
}

#[test]
fn holes_close_and_layers_grow_thick() {
    let at = |date: NaiveDate, work: Work| Dated { date, work };
    let (cored, late) = (day(2014, 4, 10), day(2014, 4, 24));
    let work = [at(cored, coring(12.7, 75.0)), at(late, topdressing(3.0))];
    let days = sand_by_day(&work, 0.9, 1.0).unwrap();
    assert_eq!(days[0].in_holes_g_m2, 0.0);
    assert_eq!((days[0].passes, days[0].passes_needed), (1, 3));
    assert_relative_eq!(days[0].thickest_layer_g_m2, 3.0 * SAND_BULK_DENSITY_G_CM3 * 1000.0);
    let in_time = [at(cored, coring(12.7, 75.0)), at(day(2014, 4, 23), topdressing(3.0))];
    assert!(sand_by_day(&in_time, 0.9, 1.0).unwrap()[0].in_holes_g_m2 > 0.9 * 4800.0);
}

proptest! {
    #![proptest_config(ProptestConfig { rng_seed: RngSeed::Fixed(7), ..ProptestConfig::default() })]

    #[test]
    fn no_one_works_twice_at_once(
        hours in prop::collection::vec(prop::collection::vec(0.0..2.0_f64, 6), 4),
        people in prop::collection::vec(1..4_u32, 4),
        crew in 3..6_u32,
    ) {
        let steps: Vec<Step> = hours.iter().zip(&people).enumerate()
            .map(|(i, (hours, people))| Step { name: format!("step {i}"), machine: Some(i / 2), people: *people, hours: hours.clone() })
            .collect();
        let slots = schedule(&steps, &[1, 2], crew).unwrap();
        for slot in &slots {
            let now: Vec<_> = slots.iter().filter(|s| s.from_h <= slot.from_h && s.to_h > slot.from_h).collect();
            prop_assert!(now.iter().map(|s| people[s.step]).sum::<u32>() <= crew);
            for (machine, there) in [1, 2].into_iter().enumerate() {
                prop_assert!(now.iter().filter(|s| s.step / 2 == machine).count() <= there);
            }
            for other in slots.iter().filter(|s| s.green == slot.green && s.step > slot.step) {
                prop_assert!(other.from_h >= slot.to_h);
            }
        }
        let done: f64 = slots.iter().map(|s| s.to_h - s.from_h).sum();
        prop_assert!((done - hours.iter().flatten().sum::<f64>()).abs() < 1e-9);
    }
}
