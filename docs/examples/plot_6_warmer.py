"""
A warmer future, if you state one
=================================

Years to come are drawn from the record. Whoever wants to know what two degrees more would do says so: nothing is
assumed. Both futures are grown from the same draws.
"""

import matplotlib.pyplot as plt
import numpy as np

import matledger as mat

calibration = mat.calibrate(mat.demo_course(), draws=200, seed=1)
axes = plt.subplots(figsize=(8, 4.5), layout="constrained")[1]
for label, shift_c, marker in (("as on record", 0.0, "o"), ("2 degC warmer", 2.0, "s")):
    comparison = mat.compare(
        calibration,
        years=3,
        draws=100,
        weather_sequences=10,
        weather_to_come=mat.WeatherToCome(shift_c=shift_c),
        seed=1,
    )
    left = comparison.course_mean(comparison.om_percent[:, :, -1, comparison.first_sample])
    low, median, high = np.quantile(left, [0.05, 0.5, 0.95], axis=-1)
    places = np.arange(len(comparison.names)) + 0.15 * (shift_c > 0)
    axes.errorbar(places, median, yerr=[median - low, high - median], fmt=marker, capsize=3, label=label)
axes.set_xticks(range(len(comparison.names)), comparison.names, rotation=20, ha="right")
axes.set_ylabel(f"organic matter after three years, {comparison.sample_name(comparison.first_sample)} [%]")
axes.legend()
