"""What a column holds and what its cells may say.

A column's unit stands at the end of its name (``tmin_c``, ``depth_mm``). The same quantity under another
known unit (``tmin_f``, ``depth_in``) is converted; any other name is mapped by the user. Nothing is guessed:
dates are ISO 8601, numbers have a decimal point.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from numbers import Integral
from typing import Any

from matledger import units as quantities
from matledger.days import FIRST_DATE, ISO_DATE, LAST_DATE, day_of, missing
from matledger.errors import InputError, Problem
from matledger.findings import Doubt, Findings, Headings, either, nearest, shown
from matledger.variables import ANY, Interval, Kind, Usual, variable

__all__ = [
    "BadValueError",
    "Column",
    "Matched",
    "column",
    "headings_of",
    "match_names",
    "read_fields",
    "settle",
]

SUFFIXES: Mapping[str, Mapping[str, str]] = {
    "temperature": {"c": "degC", "f": "degF"},
    "length": {
        "mm": "mm",
        "cm": "cm",
        "m": "m",
        "in": "in",
        "ft": "ft",
        "l_m2": "L/m2",
        "ml_m2": "mL/m2",
        "ft3_1000ft2": "ft3/1000ft2",
    },
    "area": {"m2": "m2", "ha": "ha", "ft2": "ft2", "acre": "acre"},
    "mass per area": {"g_m2": "g/m2", "kg_m2": "kg/m2", "lb_1000ft2": "lb/1000ft2"},
    "volume": {"l": "L", "ml": "mL", "m3": "m3", "us_gal": "US gal", "ft3": "ft3"},
    "mass per volume": {"g_l": "g/L"},
    "mass": {"t": "t", "short_ton": "short ton"},
    "speed": {"km_h": "km/h", "mph": "mph"},
    "density": {"g_cm3": "g/cm3", "lb_ft3": "lb/ft3"},
    "share": {"percent": "%"},
}
"""Units that a column's name may end in, by quantity."""

PERCENT_ELSEWHERE = ("1", "g/kg")
"""What figures of laboratories are in when they are not in per cent; no name ends in them."""

NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
INTEGER = re.compile(r"[+-]?[0-9]{1,9}")
DECIMAL_COMMA = re.compile(r"[+-]?[0-9.]*,[0-9.,]*")


class BadValueError(Exception):
    """A cell that cannot be used: what was found, and what was expected."""

    def __init__(self, value: str, expected: str) -> None:
        self.value, self.expected = value, expected


@dataclass(frozen=True, kw_only=True)
class Column:
    """What a column holds and what its cells may say.

    Attributes
    ----------
    name
        The column's name; a number's unit stands at its end.
    kind
        ``date``, ``number``, ``integer``, ``text``, ``choice`` or ``flag`` (true or false); a ``record`` is no cell.
    required
        Whether the column has to be there.
    may_be_empty
        Whether a cell may be empty; it then reads as None.
    range
        What a number may be, in the unit of the name.
    usual
        What a number usually is, in that unit.
    choices
        The words that a ``choice`` may be.
    exact
        Whether a space at either end of a ``text`` is refused, where it would else be dropped.
    """

    name: str
    kind: Kind
    required: bool = True
    may_be_empty: bool = False
    range: Interval = ANY
    usual: Usual | None = None
    choices: tuple[str, ...] = ()
    exact: bool = False

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
        return self.expected_in(self.unit)

    def expected_in(self, unit: str | None) -> str:
        """Return what a cell may say, in words, where plain numbers are in ``unit`` (that of the name if None)."""
        if self.kind == "date":
            return "a date as YYYY-MM-DD"
        if self.kind == "choice":
            return either(self.choices)
        if self.kind == "text":
            return "text"
        if self.kind == "flag":
            return "true or false"
        words = "a whole number" if self.kind == "integer" else "a number"
        among = self.range
        if unit not in (None, self.unit):
            low, high = (_same(end, self.unit or "", unit or "") for end in (among.low, among.high))
            among = replace(among, low=low, high=high)
        words += f" {among.words}" if among.words else ""
        return words + (f" ({unit or self.unit})" if self.unit else "")

    def doubt(self, value: float, raw: object, unit: str | None, *, file: str, where: str, name: str) -> Doubt | None:
        """Say what is odd about a number that was read from ``raw``, plain numbers being in ``unit``, if anything is.

        A unit in which the figure would be usual is named, and never taken.
        """
        if self.usual is None or value in self.usual.range:
            return None
        side = "low" if value < self.usual.range.low else "high"
        own, usual = self.unit or "", f"usual is {self.usual.words} {self.unit or ''}".rstrip()
        unit = unit or own
        if isinstance(raw, str) and not NUMBER.fullmatch(raw.strip()):
            return Doubt(file, where, name, f"{shown(raw)} = {value:.4g} {own}", usual, side)
        figure = _same(value, own, unit)
        found = f"{figure:.4g} {own}" if unit == own else f"{figure:.4g} {unit} = {value:.4g} {own}"
        others = self._meant(value, unit)
        if self.usual.of_mean:
            found = f"a mean of {found}"
        return Doubt(file, where, name, found, usual + (f"; {' or '.join(others)}?" if others else ""), side)

    def read(self, raw: object, unit: str | None = None) -> Any:
        """Read one cell whose plain numbers are in ``unit`` (that of the name if None)."""
        value = raw.strip() if isinstance(raw, str) else raw
        if self.exact and value != raw and value:
            raise BadValueError(repr(raw), "text without a space at either end")
        if missing(value) or value == "":
            if self.may_be_empty:
                return None
            raise BadValueError("empty cell", self.expected_in(unit))
        read = {
            "date": self._date,
            "number": self._number,
            "integer": self._integer,
            "text": self._text,
            "choice": self._choice,
            "flag": self._flag,
        }[self.kind]
        return read(value, unit)

    def _bad(self, value: object, expected: str | None = None) -> BadValueError:
        return BadValueError(shown(value), expected or self.expected)

    def _date(self, value: object, _unit: str | None) -> dt.date:
        read = day_of(value)
        if read is None:
            if isinstance(value, str) and ISO_DATE.fullmatch(value):
                raise self._bad(value, "a day of the calendar, as YYYY-MM-DD")
            raise self._bad(value, "a date without a time of day" if isinstance(value, dt.datetime) else None)
        if not FIRST_DATE <= read <= LAST_DATE:
            raise self._bad(value, f"a date from {FIRST_DATE} to {LAST_DATE}")
        return read

    def _number(self, value: object, unit: str | None) -> float:
        if isinstance(value, str):
            value = value.replace("\u2212", "-")  # the minus sign that spreadsheets and web pages print
        if isinstance(value, str) and not NUMBER.fullmatch(value):
            number = self._quantity(value, unit)
        elif isinstance(value, bool) or (not hasattr(value, "__float__") and not isinstance(value, str)):
            raise self._bad(value, self.expected_in(unit))
        else:
            try:
                number = float(value)
            except (OverflowError, TypeError, ValueError):
                raise self._bad(value, self.expected_in(unit)) from None
            if unit is not None and unit != self.unit and math.isfinite(number):
                number = quantities.convert(number, unit, self.unit or "")
        if not math.isfinite(number) or number not in self.range:
            plain = math.isfinite(number) and (not isinstance(value, str) or NUMBER.fullmatch(value))
            others = self._meant(number, unit or self.unit or "") if plain else []
            raise self._bad(value, self.expected_in(unit) + (f"; {' or '.join(others)}?" if others else ""))
        return number

    def _meant(self, value: float, unit: str) -> list[str]:
        """Say in which other units a number that was read in ``unit`` would be usual."""
        own, others = self.unit or "", []
        figure = _same(value, own, unit)
        for other in (*(self._suffix[1].values() if self._suffix else ()), *PERCENT_ELSEWHERE * (own == "%")):
            meant = _same(figure, other, own)
            if (
                self.usual
                and other != unit
                and (own == "%" or ("/" in other) == ("/" in own))
                and meant in self.usual.range
            ):
                same = f" = {meant:.3g} {own}" if other != own else ""
                others.append(f"{figure:.4g} {'as a share' if other == '1' else other}{same}")
        return others

    def _quantity(self, text: str, unit: str | None) -> float:
        if DECIMAL_COMMA.fullmatch(text):
            raise self._bad(text, f"{self.expected_in(unit)}, with a decimal point and no comma")
        if self.unit is None or text[0].isalpha():
            raise self._bad(text, self.expected_in(unit))
        try:
            return quantities.parse_text(text, self.unit, name=self.name, plain=unit)
        except InputError as error:
            raise self._bad(text, error.problems[0].expected) from None

    def _integer(self, value: object, _unit: str | None) -> int:
        if (
            (isinstance(value, str) and INTEGER.fullmatch(value))
            or (isinstance(value, float) and value.is_integer())
            or (isinstance(value, Integral) and not isinstance(value, bool))
        ):
            number = int(value)
        else:
            raise self._bad(value)
        if number not in self.range:
            raise self._bad(value)
        return number

    def _text(self, value: object, _unit: str | None) -> str:
        if isinstance(value, str) and value.isprintable() and len(value) <= 200:
            return value
        if isinstance(value, int | float):
            raise self._bad(value, f'text: "{value}", with quotes')
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


def _same(number: float, from_unit: str, to_unit: str) -> float:
    return quantities.convert(number, from_unit, to_unit) if math.isfinite(number) else number


def column(
    name: str,
    of: str = "",
    *,
    required: bool = True,
    may_be_empty: bool = False,
    choices: tuple[str, ...] = (),
    exact: bool = False,
) -> Column:
    """Make a column whose kind and range are those of the registry of variables."""
    what = variable(name, of)
    return Column(
        name=name,
        kind=what.kind,
        required=required,
        may_be_empty=may_be_empty,
        range=what.range,
        usual=what.usual,
        choices=choices,
        exact=exact,
    )


Report = Callable[[str | None, str, str], None]
Matched = dict[int, tuple[Column, str | None]]


def match_names(
    names: Sequence[str],
    columns: Sequence[Column],
    *,
    renamed: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    report: Report,
    misnamed: Report | None = None,
    noun: str = "column",
    beside: Sequence[str] = (),
) -> Matched:
    """Find which name holds which column, and in what unit; anything amiss goes to ``report``.

    What is amiss with ``renamed`` and ``units`` goes to ``misnamed``, as ``columns.tmin_c``. Names in ``beside`` are
    known to the caller and passed over.
    """
    renamed, units, misnamed = renamed or {}, units or {}, misnamed or report
    by_name = {column.name: column for column in columns}
    for argument, given in (("columns", renamed), ("units", units)):
        for name in given:
            if name not in by_name:
                own = next((column for column in columns if name in column.names), None)
                expected = (
                    f'{own.name} in its place, and units = {{ {own.name} = "{own.names[name]}" }}'
                    if own
                    else f"one of {', '.join(by_name)}"
                )
                misnamed(f"{argument}.{name}", given[name], expected)
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
            other = renamed.get(name)
            expected = f"nothing; columns has {other} for it" if other else _instead(name, columns, accepted, beside)
            report(name, f"unknown {noun}", expected)
            continue
        column, unit = accepted[name]
        if column.name in holders:
            other = holders[column.name]
            told = f"one {noun}, not two of that name" if other == name else f"either {other} or {name}, not both"
            report(name, f"second {noun} for {column.name}", told)
            continue
        holders[column.name] = name
        if column.name in units:
            unit = _declared_unit(column, units[column.name], columns, misnamed)
        matched[place] = (column, unit)
    advise = noun == "column" and bool(set(names) - {*accepted, *beside})
    for column in columns:
        if column.required and column.name not in holders:
            name = renamed.get(column.name, column.name)
            unit = units.get(column.name, column.unit_of(name))
            fits = unit and column.unit and quantities.alike(unit, column.unit)
            hint = f"{noun} {name}: {column.expected_in(unit if fits else None)}"
            if advise and column.name not in renamed:
                hint, advise = f"{hint}; a heading of your own goes under columns", False
            report(None, f"no {noun} {name}", hint)
    return matched


def headings_of(names: Sequence[str], matched: Matched) -> Headings:
    """Return the names that are not the columns' own, or of another unit."""
    return {
        column.name: (names[place], "" if unit == column.unit else column.unit or "", unit or "")
        for place, (column, unit) in matched.items()
        if (names[place], unit) != (column.name, column.unit)
    }


def _instead(name: str, columns: Sequence[Column], accepted: Mapping[str, object], beside: Sequence[str]) -> str:
    alike = [column for column in columns if len(column.names) > 1 and f"{name}_".startswith(f"{column.stem}_")]
    if any(nearest(name, [column.name]) for column in alike):
        ends = [end for column in alike for end in column.names if end in accepted] or [alike[0].name]
        return f"a known unit at its end: {either(ends)}"
    like = nearest(name, [*accepted, *beside])
    known = f"one of {', '.join([*(column.name for column in columns), *filter(None, beside)])}"
    return known + (f" (nearest: {like})" if like else "")


def _declared_unit(column: Column, unit: str, columns: Sequence[Column], report: Report) -> str | None:
    if column.unit is None:
        report(f"units.{column.name}", unit, f"no unit: {column.name} has none")
        return None
    try:
        quantities.convert(1.0, unit, column.unit)
    except InputError as error:
        expected = error.problems[0].expected
        if quantities.alike(unit, unit):
            others = [one.name for one in columns if one.stem == column.stem and quantities.alike(unit, one.unit or "")]
            expected = f"a unit of the same kind as {column.unit}"
            expected += f"; {unit} goes with {either(others)}, so map the column to that" if others else ""
        report(f"units.{column.name}", unit, expected)
        return column.unit
    return unit


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
    matched = match_names(names, columns, report=report, noun="key", beside=beside)
    findings.keys[place] = headings_of(names, matched)
    for index, (column, unit) in matched.items():
        try:
            value = values[column.name] = column.read(data[names[index]], unit)
        except BadValueError as bad:
            report(names[index], bad.value, bad.expected)
            continue
        if column.usual and value is not None:
            where = ".".join(part for part in (place, names[index]) if part)
            alike = re.sub(r"\[\d+\]", "", where)
            doubt = column.doubt(value, data[names[index]], unit, file=file, where=where, name=alike)
            findings.doubts += [doubt] if doubt else []
    return values if len(findings.problems) == before else None


def settle(record: Any, columns: Sequence[Column]) -> Findings:
    """Check the fields of a frozen record by the rules of its columns, and set each to what was read."""
    findings = Findings()
    for column in columns:
        try:
            object.__setattr__(record, column.name, column.read(getattr(record, column.name)))
        except BadValueError as bad:
            findings.add(Problem(column.name, bad.value, bad.expected))
    return findings
