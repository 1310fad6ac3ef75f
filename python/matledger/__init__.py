"""Organic matter in putting greens: how much the turf makes, what coring and sanding do, what that costs."""

from matledger._core import VERSION as __version__  # noqa: N811
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
from matledger.simulate import Run, simulate

__all__ = [
    "Coring",
    "Programme",
    "Run",
    "SandInjection",
    "SolidTining",
    "Tine",
    "Topdressing",
    "VerticalMowing",
    "__version__",
    "rounds_to_fill",
    "simulate",
    "spreader_passes",
]
