"""Problems as they are found, and the words for them."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from matledger.errors import InputError, Problem

__all__ = ["MOST_DRAWS", "MOST_SEED", "Findings", "either", "nearest", "problem_of", "shown", "whole"]

_MOST = 1000

MOST_DRAWS = 1_000_000
"""Draws, trials and the like beyond which a figure is taken for a slip."""

MOST_SEED = 2**63 - 1


class Findings:
    """Problems as they are found, so that all of them are reported at once."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def add(self, problem: Problem) -> None:
        """Keep a problem."""
        self.problems.append(problem)

    @property
    def full(self) -> bool:
        """Whether so much is wrong that reading on would teach nothing."""
        return len(self.problems) >= _MOST

    def absorb(self, error: InputError, change: Callable[[Problem], Problem]) -> None:
        """Take over the problems of an error, each placed by ``change``."""
        self.problems.extend(change(problem) for problem in error.problems)

    def raise_any(self) -> None:
        """Raise `InputError` if anything was found."""
        if self.problems:
            raise InputError(self.problems)


def shown(value: object) -> str:
    """Show a value in a message: short, printable, never empty."""
    text = f"{value:.12g}" if isinstance(value, float) else str(value)
    if text == "":
        return "empty cell"
    if len(text) > 60:
        text = text[:57] + "..."
    return text if text.isprintable() else repr(text)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name that is most like ``name``, or None if none is."""
    folded = {k.casefold(): k for k in known}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


def either(names: Sequence[str]) -> str:
    """Join names as a choice: ``a, b or c``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def whole(name: str, value: object, least: int, most: int) -> list[Problem]:
    """Return what is wrong with a count, if anything."""
    if not isinstance(value, int) or isinstance(value, bool) or value < least:
        return [Problem(name, repr(value), f"a whole number from {least}")]
    return [] if value <= most else [Problem(name, str(value), f"a whole number from {least} to {most}")]


def problem_of(record: Any, place: str, column: str, value: object, expected: str) -> Problem:
    """Place a problem at the row that a record was read from, else at ``place``."""
    if record.file is None:
        return Problem(f"{place}.{column}", shown(value), expected)
    return Problem("", shown(value), expected, record.file, record.row, column)
