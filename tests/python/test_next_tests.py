"""Advice on further tests, held against taking the tests."""

import datetime as dt
import re
from dataclasses import replace

import numpy as np
import pytest

import matledger as mat
from matledger.errors import InputError
from matledger.learning import _a_year_on, _left, _left_by_clippings, _slopes, _weighed_all


@pytest.fixture(scope="module")
def comparison():
    fit = mat.calibrate(mat.demo_course(), method="laplace", draws=300, seed=1)
    return mat.compare(fit, fit.course.programmes[:2], years=4, draws=300, weather_sequences=5)


@pytest.fixture(scope="module")
def table(comparison):
    return mat.next_tests(comparison)


def row(table, kind):
    at = table.columns["further tests"].index(kind)
    return {name: values[at] for name, values in table.columns.items()}


def test_more_is_never_worth_less(table):
    for column in ("forecast", "contrast", "spread left"):
        assert all(0 < value <= 1 + 1e-9 for value in table.columns[column])
    assert table.columns["forecast"] == sorted(table.columns["forecast"])
    whole, alone = row(table, "the same round a year on"), row(table, "the top sample alone, a year on")
    assert whole["forecast"] <= alone["forecast"]
    assert row(table, "one green alone, a year on")["tests"] == 3
    assert row(table, "one more round now, the same samples")["tests"] == 27


@pytest.mark.parametrize(
    ("kind", "windows"),
    [
        ("the top sample split in two, a year on", [(0, 10), (10, 20)]),
        ("the same round a year on", [(0, 20), (20, 40), (40, 60)]),
    ],
)
def test_what_is_promised_comes_true_when_the_tests_are_taken(comparison, table, kind, windows):
    """The further tests are taken, reading what the model expects, and everything is fitted again."""
    fit, grown = comparison.calibration, _a_year_on(comparison)
    last = max(test.date for test in grown.soil_tests)
    pattern = next(test for test in grown.soil_tests if test.date == last)
    taken = [
        replace(pattern, green=green.name, date=grown.weather.end, top_mm=top, bottom_mm=bottom)
        for green in grown.greens
        for top, bottom in windows
    ]
    site = replace(fit, course=replace(grown, soil_tests=taken)).site
    at = dict(zip(fit.names, fit.mode, strict=True))
    expected = site.predictions(np.array([[at.get(name, 0.0) for name in site.names]]))
    readings = np.concatenate([mean[0] for mean, _ in expected])
    taken = [replace(test, om_percent=float(reading)) for test, reading in zip(taken, readings, strict=True)]
    refitted = mat.calibrate(replace(grown, soil_tests=[*grown.soil_tests, *taken]), method="laplace", draws=10)
    order = [refitted.names.index(name) for name in fit.names]
    after = np.linalg.inv(refitted.information)[np.ix_(order, order)]
    before = np.linalg.inv(fit.information)
    om = comparison.course_mean(comparison.om_percent)[:, -1, comparison.first_sample]
    slopes = _slopes(fit.coordinates, om)
    promised = row(table, kind)
    assert promised["contrast"] == pytest.approx(_left(slopes[1] - slopes[0], before, after), abs=0.05)
    assert promised["forecast"] == pytest.approx(np.mean([_left(s, before, after) for s in slopes]), abs=0.05)


@pytest.mark.parametrize("end", ["2015-12-31", "2015-06-30"])
def test_what_clippings_promise_comes_true_when_they_are_weighed(comparison, end):
    """Weighed in the year that comes, whose days may lie in two calendar years, after one that was half weighed."""
    course, last = comparison.calibration.course, dt.date.fromisoformat(end)
    weather = course.weather
    days = (last - weather.start).days + 1
    course = replace(
        course,
        weather=mat.Weather(weather.dates[:days], weather.tmin_c[:days], weather.tmax_c[:days]),
        clippings=[c for c in course.clippings if c.last_day <= last and c.last_day.year in (2011, 2015)],
        soil_tests=[test for test in course.soil_tests if test.date <= last],
        work=[done for done in course.work if done.date <= last],
    )
    fit = mat.calibrate(course, method="laplace", draws=300, seed=1)
    grown = _a_year_on(mat.compare(fit, course.programmes[:1], years=2, draws=20, weather_sequences=2))
    weighed = _weighed_all(fit, grown)
    asked = [c for c in weighed.clippings if c not in course.clippings]
    assert min(c.first_day for c in asked) == last + dt.timedelta(days=1)
    refitted = mat.calibrate(weighed, method="laplace", draws=10)
    order = [refitted.names.index(name) for name in fit.names]
    after = np.linalg.inv(refitted.information)[np.ix_(order, order)]
    promised = np.sqrt(np.diag(_left_by_clippings(fit, weighed)) / np.diag(np.linalg.inv(fit.information)))
    at = fit.names.index("annual_clippings_g_m2")
    found = np.sqrt(after[at, at] / np.linalg.inv(fit.information)[at, at])
    assert promised[at] == pytest.approx(found, abs=0.03)
    assert promised[at] < 0.95


def test_no_advice_is_on_years_past(table):
    kinds = table.columns["further tests"]
    assert "clippings weighed on every green all through the coming year" in kinds
    assert not any(re.search(r"\b20\d\d\b", kind) for kind in kinds)


def test_too_few_draws_are_refused(comparison):
    few = mat.compare(comparison.calibration, years=1, draws=60, weather_sequences=2)
    with pytest.raises(InputError, match="three for each unknown"):
        mat.next_tests(few)
