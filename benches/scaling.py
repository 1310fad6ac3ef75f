"""Cost of a batch by members, years and threads; memory of a million members; time until Ctrl-C is answered.

``python benches/scaling.py`` prints each, in processor time; that of the threads and of Ctrl-C is on the clock and asks
for a quiet machine. ``python benches/scaling.py memory`` prints the memory alone.
"""

import os
import resource
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable

import numpy as np

import matledger as mat

WITHIN = {"error_percent": 0.02, "keep": ("om_percent",), "keep_ledger": "none"}
COARSE = {"fine_mm": 2.5, "fine_to_mm": 25.0, "coarse_mm": 10.0, "stretch_days": 30}
# Median and spread (log) of what the members differ in.
UNKNOWNS = {"litter_ratio": (3.0, 0.6), "young_decay_per_year": (1.0, 0.5), "om_density_g_cm3": (0.244, 0.2)}


def draws(members: int) -> dict[str, np.ndarray]:
    """Unknowns of members."""
    rng = np.random.default_rng(1)
    return {name: median * np.exp(spread * rng.normal(size=members)) for name, (median, spread) in UNKNOWNS.items()}


def run(members: int, years: int, **more: object) -> mat.Run:
    """Members over years of two corings and light sand."""
    days = 365 * years
    warmth = np.maximum(13 - 10 * np.cos(2 * np.pi * (np.arange(days) - 20) / 365.25), 0)
    cores = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    programme = mat.Programme(
        "two corings, light sand",
        [
            ("10 April and 12 September", [cores, mat.Topdressing(sand_mm=4)]),
            ("every 14 days from 1 May to 15 October", [mat.Topdressing(sand_mm=0.3)]),
        ],
    )
    return mat.simulate(
        start="2012-01-01",
        clippings_g_m2=warmth * 170 / warmth[:365].sum(),
        decay_modifier=mat.decay_modifier(warmth),
        work=programme,
        unknowns=draws(members),
        read_on=[np.datetime64("2012-01-01") + days],
        **more,
    )


def seconds(clock: Callable[[], float], members: int, years: int, **more: object) -> float:
    """Shortest of three runs [s]."""
    found = []
    for _ in range(3):
        begin = clock()
        run(members, years, **more)
        found.append(clock() - begin)
    return min(found)


def memory() -> None:
    """Print the most memory that the process has held before a run of a million members and by its end."""
    members = 1_000_000
    draws(members)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begin = time.process_time()
    run(members, 10, keep=("om_percent",), keep_ledger="none", **COARSE)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    took = time.process_time() - begin
    print(
        f"{members:,} members of ten years: {after / 1024:,.0f} MB at most, {before / 1024:,.0f} before; {took:.0f} s"
    )


def interrupted(after_s: float) -> float:
    """Time from Ctrl-C to the return of a run [s]."""
    pressed = []

    def press() -> None:
        pressed.append(time.perf_counter())
        signal.raise_signal(signal.SIGINT)

    threading.Timer(after_s, press).start()
    with warnings.catch_warnings(action="ignore"):
        ran = run(400_000, 10, **WITHIN)
    assert 0 < ran.finished.sum() < 400_000, "the run was to be stopped half way"
    return time.perf_counter() - pressed[0]


def main() -> None:
    """Print the tables."""
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    for members in (4096, 8192, 16384, 32768):
        took = seconds(time.process_time, members, 10, threads=1, **WITHIN)
        print(f"{members:>6} members, 10 years: {took:6.2f} s, {1e6 * took / members / 10:.2f} us a site-year")
    for years in (5, 10, 20):
        took = seconds(time.process_time, 8192, years, threads=1, **WITHIN)
        print(f"  8192 members, {years:>2} years: {took:6.2f} s, {1e6 * took / 8192 / years:.2f} us a site-year")
    one, two = (seconds(time.perf_counter, 16384, 10, threads=threads, **WITHIN) for threads in (1, 2))
    print(f"two threads: {one / two:.2f} times one")
    waits = [interrupted(1 + 0.3 * n) for n in range(5)]
    print(f"Ctrl-C: answered within {max(waits):.3f} s, the longest of five")


if __name__ == "__main__":
    memory()
    if "memory" not in sys.argv:
        main()
