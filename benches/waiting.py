"""What a user waits for at the keyboard, in processor time: ``python benches/waiting.py``.

Importing the package in a new process, a day's plan with its sand for eighteen greens, and a move of the explorer's
slider on the demo course (nine greens, 120 draws, five years); the least of several, so that other work counts less.
"""

import datetime as dt
import subprocess
import sys
import time
from collections.abc import Callable

import matledger as mat
from matledger.explorer import CORING_DAYS, SLIDERS, Choice, Forecaster

DAY = dt.date(2014, 4, 14)
IMPORT = "import time; start = time.process_time(); import matledger; print(time.process_time() - start)"


def imported() -> float:
    """Processor time of the import in a process of its own (s)."""
    ran = subprocess.run([sys.executable, "-c", IMPORT], check=True, capture_output=True, text=True)
    return float(ran.stdout)


def spent(work: Callable[[], object]) -> float:
    """Processor time of a piece of work, all threads together (s)."""
    began = time.process_time()
    work()
    return time.process_time() - began


def plan() -> None:
    """Plan a coring day and order its sand."""
    greens = [mat.Green(str(n), area_m2=400 + 15 * n) for n in range(1, 19)]
    cores = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    work = [(DAY, cores), (DAY, mat.Topdressing(sand_mm=2.7, passes=3))]
    mat.plan_day(greens, work, DAY, crew=mat.Crew(people=8))
    mat.order_sand(greens, work, buying=mat.Buying(load_t=15))


def forecaster() -> Forecaster:
    """What stays while the sliders move."""
    calibration = mat.calibrate(mat.demo_course(), draws=120, seed=1)
    course = calibration.course
    assert course.target is not None
    return Forecaster(
        calibration=calibration,
        target=course.target,
        years=5,
        draws=120,
        weather_sequences=2,
        seed=1,
        prices=course.prices,
        play=course.play,
        recovery=mat.healing(course, seed=1),
        coring_days=CORING_DAYS,
        season="from 1 May to 30 September",
        no_work=(),
        units="metric",
    )


def main() -> None:
    """Print a line for each."""
    start, explorer = {slider.name: slider.metric[3] for slider in SLIDERS}, forecaster()

    def move(depth_mm: float) -> None:
        explorer.told(explorer.programme(Choice.of(start | {"depth_mm": depth_mm}, "metric")))

    times = {
        "import matledger": [imported() for _ in range(7)],
        "a day's plan with its sand": [spent(plan) for _ in range(5)],
        "a move of the slider": [spent(lambda depth=depth: move(depth)) for depth in range(40, 100, 10)],
    }
    for name, seconds in times.items():
        print(f"{name}: {1000 * min(seconds):.0f} ms of processor time")


if __name__ == "__main__":
    main()
