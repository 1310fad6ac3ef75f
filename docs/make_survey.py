"""Simulate a population of greens like those of a survey, and put its correlations beside the published ones.

Run it to rewrite ``docs/survey.md``. The practice of every green is invented; how much more those core and sand who
have more organic matter is varied. The row of need -0.4 was added after the first results had been seen.
"""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import numpy as np

import matledger as mat
from matledger._arrays import Floats
from matledger.practice import Work

PAGE = Path(__file__).with_name("survey.md")
VALUES = Path(__file__).parents[1] / "tests" / "checks" / "trials.csv"
COURSES, GREENS = 74, 3
YEARS = 8
NEEDS = (-0.4, 0.0, 0.4, 0.8)
"""Correlation, over courses, of the wish to core and sand with the log of what the ground gains in litter."""
SEEDS = range(10)
METRICS = ("r(OM 0-1in, sand rate)", "r(OM, N rate)", "r(OM, coring freq)", "OM mean 0-25 mm", "OM mean 25-51 mm")
CORES = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
MONTHS = ((), (9,), (4, 9), (4, 6, 9))
NITROGEN_POWER = 0.5
TEST_SD_PERCENT = 0.3


def published() -> dict[str, float]:
    """Means and correlations of the survey."""
    with VALUES.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["trial_id"] == "LINDE2022"]
    return {f"{row['metric']} {row['sample_layer']}".strip(): float(row["value"]) for row in rows}


def year(today: int, corings: int, sand_mm: float) -> list[tuple[dt.date, Work]]:
    """Corings, each with three shares of the year's sand, and six light dressings of one share."""
    share = sand_mm / (3 * corings + 6)
    light, full = mat.Topdressing(sand_mm=share), mat.Topdressing(sand_mm=3 * share)
    work: list[tuple[dt.date, Work]] = [(dt.date(today, month, 20), light) for month in (4, 5, 6, 7, 8, 9)]
    for month in MONTHS[corings]:
        work += [(dt.date(today, month, 10), CORES), (dt.date(today, month, 10), full)]
    return sorted(work, key=lambda item: item[0])


def population(need: float, *, seed: int, courses: int = COURSES) -> dict[str, Floats]:
    """Organic matter of two windows [%] and a year's corings, sand [mm] and relative nitrogen of every green."""
    rng = np.random.default_rng(seed)
    days = np.arange(np.datetime64("2014-01-01"), np.datetime64(f"{2014 + YEARS}-01-01"))
    mean_c = 11 - 13 * np.cos(2 * np.pi * ((days - days[0]).astype(float) - 20) / 365.25)
    heat = mat.degree_days(mean_c - 5.5, mean_c + 5.5, lower_c=0)
    modifier = mat.decay_modifier(mat.soil_temperature(mean_c, lag_days=5))
    found: dict[str, list[float]] = {name: [] for name in ("top", "below", "corings", "sand", "nitrogen")}
    for _ in range(courses):
        litter, yielded, fed, wish, own = rng.standard_normal(5)
        log_litter, log_yield = 0.6 * litter, 0.3 * yielded
        gain = (log_litter + log_yield) / np.hypot(0.6, 0.3)
        eager = need * gain + np.sqrt(1 - need**2) * wish
        corings = int(np.searchsorted((-1.5, 0.0, 1.5), eager + 0.5 * rng.standard_normal()))
        sand_mm = 4 * float(np.exp(0.5 * (0.8 * eager + 0.6 * own)))
        nitrogen = float(np.exp(0.3 * fed))
        work = [item for n in range(YEARS) for item in year(2014 + n, corings, sand_mm)]
        clippings = 170 * np.exp(log_yield) * nitrogen**NITROGEN_POWER * heat / heat.sum() * YEARS
        run = mat.simulate(
            start="2014-01-01",
            clippings_g_m2=clippings,
            decay_modifier=modifier,
            work=work,
            unknowns={
                "litter_ratio": 3 * np.exp(log_litter + 0.2 * rng.standard_normal(GREENS)),
                "base_percent": 1.2 * np.exp(0.3 * rng.standard_normal(GREENS)),
                "surface_percent": 2.5 * np.exp(0.4 * rng.standard_normal(GREENS)),
                "fill_fraction": np.full(GREENS, 0.6),
            },
            windows=((0, 25), (25, 51)),
            read_on=[f"{2013 + YEARS}-11-01"],
            stretch_days=30,
            keep=("om_percent",),
            keep_ledger="none",
        )
        tests = run.om_percent.reshape(GREENS, 2) + TEST_SD_PERCENT * rng.standard_normal((GREENS, 2))
        found["top"] += tests[:, 0].tolist()
        found["below"] += tests[:, 1].tolist()
        for name, value in (("corings", corings), ("sand", sand_mm), ("nitrogen", nitrogen)):
            found[name] += [float(value)] * GREENS
    return {name: np.array(values) for name, values in found.items()}


def summary(greens: dict[str, Floats]) -> Floats:
    """Correlation of the top window with sand, nitrogen and corings, and the mean of both windows [%]."""
    related = [float(np.corrcoef(greens["top"], greens[name])[0, 1]) for name in ("sand", "nitrogen", "corings")]
    return np.array([*related, greens["top"].mean(), greens["below"].mean()])


PROSE = """# A survey of greens

LINDE2022 correlated organic matter with practice over 221 greens of 74 courses (read in the abstract; values in
`tests/checks/trials.csv`). A correlation over greens mixes what coring and sand do with who cores and sands, so a model
can only be held to it together with a belief about people.
Here {courses} courses of {greens} greens each are simulated for
{years} years; every number of their practice is invented, and how much more those core and sand who have more organic
matter to fight ("need") is varied. No number of the simulation was chosen by the published values, but one row was:
need -0.4 was added after the first results had been seen to miss. Read it as a look at what it would take, not as a
test. `python docs/make_survey.py` writes this page.

Mean of {populations} populations (least to most):

{table}

{verdict}
## What was assumed

Litter ratio and yield differ between courses with log-sd 0.6 and 0.3 (the first is what the prior holds of one site,
the second narrower than its 0.5; judgement, not measured spreads), greens of a course by 0.2. Corings a year are 0 to
3, of 12.7 mm holes every 50 mm and 75 mm deep; the year's sand is 4 mm in the median (log-sd 0.5), one share on each
of six light dressings and three on each coring. One wish to do more leads both. "Need" is the correlation of that
wish with the log of what the ground gains. Nitrogen is given without regard to need and moves the yield with the
power 0.5 (judgement). Holes are filled to 0.6 as long as sand lasts; weather is a smooth year with means of -2 and 24
degC in the coldest and warmest month (from memory); tests have an error of 0.3 % OM. """

VERDICT = """## The misses, and what they say

- **Who cores decides.** We expected that those with more to fight core and sand more (need +0.4). Then both
  correlations come out too high: sand near 0 where -0.33 was published, coring +0.20 where -0.18 was. If need played no
  part, coring (-0.08) reaches the published value within the scatter between populations, and sand (-0.20) does
  not, narrowly.
  Both are within the scatter only in the row that was added for it (need -0.4), where the courses with the least to
  fight core and sand the most: richer clubs, say. The survey's abstract cannot tell these apart, and neither can the
  model: such a correlation is no measure of what coring does, and none of these rows is an estimate of need.
- **Coring comes out weaker than sand** in every row with little need: the year's sand is a given here, whatever is
  cored, so that coring counts only what its cores take away, 5 % of the area a time.
- **Nitrogen has the wrong sign.** More nitrogen grows more clippings, and litter is a share of clippings, so that the
  model says +0.1 to +0.2 where -0.11 was published. That greens low in organic matter are fed more, or that litter
  falls behind clippings on well fed greens, are both left out.
- **The top window is too rich**, 4.4 to 4.9 % on average where 2.8 % was found, the deeper one nearly right. Litter
  ratios are spread as widely as the priors believe of one unknown site, and eight years without anyone reacting let
  the greedy greens run away; on surveyed greens somebody probably did.
"""


def page() -> str:
    """Return the page."""
    was = published()
    rows = [["published", *(f"{was[metric]:.2f}" for metric in METRICS)]]
    for need in NEEDS:
        found = np.array([summary(population(need, seed=seed)) for seed in SEEDS])
        cells = [f"{f.mean():.2f} ({f.min():.2f} to {f.max():.2f})" for f in found.T]
        rows.append([f"need {need:+.1f}", *cells])
    head = ["", "r with sand", "r with nitrogen", "r with corings", "mean 0-25 mm, %", "mean 25-51 mm, %"]
    table = "\n".join("| " + " | ".join(row) + " |" for row in [head, ["---"] * len(head), *rows])
    return PROSE.format(
        table=table, verdict=VERDICT, courses=COURSES, greens=GREENS, years=YEARS, populations=len(SEEDS)
    )


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
