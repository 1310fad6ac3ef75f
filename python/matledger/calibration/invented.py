"""Soil tests as the model itself would make them, from unknowns drawn from the prior: truth that is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.calibration.site import Driving, build_site
from matledger.course import Course
from matledger.errors import InputError, Problem
from matledger.growth import site_yield

__all__ = ["Invented", "invent_tests"]

ATTEMPTS = 200


@dataclass(frozen=True, kw_only=True, eq=False)
class Invented:
    """A course whose soil tests were invented, with the truth behind them.

    Attributes
    ----------
    course
        The course with invented readings; where and when was sampled is as on record.
    coordinates
        True coordinates, shape ``(unknown,)``.
    values
        True values of the unknowns by name, in their own units.
    """

    course: Course
    coordinates: Floats
    values: Mapping[str, float]


def invent_tests(course: Course, *, seed: int, priors: Mapping[str, tuple[float, float]] | None = None) -> Invented:
    """Draw every unknown from its prior and invent the readings of a course's soil tests from them.

    Parameters
    ----------
    course
        The course; its tests say where and when is sampled, their readings are replaced.
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
    For checks such as simulation-based calibration (Talts, Betancourt, Simpson, Vehtari & Gelman 2018,
    arXiv:1804.06788; memory): over many invented courses the truth has to lie anywhere in the posterior with equal
    chance.

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
    site = build_site(course, driving, site_yield(course.weather.start, heat, records), dict(priors or {}))
    rng = np.random.default_rng(seed)
    for _ in range(ATTEMPTS):
        z = rng.standard_normal(len(site.names))
        try:
            predicted = site.predictions(z[None, :])
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
    return Invented(course=replace(course, soil_tests=invented, invented=True), coordinates=frozen(z), values=values)
