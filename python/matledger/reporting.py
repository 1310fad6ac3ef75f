"""One page that a committee can read: the question, the answer, its probability, and what stands behind it."""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import TYPE_CHECKING

from matledger import plots
from matledger.atomic import write_whole
from matledger.cautions import CAUTIONS, FIRST
from matledger.errors import InputError, Problem
from matledger.units import System

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matledger.comparison import Comparison

__all__ = ["report"]


def report(comparison: Comparison, path: str | Path, *, units: System = "metric") -> Path:
    """Write the comparison as one self-contained HTML page.

    Parameters
    ----------
    comparison
        The forecasts.
    path
        File to write, ending in ``.html``; it is written whole or not at all.
    units
        ``"metric"`` or ``"us"``.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the name does not end in ``.html``.
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
    if target.suffix.lower() != ".html":
        raise InputError([Problem("path", str(path), "a file name ending in .html")])
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("matledger"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    calibration = comparison.calibration
    wish = comparison.target
    tested = next((t.green for t in calibration.course.soil_tests if t.window is not None), None)
    page = environment.get_template("report.html").render(
        course=calibration.course,
        comparison=comparison,
        target=wish,
        wish=None if wish is None else comparison.samples[comparison.first_sample],
        summary=comparison.summary(units),
        by_green=comparison.by_green(),
        contrasts=comparison.contrasts(),
        taught=calibration.taught(),
        cautions=CAUTIONS,
        first=FIRST,
        side_by_side=_picture(plots.programmes(comparison)),
        over_time=None if tested is None else _picture(plots.over_time(calibration, tested)),
        shown_green=tested,
        ledgers=[(name, _picture(plots.ledger(comparison, name))) for name in comparison.names],
    )
    write_whole(target, page)
    return target


def _picture(axes: Axes) -> str:
    """Draw the axes' figure as a PNG for a page, and close it."""
    import matplotlib.pyplot as plt

    figure = axes.get_figure(root=True)
    if figure is None:
        raise RuntimeError("the axes belong to no figure")
    held = io.BytesIO()
    figure.savefig(held, format="png", dpi=130)
    plt.close(figure)
    return "data:image/png;base64," + base64.b64encode(held.getvalue()).decode("ascii")
