from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from few_greens import demo_greens
from scipy import stats

import matledger as mat
from matledger import _core
from matledger.pooling import SCATTER_SD, shared_draws


def inside(count, of, level):
    """Whether a count of intervals that held is within binomial error (99.9 %) of its level."""
    return stats.binomtest(count, of, level).pvalue > 0.001


def of_normal_posteriors(mean, variance, rows):
    """Mean and standard deviation of effects, scatter and each site's coordinate, on a grid of scatters."""
    precision = 1 / variance - 1  # less the standard normal prior of each site alone
    seen = mean / variance / precision
    grid = (np.arange(2000) + 0.5) / 500
    logs, first, second = [], [], []
    for scatter in grid:
        weight = 1 / (1 / precision + scatter**2)
        information = np.eye(rows.shape[1]) + rows.T @ (weight[:, None] * rows)
        centre = np.linalg.solve(information, rows.T @ (weight * seen))
        spread = np.linalg.inv(information)
        left = (weight * seen**2).sum() - centre @ information @ centre
        logs.append(
            0.5 * (np.log(weight).sum() + np.linalg.slogdet(spread)[1] - left) - 0.5 * (scatter / SCATTER_SD) ** 2
        )
        drawn = 1 / (1 + precision * scatter**2)  # how far a site is drawn to the mean of its like
        sites = (1 - drawn) * seen + drawn * (rows @ centre)
        within = (1 - drawn) / precision + drawn**2 * np.einsum("sk,kl,sl->s", rows, spread, rows)
        first.append([*centre, scatter, *sites])
        second.append(np.array([*np.diag(spread), 0, *within]) + np.square(first[-1]))
    chance = np.exp(np.array(logs) - max(logs))
    chance /= chance.sum()
    middle = chance @ np.array(first)
    return middle, np.sqrt(chance @ np.array(second) - middle**2)


def test_shared_draws_are_those_of_normal_posteriors():
    rng = np.random.default_rng(3)
    rows = np.array([[1.0, 0.0]] * 4 + [[0.0, 1.0]] * 4)
    mean, variance = rng.normal(0.8, 0.4, 8), rng.uniform(0.05, 0.3, 8)
    evenly = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)
    alone = [m + np.sqrt(v) * rng.permutation(evenly) for m, v in zip(mean, variance, strict=True)]
    effects, scatter, chosen = shared_draws(alone, rows, rng)
    found = np.column_stack([effects, scatter, *(own[chosen[:, s]] for s, own in enumerate(alone))])
    middle, sd = of_normal_posteriors(mean, variance, rows)
    assert (found.mean(axis=0) - middle) / sd == pytest.approx(0, abs=0.15)
    assert found.std(axis=0) / sd == pytest.approx(1, abs=0.1)


def test_a_site_that_knows_nothing_takes_what_the_others_say():
    rng = np.random.default_rng(4)
    alone = [rng.normal(m, 0.2, 1000) for m in (1.0, 1.2, 0.9, 1.1, 1.3, 0.8)]
    effects, scatter, _ = shared_draws(alone, np.ones((6, 1)), rng)
    nothing = rng.normal(size=4000)
    more, wider, chosen = shared_draws([*alone, nothing], np.ones((7, 1)), rng)
    assert more.mean() == pytest.approx(effects.mean(), abs=0.05)
    assert wider.mean() == pytest.approx(scatter.mean(), rel=0.15)
    new = effects[:, 0] + scatter * rng.standard_normal(1000)
    taken = nothing[chosen[:, -1]]
    assert taken.mean() == pytest.approx(new.mean(), abs=0.06)
    assert taken.std() == pytest.approx(new.std(), rel=0.15)


def test_contrasts_of_two_hundred_simulated_studies():
    for design, difference in (
        (mat.StudyDesign(blocks=4, seasons=2), 0.5),
        (mat.StudyDesign(sites=6, greens=2, blocks=3), 0.3),
        (mat.StudyDesign(greens=8, treated="greens", tests_before=1), 0.4),
    ):
        variances = mat.StudyVariances(
            core_sd_percent=0.5,
            plot_sd_percent=0.2,
            green_sd_percent=0.4,
            site_difference_sd_percent=0.2,
            season_sd_percent=0.1,
        )
        found = mat.study_power(design, variances, difference_percent=difference, trials=200, seed=5)
        half = stats.t.ppf(0.95, found.df) * found.se_percent
        held = int((np.abs(found.estimates_percent - difference) <= half).sum())
        assert inside(held, 200, 0.9), (str(design), held)


@pytest.fixture(scope="module")
def courses():
    small = demo_greens(3)
    invented = [mat.invent_tests(small, seed=n, priors={"litter_ratio": (2.5, 0.2)}).course for n in range(6)]
    return [replace(course, name=f"site {n}") for n, course in enumerate(invented)]


def test_sites_lend_to_each_other(courses):
    fit = mat.fit_sites(courses, draws=400, seed=2)
    spread = [np.mean([one.coordinates[:, 0].std() for one in fits.values()]) for fits in (fit.sites, fit.alone)]
    assert spread[0] < 0.95 * spread[1]
    for name, pooled in fit.sites.items():
        alone = fit.alone[name]
        assert pooled.site.names == alone.site.names
        assert {row.tobytes() for row in pooled.coordinates} <= {row.tobytes() for row in alone.coordinates}
    pooled_spread = np.std([np.log(f.draws[:, 0]).mean() for f in fit.sites.values()])
    assert pooled_spread < np.std([np.log(f.draws[:, 0]).mean() for f in fit.alone.values()])
    median, sd = fit.population.prior_of_new_site(courses[0].settings.grass)["litter_ratio"]
    assert 1 < median < 6
    assert sd < fit.population.prior[1]
    new = mat.calibrate(courses[0], priors={"litter_ratio": (median, sd)}, draws=50)
    assert new.converged
    told = []
    with ThreadPoolExecutor(2) as pool:
        again = mat.fit_sites(courses, draws=400, seed=2, executor=pool, progress=told.append)
    assert told == [1, 2, 3, 4, 5, 6]
    assert all(np.array_equal(fit.sites[n].coordinates, again.sites[n].coordinates) for n in fit.sites)
    assert "log-sd between sites" in repr(fit)


def test_a_covariate_takes_part_of_the_scatter(courses):
    feed = {course.name: float(n) for n, course in enumerate(courses)}
    fit = mat.fit_sites(courses, covariates={"feed": feed}, draws=200)
    assert fit.population.effects.shape == (200, 2)
    grass = courses[0].settings.grass
    assert "litter_ratio" in fit.population.prior_of_new_site(grass, {"feed": 3.0})
    with pytest.raises(mat.InputError, match="covariates: none; expected feed"):
        fit.population.prior_of_new_site(grass)


def test_bad_sets_of_sites_are_named(courses):
    def said(given, **more):
        with pytest.raises(mat.InputError) as caught:
            mat.fit_sites(given, **more)
        return str(caught.value)

    assert "2 courses; expected at least three" in said(courses[:2])
    spaced = [*courses, replace(courses[0], name="site  0")]
    assert "courses: 'site  0'; expected a name that differs from 'site 0' by more than spaces or case" in said(spaced)
    other = [replace(test, method="LOI 440") for test in courses[1].soil_tests]
    mixed = [courses[0], replace(courses[1], soil_tests=other, methods=()), courses[2]]
    assert "site 1, method: LOI 440; expected the methods of the other courses" in said(mixed)
    assert "covariates.feed[site 2]: None" in said(courses[:3], covariates={"feed": {"site 0": 1, "site 1": 2}})


def test_grasses_are_pooled_apart(courses):
    """Three sites of one grass lend to each other and not to three of another, whose litter is half as much again."""

    def of(course, n):
        rich = 1.5 if n >= 3 else 1.0
        tests = [replace(test, om_percent=rich * test.om_percent) for test in course.soil_tests]
        grass = "creeping bentgrass" if n < 3 else "annual bluegrass"
        return replace(course, settings=replace(course.settings, grass=grass), soil_tests=tests)

    fit = mat.fit_sites([of(course, n) for n, course in enumerate(courses)], draws=300, seed=4)
    assert fit.population.grasses == ("creeping bentgrass", "annual bluegrass")
    bent, blue = (fit.population.prior_of_new_site(grass)["litter_ratio"][0] for grass in fit.population.grasses)
    assert blue > bent
    with pytest.raises(mat.InputError, match="grass: fescue; expected one of creeping bentgrass, annual bluegrass"):
        fit.population.prior_of_new_site("fescue")


def test_sites_sampled_at_once(courses):
    """What each site and the population are given of a draw is one place of the joint density."""
    few = [course.only([course.greens[0].name]) for course in courses[:3]]
    fit = mat.fit_sites(few, method="joint", draws=20, chains=2, tune=40, seed=3)
    sites, shared = list(fit.sites.values()), fit.population
    joint = _core.Sites([site.site for site in sites], np.ones((3, 1)), SCATTER_SD)
    chains = [site.chains for site in sites]
    for draw in (0, 7, 39):
        z = np.array([site.coordinates[draw] for site in sites])
        z[:, 0] = (z[:, 0] - shared.effects[draw, 0]) / shared.scatter[draw]
        place = np.concatenate([z.ravel(), shared.effects[draw], np.log(shared.scatter[draw : draw + 1])])
        log_density = joint.log_density_and_gradient(place)[0]
        assert log_density == pytest.approx(chains[0].log_density[draw % 2, draw // 2], rel=1e-9)
        own = [site.coordinates[draw] for site in sites]
        assert np.array_equal([c.coordinates[draw % 2, draw // 2] for c in chains], own)
    assert len(fit.diagnosis.rhat) == joint.names.index("log scatter") + 1
    assert "sampled all at once" in repr(fit)
    again = mat.fit_sites(few, method="joint", draws=20, chains=2, tune=40, seed=3)
    assert np.array_equal(again.population.scatter, shared.scatter)
