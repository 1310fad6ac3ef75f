"""What coring does for infiltration: an estimate with its uncertainty, never a promise."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import units
from matledger._arrays import Floats, frozen
from matledger.cells import column, settle
from matledger.days import as_day
from matledger.errors import InputError, Problem
from matledger.findings import MOST_SEED, Headings, shown, whole
from matledger.frames import Table
from matledger.practice import Work
from matledger.tables import MAX_BYTES, Source, read_table
from matledger.units import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["PUBLISHED_GAINS", "Infiltration", "RingReading", "estimate_infiltration", "read_ring_readings"]

PUBLISHED_GAINS = (
    ("coring", 127.0, 168.0, "McCarty et al. 2007, Agron. J. 99:1530 (read)"),
    ("vertical mowing", 40.0, 65.0, "McCarty et al. 2007, Agron. J. 99:1530 (read)"),
)
"""Published gains of infiltration: work, least and most [%], source."""

FADING_DAYS = (35.0, 56.0)
"""Days after which the gain is gone: five to eight weeks (Carrow 2003, read)."""

# Medians and log-sd; all but the fading are our judgement, wide on purpose.
CLEAN_MM_H = (450.0, 0.5)
"""Infiltration of the matrix without organic matter [mm/h]."""
SLOWING_PER_PERCENT = (0.30, 0.5)
"""How much each % of organic matter slows the matrix: entry falls by exp(-b OM) [1/%]."""
HOLE_MM_H = (900.0, 0.6)
"""Infiltration of a hole filled with sand [mm/h]."""
RING_LOG_SD = 0.5
"""What one ring differs by from the green's mean (log-sd)."""
DRAWS = 2_000
FEW_DRAWS = 100

_RING = (
    column("green"),
    column("date"),
    column("rate_mm_h"),
)


@dataclass(frozen=True, kw_only=True)
class RingReading:
    """Infiltration read with a ring.

    Attributes
    ----------
    green, date
        Where and when.
    rate_mm_h
        Steady rate [mm/h].
    file, row, headings
        Where the reading was read, and what the file calls its columns.
    """

    green: str
    date: dt.date
    rate_mm_h: float
    file: str | None = field(default=None, compare=False, repr=False)
    row: int | None = field(default=None, compare=False, repr=False)
    headings: Headings | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        settle(self, _RING).raise_any()

    def as_row(self) -> dict[str, Any]:
        """Return the reading as a row that `read_ring_readings` reads."""
        return {column.name: getattr(self, column.name) for column in _RING}


def read_ring_readings(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> tuple[RingReading, ...]:
    """Read ring readings, one a row.

    Columns: ``green``, ``date``, ``rate_mm_h``.

    Parameters
    ----------
    source
        Path of a CSV file, or a data frame.
    columns
        The source's own name for a column.
    units
        Unit of a column's plain numbers.
    max_bytes
        Largest file that is read.

    Raises
    ------
    InputError
        With every problem found.

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"green": "1", "date": "2014-05-12", "rate_mm_h": 180}
    >>> read_ring_readings(pd.DataFrame([row]))[0].rate_mm_h
    180.0
    """
    table = read_table(source, _RING, renamed=columns, units=units, max_bytes=max_bytes)
    table.findings.raise_any()
    return tuple(RingReading(**row.values, **table.origin(row)) for row in table.rows)


@dataclass(frozen=True, eq=False, repr=False)
class Infiltration:
    """Infiltration after work.

    Attributes
    ----------
    work, done
        The work and its day.
    day
        Days since the work, shape ``(day,)``.
    before_mm_h
        Draws of the infiltration without holes, shape ``(draw,)`` [mm/h].
    rate_mm_h
        Draws of the infiltration, shape ``(day, draw)`` [mm/h].
    before_readings, after_readings
        Ring readings behind the draws, before and after the work.
    effective_draws
        Draws of the prior that the readings left standing, as an effective number.
    """

    work: Work
    done: dt.date
    day: Floats
    before_mm_h: Floats
    rate_mm_h: Floats
    before_readings: int
    after_readings: int
    effective_draws: float

    @property
    def gain_percent(self) -> Floats:
        """Draws of the gain over the ground without holes, shape ``(day, draw)`` [%]."""
        gain: Floats = 100 * (self.rate_mm_h / self.before_mm_h - 1)
        return gain

    def table(self) -> Table:
        """Infiltration and gain week by week, median and 90 % interval."""
        rows = [i for i, day in enumerate(self.day) if day % 7 == 0]
        low, median, high = np.quantile(self.rate_mm_h[rows], [0.05, 0.5, 0.95], axis=1)
        less, gain, more = np.quantile(self.gain_percent[rows], [0.05, 0.5, 0.95], axis=1)
        values = (low, median, high, less, gain, more)
        names = ("mm/h, 5 %", "mm/h", "mm/h, 95 %", "gain %, 5 %", "gain %", "gain %, 95 %")
        columns: dict[str, list[Any]] = {"week": [int(self.day[i] // 7) for i in rows]}
        columns |= {name: column.tolist() for name, column in zip(names, values, strict=True)}
        return Table(f"infiltration after {self.work}", columns, dict.fromkeys(columns, ".0f"))

    @property
    def sources(self) -> tuple[str, ...]:
        """Where each part of the estimate comes from."""
        opened = f"share opened {self.work.area_share:.1%}, from the tine and its spacing"
        matrix = (
            f"ground without holes: {self.before_readings} ring readings before the work, on a wide prior"
            if self.before_readings
            else "ground without holes: no ring reading, a wide prior (our judgement)"
        )
        after = (
            f"holes: a wide prior (our judgement) and {self.after_readings} ring readings after the work"
            if self.after_readings
            else "holes: a wide prior (our judgement)"
        )
        if self.effective_draws < FEW_DRAWS:
            after += " (the readings lie far from the priors: trust the readings, not this estimate)"
        return (opened, matrix, after, "fading over five to eight weeks: Carrow 2003 (read)")

    def in_words(self) -> str:
        """Say the estimate, its sources and what was published."""
        low, median, high = np.quantile(self.gain_percent[0], [0.05, 0.5, 0.95])
        published = "; ".join(f"{what} +{a:.0f} to +{b:.0f} %, {source}" for what, a, b, source in PUBLISHED_GAINS)
        return (
            f"An estimate, not a promise: on the day of the work water enters {median:.0f} % faster"
            f" ({low:.0f} to {high:.0f} % at 90 %), and the gain is gone after five to eight weeks."
            f" From: {'; '.join(self.sources)}. Published gains, each of its own trial: {published}."
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Plot the gain over time beside the published ones; see `matledger.plots.infiltration`.

        Parameters
        ----------
        ax
            Axes of matplotlib to draw on.
        """
        from matledger import plots

        return plots.infiltration(self, ax=ax)

    def __repr__(self) -> str:
        return self.in_words()

    def _repr_html_(self) -> str:
        from html import escape

        return f"<p>{escape(self.in_words())}</p>{self.table()._repr_html_()}"


def estimate_infiltration(
    work: Work,
    done: dt.date | str,
    *,
    om_percent: Quantity,
    rings: Sequence[RingReading] = (),
    days: int = 70,
    seed: int = 0,
) -> Infiltration:
    """Estimate what holes do for infiltration, and for how long.

    Parameters
    ----------
    work
        Work that opens the surface and is filled with sand.
    done
        Its day.
    om_percent
        Organic matter of the top, which slows the ground between the holes [% of dry mass].
    rings
        Ring readings of the green; those before `done` are of the ground without holes, those from it on with them.
    days
        Days to follow.
    seed
        Seed of the draws.

    Returns
    -------
    Infiltration

    Raises
    ------
    InputError
        For work that opens nothing, and numbers outside their domain.

    Notes
    -----
    Ground and holes take water side by side: ``K(t) = (1 - f) K_m + f K_s`` on the day of the work, and what that
    is above ``K_m`` falls on a straight line to nothing as the holes root over, in 35 to 56 days;
    ``K_m = K_0 exp(-b OM)``. Priors (median, log-sd; our judgement): ``K_0`` 450 mm/h, 0.5; ``b`` 0.3 per %, 0.5;
    ``K_s`` 900 mm/h, 0.6. Readings weigh the draws, each with a log-sd of 0.5 around the green's mean. Holes end above
    the gravel, water spreads from them sideways, and the ground is never alike: the interval does not cover all that.

    References
    ----------
    Fading: Carrow 2003 (read). Gains: McCarty et al. 2007, Agron. J. 99:1530 (read).

    Examples
    --------
    >>> from matledger import Coring, Tine, estimate_infiltration
    >>> cores = Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)
    >>> entry = estimate_infiltration(cores, "2014-04-14", om_percent=4.5)
    >>> print(entry.in_words())
    An estimate, not a promise: on the day of the work water enters ...
    """
    when = as_day(done, "done")
    om = units.parse(om_percent, "%", name="om_percent")
    problems = whole("seed", seed, 0, MOST_SEED)
    if not isinstance(work, Work) or work.area_share == 0:
        problems.append(Problem("work", shown(str(work)), "work that opens the surface"))
    if not 0 <= om <= 100:
        problems.append(Problem("om_percent", shown(om), "a number from 0 to 100 (%)"))
    problems += whole("days", days, 1, 365)
    if problems:
        raise InputError(problems)
    stream = np.random.default_rng(seed)

    def lognormal(prior: tuple[float, float]) -> Floats:
        return np.asarray(prior[0] * np.exp(prior[1] * stream.standard_normal(DRAWS)))

    before = lognormal(CLEAN_MM_H) * np.exp(-om * lognormal(SLOWING_PER_PERCENT))
    # Nobody has seen sand-filled holes take less water than the ground around them.
    holes = np.maximum(lognormal(HOLE_MM_H), before)
    gone = stream.uniform(*FADING_DAYS, DRAWS)
    share = work.area_share

    def entry(since: Floats | float) -> Floats:
        rate = np.asarray(since)[..., None] / gone
        # In place: fresh arrays of this size are what the time goes into.
        np.subtract(1, rate, out=rate)
        np.maximum(rate, 0, out=rate)
        rate *= share * (holes - before)
        rate += before
        return rate

    weight = np.zeros(DRAWS)
    for reading in rings:
        since = (reading.date - when).days
        told = before if since < 0 else entry(float(since))
        weight -= ((np.log(reading.rate_mm_h) - np.log(told)) / RING_LOG_SD) ** 2 / 2
    effective = float(DRAWS)
    if rings:
        chance = np.exp(weight - weight.max())
        chance /= chance.sum()
        effective = float(1 / (chance**2).sum())
        chosen = stream.choice(DRAWS, DRAWS, p=chance)
        before, holes, gone = before[chosen], holes[chosen], gone[chosen]
    followed = np.arange(days + 1, dtype=np.float64)
    earlier = sum(reading.date < when for reading in rings)
    return Infiltration(
        work=work,
        done=when,
        day=frozen(followed),
        before_mm_h=frozen(before),
        rate_mm_h=frozen(entry(followed)),
        before_readings=earlier,
        after_readings=len(rings) - earlier,
        effective_draws=effective,
    )
