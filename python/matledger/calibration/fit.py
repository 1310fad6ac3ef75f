"""A fit: the density of a course, its mode, its draws, and what they say."""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, get_args

import numpy as np

from matledger import _core
from matledger._arrays import Floats, floats, frozen
from matledger.atomic import check_file
from matledger.calibration.before import blame_start, quick_conflicts
from matledger.calibration.chains import Chains, in_turn, sample
from matledger.calibration.diagnostics import Diagnosis, diagnose
from matledger.calibration.names import GREEN_UNKNOWNS, is_shared, meaning, parts, unknown
from matledger.calibration.site import (
    LAYOUT,
    Driving,
    build_site,
    check_earlier,
    check_given,
    fresh_tests,
    labels_of,
    methods_of,
    moments,
    scatter_of,
    told,
)
from matledger.calibration.words import LESSONS, fit_words
from matledger.course import Course, method_of
from matledger.errors import InputError, Problem
from matledger.findings import MOST_DRAWS, MOST_SEED, counted, either, of_kind, refuse, whole
from matledger.frames import Table
from matledger.growth import SiteYield, site_yield
from matledger.records import SoilTest
from matledger.units import System, convert, show_window, shown_units
from matledger.variables import described, unknowns, variable
from matledger.weather import DecayForm

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl
    import xarray as xr
    from matplotlib.axes import Axes

__all__ = ["Calibration", "Driving", "calibrate"]

Tell: TypeAlias = Callable[[int], object]
FitMethod: TypeAlias = Literal["laplace", "nested", "nuts"]

_DIMENSIONS = {"clipping_multiplier": "year", "method_offset_percent": "laboratory_method"}
_OF_A_READER = ("mm", "g/cm3", "g/m2", "kg/m2")
"""Units of unknowns that differ between metric and US customary readers."""


@dataclass(frozen=True, eq=False, repr=False)
class Calibration:
    """What a course's soil tests say about its unknowns: the most probable values and draws around them.

    The draws come from Hamiltonian sampling, or from Laplace's normal approximation at the maximum of the posterior
    density, or from one at each of many values of the fill fraction. Over fifty invented courses the 90 % intervals of
    Laplace's held the truth about 87 % of the time (``tests/calibration.rs`` prints the rate).

    Attributes
    ----------
    course
        The course.
    driving
        How weather drives growth and decay.
    site_yield
        Clippings per degree day.
    priors
        Median and standard deviation of the priors that the user replaced.
    mode
        Coordinates at the maximum, shape ``(unknown,)``; each is standard normal a priori.
    information
        Expected information there, the inverse of Laplace's approximate covariance, shape ``(unknown, unknown)``.
    log_density
        Log posterior density there.
    gradient
        Largest component of its gradient.
    steps
        Steps that the search took.
    converged
        Whether it ended at a maximum. What chains did after it stands in `diagnosis`.
    coordinates
        Draws of the coordinates, shape ``(draw, unknown)``; draws of several chains take turns.
    degrees_of_freedom
        Of the tests' scatter; normal if None.
    depth_correlation
        Whether depths cut from one set of cores share a part of their error.
    earlier
        The calibration that this one carries on from: its posterior is the prior, its tests are not counted again.
    chains
        What the sampler did; None for an approximation, and where some of its draws were chosen since.
    method
        How the draws were made: ``"laplace"``, ``"nested"`` or ``"nuts"``, as `matledger.calibrate` says.
    conflicts
        Tests, means and changes that the priors hardly reach, with the unknown that governs each: what `prior_check`
        looks for, by the tests' slopes at the priors' medians.
    """

    course: Course
    driving: Driving
    site_yield: SiteYield
    priors: Mapping[str, tuple[float, float]]
    mode: Floats
    information: Floats
    log_density: float
    gradient: float
    steps: int
    converged: bool
    coordinates: Floats
    degrees_of_freedom: float | None = None
    depth_correlation: bool = False
    earlier: Calibration | None = None
    chains: Chains | None = None
    method: FitMethod = "laplace"
    conflicts: tuple[str, ...] = ()

    def __eq__(self, other: object) -> bool:
        """Compare the course and every number."""
        if not isinstance(other, Calibration):
            return NotImplemented
        arrays = ("mode", "information", "coordinates")
        same = all(np.array_equal(getattr(self, name), getattr(other, name)) for name in arrays)
        return same and (self.course, self.driving, self.priors) == (other.course, other.driving, other.priors)

    def __getstate__(self) -> dict[str, Any]:
        return {name: value for name, value in self.__dict__.items() if not name.startswith("_")}

    @property
    def site(self) -> _core.Site:
        """The density in the core, built when first needed."""
        if "_site" not in self.__dict__:
            object.__setattr__(self, "_site", self._site_cut(LAYOUT))
        site: _core.Site = self.__dict__["_site"]
        return site

    def _site_cut(self, layout: Mapping[str, float]) -> _core.Site:
        """Return the density with the ground cut by a layout."""
        return build_site(
            self.course,
            self.driving,
            self.site_yield,
            self.priors,
            scatter=(self.degrees_of_freedom, self.depth_correlation),
            earlier=self.earlier,
            layout=layout,
        )

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the unknowns: shared ones, years, method offsets, then three of each green."""
        return tuple(self.site.names)

    @property
    def draws(self) -> Floats:
        """Draws of the unknowns in their own units, shape ``(draw, unknown)``, in the order of `names`."""
        if "_draws" not in self.__dict__:
            object.__setattr__(self, "_draws", frozen(self.site.natural(self.coordinates)))
        draws: Floats = self.__dict__["_draws"]
        return draws

    @property
    def diagnosis(self) -> Diagnosis | None:
        """How well the chains explored the posterior; None for an approximation, which has no chains to diagnose.

        What can be said of an approximation stands in `notes` and in `matledger.report_fit`: whether its search
        settled, and what it leaves unexplained. Whether the posterior is as normal as it takes it to be, only a fit
        with ``method="nuts"`` tells.
        """
        if self.chains is None:
            return None
        if "_diagnosis" not in self.__dict__:
            run = self.chains
            found = diagnose(self.names, run.coordinates, run.energy, run.diverging, run.cut)
            object.__setattr__(self, "_diagnosis", found)
        diagnosis: Diagnosis = self.__dict__["_diagnosis"]
        return diagnosis

    def soil_tests_of(self, green: str) -> tuple[SoilTest, ...]:
        """Soil tests of a green that this fit counts: all, or those that an earlier fit has not counted.

        Parameters
        ----------
        green
            Name of a green.
        """
        return fresh_tests(self.course, self.earlier, green)

    def log_density_and_gradient(self, z: Sequence[float] | Floats) -> tuple[float, Floats]:
        """Log posterior density and its gradient at coordinates, for any other sampler.

        Parameters
        ----------
        z
            Coordinates, shape ``(unknown,)``; standard normal a priori.

        Returns
        -------
        float, ndarray
            The log density with all its constants, and its gradient, shape ``(unknown,)``.

        Raises
        ------
        InputError
            If `z` has another length.
        """
        return self.site.log_density_and_gradient(floats(z, "z"))

    @property
    def _lessons(self) -> list[tuple[float, float, str]]:
        """Shift, spread left and lesson of each unknown."""
        mean, covariance = moments(self)
        found = zip(mean.tolist(), np.sqrt(np.diag(covariance)).tolist(), strict=True)
        return [(shift, left, _core.lesson(shift, left)) for shift, left in found]

    @property
    def _reference(self) -> str:
        """The laboratory method on whose scale organic matter is stated."""
        return methods_of(self.course)[0]

    @property
    def _fit(self) -> tuple[Floats, float, float, int, bool, Floats]:
        return (self.mode, self.log_density, self.gradient, self.steps, self.converged, self.information)

    def taught(self, units: System = "metric") -> Table:
        """What the tests taught: each unknown before and after, and what became of it.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``; rates and degree days stay as they are.

        Returns
        -------
        Table
            Name and unit; prior median (a green's is the site's); posterior 5, 50 and 95 % points from the draws;
            ``shift`` in prior standard deviations and ``spread left``, posterior over prior standard deviation, both
            on the scale where the prior is normal, from the draws too (of Laplace's approximation from its own mean
            and covariance, of which they are drawn); and the lesson: ``learnt`` (less than half of the spread left),
            ``learnt in part`` (less than 0.9 left, or shifted by more than 0.5) or ``as believed before``.
        """
        lessons, reference = self._lessons, self._reference
        meanings = [unknown(name, reference) for name in self.names]
        beliefs = self.site.priors
        low, median, high = np.quantile(self.draws, [0.05, 0.5, 0.95], axis=0)
        columns: dict[str, list[Any]] = {
            "unknown": list(self.names),
            "unit": [what.unit for what in meanings],
            "prior_median": [
                belief[0] if is_shared(name) else None for name, belief in zip(self.names, beliefs, strict=True)
            ],
            "5 %": low.tolist(),
            "median": median.tolist(),
            "95 %": high.tolist(),
            "shift": [shift for shift, _, _ in lessons],
            "spread left": [left for _, left, _ in lessons],
            "lesson": [LESSONS[lesson] for _, _, lesson in lessons],
            "description": [meaning(name, reference, units) for name in self.names],
        }
        values = ("prior_median", "5 %", "median", "95 %")
        for row, unit in enumerate(columns["unit"] if units == "us" else ()):
            if unit in _OF_A_READER:
                metric, shown = shown_units(unit, units)
                columns["unit"][row] = shown
                for name in values:
                    value = columns[name][row]
                    columns[name][row] = None if value is None else convert(value, metric, shown)
        formats = dict.fromkeys(values, ".3g") | dict.fromkeys(("shift", "spread left"), ".2f")
        return Table(f"{self.course.name}: what the soil tests taught", columns, formats)

    def repeated_tests(self, seed: int = 0) -> Floats:
        """Tests as they would come out if they were taken again: one repetition for each draw.

        Parameters
        ----------
        seed
            Seed of the scatter.

        Returns
        -------
        ndarray
            Organic matter [% of dry mass], shape ``(draw, test)``, tests green by green.
        """
        return _repeated(self, self.coordinates, seed)

    def tests(self, units: System = "metric") -> Table:
        """Every soil test beside what the model reads there.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.

        Returns
        -------
        Table
            Green, date, sample, laboratory method, measured % organic matter, 5, 50 and 95 % points of a new test
            there, and the residual in standard deviations of a test at the mode.
        """
        low, median, high = np.quantile(self.repeated_tests(), [0.05, 0.5, 0.95], axis=0)
        found = self._residuals()
        tests = [test for test, _ in found]
        columns: dict[str, list[Any]] = {
            **labels_of(tests, units),
            "om_percent": [test.om_percent for test in tests],
            "5 %": low.tolist(),
            "median": median.tolist(),
            "95 %": high.tolist(),
            "residual_sd": [away for _, away in found],
        }
        formats = dict.fromkeys(("om_percent", "5 %", "median", "95 %", "residual_sd"), ".2f")
        return Table(f"{self.course.name}: soil tests and the model", columns, formats)

    def trace(
        self, green: str, dates: Sequence[dt.date], windows: Sequence[tuple[float, float]], *, draws: int | None = None
    ) -> Floats:
        """Organic matter of a green on dates of the record, for each draw.

        Parameters
        ----------
        green
            Name of the green.
        dates
            Dates; the ground is read at the start of the day, before its work.
        windows
            Depth windows [mm].
        draws
            Draws to use; all of them by default.

        Returns
        -------
        ndarray
            Organic matter [% of dry mass], shape ``(draw, date, window)``.

        Raises
        ------
        InputError
            For an unknown green, dates outside the weather or windows outside the column.
        """
        index = [g.name for g in self.course.greens].index(self.course.green(green).name)
        samples = [(date, window) for date in dates for window in windows]
        found = self.site.trace(index, np.ascontiguousarray(self.coordinates[:draws]), samples)
        percent: Floats = found[..., 0].reshape(-1, len(dates), len(windows))
        return percent

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know: what came from a prior, what the tests could not teach."""
        return self._notes()

    def notes_in_words(self, units: System = "metric") -> tuple[str, ...]:
        """The notes for a reader who knows no code names.

        Parameters
        ----------
        units
            ``"metric"`` or ``"us"``.
        """
        return tuple(self._spelt_out(note, units) for note in self._notes(coded=False))

    def _notes(self, *, coded: bool = True) -> tuple[str, ...]:
        directions = self.site.directions_learnt(self._fit)
        shared = [one.name for one in unknowns()]
        of = dict(zip(self.names, (lesson for _, _, lesson in self._lessons), strict=True))
        learnt = [name for name in shared if of[name] == "learnt"]
        prior = [name for name in shared if of[name] == "prior"]
        fixed = f"the tests fix {directions} directions of the {len(shared)} unknowns that the greens share"
        by_themselves = f"learnt by themselves: {', '.join(learnt)}"
        parts = [*([fixed] if coded else []), *([by_themselves] if learnt else [])]
        origin = self._origin if coded else fit_words(self).advice  # the page tells the rest with its method
        notes = [*([origin] if origin else []), *(["; ".join(parts)] if parts else [])]
        if prior:
            notes.append(f"stayed as believed beforehand, since the tests cannot tell: {', '.join(prior)}")
        notes.append(
            "litter_ratio and the level of the clippings are one thing to the tests: a constant error of the clippings"
            " is taken up by litter_ratio"
        )
        methods = methods_of(self.course)
        if len(methods) > 1:
            notes.append(
                f"organic matter is stated on the scale of {methods[0]}, the method of the oldest test; what"
                f" {either(methods[1:])} reads above that is one of the unknowns"
            )
        notes.extend(self.course.notes)
        notes.extend(f"priors and data do not agree: {conflict}" for conflict in self.conflicts)
        notes.extend(self._far_off(coded=coded))
        notes.extend(self._odd_years())
        notes.extend(self._at_odds())
        if self.earlier is not None:
            notes.append("carries on from an earlier fit, whose posterior (taken as normal) is the prior here")
        if self.chains is not None and self.chains.interrupted:
            notes.append(f"the run was stopped: {len(self.coordinates)} draws were made until then")
        if self.diagnosis is not None:
            notes.extend(self.diagnosis.verdict)
        if not self.converged:
            notes.append(
                f"the search for the most probable values did not settle in {self.steps} steps (gradient"
                f" {self.gradient:.2g}): do not use the intervals"
            )
        return tuple(notes)

    @property
    def _origin(self) -> str:
        """Where the intervals come from, and what to do before one is quoted."""
        words = fit_words(self)
        return f"intervals come from {words.draws}" + f"; {words.advice} (method nuts)" * bool(words.advice)

    def _spelt_out(self, text: str, units: System) -> str:
        """Put unknowns that a text names by code names in words, between quotes, and windows in a reader's units."""
        names = [re.escape(name) for name in self.names if is_shared(name)]
        text = re.sub(
            r"([\d.]+) to ([\d.]+) mm\b", lambda found: show_window(float(found[1]), float(found[2]), units), text
        )
        return re.sub(
            rf"\b({'|'.join(names)})(?!\w)",
            lambda found: f"\u201c{meaning(found[0], self._reference, units)}\u201d",
            text,
        )

    def _far_off(self, *, coded: bool) -> list[str]:
        """Name tests that neither the model nor the other tests explain."""
        or_else = "fit with degrees_of_freedom=4" if coded else "have it fitted by errors with heavy tails"
        far = self._tests_away(FAR_OFF_SD)
        return [f"{test} {lies}: look at its record, or {or_else}" for test, lies in far]

    def _tests_away(self, least_sd: float, most_sd: float = np.inf) -> list[tuple[str, str]]:
        """Say which tests lie so many standard deviations off the model at the mode, and on which side."""
        return [
            (
                f"{told(test, self.course)},",
                f"lies {abs(away):.1f} standard deviations {'above' if away > 0 else 'below'} the model",
            )
            for test, away in self._residuals()
            if least_sd < abs(away) <= most_sd
        ]

    def _residuals(self) -> list[tuple[SoilTest, float]]:
        """Every test, green by green, and its residual in standard deviations of a test at the mode."""
        at_mode = self.site.predictions(self.mode[None, :])
        return [
            (test, float((test.om_percent - mean[0, i]) / sd[0, i]))
            for green, (mean, sd) in zip(self.course.greens, at_mode, strict=True)
            for i, test in enumerate(self.soil_tests_of(green.name))
        ]

    def _odd_years(self) -> list[str]:
        """Name years whose clipping records are unlike the other years'."""
        said = []
        at, beliefs = dict(zip(self.names, self.site.natural(self.mode[None, :])[0], strict=True)), self.site.priors
        for year, _, log_ratio, log_sd in self.site.years_shown(self.mode):
            name = f"clipping_multiplier[{year}]"
            away = log_ratio + np.log(at[name])
            if abs(away) > ODD_YEAR_SD * np.hypot(log_sd, beliefs[self.names.index(name)][1]):
                said.append(
                    f"the clippings on record in {year} are {np.exp(away):.2g} times what the site's yield makes of its"
                    " degree days: look at the unit of its records"
                )
        return said

    def _at_odds(self) -> list[str]:
        """Name tests of one sample, soon after each other, that neither error nor what was done between reconciles."""
        said = []
        for green, (mean, sd) in zip(self.course.greens, self.site.predictions(self.mode[None, :]), strict=True):
            tests = self.soil_tests_of(green.name)
            for (i, one), (j, other) in combinations(enumerate(tests), 2):
                alike = (one.sampled, method_of(one)) == (other.sampled, method_of(other))
                if not alike or abs(one.date - other.date) > SOON:
                    continue
                apart = one.om_percent - mean[0, i] - other.om_percent + mean[0, j]
                apart = abs(apart) / np.hypot(sd[0, i], sd[0, j])
                if apart > FAR_OFF_SD:
                    said.append(
                        f"the tests of {green.name} on {one.date} and {other.date}, {one.sampled}, read"
                        f" {one.om_percent:g} and {other.om_percent:g} %: they contradict each other by {apart:.1f}"
                        " standard deviations, and the fit lies between; one record is wrong"
                    )
        return said

    def to_pandas(self) -> pd.DataFrame:
        """Draws of the unknowns in their own units, one column each."""
        import pandas as pd

        return pd.DataFrame(self.draws.copy(), columns=list(self.names))

    def to_polars(self) -> pl.DataFrame:
        """Draws of the unknowns in their own units, one column each."""
        import polars as pl

        return pl.DataFrame(self.draws.copy(), schema=list(self.names))

    def to_arviz(self) -> xr.DataTree:
        """Draws, sampler statistics, predictions and tests as a tree in ArviZ's groups, which goes to netCDF as it is.

        ArviZ 1.x takes the tree itself; 0.23 takes ``arviz.InferenceData.from_datatree(tree)``.

        Returns
        -------
        xarray.DataTree
            Groups ``posterior`` and ``prior`` (dimensions ``chain``, ``draw``, ``green``, ``year``,
            ``laboratory_method``; names as in `to_xarray`), ``posterior_predictive``, ``log_likelihood``,
            ``observed_data`` (dimension ``test``, with each test's ``green``, ``date``, ``sample`` and
            ``laboratory_method``) and, of chains, ``sample_stats``. The prior is one chain of 500 draws.

        Examples
        --------
        >>> import matledger as mat
        >>> tree = mat.calibrate(mat.demo_course().only(["Fen"]), draws=50).to_arviz()
        >>> list(tree.children)
        ['posterior', 'prior', 'posterior_predictive', 'log_likelihood', 'observed_data']
        """
        from matledger.calibration.tree import tree

        return tree(self)

    def to_xarray(self) -> xr.Dataset:
        """Draws of the unknowns in their own units, along ``draw``, and ``year``, ``laboratory_method`` or ``green``.

        Returns
        -------
        xarray.Dataset
            A variable for each unknown. Of the three that each green has of its own, ``litter_ratio``,
            ``base_percent`` and ``surface_percent`` are the greens', along ``green``; the site's are
            ``site_litter_ratio``, ``site_base_percent`` and ``site_surface_percent``. In `names`, `taught` and
            `to_pandas` the site's is ``litter_ratio``, and a green's ``litter_ratio[Fen]``.

        Examples
        --------
        >>> import matledger as mat
        >>> data = mat.calibrate(mat.demo_course(), draws=50).to_xarray()
        >>> data.litter_ratio.dims, data.site_litter_ratio.dims
        (('draw', 'green'), ('draw',))
        >>> data.method_offset_percent.sel(laboratory_method="360 C, verdure off").dims
        ('draw',)
        """
        import xarray as xr

        data: dict[str, Any] = {}
        groups: dict[str, list[tuple[str, int]]] = {}
        for i, name in enumerate(self.names):
            stem, label = parts(name)
            if label:
                groups.setdefault(stem, []).append((label, i))
            else:
                key = f"site_{name}" if name in GREEN_UNKNOWNS else name
                what = variable(name, "unknown") if key == name else variable(key)
                data[key] = (("draw",), self.draws[:, i].copy(), what.attributes)
        coords: dict[str, Any] = {"draw": np.arange(len(self.draws))}
        for stem, members in groups.items():
            dim = _DIMENSIONS.get(stem, "green")
            labels = [label for label, _ in members]
            coords[dim] = [int(label) for label in labels] if dim == "year" else labels
            attributes = variable(stem, "green" if dim == "green" else "").attributes
            if dim == "laboratory_method":
                attributes["comment"] = f"the reference method is {self._reference}"
            data[stem] = (("draw", dim), self.draws[:, [i for _, i in members]], attributes)
        return described(xr.Dataset(data, coords), "Calibration")

    def plot(self, green: str | None = None, ax: Axes | None = None) -> Axes:
        """Plot the organic matter of a green over time with its tests; see `matledger.plots.over_time`.

        Parameters
        ----------
        green
            Name of a green.
        ax
            Axes of matplotlib to draw on.
        """
        from matledger import plots

        return plots.over_time(self, green, ax=ax)

    def __repr__(self) -> str:
        state = "settled" if self.converged else "did NOT settle"
        return (
            f"<Calibration of {self.course.name!r}: {counted(len(self.course.greens), 'green')}, "
            f"{counted(len(self.course.soil_tests), 'test')}, {counted(len(self.names), 'unknown')}, "
            f"{counted(len(self.coordinates), 'draw')}"
            f" ({fit_words(self).short}); search {state} in {self.steps} steps"
            + ("; no chains, so no diagnosis>" if self.chains is None else ">")
        )

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in self.notes)
        return f"<p>{html.escape(repr(self))}</p>{self.taught()._repr_html_()}<ul>{notes}</ul>"


def calibrate(
    course: Course,
    *,
    method: FitMethod = "laplace",
    priors: Mapping[str, tuple[float, float]] | None = None,
    draws: int = 1000,
    chains: int = 4,
    tune: int = 1000,
    seed: int = 0,
    target_accept: float = 0.8,
    degrees_of_freedom: float | None = None,
    depth_correlation: bool = False,
    earlier: Calibration | None = None,
    checkpoint: str | Path | None = None,
    lag_days: float = 5.0,
    form: DecayForm = "rothc",
    progress: Tell | None = None,
) -> Calibration:
    """Fit the accumulation model to a course's own soil tests and clipping records.

    The unknowns are those of the model's section on calibration: shared by the site, the clippings of each year, an
    offset for each laboratory method after the first, the site's yield and the scatter of clipping records if there are
    any, and for each green its own litter ratio and starting profile around the site's.
    The mode is found by damped Fisher scoring with exact derivatives of the engine.

    Parameters
    ----------
    course
        The course, with at least one soil test.
    method
        ``"laplace"``, a quick look by the normal approximation at the mode; ``"nested"``, such an approximation at each
        of many values of the fill fraction, which the tests may bound on one side only, in 2.4 times the time of
        the first; or ``"nuts"``, Hamiltonian sampling in coordinates learnt from its own draws, which is what to quote
        once `diagnosis` says that the chains agree. A course of nine greens takes half a minute on two cores.
    priors
        Median and standard deviation (on the log or logit scale) for shared unknowns by name, in place of the defaults.
    draws
        Draws from the normal approximation, or of each chain; at least two where they are sampled or nested.
    chains
        Chains to sample, each with a random stream of its own.
    tune
        Draws of each chain that settle its step size and the coordinates; they are not kept.
    seed
        Seed of the draws; the same seed gives the same draws on any number of threads.
    target_accept
        Acceptance that the step size aims at.
    degrees_of_freedom
        Of Student's t for the scatter of tests, for records with outliers; None takes it as normal.
    depth_correlation
        Whether depths cut from one set of cores share a part of their error, to a degree that is then unknown too.
    earlier
        A fit of the same course to carry on from: its posterior becomes the prior, and only tests that it has not
        counted are counted.
    checkpoint
        File that holds the chains of ``"nuts"`` between blocks of 100 draws; a run that finds it goes on to the same
        draws.
    lag_days
        Lag of the soil behind the air [d].
    form
        How decay answers to soil temperature.
    progress
        Called with the number of parts done while the search runs; an exception from it stops the search.

    Returns
    -------
    Calibration
        Of chains that Ctrl-C stopped after their first 100 draws: those made until then, and a note that says so.

    Raises
    ------
    InputError
        If there is no soil test, a thatch-mat test comes from a green without ``mat_depth_mm``, a prior is unknown, is
        outside its domain or gives a start that cannot be run, an option is outside its domain, or the checkpoint is of
        another fit or given to another method. Of `earlier`: if it has counted every test, has other priors, counted
        tests or clipping records that are gone, or had no clipping records where there are some now.
    OSError
        If the checkpoint cannot be written, told before the work.
    KeyboardInterrupt
        On Ctrl-C, but for chains that have made draws.

    References
    ----------
    Laplace approximation: Tierney & Kadane 1986, J. Am. Stat. Assoc. 81:82-86 (from memory). Fisher scoring: Osborne
    1992, Int. Stat. Rev. 60:99-117 (from memory).

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course(), draws=200, seed=1)
    >>> calibration.converged
    True
    """
    check_given(course, priors or {})
    _check_options(
        method=method,
        draws=draws,
        chains=chains,
        tune=tune,
        seed=seed,
        target_accept=target_accept,
        degrees_of_freedom=degrees_of_freedom,
        depth_correlation=depth_correlation,
    )
    if checkpoint is not None:
        if method != "nuts":
            raise InputError([Problem("checkpoint", str(checkpoint), 'none, or method="nuts": only chains are kept')])
        check_file(Path(checkpoint))
    driving = Driving(lower_c=course.settings.lower_c, upper_c=course.settings.upper_c, lag_days=lag_days, form=form)
    heat, _ = _core.drivers(course.weather.core, driving._given())
    records = [record for green in course.greens for record in course.clippings_of(green.name)]
    yielding = site_yield(course.weather.start, heat, records)
    if earlier is not None:
        check_earlier(course, earlier, yielding, priors)
    beliefs = dict(priors or ({} if earlier is None else earlier.priors))
    scatter = (degrees_of_freedom, depth_correlation)
    site = build_site(course, driving, yielding, beliefs, scatter=scatter, earlier=earlier)
    try:
        mode, log_density, gradient, steps, converged, information = found = site.find_mode(progress)
    except RuntimeError as error:

        def runs(without: str) -> bool:
            others = {name: belief for name, belief in beliefs.items() if name != without}
            other = build_site(course, driving, yielding, others, scatter=scatter, earlier=earlier)
            try:
                other.log_density_and_gradient(np.zeros(len(other.names)))
            except RuntimeError:
                return False
            return True

        raise blame_start(error, beliefs, runs) from error
    tests = [test for green in course.greens for test in fresh_tests(course, earlier, green.name)]
    conflicts = quick_conflicts(site, course, tests, degrees_of_freedom)
    run = None
    if method == "nuts":
        run = sample(
            site,
            found,
            chains=chains,
            draws=draws,
            tune=tune,
            seed=seed,
            target_accept=target_accept,
            checkpoint=None if checkpoint is None else Path(checkpoint),
            progress=progress,
        )
        coordinates = in_turn(run.coordinates)
    elif method == "nested":
        coordinates = site.nested_draws(found, draws, seed, progress)
    else:
        coordinates = site.draws(found, draws, seed)
    calibration = Calibration(
        course=course,
        driving=driving,
        site_yield=yielding,
        priors=beliefs,
        mode=frozen(mode),
        information=frozen(information),
        log_density=log_density,
        gradient=gradient,
        steps=steps,
        converged=converged,
        coordinates=frozen(np.ascontiguousarray(coordinates)),
        degrees_of_freedom=degrees_of_freedom,
        depth_correlation=depth_correlation,
        earlier=earlier,
        chains=run,
        method=method,
        conflicts=conflicts,
    )
    object.__setattr__(calibration, "_site", site)
    return calibration


FAR_OFF_SD = 4.0
"""Residual from which a test is named as far off; a normal one lies there once in 16,000 times."""

WORTH_A_LOOK_SD = 3.0
"""Residual from which a test's record is worth a look; a normal one lies there once in 370 times."""

ODD_YEAR_SD = 3.0
"""Deviation from which a year's clipping records are named as odd."""

SOON = dt.timedelta(days=30)
"""Time between two tests of one sample within which they are held against each other."""


def _repeated(calibration: Calibration, coordinates: Floats, seed: int) -> Floats:
    """Tests of each green in turn, drawn around the model at rows of coordinates."""
    refuse(whole("seed", seed, 0, MOST_SEED))
    predicted = calibration.site.predictions(coordinates)
    means = np.concatenate([mean for mean, _ in predicted], axis=1)
    return means + scatter_of(predicted, calibration.degrees_of_freedom, np.random.default_rng(seed))


def _check_options(
    *, method: object, target_accept: object, degrees_of_freedom: object, depth_correlation: object, **counts: object
) -> None:
    problems = of_kind("flag", depth_correlation=depth_correlation)
    if degrees_of_freedom is not None:
        problems += of_kind("number", degrees_of_freedom=degrees_of_freedom)
    if method not in get_args(FitMethod):
        problems.append(Problem("method", repr(method), "laplace, nested or nuts"))
    if not isinstance(target_accept, float) or not 0 < target_accept < 1:
        problems.append(Problem("target_accept", repr(target_accept), "a share between 0 and 1"))
    least = 1 if method == "laplace" else 2  # draws that are made have to have a spread
    bounds = {"draws": (least, MOST_DRAWS), "chains": (1, 1000), "tune": (10, MOST_DRAWS), "seed": (0, MOST_SEED)}
    for name, count in counts.items():
        problems += whole(name, count, *bounds[name])
    if problems:
        raise InputError(problems)
