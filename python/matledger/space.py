"""A space of programmes to search."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

from matledger.errors import InputError, Problem
from matledger.findings import of_kind, refuse, whole
from matledger.practice import Coring, Programme, SandInjection, Tine, Topdressing, VerticalMowing, Work
from matledger.units import System, convert, parse, show, shown_units

__all__ = ["Space"]

MOST_PROGRAMMES = 50_000


@dataclass(frozen=True, kw_only=True)
class Space:
    """Programmes to search: every combination of the choices.

    Attributes
    ----------
    coring_days
        Sets of days on which greens are cored each year, such as ``[(), ("15 April",), ("15 April", "10 September")]``.
    bores_mm, spacings_mm, depths_mm
        Bore of the tines [mm], spacing along and across [mm], and depth [mm] of every coring; each a number, or a text
        with its unit such as ``"0.5 in"``.
    sand_over_holes
        Sand that goes with a coring over the volume of its holes [-].
    topdressing_mm, topdressing_every_days
        Sand of one topdressing [mm, or a text such as ``"1 ft3/1000 ft2"``], 0 for none, and days between two.
    season
        When greens are topdressed, such as ``"from 1 May to 30 September"``.
    injections, injection_day
        Sand injections to weigh, None for no injection, and their day.
    vertical_mowings, vertical_day
        Vertical mowings to weigh, None for none, and their day.
    no_work, when_no_work
        As for `matledger.Programme`.
    units
        ``"metric"`` or ``"us"``, for the names of the programmes.

    Raises
    ------
    InputError
        Naming every choice that makes no work or no rule.

    Examples
    --------
    >>> space = Space(coring_days=[(), ("15 April",)], bores_mm=[9.5, 12.7], topdressing_mm=[0.2, 0.4])
    >>> [programme.name for programme in space.programmes()][0]
    'no coring; 0.2 mm every 14 d'
    >>> len(space.programmes())  # two without coring, four with
    6
    """

    coring_days: Sequence[Sequence[str]]
    bores_mm: Sequence[float | str] = (12.7,)
    spacings_mm: Sequence[tuple[float | str, float | str]] = ((50.0, 50.0),)
    depths_mm: Sequence[float | str] = (70.0,)
    sand_over_holes: float = 1.0
    topdressing_mm: Sequence[float | str] = (0.3,)
    topdressing_every_days: Sequence[int] = (14,)
    season: str = "from 1 May to 30 September"
    injections: Sequence[SandInjection | None] = (None,)
    injection_day: str = "15 June"
    vertical_mowings: Sequence[VerticalMowing | None] = (None,)
    vertical_day: str = "25 April"
    no_work: Sequence[str] = ()
    when_no_work: str = "next_work_day"
    units: System = "metric"

    def __post_init__(self) -> None:
        """Check that every choice offers something, and that there are not too many programmes."""
        names = ("coring_days", "bores_mm", "spacings_mm", "depths_mm", "topdressing_mm", "topdressing_every_days")
        problems = [
            Problem(name, repr(getattr(self, name)), "a list with at least one choice")
            for name in (*names, "spacings_mm", "injections", "vertical_mowings")
            if isinstance(getattr(self, name), str) or not getattr(getattr(self, name), "__len__", int)()
        ]
        refuse(problems)
        problems = [
            Problem(f"coring_days[{index}]", repr(days), "a list of days such as ('15 April', '10 September')")
            for index, days in enumerate(self.coring_days)
            if isinstance(days, str) or not isinstance(days, Sequence) or not all(isinstance(day, str) for day in days)
        ]
        for name, kind in (("injections", SandInjection), ("vertical_mowings", VerticalMowing)):
            problems += [
                Problem(f"{name}[{index}]", repr(work), f"None, or work such as {kind.__name__}(...)")
                for index, work in enumerate(getattr(self, name))
                if not (work is None or isinstance(work, kind))
            ]
        problems += of_kind("number", sand_over_holes=self.sand_over_holes)
        problems += of_kind(
            "text", season=self.season, injection_day=self.injection_day, vertical_day=self.vertical_day
        )
        for index, every in enumerate(self.topdressing_every_days):
            problems += whole(f"topdressing_every_days[{index}]", every, 1, 366)
        refuse(problems)
        shown_units("mm", self.units)
        self._read_sizes()
        self._try_choices()
        count = self._count()
        if count > MOST_PROGRAMMES:
            raise InputError([Problem("space", f"{count} programmes", f"at most {MOST_PROGRAMMES}")])

    def _read_sizes(self) -> None:
        """Turn every size into millimetres."""
        problems: list[Problem] = []

        def size(value: object, place: str) -> float:
            try:
                return parse(value, "mm", name=place)
            except InputError as error:
                problems.extend(error.problems)
                return 1.0

        for name in ("bores_mm", "depths_mm", "topdressing_mm"):
            given = getattr(self, name)
            object.__setattr__(self, name, tuple(size(value, f"{name}[{i}]") for i, value in enumerate(given)))
        pairs = []
        for i, pair in enumerate(self.spacings_mm):
            if isinstance(pair, str) or not isinstance(pair, Sequence) or len(pair) != 2:
                problems.append(Problem(f"spacings_mm[{i}]", repr(pair), "a pair (along, across) such as (50, 50)"))
                continue
            pairs.append(tuple(size(value, f"spacings_mm[{i}][{side}]") for side, value in enumerate(pair)))
        object.__setattr__(self, "spacings_mm", tuple(pairs))
        if problems:
            raise InputError(problems)

    def _try_choices(self) -> None:
        """Make the work and the rules of each choice, so that an error names the choice and comes before the search."""
        problems: list[Problem] = []

        def tried(place: str, make: Callable[..., object], *given: object, **said: Any) -> None:
            try:
                make(*given)
            except InputError as error:
                problems.extend(replace(p, place=place or p.place, **said) for p in error.problems)

        def rule(when: str, no_work: Sequence[str] = (), when_no_work: Any = "skip") -> Programme:
            return Programme("a choice", [(when, [Topdressing(sand_mm=1)])], no_work, when_no_work)

        def cored(bore: float, spacing: tuple[float, float], depth: float) -> Coring:
            return Coring(tine=Tine(inside_diameter_mm=bore), spacing_mm=spacing, depth_mm=depth)

        def topdressed(mm: float) -> Topdressing:
            return Topdressing(sand_mm=mm)

        for i, days in enumerate(self.coring_days):
            if days:
                tried(f"coring_days[{i}]", rule, " and ".join(days))
        expected = "a season such as 'from 1 May to 30 September', with days that exist"
        tried("season", rule, f"every 14 days {self.season}", value=repr(self.season), expected=expected)
        tried("injection_day", rule, self.injection_day)
        tried("vertical_day", rule, self.vertical_day)
        tried("", rule, "1 May", self.no_work, self.when_no_work)

        bores, depths, rates = ([*map(float, each)] for each in (self.bores_mm, self.depths_mm, self.topdressing_mm))
        spacings = [(float(along), float(across)) for along, across in self.spacings_mm]
        for i, bore in enumerate(bores):
            tried(f"bores_mm[{i}]", cored, bore, (1000.0, 1000.0), 10.0)
        for i, depth in enumerate(depths):
            tried(f"depths_mm[{i}]", cored, 1.0, (1000.0, 1000.0), depth)
        for i, spacing in enumerate(spacings):
            tried(f"spacings_mm[{i}]", cored, max([1.0, *bores]), spacing, 10.0)
        for i, rate in enumerate(rates):
            if rate < 0:
                problems.append(Problem(f"topdressing_mm[{i}]", f"{rate:g}", "a number of 0 or more (mm)"))
            elif rate > 0:
                tried(f"topdressing_mm[{i}]", topdressed, rate)
        refuse(problems)
        if self.sand_over_holes > 0:
            closest = min(spacings, key=lambda pair: pair[0] * pair[1])
            sand = cored(max(bores), closest, max(depths)).hole_volume_mm * self.sand_over_holes
            tried("sand_over_holes", topdressed, sand, value=f"{self.sand_over_holes:g}, which is {sand:.4g} mm")
        refuse(problems)

    def _count(self) -> int:
        cored = sum(bool(days) for days in self.coring_days)
        corings = cored * len(self.bores_mm) * len(self.spacings_mm) * len(self.depths_mm)
        corings += any(not days for days in self.coring_days)
        rates = sum(float(rate) > 0 for rate in self.topdressing_mm)
        sanding = rates * len(self.topdressing_every_days) + (rates < len(self.topdressing_mm))
        return corings * sanding * len(self.injections) * len(self.vertical_mowings)

    def programmes(self) -> tuple[Programme, ...]:
        """Return every programme; its name says what it is.

        Raises
        ------
        InputError
            For days, sizes and rates that make no programme.
        """
        metric, unit = shown_units("mm", self.units)

        def length(mm: float) -> str:
            return f"{mm:g}" if unit == metric else f"{convert(mm, metric, unit):.3g}"

        def sand(mm: float) -> str:
            return f"{mm:g} mm" if unit == metric else show(mm, "mm of sand", self.units)

        corings: dict[str, list[tuple[str, list[Work]]]] = {}
        bores, depths, rates = (map(float, sizes) for sizes in (self.bores_mm, self.depths_mm, self.topdressing_mm))
        spacings = [(float(along), float(across)) for along, across in self.spacings_mm]
        for days, bore, spacing, depth in product(self.coring_days, bores, spacings, depths):
            if not days:
                corings["no coring"] = []
                continue
            cores = Coring(tine=Tine(inside_diameter_mm=bore), spacing_mm=spacing, depth_mm=depth)
            works: list[Work] = [cores]
            if self.sand_over_holes > 0:
                works.append(Topdressing(sand_mm=cores.hole_volume_mm * self.sand_over_holes, passes=3))
            when = " and ".join(days)
            size = f"{length(bore)} {unit} at {' x '.join(map(length, spacing))}, {length(depth)} deep"
            corings[f"{len(days)} x {size} ({when})"] = [(when, works)]
        sandings: dict[str, list[tuple[str, list[Work]]]] = {}
        for rate, every in product(rates, self.topdressing_every_days):
            if rate > 0:
                sandings[f"{sand(rate)} every {every} d"] = [
                    (f"every {every} days {self.season}", [Topdressing(sand_mm=rate)])
                ]
            else:
                sandings["no topdressing"] = []
        found = []
        for (cored, a), (sanded, b), injection, grooves in product(
            corings.items(), sandings.items(), self.injections, self.vertical_mowings
        ):
            steps, said = [*a, *b], [cored, sanded]
            for extra, day in ((injection, self.injection_day), (grooves, self.vertical_day)):
                if extra is not None:
                    steps.append((day, [extra]))
                    said.append(f"{extra.in_words(self.units)} on {day}")
            found.append(Programme("; ".join(said), steps, self.no_work, self.when_no_work))  # type: ignore[arg-type]
        return tuple(found)
