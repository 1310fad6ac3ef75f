"""Clippings that were weighed, or measured by volume."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from matledger.cells import column
from matledger.errors import InputError, Problem
from matledger.findings import Findings, problem_of, shown
from matledger.growth import ClippingRecord
from matledger.tables import MAX_BYTES, Source, read_table

__all__ = ["collect_clippings", "read_clippings"]

AMOUNTS = ("dry_g_m2", "volume_l_m2", "volume_l")
COLUMNS = (
    column("green"),
    column("first_day"),
    column("last_day"),
    *(column(name, required=False, may_be_empty=True) for name in AMOUNTS),
)


def read_clippings(
    source: Source,
    *,
    grass: str | None = None,
    dry_matter_g_l: float | None = None,
    areas_m2: Mapping[str, float] | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[ClippingRecord, ...]:
    """Read clippings that were removed.

    Columns: ``green``, ``first_day``, ``last_day`` (the record covers both), and one amount a row: ``dry_g_m2``,
    ``volume_l_m2`` or ``volume_l`` (fresh, of the whole green).

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    grass
        The grass, whose dry matter per litre turns a volume into a mass, as `ClippingRecord.from_volume` knows it.
    dry_matter_g_l
        Dry matter per litre of fresh clippings (g/L), in place of the grass's.
    areas_m2
        Area of each green by name (m2); needed for ``volume_l``.
    columns
        The source's own name for a column, such as ``{"volume_l": "baskets in litres"}``.
    units
        Unit of a column's plain numbers, such as ``{"volume_l": "US gal"}``.
    max_bytes
        Largest file that is read.

    Returns
    -------
    tuple of ClippingRecord
        In the order of the rows.

    Raises
    ------
    InputError
        With every problem found; a volume without a dry matter or an area is one, and records of a green that share
        a day.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"green": "1", "first_day": "2014-05-01", "last_day": "2014-05-03", "volume_l_m2": 0.02}
    >>> read_clippings(pd.DataFrame([row]), dry_matter_g_l=90)[0].dry_g_m2
    1.8
    """
    records, findings = collect_clippings(
        source,
        grass=grass,
        dry_matter_g_l=dry_matter_g_l,
        areas_m2=areas_m2,
        columns=columns,
        units=units,
        max_bytes=max_bytes,
    )
    findings.problems += check_clippings(records)
    findings.raise_any()
    return tuple(records)


def collect_clippings(
    source: Source,
    *,
    grass: str | None = None,
    dry_matter_g_l: float | None = None,
    areas_m2: Mapping[str, float] | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
    greens_checked_later: bool = False,
) -> tuple[list[ClippingRecord], Findings]:
    """Read the records that can be read, and what was wrong with the others.

    With `greens_checked_later` a green without an area is no problem here: the caller refuses it by its name.
    """
    table = read_table(source, COLUMNS, renamed=columns, units=units, max_bytes=max_bytes)
    areas = areas_m2 or {}
    dry_matter = {"grass": grass} if dry_matter_g_l is None else {"dry_matter_g_l": dry_matter_g_l}
    records = []
    for row in table.rows:
        given = [name for name in AMOUNTS if row[name] is not None]
        if len(given) != 1:
            table.report(row.number, None, " and ".join(given) or "no amount", f"one of {', '.join(AMOUNTS)}")
            continue
        amount = row[given[0]]
        if given == ["volume_l"]:
            if row["green"] not in areas and not greens_checked_later:
                expected = f"an area of {shown(row['green'])} (m2), or the column volume_l_m2"
                table.report(row.number, "volume_l", amount, expected)
                continue
            amount /= areas.get(row["green"], 1.0)
        days = (row["green"], row["first_day"], row["last_day"])
        try:
            if given == ["dry_g_m2"]:
                record = ClippingRecord(*days, amount)
            else:
                record = ClippingRecord.from_volume(*days, volume_l_m2=amount, **dry_matter)
        except InputError as error:
            table.absorb(error, row.number)
        else:
            records.append(replace(record, **table.origin(row)))
    return records, table.findings


def check_clippings(records: Sequence[ClippingRecord]) -> list[Problem]:
    """Find records of one green that share a day: what grew on it would count twice."""
    problems = []
    in_order = sorted(enumerate(records), key=lambda pair: (pair[1].green, pair[1].first_day, pair[1].last_day))
    latest: tuple[int, ClippingRecord] | None = None
    for index, record in in_order:
        if latest is not None and latest[1].green == record.green and record.first_day <= latest[1].last_day:
            at, other = latest
            where = f"row {other.row}" if other.row else f"clippings[{at}]"
            found = f"{record.first_day} to {record.last_day}, shared with {where}"
            expected = "records of a green that share no day"
            problems.append(problem_of(record, f"clippings[{index}]", "first_day", found, expected))
            if other.last_day > record.last_day:
                continue
        latest = index, record
    return problems
