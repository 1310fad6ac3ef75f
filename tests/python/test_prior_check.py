"""Priors and tests held against each other before a fit, and tests invented from the prior."""

from dataclasses import replace

import numpy as np
import pytest
from few_greens import demo_greens

import matledger as mat
from matledger.errors import InputError


@pytest.fixture(scope="module")
def course():
    return demo_greens(2)


def test_a_sound_course_passes_and_says_so(course):
    check = mat.prior_check(course)
    assert check.good
    assert check.verdict[0].startswith("priors and data agree")
    assert check.expected.shape == (500, len(course.soil_tests))
    assert "mean of 0 to 20 mm" in check.summaries.columns["what"][0]
    assert "change of" in repr(check)


def test_a_wrong_test_is_named_with_the_unknown_that_governs_it(course):
    wrong = replace(course.soil_tests[0], om_percent=40.0)
    check = mat.prior_check(replace(course, soil_tests=[wrong, *course.soil_tests[1:]]))
    assert not check.good
    (line,) = [line for line in check.conflicts if "the test of" in line]
    assert f"{wrong.green} on {wrong.date}, {wrong.sampled}, read 40.00 %: above" in line
    assert "surface_percent" in line
    assert "look at the records named here first" in check.verdict[0]


def test_a_wrong_prior_is_named(course):
    check = mat.prior_check(course, priors={"base_percent": (9.0, 0.1)})
    assert any("; base_percent" in line and "below its median" in line for line in check.conflicts)
    assert any("more tests lie as far off" in line for line in check.conflicts)


def test_priors_that_cannot_be_run_are_named(course):
    check = mat.prior_check(course, priors={"litter_ratio": (30.0, 2.5)})
    assert any("cannot be run" in line and "large litter_ratio" in line for line in check.conflicts)


def test_what_the_tests_cannot_tell(course):
    one = mat.prior_check(replace(course, soil_tests=course.soil_tests[:1]))
    assert any("one test only" in line for line in one.missing)
    assert any(f"never tested: {course.greens[1].name}" in line for line in one.missing)
    day = course.soil_tests[0].date
    same_day = [test for test in course.soil_tests if test.date == day]
    assert any(
        "all tests are of one day" in line for line in mat.prior_check(replace(course, soil_tests=same_day)).missing
    )
    other = replace(same_day[0], method="other", top_mm=20, bottom_mm=40)
    methods = (*course.methods, mat.Method("other"))
    check = mat.prior_check(replace(course, soil_tests=[*same_day, other], methods=methods))
    assert any("other, verdure on was used once" in line for line in check.missing)


def test_too_few_draws_are_refused(course):
    with pytest.raises(InputError, match="from 100"):
        mat.prior_check(course, draws=50)
    with pytest.raises(InputError, match="at least one soil test"):
        mat.prior_check(replace(course, soil_tests=()))


def test_invented_readings_scatter_around_their_truth(course):
    invented = [mat.invent_tests(course, seed=seed) for seed in range(40)]
    assert invented[0].course.soil_tests != course.soil_tests
    assert [(t.date, t.sampled) for t in invented[0].course.soil_tests] == [
        (t.date, t.sampled) for green in course.greens for t in course.tests_of(green.name)
    ]
    z = np.array([each.coordinates for each in invented])
    assert abs(z.mean()) < 0.1
    assert z.std() == pytest.approx(1, abs=0.05)
    again = mat.invent_tests(course, seed=3)
    assert again.course == invented[3].course
    assert again.values["litter_ratio"] == pytest.approx(3.0 * np.exp(0.6 * again.coordinates[0]))
