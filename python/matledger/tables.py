"""Tables at the door: a CSV file or a data frame becomes checked columns, and every problem is named at once.

A column's unit stands at the end of its name (``tmin_c``, ``depth_mm``). The same quantity under another
known unit (``tmin_f``, ``depth_in``) is converted; any other name is mapped by the user. Nothing is guessed:
dates are ISO 8601, numbers have a decimal point, cells are separated by commas, text is UTF-8.
"""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
import math
import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from matledger import units as quantities
from matledger.errors import InputError, Problem

__all__ = [
    "MAX_BYTES",
    "Column",
    "Findings",
    "Row",
    "Source",
    "Table",
    "csv_rows",
    "nearest",
    "problem_of",
    "read_fields",
    "read_table",
    "read_text",
    "settle",
    "shown",
]

Source = Any
"""A path to a CSV file, or a data frame that narwhals can read (pandas, polars, pyarrow and others)."""

MAX_BYTES = 50_000_000
"""Largest file read unless the caller raises ``max_bytes``: some 200 years of daily weather need 3 MB."""

MOST_PROBLEMS = 1000
FRAME = "data frame"
FIRST_DATE, LAST_DATE = dt.date(1800, 1, 1), dt.date(2199, 12, 31)

SUFFIXES: Mapping[str, Mapping[str, str]] = {
    "temperature": {"c": "degC", "f": "degF"},
    "length": {
        "mm": "mm",
        "cm": "cm",
        "m": "m",
        "in": "in",
        "ft": "ft",
        "l_m2": "L/m2",
        "ft3_1000ft2": "ft3/1000ft2",
    },
    "area": {"m2": "m2", "ha": "ha", "ft2": "ft2", "acre": "acre"},
    "mass per area": {"g_m2": "g/m2", "kg_m2": "kg/m2", "lb_1000ft2": "lb/1000ft2"},
    "volume": {"l": "L", "ml": "mL", "m3": "m3", "us_gal": "US gal", "ft3": "ft3"},
    "mass per volume": {"g_l": "g/L"},
    "share": {"percent": "%"},
}
"""Units that a column's name may end in, by quantity."""

NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
INTEGER = re.compile(r"[+-]?[0-9]{1,9}")
ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
DECIMAL_COMMA = re.compile(r"[+-]?[0-9.]*,[0-9.,]*")


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
        return len(self.problems) >= MOST_PROBLEMS

    def absorb(self, error: InputError, change: Callable[[Problem], Problem]) -> None:
        """Take over the problems of an error, each placed by ``change``."""
        self.problems.extend(change(problem) for problem in error.problems)

    def raise_any(self) -> None:
        """Raise `InputError` if anything was found."""
        if self.problems:
            raise InputError(self.problems)


class _BadValueError(Exception):
    def __init__(self, value: str, expected: str) -> None:
        self.value, self.expected = value, expected


def shown(value: object) -> str:
    """Show a value in a message: short, printable, never empty."""
    text = f"{value:g}" if isinstance(value, float) else str(value)
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


@dataclass(frozen=True, kw_only=True)
class Column:
    """What a column holds and what its cells may say.

    Attributes
    ----------
    name
        The column's name; a number's unit stands at its end.
    kind
        ``date``, ``number``, ``integer``, ``text``, ``choice`` or ``flag`` (true or false).
    required
        Whether the column has to be there.
    may_be_empty
        Whether a cell may be empty; it then reads as None.
    least, most, above
        Bounds of a number, in the unit of the name; ``above`` is exclusive.
    choices
        The words that a ``choice`` may be.
    """

    name: str
    kind: Literal["date", "number", "integer", "text", "choice", "flag"]
    required: bool = True
    may_be_empty: bool = False
    least: float | None = None
    most: float | None = None
    above: float | None = None
    choices: tuple[str, ...] = ()

    @cached_property
    def _suffix(self) -> tuple[str, Mapping[str, str]] | None:
        """The unit at the name's end, and all that could stand in its place."""
        if self.kind != "number":
            return None
        found = [(suffix, same) for same in SUFFIXES.values() for suffix in same if self.name.endswith(f"_{suffix}")]
        return max(found, key=lambda pair: len(pair[0]), default=None)

    @property
    def unit(self) -> str | None:
        """The unit at the end of the name, as `matledger.units` writes it."""
        return self._suffix[1][self._suffix[0]] if self._suffix else None

    def unit_of(self, name: str) -> str | None:
        """Return the unit at the end of the user's own name for the column, else the column's."""
        same = self._suffix[1] if self._suffix else {}
        found = [suffix for suffix in same if name.endswith(f"_{suffix}")]
        return same[max(found, key=len)] if found else self.unit

    @property
    def stem(self) -> str:
        """The name without its unit."""
        return self.name.removesuffix(f"_{self._suffix[0]}") if self._suffix else self.name

    @cached_property
    def names(self) -> Mapping[str, str | None]:
        """Every name that the column may bear, with the unit that it then has."""
        if self._suffix is None:
            return {self.name: None}
        return {f"{self.stem}_{suffix}": unit for suffix, unit in self._suffix[1].items()}

    @property
    def expected(self) -> str:
        """What a cell may say, in words."""
        if self.kind == "date":
            return "a date as YYYY-MM-DD"
        if self.kind == "choice":
            return either(self.choices)
        if self.kind == "text":
            return "text"
        if self.kind == "flag":
            return "true or false"
        words = "a whole number" if self.kind == "integer" else "a number"
        if self.above is not None:
            words += f" above {self.above:g}"
            words += f" and at most {self.most:g}" if self.most is not None else ""
        elif self.least is not None:
            words += (
                f" from {self.least:g} to {self.most:g}" if self.most is not None else f" of {self.least:g} or more"
            )
        return words + (f" ({self.unit})" if self.unit else "")

    def read(self, raw: object, unit: str | None = None) -> Any:
        """Read one cell whose plain numbers are in ``unit`` (that of the name if None)."""
        value = raw.strip() if isinstance(raw, str) else raw
        if value is None or value == "":
            if self.may_be_empty:
                return None
            raise _BadValueError("empty cell", self.expected)
        read = {
            "date": self._date,
            "number": self._number,
            "integer": self._integer,
            "text": self._text,
            "choice": self._choice,
            "flag": self._flag,
        }[self.kind]
        return read(value, unit)

    def _bad(self, value: object, expected: str | None = None) -> _BadValueError:
        return _BadValueError(shown(value), expected or self.expected)

    def _date(self, value: object, _unit: str | None) -> dt.date:
        if isinstance(value, str):
            if not ISO_DATE.fullmatch(value):
                raise self._bad(value)
            try:
                day = dt.date.fromisoformat(value)
            except ValueError:
                raise self._bad(value, "a day of the calendar, as YYYY-MM-DD") from None
        elif isinstance(value, dt.datetime):
            if value.time() != dt.time() or value.tzinfo is not None:
                raise self._bad(value, "a date without a time of day")
            day = value.date()
        elif isinstance(value, dt.date):
            day = value
        else:
            raise self._bad(value)
        if not FIRST_DATE <= day <= LAST_DATE:
            raise self._bad(value, f"a date from {FIRST_DATE} to {LAST_DATE}")
        return day

    def _number(self, value: object, unit: str | None) -> float:
        if isinstance(value, str) and not NUMBER.fullmatch(value):
            number = self._quantity(value)
        elif isinstance(value, bool) or (not hasattr(value, "__float__") and not isinstance(value, str)):
            raise self._bad(value)
        else:
            try:
                number = float(value)
            except (OverflowError, TypeError, ValueError):
                raise self._bad(value) from None
            if unit is not None and unit != self.unit and math.isfinite(number):
                number = quantities.convert(number, unit, self.unit or "")
        if not math.isfinite(number):
            raise self._bad(value)
        return self._within(number, value)

    def _quantity(self, text: str) -> float:
        if DECIMAL_COMMA.fullmatch(text):
            raise self._bad(text, f"{self.expected}, with a decimal point and no comma")
        if self.unit is None or text[0].isalpha():
            raise self._bad(text)
        try:
            return quantities.parse(text, self.unit, name=self.name)
        except InputError as error:
            raise self._bad(text, error.problems[0].expected) from None

    def _integer(self, value: object, _unit: str | None) -> int:
        if (
            (isinstance(value, str) and INTEGER.fullmatch(value))
            or (isinstance(value, float) and value.is_integer())
            or (isinstance(value, int) and not isinstance(value, bool))
        ):
            number = int(value)
        else:
            raise self._bad(value)
        return int(self._within(number, value))

    def _within(self, number: float, value: object) -> float:
        if (
            (self.above is not None and number <= self.above)
            or (self.least is not None and number < self.least)
            or (self.most is not None and number > self.most)
        ):
            raise self._bad(value)
        return number

    def _text(self, value: object, _unit: str | None) -> str:
        if isinstance(value, str) and value.isprintable() and len(value) <= 200:
            return value
        raise self._bad(value, "printable text of at most 200 characters")

    def _choice(self, value: object, _unit: str | None) -> str:
        if isinstance(value, str) and value in self.choices:
            return value
        like = nearest(str(value), self.choices)
        raise self._bad(value, self.expected + (f" (nearest: {like})" if like else ""))

    def _flag(self, value: object, _unit: str | None) -> bool:
        if isinstance(value, bool):
            return value
        raise self._bad(value)


Report = Callable[[str | None, str, str], None]
Matched = dict[int, tuple[Column, str | None]]


def match_names(
    names: Sequence[str],
    columns: Sequence[Column],
    *,
    renamed: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    report: Report,
    noun: str = "column",
    beside: Sequence[str] = (),
) -> Matched:
    """Find which name holds which column, and in what unit; anything amiss goes to ``report``.

    Names in ``beside`` are known to the caller and passed over.
    """
    renamed, units = renamed or {}, units or {}
    by_name = {column.name: column for column in columns}
    for argument, given in (("columns", renamed), ("units", units)):
        for name in given:
            if name not in by_name:
                report(None, f"{argument}={{{name!r}: ...}}", f"one of {', '.join(by_name)}")
    accepted: dict[str, tuple[Column, str | None]] = {}
    for column in columns:
        if column.name in renamed:
            accepted[renamed[column.name]] = (column, column.unit_of(renamed[column.name]))
        else:
            accepted.update({name: (column, unit) for name, unit in column.names.items()})

    matched: Matched = {}
    holders: dict[str, str] = {}
    for place, name in enumerate(names):
        if name in beside:
            continue
        if name not in accepted:
            report(name, f"unknown {noun}", _instead(name, columns, accepted, beside))
            continue
        column, unit = accepted[name]
        if column.name in holders:
            other = holders[column.name]
            told = f"one {noun}, not two of that name" if other == name else f"either {other} or {name}, not both"
            report(name, f"second {noun} for {column.name}", told)
            continue
        holders[column.name] = name
        if column.name in units:
            unit = _declared_unit(column, units[column.name], report)
        matched[place] = (column, unit)
    for column in columns:
        if column.required and column.name not in holders:
            name = renamed.get(column.name, column.name)
            hint = f"{noun} {name}: {column.expected}"
            report(None, f"no {noun} {name}", hint)
    return matched


def _instead(name: str, columns: Sequence[Column], accepted: Mapping[str, object], beside: Sequence[str]) -> str:
    for column in columns:
        if len(column.names) > 1 and name.startswith(f"{column.stem}_") and nearest(name, [column.name]):
            return f"a known unit at its end: {either([n for n in column.names if n in accepted] or [column.name])}"
    like = nearest(name, [*accepted, *beside])
    known = f"one of {', '.join([*(column.name for column in columns), *beside])}"
    return known + (f" (nearest: {like})" if like else "")


def _declared_unit(column: Column, unit: str, report: Report) -> str | None:
    if column.unit is None:
        report(None, f"units={{{column.name!r}: {unit!r}}}", f"no unit: {column.name} has none")
        return None
    try:
        quantities.convert(1.0, unit, column.unit)
    except InputError as error:
        problem = error.problems[0]
        report(None, f"units={{{column.name!r}: {unit!r}}}", problem.expected)
        return column.unit
    return unit


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
    findings: Findings = field(default_factory=Findings)

    def report(self, row: int | None, column: str | None, value: object, expected: str) -> None:
        """Keep a problem of this table."""
        self.findings.add(Problem("", shown(value), expected, self.name, row, column))

    def absorb(self, error: InputError, row: int) -> None:
        """Take over the problems of a record made from a row; what is no column of it is said once, of the file."""
        for problem in error.problems:
            if problem.place in self.known:
                self.findings.add(replace(problem, place="", file=self.name, row=row, column=problem.place))
            elif (of_file := replace(problem, file=self.name)) not in self.findings.problems:
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
    if isinstance(source, str | os.PathLike):
        path = Path(source)
        name, cells = path.name, csv_rows(path.name, read_text(path, max_bytes=max_bytes))
    else:
        name, cells = FRAME, _frame_rows(source)
    table = Table(name, frozenset(column.name for column in columns))

    header_row, header = next(cells, (1, []))
    if not header:
        raise _one("nothing but blank lines" if table.name != FRAME else "no columns", "a header and rows", table.name)
    names = [name.strip() if isinstance(name, str) else name for name in header]
    _refuse_other_separators(names, table.name)
    matched = match_names(
        names,
        columns,
        renamed=renamed,
        units=units,
        report=lambda name, value, expected: table.report(header_row, name, value, expected),
    )
    table.present = frozenset(column.name for column, _ in matched.values())
    whole = table.present.issuperset(column.name for column in columns if column.required)

    empty = True
    for number, row in cells:
        if all(cell is None or cell == "" or (isinstance(cell, str) and cell.isspace()) for cell in row):
            continue
        empty = False
        if len(row) != len(names):
            hint = "; a decimal comma makes two cells of one" if len(row) > len(names) else ""
            table.report(
                number, None, f"{len(row)} cells", f"{len(names)} cells, one for each column of the header{hint}"
            )
        else:
            _read_row(table, number, row, matched, whole)
        if table.findings.full:
            table.report(number, None, "too many problems", "fewer; the rows below were not read")
            break
    if empty:
        table.report(header_row, None, "a header without rows", "at least one row under the header")
    return table


def _read_row(table: Table, number: int, row: Sequence[Any], matched: Matched, sound: bool) -> None:
    values: dict[str, Any] = {}
    for place, (column, unit) in matched.items():
        try:
            values[column.name] = column.read(row[place], unit)
        except _BadValueError as bad:
            table.report(number, column.name, bad.value, bad.expected)
            sound = False
    if sound:
        table.rows.append(Row(number, values))


def read_fields(
    data: Mapping[str, Any],
    columns: Sequence[Column],
    *,
    place: str,
    file: str,
    findings: Findings,
    beside: Sequence[str] = (),
) -> dict[str, Any] | None:
    """Read a keyed table (of TOML) by the rules of a row; None if anything was wrong with it."""
    before = len(findings.problems)

    def report(name: str | None, value: str, expected: str) -> None:
        where = ".".join(part for part in (place, name) if part)
        findings.add(Problem(where, shown(value), expected, file))

    names = list(data)
    values: dict[str, Any] = {}
    for index, (column, unit) in match_names(names, columns, report=report, noun="key", beside=beside).items():
        try:
            values[column.name] = column.read(data[names[index]], unit)
        except _BadValueError as bad:
            report(names[index], bad.value, bad.expected)
    return values if len(findings.problems) == before else None


def settle(record: Any, columns: Sequence[Column]) -> Findings:
    """Check the fields of a frozen record by the rules of its columns, and set each to what was read."""
    findings = Findings()
    for column in columns:
        try:
            object.__setattr__(record, column.name, column.read(getattr(record, column.name)))
        except _BadValueError as bad:
            findings.add(Problem(column.name, bad.value, bad.expected))
    return findings


def problem_of(record: Any, place: str, column: str, value: object, expected: str) -> Problem:
    """Place a problem at the row that a record was read from, else at ``place``."""
    if record.file is None:
        return Problem(f"{place}.{column}", shown(value), expected)
    return Problem("", shown(value), expected, record.file, record.row, column)


def _one(value: str, expected: str, file: str, row: int | None = None) -> InputError:
    return InputError([Problem("", value, expected, file, row)])


def read_text(path: Path, *, max_bytes: int = MAX_BYTES) -> str:
    """Read a whole UTF-8 file of at most ``max_bytes`` bytes; a byte order mark is dropped."""
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
        raise _one("an empty file", "a header and rows", name)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _one("text in UTF-16", "text in UTF-8", name)
    if (at := data.find(b"\0")) >= 0:
        raise _one("a NUL byte", "text in UTF-8", name, data.count(b"\n", 0, at) + 1)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise _one(f"the byte 0x{data[error.start]:02x}", "text in UTF-8", name, row) from None


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
    if len(names) == 1 and isinstance(names[0], str):
        for mark, word in ((";", "semicolons"), ("\t", "tabs")):
            if mark in names[0]:
                raise _one(f"{word} between the columns", "commas between the columns", file, 1)


def _frame_rows(source: Source) -> Iterator[tuple[int, list[Any]]]:
    import narwhals as nw

    try:
        frame = nw.from_native(source, eager_only=True)
    except TypeError:
        kind = type(source).__name__
        raise InputError([Problem("source", kind, "a path to a CSV file or a data frame in memory")]) from None
    except nw.exceptions.DuplicateError as error:
        raise _one(shown(error), "columns of different names", FRAME, 1) from None
    yield 1, [str(name) for name in frame.columns]
    # Only the frame's own library knows which of its NaN mean "missing".
    cells = []
    for name in frame.columns:
        series = frame[name]
        missing = series.is_null().to_list()
        cells.append([None if gone else value for gone, value in zip(missing, series.to_list(), strict=True)])
    yield from ((number, list(row)) for number, row in enumerate(zip(*cells, strict=True), start=2))
