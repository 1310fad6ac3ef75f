//! Mixed models, power and hole patterns against published values, closed forms and brute force.

use approx::assert_relative_eq;
use matledger::study::{
    Criterion, Design, HolePattern, MixedFit, MixedModel, RandomTerm, Treated, Trials, Variances, f_power, pool,
    t_power,
};
use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::HashMap;
use std::f64::consts::PI;

type Row = HashMap<String, String>;

fn rows(file: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(format!("tests/checks/{file}")).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

fn column(rows: &[Row], name: &str) -> DVector<f64> {
    DVector::from_iterator(rows.len(), rows.iter().map(|row| row[name].parse().unwrap()))
}

fn levels(rows: &[Row], name: &str) -> Vec<usize> {
    let mut names: Vec<&String> = rows.iter().map(|row| &row[name]).collect();
    names.sort();
    names.dedup();
    rows.iter().map(|row| names.iter().position(|known| *known == &row[name]).unwrap()).collect()
}

fn ones(rows: usize) -> DMatrix<f64> {
    DMatrix::from_element(rows, 1, 1.0)
}

fn published(dataset: &str, criterion: Criterion) -> MixedFit {
    let data = rows(&format!("mixed_data_{dataset}.csv"));
    if dataset == "sleepstudy" {
        let days = column(&data, "Days");
        let x = DMatrix::from_columns(&[DVector::from_element(data.len(), 1.0), days]);
        let subject = RandomTerm { name: "Subject".into(), levels: levels(&data, "Subject"), columns: x.clone() };
        MixedModel::new(x, vec![subject]).unwrap().fit(&column(&data, "Reaction"), criterion).unwrap()
    } else {
        let batch = RandomTerm::intercept("Batch", levels(&data, "Batch"));
        MixedModel::new(ones(data.len()), vec![batch]).unwrap().fit(&column(&data, "Yield"), criterion).unwrap()
    }
}

#[test]
fn published_fits_come_out_as_printed() {
    let fitted = ["Dyestuff", "Dyestuff2", "sleepstudy"];
    let rows: Vec<Row> =
        rows("mixed_models.csv").into_iter().filter(|row| fitted.contains(&row["dataset"].as_str())).collect();
    assert_eq!(rows.len(), 32);
    for row in rows {
        let criterion = if row["method"] == "ML" { Criterion::Full } else { Criterion::Restricted };
        let fit = published(&row["dataset"], criterion);
        let (value, se) = match row["quantity"].as_str() {
            "criterion" => (fit.minus_two_log_likelihood, None),
            "fixef:(Intercept)" => (fit.fixed[0], Some(fit.fixed_covariance[(0, 0)].sqrt())),
            "fixef:Days" => (fit.fixed[1], Some(fit.fixed_covariance[(1, 1)].sqrt())),
            "var:Residual:" => (fit.residual_variance, Some(fit.residual_variance.sqrt())),
            "var:Batch:(Intercept)" | "var:Subject:(Intercept)" => {
                (fit.covariances[0][(0, 0)], Some(fit.covariances[0][(0, 0)].sqrt()))
            }
            "var:Subject:Days" => (fit.covariances[0][(1, 1)], Some(fit.covariances[0][(1, 1)].sqrt())),
            "var:Subject:(Intercept)*Days" => {
                let c = &fit.covariances[0];
                (c[(0, 1)], Some(c[(0, 1)] / (c[(0, 0)] * c[(1, 1)]).sqrt()))
            }
            other => panic!("{other}"),
        };
        assert_relative_eq!(value, row["value"].parse().unwrap(), max_relative = 2e-6, epsilon = 1e-6);
        if let (Some(se), Ok(printed)) = (se, row["sd_or_se"].parse::<f64>()) {
            assert_relative_eq!(se, printed, max_relative = 2e-6, epsilon = 1e-3 * f64::from(u8::from(printed == 0.0)));
        }
    }
}

/// Responses of one of NIST's one-way sets, group by group. Those made by rule have a centre that goes to and fro by
/// 0.1 from group to group, and values that do so around it.
fn one_way(set: &Row) -> Vec<Vec<f64>> {
    let (groups, replicates) = (set["groups"].parse::<usize>().unwrap(), set["replicates"].parse::<usize>().unwrap());
    let Some(number) = set["dataset"].strip_prefix("SmLs0").map(|n| n.parse::<usize>().unwrap()) else {
        let data = rows(&format!("nist/{}.csv", set["dataset"]));
        let y = column(&data, "y");
        return y.as_slice().chunks(replicates).map(<[f64]>::to_vec).collect();
    };
    let leading = ["1", "1000000", "1000000000000"][(number - 1) / 3];
    let around = |middle: usize, i: usize| if i == 0 { middle } else { middle + 1 - 2 * (i % 2) };
    let value = |group, i| format!("{leading}.{}", around(around(4, group), i)).parse().unwrap();
    (0..groups).map(|group| (0..replicates).map(|i| value(group, i)).collect()).collect()
}

#[test]
fn one_way_sets_come_out_as_certified() {
    let sets = rows("nist/nist_certified_one_way.csv");
    assert_eq!(sets.len(), 11);
    for set in sets {
        let name = &set["dataset"];
        let groups = one_way(&set);
        let levels = groups.iter().enumerate().flat_map(|(group, of)| vec![group; of.len()]).collect();
        let y = DVector::from_vec(groups.concat());
        let model = MixedModel::new(ones(y.len()), vec![RandomTerm::intercept("group", levels)]).unwrap();
        let fit = model.fit(&y, Criterion::Restricted).unwrap();
        // Balanced, and groups differ by more than their scatter makes them: restricted likelihood is the analysis of
        // variance. What a double keeps of the values limits the digits.
        let certified = |what: &str| set[what].parse::<f64>().unwrap();
        let kept = f64::EPSILON * y.amax() / certified("residual_sd");
        let tolerance = 1e-8_f64.max(8.0 * kept);
        let f = 1.0 + groups[0].len() as f64 * fit.covariances[0][(0, 0)] / fit.residual_variance;
        let (of_f, of_within) = (f / certified("f") - 1.0, fit.residual_variance / certified("within_ms") - 1.0);
        println!("{name}: F {f:.10}, relative error {of_f:.1e}; within {of_within:.1e}; allowed {tolerance:.0e}");
        assert!(of_f.abs() < tolerance && of_within.abs() < tolerance, "{name}");
    }
}

#[test]
fn degrees_of_freedom_of_balanced_layouts_are_those_of_the_analysis_of_variance() {
    let intercept = DVector::from_element(1, 1.0);
    let batches = published("Dyestuff", Criterion::Restricted).estimate(&intercept).unwrap();
    assert_relative_eq!(batches.df, 5.0, max_relative = 1e-4);
    let slopes = published("sleepstudy", Criterion::Restricted).estimate(&DVector::from_vec(vec![0.0, 1.0])).unwrap();
    assert_relative_eq!(slopes.df, 17.0, max_relative = 1e-4);
    // With no variance between batches left, all rows but the mean count.
    let flat = published("Dyestuff2", Criterion::Restricted).estimate(&intercept).unwrap();
    assert_relative_eq!(flat.df, 29.0, max_relative = 1e-4);

    // Split plot: four blocks, two main treatments on whole plots, three on their parts.
    let mut stream = ChaCha8Rng::seed_from_u64(3);
    let cells: Vec<(usize, usize, usize)> =
        (0..4).flat_map(|b| (0..2).flat_map(move |m| (0..3).map(move |s| (b, m, s)))).collect();
    let is = |a: usize, b: usize| f64::from(u8::from(a == b));
    let x = DMatrix::from_fn(24, 4, |i, j| match j {
        0 => 1.0,
        1 => is(cells[i].1, 1),
        _ => is(cells[i].2, j - 1),
    });
    let block: Vec<f64> = (0..4).map(|_| 3.0 * stream.random::<f64>()).collect();
    let whole: Vec<f64> = (0..8).map(|_| 2.0 * stream.random::<f64>()).collect();
    let y = DVector::from_fn(24, |i, _| {
        block[cells[i].0] + whole[cells[i].0 * 2 + cells[i].1] + 0.5 * stream.random::<f64>()
    });
    let terms = vec![
        RandomTerm::intercept("block", cells.iter().map(|c| c.0).collect()),
        RandomTerm::intercept("plot", cells.iter().map(|c| c.0 * 2 + c.1).collect()),
    ];
    let fit = MixedModel::new(x, terms).unwrap().fit(&y, Criterion::Restricted).unwrap();
    assert!(fit.theta.iter().all(|theta| *theta > 0.1), "the layout has to have both variances: {:?}", fit.theta);
    let main = fit.estimate(&DVector::from_vec(vec![0.0, 1.0, 0.0, 0.0])).unwrap();
    let part = fit.estimate(&DVector::from_vec(vec![0.0, 0.0, 1.0, -1.0])).unwrap();
    assert_relative_eq!(main.df, 3.0, max_relative = 1e-3);
    assert_relative_eq!(part.df, 14.0, max_relative = 1e-3); // 24 - 1 - 3 - 1 - 3 - 2
}

#[test]
fn models_that_cannot_be_fitted_are_refused_with_every_reason() {
    let x = DMatrix::from_fn(6, 3, |i, j| if j == 2 { 1.0 + i as f64 } else { [1.0, i as f64][j] });
    let said = MixedModel::new(x, vec![]).unwrap_err().to_string();
    assert!(said.contains("fixed[2]: a sum of the columns before it"), "{said}");
    let terms = vec![RandomTerm::intercept("site", vec![0; 6]), RandomTerm::intercept("plot", (0..6).collect())];
    let said = MixedModel::new(ones(6), terms).unwrap_err().to_string();
    assert!(said.contains("site: 1 levels") && said.contains("plot: 6 effects"), "{said}");
    let model = MixedModel::new(ones(6), vec![]).unwrap();
    for wrong in [vec![1.0; 5], vec![f64::NAN; 6], vec![2.0; 6]] {
        assert!(model.fit(&DVector::from_vec(wrong), Criterion::Full).is_err());
    }
}

#[test]
fn closed_forms_of_power_are_as_published() {
    let mut checked = 0;
    for row in rows("power.csv") {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        let effect = row["effect"].split_once('=').unwrap().1.parse::<f64>().unwrap();
        let (words, ns): (Vec<&str>, Vec<f64>) =
            (row["test"].split(' ').collect(), row["n"].split('/').filter_map(|n| n.parse().ok()).collect());
        let argument = |name: &str| {
            let found = words.iter().find_map(|word| word.strip_prefix(name)).unwrap();
            found.parse::<f64>().unwrap()
        };
        let power = match words[0] {
            "t" => {
                let (delta, df) = match (words[1], ns.as_slice()) {
                    ("one", [n]) => (effect * n.sqrt(), n - 1.0),
                    (_, [n]) => (effect * (n / 2.0).sqrt(), 2.0 * n - 2.0),
                    (_, [n, m]) => (effect / (1.0 / n + 1.0 / m).sqrt(), n + m - 2.0),
                    _ => panic!("{row:?}"),
                };
                let alpha = number("alpha");
                match row["alternative"].as_str() {
                    "greater" => t_power(delta, df, alpha).unwrap().0,
                    "less" => t_power(delta, df, alpha).unwrap().1,
                    _ => t_power(delta, df, alpha / 2.0).map(|(above, below)| above + below).unwrap(),
                }
            }
            "F" => {
                let (u, v) = (argument("u="), argument("v="));
                f_power(effect * (u + v + 1.0), u, v, number("alpha")).unwrap()
            }
            "anova" => {
                let k = argument("k=");
                let all = if row["test"].contains("N=") { ns[0] } else { k * ns[0] };
                f_power(effect * effect * all, k - 1.0, all - k, number("alpha")).unwrap()
            }
            _ => continue, // correlation and proportions: no design here needs them
        };
        let tolerance = match row["quantity"].as_str() {
            "power" if row["alpha"] == "0.1592" => 5e-5, // four digits
            "power" => 1e-8,
            "n per group for power" => 2e-6, // from a root search
            _ => 0.02,                       // whole plots
        };
        assert!((power - number("power")).abs() < tolerance, "{row:?} {power}");
        checked += 1;
    }
    assert_eq!(checked, 56);
}

const QUIET: Variances = Variances {
    site_sd: 0.0,
    green_sd: 0.0,
    plot_sd: 0.0,
    site_difference_sd: 0.0,
    green_difference_sd: 0.0,
    season_sd: 0.0,
    core_sd: 0.0,
    laboratory_sd: 0.0,
};

/// Three standard errors of a share of `trials`.
fn three_se(share: f64, trials: usize) -> f64 {
    3.0 * (share * (1.0 - share) / trials as f64).sqrt()
}

#[test]
fn simulated_power_is_that_of_the_closed_form_where_there_is_one() {
    const TRIALS: usize = 4000;
    let blocks = |blocks, tests_before| Design {
        sites: 1,
        greens: 1,
        treated: Treated::Plots { blocks },
        seasons: 2,
        tests: 2,
        tests_before,
        cores: 4,
    };
    let variances = Variances { plot_sd: 0.3, season_sd: 0.2, core_sd: 0.6, laboratory_sd: 0.1, ..QUIET };
    let test = 0.01 + 0.36 / 4.0;
    // Differences within six blocks: one-sample t.
    let variance = 2.0 * (0.09 + 0.04 / 2.0 + test / 4.0);
    let changed = 2.0 * (0.04 / 2.0 + test / 4.0 + 0.04 + test / 2.0);
    for (design, variance) in [(blocks(6, 0), variance), (blocks(6, 2), changed)] {
        let (above, below) = t_power(0.7 / (variance / 6.0_f64).sqrt(), 5.0, 0.025).unwrap();
        let found = Trials::run(&design, &variances, 0.7, TRIALS, 1).unwrap().power(0.05);
        assert!((found - above - below).abs() < three_se(above + below, TRIALS), "{found} {}", above + below);
        assert!((0.3..0.95).contains(&found), "a power near one shows nothing: {found}");
    }
    // Greens of one site, half and half: two-sample t.
    let design = Design { greens: 12, treated: Treated::Greens, ..blocks(0, 0) };
    let variances = Variances { green_sd: 0.4, core_sd: 0.6, laboratory_sd: 0.1, ..QUIET };
    let variance = 0.16 + test / 4.0;
    let (above, below) = t_power(0.7 / (variance * 2.0 / 6.0_f64).sqrt(), 10.0, 0.025).unwrap();
    let found = Trials::run(&design, &variances, 0.7, TRIALS, 2).unwrap().power(0.05);
    assert!((found - above - below).abs() < three_se(above + below, TRIALS), "{found} {}", above + below);
}

#[test]
fn intervals_of_simulated_studies_hold_the_truth_as_often_as_they_say() {
    let design = Design {
        sites: 6,
        greens: 3,
        treated: Treated::Plots { blocks: 3 },
        seasons: 2,
        tests: 1,
        tests_before: 0,
        cores: 6,
    };
    let variances = Variances { plot_sd: 0.2, site_difference_sd: 0.3, core_sd: 0.5, laboratory_sd: 0.1, ..QUIET };
    let found = Trials::run(&design, &variances, 0.4, 200, 7).unwrap();
    let covered = (0..200)
        .filter(|n| {
            let e =
                matledger::study::Estimate { value: found.difference[*n], se: found.se[*n], df: found.df[*n], p: 0.0 };
            let (low, high) = e.interval(0.9);
            low <= 0.4 && 0.4 <= high
        })
        .count() as f64
        / 200.0;
    assert!((covered - 0.9).abs() < three_se(0.9, 200), "{covered}");
    let again = Trials::run(&design, &variances, 0.4, 20, 7).unwrap();
    assert_eq!(again.difference[..], found.difference[..20]);
}

#[test]
fn designs_that_cannot_be_are_refused_with_every_reason() {
    let design =
        Design { sites: 1, greens: 3, treated: Treated::Greens, seasons: 0, tests: 1, tests_before: 0, cores: 0 };
    let said = Trials::run(&design, &Variances { core_sd: -1.0, ..QUIET }, f64::NAN, 0, 1).unwrap_err().to_string();
    for place in ["seasons: 0", "cores: 0", "greens: 3", "core_sd: -1", "difference: NaN", "trials: 0"] {
        assert!(said.contains(place), "{place} in {said}");
    }
}

/// Area that two discs share.
fn overlap(r: f64, s: f64, apart: f64) -> f64 {
    if apart >= r + s {
        return 0.0;
    }
    if apart <= (r - s).abs() {
        return PI * r.min(s).powi(2);
    }
    let angle = |own: f64, other: f64| ((apart * apart + own * own - other * other) / (2.0 * apart * own)).acos();
    let (a, b) = (angle(r, s), angle(s, r));
    r * r * (a - a.sin() * a.cos()) + s * s * (b - b.sin() * b.cos())
}

#[test]
fn hole_pattern_variance_is_that_of_probes_at_random_places() {
    let mut stream = ChaCha8Rng::seed_from_u64(11);
    for (diameter, spacing, probe) in
        [(12.7, (50.8, 50.8), 19.0), (6.0, (38.0, 51.0), 12.0), (15.0, (40.0, 60.0), 50.0), (19.0, (64.0, 51.0), 108.0)]
    {
        let holes = HolePattern::new(diameter, spacing).unwrap();
        let (r, s, n) = (diameter / 2.0, probe / 2.0, 200_000);
        let reach = |step: f64| ((r + s) / step).ceil() as i32 + 1;
        let shares: Vec<f64> = (0..n)
            .map(|_| {
                let (x, y) = (stream.random::<f64>() * spacing.0, stream.random::<f64>() * spacing.1);
                let mut area = 0.0;
                for i in -reach(spacing.0)..=reach(spacing.0) {
                    for j in -reach(spacing.1)..=reach(spacing.1) {
                        area += overlap(r, s, (f64::from(i) * spacing.0 - x).hypot(f64::from(j) * spacing.1 - y));
                    }
                }
                area / (PI * s * s)
            })
            .collect();
        let mean = shares.iter().sum::<f64>() / f64::from(n);
        let square = |power: i32| shares.iter().map(|share| (share - mean).powi(power)).sum::<f64>() / f64::from(n);
        let (variance, error) = (square(2), ((square(4) - square(2).powi(2)) / f64::from(n)).sqrt());
        let derived = holes.share_variance(probe).unwrap();
        assert_relative_eq!(mean, holes.area_fraction(), max_relative = 0.01);
        assert!((derived - variance).abs() < 4.0 * error, "{derived} {variance} {error}");
    }
    let said = HolePattern::new(f64::NAN, (5.0, 0.0)).unwrap_err().to_string();
    assert!(said.contains("diameter_mm") && said.contains("spacing_mm[1]"), "{said}");
}

#[test]
fn pooled_differences_hold_the_truth_as_often_as_they_say() {
    const STUDIES: usize = 200;
    let mut stream = ChaCha8Rng::seed_from_u64(23);
    let mut normal = |sd: f64| {
        let (u, v): (f64, f64) = (1.0 - stream.random::<f64>(), stream.random());
        sd * (-2.0 * u.ln()).sqrt() * (2.0 * PI * v).cos()
    };
    let (mut mean, mut new) = (0, 0);
    for _ in 0..STUDIES {
        let variances: Vec<f64> = (0..8).map(|site| 0.02 * f64::from(site + 1)).collect();
        let means: Vec<f64> = variances.iter().map(|v| 0.5 + normal(0.3) + normal(v.sqrt())).collect();
        let found = pool(&means, &variances).unwrap();
        let holds = |(low, high): (f64, f64), truth: f64| usize::from(low <= truth && truth <= high);
        mean += holds(found.interval(0.9), 0.5);
        new += holds(found.new_site_interval(0.9), 0.5 + normal(0.3));
    }
    for covered in [mean, new] {
        assert!((covered as f64 / STUDIES as f64 - 0.9).abs() < three_se(0.9, STUDIES), "{covered}");
    }
    assert!(pool(&[1.0, f64::NAN], &[0.0, 1.0, 2.0]).unwrap_err().to_string().lines().count() == 4);
}
