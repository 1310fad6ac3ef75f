"""What to measure next: how often another soil test would change the choice, and what that is worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import _core
from matledger._arrays import Floats
from matledger.errors import InputError, Problem
from matledger.findings import MOST_SEED, of_kind, whole
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
        For each green, best first: how often the test would change the choice, and what it is worth. With prices and a
        figure for doing too little the choice is the programme of least expected cost, and the worth is what that
        choice costs less once the test is known. Without, the choice is that of `Comparison.recommended`, the surest if
        none reaches the target, and the table tells how much surer the chosen programme is to hold the target and what
        it saves: present value, or sand [mm a year]. Notes say when no result would change the choice.

    Raises
    ------
    InputError
        Without a target, with a single programme, or for an error that is not above 0.

    Notes
    -----
    Each draw in turn plays the truth, and its organic matter with an error the test's result; all draws are weighed by
    how well they agree with it, and the choice is made again. Both choices are weighed with the same draws, so that a
    test that changes nothing is worth nothing, and one that is read for its cost is never worth less: the expected
    value of sample information (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory; memory).

    Examples
    --------
    >>> import matledger as mat
    >>> calibration = mat.calibrate(mat.demo_course(), draws=100, seed=1)
    >>> table = mat.value_of_test(mat.compare(calibration, years=2, draws=100, weather_sequences=5))
    >>> min(table.columns["worth, EUR"]) >= 0
    True
    """
    target = comparison.target
    problems = []
    if target is None:
        problems.append(Problem("comparison.target", "none", "a target"))
    if len(comparison.programmes) < 2:
        problems.append(Problem("comparison.programmes", "one", "at least two programmes to choose from"))
    problems += [*whole("seed", seed, 0, MOST_SEED), *of_kind("number", error_sd_percent=error_sd_percent)]
    if not problems and not (np.isfinite(error_sd_percent) and error_sd_percent > 0):
        problems.append(Problem("error_sd_percent", f"{error_sd_percent}", "a number above 0 (% OM)"))
    if problems or target is None:
        raise InputError(problems)
    at, names = comparison.first_sample, comparison.names
    losses, money = comparison.losses(), comparison.budget
    holds = (comparison.om_percent[:, :, -1, at].max(axis=1) <= target.om_percent).astype(np.float64)
    sand_mm = comparison.work[:, :, 4].sum(axis=1) / comparison.span_years / _core.SAND_BULK_DENSITY_G_CM3
    costs = sand_mm if money is None else money.total

    def choices(weights: Floats) -> Any:
        if losses is None:
            return _choices(holds @ weights, costs, target.probability)
        return (losses @ weights).argmin(axis=0)

    now = comparison.om_percent[0, :, 0, at]
    draws = holds.shape[1]
    errors = np.random.default_rng(seed).standard_normal(draws)
    before = int(choices(np.full((draws, 1), 1 / draws))[0])
    worth = holds if losses is None else -losses
    changes, gains, saved = [], [], []
    for green in range(len(now)):
        result = now[green] + error_sd_percent * errors
        apart = (now[green][:, None] - result[None, :]) / error_sd_percent
        weights = np.exp(-0.5 * apart**2)
        weights /= weights.sum(axis=0)
        after = choices(weights)
        found = worth @ weights
        changes.append(float((after != before).mean()))
        gains.append(float((found[after, np.arange(draws)] - found[before]).mean()))
        saved.append(float((costs[before] - costs[after]).mean()))
    best = changes if losses is None else gains
    order = sorted(range(len(now)), key=lambda g: (best[g], saved[g], gains[g]), reverse=True)
    currency = "" if money is None else money.currency
    gain = "gain in probability" if losses is None else f"worth, {currency}"
    columns: dict[str, Sequence[Any]] = {
        "green": [comparison.greens[g] for g in order],
        "changes the choice": [changes[g] for g in order],
        gain: [gains[g] for g in order],
    }
    formats, stored = {"changes the choice": ".1%", gain: "+.3f" if losses is None else ",.0f"}, {}
    if losses is None:
        saving = "sand saved a year, mm" if money is None else f"saved, {currency}"
        columns[saving] = [saved[g] for g in order]
        formats[saving] = ".2f" if money is None else ",.0f"
        stored = {saving: "mm of sand"} if money is None else {}
    notes = []
    if not any(changes):
        notes.append(f"no result of such a test would change the choice, {names[before]}")
    if min(gains) < 0:
        notes.append(
            "a gain below 0: some results make a cheaper programme sure enough, and less sure than the present choice"
        )
    if losses is not None and comparison.recommended not in (None, before):
        notes.append(
            f"the choice here is {names[before]}, of least expected cost with the cost of doing too little;"
            f" {names[comparison.recommended or 0]} is recommended, as the cheapest that reaches the target so surely"
        )
    caption = f"one more soil test, {comparison.sample_name(at, units)}"
    return Table(caption, columns, formats, stored, tuple(notes)).to(units)


def _choices(chances: Floats, costs: Floats, need: float) -> Any:
    """Return the choice by draw: the cheapest that is sure enough, the surest if none is."""
    priced = np.where(chances >= need, costs[:, None], np.inf)
    return np.where(np.isfinite(priced).any(axis=0), priced.argmin(axis=0), chances.argmax(axis=0))
