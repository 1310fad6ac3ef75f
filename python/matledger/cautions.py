"""Where the work can hurt someone: the usual cautions, each with its standard."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CAUTIONS", "CITED", "FIRST", "Caution"]

FIRST = "Local codes, product labels and licensed practice come first; these notes do not replace them."
CITED = "Standards are those of the United States. Some are cited from memory: check the current text."


@dataclass(frozen=True)
class Caution:
    """One hazard of coring and sanding.

    Attributes
    ----------
    hazard
        What can hurt.
    advice
        What is usually done about it.
    standard
        The standard behind it (United States).
    """

    hazard: str
    advice: str
    standard: str


CAUTIONS = (
    Caution(
        "silica dust",
        "Dry sand and core dust hold respirable quartz. Keep sand damp while it is handled, stand upwind, wear the"
        " respirator that the exposure asks for. Limit 50 ug/m3 over 8 hours, action level 25 ug/m3. Keep the sand's"
        " safety data sheet at hand.",
        "29 CFR 1926.1153, 29 CFR 1910.1053, 29 CFR 1910.1200",
    ),
    Caution(
        "tines and power take-off",
        "Guards and shields stay on; stop, lock out and wait before clearing tines, blades or spreaders.",
        "29 CFR 1928.57, 29 CFR 1910.147",
    ),
    Caution(
        "buried lines",
        "Mark heads, valves, wires and drains before coring. Public locating marks utility-owned lines only: private"
        " irrigation, control and electric lines need the site's own plan or a private locator.",
        "29 CFR 1926.651(b)",
    ),
    Caution(
        "noise",
        "Hearing protection and a hearing programme from 85 dBA over 8 hours; limit 90 dBA.",
        "29 CFR 1910.95",
    ),
    Caution(
        "lifting",
        "Wet cores and sand are heavy: small loads, two people or a cart. 23 kg (51 lb) is the reference load at best"
        " posture.",
        "NIOSH lifting equation, DHHS 94-110",
    ),
    Caution(
        "heat",
        "Water, rest and shade; the work often falls into warm weeks.",
        "OSHA General Duty Clause 5(a)(1)",
    ),
)
"""Cautions that belong on every page that plans work."""
