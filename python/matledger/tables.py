"""Tables at the door: a CSV file or a data frame becomes checked rows, and every problem is named at once.

Cells are separated by commas and text is UTF-8; a byte order mark and either line end are read without complaint.
What a cell may say is in `matledger.cells`.
"""

from __future__ import annotations

import csv
import io
import os
import re
import stat
import sys
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Integral
from pathlib import Path
from typing import Any

from matledger.cells import BadValueError, Column, Matched, headings_of, match_names
from matledger.errors import InputError, Problem
from matledger.findings import Findings, Headings, headed, shown, whole

__all__ = ["MAX_BYTES", "Row", "Source", "Table", "csv_rows", "read_table", "read_text", "read_toml"]

Source = Any
"""A path to a CSV file, or a data frame that narwhals can read (pandas, polars, pyarrow and others)."""

MAX_BYTES = 20_000_000
"""Largest file read unless the caller raises ``max_bytes``; two centuries of daily weather need some 3 MB."""

LONG = 365
"""Rows from which on the mean of a column is looked at: a year of days, so that no season is taken for a fault."""

_FRAME = "data frame"
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


@dataclass(frozen=True)
class Row:
    """One row's values by column name; ``number`` counts as in the file, the header being row 1."""

    number: int
    values: Mapping[str, Any]

    def __getitem__(self, name: str) -> Any:
        """Value of a column; None if the cell is empty or the column is not there."""
        return self.values.get(name)


@dataclass
class Table:
    """Rows whose every cell could be read, the columns known and present, and the problems found so far."""

    name: str
    known: frozenset[str] = frozenset()
    rows: list[Row] = field(default_factory=list)
    present: frozenset[str] = frozenset()
    headings: Headings = field(default_factory=dict)
    """Only of columns that the source names otherwise, or in another unit."""
    findings: Findings = field(default_factory=Findings)

    def origin(self, row: Row) -> dict[str, Any]:
        """Return where a record made from a row was read."""
        return {"file": self.name, "row": row.number, "headings": self.headings}

    def report(self, row: int | None, column: str | None, value: object, expected: str) -> None:
        """Keep a problem of this table, of a column by its name here or of a heading that has none."""
        self.findings.add(headed(Problem("", shown(value), expected, self.name, row, column), self.headings))

    def absorb(self, error: InputError, row: int) -> None:
        """Take over the problems of a record made from a row; what is no column of it is said once, of the file."""
        for problem in error.problems:
            if problem.place in self.known:
                placed = replace(problem, place="", file=self.name, row=row, column=problem.place)
                self.findings.add(headed(placed, self.headings))
            elif (of_file := headed(replace(problem, file=self.name), self.headings)) not in self.findings.problems:
                self.findings.add(of_file)


def read_table(
    source: Source,
    columns: Sequence[Column],
    *,
    renamed: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> Table:
    """Read a CSV file or a data frame.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    columns
        What is expected.
    renamed
        The source's own name for a column, by column name.
    units
        The unit of a column's plain numbers, by column name.
    max_bytes
        Largest file that is read.

    Returns
    -------
    Table
        The rows that could be read. Its ``findings`` hold what was wrong, for the caller to add to and raise.

    Raises
    ------
    InputError
        If the source cannot be read as a table at all.
    """
    if problems := whole("max_bytes", max_bytes, 1, sys.maxsize):
        raise InputError(problems)
    if isinstance(source, str | os.PathLike):
        path = Path(source)
        name, cells = path.name, csv_rows(path.name, read_text(path, max_bytes=max_bytes))
    else:
        name, cells = _FRAME, _frame_rows(source)
    table = Table(name, frozenset(column.name for column in columns))

    header_row, header = next(cells, (1, []))
    if not header:
        raise _one("nothing but blank lines" if table.name != _FRAME else "no columns", "a header and rows", table.name)
    names = [name.strip() if isinstance(name, str) else name for name in header]
    _refuse_other_separators(names, table.name)
    matched = match_names(
        names,
        columns,
        renamed=renamed,
        units=units,
        report=lambda name, value, expected: table.report(header_row, name, value, expected),
        misnamed=lambda place, value, expected: table.findings.add(
            Problem(place or "", shown(value), expected, table.name)
        ),
        beside=("",),
    )
    unnamed = [place for place, name in enumerate(names) if name == ""]
    table.present = frozenset(column.name for column, _ in matched.values())
    table.headings = headings_of(names, matched)
    sound = table.present.issuperset(column.name for column in columns if column.required)

    empty = True
    for number, row in cells:
        if all(cell is None or cell == "" or (isinstance(cell, str) and cell.isspace()) for cell in row):
            continue
        empty = False
        if not matched:
            break  # what is wrong is the header, and the rows would only say so again
        if len(row) != len(names):
            hint = "; a decimal comma makes two cells of one" if len(row) > len(names) else ""
            table.report(
                number, None, f"{len(row)} cells", f"{len(names)} cells, one for each column of the header{hint}"
            )
        else:
            if over := [row[place] for place in unnamed if row[place] not in (None, "")]:
                table.report(number, None, over[0], "no value in a column without a name")
            _read_row(table, number, row, names, matched, sound)
        if table.findings.full:
            table.report(number, None, "too many problems", "fewer; the rows below were not read")
            break
    if empty:
        table.report(header_row, None, "a header without rows", "at least one row under the header")
    for place, (column, unit) in matched.items():
        if column.usual and column.usual.of_mean:
            numbers = [row[column.name] for row in table.rows if row[column.name] is not None]
            if len(numbers) >= LONG:
                _doubt(table, column, sum(numbers) / len(numbers), None, unit, f"column {names[place]}", names[place])
    return table


def _read_row(
    table: Table, number: int, row: Sequence[Any], names: Sequence[str], matched: Matched, sound: bool
) -> None:
    values: dict[str, Any] = {}
    for place, (column, unit) in matched.items():
        try:
            raw = row[place]
            if table.name == _FRAME and column.kind == "text" and isinstance(raw, Integral):
                raw = str(raw)  # a data frame may hold green 7 as a number, where a file has its text
            value = values[column.name] = column.read(raw, unit)
        except BadValueError as bad:
            # The value is as the cell has it, in the heading's own unit.
            table.findings.add(Problem("", bad.value, bad.expected, table.name, number, names[place]))
            sound = False
            continue
        if column.usual and value is not None and not column.usual.of_mean:
            _doubt(table, column, value, row[place], unit, f"row {number}, column {names[place]}", names[place])
    if sound:
        table.rows.append(Row(number, values))


def _doubt(table: Table, column: Column, value: float, raw: object, unit: str | None, where: str, name: str) -> None:
    doubt = column.doubt(value, raw, unit, file=table.name, where=where, name=name)
    table.findings.doubts += [doubt] if doubt else []


def _one(value: str, expected: str, file: str, row: int | None = None) -> InputError:
    return InputError([Problem("", value, expected, file, row)])


def read_text(path: Path, *, max_bytes: int = MAX_BYTES, holds: str = "a header and rows") -> str:
    """Read a whole UTF-8 file of at most ``max_bytes`` bytes that ``holds`` something; a byte order mark is dropped."""
    name = shown(path.name)
    limit = f"a file of at most {max_bytes:,} bytes (max_bytes= raises the limit)"
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise _one("not a file", "a file", name)
        with path.open("rb") as handle:
            if (size := os.fstat(handle.fileno()).st_size) > max_bytes:
                raise _one(f"{size:,} bytes", limit, name)
            data = handle.read(max_bytes + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _one(shown(why), "a file that can be read", name) from None
    if len(data) > max_bytes:
        raise _one(f"more than {max_bytes:,} bytes", limit, name)
    if not data:
        raise _one("an empty file", holds, name)
    if data[:4] in _WORKBOOKS:
        raise _one("a workbook of a spreadsheet", "text: save the sheet as CSV UTF-8, with commas", name)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _one("text in UTF-16", "text in UTF-8", name)
    if (at := data.find(b"\0")) >= 0:
        raise _one("a NUL byte", "text in UTF-8", name, data.count(b"\n", 0, at) + 1)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise _one(f"the byte 0x{data[error.start]:02x}", "text in UTF-8", name, row) from None


def read_toml(path: Path, *, max_bytes: int = MAX_BYTES) -> dict[str, Any]:
    """Read a TOML file of at most ``max_bytes`` bytes."""
    text = read_text(path, max_bytes=max_bytes, holds="a TOML file")
    name = shown(path.name)
    try:
        data = tomllib.loads(text)
        beyond = [Problem(at, "an integer beyond 64 bits", "a smaller number", name) for at in _beyond_64_bits(data)]
    except (ValueError, RecursionError) as error:
        why = "nested too deeply" if isinstance(error, RecursionError) else str(error)
        quotes = 'true, false, or text in straight quotes, as in name = "My course"'
        raise _one(why, quotes if _unquoted(why, text) else "a TOML file", name) from None
    if beyond:
        raise InputError(beyond)
    return data


CURLY = tuple("\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb")


def _unquoted(why: str, text: str) -> bool:
    """Whether what is no value begins as text does, or with a typographer's quote."""
    at = re.match(r"Invalid value \(at line (\d+), column (\d+)\)", why)
    mark = text.splitlines()[int(at[1]) - 1][int(at[2]) - 1 :][:1] if at else ""
    return mark.isalpha() or mark in CURLY


def _beyond_64_bits(data: object, place: str = "") -> Iterator[str]:
    """Yield where integers stand that TOML does not promise; Python reads them, but cannot always write them."""
    if isinstance(data, dict):
        for key, item in data.items():
            yield from _beyond_64_bits(item, f"{place}.{key}" if place else key)
    elif isinstance(data, list):
        for index, item in enumerate(data):
            yield from _beyond_64_bits(item, f"{place}[{index}]")
    elif isinstance(data, int) and not -(2**63) <= data < 2**63:
        yield place


def csv_rows(name: str, text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows of a CSV text that are not blank, numbered from 1 (blank ones count)."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    number = 0
    try:
        for number, row in enumerate(reader, start=1):
            if row:
                yield number, row
    except csv.Error as error:
        expected = "cells whose quotes come in pairs"
        raise _one(f"cannot be split into cells ({error})", expected, name, number + 1) from None


def _refuse_other_separators(names: Sequence[Any], file: str) -> None:
    if isinstance(names[0], str) and names[0].startswith("sep="):
        raise _one(f"{names[0]}, a line for a spreadsheet", "the header in the first row", file, 1)
    if len(names) == 1 and isinstance(names[0], str):
        for mark, word in ((";", "semicolons"), ("\t", "tabs")):
            if mark in names[0]:
                expected = (
                    "commas between the columns and points in numbers: save the sheet so, or in Python read it by "
                    f"pandas, read_csv(..., sep={mark!r}, decimal=','), and give the data frame"
                )
                raise _one(f"{word} between the columns", expected, file, 1)


def _frame_rows(source: Source) -> Iterator[tuple[int, list[Any]]]:
    import narwhals as nw

    try:
        frame = nw.from_native(source, eager_only=True)
    except TypeError:
        kind = type(source).__name__
        raise InputError([Problem("source", kind, "a path to a CSV file or a data frame in memory")]) from None
    except nw.exceptions.DuplicateError as error:
        raise _one(shown(error), "columns of different names", _FRAME, 1) from None
    yield 1, [str(name) for name in frame.columns]
    # Only the frame's own library knows which of its NaN mean "missing".
    cells = []
    for name in frame.columns:
        series = frame[name]
        missing = series.is_null().to_list()
        cells.append([None if gone else value for gone, value in zip(missing, series.to_list(), strict=True)])
    yield from ((number, list(row)) for number, row in enumerate(zip(*cells, strict=True), start=2))
