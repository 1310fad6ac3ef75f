"""A study as a folder: courses, settings and results, with all that is needed to repeat it.

``results/NAME.zarr`` holds what was found of a site, ``shared.zarr`` what sites share whose draws are pooled;
`matledger.study_manifest` reads and writes the rest of the folder.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from matledger._arrays import Floats, frozen
from matledger.atomic import check_file, check_folder, fresh_folder
from matledger.errors import InputError, Problem
from matledger.executors import Tell, run_each
from matledger.findings import Doubt, Findings, refuse
from matledger.study_contrasts import Pooling, Quantity, SiteContrasts, contrast_sites
from matledger.study_manifest import MANIFEST, read_manifest, read_settings, write_manifest
from matledger.study_run import (
    StudySettings,
    look_at,
    provenance,
    result_folder,
    run_site,
    say,
    versions,
    write_chunks,
)

if TYPE_CHECKING:
    import xarray as xr

    from matledger.pooling import Glance, Population

__all__ = ["StudyRun", "open_study", "run_study"]

SHARED = "shared.zarr"


@dataclass(frozen=True)
class StudyRun:
    """Results of a study, read from its folder a site at a time.

    Attributes
    ----------
    folder
        The study's folder.
    sites
        Names of the sites.
    pooling
        ``alone`` or ``pooled``: what each site's draws rest on, its own records or those of all sites.
    """

    folder: Path
    sites: tuple[str, ...]
    pooling: Pooling

    def site(self, name: str) -> xr.Dataset:
        """Return the forecast of a site as `matledger.Comparison.to_xarray` gives it; values are read when used.

        Beside it stands ``total_sand_kg_m2``, the sand of all years by draw, and of pooled sites ``new_site_...``: the
        mean over the greens of a site like this one of whose litter ratio nothing is known but what the population
        says.

        Parameters
        ----------
        name
            A name.

        Raises
        ------
        InputError
            If the study has no such site.
        """
        import xarray as xr

        if name not in self.sites:
            raise InputError([Problem("site", name, f"one of {', '.join(self.sites)}")])
        found: xr.Dataset = xr.open_zarr(result_folder(self.folder, name), chunks=None, consolidated=True)
        return found

    def population(self) -> Population:
        """What pooled sites share, and what they say of the litter ratio of one that is not among them.

        Raises
        ------
        InputError
            If the sites were not pooled.
        """
        import xarray as xr

        from matledger.pooling import Population

        if self.pooling != "pooled":
            raise InputError([Problem("pooling", self.pooling, 'a study with pooling = "pooled" in study.toml')])
        with xr.open_zarr(self.folder / SHARED, chunks=None, consolidated=True) as data:
            said = json.loads(data.attrs["population"])
            return Population(
                sites=said["sites"],
                grasses=tuple(said["grasses"]),
                covariates={name: (mean, sd) for name, (mean, sd) in said["covariates"].items()},
                effects=frozen(data["effects"].values),
                scatter=frozen(data["scatter"].values),
                prior=(said["prior"][0], said["prior"][1]),
            )

    def contrasts(
        self,
        first: str,
        second: str,
        *,
        quantity: Quantity = "om_percent",
        sample: str | None = None,
        level: float = 0.9,
    ) -> SiteContrasts:
        """Contrast two programmes at every site, over the sites, and at a site that is not among them.

        Parameters
        ----------
        first, second
            Names of programmes that every site has.
        quantity
            ``om_percent``, ``om_kg_m2`` or ``thickness_mm``; the sand given stands beside each.
        sample
            Where it is read; by default the first sample of the first site, for thickness the thatch-mat layer: a
            window of fixed depths is as thick under one programme as under another.
        level
            Probability of the intervals.

        Returns
        -------
        SiteContrasts

        Raises
        ------
        InputError
            For a programme, quantity or sample that a site does not have, the thickness of a window, sites tested by
            different methods, or fewer than three sites.

        Notes
        -----
        Of sites left alone each difference is taken as normal, and set together with a flat prior on the scatter
        between them. Of pooled sites the draws of all sites belong together, so that the mean over the
        sites is that of each draw; the new site has the weather, calendar and ground of each of these in turn, and a
        litter ratio drawn from the population.
        """
        return contrast_sites(
            self._data(),
            first,
            second,
            pooling=self.pooling,
            quantity=quantity,
            sample=sample,
            level=level,
        )

    def _data(self) -> Iterator[tuple[str, xr.Dataset]]:
        for name in self.sites:
            with self.site(name) as data:
                yield name, data


def run_study(
    folder: str | os.PathLike[str], *, executor: Executor | None = None, progress: Tell | None = None
) -> StudyRun:
    """Fit the sites of a study folder, pooled or alone, run their programmes forward, and write what was found.

    Parameters
    ----------
    folder
        Folder with ``study.toml`` and a course folder for each site in ``sites``. Keys of ``study.toml``: ``seed``,
        ``years``, ``draws``, ``weather_sequences``; and, if wanted, ``method`` (as in `calibrate`), ``pooling``
        (``alone`` or ``pooled``), ``block_days`` and ``shift_c`` (see `matledger.WeatherToCome`). A table
        ``[covariates.NAME]`` holds the value of a covariate at each of pooled sites.
    executor
        Where sites are run: anything with the interface of `concurrent.futures.Executor` whose workers see the folder,
        among them the executor of a dask client. Each site then keeps to one thread. A pool of processes has to spawn
        them: forked ones may deadlock. None runs one site after the other, each on all threads.
    progress
        Called with the number of parts done: a look at each site, a fit of each if they are pooled, and a forecast of
        each. An exception from it, or Ctrl-C, ends the run; sites that were written stay.

    Returns
    -------
    StudyRun
        Only one site is ever held in memory, by the process that runs it.

    Raises
    ------
    InputError
        For settings or courses that cannot be used; sites whose names differ only by spaces or case; of pooled
        sites what `matledger.fit_sites` refuses: all of it before the work.
    OSError
        If the folder cannot be written, told before the work.

    Warns
    -----
    UnusualWarning
        Before the work, if a programme is not at every site, so that no contrast can be read of it.

    Notes
    -----
    Each site has a seed of its own, made of the study's and its name, so that results do not depend on the executor or
    on the order, nor, left alone, on which sites there are. A site is written whole or not at all, so one whose
    worker was lost is run again. Sites are pooled as by `matledger.fit_sites`: they say what they hold of their litter
    ratio, it is pooled here, and each is then run forward on those of its draws that agree with all of them.
    """
    home = Path(folder)
    settings, sites = read_settings(home)
    check_file(home / MANIFEST)
    for name in sites:
        check_folder(result_folder(home, name))
    steps = _Steps(progress)
    findings = Findings()
    glances = look_at_sites(home.resolve(), sites, settings, findings, executor=executor, progress=steps.next())
    findings.raise_any()
    if settings.get("pooling") == "pooled":
        pooled, unseen, population = _pool(home.resolve(), glances, settings, executor, steps)
        parts: list[tuple[Any, ...]] = [
            (home.resolve(), name, settings, pooled[:, s], unseen[s]) for s, name in enumerate(sites)
        ]
        _write_shared(home, population, settings)
    else:
        parts = [(home.resolve(), name, settings) for name in sites]
        shutil.rmtree(home / SHARED, ignore_errors=True)
    run_each(run_site, parts, executor=executor, progress=steps.next())
    for stale in set((home / "results").iterdir()) - {result_folder(home, name) for name in sites}:
        shutil.rmtree(stale, ignore_errors=True)
    shutil.rmtree(home / "fits", ignore_errors=True)
    write_manifest(home, settings, sites)
    return StudyRun(home, sites, settings.get("pooling", "alone"))


def open_study(folder: str | os.PathLike[str]) -> StudyRun:
    """Open the results of a study that was run.

    Parameters
    ----------
    folder
        Folder on disk.

    Raises
    ------
    InputError
        For settings that cannot be read, a site without results, or one that was run and is gone.
    """
    home = Path(folder)
    settings, sites = read_settings(home)
    missing = [name for name in sites if not result_folder(home, name).is_dir()]
    ran = {path.stem for path in (home / "results").glob("*.zarr")}
    if (home / MANIFEST).is_file():
        ran |= set(read_manifest(home)["seeds"])
    refuse(
        [
            *(Problem(f"results/{name}.zarr", "nothing", "results: run the study") for name in missing),
            *(
                Problem(
                    f"sites/{name}",
                    "no folder",
                    "the site, as it was when the study was run: put it back, or run the study",
                )
                for name in sorted(ran.difference(sites))
            ),
        ]
    )
    return StudyRun(home, sites, settings.get("pooling", "alone"))


class _Steps:
    """Progress over several rounds of parts."""

    def __init__(self, tell: Tell | None) -> None:
        self.tell, self.done = tell, 0

    def next(self) -> Tell | None:
        """What one round tells."""
        before, tell = self.done, self.tell
        if tell is None:
            return None

        def told(count: int) -> object:
            self.done = before + count
            return tell(self.done)

        return told


def look_at_sites(
    home: Path,
    sites: Sequence[str],
    settings: StudySettings,
    findings: Findings,
    *,
    executor: Executor | None = None,
    progress: Tell | None = None,
) -> list[Glance]:
    """Look at every site before one is fitted; all that stands against running them is among the findings."""
    from matledger.pooling import check_sites

    seen = run_each(look_at, [(home, name) for name in sites], executor=executor, progress=progress)
    wrong = [problem for found in seen if isinstance(found, InputError) for problem in found.problems]
    findings.problems += wrong
    glances = [found for found in seen if not isinstance(found, InputError)]
    if wrong:
        return glances
    if settings.get("pooling") == "pooled":
        try:
            check_sites(glances, settings.get("covariates", {}))
        except InputError as error:
            findings.problems += error.problems
    for name in dict.fromkeys(programme for glance in glances for programme in glance.programmes):
        having, lacking = ([g.name for g in glances if (name in g.programmes) == has] for has in (True, False))
        if lacking:
            found = f"not at {', '.join(lacking)}" if len(lacking) < len(having) else f"at {', '.join(having)} only"
            usual = "contrasts take programmes that every site has"
            findings.doubts.append(Doubt("sites", f"programme {name!r}", name, found, usual))
    return glances


def _pool(
    home: Path, glances: Sequence[Glance], settings: StudySettings, executor: Executor | None, steps: _Steps
) -> tuple[npt.NDArray[np.intp], Floats, Population]:
    """Which draws of each site agree with the others, and the litter coordinate of sites like each, never seen."""
    from matledger.pooling import pool_litter, rows_of

    covariates = settings.get("covariates", {})
    asked = [(home, glance.name, settings) for glance in glances]
    said = run_each(say, asked, executor=executor, progress=steps.next())
    seeds = np.random.SeedSequence(settings["seed"]).generate_state(2)
    population, pooled = pool_litter(
        glances, [litter for litter, _ in said], covariates, prior=said[0][1], seed=int(seeds[0])
    )
    few = max(4, -(-settings["draws"] // len(glances)))
    rng = np.random.default_rng(int(seeds[1]))
    chosen = rng.integers(0, len(population.scatter), (len(glances), few))
    means = np.einsum("snk,sk->sn", population.effects[chosen], rows_of(population, glances, covariates))
    unseen = means + population.scatter[chosen] * rng.standard_normal(chosen.shape)
    return pooled, unseen, population


def _write_shared(home: Path, population: Population, settings: StudySettings) -> None:
    import xarray as xr

    unit = {"units": "1", "comment": "in prior standard deviations of the log litter ratio"}
    data = xr.Dataset(
        {
            "effects": (
                ("draw", "effect"),
                population.effects,
                unit | {"long_name": "mean of a grass, or slope of a covariate a standard deviation"},
            ),
            "scatter": (("draw",), population.scatter, unit | {"long_name": "standard deviation between sites"}),
        },
        {"effect": [*population.grasses, *population.covariates]},
        attrs={
            "Conventions": "CF-1.11",
            "title": "what the sites share",
            "source": f"matledger {versions()['matledger']}",
            "population": json.dumps(
                {
                    "sites": population.sites,
                    "grasses": population.grasses,
                    "covariates": population.covariates,
                    "prior": population.prior,
                }
            ),
            "provenance": provenance(settings),
        },
    )
    with fresh_folder(home / SHARED) as draft:
        write_chunks(data, draft)
