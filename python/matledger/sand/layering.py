"""One sand on top of another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from matledger import _core
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.sand.grading import Grading

if TYPE_CHECKING:
    pass

__all__ = ["Layering", "filter_d15_mm"]


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
        Sand that the filter has to hold back.

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
