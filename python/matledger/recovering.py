"""Recovery records at work: what was read updates how the turf heals, and says when it will be back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from matledger.errors import InputError
from matledger.findings import Findings, problem_of, shown
from matledger.practice import Work
from matledger.records.holes import CoverRecord
from matledger.recovery import FULL_COVER_PERCENT, HORIZON_DAYS, CoverReading, Recovery, wound_of

if TYPE_CHECKING:
    from matledger.course import Course

__all__ = ["BackOn", "back_on", "cover_readings"]


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
    """
    findings, readings = Findings(), []
    for record in records:
        try:
            before = [w for w in course.work_of(record.green) if wound_of(w.work) and w.date <= record.date]
        except InputError as error:
            findings.problems += error.problems
            continue
        if not before or (record.date - before[-1].date).days > HORIZON_DAYS:
            expected = f"work that opens the surface, on that green in the {HORIZON_DAYS} days before"
            place = f"{record.date} on {shown(record.green)}"
            findings.add(problem_of(record, "cover_records", "date", place, expected))
            continue
        work = before[-1].work
        cover = record.cover_percent
        if cover is None:
            seen = (record.holes_visible or 0) / (record.holes_counted or 1)
            cover = 100 * (1 - work.area_share * seen)
        readings.append(CoverReading(work=work, done=before[-1].date, date=record.date, cover_percent=cover))
    findings.raise_any()
    return tuple(readings)


@dataclass(frozen=True, kw_only=True)
class BackOn:
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


def back_on(recovery: Recovery, work: Work, done: dt.date, *, cover_percent: float = FULL_COVER_PERCENT) -> BackOn:
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
    BackOn

    Raises
    ------
    InputError
        For a cover outside 0 to 100 %, or weather that does not go on after that day in any year.
    """
    days = recovery.days(work, done, cover_percent=cover_percent).ravel()
    # Quantiles of observed values, so that an infinite one stays infinite.
    points = np.quantile(days, [0.05, 0.5, 0.95], method="higher")
    early, likely, late = (done + dt.timedelta(days=int(p)) if np.isfinite(p) else None for p in points)
    return BackOn(cover_percent=cover_percent, early=early, likely=likely, late=late, readings=recovery.readings)
