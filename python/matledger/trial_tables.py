"""Studies of treatments on many plots, greens and sites, as a table; the layout is read off the table itself."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from matledger._arrays import Floats
from matledger.cells import column
from matledger.errors import InputError, Problem
from matledger.findings import Findings, either, fold
from matledger.tables import MAX_BYTES, Source, Table, read_table

__all__ = ["RESPONSES", "Layout", "Response", "Study", "read_study"]

Response: TypeAlias = Literal["om_percent", "om_kg_m2", "thickness_mm", "sand_kg_m2"]
Layout: TypeAlias = Literal["completely randomised", "randomised complete block", "split-plot", "before-after-control"]
Window: TypeAlias = tuple[float, float]

UNITS: Mapping[Response, str] = {"om_percent": "% OM", "om_kg_m2": "kg/m2", "thickness_mm": "mm", "sand_kg_m2": "kg/m2"}
"""Of what is read, in labels: a difference in % OM is no share of anything."""

RESPONSES: tuple[Response, ...] = tuple(UNITS)

NAMES = ("site", "green", "block", "plot", "treatment", "subtreatment", "method")

COLUMNS = (
    column("site", exact=True),
    column("green", exact=True),
    column("block", exact=True, required=False),
    column("plot", exact=True, required=False),
    column("treatment", exact=True),
    column("subtreatment", exact=True, required=False),
    column("season"),
    column("period", choices=("before", "after"), required=False),
    column("top_mm"),
    column("bottom_mm"),
    column("method", exact=True),
    column("om_percent", required=False),
    column("om_kg_m2", required=False),
    column("thickness_mm", required=False),
    column("sand_kg_m2", "trial", required=False),
)


@dataclass(frozen=True, eq=False)
class Study:
    """A study whose table makes sense as a whole.

    Attributes
    ----------
    name
        File or frame that it was read from.
    layout
        How treatments were laid out.
    columns
        Names of the table's factors (``site``, ``green``, ``treatment``, and those that it has of ``block``, ``plot``,
        ``subtreatment`` and ``period``), one value a row.
    seasons
        Season of each row.
    windows
        Depth window of each row [mm].
    values
        Responses by name, shape ``(rows,)``.
    method
        The laboratory's method, the same in all rows.
    """

    name: str
    layout: Layout
    columns: Mapping[str, tuple[str, ...]]
    seasons: tuple[int, ...]
    windows: tuple[Window, ...]
    values: Mapping[Response, Floats]
    method: str

    @property
    def treatments(self) -> tuple[str, ...]:
        """Treatments in the order of the table."""
        return tuple(dict.fromkeys(self.columns["treatment"]))

    @property
    def sites(self) -> tuple[str, ...]:
        """Sites in the order of the table."""
        return tuple(dict.fromkeys(self.columns["site"]))

    @property
    def sampled(self) -> tuple[Window, ...]:
        """Depth windows in the order of the table [mm]."""
        return tuple(dict.fromkeys(self.windows))

    def unit(self, row: int) -> tuple[str, ...]:
        """What a treatment was laid on: the plot, else the treatment's share of the block, else the green.

        Parameters
        ----------
        row
            Row of a file, the header being row 1.
        """
        return tuple(self.columns[name][row] for name in self.unit_columns)

    @property
    def unit_columns(self) -> tuple[str, ...]:
        """Columns that name what a treatment was laid on."""
        if "plot" in self.columns:
            return tuple(name for name in ("site", "green", "block", "plot") if name in self.columns)
        return ("site", "green", "block", "treatment") if "block" in self.columns else ("site", "green")

    def __repr__(self) -> str:
        return (
            f"<Study {self.name}: {self.layout}, {len(self.treatments)} treatments, {len(self.sites)} sites,"
            f" {len(set(self.seasons))} seasons, {len(self.seasons)} rows>"
        )


def read_study(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> Study:
    """Read a study: one row for each test of a plot or green.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame. Columns: ``site``, ``green``, ``treatment``, ``season`` (year), ``top_mm``,
        ``bottom_mm``, ``method``, at least one of ``om_percent``, ``om_kg_m2``, ``thickness_mm`` and ``sand_kg_m2``
        (sand given since the study began); and, where the study has them, ``block``, ``plot``, ``subtreatment`` and
        ``period`` (``before`` or ``after``, of whole seasons).
    columns
        The source's own name for a column, by column name.
    units
        The unit of a column's plain numbers, by column name.
    max_bytes
        Largest file that is read.

    Returns
    -------
    Study
        With a ``period`` the layout is before-after-control-impact; with a ``subtreatment`` a split-plot, whose whole
        plots are the ``plot`` and take the ``treatment``; with a ``block`` a randomised complete block; else completely
        randomised.

    Raises
    ------
    InputError
        For all that is wrong with cells; names that differ only by spaces or case; a treatment missing from a block or
        on one unit alone; depth windows or numbers of rows that differ between units; more than one method; units that
        were not seen both before and after; a season that is both. All at once.

    Examples
    --------
    >>> import pandas as pd
    >>> found = {"core": [2.6, 3.3, 3.0], "none": [3.2, 4.0, 3.6]}
    >>> rows = [(block, name, om) for name, oms in found.items() for block, om in zip("123", oms)]
    >>> table = pd.DataFrame(rows, columns=["block", "treatment", "om_percent"])
    >>> table = table.assign(site="A", green="1", season=2024, top_mm=0, bottom_mm=20, method="LOI 360")
    >>> read_study(table).layout
    'randomised complete block'
    """
    table = read_table(source, COLUMNS, renamed=columns, units=units, max_bytes=max_bytes)
    if not table.present.intersection(RESPONSES) and table.present:
        table.report(1, None, "no response", f"a column {either(RESPONSES)}")
    _names_that_look_alike(table)
    for row in table.rows:
        if row["bottom_mm"] <= row["top_mm"]:
            table.report(row.number, "bottom_mm", row["bottom_mm"], f"more than top_mm ({row['top_mm']:g})")
    table.findings.raise_any()
    rows = table.rows
    factors = [name for name in (*NAMES[:-1], "period") if name in table.present]
    study = Study(
        name=table.name,
        layout=_layout(table.present),
        columns={name: tuple(row[name] for row in rows) for name in factors},
        seasons=tuple(row["season"] for row in rows),
        windows=tuple((row["top_mm"], row["bottom_mm"]) for row in rows),
        values={
            name: np.array([row[name] for row in rows], dtype=np.float64) for name in RESPONSES if name in table.present
        },
        method=rows[0]["method"],
    )
    _one_method(table)
    _equal_windows(study, table.findings)
    if len(study.treatments) < 2:
        table.report(None, "treatment", study.treatments[0], "at least two treatments to compare")
    else:
        _laid_out(study, table.findings)
    table.findings.raise_any()
    return study


def _layout(present: Iterable[str]) -> Layout:
    known = set(present)
    if "period" in known:
        return "before-after-control"
    if "subtreatment" in known:
        return "split-plot"
    return "randomised complete block" if "block" in known else "completely randomised"


def _names_that_look_alike(table: Table) -> None:
    rows = table.rows
    for name in NAMES:
        if name not in table.present:
            continue
        spellings: dict[str, Counter[str]] = defaultdict(Counter)
        for row in rows:
            if row[name] is not None:
                spellings[fold(row[name])][row[name]] += 1
        for same in spellings.values():
            (usual, _), *others = same.most_common()
            for other, _ in others:
                first = next(row.number for row in rows if row[name] == other)
                expected = f"one spelling: {usual!r} is the more common, and differs only by spaces or case"
                table.report(first, name, repr(other), expected)


def _one_method(table: Table) -> None:
    where: dict[str, list[str]] = defaultdict(list)
    for row in table.rows:
        if row["site"] not in where[row["method"]]:
            where[row["method"]].append(row["site"])
    if len(where) > 1:
        found = "; ".join(f"{method} at {', '.join(sites)}" for method, sites in where.items())
        table.report(None, "method", found, "one method: tests of different methods are not pooled")


def _equal_windows(study: Study, findings: Findings) -> None:
    seen: dict[tuple[str, str], set[Window]] = defaultdict(set)
    for row, window in enumerate(study.windows):
        seen[(study.columns["site"][row], study.columns["green"][row])].add(window)
    usual = Counter(frozenset(windows) for windows in seen.values()).most_common(1)[0][0]
    for (site, green), windows in seen.items():
        if windows == usual:
            continue
        shown = ", ".join(f"{top:g} to {bottom:g} mm" for top, bottom in sorted(windows))
        expected = "the windows of the other greens: " + ", ".join(f"{t:g} to {b:g} mm" for t, b in sorted(usual))
        findings.add(Problem(f"site {site}, green {green}", shown, expected, study.name))


def _laid_out(study: Study, findings: Findings) -> None:
    of = study.columns
    units: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for row, treatment in enumerate(of["treatment"]):
        units[study.unit(row)].add(treatment)
    for unit, given in units.items():
        if len(given) > 1:
            expected = "one treatment on a unit; a study of several units on a green names its plots or blocks"
            findings.add(Problem(_place(study.unit_columns, unit), ", ".join(sorted(given)), expected, study.name))
    under = Counter(next(iter(given)) for given in units.values())
    for treatment in study.treatments:
        if under[treatment] == 1:
            expected = "at least two units of a treatment: one cannot tell it from its ground"
            findings.add(Problem(f"treatment {treatment}", "one unit", expected, study.name))
    if "block" in of:
        _whole_blocks(study, ("treatment",), findings)
    if study.layout == "split-plot":
        missing = [name for name in ("block", "plot") if name not in of]
        for name in missing:
            findings.add(Problem("", f"no column {name}", "blocks and whole plots of a split-plot", study.name))
        if not missing:
            _whole_blocks(study, ("treatment", "subtreatment"), findings)
    if study.layout == "before-after-control":
        periods: dict[tuple[str, ...], set[str]] = defaultdict(set)
        for row, period in enumerate(of["period"]):
            periods[study.unit(row)].add(period)
        for unit, seen in periods.items():
            if len(seen) == 1:
                place = _place(study.unit_columns, unit)
                findings.add(Problem(place, f"{next(iter(seen))} only", "tests before and after", study.name))
        both = {s for s, p in zip(study.seasons, of["period"], strict=True) if p == "before"}.intersection(
            s for s, p in zip(study.seasons, of["period"], strict=True) if p == "after"
        )
        for season in sorted(both):
            whole = (
                "one of them, since a period is of whole seasons: count tests from before that season's growth to the"
                " season before, or leave out the season's tests of one period"
            )
            findings.add(Problem(f"season {season}", "before and after", whole, study.name))


def _whole_blocks(study: Study, factors: tuple[str, ...], findings: Findings) -> None:
    of = study.columns
    every = dict.fromkeys(zip(*(of[name] for name in factors), strict=True))
    blocks: dict[tuple[str, str, str, int, Window], Counter[tuple[str, ...]]] = defaultdict(Counter)
    for row, window in enumerate(study.windows):
        key = (of["site"][row], of["green"][row], of["block"][row], study.seasons[row], window)
        blocks[key][tuple(of[name][row] for name in factors)] += 1
    for (site, green, block, season, (top, bottom)), counts in blocks.items():
        place = f"site {site}, green {green}, block {block}, season {season}, {top:g} to {bottom:g} mm"
        for given in every:
            if given not in counts:
                expected = "every treatment in every block and season"
                findings.add(Problem(place, f"{' with '.join(given)} missing", expected, study.name))
        if len(set(counts.values())) > 1:
            shown = ", ".join(f"{' with '.join(given)} {count} rows" for given, count in counts.items())
            findings.add(Problem(place, shown, "as many rows of each treatment", study.name))


def _place(names: tuple[str, ...], unit: tuple[str, ...]) -> str:
    return ", ".join(f"{name} {value}" for name, value in zip(names, unit, strict=True))


def one_window(study: Study, window: Window | None) -> Window:
    """Return the window to analyse: the one given, or the study's only one."""
    if window is None and len(study.sampled) == 1:
        return study.sampled[0]
    if window is None or window not in study.sampled:
        shown = "none" if window is None else f"{window[0]:g} to {window[1]:g} mm"
        known = either([f"({top:g}, {bottom:g})" for top, bottom in study.sampled])
        raise InputError([Problem("window", shown, f"a depth window of the study: {known}")])
    return window
