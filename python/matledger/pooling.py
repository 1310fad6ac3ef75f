"""What many sites share of their litter ratios: partial pooling by grass and covariates.

Sites are fitted alone; then what they share is sampled from what the draws of each say of its litter ratio, posterior
over prior, and of every site those draws are taken again that agree with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from numbers import Real
from typing import Any

import numpy as np
import numpy.typing as npt

from matledger._arrays import Floats, frozen
from matledger.calibration import Calibration
from matledger.course import Course
from matledger.errors import Problem
from matledger.findings import Findings, fold, shown
from matledger.frames import Table

__all__ = ["Covariates", "Glance", "Population", "few_agree", "pool_litter", "shared_draws", "taken_again"]

Covariates = Mapping[str, Mapping[str, float]]

LITTER = 0
"""Coordinate of the site's litter ratio."""

SCATTER_SD = 0.5
"""Scale of the half-normal prior of the scatter between sites, in prior standard deviations; our judgement."""

POINTS = 100
"""Of a site's draws, evenly by rank, in whose place the shared part is looked at."""
BLUR = 0.1
"""What rounds off that there are so few, in standard deviations of the draws."""
WALKERS, SETTLING, APART = 100, 200, 10
"""Of the shared part; draws of one walker are so many steps apart."""
FEW = 0.05
"""Share of a site's draws that agree with the other sites below which they are called few."""


@dataclass(frozen=True, kw_only=True)
class Glance:
    """What has to agree between sites before they are fitted together, and the names of their programmes."""

    name: str
    grass: str
    methods: tuple[str, ...]
    programmes: tuple[str, ...]

    @classmethod
    def of(cls, name: str, course: Course) -> Glance:
        """Look at a course."""
        methods = tuple(sorted({test.method or "" for test in course.soil_tests}))
        programmes = tuple(programme.name for programme in course.programmes)
        return cls(name=name, grass=course.settings.grass, methods=methods, programmes=programmes)


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
    alone: Sequence[Floats],
    covariates: Covariates,
    *,
    prior: tuple[float, float],
    seed: int,
) -> tuple[Population, npt.NDArray[np.intp]]:
    """What sites share, and which draws of each belong to it, from draws of each one's litter coordinate alone."""
    population = population_of(glances, covariates, prior)
    rng = np.random.default_rng(seed)
    effects, scatter, rows = shared_draws(alone, rows_of(population, glances, covariates), rng)
    return replace(population, effects=frozen(effects), scatter=frozen(scatter)), rows


def shared_draws(
    alone: Sequence[Floats], rows: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats, npt.NDArray[np.intp]]:
    """Draws of effects and scatter, and with each the number of a draw of every site, shape ``(draw, site)``.

    There are as many as the site with the fewest has. The shared part is sampled by stretch moves (Goodman & Weare
    2010, Commun. Appl. Math. Comput. Sci. 5:65-80, from memory).
    """
    count = min(map(len, alone))
    ranks = (np.arange(POINTS) + 0.5) / POINTS
    points = np.array([np.quantile(own, ranks) for own in alone])
    blur = BLUR * np.array([own.std() for own in alone])

    def log_density(places: Floats) -> Floats:
        effects, scatter = places[:, :-1], np.exp(places[:, -1])
        width = np.sqrt(scatter[:, None] ** 2 + blur**2)
        each = _log_ratio(points, (effects @ rows.T)[..., None], width[..., None])
        most = each.max(axis=-1)
        sites = most + np.log(np.exp(each - most[..., None]).mean(axis=-1))
        found: Floats = sites.sum(axis=1) - 0.5 * (effects**2).sum(axis=1)
        return found - 0.5 * (scatter / SCATTER_SD) ** 2 + places[:, -1]

    # Around the effects of the sites' means: a walker far out would find no way home.
    information = np.eye(rows.shape[1]) + rows.T @ rows
    start = np.linalg.solve(information, rows.T @ [own.mean() for own in alone])
    walkers = np.append(start, np.log(SCATTER_SD)) + BLUR * rng.standard_normal((WALKERS, len(start) + 1))
    height = log_density(walkers)
    kept: list[Floats] = []
    for step in range(SETTLING + APART * -(-count // WALKERS)):
        _stretch(walkers, height, log_density, rng)
        if step >= SETTLING and (step - SETTLING) % APART == APART - 1:
            kept.append(walkers.copy())
    places = np.concatenate(kept)[:count]
    effects, scatter = places[:, :-1], np.exp(places[:, -1])
    means = effects @ rows.T
    chosen = np.empty((count, len(alone)), dtype=np.intp)
    for s, own in enumerate(alone):
        each = _log_ratio(own, means[:, s, None], np.hypot(scatter, blur[s])[:, None])
        upto = np.exp(each - each.max(axis=1, keepdims=True)).cumsum(axis=1)
        asked = rng.random(count) * upto[:, -1]
        chosen[:, s] = (upto < asked[:, None]).sum(axis=1)
    return effects, scatter, chosen


def _log_ratio(points: Floats, mean: Floats, width: Floats) -> Floats:
    """Log density of a normal over that of the standard one."""
    found: Floats = 0.5 * points**2 - 0.5 * ((points - mean) / width) ** 2 - np.log(width)
    return found


def _stretch(
    walkers: Floats, height: Floats, log_density: Callable[[Floats], Floats], rng: np.random.Generator
) -> None:
    """Move each half of the walkers along lines through the other, in place."""
    half = len(walkers) // 2
    for own, others in ((slice(half), slice(half, None)), (slice(half, None), slice(half))):
        now, there = walkers[own], walkers[others]
        through = there[rng.integers(len(there), size=len(now))]
        reach = (1 + rng.random(len(now))) ** 2 / 2
        proposed = through + reach[:, None] * (now - through)
        found = log_density(proposed)
        gain = (walkers.shape[1] - 1) * np.log(reach) + found - height[own]
        taken = np.log(rng.random(len(now))) < gain
        walkers[own] = np.where(taken[:, None], proposed, now)
        height[own] = np.where(taken, found, height[own])


def taken_again(fit: Calibration, rows: npt.NDArray[np.intp]) -> Calibration:
    """Put draws of a site in place of all of its own; mode and information follow as they would of a normal."""
    coordinates = fit.coordinates[rows]
    return replace(
        fit,
        mode=frozen(fit.mode + coordinates.mean(axis=0) - fit.coordinates.mean(axis=0)),
        information=frozen(informed(fit, coordinates[:, LITTER])),
        coordinates=frozen(coordinates),
        chains=None,
    )


def informed(fit: Calibration, values: Floats) -> Floats:
    """Information of a fit with what the other sites add to that on the litter ratio."""
    information = fit.information.copy()
    information[LITTER, LITTER] += max(0.0, 1 / values.var() - 1 / fit.coordinates[:, LITTER].var())
    return information


def few_agree(name: str, fit: Calibration) -> list[str]:
    """Say so if few draws of a site agree with the other sites."""
    different = len(np.unique(fit.coordinates[:, LITTER]))
    if different >= FEW * len(fit.coordinates):
        return []
    return [f"{name}: only {different} of its draws agree with the other sites, too few for its intervals"]


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
        other = names.get(fold(glance.name))
        if other is not None:
            expected = f"a name that differs from {other!r} by more than spaces or case"
            findings.add(Problem("courses", repr(glance.name), expected))
        names.setdefault(fold(glance.name), glance.name)
        usual = grasses.setdefault(fold(glance.grass), glance.grass)
        if usual != glance.grass:
            place = f"{glance.name}, grass"
            findings.add(Problem(place, repr(glance.grass), f"one spelling, such as {usual!r}"))
        if glance.methods != glances[0].methods:
            expected = f"the methods of the other courses: {', '.join(glances[0].methods)}"
            findings.add(Problem(f"{glance.name}, method", ", ".join(glance.methods), expected))
    known = {glance.name for glance in glances}
    for covariate, values in covariates.items():
        if not isinstance(values, Mapping):
            expected = "its value at each course, by the course's name"
            findings.add(Problem(f"covariates.{covariate}", shown(values), expected))
            continue
        for name in dict.fromkeys(glance.name for glance in glances):
            value = values.get(name)
            if not isinstance(value, Real) or not math.isfinite(value):
                findings.add(Problem(f"covariates.{covariate}[{name}]", repr(value), "a finite number"))
        for extra in set(values) - known:
            findings.add(Problem(f"covariates.{covariate}", repr(extra), "a course of the study"))
        if len(set(values.values())) < 2:
            findings.add(Problem(f"covariates.{covariate}", "one value", "a covariate that varies between sites"))
    findings.raise_any()
