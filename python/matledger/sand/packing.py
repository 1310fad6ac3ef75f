"""How densely a sand lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matledger import _core, units
from matledger.units import Quantity

if TYPE_CHECKING:
    pass

__all__ = ["QUARTZ_G_CM3", "bulk_density_g_cm3", "porosity"]

QUARTZ_G_CM3 = 2.65
"""Particle density of quartz (g/cm3; read)."""


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
