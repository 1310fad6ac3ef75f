"""The difference of two programmes over the sites of a study."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from matledger import _core
from matledger._arrays import Floats
from matledger.errors import Problem
from matledger.findings import Findings, of_level, shown
from matledger.frames import Table
from matledger.simulation import MAT
from matledger.study_run import QUANTITIES, Quantity
from matledger.trial_tables import UNITS

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Pooling", "Quantity", "SiteContrasts", "contrast_sites"]

Pooling: TypeAlias = Literal["alone", "pooled"]


@dataclass(frozen=True, kw_only=True, repr=False)
class SiteContrasts:
    """The difference of two programmes at many sites, and what they say together.

    Attributes
    ----------
    pooling
        ``alone`` or ``pooled``: what each site's draws rest on, its own records or those of all sites.
    quantity
        What differs.
    sample
        Where it was read.
    first, second
        The programmes; the difference is the first less the second, at the end of the last year, mean over the greens
        by area.
    level
        Probability of the intervals.
    sites
        Names of the sites.
    means, sds
        Mean and standard deviation of the difference at each site.
    intervals
        Interval of the difference at each site, from its draws.
    sand_difference_kg_m2, sand_intervals
        Difference of the sand given in all years at each site [kg/m2], and its interval over weather to come; of no
        width where no rule counts degree days.
    mean, interval
        Mean difference and its interval: of the population of sites, or of pooled sites over these.
    new_site
        Interval of the difference at a site that is not among them.
    between_sd
        Standard deviation between sites: beyond what is not known of each, or of pooled sites from draw to draw
        (median).
    probability_lower
        Probability that the mean difference is below zero.
    """

    pooling: Pooling
    quantity: Quantity
    sample: str
    first: str
    second: str
    level: float
    sites: tuple[str, ...]
    means: tuple[float, ...]
    sds: tuple[float, ...]
    intervals: tuple[tuple[float, float], ...]
    sand_difference_kg_m2: tuple[float, ...]
    sand_intervals: tuple[tuple[float, float], ...]
    mean: float
    interval: tuple[float, float]
    new_site: tuple[float, float]
    between_sd: float
    probability_lower: float

    def table(self) -> Table:
        """Each site, their population, and a new site."""
        bounds = [*self.intervals, self.interval, self.new_site]
        together = "population of sites" if self.pooling == "alone" else "mean of these sites"
        unit, share = UNITS[self.quantity], f"{100 * self.level:g} %"
        columns: dict[str, Sequence[Any]] = {
            "site": [*self.sites, together, "a new site"],
            f"difference, {unit}": [*self.means, self.mean, self.mean],
            f"{share} from": [low for low, _ in bounds],
            "to": [high for _, high in bounds],
            "sand in all years, difference, kg/m2": [
                *map(_range, self.sand_difference_kg_m2, self.sand_intervals),
                "",
                "",
            ],
        }
        caption = f"{self.quantity}, {self.sample}: {self.first} less {self.second}"
        return Table(caption, columns, dict.fromkeys(list(columns)[1:4], ".3f"))

    def __repr__(self) -> str:
        return repr(self.table())

    def _repr_html_(self) -> str:
        return self.table()._repr_html_()


def contrast_sites(
    sites: Iterable[tuple[str, xr.Dataset]],
    first: str,
    second: str,
    *,
    pooling: Pooling,
    quantity: Quantity,
    sample: str | None,
    level: float,
) -> SiteContrasts:
    """Read the difference off one site after the other, see `matledger.StudyRun.contrasts`."""
    findings = Findings()
    for problem in of_level(level):
        findings.add(problem)
    if quantity not in QUANTITIES:
        findings.add(Problem("quantity", shown(quantity), f"one of {', '.join(QUANTITIES)}"))
    if quantity == "thickness_mm":
        if sample not in (None, MAT):
            layer = "the thatch-mat layer: a window is as thick under one programme as another"
            findings.add(Problem("sample", str(sample), layer))
        sample = MAT
    findings.raise_any()
    names: list[str] = []
    differences: list[Floats] = []
    unseen: list[Floats] = []
    methods: list[str] = []
    sands: list[tuple[float, tuple[float, float]]] = []
    looked_at, lacking = 0, dict[Problem, list[str]]()
    for name, data in sites:
        looked_at += 1
        where = sample or str(data["sample"].values[0])
        lacks = _lacks(data, (first, second), where)
        for problem in lacks:
            lacking.setdefault(problem, []).append(name)
        if lacks:
            continue
        sample = where
        last = data[quantity].isel(date=-1).sel(sample=where)
        weights = data["area_m2"].values / data["area_m2"].values.sum()
        names.append(name)
        methods.append(str(data.attrs["methods"]))
        if methods[-1] != methods[0]:
            expected = f"the methods of the other courses: {methods[0]}"
            findings.add(Problem(f"site {name}, method", methods[-1], expected))
        differences.append(weights @ (last.sel(programme=first).values - last.sel(programme=second).values))
        given = data["total_sand_kg_m2"]
        sand = given.sel(programme=first).values - given.sel(programme=second).values
        sands.append((float(sand.mean()), _interval(sand, level)))
        if pooling == "pooled":
            new = data[f"new_site_{quantity}"].isel(date=-1).sel(sample=where)
            unseen.append(new.sel(programme=first).values - new.sel(programme=second).values)
    for problem, at in lacking.items():
        every = len(at) == looked_at
        findings.add(problem if every else replace(problem, place=f"{problem.place} at {', '.join(at)}"))
    findings.raise_any()
    means = tuple(float(own.mean()) for own in differences)
    sds = tuple(float(own.std(ddof=1)) for own in differences)
    if pooling == "alone":
        mean, interval, new_site, between_sd, lower = _core.pool(np.array(means), np.array(sds) ** 2, level)
    else:
        by_draw = np.array(differences)
        over = by_draw.mean(axis=0)
        mean, interval, lower = float(over.mean()), _interval(over, level), float((over < 0).mean())
        new_site = _interval(np.concatenate(unseen), level)
        between_sd = float(np.median(by_draw.std(axis=0, ddof=1)))
    return SiteContrasts(
        pooling=pooling,
        quantity=quantity,
        sample=sample or "",
        first=first,
        second=second,
        level=level,
        sites=tuple(names),
        means=means,
        sds=sds,
        intervals=tuple(_interval(own, level) for own in differences),
        sand_difference_kg_m2=tuple(mean for mean, _ in sands),
        sand_intervals=tuple(interval for _, interval in sands),
        mean=mean,
        interval=interval,
        new_site=new_site,
        between_sd=between_sd,
        probability_lower=lower,
    )


def _lacks(data: xr.Dataset, programmes: Sequence[str], sample: str) -> list[Problem]:
    """What is asked for and a site lacks."""
    asked = {"programme": programmes, "sample": (sample,)}
    has = {dim: [str(value) for value in data[dim].values] for dim in asked}
    return [
        Problem(dim, value, f"one of {', '.join(has[dim])}")
        for dim, values in asked.items()
        for value in dict.fromkeys(values)
        if value not in has[dim]
    ]


def _interval(draws: Floats, level: float) -> tuple[float, float]:
    low, high = np.quantile(draws, [0.5 - level / 2, 0.5 + level / 2])
    return float(low), float(high)


def _range(mean: float, interval: tuple[float, float]) -> str:
    low, high = (f"{value:.1f}" for value in interval)
    return f"{mean:.1f}" if low == high else f"{mean:.1f} ({low} to {high})"
