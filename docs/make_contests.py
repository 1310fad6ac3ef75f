"""Measure how often a stated chance between two programmes is right, on invented courses whose truth is known.

    python docs/make_contests.py laplace 200

writes ``docs/contests-laplace.csv``, a row for each contest, and prints the table of ``docs/validation.md``. Four
greens of the demo course, its weather and its days of testing; unknowns from the prior, readings from the model
(`matledger.invent_tests`). Six programmes are drawn at random for each course, and every pair is a contest: which
leaves less organic matter in the top 20 mm after five years, mean over the greens. The fit states a chance; the truth
says how often, over weather to come, it is right.
"""

from __future__ import annotations

import csv
import itertools
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

import matledger as mat

HERE = Path(__file__).parent
GREENS = 4
YEARS = 5
PROGRAMMES = 6
WINDOW = (0.0, 20.0)
EDGES = (0.5, 0.7, 0.85, 0.95, 0.99, 1.0)
FIELDS = ("course", "first", "second", "stated", "right", "difference")


def course() -> mat.Course:
    """The demo course cut to a few greens, without its readings' meaning: they are invented anew."""
    whole = mat.demo_course()
    few = whole.only([green.name for green in whole.greens[:GREENS]])
    return replace(few, programmes=(), prices=None)


def programme(rng: np.random.Generator, number: int) -> mat.Programme:
    """Up to three corings with sand behind them, and light sand in the season, all at random."""
    bore, depth = float(rng.choice([6.4, 9.5, 12.7, 15.9])), float(rng.uniform(50, 90))
    cores = mat.Coring(tine=mat.Tine(inside_diameter_mm=bore), spacing_mm=(50, 50), depth_mm=depth, depth_sd_mm=6)
    filled = mat.Topdressing(sand_mm=cores.hole_volume_mm * float(rng.uniform(0.7, 1.4)))
    dates = ["10 April", "12 September", "20 June"][: int(rng.integers(0, 4))]
    steps = [(f"{date}", [cores, filled]) for date in dates]
    every, light = int(rng.integers(7, 29)), mat.Topdressing(sand_mm=float(rng.uniform(0.1, 0.5)))
    return mat.Programme(str(number), [*steps, (f"every {every} days from 5 May to 31 August", [light])])


def contests(seed: int, method: str) -> list[dict[str, object]]:
    """All contests of one invented course."""
    rng = np.random.default_rng([seed, 1])
    programmes = [programme(rng, n) for n in range(PROGRAMMES)]
    invented = mat.invent_tests(course(), seed=seed)
    chains = {} if method == "laplace" else {"chains": 2, "tune": 400}
    fit = mat.calibrate(invented.course, method=method, draws=400, seed=seed, **chains)
    settings = {
        "years": YEARS,
        "windows": [WINDOW],
        "target": mat.Target(top_mm=WINDOW[0], bottom_mm=WINDOW[1], om_percent=3.0, probability=0.5),
    }
    try:
        said = mat.compare(fit, programmes, **settings, draws=200, weather_sequences=20, seed=seed)
        truth = replace(fit, coordinates=np.tile(invented.coordinates, (40, 1)))
        came = mat.compare(truth, programmes, **settings, draws=40, weather_sequences=40, seed=seed + 1_000_000)
    except RuntimeError as error:  # unknowns far from any green: the engine refuses to run them
        print(f"course {seed}: {error}", file=sys.stderr)
        return []
    stated, real = (c.course_mean(c.om_percent)[:, -1, 0] for c in (said, came))
    rows = []
    for a, b in itertools.combinations(range(PROGRAMMES), 2):
        lower = float((stated[a] < stated[b]).mean())
        a, b, lower = (a, b, lower) if lower >= 0.5 else (b, a, 1 - lower)
        rows.append(
            {
                "course": seed,
                "first": a,
                "second": b,
                "stated": f"{lower:.4f}",
                "right": f"{(real[a] < real[b]).mean():.4f}",
                "difference": f"{np.mean(real[a] - real[b]):.4f}",
            }
        )
    return rows


def measure(method: str, courses: int) -> Path:
    """Run all courses and write their contests."""
    path = HERE / f"contests-{method}.csv"
    with ProcessPoolExecutor(2) as pool, path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, FIELDS, lineterminator="\n")
        writer.writeheader()
        for rows in pool.map(contests, range(courses), itertools.repeat(method)):
            writer.writerows(rows)
            file.flush()
    return path


def table(path: Path) -> str:
    """Stated and true rates by class, with 95 % intervals over courses drawn again, since contests of one are alike."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    course, stated, right = (np.array([float(row[name]) for row in rows]) for name in ("course", "stated", "right"))
    whole = np.unique(course)
    again = np.random.default_rng(0).integers(0, len(whole), (4000, len(whole)))
    lines = [
        "| stated | contests | courses | mean stated | right | 95 % interval |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for low, high in pairwise(EDGES):
        here = (stated >= low) & ((stated < high) | (high == EDGES[-1]))
        mine = here & (course == whole[:, None])
        held = (mine * right).sum(axis=1)[again].sum(axis=1) / mine.sum(axis=1)[again].sum(axis=1)
        least, most = np.quantile(held, [0.025, 0.975])
        lines.append(
            f"| {low:g} to {high:g} | {here.sum()} | {mine.any(axis=1).sum()} | {stated[here].mean():.2f} |"
            f" {right[here].mean():.2f} | {least:.2f} to {most:.2f} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    print(table(measure(sys.argv[1], int(sys.argv[2]))))
