"""Rank the truth among draws of a fit, on invented courses: draws of the right density rank it evenly.

    python docs/make_ranks.py nuts 200
    python docs/make_ranks.py nested 200
    python docs/make_ranks.py laplace 200

each write ``docs/ranks-METHOD.csv``, a row for each course, draw ``docs/images/ranks.png`` from what is there, and
print the table of ``docs/validation.md``. Unknowns come from the very prior of the fit and readings from the very
density (`matledger.invent_tests`), so that every rank from 0 to `DRAWS` has the same chance if draws and density are
right. A run that was stopped goes on where it stood. Courses run in two processes; `measure` takes any executor.
"""

from __future__ import annotations

import csv
import datetime as dt
import multiprocessing
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import closing
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy import stats

import matledger as mat
from matledger._arrays import Floats
from matledger.atomic import write_whole
from matledger.calibration.fit import FitMethod
from matledger.executors import as_found

HERE = Path(__file__).parent
PICTURE = HERE / "images" / "ranks.png"
METHODS = ("nuts", "nested", "laplace")
GREENS = 2
END = dt.date(2013, 10, 31)
LIGHT_SAND = (6, 8)
"""Months of light sand that are kept."""
DEPTH_MM = 110.0
DEEP = (60.0, 100.0)
"""A fourth window, below the three of the demo course."""
DRAWS = 49
SETTLED, MOST_DRAWS = 1.05, 2000
BINS = 10
TOP = (0.0, 20.0)
OTHERS = ("log_density", "om_percent_at_the_end", "programmes_two_years_on")
SIMULATED = 20_000


def course() -> mat.Course:
    """Two greens and two seasons of the demo course with little sand, so that many fits can be paid for."""
    whole = mat.demo_course()
    few = whole.only([green.name for green in whole.greens[:GREENS]])
    tests = [test for test in few.soil_tests if test.date <= END]
    deep = [replace(test, top_mm=DEEP[0], bottom_mm=DEEP[1]) for test in tests if test.top_mm == 0]
    work = [record for record in few.work if record.date <= END]
    return replace(
        few,
        settings=replace(few.settings, column_depth_mm=DEPTH_MM),
        weather=few.weather.slice(few.weather.start, END),
        soil_tests=[*tests, *deep],
        clippings=[record for record in few.clippings if record.last_day <= END],
        work=[record for record in work if record.green != "all" or record.date.month in LIGHT_SAND],
        programmes=(),
        prices=None,
    )


def sampled(invented: mat.Course, seed: int) -> mat.Calibration:
    """Two chains, made twice as long until they agree or have `MOST_DRAWS` draws each."""
    with tempfile.TemporaryDirectory() as folder:
        kept, draws = Path(folder) / "chains", 500
        while True:
            settings = {"chains": 2, "tune": 300, "draws": draws, "seed": seed, "checkpoint": kept}
            fit = mat.calibrate(invented, method="nuts", **settings)
            if max(fit.diagnosis.rhat) <= SETTLED or draws == MOST_DRAWS:
                return fit
            draws *= 2


def ranks(seed: int, method: FitMethod) -> dict[str, object]:
    """Ranks of the truth among `DRAWS` draws evenly spaced over the chains, for each unknown and `OTHERS`."""
    invented = mat.invent_tests(course(), seed=seed)
    if method == "nuts":
        fit = sampled(invented.course, seed)
        worst, least = max(fit.diagnosis.rhat), min(*fit.diagnosis.ess_bulk, *fit.diagnosis.ess_tail)
        settled = {"rhat": f"{worst:.3f}", "effective": f"{least:.0f}"}
        every = fit.chains.coordinates.reshape(-1, len(fit.names))
        draws = every[np.linspace(0, len(every) - 1, DRAWS).round().astype(int)]
    else:
        fit = mat.calibrate(invented.course, method=method, draws=DRAWS, seed=seed)
        settled, draws = {"rhat": "", "effective": ""}, fit.coordinates
    both = replace(fit, coordinates=np.vstack([invented.coordinates, draws]))
    density = [fit.log_density_and_gradient(z)[0] for z in both.coordinates]
    at_end = [both.trace(green.name, [END], [TOP])[:, 0, 0] for green in fit.course.greens]
    # Each draw under a weather of its own, as the truth.
    ahead = {"years": 2, "windows": [TOP], "draws": DRAWS + 1, "weather_sequences": DRAWS + 1, "seed": seed}
    compared = mat.compare(both, mat.demo_course().programmes[:2], **ahead)
    one, other = compared.course_mean(compared.om_percent)[:, -1, 0]
    values = np.column_stack([both.draws, density, np.mean(at_end, axis=0), one - other])
    found = (values[1:] < values[0]).sum(axis=0)
    return {"course": seed, **settled, **dict(zip((*fit.names, *OTHERS), found.tolist(), strict=True))}


def measure(method: FitMethod, courses: int, path: Path, executor: Executor | None) -> None:
    """Rank the truth of all courses that the file has not got, and write each row as it is found."""
    done = read(path) if path.exists() else []
    have = {int(row["course"]) for row in done}
    todo = [(seed, method) for seed in range(courses) if seed not in have]
    with closing(as_found(ranks, todo, executor=executor)) as coming:
        for _, found in coming:
            done.append({name: str(value) for name, value in found.items()})
            done.sort(key=lambda row: int(row["course"]))
            lines = [",".join(done[0]), *(",".join(row.values()) for row in done)]
            write_whole(path, "\n".join(lines) + "\n")


def read(path: Path) -> list[dict[str, str]]:
    """The rows of a file."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def columns(rows: Sequence[dict[str, str]]) -> dict[str, Floats]:
    """Ranks by quantity."""
    names = [name for name in rows[0] if name not in ("course", "rhat", "effective")]
    return {name: np.array([float(row[name]) for row in rows]) for name in names}


def unlikeliest(found: Floats) -> Floats:
    """The least chance of the counts of ranks up to each value, either way, for rows of ranks.

    A band around the empirical distribution function that holds all of it at once holds where this is large: Sailynoja,
    Burkner & Vehtari 2022, Stat. Comput. 32:32 (memory).
    """
    ranks_, count = np.atleast_2d(found), np.shape(found)[-1]
    upto = np.arange(DRAWS)
    share = (upto + 1) / (DRAWS + 1)
    below = (ranks_[:, :, None] <= upto).sum(axis=1)
    either = np.minimum(stats.binom.cdf(below, count, share), stats.binom.sf(below - 1, count, share))
    least: Floats = 2 * either.min(axis=1)
    return least


@lru_cache
def even(count: int) -> Floats:
    """`unlikeliest` of ranks that are all equally likely, sorted."""
    rng = np.random.default_rng(0)
    blocks = [unlikeliest(rng.integers(0, DRAWS + 1, (1000, count))) for _ in range(SIMULATED // 1000)]
    return np.sort(np.concatenate(blocks))


def chances(rows: Sequence[dict[str, str]]) -> dict[str, tuple[float, float, float]]:
    """For each quantity, mean rank as a share, and the chances of ranks less even: chi-square and bands."""
    simulated, found = even(len(rows)), {}
    for name, values in columns(rows).items():
        counts = np.bincount((values * BINS // (DRAWS + 1)).astype(int), minlength=BINS)
        of_band = np.searchsorted(simulated, unlikeliest(values)[0], side="right") / SIMULATED
        found[name] = (values.mean() / DRAWS, float(stats.chisquare(counts).pvalue), float(of_band))
    return found


def table(files: dict[str, Path]) -> str:
    """Each quantity's chances by each method, and how many fall below 0.05."""
    of = {method: chances(read(path)) for method, path in files.items()}
    parts = [f"{m}, mean rank | chi-square | bands" for m in of]
    lines = [f"| quantity | {' | '.join(parts)} |", "| --- |" + " --- | --- | --- |" * len(of)]
    names = list(next(iter(of.values())))
    for name in names:
        cells = [f"{found[name][0]:.2f} | {found[name][1]:.3f} | {found[name][2]:.3f}" for found in of.values()]
        lines.append(f"| `{name}` | {' | '.join(cells)} |")
    below = [[sum(row[i] < 0.05 for row in found.values()) for i in (1, 2)] for found in of.values()]
    lines.append(f"| *of {len(names)}, below 0.05* | {' | '.join(f' | {a} | {b}' for a, b in below)} |")
    return "\n".join(lines)


def held(files: dict[str, Path], name: str = "programmes_two_years_on") -> str:
    """How often the middle ranks of a quantity, some nine in ten, held the truth."""
    low = (DRAWS + 1) * 3 // 50
    inside = [(low <= ranked) & (ranked <= DRAWS - low) for ranked in (columns(read(p))[name] for p in files.values())]
    share = (DRAWS + 1 - 2 * low) / (DRAWS + 1)
    said = ", ".join(f"{100 * found.mean():.1f} % by {method}" for method, found in zip(files, inside, strict=True))
    return f"{100 * share:.0f} % intervals of `{name}` held the truth: {said}"


def settled(path: Path) -> str:
    """How well the chains behind the ranks agreed."""
    rhat, effective = (np.array([float(row[name]) for row in read(path)]) for name in ("rhat", "effective"))
    return (
        f"{len(rhat)} courses; largest R-hat of a course: median {np.median(rhat):.3f}, at most {rhat.max():.3f}, above"
        f" {SETTLED} in {(rhat > SETTLED).sum()}; fewest effective draws of a course: median"
        f" {np.median(effective):.0f}, at least {effective.min():.0f}"
    )


def picture(files: dict[str, Path], path: Path) -> None:
    """The empirical distribution function of every quantity less what is expected, with its band."""
    import matplotlib.pyplot as plt

    from matledger.plots import COLOURS, DASHES

    shape = {"figsize": (5 * len(files), 5), "sharey": True, "squeeze": False}
    figure, axes = plt.subplots(1, len(files), layout="constrained", **shape)
    upto = np.arange(DRAWS)
    share = (upto + 1) / (DRAWS + 1)
    for ax, (method, file) in zip(axes[0], files.items(), strict=True):
        rows = read(file)
        simulated, said = even(len(rows)), chances(rows)
        level = simulated[SIMULATED // 20]
        low, high = (stats.binom.ppf(p, len(rows), share) / len(rows) - share for p in (level / 2, 1 - level / 2))
        ax.fill_between(share, low, high, step="mid", color="#dddddd", label="95 % of even ranks")
        outside = sorted((name for name in said if said[name][2] < 0.05), key=lambda name: said[name][2])
        for name, values in columns(rows).items():
            line = (values[:, None] <= upto).mean(axis=0) - share
            place = outside.index(name) if name in outside else None
            if place is None or place >= len(COLOURS):
                ax.plot(share, line, color="#808080", linewidth=0.6)
            else:
                ax.plot(share, line, color=COLOURS[place], linestyle=DASHES[place], label=name)
        ax.set(title=f"{method}, {len(rows)} courses", xlabel="rank of the truth, as a share")
        ax.legend(fontsize="small", frameon=False, ncols=2, loc="upper center", bbox_to_anchor=(0.5, -0.15))
    axes[0, 0].set_ylabel("ranks up to here, less expected")
    path.parent.mkdir(exist_ok=True)
    figure.savefig(path, dpi=120)
    plt.close(figure)


def files() -> dict[str, Path]:
    """The files that are there."""
    paths = {method: HERE / f"ranks-{method}.csv" for method in METHODS}
    return {method: path for method, path in paths.items() if path.exists()}


if __name__ == "__main__":
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        measure(sys.argv[1], int(sys.argv[2]), HERE / f"ranks-{sys.argv[1]}.csv", pool)
    picture(files(), PICTURE)
    print(table(files()))
    print(held(files()))
    if "nuts" in files():
        print(settled(files()["nuts"]))
