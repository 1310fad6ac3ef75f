"""The main job on the demo course: ``python -m matledger.demo OUT``."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from matledger.calibration import calibrate
from matledger.comparison import compare
from matledger.demo import demo_course

DRAWS, YEARS, SEED = 1000, 5, 1


def main(arguments: Sequence[str] | None = None) -> int:
    """Calibrate the demo course, compare its programmes, and write tables, plots and a page."""
    parser = argparse.ArgumentParser(prog="python -m matledger.demo", description=main.__doc__)
    parser.add_argument("out", type=Path, metavar="OUT", help="folder to write; one of an earlier run is replaced")
    out: Path = parser.parse_args(arguments).out
    started = time.perf_counter()
    calibration = calibrate(demo_course(), draws=DRAWS, seed=SEED)
    fitted = time.perf_counter()
    comparison = compare(calibration, years=YEARS, seed=SEED)
    compared = time.perf_counter()
    try:
        _replace(out, comparison)
    except OSError as error:
        print(f"{out}: {error}", file=sys.stderr)
        return 1
    written = time.perf_counter()
    print("\n".join(_said(comparison)))
    print(
        f"{written - started:.1f} s: calibrated in {fitted - started:.1f}, compared in {compared - fitted:.1f},"
        f" written in {written - compared:.1f}"
    )
    print(f"Look at {out / 'report.html'} first; tables (CSV and text) and plots (PNG) lie beside it.")
    return 0
