"""
A sand against limits
=====================

An invented sieve analysis, the sizes read from it, and the published limits for root-zone sand.
"""

import matledger as mat
from matledger import plots

pile = mat.Grading.from_retained("invented", [2, 1, 0.5, 0.25, 0.15, 0.05], [0, 4, 31, 48, 12, 4], pan_g=1)
limits = mat.Specification.usga_root_zone()
plots.grading([pile], limits)

# %%
print(pile.summary())
print(pile.check(limits))
