"""Search all programmes of a space: which are worth a look, which is cheapest, and which green needs which."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import KW_ONLY, dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.calibration import Calibration
from matledger.comparison import CAUTION, compare, too_much
from matledger.course import Target
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.labour import Labour, job
from matledger.money import PLAY_LINES, Budget, Dated, Play, Prices, budget, draw_losses
from matledger.practice import Coring, Programme, SandInjection, Tine, Topdressing, VerticalMowing, Work
from matledger.recovery import Recovery, healing
from matledger.scanning import scan_programmes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["ByGreen", "Frontier", "Space", "search"]

Tell: TypeAlias = Callable[[int], object]
MOST_PROGRAMMES = 50_000


@dataclass(frozen=True, kw_only=True)
class Space:
    """Programmes to search: every combination of the choices.

    Attributes
    ----------
    coring_days
        Sets of days on which greens are cored each year, such as ``[(), ("15 April",), ("15 April", "10 September")]``.
    bores_mm, spacings_mm, depths_mm
        Bore of the tines [mm], spacing along and across [mm], and depth [mm] of every coring.
    fill_share
        Sand that goes with a coring over the volume of its holes [-].
    topdressing_mm, topdressing_every_days
        Sand of one topdressing [mm], 0 for none, and days between two.
    season
        When greens are topdressed, such as ``"from 1 May to 30 September"``.
    injections, injection_day
        Sand injections to weigh, None for no injection, and their day.
    vertical_mowings, vertical_day
        Vertical mowings to weigh, None for none, and their day.
    closed, when_closed
        As for `matledger.Programme`.

    Examples
    --------
    >>> space = Space(coring_days=[(), ("15 April",)], bores_mm=[9.5, 12.7], topdressing_mm=[0.2, 0.4])
    >>> [programme.name for programme in space.programmes()][0]
    'no coring; 0.2 mm every 14 d'
    >>> len(space.programmes())  # two without coring, four with
    6
    """

    coring_days: Sequence[Sequence[str]]
    bores_mm: Sequence[float] = (12.7,)
    spacings_mm: Sequence[tuple[float, float]] = ((50.0, 50.0),)
    depths_mm: Sequence[float] = (70.0,)
    fill_share: float = 1.0
    topdressing_mm: Sequence[float] = (0.3,)
    topdressing_every_days: Sequence[int] = (14,)
    season: str = "from 1 May to 30 September"
    injections: Sequence[SandInjection | None] = (None,)
    injection_day: str = "15 June"
    vertical_mowings: Sequence[VerticalMowing | None] = (None,)
    vertical_day: str = "25 April"
    closed: Sequence[str] = ()
    when_closed: str = "next_open_day"

    def __post_init__(self) -> None:
        """Check that every choice offers something, and that there are not too many programmes."""
        names = ("coring_days", "bores_mm", "spacings_mm", "depths_mm", "topdressing_mm", "topdressing_every_days")
        problems = [
            Problem(name, repr(getattr(self, name)), "a list with at least one choice")
            for name in (*names, "injections", "vertical_mowings")
            if isinstance(getattr(self, name), str) or not len(getattr(self, name))
        ]
        problems += [
            Problem(f"coring_days[{index}]", repr(days), "a list of days such as ('15 April', '10 September')")
            for index, days in enumerate(self.coring_days)
            if isinstance(days, str)
        ]
        if problems:
            raise InputError(problems)
        count = self._count()
        if count > MOST_PROGRAMMES:
            raise InputError([Problem("space", f"{count} programmes", f"at most {MOST_PROGRAMMES}")])

    def _count(self) -> int:
        cored = sum(bool(days) for days in self.coring_days)
        corings = cored * len(self.bores_mm) * len(self.spacings_mm) * len(self.depths_mm)
        corings += any(not days for days in self.coring_days)
        rates = sum(rate > 0 for rate in self.topdressing_mm)
        sanding = rates * len(self.topdressing_every_days) + (rates < len(self.topdressing_mm))
        return corings * sanding * len(self.injections) * len(self.vertical_mowings)

    def programmes(self) -> tuple[Programme, ...]:
        """Return every programme; its name says what it is.

        Raises
        ------
        InputError
            For days, sizes and rates that make no programme.
        """
        corings: dict[str, list[tuple[str, list[Work]]]] = {}
        for days, bore, spacing, depth in product(self.coring_days, self.bores_mm, self.spacings_mm, self.depths_mm):
            if not days:
                corings["no coring"] = []
                continue
            cores = Coring(tine=Tine(inside_diameter_mm=bore), spacing_mm=spacing, depth_mm=depth)
            works: list[Work] = [cores]
            if self.fill_share > 0:
                works.append(Topdressing(sand_mm=cores.hole_volume_mm * self.fill_share, passes=3))
            when = " and ".join(days)
            name = f"{len(days)} x {bore:g} mm at {spacing[0]:g} x {spacing[1]:g}, {depth:g} deep ({when})"
            corings[name] = [(when, works)]
        sandings: dict[str, list[tuple[str, list[Work]]]] = {}
        for rate, every in product(self.topdressing_mm, self.topdressing_every_days):
            if rate > 0:
                sandings[f"{rate:g} mm every {every} d"] = [
                    (f"every {every} days {self.season}", [Topdressing(sand_mm=rate)])
                ]
            else:
                sandings["no topdressing"] = []
        found = []
        for (cored, a), (sanded, b), injection, grooves in product(
            corings.items(), sandings.items(), self.injections, self.vertical_mowings
        ):
            steps, said = [*a, *b], [cored, sanded]
            for extra, day in ((injection, self.injection_day), (grooves, self.vertical_day)):
                if extra is not None:
                    steps.append((day, [extra]))
                    said.append(f"{extra} on {day}")
            found.append(Programme("; ".join(said), steps, self.closed, self.when_closed))  # type: ignore[arg-type]
        return tuple(found)


@dataclass(frozen=True)
class ByGreen:
    """Which green gets which programme under shared limits: an exact choice.

    Attributes
    ----------
    greens, programmes
        Names, shape ``(green,)``: the programme chosen for each green.
    probability
        Probability that the target holds on each green, shape ``(green,)``.
    used
        What the choice uses of each limit.
    limits
        How much there is of each.
    one_more
        Greens that one more unit of each limit would bring to the target, expected number.
    """

    greens: tuple[str, ...]
    _: KW_ONLY
    programmes: tuple[str, ...]
    probability: Floats
    used: dict[str, float]
    limits: dict[str, float]
    one_more: dict[str, float]

    def table(self) -> Table:
        """The choice by green."""
        columns = {"green": self.greens, "programme": self.programmes, "P(target)": self.probability.tolist()}
        return Table("programme by green", columns, {"P(target)": ".2f"})

    def limits_table(self) -> Table:
        """What is used of each limit, and what one more unit would buy."""
        columns: dict[str, Sequence[Any]] = {
            "limit": list(self.limits),
            "used": list(self.used.values()),
            "of": list(self.limits.values()),
            "one more buys, greens at the target": list(self.one_more.values()),
        }
        return Table("shared limits, a year", columns, {"used": ",.1f", "of": ",.1f", list(columns)[3]: "+.3f"})


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
    disrupted_days
        Days a year on which cover is below 99 %, shape ``(programme,)``.
    sand_kg_m2
        Dry sand a year [kg/m2], shape ``(programme,)``.
    works
        Each programme's work, with how often it is done in each calendar year, mean over the weather sequences.
    span_years
        Length of the forecast.
    prices, labour, recovery
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
    disrupted_days: Floats
    sand_kg_m2: Floats
    works: tuple[tuple[tuple[Work, Floats], ...], ...]
    span_years: float
    prices: Prices | None
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
            raise InputError([self._impossible(need)])
        # Of those that cost the same, the surest.
        order = np.lexsort((-self.probability_all[reaches], measure[reaches]))
        return int(reaches[order[0]])

    def _impossible(self, need: float) -> Problem:
        best = int(np.argmax(self.probability_all))
        worst_green = self.om_percent.max(axis=1)
        limits = np.quantile(worst_green, need, axis=1)
        nearest = int(np.argmin(limits))
        found = (
            f"no programme holds {self.target.om_percent:g} % on every green with a probability of {need:g};"
            f" the nearest, {self.names[best]}, comes to {self.probability_all[best]:.2f}"
        )
        sand = self.sand_kg_m2.max() / _core.SAND_BULK_DENSITY_G_CM3
        expected = (
            f"a limit of {limits[nearest]:.2f} % ({self.names[nearest]} holds it so surely), a lower probability,"
            f" or a space that goes beyond {sand:.1f} mm of sand and the corings it has"
        )
        return Problem("space", found, expected)

    def closed_form_sand(self, programme: int | None = None) -> tuple[float, float]:
        """Return the sand of a programme and the closed form ``N (1 - x) / x`` beside it [kg/m2 a year].

        ``x`` is the target as a fraction, ``N`` the net gain of organic matter (grown less decayed) in the last year of
        the forecast under that programme, mean over the greens by area; by default the programme with the least sand.
        The closed form holds at steady state with all growth at the surface and no coring.

        Parameters
        ----------
        programme
            Number of a programme.
        """
        chosen = self.least_sand() if programme is None else programme
        told = compare(self.calibration, [self.programmes[chosen]], target=self.target, **self.settings)  # type: ignore[arg-type]
        account = told.course_mean(told.ledgers)[0, -1, 0]
        net_kg_m2 = (account[1] - account[2]) / 1000
        x = self.target.om_percent / 100
        return float(self.sand_kg_m2[chosen]), float(net_kg_m2 * (1 - x) / x)

    def regret(self) -> Floats:
        """Mean regret of each programme: its cost less that of the best choice of each draw, mean over the draws.

        A draw's cost is the present value without the line "doing too little", plus the user's figure for having done
        too little times the share of the area that passes the user's limit in that draw.

        Raises
        ------
        InputError
            Without prices, or without the user's figure for having done too little.
        """
        areas = np.array([green.area_m2 for green in self.calibration.course.greens])
        losses = None
        if self.budget is not None and self.prices is not None:
            losses = draw_losses(self.budget, self.prices, self.om_percent, areas)
        if losses is None:
            raise InputError([Problem("prices.renovation", "not given", "what it costs to have done too little")])
        regret: Floats = (losses - losses.min(axis=0)).mean(axis=1)
        return regret

    def by_green(
        self,
        *,
        programmes: Sequence[int] | None = None,
        sand_t: float | None = None,
        green_days: float | None = None,
        money: float | None = None,
    ) -> ByGreen:
        """Choose a programme for each green so that most greens are expected to hold the target within shared limits.

        Parameters
        ----------
        programmes
            Programmes to choose from; by default the Pareto set.
        sand_t
            Moist sand a year [t].
        green_days
            Disrupted days a year, summed over the greens.
        money
            Money a year, inflation and play included, without rounding to whole loads and without doing too little. Of
            the play that a programme loses on the course each green is charged an equal share.

        Returns
        -------
        ByGreen

        Raises
        ------
        InputError
            Without any limit, with money but no prices, and for limits that no choice keeps.

        Notes
        -----
        Solved exactly as a problem in whole numbers. What one more unit buys is found by solving once more.
        """
        chosen = list(self.pareto if programmes is None else programmes)
        greens = self.calibration.course.greens
        if money is not None and self.prices is None:
            raise InputError([Problem("money", f"{money}", "prices for the search")])
        per_green = [self._per_green(p, [green.area_m2 for green in greens]) for p in chosen]
        tables = {
            "moist sand, t": (sand_t, [[sand[g] for sand, _ in per_green] for g in range(len(greens))]),
            "green-days": (green_days, [[float(self.disrupted_days[p]) for p in chosen] for _ in greens]),
            "money": (money, [[cost[g] for _, cost in per_green] for g in range(len(greens))]),
        }
        limits = {name: (float(most), uses) for name, (most, uses) in tables.items() if most is not None}
        if not limits:
            raise InputError([Problem("limits", "none", "sand_t, green_days or money")])
        worth = self.probability[chosen].T.tolist()

        def solved(more: str | None = None) -> tuple[list[int], float] | None:
            return _core.choose(worth, [(name, uses, most + (name == more)) for name, (most, uses) in limits.items()])

        found = solved()
        if found is None:
            least = ", ".join(
                f"{name}: at least {sum(min(row) for row in uses):.1f} for all greens"
                for name, (_, uses) in limits.items()
            )
            shown = ", ".join(f"{name} {most:g}" for name, (most, _) in limits.items())
            raise InputError([Problem("limits", shown, f"limits that some choice keeps ({least})")])
        option, total = found
        gains = {name: (solved(name) or (option, total))[1] - total for name in limits}
        rows = range(len(greens))
        return ByGreen(
            tuple(green.name for green in greens),
            programmes=tuple(self.names[chosen[o]] for o in option),
            probability=frozen(np.array([worth[g][option[g]] for g in rows])),
            used={name: sum(uses[g][option[g]] for g in rows) for name, (_, uses) in limits.items()},
            limits={name: most for name, (most, _) in limits.items()},
            one_more=gains,
        )

    def _per_green(self, programme: int, areas_m2: Sequence[float]) -> tuple[list[float], list[float]]:
        """Return moist sand [t] and money a year of a programme on each green."""
        sand, money = [], []
        years = len(self.works[programme][0][1]) if self.works[programme] else 0
        rise = (1 + self.prices.inflation) ** np.arange(years) if self.prices else np.ones(years)
        for area_m2 in areas_m2:
            tonnes = spent = 0.0
            for work, times in self.works[programme]:
                done = job(work, area_m2, labour=self.labour)
                tonnes += float(times.sum()) * done.sand_moist_t
                if self.prices is not None:
                    load = done.sand_moist_t / self.labour.load_t * (self.prices.load or 0.0)
                    spent += float(times @ rise) * (sum(self.prices.of_job(work, done, area_m2).values()) + load)
            sand.append(tonnes / self.span_years)
            money.append(spent / self.span_years)
        if self.budget is not None:
            lost = self.budget.amounts[programme][:, PLAY_LINES].sum()
            money = [own + float(lost) / self.span_years / len(areas_m2) for own in money]
        return sand, money

    def table(self, programmes: Sequence[int] | None = None) -> Table:
        """Programmes side by side, by default the Pareto set.

        Parameters
        ----------
        programmes
            Programmes.

        Returns
        -------
        Table
            Cost a year, disrupted days a year, sand a year, probability that the target holds on every green at once,
            and organic matter of the worst green, median over the draws.
        """
        rows = list(self.pareto if programmes is None else programmes)
        columns: dict[str, Sequence[Any]] = {"programme": [self.names[p] for p in rows]}
        if self.budget is not None:
            columns[f"{self.budget.currency} a year"] = self.cost[rows].tolist()
        columns["disrupted days a year"] = self.disrupted_days[rows].tolist()
        columns["sand a year, mm"] = (self.sand_kg_m2[rows] / _core.SAND_BULK_DENSITY_G_CM3).tolist()
        columns["P(target) every green"] = self.probability_all[rows].tolist()
        columns["worst green, OM %"] = np.median(self.om_percent[rows].max(axis=1), axis=1).tolist()
        formats = dict.fromkeys(list(columns)[1:], ".2f") | {"disrupted days a year": ".0f", "sand a year, mm": ".1f"}
        if self.budget is not None:
            formats[f"{self.budget.currency} a year"] = ",.0f"
        return Table(f"{self.calibration.course.name}: programmes that none beats, {self.until}", columns, formats)

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know."""
        said = [f"{len(self.programmes)} programmes searched, {len(self.pareto)} that none beats", CAUTION]
        said += [] if self.budget is None else self.budget.notes
        return (*said, "the cheapest of many is partly the luckiest: run it again with `compare` and another seed")

    def verdict(self) -> str:
        """Say which programme is cheapest at the target's probability, or how near the space comes."""
        try:
            best = self.cheapest()
        except InputError as error:
            return str(error)
        money = "" if self.budget is None else f", {self.cost[best]:,.0f} {self.budget.currency} a year"
        return (
            f"{self.names[best]}: {self.probability_all[best]:.2f} that every green stays at or below"
            f" {self.target.om_percent:g} %{money}, {self.disrupted_days[best]:.0f} disrupted days and"
            f" {self.sand_kg_m2[best] / _core.SAND_BULK_DENSITY_G_CM3:.1f} mm of sand a year."
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

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course(), draws=100, seed=1)
    >>> space = mat.Space(coring_days=[(), ("15 April", "10 September")], topdressing_mm=[0.2, 0.4])
    >>> frontier = mat.search(calibration, space, years=2, draws=50)
    >>> frontier.om_percent.shape
    (4, 9, 50)
    """
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
    costs = course.prices if prices is None else prices
    areas = np.array([green.area_m2 for green in course.greens])
    last = until - dt.timedelta(days=1)
    ledger_years = range(first.year, last.year + 1)
    # Without prices of their own, hours and disrupted days are still worked out, at prices of nothing.
    machines = {task.machine: 0.0 for task in how.tasks if task.machine}
    nothing = Prices(currency="XXX", crew_h=0, sand_t=0, machine_h=machines)
    money = budget(
        programmes=[programme.name for programme in programmes],
        calendars=calendars,
        years=ledger_years,
        span_years=years,
        areas_m2=areas.tolist(),
        prices=costs or nothing,
        labour=how,
        recovery=turf,
        play=play or course.play,
        too_much=too_much(costs or nothing, om_percent, areas),
        last_year=last.year,
    )
    works = [_by_year(own, ledger_years) for own in calendars]
    return Frontier(
        calibration=calibration,
        programmes=programmes,
        target=wanted,
        until=until,
        om_percent=frozen(om_percent),
        budget=None if costs is None else money,
        disrupted_days=frozen(money.disrupted_days.sum(axis=1) / years),
        sand_kg_m2=frozen(np.array([sum(w.sand_g_m2 * n.sum() for w, n in done) for done in works]) / 1000 / years),
        works=tuple(works),
        span_years=years,
        prices=costs,
        labour=how,
        recovery=turf,
        settings={"years": years, "seed": seed, "draws": om_percent.shape[-1], "weather_sequences": weather_sequences},
    )


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
