"""Daily weather from a plain table or from GHCN-Daily files."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path

import numpy as np

from matledger.cells import column
from matledger.days import as_day
from matledger.errors import MOST_ALIKE, InputError, Problem
from matledger.findings import Findings, headed
from matledger.tables import MAX_BYTES, Source, Table, csv_rows, read_table, read_text
from matledger.weather import FillRule, Weather

__all__ = ["read_ghcn_daily", "read_weather"]

COLUMNS = (
    column("date"),
    column("tmin_c", may_be_empty=True),
    column("tmax_c", may_be_empty=True),
    column("rain_mm", required=False, may_be_empty=True),
)

ELEMENTS = ("TMIN", "TMAX", "PRCP")
MISSING = -9999
# The by_station files spell their header with underscores (memory); by_year files have none.
HEADER = ("ID", "DATE", "ELEMENT", "VALUE", "MFLAG", "QFLAG", "SFLAG", "OBSTIME")
BY_STATION_HEADER = ("ID", "DATE", "ELEMENT", "DATA_VALUE", "M_FLAG", "Q_FLAG", "S_FLAG", "OBS_TIME")

Day = tuple[dt.date, float, float, float]


def read_weather(
    source: Source,
    *,
    fill: Sequence[FillRule] = (),
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    rain: bool = True,
    first_day: dt.date | str | None = None,
    last_day: dt.date | str | None = None,
    max_bytes: int = MAX_BYTES,
) -> Weather:
    """Read daily weather.

    Columns: ``date``, ``tmin_c``, ``tmax_c``, and ``rain_mm`` if there is one. An empty cell is a missing value.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    fill
        Rules that may fill what is missing, tried in order; nothing is filled without one.
    columns
        The source's own name for a column, such as ``{"tmin_c": "low"}``.
    units
        Unit of a column's plain numbers, such as ``{"tmin_c": "degF"}``.
    rain
        Whether to read rain where there is some; greens are irrigated, and a record without it has fewer gaps.
    first_day, last_day
        Days to read; all of them if None.
    max_bytes
        Largest file that is read.

    Returns
    -------
    Weather

    Raises
    ------
    InputError
        With every problem found: cells, gaps, days given twice, a minimum above the maximum, impossible values.

    Examples
    --------
    >>> import pandas as pd
    >>> days = pd.DataFrame({"date": ["2014-05-01", "2014-05-02"], "tmin_f": [41.0, 44.6], "tmax_f": [59.0, 60.8]})
    >>> read_weather(days).tmin_c.round(1).tolist()
    [5.0, 7.0]
    """
    weather, findings = collect_weather(
        source,
        fill=fill,
        columns=columns,
        units=units,
        rain=rain,
        first_day=first_day,
        last_day=last_day,
        max_bytes=max_bytes,
    )
    findings.raise_any()
    return weather


def collect_weather(
    source: Source,
    *,
    fill: Sequence[FillRule] = (),
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    rain: bool = True,
    first_day: dt.date | str | None = None,
    last_day: dt.date | str | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[Weather, Findings]:
    """Read the weather, and what of it is worth a look; problems are raised."""
    table = read_table(source, COLUMNS, renamed=columns, units=units, max_bytes=max_bytes)
    if table.findings.problems:
        table.findings.raise_any()
    days = [
        (row["date"], _or_nan(row["tmin_c"]), _or_nan(row["tmax_c"]), _or_nan(row["rain_mm"])) for row in table.rows
    ]
    rows = {row["date"]: row.number for row in table.rows}
    weather = _weather(table, days, rain and "rain_mm" in table.present, fill, first_day, last_day, rows)
    return weather, table.findings


def read_ghcn_daily(
    path: str | PathLike[str],
    *,
    fill: Sequence[FillRule] = (),
    rain: bool = True,
    first_day: dt.date | str | None = None,
    last_day: dt.date | str | None = None,
    max_bytes: int = MAX_BYTES,
) -> Weather:
    r"""Read one station of the Global Historical Climatology Network, daily.

    Both layouts are read: fixed width (``.dly``) and CSV (``ID,DATE,ELEMENT,VALUE,MFLAG,QFLAG,SFLAG,OBSTIME``, with
    a header or without). TMIN, TMAX and PRCP are taken. A value of -9999, or with any quality flag, is missing.

    Parameters
    ----------
    path
        The file; ``.dly`` at its end means fixed width.
    fill
        Rules that may fill what is missing, tried in order; nothing is filled without one.
    rain
        Whether to read rain where there is some; greens are irrigated, and a record without it has fewer gaps.
    first_day, last_day
        Days to read; all of them if None. Long records have gaps, so name the years that you need.
    max_bytes
        Largest file that is read.

    Returns
    -------
    Weather

    Raises
    ------
    InputError
        With every problem found; more than one station, or no temperatures, is one.

    References
    ----------
    .. [1] Menne, M. J. and others (2012). An overview of the Global Historical Climatology Network-Daily database.
       Journal of Atmospheric and Oceanic Technology 29, 897-910; and the network's readme, section III.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> file = Path(tempfile.mkdtemp(), "station.csv")
    >>> rows = ["XX000000001,20140501,TMAX,150,,,S,", "XX000000001,20140501,TMIN,50,,,S,"]
    >>> _ = file.write_text("\n".join(rows))
    >>> weather = read_ghcn_daily(file)
    >>> weather.tmin_c.tolist(), weather.tmax_c.tolist()
    ([5.0], [15.0])
    """
    path = Path(path)
    text = read_text(path, max_bytes=max_bytes)
    table = Table(path.name)
    values = _dly_values(table, text) if path.suffix.lower() == ".dly" else _csv_values(table, text)
    found: dict[tuple[dt.date, str], float] = {}
    given: set[tuple[dt.date, str]] = set()
    station = None
    for row, name, day, element, value in values:
        if station not in (None, name):
            table.report(row, None, f"station {name}", f"one station, as in the rows above ({station})")
            break
        station = name
        if (day, element) in given:
            table.report(row, None, f"{element} of {day} a second time", "one value of an element a day")
        given.add((day, element))
        if value is not None:
            found[day, element] = value
        if table.findings.full:
            break
    for element in ("TMIN", "TMAX"):
        if not any(seen == element for _, seen in found):
            table.report(None, None, f"no {element}", "temperatures: the elements TMIN and TMAX")
    table.findings.raise_any()
    dates = sorted({day for day, element in found if element != "PRCP"})
    tmin, tmax, prcp = ([found.get((day, element), np.nan) for day in dates] for element in ELEMENTS)
    days = list(zip(dates, tmin, tmax, prcp, strict=True))
    return _weather(table, days, rain and any(seen == "PRCP" for _, seen in found), fill, first_day, last_day, {})


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else value


def _weather(
    table: Table,
    days: Sequence[Day],
    has_rain: bool,
    fill: Sequence[FillRule],
    first_day: dt.date | str | None,
    last_day: dt.date | str | None,
    rows: Mapping[dt.date, int],
) -> Weather:
    first_day, last_day = (
        wanted if wanted is None else as_day(wanted, name)
        for name, wanted in (("first_day", first_day), ("last_day", last_day))
    )
    kept = [day for day in days if (first_day or day[0]) <= day[0] <= (last_day or day[0])]
    held = {day[0] for day in kept}
    for name, wanted in (("first_day", first_day), ("last_day", last_day)):
        if wanted is not None and wanted not in held:
            reach = f"no weather on {wanted}"
            found = f"a day of the file ({min(days)[0]} to {max(days)[0]})" if days else "a day of the file"
            raise InputError([Problem(name, reach, found, table.name)])
    dates, tmin, tmax, rain_mm = zip(*kept, strict=True)
    try:
        return Weather(
            np.array(dates, dtype="datetime64[D]"),
            np.array(tmin),
            np.array(tmax),
            np.array(rain_mm) if has_rain else None,
            fill=fill,
        )
    except InputError as error:
        by_text = {day.isoformat(): row for day, row in rows.items()}
        problems = [_placed(p, table, by_text.get(p.place)) for p in _exchanged(error.problems, len(kept))]
        raise InputError(problems) from None


def _exchanged(problems: Sequence[Problem], days: int) -> list[Problem]:
    """Tell minima above their maxima on most days once: the columns are exchanged."""
    others = [problem for problem in problems if not problem.expected.startswith("at most tmax_c")]
    crossed = len(problems) - len(others)
    if crossed <= max(MOST_ALIKE, days / 2):
        return list(problems)
    found = f"tmin_c above the maximum on {crossed} of {days} days"
    return [Problem("", found, "at most tmax_c; are the two columns exchanged?"), *others]


def _placed(problem: Problem, table: Table, row: int | None) -> Problem:
    """Place a problem of a day in its file; what the core names by its column stands under that column."""
    name, _, value = problem.value.partition(" ")
    placed = replace(problem, file=table.name, row=row)
    if name in table.known:
        return headed(replace(placed, column=name, value=value), table.headings)
    if name == "no":
        names = [table.headings.get(each, (each, "", ""))[0] for each in value.split(", ")]
        placed = replace(placed, value=f"no {', '.join(names)}")
    return placed


Value = tuple[int, str, dt.date, str, float | None]

# Section III of the network's readme: ID 1-11, year 12-15, month 16-17, element 18-21, then 31 times 5 + 1 + 1 + 1.
_DLY = re.compile(r"(?P<id>[!-~]{11})(?P<year>[0-9]{4})(?P<month>[0-9]{2})(?P<element>[A-Z0-9]{4})(?P<days>.{245,248})")
_DLY_VALUE = re.compile(r" *-?[0-9]+")


def _dly_values(table: Table, text: str) -> Iterator[Value]:
    for row, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        match = _DLY.fullmatch(line)
        if match is None:
            table.report(row, None, line, "a line of 269 characters: station, year, month, element and 31 values")
        elif match["element"] in ELEMENTS:
            for day in range(31):
                cell = match["days"][8 * day : 8 * day + 8].ljust(8)
                if not _DLY_VALUE.fullmatch(cell[:5]):
                    table.report(row, f"day {day + 1}", cell[:5], "a whole number in five characters")
                    continue
                value = int(cell[:5])
                date = _day(int(match["year"]), int(match["month"]), day + 1)
                if date is not None:
                    yield row, match["id"], date, match["element"], _tenths(value, cell[6])
                elif value != MISSING:
                    table.report(row, f"day {day + 1}", value, "-9999 on a day that the month does not have")
        if table.findings.full:
            return


def _csv_values(table: Table, text: str) -> Iterator[Value]:
    for row, cells in csv_rows(table.name, text):
        if row == 1 and tuple(cells) in (HEADER, BY_STATION_HEADER):
            continue
        if len(cells) != len(HEADER):
            table.report(row, None, f"{len(cells)} cells", f"{len(HEADER)} cells: {','.join(HEADER)}")
        elif cells[2] in ELEMENTS:
            date = None
            if re.fullmatch("[0-9]{8}", cells[1]):
                date = _day(int(cells[1][:4]), int(cells[1][4:6]), int(cells[1][6:]))
            if date is None:
                table.report(row, "DATE", cells[1], "a day as YYYYMMDD")
            if not re.fullmatch("-?[0-9]{1,6}", cells[3]):
                table.report(row, "VALUE", cells[3], "a whole number of tenths")
            elif date is not None:
                yield row, cells[0], date, cells[2], _tenths(int(cells[3]), cells[5])
        if table.findings.full:
            return


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _tenths(value: int, quality_flag: str) -> float | None:
    return None if value == MISSING or quality_flag.strip() else value / 10
