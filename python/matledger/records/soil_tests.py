"""Laboratory tests of organic matter, each with what was sampled and how."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from matledger.cells import column, settle
from matledger.errors import InputError, Problem
from matledger.findings import Findings, Headings, problem_of
from matledger.tables import MAX_BYTES, Source, read_table
from matledger.units import show_window

__all__ = ["COLUMN_DEPTH_MM", "LAYERS", "SoilTest", "read_soil_tests"]

COLUMN_DEPTH_MM = 150.0
"""Depth of the modelled column unless the user sets another (mm)."""

LAYERS = ("window", "thatch-mat")

COLUMNS = (
    column("green"),
    column("date"),
    column("layer", choices=LAYERS, required=False, may_be_empty=True),
    column("top_mm", may_be_empty=True),
    column("bottom_mm", may_be_empty=True),
    column("om_percent"),
    column("cores"),
    column("method"),
    column("verdure", choices=("on", "off")),
    column("laboratory_sd_percent", required=False, may_be_empty=True),
)


@dataclass(frozen=True, kw_only=True)
class SoilTest:
    """One test of organic matter by loss on ignition.

    Attributes
    ----------
    green
        Name of the green.
    date
        Day of sampling.
    layer
        ``window`` for a depth range, ``thatch-mat`` for the visible layer, whatever its depth.
    top_mm, bottom_mm
        The window (mm below the surface); None for a thatch-mat layer.
    om_percent
        Loss on ignition (% of the oven-dry mass).
    cores
        Cores mixed into the sample.
    method
        Name of the laboratory method; tests of different methods are never pooled without an offset.
    verdure
        Whether the verdure was left ``on`` or taken ``off``.
    laboratory_sd_percent
        Standard deviation of the laboratory's repeats [% OM], if it stated one.
    file, row, headings
        Where the test was read, and what the file calls its columns.
    """

    green: str
    date: dt.date
    om_percent: float
    cores: int
    method: str
    verdure: Literal["on", "off"]
    layer: Literal["window", "thatch-mat"] = "window"
    top_mm: float | None = None
    bottom_mm: float | None = None
    laboratory_sd_percent: float | None = None
    file: str | None = field(default=None, compare=False, repr=False)
    row: int | None = field(default=None, compare=False, repr=False)
    headings: Headings | None = field(default=None, compare=False, repr=False)

    @property
    def sampled(self) -> str:
        """What was sampled, in words."""
        return show_window(*self.window) if self.window else f"{self.layer} layer"

    @property
    def window(self) -> tuple[float, float] | None:
        """Top and bottom (mm); None for a thatch-mat layer, whose depth is not stated."""
        return None if self.top_mm is None or self.bottom_mm is None else (self.top_mm, self.bottom_mm)

    def overlaps(self, other: SoilTest) -> bool:
        """Whether two windows share ground; a thatch-mat layer is a sample of its own and overlaps only its like.

        Parameters
        ----------
        other
            The other soil test.
        """
        if self.window is None or other.window is None:
            return self.window is other.window
        return self.window[0] < other.window[1] and other.window[0] < self.window[1]

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, COLUMNS)
        findings.raise_any()
        windowed, depths = self.layer == "window", (self.top_mm, self.bottom_mm)
        if windowed and None in depths:
            missing = "top_mm" if self.top_mm is None else "bottom_mm"
            findings.add(Problem(missing, "no depth", "a depth (mm), or the layer thatch-mat"))
        elif not windowed and depths != (None, None):
            findings.add(Problem("layer", self.layer, "no depths with this layer, or the layer window"))
        elif self.window is not None and self.window[0] >= self.window[1]:
            expected = f"a depth below top_mm ({self.window[0]:g} mm)"
            findings.add(Problem("bottom_mm", f"{self.window[1]:g}", expected))
        findings.raise_any()

    def as_row(self) -> dict[str, Any]:
        """Return the test as a row that `read_soil_tests` reads."""
        return {column.name: getattr(self, column.name) for column in COLUMNS}


def read_soil_tests(
    source: Source,
    *,
    column_depth_mm: float = COLUMN_DEPTH_MM,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[SoilTest, ...]:
    """Read soil tests.

    Columns: ``green``, ``date``, ``top_mm``, ``bottom_mm``, ``om_percent``, ``cores``, ``method``, ``verdure``
    (``on`` or ``off``); ``layer`` (``window`` if empty, or ``thatch-mat`` with empty depths) and
    ``laboratory_sd_percent`` may be left out.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    column_depth_mm
        Depth of the modelled column (mm); no test may reach below it.
    columns
        The source's own name for a column, such as ``{"om_percent": "LOI"}``.
    units
        Unit of a column's plain numbers, such as ``{"top_mm": "in", "bottom_mm": "in"}``.
    max_bytes
        Largest file that is read.

    Returns
    -------
    tuple of SoilTest
        In the order of the rows.

    Raises
    ------
    InputError
        With every problem: cells, windows beyond the column, tests given twice, overlapping windows of one green,
        day and method.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"green": "1", "date": "2014-05-12", "top_mm": 0, "bottom_mm": 20, "om_percent": 3.4}
    >>> row |= {"cores": 12, "method": "LOI 360", "verdure": "off"}
    >>> test = read_soil_tests(pd.DataFrame([row]))[0]
    >>> test.om_percent, test.window
    (3.4, (0.0, 20.0))
    """
    tests, findings = collect_soil_tests(source, columns=columns, units=units, max_bytes=max_bytes)
    findings.problems += check_soil_tests(tests, column_depth_mm=column_depth_mm)
    findings.raise_any()
    return tuple(tests)


def collect_soil_tests(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[list[SoilTest], Findings]:
    """Read the tests that can be read, and what was wrong with the others."""
    table = read_table(source, COLUMNS, renamed=columns, units=units, max_bytes=max_bytes)
    tests = []
    for row in table.rows:
        try:
            values = {**row.values, "layer": row["layer"] or "window"}
            test = SoilTest(**values, **table.origin(row))
        except InputError as error:
            table.absorb(error, row.number)
            continue
        tests.append(test)
    return tests, table.findings


def check_soil_tests(tests: Sequence[SoilTest], *, column_depth_mm: float) -> list[Problem]:
    """Find tests that reach below the column, tests given twice, and overlapping windows."""
    problems = []
    alike: dict[tuple[str, dt.date, str, str], list[SoilTest]] = defaultdict(list)
    for index, test in enumerate(tests):

        def at(column: str, value: object, expected: str, test: SoilTest = test, index: int = index) -> None:
            problems.append(problem_of(test, f"soil_tests[{index}]", column, value, expected))

        if test.bottom_mm is not None and test.bottom_mm > column_depth_mm:
            at("bottom_mm", f"{test.bottom_mm:g}", f"at most the depth of the column ({column_depth_mm:g} mm)")
        same_day = alike[test.green, test.date, test.method, test.verdure]
        for other in same_day:
            if not test.overlaps(other):
                continue
            where = f"row {other.row}" if other.row else "an earlier one"
            if test.window == other.window:
                at(
                    "date",
                    f"{test.date} a second time",
                    f"one test of {test.sampled}; {where} is of the same green, day and method",
                )
            else:
                at(
                    "top_mm",
                    test.sampled,
                    f"a window that does not overlap {where} ({other.sampled}), of the same green, day and method",
                )
            break
        same_day.append(test)
    return problems
