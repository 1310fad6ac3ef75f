"""A chance in words, said no finer than the draws behind it allow."""

from __future__ import annotations

import math

__all__ = ["ENOUGH", "LEAST_DRAWS", "chance", "chance_if_all", "few_draws", "of_courses"]

ENOUGH = 256
"""Draws that hold a chance of 0.8 within 0.05, two standard errors: 4 x 0.8 x 0.2 / 0.05^2."""

LEAST_DRAWS = 20
"""Draws below which nothing is recommended: 19 that all hold bear out no more than a chance of 0.85."""


def chance_if_all(draws: int) -> float:
    """Return the least chance, 95 % sure, of what happened in every one of some draws.

    References
    ----------
    Exact one-sided limit of a binomial share without a failure: Clopper & Pearson 1934, Biometrika 26:404-413 (memory);
    near 1 - 3/n, the rule of three.

    Examples
    --------
    >>> from matledger.chances import chance_if_all
    >>> [round(chance_if_all(draws), 3) for draws in (20, 60, 400)]
    [0.861, 0.951, 0.993]
    """
    return float(0.05 ** (1 / draws))


def chance(share: float, draws: int, *, percent: bool = True, named: bool = True) -> str:
    """Write the share of draws in which something holds as a chance.

    All or none of them prove nothing to be certain or impossible: what they bear out is said in its place. A share of
    fewer than 100 draws is rounded to 0.05, of fewer than 20 to 0.1.

    Parameters
    ----------
    share
        Share of the draws [-].
    draws
        How many there are.
    percent
        Whether to write it in per cent.
    named
        Whether to name the draws where they are fewer than `ENOUGH`.

    Examples
    --------
    >>> from matledger.chances import chance
    >>> [chance(share, 400) for share in (0, 0.804, 0.9975, 1)]
    ['under 1 %', '80 %', '99 %', 'over 99 %']
    >>> [chance(share, 60, percent=False) for share in (0.82, 59 / 60, 1)]
    ['0.80 (60 draws)', '0.95 (60 draws)', 'at least 0.95 (60 draws)']
    >>> chance(185 / 200, 200, percent=False), f"{185 / 200:.2f}"  # as a table has it
    ('0.93 (200 draws)', '0.93')
    """
    of_100 = _of_100(share, draws)
    if share == 1:
        bound = "over " if of_100 == 99 else "at least "
    elif share == 0:
        bound = "under " if of_100 == 1 else "at most "
    else:
        bound = ""
    written = f"{of_100} %" if percent else f"{of_100 / 100:.2f}"
    return bound + written + (f" ({draws} draws)" if named and draws < ENOUGH else "")


def _of_100(share: float, draws: int) -> int:
    """Return a share of the draws in hundredths, no finer than the draws allow."""
    least = min(99, math.floor(100 * chance_if_all(draws)))
    step = 1 if draws >= 100 else 5 if draws >= LEAST_DRAWS else 10
    if share in (0, 1):
        return least if share else 100 - least
    in_a_table = round(100 * round(share, 2))
    return min(max(step * round(in_a_table / step), step), 100 - step)


def of_courses(share: float, draws: int) -> str:
    """Say of how many courses one would fail, in the fewest courses that tell the chance as `chance` does.

    Examples
    --------
    >>> from matledger.chances import of_courses
    >>> [of_courses(share, 400) for share in (0.9, 0.92, 0.95, 1)]
    ['of 10 courses ..., 1', 'of 100 courses ..., 8', 'of 20 courses ..., 1', 'of 100 courses ..., at most 1']
    """
    failing = 100 - _of_100(share, draws)
    of = next(of for of in (10, 20, 100) if failing * of % 100 == 0)
    return f"of {of} courses like this one, {'at most ' * (share == 1)}{failing * of // 100}"


def few_draws(draws: int) -> str:
    """Say how far chances may be off that stand on few draws, and how many would do; empty if there are enough.

    Examples
    --------
    >>> from matledger.chances import few_draws
    >>> few_draws(60)
    'the chances stand on 60 draws only: one of 0.8 may be off by 0.10 (two standard errors); 256 draws ...'
    """
    if draws >= ENOUGH:
        return ""
    off = 2 * math.sqrt(0.8 * 0.2 / draws)
    return (
        f"the chances stand on {draws} draws only: one of 0.8 may be off by {off:.2f} (two standard errors);"
        f" {ENOUGH} draws would bring that to 0.05"
    )
