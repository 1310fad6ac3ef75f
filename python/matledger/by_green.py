"""Which green gets which programme under limits that all greens share: an exact choice."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import KW_ONLY, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.labour import job
from matledger.units import System, convert, shown_units

if TYPE_CHECKING:
    from matledger.searching import Frontier

__all__ = ["ByGreen", "by_green"]


@dataclass(frozen=True, eq=False, repr=False)
class ByGreen:
    """Which green gets which programme under shared limits.

    Attributes
    ----------
    greens, programmes
        Names, shape ``(green,)``: the programme chosen for each green.
    probability
        Probability that the target holds on each green, shape ``(green,)``.
    used, limits
        What the choice uses of each limit, and how much there is.
    one_more
        Greens that one more unit of each limit would bring to the target, expected number.
    would_change
        Greens whose programme one more unit of each limit would change.
    """

    greens: tuple[str, ...]
    _: KW_ONLY
    programmes: tuple[str, ...]
    probability: Floats
    used: dict[str, float]
    limits: dict[str, float]
    one_more: dict[str, float]
    would_change: dict[str, tuple[str, ...]]

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
            "by a change on": [", ".join(greens) or "no green" for greens in self.would_change.values()],
        }
        return Table("shared limits, a year", columns, {"used": ",.1f", "of": ",.1f", list(columns)[3]: "+.3f"})

    def __repr__(self) -> str:
        return f"{self.table()}\n{self.limits_table()}"

    def _repr_html_(self) -> str:
        return self.table()._repr_html_() + self.limits_table()._repr_html_()


def by_green(
    frontier: Frontier,
    *,
    programmes: Sequence[int] | None,
    moist_sand_t: float | None,
    green_days: float | None,
    closed_days: float | None,
    money: float | None,
    units: System,
) -> ByGreen:
    """Choose; see `Frontier.by_green`."""
    chosen = list(frontier.pareto if programmes is None else programmes)
    greens = frontier.calibration.course.greens
    problems = []
    if money is not None and frontier.prices is None:
        expected = "prices for the search: prices= of search, or [prices] in course.toml"
        problems.append(Problem("money", f"{money}", expected))
    if closed_days is not None and frontier.play is None:
        expected = "a play calendar for the search: play= of search, or [play] in course.toml"
        problems.append(Problem("closed_days", f"{closed_days}", expected))
    if (moist_sand_t, green_days, closed_days, money) == (None, None, None, None):
        problems.append(Problem("limits", "none", "moist_sand_t, green_days, closed_days or money"))
    if problems:
        raise InputError(problems)
    metric, unit = shown_units("t", units)
    currency = f", {frontier.prices.currency}" if frontier.prices else ""
    costs = [per_green(frontier, p) for p in chosen]
    disrupted = frontier.disrupted_days
    rows = range(len(greens))
    tables = {
        f"moist sand, {unit}": (
            None if moist_sand_t is None else convert(moist_sand_t, metric, unit),
            [[convert(sand[g], metric, unit) for sand, _ in costs] for g in rows],
        ),
        "disrupted days, all greens together": (green_days, [[float(disrupted[p]) for p in chosen] for _ in rows]),
        f"money{currency}": (money, [[cost[g] for _, cost in costs] for g in rows]),
    }
    limits = {name: (float(most), uses) for name, (most, uses) in tables.items() if most is not None}
    closing = "closed days"
    together = {} if closed_days is None else {closing: (float(closed_days), _closures(frontier, chosen))}
    worth = frontier.probability[chosen].T.tolist()
    most_of = {name: most for name, (most, _) in (limits | together).items()}

    def solved(more: str | None = None) -> tuple[list[int], float] | None:
        return _core.choose(
            worth,
            [(name, uses, most + (name == more)) for name, (most, uses) in limits.items()],
            [(name, events, most + (name == more)) for name, (most, events) in together.items()],
        )

    found = solved()
    if found is None:
        least = [(name, sum(min(row) for row in uses)) for name, (_, uses) in limits.items()]
        least += [
            (name, min(_needed(events, {o}) for o in range(len(chosen)))) for name, (_, events) in together.items()
        ]
        shown = ", ".join(f"{name} {most:g}" for name, most in most_of.items())
        wanted = ", ".join(f"{name}: at least {value:.1f} for all greens" for name, value in least)
        raise InputError([Problem("limits", shown, f"limits that some choice keeps ({wanted})")])
    option, total = found
    more = {name: solved(name) or found for name in most_of}
    used = {name: sum(uses[g][option[g]] for g in rows) for name, (_, uses) in limits.items()}
    used |= {name: _needed(events, option) for name, (_, events) in together.items()}
    return ByGreen(
        tuple(green.name for green in greens),
        programmes=tuple(frontier.names[chosen[o]] for o in option),
        probability=frozen(np.array([worth[g][option[g]] for g in rows])),
        used=used,
        limits=most_of,
        one_more={name: gained - total for name, (_, gained) in more.items()},
        would_change={
            name: tuple(greens[g].name for g in rows if other[g] != option[g] and gained > total + 1e-9)
            for name, (other, gained) in more.items()
        },
    )


def per_green(frontier: Frontier, programme: int) -> tuple[list[float], list[float]]:
    """Return moist sand [t] and money a year of a programme on each green."""
    sand, money = [], []
    areas_m2 = [green.area_m2 for green in frontier.calibration.course.greens]
    prices, labour, works = frontier.prices, frontier.labour, frontier.works[programme]
    years = len(works[0][1]) if works else 0
    rise = (1 + prices.inflation) ** np.arange(years) if prices else np.ones(years)
    for area_m2 in areas_m2:
        tonnes = spent = 0.0
        for work, times in works:
            done = job(work, area_m2, labour=labour)
            tonnes += float(times.sum()) * done.moist_sand_t
            if prices is not None:
                load = done.moist_sand_t / labour.load_t * (prices.load or 0.0)
                spent += float(times @ rise) * (sum(prices.of_job(work, done, area_m2).values()) + load)
        sand.append(tonnes / frontier.span_years)
        money.append(spent / frontier.span_years)
    if frontier.budget is not None:
        lost = float(frontier.budget.play_a_year[programme])
        money = [own + lost / len(areas_m2) for own in money]
    return sand, money


def _closures(frontier: Frontier, chosen: Sequence[int]) -> list[tuple[float, list[int]]]:
    """Days on which the course is closed a year, by the options that need them: one event for each set of options."""
    sequences = max(len(frontier.closures[p]) for p in chosen)
    needing: dict[tuple[int, object], list[int]] = {}
    for option, programme in enumerate(chosen):
        own = frontier.closures[programme]
        for sequence in range(sequences):
            for day in own[sequence % len(own)]:
                needing.setdefault((sequence, day), []).append(option)
    weights: dict[tuple[int, ...], float] = {}
    for options in needing.values():
        weights[tuple(options)] = weights.get(tuple(options), 0.0) + 1 / sequences / frontier.span_years
    return [(weight, list(options)) for options, weight in weights.items()]


def _needed(events: Sequence[tuple[float, Sequence[int]]], options: Iterable[int]) -> float:
    held = set(options)
    return sum(weight for weight, needing in events if held & set(needing))
