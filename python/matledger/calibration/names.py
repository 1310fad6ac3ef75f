"""Names of a fit's unknowns: a variable's, with the green, year or method that it belongs to in brackets."""

from __future__ import annotations

from dataclasses import replace

from matledger.units import System
from matledger.variables import Variable, variable

__all__ = ["GREEN_UNKNOWNS", "is_shared", "meaning", "parts", "unknown"]

GREEN_UNKNOWNS = ("litter_ratio", "base_percent", "surface_percent")
"""Unknowns that each green has of its own, around the site's."""
_OPTIONAL = ("depth_correlation", "annual_clippings_g_m2", "clipping_record_sd")
"""Unknowns that only some fits have."""
_LABELLED = {
    "clipping_multiplier": "clippings per degree day of {}, divided by the site's",
    "method_offset_percent": "what {} reads above {}",
}


def parts(name: str) -> tuple[str, str]:
    """Return the variable of an unknown, and its green, year or method, or nothing.

    >>> parts("clipping_multiplier[2012]"), parts("litter_ratio")
    (('clipping_multiplier', '2012'), ('litter_ratio', ''))
    """
    stem, _, label = name.removesuffix("]").partition("[")
    return stem, label


def is_shared(name: str) -> bool:
    """Whether an unknown is one of all greens.

    >>> is_shared("litter_ratio"), is_shared("clipping_multiplier[2012]"), is_shared("litter_ratio[Green 1]")
    (True, True, False)
    """
    stem, label = parts(name)
    return not label or stem not in GREEN_UNKNOWNS


def unknown(name: str, reference: str) -> Variable:
    """What an unknown is; that of one year or method says which, and above which reference method."""
    stem, label = parts(name)
    if stem in _OPTIONAL:
        return variable(stem, "unknown")
    if stem in _LABELLED:
        return replace(variable(stem), long_name=_LABELLED[stem].format(label, reference))
    return variable(stem, "green" if label else "")


def meaning(name: str, reference: str, units: System) -> str:
    """What an unknown means, in a reader's words."""
    said = unknown(name, reference).long_name
    return said.replace("15 degC", "59 degF") if units == "us" else said
