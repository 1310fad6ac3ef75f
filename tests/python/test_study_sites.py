from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import matledger as mat
from matledger.many_sites import shared_draws


def inside(count, of, level):
    """Whether a count of intervals that held is within binomial error (99.9 %) of its level."""
    return stats.binomtest(count, of, level).pvalue > 0.001


def test_shared_draws_hold_the_truth_as_often_as_they_say():
    """Two hundred studies of eight sites whose truth comes from the model's own priors."""
    rng = np.random.default_rng(3)
    held = {"effects": 0, "scatter": 0, "site": 0, "new site": 0}
    rows = np.array([[1.0, 0.0]] * 4 + [[0.0, 1.0]] * 4)
    for _ in range(200):
        scatter, effects = abs(rng.normal(0, 0.5)), rng.normal(size=2)
        sites = rows @ effects + scatter * rng.normal(size=8)
        precision = 1 / rng.uniform(0.1, 0.5, 8) ** 2
        seen = sites + rng.normal(size=8) / np.sqrt(precision)
        # Posterior of each site alone, under the standard normal prior that the stage has to take out again.
        variance = 1 / (precision + 1)
        found = shared_draws(variance * precision * seen, variance, rows, 500, rng)
        new = found[0][:, 0] + found[1] * rng.normal(size=500)
        truths = {"effects": effects[0], "scatter": scatter, "site": sites[0]}
        truths["new site"] = effects[0] + scatter * rng.normal()
        draws = {"effects": found[0][:, 0], "scatter": found[1], "site": found[2][:, 0], "new site": new}
        for name, truth in truths.items():
            low, high = np.quantile(draws[name], [0.05, 0.95])
            held[name] += low <= truth <= high
    assert all(inside(count, 200, 0.9) for count in held.values()), held


def test_contrasts_of_two_hundred_simulated_studies():
    for design, difference in (
        (mat.StudyDesign(blocks=4, seasons=2), 0.5),
        (mat.StudyDesign(sites=6, greens=2, blocks=3), 0.3),
        (mat.StudyDesign(greens=8, treated="greens", tests_before=1), 0.4),
    ):
        variances = mat.StudyVariances(core_sd=0.5, plot_sd=0.2, green_sd=0.4, site_difference_sd=0.2, season_sd=0.1)
        found = mat.study_power(design, variances, difference_percent=difference, trials=200, seed=5)
        half = stats.t.ppf(0.95, found.df) * found.se
        held = int((np.abs(found.estimates - difference) <= half).sum())
        assert inside(held, 200, 0.9), (str(design), held)


@pytest.fixture(scope="module")
def courses():
    base = mat.demo_course()
    greens = {green.name for green in base.greens[:3]}
    small = replace(
        base,
        greens=base.greens[:3],
        soil_tests=[test for test in base.soil_tests if test.green in greens],
        clippings=[record for record in base.clippings if record.green in greens],
        work=[record for record in base.work if record.green in greens],
        programmes=(),
    )
    invented = [mat.invent_tests(small, seed=n, priors={"litter_ratio": (2.5, 0.2)}).course for n in range(6)]
    return [replace(course, name=f"site {n}") for n, course in enumerate(invented)]


def test_sites_lend_to_each_other(courses):
    fit = mat.fit_sites(courses, draws=400, seed=2)
    for name, pooled in fit.sites.items():
        alone = fit.alone[name]
        assert pooled.draws[:, 0].std() < alone.draws[:, 0].std()
        assert pooled.site.names == alone.site.names
    pooled_spread = np.std([np.log(f.draws[:, 0]).mean() for f in fit.sites.values()])
    assert pooled_spread < np.std([np.log(f.draws[:, 0]).mean() for f in fit.alone.values()])
    median, sd = fit.prior_of_new_site(courses[0].settings.grass)["litter_ratio"]
    assert 1 < median < 6
    assert sd < fit.prior[1]
    new = mat.calibrate(courses[0], priors={"litter_ratio": (median, sd)}, draws=50)
    assert new.converged
    with ThreadPoolExecutor(2) as pool:
        again = mat.fit_sites(courses, draws=400, seed=2, executor=pool)
    assert all(np.array_equal(fit.sites[n].coordinates, again.sites[n].coordinates) for n in fit.sites)
    assert "log-sd between sites" in repr(fit)


def test_a_covariate_takes_part_of_the_scatter(courses):
    feed = {course.name: float(n) for n, course in enumerate(courses)}
    fit = mat.fit_sites(courses, covariates={"feed": feed}, draws=200)
    assert fit.effects.shape == (200, 2)
    grass = courses[0].settings.grass
    assert "litter_ratio" in fit.prior_of_new_site(grass, {"feed": 3.0})
    with pytest.raises(mat.InputError, match="covariates: none; expected feed"):
        fit.prior_of_new_site(grass)


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
