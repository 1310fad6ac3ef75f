"""What holds for tests and for the examples of docstrings alike."""

import sys
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def _no_figure_stays_open() -> Iterator[None]:
    """Close what an example draws: matplotlib warns of more than twenty open figures."""
    yield
    if pyplot := sys.modules.get("matplotlib.pyplot"):
        pyplot.close("all")
