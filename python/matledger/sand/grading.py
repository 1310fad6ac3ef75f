"""The grading of a sand, and sieve analyses."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

from matledger import _core, units
from matledger.cells import column
from matledger.errors import InputError, Problem
from matledger.findings import Findings, of_kind, refuse
from matledger.frames import Table
from matledger.tables import MAX_BYTES, Source, read_table
from matledger.units import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matledger.sand.layering import Layering
    from matledger.sand.specification import SandCheck, Specification

__all__ = ["Grading", "Sieve", "how_read", "read_sieve_analyses", "sieve_mm"]

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
    >>> from matledger.sand.grading import sieve_mm
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
            "in the class, %": [None if one is None else one[0] for one in found],
            "how": [how_read(one) for one in found],
        }
        formats = {"lower_mm": "g", "upper_mm": "g", "in the class, %": ".1f"}
        return Table(f"{self.name}: {system} classes", columns, formats)

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
        from matledger.sand.specification import SandCheck

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
        from matledger.sand.layering import Layering

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


def how_read(found: tuple[float, bool] | None) -> str:
    """Say how a percentage was read, if it was."""
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
