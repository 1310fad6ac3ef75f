"""When to open the surface: every week of a year ranked, with what each costs in recovery and in play."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.play import Play
from matledger.practice import Programme, Topdressing, Work
from matledger.recovery import HORIZON_DAYS, TO_COVER, Recovery, days_within
from matledger.units import System, convert, shown_units

if TYPE_CHECKING:
    from matledger.course import Course

__all__ = ["Dates", "rank_dates"]

WEEK = dt.timedelta(days=7)
_ANY = Topdressing(sand_mm=1)


@dataclass(frozen=True)
class Dates:
    """Weeks in which work could be done, the best first, and those in which it could not.

    Attributes
    ----------
    work
        The work.
    ranked
        Open weeks, fewest rounds touched first: first day, on which the work is done; days to 99 % cover (median and
        90 %; infinite where 150 do not suffice); rounds due on closed days, and on the days of recovery after them
        (median); hot and frosty days [% of those of recovery]; and whether no other week beats it both in rounds and in
        days.
    excluded
        Weeks that are ruled out, and why.
    """

    work: Work
    ranked: Table
    excluded: Table

    def __repr__(self) -> str:
        return repr(self.ranked)

    def _repr_html_(self) -> str:
        return self.ranked._repr_html_() + self.excluded._repr_html_()


def rank_dates(
    course: Course,
    work: Work,
    *,
    recovery: Recovery,
    play: Play | None = None,
    year: int | None = None,
    no_work: Sequence[str] = (),
    other_work: Sequence[dt.date] = (),
    apart_days: int = 28,
    hot_c: float = 32.0,
    frost_c: float = 0.0,
    weather_share: float = 0.2,
    units: System = "metric",
) -> Dates:
    """Rank the weeks of a year for a piece of work that opens the surface.

    Parameters
    ----------
    course
        The course, for its weather.
    work
        The work.
    recovery
        How the turf heals.
    play
        How much is played; by default the course's.
    year
        Year of the dates; by default the one after the weather record.
    no_work
        Days on which there is no work, such as ``"1 July to 7 July"``: a week with such a day in it, or with such a
        day before 99 % cover is reached (median), is ruled out. The reasons tell the two apart.
    other_work
        Days of other work that opens the surface.
    apart_days
        Days that other work has to be away [d]; common practice, no source.
    hot_c, frost_c, weather_share
        A week is ruled out if more than this share of its days of recovery had a maximum above `hot_c` or a minimum
        below `frost_c` [degC], mean over the years of record. Our own limits, no source: give the course's.
    units
        ``"metric"`` or ``"us"``, for the words.

    Returns
    -------
    Dates
        A ranking with reasons; the choice is the user's.

    Raises
    ------
    InputError
        For work that opens nothing, no play calendar, and limits that leave no week, with the reasons counted.

    Examples
    --------
    >>> import matledger as mat
    >>> course = mat.demo_course()
    >>> cores = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=70)
    >>> turf = mat.healing(course, draws=50)
    >>> dates = rank_dates(course, cores, recovery=turf, play=course.play, no_work=["1 July to 31 July"])
    >>> dates.ranked.columns["week from"][0]
    datetime.date(2016, 11, 25)
    """
    calendar = play or course.play
    problems = []
    if work.wound is None:
        problems.append(Problem("work", str(work), "work that opens the surface"))
    if calendar is None:
        problems.append(Problem("play", "none", "a play calendar: play= here, or [play] in course.toml"))
    if problems or calendar is None:
        raise InputError(problems)
    when = course.weather.end.year + 1 if year is None else year
    idle = _idle_days(no_work, when)
    first = dt.date(when, 1, 1)
    metric, degree = shown_units("degC", units)
    too_hot, too_cold = (f"{convert(limit, metric, degree):.3g} {degree}" for limit in (hot_c, frost_c))
    rows, excluded = [], []
    for day in (first + WEEK * week for week in range(52)):
        found = recovery.days(work, day)
        median, late = (days_within(found, share) for share in (0.5, 0.9))
        span = round(min(median, HORIZON_DAYS))
        hot, frosty = _weather(course, day, max(span, 1), hot_c, frost_c)
        near = [other for other in other_work if abs((other - day).days) < apart_days]
        # Of the work's own week, then of the days on which the greens still heal.
        within, healing = (
            sorted(idle & {day + dt.timedelta(days=n) for n in days}) for days in (range(7), range(7, span))
        )
        against = [
            *([f"no 99 % cover within {HORIZON_DAYS} days"] if not np.isfinite(median) else []),
            *([f"no work on {within[0]:%d %B}"] if within else []),
            *([f"not healed before the day without work on {healing[0]:%d %B}"] if healing and not within else []),
            *([f"{hot:.0%} of days above {too_hot}"] if hot > weather_share else []),
            *([f"{frosty:.0%} of days below {too_cold}"] if frosty > weather_share else []),
            *([f"other work on {near[0]:%d %B}"] if near else []),
        ]
        if against:
            excluded.append((day, "; ".join(against)))
            continue
        lost = sum(calendar.rounds_on(day + dt.timedelta(days=n)) for n in range(calendar.closed_days))
        slow = sum(calendar.rounds_on(day + dt.timedelta(days=n)) for n in range(calendar.closed_days, span))
        rows.append((day, median, late, lost, slow, hot, frosty))
    if not rows:
        every = (reason for _, why in excluded for reason in why.split("; "))
        reasons = sorted({reason.split(" on ")[0].split(" of ")[-1] for reason in every})
        expected = "limits that leave a week open: fewer days without work, or wider limits of weather and distance"
        raise InputError([Problem("dates", f"none of 52 weeks is left ({'; '.join(reasons)})", expected)])
    rows.sort(key=lambda row: row[3] + row[4])
    columns: dict[str, Sequence[Any]] = {
        "week from": [row[0] for row in rows],
        TO_COVER[0]: [row[1] for row in rows],
        TO_COVER[1]: [row[2] for row in rows],
        "rounds on closed days": [row[3] for row in rows],
        "rounds during recovery": [row[4] for row in rows],
        "hot days, % of recovery": [100 * row[5] for row in rows],
        "frosty days, % of recovery": [100 * row[6] for row in rows],
        "none beats": ["yes" if _unbeaten(row, rows) else "" for row in rows],
    }
    caption = f"{work.in_words(units)}: weeks of {when}, fewest rounds touched first"
    endless = (f"inf: over {HORIZON_DAYS} days",) * (not all(np.isfinite(row[2]) for row in rows))
    ranked = Table(caption, columns, FORMATS, notes=endless)
    out: dict[str, Sequence[Any]] = {"week from": [day for day, _ in excluded], "why not": [why for _, why in excluded]}
    return Dates(work, ranked, Table("weeks that are ruled out", out))


FORMATS = {
    **dict.fromkeys(TO_COVER, ".0f"),
    "rounds on closed days": ",.0f",
    "rounds during recovery": ",.0f",
    "hot days, % of recovery": ".0f",
    "frosty days, % of recovery": ".0f",
}


def _unbeaten(row: tuple[Any, ...], rows: Sequence[tuple[Any, ...]]) -> bool:
    rounds, days = row[3] + row[4], row[1]
    return not any(
        other[3] + other[4] <= rounds and other[1] <= days and (other[3] + other[4], other[1]) != (rounds, days)
        for other in rows
    )


def _idle_days(no_work: Sequence[str], year: int) -> set[dt.date]:
    """Return the days of a year without work; the programme reads and checks the texts."""
    every_day = Programme("no work", [("every 1 days from 1 January to 31 December", [_ANY])], no_work)
    skipped = every_day.calendar(dt.date(year, 1, 1), dt.date(year, 12, 31)).skipped
    return {skip.date for skip in skipped}


def _weather(course: Course, day: dt.date, days: int, hot_c: float, frost_c: float) -> tuple[float, float]:
    """Return the shares of hot and of frosty days in the days from this day and month on, over the record."""
    weather = course.weather
    month_day = (2, 28) if (day.month, day.day) == (2, 29) else (day.month, day.day)
    hot, frosty = [], []
    for year in range(weather.start.year, weather.end.year + 1):
        at = (dt.date(year, *month_day) - weather.start).days
        if at >= 0 and at + days <= len(weather.tmax_c):
            hot.append((weather.tmax_c[at : at + days] > hot_c).mean())
            frosty.append((weather.tmin_c[at : at + days] < frost_c).mean())
    return float(np.mean(hot)), float(np.mean(frosty))
