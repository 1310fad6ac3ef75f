"""Honest scores: tests left out one at a time, and each green's last tests predicted from the earlier ones."""

from __future__ import annotations

import datetime as dt
from concurrent.futures import Executor
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from matledger._arrays import Floats
from matledger.calibration.site import labels_of, scatter_of
from matledger.course import Course, method_of
from matledger.errors import InputError, Problem
from matledger.executors import Tell, run_each
from matledger.frames import Table
from matledger.records import SoilTest

if TYPE_CHECKING:
    from matledger.calibration.fit import Calibration

__all__ = ["last_tests", "leave_one_out", "predictive_checks"]

PARETO_K_ENOUGH = 0.7

Series: TypeAlias = tuple[str, str, str, str | None]


def leave_one_out(
    calibration: Calibration, *, refit: bool = False, executor: Executor | None = None, progress: Tell | None = None
) -> Table:
    """Expected log density of each test, predicted from all the others.

    Parameters
    ----------
    calibration
        A fit by sampling, whose draws are weighed anew by Pareto-smoothed importance sampling; the weights of Laplace's
        approximation are too uneven to smooth. Any fit with `refit`.
    refit
        Whether the course is fitted again without each test, by Laplace's approximation, in place of the weighing.
    executor
        Where it is fitted again, the tests of one green after the other: anything with the interface of
        `concurrent.futures.Executor`.
    progress
        Called with the number of greens done.

    Returns
    -------
    Table
        Green, date, sample, laboratory method, measured % organic matter, ``elpd`` (log density), Pareto ``k`` and
        whether it can be trusted (``k`` up to 0.7, and not above what the number of draws allows). Of fits made again
        ``k`` is NaN, and ``trusted`` says whether the search settled; a test that is the only one of its method has no
        ``elpd``.

    Raises
    ------
    InputError
        For a fit by Laplace's approximation without `refit`.

    References
    ----------
    Vehtari, Gelman & Gabry 2017, Stat. Comput. 27:1413-1432; Zhang & Stephens 2009, Technometrics 51:316-325 (memory).

    Examples
    --------
    >>> import matledger as mat
    >>> course = mat.demo_course().only(["Fen"])
    >>> few = replace(course, soil_tests=course.soil_tests[:4])
    >>> leave_one_out(mat.calibrate(few, draws=20), refit=True).columns["trusted"]
    [True, True, True, True]
    """
    if refit:
        parts = [(calibration, green.name) for green in calibration.course.greens]
        by_green = run_each(_fitted_without, parts, executor=executor, progress=progress)
        found = [one for own in by_green for one in own]
    elif calibration.chains is None:
        expected = 'a fit with method="nuts", or refit=True'
        raise InputError([Problem("calibration", "a Laplace approximation", expected)])
    else:
        found = _weighed(calibration.site.log_likelihoods(calibration.coordinates))
    tests = [test for green in calibration.course.greens for test in calibration.soil_tests_of(green.name)]
    columns: dict[str, list[Any]] = {
        **labels_of(tests),
        "om_percent": [test.om_percent for test in tests],
        "elpd": [elpd for elpd, _, _ in found],
        "pareto_k": [k for _, k, _ in found],
        "trusted": [trusted for _, _, trusted in found],
    }
    formats = dict.fromkeys(("om_percent", "elpd", "pareto_k"), ".2f")
    return Table(f"{calibration.course.name}: tests left out one at a time", columns, formats)


def _weighed(log_likelihoods: Floats) -> list[tuple[float, float, bool]]:
    enough = min(1 - 1 / np.log10(len(log_likelihoods)), PARETO_K_ENOUGH) if len(log_likelihoods) > 1 else 0.0
    found = [_left_out(column) for column in log_likelihoods.T]
    return [(elpd, k, k <= enough) for elpd, k in found]


def _fitted_without(calibration: Calibration, green: str) -> list[tuple[float, float, bool]]:
    """Log density of each test of a green under fits without it, NaN, and whether the search settled."""
    course, found = calibration.course, []
    counted = [test for own in course.greens for test in calibration.soil_tests_of(own.name)]
    for place, test in enumerate(counted):
        if test.green != green:
            continue
        rest = [other for other in course.soil_tests if other is not test]
        if not any((other.method, other.verdure) == (test.method, test.verdure) for other in rest):
            found.append((float("nan"), float("nan"), False))
            continue
        fitted = _again(replace(course, soil_tests=rest), calibration, draws=200)
        log_likelihood = calibration.site.log_likelihoods(fitted.coordinates)[:, place]
        elpd = float(np.logaddexp.reduce(log_likelihood) - np.log(len(log_likelihood)))
        found.append((elpd, float("nan"), fitted.converged))
    return found


def _again(course: Course, calibration: Calibration, *, draws: int) -> Calibration:
    """Fit other tests as a fit was made, by Laplace's approximation."""
    from matledger.calibration.fit import calibrate

    return calibrate(
        course,
        priors=None if calibration.earlier else calibration.priors,
        draws=draws,
        degrees_of_freedom=calibration.degrees_of_freedom,
        depth_correlation=calibration.depth_correlation,
        earlier=calibration.earlier,
        lag_days=calibration.driving.lag_days,
        form=calibration.driving.form,
    )


def _left_out(log_likelihood: Floats) -> tuple[float, float]:
    """Expected log density and Pareto k of one test from its log density at each draw."""
    log_weights = -log_likelihood - np.max(-log_likelihood)
    count = len(log_weights)
    tail = min(count // 5, int(3 * np.sqrt(count)))
    k = float("inf")
    if tail >= 5:
        order = np.argsort(log_weights)
        largest = order[-tail:]
        cut = log_weights[order[-tail - 1]]
        excess = np.exp(log_weights[largest]) - np.exp(cut)
        if excess[0] > 0:
            k, scale = _pareto(excess)
            shares = (np.arange(tail) + 0.5) / tail
            smoothed = np.exp(cut) + scale * (-np.log1p(-shares) if k == 0 else np.expm1(-k * np.log1p(-shares)) / k)
            log_weights[largest] = np.minimum(np.log(smoothed), 0.0)
    total = np.logaddexp.reduce(log_weights)
    return float(np.logaddexp.reduce(log_weights + log_likelihood) - total), k


def _pareto(excess: Floats) -> tuple[float, float]:
    """Shape and scale of a generalised Pareto distribution for sorted values above 0."""
    n = len(excess)
    trials = 30 + int(np.sqrt(n))
    grid = 1 - np.sqrt(trials / (np.arange(1, trials + 1) - 0.5))
    theta = grid / (3 * excess[int(n / 4 + 0.5) - 1]) + 1 / excess[-1]
    shape = np.log1p(-theta[:, None] * excess).mean(axis=1)
    profile = n * (np.log(-theta / shape) - shape - 1)
    weight = np.exp(profile - profile.max())
    best = float((theta * weight).sum() / weight.sum())
    k = float(np.log1p(-best * excess).mean())
    # A weak prior of ten values at 0.5 steadies k where the tail is short.
    return (n * k + 10 * 0.5) / (n + 10), -k / best


def last_tests(calibration: Calibration) -> Table:
    """Predict the last tests of each green from its earlier ones, beside two naive forecasts.

    The model is fitted again without the last day of tests of each green, by Laplace's approximation.

    Parameters
    ----------
    calibration
        The fit whose course and settings are taken.

    Returns
    -------
    Table
        Green, date, sample, laboratory method, measured % organic matter; the model's 5, 50 and 95 % points; the last
        value before; a straight line through the values before (the last value where there is but one).

    Raises
    ------
    InputError
        If no green has tests of one window and method on two days.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course().only(["Fen"]), draws=100)
    >>> list(last_tests(calibration).columns)[4:]
    ['om_percent', '5 %', 'median', '95 %', 'last_value', 'straight_line']
    """
    from matledger.calibration.fit import _repeated

    course = calibration.course
    last = {green.name: max((t.date for t in course.tests_of(green.name)), default=None) for green in course.greens}
    earlier = [test for test in course.soil_tests if test.date != last[test.green]]
    before: dict[Series, list[SoilTest]] = {}
    for test in earlier:
        before.setdefault(_series(test), []).append(test)
    held = [test for test in course.soil_tests if test.date == last[test.green] and _series(test) in before]
    if not held:
        raise InputError([Problem("soil_tests", "no series of two days", "a green tested alike on two days or more")])
    fitted = _again(replace(course, soil_tests=earlier), replace(calibration, earlier=None), draws=1000)
    whole = replace(fitted, course=replace(course, soil_tests=(*earlier, *held)))
    low, median, high = np.quantile(_repeated(whole, fitted.coordinates, 0), [0.05, 0.5, 0.95], axis=0)
    head, values = ("green", "date", "sample", "laboratory_method"), ("om_percent", "5 %", "median", "95 %")
    columns: dict[str, list[Any]] = {name: [] for name in (*head, *values, "last_value", "straight_line")}
    for i, test in enumerate(test for green in course.greens for test in whole.soil_tests_of(green.name)):
        if test.date != last[test.green]:
            continue
        past = sorted(before[_series(test)], key=lambda t: t.date)
        row = (test.green, test.date, test.sampled, method_of(test), test.om_percent, low[i], median[i], high[i])
        for name, value in zip(columns, (*row, past[-1].om_percent, _line(past, test.date)), strict=True):
            columns[name].append(value)
    formats = dict.fromkeys((*values, "last_value", "straight_line"), ".2f")
    return Table(f"{course.name}: the last tests from the earlier ones", columns, formats)


def _series(test: SoilTest) -> Series:
    return test.green, test.sampled, test.method, test.verdure


def _line(past: list[SoilTest], date: dt.date) -> float:
    days = np.array([(test.date - date).days for test in past], dtype=np.float64)
    values = np.array([test.om_percent for test in past])
    return float(np.polyfit(days, values, 1)[1]) if np.ptp(days) > 0 else float(values[-1])


def predictive_checks(calibration: Calibration, *, seed: int = 0) -> Table:
    """Hold what the tests look like together against what the fit would make of them if they were taken again.

    Parameters
    ----------
    calibration
        The fit.
    seed
        Seed of the repeated tests' scatter.

    Returns
    -------
    Table
        For each sample its mean, its change a year and its spread between the greens' means; the largest residual of
        any test at the mode in standard deviations, as `Calibration.tests` has it, beside that of tests repeated there;
        the measured value, 5, 50 and 95 % points of repetitions, and ``share_below``, the share of repetitions below
        the measured value, which is suspect under 0.01 or over 0.99.

    References
    ----------
    Gelman, Meng & Stern 1996, Stat. Sinica 6:733-807 (memory).

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course().only(["Fen", "Knoll"]), draws=100)
    >>> table = predictive_checks(calibration, seed=1)
    >>> list(table.columns)
    ['what', 'measured', '5 %', 'median', '95 %', 'share_below']
    """
    tests = [test for green in calibration.course.greens for test in calibration.soil_tests_of(green.name)]
    measured = np.array([test.om_percent for test in tests])
    both = np.vstack([measured, calibration.repeated_tests(seed)])
    rows: list[tuple[str, Floats]] = []
    greens = np.array([test.green for test in tests])
    years = np.array([test.date.toordinal() / 365.25 for test in tests])
    # Methods are told apart, so that what sets them apart is no change over time.
    kinds = [(test.sampled, test.method, test.verdure) for test in tests]
    several = len({kind[1:] for kind in kinds}) > 1
    for kind in dict.fromkeys(kinds):
        mine = np.array([each == kind for each in kinds])
        name = f"{kind[0]} by {kind[1]}, verdure {kind[2]}" if several else kind[0]
        at = [mine & (greens == green) for green in dict.fromkeys(greens[mine])]
        rows.append((f"mean of {name}, %", both[:, mine].mean(axis=1)))
        away = years[mine] - years[mine].mean()
        if np.ptp(away) > 0:
            rows.append((f"change of {name}, % a year", both[:, mine] @ away / (away @ away)))
        if len(at) > 1:
            apart = np.std([both[:, here].mean(axis=1) for here in at], axis=0)
            rows.append((f"spread of {name} between greens, %", apart))
    # Repeated at the mode too: among draws of wide errors and narrow ones no residual would stand out.
    at_mode = calibration.site.predictions(calibration.mode[None, :])
    mean, sd = (np.concatenate([pair[k][0] for pair in at_mode]) for k in (0, 1))
    anew = [(mean, np.tile(sd, (len(both) - 1, 1))) for mean, sd in at_mode]
    scatter = scatter_of(anew, calibration.degrees_of_freedom, np.random.default_rng(seed))
    largest = np.abs(np.vstack([measured - mean, scatter]) / sd).max(axis=1)
    rows.append(("largest residual at the mode, standard deviations", largest))
    columns: dict[str, list[Any]] = {name: [] for name in ("what", "measured", "5 %", "median", "95 %", "share_below")}
    for what, (seen, *again) in rows:
        low, median, high = np.quantile(again, [0.05, 0.5, 0.95])
        values = (what, float(seen), low, median, high, float(np.mean(again < seen)))
        for name, value in zip(columns, values, strict=True):
            columns[name].append(value)
    formats = dict.fromkeys(list(columns)[1:], ".2f")
    return Table(f"{calibration.course.name}: the tests together, and as they would come again", columns, formats)
