"""A page for the committee and the evidence behind it, as one HTML file or as PDF."""

from __future__ import annotations

import base64
import io
import json
import secrets
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import plots
from matledger.atomic import write_whole
from matledger.cautions import CAUTIONS, FIRST
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.units import System

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matledger.comparison import Comparison

__all__ = ["report"]

METHOD = (
    "The ground is a stack of parcels that move with the sand: grass lays litter down in proportion to its clippings,"
    " litter decays in two pools at a rate set by temperature, coring takes out its share of every parcel that the"
    " tines reach, sand fills the holes and then buries the surface. What is not known was fitted to this course's soil"
    " tests; the programmes were then run forward on draws of the fit and on whole weather years of the record. Every"
    " gram is accounted for.",
    "Intervals come from a normal approximation at the most probable values and are somewhat narrow.",
    "Days to recover follow degree days: holes close from their rim, sand clears from the leaves. The form and its"
    " defaults are this library's own, set by common practice (about four weeks for a 12.7 mm hole) and one trial;"
    " readings of cover from the course replace them.",
    "Hours come from working width, speed, passes and turning; rates that the course did not state are our own rounded"
    " figures, without a source. Prices are the course's.",
)


def report(comparison: Comparison, path: str | Path, *, units: System = "metric", present: str | None = None) -> Path:
    """Write a page for the committee and the evidence behind it, as one self-contained HTML file or as PDF.

    Parameters
    ----------
    comparison
        The forecasts.
    path
        File to write, ending in ``.html`` or ``.pdf``; it is written whole or not at all.
    units
        ``"metric"`` or ``"us"``.
    present
        Name of the present programme, which the first page sets beside the recommended one; the first by default.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        For another ending, and a present programme that is not among those compared.
    OSError
        If the file cannot be written; an older one is then still whole.

    Examples
    --------
    >>> import matledger as mat, tempfile
    >>> calibration = mat.calibrate(mat.demo_course(), draws=50)
    >>> comparison = mat.compare(calibration, years=1, weather_sequences=2)
    >>> mat.report(comparison, tempfile.mkdtemp() + "/plan.html").name
    'plan.html'
    """
    target = Path(path)
    ending = target.suffix.lower()
    problems = []
    if ending not in (".html", ".pdf"):
        problems.append(Problem("path", str(path), "a file name ending in .html or .pdf"))
    if present is not None and present not in comparison.names:
        problems.append(Problem("present", repr(present), f"one of {', '.join(comparison.names)}"))
    if problems:
        raise InputError(problems)
    import matplotlib as mpl

    with mpl.rc_context({"text.parse_math": False}):  # a name may hold a dollar sign
        content = _content(comparison, units, comparison.names.index(present) if present else 0)
    if ending == ".html":
        write_whole(target, _html(content))
    else:
        draft = target.with_name(f".{target.stem}.{secrets.token_hex(4)}.pdf")
        try:
            draft.write_bytes(_pdf(content))
            draft.replace(target)
        finally:
            draft.unlink(missing_ok=True)
    return target


def side_by_side(comparison: Comparison, present: int) -> Table:
    """The recommended programme, or the nearest, beside the present one: chance, cost, closed and disrupted days."""
    best = comparison.recommended
    other = best
    if best is None and comparison.probability_all is not None:
        other = int(np.argmax(comparison.probability_all[:, -1]))
    shown = [present] if other in (None, present) else [present, int(other or 0)]
    columns: dict[str, list[Any]] = {"": [], **{_role(comparison, p, present): [] for p in shown}}

    def row(name: str, values: list[str]) -> None:
        for column, value in zip(columns.values(), [name, *values], strict=True):
            column.append(value)

    row("programme", [comparison.names[p] for p in shown])
    om = np.median(comparison.course_mean(comparison.om_percent)[:, -1, comparison.first_sample], axis=-1)
    if comparison.probability_all is not None:
        row("chance that every green holds", [f"{comparison.probability_all[p, -1]:.0%}" for p in shown])
    row(f"organic matter on {comparison.dates[-1]}", [f"{om[p]:.1f} %" for p in shown])
    if comparison.budget is not None:
        row("cost a year", [f"{comparison.budget.a_year[p]:,.0f} {comparison.budget.currency}" for p in shown])
        row("closed days a year", [f"{comparison.budget.closed_days[p].mean():.1f}" for p in shown])
    row("days a year below 99 % cover", [f"{comparison.disrupted_days[p]:.0f}" for p in shown])
    return Table("at a glance", columns)


def _role(comparison: Comparison, programme: int, present: int) -> str:
    best = comparison.recommended
    if programme == present:
        return "present programme, recommended" if best == present else "present programme"
    return "recommended" if best is not None else "nearest to the target"


def _content(comparison: Comparison, units: System, present: int) -> dict[str, Any]:
    calibration = comparison.calibration
    course, wish = calibration.course, comparison.target
    window = comparison.samples[comparison.first_sample]
    tested = next((t.green for t in course.soil_tests if t.window is not None), None)
    question = (
        f"What does each programme leave in the ground by {comparison.dates[-1]}?"
        if wish is None
        else f"Which programme keeps organic matter in {window} at or below {wish.om_percent:g} % on every green until"
        f" {comparison.dates[-1]}, with a probability of at least {wish.probability:g}? The limit is this course's own"
        " choice: no range is accepted everywhere."
    )
    evidence: list[tuple[str, list[tuple[str, Any]]]] = [
        ("Programmes side by side", [("table", comparison.summary(units)), ("table", comparison.contrasts())]),
    ]
    if comparison.budget is not None:
        evidence.append(("What it costs", [("table", comparison.budget.table()), ("table", comparison.budget.work())]))
    evidence += [
        ("Green by green", [("table", comparison.by_green())]),
        (
            "Where the organic matter goes",
            [
                *(
                    (
                        "figure",
                        (
                            plots.ledger(comparison, name),
                            f"Account of organic matter under {name}: start, grown, decayed, cored out, mown out, below"
                            " the column, end; the sentences below say the same.",
                        ),
                    )
                    for name in comparison.names
                ),
                ("list", list(comparison.ledger_in_words())),
            ],
        ),
        (
            "What the soil tests taught",
            [
                *(
                    []
                    if tested is None
                    else [
                        (
                            "figure",
                            (
                                plots.over_time(calibration, tested),
                                f"Soil tests of green {tested} and the model over the record.",
                            ),
                        )
                    ]
                ),
                ("table", calibration.taught()),
            ],
        ),
        ("Method and assumptions", [("text", paragraph) for paragraph in METHOD]),
        ("How sure this is", [("list", list(comparison.notes))]),
        (
            "Cautions",
            [("strong", FIRST), ("list", [f"{c.hazard}: {c.advice} ({c.standard})" for c in CAUTIONS])],
        ),
    ]
    return {
        "title": f"{course.name}: which programme of coring and sanding?",
        "note": ("The data are invented. " if course.invented else "") + course.note,
        "question": question,
        "answer": comparison.verdict(),
        "chance": _chance(comparison),
        "glance": side_by_side(comparison, present),
        "picture": (
            plots.programmes(comparison),
            "Organic matter at the end of each year under each programme, median and 90 % interval, mean of the greens"
            " by area; the table of programmes holds the last year's figures.",
        ),
        "first": FIRST,
        "evidence": evidence,
    }


def _chance(comparison: Comparison) -> str:
    best = comparison.recommended
    if best is None or comparison.probability_all is None:
        return ""
    fails = 10 - round(10 * float(comparison.probability_all[best, -1]))
    return (
        "In words: nearly certain."
        if fails == 0
        else f"In words: of ten courses like this one, {fails} would still have a green above the limit."
    )


def _png(axes: Axes) -> bytes:
    """Draw the axes' figure and close it."""
    import matplotlib.pyplot as plt

    figure = axes.get_figure(root=True)
    if figure is None:
        raise RuntimeError("the axes belong to no figure")
    held = io.BytesIO()
    figure.savefig(held, format="png", dpi=130)
    plt.close(figure)
    return held.getvalue()


def _html(content: dict[str, Any]) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("matledger"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )

    def drawn(picture: tuple[Axes, str]) -> str:
        return "data:image/png;base64," + base64.b64encode(_png(picture[0])).decode("ascii")

    return environment.get_template("report.html").render(content, drawn=drawn)


def _pdf(content: dict[str, Any]) -> bytes:
    """Typeset the same content; data reach the template as JSON, so that no text is read as markup."""
    import typst

    pictures: dict[str, bytes] = {}

    def plain(value: Any) -> Any:
        if isinstance(value, Table):
            return asdict(value) | {
                "columns": list(value.columns),
                "rows": value.cells(),
                "numeric": [name in value.formats for name in value.columns],
            }
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items()}
        if isinstance(value, list | tuple):
            if len(value) == 2 and hasattr(value[0], "get_figure"):
                name = f"figure-{len(pictures)}.png"
                pictures[name] = _png(value[0])
                return {"file": name, "alt": value[1]}
            return [plain(item) for item in value]
        return value

    data = json.dumps(plain(content), default=str)
    with TemporaryDirectory() as folder:
        room = Path(folder)
        template = files("matledger").joinpath("templates/report.typ").read_text(encoding="utf-8")
        room.joinpath("report.typ").write_text(template, encoding="utf-8")
        room.joinpath("content.json").write_text(data, encoding="utf-8")
        for name, drawn in pictures.items():
            room.joinpath(name).write_bytes(drawn)
        # ua-1 wants tagged headings, and a description of every figure.
        return typst.compile(room / "report.typ", format="pdf", pdf_standards=["ua-1"])
