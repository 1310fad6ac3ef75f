"""What play loses while greens recover: days below full cover, closed days and rounds, by draw."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from matledger._arrays import Floats, frozen
from matledger.cells import BadValueError, column, settle
from matledger.days import as_day
from matledger.errors import Problem
from matledger.practice import Work
from matledger.recovery import HORIZON_DAYS, Recovery

__all__ = ["Dated", "Play", "PlayAhead", "Touched", "closed_days"]

DAYS_A_WEEK = 7

Dated: TypeAlias = Sequence[tuple[dt.date, Work]]

COLUMNS = (
    column("lost_share", required=False),
    column("discount_share", required=False),
    column("closed_days", required=False),
)
ROUNDS = column("rounds_a_week")


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
        findings = settle(self, COLUMNS)
        given = self.rounds_a_week
        listed = isinstance(given, Sequence) and not isinstance(given, str)
        if not listed or len(given) not in (12, 52):
            found = f"{len(given)} figures" if listed else str(given)[:60]
            findings.add(Problem("rounds_a_week", found, "12 figures (months) or 52 (weeks)"))
        else:
            read = []
            for index, rounds in enumerate(given):
                try:
                    read.append(ROUNDS.read(rounds))
                except BadValueError as bad:
                    findings.add(Problem(f"rounds_a_week[{index}]", bad.value, bad.expected))
            object.__setattr__(self, "rounds_a_week", tuple(read))
        findings.raise_any()

    def rounds_on(self, day: dt.date | str) -> float:
        """Return the rounds of one day.

        Parameters
        ----------
        day
            The day.

        Raises
        ------
        InputError
            For what is no day.
        """
        day = as_day(day, "day")
        if len(self.rounds_a_week) == 12:
            return self.rounds_a_week[day.month - 1] / DAYS_A_WEEK
        week = min((day.timetuple().tm_yday - 1) // DAYS_A_WEEK, 51)
        return self.rounds_a_week[week] / DAYS_A_WEEK


def closed_days(dated: Dated, play: Play | None) -> set[dt.date]:
    """Return the days on which the course is closed for work that opens the surface; none without a play calendar."""
    opened = {day for day, work in dated if work.wound is not None}
    return {day + dt.timedelta(days=n) for day in opened for n in range(play.closed_days if play else 0)}


@dataclass(frozen=True, eq=False)
class Touched:
    """What the openings of one calendar do to play, by draw and year.

    Attributes
    ----------
    disrupted_days
        Days on which cover is below 99 %, shape ``(draw, year)``.
    rounds_slow
        Rounds due on those of them that are not closed, shape ``(draw, year)``.
    closed_days, rounds_closed
        Days closed and rounds due on them, shape ``(year,)``.
    """

    disrupted_days: Floats
    rounds_slow: Floats
    closed_days: Floats
    rounds_closed: Floats

    def play(self, play: Play | None) -> Floats:
        """Rounds that are not played, and full rounds that are given back, shape ``(draw, year, 2)``."""
        if play is None:
            return np.zeros((*self.rounds_slow.shape, 2))
        lost = self.rounds_closed + play.lost_share * self.rounds_slow
        return np.stack([lost, (1 - play.lost_share) * play.discount_share * self.rounds_slow], axis=-1)


class PlayAhead:
    """Healing and play in the years to come, the same for all programmes.

    Every draw takes a draw of the healing, and a year of the record for each year to come.

    Attributes
    ----------
    days
        The first and the last day.
    """

    def __init__(
        self, recovery: Recovery, play: Play | None, *, days: tuple[dt.date, dt.date], draws: int, seed: int
    ) -> None:
        self.days, self._recovery, self._play = days, recovery, play
        first, last = days
        years = range(first.year, last.year + 1)
        self._zero = dt.date(first.year, 1, 1)
        self._end = self._number(last) + 1
        edges = [self._number(dt.date(year, 1, 1)) for year in years]
        self._edges = np.array([*edges, self._number(dt.date(last.year, 12, 31)) + 1])
        every = (self._zero + dt.timedelta(days=n) for n in range(self._edges[-1]))
        self._rounds = np.array([play.rounds_on(day) if play else 0.0 for day in every])
        # Which year of the record heals: a chance, since not every day has the same years behind it.
        self._chance = np.random.default_rng(seed).random((draws, len(years)))
        self._row = np.arange(draws) % len(recovery.draws)
        self._spans: dict[object, Floats] = {}
        self._known: dict[object, Touched] = {}

    def _number(self, day: dt.date) -> int:
        return (day - self._zero).days

    def _span(self, work: Work, day: dt.date) -> Floats:
        """Days below full cover after one opening, by draw; what takes longer than 150 days counts as 150."""
        key = (work.wound, day)
        if key not in self._spans:
            found = self._recovery.days(work, day)
            which = (self._chance[:, day.year - self._zero.year] * len(found)).astype(np.intp)
            self._spans[key] = np.clip(found[which, self._row], 1, HORIZON_DAYS)
        return self._spans[key]

    def touched(self, dated: Dated, draws: slice = slice(None)) -> Touched:
        """Say what a calendar does to play in some of the draws; days of two openings count once."""
        openings = {(day, work.wound): work for day, work in dated if work.wound is not None}
        key = (tuple(openings), draws.start, draws.step)
        if key not in self._known:
            self._known[key] = self._union(
                sorted((day, i, w) for i, ((day, _), w) in enumerate(openings.items())), draws
            )
        return self._known[key]

    def by_weather(self, calendars: Sequence[Dated]) -> Iterator[tuple[Dated, slice, Touched]]:
        """Give each calendar of a programme, the draws that take it in turn, and what it does to play in them."""
        for sequence, dated in enumerate(calendars):
            draws = slice(sequence, None, len(calendars))
            yield dated, draws, self.touched(dated, draws)

    def disrupted_days(self, calendars: Sequence[Sequence[Dated]], span_years: float) -> Floats:
        """Days a year on which cover is below 99 %, shape ``(programme, draw)``; calendars as for `budget`."""
        days = np.zeros((len(calendars), len(self._chance)))
        for own, by_draw in zip(calendars, days, strict=True):
            for _, draws, touched in self.by_weather(own):
                by_draw[draws] = touched.disrupted_days.sum(axis=1) / span_years
        return frozen(days)

    def _union(self, openings: Sequence[tuple[dt.date, int, Work]], draws: slice) -> Touched:
        shut = np.zeros(len(self._rounds), dtype=bool)
        for day in closed_days([(day, work) for day, _, work in openings], self._play):
            shut[self._number(day) : self._number(day) + 1] = True
        shut[self._end :] = False
        due = np.concatenate([[0.0], np.cumsum(np.where(shut, 0.0, self._rounds))])
        from_, until = self._edges[:-1], np.minimum(self._edges[1:], self._end)
        reached = np.zeros(len(self._chance[draws]))
        shape = (len(reached), len(from_))
        disrupted, slow = np.zeros(shape), np.zeros(shape)
        for day, _, work in openings:
            start = np.maximum(reached, self._number(day))
            reached = np.maximum(reached, self._number(day) + self._span(work, day)[draws])
            low, high = (ends[:, None].clip(from_, until).astype(np.intp) for ends in (start, reached))
            disrupted += high - low
            slow += due[high] - due[low]
        by_year = [slice(a, b) for a, b in zip(self._edges[:-1], self._edges[1:], strict=True)]
        return Touched(
            disrupted_days=frozen(disrupted),
            rounds_slow=frozen(slow),
            closed_days=frozen(np.array([float(shut[year].sum()) for year in by_year])),
            rounds_closed=frozen(np.array([self._rounds[year][shut[year]].sum() for year in by_year])),
        )
