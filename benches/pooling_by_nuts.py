"""Small invented sites pooled twice: as `fit_sites` does it, and from NUTS draws of each site with no normal in it.

``python benches/pooling_by_nuts.py SEED SITES`` prints the litter ratios of both, and what both say of the population.
Draws of single sites are proposals for the joint posterior, taken or left by the ratio of priors, so that the second
way is exact but for the number of draws (Lunn and others 2013, from memory). ``joint_nuts.py`` samples it directly.
"""

import math
import sys
import time

import numpy as np
from invented import BETWEEN, MIDDLE, few_greens, invented_sites

import matledger as mat
from matledger._arrays import Floats
from matledger.pooling import LITTER, SCATTER_SD

SWEEPS, BURN_IN = 20_000, 2_000


def pooled(draws: list[Floats], rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """Sites, mean and scatter in two stages: a site's own draws are the proposals, the shared part is Gibbs."""
    grid = (np.arange(400) + 0.5) / 400 * 4 * SCATTER_SD
    now = np.array([own[0] for own in draws])
    mean, scatter = 0.0, SCATTER_SD
    kept = np.empty((SWEEPS, len(draws) + 2))
    for sweep in range(SWEEPS):
        proposed = np.array([own[rng.integers(len(own))] for own in draws])

        def gain(x: Floats, mean: float = mean, scatter: float = scatter) -> Floats:
            return 0.5 * x**2 - 0.5 * ((x - mean) / scatter) ** 2

        accepted = np.log(rng.random(len(draws))) < gain(proposed) - gain(now)
        now = np.where(accepted, proposed, now)
        information = 1 + len(draws) / scatter**2
        mean = float(now.sum() / scatter**2 / information + rng.standard_normal() / math.sqrt(information))
        log = -len(draws) * np.log(grid) - 0.5 * ((now - mean) ** 2).sum() / grid**2 - 0.5 * (grid / SCATTER_SD) ** 2
        chance = np.exp(log - log.max()).cumsum()
        scatter = float(grid[np.searchsorted(chance, rng.random() * chance[-1])])
        kept[sweep] = *now, mean, scatter
    return kept[BURN_IN:, :-2], kept[BURN_IN:, -2], kept[BURN_IN:, -1]


def main(seed: int, count: int) -> None:
    """Invent the sites, fit each by both methods, pool both and print them side by side."""
    sites, truths = invented_sites(seed, count, few_greens(3))
    rng = np.random.default_rng([seed, 1])
    fit = mat.fit_sites(sites, draws=4000, seed=seed)
    own, rhat, began = [], [], time.perf_counter()
    for site in sites:
        by_nuts = mat.calibrate(site, method="nuts", draws=300, tune=500, seed=seed)
        assert by_nuts.diagnosis is not None
        own.append(np.asarray(by_nuts.coordinates[:, LITTER]))
        rhat.append(by_nuts.diagnosis.rhat[LITTER])
        print(f"{site.name}: {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)
    values, mean, scatter = pooled(own, rng)
    median, sd = fit.population.prior
    print("| site | truth | alone, Laplace | alone, NUTS | pooled, normal | pooled, draws | R-hat |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for s, site in enumerate(sites):
        columns = [
            fit.alone[site.name].draws[:, LITTER],
            median * np.exp(sd * own[s]),
            fit.sites[site.name].draws[:, LITTER],
            median * np.exp(sd * values[:, s]),
        ]
        cells = " | ".join(_interval(column) for column in columns)
        print(f"| {s + 1} | {truths[s]:.2f} | {cells} | {rhat[s]:.3f} |")
    for word, normal, drawn in (
        ("mean of the grass", median * np.exp(sd * fit.population.effects[:, 0]), median * np.exp(sd * mean)),
        ("log-sd between sites", sd * fit.population.scatter, sd * scatter),
    ):
        truth = MIDDLE if word.startswith("mean") else BETWEEN
        print(f"| {word} | {truth:.2f} | | | {_interval(normal)} | {_interval(drawn)} | |")


def _interval(values: Floats) -> str:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return f"{middle:.2f} ({low:.2f} to {high:.2f})"


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
