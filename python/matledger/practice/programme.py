"""A programme: what is done by which rule."""

from __future__ import annotations

import datetime as dt
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from matledger import _core
from matledger.days import as_day
from matledger.errors import InputError, Problem, UnusualWarning
from matledger.practice._fields import html_table
from matledger.practice.calendar import Calendar, Event, Moved, Skipped, Uncounted, YearSummary, summarise_years
from matledger.practice.work import SAND_FIRST, Work, sand_first

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from matledger._arrays import DayLike

__all__ = ["Programme", "WorkDone", "dated_work"]


@dataclass(frozen=True, repr=False)
class Programme:
    """What is done to a green, year after year.

    Parameters
    ----------
    name
        Name for the reader.
    steps
        Pairs of a rule and the work done whenever it falls due, in this order. A rule says when, in a text such as
        ``"second Monday of April and of September"``, ``"last Tuesday of August"``,
        ``"every 14 days from 1 May to 15 October"``, ``"15 April and 10 September"``, ``"2014-04-15"``,
        ``"after 400 degree days from 1 March"`` or ``"every 200 degree days from 1 April to 30 September"``.
        Case does not matter, a season may reach into the next year, and 29 February is 28 February in common years.
        A count of degree days dates the work on the day after it is reached; one that repeats starts anew on that day.
    no_work
        Days without work, whether the course is open or not: ``"2014-07-01 to 2014-07-07"``,
        ``"24 December to 2 January"``, or a single day.
    when_no_work
        What becomes of a step due on a day without work: ``"skip"``, or ``"next_work_day"``. A rule that repeats goes
        on counting from the day due.

    Raises
    ------
    InputError
        Naming every rule, piece of work or day without it that cannot be used.

    Warns
    -----
    UnusualWarning
        When sand by some rule stands before the holes that it should fill.

    Examples
    --------
    >>> from matledger import Coring, Programme, Tine, Topdressing
    >>> cores = Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    >>> programme = Programme(
    ...     "two corings, light sand",
    ...     [
    ...         ("second Monday of April and of September", [cores, Topdressing(sand_mm=4, passes=4)]),
    ...         ("every 14 days from 1 May to 15 August", [Topdressing(sand_mm=0.5)]),
    ...     ],
    ... )
    >>> calendar = programme.calendar("2014-01-01", "2014-12-31")
    >>> calendar
    <Calendar 'two corings, light sand' 2014-01-01 to 2014-12-31: 12 events>
    >>> next(iter(calendar)).date
    datetime.date(2014, 4, 14)
    >>> year = programme.summary(2014)
    >>> round(year.removed_area_share, 4), round(year.removed_area_plain_sum, 4), round(year.sand_mm, 6)
    (0.0988, 0.1013, 12.0)
    """

    name: str
    steps: Sequence[tuple[str, Sequence[Work]]]
    no_work: Sequence[str] = ()
    when_no_work: Literal["skip", "next_work_day"] = "skip"

    def __post_init__(self) -> None:
        """Check everything and keep the rules as the core writes them."""
        problems: list[Problem] = []

        def need(ok: bool, place: str, value: object, expected: str) -> bool:
            if not ok:
                problems.append(Problem(place, repr(value), expected))
            return ok

        need(isinstance(self.name, str), "name", self.name, "a text")
        need(
            self.when_no_work in ("skip", "next_work_day"),
            "when_no_work",
            self.when_no_work,
            "'skip' or 'next_work_day'",
        )
        if need(_is_list(self.no_work), "no_work", self.no_work, "a list of texts such as '4 July'"):
            for i, text in enumerate(self.no_work):
                need(isinstance(text, str), f"no_work[{i}]", text, "a text such as '4 July'")
        if need(_is_list(self.steps), "steps", self.steps, "a list of pairs (rule, [work, ...])"):
            for i, step in enumerate(self.steps):
                pair = need(_is_list(step) and len(step) == 2, f"steps[{i}]", step, "a pair (rule, [work, ...])")
                if not pair:
                    continue
                rule, works = step
                need(isinstance(rule, str), f"steps[{i}].when", rule, "a text such as '15 April'")
                if need(_is_list(works), f"steps[{i}].works", works, "a list of work such as [Topdressing(sand_mm=1)]"):
                    for j, work in enumerate(works):
                        expected = "a piece of work such as Topdressing(sand_mm=1)"
                        need(isinstance(work, Work), f"steps[{i}].works[{j}]", work, expected)
        if problems:
            raise InputError(problems)
        core = self.core
        steps = tuple((rule, tuple(works)) for rule, (_, works) in zip(core.rules, self.steps, strict=True))
        object.__setattr__(self, "steps", steps)
        object.__setattr__(self, "no_work", tuple(core.no_work))
        self._look_at_order()

    def _look_at_order(self) -> None:
        by_rule: dict[str, list[Work]] = {}
        for rule, works in self.steps:
            by_rule.setdefault(rule, []).extend(works)
        for rule, works in by_rule.items():
            for _, opening in sand_first(works):
                from matledger.findings import outside

                found = f"topdressing stands before {works[opening].kind.replace('_', ' ')}"
                # Not by the programme's name: a search makes thousands, and tells it once.
                told = f"programme, work of {rule}: {found}; {SAND_FIRST}"
                warnings.warn(told, UnusualWarning, stacklevel=outside())

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: the core is built again when it is needed."""
        return {name: value for name, value in self.__dict__.items() if name != "core"}

    @cached_property
    def core(self) -> _core.Programme:
        """The programme as the core knows it."""
        steps = [(rule, [work.core for work in works]) for rule, works in self.steps]
        return _core.Programme(self.name, steps, list(self.no_work), self.when_no_work == "next_work_day")

    def calendar(
        self,
        first: DayLike,
        last: DayLike,
        *,
        degree_days: ArrayLike | None = None,
        degree_days_start: DayLike | None = None,
    ) -> Calendar:
        """Date the work from `first` to `last`, both included.

        Parameters
        ----------
        first, last
            First and last day, as dates or ``"YYYY-MM-DD"``.
        degree_days
            Degree days of consecutive days on the base that the rules mean, shape ``(n,)`` [degC d]; they must reach
            `last`. Only rules that count degree days need them.
        degree_days_start
            Day of the first of `degree_days`; `first` if not given. A season that began before it is not counted, and
            the calendar's ``uncounted`` says so.

        Returns
        -------
        Calendar
            The work by date, what was skipped or moved, and a summary of each year.

        Raises
        ------
        InputError
            When a date cannot be read, `last` is before `first`, or degree days are needed and are missing, too short,
            negative or not finite.
        """
        begin, end = as_day(first, "first"), as_day(last, "last")
        series = None
        if degree_days is not None:
            start = begin if degree_days_start is None else as_day(degree_days_start, "degree_days_start")
            series = (start, _array(degree_days, "degree_days"))
        return self.dated(begin, end, self.core.calendar(begin, end, series))

    def dated(self, first: dt.date, last: dt.date, found: _core.Calendar) -> Calendar:
        """Tell the core's calendar of this programme in the programme's own work.

        Parameters
        ----------
        first
            First day.
        last
            Last day.
        found
            Calendar that was worked out before.
        """
        rules = [rule for rule, _ in self.steps]
        events = tuple(Event(date, self.steps[step][1][work], step, rules[step]) for date, step, work in found.dated)
        return Calendar(
            name=self.name,
            first=first,
            last=last,
            events=events,
            skipped=tuple(Skipped(date, rules[step], reason) for step, date, reason in found.skipped),
            moved=tuple(Moved(due, done, rules[step]) for step, due, done in found.moved),
            uncounted=tuple(Uncounted(season, rules[step]) for step, season in found.uncounted),
            years=summarise_years(first, last, events, found),
        )

    def summary(
        self, year: int, *, degree_days: ArrayLike | None = None, degree_days_start: DayLike | None = None
    ) -> YearSummary:
        """Sum up one calendar year.

        Parameters
        ----------
        year
            Calendar year.
        degree_days, degree_days_start
            As for `calendar`; the first value is of 1 January if no start is given.

        Returns
        -------
        YearSummary
            Events, surface opened and sand.

        Raises
        ------
        InputError
            As for `calendar`.
        """
        span = (as_day(f"{year}-01-01", "year"), as_day(f"{year}-12-31", "year"))
        return self.calendar(*span, degree_days=degree_days, degree_days_start=degree_days_start).years[0]

    def __repr__(self) -> str:
        """Name and counts."""
        idle = f", no work on {'; '.join(self.no_work)} ({self.when_no_work})" if self.no_work else ""
        return f"<Programme {self.name!r}: {'; '.join(rule for rule, _ in self.steps) or 'no work'}{idle}>"

    def _repr_html_(self) -> str:
        rows = [(rule, "; ".join(str(work) for work in works)) for rule, works in self.steps]
        if self.no_work:
            rows.append((f"no work ({self.when_no_work.replace('_', ' ')})", "; ".join(self.no_work)))
        return html_table(self.name, ("when", "work"), rows)


WorkDone: TypeAlias = Programme | Iterable[tuple[dt.date, Work]]
"""A programme, or pieces of work with their dates."""


def dated_work(
    work: object, place: str, first: DayLike | None, last: DayLike | None, degree_days: ArrayLike | None = None
) -> list[tuple[dt.date, Work]]:
    """Date a programme, or read dated work: pairs of a day and a piece of work, events or work records.

    Raises
    ------
    InputError
        For anything else, and a programme without a first and last day.
    """
    if isinstance(work, Programme):
        if first is None or last is None:
            raise InputError([Problem("first", "not given", "first and last day, which date a programme")])
        return [(event.date, event.work) for event in work.calendar(first, last, degree_days=degree_days)]
    expected = "a date and a piece of work, or a programme"
    if not isinstance(work, Iterable) or isinstance(work, str):
        raise InputError([Problem(place, repr(work), "a programme, or a list of pairs (date, work)")])
    dated = []
    for index, piece in enumerate(work):
        where = f"{place}[{index}]"
        if hasattr(piece, "date") and hasattr(piece, "work"):
            date, done = piece.date, piece.work
        elif _is_list(piece) and len(piece) == 2:
            date, done = piece
        else:
            raise InputError([Problem(where, repr(piece), expected)])
        if not isinstance(done, Work):
            raise InputError([Problem(where, repr(done), "work such as Coring(...) or Topdressing(...)")])
        dated.append((as_day(date, where), done))
    return dated


def _is_list(value: object) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _array(values: ArrayLike, name: str) -> Any:
    import numpy as np

    given = np.asarray(values)
    if given.ndim != 1 or given.dtype.kind not in "iuf":
        raise InputError([Problem(name, f"{given.dtype} of shape {given.shape}", "numbers of shape (n,)")])
    return np.ascontiguousarray(given, dtype=np.float64)
