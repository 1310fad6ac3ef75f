"""Time a whole fit, by each approximation and by NUTS: `.venv/bin/python benches/fit.py [demo or long] [draws]`.

`long` is an invented course of eighteen greens and ten seasons, made of the demo course's: its greens twice over, its
weather, work and days of sampling again every four years, and readings drawn from the priors.
"""

import datetime as dt
import sys
import time
from dataclasses import replace

import numpy as np

import matledger as mat
from matledger.calibration.diagnostics import ess_bulk, rhat

FOUR_YEARS = dt.timedelta(days=1461)
END = dt.date(2022, 1, 1)


def shifted(records, **days):
    """Return records again every four years, up to the end of the ten seasons."""
    return [
        replace(record, **{name: getattr(record, name) + times * FOUR_YEARS for name in days})
        for times in range(3)
        for record in records
        if max(getattr(record, name) for name in days) + times * FOUR_YEARS < END
    ]


def long_course(seed: int = 1) -> mat.Course:
    """Eighteen greens over ten seasons."""
    demo = mat.demo_course()
    old = demo.weather
    count = (END - old.dates[0].astype(dt.date)).days
    dates = old.dates[0] + np.arange(count)
    again = np.arange(count) % len(old.dates)
    twice = [
        (replace(green, name=f"{green.name}{half}"), green.name)
        for half in (" front", " back")
        for green in demo.greens
    ]
    records = {
        name: [
            replace(record, green=green.name) for green, of in twice for record in made if record.green in (of, "all")
        ]
        for name, made in {
            "clippings": shifted(demo.clippings, first_day=0, last_day=0),
            "work": shifted(demo.work, date=0),
            "soil_tests": shifted(demo.soil_tests, date=0),
        }.items()
    }
    course = replace(
        demo,
        name="eighteen greens, ten seasons",
        weather=mat.Weather(dates, old.tmin_c[again], old.tmax_c[again]),
        greens=[green for green, _ in twice],
        programmes=(),
        **records,
    )
    return mat.invent_tests(course, seed=seed).course


def timed(make):
    """Return what is made, and the seconds on the clock and of the processor that it took."""
    wall, processor = time.perf_counter(), time.process_time()
    made = make()
    return made, time.perf_counter() - wall, time.process_time() - processor


def main() -> None:
    """Print time, what a draw took, and how well the chains agree."""
    which = sys.argv[1] if len(sys.argv) > 1 else "demo"
    draws = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    course = long_course() if which == "long" else mat.demo_course()
    quick = min(timed(lambda: mat.calibrate(course))[2] for _ in range(5))
    nested = min(timed(lambda: mat.calibrate(course, method="nested"))[2] for _ in range(5))
    print(f"Laplace's approximation, with its look at the priors: {quick:.2f} s of processor time")
    print(f"nested: {nested:.2f} s, {nested / quick:.1f} times as slow", flush=True)
    fit, wall, processor = timed(lambda: mat.calibrate(course, method="nuts", draws=draws, tune=draws, seed=1))
    run = fit.chains
    assert run is not None
    places = range(run.coordinates.shape[2])
    worst = max(rhat(run.coordinates[:, :, i]) for i in places)
    least = min(ess_bulk(run.coordinates[:, :, i]) for i in places)
    print(f"{course.name}: {len(course.greens)} greens, {len(course.soil_tests)} tests, {len(fit.names)} unknowns")
    print(
        f"{run.coordinates.shape[0]} chains of {draws} and {draws}: {wall:.0f} s, {processor:.0f} s of processor time"
    )
    print(f"{np.mean(run.gradients):.1f} gradients a draw")
    print(f"largest R-hat {worst:.4f}, fewest effective draws {least:.0f}, {run.diverging.sum()} diverged")


if __name__ == "__main__":
    main()
