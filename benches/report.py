"""The report of the demo course: how long the page takes as HTML and as PDF.

``python benches/report.py``; five years, 400 draws, the course's own prices and play. The first of each is cold: it loads
matplotlib, the template and the fonts.
"""

import tempfile
import time
from pathlib import Path

import matledger as mat


def main() -> None:
    """Print a line for each file."""
    comparison = mat.compare(mat.calibrate(mat.demo_course(), draws=400, seed=1), years=5)
    with tempfile.TemporaryDirectory() as folder:
        for name in ("cold.html", "warm.html", "cold.pdf", "warm.pdf"):
            wall, processor = time.perf_counter(), time.process_time()
            page = mat.report(comparison, Path(folder) / name)
            wall, processor = time.perf_counter() - wall, time.process_time() - processor
            size_kb = page.stat().st_size / 1024
            print(f"{name}: {wall:.2f} s, {processor:.2f} s of processor time, {size_kb:,.0f} kB")


if __name__ == "__main__":
    main()
