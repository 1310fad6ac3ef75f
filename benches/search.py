"""Search of the demo course: how long some thousands of programmes take, and whether the time is in proportion.

``python benches/search.py [programmes ...]``; 200 draws, five years, nine greens. The programmes are invented.
"""

import resource
import sys
import time

import matledger as mat

SPACE = mat.Space(
    coring_days=[(), ("15 April",), ("1 May",), ("15 April", "10 September"), ("20 March", "5 September")],
    bores_mm=[6.4, 8.0, 9.5, 12.7],
    spacings_mm=[(40, 40), (50, 50), (60, 60)],
    depths_mm=[40, 50, 60, 75],
    topdressing_mm=[0, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8],
    topdressing_every_days=[7, 14, 21, 28],
)


def main() -> None:
    """Print a line for each number of programmes."""
    counts = [int(count) for count in sys.argv[1:]] or [500, 1000, 5000]
    calibration = mat.calibrate(mat.demo_course(), method="laplace", draws=200, seed=1)
    programmes = SPACE.programmes()
    print(f"{len(programmes)} programmes in the space, {len(calibration.course.greens)} greens, 200 draws, five years")
    for count in counts:
        some = [programmes[i * len(programmes) // count] for i in range(count)]
        wall, processor = time.perf_counter(), time.process_time()
        mat.search(calibration, some, years=5, draws=200)
        wall, processor = time.perf_counter() - wall, time.process_time() - processor
        peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(
            f"{count:6} programmes: {wall:6.1f} s, {processor:6.1f} s of processor time, peak {peak_gb:.2f} GB",
            flush=True,
        )


if __name__ == "__main__":
    main()
