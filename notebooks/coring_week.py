# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # One coring week
#
# Nine greens are cored on Monday 13 April 2015. Before it the sand is chosen and ordered; on the day the crew needs a
# plan; during the week holes are probed, and in the weeks after it the cover is read. Each of these ends up in the next
# calibration or the next decision.
#
# *The course, the sands and every reading are invented. The weather is the public-domain NOAA record of Seattle, 2012
# to 2015.*

# %%
import datetime as dt
import tempfile
from base64 import b64encode
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
from IPython.display import IFrame, Markdown, display

import matledger as mat
from matledger import plots
from matledger.work_day import Pace

course = mat.demo_course()
monday = dt.date(2015, 4, 13)
programme = course.programmes[0]
work = [(event.date, event.work) for event in programme.calendar("2015-04-01", "2015-10-31")]
[str(piece) for date, piece in work if date == monday]

# %% [markdown]
# ## The sand
#
# Two sands are on offer. What lies in the ground was sieved too. Masses are those on each sieve; they have to add up to
# the sample within 2 %.

# %%
sieves = ["No. 6", "No. 10", "No. 18", "No. 35", "No. 60", "No. 100", "No. 270"]


def sieved(name, retained_g, pan_g, silt, clay):
    return mat.Grading.from_retained(
        name, sieves, retained_g, pan_g=pan_g, sample_g=100, silt_percent=silt, clay_percent=clay
    )


ground = sieved("ground", [0.0, 1.2, 7.1, 36.4, 42.0, 9.1, 3.0], 1.2, 0.8, 0.4)
river = sieved("river sand", [0.0, 0.1, 4.0, 33.5, 50.2, 9.4, 2.2], 0.6, 0.4, 0.2)
dune = sieved("dune sand", [0.0, 0.0, 0.5, 11.8, 53.0, 26.6, 6.9], 1.1, 0.8, 0.3)
limits = mat.Specification.usga_root_zone()

plots.grading([ground, river, dune], limits)
plt.show()

# %%
for sand in (river, dune):
    display(sand.check(limits))
    print(sand.check(limits).in_words())
    print(sand.over(ground).in_words())

# %% [markdown]
# The dune sand breaks limits and is finer than the ground. The river sand is bought. What would four years of it do to
# the mixture in the top 20 mm? The engine carries every gram of mineral with the name of its sand.

# %%
heat = mat.degree_days(course.weather.tmin_c, course.weather.tmax_c, lower_c=0)
modifier = mat.decay_modifier((course.weather.tmin_c + course.weather.tmax_c) / 2)
dated = [(record.date, record.work) for record in course.work_of("Brook")]
mixture = mat.sand_in_ground(
    ground,
    river,
    start=course.weather.start,
    clippings_g_m2=np.asarray(heat) * 0.03,
    decay_modifier=modifier,
    work=dated,
    read_on=[dt.date(year, 12, 31) for year in (2012, 2013, 2014, 2015)],
    windows=[(0, 20), (20, 60)],
)
display(mixture.table())
display(mixture.account())
plots.grading([ground, mixture.grading(window=0, date=-1), river], limits)
plt.show()

# %% [markdown]
# ## The order
#
# Loads of 15 t, 5 % moist, 3 % lost on the way, 6 t in the shed. Holes take sand first; the rest lies on the surface.

# %%
order = mat.order_sand(course.greens, work, buying=mat.Buying(load_t=15, sand_waste_share=0.03, stock_dry_t=6))
print(f"{order.sand_dry_t:.1f} t dry, {order.loads} loads")
order.table()

# %% [markdown]
# ## The day
#
# Seven people, two machines for coring. Paces are our judgement where the crew gives none of its own, and the page says
# so.

# %%
crew = mat.Crew(
    people=7,
    start=dt.time(6, 0),
    paces={"core": Pace(m2_per_h=900, teams=2), "rake": Pace(m2_per_h=1400, people=2)},
)
day = mat.plan_day(course.greens, work, monday, crew=crew)
page = day.to_html(Path(tempfile.mkdtemp()) / "work-day.html")
print(day)
IFrame(f"data:text/html;base64,{b64encode(page.read_bytes()).decode()}", width=820, height=1000)

# %% [markdown]
# Before the first green the spreader is driven over four pans of 0.1 m2.

# %%
print(
    mat.check_spreader([99, 104, 93, 108], pan_m2=0.1, intended_g_m2=day.greens[0].pass_g_m2, sand_moisture_share=0.05)
)

# %% [markdown]
# ## The holes
#
# A dozen holes are probed on each of three greens. Tines were 90 mm long.

# %%
stream = np.random.default_rng(4)
probes = [
    mat.ProbeReading(green=green, date=monday, depth_mm=round(float(depth)), tine_length_mm=90)
    for green, mean in (("Fen", 71), ("Ridge", 57), ("Brook", 67))
    for depth in np.minimum(stream.normal(mean, 4.5, 12), 90)
]
verdicts = mat.depth_verdicts(probes, 70)
plots.hole_depths(probes, verdicts)
plt.show()
print("\n".join(verdict.in_words() for verdict in verdicts))

# %% [markdown]
# Ridge is too shallow: its ground is harder. What was probed goes into the past work, and what was seen of the filling
# into the prior of the fill fraction. The calibration then starts from what was done and not from what was meant.

# %%
fillings = [
    mat.FillReading(green=green, date=monday, hole_depth_mm=70, empty_mm=empty)
    for green, row in (("Fen", (8, 15, 11)), ("Ridge", (20, 12, 17)), ("Brook", (9, 14, 18)))
    for empty in row
]
prior = mat.fill_prior(fillings)
probed = mat.with_probe_readings(course, probes)
before, after = mat.calibrate(course, draws=200), mat.calibrate(probed, draws=200, priors={"fill_fraction": prior})


def fill_of(calibration):
    values = calibration.draws[:, calibration.names.index("fill_fraction")]
    return f"{np.median(values):.2f} ({np.quantile(values, 0.05):.2f} to {np.quantile(values, 0.95):.2f})"


Markdown(f"Fill fraction before the readings {fill_of(before)}, after them {fill_of(after)}.")

# %% [markdown]
# ## The weeks after
#
# Cover is read on one green. Readings update how fast the turf heals here, and with it the day on which it is back.

# %%
records = [
    mat.CoverRecord(green="Brook", date=monday + dt.timedelta(days=days), cover_percent=cover)
    for days, cover in ((4, 52), (9, 71), (15, 85))
]
readings = mat.cover_readings(course, records)
cores = readings[0].work
for turf in (mat.healing(course), mat.healing(course, readings=readings)):
    print(mat.back_in_play(turf, cores, monday).in_words())
plots.cover(turf, cores, monday, readings)
plt.show()

# %% [markdown]
# Infiltration was read with a ring, three times before the work and twice after it.

# %%
rings = [
    mat.RingReading(green="Brook", date=monday + dt.timedelta(days=days), rate_mm_h=rate)
    for days, rate in ((-3, 74), (-3, 58), (-2, 66), (4, 121), (4, 98))
]
entry = mat.estimate_infiltration(cores, monday, om_percent=4.2, rings=rings)
print(entry.in_words())
plots.infiltration(entry)
plt.show()
