"""How long `study_power` takes for 1,000 simulated trials of a usual and a large design.

``python benches/power.py`` prints waiting and processor time of each; the variances are invented.
"""

import time

import matledger as mat

VARIANCES = mat.StudyVariances(
    core_sd_percent=0.5,
    laboratory_sd_percent=0.1,
    plot_sd_percent=0.2,
    green_sd_percent=0.4,
    site_sd_percent=0.3,
    site_difference_sd_percent=0.2,
    season_sd_percent=0.1,
)
DESIGNS = (
    mat.StudyDesign(sites=6, greens=3, blocks=3, seasons=3, tests=2, cores=8),
    mat.StudyDesign(sites=12, greens=9, blocks=4, seasons=5, tests=2, cores=8),
)


def main() -> None:
    """Print a line for each design."""
    for design in DESIGNS:
        wall, processor = time.perf_counter(), time.process_time()
        found = mat.study_power(design, VARIANCES, difference_percent=0.3, trials=1000, seed=1)
        wall, processor = time.perf_counter() - wall, time.process_time() - processor
        tests = design.sites * design.greens * design.blocks * 2 * design.seasons * design.tests
        print(
            f"{design}, {tests} tests: power {found.power:.2f}; {wall:.1f} s, {processor:.1f} s of processor time",
            flush=True,
        )


if __name__ == "__main__":
    main()
