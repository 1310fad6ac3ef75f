"""Organic matter in putting greens: how much the turf makes, what coring and sanding do, what that costs."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from matledger import _core

if TYPE_CHECKING:
    from matledger.growth import ClippingRecord, DailyClippings, SiteYield, daily_clippings, site_yield
    from matledger.practice import (
        Coring,
        Programme,
        SandInjection,
        SolidTining,
        Tine,
        Topdressing,
        VerticalMowing,
        rounds_to_fill,
        spreader_passes,
    )
    from matledger.weather import (
        Interpolate,
        SameDayOtherYears,
        Weather,
        decay_modifier,
        degree_days,
        growth_potential,
        soil_temperature,
    )

__all__ = [
    "ClippingRecord",
    "Coring",
    "DailyClippings",
    "Interpolate",
    "Programme",
    "SameDayOtherYears",
    "SandInjection",
    "SiteYield",
    "SolidTining",
    "Tine",
    "Topdressing",
    "VerticalMowing",
    "Weather",
    "__version__",
    "daily_clippings",
    "decay_modifier",
    "degree_days",
    "growth_potential",
    "rounds_to_fill",
    "site_yield",
    "soil_temperature",
    "spreader_passes",
]

__version__ = _core.VERSION

# Modules are imported when a name is first used: numpy alone takes most of what an import may cost.
_HOMES = {
    "growth": ("ClippingRecord", "DailyClippings", "SiteYield", "daily_clippings", "site_yield"),
    "practice": (
        "Coring",
        "Programme",
        "SandInjection",
        "SolidTining",
        "Tine",
        "Topdressing",
        "VerticalMowing",
        "rounds_to_fill",
        "spreader_passes",
    ),
    "weather": (
        "Interpolate",
        "SameDayOtherYears",
        "Weather",
        "decay_modifier",
        "degree_days",
        "growth_potential",
        "soil_temperature",
    ),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'matledger' has no attribute {name!r}")
    value = getattr(import_module(f"matledger.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOME})
