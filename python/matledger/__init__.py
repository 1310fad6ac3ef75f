"""Organic matter in putting greens: how much the turf makes, what coring and sanding do, what that costs."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from matledger import _core

if TYPE_CHECKING:
    from matledger.calibration import Calibration, calibrate
    from matledger.comparison import Comparison, compare
    from matledger.course import Course, Green, Method, Settings, Target
    from matledger.course_file import load_course
    from matledger.demo import demo_course
    from matledger.errors import InputError, Problem
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
    from matledger.records import (
        SoilTest,
        WorkRecord,
        read_clippings,
        read_ghcn_daily,
        read_soil_tests,
        read_weather,
        read_work,
    )
    from matledger.reporting import report
    from matledger.simulation import Ledger, Run, simulate
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
    "Calibration",
    "ClippingRecord",
    "Comparison",
    "Coring",
    "Course",
    "DailyClippings",
    "Green",
    "InputError",
    "Interpolate",
    "Ledger",
    "Method",
    "Problem",
    "Programme",
    "Run",
    "SameDayOtherYears",
    "SandInjection",
    "Settings",
    "SiteYield",
    "SoilTest",
    "SolidTining",
    "Target",
    "Tine",
    "Topdressing",
    "VerticalMowing",
    "Weather",
    "WorkRecord",
    "__version__",
    "calibrate",
    "compare",
    "daily_clippings",
    "decay_modifier",
    "degree_days",
    "demo_course",
    "growth_potential",
    "load_course",
    "read_clippings",
    "read_ghcn_daily",
    "read_soil_tests",
    "read_weather",
    "read_work",
    "report",
    "rounds_to_fill",
    "simulate",
    "site_yield",
    "soil_temperature",
    "spreader_passes",
]

__version__ = _core.VERSION

# Modules are imported when a name is first used: numpy alone takes most of what an import may cost.
_HOMES = {
    "calibration": (
        "Calibration",
        "calibrate",
    ),
    "comparison": (
        "Comparison",
        "compare",
    ),
    "course_file": ("load_course",),
    "course": (
        "Course",
        "Green",
        "Method",
        "Settings",
        "Target",
    ),
    "demo": ("demo_course",),
    "errors": (
        "InputError",
        "Problem",
    ),
    "growth": (
        "ClippingRecord",
        "DailyClippings",
        "SiteYield",
        "daily_clippings",
        "site_yield",
    ),
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
    "records": (
        "SoilTest",
        "WorkRecord",
        "read_clippings",
        "read_ghcn_daily",
        "read_soil_tests",
        "read_weather",
        "read_work",
    ),
    "reporting": ("report",),
    "simulation": ("Ledger", "Run", "simulate"),
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
