"""Weigh programmes of coring and sanding against each other, with probabilities."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.calibration import Calibration
from matledger.calibration.site import FORECAST
from matledger.calibration.words import fit_words
from matledger.chances import LEAST_DRAWS, chance, few_draws
from matledger.course import TARGET, Target
from matledger.days import day_and_month
from matledger.errors import InputError, Problem
from matledger.findings import (
    MOST_DRAWS,
    MOST_SEED,
    MOST_YEARS,
    Findings,
    counted,
    of_another_kind,
    of_class,
    refuse,
    whole,
)
from matledger.frames import Table
from matledger.labour import Labour
from matledger.money import Budget, Prices, budget, intervals, regrets
from matledger.play import Dated, Play, PlayAhead
from matledger.practice import Calendar, Programme, Work
from matledger.recovery import Recovery, healing
from matledger.simulation import MAT, SUBSTANCES
from matledger.units import System, convert, show, show_window, shown_units
from matledger.variables import described
from matledger.weather_to_come import WeatherToCome

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl
    import xarray as xr
    from matplotlib.axes import Axes

__all__ = ["Comparison", "compare"]

Tell: TypeAlias = Callable[[int], object]
Window: TypeAlias = tuple[float, float]

ENTRIES = ("start", "gained", "respired", "cored_out", "mown_out", "below", "end")
WORK = ("removed_area_share", "removed_area_plain_sum", "solid_area_share", "solid_area_plain_sum", "sand_kg_m2")

CAUTION = (
    "on 200 invented courses fitted by Laplace's approximation, a stated 0.85 to 0.95 was right 0.88 of the time and a"
    " stated 0.95 to 0.99 was right 0.92. Read differences below 0.99 as open."
)

OPEN = 0.99
"""A stated chance of one programme against another below which the caution calls it open."""


def contest_caution(calibration: Calibration) -> str:
    """Say how far to trust the chance of one programme against another, by the kind of fit."""
    return f"{fit_words(calibration).contests}: {CAUTION}"


@dataclass(frozen=True, eq=False, repr=False)
class Comparison:
    """Programmes run forward on the same draws of the unknowns and the same weather.

    Attributes
    ----------
    calibration
        What was known of the course.
    programmes
        The programmes.
    target
        Where organic matter is wanted; None if the user stated none.
    dates
        The start of the forecast and the end of each of its years, shape ``(date,)``.
    samples
        What was read: windows in mm, and the thatch-mat layer last.
    om_percent, om_kg_m2, thickness_mm
        Concentration [% of dry mass], stock [kg/m2] and thickness [mm], shape
        ``(programme, green, date, sample, draw)``.
    surface_mm
        Height of the surface above where it stood when the record began [mm], shape
        ``(programme, green, date, draw)``.
    ledger_years
        Calendar years of the ledgers and the work.
    ledgers
        Mean account over the draws [g/m2], shape ``(programme, green, year, substance, entry)``: organic matter and
        mineral; ``start``, ``gained``, ``respired``, ``cored_out``, ``mown_out``, ``below``, ``end``.
    work
        Mean work of a year, shape ``(programme, year, 5)``: share of the surface from which material is taken
        (overlapping at random, and plain sum) [-], the same for work that takes nothing out, and dry sand [kg/m2].
    probability, probability_all
        Probability that the target holds, shape ``(programme, green, date)``, and on every green at once, shape
        ``(programme, date)``; None without a target.
    calendars_by_weather
        Dated work of each programme: one calendar for each weather sequence, or one if no rule counts degree days.
    recovery
        How the turf heals.
    prices
        What things cost, if the user said.
    play
        How much is played, if the user said.
    budget
        What the programmes cost; None without prices.
    disrupted_days_by_draw
        Days a year on which cover is below 99 %, shape ``(programme, draw)``.
    weather_to_come
        How weather to come was made of the record.
    draws_asked
        How many draws were asked for; all of the fit's if None. A fit that has fewer gives those.
    """

    calibration: Calibration
    programmes: tuple[Programme, ...]
    target: Target | None
    dates: tuple[dt.date, ...]
    samples: tuple[str, ...]
    om_percent: Floats
    om_kg_m2: Floats
    thickness_mm: Floats
    surface_mm: Floats
    ledger_years: tuple[int, ...]
    ledgers: Floats
    work: Floats
    probability: Floats | None
    probability_all: Floats | None
    calendars_by_weather: tuple[tuple[Calendar, ...], ...]
    recovery: Recovery
    prices: Prices | None
    play: Play | None
    budget: Budget | None
    disrupted_days_by_draw: Floats
    weather_to_come: WeatherToCome
    draws_asked: int | None = None

    def __eq__(self, other: object) -> bool:
        """Compare inputs and every number."""
        if not isinstance(other, Comparison):
            return NotImplemented
        arrays = ("om_percent", "om_kg_m2", "thickness_mm", "surface_mm", "ledgers", "work", "disrupted_days_by_draw")
        return all(np.array_equal(getattr(self, name), getattr(other, name)) for name in arrays) and (
            self.calibration,
            self.programmes,
            self.target,
        ) == (other.calibration, other.programmes, other.target)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the programmes."""
        return tuple(programme.name for programme in self.programmes)

    @property
    def greens(self) -> tuple[str, ...]:
        """Names of the greens."""
        return tuple(green.name for green in self.calibration.course.greens)

    @property
    def areas_m2(self) -> Floats:
        """Areas of the greens [m2], shape ``(green,)``."""
        return np.array([green.area_m2 for green in self.calibration.course.greens])

    @property
    def first_sample(self) -> int:
        """The sample that tables and plots show: the target's window, or the first."""
        if self.target is None:
            return 0
        return self.samples.index(show_window(self.target.top_mm, self.target.bottom_mm))

    def sample_name(self, sample: int, units: System = "metric") -> str:
        """Name of a sample for a reader of metric or US customary units.

        Parameters
        ----------
        sample
            Number of a sample.
        units
            Metric or US customary units, or the unit of each column.
        """
        name = self.samples[sample]
        if name == MAT:
            return name
        top, _, bottom, _ = name.split()
        return show_window(float(top), float(bottom), units)

    @property
    def calendars(self) -> tuple[Calendar, ...]:
        """Dated work of each programme under the first weather sequence."""
        return tuple(own[0] for own in self.calendars_by_weather)

    @property
    def span_years(self) -> int:
        """Length of the forecast [years]."""
        return len(self.dates) - 1

    @property
    def disrupted_days(self) -> Floats:
        """Mean days a year on which cover is below 99 %, shape ``(programme,)``."""
        mean: Floats = self.disrupted_days_by_draw.mean(axis=1)
        return mean

    def openings(self, programme: int) -> tuple[tuple[dt.date, Work], ...]:
        """Days and work that open the surface in the first whole calendar year of a programme, by date.

        Parameters
        ----------
        programme
            Number of a programme.
        """
        dated = [(event.date, event.work) for event in self.calendars[programme] if event.work.wound]
        whole = [year for year in self.ledger_years if dt.date(year, 1, 1) >= self.dates[0]]
        return tuple((day, work) for day, work in dated if day.year == (whole or self.ledger_years)[0])

    def course_mean(self, values: Floats) -> Floats:
        """Mean over the greens (axis 1), weighted by area.

        Parameters
        ----------
        values
            Values by name.
        """
        weights = self.areas_m2 / self.areas_m2.sum()
        mean: Floats = np.tensordot(weights, values, axes=(0, 1))
        return mean

    @property
    def raised_mm(self) -> Floats:
        """Rise of the surface over the forecast, median of the draws, mean of the greens [mm], ``(programme,)``."""
        risen = self.course_mean(self.surface_mm[:, :, -1] - self.surface_mm[:, :, 0])
        median: Floats = np.median(risen, axis=-1)
        return median

    @property
    def _om_at_the_end(self) -> Floats:
        """Organic matter of the target's window on the last day, mean over the greens, ``(programme, draw)``."""
        return self.course_mean(self.om_percent)[:, -1, self.first_sample]

    def summary(self, units: System = "metric") -> Table:
        """The programmes side by side at the end of the last year.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.

        Returns
        -------
        Table
            For each programme: organic matter of the target's window, mean over the greens by area, with its 90 %
            interval [%]; stock there; thickness of the mat; the probability that the target holds on every green at
            once and on the mean green; disrupted days and money a year, each with its 90 % interval; surface cored
            or cut out in a year (overlapping at random, and plain sum) [%]; sand a year as depth or volume per area,
            and as mass for the course; by how much the surface rose from the first day of the forecast to the last.
        """
        sample, mat = self.first_sample, self.samples.index(MAT)
        om = self._om_at_the_end
        stock = self.course_mean(self.om_kg_m2)[:, -1, sample]
        thick = self.course_mean(self.thickness_mm)[:, -1, mat]
        yearly = self.work.sum(axis=1) / self.span_years
        window = self.sample_name(sample, units)
        columns: dict[str, Sequence[Any]] = {"programme": self.names}
        columns |= intervals(f"OM % in {window}", np.median(om, axis=-1), om)
        formats = {name: ".2f" for name in list(columns)[1:]}

        def add(name: str, values: Any, spec: str) -> None:
            columns[name] = [float(value) for value in values]
            formats[name] = spec

        if self.probability is not None and self.probability_all is not None:
            add("P(target) every green", self.probability_all[:, -1], ".2f")
            add("P(target) mean green", self.probability[:, :, -1].mean(axis=1), ".2f")
        figures = [("disrupted days a year", self.disrupted_days, self.disrupted_days_by_draw, ".0f")]
        if self.budget is not None:
            money = (self.budget.a_year, self.budget.a_year_by_draw)
            figures.append((f"{self.budget.currency} a year", *money, ",.0f"))
        for figure, mean, by_draw, spec in figures:
            for name, points in intervals(figure, mean, by_draw).items():
                add(name, points, spec)
        add("surface cored or cut out in a year, %", 100 * yearly[:, 0], ".1f")
        add("plain sum of it, %", 100 * yearly[:, 1], ".1f")
        stored = {}
        for name, values, unit in (
            ("sand a year, mm", yearly[:, 4] / _core.SAND_BULK_DENSITY_G_CM3, "mm of sand"),
            ("dry sand a year, course, t", yearly[:, 4] * self.areas_m2.sum() / 1000, "t"),
            (f"OM stock in {window}, kg/m2", np.median(stock, axis=-1), "kg/m2"),
            ("mat, mm", np.median(thick, axis=-1), "mm"),
            (f"surface raised since {self.dates[0]}, mm", self.raised_mm, "mm"),
        ):
            add(name, values, ".1f" if unit != "kg/m2" else ".2f")
            stored[name] = unit
        course = self.calibration.course.name
        caption = f"{course}: programmes on {self.dates[-1]}, all greens by area"
        return Table(caption, columns, formats, stored).to(units)

    def by_green(self, units: System = "metric") -> Table:
        """Every programme on every green at the end of the last year.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.

        Returns
        -------
        Table
            Organic matter of the target's window with its 90 % interval [%], and the probability that the target holds.
        """
        low, median, high = np.quantile(self.om_percent[:, :, -1, self.first_sample], [0.05, 0.5, 0.95], axis=-1)
        rows = [(p, g) for p in range(len(self.names)) for g in range(len(self.greens))]
        columns: dict[str, list[Any]] = {
            "programme": [self.names[p] for p, _ in rows],
            "green": [self.greens[g] for _, g in rows],
            "OM %": [float(median[row]) for row in rows],
            "5 %": [float(low[row]) for row in rows],
            "95 %": [float(high[row]) for row in rows],
        }
        if self.probability is not None:
            columns["P(target)"] = [float(self.probability[p, g, -1]) for p, g in rows]
        window = self.sample_name(self.first_sample, units)
        caption = f"{self.calibration.course.name}: OM in {window} on {self.dates[-1]}"
        return Table(caption, columns, dict.fromkeys(list(columns)[2:], ".2f"))

    def by_year(self, units: System = "metric") -> Table:
        """Organic matter of every sample at the end of each year, mean over the greens by area.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.

        Returns
        -------
        Table
            Programme, date, sample; organic matter with its 90 % interval [%], stock [kg/m2] and thickness [mm].
        """
        om = np.quantile(self.course_mean(self.om_percent), [0.05, 0.5, 0.95], axis=-1)
        stock = np.median(self.course_mean(self.om_kg_m2), axis=-1)
        thick = np.median(self.course_mean(self.thickness_mm), axis=-1)
        rows = list(np.ndindex(stock.shape))
        columns: dict[str, Sequence[Any]] = {
            "programme": [self.names[p] for p, _, _ in rows],
            "date": [self.dates[d] for _, d, _ in rows],
            "sample": [self.sample_name(s, units) for _, _, s in rows],
            "OM %": [float(om[1][row]) for row in rows],
            "5 %": [float(om[0][row]) for row in rows],
            "95 %": [float(om[2][row]) for row in rows],
            "OM kg/m2": [float(stock[row]) for row in rows],
            "thickness mm": [float(thick[row]) for row in rows],
        }
        return Table(
            f"{self.calibration.course.name}: year by year, all greens by area",
            columns,
            dict.fromkeys(list(columns)[3:], ".2f"),
            {"OM kg/m2": "kg/m2", "thickness mm": "mm"},
        ).to(units)

    def contrasts(self) -> Table:
        """Every pair of programmes on the same draws and weather, at the end of the last year.

        Returns
        -------
        Table
            Of each pair the lower first: the difference of organic matter in the target's window from that of the
            other, mean over the greens by area, with its 90 % interval [%]; and the probability that it is the lower,
            a tie counting half. See `notes` on close contests.
        """
        caption = f"{self.calibration.course.name}: contrasts on {self.dates[-1]}, all greens by area"
        return _contrasts(caption, "programme", self.names, self._om_at_the_end)

    def contrasts_of_greens(
        self, programme: str | None = None, *, date: dt.date | None = None, sample: str | None = None
    ) -> Table:
        """Every pair of greens under one programme, on the same draws and weather: which greens differ, and how surely.

        Parameters
        ----------
        programme
            Name of a programme; by default the first.
        date
            One of `dates`; by default the last. On the first no programme has begun.
        sample
            One of `samples`; by default that of the tables, `first_sample`.

        Returns
        -------
        Table
            Of each pair the lower first, the surest pair on top: the difference of its organic matter from that of the
            other with its 90 % interval [%]; and the probability that it is the lower, a tie counting half.

        Raises
        ------
        InputError
            For a programme, date or sample that there is not.

        Notes
        -----
        The difference is one of the ground, without the error of a test. Greens share their site's level in part, which
        draws them together where tests are few, so that intervals are not widened for the number of pairs (Gelman, Hill
        & Yajima 2012, J. Res. Educ. Eff. 5:189-211; memory). How often such a probability is right was not measured.

        Examples
        --------
        >>> import matledger as mat
        >>> fit = mat.calibrate(mat.demo_course(), draws=100, seed=1)
        >>> told = mat.compare(fit, years=1, draws=100, weather_sequences=2)
        >>> now = told.contrasts_of_greens(date=told.dates[0]).to_pandas()
        >>> list(now.columns), len(now)
        (['green', 'against', 'difference, % OM', '5 %', '95 %', 'P(lower)'], 36)
        """
        asked = (
            ("programme", programme or self.names[0], self.names),
            ("date", date or self.dates[-1], self.dates),
            ("sample", sample or self.samples[self.first_sample], self.samples),
        )
        wrong = [
            Problem(what, str(value), f"one of {', '.join(map(str, has))}")
            for what, value, has in asked
            if value not in has
        ]
        if wrong:
            raise InputError(wrong)
        p, d, s = (list(has).index(value) for _, value, has in asked)
        caption = (
            f"{self.calibration.course.name}: contrasts of greens in {self.samples[s]} on {self.dates[d]},"
            f" {self.names[p]}"
        )
        return _contrasts(caption, "green", self.greens, self.om_percent[p, :, d, s], surest_first=True)

    def ledger(self, units: System = "metric") -> Table:
        """The mean account of organic matter and mineral by programme and year, mean over the greens by area [g/m2].

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.
        """
        mean = self.course_mean(self.ledgers)
        rows = [(p, y, s) for p in range(mean.shape[0]) for y in range(mean.shape[1]) for s in range(2)]
        columns: dict[str, Sequence[Any]] = {
            "programme": [self.names[p] for p, _, _ in rows],
            "year": [self.ledger_years[y] for _, y, _ in rows],
            "substance": [SUBSTANCES[s] for _, _, s in rows],
        }
        metric, unit = shown_units("g/m2", units)
        columns |= {
            entry: [convert(float(mean[(*row, i)]), metric, unit) for row in rows] for i, entry in enumerate(ENTRIES)
        }
        caption = f"{self.calibration.course.name}: ledger of the whole column, {unit}"
        notes = (self._depth_of_account(units), *self._parts_of_years())
        return Table(caption, columns, dict.fromkeys(ENTRIES, ".0f"), notes=notes)

    def _depth_of_account(self, units: System) -> str:
        depth = show(self.calibration.course.settings.column_depth_mm, "mm", units)
        window = self.sample_name(self.first_sample, units)
        return (
            f"the account is of the whole column, {depth} deep when the record began: in {window} the percentage may"
            " rise while the column loses organic matter"
        )

    @property
    def _last_day(self) -> dt.date:
        return self.dates[-1] - dt.timedelta(days=1)

    def _parts_of_years(self) -> tuple[str, ...]:
        """Say which years of the ledgers are no whole years of the forecast; nothing if all are."""
        first, last = self.ledger_years[0], self.ledger_years[-1]
        said, recorded_to = [], self.dates[0] - dt.timedelta(days=1)
        if recorded_to.year == first:
            said.append(
                f"{first} holds the work on record up to {day_and_month(recorded_to)}, the same under every programme"
            )
        if self._last_day != dt.date(last, 12, 31):
            said.append(f"{last} ends with the forecast on {day_and_month(self._last_day)}")
        return tuple(said)

    def ledger_days(self) -> str:
        """The days that the ledgers cover, in words."""
        whole = not self._parts_of_years()
        first, last = self.ledger_years[0], self.ledger_years[-1]
        return f"{first} to {last}" if whole else f"1 January {first} to {day_and_month(self._last_day)} {last}"

    def _year_in_words(self, year: int) -> str:
        recorded_to, said = self.dates[0] - dt.timedelta(days=1), str(year)
        if self._last_day.year == year and self._last_day != dt.date(year, 12, 31):
            said = f"1 January to {day_and_month(self._last_day)} {year}"
        return said + f" (up to {day_and_month(recorded_to)} as recorded)" * (recorded_to.year == year)

    def ledger_in_words(self, units: System = "metric") -> tuple[str, ...]:
        """What became of the organic matter of a year, in a sentence for each programme and year.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.
        """
        mean = self.course_mean(self.ledgers)
        said = []
        for p, name in enumerate(self.names):
            for y, year in enumerate(self.ledger_years):
                om, mineral = (dict(zip(ENTRIES, mean[p, y, s], strict=True)) for s in range(2))
                change = om["end"] - om["start"]
                new_mm = (mineral["end"] - mineral["start"]) / _core.SAND_BULK_DENSITY_G_CM3 / 1000

                def mass(entry: str, om: dict[str, Any] = om) -> str:
                    some = om[entry] >= LEAST_TOLD["g/m2"]
                    return show(float(om[entry]), "g/m2", units) if some else "none"

                lost = [
                    f"{mass('respired')} of it and of the older matter decayed",
                    f"{mass('cored_out')} left with the cores",
                    *([f"{mass('mown_out')} was lifted by mowing"] if mass("mown_out") != "none" else []),
                    *([f"{mass('below')} fell below the column"] if mass("below") != "none" else []),
                ]
                held = _more_or_less(change, "g/m2", units)
                sand = _more_or_less(new_mm, "mm of sand", units, 2)
                said.append(
                    f"{name}, {self._year_in_words(year)}: {mass('gained')} of organic matter grew;"
                    f" {', '.join(lost[:-1])} and {lost[-1]}. At the end the column holds {held} organic matter than at"
                    f" the start, and {sand} sand."
                )
        return tuple(said)

    def losses(self) -> Floats | None:
        """Present value of each programme in each draw, shape ``(programme, draw)``.

        The user's figure for doing too little counts by the share of the area that exceeds the user's limit in the
        draw; None without prices or without that figure.
        """
        if self.budget is None or self.prices is None or self.prices.renovation is None:
            return None
        return self.budget.total_by_draw

    def regret(self) -> Table:
        """What each programme costs beyond the best choice of each draw, as a spread over the draws.

        Costs include the user's figure for doing too little, and no target is asked for: `verdict`, which weighs only
        programmes that reach the target, may name another.

        Returns
        -------
        Table
            Mean, 5 %, 50 % and 95 % points in present value, and the share of draws in which the programme is the best.

        Raises
        ------
        InputError
            Without prices, or without the user's figure for having done too little.
        """
        losses = self.losses()
        if losses is None or self.budget is None:
            raise InputError([Problem("prices.renovation", "not given", "what it costs to have done too little")])
        caption = f"{self.calibration.course.name}: cost beyond the best choice of each draw"
        return regrets(caption, self.names, self.budget.currency, losses - losses.min(axis=0))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know: sinking surfaces, skipped work, close contests, the calibration's notes."""
        return self.notes_in("metric")

    def notes_in(self, units: System) -> tuple[str, ...]:
        """The notes for a reader of metric or US customary units.

        Parameters
        ----------
        units
            Metric or US customary units, or the unit of each column.
        """
        return (*self._own_notes(units), *self.calibration.notes)

    def _own_notes(self, units: System) -> list[str]:
        """The notes of the comparison itself, without those of the calibration."""
        notes = []
        for name, by in zip(self.names, self.raised_mm, strict=True):
            if by < -0.5:
                notes.append(
                    f"{name}: more is cored out than is put back as sand, the surface sinks by"
                    f" {show(-by, 'mm', units, 2)}; a window then reads older ground, so that part of any fall in %"
                    " is no dilution"
                )
        for calendar in self.calendars:
            if calendar.skipped:
                days = ", ".join(str(skipped.date) for skipped in calendar.skipped[:5])
                notes.append(f"{calendar.name}: {len(calendar.skipped)} steps fall on days without work ({days})")
        if self.budget is not None:
            notes += self.budget.notes
        if len(self.programmes) > 1:
            notes.append(contest_caution(self.calibration))
        if self.draws_asked is not None and self._draws < self.draws_asked:
            notes.append(f"{self.draws_asked} draws were to be taken: the fit has {self._draws}, and all are taken")
        if few := few_draws(self._draws):
            notes.append(few)
        years = self.calibration.course.weather.years
        notes.append(f"weather to come is drawn, {self.weather_to_come}, from {', '.join(map(str, years))}")
        return notes

    @property
    def recommended(self) -> int | None:
        """The cheapest programme (without prices the one with least sand) that reaches the target; None if none.

        None as well on fewer than 20 draws, which bear out too little.
        """
        if self.target is None or self.probability_all is None or self._draws < LEAST_DRAWS:
            return None
        reaches = np.flatnonzero(self.probability_all[:, -1] >= self.target.probability)
        if not len(reaches):
            return None
        return int(reaches[np.argmin(self._spent[reaches])])

    @property
    def advised(self) -> int | None:
        """The recommended programme, or the nearest to the target; None without a target."""
        if self.recommended is None and self.target is not None:
            return self._nearest(self.target)[0]
        return self.recommended

    @property
    def _draws(self) -> int:
        return int(self.om_percent.shape[-1])

    @property
    def _spent(self) -> Floats:
        """What a choice is made by: cost, or sand if there are no prices; shape ``(programme,)``."""
        return self.work[:, :, 4].sum(axis=1) if self.budget is None else self.budget.total

    @property
    def close_contest(self) -> str:
        """Which close contest decides what is advised, and how far to trust it; empty if none does.

        The advised programme is chosen over cheaper ones that do not reach the target, or, if none reaches it, over all
        others. Such a choice is close if the advised one is the lower in less than 0.99 of the draws.
        """
        best = self.advised
        if best is None or self.target is None or self.probability_all is None:
            return ""
        short = self.probability_all[:, -1] < self.target.probability
        rivals = short if self.recommended is None else short & (self._spent < self._spent[best])
        om = self._om_at_the_end
        chances = {self.names[p]: _chance_lower(om[best], om[p]) for p in np.flatnonzero(rivals) if p != best}
        close = [f"{name} (in {chance:.2f} of the draws)" for name, chance in chances.items() if chance < OPEN]
        if not close:
            return ""
        return (
            f"This choice rests on a close contest: that {self.names[best]} leaves less organic matter than"
            f" {', '.join(close)}. {contest_caution(self.calibration)}"
        )

    def _nearest(self, target: Target) -> tuple[int, int, float]:
        return nearest_programme(self.om_percent[:, :, -1, self.first_sample].max(axis=1), target)

    def verdict(self, units: System = "metric") -> str:
        """Say which programme costs least (without prices: uses the least sand) among those that reach the target.

        If it is the only one, what it costs is said, and not that it is the least. `regret` asks something else.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.
        """
        if self.target is None or self.probability_all is None:
            return "No target was stated, so no programme can be said to reach it."
        if self._draws < LEAST_DRAWS:
            return f"No programme is recommended on {self._draws} draws: at least {LEAST_DRAWS} are needed."
        wish = (
            f"organic matter at or below {self.target.om_percent:g} % in"
            f" {show_window(self.target.top_mm, self.target.bottom_mm, units)} on every green on {self.dates[-1]}"
        )
        holds, best = self.probability_all[:, -1], self.recommended

        def told(programme: int) -> str:
            return chance(float(holds[programme]), self._draws, percent=False)

        if best is None:
            near, lowest, limit = self._nearest(self.target)
            return (
                f"No programme reaches {wish} with a probability of {self.target.probability:g}; the nearest is"
                f" {self.names[near]} with {told(near)}. With the probability asked for ({self.target.probability:g}),"
                f" {self.names[lowest]} would hold {limit:.2f} % or less."
            )
        if self.budget is None:
            depth = self.work[best, :, 4].sum() / self.span_years / _core.SAND_BULK_DENSITY_G_CM3
            sand = show(float(depth), "mm of sand", units)
            spent, least = f"takes {sand} of sand a year", f"the least sand ({sand} a year)"
        else:
            money = f"{self.budget.a_year[best]:,.0f} {self.budget.currency} a year"
            spent, least = f"costs {money}", f"the least cost ({money})"
        reaches = f"{self.names[best]} reaches {wish} with a probability of {told(best)}"
        others = [self.names[i] for i in np.flatnonzero(holds >= self.target.probability) if i != best]
        if others:  # only then is there a choice to be made by what is spent
            return f"{reaches} and {least}; {', '.join(others)} would reach it too."
        return f"{reaches}; it {spent}." + " No other does." * (len(self.names) > 1)

    def to_xarray(self) -> xr.Dataset:
        """Every programme, green, date, sample and draw, with CF attributes."""
        import xarray as xr

        lead = ("programme", "green", "date")
        data: dict[str, Any] = {
            "om_percent": ((*lead, "sample", "draw"), self.om_percent),
            "om_kg_m2": ((*lead, "sample", "draw"), self.om_kg_m2),
            "thickness_mm": ((*lead, "sample", "draw"), self.thickness_mm),
            "surface_mm": ((*lead, "draw"), self.surface_mm),
            "ledger": (("programme", "green", "year", "substance", "entry"), self.ledgers),
        }
        data |= {name: (("programme", "year"), self.work[..., i]) for i, name in enumerate(WORK)}
        if self.probability is not None:
            data["probability"] = (lead, self.probability)
            data["probability_all"] = (("programme", "date"), self.probability_all)
        coords = {
            "programme": list(self.names),
            "green": list(self.greens),
            "date": np.array(self.dates, dtype="datetime64[ns]"),
            "sample": list(self.samples),
            "draw": np.arange(self.om_percent.shape[-1]),
            "year": list(self.ledger_years),
            "substance": list(SUBSTANCES),
            "entry": list(ENTRIES),
            "area_m2": ("green", self.areas_m2),
        }
        return described(xr.Dataset(data, coords, attrs={"title": self.calibration.course.name}), "Comparison")

    def _columns(self) -> dict[str, Any]:
        programme, green, date, sample, draw = np.indices(self.om_percent.shape, sparse=False).reshape(5, -1)
        return {
            "programme": np.array(self.names, dtype=object)[programme],
            "green": np.array(self.greens, dtype=object)[green],
            "date": np.array(self.dates, dtype="datetime64[D]")[date],
            "sample": np.array(self.samples, dtype=object)[sample],
            "draw": draw,
            "om_percent": self.om_percent.ravel(),
            "om_kg_m2": self.om_kg_m2.ravel(),
            "thickness_mm": self.thickness_mm.ravel(),
        }

    def to_pandas(self) -> pd.DataFrame:
        """One row for each programme, green, date, sample and draw."""
        import pandas as pd

        return pd.DataFrame(self._columns())

    def to_polars(self) -> pl.DataFrame:
        """One row for each programme, green, date, sample and draw."""
        import polars as pl

        columns = self._columns()
        return pl.DataFrame(columns | {"date": pl.Series(columns["date"].astype("datetime64[ms]")).cast(pl.Date)})

    def plot(self, ax: Axes | None = None) -> Axes:
        """Plot the programmes side by side; see `matledger.plots.programmes`.

        Parameters
        ----------
        ax
            Axes of matplotlib to draw on.
        """
        from matledger import plots

        return plots.programmes(self, ax=ax)

    def __repr__(self) -> str:
        programmes, greens, dates, _, draws = self.om_percent.shape
        return (
            f"<Comparison of {counted(programmes, 'programme')} on {counted(greens, 'green')} over"
            f" {counted(dates - 1, 'year')}, {counted(draws, 'draw')}: "
            f"{', '.join(self.names)}>"
        )

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in self.notes)
        return f"<p>{html.escape(self.verdict())}</p>{self.summary()._repr_html_()}<ul>{notes}</ul>"


def compare(
    calibration: Calibration,
    programmes: Sequence[Programme] | None = None,
    *,
    years: int = 5,
    target: Target | None = None,
    windows: Sequence[Window] | None = None,
    prices: Prices | None = None,
    play: Play | None = None,
    labour: Labour | None = None,
    recovery: Recovery | None = None,
    weather_sequences: int = 20,
    weather_to_come: WeatherToCome | None = None,
    draws: int | None = 400,
    seed: int = 0,
    progress: Tell | None = None,
) -> Comparison:
    """Run programmes forward on draws of the unknowns and on weather drawn from the record.

    All programmes see the same draws, the same weather and the same growth, so that differences are sharp. The
    forecast starts on the day after the weather record ends. Clippings to come follow degree days at the site's yield,
    as the draws of the fit have it, with a multiplier for each year (log-sd 0.12).

    Parameters
    ----------
    calibration
        What is known of the course.
    programmes
        The programmes; by default those of the course.
    years
        Years to run.
    target
        Where organic matter is wanted; by default the course's.
    windows
        Depth windows to read [mm]; by default the target's and those of the course's tests.
    prices, play, labour
        What things cost, how much is played and how work is done; by default the course's. Without prices there is no
        budget; without labour the stated defaults hold.
    recovery
        How the turf heals; by default `matledger.healing` of the course and its readings of cover.
    weather_sequences
        Sequences of weather years; draws take them in turn.
    weather_to_come
        How weather to come is made of the record; by default whole years, unshifted.
    draws
        Draws to use; all of the calibration's if None, or if it has fewer, which `Comparison.notes` then says.
    seed
        Seed of weather and growth to come.
    progress
        Called with the number of parts done, a part being one programme under one weather sequence; an exception
        from it stops the run.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        For no programme, two of one name, a window outside the column, no complete calendar year of weather, counts
        outside their range, or, with prices, work without a task or a machine without a price.
    KeyboardInterrupt
        On Ctrl-C, at once.

    Warns
    -----
    UnusualWarning
        For a target given here whose figures are possible but unusual, as of a wrong unit.

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course(), draws=100, seed=1)
    >>> comparison = mat.compare(calibration, years=2, draws=50, weather_sequences=5)
    >>> comparison.om_percent.shape[:3]
    (3, 9, 3)
    """
    refuse(
        [
            *wrong_kinds(calibration, target=target, prices=prices, play=play, labour=labour, recovery=recovery),
            *([] if programmes is None else wrong_programmes("programmes", programmes)),
            *whole("years", years, 1, MOST_YEARS),
            *([] if draws is None else whole("draws", draws, 1, MOST_DRAWS)),
            *whole("weather_sequences", weather_sequences, 1, MOST_DRAWS),
            *whole("seed", seed, 0, MOST_SEED),
        ]
    )
    look_at_target(target)
    course = calibration.course
    chosen = tuple(course.programmes if programmes is None else programmes)
    wanted = course.target if target is None else target
    asked = _windows(calibration, wanted, windows)
    used = calibration.coordinates[:draws]
    to_come = weather_to_come or WeatherToCome()
    found = _core.forecast(
        calibration._site_cut(FORECAST),
        np.ascontiguousarray(used),
        course.weather.core,
        calibration.driving._given(),
        calibration.site_yield.g_m2_per_degree_day,
        [programme.core for programme in chosen],
        years,
        min(weather_sequences, len(used)),
        to_come.core,
        [*asked, None],
        seed,
        progress,
    )
    shape = found.shape
    om_percent = frozen(found.values("om_percent").reshape(shape))
    probability = probability_all = None
    if wanted is not None:
        sample = asked.index((wanted.top_mm, wanted.bottom_mm))
        each, every = found.probability(sample, wanted.om_percent)
        probability, probability_all = frozen(each.reshape(shape[:3])), frozen(every.reshape(shape[0], shape[2]))
    first, last = found.dates[0], found.dates[-1] - dt.timedelta(days=1)
    by_weather = tuple(
        tuple(programme.dated(first, last, calendar) for calendar in own)
        for programme, own in zip(chosen, found.calendars(), strict=True)
    )
    turf = healing(course, seed=seed) if recovery is None else recovery
    costs, played = course.prices if prices is None else prices, play or course.play
    disrupted_days, money = outlay(
        calibration,
        [programme.name for programme in chosen],
        calendars=[[[(event.date, event.work) for event in calendar] for calendar in own] for own in by_weather],
        days=(first, last),
        years=years,
        om_percent=om_percent[:, :, -1, 0],
        prices=costs,
        labour=labour or course.labour or Labour(),
        recovery=turf,
        play=played,
        seed=seed,
    )
    return Comparison(
        calibration=calibration,
        programmes=chosen,
        target=wanted,
        dates=tuple(found.dates),
        samples=(*(show_window(*window) for window in asked), MAT),
        om_percent=om_percent,
        om_kg_m2=frozen(found.values("om_g_m2").reshape(shape) / 1000),
        thickness_mm=frozen(found.values("thickness_mm").reshape(shape)),
        surface_mm=frozen(found.values("surface_mm").reshape(*shape[:3], shape[4])),
        ledger_years=tuple(found.ledger_years),
        ledgers=frozen(found.ledgers()),
        work=frozen(_work(found.work())),
        probability=probability,
        probability_all=probability_all,
        calendars_by_weather=by_weather,
        recovery=turf,
        prices=costs,
        play=played,
        budget=money,
        disrupted_days_by_draw=disrupted_days,
        weather_to_come=to_come,
        draws_asked=draws,
    )


def wrong_kinds(calibration: object, **more: object) -> list[Problem]:
    """Say which of what `compare` and `search` are given is of another kind; what is None is left to them."""
    kinds = {"target": Target, "prices": Prices, "play": Play, "labour": Labour, "recovery": Recovery}
    given = {name: value for name, value in more.items() if value is not None}
    problems = of_class(Calibration, "a fit, as matledger.calibrate gives it", calibration=calibration)
    for name, value in given.items():
        made = "what matledger.healing gives" if name == "recovery" else f"a matledger.{kinds[name].__name__}"
        problems += of_class(kinds[name], made, **{name: value})
    return problems


def look_at_target(target: Target | None) -> None:
    """Warn of a target's figures that are possible but unusual; a course's own were told as its files were read."""
    findings = Findings()
    for column in TARGET:
        value = getattr(target, column.name, None)
        if column.usual and value is not None:
            doubt = column.doubt(value, value, None, file="target", where=column.name, name=column.name)
            findings.doubts += [doubt] if doubt else []
    findings.raise_any()


def wrong_programmes(place: str, programmes: object) -> list[Problem]:
    """Say what of a list of programmes is none."""
    if isinstance(programmes, str) or not isinstance(programmes, Sequence):
        return [of_another_kind(place, programmes, "a list of programmes")]
    expected = "a programme, made by matledger.Programme"
    return [
        problem
        for index, programme in enumerate(programmes)
        for problem in of_class(Programme, expected, **{f"{place}[{index}]": programme})
    ]


def _contrasts(
    caption: str, head: str, names: Sequence[str], om_percent: Floats, *, surest_first: bool = False
) -> Table:
    """Every pair of what is named, the lower first, from organic matter of shape ``(name, draw)``."""
    om = om_percent
    pairs = [(a, b) if np.median(om[a] - om[b]) <= 0 else (b, a) for a in range(len(om)) for b in range(a + 1, len(om))]
    lower = {(a, b): _chance_lower(om[a], om[b]) for a, b in pairs}
    if surest_first:
        pairs.sort(key=lambda pair: (-lower[pair], np.median(om[pair[0]] - om[pair[1]])))
    differences = np.array([om[a] - om[b] for a, b in pairs]).reshape(len(pairs), om.shape[-1])
    low, median, high = np.quantile(differences, [0.05, 0.5, 0.95], axis=-1) if pairs else np.zeros((3, 0))
    least = min(np.abs(median[median != 0]), default=1.0)
    decimals = int(np.clip(1 - np.floor(np.log10(least)), 2, 4))
    columns: dict[str, Sequence[Any]] = {
        head: [names[a] for a, _ in pairs],
        "against": [names[b] for _, b in pairs],
        "difference, % OM": median.tolist(),
        "5 %": low.tolist(),
        "95 %": high.tolist(),
        "P(lower)": [lower[pair] for pair in pairs],
    }
    return Table(caption, columns, dict.fromkeys(list(columns)[2:5], f".{decimals}f") | {"P(lower)": ".2f"})


LEAST_TOLD = {"g/m2": 0.5, "mm of sand": 0.05}
"""Amounts below which an account in words says none."""


def _more_or_less(change: float, unit: str, units: System, digits: int = 3) -> str:
    if abs(change) < LEAST_TOLD[unit]:
        return "no more and no less"
    return f"{show(abs(float(change)), unit, units, digits)} {'more' if change > 0 else 'less'}"


def _chance_lower(first: Floats, second: Floats) -> float:
    """Share of the draws in which the first is the lower; a tie counts half."""
    return float((first < second).mean() + (first == second).mean() / 2)


def nearest_programme(worst_percent: Floats, target: Target) -> tuple[int, int, float]:
    """Say which programme comes nearest to a target, and which holds the lowest limit so surely, and that limit [%].

    `worst_percent` is the organic matter of the worst green, shape ``(programme, draw)``; the limit is rounded up.
    """
    limits = np.quantile(worst_percent, target.probability, axis=1, method="inverted_cdf")
    chance = (worst_percent <= target.om_percent).mean(axis=1)
    lowest = int(np.argmin(limits))
    return int(np.lexsort((limits, -chance))[0]), lowest, float(np.ceil(100 * limits[lowest]) / 100)


def outlay(
    calibration: Calibration,
    programmes: Sequence[str],
    *,
    calendars: Sequence[Sequence[Dated]],
    days: tuple[dt.date, dt.date],
    years: int,
    om_percent: Floats,
    prices: Prices | None,
    labour: Labour,
    recovery: Recovery,
    play: Play | None,
    seed: int,
) -> tuple[Floats, Budget | None]:
    """Count each programme's disrupted days a year, ``(programme, draw)``, and price it if there are prices.

    `om_percent` is read at the end, shape ``(programme, green, draw)``.
    """
    draws = om_percent.shape[-1]
    ahead = PlayAhead(recovery, play, days=days, draws=draws, seed=seed)
    if prices is None:
        return ahead.disrupted_days(calendars, years), None
    areas = np.array([green.area_m2 for green in calibration.course.greens])
    limit = np.inf if prices.too_much_om_percent is None else prices.too_much_om_percent
    # A draw in which less sand arrives than is recorded needs so much more of it for what is planned.
    arrives = np.log(calibration.draws[:draws, calibration.names.index("sand_scale")])
    money = budget(
        programmes=programmes,
        calendars=calendars,
        ahead=ahead,
        span_years=years,
        areas_m2=areas.tolist(),
        prices=prices,
        labour=labour,
        play=play,
        passed=np.einsum("pgd,g->pd", om_percent > limit, areas / areas.sum()),
        sand_off=np.exp(arrives.mean() - arrives),
    )
    return money.disrupted_days_by_draw, money


def _work(rows: list[list[tuple[int, float, float, float, float, float]]]) -> Floats:
    work = np.array([[year[1:] for year in years] for years in rows], dtype=np.float64)
    work[..., 4] /= 1000
    return work


def _windows(calibration: Calibration, target: Target | None, windows: Sequence[Window] | None) -> list[Window]:
    tested = [test.window for test in calibration.course.soil_tests if test.window is not None]
    given = sorted(set(tested)) if windows is None else [(float(top), float(bottom)) for top, bottom in windows]
    if target is not None:
        wanted = (target.top_mm, target.bottom_mm)
        given = [wanted, *(window for window in given if window != wanted)]
    if not given:
        raise InputError([Problem("windows", "none", "a depth window such as (0, 20), or a target")])
    return given
