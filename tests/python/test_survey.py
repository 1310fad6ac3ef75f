"""A simulated population beside the published survey."""

import re

import numpy as np
import pytest
from page_maker import page_maker


@pytest.fixture(scope="module")
def survey():
    return page_maker("make_survey")


@pytest.fixture(scope="module")
def rows(survey):
    lines = survey.PAGE.read_text(encoding="utf-8").splitlines()
    cells = [line.strip("| ").split(" | ") for line in lines if line.startswith("| ")]
    return {row[0]: [[float(n) for n in re.findall(r"-?\d+\.\d+", cell)] for cell in row[1:]] for row in cells[2:]}


def test_the_page_shows_the_published_values(survey, rows):
    assert [value for (value,) in rows["published"]] == [survey.published()[m] for m in survey.METRICS]


@pytest.mark.parametrize("need", [0.0, 0.4])
def test_a_population_lies_within_its_row(survey, rows, need):
    found = survey.summary(survey.population(need, seed=survey.SEEDS[0]))
    for value, (_, least, most) in zip(found, rows[f"need {need:+.1f}"], strict=True):
        assert least - 0.02 <= value <= most + 0.02


def test_who_cores_moves_the_correlation(survey):
    apart = [survey.summary(survey.population(need, seed=3, courses=30)) for need in (-0.4, 0.8)]
    again = survey.summary(survey.population(0.8, seed=3, courses=30))
    assert (apart[1] - apart[0])[[0, 2]].min() > 0.3
    assert np.array_equal(apart[1], again)


def test_the_misses_are_told(survey, rows):
    """The prose stands or falls with these signs."""
    sand, nitrogen, corings, top, below = range(5)
    assert rows["need +0.0"][sand][1] > rows["published"][sand][0]
    assert rows["need +0.0"][corings][1] < rows["published"][corings][0] < rows["need +0.0"][corings][2]
    assert rows["need +0.4"][corings][1] > 0
    assert all(rows[f"need {need:+.1f}"][nitrogen][0] > 0 for need in survey.NEEDS)
    assert rows["need +0.0"][top][1] > rows["published"][top][0]
    assert rows["need +0.0"][below][0] < 1.2 * rows["published"][below][0]
    assert survey.VERDICT in survey.PAGE.read_text(encoding="utf-8")
