"""Passes and swaths of a spreader."""

from __future__ import annotations

from matledger import _core, units
from matledger.units import Quantity

__all__ = ["passes_to_fill", "spreader_swaths"]


def passes_to_fill(hole_volume_mm: Quantity, *, fill_fraction: Quantity, sand_mm_per_pass: Quantity) -> int:
    """Count the passes of spreading and dragging that fill the holes.

    Parameters
    ----------
    hole_volume_mm
        Volume of the holes over the whole surface [mm = L/m2], as ``Coring.hole_volume_mm`` says.
    fill_fraction
        Share of it that takes sand [-].
    sand_mm_per_pass
        Packed depth of sand that one pass spreads [mm].

    Returns
    -------
    int
        ``hole_volume_mm * fill_fraction / sand_mm_per_pass``, rounded up.

    Raises
    ------
    InputError
        For a negative volume, a fill fraction outside 0 to 1, or a pass without sand.

    Examples
    --------
    >>> from matledger import Coring, Tine, passes_to_fill
    >>> cores = Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    >>> passes_to_fill(cores.hole_volume_mm, fill_fraction=0.9, sand_mm_per_pass=1)
    4
    """
    return _core.passes_to_fill(
        units.parse(hole_volume_mm, "mm", name="hole_volume_mm"),
        units.parse(fill_fraction, "1", name="fill_fraction"),
        units.parse(sand_mm_per_pass, "mm", name="sand_mm_per_pass"),
    )


def spreader_swaths(*, swath_m: Quantity, green_width_m: Quantity) -> int:
    """Count the swaths of a spreader, side by side, that cover a green.

    Parameters
    ----------
    swath_m
        Width of a swath [m].
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
    >>> from matledger import spreader_swaths
    >>> spreader_swaths(swath_m=4.6, green_width_m="60 ft")
    4
    """
    return _core.spreader_swaths(
        units.parse(swath_m, "m", name="swath_m"), units.parse(green_width_m, "m", name="green_width_m")
    )
