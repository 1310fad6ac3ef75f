"""Many invented sites of nine greens and five seasons fitted together by `fit_sites`, held against their truth.

``python benches/many_sites.py SEED SITES METHOD`` fits sites by Laplace's approximation (``laplace``) or, in two
processes, by NUTS (``nuts``: four chains, 300 draws to settle and 250 kept), and prints the time, how well chains
agree, and how often intervals held the truth.
"""

import multiprocessing
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from typing import Literal

import numpy as np
from invented import five_seasons, invented_sites

import matledger as mat
from matledger.pooling import LITTER

SETTINGS: dict[str, dict[str, int]] = {
    "laplace": {"draws": 1000},
    "nuts": {"chains": 4, "tune": 300, "draws": 250},
}


def main(seed: int, count: int, method: Literal["laplace", "nuts"]) -> None:
    """Invent the sites, fit them together and compare."""
    course = five_seasons()
    sites, truths = invented_sites(seed, count, course)
    seasons = len({test.date.year for test in course.soil_tests})
    began = time.perf_counter()

    def tell(done: int) -> None:
        if done % 10 == 0:
            print(f"{done} of {count} after {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)

    # Chains of one site go side by side on one core.
    two = ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) if method == "nuts" else nullcontext()
    with two as pool:
        fit = mat.fit_sites(sites, method=method, seed=seed, executor=pool, progress=tell, **SETTINGS[method])
    waited = time.perf_counter() - began
    spent = sum(resource.getrusage(who).ru_utime for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(f"{count} sites x {len(course.greens)} greens x {seasons} seasons, {len(course.soil_tests)} tests each")
    print(f"{waited:.0f} s, {spent:.0f} s of processor time")
    print(f"searches settled: {sum(one.converged for one in fit.alone.values())} of {count}")
    if method == "nuts":
        judged = [one.diagnosis for one in fit.alone.values() if one.diagnosis is not None]
        rhats = [max(one.rhat) for one in judged]
        least = [min(*one.ess_bulk, *one.ess_tail) for one in judged]
        print(
            f"largest R-hat of a site: median {np.median(rhats):.3f}, at most {max(rhats):.3f}; fewest effective draws:"
            f" median {np.median(least):.0f}, at least {min(least):.0f}"
        )
        diverged = sum(one.divergences for one in judged)
        print(f"litter ratio: R-hat at most {max(one.rhat[LITTER] for one in judged):.3f}; {diverged} draws diverged")
    for word, fits in (("alone", fit.alone), ("pooled", fit.sites)):
        draws = [one.draws[:, LITTER] for one in fits.values()]
        low, middle, high = np.quantile(draws, [0.05, 0.5, 0.95], axis=1)
        held = int(((low <= truths) & (truths <= high)).sum())
        off = np.sqrt(np.mean((np.log(middle) - np.log(truths)) ** 2))
        print(f"{word}: 90 % intervals held {held} of {count}; root mean square error of the log {off:.2f}")
    print(fit.population)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
