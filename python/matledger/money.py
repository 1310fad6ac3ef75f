"""What programmes cost: lines by year, lost and discounted play, inflation and discounting."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from numbers import Real
from typing import Any

import numpy as np

from matledger._arrays import Floats, frozen
from matledger.cells import column, settle
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.labour import Job, Labour, job
from matledger.play import Dated, Play, PlayAhead
from matledger.practice import Work
from matledger.units import alike, convert

__all__ = ["LINES", "Budget", "Play", "Prices", "budget", "intervals", "regrets"]

LINES = (
    "crew",
    "machines",
    "contractor",
    "sand",
    "delivery",
    "cores away",
    "play lost",
    "play at a discount",
    "doing too little",
)
PLAY_LINES = [LINES.index("play lost"), LINES.index("play at a discount")]
SAND, DELIVERY, TOO_LITTLE = (LINES.index(name) for name in ("sand", "delivery", "doing too little"))

_AMOUNT = re.compile(r"(?:([0-9]+(?:\.[0-9]+)?) ?([A-Z]{3})|([A-Z]{3}) ?([0-9]+(?:\.[0-9]+)?))(?: ?/ ?(.+))?")
_AMOUNTS = {"crew_per_h": "h", "sand_per_t": "t", "load": None, "core_per_t": "t", "round": None, "renovation": None}
"""Amounts, and the unit that each is for."""
SHARES = (
    column("inflation", required=False),
    column("discount_rate", required=False),
    column("too_much_om_percent", required=False, may_be_empty=True),
)


@dataclass(frozen=True, kw_only=True)
class Prices:
    """What things cost here.

    An amount is a number, or a text with its currency such as ``"42 EUR"``; one for an hour, a tonne or a square metre
    may name another unit of that kind, such as ``"38 USD/short ton"``.

    Attributes
    ----------
    currency
        Three letters, such as ``"EUR"``.
    crew_per_h
        One hour of one person.
    machine_per_h
        One hour of each machine, by the names in the tasks of `matledger.labour.Labour`.
    sand_per_t
        One tonne of moist sand.
    load
        Delivery of one load; not counted if None.
    core_per_t
        Taking one tonne of moist cores away; not counted if None.
    contractor_per_m2
        One square metre by a contractor, by kind of work; it takes the place of crew and machines, sand apart.
    round
        Price of a round; lost and discounted play are not counted if None.
    renovation
        The user's own figure for what it costs to have done too little; not counted if None.
    too_much_om_percent
        Organic matter in the target's window above which that is due (%).
    inflation, discount_rate
        Rise of every price a year (-), and rate at which later money counts less (-).

    Raises
    ------
    InputError
        Naming every amount that is no amount, and every one in another currency.

    Examples
    --------
    >>> prices = Prices(currency="EUR", crew_per_h="25 EUR", machine_per_h={"corer": 40}, sand_per_t=38)
    >>> prices.crew_per_h
    25.0
    """

    currency: str
    crew_per_h: float
    machine_per_h: Mapping[str, float] = field(default_factory=dict)
    sand_per_t: float
    load: float | None = None
    core_per_t: float | None = None
    contractor_per_m2: Mapping[str, float] = field(default_factory=dict)
    round: float | None = None
    renovation: float | None = None
    too_much_om_percent: float | None = None
    inflation: float = 0.0
    discount_rate: float = 0.0

    def __post_init__(self) -> None:
        """Read every amount."""
        findings = settle(self, SHARES)
        if not (isinstance(self.currency, str) and re.fullmatch("[A-Z]{3}", self.currency)):
            findings.add(Problem("currency", repr(self.currency), "three capital letters, such as EUR"))

        def amount(place: str, given: object, per: str | None) -> float | None:
            if given is None:
                if place in ("crew_per_h", "sand_per_t"):
                    findings.add(Problem(place, "none", "an amount such as 25 or '25 EUR'"))
                return None
            found = _AMOUNT.fullmatch(given.strip()) if isinstance(given, str) else None
            number: Any = given
            if found:
                currency = found[2] or found[3]
                number = float(found[1] or found[4])
                if found[5]:
                    try:
                        number /= convert(1, found[5], per or "")
                    except InputError as error:
                        unit = f"a unit of the same kind as {per}" if per else "no unit"
                        if per and not alike(found[5], found[5]):
                            unit = error.problems[0].expected
                        findings.add(Problem(place, str(given), f"after the stroke {unit}"))
                        return None
                if currency != self.currency:
                    findings.add(Problem(place, str(given), f"an amount in {self.currency}, one currency for all"))
            is_number = isinstance(number, Real) and not isinstance(number, bool)
            if not (is_number and 0 <= number < 1e12):
                expected = f"an amount of 0 or more, such as 25 or '25 {self.currency}'"
                findings.add(Problem(place, repr(given), expected))
                return None
            return float(number)

        for name, unit in _AMOUNTS.items():
            object.__setattr__(self, name, amount(name, getattr(self, name), unit))
        for name, unit in (("machine_per_h", "h"), ("contractor_per_m2", "m2")):
            given = getattr(self, name)
            if not isinstance(given, Mapping):
                findings.add(Problem(name, repr(given), "amounts by name"))
                continue
            object.__setattr__(self, name, {key: amount(f"{name}.{key}", value, unit) for key, value in given.items()})
        if (self.renovation is None) != (self.too_much_om_percent is None):
            findings.add(Problem("renovation, too_much_om_percent", "one of the two", "both, or neither"))
        findings.raise_any()

    def lacking(self, works: Sequence[Work], labour: Labour, file: str | None = None) -> list[Problem]:
        """Return kinds of work that have no task, and machines among those that works need that have no price.

        Parameters
        ----------
        works
            Each programme's work, by kind.
        labour
            How work is done: tasks, machines, people.
        file
            The file that prices and tasks come from, if any.
        """
        problems, needed = list[Problem](), dict[str, str]()
        for kind, work in sorted({work.kind: work for work in works}.items()):
            try:
                tasks = labour.tasks_of(work)
            except InputError as error:
                problems += [replace(problem, file=file) for problem in error.problems]
                continue
            if kind not in self.contractor_per_m2:
                needed |= {task.machine: task.name for task in tasks if task.machine}
        for machine, task in sorted(needed.items()):
            if machine not in self.machine_per_h:
                expected = f"the price of an hour; the task {task!r} needs it"
                problems.append(Problem(f"prices.machine_per_h.{machine}", "not given", expected, file))
        return problems

    def notes(self, play: Play | None) -> tuple[str, ...]:
        """What is not counted, and what was assumed.

        Parameters
        ----------
        play
            How much is played.
        """
        missing = [
            ("delivery of sand", self.load is None),
            ("taking cores away", self.core_per_t is None),
            ("lost and discounted play", self.round is None or play is None),
            ("the cost of doing too little", self.renovation is None),
        ]
        notes = [f"not counted: {name} (no price was given)" for name, absent in missing if absent]
        changes = [
            *([f"prices rise by {self.inflation:.1%}"] if self.inflation else []),
            *([f"later money counts {self.discount_rate:.1%} less"] if self.discount_rate else []),
        ]
        yearly = f"; {' and '.join(changes)} a year, from the first year on" if changes else ""
        notes.append(f"amounts in {self.currency}{yearly}")
        notes.append(
            "nine of ten draws of cost and of disrupted days lie between 5 % and 95 %: healing, the years' weather and"
            " the sand that the plan takes are not known; hours and prices are taken as given"
        )
        return tuple(notes)

    def of_job(self, work: Work, job: Job, area_m2: float) -> dict[str, float]:
        """Return the lines of one piece of work on one area, without delivery, at the prices of the first year.

        Parameters
        ----------
        work
            Work on greens.
        job
            What it takes on that area: hours, sand and cores.
        area_m2
            Area of a green [m2].
        """
        lines = {"sand": job.moist_sand_t * self.sand_per_t, "cores away": job.cores_t * (self.core_per_t or 0.0)}
        if work.kind in self.contractor_per_m2:
            lines["contractor"] = self.contractor_per_m2[work.kind] * area_m2
        else:
            lines["crew"] = job.crew_h * self.crew_per_h
            lines["machines"] = sum(hours * self.machine_per_h[name] for _, name, hours, _ in job.hours if name)
        return lines


@dataclass(frozen=True, eq=False, repr=False)
class Budget:
    """Costs of programmes by year and line.

    Attributes
    ----------
    currency
        The currency of every amount.
    programmes
        Their names.
    years
        Calendar years.
    span_years
        Length of time, which may begin and end within a year.
    amounts
        Money of the year, inflation included, shape ``(programme, year, line)``; lines as in `LINES`.
    discount
        What money of a year counts for now [-], shape ``(year,)``.
    disrupted_days
        Days of each year on which cover is below 99 %, shape ``(programme, year)``.
    closed_days
        Days of each year on which the course is closed for the work, shape ``(programme, year)``; 0 without a play
        calendar.
    quantities
        Crew hours [h], machine hours [h], moist sand [t], loads, cores [t], shape ``(programme, year, 5)``.
    a_year_by_draw, total_by_draw
        Money a year and present value in each draw, shape ``(programme, draw)``: healing, the years' weather, the sand
        that the plan takes and the area that exceeds the user's limit differ from draw to draw.
    disrupted_days_by_draw
        Days a year on which cover is below 99 %, shape ``(programme, draw)``.
    notes
        What is not counted, and what was assumed.
    """

    currency: str
    programmes: tuple[str, ...]
    years: tuple[int, ...]
    span_years: float
    amounts: Floats
    discount: Floats
    disrupted_days: Floats
    closed_days: Floats
    quantities: Floats
    a_year_by_draw: Floats
    total_by_draw: Floats
    disrupted_days_by_draw: Floats
    notes: tuple[str, ...]

    @property
    def total(self) -> Floats:
        """Present value of everything counted, shape ``(programme,)``."""
        total: Floats = np.tensordot(self.amounts.sum(axis=2), self.discount, axes=(1, 0))
        return total

    @property
    def a_year(self) -> Floats:
        """Mean money a year, inflation included, not discounted, shape ``(programme,)``."""
        mean: Floats = self.amounts.sum(axis=(1, 2)) / self.span_years
        return mean

    @property
    def play_a_year(self) -> Floats:
        """The part of it that is play, lost or at a discount, shape ``(programme,)``."""
        mean: Floats = self.amounts[:, :, PLAY_LINES].sum(axis=(1, 2)) / self.span_years
        return mean

    @property
    def disrupted_days_a_year(self) -> Floats:
        """Days a year on which cover is below 99 %, shape ``(programme,)``."""
        days: Floats = self.disrupted_days.sum(axis=1) / self.span_years
        return days

    @property
    def closed_days_a_year(self) -> Floats:
        """Days a year on which the course is closed for the work, shape ``(programme,)``."""
        days: Floats = self.closed_days.sum(axis=1) / self.span_years
        return days

    def table(self) -> Table:
        """Each line of each programme summed over the years, the total, and its present value where it differs."""
        columns: dict[str, Sequence[Any]] = {"programme": self.programmes}
        for index, line in enumerate(LINES):
            if self.amounts[:, :, index].any():
                columns[line] = self.amounts[:, :, index].sum(axis=1).tolist()
        total = self.amounts.sum(axis=(1, 2))
        if (self.discount != 1).any():
            columns["total"] = total.tolist()
            columns |= intervals("present value", self.total, self.total_by_draw)
        else:
            columns |= intervals("total", total, self.total_by_draw)
        formats = dict.fromkeys(list(columns)[1:], ",.0f")
        days = intervals("disrupted days a year", self.disrupted_days_a_year, self.disrupted_days_by_draw)
        columns |= days | {"closed days a year": self.closed_days_a_year.tolist()}
        formats |= dict.fromkeys(days, ".0f") | {"closed days a year": ".1f"}
        caption = f"costs, {self.years[0]} to {self.years[-1]}, {self.currency}"
        return Table(caption, columns, formats)

    def lines(self) -> Table:
        """Every programme, year and line that is not nothing, with its present value."""
        rows = [tuple(int(i) for i in row) for row in np.argwhere(self.amounts)]
        columns: dict[str, Sequence[Any]] = {
            "programme": [self.programmes[p] for p, _, _ in rows],
            "year": [self.years[y] for _, y, _ in rows],
            "line": [LINES[line] for _, _, line in rows],
            f"amount, {self.currency}": [float(self.amounts[p, y, line]) for p, y, line in rows],
            f"present value, {self.currency}": [float(self.amounts[p, y, i] * self.discount[y]) for p, y, i in rows],
        }
        return Table("budget", columns, dict.fromkeys(list(columns)[3:], ".2f"))

    def work(self) -> Table:
        """Hours, sand and cores of every programme and year."""
        rows = list(np.ndindex(self.quantities.shape[:2]))
        columns: dict[str, Sequence[Any]] = {
            "programme": [self.programmes[p] for p, _ in rows],
            "year": [self.years[y] for _, y in rows],
        }
        for index, name in enumerate(("crew h", "machine h", "moist sand t", "loads", "cores t")):
            columns[name] = [float(self.quantities[p, y, index]) for p, y in rows]
        tonnes = {"moist sand t": "t", "cores t": "t"}
        formats = dict.fromkeys(list(columns)[2:], ".1f")
        if all(load.is_integer() for load in columns["loads"]):  # a mean over weather to come need not be whole
            formats["loads"] = ".0f"
        return Table("work and material", columns, formats, tonnes)

    def __repr__(self) -> str:
        said = ", ".join(f"{n} {v:,.0f}" for n, v in zip(self.programmes, self.total, strict=True))
        return f"<Budget, present value in {self.currency}: {said}>"

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


def budget(
    *,
    programmes: Sequence[str],
    calendars: Sequence[Sequence[Dated]],
    ahead: PlayAhead,
    span_years: float,
    areas_m2: Sequence[float],
    prices: Prices,
    labour: Labour,
    play: Play | None,
    passed: Floats,
    sand_off: Floats,
) -> Budget:
    """Price the dated work of programmes.

    `calendars` holds, for each programme, one calendar for each weather sequence, or one that serves them all; draws
    take them in turn. `passed` is the share of the area that exceeds the user's limit, shape ``(programme, draw)``, and
    `sand_off` the sand that a draw needs over that of the plan, shape ``(draw,)``. Sand and delivery of `amounts` are
    the plan's; play and doing too little are means over the draws.
    """
    works = {id(work): work for own in calendars for dated in own for _, work in dated}
    problems = prices.lacking(list(works.values()), labour)
    if problems:
        raise InputError(problems)
    equal: dict[Work, tuple[Floats, Floats]] = {}
    priced = {}
    for key, work in works.items():
        if work not in equal:
            equal[work] = _priced(work, areas_m2, prices, labour)
        priced[key] = equal[work]
    first, last = ahead.days
    years = range(first.year, last.year + 1)
    rise = (1 + prices.inflation) ** np.arange(len(years))
    discount = (1 + prices.discount_rate) ** -np.arange(len(years), dtype=np.float64)
    shape = (len(programmes), len(years))
    amounts, quantities = np.zeros((*shape, len(LINES))), np.zeros((*shape, 5))
    disrupted, closed = np.zeros(shape), np.zeros(shape)
    a_year, total = np.zeros(passed.shape), np.zeros(passed.shape)
    for p, own in enumerate(calendars):
        for dated, draws, touched in ahead.by_weather(own):
            share = len(a_year[p, draws]) / len(a_year[p])
            lines, used = np.zeros((len(years), len(LINES))), np.zeros((len(years), 5))
            for (key, year), times in Counter((id(work), day.year) for day, work in dated).items():
                money, quantity = priced[key]
                lines[year - first.year] += times * money
                used[year - first.year] += times * quantity
            used[:, 3] = _loads(used[:, 2], labour)
            lines[:, DELIVERY] = used[:, 3] * (prices.load or 0.0)
            rounds = touched.play(play) * (prices.round or 0.0)
            lines[:, PLAY_LINES] = rounds.mean(axis=0)
            lines[-1, TOO_LITTLE] = (prices.renovation or 0.0) * passed[p, draws].mean()
            # The plan's figures give way to those of the draws.
            off = sand_off[draws, None]
            spent = lines.sum(axis=1) - lines[:, [SAND, DELIVERY, *PLAY_LINES, TOO_LITTLE]].sum(axis=1)
            by_draw = spent + off * lines[:, SAND] + rounds.sum(axis=2)
            by_draw += _loads(off * used[:, 2], labour) * (prices.load or 0.0)
            by_draw[:, -1] += (prices.renovation or 0.0) * passed[p, draws]
            a_year[p, draws] = by_draw @ rise / span_years
            total[p, draws] = by_draw @ (rise * discount)
            amounts[p] += share * lines
            quantities[p] += share * used
            disrupted[p] += share * touched.disrupted_days.mean(axis=0)
            closed[p] += share * touched.closed_days
    return Budget(
        currency=prices.currency,
        programmes=tuple(programmes),
        years=tuple(years),
        span_years=span_years,
        amounts=frozen(amounts * rise[None, :, None]),
        discount=frozen(discount),
        disrupted_days=frozen(disrupted),
        closed_days=frozen(closed),
        quantities=frozen(quantities),
        a_year_by_draw=frozen(a_year),
        total_by_draw=frozen(total),
        disrupted_days_by_draw=ahead.disrupted_days(calendars, span_years),
        notes=prices.notes(play),
    )


def _loads(moist_t: Floats, labour: Labour) -> Floats:
    return np.asarray(np.ceil(moist_t / labour.load_t - 1e-9), dtype=np.float64)


def intervals(name: str, central: Sequence[float] | Floats, by_draw: Floats) -> dict[str, list[float]]:
    """Columns of a figure and of the points between which nine of ten draws lie; `by_draw` ends with the draws."""
    low, high = np.quantile(by_draw, [0.05, 0.95], axis=-1)
    return {name: np.asarray(central).tolist(), f"{name}, 5 %": low.tolist(), f"{name}, 95 %": high.tolist()}


REGRET_ASKS = (
    "The verdict asks which programme costs least among those that reach the target; regret asks what each costs beyond"
    " the best choice, doing too little included, whatever the target. The two may name different programmes."
)


def regrets(caption: str, names: Sequence[str], currency: str, regret: Floats) -> Table:
    """Tell regret, shape ``(programme, draw)``: its mean, its points, and how often a programme is the best."""
    low, median, high = np.quantile(regret, [0.05, 0.5, 0.95], axis=1)
    columns: dict[str, Sequence[Any]] = {
        "programme": list(names),
        f"mean regret, {currency}": regret.mean(axis=1).tolist(),
        "5 %": low.tolist(),
        "median": median.tolist(),
        "95 %": high.tolist(),
        "P(best)": (regret == 0).mean(axis=1).tolist(),
    }
    formats = dict.fromkeys(list(columns)[1:5], ",.0f") | {"P(best)": ".2f"}
    return Table(caption, columns, formats, notes=(REGRET_ASKS,))


def _priced(work: Work, areas_m2: Sequence[float], prices: Prices, labour: Labour) -> tuple[Floats, Floats]:
    """Return money by line and quantities of one piece of work on every green."""
    money, amount = np.zeros(len(LINES)), np.zeros(5)
    for area_m2 in areas_m2:
        done = job(work, float(area_m2), labour=labour)
        for line, value in prices.of_job(work, done, float(area_m2)).items():
            money[LINES.index(line)] += value
        own = work.kind not in prices.contractor_per_m2
        amount += (own * done.crew_h, own * done.machine_h, done.moist_sand_t, 0.0, done.cores_t)
    return money, amount
