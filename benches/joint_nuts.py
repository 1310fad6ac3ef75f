"""Small invented sites pooled three times: fitted one by one by Laplace's approximation and by NUTS, and all at once.

``python benches/joint_nuts.py SEED SITES GREENS DRAWS`` prints the litter ratios, what each way says of the population,
how far the first two lie from the third, and how well its chains agree. Chains settle over as many draws as they keep.
"""

import sys
import time

import numpy as np
from invented import BETWEEN, MIDDLE, few_greens, invented_sites

import matledger as mat
from matledger._arrays import Floats
from matledger.pooling import LITTER


def main(seed: int, count: int, greens: int, draws: int) -> None:
    """Invent the sites, fit them both ways and print them side by side."""
    sites, truths = invented_sites(seed, count, few_greens(greens))
    ways: dict[str, mat.SitesFit] = {}
    for method in ("laplace", "nuts", "joint"):
        clock, began = time.process_time(), time.perf_counter()

        def tell(done: int, began: float = began) -> None:
            if done % 100 == 0:
                print(f"{done} after {time.perf_counter() - began:.0f} s", file=sys.stderr, flush=True)

        more = {"draws": 4000} if method == "laplace" else {"draws": draws, "tune": draws, "chains": 4}
        ways[method] = mat.fit_sites(sites, method=method, seed=seed, progress=tell, **more)
        print(f"{count} sites of {greens} greens by {method}: {time.process_time() - clock:.0f} s of processor time")
        print("\n".join(f"  {note}" for note in ways[method].notes))
    print("| site | truth | alone, Laplace | alone, NUTS | pooled, Laplace | pooled, NUTS | at once, NUTS |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for site, truth in zip(sites, truths, strict=True):
        alone = [ways[method].alone[site.name] for method in ("laplace", "nuts")]
        fits = [*alone, *(way.sites[site.name] for way in ways.values())]
        print(f"| {site.name} | {truth:.2f} | {' | '.join(_interval(fit.draws[:, LITTER]) for fit in fits)} |")
    median, sd = ways["joint"].population.prior
    shared = [way.population for way in ways.values()]
    for word, truth, values in (
        ("mean of the grass", MIDDLE, [median * np.exp(sd * p.effects[:, 0]) for p in shared]),
        ("log-sd between sites", BETWEEN, [sd * p.scatter for p in shared]),
    ):
        print(f"| {word} | {truth:.2f} | | | {' | '.join(_interval(v) for v in values)} |")
    for method in ("laplace", "nuts"):
        pairs = [
            [way.sites[site.name].coordinates[:, LITTER] for way in (ways[method], ways["joint"])] for site in sites
        ]
        apart = [(one.mean() - other.mean()) / other.std() for one, other in pairs]
        wide = [one.std() / other.std() for one, other in pairs]
        print(
            f"{method}: means of the log {np.min(apart):+.2f} to {np.max(apart):+.2f} standard deviations from those of"
            f" all at once, standard deviations {np.min(wide):.2f} to {np.max(wide):.2f} of theirs"
        )


def _interval(values: Floats) -> str:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return f"{middle:.2f} ({low:.2f} to {high:.2f})"


if __name__ == "__main__":
    main(*map(int, sys.argv[1:5]))
