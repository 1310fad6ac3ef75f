"""Invented sites for the benches of studies, made from the demo course."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np

import matledger as mat
from matledger._arrays import Floats

PROFILE = {"base_percent": (1.2, 0.3), "surface_percent": (2.5, 0.4)}
MIDDLE, BETWEEN = 3.0, 0.3
"""Litter ratio of the sites: median and log-sd."""


def few_greens(count: int) -> mat.Course:
    """The demo course with some of its greens and no programmes."""
    base = mat.demo_course()
    return replace(base.only([green.name for green in base.greens[:count]]), programmes=())


def five_seasons() -> mat.Course:
    """The demo course with a fifth season: the weather of 2012 once more, the work and records of 2015."""
    base = mat.demo_course()
    weather = base.weather
    again = weather.dates.astype("datetime64[Y]") == np.datetime64("2012")
    days = weather.dates[again] + (np.datetime64("2016-01-01") - np.datetime64("2012-01-01"))
    longer = mat.Weather(
        np.concatenate([weather.dates, days]),
        np.concatenate([weather.tmin_c, weather.tmin_c[again]]),
        np.concatenate([weather.tmax_c, weather.tmax_c[again]]),
    )

    def moved(date: dt.date) -> dt.date:
        return date.replace(year=2016)

    last = [t for t in base.soil_tests if t.date.year == 2015]
    work = [w for w in base.work if w.date.year == 2015]
    cut = [c for c in base.clippings if c.first_day.year == c.last_day.year == 2015]
    return replace(
        base,
        weather=longer,
        soil_tests=[*base.soil_tests, *(replace(t, date=moved(t.date)) for t in last)],
        work=[*base.work, *(replace(w, date=moved(w.date)) for w in work)],
        clippings=[
            *base.clippings,
            *(replace(c, first_day=moved(c.first_day), last_day=moved(c.last_day)) for c in cut),
        ],
    )


def invented_sites(seed: int, count: int, course: mat.Course) -> tuple[list[mat.Course], Floats]:
    """Sites whose litter ratios scatter around one middle, and those ratios."""
    rng = np.random.default_rng(seed)
    truths = MIDDLE * np.exp(BETWEEN * rng.standard_normal(count))
    sites = []
    for number, truth in enumerate(truths):
        priors = PROFILE | {"litter_ratio": (float(truth), 1e-6)}
        made = mat.invent_tests(course, seed=int(rng.integers(1 << 31)), priors=priors)
        sites.append(replace(made.course, name=f"site {number + 1}"))
    return sites, truths
