//! The density by its parts: coordinates, prior, scatter of tests, clipping records, expected information.

mod common;

use approx::assert_relative_eq;
use common::{day, invented_site, simulated, standard_normal, weighed};
use matledger::calibration::{
    Bend, ClippingHistory, Density, Evaluation, Fit, GreenRecord, Method, Model, Prior, Priors, Scatter, SiteRecord,
    SoilTest, Transform, Unknown,
};
use matledger::column::Sample;
use matledger::engine::Layout;
use matledger::growth::clippings::ClippingRecord;
use nalgebra::{DMatrix, DVector};
use statrs::function::gamma::ln_gamma;
use std::f64::consts::{PI, TAU};
use std::sync::atomic::AtomicBool;

const SEASONS: [(i32, u64); 3] = [(2013, 20), (2014, 10), (2015, 3)];

fn test_of(om_percent: f64, (top_mm, bottom_mm): (f64, f64)) -> SoilTest {
    SoilTest {
        date: day(2012, 1, 5),
        sample: Sample::Window { top_mm, bottom_mm },
        om_percent,
        cores: 4,
        method: 0,
        laboratory_sd: None,
    }
}

/// Ten days on which nothing grows or decays.
fn still(tests: Vec<SoilTest>) -> SiteRecord {
    SiteRecord {
        start: day(2012, 1, 1),
        decay_modifier: vec![0.0; 10],
        greens: vec![GreenRecord {
            name: "a green".to_owned(),
            clippings_g_m2: vec![0.0; 10],
            work: Vec::new(),
            tests,
            mat_depth_mm: 25.0,
        }],
        clippings: None,
        methods: ["first", "second", "third"].map(|name| Method { name: name.to_owned() }).to_vec(),
        layout: Layout::default(),
    }
}

fn priors(degrees_of_freedom: Option<f64>, depth_correlation: bool) -> Priors {
    Priors { scatter: Scatter { degrees_of_freedom, depth_correlation }, ..Priors::default() }
}

fn place(model: &Model, name: &str) -> usize {
    model.names().iter().position(|other| other == name).unwrap()
}

fn log_normal(z: &[f64]) -> f64 {
    z.iter().map(|z| -0.5 * (z * z + TAU.ln())).sum()
}

/// A site with all that a site may have.
fn full() -> (SiteRecord, Priors) {
    let priors = priors(Some(6.0), true);
    let mut site = weighed(invented_site(3), 2, &SEASONS);
    site.methods.extend(["second", "third"].map(|name| Method { name: name.to_owned() }));
    for green in &mut site.greens {
        green.tests.iter_mut().skip(9).for_each(|test| test.method = 2);
    }
    site.greens[1].tests.iter_mut().step_by(2).for_each(|test| test.laboratory_sd = Some(0.3));
    (simulated(21, site, &priors).0, priors)
}

#[test]
fn unknowns_follow_from_their_coordinates() {
    let (site, priors) = full();
    let model = Model::new(site, priors).unwrap();
    let z = standard_normal(3, model.len());
    let (natural, priors) = (model.natural(&z), model.priors_of_coordinates());
    let mut names: Vec<String> = Unknown::ALL.iter().map(|described| described.name.to_owned()).collect();
    names.extend(
        [
            "clipping_multiplier[2012]",
            "clipping_multiplier[2013]",
            "clipping_multiplier[2014]",
            "clipping_multiplier[2015]",
        ]
        .map(str::to_owned),
    );
    names.extend(
        ["method_offset_percent[second]", "method_offset_percent[third]", "depth_correlation"].map(str::to_owned),
    );
    names.extend(["annual_clippings_g_m2", "clipping_record_sd"].map(str::to_owned));
    let first = names.len();
    for i in 0..first {
        assert_relative_eq!(natural[i], priors[i].value(z[i]), max_relative = 1e-12);
    }
    let own = [
        ("litter_ratio", Unknown::LitterRatio, Unknown::LitterSpread),
        ("base_percent", Unknown::BasePercent, Unknown::BaseSpread),
        ("surface_percent", Unknown::SurfacePercent, Unknown::SurfaceSpread),
    ];
    for green in 1..=3 {
        for (name, site, spread) in own {
            let i = names.len();
            names.push(format!("{name}[green {green}]"));
            let expected = natural[site.index()] * (natural[spread.index()] * z[i]).exp();
            assert_relative_eq!(natural[i], expected, max_relative = 1e-12);
            assert_eq!(priors[i], Prior { median: 0.0, sd: 1.0, transform: Transform::Plain });
        }
    }
    assert_eq!(model.names(), names);
    assert_eq!((natural.len(), priors.len(), model.len(), model.is_empty()), (first + 9, first + 9, first + 9, false));
    assert_eq!((model.tests(), model.site().greens.len(), model.priors().scatter.depth_correlation), (72, 3, true));
    // A test scatters by its cores and its laboratory, and reads above the reference by its method's offset.
    let [core, laboratory] = [Unknown::CoreSd, Unknown::LaboratorySd].map(|unknown| natural[unknown.index()]);
    let stated = SoilTest { laboratory_sd: Some(0.3), cores: 5, ..test_of(3.0, (0.0, 20.0)) };
    let variance = model.test_sd(&z, &test_of(3.0, (0.0, 20.0))).powi(2);
    assert_relative_eq!(variance, laboratory * laboratory + core * core / 4.0, max_relative = 1e-12);
    assert_relative_eq!(model.test_sd(&z, &stated).powi(2), 0.09 + core * core / 5.0, max_relative = 1e-12);
    let offset = place(&model, "method_offset_percent[third]");
    let mut higher = z.clone();
    higher[offset] += 1.0;
    let (read, above) = (model.predictions(&z).unwrap(), model.predictions(&higher).unwrap());
    for (green, (read, above)) in model.site().greens.iter().zip(read.iter().zip(above)) {
        for (test, (read, above)) in green.tests.iter().zip(read.iter().zip(above)) {
            let rise = if test.method == 2 { priors[offset].sd } else { 0.0 };
            assert_relative_eq!(above - read, rise, epsilon = 1e-9);
        }
    }
}

#[test]
fn priors_are_normal_on_their_scale() {
    let of = |median, sd, transform: Transform| Prior { median, sd, transform };
    let (log, logit) = (of(3.0, 0.6, Transform::Log), of(0.3, 0.5, Transform::Logit));
    let plain = of(-0.2, 0.5, Transform::Plain);
    for z in [-1.7, 0.0, 0.8] {
        assert_relative_eq!(log.value(z).ln(), 3.0_f64.ln() + 0.6 * z, epsilon = 1e-12);
        let odds = |share: f64| (share / (1.0 - share)).ln();
        assert_relative_eq!(odds(logit.value(z)), odds(0.3) + 0.5 * z, epsilon = 1e-12);
        assert_relative_eq!(plain.value(z), -0.2 + 0.5 * z, epsilon = 1e-12);
        for prior in [log, logit, plain] {
            let by_difference = (prior.value(z + 1e-6) - prior.value(z - 1e-6)) / 2e-6;
            assert_relative_eq!(prior.slope(z), by_difference, max_relative = 1e-7);
        }
    }
    assert_eq!([Transform::Log, Transform::Logit, Transform::Plain].map(Transform::name), ["log", "logit", "plain"]);
}

#[test]
fn priors_are_replaced_by_name_within_their_domain() {
    let mut priors = Priors::default();
    priors.set("fill_fraction", 0.7, 0.4).unwrap();
    priors.set("litter_ratio", 2.0, 0.3).unwrap();
    let [fill, litter] = [Unknown::FillFraction, Unknown::LitterRatio].map(|unknown| *priors.of(unknown));
    assert_eq!((fill.median, fill.sd, litter.median, litter.sd), (0.7, 0.4, 2.0, 0.3));
    for (name, median, sd) in [
        ("fill_fraction", 1.0, 0.4),
        ("fill_fraction", 0.0, 0.4),
        ("litter_ratio", 0.0, 0.3),
        ("litter_ratio", f64::INFINITY, 0.3),
        ("litter_ratio", 2.0, 0.0),
        ("litter_ratio", 2.0, f64::INFINITY),
        ("litter", 2.0, 0.3),
    ] {
        assert!(priors.set(name, median, sd).unwrap_err().to_string().contains(name), "{name} {median} {sd}");
    }
}

#[test]
fn scatter_needs_a_variance() {
    for (freedom, sound) in [(Some(2.0), false), (Some(2.1), true), (Some(f64::INFINITY), false), (None, true)] {
        let found = Scatter { degrees_of_freedom: freedom, depth_correlation: false }.validate();
        assert_eq!(found.is_ok(), sound, "{freedom:?}");
        assert_eq!(Model::new(still(vec![test_of(3.0, (0.0, 20.0))]), priors(freedom, false)).is_ok(), sound);
    }
}

/// Points and weights on the line: even steps of a steep map, all but exact for what dies away on both sides.
fn nodes(most: f64, step: f64) -> Vec<(f64, f64)> {
    let count = (most / step).round() as i32;
    let at = (-count..=count).map(|n| (f64::from(n) * step).sinh());
    at.map(|at| (at, step * at.hypot(1.0))).collect()
}

/// The expected information is the mean of the squared slopes of the log likelihood over all that the tests might have
/// read, each with its weight.
fn check_information(z: &[f64], might: impl Iterator<Item = (f64, Evaluation)>) {
    let n = z.len();
    let (mut whole, mut square) = (0.0, DMatrix::zeros(n, n));
    let mut expected = DMatrix::zeros(n, n);
    for (weight, found) in might {
        let mass = (found.log_density - log_normal(z)).exp() * weight;
        let slopes = found.gradient + DVector::from_column_slice(z);
        whole += mass;
        square += &slopes * slopes.transpose() * mass;
        expected = found.information - DMatrix::identity(n, n);
    }
    assert_relative_eq!(whole, 1.0, max_relative = 1e-6);
    assert!((&square - &expected).amax() < 1e-5 * expected.amax(), "{square} {expected}");
}

#[test]
fn a_test_tells_what_its_slopes_say_on_average() {
    for (freedom, stated) in [(None, None), (None, Some(0.2)), (Some(5.0), None), (Some(5.0), Some(0.2))] {
        let test = SoilTest { method: 1, laboratory_sd: stated, ..test_of(3.0, (0.0, 20.0)) };
        let model = Model::new(still(vec![test.clone()]), priors(freedom, false)).unwrap();
        let z: Vec<f64> = standard_normal(5, model.len()).iter().map(|z| 0.5 * z).collect();
        // What is read moves by the offset of its method.
        let offset = place(&model, "method_offset_percent[second]");
        let unit = model.priors_of_coordinates()[offset].sd;
        let (read, sd) = (model.predictions(&z).unwrap()[0][0], model.test_sd(&z, &test));
        let at = |(residual, weight): (f64, f64)| {
            let mut moved = z.clone();
            moved[offset] += (test.om_percent - read - sd * residual) / unit;
            let mut found = model.evaluate(&moved).unwrap();
            found.log_density += log_normal(&z) - log_normal(&moved);
            found.gradient[offset] += moved[offset] - z[offset];
            (sd * weight, found)
        };
        check_information(&z, nodes(if freedom.is_some() { 9.0 } else { 2.7 }, 0.1).into_iter().map(at));
    }
}

#[test]
fn two_depths_of_the_same_cores_tell_what_their_slopes_say_on_average() {
    for (freedom, stated) in [(None, None), (Some(5.0), Some(0.2))] {
        // In the middle of the scale, so that there is room on both sides.
        let mut priors = priors(freedom, true);
        priors.set("base_percent", 45.0, 0.1).unwrap();
        let mut pair = [test_of(45.0, (0.0, 20.0)), test_of(45.0, (20.0, 40.0))];
        pair[1].laboratory_sd = stated;
        let model = |pair: &[SoilTest]| Model::new(still(pair.to_vec()), priors.clone()).unwrap();
        let z: Vec<f64> = standard_normal(6, model(&pair).len()).iter().map(|z| 0.5 * z).collect();
        let (read, sd) = (model(&pair).predictions(&z).unwrap(), model(&pair).test_sd(&z, &pair[0]));
        let nodes = if freedom.is_some() { nodes(4.6, 0.2) } else { nodes(2.8, 0.2) };
        let both = nodes.iter().flat_map(|&a| nodes.iter().map(move |&b| [a, b]));
        let might = both.map(|residuals| {
            for (i, (residual, _)) in residuals.into_iter().enumerate() {
                pair[i].om_percent = read[0][i] + sd * residual;
            }
            (residuals.iter().map(|(_, weight)| sd * weight).product(), model(&pair).evaluate(&z).unwrap())
        });
        check_information(&z, might);
    }
}

/// Both ways to the slopes, with all that a site may have, alone and side by side.
#[test]
fn slopes_backwards_are_those_forwards() {
    let (site, priors) = full();
    let model = Model::new(site, priors).unwrap();
    let places: Vec<Vec<f64>> =
        (0..5).map(|seed| standard_normal(seed, model.len()).iter().map(|z| 0.7 * z).collect()).collect();
    for (z, abreast) in places.iter().zip(model.log_densities_and_gradients(&places)) {
        let forwards = model.evaluate(z).unwrap();
        let mut gradient = vec![f64::NAN; model.len()];
        let alone = model.log_density_and_gradient(z, &mut gradient).unwrap();
        for (log_density, gradient) in [(alone, gradient), abreast.unwrap()] {
            assert_relative_eq!(log_density, forwards.log_density, max_relative = 1e-10);
            for (found, expected) in gradient.iter().zip(&forwards.gradient) {
                assert_relative_eq!(*found, *expected, epsilon = 1e-6, max_relative = 1e-7);
            }
        }
    }
    let [alone] = &model.log_densities_and_gradients(&places[..1])[..] else { panic!("one place, one answer") };
    assert_relative_eq!(
        alone.as_ref().unwrap().0,
        model.evaluate(&places[0]).unwrap().log_density,
        max_relative = 1e-10
    );
    // A place that is wrong spoils no other, a place of another length all.
    let mut mixed = places.clone();
    mixed[1][0] = f64::NAN;
    let found = model.log_densities_and_gradients(&mixed);
    assert_eq!(found.iter().map(Result::is_ok).collect::<Vec<_>>(), [true, false, true, true, true]);
    mixed[1].pop();
    assert!(model.log_densities_and_gradients(&mixed).iter().all(Result::is_err));
    assert!(model.evaluate(&mixed[1]).unwrap_err().to_string().contains("coordinates"));
    // A sampler sees the same.
    let mut gradient = vec![f64::NAN; model.len()];
    let sampled = Density::log_density(&model, &places[0], &mut gradient).unwrap();
    assert_eq!((sampled, gradient), model.log_densities_and_gradients(&places[..1]).remove(0).unwrap());
    let mut site = model.site().clone();
    site.greens[1].mat_depth_mm = 31.0;
    assert_eq!([0, 1].map(|green| site.layout_of(green).mat_depth_mm), [25.0, 31.0]);
    assert!(model.log_density_and_gradient(&mixed[1], &mut []).unwrap_err().to_string().contains("coordinates"));
}

/// What cores, laboratory and depths of one core scatter by enters the covariance of tests alone.
#[test]
fn slopes_along_the_scatter_are_those_of_differences() {
    for degrees_of_freedom in [None, Some(6.0)] {
        let (site, priors) = full();
        let scatter = Scatter { degrees_of_freedom, ..priors.scatter };
        let model = Model::new(site, Priors { scatter, ..priors }).unwrap();
        let z: Vec<f64> = standard_normal(6, model.len()).iter().map(|z| 0.5 * z).collect();
        let gradient = model.evaluate(&z).unwrap().gradient;
        for name in [
            "core_sd_percent",
            "laboratory_sd_percent",
            "depth_correlation",
            "litter_ratio",
            "method_offset_percent[third]",
        ] {
            let i = place(&model, name);
            let at = |by: f64| {
                let mut moved = z.clone();
                moved[i] += by;
                model.log_density_and_gradient(&moved, &mut vec![0.0; z.len()]).unwrap()
            };
            let by_difference = (at(1e-5) - at(-1e-5)) / 2e-5;
            assert!((by_difference + z[i]).abs() > 0.1, "{name}: the tests say nothing of it");
            assert_relative_eq!(gradient[i], by_difference, epsilon = 1e-5, max_relative = 1e-5);
        }
    }
}

#[test]
fn a_single_year_has_its_slope() {
    let mut site = still(vec![SoilTest { date: day(2012, 1, 10), ..test_of(2.5, (0.0, 20.0)) }]);
    site.decay_modifier = vec![1.0; 10];
    site.greens[0].clippings_g_m2 = vec![4.0; 10];
    let model = Model::new(site, Priors::default()).unwrap();
    let z: Vec<f64> = standard_normal(9, model.len()).iter().map(|z| 0.5 * z).collect();
    let mut gradient = vec![f64::NAN; model.len()];
    model.log_density_and_gradient(&z, &mut gradient).unwrap();
    let year = place(&model, "clipping_multiplier[2012]");
    assert!((gradient[year] + z[year]).abs() > 1e-3, "the reading says nothing of its year: {}", gradient[year]);
    for (found, expected) in gradient.iter().zip(&model.evaluate(&z).unwrap().gradient) {
        assert_relative_eq!(*found, *expected, epsilon = 1e-9, max_relative = 1e-9);
    }
}

/// Around a place, what is read follows its slopes there.
#[test]
fn predictions_nearby_follow_the_slopes() {
    let (site, priors) = full();
    let model = Model::new(site, priors).unwrap();
    let z: Vec<f64> = standard_normal(4, model.len()).iter().map(|z| 0.5 * z).collect();
    let along = standard_normal(8, model.len());
    let moved = |by: f64| -> Vec<f64> { z.iter().zip(&along).map(|(z, along)| z + by * along).collect() };
    let error = |by: f64| {
        let near = model.predictions_near(&z, &[z.clone(), moved(by)]).unwrap();
        for (near, exact) in near[0].concat().into_iter().zip(model.predictions(&z).unwrap().concat()) {
            assert_relative_eq!(near, exact, max_relative = 1e-10);
        }
        let exact = model.predictions(&moved(by)).unwrap().concat();
        near[1].concat().into_iter().zip(exact).map(|(near, exact)| (near - exact).abs()).fold(0.0, f64::max)
    };
    let (wide, narrow) = (error(2e-3), error(1e-3));
    assert!(wide < 1e-4 && narrow < 0.3 * wide, "{wide} {narrow}");
}

/// A reading follows its log as long as it is one; what an offset has brought below nothing goes straight on.
#[test]
fn predictions_far_away_stay_above_nothing_or_go_straight() {
    let (site, priors) = full();
    let model = Model::new(site, priors).unwrap();
    let mut z = vec![0.0; model.len()];
    let (offset, litter) = (place(&model, "method_offset_percent[third]"), Unknown::LitterRatio.index());
    z[offset] = -1e3;
    let moved = |by: f64| {
        let mut there = z.clone();
        there[litter] += by;
        there
    };
    let near = model.predictions_near(&z, &[z.clone(), moved(1.0), moved(2.0), moved(-1e6)]).unwrap();
    let [here, one, two, far] = [0, 1, 2, 3].map(|i| near[i].concat());
    let mut below = 0;
    for (((here, one), two), far) in here.into_iter().zip(one).zip(two).zip(far) {
        if here > 0.0 {
            assert!(one >= here && far >= 0.0, "{here} {one} {far}");
            assert_relative_eq!((two / one).ln(), (one / here).ln(), epsilon = 1e-12, max_relative = 1e-9);
        } else {
            below += 1;
            assert!(one >= here, "{here} {one}");
            assert_relative_eq!(two - one, one - here, epsilon = 1e-9);
        }
    }
    assert!(below > 0);
}

/// What a green deviates by is centred as far as its tests fix it; of the errors of core and laboratory it is the sum that
/// tests know.
#[test]
fn bends_are_those_of_greens_and_of_the_two_errors() {
    let (mut site, priors) = full();
    site.greens[0].tests[0].cores = 9;
    let cores: Vec<f64> = site
        .greens
        .iter()
        .flat_map(|green| &green.tests)
        .filter(|test| test.laboratory_sd.is_none())
        .map(|test| f64::from(test.cores))
        .collect();
    let model = Model::new(site, priors).unwrap();
    let n = model.len();
    let mode = standard_normal(5, n);
    let information = DMatrix::from_diagonal(&DVector::from_fn(n, |i, _| 0.5 + 0.1 * i as f64));
    let fit = Fit { mode, log_density: 0.0, gradient: 0.0, steps: 0, converged: true, information };
    let mut expected = Vec::new();
    for green in 1..=3 {
        for (name, spread) in [
            ("litter_ratio", Unknown::LitterSpread),
            ("base_percent", Unknown::BaseSpread),
            ("surface_percent", Unknown::SurfaceSpread),
        ] {
            let deviation = place(&model, &format!("{name}[green {green}]"));
            let share = 1.0 - 1.0 / (0.5 + 0.1 * deviation as f64);
            let (spread, log_sd) = (spread.index(), model.priors_of_coordinates()[spread.index()].sd);
            expected.push(Bend::Centred { deviation, spread, log_sd, share, at: fit.mode[spread] });
        }
    }
    let found = model.bends(&fit);
    assert_eq!(found[..9], expected);
    let [Bend::Summed { of, log_sd, log_median }] = found[9..] else { panic!("{:?}", &found[9..]) };
    let errors = [Unknown::CoreSd, Unknown::LaboratorySd].map(Unknown::index);
    let [core, laboratory] = errors.map(|i| model.priors_of_coordinates()[i]);
    assert_eq!((of, log_sd), (errors, [core.sd, laboratory.sd]));
    // The median of a core's error, as a test of as many cores as is usual has it.
    let usual = cores.iter().product::<f64>().powf(1.0 / cores.len() as f64);
    assert_relative_eq!(log_median[0].exp(), core.median / usual.sqrt(), max_relative = 1e-12);
    assert_relative_eq!(log_median[1].exp(), laboratory.median, max_relative = 1e-12);
}

/// The log likelihood of tests alone; of tests that share cores, each given the others.
#[test]
fn each_test_has_its_part_of_the_likelihood() {
    let tests = [(3.1, (0.0, 20.0)), (2.2, (20.0, 40.0)), (1.4, (40.0, 60.0))].map(|(om, window)| test_of(om, window));
    for joined in [false, true] {
        for freedom in [None, Some(5.0)] {
            let model = |tests: &[SoilTest]| Model::new(still(tests.to_vec()), priors(freedom, joined)).unwrap();
            let all = model(&tests);
            let z: Vec<f64> = standard_normal(2, all.len()).iter().map(|z| 0.5 * z).collect();
            let whole = |model: &Model| model.evaluate(&z).unwrap().log_density - log_normal(&z);
            let parts = all.log_likelihoods(&z).unwrap();
            for (i, part) in parts[0].iter().enumerate() {
                let mut others = tests.to_vec();
                others.remove(i);
                assert_relative_eq!(*part, whole(&all) - whole(&model(&others)), epsilon = 1e-9);
            }
            let sum: f64 = parts[0].iter().sum();
            assert_eq!((sum - whole(&all)).abs() < 1e-9, !joined, "{sum}");
        }
    }
}

/// Normal or Student's t of the same variance (Kotz & Nadarajah 2004, Multivariate t Distributions; memory), with the cores'
/// error in common between depths, as one formula for any number of tests.
#[test]
fn tests_scatter_by_the_normal_or_students_t() {
    let tests = [(3.1, (0.0, 20.0)), (2.2, (20.0, 40.0)), (1.4, (40.0, 60.0))].map(|(om, window)| test_of(om, window));
    for (freedom, joined, count) in
        [None, Some(5.0)].into_iter().flat_map(|v| [(v, false, 1), (v, false, 3), (v, true, 1), (v, true, 3)])
    {
        let model = Model::new(still(tests[..count].to_vec()), priors(freedom, joined)).unwrap();
        let z: Vec<f64> = standard_normal(2, model.len()).iter().map(|z| 0.5 * z).collect();
        let natural = model.natural(&z);
        let [core, laboratory] = [Unknown::CoreSd, Unknown::LaboratorySd].map(|unknown| natural[unknown.index()]);
        let away = DVector::from_iterator(
            count,
            tests.iter().zip(&model.predictions(&z).unwrap()[0]).map(|(test, read)| test.om_percent - read),
        );
        let correlation = if joined { natural[place(&model, "depth_correlation")] } else { 0.0 };
        let covariance = DMatrix::from_fn(count, count, |i, j| {
            core * core / 4.0 * if i == j { 1.0 } else { correlation }
                + if i == j { laboratory * laboratory } else { 0.0 }
        });
        let of = |away: DVector<f64>, covariance: DMatrix<f64>| {
            let n = away.len() as f64;
            let scale = freedom.map_or(1.0, |v: f64| (v - 2.0) / v);
            let squares = (covariance.clone().try_inverse().unwrap() * &away).dot(&away) / scale;
            let log_determinant = covariance.determinant().ln() + n * scale.ln();
            match freedom {
                None => -0.5 * (squares + log_determinant + n * TAU.ln()),
                Some(v) => {
                    ln_gamma(0.5 * (v + n))
                        - ln_gamma(0.5 * v)
                        - 0.5 * (n * (v * PI).ln() + log_determinant + (v + n) * (squares / v).ln_1p())
                }
            }
        };
        // Tests that share nothing scatter each for itself.
        let expected: f64 = if joined {
            of(away, covariance)
        } else {
            (0..count).map(|i| of(away.rows(i, 1).into_owned(), covariance.view((i, i), (1, 1)).into_owned())).sum()
        };
        let whole = model.evaluate(&z).unwrap();
        assert_relative_eq!(whole.log_density - log_normal(&z), expected, epsilon = 1e-9);
        let mut gradient = vec![f64::NAN; model.len()];
        let backwards = model.log_density_and_gradient(&z, &mut gradient).unwrap();
        assert_relative_eq!(backwards, whole.log_density, epsilon = 1e-9);
        for (found, expected) in gradient.iter().zip(&whole.gradient) {
            assert_relative_eq!(*found, *expected, epsilon = 1e-9, max_relative = 1e-9);
        }
    }
}

#[test]
fn an_earlier_posterior_stands_in_for_the_prior() {
    let (site, priors) = full();
    let plain = Model::new(site.clone(), priors.clone()).unwrap();
    let n = plain.len();
    assert!(!plain.carries_on());
    let root = DMatrix::from_fn(n, n, |i, j| if i == j { 0.8 } else { 0.05 * ((3 * i + 7 * j) as f64).sin() });
    let (mean, covariance) = (standard_normal(31, n), &root * root.transpose());
    let z: Vec<f64> = standard_normal(32, n).iter().map(|z| 0.4 * z).collect();
    let before = plain.evaluate(&z).unwrap();
    let carried = plain.carried_on(&mean, covariance.clone()).unwrap();
    assert!(carried.carries_on());
    let found = carried.evaluate(&z).unwrap();
    let precision = covariance.clone().try_inverse().unwrap();
    let away = DVector::from_column_slice(&z) - DVector::from_column_slice(&mean);
    let slope = &precision * &away;
    let log_prior = -0.5 * (away.dot(&slope) + covariance.determinant().ln() + n as f64 * TAU.ln());
    assert_relative_eq!(found.log_density - log_prior, before.log_density - log_normal(&z), max_relative = 1e-9);
    let gradient = found.gradient + slope - (before.gradient + DVector::from_column_slice(&z));
    assert!(gradient.amax() < 1e-8, "{gradient}");
    let information = found.information - precision - (before.information - DMatrix::identity(n, n));
    assert!(information.amax() < 1e-8, "{information}");
    let mut gradient = vec![0.0; n];
    assert_relative_eq!(
        carried.log_density_and_gradient(&z, &mut gradient).unwrap(),
        found.log_density,
        max_relative = 1e-10
    );
    // With no record to add, the search begins at the earlier mean.
    let mut unweighed = site;
    unweighed.clippings = None;
    let model = |site| Model::new(site, priors.clone()).unwrap();
    let n = model(unweighed.clone()).len();
    let start = model(unweighed.clone()).carried_on(&mean[..n], DMatrix::identity(n, n) * 0.5).unwrap();
    assert_relative_eq!(start.before_tests().unwrap().mode[..], mean[..n], max_relative = 1e-9);
    let refused = |mean: &[f64], covariance: DMatrix<f64>| {
        model(unweighed.clone()).carried_on(mean, covariance).err().unwrap().to_string()
    };
    assert!(refused(&mean[..n - 1], DMatrix::identity(n, n)).contains(&format!("{} coordinates", n - 1)));
    assert!(refused(&mean[..n], DMatrix::identity(n - 1, n - 1)).contains("coordinates"));
    assert!(refused(&mean[..n], -DMatrix::identity(n, n)).contains("positive definite"));
}

#[test]
fn what_makes_a_density_infinite_is_named() {
    let model = Model::new(still(vec![test_of(3.0, (0.0, 20.0))]), priors(None, false)).unwrap();
    let said = |name: &str, value: f64| {
        let mut z = vec![0.0; model.len()];
        z[place(&model, name)] = value;
        assert!(model.evaluate(&z).is_err(), "{name}");
        model.log_density_and_gradient(&z, &mut vec![0.0; z.len()]).unwrap_err().to_string()
    };
    assert!(said("root_share", f64::NAN).contains("root_share is NaN"));
    assert!(said("core_sd_percent", f64::INFINITY).contains("core_sd_percent is inf"));
    assert!(said("core_sd_percent", 1e4).contains("error variance"));
    assert!(said("young_decay_per_year", 9.0).contains("decay rate"));
}

/// The last quarter of a year and the first of the next; masses of three months of each, on one green. The one soil test
/// comes before any growth.
fn two_years(months: [[f64; 3]; 2]) -> SiteRecord {
    let start = day(2012, 10, 1);
    let heat: Vec<f64> = (0..182).map(|d| 8.0 + (f64::from(d) / 40.0).sin()).collect();
    let mut site = still(vec![SoilTest { date: start, ..test_of(2.0, (0.0, 20.0)) }]);
    (site.start, site.decay_modifier) = (start, vec![1.0; 182]);
    site.greens[0].clippings_g_m2 =
        heat.iter().enumerate().map(|(d, heat)| heat * if d < 92 { 0.05 } else { 0.07 }).collect();
    let records = [(2012, 10), (2013, 1)].into_iter().zip(months).flat_map(|((year, first), months)| {
        (first..first + 3).zip(months).map(move |(month, dry_g_m2)| ClippingRecord {
            green: "a green".to_owned(),
            first_day: day(year, month, 1),
            last_day: day(year, month, 12 + month),
            dry_g_m2,
        })
    });
    site.clippings = Some(ClippingHistory {
        degree_days: heat,
        degree_days_a_year: 2900.0,
        records: records.collect(),
        counted: Vec::new(),
    });
    site
}

const MONTHS: [[f64; 3]; 2] = [[7.0, 9.5, 12.0], [9.0, 8.0, 11.0]];

/// Months scatter around their year with variance `s^2 100 / X`, whatever the year; years around the site's yield with
/// that of their mean and an error of a tenth in common.
#[test]
fn clipping_records_have_the_density_of_their_two_errors() {
    let site = two_years(MONTHS);
    let history = site.clippings.clone().unwrap();
    let model = Model::new(site, priors(None, false)).unwrap();
    let z: Vec<f64> = standard_normal(41, model.len()).iter().map(|z| 0.5 * z).collect();
    let natural = model.natural(&z);
    let value = |name: &str| natural[place(&model, name)];
    let (scatter, site_rate) = (value("clipping_record_sd"), value("annual_clippings_g_m2") / 2900.0);
    assert_relative_eq!(model.clippings_per_degree_day(&z).unwrap(), site_rate, max_relative = 1e-12);
    let normal = |x: f64, sd: f64| (-0.5 * (x / sd).powi(2)).exp() / (sd * TAU.sqrt());
    let mut expected = log_normal(&z) + model.log_likelihoods(&z).unwrap().concat().iter().sum::<f64>();
    for (year, shown) in [2012, 2013].into_iter().zip(model.years_shown(&z)) {
        let months: Vec<(f64, f64)> = history
            .records
            .iter()
            .filter(|record| record.first_day.format("%Y").to_string() == year.to_string())
            .map(|record| {
                let day_of = |date: chrono::NaiveDate| (date - day(2012, 10, 1)).num_days() as usize;
                let days = day_of(record.first_day)..=day_of(record.last_day);
                (record.dry_g_m2, history.degree_days[days].iter().sum())
            })
            .collect();
        let (mass, heat) = months.iter().fold((0.0, 0.0), |sum, month| (sum.0 + month.0, sum.1 + month.1));
        let rate = mass / heat;
        let log_ratio = (rate / (site_rate * value(&format!("clipping_multiplier[{year}]")))).ln();
        let log_sd = (0.1_f64.powi(2) + scatter * scatter * 100.0 / heat).sqrt();
        assert_eq!((months.len(), shown.year), (3, year));
        assert_relative_eq!(shown.recorded, rate, max_relative = 1e-12);
        assert_relative_eq!(shown.log_ratio, log_ratio, max_relative = 1e-9);
        assert_relative_eq!(shown.log_sd, log_sd, max_relative = 1e-12);
        let of_months = |level: f64| -> f64 {
            months.iter().map(|(m, x)| normal(m / (rate * x) - level, scatter * (100.0 / x).sqrt())).product()
        };
        let whatever: f64 = nodes(4.0, 0.01).into_iter().map(|(level, weight)| of_months(level) * weight).sum();
        expected += whatever.ln() + normal(log_ratio, log_sd).ln();
    }
    assert_relative_eq!(model.evaluate(&z).unwrap().log_density, expected, epsilon = 1e-8);
}

/// What a year's records tell of the site's yield, the year and the scatter, by quadrature over what they might show.
#[test]
fn clipping_records_tell_what_their_slopes_say_on_average() {
    let model = |months| Model::new(two_years(months), priors(None, false)).unwrap();
    let plain = model(MONTHS);
    let z: Vec<f64> = standard_normal(42, plain.len()).iter().map(|z| 0.5 * z).collect();
    let told: Vec<usize> =
        ["clipping_multiplier[2012]", "clipping_multiplier[2013]", "annual_clippings_g_m2", "clipping_record_sd"]
            .map(|name| place(&plain, name))
            .into();
    let here = plain.evaluate(&z).unwrap();
    let mut expected = DMatrix::zeros(4, 4);
    for (year, shown) in plain.years_shown(&z).iter().enumerate() {
        let (mut whole, mut mean, mut square) = (0.0, DVector::zeros(4), DMatrix::zeros(4, 4));
        for (log_ratio, weight) in nodes(2.6, 0.2) {
            let mut months = MONTHS;
            months[year] = months[year].map(|mass| mass * (shown.log_sd * log_ratio - shown.log_ratio).exp());
            let found = model(months).evaluate(&z).unwrap();
            let mass = weight * (found.log_density - here.log_density).exp();
            let slopes = found.gradient.select_rows(&told);
            whole += mass;
            mean += &slopes * mass;
            square += &slopes * slopes.transpose() * mass;
        }
        mean /= whole;
        expected += square / whole - &mean * mean.transpose();
    }
    // Three months of each year leave four squares for the scatter, whose log has a standard deviation of a half.
    expected[(3, 3)] += 2.0 * 4.0 * 0.25;
    let found = here.information - DMatrix::identity(z.len(), z.len());
    let found = found.select_rows(&told).select_columns(&told);
    assert!((&found - &expected).amax() < 1e-6 * expected.amax(), "{found} {expected}");
}

/// The level of the clippings that the days hold is of no account where there are records: the unknowns say it.
#[test]
fn records_set_the_level_of_each_year() {
    let (site, priors) = full();
    let model = |site: &SiteRecord| Model::new(site.clone(), priors.clone()).unwrap();
    let plain = model(&site);
    let z: Vec<f64> = standard_normal(51, plain.len()).iter().map(|z| 0.5 * z).collect();
    let read = plain.predictions(&z).unwrap().concat();
    let near = |found: Vec<f64>| {
        for (found, read) in found.into_iter().zip(&read) {
            // How the ground is cut follows from what grew.
            assert_relative_eq!(found, *read, max_relative = 5e-3);
        }
    };
    let mut other = site.clone();
    for green in &mut other.greens {
        green.clippings_g_m2[366..366 + 365].iter_mut().for_each(|g_m2| *g_m2 *= 1.7);
    }
    near(model(&other).predictions(&z).unwrap().concat());
    assert_relative_eq!(
        model(&other).reckoned(2013).unwrap(),
        1.7 * plain.reckoned(2013).unwrap(),
        max_relative = 1e-12
    );
    assert_eq!((model(&other).reckoned(2012), plain.reckoned(2016)), (plain.reckoned(2012), None));
    // The same as a site without records, whose days hold what the unknowns say.
    let rate = plain.clippings_per_degree_day(&z).unwrap();
    let reckoned: Vec<f64> = (2012..2016).map(|year| plain.reckoned(year).unwrap()).collect();
    let mut unweighed = site.clone();
    unweighed.clippings = None;
    for green in &mut unweighed.greens {
        for (d, g_m2) in green.clippings_g_m2.iter_mut().enumerate() {
            *g_m2 *= rate / reckoned[(d.saturating_sub(1)) / 365];
        }
    }
    let mut fewer = z.clone();
    fewer.drain(place(&plain, "annual_clippings_g_m2")..=place(&plain, "clipping_record_sd"));
    let unweighed = model(&unweighed);
    near(unweighed.predictions(&fewer).unwrap().concat());
    assert_eq!((unweighed.clippings_per_degree_day(&fewer), unweighed.reckoned(2013)), (None, None));
    assert!(unweighed.years_shown(&fewer).is_empty());
}

/// Draws of Laplace's approximation have its mean and covariance, and each a stream of its own.
#[test]
fn draws_are_those_of_the_normal_around_the_mode() {
    let (site, _) = simulated(3, invented_site(1), &Priors::default());
    let model = Model::new(site, Priors::default()).unwrap();
    let fit = Fit::find(&model, &AtomicBool::new(false)).unwrap();
    let draws = fit.draws(&model, 4000, 7).unwrap();
    assert_eq!(fit.draws(&model, 10, 7).unwrap(), draws[..10]);
    assert_ne!(fit.draws(&model, 1, 8).unwrap(), draws[..1]);
    let n = model.len();
    let matrix = DMatrix::from_fn(draws.len(), n, |i, j| draws[i][j]);
    let covariance = fit.covariance().unwrap();
    let away = DMatrix::from_fn(draws.len(), n, |i, j| matrix[(i, j)] - fit.mode[j]);
    let found = away.tr_mul(&away) / draws.len() as f64;
    for i in 0..n {
        let sd = covariance[(i, i)].sqrt();
        assert!((matrix.column(i).mean() - fit.mode[i]).abs() < 5.0 * sd / 4000f64.sqrt(), "{i}");
        for j in 0..n {
            let apart = (found[(i, j)] - covariance[(i, j)]) / (sd * covariance[(j, j)].sqrt());
            assert!(apart.abs() < 6.0 / 4000f64.sqrt() * 1.5, "{i} {j}: {apart}");
        }
    }
}
