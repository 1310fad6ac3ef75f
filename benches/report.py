"""A comparison of the demo course and its report: how long the forecast takes, and the page as HTML and as PDF.

``python benches/report.py``; three programmes, nine greens, 400 draws, five years, the course's own prices and play.
The first page of each kind is cold: it loads matplotlib, the template and the fonts.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import matledger as mat

Made = TypeVar("Made")


def timed(name: str, make: Callable[[], Made]) -> Made:
    """Make something and print what it took."""
    wall, processor = time.perf_counter(), time.process_time()
    made = make()
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    print(f"{name}: {wall:.2f} s, {processor:.2f} s of processor time", flush=True)
    return made


def main() -> None:
    """Print a line for each."""
    calibration = mat.calibrate(mat.demo_course(), draws=400, seed=1)
    comparison = timed("compare", lambda: mat.compare(calibration, years=5))
    with tempfile.TemporaryDirectory() as folder:
        for name in ("cold.html", "warm.html", "cold.pdf", "warm.pdf"):
            timed(name, lambda name=name: mat.report(comparison, Path(folder) / name))


if __name__ == "__main__":
    main()
