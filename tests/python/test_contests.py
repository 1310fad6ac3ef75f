"""How often a stated chance is right: the page and the caution say what the committed contests show."""

import re
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from page_maker import DOCS, page_maker

import matledger as mat
from matledger.comparison import CAUTION

COURSE = 178
"""One whose contests are close."""


@pytest.fixture(scope="module")
def contests():
    return page_maker("make_contests")


def test_page_and_caution_say_what_was_measured(contests):
    table = contests.table(DOCS / "contests-laplace.csv")
    assert table in (DOCS / "validation.md").read_text(encoding="utf-8")
    right = {row.split(" | ")[0].strip("| "): row.split(" | ")[4] for row in table.splitlines()[2:]}
    assert re.findall(r"(0\.\d+ to\s+0\.\d+) was right (0\.\d+)", CAUTION) == [
        (kind, right[kind]) for kind in ("0.85 to 0.95", "0.95 to 0.99")
    ]


def test_a_course_of_the_table_comes_out_again(contests):
    rows = contests.contests(COURSE, "laplace")
    with (DOCS / "contests-laplace.csv").open(encoding="utf-8") as file:
        kept = [row for row in contests.csv.DictReader(file) if row["course"] == str(COURSE)]
    assert [(row["first"], row["second"]) for row in rows] == [(int(k["first"]), int(k["second"])) for k in kept]
    for name in ("stated", "right"):
        found, before = ([float(row[name]) for row in some] for some in (rows, kept))
        assert found == pytest.approx(before, abs=0.02), name  # a draw or two may fall elsewhere on another processor


@pytest.fixture(scope="module")
def told():
    calibration = mat.calibrate(mat.demo_course(), draws=100, seed=1)
    first, *others = calibration.course.programmes
    again = mat.Programme("the first once more", first.steps)
    return mat.compare(calibration, [first, *others, again], years=2, draws=100, weather_sequences=4)


def test_the_lower_programme_comes_first(told):
    table = told.contrasts()
    rows = list(zip(*table.columns.values(), strict=True))
    assert len(rows) == 6
    om = dict(zip(told.names, told.course_mean(told.om_percent)[:, -1, told.first_sample], strict=True))
    for lower, other, difference, low, high, chance in rows:
        assert difference == pytest.approx(np.median(om[lower] - om[other]))
        assert low <= difference <= min(high, 0)
        same = {lower, other} == {told.names[0], told.names[-1]}
        assert (chance == 0.5) if same else (0.5 <= chance <= 1)
    shown = [cells[2] for cells, row in zip(table.cells(), rows, strict=True) if row[2] != 0]
    assert all(re.search("[1-9]", cell) for cell in shown), shown


def test_greens_are_set_against_each_other_draw_by_draw(told):
    last, sample = told.names[-1], told.samples[1]
    table = told.contrasts_of_greens(last, date=told.dates[1], sample=sample)
    rows = list(zip(*table.columns.values(), strict=True))
    om = dict(zip(told.greens, told.om_percent[-1, :, 1, 1], strict=True))
    assert {frozenset(row[:2]) for row in rows} == {frozenset(pair) for pair in combinations(told.greens, 2)}
    for lower, other, difference, low, high, chance in rows:
        assert (low, difference, high) == pytest.approx(np.quantile(om[lower] - om[other], [0.05, 0.5, 0.95]))
        assert difference <= 0
        assert chance == (om[lower] < om[other]).mean()
    assert [row[-1] for row in rows] == sorted((row[-1] for row in rows), reverse=True)
    assert rows[0][-1] > 0.95 > rows[-1][-1]
    assert f"contrasts of greens in {sample} on {told.dates[1]}, {last}" in repr(table)
    now = [told.contrasts_of_greens(name, date=told.dates[0]).columns for name in told.names]
    assert now[0] == now[1]  # no programme has begun
    assert told.contrasts_of_greens().columns != now[0]
    with pytest.raises(mat.InputError) as caught:
        told.contrasts_of_greens("none", date=told.dates[0].replace(year=1999), sample="0 to 1 mm")
    assert [problem.place for problem in caught.value.problems] == ["programme", "date", "sample"]


def test_a_difference_that_two_decimals_hide_is_shown(told):
    near = 0.9995 * told.om_percent[:1]
    close = replace(told, programmes=told.programmes[:2], om_percent=np.concatenate([told.om_percent[:1], near]))
    ((lower, *_, shown, _, _, chance),) = close.contrasts().cells()
    assert (lower, chance) == (told.names[1], "1.00")
    assert float(shown) < 0


@pytest.mark.parametrize(
    ("chances", "sand", "lower", "close"),
    [
        ((0.9, 0.5), (2, 1), 0.9, True),  # chosen over one of less sand that misses the target
        ((0.9, 0.5), (2, 1), 1.0, False),  # and surely the lower
        ((0.9, 0.5), (1, 2), 0.9, False),  # the other takes more sand and misses too: no contest
        ((0.9, 0.85), (1, 2), 0.6, False),  # both reach it: sand decides
        ((0.7, 0.5), (1, 2), 0.9, True),  # the nearest, where none reaches it
    ],
)
def test_a_close_contest_that_decides_is_told(told, chances, sand, lower, close):
    """Two programmes; the first is lower in a share of the draws, and reaches the target with a chance of its own."""
    om = np.repeat(told.om_percent[:1], 2, axis=0)
    om[0] *= np.where(np.arange(100) < 100 * lower, 0.9, 1.1)
    work = told.work[:2].copy()
    work[:, :, 4] = np.array(sand)[:, None]
    two = replace(
        told,
        programmes=told.programmes[:2],
        om_percent=om,
        work=work,
        budget=None,
        probability_all=np.repeat(np.array(chances)[:, None], len(told.dates), axis=1),
    )
    assert two.advised == 0
    assert bool(two.close_contest) == close
    if close:
        assert f"than {two.names[1]} (in {lower:.2f} of the draws)" in two.close_contest
        assert CAUTION in two.close_contest
