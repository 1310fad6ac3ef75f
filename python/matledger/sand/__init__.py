"""Sand: sieve analyses, limits on them, one sand on another, and what years of a sand do to the ground."""

from matledger.sand.grading import Grading, read_sieve_analyses
from matledger.sand.layering import Layering, filter_d15_mm
from matledger.sand.mixture import Mixture, sand_in_ground
from matledger.sand.packing import bulk_density_g_cm3, porosity
from matledger.sand.specification import Limit, SandCheck, Specification, read_specification

__all__ = [
    "Grading",
    "Layering",
    "Limit",
    "Mixture",
    "SandCheck",
    "Specification",
    "bulk_density_g_cm3",
    "filter_d15_mm",
    "porosity",
    "read_sieve_analyses",
    "read_specification",
    "sand_in_ground",
]
