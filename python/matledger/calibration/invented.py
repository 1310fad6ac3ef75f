"""Soil tests and clipping records as the model itself would make them, from unknowns drawn from the prior."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.calibration.site import Driving, build_site
from matledger.course import Course
from matledger.errors import InputError, Problem
from matledger.findings import MOST_SEED, refuse, whole
from matledger.growth import ClippingRecord, site_yield

__all__ = ["Invented", "invent_tests"]

ATTEMPTS = 200
ANNUAL = "annual_clippings_g_m2"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Invented:
    """A course whose soil tests and clippings were invented, with the truth behind them.

    Attributes
    ----------
    course
        The course with invented readings and masses; where and when was sampled and weighed is as on record.
    coordinates
        True coordinates, shape ``(unknown,)``.
    values
        True values of the unknowns by name, in their own units.
    """

    course: Course
    coordinates: Floats
    values: Mapping[str, float]

    def __repr__(self) -> str:
        return f"<Invented records of {self.course.name!r}: {len(self.values)} unknowns known>"


def invent_tests(course: Course, *, seed: int, priors: Mapping[str, tuple[float, float]] | None = None) -> Invented:
    """Draw every unknown from its prior and invent a course's soil tests and clipping records from them.

    Parameters
    ----------
    course
        The course; its records say where and when is sampled and weighed, readings and masses are replaced.
    seed
        Seed of unknowns and scatter.
    priors
        Median and standard deviation in place of the defaults, as in `matledger.calibrate`.

    Returns
    -------
    Invented
        Readings outside 0 to 100 % are drawn anew together with their unknowns, which leaves posteriors as they are.

    Raises
    ------
    InputError
        Without a soil test, or if 200 draws give no course with readings inside 0 to 100 %.

    Notes
    -----
    A mass is gamma distributed around what its year grew, so that masses add up to gamma distributed ones; the records
    of a year have an error in common. For checks such as simulation-based calibration (Talts, Betancourt, Simpson,
    Vehtari & Gelman 2018, arXiv:1804.06788; memory): over many invented courses the truth has to lie anywhere in the
    posterior with equal chance.

    Examples
    --------
    >>> import matledger as mat
    >>> invented = mat.invent_tests(mat.demo_course(), seed=1)
    >>> len(invented.course.soil_tests) == len(mat.demo_course().soil_tests)
    True
    """
    driving = Driving(lower_c=course.settings.lower_c, upper_c=course.settings.upper_c)
    heat, _ = _core.drivers(course.weather.core, driving._given())
    records = [record for green in course.greens for record in course.clippings_of(green.name)]
    yielding = site_yield(course.weather.start, heat, records)
    site = build_site(course, driving, yielding, dict(priors or {}))
    refuse(whole("seed", seed, 0, MOST_SEED))
    rng = np.random.default_rng(seed)
    for _ in range(ATTEMPTS):
        z = rng.standard_normal(len(site.names))
        weighed = course
        if ANNUAL in site.names:
            truth = dict(zip(site.names, site.natural(z[None, :])[0].tolist(), strict=True))
            weighed = replace(course, clippings=_clippings(course, heat, truth, rng))
            yielding = site_yield(course.weather.start, heat, weighed.clippings)
        try:
            predicted = build_site(weighed, driving, yielding, dict(priors or {})).predictions(z[None, :])
        except RuntimeError:  # the engine cannot run these unknowns, nor would a fit consider them
            continue
        readings = np.concatenate([mean[0] + sd[0] * rng.standard_normal(sd.shape[1]) for mean, sd in predicted])
        if (readings > 0).all() and (readings < 100).all():
            break
    else:
        raise InputError([Problem("priors", f"{ATTEMPTS} draws", "readings of 0 to 100 % from some of them")])
    tests = [test for green in course.greens for test in course.tests_of(green.name)]
    invented = [replace(test, om_percent=float(value)) for test, value in zip(tests, readings, strict=True)]
    values = dict(zip(site.names, site.natural(z[None, :])[0].tolist(), strict=True))
    return Invented(course=replace(weighed, soil_tests=invented, invented=True), coordinates=frozen(z), values=values)


def _clippings(
    course: Course, heat: Floats, truth: Mapping[str, float], rng: np.random.Generator
) -> list[ClippingRecord]:
    """Weigh the clippings of a known yield: scatter of each record's own, and an error that a year's have in common."""
    rate = truth[ANNUAL] / _core.annual_degree_days(heat)
    years = sorted({record.first_day.year for record in course.clippings})
    errors = np.exp(_core.SHARED_CLIPPING_LOG_SD * rng.standard_normal(len(years)))
    shared = dict(zip(years, errors, strict=True))
    weighed = []
    for record in course.clippings:
        first, last = ((date - course.weather.start).days for date in (record.first_day, record.last_day))
        degree_days = float(heat[first : last + 1].sum())
        if degree_days > 0:
            # Its spread is stated for 100 degree days.
            variance = truth["clipping_record_sd"] ** 2 * 100 / degree_days
            year = record.first_day.year
            grown = rate * degree_days * truth[f"clipping_multiplier[{year}]"] * shared[year]
            record = replace(record, dry_g_m2=float(grown * rng.gamma(1 / variance, variance)))
        weighed.append(record)
    return weighed
