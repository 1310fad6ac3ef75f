"""How weather to come is made of the weather on record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matledger.errors import InputError, Problem

__all__ = ["WeatherToCome"]


@dataclass(frozen=True, kw_only=True)
class WeatherToCome:
    """How weather to come is made of the record: whole years or blocks of days, and a shift of temperature.

    Sequence ``n`` of a seed is the same for every programme, and for the same seed a shift leaves what is drawn as it
    is: programmes and climates are compared on common random numbers.

    Parameters
    ----------
    block_days
        Days of a block, from 1 to 366, counted from 1 January. Each block comes from a year of its own and keeps its
        days of the calendar. Whole years if None. Blocks give more different years than the record holds, and lose
        spells that are longer than a block.
    shift_c
        What is added to minima and maxima of every day, or of the days of each month, January first [degC] (the delta
        method).

    Raises
    ------
    InputError
        For a block or a shift outside its range, or another number of months than twelve.

    Examples
    --------
    >>> print(WeatherToCome(block_days=30, shift_c=1.5))
    blocks of 30 days at a time, 1.5 degC warmer
    """

    block_days: int | None = None
    shift_c: float | Sequence[float] = 0.0

    def __post_init__(self) -> None:
        problems = []
        days = self.block_days
        whole = days is None or (isinstance(days, int) and not isinstance(days, bool) and 1 <= days <= 366)
        if not whole:
            problems.append(Problem("block_days", repr(days), "a whole number from 1 to 366, or None for whole years"))
        given = [self.shift_c] * 12 if isinstance(self.shift_c, int | float) else list(self.shift_c)
        if len(given) != 12:
            problems.append(Problem("shift_c", f"{len(given)} values", "one number, or twelve for the months"))
        for month, shift in enumerate(given):
            if not (isinstance(shift, int | float) and -20 <= shift <= 20):
                problems.append(Problem(f"shift_c[{month}]", repr(shift), "a shift from -20 to 20 degC"))
        if problems:
            raise InputError(problems)
        object.__setattr__(self, "shift_c", tuple(map(float, given)))

    @property
    def months_c(self) -> tuple[float, ...]:
        """The shift of each month, January first [degC]."""
        return self.shift_c  # type: ignore[return-value]

    @property
    def core(self) -> tuple[int | None, tuple[float, ...]]:
        """What the core takes."""
        return self.block_days, self.months_c

    def __str__(self) -> str:
        blocks = "whole years at a time" if self.block_days is None else f"blocks of {self.block_days} days at a time"
        low, high = min(self.months_c), max(self.months_c)
        if low == high == 0:
            return blocks
        if low == high:
            return f"{blocks}, {abs(low):g} degC {'warmer' if low > 0 else 'cooler'}"
        return f"{blocks}, shifted by {low:g} to {high:g} degC by month"
