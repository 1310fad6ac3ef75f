//! An invented site for tests, with truth drawn from the priors.
#![allow(dead_code)] // each test file uses its own part

use chrono::{Days, NaiveDate};
use matledger::calibration::{ClippingHistory, GreenRecord, Method, Model, Priors, SiteRecord, SoilTest};
use matledger::column::Sample;
use matledger::engine::{Dated, Layout};
use matledger::growth::clippings::{
    ClippingRecord, PRIOR_ANNUAL_G_M2, PRIOR_LOG_SD, annual_degree_days, daily_clippings, site_yield,
};
use matledger::practice::tine::Tine;
use matledger::practice::work::{Coring, Topdressing, Work};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma, StandardNormal};

pub fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

pub fn standard_normal(seed: u64, n: usize) -> Vec<f64> {
    let mut stream = ChaCha8Rng::seed_from_u64(seed);
    (0..n).map(|_| StandardNormal.sample(&mut stream)).collect()
}

pub fn topdressing(sand_mm: f64) -> Work {
    Work::Topdressing(Topdressing { sand_g_m2: sand_mm * 1600.0, passes: 1, picked_up_share: 0.01 })
}

pub fn coring(bore_mm: f64, depth_mm: f64) -> Work {
    Work::Coring(Coring {
        tine: Tine { inside_diameter_mm: bore_mm },
        spacing_mm: (50.0, 50.0),
        depth_mm,
        depth_sd_mm: 5.0,
        passes: 1,
        returned_mineral_share: 0.0,
        returned_om_share: 0.0,
        holes_open_days: 14,
    })
}

/// Four years, greens with tests in three windows twice a year; the readings are still empty.
pub fn invented_site(greens: usize) -> SiteRecord {
    let start = day(2012, 1, 1);
    let season = |d: usize| 0.5 - 0.5 * (2.0 * std::f64::consts::PI * d as f64 / 365.25).cos();
    let days = 1461;
    let green = |g: usize| {
        let mut work = Vec::new();
        for year in 2012..2016 {
            for date in [day(year, 4, 10), day(year, 9, 12)].into_iter().take(1 + g % 2) {
                work.push(Dated { date, work: coring(12.7, 75.0) });
                work.push(Dated { date, work: topdressing(4.0) });
            }
            for n in 0..11 {
                work.push(Dated { date: day(year, 5, 1) + Days::new(14 * n), work: topdressing(0.35) });
            }
        }
        let tests = (2012..2016)
            .flat_map(|year| [day(year, 3, 20), day(year, 10, 25)])
            .flat_map(|date| [(0.0, 20.0), (20.0, 40.0), (40.0, 60.0)].map(|window| (date, window)))
            .map(|(date, (top_mm, bottom_mm))| SoilTest {
                date,
                sample: Sample::Window { top_mm, bottom_mm },
                om_percent: 0.0,
                cores: 8,
                method: 0,
                laboratory_sd: None,
            })
            .collect();
        GreenRecord {
            name: format!("green {}", g + 1),
            clippings_g_m2: (0..days).map(|d| 0.95 * season(d)).collect(),
            work,
            tests,
            mat_depth_mm: 25.0,
        }
    };
    SiteRecord {
        start,
        decay_modifier: (0..days).map(|d| 0.3 + 1.5 * season(d)).collect(),
        greens: (0..greens).map(green).collect(),
        clippings: None,
        methods: vec![Method { name: "oven at 440 degC".to_owned() }],
        layout: Layout { stretch_days: 15, ..Layout::default() },
    }
}

/// The same site with clippings weighed on its first greens in the first so many weeks of some years' seasons. Masses are
/// still empty.
pub fn weighed(mut site: SiteRecord, greens: usize, seasons: &[(i32, u64)]) -> SiteRecord {
    let degree_days: Vec<f64> = site.greens[0].clippings_g_m2.iter().map(|g_m2| g_m2 / 0.0475).collect();
    let week = |green: &GreenRecord, year: i32, week: u64| ClippingRecord {
        green: green.name.clone(),
        first_day: day(year, 4, 1) + Days::new(7 * week),
        last_day: day(year, 4, 7) + Days::new(7 * week),
        dry_g_m2: 1.0,
    };
    let of_green = |green| seasons.iter().flat_map(move |&(year, weeks)| (0..weeks).map(move |n| week(green, year, n)));
    let records = site.greens[..greens].iter().flat_map(of_green).collect();
    let degree_days_a_year = annual_degree_days(&degree_days).unwrap();
    site.clippings = Some(ClippingHistory { degree_days, degree_days_a_year, records, counted: Vec::new() });
    site
}

/// Fills in masses of clippings from a truth, with scatter of their own and an error that the records of a year share, and
/// the clippings of each day from them.
pub fn fill_clippings(seed: u64, site: &mut SiteRecord, model: &Model, truth: &[f64]) {
    let Some(history) = &mut site.clippings else { return };
    let at = |name: &str| model.names().iter().position(|other| other == name).unwrap();
    let natural = model.natural(truth);
    let rate = model.clippings_per_degree_day(truth).unwrap();
    let scatter = natural[at("clipping_record_sd")];
    let mut stream = ChaCha8Rng::seed_from_u64(seed);
    let shared: Vec<f64> =
        model.years().iter().map(|_| 0.1 * Distribution::<f64>::sample(&StandardNormal, &mut stream)).collect();
    let row = |date: NaiveDate| (date - site.start).num_days() as usize;
    for record in &mut history.records {
        let heat: f64 = history.degree_days[row(record.first_day)..=row(record.last_day)].iter().sum();
        let year = record.first_day.format("%Y").to_string();
        let grown = rate * heat * natural[at(&format!("clipping_multiplier[{year}]"))];
        let error = shared[model.years().iter().position(|other| other.to_string() == year).unwrap()].exp();
        let variance = scatter * scatter * 100.0 / heat;
        record.dry_g_m2 = grown * error * Gamma::new(1.0 / variance, variance).unwrap().sample(&mut stream);
    }
    let known =
        site_yield(site.start, &history.degree_days, &history.records, PRIOR_ANNUAL_G_M2, PRIOR_LOG_SD).unwrap();
    for green in &mut site.greens {
        let own: Vec<_> = history.records.iter().filter(|record| record.green == green.name).cloned().collect();
        green.clippings_g_m2 = daily_clippings(site.start, &history.degree_days, &own, &known).unwrap().g_m2;
    }
}

/// Fills in clippings, where records are asked for, and readings from a truth drawn from the priors; returns the truth's
/// coordinates.
pub fn simulated(seed: u64, mut site: SiteRecord, priors: &Priors) -> (SiteRecord, Vec<f64>) {
    let model = Model::new(site.clone(), priors.clone()).unwrap();
    let truth = standard_normal(seed, model.len());
    fill_clippings(seed + 2_000_000, &mut site, &model, &truth);
    let model = Model::new(site.clone(), priors.clone()).unwrap();
    let predictions = model.predictions(&truth).unwrap();
    let mut noise = standard_normal(seed + 1_000_000, model.tests()).into_iter();
    for (green, predicted) in site.greens.iter_mut().zip(predictions) {
        for (test, predicted) in green.tests.iter_mut().zip(predicted) {
            let sd = model.test_sd(&truth, test);
            test.om_percent = (predicted + sd * noise.next().unwrap()).clamp(0.0, 100.0);
        }
    }
    (site, truth)
}
