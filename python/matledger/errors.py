"""What goes wrong with input, said so that the user can mend it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["InputError", "Problem", "UnusualWarning"]


MOST, MOST_ALIKE = 50, 5
"""Lines of a message, and lines that differ in their row and its figures alone."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong with an input.

    Attributes
    ----------
    place
        Where it stands: an argument (``coring.depth_mm``) or a date.
    value
        What was found, as text.
    expected
        What would have been accepted.
    file, row, column
        Where it stands in a file; rows count from 1 and the header is row 1.
    """

    place: str
    value: str
    expected: str
    file: str | None = None
    row: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        parts = [] if self.file is None else [self.file]
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.column is not None:
            parts.append(f"column {self.column}")
        if self.place:
            parts.append(self.place)
        where = ", ".join(parts)
        found = f"{where}: {self.value}" if where else self.value
        return f"{found}; expected {self.expected}"


def _kind(problem: Problem) -> tuple[object, ...]:
    """What problems share that differ in their row and its figures alone; those without a row are of their own kind."""
    expected = re.sub(r"\d[\d.]*", "", problem.expected)
    return (problem.file, problem.column, expected, None if problem.row else problem)


class UnusualWarning(UserWarning):
    """A number, or an order of work, that is possible but unusual: worth a look first. Nothing was changed."""


class InputError(ValueError):
    """Input that cannot be used; ``problems`` holds every problem found.

    Examples
    --------
    >>> error = InputError([Problem("depth_mm", "-3", "a depth above 0 mm")])
    >>> print(error)
    depth_mm: -3; expected a depth above 0 mm
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        kinds = Counter(_kind(problem) for problem in self.problems)
        seen: Counter[tuple[object, ...]] = Counter()
        shown = []
        for problem in self.problems:
            kind = _kind(problem)
            seen[kind] += 1
            if seen[kind] <= MOST_ALIKE:
                shown.append(str(problem))
            elif seen[kind] == MOST_ALIKE + 1:
                of = ", column ".join(filter(None, (problem.file, problem.column)))
                shown.append(f"... and {kinds[kind] - MOST_ALIKE} more rows of {of}, like those above")
        if len(shown) > MOST:
            shown[MOST:] = [f"... and {len(shown) - MOST} more"]
        return "\n".join(shown)

    @classmethod
    def from_core(cls, rows: Iterable[tuple[str, str, str]]) -> InputError:
        """Build the error from the core's ``(place, value, expected)`` rows.

        Parameters
        ----------
        rows
            Rows of a table or problems of the core.
        """
        return cls([Problem(*row) for row in rows])
