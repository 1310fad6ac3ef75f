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
# # From your folder to the committee's page
#
# You core and sand the greens. The committee wants to know whether that is enough, what it costs, and how many days of
# play it takes. This notebook answers from your own records. Change the folder in the first cell and run it again.
#
# *The course shown here is invented. Its weather is the public-domain NOAA record of Seattle, 2012 to 2015.*

# %%
import tempfile
from base64 import b64encode
from pathlib import Path

import matplotlib.pyplot as plt
from IPython.display import IFrame, Markdown

import matledger as mat
from matledger import plots
from matledger.budget_files import write_budget
from matledger.demo import demo_folder

folder = demo_folder()  # yours: folder = "my-course", which `matledger new my-course` makes for you
units = "metric"  # or "us"
course = mat.load_course(folder)
course

# %% [markdown]
# ## What do the soil tests say?
#
# Marks are your soil tests. The line is what the model makes of them; the band is how unsure it is. Each grey line is a
# coring.

# %%
calibration = mat.calibrate(course, seed=1)
plots.over_time(calibration, units=units)
plt.show()

# %% [markdown]
# ## What does your work cost, and who plays when?
#
# Put in your own prices and rounds. Every figure in this cell is invented.

# %%
prices = mat.Prices(
    currency="EUR",
    crew_per_h=25,  # an hour of one person
    machine_per_h={"corer": 40, "vehicle": 15, "spreader": 30},  # an hour of each machine
    sand_per_t=40,  # a tonne of moist sand
    load=120,  # bringing one load
    round=50,  # a round of golf
)
play = mat.Play(
    rounds_a_week=[50, 60, 150, 250, 320, 350, 350, 340, 280, 180, 80, 50],  # January to December
    lost_share=0.1,  # of the rounds while greens recover
)

# %% [markdown]
# ## Which programme holds the line?
#
# Each programme of the folder is run five years on, many times over: with other weather, and with every value that your
# tests leave open. The chance is how often all greens end at or below your limit.

# %%
comparison = mat.compare(calibration, years=5, prices=prices, play=play, seed=1)
plots.programmes(comparison, units=units)
plt.show()
Markdown(f"**{comparison.verdict(units)}**")

# %%
comparison.by_green(units).to_pandas().pivot(index="green", columns="programme", values="P(target)").round(2)

# %% [markdown]
# A green far below the others decides for all of them. It may need a programme of its own: `mat.search` and its
# `by_green` find one within your sand and your closed days.

# %% [markdown]
# ## When is the best week to core?
#
# A week in high summer heals fast but takes many rounds; a week in winter takes few rounds and heals slowly. No other
# week beats these in both. The choice stays yours.

# %%
cores = comparison.openings(0)[0][1]
weeks = mat.rank_dates(
    course, cores, recovery=comparison.recovery, play=play, no_work=["1 July to 14 July"], units=units
)
table = weeks.ranked.to_pandas()
table[table["none beats"] == "yes"].drop(columns="none beats").round(2)

# %%
plots.back_in_play(comparison, comparison.names[0])
plt.show()

# %% [markdown]
# ## Try something else
#
# In JupyterLab, `mat.explore(calibration, prices=prices, play=play)` puts up sliders for the tine, its spacing and
# depth, corings a year and sand; every green follows as you move them. `explorer.programme` is then the one to compare:

# %%
lighter = mat.Programme(
    "twice 9.5 mm, more sand",
    [
        (
            "second Monday of April and of September",
            [
                mat.Coring(tine=mat.Tine(inside_diameter_mm=9.5), spacing_mm=(50, 50), depth_mm=60),
                mat.Topdressing(sand_mm=1.4, passes=3),
            ],
        ),
        ("every 10 days from 1 May to 30 September", [mat.Topdressing(sand_mm=0.3)]),
    ],
)
comparison = mat.compare(calibration, [*course.programmes, lighter], years=5, prices=prices, play=play, seed=1)
Markdown(f"**{comparison.verdict(units)}**")

# %% [markdown]
# ## The page for the committee, and the budget
#
# One page with the question, the answer, the chance that it works and what it costs beside what you do now; the
# evidence follows it. Name the file `plan.pdf` for a PDF. The budget opens in a spreadsheet and adds itself up.

# %%
out = Path(tempfile.mkdtemp())  # yours: out = Path("my-course")
page = mat.report(comparison, out / "plan.html", units=units, present=course.programmes[0].name)
assert comparison.budget is not None  # the course has prices
budget = write_budget(comparison.budget, out / "budget.xlsx")
IFrame(f"data:text/html;base64,{b64encode(page.read_bytes()).decode()}", width=900, height=1100)

# %% [markdown]
# Before you act on it: read *How sure this is* and *Cautions* at the end of that page. Two programmes within a few
# chances in a hundred are a draw. Local codes, product labels and licensed practice come first.
