"""Sand to order: tonnes and loads by date, what the holes take, and layers too thick to drag in."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from matledger import _core, units
from matledger.cells import column, settle
from matledger.errors import InputError, Problem
from matledger.findings import Findings, nearest, shown
from matledger.frames import Table, csv_text
from matledger.labour import SAND_MOISTURE_SHARE
from matledger.practice import Work, WorkDone, dated_work
from matledger.units import Quantity

if TYPE_CHECKING:
    from matledger.course import Green

__all__ = ["DRAGGABLE_MM", "Buying", "DaySand", "Order", "OrderLine", "order_sand"]

DRAGGABLE_MM = 1.0
"""Thickest layer of packed sand that one pass is taken to drag in [mm]: common practice, no source."""

FILL_FRACTION = 0.6
"""Part of an open hole that sand fills [-], the median of its prior."""


BUYING = tuple(column(name) for name in ("load_t", "sand_moisture_share", "sand_waste_share", "stock_dry_t"))


@dataclass(frozen=True, kw_only=True)
class Buying:
    """How sand is bought.

    Attributes
    ----------
    load_t
        A load as delivered [t, moist]; only whole loads are bought.
    sand_moisture_share
        Water in the sand as delivered, over its dry mass [-]; 0.05 is common practice, no source.
    sand_waste_share
        Sand lost before it reaches a green, over the sand that does [-].
    stock_dry_t
        Dry sand in stock at the start [t].

    Raises
    ------
    InputError
        For numbers outside their range.

    Examples
    --------
    >>> from matledger import Buying
    >>> Buying(load_t="20 short ton", sand_moisture_share="6 %").load_t
    18.1436948
    """

    load_t: Quantity
    sand_moisture_share: Quantity = SAND_MOISTURE_SHARE
    sand_waste_share: Quantity = 0.0
    stock_dry_t: Quantity = 0.0

    def __post_init__(self) -> None:
        """Read every quantity."""
        findings = Findings()
        for what in BUYING:
            unit = what.unit or "1"
            try:
                object.__setattr__(self, what.name, units.parse(getattr(self, what.name), unit, name=what.name))
            except InputError as error:
                findings.problems += error.problems
        findings.raise_any()
        settle(self, BUYING).raise_any()

    def _given(self) -> tuple[float, float, float, float]:
        waste = float(self.sand_waste_share)
        # The core counts waste over what is delivered.
        return float(self.sand_moisture_share), waste / (1 + waste), float(self.stock_dry_t), float(self.load_t)


@dataclass(frozen=True, kw_only=True)
class DaySand:
    """A day's sand on one green.

    Attributes
    ----------
    green, date
        Where and when.
    sand_dry_kg
        Dry sand [kg].
    in_holes_kg, on_surface_kg
        What open holes take, and what stays on the surface [kg].
    room_left_kg
        Dry sand that the holes would still take [kg].
    layer_mm
        Thickest packed layer that one pass leaves on the surface [mm].
    passes, passes_needed
        Passes of spreading and dragging that the work says, and that keep each pass within what can be dragged in.
    """

    green: str
    date: dt.date
    sand_dry_kg: float
    in_holes_kg: float
    on_surface_kg: float
    room_left_kg: float
    layer_mm: float
    passes: int
    passes_needed: int


@dataclass(frozen=True, kw_only=True)
class OrderLine:
    """A day's order.

    Attributes
    ----------
    date
        Day by which the sand has to be there.
    sand_dry_t, in_holes_t, on_surface_t
        Dry sand that reaches the greens, and its parts down the holes and on the surface [t].
    wasted_dry_t
        Dry sand lost on the way [t].
    loads, delivered_moist_t
        Loads to have delivered, and their moist mass [t].
    stock_dry_t
        Dry sand in stock after the day [t].
    """

    date: dt.date
    sand_dry_t: float
    in_holes_t: float
    on_surface_t: float
    wasted_dry_t: float
    loads: int
    delivered_moist_t: float
    stock_dry_t: float


@dataclass(frozen=True)
class Order:
    """Sand to order.

    Attributes
    ----------
    lines
        One for each day with sand.
    by_green
        The same by green and day.
    buying
        How it is bought.
    draggable_mm
        Thickest layer that one pass drags in [mm].
    """

    lines: tuple[OrderLine, ...]
    by_green: tuple[DaySand, ...]
    buying: Buying
    draggable_mm: float

    @property
    def sand_dry_t(self) -> float:
        """Dry sand that reaches the greens [t]."""
        return sum(line.sand_dry_t for line in self.lines)

    @property
    def delivered_moist_t(self) -> float:
        """Moist sand to have delivered [t]."""
        return sum(line.delivered_moist_t for line in self.lines)

    @property
    def loads(self) -> int:
        """Loads to have delivered."""
        return sum(line.loads for line in self.lines)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Days on which one pass leaves a thicker layer than can be dragged in, with the passes that would do."""
        by_day: dict[tuple[dt.date, int, int], list[DaySand]] = defaultdict(list)
        for day in self.by_green:
            if day.layer_mm > self.draggable_mm * (1 + 1e-9):
                by_day[day.date, day.passes, day.passes_needed].append(day)
        return tuple(
            f"{date}: {max(day.layer_mm for day in days):.1f} mm stays on the surface from one pass on"
            f" {', '.join(day.green for day in days)}, more than the {self.draggable_mm:g} mm that can be dragged in;"
            f" spread and drag in {needed} passes instead of {passes}"
            for (date, passes, needed), days in by_day.items()
        )

    def table(self) -> Table:
        """One row a day; masses in t."""
        names = tuple(OrderLine.__dataclass_fields__)
        columns = {name: [getattr(line, name) for line in self.lines] for name in names}
        formats = {name: ".2f" for name in names if name.endswith("_t")}
        return Table("sand to order", columns, formats | {"loads": "d"})

    def table_by_green(self) -> Table:
        """One row a green and day; masses in kg."""
        names = tuple(DaySand.__dataclass_fields__)
        columns = {name: [getattr(day, name) for day in self.by_green] for name in names}
        formats = {name: ".0f" for name in names if name.endswith("_kg")}
        return Table("sand by green", columns, formats | {"layer_mm": ".2f", "passes": "d", "passes_needed": "d"})

    def to_csv(self, path: str | Path) -> Path:
        """Write the lines as a CSV file, whole or not at all.

        Parameters
        ----------
        path
            File to write, ending in ``.csv``.

        Returns
        -------
        pathlib.Path
            The file.

        Raises
        ------
        InputError
            For another ending.
        OSError
            If the file cannot be written; an older one is then still whole.
        """
        from matledger.atomic import output, write_whole

        target = output(path, ".csv")
        write_whole(target, csv_text(self.table()))
        return target

    def __repr__(self) -> str:
        said = [
            f"{self.sand_dry_t:.1f} t of dry sand on the greens: {self.loads} loads,"
            f" {self.delivered_moist_t:.1f} t of moist sand",
            *self.warnings,
        ]
        return "\n".join([*said, repr(self.table())])

    def _repr_html_(self) -> str:
        from html import escape

        told = "".join(f"<p>{escape(warning)}</p>" for warning in self.warnings)
        return told + self.table()._repr_html_()


def work_by_green(
    greens: Sequence[Green],
    work: WorkDone | Mapping[str, WorkDone],
    first: dt.date | str | None,
    last: dt.date | str | None,
) -> dict[str, list[tuple[dt.date, Work]]]:
    """Date the work of each green.

    Raises
    ------
    InputError
        For work of a green that is not listed, or a programme without a first and last day.
    """
    names = [green.name for green in greens]
    if not isinstance(work, Mapping):
        return dict.fromkeys(names, dated_work(work, "work", first, last))
    unknown = [name for name in work if name not in names]
    if unknown:
        raise InputError(
            [
                Problem("work", shown(name), f"a green of the list (nearest: {nearest(name, names) or names[0]})")
                for name in unknown
            ]
        )
    return {name: dated_work(one, f"work of {name}", first, last) for name, one in work.items()}


def order_sand(
    greens: Sequence[Green],
    work: WorkDone | Mapping[str, WorkDone],
    *,
    buying: Buying,
    first: dt.date | str | None = None,
    last: dt.date | str | None = None,
    fill_fraction: Quantity = FILL_FRACTION,
    draggable_mm: Quantity = DRAGGABLE_MM,
) -> Order:
    """Reckon the sand to order.

    Parameters
    ----------
    greens
        The greens.
    work
        A programme, or dated work, for all greens; or one of these by green's name.
    buying
        Loads, moisture, waste and stock.
    first, last
        First and last day, if programmes are to be dated.
    fill_fraction
        Part of an open hole that sand fills [-].
    draggable_mm
        Thickest packed layer that one pass drags in [mm].

    Returns
    -------
    Order

    Raises
    ------
    InputError
        With what is wrong with the arguments.

    Notes
    -----
    Holes take sand as they do in the engine: topdressing fills them first, up to the fill fraction, while they are
    open. Of the holes that cores are worked back into, the cores take their volume first. Sand weighs 1.60 g/cm3 when
    packed (100 lb/ft3, read).

    Examples
    --------
    >>> from matledger import Buying, Green, Topdressing, order_sand
    >>> order = order_sand(
    ...     [Green("1", area_m2=500)], [("2014-05-01", Topdressing(sand_mm=4))], buying=Buying(load_t=2)
    ... )
    >>> round(order.sand_dry_t, 3), order.loads
    (3.2, 2)
    >>> order.warnings[0]
    '2014-05-01: 4.0 mm stays on the surface from one pass on 1, more than the 1 mm that can be dragged in; ...'
    """
    fill = units.parse(fill_fraction, "1", name="fill_fraction")
    thickest = units.parse(draggable_mm, "mm", name="draggable_mm")
    areas = {green.name: green.area_m2 for green in greens}
    by_green = []
    for name, dated in work_by_green(greens, work, first, last).items():
        pieces = [(date, piece.core) for date, piece in dated]
        for date, sand, holes, surface, room, layer, passes, needed in _core.sand_by_day(pieces, fill, thickest):
            kg = areas[name] / 1000
            by_green.append(
                DaySand(
                    green=name,
                    date=date,
                    sand_dry_kg=sand * kg,
                    in_holes_kg=holes * kg,
                    on_surface_kg=surface * kg,
                    room_left_kg=room * kg,
                    layer_mm=layer / _core.SAND_BULK_DENSITY_G_CM3 / 1000,
                    passes=passes,
                    passes_needed=needed,
                )
            )
    by_green.sort(key=lambda day: day.date)
    days: dict[dt.date, list[DaySand]] = defaultdict(list)
    for day in by_green:
        days[day.date].append(day)
    needs = [sum(day.sand_dry_kg for day in one) / 1000 for one in days.values()]
    lines = tuple(
        OrderLine(
            date=date,
            sand_dry_t=used,
            in_holes_t=sum(day.in_holes_kg for day in one) / 1000,
            on_surface_t=sum(day.on_surface_kg for day in one) / 1000,
            wasted_dry_t=wasted,
            loads=loads,
            delivered_moist_t=delivered,
            stock_dry_t=stock,
        )
        for (date, one), (used, wasted, loads, delivered, stock) in zip(
            days.items(), _core.deliveries(needs, *buying._given()), strict=True
        )
    )
    return Order(lines, tuple(by_green), buying, thickest)
