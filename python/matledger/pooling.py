"""What many sites share of their litter ratios: partial pooling by grass and covariates."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from matledger._arrays import Floats, frozen
from matledger.calibration import Calibration
from matledger.calibration.site import moments
from matledger.course import Course
from matledger.errors import Problem
from matledger.findings import Findings
from matledger.frames import Table

__all__ = ["Covariates", "Glance", "Population", "litter_moments", "moved", "pool_litter", "shared_draws"]

Covariates = Mapping[str, Mapping[str, float]]

LITTER = 0
"""Coordinate of the site's litter ratio."""

SCATTER_SD = 0.5
"""Scale of the half-normal prior of the scatter between sites, in prior standard deviations; our judgement."""

STEPS = 400


@dataclass(frozen=True, kw_only=True)
class Glance:
    """What has to agree between sites before they are fitted together."""

    name: str
    grass: str
    methods: tuple[str, ...]

    @classmethod
    def of(cls, name: str, course: Course) -> Glance:
        """Look at a course."""
        methods = tuple(sorted({test.method or "" for test in course.soil_tests}))
        return cls(name=name, grass=course.settings.grass, methods=methods)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Population:
    """What sites share: the litter ratio of each grass, slopes of covariates, the scatter between sites.

    Attributes
    ----------
    sites
        Number of sites that it was learnt from.
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

    sites: int
    grasses: tuple[str, ...]
    covariates: Mapping[str, tuple[float, float]]
    effects: Floats
    scatter: Floats
    prior: tuple[float, float]

    def row(self, grass: str, own: Mapping[str, float]) -> Floats:
        """Weights of the effects at a site.

        Parameters
        ----------
        grass
            Its grass, one of the sites'.
        own
            Its value of each covariate.
        """
        slopes = [(own[name] - mean) / sd for name, (mean, sd) in self.covariates.items()]
        return np.array([float(grass == known) for known in self.grasses] + slopes)

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
        mean = self.effects @ self.row(grass, given)
        median, sd = self.prior
        spread = math.sqrt(float(np.mean(self.scatter**2) + np.var(mean)))
        return {"litter_ratio": (median * math.exp(sd * float(mean.mean())), sd * spread)}

    def table(self) -> Table:
        """Litter ratio of each grass, factor of each covariate, log-sd between sites: medians and 90 % intervals."""
        median, sd = self.prior
        factors = [median * np.exp(sd * self.effects[:, i]) for i in range(len(self.grasses))]
        factors += [np.exp(sd * self.effects[:, len(self.grasses) + i]) for i in range(len(self.covariates))]
        names = [f"litter ratio, {grass}" for grass in self.grasses]
        names += [f"factor a standard deviation of {name}" for name in self.covariates]
        found = np.array([np.quantile(values, [0.5, 0.05, 0.95]) for values in (*factors, sd * self.scatter)])
        columns: dict[str, Sequence[Any]] = {"shared": [*names, "log-sd between sites"]}
        columns |= dict(zip(("median", "5 %", "95 %"), found.T.tolist(), strict=True))
        return Table(f"{self.sites} sites: what they share", columns, dict.fromkeys(list(columns)[1:], ".2f"))

    def __repr__(self) -> str:
        return repr(self.table())

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


def population_of(glances: Sequence[Glance], covariates: Covariates, prior: tuple[float, float]) -> Population:
    """A population of which nothing has been drawn yet."""
    values = {name: np.array(list(own.values())) for name, own in covariates.items()}
    grasses = tuple(dict.fromkeys(glance.grass for glance in glances))
    nothing = np.empty((0, len(grasses) + len(values)))
    return Population(
        sites=len(glances),
        grasses=grasses,
        covariates={name: (float(own.mean()), float(own.std())) for name, own in values.items()},
        effects=nothing,
        scatter=nothing[:, 0],
        prior=prior,
    )


def rows_of(population: Population, glances: Sequence[Glance], covariates: Covariates) -> Floats:
    """Weights of the effects at each site."""
    own = [{name: values[glance.name] for name, values in covariates.items()} for glance in glances]
    return np.array([population.row(glance.grass, o) for glance, o in zip(glances, own, strict=True)])


def pool_litter(
    glances: Sequence[Glance],
    said: Sequence[tuple[float, float]],
    covariates: Covariates,
    *,
    prior: tuple[float, float],
    draws: int,
    seed: int,
) -> tuple[Population, Floats]:
    """What sites share, and draws of each one's litter coordinate, from mean and variance of each alone."""
    population = population_of(glances, covariates, prior)
    means, variances = np.array(said).T
    rng = np.random.default_rng(seed)
    effects, scatter, values = shared_draws(means, variances, rows_of(population, glances, covariates), draws, rng)
    return replace(population, effects=frozen(effects), scatter=frozen(scatter)), values


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


def litter_moments(fit: Calibration) -> tuple[float, float]:
    """Mean and variance of a fit's litter coordinate."""
    mean, covariance = moments(fit)
    return float(mean[LITTER]), float(covariance[LITTER, LITTER])


def moved(fit: Calibration, values: Floats) -> Calibration:
    """Put a site's draws at new values of its litter coordinate, the other unknowns moving along with it."""
    mean, covariance = moments(fit)
    slope = covariance[:, LITTER] / covariance[LITTER, LITTER]
    used = fit.coordinates[: len(values)]
    coordinates = used + np.outer(values - used[:, LITTER], slope)
    return replace(
        fit,
        mode=frozen(fit.mode + slope * (values.mean() - mean[LITTER])),
        information=frozen(informed(fit, values, covariance[LITTER, LITTER])),
        coordinates=frozen(np.ascontiguousarray(coordinates)),
        chains=None,
    )


def informed(fit: Calibration, values: Floats, variance: float) -> Floats:
    """Information of a fit with what the other sites add to that on the litter ratio."""
    information = fit.information.copy()
    information[LITTER, LITTER] += 1 / values.var() - 1 / variance
    return information


def check_sites(glances: Sequence[Glance], covariates: Covariates) -> None:
    """Refuse sites that cannot be fitted together.

    Raises
    ------
    InputError
        All that is wrong at once.
    """
    findings = Findings()
    if len(glances) < 3:
        findings.add(Problem("courses", f"{len(glances)} courses", "at least three, to tell how they differ"))
    names: dict[str, str] = {}
    grasses: dict[str, str] = {}
    for glance in glances:
        other = names.get(_plain(glance.name))
        if other is not None:
            expected = f"a name that differs from {other!r} by more than spaces or case"
            findings.add(Problem("courses", repr(glance.name), expected))
        names.setdefault(_plain(glance.name), glance.name)
        usual = grasses.setdefault(_plain(glance.grass), glance.grass)
        if usual != glance.grass:
            place = f"{glance.name}, grass"
            findings.add(Problem(place, repr(glance.grass), f"one spelling, such as {usual!r}"))
        if glance.methods != glances[0].methods:
            expected = f"the methods of the other courses: {', '.join(glances[0].methods)}"
            findings.add(Problem(f"{glance.name}, method", ", ".join(glance.methods), expected))
    known = {glance.name for glance in glances}
    for covariate, values in covariates.items():
        for name in dict.fromkeys(glance.name for glance in glances):
            value = values.get(name)
            if value is None or not math.isfinite(value):
                findings.add(Problem(f"covariates.{covariate}[{name}]", repr(value), "a finite number"))
        for extra in set(values) - known:
            findings.add(Problem(f"covariates.{covariate}", repr(extra), "a course of the study"))
        if len(set(values.values())) < 2:
            findings.add(Problem(f"covariates.{covariate}", "one value", "a covariate that varies between sites"))
    findings.raise_any()


def _plain(name: str) -> str:
    return "".join(name.split()).casefold()
