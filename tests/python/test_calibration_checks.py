"""Tests left out one at a time, and last tests from the earlier ones."""

from dataclasses import replace

import numpy as np
import pytest
from few_greens import demo_greens

import matledger as mat
from matledger.calibration.checks import _left_out, _pareto, last_tests, leave_one_out
from matledger.errors import InputError


@pytest.fixture(scope="module")
def fit():
    return mat.calibrate(mat.demo_course(), draws=500, seed=2)


def test_a_pareto_tail_gives_back_its_shape():
    rng = np.random.default_rng(3)
    for k in (0.2, 0.5, 0.9):
        sample = np.sort((rng.uniform(size=20_000) ** -k - 1) / k * 2.0)
        shape, scale = _pareto(sample)
        assert shape == pytest.approx(k, abs=0.05)
        assert scale == pytest.approx(2.0, rel=0.05)


def test_leaving_out_a_normal_observation_agrees_with_its_closed_form():
    rng = np.random.default_rng(4)
    values = rng.normal(size=20)
    draws = rng.normal(values.mean(), 1 / np.sqrt(20), size=40_000)
    others = values[1:]
    variance = 1 + 1 / 19
    exact = -0.5 * (np.log(2 * np.pi * variance) + (values[0] - others.mean()) ** 2 / variance)
    elpd, k = _left_out(-0.5 * (np.log(2 * np.pi) + (values[0] - draws) ** 2))
    assert elpd == pytest.approx(exact, abs=0.01)
    assert k < 0.5


def test_leaving_out_needs_draws_of_a_sampler_and_enough_of_them(fit):
    with pytest.raises(InputError, match="nuts"):
        leave_one_out(fit)
    small = demo_greens(1)
    columns = leave_one_out(mat.calibrate(small, method="nuts", chains=2, tune=10, draws=4)).columns
    assert len(columns["elpd"]) == len(small.soil_tests)
    assert not any(columns["trusted"])


def test_the_last_tests_are_predicted_better_than_by_a_straight_line(fit):
    columns = last_tests(fit).columns
    measured = np.array(columns["om_percent"])
    errors = {name: np.abs(np.array(columns[name]) - measured).mean() for name in ("median", "straight_line")}
    inside = (measured >= columns["5 %"]) & (measured <= columns["95 %"])
    assert len(measured) == 36
    assert errors["median"] < errors["straight_line"]
    assert 0.7 < inside.mean() <= 1


def test_a_single_day_of_tests_leaves_nothing_to_predict_from(fit):
    first = min(test.date for test in fit.course.soil_tests)
    alone = replace(fit, course=replace(fit.course, soil_tests=[t for t in fit.course.soil_tests if t.date == first]))
    with pytest.raises(InputError, match="two days"):
        last_tests(alone)
