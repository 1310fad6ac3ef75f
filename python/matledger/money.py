"""What programmes cost: lines by year, lost and discounted play, inflation and discounting."""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np

from matledger._arrays import Floats, frozen
from matledger.cells import column, settle
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.labour import Job, Labour, job
from matledger.practice import Work
from matledger.recovery import Recovery, wound_of

__all__ = ["LINES", "PLAY_LINES", "Budget", "Play", "Prices", "budget", "disrupted_days", "draw_losses"]

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
DAYS_A_WEEK = 7

Dated: TypeAlias = Sequence[tuple[dt.date, Work]]

_AMOUNT = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?([A-Z]{3})|([A-Z]{3}) ?([0-9]+(?:\.[0-9]+)?)")
_AMOUNTS = ("crew_h", "sand_t", "load", "core_t", "round", "renovation")
_SHARES = (
    column("inflation", required=False),
    column("discount_rate", required=False),
    column("too_much_om_percent", required=False, may_be_empty=True),
)
_PLAY = (
    column("lost_share", required=False),
    column("discount_share", required=False),
    column("closed_days", required=False),
)


@dataclass(frozen=True, kw_only=True)
class Play:
    """How much is played, and what play does while greens recover.

    Attributes
    ----------
    rounds_a_week
        Rounds in a week: one figure for each month, or one for each of 52 weeks, from January on.
    lost_share
        Share of the rounds that are not played while cover is below 99 % (-).
    discount_share
        Share of the price of a round that is given back for those that are (-).
    closed_days
        Days closed from the day of work that opens the surface on.

    Examples
    --------
    >>> import datetime as dt
    >>> play = Play(rounds_a_week=[0, 0, 70, 140, 210, 280, 280, 280, 210, 140, 70, 0])
    >>> play.rounds_on(dt.date(2025, 4, 9))
    20.0
    """

    rounds_a_week: Sequence[float]
    lost_share: float = 0.0
    discount_share: float = 0.0
    closed_days: int = 1

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        findings = settle(self, _PLAY)
        given = self.rounds_a_week
        listed = isinstance(given, Sequence) and not isinstance(given, str)
        if not listed or len(given) not in (12, 52):
            findings.add(Problem("rounds_a_week", str(given)[:60], "12 figures (months) or 52 (weeks)"))
        else:
            for index, rounds in enumerate(given):
                number = isinstance(rounds, int | float) and not isinstance(rounds, bool)
                if not (number and np.isfinite(rounds) and rounds >= 0):
                    findings.add(Problem(f"rounds_a_week[{index}]", repr(rounds), "0 or more, finite"))
            object.__setattr__(self, "rounds_a_week", tuple(given))
        findings.raise_any()

    def rounds_on(self, day: dt.date) -> float:
        """Return the rounds of one day.

        Parameters
        ----------
        day
            A day.
        """
        if len(self.rounds_a_week) == 12:
            return self.rounds_a_week[day.month - 1] / DAYS_A_WEEK
        week = min((day.timetuple().tm_yday - 1) // DAYS_A_WEEK, 51)
        return self.rounds_a_week[week] / DAYS_A_WEEK


@dataclass(frozen=True, kw_only=True)
class Prices:
    """What things cost here. An amount is a number, or a text with its currency such as ``"42 EUR"``.

    Attributes
    ----------
    currency
        Three letters, such as ``"EUR"``.
    crew_h
        One hour of one person.
    machine_h
        One hour of each machine, by the names in the tasks of `matledger.labour.Labour`.
    sand_t
        One tonne of moist sand.
    load
        Delivery of one load; not counted if None.
    core_t
        Taking one tonne of moist cores away; not counted if None.
    contractor_m2
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
    >>> prices = Prices(currency="EUR", crew_h="25 EUR", machine_h={"corer": 40}, sand_t=38)
    >>> prices.crew_h
    25.0
    """

    currency: str
    crew_h: float
    machine_h: Mapping[str, float] = field(default_factory=dict)
    sand_t: float
    load: float | None = None
    core_t: float | None = None
    contractor_m2: Mapping[str, float] = field(default_factory=dict)
    round: float | None = None
    renovation: float | None = None
    too_much_om_percent: float | None = None
    inflation: float = 0.0
    discount_rate: float = 0.0

    def __post_init__(self) -> None:
        """Read every amount."""
        findings = settle(self, _SHARES)
        if not (isinstance(self.currency, str) and re.fullmatch("[A-Z]{3}", self.currency)):
            findings.add(Problem("currency", repr(self.currency), "three capital letters, such as EUR"))

        def amount(place: str, given: object) -> float | None:
            if given is None:
                if place in ("crew_h", "sand_t"):
                    findings.add(Problem(place, "none", "an amount such as 25 or '25 EUR'"))
                return None
            found = _AMOUNT.fullmatch(given.strip()) if isinstance(given, str) else None
            number: Any = given
            if found:
                currency = found[2] or found[3]
                number = float(found[1] or found[4])
                if currency != self.currency:
                    findings.add(Problem(place, str(given), f"an amount in {self.currency}, one currency for all"))
            if isinstance(number, bool) or not isinstance(number, int | float) or not 0 <= number < 1e12:
                expected = f"an amount of 0 or more, such as 25 or '25 {self.currency}'"
                findings.add(Problem(place, repr(given), expected))
                return None
            return float(number)

        for name in _AMOUNTS:
            object.__setattr__(self, name, amount(name, getattr(self, name)))
        for name in ("machine_h", "contractor_m2"):
            given = getattr(self, name)
            if not isinstance(given, Mapping):
                findings.add(Problem(name, repr(given), "amounts by name"))
                continue
            object.__setattr__(self, name, {key: amount(f"{name}.{key}", value) for key, value in given.items()})
        if (self.renovation is None) != (self.too_much_om_percent is None):
            findings.add(Problem("renovation, too_much_om_percent", "one of the two", "both, or neither"))
        findings.raise_any()

    def lacking(self, works: Sequence[Work], labour: Labour) -> list[Problem]:
        """Return what has no price among the machines that works need.

        Parameters
        ----------
        works
            Each programme's work, by kind.
        labour
            How work is done: rounds, machines, people.
        """
        done_here = {work for work in works if work.kind not in self.contractor_m2}
        needed = {task.machine: task.name for work in done_here for task in labour.tasks_of(work) if task.machine}
        return [
            Problem(f"prices.machine_h.{machine}", "not given", f"the price of an hour; the task {task!r} needs it")
            for machine, task in sorted(needed.items())
            if machine not in self.machine_h
        ]

    def notes(self, play: Play | None) -> tuple[str, ...]:
        """What is not counted, and what was assumed.

        Parameters
        ----------
        play
            How much is played.
        """
        missing = [
            ("delivery of sand", self.load is None),
            ("taking cores away", self.core_t is None),
            ("lost and discounted play", self.round is None or play is None),
            ("the cost of doing too little", self.renovation is None),
        ]
        notes = [f"not counted: {name} (no price was given)" for name, absent in missing if absent]
        notes.append(
            f"amounts in {self.currency}; prices rise by {self.inflation:.1%} and later money counts"
            f" {self.discount_rate:.1%} less a year, from the first year on"
        )
        return tuple(notes)

    def of_job(self, work: Work, done: Job, area_m2: float) -> dict[str, float]:
        """Return the lines of one piece of work on one area, without delivery, at the prices of the first year.

        Parameters
        ----------
        work
            Work on greens.
        done
            Day of the work.
        area_m2
            Area of a green [m2].
        """
        lines = {"sand": done.sand_moist_t * self.sand_t, "cores away": done.core_t * (self.core_t or 0.0)}
        if work.kind in self.contractor_m2:
            lines["contractor"] = self.contractor_m2[work.kind] * area_m2
        else:
            lines["crew"] = done.crew_h * self.crew_h
            lines["machines"] = sum(hours * self.machine_h[name] for _, name, hours, _ in done.hours if name)
        return lines


def disrupted_days(
    dated: Dated, recovery: Recovery, *, cache: dict[Any, float] | None = None
) -> tuple[set[dt.date], set[dt.date]]:
    """Return the days on which cover is below 99 %, and the days on which the surface was opened.

    Each opening counts with its mean days to 99 % cover; days of two openings count once. `cache` keeps what was found,
    by kind of opening, month and day.
    """
    known = {} if cache is None else cache
    disrupted, opened = set[dt.date](), set[dt.date]()
    for day, work in dated:
        wound = wound_of(work)
        if wound is None:
            continue
        key = (wound, day.month, day.day)
        if key not in known:
            known[key] = recovery.expected_days(work, day)
        opened.add(day)
        disrupted.update(day + dt.timedelta(days=n) for n in range(max(1, round(known[key]))))
    return disrupted, opened


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
        """The programmes side by side: each line summed over the years, the total and its present value."""
        columns: dict[str, Sequence[Any]] = {"programme": self.programmes}
        for index, line in enumerate(LINES):
            if self.amounts[:, :, index].any():
                columns[line] = self.amounts[:, :, index].sum(axis=1).tolist()
        columns["total"] = self.amounts.sum(axis=(1, 2)).tolist()
        columns["present value"] = self.total.tolist()
        formats = dict.fromkeys(list(columns)[1:], ",.0f")
        columns["disrupted days a year"] = self.disrupted_days_a_year.tolist()
        columns["closed days a year"] = self.closed_days_a_year.tolist()
        formats |= {"disrupted days a year": ".0f", "closed days a year": ".1f"}
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
        return Table("work and material", columns, dict.fromkeys(list(columns)[2:], ".1f"), tonnes)

    def __repr__(self) -> str:
        said = ", ".join(f"{n} {v:,.0f}" for n, v in zip(self.programmes, self.total, strict=True))
        return f"<Budget, present value in {self.currency}: {said}>"

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


def budget(
    *,
    programmes: Sequence[str],
    calendars: Sequence[Sequence[Dated]],
    years: Sequence[int],
    span_years: float,
    areas_m2: Sequence[float],
    prices: Prices,
    labour: Labour,
    recovery: Recovery,
    play: Play | None,
    too_much: Floats,
    last_year: int,
) -> Budget:
    """Price the dated work of programmes.

    `calendars` holds, for each programme, one calendar for each weather sequence, or one that serves them all; amounts
    are means over them. `too_much` is the probability that OM passes the limit, by area.
    """
    works = {id(work): work for own in calendars for dated in own for _, work in dated}
    problems = prices.lacking(sorted(set(works.values()), key=str), labour)
    if problems:
        raise InputError(problems)
    equal: dict[Work, tuple[Floats, Floats]] = {}
    priced = {}
    for key, work in works.items():
        if work not in equal:
            equal[work] = _priced(work, areas_m2, prices, labour)
        priced[key] = equal[work]
    amounts = np.zeros((len(programmes), len(years), len(LINES)))
    quantities = np.zeros((len(programmes), len(years), 5))
    touched = np.zeros((len(programmes), len(years), 2))
    row = {year: index for index, year in enumerate(years)}
    cache: dict[Any, float] = {}
    for p, own in enumerate(calendars):
        share = 1 / len(own)
        for dated in own:
            amount = np.zeros((len(years), 5))
            for (key, year), times in Counter((id(work), day.year) for day, work in dated).items():
                money, used = priced[key]
                amounts[p, row[year]] += share * times * money
                amount[row[year]] += times * used
            amount[:, 3] = np.ceil(amount[:, 2] / labour.load_t - 1e-9)
            amounts[p, :, LINES.index("delivery")] += share * amount[:, 3] * (prices.load or 0.0)
            quantities[p] += share * amount
            slow, opened = disrupted_days(dated, recovery, cache=cache)
            days, lost = play_lost(slow, opened, years, prices, play)
            touched[p] += share * days
            amounts[p][:, PLAY_LINES] += share * lost
        amounts[p, row[last_year], LINES.index("doing too little")] += (prices.renovation or 0.0) * too_much[p]
    ahead = np.arange(len(years))
    amounts *= ((1 + prices.inflation) ** ahead)[None, :, None]
    return Budget(
        currency=prices.currency,
        programmes=tuple(programmes),
        years=tuple(years),
        span_years=span_years,
        amounts=frozen(amounts),
        discount=frozen((1 + prices.discount_rate) ** -ahead.astype(np.float64)),
        disrupted_days=frozen(touched[:, :, 0]),
        closed_days=frozen(touched[:, :, 1]),
        quantities=frozen(quantities),
        notes=prices.notes(play),
    )


def play_lost(
    slow: set[dt.date], opened: set[dt.date], years: Sequence[int], prices: Prices | None, play: Play | None
) -> tuple[Floats, Floats]:
    """Return what recovery costs in play, before inflation.

    From the days below full cover and those on which work opened the surface: disrupted and closed days by year, and
    money for play lost and at a discount, shapes ``(year, 2)``.
    """
    days, money = np.zeros((len(years), 2)), np.zeros((len(years), 2))
    shut = {day + dt.timedelta(days=n) for day in opened for n in range(play.closed_days)} if play else set()
    row = {year: index for index, year in enumerate(years)}
    price = prices.round if prices else None
    for day in slow | shut:
        y = row.get(day.year)
        if y is None:
            continue
        days[y] += (day in slow, day in shut)
        if play is not None and price is not None:
            worth = play.rounds_on(day) * price
            lost = 1.0 if day in shut else play.lost_share
            money[y] += (worth * lost, worth * (1 - lost) * play.discount_share)
    return days, money


def draw_losses(costs: Budget, prices: Prices, om_percent: Floats, areas_m2: Floats) -> Floats | None:
    """Return the present value by programme and draw: doing too little costs the share of the area past the limit."""
    if prices.renovation is None or prices.too_much_om_percent is None:
        return None
    own = costs.total - costs.amounts[:, :, -1] @ costs.discount
    passed = np.einsum("pgd,g->pd", om_percent > prices.too_much_om_percent, areas_m2 / areas_m2.sum())
    due = prices.renovation * (1 + prices.inflation) ** (len(costs.years) - 1) * costs.discount[-1]
    losses: Floats = own[:, None] + due * passed
    return losses


def _priced(work: Work, areas_m2: Sequence[float], prices: Prices, labour: Labour) -> tuple[Floats, Floats]:
    """Return money by line and quantities of one piece of work on every green."""
    money, amount = np.zeros(len(LINES)), np.zeros(5)
    for area_m2 in areas_m2:
        done = job(work, float(area_m2), labour=labour)
        for line, value in prices.of_job(work, done, float(area_m2)).items():
            money[LINES.index(line)] += value
        own = work.kind not in prices.contractor_m2
        amount += (own * done.crew_h, own * done.machine_h, done.sand_moist_t, 0.0, done.core_t)
    return money, amount
