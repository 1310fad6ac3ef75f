"""Recovery after work that opens the surface: days to a cover, and the curve of cover on any date."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.calibration import Driving
from matledger.cells import column, settle
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import MOST_DRAWS, MOST_SEED, of_kind, refuse, shown, whole
from matledger.frames import Table
from matledger.practice import Work
from matledger.records.holes import HORIZON_DAYS, CoverRecord, check_cover, opened_before
from matledger.units import System

if TYPE_CHECKING:
    from matledger.course import Course

__all__ = [
    "FULL_COVER_PERCENT",
    "HORIZON_DAYS",
    "BackInPlay",
    "CoverReading",
    "Recovery",
    "back_in_play",
    "cover_readings",
    "healing",
]

FULL_COVER_PERCENT = 99.0
TO_COVER = ("days to 99 % cover", "days, 9 of 10 times within")
"""Heads of a table's days to full cover: the median, and what nine of ten cases keep to."""

READING = (column("done"), column("date"), column("cover_percent"))


@dataclass(frozen=True, kw_only=True)
class CoverReading:
    """Green cover that the user read after work.

    Attributes
    ----------
    work
        What had been done.
    done, date
        Day of the work, and day of the reading.
    cover_percent
        Green cover (%).
    """

    work: Work
    done: dt.date
    date: dt.date
    cover_percent: float

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, READING)
        if not isinstance(self.work, Work):
            findings.add(Problem("work", shown(self.work), "work such as Coring(...) or Topdressing(...)"))
        findings.raise_any()


@dataclass(frozen=True, eq=False, repr=False)
class Recovery:
    """How this course's turf heals.

    Attributes
    ----------
    draws
        Draws of the creep of an opening's rim [mm per degree day], of the share of leaves hidden at first [-] and of
        the degree days in which that falls to 1/e, shape ``(draw, 3)``.
    first_day
        Day of the first of `degree_days`.
    degree_days
        Degree days of the record, times the growth factor, shape ``(day,)`` [degC d].
    readings
        Readings of cover behind the draws.
    """

    draws: Floats
    first_day: dt.date
    degree_days: Floats
    readings: int

    def days(self, work: Work, done: dt.date | str, *, cover_percent: float = FULL_COVER_PERCENT) -> Floats:
        """Return the days until a cover is reached when the work is done on the day and month of `done`.

        Parameters
        ----------
        work
            The work.
        done
            Its day; only month and day count, every year of the record is tried.
        cover_percent
            Green cover to reach [%].

        Returns
        -------
        numpy.ndarray
            Days, shape ``(year, draw)``; infinite where 150 days do not suffice, 0 for work that opens nothing.

        Raises
        ------
        InputError
            For a cover outside 0 to 100 %, and a record without 150 days after that day.
        """
        refuse(of_kind("number", cover_percent=cover_percent))
        if not 0 <= cover_percent <= 100:
            raise InputError([Problem("cover_percent", f"{cover_percent}", "a number from 0 to 100 (%)")])
        wound = work.wound
        years = self._years(done)
        if wound is None:
            return frozen(np.zeros((len(years), len(self.draws))))
        return frozen(_core.days_to_cover(wound, self.draws, years, cover_percent / 100))

    def expected_days(self, work: Work, done: dt.date | str) -> float:
        """Return the mean days to 99 % cover over years and draws; what takes longer than 150 days counts as 150.

        Parameters
        ----------
        work
            The work.
        done
            Its day; only month and day count.

        Raises
        ------
        InputError
            For a record without 150 days after that day.
        """
        return float(np.minimum(self.days(work, done), HORIZON_DAYS).mean())

    def curve(self, work: Work, done: dt.date | str, *, days: int = 60, units: System = "metric") -> Table:
        """Cover day by day after the work, median and 90 % interval over years and draws.

        Parameters
        ----------
        work
            The work.
        done
            Its day; only month and day count.
        days
            Days to follow, at most 150.
        units
            ``"metric"`` or ``"us"``, for the words.

        Returns
        -------
        Table
            Days since the work, cover with its 90 % interval [%].

        Raises
        ------
        InputError
            For work that opens nothing, more than 150 days, and a record without 150 days after that day.
        """
        wound = work.wound
        if wound is None:
            raise InputError([Problem("work", str(work), "work that opens the surface")])
        refuse(whole("days", days, 1, HORIZON_DAYS))
        found = _core.cover(wound, self.draws, np.ascontiguousarray(self._years(done)[:, :days]))
        low, median, high = np.quantile(found.reshape(-1, days), [0.05, 0.5, 0.95], axis=0) * 100
        columns = {
            "day": list(range(1, days + 1)),
            "cover, %": median.tolist(),
            "5 %": low.tolist(),
            "95 %": high.tolist(),
        }
        caption = f"{work.in_words(units)}: cover after {as_day(done, 'done'):%d %B}"
        return Table(caption, columns, dict.fromkeys(list(columns)[1:], ".1f"))

    def _years(self, done: dt.date | str) -> Floats:
        day = as_day(done, "done")
        last = self.first_day + dt.timedelta(days=len(self.degree_days) - HORIZON_DAYS)
        # 29 February is 28 February in common years.
        month_day = (2, 28) if (day.month, day.day) == (2, 29) else (day.month, day.day)
        starts = [dt.date(year, *month_day) for year in range(self.first_day.year, last.year + 1)]
        inside = [(start - self.first_day).days for start in starts if self.first_day <= start <= last]
        if not inside:
            expected = f"weather that goes on for {HORIZON_DAYS} days after {day:%d %B}"
            raise InputError([Problem("weather", f"{len(self.degree_days)} days", expected)])
        return np.ascontiguousarray([self.degree_days[at : at + HORIZON_DAYS] for at in inside])

    def __repr__(self) -> str:
        creep = np.median(self.draws[:, 0])
        return f"<Recovery: rim creeps {creep:.4f} mm per degree day, {self.readings} readings of cover>"


def days_within(days: Floats, share: float) -> float:
    """Days within which a share of the cases are healed: one that occurs, infinite if that took over 150 days."""
    # Between two values numpy would interpolate, and infinity less infinity is not a number.
    return float(np.quantile(days, share, method="higher"))


def days_in_words(days: float) -> str:
    """Write days to a cover; infinite are those that 150 did not suffice for."""
    return f"{days:.0f}" if np.isfinite(days) else f"over {HORIZON_DAYS}"


def cover_readings(course: Course, records: Sequence[CoverRecord]) -> tuple[CoverReading, ...]:
    """Tie cover records to the work that they follow, for ``healing(course, readings=...)``.

    Parameters
    ----------
    course
        The course; each record belongs to the latest work on its green that opened the surface, on or before its day.
    records
        Cover, or counts of holes still seen.

    Returns
    -------
    tuple of CoverReading
        A count becomes the cover ``1 - a v``: ``a`` the share of the surface opened, ``v`` the share of holes still
        seen, a hole that is seen counting as open over its whole width. That understates cover: the safe side.

    Raises
    ------
    InputError
        For records with no such work before them within 150 days, or of an unknown green.

    Examples
    --------
    >>> import matledger as mat
    >>> course = mat.demo_course()
    >>> record = mat.CoverRecord(green="Fen", date="2014-04-28", holes_counted=100, holes_visible=40)
    >>> round(cover_readings(course, [record])[0].cover_percent, 1)
    98.0
    """
    problems = check_cover(records, course.work, [green.name for green in course.greens])
    if problems:
        raise InputError(problems)
    readings = []
    for record in records:
        done = opened_before(record, course.work)
        assert done is not None
        cover = record.cover_percent
        if cover is None:
            seen = (record.holes_visible or 0) / (record.holes_counted or 1)
            cover = 100 * (1 - done.work.area_share * seen)
        readings.append(CoverReading(work=done.work, done=done.date, date=record.date, cover_percent=cover))
    return tuple(readings)


def healing(
    course: Course,
    *,
    readings: Sequence[CoverReading] | None = None,
    growth_factor: float = 1.0,
    draws: int = 400,
    seed: int = 0,
) -> Recovery:
    """Find how fast openings close on a course, from the library's prior and the user's readings of cover.

    Parameters
    ----------
    course
        The course; its weather gives the degree days, on its grass's base.
    readings
        Green cover read after work; by default the course's own records of cover, if it has any.
    growth_factor
        How much faster (above 1) or slower the turf grows than its degree days say, for nitrogen or growth regulators.
        No source was found that carries a figure; 1 unless the user has one.
    draws
        Draws of what is not known.
    seed
        Seed of the draws.

    Returns
    -------
    Recovery

    Raises
    ------
    InputError
        With every reading that cannot be used.

    Notes
    -----
    Cover after ``G`` degree days is ``(1 - a q) (1 - b exp(-G / g))``: ``a`` the share opened, ``q`` the bare part of
    it, ``(1 - 2 v G / d)^2`` for holes of diameter ``d`` and ``1 - 2 v G / d`` for grooves, ``b`` the share of leaves
    hidden by sand at first. The form is this library's own. Priors: ``v`` 0.0115 mm per degree day (log-sd 0.30), so
    that a 12.7 mm hole closes in about four weeks of growing weather (common practice, no source); ``b`` 0.6 (logit-sd
    0.5) and ``g`` 70 degC d (log-sd 0.4), after a trial with 38 % green cover on the day and 85 to 90 % a week later
    (HortTechnology, October 2022, core recycling, read in its abstract). A reading's standard deviation is 3 % (ours).

    Examples
    --------
    >>> import datetime as dt
    >>> import matledger as mat
    >>> turf = mat.healing(mat.demo_course())
    >>> cores = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=70)
    >>> spring, summer = (turf.expected_days(cores, dt.date(2015, month, 1)) for month in (3, 7))
    >>> spring > summer
    True
    """
    heat, _ = _core.drivers(
        course.weather.core, Driving(lower_c=course.settings.lower_c, upper_c=course.settings.upper_c)._given()
    )
    problems = [*whole("draws", draws, 1, MOST_DRAWS), *whole("seed", seed, 0, MOST_SEED)]
    problems += of_kind("number", growth_factor=growth_factor)
    if not problems and not (np.isfinite(growth_factor) and growth_factor > 0):
        problems.append(Problem("growth_factor", f"{growth_factor}", "a number above 0"))
    first, last = course.weather.start, course.weather.end
    given = []
    for index, reading in enumerate(cover_readings(course, course.cover) if readings is None else readings):
        wound = reading.work.wound
        if wound is None:
            problems.append(Problem(f"readings[{index}].work", str(reading.work), "work that opens the surface"))
        elif not first <= reading.done <= reading.date <= last:
            expected = f"two days from {first} to {last}, the work first"
            problems.append(Problem(f"readings[{index}].date", f"{reading.done}, {reading.date}", expected))
        else:
            span = heat[(reading.done - first).days : (reading.date - first).days]
            given.append((wound, float(span.sum()) * growth_factor, reading.cover_percent / 100))
    if problems:
        raise InputError(problems)
    return Recovery(
        draws=frozen(_core.healing(given, draws, seed)),
        first_day=first,
        degree_days=frozen(heat * growth_factor),
        readings=len(given),
    )


@dataclass(frozen=True, kw_only=True)
class BackInPlay:
    """When the surface will be back.

    Attributes
    ----------
    cover_percent
        The cover that counts as back [%].
    early, likely, late
        5 %, 50 % and 95 % points; None where 150 days do not suffice.
    readings
        Readings of cover behind it.
    """

    cover_percent: float
    early: dt.date | None
    likely: dt.date | None
    late: dt.date | None
    readings: int

    def in_words(self) -> str:
        """Say it in a sentence."""
        if self.likely is None:
            return f"{self.cover_percent:g} % cover is not likely within {HORIZON_DAYS} days."
        until = (
            f"by {self.late} with a probability of 95 %"
            if self.late
            else f"or, with one of 5 %, later than in {HORIZON_DAYS} days"
        )
        count = "1 reading" if self.readings == 1 else f"{self.readings} readings"
        source = f"from {count}" if self.readings else "from the library's prior, without a reading"
        return f"{self.cover_percent:g} % cover about {self.likely}, {until}, {source}."


def back_in_play(
    recovery: Recovery, work: Work, done: dt.date | str, *, cover_percent: float = FULL_COVER_PERCENT
) -> BackInPlay:
    """Say when the cover will be back after work.

    Parameters
    ----------
    recovery
        How the turf heals, as `matledger.healing` found it.
    work
        The work.
    done
        Its day.
    cover_percent
        The cover that counts as back [%].

    Returns
    -------
    BackInPlay

    Raises
    ------
    InputError
        For a cover outside 0 to 100 %, or weather that does not go on after that day in any year.

    Examples
    --------
    >>> import matledger as mat
    >>> cores = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=70)
    >>> print(back_in_play(mat.healing(mat.demo_course()), cores, "2015-05-11").in_words())
    99 % cover about 2015-06-06, by 2015-06-19 with a probability of 95 %, from the library's prior, without a reading.
    """
    day = as_day(done, "done")
    days = recovery.days(work, day, cover_percent=cover_percent)
    points = (days_within(days, share) for share in (0.05, 0.5, 0.95))
    early, likely, late = (day + dt.timedelta(days=int(p)) if np.isfinite(p) else None for p in points)
    return BackInPlay(cover_percent=cover_percent, early=early, likely=likely, late=late, readings=recovery.readings)
