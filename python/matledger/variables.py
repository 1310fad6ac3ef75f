"""The registry of variables: one name, unit, range and meaning for every argument, column and result.

It is the file ``variables.csv`` beside this module. Checks at the door, headers of files, attributes of data sets and
the page of nomenclature are taken from it; the unknowns of a calibration stand in the core and are read from there.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Literal, cast

from matledger import _core

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["ANY", "Interval", "Kind", "Usual", "Variable", "described", "unknowns", "variable", "variables"]

Kind = Literal["number", "integer", "date", "text", "choice", "flag", "record"]

_INTERVAL = re.compile(r"([\[(])(\S+), (\S+)([\])])")


@dataclass(frozen=True)
class Interval:
    """Numbers from one end to another.

    Attributes
    ----------
    low, high
        The ends; infinite where there is none.
    low_open, high_open
        Whether the end itself is left out.

    Examples
    --------
    >>> Interval.read("(0, 1000]")
    Interval(low=0.0, high=1000.0, low_open=True, high_open=False)
    >>> 0 in Interval.read("(0, 1000]"), Interval.read("(0, 1000]").words
    (False, 'above 0 and at most 1000')
    """

    low: float
    high: float
    low_open: bool = False
    high_open: bool = False

    @classmethod
    def read(cls, text: str) -> Interval:
        """Read an interval as ISO 80000-2 writes it: ``[0, 100]``, ``(0, inf)``.

        Parameters
        ----------
        text
            The interval; an empty text is all numbers.
        """
        if not text:
            return ANY
        found = _INTERVAL.fullmatch(text)
        assert found is not None, text  # the registry's own file
        opening, low, high, closing = found.groups()
        return cls(float(low), float(high), opening == "(", closing == ")")

    def __contains__(self, number: float) -> bool:
        above = self.low < number if self.low_open else self.low <= number
        below = number < self.high if self.high_open else number <= self.high
        return above and below

    @property
    def words(self) -> str:
        """The interval in words; empty for all numbers."""
        bounded = math.isfinite(self.high)
        most = f"{'below' if self.high_open else 'at most'} {self.high:g}" if bounded else ""
        if math.isinf(self.low):
            return most
        if self.low_open or (bounded and self.high_open):
            least = f"above {self.low:g}" if self.low_open else f"from {self.low:g}"
            return f"{least} and {most}" if most else least
        return f"from {self.low:g} to {self.high:g}" if bounded else f"of {self.low:g} or more"


ANY = Interval(-math.inf, math.inf, True, True)
"""All numbers."""


@dataclass(frozen=True)
class Usual:
    """Where the numbers of a file are looked for before anyone looks twice; nothing is refused for it.

    Attributes
    ----------
    range
        What is usual.
    of_mean
        Whether that is the mean of a long column, and not each number.
    """

    range: Interval
    of_mean: bool = False

    @classmethod
    def read(cls, text: str) -> Usual | None:
        """Read what is usual: ``[5, 300]``, ``mean [-6, 28]``, or nothing.

        Parameters
        ----------
        text
            What the registry says.
        """
        numbers = text.removeprefix("mean ")
        return cls(Interval.read(numbers), numbers != text) if text else None

    @property
    def words(self) -> str:
        """What is usual, in words."""
        return ("a mean " if self.of_mean else "") + self.range.words


@dataclass(frozen=True)
class Variable:
    """What a name means.

    Attributes
    ----------
    name
        The name; a number's unit stands at its end.
    of
        Class, function or file in which the name means this; empty for everywhere else.
    kind
        ``number``, ``integer``, ``date``, ``text``, ``choice``, ``flag``, or ``record`` for anything made of these.
    unit
        Unit; ``-`` for a ratio, empty where there is none.
    range
        What a number may be.
    usual
        What a number usually is, where a wrong unit would show by it.
    standard_name
        Name in the table of standard names of the CF conventions, where it has one.
    long_name
        What it is, in a phrase.
    description
        What else there is to know.
    """

    name: str
    of: str
    kind: Kind
    unit: str
    range: Interval
    usual: Usual | None
    standard_name: str
    long_name: str
    description: str

    @property
    def attributes(self) -> dict[str, str]:
        """Attributes after the CF conventions.

        Examples
        --------
        >>> variable("om_kg_m2").attributes
        {'long_name': 'organic matter in the sample', 'units': 'kg m-2'}
        """
        named = {
            "standard_name": self.standard_name,
            "long_name": self.long_name,
            "units": _udunits(self.unit) if self.kind == "number" else "",
            "comment": self.description,
        }
        return {name: value for name, value in named.items() if value}


def _udunits(unit: str) -> str:
    """Write a unit as UDUNITS reads it."""
    if unit in ("-", "% OM"):
        return {"-": "1", "% OM": "%"}[unit]
    over, *under = unit.split("/")
    powers = [re.sub(r"(?<=[a-z])(\d?)$", lambda power: f"-{power[1] or 1}", part) for part in under]
    return " ".join([over, *powers])


@cache
def variables() -> Mapping[tuple[str, str], Variable]:
    """Return every variable by its name and what it is of."""
    text = files("matledger").joinpath("variables.csv").read_text(encoding="utf-8")
    read = [
        Variable(name, of, cast("Kind", kind), unit, Interval.read(numbers), Usual.read(usual), *texts)
        for name, of, kind, unit, numbers, usual, *texts in list(csv.reader(text.splitlines()))[1:]
    ]
    return {(one.name, one.of): one for one in [*read, *unknowns()]}


def unknowns() -> tuple[Variable, ...]:
    """Return the unknowns of a calibration as the core describes them; each one's range is that of its prior."""
    ranges = {"log": Interval.read("(0, inf)"), "logit": Interval.read("(0, 1)"), "plain": ANY}
    return tuple(
        Variable(name, "", "number", unit, ranges[scale], None, "", text, "")
        for name, unit, text, scale in _core.Site.unknowns()
    )


def variable(name: str, of: str = "") -> Variable:
    """Return what a name means.

    Parameters
    ----------
    name
        Name of an argument, a column or a result.
    of
        Class, function or file, where the name means something of its own there: ``Target``, ``Frontier.by_green``.

    Raises
    ------
    KeyError
        If the registry has no such name.

    Examples
    --------
    >>> variable("depth_mm").long_name, variable("depth_mm", "ProbeReading").long_name
    ('depth reached by the work', 'depth of one hole, probed')
    """
    known = variables()
    for owner in (of, of.partition(".")[0], ""):
        if (name, owner) in known:
            return known[name, owner]
    raise KeyError(f"{name} is not in the registry of variables (python/matledger/variables.csv)")


def described(dataset: xr.Dataset, of: str) -> xr.Dataset:
    """Give each variable of a data set its attributes, and the data set those that the CF conventions ask for.

    Parameters
    ----------
    dataset
        The data set.
    of
        Class that it comes from.
    """
    for name in dataset.variables:
        if not {"units", "standard_name"} & dataset[name].attrs.keys():
            dataset[name].attrs |= variable(str(name), of).attributes
    dataset.attrs |= {"Conventions": "CF-1.11", "source": f"matledger {_core.VERSION}"}
    return dataset
