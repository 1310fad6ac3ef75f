"""A fit in words: whether it can be used, what is at a bound, what moved and what did not, what failed and why."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np

from matledger.atomic import output, write_whole
from matledger.calibration import Calibration, predictive_checks
from matledger.calibration.fit import FAR_OFF_SD, WORTH_A_LOOK_SD
from matledger.calibration.names import is_shared
from matledger.calibration.words import LESSONS, fit_words
from matledger.frames import Table

__all__ = ["FitReport", "report_fit"]

TAIL_SD = 2.5
"""Median of an unknown, in its prior's standard deviations, from which it stands in the prior's tail."""
AT_BOUND = 0.02
BOUND_TOGETHER = 0.5
SHARES = ("humified_share", "young_share", "fill_fraction", "root_share", "depth_correlation")
SUSPECT = 0.01


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class FitReport:
    """A fit in words and tables.

    Attributes
    ----------
    calibration
        The fit.
    usable
        Whether nothing failed that speaks against using it; what else lies outside may still be worth a look.
    sections
        Heading and lines of each section.
    tables
        What was taught, and the predictive checks.
    """

    calibration: Calibration
    usable: bool
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    tables: tuple[Table, ...]

    def __repr__(self) -> str:
        parts = [repr(self.calibration)]
        parts += ["\n".join([heading, *(f"- {line}" for line in lines)]) for heading, lines in self.sections]
        parts += [repr(table) for table in self.tables]
        return "\n\n".join(parts)

    def html(self, *, plots: bool = True) -> str:
        """Return a whole page that needs nothing else.

        Parameters
        ----------
        plots
            Whether to draw what was learnt, the fit by green and depth, and the predictive check.
        """
        name = escape(self.calibration.course.name)
        body = "".join(
            f"<h2>{escape(heading)}</h2><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"
            for heading, lines in self.sections
        )
        pictures = "".join(_pictures(self.calibration)) if plots else ""
        tables = "".join(table._repr_html_() for table in self.tables)
        return (
            f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>Fit of {name}</title>"
            f"<style>{STYLE}</style></head><body><h1>Fit of {name}</h1>"
            f"<p>{escape(repr(self.calibration))}</p>{body}{pictures}{tables}</body></html>\n"
        )

    def _repr_html_(self) -> str:
        return self.html(plots=False)

    def save(self, path: str | Path) -> Path:
        """Write the report as text (``.txt``) or as a page (``.html``), whole or not at all.

        Parameters
        ----------
        path
            The file.

        Returns
        -------
        pathlib.Path
            The file.

        Raises
        ------
        InputError
            For another kind of file.
        OSError
            If the file cannot be written, told before the work; an older one is then still whole.
        """
        target = output(path, *ENDINGS)
        write_whole(target, self.html() if target.suffix.lower() == ".html" else f"{self!r}\n")
        return target


ENDINGS = (".html", ".txt")
STYLE = (
    "body{font:16px/1.45 sans-serif;max-width:66em;margin:2em auto;padding:0 1em;color:#222}"
    "table{border-collapse:collapse;margin:1.5em 0;font-size:.85em;display:block;overflow-x:auto}"
    "th,td{padding:.2em .6em;border-bottom:1px solid #ddd}caption{text-align:left;font-weight:bold}"
    "img{max-width:100%;display:block;margin:1.5em 0}"
)


def report_fit(calibration: Calibration, path: str | Path | None = None) -> FitReport:
    """Say in words what a fit found and whether it can be used.

    Parameters
    ----------
    calibration
        The fit.
    path
        File to write it to as well, ending in ``.html`` or ``.txt``; none by default.

    Returns
    -------
    FitReport
        Its text is its ``repr``; `FitReport.html` is a page, `FitReport.save` writes either.

    Raises
    ------
    InputError
        For another kind of file.
    OSError
        If the file cannot be written, told before the work; an older one is then still whole.

    Examples
    --------
    >>> import matledger as mat
    >>> report = mat.report_fit(mat.calibrate(mat.demo_course(), method="laplace", draws=200))
    >>> report.usable
    True
    >>> [heading for heading, _ in report.sections][:2]
    ['Can it be used?', 'What failed, and why']
    """
    if path is not None:
        output(path, *ENDINGS)
    taught = calibration.taught()
    checks = predictive_checks(calibration)
    failed = [*_failed(calibration), *_suspect(checks)]
    outside = [*calibration._tests_away(WORTH_A_LOOK_SD, FAR_OFF_SD), *_outside(checks)]
    outer = [" ".join(found) for found in outside]
    if outer:
        outer.append(f"of the {len(checks.columns['what'])} checks one in ten lies outside by chance")
    sections = (
        ("Can it be used?", tuple(_verdict(calibration, failed, outside))),
        ("What failed, and why", tuple(failed or ["nothing"])),
        ("What else lies outside", tuple(outer or ["nothing"])),
        ("At a bound or in the tail of its prior", tuple(_bounds(calibration) or ["nothing"])),
        ("What the tests moved", tuple(_moved(taught))),
        ("What did not move", tuple(_still(taught))),
        ("Bound together", tuple(_together(calibration) or [f"no pair beyond {BOUND_TOGETHER}"])),
        ("To know", tuple(note for note in calibration.notes if note != calibration._origin)),
    )
    report = FitReport(calibration=calibration, usable=not failed, sections=sections, tables=(taught, checks))
    if path is not None:
        report.save(path)
    return report


def _verdict(calibration: Calibration, failed: list[str], outside: list[tuple[str, str]]) -> list[str]:
    rough = bool(fit_words(calibration).advice)
    yes = "yes, short of quoting it" if rough else "yes"
    if not calibration.converged or (calibration.diagnosis is not None and not calibration.diagnosis.usable):
        verdict = "not yet: see what failed"
    elif failed:
        verdict = "with care: see what failed"
    elif outside:
        verdict = f"{yes}, but look at {'; '.join(what.rstrip(',:') for what, _ in outside)}"
    else:
        verdict = f"{yes}: nothing {'else ' * rough}speaks against it"
    return [verdict, calibration._origin]


def _failed(calibration: Calibration) -> list[str]:
    said = []
    if not calibration.converged:
        said.append(
            f"the search for the most probable values did not settle in {calibration.steps} steps: contradictory tests"
            " or priors; see prior_check(course)"
        )
    if calibration.diagnosis is not None:
        said.extend(calibration.diagnosis.verdict[1:])
    return [*said, *calibration._far_off(coded=True), *calibration._at_odds()]


def _suspect(checks: Table) -> list[str]:
    found = [(what, said) for what, said, share, _ in _checked(checks) if not SUSPECT < share < 1 - SUSPECT]
    return [f"{what} {said}; the model misses something there, or records do" for what, said in found]


def _outside(checks: Table) -> list[tuple[str, str]]:
    outer = [found for found in _checked(checks) if not found[3] and SUSPECT < found[2] < 1 - SUSPECT]
    return [(what, said) for what, said, *_ in outer]


def _checked(checks: Table) -> list[tuple[str, str, float, bool]]:
    """What each check is of and found, its share of repetitions below, and whether nine of ten lie about it."""
    names = ("what", "measured", "5 %", "95 %", "share_below")
    return [
        (
            f"{what}:",
            f"measured {seen:.2f}, where the fit expects {low:.2f} to {high:.2f} in nine of ten repetitions",
            share,
            low <= seen <= high,
        )
        for what, seen, low, high, share in zip(*(checks.columns[name] for name in names), strict=True)
    ]


def _bounds(calibration: Calibration) -> list[str]:
    said = []
    middle = np.median(calibration.coordinates, axis=0)
    for i, name in enumerate(calibration.names):
        value = float(np.median(calibration.draws[:, i]))
        if name in SHARES and not AT_BOUND < value < 1 - AT_BOUND:
            said.append(f"{name} is at a bound ({value:.3f})")
        elif abs(middle[i]) > TAIL_SD:
            side = "above" if middle[i] > 0 else "below"
            said.append(
                f"{name} stands {abs(middle[i]):.1f} of its prior's standard deviations {side} its prior's median"
                f" ({value:.3g}): the tests pull hard; is a record behind it wrong, or the prior narrow?"
            )
    return said


def _moved(taught: Table) -> list[str]:
    c = taught.columns
    shared = [i for i, name in enumerate(c["unknown"]) if is_shared(name)]
    moved = sorted((i for i in shared if c["lesson"][i] != LESSONS["prior"]), key=lambda i: c["spread left"][i])
    said = [
        f"{c['unknown'][i]}: {c['median'][i]:.3g} ({c['5 %'][i]:.3g} to {c['95 %'][i]:.3g}) {_unit(c['unit'][i])}"
        f" from {c['prior_median'][i]:.3g}; {100 * c['spread left'][i]:.0f} % of the prior's spread is left"
        for i in moved
    ]
    return said or ["nothing that the greens share"]


def _unit(unit: str) -> str:
    return "" if unit == "-" else unit


def _still(taught: Table) -> list[str]:
    c = taught.columns
    still = [name for name, lesson in zip(c["unknown"], c["lesson"], strict=True) if lesson == LESSONS["prior"]]
    shared = [name for name in still if is_shared(name)]
    said = [f"{name} is as believed beforehand: its interval is the prior's, not the tests'" for name in shared]
    if len(still) > len(shared):
        said.append(f"and {len(still) - len(shared)} deviations of greens")
    return said or ["everything moved"]


def _together(calibration: Calibration) -> list[str]:
    if len(calibration.coordinates) < 3:
        return []
    together = np.atleast_2d(np.corrcoef(calibration.coordinates, rowvar=False))
    own = np.array([not is_shared(name) for name in calibration.names])
    together[own, :] = together[:, own] = 0.0
    pairs = np.argwhere(np.triu(np.abs(together), 1) > BOUND_TOGETHER)
    strongest = sorted(pairs.tolist(), key=lambda pair: -abs(together[pair[0], pair[1]]))[:8]
    return [
        f"{calibration.names[i]} and {calibration.names[j]}: correlation {together[i, j]:+.2f}; the tests know them"
        " together better than either"
        for i, j in strongest
    ]


def _pictures(calibration: Calibration) -> list[str]:
    import matplotlib.pyplot as plt

    from matledger import fit_plots

    drawn = [
        (fit_plots.learnt(calibration), "each shared unknown before and after the tests"),
        (fit_plots.predictive_check(calibration), "measured against expected"),
    ]
    if any(test.window for test in calibration.course.soil_tests):
        drawn.append((fit_plots.over_time_by_depth(calibration)[0, 0], "the fit of every green at every depth"))
    found = []
    for axes, text in drawn:
        figure, held = axes.get_figure(root=True), io.BytesIO()
        if figure is not None:
            figure.savefig(held, format="png", dpi=110)
            plt.close(figure)
        data = base64.b64encode(held.getvalue()).decode()
        found.append(f"<img alt='{escape(text)}' src='data:image/png;base64,{data}'>")
    return found
