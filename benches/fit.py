"""Time a whole fit of the demo course by NUTS: `.venv/bin/python benches/fit.py [draws]`."""

import sys
import time

import numpy as np

import matledger as mat
from matledger.calibration.diagnostics import ess_bulk, rhat


def main() -> None:
    """Print time, what a draw took, and how well the chains agree."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    course = mat.demo_course()
    wall, processor = time.perf_counter(), time.process_time()
    fit = mat.calibrate(course, method="nuts", draws=draws, tune=draws, seed=1)
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    run = fit.chains
    assert run is not None
    places = range(run.coordinates.shape[2])
    worst = max(rhat(run.coordinates[:, :, i]) for i in places)
    least = min(ess_bulk(run.coordinates[:, :, i]) for i in places)
    taken = []
    for _ in range(50):
        begun = time.process_time()
        fit.log_density_and_gradient(fit.mode)
        taken.append(time.process_time() - begun)
    print(
        f"{run.coordinates.shape[0]} chains of {draws} and {draws}: {wall:.0f} s, {processor:.0f} s of processor time"
    )
    print(f"a gradient {1e3 * min(taken):.2f} ms, {np.mean(run.gradients):.1f} gradients a draw")
    print(f"largest R-hat {worst:.4f}, fewest effective draws {least:.0f}, {run.diverging.sum()} diverged")


if __name__ == "__main__":
    main()
