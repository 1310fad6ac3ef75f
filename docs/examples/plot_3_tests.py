"""
What soil tests teach
=====================

The demo course, fitted quickly. The band is what the model believes once it has seen the tests.
"""

import matledger as mat
from matledger import plots

calibration = mat.calibrate(mat.demo_course(), draws=200, seed=1)
plots.over_time(calibration)

# %%
# Some unknowns were learnt, others stayed as they were believed before any test:

print(*calibration.notes, sep="\n")
