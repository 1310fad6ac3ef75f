"""
The same coring, three rates of sand
====================================

One column, run forward with the medians of the priors: no soil test has been asked yet. Sand thins what grows; it takes
nothing away.
"""

import datetime as dt

import matplotlib.pyplot as plt
import numpy as np

import matledger as mat

days = 6 * 365 + 1
season = np.arange(days) % 365
clippings = np.where((season > 90) & (season < 300), 1.2, 0.0)  # g/m2 a day, invented
coring = mat.Coring(tine=mat.Tine(inside_diameter_mm="1/2 in"), spacing_mm=("2 in", "2 in"), depth_mm=75)


def programme(dusting_mm):
    """Core once in spring and fill the holes; dust every second week of the season."""
    work = []
    for year in range(2020, 2025):
        work += [(dt.date(year, 4, 15), coring), (dt.date(year, 4, 15), mat.Topdressing(sand_mm=6))]
        if dusting_mm:
            dusting = mat.Topdressing(sand_mm=dusting_mm)
            work += [(dt.date(year, 5, 1) + dt.timedelta(days=14 * turn), dusting) for turn in range(10)]
    return work


run = mat.simulate(
    start="2020-01-01",
    clippings_g_m2=clippings,
    decay_modifier=np.full(days, 0.8),
    work={f"{dusting_mm:g} mm": programme(dusting_mm) for dusting_mm in (0, 0.4, 0.8)},
    windows=[(0, 20)],
    read_on=[f"{year}-{month:02}-01" for year in range(2020, 2026) for month in (1, 4, 7, 10)],
)

axes = plt.subplots(figsize=(8, 4.5), layout="constrained")[1]
for name, percent, marker in zip(run.programmes, run.om_percent[:, 0], "os^", strict=True):
    axes.plot(run.dates, percent, marker=marker, markersize=4, label=name)
axes.set_ylabel("organic matter in 0 to 20 mm [%]")
axes.legend(title="sand of a dusting")

# %%
# What became of it all is in the ledger:

print(run.ledger_in_words())
