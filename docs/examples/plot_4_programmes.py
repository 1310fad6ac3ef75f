"""
Programmes side by side
=======================

What each programme of the demo course would leave after three years, and the chance that the target holds. Between
programmes that lie close, the chance of one beating the other is stated too surely: read the notes.
"""

import matledger as mat
from matledger import plots

calibration = mat.calibrate(mat.demo_course(), draws=200, seed=1)
comparison = mat.compare(calibration, years=3, draws=100, weather_sequences=10, seed=1)
plots.programmes(comparison)

# %%
print(comparison.verdict())
for note in comparison.notes:
    print("-", note)
