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
# # Two programmes, four sites, five seasons
#
# Half of every green is kept by one programme, half by another, at four sites for five seasons. This notebook goes from
# the table of tests to the figure and table of a paper, sets a plain mixed model beside the mechanistic one, and asks
# how large the next study has to be.
#
# *Sites, tests and the truth behind them are invented: the model draws a truth for each site, and tests scatter around
# it. The weather is the public-domain NOAA record of Seattle, 2012 to 2015, and years drawn from it.*

# %%
from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

import matledger as mat

SITES, SEASONS, CORE_SD, CORES = 4, 5, 0.5, 8
course = mat.demo_course()
programmes = course.programmes[:2]
first, second = (programme.name for programme in programmes)
believed = {"litter_ratio": (2.5, 0.25), "base_percent": (1.2, 0.3), "surface_percent": (2.5, 0.3)}
invented = [mat.invent_tests(course, seed=seed, priors=believed) for seed in range(SITES)]
courses = [replace(one.course, name=f"site {number + 1}") for number, one in enumerate(invented)]

# %% [markdown]
# ## The sites' records, fitted together
#
# Before the study each site has tests of its own. They are fitted together: litter ratios are pooled, so that a site
# with few tests leans on the others. What is asked of the fit is how two programmes differ, so it is `nested`:
# Laplace's approximation, which is quicker, makes such intervals too narrow.

# %%
fit = mat.fit_sites(courses, method="nested", draws=400, seed=1)
fit.litter_ratios()

# %% [markdown]
# ## The study
#
# The truth of each site runs forward under both programmes; a test of eight cores is taken from each half of each green
# at the end of each season.

# %%
rng = np.random.default_rng(11)
tables = []
for one, site in zip(invented, courses, strict=True):
    truth = replace(mat.calibrate(site, priors=believed, draws=2), coordinates=np.tile(one.coordinates, (2, 1)))
    run = mat.compare(truth, programmes, years=SEASONS, draws=2, weather_sequences=1, seed=5).to_xarray()
    sample = str(run["sample"].values[0])
    true = run["om_percent"].sel(sample=sample).isel(draw=0, date=slice(1, None)).to_dataframe().reset_index()
    tables.append(
        pd.DataFrame(
            {
                "site": site.name,
                "green": true["green"],
                "block": "halves",
                "treatment": true["programme"],
                "season": pd.to_datetime(true["date"]).dt.year,
                "top_mm": 0,
                "bottom_mm": 20,
                "method": "LOI 360",
                "om_percent": true["om_percent"] + rng.normal(0, CORE_SD / np.sqrt(CORES), len(true)),
            }
        )
    )
table = pd.concat(tables)
study = mat.read_study(table)
study

# %% [markdown]
# ## What a plain mixed model says

# %%
analysis = mat.analyse(study)
analysis

# %% [markdown]
# ## The figure
#
# Each panel is a site: the mean difference over its greens, season by season. The band is the forecast that the fit
# of all sites made before the study began; tests scatter around it too.

# %%
wide = table.pivot_table(index=["site", "season"], columns="treatment", values="om_percent")
seen = (wide[first] - wide[second]).unstack("site")
figure, axes = plt.subplots(1, SITES, figsize=(11, 3.2), sharey=True)
forecast = []
for ax, (name, pooled) in zip(axes, fit.sites.items(), strict=True):
    run = mat.compare(pooled, programmes, years=SEASONS, draws=400, seed=5).to_xarray()
    om = run["om_percent"].isel(sample=0, date=slice(1, None))
    difference = (om.sel(programme=first) - om.sel(programme=second)).mean("green")
    low, middle, high = difference.quantile([0.05, 0.5, 0.95], dim="draw").values
    forecast.append(difference.mean("date").values)
    ax.fill_between(seen.index, low, high, alpha=0.25, color="tab:green")
    ax.plot(seen.index, middle, color="tab:green", label="forecast, 90 %")
    ax.plot(seen.index, seen[name], "o", color="black", label="measured")
    ax.axhline(0, color="grey", lw=0.8)
    ax.set(title=name, xlabel="season", xticks=list(seen.index))
    ax.tick_params(axis="x", rotation=60)
axes[0].set_ylabel("difference, % OM")
axes[0].legend(frameon=False, fontsize=8)
figure.suptitle(f"{first} less {second}, mean over greens", fontsize=10)
figure.tight_layout()
plt.show()

# %% [markdown]
# ## The table
#
# Mean difference over the five seasons. Mixed model: the tests of the study alone; its interval is for sites like
# these, and four of them say little. Mechanistic: the forecast from the records before it, for these four sites; draws
# of sites fitted together belong together, so that their mean can be taken draw by draw. The mixed model knows nothing
# of sand and cores and so needs no prior; the mechanistic one could speak before the first test of the study, at each
# site.

# %%
contrast = analysis.treatment_contrasts[0]
sign = 1 if contrast.name == f"{first} - {second}" else -1
low, high = sorted((sign * contrast.low, sign * contrast.high))
rows = [("mixed model, all sites", sign * contrast.value, low, high)]
forecasts = dict(zip(fit.sites, forecast, strict=True)) | {"mean of these sites": np.mean(forecast, axis=0)}
rows += [(f"mechanistic, {name}", *np.quantile(own, [0.5, 0.05, 0.95])) for name, own in forecasts.items()]
pd.DataFrame(rows, columns=["analysis", "difference, % OM", "5 %", "95 %"]).round(3)

# %% [markdown]
# ## The next study
#
# Variances of this study say how many sites, greens and seasons would find a difference half as large.

# %%
found = dict(analysis.variances)
variances = mat.StudyVariances(
    core_sd_percent=CORE_SD,
    green_sd_percent=found.get("green", 0.0) ** 0.5,
    plot_sd_percent=found.get("unit", 0.0) ** 0.5,
    site_sd_percent=found.get("site", 0.0) ** 0.5,
    site_difference_sd_percent=(2 * found.get("site by treatment", 0.0)) ** 0.5,
)
prices = mat.SamplingPrices(test=25, core=1, visit=120, plot_season=40)
designs = [
    mat.StudyDesign(sites=sites, greens=greens, blocks=1, seasons=seasons, cores=CORES)
    for sites, greens, seasons in ((4, 3, 2), (4, 9, 2), (8, 3, 2), (12, 3, 2), (12, 3, 4))
]
mat.weigh_designs(designs, variances, prices, difference_percent=abs(contrast.value) / 2, trials=1000)

# %% [markdown]
# Prices are invented. More greens at the same sites help little once sites differ in how much the programmes differ:
# what is paid for is sites.
