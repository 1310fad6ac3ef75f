"""Small invented sites pooled twice: as `fit_sites` does it, and by NUTS over all unknowns of all sites at once.

``python benches/joint_nuts.py SEED SITES GREENS DRAWS`` prints the litter ratios of both, what both say of the
population, and how well the chains agree. Chains settle over as many draws as they keep.
"""

import sys
import time

import numpy as np
from invented import BETWEEN, MIDDLE, few_greens, invented_sites

import matledger as mat
from matledger._arrays import Floats


def main(seed: int, count: int, greens: int, draws: int) -> None:
    """Invent the sites, fit them both ways and print them side by side."""
    sites, truths = invented_sites(seed, count, few_greens(greens))
    normal = mat.fit_sites(sites, draws=4000, seed=seed)
    began, clock = time.perf_counter(), time.process_time()

    def tell(done: int) -> None:
        print(f"{done} after {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)

    drawn = mat.fit_sites(
        sites, method="joint", draws=draws, tune=draws, chains=4, seed=seed, progress=tell if draws > 20 else None
    )
    print(f"{count} sites of {greens} greens, {time.process_time() - clock:.0f} s of processor time")
    print("\n".join(drawn.notes))
    print("| site | truth | alone | pooled, normal | pooled, NUTS |")
    print("| --- | --- | --- | --- | --- |")
    for s, site in enumerate(sites):
        fits = (normal.alone[site.name], normal.sites[site.name], drawn.sites[site.name])
        cells = " | ".join(_interval(fit.draws[:, 0]) for fit in fits)
        print(f"| {s + 1} | {truths[s]:.2f} | {cells} |")
    median, sd = normal.population.prior
    both = (normal.population, drawn.population)
    for word, truth, values in (
        ("mean of the grass", MIDDLE, [median * np.exp(sd * p.effects[:, 0]) for p in both]),
        ("log-sd between sites", BETWEEN, [sd * p.scatter for p in both]),
    ):
        print(f"| {word} | {truth:.2f} | | {' | '.join(_interval(v) for v in values)} |")
    apart = [
        (np.log(drawn.sites[n].draws[:, 0]).mean() - np.log(normal.sites[n].draws[:, 0]).mean())
        / np.log(normal.sites[n].draws[:, 0]).std()
        for n in normal.sites
    ]
    wide = [np.log(drawn.sites[n].draws[:, 0]).std() / np.log(normal.sites[n].draws[:, 0]).std() for n in normal.sites]
    print(f"means of the log apart by {np.min(apart):.2f} to {np.max(apart):.2f} of the normal's standard deviation;")
    print(f"standard deviation of NUTS {np.min(wide):.2f} to {np.max(wide):.2f} of the normal's")


def _interval(values: Floats) -> str:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return f"{middle:.2f} ({low:.2f} to {high:.2f})"


if __name__ == "__main__":
    main(*map(int, sys.argv[1:5]))
