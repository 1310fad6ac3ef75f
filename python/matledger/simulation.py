"""Run the model forward: one green or a million members, one programme or several."""

from __future__ import annotations

import datetime as dt
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from html import escape
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, cast

import numpy as np

from matledger import _core, units
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import counted
from matledger.practice import Programme, WorkDone, dated_work
from matledger.units import Quantity
from matledger.variables import described

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl
    import xarray as xr
    from numpy.typing import ArrayLike, NDArray

    Floats: TypeAlias = NDArray[np.float64]
    Days: TypeAlias = NDArray[np.datetime64]

__all__ = ["InterruptedWarning", "Ledger", "LeftDomainWarning", "Run", "SinkingWarning", "simulate"]


class SinkingWarning(UserWarning):
    """Cores took out more than sand put back: the surface sank, and a fall in % is no dilution."""


class LeftDomainWarning(UserWarning):
    """Members whose column no longer reached through a window, or whose masses left the finite numbers: NaN."""


class InterruptedWarning(UserWarning):
    """The run was stopped; members that were not finished are NaN."""


_KEPT = ("om_percent", "om_kg_m2", "thickness_mm", "surface_mm")
SUBSTANCES = ("organic matter", "mineral")
"""What a ledger accounts for."""
MAT = "thatch-mat layer"
"""Name of the layer as a sample."""
_ENTRIES = ("start", "gained", "respired", "cored_out", "mown_out", "below", "end")
_FINISHED, _LEFT_ITS_DOMAIN = 1, 2

_CUT = ("fine_mm", "fine_to_mm", "coarse_mm", "edge_mm", "blur_percent_mm", "stretch_days")


@dataclass(frozen=True, eq=False, repr=False)
class Ledger:
    """Where every gram went.

    Attributes
    ----------
    dims
        Names of the axes of `values`.
    coords
        Labels along each axis.
    values
        Masses [g/m2]. Of organic matter ``gained`` is what grew, of mineral the sand brought.

    Notes
    -----
    ``start + gained = end + respired + cored_out + mown_out + below`` for each substance and span, to a relative 1e-9;
    the core refuses a run in which it does not hold.
    """

    dims: tuple[str, ...]
    coords: Mapping[str, tuple[Any, ...]]
    values: Floats

    def __eq__(self, other: object) -> bool:
        """Compare values, NaN being equal to NaN."""
        return _same(self, other)

    def total(self, entry: str, substance: str = "organic matter") -> Floats:
        """Sum one entry over the years [g/m2]; the start is the first year's and the end the last year's.

        Parameters
        ----------
        entry
            ``start``, ``gained``, ``respired``, ``cored_out``, ``mown_out``, ``below`` or ``end``.
        substance
            ``organic matter`` or ``mineral``.

        Returns
        -------
        ndarray
            Over programmes and members, where the run has them.

        Raises
        ------
        InputError
            For another entry or substance.
        """
        known = {"entry": (entry, _ENTRIES), "substance": (substance, SUBSTANCES)}
        if problems := [
            Problem(name, repr(value), f"one of {', '.join(names)}")
            for name, (value, names) in known.items()
            if value not in names
        ]:
            raise InputError(problems)
        rows: Floats = self.values[..., SUBSTANCES.index(substance), _ENTRIES.index(entry)]
        if "year" not in self.dims:
            return rows
        if entry in ("start", "end"):
            return np.asarray(rows[..., 0 if entry == "start" else -1])
        return np.asarray(rows.sum(axis=-1))

    def in_words(self) -> str:
        """Say what became of what grew and of the sand: one line a programme, means over the members."""
        names = self.coords.get("programme", (None,))
        lines = []
        for index, name in enumerate(names):

            def mean(entry: str, substance: str = "organic matter", index: int = index) -> float:
                rows = self.total(entry, substance)
                return float(np.nanmean(rows[index] if "programme" in self.dims else rows))

            lines.append(("" if name is None else f"{name}: ") + _words(mean))
        return "\n".join(lines)

    def to_pandas(self) -> pd.DataFrame:
        """One row for each programme, member, year and substance, one column for each entry [g/m2]."""
        import pandas as pd

        return pd.DataFrame(self._columns())

    def to_polars(self) -> pl.DataFrame:
        """One row for each programme, member, year and substance, one column for each entry [g/m2]."""
        import polars as pl

        return pl.DataFrame(self._columns())

    def _columns(self) -> dict[str, Any]:
        keys = _keys([(dim, np.asarray(self.coords[dim])) for dim in self.dims[:-1]])
        return keys | {entry: self.values[..., i].ravel() for i, entry in enumerate(_ENTRIES)}

    def __repr__(self) -> str:
        """Say it in words."""
        return f"<Ledger\n{self.in_words()}>"


def _words(mean: Callable[..., float]) -> str:
    def grams(value: float) -> str:
        return f"{value:,.0f}" if abs(value) >= 10 else f"{value:.2g}"

    lost = {"decayed": mean("respired"), "left in cores": mean("cored_out"), "fell below the column": mean("below")}
    said = [f"{grams(amount)} {what}" for what, amount in lost.items() if amount > 0.05]
    change = mean("end") - mean("start")
    new_mineral = mean("end", "mineral") - mean("start", "mineral")
    depth_mm = new_mineral / _core.SAND_BULK_DENSITY_G_CM3 / 1000
    text = f"{grams(mean('gained'))} g/m2 of organic matter grew"
    if said:
        text += f", {' and '.join([', '.join(said[:-1]), said[-1]] if said[1:] else said)}"
    text += f"; the column holds {grams(abs(change))} g/m2 {'more' if change >= 0 else 'less'} than at the start"
    if new_mineral > 0.5:
        return f"{text}, spread through {depth_mm:.1f} mm of new sand."
    if new_mineral < -0.5:
        return f"{text}, and {-depth_mm:.1f} mm less sand: cores took more than was put back."
    return f"{text}, and no new sand."


@dataclass(frozen=True, eq=False, repr=False)
class Run:
    """What a simulation leaves.

    Attributes
    ----------
    dims
        Names of the leading axes of every result: ``programme`` if several were given, ``member`` if any unknown was
        an array.
    programmes
        Names of the programmes.
    members
        Number of members.
    samples
        What was sampled.
    dates
        When, shape ``(date,)``.
    om_percent, om_kg_m2, thickness_mm
        Concentration [% of dry mass], stock [kg/m2] and thickness [mm], shape ``(*dims, sample, date)``; None where it
        was not to be kept.
    surface_mm
        Height of the surface above where it started [mm], shape ``(*dims, date)``.
    profile_dates, profile_depth_mm
        Dates of the profiles, and the faces of their slices [mm], shape ``(depth + 1,)``.
    profile_om_percent
        Organic matter between depths [%], shape ``(*dims, profile_date, depth)``; NaN below the column.
    ledger
        Where every gram went [g/m2]; None where it was not to be kept.
    finished
        Whether each member ran to its end, shape ``dims``.
    """

    dims: tuple[str, ...]
    programmes: tuple[str, ...]
    members: int
    samples: tuple[str, ...]
    dates: Days
    om_percent: Floats | None
    om_kg_m2: Floats | None
    thickness_mm: Floats | None
    surface_mm: Floats | None
    profile_dates: Days
    profile_depth_mm: Floats
    profile_om_percent: Floats
    ledger: Ledger | None
    finished: NDArray[np.bool_]

    def __eq__(self, other: object) -> bool:
        """Compare values, NaN being equal to NaN."""
        return _same(self, other)

    def ledger_in_words(self) -> str:
        """Say what became of what grew and of the sand: one line a programme, means over the members.

        Raises
        ------
        InputError
            When no ledger was kept.
        """
        if self.ledger is None:
            raise InputError([Problem("keep_ledger", "'none'", "'year' or 'total', for a ledger to tell of")])
        return self.ledger.in_words()

    def _leading(self) -> list[tuple[str, NDArray[Any]]]:
        labels = {"programme": np.asarray(self.programmes, dtype=object), "member": np.arange(self.members)}
        return [(dim, labels[dim]) for dim in self.dims]

    def _kept(self) -> dict[str, tuple[tuple[str, ...], Floats]]:
        axes = {
            "om_percent": ("sample", "date"),
            "om_kg_m2": ("sample", "date"),
            "thickness_mm": ("sample", "date"),
            "surface_mm": ("date",),
        }
        named = {name: (axis, cast("Floats | None", getattr(self, name))) for name, axis in axes.items()}
        return {name: ((*self.dims, *axis), values) for name, (axis, values) in named.items() if values is not None}

    def to_xarray(self) -> xr.Dataset:
        """Everything as a dataset with CF attributes (``units``, ``long_name``)."""
        import xarray as xr

        coords: dict[str, Any] = dict(self._leading())
        coords |= {"sample": list(self.samples), "date": self.dates.astype("datetime64[ns]")}
        data: dict[str, Any] = self._kept()
        if self.profile_dates.size:
            faces = self.profile_depth_mm
            coords |= {
                "profile_date": self.profile_dates.astype("datetime64[ns]"),
                "depth": (faces[:-1] + faces[1:]) / 2,
            }
            data["profile_om_percent"] = ((*self.dims, "profile_date", "depth"), self.profile_om_percent)
        if self.ledger is not None:
            coords |= {dim: list(labels) for dim, labels in self.ledger.coords.items() if dim not in coords}
            data["ledger"] = (self.ledger.dims, self.ledger.values)
        dataset = xr.Dataset(data, coords)
        if "depth" in dataset.coords:
            dataset["depth"].attrs |= {"positive": "down"}
        return described(dataset, "Run")

    def _columns(self) -> dict[str, Any]:
        keys = [*self._leading(), ("sample", np.asarray(self.samples, dtype=object)), ("date", self.dates)]
        shape = tuple(len(labels) for _, labels in keys)
        kept = self._kept()
        if "surface_mm" in kept:
            dims, values = kept["surface_mm"]
            kept["surface_mm"] = (dims, np.broadcast_to(values[..., None, :], shape))
        return _keys(keys) | {name: values.ravel() for name, (_, values) in kept.items()}

    def to_pandas(self) -> pd.DataFrame:
        """One row for each programme, member, sample and date, one column for each quantity kept."""
        import pandas as pd

        return pd.DataFrame(self._columns())

    def to_polars(self) -> pl.DataFrame:
        """One row for each programme, member, sample and date, one column for each quantity kept."""
        import polars as pl

        columns = self._columns()
        return pl.DataFrame(columns | {"date": pl.Series(columns["date"].astype("datetime64[ms]")).cast(pl.Date)})

    def __repr__(self) -> str:
        """Size and contents."""
        span = f", {self.dates[0]} to {self.dates[-1]}" if self.dates.size else ""
        kept = [name for name in (*_KEPT, "profile_om_percent") if _filled(self, name)]
        return (
            f"<Run of {counted(self.members, 'member')} over {counted(len(self.programmes), 'programme')}: "
            f"{', '.join(self.samples) or 'nothing sampled'}{span}; {', '.join(kept) or 'no quantity'}>"
        )

    def _repr_html_(self) -> str:
        if self.om_percent is None or not self.dates.size:
            return f"<p>{escape(repr(self))}</p>"
        percent = self.om_percent.reshape(len(self.programmes), self.members, len(self.samples), -1)
        head = "".join(f"<th>{date}</th>" for date in (self.dates[0], self.dates[-1]))
        rows = []
        for index, name in enumerate(self.programmes):
            for number, sample in enumerate(self.samples):
                cells = [np.nanmean(percent[index, :, number, day]) for day in (0, -1)]
                shown = "".join(f"<td>{cell:.2f} %</td>" for cell in cells)
                rows.append(f"<tr><td>{escape(name)}</td><td>{escape(sample)}</td>{shown}</tr>")
        words = f"<p>{escape(self.ledger_in_words())}</p>" if self.ledger is not None else ""
        caption = f"organic matter, mean of {counted(self.members, 'member')}"
        return f"<table><caption>{caption}</caption><tr><th></th><th></th>{head}</tr>{''.join(rows)}</table>{words}"


def _filled(run: Run, name: str) -> bool:
    values = getattr(run, name)
    return values is not None and values.size > 0


def _same(one: Any, other: Any) -> bool:
    if type(one) is not type(other):
        return False
    for field in fields(one):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, np.ndarray) and isinstance(b, np.ndarray):
            if not np.array_equal(a, b, equal_nan=a.dtype.kind in "fM"):
                return False
        elif a != b:
            return False
    return True


def _keys(axes: Sequence[tuple[str, NDArray[Any]]]) -> dict[str, NDArray[Any]]:
    """Labels of every cell of an array, flat."""
    grids = np.meshgrid(*(labels for _, labels in axes), indexing="ij")
    return {name: grid.ravel() for (name, _), grid in zip(axes, grids, strict=True)}


class _Asked:
    """Collects problems while the arguments are read."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def read(self, read: Callable[..., Any], *arguments: object) -> Any:
        try:
            return read(*arguments)
        except InputError as error:
            self.problems.extend(error.problems)
            return None

    def refuse(self, place: str, value: object, expected: str) -> None:
        self.problems.append(Problem(place, str(value), expected))

    def close(self) -> None:
        if self.problems:
            raise InputError(self.problems)


def _days(values: object, name: str) -> list[dt.date]:
    if isinstance(values, (str, dt.date, np.datetime64)):
        return [as_day(values, name)]
    if not isinstance(values, Iterable):
        raise InputError([Problem(name, repr(values), "days such as ['2014-05-01', '2015-05-01']")])
    return [as_day(value, f"{name}[{i}]") for i, value in enumerate(values)]


def _floats(values: ArrayLike, name: str) -> Floats:
    try:
        array = np.asarray(values)
        if array.dtype.kind not in "iuf":
            raise InputError([Problem(name, f"values of type {array.dtype}", "numbers")])
        return np.asarray(array, dtype=np.float64, order="C")
    except (TypeError, ValueError):
        raise InputError([Problem(name, type(values).__name__, "numbers")]) from None


def _series(values: ArrayLike, name: str) -> Floats:
    array = _floats(values, name)
    if array.ndim != 1:
        raise InputError([Problem(name, f"shape {array.shape}", "shape (days,)")])
    return array


def _millimetres(value: Quantity, name: str) -> float:
    return units.parse(value, "mm", name=name)


def _window(window: object, name: str) -> tuple[str, tuple[float, float]]:
    if not isinstance(window, Sequence) or isinstance(window, str) or len(window) != 2:
        raise InputError([Problem(name, repr(window), "two depths such as (0, 20)")])
    top, bottom = (_millimetres(depth, f"{name}[{i}]") for i, depth in enumerate(window))
    return units.show_window(top, bottom), (top, bottom)


def _layer(layer: object, name: str) -> tuple[str, float | None]:
    if layer == "thatch-mat":
        return MAT, None
    if isinstance(layer, (int, float)) and not isinstance(layer, bool) and 0 < layer < 100:
        return f"above {layer:g} %", float(layer)
    raise InputError([Problem(name, repr(layer), "'thatch-mat', or a percentage between 0 and 100")])


def _programmes(work: object) -> tuple[bool, list[tuple[str, Any]]]:
    """Whether several were given, and each with its name."""
    if isinstance(work, Programme):
        return False, [(work.name, work)]
    if isinstance(work, Mapping):
        named = [(str(name), one) for name, one in work.items()]
    else:
        given = list(work) if isinstance(work, Iterable) and not isinstance(work, str) else [work]
        programmes = [one for one in given if isinstance(one, Programme)]
        if not programmes:
            return False, [("work", given)]
        if len(programmes) < len(given):
            raise InputError([Problem("work", "programmes among other things", "programmes only, or dated work only")])
        named = [(one.name, one) for one in programmes]
    names = [name for name, _ in named]
    if not named:
        raise InputError([Problem("work", "no programme", "at least one programme")])
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise InputError(
            [Problem("work", f"several programmes named {', '.join(twice)}", "a name of its own for each")]
        )
    return True, named


def _members(unknowns: Mapping[str, ArrayLike], asked: _Asked) -> tuple[int | None, dict[str, Floats], Floats]:
    """Members (None if all unknowns are single numbers), columns by name, and multipliers, a row for each year."""
    columns: dict[str, Floats] = {}
    multipliers = np.empty((0, 1))
    lengths: dict[str, int] = {}
    for name, given in unknowns.items():
        values = asked.read(_floats, given, f"unknowns[{name!r}]")
        if values is None:
            continue
        most = 2 if name == "year_multipliers" else 1
        least = most - 1
        if not least <= values.ndim <= most:
            shapes = "(years,) or (years, members)" if most == 2 else "a number, or shape (members,)"
            asked.refuse(f"unknowns[{name!r}]", f"shape {values.shape}", shapes)
            continue
        if values.ndim == most:
            lengths[name] = values.shape[-1]
        if name == "year_multipliers":
            multipliers = np.atleast_2d(values.T).T if values.ndim == 1 else values
        else:
            columns[name] = np.atleast_1d(values)
    if len(set(lengths.values())) > 1:
        told = ", ".join(f"{name}: {length}" for name, length in lengths.items())
        asked.refuse("unknowns", f"arrays of unequal length ({told})", "one value for each member in every array")
    if 0 in lengths.values():
        asked.refuse("unknowns", "an array without a member", "at least one member")
    return next(iter(lengths.values()), None), columns, multipliers


def simulate(
    *,
    start: dt.date | str,
    clippings_g_m2: ArrayLike,
    decay_modifier: ArrayLike,
    work: WorkDone | Sequence[Programme] | Mapping[str, WorkDone] = (),
    unknowns: Mapping[str, ArrayLike] | None = None,
    windows: Sequence[tuple[Quantity, Quantity]] = ((0, 20),),
    layers: Sequence[Literal["thatch-mat"] | float] = (),
    read_on: Any = (),
    profile_on: Any = (),
    profile_step_mm: Quantity = 2.5,
    mat_depth_mm: Quantity = 25.0,
    column_depth_mm: Quantity = 150.0,
    fine_mm: Quantity = 2.5,
    fine_to_mm: Quantity = 100.0,
    coarse_mm: Quantity = 10.0,
    edge_mm: Quantity = 2.5,
    blur_percent_mm: float = 0.1,
    litter_surface_mm: Quantity = 10.0,
    root_scale_mm: Quantity = 40.0,
    stretch_days: int = 1,
    error_percent: float | None = None,
    recorded_before: dt.date | str | None = None,
    degree_days: ArrayLike | None = None,
    keep: Sequence[str] = _KEPT,
    keep_ledger: Literal["year", "total", "none"] = "year",
    threads: int | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> Run:
    """Run a putting green forward under one programme of work or several, for one set of unknowns or many.

    Parameters
    ----------
    start
        First day.
    clippings_g_m2
        Clippings removed on each day, dry [g/m2], shape ``(days,)``.
    decay_modifier
        Decay modifier of each day [-], 1 at the reference temperature, shape ``(days,)``.
    work
        A `Programme`; or pairs of a date and a piece of work, in the order in which they are done within a day; or
        several of these, as a sequence of programmes or a mapping from names. None at all, ``[]``, is the untreated
        control.
    unknowns
        Values by name: a number that all members share, or one for each member, shape ``(members,)``. Names:
        ``litter_ratio`` [g/g], ``young_decay_per_year`` and ``old_decay_per_year`` [1/yr; a member above 12 is marked
        as one that left its domain], ``humified_share``, ``fill_fraction``, ``root_share``, ``young_share`` [-],
        ``sand_density_g_cm3`` and ``om_density_g_cm3`` [g/cm3], ``sand_scale`` [-], ``base_percent`` and
        ``surface_percent`` [%], ``profile_scale_mm`` [mm], and ``year_multipliers`` [-], shape ``(years,)`` or
        ``(years, members)``. What is not given stands at the median of its prior.
    windows
        Depth windows below the present surface [mm].
    layers
        Layers: ``"thatch-mat"`` for all above the original root zone, or a percentage for the ground down to the
        deepest that holds more organic matter than that.
    read_on
        Dates on which windows and layers are read, before that day's work.
    profile_on
        Dates on which the whole profile is read, before that day's work.
    profile_step_mm
        Thickness of the slices of a profile [mm].
    mat_depth_mm
        Thickness of the thatch-mat layer at the start [mm]; below it is the original root zone.
    column_depth_mm
        Depth of the column at the start [mm].
    fine_mm, fine_to_mm, coarse_mm
        Thickness of parcels near the surface, the depth down to which they are that fine, and the thickness to which
        they grow in proportion to depth below it [mm].
    edge_mm
        Thickness of parcels where the profile steps [mm]: about the lower end of the surface's litter, of holes of one
        depth and of injected sand; in proportion to depth below the first of these.
    blur_percent_mm
        Parcels are merged while that moves less organic matter across their face than this concentration over this
        depth [% mm].
    litter_surface_mm, root_scale_mm
        Depth that takes the litter of crowns and stolons evenly, and depth over which root litter falls to 1/e [mm].
    stretch_days
        Longest stretch between two pieces of work that is integrated at once [d]; 1 is the daily scheme.
    error_percent
        Largest error of a reading to allow [% OM], from 0.01 to 1: each member's ground is then cut as finely as that
        takes, by what it grows and the sand it gets, in stretches of up to 60 days. Not with `fine_mm`, `fine_to_mm`,
        `coarse_mm`, `edge_mm`, `blur_percent_mm` or `stretch_days`. None: the ground is cut as these say.
    recorded_before
        Work before this date is on record: its sand is scaled by ``sand_scale``. None: no work is.
    degree_days
        Degree days of each day, shape ``(days,)`` [degC d], for programmes with rules that count them.
    keep
        Quantities to keep of each reading.
    keep_ledger
        Ledgers to keep: of each year, of the whole run, or none.
    threads
        Threads; None for one a core. Results do not depend on it.
    progress
        Called every so often with the members done and all members to do, over all programmes.

    Returns
    -------
    Run
        Concentration, stock, thickness, surface, profiles and ledger.

    Raises
    ------
    InputError
        With everything that is wrong with the arguments, before any work starts.

    Warns
    -----
    SinkingWarning
        When cores took out more than sand put back, so that the surface sank.
    LeftDomainWarning
        When a column lost so much ground that it no longer reaches through a window, masses left the finite
        numbers, or decay is above 12 a year: those readings are NaN and the rest is finished.
    InterruptedWarning
        When Ctrl-C stopped the run; what was finished is returned.

    References
    ----------
    Two pools of organic matter: Andren & Katterer 1997, Ecol. Appl. 7:1226-1236. Thickness: Adams 1973, J. Soil Sci.
    24:10-17 (memory).

    Examples
    --------
    >>> import numpy as np
    >>> from matledger import Topdressing
    >>> sand = [("2014-05-01", Topdressing(sand_mm=1)), ("2014-09-01", Topdressing(sand_mm=1))]
    >>> run = simulate(
    ...     start="2014-01-01",
    ...     clippings_g_m2=np.full(365, 0.5),
    ...     decay_modifier=np.full(365, 1.0),
    ...     work=sand,
    ...     read_on=["2014-12-31"],
    ... )
    >>> run.samples, run.om_percent.shape
    (('0 to 20 mm',), (1, 1))
    >>> run.om_percent.round(1).tolist()
    [[3.6]]
    >>> print(run.ledger_in_words())
    548 g/m2 of organic matter grew...
    """
    asked = _Asked()
    first = asked.read(as_day, start, "start")
    clippings = asked.read(_series, clippings_g_m2, "clippings_g_m2")
    modifier = asked.read(_series, decay_modifier, "decay_modifier")
    counted = None if degree_days is None else asked.read(_series, degree_days, "degree_days")
    sampled = [asked.read(_window, w, f"windows[{i}]") for i, w in enumerate(windows)]
    layered = [asked.read(_layer, w, f"layers[{i}]") for i, w in enumerate(layers)]
    dates = asked.read(_days, read_on, "read_on") or []
    profiles = asked.read(_days, profile_on, "profile_on") or []
    recorded = first if recorded_before is None else asked.read(as_day, recorded_before, "recorded_before")
    lengths = {
        "column_depth_mm": column_depth_mm,
        "fine_mm": fine_mm,
        "fine_to_mm": fine_to_mm,
        "coarse_mm": coarse_mm,
        "edge_mm": edge_mm,
        "mat_depth_mm": mat_depth_mm,
        "litter_surface_mm": litter_surface_mm,
        "root_scale_mm": root_scale_mm,
    }
    if isinstance(blur_percent_mm, bool) or not isinstance(blur_percent_mm, (int, float)) or not blur_percent_mm >= 0:
        asked.refuse("blur_percent_mm", repr(blur_percent_mm), "0 % mm or more")
    layout = {name: asked.read(_millimetres, value, name) for name, value in lengths.items()}
    if error_percent is not None:
        usual = simulate.__kwdefaults__ or {}
        cut = layout | {"blur_percent_mm": blur_percent_mm, "stretch_days": stretch_days}
        for name in _CUT:
            if cut[name] != usual[name]:
                asked.refuse(name, cut[name], "nothing beside error_percent, which cuts the ground")
        if isinstance(error_percent, bool) or not isinstance(error_percent, (int, float)):
            asked.refuse("error_percent", repr(error_percent), "a number from 0.01 to 1, or None")
    step = asked.read(_millimetres, profile_step_mm, "profile_step_mm")
    if step is not None and not step >= 0.1:
        asked.refuse("profile_step_mm", step, "at least 0.1 mm")
    if isinstance(stretch_days, bool) or not isinstance(stretch_days, (int, np.integer)) or stretch_days < 1:
        asked.refuse("stretch_days", repr(stretch_days), "a whole number of days from 1")
    if threads is not None and (isinstance(threads, bool) or not isinstance(threads, int) or threads < 1):
        asked.refuse("threads", repr(threads), "a whole number from 1, or None")
    for name in keep:
        if name not in _KEPT:
            asked.refuse("keep", repr(name), f"some of {', '.join(_KEPT)}")
    if keep_ledger not in ("year", "total", "none"):
        asked.refuse("keep_ledger", repr(keep_ledger), "'year', 'total' or 'none'")
    several, named = asked.read(_programmes, work) or (False, [])
    count, columns, multipliers = _members(unknowns or {}, asked)
    dated = []
    if first is not None and clippings is not None and clippings.size:
        last = first + dt.timedelta(days=clippings.size - 1)
        years = last.year - first.year + 1
        if len(multipliers) not in (0, years):
            expected = f"shape (years,) or (years, members), one for each calendar year of the run ({years})"
            asked.refuse("unknowns['year_multipliers']", f"{len(multipliers)} years", expected)
        for index, (_, one) in enumerate(named):
            place = f"work[{index}]" if several else "work"
            pieces = asked.read(dated_work, one, place, first, last, counted) or []
            dated.append([(date, done.core) for date, done in pieces])
    asked.close()

    faces = np.append(np.arange(0.0, layout["column_depth_mm"] - 1e-9, step), layout["column_depth_mm"])
    slices = list(zip(faces[:-1].tolist(), faces[1:].tolist(), strict=True))
    wanted = [(*_sample(one), date) for one in (*sampled, *layered) for date in dates]
    readings = [(date, window, percent) for window, percent, date in wanted]
    readings += [(date, window, None) for date in profiles for window in slices]
    members = 1 if count is None else count
    profiled = ["om_percent"] if profiles else []
    batch = _core.simulate(
        first,
        clippings,
        modifier,
        dated,
        recorded,
        readings,
        layout | {"blur_percent_mm": float(blur_percent_mm), "stretch_days": int(stretch_days)},
        error_percent,
        members,
        list(columns.items()),
        [np.ascontiguousarray(row) for row in multipliers],
        [*keep, *profiled],
        keep_ledger,
        threads,
        progress,
    )
    return _run(
        batch,
        programmes=tuple(name for name, _ in named),
        several=several,
        count=count,
        samples=tuple(one[0] for one in (*sampled, *layered)),
        dates=np.array(dates, dtype="datetime64[D]"),
        profile_dates=np.array(profiles, dtype="datetime64[D]"),
        faces=faces,
        keep=keep,
        keep_ledger=keep_ledger,
    )


def _sample(named: tuple[str, Any]) -> tuple[tuple[float, float] | None, float | None]:
    _, what = named
    return (what, None) if isinstance(what, tuple) else (None, what)


def _run(
    batch: _core.Batch,
    *,
    programmes: tuple[str, ...],
    several: bool,
    count: int | None,
    samples: tuple[str, ...],
    dates: Days,
    profile_dates: Days,
    faces: Floats,
    keep: Sequence[str],
    keep_ledger: str,
) -> Run:
    members = 1 if count is None else count
    dims = (("programme",) if several else ()) + (() if count is None else ("member",))
    leading = ((len(programmes),) if several else ()) + (() if count is None else (members,))
    readings = {
        name: values.reshape(*leading, values.size // (len(programmes) * members)) for name, values in batch.readings
    }
    asked = len(samples) * len(dates)

    def shaped(name: str) -> Floats | None:
        if name not in keep:
            return None
        return _frozen(readings[name][..., :asked].reshape(*leading, len(samples), len(dates)))

    surface = shaped("surface_mm")
    if surface is not None:
        surface = surface[..., 0, :] if samples else np.empty((*leading, 0))
    slices = readings["om_percent"][..., asked:] if profile_dates.size else np.empty(0)
    shape = (*leading, profile_dates.size, faces.size - 1)
    status = batch.status.reshape(leading)
    run = Run(
        dims=dims,
        programmes=programmes,
        members=members,
        samples=samples,
        dates=_frozen(dates),
        om_percent=shaped("om_percent"),
        om_kg_m2=shaped("om_kg_m2"),
        thickness_mm=shaped("thickness_mm"),
        surface_mm=surface,
        profile_dates=_frozen(profile_dates),
        profile_depth_mm=_frozen(faces),
        profile_om_percent=_frozen(slices.reshape(shape) if profile_dates.size else np.empty(shape)),
        ledger=_ledger(batch, dims, leading, programmes, members, keep_ledger),
        finished=_frozen(np.asarray(status == _FINISHED)),
    )
    if batch.interrupted:
        done = int(run.finished.sum())
        warnings.warn(f"stopped after {done:,} of {status.size:,}; the rest is NaN", InterruptedWarning, stacklevel=3)
    if left := int((status == _LEFT_ITS_DOMAIN).sum()):
        warnings.warn(
            f"{counted(left, 'member')} left the finite numbers, or decays at more than 12 a year, and is NaN",
            LeftDomainWarning,
            stacklevel=3,
        )
    _warn_of_short_columns(run)
    _warn_of_sinking(run)
    return run


def _ledger(
    batch: _core.Batch,
    dims: tuple[str, ...],
    leading: tuple[int, ...],
    programmes: tuple[str, ...],
    members: int,
    keep_ledger: str,
) -> Ledger | None:
    if keep_ledger == "none":
        return None
    coords: dict[str, tuple[Any, ...]] = {"programme": programmes, "member": tuple(range(members))}
    coords = {dim: labels for dim, labels in coords.items() if dim in dims}
    if keep_ledger == "year":
        dims, coords["year"] = (*dims, "year"), tuple(batch.years)
        leading = (*leading, len(batch.years))
    coords |= {"substance": SUBSTANCES, "entry": _ENTRIES}
    values = _frozen(batch.ledger.reshape(*leading, len(SUBSTANCES), len(_ENTRIES)))
    return Ledger((*dims, "substance", "entry"), coords, values)


def _warn_of_short_columns(run: Run) -> None:
    for name in ("om_percent", "om_kg_m2", "thickness_mm"):
        values = getattr(run, name)
        if values is not None:
            short = int((np.isnan(values).any(axis=(-2, -1)) & run.finished).sum())
            if short:
                warnings.warn(
                    f"{counted(short, 'member')} lost so much ground that the column no longer reaches through a"
                    " window; those readings are NaN",
                    LeftDomainWarning,
                    stacklevel=4,
                )
            return


def _warn_of_sinking(run: Run) -> None:
    if run.ledger is None or run.surface_mm is None or not run.surface_mm.size:
        return
    out = run.ledger.total("cored_out", "mineral")
    put_back = run.ledger.total("gained", "mineral") - run.ledger.total("mown_out", "mineral")
    sank = (out > put_back) & (run.surface_mm[..., -1] < 0)
    if np.any(sank):
        lowest = float(np.nanmin(run.surface_mm[..., -1]))
        share = "" if sank.ndim == 0 or np.all(sank) else f" in {np.mean(sank):.0%} of the runs"
        warnings.warn(
            f"cores took out more than sand put back{share}: the surface sank by up to {-lowest:.1f} mm, so a depth "
            "window looks into older ground and a fall in its % is no dilution",
            SinkingWarning,
            stacklevel=4,
        )


def _frozen(array: NDArray[Any]) -> NDArray[Any]:
    array.flags.writeable = False
    return array
