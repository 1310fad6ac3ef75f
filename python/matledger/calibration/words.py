"""What kind of fit stands behind a result, in the words of reports, pages and notes."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from matledger.calibration.fit import Calibration

__all__ = ["LESSONS", "FitWords", "fit_words"]

LESSONS = {"learnt": "learnt", "moved": "learnt in part", "prior": "as believed before"}
"""What became of an unknown, as the core says it and as a reader is told."""


class FitWords(NamedTuple):
    """Words for a kind of fit: in short; where its draws come from; what to do about it; its close contests."""

    short: str
    draws: str
    advice: str
    contests: str


UNMEASURED = "How surely this kind of fit calls close contests was not measured"


def fit_words(calibration: Calibration) -> FitWords:
    """Return the words for the kind of a fit."""
    if calibration.method == "nuts":
        run = calibration.chains
        if run is None:
            return FitWords("of the sampler", "chosen draws of the No-U-Turn sampler", "", UNMEASURED)
        chains = f"{len(run.energy)} chains"
        return FitWords(chains, f"{chains} of the No-U-Turn sampler", "", UNMEASURED)
    if calibration.method == "nested":
        draws = "normal approximations at many fill fractions"
        return FitWords("nested Laplace", draws, "this fit is approximate: sample before quoting it", UNMEASURED)
    return FitWords(
        "Laplace",
        "a somewhat narrow normal approximation at the most probable values",
        "this fit is a quick look, too sure: sample before quoting it",
        "Close contests are called too surely",
    )
