"""What to measure next: how often another soil test would change the choice, and what that is worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger._arrays import Floats
from matledger.errors import InputError, Problem
from matledger.frames import Table
from matledger.units import System

if TYPE_CHECKING:
    from matledger.comparison import Comparison

__all__ = ["value_of_test"]


def value_of_test(
    comparison: Comparison, *, error_sd_percent: float = 0.4, seed: int = 0, units: System = "metric"
) -> Table:
    """Weigh one more soil test of the target's window on each green, taken on the first day of the forecast.

    Parameters
    ----------
    comparison
        The forecasts, with a target and at least two programmes.
    error_sd_percent
        Standard deviation of the test, laboratory and cores together [% OM]; 0.4 is our own figure.
    seed
        Seed of the tests' errors.
    units
        ``"metric"`` or ``"us"``.

    Returns
    -------
    Table
        For each green, best first: how often the test would change the choice, and, if there are prices with a cost of
        doing too little, what the test is worth (expected cost with the choice as it is less that with a choice made
        after the test); without, the rise in the probability that the chosen programme holds the target.

    Raises
    ------
    InputError
        Without a target, with a single programme, or for an error that is not above 0.

    Notes
    -----
    Each draw in turn plays the truth, and its organic matter with an error the test's result; all draws are weighed by
    how well they agree with it, and the choice is made again: that of `Comparison.recommended`, the surest if none
    reaches the target. Worth is averaged over all results, as in the expected value of sample information (Raiffa &
    Schlaifer 1961, Applied Statistical Decision Theory; memory).
    """
    target = comparison.target
    problems = []
    if target is None:
        problems.append(Problem("comparison.target", "none", "a target"))
    if len(comparison.programmes) < 2:
        problems.append(Problem("comparison.programmes", "one", "at least two programmes to choose from"))
    if not (np.isfinite(error_sd_percent) and error_sd_percent > 0):
        problems.append(Problem("error_sd_percent", f"{error_sd_percent}", "a number above 0 (% OM)"))
    if problems or target is None:
        raise InputError(problems)
    at = comparison.first_sample
    end = comparison.om_percent[:, :, -1, at]
    holds = (end.max(axis=1) <= target.om_percent).astype(np.float64)
    costs = comparison.work[:, :, 4].mean(axis=1) if comparison.budget is None else comparison.budget.total
    losses = comparison.losses()
    now = comparison.om_percent[0, :, 0, at]
    draws = holds.shape[1]
    errors = np.random.default_rng(seed).standard_normal(draws)
    before = int(_choices(holds.mean(axis=1)[:, None], costs, target.probability)[0])
    changes, worth = [], []
    for green in range(len(now)):
        result = now[green] + error_sd_percent * errors
        apart = (now[green][:, None] - result[None, :]) / error_sd_percent
        weights = np.exp(-0.5 * apart**2)
        weights /= weights.sum(axis=0)
        chances = holds @ weights
        after = _choices(chances, costs, target.probability)
        changes.append(float((after != before).mean()))
        if losses is None:
            worth.append(float(chances[after, np.arange(draws)].mean() - holds[before].mean()))
        else:
            worth.append(float(losses.mean(axis=1).min() - (losses @ weights).min(axis=0).mean()))
    order = np.argsort(worth)[::-1]
    currency = comparison.budget.currency if comparison.budget is not None else ""
    name = "gain in probability" if losses is None else f"worth, {currency}"
    columns: dict[str, Sequence[Any]] = {
        "green": [comparison.greens[g] for g in order],
        "changes the choice": [changes[g] for g in order],
        name: [worth[g] for g in order],
    }
    formats = {"changes the choice": ".0%", name: "+.3f" if losses is None else ",.0f"}
    return Table(f"one more soil test, {comparison.sample_name(at, units)}", columns, formats)


def _choices(chances: Floats, costs: Floats, need: float) -> Any:
    """Return the choice by draw: the cheapest that is sure enough, the surest if none is."""
    priced = np.where(chances >= need, costs[:, None], np.inf)
    return np.where(np.isfinite(priced).any(axis=0), priced.argmin(axis=0), chances.argmax(axis=0))
