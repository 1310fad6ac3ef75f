"""Before a fit: what the priors expect of each test, beside what was measured, and what the tests cannot tell."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.calibration.names import is_shared
from matledger.calibration.site import Driving, build_site, check_given, labels_of, scatter_of, told
from matledger.course import Course, method_of, thin_records
from matledger.errors import InputError, Problem
from matledger.findings import MOST_DRAWS, MOST_SEED, of_kind, refuse, whole
from matledger.frames import Table
from matledger.growth import site_yield
from matledger.records import SoilTest
from matledger.weather import DecayForm

__all__ = ["PriorCheck", "prior_check"]

FAR_SD = 4.0
"""Robust standard deviations of the priors' readings (on a log scale where they are positive) beyond which a measured
one is named."""
NAMED = 5
QUICK_DRAWS = 400


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PriorCheck:
    """What the priors expect of a course's tests, beside the tests.

    Attributes
    ----------
    name
        Name of the course.
    measured
        Measured readings, green by green [% OM], shape ``(test,)``.
    expected
        Readings that the priors expect, scatter and all [% OM], shape ``(draw, test)``.
    tests
        Each test: measured, 5, 50 and 95 % points of the prior's readings, and the share of them below it.
    summaries
        Mean of each sample, its change a year and its spread between greens, the same way.
    conflicts
        Summaries and tests that the priors hardly reach, with the unknown that governs each and how far its prior would
        have to move; draws of the prior that cannot be run.
    missing
        What these tests cannot tell, whatever they read.
    """

    name: str
    measured: Floats
    expected: Floats
    tests: Table
    summaries: Table
    conflicts: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def good(self) -> bool:
        """Whether priors and data agree."""
        return not self.conflicts

    @property
    def verdict(self) -> tuple[str, ...]:
        """What it means and what to do about it; the first line says whether priors and data agree."""
        if self.good:
            first = f"priors and data agree: every one of {len(self.measured)} tests lies where the priors can reach it"
            return (first, *self.missing)
        first = (
            "priors and data do not agree: look at the records named here first; if they are right, widen or move the"
            " priors named, with priors={name: (median, sd)}"
        )
        return (first, *self.conflicts, *self.missing)

    def __repr__(self) -> str:
        return "\n".join([*self.verdict, repr(self.summaries)])

    def _repr_html_(self) -> str:
        lines = "".join(f"<li>{escape(line)}</li>" for line in self.verdict)
        return f"<ul>{lines}</ul>{self.summaries._repr_html_()}"


def prior_check(
    course: Course,
    *,
    priors: Mapping[str, tuple[float, float]] | None = None,
    draws: int = 500,
    seed: int = 0,
    degrees_of_freedom: float | None = None,
    lag_days: float = 5.0,
    form: DecayForm = "rothc",
) -> PriorCheck:
    """Hold a course's tests against what the priors expect of them, before anything is fitted.

    Parameters
    ----------
    course
        The course, with at least one soil test.
    priors
        Median and standard deviation of shared unknowns by name, in place of the defaults.
    draws
        Draws of the prior, at least 100.
    seed
        Seed of the draws.
    degrees_of_freedom, lag_days, form
        As in `matledger.calibrate`.

    Returns
    -------
    PriorCheck

    Raises
    ------
    InputError
        For what `matledger.calibrate` refuses, too few draws, or priors of which no draw can be run.

    Notes
    -----
    It looks for what lies beyond almost all that the priors expect, over every test, mean and change: 6 of 60 courses
    invented from the priors themselves were found fault with. A conflict is a reason to look, not to refuse.

    References
    ----------
    Box 1980, J. R. Stat. Soc. A 143:383-430 (memory): a prior is checked by its predictive distribution.

    Examples
    --------
    >>> import matledger as mat
    >>> mat.prior_check(mat.demo_course(), draws=300).good
    True
    """
    check_given(course, priors or {})
    problems = [*whole("draws", draws, 100, MOST_DRAWS), *whole("seed", seed, 0, MOST_SEED)]
    if degrees_of_freedom is not None:
        problems += of_kind("number", degrees_of_freedom=degrees_of_freedom)
    refuse(problems)
    driving = Driving(lower_c=course.settings.lower_c, upper_c=course.settings.upper_c, lag_days=lag_days, form=form)
    heat, _ = _core.drivers(course.weather.core, driving._given())
    records = [record for green in course.greens for record in course.clippings_of(green.name)]
    yielding = site_yield(course.weather.start, heat, records)
    site = build_site(course, driving, yielding, dict(priors or {}), scatter=(degrees_of_freedom, False))
    rng = np.random.default_rng(seed)
    z, predicted, cannot = _run(site, _drawn(site, draws, rng)[1])
    tests = [test for green in course.greens for test in course.tests_of(green.name)]
    mean = np.concatenate([mean for mean, _ in predicted], axis=1)
    expected = mean + scatter_of(predicted, degrees_of_freedom, rng)
    measured = np.array([test.om_percent for test in tests])
    of_tests = _table(
        f"{course.name}: tests, and what the priors expect",
        labels_of(tests),
        measured,
        expected,
    )
    kinds = _summaries(tests)
    sums, hoped = _weighed(kinds, measured), _weighed(kinds, expected)
    summaries = _table(
        f"{course.name}: the tests together, and what the priors expect", {"what": [k for k, _ in kinds]}, sums, hoped
    )
    conflicts = [*cannot, *_conflicts(site, course, tests, z, mean, expected)]
    return PriorCheck(
        name=course.name,
        measured=frozen(measured),
        expected=frozen(expected),
        tests=of_tests,
        summaries=summaries,
        conflicts=tuple(conflicts),
        missing=tuple(thin_records(course, tests)),
    )


def quick_conflicts(
    site: _core.Site, course: Course, tests: list[SoilTest], degrees_of_freedom: float | None
) -> tuple[str, ...]:
    """Find what `prior_check` would look for, by the tests' slopes at the prior's centre: no draw is run."""
    rng = np.random.default_rng(0)
    mean, z = _drawn(site, QUICK_DRAWS, rng)
    predicted = site.predictions_near(mean, z)
    near = np.concatenate([mean for mean, _ in predicted], axis=1)
    return tuple(_conflicts(site, course, tests, z, near, near + scatter_of(predicted, degrees_of_freedom, rng)))


def _drawn(site: _core.Site, draws: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Centre and draws of what is believed before any test: by priors, clipping records and an earlier fit."""
    mean, covariance = site.before_tests()
    return mean, mean + rng.standard_normal((draws, len(mean))) @ np.linalg.cholesky(covariance).T


def blame_start(
    error: RuntimeError, priors: Mapping[str, tuple[float, float]], runs: Callable[[str], bool]
) -> InputError:
    """Name the priors to blame for a start that cannot be run; `runs` says whether it can be without one of them."""
    guilty = [name for name in priors if runs(name)] or list(priors) or ["priors"]
    return InputError(
        [
            Problem(
                f"priors.{name}" if name in priors else name,
                repr(priors.get(name, "the defaults")),
                f"a median from which the fit can start ({error})",
            )
            for name in guilty
        ]
    )


def _weighed(kinds: list[tuple[str, Floats]], readings: Floats) -> Floats:
    """Each summary of readings, shape ``(test,)`` or ``(draw, test)``, along the last axis."""
    return np.stack([readings @ weights for _, weights in kinds], axis=-1)


def _conflicts(
    site: _core.Site, course: Course, tests: list[SoilTest], z: Floats, mean: Floats, expected: Floats
) -> list[str]:
    """Summaries and tests that the priors hardly reach, from rows of coordinates and what each predicts."""
    measured = np.array([test.om_percent for test in tests])
    kinds = _summaries(tests)
    sums, hoped = _weighed(kinds, measured), _weighed(kinds, expected)
    beliefs = dict(zip(site.names, site.priors, strict=True))
    said = [
        f"{kinds[i][0]} is {sums[i]:.2f}: {_where(sums[i], hoped[:, i])}"
        f"{_blame(site, beliefs, z, mean @ kinds[i][1], sums[i])}"
        for i in range(len(kinds))
        if abs(_away(sums[i], hoped[:, i])) > FAR_SD
    ]
    away = np.abs([_away(value, column) for value, column in zip(measured, expected.T, strict=True)])
    worst = [i for i in np.argsort(-away) if away[i] > FAR_SD]
    said += [
        f"{told(tests[i], course)}, read {measured[i]:.2f} %:"
        f" {_where(measured[i], expected[:, i])}{_blame(site, beliefs, z, mean[:, i], measured[i])}"
        for i in worst[:NAMED]
    ]
    if len(worst) > NAMED:
        said.append(f"{len(worst) - NAMED} more tests lie as far off")
    return said


def _run(site: _core.Site, z: Floats) -> tuple[Floats, list[tuple[Floats, Floats]], list[str]]:
    """Rows that the engine can run, what they predict, and who is to blame for the others."""
    try:
        return z, site.predictions(z), []
    except RuntimeError:
        runs = np.array([_runs(site, row) for row in z])
    if not runs.any():
        expected = "medians and spreads of ground that exists"
        raise InputError([Problem("priors", f"none of {len(z)} draws can be run", expected)])
    away = z[~runs].mean(axis=0)
    k = int(np.argmax(np.abs(away)))
    text = (
        f"{(~runs).sum()} of {len(z)} draws of the priors describe ground that cannot be run; what sets them apart most"
        f" is a {'large' if away[k] > 0 else 'small'} {site.names[k]}: tighten its prior"
    )
    return z[runs], site.predictions(z[runs]), [text]


def _runs(site: _core.Site, row: Floats) -> bool:
    try:
        site.predictions(row[None, :])
    except RuntimeError:
        return False
    return True


def _table(caption: str, head: Mapping[str, list[Any]], measured: Floats, expected: Floats) -> Table:
    low, median, high = np.quantile(expected, [0.05, 0.5, 0.95], axis=0)
    columns: dict[str, list[Any]] = {
        **head,
        "measured": measured.tolist(),
        "5 %": low.tolist(),
        "median": median.tolist(),
        "95 %": high.tolist(),
        "share_below": (expected < measured).mean(axis=0).tolist(),
    }
    formats = dict.fromkeys(("measured", "5 %", "median", "95 %"), ".2f") | {"share_below": ".3f"}
    return Table(caption, columns, formats)


def _summaries(tests: list[SoilTest]) -> list[tuple[str, Floats]]:
    """Name and weights of the mean and the yearly change of each sample, tests of one method together."""
    found = []
    for key in dict.fromkeys((test.sampled, method_of(test)) for test in tests):
        mine = np.array([(test.sampled, method_of(test)) == key for test in tests])
        name = key[0] if len({method_of(test) for test in tests}) == 1 else f"{key[0]} by {key[1]}"
        found.append((f"mean of {name}, %", mine / mine.sum()))
        years = np.array([test.date.toordinal() / 365.25 for test in tests])
        away = np.where(mine, years - years[mine].mean(), 0.0)
        if np.ptp(years[mine]) > 0:
            found.append((f"change of {name}, % a year", away / (away**2).sum()))
    return found


def _away(value: float, expected: Floats) -> float:
    """Robust standard deviations of a value from the median of what is expected."""
    if value > 0 and np.quantile(expected, 0.01) > 0:
        value, expected = np.log(value), np.log(np.maximum(expected, 1e-9))
    low, median, high = np.quantile(expected, [0.05, 0.5, 0.95])
    return float((value - median) / (high - median if value > median else median - low) * 1.645)


def _where(value: float, expected: Floats) -> str:
    low, high = np.quantile(expected, [0.025, 0.975])
    side = "above" if value > high else "below"
    return f"{side} almost all that the priors expect ({low:.2f} to {high:.2f} in 95 of 100)"


def _blame(
    site: _core.Site, beliefs: Mapping[str, tuple[float, float, str]], z: Floats, mean: Floats, wanted: float
) -> str:
    """Name the unknown that governs a prediction most, and how far it would have to move for the wanted value."""
    positive = wanted > 0 and bool((mean > 0).all())
    value, wanted = (np.log(mean), np.log(wanted)) if positive else (mean, wanted)
    spread = np.std(value)
    if not spread > 0:
        return ""
    together = (z - z.mean(axis=0)).T @ (value - value.mean()) / (len(z) * spread)
    k = int(np.argmax(np.abs(together)))
    need = (wanted - np.median(value)) / spread / together[k]
    name, (median, sd, scale) = site.names[k], beliefs[site.names[k]]
    known = f" of {median:g} ({scale} scale, sd {sd:g})" if is_shared(name) else ""
    return (
        f"; {name} governs it most, and alone would have to lie {abs(need):.1f} of its prior's standard deviations"
        f" {'above' if need > 0 else 'below'} its median{known}"
    )
