"""Sliders over a programme, in a notebook: what every green would come to, at what cost, as fast as they move."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import _core, plots
from matledger.calibration import Calibration
from matledger.cautions import FIRST
from matledger.chances import chance
from matledger.comparison import contest_caution
from matledger.course import Target
from matledger.errors import InputError, Problem
from matledger.money import Prices
from matledger.play import Play
from matledger.practice import Coring, Programme, Topdressing
from matledger.recovery import Recovery, healing
from matledger.searching import Frontier, search
from matledger.space import Space
from matledger.units import System, convert, shown_units

if TYPE_CHECKING:
    import anywidget
    from matplotlib.axes import Axes

__all__ = ["explore"]

CORING_DAYS = (
    (),
    ("15 April",),
    ("15 April", "10 September"),
    ("15 April", "10 June", "10 September"),
    ("15 April", "10 June", "5 August", "10 September"),
)


@dataclass(frozen=True)
class Slider:
    """One slider: what it sets, in which unit, and how far it goes for a reader of either system.

    `metric` and `us` hold least, most, step and start.
    """

    name: str
    label: str
    unit: str | None
    metric: tuple[float, float, float, float]
    us: tuple[float, float, float, float]

    def shown(self, units: System) -> dict[str, Any]:
        """Return what the page needs to draw it."""
        least, most, step, start = self.metric if units == "metric" else self.us
        unit = "" if self.unit is None else shown_units(self.unit, units)[1]
        return {
            "name": self.name,
            "label": self.label,
            "unit": unit,
            "least": least,
            "most": most,
            "step": step,
            "start": start,
        }

    def nearest(self, value: float, units: System) -> float:
        """Return where on the slider a stored value lies, or as near as it goes."""
        least, most, step, _ = self.metric if units == "metric" else self.us
        if self.unit is not None:
            value = convert(value, *shown_units(self.unit, units))
        return round(min(max(least + step * round((value - least) / step), least), most), 6)

    def stored(self, value: float, units: System) -> float:
        """Return a value of the page in the stored unit."""
        if self.unit is None:
            return value
        metric, shown = shown_units(self.unit, units)
        return convert(value, shown, metric)


SLIDERS = (
    Slider("events", "corings a year", None, (0, 4, 1, 2), (0, 4, 1, 2)),
    Slider("bore_mm", "tine, inside diameter", "mm", (6, 20, 0.5, 12.5), (0.25, 0.75, 0.0625, 0.5)),
    Slider("spacing_mm", "spacing both ways", "mm", (25, 80, 5, 50), (1, 3, 0.25, 2)),
    Slider("depth_mm", "depth", "mm", (20, 120, 5, 70), (1, 4.5, 0.25, 2.75)),
    Slider("sand_mm", "sand of one topdressing", "mm of sand", (0, 1, 0.05, 0.3), (0, 3, 0.1, 1)),
    Slider("every_days", "days between topdressings", None, (7, 42, 1, 14), (7, 42, 1, 14)),
)


@dataclass(frozen=True, kw_only=True)
class Choice:
    """Where the sliders stand, in stored units."""

    events: int
    bore_mm: float
    spacing_mm: float
    depth_mm: float
    sand_mm: float
    every_days: int

    @classmethod
    def of(cls, given: Mapping[str, float], units: System) -> Choice:
        """Read what a page sent; a value beyond its slider is refused."""
        problems, values = [], {}
        for slider in SLIDERS:
            shown, value = slider.shown(units), given.get(slider.name)
            if not isinstance(value, int | float) or not shown["least"] <= value <= shown["most"]:
                expected = f"a number from {shown['least']:g} to {shown['most']:g} {shown['unit']}".strip()
                problems.append(Problem(slider.name, repr(value), expected))
                continue
            values[slider.name] = int(value) if slider.unit is None else slider.stored(value, units)
        if problems:
            raise InputError(problems)
        return cls(**values)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Forecaster:
    """All that stays while sliders move."""

    calibration: Calibration
    target: Target
    years: int
    draws: int
    weather_sequences: int
    seed: int
    prices: Prices | None
    play: Play | None
    recovery: Recovery
    coring_days: Sequence[Sequence[str]]
    season: str
    no_work: Sequence[str]
    units: System

    def programme(self, choice: Choice) -> Programme:
        """Return the programme of a choice."""
        space = Space(
            coring_days=[self.coring_days[choice.events]],
            bores_mm=[choice.bore_mm],
            spacings_mm=[(choice.spacing_mm, choice.spacing_mm)],
            depths_mm=[choice.depth_mm],
            topdressing_mm=[choice.sand_mm],
            topdressing_every_days=[choice.every_days],
            season=self.season,
            no_work=self.no_work,
            units=self.units,
        )
        return space.programmes()[0]

    def run(self, programme: Programme) -> Frontier:
        """Run one programme forward on every green."""
        return search(
            self.calibration,
            [programme],
            years=self.years,
            target=self.target,
            prices=self.prices,
            play=self.play,
            recovery=self.recovery,
            draws=self.draws,
            weather_sequences=self.weather_sequences,
            seed=self.seed,
        )

    def told(self, programme: Programme) -> dict[str, Any]:
        """Return what the page shows of a programme."""
        began = time.perf_counter()
        found = self.run(programme)
        low, median, high = np.quantile(found.om_percent[0], [0.05, 0.5, 0.95], axis=-1)
        metric, shown = shown_units("mm of sand", self.units)
        draws = found.om_percent.shape[-1]
        return {
            "name": programme.name,
            "greens": [green.name for green in self.calibration.course.greens],
            "low": low.tolist(),
            "median": median.tolist(),
            "high": high.tolist(),
            "chance": [chance(float(share), draws, named=False) for share in found.probability[0]],
            "chance_all": chance(float(found.probability_all[0]), draws),
            "cost": None if found.budget is None else float(found.cost[0]),
            "currency": "" if found.budget is None else found.budget.currency,
            "closed_days": None if self.play is None else float(found.closed_days[0]),
            "disrupted_days": float(found.disrupted_days[0]),
            "sand": convert(float(found.sand_kg_m2[0]) / _core.SAND_BULK_DENSITY_G_CM3, metric, shown),
            "sand_unit": shown,
            "limit": self.target.om_percent,
            "asked": self.target.probability,
            "until": str(found.until),
            "took_ms": 1000 * (time.perf_counter() - began),
        }


def explore(
    calibration: Calibration,
    *,
    years: int = 5,
    target: Target | None = None,
    prices: Prices | None = None,
    play: Play | None = None,
    recovery: Recovery | None = None,
    coring_days: Sequence[Sequence[str]] = CORING_DAYS,
    season: str = "from 1 May to 30 September",
    no_work: Sequence[str] = (),
    draws: int = 120,
    weather_sequences: int = 2,
    seed: int = 0,
    units: System = "metric",
) -> anywidget.AnyWidget | Axes:
    """Show sliders for a programme, and what every green would come to under it.

    In a notebook with anywidget, sliders set the tine, its spacing and depth, corings a year, and the sand and interval
    of topdressing; organic matter, probability, cost and closed days follow. They start near the course's first
    programme, whose figures stay on the page to compare. The widget's ``programme`` is the one
    shown, ready for `matledger.compare`. Elsewhere, the same call returns the plot of the programme that the sliders
    start from.

    Parameters
    ----------
    calibration
        What is known of the course.
    years
        Years to run.
    target
        Where organic matter is wanted; by default the course's.
    prices, play, recovery
        As for `matledger.compare`.
    coring_days
        Days of no coring, of one a year, of two and so on, up to four.
    season, no_work
        When greens are topdressed, and days without work, as for `matledger.Space`.
    draws, weather_sequences, seed
        As for `matledger.search`: few, so that the page keeps up. Quote `matledger.compare`, not the sliders.
    units
        ``"metric"`` or ``"us"``.

    Returns
    -------
    anywidget.AnyWidget or matplotlib.axes.Axes

    Raises
    ------
    InputError
        Without a target, for other than five sets of days, and as for `matledger.search`.

    Examples
    --------
    >>> import matledger as mat
    >>> axes = mat.explore(mat.calibrate(mat.demo_course(), draws=50), years=1)  # no notebook here: a plot
    """
    course = calibration.course
    wanted = course.target if target is None else target
    problems = []
    if wanted is None:
        problems.append(Problem("target", "none", "a target, here or in the course"))
    if len(coring_days) != len(CORING_DAYS):
        problems.append(Problem("coring_days", f"{len(coring_days)} sets", f"{len(CORING_DAYS)} sets of days"))
    if problems or wanted is None:
        raise InputError(problems)
    forecaster = Forecaster(
        calibration=calibration,
        target=wanted,
        years=years,
        draws=draws,
        weather_sequences=weather_sequences,
        seed=seed,
        prices=course.prices if prices is None else prices,
        play=course.play if play is None else play,
        recovery=healing(course, seed=seed) if recovery is None else recovery,
        coring_days=coring_days,
        season=season,
        no_work=no_work,
        units=units,
    )
    sliders = [slider.shown(units) for slider in SLIDERS]
    start = {slider["name"]: slider["start"] for slider in sliders}
    if course.programmes:
        start |= _near(course.programmes[0], units)
    if _in_notebook():
        return _widget(forecaster, sliders, start)
    return plots.greens(forecaster.run(forecaster.programme(Choice.of(start, units))), units=units)


def _near(programme: Programme, units: System) -> dict[str, float]:
    """Return where the sliders come nearest to a programme, as far as they can show it."""
    values: dict[str, float] = {"events": 0, "sand_mm": 0}
    for rule, works in programme.steps:
        cores = next((work for work in works if isinstance(work, Coring)), None)
        sand = next((work for work in works if isinstance(work, Topdressing)), None)
        every = re.match(r"every (\d+) days", rule.strip(), re.IGNORECASE)
        if cores is not None:
            values["events"] += 1 + len(re.findall(r"\band\b|,", rule))
            values |= {"bore_mm": cores.tine.inside_diameter_mm, "depth_mm": cores.depth_mm}
            values["spacing_mm"] = (cores.spacing_mm[0] * cores.spacing_mm[1]) ** 0.5
        elif sand is not None and every is not None:
            values |= {"sand_mm": sand.sand_g_m2 / 1000 / _core.SAND_BULK_DENSITY_G_CM3, "every_days": int(every[1])}
    return {slider.name: slider.nearest(values[slider.name], units) for slider in SLIDERS if slider.name in values}


def _in_notebook() -> bool:
    """Whether a kernel runs us and anywidget is there to draw."""
    import sys
    from importlib.util import find_spec

    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    return shell is not None and hasattr(shell, "kernel") and find_spec("anywidget") is not None


def _widget(forecaster: Forecaster, sliders: list[dict[str, Any]], start: dict[str, float]) -> anywidget.AnyWidget:
    import anywidget
    import traitlets

    course = forecaster.calibration.course
    page = files("matledger") / "templates"

    class Explorer(anywidget.AnyWidget):
        """The sliders and what they come to."""

        _esm = page.joinpath("explorer.js").read_text(encoding="utf-8")
        _css = page.joinpath("explorer.css").read_text(encoding="utf-8")
        sliders: Any = traitlets.List().tag(sync=True)
        present = traitlets.Dict().tag(sync=True)
        choice = traitlets.Dict().tag(sync=True)
        reading = traitlets.Dict().tag(sync=True)
        caution = traitlets.Unicode(f"{contest_caution(forecaster.calibration)} {FIRST}").tag(sync=True)

        @traitlets.observe("choice")
        def _follow(self, change: Any) -> None:
            """Work the programme out anew; what cannot be done is said on the page."""
            try:
                self.programme = forecaster.programme(Choice.of(change["new"], forecaster.units))
                told = forecaster.told(self.programme)
            except InputError as error:
                told = {"problem": str(error)}
            self.reading = told | {"turn": change["new"].get("turn", 0)}

    present = forecaster.told(course.programmes[0]) if course.programmes else {}
    return Explorer(sliders=sliders, present=present, choice=start)
