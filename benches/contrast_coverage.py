"""How often 90 % intervals of a programme contrast hold the truth over invented studies of three sites.

``python benches/contrast_coverage.py FIRST STUDIES METHOD`` invents studies number FIRST and on, in two processes, and
prints for a method of `matledger.calibrate` the counts at single sites, from each fitted alone and from all fitted
together, and of the mean over the three. Truths come from the very priors of the fit: the middle of the litter ratios
and their scatter from those of `matledger.fit_sites`, all else from those of `matledger.calibrate`. A study with a
reading above 20 % OM is drawn anew, truths and all: no green reads so, and since it depends on readings alone,
posteriors stay as they are. The difference is that of two programmes in the top 20 mm two years on.
"""

import multiprocessing
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any, TypeAlias

import numpy as np
from invented import few_greens

import matledger as mat
from matledger._arrays import Floats
from matledger.calibration.fit import FitMethod
from matledger.calibration.invented import Invented
from matledger.executors import run_each
from matledger.pooling import LITTER, SCATTER_SD

Priors: TypeAlias = dict[str, tuple[float, float]]

SITES, DRAWS, WEATHERS = 3, 400, 40
SETTINGS: dict[str, Any] = {"chains": 4, "tune": 300, "draws": 100}
"""Of a fit by NUTS."""
LEVEL = 0.9
MOST_OM_PERCENT = 20.0


def invented(course: mat.Course, rng: np.random.Generator) -> list[tuple[Invented, Priors]]:
    """Sites with the priors that they were drawn from."""
    median, sd, _ = mat.calibrate(course, draws=1).site.priors[LITTER]
    while True:
        middle, scatter = rng.standard_normal(), SCATTER_SD * abs(rng.standard_normal())
        litters = median * np.exp(sd * (middle + scatter * rng.standard_normal(SITES)))
        priors = [{"litter_ratio": (float(litter), 1e-6)} for litter in litters]
        sites = [mat.invent_tests(course, seed=int(rng.integers(1 << 31)), priors=own) for own in priors]
        if max(test.om_percent for one in sites for test in one.course.soil_tests) < MOST_OM_PERCENT:
            return list(zip(sites, priors, strict=True))


def study(number: int, method: FitMethod) -> list[bool]:
    """Whether intervals held the truth: at each site alone, at each with the others, and the mean of all."""
    rng = np.random.default_rng(number)
    pair = mat.demo_course().programmes[:2]
    truths, sites = [], []
    for one, priors in invented(few_greens(3), rng):
        fit = mat.calibrate(one.course, priors=priors, draws=2)
        at_truth = replace(fit, coordinates=np.tile(one.coordinates, (2, 1)))
        ahead = mat.compare(at_truth, pair, years=2, draws=2, weather_sequences=1, seed=int(rng.integers(1 << 31)))
        truths.append(_difference(ahead)[0])
        sites.append(replace(one.course, name=f"site {len(sites)}"))
    settings = SETTINGS if method == "nuts" else {"draws": DRAWS}
    fitted = mat.fit_sites(sites, method=method, seed=number, **settings)
    forward = {"years": 2, "draws": DRAWS, "weather_sequences": WEATHERS}
    said = [
        np.array([_difference(mat.compare(fit, pair, **forward, seed=9 * number + n)) for n, fit in enumerate(fits)])
        for fits in (fitted.alone.values(), fitted.sites.values())
    ]
    held = [_holds(draws, truth) for fits in said for draws, truth in zip(fits, truths, strict=True)]
    return [*held, _holds(said[1].mean(axis=0), float(np.mean(truths)))]


def _difference(run: mat.Comparison) -> Floats:
    first, second = run.course_mean(run.om_percent)[:, -1, 0]
    found: Floats = first - second
    return found


def _holds(draws: Floats, truth: float) -> bool:
    low, high = np.quantile(draws, [0.5 - LEVEL / 2, 0.5 + LEVEL / 2])
    return bool(low <= truth <= high)


def main(first: int, studies: int, method: FitMethod) -> None:
    """Run the studies and print the counts."""

    def tell(done: int) -> None:
        print(f"\r{done} of {studies}", end="", file=sys.stderr, flush=True)

    asked = [(number, method) for number in range(first, first + studies)]
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        held = np.array(run_each(study, asked, executor=pool, progress=tell))
    print(f"\n{studies} studies by {method}, 90 % intervals")
    for word, part in (
        ("sites alone", held[:, :SITES]),
        ("sites together", held[:, SITES:-1]),
        ("mean of the sites", held[:, -1:]),
    ):
        share, by_study = part.mean(), part.mean(axis=1)
        error = by_study.std(ddof=1) / np.sqrt(studies)
        away = (share - LEVEL) / np.sqrt(LEVEL * (1 - LEVEL) / part.size)
        print(
            f"{word}: held {part.sum()} of {part.size}, {100 * share:.1f} % (standard error over studies"
            f" {100 * error:.1f}); {away:+.1f} binomial standard errors from nominal"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
