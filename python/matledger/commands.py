"""The commands of ``matledger new | check | fit | compare | report FOLDER``; `matledger.cli` starts them."""

from __future__ import annotations

import argparse
import io
import sys
import warnings
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Self, TextIO

from matledger import _core
from matledger.cli import BAD_INPUT, NO_ANSWER, NO_FILE, NO_PROGRAMME, OK
from matledger.errors import InputError, Problem
from matledger.findings import counted

if TYPE_CHECKING:
    from matledger.calibration import Calibration
    from matledger.comparison import Comparison
    from matledger.course import Course
    from matledger.units import System

__all__ = ["run"]

CHAINS, TUNE = 4, 1000

DESCRIPTION = """\
How much organic matter putting greens make, what coring and sanding do about it, what that costs, and which programme
to choose. A course is a folder with course.toml and the CSV files that it names; `matledger new FOLDER` writes one."""

EXAMPLES = """\
examples:
  matledger new my-course                      a starter course, to be edited; --units us for inches and feet
  matledger check my-course                    what is there, and every problem with it
  matledger fit my-course --seed 1             what the soil tests taught
  matledger compare my-course                  the programmes side by side
  matledger compare my-course --method nuts    the same by sampling: slow, and what to quote
  matledger report my-course --out plan.html --present "twice a year" --budget budget.xlsx

"""

EPILOG = """\
exit codes: 0 all is well; 1 no answer could be computed; 2 the input or the command is wrong (every problem is listed);
3 no programme reaches the target; 4 a file cannot be read or written; 130 stopped by Ctrl-C"""


def _parser() -> argparse.ArgumentParser:
    shaped = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(
        prog="matledger", description=DESCRIPTION, epilog=EXAMPLES + EPILOG, formatter_class=shaped
    )
    parser.add_argument("--version", action="version", version=f"matledger {_core.VERSION}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, text: str, folder: str = "folder of the course") -> argparse.ArgumentParser:
        added = commands.add_parser(name, help=text, description=text, epilog=EPILOG, formatter_class=shaped)
        added.add_argument("folder", type=Path, metavar="FOLDER", help=folder)
        return added

    new = command("new", "write a commented starter course into a new folder", "folder to make, not there yet")
    look = command(
        "check",
        "read a course, or a study that was run, and list every problem by file, row and column",
        "folder of the course, or of the study",
    )
    look.add_argument("--again", action="store_true", help="also run a study once more and hold its results against it")
    fit = command("fit", "fit the unknowns to the soil tests and say what they taught")
    weigh = command("compare", "run the course's programmes forward and set them side by side")
    page = command("report", "write the page for the committee, and the budget")
    for each in (fit, weigh, page):
        each.add_argument(
            "--method",
            choices=("laplace", "nested", "nuts"),
            default="laplace",
            help="laplace: a quick look (default); nested: takes 2.4 times as long, for close contests between"
            " programmes; nuts: sampling, slower still, which is what to quote",
        )
        each.add_argument(
            "--checkpoint",
            type=Path,
            metavar="FILE",
            help="keeps the draws of nuts; a run goes on from it (default: none are kept)",
        )
        each.add_argument("--seed", type=int, default=0, help="seed of every draw (default 0)")
        forecasts = "" if each is fit else "; programmes are run forward on so many, of the chains in turn"
        each.add_argument(
            "--draws",
            type=int,
            help=f"draws of the unknowns (default 400; with nuts 1000, of each of {CHAINS} chains{forecasts})",
        )
        each.add_argument("--quiet", action="store_true", help="no progress bar")
    for each in (weigh, page):
        each.add_argument("--years", type=int, default=5, help="years to run (default 5)")
    own = "what course.toml says"
    for each, what, whose in (
        (new, "the starter's files, kept in its course.toml", "metric"),
        *((fit, "tables", own), (weigh, "tables", own), (page, "the page", own)),
    ):
        each.add_argument("--units", choices=("metric", "us"), help=f"units of {what} (default: {whose})")
    page.add_argument("--out", type=Path, metavar="FILE", help="plan.pdf or plan.html (default: plan.pdf in FOLDER)")
    page.add_argument("--present", metavar="NAME", help="the present programme (default: the first)")
    page.add_argument("--budget", type=Path, metavar="FILE", help="also write the budget, as .xlsx or .csv")
    return parser


def run(arguments: Sequence[str] | None) -> int:
    """Run a command, and return its exit code."""
    given = _parser().parse_args(arguments)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal that cannot show a name shows its code
            stream.reconfigure(errors="backslashreplace")
    try:
        return _run(given)
    except InputError as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except OSError as error:
        print(error, file=sys.stderr)
        return NO_FILE
    except RuntimeError as error:
        print(f"no answer could be computed: {error}", file=sys.stderr)
        return NO_ANSWER


def _run(given: argparse.Namespace) -> int:
    if given.command == "new":
        return _new(given.folder, given.units or "metric")
    if given.command == "check" and (given.folder / "study.toml").is_file():
        return _check_study(given.folder, again=given.again)
    if given.command != "check" and given.checkpoint is not None and given.method != "nuts":
        raise InputError(
            [Problem("--checkpoint", str(given.checkpoint), "none, or --method nuts: only chains are kept")]
        )
    course, odd = _load(given.folder)
    if given.command == "check":
        print(course.name, *(f"  {name}: {fact}" for name, fact in course.facts), sep="\n")
        _say(course.notes)
        _say(odd, "worth a look")
        print("no problem was found" + f", but {len(odd)} worth a look" * bool(odd))
        return OK
    _say(odd, "worth a look", sys.stderr)
    if given.units is None:
        given.units = course.units
    if given.draws is None:
        given.draws = 1000 if given.method == "nuts" else 400
    if given.command in ("compare", "report"):
        _check_draws(given.draws)
    if given.command == "report":
        _check_outputs(given, course)
    with Bar(sys.stderr, shown=not given.quiet and sys.stderr.isatty()) as bar:
        return _answer(course, given, bar)


def _answer(course: Course, given: argparse.Namespace, bar: Bar) -> int:
    calibration = _fit(course, given, bar)
    if given.command == "fit":
        bar.stop()
        print(calibration.taught(given.units))
        _say(calibration.notes)
        return OK
    from matledger.comparison import compare

    sequences = 20
    bar.start("comparing", len(course.programmes) * min(sequences, given.draws))
    comparison = compare(
        calibration,
        years=given.years,
        draws=given.draws,
        seed=given.seed,
        weather_sequences=sequences,
        progress=bar.show,
    )
    bar.stop()
    if given.command == "compare":
        print(comparison.summary(given.units).turned())
        if comparison.budget is not None:
            print(f"\n{comparison.budget.table().turned()}")
        if comparison.losses() is not None:
            print(f"\n{comparison.regret().turned()}")
        print()
        _say(comparison.notes_in(given.units))
    else:
        _report(comparison, given)
    print(comparison.verdict(given.units))
    return NO_PROGRAMME if comparison.target is not None and comparison.recommended is None else OK


def _check_study(folder: Path, *, again: bool) -> int:
    from matledger.study_check import check_study

    differing = check_study(folder, again=again)
    print(f"{folder}: every file is as it was when the study was run" + (", and its results came out again" * again))
    print("\n".join(f"note: {note}" for note in differing))
    return OK


def _fit(course: Course, given: argparse.Namespace, bar: Bar) -> Calibration:
    from matledger.calibration import calibrate

    bar.start("fitting", (TUNE + given.draws) * CHAINS if given.method == "nuts" else None)
    calibration = calibrate(
        course,
        method=given.method,
        draws=given.draws,
        chains=CHAINS,
        tune=TUNE,
        seed=given.seed,
        checkpoint=given.checkpoint,
        progress=bar.show,
    )
    run = calibration.chains
    if run is not None and run.interrupted:
        made = f"{counted(run.energy.shape[1], 'draw')} of each chain were made"
        if given.checkpoint is None:
            raise KeyboardInterrupt(f"{made} and are lost; with --checkpoint FILE a run goes on from them")
        raise KeyboardInterrupt(f"{made}; the same command goes on from {given.checkpoint}")
    return calibration


def _load(folder: Path) -> tuple[Course, list[str]]:
    """Read a course, and what of its numbers is worth a look."""
    from matledger.course_file import load_course

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        course = load_course(folder)
    return course, [str(each.message) for each in caught]


def _say(notes: Sequence[str], kind: str = "note", stream: TextIO | None = None) -> None:
    for note in notes:
        print(f"{kind}: {note}", file=stream)


def _check_draws(draws: int) -> None:
    """Refuse so few draws that nothing could be recommended."""
    from matledger.chances import LEAST_DRAWS

    if draws < LEAST_DRAWS:
        raise InputError([Problem("--draws", str(draws), f"at least {LEAST_DRAWS}, to weigh programmes by")])


def _check_outputs(given: argparse.Namespace, course: Course) -> None:
    """Refuse what could not be written, before the work is done and not after."""
    from matledger.atomic import check_file

    missing = [name for name in ("jinja2", "matplotlib", "typst", "xlsxwriter") if find_spec(name) is None]
    wanted = [("--out", given.out, (".pdf", ".html")), ("--budget", given.budget, (".xlsx", ".csv"))]
    problems = []
    if missing:
        needed = 'the extra that brings it: pip install "matledger[report]"'
        problems.append(Problem("report", f"{', '.join(missing)} not installed", needed))
    for option, path, endings in wanted:
        if path is None:
            continue
        if path.suffix.lower() not in endings:
            problems.append(Problem(option, str(path), f"a file name ending in {' or '.join(endings)}"))
        if not path.absolute().parent.is_dir():
            problems.append(Problem(option, str(path), "a file in a folder that is there"))
    if given.budget is not None and course.prices is None:
        problems.append(Problem("--budget", str(given.budget), "a course with [prices] in course.toml"))
    names = [programme.name for programme in course.programmes]
    if given.present is not None and given.present not in names:
        problems.append(Problem("--present", repr(given.present), f"one of {', '.join(names)}"))
    if problems:
        raise InputError(problems)
    for path in (_page(given), given.budget):
        if path is not None:
            check_file(path)


def _page(given: argparse.Namespace) -> Path:
    """The page's file; by default one in the course's folder."""
    folder: Path = given.folder
    out: Path | None = given.out
    return folder / "plan.pdf" if out is None else out


def _report(comparison: Comparison, given: argparse.Namespace) -> None:
    from matledger.budget_files import write_budget
    from matledger.reporting import report

    print(report(comparison, _page(given), units=given.units, present=given.present))
    if comparison.budget is not None and given.budget is not None:
        print(write_budget(comparison.budget, given.budget))


def _new(folder: Path, units: System) -> int:
    from matledger.atomic import fresh_folder
    from matledger.starter import starter

    if folder.exists():
        raise InputError([Problem("FOLDER", str(folder), "a folder that is not there yet")])
    with fresh_folder(folder) as draft:
        for name, text in starter(units).items():
            draft.joinpath(name).write_text(text, encoding="utf-8")
    named = f'"{folder}"' if " " in str(folder) else folder
    print(f"{folder}: edit course.toml and the CSV files, then run: matledger check {named}")
    return OK


class Bar:
    """One line of progress on a terminal."""

    WIDTH = 30

    def __init__(self, stream: TextIO, *, shown: bool) -> None:
        self.stream, self.shown = stream, shown
        self.name = ""
        self.total: int | None = None

    def __enter__(self) -> Self:
        """Return the bar; no line of it is left behind, whatever ends it."""
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self, name: str, total: int | None) -> None:
        """Begin a bar; without a total only the count is shown."""
        self.name, self.total = name, total

    def show(self, done: int) -> None:
        """Draw the bar anew."""
        if not self.shown:
            return
        if self.total:
            done = min(done, self.total)  # whole blocks of draws are kept
            filled = round(self.WIDTH * done / self.total)
            text = f"[{'#' * filled}{'.' * (self.WIDTH - filled)}] {done}/{self.total}"
        else:
            text = f"{done} steps"
        self.stream.write(f"\r{self.name} {text}\x1b[K")
        self.stream.flush()

    def stop(self) -> None:
        """Clear the line."""
        if self.shown:
            self.stream.write("\r\x1b[K")
            self.stream.flush()
