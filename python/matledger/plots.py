"""Plots of calibrations and comparisons; each returns its matplotlib axes.

Lines differ in dash and marker as well as in colour, and no two colours are the same grey.
"""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger.calibration.site import methods_of
from matledger.chances import chance
from matledger.course import method_of
from matledger.days import day_and_month
from matledger.errors import InputError, Problem
from matledger.units import System, convert, show_window, shown_units

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matledger.calibration import Calibration
    from matledger.comparison import Comparison
    from matledger.infiltration import Infiltration
    from matledger.practice import Work
    from matledger.records import DepthVerdict, ProbeReading
    from matledger.recovery import CoverReading, Recovery
    from matledger.sand import Grading, Specification
    from matledger.searching import Frontier

__all__ = [
    "back_in_play",
    "costs",
    "cover",
    "grading",
    "greens",
    "hole_depths",
    "infiltration",
    "ledger",
    "over_time",
    "profile",
    "programmes",
]

COLOURS = ("#1b3a4b", "#a8501a", "#5a9680", "#a98bcb", "#d8b83a", "#4d4d4d")
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))
MARKERS = ("o", "s", "^", "D", "v", "P")
SLICE_MM = 5.0
LINE = 84
"""Characters that fit across a plot."""


def _axes(ax: Axes | None, size: tuple[float, float]) -> Axes:
    if ax is not None:
        if not hasattr(ax, "fill_between"):
            raise InputError([Problem("ax", repr(ax), "axes of matplotlib to draw on")])
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(figsize=size, layout="constrained")[1]


def _style(index: int) -> dict[str, Any]:
    return {"color": COLOURS[index % len(COLOURS)], "linestyle": DASHES[index % len(DASHES)]}


def _band(axes: Axes, x: Any, low: Any, median: Any, high: Any, style: dict[str, Any], label: str) -> None:
    """Draw a median and, in the same colour, the interval around it."""
    axes.fill_between(x, low, high, color=style["color"], alpha=0.15, linewidth=0)
    axes.plot(x, median, **style, linewidth=1.6, label=label)


def _index(comparison: Comparison, programme: str | None) -> int:
    """Return which programme is meant: the first if none is named."""
    names = comparison.names
    if programme is None:
        return 0
    if programme not in names:
        raise InputError([Problem("programme", repr(programme), f"one of {', '.join(names)}")])
    return names.index(programme)


def over_time(
    calibration: Calibration,
    green: str | None = None,
    *,
    draws: int = 200,
    units: System = "metric",
    ax: Axes | None = None,
) -> Axes:
    """Plot a green's organic matter over the record, with its soil tests and the model's 90 % interval.

    Parameters
    ----------
    calibration
        The fit.
    green
        Name of the green; the first by default.
    draws
        Draws behind the interval.
    units
        ``"metric"`` or ``"us"``.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
        Where the course's tests are by several laboratory methods, each has a mark of its own, named in the legend;
        the lines are on the scale of the first, the method of the oldest test.

    Raises
    ------
    InputError
        For an unknown green, or one whose tests name no depth window.

    Examples
    --------
    >>> import matledger as mat
    >>> from matledger import plots
    >>> axes = plots.over_time(mat.calibrate(mat.demo_course(), draws=50), draws=20)
    """
    course = calibration.course
    name = course.greens[0].name if green is None else course.green(green).name
    tests = course.tests_of(name)
    methods = methods_of(course)
    windows = sorted({test.window for test in tests if test.window is not None})
    if not windows:
        raise InputError([Problem("green", name, "a green with tests of a depth window")])
    weather = course.weather
    dates = [weather.start + dt.timedelta(days=day) for day in range(0, len(weather) + 1, 7)]
    percent = calibration.trace(name, dates, windows, draws=draws)
    axes = _axes(ax, (8.5, 4.6))
    low, median, high = np.quantile(percent, [0.05, 0.5, 0.95], axis=0)
    days = np.array(dates, dtype="datetime64[D]")
    mark: dict[str, Any] = {"linestyle": "none", "markeredgecolor": "white", "markersize": 6.5}
    for index, window in enumerate(windows):
        style = _style(index)
        label = show_window(*window, units)
        _band(axes, days, low[:, index], median[:, index], high[:, index], style, label)
        for number, method in enumerate(methods):
            mine = [test for test in tests if test.window == window and method_of(test) == method]
            axes.plot(
                np.array([test.date for test in mine], dtype="datetime64[D]"),
                [test.om_percent for test in mine],
                color=style["color"],
                marker=MARKERS[(number if len(methods) > 1 else index) % len(MARKERS)],
                **mark,
            )
    for number, method in enumerate(methods if len(methods) > 1 else ()):
        told = f"{method} (as the lines)" if number == 0 else method
        axes.plot([], [], color="0.35", marker=MARKERS[number % len(MARKERS)], label=told, **mark)
    cored = [record.date for record in course.work_of(name) if record.work.kind == "coring"]
    for number, date in enumerate(cored):
        axes.axvline(
            np.datetime64(date, "D"),  # type: ignore[arg-type]
            color="0.75",
            linewidth=0.8,
            zorder=0,
            label="coring" if number == 0 else None,
        )
    axes.set(
        ylabel="organic matter, % of dry mass",
        title=f"Green {name}: soil tests (marks) and model (median, 90 % interval)",
    )
    axes.set_ylim(bottom=0)
    _legend_below(axes)
    return axes


def profile(
    calibration: Calibration,
    green: str | None = None,
    dates: Sequence[dt.date] | None = None,
    *,
    bottom_mm: float = 100.0,
    draws: int = 200,
    units: System = "metric",
    ax: Axes | None = None,
) -> Axes:
    """Plot a green's organic matter against depth on chosen dates, with 90 % intervals.

    Parameters
    ----------
    calibration
        The fit.
    green
        Name of the green; the first by default.
    dates
        Dates of the record; by default its first day and the day after its last.
    bottom_mm
        Depth down to which to show it [mm].
    draws
        Draws behind the interval.
    units
        ``"metric"`` or ``"us"``.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InputError
        For an unknown green, dates outside the record or a depth beyond the column.
    """
    course = calibration.course
    name = course.greens[0].name if green is None else course.green(green).name
    end = course.weather.end + dt.timedelta(days=1)
    chosen = [course.weather.start, end] if dates is None else list(dates)
    faces = np.arange(0, bottom_mm, SLICE_MM)
    slices = [(float(top), float(top + SLICE_MM)) for top in faces]
    percent = calibration.trace(name, chosen, slices, draws=draws)
    low, median, high = np.quantile(percent, [0.05, 0.5, 0.95], axis=0)
    metric, unit = shown_units("mm", units)
    middle = (faces + SLICE_MM / 2) * convert(1, metric, unit)
    axes = _axes(ax, (5.2, 5.6))
    for index, date in enumerate(chosen):
        style = _style(index)
        axes.fill_betweenx(middle, low[index], high[index], color=style["color"], alpha=0.15, linewidth=0)
        axes.plot(median[index], middle, **style, linewidth=1.8, label=str(date))
    axes.invert_yaxis()
    axes.set_xlim(left=0)
    axes.set(
        xlabel="organic matter, % of dry mass",
        ylabel=f"depth below the surface, {unit}",
        title=f"Green {name}: profile",
    )
    axes.legend(frameon=False, loc="lower right")
    return axes


STEPS = (
    ("start", "at the start", 1),
    ("gained", "grown", 1),
    ("respired", "decayed", -1),
    ("cored_out", "cored out", -1),
    ("mown_out", "mown out", -1),
    ("below", "below the\ncolumn", -1),
    ("end", "at the end", 0),
)


def ledger(
    comparison: Comparison, programme: str | None = None, *, units: System = "metric", ax: Axes | None = None
) -> Axes:
    """Plot the account of organic matter over the whole forecast as a waterfall, mean over the greens by area.

    Parameters
    ----------
    comparison
        The forecasts.
    programme
        Name of the programme; the first by default.
    units
        ``"metric"`` or ``"us"``.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    InputError
        For an unknown programme.
    """
    from matledger.comparison import ENTRIES

    chosen = _index(comparison, programme)
    name = comparison.names[chosen]
    metric, unit = shown_units("g/m2", units)
    account = comparison.course_mean(comparison.ledgers)[chosen, :, 0] * convert(1, metric, unit)
    total = dict(zip(ENTRIES, account.sum(axis=0), strict=True))
    total["start"], total["end"] = account[0, 0], account[-1, -1]
    axes = _axes(ax, (8.5, 4.4))
    level = 0.0
    bars: list[tuple[float, float, str, str]] = []
    for entry, _, sign in STEPS:
        amount = total[entry]
        bottom = 0.0 if entry == "end" else (level if sign > 0 else level - amount)
        standing = entry in ("start", "end")
        mark = "" if standing or not amount else "+" if sign > 0 else "\u2212"
        bars.append((bottom, amount, COLOURS[0 if standing else 2 if sign > 0 else 1], f"{mark}{amount:,.0f}"))
        level += sign * amount
    for x, (bottom, amount, colour, said) in enumerate(bars):
        axes.bar(x, amount, bottom=bottom, color=colour, width=0.62)
        at = (x, bottom + amount)
        axes.annotate(said, at, xytext=(0, 3), textcoords="offset points", ha="center", fontsize=9)
    axes.set_xticks(range(len(STEPS)), [label for _, label, _ in STEPS])
    axes.set(
        ylabel=f"organic matter of the whole column, {unit}",
        title=_wrapped(f"{name}: where the organic matter went, {comparison.ledger_days()}"),
    )
    axes.margins(y=0.12)
    return axes


def programmes(comparison: Comparison, *, units: System = "metric", ax: Axes | None = None) -> Axes:
    """Plot the programmes side by side: organic matter of the target's window at the end of each year.

    Parameters
    ----------
    comparison
        The forecasts.
    units
        ``"metric"`` or ``"us"``.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
        Mean over the greens by area, with 90 % intervals, and the target.
    """
    axes = _axes(ax, (8.5, 4.6))
    om = comparison.course_mean(comparison.om_percent)[:, :, comparison.first_sample]
    low, median, high = np.quantile(om, [0.05, 0.5, 0.95], axis=-1)
    days = np.array(comparison.dates, dtype="datetime64[D]")
    apart = np.timedelta64(12, "D")
    for index, name in enumerate(comparison.names):
        style = _style(index)
        shifted = days + apart * (index - (len(comparison.names) - 1) // 2)
        spread = np.stack([median[index] - low[index], high[index] - median[index]])
        axes.errorbar(
            shifted,
            median[index],
            yerr=spread,
            marker=MARKERS[index % len(MARKERS)],
            capsize=3,
            linewidth=1.6,
            label=name,
            **style,
        )
    target = comparison.target
    if target is not None:
        label = f"target: at or below {target.om_percent:g} %"
        axes.axhline(target.om_percent, color="0.25", linewidth=1.2, zorder=0, label=label)
    window = comparison.sample_name(comparison.first_sample, units)
    axes.set(
        ylabel=f"organic matter in {window}, %",
        title=_wrapped(f"{comparison.calibration.course.name}: programmes, mean of the greens (median, 90 % interval)"),
    )
    axes.set_ylim(bottom=0)
    _legend_below(axes)
    return axes


def costs(comparison: Comparison, *, ax: Axes | None = None) -> Axes:
    """Plot what each programme costs a year against the days that it disrupts.

    Parameters
    ----------
    comparison
        The forecasts, with prices.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
        Means with 90 % intervals both ways; with a target, the chance that it holds on every green beside each name.

    Raises
    ------
    InputError
        Without prices.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course().only(["Fen"]), draws=50)
    >>> costs(mat.compare(calibration, years=1, draws=20, weather_sequences=1)).get_ylabel()
    'EUR a year'
    """
    budget = comparison.budget
    if budget is None:
        raise InputError([Problem("comparison.budget", "none", "prices for the comparison")])
    axes = _axes(ax, (8.5, 4.6))
    chances = None if comparison.probability_all is None else comparison.probability_all[:, -1]
    for index, name in enumerate(comparison.names):
        figures = []
        for means, draws in (
            (comparison.disrupted_days, comparison.disrupted_days_by_draw),
            (budget.a_year, budget.a_year_by_draw),
        ):
            mean, (low, high) = float(means[index]), np.quantile(draws[index], [0.05, 0.95])
            # A mean may lie beyond the point that nineteen of twenty draws keep below.
            figures.append((mean, [[max(mean - low, 0)], [max(high - mean, 0)]]))
        (days, days_apart), (money, money_apart) = figures
        told = ""
        if chances is not None:
            held = chance(float(chances[index]), comparison.om_percent.shape[-1], percent=False, named=False)
            told = f" (holds the target: {held})"
        style: dict[str, Any] = {"color": COLOURS[index % len(COLOURS)], "marker": MARKERS[index % len(MARKERS)]}
        axes.errorbar(days, money, xerr=days_apart, yerr=money_apart, capsize=3, label=name + told, **style)
    axes.set(
        xlabel="days a year below 99 % cover",
        ylabel=f"{budget.currency} a year",
        title=_wrapped(f"{comparison.calibration.course.name}: cost and days of play (mean, 90 % interval)"),
    )
    axes.set_ylim(bottom=0)
    axes.set_xlim(left=min(axes.get_xlim()[0], -1))
    axes.yaxis.set_major_formatter("{x:,.0f}")
    _legend_below(axes, 0.16)
    return axes


def _wrapped(text: str) -> str:
    """Break a text into lines that a plot has room for: names of programmes may be long."""
    return textwrap.fill(text, LINE)


def _legend_below(axes: Axes, gap: float = 0.1) -> None:
    """Put the legend under the axes, in as many columns as the longest label leaves room for."""
    handles, labels = axes.get_legend_handles_labels()
    longest = max(map(len, labels), default=1)
    axes.legend(
        handles,
        map(_wrapped, labels),
        frameon=False,
        loc="upper center",
        bbox_to_anchor=(0.5, -gap),
        ncols=min(4, max(1, LINE // (longest + 8))),
    )


def grading(sands: Sequence[Grading], specification: Specification | None = None, *, ax: Axes | None = None) -> Axes:
    """Plot grading curves, with what limits allow as a band.

    Parameters
    ----------
    sands
        The sands.
    specification
        Limits; the band is the room that all of them together leave to a curve at the sizes that they name.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> from matledger import Grading, Specification, plots
    >>> pile = Grading("pile", [2, 1, 0.5, 0.25, 0.15], [100, 99, 75, 28, 5])
    >>> axes = plots.grading([pile], Specification.usga_root_zone())
    """
    axes = _axes(ax, (8.0, 4.8))
    if specification is not None:
        # Between two sizes that are named a curve is only bound not to fall: the finer's least, the coarser's most.
        named = specification.core.envelope()[::-1]
        ends = [(size, size * 1.0001) for size, _, _ in named]
        sizes = [size for pair in ends for size in pair]
        low = [least for _, least, _ in named for _ in range(2)]
        high = [most for _, _, most in named for _ in range(2)]
        low[2::2], high[1:-1:2] = low[1:-1:2], high[2::2]
        label = f"room within {specification.name}"
        axes.fill_between(sizes, low, high, color="0.88", linewidth=0, zorder=0, label=label)
    for index, sand in enumerate(sands):
        axes.plot(
            sand.sizes_mm,
            sand.finer_percent,
            marker=MARKERS[index % len(MARKERS)],
            markersize=5,
            linewidth=1.6,
            label=sand.name,
            **_style(index),
        )
    axes.set_xscale("log")
    shown = [0.05, 0.1, 0.15, 0.25, 0.5, 1, 2, 4]
    axes.set_xticks(shown, [f"{size:g}" for size in shown])
    axes.minorticks_off()
    # What a pipette parts below the last sieve would squeeze the sieves into a corner.
    axes.set_xlim(0.045, max(3.6, *(max(sand.sizes_mm) for sand in sands)))
    axes.set_ylim(0, 102)
    axes.grid(visible=True, color="0.93")
    axes.set(xlabel="size, mm", ylabel="finer, % of mass", title="Grading")
    axes.legend(frameon=False, loc="upper left")
    return axes


def cover(
    recovery: Recovery,
    work: Work,
    done: dt.date,
    readings: Sequence[CoverReading] = (),
    *,
    days: int = 60,
    ax: Axes | None = None,
) -> Axes:
    """Plot the cover expected after work, and what was read.

    Parameters
    ----------
    recovery
        How the turf heals.
    work
        The work.
    done
        Its day.
    readings
        Readings of cover; those of the same day's work are shown.
    days
        Days to follow.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
    """
    axes = _axes(ax, (7.5, 4.2))
    curve = recovery.curve(work, done, days=days).columns
    dates = np.array([done + dt.timedelta(days=int(day)) for day in curve["day"]], dtype="datetime64[D]")
    style = {"color": COLOURS[2]}
    _band(axes, dates, curve["5 %"], curve["cover, %"], curve["95 %"], style, "expected, 90 % interval")
    mine = [reading for reading in readings if reading.done == done]
    if mine:
        axes.plot(
            np.array([reading.date for reading in mine], dtype="datetime64[D]"),
            [reading.cover_percent for reading in mine],
            linestyle="none",
            marker=MARKERS[0],
            color=COLOURS[0],
            label="read",
        )
    axes.set(ylabel="green cover, %", title=f"Cover after {work.kind.replace('_', ' ')} on {done}")
    axes.set_ylim(top=101)
    axes.tick_params(axis="x", rotation=20)
    axes.legend(frameon=False, loc="lower right")
    return axes


def greens(frontier: Frontier, programme: int = 0, *, units: System = "metric", ax: Axes | None = None) -> Axes:
    """Plot what every green comes to under one programme of a search, with the probability that the target holds.

    Parameters
    ----------
    frontier
        What `matledger.search` found.
    programme
        Which of its programmes.
    units
        ``"metric"`` or ``"us"``.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
        Median and 90 % interval of each green, and the target.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course().only(["Fen", "Knoll"]), draws=50)
    >>> space = mat.Space(coring_days=((), ("15 April",)))
    >>> axes = greens(mat.search(calibration, space, years=1, draws=20, weather_sequences=1))
    >>> [tick.get_text() for tick in axes.get_yticklabels()]
    ['Fen', 'Knoll']
    """
    names = [green.name for green in frontier.calibration.course.greens]
    height = 1.4 + 0.36 * len(names)
    axes = _axes(ax, (8.0, height))
    low, median, high = np.quantile(frontier.om_percent[programme], [0.05, 0.5, 0.95], axis=-1)
    rows = np.arange(len(names))
    axes.errorbar(median, rows, xerr=[median - low, high - median], fmt=MARKERS[0], color=COLOURS[0], capsize=3)
    target = frontier.target
    axes.axvline(target.om_percent, **_style(1), label=f"target: at or below {target.om_percent:g} %")
    for row, held in zip(rows, frontier.probability[programme], strict=True):
        axes.annotate(f"{held:.0%}", (1.01, row), xycoords=("axes fraction", "data"), va="center")
    axes.set_yticks(rows, names)
    axes.invert_yaxis()
    axes.set_xlim(left=0)
    told = f"median, 90 % interval, chance of each green; all at once {frontier.probability_all[programme]:.0%}"
    axes.set(
        xlabel=f"organic matter in {show_window(target.top_mm, target.bottom_mm, units)} on {frontier.until}, %",
        title=f"{_wrapped(frontier.names[programme])}\n{told}",
    )
    _legend_below(axes, 0.6 / height)
    return axes


def back_in_play(
    comparison: Comparison, programme: str | None = None, *, days: int = 60, ax: Axes | None = None
) -> Axes:
    """Plot the cover expected after each opening of the surface in the first whole year of a programme.

    Parameters
    ----------
    comparison
        The forecasts.
    programme
        Name of the programme; the first by default.
    days
        Days to follow.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
        Median and 90 % interval of each opening, and the line of 99 % cover.

    Raises
    ------
    InputError
        For an unknown programme.
    """
    from matledger.recovery import FULL_COVER_PERCENT

    chosen = _index(comparison, programme)
    axes = _axes(ax, (8.5, 4.2))
    for index, (day, work) in enumerate(comparison.openings(chosen)):
        curve = comparison.recovery.curve(work, day, days=days).columns
        label = f"{work.kind.replace('_', ' ')} on {day_and_month(day)}"
        _band(axes, curve["day"], curve["5 %"], curve["cover, %"], curve["95 %"], _style(index), label)
    axes.axhline(FULL_COVER_PERCENT, color="0.25", linewidth=1, zorder=0, label=f"{FULL_COVER_PERCENT:g} % cover")
    axes.set(
        xlabel="days since the work",
        ylabel="green cover, %",
        title=_wrapped(f"{comparison.names[chosen]}: healing after each opening (median, 90 % interval)"),
    )
    axes.set_ylim(top=101)
    axes.legend(frameon=False, loc="lower right")
    return axes


def hole_depths(
    readings: Sequence[ProbeReading],
    verdicts: Sequence[DepthVerdict],
    *,
    units: System = "metric",
    ax: Axes | None = None,
) -> Axes:
    """Plot the depths probed, green by green, against the depth that was meant.

    Parameters
    ----------
    readings
        Depths of single holes.
    verdicts
        What they say, as `matledger.depth_verdicts` found it.
    units
        ``"metric"`` or ``"us"``.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
    """
    axes = _axes(ax, (7.5, 4.2))
    metric, unit = shown_units("mm", units)
    times = convert(1, metric, unit)
    for x, verdict in enumerate(verdicts):
        depths = [r.depth_mm * times for r in readings if (r.green, r.date) == (verdict.green, verdict.date)]
        # Side by side in the order read, so that equal depths stay apart.
        apart = x + np.linspace(-0.22, 0.22, len(depths)) if len(depths) > 1 else [x]
        axes.plot(
            apart,
            depths,
            linestyle="none",
            marker=MARKERS[0],
            markersize=4,
            color=COLOURS[2],
            label="hole" if x == 0 else None,
        )
        axes.plot(
            [x - 0.3, x + 0.3],
            [verdict.mean_mm * times] * 2,
            color=COLOURS[0],
            linewidth=2,
            label="mean" if x == 0 else None,
        )
        label = "meant" if x == 0 else None
        axes.plot([x - 0.3, x + 0.3], [verdict.target_mm * times] * 2, color=COLOURS[1], linestyle="--", label=label)
    axes.set_xticks(range(len(verdicts)), [f"{v.green}\n{v.date:%d %b}\n{v.verdict}" for v in verdicts])
    axes.set_ylim(bottom=0)
    axes.invert_yaxis()
    axes.set(ylabel=f"depth below the surface, {unit}", title="Holes probed")
    axes.legend(frameon=False, loc="upper right", ncols=3)
    return axes


def infiltration(estimate: Infiltration, *, ax: Axes | None = None) -> Axes:
    """Plot the gain of infiltration over time, beside the published gains.

    Parameters
    ----------
    estimate
        The estimate.
    ax
        Axes to draw on.

    Returns
    -------
    matplotlib.axes.Axes
    """
    from matledger.infiltration import PUBLISHED_GAINS

    axes = _axes(ax, (7.5, 4.2))
    low, median, high = np.quantile(estimate.gain_percent, [0.05, 0.5, 0.95], axis=1)
    _band(axes, estimate.day, low, median, high, {"color": COLOURS[2]}, "estimate, 90 % interval")
    for index, (what, least, most, _) in enumerate(PUBLISHED_GAINS):
        axes.errorbar(
            [-3 - 2 * index],
            [(least + most) / 2],
            yerr=(most - least) / 2,
            color=COLOURS[index],
            marker=MARKERS[index],
            capsize=4,
            linewidth=2,
            label=f"published: {what}",
        )
    axes.axhline(0, color="0.6", linewidth=0.8)
    axes.set(
        xlabel="days since the work", ylabel="gain of infiltration, %", title="Infiltration: an estimate, no promise"
    )
    axes.legend(frameon=False)
    return axes
