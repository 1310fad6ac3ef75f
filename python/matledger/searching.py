"""Search all programmes of a space: which are worth a look, which is cheapest, and which green needs which."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.by_green import ByGreen, by_green
from matledger.calibration import Calibration
from matledger.comparison import (
    compare,
    contest_caution,
    look_at_target,
    nearest_programme,
    outlay,
    wrong_kinds,
    wrong_programmes,
)
from matledger.course import Target
from matledger.errors import InputError, Problem
from matledger.findings import MOST_DRAWS, MOST_SEED, MOST_YEARS, refuse, whole
from matledger.frames import Table
from matledger.labour import Labour
from matledger.money import Budget, Prices, intervals, regrets
from matledger.play import Dated, Play, closed_days
from matledger.practice import Programme, Work
from matledger.recovery import Recovery, healing
from matledger.scanning import scan_programmes
from matledger.space import Space
from matledger.units import System, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Frontier", "search"]

Tell: TypeAlias = Callable[[int], object]


@dataclass(frozen=True, eq=False, repr=False)
class Frontier:
    """Every programme of a space, on the same draws and the same weather.

    Attributes
    ----------
    calibration, programmes, target
        What was searched, and for what.
    until
        The day of the reading.
    om_percent
        Organic matter in the target's window on that day [%], shape ``(programme, green, draw)``.
    budget
        Costs; None without prices.
    disrupted_days_by_draw
        Days a year on which cover is below 99 %, shape ``(programme, draw)``.
    closures
        Days on which the course is closed for the work of each programme: one set for each weather sequence, or one
        that serves them all; empty without a play calendar.
    sand_kg_m2
        Dry sand a year [kg/m2], shape ``(programme,)``.
    works
        Each programme's work, with how often it is done in each calendar year, mean over the weather sequences.
    span_years
        Length of the forecast.
    prices, play, labour, recovery
        What was assumed.
    settings
        Years, seed, draws and weather sequences of the search.
    """

    calibration: Calibration
    programmes: tuple[Programme, ...]
    target: Target
    until: dt.date
    om_percent: Floats
    budget: Budget | None
    disrupted_days_by_draw: Floats
    closures: tuple[tuple[tuple[dt.date, ...], ...], ...]
    sand_kg_m2: Floats
    works: tuple[tuple[tuple[Work, Floats], ...], ...]
    span_years: float
    prices: Prices | None
    play: Play | None
    labour: Labour
    recovery: Recovery
    settings: dict[str, int]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the programmes."""
        return tuple(programme.name for programme in self.programmes)

    @property
    def probability(self) -> Floats:
        """Probability that the target holds, shape ``(programme, green)``."""
        held: Floats = (self.om_percent <= self.target.om_percent).mean(axis=2)
        return held

    @property
    def probability_all(self) -> Floats:
        """Probability that the target holds on every green at once, shape ``(programme,)``."""
        held: Floats = (self.om_percent.max(axis=1) <= self.target.om_percent).mean(axis=1)
        return held

    @property
    def disrupted_days(self) -> Floats:
        """Mean days a year on which cover is below 99 %, shape ``(programme,)``."""
        mean: Floats = self.disrupted_days_by_draw.mean(axis=1)
        return mean

    @property
    def closed_days(self) -> Floats:
        """Days a year on which the course is closed for the work, shape ``(programme,)``; 0 without a play calendar."""
        return np.array([np.mean([len(days) for days in own]) for own in self.closures]) / self.span_years

    @property
    def cost(self) -> Floats:
        """What is to be kept low: money a year, or without prices dry sand a year [kg/m2], shape ``(programme,)``."""
        return self.sand_kg_m2 if self.budget is None else self.budget.a_year

    @property
    def pareto(self) -> tuple[int, ...]:
        """Programmes that no other beats in cost, disrupted days and probability together, cheapest first."""
        measures = np.column_stack([self.cost, self.disrupted_days, -self.probability_all])
        return tuple(int(i) for i in _undominated(measures))

    def _need(self, probability: float | None) -> float:
        return self.target.probability if probability is None else probability

    def cheapest(self, probability: float | None = None) -> int:
        """Return the cheapest programme that reaches the target as surely as asked (by default as the target asks).

        Parameters
        ----------
        probability
            Probability that the target holds on a green.

        Raises
        ------
        InputError
            If none does, saying how near the best comes and what would reach it.
        """
        return self._least(self.cost, probability)

    def least_sand(self, probability: float | None = None) -> int:
        """Return the programme with the least sand that reaches the target as surely as asked.

        Parameters
        ----------
        probability
            Probability that the target holds on a green.

        Raises
        ------
        InputError
            As for `cheapest`.
        """
        return self._least(self.sand_kg_m2, probability)

    def _least(self, measure: Floats, probability: float | None) -> int:
        need = self._need(probability)
        reaches = np.flatnonzero(self.probability_all >= need)
        if not len(reaches):
            raise InputError([self.impossible(need)])
        # Of those that cost the same, the surest.
        order = np.lexsort((-self.probability_all[reaches], measure[reaches]))
        return int(reaches[order[0]])

    def impossible(self, probability: float | None = None, units: System = "metric") -> Problem:
        """Say how near the space comes to a target that no programme of it holds, and what would reach it.

        Parameters
        ----------
        probability
            Probability asked for [-]; by default the target's.
        units
            ``"metric"`` or ``"us"``.
        """
        need = self._need(probability)
        best, lowest, limit = nearest_programme(self.om_percent.max(axis=1), replace(self.target, probability=need))
        found = (
            f"no programme holds {self.target.om_percent:g} % on every green with a probability of {need:g};"
            f" the nearest, {self.names[best]}, comes to {self.probability_all[best]:.2f}"
        )
        sand = show(float(self.sand_kg_m2.max()) / _core.SAND_BULK_DENSITY_G_CM3, "mm of sand", units)
        expected = (
            f"a limit of {limit:.2f} % ({self.names[lowest]} holds it so surely), a lower probability,"
            f" or a space that goes beyond {sand} of sand a year and the corings it has"
        )
        return Problem("space", found, expected)

    def closed_form_sand(self, programme: int | None = None) -> tuple[float, float]:
        """Return the sand of a programme and the closed form ``N (1 - x) / x`` beside it [kg/m2 a year].

        ``x`` is the target as a fraction, ``N`` the net gain of organic matter (grown less decayed) in the last year of
        the forecast under that programme, on the green that gains most, since the target is for every green; by default
        the programme with the least sand. The closed form holds at steady state, below the growth, with all growth at
        the surface, no coring and no decay further down.

        Parameters
        ----------
        programme
            Number of a programme.
        """
        chosen = self.least_sand() if programme is None else programme
        told = compare(self.calibration, [self.programmes[chosen]], target=self.target, **self.settings)  # type: ignore[arg-type]
        gained, respired = told.ledgers[0, :, -1, 0, 1], told.ledgers[0, :, -1, 0, 2]
        net_kg_m2 = (gained - respired).max() / 1000
        x = self.target.om_percent / 100
        return float(self.sand_kg_m2[chosen]), float(net_kg_m2 * (1 - x) / x)

    def regret_by_draw(self) -> Floats:
        """Regret of each programme: its present value less that of the best choice of each draw.

        Returns
        -------
        numpy.ndarray
            Shape ``(programme, draw)``. The user's figure for having done too little counts by the share of the area
            that exceeds the user's limit in the draw.

        Raises
        ------
        InputError
            Without prices, or without the user's figure for having done too little.
        """
        if self.budget is None or self.prices is None or self.prices.renovation is None:
            raise InputError([Problem("prices.renovation", "not given", "what it costs to have done too little")])
        return frozen(self.budget.total_by_draw - self.budget.total_by_draw.min(axis=0))

    def regret(self, programmes: Sequence[int] | None = None) -> Table:
        """Tell regret as a spread over the draws, by default of the Pareto set.

        Parameters
        ----------
        programmes
            Programmes to show; the best choice of each draw is of all that were searched.

        Returns
        -------
        Table
            Mean, 5 %, 50 % and 95 % points in present value, and the share of draws in which the programme is the best.

        Raises
        ------
        InputError
            As for `regret_by_draw`.
        """
        regret = self.regret_by_draw()
        rows = list(self.pareto if programmes is None else programmes)
        caption = f"{self.calibration.course.name}: cost beyond the best choice of each draw"
        currency = "" if self.budget is None else self.budget.currency
        return regrets(caption, [self.names[p] for p in rows], currency, regret[rows])

    def by_green(
        self,
        *,
        programmes: Sequence[int] | None = None,
        moist_sand_t: float | None = None,
        green_days: float | None = None,
        closed_days: float | None = None,
        money: float | None = None,
        units: System = "metric",
    ) -> ByGreen:
        """Choose a programme for each green so that most greens are expected to hold the target within shared limits.

        Parameters
        ----------
        programmes
            Programmes to choose from; by default the Pareto set.
        moist_sand_t
            Moist sand a year [t].
        green_days
            Disrupted days a year, summed over the greens.
        closed_days
            Days a year on which the course is closed for the work; a day on which several greens are opened counts
            once. Days closed after an opening are those of the play calendar.
        money
            Money a year, inflation and play included, without rounding to whole loads and without doing too little. Of
            the play that a programme loses on the course each green is charged an equal share.
        units
            ``"metric"`` or ``"us"``: whether sand is told, and one more of it bought, in tonnes or in short tons.

        Returns
        -------
        ByGreen

        Raises
        ------
        InputError
            Without any limit, with money but no prices, closed days but no play calendar, and for limits that no choice
            keeps.

        Notes
        -----
        Solved exactly as a problem in whole numbers. What one more unit buys is found by solving once more.
        """
        return by_green(
            self,
            programmes=programmes,
            moist_sand_t=moist_sand_t,
            green_days=green_days,
            closed_days=closed_days,
            money=money,
            units=units,
        )

    def table(self, programmes: Sequence[int] | None = None, *, units: System = "metric") -> Table:
        """Programmes side by side, by default the Pareto set.

        Parameters
        ----------
        programmes
            Programmes to show.
        units
            ``"metric"`` or ``"us"``; the programmes' names are as the space was asked to name them.

        Returns
        -------
        Table
            Cost a year and disrupted days a year, each with its 90 % interval over the draws; sand a year, probability
            that the target holds on every green at once, and organic matter of the worst green with its 90 % interval.
        """
        rows = list(self.pareto if programmes is None else programmes)
        columns: dict[str, Sequence[Any]] = {"programme": [self.names[p] for p in rows]}
        formats: dict[str, str] = {}

        def add(spec: str, found: dict[str, list[float]]) -> None:
            columns.update(found)
            formats.update(dict.fromkeys(found, spec))

        if self.budget is not None:
            spent = self.budget.a_year_by_draw[rows]
            add(",.0f", intervals(f"{self.budget.currency} a year", self.cost[rows], spent))
        add(".0f", intervals("disrupted days a year", self.disrupted_days[rows], self.disrupted_days_by_draw[rows]))
        if self.play is not None:
            add(".1f", {"closed days a year": self.closed_days[rows].tolist()})
        add(".1f", {"sand a year, mm": (self.sand_kg_m2[rows] / _core.SAND_BULK_DENSITY_G_CM3).tolist()})
        add(".2f", {"P(target) every green": self.probability_all[rows].tolist()})
        worst = self.om_percent[rows].max(axis=1)
        add(".2f", intervals("worst green, OM %", np.median(worst, axis=1), worst))
        caption = f"{self.calibration.course.name}: programmes that none beats, {self.until}"
        return Table(caption, columns, formats, {"sand a year, mm": "mm of sand"}).to(units)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know."""
        said = [f"{len(self.programmes)} programmes searched, {len(self.pareto)} that none beats"]
        said.append(contest_caution(self.calibration))
        said += [] if self.budget is None else self.budget.notes
        return (*said, "the cheapest of many is partly the luckiest: run it again with `compare` and another seed")

    def verdict(self, units: System = "metric") -> str:
        """Say which programme is cheapest at the target's probability, or how near the space comes.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.
        """
        if not (self.probability_all >= self.target.probability).any():
            return str(self.impossible(units=units))
        best = self.cheapest()
        money = "" if self.budget is None else f", {self.cost[best]:,.0f} {self.budget.currency} a year"
        sand = show(float(self.sand_kg_m2[best]) / _core.SAND_BULK_DENSITY_G_CM3, "mm of sand", units)
        return (
            f"{self.names[best]}: {self.probability_all[best]:.2f} that every green stays at or below"
            f" {self.target.om_percent:g} %{money}, {self.disrupted_days[best]:.0f} disrupted days and"
            f" {sand} of sand a year."
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Plot every programme by cost and probability, those that none beats marked.

        Parameters
        ----------
        ax
            Axes of matplotlib to draw on.
        """
        import matplotlib.pyplot as plt

        axes = plt.subplots(figsize=(8, 4.6), layout="constrained")[1] if ax is None else ax
        front = list(self.pareto)
        axes.scatter(self.cost, self.probability_all, s=14, color="0.75", label="all programmes")
        size = 20 + self.disrupted_days[front]
        outline: dict[str, Any] = {"facecolor": "none", "edgecolor": "black", "label": "none beats"}
        axes.scatter(self.cost[front], self.probability_all[front], s=size, **outline)
        axes.axhline(self.target.probability, color="0.25", linewidth=1)
        unit = "sand a year, kg/m2" if self.budget is None else f"{self.budget.currency} a year"
        axes.set(xlabel=unit, ylabel="probability on every green", ylim=(-0.03, 1.03))
        axes.set_title(f"{self.calibration.course.name}: circles grow with disrupted days")
        axes.legend(frameon=False)
        return axes

    def __repr__(self) -> str:
        return f"<Frontier of {len(self.programmes)} programmes until {self.until}: {self.verdict()}>"

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


def _undominated(measures: Floats) -> npt.NDArray[np.intp]:
    """Rows that no other is as low as in every column and lower than in one; in the order of the first column."""
    order = np.lexsort(measures.T[::-1])
    kept: list[int] = []
    for row in order:
        front = measures[kept]
        beaten = len(kept) and bool(((front <= measures[row]).all(axis=1) & (front < measures[row]).any(axis=1)).any())
        if not beaten:
            kept.append(int(row))
    return np.array(kept, dtype=np.intp)


def search(
    calibration: Calibration,
    space: Space | Sequence[Programme],
    *,
    years: int = 5,
    target: Target | None = None,
    prices: Prices | None = None,
    play: Play | None = None,
    labour: Labour | None = None,
    recovery: Recovery | None = None,
    weather_sequences: int = 5,
    draws: int = 200,
    seed: int = 0,
    executor: Executor | None = None,
    progress: Tell | None = None,
) -> Frontier:
    """Run every programme of a space forward on draws of the unknowns and on weather years.

    Parameters
    ----------
    calibration
        What is known of the course.
    space
        A `Space`, or the programmes themselves.
    years
        Years to run; organic matter is read at the end of the last.
    target
        Where organic matter is wanted; by default the course's.
    prices, play, labour, recovery
        As for `matledger.compare`.
    weather_sequences, draws
        Sequences of weather years, and draws; draws take the sequences in turn.
    seed
        Seed of weather and growth to come.
    executor
        Where blocks of programmes are run: anything with the interface of `concurrent.futures.Executor`; a pool of
        processes has to spawn them. None runs all in this process. The answer is the same.
    progress
        Called with the number of parts done, a part being one programme under one sequence, or with an executor a
        block of programmes; an exception from it stops the run.

    Returns
    -------
    Frontier

    Raises
    ------
    InputError
        Without a target, for a space without programmes, and as for `matledger.compare`.
    KeyboardInterrupt
        On Ctrl-C, at once.

    Warns
    -----
    UnusualWarning
        As for `matledger.compare`.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course(), draws=100, seed=1)
    >>> space = mat.Space(coring_days=[(), ("15 April", "10 September")], topdressing_mm=[0.2, 0.4])
    >>> frontier = mat.search(calibration, space, years=2, draws=50)
    >>> frontier.om_percent.shape
    (4, 9, 50)
    """
    refuse(
        [
            *wrong_kinds(calibration, target=target, prices=prices, play=play, labour=labour, recovery=recovery),
            *([] if isinstance(space, Space) else wrong_programmes("space", space)),
            *whole("years", years, 1, MOST_YEARS),
            *whole("draws", draws, 1, MOST_DRAWS),
            *whole("weather_sequences", weather_sequences, 1, MOST_DRAWS),
            *whole("seed", seed, 0, MOST_SEED),
        ]
    )
    look_at_target(target)
    course = calibration.course
    wanted = course.target if target is None else target
    programmes = space.programmes() if isinstance(space, Space) else tuple(space)
    if wanted is None:
        raise InputError([Problem("target", "none", "a target, here or in the course")])
    if not programmes:
        raise InputError([Problem("space", "no programme", "at least one programme")])
    (first, until), om_percent, calendars = scan_programmes(
        replace(calibration, coordinates=calibration.coordinates[:draws], chains=None),
        programmes,
        (years, weather_sequences, (wanted.top_mm, wanted.bottom_mm), seed),
        executor,
        progress,
    )
    turf = healing(course, seed=seed) if recovery is None else recovery
    how = labour or course.labour or Labour()
    costs, played = course.prices if prices is None else prices, play or course.play
    last = until - dt.timedelta(days=1)
    disrupted_days, money = outlay(
        calibration,
        [programme.name for programme in programmes],
        calendars=calendars,
        days=(first, last),
        years=years,
        om_percent=om_percent,
        prices=costs,
        labour=how,
        recovery=turf,
        play=played,
        seed=seed,
    )
    ledger_years = range(first.year, last.year + 1)
    works = [_by_year(own, ledger_years) for own in calendars]
    return Frontier(
        calibration=calibration,
        programmes=programmes,
        target=wanted,
        until=until,
        om_percent=frozen(om_percent),
        budget=money,
        disrupted_days_by_draw=disrupted_days,
        closures=tuple(tuple(_closed_by(dated, played, last) for dated in own) for own in calendars),
        sand_kg_m2=frozen(np.array([sum(w.sand_g_m2 * n.sum() for w, n in done) for done in works]) / 1000 / years),
        works=tuple(works),
        span_years=years,
        prices=costs,
        play=played,
        labour=how,
        recovery=turf,
        settings={"years": years, "seed": seed, "draws": om_percent.shape[-1], "weather_sequences": weather_sequences},
    )


def _closed_by(dated: Dated, play: Play | None, last: dt.date) -> tuple[dt.date, ...]:
    return tuple(sorted(day for day in closed_days(dated, play) if day <= last))


def _by_year(calendars: Sequence[Dated], years: Sequence[int]) -> tuple[tuple[Work, Floats], ...]:
    """Return each piece of work with how often it is done in each year, mean over calendars."""
    row = {year: index for index, year in enumerate(years)}
    counts: dict[int, tuple[Work, Floats]] = {}
    for dated in calendars:
        for day, work in dated:
            if id(work) not in counts:
                counts[id(work)] = (work, np.zeros(len(years)))
            counts[id(work)][1][row[day.year]] += 1
    return tuple((work, frozen(times / len(calendars))) for work, times in counts.values())
