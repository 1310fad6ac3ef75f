"""What years of a sand do to the ground."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from matledger import _core, units
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import refuse, whole
from matledger.frames import Table
from matledger.practice import WorkDone, dated_work
from matledger.sand.grading import Grading
from matledger.units import Quantity

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["Mixture", "sand_in_ground"]


@dataclass(frozen=True, eq=False)
class Mixture:
    """Which sand lies where, and the grading of the mixture.

    Attributes
    ----------
    sands
        The ground's sand first, then those brought.
    windows
        Depth windows [mm].
    dates
        When.
    mineral_kg_m2
        Mass of each sand, by window, date and sand [kg/m2].
    accounts
        By sand: at the start, brought, cored out, mown out and at the end [kg/m2].
    """

    sands: tuple[Grading, ...]
    windows: tuple[tuple[float, float], ...]
    dates: tuple[dt.date, ...]
    mineral_kg_m2: tuple[tuple[tuple[float, ...], ...], ...]
    accounts: tuple[tuple[float, ...], ...]

    def share(self, window: int = 0, date: int = -1) -> tuple[float, ...]:
        """Share of each sand in the mineral of a window on a date [-].

        Parameters
        ----------
        window
            Position among `windows`.
        date
            Position among `dates`.
        """
        masses = self.mineral_kg_m2[window][date]
        return tuple(mass / sum(masses) for mass in masses)

    def grading(self, window: int = 0, date: int = -1) -> Grading:
        """Grading of the mixture in a window on a date.

        Parameters
        ----------
        window
            Position among `windows`.
        date
            Position among `dates`.
        """
        masses = self.mineral_kg_m2[window][date]
        core = _core.Grading.mixed([(sand.core, mass) for sand, mass in zip(self.sands, masses, strict=True)])
        return Grading(
            f"{units.show_window(*self.windows[window])} on {self.dates[date]}", core.sizes_mm, core.finer_percent
        )

    def table(self) -> Table:
        """Share of each sand by window and date [%]."""
        rows = [(w, d) for w in range(len(self.windows)) for d in range(len(self.dates))]
        columns: dict[str, list[Any]] = {
            "window_mm": [f"{self.windows[w][0]:g} to {self.windows[w][1]:g}" for w, _ in rows],
            "date": [self.dates[d] for _, d in rows],
        }
        for index, sand in enumerate(self.sands):
            columns[sand.name] = [100 * self.share(w, d)[index] for w, d in rows]
        return Table("share of each sand in the mineral, %", columns, {sand.name: ".1f" for sand in self.sands})

    def account(self) -> Table:
        """Where each sand went [kg/m2]: start + brought = cored out + mown out + end."""
        names = ("start", "brought", "cored_out", "mown_out", "end")
        columns: dict[str, list[Any]] = {"sand": [sand.name for sand in self.sands]}
        columns |= {name: [row[i] for row in self.accounts] for i, name in enumerate(names)}
        return Table("account of each sand, kg/m2", columns, dict.fromkeys(names, ".3f"))

    def __repr__(self) -> str:
        return repr(self.table())

    def _repr_html_(self) -> str:
        return self.table()._repr_html_() + self.account()._repr_html_()


def sand_in_ground(
    ground: Grading,
    sands: Grading | Sequence[tuple[dt.date | str, Grading]],
    *,
    start: dt.date | str,
    clippings_g_m2: ArrayLike,
    decay_modifier: ArrayLike,
    work: WorkDone,
    read_on: Sequence[dt.date | str],
    windows: Sequence[tuple[Quantity, Quantity]] = ((0, 20),),
    unknowns: Mapping[str, float] | None = None,
    mat_depth_mm: Quantity = 25.0,
    column_depth_mm: Quantity = 150.0,
    stretch_days: int = 15,
) -> Mixture:
    """Follow sands through the ground: what years of a sand do to the mixture that a window holds.

    The engine runs the work as `matledger.simulate` does; beside it every gram of mineral remembers which sand it
    is of, through cores, holes, splits and merges. The account of each sand closes to
    a relative 1e-9 or the run is refused.

    Parameters
    ----------
    ground
        The sand in the ground at the start.
    sands
        The sand that is brought, or pairs of a first day and the sand brought from then on.
    start, clippings_g_m2, decay_modifier, work
        As for `matledger.simulate`.
    read_on
        Dates on which the windows are read, before that day's work.
    windows
        Depth windows below the present surface [mm].
    unknowns
        Single values by name, as for `matledger.simulate`; what is not given stands at the median of its prior.
    mat_depth_mm, column_depth_mm
        Thickness of the mat and depth of the column at the start [mm].
    stretch_days
        Longest stretch over which the depths that take litter are held [d].

    Returns
    -------
    Mixture

    Raises
    ------
    InputError
        With what is wrong with the arguments; a piece of work before the first sand is one.

    Examples
    --------
    >>> import numpy as np
    >>> from matledger import Grading, Topdressing, sand_in_ground
    >>> ground = Grading("ground", [2, 1, 0.5, 0.25, 0.15], [100, 92, 55, 18, 6])
    >>> pile = Grading("pile", [2, 1, 0.5, 0.25, 0.15], [100, 99, 75, 28, 5])
    >>> mixture = sand_in_ground(
    ...     ground,
    ...     pile,
    ...     start="2014-01-01",
    ...     clippings_g_m2=np.full(365, 0.5),
    ...     decay_modifier=np.ones(365),
    ...     work=[("2014-05-01", Topdressing(sand_mm=3)), ("2014-09-01", Topdressing(sand_mm=3))],
    ...     read_on=["2014-12-31"],
    ... )
    >>> [round(share, 2) for share in mixture.share()]
    [0.64, 0.36]
    """
    import numpy as np

    from matledger import simulation

    first = as_day(start, "start")
    clippings = simulation._series(clippings_g_m2, "clippings_g_m2")
    modifier = simulation._series(decay_modifier, "decay_modifier")
    last = first + dt.timedelta(days=max(clippings.size, 1) - 1)
    dated = [(date, done.core) for date, done in dated_work(work, "work", first, last)]
    dates = simulation._days(read_on, "read_on")
    spans = [simulation._window(window, f"windows[{i}]")[1] for i, window in enumerate(windows)]
    given = [(first, sands)] if isinstance(sands, Grading) else list(sands)
    brought = sorted(((as_day(since, "sands"), sand) for since, sand in given), key=lambda pair: pair[0])
    numbers = []
    for date, piece in dated:
        number = sum(since <= date for since, _ in brought)
        if number == 0 and piece.sand_g_m2 > 0:
            raise InputError([Problem("sands", f"none on {date}", "a first day no later than the first sand")])
        numbers.append(number)
    refuse(whole("stretch_days", stretch_days, 1, 366))
    deep = units.parse(column_depth_mm, "mm", name="column_depth_mm")
    mat = units.parse(mat_depth_mm, "mm", name="mat_depth_mm")
    values = [
        (name, np.array([units.parse(value, "1", name=f"unknowns[{name!r}]")]))
        for name, value in (unknowns or {}).items()
    ]
    asked = [(date, span) for span in spans for date in dates]
    readings, accounts = _core.sand_shares(
        first, clippings, modifier, dated, numbers, asked, deep, mat, stretch_days, values
    )
    names = (ground, *(sand for _, sand in brought))

    def padded(row: Sequence[float]) -> tuple[float, ...]:
        """In kg/m2; a sand that was never spread has no mass."""
        return (*(mass / 1000 for mass in row), *[0.0] * (len(names) - len(row)))

    by_window = [
        tuple(padded(row) for row in readings[i * len(dates) : (i + 1) * len(dates)]) for i in range(len(spans))
    ]
    kept = [tuple(entry / 1000 for entry in row) for row in accounts]
    kept += [(0.0,) * 5] * (len(names) - len(kept))
    return Mixture(names, tuple(spans), tuple(dates), tuple(by_window), tuple(kept))
