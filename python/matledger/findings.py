"""Problems as they are found, and the words for them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

from matledger.errors import InputError, Problem

__all__ = ["MOST_DRAWS", "MOST_SEED", "Findings", "either", "known", "nearest", "once", "problem_of", "shown", "whole"]

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


def once(problems: Sequence[Problem]) -> list[Problem]:
    """Tell problems of one cause once: those of a column that expect the same."""
    alike: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        place = problem.column or re.sub(r"\[\d+\]", "", problem.place)
        alike.setdefault((place, problem.expected), []).append(problem)
    return [_counted(found) for found in alike.values()]


def _counted(found: Sequence[Problem]) -> Problem:
    """Tell the first of several problems, what else was found in its place, and how many more there are."""
    first, others = found[0], found[1:]
    if not others:
        return first
    values = list(dict.fromkeys(problem.value for problem in others if problem.value != first.value))
    more = f", {', '.join(values[:4])}" * bool(values) + " and others" * (len(values) > 4)
    files = [name for name in dict.fromkeys(problem.file for problem in others) if name not in (None, first.file)]
    where = f"{len(others)} more row{'s' * (len(others) > 1)}" + f", also of {', '.join(map(str, files))}" * bool(files)
    return replace(first, value=f"{first.value}{more} (and in {where})")


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


def known(noun: str, name: str, names: Sequence[str]) -> str:
    """Say which names a course knows, or the nearest of them."""
    like = nearest(name, names)
    return f"a {noun} of the course" + (f" (nearest: {like})" if like else f": {', '.join(names)}")


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
