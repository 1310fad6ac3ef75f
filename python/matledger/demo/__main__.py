"""The main job on the demo course: ``python -m matledger.demo OUT``."""

from __future__ import annotations

import argparse
import re
import sys
import time
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from matledger.atomic import check_folder, fresh_folder
from matledger.calibration import Calibration, calibrate
from matledger.comparison import Comparison, compare
from matledger.demo import demo_course
from matledger.frames import Table, csv_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DRAWS, YEARS, SEED = 1000, 5, 1
PAGE, TABLES, PLOTS = "report.html", "tables", "plots"


def main(arguments: Sequence[str] | None = None) -> int:
    """Calibrate the demo course, compare its programmes, and write tables, plots and a page."""
    parser = argparse.ArgumentParser(prog="python -m matledger.demo", description=main.__doc__)
    parser.add_argument("out", type=Path, metavar="OUT", help="folder to write; that of an earlier run is replaced")
    given: Path = parser.parse_args(arguments).out
    out = given.resolve()
    if out.exists() and not out.is_dir():
        parser.error(f"{given} is no folder")
    if strangers := {path.name for path in out.glob("*")} - {PAGE, TABLES, PLOTS}:
        parser.error(f"{given} holds {min(strangers)}, which no earlier run wrote; name another folder")
    try:
        check_folder(out)
    except OSError as error:
        print(f"{given} cannot be written: {error}", file=sys.stderr)
        return 1
    times = [time.perf_counter()]
    calibration = calibrate(demo_course(), draws=DRAWS, seed=SEED)
    times.append(time.perf_counter())
    comparison = compare(calibration, years=YEARS, seed=SEED)
    times.append(time.perf_counter())
    try:
        with fresh_folder(out) as folder:
            _write(folder, comparison)
    except OSError as error:
        print(f"{given} was not written: {error}", file=sys.stderr)
        return 1
    times.append(time.perf_counter())
    calibrating, comparing, writing = (after - before for before, after in pairwise(times))
    print(*_said(calibration, comparison), sep="\n")
    print(
        f"{times[-1] - times[0]:.0f} s: {calibrating:.1f} to calibrate, {comparing:.1f} to compare,"
        f" {writing:.1f} to write."
    )
    print(f"Look at {given / PAGE} first; {TABLES} and {PLOTS} lie beside it.")
    return 0


def _said(calibration: Calibration, comparison: Comparison) -> Iterator[str]:
    course, target, costs = calibration.course, comparison.target, comparison.budget
    assert target is not None
    assert costs is not None
    yield (
        f"{course.name} (invented; weather of Seattle, {course.weather.start} to {course.weather.end}):"
        f" {len(course.greens)} greens, {len(course.soil_tests)} soil tests, {len(course.work)} records of work."
    )
    yield calibration.notes[0][0].upper() + calibration.notes[0][1:] + "."
    window = comparison.samples[comparison.first_sample]
    yield (
        f"Wanted: at most {target.om_percent:g} % organic matter in {window} on every green on {comparison.dates[-1]},"
        f" with a probability of {target.probability:g}."
    )
    columns = comparison.summary().columns
    shown = zip(
        columns["programme"],
        *(columns[f"OM % in {window}{point}"] for point in ("", ", 5 %", ", 95 %")),
        columns["P(target) every green"],
        *(columns[name] for name in ("surface cored or cut out in a year, %", "sand a year, mm")),
        strict=True,
    )
    for index, (name, median, low, high, reached, surface, sand) in enumerate(shown):
        yield (
            f"  {name}: {median:.1f} % ({low:.1f} to {high:.1f}), probability {reached:.2f};"
            f" {surface:.1f} % of the surface, {sand:.1f} mm of sand, {comparison.disrupted_days[index]:.0f} days below"
            f" full cover and {costs.a_year[index]:,.0f} {costs.currency} a year"
        )
    yield comparison.verdict()


def _write(into: Path, comparison: Comparison) -> None:
    from matledger.reporting import report

    (into / TABLES).mkdir()
    for name, table in _tables(comparison).items():
        (into / TABLES / f"{name}.txt").write_text(f"{table!r}\n", encoding="utf-8")
        (into / TABLES / f"{name}.csv").write_text(csv_text(table), encoding="utf-8", newline="")
    _save_plots(into / PLOTS, comparison)
    report(comparison, into / PAGE)


def _tables(comparison: Comparison) -> dict[str, Table]:
    assert comparison.budget is not None
    return {
        "summary": comparison.summary(),
        "by_green": comparison.by_green(),
        "by_year": comparison.by_year(),
        "contrasts": comparison.contrasts(),
        "costs": comparison.budget.table(),
        "regret": comparison.regret(),
        "ledger": comparison.ledger(),
        "what_the_tests_taught": comparison.calibration.taught(),
        "tests_and_model": comparison.calibration.tests(),
    }


def _save_plots(folder: Path, comparison: Comparison) -> None:
    import matplotlib as mpl

    # The plots go to files: no screen is needed.
    mpl.use("Agg")
    import matplotlib.pyplot as plt

    folder.mkdir()
    for name, axes in _plots(comparison):
        figure = axes.get_figure(root=True)
        assert figure is not None
        figure.savefig(folder / f"{re.sub('[^A-Za-z0-9.]+', '_', name)}.png", dpi=130)
        plt.close(figure)


def _plots(comparison: Comparison) -> Iterator[tuple[str, Axes]]:
    from matledger import plots

    calibration = comparison.calibration
    yield "programmes", plots.programmes(comparison)
    yield "costs", plots.costs(comparison)
    for programme in comparison.names:
        yield f"ledger {programme}", plots.ledger(comparison, programme)
    for green in comparison.greens:
        yield f"over time {green}", plots.over_time(calibration, green)
        yield f"profile {green}", plots.profile(calibration, green)


if __name__ == "__main__":
    sys.exit(main())
