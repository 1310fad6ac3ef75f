//! Recovery against what is published and common; the choice by green against every combination.

use matledger::decision::recovery::{CoverReading, Healing, HealingPriors, Wound, healing};
use matledger::decision::{Limit, Together, choose};
use proptest::prelude::*;

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn days(wound: &Wound, degree_days_a_day: f64) -> Vec<f64> {
    let season = vec![degree_days_a_day; 200];
    let found = healing(&HealingPriors::default(), &[], 1000, 3).unwrap();
    found.iter().map(|h| h.days_to(wound, &season, 0.99).map_or(f64::INFINITY, |d| d as f64)).collect()
}

const HALF_INCH: Wound = Wound { area_share: 0.0507, width_mm: 12.7, round: true };

#[test]
fn half_inch_holes_take_about_four_weeks_of_growing_weather() {
    // common practice, no source; ATKINSON2012: quality was down for four weeks after any event
    let typical = median(days(&HALF_INCH, 18.0));
    assert!((21.0..=31.0).contains(&typical), "{typical}");
}

#[test]
fn a_week_after_the_work_cover_is_that_of_the_trial() {
    // HTCORE2022 (read): 38.3 % on the day, 85.3 to 90.1 % a week later; 20 degree days a day are assumed
    let found = healing(&HealingPriors::default(), &[], 2001, 5).unwrap();
    let at = |heat: f64| median(found.iter().map(|h| 100.0 * h.cover(&HALF_INCH, heat)).collect());
    assert!((36.0..=41.0).contains(&at(0.0)), "{}", at(0.0));
    assert!((85.3..=90.1).contains(&at(140.0)), "{}", at(140.0));
}

#[test]
fn two_vertical_mowings_disrupt_about_as_many_days_as_in_the_trial() {
    // ERVIN2010 (read): 27.5 disrupted days a season from two vertical mowings; 3 mm grooves at 25 mm are assumed
    let grooves = Wound { area_share: 0.12, width_mm: 3.0, round: false };
    let season = 2.0 * median(days(&grooves, 20.0));
    assert!((20.0..=45.0).contains(&season), "{season}");
}

#[test]
fn readings_of_a_known_turf_bring_it_back() {
    let truth = Healing { creep_mm_per_degree_day: 0.018, hidden_share: 0.45, clearing_degree_days: 50.0 };
    let readings: Vec<CoverReading> = [0.0, 20.0, 60.0, 120.0, 200.0, 300.0]
        .iter()
        .flat_map(|heat| [HALF_INCH, Wound { area_share: 0.2, width_mm: 16.0, round: true }].map(|w| (*heat, w)))
        .flat_map(|reading| [reading; 4])
        .map(|(degree_days, wound)| CoverReading { wound, degree_days, cover: truth.cover(&wound, degree_days) })
        .collect();
    let prior = HealingPriors::default();
    let found = healing(&prior, &readings, 2000, 1).unwrap();
    let creep: Vec<f64> = found.iter().map(|h| h.creep_mm_per_degree_day).collect();
    let before: Vec<f64> = healing(&prior, &[], 2000, 1).unwrap().iter().map(|h| h.creep_mm_per_degree_day).collect();
    let spread = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
    };
    assert!((median(creep.clone()) / 0.018 - 1.0).abs() < 0.1, "{}", median(creep.clone()));
    assert!(spread(&creep) < 0.6 * spread(&before));
    // Intervals of the fit cover the readings that made it.
    for reading in &readings {
        let mut covers: Vec<f64> = found.iter().map(|h| h.cover(&reading.wound, reading.degree_days)).collect();
        covers.sort_by(f64::total_cmp);
        assert!(covers[20] - 0.03 <= reading.cover && reading.cover <= covers[1980] + 0.03);
    }
}

#[test]
fn readings_that_are_none_are_all_named() {
    let reading = CoverReading { wound: HALF_INCH, degree_days: -1.0, cover: 38.0 };
    let text = healing(&HealingPriors::default(), &[reading], 0, 1).unwrap_err().to_string();
    for part in ["draws", "readings[0].degree_days", "readings[0].cover"] {
        assert!(text.contains(part), "{text}");
    }
}

/// Every combination, by brute force.
fn enumerated(worth: &[Vec<f64>], limits: &[Limit], together: &Together) -> Option<f64> {
    let options = worth[0].len();
    (0..options.pow(worth.len() as u32))
        .filter_map(|code| {
            let pick = |green: usize| code / options.pow(green as u32) % options;
            let sum = |table: &[Vec<f64>]| (0..worth.len()).map(|g| table[g][pick(g)]).sum::<f64>();
            let needed = |options: &[usize]| (0..worth.len()).any(|g| options.contains(&pick(g)));
            let used: f64 = together.events.iter().filter(|(_, o)| needed(o)).map(|(uses, _)| uses).sum();
            let fits = limits.iter().all(|limit| sum(&limit.uses) <= limit.most) && used <= together.most;
            fits.then(|| sum(worth))
        })
        .reduce(f64::max)
}

fn table() -> impl Strategy<Value = Vec<Vec<f64>>> {
    prop::collection::vec(prop::collection::vec(0.0..1.0, 3), 5)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]
    #[test]
    fn the_choice_is_the_best_of_all(
        worth in table(), sand in table(), days in table(), most in 0.2..4.0, open in 0.2..4.0,
        events in prop::collection::vec((0.0..2.0, prop::collection::vec(0_usize..3, 0..3)), 0..5), closed in 0.0..4.0,
    ) {
        let limits = [
            Limit { name: "sand".into(), uses: sand, most },
            Limit { name: "days".into(), uses: days, most: open },
        ];
        let together = Together { name: "closed days".into(), events, most: closed };
        let found = choose(&worth, &limits, std::slice::from_ref(&together)).unwrap();
        let best = enumerated(&worth, &limits, &together);
        prop_assert_eq!(found.is_some(), best.is_some());
        if let (Some(found), Some(best)) = (found, best) {
            prop_assert!((found.worth - best).abs() < 1e-6);
        }
    }
}

#[test]
fn a_choice_needs_tables_of_one_shape() {
    let limit = Limit { name: "sand".into(), uses: vec![vec![1.0]], most: f64::NAN };
    let shared = Together { name: "days".into(), events: vec![(-1.0, vec![2])], most: -1.0 };
    let text = choose(&[vec![1.0, 2.0]], &[limit], &[shared]).unwrap_err().to_string();
    for part in ["limits[sand].uses", "limits[sand].most", "together[days].events", "together[days].most"] {
        assert!(text.contains(part), "{text}");
    }
}
