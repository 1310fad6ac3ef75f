"""A plain mixed-model analysis of a study: what the numbers say without a model of the ground."""

from __future__ import annotations

import html
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from matledger import _core
from matledger._arrays import Floats
from matledger.errors import Problem
from matledger.findings import of_level, refuse
from matledger.frames import Table
from matledger.trial_tables import UNITS, Layout, Response, Study, Window, one_window

__all__ = ["Estimate", "StudyAnalysis", "analyse"]

NOTHING = 1e-10
"""Share of all variance below which a variance is zero."""


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """An estimate with what is not known of it.

    Attributes
    ----------
    name
        What was estimated.
    value, se
        The value and its standard error, in the unit of the response.
    df
        Degrees of freedom, by Satterthwaite's approximation.
    p
        Two-sided probability of a value as far from zero, were the truth zero.
    low, high
        The interval at the analysis's level.
    """

    name: str
    value: float
    se: float
    df: float
    p: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True, repr=False)
class StudyAnalysis:
    """What a mixed model says of a study.

    Attributes
    ----------
    layout
        How treatments were laid out.
    response
        What was analysed.
    window
        Where it was sampled [mm].
    level
        Probability of the intervals.
    treatment_means
        Mean of each treatment over seasons (and subtreatments; of a before-after study, of its seasons after).
    treatment_contrasts
        Differences of treatments, the first less the second. In a before-after study, the difference of their changes.
    subtreatment_contrasts
        The same of subtreatments, over treatments, in a split-plot.
    variances
        Variance of each random effect, 0 where the search ended at none, and of the residual, squared unit of the
        response.
    error_terms
        Random effects beside the residual that the treatment contrasts rest on: each level has one treatment (and, in a
        before-after study, one period).
    minus_two_log_likelihood
        Minus twice the log likelihood, restricted or full.
    restricted
        Whether the likelihood was restricted.
    sites
        Number of sites.
    """

    layout: Layout
    response: Response
    window: Window
    level: float
    treatment_means: tuple[Estimate, ...]
    treatment_contrasts: tuple[Estimate, ...]
    subtreatment_contrasts: tuple[Estimate, ...]
    variances: tuple[tuple[str, float], ...]
    error_terms: tuple[str, ...]
    minus_two_log_likelihood: float
    restricted: bool
    sites: int

    @property
    def unit(self) -> str:
        """Unit of the response."""
        return UNITS[self.response]

    def means(self) -> Table:
        """Treatment means with their intervals."""
        return self._table("means", self.treatment_means, test=False)

    def contrasts(self) -> Table:
        """Differences of treatments, and of subtreatments, with their intervals."""
        return self._table("contrasts", (*self.treatment_contrasts, *self.subtreatment_contrasts), test=True)

    def components(self) -> Table:
        """Standard deviation and variance of each random effect."""
        columns: dict[str, Sequence[Any]] = {
            "effect": [name for name, _ in self.variances],
            f"sd, {self.unit}": [value**0.5 for _, value in self.variances],
            f"variance, ({self.unit})2": [value for _, value in self.variances],
        }
        return Table(f"{self._what}: variances", columns, dict.fromkeys(list(columns)[1:], ".3g"))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know."""
        notes = []
        flat = [name for name, value in self.variances if value == 0]
        if flat:
            notes.append(f"variance estimated as zero: {', '.join(flat)}; too few levels, or none to see")
        taken = [name for name in self.error_terms if name in flat]
        if taken:
            notes.append(
                f"errors and degrees of freedom of the contrasts take the variance of {', '.join(taken)} as known to be"
                " zero, which few levels often show where there is some: intervals may be too narrow,"
                " and p too small"
            )
        across = [name for name in self.error_terms if name.startswith("site by treatment")]
        if self.sites == 1:
            notes.append("one site: the differences are those of that site")
        elif across and set(across) <= set(taken):
            most = (self.sites - 1) * (len(self.treatment_means) - 1)
            notes.append(
                f"read the contrasts as those of these {self.sites} sites, not as those of a population:"
                f" {across[0]} has at most {most} degrees of freedom, where its variance can be estimated"
            )
        elif self.sites < 5:
            notes.append(f"{self.sites} sites: variances between sites are hardly known, and intervals wide")
        if len(self.treatment_contrasts) > 1:
            notes.append("intervals are of one contrast each; none is widened for being one of several")
        return tuple(notes)

    @property
    def _what(self) -> str:
        return f"{self.response}, {self.window[0]:g} to {self.window[1]:g} mm, {self.layout}"

    def _table(self, word: str, estimates: Sequence[Estimate], *, test: bool) -> Table:
        share, value = f"{100 * self.level:g} %", f"{'difference' if test else 'mean'}, {self.unit}"
        columns: dict[str, Sequence[Any]] = {
            word.removesuffix("s"): [e.name for e in estimates],
            value: [e.value for e in estimates],
            "se": [e.se for e in estimates],
            "df": [e.df for e in estimates],
            f"{share} from": [e.low for e in estimates],
            "to": [e.high for e in estimates],
        }
        formats = {value: ".3f", "se": ".3f", "df": ".1f", f"{share} from": ".3f", "to": ".3f"}
        if test:
            columns["p"] = [e.p for e in estimates]
            formats["p"] = ".3f"
        return Table(f"{self._what}: {word}", columns, formats)

    def __repr__(self) -> str:
        parts = [repr(self.means()), repr(self.contrasts()), repr(self.components()), *self.notes]
        return "\n\n".join(parts)

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in self.notes)
        tables = (self.means(), self.contrasts(), self.components())
        return "".join(table._repr_html_() for table in tables) + f"<ul>{notes}</ul>"


def analyse(
    study: Study,
    *,
    response: Response = "om_percent",
    window: Window | None = None,
    level: float = 0.9,
    restricted: bool = True,
) -> StudyAnalysis:
    """Analyse a study by the mixed model that its layout asks for.

    Parameters
    ----------
    study
        The study.
    response
        What to analyse.
    window
        Which depth window [mm]; by default the study's only one.
    level
        Probability of the intervals.
    restricted
        Whether the likelihood is restricted, which is what variances want; full likelihoods compare fixed effects.

    Returns
    -------
    StudyAnalysis

    Raises
    ------
    InputError
        For a response or window that the study does not have, a level outside 0 to 1, or a table that leaves nothing to
        estimate a variance from.

    Notes
    -----
    Fixed are treatment and season; of a split-plot treatment, subtreatment and their interaction, and season; of a
    before-after study treatment, period and their interaction, whose contrast is the effect. Random are, where there
    are at least two and they can be told apart: site, site by treatment, site by season, green, block, whole plot, unit
    (when tested more than once) and, of a before-after study, season and unit by period. With several sites the
    contrasts are those of the population of sites. Seasons are not let differ in their effect.

    A variance that ends at zero adds nothing to errors and degrees of freedom, as if it were known to be zero, and with
    few levels that is a frequent end; `StudyAnalysis.notes` says so. Published advice is to let the term of a design be
    negative, so that tests keep their size (Stroup & Littell 2002), or to hold it off zero by a weak prior (Chung et
    al. 2013); neither is done here, and Kenward & Roger's (1997) adjustment, too, is for variances off the bound.

    References
    ----------
    Bates, Machler, Bolker & Walker 2015, J. Stat. Softw. 67(1); Fai & Cornelius 1996, J. Stat. Comput. Simul.
    54:363-378 (degrees of freedom); Stewart-Oaten, Murdoch & Parker 1986, Ecology 67:929-940 (before and after);
    Stroup & Littell 2002, Conf. Appl. Stat. Agric., Kansas State Univ.; Chung, Rabe-Hesketh, Dorie, Gelman & Liu 2013,
    Psychometrika 78:685-709; Kenward & Roger 1997, Biometrics 53:983-997 (these three from memory).

    Examples
    --------
    >>> import pandas as pd
    >>> import matledger as mat
    >>> om = [3.1, 2.6, 3.4, 2.8, 2.9, 2.5, 3.6, 2.9]  # invented
    >>> table = pd.DataFrame({"site": "A", "green": "1", "block": [b for b in "1234" for _ in range(2)],
    ...     "treatment": ["none", "sand"] * 4, "season": 2024, "top_mm": 0, "bottom_mm": 20,
    ...     "method": "LOI 360", "om_percent": om})
    >>> mat.analyse(mat.read_study(table)).contrasts()
    om_percent, 0 to 20 mm, randomised complete block: contrasts
    contrast     difference, % OM     se   df  90 % from     to      p
    none - sand             0.550  0.065  3.0      0.398  0.702  0.003
    """
    problems = []
    if response not in study.values:
        problems.append(Problem("response", str(response), f"one of {', '.join(study.values)}"))
    refuse([*problems, *of_level(level)])
    chosen = one_window(study, window)
    rows = [row for row, found in enumerate(study.windows) if found == chosen]
    model = _Model(study, rows)
    weights = np.array([*model.means, *model.contrasts, *model.sub_contrasts])
    _, variances, residual, criterion, found = _core.mixed_model(
        np.ascontiguousarray(study.values[response][rows]),
        model.fixed,
        model.terms,
        restricted,
        weights,
        level,
    )
    names = [*model.treatments, *_pairs(model.treatments), *_pairs(model.subtreatments)]
    estimates = [
        Estimate(name=name, value=value, se=se, df=df, p=p, low=low, high=high)
        for name, (value, se, df, p, low, high) in zip(names, found, strict=True)
    ]
    first, second = len(model.means), len(model.means) + len(model.contrasts)
    # The search ends beside a bound, not on it.
    least = NOTHING * (sum(variances) + residual)
    kept = [variance if variance > least else 0.0 for variance in variances]
    named = [(name, variance) for (name, _), variance in zip(model.terms, kept, strict=True)]
    return StudyAnalysis(
        layout=study.layout,
        response=response,
        window=chosen,
        level=level,
        treatment_means=tuple(estimates[:first]),
        treatment_contrasts=tuple(estimates[first:second]),
        subtreatment_contrasts=tuple(estimates[second:]),
        variances=(*named, ("residual", residual)),
        error_terms=model.error_terms,
        minus_two_log_likelihood=criterion,
        restricted=restricted,
        sites=len(study.sites),
    )


def _pairs(names: Sequence[str]) -> list[str]:
    return [f"{a} - {b}" for i, a in enumerate(names) for b in names[i + 1 :]]


def _differences(rows: Sequence[Floats]) -> list[Floats]:
    return [a - b for i, a in enumerate(rows) for b in rows[i + 1 :]]


class _Model:
    """Fixed columns, random terms, and the sums of fixed effects that answer the question."""

    def __init__(self, study: Study, rows: Sequence[int]) -> None:
        of = {name: [values[row] for row in rows] for name, values in study.columns.items()}
        seasons = [study.seasons[row] for row in rows]
        self.treatments = study.treatments
        self.subtreatments = tuple(dict.fromkeys(of.get("subtreatment", [])))
        periods = ("before", "after") if "period" in of else ()
        inner = self.subtreatments or periods
        within = of.get("subtreatment") or of.get("period") or [""] * len(rows)
        years = sorted(set(seasons)) if not periods else []

        def column(treatment: str, part: str, season: int | None) -> Floats:
            """Fixed columns of one cell, the first of each factor as reference; seasons as a mean if None."""
            t = np.array([float(treatment == name) for name in self.treatments[1:]])
            p = np.array([float(part == name) for name in inner[1:]])
            s = [1 / len(years) if season is None else float(season == year) for year in years[1:]]
            found: Floats = np.concatenate([[1.0], t, p, np.outer(t, p).ravel(), s])
            return found

        cells = zip(of["treatment"], within, seasons, strict=True)
        self.fixed = np.ascontiguousarray([column(*cell) for cell in cells])
        parts: tuple[str, ...] = inner or ("",)
        by_part = {(t, p): column(t, p, None) for t in self.treatments for p in parts}
        if periods:
            self.means = [by_part[t, "after"] for t in self.treatments]
            changes = [by_part[t, "after"] - by_part[t, "before"] for t in self.treatments]
            self.contrasts = _differences(changes)
        else:
            self.means = [np.mean([by_part[t, p] for p in parts], axis=0) for t in self.treatments]
            self.contrasts = _differences(self.means)
        over = [np.mean([by_part[t, p] for t in self.treatments], axis=0) for p in self.subtreatments]
        self.sub_contrasts = _differences(over)
        self.terms = self._random(study, rows, of, seasons)
        cell = [*zip(of["treatment"], of["period"], strict=True)] if periods else of["treatment"]
        self.error_terms = tuple(
            name for name, levels in self.terms if len(set(zip(levels, cell, strict=True))) == max(levels) + 1
        )

    def _random(
        self, study: Study, rows: Sequence[int], of: dict[str, list[str]], seasons: Sequence[int]
    ) -> list[tuple[str, list[int]]]:
        def crossed(*names: str) -> list[Hashable]:
            return list(zip(*(of[name] for name in names), strict=True))

        units: list[Hashable] = [study.unit(row) for row in rows]
        whole = "site" in of and len(set(of["site"])) > 1
        terms: list[tuple[str, list[Hashable]]] = []
        if whole:
            terms += [("site", crossed("site")), ("site by treatment", crossed("site", "treatment"))]
            if len(set(seasons)) > 1:
                terms.append(("site by season", list(zip(of["site"], seasons, strict=True))))
        terms.append(("green", crossed("site", "green")))
        if "block" in of:
            terms.append(("block", crossed("site", "green", "block")))
        terms.append(("plot" if "plot" in of else "unit", units))
        if self.subtreatments:
            terms.append(("subplot", list(zip(units, of["subtreatment"], strict=True))))
        if "period" in of:
            terms.append(("season", list(seasons)))
            terms.append(("unit by period", list(zip(units, of["period"], strict=True))))
            if whole:
                terms.append(("site by treatment by period", crossed("site", "treatment", "period")))
        # What a treatment and period share cannot be told from their fixed effects.
        told: list[tuple[int, ...]] = [tuple(_numbered(crossed("treatment")))]
        if "period" in of:
            told += [tuple(_numbered(crossed("period"))), tuple(_numbered(crossed("treatment", "period")))]
        kept = []
        for name, levels in terms:
            numbers = _numbered(levels)
            if 2 <= max(numbers) + 1 < len(rows) and tuple(numbers) not in told:
                told.append(tuple(numbers))
                kept.append((name, numbers))
        return kept


def _numbered(levels: Iterable[Hashable]) -> list[int]:
    known: dict[Hashable, int] = {}
    return [known.setdefault(level, len(known)) for level in levels]
