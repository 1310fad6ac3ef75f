"""Whether chains told all there is to tell: R-hat, effective draws, divergences, energy, and a verdict in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from matledger._arrays import Floats
from matledger.findings import counted

__all__ = ["Diagnosis", "ebfmi", "ess_bulk", "ess_tail", "rhat"]

Bools: TypeAlias = npt.NDArray[np.bool_]

RHAT_ENOUGH = 1.01
RHAT_MOST = 1.05
"""Beyond it chains tell different stories; our own judgement, as is the next."""
ESS_ENOUGH_PER_CHAIN = 100
ESS_LEAST = 100
"""Effective draws in all below which no interval is worth a look."""
EBFMI_ENOUGH = 0.3


def rhat(draws: Floats) -> float:
    """Rank-normalised split R-hat, the larger of bulk and folded.

    Parameters
    ----------
    draws
        Draws of one unknown, shape ``(chain, draw)``.

    Returns
    -------
    float
        1 where chains agree; NaN for fewer than four draws a chain or draws that do not vary.

    References
    ----------
    Vehtari, Gelman, Simpson, Carpenter & Burkner 2021, Bayesian Anal. 16:667-718, equations 1-4 and 13-15 (memory).

    Examples
    --------
    >>> import numpy as np
    >>> from matledger.calibration.diagnostics import rhat
    >>> rhat(np.random.default_rng(1).normal(size=(4, 500))) < 1.02
    True
    """
    if not _varies(draws):
        return float("nan")
    halves = _split(draws)
    folded = np.abs(halves - np.median(halves))
    return float(max(_plain_rhat(_normal_scores(halves)), _plain_rhat(_normal_scores(folded))))


def ess_bulk(draws: Floats) -> float:
    """Effective number of draws for the centre of a distribution: that of the rank-normalised split chains.

    Parameters
    ----------
    draws
        Draws of one unknown, shape ``(chain, draw)``.

    Returns
    -------
    float
        Effective draws over all chains; NaN where `rhat` is.
    """
    return _ess(_normal_scores(_split(draws))) if _varies(draws) else float("nan")


def ess_tail(draws: Floats) -> float:
    """Effective number of draws for the 5 and 95 % points, the smaller of the two.

    Parameters
    ----------
    draws
        Draws of one unknown, shape ``(chain, draw)``.

    Returns
    -------
    float
        Effective draws over all chains; NaN where `rhat` is.
    """
    if not _varies(draws):
        return float("nan")
    halves = _split(draws)
    return min(_ess((halves <= np.quantile(draws, point)).astype(np.float64)) for point in (0.05, 0.95))


def ebfmi(energy: Floats) -> Floats:
    """Energy Bayesian fraction of missing information of each chain.

    Parameters
    ----------
    energy
        Hamiltonian at each draw, shape ``(chain, draw)``.

    Returns
    -------
    ndarray
        Shape ``(chain,)``; below 0.3 the momentum explores the energies too slowly.

    References
    ----------
    Betancourt 2016, arXiv:1604.00695 (memory).
    """
    fraction: Floats = np.square(np.diff(energy, axis=1)).sum(axis=1) / np.square(
        energy - energy.mean(axis=1, keepdims=True)
    ).sum(axis=1)
    return fraction


def _varies(draws: Floats) -> bool:
    return draws.shape[1] >= 4 and bool(np.ptp(draws) > 0) and bool(np.isfinite(draws).all())


def _split(draws: Floats) -> Floats:
    half = draws.shape[1] // 2
    return np.concatenate([draws[:, :half], draws[:, -half:]])


@lru_cache(maxsize=8)
def _scores(count: int) -> Floats:
    normal = NormalDist()
    return np.array([normal.inv_cdf((half / 2 - 0.375) / (count + 0.25)) for half in range(2, 2 * count + 1)])


def _normal_scores(draws: Floats) -> Floats:
    """Normal scores of the ranks over all chains; ties share the mean rank."""
    _, place, counts = np.unique(draws, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    twice_mean_rank = 2 * last - counts + 1
    scores: Floats = _scores(draws.size)[twice_mean_rank - 2][place.reshape(draws.shape)]
    return scores


def _plain_rhat(draws: Floats) -> float:
    count = draws.shape[1]
    within = draws.var(axis=1, ddof=1).mean()
    between = draws.mean(axis=1).var(ddof=1)
    return float(np.sqrt((count - 1) / count + between / within)) if within > 0 else float("nan")


def _ess(draws: Floats) -> float:
    """Geyer's initial monotone sequence over all chains (Geyer 1992, Stat. Sci. 7:473-483; memory)."""
    chains, count = draws.shape
    centred = draws - draws.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(centred, n=2 * count, axis=1)
    covariance = np.fft.irfft(spectrum * spectrum.conj(), axis=1)[:, :count].mean(axis=0) / count
    within = covariance[0] * count / (count - 1)
    pooled = covariance[0] + (draws.mean(axis=1).var(ddof=1) if chains > 1 else 0.0)
    if pooled <= 0:
        return float("nan")
    rho = 1 - (within - covariance) / pooled
    rho[0] = 1.0
    pairs = rho[: count // 2 * 2].reshape(-1, 2).sum(axis=1)[: max((count - 1) // 2, 1)]
    negative = np.flatnonzero(pairs < 0)
    end = int(negative[0]) if negative.size else len(pairs) - 1
    kept = np.minimum.accumulate(pairs[:end])
    # The first lag of the pair that ends the sum still counts, once; of a negative pair only where it is positive.
    last = max(rho[2 * end], 0.0) if negative.size else rho[2 * end]
    time = max(-1 + 2 * kept.sum() + last, 1 / np.log10(chains * count))
    return float(chains * count / time)


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """How well chains have explored the posterior.

    There are three verdicts. Draws can be used if every R-hat is at most 1.01, every unknown has 100 effective draws
    for each chain (400 of four chains) and nothing else is wrong. They are not to be used yet if an R-hat is above
    1.05 or an unknown has fewer than 100 effective draws in all. Between the two they can be used with care.

    Attributes
    ----------
    names
        Names of the unknowns.
    rhat, ess_bulk, ess_tail
        Of each unknown.
    ebfmi
        Of each chain.
    divergences
        Trajectories that diverged.
    cut
        Trajectories cut at the most doublings.
    draws
        Draws over all chains.

    References
    ----------
    R-hat of 1.01 and 400 effective draws: Vehtari, Gelman, Simpson, Carpenter & Burkner 2021, Bayesian Anal.
    16:667-718 (memory). 1.05 and 100 are our own judgement.
    """

    names: Sequence[str]
    rhat: Sequence[float]
    ess_bulk: Sequence[float]
    ess_tail: Sequence[float]
    ebfmi: Sequence[float]
    divergences: int
    cut: int
    draws: int

    @property
    def good(self) -> bool:
        """Whether nothing speaks against using the draws."""
        return len(self.verdict) == 1

    @property
    def usable(self) -> bool:
        """Whether the draws can be used at all, if with care."""
        return all(one <= RHAT_MOST for one in self.rhat) and all(one >= ESS_LEAST for one in self._effective)

    @property
    def _effective(self) -> list[float]:
        """Effective draws of each unknown, for its centre or its tails, where they are fewer."""
        return [min(pair) for pair in zip(self.ess_bulk, self.ess_tail, strict=True)]

    @property
    def verdict(self) -> tuple[str, ...]:
        """What the numbers mean and what to do about it; the first line says whether the draws can be used."""
        wanted = ESS_ENOUGH_PER_CHAIN * len(self.ebfmi)
        worst = int(np.argmax(np.nan_to_num(self.rhat, nan=np.inf)))
        least = self._effective
        thin = int(np.argmin(np.nan_to_num(least, nan=-1.0)))
        wrong = []
        if apart := sum(not one <= RHAT_ENOUGH for one in self.rhat):
            wrong.append(
                f"chains disagree on {self.names[worst]}{_and_more(apart)} (R-hat {self.rhat[worst]:.3f}, wanted"
                f" {RHAT_ENOUGH} or less): run more draws; if that does not help, two explanations of the tests compete"
            )
        if few := sum(not one >= wanted for one in least):
            wrong.append(
                f"{self.names[thin]} has {least[thin]:.0f} effective draws of {self.draws} (wanted"
                f" {wanted}){_and_more(few)}: run more draws before quoting 5 and 95 % points"
            )
        if self.divergences:
            wrong.append(
                f"{self.divergences} of {self.draws} trajectories diverged: a corner of the posterior may be missed;"
                " raise target_accept towards 0.99"
            )
        if self.cut:
            wrong.append(f"{self.cut} of {self.draws} trajectories were cut short: draws cost more than they need")
        low = [chain for chain, fraction in enumerate(self.ebfmi) if not fraction >= EBFMI_ENOUGH]
        if low:
            wrong.append(
                f"energy is explored slowly in chain {', '.join(map(str, low))} (E-BFMI below {EBFMI_ENOUGH}): tails"
                " are uncertain; tighten a wide prior that the tests do not inform"
            )
        if not self.usable:
            first = (
                f"the draws are not to be used yet: R-hat above {RHAT_MOST} or fewer than {ESS_LEAST} effective draws"
            )
        elif wrong:
            first = f"the draws can be used with care: {counted(len(wrong), 'warning')}"
        else:
            first = (
                f"the draws can be used: R-hat at most {self.rhat[worst]:.3f}, at least {least[thin]:.0f} effective"
                " draws of each unknown, no divergence"
            )
        return (first, *wrong)


def _and_more(unknowns: int) -> str:
    """Say how many more unknowns there are than the worst."""
    return f" and {counted(unknowns - 1, 'more unknown')}" if unknowns > 1 else ""


def diagnose(names: Sequence[str], draws: Floats, energy: Floats, diverging: Bools, cut: Bools) -> Diagnosis:
    """Judge draws of shape ``(chain, draw, unknown)``."""
    by_unknown = [np.ascontiguousarray(draws[:, :, i]) for i in range(draws.shape[2])]
    return Diagnosis(
        names=tuple(names),
        rhat=tuple(rhat(values) for values in by_unknown),
        ess_bulk=tuple(ess_bulk(values) for values in by_unknown),
        ess_tail=tuple(ess_tail(values) for values in by_unknown),
        ebfmi=tuple(ebfmi(energy).tolist()) if energy.shape[1] > 1 else (float("nan"),) * len(energy),
        divergences=int(diverging.sum()),
        cut=int(cut.sum()),
        draws=draws.shape[0] * draws.shape[1],
    )
