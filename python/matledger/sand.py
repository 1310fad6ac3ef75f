"""Sand: sieve analyses, limits on them, one sand on another, and what years of a sand do to the ground."""

from __future__ import annotations

import datetime as dt
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

from matledger import _core, units
from matledger.cells import column
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import Findings, of_kind, refuse, whole
from matledger.frames import Table
from matledger.practice import WorkDone, dated_work
from matledger.tables import MAX_BYTES, Source, read_table
from matledger.units import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike

__all__ = [
    "Grading",
    "Layering",
    "Limit",
    "Mixture",
    "SandCheck",
    "Specification",
    "bulk_density_g_cm3",
    "filter_d15_mm",
    "porosity",
    "read_sieve_analyses",
    "read_specification",
    "sand_in_ground",
]

QUARTZ_G_CM3 = 2.65
"""Particle density of quartz (g/cm3; read)."""

Sieve = float | str
"""An opening in mm, a text with a unit, or a US sieve such as ``"No. 60"``."""

_US_SIEVE = re.compile(r"\s*(?:no\.?|#)\s*(\d+)\s*", re.IGNORECASE)


def sieve_mm(sieve: Sieve, *, name: str = "sieve") -> float:
    """Opening of a sieve [mm].

    Raises
    ------
    InputError
        For a number that no US sieve bears, or what is no length.

    Examples
    --------
    >>> from matledger.sand import sieve_mm
    >>> sieve_mm("No. 60"), sieve_mm("0.5 mm"), sieve_mm(0.15)
    (0.25, 0.5, 0.15)
    """
    found = _US_SIEVE.fullmatch(sieve) if isinstance(sieve, str) else None
    if found is not None:
        known = dict(_core.us_sieves())
        if int(found[1]) not in known:
            raise InputError([Problem(name, str(sieve), f"a US sieve: one of {', '.join(map(str, known))}")])
        return known[int(found[1])]
    if isinstance(sieve, str):
        with suppress(ValueError):
            sieve = float(sieve)
    return units.parse(sieve, "mm", name=name)


@dataclass(frozen=True)
class Grading:
    """The grading of a sand: how much of it is finer than each size.

    Parameters
    ----------
    name
        Name of the sand.
    sieves
        Openings [mm], texts with a unit, or US sieves such as ``"No. 60"``; coarse first. Kept in mm.
    finer_percent
        Finer than each [% of mass].

    Raises
    ------
    InputError
        For sieves that are unknown or not from coarse to fine, or percentages that rise towards the fine end.

    Notes
    -----
    Between two sieves percentages lie on a straight line over the logarithm of size. Beyond the sieves nothing is
    made up: what the analysis does not reach is None. A sieve within 6.5 % of a class limit stands for it, as number
    270 (0.053 mm) does for 0.05 mm.

    Examples
    --------
    >>> from matledger import Grading
    >>> sand = Grading("invented", ["No. 18", "No. 35", "No. 60", "No. 100"], [100, 72, 18, 2])
    >>> round(sand.d_mm(50), 3), round(sand.uniformity, 2)
    (0.377, 2.21)
    """

    name: str
    sieves: Sequence[Sieve]
    finer_percent: Sequence[float]

    def __post_init__(self) -> None:
        """Read the sieves and check the percentages."""
        sizes = _sizes(self.sieves)
        finer = _numbers(self.finer_percent, "finer_percent", "%")
        self._keep(_made(lambda: _core.Grading.from_finer(sizes, finer)))

    def _keep(self, core: _core.Grading) -> None:
        object.__setattr__(self, "sieves", tuple(core.sizes_mm))
        object.__setattr__(self, "finer_percent", tuple(core.finer_percent))

    @classmethod
    def from_retained(
        cls,
        name: str,
        sieves: Sequence[Sieve],
        retained_g: Sequence[float],
        *,
        pan_g: float | None = None,
        sample_g: float | None = None,
        cumulative: bool = False,
        silt_percent: float | None = None,
        clay_percent: float | None = None,
    ) -> Grading:
        """Make a grading from masses on the sieves.

        Parameters
        ----------
        name
            Name of the sand.
        sieves
            Openings [mm] or US sieves, coarse first.
        retained_g
            Mass on each sieve [g].
        pan_g
            Mass that fell through the last sieve [g].
        sample_g
            Mass of the sample [g]; at least one of both is needed, and both have to agree within 2 %.
        cumulative
            Whether each mass counts what lies on coarser sieves too.
        silt_percent, clay_percent
            Silt (0.002 to 0.05 mm) and clay (below 0.002 mm) by pipette or hydrometer [% of the sample], both or none;
            they have to agree with the pan within 2 % of the sample.

        Raises
        ------
        InputError
            For sieves out of order, masses that do not add up to the sample within 2 %, or cumulative masses that fall.

        Examples
        --------
        >>> from matledger import Grading
        >>> Grading.from_retained("pile", [1, 0.5, 0.25], [2, 38, 50], pan_g=10).finer_percent
        (98.0, 60.0, 10.0)
        """
        known = {name: mass for name, mass in (("pan_g", pan_g), ("sample_g", sample_g)) if mass is not None}
        refuse([*of_kind("number", **known), *of_kind("flag", cumulative=cumulative)])
        sizes = _sizes(sieves)
        masses = _numbers(retained_g, "retained_g", "g")
        core = _made(lambda: _core.Grading.from_masses(sizes, masses, cumulative, pan_g, sample_g))
        finer = core.finer_percent
        if silt_percent is not None or clay_percent is not None:
            sizes, finer = _with_fines(sizes, finer, silt_percent, clay_percent)
        return cls(name, sizes, finer)

    @cached_property
    def core(self) -> _core.Grading:
        """The grading as the core knows it."""
        return _core.Grading.from_finer(self.sizes_mm, list(self.finer_percent))

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: the core is built again when it is needed."""
        return {name: value for name, value in self.__dict__.items() if name != "core"}

    @property
    def sizes_mm(self) -> list[float]:
        """Openings, coarse first [mm]."""
        return [float(size) for size in self.sieves]

    def finer(self, size_mm: Quantity) -> float | None:
        """Finer than a size [% of mass]; None where the sieves do not reach.

        Parameters
        ----------
        size_mm
            Size of a particle [mm].
        """
        found = self.core.finer(units.parse(size_mm, "mm", name="size_mm"))
        return None if found is None else found[0]

    def d_mm(self, percent: float) -> float | None:
        """Size that `percent` of the mass is finer than [mm]; None where the sieves do not reach.

        Parameters
        ----------
        percent
            Share of the mass that is finer [%].

        Raises
        ------
        InputError
            For what is no number from 0 to 100.
        """
        refuse(of_kind("number", percent=percent))
        return self.core.d_mm(float(percent))

    @property
    def uniformity(self) -> float | None:
        """Coefficient of uniformity, D60/D10 [-]."""
        return self.core.uniformity

    @property
    def curvature(self) -> float | None:
        """Coefficient of curvature, D30^2/(D10 D60) [-]."""
        return self.core.curvature

    @property
    def gradation_index(self) -> float | None:
        """Gradation index, D90/D10 [-]."""
        return self.core.gradation_index

    @property
    def fineness_modulus(self) -> float | None:
        """Fineness modulus after ASTM C136 (from memory) [-]."""
        return self.core.fineness_modulus

    def classes(self, system: Literal["USGA", "USDA"] = "USGA") -> Table:
        """Mass in each size class [%]; empty where the sieves do not part it.

        Parameters
        ----------
        system
            Whose classes: of the USGA's table, or of the USDA.

        Raises
        ------
        InputError
            For classes of anyone else.
        """
        if system not in ("USGA", "USDA"):
            raise InputError([Problem("system", repr(system), "'USGA' or 'USDA'")])
        rows = _core.size_classes(system == "USGA")
        found = [self.core.between(lower, upper) for _, lower, upper in rows]
        columns: dict[str, list[Any]] = {
            "class": [name for name, _, _ in rows],
            "lower_mm": [lower for _, lower, _ in rows],
            "upper_mm": [upper for _, _, upper in rows],
            "percent": [None if one is None else one[0] for one in found],
            "measured": [_how(one) for one in found],
        }
        return Table(f"{self.name}: {system} classes", columns, {"lower_mm": "g", "upper_mm": "g", "percent": ".1f"})

    def summary(self) -> Table:
        """D-values [mm] and the numbers made from them [-]; empty where the sieves do not reach."""
        rows: dict[str, float | None] = {f"D{p} (mm)": self.d_mm(p) for p in (10, 15, 30, 50, 60, 85, 90)}
        rows |= {
            "coefficient of uniformity": self.uniformity,
            "coefficient of curvature": self.curvature,
            "gradation index": self.gradation_index,
            "fineness modulus": self.fineness_modulus,
        }
        columns: dict[str, list[Any]] = {"quantity": list(rows), "value": list(rows.values())}
        return Table(f"{self.name}: sizes", columns, {"value": ".3g"})

    def check(self, specification: Specification) -> SandCheck:
        """Hold the grading to limits.

        Parameters
        ----------
        specification
            Limits that a sand is held to.
        """
        return SandCheck(self, specification)

    def over(self, lower: Grading) -> Layering:
        """Compare this sand, on top, with the one below it.

        Parameters
        ----------
        lower
            Lower of two sands.

        Raises
        ------
        InputError
            Where the sieves of either do not reach D15, D50, D85 or D90.
        """
        finer_above, ratios, factors, held = _core_over(self, lower)
        (d15, d50, d85), (bridging, permeability, uniformity), (bridges, drains, uniform) = ratios, factors, held
        return Layering(
            self, lower, finer_above, d15, d50, d85, bridging, permeability, uniformity, bridges, drains, uniform
        )

    def plot(self, specification: Specification | None = None, ax: Axes | None = None) -> Axes:
        """Plot the grading curve, within limits if they are given; see `matledger.plots.grading`.

        Parameters
        ----------
        specification
            Limits that a sand is held to.
        ax
            Axes of matplotlib to draw on.
        """
        from matledger import plots

        return plots.grading([self], specification, ax=ax)

    def __repr__(self) -> str:
        return f"<Grading {self.name!r}: {len(self.sieves)} sieves, {self.sieves[0]:g} to {self.sieves[-1]:g} mm>"

    def _repr_html_(self) -> str:
        return f"{self.classes()._repr_html_()}{self.summary()._repr_html_()}"


def _how(found: tuple[float, bool] | None) -> str:
    if found is None:
        return "not parted by the sieves"
    return "measured" if found[1] else "read between sieves"


def _core_over(upper: Grading, lower: Grading) -> tuple[bool, list[float], list[float], list[bool]]:
    try:
        return upper.core.over(lower.core)
    except InputError as error:
        names = {"upper": upper.name, "lower": lower.name}
        raise InputError([replace(p, place=names.get(p.place, p.place)) for p in error.problems]) from None


def _sizes(sieves: Sequence[Sieve]) -> list[float]:
    if isinstance(sieves, str) or not isinstance(sieves, Iterable):
        raise InputError([Problem("sieves", repr(sieves), "sieves such as [1, 0.5, 0.25] or ['No. 18', 'No. 35']")])
    findings, sizes = Findings(), []
    for index, sieve in enumerate(sieves):
        try:
            sizes.append(sieve_mm(sieve, name=f"sieves[{index}]"))
        except InputError as error:
            findings.problems += error.problems
    findings.raise_any()
    return sizes


def _numbers(values: Iterable[float], name: str, unit: str) -> list[float]:
    from matledger._arrays import floats

    array: list[float] = floats(list(values), name).tolist()
    wrong = [i for i, value in enumerate(array) if value != value]
    if wrong:
        raise InputError([Problem(f"{name}[{i}]", "nan", f"a number ({unit})") for i in wrong])
    return array


def _made(make: Any) -> _core.Grading:
    try:
        core: _core.Grading = make()
    except InputError as error:
        renamed = [replace(p, place=p.place.replace("sizes_mm", "sieves")) for p in error.problems]
        raise InputError(renamed) from None
    return core


def _with_fines(
    sizes: list[float], finer: list[float], silt: float | None, clay: float | None
) -> tuple[list[float], list[float]]:
    if silt is None or clay is None:
        missing = "silt_percent" if silt is None else "clay_percent"
        raise InputError([Problem(missing, "not given", "both silt and clay, or neither")])
    known = units.parse(silt, "%", name="silt_percent") + units.parse(clay, "%", name="clay_percent")
    if sizes[-1] > 0.0533:
        raise InputError([Problem("sieves", f"{sizes[-1]:g} mm", "a last sieve of 0.053 mm (No. 270) or finer")])
    if abs(known - finer[-1]) > 2:
        expected = f"what fell through the last sieve ({finer[-1]:.1f} %) within 2 %"
        raise InputError([Problem("silt_percent + clay_percent", f"{known:.1f} %", expected)])
    # The sieve says how much is fine; the pipette says how that parts.
    return [*sizes, 0.002], [*finer, finer[-1] * (clay / known if known else 0.0)]


@dataclass(frozen=True, kw_only=True)
class Limit:
    """What a range of sizes may hold.

    Attributes
    ----------
    name
        Name of the range.
    lower_mm, upper_mm
        Its sizes [mm].
    least_percent, most_percent
        Least and most [% of mass]; None for no limit.
    """

    name: str
    lower_mm: float
    upper_mm: float
    least_percent: float | None = None
    most_percent: float | None = None

    def __str__(self) -> str:
        """Say the limit."""
        told = [
            f"{word} {percent:g} %"
            for word, percent in (("at least", self.least_percent), ("at most", self.most_percent))
            if percent is not None
        ]
        return " and ".join(told) or "free"


@dataclass(frozen=True)
class Specification:
    """Limits on a sand that between them say something about every size.

    Parameters
    ----------
    name
        Name, for tables and plots.
    limits
        The limits. Ranges may overlap, as totals do.

    Raises
    ------
    InputError
        For limits outside their domain, or a missing class: sizes about which nothing is said.

    Examples
    --------
    >>> from matledger import Specification
    >>> from matledger.sand import Limit
    >>> own = Specification("own", [Limit(name="fines", lower_mm=0, upper_mm=0.15, most_percent=3)])
    >>> print(own.limits[0])
    at most 3 %
    """

    name: str
    limits: Sequence[Limit]

    def __post_init__(self) -> None:
        """Check the limits against each other."""
        object.__setattr__(self, "limits", tuple(self.limits))
        _ = self.core

    @classmethod
    def usga_root_zone(cls) -> Specification:
        """Root-zone particle table of the USGA.

        References
        ----------
        USGA Recommendations for a Method of Putting Green Construction, table 3, 2004 revision (read as quoted by a
        university extension). The 2018 revision is believed unchanged, from memory.
        """
        limits = [
            Limit(name=name, lower_mm=lower, upper_mm=upper, least_percent=least, most_percent=most)
            for name, lower, upper, least, most in _core.Specification.usga_root_zone().limits
        ]
        return cls("USGA root zone", limits)

    @cached_property
    def core(self) -> _core.Specification:
        """The specification as the core knows it."""
        rows = [(one.name, one.lower_mm, one.upper_mm, one.least_percent, one.most_percent) for one in self.limits]
        return _core.Specification(rows)

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: the core is built again when it is needed."""
        return {name: value for name, value in self.__dict__.items() if name != "core"}


@dataclass(frozen=True)
class SandCheck:
    """A grading held to limits.

    Attributes
    ----------
    sand, specification
        What was held to what.
    """

    sand: Grading
    specification: Specification

    @cached_property
    def rows(self) -> list[tuple[float | None, bool, bool | None]]:
        """Percentage, whether it was measured, and whether the limit is held, for each limit."""
        return self.specification.core.check(self.sand.core)

    @property
    def held(self) -> bool | None:
        """Whether every limit is held; None if that is not known of some and none is broken."""
        verdicts = [held for _, _, held in self.rows]
        if False in verdicts:
            return False
        return None if None in verdicts else True

    def table(self) -> Table:
        """One row a limit."""
        words = {True: "held", False: "broken", None: "not known"}
        columns: dict[str, list[Any]] = {
            "size": [limit.name for limit in self.specification.limits],
            "limit": [str(limit) for limit in self.specification.limits],
            "percent": [percent for percent, _, _ in self.rows],
            "verdict": [words[held] for _, _, held in self.rows],
            "how": [
                _how(None if percent is None else (percent, measured))
                if held is not None or percent is not None
                else "the sieves do not reach; a pipette or hydrometer does"
                for percent, measured, held in self.rows
            ],
        }
        return Table(f"{self.sand.name} against {self.specification.name}", columns, {"percent": ".1f"})

    def in_words(self) -> str:
        """Say the outcome in a sentence or two."""
        limits = self.specification.limits
        broken = [
            f"{limit.name} {percent:.1f} % ({limit})"
            for limit, (percent, _, held) in zip(limits, self.rows, strict=True)
            if held is False
        ]
        unknown = [limit.name for limit, (_, _, held) in zip(limits, self.rows, strict=True) if held is None]
        if broken:
            text = f"{self.sand.name} breaks {len(broken)} of {len(limits)} limits: {'; '.join(broken)}."
        elif unknown:
            text = f"{self.sand.name} breaks no limit that its analysis can tell."
        else:
            text = f"{self.sand.name} holds all {len(limits)} limits."
        return text + (f" Not known: {', '.join(unknown)}." if unknown else "")

    def __repr__(self) -> str:
        return self.in_words()

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


@dataclass(frozen=True)
class Layering:
    """One sand on another.

    Attributes
    ----------
    upper, lower
        The sands.
    finer_above
        Whether the upper one is the finer, by D50.
    d15_ratio, d50_ratio, d85_ratio
        Sizes of the upper over those of the lower [-].
    bridging
        D15 of the coarser over D85 of the finer [-]; at most 8 and the finer holds on the coarser.
    permeability
        D15 of the coarser over D15 of the finer [-]; at least 5 and the coarser drains the finer as gravel does.
    uniformity_factor
        D90 over D15 of the coarser [-]; at most 3 in a drainage layer.
    bridges, drains, uniform
        Whether each of these is met.

    Notes
    -----
    The factors are those of the USGA for a root zone over gravel (2004 revision, read). For sand on sand the first
    tells whether one migrates into the other; that the second is not met is the rule, and wanted.
    """

    upper: Grading
    lower: Grading
    finer_above: bool
    d15_ratio: float
    d50_ratio: float
    d85_ratio: float
    bridging: float
    permeability: float
    uniformity_factor: float
    bridges: bool
    drains: bool
    uniform: bool

    ALIKE = (0.8, 1.25)
    """Ratios of D15, D50 and D85 within which two sands are called alike: our judgement, no source."""

    @property
    def alike(self) -> bool:
        """Whether D15, D50 and D85 all lie within `ALIKE`."""
        low, high = self.ALIKE
        return all(low <= ratio <= high for ratio in (self.d15_ratio, self.d50_ratio, self.d85_ratio))

    def in_words(self) -> str:
        """Say what to expect of the layers."""
        sizes = f"D50 {self.upper.d_mm(50):.2f} mm on {self.lower.d_mm(50):.2f} mm"
        if self.alike:
            return f"{self.upper.name} and {self.lower.name} are alike ({sizes}): no layer is to be expected."
        if self.finer_above:
            text = (
                f"{self.upper.name} is finer than {self.lower.name} ({sizes}): a layer of it holds water above the"
                " boundary until it is nearly saturated."
            )
        else:
            text = (
                f"{self.upper.name} is coarser than {self.lower.name} ({sizes}): a layer of it drains and dries before"
                " the ground below."
            )
        moves = "holds on" if self.bridges else "can wash into"
        return f"{text} The finer {moves} the coarser (bridging factor {self.bridging:.1f}, at most 8)."

    def table(self) -> Table:
        """Ratios and factors, each with its limit."""
        rows = [
            ("D15 upper / lower", self.d15_ratio, ""),
            ("D50 upper / lower", self.d50_ratio, ""),
            ("D85 upper / lower", self.d85_ratio, ""),
            ("bridging: D15 coarser / D85 finer", self.bridging, _met(self.bridges, "at most 8")),
            ("permeability: D15 coarser / D15 finer", self.permeability, _met(self.drains, "at least 5")),
            ("uniformity: D90 / D15 coarser", self.uniformity_factor, _met(self.uniform, "at most 3")),
        ]
        columns = {name: [row[i] for row in rows] for i, name in enumerate(("factor", "value", "drainage layer"))}
        return Table(f"{self.upper.name} on {self.lower.name}", columns, {"value": ".2f"})

    def __repr__(self) -> str:
        return self.in_words()

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


def _met(held: bool, limit: str) -> str:
    return f"{limit}: {'met' if held else 'not met'}"


def filter_d15_mm(base: Grading) -> tuple[float, float]:
    """Least and most D15 [mm] of a filter over a base material.

    Parameters
    ----------
    base
        Sand whose D15 is filtered.

    Raises
    ------
    InputError
        Where the base's sieves do not reach.

    Notes
    -----
    ``D15F > 5 D15B`` for flow; ``D15F < 5 D85B`` and ``D15F < 40 D15B`` so that the base holds.

    References
    ----------
    US Army Corps of Engineers, filter criteria, worked example (read).

    Examples
    --------
    >>> from matledger.sand import Grading, filter_d15_mm
    >>> least, most = filter_d15_mm(Grading("base", [1.5, 0.17], [85, 15]))
    >>> round(least, 2), round(most, 2)
    (0.85, 6.8)
    """
    sizes = [base.d_mm(percent) for percent in (15, 85)]
    missing = [p for p, size in zip((15, 85), sizes, strict=True) if size is None]
    if missing:
        expected = "sieves fine and coarse enough to hold that size between two of them"
        raise InputError([Problem(base.name, f"D{percent} lies beyond the sieves", expected) for percent in missing])
    d15, d85 = (size for size in sizes if size is not None)
    return _core.filter_d15_mm(d15, d85)


def porosity(bulk_density_g_cm3: Quantity, *, particle_density_g_cm3: Quantity = QUARTZ_G_CM3) -> float:
    """Porosity of ground [-]: ``1 - bulk / particle``.

    Parameters
    ----------
    bulk_density_g_cm3
        Bulk density [g/cm3].
    particle_density_g_cm3
        Density of the particles [g/cm3]; that of quartz by default.

    Raises
    ------
    InputError
        For densities that are not above 0, or a bulk density above that of the particles.

    Examples
    --------
    >>> from matledger.sand import porosity
    >>> round(porosity(1.6), 3)
    0.396
    """
    bulk = units.parse(bulk_density_g_cm3, "g/cm3", name="bulk_density_g_cm3")
    particle = units.parse(particle_density_g_cm3, "g/cm3", name="particle_density_g_cm3")
    return _core.porosity(bulk, particle)


def bulk_density_g_cm3(porosity: Quantity, *, particle_density_g_cm3: Quantity = QUARTZ_G_CM3) -> float:
    """Bulk density at a porosity [g/cm3]: ``particle (1 - porosity)``.

    Parameters
    ----------
    porosity
        Porosity [-].
    particle_density_g_cm3
        Density of the particles [g/cm3].

    Raises
    ------
    InputError
        For a porosity outside 0 to 1, or a density that is not above 0.

    Examples
    --------
    >>> from matledger.sand import bulk_density_g_cm3
    >>> round(bulk_density_g_cm3("40 %"), 2)
    1.59
    """
    pores = units.parse(porosity, "1", name="porosity")
    return _core.bulk_density_g_cm3(pores, units.parse(particle_density_g_cm3, "g/cm3", name="particle_density_g_cm3"))


_AMOUNTS = ("retained_g", "cumulative_g", "finer_percent")
_ANALYSIS = (
    column("sand"),
    column("sieve"),
    *(column(name, required=False, may_be_empty=True) for name in _AMOUNTS),
)
_PAN, _SAMPLE = "pan", "sample"


def read_sieve_analyses(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[Grading, ...]:
    """Read sieve analyses.

    Columns: ``sand``, ``sieve`` (mm, ``No. 60``, or the words ``pan`` and ``sample``), and one amount: ``retained_g``
    on the sieve, ``cumulative_g`` on it and all coarser ones, or ``finer_percent``. Masses need a row ``pan`` (what
    fell through), a row ``sample`` (what was sieved), or both.

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

    Returns
    -------
    tuple of Grading
        In the order in which the sands first appear.

    Raises
    ------
    InputError
        With every problem: sieves out of order, masses that do not add up to the sample within 2 %, and the rest.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"sand": "pile", "sieve": ["1 mm", "0.5 mm", "0.25 mm"], "finer_percent": [98, 60, 10]})
    >>> read_sieve_analyses(rows)
    (<Grading 'pile': 3 sieves, 1 to 0.25 mm>,)
    """
    table = read_table(source, _ANALYSIS, renamed=columns, units=units, max_bytes=max_bytes)
    by_sand: dict[str, list[Any]] = defaultdict(list)
    for row in table.rows:
        given = [name for name in _AMOUNTS if row[name] is not None]
        if len(given) != 1:
            table.report(row.number, None, " and ".join(given) or "no amount", f"one of {', '.join(_AMOUNTS)}")
        else:
            by_sand[row["sand"]].append((row.number, row["sieve"], given[0], row[given[0]]))
    read = []
    for sand, rows in by_sand.items():
        try:
            read.append(_analysis(sand, rows))
        except InputError as error:
            for problem in error.problems:
                index = re.search(r"\[(\d+)\]", problem.place)
                sieved = [row for row in rows if row[1].strip().lower() not in (_PAN, _SAMPLE)]
                number = sieved[int(index[1])][0] if index and int(index[1]) < len(sieved) else rows[0][0]
                value = problem.value if index else f"{sand}: {problem.value}"
                table.findings.add(replace(problem, place="", value=value, file=table.name, row=number))
    table.findings.raise_any()
    return tuple(read)


def _analysis(sand: str, rows: Sequence[tuple[int, str, str, float]]) -> Grading:
    special: dict[str, float] = {}
    sieves: list[Sieve] = []
    amounts: list[float] = []
    kinds = {kind for _, _, kind, _ in rows}
    if len(kinds) > 1:
        raise InputError([Problem("", " and ".join(sorted(kinds)), "one kind of amount for a sand")])
    kind = kinds.pop()
    for _, sieve, _, amount in rows:
        word = sieve.strip().lower()
        if word in (_PAN, _SAMPLE):
            special[word] = amount
        else:
            sieves.append(sieve)
            amounts.append(amount)
    if kind == "finer_percent":
        if special:
            raise InputError([Problem("", " and ".join(special), "sieves only, where percentages are given")])
        return Grading(sand, sieves, amounts)
    return Grading.from_retained(
        sand,
        sieves,
        amounts,
        pan_g=special.get(_PAN),
        sample_g=special.get(_SAMPLE),
        cumulative=kind == "cumulative_g",
    )


_LIMITS = (
    column("class"),
    column("lower_mm"),
    column("upper_mm"),
    column("least_percent", required=False, may_be_empty=True),
    column("most_percent", required=False, may_be_empty=True),
)


def read_specification(
    source: Source,
    *,
    name: str,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> Specification:
    """Read a user's own limits.

    Columns: ``class``, ``lower_mm``, ``upper_mm``, ``least_percent``, ``most_percent``; an empty percentage
    is no limit.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    name
        Name of the specification.
    columns
        The source's own name for a column.
    units
        Unit of a column's plain numbers.
    max_bytes
        Largest file that is read.

    Raises
    ------
    InputError
        With every problem found; a missing class is one.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"class": ["fines", "sand"], "lower_mm": [0, 0.15], "upper_mm": [0.15, 2]})
    >>> rows = rows.assign(most_percent=[3, None])
    >>> [str(limit) for limit in read_specification(rows, name="own").limits]
    ['at most 3 %', 'free']
    """
    table = read_table(source, _LIMITS, renamed=columns, units=units, max_bytes=max_bytes)
    table.findings.raise_any()
    limits = [
        Limit(
            name=row["class"],
            lower_mm=row["lower_mm"],
            upper_mm=row["upper_mm"],
            least_percent=row["least_percent"],
            most_percent=row["most_percent"],
        )
        for row in table.rows
    ]
    try:
        return Specification(name, limits)
    except InputError as error:
        raise InputError([replace(problem, file=table.name) for problem in error.problems]) from None


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
            Depth window [mm].
        date
            Day of the work, the sample or the reading.
        """
        masses = self.mineral_kg_m2[window][date]
        return tuple(mass / sum(masses) for mass in masses)

    def grading(self, window: int = 0, date: int = -1) -> Grading:
        """Grading of the mixture in a window on a date.

        Parameters
        ----------
        window
            Depth window [mm].
        date
            Day of the work, the sample or the reading.
        """
        masses = self.mineral_kg_m2[window][date]
        core = _core.Grading.mixed([(sand.core, mass) for sand, mass in zip(self.sands, masses, strict=True)])
        top, bottom = self.windows[window]
        return Grading(f"{top:g} to {bottom:g} mm on {self.dates[date]}", core.sizes_mm, core.finer_percent)

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
    depth_mm: Quantity = 150.0,
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
    mat_depth_mm, depth_mm
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
    deep = units.parse(depth_mm, "mm", name="depth_mm")
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
