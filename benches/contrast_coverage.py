"""How often the 90 % interval of a programme contrast holds the truth over invented studies of three sites.

``python benches/contrast_coverage.py SEED STUDIES METHOD`` prints the count for a method of `matledger.calibrate`.
"""

import sys
from dataclasses import replace

import numpy as np
from invented import PROFILE, few_greens

import matledger as mat
from matledger.calibration.fit import FitMethod


def main(seed: int, studies: int, method: FitMethod) -> None:
    """Invent studies, fit each jointly and compare its contrasts with the truth."""
    course = few_greens(3)
    pair = course.programmes[:2]
    rng = np.random.default_rng(seed)
    held = 0
    for _ in range(studies):
        middle, scatter = np.exp(rng.normal(np.log(3), 0.6)), abs(rng.normal(0, 0.3))
        priors = [PROFILE | {"litter_ratio": (float(middle * np.exp(scatter * rng.normal())), 1e-6)} for _ in range(3)]
        invented = [mat.invent_tests(course, seed=int(rng.integers(1 << 31)), priors=p) for p in priors]
        sites = [replace(one.course, name=f"site {number}") for number, one in enumerate(invented)]
        fit = mat.fit_sites(sites, method=method, draws=200, seed=seed)
        for one, site, p in zip(invented, sites, priors, strict=True):
            at_truth = replace(mat.calibrate(site, priors=p, draws=2), coordinates=np.tile(one.coordinates, (2, 1)))
            future = int(rng.integers(1 << 31))
            true = mat.compare(at_truth, pair, years=2, draws=2, weather_sequences=1, seed=future)
            said = mat.compare(fit.sites[site.name], pair, years=2, draws=200, seed=future ^ 1)
            truth, draws = (run.course_mean(run.om_percent)[:, -1, 0] for run in (true, said))
            low, high = np.quantile(draws[0] - draws[1], [0.05, 0.95])
            held += bool(low <= (truth[0] - truth[1])[0] <= high)
    print(f"{held} of {3 * studies} intervals held the truth")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
