"""What is done to a green: coring, tining, vertical mowing, sand, and the programme that dates them."""

# ruff: noqa: RUF009 -- the fields are descriptors: they read what they are given, and type checkers see both sides

from __future__ import annotations

import dataclasses
import datetime as dt
import operator
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from types import EllipsisType
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Literal, NamedTuple, TypeVar

from matledger import _core, units
from matledger.errors import InputError, Problem
from matledger.units import Quantity

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl
    from numpy.typing import ArrayLike

__all__ = [
    "Calendar",
    "Coring",
    "Event",
    "Moved",
    "Programme",
    "SandInjection",
    "Skipped",
    "SolidTining",
    "Tine",
    "Topdressing",
    "Uncounted",
    "VerticalMowing",
    "Work",
    "YearSummary",
    "rounds_to_fill",
    "spreader_passes",
]

_Given = TypeVar("_Given")
_Kept = TypeVar("_Kept")

_MAX_COUNT = 2**32 - 1


class _Field(Generic[_Given, _Kept]):
    """A dataclass field that reads what it is given; the class raises all problems together."""

    def __init__(self, default: _Kept | EllipsisType = ...) -> None:
        self.default = default

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    def __get__(self, instance: _Checked | None, owner: type | None = None) -> _Kept:
        if instance is not None:
            kept: _Kept = instance.__dict__[self.name]
            return kept
        if isinstance(self.default, EllipsisType):
            raise AttributeError(self.name)
        return self.default

    def __set__(self, instance: _Checked, value: _Given) -> None:
        try:
            instance.__dict__[self.name] = self.read(value, f"{instance.kind}.{self.name}")
        except InputError as error:
            instance.__dict__.setdefault("_problems", []).extend(error.problems)

    def read(self, value: _Given, place: str) -> _Kept:
        raise NotImplementedError


class _Number(_Field[Quantity, float]):
    def __init__(self, unit: str, default: float | EllipsisType = ..., *, above_0: bool = False) -> None:
        super().__init__(default)
        self.unit = unit
        self.above_0 = above_0

    def read(self, value: Quantity, place: str) -> float:
        number = units.parse(value, self.unit, name=place)
        if self.above_0 and number <= 0:
            raise InputError([Problem(place, str(value), f"more than 0 {self.unit}")])
        return number


class _MaybeNumber(_Field[Quantity | None, float | None]):
    def __init__(self, unit: str) -> None:
        super().__init__(None)
        self.number = _Number(unit, above_0=True)

    def read(self, value: Quantity | None, place: str) -> float | None:
        return None if value is None else self.number.read(value, place)


class _Pair(_Field[tuple[Quantity, Quantity], tuple[float, float]]):
    def __init__(self, unit: str) -> None:
        super().__init__()
        self.unit = unit

    def read(self, value: tuple[Quantity, Quantity], place: str) -> tuple[float, float]:
        if isinstance(value, str) or not isinstance(value, Sequence) or len(value) != 2:
            raise InputError(
                [Problem(place, repr(value), "a pair (along, across) such as (50, 50) or ('2 in', '2 in')")]
            )
        along, across = value
        return (
            units.parse(along, self.unit, name=f"{place}[0]"),
            units.parse(across, self.unit, name=f"{place}[1]"),
        )


class _Count(_Field[int, int]):
    def read(self, value: int, place: str) -> int:
        try:
            count = -1 if isinstance(value, bool) else operator.index(value)
        except TypeError:
            count = -1
        if not 0 <= count <= _MAX_COUNT:
            raise InputError([Problem(place, f"{value!r} ({type(value).__name__})", "a whole number from 0")])
        return count


class _Checked:
    """Raises the problems that the fields found, and shows the fields that are not at their default."""

    kind: ClassVar[str]

    def __post_init__(self) -> None:
        problems = self.__dict__.pop("_problems", None)
        if problems:
            raise InputError(problems)

    def _told(self) -> list[tuple[str, Any]]:
        fields = [(field, getattr(self, field.name)) for field in dataclasses.fields(self)]  # type: ignore[arg-type]
        return [(field.name, value) for field, value in fields if value != field.default]

    def __repr__(self) -> str:
        """Write the constructor call, without what stands at its default."""
        told = ", ".join(f"{name}={value!r}" for name, value in self._told())
        return f"{type(self).__name__}({told})"


@dataclass(frozen=True, kw_only=True, repr=False)
class Tine(_Checked):
    """A hollow tine, known by the bore that cuts the core.

    Parameters
    ----------
    inside_diameter_mm
        Inside diameter [mm]. A nominal size is often the outside one, which opens nearly twice the area.

    Raises
    ------
    InputError
        When the diameter is not above 0.

    Examples
    --------
    >>> Tine(inside_diameter_mm="1/2 in")
    Tine(inside_diameter_mm=12.7)
    """

    kind: ClassVar[str] = "tine"
    inside_diameter_mm: _Number = _Number("mm", above_0=True)


class _TineField(_Field[Tine, Tine]):
    def read(self, value: Tine, place: str) -> Tine:
        if not isinstance(value, Tine):
            raise InputError([Problem(place, repr(value), "a tine such as Tine(inside_diameter_mm=12.7)")])
        return value


class Work(_Checked):
    """One piece of work on a green: the base of `Coring`, `Topdressing` and the rest.

    A quantity is a number in the unit that its name says, or a text with a unit, and is kept as a number.
    """

    def __post_init__(self) -> None:
        """Check every number against its domain."""
        super().__post_init__()
        _ = self.core

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: the core is built again when it is needed."""
        return {name: value for name, value in self.__dict__.items() if name != "core"}

    def _build(self) -> _core.Work:
        raise NotImplementedError

    @cached_property
    def core(self) -> _core.Work:
        """The work as the core knows it."""
        return self._build()

    @property
    def area_fraction(self) -> float:
        """Share of the surface that one pass opens [-]: ``pi d^2 / (4 a b)``, or width over spacing for blades."""
        return self.core.area_fraction

    @property
    def area_share(self) -> float:
        """Share of the surface that all passes open [-], overlapping at random: ``1 - (1 - f)^passes``."""
        return self.core.area_share

    @property
    def area_plain_sum(self) -> float:
        """Plain sum of the passes' shares [-], the figure that the trade quotes."""
        return self.core.area_plain_sum

    @property
    def holes_per_m2(self) -> float | None:
        """Holes of all passes [1/m2]; None for work without holes."""
        return self.core.holes_per_m2

    @property
    def hole_volume_mm(self) -> float:
        """Volume opened to sand by all passes, as a depth over the whole surface [mm = L/m2]."""
        return self.core.hole_volume_mm

    @property
    def sand_g_m2(self) -> float:
        """Dry sand brought [g/m2]."""
        return self.core.sand_g_m2

    def _phrase(self) -> list[str]:
        raise NotImplementedError

    def __str__(self) -> str:
        """Say it in a phrase."""
        return ", ".join([self.kind.replace("_", " "), *self._phrase()])

    def _repr_html_(self) -> str:
        rows = [*self._told()]
        if self.area_fraction:
            rows += [
                ("area of one pass", f"{self.area_fraction:.2%}"),
                ("area of all passes, overlapping", f"{self.area_share:.2%}"),
                ("area of all passes, plain sum", f"{self.area_plain_sum:.2%}"),
                ("volume open to sand", f"{self.hole_volume_mm:.3g} mm"),
            ]
        if self.sand_g_m2:
            rows.append(("dry sand", f"{self.sand_g_m2 / 1000:.3g} kg/m2"))
        return _html_table(self.kind.replace("_", " "), (), rows)


@dataclass(frozen=True, kw_only=True, repr=False)
class Coring(Work):
    """Coring with hollow tines.

    Parameters
    ----------
    tine
        The tine.
    spacing_mm
        Spacing of the holes along and across the direction of travel [mm].
    depth_mm
        Depth reached, measured where it was [mm].
    depth_sd_mm
        Standard deviation of the depth reached between holes [mm].
    passes
        Passes over the same ground on the day, 1 to 20.
    returned_mineral, returned_om
        Shares of the cores' mineral and organic matter that are worked back in [-].
    holes_open_days
        Days that the holes stay open to sand.

    Raises
    ------
    InputError
        Naming every argument that is outside its domain.

    Notes
    -----
    One pass opens the share ``pi d^2 / (4 a b)`` of the surface, d the bore, a and b the spacing: plane geometry.

    Examples
    --------
    >>> cores = Coring(tine=Tine(inside_diameter_mm="5/8 in"), spacing_mm=("2 in", "2 in"), depth_mm=75, passes=2)
    >>> round(cores.area_fraction, 4), round(cores.area_share, 4), round(cores.area_plain_sum, 4)
    (0.0767, 0.1475, 0.1534)
    >>> print(cores)
    coring, 15.88 mm bore at 50.8 x 50.8 mm, 75 mm deep, 2 passes
    """

    kind: ClassVar[str] = "coring"
    tine: _TineField = _TineField()
    spacing_mm: _Pair = _Pair("mm")
    depth_mm: _Number = _Number("mm")
    depth_sd_mm: _Number = _Number("mm", 0.0)
    passes: _Count = _Count(1)
    returned_mineral: _Number = _Number("1", 0.0)
    returned_om: _Number = _Number("1", 0.0)
    holes_open_days: _Count = _Count(14)

    def _build(self) -> _core.Work:
        return _core.Work.coring(
            self.tine.inside_diameter_mm,
            self.spacing_mm,
            self.depth_mm,
            self.depth_sd_mm,
            self.passes,
            self.returned_mineral,
            self.returned_om,
            self.holes_open_days,
        )

    def _phrase(self) -> list[str]:
        bore = f"{self.tine.inside_diameter_mm:.4g} mm bore {_at(self.spacing_mm)}"
        return [bore, f"{self.depth_mm:.4g} mm deep", *_passes(self.passes)]


@dataclass(frozen=True, kw_only=True, repr=False)
class SolidTining(Work):
    """Holes pushed by solid tines: nothing is taken out.

    Parameters
    ----------
    diameter_mm
        Diameter of the tine [mm].
    spacing_mm
        Spacing of the holes along and across the direction of travel [mm].
    depth_mm
        Depth reached [mm].
    depth_sd_mm
        Standard deviation of the depth reached between holes [mm].
    passes
        Passes over the same ground on the day, 1 to 20.
    holes_open_days
        Days that the holes stay open to sand.

    Raises
    ------
    InputError
        Naming every argument that is outside its domain.

    Examples
    --------
    >>> SolidTining(diameter_mm=8, spacing_mm=(40, 40), depth_mm=150)
    SolidTining(diameter_mm=8.0, spacing_mm=(40.0, 40.0), depth_mm=150.0)
    """

    kind: ClassVar[str] = "solid_tining"
    diameter_mm: _Number = _Number("mm")
    spacing_mm: _Pair = _Pair("mm")
    depth_mm: _Number = _Number("mm")
    depth_sd_mm: _Number = _Number("mm", 0.0)
    passes: _Count = _Count(1)
    holes_open_days: _Count = _Count(14)

    def _build(self) -> _core.Work:
        return _core.Work.solid_tining(
            self.diameter_mm, self.spacing_mm, self.depth_mm, self.depth_sd_mm, self.passes, self.holes_open_days
        )

    def _phrase(self) -> list[str]:
        return [
            f"{self.diameter_mm:.4g} mm {_at(self.spacing_mm)}",
            f"{self.depth_mm:.4g} mm deep",
            *_passes(self.passes),
        ]


@dataclass(frozen=True, kw_only=True, repr=False)
class VerticalMowing(Work):
    """Grooves cut by vertical blades.

    Parameters
    ----------
    blade_width_mm
        Width of a blade [mm].
    blade_spacing_mm
        Distance between blades [mm].
    depth_mm
        Depth [mm].
    passes
        Passes over the same ground on the day, 1 to 20.
    removed_share
        Share of the lifted material that is taken away [-]; 0.3 is from memory, and wide.
    holes_open_days
        Days that the grooves stay open to sand.

    Raises
    ------
    InputError
        Naming every argument that is outside its domain.

    Notes
    -----
    One pass opens the share width over spacing of the surface: plane geometry. What is lifted and not taken away falls
    back, so only the rest of a groove is open to sand.

    Examples
    --------
    >>> round(VerticalMowing(blade_width_mm=2, blade_spacing_mm="1 in", depth_mm=20).area_fraction, 4)
    0.0787
    """

    kind: ClassVar[str] = "vertical_mowing"
    blade_width_mm: _Number = _Number("mm")
    blade_spacing_mm: _Number = _Number("mm")
    depth_mm: _Number = _Number("mm")
    passes: _Count = _Count(1)
    removed_share: _Number = _Number("1", 0.3)
    holes_open_days: _Count = _Count(14)

    def _build(self) -> _core.Work:
        return _core.Work.vertical_mowing(
            self.blade_width_mm,
            self.blade_spacing_mm,
            self.depth_mm,
            self.passes,
            self.removed_share,
            self.holes_open_days,
        )

    def _phrase(self) -> list[str]:
        blades = f"{self.blade_width_mm:.4g} mm blades at {self.blade_spacing_mm:.4g} mm"
        return [blades, f"{self.depth_mm:.4g} mm deep", *_passes(self.passes)]


class _Sanding(Work):
    sand_mm: _MaybeNumber = _MaybeNumber("mm")
    sand_kg_m2: _MaybeNumber = _MaybeNumber("kg/m2")

    def __post_init__(self) -> None:
        given = {name: value for name in ("sand_mm", "sand_kg_m2") if (value := self.__dict__.get(name)) is not None}
        tried = len(given) + ("_problems" in self.__dict__)
        if len(given) == 2 or not tried:
            both = " and ".join(f"{name} {value:g}" for name, value in given.items())
            problem = Problem(f"{self.kind}.sand", both or "not given", "exactly one of sand_mm and sand_kg_m2")
            self.__dict__.setdefault("_problems", []).append(problem)
        super().__post_init__()

    def _given_g_m2(self) -> float:
        if self.sand_kg_m2 is not None:
            return self.sand_kg_m2 * 1000
        # 1 mm over 1 m2 is 1000 cm3.
        return (self.sand_mm or 0.0) * _core.SAND_BULK_DENSITY_G_CM3 * 1000

    def _sand_phrase(self) -> str:
        if self.sand_kg_m2 is not None:
            return f"{self.sand_kg_m2:.4g} kg/m2 of sand"
        return f"{self.sand_mm:.4g} mm of sand"


@dataclass(frozen=True, kw_only=True, repr=False)
class SandInjection(_Sanding):
    """Sand blown or jetted into a depth range, with little or nothing taken out.

    Parameters
    ----------
    sand_mm, sand_kg_m2
        Dry sand, exactly one of packed depth at a bulk density of 1.60 g/cm3 [mm] and mass [kg/m2].
    from_mm, to_mm
        Upper and lower end of the range that takes the sand [mm].

    Raises
    ------
    InputError
        Naming every argument that is outside its domain.

    Examples
    --------
    >>> SandInjection(sand_kg_m2=4, from_mm=0, to_mm="6 in").sand_g_m2
    4000.0
    """

    kind: ClassVar[str] = "sand_injection"
    sand_mm: _MaybeNumber = _MaybeNumber("mm")
    sand_kg_m2: _MaybeNumber = _MaybeNumber("kg/m2")
    from_mm: _Number = _Number("mm")
    to_mm: _Number = _Number("mm")

    def _build(self) -> _core.Work:
        return _core.Work.sand_injection(self._given_g_m2(), self.from_mm, self.to_mm)

    def _phrase(self) -> list[str]:
        return [self._sand_phrase(), f"{self.from_mm:.4g} to {self.to_mm:.4g} mm deep"]


@dataclass(frozen=True, kw_only=True, repr=False)
class Topdressing(_Sanding):
    """Sand spread on the surface; open holes take it first.

    Parameters
    ----------
    sand_mm, sand_kg_m2
        Dry sand over all passes, exactly one of packed depth at a bulk density of 1.60 g/cm3 [mm] and mass [kg/m2].
    passes
        Passes of spreading and dragging, 1 to 20.
    picked_up_share
        Share of the sand left on the surface that mowers pick up [-]; up to 0.03 [1]_.

    Raises
    ------
    InputError
        Naming every argument that is outside its domain.

    References
    ----------
    .. [1] Stier, J. C. & Hollman, A. B. (2003), as cited in the model's page.

    Examples
    --------
    >>> Topdressing(sand_mm="4 ft3/1000 ft2")
    Topdressing(sand_mm=1.2192)
    >>> Topdressing(sand_mm=1).sand_g_m2
    1600.0
    """

    kind: ClassVar[str] = "topdressing"
    sand_mm: _MaybeNumber = _MaybeNumber("mm")
    sand_kg_m2: _MaybeNumber = _MaybeNumber("kg/m2")
    passes: _Count = _Count(1)
    picked_up_share: _Number = _Number("1", 0.01)

    def _build(self) -> _core.Work:
        return _core.Work.topdressing(self._given_g_m2(), self.passes, self.picked_up_share)

    def _phrase(self) -> list[str]:
        return [self._sand_phrase(), *_passes(self.passes)]


class Event(NamedTuple):
    """One piece of work and its day."""

    date: dt.date
    work: Work
    step: int
    """Which step of the programme, from 0."""
    rule: str


class Skipped(NamedTuple):
    """A step that fell due and was not done."""

    date: dt.date
    rule: str
    reason: str


class Moved(NamedTuple):
    """A step that fell due on a closed day and is done later."""

    due: dt.date
    done: dt.date
    rule: str


class Uncounted(NamedTuple):
    """A season whose degree days are not known because it began before they do."""

    season: dt.date
    rule: str


@dataclass(frozen=True)
class YearSummary:
    """What a calendar does in a calendar year.

    Attributes
    ----------
    year
        Calendar year.
    days, events
        Days with work, and pieces of work.
    area_share, area_plain_sum
        Share of the surface from which material is taken [-]: overlapping at random, ``1 - prod(1 - f)``, and the plain
        sum that the trade quotes.
    solid_area_share, solid_area_plain_sum
        The same for work that opens the surface and takes nothing out [-].
    sand_kg_m2
        Dry sand [kg/m2].
    """

    year: int
    days: int
    events: int
    area_share: float
    area_plain_sum: float
    solid_area_share: float
    solid_area_plain_sum: float
    sand_kg_m2: float

    @property
    def sand_mm(self) -> float:
        """Dry sand as packed depth at a bulk density of 1.60 g/cm3 [mm]."""
        return self.sand_kg_m2 / _core.SAND_BULK_DENSITY_G_CM3

    @property
    def sand_ft3_1000ft2(self) -> float:
        """Dry sand as packed volume per area at a bulk density of 1.60 g/cm3 [ft3/1000 ft2]."""
        return units.convert(self.sand_mm, "mm", "ft3/1000 ft2")


@dataclass(frozen=True, repr=False)
class Calendar:
    """The dated work of a programme: iterate over it for its events.

    Attributes
    ----------
    name
        Name of the programme.
    first, last
        First and last day.
    events
        The work by date, within a day in the order of the programme.
    skipped, moved
        Steps not done, and steps done later, because of closed days.
    uncounted
        Seasons whose degree days are not known, so that no work is dated by them.
    years
        One summary for each calendar year that the calendar touches.
    """

    name: str
    first: dt.date
    last: dt.date
    events: tuple[Event, ...]
    skipped: tuple[Skipped, ...]
    moved: tuple[Moved, ...]
    uncounted: tuple[Uncounted, ...]
    years: tuple[YearSummary, ...]

    def __iter__(self) -> Iterator[Event]:
        """Events by date."""
        return iter(self.events)

    def __len__(self) -> int:
        """Count the pieces of work."""
        return len(self.events)

    def __repr__(self) -> str:
        """Name, span and counts."""
        notes = [f"{len(self.events)} events"]
        notes += [
            f"{len(getattr(self, what))} {what}" for what in ("skipped", "moved", "uncounted") if getattr(self, what)
        ]
        return f"<Calendar {self.name!r} {self.first} to {self.last}: {', '.join(notes)}>"

    def _repr_html_(self) -> str:
        events = _html_table(self.name, ("date", "work"), [(str(e.date), str(e.work)) for e in self.events])
        notes = [
            *(f"{s.date}: {s.rule} skipped, {s.reason}" for s in self.skipped),
            *(f"{m.due}: {m.rule} moved to {m.done}" for m in self.moved),
            *(f"{u.season}: {u.rule} not counted, the degree days begin later" for u in self.uncounted),
        ]
        return events + "".join(f"<p>{escape(note)}</p>" for note in notes)

    def _columns(self) -> dict[str, list[Any]]:
        return {
            "date": [event.date for event in self.events],
            "step": [event.step for event in self.events],
            "rule": [event.rule for event in self.events],
            "work": [event.work.kind for event in self.events],
            "description": [str(event.work) for event in self.events],
            "area_share": [event.work.area_share for event in self.events],
            "area_plain_sum": [event.work.area_plain_sum for event in self.events],
            "hole_volume_mm": [event.work.hole_volume_mm for event in self.events],
            "sand_kg_m2": [event.work.sand_g_m2 / 1000 for event in self.events],
        }

    def to_pandas(self) -> pd.DataFrame:
        """Events as a pandas data frame: date, step, rule, work, description, areas [-], volume [mm], sand [kg/m2]."""
        import pandas as pd

        frame = pd.DataFrame(self._columns())
        kinds = {"date": "datetime64[s]", "step": "int64", **dict.fromkeys(frame.columns[5:], "float64")}
        return frame.astype(kinds)

    def to_polars(self) -> pl.DataFrame:
        """Events as a polars data frame: date, step, rule, work, description, areas [-], volume [mm], sand [kg/m2]."""
        import polars as pl

        columns = self._columns()
        kinds = [pl.Date, pl.Int64, pl.String, pl.String, pl.String, *[pl.Float64] * 4]
        return pl.DataFrame(columns, schema=dict(zip(columns, kinds, strict=True)))


@dataclass(frozen=True, repr=False)
class Programme:
    """What is done to a green, year after year.

    Parameters
    ----------
    name
        Name for the reader.
    steps
        Pairs of a rule and the work done whenever it falls due, in this order. A rule is a text such as
        ``"second Monday of April and of September"``, ``"last Tuesday of August"``,
        ``"every 14 days from 1 May to 15 October"``, ``"15 April and 10 September"``, ``"2014-04-15"``,
        ``"after 400 degree days from 1 March"`` or ``"every 200 degree days from 1 April to 30 September"``.
        Case does not matter, a season may reach into the next year, and 29 February is 28 February in common years.
        A count of degree days dates the work on the day after it is reached; one that repeats starts anew on that day.
    closed
        Days without work: ``"2014-07-01 to 2014-07-07"``, ``"24 December to 2 January"``, or a single day.
    when_closed
        What becomes of a step due on a closed day: ``"skip"``, or ``"next_open_day"``. A rule that repeats goes on
        counting from the day due.

    Raises
    ------
    InputError
        Naming every rule, piece of work or closed day that cannot be used.

    Examples
    --------
    >>> cores = Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    >>> programme = Programme(
    ...     "two corings, light sand",
    ...     [
    ...         ("second Monday of April and of September", [cores, Topdressing(sand_mm=4, passes=4)]),
    ...         ("every 14 days from 1 May to 15 August", [Topdressing(sand_mm=0.5)]),
    ...     ],
    ... )
    >>> calendar = programme.calendar("2014-01-01", "2014-12-31")
    >>> calendar
    <Calendar 'two corings, light sand' 2014-01-01 to 2014-12-31: 12 events>
    >>> next(iter(calendar)).date
    datetime.date(2014, 4, 14)
    >>> year = programme.summary(2014)
    >>> round(year.area_share, 4), round(year.area_plain_sum, 4), round(year.sand_mm, 6)
    (0.0988, 0.1013, 12.0)
    """

    name: str
    steps: Sequence[tuple[str, Sequence[Work]]]
    closed: Sequence[str] = ()
    when_closed: Literal["skip", "next_open_day"] = "skip"

    def __post_init__(self) -> None:
        """Check everything and keep the rules as the core writes them."""
        problems: list[Problem] = []

        def need(ok: bool, place: str, value: object, expected: str) -> bool:
            if not ok:
                problems.append(Problem(place, repr(value), expected))
            return ok

        need(isinstance(self.name, str), "name", self.name, "a text")
        need(
            self.when_closed in ("skip", "next_open_day"), "when_closed", self.when_closed, "'skip' or 'next_open_day'"
        )
        if need(_is_list(self.closed), "closed", self.closed, "a list of texts such as '4 July'"):
            for i, text in enumerate(self.closed):
                need(isinstance(text, str), f"closed[{i}]", text, "a text such as '4 July'")
        if need(_is_list(self.steps), "steps", self.steps, "a list of pairs (rule, [work, ...])"):
            for i, step in enumerate(self.steps):
                pair = need(_is_list(step) and len(step) == 2, f"steps[{i}]", step, "a pair (rule, [work, ...])")
                if not pair:
                    continue
                rule, works = step
                need(isinstance(rule, str), f"steps[{i}].rule", rule, "a text such as '15 April'")
                if need(_is_list(works), f"steps[{i}].works", works, "a list of work such as [Topdressing(sand_mm=1)]"):
                    for j, work in enumerate(works):
                        expected = "a piece of work such as Topdressing(sand_mm=1)"
                        need(isinstance(work, Work), f"steps[{i}].works[{j}]", work, expected)
        if problems:
            raise InputError(problems)
        core = self.core
        steps = tuple((rule, tuple(works)) for rule, (_, works) in zip(core.rules, self.steps, strict=True))
        object.__setattr__(self, "steps", steps)
        object.__setattr__(self, "closed", tuple(core.closed))

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: the core is built again when it is needed."""
        return {name: value for name, value in self.__dict__.items() if name != "core"}

    @cached_property
    def core(self) -> _core.Programme:
        """The programme as the core knows it."""
        steps = [(rule, [work.core for work in works]) for rule, works in self.steps]
        return _core.Programme(self.name, steps, list(self.closed), self.when_closed == "next_open_day")

    def calendar(
        self,
        first: dt.date | str,
        last: dt.date | str,
        *,
        degree_days: ArrayLike | None = None,
        degree_days_start: dt.date | str | None = None,
    ) -> Calendar:
        """Date the work from `first` to `last`, both included.

        Parameters
        ----------
        first, last
            First and last day, as dates or ``"YYYY-MM-DD"``.
        degree_days
            Degree days of consecutive days on the base that the rules mean, shape ``(n,)`` [degC d]; they must reach
            `last`. Only rules that count degree days need them.
        degree_days_start
            Day of the first of `degree_days`; `first` if not given. A season that began before it is not counted, and
            the calendar's ``uncounted`` says so.

        Returns
        -------
        Calendar
            The work by date, what was skipped or moved, and a summary of each year.

        Raises
        ------
        InputError
            When a date cannot be read, `last` is before `first`, or degree days are needed and are missing, too short,
            negative or not finite.
        """
        begin, end = _date(first, "first"), _date(last, "last")
        series = None
        if degree_days is not None:
            start = begin if degree_days_start is None else _date(degree_days_start, "degree_days_start")
            series = (start, _array(degree_days, "degree_days"))
        found = self.core.calendar(begin, end, series)
        rules = [rule for rule, _ in self.steps]
        events = tuple(Event(date, self.steps[step][1][work], step, rules[step]) for date, step, work in found.dated)
        return Calendar(
            name=self.name,
            first=begin,
            last=end,
            events=events,
            skipped=tuple(Skipped(date, rules[step], reason) for step, date, reason in found.skipped),
            moved=tuple(Moved(due, done, rules[step]) for step, due, done in found.moved),
            uncounted=tuple(Uncounted(season, rules[step]) for step, season in found.uncounted),
            years=_years(begin, end, events, found),
        )

    def summary(
        self, year: int, *, degree_days: ArrayLike | None = None, degree_days_start: dt.date | str | None = None
    ) -> YearSummary:
        """Sum up one calendar year.

        Parameters
        ----------
        year
            Calendar year.
        degree_days, degree_days_start
            As for `calendar`; the first value is of 1 January if no start is given.

        Returns
        -------
        YearSummary
            Events, surface opened and sand.

        Raises
        ------
        InputError
            As for `calendar`.
        """
        span = (_date(f"{year:04}-01-01", "year"), _date(f"{year:04}-12-31", "year"))
        return self.calendar(*span, degree_days=degree_days, degree_days_start=degree_days_start).years[0]

    def __repr__(self) -> str:
        """Name and counts."""
        closed = f", closed {'; '.join(self.closed)} ({self.when_closed})" if self.closed else ""
        return f"<Programme {self.name!r}: {'; '.join(rule for rule, _ in self.steps) or 'no work'}{closed}>"

    def _repr_html_(self) -> str:
        rows = [(rule, "; ".join(str(work) for work in works)) for rule, works in self.steps]
        if self.closed:
            rows.append((f"closed ({self.when_closed.replace('_', ' ')})", "; ".join(self.closed)))
        return _html_table(self.name, ("when", "work"), rows)


def rounds_to_fill(hole_volume_mm: Quantity, *, fill_fraction: Quantity, sand_mm_per_round: Quantity) -> int:
    """Count the rounds of spreading and dragging that fill the holes.

    Parameters
    ----------
    hole_volume_mm
        Volume of the holes over the whole surface [mm = L/m2], as ``Coring.hole_volume_mm`` says.
    fill_fraction
        Share of it that takes sand [-].
    sand_mm_per_round
        Packed depth of sand that one round spreads [mm].

    Returns
    -------
    int
        ``hole_volume_mm * fill_fraction / sand_mm_per_round``, rounded up.

    Raises
    ------
    InputError
        For a negative volume, a fill fraction outside 0 to 1, or a round without sand.

    Examples
    --------
    >>> cores = Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    >>> rounds_to_fill(cores.hole_volume_mm, fill_fraction=0.9, sand_mm_per_round=1)
    4
    """
    return _core.rounds_to_fill(
        units.parse(hole_volume_mm, "mm", name="hole_volume_mm"),
        units.parse(fill_fraction, "1", name="fill_fraction"),
        units.parse(sand_mm_per_round, "mm", name="sand_mm_per_round"),
    )


def spreader_passes(*, swath_m: Quantity, green_width_m: Quantity) -> int:
    """Count the passes of a spreader, side by side, that cover a green.

    Parameters
    ----------
    swath_m
        Width that one pass covers [m].
    green_width_m
        Width of the green [m].

    Returns
    -------
    int
        ``green_width_m / swath_m``, rounded up.

    Raises
    ------
    InputError
        For a width that is not above 0.

    Examples
    --------
    >>> spreader_passes(swath_m=4.6, green_width_m="60 ft")
    4
    """
    return _core.spreader_passes(
        units.parse(swath_m, "m", name="swath_m"), units.parse(green_width_m, "m", name="green_width_m")
    )


def _at(spacing_mm: tuple[float, float]) -> str:
    return f"at {spacing_mm[0]:.4g} x {spacing_mm[1]:.4g} mm"


def _passes(passes: int) -> list[str]:
    return [] if passes == 1 else [f"{passes} passes"]


def _html_table(caption: str, header: Sequence[str], rows: Sequence[tuple[str, object]]) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in header)
    body = "".join(f"<tr>{''.join(f'<td>{escape(str(cell))}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><caption>{escape(caption)}</caption>{f'<tr>{head}</tr>' if head else ''}{body}</table>"


def _is_list(value: object) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _date(value: dt.date | str, name: str) -> dt.date:
    bad = InputError([Problem(name, repr(value), "a date such as 2014-04-15")])
    if isinstance(value, str):
        try:
            date = dt.date.fromisoformat(value)
        except ValueError:
            raise bad from None
        # fromisoformat also takes 20140415 and 2014-W16-2.
        if date.isoformat() != value:
            raise bad
        return date
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        raise bad
    return value


def _array(values: ArrayLike, name: str) -> Any:
    import numpy as np

    given = np.asarray(values)
    if given.ndim != 1 or given.dtype.kind not in "iuf":
        raise InputError([Problem(name, f"{given.dtype} of shape {given.shape}", "numbers of shape (n,)")])
    return np.ascontiguousarray(given, dtype=np.float64)


def _years(first: dt.date, last: dt.date, events: Sequence[Event], found: _core.Calendar) -> tuple[YearSummary, ...]:
    worked = Counter(date.year for date in {event.date for event in events})
    done = Counter(event.date.year for event in events)
    shares = {year: shares for year, *shares in found.area_by_year()}
    summaries = []
    for year in range(first.year, last.year + 1):
        union, plain, solid_union, solid_plain, sand_g_m2 = shares.get(year, [0.0] * 5)
        summaries.append(
            YearSummary(year, worked[year], done[year], union, plain, solid_union, solid_plain, sand_g_m2 / 1000)
        )
    return tuple(summaries)
