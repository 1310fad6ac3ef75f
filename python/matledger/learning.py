"""What kind of soil test or record would teach most: how far a forecast would narrow, before it is taken."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import _core
from matledger._arrays import Floats
from matledger.calibration import Calibration
from matledger.course import Course
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.growth import ClippingRecord
from matledger.records import WorkRecord
from matledger.records.work import ALL_GREENS
from matledger.units import System, show_window
from matledger.weather import Weather

if TYPE_CHECKING:
    from matledger.comparison import Comparison

__all__ = ["next_tests"]

STEP = 0.05
"""Wide enough to look over the small jumps where the engine merges parcels."""
WEEK = 7
"""Days of one record of clippings."""


def next_tests(comparison: Comparison, *, cores: int | None = None, units: System = "metric") -> Table:
    """Weigh kinds of further tests by how much they would narrow the forecasts.

    Parameters
    ----------
    comparison
        The forecasts; their calibration says what is known so far.
    cores
        Cores of each further test; by default as many as the last tests had.
    units
        ``"metric"`` or ``"us"``.

    Returns
    -------
    Table
        For each kind of further test, best first: how many tests it takes; ``forecast``, the spread of the forecast
        that stays, over the present one, mean over the programmes; ``contrast``, the same for the difference of the
        first two programmes (none for a single one); ``unknown``, what it would narrow most, and ``spread left``, how
        much of its spread would stay. Spread is that of the unknowns; weather to come stays as it is.

    Raises
    ------
    InputError
        For fewer draws than three for each unknown, or a course whose tests name no window.

    Notes
    -----
    Laplace's approximation: tests with slopes ``J`` and error variances ``R`` turn the information ``H`` at the mode
    into ``H + J' R^-1 J`` whatever they read (Lindley 1956, Ann. Math. Stat. 27:986-1005; Chaloner & Verdinelli 1995,
    Stat. Sci. 10:273-304; memory). The forecast's slopes come from its regression on the draws. Tests are taken on the
    last day of the record, or a year on, after a repeat of its last year's weather under the first programme.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course(), method="laplace", draws=300)
    >>> table = mat.next_tests(mat.compare(calibration, years=3, draws=300, weather_sequences=5))
    >>> min(table.columns["forecast"]) < 1
    True
    """
    calibration = comparison.calibration
    names = calibration.names
    om = comparison._om_at_the_end
    count = om.shape[-1]
    problems = []
    if count < 3 * len(names):
        expected = f"at least {3 * len(names)}, three for each unknown"
        problems.append(Problem("comparison", f"{count} draws", expected))
    if not any(test.window for test in calibration.course.soil_tests):
        problems.append(Problem("soil_tests", "no depth window", "tests of a depth window to repeat"))
    if problems:
        raise InputError(problems)
    slopes = _slopes(calibration.coordinates[:count], om)
    before = _inverse(calibration.information)
    rows = []
    for kind, tests, after in _kinds(comparison, cores, units):
        left = np.sqrt(np.diag(after) / np.diag(before))
        k = int(np.argmin(left))
        contrast = None if len(slopes) < 2 else _left(slopes[1] - slopes[0], before, after)
        forecast = float(np.mean([_left(slope, before, after) for slope in slopes]))
        rows.append((kind, tests, forecast, contrast, names[k], float(left[k])))
    rows.sort(key=lambda row: row[2])
    heads = ("further tests", "tests", "forecast", "contrast", "unknown", "spread left")
    columns: dict[str, Sequence[Any]] = {head: [row[i] for row in rows] for i, head in enumerate(heads)}
    caption = f"{calibration.course.name}: share of the present spread that would stay"
    return Table(caption, columns, dict.fromkeys(("forecast", "contrast", "spread left"), ".2f"))


def _inverse(matrix: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _left(slope: Floats, before: Floats, after: Floats) -> float:
    return float(np.sqrt(slope @ after @ slope / (slope @ before @ slope)))


def _slopes(coordinates: Floats, om: Floats) -> Floats:
    """Slopes of each programme's forecast along the coordinates, by least squares over the draws."""
    away = np.column_stack([np.ones(len(coordinates)), coordinates])
    return np.asarray(np.linalg.lstsq(away, om.T, rcond=None)[0][1:].T, dtype=np.float64)


def _kinds(comparison: Comparison, cores: int | None, units: System) -> list[tuple[str, int, Floats]]:
    """Kinds of further tests, how many tests each takes, and the covariance that would be left."""
    calibration = comparison.calibration
    course = calibration.course
    last = max(test.date for test in course.soil_tests if test.window)
    pattern = next(test for test in course.soil_tests if test.window and test.date == last)
    base = replace(pattern, laboratory_sd_percent=None, cores=cores or pattern.cores)
    windows = sorted({test.window for test in course.soil_tests if test.method == base.method and test.window})
    top, bottom = windows[0]
    greens = [green.name for green in course.greens]
    untested = [name for name in greens if not course.tests_of(name)]
    later = _a_year_on(comparison)

    def round_of(
        where: Sequence[str], depths: Sequence[tuple[float, float]], on: Course = course, **other: Any
    ) -> Course:
        tests = [
            replace(base, green=green, date=on.weather.end, top_mm=upper, bottom_mm=lower, **other)
            for green in where
            for upper, lower in depths
        ]
        return replace(on, soil_tests=tests)

    middle = (top + bottom) / 2
    split = [(top, middle), (middle, bottom)]
    depth = windows[-1][1]
    deeper = (depth, min(depth + bottom - top, course.settings.column_depth_mm))
    kinds = [
        ("one more round now, the same samples", round_of(greens, windows)),
        ("the same round a year on", round_of(greens, windows, later)),
        ("the top sample alone, a year on", round_of(greens, windows[:1], later)),
        ("the top sample split in two, a year on", round_of(greens, split, later)),
        (f"a year on, with twice the cores ({2 * base.cores})", round_of(greens, windows, later, cores=2 * base.cores)),
        (
            "a year on, by a laboratory that repeats to 0.05 % OM",
            round_of(greens, windows, later, laboratory_sd_percent=0.05),
        ),
        ("one green alone, a year on", round_of(greens[:1], windows, later)),
    ]
    if deeper[0] < deeper[1]:
        kinds.append((f"a deeper sample, {show_window(*deeper, units)}, a year on", round_of(greens, [deeper], later)))
    if untested:
        kinds.append((f"the greens never tested, now: {', '.join(untested)}", round_of(untested, windows)))
    found = [(kind, len(asked.soil_tests), _left_by_tests(calibration, asked)) for kind, asked in kinds]
    weighed = _left_by_clippings(calibration, _weighed_all(calibration, later))
    return [*found, ("clippings weighed on every green all through the coming year", 0, weighed)]


def _a_year_on(comparison: Comparison) -> Course:
    """The course a year later: its last year's weather again, under the first programme."""
    course = comparison.calibration.course
    weather = course.weather
    days = np.arange(weather.dates[-1] + 1, weather.dates[-1] + 366)
    grown = Weather(
        np.concatenate([weather.dates, days]),
        np.concatenate([weather.tmin_c, weather.tmin_c[-365:]]),
        np.concatenate([weather.tmax_c, weather.tmax_c[-365:]]),
    )
    end = grown.end
    done = [WorkRecord(green=ALL_GREENS, date=e.date, work=e.work) for e in comparison.calendars[0] if e.date <= end]
    return replace(course, weather=grown, work=[*course.work, *done])


def _left_by_tests(calibration: Calibration, asked: Course) -> Floats:
    """Covariance that the tests of a course would leave, from differences of what they should read at the mode."""
    site = replace(calibration, course=asked, earlier=None).site
    at = {name: i for i, name in enumerate(calibration.names)}
    known = np.array([i for i, name in enumerate(site.names) if name in at])
    there = np.array([at[site.names[i]] for i in known])
    n = len(site.names)
    mode, information = np.zeros(n), np.eye(n)
    mode[known] = calibration.mode[there]
    information[np.ix_(known, known)] = calibration.information[np.ix_(there, there)]
    predicted = site.predictions(np.concatenate([mode + STEP * np.eye(n), mode - STEP * np.eye(n), mode[None, :]]))
    means = np.concatenate([mean for mean, _ in predicted], axis=1)
    sds = np.concatenate([sd[-1] for _, sd in predicted])
    slopes = (means[:n] - means[n : 2 * n]) / (2 * STEP) / sds
    whole = _inverse(information + slopes @ slopes.T)
    left = _inverse(calibration.information)
    left[np.ix_(there, there)] = whole[np.ix_(known, known)]
    return left


def _weighed_all(calibration: Calibration, later: Course) -> Course:
    """The course a year later with the clippings of every green in each week of that year, as its yield has them."""
    rate = calibration.site_yield.g_m2_per_degree_day
    heat, _ = _core.drivers(later.weather.core, calibration.driving._given())
    first = calibration.course.weather.end + dt.timedelta(days=1)
    start, count = (first - later.weather.start).days, ((later.weather.end - first).days + 1) // WEEK
    full = [
        ClippingRecord(
            green.name,
            first + dt.timedelta(days=WEEK * week),
            first + dt.timedelta(days=WEEK * week + WEEK - 1),
            rate * float(heat[start + WEEK * week : start + WEEK * (week + 1)].sum()),
        )
        for green in later.greens
        for week in range(count)
    ]
    return replace(later, clippings=[*later.clippings, *full])


def _left_by_clippings(calibration: Calibration, asked: Course) -> Floats:
    """Covariance that the further clipping records of a course would leave."""
    site = replace(calibration, course=asked, earlier=None).site
    known = np.array([site.names.index(name) for name in calibration.names])
    n = len(site.names)
    mode, information = np.zeros(n), np.eye(n)
    mode[known] = calibration.mode
    information[np.ix_(known, known)] = calibration.information
    so_far = {year: log_sd**-2 for year, *_, log_sd in calibration.site.years_shown(calibration.mode)}
    for year, *_, log_sd in site.years_shown(mode):
        # Recorded yields follow the site's and the year's, both log-normal.
        along = np.zeros(n)
        for name in ("annual_clippings_g_m2", f"clipping_multiplier[{year}]"):
            along[site.names.index(name)] = site.priors[site.names.index(name)][1]
        information += (log_sd**-2 - so_far.get(year, 0.0)) * np.outer(along, along)
    left = _inverse(information)
    return np.asarray(left[np.ix_(known, known)], dtype=np.float64)
