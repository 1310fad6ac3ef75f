//! The engine against closed forms (shared model, section 9), its ledger, and itself at a finer grain.

use approx::assert_relative_eq;
use chrono::{Datelike, Days, NaiveDate};
use matledger::column::{Densities, LitterDepths, Profile, Sample};
use matledger::engine::{Dated, Layout, Member, Outcome, Plan, Scenario, run};
use matledger::number::Dual;
use matledger::practice::tine::Tine;
use matledger::practice::work::{Coring, SandInjection, SolidTining, Topdressing, VerticalMowing, Work};
use proptest::prelude::*;

fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

fn topdressing(sand_mm: f64) -> Work {
    Work::Topdressing(Topdressing { sand_g_m2: sand_mm * 1600.0, passes: 1, picked_up_share: 0.0 })
}

fn coring(bore_mm: f64, depth_mm: f64) -> Work {
    Work::Coring(Coring {
        tine: Tine { inside_diameter_mm: bore_mm },
        spacing_mm: (50.0, 50.0),
        depth_mm,
        depth_sd_mm: 0.0,
        passes: 1,
        returned_mineral_share: 0.0,
        returned_om_share: 0.0,
        holes_open_days: 14,
    })
}

/// Years of a warm season: clippings and decay that rise and fall, days from 1 January 2012.
struct Weather {
    clippings: Vec<f64>,
    modifier: Vec<f64>,
}

impl Weather {
    fn new(days: usize) -> Self {
        let season = |d: usize| 0.5 - 0.5 * (2.0 * std::f64::consts::PI * d as f64 / 365.25).cos();
        Self {
            clippings: (0..days).map(|d| 1.0 * season(d)).collect(),
            modifier: (0..days).map(|d| 0.3 + 1.5 * season(d)).collect(),
        }
    }
    fn still(days: usize, clippings: f64, modifier: f64) -> Self {
        Self { clippings: vec![clippings; days], modifier: vec![modifier; days] }
    }
}

fn outcome(
    weather: &Weather,
    work: &[Dated],
    samples: &[(NaiveDate, Sample)],
    layout: Layout,
    member: &Member<f64>,
) -> Outcome<f64> {
    let scenario = Scenario {
        start: day(2012, 1, 1),
        clippings_g_m2: &weather.clippings,
        decay_modifier: &weather.modifier,
        work,
        recorded_before: day(2012, 1, 1),
        samples,
        profiles: &[],
        layout,
        nominal: member,
    };
    let plan = Plan::new(&scenario).unwrap();
    let outcome = run(&plan, member, |_, _| {}).unwrap();
    Outcome {
        readings: (0..samples.len()).map(|i| outcome.readings[plan.reading_of(i)]).collect(),
        surface_mm: (0..samples.len()).map(|i| outcome.surface_mm[plan.reading_of(i)]).collect(),
        years: outcome.years,
    }
}

fn window(top_mm: f64, bottom_mm: f64) -> Sample {
    Sample::Window { top_mm, bottom_mm }
}

fn undecaying() -> Member<f64> {
    let mut member = Member::typical();
    member.decay.young_per_year = 0.0;
    member.decay.old_per_year = 0.0;
    member
}

#[test]
fn without_decay_or_sand_om_rises_by_the_litter() {
    let weather = Weather::new(730);
    let member = undecaying();
    let total = outcome(&weather, &[], &[], Layout::default(), &member).total().unwrap();
    let litter = 3.0 * weather.clippings.iter().sum::<f64>();
    assert_relative_eq!(total.om.gained, litter, max_relative = 1e-12);
    assert_relative_eq!(total.om.end - total.om.start + total.om.below, litter, max_relative = 1e-12);
    assert_eq!(total.om.respired, 0.0);
}

#[test]
fn om_settles_at_the_two_pool_steady_state() {
    let mut member = Member::typical();
    member.decay.old_per_year = 0.5;
    member.root_share = 0.0;
    let weather = Weather::still(365 * 80, 0.4, 1.0);
    let total = outcome(&weather, &[], &[], Layout { stretch_days: 60, ..Layout::default() }, &member).total().unwrap();
    let input = 0.4 * 365.25 * 3.0;
    let young = input / member.decay.young_per_year;
    let old = member.decay.humified * input / member.decay.old_per_year;
    assert_relative_eq!(total.om.end, young + old, max_relative = 1e-6);
}

/// Sand `S` and net organic matter `N`, all at the surface, no decay: `N / (N + S)` wherever the new sand has passed.
#[test]
fn sand_dilutes_to_n_over_n_plus_s() {
    let member = Member { root_share: 0.0, ..undecaying() };
    let days = 365 * 15;
    let weather = Weather::still(days, 0.5, 1.0);
    let (sand_mm, every) = (0.3, 10);
    let work: Vec<Dated> = (0..days)
        .step_by(every)
        .map(|d| Dated { date: day(2012, 1, 1) + Days::new(d as u64), work: topdressing(sand_mm) })
        .collect();
    let layout = Layout {
        litter: LitterDepths { surface_mm: 0.3, root_scale_mm: 40.0 },
        fine_mm: 1.0,
        stretch_days: 5,
        ..Layout::default()
    };
    let end = day(2012, 1, 1) + Days::new(days as u64);
    let samples = [(end, window(5.0, 25.0)), (end, window(60.0, 90.0))];
    let read = outcome(&weather, &work, &samples, layout, &member).readings;
    let (n, s) = (0.5 * 3.0 * every as f64, sand_mm * 1600.0);
    for reading in read {
        assert_relative_eq!(reading.om_percent(), 100.0 * n / (n + s), max_relative = 2e-3);
    }
}

/// `n` corings of fraction `f`, filled to the top: `(1 - f)^n` of the old material is left within their reach.
#[test]
fn filled_corings_leave_one_minus_f_to_the_n() {
    let mut member = Member { fill_fraction: 1.0, ..undecaying() };
    member.profile = Profile { base_percent: 3.0, surface_percent: 0.0, scale_mm: 30.0 };
    let weather = Weather::still(400, 0.0, 1.0);
    let cored = coring(12.7, 100.0);
    let fraction = cored.area_fraction();
    let work: Vec<Dated> = (0..4)
        .flat_map(|n| {
            let date = day(2012, 1, 10) + Days::new(60 * n);
            [Dated { date, work: cored }, Dated { date, work: topdressing(fraction * 100.0) }]
        })
        .collect();
    let layout = Layout { coarse_mm: 2.5, ..Layout::default() };
    let end = day(2013, 2, 4);
    let run = outcome(&weather, &work, &[(end, window(5.0, 95.0)), (end, Sample::AboveRootZone)], layout, &member);
    let before = 3.0 / 100.0 * member.densities.mixed(0.03) * 90.0 * 1000.0;
    assert_relative_eq!(run.readings[0].om_g_m2 / before, (1.0 - fraction).powi(4), max_relative = 1e-3);
    assert!(run.surface_mm[0].abs() < 1.0, "sand for cores: the surface stays ({} mm)", run.surface_mm[0]);
}

#[test]
fn cores_out_without_sand_leave_the_percentage_and_lower_the_surface() {
    let mut member = undecaying();
    member.profile = Profile { base_percent: 4.0, surface_percent: 0.0, scale_mm: 30.0 };
    let weather = Weather::still(60, 0.0, 1.0);
    let work = [Dated { date: day(2012, 1, 5), work: coring(12.7, 80.0) }];
    let end = day(2012, 2, 20);
    let run = outcome(&weather, &work, &[(end, window(0.0, 50.0))], Layout::default(), &member);
    assert_relative_eq!(run.readings[0].om_percent(), 4.0, max_relative = 1e-12);
    assert_relative_eq!(run.surface_mm[0], -work[0].work.hole_volume_mm(), max_relative = 1e-9);
}

#[test]
fn holes_take_sand_before_the_surface_and_only_while_open() {
    let mut member = Member { fill_fraction: 0.5, ..undecaying() };
    member.profile.surface_percent = 0.0;
    let weather = Weather::still(60, 0.0, 1.0);
    let volume = coring(12.7, 80.0).hole_volume_mm();
    let fill = |sand_mm: f64, later: u64| {
        let date = day(2012, 1, 5);
        let work = [
            Dated { date, work: coring(12.7, 80.0) },
            Dated { date: date + Days::new(later), work: topdressing(sand_mm) },
        ];
        let end = day(2012, 2, 25);
        outcome(&weather, &work, &[(end, window(0.0, 1.0))], Layout::default(), &member)
    };
    let percent_of_top = |run: &Outcome<f64>| run.readings[0].om_percent();
    assert!(percent_of_top(&fill(0.4 * volume, 0)) > 0.9, "all of it went down the holes");
    assert!(percent_of_top(&fill(0.5 * volume + 1.0, 0)) < 0.1, "the rest made a clean millimetre");
    assert!(percent_of_top(&fill(0.4 * volume, 10)) > 0.9, "still open");
    assert!(percent_of_top(&fill(0.4 * volume, 20)) < 0.1, "closed");
}

#[test]
fn solid_tines_and_blades_and_injection_do_what_they_say() {
    let member = undecaying();
    let weather = Weather::still(60, 0.0, 1.0);
    let date = day(2012, 1, 5);
    let total = |work: Vec<Work>| {
        let work: Vec<Dated> = work.into_iter().map(|work| Dated { date, work }).collect();
        outcome(&weather, &work, &[], Layout::default(), &member).total().unwrap()
    };
    let solid = Work::SolidTining(SolidTining {
        diameter_mm: 8.0,
        spacing_mm: (50.0, 50.0),
        depth_mm: 100.0,
        depth_sd_mm: 5.0,
        passes: 2,
        holes_open_days: 14,
    });
    let none_out = total(vec![solid, topdressing(2.0)]);
    assert_eq!(none_out.om.cored_out, 0.0);
    assert_relative_eq!(none_out.mineral.end - none_out.mineral.start, 3200.0, max_relative = 1e-9);

    let blades = VerticalMowing {
        blade_width_mm: 2.0,
        blade_spacing_mm: 25.0,
        depth_mm: 15.0,
        passes: 1,
        removed_share: 0.3,
        holes_open_days: 14,
    };
    let cut = total(vec![Work::VerticalMowing(blades)]);
    let cut_all = total(vec![Work::VerticalMowing(VerticalMowing { removed_share: 1.0, ..blades })]);
    assert!(cut.om.cored_out > 0.0);
    assert_relative_eq!(cut.om.cored_out, 0.3 * cut_all.om.cored_out, max_relative = 1e-9);

    let injected = total(vec![Work::SandInjection(SandInjection { sand_g_m2: 1500.0, from_mm: 10.0, to_mm: 60.0 })]);
    assert_relative_eq!(injected.mineral.gained, 1500.0, max_relative = 1e-9);

    let recycled = Coring {
        returned_mineral_share: 0.9,
        returned_om_share: 0.5,
        ..match coring(12.7, 80.0) {
            Work::Coring(c) => c,
            _ => unreachable!(),
        }
    };
    let (all, some) = (total(vec![coring(12.7, 80.0)]), total(vec![Work::Coring(recycled)]));
    assert_relative_eq!(some.mineral.cored_out, 0.1 * all.mineral.cored_out, max_relative = 1e-9);
    assert_relative_eq!(some.om.cored_out, 0.5 * all.om.cored_out, max_relative = 1e-9);
}

#[test]
fn mowers_pick_up_their_share_of_what_stays_on_the_surface() {
    let weather = Weather::still(30, 0.0, 1.0);
    let dressed = Work::Topdressing(Topdressing { sand_g_m2: 1000.0, passes: 2, picked_up_share: 0.03 });
    let work = [Dated { date: day(2012, 1, 5), work: dressed }];
    let total = outcome(&weather, &work, &[], Layout::default(), &undecaying()).total().unwrap();
    assert_relative_eq!(total.mineral.mown_out, 30.0, max_relative = 1e-12);
    assert_relative_eq!(total.mineral.end - total.mineral.start, 970.0, max_relative = 1e-9);
}

#[test]
fn the_spread_of_depth_blurs_the_lower_end_and_keeps_the_mean() {
    let member = undecaying();
    let weather = Weather::still(30, 0.0, 1.0);
    let cut = |sd: f64| {
        let Work::Coring(c) = coring(12.7, 60.0) else { unreachable!() };
        let work = [Dated { date: day(2012, 1, 5), work: Work::Coring(Coring { depth_sd_mm: sd, ..c }) }];
        outcome(&weather, &work, &[], Layout::default(), &member).total().unwrap()
    };
    assert_relative_eq!(cut(0.0).mineral.cored_out, cut(10.0).mineral.cored_out, max_relative = 5e-3);
}

/// A programme of every kind of work for a random run.
fn any_work(days: u64) -> impl Strategy<Value = Vec<Dated>> {
    let one = prop_oneof![
        (6.0..20.0f64, 20.0..140.0f64, 0.0..15.0f64, 1u32..3, 0.0..1.0f64, 0.0..1.0f64).prop_map(
            |(bore, depth_mm, depth_sd_mm, passes, returned_mineral_share, returned_om_share)| Work::Coring(Coring {
                tine: Tine { inside_diameter_mm: bore },
                spacing_mm: (40.0, 50.0),
                depth_mm,
                depth_sd_mm,
                passes,
                returned_mineral_share,
                returned_om_share,
                holes_open_days: 10,
            })
        ),
        (5.0..15.0f64, 20.0..140.0f64).prop_map(|(diameter_mm, depth_mm)| Work::SolidTining(SolidTining {
            diameter_mm,
            spacing_mm: (30.0, 30.0),
            depth_mm,
            depth_sd_mm: 4.0,
            passes: 1,
            holes_open_days: 14,
        })),
        (1.0..3.0f64, 5.0..35.0f64, 0.0..1.0f64).prop_map(|(blade_width_mm, depth_mm, removed_share)| {
            Work::VerticalMowing(VerticalMowing {
                blade_width_mm,
                blade_spacing_mm: 25.0,
                depth_mm,
                passes: 1,
                removed_share,
                holes_open_days: 7,
            })
        }),
        (100.0..4000.0f64, 0.0..50.0f64, 10.0..80.0f64).prop_map(|(sand_g_m2, from_mm, more)| {
            Work::SandInjection(SandInjection { sand_g_m2, from_mm, to_mm: from_mm + more })
        }),
        (100.0..9000.0f64, 0.0..0.03f64).prop_map(|(sand_g_m2, picked_up_share)| {
            Work::Topdressing(Topdressing { sand_g_m2, passes: 1, picked_up_share })
        }),
    ];
    prop::collection::vec((0..days, one), 0..40).prop_map(|list| {
        list.into_iter().map(|(d, work)| Dated { date: day(2012, 1, 1) + Days::new(d), work }).collect()
    })
}

/// Unknowns from the whole of their priors, out to three standard deviations.
fn any_member() -> impl Strategy<Value = Member<f64>> {
    prop::collection::vec(-3.0..3.0f64, 12).prop_map(|z| {
        let typical = Member::typical();
        let log = |median: f64, sd: f64, z: f64| median * (sd * z).exp();
        let logit = |median: f64, sd: f64, z: f64| 1.0 / (1.0 + ((1.0 - median) / median) * (-sd * z).exp());
        let mut member = typical.clone();
        member.litter_ratio = log(3.0, 0.6, z[0]);
        member.decay.young_per_year = log(1.0, 0.5, z[1]);
        member.decay.old_per_year = log(0.015, 0.8, z[2]);
        member.decay.humified = logit(0.3, 0.5, z[3]);
        member.fill_fraction = logit(0.6, 0.8, z[4]);
        member.root_share = logit(0.3, 0.5, z[5]);
        member.young_share = logit(0.3, 0.5, z[6]);
        member.densities = Densities { om: log(0.244, 0.2, z[7]), ..typical.densities };
        member.sand_scale = log(1.0, 0.07, z[8]);
        member.profile = Profile {
            base_percent: log(1.2, 0.5, z[9]),
            surface_percent: log(2.5, 0.7, z[10]),
            scale_mm: log(30.0, 0.5, z[11]),
        };
        member.year_multipliers = vec![1.1, 0.9];
        member
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// The ledger closes (checked inside `run` to 1e-9), every mass stays non-negative, shares and thickness finite.
    #[test]
    fn every_gram_is_accounted_for(member in any_member(), work in any_work(900), stretch_days in 1usize..40) {
        let weather = Weather::new(900);
        let typical = Member::typical();
        let scenario = Scenario {
            start: day(2012, 1, 1),
            clippings_g_m2: &weather.clippings,
            decay_modifier: &weather.modifier,
            work: &work,
            recorded_before: day(2013, 1, 1),
            samples: &[(day(2014, 1, 1), window(0.0, 60.0)), (day(2014, 1, 1), Sample::AboveRootZone)],
            profiles: &[day(2013, 6, 1), day(2014, 6, 1)],
            layout: Layout { stretch_days, ..Layout::default() },
            nominal: &typical,
        };
        let plan = Plan::new(&scenario).unwrap();
        let mut least = f64::INFINITY;
        let outcome = run(&plan, &member, |_, column| {
            for pool in [&column.mineral, &column.young, &column.old, &column.hole_mm] {
                least = pool.iter().fold(least, |a, &b| a.min(b));
            }
        }).unwrap();
        prop_assert!(least >= -1e-9, "a parcel holds {least}");
        prop_assert_eq!(outcome.years.len(), 3);
        let years: Vec<_> = outcome.years.windows(2).collect();
        for pair in years {
            prop_assert_eq!(pair[0].om.end, pair[1].om.start);
        }
        for reading in outcome.readings {
            prop_assert!((0.0..=100.0).contains(&reading.om_percent()));
        }
    }

    /// More sand never raises the percentage in the window that it reached.
    #[test]
    fn more_sand_never_raises_the_percentage(member in any_member(), sand_mm in 0.2..3.0f64) {
        let weather = Weather::new(800);
        let read = |sand_mm: f64| {
            let work: Vec<Dated> = (0..8)
                .map(|n| Dated { date: day(2012, 3, 1) + Days::new(60 * n), work: topdressing(sand_mm) })
                .collect();
            outcome(&weather, &work, &[(day(2014, 1, 1), window(0.0, 20.0))], Layout::default(), &member).readings[0].om_percent()
        };
        prop_assert!(read(sand_mm * 1.2) <= read(sand_mm) + 2e-2);
    }
}

fn reference_case(layout: Layout) -> (Plan, Vec<f64>) {
    let weather = Weather::new(3653);
    let mut work = Vec::new();
    for year in 2012..2022 {
        for date in [day(year, 4, 10), day(year, 9, 12)] {
            work.push(Dated { date, work: coring(12.7, 75.0) });
            work.push(Dated { date, work: topdressing(4.0) });
        }
        for n in 0..13 {
            work.push(Dated { date: day(year, 5, 1) + Days::new(14 * n), work: topdressing(0.3) });
        }
    }
    let samples: Vec<_> = (2013..2022)
        .flat_map(|year| {
            let date = day(year, 1, 1);
            [(date, window(0.0, 20.0)), (date, window(20.0, 40.0)), (date, window(40.0, 80.0))]
        })
        .collect();
    let member = Member::typical();
    let scenario = Scenario {
        start: day(2012, 1, 1),
        clippings_g_m2: &weather.clippings,
        decay_modifier: &weather.modifier,
        work: &work,
        recorded_before: day(2012, 1, 1),
        samples: &samples,
        profiles: &[],
        layout,
        nominal: &member,
    };
    let plan = Plan::new(&scenario).unwrap();
    let outcome = run(&plan, &member, |_, _| {}).unwrap();
    let percent = (0..samples.len()).map(|i| outcome.readings[plan.reading_of(i)].om_percent()).collect();
    (plan, percent)
}

fn largest_difference(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

/// Coarser parcels and longer stretches stay near the daily scheme with parcels of half a millimetre.
#[test]
fn coarser_runs_stay_near_the_fine_daily_scheme() {
    let fine = reference_case(Layout { fine_mm: 0.5, coarse_mm: 0.5, ..Layout::default() }).1;
    let daily = reference_case(Layout::default()).1;
    let fortnights = reference_case(Layout { stretch_days: 14, ..Layout::default() }).1;
    let (by_parcels, by_stretch) = (largest_difference(&fine, &daily), largest_difference(&daily, &fortnights));
    println!("parcels of 2.5 mm: {by_parcels:.4} % OM; stretches of 14 days: {by_stretch:.4} % OM");
    assert!(by_parcels < 0.05, "{by_parcels}");
    assert!(by_stretch < 0.01, "{by_stretch}");
}

/// Derivatives carried through a whole run against central differences.
#[test]
fn derivatives_agree_with_differences() {
    let (plan, _) = reference_case(Layout { stretch_days: 10, ..Layout::default() });
    let base = Member::typical();
    let set = |member: &mut Member<f64>, i: usize, by: f64| match i {
        0 => member.litter_ratio += by,
        1 => member.decay.young_per_year += by,
        2 => member.decay.old_per_year += by,
        3 => member.decay.humified += by,
        4 => member.fill_fraction += by,
        5 => member.root_share += by,
        6 => member.densities.om += by,
        _ => member.profile.scale_mm += by,
    };
    let mut dual: Member<Dual<8>> = base.lift();
    dual.litter_ratio = Dual::variable(base.litter_ratio, 0);
    dual.decay.young_per_year = Dual::variable(base.decay.young_per_year, 1);
    dual.decay.old_per_year = Dual::variable(base.decay.old_per_year, 2);
    dual.decay.humified = Dual::variable(base.decay.humified, 3);
    dual.fill_fraction = Dual::variable(base.fill_fraction, 4);
    dual.root_share = Dual::variable(base.root_share, 5);
    dual.densities.om = Dual::variable(base.densities.om, 6);
    dual.profile.scale_mm = Dual::variable(base.profile.scale_mm, 7);
    let exact = run(&plan, &dual, |_, _| {}).unwrap();
    for i in 0..8 {
        let step = 1e-5;
        let at = |by: f64| {
            let mut member = base.clone();
            set(&mut member, i, by);
            run(&plan, &member, |_, _| {}).unwrap()
        };
        let (up, down) = (at(step), at(-step));
        for (n, reading) in exact.readings.iter().enumerate() {
            let by_difference = (up.readings[n].om_percent() - down.readings[n].om_percent()) / (2.0 * step);
            let by_dual = reading.om_percent().derivative[i];
            assert_relative_eq!(by_dual, by_difference, epsilon = 2e-6, max_relative = 2e-4);
        }
    }
}

#[test]
fn a_bad_scenario_is_refused_whole() {
    let member = Member::typical();
    let scenario = Scenario {
        start: day(2012, 1, 1),
        clippings_g_m2: &[1.0, f64::NAN, 1.0],
        decay_modifier: &[1.0, 1.0],
        work: &[Dated { date: day(2013, 1, 1), work: coring(-12.7, 750.0) }],
        recorded_before: day(2012, 1, 1),
        samples: &[(day(2011, 1, 1), window(20.0, 10.0))],
        profiles: &[],
        layout: Layout::default(),
        nominal: &member,
    };
    let text = Plan::new(&scenario).unwrap_err().to_string();
    for part in [
        "2 days",
        "clippings_g_m2 on 2012-01-02: NaN",
        "coring on 2013-01-01",
        "750",
        "inside_diameter_mm: -12.7",
        "2011-01-01",
        "20 to 10 mm",
    ] {
        assert!(text.contains(part), "{part:?} is missing in:\n{text}");
    }
    assert_eq!(text.lines().count(), 7, "{text}");
    let _ = day(2012, 1, 1).year();
}
