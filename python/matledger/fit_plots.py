"""Plots of a fit: what was learnt, the fit by green and depth, a predictive check, pairs of unknowns."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger.calibration import Calibration
from matledger.calibration.names import is_shared
from matledger.calibration.site import methods_of
from matledger.calibration.words import LESSONS
from matledger.course import method_of
from matledger.errors import InputError, Problem
from matledger.plots import COLOURS, MARKERS, _axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["learnt", "over_time_by_depth", "pairs", "predictive_check"]

POINTS = (0.05, 0.5, 0.95)
NORMAL_95 = 1.645
STYLES = dict(zip(LESSONS.values(), ((COLOURS[0], "-"), (COLOURS[1], "--"), ("0.45", ":")), strict=True))
"""Colour and dash."""


def learnt(calibration: Calibration, *, ax: Axes | None = None) -> Axes:
    """Plot each unknown that the greens share before and after the tests, in standard deviations of its prior.

    Parameters
    ----------
    calibration
        The fit.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
        A row for each unknown, the most learnt on top: its prior's 90 % interval as a grey band, the posterior's as a
        line with its median, and the 5, 50 and 95 % points in the unknown's own unit.

    Examples
    --------
    >>> import matledger as mat
    >>> from matledger import fit_plots
    >>> axes = fit_plots.learnt(mat.calibrate(mat.demo_course(), method="laplace", draws=50))
    """
    table = calibration.taught().columns
    shown = [i for i, name in enumerate(calibration.names) if is_shared(name)]
    shown.sort(key=lambda i: -table["spread left"][i])
    axes = _axes(ax, (8.5, 0.3 * len(shown) + 1.4))
    axes.axvspan(-NORMAL_95, NORMAL_95, color="0.92", zorder=0, label="prior, 90 %")
    axes.axvline(0, color="0.8", linewidth=0.8, zorder=0)
    said: set[str] = set()
    points = np.quantile(calibration.coordinates[:, shown], POINTS, axis=0).T
    right = max(3.0, float(points.max()) + 0.2)
    for row, (i, (low, median, high)) in enumerate(zip(shown, points, strict=True)):
        lesson = table["lesson"][i]
        label = None if lesson in said else lesson
        said.add(lesson)
        colour, dash = STYLES[lesson]
        axes.plot([low, high], [row, row], color=colour, linestyle=dash, linewidth=2.4, label=label)
        axes.plot(median, row, "o", color=colour, markersize=6, markeredgecolor="white")
        values = ", ".join(format(table[name][i], ".3g") for name in ("5 %", "median", "95 %"))
        unit = "" if table["unit"][i] == "-" else f" {table['unit'][i]}"
        axes.text(right + 0.08, row, f"{values}{unit}", va="center", fontsize="small", color="0.3")
    axes.set_yticks(range(len(shown)), [calibration.names[i] for i in shown])
    axes.set_xlim(min(-3.0, float(points.min()) - 0.2), right)
    axes.set(
        xlabel="standard deviations of the prior from its median",
        title=f"{calibration.course.name}: what the tests taught (5, 50, 95 % points at the right)",
    )
    axes.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.09), ncols=4)
    return axes


def over_time_by_depth(calibration: Calibration, *, draws: int = 100, axes: Any = None) -> Any:
    """Plot the fit of every green at every depth, with the tests.

    Parameters
    ----------
    calibration
        The fit.
    draws
        Draws behind the intervals.
    axes
        Axes to draw on, shape ``(window, green)``.

    Returns
    -------
    numpy.ndarray
        Axes, shape ``(window, green)``: median and 90 % interval of the ground over the record, tests as marks, filled
        by the reference method and hollow by others.

    Raises
    ------
    InputError
        If no test names a depth window, or `axes` have another shape.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course().only(["Fen"]), draws=50)
    >>> len(over_time_by_depth(calibration, draws=20))
    3
    """
    import matplotlib.pyplot as plt

    course = calibration.course
    windows = sorted({test.window for test in course.soil_tests if test.window is not None})
    if not windows:
        raise InputError([Problem("calibration", "no test of a depth window", "tests of a depth window")])
    shape = (len(windows), len(course.greens))
    if axes is None:
        axes = plt.subplots(
            *shape,
            figsize=(1.7 * shape[1] + 1.2, 1.9 * shape[0] + 0.8),
            sharex=True,
            sharey="row",
            squeeze=False,
            layout="constrained",
        )[1]
    elif np.shape(axes) != shape:
        raise InputError([Problem("axes", f"shape {np.shape(axes)}", f"shape {shape}")])
    start = course.weather.start
    dates = [start + dt.timedelta(days=day) for day in range(0, len(course.weather) + 1, 30)]
    reference = methods_of(course)[0]
    for column, green in enumerate(course.greens):
        percent = calibration.trace(green.name, dates, windows, draws=draws)
        low, median, high = np.quantile(percent, POINTS, axis=0)
        days = np.array(dates, dtype="datetime64[D]")
        for row, window in enumerate(windows):
            here = axes[row, column]
            colour = COLOURS[row % len(COLOURS)]
            here.fill_between(days, low[:, row], high[:, row], color=colour, alpha=0.2, linewidth=0)
            here.plot(days, median[:, row], color=colour, linewidth=1.2)
            for test in course.tests_of(green.name):
                if test.window == window:
                    here.plot(
                        np.datetime64(test.date, "D"),
                        test.om_percent,
                        marker=MARKERS[row % len(MARKERS)],
                        color=colour,
                        markerfacecolor=colour if method_of(test) == reference else "white",
                        markersize=4,
                    )
            here.set_ylim(bottom=0)
            here.tick_params(labelsize="small")
            if row == 0:
                here.set_title(green.name, fontsize="medium")
            if column == 0:
                here.set_ylabel(f"{window[0]:g} to {window[1]:g} mm\n% OM", fontsize="small")
    years = [np.datetime64(f"{year}-01-01") for year in range(start.year, course.weather.end.year + 2, 2)]
    for here in axes[-1]:
        here.set_xticks(years, [str(year)[:4] for year in years])
    return axes


def predictive_check(calibration: Calibration, *, seed: int = 0, ax: Axes | None = None) -> Axes:
    """Plot every test beside what a new test there would read.

    Parameters
    ----------
    calibration
        The fit.
    seed
        Seed of the new tests' scatter.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
        Measured against expected with the 90 % interval of a new test; those outside are ringed.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course().only(["Fen"]), draws=50)
    >>> predictive_check(calibration).get_xlabel()
    'expected, % OM (median; lines: 90 % interval of a new test)'
    """
    tests = [test for green in calibration.course.greens for test in calibration.soil_tests_of(green.name)]
    measured = np.array([test.om_percent for test in tests])
    low, median, high = np.quantile(calibration.repeated_tests(seed), POINTS, axis=0)
    outside = (measured < low) | (measured > high)
    axes = _axes(ax, (5.6, 5.4))
    top = 1.05 * float(max(measured.max(), high.max()))
    axes.plot([0, top], [0, top], color="0.7", linewidth=0.8, zorder=0)
    for index, sampled in enumerate(sorted({test.sampled for test in tests})):
        mine = np.array([test.sampled == sampled for test in tests])
        colour = COLOURS[index % len(COLOURS)]
        axes.vlines(median[mine], low[mine], high[mine], color=colour, alpha=0.35, linewidth=1)
        style: dict[str, Any] = {"linestyle": "none", "marker": MARKERS[index % len(MARKERS)], "markersize": 4.5}
        axes.plot(median[mine], measured[mine], color=colour, label=sampled, **style)
    axes.plot(median[outside], measured[outside], "o", markersize=11, markerfacecolor="none", markeredgecolor="black")
    axes.set(
        xlim=(0, top),
        ylim=(0, top),
        xlabel="expected, % OM (median; lines: 90 % interval of a new test)",
        ylabel="measured, % OM",
        title=f"{outside.sum()} of {len(tests)} tests outside their 90 % interval (ringed)",
    )
    axes.legend(frameon=False, loc="upper left")
    return axes


def pairs(calibration: Calibration, unknowns: Sequence[str] | None = None, *, draws: int = 500) -> Any:
    """Plot unknowns against each other, in their own units.

    Parameters
    ----------
    calibration
        The fit.
    unknowns
        Names; by default the five shared ones that are most bound to another.
    draws
        Draws to show.

    Returns
    -------
    numpy.ndarray
        Axes, shape ``(unknown, unknown)``: histograms on the diagonal, draws below it, correlations above it.

    Raises
    ------
    InputError
        For an unknown name, or fewer than two.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course().only(["Fen"]), draws=50)
    >>> pairs(calibration, ["core_sd_percent", "laboratory_sd_percent"], draws=20).shape
    (2, 2)
    """
    import matplotlib.pyplot as plt

    names = calibration.names
    chosen = _bound(calibration, 5) if unknowns is None else list(unknowns)
    problems = [Problem("unknowns", name, "a name of the calibration") for name in chosen if name not in names]
    if len(chosen) < 2:
        problems.append(Problem("unknowns", f"{len(chosen)} names", "at least two"))
    if problems:
        raise InputError(problems)
    values = calibration.draws[:draws][:, [names.index(name) for name in chosen]]
    together = np.atleast_2d(np.corrcoef(calibration.coordinates[:, [names.index(n) for n in chosen]], rowvar=False))
    n = len(chosen)
    axes = plt.subplots(n, n, figsize=(1.9 * n, 1.8 * n), squeeze=False, layout="constrained")[1]
    for i in range(n):
        for j in range(n):
            here = axes[i, j]
            here.tick_params(labelsize="x-small")
            if i == j:
                here.hist(values[:, i], bins=20, color=COLOURS[0], alpha=0.7)
                here.set_yticks([])
            elif i > j:
                here.plot(values[:, j], values[:, i], ".", color=COLOURS[0], markersize=2, alpha=0.5)
            else:
                here.text(0.5, 0.5, f"{together[i, j]:+.2f}", ha="center", va="center", transform=here.transAxes)
                here.set_axis_off()
            if i == n - 1:
                here.set_xlabel(chosen[j], fontsize="x-small")
            if j == 0:
                here.set_ylabel(chosen[i], fontsize="x-small")
    return axes


def _bound(calibration: Calibration, count: int) -> list[str]:
    """Names of the shared unknowns that are most correlated with another one."""
    shared = [i for i, name in enumerate(calibration.names) if is_shared(name)]
    together = np.abs(np.corrcoef(calibration.coordinates[:, shared], rowvar=False)) - np.eye(len(shared))
    order = np.argsort(-np.nanmax(together, axis=0))[:count]
    return [calibration.names[shared[i]] for i in sorted(order)]
