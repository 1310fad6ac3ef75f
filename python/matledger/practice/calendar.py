"""The dated work of a programme."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any, NamedTuple

from matledger import _core, units
from matledger.practice._fields import html_table
from matledger.practice.work import Work

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

__all__ = ["Calendar", "Event", "Moved", "Skipped", "Uncounted", "YearSummary"]


class Event(NamedTuple):
    """One piece of work and its day.

    Attributes
    ----------
    date
        The day.
    work
        The work.
    step
        Which step of the programme, from 0.
    when
        The rule by which it fell due.
    """

    date: dt.date
    work: Work
    step: int
    when: str


class Skipped(NamedTuple):
    """A step that fell due and was not done.

    Attributes
    ----------
    date
        The day on which it fell due.
    when
        The rule by which it did.
    reason
        Why it was not done.
    """

    date: dt.date
    when: str
    reason: str


class Moved(NamedTuple):
    """A step that fell due on a day without work and is done later.

    Attributes
    ----------
    due, done
        The day on which it fell due, and that on which it is done.
    when
        The rule by which it fell due.
    """

    due: dt.date
    done: dt.date
    when: str


class Uncounted(NamedTuple):
    """A season whose degree days are not known because it began before they do.

    Attributes
    ----------
    season
        First day of the season.
    when
        The rule that counts its degree days.
    """

    season: dt.date
    when: str


@dataclass(frozen=True)
class YearSummary:
    """What a calendar does in a calendar year.

    Attributes
    ----------
    year
        Calendar year.
    days, events
        Days with work, and pieces of work.
    removed_area_share, removed_area_plain_sum
        Share of the surface from which material is taken [-]: overlapping at random, ``1 - prod(1 - f)``, and the plain
        sum that the trade quotes.
    solid_area_share, solid_area_plain_sum
        The same for work that opens the surface and takes nothing out [-].
    sand_kg_m2
        Dry sand [kg/m2].
    """

    year: int
    days: int
    events: int
    removed_area_share: float
    removed_area_plain_sum: float
    solid_area_share: float
    solid_area_plain_sum: float
    sand_kg_m2: float

    @property
    def sand_mm(self) -> float:
        """Dry sand as packed depth at a bulk density of 1.60 g/cm3 [mm]."""
        return self.sand_kg_m2 / _core.SAND_BULK_DENSITY_G_CM3

    @property
    def sand_ft3_1000ft2(self) -> float:
        """Dry sand as packed volume per area at a bulk density of 1.60 g/cm3 [ft3/1000 ft2]."""
        return units.convert(self.sand_mm, "mm", "ft3/1000 ft2")


@dataclass(frozen=True, repr=False)
class Calendar:
    """The dated work of a programme: iterate over it for its events.

    Attributes
    ----------
    name
        Name of the programme.
    first, last
        First and last day.
    events
        The work by date, within a day in the order of the programme.
    skipped, moved
        Steps not done, and steps done later, because of days without work.
    uncounted
        Seasons whose degree days are not known, so that no work is dated by them.
    years
        One summary for each calendar year that the calendar touches.
    """

    name: str
    first: dt.date
    last: dt.date
    events: tuple[Event, ...]
    skipped: tuple[Skipped, ...]
    moved: tuple[Moved, ...]
    uncounted: tuple[Uncounted, ...]
    years: tuple[YearSummary, ...]

    def __iter__(self) -> Iterator[Event]:
        """Events by date."""
        return iter(self.events)

    def __len__(self) -> int:
        """Count the pieces of work."""
        return len(self.events)

    def __repr__(self) -> str:
        """Name, span and counts."""
        notes = [f"{len(self.events)} events"]
        notes += [
            f"{len(getattr(self, what))} {what}" for what in ("skipped", "moved", "uncounted") if getattr(self, what)
        ]
        return f"<Calendar {self.name!r} {self.first} to {self.last}: {', '.join(notes)}>"

    def __str__(self) -> str:
        """Each day and its work, and what was skipped, moved or not counted."""
        events = [f"{event.date}  {event.work}" for event in self.events]
        return "\n".join([f"{self.name}, {self.first} to {self.last}", *events, *self._notes])

    @property
    def _notes(self) -> list[str]:
        return [
            *(f"{s.date}: {s.when} skipped, {s.reason}" for s in self.skipped),
            *(f"{m.due}: {m.when} moved to {m.done}" for m in self.moved),
            *(f"{u.season}: {u.when} not counted, the degree days begin later" for u in self.uncounted),
        ]

    def _repr_html_(self) -> str:
        events = html_table(self.name, ("date", "work"), [(str(e.date), str(e.work)) for e in self.events])
        return events + "".join(f"<p>{escape(note)}</p>" for note in self._notes)

    def _columns(self) -> dict[str, list[Any]]:
        return {
            "date": [event.date for event in self.events],
            "step": [event.step for event in self.events],
            "when": [event.when for event in self.events],
            "work": [event.work.kind for event in self.events],
            "description": [str(event.work) for event in self.events],
            "area_share": [event.work.area_share for event in self.events],
            "area_plain_sum": [event.work.area_plain_sum for event in self.events],
            "hole_volume_mm": [event.work.hole_volume_mm for event in self.events],
            "sand_kg_m2": [event.work.sand_g_m2 / 1000 for event in self.events],
        }

    def to_pandas(self) -> pd.DataFrame:
        """Events as a pandas data frame: date, step, when, work, description, areas [-], volume [mm], sand [kg/m2]."""
        import pandas as pd

        frame = pd.DataFrame(self._columns())
        kinds = {"date": "datetime64[s]", "step": "int64", **dict.fromkeys(frame.columns[5:], "float64")}
        return frame.astype(kinds)

    def to_polars(self) -> pl.DataFrame:
        """Events as a polars data frame: date, step, when, work, description, areas [-], volume [mm], sand [kg/m2]."""
        import polars as pl

        columns = self._columns()
        kinds = [pl.Date, pl.Int64, pl.String, pl.String, pl.String, *[pl.Float64] * 4]
        return pl.DataFrame(columns, schema=dict(zip(columns, kinds, strict=True)))


def summarise_years(
    first: dt.date, last: dt.date, events: Sequence[Event], found: _core.Calendar
) -> tuple[YearSummary, ...]:
    worked = Counter(date.year for date in {event.date for event in events})
    done = Counter(event.date.year for event in events)
    shares = {year: shares for year, *shares in found.area_by_year()}
    summaries = []
    for year in range(first.year, last.year + 1):
        union, plain, solid_union, solid_plain, sand_g_m2 = shares.get(year, [0.0] * 5)
        summaries.append(
            YearSummary(year, worked[year], done[year], union, plain, solid_union, solid_plain, sand_g_m2 / 1000)
        )
    return tuple(summaries)
