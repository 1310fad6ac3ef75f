"""Problems as they are found, and the words for them."""

from __future__ import annotations

import difflib
import re
import sys
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from numbers import Integral, Real
from typing import Any, Literal

from matledger.errors import InputError, Problem, UnusualWarning
from matledger.units import convert

__all__ = [
    "MOST_DRAWS",
    "MOST_SEED",
    "MOST_YEARS",
    "Doubt",
    "Findings",
    "Headings",
    "counted",
    "doubt_of",
    "either",
    "fold",
    "headed",
    "known",
    "nearest",
    "of_another_kind",
    "of_class",
    "of_kind",
    "of_level",
    "once",
    "outside",
    "problem_of",
    "refuse",
    "shown",
    "told_once",
    "whole",
]

_MOST = 1000

MOST_DRAWS = 1_000_000
"""Draws, trials and the like beyond which a figure is taken for a slip."""

MOST_SEED = 2**63 - 1

MOST_YEARS = 50
"""Years beyond which nothing is run forward."""


Headings = Mapping[str, tuple[str, str, str]]
"""A file's own heading of a column, the unit that its numbers were converted to (empty if they were not), its own."""


@dataclass(frozen=True)
class Doubt:
    """A number that is worth a look: ``found`` at ``where`` in a file, and what is usual in its ``column``.

    ``side`` is ``low`` or ``high`` where the number lies outside what is usual.
    """

    file: str
    where: str
    column: str
    found: str
    usual: str
    side: str = ""


class Findings:
    """Problems as they are found, so that all of them are reported at once, and what else is worth a look."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self.doubts: list[Doubt] = []
        self.keys: dict[str, Headings] = {}
        """Of each table of a keyed file, what it calls its keys."""

    def add(self, problem: Problem) -> None:
        """Keep a problem."""
        self.problems.append(problem)

    def take(self, other: Findings) -> None:
        """Take over what was found elsewhere."""
        self.problems += other.problems
        self.doubts += other.doubts

    @property
    def full(self) -> bool:
        """Whether so much is wrong that reading on would teach nothing."""
        return len(self.problems) >= _MOST

    def absorb(self, error: InputError, change: Callable[[Problem], Problem]) -> None:
        """Take over the problems of an error, each placed by ``change``."""
        self.problems.extend(change(problem) for problem in error.problems)

    def raise_any(self) -> None:
        """Raise `InputError` if anything is wrong, else warn of what is worth a look, each column of a file once."""
        if self.problems:
            raise InputError([self._keyed(problem) for problem in self.problems])
        for told in told_once(self.doubts):
            warnings.warn(told, UnusualWarning, stacklevel=outside())
        self.doubts = []

    def _keyed(self, problem: Problem) -> Problem:
        """Name a key as its file does."""
        table, _, key = problem.place.rpartition(".")
        if key not in self.keys.get(table, {}):
            return problem
        named = headed(replace(problem, column=key), self.keys[table])
        return replace(named, place=f"{table}.{named.column}".lstrip("."), column=None)


def told_once(doubts: Sequence[Doubt]) -> list[str]:
    """Tell what is worth a look, each column of a file once; what is too low is not like what is too high."""
    alike: dict[tuple[str, str, str], list[Doubt]] = {}
    for doubt in doubts:
        alike.setdefault((doubt.file, doubt.column, doubt.side), []).append(doubt)
    return [
        f"{first.file}, {first.where}: {first.found}{f' (and {len(others)} more like it)' if others else ''};"
        f" {first.usual}"
        for first, *others in alike.values()
    ]


def once(problems: Sequence[Problem]) -> list[Problem]:
    """Tell problems of one cause once: those of a column that expect the same."""
    alike: dict[tuple[str, str], list[Problem]] = {}
    for problem in problems:
        place = problem.column or re.sub(r"\[\d+\]", "", problem.place)
        alike.setdefault((place, problem.expected), []).append(problem)
    return [_counted(found) for found in alike.values()]


def _counted(found: Sequence[Problem]) -> Problem:
    """Tell the first of several problems, how many more there are, and what was found there."""
    first, others = found[0], found[1:]
    if not others:
        return first
    values = list(dict.fromkeys(problem.value for problem in others if problem.value != first.value))
    more = f": {', '.join(values[:4])}" * bool(values) + " and others" * (len(values) > 4)
    files = [name for name in dict.fromkeys(problem.file for problem in others) if name not in (None, first.file)]
    where = f"{len(others)} more row{'s' * (len(others) > 1)}" + f", also of {', '.join(map(str, files))}" * bool(files)
    return replace(first, value=f"{first.value} (and in {where}{more})")


def shown(value: object) -> str:
    """Show a value in a message: short, printable, never empty."""
    text = f"{value:.12g}" if isinstance(value, float) else str(value)
    if text == "":
        return "empty cell"
    if len(text) > 60:
        text = text[:57] + "..."
    return text if text.isprintable() else repr(text)


def fold(name: str) -> str:
    """Return a name without what the eye passes over: spaces and case."""
    return "".join(name.split()).casefold()


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name that is most like ``name``, or None if none is."""
    folded = {k.casefold(): k for k in known}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


def known(noun: str, name: str, names: Sequence[str]) -> str:
    """Say which names a course knows, or the nearest of them."""
    like = nearest(name, names)
    return f"a {noun} of the course" + (f" (nearest: {like})" if like else f": {', '.join(names)}")


def counted(number: int, what: str) -> str:
    """Write a number of things: ``1 site``, ``3 sites``."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def either(names: Sequence[str]) -> str:
    """Join names as a choice: ``a, b or c``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def whole(name: str, value: object, least: int, most: int) -> list[Problem]:
    """Return what is wrong with a count, if anything."""
    if not isinstance(value, Integral) or isinstance(value, bool) or value < least:
        return [Problem(name, repr(value), f"a whole number from {least}")]
    return [] if value <= most else [Problem(name, str(value), f"a whole number from {least} to {most}")]


_KINDS: Mapping[str, tuple[type, str]] = {
    "number": (Real, "a number"),
    "text": (str, "text"),
    "flag": (bool, "True or False"),
}


def of_kind(kind: Literal["number", "text", "flag"], **given: object) -> list[Problem]:
    """Return which arguments are of another kind, so that no error of Python's own leaves out the name."""
    wanted, expected = _KINDS[kind]
    return [
        Problem(name, repr(value), expected)
        for name, value in given.items()
        if not isinstance(value, wanted)
        or (kind == "number" and isinstance(value, bool))
        or (isinstance(value, int) and abs(value) > 1e300)  # more than any float holds
    ]


def of_class(kind: type, expected: str, **given: object) -> list[Problem]:
    """Return which arguments are not of a class."""
    return [of_another_kind(name, value, expected) for name, value in given.items() if not isinstance(value, kind)]


def of_another_kind(name: str, value: object, expected: str) -> Problem:
    """Tell of a value in the place of something else; what is no plain value is told by the name of its class."""
    return Problem(name, shown(repr(value) if isinstance(value, str | Real | None) else type(value).__name__), expected)


def of_level(level: float) -> list[Problem]:
    """Return what is wrong with the probability of an interval."""
    return [] if 0 < level < 1 else [Problem("level", repr(level), "a probability between 0 and 1")]


def refuse(problems: Sequence[Problem]) -> None:
    """Raise `InputError` if there are any problems."""
    if problems:
        raise InputError(problems)


def headed(problem: Problem, headings: Headings | None) -> Problem:
    """Name columns as the problem's file does; a number that was converted is given its unit."""
    if not headings:
        return problem
    heading, unit, file_unit = headings.get(problem.column or "", (problem.column, "", ""))
    is_number = re.fullmatch(r"-?[0-9.]+(e[+-]?[0-9]+)?", problem.value)

    def named(found: re.Match[str]) -> str:
        own, unit, in_file = headings[found[1]]
        return own + (f" ({_back(found[2], unit, in_file)})" if found[2] and unit else found[0].removeprefix(found[1]))

    # A name of one word, such as green, is a word of the sentence as well.
    names = "|".join(name for name in headings if "_" in name)
    expected = re.sub(rf"\b({names})\b(?: \((-?[0-9.]+)\))?", named, problem.expected) if names else problem.expected
    value = problem.value
    if unit and is_number:
        value = f"{_back(value, unit, file_unit)} = {float(value):.6g} {unit}"
    return replace(problem, column=heading, value=value, expected=expected)


def _back(number: str, unit: str, file_unit: str) -> str:
    """Write a number that was converted as its file has it."""
    return f"{convert(float(number), unit, file_unit):.6g} {file_unit}"


def problem_of(record: Any, place: str, column: str, value: object, expected: str) -> Problem:
    """Place a problem at the row that a record was read from, else at ``place``."""
    if record.file is None:
        return Problem(f"{place}.{column}", shown(value), expected)
    return headed(Problem("", shown(value), expected, record.file, record.row, column), record.headings)


def doubt_of(record: Any, column: str, found: str, usual: str) -> Doubt:
    """Doubt what a record says, at the row that it was read from."""
    heading = (record.headings or {}).get(column, (column, "", ""))[0]
    return Doubt(record.file or "", f"row {record.row}, column {heading}", heading, found, usual)


def outside() -> int:
    """Return the ``stacklevel`` at which a warning names the caller of the package and not the package."""
    level, frame = 1, sys._getframe(1)
    while frame.f_back is not None and frame.f_globals.get("__name__", "").partition(".")[0] == "matledger":
        level, frame = level + 1, frame.f_back
    return level
