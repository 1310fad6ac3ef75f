"""A day, by one rule wherever it is given; light, since every import of work and programmes needs it."""

from __future__ import annotations

import datetime as dt
import re
from contextlib import suppress

from matledger.errors import InputError, Problem

__all__ = ["FIRST_DATE", "ISO_DATE", "LAST_DATE", "as_day", "day_and_month", "day_of", "missing"]

FIRST_DATE, LAST_DATE = dt.date(1800, 1, 1), dt.date(2199, 12, 31)

ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def missing(value: object) -> bool:
    """Whether a value is None, or what pandas writes in its place."""
    return value is None or type(value).__name__ in ("NAType", "NaTType")


def day_of(value: object) -> dt.date | None:
    """Read a day: a date, midnight without a time zone, or ISO 8601 text; None for all else."""
    if type(value).__name__ == "datetime64":  # numpy's, without importing it
        value = value.astype("datetime64[s]").item()  # type: ignore[attr-defined]
    if missing(value):
        return None
    if isinstance(value, dt.datetime):
        return value.date() if value.tzinfo is None and value.time() == dt.time() else None
    if isinstance(value, str) and ISO_DATE.fullmatch(value):
        with suppress(ValueError):
            return dt.date.fromisoformat(value)
    return value if isinstance(value, dt.date) else None


def as_day(value: object, name: str) -> dt.date:
    """Return an argument that is a day.

    Raises
    ------
    InputError
        If it is none, or none of these centuries.
    """
    read = day_of(value)
    if read is None:
        raise InputError([Problem(name, repr(value), "a day such as 2014-05-01")])
    if not FIRST_DATE <= read <= LAST_DATE:
        raise InputError([Problem(name, str(read), f"a date from {FIRST_DATE} to {LAST_DATE}")])
    return read


def day_and_month(day: dt.date) -> str:
    """Write a day of any year: ``5 May``."""
    return f"{day.day} {day:%B}"
