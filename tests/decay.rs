//! The two-pool closed form against published parameters and their solutions.

use approx::assert_relative_eq;
use matledger::column::{DecayRates, TwoPools, Weathering};

/// A span of constant weather.
fn span(rates: &DecayRates<f64>, days: f64, modifier: f64, litter_g_m2: f64) -> TwoPools<f64> {
    TwoPools::over(&Weathering::of(days, &[modifier], &[litter_g_m2]), rates, 1.0)
}

/// `tests/checks/icbm.csv`: parameters of Andren & Katterer 1997 (read in the documentation named there), solutions
/// derived there by closed form and checked by Runge-Kutta. A year is twenty
/// spans.
#[test]
fn two_pools_follow_icbm() {
    let mut table = csv::Reader::from_path("tests/checks/icbm.csv").unwrap();
    let mut rows = 0;
    for row in table.deserialize::<std::collections::HashMap<String, String>>() {
        let row = row.unwrap();
        let get = |name: &str| row[name].parse::<f64>().unwrap();
        let rates = DecayRates { young_per_year: get("k1"), old_per_year: get("k2"), humified: get("h") };
        let step = span(&rates, 365.25 / 20.0, get("r"), get("i_kg_m2_yr") / 20.0);
        let (mut young, mut old) = (get("Y0_kg_m2"), get("O0_kg_m2"));
        for year in 1..=35 {
            for _ in 0..20 {
                (young, old) = step.apply(young, old, 1.0);
            }
            if [1, 5, 10, 20, 35].contains(&year) {
                assert_relative_eq!(young, get(&format!("Y_{year}")), epsilon = 2e-8);
                assert_relative_eq!(old, get(&format!("O_{year}")), epsilon = 2e-8);
            }
        }
        for _ in 0..20 * 20_000 {
            (young, old) = step.apply(young, old, 1.0);
        }
        assert_relative_eq!(young, get("Y_ss"), epsilon = 2e-8);
        assert_relative_eq!(old, get("O_ss"), epsilon = 2e-8);
        rows += 1;
    }
    assert!(rows >= 6, "the table holds {rows} rows");
}

#[test]
fn spans_compose_exactly() {
    let rates = DecayRates { young_per_year: 2.0, old_per_year: 0.05, humified: 0.4 };
    let whole = span(&rates, 60.0, 1.3, 60.0);
    let half = span(&rates, 30.0, 1.3, 30.0);
    let both = half.then(&half);
    for (a, b) in [
        (whole.young_kept, both.young_kept),
        (whole.young_to_old, both.young_to_old),
        (whole.old_kept, both.old_kept),
        (whole.young_fed, both.young_fed),
        (whole.old_fed, both.old_fed),
    ] {
        assert_relative_eq!(a, b, max_relative = 1e-11);
    }
}

/// Days of unlike weather and clippings in one span are what they are one after the other.
#[test]
fn a_span_is_its_days_in_a_row() {
    let rates = DecayRates { young_per_year: 2.0, old_per_year: 0.05, humified: 0.4 };
    let (modifier, clippings) = ([0.5, 1.5, 1.0, 3.0], [0.0, 2.0, 1.0, 0.5]);
    let over = |days: std::ops::Range<usize>| {
        TwoPools::over(&Weathering::of_days(&modifier[days.clone()], &clippings[days]), &rates, 2.0)
    };
    let (whole, days) = (over(0..4), (0..4).map(|d| over(d..d + 1)).reduce(|past, day| past.then(&day)).unwrap());
    for (whole, days) in [
        (whole.young_kept, days.young_kept),
        (whole.young_to_old, days.young_to_old),
        (whole.old_kept, days.old_kept),
        (whole.young_fed, days.young_fed),
        (whole.old_fed, days.old_fed),
        (whole.litter, days.litter),
    ] {
        assert_relative_eq!(whole, days, max_relative = 1e-12);
    }
}

/// Equal rates are the limit of near ones, where the textbook form divides by zero.
#[test]
fn equal_rates_are_no_singularity() {
    let at = |k2| span(&DecayRates { young_per_year: 0.4, old_per_year: k2, humified: 0.3 }, 1.0, 1.0, 1.0);
    assert_relative_eq!(at(0.4).young_to_old, at(0.4 + 1e-9).young_to_old, max_relative = 1e-9);
    assert!(at(0.4).old_fed > 0.0);
}
