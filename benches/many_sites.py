"""Many invented sites of nine greens and five seasons fitted jointly by `fit_sites`, held against their truth.

``python benches/many_sites.py SEED SITES`` prints the time, what limits it, and how often intervals held the truth.
"""

import sys
import time

import numpy as np
from invented import five_seasons, invented_sites

import matledger as mat


def main(seed: int, count: int) -> None:
    """Invent the sites, fit them jointly and compare."""
    course = five_seasons()
    sites, truths = invented_sites(seed, count, course)
    seasons = len({test.date.year for test in course.soil_tests})
    clock, began = time.process_time(), time.perf_counter()
    fit = mat.fit_sites(sites, draws=1000, seed=seed)
    spent, waited = time.process_time() - clock, time.perf_counter() - began
    print(f"{count} sites x {len(course.greens)} greens x {seasons} seasons, {len(course.soil_tests)} tests each")
    print(f"{waited:.0f} s, {spent:.0f} s of processor time")
    print(f"searches settled: {sum(one.converged for one in fit.alone.values())} of {count}")
    for word, fits in (("alone", fit.alone), ("pooled", fit.sites)):
        draws = [one.draws[:, 0] for one in fits.values()]
        low, middle, high = np.quantile(draws, [0.05, 0.5, 0.95], axis=1)
        held = int(((low <= truths) & (truths <= high)).sum())
        off = np.sqrt(np.mean((np.log(middle) - np.log(truths)) ** 2))
        print(f"{word}: 90 % intervals held {held} of {count}; root mean square error of the log {off:.2f}")
    print(fit.population)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
