"""Tables for people and data frames for programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, Protocol

from matledger.units import System, convert, same_precision, shown_units

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

__all__ = ["Table", "csv_text", "plain", "to_pandas", "to_polars"]

# The wide forms stand for the plain ones in East Asian input.
STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


class Recorded(Protocol):
    """A record that knows its row in a file."""

    def as_row(self) -> dict[str, Any]:
        """Return the record by column name; None where a cell is empty."""


def to_pandas(records: Sequence[Recorded]) -> pd.DataFrame:
    """Turn records of one kind into a pandas data frame, one row each.

    Parameters
    ----------
    records
        Soil tests, work records or clipping records.

    Returns
    -------
    pandas.DataFrame
        Columns as in the CSV file of that kind; those that no record fills are left out.
    """
    import pandas as pd

    return pd.DataFrame(_columns(records))


def to_polars(records: Sequence[Recorded]) -> pl.DataFrame:
    """Turn records of one kind into a polars data frame, one row each.

    Parameters
    ----------
    records
        Soil tests, work records or clipping records.

    Returns
    -------
    polars.DataFrame
        Columns as in the CSV file of that kind; those that no record fills are left out.
    """
    import polars as pl

    return pl.DataFrame(_columns(records))


def _columns(records: Sequence[Recorded]) -> dict[str, list[Any]]:
    rows = [record.as_row() for record in records]
    names = dict.fromkeys(name for row in rows for name in row)
    columns = {name: [row.get(name) for row in rows] for name in names}
    return {name: cells for name, cells in columns.items() if any(cell is not None for cell in cells)}


@dataclass(frozen=True)
class Table:
    """A small table of results: columns by name, shown as text and HTML, and handed out as a data frame.

    Attributes
    ----------
    caption
        What the table shows.
    columns
        Values by column name, all of one length.
    formats
        How numbers of a column are shown, as format specifications; others are shown as they are.
    units
        Unit of the columns that have one, as `matledger.units.show` knows it; the column's name ends with it.
    notes
        What a reader of it has to know.

    Examples
    --------
    >>> Table("sand", {"programme": ["light", "heavy"], "sand_mm": [3.0, 9.0]}, {"sand_mm": ".1f"})
    sand
    programme  sand_mm
    light          3.0
    heavy          9.0
    """

    caption: str
    columns: Mapping[str, Sequence[Any]]
    formats: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def to(self, system: System) -> Table:
        """Return the table for a reader of metric or US customary units.

        Parameters
        ----------
        system
            ``"metric"`` or ``"us"``.

        Examples
        --------
        >>> Table("sand", {"sand_mm": [3.0]}, {"sand_mm": ".1f"}, {"sand_mm": "mm"}).to("us")
        sand
        sand_in
           0.12
        """
        columns: dict[str, Sequence[Any]] = {}
        formats: dict[str, str] = {}
        for name, values in self.columns.items():
            stored = self.units.get(name)
            spec, shown = self.formats.get(name), name
            if stored is not None:
                metric, unit = shown_units(stored, system)
                shown = name.removesuffix(metric) + unit
                values = [None if value is None else convert(value, metric, unit) for value in values]
                spec = same_precision(spec, metric, unit) if spec else None
            columns[shown] = values
            formats |= {shown: spec} if spec else {}
        return Table(self.caption, columns, formats, notes=self.notes)

    def turned(self, most: int = 6) -> Table:
        """Return the table with its rows as columns, as text, for a narrow page; as it is if that makes it no narrower.

        Parameters
        ----------
        most
            Rows that still are turned.

        Examples
        --------
        >>> Table("sand", {"programme": ["light", "heavy"], "sand_mm": [3.0, 9.0]}, {"sand_mm": ".1f"}).turned()
        sand
        programme  light  heavy
        sand_mm      3.0    9.0
        """
        first, *measures = self.columns
        rows = self.cells()
        heads = [row[0] for row in rows]
        if not 0 < len(rows) <= most or len({first, *heads}) <= len(rows):
            return self
        columns = {first: measures} | {head: row[1:] for head, row in zip(heads, rows, strict=True)}
        return Table(self.caption, columns, dict.fromkeys(heads, ""), notes=self.notes)

    def to_pandas(self) -> pd.DataFrame:
        """Return the table as a pandas data frame."""
        import pandas as pd

        return pd.DataFrame({name: list(values) for name, values in self.columns.items()})

    def to_polars(self) -> pl.DataFrame:
        """Return the table as a polars data frame."""
        import polars as pl

        return pl.DataFrame({name: list(values) for name, values in self.columns.items()})

    def cells(self) -> list[list[str]]:
        """Return the rows as they are shown."""

        def shown(name: str, value: Any) -> str:
            if value is None:
                return ""
            return format(value, self.formats[name]) if name in self.formats else str(value)

        columns = [[shown(name, value) for value in values] for name, values in self.columns.items()]
        return [list(row) for row in zip(*columns, strict=True)]

    def _numeric(self) -> list[bool]:
        return [name in self.formats for name in self.columns]

    def __repr__(self) -> str:
        rows = [list(self.columns), *self.cells()]
        widths = [max(len(row[i]) for row in rows) for i in range(len(self.columns))]
        lines = (
            "  ".join(
                cell.rjust(width) if numeric else cell.ljust(width)
                for cell, width, numeric in zip(row, widths, self._numeric(), strict=True)
            ).rstrip()
            for row in rows
        )
        return "\n".join([self.caption, *lines, *(f"note: {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        sides = ["right" if numeric else "left" for numeric in self._numeric()]
        head = "".join(
            f"<th scope='col' style='text-align:{side}'>{escape(name)}</th>"
            for name, side in zip(self.columns, sides, strict=True)
        )
        body = "".join(
            "<tr>"
            + "".join(f"<td style='text-align:{side}'>{escape(c)}</td>" for c, side in zip(row, sides, strict=True))
            + "</tr>"
            for row in self.cells()
        )
        return (
            f"<table><caption>{escape(self.caption)}</caption>"
            f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        ) + "".join(f"<p>{escape(note)}</p>" for note in self.notes)


def plain(text: str) -> str:
    """Return text that no spreadsheet reads as a formula.

    Examples
    --------
    >>> plain("=1+1"), plain("twice a year")
    ("'=1+1", 'twice a year')
    """
    return f"'{text}" if text.startswith(STARTS_A_FORMULA) else text


def csv_text(table: Table) -> str:
    """Write a table as CSV, numbers to six decimals; a text that a spreadsheet would take for a formula is escaped."""
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\n")

    def cell(value: object) -> object:
        if isinstance(value, str):
            return plain(value)
        return round(value, 6) if isinstance(value, float) else value

    writer.writerow([plain(name) for name in table.columns])
    for row in zip(*table.columns.values(), strict=True):
        writer.writerow([cell(value) for value in row])
    return held.getvalue()
