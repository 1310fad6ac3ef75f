"""When the surface will be back after work."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from matledger.days import as_day
from matledger.practice import Work
from matledger.recovery import FULL_COVER_PERCENT, HORIZON_DAYS, Recovery

__all__ = ["BackOn", "back_on"]


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


def back_on(
    recovery: Recovery, work: Work, done: dt.date | str, *, cover_percent: float = FULL_COVER_PERCENT
) -> BackOn:
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
    day = as_day(done, "done")
    days = recovery.days(work, day, cover_percent=cover_percent).ravel()
    # Quantiles of observed values, so that an infinite one stays infinite.
    points = np.quantile(days, [0.05, 0.5, 0.95], method="higher")
    early, likely, late = (day + dt.timedelta(days=int(p)) if np.isfinite(p) else None for p in points)
    return BackOn(cover_percent=cover_percent, early=early, likely=likely, late=late, readings=recovery.readings)
