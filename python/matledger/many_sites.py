"""Many courses fitted together: what one teaches of its litter is shared with the others."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeAlias

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.calibration import Calibration, calibrate
from matledger.calibration.chains import Chains, in_turn, sample
from matledger.calibration.diagnostics import Diagnosis, diagnose
from matledger.calibration.fit import FitMethod
from matledger.calibration.site import check_course
from matledger.course import Course
from matledger.errors import InputError, Problem
from matledger.executors import run_each
from matledger.findings import refuse, shown
from matledger.frames import Table
from matledger.pooling import (
    LITTER,
    SCATTER_SD,
    Covariates,
    Glance,
    Population,
    check_sites,
    few_agree,
    informed,
    pool_litter,
    population_of,
    rows_of,
    taken_again,
)

__all__ = ["SitesFit", "fit_sites"]

Tell: TypeAlias = Callable[[int], object]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SitesFit:
    """Sites fitted together: litter ratios pooled in part by grass, and by covariates of the sites if there are any.

    Attributes
    ----------
    sites
        Calibration of each site under what all sites teach, by name of its course; draw ``n`` of all sites belongs to
        one draw of what they share.
    alone
        Calibration of each site by itself.
    population
        What the sites share, and what they say of a site that is not among them.
    diagnosis
        How well chains over all sites at once explored their posterior; None where sites were fitted one by one.
    """

    sites: Mapping[str, Calibration]
    alone: Mapping[str, Calibration]
    population: Population
    diagnosis: Diagnosis | None

    def litter_ratios(self) -> Table:
        """Litter ratio of each site by itself and among the others: medians and 90 % intervals."""
        columns: dict[str, list[Any]] = {"site": list(self.sites)}
        for word, fits in (("alone", self.alone), ("pooled", self.sites)):
            found = np.array([np.quantile(fit.draws[:, LITTER], [0.5, 0.05, 0.95]) for fit in fits.values()])
            for name, values in zip((word, f"{word} 5 %", f"{word} 95 %"), found.T, strict=True):
                columns[name] = values.tolist()
        return Table("litter ratio, g/g", columns, dict.fromkeys(list(columns)[1:], ".2f"))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know."""
        unsettled = [name for name, fit in self.alone.items() if not fit.converged]
        apart = [name for name, fit in self.alone.items() if fit.diagnosis is not None and not fit.diagnosis.good]
        if self.diagnosis is None:
            notes = ["sites were fitted one by one, and of each those draws are taken again that agree with all sites"]
            notes += [note for name, fit in self.sites.items() for note in few_agree(name, fit)]
            if apart:
                notes.append(f"chains of these sites disagree or are too short: {', '.join(apart)}")
        else:
            notes = ["sites were sampled all at once", *self.diagnosis.verdict]
        if unsettled:
            notes.append(f"the search did not settle: {', '.join(unsettled)}")
        return tuple(notes)

    def __repr__(self) -> str:
        return "\n\n".join([repr(self.population), repr(self.litter_ratios()), *self.notes])

    def _repr_html_(self) -> str:
        return self.population._repr_html_() + self.litter_ratios()._repr_html_()


def fit_sites(
    courses: Sequence[Course],
    *,
    covariates: Covariates | None = None,
    method: Literal["laplace", "nested", "nuts", "joint"] = "laplace",
    draws: int = 1000,
    chains: int = 4,
    tune: int = 1000,
    seed: int = 0,
    executor: Executor | None = None,
    progress: Tell | None = None,
) -> SitesFit:
    """Fit courses together, their litter ratios pooled in part by grass and covariates.

    Parameters
    ----------
    courses
        At least three, each of a name of its own.
    covariates
        For each covariate, its value at each site; they act on the log litter ratio.
    method
        ``"laplace"``, ``"nested"`` or ``"nuts"`` fits each site as `matledger.calibrate` does, and then pools their
        draws, so that with ``"nuts"`` nothing but the number of draws is approximate; ``"joint"`` samples all unknowns
        of all sites at once by NUTS. That is for a handful of small sites: what a draw costs grows faster than the
        number of sites.
    draws, chains, tune
        As in `matledger.calibrate`, for each site, or for all at once.
    seed
        Seed; each site has one of its own made of it.
    executor
        Where sites are fitted: anything with the interface of `concurrent.futures.Executor`; a pool of processes has
        to spawn them. None fits one after the other.
    progress
        Called with the number of sites fitted; where they are sampled at once, then with the number of draws made. An
        exception from it ends the fit.

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
    units of the prior's log-sd. Greens vary around their site as in a fit of one site. There are two stages: sites are
    fitted alone; the shared part is sampled from what the draws of each say of its litter ratio (posterior over prior),
    and with every draw of it one of each site's own is taken again, chosen by its chance under the shared part over
    that under the site's own prior. Where a site and the others disagree few of its draws are left, and `notes` says
    so. Decay, filling and errors are not shared.

    References
    ----------
    Two stages: Lunn, Barrett, Sweeting & Thompson 2013, J. R. Stat. Soc. C 62:551-572 (from memory); scatter: Gelman
    2006, Bayesian Anal. 1:515-534 (from memory).

    Examples
    --------
    >>> from dataclasses import replace
    >>> import matledger as mat
    >>> demo = mat.demo_course()
    >>> courses = [replace(demo.only([green]), name=f"site of {green}") for green in ("Fen", "Knoll", "Hollow")]
    >>> list(fit_sites(courses, draws=50).sites)
    ['site of Fen', 'site of Knoll', 'site of Hollow']
    """
    refuse([problem for i, course in enumerate(courses) for problem in check_course(f"courses[{i}]", course)])
    if not isinstance(covariates or {}, Mapping):
        raise InputError([Problem("covariates", shown(covariates), "its value at each course, by each one's name")])
    given = dict(covariates or {})
    glances = [Glance.of(course.name, course) for course in courses]
    check_sites(glances, given)
    seeds = [int(one) for one in np.random.SeedSequence(seed).generate_state(len(courses) + 1)]
    each: FitMethod = "laplace" if method == "joint" else method
    asked = [(course, each, draws, chains, tune, own) for course, own in zip(courses, seeds, strict=False)]
    fits = run_each(_fit, asked, executor=executor, progress=progress)
    median, sd, _ = fits[0].site.priors[LITTER]
    if method == "joint":
        return _at_once(fits, glances, given, (median, sd), (chains, draws, tune, seeds[-1]), progress)
    alone = [fit.coordinates[:, LITTER] for fit in fits]
    population, rows = pool_litter(glances, alone, given, prior=(median, sd), seed=seeds[-1])
    sites = {fit.course.name: taken_again(fit, rows[:, s]) for s, fit in enumerate(fits)}
    return SitesFit(sites=sites, alone={fit.course.name: fit for fit in fits}, population=population, diagnosis=None)


def _fit(course: Course, method: FitMethod, draws: int, chains: int, tune: int, seed: int) -> Calibration:
    return calibrate(course, method=method, draws=draws, chains=chains, tune=tune, seed=seed)


def _at_once(
    fits: Sequence[Calibration],
    glances: Sequence[Glance],
    covariates: Covariates,
    prior: tuple[float, float],
    asked: tuple[int, int, int, int],
    progress: Tell | None,
) -> SitesFit:
    """Sample all sites at once, starting from fits of each by Laplace's approximation."""
    population = population_of(glances, covariates, prior)
    joint = _core.Sites([fit.site for fit in fits], rows_of(population, glances, covariates), SCATTER_SD)
    chains, draws, tune, seed = asked
    found = joint.find_mode()
    run = sample(
        joint,
        found,
        chains=chains,
        draws=draws,
        tune=tune,
        seed=seed,
        target_accept=0.8,
        checkpoint=None,
        progress=progress,
    )
    flat = in_turn(run.coordinates)
    shared = flat[:, -len(population.grasses) - len(population.covariates) - 1 :]
    sites = {fit.course.name: _of_all(fit, joint, s, found[0], run, flat) for s, fit in enumerate(fits)}
    return SitesFit(
        sites=sites,
        alone={fit.course.name: fit for fit in fits},
        population=replace(population, effects=frozen(shared[:, :-1].copy()), scatter=frozen(np.exp(shared[:, -1]))),
        diagnosis=diagnose(joint.names, run.coordinates, run.energy, run.diverging, run.cut),
    )


def _of_all(fit: Calibration, joint: _core.Sites, site: int, mode: Floats, run: Chains, flat: Floats) -> Calibration:
    """One site of chains over all."""
    own = joint.site_coordinates(site, flat)
    count = len(run.coordinates)
    by_chain = own.reshape(-1, count, own.shape[1]).transpose(1, 0, 2)
    return replace(
        fit,
        mode=frozen(joint.site_coordinates(site, mode[None, :])[0]),
        information=frozen(informed(fit, own[:, LITTER])),
        coordinates=frozen(own),
        chains=replace(run, coordinates=frozen(np.ascontiguousarray(by_chain))),
    )
