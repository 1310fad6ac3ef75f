"""Organic matter in putting greens: how much the turf makes, what coring and sanding do, what that costs."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from matledger import _core

if TYPE_CHECKING:
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

__all__ = [
    "Coring",
    "Programme",
    "SandInjection",
    "SolidTining",
    "Tine",
    "Topdressing",
    "VerticalMowing",
    "__version__",
    "rounds_to_fill",
    "spreader_passes",
]

__version__ = _core.VERSION

# Modules are imported when a name is first used, so that an import stays quick.
_HOMES = {
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
