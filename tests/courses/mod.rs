//! Random courses, programmes and draws of the unknowns, for what is measured over many of them. All invented.
#![allow(dead_code)] // each test file and bench uses its own part

use chrono::{Days, NaiveDate};
use matledger::column::{Densities, Profile, Sample};
use matledger::engine::{Dated, Layout, Member, Plan, Scenario};
use matledger::practice::tine::Tine;
use matledger::practice::work::{Coring, SandInjection, SolidTining, Topdressing, VerticalMowing, Work};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Calendar years of a run.
pub const YEARS: i32 = 10;

/// Windows that are read at every year's end (mm).
pub const WINDOWS: [(f64, f64); 4] = [(0.0, 10.0), (0.0, 20.0), (20.0, 40.0), (40.0, 80.0)];

pub struct Course {
    pub start: NaiveDate,
    pub clippings: Vec<f64>,
    pub modifier: Vec<f64>,
    pub work: Vec<Dated>,
    pub samples: Vec<(NaiveDate, Sample)>,
}

fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

fn normal(rng: &mut impl Rng) -> f64 {
    StandardNormal.sample(rng)
}

impl Course {
    /// Course number `seed`.
    pub fn random(seed: u64) -> Self {
        let rng = &mut ChaCha8Rng::seed_from_u64(seed);
        let start = day(2012, 1, 1);
        let days = (day(2012 + YEARS, 1, 1) - start).num_days() as usize;
        let (mean, swing) = (rng.random_range(8.0..20.0), rng.random_range(5.0..12.0));
        let mut noise = 0.0;
        let temperature: Vec<f64> = (0..days)
            .map(|d| {
                noise = 0.8 * noise + 2.0 * normal(rng);
                mean - swing * (std::f64::consts::TAU * (d as f64 - 20.0) / 365.25).cos() + noise
            })
            .collect();
        let modifier = temperature.iter().map(|t| 2.5_f64.powf((t - 15.0) / 10.0)).collect();
        let warmth: Vec<f64> = temperature.iter().map(|t| t.max(0.0)).collect();
        // The prior of a site without clippings on record.
        let a_year = 170.0 * (0.5 * normal(rng)).exp();
        let per_degree = a_year * f64::from(YEARS) / warmth.iter().sum::<f64>();
        let clippings = warmth.iter().map(|w| w * per_degree).collect();
        let samples = (1..=YEARS)
            .flat_map(|n| {
                WINDOWS.map(|(top_mm, bottom_mm)| (day(2012 + n, 1, 1), Sample::Window { top_mm, bottom_mm }))
            })
            .collect();
        Self { start, clippings, modifier, work: programme(rng), samples }
    }

    pub fn scenario<'a>(&'a self, layout: Layout, nominal: &'a Member<f64>) -> Scenario<'a> {
        Scenario {
            start: self.start,
            clippings_g_m2: &self.clippings,
            decay_modifier: &self.modifier,
            work: &self.work,
            recorded_before: day(2015, 1, 1),
            samples: &self.samples,
            profiles: &[],
            layout,
            nominal,
        }
    }

    pub fn plan(&self, layout: Layout, nominal: &Member<f64>) -> Plan {
        Plan::new(&self.scenario(layout, nominal)).unwrap()
    }
}

/// None to three corings a year on any days, filled or left open, light sand in the season or none, and at times the rest.
fn programme(rng: &mut impl Rng) -> Vec<Dated> {
    let mut work = Vec::new();
    let mut corings: Vec<u64> = (0..rng.random_range(0..=3)).map(|_| rng.random_range(60..330)).collect();
    corings.sort_unstable();
    let tine = Tine { inside_diameter_mm: rng.random_range(5.0..16.0) };
    let cores = Coring {
        tine,
        spacing_mm: (rng.random_range(38.0..60.0), rng.random_range(38.0..60.0)),
        depth_mm: rng.random_range(20.0..120.0),
        depth_sd_mm: if rng.random_bool(0.5) { 0.0 } else { rng.random_range(1.0..10.0) },
        passes: if rng.random_bool(0.8) { 1 } else { 2 },
        returned_mineral_share: if rng.random_bool(0.8) { 0.0 } else { 0.8 },
        returned_om_share: if rng.random_bool(0.8) { 0.0 } else { 0.5 },
        holes_open_days: 14,
    };
    let filled = if rng.random_bool(0.3) { rng.random_range(0.0..0.8) } else { rng.random_range(0.8..1.6) };
    let heavy_mm = Work::Coring(cores).hole_volume_mm() * filled;
    let light_mm = if rng.random_bool(0.1) { 0.0 } else { rng.random_range(0.05..1.2) };
    let every = rng.random_range(7..42);
    let (solid, cuts, jets) = (rng.random_bool(0.3), rng.random_bool(0.3), rng.random_bool(0.2));
    let [solid_on, cuts_on, jets_on] = [0; 3].map(|_| rng.random_range(90..300));
    let bore = rng.random_range(5.0..13.0);
    let solid_depth = rng.random_range(40.0..130.0);
    let blade = rng.random_range(1.0..3.0);
    let cut_depth = rng.random_range(5.0..30.0);
    let jet_sand = rng.random_range(500.0..4000.0);
    let jet_from = rng.random_range(0.0..40.0);
    let jet_to = jet_from + rng.random_range(10.0..60.0);
    let sand = |mm: f64| Work::Topdressing(Topdressing { sand_g_m2: mm * 1600.0, passes: 1, picked_up_share: 0.01 });
    for year in 2012..2012 + YEARS {
        let on = |day_of_year: u64| day(year, 1, 1) + Days::new(day_of_year);
        for &date in &corings {
            work.extend([Work::Coring(cores), sand(heavy_mm)].map(|work| Dated { date: on(date), work }));
        }
        let mut date = on(110);
        while light_mm > 0.0 && date < on(290) {
            work.push(Dated { date, work: sand(light_mm) });
            date = date + Days::new(every);
        }
        if solid {
            let solid = SolidTining {
                diameter_mm: bore,
                spacing_mm: (40.0, 40.0),
                depth_mm: solid_depth,
                depth_sd_mm: 5.0,
                passes: 1,
                holes_open_days: 14,
            };
            work.push(Dated { date: on(solid_on), work: Work::SolidTining(solid) });
        }
        if cuts {
            let cut = VerticalMowing {
                blade_width_mm: blade,
                blade_spacing_mm: 25.0,
                depth_mm: cut_depth,
                passes: 1,
                removed_share: 0.3,
                holes_open_days: 14,
            };
            work.push(Dated { date: on(cuts_on), work: Work::VerticalMowing(cut) });
        }
        if jets {
            let jet = SandInjection { sand_g_m2: jet_sand, from_mm: jet_from, to_mm: jet_to };
            work.push(Dated { date: on(jets_on), work: Work::SandInjection(jet) });
        }
    }
    work
}

/// The unknowns, in the order of the priors of the calibration: twelve, and a multiplier for each year.
pub fn draw(rng: &mut impl Rng) -> Member<f64> {
    let typical = Member::typical();
    let mut log = |median: f64, sd: f64| median * (sd * normal(rng)).exp();
    let odds = |share: f64| share / (1.0 - share);
    let mut member = typical.clone();
    member.litter_ratio = log(3.0, 0.6);
    member.decay.young_per_year = log(1.0, 0.5);
    member.decay.old_per_year = log(0.015, 0.8);
    member.densities = Densities { om: log(0.244, 0.2), ..typical.densities };
    member.sand_scale = log(1.0, 0.07);
    member.profile = Profile { base_percent: log(1.2, 0.5), surface_percent: log(2.5, 0.7), scale_mm: log(30.0, 0.5) };
    member.year_multipliers = (0..YEARS).map(|_| log(1.0, 0.15)).collect();
    let mut logit = |median: f64, sd: f64| {
        let odds = log(odds(median), sd);
        odds / (1.0 + odds)
    };
    member.decay.humified = logit(0.3, 0.5);
    member.fill_fraction = logit(0.6, 0.8);
    member.root_share = logit(0.3, 0.5);
    member.young_share = logit(0.3, 0.5);
    member
}

/// `count` draws with stream `seed`.
pub fn draws(count: usize, seed: u64) -> Vec<Member<f64>> {
    let rng = &mut ChaCha8Rng::seed_from_u64(seed);
    (0..count).map(|_| draw(rng)).collect()
}
