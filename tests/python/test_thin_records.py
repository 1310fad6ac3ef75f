"""Records that hardly allow a fit, by either method: a result that says what is missing, or a refusal that does."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from few_greens import demo_greens

import matledger as mat
from matledger.errors import InputError

METHODS = {
    "laplace": {"draws": 50},
    "nuts": {"method": "nuts", "chains": 2, "tune": 60, "draws": 30, "seed": 4},
}


@pytest.fixture(scope="module")
def course():
    return demo_greens(2)


def one_test_only(course):
    return replace(course, soil_tests=course.soil_tests[:1])


def one_day(course):
    first = min(test.date for test in course.soil_tests)
    return replace(course, soil_tests=[test for test in course.soil_tests if test.date == first])


def a_method_seen_once(course):
    first, *others = course.soil_tests
    methods = (*course.methods, mat.Method("another"))
    return replace(course, soil_tests=[replace(first, method="another"), *others], methods=methods)


def readings_at_odds(course):
    # With eight cores and the priors' medians a test's standard deviation is 0.23 %, a difference's 0.33 %.
    first, *others = course.soil_tests
    later = replace(first, date=first.date + dt.timedelta(days=1), om_percent=first.om_percent + 3.3)
    return replace(course, soil_tests=[first, later, *others])


def a_green_never_tested(course):
    name = course.greens[0].name
    return replace(course, soil_tests=[test for test in course.soil_tests if test.green == name])


SAID = {
    one_test_only: "one test only",
    one_day: "all tests are of one day",
    a_method_seen_once: "another, verdure on was used once",
    readings_at_odds: "they contradict each other by",
    a_green_never_tested: "never tested: Knoll",
}


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("spoil", SAID, ids=lambda spoil: spoil.__name__)
def test_a_thin_record_is_fitted_and_says_what_is_missing(course, spoil, method):
    fit = mat.calibrate(spoil(course), **METHODS[method])
    assert fit.converged
    assert np.isfinite(fit.draws).all()
    assert any(SAID[spoil] in note for note in fit.notes), fit.notes
    if fit.chains is not None:
        assert fit.chains.diverging.mean() < 0.05


@pytest.mark.parametrize("method", METHODS)
def test_a_sound_record_has_none_of_these_notes(course, method):
    fit = mat.calibrate(course, **METHODS[method])
    assert not any(said in note for said in SAID.values() for note in fit.notes)
    assert not fit.conflicts


@pytest.mark.parametrize("options", [{"degrees_of_freedom": 4.0}, {"depth_correlation": True}])
def test_other_scatter_is_sampled_too(course, options):
    fit = mat.calibrate(course, **METHODS["nuts"], **options)
    assert np.isfinite(fit.draws).all()
    assert fit.chains.diverging.mean() < 0.05
    if "depth_correlation" in options:
        correlation = fit.draws[:, fit.names.index("depth_correlation")]
        assert ((correlation > 0) & (correlation < 1)).all()


def test_a_fit_names_tests_and_priors_that_do_not_agree(course):
    wrong = replace(course.soil_tests[0], om_percent=40.0)
    spoilt = replace(course, soil_tests=[wrong, *course.soil_tests[1:]])
    named = [note for note in mat.calibrate(spoilt, draws=20).notes if "priors and data do not agree" in note]
    assert any(f"the test of {wrong.green} on {wrong.date}" in note for note in named)
    named = mat.calibrate(course, draws=20, priors={"base_percent": (9.0, 0.1)}).conflicts
    assert any("; base_percent" in line and "below its median" in line for line in named)


def test_a_start_that_cannot_be_run_names_the_prior(course):
    with pytest.raises(InputError, match=r"priors.young_decay_per_year.*a decay rate of 20") as raised:
        mat.calibrate(course, draws=20, priors={"young_decay_per_year": (20.0, 0.1), "litter_ratio": (2.0, 0.5)})
    assert len(raised.value.problems) == 1
