"""How much sampling a question needs: power by simulation, what a probe meets of a hole pattern, and what it costs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from numbers import Integral
from typing import Any, Literal

import numpy as np

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.cells import column, settle
from matledger.errors import InputError, Problem
from matledger.findings import MOST_DRAWS, MOST_SEED, counted, of_kind, refuse, whole
from matledger.frames import Table
from matledger.practice import Coring

__all__ = [
    "SamplingPrices",
    "StudyDesign",
    "StudyPower",
    "StudyVariances",
    "probe_sd_percent",
    "study_power",
    "weigh_designs",
]


@dataclass(frozen=True, kw_only=True)
class StudyDesign:
    """How two treatments are laid out and sampled.

    Parameters
    ----------
    sites, greens
        Sites, and greens of each.
    treated
        What a treatment is laid on: ``plots`` (each block of a green holds one of each treatment), whole ``greens``
        (half of those of each site) or whole ``sites`` (half of them).
    blocks
        Blocks on each green, for ``plots``.
    seasons
        Seasons under treatment.
    tests
        Tests of each unit in a season.
    tests_before
        Tests of each unit before treatment, whose mean is taken off; 0 for none.
    cores
        Cores mixed into a test.

    Examples
    --------
    >>> StudyDesign(blocks=4, seasons=3, cores=10).test_count
    24
    """

    sites: int = 1
    greens: int = 1
    treated: Literal["plots", "greens", "sites"] = "plots"
    blocks: int = 0
    seasons: int = 1
    tests: int = 1
    tests_before: int = 0
    cores: int = 1

    def __post_init__(self) -> None:
        given = {name: value for name, value in asdict(self).items() if name != "treated"}
        problems = [
            Problem(name, repr(value), "a whole number of 0 or more")
            for name, value in given.items()
            if not isinstance(value, Integral) or isinstance(value, bool) or value < 0
        ]
        if self.treated not in ("plots", "greens", "sites"):
            problems.append(Problem("treated", repr(self.treated), "one of plots, greens, sites"))
        elif self.treated != "plots" and self.blocks:
            problems.append(Problem("blocks", repr(self.blocks), f"no blocks: whole {self.treated} are treated"))
        if problems:
            raise InputError(problems)

    @property
    def test_count(self) -> int:
        """Tests of the whole study."""
        return _core.test_count(asdict(self))

    def __str__(self) -> str:
        on = counted(self.blocks, "block") if self.treated == "plots" else f"whole {self.treated}"
        before = f", {counted(self.tests_before, 'test')} before" if self.tests_before else ""
        return (
            f"{counted(self.sites, 'site')} x {counted(self.greens, 'green')}, {on},"
            f" {counted(self.seasons, 'season')} x {counted(self.tests, 'test')}{before}, {counted(self.cores, 'core')}"
        )


@dataclass(frozen=True, kw_only=True)
class StudyVariances:
    """Standard deviations of what makes tests differ [% OM].

    Parameters
    ----------
    core_sd_percent
        Between cores of a unit, without what holes add [% OM]. Median 14 % of the mean within a green, from 7 to 32 %.
    laboratory_sd_percent
        Between repeats of the laboratory [% OM].
    season_sd_percent
        Of a unit from season to season [% OM].
    plot_sd_percent, green_sd_percent, site_sd_percent
        Between plots of a block, greens of a site and sites [% OM].
    green_difference_sd_percent, site_difference_sd_percent
        Of the difference between the treatments, from green to green and site to site [% OM].

    Notes
    -----
    A `matledger.analyse` of an earlier study gives variances: ``plot_sd_percent`` is the root of that of its units, and
    the difference of two treatments varies between sites by twice the variance of site by treatment.

    Examples
    --------
    >>> from matledger import StudyVariances
    >>> StudyVariances(core_sd_percent=0.5, laboratory_sd_percent=0.1).green_sd_percent
    0.0
    """

    core_sd_percent: float
    laboratory_sd_percent: float = 0.0
    season_sd_percent: float = 0.0
    plot_sd_percent: float = 0.0
    green_sd_percent: float = 0.0
    site_sd_percent: float = 0.0
    green_difference_sd_percent: float = 0.0
    site_difference_sd_percent: float = 0.0

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        settle(self, [column(field.name, "StudyVariances") for field in fields(self)]).raise_any()


@dataclass(frozen=True, kw_only=True)
class SamplingPrices:
    """What sampling costs, in one currency.

    Parameters
    ----------
    test
        Laboratory's fee for a test.
    core
        Taking and mixing a core.
    visit
        Going to a site to sample.
    plot_season
        Keeping a treated unit for a season.

    Examples
    --------
    >>> from matledger import SamplingPrices, StudyDesign
    >>> SamplingPrices(test=30, core=1).cost(StudyDesign(blocks=4, cores=10))
    320.0
    """

    test: float
    core: float = 0.0
    visit: float = 0.0
    plot_season: float = 0.0

    def __post_init__(self) -> None:
        """Read every field by its rule."""
        settle(self, [column(field.name, "SamplingPrices") for field in fields(self)]).raise_any()

    def cost(self, design: StudyDesign) -> float:
        """Cost of a design's sampling.

        Parameters
        ----------
        design
            Design of a study.
        """
        tests = design.test_count
        rounds = design.seasons * design.tests + design.tests_before
        units = tests // rounds if rounds else 0
        return (
            tests * (self.test + self.core * design.cores)
            + self.visit * design.sites * rounds
            + self.plot_season * units * design.seasons
        )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class StudyPower:
    """What simulated trials of a design found.

    Attributes
    ----------
    design
        The design.
    difference_percent
        The true difference of the treatments [% OM].
    alpha
        Level of the test.
    estimates_percent, se_percent, df, p
        What each trial found: difference and its standard error [% OM], degrees of freedom, p value [-], shape
        ``(trial,)``.
    """

    design: StudyDesign
    difference_percent: float
    alpha: float
    estimates_percent: Floats
    se_percent: Floats
    df: Floats
    p: Floats

    @property
    def power(self) -> float:
        """Share of trials that found a difference."""
        return float((self.p < self.alpha).mean())

    @property
    def power_se(self) -> float:
        """Standard error of `power`, from the number of trials."""
        return math.sqrt(self.power * (1 - self.power) / len(self.p))

    @property
    def typical_se_percent(self) -> float:
        """Median standard error of the difference [% OM]."""
        return float(np.median(self.se_percent))

    @property
    def exaggeration(self) -> float:
        """Mean size of the differences that were found, over the true one; NaN if none was found or none is there."""
        found = np.abs(self.estimates_percent[self.p < self.alpha])
        return (
            float(found.mean() / abs(self.difference_percent)) if len(found) and self.difference_percent else math.nan
        )

    def __repr__(self) -> str:
        return (
            f"<StudyPower {self.power:.2f} (+/- {self.power_se:.2f}) to find {self.difference_percent:g} % OM at"
            f" {self.alpha:g}: {self.design}>"
        )


def probe_sd_percent(
    coring: Coring, *, probe_diameter_mm: float, hole_om_percent: float, between_om_percent: float
) -> float:
    """Scatter that a hole pattern adds to the organic matter of a core.

    Parameters
    ----------
    coring
        What made the holes.
    probe_diameter_mm
        Inside diameter of the probe [mm], from 1 to 1000.
    hole_om_percent, between_om_percent
        Organic matter in the filled holes and between them [%].

    Returns
    -------
    float
        Standard deviation between cores at random places [% OM], to be added in squares to that between cores.

    Raises
    ------
    InputError
        For a probe outside its range or holes that touch.

    Notes
    -----
    The share of a probe that is hole is a Fourier series over the grid of holes, and its variance the sum of the
    squares of its waves: ``f^2 sum (j(k r) j(k R))^2``, ``f`` the area fraction, ``r`` and ``R`` the radii of hole and
    probe, ``k`` the wave numbers of the grid but zero and ``j(x) = 2 J1(x)/x``. Holes count as one pass on a grid that
    has not grown over, of the same bulk density as the ground between. Own derivation, held to brute force in the
    tests.

    Examples
    --------
    >>> import matledger as mat
    >>> coring = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50.8, 50.8), depth_mm=75)
    >>> for probe in (12.0, 19.0, 50.0, 108.0):
    ...     sd = probe_sd_percent(coring, probe_diameter_mm=probe, hole_om_percent=0.5, between_om_percent=4)
    ...     print(round(sd, 2))
    0.51
    0.37
    0.07
    0.02
    """
    given = {"hole_om_percent": hole_om_percent, "between_om_percent": between_om_percent}
    problems = [
        Problem(name, repr(value), "a number from 0 to 100 (%)")
        for name, value in given.items()
        if not 0 <= value <= 100
    ]
    if problems:
        raise InputError(problems)
    share = _core.hole_share_variance(coring.tine.inside_diameter_mm, coring.spacing_mm, probe_diameter_mm)
    return abs(between_om_percent - hole_om_percent) * math.sqrt(share)


def study_power(
    design: StudyDesign,
    variances: StudyVariances,
    *,
    difference_percent: float,
    probe_sd_percent: float = 0.0,
    alpha: float = 0.05,
    trials: int = 1000,
    seed: int = 0,
) -> StudyPower:
    """Simulate trials of a design and analyse each as it would be.

    Parameters
    ----------
    design
        The design.
    variances
        What makes tests differ.
    difference_percent
        True difference of the treatments, mean over the seasons [% OM]; that of a `matledger.Comparison` of the two
        programmes, for one.
    probe_sd_percent
        What holes add to the scatter between cores [% OM]; see `matledger.probe_sd_percent`.
    alpha
        Level of the two-sided test.
    trials
        Trials to simulate.
    seed
        Seed; trial ``n`` of a seed is the same however many are drawn, and on however many threads.

    Returns
    -------
    StudyPower

    Raises
    ------
    InputError
        For numbers outside their range, or a design that leaves nothing to estimate the error from.

    Notes
    -----
    Each trial is drawn from normal effects and fitted by restricted likelihood; the difference is tested with
    Satterthwaite's degrees of freedom. With several sites or greens it is that of their population; with one it is that
    one's, and its deviation from others is no part of it. Where a closed form exists (one green in blocks, one site of
    whole greens) the tests hold the simulation to it.

    Examples
    --------
    >>> variances = StudyVariances(core_sd_percent=0.5, laboratory_sd_percent=0.1, plot_sd_percent=0.2)
    >>> study_power(StudyDesign(blocks=4, cores=10), variances, difference_percent=0.6, trials=500)
    <StudyPower 0.57 (+/- 0.02) to find 0.6 % OM at 0.05: 1 site x 1 green, 4 blocks, 1 season x 1 test, 10 cores>
    """
    given = {"difference_percent": difference_percent, "probe_sd_percent": probe_sd_percent, "alpha": alpha}
    problems = of_kind("number", **given)
    refuse(problems)
    if not 0 < alpha < 1:
        problems.append(Problem("alpha", repr(alpha), "a probability between 0 and 1"))
    if not (math.isfinite(probe_sd_percent) and probe_sd_percent >= 0):
        problems.append(Problem("probe_sd_percent", repr(probe_sd_percent), "a standard deviation of 0 or more (% OM)"))
    problems += [*whole("trials", trials, 1, MOST_DRAWS), *whole("seed", seed, 0, MOST_SEED)]
    if problems:
        raise InputError(problems)
    spreads = asdict(variances) | {"core_sd_percent": math.hypot(variances.core_sd_percent, probe_sd_percent)}
    given = {name.removesuffix("_percent"): spread for name, spread in spreads.items()}
    found = _core.trials(asdict(design), given, difference_percent, trials, seed)
    estimates, se, df, p = (frozen(np.ascontiguousarray(column)) for column in found.T)
    return StudyPower(
        design=design,
        difference_percent=difference_percent,
        alpha=alpha,
        estimates_percent=estimates,
        se_percent=se,
        df=df,
        p=p,
    )


def weigh_designs(
    designs: Sequence[StudyDesign],
    variances: StudyVariances,
    prices: SamplingPrices,
    *,
    difference_percent: float,
    probe_sd_percent: float = 0.0,
    alpha: float = 0.05,
    trials: int = 1000,
    seed: int = 0,
) -> Table:
    """Set what designs cost against what they can be expected to find.

    Parameters
    ----------
    designs
        The designs.
    variances
        What makes tests differ.
    prices
        What sampling costs.
    difference_percent, probe_sd_percent, alpha, trials, seed
        As for `matledger.study_power`; the same random numbers serve all designs.

    Returns
    -------
    Table
        For each design: tests, cost, power, median standard error of the difference [% OM], and by how much differences
        that are found overstate the true one.

    Examples
    --------
    >>> variances = StudyVariances(core_sd_percent=0.5, plot_sd_percent=0.2)
    >>> designs = [StudyDesign(blocks=blocks, cores=10) for blocks in (3, 6)]
    >>> found = weigh_designs(designs, variances, SamplingPrices(test=30), difference_percent=0.6, trials=100)
    >>> found.columns["tests"], found.columns["cost"]
    ([6, 12], [180.0, 360.0])
    """
    found = [
        study_power(
            design,
            variances,
            difference_percent=difference_percent,
            probe_sd_percent=probe_sd_percent,
            alpha=alpha,
            trials=trials,
            seed=seed,
        )
        for design in designs
    ]
    columns: dict[str, Sequence[Any]] = {
        "design": [str(design) for design in designs],
        "tests": [design.test_count for design in designs],
        "cost": [prices.cost(design) for design in designs],
        "power": [power.power for power in found],
        "se, % OM": [power.typical_se_percent for power in found],
        "overstated": [power.exaggeration for power in found],
    }
    formats = {"tests": ".0f", "cost": ",.0f", "power": ".2f", "se, % OM": ".2f", "overstated": ".2f"}
    return Table(f"power to find {difference_percent:.3g} % OM at {alpha:g}", columns, formats)
