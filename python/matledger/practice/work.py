"""One class for each kind of work on a green."""

# ruff: noqa: RUF009 -- the fields are descriptors: they read what they are given, and type checkers see both sides

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

from matledger import _core
from matledger.errors import InputError, Problem
from matledger.practice._fields import Checked, Count, Field, MaybeNumber, Number, Pair, html_table
from matledger.units import System, convert, show_window, shown_units

__all__ = ["Coring", "SandInjection", "SolidTining", "Tine", "Topdressing", "VerticalMowing", "Work", "sand_first"]


@dataclass(frozen=True, kw_only=True, repr=False)
class Tine(Checked):
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
    >>> from matledger import Tine
    >>> Tine(inside_diameter_mm="1/2 in")
    Tine(inside_diameter_mm=12.7)
    """

    kind: ClassVar[str] = "tine"
    inside_diameter_mm: Number = Number("mm", above_0=True)


class _TineField(Field[Tine, Tine]):
    def read(self, value: Tine, place: str) -> Tine:
        if not isinstance(value, Tine):
            raise InputError([Problem(place, repr(value), "a tine such as Tine(inside_diameter_mm=12.7)")])
        return value


class Work(Checked):
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

    @property
    def wound(self) -> tuple[float, float, bool] | None:
        """Share of the surface opened [-], width of an opening [mm], and whether it is round; None if it opens none."""
        return None

    def _phrase(self, units: System) -> list[str]:
        raise NotImplementedError

    def in_words(self, units: System = "metric") -> str:
        """Say it in a phrase.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.

        Examples
        --------
        >>> from matledger import Coring, Tine
        >>> Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50.8, 50.8), depth_mm=76.2).in_words("us")
        'coring, 0.5 in bore at 2 x 2 in, 3 in deep'
        """
        return ", ".join([self.kind.replace("_", " "), *self._phrase(units)])

    def __str__(self) -> str:
        """Say it in a phrase."""
        return self.in_words()

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
        return html_table(self.kind.replace("_", " "), (), rows)


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
    returned_mineral_share, returned_om_share
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
    >>> from matledger import Coring, Tine
    >>> cores = Coring(tine=Tine(inside_diameter_mm="5/8 in"), spacing_mm=("2 in", "2 in"), depth_mm=75, passes=2)
    >>> round(cores.area_fraction, 4), round(cores.area_share, 4), round(cores.area_plain_sum, 4)
    (0.0767, 0.1475, 0.1534)
    >>> print(cores)
    coring, 15.88 mm bore at 50.8 x 50.8 mm, 75 mm deep, 2 passes
    """

    kind: ClassVar[str] = "coring"
    tine: _TineField = _TineField()
    spacing_mm: Pair = Pair("mm")
    depth_mm: Number = Number("mm")
    depth_sd_mm: Number = Number("mm", 0.0)
    passes: Count = Count(1)
    returned_mineral_share: Number = Number("1", 0.0)
    returned_om_share: Number = Number("1", 0.0)
    holes_open_days: Count = Count(14)

    def _build(self) -> _core.Work:
        return _core.Work.coring(
            self.tine.inside_diameter_mm,
            self.spacing_mm,
            self.depth_mm,
            self.depth_sd_mm,
            self.passes,
            self.returned_mineral_share,
            self.returned_om_share,
            self.holes_open_days,
        )

    @property
    def wound(self) -> tuple[float, float, bool]:
        """Holes as wide as the bore."""
        return self.area_share, self.tine.inside_diameter_mm, True

    def _phrase(self, units: System) -> list[str]:
        bore = f"{_size(units, self.tine.inside_diameter_mm)} bore at {_size(units, *self.spacing_mm)}"
        return [bore, f"{_size(units, self.depth_mm)} deep", *_passes(self.passes)]


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
    >>> from matledger import SolidTining
    >>> SolidTining(diameter_mm=8, spacing_mm=(40, 40), depth_mm=150)
    SolidTining(diameter_mm=8.0, spacing_mm=(40.0, 40.0), depth_mm=150.0)
    """

    kind: ClassVar[str] = "solid_tining"
    diameter_mm: Number = Number("mm")
    spacing_mm: Pair = Pair("mm")
    depth_mm: Number = Number("mm")
    depth_sd_mm: Number = Number("mm", 0.0)
    passes: Count = Count(1)
    holes_open_days: Count = Count(14)

    def _build(self) -> _core.Work:
        return _core.Work.solid_tining(
            self.diameter_mm, self.spacing_mm, self.depth_mm, self.depth_sd_mm, self.passes, self.holes_open_days
        )

    @property
    def wound(self) -> tuple[float, float, bool]:
        """Holes as wide as the tine."""
        return self.area_share, self.diameter_mm, True

    def _phrase(self, units: System) -> list[str]:
        holes = f"{_size(units, self.diameter_mm)} at {_size(units, *self.spacing_mm)}"
        return [holes, f"{_size(units, self.depth_mm)} deep", *_passes(self.passes)]


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
    >>> from matledger import VerticalMowing
    >>> round(VerticalMowing(blade_width_mm=2, blade_spacing_mm="1 in", depth_mm=20).area_fraction, 4)
    0.0787
    """

    kind: ClassVar[str] = "vertical_mowing"
    blade_width_mm: Number = Number("mm")
    blade_spacing_mm: Number = Number("mm")
    depth_mm: Number = Number("mm")
    passes: Count = Count(1)
    removed_share: Number = Number("1", 0.3)
    holes_open_days: Count = Count(14)

    def _build(self) -> _core.Work:
        return _core.Work.vertical_mowing(
            self.blade_width_mm,
            self.blade_spacing_mm,
            self.depth_mm,
            self.passes,
            self.removed_share,
            self.holes_open_days,
        )

    @property
    def wound(self) -> tuple[float, float, bool]:
        """Grooves as wide as the blade."""
        return self.area_share, self.blade_width_mm, False

    def _phrase(self, units: System) -> list[str]:
        blades = f"{_size(units, self.blade_width_mm)} blades at {_size(units, self.blade_spacing_mm)}"
        return [blades, f"{_size(units, self.depth_mm)} deep", *_passes(self.passes)]


@dataclass(frozen=True, kw_only=True, repr=False)
class _Sanding(Work):
    sand_mm: MaybeNumber = MaybeNumber("mm")
    sand_kg_m2: MaybeNumber = MaybeNumber("kg/m2")

    def __post_init__(self) -> None:
        given = {name: value for name in ("sand_mm", "sand_kg_m2") if (value := self.__dict__.get(name)) is not None}
        tried = len(given) + ("_problems" in self.__dict__)
        if len(given) == 2 or not tried:
            both = " and ".join(f"{name} {value:g}" for name, value in given.items())
            problem = Problem(f"{self.kind}.sand", both or "not given", "exactly one of sand_mm and sand_kg_m2")
            self.__dict__.setdefault("_problems", []).append(problem)
        try:
            super().__post_init__()
        except InputError as error:
            raise InputError([self._as_given(problem) for problem in error.problems]) from None

    def _as_given(self, problem: Problem) -> Problem:
        """Tell of the amount that was given, and not of the mass that the core made of it."""
        if problem.place != f"{self.kind}.sand_g_m2":
            return problem
        name = "sand_mm" if self.sand_kg_m2 is None else "sand_kg_m2"
        density = _core.SAND_BULK_DENSITY_G_CM3  # kg/m2 over g/cm3 are mm
        expected = re.sub(r"([\d.]+) kg/m2", lambda found: f"{float(found[1]) / density:g} mm", problem.expected)
        return Problem(
            f"{self.kind}.{name}",
            f"{getattr(self, name):.12g}",
            problem.expected if name == "sand_kg_m2" else expected,
        )

    def _given_g_m2(self) -> float:
        if self.sand_kg_m2 is not None:
            return self.sand_kg_m2 * 1000
        # 1 mm over 1 m2 is 1000 cm3.
        return (self.sand_mm or 0.0) * _core.SAND_BULK_DENSITY_G_CM3 * 1000

    def _sand_phrase(self, units: System) -> str:
        amount, stored = (self.sand_mm, "mm of sand") if self.sand_kg_m2 is None else (self.sand_kg_m2, "kg/m2")
        metric, unit = shown_units(stored, units)
        return f"{convert(amount or 0.0, metric, unit):.{4 if unit == metric else 3}g} {unit} of sand"


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
    >>> from matledger import SandInjection
    >>> SandInjection(sand_kg_m2=4, from_mm=0, to_mm="6 in").sand_g_m2
    4000.0
    """

    kind: ClassVar[str] = "sand_injection"
    from_mm: Number = Number("mm")
    to_mm: Number = Number("mm")

    def _build(self) -> _core.Work:
        return _core.Work.sand_injection(self._given_g_m2(), self.from_mm, self.to_mm)

    def _phrase(self, units: System) -> list[str]:
        return [self._sand_phrase(units), f"{show_window(self.from_mm, self.to_mm, units)} deep"]


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
    >>> from matledger import Topdressing
    >>> Topdressing(sand_mm="4 ft3/1000 ft2")
    Topdressing(sand_mm=1.2192)
    >>> Topdressing(sand_mm=1).sand_g_m2
    1600.0
    """

    kind: ClassVar[str] = "topdressing"
    passes: Count = Count(1)
    picked_up_share: Number = Number("1", 0.01)

    def _build(self) -> _core.Work:
        return _core.Work.topdressing(self._given_g_m2(), self.passes, self.picked_up_share)

    def _phrase(self, units: System) -> list[str]:
        return [self._sand_phrase(units), *_passes(self.passes)]


SAND_FIRST = (
    "work of a day is done in the order given, so these holes get none of that sand; is it the other way round?"
)


def sand_first(works: Sequence[Work]) -> Iterator[tuple[int, int]]:
    """Yield where, in the work of one day, sand stands before work that opens the surface and none follows it.

    Examples
    --------
    >>> from matledger import SolidTining, Topdressing
    >>> from matledger.practice.work import sand_first
    >>> holes, sand = SolidTining(diameter_mm=8, spacing_mm=(40, 40), depth_mm=150), Topdressing(sand_mm=1)
    >>> list(sand_first([sand, holes])), list(sand_first([sand, holes, sand]))
    ([(0, 1)], [])
    """
    spread = [at for at, work in enumerate(works) if isinstance(work, Topdressing)]
    for at, work in enumerate(works):
        if work.wound is not None and spread and spread[-1] < at:
            yield spread[-1], at


def _size(units: System, *lengths_mm: float) -> str:
    metric, unit = shown_units("mm", units)
    digits = 4 if unit == metric else 3
    return " x ".join(f"{convert(length, metric, unit):.{digits}g}" for length in lengths_mm) + f" {unit}"


def _passes(passes: int) -> list[str]:
    return [] if passes == 1 else [f"{passes} passes"]
