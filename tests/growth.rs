//! The growth floor: every gram of a record lands on its days, and a site's yield is as sure as its records allow.

use approx::assert_relative_eq;
use chrono::{Days, NaiveDate};
use matledger::Error;
use matledger::growth::clippings::{
    ClippingRecord, Grass, PRIOR_ANNUAL_G_M2, PRIOR_LOG_SD, SiteYield, YieldSource, annual_degree_days,
    daily_clippings, dry_g_m2, recorded_years, site_yield,
};
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

fn start() -> NaiveDate {
    NaiveDate::from_ymd_opt(2013, 1, 1).unwrap()
}

fn record(green: &str, from: u64, to: u64, dry_g_m2: f64) -> ClippingRecord {
    ClippingRecord {
        green: green.into(),
        first_day: start() + Days::new(from),
        last_day: start() + Days::new(to),
        dry_g_m2,
    }
}

/// Degree days of an invented climate: nothing in winter, up to 20 in summer.
fn climate(days: usize) -> Vec<f64> {
    (0..days).map(|i| (-20.0 * (std::f64::consts::TAU * i as f64 / 365.25).cos()).max(0.0)).collect()
}

fn with_prior(degree_days: &[f64], records: &[ClippingRecord]) -> matledger::Result<SiteYield> {
    site_yield(start(), degree_days, records, PRIOR_ANNUAL_G_M2, PRIOR_LOG_SD)
}

fn places(error: Error) -> Vec<String> {
    let Error::Input(problems) = error else { panic!("{error}") };
    problems.into_iter().map(|p| format!("{}: {}", p.place, p.value)).collect()
}

const B: SiteYield = SiteYield { g_m2_per_degree_day: 0.05, log_sd: 0.2, records: 3, source: YieldSource::Records };

#[test]
fn volume_becomes_mass_by_the_grass() {
    for (grass, expected) in
        [(Grass::CreepingBentgrass, 6.0), (Grass::UltradwarfBermudagrass, 6.0), (Grass::Manilagrass, 11.0)]
    {
        assert_relative_eq!(dry_g_m2(0.1, grass.dry_matter_g_l()).unwrap(), expected);
    }
    assert_eq!(places(dry_g_m2(-0.1, f64::NAN).unwrap_err()), ["volume_l_m2: -0.1", "dry_matter_g_l: NaN"]);
}

proptest! {
    #![proptest_config(ProptestConfig {
        rng_seed: proptest::test_runner::RngSeed::Fixed(20_140_501),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_record_keeps_its_mass(heat in proptest::collection::vec(0.0..25.0f64, 12), from in 0..6u64, days in 1..6u64, mass in 0.0..9.0f64) {
        let daily = daily_clippings(start(), &heat, &[record("1", from, from + days - 1, mass)], &B).unwrap();
        let covered = from as usize..(from + days) as usize;
        prop_assert!((daily.g_m2[covered.clone()].iter().sum::<f64>() - mass).abs() < 1e-12);
        let total: f64 = heat[covered.clone()].iter().sum();
        for (i, x) in heat.iter().enumerate() {
            let inside = covered.contains(&i);
            prop_assert_eq!(daily.measured[i], inside);
            let rate = if inside { mass / total } else { 0.05 };
            prop_assert!((daily.g_m2[i] - rate * x).abs() < 1e-12);
        }
        prop_assert!(daily.spread_evenly.is_empty());
    }
}

#[test]
fn mass_without_growth_is_spread_evenly_and_says_so() {
    let daily = daily_clippings(start(), &[0.0, 0.0, 5.0], &[record("1", 0, 1, 4.0)], &B).unwrap();
    assert_eq!((daily.g_m2, daily.spread_evenly), (vec![2.0, 2.0, 0.25], vec![0]));
    let none = daily_clippings(start(), &[0.0, 0.0], &[record("1", 0, 1, 0.0)], &B).unwrap();
    assert!(none.spread_evenly.is_empty());
}

#[test]
fn records_that_clash_are_both_named() {
    let records = [record("1", 0, 9, 1.0), record("1", 2, 3, 1.0), record("1", 9, 9, 1.0), record("2", 0, 9, 1.0)];
    let clash = with_prior(&climate(400), &records).unwrap_err();
    assert_eq!(
        places(clash),
        [
            "clippings of 1, 2013-01-03 to 2013-01-04: overlaps 2013-01-01 to 2013-01-10",
            "clippings of 1, 2013-01-10 to 2013-01-10: overlaps 2013-01-01 to 2013-01-10",
        ]
    );
    let wrong =
        [record("1", 5, 4, 1.0), record("1", 399, 400, f64::NAN), record("1", 399, 400, 1.0), record("2", 6, 7, 1.0)];
    let wrong = daily_clippings(start(), &climate(400), &wrong, &B).unwrap_err();
    assert_eq!(
        places(wrong),
        [
            "clippings of 2, 2013-01-07 to 2013-01-08: another green",
            "records[0].last_day: 2013-01-05",
            "records[1].dry_g_m2: NaN",
            "clippings of 1, 2014-02-04 to 2014-02-05: outside the weather",
            "clippings of 1, 2014-02-04 to 2014-02-05: overlaps 2014-02-04 to 2014-02-05",
        ]
    );
}

#[test]
fn no_records_leave_the_prior_and_say_so() {
    let heat = climate(4 * 365 + 1);
    let b = with_prior(&heat, &[]).unwrap();
    assert_eq!((b.source, b.records, b.log_sd), (YieldSource::Prior, 0, 0.5));
    assert_relative_eq!(b.g_m2_per_degree_day, 170.0 / (heat.iter().sum::<f64>() / 4.0), epsilon = 1e-12);
    // a record over frost teaches nothing
    assert_eq!(with_prior(&heat, &[record("1", 0, 3, 0.2)]).unwrap(), b);
}

#[test]
fn few_records_stay_unsure_and_many_leave_the_prior_behind() {
    let heat = climate(3 * 365 + 1);
    let days = |from: usize| heat[from..from + 7].iter().sum::<f64>();
    let records = |n: usize, b: f64| {
        (0..n).map(|i| record(&i.to_string(), 150 + i as u64, 156 + i as u64, b * days(150 + i))).collect::<Vec<_>>()
    };
    let prior = with_prior(&heat, &[]).unwrap().g_m2_per_degree_day;
    let one = with_prior(&heat, &records(1, 4.0 * prior)).unwrap();
    // one record weighs as much as the prior: half way on the log scale
    assert_relative_eq!(one.g_m2_per_degree_day, 2.0 * prior, epsilon = 1e-12);
    assert_relative_eq!(one.log_sd, 0.5 / 2.0_f64.sqrt(), epsilon = 1e-12);
    // three that agree perfectly are still not certain
    let three = with_prior(&heat, &records(3, 4.0 * prior)).unwrap();
    assert!(three.log_sd > 0.15 && three.log_sd < one.log_sd, "{}", three.log_sd);
    let sixty = with_prior(&heat, &records(60, 4.0 * prior)).unwrap();
    assert_relative_eq!(sixty.g_m2_per_degree_day, 4.0 * prior, max_relative = 0.01);
    assert_eq!((sixty.records, sixty.source), (60, YieldSource::Records));
}

#[test]
fn the_interval_holds_the_truth_as_often_as_it_says() {
    let heat = climate(3 * 365 + 1);
    let prior = with_prior(&heat, &[]).unwrap().g_m2_per_degree_day;
    let mut rng = ChaCha8Rng::seed_from_u64(20_140_501);
    for n in [1usize, 2, 4, 12] {
        let trials = 1000;
        let inside = (0..trials)
            .filter(|_| {
                let z: f64 = rng.sample(StandardNormal);
                let truth = prior * (0.5 * z).exp();
                let records: Vec<_> = (0..n as u64)
                    .map(|i| {
                        let from = 120 + 10 * i;
                        let noise: f64 = rng.sample(StandardNormal);
                        let x: f64 = heat[from as usize..from as usize + 7].iter().sum();
                        record("1", from, from + 6, truth * x * (0.35 * noise - 0.35 * 0.35 / 2.0).exp())
                    })
                    .collect();
                let b = with_prior(&heat, &records).unwrap();
                ((truth / b.g_m2_per_degree_day).ln() / b.log_sd).abs() < 1.96
            })
            .count();
        assert!(inside * 100 >= trials * 93, "{n} records: {inside} of {trials} inside a 95 % interval");
    }
}

#[test]
fn years_are_counted_whole() {
    let heat: Vec<f64> = (0..365 + 200).map(|i| if i < 200 { 99.0 } else { 10.0 }).collect();
    assert_relative_eq!(annual_degree_days(&heat).unwrap(), 3652.5, epsilon = 1e-9);
    assert_eq!(places(annual_degree_days(&heat[..364]).unwrap_err()), ["degree_days: 364 days"]);
    assert_eq!(places(annual_degree_days(&[0.0; 365]).unwrap_err()), ["degree_days: all zero"]);
    let short = with_prior(&heat, &[record("1", 0, 5, 0.0)]).unwrap_err();
    assert_eq!(places(short), ["records: all of zero mass"]);
    let wrong = site_yield(start(), &[1.0, -1.0, f64::NAN], &[], 0.0, f64::INFINITY).unwrap_err();
    assert_eq!(places(wrong), ["prior_annual_g_m2: 0", "prior_log_sd: inf"]);
}

#[test]
fn records_are_summed_by_month_and_year() {
    let heat = vec![10.0; 800];
    // days 0-9 and 31-40 of 2013 (January, February), one record over the turn of the year; a green of its own each
    let records =
        [record("1", 0, 9, 4.0), record("2", 0, 9, 6.0), record("1", 31, 40, 8.0), record("1", 363, 366, 2.0)];
    let found = recorded_years(start(), &heat, &records).unwrap();
    let [first, second] = found.years[..] else { panic!("{found:?}") };
    assert_eq!((first.year, second.year), (2013, 2014));
    // 19 g over 320 degree days, and 1 g over 20
    assert_relative_eq!(first.g_m2_per_degree_day, 19.0 / 320.0, max_relative = 1e-12);
    assert_relative_eq!(second.g_m2_per_degree_day, 0.05, max_relative = 1e-12);
    assert_relative_eq!(first.weight, 3.2, max_relative = 1e-12);
    // January 10 g over 200, February 8 over 100, December 1 over 20, weighed by their degree days
    let share = |g_m2: f64, heat: f64| heat / 100.0 * (g_m2 / heat * 320.0 / 19.0 - 1.0f64).powi(2);
    assert_relative_eq!(found.squares, share(10.0, 200.0) + share(8.0, 100.0) + share(1.0, 20.0), max_relative = 1e-12);
    assert_eq!(found.freedom, 2.0);
    assert_relative_eq!(found.log_weights, 0.5 * (2.0 * 1.0 * 0.2 / 3.2f64).ln(), max_relative = 1e-12);
    // frost, and a year of empty boxes, tell nothing
    let empty = recorded_years(start(), &vec![0.0; 800], &records).unwrap();
    assert!(empty.years.is_empty() && empty.freedom == 0.0);
    let empty = recorded_years(start(), &heat, &[record("1", 0, 9, 0.0), record("1", 400, 409, 3.0)]).unwrap();
    assert_eq!(empty.years.iter().map(|year| year.year).collect::<Vec<_>>(), [2014]);
    assert_eq!(
        places(recorded_years(start(), &heat, &[record("1", 790, 800, 1.0)]).unwrap_err()),
        ["clippings of 1, 2015-03-02 to 2015-03-12: outside the weather"]
    );
}
