"""Work done on greens, and the one vocabulary of work in CSV files and in `course.toml`."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from matledger.cells import column, read_fields, settle
from matledger.errors import InputError, Problem
from matledger.findings import Doubt, Findings, Headings, doubt_of, either, shown
from matledger.practice import Coring, SandInjection, SolidTining, Tine, Topdressing, VerticalMowing, Work
from matledger.practice.work import SAND_FIRST, sand_first
from matledger.tables import MAX_BYTES, Source, read_table

__all__ = ["ALL_GREENS", "WorkRecord", "depth_of", "make_work", "read_work", "read_work_table", "work_fields"]

ALL_GREENS = "all"
"""In place of a green's name: the work was done on every green."""

PARAMETERS = tuple(
    column(name)
    for name in (
        "tine_inside_diameter_mm",
        "tine_diameter_mm",
        "spacing_along_mm",
        "spacing_across_mm",
        "blade_width_mm",
        "blade_spacing_mm",
        "depth_mm",
        "depth_sd_mm",
        "passes",
        "returned_mineral_share",
        "returned_om_share",
        "removed_share",
        "holes_open_days",
        "sand_mm",
        "sand_kg_m2",
        "from_mm",
        "to_mm",
        "picked_up_share",
    )
)


@dataclass(frozen=True)
class _Kind:
    make: Any
    needs: tuple[str, ...]
    takes: tuple[str, ...]
    one_of: tuple[str, ...] = ()

    @property
    def parameters(self) -> tuple[str, ...]:
        return self.needs + self.one_of + self.takes


_HOLES = ("spacing_along_mm", "spacing_across_mm", "depth_mm")
_SAND = ("sand_mm", "sand_kg_m2")
KINDS = {
    "coring": _Kind(
        Coring,
        ("tine_inside_diameter_mm", *_HOLES),
        ("depth_sd_mm", "passes", "returned_mineral_share", "returned_om_share", "holes_open_days"),
    ),
    "solid_tining": _Kind(SolidTining, ("tine_diameter_mm", *_HOLES), ("depth_sd_mm", "passes", "holes_open_days")),
    "vertical_mowing": _Kind(
        VerticalMowing,
        ("blade_width_mm", "blade_spacing_mm", "depth_mm"),
        ("passes", "removed_share", "holes_open_days"),
    ),
    "sand_injection": _Kind(SandInjection, ("from_mm", "to_mm"), (), _SAND),
    "topdressing": _Kind(Topdressing, (), ("passes", "picked_up_share"), _SAND),
}

WORK = column("work", "work.csv", choices=tuple(KINDS))
COLUMNS = (
    column("green"),
    column("date"),
    WORK,
    *(replace(column, required=False, may_be_empty=True) for column in PARAMETERS),
)

# Where a practice class names an argument otherwise than its column.
_ARGUMENTS = {
    "tine.inside_diameter_mm": "tine_inside_diameter_mm",
    "inside_diameter_mm": "tine_inside_diameter_mm",
    "diameter_mm": "tine_diameter_mm",
    "spacing_mm": "spacing_along_mm",
    "spacing_mm[0]": "spacing_along_mm",
    "spacing_mm[1]": "spacing_across_mm",
}


def make_work(word: str, parameters: Mapping[str, Any], headings: Headings | None = None) -> Work:
    """Build one piece of work from its parameters by column name; None counts as not given.

    What was expected is said in the units that the source has by its `headings`.

    Raises
    ------
    InputError
        With every parameter that is missing, not taken by this work, or out of its domain; each problem's place is
        the column's name.
    """
    kind, findings = KINDS[word], Findings()
    given = {name: value for name, value in parameters.items() if value is not None}
    by_name = {column.name: column for column in PARAMETERS}
    for name in kind.needs:
        if name not in given:
            unit = headings[name][2] if headings and name in headings else None
            findings.add(Problem(name, "not given", f"{by_name[name].expected_in(unit)}, which {word} needs"))
    for name in given:
        if name not in kind.parameters:
            findings.add(Problem(name, shown(given[name]), f"nothing; {word} takes {', '.join(kind.parameters)}"))
    if kind.one_of and sum(name in given for name in kind.one_of) != 1:
        count = "both given" if kind.one_of[0] in given else "not given"
        findings.add(Problem(kind.one_of[0], count, f"either {either(kind.one_of)}, which {word} needs"))
    findings.raise_any()
    arguments = dict(given)
    if word == "coring":
        arguments["tine"] = Tine(inside_diameter_mm=arguments.pop("tine_inside_diameter_mm"))
    elif word == "solid_tining":
        arguments["diameter_mm"] = arguments.pop("tine_diameter_mm")
    if "spacing_along_mm" in arguments:
        arguments["spacing_mm"] = (arguments.pop("spacing_along_mm"), arguments.pop("spacing_across_mm"))
    try:
        work: Work = kind.make(**arguments)
    except InputError as error:
        raise InputError([replace(p, place=_column_of(p.place, word)) for p in error.problems]) from None
    return work


def _column_of(place: str, word: str) -> str:
    argument = place.removeprefix(f"{word}.")
    return _ARGUMENTS.get(argument, argument)


def work_fields(work: Work) -> dict[str, Any]:
    """Return a work's parameters by column name; `make_work` builds the same work from them."""
    fields = {name: getattr(work, name, None) for name in KINDS[work.kind].parameters}
    if isinstance(work, Coring):
        fields["tine_inside_diameter_mm"] = work.tine.inside_diameter_mm
    if isinstance(work, SolidTining):
        fields["tine_diameter_mm"] = work.diameter_mm
    if isinstance(work, Coring | SolidTining):
        fields["spacing_along_mm"], fields["spacing_across_mm"] = work.spacing_mm
    return {"work": work.kind, **fields}


def depth_of(work: Work) -> tuple[str, float] | None:
    """Return the column that says how deep a work reaches, and the depth (mm); None on the surface."""
    return next(((name, getattr(work, name)) for name in ("depth_mm", "to_mm") if hasattr(work, name)), None)


def read_work_table(data: Mapping[str, Any], *, place: str, file: str, findings: Findings) -> Work | None:
    """Read a work from a keyed table such as ``{work = "topdressing", sand_mm = 1.0}``; None if it is wrong."""
    columns = [WORK, *(column for column in COLUMNS if not column.required)]
    values = read_fields(data, columns, place=place, file=file, findings=findings)
    if values is None:
        return None
    try:
        return make_work(values.pop("work"), values, findings.keys[place])
    except InputError as error:
        findings.absorb(error, lambda p: replace(p, place=f"{place}.{p.place}", file=file))
        return None


@dataclass(frozen=True, kw_only=True)
class WorkRecord:
    """One piece of work that was done.

    Attributes
    ----------
    green
        Name of the green, or ``all``.
    date
        Day of the work. Records of one day were done in the order in which they stand.
    work
        What was done.
    file, row, headings
        Where the record was read, and what the file calls its columns.
    """

    green: str
    date: dt.date
    work: Work
    file: str | None = field(default=None, compare=False, repr=False)
    row: int | None = field(default=None, compare=False, repr=False)
    headings: Headings | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, COLUMNS[:2])
        if not isinstance(self.work, Work):
            findings.add(Problem("work", shown(self.work), "work such as Coring(...) or Topdressing(...)"))
        findings.raise_any()

    def as_row(self) -> dict[str, Any]:
        """Return the record as a row that `read_work` reads."""
        return {"green": self.green, "date": self.date, **work_fields(self.work)}


def read_work(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[WorkRecord, ...]:
    """Read what was done on the greens, and when.

    Columns: ``green`` (or ``all``), ``date``, ``work`` (``coring``, ``solid_tining``, ``vertical_mowing``,
    ``sand_injection`` or ``topdressing``), and the parameters of the work; a cell is empty where the work does not
    take the parameter, and a column that no work needs may be left out:

    - coring: ``tine_inside_diameter_mm``, ``spacing_along_mm``, ``spacing_across_mm``, ``depth_mm``; and at will
      ``depth_sd_mm``, ``passes``, ``returned_mineral_share``, ``returned_om_share``, ``holes_open_days``
    - solid_tining: ``tine_diameter_mm``, ``spacing_along_mm``, ``spacing_across_mm``, ``depth_mm``; ``depth_sd_mm``,
      ``passes``, ``holes_open_days``
    - vertical_mowing: ``blade_width_mm``, ``blade_spacing_mm``, ``depth_mm``; ``passes``, ``removed_share``,
      ``holes_open_days``
    - sand_injection: ``sand_mm`` or ``sand_kg_m2``, ``from_mm``, ``to_mm``
    - topdressing: ``sand_mm`` or ``sand_kg_m2``; ``passes``, ``picked_up_share``

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    columns
        The source's own name for a column.
    units
        Unit of a column's plain numbers, such as ``{"depth_mm": "in"}``.
    max_bytes
        Largest file that is read.

    Returns
    -------
    tuple of WorkRecord
        In the order of the rows, which is the order of work within a day.

    Raises
    ------
    InputError
        With every problem found.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"green": "all", "date": "2014-05-01", "work": "topdressing", "sand_mm": 0.4}
    >>> read_work(pd.DataFrame([row]))[0].work
    Topdressing(sand_mm=0.4)
    """
    records, findings = collect_work(source, columns=columns, units=units, max_bytes=max_bytes)
    findings.raise_any()
    return tuple(records)


def collect_work(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[list[WorkRecord], Findings]:
    """Read the records that can be read, and what was wrong with the others."""
    table = read_table(source, COLUMNS, renamed=columns, units=units, max_bytes=max_bytes)
    records = []
    for row in table.rows:
        values = dict(row.values)
        green, date, word = (values.pop(name) for name in ("green", "date", "work"))
        try:
            work = make_work(word, values, table.headings)
        except InputError as error:
            table.absorb(error, row.number)
        else:
            records.append(WorkRecord(green=green, date=date, work=work, **table.origin(row)))
    table.findings.doubts += _doubts_of_order(records)
    return records, table.findings


def _doubts_of_order(records: Sequence[WorkRecord]) -> list[Doubt]:
    """Say where sand stands before the holes that it should fill, and whether the file runs from the newest day on."""
    by_day: dict[dt.date, dict[str, list[tuple[int, WorkRecord]]]] = defaultdict(lambda: defaultdict(list))
    for at, record in enumerate(records):
        by_day[record.date][record.green].append((at, record))
    odd: dict[tuple[int, int], tuple[WorkRecord, WorkRecord]] = {}
    several = sound = False
    for of_day in by_day.values():
        on_all = of_day.get(ALL_GREENS, [])
        for green, own in of_day.items():
            placed = own if green == ALL_GREENS else sorted([*own, *on_all], key=lambda pair: pair[0])
            done = [record for _, record in placed]
            works = [record.work for record in done]
            several |= len({work.kind for work in works}) > 1
            pairs = [(done[sand], done[opening]) for sand, opening in sand_first(works)]
            odd.update({(id(sand), id(opening)): (sand, opening) for sand, opening in pairs})
            sound |= not pairs and any(sand_first(works[::-1]))
    doubts = [
        doubt_of(sand, "work", f"topdressing stands before the {_said(opening)} of row {opening.row}", SAND_FIRST)
        for sand, opening in sorted(odd.values(), key=lambda pair: pair[0].row or 0)
    ]
    falls = all(one.date >= other.date for one, other in pairwise(records))
    if falls and several and not sound and records[0].date > records[-1].date:
        found = f"the rows run from the newest day, {records[0].date}, to the oldest"
        mend = "rows of a day count as done from the top: turn all rows round (a sort by date leaves those of a day)"
        doubts.append(doubt_of(records[0], "date", found, mend))
    return doubts


def _said(record: WorkRecord) -> str:
    return record.work.kind.replace("_", " ")
