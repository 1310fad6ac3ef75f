"""Many courses fitted together: what one teaches of its litter is shared with the others."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from matledger._arrays import Floats, frozen
from matledger.calibration import Calibration, calibrate
from matledger.calibration.fit import FitMethod, moments
from matledger.course import Course
from matledger.errors import Problem
from matledger.findings import Findings
from matledger.frames import Table

__all__ = ["SitesFit", "fit_sites"]

LITTER = 0
"""Coordinate of the site's litter ratio."""

SCATTER_SD = 0.5
"""Scale of the half-normal prior of the scatter between sites, in prior standard deviations; our judgement."""

STEPS = 400


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SitesFit:
    """Sites fitted jointly: litter ratios pooled in part by grass, and by covariates of the sites if there are any.

    Attributes
    ----------
    sites
        Calibration of each site under what all sites teach, by name of its course; draw ``n`` of all sites belongs to
        one draw of what they share.
    alone
        Calibration of each site by itself.
    grasses
        Grasses of the sites.
    covariates
        Names of the covariates, with mean and standard deviation over the sites.
    effects
        Draws of the mean of each grass and of the slope of each covariate, in prior standard deviations of the log
        litter ratio, shape ``(draw, grass and covariate)``.
    scatter
        Draws of the standard deviation between sites in the same unit, shape ``(draw,)``.
    prior
        Median and log-sd of the litter ratio before any site was seen.
    """

    sites: Mapping[str, Calibration]
    alone: Mapping[str, Calibration]
    grasses: tuple[str, ...]
    covariates: Mapping[str, tuple[float, float]]
    effects: Floats
    scatter: Floats
    prior: tuple[float, float]

    def prior_of_new_site(self, grass: str, covariates: Mapping[str, float] | None = None) -> dict[str, Any]:
        """What the sites say of the litter ratio of one that is not among them, as `calibrate` takes priors.

        Parameters
        ----------
        grass
            Its grass, one of the sites'.
        covariates
            Its value of each covariate.

        Returns
        -------
        dict
            ``{"litter_ratio": (median, sd)}``.

        Raises
        ------
        InputError
            For another grass, or covariates other than those of the fit.
        """
        given = dict(covariates or {})
        findings = Findings()
        if grass not in self.grasses:
            findings.add(Problem("grass", grass, f"one of {', '.join(self.grasses)}"))
        if set(given) != set(self.covariates):
            expected = ", ".join(self.covariates) or "none"
            findings.add(Problem("covariates", ", ".join(given) or "none", expected))
        findings.raise_any()
        row = _row(grass, given, self.grasses, self.covariates)
        mean = self.effects @ row
        median, sd = self.prior
        spread = math.sqrt(float(np.mean(self.scatter**2) + np.var(mean)))
        return {"litter_ratio": (median * math.exp(sd * float(mean.mean())), sd * spread)}

    def litter_ratios(self) -> Table:
        """Litter ratio of each site by itself and among the others: medians and 90 % intervals."""
        columns: dict[str, list[Any]] = {"site": list(self.sites)}
        for word, fits in (("alone", self.alone), ("pooled", self.sites)):
            found = np.array([np.quantile(fit.draws[:, LITTER], [0.5, 0.05, 0.95]) for fit in fits.values()])
            for name, values in zip((word, f"{word} 5 %", f"{word} 95 %"), found.T, strict=True):
                columns[name] = values.tolist()
        return Table("litter ratio, g/g", columns, dict.fromkeys(list(columns)[1:], ".2f"))

    def shared(self) -> Table:
        """What the sites share: litter ratio of each grass, factor of each covariate, log-sd between sites."""
        median, sd = self.prior
        factors = [median * np.exp(sd * self.effects[:, i]) for i in range(len(self.grasses))]
        factors += [np.exp(sd * self.effects[:, len(self.grasses) + i]) for i in range(len(self.covariates))]
        names = [f"litter ratio, {grass}" for grass in self.grasses]
        names += [f"factor a standard deviation of {name}" for name in self.covariates]
        found = np.array([np.quantile(values, [0.5, 0.05, 0.95]) for values in (*factors, sd * self.scatter)])
        columns: dict[str, Sequence[Any]] = {"shared": [*names, "log-sd between sites"]}
        columns |= dict(zip(("median", "5 %", "95 %"), found.T.tolist(), strict=True))
        return Table(f"{len(self.sites)} sites: what they share", columns, dict.fromkeys(list(columns)[1:], ".2f"))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know."""
        unsettled = [name for name, fit in self.alone.items() if not fit.converged]
        notes = ["sites are pooled through a normal approximation of what each says of its litter ratio"]
        if unsettled:
            notes.append(f"the search did not settle: {', '.join(unsettled)}")
        return tuple(notes)

    def __repr__(self) -> str:
        return "\n\n".join([repr(self.shared()), repr(self.litter_ratios()), *self.notes])

    def _repr_html_(self) -> str:
        return self.shared()._repr_html_() + self.litter_ratios()._repr_html_()


def fit_sites(
    courses: Sequence[Course],
    *,
    covariates: Mapping[str, Mapping[str, float]] | None = None,
    method: FitMethod = "laplace",
    draws: int = 1000,
    seed: int = 0,
    executor: Executor | None = None,
) -> SitesFit:
    """Fit courses jointly, their litter ratios pooled in part by grass and covariates.

    Parameters
    ----------
    courses
        At least three, each of a name of its own.
    covariates
        For each covariate, its value at each site; they act on the log litter ratio.
    method, draws
        As in `matledger.calibrate`, for each site.
    seed
        Seed; each site has one of its own made of it.
    executor
        Where sites are fitted: anything with the interface of `concurrent.futures.Executor`; a pool of processes has
        to spawn them. None fits one after the other.

    Returns
    -------
    SitesFit

    Raises
    ------
    InputError
        For fewer than three courses; names or grasses that are the same or differ only by spaces or case; laboratory
        methods that differ between courses; a covariate that misses a site, is not finite or never varies.

    Notes
    -----
    The log litter ratio of site ``s`` is normal around the mean of its grass plus the slopes of its covariates, with
    one scatter between sites; means and slopes are standard normal and the scatter half-normal (0.5) a priori, all in
    units of the prior's log-sd. Greens vary around their site as in a fit of one site. It is an approximation in two
    stages: sites are fitted alone, what each says of its litter ratio (posterior over prior) is taken as normal, the
    shared part follows on a grid of scatters, and every draw of a site is then moved along the regression of its
    unknowns on the litter ratio. It is exact for normal posteriors. Decay, filling and errors are not shared.

    References
    ----------
    Two stages: Lunn, Barrett, Sweeting & Thompson 2013, J. R. Stat. Soc. C 62:551-572 (from memory); scatter: Gelman
    2006, Bayesian Anal. 1:515-534 (from memory).
    """
    given = dict(covariates or {})
    _check(courses, given)
    seeds = np.random.SeedSequence(seed).generate_state(len(courses) + 1)
    asked = [(course, method, draws, int(own)) for course, own in zip(courses, seeds, strict=False)]
    if executor is None:
        fits = [_fit(*one) for one in asked]
    else:
        futures = [executor.submit(_fit, *one) for one in asked]
        fits = [future.result() for future in futures]
    alone = {course.name: fit for course, fit in zip(courses, fits, strict=True)}
    grasses = tuple(dict.fromkeys(course.settings.grass for course in courses))
    scale = {name: (float(np.mean(list(v.values()))), float(np.std(list(v.values())))) for name, v in given.items()}
    own = [{name: values[course.name] for name, values in given.items()} for course in courses]
    rows = np.array([_row(c.settings.grass, o, grasses, scale) for c, o in zip(courses, own, strict=True)])
    counts = {len(fit.coordinates) for fit in fits}
    known = [moments(fit) for fit in fits]
    said = np.array([(mean[LITTER], covariance[LITTER, LITTER]) for mean, covariance in known])
    rng = np.random.default_rng(int(seeds[-1]))
    effects, scatter, values = shared_draws(said[:, 0], said[:, 1], rows, min(counts), rng)
    sites = {
        fit.course.name: _moved(fit, mean, covariance, values[:, s])
        for s, (fit, (mean, covariance)) in enumerate(zip(fits, known, strict=True))
    }
    median, sd, _ = fits[0].site.priors[LITTER]
    return SitesFit(
        sites=sites,
        alone=alone,
        grasses=grasses,
        covariates=scale,
        effects=frozen(effects),
        scatter=frozen(scatter),
        prior=(median, sd),
    )


def shared_draws(
    mean: Floats, variance: Floats, rows: Floats, draws: int, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Draws of effects, scatter and each site's coordinate, from normal posteriors under a standard normal prior."""
    precision = np.maximum(1 / variance - 1, 1e-9)
    seen = (mean / variance) / precision
    top = 4 * SCATTER_SD
    grid = top * ((np.arange(STEPS) + 0.5) / STEPS) ** 2
    logs, parts = np.empty(STEPS), []
    for i, scatter in enumerate(grid):
        weight = 1 / (1 / precision + scatter**2)
        information = np.eye(rows.shape[1]) + rows.T @ (weight[:, None] * rows)
        centre = np.linalg.solve(information, rows.T @ (weight * seen))
        left = float((weight * seen**2).sum() - centre @ information @ centre)
        log = 0.5 * (np.log(weight).sum() - np.linalg.slogdet(information)[1] - left)
        logs[i] = log - 0.5 * (scatter / SCATTER_SD) ** 2 + 0.5 * math.log(scatter)  # the grid is square in its steps
        parts.append((centre, np.linalg.cholesky(np.linalg.inv(information))))
    chance = np.exp(logs - logs.max())
    chosen = rng.choice(STEPS, draws, p=chance / chance.sum())
    noise = rng.standard_normal((draws, rows.shape[1]))
    effects = np.array([parts[i][0] + parts[i][1] @ n for i, n in zip(chosen, noise, strict=True)])
    scatter = grid[chosen]
    between = 1 / scatter[:, None] ** 2
    total = precision + between
    values = (precision * seen + between * (effects @ rows.T)) / total
    values += rng.standard_normal(values.shape) / np.sqrt(total)
    return effects, scatter, values


def _fit(course: Course, method: FitMethod, draws: int, seed: int) -> Calibration:
    return calibrate(course, method=method, draws=draws, seed=seed)


def _row(
    grass: str, own: Mapping[str, float], grasses: Sequence[str], scale: Mapping[str, tuple[float, float]]
) -> Floats:
    return np.array([float(grass == g) for g in grasses] + [(own[n] - mean) / sd for n, (mean, sd) in scale.items()])


def _moved(fit: Calibration, mean: Floats, covariance: Floats, values: Floats) -> Calibration:
    """Put a site's draws at new values of its litter ratio, the other unknowns moving along with it."""
    slope = covariance[:, LITTER] / covariance[LITTER, LITTER]
    used = fit.coordinates[: len(values)]
    coordinates = used + np.outer(values - used[:, LITTER], slope)
    information = fit.information.copy()
    information[LITTER, LITTER] += 1 / values.var() - 1 / covariance[LITTER, LITTER]
    return replace(
        fit,
        mode=frozen(fit.mode + slope * (values.mean() - mean[LITTER])),
        information=frozen(information),
        coordinates=frozen(np.ascontiguousarray(coordinates)),
        chains=None,
    )


def _check(courses: Sequence[Course], covariates: Mapping[str, Mapping[str, float]]) -> None:
    findings = Findings()
    if len(courses) < 3:
        findings.add(Problem("courses", f"{len(courses)} courses", "at least three, to tell how they differ"))
    names: dict[str, str] = {}
    for course in courses:
        other = names.get(_plain(course.name))
        if other is not None:
            expected = f"a name that differs from {other!r} by more than spaces or case"
            findings.add(Problem("courses", repr(course.name), expected))
        names.setdefault(_plain(course.name), course.name)
    grasses: dict[str, str] = {}
    for course in courses:
        usual = grasses.setdefault(_plain(course.settings.grass), course.settings.grass)
        if usual != course.settings.grass:
            place = f"{course.name}, grass"
            findings.add(Problem(place, repr(course.settings.grass), f"one spelling, such as {usual!r}"))
    methods = {course.name: sorted({test.method or "" for test in course.soil_tests}) for course in courses}
    usual_methods = next(iter(methods.values()), [])
    for name, found in methods.items():
        if found != usual_methods:
            expected = f"the methods of the other courses: {', '.join(usual_methods)}"
            findings.add(Problem(f"{name}, method", ", ".join(found), expected))
    for covariate, values in covariates.items():
        for course in courses:
            value = values.get(course.name)
            if value is None or not math.isfinite(value):
                findings.add(Problem(f"covariates.{covariate}[{course.name}]", repr(value), "a finite number"))
        for extra in set(values) - {course.name for course in courses}:
            findings.add(Problem(f"covariates.{covariate}", repr(extra), "a course of the study"))
        if len(set(values.values())) < 2:
            findings.add(Problem(f"covariates.{covariate}", "one value", "a covariate that varies between sites"))
    findings.raise_any()


def _plain(name: str) -> str:
    return "".join(name.split()).casefold()
