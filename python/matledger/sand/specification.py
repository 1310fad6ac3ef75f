"""Limits on a sand, and a grading held to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from matledger import _core
from matledger.cells import column
from matledger.errors import InputError
from matledger.frames import Table
from matledger.sand.grading import Grading, how_read
from matledger.tables import MAX_BYTES, Source, read_table

if TYPE_CHECKING:
    pass

__all__ = ["Limit", "SandCheck", "Specification", "read_specification"]


@dataclass(frozen=True, kw_only=True)
class Limit:
    """What a range of sizes may hold.

    Attributes
    ----------
    name
        Name of the range.
    lower_mm, upper_mm
        Its sizes [mm].
    least_percent, most_percent
        Least and most [% of mass]; None for no limit.
    """

    name: str
    lower_mm: float
    upper_mm: float
    least_percent: float | None = None
    most_percent: float | None = None

    def __str__(self) -> str:
        """Say the limit."""
        told = [
            f"{word} {percent:g} %"
            for word, percent in (("at least", self.least_percent), ("at most", self.most_percent))
            if percent is not None
        ]
        return " and ".join(told) or "free"


@dataclass(frozen=True)
class Specification:
    """Limits on a sand that between them say something about every size.

    Parameters
    ----------
    name
        Name, for tables and plots.
    limits
        The limits. Ranges may overlap, as totals do.

    Raises
    ------
    InputError
        For limits outside their domain, or a missing class: sizes about which nothing is said.

    Examples
    --------
    >>> from matledger import Specification
    >>> from matledger.sand import Limit
    >>> own = Specification("own", [Limit(name="fines", lower_mm=0, upper_mm=0.15, most_percent=3)])
    >>> print(own.limits[0])
    at most 3 %
    """

    name: str
    limits: Sequence[Limit]

    def __post_init__(self) -> None:
        """Check the limits against each other."""
        object.__setattr__(self, "limits", tuple(self.limits))
        _ = self.core

    @classmethod
    def usga_root_zone(cls) -> Specification:
        """Root-zone particle table of the USGA.

        References
        ----------
        USGA Recommendations for a Method of Putting Green Construction, table 3, 2004 revision (read as quoted by a
        university extension). The 2018 revision is believed unchanged, from memory.
        """
        limits = [
            Limit(name=name, lower_mm=lower, upper_mm=upper, least_percent=least, most_percent=most)
            for name, lower, upper, least, most in _core.Specification.usga_root_zone().limits
        ]
        return cls("USGA root zone", limits)

    @cached_property
    def core(self) -> _core.Specification:
        """The specification as the core knows it."""
        rows = [(one.name, one.lower_mm, one.upper_mm, one.least_percent, one.most_percent) for one in self.limits]
        return _core.Specification(rows)

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: the core is built again when it is needed."""
        return {name: value for name, value in self.__dict__.items() if name != "core"}


@dataclass(frozen=True)
class SandCheck:
    """A grading held to limits.

    Attributes
    ----------
    sand, specification
        What was held to what.
    """

    sand: Grading
    specification: Specification

    @cached_property
    def rows(self) -> list[tuple[float | None, bool, bool | None]]:
        """Percentage, whether it was measured, and whether the limit is held, for each limit."""
        return self.specification.core.check(self.sand.core)

    @property
    def held(self) -> bool | None:
        """Whether every limit is held; None if that is not known of some and none is broken."""
        verdicts = [held for _, _, held in self.rows]
        if False in verdicts:
            return False
        return None if None in verdicts else True

    def table(self) -> Table:
        """One row a limit."""
        words = {True: "held", False: "broken", None: "not known"}
        columns: dict[str, list[Any]] = {
            "class": [limit.name for limit in self.specification.limits],
            "limit": [str(limit) for limit in self.specification.limits],
            "in the class, %": [percent for percent, _, _ in self.rows],
            "verdict": [words[held] for _, _, held in self.rows],
            "how": [
                how_read(None if percent is None else (percent, measured))
                if held is not None or percent is not None
                else "the sieves do not reach; a pipette or hydrometer does"
                for percent, measured, held in self.rows
            ],
        }
        return Table(f"{self.sand.name} against {self.specification.name}", columns, {"in the class, %": ".1f"})

    def in_words(self) -> str:
        """Say the outcome in a sentence or two."""
        limits = self.specification.limits
        broken = [
            f"{limit.name} {percent:.1f} % ({limit})"
            for limit, (percent, _, held) in zip(limits, self.rows, strict=True)
            if held is False
        ]
        unknown = [limit.name for limit, (_, _, held) in zip(limits, self.rows, strict=True) if held is None]
        if broken:
            text = f"{self.sand.name} breaks {len(broken)} of {len(limits)} limits: {'; '.join(broken)}."
        elif unknown:
            text = f"{self.sand.name} breaks no limit that its analysis can tell."
        else:
            text = f"{self.sand.name} holds all {len(limits)} limits."
        return text + (f" Not known: {', '.join(unknown)}." if unknown else "")

    def __repr__(self) -> str:
        return self.in_words()

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


_LIMITS = (
    column("class"),
    column("lower_mm"),
    column("upper_mm"),
    column("least_percent", required=False, may_be_empty=True),
    column("most_percent", required=False, may_be_empty=True),
)


def read_specification(
    source: Source,
    *,
    name: str,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> Specification:
    """Read a user's own limits.

    Columns: ``class``, ``lower_mm``, ``upper_mm``, ``least_percent``, ``most_percent``; an empty percentage
    is no limit.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    name
        Name of the specification.
    columns
        The source's own name for a column.
    units
        Unit of a column's plain numbers.
    max_bytes
        Largest file that is read.

    Raises
    ------
    InputError
        With every problem found; a missing class is one.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"class": ["fines", "sand"], "lower_mm": [0, 0.15], "upper_mm": [0.15, 2]})
    >>> rows = rows.assign(most_percent=[3, None])
    >>> [str(limit) for limit in read_specification(rows, name="own").limits]
    ['at most 3 %', 'free']
    """
    table = read_table(source, _LIMITS, renamed=columns, units=units, max_bytes=max_bytes)
    table.findings.raise_any()
    limits = [
        Limit(
            name=row["class"],
            lower_mm=row["lower_mm"],
            upper_mm=row["upper_mm"],
            least_percent=row["least_percent"],
            most_percent=row["most_percent"],
        )
        for row in table.rows
    ]
    try:
        return Specification(name, limits)
    except InputError as error:
        raise InputError([replace(problem, file=table.name) for problem in error.problems]) from None
