"""What was measured in the holes: depth reached, filling, and how the cover came back."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np

from matledger.cells import Column, column, settle
from matledger.errors import InputError, Problem
from matledger.findings import Doubt, Findings, Headings, doubt_of, known, problem_of, shown
from matledger.practice import Coring, SolidTining
from matledger.records.work import ALL_GREENS, WorkRecord
from matledger.tables import MAX_BYTES, Source, read_table

if TYPE_CHECKING:
    from matledger.course import Course

__all__ = [
    "CoverRecord",
    "DepthVerdict",
    "FillReading",
    "ProbeReading",
    "depth_verdicts",
    "fill_prior",
    "read_cover",
    "read_fill_readings",
    "read_probe_readings",
    "with_probe_readings",
]

HORIZON_DAYS = 150
"""How long after work cover is followed (d)."""

FALL_PERCENT = 10.0
"""Fall of cover that is worth a look (%): more than two readings of 3 % each would scatter."""

_PLACE = (column("green"), column("date"))
_PROBE = (
    *_PLACE,
    column("depth_mm", "ProbeReading"),
    column("tine_length_mm"),
)
_FILL = (
    *_PLACE,
    column("hole_depth_mm"),
    column("empty_mm"),
)
COVER = (
    *_PLACE,
    column("cover_percent", required=False, may_be_empty=True),
    column("holes_counted", required=False, may_be_empty=True),
    column("holes_visible", required=False, may_be_empty=True),
)


@dataclass(frozen=True, kw_only=True)
class ProbeReading:
    """Depth of one hole, probed on the day of the work.

    Attributes
    ----------
    green, date
        Where and when.
    depth_mm
        Depth reached [mm].
    tine_length_mm
        Length of the tine below its holder [mm]; no hole is deeper.
    file, row, headings
        Where the reading was read, and what the file calls its columns.
    """

    green: str
    date: dt.date
    depth_mm: float
    tine_length_mm: float
    file: str | None = field(default=None, compare=False, repr=False)
    row: int | None = field(default=None, compare=False, repr=False)
    headings: Headings | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, _PROBE)
        findings.raise_any()
        if self.depth_mm > self.tine_length_mm:
            expected = f"no more than the tine is long ({self.tine_length_mm:g} mm)"
            findings.add(Problem("depth_mm", f"{self.depth_mm:g}, deeper than the tine", expected))
        findings.raise_any()

    def as_row(self) -> dict[str, Any]:
        """Return the reading as a row that `read_probe_readings` reads."""
        return {column.name: getattr(self, column.name) for column in _PROBE}


@dataclass(frozen=True, kw_only=True)
class FillReading:
    """Filling of one hole, probed after the last pass.

    Attributes
    ----------
    green, date
        Where and when.
    hole_depth_mm
        Depth of the hole before it was filled [mm].
    empty_mm
        What of it is still open above the sand [mm].
    file, row, headings
        Where the reading was read, and what the file calls its columns.
    """

    green: str
    date: dt.date
    hole_depth_mm: float
    empty_mm: float
    file: str | None = field(default=None, compare=False, repr=False)
    row: int | None = field(default=None, compare=False, repr=False)
    headings: Headings | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, _FILL)
        findings.raise_any()
        if self.empty_mm > self.hole_depth_mm:
            expected = f"no more than the hole is deep ({self.hole_depth_mm:g} mm)"
            findings.add(Problem("empty_mm", f"{self.empty_mm:g}", expected))
        findings.raise_any()

    @property
    def filled(self) -> float:
        """Part of the hole that holds sand [-]."""
        return 1 - self.empty_mm / self.hole_depth_mm

    def as_row(self) -> dict[str, Any]:
        """Return the reading as a row that `read_fill_readings` reads."""
        return {column.name: getattr(self, column.name) for column in _FILL}


@dataclass(frozen=True, kw_only=True)
class CoverRecord:
    """Cover, or holes still seen, on a day after work.

    Attributes
    ----------
    green, date
        Where and when.
    cover_percent
        Green cover [%]; or, in its place:
    holes_counted, holes_visible
        Holes looked for on marked ground, and those of them still seen.
    file, row, headings
        Where the record was read, and what the file calls its columns.
    """

    green: str
    date: dt.date
    cover_percent: float | None = None
    holes_counted: int | None = None
    holes_visible: int | None = None
    file: str | None = field(default=None, compare=False, repr=False)
    row: int | None = field(default=None, compare=False, repr=False)
    headings: Headings | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, COVER)
        findings.raise_any()
        counted, seen = self.holes_counted, self.holes_visible
        if (counted is None) != (seen is None):
            missing = "holes_counted" if counted is None else "holes_visible"
            findings.add(Problem(missing, "not given", "both counts, or neither"))
        elif (self.cover_percent is None) == (counted is None):
            both = "both given" if counted is not None else "not given"
            findings.add(Problem("cover_percent", both, "either a cover or counts of holes"))
        elif counted is not None and seen is not None and seen > counted:
            findings.add(Problem("holes_visible", f"{seen}", f"no more than were counted ({counted})"))
        findings.raise_any()

    def as_row(self) -> dict[str, Any]:
        """Return the record as a row that `read_cover` reads."""
        return {column.name: getattr(self, column.name) for column in COVER}


_Record = TypeVar("_Record", ProbeReading, FillReading, CoverRecord)


def _read(
    kind: type[_Record],
    source: Source,
    columns: Sequence[Column],
    renamed: Mapping[str, str] | None,
    units: Mapping[str, str] | None,
    max_bytes: int,
    given: Mapping[str, Any] | None = None,
) -> tuple[_Record, ...]:
    records, findings = _collect(kind, source, columns, renamed, units, max_bytes, given)
    findings.raise_any()
    return tuple(records)


def _collect(
    kind: type[_Record],
    source: Source,
    columns: Sequence[Column],
    renamed: Mapping[str, str] | None,
    units: Mapping[str, str] | None,
    max_bytes: int,
    given: Mapping[str, Any] | None = None,
) -> tuple[list[_Record], Findings]:
    table = read_table(source, columns, renamed=renamed, units=units, max_bytes=max_bytes)
    records = []
    for row in table.rows:
        values = {**(given or {}), **{name: value for name, value in row.values.items() if value is not None}}
        try:
            records.append(kind(**values, **table.origin(row)))
        except InputError as error:
            table.absorb(error, row.number)
    return records, table.findings


def read_probe_readings(
    source: Source,
    *,
    tine_length_mm: float | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[ProbeReading, ...]:
    """Read depths of holes, one a row.

    Columns: ``green``, ``date`` (of the work), ``depth_mm``, ``tine_length_mm``.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    tine_length_mm
        Length of the tines [mm], where the table has no column for it.
    columns
        The source's own name for a column.
    units
        Unit of a column's plain numbers, such as ``{"depth_mm": "in"}``.
    max_bytes
        Largest file that is read.

    Raises
    ------
    InputError
        With every problem found; a probe deeper than the tine is one.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"green": "1", "date": "2014-05-01", "depth_mm": 68, "tine_length_mm": 80}
    >>> read_probe_readings(pd.DataFrame([row]))[0].depth_mm
    68.0
    """
    expected, given = list(_PROBE), None
    if tine_length_mm is not None:
        expected[3] = replace(_PROBE[3], required=False, may_be_empty=True)
        given = {"tine_length_mm": tine_length_mm}
    return _read(ProbeReading, source, expected, columns, units, max_bytes, given)


def read_fill_readings(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[FillReading, ...]:
    """Read the filling of holes, one a row.

    Columns: ``green``, ``date``, ``hole_depth_mm``, ``empty_mm`` (from the surface down to the sand).

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    columns
        The source's own name for a column.
    units
        Unit of a column's plain numbers.
    max_bytes
        Largest file that is read.

    Raises
    ------
    InputError
        With every problem found.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"green": "1", "date": "2014-05-01", "hole_depth_mm": 70, "empty_mm": 14}
    >>> read_fill_readings(pd.DataFrame([row]))[0].filled
    0.8
    """
    return _read(FillReading, source, _FILL, columns, units, max_bytes)


def read_cover(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[CoverRecord, ...]:
    """Read how cover came back.

    Columns: ``green``, ``date``, and either ``cover_percent`` or ``holes_counted`` with ``holes_visible``. A green has
    one row a day.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    columns
        The source's own name for a column.
    units
        Unit of a column's plain numbers.
    max_bytes
        Largest file that is read.

    Raises
    ------
    InputError
        With every problem found.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"green": "1", "date": "2014-05-12", "cover_percent": 85}
    >>> read_cover(pd.DataFrame([row]))[0].cover_percent
    85.0
    """
    records, findings = _collect(CoverRecord, source, COVER, columns, units, max_bytes)
    findings.problems += read_twice(records)
    findings.raise_any()
    return tuple(records)


def collect_cover(
    source: Source, *, columns: Mapping[str, str] | None = None, units: Mapping[str, str] | None = None
) -> tuple[list[CoverRecord], Findings]:
    """Read the records that can be read, and what was wrong with the others."""
    return _collect(CoverRecord, source, COVER, columns, units, MAX_BYTES)


def opened_before(record: CoverRecord, work: Sequence[WorkRecord]) -> WorkRecord | None:
    """Return the latest work on a record's green that opened the surface, if it is near enough to tell of it."""
    near = [
        done
        for done in work
        if done.green in (record.green, ALL_GREENS)
        and done.work.wound
        and 0 <= (record.date - done.date).days <= HORIZON_DAYS
    ]
    return sorted(near, key=lambda done: done.date)[-1] if near else None


def check_cover(
    records: Sequence[CoverRecord], work: Sequence[WorkRecord] | None, greens: Sequence[str]
) -> list[Problem]:
    """Find records of unknown greens, those that follow no work (if given), and days that were read twice."""
    problems = read_twice(records)
    for index, record in enumerate(records):
        place = f"cover[{index}]"
        if record.green not in greens:
            problems.append(problem_of(record, place, "green", record.green, known("green", record.green, greens)))
        elif work is not None and opened_before(record, work) is None:
            expected = f"work that opens the surface, on that green in the {HORIZON_DAYS} days before"
            problems.append(problem_of(record, place, "date", f"{record.date} on {shown(record.green)}", expected))
    return problems


def read_twice(records: Sequence[CoverRecord]) -> list[Problem]:
    """Find days on which one green was read twice: the day would count twice."""
    problems, seen = [], dict[tuple[str, dt.date], int]()
    for index, record in enumerate(records):
        first = seen.setdefault((record.green, record.date), index)
        if first != index:
            row = records[first].row
            found = f"{record.date} a second time, first in {f'row {row}' if row else f'cover[{first}]'}"
            expected = "one reading of a green a day: of several, their mean"
            problems.append(problem_of(record, f"cover[{index}]", "date", found, expected))
    return problems


def doubts_of_cover(records: Sequence[CoverRecord], work: Sequence[WorkRecord]) -> list[Doubt]:
    """Say where cover fell although nothing was done to the green."""
    doubts = []
    in_order = sorted(records, key=lambda record: (record.green, record.date))
    for one, other in pairwise(in_order):
        if one.green != other.green or one.cover_percent is None or other.cover_percent is None:
            continue
        worked = any(w.green in (one.green, ALL_GREENS) and one.date <= w.date <= other.date for w in work)
        if not worked and other.cover_percent < one.cover_percent - FALL_PERCENT:
            found = f"{other.cover_percent:g} % after {one.cover_percent:g} % on {one.date}"
            doubts.append(doubt_of(other, "cover_percent", found, "cover rises until the green is worked on again"))
    return doubts


Z_90 = 1.6448536269514722
"""Half-width of a 90 % interval in standard deviations."""


@dataclass(frozen=True, kw_only=True)
class DepthVerdict:
    """What probing says of a day's coring on a green.

    Attributes
    ----------
    green, date
        Where and when.
    holes
        Holes probed.
    mean_mm, sd_mm
        Depth reached and its spread between holes [mm]; no spread from one hole.
    target_mm
        Depth that was meant [mm].
    short_share
        Share of the holes that are short of the target by more than the tolerance [-].
    short_low, short_high
        Ends of its 90 % interval [-].
    verdict
        ``reached``, ``short`` or ``not clear``.
    """

    green: str
    date: dt.date
    holes: int
    mean_mm: float
    sd_mm: float | None
    target_mm: float
    short_share: float
    short_low: float
    short_high: float
    verdict: Literal["reached", "short", "not clear"]

    def in_words(self) -> str:
        """Say the verdict, and what to do."""
        spread = "" if self.sd_mm is None else f" (between holes {self.sd_mm:.0f} mm)"
        text = (
            f"{self.green}, {self.date}: {self.mean_mm:.0f} mm{spread} against {self.target_mm:.0f} meant;"
            f" {self.short_share:.0%} of {self.holes} holes short ({self.short_low:.0%} to {self.short_high:.0%})"
        )
        ends = {
            "reached": ": deep enough.",
            "short": ": too shallow. Set the machine deeper, or slower, before the next green.",
            "not clear": ": too few holes to tell. Probe more.",
        }
        return text + ends[self.verdict]


def depth_verdicts(
    readings: Sequence[ProbeReading],
    target_mm: float | Course,
    *,
    tolerance_mm: float = 6.0,
    short_at_most: float = 0.25,
) -> tuple[DepthVerdict, ...]:
    """Judge the depth reached, by green and day.

    Parameters
    ----------
    readings
        Depths of single holes.
    target_mm
        Depth that was meant [mm]; or the course, whose work records say it.
    tolerance_mm
        A hole counts as short when it misses the target by more [mm].
    short_at_most
        Share of short holes that is put up with [-].

    Returns
    -------
    tuple of DepthVerdict
        ``reached`` when the 90 % interval of the share of short holes lies below `short_at_most`, ``short`` when it
        lies above, else ``not clear``.

    Raises
    ------
    InputError
        For readings of a green and day without coring or solid tining on the course's record.

    Notes
    -----
    The interval is Wilson's (1927, J. Am. Stat. Assoc. 22:209-212, from memory). Tolerance and share put up with are
    our judgement: no source was found.

    Examples
    --------
    >>> import datetime as dt
    >>> from matledger.records import ProbeReading, depth_verdicts
    >>> day = dt.date(2014, 4, 14)
    >>> depths = (74, 71, 76, 73, 75, 72, 77)
    >>> probed = [ProbeReading(green="1", date=day, depth_mm=d, tine_length_mm=90) for d in depths]
    >>> verdict, = depth_verdicts(probed * 2, 75)
    >>> verdict.verdict, round(verdict.mean_mm)
    ('reached', 74)
    """
    verdicts = []
    for (green, date), mine in _grouped(readings).items():
        depths = np.array([reading.depth_mm for reading in mine])
        if isinstance(target_mm, (int, float)):
            target = float(target_mm)
        else:
            cored = [_meant(record) for record in target_mm.work_of(green) if record.date == date and _holed(record)]
            if not cored:
                raise InputError([_no_work(mine[0])])
            target = max(cored)
        n = len(depths)
        short = float((depths < target - tolerance_mm).mean())
        low, high = _wilson(short, n)
        verdict: Literal["reached", "short", "not clear"] = "not clear"
        if high <= short_at_most:
            verdict = "reached"
        elif low > short_at_most:
            verdict = "short"
        verdicts.append(
            DepthVerdict(
                green=green,
                date=date,
                holes=n,
                mean_mm=float(depths.mean()),
                sd_mm=float(depths.std(ddof=1)) if n > 1 else None,
                target_mm=target,
                short_share=short,
                short_low=low,
                short_high=high,
                verdict=verdict,
            )
        )
    return tuple(verdicts)


def _wilson(share: float, n: int) -> tuple[float, float]:
    z2 = Z_90**2 / n
    middle = (share + z2 / 2) / (1 + z2)
    half = Z_90 * math.sqrt(share * (1 - share) / n + z2 / (4 * n)) / (1 + z2)
    return max(0.0, middle - half), min(1.0, middle + half)


def _grouped(readings: Sequence[ProbeReading]) -> dict[tuple[str, dt.date], list[ProbeReading]]:
    groups: dict[tuple[str, dt.date], list[ProbeReading]] = defaultdict(list)
    for reading in readings:
        groups[reading.green, reading.date].append(reading)
    return dict(groups)


def _holed(record: WorkRecord) -> bool:
    return isinstance(record.work, Coring | SolidTining)


def _meant(record: WorkRecord) -> float:
    depth: float = getattr(record.work, "depth_mm", 0.0)
    return depth


def _no_work(reading: ProbeReading) -> Problem:
    expected = "coring or solid tining of that green and day in the work records"
    return problem_of(reading, "probe_readings", "date", f"{reading.date} on {shown(reading.green)}", expected)


def with_probe_readings(course: Course, readings: Sequence[ProbeReading]) -> Course:
    """Put the depths that were probed into the course's past work, for `matledger.calibrate` to use.

    Parameters
    ----------
    course
        The course.
    readings
        Depths of single holes on the days of its work.

    Returns
    -------
    Course
        The same, but where a green's coring or solid tining was probed, its depth is the mean of the readings and, from
        two readings, its spread their standard deviation. Work on all greens is written out green by green then.

    Raises
    ------
    InputError
        For readings of a green and day without such work.

    Examples
    --------
    >>> import matledger as mat
    >>> course = mat.demo_course()
    >>> cored = next(record for record in course.work if record.work.kind == "coring" and record.green != "all")
    >>> hole = {"green": cored.green, "date": cored.date, "tine_length_mm": 90}
    >>> probed = [mat.ProbeReading(**hole, depth_mm=depth) for depth in (56, 60)]
    >>> with_probe_readings(course, probed).work_of(cored.green)[0].work.depth_mm
    58.0
    """
    groups = _grouped(readings)
    findings = Findings()
    for (green, date), mine in groups.items():
        if not any(record.date == date and _holed(record) for record in course.work_of(green)):
            findings.add(_no_work(mine[0]))
    findings.raise_any()
    work: list[WorkRecord] = []
    for record in course.work:
        probed = [green for green, date in groups if date == record.date]
        if not _holed(record) or not (record.green in probed or (record.green == ALL_GREENS and probed)):
            work.append(record)
            continue
        names = [green.name for green in course.greens] if record.green == ALL_GREENS else [record.green]
        for name in names:
            mine = groups.get((name, record.date), [])
            work.append(
                replace(record, green=name, work=_probed(record.work, mine)) if mine else replace(record, green=name)
            )
    return replace(course, work=work)


def _probed(work: Any, readings: Sequence[ProbeReading]) -> Any:
    depths = np.array([reading.depth_mm for reading in readings])
    spread = {"depth_sd_mm": float(depths.std(ddof=1))} if len(depths) > 1 else {}
    return replace(work, depth_mm=float(depths.mean()), **spread)


FILL_PRIOR = (0.6, 0.8)
"""Median and logit-sd of the fill fraction before any reading."""
PROBING_SD = 0.3
"""What probing a hole for sand may miss on the whole, such as voids under a bridge (logit-sd): our judgement."""


def fill_prior(readings: Sequence[FillReading]) -> tuple[float, float]:
    """Median and logit-sd of the fill fraction after readings, for ``calibrate(..., priors={"fill_fraction": ...})``.

    Parameters
    ----------
    readings
        Fillings of single holes.

    Returns
    -------
    tuple of float
        Median [-] and standard deviation on the logit scale.

    Raises
    ------
    InputError
        For no reading.

    Notes
    -----
    The prior (0.6, logit-sd 0.8) meets the mean filling of each day on each green: a normal update on the logit scale.
    Its variance is what days differ by over their number (from one day alone, the prior's own), and the square of what
    probing itself may miss (0.3, our judgement).

    Examples
    --------
    >>> import datetime as dt
    >>> from matledger.records import FillReading, fill_prior
    >>> day = dt.date(2014, 4, 14)
    >>> read = [FillReading(green=g, date=day, hole_depth_mm=75, empty_mm=e) for g in "123" for e in (9, 12, 15)]
    >>> median, sd = fill_prior(read)
    >>> round(median, 2), round(sd, 2)
    (0.82, 0.28)
    """
    if not readings:
        raise InputError([Problem("readings", "none", "at least one reading of filling")])
    groups: dict[tuple[str, dt.date], list[float]] = defaultdict(list)
    for reading in readings:
        groups[reading.green, reading.date].append(reading.filled)
    logits = np.array([_logit(float(np.mean(filled))) for filled in groups.values()])
    between = float(logits.std(ddof=1)) if len(logits) > 1 else FILL_PRIOR[1]
    seen = between**2 / len(logits) + PROBING_SD**2
    precision = 1 / FILL_PRIOR[1] ** 2 + 1 / seen
    middle = (_logit(FILL_PRIOR[0]) / FILL_PRIOR[1] ** 2 + float(logits.mean()) / seen) / precision
    return 1 / (1 + math.exp(-middle)), precision**-0.5


def _logit(share: float) -> float:
    # A hole that is full, or empty, to the millimetre is taken as 1 % off that.
    held = min(max(share, 0.01), 0.99)
    return math.log(held / (1 - held))
